"""What the table of legal limits says about one transmitter.

Power is compared as each rule defines it: conducted, ERP or EIRP. The spectrum is taken as flat over
the bandwidth, which is the best case: a density that is over is over, one that is barely within needs
a measurement. The nominal bandwidth stands for the bandwidth a rule measures (6 dB, 20 dB, channel).

Check with your regulator; this is not legal advice.
"""

import datetime
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache, reduce
from itertools import pairwise

from linkcalc.errors import DomainError
from linkcalc.rules.findings import JUDGES, interval_by_rule, largest_conducted_dbm, may_listen
from linkcalc.rules.found import POWER_ROUNDING_DB, FactorInterval, LimitsCheck, RuleCheck, Status
from linkcalc.rules.table import REGIONS, Rule, rules_of
from linkcalc.rules.transmission import HERTZ, HOUR_S, Transmission, occupied_hz

_TIMING = frozenset({"duty", "dwell", "pause"})
_POWER = frozenset({"power", "density"})

_EFFORT: Mapping[str, float] = {"listen": 2.0, "band": 2.0, "bandwidth": 2.0, "channels": 3.0}
"""Of putting right what is over, against 1 for sending less often; power costs 1 more for each 10 dB."""


def check(
    transmission: Transmission,
    region: str | None,
    *,
    time_on_air_by_spreading_factor_s: Mapping[int, float] | None = None,
    table: Iterable[Rule] | None = None,
    today: datetime.date | None = None,
) -> LimitsCheck:
    """Hold one transmitter against the table of legal limits.

    Parameters
    ----------
    transmission : Transmission
        What is sent, and how often.
    region : str or None
        A key of `REGIONS`; None: the answer is "unknown here".
    time_on_air_by_spreading_factor_s : mapping of int to float, s
        Times on air of the same payload, for the shortest interval of each.
    table : iterable of Rule
        Another table than the package's own.
    today : datetime.date
        Day from which the age of the rows is reckoned; left out: that of the computer's clock.

    Returns
    -------
    LimitsCheck
        "within" if at least one rule is satisfied in full: the most permissive one of those that are best
        verified is named. "over" if every rule that covers the frequency is broken; "unknown" if the table
        cannot tell. A signal that straddles adjacent bands is held against both as one where they may be
        joined. It speaks of the table's limits as they were on the day each row was checked.

    Raises
    ------
    DomainError
        If the region is not in the table.

    Examples
    --------
    >>> signal = Transmission(frequency_hz=868.3e6, bandwidth_hz=125e3, conducted_power_dbm=14.0,
    ...                       antenna_gain_dbi=2.15, time_on_air_s=0.370688, interval_s=600.0)
    >>> found = check(signal, "eu")
    >>> found.status, found.rule, round(found.duty_cycle, 6)
    ('within', 'eu-g1', 0.000618)
    >>> round(found.shortest_interval_s, 3)  # 97 messages an hour
    37.113
    """
    if region is None:
        return _empty(transmission, None, "no region is stated")
    if region not in REGIONS:
        raise DomainError(f"region must be one of {', '.join(REGIONS)}, got {region!r}")
    today = today or _today()
    factors = tuple((time_on_air_by_spreading_factor_s or {}).items())
    if table is None:
        return _of_package(transmission, region, factors, today)
    return _checked(transmission, region, factors, today, table)


@lru_cache(maxsize=4096)
def _of_package(
    transmission: Transmission, region: str, factors: tuple[tuple[int, float], ...], today: datetime.date
) -> LimitsCheck:
    """One check asks the same of a transmitter for its answer, its advice and its messages."""
    return _checked(transmission, region, factors, today, rules_of(region))


def _checked(
    transmission: Transmission,
    region: str,
    factors: tuple[tuple[int, float], ...],
    today: datetime.date,
    table: Iterable[Rule],
) -> LimitsCheck:
    regional = [r for r in table if r.region == region]
    covering = _covering(regional, transmission)
    if not covering:
        bands = ", ".join(
            dict.fromkeys(f"{r.low_mhz:.8g}-{r.high_mhz:.8g}" for r in regional if not r.barred)
        )
        where = f"{transmission.frequency_hz / 1e6:.10g} MHz"
        return _empty(
            transmission, region, f"the table has no rule for {where} in {region}; its bands are {bands} MHz"
        )
    found = sorted((_check_rule(r, transmission, today) for r in covering), key=_nearness)
    nearest = found[0]
    status: Status = "within" if nearest.satisfied else "over"
    # "over" is certain only if every rule is broken: one that cannot be judged leaves the answer open
    if not nearest.satisfied and any(f.status == "unknown" for f in found):
        status = "unknown"
        nearest = next(f for f in found if f.status == "unknown")
    power_rule, power = _largest_power(found, timed=transmission.interval_s is not None)
    limit_power = transmission.conducted_power_dbm
    if power is not None and limit_power > power + POWER_ROUNDING_DB:
        limit_power = power
    # at a power that every rule forbids no rule would count, and no interval be found
    at_legal_power = replace(transmission, conducted_power_dbm=limit_power)
    interval_rule, interval = _shortest_interval(covering, at_legal_power, transmission.time_on_air_s)
    by_factor = tuple(
        FactorInterval(factor, seconds, _shortest_interval(covering, at_legal_power, seconds)[1])
        for factor, seconds in factors
    )
    return replace(
        _empty(transmission, region, _reason(status, nearest, found)),
        status=status,
        remedy=_remedy(found),
        rule=nearest.id,
        unverified=nearest.unverified,
        old=nearest.old,
        largest_conducted_dbm=power,
        largest_conducted_rule=power_rule,
        shortest_interval_s=interval,
        shortest_interval_rule=interval_rule,
        by_spreading_factor=by_factor,
        interval_power_dbm=limit_power,
        rules=tuple(found),
    )


def _today() -> datetime.date:
    return datetime.date.today()


def _empty(t: Transmission, region: str | None, reason: str) -> LimitsCheck:
    own = t.time_on_air_per_hour_s
    others = sum(o.time_on_air_per_hour_s for o in t.other_traffic)
    return LimitsCheck(
        reason=reason,
        region=region,
        erp_dbm=t.erp_dbm,
        eirp_dbm=t.eirp_dbm,
        time_on_air_s=t.time_on_air_s,
        duty_cycle=None if own is None else (own + others) / HOUR_S,
        interval_power_dbm=t.conducted_power_dbm,
    )


def _reason(status: Status, nearest: RuleCheck, found: Sequence[RuleCheck]) -> str:
    if status == "within":
        text = nearest.title
    else:
        telling = [f.text for f in nearest.findings if f.status == status]
        if not telling:
            telling = [nearest.unread or "only a contested rule is kept"]
        text = f"{'; '.join(telling)} ({nearest.title})"
    if status == "unknown":
        # what is known for certain, where the rule in doubt does not apply
        text += "".join(
            f"; otherwise {next(f.text for f in other.findings if f.status == 'over')} ({other.title})"
            for other in [f for f in found if f.status == "over"][:1]
        )
    return f"{text}; {nearest.doubt}" if nearest.doubt else text


def _remedy(found: Sequence[RuleCheck]) -> str:
    """Of the rule that takes least work to keep, unless one is kept."""
    if found[0].satisfied:
        return ""
    sure = (r for r in found if r.status == "over" and not (r.contested or r.unread))
    over = next((r for r in sure if all(f.status != "unknown" for f in r.findings)), None)
    remedies = [] if over is None else [f.remedy for f in over.findings if f.status == "over" and f.remedy]
    return " and ".join(remedies)


def _covering(regional: Sequence[Rule], t: Transmission) -> list[Rule]:
    """The rules whose band the signal touches; adjacent ones that may be joined as one."""
    low, high = occupied_hz(t)
    touched = [r for r in regional if low < r.high_mhz * 1e6 - HERTZ and high > r.low_mhz * 1e6 + HERTZ]
    parts = sorted((r for r in touched if r.joins_adjacent), key=lambda r: r.low_mhz)
    if len(parts) < 2 or any(lower.high_mhz != upper.low_mhz for lower, upper in pairwise(parts)):
        return touched
    return [reduce(Rule.joined_to, parts), *(r for r in touched if r not in parts)]


def _nearness(found: RuleCheck) -> tuple[bool, bool, bool, float, int, float, float, str]:
    """Sort key: rules that are satisfied, that have no condition in doubt, that are least work to keep come
    first; of those the verified and permissive ones.
    """
    effort = sum(
        _EFFORT.get(f.quantity, 1.0) + ((f.over_by or 0.0) / 10.0 if f.quantity in _POWER else 0.0)
        for f in found.findings
        if f.status == "over"
    )
    power = math.inf if found.largest_conducted_dbm is None else found.largest_conducted_dbm
    interval = math.inf if found.shortest_interval_s is None else found.shortest_interval_s
    doubts = len(found.unverified) + found.old
    return (
        not found.satisfied,
        found.contested,
        bool(found.unread),
        effort,
        doubts,
        -power,
        interval,
        found.id,
    )


def _check_rule(rule: Rule, t: Transmission, today: datetime.date) -> RuleCheck:
    findings = tuple(finding for judge in JUDGES for finding in judge(rule, t))
    unread = "" if rule.may_be_met and rule.id in t.conditions_met else rule.unread
    states = {f.status for f in findings}
    status: Status = "within"
    if "over" in states:
        status = "over"
    elif "unknown" in states or unread:
        status = "unknown"
    return RuleCheck(
        id=rule.id,
        title=rule.title,
        status=status,
        contested=rule.contested,
        findings=findings,
        unread=unread,
        # listening that is neither required nor used cannot put the answer in doubt
        unverified=tuple(
            q for q in rule.unverified if q != "listen" or not may_listen(rule) or t.listen_before_talk
        ),
        checked=rule.checked.isoformat(),
        old=rule.old(today),
        source=rule.source,
        note=rule.note,
        largest_conducted_dbm=largest_conducted_dbm(rule, t),
        shortest_interval_s=interval_by_rule(rule, t),
    )


def _counts(found: RuleCheck, ignoring: frozenset[str]) -> bool:
    """Whether the rule would be satisfied if the ignored quantities were."""
    return (
        not found.contested
        and not found.unread
        and all(f.status == "within" for f in found.findings if f.quantity not in ignoring)
    )


def _largest_power(found: Iterable[RuleCheck], *, timed: bool) -> tuple[str | None, float | None]:
    """The most generous rule at the planned timing or, if none allows or plans that, at some timing."""
    for ignoring in (_POWER, _POWER | _TIMING) if timed else (_POWER | _TIMING,):
        fits = [
            (f.largest_conducted_dbm, f.id)
            for f in found
            if f.largest_conducted_dbm is not None
            and f.shortest_interval_s is not None
            and _counts(f, ignoring)
        ]
        if fits:
            power, rule = max(fits, key=lambda pair: pair[0])
            return rule, power
    return None, None


def _shortest_interval(
    covering: Iterable[Rule], t: Transmission, time_on_air_s: float
) -> tuple[str | None, float | None]:
    """The most generous rule at this power, for a message of that duration."""
    again = replace(t, time_on_air_s=time_on_air_s, interval_s=None)
    # on the day of the row itself: its age changes no limit
    found = [_check_rule(r, again, r.checked) for r in covering]
    fits = [
        (f.shortest_interval_s, f.id)
        for f in found
        if f.shortest_interval_s is not None and _counts(f, _TIMING)
    ]
    if not fits:
        return None, None
    interval, rule = min(fits, key=lambda pair: pair[0])
    return rule, interval

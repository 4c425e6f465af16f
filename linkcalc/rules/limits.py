"""What the table of legal limits says about one transmitter.

Power is compared as each rule defines it: conducted, ERP or EIRP. The spectrum is taken as flat over
the bandwidth, which is the best case: a density that is over is over, one that is barely within needs
a measurement. The nominal bandwidth stands for the bandwidth a rule measures (6 dB, 20 dB, channel).

Check with your regulator; this is not legal advice.
"""

import datetime
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, reduce
from itertools import pairwise
from typing import Literal

from linkcalc._arrays import checked
from linkcalc.errors import DomainError
from linkcalc.rules.table import QUANTITY_WORDS, REGIONS, Rule, rules
from linkcalc.units import DBI_OVER_DBD_DB

CAUTION = "Check with your regulator; this is not legal advice."

POWER_ROUNDING_DB = 0.03
"""Limits are laws in milliwatts but powers are set in whole dBm: 25 mW is 13.98 dBm and is quoted as 14."""

HOUR_S = 3600.0

_HERTZ = 1.0
"""Below the rounding of a carrier in megahertz."""

Status = Literal["within", "over", "unknown"]
Quantity = Literal["band", "power", "density", "duty", "listen", "dwell", "pause", "channels", "bandwidth"]

_TIMING = frozenset({"duty", "dwell", "pause"})
_POWER = frozenset({"power", "density"})

_EFFORT: Mapping[str, float] = {"listen": 2.0, "band": 2.0, "bandwidth": 2.0, "channels": 3.0}
"""Of mending what is over, against 1 for sending less often; power costs 1 more for each 10 dB."""


@dataclass(frozen=True)
class OtherTraffic:
    """What the same transmitter also sends, which counts toward its duty cycle in a band."""

    frequency_hz: float
    time_on_air_per_hour_s: float


@dataclass(frozen=True, kw_only=True)
class Transmission:
    """What one transmitter sends, and how often.

    Raises
    ------
    DomainError
        If a value is not finite or outside its range, or if one message with its tries lasts longer
        than the interval.
    """

    frequency_hz: float
    """Carrier, above 0."""
    bandwidth_hz: float
    """Of the signal, above 0."""
    conducted_power_dbm: float
    """At the radio's connector."""
    antenna_gain_dbi: float
    """In the main beam, whatever it points at."""
    time_on_air_s: float
    """Of one transmission, above 0."""
    interval_s: float | None = None
    """Between messages, above 0; None: not known."""
    feeder_loss_db: float = 0.0
    """Between connector and antenna, 0 or more."""
    tries: int = 1
    """Transmissions of one message, all counted."""
    hopping_channels: int = 1
    """Channels used alike in pseudo-random order; 1: a fixed channel."""
    listen_before_talk: bool = False
    """Listens as the rule asks (with adaptive frequency agility where it asks for that)."""
    other_traffic: tuple[OtherTraffic, ...] = ()
    """The same transmitter's other messages; they share its duty cycle where they lie in the same band."""
    retry_wait_s: float | None = None
    """From the start of one try to that of the next, at least; None: tries are spread over the interval."""
    access_point: bool = False
    """It answers the nodes of a network: some rules allow it more time on the air."""
    conditions_met: frozenset[str] = frozenset()
    """Rules of which it is known that their condition that the table cannot judge is met."""

    def __post_init__(self) -> None:
        for name in ("frequency_hz", "bandwidth_hz", "time_on_air_s"):
            checked(name, getattr(self, name), above=0.0)
        for name in ("conducted_power_dbm", "antenna_gain_dbi"):
            checked(name, getattr(self, name))
        checked("feeder_loss_db", self.feeder_loss_db, at_least=0.0)
        checked("tries", self.tries, at_least=1)
        checked("hopping_channels", self.hopping_channels, at_least=1)
        if self.retry_wait_s is not None:
            checked("retry_wait_s", self.retry_wait_s, above=0.0)
        if self.interval_s is not None:
            checked("interval_s", self.interval_s, above=0.0)
            if self.interval_s < self.message_time_s:
                raise DomainError(
                    f"interval_s is {self.interval_s:g} s, shorter than the {self.message_time_s:.3g} s"
                    " that one message with its tries is on the air"
                )

    @property
    def message_time_s(self) -> float:
        """Time on air of one message with all its tries."""
        return self.time_on_air_s * self.tries

    @property
    def between_starts_s(self) -> float | None:
        """Shortest time from the start of one transmission to that of the next; None: no interval known."""
        if self.interval_s is None:
            return None
        even = self.interval_s / self.tries
        return even if self.retry_wait_s is None or self.tries == 1 else min(even, self.retry_wait_s)

    @property
    def eirp_dbm(self) -> float:
        """Power over an isotropic radiator."""
        return self.conducted_power_dbm - self.feeder_loss_db + self.antenna_gain_dbi

    @property
    def erp_dbm(self) -> float:
        """Power over a half-wave dipole."""
        return self.eirp_dbm - DBI_OVER_DBD_DB

    @property
    def time_on_air_per_hour_s(self) -> float | None:
        """Of these messages in the worst hour: whole messages, so that no hour holds one more."""
        if self.interval_s is None:
            return None
        return math.ceil(HOUR_S / self.interval_s - 1e-9) * self.message_time_s

    def density_dbm(self, reference_hz: float, kind: str) -> float:
        """Power of that kind in the reference bandwidth, the spectrum taken as flat."""
        spread = 10.0 * math.log10(max(self.bandwidth_hz / reference_hz, 1.0))
        return self._power_dbm(kind) - spread

    def _power_dbm(self, kind: str) -> float:
        return {"conducted": self.conducted_power_dbm, "erp": self.erp_dbm, "eirp": self.eirp_dbm}[kind]


@dataclass(frozen=True)
class Finding:
    """One limited quantity of one rule."""

    quantity: Quantity
    status: Status
    text: str
    """In words, with value and limit."""
    over_by: float | None = None
    """Above the limit (or below, where it is a least value), in `unit`; None unless over."""
    unit: str = ""
    remedy: str = ""
    """What would bring it within the limit."""


@dataclass(frozen=True)
class RuleCheck:
    """One rule that covers the frequency."""

    id: str
    title: str
    status: Status
    contested: bool
    """A contested rule is never counted as satisfied."""
    findings: tuple[Finding, ...]
    unread: str
    """What the rule also asks and the table cannot judge."""
    unverified: tuple[str, ...]
    """Quantities of this row that are unverified."""
    checked: str
    """Day on which the row was held against its source."""
    old: bool
    """That is more than 24 months ago."""
    source: str
    note: str
    largest_conducted_dbm: float | None
    """With this feeder, antenna and bandwidth; None: the table has no power limit."""
    shortest_interval_s: float | None
    """The time on air itself where the rule does not limit it; None: never, one message is too long."""

    @property
    def satisfied(self) -> bool:
        """Whether the rule is satisfied in full and counts."""
        return self.status == "within" and not self.contested

    @property
    def doubt(self) -> str:
        """Why the row itself may be wrong, in words; empty where nothing speaks against it."""
        words = []
        if self.unverified:
            words.append(f"unverified: {', '.join(QUANTITY_WORDS[q] for q in self.unverified)}")
        if self.old:
            words.append(f"last checked {self.checked}, more than 24 months ago")
        return "; ".join(words)


@dataclass(frozen=True)
class FactorInterval:
    """How often the same payload may be sent at another spreading factor."""

    spreading_factor: int
    time_on_air_s: float
    shortest_interval_s: float | None
    """None: not at all, one message is too long."""


@dataclass(frozen=True)
class LimitsCheck:
    """What the table says about one transmitter."""

    status: Status
    reason: str
    """One line: the rule that is kept, what is over and by how much, or what is not known; and what of that
    rule is unverified or old."""
    remedy: str
    """The least change that keeps every limit of one rule that is over; empty where none is."""
    region: str | None
    rule: str | None
    """The rule that is satisfied, or the nearest one."""
    unverified: tuple[str, ...]
    """What of that rule is unverified."""
    old: bool
    """That rule was held against its source more than 24 months ago."""
    erp_dbm: float
    eirp_dbm: float
    time_on_air_s: float
    duty_cycle: float | None
    """Share of the worst hour this transmitter is on the air, all its messages; None: no interval known."""
    largest_conducted_dbm: float | None
    """By the most generous rule whose other limits are kept; None: there is none."""
    largest_conducted_rule: str | None
    shortest_interval_s: float | None
    """By the most generous rule whose other limits are kept; None: there is none."""
    shortest_interval_rule: str | None
    by_spreading_factor: tuple[FactorInterval, ...]
    """The same payload at other spreading factors; empty for other signals."""
    interval_power_dbm: float
    """The conducted power the intervals hold for: as planned, or the largest legal one if that is less."""
    rules: tuple[RuleCheck, ...]
    """Every rule that covers the frequency, satisfied ones first, then by the effort of keeping them."""
    caution: str = CAUTION

    @property
    def power_steps_dbm(self) -> tuple[float, ...]:
        """Conducted powers beyond which a rule is broken, rising; between two of them nothing but words changes."""
        return tuple(
            sorted(
                r.largest_conducted_dbm + POWER_ROUNDING_DB
                for r in self.rules
                if r.largest_conducted_dbm is not None
            )
        )

    @property
    def power_doubt(self) -> str:
        """Why the rule of the largest legal power may be wrong, in words."""
        return next((r.doubt for r in self.rules if r.id == self.largest_conducted_rule), "")


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
    return _checked(transmission, region, factors, today, rules())


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
    if not nearest.satisfied and any(f.status == "unknown" for f in found):
        status = "unknown"
        nearest = next(f for f in found if f.status == "unknown")
    power_rule, power = _largest_power(found, timed=transmission.interval_s is not None)
    limit_power = transmission.conducted_power_dbm
    if power is not None and limit_power > power + POWER_ROUNDING_DB:
        limit_power = power
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
    return LimitsCheck(
        status="unknown",
        reason=reason,
        remedy="",
        region=region,
        rule=None,
        unverified=(),
        old=False,
        erp_dbm=t.erp_dbm,
        eirp_dbm=t.eirp_dbm,
        time_on_air_s=t.time_on_air_s,
        duty_cycle=_duty(t),
        largest_conducted_dbm=None,
        largest_conducted_rule=None,
        shortest_interval_s=None,
        shortest_interval_rule=None,
        by_spreading_factor=(),
        interval_power_dbm=t.conducted_power_dbm,
        rules=(),
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
    mends = [] if over is None else [f.remedy for f in over.findings if f.status == "over" and f.remedy]
    return " and ".join(mends)


def _duty(t: Transmission) -> float | None:
    own = t.time_on_air_per_hour_s
    return None if own is None else (own + sum(o.time_on_air_per_hour_s for o in t.other_traffic)) / HOUR_S


def _occupied_hz(t: Transmission) -> tuple[float, float]:
    return t.frequency_hz - t.bandwidth_hz / 2.0, t.frequency_hz + t.bandwidth_hz / 2.0


def _covering(regional: Sequence[Rule], t: Transmission) -> list[Rule]:
    """The rules whose band the signal touches; adjacent ones that may be joined as one."""
    touched = [r for r in regional if _touches(r, t)]
    parts = sorted((r for r in touched if r.joins_adjacent), key=lambda r: r.low_mhz)
    if len(parts) < 2 or any(lower.high_mhz != upper.low_mhz for lower, upper in pairwise(parts)):
        return touched
    return [reduce(Rule.joined_to, parts), *(r for r in touched if r not in parts)]


def _touches(rule: Rule, t: Transmission) -> bool:
    low, high = _occupied_hz(t)
    return low < rule.high_mhz * 1e6 - _HERTZ and high > rule.low_mhz * 1e6 + _HERTZ


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
    findings = tuple(finding for judge in _JUDGES for finding in judge(rule, t))
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
        unverified=tuple(
            q for q in rule.unverified if q != "listen" or not _may_listen(rule) or t.listen_before_talk
        ),
        checked=rule.checked.isoformat(),
        old=rule.old(today),
        source=rule.source,
        note=rule.note,
        largest_conducted_dbm=_largest_conducted_dbm(rule, t),
        shortest_interval_s=_interval_by_rule(rule, t),
    )


# ------------------------------------------------------------------------------- one quantity each


def _band(rule: Rule, t: Transmission) -> Iterable[Finding]:
    low, high = _occupied_hz(t)
    if rule.barred:
        out_khz = min(high - rule.low_mhz * 1e6, rule.high_mhz * 1e6 - low) / 1e3
        text = f"{rule.low_mhz:g}-{rule.high_mhz:g} MHz is {rule.barred}"
        yield Finding("band", "over", text, out_khz, "kHz", "move the carrier")
        return
    outside_hz = max(rule.low_mhz * 1e6 - low, high - rule.high_mhz * 1e6, 0.0)
    gaps_hz = [min(high, g * 1e6) - max(low, f * 1e6) for f, g in rule.excluded_mhz]
    beyond_hz = max([outside_hz, *gaps_hz])
    if beyond_hz < _HERTZ:
        yield Finding("band", "within", "the occupied band lies inside")
        return
    yield Finding(
        "band",
        "over",
        f"the occupied band {low / 1e6:.4f}-{high / 1e6:.4f} MHz leaves the allowed band"
        f" by {_amount(beyond_hz / 1e3)} kHz",
        over_by=beyond_hz / 1e3,
        unit="kHz",
        remedy="move the carrier or narrow the signal",
    )


def _power(rule: Rule, t: Transmission) -> Iterable[Finding]:
    for name, value, limit in (
        ("conducted power", t.conducted_power_dbm, _conducted_limit_dbm(rule, t)),
        ("ERP", t.erp_dbm, _dbm(rule.max_erp_mw)),
        ("EIRP", t.eirp_dbm, _dbm(rule.max_eirp_mw)),
    ):
        if limit is not None:
            yield _level("power", f"{name} {value:.1f} dBm", value, limit)


def _density(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.density_dbm is None or not _density_applies(rule, t):
        return
    assert rule.density_reference_khz is not None
    assert rule.density_kind is not None
    value = t.density_dbm(rule.density_reference_khz * 1e3, rule.density_kind)
    where = f"in {rule.density_reference_khz:g} kHz if flat"
    kind = f"{'peak ' if rule.density_peak else ''}{_KIND_WORDS[rule.density_kind]}"
    name = f"{kind} density {value:.1f} dBm {where}"
    yield _level("density", name, value, rule.density_dbm)


def _time_on_air(rule: Rule, t: Transmission) -> Iterable[Finding]:
    """The duty cycle or, where the rule lets whoever listens first leave it, what it asks of those."""
    if rule.duty_cycle is None:
        return
    by_share = _duty_cycle(rule, t)
    if by_share.status == "within" or not (t.listen_before_talk and _may_listen(rule)):
        yield by_share
        return
    polite = tuple(_polite(rule, t))
    telling = [f.text for f in polite if f.status == "over"]
    if telling:
        yield replace(by_share, text=f"{by_share.text}; listening first: {'; '.join(telling)}")
    elif by_share.status == "over" and any(f.status == "unknown" for f in polite):
        yield next(f for f in polite if f.status == "unknown")
    else:
        yield from polite if all(f.status == "within" for f in polite) else (by_share,)


def _duty_cycle(rule: Rule, t: Transmission) -> Finding:
    allowed = _share(rule, t) * HOUR_S
    own, others = t.time_on_air_per_hour_s, _others_s(rule, t)
    if own is None and others + t.message_time_s <= allowed + 1e-9:
        return Finding("duty", "unknown", f"no reporting interval stated; {allowed:g} s per hour are allowed")
    used = others + (t.message_time_s if own is None else own)
    text = f"{_amount(used)} s on the air in an hour, limit {allowed:g} s"
    if others:
        text += f" ({_amount(others)} s of it for other messages)"
    if used <= allowed + 1e-9:
        return Finding("duty", "within", text)
    interval = _interval_by_time_on_air(rule, t)
    remedy = "shorten the message" + (" and send the others less often" if others else "")
    if interval is not None:
        remedy = f"send every {_seconds_up(interval)} s or less often"
    if _may_listen(rule) and not t.listen_before_talk:
        listening = _polite(rule, replace(t, listen_before_talk=True))
        if all(f.status == "within" for f in listening):
            remedy += ", or listen before talk"
    return Finding("duty", "over", text, used - allowed, "s per hour", remedy)


def _share(rule: Rule, t: Transmission) -> float:
    own = rule.access_point_duty_cycle if t.access_point else None
    share = rule.duty_cycle if own is None else own
    assert share is not None
    return share


def _may_listen(rule: Rule) -> bool:
    return rule.listen_before_talk == "instead_of_duty"


def _polite(rule: Rule, t: Transmission) -> Iterable[Finding]:
    """What is asked of those who listen first: short bursts, pauses, a sum in each slice of spectrum."""
    if rule.polite_s_per_hour is None:
        yield Finding(
            "duty",
            "unknown",
            "listening first replaces the duty cycle, but what limits it is not in the table",
        )
        return
    assert rule.polite_burst_s is not None
    assert rule.polite_pause_s is not None
    if t.time_on_air_s > rule.polite_burst_s + 1e-9:
        limit = f"limit {rule.polite_burst_s:g} s"
        yield Finding("duty", "over", f"{_amount(t.time_on_air_s)} s a transmission, {limit}")
    between = t.between_starts_s
    if between is None:
        yield Finding("duty", "unknown", "no reporting interval stated")
        return
    pause = between * t.hopping_channels - t.time_on_air_s
    if pause < rule.polite_pause_s - 1e-9:
        yield Finding("duty", "over", f"a pause of {_amount(pause)} s, at least {rule.polite_pause_s:g} s")
    assert t.interval_s is not None
    bursts = math.ceil(HOUR_S / t.interval_s - 1e-9) * t.tries
    used = math.ceil(bursts * _slice_share(rule, t) - 1e-9) * t.time_on_air_s + _others_in_slice_s(rule, t)
    text = f"{_amount(used)} s an hour in {rule.polite_per_khz:g} kHz, limit {rule.polite_s_per_hour:g} s"
    over = used > rule.polite_s_per_hour + 1e-9
    yield Finding("duty", "over" if over else "within", f"listens first: {text}" if not over else text)


def _slice_share(rule: Rule, t: Transmission) -> float:
    """Share of the transmissions that falls into the busiest slice of spectrum.

    A signal is on the air in all slices it occupies. Hopping channels are taken to lie one to a slice, or as
    evenly over the band as there are slices for.
    """
    assert rule.polite_per_khz is not None
    slices_each = math.ceil(t.bandwidth_hz / 1e3 / rule.polite_per_khz - 1e-9)
    places = max(
        math.floor((rule.high_mhz - rule.low_mhz) * 1e3 / rule.polite_per_khz / slices_each + 1e-9), 1
    )
    return math.ceil(t.hopping_channels / places) / t.hopping_channels


def _others_in_slice_s(rule: Rule, t: Transmission) -> float:
    """Seconds an hour of the other messages that may share a slice with this one."""
    assert rule.polite_per_khz is not None
    if t.hopping_channels > 1:
        return _others_s(rule, t) * _slice_share(rule, t)
    reach = t.bandwidth_hz + rule.polite_per_khz * 1e3
    near = [o for o in t.other_traffic if abs(o.frequency_hz - t.frequency_hz) < reach]
    return _others_s(rule, replace(t, other_traffic=tuple(near)))


def _channel_hour(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.channel_s_per_hour is None or t.interval_s is None:
        return
    bursts = math.ceil(HOUR_S / t.interval_s - 1e-9) * t.tries
    used = math.ceil(bursts / t.hopping_channels) * t.time_on_air_s
    used += _others_s(rule, t) / t.hopping_channels
    text = f"{_amount(used)} s an hour on each channel, limit {rule.channel_s_per_hour:g} s"
    if used <= rule.channel_s_per_hour + 1e-9:
        yield Finding("duty", "within", text)
        return
    interval = _interval_by_channel_hour(rule, t)
    remedy = (
        "shorten the message" if interval is None else f"send every {_seconds_up(interval)} s or less often"
    )
    yield Finding("duty", "over", text, used - rule.channel_s_per_hour, "s per hour", remedy)


def _listen(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.listen_before_talk != "required":
        return
    if t.listen_before_talk:
        yield Finding("listen", "within", "listens before talk")
    else:
        yield Finding("listen", "over", "listening before talk is required", remedy="listen before talk")


def _dwell(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.dwell_s is None:
        return
    window = _dwell_window_s(rule, t)
    limit = f"limit {rule.dwell_s:g} s" + ("" if window is None else f" in {window:g} s")
    if t.time_on_air_s > rule.dwell_s + 1e-9 or window is None:
        used = t.time_on_air_s
    elif t.interval_s is None:
        yield Finding("dwell", "unknown", f"no reporting interval stated; on one channel: {limit}")
        return
    else:
        # equal use: a channel returns after all others, whichever message is being sent
        between_s = t.hopping_channels * t.interval_s / t.tries
        used = t.time_on_air_s * math.ceil(window / between_s - 1e-9)
    text = f"{_amount(used)} s on one channel, {limit}"
    if used <= rule.dwell_s + 1e-9:
        yield Finding("dwell", "within", text)
        return
    interval = _interval_by_dwell(rule, t)
    remedy = "shorten the message or use a lower spreading factor"
    if interval is not None:
        remedy = f"send every {_seconds_up(interval)} s or less often"
    yield Finding("dwell", "over", text, used - rule.dwell_s, "s", remedy)


def _pause(rule: Rule, t: Transmission) -> Iterable[Finding]:
    for least, channels, where in (
        (_pause_s(rule, t), 1, "between transmissions"),
        (rule.channel_return_s or 0.0, t.hopping_channels, "before a channel is used again"),
    ):
        if not least:
            continue
        limit = f"at least {_amount(least)} s"
        if t.between_starts_s is None:
            yield Finding("pause", "unknown", f"no reporting interval stated; pause {where}: {limit}")
            continue
        pause = t.between_starts_s * channels - t.time_on_air_s
        text = f"a pause of {_amount(pause)} s {where}, {limit}"
        if pause >= least - 1e-9:
            yield Finding("pause", "within", text)
            continue
        apart = _seconds_up((least + t.time_on_air_s) / channels)
        what = "tries" if t.tries > 1 else "messages"
        yield Finding("pause", "over", text, least - pause, "s", f"start {what} {apart} s apart or more")


def _pause_s(rule: Rule, t: Transmission) -> float:
    return max(rule.pause_s or 0.0, (rule.pause_per_burst or 0.0) * t.time_on_air_s)


def _channels(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.min_channels is None:
        return
    count = "a fixed channel" if t.hopping_channels == 1 else f"{t.hopping_channels} hopping channels"
    if t.hopping_channels < rule.min_channels:
        text, short = (
            f"{count}, at least {rule.min_channels} needed",
            float(rule.min_channels - t.hopping_channels),
        )
        remedy = f"hop over at least {rule.min_channels} channels"
        yield Finding("channels", "over", text, short, "channels", remedy)
        return
    # channels that overlap are not as many as they are counted
    room_khz = (rule.high_mhz - rule.low_mhz - sum(high - low for low, high in rule.excluded_mhz)) * 1e3
    most = math.floor(room_khz / (t.bandwidth_hz / 1e3) + 1e-9)
    if t.hopping_channels > most >= 1:
        text = f"{count} of {t.bandwidth_hz / 1e3:g} kHz do not fit into {room_khz / 1e3:g} MHz"
        remedy = f"hop over {most} channels" if most >= rule.min_channels else "use narrower channels"
        yield Finding("channels", "over", text, float(t.hopping_channels - most), "channels", remedy)
    else:
        yield Finding("channels", "within", f"{count}, at least {rule.min_channels} needed")


def _bandwidth(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.bandwidth_measure is None:
        return
    width = t.bandwidth_hz / 1e3
    low, high, below = rule.min_bandwidth_khz, rule.max_bandwidth_khz, rule.below_bandwidth_khz
    name = f"bandwidth {width:g} kHz"
    text = f"{name} is within the rule's {rule.bandwidth_measure} limits"
    if low is not None and width < low - 1e-6:
        text = f"{name}, at least {low:g} kHz needed ({rule.bandwidth_measure})"
        yield Finding("bandwidth", "over", text, low - width, "kHz", f"use at least {low:g} kHz")
    elif high is not None and width > high + 1e-6:
        text = f"{name}, limit {high:g} kHz ({rule.bandwidth_measure})"
        yield Finding("bandwidth", "over", text, width - high, "kHz", f"use {high:g} kHz or less")
    elif below is not None and width >= below - 1e-6:
        text = f"{name}, must be below {below:g} kHz ({rule.bandwidth_measure})"
        yield Finding("bandwidth", "over", text, width - below, "kHz", f"use less than {below:g} kHz")
    else:
        yield Finding("bandwidth", "within", text)


_JUDGES: tuple[Callable[[Rule, Transmission], Iterable[Finding]], ...] = (
    _band,
    _power,
    _density,
    _time_on_air,
    _channel_hour,
    _listen,
    _dwell,
    _pause,
    _channels,
    _bandwidth,
)

_KIND_WORDS = {"conducted": "conducted", "erp": "ERP", "eirp": "EIRP"}


def _level(quantity: Quantity, name: str, value: float, limit: float) -> Finding:
    excess = value - limit
    text = f"{name}, limit {limit + 1e-9:.1f} dBm"
    if excess <= POWER_ROUNDING_DB:
        return Finding(quantity, "within", text)
    text += f", over by {_amount(excess)} dB"
    down = math.ceil(excess * 10) / 10
    return Finding(quantity, "over", text, excess, "dB", f"lower the power by {down:g} dB")


def _density_applies(rule: Rule, t: Transmission) -> bool:
    return rule.density_above_khz is None or t.bandwidth_hz > rule.density_above_khz * 1e3 + 1e-3


def _dbm(milliwatts: float | None) -> float | None:
    return None if milliwatts is None else 10.0 * math.log10(milliwatts)


def _conducted_limit_dbm(rule: Rule, t: Transmission) -> float | None:
    limit = _dbm(rule.max_conducted_mw)
    if limit is None or rule.gain_free_dbi is None:
        return limit
    return limit - max(t.antenna_gain_dbi - rule.gain_free_dbi, 0.0)


def _amount(value: float) -> str:
    return f"{value:.1f}" if value >= 10 else f"{value:.3g}"


def _seconds_up(value: float) -> str:
    """An interval rounded so that it still keeps the limit."""
    return f"{math.ceil(value * 10 - 1e-6) / 10:g}"


# ------------------------------------------------------------------------- how far one could go


def _largest_conducted_dbm(rule: Rule, t: Transmission) -> float | None:
    """Conducted power at which the tightest power or density limit of the rule is reached."""
    to_erp = t.erp_dbm - t.conducted_power_dbm
    to_eirp = t.eirp_dbm - t.conducted_power_dbm
    offsets = {"conducted": 0.0, "erp": to_erp, "eirp": to_eirp}
    limits = [
        (_conducted_limit_dbm(rule, t), 0.0),
        (_dbm(rule.max_erp_mw), to_erp),
        (_dbm(rule.max_eirp_mw), to_eirp),
    ]
    if rule.density_dbm is not None and _density_applies(rule, t):
        assert rule.density_reference_khz is not None
        assert rule.density_kind is not None
        spread = t.density_dbm(rule.density_reference_khz * 1e3, "conducted") - t.conducted_power_dbm
        limits.append((rule.density_dbm, spread + offsets[rule.density_kind]))
    stated = [limit - offset for limit, offset in limits if limit is not None]
    return min(stated) if rule.power_limited else None


def _interval_by_rule(rule: Rule, t: Transmission) -> float | None:
    """Shortest interval of the rule; the message's own time where it sets none; None: never."""
    ways = [way(rule, t) for way in _INTERVALS]
    known = [way for way in ways if way is not None]
    return max(known) if len(known) == len(ways) else None


def _interval_by_time_on_air(rule: Rule, t: Transmission) -> float | None:
    if rule.duty_cycle is None:
        return t.message_time_s
    ways = [_every(_share(rule, t) * HOUR_S - _others_s(rule, t), t)]
    if t.listen_before_talk and _may_listen(rule):
        ways.append(_interval_by_listening(rule, t))
    return min((way for way in ways if way is not None), default=None)


def _interval_by_listening(rule: Rule, t: Transmission) -> float | None:
    if rule.polite_s_per_hour is None:
        return None
    assert rule.polite_burst_s is not None
    assert rule.polite_pause_s is not None
    bursts = math.floor((rule.polite_s_per_hour - _others_in_slice_s(rule, t)) / t.time_on_air_s + 1e-9)
    messages = math.floor(bursts / _slice_share(rule, t) / t.tries + 1e-9)
    apart = _interval_apart((rule.polite_pause_s + t.time_on_air_s) / t.hopping_channels, t)
    if messages < 1 or apart is None or t.time_on_air_s > rule.polite_burst_s + 1e-9:
        return None
    return max(HOUR_S / messages, apart)


def _interval_by_channel_hour(rule: Rule, t: Transmission) -> float | None:
    if rule.channel_s_per_hour is None:
        return t.message_time_s
    left_s = rule.channel_s_per_hour - _others_s(rule, t) / t.hopping_channels
    messages = math.floor(left_s / t.time_on_air_s + 1e-9) * t.hopping_channels // t.tries
    return max(HOUR_S / messages, t.message_time_s) if messages > 0 else None


def _interval_by_pause(rule: Rule, t: Transmission) -> float | None:
    after, returns = _pause_s(rule, t), rule.channel_return_s or 0.0
    apart = max(
        after + t.time_on_air_s if after else 0.0,
        (returns + t.time_on_air_s) / t.hopping_channels if returns else 0.0,
    )
    return _interval_apart(apart, t)


def _interval_apart(apart_s: float, t: Transmission) -> float | None:
    """Shortest interval that starts transmissions that far apart; None where the tries are closer."""
    if t.tries > 1 and t.retry_wait_s is not None and t.retry_wait_s < apart_s - 1e-9:
        return None
    return max(apart_s * t.tries, t.message_time_s)


def _every(left_s: float, t: Transmission) -> float | None:
    """Interval of whole messages that fill what is left of an hour; None: not even one fits."""
    messages = math.floor(left_s / t.message_time_s + 1e-9)
    return max(HOUR_S / messages, t.message_time_s) if messages > 0 else None


def _others_s(rule: Rule, t: Transmission) -> float:
    """Seconds an hour of the transmitter's other messages in the rule's band."""
    low, high = rule.low_mhz * 1e6, rule.high_mhz * 1e6
    return sum(o.time_on_air_per_hour_s for o in t.other_traffic if low <= o.frequency_hz <= high)


def _interval_by_dwell(rule: Rule, t: Transmission) -> float | None:
    if rule.dwell_s is None:
        return t.message_time_s
    uses = math.floor(rule.dwell_s / t.time_on_air_s + 1e-9)
    if not uses:
        return None
    window = _dwell_window_s(rule, t)
    if window is None:
        return t.message_time_s
    return max(window * t.tries / (t.hopping_channels * uses), t.message_time_s)


_INTERVALS: tuple[Callable[[Rule, Transmission], float | None], ...] = (
    _interval_by_time_on_air,
    _interval_by_channel_hour,
    _interval_by_dwell,
    _interval_by_pause,
)


def _dwell_window_s(rule: Rule, t: Transmission) -> float | None:
    if rule.dwell_window_s_per_channel is not None:
        return rule.dwell_window_s_per_channel * t.hopping_channels
    return rule.dwell_window_s


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

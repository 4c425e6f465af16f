"""What the table of legal limits says about one transmitter.

Power is compared as each rule defines it: conducted, ERP or EIRP. The spectrum is taken as flat over
the bandwidth, which is the best case: a density that is over is over, one that is barely within needs
a measurement. The nominal bandwidth stands for the bandwidth a rule measures (6 dB, 20 dB, channel).

Check with your regulator; this is not legal advice.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from linkcalc._arrays import checked
from linkcalc.errors import DomainError
from linkcalc.rules.table import REGIONS, Rule, rules
from linkcalc.units import DBI_OVER_DBD_DB

CAUTION = "Check with your regulator; this is not legal advice."

POWER_ROUNDING_DB = 0.03
"""Limits are laws in milliwatts but powers are set in whole dBm: 25 mW is 13.98 dBm and is quoted as 14."""

HOUR_S = 3600.0

Status = Literal["within", "over", "unknown"]
Quantity = Literal["band", "power", "density", "duty", "listen", "dwell", "channels", "bandwidth"]

_TIMING = frozenset({"duty", "dwell"})
_POWER = frozenset({"power", "density"})


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

    def __post_init__(self) -> None:
        for name in ("frequency_hz", "bandwidth_hz", "time_on_air_s"):
            checked(name, getattr(self, name), above=0.0)
        for name in ("conducted_power_dbm", "antenna_gain_dbi"):
            checked(name, getattr(self, name))
        checked("feeder_loss_db", self.feeder_loss_db, at_least=0.0)
        checked("tries", self.tries, at_least=1)
        checked("hopping_channels", self.hopping_channels, at_least=1)
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
    """One line: the rule that is kept, what is over and by how much, or what is not known."""
    region: str | None
    rule: str | None
    """The rule that is satisfied, or the nearest one."""
    unverified: tuple[str, ...]
    """What of that rule is unverified."""
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
    """Every rule that covers the frequency, satisfied ones first."""
    caution: str = CAUTION


def check(
    transmission: Transmission,
    region: str | None,
    *,
    time_on_air_by_spreading_factor_s: Mapping[int, float] | None = None,
    table: Iterable[Rule] | None = None,
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

    Returns
    -------
    LimitsCheck
        "within" if at least one rule is satisfied in full; "over" if every rule that covers the frequency
        is broken; "unknown" if the table cannot tell. It speaks of the table's limits, which are those of
        the trade notes on the day they were typed.

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
    regional = [r for r in (rules() if table is None else table) if r.region == region]
    bands = ", ".join(dict.fromkeys(f"{r.low_mhz:g}-{r.high_mhz:g}" for r in regional))
    covering = [r for r in regional if _touches(r, transmission)]
    if not covering:
        where = f"{transmission.frequency_hz / 1e6:.10g} MHz"
        return _empty(
            transmission, region, f"the table has no rule for {where} in {region}; its bands are {bands} MHz"
        )
    pairs = [(r, _check_rule(r, transmission)) for r in covering]
    found = [f for _, f in sorted(pairs, key=lambda pair: _nearness(*pair))]
    nearest = found[0]
    power_rule, power = _largest_power(found)
    limit_power = transmission.conducted_power_dbm
    if power is not None and limit_power > power + POWER_ROUNDING_DB:
        limit_power = power
    at_legal_power = replace(transmission, conducted_power_dbm=limit_power)
    interval_rule, interval = _shortest_interval(covering, at_legal_power, transmission.time_on_air_s)
    by_factor = tuple(
        FactorInterval(factor, seconds, _shortest_interval(covering, at_legal_power, seconds)[1])
        for factor, seconds in (time_on_air_by_spreading_factor_s or {}).items()
    )
    status: Status = "within" if nearest.satisfied else "over"
    if not nearest.satisfied and any(f.status == "unknown" for f in found):
        status = "unknown"
        nearest = next(f for f in found if f.status == "unknown")
    return LimitsCheck(
        status=status,
        reason=_reason(status, nearest),
        region=region,
        rule=nearest.id,
        unverified=nearest.unverified,
        erp_dbm=transmission.erp_dbm,
        eirp_dbm=transmission.eirp_dbm,
        time_on_air_s=transmission.time_on_air_s,
        duty_cycle=_duty(transmission),
        largest_conducted_dbm=power,
        largest_conducted_rule=power_rule,
        shortest_interval_s=interval,
        shortest_interval_rule=interval_rule,
        by_spreading_factor=by_factor,
        interval_power_dbm=limit_power,
        rules=tuple(found),
    )


def _empty(t: Transmission, region: str | None, reason: str) -> LimitsCheck:
    return LimitsCheck(
        status="unknown",
        reason=reason,
        region=region,
        rule=None,
        unverified=(),
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


def _reason(status: Status, nearest: RuleCheck) -> str:
    if status == "within":
        return nearest.title
    telling = [f.text for f in nearest.findings if f.status == status]
    if not telling:
        telling = [nearest.unread or "only a contested rule is kept"]
    return f"{telling[0]} ({nearest.title})"


def _duty(t: Transmission) -> float | None:
    own = t.time_on_air_per_hour_s
    return None if own is None else (own + sum(o.time_on_air_per_hour_s for o in t.other_traffic)) / HOUR_S


def _occupied_hz(t: Transmission) -> tuple[float, float]:
    return t.frequency_hz - t.bandwidth_hz / 2.0, t.frequency_hz + t.bandwidth_hz / 2.0


def _touches(rule: Rule, t: Transmission) -> bool:
    low, high = _occupied_hz(t)
    return low < rule.high_mhz * 1e6 and high > rule.low_mhz * 1e6


def _nearness(rule: Rule, found: RuleCheck) -> tuple[bool, bool, int, float, int, float]:
    """Sort key: satisfied rules first, then the least missed; verified and special ones before others."""
    broken = [f for f in found.findings if f.status == "over"]
    power_db = sum(f.over_by or 0.0 for f in broken if f.quantity == "power")
    width = rule.high_mhz - rule.low_mhz
    return (not found.satisfied, found.contested, len(broken), power_db, len(found.unverified), width)


def _check_rule(rule: Rule, t: Transmission) -> RuleCheck:
    findings = tuple(finding for judge in _JUDGES for finding in judge(rule, t))
    states = {f.status for f in findings}
    status: Status = "within"
    if "over" in states:
        status = "over"
    elif "unknown" in states or rule.unread:
        status = "unknown"
    return RuleCheck(
        id=rule.id,
        title=rule.title,
        status=status,
        contested=rule.contested,
        findings=findings,
        unread=rule.unread,
        unverified=rule.unverified,
        source=rule.source,
        note=rule.note,
        largest_conducted_dbm=_largest_conducted_dbm(rule, t),
        shortest_interval_s=_interval_by_rule(rule, t),
    )


# ------------------------------------------------------------------------------- one quantity each


def _band(rule: Rule, t: Transmission) -> Iterable[Finding]:
    low, high = _occupied_hz(t)
    outside_hz = max(rule.low_mhz * 1e6 - low, high - rule.high_mhz * 1e6, 0.0)
    gaps_hz = [min(high, g * 1e6) - max(low, f * 1e6) for f, g in rule.excluded_mhz]
    beyond_hz = max([outside_hz, *gaps_hz])
    if beyond_hz < 1.0:  # hertz: below the rounding of a carrier in megahertz
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
    name = f"{_KIND_WORDS[rule.density_kind]} density {value:.1f} dBm {where}"
    yield _level("density", name, value, rule.density_dbm)


def _duty_cycle(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.listen_before_talk == "instead_of_duty" and t.listen_before_talk:
        yield Finding("duty", "within", "listening before talk replaces the duty cycle")
        return
    if rule.duty_cycle is None:
        if rule.listen_before_talk == "instead_of_duty":
            yield Finding(
                "duty",
                "unknown",
                "the duty cycle allowed without listening before talk is not in the table",
                remedy="listen before talk",
            )
        return
    allowed = rule.duty_cycle * HOUR_S
    own, others = t.time_on_air_per_hour_s, _others_s(rule, t)
    if own is None and others + t.message_time_s <= allowed + 1e-9:
        yield Finding("duty", "unknown", f"no reporting interval stated; {allowed:g} s per hour are allowed")
        return
    used = others + (t.message_time_s if own is None else own)
    text = f"{_amount(used)} s on the air in an hour, limit {allowed:g} s"
    if others:
        text += f" ({_amount(others)} s of it for other messages)"
    if used <= allowed + 1e-9:
        yield Finding("duty", "within", text)
        return
    interval = _interval_by_duty(rule, t)
    remedy = "shorten the message" + (" and send the others less often" if others else "")
    if interval is not None:
        remedy = f"send every {_seconds_up(interval)} s or less often"
    if rule.listen_before_talk == "instead_of_duty":
        remedy += ", or listen before talk"
    yield Finding("duty", "over", text, used - allowed, "s per hour", remedy)


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


def _channels(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.min_channels is None:
        return
    count = "a fixed channel" if t.hopping_channels == 1 else f"{t.hopping_channels} hopping channels"
    text = f"{count}, at least {rule.min_channels} needed"
    if t.hopping_channels >= rule.min_channels:
        yield Finding("channels", "within", text)
    else:
        short = float(rule.min_channels - t.hopping_channels)
        yield Finding(
            "channels", "over", text, short, "channels", f"hop over at least {rule.min_channels} channels"
        )


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
    _duty_cycle,
    _listen,
    _dwell,
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
    by_duty, by_dwell = _interval_by_duty(rule, t), _interval_by_dwell(rule, t)
    return None if by_duty is None or by_dwell is None else max(by_duty, by_dwell)


def _interval_by_duty(rule: Rule, t: Transmission) -> float | None:
    free = rule.duty_cycle is None or (rule.listen_before_talk == "instead_of_duty" and t.listen_before_talk)
    if free:
        return t.message_time_s
    assert rule.duty_cycle is not None
    left_s = rule.duty_cycle * HOUR_S - _others_s(rule, t)
    messages = math.floor(left_s / t.message_time_s + 1e-9)
    return HOUR_S / messages if messages > 0 else None


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


def _largest_power(found: Iterable[RuleCheck]) -> tuple[str | None, float | None]:
    """The most generous rule at the planned timing or, if none allows that, at some timing."""
    for ignoring in (_POWER, _POWER | _TIMING):
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
    found = [_check_rule(r, again) for r in covering]
    fits = [
        (f.shortest_interval_s, f.id)
        for f in found
        if f.shortest_interval_s is not None and _counts(f, _TIMING)
    ]
    if not fits:
        return None, None
    interval, rule = min(fits, key=lambda pair: pair[0])
    return rule, interval

"""The transmitters of a plan, and what the table of legal limits says about each."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from math import inf
from typing import TYPE_CHECKING

from linkcalc.answer import Answer
from linkcalc.errors import PlanError, quoted
from linkcalc.link.modulation import Signal
from linkcalc.link.traffic import Sent, sent_over
from linkcalc.plan import ChirpModulation, Link
from linkcalc.plan.base import element
from linkcalc.rules.found import CAUTION, LimitsCheck, Status
from linkcalc.rules.limits import check
from linkcalc.rules.table import REGIONS, rules
from linkcalc.rules.transmission import OtherTraffic, Transmission

if TYPE_CHECKING:
    from linkcalc.link.result import LinkResult
    from linkcalc.plan import Plan

SPREADING_FACTORS = range(7, 13)
"""The spreading factors that intervals and battery lives are compared for."""


@dataclass(frozen=True)
class Sender:
    """Who sends what again and again over a link: a message, or the answers to one."""

    link: str
    message: str | None
    """Its name; None where the plan lists no messages for the link."""
    station: str
    to: str
    answers: bool
    """It acknowledges what the other end sends."""
    signal: str
    payload_bytes: int


@dataclass(frozen=True)
class End(Sender):
    """One end of a link, and each of its transmissions."""

    measures: bool
    transmission: Transmission
    time_on_air_by_spreading_factor_s: dict[int, float]
    """Of the same payload; empty for signals without one."""


@dataclass(frozen=True)
class EndLimits(Sender):
    """What the table says about one end."""

    conducted_power_dbm: float
    feeder_loss_db: float
    antenna_gain_dbi: float
    interval_s: float | None
    tries: int
    limits: LimitsCheck


@dataclass(frozen=True, eq=False, repr=False)
class LimitsSection(Answer):
    """The legal limits of a whole plan."""

    _rows = "ends"

    region: str | None
    region_name: str
    status: Status
    ends: tuple[EndLimits, ...]
    line: str
    caution: str = CAUTION


def section(
    plan: "Plan", link_results: "Sequence[LinkResult]" = (), *, region: str | None = None
) -> LimitsSection:
    """Hold every transmitter of a plan against the legal limits of its region, or of another."""
    region = region or plan.regulation.region
    _refuse_unknown_conditions(plan)
    found = tuple(_end_limits(end, region) for end in ends(plan))
    states = {e.limits.status for e in found}
    # the worst end speaks for the plan: it is within only where every end is known to be
    status: Status = "over" if "over" in states else "unknown" if "unknown" in states else "within"
    return LimitsSection(
        region=region,
        region_name=REGIONS[region] if region else "",
        status=status,
        ends=found,
        line=_line(region, status, found),
    )


def _refuse_unknown_conditions(plan: "Plan") -> None:
    if not plan.regulation.conditions_met:
        return
    may_be_met = {r.id for r in rules() if r.may_be_met}
    for name in plan.regulation.conditions_met:
        if name not in may_be_met:
            raise PlanError(
                f"regulation.conditions_met: {name!r} is not a rule with a condition that could be met;"
                f" known: {', '.join(sorted(may_be_met))}"
            )


def shortest_interval_s(plan: "Plan", message: str | None, link: str) -> tuple[float | None, str]:
    """Shortest legal interval of a message, or of the report of a link that the plan lists no messages for.

    For its sender and for whoever answers it; counts tries, answers and whatever else the two transmitters
    send. None: not known; inf: legal at no interval. The words say why, and are empty where a rule of the
    table sets the interval.
    """
    region = plan.regulation.region
    if region is None:
        return None, "no region of the legal limits is stated"
    shortest = 0.0
    for end in ends(plan):
        if (end.message, end.link) == (message, link):
            found = check(replace(end.transmission, interval_s=None), region)
            if found.shortest_interval_s is None:
                if any(r.status == "unknown" and r.unread for r in found.rules) or not found.rules:
                    return None, f"the table of limits cannot tell for {end.station}: {found.reason}"
                return inf, f"no rule of region {region} allows what {end.station} sends: {found.reason}"
            shortest = max(shortest, found.shortest_interval_s)
    return shortest, ""


def ends(plan: "Plan") -> tuple[End, ...]:
    """List what every transmitter of a plan sends, as `sent_over` lists it, link by link.

    Losses entered as extra losses are not counted: they may not be there when somebody measures.
    """
    alone = [_end(plan, link, sent) for link in plan.link for sent in sent_over(plan, link)]
    by_station: dict[str, list[End]] = {}
    for end in alone:
        by_station.setdefault(end.station, []).append(end)
    return tuple(replace(e, transmission=_with_other_traffic(e, by_station[e.station])) for e in alone)


def _end(plan: "Plan", link: Link, sent: Sent) -> End:
    # its imports are those of a whole budget
    from linkcalc.link.case import feeder_loss_db, main_gain_dbi

    sender, to = (link.from_, link.to) if sent.end == "near" else (link.to, link.from_)
    station = plan.station_named(sender)
    signal = Signal.of(link.modulation)
    frequency_hz = link.frequency_mhz * 1e6
    seconds = signal.time_on_air_s(sent.payload_bytes)
    message_s = seconds * sent.tries
    if sent.interval_s is not None and sent.interval_s < message_s:
        key, place = "regulation.report_interval_s", element("link", plan.link.index(link), link.name)
        if sent.message is not None:
            key, place = f"{element('message', 0, sent.message)} interval_s", "it"
        raise PlanError(
            f"{key} = {sent.interval_s:g} is shorter than the {message_s:.3g} s"
            f" that {place} is on the air with its tries"
        )
    transmission = Transmission(
        frequency_hz=frequency_hz,
        bandwidth_hz=signal.transmitted_bandwidth_hz,
        conducted_power_dbm=station.transmit_power_dbm,
        feeder_loss_db=feeder_loss_db(station, frequency_hz),
        antenna_gain_dbi=main_gain_dbi(station),
        time_on_air_s=seconds,
        interval_s=sent.interval_s,
        tries=sent.tries,
        hopping_channels=plan.regulation.hopping_channels,
        listen_before_talk=plan.regulation.listen_before_talk,
        retry_wait_s=sent.retry_wait_s,
        access_point=sent.to_nodes,
        conditions_met=frozenset(plan.regulation.conditions_met),
    )
    by_factor: dict[int, float] = {}
    if isinstance(link.modulation, ChirpModulation):
        for factor in SPREADING_FACTORS:
            slower = Signal.of(link.modulation.model_copy(update={"spreading_factor": factor}))
            by_factor[factor] = slower.time_on_air_s(sent.payload_bytes)
    return End(
        link=link.name,
        message=sent.message,
        station=station.name,
        to=to,
        answers=sent.answers,
        measures=sent.measures,
        signal=signal.text,
        payload_bytes=sent.payload_bytes,
        transmission=transmission,
        time_on_air_by_spreading_factor_s=by_factor,
    )


def _with_other_traffic(end: End, of_station: Sequence[End]) -> Transmission:
    """What else the same transmitter sends, which shares its hour."""
    seconds: dict[float, float] = {}
    for other in of_station:
        if other is not end:
            t = other.transmission
            seconds[t.frequency_hz] = seconds.get(t.frequency_hz, 0.0) + (t.time_on_air_per_hour_s or 0.0)
    return replace(end.transmission, other_traffic=tuple(OtherTraffic(*pair) for pair in seconds.items()))


def _end_limits(end: End, region: str | None) -> EndLimits:
    t = end.transmission
    return EndLimits(
        **{f.name: getattr(end, f.name) for f in fields(Sender)},
        conducted_power_dbm=t.conducted_power_dbm,
        feeder_loss_db=t.feeder_loss_db,
        antenna_gain_dbi=t.antenna_gain_dbi,
        interval_s=t.interval_s,
        tries=t.tries,
        limits=check(t, region, time_on_air_by_spreading_factor_s=end.time_on_air_by_spreading_factor_s),
    )


def _line(region: str | None, status: Status, found: Sequence[EndLimits]) -> str:
    see = "ask your regulator; linkcalc limits"
    if region is None:
        return f"Limits: unknown here, no region stated; {see}"
    telling = [e for e in found if e.limits.status == status]
    words = {"within": "within", "unknown": "unknown here", "over": "over at all ends"}[status]
    if status == "over" and len(telling) < len(found):
        words = f"over at {len(telling)} end{'s' if len(telling) > 1 else ''}"
    if any(e.limits.old for e in telling):
        words += ", outdated"
    elif any(e.limits.unverified for e in telling):
        words += ", unverified"
    return f"Limits {region}: {words}; {see}"


def packet_of(plan: "Plan", link: str, *, answers: bool) -> tuple[float, float | None]:
    """Time on air of one packet of a link, and the shortest interval that the plan's region allows it."""
    end = next((e for e in ends(plan) if e.link == link and e.answers == answers), None)
    if end is None:
        raise PlanError(
            f"link {quoted(link)} sends no {'answers' if answers else 'messages'}: none to be counted"
        )
    packet = replace(end.transmission, tries=1, interval_s=None)
    return packet.time_on_air_s, check(packet, plan.regulation.region).shortest_interval_s

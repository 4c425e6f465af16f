"""What a link is worth within the table of legal limits: power over a limit does not count, other excess is a risk."""

from dataclasses import dataclass
from functools import lru_cache

from linkcalc.link_case import ENDS, End, LinkCase, feeder_loss_db, main_gain_dbi
from linkcalc.modulation import Signal
from linkcalc.rules.limits import LimitsCheck, Transmission
from linkcalc.rules.traffic import Sent, tightest

_SLACK_DB = 0.05
"""Power is set in tenths of a decibel at best."""


@dataclass(frozen=True)
class Excess:
    """How a station's transmitter is over the table's limits."""

    station: str
    planned_dbm: float
    legal_dbm: float | None
    """The largest conducted power with which it is within; None: power is not what is over."""
    reason: str


def station_limits(case: LinkCase, end: End) -> LimitsCheck | None:
    """What the table of limits says about a station's transmitter, with all that it sends over the link.

    None where the plan names no region.
    """
    r = case.regulation
    if r.region is None:
        return None
    station, payload = (
        case.station(end),
        case.link.payload_bytes if end == "near" else case.link.reply_payload_bytes,
    )
    return _limits(
        case.sent, end, case.frequency_hz, case.signal, payload, station.transmit_power_dbm,
        main_gain_dbi(station), feeder_loss_db(station, case.frequency_hz),
        r.hopping_channels, r.listen_before_talk, frozenset(r.conditions_met), r.region,
    )  # fmt: skip


@lru_cache(maxsize=1024)
def _limits(
    sent: tuple[Sent, ...], end: End, frequency_hz: float, signal: Signal, payload: int, power_dbm: float,
    gain_dbi: float, loss_db: float, channels: int, listens: bool, conditions: frozenset[str], region: str,
) -> LimitsCheck:  # fmt: skip
    carrier = Transmission(
        frequency_hz=frequency_hz,
        bandwidth_hz=signal.bandwidth_hz,
        conducted_power_dbm=power_dbm,
        antenna_gain_dbi=gain_dbi,
        time_on_air_s=signal.time_on_air_s(payload),
        feeder_loss_db=loss_db,
        hopping_channels=channels,
        listen_before_talk=listens,
        conditions_met=conditions,
    )
    return tightest(sent, end, carrier, signal.time_on_air_s, region)


def lawful(case: LinkCase) -> tuple[LinkCase, tuple[Excess, ...]]:
    """The link with every transmitter turned down to the largest legal power, and what was over.

    Parameters
    ----------
    case : LinkCase

    Returns
    -------
    tuple of LinkCase and tuple of Excess
        The same case where nothing is over, the region is not stated, or the table knows no rule.
    """
    found, stations = [], {}
    for end in ENDS:
        limits = station_limits(case, end)
        if limits is None or limits.status != "over":
            continue
        station, legal = case.station(end), limits.largest_conducted_dbm
        planned = station.transmit_power_dbm
        if legal is not None and legal < planned - _SLACK_DB:
            stations[end] = station.model_copy(update={"transmit_power_dbm": legal})
            found.append(Excess(station.name, planned, legal, limits.reason))
            # what else is over shows once the power is not
            limits = station_limits(case.with_stations({end: stations[end]}), end)
            if limits is not None and limits.status == "over":
                found.append(Excess(station.name, planned, None, limits.reason))
        else:
            found.append(Excess(station.name, planned, None, limits.reason))
    return (case.with_stations(stations) if stations else case), tuple(found)


def breaks_limits(case: LinkCase, changed: LinkCase) -> bool:
    """Whether a change leads beyond the table of limits where the plan is not beyond it already."""
    if case.regulation.region is None:
        return False
    return any(_over(changed, end) and not _over(case, end) for end in ENDS)


def _over(case: LinkCase, end: End) -> bool:
    limits = station_limits(case, end)
    return limits is not None and limits.status == "over"

"""What a link is worth within the table of legal limits: power over a limit does not count, other excess is a risk."""

from dataclasses import dataclass

from linkcalc.link_case import ENDS, End, LinkCase, feeder_loss_db, main_gain_dbi
from linkcalc.rules.limits import LimitsCheck, Transmission
from linkcalc.rules.traffic import tightest

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
    carrier = Transmission(
        frequency_hz=case.frequency_hz,
        bandwidth_hz=case.signal.bandwidth_hz,
        conducted_power_dbm=station.transmit_power_dbm,
        antenna_gain_dbi=main_gain_dbi(station),
        time_on_air_s=case.signal.time_on_air_s(payload),
        feeder_loss_db=feeder_loss_db(station, case.frequency_hz),
        hopping_channels=r.hopping_channels,
        listen_before_talk=r.listen_before_talk,
        conditions_met=frozenset(r.conditions_met),
    )
    return tightest(case.sent, end, carrier, case.signal.time_on_air_s, r.region)


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
    for end in ENDS:
        before, after = station_limits(case, end), station_limits(changed, end)
        if before is not None and after is not None and before.status != "over" and after.status == "over":
            return True
    return False

"""What a link is worth within the table of legal limits: power over a limit does not count, other excess is a risk."""

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.link.case import ENDS, End, LinkCase, feeder_loss_db, main_gain_dbi
from linkcalc.link.findings import Excess
from linkcalc.link.modulation import Signal
from linkcalc.link.traffic import Sent, tightest
from linkcalc.plan import Station
from linkcalc.rules.found import POWER_ROUNDING_DB, LimitsCheck
from linkcalc.rules.transmission import Transmission

_ON_A_STEP_DB = 1e-6
"""A power so near to a step of the limits is looked up by itself."""


def station_limits(case: LinkCase, end: End) -> LimitsCheck | None:
    """What the table of limits says about a station's transmitter, with all that it sends.

    None where the plan names no region.
    """
    limits_at = _limits_at(case, end)
    return limits_at(case.station(end).transmit_power_dbm)


def _limits_at(case: LinkCase, end: End) -> Callable[[float], LimitsCheck | None]:
    """What the table says of an end's transmitter, by its power."""
    r, station = case.regulation, case.station(end)
    if r.region is None:
        return lambda power_dbm: None
    region = r.region
    payload = case.link.payload_bytes if end == "near" else case.link.reply_payload_bytes
    carrier = Transmission(
        frequency_hz=case.frequency_hz,
        bandwidth_hz=case.signal.transmitted_bandwidth_hz,
        conducted_power_dbm=0.0,
        antenna_gain_dbi=main_gain_dbi(station),
        time_on_air_s=case.signal.time_on_air_s(payload),
        feeder_loss_db=feeder_loss_db(station, case.frequency_hz),
        hopping_channels=r.hopping_channels,
        listen_before_talk=r.listen_before_talk,
        other_traffic=case.sent_elsewhere[ENDS.index(end)],
        conditions_met=frozenset(r.conditions_met),
    )
    return lambda power_dbm: _limits(
        case.sent, end, replace(carrier, conducted_power_dbm=power_dbm), case.signal, region
    )


@lru_cache(maxsize=1024)
def _limits(
    sent: tuple[Sent, ...], end: End, carrier: Transmission, signal: Signal, region: str
) -> LimitsCheck:
    return tightest(sent, end, carrier, signal.time_on_air_s, region)


def lawful(case: LinkCase) -> tuple[LinkCase, tuple[Excess, ...]]:
    """The link with every transmitter reduced to the largest legal power, and what was over.

    The same case where nothing is over, the region is not stated, or the table knows no rule.
    """
    found: list[Excess] = []
    stations = {}
    for end in ENDS:
        over = _excess(case.station(end), _limits_at(case, end))
        turned = next((x.legal_dbm for x in over if x.legal_dbm is not None), None)
        if turned is not None:
            stations[end] = case.station(end).model_copy(update={"transmit_power_dbm": turned})
        found += over
    return (case.with_stations(stations) if stations else case), tuple(found)


def _excess(station: Station, limits_at: Callable[[float], LimitsCheck | None]) -> list[Excess]:
    """How one end is over, given what the table says of it at a power."""
    planned = station.transmit_power_dbm
    limits = limits_at(planned)
    if limits is None or limits.status != "over":
        return []
    legal = limits.largest_conducted_dbm
    if legal is None or legal >= planned - POWER_ROUNDING_DB:
        return [Excess(station.name, planned, None, limits.reason)]
    found = [Excess(station.name, planned, legal, limits.reason)]
    # what else is over shows once the power is not
    limits = limits_at(legal)
    if limits is not None and limits.status == "over":
        found.append(Excess(station.name, planned, None, limits.reason))
    return found


def lawful_powers(case: LinkCase, end: End, planned_dbm: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """What `lawful` makes of many powers planned at one end, and whether something else than power is over.

    The table is read once for each step in its limits.
    """
    limits_at, known = _limits_at(case, end), list[tuple[float, float, LimitsCheck | None]]()

    def between(power_dbm: float) -> tuple[float, float, LimitsCheck | None]:
        for low, high, limits in known:
            if low < power_dbm < high:
                return low, high, limits
        limits = limits_at(power_dbm)
        steps = () if limits is None else limits.power_steps_dbm
        low = max((s for s in steps if s < power_dbm), default=-np.inf) + _ON_A_STEP_DB
        high = min((s for s in steps if s >= power_dbm), default=np.inf) - _ON_A_STEP_DB
        known.append((low, high, limits))
        return low, high, limits

    counted, other = planned_dbm.copy(), np.zeros(planned_dbm.shape, dtype=np.bool_)
    left = np.ones(planned_dbm.shape, dtype=np.bool_)
    for at, planned in enumerate(planned_dbm.tolist()):
        if not left[at]:
            continue
        low, high, _ = between(planned)
        here = left & (planned_dbm > low) & (planned_dbm < high)
        here[at] = True
        station = case.station(end).model_copy(update={"transmit_power_dbm": planned})
        over = _excess(station, lambda dbm: between(dbm)[2])
        counted[here] = next((x.legal_dbm for x in over if x.legal_dbm is not None), planned_dbm[here])
        other[here] = any(x.legal_dbm is None for x in over)
        left &= ~here
    return counted, other


def breaks_limits(case: LinkCase, changed: LinkCase) -> bool:
    """Whether a change leads beyond the table of limits where the plan is not beyond it already."""
    if case.regulation.region is None:
        return False
    return any(_over(changed, end) and not _over(case, end) for end in ENDS)


def _over(case: LinkCase, end: End) -> bool:
    limits = station_limits(case, end)
    return limits is not None and limits.status == "over"

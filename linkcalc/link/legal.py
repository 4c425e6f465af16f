"""What a link is worth within the table of legal limits: power over a limit does not count, other excess is a risk."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache, lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.link.case import ENDS, End, LinkCase, feeder_loss_db, main_gain_dbi
from linkcalc.link.findings import Excess
from linkcalc.link.modulation import Signal
from linkcalc.link.traffic import Sent, tightest, transmissions
from linkcalc.rules.found import POWER_ROUNDING_DB, LimitsCheck
from linkcalc.rules.transmission import Transmission

_ON_A_STEP_DB = 1e-6
"""A power so near to a step of the limits is looked up by itself."""


@dataclass(frozen=True)
class Transmitter:
    """What the table of limits is asked about one end: all that it sends, at any power and behind any feeder."""

    region: str
    sent: tuple[Transmission, ...]

    def limits(self, power_dbm: float, feeder_loss_db: float) -> LimitsCheck:
        set_to = partial(replace, conducted_power_dbm=power_dbm, feeder_loss_db=feeder_loss_db)
        return tightest(map(set_to, self.sent), self.region)


def transmitter(case: LinkCase, end: End) -> Transmitter | None:
    """The transmitter at one end; None where the plan names no region."""
    r, signal = case.regulation, case.signal
    if r.region is None:
        return None
    payload = case.link.payload_bytes if end == "near" else case.link.reply_payload_bytes
    carrier = Transmission(
        frequency_hz=case.frequency_hz,
        bandwidth_hz=signal.transmitted_bandwidth_hz,
        # a stand-in: `Transmitter.limits` sets the power that is asked about
        conducted_power_dbm=0.0,
        antenna_gain_dbi=main_gain_dbi(case.station(end)),
        time_on_air_s=signal.time_on_air_s(payload),
        hopping_channels=r.hopping_channels,
        listen_before_talk=r.listen_before_talk,
        other_traffic=case.sent_elsewhere[ENDS.index(end)],
        conditions_met=frozenset(r.conditions_met),
    )
    return Transmitter(r.region, _sent_by(case.sent, end, carrier, signal))


@lru_cache(maxsize=1024)
def _sent_by(
    sent: tuple[Sent, ...], end: End, carrier: Transmission, signal: Signal
) -> tuple[Transmission, ...]:
    return transmissions(sent, end, carrier, signal.time_on_air_s)


def station_limits(case: LinkCase, end: End) -> LimitsCheck | None:
    """What the table of limits says about a station's transmitter, with all that it sends.

    None where the plan names no region.
    """
    asked, station = transmitter(case, end), case.station(end)
    if asked is None:
        return None
    return asked.limits(station.transmit_power_dbm, feeder_loss_db(station, case.frequency_hz))


def lawful(case: LinkCase) -> tuple[LinkCase, tuple[Excess, ...]]:
    """The link with every transmitter reduced to the largest legal power, and what was over.

    The same case where nothing is over, the region is not stated, or the table knows no rule.
    """
    found: list[Excess] = []
    stations = {}
    for end in ENDS:
        asked, station = transmitter(case, end), case.station(end)
        if asked is None:
            continue
        limits_at = partial(asked.limits, feeder_loss_db=feeder_loss_db(station, case.frequency_hz))
        over = _excess(station.name, station.transmit_power_dbm, limits_at)
        turned = _turned_down(over)
        if turned is not None:
            stations[end] = station.model_copy(update={"transmit_power_dbm": turned})
        found += over
    return (case.with_stations(stations) if stations else case), tuple(found)


def _excess(station: str, planned_dbm: float, limits_at: Callable[[float], LimitsCheck]) -> list[Excess]:
    """How one end is over, given what the table says of it at a power."""
    limits = limits_at(planned_dbm)
    if limits.status != "over":
        return []
    legal = limits.largest_conducted_dbm
    # a power within the rounding of its limit is legal: then something else is over
    if legal is None or legal >= planned_dbm - POWER_ROUNDING_DB:
        return [Excess(station, planned_dbm, None, limits.reason)]
    found = [Excess(station, planned_dbm, legal, limits.reason)]
    # what else is over shows once the power is not
    limits = limits_at(legal)
    if limits.status == "over":
        found.append(Excess(station, planned_dbm, None, limits.reason))
    return found


def _turned_down(over: Iterable[Excess]) -> float | None:
    return next((x.legal_dbm for x in over if x.legal_dbm is not None), None)


def lawful_powers(
    transmitters: NDArray[Any], planned_dbm: Floats, feeder_losses_db: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """What `lawful` makes of many powers planned, and whether something else than power is over.

    Arrays broadcast; of `transmitters` none, or all, are None.
    """
    if transmitters.flat[0] is None:
        return planned_dbm, np.zeros(1, dtype=np.bool_)
    # the table is asked about what differs, of many settings a few
    number = {asked: at for at, asked in enumerate(dict.fromkeys(transmitters.flat))}
    which = np.reshape([number[asked] for asked in transmitters.flat], transmitters.shape)
    (losses, loss), (powers, power) = (
        np.unique(values, return_inverse=True) for values in (feeder_losses_db, planned_dbm)
    )
    settings = which, loss.reshape(feeder_losses_db.shape), power.reshape(planned_dbm.shape)
    codes = np.stack(np.broadcast_arrays(*settings), axis=-1)
    different, inverse = np.unique(codes.reshape(-1, 3), axis=0, return_inverse=True)
    askers = list(number)

    @cache
    def limits_of(at: int, of_feeder: int) -> Callable[[float], LimitsCheck]:
        limits_at = partial(askers[at].limits, feeder_loss_db=float(losses[of_feeder]))
        return _between_steps(limits_at)

    found = []
    for at, of_feeder, of_power in different.tolist():
        planned = float(powers[of_power])
        over = _excess("", planned, limits_of(at, of_feeder))
        turned = _turned_down(over)
        found.append((planned if turned is None else turned, any(x.legal_dbm is None for x in over)))
    counted, other = (
        np.array(values)[inverse].reshape(codes.shape[:-1]) for values in zip(*found, strict=True)
    )
    return counted, other


def _between_steps(limits_at: Callable[[float], LimitsCheck]) -> Callable[[float], LimitsCheck]:
    """What the table says of a transmitter by its power, read once for each step in its limits."""
    known: list[tuple[float, float, LimitsCheck]] = []

    def between(power_dbm: float) -> LimitsCheck:
        for low, high, limits in known:
            if low < power_dbm < high:
                return limits
        limits = limits_at(power_dbm)
        steps = limits.power_steps_dbm
        # a power on a step has not passed it: it belongs to what lies below
        low = max((s for s in steps if s < power_dbm), default=-np.inf) + _ON_A_STEP_DB
        high = min((s for s in steps if s >= power_dbm), default=np.inf) - _ON_A_STEP_DB
        known.append((low, high, limits))
        return limits

    return between


def breaks_limits(case: LinkCase, changed: LinkCase) -> bool:
    """Whether a change leads beyond the table of limits where the plan is not beyond it already."""
    if case.regulation.region is None:
        return False
    return any(_over(changed, end) and not _over(case, end) for end in ENDS)


def _over(case: LinkCase, end: End) -> bool:
    limits = station_limits(case, end)
    return limits is not None and limits.status == "over"

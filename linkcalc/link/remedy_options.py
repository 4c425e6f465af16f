"""What may be changed on a link, and what each costs and brings: settings, and the options at either end."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.link.case import ENDS, End, LinkCase, feeder_loss_db, gain_dbi, main_gain_dbi
from linkcalc.link.legal import breaks_limits, station_limits
from linkcalc.link.losses import profile_losses
from linkcalc.link.parts_list import antenna_price, feeder_price_per_m, mast_cost
from linkcalc.link.requirement import Requirement
from linkcalc.link.uncertainty import fading_k_db, noise_items, path_items, together_db
from linkcalc.plan import Antenna, ChirpModulation, Station
from linkcalc.plan.prices import Prices
from linkcalc.radio.antenna_types import ANTENNA_TYPES, AntennaType

HIGHEST_MAST_M = 30.0
"""Masts are taken up to here where the plan does not say; beyond, a relay is the better answer (common practice,
no source)."""

HIGHEST_POWER_DBM = 30.0
"""1 W, the most that licence-exempt rules below 1 GHz commonly allow a radio."""

MASTS_M = (4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 18.0, 24.0, 30.0)
"""Lengths that masts are taken in (common practice, no source)."""

ANTENNAS: tuple[tuple[AntennaType, float], ...] = (
    ("collinear", 5.5),
    ("collinear", 8.5),
    ("yagi", 9.5),
    ("yagi", 12.5),
)
CABLES = ("rg213", "half_inch_foam")
"""What is offered instead of a smaller antenna or a thinner cable."""
BANDWIDTHS_KHZ = (250.0, 125.0, 62.5)
TRIES = (3,)

AT_AN_END = ("height", "antenna", "feeder", "noise", "mounting")
KINDS = ("power", "spreading_factor", "bandwidth", "tries", *(f"{k}:{e}" for e in ENDS for k in AT_AN_END))
"""Codes of what a remedy consists of; besides: ``move:near``, ``move:far``, ``felling``, ``relay``."""
_EFFORTS = (4.0, 2.0, 2.0, 2.0, 3.0)
"""Of those, to rank what costs the same (common practice, no source)."""


def tallest_m(station: Station) -> float:
    """How high a station's antenna may go."""
    return HIGHEST_MAST_M if station.highest_antenna_m is None else station.highest_antenna_m


@dataclass(frozen=True)
class Setting:
    """Settings of both radios: what they gain over the plan's, and the power they may have."""

    modulation: Any
    gain_db: float
    time_on_air_s: float
    effort: float
    kinds: int
    """Bits of `KINDS`."""
    caps: tuple[tuple[float, float], tuple[float, float]]
    """At each end the most conducted and the most radiated power, dBm."""


def settings(case: LinkCase) -> list[Setting]:
    """The planned signal, and those that need less and are no more over the limits than it is."""
    m, now = case.link.modulation, case.signal
    air_s = now.time_on_air_s(case.link.payload_bytes)
    found = [Setting(m, 0.0, air_s, 0.0, 0, (_caps_dbm(case, "near"), _caps_dbm(case, "far")))]
    if not isinstance(m, ChirpModulation):
        return found
    for bandwidth_khz in (m.bandwidth_khz, *(b for b in BANDWIDTHS_KHZ if b < m.bandwidth_khz)):
        narrower, caps = bandwidth_khz < m.bandwidth_khz, found[0].caps
        for factor in range(m.spreading_factor + (not narrower), 13):
            slower = factor > m.spreading_factor
            changed = case.with_modulation(
                m.model_copy(update={"spreading_factor": factor, "bandwidth_khz": bandwidth_khz})
            )
            signal = changed.signal
            air_s = signal.time_on_air_s(case.link.payload_bytes)
            gain_db = (
                now.required_snr_db
                - signal.required_snr_db
                + 10.0 * math.log10(now.bandwidth_hz / signal.bandwidth_hz)
            )
            # the same decibels for more time on air
            if any(s.gain_db >= gain_db - 0.01 and s.time_on_air_s <= air_s for s in found):
                continue
            if breaks_limits(case, changed):
                break
            if narrower and not slower:
                caps = _caps_dbm(changed, "near"), _caps_dbm(changed, "far")
            effort = 1.0 * slower + 1.3 * narrower
            found.append(
                Setting(changed.link.modulation, gain_db, air_s, effort, slower << 1 | narrower << 2, caps)
            )
    return found


def _caps_dbm(case: LinkCase, end: End) -> tuple[float, float]:
    """Most conducted and most radiated power of an end by the table of limits; infinite where it says nothing."""
    station = case.station(end)

    def most_dbm(gain_dbi: float) -> float:
        bare = station.feeder.model_copy(
            update={
                "type": "none",
                "length_m": 0.0,
                "connectors": 0,
                "arrestor": False,
                "loss_db_per_100m": None,
            }
        )
        antenna = Antenna(type="collinear", gain_dbi=gain_dbi)
        limits = station_limits(
            case.with_stations({end: station.model_copy(update={"antenna": antenna, "feeder": bare})}), end
        )
        if limits is None or limits.status == "unknown":
            return math.inf
        if limits.largest_conducted_dbm is None:
            return -math.inf if limits.status == "over" else math.inf
        return limits.largest_conducted_dbm

    return most_dbm(-20.0), most_dbm(30.0) + 30.0


_Option = tuple[float | None, Antenna | None, str | None, bool, Mapping[str, Any]]
"""Height, antenna and cable that differ from the plan, noise suppressed, what is repaired."""


@dataclass(frozen=True)
class Row:
    """What becomes of one end."""

    height_m: float | None
    antenna: Antenna | None
    cable: str | None
    quiet: bool
    repairs: Mapping[str, Any]
    power_dbm: float


@dataclass(frozen=True, eq=False)
class Rows:
    """Options of one end of which none is beaten in cost and decibels by another at its height."""

    of: list[Row]
    height: NDArray[np.int64]
    kinds: NDArray[np.int64]
    """Bits of `KINDS` without the signal's, of the first end."""
    cost: Floats
    effort: Floats
    sends_db: Floats
    hears_db: Floats


@dataclass(frozen=True, eq=False)
class EndOptions:
    """Everything that may be done at one end, in decibels and money."""

    station: Station
    heights_m: Floats
    options: list[_Option]
    height: NDArray[np.int64]
    kinds: NDArray[np.int64]
    cost: Floats
    effort: Floats
    gain_db: Floats
    """Antenna less feeder."""
    sensitivity_dbm: Floats
    power_known: bool

    @classmethod
    def of(cls, case: LinkCase, end: End, prices: Prices, shared: frozenset[str]) -> "EndOptions":
        station = case.station(end)
        up_deg = float(case.elevations_deg(case.losses)[ENDS.index(end)][0])
        present_m = station.antenna_height_m
        heights = [present_m] + [
            station.mast_foot_m + m
            for m in MASTS_M
            if present_m + 0.5 < station.mast_foot_m + m <= tallest_m(station) + 1e-9
        ]
        antennas: list[tuple[Antenna | None, float, float]] = [(None, _towards(case, end, station), 0.0)]
        for kind, nominal_dbi in ANTENNAS:
            if ANTENNA_TYPES[kind].directional and station.name in shared:
                continue
            antenna = Antenna(type=kind, gain_dbi=nominal_dbi)
            if station.antenna.polarisation != antenna.polarisation:
                antenna = antenna.model_copy(update={"polarisation": station.antenna.polarisation})
            gain = _towards(case, end, station.model_copy(update={"antenna": antenna}), up_deg)
            if gain > antennas[0][1] + 0.5:
                antennas.append((antenna, gain, antenna_price(antenna, prices)))
        quiet = [False, True] if station.noise_rise_db >= 1.0 else [False]
        repairs = list(_repairs(case, end))
        options, columns = list[_Option](), list[tuple[float, ...]]()
        heard: dict[tuple[float, bool], float] = {}
        for i, height_m in enumerate(heights):
            mast = mast_cost(with_antenna_at(station, height_m), prices) - mast_cost(station, prices)
            for cable in _cables(station):
                stood = with_antenna_at(station, height_m, cable)
                loss_db = feeder_loss_db(stood, case.frequency_hz)
                laid = _cable_cost(station, stood, prices)
                if (
                    cable is not None
                    and loss_db > feeder_loss_db(with_antenna_at(station, height_m), case.frequency_hz) - 1.0
                ):
                    continue
                for hush in quiet:
                    key = round(loss_db, 6), hush
                    if key not in heard:
                        silent = stood.model_copy(update={"noise_rise_db": 0.0}) if hush else stood
                        heard[key] = case.sensitivity_dbm(silent)
                    for (antenna, gain, price), (repaired, repair_db) in product(antennas, repairs):
                        climbs = bool(antenna or cable or repaired or i)
                        options.append((height_m if i else None, antenna, cable, hush, repaired))
                        does = (i > 0, antenna is not None, cable is not None, hush, bool(repaired))
                        columns.append(
                            (
                                i,
                                sum(16 << bit for bit, it in enumerate(does) if it),
                                mast + laid + price + (prices.climb if climbs else 0.0)
                                + (prices.noise_suppression if hush else 0.0),
                                sum(effort for effort, it in zip(_EFFORTS, does, strict=True) if it),
                                gain + repair_db - loss_db,
                                heard[key],
                            )
                        )  # fmt: skip
        table = np.array(columns)
        return cls(
            station, np.array(heights), options, table[:, 0].astype(np.int64), table[:, 1].astype(np.int64),
            table[:, 2], table[:, 3], table[:, 4], table[:, 5], case.regulation.region is not None,
        )  # fmt: skip

    def rows(self, caps_dbm: tuple[float, float]) -> Rows:
        """The options with the power that is legal for each, those left out that others beat."""
        conducted, radiated = caps_dbm
        most = np.floor(10.0 * np.minimum(conducted, radiated - self.gain_db) + 0.3) / 10.0
        planned = self.station.transmit_power_dbm
        kept = np.minimum(planned, most)
        power, effort, index = [kept], [self.effort], np.arange(kept.size)
        if self.power_known:
            raised = np.minimum(np.floor(most), HIGHEST_POWER_DBM)
            power.append(np.maximum(raised, kept))
            effort.append(self.effort + np.where(raised > kept + 0.05, 1.1, 50.0))
        powers, efforts = np.concatenate(power), np.concatenate(effort)
        kinds = np.concatenate([self.kinds, self.kinds | 1][: len(power)])
        index = np.tile(index, len(power))
        sends, hears = powers + self.gain_db[index], self.gain_db[index] - self.sensitivity_dbm[index]
        cost, height = self.cost[index], self.height[index]
        keep: list[int] = []
        for h in range(self.heights_m.size):
            at = np.flatnonzero((height == h) & (efforts < 50.0) & np.isfinite(sends))
            at = at[np.lexsort((efforts[at], cost[at]))]
            chosen: list[int] = []
            for i in at:
                if not any(
                    sends[j] >= sends[i] - 1e-9
                    and hears[j] >= hears[i] - 1e-9
                    and cost[j] <= cost[i]
                    and efforts[j] <= efforts[i]
                    for j in chosen
                ):
                    chosen.append(int(i))
            keep += chosen
        return Rows(
            [Row(*self.options[int(index[i])], float(powers[i])) for i in keep],
            height[keep], kinds[keep], cost[keep], efforts[keep], sends[keep], hears[keep],
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Paths:
    """The path for every pair of heights; arrays (n, m)."""

    gain_db: Floats
    site_db: Floats
    conditions_db: Floats
    k_db: Floats
    noise: tuple[tuple[float, float], tuple[float, float]]
    """Standard deviations of each direction's receiver noise, over sites and over the year."""

    @classmethod
    def of(cls, case: LinkCase, near_m: Floats, far_m: Floats) -> "Paths":
        shape = near_m.size, far_m.size
        near, far = (v.ravel() for v in np.broadcast_arrays(near_m[:, None], far_m[None, :]))
        found = profile_losses(case.profile, case.situation, near, far)
        items = path_items(case, found)
        noise = []
        for rx in (case.far, case.near):
            mine = noise_items(case.noise(rx))
            noise.append((float(together_db(mine, "site")[0]), float(together_db(mine, "conditions")[0])))
        polarisation_db = sum(t.value_db for t in case.polarisation_terms)
        return cls(
            # without known ground nothing closes, whatever its margin
            np.where(found.ground_unknown, -np.inf, case.path_db(found) + polarisation_db).reshape(shape),
            np.broadcast_to(together_db(items, "site"), near.shape).reshape(shape),
            np.broadcast_to(together_db(items, "conditions"), near.shape).reshape(shape),
            fading_k_db(case, found).reshape(shape),
            (noise[0], noise[1]),
        )

    def needed(self, required: Requirement) -> tuple[Floats, Floats]:
        """The required margin, forward and return."""
        there, back = (
            np.asarray(
                required.margin_db(
                    np.hypot(self.site_db, site), np.hypot(self.conditions_db, year), self.k_db
                )
            )
            for site, year in self.noise
        )
        return there, back


def _towards(case: LinkCase, end: End, station: Station, up_deg: float | None = None) -> float:
    """Gain of an end's antenna towards the other end."""
    if up_deg is None:
        return float(case.antenna_db(end, case.losses)[0])
    bearing_deg = case.azimuth_deg if end == "near" else case.back_azimuth_deg
    return float(gain_dbi(station, bearing_deg, up_deg, aimed=case.positioned))


def _repairs(case: LinkCase, end: End) -> Iterator[tuple[Mapping[str, Any], float]]:
    """What costs decibels at an antenna and can be put right there, each alone and all together."""
    station = case.station(end)
    ways: list[dict[str, Any]] = []
    if station.building != "none":
        ways.append({"building": "none"})
    if any(x.loss_db >= 1.0 for x in station.extra_loss):
        ways.append({"extra_loss": [x for x in station.extra_loss if x.loss_db < 1.0]})
    a = station.antenna
    off_db = main_gain_dbi(station) - _towards(case, end, station)
    if off_db >= 1.0 and (a.azimuth_deg is not None or a.tilt_deg):
        up_deg = case.elevation_deg if end == "near" else case.back_elevation_deg
        ways.append({"antenna": a.model_copy(update={"azimuth_deg": None, "tilt_deg": float(round(up_deg))})})
    yield {}, 0.0
    if len(ways) > 1:
        ways.append({k: v for way in ways for k, v in way.items()})
    for way in ways:
        changed = case.with_stations({end: station.model_copy(update=way)})
        yield way, changed.weaker_margin_db - case.weaker_margin_db


def _cables(station: Station) -> list[str | None]:
    f = station.feeder
    return [None, *(c for c in CABLES if f.length_m > 0.0 and c != f.type)]


def with_antenna_at(station: Station, height_m: float, cable: str | None = None) -> Station:
    """A station with its antenna raised, the cable with it."""
    update: dict[str, Any] = {"antenna_height_m": height_m}
    f = station.feeder
    rise_m = height_m - station.antenna_height_m
    if f.length_m > 0.0 and (rise_m > 0.0 or cable is not None):
        length_m = f.length_m + max(rise_m, 0.0)
        changed: dict[str, Any] = {"length_m": round(length_m, 2)}
        if cable is not None:
            changed |= {"type": cable, "loss_db_per_100m": None}
        update["feeder"] = f.model_copy(update=changed)
    return station.model_copy(update=update)


def _cable_cost(before: Station, after: Station, prices: Prices) -> float:
    old, new = before.feeder, after.feeder
    per_m = feeder_price_per_m(new.type, prices)
    if new.type != old.type:
        fitted = prices.connector * new.connectors if old.type != "none" else 0.0
        return per_m * new.length_m + fitted
    return per_m * max(new.length_m - old.length_m, 0.0)

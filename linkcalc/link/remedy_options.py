"""What may be changed on a link, and what each costs and brings: settings, and the options at either end."""

import math
from collections.abc import Iterator, Sequence
from itertools import product
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.link.case import ENDS, End, LinkCase, feeder_loss_db, gain_dbi, main_gain_dbi
from linkcalc.link.legal import breaks_limits, station_limits
from linkcalc.link.models import profile_losses
from linkcalc.link.parts_list import added, antenna_price
from linkcalc.link.requirement import Requirement
from linkcalc.link.uncertainty import fading_k_db, noise_items, path_items, spreads_db
from linkcalc.plan import Antenna, ChirpModulation, Feeder, Station
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

# ---------------------------------------------------------------- what a remedy consists of, as words and as bits

_OF_BOTH_RADIOS = ("power", "spreading_factor", "bandwidth", "tries")
_AT_AN_END = ("height", "antenna", "feeder", "noise", "mounting")
KINDS = (*_OF_BOTH_RADIOS, *(f"{kind}:{end}" for end in ENDS for kind in _AT_AN_END))
"""Codes of what a remedy consists of; besides: ``move:near``, ``move:far``, ``felling``, ``relay``."""
SLOWER = frozenset({"spreading_factor", "bandwidth", "tries"})
"""Those that keep a message longer on the air, or send it more often."""

# thousands of combinations are told apart by one number each: a bit for each of `KINDS`
POWER, SPREADING_FACTOR, BANDWIDTH, MORE_TRIES = (1 << i for i in range(len(_OF_BOTH_RADIOS)))
_AT_NEAR = tuple(1 << i for i in range(len(_OF_BOTH_RADIOS), len(_OF_BOTH_RADIOS) + len(_AT_AN_END)))


def kinds_of_bits(bits: int) -> frozenset[str]:
    """The words that a combination's bits stand for."""
    return frozenset(kind for i, kind in enumerate(KINDS) if bits >> i & 1)


def bits_of_pair(near: NDArray[np.int64], far: NDArray[np.int64]) -> NDArray[np.int64]:
    """Bits of both ends together, each given as of the near end: the power is one kind, all else is told apart."""
    return near | (far & POWER) | (far & ~POWER) << len(_AT_AN_END)


# ---------------------------------------------------------------- how hard a change is
# To rank what costs the same, a mast being 4 (common practice, no source). Only their order and their sums matter.

_EFFORTS = (4.0, 2.0, 2.0, 2.0, 3.0)
"""Of those at an end: a mast; an antenna, a feeder, or a kit of parts; work at the antenna."""
POWER_EFFORT = 1.1
SLOWER_EFFORT, NARROWER_EFFORT = 1.0, 1.3
"""A setting of both radios; a narrow bandwidth also asks more of their crystals, and more power of the battery."""
MORE_TRIES_EFFORT = 1.5
"""A setting, too, but each try more than planned takes air and battery just when the channel is worst."""
AIRTIME_EFFORT_PER_S = 0.01
"""Of the time on air of a message with all its tries: so little that it decides only between combinations that are as
hard to make, in favour of the one that spares battery and channel."""


def tallest_m(station: Station) -> float:
    """How high a station's antenna may go."""
    return HIGHEST_MAST_M if station.highest_antenna_m is None else station.highest_antenna_m


class SignalSetting(NamedTuple):
    """Settings of both radios: what they gain over the plan's, and the power they may have."""

    modulation: Any
    gain_db: float
    time_on_air_s: float
    effort: float
    kinds: int
    """Bits of `KINDS`."""
    power_limits_dbm: tuple[tuple[float, float], tuple[float, float]]
    """At each end the most conducted and the most radiated power, dBm."""


def settings(case: LinkCase) -> list[SignalSetting]:
    """The planned signal, and those that need less and are no more over the limits than it is."""
    m, now = case.link.modulation, case.signal
    air_s = now.time_on_air_s(case.link.payload_bytes)
    found = [SignalSetting(m, 0.0, air_s, 0.0, 0, _power_limits_dbm(case))]
    if not isinstance(m, ChirpModulation):
        return found
    for bandwidth_khz in (m.bandwidth_khz, *(b for b in BANDWIDTHS_KHZ if b < m.bandwidth_khz)):
        narrower, limits_dbm = bandwidth_khz < m.bandwidth_khz, found[0].power_limits_dbm
        # the planned signal itself is in the list already
        for factor in range(m.spreading_factor + (not narrower), 13):
            slower = factor > m.spreading_factor
            modulation = m.model_copy(update={"spreading_factor": factor, "bandwidth_khz": bandwidth_khz})
            changed = case.with_modulation(modulation)
            signal = changed.signal
            air_s = signal.time_on_air_s(case.link.payload_bytes)
            less_noise_db = 10.0 * math.log10(now.bandwidth_hz / signal.bandwidth_hz)
            gain_db = now.required_snr_db - signal.required_snr_db + less_noise_db
            # the same decibels for more time on air
            if any(s.gain_db >= gain_db - 0.01 and s.time_on_air_s <= air_s for s in found):
                continue
            # a slower one of this bandwidth is over them too
            if breaks_limits(case, changed):
                break
            # limits go by the bandwidth and not by the spreading factor
            if narrower and not slower:
                limits_dbm = _power_limits_dbm(changed)
            effort = SLOWER_EFFORT * slower + NARROWER_EFFORT * narrower
            kinds = SPREADING_FACTOR * slower | BANDWIDTH * narrower
            found.append(SignalSetting(modulation, gain_db, air_s, effort, kinds, limits_dbm))
    return found


def _power_limits_dbm(case: LinkCase) -> tuple[tuple[float, float], tuple[float, float]]:
    """Most conducted and most radiated power of either end by the table of limits; infinite where it says nothing."""

    def most_dbm(end: End, gain_dbi: float) -> float:
        antenna = Antenna(type="collinear", gain_dbi=gain_dbi)
        limits = station_limits(case.with_station(end, antenna=antenna, feeder=Feeder()), end)
        if limits is None or limits.status == "unknown":
            return math.inf
        if limits.largest_conducted_dbm is None:
            return -math.inf if limits.status == "over" else math.inf
        return limits.largest_conducted_dbm

    # an antenna of hardly any gain meets the conducted limit first, one of very much gain the radiated
    near, far = ((most_dbm(end, -20.0), most_dbm(end, 30.0) + 30.0) for end in ENDS)
    return near, far


class EndOptions(NamedTuple):
    """What may be done at one end; but for `changed` arrays (n,), a row for each option."""

    changed: list[tuple[Station, dict[str, Any]]]
    """The station on its mast and cable, and what else is set of it; without the power."""
    row: NDArray[np.int64]
    """Into `changed`."""
    height: NDArray[np.int64]
    """Into `heights_m`."""
    kinds: NDArray[np.int64]
    """Bits of `KINDS`, as of the near end."""
    cost: Floats
    effort: Floats
    gain_db: Floats
    """Antenna less feeder."""
    sensitivity_dbm: Floats
    power_dbm: Floats

    @classmethod
    def of(cls, case: LinkCase, end: End, prices: Prices, shared: frozenset[str]) -> "EndOptions":
        """All there is, with the planned power; antennas at a station of `shared` are not turned."""
        station = case.station(end)
        antennas = _antennas(case, end, prices, directional=station.name not in shared)
        suppressions: list[dict[str, float]] = [{}]
        if station.noise_rise_db >= 1.0:
            suppressions.append({"noise_rise_db": 0.0})
        choices = list(product(antennas, _repairs(case, end)))
        changed, columns = list[tuple[Station, dict[str, Any]]](), list[tuple[float, ...]]()
        for i, height_m in enumerate(heights_m(station)):
            planned_cable_db = feeder_loss_db(with_antenna_at(station, height_m), case.frequency_hz)
            for cable in (None, *(c for c in CABLES if station.feeder.length_m and c != station.feeder.type)):
                fitted = with_antenna_at(station, height_m, cable)
                loss_db = feeder_loss_db(fitted, case.frequency_hz)
                if cable is not None and loss_db > planned_cable_db - 1.0:
                    continue
                bought = sum(p.cost for p in added(station, fitted, prices) if p.item != "climb")
                for suppression in suppressions:
                    sensitivity_dbm = case.sensitivity_dbm(fitted.model_copy(update=suppression))
                    for (antenna, gain, price), (repaired, repair_db) in choices:
                        made = (i > 0, bool(antenna), cable is not None, bool(suppression), bool(repaired))
                        climbs = any(made[:3]) or made[4]
                        cost = bought + price + (prices.climb if climbs else 0.0)
                        cost += prices.noise_suppression if suppression else 0.0
                        effort = sum(effort for effort, it in zip(_EFFORTS, made, strict=True) if it)
                        bits = sum(bit for bit, it in zip(_AT_NEAR, made, strict=True) if it)
                        gain_db = gain + repair_db - loss_db
                        changed.append((fitted, repaired | antenna | suppression))
                        columns.append((i, bits, cost, effort, gain_db, sensitivity_dbm))
        table = np.array(columns).T
        height, kinds = table[:2].astype(np.int64)
        power_dbm = np.full(len(changed), station.transmit_power_dbm)
        figures: Any = (*table[2:], power_dbm)
        return cls(changed, np.arange(len(changed)), height, kinds, *figures)

    def at(self, index: Any) -> "EndOptions":
        """Some of the rows."""
        return EndOptions(self.changed, *(column[index] for column in self[1:]))

    def changes(self, option: int) -> tuple[Station, dict[str, Any], float]:
        """What becomes of the end: the station on its mast and cable, what else is set of it, and its power."""
        return *self.changed[self.row[option]], float(self.power_dbm[option])

    @property
    def sends_db(self) -> Floats:
        """What the end's transmitter adds to a margin."""
        return self.power_dbm + self.gain_db

    @property
    def hears_db(self) -> Floats:
        """What the end's receiver adds to a margin."""
        return self.gain_db - self.sensitivity_dbm

    def with_power(self, limits_dbm: tuple[float, float], *, raised: bool) -> "EndOptions":
        """With the power that is legal for each, `raised` to it too, those left out that others beat."""
        conducted, radiated = limits_dbm
        # in tenths, rounded down but for `POWER_ROUNDING_DB`: 25 mW (13.98 dBm) is set as 14
        most = np.floor(10.0 * np.minimum(conducted, radiated - self.gain_db) + 0.3) / 10.0
        options = kept = self._replace(power_dbm=np.minimum(self.power_dbm, most))
        if raised:
            # as a planner would set it: whole decibels
            full_dbm = np.minimum(np.floor(most), HIGHEST_POWER_DBM)
            more = self._replace(
                power_dbm=full_dbm, kinds=self.kinds | POWER, effort=self.effort + POWER_EFFORT
            )
            more = more.at(full_dbm > kept.power_dbm + 0.05)
            both: Any = zip(kept[1:], more[1:], strict=True)
            options = EndOptions(self.changed, *(np.concatenate(columns) for columns in both))
        return options.at(options._undominated_rows())

    def _undominated_rows(self) -> list[int]:
        """Rows that no other of the same height matches in sending, hearing, cost and effort.

        Height by height, as what another height gains depends on the other end's.
        """
        figures = np.stack([-self.sends_db, -self.hears_db, self.cost, self.effort], axis=-1)
        # options that are equal but for rounding: without the slack both would stay
        slack = np.array([1e-9, 1e-9, 0.0, 0.0])
        keep: list[int] = []
        for h in np.unique(self.height):
            # where no power is legal it is -inf, and that is no option
            at = np.flatnonzero((self.height == h) & np.isfinite(self.sends_db))
            chosen: list[int] = []
            # what is cheaper, then what is easier, comes first: only earlier rows can beat a later one
            for i in at[np.lexsort((self.effort[at], self.cost[at]))]:
                if not (figures[chosen] <= figures[i] + slack).all(axis=-1).any():
                    chosen.append(int(i))
            keep += chosen
        return keep


def heights_m(station: Station) -> list[float]:
    """The planned height of an antenna, and those of taller masts."""
    present_m = station.antenna_height_m
    taller = (station.mast_foot_m + m for m in MASTS_M)
    return [present_m, *(h for h in taller if present_m + 0.5 < h <= tallest_m(station) + 1e-9)]


def _antennas(
    case: LinkCase, end: End, prices: Prices, *, directional: bool
) -> list[tuple[dict[str, Antenna], float, float]]:
    """What is set for each antenna, its gain towards the other end and its price: as planned, and those that gain."""
    station = case.station(end)
    up_deg = case.elevation_deg(end)
    found: list[tuple[dict[str, Antenna], float, float]] = [({}, _planned_gain_dbi(case, end), 0.0)]
    for kind, nominal_dbi in ANTENNAS:
        if ANTENNA_TYPES[kind].directional and not directional:
            continue
        antenna = Antenna(type=kind, gain_dbi=nominal_dbi)
        if station.antenna.polarisation != antenna.polarisation:
            antenna = antenna.model_copy(update={"polarisation": station.antenna.polarisation})
        fitted = station.model_copy(update={"antenna": antenna})
        gain = float(gain_dbi(fitted, case.bearing_deg(end), up_deg, aimed=case.positioned))
        if gain > found[0][1] + 0.5:
            found.append(({"antenna": antenna}, gain, antenna_price(antenna, prices)))
    return found


class Paths(NamedTuple):
    """The path for every pair of heights; arrays (n, m)."""

    gain_db: Floats
    site_db: Floats
    conditions_db: Floats
    k_db: Floats
    noise: tuple[tuple[float, float], ...]
    """Standard deviations of each direction's receiver noise, over sites and over the year."""

    @classmethod
    def of(cls, case: LinkCase, near_m: Sequence[float], far_m: Sequence[float]) -> "Paths":
        """By the rules, for the heights of both ends."""
        shape = len(near_m), len(far_m)
        near, far = (v.ravel() for v in np.meshgrid(near_m, far_m, indexing="ij"))
        found = profile_losses(case.profile, case.situation, near, far)
        items = path_items(case, found)
        polarisation_db = sum(t.value_db for t in case.polarisation_terms)
        # what is stated of either end is lost both ways, until an option repairs it
        stated_db = sum(x.loss_db for station in (case.near, case.far) for x in station.extra_loss)
        # without known ground nothing closes, whatever its margin
        gain_db = np.where(found.ground_unknown, -np.inf, case.path_db(found) + polarisation_db - stated_db)
        spreads = (np.broadcast_to(v, near.shape) for v in spreads_db(items))
        gain_db, site_db, conditions_db, k_db = (
            v.reshape(shape) for v in (gain_db, *spreads, fading_k_db(case, found))
        )
        noise = [spreads_db(noise_items(case.noise(rx))) for rx in (case.far, case.near)]
        heard = tuple((float(site[0]), float(year[0])) for site, year in noise)
        return cls(gain_db, site_db, conditions_db, k_db, heard)

    def needed(self, required: Requirement) -> tuple[Floats, Floats]:
        """The required margin, forward and return."""
        forward, returned = (
            np.asarray(
                required.margin_db(
                    np.hypot(self.site_db, site), np.hypot(self.conditions_db, year), self.k_db
                )
            )
            for site, year in self.noise
        )
        return forward, returned


def _planned_gain_dbi(case: LinkCase, end: End) -> float:
    """Gain of an end's planned antenna towards the other end."""
    return float(case.antenna_db(end, case.losses)[0])


def _repairs(case: LinkCase, end: End) -> Iterator[tuple[dict[str, Any], float]]:
    """What costs decibels at an antenna and can be put right there, each alone and all together."""
    station = case.station(end)
    ways: list[dict[str, Any]] = []
    if station.building != "none":
        ways.append({"building": "none"})
    if any(x.loss_db >= 1.0 for x in station.extra_loss):
        ways.append({"extra_loss": [x for x in station.extra_loss if x.loss_db < 1.0]})
    a = station.antenna
    off_db = main_gain_dbi(station) - _planned_gain_dbi(case, end)
    if off_db >= 1.0 and (a.azimuth_deg is not None or a.tilt_deg):
        up_deg = float(round(case.elevation_deg(end)))
        ways.append({"antenna": a.model_copy(update={"azimuth_deg": None, "tilt_deg": up_deg})})
    yield {}, 0.0
    if len(ways) > 1:
        ways.append({k: v for way in ways for k, v in way.items()})
    for way in ways:
        changed = case.with_station(end, **way)
        yield way, changed.weaker_margin_db - case.weaker_margin_db


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

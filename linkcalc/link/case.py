"""One link of a plan on its ground: levels and margins both ways, quick enough to solve with.

A case never changes; `replace` one to ask "what if".
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats
from linkcalc.link.budget import DECIMALS, Budget, Group, term, total_db
from linkcalc.link.findings import Origin, TermKind, Way
from linkcalc.link.losses import Losses, Situation
from linkcalc.link.models import PathLoss, profile_losses
from linkcalc.link.modulation import Signal
from linkcalc.link.result import MODEL_NAMES, Term
from linkcalc.link.surroundings import Surroundings, SurroundingsOfMany
from linkcalc.link.traffic import Sent
from linkcalc.plan import ChirpModulation, Conditions, Feeder, FskModulation, Link, Station
from linkcalc.plan.power import Regulation
from linkcalc.plan.stations import AROUND_KEYS, AntennaFigures
from linkcalc.propagation import building_entry, noise, refractivity
from linkcalc.radio import antenna, feeder
from linkcalc.radio.antenna_types import AntennaType
from linkcalc.rules.transmission import OtherTraffic
from linkcalc.terrain.land_cover import KINDS, Around
from linkcalc.terrain.profile import Profile
from linkcalc.units import EARTH_RADIUS_M

End = Literal["near", "far"]
ENDS: tuple[End, End] = ("near", "far")
ENDS_OF: dict[Way, tuple[End, End]] = {"forward": ("near", "far"), "return": ("far", "near")}
"""Which end sends and which receives."""

_ORIGINS: dict[Origin, str] = {"stated": "", "assumed": " (assumed)", "raster": " (by raster)"}

_ON_BEAM_DB = 0.05
"""Less than this off the main beam is not worth a line of its own."""


class PathTerm(NamedTuple):
    """A gain or loss of many paths at once."""

    kind: TermKind
    value_db: Floats
    note: str = ""
    station: str = ""
    origin: Origin = "stated"
    what: str = ""

    def term(self, group: Group) -> Term:
        return term(
            self.kind, self.value_db.item(), group, self.note,
            station=self.station, origin=self.origin, what=self.what,
        )  # fmt: skip


@dataclass(frozen=True)
class LinkCase:
    """A link between two stations over one profile, under the plan's conditions."""

    link: Link
    near: Station
    """The `from` station: distances along the profile start here."""
    far: Station
    conditions: Conditions
    profile: Profile
    azimuth_deg: float
    """Bearing of `far` from `near`."""
    back_azimuth_deg: float
    regulation: Regulation = field(default_factory=Regulation)
    """Whose legal limits count, if any."""
    sent: tuple[Sent, ...] = ()
    """What the link carries, for the legal limits; empty: they are looked up without its timing."""
    sent_elsewhere: tuple[tuple[OtherTraffic, ...], tuple[OtherTraffic, ...]] = ((), ())
    """What is sent over other links by the near and the far station."""
    shown: tuple[Surroundings | None, Surroundings | None] = (None, None)
    """What rasters show around `near` and `far`, for where the plan does not say."""
    _found: dict[Any, Losses] = field(default_factory=dict, repr=False, compare=False)
    """Losses by what they depend on; cases that are made from each other share it."""

    @property
    def positioned(self) -> bool:
        """Whether bearings are known; without, antennas are taken to point at each other."""
        return self.near.positioned and self.far.positioned

    @property
    def frequency_hz(self) -> float:
        return self.link.frequency_mhz * 1e6

    @cached_property
    def signal(self) -> Signal:
        return Signal.of(self.link.modulation)

    @cached_property
    def situation(self) -> Situation:
        """What the path loss depends on besides the profile and the heights."""
        c = self.conditions
        latitudes = self.profile.latitude_deg
        # without positions a mid latitude of the north; a note says so where the plan names a month
        latitude_deg = 45.0 if latitudes is None else float(latitudes[len(latitudes) // 2])
        air = refractivity.climate_refractivity(c.climate, c.month, latitude_deg=latitude_deg)
        horizontal = self.near.antenna.polarisation == self.far.antenna.polarisation == "horizontal"
        return Situation(
            frequency_hz=self.frequency_hz,
            polarisation="horizontal" if horizontal else "vertical",
            delta_n=air.delta_n if c.delta_n is None else c.delta_n,
            n0=air.n0 if c.surface_refractivity_n0 is None else c.surface_refractivity_n0,
            latitude_deg=latitude_deg,
            low_k_factor=refractivity.annual_low_k_factor(c.climate),
            ground=c.ground,
            roughness_m=c.surface_roughness_m,
            leaf=c.leaf,
            wet_foliage=c.wet_foliage,
            woodland_depth_m=c.woodland_depth_m or 0.0,
            installation_db=c.installation_db,
            near=surroundings(self.near, self.shown[0]),
            far=surroundings(self.far, self.shown[1]),
            governing=c.governing_model,
        )

    @property
    def losses(self) -> Losses:
        """The loss of the path, as an array of one."""
        heights = self.near.antenna_height_m, self.far.antenna_height_m
        key = (self.profile, self.situation, heights)
        if key not in self._found:
            self._found[key] = profile_losses(self.profile, self.situation, *heights)
        return self._found[key]

    @cached_property
    def path(self) -> PathLoss:
        return PathLoss(self.profile, self.situation, self.losses)

    @property
    def longest_time_on_air_s(self) -> float:
        return self.signal.time_on_air_s(max(self.link.payload_bytes, self.link.reply_payload_bytes))

    def bearing_deg(self, end: End) -> float:
        return self.azimuth_deg if end == "near" else self.back_azimuth_deg

    def elevation_deg(self, end: End) -> float:
        """Elevation of the other end over the median earth, seen from an end."""
        return float(self.elevations_deg(self.losses)[ENDS.index(end)][0])

    def elevations_deg(self, found: Losses) -> tuple[Floats, Floats]:
        """Elevation of the other end over the median earth, seen from `near` and from `far`."""
        rise = found.far_ground_m + found.far_height_m - found.near_ground_m - found.near_height_m
        length = np.maximum(found.length_m, 1e-3)
        sag = length / (2.0 * self.situation.k_factor * EARTH_RADIUS_M)
        return np.degrees(np.arctan(rise / length - sag)), np.degrees(np.arctan(-rise / length - sag))

    def antenna_db(self, end: End, found: Losses) -> Floats:
        """Gain of an end's antenna towards the other end, for many paths: the sum of `antenna_terms`."""
        up_deg = self.elevations_deg(found)[ENDS.index(end)]
        towards = gain_dbi(self.station(end), self.bearing_deg(end), up_deg, aimed=self.positioned)
        return np.round(towards, DECIMALS)

    def path_db(self, found: Losses) -> Floats:
        """Sum of `path_terms`, rounded as the terms of a budget."""
        return np.round(sum(np.round(t.value_db, DECIMALS) for t in self.path_terms(found)), DECIMALS) + 0.0

    def path_terms(self, found: Losses) -> list[PathTerm]:
        """The path's gains and losses, the same in both directions, for many paths at once."""
        rows = [
            PathTerm("free_space", -found.free_space_db, "Rec. ITU-R P.525"),
            PathTerm("ground", -found.ground_db, "over free space"),
            PathTerm("trees", -found.trees_db, "mapped or stated, Rec. ITU-R P.833"),
        ]
        for station, kind, loss_db in (
            (self.near, self.situation.near, found.near_surroundings_db),
            (self.far, self.situation.far, found.far_surroundings_db),
        ):
            origin: Origin = "stated" if kind.stated else "raster" if kind.shown else "assumed"
            note = f"{kind.kind}{_ORIGINS[origin]}, {kind.top_m:g} m, Rec. ITU-R P.2108"
            rows.append(PathTerm("surroundings", -loss_db, note, station.name, origin, kind.kind))
        of_allowance: Origin = (
            "stated" if "installation_db" in self.conditions.model_fields_set else "assumed"
        )
        allowance = "allowance, gone after a reading"
        rows.append(PathTerm("installation", -found.installation_db, allowance, origin=of_allowance))
        for station, up in zip((self.near, self.far), self.elevations_deg(found), strict=True):
            if station.building != "none":
                loss_db = building_entry.building_entry_loss_db(
                    self.frequency_hz,
                    building=station.building,
                    elevation_deg=np.nan_to_num(np.abs(up)),
                    extrapolate=True,
                )
                rows.append(PathTerm("building_entry", -loss_db, "Rec. ITU-R P.2109, median", station.name))
        return rows

    @cached_property
    def shared_terms(self) -> tuple[Term, ...]:
        """The path's terms, the same in both directions."""
        notes: dict[TermKind, str] = {
            "ground": f"{MODEL_NAMES.get(self.path.model, self.path.model)} over free space",
            "trees": f"{float(self.losses.depth_m[0]):.0f} m of trees, Rec. ITU-R P.833",
        }
        return tuple(
            t._replace(note=notes.get(t.kind, t.note)).term("path")
            for t in self.path_terms(self.losses)
            if t.value_db[0] or t.kind in ("free_space", "ground")
        )

    def budget(self, way: Way = "forward") -> Budget:
        """The budget of one direction."""
        sender, receiver = ENDS_OF[way]
        return Budget((*self._sending(sender), *self.shared_terms, *self._receiving(receiver)))

    def equipment_db(self, way: Way = "forward") -> float:
        """Sum of a direction's terms but for the path's: all that does not take a loss to know."""
        sender, receiver = ENDS_OF[way]
        return total_db((*self._sending(sender), *self._receiving(receiver)))

    def _sending(self, end: End) -> tuple[Term, ...]:
        return (
            term("transmit_power", self.station(end).transmit_power_dbm, "transmitter"),
            *self.feeder_terms(end, "transmitter"),
            *self.antenna_terms(end, "transmitter"),
        )

    def _receiving(self, end: End) -> tuple[Term, ...]:
        return (
            # what comes in meets antenna and feeder in the other order
            *self.antenna_terms(end, "receiver")[::-1],
            *self.feeder_terms(end, "receiver")[::-1],
            *self.polarisation_terms,
            *self.threshold_terms(end),
        )

    @property
    def polarisation_terms(self) -> list[Term]:
        """What is lost where the antennas are polarised differently."""
        one, other = self.near.antenna.polarisation, self.far.antenna.polarisation
        loss_db = antenna.polarisation_loss_db(one, other)
        note = f"{one} to {other}"
        # the receiver's: it takes nothing from the radiated power that the law asks about
        return [term("polarisation", -loss_db, "receiver", note)] if loss_db else []

    def threshold_terms(self, receiver: End) -> list[Term]:
        """What the receiver at an end needs, as terms: minus its noise and its SNR."""
        rx = self.station(receiver)
        needed = term("required_snr", -self.signal.required_snr_db, "threshold", self.signal.text)
        return [*(row.term("threshold") for row in self.noise_rows(rx, self.noise(rx))), needed]

    def noise_rows(self, rx: Station, noises: noise.SystemNoise) -> list[PathTerm]:
        """Minus a receiver's noise item by item; arrays where the station's figures are."""
        bandwidth = f"{self.signal.bandwidth_hz / 1e3:g} kHz"
        rows = [
            PathTerm("thermal_noise", -np.asarray(noises.thermal_dbm), f"in {bandwidth}, dBm"),
            # its own, without the feeder's loss: the signal loses that in a term of its own
            PathTerm("noise_figure", -np.asarray(rx.noise_figure_db)),
            PathTerm("external_noise", -np.asarray(noises.external_db), f"P.372, {rx.noise_environment}"),
        ]
        if np.any(rx.noise_rise_db):
            rise = -np.asarray(noises.rise_db)
            rows.append(PathTerm("noise_rise", rise, "engine and electronics, as entered"))
        return rows

    def sensitivity_dbm(self, rx: Station) -> float:
        """Least power a station's receiver needs with the noise it really has, dBm."""
        noises = self.noise(rx)
        rise_db = noises.rise_db if rx.noise_rise_db else 0.0
        noise_dbm = noises.thermal_dbm + rx.noise_figure_db + noises.external_db + rise_db
        return float(noise_dbm + self.signal.required_snr_db)

    def noise(self, rx: Station) -> noise.SystemNoise:
        """Noise of a station's receiver behind its feeder, item by item.

        The feeder weakens noise from outside as it does the signal, so outside noise is added where the
        antenna is, to a noise figure that holds the feeder's loss.
        """
        figure_db = rx.noise_figure_db + feeder_loss_db(rx, self.frequency_hz)
        steady = np.ndim(figure_db) == np.ndim(rx.noise_rise_db) == 0
        # drawn or swept figures are arrays, which no cache can look up
        of = _system_noise if steady else noise.system_noise
        bandwidth_hz = self.signal.bandwidth_hz
        return of(bandwidth_hz, figure_db, rx.noise_environment, rx.noise_rise_db, self.frequency_hz)

    def with_heights(self, *, near_m: float | None = None, far_m: float | None = None) -> "LinkCase":
        """The same link with antennas at other heights above ground."""
        near, far = (
            s if h is None else s.model_copy(update={"antenna_height_m": h})
            for s, h in ((self.near, near_m), (self.far, far_m))
        )
        changed = replace(self, near=near, far=far)
        changed.__dict__["situation"] = self.situation  # which holds no heights
        return changed

    def raised(self, *, near_m: float | None = None, far_m: float | None = None) -> "LinkCase":
        """The same link with antennas moved to other heights, where a cable that comes down grows with them."""
        changed = self.with_heights(near_m=near_m, far_m=far_m)
        taller: dict[End, Station] = {}
        for end in ENDS:
            station = with_longer_feeder(changed.station(end), self.station(end).antenna_height_m)
            if station is not changed.station(end):
                taller[end] = station
        return changed.with_stations(taller) if taller else changed

    def with_station(self, end: End, **changes: Any) -> "LinkCase":
        """The same link with keys of one station set otherwise."""
        return self.with_stations({end: self.station(end).model_copy(update=changes)})

    def with_stations(self, changed: Mapping[End, Station]) -> "LinkCase":
        return replace(self, near=changed.get("near", self.near), far=changed.get("far", self.far))

    def station(self, end: End) -> Station:
        return self.near if end == "near" else self.far

    def with_modulation(self, modulation: ChirpModulation | FskModulation) -> "LinkCase":
        return replace(self, link=self.link.model_copy(update={"modulation": modulation}))

    def common_db(self, found: Losses, bearings_deg: tuple[ArrayLike, ArrayLike] | None = None) -> Floats:
        """All gains and losses between the two radios' connectors, the same both ways, for many paths at once.

        `bearings_deg` of the other end, seen from `near` and from `far`; by default this link's.
        """
        bearings = (self.azimuth_deg, self.back_azimuth_deg) if bearings_deg is None else bearings_deg
        aimed = bearings_deg is not None or self.positioned
        total = sum((t.value_db for t in self.path_terms(found)), start=np.zeros(found.loss_db.shape))
        total = total + sum(t.value_db for t in self.polarisation_terms)
        ends = zip((self.near, self.far), bearings, self.elevations_deg(found), strict=True)
        for station, bearing, up in ends:
            # where there is no path the elevation is NaN, which the antenna refuses: the total is NaN already
            total = total + gain_dbi(station, bearing, np.nan_to_num(up), aimed=aimed)
            total = total - feeder_loss_db(station, self.frequency_hz)
            total = total - sum(x.loss_db for x in station.extra_loss)
        return np.asarray(total)

    def margins_db(self, found: Losses) -> tuple[Floats, Floats]:
        """Fade margins of many paths forward and return; those of `budget`, to a millionth of a decibel."""
        common = self.common_db(found)
        return (
            self.near.transmit_power_dbm + common - self.sensitivity_dbm(self.far),
            self.far.transmit_power_dbm + common - self.sensitivity_dbm(self.near),
        )

    @property
    def weaker_margin_db(self) -> float:
        return float(min(m[0] for m in self.margins_db(self.losses)))

    def feeder_terms(self, end: End, group: Literal["transmitter", "receiver"]) -> list[Term]:
        """Feeder and further losses of one end, in the order the signal meets them when sending."""
        return [row.term(group) for row in self._feeder_rows(end)]

    def feeder_db(self, end: End) -> Any:
        """Sum of `feeder_terms`; an array where the feeder's length is one."""
        rows = [np.round(row.value_db, DECIMALS) for row in self._feeder_rows(end)]
        return np.round(sum(rows), DECIMALS) + 0.0

    def _feeder_rows(self, end: End) -> list[PathTerm]:
        station = self.station(end)
        loss_db = feeder_loss_db(station, self.frequency_hz)
        rows = [
            PathTerm("extra_loss", np.asarray(-x.loss_db), x.reason, station.name) for x in station.extra_loss
        ]
        if np.any(loss_db):
            words = feeder_words(station) if isinstance(loss_db, float) else ""
            rows.insert(0, PathTerm("feeder", -np.asarray(loss_db), words, station.name))
        return rows

    def antenna_terms(self, end: End, group: Literal["transmitter", "receiver"]) -> list[Term]:
        """Antenna of one end, and what it loses for being aimed elsewhere."""
        station = self.station(end)
        bearing_deg, elevation_deg = self.bearing_deg(end), self.elevation_deg(end)
        own, name = figures(station.antenna), station.name
        towards_dbi = float(gain_dbi(station, bearing_deg, elevation_deg, aimed=self.positioned))
        if own.gain_dbi - towards_dbi < _ON_BEAM_DB:
            return [term("antenna_gain", towards_dbi, group, own.words, station=name)]
        bearing = f"{bearing_deg % 360.0:.0f}°, " if self.positioned else ""
        note = f"the other station stands at {bearing}{elevation_deg:+.1f}° up"
        return [
            term("antenna_gain", own.gain_dbi, group, own.words, station=name),
            term("off_beam", towards_dbi - own.gain_dbi, group, note, station=name),
        ]


def with_longer_feeder(station: Station, from_m: float) -> Station:
    """A station whose antenna was raised from a height: a cable that comes down to the radio grows by as much."""
    # a lowered antenna keeps the cable that is there: the safe side
    rise_m = np.maximum(station.antenna_height_m - from_m, 0.0)
    if not np.any(rise_m) or np.max(station.feeder.length_m) <= 0.0:
        return station
    rise_m = rise_m if np.ndim(rise_m) else float(rise_m)
    feeder = station.feeder.model_copy(update={"length_m": station.feeder.length_m + rise_m})
    return station.model_copy(update={"feeder": feeder})


def surroundings(station: Station, shown: Surroundings | None = None) -> Surroundings:
    """What the plan says of what surrounds a station's antenna; else what rasters show, else what is assumed."""
    if shown is not None and not {*AROUND_KEYS} & station.model_fields_set:
        return shown
    return Surroundings(
        station.surroundings,
        "surroundings" in station.model_fields_set,
        station.surroundings_height_m,
        station.surroundings_distance_m,
    )


def shown_surroundings(around: Around, index: int = 0, words: str = "") -> Surroundings | None:
    """What rasters show around a position; None where they know nothing."""
    kind, height_m = KINDS[around.kind[index]], float(around.height_m[index])
    if kind == "unknown":
        return None
    shown = words or around.words(index)
    return Surroundings(kind, False, None if math.isnan(height_m) else height_m, shown=shown)


def surroundings_of_many(station: Station, around: Around | None, count: int) -> SurroundingsOfMany:
    """The same for many places of a station's equipment, or for one that all paths share."""
    if around is None:
        return SurroundingsOfMany((surroundings(station),), np.zeros(count, dtype=np.intp))
    # NaN equals nothing, itself included: each unknown height would be a kind of its own
    rows = np.stack([around.kind, np.nan_to_num(around.height_m)], axis=-1)
    _, first, index = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    kinds = tuple(surroundings(station, shown_surroundings(around, int(i), "by raster")) for i in first)
    return SurroundingsOfMany(kinds, np.broadcast_to(index.ravel(), (count,)))


def gain_dbi(
    station: Station, bearing_deg: ArrayLike, elevation_deg: ArrayLike, *, aimed: bool = True
) -> Floats:
    """Gain of a station's antenna in directions; `aimed` False where bearings are unknown: they point at each other."""
    return np.asarray(
        antenna.gain_towards_dbi(
            figures(station.antenna),
            bearing_deg,
            elevation_deg,
            azimuth_deg=station.antenna.azimuth_deg if aimed else None,
            tilt_deg=station.antenna.tilt_deg,
        )
    )


def main_gain_dbi(station: Station) -> float:
    return figures(station.antenna).gain_dbi


def figures(a: AntennaFigures) -> antenna.Antenna:
    """Gain, beam and pattern of an antenna as a plan states it."""
    tables = (a.azimuth_pattern, a.elevation_pattern)
    # gains that are drawn come as an array, for which nothing is kept
    found = _figures.__wrapped__ if isinstance(a.gain_dbi, np.ndarray) else _figures
    return found(
        a.type, a.gain_dbi, a.gain_dbd, a.horizontal_beamwidth_deg, a.vertical_beamwidth_deg,
        *(None if table is None else tuple(map(tuple, table)) for table in tables),
    )  # fmt: skip


@lru_cache(maxsize=64)  # by value: one check asks hundreds of times for the same few
def _figures(
    kind: AntennaType, gain_dbi: float | None, gain_dbd: float | None, across_deg: float | None,
    up_deg: float | None, azimuth: antenna.Table | None = None, elevation: antenna.Table | None = None,
) -> antenna.Antenna:  # fmt: skip
    return antenna.generic_antenna(
        kind,
        gain_dbi=gain_dbi,
        gain_dbd=gain_dbd,
        horizontal_beamwidth_deg=across_deg,
        vertical_beamwidth_deg=up_deg,
        azimuth_table=azimuth,
        elevation_table=elevation,
    )


def directional(a: AntennaFigures) -> bool:
    return bool(np.min(figures(a).horizontal_beamwidth_deg) < 360.0)


def feeder_words(station: Station) -> str:
    f = station.feeder
    parts = [f"{f.length_m:g} m {f.type}"] if f.length_m else []
    parts += [f"{f.connectors} connectors"] if f.connectors else []
    return ", ".join(parts + (["arrestor"] if f.arrestor else []))


_system_noise = lru_cache(maxsize=256)(noise.system_noise)


def feeder_loss_db(station: Station, frequency_hz: float) -> float:
    """Loss of a station's feeder with connectors and arrestor, dB; an array where its length is one."""
    many = np.ndim(station.feeder.length_m) > 0
    return (_loss_of_feeder_db if many else _feeder_loss_db)(station.feeder, frequency_hz)


def _loss_of_feeder_db(f: Feeder, frequency_hz: float) -> Any:
    return feeder.feeder_loss_db(
        f.type,
        f.length_m,
        frequency_hz,
        loss_db_per_100m=f.loss_db_per_100m,
        connectors=f.connectors,
        connector_loss_db=f.connector_loss_db,
        arrestor=f.arrestor,
        arrestor_loss_db=f.arrestor_loss_db,
    )


@lru_cache(maxsize=256)
def _feeder_loss_db(f: Feeder, frequency_hz: float) -> float:
    return float(_loss_of_feeder_db(f, frequency_hz))

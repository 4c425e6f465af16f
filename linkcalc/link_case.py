"""One link of a plan on its ground: levels and margins both ways, quick enough to solve with.

A case never changes; `replace` one to ask "what if".
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

from linkcalc.budget import REQUIRED_SNR, THERMAL_NOISE, Budget, term, total_db
from linkcalc.modulation import Signal
from linkcalc.path_loss import PathLoss, Situation, governing_loss, slant_free_space_loss_db
from linkcalc.plan import ChirpModulation, Conditions, FskModulation, Link, Station
from linkcalc.plan.power import Regulation
from linkcalc.propagation import building_entry, clutter, noise, refractivity
from linkcalc.radio import antenna, feeder
from linkcalc.result import MODEL_NAMES, Term
from linkcalc.rules.traffic import Sent
from linkcalc.terrain.profile import Profile
from linkcalc.units import EARTH_RADIUS_M

End = Literal["near", "far"]
ENDS: tuple[End, End] = ("near", "far")

_ON_BEAM_DB = 0.05
"""Less than this off the main beam is not worth a line of its own."""


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
    """What the link carries, for the legal limits; empty: they are asked without its timing."""

    @property
    def positioned(self) -> bool:
        """Whether bearings are known; without, antennas are taken as turned to each other."""
        return self.near.positioned and self.far.positioned

    @property
    def frequency_hz(self) -> float:
        """Carrier frequency."""
        return self.link.frequency_mhz * 1e6

    @cached_property
    def signal(self) -> Signal:
        """The modulation's figures."""
        return Signal.of(self.link.modulation)

    @cached_property
    def situation(self) -> Situation:
        """What the path loss depends on besides the heights."""
        c = self.conditions
        latitudes = self.profile.latitude_deg
        latitude_deg = 45.0 if latitudes is None else float(latitudes[len(latitudes) // 2])
        air = refractivity.climate_refractivity(c.climate, c.month, latitude_deg=latitude_deg)
        horizontal = self.near.antenna.polarisation == self.far.antenna.polarisation == "horizontal"
        return Situation(
            frequency_hz=self.frequency_hz,
            tx_height_m=self.near.antenna_height_m,
            rx_height_m=self.far.antenna_height_m,
            polarisation="horizontal" if horizontal else "vertical",
            delta_n=air.delta_n if c.delta_n is None else c.delta_n,
            n0=air.n0 if c.surface_refractivity_n0 is None else c.surface_refractivity_n0,
            latitude_deg=latitude_deg,
            ground=c.ground,
            roughness_m=c.surface_roughness_m,
            leaf=c.leaf,
            wet_foliage=c.wet_foliage,
            woodland_depth_m=c.woodland_depth_m or 0.0,
        )

    @property
    def path(self) -> PathLoss:
        """The governing loss of the path."""
        return governing_loss(self.profile, self.situation)

    @property
    def elevation_deg(self) -> float:
        """Elevation of `far` seen from `near` over the median earth."""
        return self._elevation_deg(self.near, self.far, 0, -1)

    @property
    def back_elevation_deg(self) -> float:
        """Elevation of `near` seen from `far`."""
        return self._elevation_deg(self.far, self.near, -1, 0)

    def _elevation_deg(self, at: Station, seen: Station, i: int, j: int) -> float:
        own_m = self.profile.ground_m[i] + at.antenna_height_m
        seen_m = self.profile.ground_m[j] + seen.antenna_height_m
        length_m = self.profile.length_m
        sag = length_m / (2.0 * self.situation.k_factor * EARTH_RADIUS_M)
        return math.degrees(math.atan((seen_m - own_m) / length_m - sag))

    @cached_property
    def shared_terms(self) -> tuple[Term, ...]:
        """The path's terms, the same in both directions."""
        path = self.path
        free_space_db = slant_free_space_loss_db(self.profile, self.situation)
        terms = [
            term("free-space loss", -free_space_db, "path", "Rec. ITU-R P.525"),
            term(
                "ground and terrain",
                -(path.loss_db - path.vegetation_loss_db - free_space_db),
                "path",
                f"{MODEL_NAMES[path.model]} over free space",
            ),
        ]
        if path.vegetation_loss_db:
            note = f"{path.vegetation_depth_m:.0f} m of trees, Rec. ITU-R P.833"
            terms.append(term("trees", -path.vegetation_loss_db, "path", note))
        if self.clutter_loss_db:
            terms.append(term("clutter", -self.clutter_loss_db, "path", "Rec. ITU-R P.2108, section 3.1"))
        for station, elevation in ((self.near, self.elevation_deg), (self.far, self.back_elevation_deg)):
            if station.building != "none":
                loss_db = building_entry.building_entry_loss_db(
                    self.frequency_hz,
                    building=station.building,
                    elevation_deg=abs(elevation),
                    extrapolate=True,
                )
                terms.append(
                    term(f"building entry, {station.name}", -loss_db, "path", "Rec. ITU-R P.2109, median")
                )
        return tuple(terms)

    @cached_property
    def clutter_loss_db(self) -> float:
        """What the stated clutter around the lower antenna adds to the loss of the path.

        The correction of Rec. ITU-R P.2108 belongs on top of a path that ends at the tops of the clutter
        (section 3.1, from memory). What the path from the antenna's real height loses for being lower than
        that is in the path's loss already.
        """
        kind = self.conditions.clutter
        height_m = min(self.near.antenna_height_m, self.far.antenna_height_m)
        if kind == "none" or height_m >= clutter.CLUTTER_HEIGHT_M[kind]:
            return 0.0
        loss_db = float(clutter.height_gain_loss_db(self.frequency_hz, height_m, kind, extrapolate=True))
        end = "near_m" if height_m == self.near.antenna_height_m else "far_m"
        at_tops = self.with_heights(**{end: clutter.CLUTTER_HEIGHT_M[kind]})
        return max(loss_db + at_tops.path.loss_db - self.path.loss_db, 0.0)

    def budget(self, *, back: bool = False) -> Budget:
        """The budget from `near` to `far`, or with `back` from `far` to `near`."""
        sender, receiver = ENDS[::-1] if back else ENDS
        return Budget(
            (
                term("transmit power", self.station(sender).transmit_power_dbm, "transmitter"),
                *self.feeder_terms(sender, "transmitter"),
                *self.antenna_terms(sender, "transmitter"),
                *self.shared_terms,
                *self.antenna_terms(receiver, "receiver")[::-1],
                *self.feeder_terms(receiver, "receiver")[::-1],
                *self.polarisation_terms,
                *self.threshold_terms(receiver),
            )
        )

    def equipment_db(self, *, back: bool = False) -> float:
        """Sum of a direction's terms but for the path's: all that does not take a loss to know."""
        sender, receiver = ENDS[::-1] if back else ENDS
        return total_db(
            (
                term("transmit power", self.station(sender).transmit_power_dbm, "transmitter"),
                *(t for end in ENDS for t in self.feeder_terms(end, "receiver")),
                *(t for end in ENDS for t in self.antenna_terms(end, "receiver")),
                *self.polarisation_terms,
                *self.threshold_terms(receiver),
            )
        )

    @property
    def polarisation_terms(self) -> list[Term]:
        """What is lost where the antennas are polarised differently."""
        one, other = self.near.antenna.polarisation, self.far.antenna.polarisation
        loss_db = antenna.polarisation_loss_db(one, other)
        note = f"{one} to {other}"
        return [term("polarisation mismatch", -loss_db, "receiver", note)] if loss_db else []

    def threshold_terms(self, receiver: End, noises: noise.SystemNoise | None = None) -> list[Term]:
        """What the receiver at an end needs, as terms: minus its noise (as given, if known) and its SNR."""
        rx = self.station(receiver)
        noises, bandwidth = noises or self.noise(rx), f"{self.signal.bandwidth_hz / 1e3:g} kHz"
        terms = [
            term(THERMAL_NOISE, -noises.thermal_dbm, "threshold", f"in {bandwidth}, dBm"),
            term("noise figure", -rx.noise_figure_db, "threshold"),
            term("external noise", -noises.external_db, "threshold", f"P.372, {rx.noise_environment}"),
        ]
        if rx.noise_rise_db:
            terms.append(
                term("noise rise", -noises.rise_db, "threshold", "engine and electronics, as entered")
            )
        return [*terms, term(REQUIRED_SNR, -self.signal.required_snr_db, "threshold", self.signal.text)]

    def noise(self, rx: Station) -> noise.SystemNoise:
        """Noise of a station's receiver behind its feeder, item by item.

        The feeder weakens noise from outside as it does the signal, so outside noise is added where the
        antenna is, to a noise figure that holds the feeder's loss.
        """
        return noise.system_noise(
            self.signal.bandwidth_hz,
            rx.noise_figure_db + feeder_loss_db(rx, self.frequency_hz),
            rx.noise_environment,
            rx.noise_rise_db,
            self.frequency_hz,
        )

    def with_heights(self, *, near_m: float | None = None, far_m: float | None = None) -> "LinkCase":
        """The same link with antennas at other heights above ground."""
        near, far = (
            s if h is None else s.model_copy(update={"antenna_height_m": h})
            for s, h in ((self.near, near_m), (self.far, far_m))
        )
        return replace(self, near=near, far=far)

    def with_stations(self, changed: Mapping[End, Station]) -> "LinkCase":
        """The same link with other equipment at one end or both."""
        return replace(self, near=changed.get("near", self.near), far=changed.get("far", self.far))

    def station(self, end: End) -> Station:
        """The station at an end."""
        return self.near if end == "near" else self.far

    def with_modulation(self, modulation: ChirpModulation | FskModulation) -> "LinkCase":
        """The same link with another signal."""
        return replace(self, link=self.link.model_copy(update={"modulation": modulation}))

    @property
    def weaker_margin_db(self) -> float:
        """Fade margin of the weaker direction."""
        return min(self.budget().fade_margin_db, self.budget(back=True).fade_margin_db)

    def feeder_terms(self, end: End, group: Literal["transmitter", "receiver"]) -> list[Term]:
        """Feeder and further losses of one end, in the order the signal meets them when sending."""
        station = self.station(end)
        loss_db = feeder_loss_db(station, self.frequency_hz)
        terms = [term(f"feeder, {station.name}", -loss_db, group, feeder_words(station))] if loss_db else []
        return terms + [
            term(f"extra loss, {station.name}", -x.loss_db, group, x.reason) for x in station.extra_loss
        ]

    def antenna_terms(self, end: End, group: Literal["transmitter", "receiver"]) -> list[Term]:
        """Antenna of one end, and what it loses for being aimed elsewhere."""
        station = self.station(end)
        bearing_deg, elevation_deg = (
            (self.azimuth_deg, self.elevation_deg)
            if end == "near"
            else (self.back_azimuth_deg, self.back_elevation_deg)
        )
        a = antenna.generic_antenna(
            station.antenna.type,
            gain_dbi=station.antenna.gain_dbi,
            gain_dbd=station.antenna.gain_dbd,
            horizontal_beamwidth_deg=station.antenna.horizontal_beamwidth_deg,
            vertical_beamwidth_deg=station.antenna.vertical_beamwidth_deg,
        )
        towards_dbi = antenna.gain_towards_dbi(
            a,
            bearing_deg,
            elevation_deg,
            azimuth_deg=station.antenna.azimuth_deg if self.positioned else None,
            tilt_deg=station.antenna.tilt_deg,
        )
        words = a.type.replace("_", " ")
        if a.gain_dbi - towards_dbi < _ON_BEAM_DB:
            return [term(f"antenna gain, {station.name}", towards_dbi, group, words)]
        bearing = f"{bearing_deg % 360.0:.0f}°, " if self.positioned else ""
        note = f"the other station stands at {bearing}{elevation_deg:+.1f}° up"
        return [
            term(f"antenna gain, {station.name}", a.gain_dbi, group, words),
            term(f"off the beam, {station.name}", towards_dbi - a.gain_dbi, group, note),
        ]


def feeder_words(station: Station) -> str:
    """A station's feeder in a few words."""
    f = station.feeder
    parts = [f"{f.length_m:g} m {f.type}"] if f.length_m else []
    parts += [f"{f.connectors} connectors"] if f.connectors else []
    return ", ".join(parts + (["arrestor"] if f.arrestor else []))


def feeder_loss_db(station: Station, frequency_hz: float) -> float:
    """Loss of a station's feeder with connectors and arrestor, dB."""
    f = station.feeder
    return float(
        feeder.feeder_loss_db(
            f.type,
            f.length_m,
            frequency_hz,
            loss_db_per_100m=f.loss_db_per_100m,
            connectors=f.connectors,
            connector_loss_db=f.connector_loss_db,
            arrestor=f.arrestor,
            arrestor_loss_db=f.arrestor_loss_db,
        )
    )

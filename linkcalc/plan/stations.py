"""Stations: where the radios stand and what hangs between radio and air."""

from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import Any, Literal, Self

from pydantic import field_validator, model_validator

from linkcalc.errors import quoted
from linkcalc.plan.base import Section, assumed, given, label, optional, plain
from linkcalc.radio.antenna_types import AntennaType

AROUND_KEYS = ("surroundings", "surroundings_height_m", "surroundings_distance_m")
"""Keys of a station that say what stands around it; where none does, rasters may."""

Polarisation = Literal["vertical", "horizontal", "circular"]


class AntennaFigures(Section):
    """What kind of antenna, or its figures."""

    type: AntennaType = assumed("half_wave_dipole", "generic antenna type")
    gain_dbi: float | None = optional("gain over an isotropic radiator, dBi", ge=-30, le=40, examples=[2.15])
    gain_dbd: float | None = optional("gain over a half-wave dipole, dBd", ge=-32, le=38, examples=[0.0])
    horizontal_beamwidth_deg: float | None = optional(
        "half-power beamwidth in azimuth", gt=0, le=360, examples=[360.0]
    )
    vertical_beamwidth_deg: float | None = optional(
        "half-power beamwidth in elevation", gt=0, le=180, examples=[78.0]
    )
    pattern_file: str | None = optional(
        "measured gain all the way round: CSV with azimuth_deg (clockwise from azimuth_deg of the antenna), gain_dbi",
        examples=["pattern.csv"],
    )
    elevation_pattern_file: str | None = optional(
        "measured gain in front: CSV with elevation_deg (-90 to 90, positive upward), gain_dbi",
        examples=["elevation.csv"],
    )
    azimuth_pattern: list[list[float]] | None = optional(
        "the same as pattern_file in the plan itself: [[azimuth_deg, gain_dbi], ...]; a file is read in its place",
        min_length=2,
        max_length=20_000,
        examples=[[[a, 9.0 - abs(a) / 15.0] for a in (-180.0, -135.0, -90.0, -45.0, 0.0, 45.0, 90.0, 135.0)]],
    )
    elevation_pattern: list[list[float]] | None = optional(
        "the same as elevation_pattern_file: [[elevation_deg, gain_dbi], ...]",
        min_length=2,
        max_length=20_000,
        examples=[[[-40.0, 0.0], [0.0, 9.0], [40.0, 0.0]]],
    )

    @model_validator(mode="after")
    def _tables_are_patterns(self) -> Self:
        for key, around in (("azimuth_pattern", True), ("elevation_pattern", False)):
            table = getattr(self, key)
            if table is not None:
                from linkcalc.radio.antenna import cut

                try:
                    cut(table, around=around)
                except ValueError as error:
                    raise ValueError(f"{key}: {error}") from None
        return self

    @model_validator(mode="after")
    def _one_gain(self) -> Self:
        if self.gain_dbi is not None and self.gain_dbd is not None:
            raise ValueError("give gain_dbi or gain_dbd, not both")
        return self

    def of_type(self, antenna_type: AntennaType, **update: Any) -> Self:
        """The same mounting with a generic antenna in it: no figure and no pattern of the old one is left."""
        figures = dict.fromkeys(name for name in AntennaFigures.model_fields if name != "type")
        return self.model_copy(update=figures | {"type": antenna_type} | update)

    def idle_keys(self) -> Iterable[str]:
        planes = (
            self.horizontal_beamwidth_deg if self.azimuth_pattern is None else 0.0,
            self.vertical_beamwidth_deg if self.elevation_pattern is None else 0.0,
        )
        measured = self.azimuth_pattern is not None or self.elevation_pattern is not None
        gain_stated = measured or self.gain_dbi is not None or self.gain_dbd is not None
        # the type still gives what is not stated, be it the beamwidth of one plane
        return ["type"] if gain_stated and None not in planes else []


class Antenna(AntennaFigures):
    """An antenna by figures or by generic type; stated figures replace the type's."""

    azimuth_deg: float | None = optional(
        "direction of the main beam, clockwise from true north; default: turned to the other station",
        ge=0,
        le=360,
        examples=[45.0],
    )
    tilt_deg: float = plain(0.0, "elevation of the main beam, positive upward", ge=-90, le=90)
    polarisation: Polarisation = assumed("vertical", "polarisation")


class Choice(Section):
    """What may be fitted on site in place of what is planned."""

    name: str = label("what the field sheet calls it", examples=["long one"])


class AntennaChoice(AntennaFigures, Choice):
    """An antenna that may be fitted on site in place of a planned one, mounted and turned as that was."""


def _cable_types() -> Sequence[str]:
    # numpy comes with the cable table; a plan without cables does without
    from linkcalc.radio.feeder import CABLE_TYPES

    return CABLE_TYPES


def _add_cable_types(schema: dict[str, Any]) -> None:
    schema["enum"] = list(_cable_types())


class Feeder(Section):
    """The cable from radio to antenna with what is screwed into it."""

    type: str = plain("none", "coaxial cable type", json_schema_extra=_add_cable_types)
    length_m: float = plain(0.0, "cable length, m", ge=0, le=500)
    loss_db_per_100m: float | None = optional(
        "stated cable loss at the link frequency, in place of the type's", ge=0, le=500, examples=[20.0]
    )
    connectors: int = plain(0, "number of connectors in line", ge=0, le=20)
    connector_loss_db: float = assumed(0.25, "loss of one connector, dB", ge=0, le=3)
    arrestor: bool = plain(False, "a lightning arrestor is in line")
    arrestor_loss_db: float = assumed(0.3, "loss of the arrestor when fitted, dB", ge=0, le=3)

    @field_validator("type")
    @classmethod
    def _known_cable(cls, cable: str) -> str:
        if cable != "none" and cable not in (known := _cable_types()):
            near = get_close_matches(cable[:80].lower().replace("-", "").replace(" ", "_"), known, n=1)
            remedy = f"write {quoted(near[0])}" if near else 'or write "none" and give loss_db_per_100m'
            raise ValueError(f"{quoted(cable)} is not known; allowed: {', '.join(known)}; {remedy}")
        return cable

    @model_validator(mode="after")
    def _length_and_loss_go_together(self) -> Self:
        if self.type == "none" and self.length_m > 0 and self.loss_db_per_100m is None:
            raise ValueError(f"length_m = {self.length_m:g} needs a cable type or loss_db_per_100m")
        if "length_m" not in self.model_fields_set and (self.type != "none" or self.loss_db_per_100m):
            raise ValueError("length_m is missing: how long is the cable, in metres?")
        return self

    def idle_keys(self) -> Iterable[str]:
        if self.connectors == 0:
            yield "connector_loss_db"
        if not self.arrestor:
            yield "arrestor_loss_db"


class FeederChoice(Feeder, Choice):
    """A feeder that may be fitted on site in place of a planned one."""


class ExtraLoss(Section):
    """A loss at one station that no formula knows, with its reason."""

    loss_db: float = given("loss, dB", ge=0, le=100, examples=[6.0])
    reason: str = label("why", examples=["antenna inside the metal shed"])


DEGREE_KEYS, GRID_KEYS = ("latitude_deg", "longitude_deg"), ("easting_m", "northing_m", "epsg")
POSITION_KEYS = (*DEGREE_KEYS, *GRID_KEYS)


class Placed(Section):
    """What stands somewhere, by latitude and longitude or by coordinates on a grid."""

    name: str = label("unique name")
    latitude_deg: float | None = optional("WGS 84 latitude, positive north", ge=-90, le=90, examples=[-20.0])
    longitude_deg: float | None = optional(
        "WGS 84 longitude, positive east", ge=-180, le=180, examples=[-20.0]
    )
    easting_m: float | None = optional("easting in the CRS that epsg names, m", examples=[500000.0])
    northing_m: float | None = optional("northing in the CRS that epsg names, m", examples=[7800000.0])
    epsg: int | None = optional("EPSG code of easting and northing", ge=1024, le=32767, examples=[32727])

    @property
    def position(self) -> tuple[float | None, ...]:
        """Coordinates as stated, to compare positions by."""
        return tuple(getattr(self, key) for key in POSITION_KEYS)

    def stated_position(self) -> tuple[int, int]:
        """How many of the two angles, and how many of the three figures on a grid, are stated."""
        degrees, grid = (
            sum(getattr(self, key) is not None for key in keys) for keys in (DEGREE_KEYS, GRID_KEYS)
        )
        return degrees, grid

    @property
    def positioned(self) -> bool:
        """Whether it is said where it stands."""
        return self.latitude_deg is not None or self.easting_m is not None


def position_deg(placed: Placed) -> tuple[float, float]:
    """Latitude and longitude, WGS 84, of what the plan positions."""
    if placed.latitude_deg is not None and placed.longitude_deg is not None:
        return placed.latitude_deg, placed.longitude_deg
    # numpy comes with it; a plan alone does without
    from linkcalc.terrain.geodesy import from_grid

    latitude, longitude = from_grid(placed.easting_m, placed.northing_m, placed.epsg)  # type: ignore[arg-type]
    return float(latitude), float(longitude)


class Station(Placed):
    """One end of a link."""

    antenna_height_m: float = given("antenna height above ground, m", ge=0.1, le=3000, examples=[4.0])
    mast_foot_m: float = plain(
        0.0, "height above ground of what is there and carries the mast (a tank, a gable), m", ge=0, le=3000
    )
    highest_antenna_m: float | None = optional(
        "highest the antenna may be, whatever the reason, m; default: none, and advice goes up to 30",
        ge=0.1,
        le=3000,
        examples=[9.0],
    )
    surroundings: Literal["none", "open", "suburban", "urban", "woodland"] = assumed(
        "open",
        "what stands around the antenna and higher than it; none: the antenna stands above the roofs and trees "
        "near it",
        "Rec. ITU-R P.2108, section 3.1",
    )
    surroundings_height_m: float | None = optional(
        "height of what stands around the antenna, m; default: 10, urban and woodland 15",
        ge=1,
        le=60,
        examples=[8.0],
    )
    surroundings_distance_m: float | None = optional(
        "distance to it on the way to the other station, m (not for open); default: 27",
        gt=0,
        le=1000,
        examples=[30.0],
    )
    antenna: Antenna = plain(Antenna(), "the antenna")
    feeder: Feeder = plain(Feeder(), "the feeder")
    extra_loss: list[ExtraLoss] = plain([], "further losses, each with a reason")
    transmit_power_dbm: float = assumed(14.0, "conducted power at the radio's connector, dBm", ge=-30, le=50)
    noise_figure_db: float = assumed(6.0, "receiver noise figure, dB", ge=0, le=30)
    noise_environment: Literal["city", "residential", "rural", "quiet_rural", "none"] = assumed(
        "rural", "man-made noise category", "Rec. ITU-R P.372"
    )
    noise_rise_db: float = assumed(
        0.0,
        "rise of the noise floor from ignition, alternator or drive while running, dB",
        "common practice, no source: 0 dB away from engines; measure it with the engine running",
        ge=0,
        le=60,
    )
    building: Literal["none", "traditional", "thermally_efficient"] = plain(
        "none", "building the antenna is inside of (Rec. ITU-R P.2109); enter a metal shed as an extra_loss"
    )

    @model_validator(mode="after")
    def _one_position(self) -> Self:
        degrees, grid = self.stated_position()
        if degrees and grid:
            raise ValueError(
                "give latitude_deg and longitude_deg, or easting_m, northing_m and epsg, not both"
            )
        if degrees == 1:
            raise ValueError("latitude_deg and longitude_deg go together")
        if 0 < grid < 3:
            raise ValueError("easting_m, northing_m and epsg go together")
        return self

    def idle_keys(self) -> Iterable[str]:
        # 10 m is the height of open country, which is assumed: an antenna above it has nothing around it
        return ["surroundings"] if self.antenna_height_m >= (self.surroundings_height_m or 10.0) else []

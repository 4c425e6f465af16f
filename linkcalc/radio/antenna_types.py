"""The generic types of antenna: a new one is a word of `AntennaType` and a row of the table here, and a price
in `plan/prices.py`; remedies offer what `link/remedy_options.ANTENNAS` lists. Knows no numpy."""

from dataclasses import dataclass
from typing import Literal

from linkcalc.units import DBI_OVER_DBD_DB

AntennaType = Literal["quarter_wave_whip", "half_wave_dipole", "collinear", "yagi"]

FRONT_TO_BACK_DB = 15.0
"""Of a yagi; nothing radiated in any direction is taken to be weaker (common practice, no source)."""

DEEPEST_NULL_DB = 20.0
"""How far the nulls of an omnidirectional antenna go as mounted (common practice, no source)."""

YAGI_BEAM_LOSS_DB = 1.5
"""What a yagi's gain stays below 32400/(azimuth x elevation beamwidth): 1 to 2 dB (textbook rule, from
memory)."""

Shape = Literal["dipole", "side_lobes", "parabolic"]
"""Of the elevation pattern: a half-wave dipole's; a stack's with side lobes; 12 (angle / beamwidth)^2 dB."""


@dataclass(frozen=True)
class AntennaKind:
    """A generic type, with the figures used when none are stated."""

    gain_dbi: float
    horizontal_beamwidth_deg: float
    """360: omnidirectional."""
    vertical_beamwidth_deg: float
    shape: Shape
    floor_db: float
    """Nothing is weaker than this below the peak."""
    beam_rule_deg2: float | None
    """Gain (ratio) times both beamwidths; None: the gain says nothing of the azimuth beam."""
    beam_rule_deg: float | None
    """Gain (ratio) times the elevation beamwidth; None: nor of that."""
    source: str

    @property
    def directional(self) -> bool:
        """Whether it has to be pointed."""
        return self.horizontal_beamwidth_deg < 360.0


ANTENNA_TYPES: dict[AntennaType, AntennaKind] = {
    "quarter_wave_whip": AntennaKind(
        1.0, 360.0, 78.0, "dipole", DEEPEST_NULL_DB, None, None,
        "0 to 2 dBi as mounted: common practice, no source",
    ),
    "half_wave_dipole": AntennaKind(
        DBI_OVER_DBD_DB, 360.0, 78.0, "dipole", DEEPEST_NULL_DB, None, None, "theory"
    ),
    "collinear": AntennaKind(
        5.5, 360.0, 30.0, "side_lobes", DEEPEST_NULL_DB, None, 107.6,
        "5 to 6 dBi with a 30 degree beam: common practice, no source",
    ),
    "yagi": AntennaKind(
        9.5, 52.5, 52.5, "parabolic", FRONT_TO_BACK_DB, 32400.0 * 10.0 ** (-YAGI_BEAM_LOSS_DB / 10.0), None,
        "5 or 6 elements: common practice, no source",
    ),
}  # fmt: skip
"""In the order they are offered in."""

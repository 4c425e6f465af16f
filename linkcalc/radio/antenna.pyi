# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

from dataclasses import dataclass, replace
from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.units import DBI_OVER_DBD_DB
AntennaType = Literal['quarter_wave_whip', 'half_wave_dipole', 'collinear', 'yagi']
Polarisation = Literal['vertical', 'horizontal', 'circular']
CROSS_POLARISATION_LOSS_DB = 20.0
YAGI_BEAM_LOSS_DB = 1.5
FRONT_TO_BACK_DB = 15.0
DEEPEST_NULL_DB = 20.0
@dataclass(frozen=True)
class Antenna:
    type: AntennaType
    gain_dbi: float
    horizontal_beamwidth_deg: float
    vertical_beamwidth_deg: float
    exact_dipole: bool
    source: str
ANTENNA_TYPES: dict[AntennaType, Antenna] = {'quarter_wave_whip': Antenna('quarter_wave_whip', 1.0, 360.0, 78.0, True, '0 to 2 dBi as mounted: common practice, no source'), 'half_wave_dipole': Antenna('half_wave_dipole', DBI_OVER_DBD_DB, 360.0, 78.0, True, 'theory'), 'collinear': Antenna('collinear', 5.5, 360.0, 30.0, False, '5 to 6 dBi with a 30 degree beam: common practice, no source'), 'yagi': Antenna('yagi', 9.5, 52.5, 52.5, False, '5 or 6 elements: common practice, no source')}
def generic_antenna(antenna_type: AntennaType, *, gain_dbi: float | None=..., gain_dbd: float | None=..., horizontal_beamwidth_deg: float | None=..., vertical_beamwidth_deg: float | None=...) -> Antenna: ...
@overload
def gain_towards_dbi(antenna: Antenna, bearing_deg: float, elevation_deg: float, *, azimuth_deg: float | None=..., tilt_deg: float=...) -> float: ...
@overload
def gain_towards_dbi(antenna: Antenna, bearing_deg: ArrayLike, elevation_deg: ArrayLike, *, azimuth_deg: float | None=..., tilt_deg: float=...) -> NDArray[np.float64]: ...
@overload
def polarisation_loss_db(one: Polarisation, other: Polarisation, *, tilt_deg: float=...) -> float: ...
@overload
def polarisation_loss_db(one: Polarisation, other: Polarisation, *, tilt_deg: ArrayLike=...) -> NDArray[np.float64]: ...
_COLLINEAR_RULE_DEG = 107.6
def _dipole_db(elevation_deg: Floats) -> Floats: ...
def _collinear_db(beamwidths: Floats) -> Floats: ...

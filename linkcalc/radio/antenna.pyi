# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.radio.antenna_types import ANTENNA_TYPES, AntennaType, Shape
from linkcalc.units import DBI_OVER_DBD_DB
Polarisation = Literal['vertical', 'horizontal', 'circular']
Table = Sequence[Sequence[float]]
CROSS_POLARISATION_LOSS_DB = 20.0
WIDEST_GAP_DEG = 45.0
@dataclass(frozen=True, eq=False)
class Cut:
    angle_deg: Floats
    loss_db: Floats
    around: bool

    def at(self, angle_deg: ArrayLike) -> Floats:
        ...

    @property
    def beamwidth_deg(self) -> float:
        ...
@dataclass(frozen=True, eq=False)
class Antenna:
    type: AntennaType
    gain_dbi: float
    horizontal_beamwidth_deg: float
    vertical_beamwidth_deg: float
    shape: Shape
    floor_db: float
    source: str
    azimuth: Cut | None = None
    elevation: Cut | None = None

    @property
    def words(self) -> str:
        ...
def generic_antenna(antenna_type: AntennaType, *, gain_dbi: float | None=..., gain_dbd: float | None=..., horizontal_beamwidth_deg: float | None=..., vertical_beamwidth_deg: float | None=..., azimuth_table: Table | None=..., elevation_table: Table | None=...) -> Antenna: ...
def _frozen(table: Table | None) -> Table | None: ...
def _cuts(azimuth_table: Table | None, elevation_table: Table | None) -> tuple[Cut | None, Cut | None, float | None]: ...
def cut(table: Table, *, around: bool) -> tuple[Cut, float]: ...
_SAME_DB = 0.1
_LEAST_SPAN_DEG = 20.0
@overload
def gain_towards_dbi(antenna: Antenna, bearing_deg: float, elevation_deg: float, *, azimuth_deg: float | None=..., tilt_deg: float=...) -> float: ...
@overload
def gain_towards_dbi(antenna: Antenna, bearing_deg: ArrayLike, elevation_deg: ArrayLike, *, azimuth_deg: float | None=..., tilt_deg: float=...) -> NDArray[np.float64]: ...
@overload
def polarisation_loss_db(one: Polarisation, other: Polarisation, *, tilt_deg: float=...) -> float: ...
@overload
def polarisation_loss_db(one: Polarisation, other: Polarisation, *, tilt_deg: ArrayLike=...) -> NDArray[np.float64]: ...
def _dipole_db(elevation_deg: Floats) -> Floats: ...
def _collinear_db(beamwidths: Floats) -> Floats: ...

# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import warnings
from dataclasses import dataclass
from typing import Any, Generic, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation._arguments import Numbers
GroundClass = Literal['sea_water', 'fresh_water', 'wet_ground', 'medium_dry_ground', 'very_dry_ground']
HIGHEST_CLASS_HZ = 1000000000.0
VACUUM_PERMITTIVITY_F_M = 8.8541878128e-12
@dataclass(frozen=True)
class GroundConstants(Generic[Numbers]):
    relative_permittivity: Numbers
    conductivity_s_m: Numbers

    @overload
    def __init__(self: GroundConstants[float], relative_permittivity: float, conductivity_s_m: float) -> None:
        ...

    @overload
    def __init__(self: GroundConstants[ArrayLike], relative_permittivity: ArrayLike, conductivity_s_m: ArrayLike) -> None:
        ...
AVERAGE_GROUND: GroundConstants[float]
def ground_constants(ground_class: GroundClass, frequency_hz: ArrayLike) -> GroundConstants[Any]: ...
@overload
def complex_permittivity(ground: GroundConstants[float], frequency_hz: float) -> complex: ...
@overload
def complex_permittivity(ground: GroundConstants[ArrayLike], frequency_hz: ArrayLike) -> NDArray[np.complex128]: ...
@overload
def conductivity_s_m(permittivity: Any, frequency_hz: float) -> float: ...
@overload
def conductivity_s_m(permittivity: Any, frequency_hz: ArrayLike) -> NDArray[np.float64]: ...
@overload
def water_permittivity(frequency_hz: float, temperature_c: float=...) -> complex: ...
@overload
def water_permittivity(frequency_hz: ArrayLike, temperature_c: ArrayLike=...) -> NDArray[np.complex128]: ...
@overload
def soil_permittivity(frequency_hz: float, water_fraction: float, *, sand_percent: float, clay_percent: float, silt_percent: float, temperature_c: float=...) -> complex: ...
@overload
def soil_permittivity(frequency_hz: ArrayLike, water_fraction: ArrayLike, *, sand_percent: float, clay_percent: float, silt_percent: float, temperature_c: ArrayLike=...) -> NDArray[np.complex128]: ...
_CLASSES: dict[str, tuple[float, float, float, float]]

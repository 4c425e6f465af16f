# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import math
import warnings
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ive, wofz
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation.ground import complex_permittivity
from linkcalc.units import EARTH_RADIUS_M, SPEED_OF_LIGHT_M_S
Polarisation = Literal['vertical', 'horizontal', 'circular']
RoughnessModel = Literal['ament', 'miller_brown']
class CurvedGeometry(NamedTuple):
    tx_distance_m: Any
    tx_height_m: Any
    rx_height_m: Any
    grazing_angle_rad: Any
    divergence: Any
@overload
def reflection_coefficient(grazing_angle_rad: float, frequency_hz: float, *, relative_permittivity: float, conductivity_s_m: float, polarisation: Polarisation=...) -> complex: ...
@overload
def reflection_coefficient(grazing_angle_rad: ArrayLike, frequency_hz: ArrayLike, *, relative_permittivity: ArrayLike, conductivity_s_m: ArrayLike, polarisation: Polarisation=...) -> NDArray[np.complex128]: ...
@overload
def roughness_factor(roughness_m: float, grazing_angle_rad: float, frequency_hz: float, model: RoughnessModel=...) -> float: ...
@overload
def roughness_factor(roughness_m: ArrayLike, grazing_angle_rad: ArrayLike, frequency_hz: ArrayLike, model: RoughnessModel=...) -> NDArray[np.float64]: ...
@overload
def rayleigh_height_m(grazing_angle_rad: float, frequency_hz: float) -> float: ...
@overload
def rayleigh_height_m(grazing_angle_rad: ArrayLike, frequency_hz: ArrayLike) -> NDArray[np.float64]: ...
@overload
def last_maximum_m(tx_height_m: float, rx_height_m: float, frequency_hz: float) -> float: ...
@overload
def last_maximum_m(tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike) -> NDArray[np.float64]: ...
@overload
def plane_earth_crossover_m(tx_height_m: float, rx_height_m: float, frequency_hz: float) -> float: ...
@overload
def plane_earth_crossover_m(tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike) -> NDArray[np.float64]: ...
@overload
def plane_earth_loss_db(distance_m: ArrayLike, tx_height_m: float, rx_height_m: float) -> float: ...
@overload
def plane_earth_loss_db(distance_m: ArrayLike, tx_height_m: ArrayLike, rx_height_m: ArrayLike) -> NDArray[np.float64]: ...
@overload
def minimum_effective_height_m(height_m: float, frequency_hz: float, *, relative_permittivity: float, conductivity_s_m: float, polarisation: Polarisation=...) -> float: ...
@overload
def minimum_effective_height_m(height_m: ArrayLike, frequency_hz: ArrayLike, *, relative_permittivity: ArrayLike, conductivity_s_m: ArrayLike, polarisation: Polarisation=...) -> NDArray[np.float64]: ...
@overload
def grazing_limit_rad(frequency_hz: float, k_factor: float=...) -> float: ...
@overload
def grazing_limit_rad(frequency_hz: ArrayLike, k_factor: ArrayLike=...) -> NDArray[np.float64]: ...
def curved_geometry(distance_m: ArrayLike, tx_height_m: ArrayLike, rx_height_m: ArrayLike, k_factor: ArrayLike=...) -> CurvedGeometry: ...
@overload
def two_ray_loss_db(distance_m: ArrayLike, tx_height_m: float, rx_height_m: float, frequency_hz: float, *, relative_permittivity: float, conductivity_s_m: float, polarisation: Polarisation=..., k_factor: float=..., roughness_m: float=..., roughness_model: RoughnessModel=..., gain_ratio_db: float=..., surface_wave: bool=...) -> float: ...
@overload
def two_ray_loss_db(distance_m: ArrayLike, tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike, *, relative_permittivity: ArrayLike, conductivity_s_m: ArrayLike, polarisation: Polarisation=..., k_factor: ArrayLike=..., roughness_m: ArrayLike=..., roughness_model: RoughnessModel=..., gain_ratio_db: ArrayLike=..., surface_wave: bool=...) -> NDArray[np.float64]: ...
@dataclass(frozen=True)
class Reflection:
    distance_m: float
    grazing_angle_rad: float
    tx_height_m: float
    rx_height_m: float
    surface_distance_m: float
    surface_height_amsl_m: float
    slope: float
    footprint_m: tuple[float, float]
    roughness_m: float
    smooth: bool
    clutter_share: float
    clutter_covers: bool
    within_grazing_limit: bool
def find_reflection(distance_m: ArrayLike, ground_m: ArrayLike, clutter_m: ArrayLike, tx_height_amsl_m: float, rx_height_amsl_m: float, *, k_factor: float, frequency_hz: float) -> tuple[Reflection | None, str]: ...
class _Path(NamedTuple):
    x: Floats
    ground: Floats
    clutter: Floats
    surface: Floats
    tx: float
    rx: float
    length: float
    wavelength: float
    curvature: float
    integrals: tuple[Floats, Floats, Floats]
    covered: Floats
class _Trial(NamedTuple):
    mirror_m: Floats
    start: Floats
    end: Floats
    middle_height: Floats
    slope: Floats
    variance: Floats
    psi: Floats
    tx_height: Floats
    rx_height: Floats
    along: Floats
    divergence: Floats
    possible: NDArray[np.bool_]
    settled: NDArray[np.bool_]
def _checked_path(distance_m: ArrayLike, ground_m: ArrayLike, clutter_m: ArrayLike, tx_height_amsl_m: float, rx_height_amsl_m: float, k_factor: float, frequency_hz: float) -> _Path: ...
def _cell_integrals(x: Floats, y: Floats, rise: Floats, t: Floats) -> tuple[Floats, Floats, Floats]: ...
def _fit(path: _Path, start: Floats, end: Floats) -> tuple[Floats, Floats, Floats]: ...
def _trial(path: _Path, x: Floats) -> _Trial: ...
def _footprint(d: Floats, h1: Floats, h2: Floats, wavelength: float) -> tuple[Floats, Floats]: ...
def _specular_points(path: _Path) -> list[float]: ...
def _judge(path: _Path, trial: _Trial) -> tuple[Reflection, float | None]: ...
_TRIALS = 200
MEETS = 0.0001
SETTLED = 0.01
_FINER = 33
def _wavelength(frequency_hz: ArrayLike) -> Floats: ...
def _heights(tx_height_m: ArrayLike, rx_height_m: ArrayLike) -> tuple[Floats, Floats]: ...
def _curvature(k_factor: ArrayLike) -> Floats: ...
def _curved(d: Floats, h1: Floats, h2: Floats, curvature: Floats | float) -> tuple[Floats, Floats, Floats, Floats, Floats]: ...
def _fresnel(psi: Floats, e: Any, polarisation: str) -> Any: ...
def _roughness(s: Floats | float, sine: Floats | float, wavelength: Floats | float, model: str) -> Any: ...
def _surface_impedance(psi: Floats, e: Any, polarisation: str) -> Any: ...
def _surface_wave(psi: Floats, e: Any, r2: Floats, wavelength: Floats, R: Any, polarisation: str) -> Any: ...

# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import math
import warnings
from dataclasses import dataclass
from typing import Any, Generic, Literal, get_args, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation._arguments import Numbers, Polarisation
from linkcalc.propagation._irregular import Path, earth, ground_impedance, profile_parameters, quantile_attenuation_db, reference_attenuation_db, sited_height, smooth_horizons
from linkcalc.propagation.ground import AVERAGE_GROUND, GroundConstants
VariabilityMode = Literal['single_message', 'accidental', 'mobile', 'broadcast']
Siting = Literal['random', 'careful', 'very_careful']
CLIMATES = {'equatorial': 1, 'continental_subtropical': 2, 'maritime_subtropical': 3, 'desert': 4, 'continental_temperate': 5, 'maritime_temperate_over_land': 6, 'maritime_temperate_over_sea': 7, 'subtropical': 2, 'temperate': 5, 'continental': 5, 'maritime': 6}
_VARIABILITIES: tuple[str, ...]
_SITINGS: tuple[str, ...]
_MOST_INTERVALS = 5000
@dataclass(frozen=True)
class Atmosphere:
    climate: str | int = 'continental_temperate'
    n0: float = 301.0
@dataclass(frozen=True)
class Variability(Generic[Numbers]):
    mode: VariabilityMode | int = 'single_message'
    time_percent: Numbers = 50.0
    location_percent: Numbers = 50.0
    situation_percent: Numbers = 50.0
    location_spread: bool = True
    situation_spread: bool = True

    @overload
    def __init__(self: Variability[float], mode: VariabilityMode | int=..., time_percent: float=..., location_percent: float=..., situation_percent: float=..., location_spread: bool=..., situation_spread: bool=...) -> None:
        ...

    @overload
    def __init__(self: Variability[ArrayLike], mode: VariabilityMode | int=..., time_percent: ArrayLike=..., location_percent: ArrayLike=..., situation_percent: ArrayLike=..., location_spread: bool=..., situation_spread: bool=...) -> None:
        ...
@dataclass(frozen=True)
class Terrain(Generic[Numbers]):
    delta_h_m: Numbers
    tx_siting: Siting | int = 'random'
    rx_siting: Siting | int = 'random'

    @overload
    def __init__(self: Terrain[float], delta_h_m: float, tx_siting: Siting | int=..., rx_siting: Siting | int=...) -> None:
        ...

    @overload
    def __init__(self: Terrain[ArrayLike], delta_h_m: ArrayLike, tx_siting: Siting | int=..., rx_siting: Siting | int=...) -> None:
        ...
TEMPERATE = Atmosphere()
MEDIAN: Variability[float]
@dataclass(frozen=True)
class IrregularDetail:
    loss_db: Any
    free_space_loss_db: Any
    reference_attenuation_db: Any
    mode: Any
    tx_horizon_angle_rad: Any
    rx_horizon_angle_rad: Any
    tx_horizon_distance_m: Any
    rx_horizon_distance_m: Any
    tx_effective_height_m: Any
    rx_effective_height_m: Any
    delta_h_m: Any
    surface_refractivity: Any
    effective_earth_radius_m: Any
@overload
def point_to_point_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: float, rx_height_m: float, frequency_hz: float, polarisation: Polarisation=..., ground: GroundConstants[float]=..., atmosphere: Atmosphere=..., variability: Variability[float]=..., detail: Literal[False]=...) -> float: ...
@overload
def point_to_point_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike, polarisation: Polarisation=..., ground: GroundConstants[float]=..., atmosphere: Atmosphere=..., variability: Variability[ArrayLike]=..., detail: Literal[False]=...) -> NDArray[np.float64]: ...
@overload
def point_to_point_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike, polarisation: Polarisation=..., ground: GroundConstants[float]=..., atmosphere: Atmosphere=..., variability: Variability[ArrayLike]=..., detail: Literal[True]) -> IrregularDetail: ...
@overload
def area_loss_db(distance_m: float, terrain: Terrain[float], *, tx_height_m: float, rx_height_m: float, frequency_hz: float, polarisation: Polarisation=..., ground: GroundConstants[float]=..., atmosphere: Atmosphere=..., variability: Variability[float]=..., detail: Literal[False]=...) -> float: ...
@overload
def area_loss_db(distance_m: ArrayLike, terrain: Terrain[ArrayLike], *, tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike, polarisation: Polarisation=..., ground: GroundConstants[float]=..., atmosphere: Atmosphere=..., variability: Variability[ArrayLike]=..., detail: Literal[False]=...) -> NDArray[np.float64]: ...
@overload
def area_loss_db(distance_m: ArrayLike, terrain: Terrain[ArrayLike], *, tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike, polarisation: Polarisation=..., ground: GroundConstants[float]=..., atmosphere: Atmosphere=..., variability: Variability[ArrayLike]=..., detail: Literal[True]) -> IrregularDetail: ...
def _equally_spaced(distance_m: ArrayLike, ground_m: ArrayLike) -> tuple[float, Floats]: ...
def _common(tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike) -> tuple[Floats, Floats, Floats]: ...
def _limits(*, n0: float, h: tuple[Floats, Floats], f: Floats, d: ArrayLike) -> list[str]: ...
def _code(name: str, value: str | int, words: tuple[str, ...]) -> int: ...
def _climate_code(climate: str | int) -> int: ...
def _variability_code(variability: Variability[Any]) -> tuple[int, bool, bool]: ...
def _loss(paths: list[Path], shape: tuple[int, ...], climate: str | int, variability: Variability[ArrayLike], detail: bool) -> Any: ...
def _quantile(name: str, percent: ArrayLike) -> Floats: ...

# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import math
import warnings
from dataclasses import dataclass
from typing import Any, Literal, get_args, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation._irregular import Path, earth, ground_impedance, profile_parameters, quantile_attenuation_db, reference_attenuation_db, sited_height, smooth_horizons
Polarisation = Literal['vertical', 'horizontal']
Variability = Literal['single_message', 'accidental', 'mobile', 'broadcast']
Siting = Literal['random', 'careful', 'very_careful']
CLIMATES = {'equatorial': 1, 'continental_subtropical': 2, 'maritime_subtropical': 3, 'desert': 4, 'continental_temperate': 5, 'maritime_temperate_over_land': 6, 'maritime_temperate_over_sea': 7, 'subtropical': 2, 'temperate': 5, 'continental': 5, 'maritime': 6}
_VARIABILITIES: tuple[str, ...] = get_args(Variability)
_SITINGS: tuple[str, ...] = get_args(Siting)
_MOST_INTERVALS = 5000
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
def point_to_point_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: float, rx_height_m: float, frequency_hz: float, polarisation: Polarisation=..., relative_permittivity: float=..., conductivity_s_m: float=..., n0: float=..., climate: str | int=..., variability: Variability | int=..., location_spread: bool=..., situation_spread: bool=..., time_percent: float=..., location_percent: float=..., situation_percent: float=..., detail: Literal[False]=...) -> float: ...
@overload
def point_to_point_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike, polarisation: Polarisation=..., relative_permittivity: float=..., conductivity_s_m: float=..., n0: float=..., climate: str | int=..., variability: Variability | int=..., location_spread: bool=..., situation_spread: bool=..., time_percent: ArrayLike=..., location_percent: ArrayLike=..., situation_percent: ArrayLike=..., detail: Literal[False]=...) -> NDArray[np.float64]: ...
@overload
def point_to_point_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike, polarisation: Polarisation=..., relative_permittivity: float=..., conductivity_s_m: float=..., n0: float=..., climate: str | int=..., variability: Variability | int=..., location_spread: bool=..., situation_spread: bool=..., time_percent: ArrayLike=..., location_percent: ArrayLike=..., situation_percent: ArrayLike=..., detail: Literal[True]) -> IrregularDetail: ...
@overload
def area_loss_db(distance_m: float, *, delta_h_m: float, tx_height_m: float, rx_height_m: float, frequency_hz: float, tx_siting: Siting | int=..., rx_siting: Siting | int=..., polarisation: Polarisation=..., relative_permittivity: float=..., conductivity_s_m: float=..., n0: float=..., climate: str | int=..., variability: Variability | int=..., location_spread: bool=..., situation_spread: bool=..., time_percent: float=..., location_percent: float=..., situation_percent: float=..., detail: Literal[False]=...) -> float: ...
@overload
def area_loss_db(distance_m: ArrayLike, *, delta_h_m: ArrayLike, tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike, tx_siting: Siting | int=..., rx_siting: Siting | int=..., polarisation: Polarisation=..., relative_permittivity: float=..., conductivity_s_m: float=..., n0: float=..., climate: str | int=..., variability: Variability | int=..., location_spread: bool=..., situation_spread: bool=..., time_percent: ArrayLike=..., location_percent: ArrayLike=..., situation_percent: ArrayLike=..., detail: Literal[False]=...) -> NDArray[np.float64]: ...
@overload
def area_loss_db(distance_m: ArrayLike, *, delta_h_m: ArrayLike, tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike, tx_siting: Siting | int=..., rx_siting: Siting | int=..., polarisation: Polarisation=..., relative_permittivity: float=..., conductivity_s_m: float=..., n0: float=..., climate: str | int=..., variability: Variability | int=..., location_spread: bool=..., situation_spread: bool=..., time_percent: ArrayLike=..., location_percent: ArrayLike=..., situation_percent: ArrayLike=..., detail: Literal[True]) -> IrregularDetail: ...
def _equally_spaced(distance_m: ArrayLike, ground_m: ArrayLike) -> tuple[float, Floats]: ...
def _common(tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike) -> tuple[Floats, Floats, Floats]: ...
def _limits(*, n0: float, h: tuple[Floats, Floats], f: Floats, d: ArrayLike) -> list[str]: ...
def _code(name: str, value: str | int, words: tuple[str, ...]) -> int: ...
def _climate_code(climate: str | int) -> int: ...
def _variability_code(variability: str | int, spreads: tuple[bool, bool]) -> tuple[int, bool, bool]: ...
def _loss(paths: list[Path], shape: tuple[int, ...], climate: str | int, variability: str | int, spreads: tuple[bool, bool], percents: tuple[ArrayLike, ArrayLike, ArrayLike], detail: bool) -> Any: ...
def _quantile(name: str, percent: ArrayLike) -> Floats: ...

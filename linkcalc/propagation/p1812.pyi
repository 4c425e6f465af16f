# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Generic, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation._arguments import Numbers, Polarisation, checked_profile, is_vertical, number, stated_range
from linkcalc.propagation._kernels import EARTH_RADIUS_KM as EARTH_RADIUS_KM
from linkcalc.propagation._p1812 import COASTAL as COASTAL
from linkcalc.propagation._p1812 import INLAND as INLAND
from linkcalc.propagation._p1812 import SEA as SEA
from linkcalc.propagation._p1812 import losses, path_of_profile
@dataclass(frozen=True)
class Climate:
    delta_n: float = 45.0
    n0: float = 325.0
    latitude_deg: float = 45.0
    zone: ArrayLike | None = None
    tx_coast_km: float | None = None
    rx_coast_km: float | None = None
@dataclass(frozen=True)
class Variability(Generic[Numbers]):
    time_percent: Numbers = 50.0
    location_percent: Numbers = 50.0
    location_sigma_db: Numbers = 0.0
    entry_loss_db: Numbers = 0.0
    entry_sigma_db: Numbers = 0.0

    @overload
    def __init__(self: Variability[float], time_percent: float=..., location_percent: float=..., location_sigma_db: float=..., entry_loss_db: float=..., entry_sigma_db: float=...) -> None:
        ...

    @overload
    def __init__(self: Variability[ArrayLike], time_percent: ArrayLike=..., location_percent: ArrayLike=..., location_sigma_db: ArrayLike=..., entry_loss_db: ArrayLike=..., entry_sigma_db: ArrayLike=...) -> None:
        ...
TEMPERATE = Climate()
MEDIAN: Variability[float]
@overload
def basic_transmission_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: float, rx_height_m: float, frequency_hz: float, clutter_m: ArrayLike | None=..., polarisation: Polarisation=..., climate: Climate=..., variability: Variability[float]=..., detail: Literal[False]=...) -> float: ...
@overload
def basic_transmission_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: float, rx_height_m: float, frequency_hz: ArrayLike, clutter_m: ArrayLike | None=..., polarisation: Polarisation=..., climate: Climate=..., variability: Variability[ArrayLike]=..., detail: Literal[False]=...) -> NDArray[np.float64]: ...
@overload
def basic_transmission_loss_db(distance_m: ArrayLike, ground_m: ArrayLike, *, tx_height_m: float, rx_height_m: float, frequency_hz: ArrayLike, clutter_m: ArrayLike | None=..., polarisation: Polarisation=..., climate: Climate=..., variability: Variability[ArrayLike]=..., detail: Literal[True]) -> MappingProxyType[str, Any]: ...
@overload
def location_standard_deviation_db(frequency_hz: float, resolution_m: float, *, rx_height_m: float=..., clutter_height_m: float=...) -> float: ...
@overload
def location_standard_deviation_db(frequency_hz: ArrayLike, resolution_m: ArrayLike, *, rx_height_m: ArrayLike=..., clutter_height_m: ArrayLike=...) -> NDArray[np.float64]: ...
@overload
def field_strength_dbuv_m(loss_db: float, frequency_hz: float, erp_kw: float=...) -> float: ...
@overload
def field_strength_dbuv_m(loss_db: ArrayLike, frequency_hz: ArrayLike, erp_kw: ArrayLike=...) -> NDArray[np.float64]: ...
def mid_path_latitude_deg(tx_latitude_deg: float, tx_longitude_deg: float, rx_latitude_deg: float, rx_longitude_deg: float, distance_m: float) -> float: ...
def _unit_vector(latitude_deg: float, longitude_deg: float) -> Floats: ...
def _checked_zone(zone: ArrayLike | None, size: int) -> NDArray[np.int8]: ...
def _coast_km(name: str, value: float | None, zone: int) -> float: ...

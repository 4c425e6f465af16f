# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.units import EARTH_RADIUS_M, SPEED_OF_LIGHT_M_S
@overload
def fresnel_radius_m(d1_m: float, d2_m: float, frequency_hz: float, zone: float=...) -> float: ...
@overload
def fresnel_radius_m(d1_m: ArrayLike, d2_m: ArrayLike, frequency_hz: ArrayLike, zone: ArrayLike=...) -> NDArray[np.float64]: ...
@overload
def earth_bulge_m(d1_m: float, d2_m: float, k_factor: float=...) -> float: ...
@overload
def earth_bulge_m(d1_m: ArrayLike, d2_m: ArrayLike, k_factor: ArrayLike=...) -> NDArray[np.float64]: ...
def clearance_ratio(distance_m: ArrayLike, top_m: ArrayLike, tx_height_amsl_m: ArrayLike, rx_height_amsl_m: ArrayLike, frequency_hz: ArrayLike, k_factor: ArrayLike=...) -> Floats: ...

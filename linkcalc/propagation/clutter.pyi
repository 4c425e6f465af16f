# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import math
from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation._arguments import stated_range
from linkcalc.propagation._kernels import knife_edge
Clutter = Literal['water', 'open', 'suburban', 'urban', 'trees', 'dense_urban']
CLUTTER_HEIGHT_M = {'water': 10.0, 'open': 10.0, 'suburban': 10.0, 'urban': 15.0, 'trees': 15.0, 'dense_urban': 20.0}
@overload
def height_gain_loss_db(frequency_hz: float, height_m: float, clutter: Clutter, *, clutter_height_m: float | None=..., street_width_m: float=..., extrapolate: bool=...) -> float: ...
@overload
def height_gain_loss_db(frequency_hz: ArrayLike, height_m: ArrayLike, clutter: Clutter, *, clutter_height_m: ArrayLike | None=..., street_width_m: ArrayLike=..., extrapolate: bool=...) -> NDArray[np.float64]: ...
@overload
def statistical_loss_db(frequency_hz: float, distance_m: float, location_percent: float=..., *, extrapolate: bool=...) -> float: ...
@overload
def statistical_loss_db(frequency_hz: ArrayLike, distance_m: ArrayLike, location_percent: ArrayLike=..., *, extrapolate: bool=...) -> NDArray[np.float64]: ...
@overload
def statistical_sigma_db(frequency_hz: float, distance_m: float, *, extrapolate: bool=...) -> float: ...
@overload
def statistical_sigma_db(frequency_hz: ArrayLike, distance_m: ArrayLike, *, extrapolate: bool=...) -> NDArray[np.float64]: ...
def _frequency_and_distance(frequency_hz: ArrayLike, distance_m: ArrayLike, extrapolate: bool) -> tuple[Floats, Floats]: ...
def _statistics(f: Floats, d: Floats) -> tuple[Floats, Floats, Floats]: ...

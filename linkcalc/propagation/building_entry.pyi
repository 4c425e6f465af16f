# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation._arguments import stated_range
Building = Literal['traditional', 'thermally_efficient']
_COEFFICIENTS = {'traditional': (12.64, 3.72, 0.96, 9.6, 2.0, 9.1, -3.0, 4.5, -2.0), 'thermally_efficient': (28.19, -3.0, 8.48, 13.5, 3.8, 27.8, -2.9, 9.4, -2.1)}
@overload
def building_entry_loss_db(frequency_hz: float, probability: float=..., *, building: Building=..., elevation_deg: float=..., extrapolate: bool=...) -> float: ...
@overload
def building_entry_loss_db(frequency_hz: ArrayLike, probability: ArrayLike=..., *, building: Building=..., elevation_deg: ArrayLike=..., extrapolate: bool=...) -> NDArray[np.float64]: ...
@overload
def building_entry_sigma_db(frequency_hz: float, *, building: Building=..., elevation_deg: float=..., extrapolate: bool=...) -> float: ...
@overload
def building_entry_sigma_db(frequency_hz: ArrayLike, *, building: Building=..., elevation_deg: ArrayLike=..., extrapolate: bool=...) -> NDArray[np.float64]: ...
def _checked(frequency_hz: ArrayLike, building: str, elevation_deg: ArrayLike, extrapolate: bool) -> tuple[Floats, Floats]: ...
def _loss(f: Floats, deviate: Floats | float, building: str, theta: Floats) -> Floats: ...

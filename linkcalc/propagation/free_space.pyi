# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import math
from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import checked, scalar_if_0d
from linkcalc.units import SPEED_OF_LIGHT_M_S
@overload
def free_space_loss_db(distance_m: float, frequency_hz: float) -> float: ...
@overload
def free_space_loss_db(distance_m: ArrayLike, frequency_hz: ArrayLike) -> NDArray[np.float64]: ...

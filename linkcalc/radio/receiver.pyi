# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import math
from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import checked, scalar_if_0d
from linkcalc.units import BOLTZMANN_J_K, REFERENCE_TEMPERATURE_K
THERMAL_NOISE_DBM_HZ = 10.0 * math.log10(BOLTZMANN_J_K * REFERENCE_TEMPERATURE_K * 1000.0)
@overload
def sensitivity_dbm(bandwidth_hz: float, noise_figure_db: float, required_snr_db: float) -> float: ...
@overload
def sensitivity_dbm(bandwidth_hz: ArrayLike, noise_figure_db: ArrayLike, required_snr_db: ArrayLike) -> NDArray[np.float64]: ...

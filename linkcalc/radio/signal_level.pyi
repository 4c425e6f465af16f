# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
SNR_BELIEVED_DB = 5.0
@overload
def signal_power_dbm(rssi_dbm: float, snr_db: float, noise_power_dbm: float | None=...) -> float: ...
@overload
def signal_power_dbm(rssi_dbm: ArrayLike, snr_db: ArrayLike, noise_power_dbm: ArrayLike | None=...) -> NDArray[np.float64]: ...
@overload
def noise_power_dbm(rssi_dbm: float, snr_db: float) -> float: ...
@overload
def noise_power_dbm(rssi_dbm: ArrayLike, snr_db: ArrayLike) -> NDArray[np.float64]: ...
def _over_db(ratio_db: Floats) -> Floats: ...

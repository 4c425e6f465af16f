# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"

import difflib
import warnings
from functools import cache
from typing import Any, Literal, overload
import numpy as np
from numpy.typing import ArrayLike, NDArray
from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning
_TABLE_HZ = np.array([150000000.0, 450000000.0, 850000000.0])
_TABLE_DB_PER_100M = {'rg174': (30.0, 57.0, 87.5), 'rg58': (20.0, 38.5, 58.2), 'rg8x': (15.4, 28.2, 43.0), 'rg213': (8.9, 16.3, 24.7), 'rg8_foam': (7.2, 13.0, 17.0), 'half_inch_foam': (2.8, 5.2, 6.8), 'seven_eighths_inch_foam': (1.4, 2.6, 3.7), 'one_and_five_eighths_inch_foam': (0.92, 1.7, 2.3)}
CABLE_TYPES = ('none', *_TABLE_DB_PER_100M)
LOWEST_HZ, HIGHEST_HZ = (30000000.0, 1000000000.0)
@overload
def cable_loss_db_per_100m(cable_type: str, frequency_hz: float) -> float: ...
@overload
def cable_loss_db_per_100m(cable_type: str, frequency_hz: ArrayLike) -> NDArray[np.float64]: ...
@overload
def feeder_loss_db(cable_type: str, length_m: float, frequency_hz: float, *, loss_db_per_100m: float | None=..., connectors: float=..., connector_loss_db: float=..., arrestor: bool=..., arrestor_loss_db: float=...) -> float: ...
@overload
def feeder_loss_db(cable_type: str, length_m: ArrayLike, frequency_hz: ArrayLike, *, loss_db_per_100m: ArrayLike | None=..., connectors: ArrayLike=..., connector_loss_db: ArrayLike=..., arrestor: bool=..., arrestor_loss_db: ArrayLike=...) -> NDArray[np.float64]: ...
def _law_terms(frequency: Floats) -> Floats: ...
def _cable_law(cable_type: str) -> tuple[Floats, Floats]: ...
def _unknown(cable_type: str) -> str: ...

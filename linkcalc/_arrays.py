"""Shared handling of array arguments: checked on entry, scalars out for scalars in."""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc.errors import DomainError

Floats = NDArray[np.float64]


def checked(
    name: str,
    value: ArrayLike,
    *,
    above: float = -np.inf,
    at_least: float = -np.inf,
    at_most: float = np.inf,
) -> Floats:
    """Return `value` as a float64 array, or say in one line why it cannot be used.

    `above` is an open lower limit, `at_least` and `at_most` are closed limits.
    """
    # one number, as most calls bring
    if (
        isinstance(value, float | int)
        and math.isfinite(value)
        and above < value
        and at_least <= value <= at_most
    ):
        return np.asarray(value, dtype=np.float64)
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise DomainError(f"{name} must be numbers, got {' '.join(repr(value).split())[:60]}") from error
    if not np.isfinite(array).all():
        raise DomainError(f"{name} must be finite, got {_first(array, ~np.isfinite(array))}")
    # limits that are not set cost nothing: some callers check millions of small arrays
    if above > -np.inf and (array <= above).any():
        raise DomainError(f"{name} must be above {above:g}, got {_first(array, array <= above):g}")
    if at_least > -np.inf and (array < at_least).any():
        raise DomainError(f"{name} must be at least {at_least:g}, got {_first(array, array < at_least):g}")
    if at_most < np.inf and (array > at_most).any():
        raise DomainError(f"{name} must be at most {at_most:g}, got {_first(array, array > at_most):g}")
    return array


def scalar_if_0d(array: Any) -> Any:
    """Return a Python float for a 0-d array, else the array itself."""
    array = np.asarray(array)
    return array.item() if array.ndim == 0 else array


def _first(array: Floats, where: NDArray[np.bool_]) -> float:
    return float(array[where].flat[0])

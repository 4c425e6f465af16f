"""The range a source states for its formula: warn outside it, or refuse."""

import warnings

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError, OutOfRangeWarning


def stated_range(
    model: str,
    quantity: str,
    value: Floats,
    low: float,
    high: float,
    unit: str,
    *,
    refuse: bool = False,
    stacklevel: int = 3,
) -> None:
    """Warn the caller of the calling function that values leave [low, high], or refuse them."""
    outside = (value < low) | (value > high)
    if not outside.any():
        return
    limits = f"at least {low:g} {unit}" if high == np.inf else f"{low:g} to {high:g} {unit}"
    line = f"{model}: {quantity} {float(value[outside].flat[0]):g} {unit} is outside its range, {limits}"
    if refuse:
        raise DomainError(line)
    warnings.warn(line, OutOfRangeWarning, stacklevel=stacklevel)

"""Arguments that several models share: the profile, numbers, the polarisation; and the range a source states."""

import math
import warnings
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked
from linkcalc.errors import DomainError, OutOfRangeWarning

Polarisation = Literal["vertical", "horizontal"]

Numbers = TypeVar("Numbers", float, ArrayLike, covariant=True)
"""What the fields of a gathered argument hold: numbers, or arrays among them. The result is of the same kind."""


def checked_profile(
    distance_m: ArrayLike, ground_m: ArrayLike, clutter_m: ArrayLike | None = None
) -> tuple[Floats, Floats, Floats]:
    """Return a profile as distance (km, from 0), ground and top (m), or say why it cannot be used.

    The top is ground plus clutter, except at both ends, where the antennas stand: there it is the ground.
    """
    distance = _points("distance_m", distance_m)
    ground = _points("ground_m", ground_m)
    if distance.ndim != 1 or distance.size < 3:
        raise DomainError(f"a profile needs at least 3 points, got {distance.size}")
    if ground.shape != distance.shape:
        raise DomainError(f"ground_m has {ground.size} points, distance_m has {distance.size}")
    increasing = distance[1:] > distance[:-1]
    if not increasing.all():
        at = int(np.argmin(increasing)) + 1
        raise DomainError(f"distance_m must increase from point to point, does not at point {at}")
    top = ground
    if clutter_m is not None:
        clutter = _points("clutter_m", clutter_m)
        if clutter.shape != distance.shape:
            raise DomainError(f"clutter_m has {clutter.size} points, distance_m has {distance.size}")
        if clutter.min() < 0.0:
            raise DomainError(f"clutter_m must be at least 0, got {clutter.min():g}")
        top = ground + clutter
        top[0], top[-1] = ground[0], ground[-1]
    return (distance - distance[0]) * 1e-3, ground, top


def _points(name: str, value: ArrayLike) -> Floats:
    """`checked`, but quick for an array that is in order."""
    # the caller's own array, not a copy: a profile is only read, and what is changed is a new array
    if isinstance(value, np.ndarray) and value.dtype == np.float64 and np.isfinite(value).all():
        return value
    return checked(name, value)


_PLAIN = (float, int)


def number(
    name: str,
    value: ArrayLike,
    *,
    above: float = -math.inf,
    at_least: float = -math.inf,
    at_most: float = math.inf,
) -> Any:
    """`checked`, but quick for a plain number, which stays one."""
    if isinstance(value, _PLAIN) and math.isfinite(value) and above < value and at_least <= value <= at_most:
        return float(value)
    return checked(name, value, above=above, at_least=at_least, at_most=at_most)[()]


def is_vertical(polarisation: str) -> bool:
    """Read the polarisation argument."""
    if polarisation not in ("vertical", "horizontal"):
        raise DomainError(f'polarisation must be "vertical" or "horizontal", got {polarisation!r}')
    return polarisation == "vertical"


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

"""Diffraction over terrain and obstacles (Rec. ITU-R P.526)."""

import math
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation import _kernels as k

EARTH_RADIUS_KM = 6371.0

Polarisation = Literal["vertical", "horizontal"]


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


def delta_bullington_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    *,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    clutter_m: ArrayLike | None = None,
    k_factor: float = 4.0 / 3.0,
    polarisation: Polarisation = "vertical",
    sea_share: float = 0.0,
) -> Any:
    """Diffraction loss of a general terrain profile, above free space."""
    d, h, top = checked_profile(distance_m, ground_m, clutter_m)
    hts = h[0] + float(number("tx_height_m", tx_height_m, above=0.0))
    hrs = h[-1] + float(number("rx_height_m", rx_height_m, above=0.0))
    f = number("frequency_hz", frequency_hz, above=0.0) / 1e9
    a = EARTH_RADIUS_KM * float(number("k_factor", k_factor, above=0.0))
    vertical = is_vertical(polarisation)
    omega = float(number("sea_share", sea_share, at_least=0.0, at_most=1.0))
    return scalar_if_0d(k.delta_bullington(d, h, top, hts, hrs, a, omega, f, vertical))

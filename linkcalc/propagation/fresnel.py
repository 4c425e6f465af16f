"""Fresnel zones, earth bulge and clearance of a straight ray (Rec. ITU-R P.526 and P.530).

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.units import EARTH_RADIUS_M, SPEED_OF_LIGHT_M_S


def fresnel_radius_m(d1_m: ArrayLike, d2_m: ArrayLike, frequency_hz: ArrayLike, zone: ArrayLike = 1) -> Any:
    """Radius of a Fresnel zone at a point of the path; 0 at its ends.

    `d1_m` and `d2_m`, 0 or more and not both 0, are the distances from the point to the two ends; the frequency is
    above 0, and `zone` its number, 1 for the first; any positive number is accepted. Rec. ITU-R P.526-15, section
    2.1: R_n = sqrt(n lambda d1 d2 / (d1 + d2)).

    >>> round(fresnel_radius_m(500.0, 500.0, 869e6), 2)
    9.29
    """
    d1 = checked("d1_m", d1_m, at_least=0.0)
    d2 = checked("d2_m", d2_m, at_least=0.0)
    frequency = checked("frequency_hz", frequency_hz, above=0.0)
    number = checked("zone", zone, above=0.0)
    length = d1 + d2
    if (length <= 0.0).any():
        raise DomainError("d1_m + d2_m must be above 0")
    return scalar_if_0d(np.sqrt(number * (SPEED_OF_LIGHT_M_S / frequency) * d1 * d2 / length))


def earth_bulge_m(d1_m: ArrayLike, d2_m: ArrayLike, k_factor: ArrayLike = 4.0 / 3.0) -> Any:
    """Height of the curved earth above the chord between the two ends of a path.

    `d1_m` and `d2_m`, 0 or more, are the distances from the point to the two ends; `k_factor` is the effective earth
    radius factor, above 0; 4/3 is the usual median. Rec. ITU-R P.526-15, section 3 (parabolic form): d1 d2 / (2 k a),
    a = 6371 km.

    >>> round(earth_bulge_m(5000.0, 5000.0, 4 / 3), 2)
    1.47
    """
    d1 = checked("d1_m", d1_m, at_least=0.0)
    d2 = checked("d2_m", d2_m, at_least=0.0)
    k = checked("k_factor", k_factor, above=0.0)
    return scalar_if_0d(d1 * d2 / (2.0 * k * EARTH_RADIUS_M))


def clearance_ratio(
    distance_m: ArrayLike,
    top_m: ArrayLike,
    tx_height_amsl_m: ArrayLike,
    rx_height_amsl_m: ArrayLike,
    frequency_hz: ArrayLike,
    k_factor: ArrayLike = 4.0 / 3.0,
) -> Floats:
    """Clearance of the straight ray over each profile point, in first Fresnel zone radii.

    1 means that the first zone just clears the point, 0 that the ray touches it, a negative value that
    the point stands in the ray.

    Parameters
    ----------
    distance_m : array_like, m, shape (n,)
        Distance of each point from the transmitter, increasing, at least 2 points; the first and the last
        are the antennas.
    top_m : array_like, m, shape (n,)
        Height above sea level of what stands there: ground plus clutter.
    tx_height_amsl_m, rx_height_amsl_m : array_like, m
        Antenna heights above sea level. These, `frequency_hz` and `k_factor` are scalars, or arrays with a
        last axis of length 1 that broadcast against (n,).
    frequency_hz : array_like, Hz, above 0
    k_factor : array_like, dimensionless
        Effective earth radius factor, above 0.

    Returns
    -------
    ndarray, dimensionless, shape (..., n)
        The two ends are +inf: there the zone has no width, and the antennas stand on them.

    References
    ----------
    Clearance as in Rec. ITU-R P.530: height of the ray minus (top + earth bulge), over the radius of
    Rec. ITU-R P.526-15, section 2.1.

    Examples
    --------
    >>> clearance_ratio([0.0, 500.0, 1000.0], [0.0, 2.0, 0.0], 10.0, 10.0, 869e6).round(3)
    array([ inf, 0.86,  inf])
    """
    distance = checked("distance_m", distance_m)
    top = checked("top_m", top_m)
    if distance.ndim != 1 or distance.size < 2 or top.shape != distance.shape:
        raise DomainError("distance_m and top_m must be profiles of the same length, at least 2 points")
    if (np.diff(distance) <= 0.0).any():
        raise DomainError("distance_m must increase from point to point")
    tx = checked("tx_height_amsl_m", tx_height_amsl_m)
    rx = checked("rx_height_amsl_m", rx_height_amsl_m)
    d1 = distance - distance[0]
    d2 = distance[-1] - distance
    ray = (tx * d2 + rx * d1) / d1[-1]
    clearance = ray - (top + earth_bulge_m(d1, d2, k_factor))
    radius = np.asarray(fresnel_radius_m(d1, d2, frequency_hz))
    clearance, radius = np.broadcast_arrays(clearance, radius)
    # the ends stay infinite: a zone of no width divides by 0, and no antenna is its own obstacle
    ratio = np.full(clearance.shape, np.inf)
    np.divide(clearance, radius, out=ratio, where=radius > 0.0)
    return ratio

"""Loss in the clutter around a terminal (Rec. ITU-R P.2108-1).

Not to be used where the profile already holds the clutter.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside the range of the Recommendation or unknown;
`extrapolate=True` asks for the number outside the range all the same, and warns (`OutOfRangeWarning`).
"""

import math
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation._arguments import stated_range
from linkcalc.propagation._kernels import knife_edge

Clutter = Literal["water", "open", "suburban", "urban", "trees", "dense_urban"]

CLUTTER_HEIGHT_M = {
    "water": 10.0,
    "open": 10.0,
    "suburban": 10.0,
    "urban": 15.0,
    "trees": 15.0,
    "dense_urban": 20.0,
}
"""Default representative clutter heights of section 3.1."""


def height_gain_loss_db(
    frequency_hz: ArrayLike,
    height_m: ArrayLike,
    clutter: Clutter,
    *,
    clutter_height_m: ArrayLike | None = None,
    street_width_m: ArrayLike = 27.0,
    extrapolate: bool = False,
) -> Any:
    """Height-gain terminal correction: loss of a terminal below the tops of its surroundings.

    Parameters
    ----------
    frequency_hz : array_like, Hz, any shape, 30 MHz to 3 GHz
    height_m : array_like, m above ground, any shape, above 0
    clutter : {"water", "open", "suburban", "urban", "trees", "dense_urban"}
    clutter_height_m : array_like, m, any shape, above 0, or None
        Representative clutter height; None: the default of the kind, `CLUTTER_HEIGHT_M`.
    street_width_m : array_like, m, any shape, above 0
        Used for suburban, urban, trees and dense urban.
    extrapolate : bool
        Warn outside the frequency range, instead of refusing.

    Returns
    -------
    float or ndarray, dB, broadcast shape; 0 at and above the clutter height

    References
    ----------
    Rec. ITU-R P.2108-1, section 3.1.

    Examples
    --------
    >>> round(height_gain_loss_db(1.5e9, 2.0, "suburban"), 2)
    20.45
    """
    if clutter not in CLUTTER_HEIGHT_M:
        raise DomainError(f"clutter must be one of {', '.join(CLUTTER_HEIGHT_M)}, got {clutter!r}")
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e9
    h = checked("height_m", height_m, above=0.0)
    r = checked(
        "clutter_height_m",
        CLUTTER_HEIGHT_M[clutter] if clutter_height_m is None else clutter_height_m,
        above=0.0,
    )
    ws = checked("street_width_m", street_width_m, above=0.0)
    stated_range("P.2108 section 3.1", "frequency", f, 0.03, 3.0, "GHz", refuse=not extrapolate)

    below = np.minimum(h, r)
    if clutter in ("water", "open"):
        loss = -(21.8 + 6.2 * np.log10(f)) * np.log10(below / r)
    else:
        hd = r - below
        nu = 0.342 * np.sqrt(f * hd * np.degrees(np.arctan(hd / ws)))
        loss = knife_edge(nu) - 6.03
    return scalar_if_0d(np.where(h + 0.0 * loss < r, loss, 0.0))


def statistical_loss_db(
    frequency_hz: ArrayLike,
    distance_m: ArrayLike,
    location_percent: ArrayLike = 50.0,
    *,
    extrapolate: bool = False,
) -> Any:
    """Clutter loss at one end of a terrestrial path, not exceeded at a share of locations.

    For urban and suburban surroundings. Apply to both ends only on paths of 1 km or more, to one end from
    0.25 km.

    Parameters
    ----------
    frequency_hz : array_like, Hz, any shape, 500 MHz to 67 GHz
    distance_m : array_like, m, any shape
        Length of the whole path, at least 250 m. Beyond 2 km the loss no longer grows.
    location_percent : array_like, percent, any shape
        Share of locations at which the loss is not exceeded, above 0 and below 100.
    extrapolate : bool
        Warn outside the range, instead of refusing (433 MHz is outside).

    References
    ----------
    Rec. ITU-R P.2108-1, section 3.2.

    Examples
    --------
    >>> round(statistical_loss_db(868e6, 1000.0), 1)
    24.3
    """
    f, d = _frequency_and_distance(frequency_hz, distance_m, extrapolate)
    percent = checked("location_percent", location_percent, above=0.0)
    if (percent >= 100.0).any():
        raise DomainError(f"location_percent must be below 100, got {float(percent.max()):g}")
    deviate = ndtri(percent / 100.0)

    def loss(d_km: Floats) -> Floats:
        long, short, sigma = _statistics(f, d_km)
        result: Floats = -5.0 * np.log10(long + short) + sigma * deviate
        return result

    # beyond 2 km the loss no longer grows
    return scalar_if_0d(np.minimum(loss(d), loss(np.array(2.0))))


def statistical_sigma_db(frequency_hz: ArrayLike, distance_m: ArrayLike, *, extrapolate: bool = False) -> Any:
    """Standard deviation over locations of `statistical_loss_db`; arguments and source as there.

    >>> round(statistical_sigma_db(868e6, 1000.0), 1)
    4.1
    """
    f, d = _frequency_and_distance(frequency_hz, distance_m, extrapolate)
    return scalar_if_0d(_statistics(f, np.minimum(d, 2.0))[2])


def _frequency_and_distance(
    frequency_hz: ArrayLike, distance_m: ArrayLike, extrapolate: bool
) -> tuple[Floats, Floats]:
    """In GHz and km."""
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e9
    d = checked("distance_m", distance_m, above=0.0) / 1e3
    for quantity, value, low, high, unit in (
        ("frequency", f, 0.5, 67.0, "GHz"),
        ("distance", d, 0.25, math.inf, "km"),
    ):
        stated_range(
            "P.2108 section 3.2", quantity, value, low, high, unit, refuse=not extrapolate, stacklevel=4
        )
    return f, d


def _statistics(f: Floats, d: Floats) -> tuple[Floats, Floats, Floats]:
    """The terms 10^(-0.2 Ll) and 10^(-0.2 Ls), and sigma."""
    ll = -2.0 * np.log10(10.0 ** (-5.0 * np.log10(f) - 12.5) + 10.0**-16.5)
    ls = 32.98 + 23.9 * np.log10(d) + 3.0 * np.log10(f)
    long, short = 10.0 ** (-0.2 * ll), 10.0 ** (-0.2 * ls)
    sigma = np.sqrt((16.0 * long + 36.0 * short) / (long + short))
    return long, short, sigma

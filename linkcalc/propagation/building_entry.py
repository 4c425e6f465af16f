"""Building entry loss (Rec. ITU-R P.2109-2).

Numbers in give a number, arrays an array of the broadcast shape, in decibels. Both functions raise `DomainError`
where an argument is not finite, outside the range of the Recommendation or unknown; `extrapolate=True` asks for the
number outside the frequency range all the same, and warns (`OutOfRangeWarning`).
"""

from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation._arguments import stated_range

Building = Literal["traditional", "thermally_efficient"]

# r, s, t of the median horizontal loss; u, v and w, x; y, z.
_COEFFICIENTS = {
    "traditional": (12.64, 3.72, 0.96, 9.6, 2.0, 9.1, -3.0, 4.5, -2.0),
    "thermally_efficient": (28.19, -3.00, 8.48, 13.5, 3.8, 27.8, -2.9, 9.4, -2.1),
}


def building_entry_loss_db(
    frequency_hz: ArrayLike,
    probability: ArrayLike = 0.5,
    *,
    building: Building = "traditional",
    elevation_deg: ArrayLike = 0.0,
    extrapolate: bool = False,
) -> Any:
    """Loss between outdoors and indoors not exceeded with a given probability, over buildings of a kind.

    A steel shed, a tank and a pit below ground are outside the model: enter a measured figure for them.

    Parameters
    ----------
    frequency_hz : array_like, Hz, any shape, 80 MHz to 100 GHz
    probability : array_like, 0 to 1, ends excluded, any shape
    building : {"traditional", "thermally_efficient"}
        Thermally efficient: metallised glass, foil-backed panels.
    elevation_deg : array_like, degrees, -90 to 90, any shape
        Elevation of the path at the facade.
    extrapolate : bool
        Warn outside the frequency range, instead of refusing.

    Returns
    -------
    float or ndarray, dB, broadcast shape; can be slightly negative at small probabilities

    References
    ----------
    Rec. ITU-R P.2109-2, section 3.

    Examples
    --------
    >>> round(building_entry_loss_db(868e6), 1)
    14.2
    >>> round(building_entry_loss_db(868e6, building="thermally_efficient"), 1)
    31.2
    """
    f, theta = _checked(frequency_hz, building, elevation_deg, extrapolate)
    p = checked("probability", probability, above=0.0)
    if (p >= 1.0).any():
        raise DomainError(f"probability must be below 1, got {float(p.max()):g}")
    return scalar_if_0d(_loss(f, ndtri(p), building, theta))


def building_entry_sigma_db(
    frequency_hz: ArrayLike,
    *,
    building: Building = "traditional",
    elevation_deg: ArrayLike = 0.0,
    extrapolate: bool = False,
) -> Any:
    """Spread of the building entry loss as a standard deviation: half way between its 16 and 84 % values.

    The distribution is skewed towards large losses, so this is an estimate for adding to other spreads. Arguments as
    `building_entry_loss_db`.

    Distribution of Rec. ITU-R P.2109-2; reduction to one figure: our own.

    >>> round(building_entry_sigma_db(868e6), 1)
    7.6
    """
    f, theta = _checked(frequency_hz, building, elevation_deg, extrapolate)
    return scalar_if_0d(0.5 * (_loss(f, 1.0, building, theta) - _loss(f, -1.0, building, theta)))


def _checked(
    frequency_hz: ArrayLike, building: str, elevation_deg: ArrayLike, extrapolate: bool
) -> tuple[Floats, Floats]:
    """Frequency in GHz and elevation in degrees."""
    if building not in _COEFFICIENTS:
        raise DomainError(f"building must be one of {', '.join(_COEFFICIENTS)}, got {building!r}")
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e9
    theta = checked("elevation_deg", elevation_deg, at_least=-90.0, at_most=90.0)
    stated_range("P.2109", "frequency", f, 0.08, 100.0, "GHz", refuse=not extrapolate, stacklevel=4)
    return f, theta


def _loss(f: Floats, deviate: Floats | float, building: str, theta: Floats) -> Floats:
    r, s, t, u, v, w, x, y, z = _COEFFICIENTS[building]
    log_f = np.log10(f)
    mu1 = r + s * log_f + t * log_f**2 + 0.212 * np.abs(theta)
    a = mu1 + (u + v * log_f) * deviate
    b = w + x * log_f + (y + z * log_f) * deviate
    result: Floats = 10.0 * np.log10(10.0 ** (0.1 * a) + 10.0 ** (0.1 * b) + 10.0**-0.3)
    return result

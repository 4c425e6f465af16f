"""Refractivity of the air and how it bends rays (Rec. ITU-R P.453, P.530).

`delta_n` is the mean lapse of refractivity in the lowest kilometre, N-units/km, positive where it falls with
height (as P.1812 and P.452 count it).

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown. Everywhere
`k_factor` is the effective earth radius factor, above 0, and `climate` one of "temperate", "continental", "maritime",
"desert", "subtropical" and "equatorial".
"""

import math
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.units import EARTH_RADIUS_M

Climate = Literal["temperate", "continental", "maritime", "desert", "subtropical", "equatorial"]

_CRITICAL_LAPSE = 157.0


class ClimateRefractivity(NamedTuple):
    """What a climate lets expect of the air."""

    delta_n: float
    """N-units/km."""
    n0: float
    """Surface refractivity reduced to sea level, N-units."""
    confidence: Literal["moderate", "low"]


class _Climate(NamedTuple):
    n0: float
    delta_n: float
    swing: float
    """Of N0 about its yearly mean, highest in July north of the equator (no source)."""
    low_k: float
    """Exceeded 99.9 % of the year."""
    confidence: Literal["moderate", "low"]


_CLIMATES: dict[str, _Climate] = {
    "temperate": _Climate(325.0, 39.0, 12.0, 1.10, "moderate"),
    "continental": _Climate(318.0, 36.0, 20.0, 1.00, "moderate"),
    "maritime": _Climate(326.0, 42.0, 10.0, 1.15, "moderate"),
    "desert": _Climate(310.0, 32.0, 10.0, 0.95, "low"),
    "subtropical": _Climate(340.0, 45.0, 20.0, 0.85, "low"),
    "equatorial": _Climate(376.0, 58.0, 3.0, 1.00, "moderate"),
}
"""Read from the maps of Recs. ITU-R P.1812 and P.2001 at places of each kind (A; which places stand for a
climate is our choice, k the lowest of theirs to 0.05)."""


def refractivity(pressure_hpa: ArrayLike, temperature_k: ArrayLike, vapour_pressure_hpa: ArrayLike) -> Any:
    """Radio refractivity N of air, N-units: total pressure and temperature above 0, vapour pressure 0 or more.

    Rec. ITU-R P.453, (77.6 / T) (P + 4810 e / T); from memory, unchecked.

    >>> round(refractivity(1013.25, 288.15, 10.0), 1)
    317.8
    """
    p = checked("pressure_hpa", pressure_hpa, above=0.0)
    t = checked("temperature_k", temperature_k, above=0.0)
    e = checked("vapour_pressure_hpa", vapour_pressure_hpa, at_least=0.0)
    return scalar_if_0d(77.6 / t * (p + 4810.0 * e / t))


def vapour_pressure_hpa(
    temperature_k: ArrayLike, relative_humidity_percent: ArrayLike, pressure_hpa: ArrayLike = 1013.25
) -> Any:
    """Water vapour pressure of air of a relative humidity over water: 233 to 323 K (-40 to 50 degrees C), 0 to 100 %.

    Rec. ITU-R P.453, saturation vapour pressure over water; from memory, unchecked.

    >>> round(vapour_pressure_hpa(293.15, 100.0), 1)
    23.5
    """
    t = checked("temperature_k", temperature_k, at_least=233.0, at_most=323.5) - 273.15
    humidity = checked("relative_humidity_percent", relative_humidity_percent, at_least=0.0, at_most=100.0)
    p = checked("pressure_hpa", pressure_hpa, above=0.0)
    enhancement = 1.0 + 1e-4 * (7.2 + p * (0.0320 + 5.9e-6 * t**2))
    saturated = enhancement * 6.1121 * np.exp((18.678 - t / 234.5) * t / (t + 257.14))
    return scalar_if_0d(saturated * humidity / 100.0)


def exponential_refractivity(
    height_m: ArrayLike, n0: ArrayLike = 315.0, scale_height_m: ArrayLike = 7350.0
) -> Any:
    """Refractivity at a height above sea level, N-units, in the exponential reference atmosphere.

    The scale height, above 0, is 7350 m in the reference atmosphere; the irregular terrain model uses 9460 m. Rec.
    ITU-R P.453, N0 exp(-h/h0) with 315 and 7.35 km (B: a requirements table that cites it, and P.617).

    >>> round(exponential_refractivity(1000.0), 1)
    274.9
    """
    h = checked("height_m", height_m)
    surface = checked("n0", n0, above=0.0)
    scale = checked("scale_height_m", scale_height_m, above=0.0)
    return scalar_if_0d(surface * np.exp(-h / scale))


def k_factor(delta_n: ArrayLike) -> Any:
    """Effective earth radius factor for a lapse of refractivity.

    Parameters
    ----------
    delta_n : array_like, N-units/km, below 157, any shape
        At 157 a horizontal ray follows the earth; beyond, it is trapped and no factor describes it. Negative
        in sub-refraction.

    References
    ----------
    Rec. ITU-R P.452 and P.1812, k = 157 / (157 - delta N).

    Examples
    --------
    >>> round(k_factor(39.0), 2)
    1.33
    """
    lapse = checked("delta_n", delta_n)
    if (lapse >= _CRITICAL_LAPSE).any():
        raise DomainError(f"delta_n must be below 157 N-units/km (ducting), got {float(lapse.max()):g}")
    return scalar_if_0d(_CRITICAL_LAPSE / (_CRITICAL_LAPSE - lapse))


def delta_n_from_k(k_factor: ArrayLike) -> Any:
    """Lapse of refractivity that gives an effective earth radius factor: the inverse of `k_factor`.

    >>> delta_n_from_k(4 / 3)
    39.25
    """
    return scalar_if_0d(_CRITICAL_LAPSE * (1.0 - 1.0 / checked("k_factor", k_factor, above=0.0)))


def effective_earth_radius_m(k_factor: ArrayLike) -> Any:
    """Radius of the earth over which rays would be straight; the real one is 6371 km, as in the ITU-R P series.

    >>> effective_earth_radius_m(2.0)
    12742000.0
    """
    return scalar_if_0d(EARTH_RADIUS_M * checked("k_factor", k_factor, above=0.0))


def delta_n_from_surface(surface_refractivity: ArrayLike) -> Any:
    """Lapse of refractivity near the ground expected from the refractivity at the surface, known for 250 to 400
    N-units.

    Curvature of the effective earth in the irregular terrain model (NTIA Report 82-100, after NBS TN 101):
    157e-9 (1 - 0.04665 exp(Ns / 179.3)) per metre. For *surface* refractivity: fed with sea-level values it lies 5 N/km
    above the official map on land, 20 at worst.

    >>> round(delta_n_from_surface(301.0), 1), round(delta_n_from_surface(325.0), 1)
    (39.2, 44.9)
    """
    ns = checked("surface_refractivity", surface_refractivity, above=0.0)
    return scalar_if_0d(_CRITICAL_LAPSE * 0.04665 * np.exp(ns / 179.3))


def climate_refractivity(
    climate: Climate, month: int | None = None, *, latitude_deg: float = 45.0
) -> ClimateRefractivity:
    """Typical refractivity of a climate, for the year or a month, where no map or measurement is at hand.

    Sea-level refractivity and lapse of each climate are those of the official maps at places of its kind, with a yearly
    swing that peaks in July (January south of the equator, by the sign of `latitude_deg`); the lapse swings with it, as
    `delta_n_from_surface` has it. A plan for a real site does better with the local figure.

    World maps N050 and DN50 of Recs. ITU-R P.1812-8, P.452 and P.2001 (A), read at places of each kind (our choice);
    the swing has no source.

    >>> year = climate_refractivity("temperate")
    >>> round(year.delta_n, 1), year.n0, year.confidence
    (39.0, 325.0, 'moderate')
    >>> climate_refractivity("temperate", 7).n0
    337.0
    """
    of = _CLIMATES[_known(climate)]
    latitude = float(checked("latitude_deg", latitude_deg, at_least=-90.0, at_most=90.0))
    n0 = of.n0
    if month is not None:
        if month not in range(1, 13):
            raise DomainError(f"month must be 1 to 12, got {month!r}")
        peak = 7 if latitude >= 0.0 else 1
        n0 += of.swing * math.cos(2.0 * math.pi * (month - peak) / 12.0)
    delta_n = of.delta_n + float(delta_n_from_surface(n0)) - float(delta_n_from_surface(of.n0))
    return ClimateRefractivity(delta_n, n0, of.confidence)


def annual_low_k_factor(climate: Climate = "temperate") -> float:
    """Effective earth radius factor exceeded 99.9 % of the year: what the loss varies by over the year.

    Rec. ITU-R P.2001, equations 3.4.1.1 and 3.4.1.2 with its maps (A), at places of each kind (our choice):
    1.0 to 1.2 in middle latitudes, 0.87 to 0.96 in the hottest continents.

    >>> annual_low_k_factor("temperate"), annual_low_k_factor("desert")
    (1.1, 0.95)
    """
    return _CLIMATES[_known(climate)].low_k


def low_k_factor(distance_m: ArrayLike, climate: Climate = "temperate") -> Any:
    """Effective earth radius factor for a second, cautious look at clearance; not a share of time.

    0.5 on paths of 10 km or less, rising with the logarithm of distance to 1 at 200 km. The same serves for every
    climate, so `climate` is only checked. On paths of a few kilometres the earth's bulge is small with any of these
    factors. How the loss varies over the year follows from `annual_low_k_factor`.

    After the curve of Rec. ITU-R P.530, section 2.2, for the worst month of a continental temperate climate, from
    memory: no public text shows it.

    >>> low_k_factor([5e3, 50e3, 300e3]).round(2).tolist()
    [0.5, 0.77, 1.0]
    """
    _known(climate)
    d = checked("distance_m", distance_m, above=0.0)
    return scalar_if_0d(np.interp(np.log(d), np.log([10e3, 200e3]), [0.5, 1.0]))


def _known(climate: str) -> str:
    if climate not in _CLIMATES:
        raise DomainError(f"climate must be one of {', '.join(_CLIMATES)}, got {climate!r}")
    return climate

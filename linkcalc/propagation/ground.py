"""What the ground is made of, electrically: Rec. ITU-R P.527.

Permittivity is relative, conductivity effective: it contains the dielectric loss of the water in the ground.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown. Everywhere
`frequency_hz` is above 0.
"""

import warnings
from dataclasses import dataclass
from typing import Any, Generic, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation._arguments import Numbers

GroundClass = Literal["sea_water", "fresh_water", "wet_ground", "medium_dry_ground", "very_dry_ground"]

HIGHEST_CLASS_HZ = 1e9
"""The class values are those of the handbook curves below about 1 GHz."""

VACUUM_PERMITTIVITY_F_M = 8.8541878128e-12
"""CODATA 2018."""


@dataclass(frozen=True)
class GroundConstants(Generic[Numbers]):
    """Electrical constants of one kind of ground: relative permittivity 1 or more, conductivity 0 or more, S/m.

    `ground_constants` gives them for a class of ground.
    """

    relative_permittivity: Numbers
    conductivity_s_m: Numbers


AVERAGE_GROUND: GroundConstants[float] = GroundConstants(15.0, 0.005)
"""As the tables of NTIA Report 82-100 call it (from memory)."""


def ground_constants(ground_class: GroundClass, frequency_hz: ArrayLike) -> GroundConstants[Any]:
    """Relative permittivity and conductivity of a class of ground.

    Parameters
    ----------
    ground_class : {"sea_water", "fresh_water", "wet_ground", "medium_dry_ground", "very_dry_ground"}
    frequency_hz : array_like, Hz, above 0
        Valid below about 1 GHz; above it the numbers come with an `OutOfRangeWarning`.

    Notes
    -----
    Permittivity is constant below 1 GHz. Conductivity rises with a power of frequency from its
    low-frequency value to the one at 1 GHz; fresh water takes its loss from `water_permittivity` at 20 C.
    Real ground differs from its class by tens of percent; near grazing that hardly matters.

    References
    ----------
    Permittivity and low-frequency conductivity: Rec. ITU-R P.527-6, attachment, figure 24 (B: two readers).
    Values at 1 GHz and exponents: Rec. ITU-R P.2040, table of materials (B: two copies), stated
    from 1 to 10 GHz: very dry 0.00015 f^2.52, medium dry 0.035 f^1.63, wet 0.15 f^1.30 S/m, f in GHz.

    Examples
    --------
    >>> ground = ground_constants("medium_dry_ground", 868e6)
    >>> ground.relative_permittivity, round(ground.conductivity_s_m, 3)
    (15.0, 0.028)
    """
    frequency = checked("frequency_hz", frequency_hz, above=0.0)
    if ground_class not in _CLASSES:
        raise DomainError(f"ground class must be one of {', '.join(_CLASSES)}, got {ground_class!r}")
    if (frequency > HIGHEST_CLASS_HZ).any():
        warnings.warn("ground classes are given below 1 GHz", OutOfRangeWarning, stacklevel=2)
    relative, still, rise_at_1_ghz, exponent = _CLASSES[ground_class]
    if ground_class == "fresh_water":
        rise = conductivity_s_m(water_permittivity(frequency, 20.0), frequency)
    else:
        # of the soils, set so that with the low-frequency value it meets the table of P.2040 at 1 GHz
        rise = rise_at_1_ghz * (frequency / 1e9) ** exponent
    return GroundConstants(
        scalar_if_0d(np.full(frequency.shape, relative)), scalar_if_0d(np.asarray(still + rise))
    )


def complex_permittivity(ground: GroundConstants[ArrayLike], frequency_hz: ArrayLike) -> Any:
    """Complex relative permittivity, time factor exp(+j w t): e' - j sigma / (w e0).

    Returns
    -------
    complex ndarray or complex, the constants and the frequency broadcast

    References
    ----------
    Rec. ITU-R P.527, definition; the handbook form is e' - j 18 sigma / f with f in GHz.

    Examples
    --------
    >>> f"{complex_permittivity(GroundConstants(15.0, 0.005), 1e9):.3f}"
    '15.000-0.090j'
    """
    relative = checked("relative_permittivity", ground.relative_permittivity, at_least=1.0)
    sigma = checked("conductivity_s_m", ground.conductivity_s_m, at_least=0.0)
    frequency = checked("frequency_hz", frequency_hz, above=0.0)
    return scalar_if_0d(relative - 1j * sigma / (2.0 * np.pi * VACUUM_PERMITTIVITY_F_M * frequency))


def conductivity_s_m(permittivity: Any, frequency_hz: ArrayLike) -> Any:
    """Effective conductivity of a complex relative permittivity, S/m: w e0 e''.

    >>> round(conductivity_s_m(80.0 - 3.8j, 868e6), 3)
    0.183
    """
    frequency = checked("frequency_hz", frequency_hz, above=0.0)
    loss = -np.imag(np.asarray(permittivity))
    return scalar_if_0d(2.0 * np.pi * VACUUM_PERMITTIVITY_F_M * frequency * loss)


def water_permittivity(frequency_hz: ArrayLike, temperature_c: ArrayLike = 20.0) -> Any:
    """Complex relative permittivity of pure water (double-Debye model).

    Parameters
    ----------
    frequency_hz : array_like, Hz, above 0, up to 1000 GHz
    temperature_c : array_like, degrees Celsius, -4 to 40

    Returns
    -------
    complex ndarray or complex, the arguments broadcast

    References
    ----------
    Rec. ITU-R P.527-6, equations 5 to 13, pure water (B: two public codes with the same numbers and limits).

    Examples
    --------
    >>> f"{water_permittivity(868e6, 20.0):.2f}"
    '79.88-3.82j'
    """
    f = checked("frequency_hz", frequency_hz, above=0.0, at_most=1e12) / 1e9
    th = 300.0 / (checked("temperature_c", temperature_c, at_least=-4.0, at_most=40.0) + 273.15) - 1.0
    f1 = 20.2 - 146.4 * th + 316.0 * th**2
    f2 = 39.8 * f1
    einf = 3.52 - 7.52 * th
    es = 77.66 + 103.3 * th
    e1 = 0.0671 * es
    real = (es - e1) / (1.0 + (f / f1) ** 2) + (e1 - einf) / (1.0 + (f / f2) ** 2) + einf
    loss = f / f1 * (es - e1) / (1.0 + (f / f1) ** 2) + f / f2 * (e1 - einf) / (1.0 + (f / f2) ** 2)
    return scalar_if_0d(real - 1j * loss)


def soil_permittivity(
    frequency_hz: ArrayLike,
    water_fraction: ArrayLike,
    *,
    sand_percent: float,
    clay_percent: float,
    silt_percent: float,
    temperature_c: ArrayLike = 20.0,
) -> Any:
    """Complex relative permittivity of moist soil.

    Parameters
    ----------
    frequency_hz : array_like, Hz, above 0, up to 1000 GHz
    water_fraction : array_like, above 0, up to 0.6
        Volume of water over volume of soil: 0.05 dry, 0.2 medium, 0.4 wet.
    sand_percent, clay_percent, silt_percent : float, percent, above 0
        By dry weight, together 100; a sandy loam is about 65, 10, 25.
    temperature_c : array_like, degrees Celsius, -4 to 40

    Returns
    -------
    complex ndarray or complex, the arguments broadcast

    Raises
    ------
    DomainError
        If an argument is outside its range, or where the model has no answer (dry soil rich in clay below 1
        GHz: the permittivity of its free water is not positive). Use `ground_constants` there.

    References
    ----------
    Rec. ITU-R P.527-4 (06/2017), soil; the coded form agrees with one public implementation, not compared
    with the text.

    Examples
    --------
    >>> soil = soil_permittivity(868e6, 0.2, sand_percent=65, clay_percent=10, silt_percent=25)
    >>> round(soil.real, 2), round(conductivity_s_m(soil, 868e6), 3)
    (14.55, 0.036)
    """
    m = checked("water_fraction", water_fraction, above=0.0, at_most=0.6)
    S = float(checked("sand_percent", sand_percent, above=0.0, at_most=100.0))
    C = float(checked("clay_percent", clay_percent, above=0.0, at_most=100.0))
    Z = float(checked("silt_percent", silt_percent, above=0.0, at_most=100.0))
    if abs(S + C + Z - 100.0) > 0.1:
        raise DomainError(f"sand, clay and silt must add up to 100 percent, got {S + C + Z:g}")
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e9
    water = np.asarray(water_permittivity(frequency_hz, temperature_c))
    rs = 2.65
    rb = 1.07256 + 0.078886 * np.log(S) + 0.038753 * np.log(C) + 0.032732 * np.log(Z)
    s1 = 0.0467 + 0.2204 * rb - 0.004111 * S - 0.006614 * C
    s2 = -1.645 + 1.939 * rb - 0.0225622 * S + 0.01594 * C
    u = (s1 - s2) / (1.0 + (f / 1.35) ** 2)
    k = (rs - rb) / (rs * m) * 18.0 / f
    free_real = water.real + u * (f / 1.35) * k
    free_loss = -water.imag + (u + s2) * k
    # a fractional power of a negative number is NaN: refused by name, not passed on
    undefined: Floats = (free_real <= 0.0) | (free_loss <= 0.0)
    if undefined.any():
        raise DomainError(
            "the soil model has no answer for this dry, clay-rich soil at this frequency; use a ground class"
        )
    a = 0.65
    bp = 1.2748 - 0.00519 * S - 0.00152 * C
    bs = 1.33797 - 0.00603 * S - 0.00166 * C
    es = (1.01 + 0.44 * rs) ** 2 - 0.062
    real = (1.0 + rb / rs * (es**a - 1.0) + m**bp * free_real**a - m) ** (1.0 / a)
    loss = (m**bs * free_loss**a) ** (1.0 / a)
    return scalar_if_0d(real - 1j * loss)


_CLASSES: dict[str, tuple[float, float, float, float]] = {
    "sea_water": (70.0, 5.0, 0.0, 1.0),
    "fresh_water": (80.0, 0.003, 0.0, 1.0),
    "wet_ground": (30.0, 0.01, 0.14, 1.30),
    "medium_dry_ground": (15.0, 0.001, 0.034, 1.63),
    "very_dry_ground": (3.0, 0.0001, 0.00005, 2.52),
}
"""Relative permittivity, conductivity at low frequency, its rise at 1 GHz, and the exponent of that."""

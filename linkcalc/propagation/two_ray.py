"""Direct ray plus the ray reflected by the ground: image theory over a plane or a curved earth.

`two_ray_loss_db` sums the two rays; `find_reflection` finds on a real profile where, and whether, the
ground mirrors the ray, and what plane to measure the antenna heights from.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown. Everywhere
`frequency_hz` is above 0, and `ground` holds the electrical constants of what reflects, stated or from
`linkcalc.propagation.ground.ground_constants`.
"""

import math
import warnings
from dataclasses import dataclass
from typing import Any, Generic, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ive, wofz

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation._arguments import Numbers
from linkcalc.propagation._specular import Reflection as Reflection
from linkcalc.propagation._specular import (
    checked_path,
    curvature_of,
    curved_earth,
    fitted_trial,
    judge,
    specular_points,
    wavelength_m,
)
from linkcalc.propagation.ground import GroundConstants, complex_permittivity
from linkcalc.units import EARTH_RADIUS_M

Polarisation = Literal["vertical", "horizontal", "circular"]
RoughnessModel = Literal["ament", "miller_brown"]


@dataclass(frozen=True)
class Roughness(Generic[Numbers]):
    """Roughness of the ground where the ray reflects.

    Parameters
    ----------
    roughness_m : array_like, m, 0 or more
        Standard deviation of the surface height.
    model : {"ament", "miller_brown"}
        See `roughness_factor`.
    """

    roughness_m: Numbers
    model: RoughnessModel = "ament"


SMOOTH: Roughness[float] = Roughness(0.0)


class CurvedGeometry(NamedTuple):
    """Where a smooth curved earth reflects, and the plane that touches it there."""

    tx_distance_m: Any
    """From the transmitter to the specular point."""
    tx_height_m: Any
    rx_height_m: Any
    """Antenna heights above the tangent plane at the specular point."""
    grazing_angle_rad: Any
    divergence: Any
    """Factor on the reflected field, 0 to 1: a convex mirror spreads the ray."""


def reflection_coefficient(
    grazing_angle_rad: ArrayLike,
    frequency_hz: ArrayLike,
    ground: GroundConstants[ArrayLike],
    *,
    polarisation: Polarisation = "vertical",
) -> Any:
    """Fresnel reflection coefficient of smooth ground.

    Parameters
    ----------
    grazing_angle_rad : array_like, rad, 0 to pi/2
        Angle between ray and ground.
    polarisation : {"vertical", "horizontal", "circular"}
        "circular": the part that keeps its sense, half the sum of the other two.

    Returns
    -------
    complex ndarray or complex, the arguments broadcast
        Tends to -1 at grazing, time factor exp(+j w t).

    References
    ----------
    Fresnel's formulae; R_H = (sin psi - q)/(sin psi + q), R_V = (e sin psi - q)/(e sin psi + q),
    q = sqrt(e - cos^2 psi). The circular form is from memory.

    Examples
    --------
    >>> R = reflection_coefficient(0.012, 868e6, GroundConstants(15.0, 0.005))
    >>> f"{R:.4f}"
    '-0.9082-0.0003j'
    """
    psi = checked("grazing_angle_rad", grazing_angle_rad, at_least=0.0, at_most=np.pi / 2.0)
    e = np.asarray(complex_permittivity(ground, frequency_hz))
    return scalar_if_0d(_fresnel(psi, e, polarisation))


def roughness_factor(
    roughness_m: ArrayLike,
    grazing_angle_rad: ArrayLike,
    frequency_hz: ArrayLike,
    model: RoughnessModel = "ament",
) -> Any:
    """What a rough surface leaves of the mirrored field.

    Parameters
    ----------
    roughness_m : array_like, m, 0 or more
        Standard deviation of the surface height where the ray reflects.
    grazing_angle_rad : array_like, rad, 0 to pi/2
    model : {"ament", "miller_brown"}
        The latter leaves more of it on very rough surfaces, as measured over sea (from memory, unchecked).

    References
    ----------
    Ament 1953: exp(-g^2/2) with g = 4 pi s sin(psi)/lambda; Miller, Brown and Vegh 1984: exp(-g^2/2)
    I0(g^2/2).

    Examples
    --------
    >>> round(roughness_factor(0.5, 0.02, 868e6), 3)
    0.936
    """
    s = checked("roughness_m", roughness_m, at_least=0.0)
    psi = checked("grazing_angle_rad", grazing_angle_rad, at_least=0.0, at_most=np.pi / 2.0)
    return scalar_if_0d(_roughness(s, np.sin(psi), wavelength_m(frequency_hz), model))


def rayleigh_height_m(grazing_angle_rad: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Roughness below which a surface counts as smooth: lambda / (8 sin psi) (Rayleigh's criterion).

    >>> round(rayleigh_height_m(0.012, 868e6), 2)
    3.6
    """
    psi = checked("grazing_angle_rad", grazing_angle_rad, above=0.0, at_most=np.pi / 2.0)
    return scalar_if_0d(wavelength_m(frequency_hz) / (8.0 * np.sin(psi)))


def last_maximum_m(tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Distance of the last maximum over a plane, 4 h1 h2/lambda: the first of the two "break points".

    There the paths differ by half a wavelength. Heights above 0.

    >>> round(last_maximum_m(2.0, 10.0, 868e6), 1)
    231.6
    """
    h1, h2 = _heights(tx_height_m, rx_height_m)
    return scalar_if_0d(4.0 * h1 * h2 / wavelength_m(frequency_hz))


def plane_earth_crossover_m(tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Distance where plane-earth and free-space loss are equal, 4 pi h1 h2/lambda: the other "break point".

    From here on the loss grows with 40 dB per decade. Heights above 0.

    >>> round(plane_earth_crossover_m(2.0, 10.0, 868e6), 1)
    727.7
    """
    return scalar_if_0d(np.pi * np.asarray(last_maximum_m(tx_height_m, rx_height_m, frequency_hz)))


def plane_earth_loss_db(distance_m: ArrayLike, tx_height_m: ArrayLike, rx_height_m: ArrayLike) -> Any:
    """Far form of the two-ray sum over a plane: 40 log d - 20 log(h1 h2), whatever the frequency.

    Holds well beyond `plane_earth_crossover_m`. Distance and heights above 0.

    >>> round(plane_earth_loss_db(1000.0, 2.0, 6.0), 2)
    98.42
    """
    h1, h2 = _heights(tx_height_m, rx_height_m)
    d = checked("distance_m", distance_m, above=0.0)
    return scalar_if_0d(40.0 * np.log10(d) - 20.0 * np.log10(h1 * h2))


def minimum_effective_height_m(
    height_m: ArrayLike,
    frequency_hz: ArrayLike,
    ground: GroundConstants[ArrayLike],
    *,
    polarisation: Polarisation = "vertical",
) -> Any:
    """Height to use in `plane_earth_loss_db` for an antenna close to the ground, 0 m or more above it.

    (h^2 + h0^2)^0.5, h0 = lambda/(2 pi |z|), z = q/e (vertical) or q (horizontal polarisation). Not for
    `two_ray_loss_db`, whose reflection coefficient already holds part of this: pass `surface_wave=True` there.

    Bullington 1947, from memory, unchecked; agrees with the surface wave of `two_ray_loss_db`.

    >>> round(minimum_effective_height_m(0.1, 868e6, GroundConstants(15.0, 0.03)), 2)
    0.24
    """
    h = checked("height_m", height_m, at_least=0.0)
    if polarisation == "circular":
        raise DomainError("the minimum effective height is for vertical or horizontal polarisation")
    e = np.asarray(complex_permittivity(ground, frequency_hz))
    lowest = wavelength_m(frequency_hz) / (
        2.0 * np.pi * np.abs(_surface_impedance(np.zeros(1), e, polarisation))
    )
    return scalar_if_0d(np.hypot(h, lowest.reshape(e.shape)))


def grazing_limit_rad(frequency_hz: ArrayLike, k_factor: ArrayLike = 4.0 / 3.0) -> Any:
    """Grazing angle below which two rays do not describe a curved earth: (lambda / (2 pi k a))^(1/3).

    Nearer the horizon use the diffraction loss of a spherical earth instead (never on top of the two-ray
    loss).

    >>> round(np.degrees(grazing_limit_rad(868e6)).item(), 2)
    0.11
    """
    k = checked("k_factor", k_factor, above=0.0)
    return scalar_if_0d(np.cbrt(wavelength_m(frequency_hz) / (2.0 * np.pi * k * EARTH_RADIUS_M)))


def curved_geometry(
    distance_m: ArrayLike, tx_height_m: ArrayLike, rx_height_m: ArrayLike, k_factor: ArrayLike = 4.0 / 3.0
) -> CurvedGeometry:
    """Specular point, tangent plane and divergence on a smooth curved earth, within the horizon.

    Parameters
    ----------
    distance_m, tx_height_m, rx_height_m : array_like, m, above 0
        Heights above the curved surface.
    k_factor : array_like, above 0
        Effective earth radius over the real one, 6371 km; infinity is a plane.

    References
    ----------
    Rec. ITU-R P.1812 and P.526, spherical-earth diffraction within the horizon: the point where the angles
    are equal. Divergence [1 + 2 d1 d2/(a d tan psi)]^(-1/2) from memory.

    Examples
    --------
    >>> g = curved_geometry(10e3, 30.0, 10.0)
    >>> round(g.tx_distance_m), round(g.tx_height_m, 2), round(g.rx_height_m, 2), round(g.divergence, 2)
    (7365, 26.81, 9.59, 0.94)
    """
    d = checked("distance_m", distance_m, above=0.0)
    h1, h2 = _heights(tx_height_m, rx_height_m)
    curvature = curvature_of(k_factor)
    geometry = CurvedGeometry(*np.broadcast_arrays(*curved_earth(d, h1, h2, curvature)))
    if ((geometry.tx_height_m <= 0.0) | (geometry.rx_height_m <= 0.0)).any():
        raise DomainError("the antennas do not see each other over the horizon of this curved earth")
    return CurvedGeometry(*(scalar_if_0d(part) for part in geometry))


def two_ray_loss_db(
    distance_m: ArrayLike,
    tx_height_m: ArrayLike,
    rx_height_m: ArrayLike,
    frequency_hz: ArrayLike,
    ground: GroundConstants[ArrayLike],
    *,
    polarisation: Polarisation = "vertical",
    k_factor: ArrayLike = math.inf,
    roughness: Roughness[ArrayLike] = SMOOTH,
    gain_ratio_db: ArrayLike = 0.0,
    surface_wave: bool = False,
) -> Any:
    """Basic transmission loss of the direct and the ground-reflected ray together.

    Parameters
    ----------
    distance_m, tx_height_m, rx_height_m : array_like, m, above 0
        Heights above the reflecting surface.
    ground : GroundConstants
    polarisation : {"vertical", "horizontal", "circular"}
    k_factor : array_like, above 0
        Effective earth radius factor; infinity is a plane.
    roughness : Roughness
        Of the surface where the ray reflects; smooth by default.
    gain_ratio_db : array_like, dB
        Gain of both antennas together towards the reflected ray, less that towards the direct ray.
    surface_wave : bool
        Add Norton's surface wave, which matters for antennas lower than about a wavelength.

    Notes
    -----
    Not defined beyond the horizon; over a curved earth a grazing angle below `grazing_limit_rad` warns
    (`OutOfRangeWarning`). 20 log(4 pi r1/lambda) - 20 log|1 + g R rho D (r1/r2) exp(-j 2 pi (r2-r1)/lambda)|. Over a
    curved earth the plane is the one that touches it at the specular point.

    References
    ----------
    Image theory with Fresnel's coefficients, any propagation textbook; surface wave: Norton 1941.

    Examples
    --------
    >>> two_ray_loss_db([100, 1000, 10000], 2.0, 10.0, 868e6, GroundConstants(15.0, 0.005)).round(2).tolist()
    [72.7, 94.52, 133.95]
    """
    d = checked("distance_m", distance_m, above=0.0)
    h1, h2 = _heights(tx_height_m, rx_height_m)
    wavelength = wavelength_m(frequency_hz)
    e = np.asarray(complex_permittivity(ground, frequency_hz))
    rough = checked("roughness_m", roughness.roughness_m, at_least=0.0)
    g = 10.0 ** (checked("gain_ratio_db", gain_ratio_db, at_most=300.0) / 20.0)
    _, h1, h2, psi, divergence = curved_geometry(d, h1, h2, k_factor)
    curved = np.isfinite(np.asarray(k_factor, dtype=float))
    # a plane has no horizon that the rays could come too near to
    if (curved & (psi < np.cbrt(curvature_of(k_factor) * wavelength / np.pi))).any():
        warnings.warn(
            "two rays do not describe a curved earth so close to grazing; use spherical-earth diffraction",
            OutOfRangeWarning,
            stacklevel=2,
        )

    r1 = np.hypot(d, h1 - h2)
    r2 = np.hypot(d, h1 + h2)
    turn = np.exp(-2j * np.pi / wavelength * (4.0 * h1 * h2 / (r1 + r2)))  # r2 - r1 without cancellation
    R = _fresnel(psi, e, polarisation)
    reflected = R * _roughness(rough, np.sin(psi), wavelength, roughness.model) * divergence
    if surface_wave:
        reflected = reflected + _surface_wave(psi, e, r2, wavelength, R, polarisation)
    field = 1.0 + g * reflected * (r1 / r2) * turn
    return scalar_if_0d(20.0 * np.log10(4.0 * np.pi * r1 / wavelength) - 20.0 * np.log10(np.abs(field)))


def find_reflection(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    clutter_m: ArrayLike,
    tx_height_amsl_m: float,
    rx_height_amsl_m: float,
    *,
    k_factor: float,
    frequency_hz: float,
) -> tuple[Reflection | None, str]:
    """Find where the ground of a profile mirrors the ray between two antennas.

    Parameters
    ----------
    distance_m : array_like, m, shape (n,)
        From the transmitter, increasing from 0 to the receiver; 2 points or more.
    ground_m : array_like, m above sea level, shape (n,)
    clutter_m : array_like, m above ground, shape (n,)
        Height of trees, buildings and tanks.
    tx_height_amsl_m, rx_height_amsl_m : float, m above sea level
        Antenna heights, above the ground at their end.
    k_factor : float, above 0
        Effective earth radius factor; infinity is a plane.
    frequency_hz : float, Hz, above 0

    Returns
    -------
    tuple of Reflection or None, and str
        The strongest reflection by roughness, divergence and clutter, or None; and one sentence that says where it is,
        or why there is none. How it is looked for stands in docs/models/two_ray.md.

    Examples
    --------
    >>> x = np.linspace(0.0, 2000.0, 201)
    >>> flat, bare, pole = 100.0 + 0 * x, 0 * x, 20.0 * (x == 500)
    >>> found, why = find_reflection(x, flat, bare, 110.0, 130.0, k_factor=math.inf, frequency_hz=868e6)
    >>> round(found.distance_m, 2), round(found.tx_height_m, 2), found.smooth
    (500.0, 10.0, True)
    >>> find_reflection(x, flat, pole, 110.0, 130.0, k_factor=1.33, frequency_hz=868e6)
    (None, 'the direct ray is blocked at 500 m')
    """
    path = checked_path(
        distance_m, ground_m, clutter_m, tx_height_amsl_m, rx_height_amsl_m, k_factor, frequency_hz
    )
    # without a direct ray there are no two rays to sum: that path is diffraction's
    direct = path.tx + (path.rx - path.tx) * path.x / path.length
    over = path.surface + path.clutter - direct
    if over.max() > 0.0:
        return None, f"the direct ray is blocked at {path.x[over.argmax()]:.0f} m"
    why = "no specular reflection from the ground between the antennas"
    best, strength = None, -1.0
    for x in specular_points(path):
        trial = fitted_trial(path, np.array([x]))
        found, blocked_at = judge(path, trial)
        if blocked_at is not None:
            if best is None:
                why = f"the ray reflected at {x:.0f} m is blocked at {blocked_at:.0f} m"
            continue
        worth = (
            float(_roughness(found.roughness_m, math.sin(found.grazing_angle_rad), path.wavelength, "ament"))
            * float(trial.divergence[0])
            * (1.0 - found.clutter_share)
        )
        if worth > strength:
            best, strength = found, worth
            why = (
                f"specular reflection from the ground at {found.distance_m:.0f} m, "
                f"grazing angle {math.degrees(found.grazing_angle_rad):.2f} degrees"
            )
    return best, why


def _heights(tx_height_m: ArrayLike, rx_height_m: ArrayLike) -> tuple[Floats, Floats]:
    return checked("tx_height_m", tx_height_m, above=0.0), checked("rx_height_m", rx_height_m, above=0.0)


def _fresnel(psi: Floats, e: Any, polarisation: str) -> Any:
    if polarisation == "circular":
        return (_fresnel(psi, e, "horizontal") + _fresnel(psi, e, "vertical")) / 2.0
    if polarisation not in ("vertical", "horizontal"):
        raise DomainError(f"polarisation must be vertical, horizontal or circular, got {polarisation!r}")
    sine = np.sin(psi)
    q = np.sqrt(e - np.cos(psi) ** 2)
    up = e * sine if polarisation == "vertical" else sine
    with np.errstate(invalid="ignore"):
        # -1 at grazing over any ground; a ground with the permittivity of air would give 0/0 there
        return np.where(psi == 0.0, -1.0, (up - q) / (up + q))


def _roughness(s: Floats | float, sine: Floats | float, wavelength: Floats | float, model: str) -> Any:
    half = (4.0 * np.pi * s * sine / wavelength) ** 2 / 2.0
    if model == "ament":
        return np.exp(-half)
    if model == "miller_brown":
        # the scaled Bessel function: exp(-x) and I0(x) one by one under- and overflow on very rough ground
        return ive(0, half)
    raise DomainError(f"roughness model must be ament or miller_brown, got {model!r}")


def _surface_impedance(psi: Floats, e: Any, polarisation: str) -> Any:
    q = np.sqrt(e - np.cos(psi) ** 2)
    return q / e if polarisation == "vertical" else q


def _surface_wave(psi: Floats, e: Any, r2: Floats, wavelength: Floats, R: Any, polarisation: str) -> Any:
    """Norton's term (1 - R) F(w), to be added to R."""
    if polarisation == "circular":
        parts = (
            _surface_wave(psi, e, r2, wavelength, _fresnel(psi, e, linear), linear)
            for linear in ("vertical", "horizontal")
        )
        return sum(parts) / 2.0
    z = _surface_impedance(psi, e, polarisation)
    root = np.sqrt(-1j * np.pi * r2 / wavelength) * (np.sin(psi) + z) / np.cos(psi)
    # wofz(-w) is exp(-w^2) erfc(j w) in one: far out its factors alone leave the range of floats
    return (1.0 - R) * (1.0 - 1j * np.sqrt(np.pi) * root * wofz(-root))

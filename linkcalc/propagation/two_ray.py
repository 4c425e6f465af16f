"""Direct ray plus the ray reflected by the ground: image theory over a plane or a curved earth.

`two_ray_loss_db` sums the two rays; `find_reflection` finds on a real profile where, and whether, the
ground mirrors the ray, and what plane to measure the antenna heights from.
"""

import math
import warnings
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ive, wofz

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation.ground import complex_permittivity
from linkcalc.units import EARTH_RADIUS_M, SPEED_OF_LIGHT_M_S

Polarisation = Literal["vertical", "horizontal", "circular"]
RoughnessModel = Literal["ament", "miller_brown"]


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
    *,
    relative_permittivity: ArrayLike,
    conductivity_s_m: ArrayLike,
    polarisation: Polarisation = "vertical",
) -> Any:
    """Fresnel reflection coefficient of smooth ground.

    Parameters
    ----------
    grazing_angle_rad : array_like, rad, 0 to pi/2
        Angle between ray and ground.
    frequency_hz : array_like, Hz, above 0
    relative_permittivity : array_like, 1 or more
    conductivity_s_m : array_like, S/m, 0 or more
    polarisation : {"vertical", "horizontal", "circular"}
        "circular": the part that keeps its sense, half the sum of the other two.

    Returns
    -------
    complex ndarray or complex, the arguments broadcast
        Tends to -1 at grazing, time factor exp(+j w t).

    Raises
    ------
    DomainError
        If an argument is outside its range or the polarisation unknown.

    References
    ----------
    Fresnel's formulae; R_H = (sin psi - q)/(sin psi + q), R_V = (e sin psi - q)/(e sin psi + q),
    q = sqrt(e - cos^2 psi). The circular form is from memory.

    Examples
    --------
    >>> R = reflection_coefficient(0.012, 868e6, relative_permittivity=15, conductivity_s_m=0.005)
    >>> f"{R:.4f}"
    '-0.9082-0.0003j'
    """
    psi = checked("grazing_angle_rad", grazing_angle_rad, at_least=0.0, at_most=np.pi / 2.0)
    e = np.asarray(complex_permittivity(relative_permittivity, conductivity_s_m, frequency_hz))
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
    frequency_hz : array_like, Hz, above 0
    model : {"ament", "miller_brown"}
        The latter leaves more of it on very rough surfaces, as measured over sea (from memory, unchecked).

    Returns
    -------
    ndarray or float, 0 to 1, the arguments broadcast

    Raises
    ------
    DomainError
        If an argument is outside its range or the model unknown.

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
    return scalar_if_0d(_roughness(s, np.sin(psi), _wavelength(frequency_hz), model))


def rayleigh_height_m(grazing_angle_rad: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Roughness below which a surface counts as smooth: lambda / (8 sin psi) (Rayleigh's criterion).

    >>> round(rayleigh_height_m(0.012, 868e6), 2)
    3.6
    """
    psi = checked("grazing_angle_rad", grazing_angle_rad, above=0.0, at_most=np.pi / 2.0)
    return scalar_if_0d(_wavelength(frequency_hz) / (8.0 * np.sin(psi)))


def last_maximum_m(tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Distance of the last maximum over a plane, 4 h1 h2/lambda: the first of the two "break points".

    There the paths differ by half a wavelength. Heights above 0.

    >>> round(last_maximum_m(2.0, 10.0, 868e6), 1)
    231.6
    """
    h1, h2 = _heights(tx_height_m, rx_height_m)
    return scalar_if_0d(4.0 * h1 * h2 / _wavelength(frequency_hz))


def plane_earth_crossover_m(tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Distance where plane-earth and free-space loss are equal, 4 pi h1 h2/lambda: the other "break point".

    From here on the loss grows with 40 dB per decade. Heights above 0.

    >>> round(plane_earth_crossover_m(2.0, 10.0, 868e6), 1)
    727.7
    """
    return scalar_if_0d(np.pi * np.asarray(last_maximum_m(tx_height_m, rx_height_m, frequency_hz)))


def plane_earth_loss_db(distance_m: ArrayLike, tx_height_m: ArrayLike, rx_height_m: ArrayLike) -> Any:
    """Far form of the two-ray sum over a plane: 40 log d - 20 log(h1 h2), whatever the frequency.

    Parameters
    ----------
    distance_m, tx_height_m, rx_height_m : array_like, m, above 0
        Holds well beyond `plane_earth_crossover_m`.

    Returns
    -------
    ndarray or float, dB, the arguments broadcast

    Raises
    ------
    DomainError
        If an argument is not above 0.

    Examples
    --------
    >>> round(plane_earth_loss_db(1000.0, 2.0, 6.0), 2)
    98.42
    """
    h1, h2 = _heights(tx_height_m, rx_height_m)
    d = checked("distance_m", distance_m, above=0.0)
    return scalar_if_0d(40.0 * np.log10(d) - 20.0 * np.log10(h1 * h2))


def minimum_effective_height_m(
    height_m: ArrayLike,
    frequency_hz: ArrayLike,
    *,
    relative_permittivity: ArrayLike,
    conductivity_s_m: ArrayLike,
    polarisation: Polarisation = "vertical",
) -> Any:
    """Height to use in `plane_earth_loss_db` for an antenna close to the ground.

    Parameters
    ----------
    height_m : array_like, m, 0 or more
    frequency_hz : array_like, Hz, above 0
    relative_permittivity : array_like, 1 or more
    conductivity_s_m : array_like, S/m, 0 or more
    polarisation : {"vertical", "horizontal"}

    Returns
    -------
    ndarray or float, m, the arguments broadcast
        (h^2 + h0^2)^0.5, h0 = lambda/(2 pi |z|), z = q/e (vertical) or q (horizontal).

    Raises
    ------
    DomainError
        If an argument is outside its range.

    Notes
    -----
    Not for `two_ray_loss_db`, whose reflection coefficient already holds part of this: pass
    `surface_wave=True` there.

    References
    ----------
    Bullington 1947, from memory, unchecked; agrees with the surface wave of `two_ray_loss_db`.

    Examples
    --------
    >>> round(minimum_effective_height_m(0.1, 868e6, relative_permittivity=15, conductivity_s_m=0.03), 2)
    0.24
    """
    h = checked("height_m", height_m, at_least=0.0)
    if polarisation == "circular":
        raise DomainError("the minimum effective height is for vertical or horizontal polarisation")
    e = np.asarray(complex_permittivity(relative_permittivity, conductivity_s_m, frequency_hz))
    lowest = _wavelength(frequency_hz) / (
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
    return scalar_if_0d(np.cbrt(_wavelength(frequency_hz) / (2.0 * np.pi * k * EARTH_RADIUS_M)))


def curved_geometry(
    distance_m: ArrayLike, tx_height_m: ArrayLike, rx_height_m: ArrayLike, k_factor: ArrayLike = 4.0 / 3.0
) -> CurvedGeometry:
    """Specular point, tangent plane and divergence on a smooth curved earth.

    Parameters
    ----------
    distance_m, tx_height_m, rx_height_m : array_like, m, above 0
        Heights above the curved surface.
    k_factor : array_like, above 0
        Effective earth radius over the real one, 6371 km; infinity is a plane.

    Returns
    -------
    CurvedGeometry
        The arguments broadcast.

    Raises
    ------
    DomainError
        If an argument is outside its range or the antennas do not see each other over the horizon.

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
    curvature = _curvature(k_factor)
    geometry = CurvedGeometry(*np.broadcast_arrays(*_curved(d, h1, h2, curvature)))
    if ((geometry.tx_height_m <= 0.0) | (geometry.rx_height_m <= 0.0)).any():
        raise DomainError("the antennas do not see each other over the horizon of this curved earth")
    return CurvedGeometry(*(scalar_if_0d(part) for part in geometry))


def two_ray_loss_db(
    distance_m: ArrayLike,
    tx_height_m: ArrayLike,
    rx_height_m: ArrayLike,
    frequency_hz: ArrayLike,
    *,
    relative_permittivity: ArrayLike,
    conductivity_s_m: ArrayLike,
    polarisation: Polarisation = "vertical",
    k_factor: ArrayLike = math.inf,
    roughness_m: ArrayLike = 0.0,
    roughness_model: RoughnessModel = "ament",
    gain_ratio_db: ArrayLike = 0.0,
    surface_wave: bool = False,
) -> Any:
    """Basic transmission loss of the direct and the ground-reflected ray together.

    Parameters
    ----------
    distance_m, tx_height_m, rx_height_m : array_like, m, above 0
        Heights above the reflecting surface.
    frequency_hz : array_like, Hz, above 0
    relative_permittivity : array_like, 1 or more
    conductivity_s_m : array_like, S/m, 0 or more
        Of the ground, see `linkcalc.propagation.ground.ground_constants`.
    polarisation : {"vertical", "horizontal", "circular"}
    k_factor : array_like, above 0
        Effective earth radius factor; infinity is a plane.
    roughness_m : array_like, m, 0 or more
        Standard deviation of the surface height where the ray reflects.
    roughness_model : {"ament", "miller_brown"}
    gain_ratio_db : array_like, dB
        Gain of both antennas together towards the reflected ray, less that towards the direct ray.
    surface_wave : bool
        Add Norton's surface wave, which matters for antennas lower than about a wavelength.

    Returns
    -------
    ndarray or float, dB, the arguments broadcast

    Raises
    ------
    DomainError
        If an argument is outside its range, or the antennas lie beyond each other's horizon.

    Warns
    -----
    OutOfRangeWarning
        If a grazing angle over a curved earth is below `grazing_limit_rad`.

    Notes
    -----
    20 log(4 pi r1/lambda) - 20 log|1 + g R rho D (r1/r2) exp(-j 2 pi (r2-r1)/lambda)|. Over a curved earth
    the plane is the one that touches it at the specular point.

    References
    ----------
    Image theory with Fresnel's coefficients, any propagation textbook; surface wave: Norton 1941.

    Examples
    --------
    >>> ground = dict(relative_permittivity=15.0, conductivity_s_m=0.005)
    >>> two_ray_loss_db([100, 1000, 10000], 2.0, 10.0, 868e6, **ground).round(2).tolist()
    [72.7, 94.52, 133.95]
    """
    d = checked("distance_m", distance_m, above=0.0)
    h1, h2 = _heights(tx_height_m, rx_height_m)
    wavelength = _wavelength(frequency_hz)
    e = np.asarray(complex_permittivity(relative_permittivity, conductivity_s_m, frequency_hz))
    rough = checked("roughness_m", roughness_m, at_least=0.0)
    g = 10.0 ** (checked("gain_ratio_db", gain_ratio_db, at_most=300.0) / 20.0)
    _, h1, h2, psi, divergence = curved_geometry(d, h1, h2, k_factor)
    curved = np.isfinite(np.asarray(k_factor, dtype=float))
    if (curved & (psi < np.cbrt(_curvature(k_factor) * wavelength / np.pi))).any():
        warnings.warn(
            "two rays do not describe a curved earth so close to grazing; use spherical-earth diffraction",
            OutOfRangeWarning,
            stacklevel=2,
        )

    r1 = np.hypot(d, h1 - h2)
    r2 = np.hypot(d, h1 + h2)
    turn = np.exp(-2j * np.pi / wavelength * (4.0 * h1 * h2 / (r1 + r2)))  # r2 - r1 without cancellation
    R = _fresnel(psi, e, polarisation)
    reflected = R * _roughness(rough, np.sin(psi), wavelength, roughness_model) * divergence
    if surface_wave:
        reflected = reflected + _surface_wave(psi, e, r2, wavelength, R, polarisation)
    field = 1.0 + g * reflected * (r1 / r2) * turn
    return scalar_if_0d(20.0 * np.log10(4.0 * np.pi * r1 / wavelength) - 20.0 * np.log10(np.abs(field)))


@dataclass(frozen=True)
class Reflection:
    """Where a profile mirrors the ray between two antennas.

    Attributes
    ----------
    distance_m : float, m
        Of the specular point from the transmitter.
    grazing_angle_rad : float, rad
        Against the reflecting plane.
    tx_height_m, rx_height_m : float, m
        Antenna heights above the reflecting surface, at right angles to it; it follows the curve of the
        earth.
    surface_distance_m : float, m
        Between the feet of these heights: with them it goes into `two_ray_loss_db`, with the same k factor.
    surface_height_amsl_m, slope : float, m and m/m
        Of the fitted line at the specular point.
    footprint_m : tuple of float, m
        Where the first Fresnel zone of the reflected ray meets the ground, from the transmitter.
    roughness_m : float, m
        Standard deviation of the ground from the fitted line within the footprint.
    smooth : bool
        Rayleigh's criterion: roughness below lambda/(8 sin psi).
    clutter_share : float, 0 to 1
        Share of the footprint that trees or buildings stand on.
    clutter_covers : bool
        More than half of it.
    within_grazing_limit : bool
        The two-ray sum describes the curved earth at this grazing angle (see `grazing_limit_rad`).
    """

    distance_m: float
    grazing_angle_rad: float
    tx_height_m: float
    rx_height_m: float
    surface_distance_m: float
    surface_height_amsl_m: float
    slope: float
    footprint_m: tuple[float, float]
    roughness_m: float
    smooth: bool
    clutter_share: float
    clutter_covers: bool
    within_grazing_limit: bool


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
        The strongest reflection, or None; and one sentence that says where it is, or why there is none.

    Raises
    ------
    DomainError
        If an argument is outside its range or the profile is not one.

    Notes
    -----
    At each trial point a straight line is fitted by least squares to the ground within the footprint that
    the first Fresnel zone of the reflected ray would have there; the point is specular when that line,
    followed along the curved earth, mirrors the ray exactly there. Line and footprint depend on each other;
    where six rounds do not make them agree (to 1 % of the footprint, a bound of our own), nothing is
    mirrored.

    The reflected ray must clear what stands along both its legs; within the footprint, ground may rise above
    it by Rayleigh's height or three times the roughness, whichever is more, and clutter is reported instead.
    The direct ray must be clear. Of several reflections the strongest by roughness, divergence and clutter
    is returned.

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
    path = _checked_path(
        distance_m, ground_m, clutter_m, tx_height_amsl_m, rx_height_amsl_m, k_factor, frequency_hz
    )
    direct = path.tx + (path.rx - path.tx) * path.x / path.length
    over = path.surface + path.clutter - direct
    if over.max() > 0.0:
        return None, f"the direct ray is blocked at {path.x[over.argmax()]:.0f} m"
    why = "no specular reflection from the ground between the antennas"
    best, strength = None, -1.0
    for x in _specular_points(path):
        trial = _trial(path, np.array([x]))
        found, blocked_at = _judge(path, trial)
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


class _Path(NamedTuple):
    """A profile ready for the search: heights over the chord of the earth, and integrals of the ground."""

    x: Floats
    ground: Floats
    clutter: Floats
    surface: Floats
    """Ground plus earth bulge: what straight rays see."""
    tx: float
    rx: float
    length: float
    wavelength: float
    curvature: float
    integrals: tuple[Floats, Floats, Floats]
    """Of y, x y and y^2 from the start to each point."""
    covered: Floats
    """Length with clutter from the start to each point."""


class _Trial(NamedTuple):
    """Reflecting lines fitted around trial points, one entry each."""

    mirror_m: Floats
    """Where the line mirrors the ray: equal to the trial point at a specular point."""
    start: Floats
    end: Floats
    middle_height: Floats
    slope: Floats
    variance: Floats
    psi: Floats
    tx_height: Floats
    rx_height: Floats
    along: Floats
    divergence: Floats
    possible: NDArray[np.bool_]
    settled: NDArray[np.bool_]
    """Line and footprint agree: another round changes the footprint by next to nothing."""


def _checked_path(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    clutter_m: ArrayLike,
    tx_height_amsl_m: float,
    rx_height_amsl_m: float,
    k_factor: float,
    frequency_hz: float,
) -> _Path:
    x = checked("distance_m", distance_m)
    y = checked("ground_m", ground_m)
    clutter = checked("clutter_m", clutter_m, at_least=0.0)
    if x.ndim != 1 or x.size < 2 or x.shape != y.shape or x.shape != clutter.shape:
        raise DomainError("distance_m, ground_m and clutter_m must be of one length, 2 points or more")
    if x[0] != 0.0 or (np.diff(x) <= 0.0).any():
        raise DomainError("distance_m must start at 0 and increase")
    tx = float(checked("tx_height_amsl_m", tx_height_amsl_m, above=float(y[0])))
    rx = float(checked("rx_height_amsl_m", rx_height_amsl_m, above=float(y[-1])))
    curvature = float(_curvature(k_factor))
    steps, rise = np.diff(x), np.diff(y) / np.diff(x)
    integrals = tuple(
        np.concatenate([[0.0], np.cumsum(part)]) for part in _cell_integrals(x[:-1], y[:-1], rise, steps)
    )
    stands = (clutter > 0.0).astype(float)
    covered = np.concatenate([[0.0], np.cumsum(steps * (stands[1:] + stands[:-1]) / 2.0)])
    return _Path(
        x,
        y,
        clutter,
        y + curvature * x * (x[-1] - x),
        tx,
        rx,
        float(x[-1]),
        float(_wavelength(frequency_hz)),
        curvature,
        (integrals[0], integrals[1], integrals[2]),
        covered,
    )


def _cell_integrals(x: Floats, y: Floats, rise: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
    """Integrals of y, x y and y^2 over the first `t` metres of a straight piece that starts at (x, y)."""
    area = y * t + rise * t**2 / 2.0
    return (
        area,
        x * area + y * t**2 / 2.0 + rise * t**3 / 3.0,
        y**2 * t + y * rise * t**2 + rise**2 * t**3 / 3.0,
    )


def _fit(path: _Path, start: Floats, end: Floats) -> tuple[Floats, Floats, Floats]:
    """Least-squares line over [start, end]: height in the middle, slope, variance of the ground from it."""
    parts = []
    for at in (start, end):
        i = np.clip(np.searchsorted(path.x, at, side="right") - 1, 0, path.x.size - 2)
        rise = (path.ground[i + 1] - path.ground[i]) / (path.x[i + 1] - path.x[i])
        cell = _cell_integrals(path.x[i], path.ground[i], rise, at - path.x[i])
        parts.append([whole[i] + piece for whole, piece in zip(path.integrals, cell, strict=True)])
    width = end - start
    i0, i1, i2 = (b - a for a, b in zip(*parts, strict=True))
    mean = i0 / width
    slope = 12.0 * (i1 - (start + end) / 2.0 * i0) / width**3
    return mean, slope, np.maximum(i2 / width - mean**2 - slope**2 * width**2 / 12.0, 0.0)


def _trial(path: _Path, x: Floats) -> _Trial:
    """Fit the reflecting line around each trial point; its footprint and the line depend on each other."""
    reach_back = reach_ahead = np.full(x.shape, path.length / 8.0)
    shortest = path.length * 1e-6
    for _ in range(6):
        start = np.clip(x - reach_back, 0.0, path.length - shortest)
        end = np.clip(x + reach_ahead, start + shortest, path.length)
        middle, slope, variance = _fit(path, start, end)
        cosine = 1.0 / np.hypot(1.0, slope)
        at_tx = middle - slope * (start + end) / 2.0
        h1 = path.tx - at_tx
        h2 = path.rx - at_tx - slope * path.length
        along = path.length / cosine + (h2 - h1) * slope * cosine
        p1, p2 = np.maximum(h1 * cosine, 1e-3), np.maximum(h2 * cosine, 1e-3)
        d1, q1, q2, psi, divergence = _curved(along, p1, p2, path.curvature)
        possible = (h1 > 0.0) & (h2 > 0.0) & (q1 > 0.0) & (q2 > 0.0)
        q1, q2 = np.maximum(q1, 1e-3), np.maximum(q2, 1e-3)
        near, far = _footprint(along, q1, q2, path.wavelength)
        flat = along * q1 / (q1 + q2)
        before = reach_back, reach_ahead
        reach_back, reach_ahead = (flat - near) * cosine, (far - flat) * cosine
    change = np.abs(reach_back - before[0]) + np.abs(reach_ahead - before[1])
    # the foot of the transmitter's height lies aside of it on a slope
    mirror = h1 * slope * cosine**2 + d1 * cosine
    return _Trial(
        mirror,
        start,
        end,
        middle,
        slope,
        variance,
        psi,
        h1 * cosine,
        h2 * cosine,
        along,
        divergence,
        possible,
        change <= SETTLED * (reach_back + reach_ahead),
    )


def _footprint(d: Floats, h1: Floats, h2: Floats, wavelength: float) -> tuple[Floats, Floats]:
    """First Fresnel zone on the plane: reflected there, a path is half a wavelength longer than the
    shortest."""
    r2 = np.hypot(d, h1 + h2)
    S = r2 + wavelength / 2.0
    excess = (h1 + h2) ** 2 + wavelength * r2 + wavelength**2 / 4.0  # S^2 - d^2
    # from 2 S sqrt(x^2 + h1^2) = B + 2 d x, squared
    B = excess - h2**2 + h1**2
    root = S * np.sqrt(np.maximum(B**2 - 4.0 * excess * h1**2, 0.0))
    return (d * B - root) / (2.0 * excess), (d * B + root) / (2.0 * excess)


def _specular_points(path: _Path) -> list[float]:
    """Trial points where the line fitted around them mirrors the ray at themselves."""
    x = path.length * (1.0 - np.cos(np.pi * (np.arange(_TRIALS) + 0.5) / _TRIALS)) / 2.0  # dense at low ends
    trial = _trial(path, x)
    gap = np.where(trial.possible, trial.mirror_m - x, np.nan)
    crosses = np.signbit(gap[1:]) != np.signbit(gap[:-1])
    crosses &= np.isfinite(gap[1:]) & np.isfinite(gap[:-1])
    low, high = x[:-1][crosses], x[1:][crosses]
    for _ in range(3):
        finer = np.linspace(low, high, _FINER)
        negative = np.signbit(_trial(path, finer).mirror_m - finer)
        cell = (negative[1:] != negative[:-1]).argmax(axis=0)
        low, high = (np.take_along_axis(finer, (cell + i)[np.newaxis], axis=0)[0] for i in (0, 1))
    # on both sides: where the line jumps from one fit to another nothing is mirrored, from either end
    sides = np.stack([low, (low + high) / 2.0, high])
    final = _trial(path, sides)
    meets = final.possible & final.settled & (np.abs(final.mirror_m - sides) < path.length * MEETS)
    return [float(m) for m in sides[1][meets.all(axis=0)]]


def _judge(path: _Path, trial: _Trial) -> tuple[Reflection, float | None]:
    """Return the reflection, and where one of its legs is blocked, if so."""
    x = float(trial.mirror_m[0])
    start, end, slope, psi = (float(v[0]) for v in (trial.start, trial.end, trial.slope, trial.psi))
    height = float(trial.middle_height[0]) + slope * (x - (start + end) / 2.0)
    mirror = height + path.curvature * x * (path.length - x)
    legs = np.where(
        path.x < x,
        path.tx + (mirror - path.tx) * path.x / x,
        path.rx + (mirror - path.rx) * (path.length - path.x) / (path.length - x),
    )
    inside = (path.x >= start) & (path.x <= end)
    rayleigh = path.wavelength / (8.0 * math.sin(psi))
    roughness = math.sqrt(float(trial.variance[0]))
    over = path.surface - legs + np.where(inside, -max(rayleigh, 3.0 * roughness), path.clutter)
    blocked = float(path.x[over.argmax()]) if over.max() > 0.0 else None
    share = float(np.diff(np.interp([start, end], path.x, path.covered))[0]) / (end - start)
    return (
        Reflection(
            distance_m=x,
            grazing_angle_rad=psi,
            tx_height_m=float(trial.tx_height[0]),
            rx_height_m=float(trial.rx_height[0]),
            surface_distance_m=float(trial.along[0]),
            surface_height_amsl_m=height,
            slope=slope,
            footprint_m=(start, end),
            roughness_m=roughness,
            smooth=roughness < rayleigh,
            clutter_share=share,
            clutter_covers=share > 0.5,
            within_grazing_limit=bool(psi >= np.cbrt(path.curvature * path.wavelength / np.pi)),
        ),
        blocked,
    )


_TRIALS = 200
"""Trial points along a path; the footprints are far longer than their spacing."""

MEETS = 1e-4
"""Share of the length: how near to a specular point the line around it must mirror the ray."""

SETTLED = 0.01
"""Share of a footprint by which the last round may still change it."""

_FINER = 33
"""Points into which the interval around a specular point is divided, three times."""


def _wavelength(frequency_hz: ArrayLike) -> Floats:
    return SPEED_OF_LIGHT_M_S / checked("frequency_hz", frequency_hz, above=0.0)


def _heights(tx_height_m: ArrayLike, rx_height_m: ArrayLike) -> tuple[Floats, Floats]:
    return checked("tx_height_m", tx_height_m, above=0.0), checked("rx_height_m", rx_height_m, above=0.0)


def _curvature(k_factor: ArrayLike) -> Floats:
    """1/(2 k a); 0 for the plane that an infinite k stands for."""
    k = np.asarray(k_factor, dtype=float)
    if not (k > 0.0).all():
        raise DomainError(f"k_factor must be above 0, got {k_factor!r}")
    return np.asarray(1.0 / (2.0 * k * EARTH_RADIUS_M))


def _curved(
    d: Floats, h1: Floats, h2: Floats, curvature: Floats | float
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Specular distance, heights over the tangent plane, grazing angle, divergence."""
    c = (h1 - h2) / (h1 + h2)
    m = curvature * d**2 / (2.0 * (h1 + h2))
    # cos(pi/3 + acos(x)/3) of the standard is sin(asin(x)/3), which keeps its digits as m tends to 0
    safe = np.maximum(m, 1e-30)
    sine = np.sin(np.arcsin(np.clip(1.5 * c * np.sqrt(3.0 * safe / (safe + 1.0) ** 3), -1.0, 1.0)) / 3.0)
    b = 2.0 * np.sqrt((safe + 1.0) / (3.0 * safe)) * sine
    d1 = d * (1.0 + b) / 2.0
    d2 = d - d1
    q1, q2 = h1 - curvature * d1**2, h2 - curvature * d2**2
    psi = np.arctan2(q1 + q2, d)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = 1.0 / np.sqrt(1.0 + 4.0 * curvature * d1 * d2 / (q1 + q2))
    return d1, q1, q2, psi, spread


def _fresnel(psi: Floats, e: Any, polarisation: str) -> Any:
    if polarisation == "circular":
        return (_fresnel(psi, e, "horizontal") + _fresnel(psi, e, "vertical")) / 2.0
    if polarisation not in ("vertical", "horizontal"):
        raise DomainError(f"polarisation must be vertical, horizontal or circular, got {polarisation!r}")
    sine = np.sin(psi)
    q = np.sqrt(e - np.cos(psi) ** 2)
    up = e * sine if polarisation == "vertical" else sine
    with np.errstate(invalid="ignore"):
        return np.where(psi == 0.0, -1.0, (up - q) / (up + q))


def _roughness(s: Floats | float, sine: Floats | float, wavelength: Floats | float, model: str) -> Any:
    half = (4.0 * np.pi * s * sine / wavelength) ** 2 / 2.0
    if model == "ament":
        return np.exp(-half)
    if model == "miller_brown":
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
    return (1.0 - R) * (1.0 - 1j * np.sqrt(np.pi) * root * wofz(-root))

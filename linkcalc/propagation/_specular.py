"""The search for specular points of a profile, and the geometry of a curved earth that mirrors.

Lengths in m, angles in rad, heights above sea level; docs/models/two_ray.md says what is looked for, and how.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.errors import DomainError
from linkcalc.units import EARTH_RADIUS_M, SPEED_OF_LIGHT_M_S


@dataclass(frozen=True)
class Reflection:
    """Where a profile mirrors the ray between two antennas; distances are from the transmitter."""

    distance_m: float
    """Of the specular point."""
    grazing_angle_rad: float
    """Against the reflecting plane."""
    tx_height_m: float
    rx_height_m: float
    """Antenna heights above the reflecting surface, at right angles to it; it follows the curve of the earth."""
    surface_distance_m: float
    """Between the feet of these heights: with them it goes into `two_ray_loss_db`, with the same k factor."""
    surface_height_amsl_m: float
    slope: float
    """Of the fitted line at the specular point."""
    footprint_m: tuple[float, float]
    """Where the first Fresnel zone of the reflected ray meets the ground."""
    roughness_m: float
    """Standard deviation of the ground from the fitted line within the footprint."""
    smooth: bool
    """Rayleigh's criterion: roughness below lambda/(8 sin psi)."""
    clutter_share: float
    """Share of the footprint that trees or buildings stand on."""
    clutter_covers: bool
    """More than half of it."""
    within_grazing_limit: bool
    """The two-ray sum describes the curved earth at this grazing angle (see `grazing_limit_rad`)."""


class Path(NamedTuple):
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


class Trial(NamedTuple):
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


def checked_path(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    clutter_m: ArrayLike,
    tx_height_amsl_m: float,
    rx_height_amsl_m: float,
    k_factor: float,
    frequency_hz: float,
) -> Path:
    x = checked("distance_m", distance_m)
    y = checked("ground_m", ground_m)
    clutter = checked("clutter_m", clutter_m, at_least=0.0)
    if x.ndim != 1 or x.size < 2 or x.shape != y.shape or x.shape != clutter.shape:
        raise DomainError("distance_m, ground_m and clutter_m must be of one length, 2 points or more")
    if x[0] != 0.0 or (np.diff(x) <= 0.0).any():
        raise DomainError("distance_m must start at 0 and increase")
    tx = float(checked("tx_height_amsl_m", tx_height_amsl_m, above=float(y[0])))
    rx = float(checked("rx_height_amsl_m", rx_height_amsl_m, above=float(y[-1])))
    curvature = float(curvature_of(k_factor))
    steps, rise = np.diff(x), np.diff(y) / np.diff(x)
    # summed once over the profile: the line over any footprint is then a difference of two entries
    integrals = tuple(
        np.concatenate([[0.0], np.cumsum(part)]) for part in cell_integrals(x[:-1], y[:-1], rise, steps)
    )
    stands = (clutter > 0.0).astype(float)
    covered = np.concatenate([[0.0], np.cumsum(steps * (stands[1:] + stands[:-1]) / 2.0)])
    return Path(
        x,
        y,
        clutter,
        y + curvature * x * (x[-1] - x),
        tx,
        rx,
        float(x[-1]),
        float(wavelength_m(frequency_hz)),
        curvature,
        (integrals[0], integrals[1], integrals[2]),
        covered,
    )


def cell_integrals(x: Floats, y: Floats, rise: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
    """Integrals of y, x y and y^2 over the first `t` metres of a straight piece that starts at (x, y)."""
    area = y * t + rise * t**2 / 2.0
    return (
        area,
        x * area + y * t**2 / 2.0 + rise * t**3 / 3.0,
        y**2 * t + y * rise * t**2 + rise**2 * t**3 / 3.0,
    )


def fitted_line(path: Path, start: Floats, end: Floats) -> tuple[Floats, Floats, Floats]:
    """Least-squares line over [start, end]: height in the middle, slope, variance of the ground from it."""
    parts = []
    for at in (start, end):
        i = np.clip(np.searchsorted(path.x, at, side="right") - 1, 0, path.x.size - 2)
        rise = (path.ground[i + 1] - path.ground[i]) / (path.x[i + 1] - path.x[i])
        cell = cell_integrals(path.x[i], path.ground[i], rise, at - path.x[i])
        parts.append([whole[i] + piece for whole, piece in zip(path.integrals, cell, strict=True)])
    width = end - start
    i0, i1, i2 = (b - a for a, b in zip(*parts, strict=True))
    mean = i0 / width
    slope = 12.0 * (i1 - (start + end) / 2.0 * i0) / width**3
    # a small difference of large integrals: over a true plane rounding would leave it just below 0
    return mean, slope, np.maximum(i2 / width - mean**2 - slope**2 * width**2 / 12.0, 0.0)


def fitted_trial(path: Path, x: Floats) -> Trial:
    """Fit the reflecting line around each trial point; its footprint and the line depend on each other."""
    reach_back = reach_ahead = np.full(x.shape, path.length / 8.0)
    # a footprint of nothing has no line
    shortest = path.length * 1e-6
    for _ in range(6):
        start = np.clip(x - reach_back, 0.0, path.length - shortest)
        end = np.clip(x + reach_ahead, start + shortest, path.length)
        middle, slope, variance = fitted_line(path, start, end)
        cosine = 1.0 / np.hypot(1.0, slope)
        at_tx = middle - slope * (start + end) / 2.0
        h1 = path.tx - at_tx
        h2 = path.rx - at_tx - slope * path.length
        along = path.length / cosine + (h2 - h1) * slope * cosine
        # a line above an antenna mirrors nothing: it gets a height to compute with, and `possible` drops it
        p1, p2 = np.maximum(h1 * cosine, 1e-3), np.maximum(h2 * cosine, 1e-3)
        d1, q1, q2, psi, divergence = curved_earth(along, p1, p2, path.curvature)
        possible = (h1 > 0.0) & (h2 > 0.0) & (q1 > 0.0) & (q2 > 0.0)
        q1, q2 = np.maximum(q1, 1e-3), np.maximum(q2, 1e-3)
        near, far = footprint(along, q1, q2, path.wavelength)
        flat = along * q1 / (q1 + q2)
        before = reach_back, reach_ahead
        reach_back, reach_ahead = (flat - near) * cosine, (far - flat) * cosine
    change = np.abs(reach_back - before[0]) + np.abs(reach_ahead - before[1])
    # the foot of the transmitter's height lies aside of it on a slope
    mirror = h1 * slope * cosine**2 + d1 * cosine
    return Trial(
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


def footprint(d: Floats, h1: Floats, h2: Floats, wavelength: float) -> tuple[Floats, Floats]:
    """First Fresnel zone on the plane: reflected there, a path is half a wavelength longer than the
    shortest."""
    r2 = np.hypot(d, h1 + h2)
    S = r2 + wavelength / 2.0
    excess = (h1 + h2) ** 2 + wavelength * r2 + wavelength**2 / 4.0  # S^2 - d^2
    # from 2 S sqrt(x^2 + h1^2) = B + 2 d x, squared
    B = excess - h2**2 + h1**2
    root = S * np.sqrt(np.maximum(B**2 - 4.0 * excess * h1**2, 0.0))
    return (d * B - root) / (2.0 * excess), (d * B + root) / (2.0 * excess)


def specular_points(path: Path) -> list[float]:
    """Trial points where the line fitted around them mirrors the ray at themselves."""
    x = path.length * (1.0 - np.cos(np.pi * (np.arange(TRIALS) + 0.5) / TRIALS)) / 2.0  # dense at low ends
    trial = fitted_trial(path, x)
    # NaN, left out below, where no line is possible: its sign could pass for a crossing
    gap = np.where(trial.possible, trial.mirror_m - x, np.nan)
    crosses = np.signbit(gap[1:]) != np.signbit(gap[:-1])
    crosses &= np.isfinite(gap[1:]) & np.isfinite(gap[:-1])
    low, high = x[:-1][crosses], x[1:][crosses]
    # the mirrored point less the trial point changes its sign at a specular point: cut the interval to a 32nd, thrice
    for _ in range(3):
        finer = np.linspace(low, high, FINER)
        negative = np.signbit(fitted_trial(path, finer).mirror_m - finer)
        cell = (negative[1:] != negative[:-1]).argmax(axis=0)
        low, high = (np.take_along_axis(finer, (cell + i)[np.newaxis], axis=0)[0] for i in (0, 1))
    # on both sides: where the line jumps from one fit to another nothing is mirrored, from either end
    sides = np.stack([low, (low + high) / 2.0, high])
    final = fitted_trial(path, sides)
    meets = final.possible & final.settled & (np.abs(final.mirror_m - sides) < path.length * MEETS)
    return [float(m) for m in sides[1][meets.all(axis=0)]]


def judge(path: Path, trial: Trial) -> tuple[Reflection, float | None]:
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
    # what rises within the footprint is the mirror's own roughness, and clutter there is told, not held against it
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


TRIALS = 200
"""Trial points along a path; the footprints are far longer than their spacing."""
MEETS = 1e-4
"""Share of the length: how near to a specular point the line around it must mirror the ray."""
SETTLED = 0.01
"""Share of a footprint by which the last round may still change it."""
FINER = 33
"""Points into which the interval around a specular point is divided, three times."""


def wavelength_m(frequency_hz: ArrayLike) -> Floats:
    return SPEED_OF_LIGHT_M_S / checked("frequency_hz", frequency_hz, above=0.0)


def curvature_of(k_factor: ArrayLike) -> Floats:
    """1/(2 k a); 0 for the plane that an infinite k stands for."""
    k = np.asarray(k_factor, dtype=float)
    if not (k > 0.0).all():
        raise DomainError(f"k_factor must be above 0, got {k_factor!r}")
    return np.asarray(1.0 / (2.0 * k * EARTH_RADIUS_M))


def curved_earth(
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

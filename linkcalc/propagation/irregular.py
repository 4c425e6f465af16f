"""Irregular terrain model (Longley-Rice), point to point and area.

The order of the functions is the order of the algorithm: profile to horizons, irregularity and effective
heights; from these the reference attenuation (diffraction, line of sight, scatter); then variability.
Internal functions keep the algorithm's symbols: d distance, h structural and he effective heights, dh horizon
distances, th horizon angles, delta_h irregularity, wn wave number; metres and radians, f in MHz.

References
----------
G. A. Hufford, A. G. Longley, W. A. Kissick, "A guide to the use of the ITS irregular terrain model in the
area prediction mode", NTIA Report 82-100, 1982; G. A. Hufford, "The ITS irregular terrain model, version
1.2.2: the algorithm", 1995; NTIA/ITS reference software of the model, version 1.4 (US federal work).
"""

import math
import warnings
from cmath import exp as cexp
from cmath import sqrt as csqrt
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning

Polarisation = Literal["vertical", "horizontal"]
Variability = Literal["single_message", "accidental", "mobile", "broadcast"]
Siting = Literal["random", "careful", "very_careful"]

CLIMATES = {
    "equatorial": 1,
    "continental_subtropical": 2,
    "maritime_subtropical": 3,
    "desert": 4,
    "continental_temperate": 5,
    "maritime_temperate_over_land": 6,
    "maritime_temperate_over_sea": 7,
    "subtropical": 2,
    "temperate": 5,
    "continental": 5,
    "maritime": 6,
}
"""Climate words and the model's code; the last four are short words for the nearest of the seven."""

_VARIABILITIES: tuple[str, ...] = get_args(Variability)
_SITINGS: tuple[str, ...] = get_args(Siting)
_MOST_INTERVALS = 5000


@dataclass(frozen=True)
class IrregularDetail:
    """What the model found on the way; floats, or arrays of the broadcast shape."""

    loss_db: Any
    """Basic transmission loss."""
    free_space_loss_db: Any
    reference_attenuation_db: Any
    """Over free space, before variability."""
    mode: Any
    """"line_of_sight", "diffraction" or "troposcatter"."""
    tx_horizon_angle_rad: Any
    rx_horizon_angle_rad: Any
    tx_horizon_distance_m: Any
    rx_horizon_distance_m: Any
    tx_effective_height_m: Any
    rx_effective_height_m: Any
    delta_h_m: Any
    """Terrain irregularity: interdecile range of heights, asymptotic value."""
    surface_refractivity: Any
    """N-units, at the height of the ground."""
    effective_earth_radius_m: Any


class _Path(NamedTuple):
    """One path, ready for the reference attenuation; pairs are (transmitter, receiver)."""

    d: float
    f: float
    h: tuple[float, float]
    he: tuple[float, float]
    dh: tuple[float, float]
    th: tuple[float, float]
    delta_h: float
    ns: float
    ae: float
    z_ground: complex
    point_to_point: bool


def point_to_point_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    *,
    tx_height_m: ArrayLike,
    rx_height_m: ArrayLike,
    frequency_hz: ArrayLike,
    polarisation: Polarisation = "vertical",
    relative_permittivity: float = 15.0,
    conductivity_s_m: float = 0.005,
    n0: float = 301.0,
    climate: str | int = "continental_temperate",
    variability: Variability | int = "single_message",
    location_spread: bool = True,
    situation_spread: bool = True,
    time_percent: ArrayLike = 50.0,
    location_percent: ArrayLike = 50.0,
    situation_percent: ArrayLike = 50.0,
    detail: bool = False,
) -> Any:
    """Basic transmission loss over a terrain profile, by the irregular terrain model.

    The model wants heights at equal spacing. Positions that differ from equal spacing by less than a
    thousandth of a step are taken as equal; others are resampled linearly at their smallest step (at most
    5000 intervals).

    Parameters
    ----------
    distance_m : array_like, m, shape (n,) or ()
        Position of each profile point from the transmitter, from 0, increasing; or one number: the spacing.
    ground_m : array_like, m, shape (n,), n at least 2
        Height of the profile above sea level (add clutter before the call where it should count).
    tx_height_m, rx_height_m : array_like, m, any shape
        Antenna heights above ground, 0.5 to 3000 m.
    frequency_hz : array_like, Hz, any shape
        20 MHz to 20 GHz.
    polarisation : {"vertical", "horizontal"}
    relative_permittivity : float, dimensionless, above 1
    conductivity_s_m : float, S/m, at least 0
    n0 : float, N-units
        Surface refractivity reduced to sea level, 250 to 400.
    climate : str or int
        A key of `CLIMATES`, or the code 1 to 7.
    variability : {"single_message", "accidental", "mobile", "broadcast"} or int
        What the percentages mean: which of time, location and situation vary from message to message and
        which are a matter of confidence. The code 0 to 3 is taken too, plus 10 for `location_spread=False`,
        plus 20 for `situation_spread=False`.
    location_spread, situation_spread : bool
        False leaves out the variability from place to place, or from situation to situation.
    time_percent, location_percent, situation_percent : array_like, percent, any shape
        Share of cases in which the loss is not exceeded, above 0 and below 100. "single_message" uses the
        situation only, "accidental" time and situation, "mobile" time and situation, "broadcast" all three.
    detail : bool
        Return everything found on the way.

    Returns
    -------
    float or ndarray, dB, broadcast shape of heights, frequency and percentages
        With `detail`, an `IrregularDetail`.

    Raises
    ------
    DomainError
        If an argument is not finite or not defined, the profile has fewer than two points or its positions do
        not increase, or a horizon is so near for an antenna's height that a term of the model is undefined
        (the reference software warns, and goes on with what is no number).

    Warns
    -----
    OutOfRangeWarning
        If heights, frequency, distance (1 to 2000 km), `n0` or the slope of a horizon (0.2 rad) leave the
        range of the model.

    References
    ----------
    NTIA Report 82-100; algorithm of the NTIA/ITS reference software, version 1.4, point-to-point mode.

    Examples
    --------
    >>> loss = point_to_point_loss_db(
    ...     50.0, [100.0] * 101, tx_height_m=6.0, rx_height_m=2.0, frequency_hz=868e6)
    >>> round(loss, 1)
    126.6
    """
    spacing, z = _equally_spaced(distance_m, ground_m)
    d = spacing * (len(z) - 1)
    tx, rx, f = _common(tx_height_m, rx_height_m, frequency_hz)
    hs = float(z[int(0.1 * (len(z) - 1)) : len(z) - int(0.1 * (len(z) - 1))].mean())
    ns, ae = _earth(n0, hs)
    outside = _limits(n0=n0, h=(tx, rx), f=f, d=d)

    paths = []
    for h_tx, h_rx, f_mhz in zip(tx.flat, rx.flat, f.flat, strict=True):
        h = (float(h_tx), float(h_rx))
        he, dh, th, delta_h = _profile_parameters(spacing, z, h, ae)
        z_ground = _ground_impedance(f_mhz, polarisation, relative_permittivity, conductivity_s_m)
        paths.append(_Path(d, float(f_mhz), h, he, dh, th, delta_h, ns, ae, z_ground, True))
    if any(max(map(abs, p.th)) > 0.2 for p in paths):
        outside.append("horizon steeper than 0.2 rad")
    for limit in outside:
        warnings.warn(f"irregular terrain model: {limit}", OutOfRangeWarning, stacklevel=2)
    spreads = (location_spread, situation_spread)
    percents = (time_percent, location_percent, situation_percent)
    return _loss(paths, tx.shape, climate, variability, spreads, percents, detail)


def area_loss_db(
    distance_m: ArrayLike,
    *,
    delta_h_m: ArrayLike,
    tx_height_m: ArrayLike,
    rx_height_m: ArrayLike,
    frequency_hz: ArrayLike,
    tx_siting: Siting | int = "random",
    rx_siting: Siting | int = "random",
    polarisation: Polarisation = "vertical",
    relative_permittivity: float = 15.0,
    conductivity_s_m: float = 0.005,
    n0: float = 301.0,
    climate: str | int = "continental_temperate",
    variability: Variability | int = "single_message",
    location_spread: bool = True,
    situation_spread: bool = True,
    time_percent: ArrayLike = 50.0,
    location_percent: ArrayLike = 50.0,
    situation_percent: ArrayLike = 50.0,
    detail: bool = False,
) -> Any:
    """Basic transmission loss over terrain known only by its irregularity, by the irregular terrain model.

    Parameters
    ----------
    distance_m : array_like, m, any shape
        Path length, 1 to 2000 km.
    delta_h_m : array_like, m, any shape, at least 0
        Terrain irregularity: 0 water, 30 plains, 90 hills, 200 mountains, 500 rugged mountains (figures of
        NTIA 82-100, from memory).
    tx_siting, rx_siting : {"random", "careful", "very_careful"} or int
        How the antenna site was chosen; codes 0, 1, 2.

    Other parameters, returns, errors and warnings are those of `point_to_point_loss_db`; distance and
    irregularity broadcast with the rest.

    References
    ----------
    NTIA Report 82-100; algorithm of the NTIA/ITS reference software, version 1.4, area mode.

    Examples
    --------
    >>> hills = dict(delta_h_m=90.0, tx_height_m=10.0, rx_height_m=2.0)
    >>> loss = area_loss_db([5e3, 10e3], frequency_hz=868e6, **hills)
    >>> loss.round(1).tolist()
    [128.3, 137.6]
    """
    d, delta_h, tx, rx, f = np.broadcast_arrays(
        checked("distance_m", distance_m, above=0.0),
        checked("delta_h_m", delta_h_m, at_least=0.0),
        *_common(tx_height_m, rx_height_m, frequency_hz),
    )
    sitings = (_code("tx_siting", tx_siting, _SITINGS), _code("rx_siting", rx_siting, _SITINGS))
    ns, ae = _earth(n0, 0.0)
    for limit in _limits(n0=n0, h=(tx, rx), f=f, d=d):
        warnings.warn(f"irregular terrain model: {limit}", OutOfRangeWarning, stacklevel=2)

    paths = []
    for di, dhi, h_tx, h_rx, f_mhz in zip(d.flat, delta_h.flat, tx.flat, rx.flat, f.flat, strict=True):
        h = (float(h_tx), float(h_rx))
        he = (_sited_height(h[0], float(dhi), sitings[0]), _sited_height(h[1], float(dhi), sitings[1]))
        dh, th = _smooth_horizons(he, float(dhi), ae)
        z_ground = _ground_impedance(f_mhz, polarisation, relative_permittivity, conductivity_s_m)
        paths.append(_Path(float(di), float(f_mhz), h, he, dh, th, float(dhi), ns, ae, z_ground, False))
    spreads = (location_spread, situation_spread)
    percents = (time_percent, location_percent, situation_percent)
    return _loss(paths, d.shape, climate, variability, spreads, percents, detail)


# Arguments ------------------------------------------------------------


def _equally_spaced(distance_m: ArrayLike, ground_m: ArrayLike) -> tuple[float, Floats]:
    x = checked("distance_m", distance_m, at_least=0.0)
    z = checked("ground_m", ground_m)
    if z.ndim != 1 or z.size < 2:
        raise DomainError(f"ground_m must be a profile of at least two points, got shape {z.shape}")
    if x.ndim == 0:
        return float(checked("distance_m (spacing)", x, above=0.0)), z
    if x.shape != z.shape:
        raise DomainError(f"distance_m and ground_m must have the same shape, got {x.shape} and {z.shape}")
    steps = np.diff(x)
    if x[0] != 0.0 or (steps <= 0.0).any():
        raise DomainError("distance_m must start at 0 and increase")
    d = float(x[-1])
    mean = d / len(steps)
    if np.abs(x - mean * np.arange(len(x))).max() < 1e-3 * mean:
        return mean, z
    n = min(math.ceil(d / float(steps.min())), _MOST_INTERVALS)
    return d / n, np.interp(np.linspace(0.0, d, n + 1), x, z)


def _common(
    tx_height_m: ArrayLike, rx_height_m: ArrayLike, frequency_hz: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Heights in m and frequency in MHz, broadcast."""
    tx, rx, f = np.broadcast_arrays(
        checked("tx_height_m", tx_height_m, above=0.0),
        checked("rx_height_m", rx_height_m, above=0.0),
        checked("frequency_hz", frequency_hz, above=0.0) / 1e6,
    )
    return tx, rx, f


def _limits(*, n0: float, h: tuple[Floats, Floats], f: Floats, d: ArrayLike) -> list[str]:
    """The stated limits that these arguments leave, in words."""
    ranges = (
        ("antenna height outside 0.5 to 3000 m", h, 0.5, 3000.0),
        ("frequency outside 20 MHz to 20 GHz", f, 20.0, 20e3),
        ("distance outside 1 to 2000 km", d, 1e3, 2e6),
        ("surface refractivity n0 outside 250 to 400 N-units", n0, 250.0, 400.0),
    )
    return [
        words
        for words, value, low, high in ranges
        if (np.asarray(value) < low).any() or (np.asarray(value) > high).any()
    ]


def _code(name: str, value: str | int, words: tuple[str, ...]) -> int:
    if isinstance(value, str) and value in words:
        return words.index(value)
    if not isinstance(value, str) and value in range(len(words)):
        return int(value)
    raise DomainError(f"{name} must be one of {', '.join(words)} (or 0 to {len(words) - 1}), got {value!r}")


def _climate_code(climate: str | int) -> int:
    code = CLIMATES.get(climate) if isinstance(climate, str) else climate
    if code is None or code not in range(1, 8):
        raise DomainError(f"climate must be one of {', '.join(CLIMATES)} (or 1 to 7), got {climate!r}")
    return int(code)


def _variability_code(variability: str | int, spreads: tuple[bool, bool]) -> tuple[int, bool, bool]:
    """The mode, and whether locations and situations spread."""
    location, situation = spreads
    if not isinstance(variability, str) and 10 <= variability < 40:
        location = location and variability // 10 % 2 == 0
        situation = situation and variability < 20
        variability %= 10
    return _code("variability", variability, _VARIABILITIES), location, situation


def _earth(n0: float, hs: float) -> tuple[float, float]:
    """Surface refractivity at height `hs` and effective earth radius."""
    ns = float(checked("n0", n0, above=0.0)) * math.exp(-hs / 9460.0)
    curvature = 157e-9 * (1.0 - 0.04665 * math.exp(ns / 179.3))
    if curvature <= 0.0:
        raise DomainError(f"n0 = {n0:g} bends rays more than the earth: the model is not defined there")
    return ns, 1.0 / curvature


def _ground_impedance(
    f: float, polarisation: str, relative_permittivity: float, conductivity_s_m: float
) -> complex:
    """Surface transfer impedance of the ground."""
    er = float(checked("relative_permittivity", relative_permittivity, above=1.0))
    sigma = float(checked("conductivity_s_m", conductivity_s_m, at_least=0.0))
    e = complex(er, 18e3 * sigma / float(f))
    if polarisation == "horizontal":
        return csqrt(e - 1.0)
    if polarisation == "vertical":
        return csqrt(e - 1.0) / e
    raise DomainError(f"polarisation must be vertical or horizontal, got {polarisation!r}")


# Profile to parameters ------------------------------------------------------------


def _profile_parameters(
    xi: float, z: Floats, h: tuple[float, float], ae: float
) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float], float]:
    """Effective heights, horizon distances, horizon angles and irregularity of a profile."""
    d = xi * (len(z) - 1)
    dh, th = _horizons(xi, z, h, ae)
    # The ground next to the antennas says nothing about the terrain between them.
    d0 = min(15.0 * h[0], 0.1 * dh[0])
    d1 = d - min(15.0 * h[1], 0.1 * dh[1])
    delta_h = _irregularity(xi, z, d0, d1)

    if dh[0] + dh[1] > 1.5 * d:  # well inside line of sight: the profile shows no horizons, so estimate them
        fit = _line(z, xi, d0, d1)
        he = (h[0] + max(float(z[0]) - fit[0], 0.0), h[1] + max(float(z[-1]) - fit[1], 0.0))
        dh, th = _smooth_horizons(he, delta_h, ae)
        if dh[0] + dh[1] <= d:
            q = (d / (dh[0] + dh[1])) ** 2
            he = (he[0] * q, he[1] * q)
            dh, th = _smooth_horizons(he, delta_h, ae)
    else:
        fit_tx, _ = _line(z, xi, d0, 0.9 * dh[0])
        _, fit_rx = _line(z, xi, d - 0.9 * dh[1], d1)
        he = (h[0] + max(float(z[0]) - fit_tx, 0.0), h[1] + max(float(z[-1]) - fit_rx, 0.0))
    return he, dh, th, delta_h


def _horizons(
    xi: float, z: Floats, h: tuple[float, float], ae: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Distances and elevation angles of both radio horizons; the other antenna where none rises above it."""
    n = len(z) - 1
    d = xi * n
    z_tx, z_rx = float(z[0]) + h[0], float(z[-1]) + h[1]
    th_tx, th_rx = (z_rx - z_tx) / d - d / (2.0 * ae), (z_tx - z_rx) / d - d / (2.0 * ae)
    dh_tx = dh_rx = d
    if n > 1:
        # Added up step by step as the reference does: a tenth of a horizon's distance is cut to whole steps,
        # and where it is one the last bit counts.
        a = np.add.accumulate(np.full(n - 1, xi))
        b = np.subtract.accumulate(np.concatenate(([d], np.full(n - 1, xi))))[1:]
        up_tx = (z[1:-1] - z_tx) / a - a / (2.0 * ae)
        up_rx = (z[1:-1] - z_rx) / b - b / (2.0 * ae)
        i, j = int(up_tx.argmax()), int(up_rx.argmax())
        if up_tx[i] > th_tx:
            th_tx, dh_tx = float(up_tx[i]), float(a[i])
        if up_rx[j] > th_rx:
            th_rx, dh_rx = float(up_rx[j]), float(b[j])
    return (dh_tx, dh_rx), (th_tx, th_rx)


def _line(z: Floats, xi: float, d0: float, d1: float) -> tuple[float, float]:
    """Straight line fitted to the heights between `d0` and `d1`: its values at both ends of the profile."""
    n = len(z) - 1
    i0 = int(max(d0 / xi, 0.0))
    i1 = n - int(max(n - d1 / xi, 0.0))
    if i1 <= i0:
        i0 = max(i0 - 1, 0)
        i1 = n - max(n - (i1 + 1), 0)
    length = i1 - i0
    part = z[i0 : i1 + 1]
    middle = i0 + 0.5 * length
    half_ends = 0.5 * float(part[0] + part[-1])
    mean = (float(part.sum()) - half_ends) / length
    arm = np.arange(-0.5 * length, 0.5 * length + 0.25)
    moment = float(arm @ part) - 0.25 * length * float(part[-1] - part[0])
    slope = moment * 12.0 / ((length * length + 2.0) * length)
    return mean - slope * middle, mean + slope * (n - middle)


def _irregularity(xi: float, z: Floats, d0: float, d1: float) -> float:
    """Interdecile range of the heights about their trend, extended to a long path."""
    x0, x1 = d0 / xi, d1 / xi
    if x1 - x0 < 2.0:
        return 0.0
    q = min(max(4, int(0.1 * (x1 - x0 + 8.0))), 25)
    count = 10 * q - 5
    heights = np.interp(np.linspace(x0, x1, count), np.arange(len(z)), z)
    first, last = _line(heights, 1.0, 0.0, count - 1.0)
    rest = np.sort(heights - np.linspace(first, last, count))
    return float(rest[count - q] - rest[q - 1]) / (1.0 - 0.8 * math.exp(-(d1 - d0) / 50e3))


def _smooth_horizons(
    he: tuple[float, float], delta_h: float, ae: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Typical horizon distances and angles over terrain of this irregularity."""
    dh, th = [], []
    for height in he:
        smooth = math.sqrt(2.0 * height * ae)
        dh.append(smooth * math.exp(-0.07 * math.sqrt(delta_h / max(height, 5.0))))
        th.append((0.65 * delta_h * (smooth / dh[-1] - 1.0) - 2.0 * height) / smooth)
    return (dh[0], dh[1]), (th[0], th[1])


def _sited_height(h: float, delta_h: float, siting: int) -> float:
    """Effective height of an antenna whose site was chosen at random or with care."""
    if siting == 0:
        return h
    b = (4.0 if siting == 1 else 9.0) * (math.sin(0.1 * math.pi * h) if h < 5.0 else 1.0)
    return h + (1.0 + b) * math.exp(-min(20.0, 2.0 * h / max(1e-3, delta_h)))


# Reference attenuation ------------------------------------------------------------


def _reference_attenuation_db(p: _Path) -> tuple[float, str]:
    """Median attenuation over free space, and the mechanism that governs."""
    ds_ml = sum(math.sqrt(2.0 * he * p.ae) for he in p.he)
    d_ml = p.dh[0] + p.dh[1]
    x = (p.ae**2 / p.f) ** (1.0 / 3.0)

    # Beyond the horizon diffraction grows along a straight line.
    d3 = max(ds_ml, d_ml + 5.0 * x)
    d4 = d3 + 10.0 * x
    a3, a4 = _diffraction_db(p, d3), _diffraction_db(p, d4)
    slope = (a4 - a3) / (d4 - d3)
    start = a3 - slope * d3

    if p.d < ds_ml:
        return max(_line_of_sight_db(p, ds_ml, d_ml, slope, start), 0.0), "line_of_sight"
    h0, a6 = _scatter_db(p, d_ml + 400e3, -1.0)
    _, a5 = _scatter_db(p, d_ml + 200e3, h0)
    if a5 < 1000.0:
        scatter_slope = (a6 - a5) / 200e3
        dx = max(
            ds_ml,
            d_ml + 1.088 * x * math.log(p.f),
            (a5 - start - scatter_slope * (d_ml + 200e3)) / (slope - scatter_slope),
        )
        if p.d > dx:
            return max(scatter_slope * p.d + (slope - scatter_slope) * dx + start, 0.0), "troposcatter"
    return max(slope * p.d + start, 0.0), "diffraction"


def _roughness(p: _Path, d: float) -> float:
    """Irregularity seen over a path of length `d`."""
    return p.delta_h * (1.0 - 0.8 * math.exp(-d / 50e3))


def _sigma_h(roughness: float) -> float:
    """Root mean square deviation of the terrain within the first Fresnel zone."""
    return 0.78 * roughness * math.exp(-0.5 * roughness**0.25)


def _theta_los(p: _Path) -> float:
    return -max(p.th[0] + p.th[1], -(p.dh[0] + p.dh[1]) / p.ae)


def _diffraction_db(p: _Path, d: float) -> float:
    """Weighted mean of double knife edge and rounded earth, with a clutter term."""
    wn = p.f / 47.7
    d_ml = p.dh[0] + p.dh[1]
    theta_los = _theta_los(p)
    theta = d / p.ae - theta_los
    gap = d - d_ml
    knife = sum(_fresnel_db(0.0795775 * wn * theta**2 * dh * gap / (gap + dh)) for dh in p.dh)
    rounded = _rounded_earth_db(p, gap, theta)

    ds_ml = sum(math.sqrt(2.0 * he * p.ae) for he in p.he)
    q = p.h[0] * p.h[1]
    sigma = _sigma_h(_roughness(p, ds_ml))
    clutter = min(15.0, 5.0 * math.log10(1.0 + 1e-5 * q * p.f * sigma))
    excess = p.he[0] * p.he[1] - q
    if p.point_to_point:  # low antennas on a known profile
        q += 10.0
    y = (math.sqrt(1.0 + excess / q) + (d_ml - theta_los * p.ae) / d) * min(_roughness(p, d) * wn, 6283.2)
    weight = 25.1 / (25.1 + math.sqrt(y))
    return weight * rounded + (1.0 - weight) * knife + clutter


def _fresnel_db(v2: float) -> float:
    """Single knife edge, of the squared parameter."""
    return 6.02 + 9.11 * math.sqrt(v2) - 1.27 * v2 if v2 < 5.76 else 12.953 + 10.0 * math.log10(v2)


def _rounded_earth_db(p: _Path, gap: float, theta: float) -> float:
    """Smooth earth of three radii (Vogler): between the horizons, and each foreground."""
    radii = (gap / theta, *(0.5 * dh**2 / he for dh, he in zip(p.dh, p.he, strict=True)))
    lengths = (gap, *p.dh)  # gap is the arc of the first radius: radius times angle
    xs: list[float] = []
    ks: list[float] = []
    for radius, length in zip(radii, lengths, strict=True):
        c = (4.0 / 3.0 * 6370e3 / radius) ** (1.0 / 3.0)
        k = 0.017778 * c * p.f ** (-1.0 / 3.0) / abs(p.z_ground)
        xs.append((1.607 - k) * c**2 * p.f ** (1.0 / 3.0) * length / 1000.0)
        ks.append(k)
    x0 = sum(xs)
    heights = _height_db(xs[1], ks[1]) + _height_db(xs[2], ks[2])
    return 0.05751 * x0 - 10.0 * math.log10(x0) - heights - 20.0


def _height_db(x: float, k: float) -> float:
    """Height function over a rounded foreground."""
    if x < 200.0:
        w = -math.log(k)
        if k < 1e-5 or x * w**3 > 5495.0:
            return -117.0 + (17.372 * math.log(x) if x > 1.0 else 0.0)
        return 2.5e-5 * x * x / k - 8.686 * w - 15.0
    far = 0.05751 * x - 4.343 * math.log(x)
    if x < 2000.0:
        w = 0.0134 * x * math.exp(-0.005 * x)
        return (1.0 - w) * far + w * (17.372 * math.log(x) - 117.0)
    return far


def _line_of_sight_db(p: _Path, ds_ml: float, d_ml: float, slope: float, start: float) -> float:
    """Curve k1 d + k2 ln d through two-ray values inside line of sight and the diffraction at its end."""
    a_s = slope * ds_ml + start
    d0 = 0.04 * p.f * p.he[0] * p.he[1]
    if start >= 0.0:
        d0 = min(d0, 0.5 * d_ml)
        d1 = d0 + 0.25 * (d_ml - d0)
    else:
        d1 = max(-start / slope, 0.25 * d_ml)
    a1 = _two_ray_db(p, d1, ds_ml, slope, start)

    k1 = k2 = 0.0
    curved = False
    if d0 < d1:
        a0 = _two_ray_db(p, d0, ds_ml, slope, start)
        q = math.log(ds_ml / d0)
        k2 = ((ds_ml - d0) * (a1 - a0) - (d1 - d0) * (a_s - a0)) / (
            (ds_ml - d0) * math.log(d1 / d0) - (d1 - d0) * q
        )
        k2 = max(0.0, k2)
        curved = start > 0.0 or k2 > 0.0
        if curved:
            k1 = (a_s - a0 - k2 * q) / (ds_ml - d0)
            if k1 < 0.0:
                k2 = max(a_s - a0, 0.0) / q
                k1 = slope if k2 == 0.0 else 0.0
    if not curved:
        k1, k2 = max(a_s - a1, 0.0) / (ds_ml - d1) or slope, 0.0
    return a_s + k1 * (p.d - ds_ml) + k2 * math.log(p.d / ds_ml)


def _two_ray_db(p: _Path, d: float, ds_ml: float, slope: float, start: float) -> float:
    """Two rays over rough ground, mixed with the diffraction line where the ground is irregular."""
    wn = p.f / 47.7
    h_sum = p.he[0] + p.he[1]
    sin_psi = h_sum / math.hypot(d, h_sum)
    rough = math.exp(-min(10.0, wn * _sigma_h(_roughness(p, d)) * sin_psi))
    reflection = (sin_psi - p.z_ground) / (sin_psi + p.z_ground) * rough
    q = abs(reflection) ** 2
    if q < 0.25 or q < sin_psi:
        reflection *= math.sqrt(sin_psi / q)
    phase = 2.0 * wn * p.he[0] * p.he[1] / d
    if phase > math.pi / 2.0:
        phase = math.pi - (math.pi / 2.0) ** 2 / phase
    two_ray = -20.0 * math.log10(abs(cexp(-1j * phase) + reflection))
    weight = 1.0 / (1.0 + p.f * p.delta_h / max(10e3, ds_ml))
    return weight * two_ray + (1.0 - weight) * (slope * d + start)


def _scatter_db(p: _Path, d: float, h0: float) -> tuple[float, float]:
    """Frequency gain carried to the next call, and attenuation by tropospheric scatter (1001: none)."""
    wn = p.f / 47.7
    if h0 <= 15.0:
        ad, rr = p.dh[0] - p.dh[1], p.he[1] / p.he[0]
        if ad < 0.0:
            ad, rr = -ad, 1.0 / rr
        theta = p.th[0] + p.th[1] + d / p.ae
        r1, r2 = (2.0 * wn * theta * he for he in p.he)
        if r1 < 0.2 and r2 < 0.2:
            return h0, 1001.0
        s = (d - ad) / (d + ad)
        q = min(max(0.1, rr / s), 10.0)
        s = max(0.1, s)
        hz = (d - ad) * (d + ad) * theta * 0.25 / d
        eta = (hz / 1755.6) * (
            1.0 + (0.031 - 2.32e-3 * p.ns + 5.67e-6 * p.ns**2) * math.exp(-(min(1.7, hz / 8e3) ** 6))
        )
        h00 = 0.5 * (_h0_db(r1, eta) + _h0_db(r2, eta))
        asymmetry = 6.0 * (0.6 - math.log10(max(eta, 1.0))) * math.log10(s) * math.log10(q)
        gain = max(0.0, h00 + min(h00, asymmetry))
        if eta < 1.0:
            root = math.sqrt(2.0)
            ratio = ((1.0 + root / r1) * (1.0 + root / r2)) ** 2 * (r1 + r2) / (r1 + r2 + 2.0 * root)
            gain = eta * gain + (1.0 - eta) * 10.0 * math.log10(ratio)
        h0 = h0 if gain > 15.0 and h0 >= 0.0 else gain
    theta = d / p.ae - _theta_los(p)
    y = theta * d
    refractivity = 0.1 * (p.ns - 301.0) * math.exp(-y / 40e3)
    return h0, _f_db(y) + 10.0 * math.log10(47.7 * wn * theta**4) - refractivity + h0


_H0_CURVES = ((25.0, 24.0), (80.0, 45.0), (177.0, 68.0), (395.0, 80.0), (705.0, 105.0))


def _h0_db(r: float, eta: float) -> float:
    """Frequency gain function, linear between its curves for eta 1 to 5."""
    eta = min(max(eta, 1.0), 5.0)
    i = min(int(eta), 4)
    low, high = (10.0 * math.log10(1.0 + a * r**-4 + b * r**-2) for a, b in _H0_CURVES[i - 1 : i + 1])
    return low + (high - low) * (eta - i)


def _f_db(y: float) -> float:
    """Attenuation function of angle times distance."""
    if y <= 10e3:
        return 133.4 + 0.332e-3 * y - 10.0 * math.log10(y)
    if y <= 70e3:
        return 104.6 + 0.212e-3 * y - 2.5 * math.log10(y)
    return 71.8 + 0.157e-3 * y + 5.0 * math.log10(y)


# Variability ------------------------------------------------------------

# Columns: climates 1 to 7. Rows c1, c2 (dB), x1, x2, x3 (km): of the median, and of the spread on both sides.
_MEDIAN = np.array(
    [
        [-9.67, -0.62, 1.26, -9.21, -0.62, -0.39, 3.15],
        [12.7, 9.19, 15.5, 9.05, 9.19, 2.86, 857.9],
        [144.9, 228.9, 262.6, 84.1, 228.9, 141.7, 2222.0],
        [190.3, 205.2, 185.2, 101.1, 205.2, 315.9, 164.8],
        [133.8, 143.6, 99.8, 98.6, 143.6, 167.4, 116.3],
    ]
)
_MINUS = np.array(
    [
        [2.13, 2.66, 6.11, 1.98, 2.68, 6.86, 8.51],
        [159.5, 7.67, 6.65, 13.11, 7.16, 10.38, 169.8],
        [762.2, 100.4, 138.2, 139.1, 93.7, 187.8, 609.8],
        [123.6, 172.5, 242.2, 132.7, 186.8, 169.6, 119.9],
        [94.5, 136.4, 178.6, 193.5, 133.5, 108.9, 106.6],
    ]
)
_PLUS = np.array(
    [
        [2.11, 6.87, 10.08, 3.68, 4.75, 8.58, 8.43],
        [102.3, 15.53, 9.60, 159.3, 8.12, 13.97, 8.19],
        [636.9, 138.7, 165.3, 464.4, 93.2, 216.0, 136.2],
        [134.8, 143.7, 225.7, 93.1, 135.9, 152.0, 188.5],
        [95.6, 98.6, 129.7, 94.2, 113.4, 122.7, 122.9],
    ]
)
_TAIL_RATIO = (1.224, 0.801, 1.38, 1.0, 1.224, 1.518, 1.518)
_TAIL_FROM = (1.282, 2.161, 1.282, 20.0, 1.282, 1.282, 1.282)
_PLAIN = (1.0, 0.0, 0.0)
_FREQUENCY_MINUS = (_PLAIN, _PLAIN, _PLAIN, _PLAIN, (0.92, 0.25, 1.77), _PLAIN, _PLAIN)
_FREQUENCY_PLUS = (_PLAIN, (0.93, 0.31, 2.0), _PLAIN, (0.93, 0.19, 1.79), (0.93, 0.31, 2.0), _PLAIN, _PLAIN)


def _loss(
    paths: list[_Path],
    shape: tuple[int, ...],
    climate: str | int,
    variability: str | int,
    spreads: tuple[bool, bool],
    percents: tuple[ArrayLike, ArrayLike, ArrayLike],
    detail: bool,
) -> Any:
    """Reference attenuation of each path, its variability, and free space: the basic transmission loss."""
    code = _climate_code(climate)
    mode = _variability_code(variability, spreads)
    names = ("time_percent", "location_percent", "situation_percent")
    z = np.broadcast_arrays(*(_quantile(*pair) for pair in zip(names, percents, strict=True)))
    try:
        found = [_reference_attenuation_db(p) for p in paths]
    except (ArithmeticError, ValueError) as error:
        raise DomainError(
            "the irregular terrain model is not defined for this path: a horizon is too near for so high an"
            f" antenna ({error})"
        ) from error

    def column(values: Any) -> Floats:
        return np.array(list(values), dtype=np.float64).reshape(shape)

    reference = column(a for a, _ in found)
    d, f = column(p.d for p in paths), column(p.f for p in paths)
    he = (column(p.he[0] for p in paths), column(p.he[1] for p in paths))
    delta_h = column(p.delta_h for p in paths)
    free_space = 32.45 + 20.0 * np.log10(f) + 20.0 * np.log10(d / 1000.0)
    loss = free_space + _quantile_attenuation_db(reference, d, f, he, delta_h, code, mode, *z)
    if not detail:
        return scalar_if_0d(loss)
    words: NDArray[np.str_] = np.array([word for _, word in found]).reshape(shape)
    return IrregularDetail(
        scalar_if_0d(loss),
        *(scalar_if_0d(value) for value in (free_space, reference, words)),
        *(scalar_if_0d(column(p.th[i] for p in paths)) for i in (0, 1)),
        *(scalar_if_0d(column(p.dh[i] for p in paths)) for i in (0, 1)),
        *(scalar_if_0d(value) for value in (*he, delta_h)),
        *(scalar_if_0d(column(getattr(p, name) for p in paths)) for name in ("ns", "ae")),
    )


def _quantile(name: str, percent: ArrayLike) -> Floats:
    """Upper-tail standard normal deviate (Abramowitz and Stegun 26.2.23), as the model's tables were made."""
    q = checked(name, percent, above=0.0) / 100.0
    if (q >= 1.0).any():
        raise DomainError(f"{name} must be below 100, got {100.0 * float(q.max()):g}")
    t = np.sqrt(-2.0 * np.log(np.minimum(q, 1.0 - q)))
    over, under = (0.010328, 0.802853, 2.515516), (0.001308, 0.189269, 1.432788, 1.0)
    z = t - np.polyval(over, t) / np.polyval(under, t)
    return np.where(q > 0.5, -z, z)


def _quantile_attenuation_db(
    reference: Floats,
    d: Floats,
    f: Floats,
    he: tuple[Floats, Floats],
    delta_h: Floats,
    climate: int,
    mode: tuple[int, bool, bool],
    z_time: Floats,
    z_location: Floats,
    z_situation: Floats,
) -> Floats:
    """Attenuation over free space not exceeded at these deviates of time, location and situation."""
    i = climate - 1
    base, location_spread, situation_spread = mode
    wn = f / 47.7
    dx = np.sqrt(18e6 * he[0]) + np.sqrt(18e6 * he[1]) + np.cbrt(575.7e12 / wn)
    de = np.where(d < dx, 130e3 * d / dx, 130e3 + d - dx)

    def curve(table: Floats) -> Floats:
        c1, c2, x1, x2, x3 = table[:, i] * (1.0, 1.0, 1e3, 1e3, 1e3)
        y = (de / x1) ** 2
        result: Floats = (c1 + c2 / (1.0 + ((de - x2) / x3) ** 2)) * y / (1.0 + y)
        return result

    def frequency_gain(f1: float, f2: float, f3: float) -> Floats:
        result: Floats = f1 + f2 / ((f3 * np.log(0.133 * wn)) ** 2 + 1.0)
        return result

    if base == 0:
        z_time = z_location = z_situation
    elif base == 1:
        z_location = z_situation
    elif base == 2:
        z_location = z_time

    s_situation = 5.0 + 3.0 * np.exp(-de / 100e3) if situation_spread else 0.0
    x = wn * delta_h * (1.0 - 0.8 * np.exp(-d / 50e3))
    s_location = 10.0 * x / (x + 13.0) if location_spread else 0.0
    s_minus = curve(_MINUS) * frequency_gain(*_FREQUENCY_MINUS[i])
    s_plus = curve(_PLUS) * frequency_gain(*_FREQUENCY_PLUS[i])
    z_tail = _TAIL_FROM[i]
    s_tail = _TAIL_RATIO[i] * s_plus
    beyond = s_tail + (s_plus - s_tail) * z_tail / np.maximum(z_time, z_tail)
    s_time = np.where(z_time < 0.0, s_minus, np.where(z_time <= z_tail, s_plus, beyond))

    y_rest: ArrayLike
    y_time, y_location = s_time * z_time, s_location * z_location
    y2 = s_situation**2 + y_time**2 / (7.8 + z_situation**2) + y_location**2 / (24.0 + z_situation**2)
    if base == 0:
        y_rest, y_confidence = 0.0, z_situation * np.sqrt(s_time**2 + s_location**2 + y2)
    elif base == 1:
        y_rest, y_confidence = y_time, z_situation * np.sqrt(s_location**2 + y2)
    elif base == 2:
        y_rest, y_confidence = z_time * np.sqrt(s_time**2 + s_location**2), z_situation * np.sqrt(y2)
    else:
        y_rest, y_confidence = y_time + y_location, z_situation * np.sqrt(y2)
    a = reference - curve(_MEDIAN) - y_rest - y_confidence
    result: Floats = np.where(a < 0.0, a * (29.0 - a) / (29.0 - 10.0 * np.minimum(a, 0.0)), a)
    return result

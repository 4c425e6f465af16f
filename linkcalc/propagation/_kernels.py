"""Delta-Bullington diffraction, written once for numpy and for the compiler.

Everything here takes the standards' own units (km, metres of height, GHz) and checks nothing. Functions of
one path work on plain numbers. Functions of frequency or of percentages work element by element, on numpy
arrays or, compiled, on numbers. Only the `scan_` functions look at profile points. All of it stands in the
subset of Python that numba compiles, see `compiled`.

No scan depends on the frequency: the diffraction parameter is proportional to 1/sqrt(lambda), so the point
with the largest one is the same at every frequency. They return it for lambda = 1 m.

Source: Rec. ITU-R P.1812-8 (09/2025), section 4.3 and Attachment 1, equation numbers of edition 6; the same
method as in Rec. ITU-R P.526-15, section 4.5.
"""

import math
from typing import Any, NamedTuple

import numpy as np

from linkcalc._arrays import Floats

EARTH_RADIUS_KM = 6371.0
LAMBDA_GHZ_M = 0.2998
"""Wavelength times frequency as the standard rounds it; its tables are reproduced with this value only."""

# A float in compiled code, an array or a float in numpy.
Number = Any

_FLAGS = (bool, np.bool_)


def where(condition: Any, yes: Number, no: Number) -> Number:
    """Choose element by element; both choices have been computed already."""
    if isinstance(condition, _FLAGS):
        return yes if condition else no
    return np.where(condition, yes, no)


# ---------------------------------------------------------------- scans over the points of a profile
# d: km from the transmitter, from 0; h, top: m above sea level; all of the same length n >= 3.
# Slopes are in m/km and relative to the horizontal at the antenna: a point falls away from it by 500 x / a.
# Relative to the chord between the ends, as the standard's Bullington part has them, they are larger by
# 500 D / a.


class Scan(NamedTuple):
    """What one look at a profile gives, with antennas at ht and hr, for two earth radii."""

    v1: float
    v2: float
    """Sums of the least-squares smooth earth."""
    hobs: float
    at: float
    ar: float
    """Highest obstruction above the line of sight (m), and its steepest slope from either end."""
    t: float
    lt: int
    """Steepest slope from the transmitter to the bare ground, first radius; the first point that reaches
    it."""
    r: float
    lr: int
    """The same from the receiver; the last point."""
    stim: float
    srim: float
    """Steepest slopes from either end to the tops, first radius."""
    stim2: float
    srim2: float
    """The same for the second radius."""


def scan_profile(d: Floats, h: Floats, top: Floats, ht: float, hr: float, a: float, a2: float) -> Scan:
    """Look once at the profile."""
    length = d[-1]
    line = (hr - ht) / length
    bulge, bulge2 = 500.0 / a, 500.0 / a2
    d1, d0, h1, h0 = d[1:], d[:-1], h[1:], h[:-1]
    step = d1 - d0
    both = h1 + h0
    v1 = np.sum(step * both)
    v2 = np.sum(step * (3.0 * d0 * both + step * (both + h1)))
    x = d[1:-1]
    y = length - x
    to_x = 1.0 / x
    to_y = 1.0 / y
    ground = h[1:-1]
    tops = top[1:-1]
    bulge_x = bulge * x
    bulge_y = bulge * y
    # bare ground for horizons and smooth surface; clutter only counts for Bullington's slopes below
    ground_t = (ground - ht) * to_x
    ground_r = (ground - hr) * to_y
    t = ground_t - bulge_x
    r = ground_r - bulge_y
    lt = int(t.argmax())
    lr = len(r) - 1 - int(r[::-1].argmax())
    top_t = (tops - ht) * to_x
    top_r = (tops - hr) * to_y
    return Scan(
        float(v1),
        float(v2),
        float((ground - line * x).max()) - ht,
        float(ground_t.max()) - line,
        float(ground_r.max()) + line,
        float(t[lt]),
        lt + 1,
        float(r[lr]),
        lr + 1,
        float((top_t - bulge_x).max()),
        float((top_r - bulge_y).max()),
        float((top_t - bulge2 * x).max()),
        float((top_r - bulge2 * y).max()),
    )


def scan_nu(d: Floats, top: Floats, ht: float, hr: float, a: float, a2: float) -> tuple[float, int, float]:
    """Largest diffraction parameter for lambda = 1 m and the last point that reaches it, for the first
    radius; the largest for the second radius.

    Only for a radius for which no top stands above the line of sight: then every parameter is negative, and
    the largest has the smallest square.
    """
    length = d[-1]
    x = d[1:-1]
    bulge = x * (length - x)
    weight = 1.0 / bulge
    excess = top[1:-1] - (ht + (hr - ht) / length * x)
    nu = excess + 500.0 / a * bulge
    nu *= nu * weight
    nu2 = excess + 500.0 / a2 * bulge
    nu2 *= nu2 * weight
    last = len(nu) - 1 - int(nu[::-1].argmin())
    scale = 0.002 * length
    return -math.sqrt(float(nu[last]) * scale), last + 1, -math.sqrt(float(nu2.min()) * scale)


def scan_smooth_nu(d: Floats, ht: float, hr: float, a: float) -> float:
    """`scan_nu` over a smooth earth of height 0 at the same distances, for one radius and without the point."""
    length = d[-1]
    x = d[1:-1]
    bulge = x * (length - x)
    nu = 500.0 / a * bulge - (ht + (hr - ht) / length * x)
    square = nu * nu * (1.0 / bulge)
    return -math.sqrt(float(square[np.argmin(square)]) * (0.002 * length))


# ---------------------------------------------------------------- one path: plain numbers


class Surface(NamedTuple):
    """Smooth surfaces fitted to the bare ground; m above sea level at the transmitter and receiver."""

    hst: float
    hsr: float
    hstd: float
    """Of the diffraction model, never above the ground."""
    hsrd: float


def fit_surface(
    v1: float, v2: float, hobs: float, at: float, ar: float, length: float, tx_ground: float, rx_ground: float
) -> Surface:
    """Attachment 1, section 1.6: least-squares surface and the one that the diffraction model uses; see `Scan`."""
    hst = (2.0 * v1 * length - v2) / length**2
    hsr = (v2 - v1 * length) / length**2
    hstp = hst
    hsrp = hsr
    if hobs > 0.0:
        hstp = hst - hobs * at / (at + ar)
        hsrp = hsr - hobs * ar / (at + ar)
    return Surface(hst, hsr, min(hstp, tx_ground), min(hsrp, rx_ground))


def bullington_edge(
    stim: float, srim: float, length: float, ht: float, hr: float, first: float, last: float
) -> float:
    """Diffraction parameter, for lambda = 1 m, of the one edge where both horizon rays meet [18-20].

    They meet between the first and the last inner point; holding the meeting point there only matters when
    both rays are the same line, where rounding would put it anywhere.
    """
    both = stim + srim
    db = first
    if both > 0.0:
        db = min(max((hr - ht + srim * length) / both, first), last)
    excess = ht + stim * db - (ht * (length - db) + hr * db) / length
    return excess * math.sqrt(0.002 * length / (db * (length - db)))


def bullington_nu(
    d: Floats, top: Floats, scan: Scan, ht: float, hr: float, a: float, a2: float
) -> tuple[float, float]:
    """Diffraction parameters of the profile for lambda = 1 m and both radii [13-20]."""
    length = float(d[-1])
    line = (hr - ht) / length
    chord = 500.0 * length / a
    chord2 = 500.0 * length / a2
    stim = scan.stim + chord
    stim2 = scan.stim2 + chord2
    nu = 0.0
    nu2 = 0.0
    # one scan answers for both radii; it only holds, and is only used, where the radius has line of sight
    if stim < line or stim2 < line:
        nu, _, nu2 = scan_nu(d, top, ht, hr, a, a2)
    if stim >= line:
        nu = bullington_edge(stim, scan.srim + chord, length, ht, hr, float(d[1]), float(d[-2]))
    if stim2 >= line:
        nu2 = bullington_edge(stim2, scan.srim2 + chord2, length, ht, hr, float(d[1]), float(d[-2]))
    return nu, nu2


def first_from(d: Floats, value: float) -> int:
    """Index of the first inner point at or beyond a distance; the last inner point if none is.

    By hand: numpy's search takes the compiler ten times as long.
    """
    low = 1
    high = len(d) - 2
    while low < high:
        middle = (low + high) >> 1
        if d[middle] < value:
            low = middle + 1
        else:
            high = middle
    return low


def smooth_slope(d: Floats, height: float, a: float) -> float:
    """Steepest slope from an antenna to the points of a smooth earth of height 0, bulge added.

    500 (D - d)/a - height/d is concave in d, so its largest value over the points is beside its summit.
    """
    right = first_from(d, math.sqrt(height * a / 500.0))
    x0 = float(d[max(right - 1, 1)])
    x1 = float(d[right])
    length = float(d[-1])
    bulge = 500.0 / a
    return max(bulge * (length - x0) - height / x0, bulge * (length - x1) - height / x1)


def smooth_slope_back(d: Floats, height: float, a: float) -> float:
    """The same seen from the other end of the path."""
    length = float(d[-1])
    right = first_from(d, length - math.sqrt(height * a / 500.0))
    x0 = float(d[max(right - 1, 1)])
    x1 = float(d[right])
    bulge = 500.0 / a
    return max(bulge * x0 - height / (length - x0), bulge * x1 - height / (length - x1))


def smooth_bullington_nu(d: Floats, ht: float, hr: float, a: float) -> float:
    """`bullington_nu` for a smooth earth of height 0 at the same distances, for one radius."""
    length = float(d[-1])
    stim = smooth_slope(d, ht, a)
    if stim < (hr - ht) / length:
        return scan_smooth_nu(d, ht, hr, a)
    return bullington_edge(stim, smooth_slope_back(d, hr, a), length, ht, hr, float(d[1]), float(d[-2]))


class Sphere(NamedTuple):
    """What the spherical-earth loss needs to know of one path."""

    h1: float
    h2: float
    """Effective antenna heights, m."""
    beyond: bool
    """Beyond the marginal line-of-sight distance."""
    radius: float
    """Effective earth radius for the first-term loss, km: the given one, or the one that just grazes."""
    hse: float
    """Smallest clearance over the curved earth, m."""
    reach: float
    """d1 d2 / D of that point, km."""


def smallest_clearance(length: float, h1: float, h2: float, a: float) -> tuple[float, float, float]:
    """Smallest clearance (m) of the ray over a smooth earth, and the two distances (km) [24, 25]."""
    c = (h1 - h2) / (h1 + h2)
    m = 250.0 * length * length / (a * (h1 + h2))
    # 1 at m = 1/2 when one antenna is far above the other: rounding could take it beyond what acos knows
    cosine = 1.5 * c * math.sqrt(3.0 * m / (m + 1.0) ** 3)
    b = (
        2.0
        * math.sqrt((m + 1.0) / (3.0 * m))
        * math.cos(math.pi / 3.0 + math.acos(min(max(cosine, -1.0), 1.0)) / 3.0)
    )
    d1 = 0.5 * length * (1.0 + b)
    d2 = length - d1
    hse = ((h1 - 500.0 * d1 * d1 / a) * d2 + (h2 - 500.0 * d2 * d2 / a) * d1) / length
    return hse, d1, d2


def sphere_of_path(length: float, h1: float, h2: float, a: float) -> Sphere:
    """Geometry of the spherical-earth loss [22-27]."""
    roots = math.sqrt(0.001 * h1) + math.sqrt(0.001 * h2)
    if length >= math.sqrt(2.0 * a) * roots:
        return Sphere(h1, h2, True, a, 0.0, 0.0)
    hse, d1, d2 = smallest_clearance(length, h1, h2, a)
    grazing = 500.0 * (length / (math.sqrt(h1) + math.sqrt(h2))) ** 2
    return Sphere(h1, h2, False, grazing, hse, d1 * d2 / length)


# ---------------------------------------------------------------- element by element


def knife_edge(nu: Number) -> Number:
    """Approximate knife-edge loss, dB [12]."""
    # both choices are computed: far below the range the logarithm would see 0
    x = np.maximum(nu, -0.78) - 0.1
    return where(nu > -0.78, 6.9 + 20.0 * np.log10(np.sqrt(x * x + 1.0) + x), 0.0)


def bullington(nu1: float, length: float, f: Number) -> Number:
    """Bullington loss, dB, from the diffraction parameter for lambda = 1 m [16, 20, 21]."""
    luc = knife_edge(nu1 / np.sqrt(LAMBDA_GHZ_M / f))
    return luc + (1.0 - np.exp(-luc / 6.0)) * (10.0 + 0.02 * length)


def height_gain(beta: Number, y: Number, k: Number) -> Number:
    """Antenna height term G of the first-term loss, dB [35, 36]."""
    b = beta * y
    # held where the other branch serves: the root of a negative number would warn
    high = np.maximum(b, 2.0) - 1.1
    lg = np.log10(where(b > 2.0, high, b + 0.1 * b * b * b))
    gain = where(b > 2.0, 17.6 * np.sqrt(high) - 5.0 * lg - 8.0, 20.0 * lg)
    return np.maximum(gain, 2.0 + 20.0 * np.log10(k))


def first_term_over(
    length: float, h1: float, h2: float, a: float, f: Number, vertical: bool, eps: float, sigma: float
) -> Number:
    """First-term spherical-earth loss over one kind of surface, dB [29-36]."""
    loss_term = (18.0 * sigma / f) ** 2
    root_f = f ** (1.0 / 3.0)
    per_root_a = a ** (-1.0 / 3.0)
    k = 0.036 * per_root_a / root_f * ((eps - 1.0) ** 2 + loss_term) ** -0.25
    if vertical:
        k = k * np.sqrt(eps * eps + loss_term)
    k2 = k * k
    k4 = k2 * k2
    beta = (1.0 + 1.6 * k2 + 0.67 * k4) / (1.0 + 4.5 * k2 + 1.53 * k4)
    x = 21.88 * beta * root_f * per_root_a * per_root_a * length
    y = 0.9575 * beta * root_f * root_f * per_root_a
    lg = np.log10(x)
    fx = where(x >= 1.6, 11.0 + 10.0 * lg - 17.6 * x, -20.0 * lg - 5.6488 * x**1.425)
    return -fx - height_gain(beta, y * h1, k) - height_gain(beta, y * h2, k)


def first_term(
    length: float, h1: float, h2: float, a: float, omega: float, f: Number, vertical: bool
) -> Number:
    """First-term spherical-earth loss, dB, for the share `omega` of the path over sea [28]."""
    # a path is mostly all land: half the work is spared where a surface has no weight
    if omega <= 0.0:
        return first_term_over(length, h1, h2, a, f, vertical, 22.0, 0.003)
    if omega >= 1.0:
        return first_term_over(length, h1, h2, a, f, vertical, 80.0, 5.0)
    return omega * first_term_over(length, h1, h2, a, f, vertical, 80.0, 5.0) + (
        1.0 - omega
    ) * first_term_over(length, h1, h2, a, f, vertical, 22.0, 0.003)


def spherical(sphere: Sphere, length: float, omega: float, f: Number, vertical: bool) -> Number:
    """Spherical-earth loss, dB [22-27]."""
    loss = first_term(length, sphere.h1, sphere.h2, sphere.radius, omega, f, vertical)
    if sphere.beyond:
        return loss
    required = 17.456 * np.sqrt(sphere.reach * (LAMBDA_GHZ_M / f))
    share = np.maximum(1.0 - sphere.hse / required, 0.0)
    # within the horizon the first term of the series alone may come out below 0: no gain is read into that
    return share * np.maximum(loss, 0.0)


def delta_bullington(
    d: Floats,
    h: Floats,
    top: Floats,
    hts: float,
    hrs: float,
    a: float,
    omega: float,
    f: Number,
    vertical: bool,
) -> Number:
    """Delta-Bullington loss of one path for one earth radius, dB [37-39]."""
    length = float(d[-1])
    scan = scan_profile(d, h, top, hts, hrs, a, a)
    surface = fit_surface(scan.v1, scan.v2, scan.hobs, scan.at, scan.ar, length, float(h[0]), float(h[-1]))
    h1 = hts - surface.hstd
    h2 = hrs - surface.hsrd
    actual = bullington(bullington_nu(d, top, scan, hts, hrs, a, a)[0], length, f)
    smooth = bullington(smooth_bullington_nu(d, h1, h2, a), length, f)
    sphere = spherical(sphere_of_path(length, h1, h2, a), length, omega, f, vertical)
    # what one edge misses of a rounded earth is added; where it misses nothing, nothing is taken off
    return actual + np.maximum(sphere - smooth, 0.0)

"""Delta-Bullington diffraction, written once for numpy and for the compiler.

Everything here takes the standards' own units (km, metres of height, GHz) and checks nothing. Functions of
one path work on plain numbers. Functions of frequency or of percentages work element by element, on numpy
arrays or, compiled, on numbers. Only the `scan_` functions look at profile points; they are written here
for numpy, and a second time as loops in `compiled`.

No scan depends on the frequency: the diffraction parameter is proportional to 1/sqrt(lambda), so the point
with the largest one is the same at every frequency. They return it for lambda = 1 m.

Source: Rec. ITU-R P.1812-8 (09/2025), section 4.3 and Attachment 1, equation numbers of edition 6; the same
method as in Rec. ITU-R P.526-15, section 4.5.
"""

import math
from typing import Any, NamedTuple

import numpy as np

from linkcalc._arrays import Floats

LAMBDA_GHZ_M = 0.2998
"""Wavelength times frequency as the standard rounds it; its tables are reproduced with this value only."""

# A float in compiled code, an array or a float in numpy.
Number = Any


def where(condition: Any, yes: Number, no: Number) -> Number:
    """Choose element by element; both choices have been computed already."""
    if isinstance(condition, bool | np.bool_):
        return yes if condition else no
    return np.where(condition, yes, no)


# ---------------------------------------------------------------- scans over the points of a profile
# d: km from the transmitter, from 0; h, top: m above sea level; all of the same length n >= 3.


def scan_surface(d: Floats, h: Floats) -> tuple[float, float]:
    """Sums v1 and v2 of the least-squares smooth earth."""
    d1, d0, h1, h0 = d[1:], d[:-1], h[1:], h[:-1]
    step = d1 - d0
    v1 = np.dot(step, h1 + h0)
    v2 = np.dot(step, h1 * (2.0 * d1 + d0) + h0 * (d1 + 2.0 * d0))
    return float(v1), float(v2)


def scan_obstruction(d: Floats, h: Floats, ht: float, hr: float) -> tuple[float, float, float]:
    """Highest obstruction above the line of sight, and its steepest elevation from either end (m, m/km)."""
    x = d[1:-1]
    y = d[-1] - x
    above = h[1:-1] - (ht * y + hr * x) / d[-1]
    return float(above.max()), float((above / x).max()), float((above / y).max())


def scan_horizons(d: Floats, h: Floats, ht: float, hr: float, a: float) -> tuple[float, int, float, int]:
    """Tangent of the highest elevation seen from the transmitter, the first point that reaches it; the
    same for the receiver, with the last point."""
    x = d[1:-1]
    y = d[-1] - x
    inner = h[1:-1]
    t = (inner - ht) / (1000.0 * x) - x / (2.0 * a)
    r = (inner - hr) / (1000.0 * y) - y / (2.0 * a)
    lt = int(t.argmax())
    lr = len(r) - 1 - int(r[::-1].argmax())
    return float(t[lt]), lt + 1, float(r[lr]), lr + 1


def scan_slopes(d: Floats, top: Floats, ht: float, hr: float, a: float) -> tuple[float, float]:
    """Steepest slopes (m/km) from either end to the tops with the earth's bulge added."""
    x = d[1:-1]
    y = d[-1] - x
    bulged = top[1:-1] + 500.0 * x * y / a
    return float(((bulged - ht) / x).max()), float(((bulged - hr) / y).max())


def scan_nu(d: Floats, top: Floats, ht: float, hr: float, a: float) -> tuple[float, int]:
    """Largest diffraction parameter for lambda = 1 m, and the last point that reaches it."""
    x = d[1:-1]
    y = d[-1] - x
    length = d[-1]
    excess = top[1:-1] + 500.0 * x * y / a - (ht * y + hr * x) / length
    nu = excess * np.sqrt(0.002 * length / (x * y))
    last = len(nu) - 1 - int(nu[::-1].argmax())
    return float(nu[last]), last + 1


def scan_smooth_nu(d: Floats, ht: float, hr: float, a: float) -> float:
    """`scan_nu` over the same points of a smooth earth of height 0."""
    x = d[1:-1]
    y = d[-1] - x
    length = d[-1]
    excess = 500.0 * x * y / a - (ht * y + hr * x) / length
    return float((excess * np.sqrt(0.002 * length / (x * y))).max())


# ---------------------------------------------------------------- one path: plain numbers


class Surface(NamedTuple):
    """Smooth surfaces fitted to the bare ground; m above sea level at the transmitter and receiver."""

    hst: float
    hsr: float
    hstd: float
    """Of the diffraction model, never above the ground."""
    hsrd: float


def fit_surface(d: Floats, h: Floats, hts: float, hrs: float) -> Surface:
    """Attachment 1, section 1.6: least-squares surface and the one that the diffraction model uses."""
    length = d[-1]
    v1, v2 = scan_surface(d, h)
    hst = (2.0 * v1 * length - v2) / length**2
    hsr = (v2 - v1 * length) / length**2
    hobs, at, ar = scan_obstruction(d, h, hts, hrs)
    hstp = hst
    hsrp = hsr
    if hobs > 0.0:
        hstp = hst - hobs * at / (at + ar)
        hsrp = hsr - hobs * ar / (at + ar)
    return Surface(hst, hsr, min(hstp, h[0]), min(hsrp, h[-1]))


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


def bullington_nu(d: Floats, top: Floats, ht: float, hr: float, a: float) -> float:
    """Diffraction parameter of the whole path for lambda = 1 m [13-20]."""
    length = d[-1]
    stim, srim = scan_slopes(d, top, ht, hr, a)
    if stim < (hr - ht) / length:
        return scan_nu(d, top, ht, hr, a)[0]
    return bullington_edge(stim, srim, length, ht, hr, d[1], d[-2])


def smooth_slope(d: Floats, height: float, a: float) -> float:
    """Steepest slope from an antenna to the points of a smooth earth of height 0, bulge added.

    500 (D - d)/a - height/d is concave in d, so its largest value over the points is beside its summit.
    """
    n = len(d)
    right = min(max(np.searchsorted(d, math.sqrt(height * a / 500.0)), 1), n - 2)
    left = max(right - 1, 1)
    length = d[-1]
    return max(
        500.0 * (length - d[left]) / a - height / d[left],
        500.0 * (length - d[right]) / a - height / d[right],
    )


def smooth_slope_back(d: Floats, height: float, a: float) -> float:
    """The same seen from the other end of the path."""
    n = len(d)
    length = d[-1]
    right = min(max(np.searchsorted(d, length - math.sqrt(height * a / 500.0)), 1), n - 2)
    left = max(right - 1, 1)
    return max(
        500.0 * d[left] / a - height / (length - d[left]),
        500.0 * d[right] / a - height / (length - d[right]),
    )


def smooth_bullington_nu(d: Floats, ht: float, hr: float, a: float) -> float:
    """`bullington_nu` over the same points of a smooth earth of height 0."""
    length = d[-1]
    stim = smooth_slope(d, ht, a)
    if stim < (hr - ht) / length:
        return scan_smooth_nu(d, ht, hr, a)
    return bullington_edge(stim, smooth_slope_back(d, hr, a), length, ht, hr, d[1], d[-2])


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
    cosine = 1.5 * c * math.sqrt(3.0 * m / (m + 1.0) ** 3)
    angle = math.pi / 3.0 + math.acos(min(max(cosine, -1.0), 1.0)) / 3.0
    b = 2.0 * math.sqrt((m + 1.0) / (3.0 * m)) * math.cos(angle)
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
    x = np.maximum(nu, -0.78) - 0.1
    return where(nu > -0.78, 6.9 + 20.0 * np.log10(np.sqrt(x * x + 1.0) + x), 0.0)


def bullington(nu1: float, length: float, f: Number) -> Number:
    """Bullington loss, dB, from the diffraction parameter for lambda = 1 m [16, 20, 21]."""
    luc = knife_edge(nu1 / np.sqrt(LAMBDA_GHZ_M / f))
    return luc + (1.0 - np.exp(-luc / 6.0)) * (10.0 + 0.02 * length)


def height_gain(beta: Number, y: Number, k: Number) -> Number:
    """Antenna height term G of the first-term loss, dB [35, 36]."""
    b = beta * y
    high = np.maximum(b, 2.0) - 1.1
    gain = where(
        b > 2.0,
        17.6 * np.sqrt(high) - 5.0 * np.log10(high) - 8.0,
        20.0 * np.log10(b + 0.1 * b * b * b),
    )
    return np.maximum(gain, 2.0 + 20.0 * np.log10(k))


def first_term_over(
    length: float, h1: float, h2: float, a: float, f: Number, vertical: bool, eps: float, sigma: float
) -> Number:
    """First-term spherical-earth loss over one kind of surface, dB [29-36]."""
    loss_term = (18.0 * sigma / f) ** 2
    k = 0.036 * (a * f) ** (-1.0 / 3.0) * ((eps - 1.0) ** 2 + loss_term) ** -0.25
    if vertical:
        k = k * np.sqrt(eps * eps + loss_term)
    k2 = k * k
    k4 = k2 * k2
    beta = (1.0 + 1.6 * k2 + 0.67 * k4) / (1.0 + 4.5 * k2 + 1.53 * k4)
    x = 21.88 * beta * (f / (a * a)) ** (1.0 / 3.0) * length
    y = 0.9575 * beta * (f * f / a) ** (1.0 / 3.0)
    fx = where(
        x >= 1.6,
        11.0 + 10.0 * np.log10(x) - 17.6 * x,
        -20.0 * np.log10(x) - 5.6488 * x**1.425,
    )
    return -fx - height_gain(beta, y * h1, k) - height_gain(beta, y * h2, k)


def first_term(
    length: float, h1: float, h2: float, a: float, omega: float, f: Number, vertical: bool
) -> Number:
    """First-term spherical-earth loss, dB, for the share `omega` of the path over sea [28]."""
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
    return share * np.maximum(loss, 0.0)

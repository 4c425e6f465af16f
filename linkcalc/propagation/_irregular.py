"""The formulas of the irregular terrain model, in the order of its algorithm.

Profile to horizons, irregularity and effective heights; from these the reference attenuation (diffraction, line of
sight, scatter); then variability. The algorithm's symbols: d distance, h structural and he effective heights, dh
horizon distances, th horizon angles, delta_h irregularity, wn wave number; metres and radians, f in MHz. Sources as
in `irregular`.
"""

import math
from cmath import exp as cexp
from cmath import sqrt as csqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked
from linkcalc.errors import DomainError
from linkcalc.propagation.ground import GroundConstants


class Path(NamedTuple):
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


def earth(n0: float, hs: float) -> tuple[float, float]:
    """Surface refractivity at height `hs` and effective earth radius."""
    # 9460 m is this model's own scale height, not the 7350 m of the reference atmosphere
    ns = float(checked("n0", n0, above=0.0)) * math.exp(-hs / 9460.0)
    curvature = 157e-9 * (1.0 - 0.04665 * math.exp(ns / 179.3))
    if curvature <= 0.0:
        raise DomainError(f"n0 = {n0:g} bends rays more than the earth: the model is not defined there")
    return ns, 1.0 / curvature


def ground_impedance(f: float, polarisation: str, ground: GroundConstants[float]) -> complex:
    """Surface transfer impedance of the ground."""
    er = float(checked("relative_permittivity", ground.relative_permittivity, above=1.0))
    sigma = float(checked("conductivity_s_m", ground.conductivity_s_m, at_least=0.0))
    e = complex(er, 18e3 * sigma / float(f))
    if polarisation == "horizontal":
        return csqrt(e - 1.0)
    if polarisation == "vertical":
        return csqrt(e - 1.0) / e
    raise DomainError(f"polarisation must be vertical or horizontal, got {polarisation!r}")


def profile_parameters(
    xi: float, z: Floats, h: tuple[float, float], ae: float
) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float], float]:
    """Effective heights, horizon distances, horizon angles and irregularity of a profile."""
    d = xi * (len(z) - 1)
    dh, th = horizons(xi, z, h, ae)
    # The ground next to the antennas says nothing about the terrain between them.
    d0 = min(15.0 * h[0], 0.1 * dh[0])
    d1 = d - min(15.0 * h[1], 0.1 * dh[1])
    delta_h = irregularity(xi, z, d0, d1)

    if dh[0] + dh[1] > 1.5 * d:  # well inside line of sight: the profile shows no horizons, so estimate them
        fit = line(z, xi, d0, d1)
        # a hill under the antenna adds to its height, a hollow takes nothing off it
        he = (h[0] + max(float(z[0]) - fit[0], 0.0), h[1] + max(float(z[-1]) - fit[1], 0.0))
        dh, th = smooth_horizons(he, delta_h, ae)
        if dh[0] + dh[1] <= d:
            # the path has line of sight: smooth horizons that fall short of it are stretched to reach across
            q = (d / (dh[0] + dh[1])) ** 2
            he = (he[0] * q, he[1] * q)
            dh, th = smooth_horizons(he, delta_h, ae)
    else:
        fit_tx, _ = line(z, xi, d0, 0.9 * dh[0])
        _, fit_rx = line(z, xi, d - 0.9 * dh[1], d1)
        he = (h[0] + max(float(z[0]) - fit_tx, 0.0), h[1] + max(float(z[-1]) - fit_rx, 0.0))
    return he, dh, th, delta_h


def horizons(
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


def line(z: Floats, xi: float, d0: float, d1: float) -> tuple[float, float]:
    """Straight line fitted to the heights between `d0` and `d1`: its values at both ends of the profile."""
    n = len(z) - 1
    i0 = int(max(d0 / xi, 0.0))
    i1 = n - int(max(n - d1 / xi, 0.0))
    # a stretch of less than a step is widened by one on either side
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


def irregularity(xi: float, z: Floats, d0: float, d1: float) -> float:
    """Interdecile range of the heights about their trend, extended to a long path."""
    x0, x1 = d0 / xi, d1 / xi
    # too few points to have deciles
    if x1 - x0 < 2.0:
        return 0.0
    q = min(max(4, int(0.1 * (x1 - x0 + 8.0))), 25)
    # so many that both deciles fall on a sample
    count = 10 * q - 5
    heights = np.interp(np.linspace(x0, x1, count), np.arange(len(z)), z)
    first, last = line(heights, 1.0, 0.0, count - 1.0)
    rest = np.sort(heights - np.linspace(first, last, count))
    return float(rest[count - q] - rest[q - 1]) / (1.0 - 0.8 * math.exp(-(d1 - d0) / 50e3))


def smooth_horizons(
    he: tuple[float, float], delta_h: float, ae: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Typical horizon distances and angles over terrain of this irregularity."""
    dh, th = [], []
    for height in he:
        smooth = math.sqrt(2.0 * height * ae)
        dh.append(smooth * math.exp(-0.07 * math.sqrt(delta_h / max(height, 5.0))))
        th.append((0.65 * delta_h * (smooth / dh[-1] - 1.0) - 2.0 * height) / smooth)
    return (dh[0], dh[1]), (th[0], th[1])


def sited_height(h: float, delta_h: float, siting: int) -> float:
    """Effective height of an antenna whose site was chosen at random or with care."""
    if siting == 0:
        return h
    b = (4.0 if siting == 1 else 9.0) * (math.sin(0.1 * math.pi * h) if h < 5.0 else 1.0)
    return h + (1.0 + b) * math.exp(-min(20.0, 2.0 * h / max(1e-3, delta_h)))


def reference_attenuation_db(p: Path) -> tuple[float, str]:
    """Median attenuation over free space, and the mechanism that governs."""
    ds_ml = sum(math.sqrt(2.0 * he * p.ae) for he in p.he)
    d_ml = p.dh[0] + p.dh[1]
    x = (p.ae**2 / p.f) ** (1.0 / 3.0)

    # Beyond the horizon diffraction grows along a straight line.
    d3 = max(ds_ml, d_ml + 5.0 * x)
    d4 = d3 + 10.0 * x
    a3, a4 = diffraction_db(p, d3), diffraction_db(p, d4)
    slope = (a4 - a3) / (d4 - d3)
    start = a3 - slope * d3

    if p.d < ds_ml:
        return max(line_of_sight_db(p, ds_ml, d_ml, slope, start), 0.0), "line_of_sight"
    # the farther point first: the nearer one takes over its frequency gain
    h0, a6 = scatter_db(p, d_ml + 400e3, -1.0)
    _, a5 = scatter_db(p, d_ml + 200e3, h0)
    # 1001 stands for no scatter at all: diffraction then governs however long the path
    if a5 < 1000.0:
        scatter_slope = (a6 - a5) / 200e3
        dx = max(
            ds_ml,
            d_ml + 1.088 * x * math.log(p.f),
            (a5 - start - scatter_slope * (d_ml + 200e3)) / (slope - scatter_slope),
        )
        if p.d > dx:
            # the reference is never below free space; quantiles taken about it later may be
            return max(scatter_slope * p.d + (slope - scatter_slope) * dx + start, 0.0), "troposcatter"
    return max(slope * p.d + start, 0.0), "diffraction"


def roughness(p: Path, d: float) -> float:
    """Irregularity seen over a path of length `d`."""
    return p.delta_h * (1.0 - 0.8 * math.exp(-d / 50e3))


def sigma_h(roughness: float) -> float:
    """Root mean square deviation of the terrain within the first Fresnel zone."""
    return 0.78 * roughness * math.exp(-0.5 * roughness**0.25)


def horizon_angle(p: Path) -> float:
    return -max(p.th[0] + p.th[1], -(p.dh[0] + p.dh[1]) / p.ae)


def diffraction_db(p: Path, d: float) -> float:
    """Weighted mean of double knife edge and rounded earth, with a clutter term."""
    wn = p.f / 47.7
    d_ml = p.dh[0] + p.dh[1]
    theta_los = horizon_angle(p)
    theta = d / p.ae - theta_los
    gap = d - d_ml
    knife = sum(fresnel_db(0.0795775 * wn * theta**2 * dh * gap / (gap + dh)) for dh in p.dh)
    rounded = rounded_earth_db(p, gap, theta)

    ds_ml = sum(math.sqrt(2.0 * he * p.ae) for he in p.he)
    q = p.h[0] * p.h[1]
    sigma = sigma_h(roughness(p, ds_ml))
    clutter = min(15.0, 5.0 * math.log10(1.0 + 1e-5 * q * p.f * sigma))
    excess = p.he[0] * p.he[1] - q
    if p.point_to_point:  # low antennas on a known profile
        q += 10.0
    y = (math.sqrt(1.0 + excess / q) + (d_ml - theta_los * p.ae) / d) * min(roughness(p, d) * wn, 6283.2)
    weight = 25.1 / (25.1 + math.sqrt(y))
    return weight * rounded + (1.0 - weight) * knife + clutter


def fresnel_db(v2: float) -> float:
    """Single knife edge, of the squared parameter."""
    return 6.02 + 9.11 * math.sqrt(v2) - 1.27 * v2 if v2 < 5.76 else 12.953 + 10.0 * math.log10(v2)


def rounded_earth_db(p: Path, gap: float, theta: float) -> float:
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
    heights = height_db(xs[1], ks[1]) + height_db(xs[2], ks[2])
    return 0.05751 * x0 - 10.0 * math.log10(x0) - heights - 20.0


def height_db(x: float, k: float) -> float:
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


def line_of_sight_db(p: Path, ds_ml: float, d_ml: float, slope: float, start: float) -> float:
    """Curve k1 d + k2 ln d through two-ray values inside line of sight and the diffraction at its end."""
    a_s = slope * ds_ml + start
    d0 = 0.04 * p.f * p.he[0] * p.he[1]
    if start >= 0.0:
        d0 = min(d0, 0.5 * d_ml)
        d1 = d0 + 0.25 * (d_ml - d0)
    else:
        d1 = max(-start / slope, 0.25 * d_ml)
    a1 = two_ray_db(p, d1, ds_ml, slope, start)

    k1 = k2 = 0.0
    curved = False
    if d0 < d1:
        a0 = two_ray_db(p, d0, ds_ml, slope, start)
        q = math.log(ds_ml / d0)
        k2 = ((ds_ml - d0) * (a1 - a0) - (d1 - d0) * (a_s - a0)) / (
            (ds_ml - d0) * math.log(d1 / d0) - (d1 - d0) * q
        )
        # neither term may fall with distance, or a longer path would lose less; where both vanish, the slope
        # of the diffraction line stands in
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


def two_ray_db(p: Path, d: float, ds_ml: float, slope: float, start: float) -> float:
    """Two rays over rough ground, mixed with the diffraction line where the ground is irregular."""
    wn = p.f / 47.7
    h_sum = p.he[0] + p.he[1]
    sin_psi = h_sum / math.hypot(d, h_sum)
    rough = math.exp(-min(10.0, wn * sigma_h(roughness(p, d)) * sin_psi))
    reflection = (sin_psi - p.z_ground) / (sin_psi + p.z_ground) * rough
    q = abs(reflection) ** 2
    if q < 0.25 or q < sin_psi:
        reflection *= math.sqrt(sin_psi / q)
    phase = 2.0 * wn * p.he[0] * p.he[1] / d
    # past a quarter turn the two rays would beat: a median has no lobes, so the phase creeps to pi
    if phase > math.pi / 2.0:
        phase = math.pi - (math.pi / 2.0) ** 2 / phase
    two_ray = -20.0 * math.log10(abs(cexp(-1j * phase) + reflection))
    weight = 1.0 / (1.0 + p.f * p.delta_h / max(10e3, ds_ml))
    return weight * two_ray + (1.0 - weight) * (slope * d + start)


def scatter_db(p: Path, d: float, h0: float) -> tuple[float, float]:
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
        h00 = 0.5 * (h0_db(r1, eta) + h0_db(r2, eta))
        asymmetry = 6.0 * (0.6 - math.log10(max(eta, 1.0))) * math.log10(s) * math.log10(q)
        gain = max(0.0, h00 + min(h00, asymmetry))
        if eta < 1.0:
            root = math.sqrt(2.0)
            ratio = ((1.0 + root / r1) * (1.0 + root / r2)) ** 2 * (r1 + r2) / (r1 + r2 + 2.0 * root)
            gain = eta * gain + (1.0 - eta) * 10.0 * math.log10(ratio)
        h0 = h0 if gain > 15.0 and h0 >= 0.0 else gain
    theta = d / p.ae - horizon_angle(p)
    y = theta * d
    refractivity = 0.1 * (p.ns - 301.0) * math.exp(-y / 40e3)
    return h0, f_db(y) + 10.0 * math.log10(47.7 * wn * theta**4) - refractivity + h0


H0_CURVES = ((25.0, 24.0), (80.0, 45.0), (177.0, 68.0), (395.0, 80.0), (705.0, 105.0))


def h0_db(r: float, eta: float) -> float:
    """Frequency gain function, linear between its curves for eta 1 to 5."""
    eta = min(max(eta, 1.0), 5.0)
    i = min(int(eta), 4)
    low, high = (10.0 * math.log10(1.0 + a * r**-4 + b * r**-2) for a, b in H0_CURVES[i - 1 : i + 1])
    return low + (high - low) * (eta - i)


def f_db(y: float) -> float:
    """Attenuation function of angle times distance."""
    if y <= 10e3:
        return 133.4 + 0.332e-3 * y - 10.0 * math.log10(y)
    if y <= 70e3:
        return 104.6 + 0.212e-3 * y - 2.5 * math.log10(y)
    return 71.8 + 0.157e-3 * y + 5.0 * math.log10(y)


# Columns: climates 1 to 7. Rows c1, c2 (dB), x1, x2, x3 (km): of the median, and of the spread on both sides.
MEDIAN = np.array(
    [
        [-9.67, -0.62, 1.26, -9.21, -0.62, -0.39, 3.15],
        [12.7, 9.19, 15.5, 9.05, 9.19, 2.86, 857.9],
        [144.9, 228.9, 262.6, 84.1, 228.9, 141.7, 2222.0],
        [190.3, 205.2, 185.2, 101.1, 205.2, 315.9, 164.8],
        [133.8, 143.6, 99.8, 98.6, 143.6, 167.4, 116.3],
    ]
)
MINUS = np.array(
    [
        [2.13, 2.66, 6.11, 1.98, 2.68, 6.86, 8.51],
        [159.5, 7.67, 6.65, 13.11, 7.16, 10.38, 169.8],
        [762.2, 100.4, 138.2, 139.1, 93.7, 187.8, 609.8],
        [123.6, 172.5, 242.2, 132.7, 186.8, 169.6, 119.9],
        [94.5, 136.4, 178.6, 193.5, 133.5, 108.9, 106.6],
    ]
)
PLUS = np.array(
    [
        [2.11, 6.87, 10.08, 3.68, 4.75, 8.58, 8.43],
        [102.3, 15.53, 9.60, 159.3, 8.12, 13.97, 8.19],
        [636.9, 138.7, 165.3, 464.4, 93.2, 216.0, 136.2],
        [134.8, 143.7, 225.7, 93.1, 135.9, 152.0, 188.5],
        [95.6, 98.6, 129.7, 94.2, 113.4, 122.7, 122.9],
    ]
)
TAIL_RATIO = (1.224, 0.801, 1.38, 1.0, 1.224, 1.518, 1.518)
TAIL_FROM = (1.282, 2.161, 1.282, 20.0, 1.282, 1.282, 1.282)
PLAIN = (1.0, 0.0, 0.0)
FREQUENCY_MINUS = (PLAIN, PLAIN, PLAIN, PLAIN, (0.92, 0.25, 1.77), PLAIN, PLAIN)
FREQUENCY_PLUS = (PLAIN, (0.93, 0.31, 2.0), PLAIN, (0.93, 0.19, 1.79), (0.93, 0.31, 2.0), PLAIN, PLAIN)


def quantile_attenuation_db(
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

    # what the mode does not tell apart shares one deviate
    if base == 0:
        z_time = z_location = z_situation
    elif base == 1:
        z_location = z_situation
    elif base == 2:
        z_location = z_time

    s_situation = 5.0 + 3.0 * np.exp(-de / 100e3) if situation_spread else 0.0
    x = wn * delta_h * (1.0 - 0.8 * np.exp(-d / 50e3))
    s_location = 10.0 * x / (x + 13.0) if location_spread else 0.0
    s_minus = curve(MINUS) * frequency_gain(*FREQUENCY_MINUS[i])
    s_plus = curve(PLUS) * frequency_gain(*FREQUENCY_PLUS[i])
    # beyond this deviate the distribution has another spread; it begins there without a step
    z_tail = TAIL_FROM[i]
    s_tail = TAIL_RATIO[i] * s_plus
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
    a = reference - curve(MEDIAN) - y_rest - y_confidence
    # less loss than free space is squeezed, to a tenth of it in the end, so that no quantile gains at will
    result: Floats = np.where(a < 0.0, a * (29.0 - a) / (29.0 - 10.0 * np.minimum(a, 0.0)), a)
    return result

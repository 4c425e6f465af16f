"""The formulas of Rec. ITU-R P.1812, from a profile to the loss.

Units, and what is a number and what may be an array, as in `_kernels`.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.propagation import _kernels as k
from linkcalc.propagation._kernels import Number, where

SEA, COASTAL, INLAND = 1, 3, 4


class Path(NamedTuple):
    """What the prediction needs to know of one path: no frequency, no percentage."""

    d_km: float
    dtm_km: float
    """Longest stretch over land."""
    dlm_km: float
    """Longest stretch over inland zones."""
    omega: float
    """Share of the path over sea."""
    tau: float
    mu1: float
    mu4: float
    beta0_pct: float
    """Share of time during which lapse rates above 100 N-units/km are met."""
    ae_km: float
    """Median effective earth radius."""
    abeta_km: float
    """Effective earth radius exceeded for beta0."""
    hts_m: float
    hrs_m: float
    """Antennas above sea level."""
    transhorizon: bool
    lt: int
    lr: int
    """Profile points of the horizons, counted from 0; in line of sight, of the largest diffraction
    parameter."""
    dlt_km: float
    dlr_km: float
    theta_t_mrad: float
    theta_r_mrad: float
    """Horizon elevation angles."""
    theta_mrad: float
    """Path angular distance."""
    hst_raw_m: float
    hsr_raw_m: float
    """Smooth-earth surface as fitted."""
    hst_m: float
    hsr_m: float
    """The same, not above the ground: the surface of the ducting model."""
    hstd_m: float
    hsrd_m: float
    """Surface of the diffraction model."""
    hte_diff_m: float
    hre_diff_m: float
    """Effective antenna heights of the diffraction model."""
    hte_duct_m: float
    hre_duct_m: float
    """Effective antenna heights of the ducting model."""
    hm_m: float
    """Terrain roughness."""
    nu1_actual_ae: float
    nu1_smooth_ae: float
    nu1_actual_beta: float
    nu1_smooth_beta: float
    """Bullington diffraction parameters for lambda = 1 m: profile and smooth earth, both earth radii."""
    sphere_ae: k.Sphere
    sphere_beta: k.Sphere
    act_db: float
    acr_db: float
    """Over-sea surface duct coupling."""
    theta1_mrad: float
    alpha: float
    mu2: float
    mu3: float
    beta_pct: float
    Gamma: float
    Fj: float
    Fk: float


class Terms(NamedTuple):
    """The losses, dB, and what leads to them, in the order of computation."""

    Lbfs_db: Number
    """Free space."""
    Lb0p_db: Number
    Lb0b_db: Number
    """Line of sight with multipath and focusing, for p and for beta0."""
    Lbulla_ae_db: Number
    Lbulls_ae_db: Number
    Ldsph_ae_db: Number
    Ld50_db: Number
    Lbulla_beta_db: Number
    Lbulls_beta_db: Number
    Ldsph_beta_db: Number
    Ldb_db: Number
    """Diffraction for the median earth radius and for that of beta0: Bullington over the profile and over
    the smooth earth, spherical earth, and all three joined."""
    Fi: Number
    Ldp_db: Number
    Lbd50_db: Number
    Lbd_db: Number
    Lbs_db: Number
    """Troposcatter."""
    Lba_db: Number
    """Ducting and layer reflection."""
    Lminb0p_db: Number
    Lminbap_db: Number
    Lbda_db: Number
    Lbam_db: Number
    Lbc_db: Number
    """Median over locations."""
    Lloc_db: Number
    Lb_db: Number
    """Basic transmission loss."""
    E_dbuvm: Number
    """Field strength for 1 kW e.r.p."""


def scan_sections(d: Floats, zone: NDArray[np.int8]) -> tuple[float, float, float]:
    """Longest stretch of land, longest of inland, and total of sea (km); zones change half-way."""
    if (zone == INLAND).all():
        return float(d[-1]), float(d[-1]), 0.0
    edges = np.empty(d.size + 1)
    edges[0], edges[-1] = d[0], d[-1]
    edges[1:-1] = 0.5 * (d[1:] + d[:-1])
    sea = zone == SEA
    return longest(edges, ~sea), longest(edges, zone == INLAND), float(np.diff(edges)[sea].sum())


def longest(edges: Floats, inside: NDArray[np.bool_]) -> float:
    """Length of the longest unbroken stretch, km.

    >>> longest(np.array([0.0, 1.0, 3.0, 4.0]), np.array([True, True, False]))
    3.0
    """
    found = 0.0
    start = 0
    for last in np.flatnonzero(inside[1:] != inside[:-1]):
        if inside[start]:
            found = max(found, float(edges[last + 1] - edges[start]))
        start = int(last) + 1
    if inside[start]:
        found = max(found, float(edges[-1] - edges[start]))
    return found


def scan_roughness(d: Floats, h: Floats, first: int, last: int, hst: float, slope: float) -> float:
    """Largest height above the smooth surface from one point to another, both included, m."""
    return float((h[first : last + 1] - (hst + slope * d[first : last + 1])).max())


def anomalous_propagation(dtm: float, dlm: float, phi: float) -> tuple[float, float, float, float]:
    """Time share beta0 of strong lapse rates, and the tau, mu1 and mu4 that lead to it [2-7]."""
    tau = 1.0 - math.exp(-4.12e-4 * dlm**2.41)
    mu1 = (10.0 ** (-dtm / (16.0 - 6.6 * tau)) + 10.0 ** (-5.0 * (0.496 + 0.354 * tau))) ** 0.2
    mu1 = min(mu1, 1.0)
    if phi <= 70.0:
        mu4 = mu1 ** (-0.935 + 0.0176 * phi)
        return tau, mu1, mu4, 10.0 ** (-0.015 * phi + 1.67) * mu1 * mu4
    mu4 = mu1**0.3
    return tau, mu1, mu4, 4.17 * mu1 * mu4


def path_of_profile(
    d: Floats,
    h: Floats,
    top: Floats,
    zone: NDArray[np.int8],
    htg: float,
    hrg: float,
    delta_n: float,
    latitude: float,
    dct: float,
    dcr: float,
) -> Path:
    """Path-central quantities, Attachment 1, and what of sections 4.3 to 4.5 hangs on the path alone."""
    length = float(d[-1])
    tx_ground, rx_ground = float(h[0]), float(h[-1])
    hts, hrs = tx_ground + htg, rx_ground + hrg

    # Radio-climatic parameters [1-7]
    dtm, dlm, sea = scan_sections(d, zone)
    omega = sea / length
    tau, mu1, mu4, beta0 = anomalous_propagation(dtm, dlm, abs(latitude))
    ae = k.EARTH_RADIUS_KM * 157.0 / (157.0 - delta_n)
    abeta = k.EARTH_RADIUS_KM * 3.0

    # Horizons (Attachment 1, section 1.5); slopes in m/km are tangents in thousandths
    scan = k.scan_profile(d, h, top, hts, hrs, ae, abeta)
    half_bulge = 500.0 * length / ae
    slope_t = (hrs - hts) / length - half_bulge
    slope_r = (hts - hrs) / length - half_bulge
    transhorizon = scan.t > slope_t
    if transhorizon:
        slope_t, slope_r = scan.t, scan.r
        lt, lr = scan.lt, scan.lr
    else:
        lt = k.scan_nu(d, h, hts, hrs, ae, abeta)[1]
        lr = lt
    dlt = float(d[lt])
    dlr = length - float(d[lr])
    theta_t = 1000.0 * math.atan(0.001 * slope_t)
    theta_r = 1000.0 * math.atan(0.001 * slope_r)
    theta = 1000.0 * length / ae + theta_t + theta_r

    # Smooth surfaces and roughness (Attachment 1, section 1.6)
    surface = k.fit_surface(scan.v1, scan.v2, scan.hobs, scan.at, scan.ar, length, tx_ground, rx_ground)
    hst = min(surface.hst, tx_ground)
    hsr = min(surface.hsr, rx_ground)
    hte = hts - hst
    hre = hrs - hsr
    hm = scan_roughness(d, h, min(lt, lr), max(lt, lr), hst, (hsr - hst) / length)

    # Diffraction geometry [13-27] for both earth radii
    h1 = hts - surface.hstd
    h2 = hrs - surface.hsrd
    actual_ae, actual_beta = k.bullington_nu(d, top, scan, hts, hrs, ae, abeta)
    smooth_ae = k.smooth_bullington_nu(d, h1, h2, ae)
    smooth_beta = k.smooth_bullington_nu(d, h1, h2, abeta)

    # Ducting [46-56], what does not hang on frequency and time
    act = sea_coupling(omega, dct, dlt, hts)
    acr = sea_coupling(omega, dcr, dlr, hrs)
    theta1 = 1000.0 * length / ae + min(theta_t, 0.1 * dlt) + min(theta_r, 0.1 * dlr)
    di = min(length - dlt - dlr, 40.0)
    mu3 = math.exp(-4.6e-5 * max(hm - 10.0, 0.0) * (43.0 + 6.0 * di))
    alpha = max(-3.4, -0.6 - 3.5e-9 * length**3.1 * tau)
    mu2 = (500.0 * length**2 / (ae * (math.sqrt(hte) + math.sqrt(hre)) ** 2)) ** alpha
    mu2 = min(mu2, 1.0)
    beta = beta0 * mu2 * mu3
    gamma = ducting_exponent(beta, length)

    # Interpolation [57, 58]
    fj = 1.0 - 0.5 * (1.0 + math.tanh(3.0 * 0.8 * (theta - 0.3) / 0.3))
    fk = 1.0 - 0.5 * (1.0 + math.tanh(3.0 * 0.5 * (length - 20.0) / 20.0))

    return Path(
        length, dtm, dlm, omega, tau, mu1, mu4, beta0, ae, abeta, hts, hrs,
        transhorizon, lt, lr, dlt, dlr, theta_t, theta_r, theta,
        surface.hst, surface.hsr, hst, hsr, surface.hstd, surface.hsrd, h1, h2, hte, hre, hm,
        actual_ae, smooth_ae, actual_beta, smooth_beta,
        k.sphere_of_path(length, h1, h2, ae), k.sphere_of_path(length, h1, h2, abeta),
        act, acr, theta1, alpha, mu2, mu3, beta, gamma, fj, fk,
    )  # fmt: skip


def ducting_exponent(beta: float, length: float) -> float:
    """Gamma, the exponent of the time share in the ducting loss [53a]."""
    lb = math.log10(beta)
    gamma = 1.076 / (2.0058 - lb) ** 1.012
    gamma *= math.exp(-(9.51 - 4.8 * lb + 0.198 * lb * lb) * 1e-6 * length**1.13)
    return float(gamma)


def sea_coupling(omega: float, coast: float, horizon: float, height: float) -> float:
    """Over-sea surface duct coupling of one terminal, dB [49]."""
    if omega >= 0.75 and coast <= horizon and coast <= 5.0:
        return -3.0 * math.exp(-0.25 * coast * coast) * (1.0 + math.tanh(0.07 * (50.0 - height)))
    return 0.0


def site_shielding(angle: float, horizon: float, f: Number) -> Number:
    """Site-shielding diffraction loss of one terminal, dB [48]."""
    above = angle - 0.1 * horizon
    if above <= 0.0:
        return 0.0
    return 20.0 * np.log10(1.0 + 0.361 * above * np.sqrt(f * horizon)) + 0.264 * above * f ** (1.0 / 3.0)


def upper_quantile(x: Number) -> Number:
    """Normal quantile exceeded with probability x, by the standard's approximation (Attachment 2)."""
    # the approximation is stated from 1e-6 to 1 - 1e-6; at 0 and 1 the logarithm would have no value
    x = np.minimum(np.maximum(x, 1e-6), 1.0 - 1e-6)
    t = np.sqrt(-2.0 * np.log(np.minimum(x, 1.0 - x)))
    c = ((0.010328 * t + 0.802853) * t + 2.515516698) / (((0.001308 * t + 0.189269) * t + 1.432788) * t + 1.0)
    return where(x <= 0.5, t - c, c - t)


def time_interpolation(p: Number, beta0: float) -> Number:
    """Share Fi of the way from the median to the beta0 diffraction loss [40]."""
    fi = upper_quantile(p * 0.01) / upper_quantile(beta0 * 0.01)
    return where(p >= 50.0, 0.0, where(p > beta0, fi, 1.0))


def losses(
    path: Path,
    f: Number,
    p: Number,
    pl: Number,
    sigma: Number,
    entry: Number,
    entry_sigma: Number,
    n0: float,
    vertical: bool,
) -> Terms:
    """Sections 4.2 to 4.10, element by element over everything but `path`."""
    d = path.d_km
    beta0 = path.beta0_pct
    horizons = path.dlt_km + path.dlr_km
    log_f = np.log10(f)

    # Free space and line of sight [8-11]
    lbfs = 92.4 + 20.0 * log_f + 10.0 * math.log10(d * d + ((path.hts_m - path.hrs_m) * 1e-3) ** 2)
    focus = 2.6 * (1.0 - math.exp(-0.1 * horizons))
    lb0p = lbfs + focus * np.log10(p / 50.0)
    lb0b = lbfs + focus * math.log10(beta0 / 50.0)

    # Diffraction [37-43]
    bulla = k.bullington(path.nu1_actual_ae, d, f)
    bulls = k.bullington(path.nu1_smooth_ae, d, f)
    dsph = k.spherical(path.sphere_ae, d, path.omega, f, vertical)
    ld50 = bulla + np.maximum(dsph - bulls, 0.0)
    bulla_b = k.bullington(path.nu1_actual_beta, d, f)
    bulls_b = k.bullington(path.nu1_smooth_beta, d, f)
    dsph_b = k.spherical(path.sphere_beta, d, path.omega, f, vertical)
    ldb = bulla_b + np.maximum(dsph_b - bulls_b, 0.0)
    fi = time_interpolation(p, beta0)
    ldp = ld50 + fi * (ldb - ld50)
    lbd50 = lbfs + ld50
    lbd = lb0p + ldp

    # Troposcatter [44, 45]
    lf = 25.0 * log_f - 2.5 * np.log10(0.5 * f) ** 2
    scatter_time = np.maximum(np.log10(50.0 / p), 0.0) ** 0.7
    lbs = 190.1 + lf + 20.0 * math.log10(d) + 0.573 * path.theta_mrad - 0.15 * n0 - 10.125 * scatter_time

    # Ducting and layer reflection [46-56]
    alf = where(f < 0.5, 45.375 - 137.0 * f + 92.5 * f * f, 0.0)
    ast = site_shielding(path.theta_t_mrad, path.dlt_km, f)
    asr = site_shielding(path.theta_r_mrad, path.dlr_km, f)
    af = 102.45 + 20.0 * log_f + 20.0 * math.log10(horizons) + alf + ast + asr + path.act_db + path.acr_db
    ratio = p / path.beta_pct
    ap = -12.0 + (1.2 + 3.7e-3 * d) * np.log10(ratio) + 12.0 * ratio**path.Gamma
    lba = af + 5e-5 * path.ae_km * f ** (1.0 / 3.0) * path.theta1_mrad + ap

    # Combination [57-63]
    over_land = (1.0 - path.omega) * ldp
    lminb0p = where(p < beta0, lb0p + over_land, lbd50 + (lb0b + over_land - lbd50) * fi)
    # logaddexp, since exp by itself overflows from losses of some 1770 dB on
    lminbap = 2.5 * np.logaddexp(lba / 2.5, lb0p / 2.5)
    lbda = where(lminbap > lbd, lbd, lminbap + (lbd - lminbap) * path.Fk)
    lbam = lbda + (lminb0p - lbda) * path.Fj
    lbc = -5.0 * np.log10(10.0 ** (-0.2 * lbs) + 10.0 ** (-0.2 * lbam))

    # Location variability and building entry [64-70], field strength [71]
    lloc = entry - upper_quantile(pl * 0.01) * np.sqrt(sigma * sigma + entry_sigma * entry_sigma)
    # a fortunate location takes no path below line of sight with its multipath and focusing
    lb = np.maximum(lb0p, lbc + lloc)
    field = 199.36 + 20.0 * log_f - lb

    return Terms(
        lbfs, lb0p, lb0b,
        bulla, bulls, dsph, ld50, bulla_b, bulls_b, dsph_b, ldb,
        fi, ldp, lbd50, lbd, lbs, lba,
        lminb0p, lminbap, lbda, lbam, lbc, lloc, lb, field,
    )  # fmt: skip

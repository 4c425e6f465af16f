"""Rec. ITU-R P.1812 written straight down, equation by equation, with numpy over the profile points.

A first writing without any thought of speed: one path, one frequency, one percentage, a dictionary of all
intermediate values. It shares no code with linkcalc: the yardstick of the benchmark, and a second opinion
for the tests.
"""

from typing import Any

import numpy as np


def inverse_normal(x: float) -> float:
    x = min(max(x, 1e-6), 1 - 1e-6)

    def t(y: float) -> float:
        return np.sqrt(-2 * np.log(y))

    def c(y: float) -> float:
        z = t(y)
        return ((0.010328 * z + 0.802853) * z + 2.515516698) / (
            ((0.001308 * z + 0.189269) * z + 1.432788) * z + 1
        )

    if x <= 0.5:
        return t(x) - c(x)
    return -(t(1 - x) - c(1 - x))


def longest_and_total(d: np.ndarray, inside: np.ndarray) -> tuple[float, float]:
    n = len(d)
    padded = np.concatenate(([False], inside, [False])).astype(int)
    starts = np.flatnonzero(np.diff(padded) == 1)
    ends = np.flatnonzero(np.diff(padded) == -1) - 1
    lengths = []
    for i, j in zip(starts, ends, strict=True):
        length = d[j] - d[i]
        if j < n - 1:
            length += (d[j + 1] - d[j]) / 2
        if i > 0:
            length += (d[i] - d[i - 1]) / 2
        lengths.append(length)
    return (max(lengths), sum(lengths)) if lengths else (0.0, 0.0)


def knife_edge(v: float) -> float:
    if v <= -0.78:
        return 0.0
    return 6.9 + 20 * np.log10(np.sqrt((v - 0.1) ** 2 + 1) + v - 0.1)


def bullington(d: np.ndarray, g: np.ndarray, ht: float, hr: float, a: float, lam: float) -> float:
    dtot = d[-1]
    di = d[1:-1]
    c = g[1:-1] + 500 * di * (dtot - di) / a
    stim = np.max((c - ht) / di)
    st = (hr - ht) / dtot
    if stim < st:
        v = np.max(
            (c - (ht * (dtot - di) + hr * di) / dtot) * np.sqrt(0.002 * dtot / (lam * di * (dtot - di)))
        )
    else:
        srim = np.max((c - hr) / (dtot - di))
        db = (hr - ht + srim * dtot) / (stim + srim)
        v = (ht + stim * db - (ht * (dtot - db) + hr * db) / dtot) * np.sqrt(
            0.002 * dtot / (lam * db * (dtot - db))
        )
    luc = knife_edge(v)
    return luc + (1 - np.exp(-luc / 6)) * (10 + 0.02 * dtot)


def first_term_one(
    dtot: float, h1: float, h2: float, a: float, f: float, pol: str, eps: float, sigma: float
) -> float:
    kh = 0.036 * (a * f) ** (-1 / 3) * ((eps - 1) ** 2 + (18 * sigma / f) ** 2) ** (-1 / 4)
    k = kh if pol == "horizontal" else kh * np.sqrt(eps**2 + (18 * sigma / f) ** 2)
    beta = (1 + 1.6 * k**2 + 0.67 * k**4) / (1 + 4.5 * k**2 + 1.53 * k**4)
    x = 21.88 * beta * (f / a**2) ** (1 / 3) * dtot
    y = 0.9575 * beta * (f**2 / a) ** (1 / 3)
    fx = 11 + 10 * np.log10(x) - 17.6 * x if x >= 1.6 else -20 * np.log10(x) - 5.6488 * x**1.425

    def gain(h: float) -> float:
        b = beta * y * h
        g = 17.6 * np.sqrt(b - 1.1) - 5 * np.log10(b - 1.1) - 8 if b > 2 else 20 * np.log10(b + 0.1 * b**3)
        return max(g, 2 + 20 * np.log10(k))

    return -fx - gain(h1) - gain(h2)


def first_term(dtot: float, h1: float, h2: float, a: float, f: float, pol: str, omega: float) -> float:
    land = first_term_one(dtot, h1, h2, a, f, pol, 22, 0.003)
    sea = first_term_one(dtot, h1, h2, a, f, pol, 80, 5)
    return omega * sea + (1 - omega) * land


def spherical(
    dtot: float, h1: float, h2: float, a: float, f: float, pol: str, omega: float, lam: float
) -> float:
    dlos = np.sqrt(2 * a) * (np.sqrt(0.001 * h1) + np.sqrt(0.001 * h2))
    if dtot >= dlos:
        return first_term(dtot, h1, h2, a, f, pol, omega)
    c = (h1 - h2) / (h1 + h2)
    m = 250 * dtot**2 / (a * (h1 + h2))
    b = (
        2
        * np.sqrt((m + 1) / (3 * m))
        * np.cos(np.pi / 3 + np.arccos(3 * c / 2 * np.sqrt(3 * m / (m + 1) ** 3)) / 3)
    )
    d1 = dtot * (1 + b) / 2
    d2 = dtot - d1
    hse = ((h1 - 500 * d1**2 / a) * d2 + (h2 - 500 * d2**2 / a) * d1) / dtot
    hreq = 17.456 * np.sqrt(d1 * d2 * lam / dtot)
    if hse > hreq:
        return 0.0
    aem = 500 * (dtot / (np.sqrt(h1) + np.sqrt(h2))) ** 2
    return (1 - hse / hreq) * max(first_term(dtot, h1, h2, aem, f, pol, omega), 0.0)


def predict(
    d: np.ndarray,
    h: np.ndarray,
    r: np.ndarray,
    zone: np.ndarray,
    htg: float,
    hrg: float,
    f: float,
    p: float,
    pol: str = "vertical",
    dn: float = 45.0,
    n0: float = 325.0,
    phi: float = 45.0,
    dct: float = 500.0,
    dcr: float = 500.0,
    pl: float = 50.0,
    sigma: float = 0.0,
) -> dict[str, Any]:
    """All values of one case; distances in km, heights in m, f in GHz, p and pl in %."""
    d = np.asarray(d, dtype=float)
    h = np.asarray(h, dtype=float)
    g = h + np.asarray(r, dtype=float)
    g[0], g[-1] = h[0], h[-1]
    dtot = d[-1] - d[0]
    lam = 0.2998 / f
    hts = h[0] + htg
    hrs = h[-1] + hrg

    # path-central quantities
    zone = np.asarray(zone)
    dtm = longest_and_total(d, (zone == 3) | (zone == 4))[0]
    dlm = longest_and_total(d, zone == 4)[0]
    omega = longest_and_total(d, zone == 1)[1] / dtot
    tau = 1 - np.exp(-4.12e-4 * dlm**2.41)
    mu1 = min((10 ** (-dtm / (16 - 6.6 * tau)) + 10 ** (-5 * (0.496 + 0.354 * tau))) ** 0.2, 1)
    if abs(phi) <= 70:
        mu4 = mu1 ** (-0.935 + 0.0176 * abs(phi))
        beta0 = 10 ** (-0.015 * abs(phi) + 1.67) * mu1 * mu4
    else:
        mu4 = mu1**0.3
        beta0 = 4.17 * mu1 * mu4
    ae = 6371 * 157 / (157 - dn)
    abeta = 6371 * 3.0

    # horizons
    di = d[1:-1]
    hi = h[1:-1]
    th = 1000 * np.arctan((hi - hts) / (1000 * di) - di / (2 * ae))
    th_td = 1000 * np.arctan((hrs - hts) / (1000 * dtot) - dtot / (2 * ae))
    if np.max(th) > th_td:
        theta_t = np.max(th)
        lt = int(np.flatnonzero(th == theta_t)[0]) + 1
        ph = 1000 * np.arctan((hi - hrs) / (1000 * (dtot - di)) - (dtot - di) / (2 * ae))
        theta_r = np.max(ph)
        lr = int(np.flatnonzero(ph == theta_r)[-1]) + 1
    else:
        theta_t = max(np.max(th), th_td)
        theta_r = 1000 * np.arctan((hts - hrs) / (1000 * dtot) - dtot / (2 * ae))
        nu = (hi + 500 * di * (dtot - di) / ae - (hts * (dtot - di) + hrs * di) / dtot) * np.sqrt(
            0.002 * dtot / (lam * di * (dtot - di))
        )
        lt = lr = int(np.flatnonzero(nu == np.max(nu))[-1]) + 1
    dlt = d[lt]
    dlr = dtot - d[lr]
    theta = 1000 * dtot / ae + theta_t + theta_r

    # smooth surfaces
    step = np.diff(d)
    v1 = np.sum(step * (h[1:] + h[:-1]))
    v2 = np.sum(step * (h[1:] * (2 * d[1:] + d[:-1]) + h[:-1] * (d[1:] + 2 * d[:-1])))
    hst_raw = (2 * v1 * dtot - v2) / dtot**2
    hsr_raw = (v2 - v1 * dtot) / dtot**2
    above = hi - (hts * (dtot - di) + hrs * di) / dtot
    hobs = np.max(above)
    at = np.max(above / di)
    ar = np.max(above / (dtot - di))
    if hobs <= 0:
        hstp, hsrp = hst_raw, hsr_raw
    else:
        hstp = hst_raw - hobs * at / (at + ar)
        hsrp = hsr_raw - hobs * ar / (at + ar)
    hstd = min(hstp, h[0])
    hsrd = min(hsrp, h[-1])
    hst = min(hst_raw, h[0])
    hsr = min(hsr_raw, h[-1])
    m = (hsr - hst) / dtot
    hte = htg + h[0] - hst
    hre = hrg + h[-1] - hsr
    hm = np.max(h[lt : lr + 1] - (hst + m * d[lt : lr + 1]))

    # free space and line of sight
    lbfs = 92.4 + 20 * np.log10(f) + 10 * np.log10(dtot**2 + ((hts - hrs) / 1000) ** 2)
    lb0p = lbfs + 2.6 * (1 - np.exp(-0.1 * (dlt + dlr))) * np.log10(p / 50)
    lb0b = lbfs + 2.6 * (1 - np.exp(-0.1 * (dlt + dlr))) * np.log10(beta0 / 50)

    # diffraction
    h1 = hts - hstd
    h2 = hrs - hsrd
    zero = np.zeros_like(h)
    diffraction = {}
    for name, a in (("ae", ae), ("beta", abeta)):
        bulla = bullington(d, g, hts, hrs, a, lam)
        bulls = bullington(d, zero, h1, h2, a, lam)
        dsph = spherical(dtot, h1, h2, a, f, pol, omega, lam)
        diffraction[name] = (bulla, bulls, dsph, bulla + max(dsph - bulls, 0))
    ld50 = diffraction["ae"][3]
    ldb = diffraction["beta"][3]
    if p >= 50:
        fi = 0.0
    elif p > beta0:
        fi = inverse_normal(p / 100) / inverse_normal(beta0 / 100)
    else:
        fi = 1.0
    ldp = ld50 + fi * (ldb - ld50)
    lbd50 = lbfs + ld50
    lbd = lb0p + ldp

    # troposcatter
    lf = 25 * np.log10(f) - 2.5 * np.log10(f / 2) ** 2
    lbs = 190.1 + lf + 20 * np.log10(dtot) + 0.573 * theta - 0.15 * n0
    lbs -= 10.125 * max(np.log10(50 / p), 0) ** 0.7

    # ducting
    alf = 45.375 - 137 * f + 92.5 * f**2 if f < 0.5 else 0.0

    def shielding(angle: float, horizon: float) -> float:
        over = angle - 0.1 * horizon
        if over <= 0:
            return 0.0
        return 20 * np.log10(1 + 0.361 * over * np.sqrt(f * horizon)) + 0.264 * over * f ** (1 / 3)

    def coupling(coast: float, horizon: float, height: float) -> float:
        if omega >= 0.75 and coast <= horizon and coast <= 5:
            return -3 * np.exp(-0.25 * coast**2) * (1 + np.tanh(0.07 * (50 - height)))
        return 0.0

    ast, asr = shielding(theta_t, dlt), shielding(theta_r, dlr)
    act, acr = coupling(dct, dlt, hts), coupling(dcr, dlr, hrs)
    af = 102.45 + 20 * np.log10(f) + 20 * np.log10(dlt + dlr) + alf + ast + asr + act + acr
    gamma_d = 5e-5 * ae * f ** (1 / 3)
    theta1 = 1000 * dtot / ae + min(theta_t, 0.1 * dlt) + min(theta_r, 0.1 * dlr)
    d_i = min(dtot - dlt - dlr, 40)
    mu3 = 1.0 if hm <= 10 else np.exp(-4.6e-5 * (hm - 10) * (43 + 6 * d_i))
    alpha = max(-3.4, -0.6 - 3.5e-9 * dtot**3.1 * tau)
    mu2 = min(1, (500 * dtot**2 / (ae * (np.sqrt(hte) + np.sqrt(hre)) ** 2)) ** alpha)
    beta = beta0 * mu2 * mu3
    lb = np.log10(beta)
    gamma = 1.076 / (2.0058 - lb) ** 1.012 * np.exp(-(9.51 - 4.8 * lb + 0.198 * lb**2) * 1e-6 * dtot**1.13)
    ap = -12 + (1.2 + 3.7e-3 * dtot) * np.log10(p / beta) + 12 * (p / beta) ** gamma
    lba = af + gamma_d * theta1 + ap

    # combination
    fj = 1 - 0.5 * (1 + np.tanh(3 * 0.8 * (theta - 0.3) / 0.3))
    fk = 1 - 0.5 * (1 + np.tanh(3 * 0.5 * (dtot - 20) / 20))
    lminb0p = lb0p + (1 - omega) * ldp if p < beta0 else lbd50 + (lb0b + (1 - omega) * ldp - lbd50) * fi
    lminbap = 2.5 * np.log(np.exp(lba / 2.5) + np.exp(lb0p / 2.5))
    lbda = lbd if lminbap > lbd else lminbap + (lbd - lminbap) * fk
    lbam = lbda + (lminb0p - lbda) * fj
    lbc = -5 * np.log10(10 ** (-0.2 * lbs) + 10 ** (-0.2 * lbam))

    # location variability and field strength
    lloc = 0.0 if zone[-1] == 1 else -inverse_normal(pl / 100) * sigma
    loss = max(lb0p, lbc + lloc)
    return {
        "d_km": dtot, "dtm_km": dtm, "dlm_km": dlm, "omega": omega, "tau": tau, "mu1": mu1, "mu4": mu4,
        "beta0_pct": beta0, "ae_km": ae, "abeta_km": abeta, "hts_m": hts, "hrs_m": hrs, "lt": lt, "lr": lr,
        "dlt_km": dlt, "dlr_km": dlr, "theta_t_mrad": theta_t, "theta_r_mrad": theta_r,
        "theta_mrad": theta, "hst_raw_m": hst_raw, "hsr_raw_m": hsr_raw, "hst_m": hst, "hsr_m": hsr,
        "hstd_m": hstd, "hsrd_m": hsrd, "hte_diff_m": h1, "hre_diff_m": h2, "hte_duct_m": hte,
        "hre_duct_m": hre, "hm_m": hm, "Lbfs_db": lbfs, "Lb0p_db": lb0p, "Lb0b_db": lb0b,
        "Lbulla_ae_db": diffraction["ae"][0], "Lbulls_ae_db": diffraction["ae"][1],
        "Ldsph_ae_db": diffraction["ae"][2], "Ld50_db": ld50,
        "Lbulla_beta_db": diffraction["beta"][0], "Lbulls_beta_db": diffraction["beta"][1],
        "Ldsph_beta_db": diffraction["beta"][2], "Ldb_db": ldb, "Fi": fi, "Ldp_db": ldp,
        "Lbd50_db": lbd50, "Lbd_db": lbd, "Lbs_db": lbs, "act_db": act, "acr_db": acr,
        "theta1_mrad": theta1, "alpha": alpha, "mu2": mu2, "mu3": mu3, "beta_pct": beta, "Gamma": gamma,
        "Lba_db": lba, "Fj": fj, "Fk": fk, "Lminb0p_db": lminb0p, "Lminbap_db": lminbap,
        "Lbda_db": lbda, "Lbam_db": lbam, "Lbc_db": lbc, "Lloc_db": lloc, "Lb_db": loss,
        "E_dbuvm": 199.36 + 20 * np.log10(f) - loss,
    }  # fmt: skip

"""Path-specific prediction of basic transmission loss (Rec. ITU-R P.1812)."""

import math
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation import _kernels as k
from linkcalc.propagation._kernels import Number, where
from linkcalc.propagation._ranges import stated_range
from linkcalc.propagation.diffraction import Polarisation, checked_profile, is_vertical, number

EARTH_RADIUS_KM = 6371.0

SEA, COASTAL, INLAND = 1, 3, 4


def basic_transmission_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    *,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    clutter_m: ArrayLike | None = None,
    zone: ArrayLike | None = None,
    polarisation: Polarisation = "vertical",
    time_percent: ArrayLike = 50.0,
    location_percent: ArrayLike = 50.0,
    location_sigma_db: ArrayLike = 0.0,
    entry_loss_db: ArrayLike = 0.0,
    entry_sigma_db: ArrayLike = 0.0,
    delta_n: float = 45.0,
    n0: float = 325.0,
    latitude_deg: float = 45.0,
    tx_coast_km: float | None = None,
    rx_coast_km: float | None = None,
    detail: bool = False,
) -> Any:
    """Basic transmission loss not exceeded for a share of time and of locations, over one profile.

    Frequency, percentages, standard deviations and entry loss broadcast together: a sweep over any of
    them reads the profile once.

    Parameters
    ----------
    distance_m : array_like, m, shape (n,), n >= 3
        Distance of each profile point from the transmitter, increasing. 0.25 km to 3000 km in all.
    ground_m : array_like, m, shape (n,)
        Height of the bare ground above sea level.
    tx_height_m, rx_height_m : float, m
        Antenna heights above ground, above 0. The standard covers 1 m to 3000 m (the lower limit is from
        memory, not read in the edition).
    frequency_hz : array_like, Hz
        30 MHz to 6 GHz.
    clutter_m : array_like, m, shape (n,), optional
        Representative height of what stands on the ground. The standard leaves out both end points,
        whatever is given there.
    zone : array_like of int, shape (n,), optional
        1 sea, 3 coastal land, 4 inland; all inland by default.
    polarisation : "vertical" or "horizontal"
    time_percent : array_like, %
        1 to 50: the loss is not exceeded during this share of the average year.
    location_percent : array_like, %
        1 to 99.
    location_sigma_db : array_like, dB
        Standard deviation between locations around the receiver, at least 0; see
        `location_standard_deviation_db`. Not used where the receiver is at sea.
    entry_loss_db, entry_sigma_db : array_like, dB
        Median building entry loss and its standard deviation for an indoor receiver, for example from
        Rec. ITU-R P.2109.
    delta_n : float, N-units/km
        Average refractivity lapse over the lowest km, positive, below 157. The default is the reference
        software's, a temperate value.
    n0 : float, N-units
        Surface refractivity at sea level.
    latitude_deg : float, degrees
        Latitude of the middle of the path, see `mid_path_latitude_deg`.
    tx_coast_km, rx_coast_km : float, km, optional
        Distance from each terminal to the coast along the path. By default 0 for a terminal whose own
        profile point is sea, else 500 (unknown).
    detail : bool
        Return every intermediate value instead of the loss alone.

    Returns
    -------
    ndarray or float, dB, broadcast shape
        With `detail`, a read-only mapping of the names of `Path` and `Terms` to numbers and arrays, with
        `Lb_db` among them.

    Raises
    ------
    DomainError
        If an argument is not finite or not defined: a profile that does not increase or has fewer than
        3 points, percentages outside their range.

    Warns
    -----
    OutOfRangeWarning
        If frequency, path length or antenna height lie outside the standard's range.

    Notes
    -----
    No loss for gases or rain (negligible below 6 GHz). The default `latitude_deg` only matters for
    `time_percent` below 50.

    References
    ----------
    Rec. ITU-R P.1812-8 (09/2025); equation numbers in the code are those of edition 6.

    Examples
    --------
    >>> d = [0.0, 2000.0, 4000.0, 6000.0, 8000.0]
    >>> h = [20.0, 15.0, 60.0, 10.0, 12.0]
    >>> loss = basic_transmission_loss_db(d, h, tx_height_m=10.0, rx_height_m=6.0, frequency_hz=868e6)
    >>> round(loss, 1)
    137.9
    """
    d, h, top = checked_profile(distance_m, ground_m, clutter_m)
    zones = checked_zone(zone, d.size)
    htg = float(number("tx_height_m", tx_height_m, above=0.0))
    hrg = float(number("rx_height_m", rx_height_m, above=0.0))
    frequency = number("frequency_hz", frequency_hz, above=0.0)
    p = number("time_percent", time_percent, at_least=1.0, at_most=50.0)
    pl = number("location_percent", location_percent, at_least=1.0, at_most=99.0)
    sigma = number("location_sigma_db", location_sigma_db, at_least=0.0)
    entry = number("entry_loss_db", entry_loss_db)
    entry_sigma = number("entry_sigma_db", entry_sigma_db, at_least=0.0)
    lapse = float(checked_lapse(delta_n))
    refractivity = float(number("n0", n0, above=0.0))
    latitude = float(number("latitude_deg", latitude_deg, at_least=-90.0, at_most=90.0))
    dct = float(coast_km("tx_coast_km", tx_coast_km, zones[0] == SEA))
    dcr = float(coast_km("rx_coast_km", rx_coast_km, zones[-1] == SEA))
    vertical = is_vertical(polarisation)
    path = path_of_profile(d, h, top, zones, htg, hrg, lapse, latitude, dct, dcr)
    warn_outside_range(frequency, path.d_km * 1e3, htg, hrg)
    if zones[-1] == SEA:
        sigma = 0.0 * sigma
    try:
        terms = losses(path, frequency / 1e9, p, pl, sigma, entry, entry_sigma, refractivity, vertical)
    except ValueError as error:
        raise DomainError("frequency, percentages, deviations and entry loss must broadcast") from error
    if detail:
        named = {**path._asdict(), **{name: scalar_if_0d(term) for name, term in terms._asdict().items()}}
        return MappingProxyType(named)
    return scalar_if_0d(terms.Lb_db)


def location_standard_deviation_db(
    frequency_hz: ArrayLike,
    resolution_m: ArrayLike,
    *,
    rx_height_m: ArrayLike = 0.0,
    clutter_height_m: ArrayLike = 0.0,
) -> Any:
    """Standard deviation of the loss between locations inside one square of the prediction.

    Parameters
    ----------
    frequency_hz : array_like, Hz, all arguments broadcast
        Above 0.
    resolution_m : array_like, m
        Side of the square over which the variability applies, usually below 1 km; above 0.
    rx_height_m : array_like, m
        Receiving antenna above ground, at least 0.
    clutter_height_m : array_like, m
        Representative clutter height around the receiver, at least 0. The deviation falls linearly to 0
        as the antenna rises from this height to 10 m above it.

    Returns
    -------
    ndarray or float, dB, broadcast shape

    Raises
    ------
    DomainError
        If an argument is not finite or outside its limits.

    References
    ----------
    Rec. ITU-R P.1812-8, section 4.7: sigma_L = (0.52 + 0.024 f) w^0.28 and height factor u_h. Not
    compared with a published number.

    Examples
    --------
    >>> round(location_standard_deviation_db(0.9e9, 500.0, rx_height_m=2.0, clutter_height_m=10.0), 1)
    3.1
    """
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e9
    w = checked("resolution_m", resolution_m, above=0.0)
    over = checked("rx_height_m", rx_height_m, at_least=0.0) - checked(
        "clutter_height_m", clutter_height_m, at_least=0.0
    )
    u = np.clip(1.0 - over / 10.0, 0.0, 1.0)
    return scalar_if_0d(u * (0.52 + 0.024 * f) * w**0.28)


def field_strength_dbuv_m(loss_db: ArrayLike, frequency_hz: ArrayLike, erp_kw: ArrayLike = 1.0) -> Any:
    """Field strength at the receiver from a basic transmission loss.

    Parameters
    ----------
    loss_db : array_like, dB, all arguments broadcast
        Basic transmission loss.
    frequency_hz : array_like, Hz
        Above 0.
    erp_kw : array_like, kW
        Effective radiated power towards the receiver, above 0.

    Returns
    -------
    ndarray or float, dB(uV/m), broadcast shape

    Raises
    ------
    DomainError
        If an argument is not finite or outside its limits.

    References
    ----------
    Rec. ITU-R P.1812-8, section 4.10 (equation 71 of edition 6).

    Examples
    --------
    >>> round(field_strength_dbuv_m(120.0, 868e6), 2)
    78.13
    """
    loss = checked("loss_db", loss_db)
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e9
    power = checked("erp_kw", erp_kw, above=0.0)
    return scalar_if_0d(199.36 + 20.0 * np.log10(f) - loss + 10.0 * np.log10(power))


def mid_path_latitude_deg(
    tx_latitude_deg: float,
    tx_longitude_deg: float,
    rx_latitude_deg: float,
    rx_longitude_deg: float,
    distance_m: float,
) -> float:
    """Latitude of the point half the profile length from the transmitter towards the receiver.

    Parameters
    ----------
    tx_latitude_deg, tx_longitude_deg, rx_latitude_deg, rx_longitude_deg : float, degrees
        The two terminals; not the same point, nor opposite points of the globe.
    distance_m : float, m
        Length of the profile. It is this length, not the terminals' distance, that is halved.

    Returns
    -------
    float, degrees

    Raises
    ------
    DomainError
        If an argument is not finite or the direction is not defined.

    References
    ----------
    Rec. ITU-R P.1812-8, Attachment 1 (great circle, sphere of radius 6371 km).

    Examples
    --------
    >>> round(mid_path_latitude_deg(50.0, 0.0, 52.0, 0.0, 222_390.0), 3)
    51.0
    """
    a = _unit_vector(tx_latitude_deg, tx_longitude_deg)
    b = _unit_vector(rx_latitude_deg, rx_longitude_deg)
    length = float(checked("distance_m", distance_m, above=0.0))
    across = b - np.dot(a, b) * a
    norm = float(np.linalg.norm(across))
    if norm < 1e-12:
        raise DomainError("the terminals give no direction: they are the same point or opposite points")
    half = length / 2000.0 / EARTH_RADIUS_KM
    z = a[2] * math.cos(half) + across[2] / norm * math.sin(half)
    return math.degrees(math.asin(min(max(float(z), -1.0), 1.0)))


def _unit_vector(latitude_deg: float, longitude_deg: float) -> Floats:
    latitude = math.radians(float(checked("latitude", latitude_deg, at_least=-90.0, at_most=90.0)))
    longitude = math.radians(float(checked("longitude", longitude_deg)))
    return np.array(
        [
            math.cos(latitude) * math.cos(longitude),
            math.cos(latitude) * math.sin(longitude),
            math.sin(latitude),
        ]
    )


def checked_zone(zone: ArrayLike | None, size: int) -> NDArray[np.int8]:
    """Zones of a profile, inland where they are not given."""
    if zone is None:
        return np.full(size, INLAND, dtype=np.int8)
    given = np.asarray(zone)
    if given.shape != (size,):
        raise DomainError(f"zone has {given.size} points, distance_m has {size}")
    if not ((given == SEA) | (given == COASTAL) | (given == INLAND)).all():
        raise DomainError("zone must be 1 (sea), 3 (coastal land) or 4 (inland) at every point")
    return given.astype(np.int8)


def coast_km(name: str, value: ArrayLike | None, at_sea: ArrayLike) -> Any:
    """Distance from a terminal to the coast; where it is not given, 0 at sea and 500 (unknown) on land."""
    return np.where(at_sea, 0.0, 500.0) if value is None else number(name, value, at_least=0.0)


def checked_lapse(delta_n: ArrayLike) -> Any:
    """The refractivity lapse, below that of a ray that follows the earth."""
    lapse = number("delta_n", delta_n)
    if np.max(lapse) >= 157.0:
        raise DomainError(f"delta_n must be below 157, got {np.max(lapse):g}")
    return lapse


def warn_outside_range(
    frequency_hz: Floats | float, length_m: Floats | float, *heights_m: Floats | float
) -> None:
    """Name the limits of the standard that its user's caller oversteps."""
    source = "Rec. ITU-R P.1812"
    if not _within(30e6, frequency_hz, 6e9):
        stated_range(source, "frequency", np.asarray(frequency_hz) / 1e6, 30.0, 6000.0, "MHz", stacklevel=4)
    if not _within(250.0, length_m, 3e6):
        stated_range(source, "path length", np.asarray(length_m) / 1e3, 0.25, 3000.0, "km", stacklevel=4)
    for height_m in heights_m:
        if not _within(1.0, height_m, 3000.0):
            stated_range(source, "antenna height", np.asarray(height_m), 1.0, 3000.0, "m", stacklevel=4)


def _within(low: float, value: Floats | float, high: float) -> bool:
    if isinstance(value, float):
        return low <= value <= high
    return bool(((value >= low) & (value <= high)).all())


# ---------------------------------------------------------------- the standard's own formulas
# Units, and what is a number and what may be an array, as in `_kernels`.


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
    tx_ground = float(h[0])
    rx_ground = float(h[-1])
    hts = tx_ground + htg
    hrs = rx_ground + hrg

    # Radio-climatic parameters [1-7]
    dtm, dlm, sea = scan_sections(d, zone)
    omega = sea / length
    tau = 1.0 - math.exp(-4.12e-4 * dlm**2.41)
    mu1 = (10.0 ** (-dtm / (16.0 - 6.6 * tau)) + 10.0 ** (-5.0 * (0.496 + 0.354 * tau))) ** 0.2
    mu1 = min(mu1, 1.0)
    phi = abs(latitude)
    if phi <= 70.0:
        mu4 = mu1 ** (-0.935 + 0.0176 * phi)
        beta0 = 10.0 ** (-0.015 * phi + 1.67) * mu1 * mu4
    else:
        mu4 = mu1**0.3
        beta0 = 4.17 * mu1 * mu4
    ae = EARTH_RADIUS_KM * 157.0 / (157.0 - delta_n)
    abeta = EARTH_RADIUS_KM * 3.0

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
    mu3 = 1.0
    if hm > 10.0:
        mu3 = math.exp(-4.6e-5 * (hm - 10.0) * (43.0 + 6.0 * di))
    alpha = max(-3.4, -0.6 - 3.5e-9 * length**3.1 * tau)
    mu2 = (500.0 * length**2 / (ae * (math.sqrt(hte) + math.sqrt(hre)) ** 2)) ** alpha
    mu2 = min(mu2, 1.0)
    beta = beta0 * mu2 * mu3
    lb = math.log10(beta)
    gamma = 1.076 / (2.0058 - lb) ** 1.012
    gamma *= math.exp(-(9.51 - 4.8 * lb + 0.198 * lb * lb) * 1e-6 * length**1.13)

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
    lminbap = 2.5 * np.logaddexp(lba / 2.5, lb0p / 2.5)
    lbda = where(lminbap > lbd, lbd, lminbap + (lbd - lminbap) * path.Fk)
    lbam = lbda + (lminb0p - lbda) * path.Fj
    lbc = -5.0 * np.log10(10.0 ** (-0.2 * lbs) + 10.0 ** (-0.2 * lbam))

    # Location variability and building entry [64-70], field strength [71]
    lloc = entry - upper_quantile(pl * 0.01) * np.sqrt(sigma * sigma + entry_sigma * entry_sigma)
    lb = np.maximum(lb0p, lbc + lloc)
    field = 199.36 + 20.0 * log_f - lb

    return Terms(
        lbfs, lb0p, lb0b,
        bulla, bulls, dsph, ld50, bulla_b, bulls_b, dsph_b, ldb,
        fi, ldp, lbd50, lbd, lbs, lba,
        lminb0p, lminbap, lbda, lbam, lbc, lloc, lb, field,
    )  # fmt: skip

"""Diffraction over terrain and obstacles (Rec. ITU-R P.526).

Every loss here is above that of free space. Heights over a profile include the bulge of an earth of
`k_factor` times the real radius. Functions of a profile take one profile and broadcast over frequency.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown. Everywhere
`frequency_hz` is above 0, `k_factor` the effective earth radius factor (a number above 0) and `polarisation` "vertical"
or "horizontal".
"""

import math
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation import _kernels as k
from linkcalc.propagation._arguments import Polarisation as Polarisation
from linkcalc.propagation._arguments import checked_profile, is_vertical, number, stated_range
from linkcalc.units import SPEED_OF_LIGHT_M_S

_COMPARABLE_DB = 15.0
"""Each of two comparable edges loses so much."""


def diffraction_parameter(
    height_m: ArrayLike, d1_m: ArrayLike, d2_m: ArrayLike, frequency_hz: ArrayLike
) -> Any:
    """Fresnel-Kirchhoff parameter nu of an edge.

    Parameters
    ----------
    height_m : array_like, m, all arguments broadcast
        Height of the edge above the straight ray, negative below it.
    d1_m, d2_m : array_like, m
        Distances from the edge to the two ends of the ray, above 0.

    References
    ----------
    Rec. ITU-R P.526-16, section 4.1, equation 26: h sqrt(2 (d1 + d2) / (lambda d1 d2)).

    Examples
    --------
    >>> round(diffraction_parameter(9.29, 500.0, 500.0, 869e6), 3)
    1.415
    """
    height = checked("height_m", height_m)
    d1 = checked("d1_m", d1_m, above=0.0)
    d2 = checked("d2_m", d2_m, above=0.0)
    lam = SPEED_OF_LIGHT_M_S / checked("frequency_hz", frequency_hz, above=0.0)
    return scalar_if_0d(height * np.sqrt(2.0 * (d1 + d2) / (lam * d1 * d2)))


def knife_edge_loss_db(nu: ArrayLike) -> Any:
    """Loss over a single knife edge, by the approximation that the terrain methods use.

    Parameters
    ----------
    nu : array_like, dimensionless, any shape
        Diffraction parameter. Valid above -0.78; below it the loss is taken as 0, though the exact one
        swings by 1.2 dB around it.

    Notes
    -----
    At most 0.13 dB from `knife_edge_loss_exact_db` for nu from -0.7 to 10.

    References
    ----------
    Rec. ITU-R P.526-16, section 4.1, equation 31.

    Examples
    --------
    >>> round(knife_edge_loss_db(0.0), 2)
    6.03
    """
    return scalar_if_0d(k.knife_edge(checked("nu", nu)))


def knife_edge_loss_exact_db(nu: ArrayLike) -> Any:
    """Loss over a single knife edge, from the complex Fresnel integral: a gain at some places below nu = -0.78.

    For a diffraction parameter of any sign. Rec. ITU-R P.526-16, section 4.1, equation 30. Above nu = 1000, where the
    integral has lost its digits, its leading term sqrt(2) pi nu.

    >>> round(knife_edge_loss_exact_db(0.0), 2)
    6.02
    """
    from scipy.special import fresnel

    value = checked("nu", nu)
    s, c = fresnel(np.minimum(value, 1000.0))
    near = -20.0 * np.log10(0.5 * np.hypot(1.0 - c - s, c - s))
    far = 20.0 * np.log10(math.sqrt(2.0) * math.pi * np.maximum(value, 1.0))
    return scalar_if_0d(np.where(value > 1000.0, far, near))


def rounded_obstacle_loss_db(
    height_m: ArrayLike,
    d1_m: ArrayLike,
    d2_m: ArrayLike,
    radius_m: ArrayLike,
    frequency_hz: ArrayLike,
) -> Any:
    """Loss over a single rounded obstacle, for example a hill top.

    Parameters
    ----------
    height_m : array_like, m, all arguments broadcast
        Height above the straight ray of the point where the two rays that touch the top would cross, at
        least 0. It lies above the top itself.
    d1_m, d2_m : array_like, m
        Distances from that point to the two ends, above 0.
    radius_m : array_like, m
        Radius of curvature of the top, at least 0; 0 is a knife edge. The mean of x^2/(2 y) over what lies
        no more than a first Fresnel radius below the top.

    Notes
    -----
    Where the two branches meet (m n = 4) they agree to 0.04 dB for m from 0.2 to 0.8.

    References
    ----------
    Rec. ITU-R P.526-16, section 4.2 (equations 34a, 34b and 38 of P.526-15), as two university codes have
    it (B), one of them Al-Zubi and Alouini, IEEE Open Journal of the Communications Society, 2023.

    Examples
    --------
    >>> round(rounded_obstacle_loss_db(10.0, 1000.0, 1000.0, 50.0, 868e6), 1)
    17.1
    """
    height = checked("height_m", height_m, at_least=0.0)
    d1 = checked("d1_m", d1_m, above=0.0)
    d2 = checked("d2_m", d2_m, above=0.0)
    given = checked("radius_m", radius_m, at_least=0.0)
    lam = SPEED_OF_LIGHT_M_S / checked("frequency_hz", frequency_hz, above=0.0)
    # a knife edge has no radius to divide by; what that gives in excess is dropped at the end
    radius = np.where(given > 0.0, given, 1.0)
    size = math.pi * radius / lam
    m = radius * (d1 + d2) / (d1 * d2) / np.cbrt(size)
    n = height * np.cbrt(size) ** 2 / radius
    mn = m * n
    near = 7.2 * np.sqrt(m) - (2.0 - 12.5 * n) * m + 3.6 * m**1.5 - 0.8 * m**2
    far = (
        -6.0
        - 20.0 * np.log10(np.maximum(mn, 4.0))
        + 7.2 * np.sqrt(m)
        - (2.0 - 17.0 * n) * m
        + 3.6 * m**1.5
        - 0.8 * m**2
    )
    excess = np.where(mn > 4.0, far, near)
    nu = diffraction_parameter(height, d1, d2, frequency_hz)
    return scalar_if_0d(k.knife_edge(np.asarray(nu)) + np.where(given > 0.0, excess, 0.0))


def double_edge_loss_db(
    height1_m: ArrayLike,
    height2_m: ArrayLike,
    a_m: ArrayLike,
    b_m: ArrayLike,
    c_m: ArrayLike,
    frequency_hz: ArrayLike,
    *,
    form: Literal["dominant", "comparable"] = "dominant",
) -> Any:
    """Loss over two isolated knife edges.

    Parameters
    ----------
    height1_m, height2_m : array_like, m, all arguments broadcast
        Heights of the edges above the straight ray between the antennas, negative below it.
    a_m, b_m, c_m : array_like, m
        Distances transmitter to first edge, first to second, second to receiver; above 0.
    form : "dominant" or "comparable"
        "dominant": the edge with the larger diffraction parameter over the whole path, then the other over
        the path from its top, less a correction for their nearness. "comparable": each edge over the path
        to the other's top, plus a correction where both lose more than 15 dB.

    Notes
    -----
    The correction of the dominant form is subtracted: then two equal edges moved together become one edge, as they
    must. The "comparable" form is meant for edges that lose more than 15 dB, and warns (`OutOfRangeWarning`) where
    one does not.

    References
    ----------
    Rec. ITU-R P.526-16, section 4.3. Dominant form: seven university codes (B). The 15 dB of the other:
    P.526-13, section 4.3, and two codes (B).

    Examples
    --------
    >>> round(double_edge_loss_db(20.0, 10.0, 1000.0, 500.0, 2000.0, 868e6), 1)
    18.4
    """
    h1, h2 = checked("height1_m", height1_m), checked("height2_m", height2_m)
    a, b, c = (checked(name, d, above=0.0) for name, d in (("a_m", a_m), ("b_m", b_m), ("c_m", c_m)))
    lam = SPEED_OF_LIGHT_M_S / checked("frequency_hz", frequency_hz, above=0.0)
    h1, h2, a, b, c, lam = np.broadcast_arrays(h1, h2, a, b, c, lam)

    def edge(height: Floats, d1: Floats, d2: Floats) -> Any:
        return k.knife_edge(height * np.sqrt(2.0 * (d1 + d2) / (lam * d1 * d2)))

    if form == "comparable":
        loss1 = edge(h1 - h2 * a / (a + b), a, b)
        loss2 = edge(h2 - h1 * c / (b + c), b, c)
        lesser = np.minimum(loss1, loss2)
        stated_range(
            "two comparable edges (P.526)", "loss of an edge", lesser, _COMPARABLE_DB, math.inf, "dB"
        )
        nearness = 10.0 * np.log10((a + b) * (b + c) / (b * (a + b + c)))
        return scalar_if_0d(loss1 + loss2 + np.where(lesser > _COMPARABLE_DB, nearness, 0.0))
    if form != "dominant":
        raise DomainError(f'form must be "dominant" or "comparable", got {form!r}')
    # the formulas are for a first edge that dominates: where the second does, the path is read backwards
    second = h2 * np.sqrt(1.0 / ((a + b) * c)) > h1 * np.sqrt(1.0 / (a * (b + c)))
    h1, h2 = np.where(second, h2, h1), np.where(second, h1, h2)
    a, c = np.where(second, c, a), np.where(second, a, c)
    total = a + b + c
    p = h1 * np.sqrt(2.0 / lam * total / ((b + c) * a))
    q = h2 * np.sqrt(2.0 / lam * total / ((a + b) * c))
    share = np.clip(q / np.where(p > 0.0, p, 1.0), 0.0, 1.0)
    alpha = np.arctan(np.sqrt(b * total / (a * c)))
    nearness = 12.0 - 20.0 * np.log10(2.0 / (1.0 - alpha / math.pi))
    correction = np.where((p > 0.0) & (share > 0.0), nearness * share ** (2.0 * np.maximum(p, 0.0)), 0.0)
    main = edge(h1, a, b + c)
    both = main + edge(h2 - h1 * c / (b + c), b, c) - correction
    return scalar_if_0d(np.where(main > 0.0, both, 0.0))


def smooth_earth_loss_db(
    length_m: float,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    *,
    k_factor: float = 4.0 / 3.0,
    polarisation: Polarisation = "vertical",
    sea_share: float = 0.0,
) -> Any:
    """Diffraction loss over a smooth curved earth, before and beyond the horizon.

    Parameters
    ----------
    length_m : float, m
        Path length, above 0.
    tx_height_m, rx_height_m : float, m
        Antennas above the smooth surface, above 0.
    frequency_hz : array_like, Hz
        Above 0; the first-term formula is meant for 10 MHz and more.
    sea_share : float, dimensionless
        Share of the path over sea, 0 to 1; the rest is average land (permittivity 22, 0.003 S/m).

    Returns
    -------
    ndarray or float, dB, shape of `frequency_hz`
        0 where the ray keeps enough clearance. Beyond the horizon it may be slightly negative at long
        waves, as the first term of a series is.

    References
    ----------
    Rec. ITU-R P.526-16, section 3.2; Rec. ITU-R P.1812-8, section 4.3.2 and 4.3.3.

    Examples
    --------
    >>> round(smooth_earth_loss_db(50_000.0, 20.0, 10.0, 868e6), 1)
    37.1
    """
    length = float(number("length_m", length_m, above=0.0)) * 1e-3
    h1 = float(number("tx_height_m", tx_height_m, above=0.0))
    h2 = float(number("rx_height_m", rx_height_m, above=0.0))
    f = number("frequency_hz", frequency_hz, above=0.0) / 1e9
    sphere = k.sphere_of_path(length, h1, h2, _radius_km(k_factor))
    omega = float(number("sea_share", sea_share, at_least=0.0, at_most=1.0))
    return scalar_if_0d(k.spherical(sphere, length, omega, f, is_vertical(polarisation)))


def smooth_bullington_loss_db(
    length_m: float,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    *,
    k_factor: float = 4.0 / 3.0,
) -> Any:
    """Bullington loss over a smooth curved earth without profile points, in closed form.

    What `bullington_loss_db` tends to over flat ground as its points come closer. Path length and heights as for
    `smooth_earth_loss_db`.

    Rec. ITU-R P.1812-8, Attachment 4. Not compared with a published number.

    >>> round(smooth_bullington_loss_db(50_000.0, 20.0, 10.0, 868e6), 1)
    20.2
    """
    length = float(number("length_m", length_m, above=0.0)) * 1e-3
    h1 = float(number("tx_height_m", tx_height_m, above=0.0))
    h2 = float(number("rx_height_m", rx_height_m, above=0.0))
    f = number("frequency_hz", frequency_hz, above=0.0) / 1e9
    a = _radius_km(k_factor)
    if length < math.sqrt(2.0 * a) * (math.sqrt(0.001 * h1) + math.sqrt(0.001 * h2)):
        hse, d1, d2 = k.smallest_clearance(length, h1, h2, a)
        nu1 = -hse * math.sqrt(0.002 * length / (d1 * d2))
    else:
        chord = 500.0 * length / a
        tangent_t = math.sqrt(a * h1 / 500.0)
        tangent_r = length - math.sqrt(a * h2 / 500.0)
        slope_t = chord - 2.0 * math.sqrt(500.0 * h1 / a)
        slope_r = chord - 2.0 * math.sqrt(500.0 * h2 / a)
        nu1 = k.bullington_edge(slope_t, slope_r, length, h1, h2, tangent_t, tangent_r)
    return scalar_if_0d(k.bullington(nu1, length, f))


def bullington_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    *,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    clutter_m: ArrayLike | None = None,
    k_factor: float = 4.0 / 3.0,
) -> Any:
    """Bullington loss: the profile replaced by the one edge where both horizon rays meet.

    Parameters
    ----------
    distance_m : array_like, m, shape (n,), n >= 3
        Distance of each profile point from the transmitter, increasing.
    ground_m : array_like, m, shape (n,)
        Height of the bare ground above sea level.
    tx_height_m, rx_height_m : float, m
        Antennas above ground, above 0.
    clutter_m : array_like, m, shape (n,), optional
        Height of what stands on the ground; left out at both ends.

    References
    ----------
    Rec. ITU-R P.526-16, section 4.5.1; the same as Rec. ITU-R P.1812-8, section 4.3.1.

    Examples
    --------
    >>> d, h = [0.0, 1000.0, 2000.0, 3000.0], [10.0, 30.0, 12.0, 10.0]
    >>> round(bullington_loss_db(d, h, tx_height_m=6.0, rx_height_m=6.0, frequency_hz=868e6), 1)
    25.2
    """
    path = _link(distance_m, ground_m, clutter_m, tx_height_m, rx_height_m, frequency_hz, k_factor)
    scan = k.scan_profile(path.d, path.h, path.top, path.hts, path.hrs, path.a, path.a)
    nu1, _ = k.bullington_nu(path.d, path.top, scan, path.hts, path.hrs, path.a, path.a)
    return scalar_if_0d(k.bullington(nu1, float(path.d[-1]), path.f))


def spherical_earth_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    *,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    clutter_m: ArrayLike | None = None,
    k_factor: float = 4.0 / 3.0,
    polarisation: Polarisation = "vertical",
    sea_share: float = 0.0,
) -> Any:
    """`smooth_earth_loss_db` over the smooth surface that fits a profile.

    Arguments as for `bullington_loss_db` and `smooth_earth_loss_db`; clutter does not act on the fitted surface.

    Rec. ITU-R P.526-16, section 4.5.2 (effective heights) and 3.2.

    >>> d, h = [0.0, 10e3, 20e3, 30e3, 40e3], [10.0, 12.0, 9.0, 11.0, 10.0]
    >>> round(spherical_earth_loss_db(d, h, tx_height_m=6.0, rx_height_m=6.0, frequency_hz=868e6), 1)
    44.8
    """
    path = _link(distance_m, ground_m, clutter_m, tx_height_m, rx_height_m, frequency_hz, k_factor)
    omega = float(number("sea_share", sea_share, at_least=0.0, at_most=1.0))
    length = float(path.d[-1])
    scan = k.scan_profile(path.d, path.h, path.top, path.hts, path.hrs, path.a, path.a)
    surface = k.fit_surface(
        scan.v1, scan.v2, scan.hobs, scan.at, scan.ar, length, float(path.h[0]), float(path.h[-1])
    )
    sphere = k.sphere_of_path(length, path.hts - surface.hstd, path.hrs - surface.hsrd, path.a)
    return scalar_if_0d(k.spherical(sphere, length, omega, path.f, is_vertical(polarisation)))


def delta_bullington_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    *,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    clutter_m: ArrayLike | None = None,
    k_factor: float = 4.0 / 3.0,
    polarisation: Polarisation = "vertical",
    sea_share: float = 0.0,
) -> Any:
    """Diffraction loss of general terrain: Bullington, corrected by what it misses over a smooth earth.

    Arguments as for `bullington_loss_db` and `smooth_earth_loss_db`.

    Rec. ITU-R P.526-16, section 4.5.2; the same as Rec. ITU-R P.1812-8, section 4.3.4. Checked against the
    published rows of the P.452-18 and P.1812-8 validation sets.

    >>> d, h = [0.0, 1000.0, 2000.0, 3000.0], [10.0, 30.0, 12.0, 10.0]
    >>> round(delta_bullington_loss_db(d, h, tx_height_m=6.0, rx_height_m=6.0, frequency_hz=868e6), 1)
    26.1
    """
    path = _link(distance_m, ground_m, clutter_m, tx_height_m, rx_height_m, frequency_hz, k_factor)
    omega = float(number("sea_share", sea_share, at_least=0.0, at_most=1.0))
    return scalar_if_0d(
        k.delta_bullington(
            path.d, path.h, path.top, path.hts, path.hrs, path.a, omega, path.f, is_vertical(polarisation)
        )
    )


def cascaded_knife_edge_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    *,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    clutter_m: ArrayLike | None = None,
    k_factor: float = 4.0 / 3.0,
) -> Any:
    """Loss over up to three knife edges: the main one of the path, and one more on either side of it.

    Arguments as for `bullington_loss_db`. It depends on how closely the profile is sampled; for general terrain prefer
    `delta_bullington_loss_db`.

    Rec. ITU-R P.526, cascaded knife-edge method of older editions; equation 23 of the official workbook of
    Rec. ITU-R P.452-14 (A).

    >>> d, h = [0.0, 1000.0, 2000.0, 3000.0], [10.0, 30.0, 25.0, 10.0]
    >>> round(cascaded_knife_edge_loss_db(d, h, tx_height_m=6.0, rx_height_m=6.0, frequency_hz=868e6), 1)
    32.6
    """
    path = _link(distance_m, ground_m, clutter_m, tx_height_m, rx_height_m, frequency_hz, k_factor)
    d, length = path.d, float(path.d[-1])
    tops = path.top + 500.0 * d * (length - d) / path.a
    # in place of the ground under them: a part of the path then ends at an antenna or on an edge's top alike
    tops[0], tops[-1] = path.hts, path.hrs
    root = np.sqrt(k.LAMBDA_GHZ_M / path.f)
    nu_p, p = _main_edge(d, tops)
    main = k.knife_edge(nu_p / root)
    sides = sum(
        k.knife_edge(_main_edge(d[part], tops[part])[0] / root)
        for part in (slice(0, p + 1), slice(p, None))
        if d[part].size > 2
    )
    # faded in with the main edge's loss: no step at the height where that edge begins to lose anything
    loss = main + (1.0 - np.exp(-main / 6.0)) * (sides + 10.0 + 0.04 * length)
    return scalar_if_0d(np.where(main > 0.0, loss, 0.0))


def _main_edge(d: Floats, tops: Floats) -> tuple[float, int]:
    """Largest diffraction parameter for lambda = 1 m between the first and the last point, and its point."""
    x, y = d[1:-1] - d[0], d[-1] - d[1:-1]
    excess = tops[1:-1] - (tops[0] * y + tops[-1] * x) / (x + y)
    nu = excess * np.sqrt(0.002 * (x + y) / (x * y))
    at = int(nu.argmax())
    return float(nu[at]), at + 1


class _Link(NamedTuple):
    """Checked arguments in the standard's units."""

    d: Floats
    h: Floats
    top: Floats
    hts: float
    hrs: float
    f: Any
    a: float


def _link(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    clutter_m: ArrayLike | None,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    k_factor: float,
) -> _Link:
    d, h, top = checked_profile(distance_m, ground_m, clutter_m)
    hts = float(h[0]) + float(number("tx_height_m", tx_height_m, above=0.0))
    hrs = float(h[-1]) + float(number("rx_height_m", rx_height_m, above=0.0))
    f = number("frequency_hz", frequency_hz, above=0.0) / 1e9
    return _Link(d, h, top, hts, hrs, f, _radius_km(k_factor))


def _radius_km(k_factor: float) -> float:
    return k.EARTH_RADIUS_KM * float(number("k_factor", k_factor, above=0.0))

"""Path-specific prediction of basic transmission loss (Rec. ITU-R P.1812).

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown. Values
outside the range of the standard warn (`OutOfRangeWarning`).
"""

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Generic

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation._arguments import (
    Numbers,
    Polarisation,
    checked_profile,
    is_vertical,
    number,
    stated_range,
)
from linkcalc.propagation._kernels import EARTH_RADIUS_KM as EARTH_RADIUS_KM
from linkcalc.propagation._p1812 import COASTAL as COASTAL
from linkcalc.propagation._p1812 import INLAND as INLAND
from linkcalc.propagation._p1812 import SEA as SEA
from linkcalc.propagation._p1812 import losses, path_of_profile


@dataclass(frozen=True)
class Climate:
    """Radio climate of a path: the refractivity of its air, where on earth it is, and what of it is sea.

    Parameters
    ----------
    delta_n : float, N-units/km
        Average refractivity lapse over the lowest km, positive, below 157. The default is the reference
        software's, a temperate value.
    n0 : float, N-units, above 0
        Surface refractivity at sea level.
    latitude_deg : float, degrees
        Latitude of the middle of the path, see `mid_path_latitude_deg`. It only matters for a time share
        below 50 %.
    zone : array_like of int, shape of the profile, optional
        1 sea, 3 coastal land, 4 inland, at each point; all inland by default.
    tx_coast_km, rx_coast_km : float, km, optional
        Distance from each terminal to the coast along the path. By default 0 for a terminal whose own
        profile point is sea, else 500 (unknown).
    """

    delta_n: float = 45.0
    n0: float = 325.0
    latitude_deg: float = 45.0
    zone: ArrayLike | None = None
    tx_coast_km: float | None = None
    rx_coast_km: float | None = None


@dataclass(frozen=True)
class Variability(Generic[Numbers]):
    """Shares of time and of locations in which the loss is not exceeded, and how locations differ.

    Parameters
    ----------
    time_percent : array_like, %, 1 to 50
        Share of the average year.
    location_percent : array_like, %, 1 to 99
    location_sigma_db : array_like, dB, 0 or more
        Standard deviation between locations around the receiver, see `location_standard_deviation_db`. Not
        used where the receiver is at sea.
    entry_loss_db, entry_sigma_db : array_like, dB
        Median building entry loss of an indoor receiver and its standard deviation, for example from Rec.
        ITU-R P.2109.
    """

    time_percent: Numbers = 50.0
    location_percent: Numbers = 50.0
    location_sigma_db: Numbers = 0.0
    entry_loss_db: Numbers = 0.0
    entry_sigma_db: Numbers = 0.0


TEMPERATE = Climate()
MEDIAN: Variability[float] = Variability()


def basic_transmission_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    *,
    tx_height_m: float,
    rx_height_m: float,
    frequency_hz: ArrayLike,
    clutter_m: ArrayLike | None = None,
    polarisation: Polarisation = "vertical",
    climate: Climate = TEMPERATE,
    variability: Variability[ArrayLike] = MEDIAN,
    detail: bool = False,
) -> Any:
    """Basic transmission loss not exceeded for a share of time and of locations, over one profile.

    Frequency and what `variability` holds broadcast together: a sweep over any of them reads the profile once.

    Parameters
    ----------
    distance_m : array_like, m, shape (n,), n >= 3
        Distance of each profile point from the transmitter, increasing. 0.25 km to 3000 km in all.
    ground_m : array_like, m, shape (n,)
        Height of the bare ground above sea level.
    tx_height_m, rx_height_m : float, m
        Antenna heights above ground, above 0. The standard covers 1 m to 3000 m (the lower limit is from
        memory, not read in the edition).
    frequency_hz : array_like, Hz, 30 MHz to 6 GHz
    clutter_m : array_like, m, shape (n,), optional
        Representative height of what stands on the ground. The standard leaves out both end points,
        whatever is given there.
    polarisation : "vertical" or "horizontal"
    climate : Climate
        Inland and temperate by default.
    variability : Variability
        Half of the time and of the locations, outdoors, by default.
    detail : bool
        Return every intermediate value instead of the loss alone.

    Returns
    -------
    ndarray or float, dB, broadcast shape
        With `detail`, a read-only mapping of the names of `Path` and `Terms` to numbers and arrays, with
        `Lb_db` among them.

    Notes
    -----
    No loss for gases or rain (negligible below 6 GHz).

    References
    ----------
    Rec. ITU-R P.1812-8 (09/2025); equation numbers in the code are those of edition 6.

    Examples
    --------
    >>> d = [0.0, 2000.0, 4000.0, 6000.0, 8000.0]
    >>> h = [20.0, 15.0, 60.0, 10.0, 12.0]
    >>> link = dict(tx_height_m=10.0, rx_height_m=6.0, frequency_hz=868e6)
    >>> round(basic_transmission_loss_db(d, h, **link), 1)
    137.9
    >>> rarely = Variability(time_percent=[1.0, 10.0])
    >>> basic_transmission_loss_db(d, h, **link, variability=rarely).round(1).tolist()
    [135.4, 136.8]
    """
    d, h, top = checked_profile(distance_m, ground_m, clutter_m)
    htg = float(number("tx_height_m", tx_height_m, above=0.0))
    hrg = float(number("rx_height_m", rx_height_m, above=0.0))
    frequency = number("frequency_hz", frequency_hz, above=0.0)
    p = number("time_percent", variability.time_percent, at_least=1.0, at_most=50.0)
    pl = number("location_percent", variability.location_percent, at_least=1.0, at_most=99.0)
    sigma = number("location_sigma_db", variability.location_sigma_db, at_least=0.0)
    entry = number("entry_loss_db", variability.entry_loss_db)
    entry_sigma = number("entry_sigma_db", variability.entry_sigma_db, at_least=0.0)
    lapse = float(number("delta_n", climate.delta_n))
    if lapse >= 157.0:
        raise DomainError(f"delta_n must be below 157, got {lapse:g}")
    refractivity = float(number("n0", climate.n0, above=0.0))
    latitude = float(number("latitude_deg", climate.latitude_deg, at_least=-90.0, at_most=90.0))
    zones = _checked_zone(climate.zone, d.size)
    dct = _coast_km("tx_coast_km", climate.tx_coast_km, zones[0])
    dcr = _coast_km("rx_coast_km", climate.rx_coast_km, zones[-1])
    vertical = is_vertical(polarisation)
    path = path_of_profile(d, h, top, zones, htg, hrg, lapse, latitude, dct, dcr)
    for quantity, value, low, high, unit in (
        ("frequency", frequency / 1e6, 30.0, 6000.0, "MHz"),
        ("path length", path.d_km, 0.25, 3000.0, "km"),
        ("antenna height", htg, 1.0, 3000.0, "m"),
        ("antenna height", hrg, 1.0, 3000.0, "m"),
    ):
        stated_range("Rec. ITU-R P.1812", quantity, np.asarray(value), low, high, unit)
    # a receiver at sea has no location variability, whatever was stated for land
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
    frequency_hz : array_like, Hz, all arguments broadcast, above 0
    resolution_m : array_like, m
        Side of the square over which the variability applies, usually below 1 km; above 0.
    rx_height_m : array_like, m
        Receiving antenna above ground, at least 0.
    clutter_height_m : array_like, m
        Representative clutter height around the receiver, at least 0. The deviation falls linearly to 0
        as the antenna rises from this height to 10 m above it.

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
    """Field strength at the receiver, dB(uV/m), from a basic transmission loss.

    `erp_kw` is the effective radiated power towards the receiver; it and the frequency are above 0. Rec. ITU-R
    P.1812-8, section 4.10 (equation 71 of edition 6).

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

    The terminals must not be the same point, nor opposite points of the globe. It is the profile's length, not the
    terminals' distance, that is halved. Rec. ITU-R P.1812-8, Attachment 1 (great circle, sphere of radius 6371 km).

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


def _checked_zone(zone: ArrayLike | None, size: int) -> NDArray[np.int8]:
    """Zones of a profile, inland where they are not given."""
    if zone is None:
        return np.full(size, INLAND, dtype=np.int8)
    given = np.asarray(zone)
    if given.shape != (size,):
        raise DomainError(f"zone has {given.size} points, distance_m has {size}")
    if not ((given == SEA) | (given == COASTAL) | (given == INLAND)).all():
        raise DomainError("zone must be 1 (sea), 3 (coastal land) or 4 (inland) at every point")
    return given.astype(np.int8)


def _coast_km(name: str, value: float | None, zone: int) -> float:
    """Distance from a terminal to the coast; where it is not given, 0 at sea and 500 (unknown) on land."""
    if value is None:
        return 0.0 if zone == SEA else 500.0
    return float(number(name, value, at_least=0.0))

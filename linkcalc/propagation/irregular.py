"""Irregular terrain model (Longley-Rice), point to point and area.

The formulas stand in `_irregular`. Heights, frequency, distance (1 to 2000 km), `n0` or the slope of a horizon (0.2
rad) outside the range of the model warn (`OutOfRangeWarning`). `DomainError` where an argument is not finite or not
defined, and where a horizon is so near for an antenna's height that a term of the model is undefined (the reference
software warns, and goes on with what is no number).

References
----------
G. A. Hufford, A. G. Longley, W. A. Kissick, "A guide to the use of the ITS irregular terrain model in the
area prediction mode", NTIA Report 82-100, 1982; G. A. Hufford, "The ITS irregular terrain model, version
1.2.2: the algorithm", 1995; NTIA/ITS reference software of the model, version 1.4 (US federal work).
"""

import math
import warnings
from dataclasses import dataclass
from typing import Any, Generic, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation._arguments import Numbers, Polarisation
from linkcalc.propagation._irregular import (
    Path,
    earth,
    ground_impedance,
    profile_parameters,
    quantile_attenuation_db,
    reference_attenuation_db,
    sited_height,
    smooth_horizons,
)
from linkcalc.propagation.ground import AVERAGE_GROUND, GroundConstants

VariabilityMode = Literal["single_message", "accidental", "mobile", "broadcast"]
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

_VARIABILITIES: tuple[str, ...] = get_args(VariabilityMode)
_SITINGS: tuple[str, ...] = get_args(Siting)
_MOST_INTERVALS = 5000


@dataclass(frozen=True)
class Atmosphere:
    """The air over the path.

    Parameters
    ----------
    climate : str or int
        A key of `CLIMATES`, or the code 1 to 7.
    n0 : float, N-units
        Surface refractivity reduced to sea level, 250 to 400.
    """

    climate: str | int = "continental_temperate"
    n0: float = 301.0


@dataclass(frozen=True)
class Variability(Generic[Numbers]):
    """Shares of cases in which the loss is not exceeded, and what varies from case to case.

    Parameters
    ----------
    mode : {"single_message", "accidental", "mobile", "broadcast"} or int
        What the percentages mean: which of time, location and situation vary from message to message and
        which are a matter of confidence. The code 0 to 3 is taken too, plus 10 for `location_spread=False`,
        plus 20 for `situation_spread=False`.
    time_percent, location_percent, situation_percent : array_like, percent
        Above 0 and below 100. "single_message" uses the situation only, "accidental" time and situation,
        "mobile" time and situation, "broadcast" all three.
    location_spread, situation_spread : bool
        False leaves out the variability from place to place, or from situation to situation.
    """

    mode: VariabilityMode | int = "single_message"
    time_percent: Numbers = 50.0
    location_percent: Numbers = 50.0
    situation_percent: Numbers = 50.0
    location_spread: bool = True
    situation_spread: bool = True


@dataclass(frozen=True)
class Terrain(Generic[Numbers]):
    """Terrain known only by its irregularity, and how the antennas' sites in it were chosen.

    Parameters
    ----------
    delta_h_m : array_like, m, at least 0
        Terrain irregularity: 0 water, 30 plains, 90 hills, 200 mountains, 500 rugged mountains (figures of
        NTIA 82-100, from memory).
    tx_siting, rx_siting : {"random", "careful", "very_careful"} or int
        The codes 0, 1, 2 are taken too.
    """

    delta_h_m: Numbers
    tx_siting: Siting | int = "random"
    rx_siting: Siting | int = "random"


TEMPERATE = Atmosphere()
MEDIAN: Variability[float] = Variability()


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


def point_to_point_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    *,
    tx_height_m: ArrayLike,
    rx_height_m: ArrayLike,
    frequency_hz: ArrayLike,
    polarisation: Polarisation = "vertical",
    ground: GroundConstants[float] = AVERAGE_GROUND,
    atmosphere: Atmosphere = TEMPERATE,
    variability: Variability[ArrayLike] = MEDIAN,
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
    frequency_hz : array_like, Hz, any shape, 20 MHz to 20 GHz
    polarisation : {"vertical", "horizontal"}
    ground : GroundConstants of numbers
        Its relative permittivity above 1; average ground by default.
    atmosphere : Atmosphere
    variability : Variability
        Half of the cases by default.
    detail : bool
        Return everything found on the way.

    Returns
    -------
    float or ndarray, dB, broadcast shape of heights, frequency and percentages
        With `detail`, an `IrregularDetail`.

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
    ns, ae = earth(atmosphere.n0, hs)
    outside = _limits(n0=atmosphere.n0, h=(tx, rx), f=f, d=d)

    paths = []
    for h_tx, h_rx, f_mhz in zip(tx.flat, rx.flat, f.flat, strict=True):
        h = (float(h_tx), float(h_rx))
        he, dh, th, delta_h = profile_parameters(spacing, z, h, ae)
        z_ground = ground_impedance(f_mhz, polarisation, ground)
        paths.append(Path(d, float(f_mhz), h, he, dh, th, delta_h, ns, ae, z_ground, True))
    if any(max(map(abs, p.th)) > 0.2 for p in paths):
        outside.append("horizon steeper than 0.2 rad")
    for limit in outside:
        warnings.warn(f"irregular terrain model: {limit}", OutOfRangeWarning, stacklevel=2)
    return _loss(paths, tx.shape, atmosphere.climate, variability, detail)


def area_loss_db(
    distance_m: ArrayLike,
    terrain: Terrain[ArrayLike],
    *,
    tx_height_m: ArrayLike,
    rx_height_m: ArrayLike,
    frequency_hz: ArrayLike,
    polarisation: Polarisation = "vertical",
    ground: GroundConstants[float] = AVERAGE_GROUND,
    atmosphere: Atmosphere = TEMPERATE,
    variability: Variability[ArrayLike] = MEDIAN,
    detail: bool = False,
) -> Any:
    """Basic transmission loss over terrain known only by its irregularity, by the irregular terrain model.

    Parameters
    ----------
    distance_m : array_like, m, any shape
        Path length, 1 to 2000 km.
    terrain : Terrain

    Other parameters and what is returned are those of `point_to_point_loss_db`; distance and
    irregularity broadcast with the rest.

    References
    ----------
    NTIA Report 82-100; algorithm of the NTIA/ITS reference software, version 1.4, area mode.

    Examples
    --------
    >>> hills = Terrain(delta_h_m=90.0)
    >>> loss = area_loss_db([5e3, 10e3], hills, tx_height_m=10.0, rx_height_m=2.0, frequency_hz=868e6)
    >>> loss.round(1).tolist()
    [128.3, 137.6]
    """
    d, delta_h, tx, rx, f = np.broadcast_arrays(
        checked("distance_m", distance_m, above=0.0),
        checked("delta_h_m", terrain.delta_h_m, at_least=0.0),
        *_common(tx_height_m, rx_height_m, frequency_hz),
    )
    sitings = [_code(name, getattr(terrain, name), _SITINGS) for name in ("tx_siting", "rx_siting")]
    ns, ae = earth(atmosphere.n0, 0.0)
    for limit in _limits(n0=atmosphere.n0, h=(tx, rx), f=f, d=d):
        warnings.warn(f"irregular terrain model: {limit}", OutOfRangeWarning, stacklevel=2)

    paths = []
    for di, dhi, h_tx, h_rx, f_mhz in zip(d.flat, delta_h.flat, tx.flat, rx.flat, f.flat, strict=True):
        h = (float(h_tx), float(h_rx))
        he = (sited_height(h[0], float(dhi), sitings[0]), sited_height(h[1], float(dhi), sitings[1]))
        dh, th = smooth_horizons(he, float(dhi), ae)
        z_ground = ground_impedance(f_mhz, polarisation, ground)
        paths.append(Path(float(di), float(f_mhz), h, he, dh, th, float(dhi), ns, ae, z_ground, False))
    return _loss(paths, d.shape, atmosphere.climate, variability, detail)


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


def _variability_code(variability: Variability[Any]) -> tuple[int, bool, bool]:
    """The mode, and whether locations and situations spread."""
    mode, location, situation = variability.mode, variability.location_spread, variability.situation_spread
    if not isinstance(mode, str) and 10 <= mode < 40:
        location = location and mode // 10 % 2 == 0
        situation = situation and mode < 20
        mode %= 10
    return _code("variability mode", mode, _VARIABILITIES), location, situation


def _loss(
    paths: list[Path],
    shape: tuple[int, ...],
    climate: str | int,
    variability: Variability[ArrayLike],
    detail: bool,
) -> Any:
    """Reference attenuation of each path, its variability, and free space: the basic transmission loss."""
    code = _climate_code(climate)
    mode = _variability_code(variability)
    names = ("time_percent", "location_percent", "situation_percent")
    z = np.broadcast_arrays(*(_quantile(name, getattr(variability, name)) for name in names))
    try:
        found = [reference_attenuation_db(p) for p in paths]
    # very steep horizons take a root or a logarithm out of its domain: no value, rather than a wrong one
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
    loss = free_space + quantile_attenuation_db(reference, d, f, he, delta_h, code, mode, *z)
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

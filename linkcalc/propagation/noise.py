"""Noise at the receiver: thermal, man-made and galactic (Rec. ITU-R P.372), and an entered rise.

Constants of P.372-17 were found in a second public source, its location spreads are deciles, from memory. The
man-made figures rest on measurements of the 1960s and 1970s below 250 MHz: above that they are an
extrapolation, and no function for the whole receiver warns of it, because nearly every link asks for it;
ask `man_made_noise_is_extrapolated`, or read `SystemNoise.extrapolated`.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.

Everywhere `frequency_hz` and `bandwidth_hz` are above 0, and `environment` is one of "city", "residential", "rural",
"quiet_rural" and "none".
"""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.propagation._arguments import stated_range
from linkcalc.units import BOLTZMANN_J_K, REFERENCE_TEMPERATURE_K

Environment = Literal["city", "residential", "rural", "quiet_rural", "none"]


@dataclass(frozen=True)
class _ManMade:
    """One category of P.372: c - d log10 f_MHz, deciles within the hour and from place to place (dB)."""

    c: float
    d: float
    upper_decile_db: float
    lower_decile_db: float
    location_decile_db: float
    highest_mhz: float = 250.0


_CATEGORIES = {
    "city": _ManMade(76.8, 27.7, 11.0, 6.7, 8.4, 900.0),
    "residential": _ManMade(72.5, 27.7, 10.6, 5.3, 5.8),
    "rural": _ManMade(67.2, 27.7, 9.2, 4.6, 6.8),
    "quiet_rural": _ManMade(53.6, 28.6, 9.2, 4.6, 6.8),
}
_CITY_UHF_C_D = (44.3, 12.3)
_GALACTIC_DECILE_DB = 2.0
_DECILE_SIGMAS = 1.2816
"""A decile of a normal distribution lies this many standard deviations from its median."""

UNMEASURED_PLACE_SIGMA_DB = 2.5
"""Least spread of a place's noise until it is measured: drives, chargers and other radios that no category
holds. Common practice, no source; measurements near 402 and 445 MHz found noise that matters some of the
time (NTIA TR-02-390, NTIA 1980)."""


@dataclass(frozen=True)
class SystemNoise:
    """Noise of one receiver, item by item; floats, or arrays of the broadcast shape.

    The first four add up to `total_dbm`.
    """

    thermal_dbm: Any
    """kT0B."""
    noise_figure_db: Any
    external_db: Any
    """What man-made and galactic noise add to the receiver's own."""
    rise_db: Any
    """The entered rise while an engine, alternator or drive runs."""
    total_dbm: Any
    upper_decile_db: Any
    """Total noise above its median, not exceeded 90 % of the time within the hour."""
    lower_decile_db: Any
    """Total noise below its median, exceeded 90 % of the time."""
    location_sigma_db: Any
    """Standard deviation of the total from place to place within the category, `UNMEASURED_PLACE_SIGMA_DB` at
    least."""
    extrapolated: Any
    """Whether the man-made figure is taken outside the frequencies it was measured at."""


def thermal_noise_power_dbm(
    bandwidth_hz: ArrayLike, temperature_k: ArrayLike = REFERENCE_TEMPERATURE_K
) -> Any:
    """Thermal noise power kTB, at a temperature above 0 K.

    Boltzmann's constant, SI 2019; T0 = 290 K of the noise figure's definition (Rec. ITU-R P.372).

    >>> round(thermal_noise_power_dbm(125e3), 2)
    -123.01
    """
    b = checked("bandwidth_hz", bandwidth_hz, above=0.0)
    t = checked("temperature_k", temperature_k, above=0.0)
    return scalar_if_0d(10.0 * np.log10(BOLTZMANN_J_K * t * b) + 30.0)


def man_made_noise_db(frequency_hz: ArrayLike, environment: Environment) -> Any:
    """Median man-made noise above kT0B, for a short vertical monopole over ground.

    In the city the line 76.8 - 27.7 log f is left where it crosses 44.3 - 12.3 log f (129 MHz):
    measurements from 200 to 900 MHz in business areas fell more slowly. At 868 MHz the second branch gives
    8.2 dB where the first would give -4.6; it is the larger of the two that is returned.

    Parameters
    ----------
    frequency_hz : array_like, Hz, any shape
        0.3 to 250 MHz; to 900 MHz in the city.
    environment : {"city", "residential", "rural", "quiet_rural", "none"}
        "none" gives -inf.

    Returns
    -------
    float or ndarray, dB above kT0B; negative where the noise lies below thermal noise

    References
    ----------
    Rec. ITU-R P.372-17, part 6; second branch of the city: P.372-8.

    Examples
    --------
    >>> round(man_made_noise_db(200e6, "rural"), 1), round(man_made_noise_db(868e6, "city"), 1)
    (3.5, 8.2)
    """
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e6
    category = _category(environment)
    if category:
        name = f"P.372 man-made noise ({environment})"
        stated_range(name, "frequency", f, 0.3, category.highest_mhz, "MHz")
    return scalar_if_0d(_man_made(f, category))


def man_made_noise_is_extrapolated(frequency_hz: ArrayLike, environment: Environment) -> Any:
    """Whether `man_made_noise_db` is asked outside the frequencies its source states.

    Returns
    -------
    bool or ndarray of bool

    References
    ----------
    Rec. ITU-R P.372-17, part 6 (0.3 to 250 MHz); P.372-8 for the city to 900 MHz.

    Examples
    --------
    >>> man_made_noise_is_extrapolated(868e6, "rural"), man_made_noise_is_extrapolated(868e6, "city")
    (True, False)
    """
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e6
    return scalar_if_0d(_extrapolated(f, _category(environment)))


def galactic_noise_db(frequency_hz: ArrayLike) -> Any:
    """Median galactic noise, dB above kT0B; decile 2 dB on both sides.

    From about 10 MHz; below thermal noise from 183 MHz on. Rec. ITU-R P.372-17, 52 - 23 log f_MHz.

    >>> galactic_noise_db(100e6)
    6.0
    """
    f = checked("frequency_hz", frequency_hz, above=0.0) / 1e6
    return scalar_if_0d(52.0 - 23.0 * np.log10(f))


def man_made_noise_deciles_db(environment: Environment) -> tuple[float, float]:
    """Upper and lower decile of man-made noise about its median within the hour, both positive.

    Rec. ITU-R P.372-17, part 6 (quiet rural as rural).

    >>> man_made_noise_deciles_db("residential")
    (10.6, 5.3)
    """
    category = _category(environment)
    return (category.upper_decile_db, category.lower_decile_db) if category else (0.0, 0.0)


def man_made_noise_location_sigma_db(environment: Environment) -> float:
    """Standard deviation of median man-made noise from place to place within a category.

    Rec. ITU-R P.372, deciles of 8.4, 5.8 and 6.8 dB (from memory); quiet rural taken as rural.

    >>> round(man_made_noise_location_sigma_db("rural"), 1)
    5.3
    """
    category = _category(environment)
    return category.location_decile_db / _DECILE_SIGMAS if category else 0.0


def system_noise(
    bandwidth_hz: ArrayLike,
    noise_figure_db: ArrayLike,
    environment: Environment,
    rise_db: ArrayLike,
    frequency_hz: ArrayLike,
) -> SystemNoise:
    """Noise of a receiver in its surroundings, item by item, with its spread.

    f = fa + fr - 1, where fa is man-made plus galactic noise. External noise below thermal noise counts as
    thermal (fa at least 1): ground and trees at T0 fill part of the pattern of a low antenna. The rise
    multiplies that median: it is what an engine, alternator or drive adds to the floor seen without it, and
    is itself steady.

    Parameters
    ----------
    noise_figure_db : array_like, dB, at least 0, any shape
        Of the receiver with the lines in front of it, the lines at T0.
    environment : {"city", "residential", "rural", "quiet_rural", "none"}
        "none" leaves out man-made and galactic noise.
    rise_db : array_like, dB, at least 0, any shape
        Rise of the floor from ignition, alternator or drive: measured, not predicted.

    References
    ----------
    Rec. ITU-R P.372-17, combination of noise factors (from memory) and part 6. Spread of the total: each
    decile and spread of a part carried through the sum, upper and lower apart, and man-made and galactic in
    quadrature (our own).

    Examples
    --------
    >>> noise = system_noise(125e3, 6.0, "rural", 0.0, 100e6)
    >>> round(noise.external_db, 1), round(noise.total_dbm, 1)
    (7.4, -109.6)
    >>> system_noise(125e3, 6.0, "rural", 3.0, 868e6).external_db
    0.0
    """
    b, nf, rise, f = np.broadcast_arrays(
        checked("bandwidth_hz", bandwidth_hz, above=0.0),
        checked("noise_figure_db", noise_figure_db, at_least=0.0),
        checked("rise_db", rise_db, at_least=0.0),
        checked("frequency_hz", frequency_hz, above=0.0) / 1e6,
    )
    category = _category(environment)
    man_made = _ratio(_man_made(f, category))
    galactic = _ratio(52.0 - 23.0 * np.log10(f)) if category else np.zeros(f.shape)
    receiver = _ratio(nf)

    def without_engine(man_made: Floats, galactic: Floats) -> Floats:
        return receiver + np.maximum(man_made + galactic - 1.0, 0.0)

    quiet = without_engine(man_made, galactic)
    engine = (_ratio(rise) - 1.0) * quiet

    # one part moved, the whole summed again: what the other parts add damps its swing
    def change_db(man_made_db: float, galactic_db: float) -> Floats:
        changed = without_engine(
            man_made * 10.0 ** (man_made_db / 10.0), galactic * 10.0 ** (galactic_db / 10.0)
        )
        result: Floats = 10.0 * np.log10((changed + engine) / (quiet + engine))
        return result

    up, down = man_made_noise_deciles_db(environment)
    sigma = man_made_noise_location_sigma_db(environment)
    thermal = np.asarray(thermal_noise_power_dbm(b))
    external = 10.0 * np.log10(quiet / receiver)
    parts = (
        thermal,
        nf,
        external,
        rise,
        thermal + nf + external + rise,
        np.hypot(change_db(up, 0.0), change_db(0.0, _GALACTIC_DECILE_DB)),
        np.hypot(change_db(-down, 0.0), change_db(0.0, -_GALACTIC_DECILE_DB)),
        np.maximum(
            # mean of both sides: over thermal noise a noisier place adds more than a quieter takes off
            0.5 * (change_db(sigma, 0.0) - change_db(-sigma, 0.0)),
            UNMEASURED_PLACE_SIGMA_DB if category else 0.0,
        ),
        _extrapolated(f, category),
    )
    return SystemNoise(*(scalar_if_0d(part) for part in parts))


def noise_sigma_db(noise: SystemNoise) -> Any:
    """Standard deviation over time of the total noise that its upper decile stands for.

    Normal distribution in dB: the decile lies 1.2816 standard deviations above the median. The upper side is
    taken because it is the one that takes a link down.

    >>> round(noise_sigma_db(system_noise(125e3, 6.0, "rural", 0.0, 100e6)), 1)
    6.1
    """
    return scalar_if_0d(np.asarray(noise.upper_decile_db) / _DECILE_SIGMAS)


def _category(environment: str) -> _ManMade | None:
    if environment == "none":
        return None
    if environment not in _CATEGORIES:
        raise DomainError(f"environment must be one of {', '.join(_CATEGORIES)}, none, got {environment!r}")
    return _CATEGORIES[environment]


def _man_made(f_mhz: Floats, category: _ManMade | None) -> Floats:
    if category is None:
        return np.full(f_mhz.shape, -np.inf)
    log_f = np.log10(f_mhz)
    line: Floats = category.c - category.d * log_f
    if category is _CATEGORIES["city"]:
        line = np.maximum(line, _CITY_UHF_C_D[0] - _CITY_UHF_C_D[1] * log_f)
    return line


def _extrapolated(f_mhz: Floats, category: _ManMade | None) -> Any:
    if category is None:
        return np.zeros(f_mhz.shape, dtype=bool)
    return (f_mhz < 0.3) | (f_mhz > category.highest_mhz)


def _ratio(db: Floats) -> Floats:
    result: Floats = 10.0 ** (0.1 * db)
    return result

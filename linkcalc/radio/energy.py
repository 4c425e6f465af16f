"""Battery life and solar supply of a station that sends now and then.

Charge is reckoned in milliampere-hours at the battery's terminals: with a linear regulator or a radio fed
straight from the cells, what the radio draws is what the battery gives. Generic figures are from memory
unless a source is named; state your own.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import checked, scalar_if_0d
from linkcalc.errors import DomainError

YEAR_H = 8766.0
"""Hours in a year of 365.25 days."""

LONGEST_QUOTED_YEARS = 10.0
"""No life beyond this is quoted: seals, passivation and electronics age too (common practice)."""

CAUTION = (
    "From generic figures; no life beyond 10 years is quoted. A battery's voltage stays flat, then falls:"
    " a good voltage does not prove a full battery."
)

TRANSMIT_CURRENT_SOURCE = "generic figure for this power, unverified"

_TRANSMIT_DBM = np.array([10.0, 14.0, 17.0, 20.0, 22.0, 27.0, 30.0])
_TRANSMIT_MA = np.array([25.0, 45.0, 90.0, 120.0, 120.0, 300.0, 700.0])
"""At 3.3 V; 14 dBm: 25.5 mA from an output stage made for it with a switching supply, 39 mA without, 90 mA from one
made for 22 dBm. The sources are those of `transmit_current_ma`."""

ChemistryName = Literal["li_socl2", "li_mno2", "alkaline", "lifepo4", "li_ion", "lead_acid"]


@dataclass(frozen=True)
class Chemistry:
    """Generic figures of a kind of cell, from memory unless `source` says otherwise."""

    name: str
    nominal_cell_v: float
    end_cell_v: float
    """The usable share is counted down to this voltage."""
    usable_share: float
    """Of the rated capacity at 20 degrees Celsius."""
    self_discharge_per_year: float
    """Share of the rated capacity lost each year."""
    capacity_share_at_c: tuple[tuple[float, float], ...]
    """Share of the capacity left at a temperature in degrees Celsius, 1 at 20."""
    rechargeable: bool
    largest_pulse_ma: float | None
    """Above this a small cell needs help with a burst; None: no concern."""
    note: str
    source: str = "common practice, no source"


CHEMISTRIES: Mapping[ChemistryName, Chemistry] = {
    "li_socl2": Chemistry(
        "lithium thionyl chloride",
        nominal_cell_v=3.6,
        end_cell_v=3.0,
        usable_share=0.90,
        self_discharge_per_year=0.01,
        capacity_share_at_c=((-40, 0.5), (-20, 0.75), (0, 0.9), (20, 1.0), (60, 0.9)),
        rechargeable=False,
        largest_pulse_ma=50.0,
        note="weak at pulses and passivates: add a pulse capacitor; the first burst sags. Drawn steadily"
        " above 5 mA a D cell gives less: 0.7 of its charge at 20 mA, 0.4 at 35 mA",
        source="usable share, and what a steady current leaves of it: Linden's Handbook of Batteries, figure"
        " 14.17 (C); self-discharge up to 1 % a year: trade articles; the rest common practice, no source",
    ),
    "li_mno2": Chemistry(
        "lithium manganese dioxide",
        nominal_cell_v=3.0,
        end_cell_v=2.4,
        usable_share=0.85,
        self_discharge_per_year=0.02,
        capacity_share_at_c=((-20, 0.7), (0, 0.85), (20, 1.0), (60, 0.95)),
        rechargeable=False,
        largest_pulse_ma=None,
        note="better at pulses than lithium thionyl chloride",
    ),
    "alkaline": Chemistry(
        "alkaline",
        nominal_cell_v=1.5,
        end_cell_v=1.0,
        usable_share=0.80,
        self_discharge_per_year=0.03,
        capacity_share_at_c=((-20, 0.25), (0, 0.6), (20, 1.0), (50, 1.0)),
        rechargeable=False,
        largest_pulse_ma=None,
        note="poor in the cold",
        source="self-discharge 2 to 3 % a year: trade pages and a review table (B); the rest common practice,"
        " no source",
    ),
    "lifepo4": Chemistry(
        "lithium iron phosphate",
        nominal_cell_v=3.2,
        end_cell_v=2.8,
        usable_share=0.90,
        self_discharge_per_year=0.25,
        capacity_share_at_c=((-20, 0.5), (0, 0.8), (20, 1.0), (60, 1.0)),
        rechargeable=True,
        largest_pulse_ma=None,
        note="good in heat; must not be charged below 5 degrees Celsius",
        source="cold, and charging from 5 degrees Celsius: technical data of a battery family (C);"
        " self-discharge 1 to 3 % a month: trade pages (B); usable share: a community wiki",
    ),
    "li_ion": Chemistry(
        "lithium ion",
        nominal_cell_v=3.7,
        end_cell_v=3.0,
        usable_share=0.80,
        self_discharge_per_year=0.25,
        capacity_share_at_c=((-20, 0.6), (0, 0.8), (20, 1.0), (60, 1.0)),
        rechargeable=True,
        largest_pulse_ma=None,
        note="must not be charged below 0 degrees Celsius",
        source="usable share: a community wiki; the rest common practice, no source",
    ),
    "lead_acid": Chemistry(
        "lead acid",
        nominal_cell_v=2.0,
        end_cell_v=1.9,
        usable_share=0.50,
        self_discharge_per_year=0.36,
        capacity_share_at_c=((-20, 0.58), (-15, 0.65), (0, 0.85), (20, 1.0), (50, 1.0)),
        rechargeable=True,
        largest_pulse_ma=None,
        note="ages fast when left discharged",
        source="cold (0.58 continued), self-discharge: data sheet of a 12 V gel battery (C); usable share: a"
        " community wiki",
    ),
}
"""The kinds of cell by name."""


@dataclass(frozen=True)
class Draw:
    """Mean current by purpose, mA; the parts add up to `total_ma`. Arrays broadcast."""

    sending_ma: Any
    listening_ma: Any
    sensing_ma: Any
    sleeping_ma: Any

    @property
    def total_ma(self) -> Any:
        """All purposes together."""
        return self.sending_ma + self.listening_ma + self.sensing_ma + self.sleeping_ma


def transmit_current_ma(power_dbm: ArrayLike) -> Any:
    """Supply current of a generic radio while it sends.

    Parameters
    ----------
    power_dbm : array_like, dBm, up to 30
        Conducted power. Below 10 dBm the current of 10 dBm is given; above 30 no generic figure is known.

    Notes
    -----
    Linear between the points of a table. At 14 dBm it is 25 to 90 mA, by the output stage: look it up for the radio at
    hand.

    References
    ----------
    Data sheets at 3.3 V as five independent projects quote them (B) for 13 to 22 dBm: 29 mA at 13 dBm
    (older), 25.5, 39 or 90 mA at 14 dBm by the output stage, 87 to 120 mA at 20 dBm, 118 mA at 22 dBm. 10
    dBm (20 to 30 mA), 17 dBm (85 to 95) and 27 to 30 dBm (amplified, 300 to 700): from memory, unchecked.

    Examples
    --------
    >>> transmit_current_ma([5, 14, 15.5, 30]).tolist()
    [25.0, 45.0, 67.5, 700.0]
    """
    power = checked("power_dbm", power_dbm)
    if (power > _TRANSMIT_DBM[-1]).any():
        raise DomainError(
            f"no generic transmit current is known above {_TRANSMIT_DBM[-1]:g} dBm, got {power.max():g} dBm;"
            " state transmit_current_ma"
        )
    return scalar_if_0d(np.interp(power, _TRANSMIT_DBM, _TRANSMIT_MA))


def expected_transmissions(success: ArrayLike, tries: ArrayLike) -> Any:
    """Mean number of transmissions of one message that is repeated until acknowledged, or given up after `tries`, 1
    or more.

    `success`, 0 to 1, is the probability that one try gets through and its acknowledgement comes back. Truncated
    geometric distribution: (1 - (1-p)^n)/p. Losses are taken as independent from try to try.

    >>> expected_transmissions(0.5, 3), expected_transmissions(0.0, 3), expected_transmissions(1.0, 3)
    (1.75, 3.0, 1.0)
    """
    p, n = np.broadcast_arrays(
        checked("success", success, at_least=0.0, at_most=1.0), checked("tries", tries, at_least=1.0)
    )
    # the formula is 0/0 at no success at all; its limit there is every try made
    rare = p < 1e-9
    with np.errstate(divide="ignore"):  # log1p(-1) at certain success
        given_up = np.exp(n * np.log1p(-np.where(rare, 0.5, p)))
    return scalar_if_0d(np.where(rare, n, (1.0 - given_up) / np.where(rare, 1.0, p)))


def mean_currents_ma(
    interval_s: ArrayLike,
    time_on_air_s: ArrayLike,
    *,
    transmit_current_ma: ArrayLike,
    transmissions: ArrayLike = 1.0,
    receive_current_ma: ArrayLike = 0.0,
    receive_window_s: ArrayLike = 0.0,
    sensor_current_ma: ArrayLike = 0.0,
    sensor_warm_up_s: ArrayLike = 0.0,
    sleep_current_ma: ArrayLike = 0.0,
) -> Draw:
    """Mean current of a station that measures and reports once in every interval.

    Parameters
    ----------
    interval_s : array_like, s, above 0
        Between messages; longer than sending and receiving one with its tries takes.
    time_on_air_s : array_like, s, 0 or more
        Of one transmission.
    transmit_current_ma, receive_current_ma, sensor_current_ma : array_like, mA, 0 or more
        Drawn from the battery while it lasts.
    transmissions : array_like, 0 or more
        Mean number for one message.
    receive_window_s : array_like, s, 0 or more
        The receiver is on after each transmission.
    sensor_warm_up_s : array_like, s, 0 or more
        The sensor is on for each message.
    sleep_current_ma : array_like, mA, 0 or more
        Drawn all the time.

    Examples
    --------
    Half a second at 36 mA, every ten minutes, over 15 uA:

    >>> round(mean_currents_ma(600, 0.5, transmit_current_ma=36, sleep_current_ma=0.015).total_ma, 6)
    0.045
    """
    interval = checked("interval_s", interval_s, above=0.0)
    airtime = checked("time_on_air_s", time_on_air_s, at_least=0.0)
    sending = checked("transmit_current_ma", transmit_current_ma, at_least=0.0)
    count = checked("transmissions", transmissions, at_least=0.0)
    receiving = checked("receive_current_ma", receive_current_ma, at_least=0.0)
    window = checked("receive_window_s", receive_window_s, at_least=0.0)
    sensing = checked("sensor_current_ma", sensor_current_ma, at_least=0.0)
    warm_up = checked("sensor_warm_up_s", sensor_warm_up_s, at_least=0.0)
    sleeping = checked("sleep_current_ma", sleep_current_ma, at_least=0.0)
    busy, of = np.broadcast_arrays(count * (airtime + window), interval)
    if (busy > of).any():
        worst = np.unravel_index(np.argmax(busy - of), busy.shape)
        raise DomainError(
            f"interval_s is {of[worst]:g} s, shorter than the {busy[worst]:.3g} s that one message with its"
            " tries and receive windows takes"
        )
    shape = np.broadcast_shapes(busy.shape, sending.shape, receiving.shape, sensing.shape, warm_up.shape)
    parts = (
        count * airtime * sending / interval,
        count * window * receiving / interval,
        sensing * warm_up / interval,
        sleeping,
    )
    return Draw(*(scalar_if_0d(np.broadcast_to(p, np.broadcast_shapes(shape, p.shape))) for p in parts))


def battery_life_years(
    capacity_mah: ArrayLike,
    mean_current_ma: ArrayLike,
    *,
    usable_share: ArrayLike = 1.0,
    self_discharge_per_year: ArrayLike = 0.0,
) -> Any:
    """How long a battery lasts, in years of 8766 h; not yet cut at `LONGEST_QUOTED_YEARS`.

    Parameters
    ----------
    capacity_mah : array_like, mAh, above 0
        Rated.
    mean_current_ma : array_like, mA, 0 or more
        Not 0 together with `self_discharge_per_year`: then nothing drains the battery.
    usable_share : array_like, above 0 to 1
        Share of the rated capacity that can be had before the end of life.
    self_discharge_per_year : array_like, 0 to 1
        Share of the rated capacity lost each year, as if drawn by a steady current.

    Examples
    --------
    >>> round(battery_life_years(500, 0.1506667) * 8766)  # hours
    3319
    """
    capacity = checked("capacity_mah", capacity_mah, above=0.0)
    current = checked("mean_current_ma", mean_current_ma, at_least=0.0)
    usable = checked("usable_share", usable_share, above=0.0, at_most=1.0)
    lost = checked("self_discharge_per_year", self_discharge_per_year, at_least=0.0, at_most=1.0)
    yearly = current * YEAR_H + lost * capacity
    if (yearly <= 0.0).any():
        raise DomainError(
            "mean_current_ma and self_discharge_per_year are both 0: nothing drains the battery"
        )
    return scalar_if_0d(capacity * usable / yearly)


def capacity_share(chemistry: ChemistryName, temperature_c: ArrayLike) -> Any:
    """Share of the rated capacity that a kind of cell gives at a temperature, down to its end voltage.

    `chemistry` is a key of `CHEMISTRIES`; `temperature_c` must be within its table, where it is meant to work. Generic
    derating, common practice, no source.

    >>> round(capacity_share("alkaline", 0.0), 2), round(capacity_share("li_socl2", 20.0), 2)
    (0.48, 0.9)
    """
    if chemistry not in CHEMISTRIES:
        raise DomainError(f"chemistry must be one of {', '.join(CHEMISTRIES)}, got {chemistry!r}")
    cell = CHEMISTRIES[chemistry]
    at, share = np.array(cell.capacity_share_at_c, dtype=np.float64).T
    temperature = checked(f"temperature_c of {cell.name}", temperature_c, at_least=at[0], at_most=at[-1])
    return scalar_if_0d(cell.usable_share * np.interp(temperature, at, share))


def daily_energy_wh(mean_current_ma: ArrayLike, voltage_v: ArrayLike) -> Any:
    """Energy a station takes in a day; the current 0 or more, the voltage above 0.

    >>> round(daily_energy_wh(25.0, 3.7), 2)
    2.22
    """
    current = checked("mean_current_ma", mean_current_ma, at_least=0.0)
    return scalar_if_0d(current * checked("voltage_v", voltage_v, above=0.0) * 24.0 / 1e3)


def solar_panel_w(daily_wh: ArrayLike, peak_sun_h: ArrayLike, efficiency: ArrayLike = 0.70) -> Any:
    """Rated power of a panel that just gives a day's energy in the worst month.

    `peak_sun_h`, above 0 to 24, is that month's: hours a day at 1000 W/m2 that give the day's sunshine on the panel.
    `efficiency`, above 0 to 1, is that of charger, wiring, dirt and heat together. A community wiki's rule: panel =
    Wh a day/(peak sun hours x 0.70). Add a margin; it is never exact.

    >>> round(solar_panel_w(2.22, 2.5), 2)
    1.27
    """
    energy = checked("daily_wh", daily_wh, at_least=0.0)
    sun = checked("peak_sun_h", peak_sun_h, above=0.0, at_most=24.0)
    return scalar_if_0d(energy / (sun * checked("efficiency", efficiency, above=0.0, at_most=1.0)))


def storage_wh(daily_wh: ArrayLike, days: ArrayLike, usable_share: ArrayLike) -> Any:
    """Rated battery energy that carries a station through days without sun: 3 in sunny places, 5 to 7 at high
    latitudes.

    `usable_share`, above 0 to 1, is that of the rated capacity. A community wiki's rule: battery = Wh a day x
    days/usable share (0.8 lithium ion, 0.9 lithium iron phosphate, 0.5 lead acid).

    >>> round(storage_wh(2.22, 3, 0.8), 1)
    8.3
    """
    energy = checked("daily_wh", daily_wh, at_least=0.0)
    share = checked("usable_share", usable_share, above=0.0, at_most=1.0)
    return scalar_if_0d(energy * checked("days", days, above=0.0) / share)


def life_words(years: float) -> str:
    """Say a battery life, never beyond `LONGEST_QUOTED_YEARS`.

    >>> life_words(3.24), life_words(0.46), life_words(25.0)
    ('3.2 years', '5.5 months', '10 years or more')
    """
    if years >= LONGEST_QUOTED_YEARS:
        return f"{LONGEST_QUOTED_YEARS:g} years or more"
    if years >= 1.0:
        # rounded down, so that 9.99 years do not read as 10
        return f"{math.floor(years * 10.0) / 10.0:.1f} years"
    months = years * 12.0
    return f"{months:.1f} months" if months >= 1.0 else f"{years * YEAR_H / 24.0:.0f} days"

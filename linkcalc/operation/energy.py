"""What each supplied station of a plan draws, how long its battery lasts, how large its solar supply is."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import TYPE_CHECKING

import numpy as np

from linkcalc._arrays import Floats, checked
from linkcalc.answer import Answer
from linkcalc.errors import DomainError, PlanError
from linkcalc.operation.limits import End, ends
from linkcalc.plan.base import element
from linkcalc.radio.energy import (
    CAUTION,
    CHEMISTRIES,
    LONGEST_QUOTED_YEARS,
    TRANSMIT_CURRENT_SOURCE,
    YEAR_H,
    Draw,
    battery_life_years,
    capacity_share,
    daily_energy_wh,
    expected_transmissions,
    life_words,
    mean_currents_ma,
    solar_panel_w,
    storage_wh,
    transmit_current_ma,
)

if TYPE_CHECKING:
    from linkcalc.link.result import LinkResult
    from linkcalc.plan import Plan
    from linkcalc.plan.power import Battery, PowerSupply, Solar

_AFTER_ANSWER_S = 0.1
"""The receiver is on that much longer than the answer lasts (common practice, no source)."""

AUTONOMY_DAYS, AUTONOMY_DAYS_CONTROL = 5.0, 10.0
"""Days without sun, by default; the second where a message starts or stops an engine (common practice, no
source: 3 in sunny places, 5 to 7 at high latitudes for what may be missed)."""

TABLE_INTERVALS_S = (60.0, 300.0, 900.0, 3600.0, 21_600.0, 86_400.0)
"""Intervals a table shows; they are among those a picture is drawn from."""

_INTERVALS_S = np.union1d(TABLE_INTERVALS_S, np.geomspace(60.0, 86_400.0, 33).round())


SEASON_DAYS = 60
"""Length of a dull season, the days of which are played one after the other."""
DULL_SUN, BRIGHT_SUN = 0.2, 1.8
"""Sun of a dull and of a bright day over the month's mean; there are as many of either."""
SPELL_DAYS = 4.0
"""Mean length of a spell of either (all three: common practice, no source; a clear climate is kinder)."""
_SEASONS, _SEED = 20_000, 1


@dataclass(frozen=True)
class Traffic:
    """One of the things the station sends again and again."""

    link: str
    message: str | None
    answers: bool
    measures: bool
    """The sensor is on before it."""
    payload_bytes: int
    time_on_air_s: float
    interval_s: float | None
    transmissions: float
    transmissions_source: str
    receive_window_s: float


@dataclass(frozen=True)
class FactorLife:
    """Battery life at one spreading factor; None: a message does not fit into the interval."""

    spreading_factor: int
    time_on_air_s: float
    life_years: float | None
    """At the planned interval; no more than 10 is quoted. None also where no interval is planned."""
    life_years_by_interval: tuple[float | None, ...]


@dataclass(frozen=True)
class BatteryLife:
    """How long a battery lasts."""

    chemistry: str
    capacity_mah: float
    usable_share: float
    """Of the rated capacity, at this temperature, down to the end of life."""
    temperature_c: float
    end_cell_v: float
    self_discharge_per_year: float
    self_discharge_ma: float
    life_years: float | None
    """No more than 10 is quoted; None: no interval is stated."""
    beyond_quotable: bool
    varied_interval_s: float | None
    """The planned interval of what is sent most often."""
    intervals_s: tuple[float, ...]
    by_spreading_factor: tuple[FactorLife, ...]
    """For the interval of what it sends most often; empty unless the station sends CSS on one link only."""
    source: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class SolarSupply:
    """How large panel and battery must be."""

    daily_wh: float
    peak_sun_h: float
    panel_w: float
    """The bare sum: the day's use, and the store filled again in `recovery_days`."""
    recommended_panel_w: float
    storage_wh: float
    recommended_storage_wh: float
    recommended_storage_mah: float
    autonomy_days: float
    recovery_days: float
    """In which the panel fills an empty battery again, at the worst month's sun."""
    chemistry: str
    usable_share: float
    """Of the rated energy, at this temperature."""
    temperature_c: float
    voltage_v: float
    blackout_chance: float
    """Of running empty at least once in a dull season, with panel and battery as recommended."""
    notes: tuple[str, ...]


@dataclass(frozen=True)
class StationEnergy:
    """One supplied station."""

    station: str
    transmit_current_ma: float
    transmit_current_source: str
    traffic: tuple[Traffic, ...]
    sending_ma: float | None
    """Means by purpose; they add up to `mean_current_ma`. None: an interval is not stated."""
    listening_ma: float | None
    sensing_ma: float | None
    sleeping_ma: float
    mean_current_ma: float | None
    battery: BatteryLife | None
    solar: SolarSupply | None
    notes: tuple[str, ...]
    summary: str


@dataclass(frozen=True, eq=False, repr=False)
class EnergySection(Answer):
    """The energy of a whole plan."""

    _rows = "stations"

    stations: tuple[StationEnergy, ...]
    line: str
    caution: str = CAUTION


def section(plan: "Plan", link_results: "Sequence[LinkResult]" = ()) -> EnergySection:
    """Work out the energy of every station that has a [[power]] table.

    With the links' results the tries expected follow from their success; without, every message is taken to
    need all.
    """
    every = ends(plan)
    expected = _Expected(plan, link_results)
    stations = tuple(
        _station(plan, supply, element("power", index, supply.station), every, expected)
        for index, supply in enumerate(plan.power)
    )
    return EnergySection(stations, _line(stations))


def _line(stations: Sequence[StationEnergy]) -> str:
    if not stations:
        return "Energy: no [[power]] table in the plan; see linkcalc energy"
    first = stations[0]
    name = first.station if len(first.station) <= 16 else first.station[:15] + "…"
    more = f" (and {len(stations) - 1} more)" if len(stations) > 1 else ""
    return f"Energy: {name} {first.summary}{more}; see linkcalc energy"


def _station(
    plan: "Plan", supply: "PowerSupply", place: str, every: Sequence[End], expected: "_Expected"
) -> StationEnergy:
    own = [end for end in every if end.station == supply.station]
    waits_for = _waits_for(supply.station, every)
    assumed_listening = supply.listening_share is None and bool(waits_for)
    if supply.listening_share is None:
        # a call may come at any time: unless stated, the receiver never sleeps, the cautious side
        supply = supply.model_copy(update={"listening_share": 1.0 if waits_for else 0.0})
    try:
        current, source = _transmit_current(supply, own)
        traffic = tuple(_traffic(supply, end, every, expected) for end in own)
        draw = _draw(supply, traffic, current)
        mean = None if draw is None else float(draw.total_ma)
        battery = solar = None
        if supply.battery is not None:
            currents = _currents_by_factor(supply, own, every, traffic, current)
            battery = _battery(supply.battery, current, mean, currents)
        if supply.solar is not None and mean is not None:
            solar = _solar(supply.solar, mean, carries_control=_carries_control(plan, own, waits_for))
    except DomainError as error:
        raise PlanError(f"{place}: {error}") from None
    return StationEnergy(
        station=supply.station,
        transmit_current_ma=current,
        transmit_current_source=source,
        traffic=traffic,
        sending_ma=None if draw is None else float(draw.sending_ma),
        listening_ma=None if draw is None else float(draw.listening_ma),
        sensing_ma=None if draw is None else float(draw.sensing_ma),
        sleeping_ma=supply.sleep_current_ma,
        mean_current_ma=mean,
        battery=battery,
        solar=solar,
        notes=tuple(_notes(supply, traffic, waits_for if assumed_listening else ())),
        summary=_summary(mean, battery, solar),
    )


def _waits_for(station: str, every: Sequence[End]) -> tuple[str, ...]:
    """What others send to a station when they like, by the message or else the link."""
    return tuple(dict.fromkeys(e.message or e.link for e in every if e.to == station and not e.answers))


def _carries_control(plan: "Plan", own: Sequence[End], waits_for: Sequence[str]) -> bool:
    """Whether an engine is started or stopped by what the station sends or hears."""
    control = {m.name for m in plan.message if m.kind in ("start", "stop", "run_permit")}
    return bool(control & ({e.message for e in own if not e.answers} | set(waits_for)))


def _summary(mean: float | None, battery: BatteryLife | None, solar: SolarSupply | None) -> str:
    if mean is None:
        return "no report interval stated"
    if battery is not None:
        assert battery.life_years is not None
        return (
            f"battery {life_words(LONGEST_QUOTED_YEARS if battery.beyond_quotable else battery.life_years)}"
        )
    if solar is not None:
        return f"panel {solar.recommended_panel_w:.2g} W, battery {solar.recommended_storage_wh:.2g} Wh"
    return f"draws {mean:.2g} mA"


def _transmit_current(supply: "PowerSupply", own: Sequence[End]) -> tuple[float, str]:
    if supply.transmit_current_ma is not None:
        return supply.transmit_current_ma, "the plan"
    powers = [end.transmission.conducted_power_dbm for end in own]
    return float(np.max(transmit_current_ma(powers), initial=0.0)), TRANSMIT_CURRENT_SOURCE


def _traffic(supply: "PowerSupply", end: End, every: Sequence[End], expected: "_Expected") -> Traffic:
    transmissions, source = expected.of(end)
    return Traffic(
        link=end.link,
        message=end.message,
        answers=end.answers,
        measures=end.measures,
        payload_bytes=end.payload_bytes,
        time_on_air_s=end.transmission.time_on_air_s,
        interval_s=end.transmission.interval_s,
        transmissions=transmissions,
        transmissions_source=source,
        receive_window_s=_window_s(supply, end, every),
    )


def _window_s(
    supply: "PowerSupply", end: End, every: Sequence[End], spreading_factor: int | None = None
) -> float:
    """How long the receiver is on after each transmission, by default for what the other end sends back."""
    if supply.receive_window_s is not None:
        return supply.receive_window_s
    for other in every:
        if (other.link, other.message) == (end.link, end.message) and other.answers != end.answers:
            by_factor = other.time_on_air_by_spreading_factor_s
            heard = (
                other.transmission.time_on_air_s if spreading_factor is None else by_factor[spreading_factor]
            )
            return heard + _AFTER_ANSWER_S
    return 0.0  # nobody answers


class _Expected:
    """How many transmissions a message is expected to take, from the links' success where it is known."""

    def __init__(self, plan: "Plan", results: "Sequence[LinkResult]") -> None:
        from linkcalc.operation.messages import section as messages_section

        self._results = results
        answered = messages_section(plan, results) if results else None
        self._answers = {m.name: m for m in answered.messages} if answered is not None else {}

    def of(self, end: End) -> tuple[float, str]:
        tries = end.transmission.tries
        message = self._answers.get(end.message or "")
        if message is not None:
            if not end.answers:
                return message.tries_sent, "expected from the link's success"
            per_day = message.acknowledgement_airtime_s_per_day / end.transmission.time_on_air_s
            return per_day * 365.0 / message.per_year, "expected from the link's success"
        directions = [d for link in self._results if link.name == end.link for d in link.directions]
        if not directions:
            return float(tries), "every message takes all its tries" if tries > 1 else "one try is made"
        up_from = end.to if end.answers else end.station
        up = next(d.delivery_probability_single for d in directions if d.from_ == up_from)
        down = next(d.delivery_probability_single for d in directions if d.from_ != up_from)
        # the answering end answers each try that reaches it
        mean = float(expected_transmissions(up * down, tries)) * (up if end.answers else 1.0)
        return mean, f"expected from {_percent(up)} and {_percent(down)} success of one try each way"


def _percent(probability: float) -> str:
    return f"{100.0 * probability:.3g} %" if probability < 0.999 else ">99.9 %"


def _draw(supply: "PowerSupply", traffic: Sequence[Traffic], current_ma: float) -> Draw | None:
    """Sum over all that the station sends; None where an interval is not stated."""
    listening = (supply.listening_share or 0.0) * supply.receive_current_ma
    own = [
        _cycle(supply, t, np.asarray(t.interval_s), current_ma) for t in traffic if t.interval_s is not None
    ]
    # what has no interval may draw the most: rather no sum than one that is too small
    if len(own) < len(traffic):
        return None
    return Draw(
        sum((d.sending_ma for d in own), 0.0),
        sum((d.listening_ma for d in own), listening),
        sum((d.sensing_ma for d in own), 0.0),
        supply.sleep_current_ma,
    )


def _cycle(
    supply: "PowerSupply",
    t: Traffic,
    interval_s: Floats,
    current_ma: float,
    on_air_s: Floats | None = None,
    window_s: Floats | None = None,
) -> Draw:
    """One of the station's messages at an interval, its times on air as planned or others."""
    return mean_currents_ma(
        interval_s,
        t.time_on_air_s if on_air_s is None else on_air_s,
        transmit_current_ma=current_ma,
        transmissions=t.transmissions,
        # what is heard while listening anyway is counted there
        receive_current_ma=supply.receive_current_ma * (1.0 - (supply.listening_share or 0.0)),
        receive_window_s=t.receive_window_s if window_s is None else window_s,
        sensor_current_ma=supply.sensor_current_ma if t.measures else 0.0,
        sensor_warm_up_s=supply.sensor_warm_up_s,
        sleep_current_ma=supply.sleep_current_ma,
    )


def _currents_by_factor(
    supply: "PowerSupply",
    own: Sequence[End],
    every: Sequence[End],
    traffic: Sequence[Traffic],
    current_ma: float,
) -> tuple[float | None, dict[int, tuple[float, Floats]]]:
    """The planned interval of what is sent most often; by spreading factor its time on air, and mean currents.

    These are for `_INTERVALS_S` and then the planned interval, what is sent less often keeping its own; nan: a
    message does not fit. No factor unless the station sends CSS on one link only.
    """
    if len({end.link for end in own}) != 1 or not own[0].time_on_air_by_spreading_factor_s:
        return None, {}
    factors = tuple(own[0].time_on_air_by_spreading_factor_s)
    # an interval that is not stated comes first: it is then the one that the table varies
    order = sorted(range(len(own)), key=lambda i: traffic[i].interval_s or 0.0)
    if any(traffic[i].interval_s is None for i in order[1:]):
        return None, {}
    planned_s = traffic[order[0]].interval_s
    total = np.full(
        (len(factors), len(_INTERVALS_S) + 1),
        supply.sleep_current_ma + (supply.listening_share or 0.0) * supply.receive_current_ma,
    )
    for rank, i in enumerate(order):
        end, t = own[i], traffic[i]
        airtime = np.array([end.time_on_air_by_spreading_factor_s[f] for f in factors])[:, None]
        window = np.array([_window_s(supply, end, every, f) for f in factors])[:, None]
        varied = np.append(_INTERVALS_S, np.nan if planned_s is None else planned_s)
        interval = varied if rank == 0 else np.full(varied.shape, t.interval_s)
        least = t.transmissions * (airtime + window)
        fits = interval >= least
        # the formula refuses an interval that is too short: another stands in, and is taken out again below
        d = _cycle(supply, t, np.where(fits, interval, least + 1.0), current_ma, airtime, window)
        total += np.where(fits, d.sending_ma + d.listening_ma + d.sensing_ma, np.nan)
    airtimes = own[order[0]].time_on_air_by_spreading_factor_s
    return planned_s, {f: (airtimes[f], currents) for f, currents in zip(factors, total, strict=True)}


def _battery(
    battery: "Battery",
    current_ma: float,
    mean_ma: float | None,
    varied: tuple[float | None, dict[int, tuple[float, Floats]]],
) -> BatteryLife:
    """`varied` as `_currents_by_factor` gives it."""
    cell = CHEMISTRIES[battery.chemistry]
    usable = (
        float(capacity_share(battery.chemistry, battery.temperature_c))
        if battery.usable_percent is None
        else battery.usable_percent / 100.0
    )
    lost = (
        cell.self_discharge_per_year
        if battery.self_discharge_percent_per_year is None
        else battery.self_discharge_percent_per_year / 100.0
    )

    lasts_years = partial(
        battery_life_years, battery.capacity_mah, usable_share=usable, self_discharge_per_year=lost
    )

    def quoted(currents: Floats) -> list[float | None]:
        known = np.isfinite(currents)
        years = np.asarray(lasts_years(np.where(known, currents, 1.0)))
        return [float(min(y, LONGEST_QUOTED_YEARS)) if k else None for y, k in zip(years, known, strict=True)]

    planned_s, by_factor = varied
    factors = []
    for factor, (airtime_s, currents) in by_factor.items():
        *grid, planned = quoted(currents)
        factors.append(FactorLife(factor, airtime_s, planned, tuple(grid)))
    life = None if mean_ma is None else float(lasts_years(mean_ma))
    # a cell's concern is with pulses where it names the largest
    notes = [cell.note] if cell.largest_pulse_ma is None or current_ma > cell.largest_pulse_ma else []
    if cell.rechargeable:
        notes.append("calculated as if it were never recharged")
    return BatteryLife(
        chemistry=cell.name,
        capacity_mah=battery.capacity_mah,
        usable_share=usable,
        temperature_c=battery.temperature_c,
        end_cell_v=cell.end_cell_v,
        self_discharge_per_year=lost,
        self_discharge_ma=lost * battery.capacity_mah / YEAR_H,
        life_years=None if life is None else min(life, LONGEST_QUOTED_YEARS),
        beyond_quotable=life is not None and life > LONGEST_QUOTED_YEARS,
        varied_interval_s=planned_s,
        intervals_s=tuple(float(i) for i in _INTERVALS_S) if factors else (),
        by_spreading_factor=tuple(factors),
        source=cell.source,
        notes=tuple(notes),
    )


def _solar(solar: "Solar", mean_ma: float, *, carries_control: bool) -> SolarSupply:
    cell = CHEMISTRIES[solar.chemistry]
    daily = float(daily_energy_wh(mean_ma, solar.voltage_v))
    days = solar.autonomy_days
    if days is None:
        days = AUTONOMY_DAYS_CONTROL if carries_control else AUTONOMY_DAYS
    usable = float(capacity_share(solar.chemistry, solar.temperature_c))
    again = daily * days / solar.recovery_days
    panel = float(solar_panel_w(daily + again, solar.worst_month_peak_sun_h, solar.efficiency))
    storage = float(storage_wh(daily, days, usable))
    larger = solar.size_factor
    notes = [cell.note]
    if days < AUTONOMY_DAYS_CONTROL and carries_control:
        notes.append(
            f"messages that start or stop an engine go by this station: {AUTONOMY_DAYS_CONTROL:g} days of"
            " autonomy are usual (common practice, no source)"
        )
    return SolarSupply(
        daily_wh=daily,
        peak_sun_h=solar.worst_month_peak_sun_h,
        panel_w=panel,
        recommended_panel_w=panel * larger,
        storage_wh=storage,
        recommended_storage_wh=storage * larger,
        recommended_storage_mah=storage * larger / solar.voltage_v * 1e3,
        autonomy_days=days,
        recovery_days=solar.recovery_days,
        chemistry=cell.name,
        usable_share=usable,
        temperature_c=solar.temperature_c,
        voltage_v=solar.voltage_v,
        blackout_chance=blackout_chance(
            daily,
            panel * larger * solar.worst_month_peak_sun_h * solar.efficiency,
            storage * larger * usable,
        ),
        notes=tuple(notes),
    )


@lru_cache(maxsize=1)
def _sun() -> Floats:
    """Sun over the mean, (days, seasons); the same draws for every question."""
    rng = np.random.default_rng(_SEED)
    dull = rng.random(_SEASONS) < 0.5
    days = np.empty((SEASON_DAYS, _SEASONS))
    for day in range(SEASON_DAYS):
        days[day] = np.where(dull, DULL_SUN, BRIGHT_SUN)
        dull ^= rng.random(_SEASONS) < 1.0 / SPELL_DAYS
    return days


def blackout_chance(daily_wh: float, panel_wh_per_day: float, usable_wh: float) -> float:
    """Chance that a station's battery, full at the start, runs empty at least once in a dull season.

    `panel_wh_per_day` is what the panel puts into the battery on a mean day of the season, `usable_wh` what
    the battery gives, as cold as it gets. A share of 20 000 seasons of 60 days, from one seed: bright and
    dull days follow each other as a chain of two states. A day's sun comes after its draw: the cautious
    order.

    A panel that gives nothing: empty when the store is used up, unless that lasts all season.

    >>> blackout_chance(1.0, 0.0, 59.0), blackout_chance(1.0, 0.0, 60.0)
    (1.0, 0.0)
    """
    draw = float(checked("daily_wh", daily_wh, above=0.0))
    gain = float(checked("panel_wh_per_day", panel_wh_per_day, at_least=0.0))
    full = float(checked("usable_wh", usable_wh, at_least=0.0))
    charge = np.full(_SEASONS, full)
    empty = np.zeros(_SEASONS, dtype=np.bool_)
    for sun in _sun():
        charge = charge - draw
        # used up to the last is not yet empty, whatever the rounding
        empty |= charge < -1e-9
        charge = np.clip(charge + gain * sun, 0.0, full)
    return float(empty.mean())


def _notes(supply: "PowerSupply", traffic: Sequence[Traffic], waits_for: Sequence[str]) -> list[str]:
    notes = []
    if waits_for:
        named = ", ".join(f'"{w}"' for w in waits_for[:3]) + (", ..." if len(waits_for) > 3 else "")
        notes.append(
            f"it waits for calls ({named}), so its receiver is on all the time; state listening_share if it"
            " wakes now and then"
        )
    if any(t.answers for t in traffic) and supply.listening_share == 0.0:
        notes.append(
            "this station answers, yet listening_share is 0: it hears only what it expects at a known time"
        )
    if not traffic and not waits_for:
        notes.append("no link of the plan uses this station")
    return notes

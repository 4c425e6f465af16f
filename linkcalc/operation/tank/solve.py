"""What keeps the tank from overflowing: stop level, report interval and watchdog, solved for."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from linkcalc._arrays import checked
from linkcalc.operation.tank.loop import LEAST_WATCHDOG_INTERVALS, FillLoop
from linkcalc.operation.tank.risk import year_risk
from linkcalc.operation.tank.shapes import Shape
from linkcalc.operation.tank.simulate import Channel

INTERVALS_S = (30.0, 60.0, 120.0, 180.0, 300.0, 600.0, 900.0, 1200.0, 1800.0, 3600.0, 7200.0)
"""Report intervals that are proposed: whole, easily set values."""

HIGHEST_STOP_PERCENT = 95.0
FLOAT_VALVE_STOP_PERCENT = 90.0
"""Stop at 90 to 95 % full: the last 5 to 10 % are the delay budget (common practice, no source)."""

MOST_NUISANCE_STOPS_PER_YEAR = 12.0
"""One a month (common practice, no source)."""

_LEAST_BAND_PERCENT = 20.0
_WATCHDOG_INTERVALS = (LEAST_WATCHDOG_INTERVALS, 4, 5, 6, 8, 10)


@dataclass(frozen=True)
class Settings:
    """A set of settings and what it brings, averaged over what is not known about the site."""

    stop_percent: float
    interval_s: float
    watchdog_s: float
    overrun_bound_m3: float
    freeboard_m3: float
    overflow_chance: float
    """In a year; 0 where the overrun bound fits into the freeboard."""
    nuisance_stops: float
    """In a year, where the link works."""


@dataclass(frozen=True)
class Solution:
    """What each setting has to be, alone and together; None: no value of it alone does."""

    accepted_chance: float
    """Of an overflow in a year."""
    stop_percent: float | None
    """Highest, with the other settings as they are; no more than the usual 95."""
    interval_s: float | None
    """Longest of the usual ones."""
    watchdog_s: float | None
    """Longest, in whole intervals."""
    least_watchdog_s: float | None
    """Three report intervals: a shorter one stops the engine for lost reports; None: nothing is reported."""
    recommended: Settings | None
    """The overrun bound fits into the freeboard: no lost message overflows the tank."""
    float_valve_needed: bool
    """The pump fills the last tenth faster than the radio can be sure to stop it."""
    float_valve_reason: str


def solve(
    loop: FillLoop, shape: Shape, channel: Channel, accepted_chance: float, shortest_interval_s: float = 60.0
) -> Solution:
    """Find the settings that keep overflow under an accepted chance in a year.

    Reports more often than `shortest_interval_s` cost too much air time or battery.
    """
    accepted = float(checked("accepted_chance", accepted_chance, above=0.0, at_most=1.0))
    shortest = float(checked("shortest_interval_s", shortest_interval_s, above=0.0))

    def chance(changed: FillLoop) -> float:
        if changed.bound_m3 <= changed.freeboard_m3:
            return 0.0  # it cannot overflow, so nothing needs averaging
        return year_risk(changed, channel).averaged.overflow_chance

    needed, reason = _float_valve(loop, shape, shortest)
    return Solution(
        accepted_chance=accepted,
        stop_percent=_stop_level(loop, shape, chance, accepted),
        interval_s=_interval(loop, chance, accepted, shortest),
        watchdog_s=_watchdog(loop, chance, accepted),
        least_watchdog_s=LEAST_WATCHDOG_INTERVALS * loop.report_interval_s if loop.reports else None,
        recommended=_recommended(loop, shape, channel, shortest),
        float_valve_needed=needed,
        float_valve_reason=reason,
    )


def _last_allowed(values: Sequence[float], allowed: Callable[[float], bool]) -> float | None:
    """Return the last of increasing values that is allowed; none is allowed after one that is not."""
    if not values or not allowed(values[0]):
        return None
    low, high = 0, len(values)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if allowed(values[middle]) else (low, middle)
    return values[low]


def _stop_level(
    loop: FillLoop, shape: Shape, chance: Callable[[FillLoop], float], accepted: float
) -> float | None:
    lowest = float(shape.percent(loop.start_m3)) + 5.0
    # half a step beyond the usual highest, so that arange holds it; always below the overflow
    highest = min(float(shape.percent(loop.overflow_m3)) - 0.25, HIGHEST_STOP_PERCENT + 0.25)
    levels = [float(p) for p in np.arange(np.ceil(2.0 * lowest) / 2.0, highest, 0.5)]
    return _last_allowed(
        levels, lambda p: chance(replace(loop, stop_m3=shape.volume_at_percent_m3(p))) <= accepted
    )


def _interval(
    loop: FillLoop, chance: Callable[[FillLoop], float], accepted: float, shortest: float
) -> float | None:
    if not loop.reports:
        return None
    span = loop.report_delays_s[-1]
    # no interval whose last try the watchdog would not wait for: such a loop is refused
    fitting = [t for t in INTERVALS_S if t >= shortest and t > span and t + span <= loop.watchdog_s]
    return _last_allowed(fitting, lambda t: chance(replace(loop, report_interval_s=t)) <= accepted)


def _watchdog(loop: FillLoop, chance: Callable[[FillLoop], float], accepted: float) -> float | None:
    if not loop.reports:
        return None
    t = loop.report_interval_s
    times = [k * t for k in range(1, 25) if k * t >= t + loop.report_delays_s[-1]]
    return _last_allowed(times, lambda w: chance(replace(loop, watchdog_s=w)) <= accepted)


def _recommended(loop: FillLoop, shape: Shape, channel: Channel, shortest: float) -> Settings | None:
    if not loop.reports:
        return None
    planned = float(shape.percent(loop.stop_m3))
    if (
        loop.report_interval_s >= shortest * (1.0 - 1e-9)
        and loop.watchdog_bound_m3 <= loop.freeboard_m3
        and loop.watchdog_s >= LEAST_WATCHDOG_INTERVALS * loop.report_interval_s
        and planned <= HIGHEST_STOP_PERCENT
    ):
        as_planned = _settings(loop, channel, planned)
        if as_planned.nuisance_stops <= MOST_NUISANCE_STOPS_PER_YEAR:
            return as_planned
    top = min(planned, HIGHEST_STOP_PERCENT)
    bottom = max(float(shape.percent(loop.start_m3)) + _LEAST_BAND_PERCENT, 50.0)
    levels = [top, *(p for p in np.arange(np.floor(top), bottom - 1.0, -1.0) if p < top)]
    for percent in map(float, levels):
        found = _at_stop_level(loop, shape, channel, percent, shortest)
        if found:
            quiet = [s for s in found if s.nuisance_stops <= MOST_NUISANCE_STOPS_PER_YEAR]
            return quiet[0] if quiet else min(found, key=lambda s: s.nuisance_stops)
    return None


def _at_stop_level(
    loop: FillLoop, shape: Shape, channel: Channel, percent: float, shortest: float
) -> list[Settings]:
    """Settings whose overrun bound fits above a stop level: the fewest watchdog intervals first."""
    stop = shape.volume_at_percent_m3(percent)
    room_s = (loop.overflow_m3 - stop) / loop.pump_m3_s - loop.stopping_s
    found: list[Settings] = []
    for k in _WATCHDOG_INTERVALS:
        span = loop.report_delays_s[-1]
        # k intervals of silence after a permit that is up to one old: the overrun bound, turned round
        fitting = [t for t in INTERVALS_S if t >= shortest and t > span and (k + 1) * t <= room_s]
        if not fitting:
            break
        t = fitting[-1]
        changed = replace(loop, stop_m3=stop, report_interval_s=t, watchdog_s=k * t)
        found.append(_settings(changed, channel, percent))
        if found[-1].nuisance_stops <= MOST_NUISANCE_STOPS_PER_YEAR:
            break
    return found


def _settings(loop: FillLoop, channel: Channel, stop_percent: float) -> Settings:
    risk = year_risk(loop, channel)
    return Settings(
        stop_percent,
        loop.report_interval_s,
        loop.watchdog_s,
        loop.bound_m3,
        loop.freeboard_m3,
        risk.averaged.overflow_chance,
        risk.working.nuisance_stops,
    )


def _float_valve(loop: FillLoop, shape: Shape, shortest: float) -> tuple[bool, str]:
    """Whether even the shortest interval and watchdog overrun the last tenth of the tank."""
    # a tank that overflows below that level has no last tenth
    last_m3 = loop.overflow_m3 - min(shape.volume_at_percent_m3(FLOAT_VALVE_STOP_PERCENT), loop.overflow_m3)
    fill_s = last_m3 / loop.pump_m3_s
    needed_s = (LEAST_WATCHDOG_INTERVALS + 1) * shortest + loop.stopping_s
    minutes, needed = fill_s / 60.0, needed_s / 60.0
    if needed_s > fill_s:
        return True, (
            f"the pump fills from {FLOAT_VALVE_STOP_PERCENT:g} % to overflow in {minutes:.1f} min; with a"
            f" report every {shortest / 60.0:.3g} min the radio is sure to stop it only within"
            f" {needed:.1f} min"
        )
    return False, (
        f"the pump takes {minutes:.0f} min from {FLOAT_VALVE_STOP_PERCENT:g} % to overflow, longer than the"
        f" {needed:.0f} min that reports every {shortest / 60.0:.3g} min need; fit a float all the same"
    )

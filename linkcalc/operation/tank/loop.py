"""The control loop that fills a tank over a radio link, and what it can overrun at worst.

The tank's end reports its level every `report_interval_s`; the engine's end starts on a report at or below
the start level, stops on one at or above the stop level, and lets its watchdog stop the engine when it has
heard nothing for `watchdog_s`. A report that says "still below the stop level" is thus a permit to run, and
silence stops the engine. Messages of their own may be sent in addition at the moment a level is passed.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked
from linkcalc.errors import DomainError

DAY_S = 86_400.0
YEAR_S = 365.0 * DAY_S

LEAST_WATCHDOG_INTERVALS = 3
"""A watchdog of three report intervals or more rides over lost reports (common practice, no source)."""


class Daily:
    """A rate per second that repeats every day in equal steps, its running total and the inverse of that.

    >>> draw = Daily([0.5 / 3600])
    >>> float(draw.total(7200.0)), float(draw.when(1.0))
    (1.0, 7200.0)
    """

    def __init__(self, rates: ArrayLike) -> None:
        self.rates = np.atleast_1d(checked("rates", rates, at_least=0.0))
        self.mean = float(self.rates.mean())
        if self.mean <= 0:
            raise DomainError("rates must have a total above zero")
        self._constant = bool((self.rates == self.rates[0]).all())
        self._edges_s = np.linspace(0.0, DAY_S, len(self.rates) + 1)
        self._totals = np.concatenate(([0.0], np.cumsum(self.rates * DAY_S / len(self.rates))))

    def total(self, time_s: ArrayLike) -> Floats:
        time = np.asarray(time_s, dtype=np.float64)
        if self._constant:
            return np.asarray(time * self.mean)
        days = np.floor(time / DAY_S)
        within = np.interp(time - days * DAY_S, self._edges_s, self._totals)
        return np.asarray(days * self._totals[-1] + within)

    def when(self, total: ArrayLike) -> Floats:
        """Time at which the running total is reached."""
        amount = np.asarray(total, dtype=np.float64)
        if self._constant:
            return np.asarray(amount / self.mean)
        days = np.floor(amount / self._totals[-1])
        rest = amount - days * self._totals[-1]
        # The part in which the rest is passed: the one after all totals up to it, so its rate is not 0.
        part = np.searchsorted(self._totals, rest, side="right") - 1
        part = np.clip(part, 0, int(np.flatnonzero(self.rates)[-1]))
        within = self._edges_s[part] + (rest - self._totals[part]) / self.rates[part]
        return np.asarray(days * DAY_S + within)


@dataclass(frozen=True)
class FillLoop:
    """Tank, pump, engine and reports in SI units: all that the arithmetic needs."""

    start_m3: float
    stop_m3: float
    overflow_m3: float
    pump_m3_s: float
    draw_m3_s: tuple[float, ...]
    """One entry, or one for each equal part of the day."""
    report_interval_s: float = np.inf
    """inf: no periodic report, only messages when a level is passed."""
    report_delays_s: tuple[float, ...] = (0.0,)
    """From a report's due time to its delivery by the first, second ... try."""
    watchdog_s: float = np.inf
    stop_delays_s: tuple[float, ...] = ()
    """As `report_delays_s`, of a message sent when the stop level is passed; empty: none."""
    start_delays_s: tuple[float, ...] = ()
    empty_m3: float = 0.0
    """Volume at the outlet: below it nothing can be drawn."""
    warm_up_s: float = 0.0
    """From the engine's start until the pump runs."""
    stopping_s: float = 0.0
    """From the decision to stop until the water stops."""
    max_run_s: float = np.inf
    """The engine's own timer stops it after this long, whatever it hears."""
    state_lasts_s: float = DAY_S
    """How long one slow state of the link (wet leaves, a parked truck) holds."""

    def __post_init__(self) -> None:
        levels = (self.empty_m3, self.start_m3, self.stop_m3, self.overflow_m3)
        checked("levels", levels, at_least=0.0)
        names = ("empty_m3", "start_m3", "stop_m3", "overflow_m3")
        for i in range(3):
            if levels[i] > levels[i + 1] or (i == 1 and levels[1] == levels[2]):
                raise DomainError(
                    f"{names[i]} = {levels[i]:g} must be below {names[i + 1]} = {levels[i + 1]:g}"
                )
        checked("pump_m3_s", self.pump_m3_s, above=0.0)
        draw = Daily(self.draw_m3_s)
        if draw.rates.max() >= self.pump_m3_s:
            raise DomainError(
                f"pump_m3_s = {self.pump_m3_s:g} must be above the largest draw_m3_s = {draw.rates.max():g}"
            )
        for name in ("warm_up_s", "stopping_s"):
            checked(name, getattr(self, name), at_least=0.0)
        for name in ("report_interval_s", "watchdog_s", "max_run_s", "state_lasts_s"):
            # not "<= 0", which NaN would pass; inf means none
            if not getattr(self, name) > 0:
                raise DomainError(f"{name} must be above 0, got {getattr(self, name)}")
        for name in ("report_delays_s", "stop_delays_s", "start_delays_s"):
            delays = checked(name, getattr(self, name), at_least=0.0)
            if (np.diff(delays) < 0).any():
                raise DomainError(f"{name} must not decrease from try to try")
        if not self.reports and not (self.stop_delays_s and self.start_delays_s):
            raise DomainError("without report_interval_s both stop_delays_s and start_delays_s are needed")
        if self.reports and not self.report_delays_s:
            raise DomainError("report_delays_s must have an entry for each try of a report")
        if self.reports and self.report_delays_s[-1] >= self.report_interval_s:
            raise DomainError(
                f"report_interval_s = {self.report_interval_s:g} must be longer than the last try's delay"
                f" = {self.report_delays_s[-1]:g}"
            )
        # else one report heard at once and the next by its last try would trip it, with none lost
        shortest = self.report_interval_s + (self.report_delays_s[-1] if self.reports else 0.0)
        if np.isfinite(self.watchdog_s) and self.watchdog_s < shortest:
            raise DomainError(
                f"watchdog_s = {self.watchdog_s:g} must be at least report_interval_s and the last try's"
                f" delay, {shortest:g}"
            )

    @property
    def reports(self) -> bool:
        return bool(np.isfinite(self.report_interval_s))

    @property
    def mean_draw_m3_s(self) -> float:
        return float(np.mean(self.draw_m3_s))

    @property
    def freeboard_m3(self) -> float:
        return self.overflow_m3 - self.stop_m3

    @property
    def full_flow_time_s(self) -> float:
        """From the stop level to overflow at full pump flow, with nothing drawn."""
        return self.freeboard_m3 / self.pump_m3_s

    @property
    def reserve_s(self) -> float:
        """Shortest time from the start level to empty, over the times of the day it may begin."""
        draw, amount = Daily(self.draw_m3_s), self.start_m3 - self.empty_m3
        edges = np.arange(len(self.draw_m3_s)) * (DAY_S / len(self.draw_m3_s))
        # the shortest begins or ends where the draw changes: between, its length goes up or down evenly
        ends = edges + DAY_S * np.ceil(amount / (draw.mean * DAY_S))
        lengths = draw.when(draw.total(edges) + amount) - edges, ends - draw.when(draw.total(ends) - amount)
        return float(np.concatenate(lengths).min())

    @property
    def fill_time_s(self) -> float:
        return (self.stop_m3 - self.start_m3) / (self.pump_m3_s - self.mean_draw_m3_s)

    @property
    def watchdog_bound_m3(self) -> float:
        """Most water that flows after the stop level is passed, whatever the radio does; inf: no watchdog.

        Q (W + T + t_stop): the last permit can be sent just before the level is passed and be delivered by a
        retry up to one interval late; the watchdog then runs out, and the water takes `stopping_s` to stop.
        What is drawn meanwhile is not counted on (common practice, no source).
        """
        return self.pump_m3_s * (self.watchdog_s + self.report_interval_s + self.stopping_s)

    @property
    def timer_bound_m3(self) -> float:
        """Overrun that the engine's run timer leaves possible, whatever level it is started at; inf without.

        The worst is a start just below the stop level, by hand or after a nuisance stop: the whole run goes
        over it.
        """
        return self.pump_m3_s * (max(self.max_run_s - self.warm_up_s, 0.0) + self.stopping_s)

    @property
    def timer_bound_from_start_m3(self) -> float:
        """The same for a filling that begins at the start level."""
        return max(self.timer_bound_m3 - (self.stop_m3 - self.start_m3), 0.0)

    @property
    def bound_m3(self) -> float:
        return min(self.watchdog_bound_m3, self.timer_bound_m3)

    @property
    def misses_that_trip(self) -> int:
        """Reports lost in a row that make the watchdog stop the engine: floor(W / T)."""
        if not np.isfinite(self.watchdog_s):
            raise DomainError("watchdog_s is not set: nothing trips")
        # a watchdog of whole intervals must not lose one by rounding
        return int(np.floor(self.watchdog_s / self.report_interval_s + 1e-9))

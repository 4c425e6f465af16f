"""Tank-years drawn at random, all at once: each tank jumps from one event that matters to the next.

Between two such events nothing is decided, so nothing is walked through: how many reports are lost or heard
in a row is drawn in one stroke, with its exact distribution. The slow state of the link is common to all
messages while it lasts; a tank's site stays the same all year. The clock of the reports has no fixed relation
to the water: how soon after a level is passed the next report is due is drawn anew each time, as small
differences in flow would make it, so that no result hangs on the fill time being a multiple of the interval.
"""

from dataclasses import dataclass, fields
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.errors import DomainError
from linkcalc.operation.tank.loop import YEAR_S, Daily, FillLoop

Ints = NDArray[np.int64]

_AT_ONCE = 10_000
"""Tank-years handled together: their arrays stay in the processor's cache."""
_MOST_STATES = 4_000_000
"""Slow states kept at once, over all tank-years handled together."""


class Channel(Protocol):
    """How one try fares: see `linkcalc.operation.channel`."""

    @property
    def site_sigma_db(self) -> float: ...

    @property
    def conditions_sigma_db(self) -> float: ...

    def try_success(self, slow_db: Floats) -> Floats: ...


@dataclass(frozen=True)
class TankYears:
    """What happened, one entry for each tank-year."""

    overflows: Floats
    spilled_m3: Floats
    dry_spells: Floats
    unmet_m3: Floats
    """Water that was asked for while the tank was empty."""
    starts: Floats
    stops_heard: Floats
    """Fillings that a message ended at or above the stop level."""
    watchdog_stops: Floats
    """Fillings that the watchdog ended at or above the stop level."""
    nuisance_stops: Floats
    """Fillings that the watchdog ended below the stop level."""
    timer_stops: Floats
    """Fillings that the engine's run timer ended."""
    pumped_m3: Floats
    largest_overrun_m3: Floats
    """Most water that came in after the stop level was passed."""


def simulate(loop: FillLoop, channel: Channel, tank_years: int, seed: int = 1) -> TankYears:
    """Play `tank_years` independent years of one tank; the same seed gives the same years.

    Each has its own site, drawn once, and a new state every `loop.state_lasts_s`.
    """
    if int(tank_years) != tank_years or tank_years < 1:
        raise DomainError(f"tank_years must be a whole number of at least 1, got {tank_years}")
    rng = np.random.Generator(np.random.SFC64(seed))
    parts = []
    changing = channel.conditions_sigma_db > 0
    at_once = min(_AT_ONCE, max(int(_MOST_STATES * loop.state_lasts_s / YEAR_S), 1)) if changing else _AT_ONCE
    for first in range(0, int(tank_years), at_once):
        n = min(at_once, int(tank_years) - first)
        parts.append(_Years(loop, _Slow.drawn(loop, channel, n, rng), rng).run())
    return TankYears(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(TankYears)}
    )


_LEVELS = 1 << 13
"""Steps in which the slow deviation is kept, over plus and minus seven standard deviations (0.002 of one)."""


@dataclass(frozen=True)
class _Slow:
    """The slow state of each tank in each of its periods, and what a state does to tries and reports."""

    level: NDArray[np.uint16]
    """Per tank and period, an index into the two tables."""
    tries: Floats
    """1 / -ln(1 - p): times a standard exponential, rounded down, it is the number of tries lost in a row."""
    reports: Floats
    """The same for reports heard in a row."""

    @classmethod
    def drawn(cls, loop: FillLoop, channel: Channel, n: int, rng: np.random.Generator) -> "_Slow":
        site, conditions = channel.site_sigma_db, channel.conditions_sigma_db
        spread = float(np.hypot(site, conditions))
        grid = spread * np.linspace(-7.0, 7.0, _LEVELS)
        slow = site * rng.standard_normal((n, 1), dtype=np.float32)
        if conditions > 0:
            periods = int(np.ceil(YEAR_S / loop.state_lasts_s)) + 1
            slow = slow + np.float32(conditions) * rng.standard_normal((n, periods), dtype=np.float32)
        steps = slow * ((_LEVELS - 1) / (14.0 * spread) if spread > 0 else 0.0) + _LEVELS / 2
        success = checked("try_success", channel.try_success(grid), at_least=0.0, at_most=1.0)
        tries = max(len(loop.report_delays_s), 1)
        with np.errstate(divide="ignore", over="ignore"):  # both ends, never and always heard, are meant
            missed = np.exp(tries * np.log1p(-success))
            return cls(
                np.clip(steps, 0, _LEVELS - 1).astype(np.uint16),
                np.minimum(-1.0 / np.log1p(-success), _FOR_EVER),
                np.minimum(-1.0 / np.log1p(-missed), _FOR_EVER),
            )


_FOR_EVER = 1e300
"""Finite, so that 0 times it is 0."""


class _Years:
    """The years of `n` tanks; `who` are the tanks an array's entries belong to."""

    def __init__(self, loop: FillLoop, slow: _Slow, rng: np.random.Generator) -> None:
        self.loop, self.rng, self.slow = loop, rng, slow
        self.n, self.periods = slow.level.shape
        self.draw = Daily(loop.draw_m3_s)
        self.gain = Daily(loop.pump_m3_s - self.draw.rates)
        self.tries = max(len(loop.report_delays_s), 1)
        self.report_delays = np.array(loop.report_delays_s or (0.0,))
        self.result = TankYears(**{f.name: np.zeros(self.n) for f in fields(TankYears)})

    def period(self, time_s: Floats) -> Ints:
        """Index of the period a time falls in."""
        index = np.minimum(time_s * (1.0 / self.loop.state_lasts_s), self.periods - 1.0)
        return np.asarray(index, dtype=np.int64)

    def period_ends_s(self, time_s: Floats) -> Floats:
        """End of the period a time falls in; the last one, beyond the year, never ends."""
        period = self.period(time_s)
        return np.where(period < self.periods - 1, (period + 1) * self.loop.state_lasts_s, np.inf)

    def level(self, who: Ints, time_s: Floats) -> NDArray[np.uint16]:
        """Slow state of each tank at a time."""
        return np.asarray(self.slow.level[who, self.period(time_s) if self.periods > 1 else 0])

    def tries_lost(self, who: Ints, time_s: Floats) -> Floats:
        """Number of tries lost in a row from now on, were the state to last."""
        per_neper = self.slow.tries[self.level(who, time_s)]
        lost: Floats = np.floor(self.rng.standard_exponential(who.size) * per_neper)
        return lost

    def first_heard(self, who: Ints, due_s: Floats) -> Floats:
        """Arrival of the first report heard, of those due at `due_s` and after; inf if none this year."""
        t = self.loop.report_interval_s
        if not self.loop.reports:
            return np.full(who.size, np.inf)
        arrival, heard = self._heard_in_one_state(who, due_s)
        if self.periods == 1:
            return arrival
        # What is heard only after the state has changed is drawn again, in the next state.
        ends, due = self.period_ends_s(due_s), due_s
        open_ = np.flatnonzero(heard >= ends)
        ends, due = ends[open_], due[open_]
        while open_.size:
            due = due + np.ceil((ends - due) / t) * t
            arrival[open_] = np.inf
            this_year = due < YEAR_S
            open_, due = open_[this_year], due[this_year]
            arrival[open_], heard = self._heard_in_one_state(who[open_], due)
            ends = self.period_ends_s(due)
            late = heard >= ends
            open_, ends, due = open_[late], ends[late], due[late]
        return arrival

    def _heard_in_one_state(self, who: Ints, due_s: Floats) -> tuple[Floats, Floats]:
        """Arrival and due time of the first report heard, were the state at `due_s` to last."""
        lost = self.tries_lost(who, due_s)
        missed = np.floor(lost * (1.0 / self.tries))
        # times 1/tries a whole number may come out just below itself: no index past the last try
        last = np.minimum(lost - missed * self.tries, self.tries - 1).astype(np.int64)
        heard: Floats = due_s + missed * self.loop.report_interval_s
        return heard + self.report_delays[last], heard

    def next_due(self, time_s: Floats) -> Floats:
        """When the first report after a moment is due: anywhere within an interval."""
        if not self.loop.reports:
            return np.full(time_s.size, np.inf)
        return time_s + self.loop.report_interval_s * self.rng.random(time_s.size)

    def event(self, who: Ints, time_s: Floats, delays_s: tuple[float, ...]) -> Floats:
        """Arrival of a message sent now, inf if all its tries are lost."""
        lost = np.minimum(self.tries_lost(who, time_s), len(delays_s)).astype(np.int64)
        return np.asarray(time_s + np.array([*delays_s, np.inf])[lost])

    def delay_if_heard(self, who: Ints, time_s: Floats) -> Floats:
        """Delay of a report that is known to have been heard."""
        if self.tries == 1:
            return np.full(who.size, self.report_delays[0])
        per_neper = self.slow.tries[self.level(who, time_s)]
        lost = np.floor(self.rng.standard_exponential(who.size) * per_neper)
        unheard = np.flatnonzero(lost >= self.tries)
        if unheard.size:  # these were heard all the same: draw them from the distribution cut off there
            rare = per_neper[unheard]
            heard = -np.expm1(-self.tries / rare)
            drawn = np.floor(-np.log1p(-self.rng.random(unheard.size) * heard) * rare)
            lost[unheard] = np.minimum(drawn, self.tries - 1)
        return self.report_delays[lost.astype(np.int64)]

    def permits(
        self, who: Ints, start_s: Floats, goal_s: Floats, due_s: Floats
    ) -> tuple[Floats, NDArray[np.bool_]]:
        """Follow the permits of a filling until `goal_s` or until the watchdog trips.

        `due_s` is when the first report after the goal is due; permits come in whole intervals before it.
        Returns the arrival of the last permit heard, and whether the watchdog tripped before the goal.
        """
        loop, t = self.loop, self.loop.report_interval_s
        heard = start_s.copy()
        tripped = np.zeros(who.size, dtype=bool)
        if not loop.reports or not np.isfinite(loop.watchdog_s):
            return heard, tripped
        left = np.ceil((due_s - start_s) / t) - 1.0  # permits that are still to come
        open_ = np.flatnonzero(left > 0)
        while open_.size:
            w, remaining = who[open_], left[open_]
            due = due_s[open_] - remaining * t
            streak = np.floor(
                self.rng.standard_exponential(open_.size) * self.slow.reports[self.level(w, due)]
            )
            limit = remaining
            if self.periods > 1:
                limit = np.minimum(remaining, np.ceil((self.period_ends_s(due) - due) / t))
            taken = np.minimum(streak, limit)
            some = np.flatnonzero(taken > 0)
            newest = due[some] + (taken[some] - 1.0) * t
            heard[open_[some]] = newest + self.delay_if_heard(w[some], newest)
            left[open_] = remaining - taken
            missed = open_[(streak < limit) & (taken < remaining)]
            if missed.size:
                # One report is missed; from the next on, how many more before one is heard?
                left[missed] -= 1.0
                arrival = self.first_heard(who[missed], due_s[missed] - left[missed] * t)
                expires = heard[missed] + loop.watchdog_s
                lapses = expires < arrival
                tripped[missed[lapses & (expires < goal_s[missed])]] = True
                left[missed[lapses]] = 0.0
                goes_on = missed[~lapses]
                arrival = arrival[~lapses]
                before = np.maximum(np.ceil((due_s[goes_on] - arrival) / t - 1e-9), 0.0)
                at_goal = arrival >= due_s[goes_on]
                heard[goes_on] = np.where(at_goal, heard[goes_on], arrival)
                left[goes_on] = np.where(at_goal, 0.0, before - 1.0)
            open_ = open_[left[open_] > 0]
        return heard, tripped

    def run(self) -> TankYears:
        """Fill after filling, all tanks together, until every one has reached the end of its year.

        Tanks that are there already go on for a while: nothing that begins after the year counts.
        """
        loop, draw, gain = self.loop, self.draw, self.gain
        who = np.arange(self.n)
        volume = np.asarray(self.rng.uniform(loop.start_m3, loop.stop_m3, self.n))
        time = draw.when(volume - loop.start_m3)  # when the start level is reached
        volume[:] = loop.start_m3
        tally = TankYears(**{f.name: np.zeros(self.n) for f in fields(TankYears)})
        while who.size:
            going = time < YEAR_S
            # arrays are cut down once half of the tanks are done: to copy them at every filling costs more
            if np.count_nonzero(going) <= 0.5 * who.size:
                for field in fields(TankYears):
                    values = getattr(tally, field.name)
                    getattr(self.result, field.name)[who] = values
                tally = TankYears(**{f.name: getattr(tally, f.name)[going] for f in fields(TankYears)})
                who, time, volume = who[going], time[going], volume[going]
                continue
            # From the start level being passed until the engine has warmed up.
            start = self.first_heard(who, self.next_due(time))
            if loop.start_delays_s:
                start = np.minimum(start, self.event(who, time, loop.start_delays_s))
            start = np.minimum(start, time + YEAR_S)
            pump_on = start + loop.warm_up_s
            drawn = draw.total(time)
            at_start = np.maximum(volume - (draw.total(pump_on) - drawn), loop.empty_m3)
            # Filling until the stop level is passed, the run timer ends it, or the watchdog trips.
            gained = gain.total(pump_on)
            full = gain.when(gained + (loop.stop_m3 - at_start))
            timer = start + loop.max_run_s
            goal = np.minimum(full, timer)
            due = self.next_due(goal)
            heard, tripped = self.permits(who, start, goal, due)
            expires = heard + loop.watchdog_s
            # From the stop level being passed until something stops the engine.
            message = np.where(full <= timer, self.first_heard(who, due), np.inf)
            if loop.stop_delays_s:
                message = np.minimum(message, self.event(who, full, loop.stop_delays_s))
            silence = np.minimum(expires, timer)
            stop = np.where(tripped, expires, np.minimum(message, silence))
            # finite again where nothing ever stops it, as running totals of inf are NaN
            water_off = np.minimum(stop + loop.stopping_s, time + 3.0 * YEAR_S)
            # What it did to the water.
            pumping = water_off > pump_on
            quiet_until = np.minimum(pump_on, water_off)
            wanted = draw.total(np.minimum(quiet_until, YEAR_S)) - drawn
            unmet = np.maximum(wanted - (volume - loop.empty_m3), 0.0)
            year_end = np.minimum(water_off, YEAR_S)
            counted = start < YEAR_S
            pumped_s = np.maximum(year_end - pump_on, 0.0) * counted
            spilled = np.maximum(at_start + gain.total(year_end) - gained - loop.overflow_m3, 0.0) * (
                pumped_s > 0
            )
            passed = counted & ~tripped & (full <= np.minimum(timer, YEAR_S))
            by_message = passed & (message <= silence)
            by_watchdog = expires <= timer
            tally.dry_spells[:] += (unmet > 0) & (volume > loop.empty_m3)
            tally.unmet_m3[:] += unmet
            tally.overflows[:] += spilled > 0
            tally.spilled_m3[:] += spilled
            tally.starts[:] += counted
            tally.nuisance_stops[:] += counted & tripped
            tally.stops_heard[:] += by_message
            tally.watchdog_stops[:] += passed & ~by_message & by_watchdog
            tally.timer_stops[:] += ~tripped & (timer < np.minimum(np.minimum(message, expires), YEAR_S))
            tally.pumped_m3[:] += pumped_s * loop.pump_m3_s
            overrun = loop.pump_m3_s * (year_end - full) * passed
            np.maximum(tally.largest_overrun_m3, overrun, out=tally.largest_overrun_m3)
            # Down to the start level again.
            after = np.where(
                pumping,
                np.minimum(at_start + gain.total(water_off) - gained, loop.overflow_m3),
                np.maximum(volume - (draw.total(water_off) - drawn), loop.empty_m3),
            )
            volume = np.minimum(after, loop.start_m3)
            above = np.maximum(after - loop.start_m3, 0.0)
            time = np.where(above > 0, draw.when(draw.total(water_off) + above), water_off)
        return self.result

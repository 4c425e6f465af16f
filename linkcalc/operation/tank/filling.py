"""One filling: how it ends, and what runs over, for each success of a single try.

Derived in docs/models/tank_risk.md, whose symbols the short names are.
"""

from collections import deque
from functools import cached_property
from itertools import pairwise

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.operation.tank.loop import FillLoop

_PHASES = 24
"""Places of the report's clock against the moment a level is passed."""
_FINE_PHASES = 512
"""The same where one moment decides: a report just before the water runs over, or just after."""
_STEPS = 240
_MOST_REPORTS = 1000
"""Reports of a filling that are followed one by one."""


class Filling:
    """What depends on the success of a single try, worked out for each of `success`."""

    def __init__(self, loop: FillLoop, success: Floats) -> None:
        self.loop = loop
        self.tries = len(loop.report_delays_s) if loop.reports else 0
        with np.errstate(divide="ignore"):
            # a certain success: its logarithm stays a number, so that none of its multiples is NaN
            self.log_lost = np.maximum(np.log1p(-success), -700.0)
        self.missed = np.exp(self.log_lost * self.tries)
        self.watched = loop.reports and bool(np.isfinite(loop.watchdog_s))
        timer_s = max(loop.max_run_s - loop.warm_up_s, 0.0)  # of pumping
        self.reaches_stop = loop.fill_time_s <= timer_s
        self.goal_s = min(loop.fill_time_s, timer_s)
        self.left_s = timer_s - loop.fill_time_s
        """What the run timer leaves once the stop level is passed."""
        # the last permit may be due just before the level is passed and heard by its last try
        latest = loop.watchdog_s + (loop.report_delays_s[-1] if loop.reports else 0.0)
        self.longest_s = min(self.left_s, latest)
        """The longest that the engine can run on after that."""
        # Time to overflow, less the time the water takes to stop once the decision is made. At the smallest draw:
        # the safe side.
        self.deadline_s = loop.freeboard_m3 / (loop.pump_m3_s - min(loop.draw_m3_s)) - loop.stopping_s
        self.completed, self.pumping_s = self._filled()

    def _filled(self) -> tuple[Floats, Floats]:
        """Chance that the watchdog lets a filling reach its goal, and mean pumping time up to there."""
        loop, n = self.loop, self.missed.size
        if not self.watched:
            return np.ones(n), np.full(n, self.goal_s)
        k, t, w = loop.misses_that_trip, loop.report_interval_s, loop.watchdog_s
        end = self.goal_s + loop.warm_up_s
        # The first permit is due anywhere within an interval after the start, the others whole intervals on.
        first = (np.arange(_PHASES) + 0.5)[:, np.newaxis] / _PHASES * t
        heard = 1.0 - self.missed
        # after a permit that was heard: so many missed, and the next missed too, or heard too late
        spell = self.missed ** (k - 1) * (self.missed + self._late_share(w - k * t))
        needed = np.floor((w - first) / t) + 1.0  # misses in a row after the start itself
        opening = self.missed**needed * (w < end)
        pumped = opening * max(w - loop.warm_up_s, 0.0)
        # Chance of a run of misses after permit 1 ... i and none before, of the latest i only.
        so_far = deque([np.zeros((_PHASES, n))], maxlen=k + 1)
        steps = max(int(np.ceil((end - w) / t)) + 1, 0)
        one_by_one = min(steps, _MOST_REPORTS + k)
        trips = np.zeros((_PHASES, n))
        for i in range(1, one_by_one + 1):
            # every heard permit begins anew, so a run of misses counts once: at the permit before it
            quiet = 1.0 - opening * (needed < i) - (so_far[0] if i > k else 0.0)
            at = first + (i - 1) * t + w
            trips = quiet * heard * spell * (at < end)
            so_far.append(so_far[-1] + trips)
            pumped = pumped + trips * np.maximum(at - loop.warm_up_s, 0.0)
        tripped = opening + so_far[-1]
        if steps > one_by_one:
            # By now the chance from report to report, for those still running, has become constant.
            running = np.maximum(1.0 - tripped, 0.0)
            rate = np.clip(trips / np.maximum(running, 1e-300), 0.0, 1.0 - 1e-12)
            edges = np.concatenate(([0.0], np.geomspace(1.0, steps - one_by_one, 64)))
            for begin, stop in pairwise(edges):
                gone = running * (np.exp(begin * np.log1p(-rate)) - np.exp(stop * np.log1p(-rate)))
                at = first + (one_by_one + 0.5 * (begin + stop) - 1.0) * t + w
                tripped = tripped + gone
                pumped = pumped + gone * np.clip(at - loop.warm_up_s, 0.0, self.goal_s)
        completed = np.clip(1.0 - tripped.mean(axis=0), 0.0, 1.0)
        return completed, pumped.mean(axis=0) + completed * self.goal_s

    def _late_share(self, slack_s: float) -> Floats:
        """Chance that a report is heard, but by a try that comes too late for the watchdog."""
        # The report that is due `slack_s` before the watchdog runs out has to be delivered no later after its due
        # time than the last permit was, but for the slack.
        delays = np.asarray(self.loop.report_delays_s)
        by_try = self._delivered_at_try()
        too_late = (delays[np.newaxis, :] > delays[:, np.newaxis] + slack_s).astype(float)
        share: Floats = np.einsum("in,ij,jn->n", by_try, too_late, by_try) / np.maximum(
            1.0 - self.missed, 1e-300
        )
        return share

    def _delivered_at_try(self) -> Floats:
        """Chance that a report is delivered exactly by its first, second ... try: shape tries by success."""
        lost_before = np.exp(np.arange(self.tries)[:, np.newaxis] * self.log_lost)
        return lost_before * -np.expm1(self.log_lost)

    @cached_property
    def late(self) -> Floats:
        """Chance that water is lost once the stop level is passed."""
        if not self.reaches_stop or self.deadline_s >= self.longest_s:
            return np.zeros_like(self.missed)
        if self.deadline_s < 0:
            return np.ones_like(self.missed)
        return self.still_running(np.array([self.deadline_s]), _FINE_PHASES)[:, 0]

    @cached_property
    def _edges_s(self) -> Floats:
        return np.linspace(0.0, max(min(self.longest_s, held_s(self.loop)), 0.0), _STEPS + 1)

    @cached_property
    def _running(self) -> Floats:
        return self.still_running(0.5 * (self._edges_s[:-1] + self._edges_s[1:]), _PHASES)

    @cached_property
    def overrun_s(self) -> Floats:
        """Mean time from the stop level being passed to the decision to stop, within one slow state."""
        if not self.reaches_stop:
            return np.zeros_like(self.missed)
        mean: Floats = self._running.sum(axis=1) * (self._edges_s[1] - self._edges_s[0])
        return mean

    @cached_property
    def spilled_s(self) -> Floats:
        """Mean time for which water is lost, within one slow state."""
        if not self.reaches_stop:
            return np.zeros_like(self.missed)
        width = self._edges_s[1] - self._edges_s[0]
        wet = np.clip(self._edges_s[1:] - max(self.deadline_s, 0.0), 0.0, width)
        # a deadline before the stop level: water has been lost for that long when the level is passed
        mean: Floats = self._running @ wet + max(-self.deadline_s, 0.0)
        return mean

    @cached_property
    def beyond(self) -> Floats:
        """Chance that the engine runs on into another slow state, with nothing but messages to stop it."""
        horizon = float(self._edges_s[-1])
        if not self.reaches_stop or horizon >= self.longest_s:
            return np.zeros_like(self.missed)
        return self.still_running(np.array([horizon]), _PHASES)[:, 0]

    @cached_property
    def unheard(self) -> Floats:
        """Chance that watchdog or run timer, and no message, stop the engine above the stop level."""
        loop = self.loop
        if not self.reaches_stop or not np.isfinite(self.longest_s):
            return np.zeros_like(self.missed)
        if not self.watched or self.left_s <= loop.watchdog_s - loop.report_interval_s:
            # just before the timer, as at its very moment nothing runs any more
            return self.still_running(np.array([self.left_s * (1.0 - 1e-9)]), _FINE_PHASES)[:, 0]
        phase = ((np.arange(_PHASES) + 0.5) / _PHASES * loop.report_interval_s)[:, np.newaxis]
        total, both = np.zeros_like(self.missed), np.zeros_like(self.missed)
        # The last permit was heard m reports before the level was passed; the watchdog then runs out.
        most = loop.misses_that_trip + 2
        groups = np.unique(
            np.concatenate((np.arange(1, min(most, 40)), np.geomspace(min(most, 40), most, 40)))
        )
        for m, following in pairwise(np.unique(groups.round())):
            # Beyond the first few they go together, by the first of each group.
            heard = 1.0 - self.missed
            together = self.missed ** (m - 1) - self.missed ** (following - 1)
            # a geometric sum; where nothing is heard its ratio is 1, and it is the number of its terms
            count = np.where(heard > 1e-9, together / np.maximum(heard, 1e-9), following - m)
            for delay, share in zip(loop.report_delays_s, self._delivered_at_try(), strict=True):
                ends = phase - m * loop.report_interval_s + delay + loop.watchdog_s
                chance = (share * count)[:, np.newaxis] * (ends[:, 0] >= 0)
                total = total + chance.sum(axis=1)
                silent = _power(self.log_lost, self._tries_by(np.minimum(ends, self.left_s), phase)[:, 0])
                both = both + (chance * silent).sum(axis=1)
        return np.asarray(both / np.maximum(total, 1e-300))

    def _tries_by(self, x: Floats, phase: Floats) -> Floats:
        """Tries of stop message and reports that would be delivered by `x` after the level was passed."""
        loop = self.loop
        counts = np.zeros(np.broadcast_shapes(x.shape, phase.shape))
        for delay in loop.stop_delays_s:
            counts = counts + (x >= delay)
        if loop.reports:
            for delay in loop.report_delays_s:
                # A message that arrives just as the watchdog runs out is in time.
                due = np.floor((x - phase - delay) / loop.report_interval_s + 1e-9) + 1.0
                counts = counts + np.maximum(due, 0.0)
        return counts

    def still_running(self, x: Floats, phases: int) -> Floats:
        """Chance that nothing has decided to stop the engine by `x` seconds after the stop level is passed.

        Given that it runs when the level is passed. Shape: success by `x`.
        """
        loop = self.loop
        t = loop.report_interval_s if loop.reports else 1.0
        phase = ((np.arange(phases) + 0.5) / phases * t)[:, np.newaxis]
        tries = self._tries_by(x, phase)
        mean: Floats
        if self.watched:
            first = self._permits(np.zeros(1), phase)
            at_first, share = shares(*first)
            # it runs when the level is passed: the last permit has kept the watchdog quiet up to there
            mean = self._permitted(*at_first) @ share
            (tries, *permits), share = shares(tries, *self._permits(x, phase))
            running = _power(self.log_lost, tries) * self._permitted(*permits)
            mean = (running @ share) / np.maximum(mean, 1e-300)
        else:
            (tries,), share = shares(tries)
            mean = _power(self.log_lost, tries) @ share
        return np.where(x < self.left_s, np.minimum(mean, 1.0), 0.0)

    def _permits(self, x: Floats, phase: Floats) -> tuple[Floats, Floats, Floats]:
        """What the permits before the level was passed do until `x`, each of shape phase by `x`."""
        # How many keep the watchdog quiet by any of their tries, how many tries of a further one come too early
        # to do so, and whether the last of them is of before the start: the start itself then counts as one.
        loop = self.loop
        t, w = loop.report_interval_s, loop.watchdog_s
        fully = np.maximum(np.ceil((phase + w - x) / t - 1e-9) - 1.0, 0.0)
        partly = x - phase + (fully + 1.0) * t - w
        early = np.zeros_like(partly)
        for delay in loop.report_delays_s:
            early += partly >= delay
        before_start = fully * t - phase > loop.fill_time_s + loop.warm_up_s
        return fully, early, before_start.astype(float)

    def _permitted(self, fully: Floats, early: Floats, before_start: Floats) -> Floats:
        """Chance that the last permit before the level was passed keeps the watchdog quiet, by `_permits`."""
        late = self.missed[:, np.newaxis] + 1.0 - _power(self.log_lost, early)
        quiet = 1.0 - _power(self.log_lost, fully * self.tries) * late
        return np.where(before_start > 0.0, 1.0, quiet)


def shares(*counts: Floats) -> tuple[list[Floats], Floats]:
    """Combinations of whole numbers that occur in columns, and the share of each column that each takes.

    >>> kinds, share = shares(np.array([[1.0, 1.0], [1.0, 2.0]]))
    >>> kinds[0].tolist(), share.tolist()
    ([1.0, 2.0], [[1.0, 0.5], [0.0, 0.5]])
    """
    # few combinations occur in thousands of cells: powers are worked out once for each of them
    key = np.zeros(counts[0].shape, dtype=np.int64)
    for count in counts:
        key = key * (int(count.max()) + 1) + count.astype(np.int64)
    rows, columns = len(key), key.size // len(key)
    _, first, kind = np.unique(key, return_index=True, return_inverse=True)
    cell = kind.reshape(key.shape) * columns + np.arange(columns)
    share = np.bincount(cell.ravel(), minlength=first.size * columns).reshape(first.size, columns) / rows
    return [count.ravel()[first] for count in counts], share


def held_s(loop: FillLoop) -> float:
    """How long a slow state is taken to last: one report at least belongs to each."""
    return max(loop.state_lasts_s, loop.report_interval_s) if loop.reports else loop.state_lasts_s


def _power(log_lost: Floats, counts: Floats) -> Floats:
    """Chance that all of `counts` tries are lost, for each success: shape success by counts."""
    chance: Floats = np.exp(log_lost.reshape((-1,) + (1,) * counts.ndim) * counts)
    return chance

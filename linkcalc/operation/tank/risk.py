"""Chances and losses of a year in closed form: sums and integrals over lost reports and slow states.

The slow state of the link is taken to last from a filling's start to its stop, which is the cautious side:
a link that is bad stays bad while the stop is sent. What is fixed about the site is the same all year. While
the start is waited for, one state follows another. `linkcalc.operation.tank.simulate` plays the same model event by
event, without these short cuts.
"""

from collections import deque
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.operation.channel import DEAD_LOSS, WORKING_LOSS, normal_points
from linkcalc.operation.tank.loop import YEAR_S, FillLoop
from linkcalc.operation.tank.simulate import Channel

_SITE_Z = np.linspace(-6.0, 6.0, 61)
_CONDITIONS_Z = np.linspace(-5.0, 5.0, 31)
_GRID = 241
"""Points of slow deviation at which the sums are worked out; between them they are interpolated."""
_PHASES = 24
"""Places of the report's clock against the moment a level is passed."""
_FINE_PHASES = 512
_STEPS = 240
_MOST_REPORTS = 1000
"""Reports of a filling that are followed one by one."""


@dataclass(frozen=True)
class YearRisk:
    """Expectations of one year; chances run from 0 to 1."""

    overflow_chance: float
    """Of one overflow or more in the year."""
    overflows: float
    spilled_m3: float
    dry_chance: float
    """Of the tank running dry once or more in the year."""
    unmet_m3: float
    """Water asked for while the tank is empty."""
    starts: float
    nuisance_stops: float
    """The watchdog stops the engine below the stop level."""
    watchdog_stops: float
    """The watchdog or the run timer, and no message, stops the engine above the stop level."""
    pumped_m3: float


@dataclass(frozen=True)
class TankRisk:
    """The year for a site as predicted, and for what is not known about the site.

    Whether the link works at a site is one question, how often something happens where it does another: a
    mean over both would turn the chance of a dead site into a rate.
    """

    predicted_site: YearRisk
    averaged: YearRisk
    """Over all such sites: right for chances, misleading for rates."""
    dead_chance: float
    """Share of such sites at which the link is dead (`DEAD_LOSS`)."""
    working_chance: float
    """Share at which it works: no more messages are lost than is accepted."""
    working: YearRisk
    """The year at those; of the site as predicted where there are none."""


def year_risk(loop: FillLoop, channel: Channel, accepted_loss: float = WORKING_LOSS) -> TankRisk:
    """Work out what a year of fillings brings.

    A site that loses no more than `accepted_loss` of its messages works. With a draw that changes over the
    day, the smallest is used for the time to overflow and the largest stretch for the time to empty: the
    cautious side. Chances count fillings as independent given the site.

    A stop message alone, 5 % of single tries lost, three tries: about one stop in 8000 is lost.

    >>> from linkcalc.operation.channel import SteadyChannel
    >>> loop = FillLoop(start_m3=16, stop_m3=36, overflow_m3=40, pump_m3_s=5 / 3600,
    ...                 draw_m3_s=(0.5 / 3600,), stop_delays_s=(1.0, 11.0, 31.0), start_delays_s=(1.0,) * 9,
    ...                 max_run_s=8 * 3600.0)
    >>> risk = year_risk(loop, SteadyChannel(0.05)).averaged
    >>> round(risk.overflows / risk.starts, 6)
    0.000125
    """
    site, conditions = channel.site_sigma_db, channel.conditions_sigma_db
    spread = float(np.hypot(site, conditions))
    grid = spread * np.linspace(-8.0, 8.0, _GRID) if spread > 0 else np.zeros(1)
    table = _Table(loop, np.clip(channel.try_success(grid), 0.0, 1.0))
    deviations, weights = normal_points(_CONDITIONS_Z, conditions)
    predicted = _year(table, grid, np.zeros(1), deviations, weights)
    sites, share = normal_points(_SITE_Z, site)
    tries = table.tries or len(loop.start_delays_s)
    slow = sites[:, np.newaxis] + deviations
    lost = (
        np.exp(np.interp(slow, grid, table.log_lost) * tries)
        if grid.size > 1
        else np.exp(np.broadcast_to(table.log_lost * tries, slow.shape))
    )
    mean_lost = lost @ weights
    dead, works = mean_lost > DEAD_LOSS, mean_lost <= accepted_loss
    years = _year(table, grid, sites, deviations, weights) if site > 0 else predicted
    as_predicted = _mean(predicted, np.ones(1))
    return TankRisk(
        predicted_site=as_predicted,
        averaged=_mean(years, share),
        dead_chance=float(share[dead].sum()),
        working_chance=float(share[works].sum()),
        working=_mean(years, np.where(works, share, 0.0) / share[works].sum())
        if works.any()
        else as_predicted,
    )


def _mean(years: dict[str, Floats], share: Floats) -> YearRisk:
    mean = {name: float(values @ share) for name, values in years.items()}
    return YearRisk(**{k: min(v, 1.0) if k.endswith("chance") else v for k, v in mean.items()})


class _Table:
    """What depends on the success of a single try, worked out for each of `success`."""

    def __init__(self, loop: FillLoop, success: Floats) -> None:
        self.loop = loop
        self.tries = len(loop.report_delays_s) if loop.reports else 0
        with np.errstate(divide="ignore"):
            self.log_lost = np.maximum(np.log1p(-success), -700.0)
        self.missed = np.exp(self.log_lost * self.tries)
        self.watched = loop.reports and bool(np.isfinite(loop.watchdog_s))
        timer_s = max(loop.max_run_s - loop.warm_up_s, 0.0)  # of pumping
        self.reaches_stop = loop.fill_time_s <= timer_s
        self.goal_s = min(loop.fill_time_s, timer_s)
        self.left_s = timer_s - loop.fill_time_s
        """What the run timer leaves once the stop level is passed."""
        latest = loop.watchdog_s + (loop.report_delays_s[-1] if loop.reports else 0.0)
        self.longest_s = min(self.left_s, latest)
        """The longest that the engine can run on after that."""
        # Time to overflow, less the time the water takes to stop once the decision is made.
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
        return np.linspace(0.0, max(min(self.longest_s, _held_s(self.loop)), 0.0), _STEPS + 1)

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
            at_first, share = _shares(*first)
            mean = self._permitted(*at_first) @ share
            (tries, *permits), share = _shares(tries, *self._permits(x, phase))
            running = _power(self.log_lost, tries) * self._permitted(*permits)
            mean = (running @ share) / np.maximum(mean, 1e-300)
        else:
            (tries,), share = _shares(tries)
            mean = _power(self.log_lost, tries) @ share
        return np.where(x < self.left_s, np.minimum(mean, 1.0), 0.0)

    def _permits(self, x: Floats, phase: Floats) -> tuple[Floats, Floats, Floats]:
        """What the permits before the level was passed do until `x`, each of shape phase by `x`."""
        # how many keep the watchdog quiet by any of their tries, how many tries of a further one come too early to do
        # so, and whether the last of them is of before the start
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


def _shares(*counts: Floats) -> tuple[list[Floats], Floats]:
    """Combinations of whole numbers that occur in columns, and the share of each column that each takes.

    >>> kinds, share = _shares(np.array([[1.0, 1.0], [1.0, 2.0]]))
    >>> kinds[0].tolist(), share.tolist()
    ([1.0, 2.0], [[1.0, 0.5], [0.0, 0.5]])
    """
    key = np.zeros(counts[0].shape, dtype=np.int64)
    for count in counts:
        key = key * (int(count.max()) + 1) + count.astype(np.int64)
    rows, columns = len(key), key.size // len(key)
    _, first, kind = np.unique(key, return_index=True, return_inverse=True)
    cell = kind.reshape(key.shape) * columns + np.arange(columns)
    share = np.bincount(cell.ravel(), minlength=first.size * columns).reshape(first.size, columns) / rows
    return [count.ravel()[first] for count in counts], share


def _held_s(loop: FillLoop) -> float:
    """How long a slow state is taken to last: one report at least belongs to each."""
    return max(loop.state_lasts_s, loop.report_interval_s) if loop.reports else loop.state_lasts_s


def _power(log_lost: Floats, counts: Floats) -> Floats:
    """Chance that all of `counts` tries are lost, for each success: shape success by counts."""
    chance: Floats = np.exp(log_lost.reshape((-1,) + (1,) * counts.ndim) * counts)
    return chance


def _year(
    table: _Table, grid: Floats, sites: Floats, deviations: Floats, weights: Floats
) -> dict[str, Floats]:
    """Expectations of a year for each of `sites`."""
    loop = table.loop
    slow = sites[:, np.newaxis] + deviations

    def at(values: Floats) -> Floats:
        return np.interp(slow, grid, values) if grid.size > 1 else np.broadcast_to(values, slow.shape)

    waiting = _Waiting(loop, at(table.log_lost), weights)
    # A filling begins where a start is heard, so rather in a good state; one that the watchdog cuts short is
    # soon begun again, in the same state while that lasts.
    completed = at(table.completed)
    cut_short = np.clip(1.0 - completed, 1e-9, 1.0 - 1e-9)
    short_s = np.maximum(at(table.pumping_s) - completed * table.goal_s, 0.0) / cut_short
    short_s = short_s * loop.pump_m3_s / loop.mean_draw_m3_s + waiting.first_s
    again = -np.expm1((1.0 + 0.5 * _held_s(loop) / short_s) * np.log(cut_short)) / (1.0 - cut_short)
    share = weights * waiting.hears_in_a_state * again
    total = share.sum(axis=1, keepdims=True)
    share = np.where(total > 1e-300, share / np.where(total > 1e-300, total, 1.0), weights)

    def per_start(values: Floats) -> Floats:
        return np.asarray((share * values).sum(axis=1))

    reached = completed * table.reaches_stop
    tail = np.minimum(waiting.residual_s, YEAR_S / 2.0)[:, np.newaxis] * at(table.beyond)
    overrun_s = per_start(reached * (at(table.overrun_s) + tail))
    net = loop.pump_m3_s - loop.mean_draw_m3_s
    spilled = net * per_start(reached * (at(table.spilled_s) + tail))
    # Over a cycle, what is pumped and not spilled is what is drawn while the tank is not empty.
    below_start = waiting.fall_s * loop.mean_draw_m3_s / (loop.pump_m3_s - loop.mean_draw_m3_s)
    pumping_s = (
        per_start(at(table.pumping_s)) + below_start * per_start(completed) + overrun_s + loop.stopping_s
    )
    cycle_s = (loop.pump_m3_s * pumping_s - spilled) / loop.mean_draw_m3_s + waiting.dry_s
    starts = YEAR_S / cycle_s
    # As many fillings as the year would hold, were the tank never to wait while empty.
    fillings = YEAR_S / (cycle_s - waiting.dry_s)
    dry_chance = -np.expm1(fillings * np.log1p(-np.minimum(waiting.dry, 1.0 - 1e-16)))
    late = per_start(reached * at(table.late))
    overflow_chance = -np.expm1(-starts * late)
    if not loop.reports:  # nothing follows a start message that is lost: the year ends with it
        starts = _before_the_first(waiting.dry, fillings)
        overflow_chance = late * _before_the_first(1.0 - (1.0 - waiting.dry) * (1.0 - late), fillings)
    overflows = starts * late
    pumped = starts * pumping_s * loop.pump_m3_s
    unmet = np.maximum(YEAR_S * loop.mean_draw_m3_s - (pumped - starts * spilled), 0.0)
    return {
        "overflow_chance": overflow_chance,
        "overflows": overflows,
        "spilled_m3": starts * spilled,
        "dry_chance": dry_chance,
        "unmet_m3": unmet,
        "starts": starts,
        "nuisance_stops": starts * per_start(1.0 - completed),
        "watchdog_stops": starts * per_start(reached * at(table.unheard)),
        "pumped_m3": pumped,
    }


def _before_the_first(chance: Floats, fillings: Floats) -> Floats:
    """Mean number of fillings, out of so many, up to the first that ends it all."""
    p = np.maximum(chance, 1e-12)
    mean: Floats = -np.expm1(fillings * np.log1p(-np.minimum(p, 1.0 - 1e-16))) / p
    return mean


class _Waiting:
    """From the start level being passed until a start is heard, state after state, for each site."""

    def __init__(self, loop: FillLoop, log_lost: Floats, weights: Floats) -> None:
        self.loop, self.log_lost, self.weights = loop, log_lost, weights
        self._known: dict[float, Floats] = {}
        reserve_s = self.loop.reserve_s
        t, lasts = loop.report_interval_s, _held_s(loop)
        tries = len(loop.report_delays_s) if loop.reports else 0
        missed = np.exp(log_lost * tries)
        reports = lasts / t if loop.reports else 0.0
        self.first_s = t / np.maximum(1.0 - missed, 1e-12) if loop.reports else np.full_like(missed, lasts)
        self.hears_in_a_state = -np.expm1(log_lost * (tries * reports)) if tries else np.ones_like(log_lost)
        self.silent_state = self._all_lost(np.array([tries * reports]))[:, 0]
        # From any moment on, given silence so far: within the states that follow.
        if loop.reports:
            single = np.maximum(1.0 - missed, 1e-12)
            until_heard = np.where(missed < 1.0 - 1e-9, (1.0 - missed**reports) / single, reports)
            per_state = (weights * until_heard).sum(axis=1) * t
            heard = 1.0 - self.silent_state
            self.residual_s = np.minimum(per_state, lasts) / np.maximum(heard, 1e-12) - 0.5 * t
        else:
            self.residual_s = np.full(log_lost.shape[0], np.inf)
        deadline = reserve_s - loop.warm_up_s
        self.dry = self._silence(deadline) if deadline > 0 else np.ones(log_lost.shape[0])
        self.dry_s = self.dry * np.minimum(self.residual_s, YEAR_S / 2.0)
        edges = np.geomspace(min(t, lasts) / 64.0, max(deadline, min(t, lasts) / 32.0), 14)
        edges = np.concatenate(([0.0], edges))
        fall_s = loop.warm_up_s + sum(
            (b - a) * self._silence(0.5 * (a + b), 6, 2) for a, b in pairwise(edges)
        )
        self.fall_s = np.minimum(fall_s, reserve_s)

    def _all_lost(self, counts: Floats) -> Floats:
        """Chance that so many tries within one state are all lost, averaged over states: sites by counts."""
        wanted = counts.tolist()
        for count in {*wanted} - self._known.keys():
            self._known[count] = (self.weights * np.exp(self.log_lost * count)).sum(axis=-1)
        return np.stack([self._known[count] for count in wanted], axis=-1)

    def _silence(self, x: float, begins: int = 24, phases: int = 8) -> Floats:
        """Chance that no start has been heard `x` seconds after the level was passed."""
        loop = self.loop
        t, lasts = loop.report_interval_s, _held_s(loop)
        if self.weights.size == 1:
            chance: Floats = np.exp(self.log_lost * self._tries(x, self._phases(24))).mean(axis=1)
            return chance
        # Tries in the state in which the level was passed, whole states after it, tries in the last one.
        per_state = len(loop.report_delays_s) * lasts / t if loop.reports else 0.0
        left = ((np.arange(begins) + 0.5) / begins * lasts)[:, np.newaxis]
        phase = self._phases(phases)
        whole = np.maximum(x - left, 0.0) // lasts
        first = self._tries(np.minimum(x, left), phase)
        last = np.maximum(np.round(self._tries(x, phase) - first - whole * per_state), 0.0)
        (first, whole, last), share = _shares(
            *(count.reshape(-1, 1) for count in np.broadcast_arrays(first, whole, last))
        )
        silent = self.silent_state[:, np.newaxis] ** whole
        return np.asarray((self._all_lost(first) * silent * self._all_lost(last)) @ share[:, 0])

    def _phases(self, count: int) -> Floats:
        t = self.loop.report_interval_s if self.loop.reports else 0.0
        return (np.arange(count) + 0.5) / count * t

    def _tries(self, x: float | Floats, phase: Floats) -> Floats:
        """Tries of start message and reports that would be delivered by `x`."""
        loop = self.loop
        count = np.zeros(np.broadcast_shapes(np.shape(x), phase.shape))
        for delay in loop.start_delays_s:
            count = count + (delay <= np.asarray(x))
        if loop.reports:
            for delay in loop.report_delays_s:
                count = count + np.maximum((x - phase - delay) // loop.report_interval_s + 1.0, 0.0)
        return count

"""The wait for a start, slow state after slow state, once the start level is passed.

Derived in docs/models/tank_risk.md.
"""

from itertools import pairwise

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.operation.tank.filling import held_s, shares
from linkcalc.operation.tank.loop import YEAR_S, FillLoop


class Waiting:
    """From the start level being passed until a start is heard, state after state, for each site."""

    def __init__(self, loop: FillLoop, log_lost: Floats, weights: Floats) -> None:
        self.loop, self.log_lost, self.weights = loop, log_lost, weights
        self._known: dict[float, Floats] = {}
        reserve_s = self.loop.reserve_s
        t, lasts = loop.report_interval_s, held_s(loop)
        tries = len(loop.report_delays_s) if loop.reports else 0
        missed = np.exp(log_lost * tries)
        reports = lasts / t if loop.reports else 0.0
        self.first_s = t / np.maximum(1.0 - missed, 1e-12) if loop.reports else np.full_like(missed, lasts)
        self.hears_in_a_state = -np.expm1(log_lost * (tries * reports if tries else len(loop.start_delays_s)))
        self.fillings_in_a_state = max(lasts / (loop.fill_time_s * loop.pump_m3_s / loop.mean_draw_m3_s), 1.0)
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
        # a reserve shorter than the warm-up runs out whatever is heard
        self.dry = self._silence(deadline) if deadline > 0 else np.ones(log_lost.shape[0])
        # where no start is ever heard, half of the year is left on average
        self.dry_s = self.dry * np.minimum(self.residual_s, YEAR_S / 2.0)
        # silence falls over some decades of time, so its integral is taken on a logarithmic scale
        edges = np.geomspace(min(t, lasts) / 64.0, max(deadline, min(t, lasts) / 32.0), 14)
        edges = np.concatenate(([0.0], edges))
        silent_s = sum((b - a) * self._silence(0.5 * (a + b), 6, 2) for a, b in pairwise(edges))
        if not loop.reports:  # what is drawn after a start that is lost is never pumped back
            silent_s = np.maximum(silent_s - self.dry * edges[-1], 0.0) / np.maximum(1.0 - self.dry, 1e-12)
        self.fall_s = np.minimum(loop.warm_up_s + silent_s, reserve_s)

    def starts_up_to_the_first(self, chance: Floats, fillings: Floats) -> Floats:
        """Mean number of starts, out of so many fillings, up to the first that ends it all, without reports.

        With `chance` a filling does so, or its start is lost: for each site and state.
        """
        held = self.fillings_in_a_state
        starts = (self.hears_in_a_state * up_to_the_first(chance, held) * self.weights).sum(axis=1)
        ended = 1.0 - ((1.0 - chance) ** held * self.weights).sum(axis=1)
        return np.asarray(starts * up_to_the_first(ended, fillings / held))

    def _all_lost(self, counts: Floats) -> Floats:
        """Chance that so many tries within one state are all lost, averaged over states: sites by counts."""
        # the same few counts come up again and again: each is averaged over the states once
        wanted = counts.tolist()
        for count in {*wanted} - self._known.keys():
            self._known[count] = (self.weights * np.exp(self.log_lost * count)).sum(axis=-1)
        return np.stack([self._known[count] for count in wanted], axis=-1)

    def _silence(self, x: float, begins: int = 24, phases: int = 8) -> Floats:
        """Chance that no start has been heard `x` seconds after the level was passed."""
        loop = self.loop
        t, lasts = loop.report_interval_s, held_s(loop)
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
        (first, whole, last), share = shares(
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


def up_to_the_first(chance: Floats, fillings: Floats | float) -> Floats:
    """Mean number of fillings, out of so many, up to the first that ends it all, and with it."""
    # as the chance goes to 0 the mean goes to all of the fillings, and not to 0/0
    p = np.maximum(chance, 1e-12)
    mean: Floats = -np.expm1(fillings * np.log1p(-np.minimum(p, 1.0 - 1e-16))) / p
    return mean

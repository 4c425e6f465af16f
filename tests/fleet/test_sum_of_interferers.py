"""How much is left out by letting each interferer count by itself."""

import numpy as np
import pytest

from linkcalc.fleets.simulate import Ratios, drawn
from tests.fleet.networks import scattered


@pytest.mark.parametrize(("interval_s", "lost", "more"), [(100.0, 0.05, 0.002), (30.0, 0.16, 0.01)])
def test_adding_interferers_up_takes_little_more_at_loads_that_serve_anybody(interval_s, lost, more):
    network, setting = scattered(80, interval_s=interval_s, acknowledged=False)
    ratios = Ratios.of(network, setting)
    draws = drawn(network, setting, ratios, interval_s * 40, np.random.default_rng(1))
    node, start, level = draws.node, draws.time_s, draws.level_mw[:, 0]
    length = network.time_on_air_s[np.arange(80), setting.factor]
    end = start + length[node]
    each, together = np.zeros(start.size, dtype=bool), np.zeros(start.size, dtype=bool)
    for p in range(start.size):
        shed, signal = setting.shed[node[p]], setting.factor[node[p]]
        wanted = level[p, shed]
        if wanted < ratios.need_mw[signal, shed]:
            each[p] = together[p] = True
            continue
        first, after = np.searchsorted(start, [start[p] - length.max(), end[p]])
        others = np.arange(first, after)
        others = others[(others != p) & (end[others] > start[p]) & (node[others] != node[p])]
        weighed = ratios.threshold[signal, setting.factor[node[others]]] * level[others, shed]
        each[p] = (wanted < weighed).any()
        moments = np.maximum(start[others], start[p])
        sums = [weighed[(start[others] <= t) & (end[others] > t)].sum() for t in moments]
        together[p] = wanted < max(sums, default=0.0)
    assert each.mean() == pytest.approx(lost, abs=0.01)
    assert 0.0 <= together.mean() - each.mean() < more

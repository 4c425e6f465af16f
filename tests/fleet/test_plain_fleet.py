"""The simulation against one written apart from it, event by event."""

import numpy as np
import pytest

from linkcalc.propagation import compiled
from tests.benchmarks.plain_fleet import plain_fleet
from tests.fleet.networks import scattered, simulate


@pytest.mark.skipif(not compiled.available(), reason="no numba: some minutes")
@pytest.mark.parametrize(
    "changed",
    [{"tries": 3, "channels": 2, "demodulators": 2}, {"acknowledged": False, "tries": 2}],
    ids=["answered", "blind"],
)
def test_both_deliver_the_same_share(changed):
    network, setting = scattered(40, interval_s=120.0, **changed)
    messages, delivered = (np.array(v) for v in plain_fleet(network, setting, 120.0 * 150, seed=3))
    found = simulate(network, setting, duration_s=120.0 * 1000, parts=4, seed=3)
    share, wanted = delivered / messages, found.success
    error = np.sqrt(wanted * (1.0 - wanted) / messages + 1e-4)
    assert (np.abs(share - wanted) < 4.0 * error).mean() > 0.95
    assert delivered.sum() / messages.sum() == pytest.approx(
        found.delivered.sum() / found.messages.sum(), abs=0.01
    )

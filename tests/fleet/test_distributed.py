"""A fleet on a cluster of this machine: the same bits as here, also when a worker dies."""

import os
import signal

import numpy as np
import pytest

from linkcalc.area.distributed import Distributed
from linkcalc.files import sample_path
from linkcalc.fleets.reach import paths
from linkcalc.fleets.simulate import simulated_parts
from linkcalc.plan.fleet import load_fleet
from linkcalc.propagation import compiled
from tests.fleet.networks import scattered

dask = pytest.importorskip("distributed", reason="the extra `distributed` is not installed")

pytestmark = pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only")


class Deadly:
    """A cluster of which one worker is killed when the first result is there."""

    def __init__(self, inner, client) -> None:
        self._inner, self._client = inner, client

    def run(self, work, job, tiles):
        for number, found in enumerate(self._inner.run(work, job, tiles)):
            if number == 0:
                os.kill(next(iter(self._client.run(os.getpid).values())), signal.SIGKILL)
            yield found


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs signals")
def test_a_cluster_gives_the_same_bits_and_loses_nothing_with_a_worker():
    loaded = load_fleet(sample_path("upland_fleet"))
    network, setting = scattered(60, interval_s=300.0, tries=2)
    options = {"duration_s": 300.0 * 50, "parts": 12, "seed": 6}
    with (
        dask.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1",
            dashboard_address="127.0.0.1:0", memory_limit=0,
        ) as cluster,
        dask.Client(cluster.scheduler_address, set_as_default=False) as client,
        Distributed(cluster.scheduler_address) as there,
    ):  # fmt: skip
        far = paths(loaded, scheduler=there)
        parts = simulated_parts(network, setting, scheduler=Deadly(there, client), **options)
    near = paths(loaded)
    for name in ("gain_db", "site_db", "conditions_db", "k_db", "regime"):
        assert getattr(near, name).tobytes() == getattr(far, name).tobytes(), name
    for mine, theirs in zip(simulated_parts(network, setting, **options), parts, strict=True):
        for a, b in zip(mine.arrays, theirs.arrays, strict=True):
            assert np.array_equal(a, b)

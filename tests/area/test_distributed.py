"""Tiles on a cluster of this machine: the same bits, whatever becomes of the workers."""

import os
import signal
import socket
import threading
import time

import numpy as np
import pytest

from linkcalc.area import distributed, program
from linkcalc.area.coverage import TileStore, coverage, prepared_job, tile_answer
from linkcalc.area.distributed import Distributed
from linkcalc.area.program import difference, own_program
from linkcalc.area.scheduler import Local
from linkcalc.errors import LinkcalcError
from linkcalc.plan import load_plan
from linkcalc.propagation import compiled
from tests.area.test_same_as_check import SAMPLES, UPLAND_MIDDLE

dask = pytest.importorskip("distributed", reason="the extra `distributed` is not installed")

pytestmark = [
    pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only"),
    # dask's own housekeeping, at the end of its processes
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """Hills around a shed: some hundred tiles."""
    text = (SAMPLES / "upland.toml").read_text()
    text = text.replace('rasters = ["', f'rasters = ["{SAMPLES.as_posix()}/')
    text = text.replace("-40.02153", str(UPLAND_MIDDLE[0])).replace("-19.97903", str(UPLAND_MIDDLE[1]))
    plan = tmp_path_factory.mktemp("plan") / "plan.toml"
    plan.write_text(text)
    with prepared_job(load_plan(plan), "generator shed", 3000.0, cell_m=10.0) as made:
        return made


@pytest.fixture(scope="module")
def here(job):
    """The same area by threads of this process."""
    return coverage(job, scheduler=Local())


@pytest.fixture(scope="module")
def cluster():
    """A scheduler and two worker processes, reached from this machine only."""
    with dask.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None,
        memory_limit=0,
    ) as made:  # fmt: skip
        yield made


def assert_same_bits(here, there):
    assert here.keys() == there.keys()
    for name, band in here.items():
        assert band.tobytes() == there[name].tobytes(), name


def worker_pids(cluster):
    with dask.Client(cluster.scheduler_address, set_as_default=False) as client:
        return list(client.run(os.getpid).values())


def test_a_cluster_gives_the_numbers_of_this_machine_to_the_bit(job, here, cluster):
    with Distributed(cluster.scheduler_address) as workers:
        assert_same_bits(here, coverage(job, scheduler=workers))


def test_a_worker_killed_in_the_middle_loses_nothing(job, here, cluster, tmp_path):
    store = TileStore(tmp_path, job.digest())
    seen = []
    pids = worker_pids(cluster)

    def kill_one(at):
        seen.append(at.share)
        if len(seen) == 5:
            os.kill(pids[0], signal.SIGKILL)

    with Distributed(cluster.scheduler_address) as workers:
        there = coverage(job, scheduler=workers, store=store, progress=kill_one)
    assert_same_bits(here, there)
    assert len(seen) == len(job.tiles())
    assert all(store.load(tile) is not None for tile in job.tiles())
    assert pids[0] not in worker_pids(cluster)

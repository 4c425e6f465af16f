"""Tiles on a cluster of this machine: the same bits, whatever becomes of the workers."""

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from linkcalc.area import distributed, tiles
from linkcalc.area.coverage import coverage, prepared_job
from linkcalc.area.distributed import Distributed
from linkcalc.area.program import difference, own_program
from linkcalc.area.scheduler import Local
from linkcalc.area.tiles import Run, TileStore
from linkcalc.cli import app
from linkcalc.errors import LinkcalcError
from linkcalc.plan import load_plan
from linkcalc.propagation import compiled
from tests.area.test_same_as_check import SAMPLES, UPLAND_MIDDLE

dask = pytest.importorskip("distributed", reason="the extra `distributed` is not installed")

pytestmark = pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only")

RADIUS_M, CELL_M = 1000.0, 20.0
CLUSTER = {
    "threads_per_worker": 1, "host": "127.0.0.1", "dashboard_address": "127.0.0.1:0", "memory_limit": 0,
}  # fmt: skip


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    """Hills around a shed."""
    text = (SAMPLES / "upland.toml").read_text()
    text = text.replace('rasters = ["', f'rasters = ["{SAMPLES.as_posix()}/')
    text = text.replace("-40.02153", str(UPLAND_MIDDLE[0])).replace("-19.97903", str(UPLAND_MIDDLE[1]))
    path = tmp_path_factory.mktemp("plan") / "plan.toml"
    path.write_text(text)
    return path


@pytest.fixture(scope="module")
def job(plan):
    """The work, in tiles so small that there are more than a hundred."""
    made = prepared_job(load_plan(plan), "generator shed", RADIUS_M, cell_m=CELL_M)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tiles, "TILE_CELLS", 8)
        assert len(made.tiles()) > 100
        yield made


@pytest.fixture(scope="module")
def here(job):
    """The same area by threads of this process."""
    return coverage(job, Run(Local()))


@pytest.fixture(scope="module")
def cluster():
    """A scheduler and two worker processes, reached from this machine only."""
    with dask.LocalCluster(n_workers=2, processes=True, **CLUSTER) as made:
        yield made


def assert_same_bits(here, there):
    assert here.keys() == there.keys()
    for name, band in here.items():
        assert band.tobytes() == there[name].tobytes(), name


def on_workers(cluster, function):
    with dask.Client(cluster.scheduler_address, set_as_default=False) as client:
        return list(client.run(function).values())


def nobody_listens():
    """An address of this machine at which nothing is."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return f"tcp://127.0.0.1:{free.getsockname()[1]}"


# work that workers can load


def number(job, tile):
    return job["first"] + tile


def slow_number(job, tile):
    time.sleep(0.2)
    return job["first"] + tile


def refuses(job, tile):
    raise LinkcalcError(f"no tile {tile}")


def deadly(job, tile):
    os.kill(os.getpid(), signal.SIGKILL)


def writes_in_its_job(job, tile):
    """Arrays of the job are the worker's own, as in this process."""
    return bool(job["heights"].flags.writeable)


def test_a_cluster_gives_the_numbers_of_this_machine_to_the_bit(job, here, cluster):
    said = []
    with Distributed(cluster.scheduler_address, say=said.append) as workers:
        assert_same_bits(here, coverage(job, Run(workers)))
    assert said == []


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_loses_nothing(job, here, cluster, tmp_path):
    store = TileStore(tmp_path, job.digest())
    seen = []
    pids = on_workers(cluster, os.getpid)

    def kill_one(at):
        seen.append(at.share)
        if len(seen) == 20:
            os.kill(pids[0], signal.SIGKILL)

    with Distributed(cluster.scheduler_address) as workers:
        there = coverage(job, Run(workers, progress=kill_one), store)
    assert_same_bits(here, there)
    assert len(seen) == len(job.tiles())
    assert all(store.load(tile) is not None for tile in job.tiles())
    assert pids[0] not in on_workers(cluster, os.getpid)


@pytest.mark.slow
def test_all_workers_killed_at_once_lose_nothing(cluster):
    pids = on_workers(cluster, os.getpid)
    found = {}
    with Distributed(cluster.scheduler_address) as workers:
        for tile, value in workers.run(slow_number, {"first": 100}, range(20)):
            found[tile] = value
            if len(found) == 5:
                for pid in pids:
                    os.kill(pid, signal.SIGKILL)
    assert found == {tile: 100 + tile for tile in range(20)}


class Workers:
    """Worker processes that nobody starts anew when they end."""

    def __init__(self, address):
        self._address, self._running = address, []

    def start(self):
        options = ("--no-nanny", "--nthreads", "1", "--no-dashboard", "--memory-limit", "0")
        root = str(Path(__file__).parents[2])
        path = os.pathsep.join((root, os.environ.get("PYTHONPATH", "")))
        for _ in range(2):
            self._running.append(
                subprocess.Popen(
                    [sys.executable, "-m", "distributed.cli.dask_worker", self._address, *options],
                    env={**os.environ, "PYTHONPATH": path}, stderr=subprocess.DEVNULL,
                )
            )  # fmt: skip

    def kill(self):
        for process in self._running:
            process.kill()
            process.wait()
        self._running.clear()


@pytest.fixture
def workers_of():
    """Start workers for a scheduler; they end with the test."""
    made = []

    def start(address):
        made.append(Workers(address))
        made[-1].start()
        return made[-1]

    yield start
    for workers in made:
        workers.kill()


@pytest.mark.slow
def test_workers_that_all_die_and_come_back_later_are_waited_for(workers_of):
    said, found = [], {}

    def say(line):
        said.append(line)
        workers.start()  # not before it is told that they are waited for

    with dask.LocalCluster(n_workers=0, processes=False, protocol="tcp://", **CLUSTER) as empty:
        workers = workers_of(empty.scheduler_address)
        with dask.Client(empty.scheduler_address, set_as_default=False) as client:
            client.wait_for_workers(2)
        with Distributed(empty.scheduler_address, say=say) as away:
            for tile, value in away.run(slow_number, {"first": 100}, range(12)):
                found[tile] = value
                if len(found) == 3:
                    workers.kill()
    assert found == {tile: 100 + tile for tile in range(12)}
    assert said == [f"the scheduler at {empty.scheduler_address} has no worker; waiting for one"]


def test_a_tile_that_takes_its_workers_down_ends_in_one_line(cluster, monkeypatch):
    # the scheduler's own limit of three more tries would only take longer
    monkeypatch.setattr(cluster.scheduler, "allowed_failures", 0)
    with Distributed(cluster.scheduler_address) as workers:
        with pytest.raises(LinkcalcError, match=r"has taken 1 workers at .* down with it"):
            list(workers.run(deadly, {}, [1]))
        assert dict(workers.run(number, {"first": 1}, [1, 2])) == {1: 2, 2: 3}


def test_an_interrupted_run_leaves_nothing_on_the_cluster(cluster):
    with Distributed(cluster.scheduler_address) as workers:
        run = workers.run(slow_number, {"first": 0}, range(1000))
        next(run)
        run.close()
        for _ in range(10_000):  # they go in a while, sooner or later by the machine
            if not cluster.scheduler.tasks:
                break
            time.sleep(0.05)
        assert not cluster.scheduler.tasks


@pytest.mark.slow
def test_few_tiles_are_on_their_way_at_a_time(cluster):
    with Distributed(cluster.scheduler_address) as workers:
        most = 0
        for _ in workers.run(slow_number, {"first": 0}, range(20)):
            most = max(most, len([key for key in cluster.scheduler.tasks if "tile" in key]))
    assert 2 <= most <= 2 * distributed.AHEAD + 1


def test_tiles_travel_several_at_a_time_and_singly_toward_the_end(cluster, monkeypatch):
    sizes = []
    real = distributed._Order
    monkeypatch.setattr(
        distributed,
        "_Order",
        lambda work, some, program: sizes.append(len(some)) or real(work, some, program),
    )
    with Distributed(cluster.scheduler_address) as workers:
        found = dict(workers.run(number, {"first": 1}, range(40)))
    assert found == {tile: 1 + tile for tile in range(40)}
    assert sizes == sorted(sizes, reverse=True)
    assert (sizes[0], sizes[-1], sum(sizes)) == (distributed.MOST_AT_ONCE, 1, 40)
    assert len(sizes) < 20


def test_the_fault_of_a_tile_is_told_here(cluster):
    with (
        Distributed(cluster.scheduler_address) as workers,
        pytest.raises(LinkcalcError, match=r"^no tile 7$"),
    ):
        list(workers.run(refuses, {}, [7]))


def test_a_worker_opens_the_job_as_its_own(cluster):
    heights = np.zeros(200_000, dtype=np.float32)
    with Distributed(cluster.scheduler_address) as workers:
        assert dict(workers.run(writes_in_its_job, {"heights": heights}, [1, 2])) == {1: True, 2: True}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"version": "9.9"}, r"runs linkcalc \S+, and this is 9\.9: install the same"),
        ({"formulas": "others"}, "runs a linkcalc .* with other formulas than here"),
        ({"compiled": False}, r"has numba, and this machine has not: pip install 'linkcalc\[fast\]' here"),
    ],
)
def test_a_worker_with_another_program_is_refused(cluster, monkeypatch, change, words):
    here = own_program()._replace(**change)
    with Distributed(cluster.scheduler_address) as workers:
        monkeypatch.setattr(distributed, "own_program", lambda: here)
        with pytest.raises(LinkcalcError, match=rf"^the worker tcp://127.0.0.1:\d+ {words}"):
            Distributed(cluster.scheduler_address)
        # as if the worker had come after the others were asked
        with pytest.raises(LinkcalcError, match=rf"^a worker {words}"):
            list(workers.run(number, {"first": 1}, [1]))


def test_a_worker_without_numba_is_refused_where_this_machine_has_it():
    here = own_program()
    words = difference(here, here._replace(compiled=False))
    assert words == "has no numba, and this machine has: pip install 'linkcalc[fast]' there"


def test_other_numeric_libraries_on_a_worker_are_told(cluster, monkeypatch):
    said = []
    here = own_program()._replace(numerics="numpy 1")
    monkeypatch.setattr(distributed, "own_program", lambda: here)
    Distributed(cluster.scheduler_address, say=said.append).close()
    assert len(said) == 1
    assert said[0].startswith("workers have numpy ")
    assert said[0].endswith("; here it is numpy 1: last digits may differ from a run here")


def test_a_scheduler_without_workers_is_waited_for_and_then_given_up(monkeypatch):
    monkeypatch.setattr(distributed, "PATIENCE_S", 0.3)
    monkeypatch.setattr(distributed, "POLL_S", 0.1)
    said = []
    with (
        dask.LocalCluster(n_workers=0, processes=False, protocol="tcp://", **CLUSTER) as empty,
        Distributed(empty.scheduler_address, say=said.append) as workers,
        pytest.raises(LinkcalcError, match="has had no worker for"),
    ):
        list(workers.run(number, {"first": 1}, [1]))
    assert said == [f"the scheduler at {empty.scheduler_address} has no worker; waiting for one"]


def test_a_scheduler_that_goes_away_ends_in_one_line_and_what_was_done_is_kept(monkeypatch):
    found = []
    with (
        dask.LocalCluster(n_workers=1, processes=False, protocol="tcp://", **CLUSTER) as short,
        Distributed(short.scheduler_address) as workers,
    ):
        monkeypatch.setattr(distributed, "CONNECT_S", 0.5)  # of patience once it is gone

        def count(pair):
            found.append(pair)
            if len(found) == 3:
                short.close()

        with pytest.raises(LinkcalcError, match=r"^the scheduler at \S+ is gone"):
            list(map(count, workers.run(slow_number, {"first": 0}, range(100))))
    assert len(found) >= 3


@pytest.mark.parametrize("address", ["nobody", "tcp://no such host:1", "http://127.0.0.1:1", "127.0.0.1:x"])
def test_an_odd_address_is_one_line(address, monkeypatch):
    monkeypatch.setattr(distributed, "CONNECT_S", 0.3)
    with pytest.raises(LinkcalcError, match="no scheduler can be reached at") as caught:
        Distributed(address)
    assert "\n" not in str(caught.value)


def test_a_port_that_takes_the_call_and_says_nothing_is_given_up(monkeypatch):
    """The library alone waits for its greeting as long as the other side keeps quiet."""
    monkeypatch.setattr(distributed, "CONNECT_S", 2.0)
    monkeypatch.setattr(distributed, "CLOSE_S", 0.5)
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        address = f"tcp://127.0.0.1:{silent.getsockname()[1]}"
        with pytest.raises(LinkcalcError, match="no answer within 2 s") as caught:
            Distributed(address)
    assert str(caught.value).startswith(f"no scheduler can be reached at {address} (")


def test_a_missing_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(LinkcalcError, match=r"needs dask.distributed: pip install 'linkcalc\[distributed\]'"):
        Distributed("tcp://127.0.0.1:1")


def test_the_command_says_in_one_line_that_nobody_is_there_and_keeps_its_tiles(
    plan, job, here, tmp_path, monkeypatch
):
    monkeypatch.setattr(distributed, "CONNECT_S", 0.3)
    store = TileStore(tmp_path, job.digest())
    store.save(job.tiles()[0], tile_of(here, job.tiles()[0]))
    address = nobody_listens()
    arguments = ["coverage", str(plan), "--station", "generator shed", "--radius-km", "1", "--cell-m", "20"]
    said = CliRunner().invoke(app, [*arguments, "--out", str(tmp_path), "--scheduler", address])
    assert said.exit_code == 2
    line = said.stderr.splitlines()[-1]
    assert line.startswith(f"linkcalc: no scheduler can be reached at {address} (")
    assert store.load(job.tiles()[0]) is not None


def tile_of(bands, tile):
    return np.stack([band[tile.top : tile.bottom, tile.left : tile.right] for band in bands.values()])


@pytest.mark.slow
def test_the_command_writes_on_a_cluster_what_it_writes_here(plan, cluster, tmp_path):
    arguments = ["coverage", str(plan), "--station", "generator shed", "--radius-km", "0.4", "--out"]
    for folder, more in (("here", []), ("there", ["--scheduler", cluster.scheduler_address])):
        said = CliRunner().invoke(app, [*arguments, str(tmp_path / folder), *more])
        assert said.exit_code == 0, said.stderr
    for name in ("coverage.tif", "coverage.geojson", "report.txt"):
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "there" / name).read_bytes()

"""What a complete cell costs, and what sharing tiles out over a cluster adds: figures for docs/scale.md.

Costs are told beside the yardstick of this machine, sampling a profile (see `bench_coverage`), so that they can be
carried over to another.
"""

import time
from pathlib import Path

import numpy as np

from linkcalc.area.coverage import prepared_job
from linkcalc.area.distributed import Distributed
from linkcalc.area.scheduler import Local
from linkcalc.area.tiles import Job, get_ready, tile_answer
from linkcalc.plan import load_plan
from linkcalc.propagation import compiled
from tests.benchmarks import bench_coverage
from tests.benchmarks.measure import Row

RADIUS_M = 10_000.0
TILES = 12
"""Looked at of each area, evenly from the nearest to the farthest."""
REPEATS = 3
CLUSTER_REPEATS = 9
RELIEF = {"gentle": 0.15, "hilly": 1.0}


def lands() -> dict[str, Job]:
    """Areas with the plan's defaults, so with the error of heights and all that a margin's spread needs."""
    made = {}
    for name, relief in RELIEF.items():
        folder = Path(bench_coverage.folder()) / name
        folder.mkdir(exist_ok=True)
        bench_coverage.invented_raster(folder / "invented.tif", cells=700, relief=relief)
        plan = folder / "plan.toml"
        plan.write_text(bench_coverage.PLAN)
        made[name] = prepared_job(load_plan(plan), "shed", RADIUS_M)
    return made


def rows() -> list[Row]:
    if not compiled.available():
        return []
    jobs = lands()
    east, north = bench_coverage.places(40_000, RADIUS_M)
    cost: dict[str, float] = dict.fromkeys(jobs, np.inf)
    limit = np.inf
    parts = {name: job.tiles()[:: len(job.tiles()) // TILES] for name, job in jobs.items()}
    cells = {name: sum(len(job.cells(t)[0]) for t in parts[name]) for name, job in jobs.items()}
    for job in jobs.values():
        get_ready(job, lambda line: None)
    bench_coverage.sample(jobs["hilly"].hops[0], east, north)
    for _ in range(REPEATS):  # by turns; the least is what the work takes
        for name, job in jobs.items():
            begin = time.perf_counter()
            for tile in parts[name]:
                tile_answer(job, tile)
            cost[name] = min(cost[name], (time.perf_counter() - begin) / cells[name])
        begin = time.perf_counter()
        bench_coverage.sample(jobs["hilly"].hops[0], east, north)
        limit = min(limit, (time.perf_counter() - begin) / east.size)
    found = [
        Row(
            f"scale: a complete cell over a sampled one, {name}", cost[name] / limit, 15.0, "<=",
            f"{cost[name] * 1e6:.0f} core seconds for a million cells of {RADIUS_M / 1e3:g} km at 30 m, where"
            f" sampling does {1e-6 / limit:.2f} M cells/s",
        )
        for name in jobs
    ]  # fmt: skip
    return [*found, *_cluster(jobs["gentle"], parts["gentle"])]


def _cluster(job: Job, tiles: list) -> list[Row]:
    """One worker process with one thread, against one thread here.

    Client and scheduler take a quarter of the work's CPU time beside it, and the worker's own housekeeping some
    hundredths of every second: both want a core that nobody else holds, so that it takes a quiet machine of two cores
    to meet the bar. The least of many turns is the nearest to one.
    """
    try:
        import distributed
    except ModuleNotFoundError:
        return []
    here = there = np.inf
    with (
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0"
        ) as cluster,
        Distributed(cluster.scheduler_address) as worker,
    ):
        list(worker.run(tile_answer, job, tiles[:1]))
        for _ in range(CLUSTER_REPEATS):
            begin = time.perf_counter()
            list(Local(1).run(tile_answer, job, tiles))
            here = min(here, time.perf_counter() - begin)
            begin = time.perf_counter()
            list(worker.run(tile_answer, job, tiles))
            there = min(there, time.perf_counter() - begin)
    answer = tile_answer(job, tiles[0])
    detail = (
        f"a tile of {answer[0].size} cells is {answer.nbytes / 1e3:.0f} kB on its way back, the job"
        f" {(job.hops[0].land.cells.nbytes + job.hops[0].land.native.nbytes) / 1e6:.1f} MB to each worker"
    )
    return [Row("scale: tiles here over tiles on a cluster, one thread", here / there, 0.8, ">=", detail)]

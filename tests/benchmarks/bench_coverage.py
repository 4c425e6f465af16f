"""A complete cell of a coverage (loss, margins, probability, verdict) against sampling its profile alone.

The terrain is invented. Sampling is the command's own, compiled: what any exact method has to do at least.
"""

import os
import subprocess
import sys
import tempfile
import threading
import warnings
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc.area import kernels
from linkcalc.area.coverage import prepared_job
from linkcalc.area.losses import grid_of, losses
from linkcalc.area.margins import Around, answers
from linkcalc.area.tiles import TILE_CELLS
from linkcalc.plan import load_plan
from linkcalc.propagation import compiled
from tests.benchmarks.measure import Row, side_by_side

CELLS = 40_000
"""Some tenths of a second: threads take a while to start, and what is done once for all must not count."""
PLAIN_CELLS = 100
RADIUS_M = 10_000.0

PLAN = """
[terrain]
rasters = ["invented.tif"]
[[station]]
name = "shed"
easting_m = 500000.0
northing_m = 5000000.0
epsg = 32631
antenna_height_m = 6.0
[[station]]
name = "tank"
easting_m = 501000.0
northing_m = 5000000.0
epsg = 32631
antenna_height_m = 4.0
[[link]]
name = "level"
from = "shed"
to = "tank"
frequency_mhz = 868.0
modulation = { kind = "css", spreading_factor = 9 }
"""


def invented_raster(
    path: Path, cells: int = 1500, cell_m: float = 30.0, seed: int = 4, relief: float = 1.0
) -> None:
    """Rolling hills in whole metres."""
    import rasterio
    from scipy.ndimage import gaussian_filter, zoom

    rng = np.random.default_rng(seed)
    heights = np.zeros((cells, cells))
    for wide, high in ((48, 60.0), (12, 20.0), (3, 6.0)):
        coarse = gaussian_filter(rng.normal(size=(cells // 3 + 2,) * 2), wide / 3.0)
        fine = zoom(coarse, 3.1, order=1)[:cells, :cells]
        heights += relief * high * fine / fine.std()
    grid = {"crs": "EPSG:32631", "driver": "GTiff", "count": 1, "width": cells, "height": cells}
    half = cells * cell_m / 2.0
    place = rasterio.Affine(cell_m, 0, 500_000 - half, 0, -cell_m, 5_000_000 + half)
    with rasterio.open(
        path, "w", dtype="int16", transform=place, tiled=True, compress="deflate", **grid
    ) as file:
        file.write(np.round(heights - heights.min() + 100.0).astype(np.int16), 1)


@cache
def folder() -> Path:
    made = Path(tempfile.mkdtemp(prefix="linkcalc-bench-"))
    invented_raster(made / "invented.tif")
    (made / "plan.toml").write_text(PLAN)
    return made


def job(radius_m: float) -> Around:
    (hop,) = prepared_job(load_plan(folder() / "plan.toml"), "shed", radius_m).hops
    return hop


def places(count: int, radius_m: float, seed: int = 9) -> tuple[np.ndarray, np.ndarray]:
    """Positions spread evenly over the circle, in the order of tiles, as the cells are."""
    rng = np.random.default_rng(seed)
    r, turn = radius_m * np.sqrt(rng.uniform(1e-3, 1.0, count)), rng.uniform(0.0, 2.0 * np.pi, count)
    east, north = r * np.sin(turn), r * np.cos(turn)
    tile_m = 30.0 * TILE_CELLS
    order = np.lexsort((east // tile_m, north // tile_m))
    return east[order], north[order]


def sampling(grid: kernels.Grid, places: Any, steps: Any, ends: Any) -> None:
    """The heights along every profile, of which nothing but the last is kept."""
    for i in range(len(places)):
        heights = np.empty(steps[i, 0] * steps[i, 1] + 1)
        kernels.heights_along(kernels.GROUND, grid, places[i, 0], places[i, 1], len(heights), heights)
        ends[i] = heights[-1]


@cache
def compiled_sampling() -> Any:
    return compiled.compile_function(sampling, uses=kernels.USES)


def sample(work: Around, east: np.ndarray, north: np.ndarray) -> np.ndarray:
    land = work.land
    places = np.stack([east / land.radius_m, north / land.radius_m, np.hypot(east, north)], axis=-1)
    grid = grid_of(land, outward=True)
    ends = np.empty(east.size)
    compiled_sampling()(grid, places, land.intervals(east, north), ends)
    return ends


def cell(work: Around, east: np.ndarray, north: np.ndarray, *, use_numba: bool = True) -> Any:
    """All that a tile's cells take."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = losses(work.land, work.template, work.fixed, east, north, use_numba=use_numba)
        return answers(work.template, work.fixed, work.station_deg, east, north, found)


def in_tiles(work: Around, east: np.ndarray, north: np.ndarray) -> None:
    """The same as the command does it, some thousand cells at a time."""
    for i in range(0, east.size, TILE_CELLS**2):
        cell(work, east[i : i + TILE_CELLS**2], north[i : i + TILE_CELLS**2])


def on_threads(function: Callable[[Any, Any], Any], east: Any, north: Any, threads: int) -> None:
    """Share positions out over threads, as the tiles of an area are."""
    parts = [
        threading.Thread(target=function, args=(east[i::threads], north[i::threads])) for i in range(threads)
    ]
    for part in parts:
        part.start()
    for part in parts:
        part.join()


def rows() -> list[Row]:
    if not compiled.available():
        return []
    work = job(RADIUS_M)
    east, north = places(CELLS, RADIUS_M)
    regime = losses(work.land, work.template, work.fixed, east, north).regime
    kinds = {
        "blocked": (east[regime == 0], north[regime == 0]),
        "clear": (east[regime == 2], north[regime == 2]),
    }
    assert min(e.size for e, _ in kinds.values()) > CELLS // 50
    few = slice(0, None, CELLS // PLAIN_CELLS)
    plain, quick = (cell(work, east[few], north[few], use_numba=use) for use in (False, True))
    assert np.allclose(plain.spare_db, quick.spare_db, atol=1e-4)

    functions: dict[str, Callable[[], Any]] = {
        "all": lambda: in_tiles(work, east, north),
        "two": lambda: on_threads(lambda e, n: in_tiles(work, e, n), east, north, 2),
        "plain": lambda: cell(work, east[few], north[few], use_numba=False),
    }
    for name, at in kinds.items():
        functions[name] = lambda at=at: in_tiles(work, *at)
        functions[f"sampling {name}"] = lambda at=at: sample(work, *at)
    median = side_by_side(functions, repeats=7)
    found = []
    for name, bar in (("blocked", 15.0), ("clear", 60.0)):
        e, n = kinds[name]
        samples = work.land.intervals(e, n)[:, 0].mean()
        detail = (
            f"{1e6 * median[name] / e.size:.1f} over {1e6 * median[f'sampling {name}'] / e.size:.2f} microseconds,"
            f" {samples:.0f} points, one core"
        )
        found.append(
            Row(f"coverage: a complete {name} cell over sampling its profile",
                median[name] / median[f"sampling {name}"], bar, "<=", detail)
        )  # fmt: skip
    plain_s, cell_s = median["plain"] / east[few].size, median["all"] / CELLS
    return [
        *found,
        Row("coverage: complete cells, one core over two", median["all"] / median["two"], 1.7, ">=",
            f"{1e-3 / cell_s:.0f} thousand cells a second on one"),
        Row("coverage: a complete cell without numba over one with it", plain_s / cell_s, 10.0, ">=",
            f"the same source, {1e6 * plain_s:.0f} microseconds as it stands"),
        _cost_per_sample(),
        _compile_time(),
        _peak_memory(),
    ]  # fmt: skip


def _cost_per_sample() -> Row:
    """Largest over smallest cost per sample between radii."""
    functions, samples = {}, {}
    for radius in (5_000.0, 10_000.0, 20_000.0):
        work = job(radius)
        east, north = places(CELLS // 4, radius)
        samples[f"{radius:g}"] = work.land.intervals(east, north)[:, 0].sum()
        functions[f"{radius:g}"] = lambda w=work, e=east, n=north: in_tiles(w, e, n)
    median = side_by_side(functions, repeats=5)
    cost = [median[name] / samples[name] for name in functions]
    detail = ", ".join(
        f"{1e9 * c:.0f} ns at {float(n) / 1e3:g} km" for n, c in zip(functions, cost, strict=True)
    )
    return Row(
        "coverage: dearest over cheapest point of a profile, 5 to 20 km", max(cost) / min(cost), 2.0, "<=",
        f"a cell has costs of its own; {detail}",
    )  # fmt: skip


_COMPILED = """
import sys, time
from linkcalc.area.coverage import prepared_job
from linkcalc.area.tiles import get_ready
from linkcalc.plan import load_plan
job = prepared_job(load_plan(sys.argv[1]), "shed", 300.0)
before = time.process_time()
get_ready(job, lambda line: None)
print(time.process_time() - before)
"""


def _compile_time() -> Row:
    """CPU time until the first cell where nothing is compiled yet."""
    with tempfile.TemporaryDirectory() as empty:
        answer = subprocess.run(
            [sys.executable, "-c", _COMPILED, str(folder() / "plan.toml")], capture_output=True, text=True,
            check=True, cwd=Path(__file__).parents[2], env={**os.environ, "NUMBA_CACHE_DIR": empty},
        )  # fmt: skip
    return Row("coverage: seconds of CPU to compile over 10", float(answer.stdout) / 10.0, 1.0, "<=",
               f"{float(answer.stdout):.1f} s on a cold cache, loading numba included")  # fmt: skip


_MEASURED = """
import resource, sys
from linkcalc.area.coverage import coverage, prepared_job
from linkcalc.area.tiles import get_ready
from linkcalc.plan import load_plan
loaded = load_plan(sys.argv[1])
get_ready(prepared_job(loaded, "shed", 300.0), lambda line: None)
before = int(open("/proc/self/statm").read().split()[1]) * resource.getpagesize() // 1024
job = prepared_job(loaded, "shed", float(sys.argv[2]))
coverage(job)
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(before, after, job.hops[0].land.cells.nbytes + job.hops[0].land.native.nbytes)
"""


def _peak_memory() -> Row:
    """Most memory that a run takes beyond the ready program and the raster, of 200 MB. Linux only."""
    plan = folder() / "plan.toml"
    for _ in range(2):  # the first may have to compile, which takes more memory than the work
        answer = subprocess.run(
            [sys.executable, "-c", _MEASURED, str(plan), "6000"], capture_output=True, text=True, check=True,
            cwd=Path(__file__).parents[2], env={**os.environ},
        )  # fmt: skip
    before, after, raster = (int(v) for v in answer.stdout.split())
    beyond = (after - before) / 1024.0 - raster / 1e6
    detail = (
        f"{beyond:.0f} MB beyond the program ({before / 1024:.0f} MB) and the raster ({raster / 1e6:.1f} MB)"
    )
    return Row("coverage: memory beyond the raster over 200 MB", beyond / 200.0, 1.0, "<=", detail)

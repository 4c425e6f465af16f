"""Coverage against a straight numpy loop and against what the machine can do at most.

The terrain is invented. "The machine's limit" is a kernel that only samples every cell's own profile
bilinearly and takes the two largest slopes: what any exact method has to do at least.
"""

import math
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from linkcalc.area.preview import rays

from linkcalc.area import kernels
from linkcalc.area.coverage import TILE_CELLS, Job, prepared_job
from linkcalc.area.losses import constants, diffraction_loss_db, losses
from linkcalc.plan import load_plan
from linkcalc.propagation import compiled
from linkcalc.propagation._kernels import delta_bullington
from linkcalc.propagation.compiled import larger
from tests.benchmarks.measure import Row, side_by_side

CELLS = 160_000
"""Some tenths of a second: threads take a while to start, and what is done once for all must not count."""
STANDARD_CELLS = 16_000
STRAIGHT_CELLS = 120
RADIUS_M = 10_000.0
PREVIEW_M = 6_000.0

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
[conditions]
height_error_m = 0.0
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


def job(radius_m: float) -> Job:
    with prepared_job(load_plan(folder() / "plan.toml"), "shed", radius_m) as made:
        return made


def places(count: int, radius_m: float, seed: int = 9) -> tuple[np.ndarray, np.ndarray]:
    """Positions spread evenly over the circle, in the order of tiles, as the cells are."""
    rng = np.random.default_rng(seed)
    r, turn = radius_m * np.sqrt(rng.uniform(1e-3, 1.0, count)), rng.uniform(0.0, 2.0 * np.pi, count)
    east, north = r * np.sin(turn), r * np.cos(turn)
    tile_m = 30.0 * TILE_CELLS
    order = np.lexsort((east // tile_m, north // tile_m))
    return east[order], north[order]


def limit(
    cells: Any, windows: Any, maps: Any, at: Any, steps: Any, heights: Any, bulge: float, powers: Any,
    slopes: Any,
) -> None:  # fmt: skip
    """Sampling and two maxima, nothing kept."""
    columns = windows[0, kernels.COLUMNS]
    for i in range(len(at)):
        kernels.along(maps[0, 0], at[i, 0], at[i, 1], powers[0])
        kernels.along(maps[0, 1], at[i, 0], at[i, 1], powers[1])
        c0, c1, c2, c3, c4, c5 = (
            powers[0, 0], powers[0, 1], powers[0, 2], powers[0, 3], powers[0, 4], powers[0, 5],
        )  # fmt: skip
        r0, r1, r2, r3, r4, r5 = (
            powers[1, 0], powers[1, 1], powers[1, 2], powers[1, 3], powers[1, 4], powers[1, 5],
        )  # fmt: skip
        n = steps[i, 0]
        per_step = 1.0 / n
        step = at[i, 2] * per_step
        length = at[i, 2]
        near = -math.inf
        far = -math.inf
        for j in range(1, n):
            t = per_step * j
            column = c0 + t * (c1 + t * (c2 + t * (c3 + t * (c4 + t * c5))))
            row = r0 + t * (r1 + t * (r2 + t * (r3 + t * (r4 + t * r5))))
            left = np.int32(column)
            top = np.int32(row)
            u = column - left
            v = row - top
            first = np.int64(top) * columns + left
            below = first + columns
            a = np.float64(kernels.fetch(cells, first))
            b = np.float64(kernels.fetch(cells, first + 1))
            c = np.float64(kernels.fetch(cells, below))
            d = np.float64(kernels.fetch(cells, below + 1))
            upper = a + u * (b - a)
            height = upper + v * (c + u * (d - c) - upper)
            x = step * j
            y = length - x
            near = larger(near, (height - heights[i, 0]) / x - bulge * x)
            far = larger(far, (height - heights[i, 1]) / y - bulge * y)
        slopes[i, 0] = near
        slopes[i, 1] = far


@cache
def compiled_limit() -> Any:
    kernels.register()
    return compiled.compile_function(limit)


def run_limit(work: Job, east: np.ndarray, north: np.ndarray) -> np.ndarray:
    land = work.land
    at = np.stack([east / land.radius_m, north / land.radius_m, np.hypot(east, north)], axis=-1)
    heights = np.full((east.size, 2), 300.0)
    slopes = np.empty((east.size, 2))
    compiled_limit()(
        land.cells, land.windows, land.maps, at, land.intervals(east, north), heights, 5.9e-8,
        np.empty((2, kernels.DEGREE + 1)), slopes,
    )  # fmt: skip
    return slopes


def straight(work: Job, east: np.ndarray, north: np.ndarray) -> np.ndarray:
    """What one would write first: per position, a profile by numpy's bilinear sampling, then the formulas."""
    from scipy.ndimage import map_coordinates

    land, s = work.land, work.template.situation
    c = constants(s, land.largest_hole_m)
    rows, columns = land.windows[0, kernels.ROWS], land.windows[0, kernels.COLUMNS]
    grid = land.cells.reshape(rows, columns)
    found = np.empty(east.size)
    for i in range(east.size):
        length = np.hypot(east[i], north[i])
        share = np.linspace(0.0, 1.0, int(np.ceil(length / land.spacing_m[0])) + 1)
        products = kernels.terms(share * east[i] / land.radius_m, share * north[i] / land.radius_m)
        h = map_coordinates(
            grid, [products @ land.maps[0, 1], products @ land.maps[0, 0]], order=1, output=float
        )
        found[i] = delta_bullington(
            share * length * 1e-3, h, h, h[0] + 6.0, h[-1] + 4.0, c[kernels.RADIUS_KM], 0.0,
            c[kernels.FREQUENCY_GHZ], True,
        )  # fmt: skip
    return found


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
    few = slice(0, None, CELLS // STRAIGHT_CELLS)
    samples = work.land.intervals(east, north)[:, 0].mean()

    def own(e: Any, n: Any) -> Any:
        return diffraction_loss_db(work.land, work.template, work.fixed, e, n)

    def full(e: Any, n: Any) -> Any:
        return losses(work.land, work.template, work.fixed, e, n)

    assert np.allclose(straight(work, east[few], north[few]), own(east[few], north[few]), atol=0.02)
    # where the ray is blocked, the rules are P.1812 and nothing else
    some = slice(0, None, CELLS // STANDARD_CELLS)
    first = full(east[some], north[some])
    blocked = tuple(v[some][first.regime == 0] for v in (east, north))
    assert blocked[0].size > STANDARD_CELLS // 4
    small = job(PREVIEW_M)
    functions = {
        "straight": lambda: straight(work, east[few], north[few]),
        "own": lambda: own(east, north),
        "limit": lambda: run_limit(work, east, north),
        "standard": lambda: full(*blocked),
        "full": lambda: full(east[few], north[few]),
        "own on 2": lambda: on_threads(own, east, north, 2),
        "limit on 2": lambda: on_threads(lambda e, n: run_limit(work, e, n), east, north, 2),
    }
    median = side_by_side(functions, repeats=11)
    quick = side_by_side(
        {"numpy": lambda: rays(small, use_numba=False), "compiled": lambda: rays(small, use_numba=True)},
        repeats=5,
    )
    per_cell = {
        "straight": median["straight"] / east[few].size,
        "own": median["own"] / CELLS,
        "limit": median["limit"] / CELLS,
        "standard": median["standard"] / blocked[0].size,
        "full": median["full"] / east[few].size,
        "own on 2": median["own on 2"] / CELLS,
        "limit on 2": median["limit on 2"] / CELLS,
    }
    rate = f"{1e-6 / per_cell['own']:.2f} M cells/s of {samples:.0f} samples on one core"
    two = f"{1e-6 / per_cell['own on 2']:.2f} M cells/s on two"
    return [
        Row("coverage: straight numpy loop over own profiles", per_cell["straight"] / per_cell["own"], 60.0,
            ">=", rate),
        Row("coverage: the machine's limit over own profiles", per_cell["limit"] / per_cell["own"], 0.5, ">=",
            "sampling and maxima only, one core"),
        Row("coverage: the machine's limit over own profiles, two cores",
            per_cell["limit on 2"] / per_cell["own on 2"], 0.5, ">=", two),
        Row("coverage: one core over two", per_cell["own"] / per_cell["own on 2"], 1.7, ">=", "own profiles"),
        Row("coverage: own profiles over the complete standard model",
            per_cell["own"] / per_cell["standard"], 0.2, ">=",
            f"P.1812; with reflections {per_cell['full'] / per_cell['own']:.1f} times the diffraction"),
        Row("coverage: numpy rays over compiled rays", quick["numpy"] / quick["compiled"], 2.5, ">=",
            f"preview, {PREVIEW_M / 1e3:g} km"),
        _cost_per_sample(),
        _peak_memory(),
    ]  # fmt: skip


def _cost_per_sample() -> Row:
    """Largest over smallest cost per sample between radii."""
    functions, samples = {}, {}
    for radius in (5_000.0, 10_000.0, 20_000.0):
        work = job(radius)
        east, north = places(CELLS // 4, radius)
        samples[f"{radius:g}"] = work.land.intervals(east, north)[:, 0].sum()
        functions[f"{radius:g}"] = lambda w=work, e=east, n=north: diffraction_loss_db(
            w.land, w.template, w.fixed, e, n
        )
    median = side_by_side(functions, repeats=11)
    cost = [median[name] / samples[name] for name in functions]
    detail = ", ".join(
        f"{1e9 * c:.2f} ns at {float(n) / 1e3:g} km" for n, c in zip(functions, cost, strict=True)
    )
    return Row(
        "coverage: dearest over cheapest sample, 5 to 20 km", max(cost) / min(cost), 1.15, "<=", detail
    )


_MEASURED = """
import resource, sys
from linkcalc.area.coverage import coverage, get_ready, prepared_job
from linkcalc.plan import load_plan
loaded = load_plan(sys.argv[1])
with prepared_job(loaded, "shed", 300.0) as job:
    get_ready(job, lambda line: None)
before = int(open("/proc/self/statm").read().split()[1]) * resource.getpagesize() // 1024
with prepared_job(loaded, "shed", float(sys.argv[2])) as job:
    coverage(job)
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(before, after, job.land.bytes_read)
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

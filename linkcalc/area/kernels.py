"""The work of one position of an area: cut its profile from windows in memory, and weigh it by the rules.

The rules are those of `linkcalc.path_loss`, the formulas those of `linkcalc.propagation`. Everything is
written once, for numpy and for the compiler, except the scans over profile points: numpy's stand first,
and a second writing as loops follows, which is what gets compiled. Without numba the same functions run as
they stand, far slower, with the same numbers.

Windows: `cells` holds the heights of all windows one after the other, `native` which of them their raster
itself knows, `windows` one row for each (see `OFFSET` to `COMPLETE`), `maps` the polynomials from a
position to column and row (see `terms`). A position is `east`, `north` of the station, over the radius.
"""

import functools
import importlib
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.path_loss import (
    AROUND_M,
    CLEAR_RATIO,
    MIRROR_RATIO,
    P1812_SHORTEST_M,
    SCATTER_DB,
    SCATTER_SHORTEST_M,
)
from linkcalc.propagation import _kernels as k
from linkcalc.propagation import compiled, p1812, two_ray
from linkcalc.propagation._kernels import larger, smaller
from linkcalc.propagation.two_ray import MEETS, SETTLED
from linkcalc.units import SPEED_OF_LIGHT_M_S

Singles = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]

DEGREE = 5
"""Of the polynomials that stand for a raster's projection, exact to far less than a cell."""

GROUND, SURFACE, CANOPY = 0, 1, 2
"""Layers of heights."""

LAYER, OFFSET, COLUMNS, ROWS, COMPLETE = range(5)
"""Columns of `windows`; complete: every cell is known to the raster itself."""
WINDOW_FIGURES = 5

(
    FREQUENCY_GHZ, WAVELENGTH_M, DELTA_N, N0, RADIUS_KM, CURVATURE, ROUGHNESS_M, GRAZING_LIMIT_RAD,
    LARGEST_HOLE_M, LOWEST_CLUTTER_M,
    LEAF_DB_M, LEAF_MOST_DB, LEAF_WET_DB, WET_DB_M, WET_MOST_DB, WET_WET_DB,
    DRY_DB_M, DRY_MOST_DB, DRY_WET_DB,
) = range(19)  # fmt: skip
CONSTANTS = 19
"""Length of the row of constants of a job; ROUGHNESS_M is NaN where none is stated."""

GOOD, NO_HEIGHT, HOLE = 0, 1, 2
"""What became of a position."""

STATUS, NEAR_GROUND_M, FAR_GROUND_M, BRIDGED_M, SPACING_M, HEAD = 0, 1, 2, 3, 4, 5
"""First columns of a result row; then one block of `VARIANT` for each pair of heights."""
DEPTH_M, WOODS_DB, WOODS_WET_DB, WOODS_DRY_DB, OVER, BARE = 0, 1, 2, 3, 4, 12
"""Within a block: length in trees and their loss as the plan has the leaves, in wet leaf, and bare and dry;
then the rules with and without the trees."""
RATIO, STANDARD_DB, SCATTERS, MIRROR, MIRROR_TX_M, MIRROR_RX_M, MIRROR_LENGTH_M, MIRROR_ROUGHNESS_M = range(8)
RULES = 8
"""Scatters: the standard model is Rec. ITU-R P.1812, not diffraction alone."""
VARIANT = 20
MIRRORS_NOT, MIRRORS, MIRRORS_BUT = 0, 1, 2
"""No reflection governs; it does; it does unless the standard model loses more."""
ENHANCED_DB, DEEPER_DB = 0, 1
"""After the blocks, with and without the trees: loss exceeded by less than 10 % of the time, and how much
more diffraction loses at the low k."""
TAIL = 4

TOUCH = 1e-6

WORK_FIRST, WORK_ROWS, UNEVEN = 7, 10, 9
"""Rows of the scratch space for the search for reflections; above 0 at the start of the row `UNEVEN` of
these: the points are not evenly spaced."""

ASIDE = 1e-7
"""Share of a path's length: how far on either side of a specular point the line must mirror the ray too."""

TRIALS = 200
TRIAL_AT = (1.0 - np.cos(np.pi * (np.arange(TRIALS) + 0.5) / TRIALS)) / 2.0


def result_length(variants: int) -> int:
    """Columns of a result row."""
    return HEAD + VARIANT * variants + TAIL


def terms(east: Floats, north: Floats) -> Floats:
    """Products of powers of position, (n, terms), as the maps' coefficients are ordered.

    >>> terms(np.array([2.0]), np.array([3.0]))[0, :6].tolist()
    [1.0, 2.0, 3.0, 4.0, 6.0, 9.0]
    """
    return np.stack(
        [east ** (total - j) * north**j for total in range(DEGREE + 1) for j in range(total + 1)], axis=-1
    )


def along(coefficients: Floats, east: float, north: float, powers: Floats) -> None:
    """Turn a polynomial of position into one of the share of the way there."""
    at = 0
    for total in range(DEGREE + 1):
        value = coefficients[at]
        power = 1.0
        for j in range(1, total + 1):
            power *= north
            value = value * east + coefficients[at + j] * power
        at += total + 1
        powers[total] = value


# ---------------------------------------------------------------- scans, for numpy


def heights_along(
    layer: int,
    cells: Singles,
    native: Bytes,
    windows: Integers,
    maps: Floats,
    east: float,
    north: float,
    outward: bool,
    powers: Floats,
    points: int,
    heights: Floats,
) -> bool:
    """Fill `heights` with those of a layer at even steps between station and position; NaN where unknown.

    What is longer than `points` is filled up with the last of them. True if all are known for sure.
    """
    share = np.minimum(np.arange(len(heights)) / (points - 1), 1.0)
    if not outward:
        share = 1.0 - share
    heights[:] = np.nan
    for w in np.flatnonzero(windows[:, LAYER] == layer):
        open_ = np.flatnonzero(np.isnan(heights))
        if not len(open_):
            break
        _, offset, columns, rows, _ = windows[w]
        for axis in (0, 1):
            along(maps[w, axis], east, north, powers[axis])
        column, row = (np.polynomial.polynomial.polyval(share[open_], powers[axis]) for axis in (0, 1))
        inside = (column >= 0.0) & (column < columns - 1.0) & (row >= 0.0) & (row < rows - 1.0)
        open_, column, row = open_[inside], column[inside], row[inside]
        left, top = column.astype(np.int64), row.astype(np.int64)
        u, v = column - left, row - top
        first = offset + top * columns + left
        at = np.stack([first, first + 1, first + columns, first + columns + 1])
        weights = np.stack([(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v])
        values = cells[at].astype(np.float64)
        matters = weights > TOUCH
        known = matters & ~np.isnan(values)
        own = (known & (weights >= weights.max(axis=0, initial=0.0) - TOUCH)).any(axis=0)
        own &= (matters & (native[at] > 0)).any(axis=0)
        weights = np.where(known, weights, 0.0)
        with np.errstate(invalid="ignore"):
            mean = (weights * np.where(known, values, 0.0)).sum(axis=0) / weights.sum(axis=0)
        heights[open_] = np.where(own, mean, np.nan)
    return bool(np.isfinite(heights).all())


def bridge(heights: Floats, step_m: float, largest_m: float) -> float:
    """Draw straight lines across holes; return their length, or -1 if one is too long.

    The ends are known.
    """
    known = np.isfinite(heights)
    if known.all():
        return 0.0
    turns = np.flatnonzero(np.diff(known.astype(np.int8)))
    lengths = (turns[1::2] - turns[::2]) * step_m
    if lengths.max() > largest_m:
        return -1.0
    x = np.arange(len(heights))
    heights[~known] = np.interp(x[~known], x[known], heights[known])
    return float(lengths.sum())


def add_clutter(
    tops: Floats, foot: Floats, trees_here: bool, lowest_m: float, clutter: Floats, trees: Bytes
) -> None:
    """Put what a layer shows above its foot on the profile where it is the tallest so far."""
    with np.errstate(invalid="ignore"):
        height = tops - foot
        taller = (height >= lowest_m) & (height > clutter)
    clutter[taller], trees[taller] = height[taller], trees_here


def least_clearance(
    x: Floats, h: Floats, clutter: Floats, tx: float, rx: float, curvature: float, wavelength: float
) -> tuple[float, int]:
    """Least clearance over the inner points in first Fresnel zone radii, and where; any negative number
    where the ray is blocked."""
    length = x[-1]
    bulge = x[1:-1] * (length - x[1:-1])
    free = tx + (rx - tx) / length * x[1:-1] - (h[1:-1] + clutter[1:-1] + curvature * bulge)
    if free.min() < 0.0:
        return -1.0, 0
    squared = free * free / bulge
    at = int(squared.argmin())
    return math.sqrt(squared[at] * length / wavelength), at + 1


def woods(
    x: Floats, h: Floats, clutter: Floats, trees: Bytes, tx: float, rx: float, c: Floats, found: Floats
) -> None:
    """Length of the stretches on which trees reach into 60 % of the first Fresnel zone, and their losses."""
    length = x[-1]
    bulge = x * (length - x)
    free = tx + (rx - tx) / length * x - CLEAR_RATIO * np.sqrt(bulge * (c[WAVELENGTH_M] / length))
    turns = np.flatnonzero(
        np.diff(((trees > 0) & (free < h + clutter + c[CURVATURE] * bulge)).astype(np.int8))
    )
    found[DEPTH_M:OVER] = 0.0
    for first, last in zip(turns[::2] + 1, turns[1::2], strict=True):
        add_wood(x, first, last, c, found)


def integrate(x: Floats, h: Floats, clutter: Floats, work: Floats) -> None:
    """Fill rows of `work` with what `reflect` needs of the ground: running integrals."""
    # numpy's `reflect` makes its own


Slopes = tuple[float, float, float, float, float, float, float]
"""See `slopes`."""
Mirror = tuple[bool, float, float, float, float, float, float, float, float, float]


def reflect(
    x: Floats, h: Floats, clutter: Floats, work: Floats, tx: float, rx: float, radius_km: float,
    wavelength: float,
) -> Mirror:  # fmt: skip
    """`two_ray.find_reflection`: found, distance, grazing angle, heights over the mirror, its length, the
    height and the slope of its line, roughness, clutter share."""
    found, _ = two_ray.find_reflection(
        x, h, clutter, tx, rx,
        k_factor=radius_km / p1812.EARTH_RADIUS_KM, frequency_hz=SPEED_OF_LIGHT_M_S / wavelength,
    )  # fmt: skip
    if found is None:
        return False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    return (
        True, found.distance_m, found.grazing_angle_rad, found.tx_height_m, found.rx_height_m,
        found.surface_distance_m, found.surface_height_amsl_m, found.slope, found.roughness_m,
        found.clutter_share,
    )  # fmt: skip


def spaced(length: float, x: Floats, d: Floats) -> None:
    """Fill with even distances in m and km."""
    x[:] = np.linspace(0.0, length, len(x))
    d[:] = x * 1e-3


def take(fine: Floats, every: int, coarse: Floats) -> None:
    """Keep one point of so many."""
    coarse[:] = fine[::every]


def stack(h: Floats, clutter: Floats, tops: Floats) -> None:
    """Add clutter to ground."""
    np.add(h, clutter, out=tops)


def fell(clutter: Floats, trees: Bytes, bare: Floats) -> None:
    """Clutter without the trees."""
    bare[:] = np.where(trees > 0, 0.0, clutter)


# ---------------------------------------------------------------- the same as loops
# The compiler works on several points at once only where it knows that what a loop writes is not what it
# reads at indices it cannot foresee. `fetch` promises that, and `put` and `own` belong to the other side: no
# array may be fetched from and put to in the whole of the compiled code.


def fetch(array: Any, i: Any) -> Any:
    """Read at any index from an array that is only read."""
    return array[i]


def own(array: Any, i: Any) -> Any:
    """Read from an array that the loop itself writes, or from one that it reads in order."""
    return array[i]


def put(array: Any, i: Any, value: Any) -> None:
    """Write to an array."""
    array[i] = value


def heights_loop(
    layer: int,
    cells: Singles,
    native: Bytes,
    windows: Integers,
    maps: Floats,
    east: float,
    north: float,
    outward: bool,
    powers: Floats,
    points: int,
    heights: Floats,
) -> bool:
    n = len(heights)
    before = 0
    complete = False
    for w in range(len(windows)):
        if windows[w, LAYER] != layer:
            continue
        along(maps[w, 0], east, north, powers[0])
        along(maps[w, 1], east, north, powers[1])
        offset = windows[w, OFFSET]
        columns = windows[w, COLUMNS]
        rows = windows[w, ROWS]
        if before == 0 and windows[w, COMPLETE] == 1:
            sample_complete(
                cells[offset : offset + columns * rows], columns, outward, powers, points, heights
            )
            complete = True
        else:
            if before == 0:
                for i in range(n):
                    heights[i] = math.nan
            sample_with_holes(
                cells[offset : offset + columns * rows], native[offset : offset + columns * rows],
                columns, rows, outward, powers, points, heights,
            )  # fmt: skip
        before += 1
    if before == 0:
        for i in range(n):
            heights[i] = math.nan
    return complete


def sample_complete(
    cells: Singles, columns: int, outward: bool, powers: Floats, points: int, heights: Floats
) -> None:
    """Bilinear heights from a window in which every cell is known and every point lies."""
    per_step = 1.0 / (points - 1)
    scale = per_step if outward else -per_step
    start = 0.0 if outward else 1.0
    columns_by, rows_by = coefficients_of(powers)
    for i in range(len(heights)):
        t = start + scale * smaller(float(i), points - 1.0)
        put(heights, i, height_at(cells, columns, columns_by, rows_by, t))


Coefficients = tuple[float, float, float, float, float, float]


def coefficients_of(powers: Floats) -> tuple[Coefficients, Coefficients]:
    """Polynomials of the share of the way, for column and row, as plain numbers."""
    return (
        (powers[0, 0], powers[0, 1], powers[0, 2], powers[0, 3], powers[0, 4], powers[0, 5]),
        (powers[1, 0], powers[1, 1], powers[1, 2], powers[1, 3], powers[1, 4], powers[1, 5]),
    )


def height_at(
    cells: Singles, columns: int, columns_by: Coefficients, rows_by: Coefficients, t: float
) -> float:
    """Bilinear height at a share of the way, in a window in which every cell is known."""
    c0, c1, c2, c3, c4, c5 = columns_by
    r0, r1, r2, r3, r4, r5 = rows_by
    column = c0 + t * (c1 + t * (c2 + t * (c3 + t * (c4 + t * c5))))
    row = r0 + t * (r1 + t * (r2 + t * (r3 + t * (r4 + t * r5))))
    left = np.int32(column)
    top = np.int32(row)
    u = column - left
    v = row - top
    at = np.int64(top) * columns + left
    below = at + columns
    a = np.float64(fetch(cells, at))
    b = np.float64(fetch(cells, at + 1))
    c = np.float64(fetch(cells, below))
    d = np.float64(fetch(cells, below + 1))
    upper = a + u * (b - a)
    lower = c + u * (d - c)
    return upper + v * (lower - upper)


def sample_with_holes(
    cells: Singles, native: Bytes, columns: int, rows: int, outward: bool, powers: Floats, points: int,
    heights: Floats,
) -> None:  # fmt: skip
    """Bilinear heights where none is known yet, by the rules of `linkcalc.terrain.rasters`."""
    n = len(heights)
    for i in range(n):
        if not math.isnan(heights[i]):
            continue
        t = min(i / (points - 1), 1.0)
        if not outward:
            t = 1.0 - t
        column = 0.0
        row = 0.0
        for power in range(DEGREE, -1, -1):
            column = column * t + powers[0, power]
            row = row * t + powers[1, power]
        if not (column >= 0.0 and column < columns - 1.0 and row >= 0.0 and row < rows - 1.0):
            continue
        left = int(column)
        top = int(row)
        u = column - left
        v = row - top
        largest = max(1.0 - u, u) * max(1.0 - v, v)
        total = 0.0
        height = 0.0
        own = False
        natively = False
        for corner in range(4):
            weight = (u if corner % 2 else 1.0 - u) * (v if corner > 1 else 1.0 - v)
            if weight <= TOUCH:
                continue
            at = (top + corner // 2) * columns + left + corner % 2
            natively = natively or native[at] > 0
            value = cells[at]
            if not math.isnan(value):
                total += weight
                height += weight * value
                own = own or weight >= largest - TOUCH
        if own and natively:
            heights[i] = height / total


def bridge_loop(heights: Floats, step_m: float, largest_m: float) -> float:
    n = len(heights)
    bridged = 0.0
    i = 1
    while i < n:
        if math.isnan(heights[i]):
            first = i
            while math.isnan(heights[i]):
                i += 1
            length = (i - first) * step_m
            if length > largest_m:
                return -1.0
            bridged += length
            rise = (heights[i] - heights[first - 1]) / (i - first + 1)
            for j in range(first, i):
                heights[j] = heights[first - 1] + rise * (j - first + 1)
        i += 1
    return bridged


def add_clutter_loop(
    tops: Floats, foot: Floats, trees_here: bool, lowest_m: float, clutter: Floats, trees: Bytes
) -> None:
    for i in range(len(tops)):
        height = tops[i] - foot[i]
        if height >= lowest_m and height > clutter[i]:
            clutter[i] = height
            trees[i] = trees_here


def least_clearance_loop(
    x: Floats, h: Floats, clutter: Floats, tx: float, rx: float, curvature: float, wavelength: float
) -> tuple[float, int]:
    n = len(x)
    length = x[n - 1]
    slope = (rx - tx) / length
    least = -math.inf
    for i in range(1, n - 1):
        over = h[i] + clutter[i] + curvature * (x[i] * (length - x[i])) - (tx + slope * x[i])
        least = larger(least, over)
    if least > 0.0:
        return -1.0, 0
    squared = math.inf
    at = 1
    for i in range(1, n - 1):
        bulge = x[i] * (length - x[i])
        free = tx + slope * x[i] - (h[i] + clutter[i] + curvature * bulge)
        ratio = free * free / bulge
        if ratio < squared:
            squared = ratio
            at = i
    return math.sqrt(squared * length / wavelength), at


def woods_loop(
    x: Floats, h: Floats, clutter: Floats, trees: Bytes, tx: float, rx: float, c: Floats, found: Floats
) -> None:
    n = len(x)
    length = x[n - 1]
    slope = (rx - tx) / length
    per_length = c[WAVELENGTH_M] / length
    for j in range(DEPTH_M, OVER):
        found[j] = 0.0
    first = 0
    for i in range(1, n):
        inside = False
        if trees[i] > 0:
            bulge = x[i] * (length - x[i])
            free = tx + slope * x[i] - CLEAR_RATIO * math.sqrt(bulge * per_length)
            inside = free < h[i] + clutter[i] + c[CURVATURE] * bulge
        if inside and first == 0:
            first = i
        elif first > 0 and not inside:
            add_wood(x, first, i - 1, c, found)
            first = 0


def integrate_loop(x: Floats, h: Floats, clutter: Floats, work: Floats) -> None:
    n = len(x)
    for j in range(4):
        work[j, 0] = 0.0
    step = x[n - 1] / (n - 1)
    work[UNEVEN, 0] = 0.0
    for i in range(n - 1):
        t = x[i + 1] - x[i]
        if abs(t - step) > 1e-6 * step:
            work[UNEVEN, 0] = 1.0
        rise = (h[i + 1] - h[i]) / t
        area, moment, square = cell_integrals(x[i], h[i], rise, t)
        work[0, i + 1] = work[0, i] + area
        work[1, i + 1] = work[1, i] + moment
        work[2, i + 1] = work[2, i] + square
        stands = (clutter[i + 1] > 0.0) * 0.5 + (clutter[i] > 0.0) * 0.5
        work[3, i + 1] = work[3, i] + t * stands


def cell_integrals(x: float, y: float, rise: float, t: float) -> tuple[float, float, float]:
    """Integrals of y, x y and y^2 over the first `t` metres of a straight piece that starts at (x, y)."""
    area = y * t + rise * t * t / 2.0
    return (
        area,
        x * area + y * t * t / 2.0 + rise * t * t * t / 3.0,
        y * y * t + y * rise * t * t + rise * rise * t * t * t / 3.0,
    )


def stretch_at(x: Floats, per_step: float, at: float) -> int:
    """Index of the point before a distance: at once where points are even, else by a walk from there."""
    last = len(x) - 2
    i = min(max(int(at * per_step), 0), last)
    while i > 0 and x[i] > at:
        i -= 1
    while i < last and x[i + 1] <= at:
        i += 1
    return i


def integrals_to(
    x: Floats, h: Floats, work: Floats, per_step: float, at: float
) -> tuple[float, float, float]:
    """Integrals of the ground from the start to a distance."""
    i = stretch_at(x, per_step, at)
    rise = (h[i + 1] - h[i]) / (x[i + 1] - x[i])
    area, moment, square = cell_integrals(x[i], h[i], rise, at - x[i])
    return work[0, i] + area, work[1, i] + moment, work[2, i] + square


def footprint(d: float, h1: float, h2: float, wavelength: float) -> tuple[float, float]:
    """First Fresnel zone on the plane, see `two_ray`."""
    both = h1 + h2
    r2 = math.sqrt(d * d + both * both)
    s = r2 + wavelength / 2.0
    excess = both * both + wavelength * r2 + wavelength * wavelength / 4.0
    b = excess - h2 * h2 + h1 * h1
    root = s * math.sqrt(max(b * b - 4.0 * excess * h1 * h1, 0.0))
    return (d * b - root) / (2.0 * excess), (d * b + root) / (2.0 * excess)


Trial = tuple[float, float, float, float, float, float, float, float, float, float, float, bool, bool]


def try_mirror(
    x: Floats, h: Floats, work: Floats, per_step: float, at: float, tx: float, rx: float, curvature: float,
    wavelength: float,
) -> Trial:  # fmt: skip
    """Fit the reflecting line around a trial point: `two_ray`'s own search, for one point."""
    length = x[-1]
    shortest = length * 1e-6
    back = length / 8.0
    ahead = back
    start = end = middle = slope = variance = psi = p1 = p2 = level = divergence = mirror = 0.0
    possible = settled = False
    for _ in range(6):
        start = min(max(at - back, 0.0), length - shortest)
        end = min(max(at + ahead, start + shortest), length)
        a0, a1, a2 = integrals_to(x, h, work, per_step, start)
        b0, b1, b2 = integrals_to(x, h, work, per_step, end)
        width = end - start
        i0 = b0 - a0
        i1 = b1 - a1
        i2 = b2 - a2
        middle = i0 / width
        slope = 12.0 * (i1 - (start + end) / 2.0 * i0) / (width * width * width)
        variance = max(i2 / width - middle * middle - slope * slope * (width * width) / 12.0, 0.0)
        cosine = 1.0 / math.sqrt(1.0 + slope * slope)
        at_tx = middle - slope * (start + end) / 2.0
        h1 = tx - at_tx
        h2 = rx - at_tx - slope * length
        level = length / cosine + (h2 - h1) * slope * cosine
        p1 = max(h1 * cosine, 1e-3)
        p2 = max(h2 * cosine, 1e-3)
        # a curved earth's specular point
        c = (p1 - p2) / (p1 + p2)
        m = max(curvature * level * level / (2.0 * (p1 + p2)), 1e-30)
        sine = math.sqrt(3.0 * m / ((m + 1.0) * (m + 1.0) * (m + 1.0)))
        sine = math.sin(math.asin(min(max(1.5 * c * sine, -1.0), 1.0)) / 3.0)
        d1 = level * (1.0 + 2.0 * math.sqrt((m + 1.0) / (3.0 * m)) * sine) / 2.0
        d2 = level - d1
        q1 = p1 - curvature * d1 * d1
        q2 = p2 - curvature * d2 * d2
        psi = math.atan2(q1 + q2, level)
        spread = 1.0 + 4.0 * curvature * d1 * d2 / (q1 + q2)
        divergence = 1.0 / math.sqrt(spread) if spread > 0.0 else math.nan
        possible = h1 > 0.0 and h2 > 0.0 and q1 > 0.0 and q2 > 0.0
        mirror = h1 * slope * cosine * cosine + d1 * cosine
        p1 = h1 * cosine
        p2 = h2 * cosine
        q1 = max(q1, 1e-3)
        q2 = max(q2, 1e-3)
        near, far = footprint(level, q1, q2, wavelength)
        flat = level * q1 / (q1 + q2)
        before_back = back
        before_ahead = ahead
        back = (flat - near) * cosine
        ahead = (far - flat) * cosine
        change = abs(back - before_back) + abs(ahead - before_ahead)
        settled = change <= SETTLED * (back + ahead)
        if change < 1e-6:
            break
    return mirror, start, end, middle, slope, variance, psi, p1, p2, level, divergence, possible, settled


def gaps(
    h: Floats, work: Floats, length: float, tx: float, rx: float, curvature: float, wavelength: float,
    points: Floats, gap: Floats, bad: Floats, back: Floats, ahead: Floats,
) -> None:  # fmt: skip
    """Fill `gap` with how far from each trial point the line around it mirrors the ray; `bad` is not below 0
    where it cannot.

    `try_mirror` for many points, without a branch, so that the compiler works on several at once.
    """
    last = float(len(h) - 2)
    step = length / (len(h) - 1)
    per_step = (len(h) - 1) / length
    shortest = length * 1e-6
    moments = work[0]
    firsts = work[1]
    for j in range(len(points)):
        put(back, j, length / 8.0)
        put(ahead, j, length / 8.0)
    for _ in range(6):
        for j in range(len(points)):
            at = own(points, j)
            start = -larger(-larger(at - own(back, j), 0.0), shortest - length)
            end = larger(-larger(-(at + own(ahead, j)), -length), start + shortest)
            i = np.int32(-larger(-(start * per_step), -last))
            x = i * step
            t = start - x
            half = 0.5 * (fetch(h, i + 1) - fetch(h, i)) * per_step * t
            area = (fetch(h, i) + half) * t
            i0 = -(fetch(moments, i) + area)
            i1 = -(fetch(firsts, i) + x * area + t * t * (0.5 * fetch(h, i) + (2.0 / 3.0) * half))
            i = np.int32(-larger(-(end * per_step), -last))
            x = i * step
            t = end - x
            half = 0.5 * (fetch(h, i + 1) - fetch(h, i)) * per_step * t
            area = (fetch(h, i) + half) * t
            i0 += fetch(moments, i) + area
            i1 += fetch(firsts, i) + x * area + t * t * (0.5 * fetch(h, i) + (2.0 / 3.0) * half)
            per_width = 1.0 / (end - start)
            centre = 0.5 * (start + end)
            slope = 12.0 * (i1 - centre * i0) * (per_width * per_width * per_width)
            cosine = 1.0 / math.sqrt(1.0 + slope * slope)
            at_tx = i0 * per_width - slope * centre
            h1 = tx - at_tx
            h2 = rx - at_tx - slope * length
            level = length / cosine + (h2 - h1) * slope * cosine
            p1 = larger(h1 * cosine, 1e-3)
            p2 = larger(h2 * cosine, 1e-3)
            per_both = 1.0 / (p1 + p2)
            m = larger(0.5 * curvature * level * level * per_both, 1e-30)
            per_m = 1.0 / (m + 1.0)
            root = math.sqrt(3.0 * m * per_m)
            z = 1.5 * (p1 - p2) * per_both * root * per_m
            # y = sin(asin(z)/3), by Newton's steps on 3 y - 4 y^3 = z
            z2 = z * z
            y = z * (1.0 / 3.0 + z2 * (4.0 / 81.0 + z2 * (0.0219479 + 0.08 * z2 * z2)))
            y -= (y * (3.0 - 4.0 * y * y) - z) / (3.0 - 12.0 * y * y + 1e-9)
            y -= (y * (3.0 - 4.0 * y * y) - z) / (3.0 - 12.0 * y * y + 1e-9)
            y -= (y * (3.0 - 4.0 * y * y) - z) / (3.0 - 12.0 * y * y + 1e-9)
            d1 = 0.5 * level * (1.0 + 2.0 * y / root)
            d2 = level - d1
            q1 = p1 - curvature * d1 * d1
            q2 = p2 - curvature * d2 * d2
            put(gap, j, h1 * slope * cosine * cosine + d1 * cosine - at)
            put(bad, j, larger(larger(-h1, -h2), larger(-q1, -q2)))
            q1 = larger(q1, 1e-3)
            q2 = larger(q2, 1e-3)
            # `footprint`
            both = q1 + q2
            r2 = math.sqrt(level * level + both * both)
            excess = both * both + wavelength * r2 + 0.25 * wavelength * wavelength
            b = excess + (q1 - q2) * both
            wide = (r2 + 0.5 * wavelength) * math.sqrt(larger(b * b - 4.0 * excess * q1 * q1, 0.0))
            per_excess = 0.5 / excess
            middle = level * b * per_excess
            flat = level * q1 / both
            put(back, j, (flat - middle + wide * per_excess) * cosine)
            put(ahead, j, (middle + wide * per_excess - flat) * cosine)


def crossing(
    x: Floats, h: Floats, work: Floats, per_step: float, low: float, below: float, high: float, above: float,
    tx: float, rx: float, curvature: float, wavelength: float,
) -> float:  # fmt: skip
    """Where a gap passes through 0 between two trial points, by false position held inside (Illinois)."""
    near = x[-1] * ASIDE
    side = 0
    point = low
    for _ in range(40):
        point = (low * above - high * below) / (above - below)
        if high - low < near:
            break
        gap = try_mirror(x, h, work, per_step, point, tx, rx, curvature, wavelength)[0] - point
        if abs(gap) < 10.0 * near:
            break
        if (gap < 0.0) == (below < 0.0):
            low = point
            below = gap
            if side == 1:
                above *= 0.5
            side = 1
        else:
            high = point
            above = gap
            if side == 2:
                below *= 0.5
            side = 2
    return point


def reflect_loop(
    x: Floats, h: Floats, clutter: Floats, work: Floats, tx: float, rx: float, radius_km: float,
    wavelength: float,
) -> Mirror:  # fmt: skip
    n = len(x)
    length = x[n - 1]
    per_step = (n - 1) / length
    curvature = 0.0005 / radius_km
    strength = -1.0
    best = (False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    points = work[4, :TRIALS]
    gap = work[5, :TRIALS]
    bad = work[6, :TRIALS]
    for j in range(TRIALS):
        points[j] = length * TRIAL_AT[j]
    if work[UNEVEN, 0] > 0.0:
        for j in range(TRIALS):
            trial = try_mirror(x, h, work, per_step, points[j], tx, rx, curvature, wavelength)
            gap[j] = trial[0] - points[j]
            bad[j] = -1.0 if trial[11] else 1.0
    else:
        gaps(
            h, work, length, tx, rx, curvature, wavelength, points, gap, bad,
            work[7, :TRIALS], work[8, :TRIALS],
        )  # fmt: skip
    for j in range(1, TRIALS):
        if bad[j] >= 0.0 or bad[j - 1] >= 0.0 or (gap[j] < 0.0) == (gap[j - 1] < 0.0):
            continue
        middle = crossing(
            x, h, work, per_step, points[j - 1], gap[j - 1], points[j], gap[j], tx, rx, curvature, wavelength
        )
        final = try_mirror(x, h, work, per_step, middle, tx, rx, curvature, wavelength)
        meets = final[11] and final[12] and abs(final[0] - middle) < length * MEETS
        for side in (-1.0, 1.0):
            if meets:
                at = middle + side * ASIDE * length
                beside = try_mirror(x, h, work, per_step, at, tx, rx, curvature, wavelength)
                meets = beside[11] and beside[12] and abs(beside[0] - at) < length * MEETS
        if meets:
            worth, mirror = judge(x, h, clutter, work, per_step, final, tx, rx, curvature, wavelength)
            if worth > strength:
                strength = worth
                best = mirror
    return best


def judge(
    x: Floats, h: Floats, clutter: Floats, work: Floats, per_step: float, trial: Trial, tx: float, rx: float,
    curvature: float, wavelength: float,
) -> tuple[float, Mirror]:  # fmt: skip
    """Strength of a reflection, -1 where one of its legs is blocked, and the reflection."""
    n = len(x)
    length = x[n - 1]
    at, start, end, middle, slope, variance, psi, p1, p2, level, divergence, _, _ = trial
    height = middle + slope * (at - (start + end) / 2.0)
    mirror = height + curvature * at * (length - at)
    sine = math.sin(psi)
    roughness = math.sqrt(variance)
    allowed = max(wavelength / (8.0 * sine), 3.0 * roughness)
    best = (True, at, psi, p1, p2, level, height, slope, roughness, 0.0)
    for i in range(n):
        leg = (
            tx + (mirror - tx) * x[i] / at if x[i] < at
            else rx + (mirror - rx) * (length - x[i]) / (length - at)
        )  # fmt: skip
        over = h[i] + curvature * x[i] * (length - x[i]) - leg
        if start <= x[i] <= end:
            over -= allowed
        else:
            over += clutter[i]
        if over > 0.0:
            return -1.0, best
    share = (covered_to(x, work, per_step, end) - covered_to(x, work, per_step, start)) / (end - start)
    phase = 4.0 * math.pi * roughness * sine / wavelength
    worth = math.exp(-phase * phase / 2.0) * divergence * (1.0 - share)
    return worth, (True, at, psi, p1, p2, level, height, slope, roughness, share)


def covered_to(x: Floats, work: Floats, per_step: float, at: float) -> float:
    """Length with clutter from the start to a distance."""
    i = stretch_at(x, per_step, at)
    covered: float = work[3, i] + (work[3, i + 1] - work[3, i]) * (at - x[i]) / (x[i + 1] - x[i])
    return covered


def spaced_loop(length: float, x: Floats, d: Floats) -> None:
    n = len(x)
    step = length / (n - 1)
    for i in range(n):
        x[i] = step * i
        d[i] = step * i * 1e-3
    x[n - 1] = length
    d[n - 1] = length * 1e-3


def take_loop(fine: Floats, every: int, coarse: Floats) -> None:
    for i in range(len(coarse)):
        coarse[i] = fine[i * every]


def stack_loop(h: Floats, clutter: Floats, tops: Floats) -> None:
    for i in range(len(h)):
        tops[i] = h[i] + clutter[i]


def fell_loop(clutter: Floats, trees: Bytes, bare: Floats) -> None:
    for i in range(len(clutter)):
        bare[i] = 0.0 if trees[i] > 0 else clutter[i]


# ---------------------------------------------------------------- one position


def add_wood(x: Floats, first: int, last: int, c: Floats, found: Floats) -> None:
    """Add one stretch of trees, from point to point, both included."""
    n = len(x)
    depth = 0.5 * (x[last + 1] + x[last] - x[first] - x[first - 1])
    near = first == 1 or x[first] <= AROUND_M
    far = last == n - 2 or x[n - 1] - x[last] <= AROUND_M
    found[DEPTH_M] += depth
    for j in range(3):
        per_metre = c[LEAF_DB_M + 3 * j]
        most = c[LEAF_MOST_DB + 3 * j]
        wet = c[LEAF_WET_DB + 3 * j]
        if near and far:
            found[WOODS_DB + j] += 2.0 * wood_loss(0.5 * depth, True, per_metre, most, wet)
        else:
            found[WOODS_DB + j] += wood_loss(depth, near or far, per_metre, most, wet)


def wood_loss(depth: float, around_antenna: bool, per_metre: float, most: float, wet: float) -> float:
    """`vegetation.woodland_loss_db` around an antenna, else `vegetation.belt_loss_db`."""
    loss = min(depth * per_metre, most)
    if around_antenna:
        loss = -most * math.expm1(-depth * per_metre / most)
    if wet > 0.0:
        loss -= wet * math.expm1(-loss / wet)
    return loss


def cut(
    cells: Singles, native: Bytes, windows: Integers, maps: Floats, layers: int, tree_surface: bool,
    east: float, north: float, length: float, finer: int, outward: bool, c: Floats,
    fine: Floats, x: Floats, d: Floats, h: Floats, clutter: Floats, tops: Floats, foot: Floats, trees: Bytes,
    powers: Floats, result: Floats,
) -> int:  # fmt: skip
    """Cut the profile as `linkcalc.terrain.profile.cut_profile` does; return what became of it."""
    n = len(x)
    known = heights_along(GROUND, cells, native, windows, maps, east, north, outward, powers, len(fine), fine)
    bridged = 0.0
    if not known:
        if math.isnan(fine[0]) or math.isnan(fine[-1]):
            return NO_HEIGHT
        bridged = bridge(fine, length / (len(fine) - 1), c[LARGEST_HOLE_M])
        if bridged < 0.0:
            return HOLE
    take(fine, finer, h)
    spaced(length, x, d)
    clutter[:] = 0.0
    if layers > 1:
        trees[:] = 0
        heights_along(SURFACE, cells, native, windows, maps, east, north, outward, powers, n, tops)
        add_clutter(tops, h, tree_surface, c[LOWEST_CLUTTER_M], clutter, trees)
        heights_along(CANOPY, cells, native, windows, maps, east, north, outward, powers, n, tops)
        foot[:] = 0.0
        add_clutter(tops, foot, True, c[LOWEST_CLUTTER_M], clutter, trees)
        clutter[0] = clutter[-1] = 0.0
        trees[0] = trees[-1] = 0
    result[NEAR_GROUND_M] = h[0]
    result[FAR_GROUND_M] = h[-1]
    result[BRIDGED_M] = bridged
    result[SPACING_M] = length / (n - 1)
    return GOOD


def rules(
    x: Floats, d: Floats, h: Floats, clutter: Floats, tops: Floats, zone: NDArray[np.int8], work: Floats,
    htg: float, hrg: float, latitude: float, low_k: float, vertical: bool, c: Floats, spread: bool,
    found: Floats, tail: Floats,
) -> None:  # fmt: skip
    """Rules 1 to 3 of `linkcalc.path_loss` over one clutter, all but the two-ray sum itself."""
    length = x[-1]
    tx = h[0] + htg
    rx = h[-1] + hrg
    wavelength = c[WAVELENGTH_M]
    curvature = c[CURVATURE]
    ratio, worst = least_clearance(x, h, clutter, tx, rx, curvature, wavelength)
    kind = MIRRORS_NOT
    if ratio >= 0.0:
        if math.isnan(work[0, 0]):
            integrate(x, h, clutter, work)
        some, at, psi, p1, p2, level, height, slope, roughness, share = reflect(
            x, h, clutter, work, tx, rx, c[RADIUS_KM], wavelength
        )
        if some:
            rough = roughness if math.isnan(c[ROUGHNESS_M]) else c[ROUGHNESS_M]
            if rough < wavelength / (8.0 * math.sin(psi)) and share <= 0.5 and psi >= c[GRAZING_LIMIT_RAD]:
                kind = MIRRORS
                above = h[worst] + clutter[worst] - (height + slope * (x[worst] - at))
                zone_m = math.sqrt(wavelength * x[worst] * (length - x[worst]) / length)
                if ratio < CLEAR_RATIO and above > MIRROR_RATIO * zone_m:
                    kind = MIRRORS_BUT
                found[MIRROR_TX_M] = p1
                found[MIRROR_RX_M] = p2
                found[MIRROR_LENGTH_M] = level
                found[MIRROR_ROUGHNESS_M] = rough
    found[RATIO] = ratio
    found[MIRROR] = kind
    found[STANDARD_DB] = math.nan
    found[SCATTERS] = 0.0
    if kind == MIRRORS and not spread:
        return
    f = c[FREQUENCY_GHZ]
    rise = tx - rx
    slant = 20.0 * math.log10(4.0 * math.pi * math.sqrt(length * length + rise * rise) / wavelength)
    if length < P1812_SHORTEST_M:
        excess = k.delta_bullington(d, h, tops, tx, rx, c[RADIUS_KM], 0.0, f, vertical)
        found[STANDARD_DB] = slant + excess
        if spread:
            tail[ENHANCED_DB] = 0.0
            tail[DEEPER_DB] = 0.0
        return
    path = p1812.path_of_profile(d, h, tops, zone, htg, hrg, c[DELTA_N], latitude, 500.0, 500.0)
    median = p1812.losses(path, f, 50.0, 50.0, 0.0, 0.0, 0.0, c[N0], vertical)
    scatters = length >= SCATTER_SHORTEST_M or slant + median.Ld50_db <= median.Lb_db + SCATTER_DB
    found[SCATTERS] = scatters
    found[STANDARD_DB] = median.Lb_db if scatters else slant + median.Ld50_db
    if spread:
        often = p1812.losses(path, f, 10.0, 50.0, 0.0, 0.0, 0.0, c[N0], vertical)
        low_km = low_k * p1812.EARTH_RADIUS_KM
        deep = k.delta_bullington(d, h, tops, tx, rx, low_km, 0.0, f, vertical)
        tail[ENHANCED_DB] = median.Lb_db - often.Lb_db
        tail[DEEPER_DB] = deep - median.Ld50_db


def all_pairs(
    x: Floats, d: Floats, h: Floats, clutter: Floats, tops: Floats, bare: Floats, trees: Bytes, wooded: bool,
    zone: NDArray[np.int8], work: Floats, heights: Floats, latitude: float, low_k: float, vertical: bool,
    spread: bool, c: Floats, result: Floats,
) -> None:  # fmt: skip
    """The rules for one pair of antenna heights after the other, the first with its spread if asked."""
    variants = len(heights) // 2
    tail = HEAD + VARIANT * variants
    stack(h, clutter, tops)
    work[0, 0] = math.nan  # not integrated yet
    deep = False
    for j in range(variants):
        block = result[HEAD + VARIANT * j : HEAD + VARIANT * (j + 1)]
        htg = heights[2 * j]
        hrg = heights[2 * j + 1]
        block[DEPTH_M] = 0.0
        if wooded:
            woods(x, h, clutter, trees, h[0] + htg, h[-1] + hrg, c, block)
            deep = deep or block[DEPTH_M] > 0.0
        rules(
            x, d, h, clutter, tops, zone, work, htg, hrg, latitude, low_k, vertical, c,
            spread and j == 0, block[OVER : OVER + RULES], result[tail : tail + 2],
        )  # fmt: skip
    if not deep:
        return
    fell(clutter, trees, bare)
    stack(h, bare, tops)
    work[0, 0] = math.nan
    for j in range(variants):
        block = result[HEAD + VARIANT * j : HEAD + VARIANT * (j + 1)]
        if block[DEPTH_M] > 0.0:
            rules(
                x, d, h, bare, tops, zone, work, heights[2 * j], heights[2 * j + 1], latitude, low_k,
                vertical, c, spread and j == 0, block[BARE : BARE + RULES], result[tail + 2 : tail + 4],
            )  # fmt: skip


def position(
    i: int,
    cells: Singles, native: Bytes, windows: Integers, maps: Floats, layers: int, tree_surface: bool,
    places: Floats, steps: Integers, heights: Floats, outward: bool, vertical: bool, spread: bool,
    c: Floats, zone: NDArray[np.int8], scratch: Floats, trees: Bytes, powers: Floats, results: Floats,
) -> None:  # fmt: skip
    """Everything about position `i`, into its row of `results`."""
    east, north, length, latitude, low_k = (
        places[i, 0], places[i, 1], places[i, 2], places[i, 3], places[i, 4],
    )  # fmt: skip
    n = steps[i, 0] + 1
    finer = steps[i, 1]
    fine = scratch[0, : steps[i, 0] * finer + 1]
    x = scratch[1, :n]
    d = scratch[2, :n]
    h = scratch[3, :n]
    clutter = scratch[4, :n]
    tops = scratch[5, :n]
    bare = scratch[6, :n]
    work = scratch[WORK_FIRST : WORK_FIRST + WORK_ROWS]
    result = results[i]
    status = cut(
        cells, native, windows, maps, layers, tree_surface, east, north, length, finer, outward, c,
        fine, x, d, h, clutter, tops, bare, trees[:n], powers, result,
    )  # fmt: skip
    result[STATUS] = status
    if status != GOOD:
        return
    all_pairs(
        x, d, h, clutter, tops, bare, trees[:n], layers > 1, zone[:n], work, heights[i], latitude, low_k,
        vertical, spread, c, result,
    )  # fmt: skip


def positions(
    cells: Singles, native: Bytes, windows: Integers, maps: Floats, layers: int, tree_surface: bool,
    places: Floats, steps: Integers, heights: Floats, outward: bool, vertical: bool, spread: bool,
    c: Floats, zone: NDArray[np.int8], scratch: Floats, trees: Bytes, powers: Floats, results: Floats,
) -> None:  # fmt: skip
    """`position` for every row of `places`."""
    for i in range(len(places)):
        position(
            i, cells, native, windows, maps, layers, tree_surface, places, steps, heights, outward, vertical,
            spread, c, zone, scratch, trees, powers, results,
        )  # fmt: skip


def diffractions(
    cells: Singles, native: Bytes, windows: Integers, maps: Floats,
    places: Floats, steps: Integers, htg: float, hrg: float, outward: bool, vertical: bool, c: Floats,
    scratch: Floats, powers: Floats, lanes: Floats, waiting: Floats, losses_db: Floats,
) -> None:  # fmt: skip
    """Delta-Bullington diffraction loss over bare ground to every position, NaN without a profile.

    `_kernels.delta_bullington` in steps, each for many positions at once. `waiting` holds those for which the
    smooth earth matters.
    """
    a = c[RADIUS_KM]
    f = c[FREQUENCY_GHZ]
    count = 0
    for first in range(0, len(places), LANES):
        some = min(LANES, len(places) - first)
        for j in range(some):
            i = first + j
            n = steps[i, 0]
            h = scratch[0, : filled_up(n)]
            step = 1e-3 * places[i, 2] / n
            known = ground_along(
                cells, native, windows, maps, places[i, 0], places[i, 1], outward, powers, n, step,
                c[LARGEST_HOLE_M], h,
            )  # fmt: skip
            look(h, n, step, htg, hrg, a, j, lanes)
            lanes[KNOWN * LANES + j] = 0.0 if known else math.nan
        repeat_last(some, lanes)
        edges(a, f, lanes)
        for j in range(some):
            losses_db[first + j] = lanes[LOSS_DB * LANES + j] + lanes[KNOWN * LANES + j]
            if lanes[NEARS * LANES + j] > 0.0:
                for row in range(WAITING):
                    waiting[row * LANES + count] = lanes[row * LANES + j]
                waiting[WHERE * LANES + count] = first + j
                count += 1
                if count == LANES:
                    excesses(a, f, vertical, waiting)
                    add_excesses(count, waiting, losses_db)
                    count = 0
    if count > 0:
        repeat_last(count, waiting)
        excesses(a, f, vertical, waiting)
        add_excesses(count, waiting, losses_db)


LANES = 64
"""Positions of which a step is done at once."""
(
    LENGTH, STEP, STEPS, H1, H2, NEARS,
    KNOWN, TX_GROUND, RX_GROUND, TX, RX, PLAIN, MOMENT, HOBS, AT, AR, STIM, SRIM, CLEAR_NU, LOSS_DB,
) = range(20)  # fmt: skip
WAITING = 5
"""Rows of lanes that are kept for the smooth earth; there, further ones take the place of the others."""
WHERE, LOW, HIGH, LINE, SMOOTH_STIM, SMOOTH_SRIM, EXCESS_DB = range(5, 12)
LANE_ROWS = 20


AT_ONCE = 8
"""Points of which a loop does so many at once; profiles are filled up, so that none is left over."""


def filled_up(n: int) -> int:
    """Points of a profile of n steps, filled up."""
    return (n + AT_ONCE) // AT_ONCE * AT_ONCE


def ground_along(
    cells: Singles, native: Bytes, windows: Integers, maps: Floats, east: float, north: float, outward: bool,
    powers: Floats, n: int, step: float, largest_hole_m: float, h: Floats,
) -> bool:  # fmt: skip
    """Cut a profile of the ground in n steps (km) into `h`, filled up; whether there is one."""
    known = heights_along(GROUND, cells, native, windows, maps, east, north, outward, powers, n + 1, h)
    if not known and not (math.isnan(h[0]) or math.isnan(h[n])):
        known = bridge(h[: n + 1], 1e3 * step, largest_hole_m) >= 0.0
    if not known:
        h[:] = 0.0
    return known


def ground_along_loop(
    cells: Singles, native: Bytes, windows: Integers, maps: Floats, east: float, north: float, outward: bool,
    powers: Floats, n: int, step: float, largest_hole_m: float, h: Floats,
) -> bool:  # fmt: skip
    w = 0
    while w < len(windows) and windows[w, LAYER] != GROUND:
        w += 1
    known = w < len(windows) and windows[w, COMPLETE] == 1
    if known:  # without a call between, which costs as much as some points
        along(maps[w, 0], east, north, powers[0])
        along(maps[w, 1], east, north, powers[1])
        offset = windows[w, OFFSET]
        columns = windows[w, COLUMNS]
        sample_complete(
            cells[offset : offset + columns * windows[w, ROWS]], columns, outward, powers, n + 1, h
        )
        return True
    heights_along(GROUND, cells, native, windows, maps, east, north, outward, powers, n + 1, h)
    if not (math.isnan(h[0]) or math.isnan(h[n])):
        known = bridge(h[: n + 1], 1e3 * step, largest_hole_m) >= 0.0
    if not known:
        h[:] = 0.0
    return known


def look(h: Floats, n: int, step: float, htg: float, hrg: float, a: float, j: int, lanes: Floats) -> None:
    """One look at a profile of even steps (km), filled up: what the following steps need of it."""
    bulge = 500.0 / a
    length = step * n
    tx = h[0] + htg
    rx = h[n] + hrg
    line = (rx - tx) / length
    plain, moment, hobs, at, ar, stim, srim = slopes(h, n, step, tx, rx, line, bulge)
    chord = bulge * length
    lanes[LENGTH * LANES + j] = length
    lanes[STEP * LANES + j] = step
    lanes[STEPS * LANES + j] = n
    lanes[TX_GROUND * LANES + j] = h[0]
    lanes[RX_GROUND * LANES + j] = h[n]
    lanes[TX * LANES + j] = tx
    lanes[RX * LANES + j] = rx
    lanes[PLAIN * LANES + j] = plain
    lanes[MOMENT * LANES + j] = moment
    lanes[HOBS * LANES + j] = hobs - tx
    lanes[AT * LANES + j] = at - line
    lanes[AR * LANES + j] = ar + line
    lanes[STIM * LANES + j] = stim + chord
    lanes[SRIM * LANES + j] = srim + chord
    if stim + chord < line:
        lanes[CLEAR_NU * LANES + j] = -math.sqrt(nearest(h, step, n, tx, line, bulge) * 0.002 * length)


def repeat_last(some: int, lanes: Floats) -> None:
    """Fill the lanes after the first `some` with the last of them."""
    for row in range(LANE_ROWS):
        for j in range(some, LANES):
            lanes[row * LANES + j] = lanes[row * LANES + some - 1]


def edges(a: float, f: float, lanes: Floats) -> None:
    """Bullington's edge, the antennas' heights over the smooth earth, and whether that matters."""
    for j in range(LANES):
        length = lanes[LENGTH * LANES + j]
        step = lanes[STEP * LANES + j]
        tx = lanes[TX * LANES + j]
        rx = lanes[RX * LANES + j]
        stim = lanes[STIM * LANES + j]
        tx_ground = lanes[TX_GROUND * LANES + j]
        rx_ground = lanes[RX_GROUND * LANES + j]
        v1 = step * (2.0 * lanes[PLAIN * LANES + j] + tx_ground + rx_ground)
        v2 = step * (6.0 * lanes[MOMENT * LANES + j] + rx_ground * (3.0 * length - step) + tx_ground * step)
        scan = k.Scan(
            v1, v2, lanes[HOBS * LANES + j], lanes[AT * LANES + j], lanes[AR * LANES + j],
            0.0, 0, 0.0, 0, 0.0, 0.0, 0.0, 0.0,
        )  # fmt: skip
        surface = k.fit_surface(scan, length, tx_ground, rx_ground)
        nu = k.bullington_edge(stim, lanes[SRIM * LANES + j], length, tx, rx, step, length - step)
        nu = nu if stim >= (rx - tx) / length else lanes[CLEAR_NU * LANES + j]
        h1 = tx - surface.hstd
        h2 = rx - surface.hsrd
        lanes[H1 * LANES + j] = h1
        lanes[H2 * LANES + j] = h2
        lanes[LOSS_DB * LANES + j] = k.bullington(nu, length, f)
        lanes[NEARS * LANES + j] = 1.0 if nears(k.sphere_of_path(length, h1, h2, a), f) else 0.0


def nears(sphere: k.Sphere, f: float) -> bool:
    """Whether a smooth earth loses anything."""
    return sphere.beyond or sphere.hse < 17.456 * math.sqrt(sphere.reach * (k.LAMBDA_GHZ_M / f))


def excesses(a: float, f: float, vertical: bool, lanes: Floats) -> None:
    """What the smooth earth loses more than Bullington's edge over it, for waiting positions."""
    bulge = 500.0 / a
    most = 0.0
    for j in range(LANES):
        length = lanes[LENGTH * LANES + j]
        n = lanes[STEPS * LANES + j]
        stim, srim = smooth_horizons(
            lanes[H1 * LANES + j], lanes[H2 * LANES + j], length, lanes[STEP * LANES + j], n, a
        )
        lanes[SMOOTH_STIM * LANES + j] = stim
        lanes[SMOOTH_SRIM * LANES + j] = srim
        lanes[LINE * LANES + j] = (lanes[H2 * LANES + j] - lanes[H1 * LANES + j]) / length
        lanes[LOW * LANES + j] = 1.0
        lanes[HIGH * LANES + j] = n - 1.0
        most = larger(most, n)
    while most > 1.0:
        most *= 0.5
        for j in range(LANES):
            low = lanes[LOW * LANES + j]
            high = lanes[HIGH * LANES + j]
            middle = k.floor(0.5 * (low + high))
            falls = clearance_falls(
                lanes[H1 * LANES + j], lanes[LINE * LANES + j], bulge, lanes[LENGTH * LANES + j],
                lanes[STEP * LANES + j], middle,
            )  # fmt: skip
            lanes[LOW * LANES + j] = smaller(middle + 1.0, high) if falls else low
            lanes[HIGH * LANES + j] = high if falls else middle
    for j in range(LANES):
        length = lanes[LENGTH * LANES + j]
        step = lanes[STEP * LANES + j]
        h1 = lanes[H1 * LANES + j]
        h2 = lanes[H2 * LANES + j]
        line = lanes[LINE * LANES + j]
        stim = lanes[SMOOTH_STIM * LANES + j]
        free = smooth_clearance(h1, line, bulge, length, lanes[LOW * LANES + j] * step)
        nu = k.bullington_edge(stim, lanes[SMOOTH_SRIM * LANES + j], length, h1, h2, step, length - step)
        nu = nu if stim >= line else -math.sqrt(free * 0.002 * length)
        sphere = k.sphere_of_path(length, h1, h2, a)
        excess = k.spherical(sphere, length, 0.0, f, vertical) - k.bullington(nu, length, f)
        lanes[EXCESS_DB * LANES + j] = larger(excess, 0.0)


def add_excesses(count: int, waiting: Floats, losses_db: Floats) -> None:
    """Add what the smooth earth loses more to the positions that waited."""
    for j in range(count):
        losses_db[int(waiting[WHERE * LANES + j])] += waiting[EXCESS_DB * LANES + j]


def smooth_excess(
    h1: float, h2: float, length: float, step: float, n: int, a: float, f: float, vertical: bool
) -> float:
    """What a smooth earth loses more than Bullington's edge over it, dB; nothing where it is well below."""
    sphere = k.sphere_of_path(length, h1, h2, a)
    if not nears(sphere, f):
        return 0.0
    edge: float = k.bullington(smooth_nu(h1, h2, length, step, n, a), length, f)
    excess: float = max(k.spherical(sphere, length, 0.0, f, vertical) - edge, 0.0)
    return excess


# ---------------------------------------------------------------- shared rays


def fill_ray(h: Floats, step_m: float, largest_m: float) -> tuple[int, int]:
    """Bridge the holes of a ray; return how many, and the point from which on nothing is known."""
    n = len(h)
    holes = 0
    i = 1
    while i < n:
        if math.isnan(h[i]):
            first = i
            while i < n and math.isnan(h[i]):
                i += 1
            if i == n or (i - first) * step_m > largest_m:
                return holes, first
            for j in range(first, i):
                h[j] = h[first - 1] + (h[i] - h[first - 1]) * (j - first + 1) / (i - first + 1)
            holes += 1
        i += 1
    return holes, n


def smooth_nu(h1: float, h2: float, length: float, step: float, n: int, a: float) -> float:
    """`smooth_bullington_nu` for n even steps."""
    bulge = 500.0 / a
    line = (h2 - h1) / length
    stim, srim = smooth_horizons(h1, h2, length, step, float(n), a)
    if stim >= line:
        return k.bullington_edge(stim, srim, length, h1, h2, step, (n - 1) * step)
    # in line of sight the clearance over the zone's width falls to one least value and rises again
    low = 1
    high = n - 1
    while low < high:
        middle = (low + high) // 2
        if clearance_falls(h1, line, bulge, length, step, float(middle)):
            low = middle + 1
        else:
            high = middle
    return -math.sqrt(smooth_clearance(h1, line, bulge, length, step * low) * 0.002 * length)


def smooth_horizons(
    h1: float, h2: float, length: float, step: float, n: float, a: float
) -> tuple[float, float]:
    """Steepest slopes from either antenna to the inner points of a smooth earth, bulge added.

    Each is to a point beside the place at which the ray would touch.
    """
    bulge = 500.0 / a
    i = k.floor(smaller(larger(math.sqrt(h1 * a / 500.0) / step, 1.0), n - 1.0))
    left = i * step
    right = smaller(i + 1.0, n - 1.0) * step
    stim = larger(bulge * (length - left) - h1 / left, bulge * (length - right) - h1 / right)
    i = k.floor(smaller(larger((length - math.sqrt(h2 * a / 500.0)) / step, 1.0), n - 1.0))
    left = i * step
    right = smaller(i + 1.0, n - 1.0) * step
    srim = larger(bulge * left - h2 / (length - left), bulge * right - h2 / (length - right))
    return stim, srim


def clearance_falls(h1: float, line: float, bulge: float, length: float, step: float, i: float) -> bool:
    """Whether the clearance over a smooth earth is less at the next step, weighed by the zone's width."""
    x = step * i
    y = step * (i + 1.0)
    x_both = x * (length - x)
    y_both = y * (length - y)
    x_free = h1 + line * x - bulge * x_both
    y_free = h1 + line * y - bulge * y_both
    return x_free * x_free * y_both > y_free * y_free * x_both


def smooth_clearance(h1: float, line: float, bulge: float, length: float, x: float) -> float:
    """Square of the clearance over a smooth earth, over the product of both distances."""
    both = x * (length - x)
    free = h1 + line * x - bulge * both
    return free * free / both


def extend_hull(hull: Integers, size: int, x: Floats, y: Floats, new: int) -> int:
    """Add a point on the right to an upper convex hull; return its new size."""
    while size > 1:
        b = hull[size - 1]
        a = hull[size - 2]
        if (y[b] - y[a]) * (x[new] - x[b]) > (y[new] - y[b]) * (x[b] - x[a]):
            break
        size -= 1
    hull[size] = new
    return size + 1


def tangent(hull: Integers, size: int, x: Floats, y: Floats, at: float, height: float) -> float:
    """Largest slope up from a point on the right to a hull."""
    low = 0
    high = size - 1
    while low < high:
        middle = (low + high) // 2
        i = hull[middle]
        j = hull[middle + 1]
        if (y[i] - height) * (at - x[j]) < (y[j] - height) * (at - x[i]):
            low = middle + 1
        else:
            high = middle
    slope: float = (y[hull[low]] - height) / (at - x[hull[low]])
    return slope


def highest_over(hull: Integers, size: int, x: Floats, y: Floats, slope: float) -> float:
    """Largest height of a hull over a line through the origin."""
    low = 0
    high = size - 1
    while low < high:
        middle = (low + high) // 2
        i = hull[middle]
        j = hull[middle + 1]
        if y[i] - slope * x[i] < y[j] - slope * x[j]:
            low = middle + 1
        else:
            high = middle
    height: float = y[hull[low]] - slope * x[hull[low]]
    return height


def rays(
    cells: Singles, native: Bytes, windows: Integers, maps: Floats, ends: Floats, step: float, own_m: float,
    other_m: float, vertical: bool, c: Floats, scratch: Floats, powers: Floats, hulls: Integers,
    ground: Floats, loss: Floats, clear: Floats,
) -> None:  # fmt: skip
    """Delta-Bullington loss at every point of every ray; on the way out, what lies behind is never looked at
    twice: running maxima forward, tangents to convex hulls backward, running sums for the smooth surface."""
    a = c[RADIUS_KM]
    f = c[FREQUENCY_GHZ]
    bulge = 500.0 / a
    points = ground.shape[1]
    h = scratch[0]
    x = scratch[1]
    over = scratch[2]
    top = scratch[3]
    for i in range(len(ends)):
        heights_along(
            GROUND, cells, native, windows, maps, ends[i, 0], ends[i, 1], True, powers, points, top[:points]
        )
        for j in range(points):
            h[j] = top[j]
        _, beyond = fill_ray(h, step * 1e3, c[LARGEST_HOLE_M])
        for j in range(points):
            x[j] = step * j
            over[j] = h[j] - bulge * x[j] * x[j]
            ground[i, j] = h[j] if j < beyond else math.nan
        tx = h[0] + own_m
        steepest = -math.inf
        steepest_over = -math.inf
        plain = 0.0
        moment = 0.0
        size = 0
        size_over = 0
        for n in range(2, beyond):
            new = n - 1
            slope = (h[new] - tx) / x[new]
            steepest = max(steepest, slope)
            steepest_over = max(steepest_over, slope - bulge * x[new])
            plain += h[new]
            moment += x[new] * h[new]
            size = extend_hull(hulls[0], size, x, h, new)
            size_over = extend_hull(hulls[1], size_over, x, over, new)
            length = x[n]
            rx = h[n] + other_m
            line = (rx - tx) / length
            v1 = step * (2.0 * plain + h[0] + h[n])
            v2 = step * (6.0 * moment + h[n] * (3.0 * length - step) + h[0] * step)
            hobs = highest_over(hulls[0], size, x, h, line) - tx
            at = 0.0
            ar = 0.0
            if hobs > 0.0:
                at = steepest - line
                ar = tangent(hulls[0], size, x, h, length, rx) + line
            scan = k.Scan(v1, v2, hobs, at, ar, 0.0, 0, 0.0, 0, 0.0, 0.0, 0.0, 0.0)
            surface = k.fit_surface(scan, length, h[0], h[n])
            stim = steepest_over + bulge * length
            blocked = stim >= line
            nu = 0.0
            if blocked:
                srim = tangent(hulls[1], size_over, x, over, length, rx - bulge * length * length)
                nu = k.bullington_edge(stim, srim - bulge * length, length, tx, rx, step, length - step)
                clear[i, n] = -1.0
            else:
                least = nearest(h, step, n, tx, line, bulge)
                nu = -math.sqrt(least * 0.002 * length)
                clear[i, n] = -nu / math.sqrt(2.0 * c[WAVELENGTH_M])
            h1 = tx - surface.hstd
            h2 = rx - surface.hsrd
            loss[i, n] = k.bullington(nu, length, f) + smooth_excess(h1, h2, length, step, n, a, f, vertical)


def nearest(h: Floats, step: float, n: int, tx: float, line: float, bulge: float) -> float:
    """Smallest square of the clearance over the product of both distances, over the inner of n + 1 points."""
    length = step * n
    x = step * np.arange(1, n)
    both = x * (length - x)
    free = tx + line * x - h[1:n] - bulge * both
    return float((free * free / both).min())


def nearest_loop(h: Floats, step: float, n: int, tx: float, line: float, bulge: float) -> float:
    length = step * n
    least = -math.inf
    for j in range(1, n):
        x = step * j
        both = x * (length - x)
        free = tx + line * x - h[j] - bulge * both
        least = larger(least, -(free * free / both))
    return -least


def slopes(h: Floats, n: int, step: float, tx: float, rx: float, line: float, bulge: float) -> Slopes:
    """Over the inner points: sums of height and of height times distance; the largest height over the
    line's slope; the steepest slopes up from either end; the same where a point falls away with the earth."""
    x = step * np.arange(1, n)
    y = step * n - x
    inner = h[1:n]
    t = (inner - tx) / x
    r = (inner - rx) / y
    return (
        float(inner.sum()), float((inner * x).sum()), float((inner - line * x).max()),
        float(t.max()), float(r.max()), float((t - bulge * x).max()), float((r - bulge * y).max()),
    )  # fmt: skip


def slopes_loop(h: Floats, n: int, step: float, tx: float, rx: float, line: float, bulge: float) -> Slopes:
    length = step * n
    hobs = -math.inf
    at = -math.inf
    ar = -math.inf
    stim = -math.inf
    srim = -math.inf
    for j in range(filled_up(n)):
        inner = (j > 0) & (j < n)
        x = step * j
        y = length - x
        hobs = larger(hobs, h[j] - line * x if inner else -math.inf)
        # one division for both
        per_both = 1.0 / (x * y)
        t = (h[j] - tx) * (y * per_both) if inner else -math.inf
        r = (h[j] - rx) * (x * per_both) if inner else -math.inf
        at = larger(at, t)
        ar = larger(ar, r)
        stim = larger(stim, t - bulge * x)
        srim = larger(srim, r - bulge * y)
    plain, moment = height_sums(h, n, step)
    return plain, moment, hobs, at, ar, stim, srim


def height_sums(h: Floats, n: int, step: float) -> tuple[float, float]:
    """Sums of height and of height times distance; apart because a sum has to be reordered to be fast."""
    plain = 0.0
    moment = 0.0
    for j in range(filled_up(n)):
        height = h[j] if (j > 0) & (j < n) else 0.0
        plain += height
        moment += height * j
    return plain, moment * step


def lane_space() -> tuple[Floats, Floats]:
    """Lanes and waiting for `diffractions`."""
    return np.zeros(LANE_ROWS * LANES), np.zeros(LANE_ROWS * LANES)


def scratch_space(longest: int) -> tuple[NDArray[np.int8], Floats, Bytes, Floats]:
    """Zones, scratch, trees and powers for profiles of up to so many points, holes' finer ones included."""
    return (
        np.full(longest, p1812.INLAND, dtype=np.int8),
        np.empty((16, max(filled_up(longest), TRIALS))),
        np.zeros(longest, dtype=np.uint8),
        np.empty((2, DEGREE + 1)),
    )


# ---------------------------------------------------------------- compiling


def _memory_access() -> tuple[tuple[Any, Any], ...]:
    """`fetch`, `own` and `put` with what they promise, in the compiler's terms (scoped no-alias metadata)."""
    extending: Any = importlib.import_module("numba.extending")
    types: Any = importlib.import_module("numba.core.types")
    ir: Any = importlib.import_module("llvmlite.ir")
    make_array: Any = importlib.import_module("numba.np.arrayobj").make_array

    def pointer(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array = make_array(signature.args[0])(context, builder, arguments[0])
        return builder.gep(array.data, [arguments[1]])

    def scope(builder: Any) -> Any:
        module = builder.module
        domain = module.add_metadata([ir.MetaDataString(module, "linkcalc")])
        return module.add_metadata([module.add_metadata([ir.MetaDataString(module, "read only"), domain])])

    def reading(kind: str) -> Any:
        @extending.intrinsic  # type: ignore[untyped-decorator]
        def read(_: Any, array: Any, i: Any) -> Any:
            def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
                value = builder.load(pointer(context, builder, signature, arguments))
                value.set_metadata(kind, scope(builder))
                return value

            return array.dtype(array, i), generate

        return read

    @extending.intrinsic  # type: ignore[untyped-decorator]
    def write(_: Any, array: Any, i: Any, value: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            done = builder.store(arguments[2], pointer(context, builder, signature, arguments))
            done.set_metadata("noalias", scope(builder))
            return context.get_dummy_value()

        return types.void(array, i, array.dtype), generate

    read_only, read_own = reading("alias.scope"), reading("noalias")
    return (
        (fetch, lambda array, i: lambda array, i: read_only(array, i)),
        (own, lambda array, i: lambda array, i: read_own(array, i)),
        (put, lambda array, i, value: lambda array, i, value: write(array, i, value)),
    )


@functools.cache
def register() -> None:
    extending: Any = importlib.import_module("numba.extending")
    plain = {"error_model": "numpy"}
    for function, access in _memory_access():
        extending.overload(function, jit_options=plain)(access)
    reordered = {**plain, "fastmath": {"reassoc", "nsz"}}
    extending.overload(height_sums, jit_options=reordered)(compiled.always(height_sums))
    for function, twin in _TWINS:
        extending.overload(function, jit_options=plain)(compiled.always(twin))
    for other, loop in _TWINS_INTO_THE_CALLER:
        extending.overload(other, jit_options={**plain, "forceinline": True})(compiled.always(loop))
    for function in _AS_THEY_STAND:
        extending.register_jitable(**plain)(function)
    for function in _INTO_THE_CALLER:
        extending.register_jitable(**plain, forceinline=True)(function)


@functools.cache
def compiled_positions() -> Any:
    """`positions` as machine code; needs numba."""
    register()
    return compiled.compile_function(positions, allocates=False)


@functools.cache
def compiled_diffractions() -> Any:
    """`diffractions` as machine code; needs numba."""
    register()
    return compiled.compile_function(diffractions, allocates=False)


@functools.cache
def compiled_rays() -> Any:
    """`rays` as machine code; needs numba."""
    register()
    return compiled.compile_function(rays, allocates=False)


def kept_on_disk(function: str = "positions", module: str = "kernels") -> bool | None:
    """Whether the machine code was kept by an earlier run; None where there is no folder to keep it in."""
    folder = compiled.cache_folder(Path(__file__).parent)
    return None if folder is None else any(folder.rglob(f"{module}.{function}-*.nbi"))


_TWINS: tuple[tuple[Callable[..., Any], Callable[..., Any]], ...] = (
    (heights_along, heights_loop),
    (bridge, bridge_loop),
    (add_clutter, add_clutter_loop),
    (least_clearance, least_clearance_loop),
    (woods, woods_loop),
    (integrate, integrate_loop),
    (reflect, reflect_loop),
    (spaced, spaced_loop),
    (take, take_loop),
    (stack, stack_loop),
    (fell, fell_loop),
    (nearest, nearest_loop),
)

_TWINS_INTO_THE_CALLER: tuple[tuple[Callable[..., Any], Callable[..., Any]], ...] = (
    (slopes, slopes_loop),
    (ground_along, ground_along_loop),
)

_AS_THEY_STAND = (
    sample_with_holes,
    cell_integrals,
    stretch_at,
    integrals_to,
    footprint,
    gaps,
    crossing,
    try_mirror,
    judge,
    covered_to,
    add_wood,
    wood_loss,
    fill_ray,
    smooth_nu,
    smooth_excess,
    repeat_last,
    edges,
    excesses,
    add_excesses,
    extend_hull,
    tangent,
    highest_over,
    cut,
    rules,
    all_pairs,
    position,
)

_INTO_THE_CALLER = (
    along,
    sample_complete,
    coefficients_of,
    height_at,
    filled_up,
    look,
    nears,
    smooth_horizons,
    smooth_clearance,
    clearance_falls,
)
"""A call costs as much as some points, and keeps the compiler from working on several at once."""

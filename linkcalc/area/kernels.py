"""The work of one position of an area: cut its profile from windows in memory, and weigh it by the rules.

The rules are `linkcalc.link.path_loss.find`. Everything stands in the subset of Python that numba compiles; without
numba the same source runs as it stands, far slower, with the same numbers. docs/models/cells.md tells it in a page.

Windows: `cells` holds the heights of all windows one after the other, `native` which of them their raster itself
knows, `windows` one row for each (see `OFFSET` to `COMPLETE`), `maps` the polynomials from a position to column
and row (see `terms`). A position is `east`, `north` of the station, over the radius.
"""

import functools
import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.link.path_loss import COMPILED, Radio, find
from linkcalc.propagation import compiled

Singles = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]

DEGREE = 5
"""Of the polynomials that stand for a raster's projection, exact to far less than a cell."""

GROUND, SURFACE, CANOPY, WOODS, BUILT = range(5)
"""Layers of heights; the last two as classes of land cover have them."""

LAYER, OFFSET, COLUMNS, ROWS, COMPLETE = range(5)
"""Columns of `windows`; complete: every cell is known to the raster itself."""
WINDOW_FIGURES = 5

NEAR_GROUND_M, FAR_GROUND_M, BRIDGED_M, FACTS = range(4)
"""Columns of `facts`, and how many; a row stays as it is where a height is unknown or a hole too long."""

TOUCH = 1e-6


class Grid(NamedTuple):
    """The heights around a station, and how profiles are cut from them."""

    cells: Singles
    native: Bytes
    windows: Integers
    maps: Floats
    layers: int
    tree_surface: bool
    outward: bool
    """Profiles begin at the station."""
    largest_hole_m: float
    lowest_clutter_m: float
    own_m: float
    """So near to a station what classes show is part of its surroundings."""
    sea_shore_m: float
    """What is unknown beside ground no higher than this is sea; -inf where there is none."""


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


def value_at(powers: Floats, share: float) -> float:
    """A polynomial of the share of the way."""
    value = 0.0
    for power in range(DEGREE, -1, -1):
        value = value * share + powers[power]
    return value


def heights_along(layer: int, grid: Grid, east: float, north: float, points: int, heights: Floats) -> bool:
    """Fill `heights` with those of a layer at even steps between station and position; NaN where unknown.

    What is longer than `points` is filled up with the last of them. True if all are known for sure.
    """
    column_of = np.empty(DEGREE + 1)
    row_of = np.empty(DEGREE + 1)
    for i in range(len(heights)):
        heights[i] = math.nan
    complete, some = False, False
    windows = grid.windows
    for w in range(len(windows)):
        if windows[w, LAYER] != layer or complete:
            continue
        along(grid.maps[w, 0], east, north, column_of)
        along(grid.maps[w, 1], east, north, row_of)
        # what a finer raster shows of the way is kept: a coarser one only fills in the rest
        if windows[w, COMPLETE] == 1 and not some:
            complete = sample_complete(grid, windows[w], column_of, row_of, points, heights)
        if not complete:
            sample_with_holes(grid, windows[w], column_of, row_of, points, heights)
            for i in range(len(heights)):
                if not math.isnan(heights[i]):
                    some = True
                    break
    return complete


def sample_complete(
    grid: Grid, window: Integers, column_of: Floats, row_of: Floats, points: int, heights: Floats
) -> bool:
    """Bilinear heights from a window in which every cell is known; False where a point may lie outside it."""
    cells, outward = grid.cells, grid.outward
    first, columns, rows = window[OFFSET], window[COLUMNS], window[ROWS]
    # only both ends are looked at: a cell kept free at the rim is for what the ray bends between them
    for end in range(2):
        column = value_at(column_of, float(end))
        row = value_at(row_of, float(end))
        if not (column >= 1.0 and column < columns - 2.0 and row >= 1.0 and row < rows - 2.0):
            return False
    # out of the arrays, once for all points
    c0, c1, c2 = column_of[0], column_of[1], column_of[2]
    c3, c4, c5 = column_of[3], column_of[4], column_of[5]
    r0, r1, r2, r3, r4, r5 = row_of[0], row_of[1], row_of[2], row_of[3], row_of[4], row_of[5]
    per_step = 1.0 / (points - 1)
    for i in range(len(heights)):
        t = min(i, points - 1) * per_step
        if not outward:
            t = 1.0 - t
        column = c0 + t * (c1 + t * (c2 + t * (c3 + t * (c4 + t * c5))))
        row = r0 + t * (r1 + t * (r2 + t * (r3 + t * (r4 + t * r5))))
        left = int(column)
        top = int(row)
        u = column - left
        v = row - top
        at = first + top * columns + left
        upper = cells[at] + u * (cells[at + 1] - cells[at])
        at += columns
        lower = cells[at] + u * (cells[at + 1] - cells[at])
        heights[i] = upper + v * (lower - upper)
    return True


def sample_with_holes(
    grid: Grid, window: Integers, column_of: Floats, row_of: Floats, points: int, heights: Floats
) -> None:
    """Bilinear heights where none is known yet, by the rules of `linkcalc.terrain.rasters`."""
    cells, native, outward = grid.cells, grid.native, grid.outward
    first, columns, rows = window[OFFSET], window[COLUMNS], window[ROWS]
    for i in range(len(heights)):
        if not math.isnan(heights[i]):
            continue
        t = min(i / (points - 1), 1.0)
        if not outward:
            t = 1.0 - t
        column = value_at(column_of, t)
        row = value_at(row_of, t)
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
        natively = len(native) == 1
        for corner in range(4):
            weight = (u if corner % 2 else 1.0 - u) * (v if corner > 1 else 1.0 - v)
            if weight <= TOUCH:
                continue
            at = first + (top + corner // 2) * columns + left + corner % 2
            natively = natively or native[at] > 0
            value = cells[at]
            if not math.isnan(value):
                total += weight
                height += weight * value
                own = own or weight >= largest - TOUCH
        # the point's own cell must be known, and one of the cells be this raster's: else another has the say
        if own and natively:
            heights[i] = height / total


def fill_sea(heights: Floats, finer: int, shore_m: float) -> float:
    """Put sea at 0 m where it is, see `linkcalc.terrain.cutting.at_sea`; return its share of the path, of which every
    `finer`-th point counts. The ends are known."""
    n = len(heights)
    counted = 0
    i = 1
    while i < n:
        if math.isnan(heights[i]):
            first = i
            while math.isnan(heights[i]):
                i += 1
            if min(heights[first - 1], heights[i]) <= shore_m:
                for j in range(first, i):
                    heights[j] = 0.0
                    counted += j % finer == 0
        i += 1
    return counted * finer / (n - 1)


def bridge(heights: Floats, step_m: float, largest_m: float) -> float:
    """Draw straight lines across holes; return their length, or -1 if one is too long. The ends are known."""
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


def add_clutter(grid: Grid, h: Floats, tops: Floats, step_m: float, clutter: Floats, trees: Bytes) -> None:
    """Put on the profile the tallest of what the layers show; their heights are `tops`, (layers, n).

    Classes count where no surface is known, for trees no canopy either, and away from the ends.
    """
    n = len(h)
    # not at the ends: there the antennas stand
    for i in range(1, n - 1):
        tallest = 0.0
        tree = False
        surface = tops[SURFACE, i]
        canopy = tops[CANOPY, i]
        if surface - h[i] >= grid.lowest_clutter_m:
            tallest = surface - h[i]
            tree = grid.tree_surface
        if canopy >= grid.lowest_clutter_m and canopy > tallest:
            tallest = canopy
            tree = True
        if len(tops) > WOODS and math.isnan(surface) and min(i, n - 1 - i) * step_m >= grid.own_m:
            woods = tops[WOODS, i]
            built = tops[BUILT, i]
            if math.isnan(canopy) and woods >= grid.lowest_clutter_m and woods > tallest:
                tallest = woods
                tree = True
            if built >= grid.lowest_clutter_m and built > tallest:
                tallest = built
                tree = False
        clutter[i] = tallest
        trees[i] = tree


def positions(
    grid: Grid, places: Floats, steps: Integers, pairs: Floats, low_radius_km: float, radio: Radio,
    facts: Floats, found: Floats,
) -> None:  # fmt: skip
    """Cut each position's profile as `linkcalc.terrain.cutting.cut_profile` does, and apply the rules to it.

    A row of `places` is east, north and length, one of `steps` their number and how many finer ones each has.
    """
    for i in range(len(places)):
        east = places[i, 0]
        north = places[i, 1]
        length = places[i, 2]
        finer = steps[i, 1]
        # read at the rasters' spacing, however coarse the points: a hole between two points would not be seen
        fine = np.empty(steps[i, 0] * finer + 1)
        bridged = 0.0
        sea_share = 0.0
        if not heights_along(GROUND, grid, east, north, len(fine), fine):
            if math.isnan(fine[0]) or math.isnan(fine[-1]):
                continue
            # sea first: what is filled as sea is no hole to be bridged, nor one that is too long
            if grid.sea_shore_m > -math.inf:
                sea_share = fill_sea(fine, finer, grid.sea_shore_m)
            bridged = bridge(fine, length / (len(fine) - 1), grid.largest_hole_m)
            if bridged < 0.0:
                continue
        n = steps[i, 0] + 1
        step_m = length / (n - 1)
        x = np.empty(n)
        h = np.empty(n)
        clutter = np.empty(n)
        trees = np.empty(n, np.uint8)
        for j in range(n):
            x[j] = j * step_m
            h[j] = fine[j * finer]
            clutter[j] = 0.0
            trees[j] = 0
        # exactly, whatever the steps add up to after rounding
        x[-1] = length
        if grid.layers > 1:
            tops = np.empty((grid.layers, n))
            for layer in range(1, grid.layers):
                heights_along(layer, grid, east, north, n, tops[layer])
            add_clutter(grid, h, tops, step_m, clutter, trees)
        facts[i, NEAR_GROUND_M] = h[0]
        facts[i, FAR_GROUND_M] = h[-1]
        facts[i, BRIDGED_M] = bridged
        # number by number below: an assignment to a slice costs numba far more time to compile
        row = find(x, h, clutter, trees, pairs[i, 0], pairs[i, 1], sea_share, low_radius_km, radio)
        for j in range(found.shape[1]):
            found[i, j] = row[j]


@functools.cache
def compiled_positions() -> Any:
    """`positions` as machine code; needs numba."""
    return compiled.compile_function(positions, uses=USES)


USES: tuple[Any, ...] = (
    *COMPILED, along, value_at, heights_along, sample_complete, sample_with_holes, fill_sea, bridge, add_clutter,
)  # fmt: skip


def kept_on_disk() -> bool | None:
    """Whether an earlier run kept the machine code; None where there is no folder to keep it in."""
    return compiled.kept_on_disk(positions, *USES)

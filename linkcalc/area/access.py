"""Where something may be put up: cells of a square around a position, and what rules some of them out."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.area.geojson import read_lines, read_polygons
from linkcalc.area.plane import Plane
from linkcalc.errors import DomainError
from linkcalc.terrain.rasters import Mosaic

Mask = NDArray[np.bool_]

_FINE_DEG = 0.01
"""Edges of polygons and lines, straight in longitude and latitude, are followed in steps of this."""
_MOST_STEPS = 2000
_AROUND_DEG = 1.0
"""Vertices farther from the cells than this are drawn in to here, which changes nothing among the cells."""
_FAR_M = 50_000.0
_PIECES = 2000
_EXACT_M = 1e-6
"""Cells this much farther from a line than required are counted in: positions in degrees are not rounder."""
_ROWS_CELLS = 200_000
"""Heights are read for so many cells at a time."""


@dataclass(frozen=True)
class Grid(Plane):
    """Square cells around a position, in metres east and north of it (azimuthal equidistant).

    Row 0 lies in the north; the middle cell's centre is the position.
    """

    cell_m: float
    half: int
    """Cells from the middle one to the rim."""

    @property
    def side(self) -> int:
        """Cells along each side."""
        return 2 * self.half + 1

    @property
    def affine(self) -> tuple[float, float, float, float, float, float]:
        """From column and row (at cell corners) to metres east and north."""
        corner = (self.half + 0.5) * self.cell_m
        return (self.cell_m, 0.0, -corner, 0.0, -self.cell_m, corner)

    @cached_property
    def steps_m(self) -> Floats:
        """Metres from the middle of columns, west to east."""
        return np.asarray(np.arange(-self.half, self.half + 1) * self.cell_m, dtype=np.float64)

    def east_north(self, rows: ArrayLike, columns: ArrayLike) -> tuple[Floats, Floats]:
        """Metres east and north of cells' centres."""
        return self.steps_m[np.asarray(columns)], -self.steps_m[np.asarray(rows)]

    def distance_m(self) -> Floats:
        """Of every cell from the middle."""
        return np.asarray(np.hypot(self.steps_m[np.newaxis, :], self.steps_m[:, np.newaxis]))

    def heights_m(self, ground: Mosaic) -> Floats:
        """Ground of every cell, NaN where there is none."""
        heights = np.empty((self.side, self.side))
        together = max(_ROWS_CELLS // self.side, 1)
        for first in range(0, self.side, together):
            rows = np.arange(first, min(first + together, self.side))
            east, north = np.meshgrid(self.steps_m, -self.steps_m[rows])
            heights[rows] = ground.sample(*self.geographic(east, north))
        return heights


@dataclass(frozen=True)
class Access:
    """What a place has to be like. Nothing is required where nothing is said."""

    within: Path | None = None
    """GeoJSON of polygons to stay in."""
    track: Path | None = None
    """GeoJSON of lines to stay near to."""
    track_distance_m: float | None = None
    steepest_deg: float | None = None
    """Slope of the ground over two cells."""
    nodata_distance_m: float = 0.0
    """Least distance from the middle of a cell without height."""

    def __post_init__(self) -> None:
        """Refuse what cannot be met or does not go together."""
        if (self.track is None) != (self.track_distance_m is None):
            raise DomainError(
                "a track needs the largest distance from it (track_distance_m), and the distance a track"
            )
        if self.track_distance_m is not None:
            checked("track_distance_m", self.track_distance_m, above=0.0)
        if self.steepest_deg is not None:
            checked("steepest_deg", self.steepest_deg, above=0.0, at_most=90.0)
        checked("nodata_distance_m", self.nodata_distance_m, at_least=0.0)


@dataclass(frozen=True, eq=False)
class Allowed:
    """The cells that meet an `Access`."""

    mask: Mask
    steps: tuple[tuple[str, int], ...]
    """What was required, in words, and the cells that were left after it."""
    slope_deg: Floats
    """Of every cell, NaN where unknown."""
    outlines: tuple[Floats, ...] = field(default_factory=tuple)
    """Rings of the polygons, (n, 2) metres east and north."""
    tracks: tuple[Floats, ...] = field(default_factory=tuple)
    """Lines, (n, 2) metres east and north."""

    def track_distance_m(self, east_m: float, north_m: float) -> float | None:
        """Of a position from the nearest track; None without tracks."""
        if not self.tracks:
            return None
        here = np.array(east_m), np.array(north_m)
        return min(float(_distance_m(*here, line).min()) for line in self.tracks)


def allowed_cells(grid: Grid, ground_m: Floats, area: Mask, access: Access) -> Allowed:
    """Which cells of an area meet what is required of a place; unknown ground is NaN.

    A `DomainError` says what ruled out the last of them.
    """
    known = np.isfinite(ground_m)
    left = area & known
    steps = [("the ground is known", int(left.sum()))]
    if not left.any():
        raise DomainError("no cell of the area has a height")
    # of all cells, not of those left alone: a slope takes its neighbours from outside the area, too
    slope = slope_deg(ground_m, grid.cell_m)
    outlines: tuple[Floats, ...] = ()
    tracks: tuple[Floats, ...] = ()

    def narrow_down(meets: Mask, words: str, why: Callable[[], str]) -> None:
        nonlocal left
        if not (left & meets).any():
            raise DomainError(f"no cell is left: {why()}")
        left = left & meets
        steps.append((words, int(left.sum())))

    if access.within is not None:
        meets, outlines = _within(grid, access.within)
        name = f"a polygon of {access.within.name}"
        narrow_down(meets, f"within {access.within.name}",
            lambda: f"none that has a height lies within {name}" if meets.any()
            else f"none lies within {name}, which {_how_far(grid, left, outlines)}")  # fmt: skip
    if access.track is not None and access.track_distance_m is not None:
        reach, file = access.track_distance_m, access.track.name
        near = f"within {reach:g} m of"
        tracks = tuple(grid_lines(grid, read_lines(access.track)))
        narrow_down(near_lines(grid, tracks, reach), f"{near} {file}",
            lambda: f"none lies {near} a line of {file}, which {_how_far(grid, left, tracks)}")  # fmt: skip
    if access.steepest_deg is not None:
        sloping = slope[left & np.isfinite(slope)]
        least = f", the gentlest {sloping.min():.1f}°" if sloping.size else ", or lie beside nodata"
        # an unknown slope, beside nodata, compares as false: such a cell is left out
        narrow_down(slope <= access.steepest_deg, f"no steeper than {access.steepest_deg:g}°",
            lambda: f"those left are steeper than {access.steepest_deg:g}°{least}")  # fmt: skip
    if access.nodata_distance_m > 0.0:
        from scipy.ndimage import distance_transform_edt

        everywhere = np.full(known.shape, np.inf)
        # without an unknown cell the transform has nothing to measure to, and its distances mean nothing
        away = everywhere if known.all() else distance_transform_edt(known, sampling=grid.cell_m)
        narrow_down(away >= access.nodata_distance_m, f"{access.nodata_distance_m:g} m from nodata",
            lambda: f"those left lie at most {float(away[left].max()):.0f} m from nodata, "
            f"and {access.nodata_distance_m:g} m is required")  # fmt: skip
    return Allowed(left, tuple(steps), slope, outlines, tracks)


def slope_deg(ground_m: Floats, cell_m: float) -> Floats:
    """Slope of the ground over two cells, NaN beside unknown ground.

    >>> slope_deg(np.arange(3.0) * np.ones((3, 1)), 1.0).round(3)[1].tolist()
    [45.0, 45.0, 45.0]
    """
    down, across = np.gradient(ground_m, cell_m)
    return np.asarray(np.degrees(np.arctan(np.hypot(down, across))))


# ---------------------------------------------------------------- polygons and lines among the cells


def grid_lines(grid: Grid, lines: Sequence[Floats]) -> Iterator[Floats]:
    """Lines in longitude and latitude, as metres east and north, (n, 2)."""
    for line in lines:
        # refined before far vertices are drawn in: only points far from the cells then move, and no edge
        # among them
        lon, lat = _fine(_beside(line, grid.longitude_deg)).T
        reach = grid.half * grid.cell_m / 111_000.0 + _AROUND_DEG
        # a degree of longitude shrinks toward the poles; at a pole itself there is none to divide by
        across = min(reach / max(math.cos(math.radians(grid.latitude_deg)), 0.01), 90.0)
        lon = np.clip(lon, grid.longitude_deg - across, grid.longitude_deg + across)
        lat = np.clip(lat, max(grid.latitude_deg - reach, -90.0), min(grid.latitude_deg + reach, 90.0))
        yield np.stack(grid.position_of(lat, lon), axis=-1)


def near_lines(grid: Grid, lines: Sequence[Floats], reach_m: float) -> Mask:
    """Cells whose centre lies within a distance of any of the lines, (n, 2) metres east and north."""
    near = np.zeros((grid.side, grid.side), dtype=bool)
    reach_m = reach_m + _EXACT_M
    steps, rim = grid.steps_m, grid.half * grid.cell_m + reach_m
    for line in lines:
        lower, upper = np.minimum(line[:-1], line[1:]), np.maximum(line[:-1], line[1:])
        for i in np.flatnonzero(((lower <= rim) & (upper >= -rim)).all(axis=-1)):
            piece = line[i : i + 2]
            (west, south), (east, north) = piece.min(axis=0) - reach_m, piece.max(axis=0) + reach_m
            # searchsorted stops before an equal value: a little more keeps the cell that lies exactly on the
            # rim
            columns = slice(*np.searchsorted(steps, [west, east + 1e-9]))
            # row 0 lies in the north: rows are looked up by the metres south
            rows = slice(*np.searchsorted(steps, [-north, -south + 1e-9]))
            if columns.stop > columns.start and rows.stop > rows.start:
                x, y = np.meshgrid(steps[columns], -steps[rows])
                near[rows, columns] |= _distance_m(x, y, piece)[0] <= reach_m
    return near


def _distance_m(east: Floats, north: Floats, line: Floats) -> Floats:
    """Distance of positions from each piece of a line, (pieces, ...)."""
    shape = (-1, *([1] * np.ndim(east)))
    start, step = line[:-1], np.diff(line, axis=0)
    x, y = (np.asarray(v)[np.newaxis] - start[:, i].reshape(shape) for i, v in enumerate((east, north)))
    u, v = step[:, 0].reshape(shape), step[:, 1].reshape(shape)
    # a piece between two equal vertices has no length to divide by; its distance is that of the vertex
    length = np.maximum(u * u + v * v, 1e-12)
    along = np.clip((x * u + y * v) / length, 0.0, 1.0)
    return np.asarray(np.hypot(x - along * u, y - along * v))


def _within(grid: Grid, path: Path) -> tuple[Mask, tuple[Floats, ...]]:
    """Cells whose centre lies in a polygon of a file, and the polygons' rings."""
    from rasterio import Affine
    from rasterio.features import rasterize

    polygons = [list(grid_lines(grid, rings)) for rings in read_polygons(path)]
    shapes = [{"type": "Polygon", "coordinates": [ring.tolist() for ring in rings]} for rings in polygons]
    # by default the raster library counts cells whose centre lies inside, as `near_lines` measures to centres
    found = rasterize(
        shapes, out_shape=(grid.side, grid.side), transform=Affine(*grid.affine), dtype=np.uint8
    )
    return np.asarray(found > 0), tuple(ring for rings in polygons for ring in rings)


def _how_far(grid: Grid, left: Mask, lines: tuple[Floats, ...]) -> str:
    rows, columns = np.nonzero(left)
    some = slice(None, None, max(rows.size // 200, 1))
    east, north = grid.east_north(rows[some], columns[some])
    # a long line in parts: distances of all its pieces from all cells at once would fill the memory
    pieces = (line[i : i + _PIECES + 1] for line in lines for i in range(0, len(line) - 1, _PIECES))
    if (left & near_lines(grid, lines, 0.71 * grid.cell_m)).any():  # half a cell's diagonal
        return "lies between the middles of cells: take smaller cells"
    gap_m = min(float(_distance_m(east, north, piece).min()) for piece in pieces)
    if gap_m > _FAR_M:  # vertices far away have been drawn in
        return f"lies more than {_FAR_M / 1e3:.0f} km away: are longitude and latitude swapped in it?"
    return f"comes no nearer than {gap_m / 1e3:.2g} km" if gap_m >= 1e3 else f"is some {gap_m:.0f} m away"


def _beside(line: Floats, longitude_deg: float) -> Floats:
    """A line on the same side of the 180th meridian as a position near it."""
    if abs(longitude_deg) < 170.0:
        return line
    turned = line.copy()
    turned[:, 0] = (line[:, 0] - longitude_deg + 180.0) % 360.0 - 180.0 + longitude_deg
    return turned


def _fine(line: Floats) -> Floats:
    """A line with no step longer than some hundredths of a degree."""
    longest = np.abs(np.diff(line, axis=0)).max(axis=-1)
    parts = np.clip(np.ceil(longest / _FINE_DEG), 1, _MOST_STEPS).astype(int)
    pieces = [
        line[i] + (line[i + 1] - line[i]) * (np.arange(n) / n)[:, np.newaxis] for i, n in enumerate(parts)
    ]
    return np.concatenate([*pieces, line[-1:]])

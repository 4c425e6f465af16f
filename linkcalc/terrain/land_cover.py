"""What stands around a station and along a path, from classes of land cover and the height of trees.

Classes are those of the open land cover at 10 m (`open_sets`): they name what covers a cell, not how high it is.
Heights are the representative clutter heights of Rec. ITU-R P.1812, table 2, where nothing better is known.
"""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError
from linkcalc.terrain import geodesy
from linkcalc.terrain.raster import Placing, Raster
from linkcalc.terrain.rasters import Mosaic, open_mosaic

TREES, SHRUBS, GRASS, CROPS, BUILT_UP, BARE, SNOW, WATER, WETLAND, MANGROVES, MOSS = (
    10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100,
)  # fmt: skip
"""Codes of the land cover's classes (from memory of its product description)."""
CLASSES = (TREES, SHRUBS, GRASS, CROPS, BUILT_UP, BARE, SNOW, WATER, WETLAND, MANGROVES, MOSS)
UNKNOWN = 0

TREES_M, BUILT_UP_M = 15.0, 10.0
"""Representative heights along a path: trees and forest 15 m, suburban 10 m, all else 0 (Rec. ITU-R P.1812-7,
table 2, from memory). What is built up counts as suburban: a class cannot tell a town's middle from its rim."""

REACH_M = 100.0
"""How far around an antenna surroundings count (common practice, no source). Farther away what a class stands for is
part of the path; nearer it is part of the surroundings, and counts there alone."""
URBAN_SHARE, SUBURBAN_SHARE, WOODED_SHARE = 0.7, 0.2, 0.3
"""Shares of the circle that make it urban, suburban or wooded (common practice, no source)."""
AT_THE_ANTENNA_M = 25.0
"""Trees or roofs this close count whatever the rest is (common practice, no source)."""
LOWEST_TREES_M = 3.0
"""Lower growth is scrub, which an antenna on a mast looks over."""

Kind = Literal["unknown", "open", "suburban", "urban", "woodland"]
KINDS: tuple[Kind, ...] = ("unknown", "open", "suburban", "urban", "woodland")

_STEP_M = 10.0
"""Spacing of the points at which the circle is looked at."""
_NO_HEIGHT = 255
_MOST_POINTS = 1_000_000
"""Looked at together."""
_CODE_LIMITS = (0.0, 255.0)
_STRIP_ROWS = 512


class LandCover(NamedTuple):
    """Open rasters of land cover, by what is asked of them; see `open_land_cover`."""

    woods: Mosaic = Mosaic(())
    """Height of trees, as classes have it; 0 where there are none."""
    built: Mosaic = Mosaic(())
    """Height of what is built; 0 where nothing is."""
    codes: Mosaic = Mosaic(())


class Layers(NamedTuple):
    """All that a plan's ground is read from."""

    ground: Mosaic
    surface: Mosaic = Mosaic(())
    canopy: Mosaic = Mosaic(())
    cover: LandCover = LandCover()


def open_land_cover(
    paths: Sequence[str | Path], base_dir: str | Path | None = None, *, network: bool = False
) -> LandCover:
    """Open rasters of the 11 classes, each mosaic to be closed, as `linkcalc.terrain.rasters.open_mosaic`."""

    def opened(heights: dict[int, float]) -> Mosaic:
        classes = {code: heights.get(code, 0.0) for code in CLASSES}
        return open_mosaic(paths, base_dir, limits_m=_CODE_LIMITS, classes=classes, network=network)

    return LandCover(
        opened({TREES: TREES_M, MANGROVES: TREES_M}),
        opened({BUILT_UP: BUILT_UP_M}),
        opened({code: float(code) for code in CLASSES}),
    )


@dataclass(frozen=True, eq=False)
class Around:
    """What stands around positions; arrays (n,)."""

    kind: NDArray[np.int8]
    """Index into `KINDS`."""
    height_m: Floats
    """Of the trees of a woodland, above ground; NaN where only the kind is known."""
    share: Floats
    """Of the circle, by which the kind is named."""

    def words(self, index: int) -> str:
        """Why, for the list of what was assumed; empty where nothing is known."""
        kind, percent = KINDS[self.kind[index]], 100.0 * self.share[index]
        what = {"open": "open land", "woodland": "trees", "suburban": "built up", "urban": "built up"}
        if kind == "unknown":
            return ""
        return f"{what[kind]} in {percent:.0f} % of the {REACH_M:.0f} m around"


def surroundings_of(
    distance_m: ArrayLike, land_cover: ArrayLike | None = None, canopy_m: ArrayLike | None = None
) -> Around:
    """What stands around positions, from the points around each: their distances, m, (m,), of which those beyond 100 m
    are not looked at; classes of land cover (0 where unknown) and heights of trees, m (NaN where unknown), (n, m).

    "unknown" where nothing is known of any point: that is not the same as open. Raises `DomainError` where shapes
    differ, or a class is none of the land cover's.

    Examples
    --------
    >>> found = surroundings_of([10.0, 30.0, 60.0, 90.0], [[GRASS, TREES, TREES, CROPS]], [[0.0, 14.0, 16.0, 0.0]])
    >>> KINDS[found.kind[0]], found.height_m.tolist(), found.words(0)
    ('woodland', [16.0], 'trees in 50 % of the 100 m around')
    >>> found = surroundings_of([10.0, 40.0], [[CROPS, GRASS], [0, 0]])
    >>> [KINDS[kind] for kind in found.kind]
    ['open', 'unknown']
    """
    distance = np.atleast_1d(np.asarray(distance_m, dtype=np.float64))
    given = [np.atleast_2d(v) for v in (land_cover, canopy_m) if v is not None]
    if not given or any(v.shape != (len(given[0]), distance.size) for v in given):
        raise DomainError("land cover and canopy need one value for each point around each position")
    cover = np.zeros(given[0].shape, dtype=np.uint8) if land_cover is None else given[0]
    canopy = np.full(cover.shape, np.nan) if canopy_m is None else given[-1].astype(np.float64)
    strange = set(np.unique(cover).tolist()) - {UNKNOWN, *CLASSES}
    if strange:
        raise DomainError(
            f"{min(strange)} is not a land cover class; classes: {', '.join(map(str, CLASSES))}"
        )
    near = distance <= REACH_M
    distance, cover, canopy = distance[near], cover[:, near], canopy[:, near]
    measured = np.isfinite(canopy)
    tall = measured & (canopy >= LOWEST_TREES_M)
    built = cover == BUILT_UP
    # trees between houses belong to the built-up land
    trees = (tall | (((cover == TREES) | (cover == MANGROVES)) & ~measured)) & ~built
    known = ((cover != UNKNOWN) | measured).sum(axis=1)
    at_hand = distance <= AT_THE_ANTENNA_M
    built_share, tree_share = (which.sum(axis=1) / np.maximum(known, 1) for which in (built, trees))
    woodland = (tree_share >= WOODED_SHARE) | (trees & at_hand).any(axis=1)
    suburban = (built_share >= SUBURBAN_SHARE) | (built & at_hand).any(axis=1)
    # the first that holds counts: towns before their trees, trees before scattered houses
    choices = [known == 0, built_share >= URBAN_SHARE, woodland, suburban]
    open_share = np.maximum(1.0 - tree_share - built_share, 0.0)
    return Around(
        np.select(choices, [KINDS.index(k) for k in ("unknown", "urban", "woodland", "suburban")], 1).astype(
            np.int8
        ),
        np.where(np.select(choices, [0, 0, 1, 0], 0) == 1, _upper_height_m(canopy, trees & tall), np.nan),
        np.select(choices, [0.0 * tree_share, built_share, tree_share, built_share], open_share),
    )


def _upper_height_m(canopy: Floats, which: NDArray[np.bool_]) -> Floats:
    """Height that nine tenths of the chosen points stay below, whole metres; NaN where none is chosen."""
    if not which.any():
        return np.full(len(canopy), np.nan)
    count = which.sum(axis=1)
    # what is not chosen sorts to the end: one sort serves rows with unlike counts
    ordered = np.sort(np.where(which, canopy, -np.inf), axis=1)[:, ::-1]
    at = np.clip(count // 10, 0, ordered.shape[1] - 1)
    found = np.take_along_axis(ordered, at[:, np.newaxis], axis=1)[:, 0]
    return np.where(count > 0, np.round(found), np.nan)


@dataclass(frozen=True, eq=False)
class Patch:
    """Part of a raster in memory: whole numbers by cell."""

    values: NDArray[np.uint8]
    left: int
    top: int
    placing: Placing

    def at(self, latitude_deg: Floats, longitude_deg: Floats, unknown: int) -> NDArray[np.uint8]:
        """Values of the cells that hold the points around positions, (n, points)."""
        step = 1e-3
        turn = np.maximum(np.cos(np.radians(latitude_deg)), 0.01)
        # three positions are projected for a whole circle: over 100 m its columns and rows are as good as straight
        column, row = self.placing.pixel(latitude_deg, longitude_deg)
        north = self.placing.pixel(latitude_deg + step, longitude_deg)
        east = self.placing.pixel(latitude_deg, longitude_deg + step)
        metres = step * geodesy.METRES_PER_DEGREE
        x, y = (
            middle[:, np.newaxis]
            + (up - middle)[:, np.newaxis] * (_NORTH_M / metres)
            + ((across - middle) / turn)[:, np.newaxis] * (_EAST_M / metres)
            for middle, up, across in zip((column, row), north, east, strict=True)
        )
        # a position that cannot be projected becomes a cell far outside
        columns, rows = (np.floor(np.nan_to_num(v, nan=-1e9) + 0.5).astype(np.int64) for v in (x, y))
        columns -= self.left
        rows -= self.top
        height, width = self.values.shape
        inside = (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
        flat = self.values.ravel()[np.where(inside, rows * width + columns, 0)]
        return np.where(inside, flat, np.uint8(unknown))


_axis = np.arange(-REACH_M, REACH_M + 1.0, _STEP_M)
_EAST_M, _NORTH_M = (v[np.hypot(*np.meshgrid(_axis, _axis)) <= REACH_M] for v in np.meshgrid(_axis, -_axis))
"""Points around a position, metres east and north."""


@dataclass(frozen=True, eq=False)
class Neighbourhood:
    """Land cover and canopy of an area in memory, to be asked what stands around any position in it."""

    cover: tuple[Patch, ...] = ()
    canopy: tuple[Patch, ...] = ()
    """Finest first; whole metres."""

    @property
    def known(self) -> bool:
        """Whether any raster reaches into the area."""
        return bool(self.cover or self.canopy)

    def digest(self) -> bytes:
        """SHA-256 of all that it holds."""
        made_of = hashlib.sha256()
        for patch in (*self.cover, *self.canopy):
            made_of.update(np.ascontiguousarray(patch.values).data)
            made_of.update(repr((patch.left, patch.top, patch.values.shape, patch.placing)).encode())
        return made_of.digest()

    def around(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> Around:
        """What stands around positions, (n,); more than 100 m from the area's rim."""
        lat, lon = (np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (latitude_deg, longitude_deg))
        many = max(_MOST_POINTS // _EAST_M.size, 1)
        parts = [
            self._around(lat[first : first + many], lon[first : first + many])
            for first in range(0, max(lat.size, 1), many)
        ]
        return Around(
            *(np.concatenate([getattr(p, name) for p in parts]) for name in ("kind", "height_m", "share"))
        )

    def _around(self, lat: Floats, lon: Floats) -> Around:
        cover, canopy = (
            self._finest(patches, lat, lon, unknown)
            for patches, unknown in ((self.cover, UNKNOWN), (self.canopy, _NO_HEIGHT))
        )
        trees_m = np.where(canopy == _NO_HEIGHT, np.nan, canopy) if self.canopy else None
        return surroundings_of(np.hypot(_EAST_M, _NORTH_M), cover, trees_m)

    @staticmethod
    def _finest(patches: tuple[Patch, ...], lat: Floats, lon: Floats, unknown: int) -> NDArray[np.uint8]:
        found = np.full((lat.size, _EAST_M.size), unknown, dtype=np.uint8)
        for patch in patches:
            found = np.where(found == unknown, patch.at(lat, lon, unknown), found)
        return found


def neighbourhood(
    layers: Layers, latitude_deg: float, longitude_deg: float, radius_m: float
) -> Neighbourhood:
    """Read land cover and canopy around a position, to be asked within a radius."""
    ring = geodesy.points_around(latitude_deg, longitude_deg, np.arange(0.0, 360.0, 5.0), radius_m + REACH_M)

    def patches(mosaic: Mosaic, unknown: int) -> Iterator[Patch]:
        for raster in mosaic.rasters:
            box = raster.box(*ring)
            if box is not None:
                yield Patch(_whole_numbers(mosaic, raster, box, unknown), box[0], box[2], raster.placing)

    return Neighbourhood(
        tuple(patches(layers.cover.codes, UNKNOWN)), tuple(patches(layers.canopy, _NO_HEIGHT))
    )


def _whole_numbers(
    mosaic: Mosaic, raster: Raster, box: tuple[int, int, int, int], unknown: int
) -> NDArray[np.uint8]:
    """A block of cells, a byte each; read in strips, as four bytes a cell would be much for a large area."""
    left, right, top, bottom = box
    found = np.empty((bottom - top, right - left), dtype=np.uint8)
    for row in range(top, bottom, _STRIP_ROWS):
        strip = mosaic.block(raster, left, right, row, min(row + _STRIP_ROWS, bottom))
        values = np.clip(np.round(np.nan_to_num(strip, nan=float(unknown))), 0, _NO_HEIGHT)
        found[row - top : row - top + len(strip)] = values
    return found


def shown_along(
    cover: LandCover, latitude_deg: Floats, longitude_deg: Floats, distance_m: Floats
) -> tuple[Any, Any]:
    """Heights of trees and of what is built along a path, as classes have them, m; NaN where unknown, and where it
    belongs to what surrounds a station."""
    own = np.minimum(distance_m, distance_m[-1] - distance_m) < REACH_M
    return tuple(  # type: ignore[return-value]
        np.where(own, np.nan, mosaic.sample(latitude_deg, longitude_deg))
        for mosaic in (cover.woods, cover.built)
    )

"""The land around a station, read once, so that profiles to any position near it are cut in memory."""

import hashlib
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.area import kernels
from linkcalc.area.plane import Plane
from linkcalc.errors import TerrainError
from linkcalc.plan import Terrain
from linkcalc.terrain.cutting import FEWEST_POINTS, MOST_POINTS, area_notes
from linkcalc.terrain.land_cover import Around, Layers, Neighbourhood, neighbourhood
from linkcalc.terrain.raster import Raster
from linkcalc.terrain.rasters import Mosaic, station_ground_m

_MAP_TOLERANCE = 1e-4
"""How far, in cells, a map from position to column and row may be off."""
_PROBES = 201
"""Points at which `cut_profile` looks which rasters hold a path."""


@dataclass(frozen=True, eq=False)
class Land(Plane):
    """Windows of the rasters around a station; positions are metres east and north of it."""

    name: str
    """What messages call the station."""
    radius_m: float
    cells: NDArray[np.float32]
    native: NDArray[np.uint8]
    """Which cells their raster itself knows; a single one where it knows all."""
    windows: NDArray[np.int64]
    maps: Floats
    """(windows, 2, terms), see `kernels`."""
    sizes: NDArray[np.int64]
    """(windows, 4): where each raster's own cells begin and end in its window, first and last column and
    row."""
    spacing_m: Floats
    """(windows,) of each raster."""
    cells_m: Floats
    """(windows,) the longer side of its cells."""
    around: Neighbourhood
    """Land cover and canopy, for what surrounds stations."""
    step_m: float | None
    largest_hole_m: float
    sea_without_data: bool
    tree_surface: bool
    sources: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def layers(self) -> int:
        """1 where there is bare ground only, 3 with surface or canopy, 5 with classes."""
        highest = int(self.windows[:, kernels.LAYER].max(initial=kernels.GROUND))
        return 1 if highest == kernels.GROUND else 3 if highest <= kernels.CANOPY else 5

    @property
    def finest_ground_m(self) -> float:
        """Spacing of the finest raster of the ground."""
        return float(self.spacing_m[self.windows[:, kernels.LAYER] == kernels.GROUND].min())

    def emptied(self) -> "Land":
        """The same without heights and cover, once no profile is cut any more."""
        # copies: a slice alone would keep the whole array in memory
        return replace(
            self, cells=self.cells[:0].copy(), native=self.native[:0].copy(), around=Neighbourhood()
        )

    def digest(self) -> str:
        """SHA-256 of all that profiles are made from."""
        made_of = hashlib.sha256()
        arrays = (self.cells, self.native, self.windows, self.maps, self.sizes, self.spacing_m, self.cells_m)
        for array in arrays:
            made_of.update(np.ascontiguousarray(array).data)
        figures = (
            self.latitude_deg, self.longitude_deg, self.radius_m, self.step_m, self.largest_hole_m,
            self.sea_without_data, self.tree_surface, self.around.digest(),
        )  # fmt: skip
        made_of.update(repr(figures).encode())
        return made_of.hexdigest()

    def surroundings(self, east_m: ArrayLike, north_m: ArrayLike) -> Around | None:
        """What stands around positions, (n,); None where no raster could say."""
        return self.around.around(*self.geographic(east_m, north_m)) if self.around.known else None

    def intervals(self, east_m: Floats, north_m: Floats, length_m: Floats | None = None) -> NDArray[np.int64]:
        """How many steps the profile to each position has, and how many finer ones in each, (n, 2); their
        lengths are worked out where they are not at hand."""
        length = np.hypot(east_m, north_m) if length_m is None else length_m
        native = self.native_spacing_m(east_m, north_m)
        step = native if self.step_m is None else self.step_m
        # as a single profile has it: a length of whole steps gets no further one by rounding
        steps = np.ceil(length / step - 1e-9)
        np.clip(steps, FEWEST_POINTS - 1, MOST_POINTS - 1, out=steps)
        both = np.empty((steps.size, 2), dtype=np.int64)
        both[:, 0] = steps
        both[:, 1] = 1
        if self.step_m is not None or steps.max(initial=0) == MOST_POINTS - 1:  # else a step is a cell
            finer = np.ceil(length / (steps * native) - 1e-9)
            both[:, 1] = np.clip(finer, 1, np.maximum(np.floor(MOST_POINTS / steps), 1))
        return both

    def native_spacing_m(self, east: Floats, north: Floats) -> Floats:
        """Spacing of the finest raster on each path; one for all where it is the station's."""
        here = self._held(np.zeros(1), np.zeros(1))[:, 0]
        coarsest = self.spacing_m[here].min(initial=np.inf)
        finer = np.flatnonzero(self.spacing_m < coarsest)
        if not finer.size:
            return np.asarray(coarsest)
        native = np.full(east.shape, coarsest)
        for part, held in self._held_on_the_way(east, north, finer):
            for w, on in zip(finer, np.asarray(held.any(axis=-1)), strict=True):
                native[part] = np.where(on, np.minimum(native[part], self.spacing_m[w]), native[part])
        return native

    def cell_m(self, east: Floats, north: Floats) -> Floats:
        """Cell of the rasters that give each path its ground, or the spacing of its points, as a profile states it."""
        cells_m = self._ground_cells_m(east, north)
        if self.step_m is None:
            return cells_m
        return np.maximum(cells_m, np.hypot(east, north) / self.intervals(east, north)[:, 0])

    def _ground_cells_m(self, east: Floats, north: Floats) -> Floats:
        ground = np.flatnonzero(self.windows[:, kernels.LAYER] == kernels.GROUND)
        sizes = self.cells_m[ground]
        if np.ptp(sizes) == 0.0:
            return np.full(east.shape, sizes[0])
        found = np.empty(east.shape)
        for part, held in self._held_on_the_way(east, north, ground):
            cells = np.zeros(held.shape[1:])
            # coarsest first, so that a finer raster writes over it
            for size, on in reversed(list(zip(sizes, held, strict=True))):
                cells[on] = size
            found[part] = np.quantile(cells, 0.95, axis=-1, method="higher")
        return found

    def _held_on_the_way(
        self, east_m: Floats, north_m: Floats, which: NDArray[np.intp]
    ) -> Iterator[tuple[slice, NDArray[np.bool_]]]:
        """Whether points of the way to positions lie on some of the rasters, (windows, positions, points), part by
        part."""
        share = np.linspace(0.0, 1.0, _PROBES)
        east, north = east_m / self.radius_m, north_m / self.radius_m
        # in parts: the points of all ways at once would fill the memory
        for i in range(0, east.size, 1024):
            part = slice(i, i + 1024)
            yield part, self._held(np.outer(east[part], share), np.outer(north[part], share), which)

    def _held(self, east: Floats, north: Floats, which: Any = slice(None)) -> NDArray[np.bool_]:
        """Whether positions lie on the windows' rasters, rim included, (windows, ...)."""
        products = kernels.terms(east, north)
        reach = 0.5 + kernels.TOUCH
        held = []
        for maps, (left, right, top, bottom) in zip(self.maps[which], self.sizes[which], strict=True):
            column, row = products @ maps[0], products @ maps[1]
            held.append(
                (column > left - reach)
                & (column < right + reach)
                & (row > top - reach)
                & (row < bottom + reach)
            )
        return np.array(held)


class _Window(NamedTuple):
    layer: int
    heights: NDArray[np.float32]
    known: NDArray[np.bool_]
    maps: Floats
    own: tuple[int, int, int, int]
    raster: Raster


def read_land(
    terrain: Layers,
    latitude_deg: float,
    longitude_deg: float,
    radius_m: float,
    *,
    name: str = "the station",
    rules: Terrain | None = None,
    whole: bool = True,
    least_share: float = 1.0,
) -> Land:
    """Read all layers around a station, each block of each file once; only the ground must have rasters.

    Profiles are cut by the plan's `rules`. Where the `whole` circle need not be held, positions beyond the rasters have
    no height; where it must, its `least_share` will do.
    """
    rules = rules or Terrain()
    radius = float(checked("radius_m", radius_m, above=0.0))
    latitude = float(checked("latitude_deg", latitude_deg, at_least=-90.0, at_most=90.0))
    longitude = float(checked("longitude_deg", longitude_deg))
    if not terrain.ground.rasters:
        raise TerrainError("no terrain raster is named: an area needs heights all around the station")
    station_ground_m(name, latitude, longitude, terrain.ground)
    if whole and not rules.sea_without_data:
        _refuse_radius_beyond(terrain.ground, name, Plane(latitude, longitude), radius, least_share)
    fitting = area_notes(terrain.ground, terrain.surface, latitude, longitude, radius)
    classes = (terrain.cover.woods, terrain.cover.built)
    mosaics = (terrain.ground, terrain.surface, terrain.canopy, *classes)
    # a raster counts what it met; other stations may have read it before
    met_before = {id(r): r.out_of_limits[0] for mosaic in mosaics for r in mosaic.rasters}
    found = [
        window
        for layer, mosaic in enumerate(mosaics)
        for window in _windows(layer, mosaic, Plane(latitude, longitude), radius)
    ]
    notes = [
        *fitting,
        *(
            f"{w.raster.name} holds impossible heights in the area, such as "
            f"{w.raster.out_of_limits[1]:.0f} m; they are taken as nodata"
            for w in found
            if w.raster.out_of_limits[0] > met_before[id(w.raster)]
        ),
    ]
    sizes = np.array([w.heights.size for w in found])
    offsets = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    complete = [bool(w.known.all()) for w in found]
    rows = [
        (w.layer, offset, w.heights.shape[1], w.heights.shape[0], whole)
        for w, offset, whole in zip(found, offsets, complete, strict=True)
    ]
    # one window is not copied
    cells = (
        found[0].heights.ravel() if len(found) == 1 else np.concatenate([w.heights.ravel() for w in found])
    )
    known = [np.ones(1, dtype=bool)] if all(complete) else [w.known.ravel() for w in found]
    return Land(
        name=name,
        latitude_deg=latitude,
        longitude_deg=longitude,
        radius_m=radius,
        cells=cells,
        native=np.concatenate(known).view(np.uint8),
        windows=np.array(rows, dtype=np.int64).reshape(-1, kernels.WINDOW_FIGURES),
        maps=np.array([w.maps for w in found]),
        sizes=np.array([w.own for w in found], dtype=np.int64),
        spacing_m=np.array([w.raster.spacing_m for w in found]),
        cells_m=np.array([w.raster.cell_m for w in found]),
        around=neighbourhood(terrain, latitude, longitude, radius),
        step_m=rules.step_m,
        largest_hole_m=rules.largest_hole_m,
        sea_without_data=rules.sea_without_data,
        tree_surface=rules.surface_kind == "trees",
        sources=tuple(dict.fromkeys(f"{w.raster.name} ({w.raster.cell_words})" for w in found)),
        notes=tuple(notes),
    )


def _windows(layer: int, mosaic: Mosaic, plane: Plane, radius: float) -> Iterator[_Window]:
    # rings of points, denser at the rim, as a polynomial is least sure there
    turn, out = np.meshgrid(2.0 * np.pi * np.arange(64) / 64, np.sin(np.pi / 2.0 * np.linspace(0.0, 1.0, 25)))
    east, north = (out * np.sin(turn)).ravel(), (out * np.cos(turn)).ravel()
    lat, lon = plane.geographic(east * radius, north * radius)
    for raster in mosaic.rasters:
        column, row = raster.pixel(lat, lon)
        if not raster.near(column, row, margin=1.0).any() and not _crossed(raster, column, row):
            continue
        if not (np.isfinite(column).all() and np.isfinite(row).all()):
            raise TerrainError(f"raster {raster.name}: its projection is not defined all over the area")
        products = kernels.terms(east, north)
        # fitted to every second point and held against all, so that a bad fit shows between them
        fitted = products[::2]
        maps = np.stack([np.linalg.lstsq(fitted, v[::2], rcond=None)[0] for v in (column, row)])
        off = max(np.abs(products @ m - v).max() for m, v in zip(maps, (column, row), strict=True))
        if off > _MAP_TOLERANCE:
            raise TerrainError(
                f"raster {raster.name}: its projection bends too much over {radius / 1e3:g} km around the "
                "station; take a smaller radius, or reproject it"
            )
        width, height = raster.size
        # up to one cell beyond the rim: there stands what other rasters know, so that seams leave no step
        left, right = int(max(np.floor(column.min()) - 1, -1)), int(min(np.ceil(column.max()) + 2, width + 1))
        top, bottom = int(max(np.floor(row.min()) - 1, -1)), int(min(np.ceil(row.max()) + 2, height + 1))
        if right - left < 2 or bottom - top < 2:
            continue
        heights, known = mosaic.window(raster, left, right, top, bottom)
        # counted from the window's own first column and row: only the constant terms change
        maps[0, 0] -= left
        maps[1, 0] -= top
        own = (-left, width - 1 - left, -top, height - 1 - top)
        yield _Window(layer, heights, known, maps, own, raster)


def _crossed(raster: Raster, column: Floats, row: Floats) -> bool:
    """Whether a raster too small to be met by any point may lie between them."""
    width, height = raster.size
    return bool(column.min() < width and column.max() > -1.0 and row.min() < height and row.max() > -1.0)


def _refuse_radius_beyond(ground: Mosaic, name: str, plane: Plane, radius: float, least_share: float) -> None:
    """Say in one line how far the rasters reach, if not far enough."""
    bearing = np.radians(np.arange(0.0, 360.0, 0.5))

    def outside(reach: Floats) -> NDArray[np.bool_]:
        lat, lon = plane.geographic(reach * np.sin(bearing), reach * np.cos(bearing))
        on = np.zeros(bearing.shape, dtype=bool)
        for raster in ground.rasters:
            on |= raster.covers(lat, lon)
        return ~on

    astray = outside(np.full(bearing.shape, radius))
    if not astray.any():
        return
    low, high = np.zeros(bearing.shape), np.full(bearing.shape, radius)
    # halved between the station, which has ground, and the rim; 24 times leave far less than a metre
    for _ in range(24):
        middle = (low + high) / 2.0
        out = outside(middle)
        low, high = np.where(out, low, middle), np.where(out, middle, high)
    reach = np.where(astray, low, radius)
    # shares of area: sectors of equal width go by the square of their reach
    if np.mean((reach / radius) ** 2) >= least_share:
        return
    worst = int(reach.argmin())
    least_m = float(reach[worst])
    most_km = f"{math.floor(least_m / 100.0) / 10.0:g}" if least_m >= 100.0 else f"{least_m / 1e3:.3f}"
    raise TerrainError(
        f"a radius of {radius / 1e3:g} km around {name} reaches beyond the rasters: they end "
        f"{least_m / 1e3:.2f} km away at bearing {worst / 2.0:.0f}°; take "
        f"{most_km} km, or name rasters that cover it all"
    )

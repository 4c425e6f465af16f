"""One elevation raster: any file rasterio opens.

What counts as a height:

- band 1, after the band's scale, offset and unit (metres where none is declared);
- never what the raster declares as nodata or masks, never NaN, and never a stored -32768, declared or not;
- never a value outside the limits (-500 m to 9000 m unless told otherwise): such values are taken as
  nodata and remembered, so that undeclared fill values cannot pass for ground.
"""

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats
from linkcalc.errors import TerrainError
from linkcalc.terrain import geodesy, sources
from linkcalc.terrain.sources import Source, one_line
from linkcalc.units import METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT

Indices = NDArray[np.int64]
Singles = NDArray[np.float32]
Affine = tuple[float, float, float, float, float, float]
"""(a, b, c, d, e, f): x = a column + b row + c, y = d column + e row + f, at cell corners."""

GROUND_LIMITS_M = (-500.0, 9000.0)
"""Lower than any dry land (-430 m) and higher than any summit (8849 m)."""
CANOPY_LIMITS_M = (-10.0, 120.0)
"""Height above ground; no tree is known to exceed 116 m."""

MARGIN_CELLS = 3
"""Cells beside an area that is read, so that heights at its rim are interpolated as in the whole."""
STEPS_TAG = "LINKCALC_STEPS_M"
"""Tag of a copied part of a raster: the cell steps at the middle of the whole."""

HeightUnit = Literal["m", "ft", "us_survey_ft"]

# the fill value of 16-bit elevation tiles, whose copies often do not declare it
_NEVER_A_HEIGHT = -32768
_NO_CLASS = 255
"""Stands for no class of land cover, declared or not, as 0 does."""

_CELLS_PER_READ = 1 << 18

TOUCH = 1e-6
"""Share of a cell within which a point counts as on a cell's centre or edge."""
_SAME_UNIT = 1e-4
"""Share by which two units may differ and still be the same (the two feet differ by 2e-6)."""
_UNITS_M = {
    1.0: "/m/metre/metres/meter/meters",
    0.1: "dm/decimetre/decimeter",
    0.01: "cm/centimetre/centimeter",
    METRES_PER_FOOT: "ft/foot/feet/international foot",
    METRES_PER_US_SURVEY_FOOT: "us survey foot/us survey feet/us-ft/us_survey_ft/ftus/foot_us/us foot/survey foot",
}
_METRES_PER_UNIT = {name: metres for metres, names in _UNITS_M.items() for name in names.split("/")}


@dataclass(frozen=True)
class Placing:
    """Where a raster's cells lie; can be pickled."""

    crs: str
    inverse: Affine
    """From the CRS to column and row, at cell corners."""
    middle_x: float | None
    """Longitude of the middle, which others are counted from; None on a map's grid."""

    def pixel(self, latitude_deg: Floats, longitude_deg: Floats) -> tuple[Floats, Floats]:
        """Column and row of positions, counted so that whole numbers are cell centres."""
        x, y = geodesy.transformer("EPSG:4326", self.crs).transform(longitude_deg, latitude_deg)
        if self.middle_x is not None:
            # a raster may count longitudes from 0 to 360, or lie across the 180th meridian
            x = self.middle_x + _wrapped(np.asarray(x) - self.middle_x)
        # PROJ answers with infinity where a position cannot be projected
        x, y = np.where(np.isfinite(x), x, np.nan), np.where(np.isfinite(y), y, np.nan)
        col, row = _apply(self.inverse, x, y)
        return col - 0.5, row - 0.5


class Raster:
    """One open raster; use it through `Mosaic`."""

    def __init__(
        self,
        source: Source,
        dataset: Any,
        limits_m: tuple[float, float],
        *,
        height_unit: HeightUnit | None = None,
        classes: Mapping[int, float] | None = None,
        network: bool = False,
    ) -> None:
        self.name = source.name
        self._source, self._network = source, network
        self._classes = classes
        self._data = dataset
        self._ended = False
        self._limits_m = limits_m
        self._refuse_what_holds_no_heights()
        self._scale, self._offset = dataset.scales[0], dataset.offsets[0]
        self.notes: tuple[str, ...] = ()
        self._unit_m = self._metres_per_unit(height_unit)
        self._affine: Affine = tuple(dataset.transform)[:6]
        self.size = self._width, self._height = dataset.width, dataset.height
        """Columns and rows."""
        self._block = dataset.block_shapes[0]
        self._geographic = bool(dataset.crs.is_geographic)
        name = self.name
        try:
            crs = dataset.crs.to_wkt()
            middle_x = _apply(self._affine, self._width / 2, self._height / 2)[0]
            inverse: Affine = tuple(~dataset.transform)[:6]
            self.placing = Placing(crs, inverse, middle_x if self._geographic else None)
            self._to_position = geodesy.transformer(crs, "EPSG:4326")
            self.vertical = geodesy.vertical_name(crs)
            """The surface that its heights are counted from; empty where it does not say."""
            self.bounds = self._outline()
            """South, west, north and east limits in degrees; west > east across the 180th meridian."""
            # how long a step of one cell is on the ground, at the middle of the raster
            col = np.array([0.0, 1.0, 0.0]) + self._width // 2
            row = np.array([0.0, 0.0, 1.0]) + self._height // 2
            lat, lon = self.position(col, row)
            steps = [geodesy.path_between(lat[0], lon[0], lat[i], lon[i])[0] for i in (1, 2)]
            # a part of a tile has its points where the whole tile has them
            if kept := dataset.tags().get(STEPS_TAG):
                steps = [float(step) for step in kept.split()]
        except Exception as error:  # pyproj has no common error class for what a CRS can do wrong
            raise TerrainError(
                f"raster {name}: its coordinate system cannot be tied to latitude and longitude ({error})"
            ) from error
        self.steps_m = (steps[0], steps[1])
        """How long a step of one column and one row is on the ground, at the middle of the raster."""
        self.spacing_m = min(steps)
        self.cell_m = max(steps)
        """The longer side of a cell, on the ground."""
        self.rank = self._rank()
        self.out_of_limits: tuple[int, float] = (0, 0.0)
        """How often a cell outside the limits was met so far, and the last such value in metres."""

    @property
    def cell_words(self) -> str:
        """Its cells, for a report."""
        return f"{self.spacing_m:.3g} m{', land cover' if self._classes else ''}"

    def _refuse_what_holds_no_heights(self) -> None:
        from rasterio.enums import ColorInterp

        data, name = self._data, self.name
        if data.count == 0:
            raise TerrainError(f"raster {name} is a container without bands; name one of its datasets")
        if data.crs is None:
            raise TerrainError(
                f"raster {name} has no coordinate system, so its place on Earth is unknown; "
                "assign the one it was made in"
            )
        if not (data.crs.is_geographic or data.crs.is_projected):
            code = data.crs.to_epsg()
            where = f"EPSG:{code}" if code else str(data.crs)[:60]
            raise TerrainError(
                f"raster {name} is in {where}, neither latitude and longitude nor a map's "
                "grid; reproject it to one of them"
            )
        if data.transform.is_identity or data.transform.is_degenerate:
            raise TerrainError(f"raster {name} is not georeferenced: nothing says where its cells lie")
        if self._classes is not None:
            if np.dtype(data.dtypes[0]).kind not in "iu" or data.colorinterp[0] == ColorInterp.red:
                raise TerrainError(f"raster {name} holds no classes of land cover, which are whole numbers")
            return
        if data.colorinterp[0] in (ColorInterp.red, ColorInterp.palette):
            raise TerrainError(
                f"raster {name} is a picture or a map of classes, not heights; a land cover goes into "
                "land_cover_rasters"
            )
        if np.dtype(data.dtypes[0]).kind not in "iuf":
            raise TerrainError(f"raster {name} holds {data.dtypes[0]}, not heights")

    def _metres_per_unit(self, stated: HeightUnit | None) -> float:
        if self._classes is not None:
            return 1.0
        said = (self._data.units[0] or "").strip()
        unit = said.lower()
        if stated is not None:
            metres = _METRES_PER_UNIT[stated]
            if unit and abs(_METRES_PER_UNIT.get(unit, 0.0) / metres - 1.0) > _SAME_UNIT:
                self.notes = (
                    f"{self.name} says that its heights are in {said}; the plan's {stated} is followed",
                )
            return metres
        if unit not in _METRES_PER_UNIT:
            raise TerrainError(
                f"raster {self.name} gives its heights in {said!r}; metres and feet are understood"
            )
        grid_m = 1.0 if self._data.crs.is_geographic else self._data.crs.linear_units_factor[1]
        if not unit and abs(grid_m - 1.0) > _SAME_UNIT:
            self.notes = (
                f"{self.name} lies on a grid in {self._data.crs.linear_units_factor[0]} and does not say what"
                " its heights count in: metres are taken; if they are feet, set height_unit in [terrain]",
            )
        return _METRES_PER_UNIT[unit]

    def _rank(self) -> int:
        """Order by cell size in steps of a quarter octave, so that near equals keep their listed order."""
        cell = abs(self._data.transform.determinant) ** 0.5
        cell *= geodesy.METRES_PER_DEGREE if self._geographic else self._data.crs.linear_units_factor[1]
        return round(4 * float(np.log2(cell)))

    def pixel(self, latitude_deg: Floats, longitude_deg: Floats) -> tuple[Floats, Floats]:
        """Column and row of positions, counted so that whole numbers are cell centres."""
        return self.placing.pixel(latitude_deg, longitude_deg)

    def position(self, column: ArrayLike, row: ArrayLike) -> tuple[Floats, Floats]:
        """Latitude and longitude of (fractional) cell centres."""
        x, y = _apply(self._affine, np.asarray(column) + 0.5, np.asarray(row) + 0.5)
        lon, lat = self._to_position.transform(x, y)
        return lat, _wrapped(np.asarray(lon))

    def near(self, column: Floats, row: Floats, margin: float) -> NDArray[np.bool_]:
        """Whether points lie within `margin` cells of the outermost cell centres."""
        with np.errstate(invalid="ignore"):
            across = (column > -margin) & (column < self._width - 1 + margin)
            down = (row > -margin) & (row < self._height - 1 + margin)
        return np.asarray(across & down)

    def covers(self, latitude_deg: Floats, longitude_deg: Floats) -> NDArray[np.bool_]:
        """Whether positions lie on the raster, rim included."""
        return self.near(*self.pixel(latitude_deg, longitude_deg), margin=0.5 + TOUCH)

    def box(self, latitude_deg: Floats, longitude_deg: Floats) -> tuple[int, int, int, int] | None:
        """First column and row, and those after the last, that an outline holds, with room for interpolation at its
        rim; None where it has none of them."""
        found: list[int] = []
        for cells, most in zip(self.pixel(latitude_deg, longitude_deg), self.size, strict=True):
            cells = cells[np.isfinite(cells)] + 0.5
            if not cells.size:
                return None
            first, last = int(np.floor(cells.min())), int(np.ceil(cells.max()))
            found += [max(first - MARGIN_CELLS, 0), min(last + MARGIN_CELLS, most)]
        left, right, top, bottom = found
        return (left, right, top, bottom) if right > left and bottom > top else None

    def meets(self, south: float, west: float, north: float, east: float) -> bool:
        """Whether an area may reach into the raster, by degrees; west > east across the 180th meridian."""
        low, left, high, right = self.bounds
        room = (
            2.0 * self.cell_m / 100_000.0 / max(np.cos(np.radians(min(max(abs(low), abs(high)), 89.0))), 0.01)
        )
        width = (right - left) % 360.0 or 360.0
        other = (east - west) % 360.0 or (360.0 if east != west else 0.0)
        across = (west - left + room) % 360.0 <= width + 2.0 * room
        across = across or (left - west + room) % 360.0 <= other + 2.0 * room
        return bool(low - room <= north and high + room >= south and across)

    def _outline(self) -> tuple[float, float, float, float]:
        columns, rows = (0, self._width, 0, self._width), (0, 0, self._height, self._height)
        x, y = _apply(self._affine, np.array(columns), np.array(rows))
        west, south, east, north = self._to_position.transform_bounds(x.min(), y.min(), x.max(), y.max())
        return south, _wrapped(west), north, _wrapped(east)

    def cells(self, column: Indices, row: Indices) -> Floats:
        """Heights of whole cells, shape of the arguments (4, n); NaN for nodata and beyond the rim."""
        found = np.full(column.shape, np.nan)
        inside = (column >= 0) & (column < self._width) & (row >= 0) & (row < self._height)
        spans = [(0, column.shape[1])]
        while spans:
            first, last = spans.pop()
            use = inside[:, first:last]
            if not use.any():
                continue
            c, r = column[:, first:last][use], row[:, first:last][use]
            left, right, top, bottom = c.min(), c.max() + 1, r.min(), r.max() + 1
            # one window around points far apart could be the whole raster: halved until it is small
            if (right - left) * (bottom - top) > _CELLS_PER_READ and last - first > 1:
                middle = (first + last) // 2
                spans += [(first, middle), (middle, last)]
                continue
            window = self._read(int(left), int(right), int(top), int(bottom))
            found[:, first:last][use] = self._heights(window[r - top, c - left])
        return self._within_limits(found)

    def block(self, left: int, right: int, top: int, bottom: int) -> Singles:
        """Heights of a block of cells; NaN for nodata and beyond the rim. Reads each block of the file once.

        Kept in single precision: a height below 9000 m to half a millimetre.
        """
        found = np.full((bottom - top, right - left), np.nan, dtype=np.float32)
        first, last = max(left, 0), min(right, self._width)
        row, end = max(top, 0), min(bottom, self._height)
        tall = self._block[0]
        tall *= max(_CELLS_PER_READ // (tall * max(last - first, 1)), 1)
        while first < last and row < end:
            stop = min((row // tall + 1) * tall, end)
            heights = self._within_limits(self._heights(self._read(first, last, row, stop)))
            found[row - top : stop - top, first - left : last - left] = heights
            row = stop
        return found

    def _within_limits(self, heights: Floats) -> Floats:
        """The same, what is no height taken out and counted."""
        with np.errstate(invalid="ignore"):
            absurd = (heights < self._limits_m[0]) | (heights > self._limits_m[1])
        if absurd.any():
            self.out_of_limits = (self.out_of_limits[0] + int(absurd.sum()), float(heights[absurd][0]))
            heights[absurd] = np.nan
        return heights

    def _read(self, left: int, right: int, top: int, bottom: int) -> "np.ma.MaskedArray[Any, Any]":
        from rasterio.errors import RasterioError
        from rasterio.windows import Window

        window = Window(left, top, right - left, bottom - top)
        with ExitStack() as stack:
            data = self._data
            if self._ended:
                raise TerrainError(f"raster {self.name} has been closed")
            if data.closed:
                # of many rasters none is kept open; see `open_mosaic`
                data = stack.enter_context(sources.opened(self._source, network=self._network))
            try:
                return np.ma.asarray(data.read(1, window=window, masked=True))
            except RasterioError as error:
                raise TerrainError(
                    f"raster {self.name} is damaged or cannot be reached: {one_line(error)}"
                ) from error

    def _heights(self, raw: "np.ma.MaskedArray[Any, Any]") -> Floats:
        """Stored values as metres, NaN for nodata."""
        stored = raw.data
        if self._classes is not None:
            return self._of_classes(raw)
        unknown = np.ma.getmaskarray(raw) | (stored == _NEVER_A_HEIGHT) | ~np.isfinite(stored)
        heights = (stored.astype(np.float64) * self._scale + self._offset) * self._unit_m
        return np.where(unknown, np.nan, heights)

    def _of_classes(self, raw: "np.ma.MaskedArray[Any, Any]") -> Floats:
        """What stands for each class; NaN for nodata, 0 and 255."""
        assert self._classes is not None
        stored = np.where(np.ma.getmaskarray(raw), 0, raw.data).astype(np.int64)
        unknown = (stored == 0) | (stored == _NO_CLASS)
        strange = ~unknown & ~np.isin(stored, list(self._classes))
        if strange.any():
            raise TerrainError(
                f"raster {self.name} holds {stored[strange][0]}, which is not a known land cover class "
                f"({', '.join(map(str, self._classes))}, see `linkcalc ground`)"
            )
        table = np.full(_NO_CLASS + 1, np.nan)
        table[list(self._classes)] = list(self._classes.values())
        return table[np.where(unknown, 0, stored)]

    def close(self) -> None:
        """Close the file for good."""
        self._ended = True
        self._data.close()


def _apply(affine: Affine, column: Any, row: Any) -> tuple[Any, Any]:
    a, b, c, d, e, f = affine
    return a * column + b * row + c, d * column + e * row + f


def _wrapped(longitude_deg: Any) -> Any:
    return (longitude_deg + 180.0) % 360.0 - 180.0

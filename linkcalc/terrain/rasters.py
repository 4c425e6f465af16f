"""Elevation rasters, one or many, as one seamless surface; the ground under a station, and where it may be meant to be.

How heights are sampled: bilinear between the centres of the four cells around a point. A cell that the
raster lacks, beyond its rim or in a hole, is asked of the other rasters at that cell's centre, so that
neither seams nor filled holes leave a step. Where no raster knows it, the other cells share its weight,
provided the point's own cell is known; else the point has no height (NaN).

Only windows around the points are read, so that memory follows the path and not the raster.

Everything here raises `TerrainError` where a raster cannot be used, and `DomainError` for arguments out of range.
"""

import warnings
from collections.abc import Collection, Mapping, Sequence
from contextlib import ExitStack
from math import isfinite
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.errors import TerrainError
from linkcalc.terrain import geodesy, sources
from linkcalc.terrain.raster import GROUND_LIMITS_M, TOUCH, HeightUnit, Raster, Singles

_FEWEST_TO_SORT_OUT = 4
_MOST_KEPT_OPEN = 100
"""Of more rasters than this only those that are being read are open."""

_CACHE_BYTES = 64_000_000


class Mosaic:
    """Open rasters read as one surface; made by `open_mosaic`, closed by ``with``.

    Not to be shared between threads or processes: open one in each.
    """

    def __init__(self, rasters: Sequence[Raster], options: Mapping[str, str] = sources.OFFLINE) -> None:
        self._options = options
        self.rasters = tuple(sorted(rasters, key=lambda r: r.rank))
        """Finest first; cells of about the same size (a quarter octave) rank as listed."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        self.close()

    def close(self) -> None:
        for raster in self.rasters:
            raster.close()

    def _reading(self) -> Any:
        import rasterio

        # GDAL would keep every block it touched, up to a share of the machine's memory
        return rasterio.Env(GDAL_CACHEMAX=_CACHE_BYTES, **self._options)

    @property
    def spacing_m(self) -> float:
        """Shortest cell step of the finest raster, metres on the ground; infinite without rasters."""
        return min((r.spacing_m for r in self.rasters), default=np.inf)

    def sample(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> Floats:
        """Heights at positions, bilinear, from the finest raster that holds data there.

        Parameters
        ----------
        latitude_deg, longitude_deg : array_like, degrees, shapes that broadcast
            WGS 84. Points that follow one another should lie close together, as along a path or row by
            row: each read then takes a small window.

        Returns
        -------
        ndarray, metres, broadcast shape
            NaN where no raster has data.
        """
        lat = checked("latitude_deg", latitude_deg, at_least=-90.0, at_most=90.0)
        lon = checked("longitude_deg", longitude_deg)
        lat, lon = np.broadcast_arrays(lat, lon)
        with self._reading():
            return self._sample(lat.ravel(), lon.ravel(), fill=True).reshape(lat.shape)

    def only(self, raster: Raster) -> "Mosaic":
        """One of the rasters alone; not to be closed."""
        return Mosaic([raster], self._options)

    def holding(self, latitude_deg: Floats, longitude_deg: Floats) -> tuple[Raster, ...]:
        """The rasters on which any of the positions lies, finest first."""
        near = self._meeting(latitude_deg, longitude_deg)
        return tuple(r for r in near if r.covers(latitude_deg, longitude_deg).any())

    def block(self, raster: Raster, left: int, right: int, top: int, bottom: int) -> Singles:
        """A block of one raster's cells as it holds them; see `window`."""
        with self._reading():
            return raster.block(left, right, top, bottom)

    def window(
        self, raster: Raster, left: int, right: int, top: int, bottom: int
    ) -> tuple[Singles, NDArray[np.bool_]]:
        """A block of one raster's cells, for whoever samples in memory what `sample` would give: heights, NaN where
        unknown, and which of them the raster itself knows.

        Columns and rows are the first and those after the last, and may lie beyond the rim. What the raster lacks
        beside a cell that it knows has been asked of the other rasters.
        """
        with self._reading():
            heights = raster.block(left, right, top, bottom)
            known = ~np.isnan(heights)
            if len(self.rasters) > 1 and not known.all():
                beside = np.zeros_like(known)
                padded = np.pad(known, 1)
                for down, across in np.ndindex(3, 3):
                    beside |= padded[down : down + known.shape[0], across : across + known.shape[1]]
                # farther from a known cell none has a weight: a height is drawn between neighbours only
                rows, columns = np.nonzero(beside & ~known)
                position = raster.position(columns + left, rows + top)
                heights[rows, columns] = self._sample(*position, fill=False)
        return heights, known

    def _meeting(self, lat: Floats, lon: Floats) -> Sequence[Raster]:
        """The rasters that points may lie on; of many tiles most lie elsewhere."""
        if len(self.rasters) < _FEWEST_TO_SORT_OUT or not lat.size:
            return self.rasters
        box = (float(lat.min()), float(lon.min()), float(lat.max()), float(lon.max()))
        return [raster for raster in self.rasters if raster.meets(*box)]

    def _sample(self, lat: Floats, lon: Floats, *, fill: bool) -> Floats:
        heights = np.full(lat.shape, np.nan)
        for raster in self._meeting(lat, lon):
            open_ = np.flatnonzero(np.isnan(heights))
            if not open_.size:
                break
            col, row = raster.pixel(lat[open_], lon[open_])
            # up to a cell beyond the outermost centres: between two tiles a height is drawn from both
            near = raster.near(col, row, margin=1.0)
            if near.any():
                heights[open_[near]] = self._bilinear(raster, col[near], row[near], fill=fill)
        return heights

    def _bilinear(self, raster: Raster, col: Floats, row: Floats, *, fill: bool) -> Floats:
        left, top = np.floor(col).astype(np.int64), np.floor(row).astype(np.int64)
        u, v = col - left, row - top
        columns = np.stack([left, left + 1, left, left + 1])
        rows = np.stack([top, top, top + 1, top + 1])
        weights = np.stack([(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v])
        values = raster.cells(columns, rows)
        # a point on a cell's centre needs none of the neighbours
        matters = weights > TOUCH
        if fill:
            lacking = np.isnan(values) & matters
            lacking &= (~np.isnan(values) & matters).any(axis=0)
            if lacking.any():
                lat, lon = raster.position(columns[lacking], rows[lacking])
                # not filled in turn: rasters with holes side by side could ask each other without end
                values[lacking] = self._sample(lat, lon, fill=False)
        known = ~np.isnan(values) & matters
        # a point midway between centres belongs to each of these cells
        own_known = (known & (weights >= weights.max(axis=0) - TOUCH)).any(axis=0)
        share = np.where(known, weights, 0.0)
        total = np.where(own_known, share.sum(axis=0), np.nan)
        return np.asarray((share * np.where(known, values, 0.0)).sum(axis=0) / total)


def open_mosaic(
    paths: Sequence[str | Path],
    base_dir: str | Path | None = None,
    *,
    limits_m: tuple[float, float] = GROUND_LIMITS_M,
    height_unit: HeightUnit | None = None,
    feet: Collection[str] = (),
    classes: Mapping[int, float] | None = None,
    network: bool = False,
) -> Mosaic:
    """Open rasters as one surface, to be used in ``with``: files stay open until its end.

    Parameters
    ----------
    paths : sequence of str or Path
        Files, folders of them, patterns, addresses: see `linkcalc.terrain.sources.sources`. A ``.zip`` that is named
        itself must hold exactly one raster. None at all gives a mosaic without heights.
    base_dir : str, Path or None
        Folder of relative paths; None is the current one.
    limits_m : tuple of two floats, metres
        What lies outside is taken as nodata.
    height_unit : "m", "ft", "us_survey_ft" or None
        What heights count in, whatever the files say; None: what each says, metres where it says nothing.
    feet : collection of str
        Entries of `paths` whose heights are in feet, whatever the files say.
    classes : mapping of int to float, optional
        The files hold classes of land cover, and these are the heights that stand for them, m.
    network : bool
        Whether addresses may be read. If not, nothing reaches the network, whatever a file holds.

    Examples
    --------
    >>> import rasterio
    >>> grid = {"crs": "EPSG:4326", "transform": rasterio.Affine(0.001, 0, 3.0, 0, -0.001, 9.003)}
    >>> shape = {"driver": "GTiff", "count": 1, "width": 3, "height": 3, "dtype": "int16"}
    >>> with rasterio.open("/vsimem/mosaic_doc.tif", "w", **shape, **grid) as file:
    ...     file.write(np.arange(9, dtype=np.int16).reshape(3, 3), 1)
    >>> with open_mosaic(["/vsimem/mosaic_doc.tif"]) as mosaic:
    ...     mosaic.sample([9.0015, 9.001, 8.0], [3.0015, 3.002, 3.0]).round(6)
    array([ 4.,  6., nan])
    """
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning

    if isinstance(paths, str | Path):
        paths = [paths]
    found = sources.sources(paths, base_dir)
    options = sources.options(network=network)
    rasters: list[Raster] = []
    with ExitStack() as on_fault, rasterio.Env(**options):
        for source in found:
            with warnings.catch_warnings():
                # said in our own words by Raster
                warnings.simplefilter("ignore", NotGeoreferencedWarning)
                dataset = sources.opened(source, network=network)
            on_fault.callback(dataset.close)
            unit = "ft" if source.listed in feet else height_unit
            made = Raster(source, dataset, limits_m, height_unit=unit, classes=classes, network=network)
            rasters.append(made)
            if len(found) > _MOST_KEPT_OPEN:
                dataset.close()
        # all are open: from here on the mosaic closes them
        on_fault.pop_all()
    return Mosaic(rasters, options)


def station_ground_m(name: str, lat: float, lon: float, mosaic: Mosaic) -> float:
    """Return the height under a station, or say why there is none and what the remedy may be."""
    ground_m = float(mosaic.sample(lat, lon))
    if isfinite(ground_m):
        return ground_m
    at = f"{name} at {geodesy.position_text(lat, lon)}"
    on = mosaic.holding(np.array([lat]), np.array([lon]))
    if on:
        absurd = [r for r in on if r.out_of_limits[0]]
        reason = (
            f"; {absurd[0].name} holds impossible heights there, such as {absurd[0].out_of_limits[1]:.0f} m"
            if absurd
            else ""
        )
        raise TerrainError(f"{at} stands where {on[0].name} has no height (nodata){reason}")

    nearest, gap_m = min(((r, _gap_m(lat, lon, r.bounds)) for r in mosaic.rasters), key=lambda pair: pair[1])
    south, west, north, east = nearest.bounds
    others = f" and {len(mosaic.rasters) - 1} more" if len(mosaic.rasters) > 1 else ""
    guesses = likely_positions(lat, lon)
    remedies = [
        remedy
        for remedy, (y, x) in guesses.items()
        if abs(y) <= 90.0 and any(r.covers(np.array([y]), np.array([x])).any() for r in mosaic.rasters)
    ]
    gap = f"{gap_m:.0f} m" if gap_m < 1000.0 else f"{gap_m / 1000.0:.1f} km"
    remedy = remedies[0] if remedies else "check its position, or name a raster that covers it"
    raise TerrainError(
        f"{at} lies {gap} outside {nearest.name}{others}, which covers "
        f"{geodesy.position_text(south, west)} to {geodesy.position_text(north, east)}: {remedy}"
    )


def likely_positions(lat: float, lon: float) -> dict[str, tuple[float, float]]:
    """Where a position may have been meant to lie, by the question that asks for it."""
    return {
        "has the longitude the wrong sign?": (lat, -lon),
        "has the latitude the wrong sign?": (-lat, lon),
        "have both the wrong sign?": (-lat, -lon),
        "are latitude and longitude swapped?": (lon, lat),
        "are latitude and longitude swapped, the longitude with the wrong sign?": (lon, -lat),
        "are latitude and longitude swapped, the latitude with the wrong sign?": (-lon, lat),
        "are latitude and longitude swapped, both with the wrong sign?": (-lon, -lat),
    } | _other_zones(lat, lon)


def _other_zones(lat: float, lon: float) -> dict[str, tuple[float, float]]:
    """Where the same easting and northing lie in other UTM zones: whole zones farther east or west."""
    zones = {}
    for steps in (1, -1, 2, -2, 3, -3):
        x = (lon + 6.0 * steps + 180.0) % 360.0 - 180.0
        zone = int((x + 180.0) // 6.0) % 60 + 1
        code = (32600 if lat >= 0.0 else 32700) + zone
        zones[f"is it in another UTM zone? In zone {zone} (EPSG:{code}) it would lie on the raster"] = (
            lat,
            x,
        )
    return zones


def _gap_m(lat: float, lon: float, bounds: tuple[float, float, float, float]) -> float:
    south, west, north, east = bounds
    width = (east - west) % 360.0 or 360.0
    past_west = (lon - west) % 360.0
    nearer_edge = east if past_west - width < 360.0 - past_west else west
    edge_lon = lon if past_west <= width else nearer_edge
    return geodesy.path_between(lat, lon, min(max(lat, south), north), edge_lon)[0]

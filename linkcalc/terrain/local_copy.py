"""A part of a raster, kept as a small file: what a plan needs of a tile that lies elsewhere.

Cells are copied as they are stored, on their own grid, so that heights from the copy are heights from the
tile.

Every function here raises `TerrainError` where a server or a raster does not give what is asked.
"""

import hashlib
import urllib.error
import urllib.request
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc._arrays import Floats
from linkcalc._version import __version__
from linkcalc.errors import TerrainError
from linkcalc.terrain import sources
from linkcalc.terrain.open_sets import Bounds
from linkcalc.terrain.raster import GROUND_LIMITS_M, STEPS_TAG, Raster
from linkcalc.terrain.sources import Source, one_line

MOST_CELLS = 100_000_000
_SOURCE_TAG, _SUM_TAG, _BOUNDS_TAG = "LINKCALC_SOURCE", "LINKCALC_SHA256", "LINKCALC_BOUNDS"
WAIT_S = 15.0


def is_there(address: str) -> bool:
    """Whether a server has a file at an address: asks for its first byte.

    It has not where it says that there is no such file, as for tiles of open sea.
    """
    request = urllib.request.Request(
        address, headers={"Range": "bytes=0-0", "User-Agent": f"linkcalc/{__version__}"}
    )
    try:
        with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
            # a server that passes over the range would send the whole tile each time
            if answer.status != 206:
                raise TerrainError(f"{address}: the server does not give parts of files (HTTP ranges)")
        return True
    except urllib.error.HTTPError as error:
        error.close()
        # 403: stores that may not be listed answer so for what is not there
        if error.code in (403, 404, 410):
            return False
        raise TerrainError(f"{address}: the server answers {error.code} {error.reason}") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", None) or error
        raise TerrainError(f"{address} cannot be reached: {' '.join(str(reason).split())}") from None


def copied(
    source: Source, bounds: Bounds, *, network: bool, classes: Mapping[int, float] | None = None
) -> bytes | None:
    """Read the part of a raster that covers an area, as the bytes of a GeoTIFF; None where it does not reach there.

    `classes` as for `linkcalc.terrain.rasters.open_mosaic`, if it holds any.
    """
    import rasterio
    from rasterio.errors import RasterioError
    from rasterio.windows import Window

    with rasterio.Env(**sources.options(network=network)), sources.opened(source, network=network) as data:
        raster = Raster(source, data, GROUND_LIMITS_M, classes=classes)
        box = raster.box(*_grid_over(bounds))
        if box is None:
            return None
        left, right, top, bottom = box
        cells = (right - left) * (bottom - top)
        if cells > MOST_CELLS:
            raise TerrainError(
                f"raster {source.name}: the area takes {cells / 1e6:.0f} million cells of it, and at most "
                f"{MOST_CELLS / 1e6:.0f} are kept; get the tile itself, or look at a smaller area"
            )
        window = Window(left, top, right - left, bottom - top)
        try:
            values = data.read(1, window=window)
        except RasterioError as error:
            raise TerrainError(
                f"raster {source.name} cannot be read to the end: {one_line(error)}"
            ) from error
        profile = {
            "driver": "GTiff", "count": 1, "dtype": data.dtypes[0], "crs": data.crs, "nodata": data.nodata,
            "width": right - left, "height": bottom - top, "transform": _moved(data.transform, left, top),
            "compress": "deflate", "predictor": 3 if np.dtype(data.dtypes[0]).kind == "f" else 2,
        }  # fmt: skip
        with rasterio.MemoryFile() as memory:
            with memory.open(**profile) as file:
                file.write(values, 1)
                file.scales, file.offsets = data.scales[:1], data.offsets[:1]
                file.units = [data.units[0] or ""]
                kept = {_SOURCE_TAG: source.location.removeprefix("/vsicurl/"), _SUM_TAG: _sum(values)}
                file.update_tags(**{STEPS_TAG: " ".join(map(repr, raster.steps_m))})
                file.update_tags(**kept, **{_BOUNDS_TAG: " ".join(f"{b:.6f}" for b in bounds)})
                if area := data.tags().get("AREA_OR_POINT"):
                    file.update_tags(AREA_OR_POINT=area)
            return bytes(memory.read())


def holds(path: Path, address: str, bounds: Bounds) -> bool:
    """Whether a copy was read from an address, covers an area, and still has the cells it was given."""
    import rasterio
    from rasterio.errors import RasterioError

    try:
        source = Source(str(path), str(path), str(path))
        with rasterio.Env(**sources.OFFLINE), sources.opened(source) as data:
            tags = data.tags()
            whole = tags.get(_SUM_TAG) == _sum(data.read(1))
    except (TerrainError, RasterioError, OSError):
        return False
    held = [float(x) for x in tags.get(_BOUNDS_TAG, "90 0 -90 0").split()]
    south, west, north, east = (round(b, 6) for b in bounds)
    inside = held[0] <= south and held[1] <= west and held[2] >= north and held[3] >= east
    return whole and inside and tags.get(_SOURCE_TAG) == address


def _grid_over(bounds: Bounds) -> tuple[Floats, Floats]:
    """Latitudes and longitudes of points all over an area."""
    south, west, north, east = bounds
    east += 360.0 if east < west else 0.0
    longitude, latitude = np.meshgrid(np.linspace(west, east, 21), np.linspace(south, north, 21))
    return latitude.ravel(), longitude.ravel()


def _moved(transform: Any, column: int, row: int) -> Any:
    """The same grid, counted from another cell (rasterio's own way warns of a deprecated operator)."""
    t = transform
    x, y = t.a * column + t.b * row + t.c, t.d * column + t.e * row + t.f
    return type(t)(t.a, t.b, x, t.d, t.e, y)


def _sum(values: Any) -> str:
    return hashlib.sha256(np.ascontiguousarray(values).tobytes()).hexdigest()

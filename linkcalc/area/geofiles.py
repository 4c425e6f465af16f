"""Coverage as files for maps: a GeoTIFF of all bands, and the area that closes as GeoJSON."""

import json
import warnings
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from linkcalc.area.coverage import NODATA, Band, CoverageResult
from linkcalc.errors import LinkcalcError
from linkcalc.requirement import VERDICTS
from linkcalc.terrain import geodesy

_BLOCK = 256
_OVERVIEWS = (2, 4, 8, 16, 32)


def geotiff(result: CoverageResult) -> bytes:
    """All bands as a tiled, compressed GeoTIFF, nodata -9999.

    Parameters
    ----------
    result : CoverageResult

    Returns
    -------
    bytes
        Of the file.

    Raises
    ------
    LinkcalcError
        If the file cannot be put together.
    """
    return tiled_geotiff("coverage.tif", *result.raster())


def tags(result: CoverageResult) -> dict[str, str]:
    """What the answer is about, as words for the heads of files."""
    return {
        "station": result.station,
        "station_latitude_deg": f"{result.latitude_deg:.7f}",
        "station_longitude_deg": f"{result.longitude_deg:.7f}",
        "link": result.link.name,
        "link_from": result.link.from_,
        "link_to": result.link.to,
        "moved_station": result.moved,
        "frequency_hz": f"{result.frequency_hz:.0f}",
        "signal": result.signal,
        "profiles": "a full one for each cell" + (", a preview with larger cells" if result.preview else ""),
    }


def tiled_geotiff(
    name: str,
    layers: Sequence[tuple[Band, Any]],
    crs: str,
    affine: tuple[float, float, float, float, float, float],
    tags: Mapping[str, str],
) -> bytes:
    """Layers as a tiled, compressed GeoTIFF, nodata -9999.

    Parameters
    ----------
    name : str
        What an error calls the file.
    layers : sequence of Band and ndarray (rows, columns)
        NaN where there is no value.
    crs : str
    affine : tuple of float
        From column and row (at cell corners) to the coordinates of `crs`.
    tags : mapping of str to str

    Raises
    ------
    LinkcalcError
        If the file cannot be put together.
    """
    from rasterio import Affine
    from rasterio.enums import Resampling
    from rasterio.errors import NotGeoreferencedWarning, RasterioError
    from rasterio.io import MemoryFile

    rows, columns = layers[0][1].shape
    grid = {
        "driver": "GTiff", "dtype": "float32", "count": len(layers), "height": rows, "width": columns,
        "crs": crs, "transform": Affine(*affine), "nodata": NODATA,
        "tiled": True, "blockxsize": _BLOCK, "blockysize": _BLOCK,
        "compress": "deflate", "predictor": 3, "interleave": "band",
    }  # fmt: skip
    try:
        with MemoryFile() as memory:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", NotGeoreferencedWarning)
                with memory.open(**grid) as file:
                    file.update_tags(**tags)
                    for number, (band, values) in enumerate(layers, start=1):
                        file.write(np.where(np.isnan(values), NODATA, values).astype(np.float32), number)
                        file.set_band_description(number, f"{band.name}: {band.description}")
                        file.set_band_unit(number, band.unit)
                        file.update_tags(number, unit=band.unit)
                    # a verdict is a class: of four cells one stands for all
                    file.build_overviews(
                        [f for f in _OVERVIEWS if min(rows, columns) >= f * _BLOCK // 2], Resampling.nearest
                    )
            return bytes(memory.read())
    except RasterioError as error:
        raise LinkcalcError(f"{name} cannot be put together: {error}") from error


def closing_area(result: CoverageResult) -> str:
    """The area that closes, that at risk, and the station, as GeoJSON (RFC 7946: WGS 84, longitude first).

    Cell edges are kept as they are: the area is that of the cells.
    """
    station = {
        "type": "Feature",
        "geometry": {
            "type": "Point",
            "coordinates": [round(result.longitude_deg, 7), round(result.latitude_deg, 7)],
        },
        "properties": {"what": "station", "station": result.station},
    }
    features = [_area_of(result, "closes"), station, _area_of(result, "at_risk")]
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False)


def _area_of(result: CoverageResult, verdict: str) -> dict[str, Any]:
    from rasterio import Affine
    from rasterio.features import shapes

    cells = (result.bands["verdict"] == VERDICTS.index(verdict)).astype(np.uint8)
    to_geographic = geodesy.transformer(result.crs, "EPSG:4326")
    polygons = []
    for shape, _ in shapes(cells, mask=cells > 0, transform=Affine(*result.affine)):
        rings = []
        for number, ring in enumerate(shape["coordinates"]):
            x, y = np.array(ring).T
            turn = float(x[:-1] @ y[1:] - x[1:] @ y[:-1])
            if (turn > 0.0) != (number == 0):  # outside anticlockwise, holes clockwise
                x, y = x[::-1], y[::-1]
            lon, lat = to_geographic.transform(x, y)
            rings.append([[round(float(a), 7), round(float(b), 7)] for a, b in zip(lon, lat, strict=True)])
        polygons.append(rings)
    return {
        "type": "Feature",
        "geometry": {"type": "MultiPolygon", "coordinates": polygons},
        "properties": {
            "what": verdict,
            "link": result.link.name,
            "station": result.station,
            "moved_station": result.moved,
            "area_km2": round(result.area_km2(verdict), 6),
            "cell_m": result.cell_m,
            "radius_m": result.radius_m,
            "preview": result.preview,
        },
    }

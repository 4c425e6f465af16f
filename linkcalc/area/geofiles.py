"""Coverage as files for maps: a GeoTIFF of all bands, and the area that closes as GeoJSON."""

import warnings
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linkcalc.area.coverage_result import CoverageResult, Served
from linkcalc.area.geojson import collection, feature, lon_lat
from linkcalc.area.tiles import NODATA, Band
from linkcalc.errors import LinkcalcError
from linkcalc.link.requirement import VERDICTS
from linkcalc.terrain import geodesy

_BLOCK = 256
_OVERVIEWS = (2, 4, 8, 16, 32)


def geotiff(result: CoverageResult) -> bytes:
    """All bands as a tiled, compressed GeoTIFF, nodata -9999."""
    return tiled_geotiff("coverage.tif", *result.raster())


def tags(result: CoverageResult) -> dict[str, str]:
    """What the answer is about, as words for the heads of files."""
    return {
        "station": result.station,
        "middle_latitude_deg": f"{result.latitude_deg:.7f}",
        "middle_longitude_deg": f"{result.longitude_deg:.7f}",
        "link": ", ".join(s.link.name for s in result.stations),
        "link_from": ", ".join(s.link.from_ for s in result.stations),
        "link_to": ", ".join(s.link.to for s in result.stations),
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
    """Layers, NaN where there is no value, as a tiled, compressed GeoTIFF, nodata -9999."""
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
    features = [_area_of(result, "closes", _cells(result, "closes"))]
    features += [_station(result, number, served) for number, served in enumerate(result.stations, start=1)]
    features.append(_area_of(result, "at_risk", _cells(result, "at_risk")))
    if len(result.stations) > 1:
        for number, served in enumerate(result.stations, start=1):
            own = _cells(result, "closes") & (result.bands["serving_station"] == number)
            features.append(_area_of(result, "closes_best_from_here", own, served))
    return collection(features)


def _cells(result: CoverageResult, verdict: str) -> NDArray[np.bool_]:
    return np.asarray(result.bands["verdict"] == VERDICTS.index(verdict))


def _station(result: CoverageResult, number: int, served: Served) -> dict[str, Any]:
    to_geographic = geodesy.transformer(result.crs, "EPSG:4326")
    place = lon_lat(*to_geographic.transform(served.east_m, served.north_m))
    about = {"what": "station", "station": served.name, "number": number, "link": served.link.name}
    return feature("Point", place, about)


def _area_of(
    result: CoverageResult, what: str, which: NDArray[np.bool_], served: Served | None = None
) -> dict[str, Any]:
    from rasterio import Affine
    from rasterio.features import shapes

    cells = which.astype(np.uint8)
    to_geographic = geodesy.transformer(result.crs, "EPSG:4326")
    polygons = []
    for shape, _ in shapes(cells, mask=cells > 0, transform=Affine(*result.affine)):
        rings = []
        for number, ring in enumerate(shape["coordinates"]):
            x, y = np.array(ring).T
            turn = float(x[:-1] @ y[1:] - x[1:] @ y[:-1])
            if (turn > 0.0) != (number == 0):  # outside anticlockwise, holes clockwise
                x, y = x[::-1], y[::-1]
            rings.append([lon_lat(*place) for place in zip(*to_geographic.transform(x, y), strict=True)])
        polygons.append(rings)
    about = {
        "what": what,
        "link": ", ".join(s.link.name for s in ([served] if served else result.stations)),
        "station": served.name if served else result.station,
        "moved_station": result.moved,
        "area_km2": round(int(cells.sum()) * result.cell_m**2 / 1e6, 6),
        "cell_m": result.cell_m,
        "radius_m": result.radius_m,
        "preview": result.preview,
    }
    return feature("MultiPolygon", polygons, about)

"""What a coverage finds, as frozen data, and its area that closes as GeoJSON."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.area.geojson import collection, feature, lon_lat
from linkcalc.area.gridded import Gridded, Raster
from linkcalc.area.tiles import BANDS, SHARED_BANDS, Band, Singles, TileStore
from linkcalc.link.requirement import VERDICTS
from linkcalc.plan import Link
from linkcalc.terrain import geodesy


class Served(NamedTuple):
    """One of the stations that a coverage is around."""

    name: str
    east_m: float
    north_m: float
    """Of the grid's middle."""
    link: Link
    moved: str
    """The station whose equipment stands in the cells."""


@dataclass(frozen=True, eq=False, repr=False)
class CoverageResult(Gridded):
    """The answer for every cell around a station."""

    bands: Mapping[str, Singles]
    """(rows, columns) by name, see `BANDS`, and `SHARED_BANDS` around several stations; NaN beyond the radius and where
    there is no profile. Row 0 lies in the north; a single station stands in the middle cell."""
    affine: tuple[float, float, float, float, float, float]
    """From column and row (at cell corners) to metres east and north of the grid's middle."""
    crs: str
    """Azimuthal equidistant around that."""
    stations: tuple[Served, ...]
    title: str
    latitude_deg: float
    longitude_deg: float
    """Of the grid's middle."""
    radius_m: float
    cell_m: float
    frequency_hz: float
    signal: str
    preview: bool
    """Made with larger cells than asked for."""
    sources: tuple[str, ...]
    notes: tuple[str, ...]
    other_stations: tuple[tuple[str, float, float], ...] = field(default_factory=tuple)
    """Name and metres east and north of the plan's other stations within the area."""
    tiles: tuple[TileStore, ...] = field(default=(), compare=False)
    """Where finished tiles are kept."""

    @property
    def station(self) -> str:
        """The stations' names, to be written in a sentence."""
        names = [s.name for s in self.stations]
        return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"

    @property
    def link(self) -> Link:
        """The first station's."""
        return self.stations[0].link

    @property
    def moved(self) -> str:
        """Whose equipment stands in the cells."""
        return " or ".join(dict.fromkeys(s.moved for s in self.stations))

    @property
    def layers(self) -> tuple[Band, ...]:
        """The bands that there are, in order."""
        return tuple(band for band in (*BANDS, *SHARED_BANDS) if band.name in self.bands)

    def distance_m(self) -> Floats:
        """Of every cell from the nearest station."""
        half = (self.bands["margin_db"].shape[0] - 1) // 2
        axis = np.arange(-half, half + 1) * self.cell_m
        away = [np.hypot(axis - s.east_m, (-axis - s.north_m)[:, np.newaxis]) for s in self.stations]
        return np.asarray(np.minimum.reduce(away))

    def raster(self) -> Raster:
        """Return the layers of the answer, as its GeoTIFF has them."""
        layers = [(band, self.bands[band.name]) for band in self.layers]
        return Raster(layers, self.crs, self.affine, _tags(self))

    def to_geojson(self) -> str:
        """Return the area that closes, that at risk, and the station: GeoJSON (RFC 7946).

        Cell edges are kept as they are: the area is that of the cells.
        """
        features = [_area_of(self, "closes", _cells(self, "closes"))]
        features += [_station(self, number, served) for number, served in enumerate(self.stations, start=1)]
        features.append(_area_of(self, "at_risk", _cells(self, "at_risk")))
        if len(self.stations) > 1:
            for number, served in enumerate(self.stations, start=1):
                own = _cells(self, "closes") & (self.bands["serving_station"] == number)
                features.append(_area_of(self, "closes_best_from_here", own, served))
        return collection(features) + "\n"

    @property
    def cells(self) -> int:
        """Cells with an answer."""
        return int(np.isfinite(self.bands["margin_db"]).sum())

    @property
    def cells_within(self) -> int:
        """Cells within the radius, those of the stations left out."""
        away = self.distance_m()
        # distances in the plane of several stations are a little longer than their own
        radius = self.radius_m * (1.0 if len(self.stations) == 1 else 0.998)
        return int(((away <= radius) & (away >= 1.0)).sum())

    def area_km2(self, verdict: str) -> float:
        """Area with a verdict: "closes", "at_risk" or "does_not_close"."""
        return int((self.bands["verdict"] == VERDICTS.index(verdict)).sum()) * self.cell_m**2 / 1e6


def _tags(result: CoverageResult) -> dict[str, str]:
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

"""What a coverage finds, as frozen data."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.area.gridded import Gridded, Raster
from linkcalc.area.tiles import BANDS, SHARED_BANDS, Band, Singles, TileStore
from linkcalc.link.requirement import VERDICTS
from linkcalc.plan import Link


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
        from linkcalc.area.geofiles import tags

        return Raster(
            [(band, self.bands[band.name]) for band in self.layers], self.crs, self.affine, tags(self)
        )

    def to_geojson(self) -> str:
        """Return the area that closes, that at risk, and the station: GeoJSON (RFC 7946)."""
        from linkcalc.area.geofiles import closing_area

        return closing_area(self) + "\n"

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

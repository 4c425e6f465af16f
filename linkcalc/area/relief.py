"""The ground under a map of places."""

from dataclasses import dataclass

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.area.land import plane_crs
from linkcalc.terrain import geodesy
from linkcalc.terrain.rasters import Mosaic

_MAP_CELLS = 320
"""Of the map's longer side."""


@dataclass(frozen=True, eq=False)
class Relief:
    """Ground under a map, row 0 in the north; metres east and north of a place in the middle."""

    latitude_deg: float
    longitude_deg: float
    ground_m: Floats
    """NaN where there is none."""
    cell_m: float

    @property
    def crs(self) -> str:
        """The plane of positions."""
        return plane_crs(self.latitude_deg, self.longitude_deg)

    def position_of(self, latitude_deg: Floats, longitude_deg: Floats) -> tuple[Floats, Floats]:
        """Metres east and north."""
        east, north = geodesy.transformer("EPSG:4326", self.crs).transform(longitude_deg, latitude_deg)
        return np.asarray(east), np.asarray(north)


def relief_around(ground: Mosaic, places_deg: Floats) -> Relief:
    """Ground around places, latitudes and longitudes (n, 2), with some room, no ribbon: at most 320 by 320 cells."""
    first = places_deg[0, 1]
    turned = first + (places_deg[:, 1] - first + 180.0) % 360.0 - 180.0  # across the 180th meridian
    latitude = float(places_deg[:, 0].min() + places_deg[:, 0].max()) / 2.0
    longitude = (float(turned.min() + turned.max()) / 2.0 + 180.0) % 360.0 - 180.0
    blank = Relief(latitude, longitude, np.zeros((1, 1)), 1.0)
    east, north = blank.position_of(places_deg[:, 0], places_deg[:, 1])
    half_m = [max(1.12 * float(np.abs(v).max()), 150.0) for v in (east, north)]
    narrow = max(half_m) / 2.5
    half_m = [max(v, narrow) for v in half_m]
    cell = 2.0 * max(half_m) / _MAP_CELLS
    columns, rows = (int(np.ceil(2.0 * v / cell)) for v in half_m)
    x, y = np.meshgrid(
        (np.arange(columns) - (columns - 1) / 2.0) * cell, ((rows - 1) / 2.0 - np.arange(rows)) * cell
    )
    lon, lat = geodesy.transformer(blank.crs, "EPSG:4326").transform(x, y)
    heights = np.asarray(ground.sample(np.asarray(lat).ravel(), np.asarray(lon).ravel()))
    return Relief(latitude, longitude, heights.reshape(rows, columns), cell)

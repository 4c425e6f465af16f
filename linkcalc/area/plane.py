"""The plane around a position, in which an area's cells and profiles lie."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats
from linkcalc.terrain import geodesy


@dataclass(frozen=True)
class Plane:
    """Metres east and north of a position, azimuthal equidistant: straight lines through it are geodesics with their
    true length and bearing."""

    latitude_deg: float
    longitude_deg: float

    @property
    def crs(self) -> str:
        """The plane's coordinate reference system."""
        return f"+proj=aeqd +lat_0={self.latitude_deg!r} +lon_0={self.longitude_deg!r} +datum=WGS84 +units=m +no_defs"

    def geographic(self, east_m: ArrayLike, north_m: ArrayLike) -> tuple[Floats, Floats]:
        """Latitude and longitude of positions."""
        to_geographic = geodesy.transformer(self.crs, "EPSG:4326")
        lon, lat = to_geographic.transform(np.asarray(east_m), np.asarray(north_m))
        return np.asarray(lat), np.asarray(lon)

    def position_of(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Metres east and north of positions."""
        to_plane = geodesy.transformer("EPSG:4326", self.crs)
        east, north = to_plane.transform(np.asarray(longitude_deg), np.asarray(latitude_deg))
        return np.asarray(east), np.asarray(north)

    def spot_of(self, position_deg: tuple[float, float]) -> tuple[float, float]:
        """Metres east and north of one."""
        east, north = self.position_of(*position_deg)
        return float(east), float(north)


def middle_of(places_deg: Floats) -> tuple[float, float]:
    """Latitude and longitude midway between the outermost of places, (n, 2)."""
    first = places_deg[0, 1]
    # across the 180th meridian, too
    turned = first + (places_deg[:, 1] - first + 180.0) % 360.0 - 180.0
    latitude = float(places_deg[:, 0].min() + places_deg[:, 0].max()) / 2.0
    return latitude, (float(turned.min() + turned.max()) / 2.0 + 180.0) % 360.0 - 180.0

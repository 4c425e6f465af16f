"""Positions on the WGS 84 ellipsoid: distances, points along a path, grid coordinates.

Thin over pyproj, which is imported on first use. Geodesics are PROJ's, after C. F. F. Karney, "Algorithms for
geodesics", J. Geodesy 87 (2013); grids and their transformations those of the EPSG registry, as shipped with PROJ.

Every function here raises `DomainError` where a position or a distance is not finite or out of range: latitudes are
-90 to 90, longitudes -360 to 360 degrees.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError

METRES_PER_DEGREE = 111_195.0
_FAR_OUTSIDE_DEG = 3.0
"""A grid position this far outside the area its CRS is meant for is taken for a mistake."""


def path_between(
    latitude1_deg: float, longitude1_deg: float, latitude2_deg: float, longitude2_deg: float
) -> tuple[float, float, float]:
    """Length and directions of the geodesic between two positions.

    Parameters
    ----------
    latitude1_deg, longitude1_deg, latitude2_deg, longitude2_deg : float, degrees

    Returns
    -------
    tuple of float
        Distance in metres; azimuth at the first position toward the second and at the second toward
        the first, both clockwise from true north, 0 to 360 degrees.

    Examples
    --------
    >>> distance, there, back = path_between(36.2, -84.3, 36.3, -84.2)
    >>> round(distance, 2), round(there, 3), round(back, 3)
    (14279.71, 38.977, 219.036)
    """
    lat1, lon1 = _position(latitude1_deg, longitude1_deg)
    lat2, lon2 = _position(latitude2_deg, longitude2_deg)
    there, back, distance = ellipsoid().inv(lon1, lat1, lon2, lat2)
    # the azimuths of PROJ run from -180 to 180
    return float(distance), float(there) % 360.0, float(back) % 360.0


def points_along(
    latitude1_deg: float,
    longitude1_deg: float,
    latitude2_deg: float,
    longitude2_deg: float,
    distance_m: ArrayLike,
) -> tuple[Floats, Floats]:
    """Positions at distances along the geodesic from the first position through the second.

    Parameters
    ----------
    latitude1_deg, longitude1_deg, latitude2_deg, longitude2_deg : float, degrees
    distance_m : array_like, metres, shape (n,)
        Distances from the first position, 0 or more.

    Returns
    -------
    tuple of ndarray, degrees, shape (n,)
        Latitudes and longitudes, accurate to well below a millimetre.

    Examples
    --------
    >>> lat, lon = points_along(36.2, -84.3, 36.3, -84.2, [0.0, 14279.7143])
    >>> lat.round(6), lon.round(6)
    (array([36.2, 36.3]), array([-84.3, -84.2]))
    """
    distance = np.atleast_1d(checked("distance_m", distance_m, at_least=0.0))
    _, azimuth, _ = path_between(latitude1_deg, longitude1_deg, latitude2_deg, longitude2_deg)
    return points_around(latitude1_deg, longitude1_deg, azimuth, distance)


def points_around(
    latitude_deg: float, longitude_deg: float, azimuth_deg: ArrayLike, distance_m: ArrayLike
) -> tuple[Floats, Floats]:
    """Latitudes and longitudes, degrees, of points in directions (clockwise from true north) and at distances from a
    position; shape of the two, which broadcast."""
    lon, lat, _ = in_shape(ellipsoid().fwd, longitude_deg, latitude_deg, azimuth_deg, distance_m)
    return np.asarray(lat, dtype=np.float64), np.asarray(lon, dtype=np.float64)


def from_grid(easting_m: ArrayLike, northing_m: ArrayLike, epsg: int) -> tuple[Any, Any]:
    """WGS 84 position of an easting and northing.

    Parameters
    ----------
    easting_m, northing_m : array_like, metres, shapes that broadcast
    epsg : int
        EPSG code of a projected CRS that counts in metres.

    Returns
    -------
    tuple of ndarray or float, degrees
        Latitude and longitude.

    Examples
    --------
    >>> lat, lon = from_grid(500_000.0, 4_000_000.0, 32616)
    >>> round(lat, 6), round(lon, 6)
    (36.144718, -87.0)
    """
    import pyproj
    from pyproj.exceptions import CRSError

    easting, northing = checked("easting_m", easting_m), checked("northing_m", northing_m)
    try:
        crs = pyproj.CRS.from_epsg(epsg)
    except CRSError as error:
        raise DomainError(f"epsg {epsg} is not a coordinate system that PROJ knows") from error
    if not crs.is_projected:
        raise DomainError(
            f"epsg {epsg} ({crs.name}) is not a grid of eastings and northings; "
            "for degrees use latitude_deg and longitude_deg"
        )
    unit = crs.axis_info[0].unit_name
    if unit != "metre":
        raise DomainError(
            f"epsg {epsg} ({crs.name}) counts in {unit}, and easting_m takes "
            f"metres{_read_in_feet(crs, easting, northing)}"
        )
    lon, lat = transformer(f"EPSG:{epsg}", "EPSG:4326").transform(easting, northing)
    area = crs.area_of_use
    astray = ~np.isfinite(lat) | ~np.isfinite(lon)
    if area is not None:
        # an area of use may cross the 180th meridian, or go all the way round
        width = (area.east - area.west) % 360.0 or 360.0
        beyond_east = (lon - area.west) % 360.0 - width
        astray |= (lat < area.south - _FAR_OUTSIDE_DEG) | (lat > area.north + _FAR_OUTSIDE_DEG)
        astray |= (beyond_east > _FAR_OUTSIDE_DEG) & (beyond_east < 360.0 - width - _FAR_OUTSIDE_DEG)
    if astray.any():
        raise DomainError(
            f"easting {np.broadcast_to(easting, astray.shape)[astray].flat[0]:.0f} m, "
            f"northing {np.broadcast_to(northing, astray.shape)[astray].flat[0]:.0f} m "
            f"lies far outside the area of epsg {epsg} ({crs.name}); swapped, or another zone?"
        )
    return scalar_if_0d(lat), scalar_if_0d(lon)


def _read_in_feet(crs: Any, easting: Floats, northing: Floats) -> str:
    """Where figures in the grid's own unit lie, as the remedy."""
    x, y = np.ravel(easting)[0], np.ravel(northing)[0]
    lon, lat = transformer(crs.to_wkt(), "EPSG:4326").transform(x, y)
    if not np.isfinite((lon, lat)).all():
        return ""
    return (
        f"; {x:.0f}, {y:.0f} in that unit is latitude_deg = {lat:.7f}, longitude_deg = {lon:.7f}: write these"
    )


def in_shape(convert: Callable[..., tuple[Any, ...]], *values: ArrayLike) -> tuple[Any, ...]:
    """What a function of pyproj makes of values, in the shape they broadcast to.

    >>> in_shape(ellipsoid().fwd, [0.0], 0.0, 90.0, 0.0)[0].shape
    (1,)
    """
    shape = np.broadcast_shapes(*(np.shape(v) for v in values))
    if shape == ():
        return convert(*values)
    arrays = [np.ascontiguousarray(np.broadcast_to(v, shape), dtype=np.float64) for v in values]
    if arrays[0].size != 1:
        return convert(*arrays)
    # an array of one element is a point to pyproj: it loses its shape, and numpy before 2.4 warns of it
    return tuple(np.full(shape, found) for found in convert(*(a.item() for a in arrays)))


@dataclass(frozen=True)
class Transformer:
    """From one coordinate system to another, x (longitude, easting) before y."""

    _of: Any

    def transform(self, x: ArrayLike, y: ArrayLike) -> tuple[Any, Any]:
        found_x, found_y = in_shape(self._of.transform, x, y)
        return found_x, found_y

    def transform_bounds(self, *box: float) -> tuple[float, float, float, float]:
        """West, south, east and north of a box, its sides followed."""
        west, south, east, north = self._of.transform_bounds(*box)
        return west, south, east, north


@lru_cache(maxsize=64)
def transformer(source_crs: str, target_crs: str) -> Transformer:
    """Return a transformer, x (longitude, easting) before y, kept for the next call.

    Heights are left alone: of a compound CRS only the horizontal part counts.

    >>> x, y = transformer("EPSG:4326", "EPSG:32616").transform(-87.0, 36.144718)
    >>> round(x, 2), round(y)
    (500000.0, 4000000)
    """
    import pyproj

    source, target = (pyproj.CRS.from_user_input(c).to_2d() for c in (source_crs, target_crs))
    return Transformer(pyproj.Transformer.from_crs(source, target, always_xy=True))


@lru_cache(maxsize=64)
def vertical_name(crs: str) -> str:
    """What a coordinate system counts heights from: the name of its vertical part, empty where it has none.

    >>> vertical_name("EPSG:26917+6360"), vertical_name("EPSG:4979"), vertical_name("EPSG:4326")
    ('NAVD88 height', 'ellipsoid', '')
    """
    import pyproj

    whole = pyproj.CRS.from_user_input(crs)
    vertical = [part for part in whole.sub_crs_list if part.is_vertical]
    if vertical:
        return str(vertical[0].name).split(" (")[0]
    return "ellipsoid" if len(whole.axis_info) == 3 else ""


def position_text(latitude_deg: float, longitude_deg: float) -> str:
    """Write a position for a message."""
    north_south = "S" if latitude_deg < 0 else "N"
    east_west = "W" if longitude_deg < 0 else "E"
    return f"{abs(latitude_deg):.5f} {north_south} {abs(longitude_deg):.5f} {east_west}"


@lru_cache(maxsize=1)
def ellipsoid() -> Any:
    import pyproj

    return pyproj.Geod(ellps="WGS84")


def _position(latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    latitude = checked("latitude", latitude_deg, at_least=-90.0, at_most=90.0)
    longitude = checked("longitude", longitude_deg, at_least=-360.0, at_most=360.0)
    return float(latitude), float(longitude)

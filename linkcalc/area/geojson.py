"""Polygons and lines from GeoJSON, and features into it (RFC 7946: WGS 84, longitude before latitude).

Every reader here raises `LinkcalcError`, in one line, where a file cannot be read, is not GeoJSON in WGS 84, or holds
nothing of what is looked for.
"""

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.errors import LinkcalcError

LARGEST_FILE_BYTES = 50_000_000


def read_polygons(path: Path) -> list[list[Floats]]:
    """The polygons of a GeoJSON file: each an outer ring and its holes, (n, 2) longitude and latitude."""
    polygons = [[_ring(path, ring) for ring in _listed(path, *rings)] for rings in _all_of(path, "Polygon")]
    found = [rings for rings in polygons if rings]
    if not found:
        raise LinkcalcError(f"{path}: holds no polygon; a Polygon or MultiPolygon is needed")
    return found


def read_lines(path: Path) -> list[Floats]:
    """The lines of a GeoJSON file, (n, 2) longitude and latitude."""
    found = [_positions(path, *line, fewest=2) for line in _all_of(path, "LineString")]
    if not found:
        raise LinkcalcError(f"{path}: holds no line; a LineString or MultiLineString is needed")
    return found


def _all_of(path: Path, wanted: str) -> Iterator[tuple[str, Any]]:
    """Type and coordinates of each part of the geometries of a type, single or in a Multi... one."""
    for kind, parts in _geometries(path):
        if kind == wanted:
            yield kind, parts
        elif kind == f"Multi{wanted}":
            yield from ((kind, part) for part in _listed(path, kind, parts))


def _ring(path: Path, ring: Any) -> Floats:
    found = _positions(path, "Polygon", ring, fewest=3)
    # RFC 7946 wants the first position repeated as the last; a ring without it is closed here
    if not np.array_equal(found[0], found[-1]):
        found = np.concatenate([found, found[:1]])
    if len(found) < 4:
        raise LinkcalcError(f"{path}: a polygon's ring needs three corners or more, and one has fewer")
    return found


def _geometries(path: Path) -> Iterator[tuple[str, Any]]:
    """Type and coordinates of every geometry in a file."""
    data = _json(path)
    if not isinstance(data, dict) or not isinstance(data.get("type"), str):
        raise LinkcalcError(f'{path}: is not GeoJSON: an object with a "type" is needed')
    crs = json.dumps(data.get("crs")) if data.get("crs") is not None else ""
    # RFC 7946 took the older "crs" out; one that names WGS 84 all the same does no harm
    if crs and not any(name in crs for name in ("CRS84", "4326")):
        raise LinkcalcError(
            f"{path}: states another coordinate system than GeoJSON has (RFC 7946: WGS 84, longitude and "
            "latitude); reproject it to EPSG:4326"
        )
    # a list in place of recursion: no depth of nested collections exhausts the stack
    waiting: list[Any] = [data]
    while waiting:
        item = waiting.pop()
        kind = item.get("type") if isinstance(item, dict) else None
        if kind == "FeatureCollection":
            waiting.extend(reversed(_listed(path, kind, item.get("features"))))
        elif kind == "GeometryCollection":
            waiting.extend(reversed(_listed(path, kind, item.get("geometries"))))
        elif kind == "Feature":
            waiting.extend([] if item.get("geometry") is None else [item["geometry"]])
        elif kind in ("Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon"):
            yield kind, item.get("coordinates")
        else:
            shown = json.dumps(kind)[:40]
            raise LinkcalcError(f"{path}: {shown} is not a GeoJSON type (RFC 7946)")


def _json(path: Path) -> Any:
    try:
        with path.open("rb") as file:
            # a byte more than allowed shows that a file is too large, without reading all of it
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        raise LinkcalcError(f"{path}: cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if len(raw) > LARGEST_FILE_BYTES:
        raise LinkcalcError(f"{path}: is larger than {LARGEST_FILE_BYTES / 1e6:.0f} MB; cut it to the area")
    try:
        # whole numbers too: as an integer one of thousands of digits is refused by Python itself
        # utf-8-sig: some editors write a byte order mark, which the JSON reader would refuse
        return json.loads(raw.decode("utf-8-sig"), parse_int=float)
    except json.JSONDecodeError as error:
        raise LinkcalcError(
            f"{path}: is not GeoJSON: {error.msg} in line {error.lineno}, column {error.colno}"
        ) from None
    except (UnicodeDecodeError, RecursionError):
        raise LinkcalcError(f"{path}: is not GeoJSON: it is not text in UTF-8 that nests sensibly") from None


def _listed(path: Path, kind: str, value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise LinkcalcError(f"{path}: a {kind} lacks the list that holds its parts")
    return value


def _positions(path: Path, kind: str, value: Any, *, fewest: int) -> Floats:
    """Longitudes and latitudes, without heights."""
    listed = _listed(path, kind, value)
    for position in listed:
        plain = isinstance(position, list) and len(position) >= 2
        if not plain or not all(_is_number(v) for v in position[:2]):
            shown = json.dumps(position)[:60]
            raise LinkcalcError(f"{path}: a {kind} has {shown} where a pair of numbers is needed")
        longitude, latitude = position[:2]
        if abs(longitude) > 180.0 or abs(latitude) > 90.0:
            hint = (
                "are longitude and latitude swapped?"
                if abs(longitude) <= 90.0 and abs(latitude) <= 180.0
                else "reproject it to EPSG:4326"
            )
            raise LinkcalcError(
                f"{path}: {longitude:.12g}, {latitude:.12g} is not a longitude and latitude in degrees, which "
                f"GeoJSON has (RFC 7946): {hint}"
            )
    if len(listed) < fewest:
        raise LinkcalcError(f"{path}: a {kind} needs {fewest} positions or more, and one has {len(listed)}")
    return np.array([position[:2] for position in listed], dtype=np.float64)


def _is_number(value: Any) -> bool:
    # JSON's true is an int to Python
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def feature(kind: str, coordinates: Any, properties: dict[str, Any]) -> dict[str, Any]:
    """One feature."""
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }


def lon_lat(longitude_deg: float, latitude_deg: float) -> list[float]:
    """A position, to a centimetre."""
    return [round(float(longitude_deg), 7), round(float(latitude_deg), 7)]


def collection(features: list[dict[str, Any]]) -> str:
    """Features as the text of a file."""
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False)

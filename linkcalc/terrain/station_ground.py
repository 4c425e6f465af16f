"""The ground under a station, and where a station outside the rasters may have been meant to stand."""

from math import isfinite

import numpy as np

from linkcalc.errors import TerrainError
from linkcalc.terrain import geodesy
from linkcalc.terrain.rasters import Mosaic


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
    remedy = remedies[0] if remedies else "check its position, or name a raster that covers it"
    raise TerrainError(
        f"{at} lies {_length_text(gap_m)} outside {nearest.name}{others}, which covers "
        f"{geodesy.position_text(south, west)} to {geodesy.position_text(north, east)}: {remedy}"
    )


def likely_positions(lat: float, lon: float) -> dict[str, tuple[float, float]]:
    """Where a position may have been meant to lie, by the question that asks for it.

    >>> likely_positions(36.3, -84.3)["has the longitude the wrong sign?"]
    (36.3, 84.3)
    """
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


def _length_text(length_m: float) -> str:
    return f"{length_m:.0f} m" if length_m < 1000.0 else f"{length_m / 1000.0:.1f} km"

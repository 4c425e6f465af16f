"""Ground for a starter plan: the keys of [terrain] for what the user names, and two positions on it."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc.errors import TerrainError
from linkcalc.plan.ground_data import area_around, in_folder
from linkcalc.plan.sites import Site
from linkcalc.terrain.geodesy import points_along
from linkcalc.terrain.rasters import open_mosaic
from linkcalc.terrain.sources import is_remote
from linkcalc.terrain.station_ground import station_ground_m

_EXAMPLE_PATHS_M = (1000.0, 500.0, 250.0, 100.0, 50.0)
"""Lengths of an example's path: the longest for which the raster has room."""


def ground_keys(folder: Path, terrain: str, sites: Sequence[Site]) -> tuple[dict[str, Any], list[str]]:
    """Keys of [terrain] for a plan in a folder, and what to know about them.

    `terrain` is a raster, or a folder of tiles if there are sites. Raises `TerrainError` where a site has no height.
    """
    if sites and Path(terrain).is_dir():
        spots = [(site.latitude_deg, site.longitude_deg) for site in sites]
        found = in_folder(Path(terrain), area_around(spots), folder)
        keys, notes = found.terrain, found.notes
    else:
        keys, notes = {"rasters": [_path_seen_from(folder, terrain)]}, []
        if is_remote(terrain):  # whoever names an address here means it to be read
            keys["network"] = True
    if sites:
        with open_mosaic(keys["rasters"], folder, network=keys.get("network", False)) as mosaic:
            for site in sites:
                station_ground_m(site.name, site.latitude_deg, site.longitude_deg, mosaic)
    return keys, notes


def sites_on(raster: str) -> list[Site]:
    """Two positions with heights between them near the middle of a raster, 1 km apart if they fit."""
    with open_mosaic([raster], network=is_remote(raster)) as mosaic:
        south, west, north, east = mosaic.rasters[0].bounds()
        east += 360.0 if east < west else 0.0
        from_the_middle = sorted(np.ndindex(9, 9), key=lambda cell: (cell[0] - 4) ** 2 + (cell[1] - 4) ** 2)
        for length_m in _EXAMPLE_PATHS_M:
            for row, column in from_the_middle:
                latitude = south + (north - south) * (row + 1) / 10
                longitude = west + (east - west) * (column + 1) / 10
                eastward = np.linspace(0.0, length_m, 41)
                line = points_along(latitude, longitude, latitude, longitude + 0.01, eastward)
                if np.isfinite(mosaic.sample(*line)).all():
                    ends = [(round(float(line[0][i]), 6), round(float(line[1][i]), 6)) for i in (0, -1)]
                    return [Site("tank", *ends[0]), Site("shed", *ends[1])]
    raise TerrainError(f"{raster}: found no {_EXAMPLE_PATHS_M[-1]:.0f} m with heights for an example path")


def _path_seen_from(folder: Path, raster: str) -> str:
    """A path as the plan file will state it: relative to its own folder."""
    if "://" in raster or raster.startswith("/vsi"):
        return raster
    try:
        return Path(os.path.relpath(raster, folder)).as_posix()
    except ValueError:
        # another drive
        return Path(raster).resolve().as_posix()

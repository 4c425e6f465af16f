"""The ground under a map of places."""

from dataclasses import dataclass

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.area.plane import Plane, middle_of
from linkcalc.terrain.rasters import Mosaic

_MAP_CELLS = 320
"""Of the map's longer side."""


@dataclass(frozen=True, eq=False)
class Relief(Plane):
    """Ground under a map, row 0 in the north; metres east and north of a place in the middle."""

    ground_m: Floats
    """NaN where there is none."""
    cell_m: float


def relief_around(ground: Mosaic, places_deg: Floats) -> Relief:
    """Ground around places, latitudes and longitudes (n, 2), with some room, no ribbon: at most 320 by 320 cells."""
    blank = Plane(*middle_of(places_deg))
    east, north = blank.position_of(places_deg[:, 0], places_deg[:, 1])
    half_m = [max(1.12 * float(np.abs(v).max()), 150.0) for v in (east, north)]
    # a long link in a narrow strip shows no land around it
    narrow = max(half_m) / 2.5
    half_m = [max(v, narrow) for v in half_m]
    cell = 2.0 * max(half_m) / _MAP_CELLS
    columns, rows = (int(np.ceil(2.0 * v / cell)) for v in half_m)
    x, y = np.meshgrid(
        (np.arange(columns) - (columns - 1) / 2.0) * cell, ((rows - 1) / 2.0 - np.arange(rows)) * cell
    )
    lat, lon = blank.geographic(x, y)
    heights = np.asarray(ground.sample(lat.ravel(), lon.ravel()))
    return Relief(blank.latitude_deg, blank.longitude_deg, heights.reshape(rows, columns), cell)

"""Open sets of the Earth's surface: which of their tiles hold an area, and what a tile's name tells.

Names, sizes and licences are the sets' own, from memory: the set's page is what counts. None is fetched from
anywhere unless the user names the address.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from math import floor
from typing import Literal

Kind = Literal["ground", "surface", "canopy", "land_cover"]
Bounds = tuple[float, float, float, float]
"""South, west, north, east, degrees; west > east across the 180th meridian."""

TERRAIN_KEYS: dict[Kind, str] = {
    "ground": "rasters",
    "surface": "surface_rasters",
    "canopy": "canopy_rasters",
    "land_cover": "land_cover_rasters",
}


@dataclass(frozen=True)
class OpenSet:
    """One open set."""

    key: str
    title: str
    kind: Kind
    shows: str
    """What its figures are, for a reader."""
    cell: str
    tile_deg: int
    """Side of a tile, degrees; tiles are named after their south-west corner."""
    file: str
    path: str
    """Where a tile lies below an address, as the set's public copies keep it."""
    size_mb: tuple[float, float]
    licence: str
    latitudes: tuple[float, float] = (-90.0, 90.0)

    def tiles(self, bounds: Bounds) -> list[str]:
        """Names of the files that hold an area."""
        return [self.file.format(**corner) for corner in self._corners(bounds)]

    def paths(self, bounds: Bounds) -> list[str]:
        """Where those files lie below an address."""
        return [self.path.format(**corner) for corner in self._corners(bounds)]

    def _corners(self, bounds: Bounds) -> Iterator[dict[str, str]]:
        south, west, north, east = bounds
        # a tile begins at its south edge: at the upper limit itself none does
        south, north = max(south, self.latitudes[0]), min(north, self.latitudes[1] - 1e-9)
        side = self.tile_deg
        east += 360.0 if east < west else 0.0
        for row in range(floor(south / side), floor(north / side) + 1):
            for column in range(floor(west / side), floor(east / side) + 1):
                latitude, longitude = row * side, (column * side + 180) % 360 - 180
                yield {
                    "ns": "S" if latitude < 0 else "N",
                    "ew": "W" if longitude < 0 else "E",
                    "lat": f"{abs(latitude):02d}",
                    "lon": f"{abs(longitude):03d}",
                }


_GLO30 = "Copernicus_DSM_COG_10_{ns}{lat}_00_{ew}{lon}_00_DEM"

SETS = (
    OpenSet(
        "glo30", "Copernicus GLO-30", "surface", "top of trees and roofs", "30 m", 1,
        f"{_GLO30}.tif", f"{_GLO30}/{_GLO30}.tif", (20, 50), "free, with credit as its licence asks",
    ),
    OpenSet(
        "srtm", "SRTM 1 or 3 arc seconds", "ground", "with some tree tops; radar of 2000", "30 or 90 m", 1,
        "{ns}{lat}{ew}{lon}.hgt", "{ns}{lat}{ew}{lon}.hgt", (3, 26), "public domain", (-56.0, 60.0),
    ),
    OpenSet(
        "canopy", "Global canopy height 2020", "canopy", "height of trees above ground", "10 m", 3,
        "ETH_GlobalCanopyHeight_10m_2020_{ns}{lat}{ew}{lon}_Map.tif",
        "ETH_GlobalCanopyHeight_10m_2020_{ns}{lat}{ew}{lon}_Map.tif", (100, 400), "CC BY 4.0",
    ),
    OpenSet(
        "land_cover", "WorldCover 2021", "land_cover", "11 classes: trees, built-up, water, ...", "10 m", 3,
        "ESA_WorldCover_10m_2021_v200_{ns}{lat}{ew}{lon}_Map.tif",
        "ESA_WorldCover_10m_2021_v200_{ns}{lat}{ew}{lon}_Map.tif", (50, 150), "CC BY 4.0",
    ),
)  # fmt: skip
"""In the order in which they are listed. Sets with a licence that excludes commercial use are left out."""

ONE_FILE = (
    "GEDTM30 (bare earth, 30 m, CC BY 4.0) is one file for the whole Earth: name its address itself with "
    "--address"
)

# the first that fits counts: error maps of a canopy set have canopy in their names too
_KINDS: tuple[tuple[str, Kind | Literal["unused"]], ...] = (
    (r"_Map_SD|_SD\b|ConfidenceMap|_STD\b", "unused"),
    (r"WorldCover|land_?cover", "land_cover"),
    (r"canopy|\bchm\b|_chm", "canopy"),
    (r"(?<![a-z])(dsm|surface)(?![a-z])", "surface"),
    (r"(?<![a-z])(dtm|gedtm30?|bare|ground|dgm)(?![a-z])", "ground"),
    (r"^[ns]\d\d[ew]\d\d\d\b", "ground"),
)


def kind_of_file(name: str) -> Kind | Literal["unused", "unknown"]:
    """What a raster holds, from its file name: tiles of the open sets, and the usual abbreviations.

    >>> kind_of_file("Copernicus_DSM_COG_10_N46_00_E006_00_DEM.tif"), kind_of_file("N46E006.hgt")
    ('surface', 'ground')
    >>> kind_of_file("ETH_GlobalCanopyHeight_10m_2020_N45E006_Map_SD.tif"), kind_of_file("heights.tif")
    ('unused', 'unknown')
    """
    stem = re.split(r"[/\\]", name)[-1]
    return next((kind for pattern, kind in _KINDS if re.search(pattern, stem, re.IGNORECASE)), "unknown")


def set_named(key: str) -> OpenSet | None:
    """The open set of that key, None if there is none."""
    return next((s for s in SETS if s.key == key), None)

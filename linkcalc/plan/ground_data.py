"""Where a plan's ground comes from: the area it needs, the tiles that hold it, a folder or a server.

Every function here raises `PlanError` where a plan cannot be used, and `TerrainError` where no raster serves it.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import cos, radians
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc.errors import LinkcalcError, PlanError, TerrainError
from linkcalc.plan.checking import tables_of, unlocated_plan
from linkcalc.plan.sites import Site, read_sites
from linkcalc.plan.stations import POSITION_KEYS, Station, position_deg
from linkcalc.terrain import geodesy, local_copy, sources
from linkcalc.terrain.land_cover import CLASSES
from linkcalc.terrain.open_sets import TERRAIN_KEYS, Bounds, Kind, OpenSet, kind_of_file
from linkcalc.terrain.raster import CANOPY_LIMITS_M, GROUND_LIMITS_M
from linkcalc.terrain.rasters import likely_positions, open_mosaic, station_ground_m
from linkcalc.terrain.sources import Source

AROUND_M = 300.0
"""Ground beside the links that is taken along: stations move by some metres when they are surveyed."""


_EXAMPLE_PATHS_M = (1000.0, 500.0, 250.0, 100.0, 50.0)
"""Lengths of an example's path: the longest for which the raster has room."""


@dataclass
class Found:
    """What serves as ground: keys for [terrain], and what to know about them."""

    terrain: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)


def stations_in(path: Path) -> tuple[str, list[Site]]:
    """Text of a plan or fleet file, and where its stations, or sheds and nodes, stand; its ground may be missing."""
    text, data = tables_of(path)
    if "shed" in data:
        placed = _fleet_sites(data, path)
    else:
        read = unlocated_plan(data, path)
        placed = [Site(s.name, *position_deg(s)) for s in read.station if s.positioned]
    if not placed:
        raise PlanError(f"{path}: no station has a position: give latitude_deg and longitude_deg")
    return text, placed


def needed_area(sites: Sequence[Site], radius_m: float = 0.0, station: str | None = None) -> Bounds:
    """The area that the links between sites cross, or circles around all of them or one station."""
    names = [site.name for site in sites]
    if station is not None and station not in names:
        raise PlanError(f"unknown station {station!r}; stations with a position: {', '.join(names[:8])}")
    reach_m = [radius_m if station in (None, name) else 0.0 for name in names]
    return area_around([(site.latitude_deg, site.longitude_deg) for site in sites], reach_m)


def _fleet_sites(data: dict[str, Any], path: Path) -> list[Site]:
    found = []
    for table in (*_tables(data, "shed"), *_tables(data, "node")):
        position = {key: table[key] for key in POSITION_KEYS if key in table}
        try:
            like = Station.model_validate({"name": "x", "antenna_height_m": 1.0, **position})
        except ValueError:
            continue  # said by whoever loads the fleet
        if like.positioned:
            found.append(Site(str(table.get("name", "")), *position_deg(like)))
    if isinstance(data.get("nodes"), str):
        found += read_sites(path.parent / data["nodes"])
    return found


def _tables(data: dict[str, Any], key: str) -> list[dict[str, Any]]:
    tables = data.get(key)
    return [table for table in tables if isinstance(table, dict)] if isinstance(tables, list) else []


def area_around(
    positions_deg: Sequence[tuple[float, float]], reach_m: Sequence[float] | None = None
) -> Bounds:
    """The area that holds circles around positions (latitude, longitude), with some room.

    >>> [round(x, 2) for x in area_around([(-17.0, 179.99), (-17.0, -179.99)])]
    [-17.0, 179.99, -17.0, -179.99]
    """
    first = positions_deg[0][1]
    spots = []
    for (latitude, longitude), reach in zip(
        positions_deg, reach_m or [0.0] * len(positions_deg), strict=True
    ):
        north = (AROUND_M + reach) / 111_000.0
        # a degree of longitude shrinks to nothing toward the poles
        east = north / max(cos(radians(latitude)), 0.01)
        # unwrapped around the first station
        middle = first + (longitude - first + 180.0) % 360.0 - 180.0
        spots += [(latitude - north, middle - east), (latitude + north, middle + east)]
    latitudes, longitudes = ([spot[i] for spot in spots] for i in (0, 1))
    west, east = ((lon + 180.0) % 360.0 - 180.0 for lon in (min(longitudes), max(longitudes)))
    return max(min(latitudes), -90.0), west, min(max(latitudes), 90.0), east


def in_folder(folder: Path, bounds: Bounds, base_dir: Path) -> Found:
    """Find the rasters of a folder that hold an area, at any depth, zipped or not, named from the plan's folder.

    What is bare ground, surface, canopy and land cover is told by the files' names.
    """
    by_kind: dict[str, list[str]] = {}
    others: list[Bounds] = []
    unfit = []
    for source in sources.sources([folder.resolve()]):
        kind = kind_of_file(source.name)
        if kind == "unused":
            continue
        try:
            meets, holds = _meets(source, bounds, "ground" if kind == "unknown" else kind)
        except TerrainError as error:
            # one damaged or foreign file must not make the rest of the folder useless
            unfit.append(str(error))
            continue
        if meets:
            by_kind.setdefault(kind, []).append(_name_in_plan(source, base_dir))
        else:
            others.append(holds)
    if not {"ground", "surface", "unknown"} & set(by_kind):
        why = f"; {unfit[0]}" if unfit else ""
        what = ", ".join(kind.replace("_", " ") for kind in by_kind)
        more = f" with heights of the ground ({what} does)" if by_kind else ""
        raise TerrainError(
            f"{folder}: none of its {len(others) + len(unfit)} rasters{more} reaches into the area of the plan{why}"
            f"{_likely_remedy(bounds, others)}"
        )
    found = Found(notes=[f"left out: {line}" for line in unfit])
    _sort_in(found, by_kind)
    return found


def _meets(source: Source, bounds: Bounds, kind: Kind) -> tuple[bool, Bounds]:
    """Whether a raster reaches into an area, and what it holds."""
    limits = CANOPY_LIMITS_M if kind == "canopy" else GROUND_LIMITS_M
    classes = dict.fromkeys(CLASSES, 0.0) if kind == "land_cover" else None
    with open_mosaic([source.location], limits_m=limits, classes=classes) as mosaic:
        return mosaic.rasters[0].meets(*bounds), mosaic.rasters[0].bounds


def _likely_remedy(bounds: Bounds, held: Sequence[Bounds]) -> str:
    """Where the rasters lie, and what would bring the plan onto one of them."""
    if not held:
        return ""
    south, west, north, east = bounds
    here = (south + north) / 2.0, west + (east - west) % 360.0 / 2.0

    def inside(latitude: float, longitude: float) -> bool:
        return any(
            low <= latitude <= high and (longitude - left) % 360.0 <= (right - left) % 360.0
            for low, left, high, right in held
        )

    remedy = next((f": {q}" for q, at in likely_positions(*here).items() if inside(*at)), "")
    low, left, high, right = held[0]
    more = f" and {len(held) - 1} more" if len(held) > 1 else ""
    return (
        f", around {geodesy.position_text(*here)}; the first covers {geodesy.position_text(low, left)} to "
        f"{geodesy.position_text(high, right)}{more}{remedy}"
    )


def _name_in_plan(source: Source, base_dir: Path) -> str:
    """How the plan writes a file: relative to itself; a raster among others in an archive by GDAL's name."""
    file = source.location
    if file.startswith("/vsizip/"):
        file = file[len("/vsizip/") : file.lower().index(".zip") + 4]
        alone = len([s for s in sources.sources([Path(file).parent]) if file in s.location]) == 1
        if not alone:
            return source.location
    return Path(os.path.relpath(file, base_dir.resolve())).as_posix()


def _sort_in(found: Found, by_kind: dict[str, list[str]]) -> None:
    """Decide what serves as the ground."""
    unknown = by_kind.pop("unknown", [])
    if unknown:
        by_kind["ground"] = [*by_kind.get("ground", []), *unknown]
        found.notes.append(
            f"taken as bare ground, as the name does not say what it is: {', '.join(unknown[:3])}"
            f"{', ...' if len(unknown) > 3 else ''}"
        )
    if "ground" not in by_kind and "surface" in by_kind:
        by_kind["ground"] = by_kind.pop("surface")
        found.notes.append(
            "only a surface model is there: trees and roofs count as ground, and a station among trees would "
            "stand on their tops; a bare-earth model in rasters and this one in surface_rasters is right"
        )
    for kind, key in TERRAIN_KEYS.items():
        if kind in by_kind:
            found.terrain[key] = by_kind[kind]
            found.files += by_kind[kind]


def from_server(
    address: str,
    chosen: Sequence[OpenSet],
    bounds: Bounds,
    plan_file: Path,
    *,
    say: Callable[[str], None] = lambda line: None,
) -> Found:
    """Read what a plan needs of tiles on a server, named by the user, and keep it beside the plan, its name first.

    The address is a folder that holds tiles of the chosen sets, or one raster. `say` is told of each tile.
    """
    from linkcalc.files import atomic_write

    if not address.startswith(("http://", "https://")):
        raise LinkcalcError(f"{address}: the address of tiles begins with https:// or http://")
    one = address.lower().split("?")[0].endswith((".tif", ".tiff"))
    wanted = (
        [(address, kind_of_file(address))]
        if one
        else [(f"{address.rstrip('/')}/{path}", s.kind) for s in chosen for path in s.paths(bounds)]
    )
    by_kind: dict[str, list[str]] = {}
    absent = []
    for url, kind in wanted:
        copy = plan_file.with_name(f"{plan_file.stem}_{url.split('?')[0].rsplit('/', 1)[1]}").with_suffix(
            ".tif"
        )
        if local_copy.holds(copy, url, bounds):
            say(f"{copy.name} is there already, whole, read from {url}")
        elif not local_copy.is_there(url):
            absent.append(url.rsplit("/", 1)[1])
            continue
        else:
            say(f"reading from {url}")
            classes = dict.fromkeys(CLASSES, 0.0) if kind == "land_cover" else None
            content = local_copy.copied(
                Source(url, f"/vsicurl/{url}", url), bounds, network=True, classes=classes
            )
            if content is None:
                absent.append(url.rsplit("/", 1)[1])
                continue
            atomic_write(copy, content)
        by_kind.setdefault(kind, []).append(copy.name)
    if not by_kind:
        raise TerrainError(f"{address}: no tile of the area is there ({', '.join(absent[:4])})")
    found = Found()
    if absent:
        found.notes.append(f"no such tile (open sea has none): {', '.join(absent[:6])}")
    _sort_in(found, by_kind)
    return found


def area_km(bounds: Bounds) -> tuple[float, float]:
    """Width and height of an area, km."""
    south, west, north, east = bounds
    middle = (south + north) / 2.0
    width = geodesy.path_between(middle, west, middle, east)[0]
    return float(np.round(width / 1e3, 1)), float(np.round((north - south) * 111.2, 1))


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
        if sources.is_remote(terrain):  # whoever names an address here means it to be read
            keys["network"] = True
    if sites:
        with open_mosaic(keys["rasters"], folder, network=keys.get("network", False)) as mosaic:
            for site in sites:
                station_ground_m(site.name, site.latitude_deg, site.longitude_deg, mosaic)
    return keys, notes


def sites_on(raster: str) -> list[Site]:
    """Two positions with heights between them near the middle of a raster, 1 km apart if they fit."""
    with open_mosaic([raster], network=sources.is_remote(raster)) as mosaic:
        south, west, north, east = mosaic.rasters[0].bounds
        east += 360.0 if east < west else 0.0
        from_the_middle = sorted(np.ndindex(9, 9), key=lambda cell: (cell[0] - 4) ** 2 + (cell[1] - 4) ** 2)
        for length_m in _EXAMPLE_PATHS_M:
            for row, column in from_the_middle:
                latitude = south + (north - south) * (row + 1) / 10
                longitude = west + (east - west) * (column + 1) / 10
                eastward = np.linspace(0.0, length_m, 41)
                line = geodesy.points_along(latitude, longitude, latitude, longitude + 0.01, eastward)
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

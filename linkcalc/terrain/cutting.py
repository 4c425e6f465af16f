"""The terrain profile of a path, cut from elevation rasters."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from math import ceil, isfinite
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc._kinds import kinds_checked
from linkcalc.errors import ArgumentError, DomainError, TerrainError
from linkcalc.terrain import agreement, geodesy
from linkcalc.terrain.land_cover import BUILT_UP_M, TREES_M, LandCover, shown_along
from linkcalc.terrain.open_sets import kind_of_file
from linkcalc.terrain.profile import CLEAR_OF_STATION_M, INLAND, ZONES, Profile
from linkcalc.terrain.raster import CANOPY_LIMITS_M, GROUND_LIMITS_M, Raster
from linkcalc.terrain.rasters import Mosaic, open_mosaic, station_ground_m

LOWEST_CLUTTER_M = 1.0
"""A surface model's lesser heights above ground are grass and noise, and count as none."""
FEWEST_POINTS = 11
"""A path shorter than ten raster cells is still given this many points."""
MOST_POINTS = 100_000
"""A longer list of points gets a wider spacing, which a note reports."""

SEA_SHORE_M = 100.0
"""What no raster holds is sea only beside ground no higher than this: a hole on a hill is none."""

_PROBES = 201
"""Points at which it is seen which rasters hold a path."""

Rasters = Mosaic | Sequence[str | Path]
"""Files, or rasters that are open already."""


@dataclass(frozen=True)
class Cutting:
    """How a profile is cut where its rasters leave something open."""

    land_cover: LandCover = field(default_factory=LandCover)
    """Classes, for heights of trees and of what is built where neither surface nor canopy is known; not within 100 m of
    a station, where they are part of its surroundings."""
    surface_kind: str = "trees"
    """What a surface model shows: "trees" or "building"."""
    largest_hole_m: float = 250.0
    """Holes up to this length along the path are bridged by a straight line and reported."""
    sea_without_data: bool = False
    """What no raster holds is open sea at 0 m (zone 1), and no hole: where the ground beside it is no higher than
    100 m."""
    names: tuple[str, str] = ("the first station", "the second station")
    """What messages call the two stations."""


_AS_FOUND = Cutting()


@kinds_checked
def cut_profile(
    lat1: float,
    lon1: float,
    lat2: float,
    lon2: float,
    rasters: Rasters,
    *,
    surface_rasters: Rasters = (),
    canopy_rasters: Rasters = (),
    step_m: float | None = None,
    base_dir: str | Path | None = None,
    how: Cutting = _AS_FOUND,
) -> Profile:
    """Cut the profile between two positions from elevation rasters.

    Parameters
    ----------
    lat1, lon1, lat2, lon2 : float, degrees
        The stations, WGS 84.
    rasters : Mosaic or sequence of paths
        Bare ground. The finest raster that holds data at a point wins.
    surface_rasters : Mosaic or sequence of paths
        Top of whatever stands there, same datum as the ground. What is higher than the ground by less
        than 1 m counts as ground.
    canopy_rasters : Mosaic or sequence of paths
        Height of trees above ground.
    step_m : float or None, metres
        Largest spacing of the points; None takes the finest spacing among the rasters on the path.
        Points are evenly spaced, and never fewer than 11.
    base_dir : str, Path or None
        Folder of relative paths.
    how : Cutting
        What holes, land cover and a surface model stand for, and what the stations are called.

    Returns
    -------
    Profile
        All inland (zone 4) but for what is taken as sea; clutter is 0 at both ends, where the antennas stand.

    Raises
    ------
    TerrainError
        If a raster cannot be used, a station lies outside all of them or on nodata, or a hole is too long.
    DomainError
        If a position is out of range or the stations stand at the same place.

    Examples
    --------
    >>> import numpy as np, rasterio
    >>> grid = {"crs": "EPSG:32631", "transform": rasterio.Affine(30, 0, 500_000, 0, -30, 1_001_500)}
    >>> shape = {"driver": "GTiff", "count": 1, "width": 50, "height": 50, "dtype": "float32"}
    >>> with rasterio.open("/vsimem/profile_slope.tif", "w", **shape, **grid) as file:
    ...     file.write(np.tile(np.linspace(100, 149, 50, dtype=np.float32), (50, 1)), 1)
    >>> p = cut_profile(9.0466, 3.0010, 9.0530, 3.0125, ["/vsimem/profile_slope.tif"])
    >>> len(p.distance_m), round(p.length_m), p.ground_m[[0, -1]].round(1)
    (50, 1449, array([103.2, 145.3]))
    """
    names = how.names
    length, _, _ = geodesy.path_between(lat1, lon1, lat2, lon2)
    if length < CLEAR_OF_STATION_M:
        raise DomainError(f"{names[0]} and {names[1]} stand at the same place")
    if step_m is not None and not (isfinite(step_m) and step_m > 0.0):
        raise DomainError(f"step_m must be a positive number of metres, got {step_m}")
    with (
        _opened(rasters, base_dir, GROUND_LIMITS_M) as ground_mosaic,
        _opened(surface_rasters, base_dir, GROUND_LIMITS_M) as surface_mosaic,
        _opened(canopy_rasters, base_dir, CANOPY_LIMITS_M) as canopy_mosaic,
    ):
        if ground_mosaic is None:
            raise TerrainError("no terrain raster is named")
        ends_m = [
            station_ground_m(names[0], lat1, lon1, ground_mosaic),
            station_ground_m(names[1], lat2, lon2, ground_mosaic),
        ]
        probe = geodesy.points_along(lat1, lon1, lat2, lon2, np.linspace(0.0, length, _PROBES))
        maps = _Maps(ground_mosaic, surface_mosaic, canopy_mosaic, how.land_cover, how.surface_kind, *probe)
        # a raster may serve many paths: only what is met on this one is told
        met_before = [r.out_of_limits[0] for r in maps.used]
        notes = maps.notes()
        native = min(r.spacing_m for r in maps.used)
        distance, finer, spacing_notes = _points(length, native, step_m)
        lat, lon = geodesy.points_along(lat1, lon1, lat2, lon2, distance)

        ground = ground_mosaic.sample(lat, lon)
        # at the stations' own positions: a point of the geodesic may round to beyond a raster's rim,
        # and all that follows counts on known ends
        ground[[0, -1]] = ends_m
        # before holes are measured: the sea is no hole to be bridged
        sea = at_sea(ground) if how.sea_without_data else np.zeros(ground.shape, dtype=bool)
        ground[sea] = 0.0
        ground, bridged_m, hole_notes = _bridge(distance, ground, lat, lon, how.largest_hole_m, names[0])
        notes += [*spacing_notes, *_sea_notes(sea, length), *hole_notes]
        keep = slice(None, None, finer)
        distance, ground, lat, lon, sea = distance[keep], ground[keep], lat[keep], lon[keep], sea[keep]

        notes += agreement.height_notes(distance, ground, maps.cell_m, names[0])
        clutter, kind, clutter_notes = _clutter(maps, lat, lon, ground, distance)
        notes += [*clutter_notes, *_absurd_notes(maps.used, met_before)]
        source = ", ".join(dict.fromkeys(f"{Path(r.name).name} ({r.cell_words})" for r in maps.used))
    return Profile(
        distance_m=distance,
        ground_m=ground,
        clutter_m=clutter,
        clutter_kind=kind,
        zone=np.where(sea, ZONES[0], INLAND).astype(np.int8),
        latitude_deg=lat,
        longitude_deg=lon,
        source=source,
        bridged_m=bridged_m,
        notes=tuple(notes),
        # what stands between two points is not seen, however fine the raster
        cell_m=max(maps.cell_m, float(distance[1])),
    )


@dataclass(frozen=True)
class _Maps:
    """The rasters that may show a path, and points along it at which it is seen which of them do."""

    ground: Mosaic
    surface: Mosaic | None
    canopy: Mosaic | None
    cover: LandCover
    surface_kind: str
    lat: Floats
    lon: Floats

    @cached_property
    def ground_used(self) -> tuple[Raster, ...]:
        return self.ground.holding(self.lat, self.lon)

    @cached_property
    def surface_used(self) -> tuple[Raster, ...]:
        return self.surface.holding(self.lat, self.lon) if self.surface else ()

    @cached_property
    def used(self) -> tuple[Raster, ...]:
        at = self.lat, self.lon
        canopy = self.canopy.holding(*at) if self.canopy else ()
        cover = (*self.cover.woods.holding(*at), *self.cover.built.holding(*at))
        return (*self.ground_used, *self.surface_used, *canopy, *cover)

    @cached_property
    def cell_m(self) -> float:
        """Cell of the rasters that give the path its ground: the largest that gives more than a little."""
        cells = np.zeros(self.lat.shape)
        # the finest last, as it is the one that gives the heights where several lie
        for raster in reversed(self.ground_used):
            cells[raster.covers(self.lat, self.lon)] = raster.cell_m
        return float(np.quantile(cells, 0.95, method="higher"))

    def notes(self) -> list[str]:
        """What the rasters themselves say, and what they say of each other."""
        own = dict.fromkeys(note for r in self.used for note in r.notes)
        return [*own, *_of_each_other(self.ground, self.ground_used, self.used, self.lat, self.lon)]


def _points(length_m: float, native_m: float, step_m: float | None) -> tuple[Floats, int, list[str]]:
    """Distances at which heights are read, how many of them make a step of the profile, and notes.

    Holes are measured and bridged at the rasters' own spacing, however coarse the points asked for.
    """
    step = native_m if step_m is None else step_m
    # 1e-9: a multiple of the step, but for rounding, needs no further interval
    intervals, notes = max(ceil(length_m / step - 1e-9), FEWEST_POINTS - 1), []
    if intervals >= MOST_POINTS:
        intervals = MOST_POINTS - 1
        notes.append(
            f"points are {length_m / intervals:.2f} m apart, not {step:.2f} m: {MOST_POINTS} at most"
        )
    finer = min(ceil(length_m / intervals / native_m - 1e-9), max(MOST_POINTS // intervals, 1))
    return np.linspace(0.0, length_m, intervals * finer + 1), finer, notes


def _sea_notes(sea: NDArray[np.bool_], length_m: float) -> Iterator[str]:
    if sea.any():
        yield (
            f"{sea.mean() * length_m:.0f} m of the path without heights are taken as sea at 0 m, as the "
            "plan says"
        )


def _absurd_notes(used: Sequence[Raster], met_before: Sequence[int]) -> Iterator[str]:
    for raster, before in zip(used, met_before, strict=True):
        count, example = raster.out_of_limits
        if count > before:
            yield (
                f"{raster.name} holds impossible heights on the path, such as {example:.0f} m; "
                "they are taken as nodata"
            )


def at_sea(ground_m: Floats) -> NDArray[np.bool_]:
    """Which unknown heights along a path are those of open sea: runs beside ground of 100 m or less. Those of both ends
    are known.
    """
    unknown = np.isnan(ground_m)
    sea = np.zeros(ground_m.shape, dtype=bool)
    turns = np.flatnonzero(np.diff(unknown.astype(np.int8))) + 1
    for first, after in zip(turns[::2], turns[1::2], strict=False):
        sea[first:after] = min(ground_m[first - 1], ground_m[after]) <= SEA_SHORE_M
    return sea


@contextmanager
def _opened(
    rasters: Rasters, base_dir: str | Path | None, limits_m: tuple[float, float]
) -> Iterator[Mosaic | None]:
    """Open files and close them again; leave open rasters to their owner."""
    if isinstance(rasters, Mosaic):
        yield rasters if rasters.rasters else None
    elif not rasters:
        yield None
    elif not isinstance(rasters, Iterable):
        raise ArgumentError(f"rasters is a list of files, or a Mosaic; not {type(rasters).__name__}")
    else:
        with open_mosaic(rasters, base_dir, limits_m=limits_m) as mosaic:
            yield mosaic


def _bridge(
    distance: Floats, ground: Floats, lat: Floats, lon: Floats, largest_hole_m: float, start_name: str
) -> tuple[Floats, float, list[str]]:
    """Draw a straight line across holes that are short enough; return the length bridged and notes."""
    known = np.isfinite(ground)
    if known.all():
        return ground, 0.0, []
    step = distance[1] - distance[0]
    # a run of points without height stands for as many steps of path
    turns = np.flatnonzero(np.diff(known.astype(np.int8)))
    firsts, afters = turns[::2] + 1, turns[1::2] + 1
    lengths = (afters - firsts) * step
    worst = int(lengths.argmax())
    if lengths[worst] > largest_hole_m:
        middle = (firsts[worst] + afters[worst] - 1) // 2
        start_m = distance[firsts[worst]] - step / 2
        raise TerrainError(
            f"no raster holds heights from {start_m:.0f} m to "
            f"{start_m + lengths[worst]:.0f} m from {start_name}, near "
            f"{geodesy.position_text(lat[middle], lon[middle])}: a hole {lengths[worst]:.0f} m long, and "
            f"largest_hole_m is {largest_hole_m:g}; name a raster that covers it, or raise the limit"
        )
    bridged = np.interp(distance, distance[known], ground[known])
    holes = "1 hole" if len(firsts) == 1 else f"{len(firsts)} holes"
    note = (
        f"{holes} in the rasters bridged by a straight line, {lengths.sum():.0f} m in all, "
        f"the longest {lengths[worst]:.0f} m at {distance[firsts[worst]]:.0f} m from {start_name}"
    )
    return bridged, float(lengths.sum()), [note]


def _clutter(
    maps: _Maps, lat: Floats, lon: Floats, ground: Floats, distance: Floats
) -> tuple[Floats, tuple[str, ...], list[str]]:
    """Return what stands on the ground, by the taller of surface model and canopy, by classes where neither is known,
    and notes."""
    clutter = np.zeros_like(ground)
    kind = np.full(ground.shape, "", dtype=object)
    notes = []
    measured = {"surface": np.zeros(ground.shape, dtype=bool), "canopy": np.zeros(ground.shape, dtype=bool)}
    woods, built = shown_along(maps.cover, lat, lon, distance)
    for mosaic, foot, what, of_what in (
        (maps.surface, ground, maps.surface_kind, "surface"),
        (maps.canopy, 0.0, "trees", "canopy"),
    ):
        if mosaic is None:
            continue
        height = mosaic.sample(lat, lon) - foot
        unknown = np.isnan(height)
        measured[of_what] = ~unknown
        if (bare := unknown & np.isnan(woods)).any():
            notes.append(
                f"no {of_what} height is known along {bare.mean() * distance[-1]:.0f} m of the path; "
                "nothing is taken to stand there"
            )
        if mosaic is maps.surface and not unknown.all():
            cell_m = max(r.cell_m for r in (*maps.ground_used, *maps.surface_used))
            names = ", ".join(Path(r.name).name for r in maps.surface_used)
            # how far it may lie below the ground: cells of unlike place and size differ on a slope
            slope_m = 0.7 * cell_m * np.abs(np.gradient(ground, distance))
            notes += agreement.surface_notes(height, agreement.tolerance_m(cell_m) + slope_m, names)
        taller = ~unknown & (height >= LOWEST_CLUTTER_M) & (height > clutter)
        clutter[taller], kind[taller] = height[taller], what
    # a measured height goes before what a class stands for, 0 m too
    woods[measured["canopy"] | measured["surface"]] = np.nan
    # a canopy says nothing of roofs: the class still counts where it is all there is
    built[measured["surface"]] = np.nan
    taken = []
    for height, what, words, usual_m in (
        (woods, "trees", "trees", TREES_M),
        (built, "building", "built-up land", BUILT_UP_M),
    ):
        taller = (np.nan_to_num(height) >= LOWEST_CLUTTER_M) & (np.nan_to_num(height) > clutter)
        clutter[taller], kind[taller] = height[taller], what
        if taller.any():
            taken.append(f"{usual_m:g} m along {taller.mean() * distance[-1]:.0f} m of the path for {words}")
    if taken:
        notes.append(
            f"the land cover says what stands there but not how high: {' and '.join(taken)} are taken "
            "(Rec. ITU-R P.1812, table 2)"
        )
    # what stands at a station is part of its surroundings, not of the path
    clutter[[0, -1]], kind[[0, -1]] = 0.0, ""
    return clutter, tuple(kind), notes


def area_notes(
    ground: Mosaic, surface: Mosaic, latitude_deg: float, longitude_deg: float, radius_m: float
) -> list[str]:
    """Hold the rasters around a position against each other, as `cut_profile` does along a path: what a reader of the
    result should know. The surface may be without rasters.
    """
    # seven spokes, so that none lies along rows or columns but the first
    azimuths_deg, along_m = np.arange(7) * 360.0 / 7.0, np.linspace(radius_m / 40.0, radius_m, 40)
    spokes = geodesy.points_around(latitude_deg, longitude_deg, azimuths_deg[:, np.newaxis], along_m)
    lat, lon = (v.ravel() for v in spokes)
    used, above = ground.holding(lat, lon), surface.holding(lat, lon)
    notes = [note for r in (*used, *above) for note in r.notes]
    notes += _of_each_other(ground, used, (*used, *above), lat, lon)
    if used and above:
        cell_m = max(r.cell_m for r in (*used, *above))
        foot = ground.sample(lat, lon)
        north = cell_m / 111_000.0
        slope = np.hypot(
            ground.sample(lat + north, lon) - foot,
            ground.sample(lat, lon + north / max(np.cos(np.radians(latitude_deg)), 0.01)) - foot,
        )
        allowed_m = agreement.tolerance_m(cell_m) + 0.7 * np.nan_to_num(slope)
        names = ", ".join(Path(r.name).name for r in above)
        offset = surface.sample(lat, lon) - foot
        notes += agreement.surface_notes(offset, allowed_m, names, where="the land looked at")
    return notes


def _of_each_other(
    mosaic: Mosaic, ground: Sequence[Raster], used: Sequence[Raster], lat: Floats, lon: Floats
) -> Iterator[str]:
    """What rasters that show the same stretch say of each other: heights, datums, treetops for ground."""
    for finer, coarser in pairwise(ground):
        both = finer.covers(lat, lon) & coarser.covers(lat, lon)
        if both.any():
            # each alone: read as one, the finer would answer for both
            heights = [mosaic.only(r).sample(lat[both], lon[both]) for r in (finer, coarser)]
            note = agreement.overlap_note(heights[0] - heights[1], coarser.cell_m, (finer.name, coarser.name))
            yield from [note] if note else []
    datums = {r.vertical: Path(r.name).name for r in used if r.vertical}
    if len(datums) > 1:
        said = ", ".join(f"{name}: {datum}" for datum, name in datums.items())
        yield f"the rasters are on different vertical datums ({said}): steps where they meet are not real"
    names = [Path(r.name).name for r in ground if kind_of_file(r.name) == "surface"]
    if names:
        yield (
            f"{', '.join(names)} is a surface model by its name, used as bare ground: trees and roofs "
            "count as ground, and a station among trees is taken to stand on their tops"
        )

"""The terrain profile of a path: cut from rasters, read from a survey, completed with obstacles."""

import csv
import difflib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil, inf, isfinite
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc._kinds import kinds_checked
from linkcalc.errors import ArgumentError, DomainError, TerrainError
from linkcalc.terrain import agreement, geodesy
from linkcalc.terrain.land_cover import BUILT_UP_M, TREES_M, LandCover, shown_along
from linkcalc.terrain.open_sets import kind_of_file
from linkcalc.terrain.rasters import CANOPY_LIMITS_M, GROUND_LIMITS_M, Mosaic, Raster, open_mosaic

INLAND = 4
"""Radio-climatic zone where nothing else is known."""
ZONES = (1, 3, INLAND)
"""Sea, coastal land, inland (Rec. ITU-R P.1812)."""
CLUTTER_KINDS = ("", "trees", "building", "tank")
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
_EDGE_M = 0.01
"""Distance between the foot and the top of an obstacle's wall."""
_CLEAR_OF_STATION_M = 1.0
"""How close to a station an obstacle may reach."""


@dataclass(frozen=True, eq=False)
class Profile:
    """Heights along a path, from the first station (distance 0) to the second.

    Raises
    ------
    DomainError
        If the arrays are not of one length, not finite, not increasing from 0, or show clutter at an end.

    Examples
    --------
    >>> import numpy as np
    >>> x = np.array([0.0, 100.0, 250.0])
    >>> p = Profile(x, x * 0 + 40.0, x * 0, ("", "", ""), np.full(3, 4, np.int8), None, None, "flat", 0.0, ())
    >>> p.length_m, p.spacing_m
    (250.0, 125.0)
    """

    distance_m: Floats
    """(n,) from 0, increasing."""
    ground_m: Floats
    """(n,) ground above sea level."""
    clutter_m: Floats
    """(n,) height of what stands there, above ground; 0 at both ends."""
    clutter_kind: tuple[str, ...]
    """(n,) "", "trees", "building" or "tank"."""
    zone: NDArray[np.int8]
    """(n,) 1 sea, 3 coastal land, 4 inland."""
    latitude_deg: Floats | None
    """(n,) WGS 84, where known."""
    longitude_deg: Floats | None
    """(n,) WGS 84, where known."""
    source: str
    """Where the heights come from."""
    bridged_m: float
    """Length of nodata holes along the path that were bridged."""
    notes: tuple[str, ...]
    """What a reader of the result should know about these heights."""
    cell_m: float = 0.0
    """Longer side of the raster's cells: the ground between their centres is not known; 0 for a survey."""

    def __post_init__(self) -> None:
        n = len(self.distance_m)
        others = (self.ground_m, self.clutter_m, self.zone, self.latitude_deg, self.longitude_deg)
        lengths = [len(self.clutter_kind)] + [len(c) for c in others if c is not None]
        if n < 2 or any(length != n for length in lengths):
            raise DomainError("a profile needs at least two points, and every column at each of them")
        if not all(np.isfinite(c).all() for c in (self.distance_m, self.ground_m, self.clutter_m)):
            raise DomainError("the distances and heights of a profile must be finite")
        if self.distance_m[0] != 0.0 or (np.diff(self.distance_m) <= 0.0).any():
            raise DomainError("the distances of a profile must start at 0 and increase")
        if self.clutter_m[0] != 0.0 or self.clutter_m[-1] != 0.0 or (self.clutter_m < 0.0).any():
            raise DomainError("the clutter of a profile must be 0 at both ends and nowhere negative")

    @property
    def length_m(self) -> float:
        """Length of the path."""
        return float(self.distance_m[-1])

    @property
    def spacing_m(self) -> float:
        """Mean spacing of the points."""
        return self.length_m / (len(self.distance_m) - 1)


class ObstacleLike(Protocol):
    """What `with_obstacles` needs to know of an obstacle."""

    @property
    def distance_m(self) -> float:
        """Distance of its middle from the first station."""

    @property
    def height_m(self) -> float:
        """Height above ground."""

    @property
    def width_m(self) -> float:
        """Extent along the path."""

    @property
    def kind(self) -> str:
        """What it is: "trees", "building" or "tank"."""


Rasters = Mosaic | Sequence[str | Path]
"""Files, or rasters that are open already."""


def cut_profile(
    lat1: float,
    lon1: float,
    lat2: float,
    lon2: float,
    rasters: Rasters,
    *,
    surface_rasters: Rasters = (),
    canopy_rasters: Rasters = (),
    land_cover: LandCover | None = None,
    surface_kind: str = "trees",
    step_m: float | None = None,
    largest_hole_m: float = 250.0,
    sea_without_data: bool = False,
    base_dir: str | Path | None = None,
    names: tuple[str, str] = ("the first station", "the second station"),
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
    land_cover : LandCover, optional
        Classes, for heights of trees and of what is built where neither surface nor canopy is known; not within 100 m
        of a station, where they are part of its surroundings.
    surface_kind : str
        What a surface model shows: "trees" or "building".
    step_m : float or None, metres
        Largest spacing of the points; None takes the finest spacing among the rasters on the path.
        Points are evenly spaced, and never fewer than 11.
    largest_hole_m : float, metres
        Holes up to this length along the path are bridged by a straight line and reported.
    sea_without_data : bool
        Whether what no raster holds is open sea at 0 m (zone 1), and no hole: where the ground beside it is no
        higher than 100 m.
    base_dir : str, Path or None
        Folder of relative paths.
    names : tuple of two str
        What messages call the two stations.

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
    length, _, _ = geodesy.path_between(lat1, lon1, lat2, lon2)
    if length < _CLEAR_OF_STATION_M:
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
        ground_used = ground_mosaic.holding(*probe)
        surface_used = surface_mosaic.holding(*probe) if surface_mosaic else ()
        canopy_used = canopy_mosaic.holding(*probe) if canopy_mosaic else ()
        cover = land_cover or LandCover()
        cover_used = (*cover.woods.holding(*probe), *cover.built.holding(*probe))
        used = (*ground_used, *surface_used, *canopy_used, *cover_used)
        native = min(r.spacing_m for r in used)
        met_before = [r.out_of_limits[0] for r in used]
        notes = list(dict.fromkeys(note for r in used for note in r.notes))
        notes += _fit_together(ground_mosaic, ground_used, *probe)
        notes += _datums(used)
        notes += _treetops(ground_used)
        step = native if step_m is None else step_m
        intervals = max(ceil(length / step - 1e-9), FEWEST_POINTS - 1)
        if intervals >= MOST_POINTS:
            intervals = MOST_POINTS - 1
            notes.append(
                f"points are {length / intervals:.2f} m apart, not {step:.2f} m: {MOST_POINTS} at most"
            )
        # Holes are measured and bridged at the rasters' own spacing, however coarse the points asked for.
        finer = min(ceil(length / intervals / native - 1e-9), max(MOST_POINTS // intervals, 1))
        distance = np.linspace(0.0, length, intervals * finer + 1)
        lat, lon = geodesy.points_along(lat1, lon1, lat2, lon2, distance)

        ground = ground_mosaic.sample(lat, lon)
        ground[[0, -1]] = ends_m
        sea = at_sea(ground) if sea_without_data else np.zeros(ground.shape, dtype=bool)
        if sea.any():
            ground[sea] = 0.0
            notes.append(
                f"{sea.mean() * length:.0f} m of the path without heights are taken as sea at 0 m, as the "
                "plan says"
            )
        ground, bridged_m, hole_notes = _bridge(distance, ground, lat, lon, largest_hole_m, names[0])
        notes += hole_notes
        keep = slice(None, None, finer)
        distance, ground, lat, lon, sea = distance[keep], ground[keep], lat[keep], lon[keep], sea[keep]

        cell = _cell_m(ground_used, *probe)
        notes += agreement.height_notes(distance, ground, cell, names[0])
        shown = (surface_mosaic, canopy_mosaic, surface_kind, cover)
        clutter, kind, clutter_notes = _clutter(
            lat, lon, ground, distance, *shown, (ground_used, surface_used)
        )
        notes += clutter_notes
        for raster, before in zip(used, met_before, strict=True):
            count, example = raster.out_of_limits
            if count > before:
                notes.append(
                    f"{raster.name} holds impossible heights on the path, such as {example:.0f} m; "
                    "they are taken as nodata"
                )
    return Profile(
        distance_m=distance,
        ground_m=ground,
        clutter_m=clutter,
        clutter_kind=kind,
        zone=np.where(sea, ZONES[0], INLAND).astype(np.int8),
        latitude_deg=lat,
        longitude_deg=lon,
        source=", ".join(dict.fromkeys(f"{Path(r.name).name} ({r.cell_words})" for r in used)),
        bridged_m=bridged_m,
        notes=tuple(notes),
        cell_m=cell,
    )


def at_sea(ground_m: Floats) -> NDArray[np.bool_]:
    """Which unknown heights along a path are those of open sea: runs beside ground of 100 m or less. Those of both ends
    are known.

    >>> at_sea(np.array([300.0, np.nan, 250.0, 3.0, np.nan, np.nan, 400.0])).tolist()
    [False, False, False, False, True, True, False]
    """
    unknown = np.isnan(ground_m)
    sea = np.zeros(ground_m.shape, dtype=bool)
    turns = np.flatnonzero(np.diff(unknown.astype(np.int8))) + 1
    for first, after in zip(turns[::2], turns[1::2], strict=False):
        sea[first:after] = min(ground_m[first - 1], ground_m[after]) <= SEA_SHORE_M
    return sea


def with_obstacles(profile: Profile, obstacles: Sequence[ObstacleLike]) -> Profile:
    """Add known obstacles to a profile.

    Points are inserted at the edges of each, so that none slips between two points. Where obstacles
    overlap each other or other clutter, the highest stands. What reaches a station is cut off 1 m before
    it, and a note says so.

    Parameters
    ----------
    profile : Profile
    obstacles : sequence of `linkcalc.plan.Obstacle` or alike
        Distance of the middle from the first station, height above ground, extent along the path, kind.

    Returns
    -------
    Profile

    Raises
    ------
    TerrainError
        If the middle of an obstacle lies beyond the second station, or a figure makes no sense.

    Examples
    --------
    >>> import numpy as np
    >>> from linkcalc.plan import Obstacle
    >>> x = np.array([0.0, 100.0, 200.0])
    >>> p = Profile(x, x * 0 + 40.0, x * 0, ("", "", ""), np.full(3, 4, np.int8), None, None, "flat", 0.0, ())
    >>> p = with_obstacles(p, [Obstacle(distance_m=130.0, height_m=5.0, width_m=4.0, kind="tank")])
    >>> p.distance_m.tolist()
    [0.0, 100.0, 127.99, 128.0, 132.0, 132.01, 200.0]
    >>> p.clutter_m.tolist()
    [0.0, 0.0, 0.0, 5.0, 5.0, 0.0, 0.0]
    """
    length = profile.length_m
    spans: list[tuple[float, float, ObstacleLike]] = []
    notes = list(profile.notes)
    for number, obstacle in enumerate(obstacles, start=1):
        what = f"obstacle {number} ({obstacle.kind}, {obstacle.height_m:g} m high)"
        figures = (obstacle.distance_m, obstacle.height_m, obstacle.width_m)
        if not all(isfinite(f) for f in figures) or min(figures) < 0.0:
            raise TerrainError(f"{what}: distance, height and width must be finite and not negative")
        if obstacle.kind not in CLUTTER_KINDS[1:]:
            raise TerrainError(f"{what}: its kind must be one of {', '.join(CLUTTER_KINDS[1:])}")
        if obstacle.distance_m > length:
            raise TerrainError(
                f"{what} is said to stand at {obstacle.distance_m:.0f} m, "
                f"beyond the end of the path at {length:.0f} m"
            )
        asked = (
            obstacle.distance_m - obstacle.width_m / 2.0,
            obstacle.distance_m + obstacle.width_m / 2.0,
        )
        start = max(asked[0], _CLEAR_OF_STATION_M)
        end = min(asked[1], length - _CLEAR_OF_STATION_M)
        if (start, end) != asked:
            notes.append(f"{what} reaches a station and is cut off {_CLEAR_OF_STATION_M:g} m before it")
        if start <= end:
            spans.append((start, end, obstacle))
    if not spans:
        return replace(profile, notes=tuple(notes))

    old = profile.distance_m
    edges = np.array([(start - _EDGE_M, start, end, end + _EDGE_M) for start, end, _ in spans])
    distance = np.union1d(old, np.round(edges.ravel(), 6))
    clutter = np.interp(distance, old, profile.clutter_m)
    # of the two old points around a new one, the taller says what stands there
    after = np.searchsorted(old, distance).clip(0, len(old) - 1)
    before = np.where(old[after] == distance, after, after - 1)
    taller = np.where(profile.clutter_m[after] >= profile.clutter_m[before], after, before)
    nearer = np.where(distance - old[before] <= old[after] - distance, before, after)
    kind = np.where(clutter > 0.0, np.array(profile.clutter_kind, dtype=object)[taller], "")
    for start, end, obstacle in spans:
        under = (distance >= round(start, 6)) & (distance <= round(end, 6)) & (clutter < obstacle.height_m)
        clutter[under], kind[under] = obstacle.height_m, obstacle.kind

    lat, lon = profile.latitude_deg, profile.longitude_deg
    return replace(
        profile,
        distance_m=distance,
        ground_m=np.interp(distance, old, profile.ground_m),
        clutter_m=clutter,
        clutter_kind=tuple(kind),
        zone=profile.zone[nearer],
        latitude_deg=None if lat is None else np.interp(distance, old, lat),
        longitude_deg=None if lon is None else np.interp(distance, old, np.unwrap(lon, period=360.0)),
        notes=tuple(notes),
    )


@kinds_checked
def read_profile_csv(path: str | Path) -> Profile:
    """Read a surveyed profile.

    Parameters
    ----------
    path : str or Path
        Text file with a header line. Columns ``distance_m`` (from 0 at the first station, increasing) and
        ``ground_m`` (above sea level); optionally ``clutter_m`` (above ground), ``clutter_kind``
        (trees, building or tank; trees where left out) and ``zone`` (1 sea, 3 coastal land, 4 inland;
        4 where left out). Separated by commas, semicolons or tabs, decimal points only; lines that are
        empty or start with ``#`` are skipped. UTF-8, UTF-16 with a byte order mark, or Windows-1252.

    Returns
    -------
    Profile
        Without positions. Clutter at the two ends is set to 0, where the antennas stand.

    Raises
    ------
    TerrainError
        If the file is missing or damaged; the text names the file and the line.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     survey = Path(folder, "path.csv")
    ...     _ = survey.write_text("distance_m,ground_m,clutter_m\\n0,40,0\\n600,52,8\\n900,41,0\\n")
    ...     profile = read_profile_csv(survey)
    >>> profile.length_m, profile.clutter_kind
    (900.0, ('', 'trees', ''))
    """
    lines = _text_of(path).splitlines()
    rows = [
        (number, line)
        for number, line in enumerate(lines, 1)
        if line.strip(" ,;\t") and not line.lstrip().startswith("#")
    ]
    if not rows:
        raise TerrainError(f"{path} is empty")
    separator = max(",;\t", key=rows[0][1].count)
    where = f"{path}, line {rows[0][0]}"
    header = [cell.lower() for cell in _cells(where, rows[0][1], separator)]
    _check_header(where, header)

    columns: dict[str, list[float]] = {name: [] for name in header if name != "clutter_kind"}
    kinds: list[str] = []
    for number, line in rows[1:]:
        where = f"{path}, line {number}"
        cells = _cells(where, line, separator)
        if len(cells) != len(header):
            hint = " (decimal commas? write a point)" if separator == "," and len(cells) > len(header) else ""
            raise TerrainError(f"{where}: {len(cells)} values under {len(header)} columns{hint}: {line!r}")
        for name, cell in zip(header, cells, strict=True):
            if name == "clutter_kind":
                kinds.append(_checked_kind(where, cell.lower()))
            else:
                columns[name].append(_checked_number(where, name, cell))
        distances = columns["distance_m"]
        if len(distances) == 1 and distances[0] != 0.0:
            raise TerrainError(
                f"{where}: the first distance_m is {distances[0]:g}; it must be 0, at the first station"
            )
        if len(distances) > 1 and distances[-1] <= distances[-2]:
            raise TerrainError(
                f"{where}: distance_m does not increase ({distances[-1]:g} after {distances[-2]:g})"
            )
    n = len(columns["distance_m"])
    if n < 3:
        raise TerrainError(f"{path} holds {n} points; a profile needs at least 3")

    return profile_from(
        columns["distance_m"],
        columns["ground_m"],
        columns.get("clutter_m"),
        clutter_kind=kinds or None,
        zone=columns.get("zone"),
        source=f"survey {Path(path).name}",
    )


def profile_from(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    clutter_m: ArrayLike | None = None,
    *,
    clutter_kind: Sequence[str] | None = None,
    zone: ArrayLike | None = None,
    source: str = "given in Python",
) -> Profile:
    """Make a profile of arrays.

    Parameters
    ----------
    distance_m : array_like, m, shape (n,), n >= 3
        From 0 at the first station, increasing.
    ground_m : array_like, m, shape (n,)
        Ground above sea level.
    clutter_m : array_like, m, shape (n,), optional
        Height of what stands there, above ground, 0 or more. At the two ends it is set to 0, where the
        antennas stand, and a note says so.
    clutter_kind : sequence of str, length n, optional
        "trees", "building" or "tank"; trees where it is left out or "".
    zone : array_like of int, shape (n,), optional
        1 sea, 3 coastal land, 4 inland; all inland where left out.
    source : str
        Where the heights come from, for the report.

    Returns
    -------
    Profile
        Without positions.

    Raises
    ------
    DomainError
        If the columns are no profile: not of one length, not finite, not increasing from 0, an unknown kind
        or zone.

    Examples
    --------
    >>> p = profile_from([0.0, 400.0, 1000.0], [40.0, 45.0, 42.0], [0.0, 6.0, 0.0])
    >>> p.length_m, p.clutter_kind
    (1000.0, ('', 'trees', ''))
    """
    distance, ground = (
        np.array(checked(name, column), ndmin=1)
        for name, column in (("distance_m", distance_m), ("ground_m", ground_m))
    )
    n = distance.size
    if n < 3:
        raise DomainError(f"a profile needs at least 3 points, got {n}")
    clutter = np.zeros(n) if clutter_m is None else np.array(checked("clutter_m", clutter_m, at_least=0.0))
    kinds = [""] * n if clutter_kind is None else list(clutter_kind)
    zones = np.full(n, INLAND) if zone is None else np.asarray(zone)
    if any(np.shape(column) != (n,) for column in (distance, ground, clutter, kinds, zones)):
        raise DomainError(f"every column of a profile must have {n} values, as distance_m has")
    if strange := sorted(set(kinds) - set(CLUTTER_KINDS)):
        raise DomainError(f"clutter_kind must be one of {', '.join(CLUTTER_KINDS[1:])}, got {strange[0]!r}")
    if not np.isin(zones, ZONES).all():
        raise DomainError("zone must be 1 (sea), 3 (coastal land) or 4 (inland) at every point")
    notes = []
    if clutter[0] or clutter[-1]:
        notes.append("clutter at the stations themselves is not counted")
        clutter[[0, -1]] = 0.0
    return Profile(
        distance_m=distance,
        ground_m=ground,
        clutter_m=clutter,
        clutter_kind=tuple(
            (kind or "trees") if height else "" for height, kind in zip(clutter, kinds, strict=True)
        ),
        zone=zones.astype(np.int8),
        latitude_deg=None,
        longitude_deg=None,
        source=source,
        bridged_m=0.0,
        notes=tuple(notes),
    )


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


def cut_short(profile: Profile, length_m: float) -> Profile:
    """End a profile sooner: the second station stands on its ground at a distance from the first.

    Parameters
    ----------
    profile : Profile
    length_m : float, m
        Above 0, up to the profile's length.

    Returns
    -------
    Profile

    Raises
    ------
    DomainError
        If the length is outside its range, or fewer than 3 points are left.

    Examples
    --------
    >>> p = cut_short(profile_from([0, 400, 1000], [40, 46, 40]), 700)
    >>> p.distance_m.tolist(), p.ground_m.tolist()
    ([0.0, 400.0, 700.0], [40.0, 46.0, 43.0])
    """
    if not 0.0 < length_m <= profile.length_m:
        raise DomainError(f"the profile is {profile.length_m:g} m long: {length_m:g} m of it cannot be had")
    old = profile.distance_m
    kept = int(np.searchsorted(old, length_m))
    if kept < 2:
        raise DomainError(f"the first {length_m:g} m of the profile have fewer than 3 points")
    lat, lon = profile.latitude_deg, profile.longitude_deg

    def ended(column: Floats) -> Floats:
        return np.append(column[:kept], np.interp(length_m, old, column))

    return replace(
        profile,
        distance_m=np.append(old[:kept], length_m),
        ground_m=ended(profile.ground_m),
        clutter_m=np.append(profile.clutter_m[:kept], 0.0),
        clutter_kind=(*profile.clutter_kind[:kept], ""),
        zone=np.append(profile.zone[:kept], profile.zone[kept]),
        latitude_deg=None if lat is None else ended(lat),
        longitude_deg=None if lon is None else ended(np.unwrap(lon, period=360.0)),
    )


def station_ground_m(name: str, lat: float, lon: float, mosaic: Mosaic) -> float:
    """Return the height under a station, or say why there is none and what the mend may be."""
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

    nearest, gap_m = min(
        ((r, _gap_m(lat, lon, r.bounds())) for r in mosaic.rasters), key=lambda pair: pair[1]
    )
    south, west, north, east = nearest.bounds()
    others = f" and {len(mosaic.rasters) - 1} more" if len(mosaic.rasters) > 1 else ""
    guesses = likely_positions(lat, lon)
    mends = [
        mend
        for mend, (y, x) in guesses.items()
        if abs(y) <= 90.0 and any(r.covers(np.array([y]), np.array([x])).any() for r in mosaic.rasters)
    ]
    mend = mends[0] if mends else "check its position, or name a raster that covers it"
    raise TerrainError(
        f"{at} lies {_length_text(gap_m)} outside {nearest.name}{others}, which covers "
        f"{geodesy.position_text(south, west)} to {geodesy.position_text(north, east)}: {mend}"
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
    lat: Floats,
    lon: Floats,
    ground: Floats,
    distance: Floats,
    surface: Mosaic | None,
    canopy: Mosaic | None,
    surface_kind: str,
    cover: LandCover,
    used: tuple[Sequence[Raster], Sequence[Raster]],
) -> tuple[Floats, tuple[str, ...], list[str]]:
    """Return what stands on the ground, by the taller of surface model and canopy, by classes where neither is known,
    and notes."""
    clutter = np.zeros_like(ground)
    kind = np.full(ground.shape, "", dtype=object)
    notes = []
    measured = {"surface": np.zeros(ground.shape, dtype=bool), "canopy": np.zeros(ground.shape, dtype=bool)}
    woods, built = shown_along(cover, lat, lon, distance)
    for mosaic, foot, what, of_what in (
        (surface, ground, surface_kind, "surface"),
        (canopy, 0.0, "trees", "canopy"),
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
        if mosaic is surface and not unknown.all():
            cell_m = max(r.cell_m for rasters in used for r in rasters)
            names = ", ".join(Path(r.name).name for r in used[1])
            notes += agreement.surface_notes(height, _allowed_m(ground, distance, cell_m), names)
        taller = ~unknown & (height >= LOWEST_CLUTTER_M) & (height > clutter)
        clutter[taller], kind[taller] = height[taller], what
    woods[measured["canopy"] | measured["surface"]] = np.nan
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
    clutter[[0, -1]], kind[[0, -1]] = 0.0, ""
    return clutter, tuple(kind), notes


def _allowed_m(ground: Floats, distance: Floats, cell_m: float) -> Floats:
    """How far a surface may lie below the ground: cells of unlike place and size differ on a slope."""
    return np.asarray(agreement.tolerance_m(cell_m) + 0.7 * cell_m * np.abs(np.gradient(ground, distance)))


def area_notes(
    ground: Mosaic, surface: Mosaic, latitude_deg: float, longitude_deg: float, radius_m: float
) -> list[str]:
    """Hold the rasters around a position against each other, as `cut_profile` does along a path.

    Parameters
    ----------
    ground, surface : Mosaic
        The latter may be without rasters.
    latitude_deg, longitude_deg : float, degrees
    radius_m : float, m

    Returns
    -------
    list of str
        What a reader of the result should know.

    Raises
    ------
    TerrainError
        If the surface cannot be on the ground's vertical datum and in its unit, or ground rasters contradict
        each other.
    """
    # seven spokes, so that none lies along rows or columns but the first
    ends = [_point_at(latitude_deg, longitude_deg, turn * 360.0 / 7.0, radius_m) for turn in range(7)]
    along = np.linspace(radius_m / 40.0, radius_m, 40)
    spokes = [geodesy.points_along(latitude_deg, longitude_deg, *end, along) for end in ends]
    lat, lon = (np.concatenate([spoke[i] for spoke in spokes]) for i in (0, 1))
    used, above = ground.holding(lat, lon), surface.holding(lat, lon)
    notes = [note for r in (*used, *above) for note in r.notes]
    notes += _fit_together(ground, used, lat, lon)
    notes += _datums((*used, *above))
    notes += _treetops(used)
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


def _point_at(lat: float, lon: float, azimuth_deg: float, distance_m: float) -> tuple[float, float]:
    end_lon, end_lat, _ = geodesy.ellipsoid().fwd(lon, lat, azimuth_deg, distance_m)
    return float(end_lat), float(end_lon)


def _cell_m(used: Sequence[Raster], lat: Floats, lon: Floats) -> float:
    """Cell of the rasters that give the path its ground: the largest that gives more than a little."""
    cells = np.zeros(lat.shape)
    for raster in reversed(used):
        cells[raster.covers(lat, lon)] = raster.cell_m
    return float(np.quantile(cells, 0.95, method="higher"))


def _fit_together(mosaic: Mosaic, used: Sequence[Raster], lat: Floats, lon: Floats) -> Iterator[str]:
    """Hold rasters that show the same stretch against each other."""
    for finer, coarser in pairwise(used):
        both = finer.covers(lat, lon) & coarser.covers(lat, lon)
        if both.any():
            heights = [mosaic.only(r).sample(lat[both], lon[both]) for r in (finer, coarser)]
            note = agreement.overlap_note(heights[0] - heights[1], coarser.cell_m, (finer.name, coarser.name))
            yield from [note] if note else []


def _datums(used: Sequence[Raster]) -> Iterator[str]:
    """Say so if rasters are on different vertical datums."""
    datums = {r.vertical: Path(r.name).name for r in used if r.vertical}
    if len(datums) > 1:
        said = ", ".join(f"{name}: {datum}" for datum, name in datums.items())
        yield f"the rasters are on different vertical datums ({said}): steps where they meet are not real"


def _treetops(ground: Sequence[Raster]) -> Iterator[str]:
    """Say so if what is used as bare ground is a surface model by its name."""
    names = [Path(r.name).name for r in ground if kind_of_file(r.name) == "surface"]
    if names:
        yield (
            f"{', '.join(names)} is a surface model by its name, used as bare ground: trees and roofs "
            "count as ground, and a station among trees is taken to stand on their tops"
        )


def _length_text(length_m: float) -> str:
    return f"{length_m:.0f} m" if length_m < 1000.0 else f"{length_m / 1000.0:.1f} km"


def _text_of(path: str | Path) -> str:
    try:
        raw = Path(path).read_bytes()
    except OSError as error:
        raise TerrainError(f"profile {path} cannot be read: {error.strerror or error}") from error
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise TerrainError(f"profile {path} is not a text file")


def _cells(where: str, line: str, separator: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, strict=True))]
    except csv.Error as error:
        raise TerrainError(f"{where}: {error}: {line!r}") from error


def _check_header(where: str, header: list[str]) -> None:
    allowed = ("distance_m", "ground_m", "clutter_m", "clutter_kind", "zone")
    for name in header:
        if name not in allowed:
            close = difflib.get_close_matches(name, allowed, n=1)
            hint = f"did you mean {close[0]}?" if close else f"columns are {', '.join(allowed)}"
            raise TerrainError(f"{where}: unknown column {name!r}; {hint}")
        if header.count(name) > 1:
            raise TerrainError(f"{where}: column {name} appears twice")
    for name in allowed[:2]:
        if name not in header:
            raise TerrainError(f"{where}: column {name} is missing")


def _checked_kind(where: str, kind: str) -> str:
    if kind not in CLUTTER_KINDS:
        raise TerrainError(f"{where}: clutter_kind {kind!r} is not one of {', '.join(CLUTTER_KINDS[1:])}")
    return kind


def _checked_number(where: str, name: str, cell: str) -> float:
    try:
        value = float(cell.replace("_", "?"))  # Python reads 1_000 as 1000, nobody else does
    except ValueError:
        hint = "; write a decimal point, not a comma" if "," in cell else ""
        what = repr(cell) if cell else "empty"
        raise TerrainError(f"{where}: {name} is {what}, not a number{hint}") from None
    low, high = {"ground_m": GROUND_LIMITS_M, "clutter_m": (0.0, 500.0), "distance_m": (0.0, inf)}.get(
        name, (-inf, inf)
    )
    if not isfinite(value) or not low <= value <= high:
        raise TerrainError(f"{where}: {name} cannot be {cell}")
    if name == "zone" and value not in ZONES:
        raise TerrainError(f"{where}: zone {cell} is not 1 (sea), 3 (coastal land) or 4 (inland)")
    return value

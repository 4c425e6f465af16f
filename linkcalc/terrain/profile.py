"""The terrain profile of a path: what it holds, made of arrays, completed with obstacles, cut short."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc._kinds import kinds_checked
from linkcalc.errors import DomainError, TerrainError

INLAND = 4
"""Radio-climatic zone where nothing else is known."""
ZONES = (1, 3, INLAND)
"""Sea, coastal land, inland (Rec. ITU-R P.1812)."""
CLUTTER_KINDS = ("", "trees", "building", "tank")
_EDGE_M = 0.01
"""Distance between the foot and the top of an obstacle's wall."""
CLEAR_OF_STATION_M = 1.0
"""How close to a station an obstacle may reach."""


@dataclass(frozen=True, eq=False)
class Profile:
    """Heights along a path, from the first station (distance 0) to the second; `profile_from` makes one.

    Raises `DomainError` where the arrays are not of one length, not finite, not increasing from 0, or show clutter at
    an end.
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
    longitude_deg: Floats | None
    """(n,) WGS 84, where known."""
    source: str
    bridged_m: float
    notes: tuple[str, ...]
    cell_m: float = 0.0
    """Longer side of the raster's cells, or the points' spacing where that is wider: what lies between is not known; 0
    for a survey."""

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
    """What `with_obstacles` needs to know of an obstacle: its middle from the first station, its extent along the path,
    and one of `CLUTTER_KINDS` but the first."""

    @property
    def distance_m(self) -> float: ...
    @property
    def height_m(self) -> float: ...
    @property
    def width_m(self) -> float: ...
    @property
    def kind(self) -> str: ...


def with_obstacles(profile: Profile, obstacles: Sequence[ObstacleLike]) -> Profile:
    """Add known obstacles to a profile.

    Points are inserted at the edges of each, so that none slips between two points. Where obstacles overlap each
    other or other clutter, the highest stands. What reaches a station is cut off 1 m before it, and a note says so.
    Raises `TerrainError` where the middle of one lies beyond the second station, or a figure makes no sense.

    >>> from linkcalc.plan import Obstacle
    >>> p = profile_from([0.0, 100.0, 200.0], [40.0, 40.0, 40.0])
    >>> p = with_obstacles(p, [Obstacle(distance_m=130.0, height_m=5.0, width_m=4.0, kind="tank")])
    >>> p.distance_m.tolist(), p.clutter_m.tolist()
    ([0.0, 100.0, 127.99, 128.0, 132.0, 132.01, 200.0], [0.0, 0.0, 0.0, 5.0, 5.0, 0.0, 0.0])
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
        near, far = obstacle.distance_m - obstacle.width_m / 2.0, obstacle.distance_m + obstacle.width_m / 2.0
        start, end = max(near, CLEAR_OF_STATION_M), min(far, length - CLEAR_OF_STATION_M)
        if (start, end) != (near, far):
            notes.append(f"{what} reaches a station and is cut off {CLEAR_OF_STATION_M:g} m before it")
        if start <= end:
            spans.append((start, end, obstacle))
    if not spans:
        return replace(profile, notes=tuple(notes))

    old = profile.distance_m
    edges = np.array([(start - _EDGE_M, start, end, end + _EDGE_M) for start, end, _ in spans])
    # rounded: edges that differ in their last bits would be two points in one place
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

    found = _at_distances(profile, distance, clutter, tuple(kind), profile.zone[nearer])
    return replace(found, notes=tuple(notes))


def _at_distances(
    profile: Profile, distance_m: Floats, clutter_m: Floats, kind: tuple[str, ...], zone: NDArray[np.int8]
) -> Profile:
    """The ground of a profile, and where it lies, at other distances."""

    def drawn(column: Floats) -> Floats:
        return np.interp(distance_m, profile.distance_m, column)

    # unwrapped below: between 179.9 and -179.9 the mean would lie on the other side of the Earth
    lat, lon = profile.latitude_deg, profile.longitude_deg
    return replace(
        profile,
        distance_m=distance_m,
        ground_m=drawn(profile.ground_m),
        clutter_m=clutter_m,
        clutter_kind=kind,
        zone=zone,
        latitude_deg=None if lat is None else drawn(lat),
        longitude_deg=None if lon is None else drawn(np.unwrap(lon, period=360.0)),
    )


@kinds_checked
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


def cut_short(profile: Profile, length_m: float) -> Profile:
    """End a profile sooner: the second station stands on its ground at a distance from the first.

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
    clutter = np.append(profile.clutter_m[:kept], 0.0)
    kind = (*profile.clutter_kind[:kept], "")
    return _at_distances(profile, np.append(old[:kept], length_m), clutter, kind, profile.zone[: kept + 1])

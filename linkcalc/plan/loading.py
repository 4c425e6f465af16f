"""The plan file's door: read, check, and say in one line what is wrong and what puts it right.

Every function here raises `PlanError` where a plan cannot be used, or a raster or a profile that it names does not
exist: one line, with the first fault and its remedy, and where the others are.
"""

import hashlib
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from difflib import get_close_matches
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from linkcalc._kinds import kinds_checked
from linkcalc.errors import ArgumentError, PlanError, shortened
from linkcalc.plan.assumptions import Assumption, assumed_values
from linkcalc.plan.faults import Fault, summary, validated
from linkcalc.plan.model import Plan
from linkcalc.plan.patterns import read_pattern
from linkcalc.plan.stations import AntennaFigures, Station
from linkcalc.plan.surroundings import Terrain
from linkcalc.plan.syntax import parsed
from linkcalc.plan.wording import element, printable, quoted
from linkcalc.terrain.sources import is_elsewhere, is_pattern, is_remote

if TYPE_CHECKING:
    from linkcalc.terrain.profile import Profile

T = TypeVar("T", bound=AntennaFigures)

LARGEST_PLAN_BYTES = 1_000_000
"""A plan of a hundred stations has some 50 kB; a larger file is something else."""


@dataclass(frozen=True)
class LoadedPlan:
    """A valid plan with where it came from."""

    plan: Plan
    path: Path
    base_dir: Path
    digest: str
    """SHA-256 of the file, hexadecimal; of the values for a plan made in Python."""
    assumed: tuple[Assumption, ...]
    notes: tuple[str, ...]
    profiles: "Mapping[str, Profile]" = field(default_factory=dict)
    """Profiles given in Python, by name of the link; they stand for what files would give."""
    settings: tuple[str, ...] = ()

    def changed(self, values: Mapping[str, Any] | None = None, /, **sections: Any) -> "LoadedPlan":
        """Return the plan with other values; its folder and its profiles stay.

        Parameters
        ----------
        values : mapping of str to value
            By key: ``"NAME.antenna_height_m"`` of a station, ``"NAME.modulation.spreading_factor"`` of a link
            (``"station.NAME. ..."`` or ``"link.NAME. ..."`` where both have the name), and from the top of the
            file, such as ``"conditions.leaf"``. None takes a key away, so that its default counts.
        **sections
            Top-level keys as a whole, as in `plan_from`; None takes one away.

        Examples
        --------
        >>> import linkcalc as lc
        >>> plan = lc.load_plan(lc.sample_path("plain"))
        >>> higher = plan.changed({"header tank.antenna_height_m": 8, "level and pump permit.tries": 2}, title="Higher")
        >>> higher.plan.station[0].antenna_height_m, higher.plan.link[0].tries, higher.plan.title
        (8.0, 2, 'Higher')
        >>> plan.changed({"pump shde.antenna_height_m": 8})
        Traceback (most recent call last):
        linkcalc.errors.PlanError: pump shde.antenna_height_m: unknown station, link, message or section\
 "pump shde"; did you mean "pump shed"?
        """
        from linkcalc.plan.edits import edit_at, edited
        from linkcalc.plan.in_python import plain, plan_from

        if values is not None and not isinstance(values, Mapping):
            raise ArgumentError(
                f'changed takes a dict such as {{"shed.antenna_height_m": 8}}; not {shortened(values)}'
            )
        tables = {key: plain(v) for key, v in {**self.tables(), **sections}.items() if v is not None}
        edits = [edit_at(path, plain(value), tables) for path, value in (values or {}).items()]
        return plan_from(edited(tables, edits), profiles=self.profiles, base_dir=self.base_dir)

    def tables(self) -> dict[str, Any]:
        """Return what the plan states, as a plan file's tables."""
        return self.plan.model_dump(by_alias=True, exclude_unset=True, exclude_none=True)

    def to_toml(self) -> str:
        """Return the plan as the text of a plan file, for its folder; comments of the file it came from are lost."""
        from linkcalc.plan.values import toml

        if self.profiles:
            names = ", ".join(quoted(name) for name in self.profiles)
            raise PlanError(
                f"the profile of {names} was given in Python: write(path) keeps it beside the plan"
            )
        return toml(self.tables())

    def write(self, path: str | os.PathLike[str]) -> None:
        """Write the plan as a TOML plan file, whole or not at all; what is there is replaced. Loaded again it is the
        same plan.

        Files that it names are named from the new folder. Profiles given in Python are written beside it.
        """
        from linkcalc.plan.values import written

        written(self, Path(path))


@kinds_checked
def load_plan(path: str | os.PathLike[str], settings: Sequence[str] = ()) -> LoadedPlan:
    """Read and check a plan file.

    Parameters
    ----------
    path : str or path
        TOML file in UTF-8.
    settings : sequence of str
        Keys with values in place of the file's, as `linkcalc.plan.edits.setting` reads them:
        ``"tank.antenna_height_m=8"``. The result names them, and its digest is of both. A feeder
        grows with an antenna that is set higher, unless its length is set too.

    Returns
    -------
    LoadedPlan

    Examples
    --------
    >>> load_plan("absent.toml")
    Traceback (most recent call last):
    linkcalc.errors.PlanError: absent.toml: no such file; `linkcalc new absent.toml` writes a starter
    """
    path = Path(path)
    with told_of(path):
        raw = read_text(path)
        data = parsed(raw)
        if not data:
            raise PlanError("is empty; `linkcalc new` writes a starter plan")
        if settings:
            plan, settings = _set_plan(data, path.parent, settings)
        else:
            plan = checked_plan(data, path.parent)
    digest = hashlib.sha256(b"\n".join([raw, *(s.encode() for s in settings)])).hexdigest()
    notes = (*(f"set for this run, not as in the file: {s}" for s in settings), *plan_notes(plan))
    assumed = (*assumed_values(plan), *_starter_profiles(plan, path.parent))
    return LoadedPlan(plan, path, path.parent, digest, assumed, notes, settings=tuple(settings))


@contextmanager
def told_of(path: Path) -> Iterator[None]:
    """Name the file in front of what is wrong with it."""
    try:
        yield
    except PlanError as error:
        raise PlanError(printable(f"{path}: {error}")) from None


def _set_plan(
    data: Mapping[str, Any], base_dir: Path, settings: Sequence[str]
) -> tuple[Plan, tuple[str, ...]]:
    """The plan with settings, and all of them: a cable that comes down grows with an antenna that is set higher."""
    from linkcalc.plan.edits import edited, setting

    try:
        edits = [setting(s, data) for s in settings]
        plan = checked_plan(edited(data, edits), base_dir)
    except PlanError as error:
        checked_plan(data, base_dir)  # what is wrong with the file itself is told as such
        raise PlanError(f"--set {error}") from None
    lengths = {e.name for e in edits if e.table == "station" and e.key == ("feeder", "length_m")}
    raised = {e.name for e in edits if e.table == "station" and e.key == ("antenna_height_m",)} - lengths
    grown = []
    planned = {s.name: s for s in checked_plan(data, base_dir).station} if raised else {}
    for station in plan.station:
        if station.name in raised and station.feeder.length_m > 0.0:
            rise_m = station.antenna_height_m - planned[station.name].antenna_height_m
            if rise_m > 0.0:
                grown.append(f"{station.name}.feeder.length_m={station.feeder.length_m + rise_m:.6g}")
    if grown:
        plan = checked_plan(edited(data, [*edits, *(setting(s, data) for s in grown)]), base_dir)
    return plan, (*settings, *grown)


def tables_of(path: Path) -> tuple[str, dict[str, Any]]:
    """Read a plan or fleet file as text and as tables, without checking what they say."""
    with told_of(path):
        raw = read_text(path)
        return raw.decode("utf-8-sig", "replace"), parsed(raw)


def unlocated_plan(data: Mapping[str, Any], path: Path) -> Plan:
    """Make a plan of tables whose sources of heights need not exist yet."""
    with told_of(path):
        return validated(Plan, data)


def checked_plan(data: Mapping[str, Any], base_dir: Path, profiled: Collection[str] = ()) -> Plan:
    """Make a plan of a plan file's tables; `profiled` links have a profile, and need no other source of heights."""
    plan = validated(Plan, data)
    missing = [*_links_without_heights(plan, profiled), *_missing_files(plan, base_dir)]
    if missing:
        raise PlanError(summary(missing))
    return _with_patterns(plan, base_dir)


def read_text(path: Path, starter: str = "linkcalc new") -> bytes:
    """Read a plan or fleet file; `starter` is the command that writes one."""
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_PLAN_BYTES + 1)
    except FileNotFoundError:
        near = get_close_matches(path.name, _names_in(path.parent), n=1)
        raise PlanError(
            f"no such file; nearest in that folder is {printable(near[0])}"
            if near
            else f"no such file; `{starter} {printable(path.name)}` writes a starter"
        ) from None
    except IsADirectoryError:
        raise PlanError("is a folder; name the plan file in it") from None
    except (OSError, ValueError) as error:
        raise PlanError(f"cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if len(raw) > LARGEST_PLAN_BYTES:
        raise PlanError(f"is larger than {LARGEST_PLAN_BYTES:_} bytes: not a plan file")
    return raw


def _names_in(folder: Path) -> list[str]:
    try:
        with os.scandir(folder) as entries:
            return [entry.name for entry in islice(entries, 2000)]
    except OSError:
        return []


def _links_without_heights(plan: Plan, profiled: Collection[str]) -> Iterator[Fault]:
    """Find links whose path no source of heights can describe."""
    for index, link in enumerate(plan.link):
        if link.profile_csv is not None or link.name in profiled:
            continue
        place = element("link", index, link.name)
        ends = [plan.station_named(link.from_), plan.station_named(link.to)]
        unplaced = [f"station {quoted(end.name)}" for end in ends if not end.positioned]
        fault = ""
        if not plan.terrain.rasters:
            fault = "has no source of heights; give terrain.rasters, or profile_csv of this link"
        elif unplaced:
            fault = (
                f"takes its heights from terrain.rasters, but {' and '.join(unplaced)}"
                f" {'have' if unplaced[1:] else 'has'} no position;"
                " give latitude_deg and longitude_deg, or profile_csv of this link"
            )
        elif ends[0].position == ends[1].position:
            fault = "joins two stations at the same position"
        if fault:
            yield Fault(place, f"{place} {fault}")


def _surveyed(plan: Plan) -> Iterator[tuple[str, str]]:
    """Key and name of each surveyed profile."""
    for index, link in enumerate(plan.link):
        if link.profile_csv is not None:
            yield f"{element('link', index, link.name)} profile_csv", link.profile_csv


def _missing_files(plan: Plan, base_dir: Path) -> Iterator[Fault]:
    yield from missing_rasters(plan.terrain, base_dir)
    for key, name in _surveyed(plan):
        yield from missing_file(key, name, base_dir)


def _starter_profiles(plan: Plan, base_dir: Path) -> Iterator[Assumption]:
    """Surveyed profiles that are the invented one."""
    if not plan.starter:
        return
    from linkcalc.plan.starter import SOURCE, starter_profile

    invented = starter_profile().encode()
    for key, name in _surveyed(plan):
        if (base_dir / name).read_bytes() == invented:
            yield Assumption(key, name, SOURCE)


def missing_rasters(terrain: Terrain, base_dir: Path) -> Iterator[Fault]:
    for key in ("rasters", "surface_rasters", "canopy_rasters", "land_cover_rasters"):
        place = f"terrain.{key}"
        for name in getattr(terrain, key):
            if is_remote(name) and not terrain.network:
                yield Fault(
                    place,
                    f"{place} = {quoted(name)} lies on the network, and nothing is read from there unless"
                    " network = true in [terrain]",
                )
            # what else is no path is left to the one who opens it; so is what a folder or a pattern stands
            # for
            elif not is_elsewhere(name) and not os.path.isdir(base_dir / name) and not is_pattern(name):
                yield from missing_file(place, name, base_dir)


def missing_file(place: str, name: str, base_dir: Path) -> Iterator[Fault]:
    file = base_dir / name
    if os.path.isfile(file):
        return
    states = f"{place} = {quoted(name)}"
    if os.path.isdir(file):
        yield Fault(place, f"{states} is a folder; name a file in it")
        return
    near = get_close_matches(file.name, _names_in(file.parent), n=1)
    if not name.isprintable():
        remedy = "a backslash in double quotes is special: write / instead"
    elif near:
        remedy = f"nearest in that folder is {quoted(near[0])}"
    else:
        remedy = f"it is looked for in {printable(str(file.parent))}"
    yield Fault(place, f"{states}: no such file; {remedy}")


def plan_notes(plan: Plan) -> Iterator[str]:
    """What a reader of the result should know about the plan's values."""
    for link in plan.link:
        if link.modulation.kind == "css" and link.modulation.spreading_factor < 7:
            yield (
                f"link {quoted(link.name)}: not every radio offers spreading factor"
                f" {link.modulation.spreading_factor}, and some need a longer preamble or an implicit"
                " header for it: check yours (common practice, no source)"
            )


_PLANES = (
    ("pattern_file", "azimuth_pattern", "azimuth_deg"),
    ("elevation_pattern_file", "elevation_pattern", "elevation_deg"),
)
"""Keys of an antenna for a measured pattern: its file, its table in the plan, the column of its angle."""


def _with_patterns(plan: Plan, base_dir: Path) -> Plan:
    """The plan with the patterns that its files hold."""
    stations = stations_with_patterns("station", plan.station, base_dir)
    choices = [
        _measured(c, f"{element('antenna_choice', i, c.name)} ", base_dir)
        for i, c in enumerate(plan.antenna_choice)
    ]
    sections = (("station", stations, plan.station), ("antenna_choice", choices, plan.antenna_choice))
    # a key that stays as it was must not count as stated
    update = {
        key: new for key, new, old in sections if any(a is not b for a, b in zip(new, old, strict=True))
    }
    return plan.model_copy(update=update) if update else plan


def stations_with_patterns(kind: str, stations: Sequence[Station], base_dir: Path) -> list[Any]:
    """The same for stations alone."""
    found = []
    for index, station in enumerate(stations):
        where = f"{element(kind, index, station.name)} antenna."
        antenna = _measured(station.antenna, where, base_dir)
        same = antenna is station.antenna
        found.append(station if same else station.model_copy(update={"antenna": antenna}))
    return found


def _measured(antenna: T, where: str, base_dir: Path) -> T:
    update: dict[str, Any] = {}
    for key, table, angle in _PLANES:
        name = getattr(antenna, key)
        if name is None:
            continue
        fault = next(missing_file(where + key, name, base_dir), None)
        if fault is not None:
            raise PlanError(fault.line)
        try:
            update[table] = read_pattern(base_dir / name, angle)
        except PlanError as error:
            raise PlanError(f"{where}{key} = {quoted(name)}: {error}") from None
    return antenna.model_copy(update=update) if update else antenna

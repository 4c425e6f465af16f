"""From a plan file to a valid plan: what it says agrees with itself, and the files that it names are there.

Every function here raises `PlanError`: one line, with the first fault and its remedy, and where the others are.
"""

import os
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from difflib import get_close_matches
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from linkcalc.errors import PlanError, printable, quoted
from linkcalc.plan.base import Section, element
from linkcalc.plan.faults import Fault, summary, validated
from linkcalc.plan.model import Plan
from linkcalc.plan.stations import AntennaChoice, AntennaFigures, Station
from linkcalc.plan.surroundings import Terrain
from linkcalc.plan.syntax import parsed
from linkcalc.tabular import TableError, table_of, text_of
from linkcalc.terrain.sources import is_elsewhere, is_pattern, is_remote

S = TypeVar("S", bound=Section)
T = TypeVar("T", bound=AntennaFigures)

LARGEST_PLAN_BYTES = 1_000_000
"""A plan of a hundred stations has some 50 kB; a larger file is something else."""
LARGEST_PATTERN_BYTES = 2_000_000


@contextmanager
def told_of(path: Path) -> Iterator[None]:
    """Name the file in front of what is wrong with it."""
    try:
        yield
    except PlanError as error:
        raise PlanError(printable(f"{path}: {error}")) from None


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
    missing = [*_links_without_heights(plan, profiled), *missing_rasters(plan.terrain, base_dir)]
    for key, name in surveyed(plan):
        missing += missing_file(key, name, base_dir)
    if missing:
        raise PlanError(summary(missing))
    return with_patterns(plan, base_dir)


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
    # ValueError: a path with a null character
    except (OSError, ValueError) as error:
        raise PlanError(f"cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if len(raw) > LARGEST_PLAN_BYTES:
        raise PlanError(f"is larger than {LARGEST_PLAN_BYTES:_} bytes: not a plan file")
    return raw


def _names_in(folder: Path) -> list[str]:
    try:
        with os.scandir(folder) as entries:
            # enough for a hint: a folder of tiles may hold far more names
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


def surveyed(plan: Plan) -> Iterator[tuple[str, str]]:
    """Key and name of each surveyed profile."""
    for index, link in enumerate(plan.link):
        if link.profile_csv is not None:
            yield f"{element('link', index, link.name)} profile_csv", link.profile_csv


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


def with_patterns(file: S, base_dir: Path) -> S:
    """A plan or a fleet with the patterns that its antennas' files hold."""
    update: dict[str, Any] = {}
    for key in ("station", "antenna_choice", "shed", "equipment"):
        value = getattr(file, key, [])
        fitted = value if isinstance(value, list) else [value]
        found = [_fitted(one, element(key, i, one.name), base_dir) for i, one in enumerate(fitted)]
        # a key that stays as it was must not count as stated
        if found != fitted:
            update[key] = found if isinstance(value, list) else found[0]
    return file.model_copy(update=update) if update else file


def _fitted(one: Station | AntennaChoice, where: str, base_dir: Path) -> Station | AntennaChoice:
    if isinstance(one, AntennaChoice):
        return _measured(one, f"{where} ", base_dir)
    antenna = _measured(one.antenna, f"{where} antenna.", base_dir)
    return one if antenna is one.antenna else one.model_copy(update={"antenna": antenna})


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


def read_pattern(path: Path, angle: str) -> list[list[float]]:
    """Read a measured pattern of one plane: rows of `angle` (azimuth_deg or elevation_deg) and gain_dbi."""
    from linkcalc.radio.antenna import cut

    wanted = (angle, "gain_dbi")
    remedy = f"write a header {angle},gain_dbi and a row for each direction"
    try:
        text = text_of(path, largest_bytes=LARGEST_PATTERN_BYTES, what="table of a pattern")
        table = table_of(text, remedy)
        keys = table.keys(wanted)
        for key in wanted:
            if key not in keys:
                meant = next((c for c, near in table.strange(keys, wanted, {}).items() if near == key), None)
                found = f"; {quoted(meant)} is nearest" if meant else ""
                columns = f"columns are {', '.join(wanted)}"
                raise TableError(f"column {key} is missing{found}; {columns}", table.header_row)
        rows = [table.numbers(row, [(key, keys.index(key)) for key in wanted]) for row in table.rows]
        cut(rows, around=angle == "azimuth_deg")
    except ValueError as error:  # a table's or a pattern's
        raise PlanError(str(error)) from None
    return rows

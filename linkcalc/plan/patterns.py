"""Measured antenna patterns: tables of angle against gain, read from files beside the plan."""

from collections.abc import Callable, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from linkcalc.errors import DomainError, PlanError
from linkcalc.plan.faults import Fault
from linkcalc.plan.stations import AntennaFigures, Station
from linkcalc.plan.wording import element, printable, quoted

if TYPE_CHECKING:
    from linkcalc.plan.model import Plan

LARGEST_PATTERN_BYTES = 2_000_000

_PLANES = (
    ("pattern_file", "azimuth_pattern", "azimuth_deg"),
    ("elevation_pattern_file", "elevation_pattern", "elevation_deg"),
)
T = TypeVar("T", bound=AntennaFigures)


def read_pattern(path: Path, angle: str) -> list[list[float]]:
    """Read a measured pattern of one plane.

    Parameters
    ----------
    path : Path
        Text with a header line of two columns, ``azimuth_deg`` or ``elevation_deg``, and ``gain_dbi``, separated by
        commas, semicolons or tabs; behind semicolons and tabs a decimal comma is understood. Lines that are empty or
        begin with ``#`` are skipped.
    angle : str
        Which of the two.

    Returns
    -------
    list of [degrees, dBi]

    Raises
    ------
    PlanError
        With one line: what is wrong, where, and what is wanted.
    """
    from linkcalc.radio.antenna import cut

    try:
        if path.stat().st_size > LARGEST_PATTERN_BYTES:
            raise PlanError(f"larger than {LARGEST_PATTERN_BYTES:_} bytes: no table of a pattern")
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PlanError("not a text file in UTF-8") from None
    except OSError as error:
        raise PlanError(f"cannot be read: {error.strerror or error}") from None
    lines = [
        (n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and line.lstrip()[0] != "#"
    ]
    if not lines:
        raise PlanError(f"holds no rows; a header {angle},gain_dbi and one row a direction are needed")
    separator = max(",;\t", key=lines[0][1].count)
    header = [cell.strip().strip('"').lower() for cell in lines[0][1].split(separator)]
    columns = (angle, "gain_dbi")
    for name in columns:
        if name not in header:
            near = get_close_matches(name, header, n=1, cutoff=0.4)
            found = f"; {quoted(printable(near[0]))} is nearest" if near else ""
            raise PlanError(
                f"line {lines[0][0]}: column {name} is missing{found}; columns are {', '.join(columns)}"
            )
    places = [header.index(name) for name in columns]
    rows: list[list[float]] = []
    for number, line in lines[1:]:
        cells = [cell.strip().strip('"') for cell in line.split(separator)]
        if len(cells) != len(header):
            hint = " (decimal commas? write a point)" if separator == "," and len(cells) > len(header) else ""
            raise PlanError(f"line {number}: {len(cells)} values under {len(header)} columns{hint}")
        row = []
        for name, place in zip(columns, places, strict=True):
            cell = cells[place] if separator == "," else cells[place].replace(",", ".")
            try:
                row.append(float(cell))
            except ValueError:
                raise PlanError(
                    f"line {number}: {name} = {quoted(printable(cell))} is not a number"
                ) from None
        rows.append(row)
    try:
        cut(rows, around=angle == "azimuth_deg")
    except (DomainError, ValueError) as error:
        raise PlanError(str(error)) from None
    return rows


def with_patterns(plan: "Plan", base_dir: Path, missing: Callable[..., Any]) -> "Plan":
    """The plan with the patterns that its files hold.

    Parameters
    ----------
    plan : Plan
    base_dir : Path
        The folder that names of files are relative to.
    missing : callable
        `loading.missing_file`.

    Raises
    ------
    PlanError
        If a file does not exist or cannot be used; the text names station, key and file.
    """
    stations = stations_with_patterns("station", plan.station, base_dir, missing)
    choices = [
        _measured(c, f"{element('antenna_choice', i, c.name)} ", base_dir, missing)
        for i, c in enumerate(plan.antenna_choice)
    ]
    update: dict[str, Any] = {}
    if any(new is not old for new, old in zip(stations, plan.station, strict=True)):
        update["station"] = stations
    if any(new is not old for new, old in zip(choices, plan.antenna_choice, strict=True)):
        update["antenna_choice"] = choices
    return plan.model_copy(update=update) if update else plan


def stations_with_patterns(
    kind: str, stations: Sequence[Station], base_dir: Path, missing: Callable[..., Any]
) -> list[Any]:
    """The same for stations alone."""
    found = []
    for index, station in enumerate(stations):
        where = f"{element(kind, index, station.name)} antenna."
        antenna = _measured(station.antenna, where, base_dir, missing)
        same = antenna is station.antenna
        found.append(station if same else station.model_copy(update={"antenna": antenna}))
    return found


def _measured(antenna: T, where: str, base_dir: Path, missing: Callable[..., Any]) -> T:
    update: dict[str, Any] = {}
    for key, table, angle in _PLANES:
        name = getattr(antenna, key)
        if name is None:
            continue
        fault: Fault | None = next(iter(missing(where + key, name, base_dir)), None)
        if fault is not None:
            raise PlanError(fault.line)
        try:
            update[table] = read_pattern(base_dir / name, angle)
        except PlanError as error:
            raise PlanError(f"{where}{key} = {quoted(name)}: {error}") from None
    return antenna.model_copy(update=update) if update else antenna

"""Measured antenna patterns: tables of angle against gain, read from files beside the plan.

Every function here raises `PlanError`, in one line that names station, key, file and row.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from linkcalc.errors import DomainError, PlanError
from linkcalc.plan.faults import Fault
from linkcalc.plan.stations import AntennaFigures, Station
from linkcalc.plan.wording import element, quoted
from linkcalc.tabular import TableError, table_of, text_of

if TYPE_CHECKING:
    from linkcalc.plan.model import Plan

LARGEST_PATTERN_BYTES = 2_000_000

_PLANES = (
    ("pattern_file", "azimuth_pattern", "azimuth_deg"),
    ("elevation_pattern_file", "elevation_pattern", "elevation_deg"),
)
T = TypeVar("T", bound=AntennaFigures)


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
    except TableError as error:
        raise PlanError(str(error)) from None
    try:
        cut(rows, around=angle == "azimuth_deg")
    except (DomainError, ValueError) as error:
        raise PlanError(str(error)) from None
    return rows


def with_patterns(plan: "Plan", base_dir: Path, missing: Callable[..., Any]) -> "Plan":
    """The plan with the patterns that its files hold; `missing` is `loading.missing_file`."""
    stations = stations_with_patterns("station", plan.station, base_dir, missing)
    choices = [
        _measured(c, f"{element('antenna_choice', i, c.name)} ", base_dir, missing)
        for i, c in enumerate(plan.antenna_choice)
    ]
    sections = (("station", stations, plan.station), ("antenna_choice", choices, plan.antenna_choice))
    # a key that stays as it was must not count as stated
    update = {
        key: new for key, new, old in sections if any(a is not b for a, b in zip(new, old, strict=True))
    }
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

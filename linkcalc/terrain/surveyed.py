"""A profile that somebody surveyed, read from a table.

Every function here raises `TerrainError` where the file is missing or damaged, and names the file and the row.
"""

from math import inf
from pathlib import Path

from linkcalc._kinds import kinds_checked
from linkcalc.errors import TerrainError, quoted
from linkcalc.tabular import Table, TableError, number, table_of, text_of
from linkcalc.terrain.profile import CLUTTER_KINDS, ZONES, Profile, profile_from
from linkcalc.terrain.raster import GROUND_LIMITS_M

LARGEST_FILE_BYTES = 20_000_000
COLUMNS = ("distance_m", "ground_m", "clutter_m", "clutter_kind", "zone")

_WANTED = "write a header distance_m,ground_m and a row for each point"
_LIMITS = {"distance_m": (0.0, inf), "ground_m": GROUND_LIMITS_M, "clutter_m": (0.0, 500.0)}


@kinds_checked
def read_profile_csv(path: str | Path) -> Profile:
    """Read a surveyed profile.

    Parameters
    ----------
    path : str or Path
        A table as `linkcalc.tabular` reads them: any usual encoding, separator and decimal sign. Columns ``distance_m``
        (from 0 at the first station, increasing) and ``ground_m`` (above sea level); optionally ``clutter_m``
        (above ground), ``clutter_kind`` (trees, building or tank; trees where left out) and ``zone`` (1 sea, 3 coastal
        land, 4 inland; 4 where left out).

    Returns
    -------
    Profile
        Without positions. Clutter at the two ends is set to 0, where the antennas stand.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     survey = Path(folder, "path.csv")
    ...     _ = survey.write_text("distance_m;ground_m;clutter_m\\n0;40,5;0\\n600;52;8\\n900;41;0\\n")
    ...     profile = read_profile_csv(survey)
    >>> profile.length_m, float(profile.ground_m[0]), profile.clutter_kind
    (900.0, 40.5, ('', 'trees', ''))
    """
    try:
        table = table_of(text_of(path, largest_bytes=LARGEST_FILE_BYTES, what="surveyed profile"), _WANTED)
        columns, kinds = _columns(table)
    except TableError as error:
        raise TerrainError(error.at(path)) from None
    n = len(columns["distance_m"])
    if n < 3:
        raise TerrainError(f"{path} holds {n} points; a profile needs at least 3")
    return profile_from(
        columns["distance_m"],
        columns["ground_m"],
        columns.get("clutter_m"),
        clutter_kind=kinds,
        zone=columns.get("zone"),
        source=f"survey {Path(path).name}",
    )


def _columns(table: Table) -> tuple[dict[str, list[float]], list[str] | None]:
    """The columns of numbers, and that of kinds where there is one."""
    keys = table.keys(COLUMNS)
    # a column that is passed over may be trees that are forgotten
    for cell, near in table.strange(keys, COLUMNS, {}).items():
        hint = f"did you mean {near}?" if near else f"columns are {', '.join(COLUMNS)}"
        raise TableError(f"unknown column {quoted(cell)}; {hint}", table.header_row)
    if "" in keys:
        raise TableError("a column has no name", table.header_row)
    for key in COLUMNS[:2]:
        if key not in keys:
            raise TableError(f"column {key} is missing", table.header_row)
    columns: dict[str, list[float]] = {key: [] for key in keys if key != "clutter_kind"}
    kinds: list[str] = []
    for row in table.rows:
        try:
            if row.fault:
                raise TableError(row.fault)
            for key, cell in zip(keys, row.cells, strict=True):
                if key == "clutter_kind":
                    kinds.append(_checked_kind(cell.lower()))
                else:
                    columns[key].append(_checked_number(key, table.plain(key, cell)))
            _check_order(columns["distance_m"])
        except TableError as error:
            raise TableError(str(error), row.number) from None
    return columns, kinds if "clutter_kind" in keys else None


def _checked_kind(kind: str) -> str:
    if kind not in CLUTTER_KINDS:
        raise TableError(f"clutter_kind {quoted(kind)} is not one of {', '.join(CLUTTER_KINDS[1:])}")
    return kind


def _checked_number(key: str, plain: str) -> float:
    value = number(key, plain)
    low, high = _LIMITS.get(key, (-inf, inf))
    if not low <= value <= high or value == inf:
        raise TableError(f"{key} cannot be {plain}")
    if key == "zone" and value not in ZONES:
        raise TableError(f"zone {plain} is not 1 (sea), 3 (coastal land) or 4 (inland)")
    return value


def _check_order(distance_m: list[float]) -> None:
    if len(distance_m) == 1 and distance_m[0] != 0.0:
        raise TableError(f"the first distance_m is {distance_m[0]:g}; it must be 0, at the first station")
    if len(distance_m) > 1 and distance_m[-1] <= distance_m[-2]:
        raise TableError(f"distance_m does not increase ({distance_m[-1]:g} after {distance_m[-2]:g})")

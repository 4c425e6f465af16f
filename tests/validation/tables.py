"""What every suite shares: one line of the report, the collecting of errors, the reading of tables."""

import csv
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np

ZONES = {"sea": 1, "coastal": 3, "coastal land": 3, "inland": 4}


@dataclass(frozen=True)
class Line:
    """Worst error of one column of one table.

    A line without rows says why something was not checked; it neither passes nor fails.
    """

    table: str
    column: str
    rows: int
    worst_error: float
    tolerance: float
    unit: str
    note: str = ""

    @property
    def missed(self) -> bool:
        return self.rows > 0 and not self.worst_error <= self.tolerance


def skipped(table: str, why: str) -> Line:
    """Say that a table was not checked, and why."""
    return Line(table, "", 0, 0.0, 0.0, "", why)


@dataclass
class Errors:
    """Collects the errors of one table, column by column, and turns them into lines."""

    table: str
    _columns: dict[str, list[float]] = field(default_factory=dict)
    _limits: dict[str, tuple[float, str]] = field(default_factory=dict)
    _notes: dict[str, str] = field(default_factory=dict)

    def add(self, column: str, error: float, tolerance: float, unit: str, note: str = "") -> None:
        """Record the absolute error of one cell; an error that is not a number counts as infinite."""
        self._columns.setdefault(column, []).append(math.inf if math.isnan(error) else abs(error))
        self._limits[column] = (tolerance, unit)
        if note:
            self._notes[column] = note

    def compare(
        self, row: Mapping[str, str], column: str, ours: float, tolerance: float, unit: str, note: str = ""
    ) -> None:
        """Compare a number with the cell of a row, where the table has that column and it is not blank."""
        published = number(row, column)
        if published is not None:
            self.add(column, float(ours) - published, tolerance, unit, note)

    def failed(self, case: str, error: Exception) -> None:
        """Record a case that gave no numbers at all."""
        self.add("cases that gave no answer", math.inf, 0.0, "", f"{case}: {type(error).__name__}: {error}")

    def lines(self) -> Iterator[Line]:
        for column, errors in self._columns.items():
            tolerance, unit = self._limits[column]
            note = self._notes.get(column, "")
            yield Line(self.table, column, len(errors), max(errors), tolerance, unit, note)


def read_rows(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file as column name -> text; lines starting with # are comments."""
    with path.open(newline="", encoding="utf-8-sig") as file:
        lines = (line for line in file if line.strip() and not line.startswith("#"))
        reader = csv.DictReader(lines, skipinitialspace=True)
        return [
            {name.strip(): (text or "").strip() for name, text in row.items() if name is not None}
            for row in reader
        ]


def number(row: Mapping[str, str], column: str) -> float | None:
    """The number in a cell, or None where the column is missing or the cell blank or no number."""
    try:
        return float(row[column])
    except (KeyError, ValueError):
        return None


def required(row: Mapping[str, str], column: str, default: float | None = None) -> float:
    """The number in a cell that is an input of the case."""
    value = number(row, column)
    if value is None:
        if default is None:
            raise ValueError(f"no number in column {column}")
        return default
    return value


def read_profile(path: Path) -> dict[str, np.ndarray]:
    """A profile as distance_m, ground_m, clutter_m and zone (1 sea, 3 coastal, 4 inland)."""
    rows = read_rows(path)
    return {
        "distance_m": np.array([required(row, "distance_km") for row in rows]) * 1000.0,
        "ground_m": np.array([required(row, "height_m") for row in rows]),
        "clutter_m": np.array([required(row, "clutter_height_m", 0.0) for row in rows]),
        "zone": np.array([_zone(row.get("zone", "")) for row in rows]),
    }


def _zone(text: str) -> int:
    if not text:
        return ZONES["inland"]
    return ZONES[text.lower()] if text.lower() in ZONES else int(float(text))


def table_files(folder: Path, columns: Iterable[str]) -> list[Path]:
    """CSV files directly in a folder whose header has all these columns."""
    wanted = set(columns)
    found = []
    for path in sorted(folder.glob("*.csv")):
        rows = read_rows(path)
        if rows and wanted <= rows[0].keys():
            found.append(path)
    return found


def gathered(arguments: Mapping[str, Any], **kinds: type) -> dict[str, Any]:
    """Plain arguments with those of each kind gathered in it, as the models take them."""
    rest = dict(arguments)
    for name, kind in kinds.items():
        taken = {one.name: rest.pop(one.name) for one in fields(kind) if one.name in rest}
        if taken:
            rest[name] = kind(**taken)
    return rest

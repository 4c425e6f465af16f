"""Compare linkcalc with published tables.

    python -m tests.validation [--tables DIR] [--json | --markdown]
    python -m tests.validation measured --data DIR
    python -m tests.validation limits [--all]
    python -m tests.validation fleets [--only WORD]
    python -m tests.validation pages [--check]
    python -m tests.validation crews [--crews N]
    python -m tests.validation usual [--page FILE]

DIR holds one folder a source (p1812, p526, itm, p2108, p2109). Every row found there is run. The exit code
is 1 if a tolerance is missed, or if there was nothing to check. The second form compares predictions with
measured links instead; the third asks the table of legal limits, the fourth sets the closed form for fleets beside
their simulation, the fifth writes what was checked into docs/models/, the sixth judges the survey's intervals by
simulated crews, the last answers fifteen usual links.

A suite is a module `suite_<name>.py` of this package with `run(tables: Path) -> Iterable[Line]`.
"""

import argparse
import dataclasses
import importlib
import json
import math
import os
import pkgutil
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import tests.validation
from tests.validation.tables import Line, skipped


def main(argv: Sequence[str] | None = None) -> int:
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments[:1] == ["measured"]:
        measured = importlib.import_module("tests.validation.measured")
        return int(measured.main(arguments[1:]) or 0)
    if arguments[:1] == ["limits"]:
        return int(importlib.import_module("tests.validation.limits").main(arguments[1:]))
    if arguments[:1] == ["fleets"]:
        return int(importlib.import_module("tests.validation.fleets").main(arguments[1:]))
    if arguments[:1] == ["crews"]:
        return int(importlib.import_module("tests.validation.crews").main(arguments[1:]))
    if arguments[:1] == ["usual"]:
        return int(importlib.import_module("tests.validation.usual").main(arguments[1:]))
    if arguments[:1] == ["pages"]:
        return int(importlib.import_module("tests.validation.pages").main(arguments[1:]))
    options = _parser().parse_args(arguments)
    tables = options.tables or _default_tables()
    if tables is None or not tables.is_dir():
        where = tables or "LINKCALC_REFERENCE_DATA is not set and --tables not given"
        print(f"no tables: {where}", file=sys.stderr)
        return 1
    lines = list(collect(tables, options.only))
    print(report(lines, "json" if options.json else "markdown" if options.markdown else "text"))
    return 1 if not any(line.rows for line in lines) or any(line.missed for line in lines) else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.validation",
        description="Compare linkcalc with published tables, row by row.",
        epilog="python -m tests.validation measured --help: comparison with measured links.",
    )
    parser.add_argument(
        "--tables", type=Path, metavar="DIR", help="default: the folder reference in $LINKCALC_REFERENCE_DATA"
    )
    parser.add_argument("--only", metavar="SUITE", help="one suite, for example p1812")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print the lines as JSON")
    form.add_argument("--markdown", action="store_true", help="print the lines as a Markdown table")
    return parser


def _default_tables() -> Path | None:
    root = os.environ.get("LINKCALC_REFERENCE_DATA")
    return Path(root) / "reference" if root else None


def collect(tables: Path, only: str | None = None) -> Iterator[Line]:
    """Run the suites; one that breaks is a miss, not the end of the report."""
    for module in sorted(pkgutil.iter_modules(tests.validation.__path__), key=lambda module: module.name):
        name = module.name.removeprefix("suite_")
        if name == module.name or only not in (None, name):
            continue
        try:
            lines = list(importlib.import_module(f"tests.validation.{module.name}").run(tables))
        except Exception as error:
            lines = [Line(name, "the suite broke", 1, math.inf, 0.0, "", f"{type(error).__name__}: {error}")]
        yield from lines or [skipped(name, "nothing found")]


def report(lines: Sequence[Line], form: str) -> str:
    """The lines as text, Markdown or JSON."""
    if form == "json":
        rows = [
            {
                name: value if not isinstance(value, float) or math.isfinite(value) else None
                for name, value in dataclasses.asdict(line).items()
            }
            | {"missed": line.missed}
            for line in lines
        ]
        return json.dumps(rows, indent=2)
    heads = ("table", "column", "rows", "worst error", "tolerance", "unit", "", "note")
    cells = [heads, *(_cells(line) for line in lines)]
    if form == "markdown":
        heads = ("Table", "Column", "Rows", "Worst error", "Tolerance", "Unit", "Result", "Note")
        table = [f"| {' | '.join(row)} |" for row in [heads, *cells[1:]]]
        return "\n".join([table[0], "|---|---|--:|--:|--:|---|---|---|", *table[1:]])
    widths = [max(len(row[i]) for row in cells) for i in range(len(heads))]
    right = {2, 3, 4}
    text = [
        "  ".join(
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    ]
    return "\n".join([*text, "", _summary(lines)])


def _cells(line: Line) -> tuple[str, ...]:
    if not line.rows:
        return (line.table, line.column, "0", "", "", "", "skipped", line.note)
    return (
        line.table,
        line.column,
        str(line.rows),
        f"{line.worst_error:.1e}",
        f"{line.tolerance:.0e}",
        line.unit,
        "MISSED" if line.missed else "ok",
        line.note,
    )


def _summary(lines: Sequence[Line]) -> str:
    checked = [line for line in lines if line.rows]
    missed = sum(line.missed for line in checked)
    if not checked:
        return "Nothing was found to check."
    cells = sum(line.rows for line in checked)
    tables = len({line.table for line in checked})
    verdict = f"{missed} columns missed." if missed else "all within tolerance."
    return f"{cells} numbers in {len(checked)} columns of {tables} tables: {verdict}"


if __name__ == "__main__":
    sys.exit(main())

"""Time linkcalc against what it is meant to beat, side by side in one run.

    python -m tests.benchmarks [--json] [--only NAME]

The exit code is 1 if a bar is missed. A benchmark is a module `bench_<name>.py` of this package with
`rows() -> list[Row]`.
"""

import argparse
import dataclasses
import importlib
import json
import pkgutil
import sys
from collections.abc import Sequence

import tests.benchmarks
from tests.benchmarks.measure import Row


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks",
        description="Ratios of run times, each against its bar. Run it on a machine at rest.",
    )
    parser.add_argument("--only", metavar="NAME", help="one benchmark, for example p1812")
    parser.add_argument("--json", action="store_true", help="print the rows as JSON")
    options = parser.parse_args(argv)
    names = sorted(module.name for module in pkgutil.iter_modules(tests.benchmarks.__path__))
    names = [name for name in names if name.startswith("bench_")]
    if options.only:
        names = [name for name in names if name == f"bench_{options.only}"]
    if not names:
        print("no such benchmark", file=sys.stderr)
        return 1
    rows: list[Row] = []
    for name in names:
        rows += importlib.import_module(f"tests.benchmarks.{name}").rows()
    if options.json:
        print(json.dumps([dataclasses.asdict(row) | {"missed": row.missed} for row in rows], indent=2))
    else:
        print(report(rows))
    return 1 if any(row.missed for row in rows) else 0


def report(rows: Sequence[Row]) -> str:
    """The rows as a table."""
    width = max(len(row.name) for row in rows)
    return "\n".join(
        f"{row.name:<{width}}  {row.ratio:8.2f}  {row.comparison} {row.bar:<6g} "
        f"{'MISSED' if row.missed else 'ok':<6}  {row.detail}"
        for row in rows
    )


if __name__ == "__main__":
    sys.exit(main())

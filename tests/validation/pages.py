"""The "checked against" parts of docs/models/, written from the tables and the tests themselves.

    python -m tests.validation pages [--tables DIR] [--check]

Each page holds a block

    <!-- checked: suites=p1812 tests=propagation/test_p1812.py tables=p1812_short_results.csv -->
    ...
    <!-- end -->

whose lines are replaced. Without the long tables the lines that stand on them are kept as they are. `--check`
writes nothing and exits 1 where a page would change in what was checked (not in the last digit of an error).
"""

import argparse
import ast
import re
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from tests.validation.tables import Line

ROOT = Path(__file__).resolve().parents[2]
PAGES = ROOT / "docs" / "models"

_BLOCK = re.compile(r"(<!-- checked: (?P<what>[^>]*) -->\n)(?P<old>.*?)(<!-- end -->)", re.S)
_ERROR = re.compile(r"worst error [^;,]*")


def main(argv: Sequence[str]) -> int:
    from tests.validation.__main__ import _default_tables, collect

    parser = argparse.ArgumentParser(prog="python -m tests.validation pages", description=__doc__)
    parser.add_argument("--tables", type=Path, metavar="DIR")
    parser.add_argument("--check", action="store_true")
    options = parser.parse_args(argv)
    tables = options.tables or _default_tables()
    lines = list(collect(tables)) if tables is not None and tables.is_dir() else None
    stale = []
    for page in sorted(PAGES.glob("*.md")):
        text = page.read_text(encoding="utf-8")
        new = _BLOCK.sub(lambda m: m[1] + _checked(m["what"], m["old"], lines) + m[4], text)
        if _ERROR.sub("", new) != _ERROR.sub("", text):
            stale.append(page.name)
        if not options.check and new != text:
            page.write_text(new, encoding="utf-8")
    if stale:
        print(("out of date: " if options.check else "rewritten: ") + ", ".join(stale))
    return 1 if options.check and stale else 0


def _checked(what: str, old: str, lines: list[Line] | None) -> str:
    parts = dict(item.split("=", 1) for item in what.split())
    suites = [name for name in parts.get("suites", "").split(",") if name]
    published = _published(suites, lines) if lines is not None else _kept(old)
    short = [_short_table(name) for name in parts.get("tables", "").split(",") if name]
    sentences = [s for name in parts.get("tests", "").split(",") if name for s in _sentences(name)]
    blocks = []
    if published:
        blocks += ["Long published tables (`python -m tests.validation`):\n", *published, ""]
    if short:
        blocks += ["Short tables in `tests/reference/`:\n", *short, ""]
    if sentences:
        blocks += ["What the tests hold:\n", *sentences, ""]
    return "\n".join(blocks) + "\n"


def _published(suites: Sequence[str], lines: Sequence[Line]) -> list[str]:
    """One item a table: how much of it was compared, and the worst error."""
    found = []
    own = [line for line in lines if line.rows and line.table.split("/")[0] in suites]
    for table, group in groupby(own, key=lambda line: line.table):
        columns = list(group)
        worst: dict[str, float] = {}
        for line in columns:
            worst[line.unit] = max(worst.get(line.unit, 0.0), line.worst_error)
        tolerance = max((line.tolerance for line in columns if line.unit == "dB"), default=0.0)
        found.append(
            f"- `{table}`: {max(line.rows for line in columns)} rows, {len(columns)} columns; worst error "
            f"{worst.get('dB', 0.0):.1g} dB, tolerance {tolerance:g} dB"
        )
    return found


def _kept(old: str) -> list[str]:
    return re.findall(r"^- `[^`]*/[^`]*`: .*$", old, re.M)


def _short_table(name: str) -> str:
    head = []
    for line in (ROOT / "tests" / "reference" / name).read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            break
        head.append(line.lstrip("# ").strip())
    return f"- `{name}`: {' '.join(head)}"


def _sentences(name: str) -> list[str]:
    """The names of a file's tests, which are sentences."""
    tree = ast.parse((ROOT / "tests" / name).read_text(encoding="utf-8"))
    names = [n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name.startswith("test_")]
    return [f"- {n.removeprefix('test_').replace('_', ' ')}" for n in names]

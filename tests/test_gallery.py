"""The gallery: every example runs, is short, and uses public names and strict types only."""

import ast
import re
from pathlib import Path

import gallery_pages
import pytest

import linkcalc
from tests.test_docs import DOCS

pytest.importorskip("ipywidgets")
pytest.importorskip("pandas")
pytest.importorskip("xarray")

EXAMPLES = sorted((DOCS / "gallery").glob("*.py"))
LONGEST = 15
"""Statements may take more than one line; ten are the rule."""


def code(script: Path) -> str:
    return str(gallery_pages.example_parts(script)[2])


def test_there_are_twenty_examples_or_more() -> None:
    assert len(EXAMPLES) >= 20


@pytest.mark.parametrize("script", EXAMPLES, ids=lambda p: p.stem)
def test_an_example_runs_and_says_or_draws_something(script: Path) -> None:
    said, pictures = gallery_pages.example_run(script)
    assert said.strip()
    assert "Traceback" not in said
    for picture in pictures:
        assert picture.stat().st_size > 2000
    assert len(pictures) == len(re.findall(r"\.(?:svg|png)\"", code(script)))


@pytest.mark.parametrize("script", EXAMPLES, ids=lambda p: p.stem)
def test_an_example_is_short_and_uses_public_names_only(script: Path) -> None:
    title, about, lines = gallery_pages.example_parts(script)
    assert title
    assert about.endswith(".")
    tree = ast.parse(lines)
    imports = [n for n in tree.body if isinstance(n, ast.Import | ast.ImportFrom)]
    modules = {a.name for n in imports if isinstance(n, ast.Import) for a in n.names}
    modules |= {n.module or "" for n in imports if isinstance(n, ast.ImportFrom)}
    assert {m for m in modules if m.startswith("linkcalc")} == {"linkcalc"}
    assert set(re.findall(r"\blc\.(\w+)", lines)) <= set(linkcalc.__all__)
    assert not re.search(r"\._[a-z]", lines)
    assert sum(bool(line.strip()) for line in lines.splitlines()) - len(imports) <= LONGEST

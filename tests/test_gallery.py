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


TASKS = {
    "a plan in Python": ("03_plan_in_python", ("plan_from", "profile_from")),
    "a sweep of four dimensions with its Pareto front": ("06_pareto", ("sweep",)),
    "an own antenna": ("31_own_antenna", ("check",)),
    "an own model": ("29_own_model", ("loss_model",)),
    "Monte Carlo": ("30_monte_carlo", ("sample",)),
    "a data frame": ("21_pandas", ("check",)),
    "GeoJSON": ("22_geojson", ("check",)),
    "measurements in a frame": ("32_measured", ("compare_measured",)),
    "readings in a frame": ("35_readings_frame", ("readings_from", "readings_frame", "survey")),
    "coverage as xarray": ("10_coverage_xarray", ("coverage",)),
    "a slider": ("27_slider", ("sweep",)),
}
"""What an engineer comes for, the example that shows it, and the public names that it is done with."""


def code(script: Path) -> str:
    return str(gallery_pages.example_parts(script)[2])


@pytest.mark.parametrize("task", TASKS)
def test_what_an_engineer_comes_for_is_in_the_gallery(task: str) -> None:
    example, names = TASKS[task]
    lines = code(DOCS / "gallery" / f"{example}.py")
    assert set(names) <= set(re.findall(r"\blc\.(\w+)\(", lines))


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

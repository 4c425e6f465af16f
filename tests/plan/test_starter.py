"""The starter plan: complete, true to the sections it explains, and fit to load as it stands."""

import re
import tomllib
from pathlib import Path

import pytest

from linkcalc.errors import PlanError
from linkcalc.plan import Plan, load_plan
from linkcalc.plan.keys import places
from linkcalc.plan.starter import starter_plan, starter_profile


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "site_profile.csv").write_text(starter_profile())
    return tmp_path


def load_text(folder: Path, text: str) -> Plan:
    (folder / "site.toml").write_text(text)
    return load_plan(folder / "site.toml").plan


def starter() -> str:
    return starter_plan("site.toml", profile_csv="site_profile.csv")


def test_the_starter_plan_loads_as_it_stands_and_says_that_it_is_invented(folder: Path) -> None:
    plan = load_text(folder, starter())
    assert plan.link[0].profile_csv == "site_profile.csv"
    assert "invented" in starter().splitlines()[0]
    assert plan.title.startswith("Invented")
    assert "no safety function" in starter()


def test_the_starter_plan_shows_every_key_with_its_meaning() -> None:
    lines = starter().splitlines()
    for place in places(Plan):
        assert not place.header or place.header in [line.lstrip("#") for line in lines]
        for key, field in place.fields().items():
            assert field.description, key
            if not re.fullmatch("|".join(p.keys[-1] for p in places(Plan) if p.keys), key):
                assert any(re.match(f"#?{key} = ", line) for line in lines), f"{place.header} {key}"


def test_every_key_that_is_shown_is_valid_once_its_mark_is_taken_away(folder: Path) -> None:
    lines = starter().splitlines()
    shown = [n for n, line in enumerate(lines) if re.match(r"#\w+ = ", line)]
    assert len(shown) > 30
    tried = 0
    for number in shown:
        header = next(line for line in reversed(lines[:number]) if re.match(r"#?\[", line))
        if header.startswith("#"):
            continue  # its table is not there yet
        changed = [line[1:] if n == number else line for n, line in enumerate(lines)]
        tried += 1
        try:
            load_text(folder, "\n".join(changed))
        except PlanError as error:
            partner = "not both|go together|is missing|no such file|needs a cable type"
            assert re.search(partner, str(error)), lines[number]  # noqa: PT017
    assert tried > 25


def test_tables_that_are_shown_whole_are_valid_once_their_marks_are_taken_away() -> None:
    blocks = [block for block in starter().split("\n\n") if re.search(r"^#\[", block, re.MULTILINE)]
    assert blocks
    for block in blocks:
        table = tomllib.loads(re.sub(r"^#(\w+ = )", r"\1", block, flags=re.MULTILINE))
        header = re.search(r"^#(\[.*\])$", block, re.MULTILINE)
        assert header
        section = next(
            p.section for p in places(Plan) if p.header == header[1] and set(table) <= set(p.fields())
        )
        section.model_validate(table)


def test_the_invented_profile_reads_as_a_surveyed_profile(folder: Path) -> None:
    from linkcalc.terrain.profile import read_profile_csv

    profile = read_profile_csv(folder / "site_profile.csv")
    assert profile.length_m == 1200.0
    assert starter_profile().startswith("# Invented")

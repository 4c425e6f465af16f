"""The starter plan: complete, true to the sections it explains, and fit to load as it stands."""

import re
import tomllib
from pathlib import Path

import pytest

from linkcalc.errors import PlanError
from linkcalc.files import sample_path
from linkcalc.plan import Plan, Station, load_plan
from linkcalc.plan.assumptions import still_the_starters
from linkcalc.plan.keys import places
from linkcalc.plan.scenario import starter_profile
from linkcalc.plan.starter import starter_plan


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
    assert starter().splitlines()[0] == "#:schema ./linkcalc-plan.schema.json"
    assert "invented" in starter().splitlines()[1]
    assert plan.title.startswith("Invented")
    assert "no safety function" in starter()


def short() -> str:
    return starter_plan("site.toml", full=False, profile_csv="site_profile.csv")


def test_the_short_starter_states_what_matters_and_explains_each_key_once(folder: Path) -> None:
    plan = load_text(folder, short())
    lines = short().splitlines()
    keys = [line for line in lines if re.match(r"\w+ = ", line)]
    assert 18 <= len(keys) <= 26
    assert not [line for line in lines if re.match(r"#\w+ = |#\[", line)]
    assert (plan.tank, plan.engine, plan.power, plan.message) == (None, None, [], [])
    for field in (
        Plan.model_fields["station"],
        *(Station.model_fields[k] for k in ("name", "antenna_height_m")),
    ):
        assert sum(line.startswith(f"# {field.description}") for line in lines) == 1


def starters_in(plan_file: Path) -> dict[str, object]:
    return {a.key: a.value for a in still_the_starters(load_plan(plan_file).assumed)}


def test_a_value_of_the_starter_is_named_until_it_is_changed(folder: Path) -> None:
    file = folder / "site.toml"
    file.write_text(starter())
    everything = starters_in(file)
    invented = {
        "tank.pump_flow_m3_h": 5.0,
        "engine.watchdog_s": 1800.0,
        "tank.shape.diameter_m": 5.0,
        'power "tank" battery.capacity_mah': 13000.0,
        'station "shed" noise_rise_db': 6.0,
        'station "tank" antenna_height_m': 4.0,
        'link "level" profile_csv': "site_profile.csv",
    }
    assert everything.items() >= invented.items()
    for old, new, key in (
        ("pump_flow_m3_h = 5.0", "pump_flow_m3_h = 5.5", "tank.pump_flow_m3_h"),
        ("noise_rise_db = 6.0", "noise_rise_db = 3.0", 'station "shed" noise_rise_db'),
    ):
        file.write_text(starter().replace(old, new))
        assert everything.keys() - starters_in(file) == {key}
    (folder / "site_profile.csv").write_text("distance_m,ground_m\n0,50\n600,51\n1200,52\n")
    file.write_text(starter())
    assert everything.keys() - starters_in(file) == {'link "level" profile_csv'}
    file.write_text(starter().replace("starter = true", ""))
    assert not starters_in(file)


def test_every_value_that_a_starter_sets_is_named_but_for_names_and_kinds(folder: Path) -> None:
    """Nothing invented gets into an answer unmarked, whatever is added to the starter."""
    for region in (None, "us", "jp"):
        text = starter_plan("site.toml", profile_csv="site_profile.csv", region=region)
        (folder / "site.toml").write_text(text)
        marked = [key.rpartition(" ")[2].rpartition(".")[2] for key in starters_in(folder / "site.toml")]
        # choices are for the field sheet, which says itself what each rests on
        lines = text[: text.index("[[antenna_choice]]")].splitlines()
        written = [m[1] for line in lines if (m := re.match(r"(\w+) = ", line))]
        words = {"starter", "name", "from", "to", "link", "station", "kind", "region"}
        assert sorted(marked) == sorted(k for k in written if k not in words)


def test_values_of_a_plan_that_no_starter_wrote_are_its_own() -> None:
    assert not still_the_starters(load_plan(sample_path("upland")).assumed)


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
        header = next((line for line in reversed(lines[:number]) if re.match(r"#?\[", line)), "")
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
    from linkcalc.terrain.surveyed import read_profile_csv

    profile = read_profile_csv(folder / "site_profile.csv")
    assert profile.length_m == 1200.0
    assert starter_profile().startswith("# Invented")

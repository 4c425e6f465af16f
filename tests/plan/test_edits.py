"""Keys of a plan set otherwise: in its tables, on a command line, and in its text with the comments kept."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import PlanError
from linkcalc.files import sample_path
from linkcalc.plan import load_plan
from linkcalc.plan.edits import Edit, edited, edited_text, setting
from tests.plan.plans import PLAN, plan_text, write

TABLES = tomllib.loads(PLAN)
EDITS = {
    "a number": Edit("station", "tank", ("antenna_height_m",), 8.5),
    "a key in a table below": Edit("station", "tank", ("feeder", "length_m"), 12.0),
    "a table that is not there": Edit("station", "shed", ("feeder", "type"), "rg58"),
    "a whole table": Edit("station", "shed", ("antenna",), {"type": "yagi", "gain_dbi": 9.5}),
    "a section that is not there": Edit("conditions", None, ("leaf",), "out_of_leaf"),
    "a link's signal": Edit("link", "level", ("modulation", "spreading_factor"), 12),
    "text": Edit("", None, ("title",), 'an "odd" one'),
    "a list": Edit("terrain", None, ("rasters",), ["a.tif", "b.tif"]),
    "what goes": Edit("station", "tank", ("antenna", "polarisation"), None),
}


@pytest.mark.parametrize("edit", EDITS.values(), ids=EDITS)
def test_the_text_says_what_the_tables_say(edit: Edit) -> None:
    assert tomllib.loads(edited_text(PLAN, [edit])) == edited(TABLES, [edit])


@given(st.lists(st.sampled_from(sorted(EDITS)), min_size=1, max_size=6, unique=True))
def test_several_edits_in_any_order(names: list[str]) -> None:
    edits = [EDITS[name] for name in names]
    assert tomllib.loads(edited_text(PLAN, edits)) == edited(TABLES, edits)


def test_what_is_not_changed_stays_as_its_owner_wrote_it() -> None:
    text = sample_path("upland").read_text()
    after = edited_text(text, [Edit("station", "generator shed", ("noise_rise_db",), 0.0)])
    (changed,) = set(after.splitlines()) - set(text.splitlines())
    assert changed.startswith("noise_rise_db = 0.0")
    assert changed.endswith("# the engine running, measured a metre from the antenna (was 6)")
    assert len(after.splitlines()) == len(text.splitlines())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("tonk.antenna_height_m=8", 'section "tonk"; did you mean "tank"?'),
        ("condition.leaf=out_of_leaf", 'did you mean "conditions"?'),
        ("tank.antena_height_m=8", "did you mean antenna_height_m"),
        ("tank.antenna_height_m", "write NAME.KEY=VALUE"),
        ("tank.antenna_height_m=", "write NAME.KEY=VALUE"),
        ("tank.antenna_height_m=6,5", "write 6.5 without quotes"),
        ("tank.antenna_height_m=-4", "allowed: 0.1 to 3000"),
        ("conditions.leaf=bare", 'allowed: "in_leaf", "out_of_leaf"'),
        ("tank.antenna=yagi", "write [station.antenna] above its keys"),
    ],
)
def test_a_wrong_setting_is_one_line_with_the_mend(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, plan_text()), [text])
    line = str(caught.value)
    assert line.startswith(f"{tmp_path / 'plan.toml'}: --set ")
    assert said in line
    assert "\n" not in line


def test_what_is_wrong_with_the_file_is_not_put_down_to_the_setting(tmp_path: Path) -> None:
    file = write(tmp_path, plan_text(("antenna_height_m = 6.0", "antenna_height_m = -6.0")))
    with pytest.raises(PlanError, match=r"plan\.toml: station \"shed\" antenna_height_m = -6 is too low"):
        load_plan(file, ["tank.antenna_height_m=8"])


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("level.modulation.spreading_factor=12", 12),
        ("link.level.modulation.coding_rate=4/8", "4/8"),
        ("station.tank.feeder.arrestor=true", True),
        ("conditions.leaf = out_of_leaf", "out_of_leaf"),
        ("title=another", "another"),
        ('tank.antenna={type="yagi"}', {"type": "yagi"}),
    ],
)
def test_values_are_as_in_the_file_and_words_need_no_quotes(tmp_path: Path, text: str, value: Any) -> None:
    assert setting(text, TABLES).value == value
    loaded = load_plan(write(tmp_path, plan_text()), [text])
    assert any(text in note for note in loaded.notes)
    assert loaded.digest != load_plan(tmp_path / "plan.toml").digest


def test_a_name_with_a_point_in_it_is_found() -> None:
    tables = {"station": [{"name": "tank no.1"}, {"name": "tank no"}]}
    assert setting("tank no.1.antenna_height_m=8", tables).name == "tank no.1"
    assert setting("tank no.antenna_height_m=8", tables).name == "tank no"


def test_stations_in_one_line_are_changed_too() -> None:
    text = 'station = [{ name = "tank", antenna_height_m = 4.0 }, { name = "shed" }]  # short\n'
    edit = Edit("station", "tank", ("antenna_height_m",), 8.0)
    after = edited_text(text, [edit])
    assert tomllib.loads(after) == edited(tomllib.loads(text), [edit])
    assert "# short" in after


def test_what_cannot_be_changed_safely_is_left_and_the_key_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    import tomlkit

    monkeypatch.setattr(tomlkit, "dumps", lambda document: PLAN)
    with pytest.raises(PlanError, match=r'set in it: station "tank" antenna_height_m = 8$'):
        edited_text(PLAN, [Edit("station", "tank", ("antenna_height_m",), 8.0)])


def test_a_feeder_grows_with_an_antenna_that_is_set_higher_unless_its_length_is_set() -> None:
    """6 m of cable to an antenna at 6 m; at 16 m it is 16 m long."""
    file = sample_path("upland")
    shed = "generator shed"
    planned = load_plan(file).plan.station_named(shed)
    assert (planned.antenna_height_m, planned.feeder.length_m) == (6.0, 6.0)
    for settings, length_m in (
        ([f"{shed}.antenna_height_m=16"], 16.0),
        ([f"{shed}.antenna_height_m=4"], 6.0),
        ([f"{shed}.antenna_height_m=16", f"{shed}.feeder.length_m=6"], 6.0),
        (["tank.antenna_height_m=16"], 6.0),
    ):
        loaded = load_plan(file, settings)
        assert loaded.plan.station_named(shed).feeder.length_m == length_m, settings
    grown = load_plan(file, [f"{shed}.antenna_height_m=16"])
    assert f"{shed}.feeder.length_m=16" in grown.settings
    assert any(f"{shed}.feeder.length_m=16" in note for note in grown.notes)
    assert load_plan(file, ["tank.antenna_height_m=16"]).plan.station_named("tank").feeder.length_m == 0.0

"""The functions of the public face: a plan in any form, the command's answer, one line for a wrong argument."""

import datetime
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

import linkcalc as lc
from linkcalc.cli import COMMANDS
from linkcalc.plan.loading import as_plan

PLAIN = lc.sample_path("plain")
NO_ANSWER = {"new", "ground", "schema", "samples", "listen"}
"""Commands that write or read files and answer nothing about a link."""
OTHERWISE = {"range": "how_far", "report": "record"}
"""`range` is a word of Python's own, and a star import would hide it."""


def test_every_command_that_answers_is_a_public_function() -> None:
    assert {OTHERWISE.get(name, name) for name in {*COMMANDS} - NO_ANSWER} <= set(lc.__all__)


def test_every_error_is_public() -> None:
    from linkcalc import errors

    assert {
        n for n, v in vars(errors).items() if isinstance(v, type) and v.__module__ == errors.__name__
    } <= set(lc.__all__)


@pytest.mark.parametrize(
    "call",
    ["lc.propagation.free_space.free_space_loss_db(1e3, 868e6)", "lc.radio.css.symbol_time_s(7, 125e3)"],
)
def test_the_physics_are_there_in_a_fresh_process(call: str) -> None:
    code = f"import linkcalc as lc; print({call})"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert told.stderr == ""


def test_importing_every_module_hides_no_public_function() -> None:
    code = (
        "import pkgutil, importlib, linkcalc\n"
        "for m in pkgutil.walk_packages(linkcalc.__path__, 'linkcalc.'):\n"
        "    if not m.name.endswith('__main__'):\n"
        "        importlib.import_module(m.name)\n"
        "import types\n"
        "print([n for n in linkcalc.__all__ if isinstance(getattr(linkcalc, n), types.ModuleType)])\n"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert told.stdout.strip() == "['propagation', 'radio']", told.stderr


def test_importing_linkcalc_imports_nothing_heavy() -> None:
    code = (
        "import sys, linkcalc; print(sorted({'numpy', 'pydantic', 'scipy', 'rasterio'} & set(sys.modules)))"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert told.stdout.strip() == "[]"


def test_a_plan_comes_as_a_path_a_text_a_mapping_a_plan_or_loaded() -> None:
    loaded = lc.load_plan(PLAIN)
    tables = loaded.tables() | {
        "terrain": {"rasters": [str(loaded.base_dir / name) for name in loaded.plan.terrain.rasters]}
    }
    answers = [
        lc.check(p).links[0].directions for p in (PLAIN, str(PLAIN), loaded, tables, as_plan(tables).plan)
    ]
    assert all(a == answers[0] for a in answers)


WRONG: dict[str, Any] = {
    "check": lambda: lc.check(3),  # type: ignore[arg-type]
    "check_plan": lambda: lc.check_plan(None),  # type: ignore[arg-type]
    "with a result": lambda: lc.check(lc.check(PLAIN)),  # type: ignore[arg-type]
    "coverage": lambda: lc.coverage(b"x", "shed"),  # type: ignore[arg-type]
    "relay": lambda: lc.relay([PLAIN]),  # type: ignore[arg-type]
    "heights": lambda: lc.heights(4.0),  # type: ignore[arg-type]
    "sweep": lambda: lc.sweep(PLAIN, [7, 8]),  # type: ignore[arg-type]
    "fleet": lambda: lc.fleet({}),  # type: ignore[arg-type]
    "survey": lambda: lc.survey(PLAIN, {"rssi_dbm": -90}),  # type: ignore[arg-type]
    "heights prices": lambda: lc.heights(PLAIN, cost_per_meter=4.0),
    "record": lambda: lc.record(PLAIN, client="x"),
    "plan_from": lambda: lc.plan_from("site.toml"),  # type: ignore[arg-type]
    "profiles": lambda: lc.plan_from(lc.load_plan(PLAIN).plan, profiles=[3]),  # type: ignore[arg-type]
    "station": lambda: lc.coverage(PLAIN, 3),  # type: ignore[arg-type]
    "with_sections": lambda: lc.with_sections(PLAIN, lc.load_plan(PLAIN).plan),  # type: ignore[arg-type]
    "compare": lambda: lc.compare("site.toml"),
    "parts": lambda: lc.parts(3),  # type: ignore[arg-type]
    "show": lambda: lc.show(3),  # type: ignore[arg-type]
    "changed": lambda: lc.load_plan(PLAIN).changed([3]),  # type: ignore[arg-type]
    "load_plan": lambda: lc.load_plan(3),  # type: ignore[arg-type]
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_argument_is_one_line_that_says_what_is_taken(name: str) -> None:
    with pytest.raises(lc.ArgumentError) as caught:
        WRONG[name]()
    assert isinstance(caught.value, TypeError)
    assert "\n" not in str(caught.value)
    assert 20 < len(str(caught.value)) < 220


def test_a_plan_without_what_is_asked_says_what_it_lacks(tmp_path: Path) -> None:
    bare = lc.load_plan(PLAIN).changed({"message": None, "power": None, "tank": None, "engine": None})
    for function, table in ((lc.messages, "[[message]]"), (lc.energy, "[[power]]"), (lc.tank, "[tank]")):
        with pytest.raises(lc.PlanError, match="made in Python: has no") as caught:
            function(bare)
        assert table in str(caught.value)
    with pytest.raises(lc.LinkcalcError, match="region 'moon' is not in the table"):
        lc.limits(PLAIN, region="moon")


def test_of_several_links_one_is_named() -> None:
    plan = lc.load_plan(PLAIN)
    twin = plan.plan.link[0].model_copy(update={"name": "second"})
    two = plan.changed(link=[plan.plan.link[0], twin])
    with pytest.raises(
        lc.LinkcalcError, match='has 2 links; say which with link=: "level and pump permit", "second"'
    ):
        lc.heights(two)
    assert lc.heights(two, link="second", highest_m=4.0, step_m=1.0).link == "second"


def test_the_record_takes_a_day_and_a_job() -> None:
    page = lc.record(PLAIN, day=datetime.date(2031, 5, 2), customer="Example Water").to_html()
    assert "Example Water" in page
    assert "2031" in page


# ---------------------------------------------------------------- plans that change and are written


def test_a_changed_plan_keeps_its_folder_and_its_profiles() -> None:
    profile = lc.profile_from([0.0, 500.0, 1000.0], [10.0, 8.0, 11.0])
    plan = lc.plan_from(
        station=[{"name": "tank", "antenna_height_m": 4.0}, {"name": "shed", "antenna_height_m": 6.0}],
        link=[{"name": "l", "from": "tank", "to": "shed", "frequency_mhz": 868.3}
              | {"modulation": {"kind": "css", "spreading_factor": 9}}],
        profiles={"l": profile}, base_dir="somewhere",
    )  # fmt: skip
    # [tank] is a table of plans, too; the station knows the key
    found = plan.changed(
        {"tank.antenna_height_m": 8, "l.modulation.spreading_factor": 10, "conditions.leaf": "in_leaf"}
    )
    assert found.plan.station[0].antenna_height_m == 8.0
    assert found.plan.link[0].modulation.spreading_factor == 10  # type: ignore[union-attr]
    assert found.plan.conditions.leaf == "in_leaf"
    assert found.profiles["l"] is profile
    assert found.base_dir == plan.base_dir
    assert plan.plan.station[0].antenna_height_m == 4.0
    assert plan.changed(title="x", engine=None).plan.title == "x"
    assert found.changed({"conditions.leaf": None}).plan.conditions.leaf == plan.plan.conditions.leaf


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"pump shde.antenna_height_m": 4}, 'did you mean "pump shed"?'),
        ({"pump shed.antena_height_m": 4}, "did you mean antenna_height_m"),
        ({"pump shed.antenna_height_m": "high"}, "antenna_height_m"),
        ({"pump shed.antenna_height_m.x": 4}, "antenna_height_m"),
        ({"nonsense": 4}, "unknown station, link, message or section"),
    ],
)  # fmt: skip
def test_a_change_that_leads_nowhere_is_one_line(values: dict[str, Any], says: str) -> None:
    with pytest.raises(lc.PlanError) as caught:
        lc.load_plan(PLAIN).changed(values)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["plain", "upland", "wooded"])
def test_a_plan_written_anywhere_loads_equal_and_answers_the_same(name: str, tmp_path: Path) -> None:
    plan = lc.load_plan(lc.sample_path(name))
    plan.write(tmp_path / "copy.toml")
    again = lc.load_plan(tmp_path / "copy.toml")
    assert lc.check(again, sections=False).links == lc.check(plan, sections=False).links
    same_folder = lc.plan_from(tomllib.loads(plan.to_toml()), base_dir=plan.base_dir)
    assert same_folder.plan == plan.plan


def test_a_profile_made_in_python_is_written_beside_the_plan(tmp_path: Path) -> None:
    profile = lc.profile_from([0.0, 500.0, 1000.0], [10.0, 8.5, 11.0], clutter_m=[0.0, 12.0, 0.0])
    plan = lc.plan_from(
        station=[{"name": 'a "b"', "antenna_height_m": 4.0}, {"name": "shed", "antenna_height_m": 6.0}],
        link=[{"name": "l/1", "from": 'a "b"', "to": "shed", "frequency_mhz": 868.3}
              | {"modulation": {"kind": "css", "spreading_factor": 9}}],
        profiles={"l/1": profile},
    )  # fmt: skip
    with pytest.raises(lc.PlanError, match="write"):
        plan.to_toml()
    plan.write(tmp_path / "made.toml")
    again = lc.load_plan(tmp_path / "made.toml")
    assert again.plan.link[0].profile_csv == "made_l_1.csv"
    assert (
        lc.check(again, sections=False).links[0].directions
        == lc.check(plan, sections=False).links[0].directions
    )


def test_a_plan_in_python_is_compared_in_leaf_and_out_of_it() -> None:
    wood = lc.load_plan(PLAIN).changed({"conditions.woodland_depth_m": 100})
    found = {r.leaf: min(r.fade_margins_db) for r in lc.compare([wood], leaf="both").rows}
    assert found["out_of_leaf"] > found["in_leaf"]


def test_settings_are_not_dropped_for_a_plan_in_python() -> None:
    with pytest.raises(lc.LinkcalcError, match=r"plan\.changed"):
        lc.compare([lc.load_plan(PLAIN)], ["header tank.antenna_height_m=8"], leaf="both")

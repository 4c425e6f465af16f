"""One's own loss model, and the choice of the model that gives the number."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import linkcalc as lc
from linkcalc.area.coverage import plan_coverage
from linkcalc.errors import DomainError, LinkcalcError, PlanError
from linkcalc.files import sample_path
from linkcalc.fleets.answer import answer
from linkcalc.link.legal import lawful
from linkcalc.link.on_ground import cases, open_terrain
from linkcalc.link.uncertainty import combined_db
from linkcalc.link.verdict import check_plan
from linkcalc.plan import LoadedPlan, load_plan, plan_from
from linkcalc.plan.fleet import load_fleet
from linkcalc.propagation.loss_models import STANDARD, own_models
from linkcalc.site.fieldsheet import field_sheet
from linkcalc.sweeps.mast_heights import height_table
from linkcalc.views.check.text import report
from linkcalc.views.jsonout import to_json


@pytest.fixture(autouse=True)
def none_left() -> Iterator[None]:
    yield
    for name in own_models():
        lc.forget_loss_model(name)


def log_distance(intercept_db: float = 100.0, name: str = "log_distance") -> None:
    @lc.loss_model(name, "fit of our own links")
    def _(profile: Any, situation: Any, near_m: float, far_m: float) -> float:
        return intercept_db + 35.0 * math.log10(profile.length_m / 1e3)


def chosen(sample: str, model: str, **conditions: Any) -> LoadedPlan:
    loaded = load_plan(sample_path(sample))
    tables = loaded.plan.model_dump(by_alias=True, exclude_unset=True)
    tables["conditions"] = tables.get("conditions", {}) | {"governing_model": model} | conditions
    return plan_from(tables, base_dir=loaded.base_dir)


def site_db(direction: Any) -> float:
    return combined_db(direction.uncertainty, "site")


def test_an_own_model_is_listed_beside_the_others_in_text_json_and_figures(tmp_path: Path) -> None:
    log_distance()
    result = check_plan(load_plan(sample_path("upland")))
    path = result.links[0].path
    assert path.models["log_distance"] == pytest.approx(100.0 + 35.0 * math.log10(path.distance_m / 1e3))
    assert path.model == "delta_bullington", "listed, not governing"
    assert "fit of our own links" in report(result)
    assert "log_distance" in to_json(result)
    from linkcalc.views.check.figures import write_all

    assert write_all(result, tmp_path)


def test_an_own_model_governs_where_the_plan_says_so_and_is_named_everywhere() -> None:
    log_distance()
    link = check_plan(chosen("upland", "log_distance")).links[0]
    assert link.path.model == "log_distance"
    # free space, the model's rest, what surrounds the antennas, installations: the budget adds up to the model's loss
    terms = {t.name: t.value_db for t in link.directions[0].terms}
    assert -terms["free-space loss"] - terms["ground and terrain"] == pytest.approx(
        link.path.models["log_distance"], abs=1e-5
    )
    assert any("fit of our own links" in w and "the choice is the planner's" in w for w in link.warnings)
    assert "chosen by the plan" in link.path.model_reason
    assert "fit of our own links" in report(check_plan(chosen("upland", "log_distance")))


@pytest.mark.parametrize("model", STANDARD)
@pytest.mark.parametrize("sample", ["upland", "wooded", "plain"])
def test_the_model_that_a_plan_chooses_gives_the_number(model: str, sample: str) -> None:
    loaded = chosen(sample, model)
    link = check_plan(loaded, advice=False).links[0]
    plain = check_plan(load_plan(sample_path(sample)), advice=False).links[0]
    assert link.path.model == model
    there = link.directions[0]
    lost = {t.name: -t.value_db for t in there.terms}
    trees = lost.get("trees", 0.0) if loaded.plan.conditions.woodland_depth_m else 0.0
    with open_terrain(loaded) as terrain:
        case = next(cases(loaded, terrain))
    from linkcalc.link.models import model_functions

    expected = model_functions(case.path)[model]()
    assert lost["free-space loss"] + lost["ground and terrain"] + trees == pytest.approx(
        expected + trees, abs=1e-5
    )
    # never more certain than the rules, and less so by as much as the two are apart
    apart = abs(there.path_loss_db - plain.directions[0].path_loss_db)
    assert site_db(there) >= site_db(plain.directions[0]) - 1e-6
    assert site_db(there) == pytest.approx(math.hypot(site_db(plain.directions[0]), apart), abs=0.1)


def test_an_optimistic_choice_does_not_make_a_link_close() -> None:
    log_distance(60.0)
    plain = check_plan(load_plan(sample_path("upland")), advice=False).links[0]
    link = check_plan(chosen("upland", "log_distance"), advice=False).links[0]
    assert plain.verdict != "closes"
    assert link.directions[0].fade_margin_db > plain.directions[0].fade_margin_db + 30.0
    assert link.verdict != "closes"


def test_a_stated_model_error_does_not_make_a_choice_surer_than_the_rules() -> None:
    plain = check_plan(load_plan(sample_path("upland")), advice=False).links[0]
    stated = check_plan(chosen("upland", "p1812", model_error_db=1.0), advice=False).links[0]
    assert site_db(stated.directions[0]) >= site_db(plain.directions[0]) - 1e-6


@pytest.mark.parametrize("model", ["p1812", "log_distance"])
def test_sweep_sample_and_heights_honour_the_choice(model: str) -> None:
    log_distance(130.0)
    loaded = chosen("upland", model)
    link = loaded.plan.link[0].name
    heights = [4.0, 9.0]
    swept = lc.sweep_plan(loaded, {"far.antenna_height_m": heights}, link=link)
    drawn = lc.sample(loaded, {"far.antenna_height_m": heights, "k_factor": [1.3, 1.4]}, link=link)
    for i, height in enumerate(heights):
        tables = loaded.plan.model_dump(by_alias=True, exclude_unset=True)
        name = loaded.plan.link[0].to
        station = next(s for s in tables["station"] if s["name"] == name)
        if station.get("feeder", {}).get("length_m"):  # a raised antenna takes its feeder with it
            station["feeder"]["length_m"] += max(height - station["antenna_height_m"], 0.0)
        station["antenna_height_m"] = height
        found = check_plan(plan_from(tables, base_dir=loaded.base_dir), advice=False).links[0]
        assert swept["fade_margin_db"][i] == pytest.approx(found.directions[0].fade_margin_db, abs=1e-9)
        assert swept["verdict"][i] == found.verdict
        assert swept["model"][i] == drawn["model"][i] == model
        tables["conditions"]["delta_n"] = 157.0 - 157.0 / [1.3, 1.4][i]
        tables["conditions"].pop("month", None)
        found = check_plan(plan_from(tables, base_dir=loaded.base_dir), advice=False).links[0]
        assert drawn["fade_margin_db"][i] == pytest.approx(found.directions[0].fade_margin_db, abs=1e-9)
        assert drawn["required_margin_db"][i] == pytest.approx(
            found.directions[0].required_margin_db, abs=1e-6
        )
    with open_terrain(loaded) as terrain:
        case = next(cases(loaded, terrain))
    table = height_table(case, highest_m=12.0, step_m=3.0)
    near_m, far_m = float(table.near_height_m[1]), float(table.far_height_m[-1])
    pair, _ = lawful(case.raised(near_m=near_m, far_m=far_m))
    assert table.margin_db[1, -1] == pytest.approx(min(m[0] for m in pair.margins_db(pair.losses)), abs=1e-5)


def test_the_choice_can_be_swept() -> None:
    found = lc.sweep_plan(
        load_plan(sample_path("plain")), {"governing_model": ["rules", "p1812", "bullington"]}
    )
    assert found["model"].tolist()[1:] == ["p1812", "bullington"]
    assert len(set(found["path_loss_db"].round(3))) == 3


def test_maps_fleets_relays_and_the_field_sheet_refuse_a_choice_in_one_line() -> None:
    loaded = chosen("upland", "p1812")
    station = loaded.plan.station[0].name
    with pytest.raises(LinkcalcError, match="worked out by linkcalc's rules only"):
        plan_coverage(loaded, station, 500.0, cell_m=100.0)
    with open_terrain(loaded) as terrain:
        case = next(cases(loaded, terrain))
    with pytest.raises(LinkcalcError, match="a field sheet is worked out by linkcalc's rules only"):
        field_sheet(loaded, case)
    fleet = load_fleet(sample_path("upland").parent / "upland_fleet.toml")
    conditions = fleet.fleet.conditions.model_copy(update={"governing_model": "p1812"})
    from dataclasses import replace

    with pytest.raises(LinkcalcError, match="worked out by linkcalc's rules only"):
        answer(replace(fleet, fleet=fleet.fleet.model_copy(update={"conditions": conditions})))


def test_a_model_that_is_not_known_or_not_defined_gets_one_line() -> None:
    with pytest.raises(PlanError, match=r"did you mean p1812.*registered in Python") as caught:
        chosen("upland", "p1821")
    assert "\n" not in str(caught.value)
    short = plan_from(
        station=[{"name": "tank", "antenna_height_m": 4}, {"name": "shed", "antenna_height_m": 6}],
        link=[{"name": "level", "from": "tank", "to": "shed", "frequency_mhz": 868.3,
               "modulation": {"kind": "css", "spreading_factor": 9}}],
        conditions={"governing_model": "p1812"},
        profiles={"level": lc.profile_from([0, 100, 200], [40, 41, 44])},
    )  # fmt: skip
    with pytest.raises(DomainError, match="gives no loss for this path: the path is shorter than 250 m"):
        check_plan(short)


@pytest.mark.parametrize(
    ("given", "line"),
    [
        (lambda: float("nan"), "gave nan; a loss in dB is needed"),
        (lambda: [1.0, 2.0], "TypeError"),
        (lambda: 1 / 0, "ZeroDivisionError: division by zero"),
    ],
)
def test_an_own_model_that_fails_is_named_in_one_line(given: Any, line: str) -> None:
    @lc.loss_model("broken")
    def broken(profile: Any, situation: Any, near_m: float, far_m: float) -> Any:
        return given()

    with pytest.raises(DomainError, match=f"broken.*{line}") as caught:
        check_plan(chosen("plain", "broken"))
    assert "\n" not in str(caught.value)
    assert "broken" not in check_plan(load_plan(sample_path("plain")), advice=False).links[0].path.models


def test_where_an_own_model_is_not_defined_for_other_heights_the_answer_stands_without_remedies() -> None:
    @lc.loss_model("only_planned")
    def only_planned(profile: Any, situation: Any, near_m: float, far_m: float) -> float:
        if (near_m, far_m) != planned:
            raise DomainError("fitted at the planned heights only")
        return 150.0

    loaded = chosen("plain", "only_planned")
    link = loaded.plan.link[0]
    planned = tuple(loaded.plan.station_named(n).antenna_height_m for n in (link.from_, link.to))
    found = check_plan(loaded).links[0]
    assert found.path.model == "only_planned"
    assert np.isnan(found.drawing.margin_sweep_db).any()


@pytest.mark.parametrize("name", ["p1812", "rules", "Farm Fit", "x-y", ""])
def test_a_name_that_is_taken_or_illegible_is_refused(name: str) -> None:
    with pytest.raises(DomainError, match="loss model"):
        lc.loss_model(name)


def test_a_second_function_under_an_own_name_takes_its_place() -> None:
    log_distance(100.0)
    log_distance(120.0)
    models = check_plan(load_plan(sample_path("plain")), advice=False).links[0].path.models
    assert models["log_distance"] > 100.0
    lc.forget_loss_model("log_distance")
    assert (
        "log_distance" not in check_plan(load_plan(sample_path("plain")), advice=False).links[0].path.models
    )

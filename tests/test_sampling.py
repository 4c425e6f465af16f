"""Draws: each is what a check of the plan with its values says."""

import copy
import pickle
from typing import Any

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm, randint, truncnorm, uniform

import linkcalc as lc
from linkcalc.errors import DomainError, PlanError
from linkcalc.files import sample_path
from linkcalc.link.verdict import check_plan
from linkcalc.plan import LoadedPlan, load_plan, plan_from
from linkcalc.plan.fleet import load_fleet
from linkcalc.sweeps.sampling import plan_of_fleet, sample
from tests.test_sweep import changed, same, site

UNCERTAIN: dict[str, Any] = {
    "near.antenna_height_m": uniform(2.0, 3.0),
    "far.antenna_height_m": uniform(3.0, 6.0),
    "near.transmit_power_dbm": norm(14.0, 0.7),
    "far.transmit_power_dbm": norm(14.0, 0.7),
    "near.antenna.gain_dbi": norm(5.0, 1.0),
    "far.antenna.gain_dbi": norm(2.0, 1.0),
    "near.noise_figure_db": truncnorm(-3.0, 3.0, 6.0, 1.0),
    "far.noise_rise_db": uniform(0.0, 6.0),
    "near.feeder.length_m": uniform(2.0, 8.0),
    "installation_db": uniform(0.0, 3.0),
    "k_factor": uniform(1.15, 0.5),
    "woodland_depth_m": uniform(5.0, 40.0),
    "spreading_factor": randint(7, 13),
}
"""What somebody may not know of a site."""


def row_of(found: Any, draw: int) -> dict[str, Any]:
    return {name: values[draw] for name, values in found.data.items()}


def plan_of(loaded: LoadedPlan, found: Any, draw: int) -> LoadedPlan:
    return changed(loaded, {name: values[draw].item() for name, values in found.drawn.items()})


@pytest.mark.parametrize("region", [None, "eu"])
def test_every_draw_is_what_a_check_of_the_plan_with_its_values_says(region: str | None) -> None:
    loaded = site(regulation={"region": region}) if region else site()
    link = loaded.plan.link[0].model_dump(by_alias=True, exclude_unset=True)
    loaded = plan_from(loaded.plan, link=[link | {"frequency_mhz": 868.3}], profiles=loaded.profiles)
    found = sample(loaded, UNCERTAIN, draws=40, seed=3)
    assert len(set(found["verdict"])) > 1, "draws that all answer alike would show little"
    for draw in range(0, 40, 5):
        same(row_of(found, draw), check_plan(plan_of(loaded, found, draw), advice=False))


@pytest.mark.parametrize("name", ["plain", "upland", "wooded"])
def test_draws_that_are_worked_out_by_machine_code_are_those_of_a_check(name: str) -> None:
    loaded = load_plan(sample_path(name))
    link = loaded.plan.link[0].name
    uncertain = {key: UNCERTAIN[key] for key in ("far.antenna_height_m", "k_factor", "installation_db")}
    found = sample(loaded, uncertain, draws=6_000, seed=1, link=link)
    for draw in (0, 2_999, 5_999):
        same(row_of(found, draw), check_plan(plan_of(loaded, found, draw), advice=False))


def test_a_seed_gives_the_same_draws_and_another_gives_others() -> None:
    uncertain = {"far.height": uniform(3, 5)}
    one, again, other = (sample(site(), uncertain, draws=20, seed=s)["fade_margin_db"] for s in (5, 5, 6))
    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)


def test_draws_of_a_frame_are_taken_as_they_stand() -> None:
    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame({"far.height": [4.0, 6.0, 9.0], "sf": [7, 9, 12]})
    found = sample(site(), frame)
    table = found.to_pandas()
    assert table["far.antenna_height_m"].tolist() == [4.0, 6.0, 9.0]
    assert table["spreading_factor"].tolist() == [7, 9, 12]
    assert table["spare_margin_db"].is_monotonic_increasing
    assert found.to_xarray()["fade_margin_db"].dims == ("draw",)


def test_correlated_inputs_stay_correlated() -> None:
    both = multivariate_normal([5.0, 6.0], [[0.5, 0.45], [0.45, 0.5]])
    found = sample(site(), {("near.height", "far.height"): both}, draws=400, seed=2)
    heights = [found.drawn[f"{end}.antenna_height_m"] for end in ("near", "far")]
    assert np.corrcoef(heights)[0, 1] > 0.8


def test_all_links_of_a_plan_share_what_is_drawn() -> None:
    loaded = site()
    link = loaded.plan.link[0].model_dump(by_alias=True, exclude_unset=True)
    two = plan_from(
        loaded.plan, link=[link, link | {"name": "more power", "tries": 3}],
        profiles=dict.fromkeys(("level", "more power"), loaded.profiles["level"]),
    )  # fmt: skip
    found = sample(two, {"tank.height": uniform(2, 4), "k_factor": uniform(1.2, 0.3)}, draws=30, seed=1)
    assert found.dims == ("link", "draw")
    assert set(found.drawn) == {"tank.antenna_height_m", "k_factor"}
    one = sample(
        two, {"tank.height": found.drawn["tank.antenna_height_m"], "k": found.drawn["k_factor"]}, link="level"
    )
    assert np.array_equal(found.select({"link": "level"})["fade_margin_db"], one["fade_margin_db"])
    assert (found["delivery_probability"][1] > found["delivery_probability"][0]).all()
    assert len(found.to_pandas()) == 60


def test_the_links_of_a_fleet_are_drawn_together() -> None:
    fleet = load_fleet(sample_path("upland").parent / "upland_fleet.toml")
    plan = plan_of_fleet(fleet)
    assert [k.name for k in plan.plan.link] == [n.name for n in fleet.nodes]
    found = sample(fleet, {"k_factor": [1.2, 1.33, 1.5]})
    assert found.shape == (len(fleet.nodes), 3)
    first = plan_from(plan.plan, link=plan.plan.link[:1], base_dir=plan.base_dir)
    same(
        row_of(found.select({"link": fleet.nodes[0].name}), 1),
        check_plan(changed(first, {"k_factor": 1.33}), advice=False),
    )


def test_what_moves_the_margin_most_is_named_first() -> None:
    found = sample(site(), {"near.power": norm(14, 0.1), "far.noise_rise_db": uniform(0, 12)}, draws=300)
    drivers = found.drivers("fade_margin_db")
    assert list(drivers) == ["far.noise_rise_db", "near.transmit_power_dbm"]
    assert drivers["far.noise_rise_db"] < -0.9
    assert drivers["near.transmit_power_dbm"] > 0.0
    assert sum(found.shares().values()) == pytest.approx(1.0)


def test_a_sample_survives_copying_and_pickling_and_is_not_written_to() -> None:
    found = sample(site(), {"far.height": [4.0, 5.0]})
    for other in (pickle.loads(pickle.dumps(found)), copy.deepcopy(found)):
        assert isinstance(other, lc.Sample)
        assert np.array_equal(other["fade_margin_db"], found["fade_margin_db"])
        assert other.drawn["far.antenna_height_m"].tolist() == [4.0, 5.0]
    with pytest.raises(ValueError, match="read-only"):
        found.drawn["far.antenna_height_m"][0] = 1.0


@pytest.mark.parametrize(
    ("uncertain", "draws", "line"),
    [
        ({}, None, "nothing to draw"),
        ({"far.height": norm(0.5, 1.0)}, 200, "antenna_height_m"),
        ({"far.height": [1.0, 2.0], "sf": [7, 8, 9]}, None, "draws differ in number: 2, 3"),
        ({"far.height": [1.0, 2.0]}, 3, "draws differ in number: 2, 3"),
        ({"ghost": norm(0, 1)}, 3, "cannot be varied"),
        ({"far.height": truncnorm}, 3, "give a distribution with its figures"),
        ({"far.height": uniform(3, 1)}, 0, "draws = 0"),
        ({"far.height": 4.0}, None, "one row of draws"),
        ({"delta_n": [40.0], "k_factor": [1.3]}, None, "set the same"),
        ({"far.height": [3.0, float("nan")]}, None, "far.antenna_height_m: a draw is not"),
    ],
)  # fmt: skip
def test_what_cannot_be_drawn_is_said_in_one_line(uncertain: Any, draws: int | None, line: str) -> None:
    with pytest.raises((DomainError, PlanError), match=line) as caught:
        sample(site(), uncertain, draws=draws)
    assert "\n" not in str(caught.value)

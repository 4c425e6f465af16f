"""How far a link goes: against plane-earth figures, two facts of practice, and its own rules."""

import json
import math

import numpy as np
import pytest
from typer.testing import CliRunner

from linkcalc.cli import app
from linkcalc.errors import DomainError
from linkcalc.link.verdict import check_plan
from linkcalc.plan.loading import plan_from
from linkcalc.rules.table import START
from linkcalc.sweeps.reach_by_ground import GROUNDS, flat, how_far, plan_of_facts, rolling


@pytest.fixture
def two_grounds(monkeypatch):
    """The command knows the flat and the town only: what is tested is told of any."""
    named = [g for g in GROUNDS if g.name in ("flat", "town_edge")]
    monkeypatch.setattr("linkcalc.sweeps.reach_by_ground.GROUNDS", tuple(named))


def reach(found, ground, factor):
    return next(r for r in found.reaches if (r.ground, r.spreading_factor) == (ground, factor))


def test_five_hundred_metres_at_14_dbm_is_everyday_and_eight_kilometres_in_sight_at_1_w_works():
    # common practice, no source: both are told as facts of the trade
    assert reach(how_far(plan_of_facts(frequency_mhz=868.3), grounds=["flat"]), "flat", 9).closes_m > 500.0
    watt = plan_of_facts(frequency_mhz=915.0, transmit_power_dbm=30.0, heights_m=(10.0, 10.0))
    assert reach(how_far(watt, grounds=["flat"]), "flat", 9).closes_m > 8000.0


def test_a_link_checked_at_the_distance_it_closes_to_has_just_the_required_margin():
    found = how_far(plan_of_facts(frequency_mhz=868.3), grounds=["flat"])
    far_m = reach(found, "flat", 9).closes_m
    margins = []
    for length_m in (0.97 * far_m, 1.03 * far_m):
        facts = plan_of_facts(frequency_mhz=868.3)
        plan = plan_from(facts.plan, profiles={"link": flat(length_m)[0]})
        link = check_plan(plan).links[0]
        margins.append(min(d.fade_margin_db - d.required_margin_db for d in link.directions))
    assert margins[0] > 0.0 > margins[1]


def test_a_stated_margin_is_held_besides():
    plain = reach(how_far(plan_of_facts(frequency_mhz=868.3), grounds=["flat"]), "flat", 9)
    facts = plan_of_facts(frequency_mhz=868.3, required_margin_db=40.0)
    asked = reach(how_far(facts, grounds=["flat"]), "flat", 9)
    assert asked.closes_m < plain.closes_m
    assert asked.gamble_m == plain.gamble_m
    there = plan_from(facts.plan, profiles={"link": flat(asked.closes_m)[0]})
    margin_db = min(d.fade_margin_db for d in check_plan(there).links[0].directions)
    assert margin_db == pytest.approx(40.0, abs=0.3)


def test_low_antennas_over_flat_ground_lose_reach_by_the_fourth_power_of_distance():
    # plane earth: 12 dB a doubling; 12 dB more power, twice as far (where that rules: low antennas, some km)
    near, far = (
        reach(how_far(plan_of_facts(frequency_mhz=433.0, transmit_power_dbm=p), grounds=["flat"]), "flat", 9)
        for p in (14.0, 26.0)
    )
    assert far.closes_m / near.closes_m == pytest.approx(2.0, rel=0.1)


def test_a_higher_spreading_factor_a_smoother_ground_and_no_trees_go_farther():
    found = how_far(plan_of_facts(frequency_mhz=868.3), spreading_factors=(7, 9, 12))
    for ground in GROUNDS:
        reaches = [reach(found, ground.name, f).closes_m for f in (7, 9, 12)]
        assert reaches == sorted(reaches)
    order = ["wood", "wooded_end", "flat"]
    assert [reach(found, g, 9).closes_m for g in order] == sorted(reach(found, g, 9).closes_m for g in order)
    hills = ["rolling_90", "rolling_30", "flat"]
    assert [reach(found, g, 9).closes_m for g in hills] == sorted(reach(found, g, 9).closes_m for g in hills)


def test_made_rolling_ground_has_the_stated_height_spread():
    heights = np.concatenate([p.ground_m for p in rolling(90.0)(40_000.0)])
    low, high = np.quantile(heights, (0.1, 0.9))
    assert high - low == pytest.approx(90.0, rel=0.15)


def test_power_over_the_legal_limit_goes_no_farther(two_grounds):
    # 868.3 MHz in Europe: 25 mW ERP, 14 dBm with a dipole (ETSI EN 300 220-2, as the table of limits has it)
    loud = plan_of_facts(frequency_mhz=868.3, transmit_power_dbm=27.0, region="eu")
    found = how_far(loud, grounds=["flat"])
    legal = how_far(plan_of_facts(frequency_mhz=868.3, transmit_power_dbm=14.0), grounds=["flat"])
    assert found.reaches[0].closes_m == pytest.approx(legal.reaches[0].closes_m, rel=0.01)
    assert all("legal 14.0 dBm of 27 dBm" in line for line in found.over_limits)
    assert len(found.over_limits) == 2
    assert legal.over_limits == ()
    done = CliRunner().invoke(app, ["range", "--region", "eu", "--power-dbm", "27"])
    assert "counted at the legal 14.0 dBm" in done.stdout


def test_a_spreading_factor_that_stays_too_long_on_the_air_is_named():
    # 902 to 928 MHz hopping in the United States: 0.4 s on a channel (47 CFR 15.247)
    facts = plan_of_facts(frequency_mhz=915.0, region="us", payload_bytes=16)
    over = how_far(facts, spreading_factors=(7, 12), grounds=["flat"]).over_limits
    assert over
    assert all(line.endswith("(SF12)") for line in over)


@pytest.mark.parametrize("region", sorted(START))
def test_a_region_is_answered_with_a_channel_that_is_legal_to_start_on(region):
    start = START[region]
    facts = plan_of_facts(
        frequency_mhz=start.frequency_mhz, region=region, transmit_power_dbm=start.transmit_power_dbm
    )
    assert not [line for line in how_far(facts, grounds=["flat"]).over_limits if "counted" in line]


def test_an_unknown_region_is_one_clear_line():
    done = CliRunner().invoke(app, ["range", "--region", "moon", "--frequency-mhz", "868"])
    assert done.exit_code == 2
    assert "moon" in done.stderr
    assert done.stderr.count("\n") == 1


def test_the_command_answers_from_facts_and_from_a_plan(two_grounds, tmp_path):
    done = CliRunner().invoke(
        app, ["range", "--region", "eu", "--sf", "7,12", "--json", "--out", str(tmp_path / "r")]
    )
    assert done.exit_code == 0
    answer = json.loads(done.stdout)
    assert {r["spreading_factor"] for r in answer["reaches"]} == {7, 12}
    assert (tmp_path / "r" / "range.png").exists()
    done = CliRunner().invoke(app, ["range", "terrain_samples/plain.toml"])
    assert done.exit_code == 0
    assert "One hill" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "frequency-mhz"),
        (["--frequency-mhz", "868", "--sf", "6.5"], "7,9,12"),
        (["--frequency-mhz", "868", "--heights-m", "a"], "--heights-m"),
    ],
)
def test_bad_input_is_one_clear_line(options, words):
    done = CliRunner().invoke(app, ["range", *options])
    assert done.exit_code == 2
    assert words in done.stderr
    assert done.stderr.count("\n") == 1


def test_an_unknown_ground_is_named():
    with pytest.raises(DomainError, match="moon"):
        how_far(plan_of_facts(frequency_mhz=868.3), grounds=["moon"])
    assert math.isfinite(how_far(plan_of_facts(frequency_mhz=868.3), grounds=["wood"]).reaches[0].closes_m)

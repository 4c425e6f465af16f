"""What people of the trade expect of a link before they compute anything: common practice, no source.

Through plan files with surveyed profiles, as a planner would ask.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from linkcalc.link.decision import judge_link
from linkcalc.link.result import LinkResult
from linkcalc.link.verdict import check_plan
from linkcalc.plan import load_plan
from linkcalc.terrain.profile import Profile
from tests import sites


def check(folder: Path, path: Profile, **changes: Any) -> LinkResult:
    return check_plan(load_plan(sites.plan_file(folder, sites.case(path, **changes)))).links[0]


def uneven(x: np.ndarray) -> np.ndarray:
    """Ground as it is: a decimetre here and there."""
    z: np.ndarray = 42.0 + 0.1 * np.sin(x / 7.0) + 0.07 * np.cos(x / 23.0)
    return z


def valley(x: np.ndarray) -> np.ndarray:
    """Two shoulders 8 km apart with a valley between them."""
    z: np.ndarray = 300.0 - 120.0 * np.sin(np.pi * x / 8000.0) ** 2
    return z


def valley_with_ridge(x: np.ndarray) -> np.ndarray:
    """The same with a ridge in the middle, 100 m higher than the antennas."""
    z: np.ndarray = valley(x) + 226.0 * np.exp(-(((x - 4000.0) / 700.0) ** 2))
    return z


WHIP = {"antenna": {"type": "quarter_wave_whip"}}
EIGHT_KM: dict[str, Any] = {
    "tank": {"antenna_height_m": 6.0, "transmit_power_dbm": 30.0},
    "shed": {"antenna_height_m": 6.0, "transmit_power_dbm": 30.0, "noise_rise_db": 6.0},
    "link": {"frequency_mhz": 915.0, "modulation": {"kind": "css", "spreading_factor": 11}},
}


@pytest.mark.parametrize("frequency_mhz", [433.92, 868.3, 915.0])
def test_half_a_kilometre_across_a_yard_closes_with_ample_margin_on_ordinary_whips(
    frequency_mhz: float, tmp_path: Path
) -> None:
    link = check(
        tmp_path,
        sites.profile(500.0, uneven),
        tank=WHIP | {"antenna_height_m": 2.0},
        shed=WHIP | {"antenna_height_m": 4.0},
        link={"frequency_mhz": frequency_mhz},
    )
    assert link.verdict == "closes"
    assert all(d.fade_margin_db > 30.0 for d in link.directions)
    assert all(d.site_share > 0.95 for d in link.directions)
    assert {a.kind for a in link.advice} == {"measure"}


def test_a_shed_and_a_tank_in_the_yard_do_not_stop_it(tmp_path: Path) -> None:
    yard = sites.profile(
        500.0, uneven, ((120.0, 135.0, 5.0, "building"), (400.0, 406.0, 4.0, "tank")), points=201
    )
    ends: dict[str, Any] = {
        "tank": WHIP | {"antenna_height_m": 2.0},
        "shed": WHIP | {"antenna_height_m": 4.0},
    }
    link = check(tmp_path, yard, **ends)
    assert link.path.regime == "obstructed"
    assert link.verdict == "at_risk"
    assert all(d.delivery_probability > 0.9 for d in link.directions)
    slower = {"kind": "css", "spreading_factor": 11}
    assert check(tmp_path, yard, **ends, link={"tries": 3, "modulation": slower}).verdict == "closes"


def test_eight_kilometres_of_true_line_of_sight_close_at_a_watt_and_a_high_spreading_factor(
    tmp_path: Path,
) -> None:
    link = check(tmp_path, sites.profile(8000.0, valley, points=201), **EIGHT_KM)
    assert link.path.regime == "clear"
    assert link.verdict == "closes"
    assert all(d.fade_margin_db > 40.0 for d in link.directions)


def test_a_big_ridge_in_the_same_path_stops_it(tmp_path: Path) -> None:
    sight = check(tmp_path, sites.profile(8000.0, valley, points=201), **EIGHT_KM)
    link = check(tmp_path, sites.profile(8000.0, valley_with_ridge, points=201), **EIGHT_KM)
    assert link.path.regime == "obstructed"
    assert link.verdict != "closes"
    lost = sight.directions[0].fade_margin_db - link.directions[0].fade_margin_db
    assert lost > 30.0
    assert all(d.limited_by.startswith("line of sight blocked by terrain, 4.0") for d in link.directions)


def test_two_hundred_metres_on_the_ground_at_low_power_are_worse_than_free_space_by_far(
    tmp_path: Path,
) -> None:
    """A thread tells of -118 dBm at 200 m on the ground with 20 dBm and a spiral antenna, where free space
    says about -58: antennas on the ground lose tens of decibels (the rest was the antenna)."""
    low = {"antenna_height_m": 0.1, "transmit_power_dbm": 20.0, "antenna": {"gain_dbi": -5.0}}
    link = check(tmp_path, sites.profile(200.0, uneven), tank=low, shed=low, link={"frequency_mhz": 433.0})
    terms = {t.name: t.value_db for t in link.directions[0].terms}
    assert terms["ground and terrain"] < -20.0
    assert link.directions[0].received_power_dbm < -80.0


def test_a_summer_wood_costs_more_than_a_winter_one() -> None:
    """836 MHz over trees: some 10 dB worse in full leaf (measurements of 1971); here through them."""
    wood = sites.profile(1200.0, 100.0, ((0.0, 1200.0, 14.0, "trees"),))
    margins = [
        sites.case(wood, link={"frequency_mhz": 836.0}, conditions={"leaf": leaf, "wet_foliage": wet})
        .budget()
        .fade_margin_db
        for leaf, wet in (("out_of_leaf", False), ("in_leaf", True))
    ]
    assert 3.0 < margins[0] - margins[1] < 25.0


def test_twenty_decibels_of_margin_on_an_unmeasured_path_are_worth_about_95_percent(tmp_path: Path) -> None:
    """With 12 dB of model error 20 dB are a 95 % chance that the median closes, before any fading."""
    path = sites.profile(3000.0, sites.ridge(30.0, 1300.0, 250.0), points=61)
    first = sites.case(path).budget().fade_margin_db
    conditions = {"model_error_db": 12.0}
    link = check(
        tmp_path,
        path,
        tank={"transmit_power_dbm": round(14.0 + 20.0 - first, 6)},
        link={"channel_busy_percent": 0.0},
        conditions=conditions,
    )
    there = link.directions[0]
    assert there.fade_margin_db == pytest.approx(20.0, abs=1e-3)
    assert 0.88 < there.delivery_probability < 0.95  # fading on top
    assert there.delivery_probability_after_reading > 0.98


def test_a_hidden_tank_needs_a_relay_or_a_mast_not_a_setting(tmp_path: Path) -> None:
    hidden = sites.profile(6000.0, sites.ridge(250.0, 2900.0, 700.0), points=121)
    link = check(tmp_path, hidden, link={"required_success": 0.9, "confidence": 0.8, "tries": 3})
    assert link.verdict == "does_not_close"
    assert [a.kind for a in link.advice if a.sufficient] == ["relay"]


# Usual links, as a practitioner would call them: common practice, no source. 868 MHz, SF9 at 125 kHz, three tries,
# 14 dBm into half-wave dipoles, nothing said of what surrounds the antennas, unless a row says otherwise.

FARM = {"tank": {"antenna_height_m": 2.5}, "shed": {"antenna_height_m": 2.5}}
WATT: dict[str, Any] = {"transmit_power_dbm": 30.0}


def farm(length_m: float) -> Profile:
    return sites.profile(length_m, uneven, points=401)


def hill(height_m: float, length_m: float) -> Profile:
    return sites.profile(length_m, sites.ridge(height_m, 0.45 * length_m, 0.1 * length_m), points=301)


def wood(start_m: float, end_m: float, length_m: float) -> Profile:
    return sites.profile(length_m, 100.0, ((start_m, end_m, 14.0, "trees"),), points=501)


USUAL: dict[str, tuple[Profile, dict[str, Any], str]] = {
    "flat farm, 500 m, 2.5 m and 2.5 m": (farm(500.0), FARM, "closes"),
    "flat farm, 1 km, 2.5 m and 2.5 m": (farm(1000.0), FARM, "closes"),
    "flat farm, 2 km, 2.5 m and 2.5 m": (farm(2000.0), FARM, "at_risk"),
    "flat farm, 4 km, 2.5 m and 2.5 m": (farm(4000.0), FARM, "at_risk"),
    "flat farm, 8 km, 2.5 m and 2.5 m": (farm(8000.0), FARM, "does_not_close"),
    "flat farm, 500 m, 3 m and 6 m": (farm(500.0), {}, "closes"),
    "flat farm, 1 km, 3 m and 6 m": (farm(1000.0), {}, "closes"),
    "flat farm, 2 km, 3 m and 6 m": (farm(2000.0), {}, "closes"),
    "flat farm, 4 km, 3 m and 6 m": (farm(4000.0), {}, "closes"),
    "flat farm, 8 km, 3 m and 6 m": (farm(8000.0), {}, "at_risk"),
    "across a valley in clear sight, 8 km at 1 W": (
        sites.profile(8000.0, valley, points=201),
        EIGHT_KM,
        "closes",
    ),
    "a yard, 500 m at 14 dBm, one try": (farm(500.0), {"link": {"tries": 1}}, "closes"),
    "over a rise of 10 m, 2 km at 1 W": (hill(10.0, 2000.0), {"tank": WATT, "shed": WATT}, "closes"),
    "over a hill of 30 m, 3 km": (hill(30.0, 3000.0), {}, "at_risk"),
    "over a hill of 80 m, 5 km": (hill(80.0, 5000.0), {}, "does_not_close"),
    "a shelter belt of 30 m on 1 km": (wood(485.0, 515.0, 1000.0), {}, "closes"),
    "a wood of 800 m on 1 km": (wood(100.0, 900.0, 1000.0), {}, "at_risk"),
    "1.5 km within a wood": (
        wood(0.0, 1500.0, 1500.0),
        {"tank": {"surroundings": "woodland"}, "shed": {"surroundings": "woodland"}},
        "does_not_close",
    ),
    "the edge of a town, 1 km": (farm(1000.0), {"shed": {"surroundings": "urban"}}, "closes"),
    "into a town, 4 km": (
        farm(4000.0),
        {"shed": {"surroundings": "urban", "antenna_height_m": 4.0}},
        "at_risk",
    ),
}


@pytest.mark.parametrize("name", USUAL)
def test_a_usual_link_is_called_what_a_practitioner_calls_it(name: str) -> None:
    path, changes, word = USUAL[name]
    changes = changes | {"link": {"tries": 3} | changes.get("link", {})}
    found = [d.verdict for d in judge_link(sites.case(path, **changes), second_opinions=False)[1]]
    assert min(found, key=["does_not_close", "at_risk", "closes"].index) == word


def test_farther_over_the_farm_is_never_surer() -> None:
    shares = [
        judge_link(sites.case(farm(d), **FARM), second_opinions=False)[1][0].site_share
        for d in (500.0, 1000.0, 2000.0, 4000.0, 8000.0)
    ]
    assert shares == sorted(shares, reverse=True)


def test_the_table_of_usual_links_is_todays_and_contradicts_nobody() -> None:
    from tests.validation import usual

    text, wrong = usual.table()
    assert not wrong
    page = (Path(__file__).parents[1] / "docs" / "usual.md").read_text(encoding="utf-8")
    assert text in page, "run: python -m tests.validation usual --page docs/usual.md"
    assert len(usual.usual_links()) == 15

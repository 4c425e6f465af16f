"""The verdict: what is asked, what limits, what is said."""

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.link_case import LinkCase
from linkcalc.plan import load_plan
from linkcalc.requirement import Requirement
from linkcalc.result import Direction, LinkResult
from linkcalc.terrain.profile import Profile
from linkcalc.verdict import check_link, check_plan, judge
from tests import sites

QUICK = sites.profile(2000.0, sites.ridge(20.0, 900.0, 150.0), points=41)
"""A blocked path, which is soon computed."""


def check(case: LinkCase, folder: Path, **changes: Any) -> LinkResult:
    return check_plan(load_plan(sites.plan_file(folder, case))).links[0]


# Both directions


def strong(power_dbm: float, **more: Any) -> dict[str, Any]:
    return {"transmit_power_dbm": power_dbm, "antenna_height_m": 12.0, **more}


def test_the_verdict_and_the_share_of_sites_beside_it_never_contradict_each_other() -> None:
    words = set()
    for power in np.linspace(-20.0, 30.0, 11):
        case = sites.case(
            QUICK, tank={"transmit_power_dbm": float(power)}, link={"required_success": 0.9, "tries": 2}
        )
        there = judge(case)[1][0]
        words.add(there.verdict)
        assert (there.verdict == "closes") == (there.site_share >= 0.9)
        assert (there.verdict == "closes") == (there.fade_margin_db >= there.required_margin_db)
        assert (there.verdict == "does_not_close") == (
            Requirement.of(case.link).least_db(
                float(np.sqrt(sum(x.sigma_db**2 for x in there.uncertainty if x.kind == "conditions"))),
                there.rician_k_db,
            )
            > there.fade_margin_db
        )
    assert words == {"closes", "at_risk", "does_not_close"}


def test_a_stated_margin_must_be_met_besides() -> None:
    margin_db = sites.case(QUICK, tank=strong(30.0), shed=strong(30.0)).weaker_margin_db
    met, missed = (
        judge(sites.case(QUICK, tank=strong(30.0), shed=strong(30.0), link={"required_margin_db": asked}))[1][
            0
        ]
        for asked in (margin_db - 0.1, margin_db + 0.1)
    )
    assert (met.verdict, missed.verdict) == ("closes", "at_risk")
    assert missed.required_margin_db == pytest.approx(margin_db + 0.1)


def test_the_weaker_direction_decides(tmp_path: Path) -> None:
    deaf = sites.case(QUICK, tank=strong(25.0), shed=strong(25.0, noise_rise_db=30.0))
    result = check(deaf, tmp_path)
    assert [d.verdict for d in result.directions] == ["at_risk", "closes"]
    assert result.verdict == "at_risk"
    assert "tank to shed" in result.headline


def test_a_direction_below_sensitivity_is_not_hidden_by_one_that_lacks_more_of_a_higher_wish() -> None:
    """With noise that comes and goes, a success asks more margin of one direction than of the other."""

    def at(tank_dbm: float, shed_dbm: float) -> LinkCase:
        return sites.case(
            sites.profile(8000.0),
            tank={"noise_environment": "none", "transmit_power_dbm": tank_dbm},
            shed={"noise_environment": "city", "transmit_power_dbm": shed_dbm},
            link={"frequency_mhz": 60.0, "required_success": 0.999},
            conditions={"model_error_db": 0.0, "antenna_gain_error_db": 0.0, "height_error_m": 0.0},
        )

    base = at(0.0, 0.0)
    case = at(2.0 - base.budget().fade_margin_db, -1.0 - base.budget(back=True).fade_margin_db)
    there, back = judge(case)[1]
    assert (there.verdict, back.verdict) == ("at_risk", "does_not_close")
    assert there.required_margin_db - there.fade_margin_db > back.required_margin_db - back.fade_margin_db
    assert check_link(case).verdict == "does_not_close"


# What limits


def limited(case: LinkCase) -> list[str]:
    return [d.limited_by for d in judge(case)[1]]


def elevated(path: Profile | None = None, **changes: Any) -> LinkCase:
    """Masts of 14 m, 400 m apart, that nothing surrounds: free space but for what is changed."""
    mast = {"antenna_height_m": 14.0, "surroundings": "none"}
    ends = {end: mast | changes.pop(end, {}) for end in ("tank", "shed")}
    return sites.case(path or sites.profile(400.0, points=41), **ends, **changes)


@pytest.mark.parametrize(
    ("case", "words"),
    [
        (
            elevated(sites.profile(2000.0, sites.ridge(60.0, 900.0, 150.0))),
            "ground in the ray, 0.90 km from tank",
        ),
        (
            elevated(sites.profile(2000.0, 100.0, ((1200.0, 1240.0, 40.0, "building"),))),
            "building in the ray, 1.2",
        ),
        (
            elevated(sites.profile(2000.0, 100.0, ((1195.0, 1205.0, 10.0, "building"),), points=401)),
            "building in the first Fresnel zone, 1.2",
        ),
        (elevated(conditions={"woodland_depth_m": 400.0}), "trees in the path (400 m)"),
        (
            elevated(sites.profile(1000.0), tank={"antenna_height_m": 2.0}, shed={"antenna_height_m": 6.0}),
            "ground close under the ray: the antennas are low",
        ),
        (sites.case(sites.profile(600.0)), "what surrounds the low antenna of tank"),
        (
            elevated(shed={"antenna_height_m": 3.0, "surroundings": "urban"}),
            "what surrounds the low antenna of shed",
        ),
        (elevated(tank={"building": "thermally_efficient"}), "building entry, tank"),
        (elevated(shed={"antenna": {"polarisation": "horizontal"}}), "polarisation mismatch"),
        (
            elevated(
                tank={
                    "latitude_deg": -40.0,
                    "longitude_deg": -20.0,
                    "antenna": {"type": "yagi", "azimuth_deg": 270.0},
                },
                shed={"latitude_deg": -40.0, "longitude_deg": -19.976},
            ),
            "off the beam, tank",
        ),
        (elevated(shed={"feeder": {"type": "rg58", "length_m": 40.0}}), "feeder of shed"),
        (
            elevated(tank={"extra_loss": [{"loss_db": 18.0, "reason": "antenna inside the metal shed"}]}),
            "antenna inside the metal shed (tank)",
        ),
        (elevated(), "distance"),
    ],
)
def test_what_limits_a_link_is_named(case: LinkCase, words: str) -> None:
    assert all(named.startswith(words) for named in limited(case)), limited(case)


def test_a_loss_of_less_than_three_decibels_limits_nothing() -> None:
    for loss_db, words in ((2.9, "distance"), (3.1, "reason (tank)")):
        case = elevated(tank={"extra_loss": [{"loss_db": loss_db, "reason": "reason"}]})
        assert limited(case)[0].startswith(words)


def test_an_engine_limits_only_the_end_that_hears_it() -> None:
    assert limited(elevated(shed={"noise_rise_db": 25.0}))[0] == "noise at shed while the engine runs"
    assert "noise" not in limited(elevated(shed={"noise_rise_db": 25.0}))[1]


def test_a_weak_transmitter_limits_the_way_it_sends() -> None:
    there, back = limited(elevated(tank={"transmit_power_dbm": 0.0}, shed={"transmit_power_dbm": 27.0}))
    assert there == "transmit power of tank"
    assert "power" not in back


def test_city_noise_limits_a_link_of_low_frequency() -> None:
    case = elevated(
        sites.profile(3000.0, sites.ridge(-30.0, 1500.0, 900.0)),
        link={"frequency_mhz": 60.0},
        shed={"noise_environment": "city"},
    )
    assert limited(case)[0] == "radio noise around shed"


REMEDIES: dict[str, dict[str, dict[str, Any]]] = {
    "noise at shed while the engine runs": {"shed": {"noise_rise_db": 0.0}},
    "trees in the path": {"conditions": {"woodland_depth_m": 0.0}},
    "building entry, tank": {"tank": {"building": "none"}},
    "feeder of shed": {"shed": {"feeder": {}}},
    "polarisation mismatch": {"tank": {"antenna": {}}},
    "reason": {"tank": {"extra_loss": []}},
    "what surrounds the low antenna of shed": {"shed": {"surroundings": "none"}},
}


@settings(max_examples=25, deadline=None)
@given(
    rise_db=st.floats(0.0, 25.0),
    depth_m=st.floats(1.0, 300.0),
    cable_m=st.floats(1.0, 60.0),
    loss_db=st.floats(0.0, 25.0),
    crossed=st.booleans(),
    building=st.sampled_from(["none", "traditional"]),
    surroundings=st.sampled_from(["none", "urban"]),
)
def test_the_thing_named_is_the_one_whose_removal_helps_most(
    rise_db: float,
    depth_m: float,
    cable_m: float,
    loss_db: float,
    crossed: bool,
    building: str,
    surroundings: str,
) -> None:
    parts: dict[str, dict[str, Any]] = {
        "tank": {
            "building": building,
            "surroundings": "none",
            "extra_loss": [{"loss_db": loss_db, "reason": "reason"}],
            "antenna": {"polarisation": "horizontal" if crossed else "vertical"},
        },
        "shed": {
            "noise_rise_db": rise_db,
            "feeder": {"type": "rg58", "length_m": cable_m},
            "surroundings": surroundings,
        },
        "conditions": {"woodland_depth_m": depth_m},
    }
    case = sites.case(sites.profile(700.0, points=41), **parts)
    named = judge(case)[1][0].limited_by
    before_db = case.budget().fade_margin_db

    def gained_db(remedy: dict[str, dict[str, Any]]) -> float:
        mended = {key: values | remedy.get(key, {}) for key, values in parts.items()}
        return sites.case(case.profile, **mended).budget().fade_margin_db - before_db

    gains = {words: gained_db(remedy) for words, remedy in REMEDIES.items()}
    best_db = max(gains.values())
    own = next((gain for words, gain in gains.items() if named.startswith(words)), None)
    if own is None:  # the ground, or the distance: worth more than any remedy, or nothing is worth 3 dB
        ground_db = float(case.losses.ground_db[0])
        assert best_db <= max(ground_db, 3.0) + 0.5
    else:
        assert own >= best_db - 0.5


# What is said


def test_the_headline_answers_first() -> None:
    closes = check_link(sites.case(QUICK, tank=strong(30.0), shed=strong(30.0))).headline
    risk = check_link(sites.case(QUICK, link={"required_margin_db": 55.0})).headline
    weak = {"transmit_power_dbm": -30.0}
    fails = check_link(sites.case(QUICK, tank=weak, shed=weak)).headline
    margin = f"{sites.case(QUICK).weaker_margin_db:.1f} dB"
    assert re.match(
        r"Closes: [\d.]+ dB of fade margin .*, [\d.]+ dB required; works at (9\d|more than 99) such sites",
        closes,
    )
    assert risk.startswith(f"At risk: {margin}")
    assert "short of the 55.0 dB required" in risk
    assert re.search(
        r"works at \d+ such sites in 100; where it does, [\d.m].* % of the messages arrive\.", risk
    )
    assert fails.startswith("Does not close: -")
    assert "fewer than 1 such sites in 100" in fails


@pytest.mark.parametrize(("power_dbm", "word"), [(30.0, "At risk: "), (-30.0, "Does not close: ")])
def test_what_other_users_spoil_is_said_and_no_margin_mends_it(power_dbm: float, word: str) -> None:
    end = strong(power_dbm)
    result = check_link(sites.case(QUICK, tank=end, shed=end, link={"channel_busy_percent": 20.0}))
    assert result.headline.startswith(word)
    assert result.verdict == {"At risk: ": "at_risk", "Does not close: ": "does_not_close"}[word]
    assert "other users of the channel" in result.headline
    assert any("more tries do" in w for w in result.warnings)
    mended = check_link(
        sites.case(QUICK, tank=end, shed=end, link={"channel_busy_percent": 20.0, "tries": 3})
    )
    assert not any("more tries do" in w for w in mended.warnings)
    assert (mended.verdict == "closes") == (power_dbm > 0.0)


def test_chance_and_rate_are_told_apart() -> None:
    """Share of such sites that work, and share of the messages that arrive at the middle one of those."""
    for power_dbm in (-10.0, 0.0, 14.0, 30.0):
        d = judge(sites.case(QUICK, tank={"transmit_power_dbm": power_dbm}, link={"tries": 3}))[1][0]
        assert d.success_where_it_works >= 0.99
        assert d.success_where_it_works >= d.delivery_probability - 1e-9
        assert d.site_share <= 1.0


NULL = sites.profile(400.0, points=81)


def test_a_null_of_the_ground_is_a_warning_with_the_height_that_avoids_it() -> None:
    """Nothing of it is in the margin: free space. Two rays cancel where 2 h1 h2 / d is whole wavelengths:
    12 x h2 = 0.34538 x 200 n, h2 = 5.76 m, 11.5 m."""
    case = elevated(NULL, tank={"antenna_height_m": 12.0}, shed={"antenna_height_m": 11.5})
    assert case.losses.ground_db[0] == 0.0
    told = [w for w in check_link(case).warnings if "nearly cancel" in w]
    assert len(told) == 1
    height_m = float(re.search(r"([\d.]+) m at shed avoids it", told[0])[1])  # type: ignore[index]
    assert abs(height_m - 11.5) >= 0.5
    moved = elevated(NULL, tank={"antenna_height_m": 12.0}, shed={"antenna_height_m": height_m})
    assert not [w for w in check_link(moved).warnings if "nearly cancel" in w]


def test_the_margin_over_height_holds_the_height_of_the_plan() -> None:
    case = sites.case(sites.profile(1200.0, points=31), tank={"transmit_power_dbm": 10.0})
    drawing = check_link(case).drawing
    at = int(np.flatnonzero(drawing.height_sweep_m == case.far.antenna_height_m)[0])
    assert drawing.margin_sweep_db[at] == pytest.approx(case.weaker_margin_db, abs=1e-9)
    assert (np.diff(drawing.height_sweep_m) > 0.0).all()


@pytest.mark.filterwarnings("ignore:ground classes are given below 1 GHz")
@pytest.mark.parametrize("frequency_mhz", [868.0, 2450.0, 5800.0])
def test_the_lobes_over_height_are_drawn_where_theory_has_them(frequency_mhz: float) -> None:
    """Nulls where the mirrored ray is longer by whole wavelengths (textbook plane earth, image of the antenna):
    sampled more coarsely they would be a saw-tooth of other heights."""
    case = elevated(NULL, tank={"antenna_height_m": 12.0}, link={"frequency_mhz": frequency_mhz})
    drawing = check_link(case).drawing
    heights, lobes = drawing.height_sweep_m, drawing.margin_sweep_raw_db
    found = heights[1:-1][(np.diff(lobes)[:-1] < 0.0) & (np.diff(lobes)[1:] > 0.0)]
    wavelength_m = 299.792458 / frequency_mhz
    apart_m = wavelength_m * 400.0 / (2.0 * 12.0)
    longer_m = np.hypot(400.0, heights + 12.0) - np.hypot(400.0, heights - 12.0)
    expected = np.interp(wavelength_m * np.arange(1, int(longer_m[-1] / wavelength_m) + 1), longer_m, heights)
    expected = expected[(expected > heights[0]) & (expected < heights[-1] - 0.1 * apart_m)]
    found = found[found < heights[-1] - 0.1 * apart_m]
    assert len(found) == len(expected) >= 2
    np.testing.assert_allclose(found, expected, atol=0.06 * apart_m)
    # no peak of them is in the margin, which only the longer ray lessens
    assert (np.diff(drawing.margin_sweep_db) >= -0.01).all()


def test_the_drawing_shows_the_ray_over_what_it_sees() -> None:
    drawing = check_link(sites.case(sites.profile(8000.0, sites.ridge(10.0, 3000.0, 500.0)))).drawing
    surface = drawing.ground_m + drawing.clutter_m + drawing.bulge_m
    inside = slice(1, -1)
    ratio = (drawing.ray_m - surface)[inside] / drawing.fresnel_radius_m[inside]
    np.testing.assert_allclose(ratio, drawing.clearance_ratio[inside], atol=1e-9)


def test_low_k_never_clears_more() -> None:
    facts = judge(sites.case(sites.profile(9000.0)))[0]
    assert facts.low_k_factor < facts.k_factor
    assert facts.worst_clearance_low_k_ratio <= facts.worst_clearance_ratio


def test_leaving_a_models_range_is_told_with_the_plan_own_figure(tmp_path: Path) -> None:
    case = sites.case(sites.profile(5000.0, sites.ridge(30.0, 2000.0, 200.0)), tank={"antenna_height_m": 0.5})
    told = check(case, tmp_path).warnings
    assert any("P.1812" in w and "0.5 m" in w for w in told)
    assert not any("1 m is" in w for w in told), "heights only tried are not told of"


def test_extrapolated_noise_is_told() -> None:
    assert any(
        "man-made noise (rural) is extrapolated to 868 MHz" in w
        for w in check_link(sites.case(QUICK)).warnings
    )
    quiet = {"noise_environment": "none"}
    assert not check_link(sites.case(QUICK, tank=quiet, shed=quiet)).warnings


# Surveyed profiles and positions


def placed(length_m: float, *, latitude: float = -40.0) -> dict[str, dict[str, float]]:
    degrees = length_m / (111_320.0 * np.cos(np.radians(latitude)))
    return {
        "tank": {"latitude_deg": latitude, "longitude_deg": -20.0},
        "shed": {"latitude_deg": latitude, "longitude_deg": float(-20.0 + degrees)},
    }


def test_a_survey_that_contradicts_the_positions_is_told(tmp_path: Path) -> None:
    fits, not_ = (sites.case(QUICK, **placed(d)) for d in (2010.0, 3000.0))
    assert not any("one of the two is wrong" in w for w in check(fits, tmp_path).warnings)
    told = [w for w in check(not_, tmp_path).warnings if "one of the two is wrong" in w]
    assert len(told) == 1
    assert "2000 m" in told[0]


def test_a_surveyed_path_takes_its_season_from_its_stations(tmp_path: Path) -> None:
    july = {"conditions": {"month": 7}}
    k = [
        check(sites.case(QUICK, **placed(2000.0, latitude=latitude), **july), tmp_path).path.k_factor
        for latitude in (45.0, -45.0)
    ]
    assert k[0] > k[1]
    assert any("northern half" in w for w in check(sites.case(QUICK, **july), tmp_path).warnings), (
        "without positions there is a guess to tell of"
    )


def test_a_path_without_positions_has_no_bearing(tmp_path: Path) -> None:
    assert np.isnan(check(sites.case(QUICK), tmp_path).path.azimuth_deg)
    assert check(sites.case(QUICK, **placed(2000.0)), tmp_path).path.azimuth_deg == pytest.approx(
        90.0, abs=0.1
    )


def test_the_same_plan_gives_the_same_answer(tmp_path: Path) -> None:
    file = sites.plan_file(tmp_path, sites.case(sites.profile(3000.0, sites.ridge(20.0, 900.0, 200.0))))
    one, other = (check_plan(load_plan(file)).links[0] for _ in range(2))
    assert one.directions == other.directions
    assert one.advice == other.advice
    assert one.warnings == other.warnings


def test_a_result_holds_both_directions_of_every_link(tmp_path: Path) -> None:
    first = sites.case(QUICK)
    second = replace(
        sites.case(QUICK, link={"name": "second", "to": "pump"}),
        far=first.far.model_copy(update={"name": "pump"}),
    )
    result = check_plan(load_plan(sites.plan_file(tmp_path, first, second)))
    assert [k.name for k in result.links] == ["level", "second"]
    ends: list[tuple[str, str]] = [(d.from_, d.to) for k in result.links for d in k.directions]
    assert ends == [("tank", "shed"), ("shed", "tank"), ("tank", "pump"), ("pump", "tank")]
    assert all(isinstance(d, Direction) for k in result.links for d in k.directions)
    assert result.cautions
    assert "emergency stop" in result.cautions[0]

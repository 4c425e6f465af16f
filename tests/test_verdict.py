"""The verdict: what is asked, what limits, what is said."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from linkcalc.errors import TerrainError
from linkcalc.files import sample_path
from linkcalc.link.case import ENDS, LinkCase
from linkcalc.link.decision import judge_link
from linkcalc.link.losses import SHARED
from linkcalc.link.models import two_ray_db
from linkcalc.link.notes import DEEP_NULL_DB
from linkcalc.link.on_ground import cases, open_terrain
from linkcalc.link.reliability import mean_success
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import Direction, LinkResult
from linkcalc.link.traffic import Sent
from linkcalc.link.verdict import check_link, check_plan
from linkcalc.plan import Station, load_plan
from linkcalc.plan.power import Regulation
from linkcalc.plan.stations import position_deg
from linkcalc.terrain.profile import Profile
from linkcalc.views.link_words import messages_percent, out_of_100
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
        there = judge_link(case)[1][0]
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
        judge_link(
            sites.case(QUICK, tank=strong(30.0), shed=strong(30.0), link={"required_margin_db": asked})
        )[1][0]
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
    case = at(2.0 - base.budget().fade_margin_db, -1.0 - base.budget("return").fade_margin_db)
    there, back = judge_link(case)[1]
    assert (there.verdict, back.verdict) == ("at_risk", "does_not_close")
    assert there.required_margin_db - there.fade_margin_db > back.required_margin_db - back.fade_margin_db
    assert check_link(case).verdict == "does_not_close"


def test_of_two_that_are_at_risk_the_one_with_less_to_spare_is_told_of() -> None:
    """The shed hears a city and so is asked for more than the tank: more margin may be less to spare."""

    def at(power_dbm: float) -> LinkCase:
        return sites.case(
            sites.profile(8000.0),
            tank={"noise_environment": "none", "transmit_power_dbm": power_dbm},
            shed={"noise_environment": "city"},
            link={"frequency_mhz": 60.0, "required_success": 0.999, "channel_busy_percent": 0.0},
            conditions={"model_error_db": 0.0, "antenna_gain_error_db": 0.0, "height_error_m": 0.0},
        )

    there, back = judge_link(at(14.0))[1]
    more_db = there.required_margin_db - back.required_margin_db
    assert more_db > 2.0
    # both short of what is asked, the city's by one decibel more, though its margin is the higher one
    level_db = 14.0 + back.fade_margin_db - there.fade_margin_db
    case = at(level_db + more_db - 1.0)
    case = replace(
        case,
        **{
            end: case.station(end).model_copy(
                update={
                    "transmit_power_dbm": case.station(end).transmit_power_dbm
                    - back.fade_margin_db
                    + back.required_margin_db
                    - 1.0
                }
            )
            for end in ("near", "far")
        },
    )
    there, back = judge_link(case)[1]
    assert (there.verdict, back.verdict) == ("at_risk", "at_risk")
    assert there.fade_margin_db > back.fade_margin_db
    headline = check_link(case).headline
    assert f"{there.fade_margin_db:.1f} dB of fade margin from tank to shed" in headline
    assert "2.0 dB short of" in headline


# What a direction says, by hand


def test_the_interval_is_that_of_nine_sites_in_ten() -> None:
    """1.645 standard deviations either way of what is fixed at a site and unknown."""
    d = judge_link(sites.case(QUICK, shed={"noise_environment": "city"}))[1][0]
    site_db = sum(x.sigma_db**2 for x in d.uncertainty if x.kind == "site") ** 0.5
    assert site_db > 5.0
    assert d.fade_margin_interval_db == pytest.approx(
        (d.fade_margin_db - 1.645 * site_db, d.fade_margin_db + 1.645 * site_db), abs=0.01
    )


@pytest.mark.parametrize("power_dbm", [-10.0, 5.0, 14.0])
def test_each_probability_is_the_mean_over_what_it_says(power_dbm: float) -> None:
    """Tries, sites and the year by hand: one try; the worst tenth of the year, 1.2816 standard deviations down;
    the middle one of the sites that work, which is half of their share from the best."""
    case = sites.case(
        QUICK,
        tank={"transmit_power_dbm": power_dbm},
        link={"tries": 3},
        conditions={"year_share_percent": 90.0},
    )
    d = judge_link(case)[1][0]
    spread = {
        kind: sum(x.sigma_db**2 for x in d.uncertainty if x.kind == kind) ** 0.5
        for kind in ("site", "conditions")
    }
    site_db, year_db = spread["site"], spread["conditions"]
    margin_db, k_db = d.fade_margin_db, d.rician_k_db
    assert d.year_share_percent == 90.0

    def success(margin: float, sigma: float, tries: int = 3) -> float:
        return float(mean_success(margin, sigma, k_db, tries=tries, busy=0.01))

    whole_db = (site_db**2 + year_db**2) ** 0.5
    assert d.delivery_probability == pytest.approx(success(margin_db, whole_db), abs=1e-6)
    assert d.delivery_probability_single == pytest.approx(success(margin_db, whole_db, tries=1), abs=1e-6)
    assert d.delivery_probability_year_share == pytest.approx(
        success(margin_db - 1.2816 * year_db, site_db), abs=1e-4
    )
    from_the_best = float(norm.isf(d.site_share / 2.0))
    assert d.success_where_it_works == pytest.approx(
        max(success(margin_db + from_the_best * site_db, year_db), 0.99), abs=1e-6
    )


# What limits


def limited(case: LinkCase) -> list[str]:
    return [d.limited_by for d in judge_link(case)[1]]


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
            "line of sight blocked by terrain, 0.90 km from tank",
        ),
        (
            elevated(sites.profile(2000.0, 100.0, ((1200.0, 1240.0, 40.0, "building"),))),
            "line of sight blocked by building, 1.2",
        ),
        (
            elevated(sites.profile(2000.0, 100.0, ((1195.0, 1205.0, 10.0, "building"),), points=401)),
            "building in the first Fresnel zone, 1.2",
        ),
        (elevated(conditions={"woodland_depth_m": 400.0}), "trees in the path (400 m)"),
        (
            elevated(sites.profile(1000.0), tank={"antenna_height_m": 2.0}, shed={"antenna_height_m": 6.0}),
            "ground close below the ray: the antennas are low",
        ),
        (sites.case(sites.profile(600.0)), "surroundings of the low antenna at tank"),
        (
            elevated(shed={"antenna_height_m": 3.0, "surroundings": "urban"}),
            "surroundings of the low antenna at shed",
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


def test_two_losses_of_one_reason_count_together() -> None:
    two = [{"loss_db": 2.0, "reason": "reason"}, {"loss_db": 1.5, "reason": "reason"}]
    assert limited(elevated(tank={"extra_loss": two}))[0] == "reason (tank)"
    assert limited(elevated(tank={"extra_loss": two[:1]}))[0].startswith("distance")


@pytest.mark.parametrize("depth_m", [5.0, 12.0])
def test_what_trees_would_take_anyway_is_not_laid_to_the_surroundings(depth_m: float) -> None:
    """Surroundings beyond the installation's 1.5 dB govern, and trees add a quarter of their own. Without the
    surroundings the trees would count in full: the gain is what is beyond 1.5 dB, less 3/4 of the trees."""
    low = {"antenna_height_m": 3.0, "surroundings": "urban"}
    path = sites.profile(100.0)
    wooded = sites.case(
        path, tank=low, shed={"antenna_height_m": 30.0, "surroundings": "none"},
        conditions={"woodland_depth_m": depth_m},
    )  # fmt: skip
    assert not wooded.losses.trees_govern[0]
    trees_db = float(wooded.losses.vegetation_db[0])
    around_db = float(wooded.losses.near_surroundings_db[0])
    gain_db = around_db - 1.5 - 0.75 * trees_db
    assert SHARED == 0.25
    bare = wooded.with_stations({"near": wooded.near.model_copy(update={"surroundings": "none"})})
    assert gain_db == pytest.approx(wooded.budget().path_loss_db - bare.budget().path_loss_db, abs=0.01)
    for more_db, words in ((-0.1, "surroundings of the low antenna at tank"), (0.1, "reason")):
        other = [{"loss_db": round(gain_db + more_db, 3), "reason": "reason"}]
        case = wooded.with_stations(
            {
                "far": type(wooded.far).model_validate(
                    wooded.far.model_dump(exclude_unset=True) | {"extra_loss": other}
                )
            }
        )
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
    "surroundings of the low antenna at shed": {"shed": {"surroundings": "none"}},
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
    named = judge_link(case)[1][0].limited_by
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


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.0099, "fewer than 1"), (0.012, "1"), (0.5678, "56"), (0.99, "99"), (0.9901, "more than 99")],
)
def test_sites_are_counted_downwards(share: float, words: str) -> None:
    assert out_of_100(share) == words


@pytest.mark.parametrize(
    ("share", "words"), [(0.5678, "56.7 %"), (0.999, "99.9 %"), (0.9991, "more than 99.9 %")]
)
def test_messages_are_counted_downwards(share: float, words: str) -> None:
    assert messages_percent(share) == words


def test_power_over_the_limits_is_told_with_what_the_legal_one_brings() -> None:
    """25 mW ERP in 868.0-868.6 MHz: 13.98 dBm on a half-wave dipole; 20 dBm is 6.0 dB over."""
    planned = replace(
        sites.case(QUICK, tank={"transmit_power_dbm": 20.0}, link={"frequency_mhz": 868.3}),
        regulation=Regulation(region="eu"),
    )
    legal = planned.with_stations(
        {"near": planned.near.model_copy(update={"transmit_power_dbm": 13.979400086720377})}
    )
    result = check_link(planned)
    assert result.verdict == check_link(legal).verdict
    assert [d.fade_margin_db for d in result.directions] == pytest.approx(
        [d.fade_margin_db for d in judge_link(legal)[1]], abs=1e-5
    )
    assert "at the legal 14.0 dBm at tank, " in result.headline
    assert result.headline.endswith("; the planned 20 dBm is 6.0 dB over.")


@pytest.mark.parametrize(("loss_db", "word"), [(0.0, "at_risk"), (45.0, "does_not_close")])
def test_what_no_power_makes_legal_never_simply_closes(loss_db: float, word: str) -> None:
    """Messages that are on the air for longer than 36 s of an hour, over a link that would do (or would not)."""
    lossy = [{"loss_db": loss_db, "reason": "reason"}] if loss_db else []
    case = sites.case(
        sites.profile(400.0), tank=strong(14.0, extra_loss=lossy), shed=strong(14.0, extra_loss=lossy),
        link={"frequency_mhz": 868.3, "tries": 3},
    )  # fmt: skip
    lawful = check_link(case).verdict
    assert lawful == ("does_not_close" if loss_db else "closes")
    sent = tuple(Sent(None, end, end == "far", True, 12, 10.0, 3, None) for end in ENDS)
    result = check_link(replace(case, regulation=Regulation(region="eu"), sent=sent[:1]))
    assert result.verdict == word
    assert result.headline.startswith(
        {"at_risk": "At risk", "does_not_close": "Does not close"}[word] + ": over the legal limits at tank; "
    )
    assert any(w.startswith("tank: over the legal limits: ") for w in result.warnings)
    # turned down at one end, and beside it what no power mends
    loud = replace(case, near=case.near.model_copy(update={"transmit_power_dbm": 20.0}))
    both = check_link(replace(loud, regulation=Regulation(region="eu"), sent=sent[:1]))
    assert both.verdict == word
    assert "over the legal limits at tank; at the legal 14.0 dBm at tank" in both.headline


def test_a_raster_of_few_cells_is_told_of_with_what_it_hides() -> None:
    """2 km at 868 MHz: first Fresnel zone sqrt(0.3454 x 500) = 13.1 m in the middle; cells of 92 m are 7.0 of
    them: 1.1 x 7.0 / (1 + 7.0 / 22) = 5.8 dB, as measured for such cells."""
    path = sites.profile(2000.0, sites.ridge(20.0, 900.0, 150.0), points=41)
    told = check_link(sites.case(replace(path, cell_m=92.0))).warnings
    assert any("the loss may be 6 dB off" in w for w in told)
    assert not any("known every" in w for w in check_link(sites.case(replace(path, cell_m=2.0))).warnings)


def test_a_bearing_without_positions_is_told_to_be_unused() -> None:
    """And the antenna counts as turned to the other station."""
    aimed = {"antenna": {"type": "yagi", "azimuth_deg": 200.0}}
    case = sites.case(QUICK, shed=aimed)
    assert any("azimuth_deg of shed is not used" in w for w in check_link(case).warnings)
    assert not any("is not used" in w for w in check_link(sites.case(QUICK)).warnings)
    at = placed(2000.0)
    assert not any(
        "is not used" in w
        for w in check_link(sites.case(QUICK, tank=at["tank"], shed=at["shed"] | aimed)).warnings
    )


def test_a_building_is_stated_as_the_loss_that_it_is() -> None:
    """Rec. ITU-R P.2109, a traditional building at 868 MHz, median: 14.2 dB; more at a slant."""
    facts = judge_link(sites.case(QUICK, tank={"building": "traditional"}))[0]
    assert facts.building_entry_loss_db == pytest.approx(14.2, abs=0.3)
    assert judge_link(sites.case(QUICK))[0].building_entry_loss_db == 0.0


def test_chance_and_rate_are_told_apart() -> None:
    """Share of such sites that work, and share of the messages that arrive at the middle one of those."""
    for power_dbm in (-10.0, 0.0, 14.0, 30.0):
        d = judge_link(sites.case(QUICK, tank={"transmit_power_dbm": power_dbm}, link={"tries": 3}))[1][0]
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


def dip_db(case: LinkCase) -> float:
    return 0.0 if case.path.reflection is None else two_ray_db(case.path) - case.path.loss_db


def test_a_null_is_told_of_from_three_decibels_and_left_by_the_nearest_height(
    few: Callable[[int], int],
) -> None:
    """Quarters of a metre up and down, the nearest first, where half a decibel at most is left of it."""
    assert DEEP_NULL_DB == 3.0
    told = set()
    for height_m in np.arange(1.25, 13.0, 0.25)[:: 47 // few(47)]:
        case = elevated(NULL, tank={"antenna_height_m": 12.0}, shed={"antenna_height_m": float(height_m)})
        found = [w for w in check_link(case).warnings if "nearly cancel" in w]
        told.add(bool(found))
        assert bool(found) == (dip_db(case) > 3.0)
        if found:
            heights = [height_m + 0.25 * s * up for s in range(1, 13) for up in (1.0, -1.0)]
            free = [h for h in heights if h >= 1.0 and dip_db(case.with_heights(far_m=float(h))) <= 0.5]
            assert f"up to {dip_db(case):.0f} dB below" in found[0]
            named = float(re.search(r"([\d.]+) m at shed avoids it", found[0])[1])  # type: ignore[index]
            assert abs(named - height_m) == pytest.approx(abs(free[0] - height_m))
            assert named in free
    assert told == {True, False}


@pytest.mark.parametrize(("height_m", "free_m"), [(5.6, "5.1 m"), (5.65, "4.9 m")])
def test_half_a_decibel_of_a_null_may_be_left_and_no_decibel(height_m: float, free_m: str) -> None:
    """Under the null at 5.76 m in steps of a quarter: 0.48 dB are left at 5.1 m, 0.99 dB at 5.15 m, none at 4.9 m."""
    case = elevated(NULL, tank={"antenna_height_m": 12.0}, shed={"antenna_height_m": height_m})
    left_db = [dip_db(case.with_heights(far_m=m)) for m in (5.1, 5.15, 4.9)]
    assert left_db[:2] == pytest.approx([0.48, 0.99], abs=0.02)
    assert left_db[2] < 0.0
    told = next(w for w in check_link(case).warnings if "nearly cancel" in w)
    assert told.endswith(f"{free_m} at shed avoids it")


@pytest.mark.parametrize(("height_m", "top_m"), [(6.0, 15.0), (7.5, 15.0), (12.0, 24.0)])
def test_margins_are_drawn_from_half_a_metre_to_twice_the_height(height_m: float, top_m: float) -> None:
    drawing = check_link(sites.case(QUICK, shed={"antenna_height_m": height_m})).drawing
    assert drawing.height_sweep_m[0] == 0.5
    assert drawing.height_sweep_m[-1] == top_m
    assert np.diff(drawing.height_sweep_m).max() < 0.35


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
    facts = judge_link(sites.case(sites.profile(9000.0)))[0]
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


@pytest.mark.parametrize("apart_m", [4200.0, 2_000_000.0])
def test_a_survey_of_less_than_half_the_way_is_refused(tmp_path: Path, apart_m: float) -> None:
    with pytest.raises(
        TerrainError, match=r"2000 m long, but the stations' positions are .* apart: distances must"
    ):
        check(sites.case(QUICK, **placed(apart_m)), tmp_path)


def test_a_surveyed_path_takes_its_season_from_its_stations(tmp_path: Path) -> None:
    july = {"conditions": {"month": 7}}
    k = [
        check(sites.case(QUICK, **placed(2000.0, latitude=latitude), **july), tmp_path).path.k_factor
        for latitude in (45.0, -45.0)
    ]
    assert k[0] > k[1]
    assert any("northern hemisphere" in w for w in check(sites.case(QUICK, **july), tmp_path).warnings), (
        "without positions there is a guess to tell of"
    )


def test_a_path_without_positions_has_no_bearing(tmp_path: Path) -> None:
    assert np.isnan(check(sites.case(QUICK), tmp_path).path.azimuth_deg)
    assert check(sites.case(QUICK, **placed(2000.0)), tmp_path).path.azimuth_deg == pytest.approx(
        90.0, abs=0.1
    )


def test_a_survey_of_placed_stations_lies_between_them(tmp_path: Path) -> None:
    """2 km of survey along the 2010 m between the positions: its last point is where the shed stands."""
    ends = placed(2010.0)
    loaded = load_plan(sites.plan_file(tmp_path, sites.case(QUICK, **ends)))
    with open_terrain(loaded) as terrain:
        profile = next(cases(loaded, terrain)).profile
    assert profile.latitude_deg is not None
    assert profile.longitude_deg is not None
    for end, at in (("tank", 0), ("shed", -1)):
        assert profile.latitude_deg[at] == pytest.approx(ends[end]["latitude_deg"], abs=1e-5)
        assert profile.longitude_deg[at] == pytest.approx(ends[end]["longitude_deg"], abs=1e-5)
    assert profile.notes == ()


@pytest.mark.parametrize(("longer_m", "told"), [(1.028, False), (1.032, True), (0.972, False), (0.968, True)])
def test_a_survey_may_differ_by_three_percent(longer_m: float, told: bool, tmp_path: Path) -> None:
    case = sites.case(QUICK, **placed(2000.0 * longer_m))
    found = check_plan(load_plan(sites.plan_file(tmp_path, case))).links[0]
    assert any("one of the two is wrong" in w for w in found.warnings) == told


def test_one_position_alone_gives_no_bearing(tmp_path: Path) -> None:
    facts = check(sites.case(QUICK, tank=placed(2000.0)["tank"]), tmp_path).path
    assert np.isnan(facts.azimuth_deg)
    assert facts.distance_m == 2000.0


def test_a_plan_over_rasters_and_one_that_brings_its_profile_are_checked_alike(tmp_path: Path) -> None:
    loaded = load_plan(sample_path("upland"))
    with open_terrain(loaded) as terrain:
        case = next(cases(loaded, terrain))
    assert case.profile.source != "invented"
    given = replace(loaded, profiles={case.link.name: case.profile})
    one, other = check_plan(loaded).links[0], check_plan(given).links[0]
    assert one.directions == other.directions
    assert one.path.azimuth_deg == other.path.azimuth_deg
    # and a profile that is brought goes before a survey's file
    file = sites.plan_file(tmp_path, sites.case(QUICK))
    flat = replace(load_plan(file), profiles={"level": sites.profile(500.0)})
    assert check_plan(flat).links[0].path.distance_m == 500.0


def test_a_grid_position_is_the_place_that_it_names() -> None:
    """EPSG:32633, 500 000 m east is its central meridian, 15 degrees; 0 m north the equator: definition of UTM."""
    station = Station.model_validate(
        {"name": "tank", "antenna_height_m": 3.0, "easting_m": 500_000.0, "northing_m": 0.0, "epsg": 32633}
    )
    assert position_deg(station) == pytest.approx((0.0, 15.0), abs=1e-9)
    by_degrees = Station.model_validate(
        {"name": "tank", "antenna_height_m": 3.0, "latitude_deg": -40.0, "longitude_deg": -20.0}
    )
    assert position_deg(by_degrees) == (-40.0, -20.0)


def test_a_path_to_the_west_has_a_bearing_of_270_degrees(tmp_path: Path) -> None:
    ends = placed(2000.0)
    azimuth_deg = check(sites.case(QUICK, tank=ends["shed"], shed=ends["tank"]), tmp_path).path.azimuth_deg
    assert azimuth_deg == pytest.approx(270.0, abs=0.1)


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


def test_a_step_wider_than_the_rasters_cells_asks_for_more_margin_and_says_why() -> None:
    """What stands between two points is not in the profile: less is lost, and it must not count as won."""
    plan = load_plan(sample_path("wooded"))
    fine, wide = (
        check_plan(plan.changed({"terrain.step_m": step_m}), advice=False).links[0]
        for step_m in (None, 600.0)
    )
    for own, coarse in zip(fine.directions, wide.directions, strict=True):
        assert coarse.fade_margin_db > own.fade_margin_db
        assert coarse.required_margin_db > own.required_margin_db + 1.0
    assert not [line for line in fine.warnings if "the ground is known every" in line]
    assert [line for line in wide.warnings if "the ground is known every 136 m only" in line]

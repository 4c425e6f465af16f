"""What is uncertain, item by item; and that the probabilities are those of what is stated."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.link_case import LinkCase
from linkcalc.propagation import noise
from linkcalc.result import Contributor, Direction
from linkcalc.uncertainty import (
    READING_ERROR_DB,
    after_reading_db,
    combined_db,
    contributors,
    fading,
)
from linkcalc.verdict import judge
from tests import sites

SURE: dict[str, Any] = {"model_error_db": 0.0, "antenna_gain_error_db": 0.0, "height_error_m": 0.0}


def parts(case: LinkCase) -> dict[str, Contributor]:
    return {x.name: x for x in contributors(case, case.far)}


def sigma(name: str, case: LinkCase) -> float:
    found = parts(case).get(name)
    return 0.0 if found is None else found.sigma_db


# Contributors


@pytest.mark.parametrize(
    ("name", "key", "less", "more", "expected_db"),
    [
        ("path loss model", "model_error_db", 6.0, 12.0, 12.0),
        ("antenna gains", "antenna_gain_error_db", 1.0, 2.0, 2.0 * math.sqrt(2.0)),
        ("antenna heights", "height_error_m", 0.2, 0.6, None),
    ],
)
def test_a_stated_error_counts_and_none_is_gone(
    name: str, key: str, less: float, more: float, expected_db: float | None
) -> None:
    assert name not in parts(sites.case(conditions={key: 0.0}))
    small, large = (sigma(name, sites.case(conditions={key: error})) for error in (less, more))
    assert 0.0 < small < large
    if expected_db is not None:
        assert large == pytest.approx(expected_db, abs=1e-9)


def test_an_error_of_height_is_the_slope_of_the_loss_at_both_ends() -> None:
    """Plane earth loses 20 log h: 8.686 dz/h decibels for an error dz (textbook)."""
    case = sites.case(sites.profile(1500.0), conditions={"height_error_m": 0.1})
    expected_db = math.hypot(8.686 * 0.1 / 3.0, 8.686 * 0.1 / 6.0)
    assert sigma("antenna heights", case) == pytest.approx(expected_db, rel=0.1)


def test_trees_bring_their_own_uncertainty_and_season() -> None:
    winter = {"leaf": "out_of_leaf"}
    bare, wooded = sites.case(), sites.case(conditions={"woodland_depth_m": 60.0} | winter)
    assert not {"trees", "foliage over the year"} & set(parts(bare))
    found = parts(wooded)
    assert (found["trees"].kind, found["foliage over the year"].kind) == ("site", "conditions")
    deeper = sites.case(conditions={"woodland_depth_m": 200.0} | winter)
    assert sigma("foliage over the year", deeper) > sigma("foliage over the year", wooded)


def test_a_verdict_for_wet_leaf_holds_the_worst_of_the_year_already() -> None:
    """The year brings what is worse than the foliage stated; what is better is no risk."""
    swings = [
        sigma("foliage over the year", sites.case(conditions={"woodland_depth_m": 60.0, **state}))
        for state in (
            {"leaf": "in_leaf", "wet_foliage": True},
            {"leaf": "in_leaf", "wet_foliage": False},
            {"leaf": "out_of_leaf"},
        )
    ]
    assert swings[0] == 0.0 < swings[1] < swings[2]


def test_each_building_and_the_clutter_add_a_line() -> None:
    case = sites.case(
        tank={"building": "traditional"},
        shed={"building": "thermally_efficient"},
        conditions={"clutter": "urban"},
    )
    assert {"building entry, tank", "building entry, shed", "clutter"} <= set(parts(case))
    assert sigma("building entry, shed", case) > sigma("building entry, tank", case)


def test_outside_noise_varies_where_it_counts_and_an_engine_hides_it() -> None:
    """Rec. ITU-R P.372: city noise at 100 MHz, deciles 11 dB over time, 8.4 dB from place to place."""
    low = {"link": {"frequency_mhz": 100.0}}
    city = sites.case(**low, shed={"noise_environment": "city"})
    assert sigma("noise over time", city) == pytest.approx(11.0 / 1.2816, abs=0.5)
    assert sigma("noise of the place", city) == pytest.approx(8.4 / 1.28, abs=0.6)  # thermal noise hides some
    engine = sites.case(**low, shed={"noise_environment": "city", "noise_rise_db": 30.0})
    assert sigma("noise over time", engine) < 2.0
    none = sites.case(**low, shed={"noise_environment": "none"})
    assert not {"noise over time", "noise of the place"} & set(parts(none))


def test_only_the_receiving_end_hears_its_noise() -> None:
    case = sites.case(
        link={"frequency_mhz": 100.0}, tank={"noise_environment": "none"}, shed={"noise_environment": "city"}
    )
    assert {x.name for x in contributors(case, case.far)} - {
        x.name for x in contributors(case, case.near)
    } == {
        "noise over time",
        "noise of the place",
    }


def test_refraction_moves_long_paths_more_than_short_ones() -> None:
    short, long = (
        sites.case(
            sites.profile(d, sites.ridge(20.0, d / 2.0, d / 20.0)),
            tank={"antenna_height_m": 10.0},
            shed={"antenna_height_m": 10.0},
        )
        for d in (2_000.0, 30_000.0)
    )
    assert sigma("refraction over the year", short) < sigma("refraction over the year", long)
    assert "refraction over the year" not in parts(sites.case(sites.profile(200.0)))


def test_what_is_listed_is_sorted_and_worth_listing() -> None:
    found = contributors(sites.case(conditions={"woodland_depth_m": 60.0}), sites.case().far)
    sizes = [x.sigma_db for x in found]
    assert sizes == sorted(sizes, reverse=True)
    assert min(sizes) >= 0.05
    assert all(x.source for x in found)


def test_independent_parts_add_as_squares() -> None:
    made = [Contributor(str(i), s, "site", 0.0, "") for i, s in enumerate((3.0, 4.0))]
    assert combined_db(made, "site") == 5.0
    assert combined_db(made, "conditions") == 0.0


# A reading on site


def test_a_reading_leaves_its_own_error_however_much_it_measures() -> None:
    for case in (
        sites.case(),
        sites.case(conditions={"model_error_db": 0.0}, tank={"building": "traditional"}),
        sites.case(conditions={"woodland_depth_m": 60.0}),
    ):
        found = contributors(case, case.far)
        assert combined_db(found, "site") > READING_ERROR_DB
        left = math.hypot(READING_ERROR_DB, noise.UNMEASURED_PLACE_SIGMA_DB)  # the latter stays
        assert after_reading_db(found) == pytest.approx(left, abs=0.05)
        assert all(x.after_reading_db <= x.sigma_db for x in found)


def test_what_is_sure_without_a_reading_is_not_less_sure_after_it() -> None:
    case = sites.case(conditions=SURE)
    found = contributors(case, case.far)
    assert after_reading_db(found) == pytest.approx(combined_db(found, "site"), abs=1e-9)


def test_a_reading_of_the_signal_does_not_measure_the_noise() -> None:
    case = sites.case(link={"frequency_mhz": 100.0}, shed={"noise_environment": "city"})
    found = parts(case)
    assert found["noise of the place"].after_reading_db == found["noise of the place"].sigma_db
    assert after_reading_db(tuple(found.values())) > found["noise of the place"].sigma_db


def test_a_reading_does_not_stop_the_seasons() -> None:
    case = sites.case(conditions={"woodland_depth_m": 60.0, "leaf": "out_of_leaf"})
    for part in contributors(case, case.far):
        if part.kind == "conditions":
            assert part.after_reading_db == part.sigma_db


# Fading


def test_fading_is_deepest_where_no_steady_ray_arrives() -> None:
    """Common practice, no source."""
    clear = sites.case(sites.profile(500.0), tank={"antenna_height_m": 15.0}, shed={"antenna_height_m": 15.0})
    blocked = sites.case(sites.profile(2000.0, sites.ridge(30.0, 900.0, 150.0)))
    assert fading(clear) == ("rician", 10.0)
    assert fading(sites.case()) == ("rician", 5.0)
    assert fading(blocked)[0] == "rayleigh"
    assert fading(sites.case(conditions={"woodland_depth_m": 10.0}))[0] == "rayleigh"


# Probabilities


def received(
    direction: Direction, rng: np.random.Generator, draws: int, *, tries: int, site: str = "sigma_db"
) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Draw messages from the contributors that a result states, one fading per try."""
    slow_db = np.zeros(draws)
    for part in direction.uncertainty:
        slow_db += rng.normal(0.0, getattr(part, site), draws)
    k = 10.0 ** (direction.rician_k_db / 10.0)
    arrived = np.zeros(draws, dtype=bool)
    for _ in range(tries):
        scattered = rng.normal(size=draws) + 1j * rng.normal(size=draws)
        power = np.abs(np.sqrt(k) + scattered / np.sqrt(2.0)) ** 2 / (1.0 + k)
        arrived |= direction.fade_margin_db + slow_db + 10.0 * np.log10(power) >= 0.0
    return arrived


@pytest.mark.parametrize(
    ("case", "tries"),
    [
        (sites.case(tank={"transmit_power_dbm": -10.0}), 1),
        (sites.case(sites.profile(4000.0, sites.ridge(30.0, 1500.0, 300.0)), link={"tries": 3}), 3),
        (sites.case(link={"frequency_mhz": 100.0}, shed={"noise_environment": "city"}), 1),
        (sites.case(conditions={"woodland_depth_m": 250.0} | SURE, tank={"transmit_power_dbm": 4.0}), 1),
    ],
    ids=["level ground", "ridge and three tries", "noisy city", "wood alone"],
)
def test_probabilities_are_those_of_a_simulation_of_what_is_stated(case: LinkCase, tries: int) -> None:
    draws = 200_000
    for direction in judge(case)[1]:
        rng = np.random.default_rng(20)
        for stated, n, site in (
            (direction.delivery_probability_single, 1, "sigma_db"),
            (direction.delivery_probability, tries, "sigma_db"),
            (direction.delivery_probability_after_reading, tries, "after_reading_db"),
        ):
            simulated = received(direction, rng, draws, tries=n, site=site).mean()
            error = math.sqrt(max(stated * (1.0 - stated), 1e-4) / draws)
            assert stated == pytest.approx(simulated, abs=5.0 * error + 2e-4)


def test_nine_in_ten_places_lie_within_the_interval() -> None:
    direction = judge(sites.case(conditions={"woodland_depth_m": 60.0}))[1][0]
    rng = np.random.default_rng(4)
    margins_db = direction.fade_margin_db + sum(
        rng.normal(0.0, part.sigma_db, 100_000) for part in direction.uncertainty if part.kind == "site"
    )
    low, high = direction.fade_margin_interval_db
    assert ((margins_db >= low) & (margins_db <= high)).mean() == pytest.approx(0.90, abs=0.005)


def test_a_share_of_the_year_is_a_quantile_of_its_conditions() -> None:
    """Of years drawn from the stated conditions, 99 % do as well as stated, or better."""
    case = sites.case(
        conditions={"woodland_depth_m": 250.0, "leaf": "out_of_leaf", "year_share_percent": 99.0},
        tank={"transmit_power_dbm": 4.0},
    )
    direction = judge(case)[1][0]
    rng = np.random.default_rng(8)
    conditions = math.sqrt(sum(x.sigma_db**2 for x in direction.uncertainty if x.kind == "conditions"))
    worst_db = float(np.quantile(rng.normal(0.0, conditions, 400_000), 0.01))
    site_db = np.zeros(200_000)
    for part in direction.uncertainty:
        if part.kind == "site":
            site_db += rng.normal(0.0, part.sigma_db, site_db.size)
    scattered = rng.normal(size=site_db.size) + 1j * rng.normal(size=site_db.size)
    assert direction.fading == "rayleigh"
    level_db = direction.fade_margin_db + worst_db + site_db + 10.0 * np.log10(np.abs(scattered) ** 2 / 2.0)
    assert direction.delivery_probability_year_share == pytest.approx((level_db >= 0.0).mean(), abs=0.006)


@settings(max_examples=12, deadline=None)
@given(power_dbm=st.floats(-20.0, 25.0), share=st.floats(50.0, 99.0), tries=st.integers(1, 6))
def test_probabilities_keep_their_order(power_dbm: float, share: float, tries: int) -> None:
    def of(year_share: float) -> Direction:
        case = sites.case(
            sites.profile(3000.0, points=31),
            tank={"transmit_power_dbm": power_dbm},
            link={"tries": tries},
            conditions={
                "woodland_depth_m": 100.0,
                "leaf": "out_of_leaf",
                "year_share_percent": year_share,
            },
        )
        return judge(case)[1][0]

    found, stricter = of(share), of(share + 0.9)
    assert 0.0 <= found.delivery_probability_single <= found.delivery_probability <= 1.0
    assert stricter.delivery_probability_year_share <= found.delivery_probability_year_share
    low, high = found.fade_margin_interval_db
    assert low <= found.fade_margin_db <= high
    assert found.fade_margin_db - low == pytest.approx(high - found.fade_margin_db)


def test_a_confirmed_ample_margin_is_worth_more_than_a_predicted_one() -> None:
    ample, hopeless = (judge(sites.case(tank={"transmit_power_dbm": p}))[1][0] for p in (0.0, -30.0))
    assert ample.delivery_probability_after_reading > ample.delivery_probability
    assert hopeless.delivery_probability_after_reading < hopeless.delivery_probability


def test_no_probability_leaves_zero_to_one() -> None:
    """A path of 100 km over a mountain, and one across the yard."""
    for path, power in (
        (sites.profile(100_000.0, sites.ridge(800.0, 40_000.0, 9000.0)), -30.0),
        (sites.profile(50.0), 30.0),
    ):
        for d in judge(sites.case(path, tank={"transmit_power_dbm": power}))[1]:
            for p in (
                d.delivery_probability,
                d.delivery_probability_single,
                d.delivery_probability_year_share,
                d.delivery_probability_after_reading,
            ):
                assert 0.0 <= p <= 1.0

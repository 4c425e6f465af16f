"""What is uncertain, item by item; and that the probabilities are those of what is stated."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.link import judgement
from linkcalc.link.case import LinkCase
from linkcalc.link.decision import judge_link
from linkcalc.link.result import Contributor, Direction
from linkcalc.link.uncertainty import (
    READING_ERROR_DB,
    after_reading_db,
    combined_db,
    contributors,
    path_items,
    raster_db,
    rician_k_db,
    together_db,
)
from tests import sites

SURE: dict[str, Any] = {"model_error_db": 0.0, "antenna_gain_error_db": 0.0, "height_error_m": 0.0}


def parts(case: LinkCase) -> dict[str, Contributor]:
    return {x.name: x for x in contributors(case, case.far)}


def sigma(name: str, case: LinkCase) -> float:
    found = parts(case).get(name)
    return 0.0 if found is None else found.sigma_db


# The pattern that an antenna stands in


def hopping(case: LinkCase, bandwidth_mhz: float) -> LinkCase:
    return replace(case, link=case.link.model_copy(update={"hopping_bandwidth_mhz": bandwidth_mhz}))


def test_a_low_antenna_stands_in_a_pattern_that_a_reading_removes() -> None:
    """6.5 dB between two heights at one place, over root 2: 4.6 dB of 9.1, and none of it after a reading."""
    low = {"antenna_height_m": 2.5, "surroundings": "open"}
    case = sites.case(sites.profile(400.0), tank=low, shed=low)
    assert sigma("standing pattern", case) == pytest.approx(6.5 / math.sqrt(2.0), abs=0.01)
    assert sigma("standing pattern", post(1.0)) == pytest.approx(2.0)
    pattern = parts(case)["standing pattern"]
    assert pattern.kind == "site"
    assert pattern.after_reading_db < 0.25 * pattern.sigma_db


@pytest.mark.parametrize("height_m", [2.5, 40.0])
def test_hopping_makes_fading_of_the_pattern_and_the_two_weigh_as_much(height_m: float) -> None:
    """26 MHz over 5.7 MHz: 5.56 patterns, so that 1 - 1/5.56 = 82 % of the variance fades, as far as that fits."""
    low = {"antenna_height_m": height_m}
    case = sites.case(sites.profile(400.0), tank=low, shed=low)
    wide = hopping(case, 26.0)
    fixed, left = sigma("standing pattern", case), sigma("standing pattern", wide)
    room_db = math.sqrt(spread_db(0.0) ** 2 - spread_db(rician_k_db(case)) ** 2)
    moved = min(fixed * math.sqrt(1.0 - 1.0 / (1.0 + 26.0 / 5.7)), room_db)
    assert left == pytest.approx(math.sqrt(fixed**2 - moved**2), abs=0.01)
    assert spread_db(rician_k_db(wide)) ** 2 - spread_db(rician_k_db(case)) ** 2 == pytest.approx(
        moved**2, rel=0.03
    )
    assert site_db(wide) < site_db(case)
    assert 0.0 <= rician_k_db(wide) < rician_k_db(case)
    assert sigma("path loss model", wide) == sigma("path loss model", case)


def spread_db(k_db: float) -> float:
    """Standard deviation of a Rician level in decibels, by drawing."""
    k = 10.0 ** (k_db / 10.0)
    z = np.random.default_rng(1).standard_normal((2, 400_000))
    field = math.sqrt(k / (k + 1.0)) + math.sqrt(0.5 / (k + 1.0)) * (z[0] + 1j * z[1])
    return float(np.std(20.0 * np.log10(np.abs(field))))


def test_hopping_helps_a_message_with_tries_and_not_one_without() -> None:
    """Each try meets another pattern: one try now fails where it met a hole, five do not."""
    low = {"antenna_height_m": 2.5}
    case = sites.case(sites.profile(1500.0), tank=low, shed=low)
    for tries, better in ((1, False), (5, True)):
        some = replace(case, link=case.link.model_copy(update={"tries": tries}))
        need, hopped = (
            judgement.judge(c, c.losses, c.far, np.array([20.0])).required_margin_db[0]
            for c in (some, hopping(some, 26.0))
        )
        assert (hopped < need) == better, (tries, need, hopped)


# The error of the rules by class of path


def site_db(case: LinkCase) -> float:
    """Of the site, but for the noise there."""
    found = [x for x in contributors(case, case.far) if x.name != "local noise"]
    return combined_db(tuple(found), "site")


def post(ratio: float, height_m: float = 40.0, **ends: Any) -> LinkCase:
    """Antennas of one height 2 km apart, and one post half way that leaves so many first Fresnel zone radii.

    F1 half way is sqrt(0.34538 x 500) = 13.14 m; the bulge 0.059 m.
    """
    case = sites.case(
        sites.profile(2000.0, 0.0, ((995.0, 1005.0, height_m - 0.059 - ratio * 13.141, "tank"),)),
        tank={"antenna_height_m": height_m, **ends},
        shed={"antenna_height_m": height_m, **ends},
    )
    assert case.losses.clearance_ratio[0] == pytest.approx(ratio, abs=0.01)
    return case


@pytest.mark.parametrize(
    ("ratio", "expected_db"),
    [(1.0, 4.9), (0.6, 4.9), (0.3, 7.45), (0.0, 10.0), (-0.3, 9.9), (-0.6, 9.8), (-1.5, 9.8)],
)
def test_elevated_antennas_are_the_surer_the_freer_the_path(ratio: float, expected_db: float) -> None:
    """4.9, 10 and 9.8 dB clear, touching and as far behind the edge, straight between; gains and heights are in it."""
    assert site_db(post(ratio)) == pytest.approx(expected_db, abs=0.1)


@pytest.mark.parametrize(
    ("stated", "expected_db"),
    # 9.1; and with 5.2 dB for what nobody said: sqrt(9.1^2 + 5.2^2)
    [(True, 9.1), (False, 10.48)],
)
def test_low_antennas_are_surer_where_somebody_said_what_surrounds_them(
    stated: bool, expected_db: float
) -> None:
    """At 2.5 m open surroundings take 12.9 dB: wholly among them. 400 m, less blocked than by half."""
    said = {"surroundings": "open"} if stated else {}
    low = {"antenna_height_m": 2.5}
    case = sites.case(sites.profile(400.0), tank=low | said, shed=low | {"surroundings": "open"})
    assert 0.0 < case.losses.blocked[0] < 0.5
    assert site_db(case) == pytest.approx(expected_db, abs=0.02)
    assert ("surroundings not stated" in parts(case)) == (not stated)


def test_behind_a_hill_it_is_the_edge_that_counts() -> None:
    """As far behind the edge as 60 % of the zone nothing is added for surroundings that nobody stated: 9.8 dB."""
    case = sites.case(
        sites.profile(2000.0, 0.0, ((995.0, 1005.0, 40.0, "building"),)), tank={"antenna_height_m": 2.0}
    )
    assert case.losses.blocked[0] == 1.0
    assert "surroundings not stated" not in parts(case)
    assert site_db(case) == pytest.approx(9.8, abs=0.05)


def test_half_among_the_surroundings_is_half_way_between() -> None:
    """6 dB of correction: (4.9 + 9.1) / 2 = 7.0 dB on a clear path; 21.419 log(10 / 5.2469) = 6 dB."""
    case = sites.case(
        sites.profile(30.0),
        tank={"antenna_height_m": 5.2469, "surroundings": "open"},
        shed={"antenna_height_m": 5.2469, "surroundings": "open"},
    )
    assert case.losses.blocked[0] == 0.0
    assert case.losses.low_end[0] == pytest.approx(0.5, abs=1e-3)
    assert site_db(case) == pytest.approx(7.0, abs=0.01)


def test_a_stated_model_error_stands_in_for_all_of_it() -> None:
    """9 dB, and beside it the gains sqrt(2) x 1.5 = 2.12 dB and the heights 8.686 x 0.5 (1/3, 1/6) = 1.62 dB."""
    case = sites.case(conditions={"model_error_db": 9.0})
    assert math.hypot(sigma("path loss model", case), sigma("standing pattern", case)) == pytest.approx(9.0)
    assert sigma("antenna gains", case) == pytest.approx(2.121, abs=0.001)
    assert sigma("antenna heights", case) == pytest.approx(1.619, abs=0.001)
    assert "surroundings not stated" not in parts(case)
    assert not {"path loss model"} & set(parts(sites.case(conditions={"model_error_db": 0.0})))


@pytest.mark.parametrize("key", ["antenna_gain_error_db", "height_error_m"])
def test_parts_of_the_error_are_listed_and_not_counted_twice(key: str) -> None:
    case = post(1.0)
    more = replace(case, conditions=case.conditions.model_copy(update={key: 2.0}))
    name = {"antenna_gain_error_db": "antenna gains", "height_error_m": "antenna heights"}[key]
    assert sigma(name, more) > sigma(name, case)
    assert site_db(more) == pytest.approx(site_db(case), abs=1e-6)
    huge = replace(case, conditions=case.conditions.model_copy(update={key: 10.0 if "gain" in key else 20.0}))
    assert math.hypot(sigma("path loss model", huge), sigma("standing pattern", huge)) >= 0.5 * 4.9 - 1e-9


@pytest.mark.parametrize(
    ("cell_m", "length_m", "expected_db"),
    [
        # F1 half way sqrt(0.34538 x 1500) / 2 = 11.38 m; 90 m are 7.91 of it: 1.1 x 7.91 / (1 + 7.91 / 22)
        (90.0, 1500.0, 6.40),
        (30.0, 1500.0, 2.59),
        # 9.29 m: 96.9 radii
        (900.0, 1000.0, 19.72),
        (math.nan, 1500.0, 0.0),
    ],
)
def test_coarse_heights_cost_as_their_cells_are_wide_in_fresnel_radii(
    cell_m: float, length_m: float, expected_db: float
) -> None:
    """Our own measurement over real ground, `terrain.cell_size`."""
    assert raster_db(cell_m, length_m, 868e6) == pytest.approx(expected_db, abs=0.02)


@pytest.mark.parametrize(
    ("cell_m", "length_m", "expected_db"),
    [
        # radius 0.5 x sqrt(0.34538 x 2000) = 13.14 m, 7.0 of them to a cell: 1.1 x 7.0 / (1 + 7.0 / 22)
        (92.0, 2000.0, 5.84),
        (30.0, 2000.0, 2.28),
        # 0.294 m
        (0.1, 1.0, 0.37),
        (np.nan, 2000.0, 0.0),
    ],
)
def test_what_cells_hide_by_hand(cell_m: float, length_m: float, expected_db: float) -> None:
    """The saturating line of `terrain.cell_size`."""
    assert float(raster_db(cell_m, length_m, 868e6)) == pytest.approx(expected_db, abs=0.01)


def test_less_than_a_twentieth_of_a_decibel_is_not_listed() -> None:
    """The gains of both antennas: sqrt(2) times the error of each."""
    for error_db, listed in ((0.0347, False), (0.036, True), (0.06, True)):
        found = parts(sites.case(conditions=SURE | {"antenna_gain_error_db": error_db}))
        assert any(x.sigma_db == pytest.approx(math.sqrt(2.0) * error_db) for x in found.values()) == listed


def test_of_coarse_heights_five_decibels_are_in_the_error_already() -> None:
    """Measured links were predicted over cells of 30 to 90 m. 900 m are 68.5 radii of 13.14 m: 18.3 dB, so that
    sqrt(10^2 - 5^2 + 18.3^2) = 20.3 dB on a grazed path; 2.3 dB of 30 m change nothing."""
    case = post(0.0)

    def whole_db(cell_m: float) -> float:
        found = replace(case.losses, cell_m=np.array([cell_m]))
        return float(together_db(path_items(case, found), "site")[0])

    items = path_items(case, replace(case.losses, cell_m=np.array([900.0])))
    coarse = next(i for i in items if i.name == "coarse heights")
    assert coarse.kind == "site"
    assert coarse.sigma_db[0] == pytest.approx(18.3, abs=0.1)
    assert whole_db(900.0) == pytest.approx(20.3, abs=0.15)
    assert whole_db(30.0) == pytest.approx(whole_db(math.nan), abs=1e-6)
    assert "coarse heights" not in parts(case)


def test_a_rounded_hill_brings_half_of_what_two_models_are_apart() -> None:
    hill = sites.case(sites.profile(4000.0, sites.ridge(60.0, 2000.0, 400.0), points=401))
    assert hill.losses.hill_db[0] > 1.0
    assert sigma("rounded hill", hill) == hill.losses.hill_db[0]


# Further contributors


def test_trees_bring_their_own_uncertainty_and_season() -> None:
    """60 m of bare trees: 21.49 (1 - exp(-60 x 0.15188 / 21.49)) = 7.43 dB, of it 0.29 and 2 dB; half of what wet
    leaf has more, 8.74 + 3.5 (1 - exp(-8.74 / 3.5)) = 11.95 dB. Masts, so that no surroundings share in it."""
    winter = {"leaf": "out_of_leaf"}
    mast = {"antenna_height_m": 12.0}
    bare, wooded = (
        sites.case(tank=mast, shed=mast, conditions=c) for c in ({}, {"woodland_depth_m": 60.0} | winter)
    )
    assert not {"trees", "foliage over the year"} & set(parts(bare))
    found = parts(wooded)
    assert (found["trees"].kind, found["foliage over the year"].kind) == ("site", "conditions")
    assert wooded.losses.vegetation_db[0] == pytest.approx(7.43, abs=0.02)
    assert found["trees"].sigma_db == pytest.approx(0.29 * 7.43 + 2.0, abs=0.02)
    assert found["foliage over the year"].sigma_db == pytest.approx((11.95 - 7.43) / 2.0, abs=0.02)


def test_of_trees_among_surroundings_their_share_is_uncertain() -> None:
    low = sites.case(sites.profile(700.0), conditions={"woodland_depth_m": 60.0, "wet_foliage": False})
    share = low.losses.vegetation_share[0]
    assert 0.3 < share < 0.7
    assert sigma("trees", low) == pytest.approx(share * (0.29 * 8.74 + 2.0), abs=0.02)
    assert sigma("foliage over the year", low) == pytest.approx(share * (11.95 - 8.74) / 2.0, abs=0.02)


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


def test_each_building_adds_a_line() -> None:
    case = sites.case(tank={"building": "traditional"}, shed={"building": "thermally_efficient"})
    assert {"building entry, tank", "building entry, shed"} <= set(parts(case))
    assert sigma("building entry, shed", case) > sigma("building entry, tank", case)


def test_the_seasons_of_what_no_model_holds_are_as_stated() -> None:
    assert sigma("weather and surroundings", sites.case()) == 2.0
    assert sigma("weather and surroundings", sites.case(conditions={"surroundings_error_db": 4.0})) == 4.0


@pytest.mark.parametrize(("ratio", "expected_db"), [(0.7, 0.0), (0.0, 2.25), (-0.3, 3.375), (-0.6, 4.5)])
def test_a_blocked_path_varies_slowly(ratio: float, expected_db: float) -> None:
    """4.5 dB as far behind the edge as 60 % of the zone (6 dB at the 90 % value of fixed links): a ramp, no step."""
    assert sigma("slow fading of a blocked path", post(ratio)) == pytest.approx(expected_db, abs=0.04)


def test_outside_noise_varies_where_it_counts_and_an_engine_hides_it() -> None:
    """Rec. ITU-R P.372: city noise at 100 MHz, upper decile 11 dB over time, 8.4 dB from place to place, deciles
    both: 8.6 and 6.6 dB of standard deviation; thermal noise hides some."""
    low = {"link": {"frequency_mhz": 100.0}}
    city = sites.case(**low, shed={"noise_environment": "city"})
    assert sigma("noise over time", city) == pytest.approx(11.0 / 1.2816, abs=0.5)
    assert sigma("local noise", city) == pytest.approx(8.4 / 1.2816, abs=0.7)
    engine = sites.case(**low, shed={"noise_environment": "city", "noise_rise_db": 30.0})
    assert sigma("noise over time", engine) < 2.0


def test_the_noise_of_a_place_is_unknown_above_250_mhz_too() -> None:
    """Drives and chargers near by: 2 to 3 dB until measured."""
    assert 2.0 <= sigma("local noise", sites.case()) <= 3.0


def test_only_the_receiving_end_hears_its_noise() -> None:
    case = sites.case(
        link={"frequency_mhz": 100.0},
        tank={"noise_environment": "quiet_rural"},
        shed={"noise_environment": "city"},
    )
    there, back = (
        {x.name: x.sigma_db for x in contributors(case, rx) if "noise" in x.name}
        for rx in (case.far, case.near)
    )
    assert there["local noise"] > back.get("local noise", 0.0) + 1.0


def test_refraction_moves_long_paths_more_than_short_ones() -> None:
    """Low k at 0.1 % of the year is 3.09 sigma; under 5 km there is none."""
    short, long = (
        sites.case(
            sites.profile(d, sites.ridge(20.0, d / 2.0, d / 20.0)),
            tank={"antenna_height_m": 10.0},
            shed={"antenna_height_m": 10.0},
        )
        for d in (4_000.0, 30_000.0)
    )
    assert "refraction over the year" not in parts(short)
    assert sigma("refraction over the year", long) == pytest.approx(
        long.losses.low_k_db[0] / 3.0902, abs=1e-9
    )
    assert sigma("refraction over the year", long) > 0.3


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
        unheard = [x.sigma_db for x in found if x.name == "local noise"]
        assert READING_ERROR_DB == 2.0
        assert after_reading_db(found) == pytest.approx(math.hypot(2.0, *unheard), abs=0.05)
        assert all(x.after_reading_db <= x.sigma_db for x in found)


def test_what_is_sure_without_a_reading_is_not_less_sure_after_it() -> None:
    case = sites.case(conditions=SURE)
    found = contributors(case, case.far)
    assert after_reading_db(found) == pytest.approx(combined_db(found, "site"), abs=1e-9)


def test_a_reading_of_the_signal_does_not_measure_the_noise() -> None:
    case = sites.case(link={"frequency_mhz": 100.0}, shed={"noise_environment": "city"})
    found = parts(case)
    assert found["local noise"].after_reading_db == found["local noise"].sigma_db
    assert after_reading_db(tuple(found.values())) > found["local noise"].sigma_db


def test_a_reading_does_not_stop_the_seasons() -> None:
    case = sites.case(conditions={"woodland_depth_m": 60.0, "leaf": "out_of_leaf"})
    for part in contributors(case, case.far):
        if part.kind == "conditions":
            assert part.after_reading_db == part.sigma_db


# Fading


@pytest.mark.parametrize(("ratio", "k_db"), [(0.8, 10.0), (0.6, 10.0), (0.3, 8.25), (0.0, 6.5), (-0.6, 3.0)])
def test_the_steady_ray_fades_as_the_path_is_blocked(ratio: float, k_db: float) -> None:
    """Median K 10 dB clear and 3 dB blocked, a straight line between."""
    assert rician_k_db(post(ratio)) == pytest.approx(k_db, abs=0.06)


def test_trees_take_the_steady_ray_as_they_take_decibels() -> None:
    """12 dB of trees leave 3 dB of K, 6 dB 6.5: 38.4 m deep lose 23.49 (1 - exp(-38.4 x 0.18225 / 23.49)) = 6.05 dB."""
    high = {"antenna_height_m": 14.0}
    dry = {"wet_foliage": False}
    k = [
        rician_k_db(
            sites.case(sites.profile(300.0), tank=high, shed=high, conditions=dry | {"woodland_depth_m": d})
        )
        for d in (0.001, 38.4, 500.0)
    ]
    assert k == pytest.approx([10.0, 10.0 - 7.0 * 6.05 / 12.0, 3.0], abs=0.02)


# Probabilities


def received(
    direction: Direction,
    rng: np.random.Generator,
    draws: int,
    *,
    tries: int,
    busy: float = 0.01,
    site: str = "sigma_db",
) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Draw sites and messages from what a result states: K log-normal over sites with 8 dB, one fading per try."""
    slow_db = np.zeros(draws)
    for part in direction.uncertainty:
        slow_db += rng.normal(0.0, getattr(part, site), draws)
    k = 10.0 ** (np.clip(direction.rician_k_db + 8.0 * rng.normal(size=draws), -14.0, 20.0) / 10.0)
    arrived = np.zeros(draws, dtype=bool)
    for _ in range(tries):
        scattered = rng.normal(size=draws) + 1j * rng.normal(size=draws)
        power = np.abs(np.sqrt(k) + scattered / np.sqrt(2.0)) ** 2 / (1.0 + k)
        heard = direction.fade_margin_db + slow_db + 10.0 * np.log10(power) >= 0.0
        arrived |= heard & (rng.random(draws) >= busy)
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
    for direction in judge_link(case)[1]:
        rng = np.random.default_rng(20)
        for stated, n, site in (
            (direction.delivery_probability_single, 1, "sigma_db"),
            (direction.delivery_probability, tries, "sigma_db"),
            (direction.delivery_probability_after_reading, tries, "after_reading_db"),
        ):
            simulated = received(direction, rng, draws, tries=n, site=site).mean()
            error = math.sqrt(max(stated * (1.0 - stated), 1e-4) / draws)
            assert stated == pytest.approx(simulated, abs=5.0 * error + 1e-3)


def test_nine_in_ten_places_lie_within_the_interval() -> None:
    direction = judge_link(sites.case(conditions={"woodland_depth_m": 60.0}))[1][0]
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
    direction = judge_link(case)[1][0]
    rng = np.random.default_rng(8)
    conditions = math.sqrt(sum(x.sigma_db**2 for x in direction.uncertainty if x.kind == "conditions"))
    worst_db = float(np.quantile(rng.normal(0.0, conditions, 400_000), 0.01))
    site_db = np.zeros(200_000)
    for part in direction.uncertainty:
        if part.kind == "site":
            site_db += rng.normal(0.0, part.sigma_db, site_db.size)
    k = 10.0 ** (np.clip(direction.rician_k_db + 8.0 * rng.normal(size=site_db.size), -14.0, 20.0) / 10.0)
    scattered = rng.normal(size=site_db.size) + 1j * rng.normal(size=site_db.size)
    power = np.abs(np.sqrt(k) + scattered / np.sqrt(2.0)) ** 2 / (1.0 + k)
    level_db = direction.fade_margin_db + worst_db + site_db + 10.0 * np.log10(power)
    assert direction.delivery_probability_year_share == pytest.approx(
        0.99 * (level_db >= 0.0).mean(), abs=0.006
    )


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
        return judge_link(case)[1][0]

    found, stricter = of(share), of(share + 0.9)
    assert 0.0 <= found.delivery_probability_single <= found.delivery_probability <= 1.0
    assert stricter.delivery_probability_year_share <= found.delivery_probability_year_share
    low, high = found.fade_margin_interval_db
    assert low <= found.fade_margin_db <= high
    assert found.fade_margin_db - low == pytest.approx(high - found.fade_margin_db)


def test_a_confirmed_ample_margin_is_worth_more_than_a_predicted_one() -> None:
    ample, hopeless = (judge_link(sites.case(tank={"transmit_power_dbm": p}))[1][0] for p in (0.0, -30.0))
    assert ample.delivery_probability_after_reading > ample.delivery_probability
    assert hopeless.delivery_probability_after_reading < hopeless.delivery_probability


def test_no_probability_leaves_zero_to_one() -> None:
    """A path of 100 km over a mountain, and one across the yard."""
    for path, power in (
        (sites.profile(100_000.0, sites.ridge(800.0, 40_000.0, 9000.0)), -30.0),
        (sites.profile(50.0), 30.0),
    ):
        for d in judge_link(sites.case(path, tank={"transmit_power_dbm": power}))[1]:
            for p in (
                d.delivery_probability,
                d.delivery_probability_single,
                d.delivery_probability_year_share,
                d.delivery_probability_after_reading,
            ):
                assert 0.0 <= p <= 1.0

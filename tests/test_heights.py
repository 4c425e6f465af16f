"""Margins over both antenna heights, and the cheapest pair of masts."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from linkcalc.errors import DomainError
from linkcalc.link.case import LinkCase
from linkcalc.link.traffic import Sent
from linkcalc.link.verdict import check_link
from linkcalc.plan import Feeder
from linkcalc.plan.power import Regulation
from linkcalc.sweeps.mast_heights import LOWEST_M, HeightTable, MastPrices, _heights, _step_m, height_table
from tests.sites import case, profile, ridge

STEP_M, TOP_M = 4.0, 12.0
PRICES = MastPrices(cost_per_m=10.0, guyed_above_m=9.0, guyed_cost_per_m=25.0, cost_per_mast=40.0)


def over_a_ridge(**link: object) -> LinkCase:
    return case(
        profile(4000.0, ridge(14.0, 1500.0, 300.0), points=41),
        tank={"antenna_height_m": 4.0},
        shed={"antenna_height_m": 6.0, "transmit_power_dbm": 17.0},
        link=link,
    )


LITTLE = {"required_success": 0.5, "confidence": 0.5}
"""So that a stated margin is what decides."""

ASKED = {
    "a margin": {"required_margin_db": 22.0, **LITTLE},
    "a success": {"required_success": 0.9, "confidence": 0.9, "tries": 2},
    "both": {"required_margin_db": 17.0, "required_success": 0.9, "confidence": 0.9, "tries": 2},
}


def price(length_m: float) -> float:
    """By hand, as a price list has it."""
    if length_m <= 0.0:
        return 0.0
    return 40.0 + length_m * (10.0 if length_m <= 9.0 else 25.0)


@pytest.mark.parametrize("asked", ASKED)
def test_the_cheapest_pair_is_the_one_that_checking_every_pair_finds(asked: str) -> None:
    link = over_a_ridge(**ASKED[asked])
    table = height_table(link, highest_m=TOP_M, step_m=STEP_M, prices=PRICES, bases_m=(0.0, 3.0))
    found: list[tuple[float, float, float, float]] = []
    for near_m, far_m in itertools.product((4.0, 8.0, 12.0), (4.0, 6.0, 8.0, 12.0)):
        result = check_link(link.with_heights(near_m=near_m, far_m=far_m))
        if result.verdict == "closes":
            spare_db = min(d.fade_margin_db - d.required_margin_db for d in result.directions)
            found.append((price(near_m) + price(far_m - 3.0), -spare_db, near_m, far_m))
    cost, _, near_m, far_m = min(found)
    assert 0 < len(found) < 12, "a case in which the choice matters"
    pair = table.cheapest
    assert pair is not None
    assert pair.verdict == "closes"
    assert (pair.near_height_m, pair.far_height_m, pair.cost) == (near_m, far_m, pytest.approx(cost))


@pytest.mark.parametrize("asked", ASKED)
def test_every_margin_of_the_table_is_that_of_a_check(asked: str) -> None:
    # the tank's cable grows as its antenna is raised; the shed has its radio at the antenna
    feeder = Feeder(type="rg58", length_m=6.0)
    link = over_a_ridge(**ASKED[asked])
    link = link.with_stations({"near": link.near.model_copy(update={"feeder": feeder})})
    table = height_table(link, highest_m=TOP_M, step_m=STEP_M)
    for i, j in ((0, 0), (1, 3), (2, 2)):
        raised = link.with_heights(near_m=table.near_height_m[i], far_m=table.far_height_m[j])
        longer = feeder.length_m + max(table.near_height_m[i] - link.near.antenna_height_m, 0.0)
        cable = raised.near.feeder.model_copy(update={"length_m": longer})
        raised = raised.with_stations({"near": raised.near.model_copy(update={"feeder": cable})})
        directions = check_link(raised).directions
        assert table.margin_db[i, j] == pytest.approx(min(d.fade_margin_db for d in directions), abs=1e-5)
        lacking = max(d.required_margin_db - d.fade_margin_db for d in directions)
        assert table.lacking_db[i, j] == pytest.approx(lacking, abs=1e-5)


def test_the_present_heights_are_a_row_and_a_column_and_their_pair_is_the_plans() -> None:
    link = over_a_ridge(required_margin_db=22.0, **LITTLE).with_heights(near_m=4.37)
    table = height_table(link, highest_m=TOP_M, step_m=STEP_M)
    assert 4.37 in table.near_height_m
    assert 6.0 in table.far_height_m
    assert (np.diff(table.near_height_m) > 0.0).all()
    assert (table.present.near_height_m, table.present.far_height_m) == (4.37, 6.0)
    directions = check_link(link).directions
    assert table.present.fade_margins_db == tuple(d.fade_margin_db for d in directions)


def test_where_the_line_is_drawn_the_link_just_closes() -> None:
    from matplotlib.figure import Figure

    link = over_a_ridge(required_margin_db=22.0, **LITTLE)
    table = height_table(link, highest_m=16.0, step_m=1.0)
    ax = Figure().add_subplot()
    lines = ax.contour(table.far_height_m, table.near_height_m, table.lacking_db, levels=[0.0]).allsegs[0]
    points = np.concatenate(lines)
    assert len(points) > 10
    for far_m, near_m in points[:: len(points) // 6]:
        margin_db = link.with_heights(near_m=float(near_m), far_m=float(far_m)).weaker_margin_db
        assert margin_db == pytest.approx(22.0, abs=0.3)


def test_over_level_ground_twice_the_height_gains_six_decibels() -> None:
    # plane-earth law, loss = 40 log d - 20 log h1 - 20 log h2, any antenna handbook; at 6 m over 3 km of 868 MHz
    # it still loses more than diffraction over the round earth does
    ends = {"antenna_height_m": 3.0, "surroundings": "none"}
    link = case(profile(2000.0), tank=ends, shed=ends)
    table = height_table(link, highest_m=6.0, step_m=3.0)
    assert table.near_height_m.tolist() == [3.0, 6.0]
    assert table.margin_db[1, 0] - table.margin_db[0, 0] == pytest.approx(20.0 * math.log10(2.0), abs=0.3)
    assert table.margin_db[0, 1] == pytest.approx(table.margin_db[1, 0], abs=0.1)
    assert table.margin_db[1, 1] - table.margin_db[0, 0] == pytest.approx(40.0 * math.log10(2.0), abs=0.6)


def test_nothing_closes_within_a_limit_too_low_and_the_nearest_pair_is_named() -> None:
    table = height_table(over_a_ridge(required_margin_db=60.0), highest_m=8.0, step_m=4.0)
    assert table.cheapest is None
    assert not table.closes.any()
    assert table.lacking_db.min() == pytest.approx(60.0 - min(table.best.fade_margins_db))


def test_the_plan_itself_is_the_answer_where_it_closes_and_costs_nothing() -> None:
    link = over_a_ridge(required_margin_db=0.0, **LITTLE)
    table = height_table(link, highest_m=8.0, step_m=4.0, bases_m=(4.0, 8.0))
    assert table.cheapest is not None
    assert table.cheapest.cost == 0.0


def test_what_is_over_a_legal_limit_counts_as_in_a_check() -> None:
    regulation = Regulation(region="eu", report_interval_s=5.0)
    link = over_a_ridge(required_margin_db=0.0, **LITTLE)
    sent = (Sent(None, "near", False, True, 60, 5.0, 1, None),)
    slow = link.link.modulation.model_copy(update={"spreading_factor": 12})
    often = replace(link.with_modulation(slow), regulation=regulation, sent=sent)
    loud = often.with_stations({"near": often.near.model_copy(update={"transmit_power_dbm": 33.0})})
    for one in (often, loud):
        table = height_table(one, highest_m=8.0, step_m=4.0)
        result = check_link(one)
        assert table.present.verdict == result.verdict == "at_risk"
        assert table.present.fade_margins_db == tuple(d.fade_margin_db for d in result.directions)
        assert table.cheapest is None


def test_prices_are_those_of_a_price_list() -> None:
    lengths = [-1.0, 0.0, 0.5, 9.0, 9.01, 16.0]
    assert PRICES.of(lengths) == pytest.approx([price(v) for v in lengths])
    with pytest.raises(DomainError, match="cost_per_m must be at least 0"):
        MastPrices(cost_per_m=-1.0)


def test_prices_that_nobody_stated_are_listed_as_assumed() -> None:
    link = over_a_ridge(required_margin_db=22.0, **LITTLE)

    def keys(stated: frozenset[str]) -> set[str]:
        return {a.key for a in height_table(link, highest_m=8.0, step_m=4.0, stated=stated).assumed}

    assert keys(frozenset()) == {"cost_per_m", "guyed_above_m", "guyed_cost_per_m", "cost_per_mast"}
    assert keys(frozenset({"cost_per_m", "cost_per_mast"})) == {"guyed_above_m", "guyed_cost_per_m"}


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ({"highest_m": 1.0}, "highest_m must be at least 2"),
        ({"highest_m": math.nan}, "highest_m must be finite"),
        ({"highest_m": 20.0, "step_m": 0.1}, "more than 100 heights"),
        ({"highest_m": 10.0, "bases_m": (0.0, 11.0)}, "starts at 11 m is above the highest antenna, 10 m"),
    ],
)
def test_heights_that_make_no_sense_are_refused(arguments: dict[str, object], told: str) -> None:
    with pytest.raises(DomainError, match=told):
        height_table(over_a_ridge(), **arguments)  # type: ignore[arg-type]


def test_forty_heights_at_each_end_are_the_most_by_default() -> None:
    for top_m in (2.0, 5.0, 10.0, 20.0, 40.0, 77.0, 200.0):
        grid = _heights(2.0, top_m, _step_m(top_m))
        assert 10 <= len(grid) <= 42, top_m
        assert grid[-1] <= top_m
        assert grid[0] >= LOWEST_M


@pytest.mark.parametrize(
    ("top_m", "step_m"),
    [(5.0, 0.1), (5.1, 0.25), (11.0, 0.25), (21.0, 0.5), (41.0, 1.0), (81.0, 2.0), (82.0, 5.0), (200.0, 5.0)],
)
def test_a_step_is_the_least_round_one_that_makes_forty(top_m: float, step_m: float) -> None:
    """From 1 m: 40 steps of 0.1 m end at 5 m, 40 of 2 m at 81 m (worked)."""
    assert _step_m(top_m) == step_m


def _table() -> HeightTable:
    return height_table(over_a_ridge(required_margin_db=22.0, **LITTLE), highest_m=8.0, step_m=4.0)


def test_the_same_link_gives_the_same_table() -> None:
    one, two = _table(), _table()
    assert (one.margin_db == two.margin_db).all()
    assert one.cheapest == two.cheapest

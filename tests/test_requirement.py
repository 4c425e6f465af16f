"""What is asked of a link, and the three words: by hand, by simulation, and by laws."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.link.reliability import mean_success, message_failure
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.plan import Link

LINK = {
    "name": "level",
    "from": "tank",
    "to": "shed",
    "frequency_mhz": 868.0,
    "modulation": {"kind": "css", "spreading_factor": 9},
}

STEADY, RAYLEIGH = 100.0, -100.0
"""Medians of K, dB, far beyond where the tables end: 20 dB (0.6 dB of fading) and none at all, at every site."""


def requirement(**asked: Any) -> Requirement:
    return Requirement.of(Link.model_validate(LINK | asked))


def asks(success: float = 0.99, confidence: float = 0.9, tries: int = 1, **more: Any) -> Requirement:
    return Requirement(success, confidence, more.get("stated_db"), tries, more.get("busy", 0.0))


def test_what_a_plan_asks_where_it_says_nothing() -> None:
    """Common practice, no source; the channel's occupancy as its key says."""
    assert requirement() == Requirement(0.99, 0.9, None, 1, 0.01)
    said = requirement(
        required_success=0.95, confidence=0.8, required_margin_db=15.0, tries=3, channel_busy_percent=4.0
    )
    assert said == Requirement(0.95, 0.8, 15.0, 3, 0.04)


# By hand


@pytest.mark.parametrize(
    ("success", "tries", "needs_db"),
    [
        # 1966 magazine nomograph: 20 dB for 99 %; -ln(0.99) = 0.01005
        (0.99, 1, 19.98),
        # both of two tries lost in 1 %: one in 10 %, -ln 0.9 = 0.1054
        (0.99, 2, 9.77),
        # 0.01^(1/3) = 0.2154, -ln(0.7846) = 0.2426
        (0.99, 3, 6.15),
        (0.9, 1, 9.77),
        (0.999, 1, 30.0),
    ],
)
def test_without_a_steady_ray_a_site_needs_what_rayleigh_fading_takes(
    success: float, tries: int, needs_db: float
) -> None:
    asked = asks(success, 0.5, tries)
    np.testing.assert_allclose(asked.site_needs_db(0.0, RAYLEIGH), needs_db, atol=0.12)
    assert asked.margin_db(10.0, 0.0, RAYLEIGH) == pytest.approx(needs_db, abs=0.12)


@pytest.mark.parametrize(
    ("confidence", "sigmas"), [(0.5, 0.0), (0.9, 1.2816), (0.95, 1.6449), (0.99, 2.3263)]
)
@pytest.mark.parametrize("site_db", [2.0, 10.0])
def test_confidence_is_a_quantile_of_the_sites(confidence: float, sigmas: float, site_db: float) -> None:
    """Normal table. Ten decibels at 0.9 ask 12.8 dB more than such a site needs."""
    asked = asks(confidence=confidence)
    needs_db = float(asked.site_needs_db(0.0, RAYLEIGH).mean())
    assert asked.margin_db(site_db, 0.0, RAYLEIGH) == pytest.approx(needs_db + sigmas * site_db, abs=0.01)


@pytest.mark.parametrize(("hops", "whole", "whole_db"), [(2, 0.81, 6.76 + 8.78), (3, 0.729, 5.00 + 6.10)])
def test_each_hop_must_have_what_makes_all_of_them_keep_the_word(
    hops: int, whole: float, whole_db: float
) -> None:
    """0.9 x 0.9 = 0.81, and x 0.9 = 0.729: 9.77 dB for 90 % under Rayleigh fading, and 1.2816 of 10 dB for 90 % of
    the sites. One hop for 81 %: -ln 0.81 = 0.2107, 6.76 dB, and 0.878 sigma; for 72.9 %: 0.3161, 5.00 dB and 0.610."""
    link = asks(whole, whole)
    each = link.of_each_hop(hops)
    assert (each.success, each.confidence) == pytest.approx((0.9, 0.9), abs=1e-12)
    assert each.margin_db(10.0, 0.0, RAYLEIGH) == pytest.approx(9.77 + 12.82, abs=0.13)
    assert link.margin_db(10.0, 0.0, RAYLEIGH) == pytest.approx(whole_db, abs=0.13)


def test_a_steady_site_needs_the_years_quantile() -> None:
    """K 20 dB spreads the amplitude by 1 / sqrt(200) = 7.07 %: -20 log(1 - 2.326 x 0.0707) = 1.56 dB for 99 %; with
    4 dB over the year 2.326 x sqrt(16 + 0.67^2) = 9.43 dB."""
    assert float(asks().site_needs_db(0.0, STEADY).mean()) == pytest.approx(1.56, abs=0.05)
    assert float(asks().site_needs_db(4.0, STEADY).mean()) == pytest.approx(9.43, abs=0.05)


def test_ten_decibels_of_uncertainty_ask_somewhat_more_than_the_trade_asks() -> None:
    """20 dB: common practice, no source. Clear sight, K 10 dB, 2 dB over the year; the 1.28 x 10 dB of the sites and
    what 99 % of the messages ask of the fading there."""
    assert 20.0 < asks().margin_db(10.0, 2.0, 10.0) < 25.0
    assert 13.0 < asks(tries=3).margin_db(10.0, 2.0, 10.0) < 20.0


def test_a_stated_margin_counts_besides_and_the_harder_one_decides() -> None:
    assert asks(stated_db=45.0).margin_db(5.0, 2.0, 10.0) == 45.0
    assert asks(stated_db=5.0).margin_db(5.0, 2.0, 10.0) == asks().margin_db(5.0, 2.0, 10.0)


def test_no_wish_is_so_low_that_a_link_below_sensitivity_meets_it() -> None:
    assert asks(0.001, 0.5).margin_db(12.0, 2.0, 10.0) == 0.0


@pytest.mark.parametrize(
    ("success", "busy", "tries", "reachable"),
    [
        (0.99, 0.01, 1, True),
        (0.995, 0.01, 1, False),
        # 0.01^2 = 0.0001
        (0.9995, 0.01, 2, True),
        (0.99995, 0.01, 2, False),
        (0.9, 0.5, 3, False),
        (0.9, 0.5, 4, True),
    ],
)
def test_what_other_users_spoil_no_margin_brings_back(
    success: float, busy: float, tries: int, reachable: bool
) -> None:
    asked = asks(success, tries=tries, busy=busy)
    assert asked.reachable == reachable
    share = asked.site_share(80.0, 5.0, 2.0, 10.0)
    assert (share > 0.99) if reachable else (share == 0.0)
    word = VERDICTS[int(asked.verdict([80.0], [10.0], 2.0, 10.0)[0])]
    assert (word == "closes") == reachable


# The words


@pytest.mark.parametrize(
    ("margin_db", "required_db", "word"),
    [
        (20.0, 20.0, "closes"),
        (19.999, 20.0, "at_risk"),
        (6.0, 20.0, "at_risk"),
        (0.0, 0.0, "closes"),
        (-8.0, 0.0, "does_not_close"),
    ],
)
def test_a_link_closes_is_at_risk_or_does_not_close(margin_db: float, required_db: float, word: str) -> None:
    found = asks().verdict(np.array([margin_db, math.nan]), np.array([required_db, 0.0]), 2.0, 10.0)
    assert VERDICTS[found[0]] == word
    assert found[1] == -1


@pytest.mark.parametrize("tries", [1, 3])
@pytest.mark.parametrize("busy", [0.0, 0.3])
def test_a_link_does_not_close_where_fewer_than_half_of_the_messages_arrive(tries: int, busy: float) -> None:
    """Without steady ray and unrest one try arrives in half from -10 log(ln 2) = 1.59 dB on."""
    asked = asks(0.6, tries=tries, busy=busy)
    least_db = asked.least_db(3.0, 6.0)
    assert mean_success(least_db, 3.0, 6.0, tries=tries, busy=busy) == pytest.approx(0.5, abs=1e-3)
    words = asked.verdict(np.array([least_db - 0.05, least_db + 0.05]), 60.0, 3.0, 6.0)
    assert [VERDICTS[w] for w in words] == ["does_not_close", "at_risk"]


def test_half_of_the_messages_arrive_at_the_textbooks_margin() -> None:
    """Steady rays and 0 dB: the median of the fading lies a hair under its mean power."""
    assert asks().least_db(0.0, 16.0) == pytest.approx(0.0, abs=0.6)


# By simulation


@pytest.mark.parametrize(
    ("site_db", "conditions_db", "k_db", "tries"),
    [(10.0, 2.0, 10.0, 1), (5.0, 4.5, 3.0, 1), (9.0, 5.0, 3.0, 3)],
)
def test_the_share_of_sites_is_that_of_sites_drawn_and_asked_one_by_one(
    site_db: float, conditions_db: float, k_db: float, tries: int
) -> None:
    """Each site draws its error and its K (log-normal, 8 dB), and then loses messages over its own year."""
    rng = np.random.default_rng(21)
    asked, draws = asks(0.95, tries=tries), 4000
    for margin_db in (10.0, 20.0):
        at_site_db = margin_db + site_db * rng.standard_normal(draws)
        k = np.clip(k_db + 8.0 * rng.standard_normal(draws), -14.0, 20.0)
        carried = 1.0 - message_failure(at_site_db, conditions_db, rician_k_db=k, tries=tries)
        works = (carried >= 0.95).mean()
        assert asked.site_share(margin_db, site_db, conditions_db, k_db) == pytest.approx(works, abs=0.025)


# Laws

site, conditions, k = st.floats(0.5, 15.0), st.floats(0.0, 12.0), st.floats(-5.0, 16.0)


@settings(max_examples=60, deadline=None)
@given(
    success=st.floats(0.6, 0.9999),
    confidence=st.floats(0.5, 0.99),
    tries=st.integers(1, 5),
    site_db=site,
    conditions_db=conditions,
    k_db=k,
)
def test_at_the_margin_required_just_so_many_sites_work(
    success: float, confidence: float, tries: int, site_db: float, conditions_db: float, k_db: float
) -> None:
    asked = asks(success, confidence, tries)
    needed_db = asked.margin_db(site_db, conditions_db, k_db)
    share = asked.site_share(needed_db, site_db, conditions_db, k_db)
    if needed_db > 0.0:
        assert share == pytest.approx(confidence, abs=1e-6)
    else:
        assert share >= confidence
    assert asked.site_share(needed_db + 1.0, site_db, conditions_db, k_db) >= share
    # another try, a lesser wish, and a surer site never ask for more
    more = 1e-6
    assert asks(success, confidence, tries + 1).margin_db(site_db, conditions_db, k_db) <= needed_db + more
    assert asks(success - 0.05, confidence, tries).margin_db(site_db, conditions_db, k_db) <= needed_db + more
    if confidence > 0.7:
        # so far that no few of the seven K decide
        assert asked.margin_db(site_db * 0.8, conditions_db, k_db) <= needed_db + 0.3


@settings(max_examples=30, deadline=None)
@given(tries=st.integers(1, 4), k_db=k, conditions_db=st.floats(0.0, 10.0), more_db=st.floats(0.5, 3.0))
def test_an_unsteadier_year_never_asks_for_less(
    tries: int, k_db: float, conditions_db: float, more_db: float
) -> None:
    calm, restless = (
        asks(tries=tries).site_needs_db(c, k_db) for c in (conditions_db, conditions_db + more_db)
    )
    assert (restless >= calm - 0.02).all()


def test_arrays_are_answered_as_each_alone() -> None:
    asked = asks(0.98, 0.85, 2, stated_db=12.0)
    rng = np.random.default_rng(5)
    margin, site_db, cond, k_db = (
        rng.uniform(-10, 40, 30),
        rng.uniform(1, 12, 30),
        rng.uniform(0, 8, 30),
        rng.uniform(0, 12, 30),
    )
    needed, share = asked.margin_db(site_db, cond, k_db), asked.site_share(margin, site_db, cond, k_db)
    for i in range(30):
        assert needed[i] == pytest.approx(asked.margin_db(site_db[i], cond[i], k_db[i]), abs=1e-9)
        assert share[i] == pytest.approx(asked.site_share(margin[i], site_db[i], cond[i], k_db[i]), abs=1e-12)
    assert np.isnan(asked.margin_db(np.array([math.nan, 5.0]), 2.0, 10.0)).tolist() == [True, False]

"""From margin to probability: fading, slow variation, tries, both directions."""

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import gammainc, gammaln
from scipy.stats import norm, rice

from linkcalc.errors import DomainError
from linkcalc.link import reliability
from linkcalc.link.reliability import (
    K_SPREAD_DB,
    lost_over_the_year,
    margin_for_success,
    mean_success,
    message_failure,
    rician_outage,
    success_by_try,
    two_way_success,
)


def message_success(*arguments: Any, **more: Any) -> Any:
    return 1.0 - message_failure(*arguments, **more)


def rayleigh(margin_db: Any) -> Any:
    """1 - exp(-10^(-M/10)), any textbook."""
    return -np.expm1(-(10.0 ** (-np.asarray(margin_db) / 10.0)))


@pytest.mark.parametrize(
    ("margin_db", "percent", "half_a_digit"),
    [(5, 27, 0.5), (10, 9.5, 0.05), (15, 3.1, 0.05), (20, 1.0, 0.05), (30, 0.10, 0.005), (40, 0.010, 0.0005)],
)
def test_rayleigh_fading_agrees_with_the_tabled_percentages(margin_db, percent, half_a_digit):
    # Rayleigh distribution, 1 - exp(-10^(-M/10)): table of fading margins
    assert 100 * rician_outage(margin_db, -np.inf) == pytest.approx(percent, abs=half_a_digit)


def test_twenty_decibels_give_ninety_nine_percent():
    # nomograph in a magazine of 1966: 20 dB <-> 99 %
    assert 1 - rician_outage(20.0, -np.inf) == pytest.approx(0.99, abs=5e-4)


def test_rayleigh_fading_keeps_its_digits_in_the_deep_tail():
    assert rician_outage(120.0, -np.inf) == pytest.approx(1e-12, rel=1e-11)
    assert rician_outage(-60.0, -np.inf) == 1.0


@pytest.mark.parametrize("k_db", [-20.0, 0.0, 6.0, 10.0, 15.0])
@pytest.mark.parametrize("margin_db", [-3.0, 0.0, 3.0, 10.0, 20.0, 60.0, 120.0])
def test_rician_outage_agrees_with_its_poisson_series(k_db, margin_db):
    # textbook: a Poisson(K) mixture of gamma distributions
    k = 10 ** (k_db / 10)
    n = np.arange(300)
    weights = np.exp(-k + n * math.log(k) - gammaln(n + 1))
    series = (weights * gammainc(1 + n, (1 + k) * 10 ** (-margin_db / 10))).sum()
    assert rician_outage(margin_db, k_db) == pytest.approx(series, rel=1e-10, abs=0)


def test_rician_outage_agrees_with_the_library_distribution_of_the_amplitude():
    k = 10**0.6
    b = math.sqrt(2 * k)  # amplitude over the spread of the scattered part, whose mean power is 2 + b^2
    threshold = math.sqrt(10**-1.2 * (2 + b**2))
    assert rician_outage(12.0, 6.0) == pytest.approx(rice.cdf(threshold, b), rel=1e-6)


def test_rician_fading_without_a_steady_ray_is_rayleigh_and_with_nothing_else_is_none():
    margin = np.linspace(-10, 60, 71)
    np.testing.assert_allclose(rician_outage(margin, -np.inf), rayleigh(margin), rtol=1e-12)
    np.testing.assert_allclose(rician_outage(margin, -100.0), rayleigh(margin), rtol=1e-8)
    assert rician_outage(0.5, 60.0) < 1e-12
    assert rician_outage(-0.5, 60.0) == pytest.approx(1.0)
    assert rician_outage(0.5, np.inf) == rician_outage(0.5, reliability.STEADIEST_K_DB)


def test_margin_is_against_the_mean_power_of_the_fading():
    # simulated: steady ray and scattered part with unit mean power together
    rng = np.random.default_rng(915)
    k, runs = 10**0.6, 400_000
    scattered = (rng.normal(size=runs) + 1j * rng.normal(size=runs)) / math.sqrt(2)
    power = np.abs(math.sqrt(k / (1 + k)) + scattered / math.sqrt(1 + k)) ** 2
    assert power.mean() == pytest.approx(1.0, abs=0.005)
    for margin in (3.0, 8.0):
        expected = rician_outage(margin, 6.0)
        lost = (power < 10 ** (-margin / 10)).mean()
        assert abs(lost - expected) < 4 * math.sqrt(expected / runs)


def test_lognormal_and_rician_together_agree_with_adaptive_quadrature():
    # adaptive quadrature of the same integral: 6 dB log-normal, Rician K 6 dB, margin 12 dB
    assert message_failure(12.0, 6.0, rician_k_db=6.0) == pytest.approx(0.0550705626, abs=5.1e-11)


def failure_by_quadrature(margin, sigma, k_db, tries):
    k = 0.0 if k_db == -np.inf else 10 ** (k_db / 10)

    def integrand(z):
        return (
            norm.pdf(z)
            * float(rician_outage(margin + sigma * z, 10 * math.log10(k) if k else -np.inf)) ** tries
        )

    z = np.linspace(-36, 10, 3001)
    height = norm.pdf(z) * np.asarray(rician_outage(margin + sigma * z, k_db)) ** tries
    used = z[height > height.max() * 1e-20]
    pieces = np.linspace(used[0], used[-1], 25)
    return sum(quad(integrand, a, b, epsabs=0, epsrel=1e-10)[0] for a, b in pairwise(pieces))


@pytest.mark.parametrize(
    ("margin", "sigma", "k_db", "tries"),
    [
        (20.0, 4.0, 6.0, 1),
        (20.0, 4.0, -np.inf, 3),
        (40.0, 6.0, 6.0, 2),
        (60.0, 8.0, 10.0, 5),
        (60.0, 2.0, -np.inf, 3),
        (50.0, 12.0, 20.0, 3),
        (10.0, 15.0, 25.0, 20),
        (-5.0, 6.0, 6.0, 2),
        (80.0, 6.0, 15.0, 1),
    ],
)
def test_failure_agrees_with_adaptive_quadrature_down_into_the_deep_tail(margin, sigma, k_db, tries):
    ours = message_failure(margin, sigma, rician_k_db=k_db, tries=tries)
    assert ours == pytest.approx(failure_by_quadrature(margin, sigma, k_db, tries), rel=1e-8, abs=0)


def test_deep_tail_cases_are_deep():
    deep = message_failure(
        [40.0, 60.0, 60.0, 80.0], [6.0, 8.0, 2.0, 6.0], rician_k_db=[6.0, 10.0, -np.inf, 15.0], tries=2
    )
    assert (deep < 1e-6).all()
    assert (deep > 0).all()


def test_success_agrees_with_simulated_messages():
    rng = np.random.default_rng(433)
    runs, tries, margin, sigma = 200_000, 3, 6.0, 6.0
    state = margin + sigma * rng.normal(size=(runs, 1))
    heard = rng.exponential(size=(runs, tries)) > 10 ** (-state / 10)
    within = [heard[:, : n + 1].any(axis=1).mean() for n in range(tries)]
    expected = [message_success(margin, sigma, rician_k_db=-np.inf, tries=n + 1) for n in range(tries)]
    np.testing.assert_allclose(within, expected, atol=4 * 0.5 / math.sqrt(runs))
    by_try = success_by_try(margin, sigma, rician_k_db=-np.inf, tries=tries)
    np.testing.assert_allclose(np.cumsum(by_try), expected, rtol=1e-12)


def test_two_way_success_agrees_with_simulated_exchanges():
    rng = np.random.default_rng(869)
    runs, tries = 200_000, 2
    slow = 5.0 * rng.normal(size=(runs, 1))
    up = rng.exponential(size=(runs, tries)) > 10 ** (-(8.0 + slow) / 10)
    down = rng.exponential(size=(runs, tries)) > 10 ** (-(4.0 + slow) / 10)
    done = (up & down).any(axis=1).mean()
    ours = two_way_success(8.0, 4.0, 5.0, rician_k_db=-np.inf, tries=tries)
    assert done == pytest.approx(ours, abs=4 * 0.5 / math.sqrt(runs))


def test_independent_losses_multiply_as_the_textbook_says():
    # p^n: 5 % loss fails 0.25 % at two tries and 0.0125 % at three
    margin = margin_for_success(0.95, rician_k_db=-np.inf)
    assert message_failure(margin, rician_k_db=-np.inf, tries=2) == pytest.approx(0.0025, rel=1e-6)
    assert message_failure(margin, rician_k_db=-np.inf, tries=3) == pytest.approx(0.000125, rel=1e-6)


@pytest.mark.parametrize(("loss", "failure", "half_a_digit"), [(0.05, 0.00093, 5e-6), (0.30, 0.13, 5e-3)])
def test_an_acknowledged_message_fails_more_often_than_one_way_losses_say(loss, failure, half_a_digit):
    # (1-p_up)(1-p_dn) for each of three tries: at 5 % each way 0.093 %, at 30 % each way 13 %
    margin = margin_for_success(1 - loss, rician_k_db=-np.inf)
    ours = 1 - two_way_success(margin, margin, rician_k_db=-np.inf, tries=3)
    assert ours == pytest.approx(failure, abs=half_a_digit)


@pytest.mark.parametrize(
    ("sigma", "published"), [(6.0, (7.7, 9.9, 14.0)), (8.0, (10.3, 13.2, 18.6)), (12.0, (15.4, 19.7, 27.9))]
)
def test_margin_for_prediction_error_alone_agrees_with_the_normal_table(sigma, published):
    # one-sided normal quantiles 90, 95, 99 % times sigma; no fast fading
    ours = margin_for_success([0.90, 0.95, 0.99], sigma, rician_k_db=np.inf)
    np.testing.assert_allclose(ours, published, atol=0.06)


@given(
    st.floats(1e-6, 1 - 1e-9),
    st.floats(0, 15),
    st.sampled_from([-np.inf, 0.0, 6.0, 15.0]),
    st.integers(1, 6),
)
@settings(max_examples=40, deadline=None)
def test_margin_for_success_is_the_inverse_of_success(success, sigma, k_db, tries):
    margin = margin_for_success(success, sigma, rician_k_db=k_db, tries=tries)
    failure = message_failure(margin, sigma, rician_k_db=k_db, tries=tries)
    assert failure == pytest.approx(1 - success, rel=1e-6, abs=1e-15)


margins = st.floats(-20, 60)
sigmas = st.floats(0, 15)
k_values = st.sampled_from([-np.inf, 0.0, 6.0, 12.0, 25.0])


@given(margins, st.floats(0.01, 10), sigmas, k_values, st.integers(1, 8))
@settings(max_examples=60, deadline=None)
def test_more_margin_never_fails_more_often(margin, more, sigma, k_db, tries):
    worse, better = message_failure([margin, margin + more], sigma, rician_k_db=k_db, tries=tries)
    assert 0 <= better <= worse <= 1 + 1e-12


@given(margins, sigmas, k_values, st.integers(1, 8))
@settings(max_examples=60, deadline=None)
def test_another_try_never_hurts_and_never_helps_more_than_independence_would(margin, sigma, k_db, tries):
    failures = [message_failure(margin, sigma, rician_k_db=k_db, tries=n) for n in (1, tries, tries + 1)]
    assert failures[2] <= failures[1] * (1 + 1e-9)
    assert failures[1] >= failures[0] ** tries * (1 - 1e-9)


@given(margins, margins, sigmas, st.integers(1, 5))
@settings(max_examples=60, deadline=None)
def test_needing_the_acknowledgement_never_helps(up, down, sigma, tries):
    both = two_way_success(up, down, sigma, tries=tries)
    weaker = message_success(min(up, down), sigma, tries=tries)
    assert both <= weaker + 1e-12
    # a shared slow state makes the two directions succeed together more often than by chance
    if tries == 1:
        assert both >= message_success(up, sigma) * message_success(down, sigma) - 1e-12


@given(margins, sigmas, k_values, st.integers(1, 8))
@settings(max_examples=40, deadline=None)
def test_delivery_by_try_adds_up_to_the_success(margin, sigma, k_db, tries):
    by_try = success_by_try(margin, sigma, rician_k_db=k_db, tries=tries)
    assert by_try.shape == (tries,)
    assert (by_try >= 0).all()
    whole = message_success(margin, sigma, rician_k_db=k_db, tries=tries)
    assert by_try.sum() == pytest.approx(whole, abs=1e-9)


def test_without_slow_variation_only_the_fading_counts():
    margin = np.array([0.0, 10.0, 30.0])
    np.testing.assert_allclose(
        message_failure(margin, 0.0, rician_k_db=6.0), rician_outage(margin, 6.0), rtol=1e-9
    )
    np.testing.assert_allclose(
        message_failure(margin, 0.0, rician_k_db=-np.inf, tries=3), rayleigh(margin) ** 3, rtol=1e-9
    )
    small = message_failure(margin, 1e-6, rician_k_db=6.0)
    np.testing.assert_allclose(small, rician_outage(margin, 6.0), rtol=1e-9)


def test_without_fast_fading_only_the_slow_variation_counts_and_tries_are_in_vain():
    margin = np.array([-3.0, 0.0, 9.0, 18.0])
    once, often = (message_failure(margin, 6.0, rician_k_db=np.inf, tries=n) for n in (1, 5))
    np.testing.assert_allclose(once, norm.sf(margin / 6.0), rtol=0.01)
    np.testing.assert_allclose(often, once, rtol=0.1)


def test_arguments_broadcast_and_each_element_is_what_it_is_alone():
    margin = np.array([0.0, 12.0, 45.0])[:, None]
    sigma = np.array([0.0, 3.0, 12.0])
    k_db = np.array([-np.inf, 6.0, 20.0])
    whole = message_success(margin, sigma, rician_k_db=k_db, tries=2)
    assert whole.shape == (3, 3)
    alone = [
        [message_success(m, s, rician_k_db=k, tries=2) for s, k in zip(sigma, k_db, strict=True)]
        for m in margin[:, 0]
    ]
    np.testing.assert_allclose(whole, alone, rtol=1e-9)
    assert two_way_success(margin, margin - 3, sigma, rician_k_db=k_db).shape == (3, 3)
    assert success_by_try(margin, sigma, tries=4).shape == (3, 3, 4)
    assert margin_for_success([[0.9], [0.99]], sigma).shape == (2, 3)
    assert isinstance(message_success(12.0, 6.0), float)


@pytest.mark.parametrize(
    "arguments",
    [
        {"margin_db": math.nan},
        {"sigma_db": -1.0},
        {"rician_k_db": math.nan},
        {"tries": 0},
        {"tries": 1.5},
        {"tries": True},
    ],
)
def test_an_undefined_message_is_refused(arguments):
    with pytest.raises(DomainError):
        message_success(**({"margin_db": 12.0, "sigma_db": 6.0} | arguments))
    if "margin_db" not in arguments:
        with pytest.raises(DomainError):
            margin_for_success(0.9, **({"sigma_db": 6.0} | arguments))


@pytest.mark.parametrize("success", [0.0, 1.0, 1.5])
def test_certainty_has_no_margin(success):
    with pytest.raises(DomainError):
        margin_for_success(success)


# Many links: tables


def test_the_mean_over_sites_is_that_of_sites_drawn_one_by_one(few: Callable[[int], int]):
    # K log-normal over sites, 8 dB (IEEE Trans. on Vehicular Technology, 2009), held between -14 and 20 dB
    rng = np.random.default_rng(77)
    assert K_SPREAD_DB == 8.0
    for margin, sigma, k_db, tries in (
        (12.0, 6.0, 10.0, 1),
        (6.0, 9.0, 3.0, 3),
        (20.0, 2.0, 3.0, 1),
        (0.0, 4.0, 8.0, 2),
    ):
        k = np.clip(k_db + 8.0 * rng.standard_normal(few(3000)), -14.0, 20.0)
        one_by_one = message_success(margin, sigma, rician_k_db=k, tries=tries)
        error = one_by_one.std() / math.sqrt(k.size)
        assert mean_success(margin, sigma, k_db, tries=tries) == pytest.approx(
            one_by_one.mean(), abs=4.0 * error + 1e-3
        )


def test_other_users_spoil_each_try_by_itself():
    # one try: (1 - b) p; two tries without fading to speak of: 1 - b^2 = 0.91 for b = 0.3
    for margin in (0.0, 10.0, 25.0):
        free = mean_success(margin, 5.0, 10.0)
        assert mean_success(margin, 5.0, 10.0, busy=0.05) == pytest.approx(0.95 * free, abs=1e-9)
    assert mean_success(100.0, 5.0, 10.0, tries=2, busy=0.3) == pytest.approx(0.91, abs=1e-4)


@pytest.mark.parametrize(("node", "sigma"), [(0, 0.0), (4, 2.0), (18, 9.0)])
def test_the_tables_are_the_functions_they_stand_for(node, sigma):
    table = lost_over_the_year(2, 0.0, node)
    at = np.flatnonzero(np.isin(reliability.MARGIN_GRID_DB, np.arange(-10.0, 41.0, 10.0)))
    exact = message_failure(
        reliability.MARGIN_GRID_DB[at], sigma, rician_k_db=reliability.K_GRID_DB[:, np.newaxis], tries=2
    )
    np.testing.assert_allclose(table[:, at], exact, atol=1e-4)


@given(
    st.floats(-30, 60),
    st.floats(0.1, 5.0),
    st.floats(0, 20),
    st.floats(0, 16),
    st.integers(1, 5),
    st.floats(0, 0.5),
)
@settings(max_examples=60, deadline=None)
def test_more_margin_more_tries_and_a_quieter_channel_never_hurt(margin, more, sigma, k_db, tries, busy):
    at = mean_success(margin, sigma, k_db, tries=tries, busy=busy)
    slack = 2e-4
    assert 0.0 <= at <= 1.0
    assert mean_success(margin + more, sigma, k_db, tries=tries, busy=busy) >= at - slack
    assert mean_success(margin, sigma, k_db, tries=tries + 1, busy=busy) >= at - slack
    assert mean_success(margin, sigma, k_db, tries=tries, busy=0.5 * busy) >= at - slack


def test_means_are_given_where_all_is_known_and_for_arrays_as_for_each_alone():
    margin, sigma, k_db = (
        np.array([3.0, math.nan, 15.0]),
        np.array([4.0, 4.0, 11.0]),
        np.array([3.0, 3.0, 9.0]),
    )
    found = mean_success(margin, sigma, k_db, tries=2)
    assert np.isnan(found).tolist() == [False, True, False]
    for i in (0, 2):
        assert found[i] == pytest.approx(mean_success(margin[i], sigma[i], k_db[i], tries=2), abs=1e-12)
    assert mean_success(400.0, 4.0, 3.0) == pytest.approx(1.0, abs=1e-6)
    assert mean_success(-400.0, 4.0, 3.0) == pytest.approx(0.0, abs=1e-6)

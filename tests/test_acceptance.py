"""Proof by counting: intervals against tables, stop rules against exact sums and simulation."""

import itertools

import numpy as np
import pytest

from linkcalc.errors import DomainError
from linkcalc.site.acceptance import acceptance, fixed_rule, judge, sequential_rule
from linkcalc.site.loss_rate import largest_loss_rate, loss_rate_interval, packets_needed

WILSON = [
    # sent, lost, low %, high %: trade notes, commissioning table, two-sided 95 %
    (30, 0, 0.0, 11.4),
    (60, 0, 0.0, 6.0),
    (100, 0, 0.0, 3.7),
    (300, 0, 0.0, 1.26),
    (1000, 0, 0.0, 0.38),
    (100, 2, 0.55, 7.0),
    (100, 5, 2.2, 11.2),
    (100, 10, 5.5, 17.4),
]


@pytest.mark.parametrize(("sent", "lost", "low", "high"), WILSON)
def test_wilson_intervals_agree_with_the_trades_table(sent, lost, low, high):
    found = [100.0 * x for x in loss_rate_interval(lost, sent, method="wilson")]
    for value, printed in zip(found, (low, high), strict=True):
        digits = 2 if printed in (0.55, 1.26, 0.38) else 1
        assert value == pytest.approx(printed, abs=0.51 * 10**-digits)


def test_the_rule_of_three_is_the_exact_limit_rounded_up():
    # trade notes: 3 % for 100 without a loss, exact 2.95 %
    assert 100.0 * largest_loss_rate(0, 100) == pytest.approx(2.95, abs=0.005)
    n = np.array([30, 60, 100, 300, 1000])
    exact = np.array([largest_loss_rate(0, int(k)) for k in n])
    assert (exact < 3.0 / n).all()
    np.testing.assert_allclose(exact, 1.0 - 0.05 ** (1.0 / n), rtol=1e-9)  # closed form for none lost


def test_an_exact_interval_misses_no_more_often_than_it_says():
    from scipy.stats import binom

    sent = 40
    intervals = np.array([loss_rate_interval(k, sent) for k in range(sent + 1)])
    for rate in np.linspace(0.005, 0.6, 60):
        holds = (intervals[:, 0] <= rate) & (rate <= intervals[:, 1])
        assert binom.pmf(np.arange(sent + 1), sent, rate)[holds].sum() >= 0.95


@pytest.mark.parametrize(
    ("success", "confidence", "allowed", "packets"),
    # success-run table of quality handbooks (zero-failure 59, 299; with failures 93, 124), from memory
    [
        (0.95, 0.95, 0, 59),
        (0.99, 0.95, 0, 299),
        (0.90, 0.90, 0, 22),
        (0.95, 0.95, 1, 93),
        (0.95, 0.95, 2, 124),
    ],
)
def test_packets_needed_are_those_of_the_success_run_table(success, confidence, allowed, packets):
    assert packets_needed(success, confidence, allowed) == packets


def test_one_packet_fewer_proves_less_than_was_asked():
    for success in (0.8, 0.95, 0.99):
        for allowed in (0, 1, 5):
            n = packets_needed(success, 0.95, allowed)
            assert judge(allowed, n, success).passed
            assert not judge(allowed, n - 1, success).passed


def decide(rule, lost):
    """Whether packets in their order pass (None: not decided yet), and after how many of them."""
    sums = np.cumsum(lost[: rule.packets])
    n = np.arange(1, sums.size + 1)
    stops = (sums <= rule.pass_at_most[n]) | (sums >= rule.fail_at_least[n])
    if not stops.any():
        return (False if sums.size == rule.packets else None), sums.size
    at = int(np.argmax(stops))
    return bool(sums[at] <= rule.pass_at_most[at + 1]), at + 1


def test_stopping_when_the_answer_is_certain_changes_no_answer_and_saves_packets():
    whole, early = fixed_rule(124, 2), fixed_rule(124, 2, curtailed=True)
    for rate in (0.0, 0.01, 0.05, 0.2, 1.0):
        assert early.outcome(rate)[0] == pytest.approx(whole.outcome(rate)[0], abs=1e-12)
        assert early.outcome(rate)[1] <= whole.outcome(rate)[1] == pytest.approx(124.0)
    rng = np.random.default_rng(2)
    for lost in rng.random((300, 124)) < 0.03:
        assert decide(early, lost)[0] == decide(whole, lost)[0]


def test_a_fixed_tests_chances_are_the_binomials():
    from scipy.stats import binom

    for rate in (0.001, 0.02, 0.05, 0.3):
        assert fixed_rule(93, 1).outcome(rate)[0] == pytest.approx(binom.cdf(1, 93, rate), abs=1e-12)


def packet_by_packet(rule, loss_rate):
    """Chance of passing and mean length, summed over all ways through a test one packet at a time."""
    losses = np.arange(int(rule.fail_at_least.max()) + 1)
    going = (losses == 0).astype(float)
    passed = mean = 0.0
    for n in range(1, rule.packets + 1):
        mean += going.sum()
        after = going * (1.0 - loss_rate)
        after[1:] += going[:-1] * loss_rate
        ends = losses <= rule.pass_at_most[n]
        passed += after[ends].sum()
        going = np.where(ends | (losses >= rule.fail_at_least[n]), 0.0, after)
    return passed, mean


@pytest.mark.parametrize("loss_rate", [0.0, 0.003, 0.01, 0.05, 0.3, 1.0])
def test_the_chances_of_a_test_are_those_summed_packet_by_packet(loss_rate):
    for rule in (
        sequential_rule(0.95, 0.99),
        sequential_rule(0.9, 0.99, 0.99),
        fixed_rule(124, 2, curtailed=True),
    ):
        np.testing.assert_allclose(rule.outcome(loss_rate), packet_by_packet(rule, loss_rate), atol=1e-9)


@pytest.mark.parametrize(("success", "good"), [(0.95, 0.99), (0.9, 0.97), (0.99, 0.998)])
def test_the_early_stop_keeps_its_risks(success, good):
    rule = sequential_rule(success, good)
    assert rule.outcome(1.0 - success)[0] <= 0.05
    assert rule.outcome(1.0 - good)[0] >= 0.945
    worse = [rule.outcome(q)[0] for q in np.linspace(1.0 - success, 0.6, 8)]
    assert all(a >= b - 1e-12 for a, b in itertools.pairwise(worse))


def test_the_early_stop_does_in_simulation_what_its_sums_say():
    rule = sequential_rule(0.95, 0.99)
    rng = np.random.default_rng(3)
    for rate in (0.05, 0.01, 0.02):
        passed, mean = rule.outcome(rate)
        runs = [decide(rule, lost) for lost in rng.random((4000, rule.packets)) < rate]
        assert all(p is not None for p, _ in runs)
        assert np.mean([p for p, _ in runs]) == pytest.approx(passed, abs=4.0 * 0.5 / 4000**0.5)
        assert np.mean([n for _, n in runs]) == pytest.approx(mean, rel=0.06)


def test_a_good_link_is_passed_sooner_by_the_early_stop_than_by_the_fixed_test_of_its_power():
    rule = sequential_rule(0.95, 0.99)
    assert rule.outcome(0.01)[1] < 0.7 * 181  # 181 packets, 4 lost: the fixed test with the same two risks
    assert fixed_rule(181, 4).outcome(0.05)[0] < 0.05
    assert fixed_rule(181, 4).outcome(0.01)[0] > 0.95


def test_the_table_to_take_along_is_the_rule():
    rule = sequential_rule(0.95, 0.99)
    steps = acceptance(0.95, good_success=0.99).rules[-1].steps
    starts = np.array([n for n, _, _ in steps])
    assert starts[0] == 1
    for n in range(1, rule.packets + 1):
        _, to_pass, to_fail = steps[int(np.searchsorted(starts, n, side="right")) - 1]
        assert (to_pass, to_fail) == (rule.pass_at_most[n], rule.fail_at_least[n])


def test_a_test_that_is_not_over_is_not_decided():
    rule = sequential_rule(0.95, 0.99)
    assert decide(rule, np.zeros(30, dtype=bool)) == (None, 30)
    assert decide(rule, np.zeros(500, dtype=bool)) == (True, 72)
    assert decide(rule, np.ones(500, dtype=bool)) == (False, 2)


def test_losses_in_bursts_pass_bad_links_more_often_than_the_test_says():
    # why the caution is printed: half of the time nothing is lost, half of the time 10 %
    rng = np.random.default_rng(4)
    rule = fixed_rule(59, 0)
    together = np.repeat(rng.random((4000, 1)) < 0.5, 59, axis=1)
    lost = (rng.random((4000, 59)) < 0.1) & together
    assert np.mean([decide(rule, x)[0] for x in lost]) > 0.4
    assert rule.outcome(0.05)[0] < 0.05


def test_three_hundred_packets_a_minute_apart_take_five_hours():
    found = acceptance(
        0.99, losses_allowed=(0,), time_on_air_s=0.37, interval_s=60.0
    )  # trade notes: 300 packets
    assert (found.interval_s, found.interval_limited_by) == (60.0, "interval")
    assert found.rules[0].packets == 299
    assert found.rules[0].duration_s / found.rules[0].packets * 300 == pytest.approx(5 * 3600.0)


def test_at_one_percent_duty_the_highest_spreading_factor_sends_27_packets_an_hour():
    # trade notes: SF12, 20 bytes, 1318.9 ms on the air
    found = acceptance(0.95, time_on_air_s=1.3189, interval_s=10.0, duty_cycle=0.01)
    assert found.interval_limited_by == "duty cycle"
    assert int(3600.0 / found.interval_s) == 27
    assert 27 * found.interval_s == pytest.approx(3561.0, abs=1.0)


def test_a_legal_interval_holds_the_test_back():
    found = acceptance(0.95, time_on_air_s=0.1, interval_s=1.0, legal_interval_s=36.0)
    assert (found.interval_s, found.interval_limited_by) == (36.0, "legal limit")


def test_a_count_says_what_is_proven_and_how_many_more_it_takes():
    found = judge(2, 100, 0.95)
    assert not found.passed
    assert found.more_needed == 24
    assert judge(2, 124, 0.95).passed
    assert judge(10, 100, 0.95).more_needed is None
    assert judge(0, 59, 0.95).success_at_least >= 0.95


def test_every_test_offered_proves_what_was_asked():
    found = acceptance(0.98, 0.9, time_on_air_s=0.2, interval_s=30.0)
    for rule in found.rules:
        assert rule.bad_passes <= 0.1 + 1e-12
        assert rule.good_passes > rule.bad_passes
        assert rule.duration_s == pytest.approx(30.0 * rule.packets)
    assert found.good_success == pytest.approx(0.996)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: packets_needed(1.0), "success must be at most"),
        (lambda: packets_needed(0.9999999), "more than 1000000 packets"),
        (lambda: packets_needed(0.95, 0.95, -1), "losses_allowed must be a whole number"),
        (lambda: loss_rate_interval(3, 2), "lost must be a whole number from 0 to sent, got 3 of 2"),
        (lambda: judge(0, 0, 0.95), "sent must be at least 1"),
        (lambda: sequential_rule(0.95, 0.94), "good_success must be above success"),
        (lambda: sequential_rule(0.95, 0.9501), "too close"),
        (lambda: fixed_rule(3, 3), "3 losses allowed in 3 packets is not a test"),
        (lambda: acceptance(0.95, time_on_air_s=0.0), "time_on_air_s must be above 0"),
    ],
)
def test_figures_that_make_no_test_are_refused_in_one_line(call, said):
    with pytest.raises(DomainError, match=said):
        call()


def test_a_whole_test_fails_nobody_before_its_last_packet():
    rule = fixed_rule(10, 2)
    assert rule.fail_at_least.tolist() == [11] * 10 + [3]
    assert rule.pass_at_most.tolist() == [-1] * 10 + [2]


def test_a_first_packet_that_is_lost_can_fail_a_sequential_test():
    """Half lost against one in 1000: the limit stands at ln(0.95 / 0.05) / (ln 500 + ln 1.998) = 0.43 lost, and 0.1 for
    each packet.
    """
    assert sequential_rule(0.5, 0.999).fail_at_least[1] == 1


@pytest.mark.parametrize("loss_rate", [-0.1, 1.1])
def test_a_loss_rate_is_from_none_to_all(loss_rate):
    with pytest.raises(DomainError, match="loss_rate"):
        fixed_rule(10, 2).outcome(loss_rate)

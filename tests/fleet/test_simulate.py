"""The fleet played packet by packet: against the closed form, and against itself elsewhere."""

import dataclasses

import numpy as np
import pytest

from linkcalc.area.scheduler import Local
from linkcalc.errors import DomainError
from linkcalc.fleets.contention import outlook
from linkcalc.fleets.network import Network, Setting
from linkcalc.fleets.simulate import Draws, Rules, events, simulated_parts, tallied, wilson
from linkcalc.propagation import compiled
from tests.fleet.networks import AIRTIME_S, Distant, aloha_success, equal_nodes, scattered, simulate

NUMBA = pytest.mark.skipif(not compiled.available(), reason="no numba: some minutes")


def standard_errors(network: Network, setting: Setting, wanted: float, packets: float) -> float:
    """How far the share of messages delivered is from what is wanted; parts show the error."""
    parts = 16
    duration = packets / parts * float(network.interval_s[0]) / network.nodes
    found = simulated_parts(network, setting, duration_s=duration, parts=parts, seed=5)
    shares = np.array([p.delivered.sum() / p.messages.sum() for p in found])
    return float(abs(shares.mean() - wanted) / (shares.std(ddof=1) / np.sqrt(parts)))


@NUMBA
@pytest.mark.parametrize("load", [0.05, 0.2, 0.5, 1.0])
@pytest.mark.parametrize("slotted", [False, True])
def test_random_senders_without_capture_fare_as_aloha(load, slotted):
    network, setting = equal_nodes(100, load, slotted=slotted)
    wanted = aloha_success(load * 99 / 100, slotted=slotted)
    assert standard_errors(network, setting, wanted, 100_000) < 3.0
    assert outlook(network, setting, spread=False).success == pytest.approx(wanted, rel=1e-5)


@NUMBA
@pytest.mark.parametrize(
    "changed",
    [
        {"acknowledged": False},
        {"acknowledged": False, "channels": 3},
        {"acknowledged": False, "tries": 2, "retry_wait_s": 30.0},
        {"tries": 1},
        {"tries": 3, "channels": 3, "timing": "periodic"},
        {"tries": 2, "demodulators": 1},
    ],
    ids=str,
)
def test_a_fleet_with_capture_and_fading_fares_as_the_closed_form(changed):
    network, setting = scattered(80, interval_s=900.0, **changed)
    found = simulate(network, setting, duration_s=900.0 * 400, parts=6, seed=2)
    wanted = outlook(network, setting, spread=False)
    low, high = found.interval(0.9973)
    inside = (wanted.success > low - 0.01) & (wanted.success < high + 0.01)
    assert inside.mean() > 0.95
    assert found.success.mean() == pytest.approx(wanted.success.mean(), abs=0.004)
    assert found.sent.sum() / found.messages.sum() == pytest.approx(wanted.transmissions.mean(), rel=0.01)


@NUMBA
@pytest.mark.parametrize("channels", [1, 4])
def test_answers_that_reach_into_the_next_slot_deafen_as_in_the_closed_form(channels):
    # answers of the long signal fill more than half of the slot after theirs
    network, setting = equal_nodes(
        40, 0.3, slotted=True, acknowledged=True, channels=channels, required_snr_db=np.array([-7.5, -20.0]),
        threshold_db=np.array([[1.0, -9.0], [-25.0, 1.0]]), factors=(7, 12), answer_s=np.array([0.04, 0.25]),
        time_on_air_s=np.tile([0.05, AIRTIME_S], (40, 1)),
    )  # fmt: skip
    setting = Setting(setting.shed, np.arange(40) % 2, setting.power_dbm)
    network = dataclasses.replace(network, interval_s=network.interval_s * 4.0)
    found = simulate(network, setting, duration_s=4000 * network.interval_s[0], parts=4, seed=3)
    wanted = outlook(network, setting, spread=False).try_success
    for own in (slice(0, None, 2), slice(1, None, 2)):
        share = found.received[own].sum() / found.sent[own].sum()
        assert share == pytest.approx(wanted[own].mean(), abs=0.01)


def test_of_packets_that_end_together_both_are_received():
    two, zero = np.ones(2), np.zeros(2, dtype=np.int64)
    heard = np.ones((2, 1), dtype=np.bool_)
    draws = Draws(
        np.array([0.1, 0.2]), np.arange(2), np.ones(2, dtype=np.bool_), np.array([[0], [1]], dtype=np.int32),
        np.ones((2, 1, 1), dtype=np.float32), heard, np.ones((2, 1)),
    )  # fmt: skip
    rules = Rules(
        zero, zero, 0.5 * two, 0.2 * two, np.full((1, 1), 0.1, dtype=np.float32),
        np.ones((1, 1), dtype=np.float32), 8, True, True, 1.0,
    )  # fmt: skip
    counts = np.array(tallied(draws, 2, *events(draws, rules)))
    assert counts[:4].tolist() == [[1, 1]] * 4  # messages, delivered, sent, received


@NUMBA
@pytest.mark.parametrize("times", [1.0, 5.0])
def test_a_shed_that_hears_while_it_answers_still_answers_one_at_a_time(times):
    network, setting = scattered(
        40, sheds=1, tries=3, half_duplex=False, interval_s=120.0 * times,
        gain_db=-np.random.default_rng(3).uniform(95.0, 120.0, (40, 1)),
    )  # fmt: skip
    found = simulate(network, setting, duration_s=network.interval_s[0] * 600, parts=4, seed=8)
    wanted = outlook(network, setting, spread=False).transmissions.mean()
    assert found.sent.sum() / found.messages.sum() == pytest.approx(wanted, rel=0.03)


@NUMBA
def test_losses_of_each_kind_are_those_of_the_closed_form():
    network, setting = scattered(80, interval_s=600.0, acknowledged=False, demodulators=2)
    found = simulate(network, setting, duration_s=600.0 * 500, parts=6, seed=3)
    wanted = outlook(network, setting, spread=False)
    strong = found.sent - found.weak
    assert found.collided.sum() / strong.sum() == pytest.approx(
        np.average(wanted.collided, weights=strong), rel=0.1
    )
    assert found.busy.sum() / strong.sum() == pytest.approx(
        np.average(wanted.found_busy, weights=strong), rel=0.25, abs=5e-4
    )


@NUMBA
def test_periodic_senders_in_step_meet_always_or_never():
    network, setting = equal_nodes(
        2, 0.02, timing="periodic", jitter=0.0, threshold_db=np.full((1, 1), 300.0)
    )
    shares = [
        p.delivered.sum() / p.messages.sum()
        for p in simulated_parts(network, setting, duration_s=50 * network.interval_s[0], parts=60, seed=4)
    ]
    assert set(np.round(shares, 6)) <= {0.0, 1.0}
    with_jitter = dataclasses.replace(network, jitter=0.3)
    part = simulate(with_jitter, setting, duration_s=3000 * network.interval_s[0], parts=1, seed=4)
    assert 0.9 < part.success.mean() < 1.0


@pytest.mark.skipif(not compiled.available(), reason="no numba")
@pytest.mark.parametrize("slotted", [False, True])
def test_compiled_and_plain_give_the_same_counts(slotted):
    network, setting = scattered(
        25, interval_s=60.0, tries=3, channels=2, demodulators=2, retry_wait_s=2.0, slotted=slotted
    )
    options = {"duration_s": 3000.0, "parts": 2, "seed": 9}
    plain = simulate(network, setting, use_numba=False, **options)
    quick = simulate(network, setting, use_numba=True, **options)
    for one, other in zip(plain.arrays, quick.arrays, strict=True):
        assert np.array_equal(one, other)
    assert plain.collided.sum() > 0
    assert plain.deaf.sum() > 0
    assert plain.busy.sum() > 0


def test_counts_do_not_depend_on_who_works_off_the_parts():
    network, setting = scattered(20, interval_s=120.0, tries=2)
    options = {"duration_s": 3000.0, "parts": 5, "seed": 11, "use_numba": False}
    runs = [simulate(network, setting, scheduler=who, **options) for who in (Local(1), Local(3), Distant())]
    for other in runs[1:]:
        for a, b in zip(runs[0].arrays, other.arrays, strict=True):
            assert np.array_equal(a, b)
    again = simulate(network, setting, **{**options, "seed": 12})
    assert not np.array_equal(again.received, runs[0].received)


def test_counts_add_up():
    network, setting = scattered(20, interval_s=60.0, tries=3)
    found = simulate(network, setting, duration_s=4000.0, parts=2, use_numba=False)
    lost = found.weak + found.deaf + found.busy + found.collided
    assert np.array_equal(found.sent, found.received + lost)
    assert (found.delivered <= found.messages).all()
    assert (found.sent >= found.messages).all()
    assert (found.sent <= 3 * found.messages).all()


def test_a_lonely_node_is_received_whenever_it_is_strong_enough():
    network, setting = equal_nodes(1, 0.01)
    found = simulate(network, setting, duration_s=3000 * AIRTIME_S, parts=1, use_numba=False)
    assert found.received[0] == found.sent[0] > 10


def test_the_interval_is_wilsons():
    # the trade notes' table of packet error rates: 100 sent, 5 lost: 2.2 % to 11.2 %
    low, high = wilson(95, 100)
    assert (round(100 * (1 - float(high)), 1), round(100 * (1 - float(low)), 1)) == (2.2, 11.2)
    assert [float(v) for v in wilson(0, 0)] == [0.0, 1.0]


def test_more_packets_than_memory_holds_are_refused():
    network, setting = equal_nodes(100, 1.0)
    with pytest.raises(DomainError, match="take shorter parts, and more of them"):
        simulate(network, setting, duration_s=1e8, parts=1)

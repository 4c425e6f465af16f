"""The closed form: its limits, its laws, and a lonely node."""

import dataclasses

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import ncx2

from linkcalc.errors import DomainError
from linkcalc.fleets.contention import outlook
from linkcalc.fleets.levels import above
from linkcalc.fleets.network import FADING_K_DB, STEADY, Network, Setting
from linkcalc.fleets.random_access import blocked
from linkcalc.link.reliability import message_failure, rician_outage, two_way_success
from tests.fleet.networks import AIRTIME_S, aloha_success, equal_nodes, scattered


@pytest.mark.parametrize("load", [0.01, 0.1, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("slotted", [False, True])
def test_equal_nodes_without_capture_fare_as_aloha(load, slotted):
    # Abramson 1970 and Roberts 1972; a node does not meet itself, so that n - 1 of n count
    network, setting = equal_nodes(400, load, slotted=slotted)
    wanted = aloha_success(load * 399 / 400, slotted=slotted)
    assert outlook(network, setting).success == pytest.approx(wanted, rel=1e-5)


def test_with_perfect_separation_nothing_collides():
    network, setting = equal_nodes(50, 1.0, threshold_db=np.full((1, 1), -300.0))
    assert outlook(network, setting).success == pytest.approx(1.0)


def test_channels_share_the_load():
    one, setting = equal_nodes(60, 0.25)
    four, _ = equal_nodes(60, 1.0, channels=4)
    assert outlook(one, setting).success == pytest.approx(outlook(four, setting).success)


def test_a_node_alone_has_the_success_of_its_link():
    network, _ = scattered(1, sheds=1, tries=3)
    for kind, k_db in enumerate(FADING_K_DB[:3]):
        for power in (-8.0, 2.0, 14.0):
            one = dataclasses.replace(network, fading=np.full((1, 1), kind, dtype=np.int8))
            zero = np.zeros(1, dtype=np.int64)
            found = outlook(one, Setting(zero, zero + 3, np.full(1, power)))
            margin = found.margin_db[0]
            wanted = 1.0 - message_failure(margin, 8.0, rician_k_db=k_db, tries=3)
            assert found.success[0] == pytest.approx(wanted, abs=1e-4)
            assert found.alone[0] == pytest.approx(found.success[0], abs=1e-12)


def test_a_node_alone_repeats_until_it_hears_an_answer():
    network, setting = scattered(1, sheds=1, tries=2)
    network = dataclasses.replace(network, return_snr_db=np.full((1, 1), -12.0), sigma_db=np.zeros((1, 1)))
    found = outlook(network, setting)
    back = -12.0 - network.required_snr_db[setting.factor[0]]
    k_db = FADING_K_DB[network.fading[0, 0]]
    heard = two_way_success(found.margin_db[0], back, rician_k_db=k_db, tries=1)
    assert found.transmissions[0] == pytest.approx(1.0 + 1.0 - heard, abs=1e-3)


def test_one_demodulator_loses_what_erlang_says():
    network, setting = equal_nodes(300, 0.2, demodulators=1, threshold_db=np.full((1, 1), -300.0))
    wanted = 1.0 - blocked(1, 0.2 * 299 / 300)
    assert outlook(network, setting).success == pytest.approx(wanted, rel=1e-6)


def test_answers_deafen_a_shed_that_cannot_hear_while_it_sends():
    network, setting = equal_nodes(
        100, 0.1, acknowledged=True, threshold_db=np.full((1, 1), -300.0), half_duplex=True
    )
    found = outlook(network, setting)
    rate = 99 / network.interval_s[0]
    received, lost = found.try_success[0], found.found_deaf[0]
    # each packet heard is answered at once, and answers never overlap: a packet is lost that begins in one,
    # or that sees the first begin, of what would be answered were there none before
    silent = 1.0 - rate * received * 0.2
    none_begins = np.exp(-rate * received / (1.0 - lost) * AIRTIME_S)
    assert received == pytest.approx(silent * none_begins, rel=1e-4)
    both = dataclasses.replace(network, half_duplex=False)
    assert outlook(both, setting).try_success == pytest.approx(1.0)


@pytest.mark.parametrize("acknowledged", [False, True])
def test_more_traffic_never_helps_anybody(acknowledged):
    network, setting = scattered(40, tries=3, acknowledged=acknowledged)
    before = outlook(network, setting)
    for times in (2.0, 8.0, 32.0):
        more = dataclasses.replace(network, interval_s=network.interval_s / times)
        after = outlook(more, setting)
        assert (after.success <= before.success + 1e-9).all()
        assert (after.load >= before.load).all()
        before = after


def test_repeating_costs_no_less_than_it_sends():
    network, setting = scattered(40, tries=4, acknowledged=False)
    assert outlook(network, setting).transmissions == pytest.approx(4.0)


def test_a_louder_neighbour_takes_and_a_weaker_one_spares():
    network, setting = equal_nodes(2, 0.4, threshold_db=np.array([[1.0]]))
    gain = np.array([[-100.0], [-105.0]])
    found = outlook(dataclasses.replace(network, gain_db=gain), setting)
    assert found.success[0] == pytest.approx(1.0)
    rate = 1.0 / network.interval_s[0]
    assert found.success[1] == pytest.approx(np.exp(-rate * 2.0 * AIRTIME_S), rel=1e-6)


def test_equal_fading_nodes_capture_as_integrated():
    # two Rician powers of one mean and K: twice each is a noncentral chi-squared variate of two degrees of freedom
    # (Simon and Alouini, Digital Communication over Fading Channels, table 2.2)
    network, setting = equal_nodes(
        2, 0.01, fading=np.zeros((2, 1), dtype=np.int8), threshold_db=np.array([[6.0]]),
        noise_dbm=np.full(1, -150.0),
    )  # fmt: skip
    level = ncx2(2, 2.0 * 10.0 ** (FADING_K_DB[0] / 10.0))
    lost, _ = quad(lambda power: level.pdf(power) * level.cdf(10.0**0.6 * power), 0.0, 60.0)
    rate = 1.0 / network.interval_s[0]
    met = 2.0 * AIRTIME_S * rate
    # 1 - exp(-met share) of each level, to the first order in met
    assert 1.0 - outlook(network, setting).success[0] == pytest.approx(met * lost, rel=0.01)


def test_fading_is_that_of_the_library():
    over = np.linspace(-30.0, 60.0, 181)
    for kind, k_db in enumerate(FADING_K_DB):
        got = above(np.full(1, kind, dtype=np.int8), over[np.newaxis])[0]
        assert got == pytest.approx(1.0 - rician_outage(over, k_db), abs=2e-4 if kind == STEADY else 1e-6)


def test_arrays_that_do_not_fit_are_refused():
    network, _ = equal_nodes(3, 0.1)
    given = {f.name: getattr(network, f.name) for f in dataclasses.fields(network)}
    with pytest.raises(DomainError, match=r"answer_s must have the shape \(1,\)"):
        Network(**{**given, "answer_s": np.zeros(2)})
    with pytest.raises(DomainError, match="channels"):
        Network(**{**given, "channels": 0})
    with pytest.raises(DomainError, match="interval_s"):
        Network(**{**given, "interval_s": np.array([1.0, 0.0, 1.0])})

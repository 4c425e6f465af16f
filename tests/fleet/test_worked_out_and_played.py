"""The closed form beside the simulation, over kinds of fleets and loads (all: tests.validation fleets)."""

import dataclasses

import numpy as np
import pytest

from linkcalc.fleets.contention import outlook
from linkcalc.fleets.encounters import meets_again
from linkcalc.fleets.judge import judged
from linkcalc.link.requirement import VERDICTS
from linkcalc.propagation import compiled
from tests.fleet.networks import equal_nodes, scattered, simulate
from tests.validation.fleets import sides

NUMBA = pytest.mark.skipif(not compiled.available(), reason="no numba: some minutes")


@NUMBA
@pytest.mark.parametrize(
    "kind",
    ["near and far, one demodulator", "all strong, retries", "equal, overlaps lost, one", "unanswered"],
)
def test_where_more_than_half_arrives_both_agree(kind):
    found = list(sides(kind, intervals_s=(600.0, 150.0), messages=600))
    assert len(found) >= 2
    for side in found:
        assert not side.missed, side


@pytest.mark.parametrize("spread_s", [0.0, 0.3, 1.0, 10.0])
def test_packets_that_overlapped_meet_again_as_drawn(spread_s):
    rng = np.random.default_rng(1)
    one, other, answer = 0.4, 1.1, 0.2
    start = rng.uniform(-other, one, 400_000)  # of the other one, from the start of the first
    waits = rng.uniform(-spread_s, spread_s, (2, start.size))
    then = start + (other - one) + waits[1] - waits[0]
    again = ((then > -other) & (then < one)).mean()
    wanted = meets_again(other - one, one + other, one + other, spread_s)
    assert float(wanted) == pytest.approx(again, abs=0.003)
    in_answer = ((then < -other) & (then > -other - answer)).mean()
    offset = (other - one) + (one + other + answer) / 2.0
    assert float(meets_again(offset, one + other, answer, spread_s)) == pytest.approx(in_answer, abs=0.003)


@NUMBA
def test_retries_spread_over_a_minute_lose_a_fraction():
    network, setting = equal_nodes(60, 60 * 0.37 / 600.0, acknowledged=True, tries=3, timing="periodic")
    losses = []
    for wait, jitter in ((10.0, 0.1), (30.0, 1.0)):
        one = dataclasses.replace(network, retry_wait_s=wait, retry_jitter=jitter)
        played = simulate(one, setting, duration_s=600.0 * 600, parts=8, seed=3)
        losses.append(1.0 - played.delivered.sum() / played.messages.sum())
        assert 1.0 - outlook(one, setting).success.mean() == pytest.approx(losses[-1], rel=0.25)
    assert losses[0] > 6.0 * losses[1]


@NUMBA
def test_the_word_follows_the_simulation_where_it_has_fewer_arrive():
    # senders that never displace their start meet each other always or never
    network, setting = equal_nodes(30, 0.1, acknowledged=True, tries=3, timing="periodic", jitter=0.0)
    closed = outlook(network, setting, spread=False)
    played = simulate(network, setting, duration_s=network.interval_s[0] * 800, parts=1, seed=2)
    closes = np.full(network.nodes, VERDICTS.index("closes"), dtype=np.int8)
    alone = judged(closed, closed, None, 0.9, network.tries, closes)
    held = judged(closed, closed, played, 0.9, network.tries, closes)
    assert not alone.by_played.any()
    worse = held.by_played
    assert worse.any()
    assert held.predicted[worse] == pytest.approx(played.success[worse], abs=1e-9)
    assert (held.assured <= alone.assured + 1e-12).all()
    words = [w for w, k in zip(held.verdict, worse, strict=True) if k]
    assert all(
        (w == "does_not_close") == (s < 0.5) for w, s in zip(words, played.success[worse], strict=True)
    )


def test_what_is_assured_is_what_the_confidence_leaves():
    network, setting = scattered(1, sheds=1, tries=3)
    ask = dataclasses.replace(network, confidence=0.9)
    for share in (0.0, 0.6, 1.0):
        one = dataclasses.replace(ask, site_sigma_db=share * network.sigma_db)
        found = outlook(one, setting)
        # the same by hand: the site 1.2816 deviations down, the year's part averaged
        year = dataclasses.replace(
            network, sigma_db=np.sqrt(1.0 - share**2) * network.sigma_db,
            gain_db=network.gain_db - 1.2816 * share * network.sigma_db,
            return_snr_db=network.return_snr_db - 1.2816 * share * network.sigma_db,
        )  # fmt: skip
        assert found.assured[0] == pytest.approx(outlook(year, setting).success[0], abs=5e-3)
        assert found.success[0] == pytest.approx(outlook(network, setting).success[0], abs=1e-9)

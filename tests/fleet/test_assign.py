"""What each node should use: held against every setting there is, on fleets small enough."""

import dataclasses
from itertools import product

import numpy as np
import pytest

from linkcalc.fleets import assign as assign_module
from linkcalc.fleets.air import Air
from linkcalc.fleets.assign import Choice, assign, charge_mah_per_day, options
from linkcalc.fleets.contention import outlook
from linkcalc.fleets.network import Network, Setting, Supply
from tests.fleet.networks import scattered

SUPPLY = Supply()


def free(network: Network, powers: tuple[float, ...]) -> Choice:
    n, c = network.nodes, network.required_snr_db.size
    return Choice(np.array(powers), np.full(n, -1), np.ones((n, c, len(powers)), dtype=bool))


def fewer_signals(network: Network, which: list[int]) -> Network:
    return dataclasses.replace(
        network,
        required_snr_db=network.required_snr_db[which],
        threshold_db=network.threshold_db[np.ix_(which, which)],
        factors=tuple(network.factors[k] for k in which),
        time_on_air_s=network.time_on_air_s[:, which],
        answer_s=network.answer_s[which],
    )


def best_of_all(network: Network, choice: Choice, required: float) -> tuple[float, float]:
    """What is lacking, and the charge, of the best of every setting there is."""
    own = list(product(range(network.sheds), range(network.required_snr_db.size), choice.powers_dbm))
    best = (np.inf, np.inf)
    for one in product(own, repeat=network.nodes):
        shed, factor, power = (np.array(v) for v in zip(*one, strict=True))
        setting = Setting(shed, factor, power)
        found = outlook(network, setting)
        charge = charge_mah_per_day(network, SUPPLY, setting, found.transmissions).sum()
        lacks = np.maximum(required - found.success, 0.0).sum()
        best = min(best, (round(float(lacks), 8), float(charge)))
    return best


@pytest.mark.parametrize(
    ("nodes", "signals", "powers", "seed", "interval_s", "required"),
    [
        (4, [0, 2, 4], (14.0,), 1, 900.0, 0.9),
        (4, [0, 3], (8.0, 14.0), 2, 20.0, 0.9),
        (4, [0, 2, 4], (14.0,), 3, 12.0, 0.99),
        (4, [0, 3], (8.0, 14.0), 4, 6.0, 0.8),
        (6, [0, 2, 4], (14.0,), 5, 15.0, 0.8),
    ],
)
def test_a_small_fleet_gets_the_best_of_all_settings(nodes, signals, powers, seed, interval_s, required):
    network, _ = scattered(nodes, sheds=1, seed=seed, interval_s=interval_s, acknowledged=False)
    network = fewer_signals(network, signals)
    choice = free(network, powers)
    found = assign(network, SUPPLY, choice, required)
    lacks, charge = best_of_all(network, choice, required)
    assert found.lacks == pytest.approx(lacks, abs=1e-6)
    assert found.charge_mah_per_day.sum() == pytest.approx(charge, rel=1e-6)


@pytest.mark.slow
def test_two_sheds_share_a_small_fleet_as_the_best_of_all_settings_does():
    network, _ = scattered(4, sheds=2, seed=8, interval_s=15.0, acknowledged=False)
    network = fewer_signals(network, [0, 3])
    choice = free(network, (8.0, 14.0))
    found = assign(network, SUPPLY, choice, 0.9)
    lacks, charge = best_of_all(network, choice, 0.9)
    assert found.lacks == pytest.approx(lacks, abs=1e-6)
    assert found.charge_mah_per_day.sum() == pytest.approx(charge, rel=1e-6)


@pytest.mark.parametrize(
    ("nodes", "interval_s", "seed", "changes", "most"), [(2, 900.0, 8, 624, 2), (4, 2.0, 3, 96, 10)]
)
def test_few_of_the_changes_to_a_small_fleet_are_judged_to_find_the_same_setting(
    nodes, interval_s, seed, changes, most, monkeypatch
):
    """Those that would be no better even if no node disturbed another are passed over."""
    network, _ = scattered(nodes, sheds=2, seed=seed, interval_s=interval_s, acknowledged=False)
    choice = free(network, (8.0, 14.0))
    count = 0

    def counted(*args, **more):
        nonlocal count
        count += 1
        return outlook(*args, **more)

    monkeypatch.setattr(assign_module, "outlook", counted)
    found = assign(network, SUPPLY, choice, 0.9)
    assert count <= most
    count = 0
    monkeypatch.setattr(assign_module._Search, "least", lambda search, setting: (-1.0, 0.0))
    all_of_them = assign(network, SUPPLY, choice, 0.9)
    assert count > changes
    assert found.steps == all_of_them.steps
    for name in ("shed", "factor", "power_dbm"):
        assert np.array_equal(getattr(found.setting, name), getattr(all_of_them.setting, name))


@pytest.mark.parametrize("tries", [1, 3])
@pytest.mark.parametrize("more", [{}, {"acknowledged": False}, {"demodulators": 1}, {"slotted": True}])
def test_others_only_take_success_from_a_node_and_add_to_its_charge(tries, more):
    """What the search rests on where it passes a change over."""
    network, setting = scattered(12, interval_s=30.0, tries=tries, **more)
    at = np.arange(12), setting.shed, setting.factor, np.zeros(12, dtype=int)
    alone = options(network, SUPPLY, free(network, (14.0,)), None)
    found = outlook(network, setting)
    charge = charge_mah_per_day(network, SUPPLY, setting, found.transmissions)
    assert (found.assured <= alone.success[at] + 1e-12).all()
    assert (charge >= alone.charge[at] * (1.0 - 1e-12)).all()
    assert (found.assured < alone.success[at] - 1e-3).any()


@pytest.mark.parametrize("interval_s", [600.0, 60.0])
def test_every_step_is_better_than_the_one_before(interval_s):
    network, _ = scattered(60, interval_s=interval_s, tries=2)
    found = assign(network, SUPPLY, free(network, (2.0, 8.0, 14.0)), 0.95)
    for before, after in zip(found.steps, found.steps[1:], strict=False):
        assert after[0] < before[0] or (after[0] <= before[0] and after[1] < before[1])
    assert found.lacks == pytest.approx(np.maximum(0.95 - found.outlook.success, 0.0).sum())


def test_with_air_to_spare_each_node_takes_the_cheapest_that_it_alone_needs():
    network, _ = scattered(30, interval_s=1e6)
    choice = free(network, (2.0, 8.0, 14.0))
    found = assign(network, SUPPLY, choice, 0.9)
    alone = options(network, SUPPLY, choice, None)
    for i in range(30):
        meets = alone.success[i] >= 0.9
        if meets.any():
            assert found.charge_mah_per_day[i] == pytest.approx(alone.charge[i][meets].min(), rel=1e-4)
            assert found.outlook.success[i] >= 0.9 - 1e-6


def test_an_option_is_judged_as_the_whole_fleet_would_be():
    network, setting = scattered(12, interval_s=60.0, acknowledged=False)
    choice = free(network, (8.0, 14.0))
    judged = options(network, SUPPLY, choice, Air(network, setting, outlook(network, setting).rates))
    for node, shed, factor, power in [(0, 0, 0, 1), (3, 1, 4, 0), (7, 0, 5, 1)]:
        to = Setting(np.full(12, shed), np.full(12, factor), np.full(12, choice.powers_dbm[power]))
        changed = setting.changed(np.array([node]), to)
        found = outlook(network, changed)
        assert judged.success[node, shed, factor, power] == pytest.approx(found.success[node], abs=1e-6)
        charge = charge_mah_per_day(network, SUPPLY, changed, found.transmissions)
        assert judged.charge[node, shed, factor, power] == pytest.approx(charge[node], rel=1e-6)


@pytest.mark.slow
def test_what_is_not_allowed_is_not_chosen():
    network, _ = scattered(8, interval_s=3000.0)
    allowed = np.ones((8, 6, 2), dtype=bool)
    allowed[:, 3:] = False
    choice = Choice(np.array([8.0, 14.0]), np.arange(8) % 2, allowed)
    found = assign(network, SUPPLY, choice, 0.99)
    assert (found.setting.factor < 3).all()
    assert np.array_equal(found.setting.shed, np.arange(8) % 2)

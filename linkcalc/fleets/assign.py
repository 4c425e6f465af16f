"""Which shed, spreading factor and power each node should use: the least energy that meets a success.

Every step is accepted only if it lowers what the fleet lacks, or keeps that and lowers the energy, as judged
with all nodes' traffic at once. There are finitely many settings and none comes back, so that the search
ends; where it ends, no step it knows of is better. It is not sure to be the best of all settings: on fleets
small enough to try every one it is held against those.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.fleets.air import Air
from linkcalc.fleets.contention import Met, Outlook, messages, outlook
from linkcalc.fleets.network import Ints, Network, Setting, Supply

DAY_H = 24.0
_ROUNDS = 200
_SINGLES = 12
"""Nodes tried one by one when no group of them makes a better step."""
_POLISHED = 6000
"""Most nodes times settings that are tried one by one at the end: fleets of some ten nodes."""
_PASSES = 4
_EQUAL = 1e-9
"""What lacks or draws less by no more than this is no better."""
_SLACK = 0.02
"""Of the failures allowed: a node that fails aims that much better, as others will answer."""


@dataclass(frozen=True, eq=False)
class Choice:
    """What may be chosen."""

    powers_dbm: Floats
    """(p,), rising."""
    pinned: Ints
    """(n,): index of the shed that a node must report to, -1 for any."""
    allowed: NDArray[np.bool_]
    """(n, c, p): signals and powers that a node may use."""


@dataclass(frozen=True, eq=False)
class Assignment:
    """A setting, how it fares, and how it was found."""

    setting: Setting
    outlook: Outlook
    lacks: float
    """Sum over the nodes of what is missing to the required success."""
    charge_mah_per_day: Floats
    """(n,)"""
    steps: tuple[tuple[float, float], ...] = ()
    """`value` after each step of a search; each is better than the one before."""

    @property
    def value(self) -> tuple[float, float]:
        """What all nodes together lack, and draw."""
        return self.lacks, float(self.charge_mah_per_day.sum())


def charge_mah_per_day(
    network: Network, supply: Supply, setting: Setting, transmissions: Floats
) -> Floats:  # fmt: skip
    """What each node draws from its battery in a day, (n,)."""
    i = np.arange(network.nodes)
    seconds = network.time_on_air_s[i, setting.factor]
    window = supply.window_s(network)[setting.factor]
    mas = seconds * supply.sending_ma(setting.power_dbm) + window * supply.receive_current_ma
    return np.asarray((transmissions * mas / network.interval_s + supply.always_ma(network)) * DAY_H)


@dataclass(frozen=True, eq=False)
class Options:
    """Every node with every shed, signal and power while the others stay as they are, (n, s, c, p)."""

    success: Floats
    """What the required success is held against, `Outlook.assured`."""
    charge: Floats
    """mAh a day."""


def options(network: Network, supply: Supply, choice: Choice, air: Air | None) -> Options:
    """Judge every option of every node; without `air`, as if no other node sent."""
    n, s, c, p = network.nodes, network.sheds, network.required_snr_db.size, choice.powers_dbm.size
    success, count = np.zeros((n, s, c, p)), np.zeros((n, s, c, p))
    everyone = np.arange(n)
    at_0_dbm = network.margin_at_0_dbm_db
    sending = supply.sending_ma(choice.powers_dbm)
    window = supply.window_s(network) * supply.receive_current_ma
    for j in range(s):
        nodes = everyone[((choice.pinned < 0) | (choice.pinned == j)) & np.isfinite(network.gain_db[:, j])]
        if not nodes.size:
            continue
        for k in range(c):
            margin = at_0_dbm[nodes, j, k, np.newaxis] + choice.powers_dbm
            return_margin = network.return_snr_db[nodes, j] - network.required_snr_db[k]
            met = Met.of(network, nodes, j, k, air)
            found = messages(network, nodes, j, margin, return_margin, met)
            success[nodes, j, k], count[nodes, j, k] = found.assured, found.transmissions
    mas = network.time_on_air_s[..., np.newaxis] * sending + window[:, np.newaxis]
    rate = count / network.interval_s[:, np.newaxis, np.newaxis, np.newaxis]
    charge = (rate * mas[:, np.newaxis] + supply.always_ma(network).reshape(-1, 1, 1, 1)) * DAY_H
    elsewhere = (choice.pinned[:, np.newaxis] >= 0) & (choice.pinned[:, np.newaxis] != np.arange(s))
    # marked by -1, less than any success, so that a barred option is not the highest of a node that fails
    barred = ~choice.allowed[:, np.newaxis] | elsewhere[:, :, np.newaxis, np.newaxis]
    return Options(np.where(barred, -1.0, success), charge)


def assign(
    network: Network, supply: Supply, choice: Choice, required: float, *,
    say: Callable[[int, int, int], None] | None = None,
) -> Assignment:  # fmt: skip
    """Find how each node should send; `say` gets each step's number, the nodes that then lack `required`, and all.

    It begins with the option of least energy that each node alone would need, then lets nodes answer to the
    load that all of them make: as many at once as still make things better, at last one by one.
    """
    alone = options(network, supply, choice, None)
    search = _Search(network, supply, choice, required, alone)
    best = search.judge(cheapest(alone, np.full(network.nodes, required), choice))
    steps = [best.value]
    for step in range(_ROUNDS):
        if say is not None:
            say(step + 1, int((best.outlook.assured < required).sum()), network.nodes)
        better = _step(search, best)
        if better is None:
            break
        best = better
        steps.append(best.value)
    for better in _polished(search, best):
        best = better
        steps.append(best.value)
    return replace(best, steps=tuple(steps))


def assignment_of(network: Network, supply: Supply, setting: Setting, required: float) -> Assignment:
    """How a fleet fares with a setting."""
    found = outlook(network, setting)
    charge = charge_mah_per_day(network, supply, setting, found.transmissions)
    lacks = float(np.maximum(required - found.assured, 0.0).sum())
    return Assignment(setting, found, lacks, charge)


def _is_better(value: tuple[float, float], other: tuple[float, float]) -> bool:
    if value[0] < other[0] - _EQUAL:
        return True
    # lacking more is not allowed even within rounding: so no setting comes back, and the search ends
    return value[0] <= other[0] and value[1] < other[1] * (1.0 - _EQUAL)


@dataclass(frozen=True, eq=False)
class _Search:
    """What is looked for, and among what."""

    network: Network
    supply: Supply
    choice: Choice
    required: float
    alone: Options

    def judge(self, setting: Setting) -> Assignment:
        return assignment_of(self.network, self.supply, setting, self.required)

    def power_index(self, power_dbm: Floats) -> Ints:
        return np.searchsorted(self.choice.powers_dbm, power_dbm - 1e-9)

    def least(self, setting: Setting) -> tuple[float, float]:
        """What a setting lacks and draws if no node disturbs another: judged, it is never below this.

        Other nodes' traffic only makes packets fail, and failed packets are sent again.
        """
        i = np.arange(self.network.nodes)
        at = i, setting.shed, setting.factor, self.power_index(setting.power_dbm)
        lacks = np.maximum(self.required - self.alone.success[at], 0.0)
        return float(lacks.sum()) - _EQUAL, float(self.alone.charge[at].sum()) * (1.0 - _EQUAL)


def cheapest(found: Options, needed: Floats, choice: Choice) -> Setting:
    """The cheapest option of each node that has what it needs; else the one with the highest success."""
    n, s, c, p = found.success.shape
    success, charge = found.success.reshape(n, -1), found.charge.reshape(n, -1)
    # of options that cost the same, the weakest signal and the shortest
    tie = 1e-12 * (np.arange(p) + p * np.arange(c)[:, np.newaxis])
    cost = charge + np.tile(tie.ravel(), s)
    meets = success >= needed[:, np.newaxis]
    least = np.argmin(np.where(meets, cost, np.inf), axis=1)
    # a ten-thousandth more success is not worth any energy
    top = success >= success.max(axis=1, keepdims=True) - 1e-4
    strongest = np.argmin(np.where(top, cost, np.inf), axis=1)
    picked = np.where(meets.any(axis=1), least, strongest)
    shed, factor, power = np.unravel_index(picked, (s, c, p))
    return Setting(shed.astype(np.int64), factor.astype(np.int64), choice.powers_dbm[power])


def _step(search: _Search, best: Assignment) -> Assignment | None:
    """A better setting, if answering to the present load makes one."""
    network, choice, required = search.network, search.choice, search.required
    air = Air(network, best.setting, best.outlook.rates)
    found = options(network, search.supply, choice, air)
    fails = best.outlook.assured < required
    needed = np.where(fails, required + _SLACK * (1.0 - required), required)
    wanted = cheapest(found, needed, choice)
    i = np.arange(network.nodes)
    at = search.power_index(wanted.power_dbm)
    gains = found.success[i, wanted.shed, wanted.factor, at] - best.outlook.assured
    saves = best.charge_mah_per_day - found.charge[i, wanted.shed, wanted.factor, at]
    differs = (
        (wanted.shed != best.setting.shed)
        | (wanted.factor != best.setting.factor)
        | (wanted.power_dbm != best.setting.power_dbm)
    )
    useful = np.flatnonzero(differs & np.where(fails, gains > 0.0, saves > 0.0))
    if not useful.size:
        return None
    # lexsort's last key ranks first: nodes that fail, by what they gain, then the others by what they save
    order = useful[np.lexsort((-saves[useful], -gains[useful] * fails[useful], ~fails[useful]))]
    for nodes in _groups(order):
        trial = search.judge(best.setting.changed(nodes, wanted))
        if _is_better(trial.value, best.value):
            return trial
    return None


def _groups(order: Ints) -> Iterator[Ints]:
    """Nodes that change together: all, half of them, a quarter ... the first, then each of the next few."""
    count = order.size
    while count > 1:
        yield order[:count]
        count = (count + 1) // 2 if count > 2 else 1
    for node in order[:_SINGLES]:
        yield np.array([node])


def _polished(search: _Search, best: Assignment) -> Iterator[Assignment]:
    """Better settings from changing one node, or two at once, where there are few enough to try."""
    every = _every_option(search.network, search.choice)
    nodes = search.network.nodes
    if sum(len(own) for own in every) * nodes > _POLISHED:
        return
    pairs = sum(len(a) * len(b) for k, a in enumerate(every) for b in every[k + 1 :])
    for _ in range(_PASSES):
        moved = False
        for changes in _changes(every, pairs=pairs * nodes <= 2 * _POLISHED):
            setting = _changed(best.setting, changes)
            # most changes cannot be better whatever the others send; to judge one takes a thousand times as long
            if not _is_better(search.least(setting), best.value):
                continue
            trial = search.judge(setting)
            if _is_better(trial.value, best.value):
                best = trial
                moved = True
                yield best
        if not moved:
            return


Option = tuple[int, int, float]
"""Shed, signal and power."""


def _changed(setting: Setting, changes: list[tuple[int, Option]]) -> Setting:
    shed, factor, power = setting.shed.copy(), setting.factor.copy(), setting.power_dbm.copy()
    for node, option in changes:
        shed[node], factor[node], power[node] = option
    return Setting(shed, factor, power)


def _every_option(network: Network, choice: Choice) -> list[list[Option]]:
    return [
        [
            (j, k, float(power))
            for j in range(network.sheds)
            if choice.pinned[node] in (-1, j) and np.isfinite(network.gain_db[node, j])
            for k in range(network.required_snr_db.size)
            for at, power in enumerate(choice.powers_dbm)
            if choice.allowed[node, k, at]
        ]
        for node in range(network.nodes)
    ]


def _changes(every: list[list[Option]], *, pairs: bool) -> Iterator[list[tuple[int, Option]]]:
    for together in (1, 2) if pairs else (1,):
        for nodes in combinations(range(len(every)), together):
            for options_of_them in product(*(every[node] for node in nodes)):
                yield list(zip(nodes, options_of_them, strict=True))

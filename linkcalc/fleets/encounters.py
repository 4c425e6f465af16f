"""Which packets spoil which, by their levels alone: whatever the nodes' rates.

`shed` and `factor` are those of a wanted packet. Its level is one of the steps of `levels.MIDDLES_DB` above the weakest
that the shed receives; the other packet is any node's, (n, steps). docs/models/shared_channel.md has the derivation.
"""

from collections.abc import Callable
from functools import wraps

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats
from linkcalc.fleets.levels import MIDDLES_DB, above, received_level_shares
from linkcalc.fleets.network import FADING_K_DB, Ints, Network, Setting

_AVERAGED = 600
"""Nodes that stand for all where pairs are averaged."""


def meets_again(offset_s: ArrayLike, first_s: ArrayLike, then_s: ArrayLike, spread_s: float) -> Floats:
    """Chance that two packets that overlapped and are both sent again stand to each other in some way again.

    `first_s` and `then_s` are the widths of the differences of their starts that there were and that are asked for,
    `offset_s` is from the middle of the one to that of the other, plus what the waits differ by on average. Each wait
    is drawn evenly from `spread_s` below its mean to as much above it: shared_channel.md, "Retries".

    Without a spread equal packets overlap again for sure; with ten times their length seldom:

    >>> [round(float(meets_again(0.0, 0.8, 0.8, s)), 3) for s in (0.0, 0.4, 4.0)]
    [1.0, 0.667, 0.097]
    """
    d, one, two = np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in (offset_s, first_s, then_s)))
    # a spread of nothing would divide by it
    j = max(2.0 * spread_s, 1e-3 * float(np.minimum(one, two).min(initial=np.inf)))
    total = np.zeros(d.shape)
    for sign, edge in ((1.0, (one + two) / 2.0), (-1.0, np.abs(one - two) / 2.0)):
        for a in (-edge, edge):
            for times, b in ((1.0, -j), (-2.0, 0.0), (1.0, j)):
                total = total + sign * times * np.abs(d + a + b) ** 3
    return np.asarray(np.clip(total / (12.0 * one * j * j), 0.0, 1.0))


Chance = Callable[["Encounters", int, int], Floats]


def _kept(work_out: Chance) -> Chance:
    """Work a chance out once for each shed and signal."""

    @wraps(work_out)
    def found(self: "Encounters", shed: int, factor: int) -> Floats:
        key = (work_out.__name__, shed, factor)
        if key not in self.kept:
            self.kept[key] = work_out(self, shed, factor)
        return self.kept[key]

    return found


class Encounters:
    """Who spoils whom at a setting."""

    def __init__(self, network: Network, setting: Setting) -> None:
        self.network, self.setting = network, setting
        i = np.arange(network.nodes)
        self.length_s = network.time_on_air_s[i, setting.factor]
        self.level_dbm = setting.power_dbm[:, np.newaxis] + network.gain_db
        self.needed_dbm = network.noise_dbm + network.required_snr_db[setting.factor][:, np.newaxis]
        self.heard = np.stack(
            [above(network.fading[:, j], self.over(j, self.needed_dbm[:, j])) for j in range(network.sheds)],
            axis=1,
        )
        """(n, s): chance that a shed hears a node."""
        fading = network.fading[i, setting.shed]
        self.answer_heard = above(fading, network.return_margin_db(setting.shed, setting.factor))
        # levels stay while rates are worked out: what is kept serves every round of that
        self.kept: dict[tuple[str, int, int], Floats] = {}

    def over(self, shed: int, level_dbm: Floats) -> Floats:
        """How far each node's mean level is above levels at a shed."""
        own = self.level_dbm[:, shed]
        return np.asarray(own.reshape((-1,) + (1,) * (level_dbm.ndim - 1)) - level_dbm)

    @_kept
    def spoils(self, shed: int, factor: int) -> Floats:
        """Chance that the other packet spoils the wanted one."""
        return above(self.network.fading[:, shed], self.over(shed, self._spoiling_dbm(shed, factor)))

    @_kept
    def survives(self, shed: int, factor: int) -> Floats:
        """Chance that the other packet is received at its own shed, whatever becomes of the wanted one."""
        return above(self.network.fading[:, shed], self.over(shed, self._surviving_dbm(shed, factor)))

    @_kept
    def spoils_and_survives(self, shed: int, factor: int) -> Floats:
        """Chance that the other packet spoils the wanted one and is itself received."""
        least = np.maximum(self._spoiling_dbm(shed, factor), self._surviving_dbm(shed, factor))
        both = above(self.network.fading[:, shed], self.over(shed, least))
        # whether a packet for another shed is received there does not depend on what is strong here
        elsewhere = self.setting.shed != shed
        both[elsewhere] = self.spoils(shed, factor)[elsewhere]
        return both

    @_kept
    def both_received(self, shed: int, factor: int) -> Floats:
        """Chance that the other packet, if it is heard at all, and the wanted one leave each other whole."""
        spared = self.survives(shed, factor) - self.spoils_and_survives(shed, factor)
        return np.asarray(np.maximum(spared, 0.0) / np.maximum(self.heard[:, shed, np.newaxis], 1e-12))

    @_kept
    def levels(self, shed: int, factor: int) -> Floats:
        """Shares of the levels that a shed hears the nodes with a signal at, (nodes, steps)."""
        own = self.setting.factor == factor
        over = self.over(shed, self.needed_dbm[:, shed])[own]
        return received_level_shares(self.network.fading[own, shed], over)

    def _wanted_dbm(self, shed: int, factor: int) -> Floats:
        net = self.network
        return np.asarray(net.noise_dbm[shed] + net.required_snr_db[factor] + MIDDLES_DB)

    def _spoiling_dbm(self, shed: int, factor: int) -> Floats:
        threshold = self.network.threshold_db[factor, self.setting.factor]
        return np.asarray(self._wanted_dbm(shed, factor) - threshold[:, np.newaxis])

    def _surviving_dbm(self, shed: int, factor: int) -> Floats:
        threshold = self.network.threshold_db[self.setting.factor, factor]
        stronger = self._wanted_dbm(shed, factor) + threshold[:, np.newaxis]
        # not spoilt is not enough: its shed must hear it as well
        return np.asarray(np.maximum(stronger, self.needed_dbm[:, shed, np.newaxis]))

    def spoils_and_returns(
        self, shed: int, factor: int, ended: Floats, busy: float = 0.0
    ) -> tuple[Floats, Floats]:
        """Chance that the other packet makes the wanted one lost and is sent again itself, (n, steps).

        First for packets that begin later, then for those that were on the air before; `ended` is the chance that a
        packet which nothing else spoils is not sent again, `busy` that the earlier ones found no demodulator free.
        """
        later = self.spoils(shed, factor) - ended[:, np.newaxis] * self.spoils_and_survives(shed, factor)
        if self.network.demodulators > 1 or self.network.slotted:
            return later, later
        # the one that came first holds the demodulator, however weak it is
        anyway = ended[:, np.newaxis] * self.survives(shed, factor)
        holds = np.maximum(self.heard[:, shed, np.newaxis] - anyway, later)
        return later, busy * later + (1.0 - busy) * holds

    @_kept
    def lost_again(self, shed: int, factor: int) -> Floats:
        """Chance of being lost again, and of both being lost again, when two meet once more, (kinds of fading, 2).

        The mean over the pairs that meet, weighted by how often they do: nodes that stand near each other in level
        meet on and on.
        """
        net = self.network
        own = _averaged_over(np.flatnonzero((self.setting.shed == shed) & (self.setting.factor == factor)))
        if not own.size:
            return np.ones((len(FADING_K_DB), 2))
        others = _averaged_over(np.arange(net.nodes))
        strong = self.spoils(shed, factor)[others]
        later, before = (m[others] for m in self.spoils_and_returns(shed, factor, self.answer_heard))
        over = self.over(shed, self.needed_dbm[:, shed])[own]
        shares = received_level_shares(net.fading[own, shed], over)
        spoilt, both = shares @ strong.T, shares @ (0.5 * (later + before)).T
        if net.demodulators == 1 and not net.slotted:
            # half of the time the other one comes first, and then it only has to be heard
            spoilt = 0.5 * (spoilt + self.heard[others, shed])
        window = net.time_on_air_s[own, factor].mean() + self.length_s[others]
        longer = self.length_s[others] - net.time_on_air_s[own, factor].mean()
        often = window * meets_again(longer, window, window, net.retry_spread_s) / net.interval_s[others]
        weight = np.where(own[:, np.newaxis] == others, 0.0, both * often)
        sums = np.zeros((len(FADING_K_DB), 3))
        each = (weight, weight * spoilt, weight * both)
        np.add.at(sums, net.fading[own, shed], np.stack([v.sum(axis=1) for v in each], axis=1))
        whole = sums.sum(axis=0)
        if whole[0] <= 1e-300:
            return np.ones((len(FADING_K_DB), 2))
        # a kind of fading that none of the averaged nodes has takes the mean of all
        sums = np.where(sums[:, :1] > 1e-300, sums, whole)
        return np.asarray(np.clip(sums[:, 1:] / sums[:, :1], 0.0, 1.0))


def _averaged_over(nodes: Ints) -> Ints:
    """Enough of some nodes for an average."""
    return nodes[:: max(1, -(-nodes.size // _AVERAGED))]

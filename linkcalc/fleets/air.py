"""The others' traffic at a setting, as any node would meet it with any signal at any shed."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats
from linkcalc.fleets.aloha import blocked
from linkcalc.fleets.levels import MIDDLES_DB, above, level_shares
from linkcalc.fleets.network import FADING_K_DB, Ints, Network, Setting

_LENGTH_CLASS = 0.02
"""Packets whose lengths differ by less than this share are alike when retries are paired."""
_PAIRED = 600
"""Nodes that stand for all where pairs are averaged."""


def meets_again(offset_s: ArrayLike, first_s: ArrayLike, then_s: ArrayLike, spread_s: float) -> Floats:
    """Chance that two packets that overlapped and are both sent again stand to each other in some way again.

    Parameters
    ----------
    offset_s : array_like, s
        From the middle of the differences of starts that there were to the middle of those asked for, plus
        what the waits differ by on average.
    first_s, then_s : array_like, s, above 0
        Widths of the two.
    spread_s : float, s, 0 or more
        Each wait is drawn evenly from this much below its mean to this much above it.

    Notes
    -----
    The first overlap leaves the difference of the starts anywhere in its width, evenly; the two waits differ
    by a triangular law. The chance is the one width seen through the other, averaged over that law: sums and
    differences of cubes.

    Examples
    --------
    Without a spread equal packets overlap again for sure; with ten times their length seldom:

    >>> [round(float(meets_again(0.0, 0.8, 0.8, s)), 3) for s in (0.0, 0.4, 4.0)]
    [1.0, 0.667, 0.097]
    """
    d, one, two = np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in (offset_s, first_s, then_s)))
    j = max(2.0 * spread_s, 1e-3 * float(np.minimum(one, two).min(initial=np.inf)))
    total = np.zeros(d.shape)
    for sign, edge in ((1.0, (one + two) / 2.0), (-1.0, np.abs(one - two) / 2.0)):
        for a in (-edge, edge):
            for times, b in ((1.0, -j), (-2.0, 0.0), (1.0, j)):
                total = total + sign * times * np.abs(d + a + b) ** 3
    return np.asarray(np.clip(total / (12.0 * one * j * j), 0.0, 1.0))


@dataclass(frozen=True, eq=False)
class Rates:
    """How often each node's transmissions and the answers to them come, per second, (n,)."""

    sent: Floats
    answered: Floats
    ended: Floats
    """Chance that a try which nothing else spoils ends its message: the answer to it is heard."""
    deaf: Floats
    """Share of the tries that a shed's answers spoil."""
    numbers: Floats = field(default_factory=lambda: np.ones(1))
    """(tries,): shares of the transmissions that are a message's first, second ... try."""


@dataclass(frozen=True, eq=False)
class Again:
    """Who meets the packet that it was lost with once more, for some nodes."""

    meets: Floats
    """(nodes, steps): chance of losing a try to a packet that is sent again as well, and overlaps again."""
    spoilt: Floats
    """(nodes,): chance that it is then lost again."""
    both: Floats
    """(nodes,): chance that both are, and once more sent again, and overlap."""


class Encounters:
    """Who spoils whom at a setting, whatever the rates."""

    def __init__(self, network: Network, setting: Setting) -> None:
        self.network, self.setting = network, setting
        self.length_s = network.time_on_air_s[np.arange(network.nodes), setting.factor]
        self.level_dbm = setting.power_dbm[:, np.newaxis] + network.gain_db
        self.needed_dbm = network.noise_dbm + network.required_snr_db[setting.factor][:, np.newaxis]
        self.heard = np.stack(
            [above(network.fading[:, j], self.over(j, self.needed_dbm[:, j])) for j in range(network.sheds)],
            axis=1,
        )
        back = network.back_snr_db[np.arange(network.nodes), setting.shed]
        own = network.fading[np.arange(network.nodes), setting.shed]
        self.answer_heard = above(own, back - network.required_snr_db[setting.factor])
        self._strong: dict[tuple[int, int], Floats] = {}
        self._joint: dict[tuple[int, int], Floats] = {}
        self._again: dict[tuple[int, int], Floats] = {}
        self._kept: dict[tuple[str, int, int], Floats] = {}

    def over(self, shed: int, level_dbm: Floats) -> Floats:
        """How far each node's mean level is above levels at a shed."""
        own = self.level_dbm[:, shed]
        return np.asarray(own.reshape((-1,) + (1,) * (level_dbm.ndim - 1)) - level_dbm)

    def strong(self, shed: int, factor: int) -> Floats:
        """Chance that a node's packet spoils one of each level sent with a signal, (n, steps)."""
        key = (shed, factor)
        if key not in self._strong:
            self._strong[key] = above(self.network.fading[:, shed], self.over(shed, self._spoils(*key)))
        return self._strong[key]

    def both_survive_not(self, shed: int, factor: int) -> Floats:
        """Chance that it spoils one of each level and is itself received, (n, steps).

        Whether a packet for another shed is received there does not depend on what is strong here.
        """
        key = (shed, factor)
        if key not in self._joint:
            least = np.maximum(self._spoils(*key), self._survives(*key))
            joint = above(self.network.fading[:, shed], self.over(shed, least))
            elsewhere = self.setting.shed != shed
            joint[elsewhere] = self.strong(*key)[elsewhere]
            self._joint[key] = joint
        return self._joint[key]

    def _wanted_dbm(self, shed: int, factor: int) -> Floats:
        net = self.network
        return np.asarray(net.noise_dbm[shed] + net.required_snr_db[factor] + MIDDLES_DB)

    def _spoils(self, shed: int, factor: int) -> Floats:
        threshold = self.network.threshold_db[factor, self.setting.factor]
        return np.asarray(self._wanted_dbm(shed, factor) - threshold[:, np.newaxis])

    def _survives(self, shed: int, factor: int) -> Floats:
        threshold = self.network.threshold_db[self.setting.factor, factor]
        stronger = self._wanted_dbm(shed, factor) + threshold[:, np.newaxis]
        return np.asarray(np.maximum(stronger, self.needed_dbm[:, shed, np.newaxis]))

    def both_received(self, shed: int, factor: int) -> Floats:
        """Chance that a received packet and one of each level sent with a signal leave each other whole."""

        def worked_out() -> Floats:
            spared = self.received_anyway(shed, factor) - self.both_survive_not(shed, factor)
            return np.asarray(np.maximum(spared, 0.0) / np.maximum(self.heard[:, shed, np.newaxis], 1e-12))

        return self._once("both received", shed, factor, worked_out)

    def received_anyway(self, shed: int, factor: int) -> Floats:
        """Chance that a packet that came first is received, by the level of the next, (n, steps)."""

        def worked_out() -> Floats:
            return above(self.network.fading[:, shed], self.over(shed, self._survives(shed, factor)))

        return self._once("received", shed, factor, worked_out)

    def levels(self, shed: int, factor: int) -> Floats:
        """Shares of the levels that a shed hears the nodes with a signal at, (nodes, steps)."""

        def worked_out() -> Floats:
            own = self.setting.factor == factor
            over = self.over(shed, self.needed_dbm[:, shed])[own]
            shares = level_shares(self.network.fading[own, shed], over)
            return np.asarray(shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-300))

        return self._once("levels", shed, factor, worked_out)

    def _once(self, name: str, shed: int, factor: int, work: Callable[[], Floats]) -> Floats:
        key = (name, shed, factor)
        if key not in self._kept:
            self._kept[key] = work()
        return self._kept[key]

    def returns(self, shed: int, factor: int, ended: Floats, busy: float = 0.0) -> tuple[Floats, Floats]:
        """Chance that another packet makes a try lost and is sent again itself, (n, steps).

        First for packets that begin later, then for those that were on the air before; `busy` is the chance
        that these found none of the demodulators free.
        """
        later = self.strong(shed, factor) - ended[:, np.newaxis] * self.both_survive_not(shed, factor)
        if self.network.demodulators > 1 or self.network.slotted:
            return later, later
        # the one that came first holds the demodulator, however weak it is
        anyway = ended[:, np.newaxis] * self.received_anyway(shed, factor)
        holds = np.maximum(self.heard[:, shed, np.newaxis] - anyway, later)
        return later, busy * later + (1.0 - busy) * holds

    def again(self, shed: int, factor: int) -> Floats:
        """Chance of being lost again, and of both being lost again, when two meet once more, (kinds, 2).

        By the kind of fading: nodes that stand near each other in level meet on and on, whatever the level.
        """
        key = (shed, factor)
        if key not in self._again:
            self._again[key] = self._met_again(*key)
        return self._again[key]

    def _met_again(self, shed: int, factor: int) -> Floats:
        net = self.network
        own = _some(np.flatnonzero((self.setting.shed == shed) & (self.setting.factor == factor)))
        if not own.size:
            return np.ones((len(FADING_K_DB), 2))
        others = _some(np.arange(net.nodes))
        strong = self.strong(shed, factor)[others]
        later, before = (m[others] for m in self.returns(shed, factor, self.answer_heard))
        shares = level_shares(net.fading[own, shed], self.over(shed, self.needed_dbm[:, shed])[own])
        shares /= np.maximum(shares.sum(axis=1, keepdims=True), 1e-300)
        spoilt, both = shares @ strong.T, shares @ (0.5 * (later + before)).T
        if net.demodulators == 1 and not net.slotted:
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
        sums = np.where(sums[:, :1] > 1e-300, sums, whole)
        return np.asarray(np.clip(sums[:, 1:] / sums[:, :1], 0.0, 1.0))


def _some(nodes: Ints) -> Ints:
    """Enough of them for an average."""
    return nodes[:: max(1, -(-nodes.size // _PAIRED))]


class Air:
    """The others' traffic at a setting and its rates."""

    def __init__(
        self, network: Network, setting: Setting, rates: Rates, encounters: Encounters | None = None
    ) -> None:
        self._network = network
        self._setting = setting
        self._rates = rates
        self._met = Encounters(network, setting) if encounters is None else encounters
        self._length_s = self._met.length_s
        self._offered = (rates.sent * self._length_s)[:, np.newaxis] * self._met.heard
        self.load = self._offered.sum(axis=0)
        self._answer_s = network.answer_s[setting.factor]
        at_shed = setting.shed[:, np.newaxis] == np.arange(network.sheds)
        busy = rates.answered[:, np.newaxis] * at_shed
        self._answers = busy
        self.answering = (busy * self._answer_s[:, np.newaxis]).sum(axis=0)
        self._exclude = network.threshold_db + network.threshold_db.T > 0.0
        self._quiet: dict[tuple[int, int, float], tuple[Floats, Floats]] = {}

    def collisions(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Mean number of packets that would spoil a node's, by its level, (nodes, steps)."""
        net = self._network
        strong = self._met.strong(shed, factor)
        rate = self._rates.sent / net.channels
        mine = strong[nodes] * rate[nodes, np.newaxis]
        others = np.maximum(rate @ strong - mine, 0.0)
        if net.slotted:  # only what starts in the same slot overlaps
            return np.asarray(others * net.slot_s)
        length = rate * self._length_s
        if net.demodulators == 1:
            # what began before holds the one demodulator, and is counted there, unless it found none itself
            length = length * self._unserved(shed)
        before = np.maximum(length @ strong - strong[nodes] * length[nodes, np.newaxis], 0.0)
        own_s = net.time_on_air_s[nodes, factor][:, np.newaxis]
        return np.asarray(own_s * others + before)

    def _unserved(self, shed: int) -> Floats:
        """Chance that a packet on the air found the one demodulator busy, and that this is free by now."""
        heard = self._rates.sent * self._met.heard[:, shed]
        lengths, which = np.unique(self._length_s, return_inverse=True)
        offered = np.bincount(which, heard) * lengths
        # what is left of the packet that holds it, against the age of the one that found it busy
        longer, other = lengths[:, np.newaxis], np.maximum(lengths, 1e-300)
        ended = np.where(longer <= other, longer / (2.0 * other), 1.0 - other / (2.0 * longer))
        share = ended @ offered / max(float(offered.sum()), 1e-300)
        return np.asarray(float(blocked(1, self.load[shed])) * share[which])

    def deaf(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Chance that the shed's answers spoil a node's packet, by its level, (nodes, steps).

        An answer follows a packet that was received. Of two packets that cannot both survive an overlap, the
        later one meets the answer only if it starts while that is sent; others also if they were on the air
        when it began. A receiver with one demodulator has not heard those anyway.
        """
        net = self._network
        if not (net.half_duplex and net.acknowledged and nodes.size):
            return np.zeros((nodes.size, MIDDLES_DB.size))
        answers = self._answers[:, shed]
        if net.slotted:
            met = self._deaf_in_slots(nodes, answers, factor)
            return np.broadcast_to(-np.expm1(-met)[:, np.newaxis], (nodes.size, MIDDLES_DB.size))
        # answers never overlap, so that their shares of the time add up
        during = answers * self._answer_s
        sending = np.maximum(during.sum() - during[nodes], 0.0)[:, np.newaxis]
        if net.demodulators == 1:
            return np.asarray(np.minimum(sending, 1.0) * np.ones(MIDDLES_DB.size))
        own_s = net.time_on_air_s[nodes, factor]
        key = (shed, factor, float(own_s.mean()))
        if key not in self._quiet:
            self._quiet[key] = self._quieter(*key)
        at_once, meanwhile = self._quiet[key]
        # the first answer is what counts: until then no packet was lost to one
        begun = answers / (1.0 - np.minimum(self._rates.deaf, 0.99))
        joint = self._met.both_received(shed, factor) / net.channels + (1.0 - 1.0 / net.channels)
        met = (begun @ joint - begun[nodes, np.newaxis] * joint[nodes]) * meanwhile
        silent = 1.0 - np.minimum(sending * at_once, 1.0)
        return np.asarray(1.0 - np.exp(-own_s[:, np.newaxis] * np.maximum(met, 0.0)) * silent)

    def _quieter(self, shed: int, factor: int, own_s: float) -> tuple[Floats, Floats]:
        """How much likelier an answer is where nothing is on the air that would spoil a packet, (steps,).

        What would spoil the packet might have spoilt the one that is answered, too. First for answers that
        are being sent when the packet begins, then for those that begin while it lasts.
        """
        net = self._network
        sending = self._answers[:, shed]
        if sending.sum() <= 0.0:
            return np.ones(MIDDLES_DB.size), np.ones(MIDDLES_DB.size)
        spoils = np.zeros((2, net.nodes))
        for c in range(net.required_snr_db.size):
            own = self._setting.factor == c
            if not (sending[own] > 0.0).any():
                continue
            level = sending[own] @ self._met.levels(shed, c)
            hit = self._met.strong(shed, c) @ level / sending.sum()
            long, answer = self._length_s, float(net.answer_s[c])
            spoils[0] += hit * np.where(long > answer, long - answer / 2.0, long**2 / (2.0 * answer))
            spoils[1] += hit * (long + min(own_s, float(self._length_s[own].mean())))
        rate = self._rates.sent / net.channels**2 * spoils
        at_once, meanwhile = np.exp(rate @ self._met.strong(shed, factor))
        return at_once, meanwhile

    def _deaf_in_slots(self, nodes: Ints, answers: Floats, factor: int) -> Floats:
        """Answers reach into the next slots, and spoil longer packets of their own."""
        net = self._network
        i = np.arange(net.nodes)
        begins = net.time_on_air_s[i, self._setting.factor]
        into_next = np.ceil((begins + self._answer_s) / net.slot_s - 1e-9) - 1.0
        later = answers * into_next
        apart = np.where(self._exclude[factor, self._setting.factor], 1.0 - 1.0 / net.channels, 1.0)
        if net.demodulators == 1:
            apart = np.zeros(apart.shape)
        order = np.argsort(begins, kind="stable")
        begun = answers * apart
        shorter = np.concatenate([[0.0], np.cumsum(begun[order])])
        same = shorter[np.searchsorted(begins[order], net.time_on_air_s[nodes, factor], side="left")]
        own = later[nodes] + np.where(begins[nodes] < net.time_on_air_s[nodes, factor], begun[nodes], 0.0)
        return np.asarray(np.maximum(same + later.sum() - own, 0.0) * net.slot_s)

    def free_to_answer(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Chance that a shed that has received a node's packet is not just answering another, (nodes,).

        One that is deaf meanwhile would not have received it. A packet that cannot overlap with the node's is
        in the way only if it was answered from before the node began.
        """
        net = self._network
        if net.half_duplex or not net.acknowledged:
            return np.ones(nodes.shape)
        apart = np.where(self._exclude[factor, self._setting.factor], 1.0 - 1.0 / net.channels, 1.0)
        seconds, which = np.unique(net.time_on_air_s[nodes, factor], return_inverse=True)
        before = np.maximum(self._answer_s - seconds[:, np.newaxis], 0.0)
        in_the_way = (apart * self._answer_s + (1.0 - apart) * before) @ self._answers[:, shed]
        return np.asarray(1.0 - blocked(1, in_the_way))[which]

    def busy(self, nodes: Ints, shed: int) -> Floats:
        """Chance that a node's packet finds no demodulator free."""
        others = np.maximum(self.load[shed] - self._offered[nodes, shed], 0.0)
        return np.asarray(blocked(self._network.demodulators, others))

    def survival(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Chance that a node's packet of each level gets through to a shed, (nodes, steps)."""
        clear = np.exp(-self.collisions(nodes, shed, factor)) * (1.0 - self.deaf(nodes, shed, factor))
        return np.asarray(clear * (1.0 - self.busy(nodes, shed))[:, np.newaxis])

    def again(self, nodes: Ints, shed: int, factor: int) -> Again:
        """How a node's retries meet the packets that it was lost with."""
        net = self._network
        rate = self._rates.sent / net.channels**2
        busy = float(blocked(net.demodulators, self.load[shed]))
        returns = self._met.returns(shed, factor, self._rates.ended, busy)
        later, before = (rate[:, np.newaxis] * m for m in returns)
        spread = net.retry_spread_s
        own_s = net.time_on_air_s[nodes, factor]
        classes, which = np.unique(np.round(np.log(self._length_s) / _LENGTH_CLASS), return_inverse=True)
        own_classes, mine = np.unique(np.round(np.log(own_s) / _LENGTH_CLASS), return_inverse=True)
        other_s, each_s = np.exp(classes * _LENGTH_CLASS), np.exp(own_classes * _LENGTH_CLASS)[:, np.newaxis]
        window = np.full((each_s.size, other_s.size), net.slot_s) if net.slotted else each_s + other_s
        meet = meets_again(other_s - each_s, window, window, spread)
        member = (which == np.arange(classes.size)[:, np.newaxis]).astype(np.float64)
        after, earlier = member @ later, member @ before
        if net.slotted:
            wide, late = np.broadcast_to(net.slot_s, meet.shape), np.zeros(meet.shape)
        else:
            wide, late = np.broadcast_to(each_s, meet.shape), np.broadcast_to(other_s, meet.shape)
        found = ((wide * meet) @ after + (late * meet) @ earlier)[mine]
        at = mine, which[nodes]
        found -= (wide * meet)[at][:, np.newaxis] * later[nodes] + (late * meet)[at][:, np.newaxis] * before[
            nodes
        ]
        weight = (wide * meet) * after.mean(axis=1) + (late * meet) * earlier.mean(axis=1)
        whole = np.maximum(weight.sum(axis=1), 1e-300)
        once_more = (weight * meet).sum(axis=1) / whole
        kinds = self._met.again(shed, factor)[net.fading[nodes, shed]]
        spoilt = kinds[:, 0]
        if net.half_duplex and net.acknowledged and not net.slotted:
            # it may also come in the other's answer
            answer = float(net.answer_s[factor])
            offset = (other_s - each_s) + (window + answer) / 2.0
            in_answer = meets_again(offset, window, answer, spread)
            ratio = (weight * in_answer / np.maximum(meet, 1e-9)).sum(axis=1) / whole
            spoilt = spoilt + ratio[mine] * float(self._rates.ended.mean())
        both = kinds[:, 1] * once_more[mine] / net.channels
        return Again(-np.expm1(-np.maximum(found, 0.0)), spoilt, both)

    def left(self) -> Floats:
        """Chance that another packet is not yet its message's last try, some tries on, (tries,)."""
        done = np.cumsum(self._rates.numbers)[::-1]
        return np.asarray(np.append(done[1:], 0.0)[: self._network.tries])

"""The others' traffic at a setting, as any node would meet it with any signal at any shed.

A try gets through if no packet that is strong enough overlaps it, the shed is not just answering, and a demodulator is
free; docs/models/shared_channel.md has the derivation of each, in the order in which they stand here.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.fleets.encounters import Encounters, meets_again
from linkcalc.fleets.levels import MIDDLES_DB
from linkcalc.fleets.network import Ints, Network, Setting
from linkcalc.fleets.random_access import blocked

_LENGTH_CLASS = 0.02
"""Packets whose lengths differ by less than this share are alike when retries are paired."""


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


class Again(NamedTuple):
    """Who meets the packet that it was lost with once more, for some nodes."""

    meets: Floats
    """(nodes, steps): chance of losing a try to a packet that is sent again as well, and overlaps again."""
    spoilt: Floats
    """(nodes,): chance that it is then lost again."""
    both: Floats
    """(nodes,): chance that both are, and once more sent again, and overlap."""


class Air:
    """The others' traffic at a setting and its rates.

    The arguments `nodes`, `shed` and `factor` name the wanted packets: of which nodes, sent to which shed with which
    signal, whatever the setting has for them. Results are (nodes, steps) where they depend on the wanted level.
    """

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
        """(s,): packets that a shed hears at once, on average."""
        self._answer_s = network.answer_s[setting.factor]
        at_shed = setting.shed[:, np.newaxis] == np.arange(network.sheds)
        self._answers = rates.answered[:, np.newaxis] * at_shed
        self.answering = (self._answers * self._answer_s[:, np.newaxis]).sum(axis=0)
        """(s,): share of the time that a shed sends answers."""
        # both survive only where the difference of levels meets both thresholds: never if these add up to
        # more than 0
        self._exclude = network.threshold_db + network.threshold_db.T > 0.0
        self._quiet: dict[tuple[int, int, float], tuple[Floats, Floats]] = {}

    def survival(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Chance that a node's packet of each level gets through to a shed."""
        clear = np.exp(-self.collisions(nodes, shed, factor)) * (1.0 - self.deaf(nodes, shed, factor))
        return np.asarray(clear * (1.0 - self.busy(nodes, shed))[:, np.newaxis])

    # ---------------------------------------------------------------- other packets

    def collisions(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Mean number of packets that would spoil a node's, by its level."""
        net = self._network
        spoils = self._met.spoils(shed, factor)
        rate = self._rates.sent / net.channels
        mine = spoils[nodes] * rate[nodes, np.newaxis]
        # a sum less a part of it: rounding must not leave it below 0
        others = np.maximum(rate @ spoils - mine, 0.0)
        if net.slotted:  # only what starts in the same slot overlaps
            return np.asarray(others * net.slot_s)
        length = rate * self._length_s
        if net.demodulators == 1:
            # what began before holds the one demodulator, and is counted there, unless it found none itself
            length = length * self._unserved(shed)
        before = np.maximum(length @ spoils - spoils[nodes] * length[nodes, np.newaxis], 0.0)
        own_s = net.time_on_air_s[nodes, factor][:, np.newaxis]
        return np.asarray(own_s * others + before)

    def _unserved(self, shed: int) -> Floats:
        """Chance that a packet on the air found the one demodulator busy, and that this is free by now."""
        heard = self._rates.sent * self._met.heard[:, shed]
        lengths, which = np.unique(self._length_s, return_inverse=True)
        offered = np.bincount(which, heard) * lengths
        # what is left of the packet that holds it, against the age of the one that found it busy: both even
        own, holder = lengths[:, np.newaxis], np.maximum(lengths, 1e-300)
        ended = np.where(own <= holder, own / (2.0 * holder), 1.0 - holder / (2.0 * own))
        share = ended @ offered / max(float(offered.sum()), 1e-300)
        return np.asarray(float(blocked(1, self.load[shed])) * share[which])

    # ---------------------------------------------------------------- the shed's own answers

    def deaf(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Chance that the shed's answers spoil a node's packet, by its level.

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
            self._quiet[key] = self._likelier_where_quiet(*key)
        at_once, meanwhile = self._quiet[key]
        # the first answer is what counts: until then no packet was lost to one
        begun = answers / (1.0 - np.minimum(self._rates.deaf, 0.99))
        # on another channel any two packets are received, on the same one those that leave each other whole
        joint = self._met.both_received(shed, factor) / net.channels + (1.0 - 1.0 / net.channels)
        met = (begun @ joint - begun[nodes, np.newaxis] * joint[nodes]) * meanwhile
        silent = 1.0 - np.minimum(sending * at_once, 1.0)
        return np.asarray(1.0 - np.exp(-own_s[:, np.newaxis] * np.maximum(met, 0.0)) * silent)

    def _likelier_where_quiet(self, shed: int, factor: int, own_s: float) -> tuple[Floats, Floats]:
        """How much likelier an answer is where nothing is on the air that would spoil a packet, (steps,).

        What would spoil the packet might have spoilt the one that is answered, too. First for answers that
        are being sent when the packet begins, then for those that begin while it lasts.
        """
        net = self._network
        sending = self._answers[:, shed]
        if sending.sum() <= 0.0:
            return np.ones(MIDDLES_DB.size), np.ones(MIDDLES_DB.size)
        # seconds in which another node's packet overlaps both the answered packet and the wanted one
        spoils = np.zeros((2, net.nodes))
        for c in range(net.required_snr_db.size):
            own = self._setting.factor == c
            if not (sending[own] > 0.0).any():
                continue
            level = sending[own] @ self._met.levels(shed, c)
            hit = self._met.spoils(shed, c) @ level / sending.sum()
            long, answer = self._length_s, float(net.answer_s[c])
            spoils[0] += hit * np.where(long > answer, long - answer / 2.0, long**2 / (2.0 * answer))
            spoils[1] += hit * (long + min(own_s, float(self._length_s[own].mean())))
        # on the same channel twice: as the answered packet, and as the wanted one
        rate = self._rates.sent / net.channels**2 * spoils
        at_once, meanwhile = np.exp(rate @ self._met.spoils(shed, factor))
        return at_once, meanwhile

    def _deaf_in_slots(self, nodes: Ints, answers: Floats, factor: int) -> Floats:
        """Mean number of answers that reach into a packet's slot, or begin in it while the packet lasts."""
        net = self._network
        i = np.arange(net.nodes)
        begins = net.time_on_air_s[i, self._setting.factor]
        # an answer that ends with its slot reaches into no other
        into_next = np.ceil((begins + self._answer_s) / net.slot_s - 1e-9) - 1.0
        later = answers * into_next
        # one demodulator has heard one packet of the slot only: the answer to it is no loss to another
        apart = np.zeros(net.nodes) if net.demodulators == 1 else self._share_apart(factor)
        begun = answers * apart
        # answers to shorter packets begin before the end of a longer one
        order = np.argsort(begins, kind="stable")
        shorter = np.concatenate([[0.0], np.cumsum(begun[order])])
        same = shorter[np.searchsorted(begins[order], net.time_on_air_s[nodes, factor], side="left")]
        own = later[nodes] + np.where(begins[nodes] < net.time_on_air_s[nodes, factor], begun[nodes], 0.0)
        return np.asarray(np.maximum(same + later.sum() - own, 0.0) * net.slot_s)

    def _share_apart(self, factor: int) -> Floats:
        """Share of each node's packets that may overlap with the wanted one and both be received, (n,)."""
        exclude = self._exclude[factor, self._setting.factor]
        return np.where(exclude, 1.0 - 1.0 / self._network.channels, 1.0)

    def free_to_answer(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Chance that a shed that has received a node's packet is not just answering another, (nodes,).

        One that is deaf meanwhile would not have received it. A packet that cannot overlap with the node's is
        in the way only if it was answered from before the node began.
        """
        net = self._network
        if net.half_duplex or not net.acknowledged:
            return np.ones(nodes.shape)
        apart = self._share_apart(factor)
        seconds, which = np.unique(net.time_on_air_s[nodes, factor], return_inverse=True)
        before = np.maximum(self._answer_s - seconds[:, np.newaxis], 0.0)
        in_the_way = (apart * self._answer_s + (1.0 - apart) * before) @ self._answers[:, shed]
        return np.asarray(1.0 - blocked(1, in_the_way))[which]

    # ---------------------------------------------------------------- demodulators

    def busy(self, nodes: Ints, shed: int) -> Floats:
        """Chance that a node's packet finds no demodulator free, (nodes,)."""
        others = np.maximum(self.load[shed] - self._offered[nodes, shed], 0.0)
        return np.asarray(blocked(self._network.demodulators, others))

    # ---------------------------------------------------------------- retries

    def again(self, nodes: Ints, shed: int, factor: int) -> Again:
        """How a node's retries meet the packets that it was lost with."""
        net = self._network
        # on the node's channel the first time and once more
        rate = self._rates.sent / net.channels**2
        busy = float(blocked(net.demodulators, self.load[shed]))
        returns = self._met.spoils_and_returns(shed, factor, self._rates.ended, busy)
        later, before = (rate[:, np.newaxis] * m for m in returns)
        # packets of about one length are alike, so that pairs of lengths are few
        classes, which = np.unique(np.round(np.log(self._length_s) / _LENGTH_CLASS), return_inverse=True)
        own_s = net.time_on_air_s[nodes, factor]
        own_classes, mine = np.unique(np.round(np.log(own_s) / _LENGTH_CLASS), return_inverse=True)
        other_s, each_s = np.exp(classes * _LENGTH_CLASS), np.exp(own_classes * _LENGTH_CLASS)[:, np.newaxis]
        window = np.full((each_s.size, other_s.size), net.slot_s) if net.slotted else each_s + other_s
        meet = meets_again(other_s - each_s, window, window, net.retry_spread_s)
        # seconds for one that begins later, and for one that began before, by the lengths of both
        after_s = (np.broadcast_to(net.slot_s, meet.shape) if net.slotted else each_s) * meet
        before_s = (np.zeros(meet.shape) if net.slotted else other_s) * meet
        of_class = (which == np.arange(classes.size)[:, np.newaxis]).astype(np.float64)
        sum_later, sum_before = of_class @ later, of_class @ before
        found = (after_s @ sum_later + before_s @ sum_before)[mine]
        at = mine, which[nodes]
        # the sums are over all nodes, and no node meets itself
        found -= after_s[at][:, np.newaxis] * later[nodes] + before_s[at][:, np.newaxis] * before[nodes]

        weight = after_s * sum_later.mean(axis=1) + before_s * sum_before.mean(axis=1)
        whole = np.maximum(weight.sum(axis=1), 1e-300)
        once_more = (weight * meet).sum(axis=1) / whole
        lost_again = self._met.lost_again(shed, factor)[net.fading[nodes, shed]]
        spoilt = lost_again[:, 0]
        if net.half_duplex and net.acknowledged and not net.slotted:
            # it may also come in the answer to the other one
            answer = float(net.answer_s[factor])
            offset = (other_s - each_s) + (window + answer) / 2.0
            in_answer = meets_again(offset, window, answer, net.retry_spread_s)
            ratio = (weight * in_answer / np.maximum(meet, 1e-9)).sum(axis=1) / whole
            spoilt = spoilt + ratio[mine] * float(self._rates.ended.mean())
        both = lost_again[:, 1] * once_more[mine] / net.channels
        return Again(-np.expm1(-np.maximum(found, 0.0)), spoilt, both)

    def left(self) -> Floats:
        """Chance that another packet is not yet its message's last try, some tries on, (tries,)."""
        done = np.cumsum(self._rates.numbers)[::-1]
        return np.asarray(np.append(done[1:], 0.0)[: self._network.tries])

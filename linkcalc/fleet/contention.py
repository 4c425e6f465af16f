"""What becomes of each node's messages when all the others send as well: the closed form.

A try is received if its level, fast fading included, is above what the receiver needs, and above every packet
that overlaps it on its channel by the threshold of the two signals (each interferer by itself: packets are
rare enough that two strong ones seldom meet on a third). Arrivals are taken as Poisson; interferers stand at
their predicted mean level and fade by themselves. A packet is further lost to a shed that is just answering
(half duplex), or whose demodulators are all busy.

What is unknown or varies slowly is common to all tries of a message; fading and collisions are drawn anew.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from linkcalc._arrays import Floats
from linkcalc.fleet.aloha import blocked
from linkcalc.fleet.network import FADING_K_DB, Ints, Network, Setting
from linkcalc.reliability import rician_outage

_BIN_DB, _TOP_DB = 0.5, 120.0
"""Levels above the weakest that is received are told apart by so much, up to this; more is alike."""
_EDGES_DB = np.arange(0.0, _TOP_DB + _BIN_DB / 2.0, _BIN_DB)
MIDDLES_DB = np.append(_EDGES_DB[:-1] + _BIN_DB / 2.0, _TOP_DB)
_STEP_DB = 0.25
_MARGINS_DB = np.arange(-60.0, 150.0 + _STEP_DB / 2.0, _STEP_DB)
_Z = np.linspace(-6.0, 6.0, 97)
_WEIGHT = np.exp(-0.5 * _Z * _Z) / np.exp(-0.5 * _Z * _Z).sum()
_MOST_ROUNDS = 60


@cache
def _fading_table(kind: int) -> tuple[Floats, Floats]:
    """Chance that a fading signal is above a level, by how far its mean is above it."""
    over = np.arange(-40.0, 130.0, 0.02)
    return over, np.asarray(1.0 - rician_outage(over, FADING_K_DB[kind]))


def above(fading: NDArray[np.int8], over_db: Floats) -> Floats:
    """Chance that fading signals are above a level.

    Parameters
    ----------
    fading : ndarray of int, (n,)
        Index into `FADING_K_DB`.
    over_db : ndarray, dB, (n, ...)
        How far their mean is above it.

    Examples
    --------
    >>> above(np.array([0, 3], dtype=np.int8), np.array([[20.0], [20.0]])).round(3).ravel().tolist()
    [0.99, 1.0]
    """
    chance = np.empty(over_db.shape)
    for kind in range(len(FADING_K_DB)):
        own = fading == kind
        if own.any():
            chance[own] = np.interp(over_db[own], *_fading_table(kind))
    return chance


def level_shares(fading: NDArray[np.int8], margin_db: Floats) -> Floats:
    """Chance that a signal falls into each step of level above the weakest that is received, (n, steps).

    What is missing to 1 is too weak.
    """
    reached = above(fading, margin_db[:, np.newaxis] - _EDGES_DB)
    return np.concatenate([reached[:, :-1] - reached[:, 1:], reached[:, -1:]], axis=1)


_STRIDE = round(_BIN_DB / _STEP_DB)
_REACH = _STRIDE * (_EDGES_DB.size - 1)
_LENGTH = next_fast_len(_MARGINS_DB.size + _REACH, real=True)


@cache
def _transformed(kind: int) -> NDArray[np.complex128]:
    """Fourier transform of the chance that a fading signal is above a level."""
    over = _MARGINS_DB[0] + _STEP_DB * (np.arange(_MARGINS_DB.size + _REACH) - _REACH)
    return np.asarray(rfft(above(np.full(1, kind, dtype=np.int8), over[np.newaxis])[0], _LENGTH))


def _received_by_margin(fading: NDArray[np.int8], survival: Floats) -> Floats:
    """Chance that a try is received, by the mean margin of its signal, (n, margins).

    The sum over the steps of level depends on the difference of margin and step alone: a convolution. What
    wraps around falls on margins that are cut away.
    """
    rise = np.zeros((survival.shape[0], _REACH + 1))
    rise[:, ::_STRIDE] = np.diff(survival, axis=1, prepend=0.0)
    spectrum = rfft(rise, _LENGTH, axis=1)
    for kind in range(len(FADING_K_DB)):
        spectrum[fading == kind] *= _transformed(kind)
    return np.asarray(irfft(spectrum, _LENGTH, axis=1)[:, _REACH : _REACH + _MARGINS_DB.size])


@dataclass(frozen=True, eq=False)
class Rates:
    """How often each node's transmissions and the answers to them come, per second, (n,)."""

    sent: Floats
    answered: Floats


@dataclass(frozen=True, eq=False)
class Outcome:
    """What becomes of messages; the last axes are those of what was asked."""

    success: Floats
    """Of a message with its tries."""
    try_success: Floats
    """Of one try."""
    transmissions: Floats
    """Mean number for one message."""


@dataclass(frozen=True, eq=False)
class Outlook:
    """A setting judged; arrays (n,) unless said otherwise."""

    success: Floats
    """Of a message with its tries."""
    alone: Floats
    """The same if no other node sent."""
    try_success: Floats
    transmissions: Floats
    """Mean number for one message."""
    margin_db: Floats
    collided: Floats
    """Share of the tries strong enough to be received that another packet spoils, at the predicted level."""
    found_busy: Floats
    """Share that no demodulator is free for."""
    found_deaf: Floats
    """Share that the shed's own answers spoil."""
    rates: Rates
    load: Floats
    """(s,): packets that the shed hears at once, on average, from its own nodes and others'."""
    answering: Floats
    """(s,): share of the time that the shed sends answers."""


class Air:
    """The others' traffic at a setting, as any node would meet it with any signal at any shed."""

    def __init__(self, network: Network, setting: Setting, rates: Rates) -> None:
        self._network = network
        self._setting = setting
        self._rates = rates
        i = np.arange(network.nodes)
        self._length_s = network.time_on_air_s[i, setting.factor]
        level = setting.power_dbm[:, np.newaxis] + network.gain_db
        self._level_dbm = level
        weakest = network.noise_dbm + network.required_snr_db[setting.factor][:, np.newaxis]
        heard = np.stack(
            [above(network.fading[:, j], (level - weakest)[:, j]) for j in range(network.sheds)], axis=1
        )
        self._offered = (rates.sent * self._length_s)[:, np.newaxis] * heard
        self.load = self._offered.sum(axis=0)
        self._answer_s = network.answer_s[setting.factor]
        at_shed = setting.shed[:, np.newaxis] == np.arange(network.sheds)
        busy = rates.answered[:, np.newaxis] * at_shed
        self._answers = busy
        self.answering = (busy * self._answer_s[:, np.newaxis]).sum(axis=0)
        self._exclude = network.threshold_db + network.threshold_db.T > 0.0

    def collisions(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Mean number of packets that would spoil a node's, by its level, (nodes, steps)."""
        net, setting = self._network, self._setting
        weakest = net.noise_dbm[shed] + net.required_snr_db[factor]
        over = self._level_dbm[:, shed] - weakest + net.threshold_db[factor, setting.factor]
        strong = above(net.fading[:, shed], over[:, np.newaxis] - MIDDLES_DB)
        strong *= (self._rates.sent / net.channels)[:, np.newaxis]
        long = strong * self._length_s[:, np.newaxis]
        own_s = net.time_on_air_s[nodes, factor][:, np.newaxis]
        others = np.maximum(strong.sum(axis=0) - strong[nodes], 0.0)
        others_long = np.maximum(long.sum(axis=0) - long[nodes], 0.0)
        if net.slotted:  # only what starts in the same slot overlaps
            return np.asarray(others * net.slot_s)
        if net.demodulators == 1:
            # what began before holds the one demodulator, and is counted there, unless it found none itself
            others_long *= float(blocked(1, self.load[shed]))
        return np.asarray(own_s * others + others_long)

    def deaf(self, nodes: Ints, shed: int, factor: int) -> Floats:
        """Mean number of answers that a node's packet would meet.

        An answer follows a packet that was received. Of two packets that cannot both survive an overlap, the
        later one meets the answer only if it starts while that is sent; others also if they were on the air
        when it began. A receiver with one demodulator has not heard those anyway.
        """
        net = self._network
        if not (net.half_duplex and net.acknowledged):
            return np.zeros(nodes.shape)
        answers = self._answers[:, shed]
        if net.slotted:
            return self._deaf_in_slots(nodes, answers, factor)
        apart = np.where(self._exclude[factor, self._setting.factor], 1.0 - 1.0 / net.channels, 1.0)
        if net.demodulators == 1:
            apart = np.zeros(apart.shape)
        before, during = answers * apart, answers * self._answer_s
        own_s = net.time_on_air_s[nodes, factor]
        met = own_s * (before.sum() - before[nodes]) + during.sum() - during[nodes]
        return np.asarray(np.maximum(met, 0.0))

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
        spoilt = self.collisions(nodes, shed, factor) + self.deaf(nodes, shed, factor)[:, np.newaxis]
        return np.asarray(np.exp(-spoilt) * (1.0 - self.busy(nodes, shed))[:, np.newaxis])


def messages(
    network: Network, nodes: Ints, shed: int | Ints, margin_db: Floats, back_db: Floats,
    survival: Floats, *, answered: Floats | float = 1.0, spread: bool = True,
) -> Outcome:  # fmt: skip
    """What becomes of the messages of nodes, each reporting to a shed.

    Parameters
    ----------
    network : Network
    nodes : ndarray of int, (k,)
    shed : int or ndarray of int, (k,)
    margin_db : ndarray, dB, (k, powers)
        Mean level over the weakest that is received.
    back_db : ndarray, dB, (k,)
        Margin of the answers.
    survival : ndarray, (k, steps)
        Of `Air.survival`.
    answered : ndarray, (k,), or float
        Chance that the shed is free to answer.
    spread : bool
        Average over what is unknown or varies slowly; else at the predicted level.
    """
    fading = network.fading[nodes, shed]
    if not spread:
        columns = [(level_shares(fading, m) * survival).sum(axis=1) for m in margin_db.T]
        received = np.stack(columns, axis=1)[..., np.newaxis]
        back = above(fading, back_db)[:, np.newaxis, np.newaxis]
        weight = np.ones(1)
    else:
        curves = _received_by_margin(fading, survival)
        slow = network.sigma_db[nodes, shed][:, np.newaxis] * _Z
        place = (margin_db[..., np.newaxis] + slow[:, np.newaxis, :] - _MARGINS_DB[0]) / _STEP_DB
        place = np.clip(place, 0.0, _MARGINS_DB.size - 1.001)
        below = place.astype(np.int64)
        flat = below.reshape(nodes.size, -1)
        low, high = (np.take_along_axis(curves, flat + k, axis=1).reshape(place.shape) for k in (0, 1))
        received = low + (place - below) * (high - low)
        back = above(fading, back_db[:, np.newaxis] + slow)[:, np.newaxis, :]
        weight = _WEIGHT
    received = np.clip(received, 0.0, 1.0)
    back = back * np.reshape(np.asarray(answered), (-1, 1, 1))
    lost = 1.0 - received
    if network.acknowledged:
        unheard = 1.0 - received * back
        count = sum((unheard**t for t in range(network.tries)), start=np.zeros(received.shape))
    else:
        count = np.full(received.shape, float(network.tries))
    return Outcome((1.0 - lost**network.tries) @ weight, received @ weight, count @ weight)


def outlook(network: Network, setting: Setting, *, spread: bool = True) -> Outlook:
    """Judge how a fleet fares when every node sends as it is set.

    Parameters
    ----------
    network : Network
    setting : Setting
    spread : bool
        Average over what is unknown or varies slowly (what a plan should be judged by); else at the
        predicted levels (what a simulation at those levels shows).

    Returns
    -------
    Outlook

    Notes
    -----
    How often a node repeats depends on the collisions, and these on how often all repeat. Beginning without
    repetitions, the rates only rise from round to round, to the least load that agrees with itself.

    References
    ----------
    Poisson arrivals and a vulnerable time of both packets' lengths, as Abramson 1970 for equal packets,
    with the share of interferers that are strong enough; `linkcalc.fleet.aloha` are its limits.

    Examples
    --------
    Two hundred equal nodes, whatever overlaps is lost:

    >>> from linkcalc.fleet.aloha import pure_success
    >>> n = 200
    >>> network = Network(gain_db=np.full((n, 1), -100.0), noise_dbm=np.full(1, -117.0),
    ...     fading=np.full((n, 1), 3, dtype=np.int8), sigma_db=np.zeros((n, 1)),
    ...     back_snr_db=np.full((n, 1), 30.0), required_snr_db=np.array([-15.0]),
    ...     threshold_db=np.full((1, 1), 300.0), factors=(10,), time_on_air_s=np.full((n, 1), 0.37),
    ...     answer_s=np.array([0.2]), interval_s=np.full(n, 300.0), acknowledged=False, demodulators=1000)
    >>> zero = np.zeros(n, dtype=np.int64)
    >>> found = outlook(network, Setting(zero, zero, np.full(n, 14.0)))
    >>> round(float(found.success[0]), 4), round(pure_success(199 * 0.37 / 300.0), 4)
    (0.6121, 0.6121)
    """
    n = network.nodes
    start = 1.0 if network.acknowledged else float(network.tries)
    rates = Rates(start / network.interval_s, np.zeros(n))
    groups = [
        (np.flatnonzero((setting.shed == j) & (setting.factor == c)), j, c)
        for j in range(network.sheds)
        for c in range(network.required_snr_db.size)
    ]
    groups = [g for g in groups if g[0].size]
    margin = network.margin_db(setting.power_dbm, setting.shed, setting.factor)
    back = network.back_snr_db[np.arange(n), setting.shed] - network.required_snr_db[setting.factor]

    def judged(air: Air | None) -> Outcome:
        through, answered = np.ones((n, MIDDLES_DB.size)), np.ones(n)
        if air is not None:
            for nodes, j, c in groups:
                through[nodes] = air.survival(nodes, j, c)
                answered[nodes] = air.free_to_answer(nodes, j, c)
        found = messages(
            network, np.arange(n), setting.shed, margin[:, np.newaxis], back, through,
            answered=answered, spread=spread,
        )  # fmt: skip
        return Outcome(found.success[:, 0], found.try_success[:, 0], found.transmissions[:, 0])

    for _ in range(_MOST_ROUNDS):
        air = Air(network, setting, rates)
        found = judged(air)
        sent = found.transmissions / network.interval_s
        answered = sent * found.try_success if network.acknowledged else np.zeros(n)
        moved = max(
            float(np.abs(sent / rates.sent - 1.0).max(initial=0.0)),
            float(np.abs(answered - rates.answered).max(initial=0.0) / max(answered.max(initial=0.0), 1e-30)),
        )
        rates = Rates(sent, answered)
        if moved < 1e-6:
            break
    collided, found_busy, found_deaf = np.empty(n), np.empty(n), np.empty(n)
    for nodes, j, c in groups:
        shares = level_shares(network.fading[nodes, j], margin[nodes])
        strong = np.maximum(shares.sum(axis=1), 1e-300)
        collided[nodes] = (shares * -np.expm1(-air.collisions(nodes, j, c))).sum(axis=1) / strong
        found_busy[nodes] = air.busy(nodes, j)
        found_deaf[nodes] = -np.expm1(-air.deaf(nodes, j, c))
    return Outlook(
        success=found.success,
        alone=judged(None).success,
        try_success=found.try_success,
        transmissions=found.transmissions,
        margin_db=margin,
        collided=collided,
        found_busy=found_busy,
        found_deaf=found_deaf,
        rates=rates,
        load=air.load,
        answering=air.answering,
    )


def shed_of_best_level(network: Network) -> Ints:
    """The shed that hears each node best."""
    return np.asarray(np.argmax(network.gain_db - network.noise_dbm, axis=1), dtype=np.int64)


def reach(network: Network, power_dbm: Floats) -> Floats:
    """Margin of each node at each shed with each signal at a power of its own, (n, s, c)."""
    level = power_dbm[:, np.newaxis] + network.gain_db - network.noise_dbm
    margin: Floats = level[..., np.newaxis] - network.required_snr_db
    return margin

"""A fleet played out packet by packet, from drawn starts, channels, fades and waits.

All that is random is drawn beforehand; the loop over events only compares and adds. So the loop gives the
same numbers to the bit whether it is compiled or not, and a run gives the same numbers however its parts are
shared out: each part draws from a seed of its own.
"""

import functools
import heapq
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from linkcalc._arrays import Floats, checked
from linkcalc.area.scheduler import Local, Scheduler
from linkcalc.errors import DomainError
from linkcalc.fleets.network import FADING_K_DB, Ints, Network, Setting
from linkcalc.propagation import compiled

MOST_PACKETS = 3_000_000
"""In one part of a run: its drawn levels stay in memory."""


@dataclass(frozen=True, eq=False)
class Played:
    """Counts of a simulation, (n,)."""

    messages: Ints
    delivered: Ints
    """Messages of which at least one try was received."""
    sent: Ints
    """Transmissions."""
    received: Ints
    """Transmissions received."""
    weak: Ints
    """Transmissions lost for their level alone."""
    deaf: Ints
    """Strong enough, but the shed was answering."""
    busy: Ints
    """Strong enough, but no demodulator was free."""
    collided: Ints
    """Strong enough, but a stronger packet spoilt it."""

    @property
    def arrays(self) -> tuple[Ints, ...]:
        """All counts, in the order of the fields."""
        return tuple(getattr(self, f.name) for f in fields(self))

    @property
    def success(self) -> Floats:
        """Share of each node's messages that were delivered, NaN without messages."""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.delivered / self.messages)

    def interval(self, confidence: float = 0.95) -> tuple[Floats, Floats]:
        """Lower and upper end of each node's success."""
        return wilson(self.delivered, self.messages, confidence)


def wilson(hits: Any, trials: Any, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Score interval for proportions, 0 to 1 without trials (Wilson, Journal of the American Statistical Association
    22, 1927); over arrays, which scipy's is not.

    None lost of a hundred:

    >>> low, high = wilson(100, 100)
    >>> round(float(low), 3), round(float(high), 3)
    (0.963, 1.0)
    """
    z = float(ndtri(0.5 + confidence / 2.0))
    n, k = np.asarray(trials, dtype=np.float64), np.asarray(hits, dtype=np.float64)
    known = n > 0
    n = np.where(known, n, 1.0)
    share = np.where(known, k / n, 0.5)
    middle = (share + z * z / (2.0 * n)) / (1.0 + z * z / n)
    half = z / (1.0 + z * z / n) * np.sqrt(share * (1.0 - share) / n + z * z / (4.0 * n * n))
    low, high = np.clip(middle - half, 0.0, 1.0), np.clip(middle + half, 0.0, 1.0)
    return np.where(known, low, 0.0), np.where(known, high, 1.0)


@dataclass(frozen=True, eq=False)
class Job:
    """Everything a part of a run needs; can be pickled."""

    network: Network
    setting: Setting
    ratios: "Ratios"
    duration_s: float
    """That messages are counted for, in each part."""
    parts: int
    seed: int
    use_numba: bool


Singles = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Ratios:
    """Powers and thresholds as plain numbers: sums, products and roots are the same on every machine."""

    mean_mw: Singles
    """(n, s): of each node at each shed."""
    answer: Singles
    """(n,): mean power of the answers over the weakest that is heard."""
    need_mw: Singles
    """(c, s): the weakest that a shed receives."""
    threshold: Singles
    """(c, c)"""

    @classmethod
    def of(cls, network: Network, setting: Setting) -> "Ratios":
        """Those of a fleet."""
        need = network.noise_dbm + network.required_snr_db[:, np.newaxis]
        return cls(
            _ratio(setting.power_dbm[:, np.newaxis] + network.gain_db),
            _ratio(network.return_margin_db(setting.shed, setting.factor)),
            _ratio(need),
            _ratio(network.threshold_db),
        )


def _ratio(decibels: Floats) -> Singles:
    return np.asarray(10.0 ** (decibels / 10.0), dtype=np.float32)


class Draws(NamedTuple):
    """What chance deals to one part: m messages in order of their time, and all their tries."""

    time_s: Floats
    """(m,)"""
    node: Ints
    """(m,)"""
    counted: NDArray[np.bool_]
    """(m,): those at both rims only keep the air as busy as it is in the middle."""
    channel: NDArray[np.int32]
    """(m, tries)"""
    level_mw: Singles
    """(m, tries, s): at each shed."""
    answer_heard: NDArray[np.bool_]
    """(m, tries): if it is sent."""
    wait_s: Floats
    """(m, tries): from the end of a try to the next."""


class Rules(NamedTuple):
    """What each node sends, and what the sheds do with it; plain arrays for the compiled loop."""

    shed: Ints
    factor: Ints
    length_s: Floats
    answer_s: Floats
    """(n,): of each node's packets and of the answers to them."""
    need_mw: Singles
    threshold: Singles
    """As in `Ratios`."""
    demodulators: int
    acknowledged: bool
    half_duplex: bool
    """A shed that answers hears nothing."""
    slot_s: float
    """0: a packet starts when it is due."""


GOOD, WEAK, DEAF, FULL, SPOILT, UNSENT = range(6)
"""Fates of a packet: good so far, too weak, the shed answers another, no demodulator free, spoilt by
another packet, never sent."""


def simulated_parts(
    network: Network,
    setting: Setting,
    *,
    duration_s: float,
    parts: int,
    seed: int,
    scheduler: Scheduler | None = None,
    use_numba: bool | None = None,
) -> list[Played]:
    """Play a fleet at its predicted levels, in independent parts of `duration_s` each.

    The same seed gives the same counts, whoever processes the parts, and compiled or not. A try is received under
    the rules of `linkcalc.fleets.contention`; where that may differ stands in docs/models/shared_channel.md.
    """
    checked("duration_s", duration_s, above=0.0)
    checked("parts", parts, at_least=1)
    packets = float((duration_s / network.interval_s).sum()) * network.tries
    if packets > MOST_PACKETS:
        raise DomainError(
            f"one part of {duration_s:g} s would hold {packets / 1e6:.1f} million transmissions, more than "
            f"{MOST_PACKETS / 1e6:g} million: take shorter parts, and more of them"
        )
    numba = compiled.available() if use_numba is None else use_numba
    job = Job(network, setting, Ratios.of(network, setting), float(duration_s), int(parts), int(seed), numba)
    if numba:
        compile_loop()
    found = dict((scheduler or Local()).run(play_part, job, range(int(parts))))
    return [found[part] for part in range(int(parts))]


def summed(parts: Sequence[Played]) -> Played:
    """All parts together."""
    return Played(*(np.sum(counts, axis=0) for counts in zip(*(p.arrays for p in parts), strict=True)))


@functools.cache
def compile_loop() -> None:
    """Compile the loop, before threads ask for it together."""
    one, two = np.ones(1), np.ones((1, 1))
    network = Network(
        two, one, np.zeros((1, 1), dtype=np.int8), two, two, one, two, (0,), two, one, 1e9 * one
    )  # fmt: skip
    zero = np.zeros(1, dtype=np.int64)
    setting = Setting(zero, zero, one)
    play_part(Job(network, setting, Ratios.of(network, setting), 1.0, 1, 0, True), 0)


def play_part(job: Job, part: int) -> Played:
    """Play one part."""
    net, setting = job.network, job.setting
    rng = np.random.default_rng(np.random.SeedSequence(job.seed).spawn(job.parts)[part])
    draws = drawn(net, setting, job.ratios, job.duration_s, rng)
    run: Any = compiled_events() if job.use_numba else events
    i = np.arange(net.nodes)
    rules = Rules(
        setting.shed, setting.factor, net.time_on_air_s[i, setting.factor], net.answer_s[setting.factor],
        job.ratios.need_mw, job.ratios.threshold, net.demodulators, net.acknowledged,
        net.acknowledged and net.half_duplex, net.slot_s if net.slotted else 0.0,
    )  # fmt: skip
    return Played(*tallied(draws, net.nodes, *run(draws, rules)))


def drawn(
    network: Network, setting: Setting, ratios: Ratios, duration_s: float, rng: np.random.Generator
) -> Draws:
    """Draw all that chance deals to one part."""
    n, tries = network.nodes, network.tries
    longest = float(network.time_on_air_s.max()) + float(network.answer_s.max()) + network.slot_s
    # a message from before the window may still repeat in it: the rim is longer than all tries take
    rim = (tries + 1) * (longest + (network.retry_wait_s + network.retry_spread_s if tries > 1 else 0.0))
    begin, end = -rim, duration_s + rim
    interval = network.interval_s
    if network.timing == "random":
        count = rng.poisson((end - begin) / interval)
        node = np.repeat(np.arange(n), count)
        time = rng.uniform(begin, end, node.size)
    else:
        phase = rng.uniform(0.0, 1.0, n)
        first = np.ceil(begin / interval - phase)
        count = (np.ceil(end / interval - phase) - first).astype(np.int64)
        node = np.repeat(np.arange(n), count)
        number = np.arange(node.size) - np.repeat(np.cumsum(count) - count, count) + first[node]
        time = (number + phase[node]) * interval[node]
        time = time + rng.uniform(-1.0, 1.0, node.size) * network.jitter * interval[node]
        # displaced starts keep what falls into the window even on average: those displaced out count
        due = (number + phase[node]) * interval[node]
    counted = (time >= 0.0) & (time < duration_s)
    if network.timing == "periodic":
        counted = (due >= 0.0) & (due < duration_s)
    order = np.argsort(time, kind="stable")
    time, node, counted = time[order], node[order].astype(np.int64), counted[order]
    m = node.size
    channel = rng.integers(0, network.channels, (m, tries), dtype=np.int32)
    level = np.empty((m, tries, network.sheds), dtype=np.float32)
    for j in range(network.sheds):
        mean = ratios.mean_mw[node, j, np.newaxis]
        level[:, :, j] = mean * fades(network.fading[node, j], tries, rng)
    fading = network.fading[node, setting.shed[node]]
    heard = ratios.answer[node, np.newaxis] * fades(fading, tries, rng) >= 1.0
    wait = network.retry_wait_s + network.retry_spread_s * rng.uniform(-1.0, 1.0, (m, tries))
    return Draws(time, node, counted, channel, level, heard, wait)


def fades(fading: NDArray[np.int8], tries: int, rng: np.random.Generator) -> Singles:
    """Fast fading of each try over its mean power, (m, tries)."""
    k = 10.0 ** (np.array(FADING_K_DB) / 10.0)
    steady = np.sqrt(k / (1.0 + k)).astype(np.float32)[fading][:, np.newaxis]
    scattered = np.sqrt(0.5 / (1.0 + k)).astype(np.float32)[fading][:, np.newaxis]
    real, imaginary = rng.standard_normal((2, fading.size, tries), dtype=np.float32)
    real = steady + scattered * real
    imaginary = scattered * imaginary
    return np.asarray(real * real + imaginary * imaginary)


def tallied(draws: Draws, nodes: int, fate: NDArray[np.int8], delivered: NDArray[np.bool_]) -> list[Ints]:
    """The counts of `Played`, (n,) each, from what `events` finds."""

    def count(node: Ints) -> Ints:
        return np.bincount(node, minlength=nodes)

    tries = draws.channel.shape[1]
    counted = np.repeat(draws.counted, tries)
    node, fates = np.repeat(draws.node, tries)[counted], fate[counted]
    return [
        count(draws.node[draws.counted]),
        count(draws.node[draws.counted & delivered]),
        count(node[fates != UNSENT]),
        *(count(node[fates == kind]) for kind in (GOOD, WEAK, DEAF, FULL, SPOILT)),
    ]


def in_slot(time_s: float, slot_s: float) -> float:
    """When a packet that is due starts."""
    if slot_s > 0.0 and time_s < np.inf:
        return float(np.ceil(time_s / slot_s) * slot_s)
    return time_s


def first_to_end(active: Ints, on_air: int, ends_s: Floats) -> int:
    """Place among the packets on the air of the one that ends first; -1 where there is none."""
    at = min(on_air, 1) - 1
    for a in range(1, on_air):
        if ends_s[active[a]] < ends_s[active[at]]:
            at = a
    return at


def events(draws: Draws, rules: Rules) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
    """The loop over starts and ends; plain, or compiled by `compiled_events`. In one piece: to hand all these arrays
    to a function for each packet would take as long as the packet.

    A packet is named by its message and try: message * tries + try. Returns the fate of every packet, and which
    messages are delivered.
    """
    time, node, _, channel, level, answer_heard, wait = draws
    shed, factor, length, answer, need, threshold, demodulators, acknowledged, half_duplex, slot = rules
    messages, tries, sheds = level.shape
    fate = np.full(messages * tries, UNSENT, dtype=np.int8)
    delivered = np.zeros(messages, dtype=np.bool_)
    ends = np.zeros(messages * tries)
    takes = np.zeros((messages * tries, sheds), dtype=np.bool_)
    busy = np.zeros(sheds, dtype=np.int64)
    deaf_until = np.full(sheds, -np.inf)
    active = np.empty(messages, dtype=np.int64)
    on_air = 0
    again = [(np.inf, np.int64(-1))]
    following = 0
    at = -1  # place among the active ones of the packet that ends first
    while True:
        due = in_slot(time[following], slot) if following < messages else np.inf
        repeats = again[0][0] < due
        start = again[0][0] if repeats else due
        if start == np.inf and on_air == 0:
            return fate, delivered
        leaves = on_air > 0 and ends[active[at]] <= start
        if leaves:
            p = active[at]
        elif repeats:
            p = heapq.heappop(again)[1]
        else:
            p = np.int64(following * tries)
            following += 1
        m, t = p // tries, p % tries
        i = node[m]
        j = shed[i]
        if leaves:
            on_air -= 1
            active[at] = active[on_air]
            at = first_to_end(active, on_air, ends)
            # a demodulator is held until the packet ends, though that was spoilt on the way
            for q in range(sheds):
                busy[q] -= takes[p, q]
            delivered[m] |= fate[p] == GOOD
            answered = fate[p] == GOOD and acknowledged and deaf_until[j] <= ends[p]
            if answered:
                deaf_until[j] = ends[p] + answer[i]
                for a in range(on_air if half_duplex else 0):
                    q = active[a]
                    # what ends with it, as in a slot, is received, but gets no answer
                    if shed[node[q // tries]] == j and fate[q] == GOOD and ends[q] > ends[p]:
                        fate[q] = DEAF
            if t + 1 < tries and not (answered and answer_heard[m, t]):
                heapq.heappush(again, (in_slot(ends[p] + wait[m, t], slot), p + 1))
            continue
        c = factor[i]
        ends[p] = start + length[i]
        fate[p] = GOOD
        if level[m, t, j] < need[c, j]:
            fate[p] = WEAK
        elif half_duplex and deaf_until[j] > start:
            fate[p] = DEAF
        # a shed cannot know whom a packet is for: whatever it hears takes one of its demodulators
        for q in range(sheds):
            hears = level[m, t, q] >= need[c, q] and not (half_duplex and deaf_until[q] > start)
            takes[p, q] = hears and busy[q] < demodulators
            busy[q] += takes[p, q]
        if fate[p] == GOOD and not takes[p, j]:
            fate[p] = FULL
        for a in range(on_air):
            other = active[a]
            om, ot = other // tries, other % tries
            oi = node[om]
            if channel[om, ot] != channel[m, t] or oi == i:
                continue
            if fate[p] == GOOD and level[m, t, j] < threshold[c, factor[oi]] * level[om, ot, j]:
                fate[p] = SPOILT
            oj = shed[oi]
            if fate[other] == GOOD and level[om, ot, oj] < threshold[factor[oi], c] * level[m, t, oj]:
                fate[other] = SPOILT
        active[on_air] = p
        on_air += 1
        if on_air == 1 or ends[p] < ends[active[at]]:
            at = on_air - 1


@functools.cache
def compiled_events() -> Any:
    """`events` as machine code; needs numba."""
    return compiled.compile_function(events, uses=(in_slot, first_to_end))

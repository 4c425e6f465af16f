"""A fleet's packets as one would write them first: a list of starts, a heap of ends, and who overlaps whom.

It knows nothing of `linkcalc.fleets.simulate`, draws its own chances as it goes, and so checks it as well as
racing it. Random starts only, no common clock.
"""

import heapq
import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from linkcalc.fleets.network import FADING_K_DB, Network, Setting


@dataclass
class Packet:
    """One transmission on the air."""

    node: int
    due: int
    turn: int
    begin: float
    end: float
    channel: int
    level_dbm: list[float]
    holds: list[bool]
    lost: bool


def plain_fleet(
    network: Network, setting: Setting, duration_s: float, seed: int = 1
) -> tuple[list[int], list[int]]:
    """Return the messages of each node, and how many of them were delivered."""
    rnd = random.Random(seed)
    n, sheds = network.nodes, network.sheds
    gain: Sequence[Sequence[float]] = network.gain_db.tolist()
    noise = network.noise_dbm.tolist()
    required = network.required_snr_db.tolist()
    threshold = network.threshold_db.tolist()
    length = [float(network.time_on_air_s[i, setting.factor[i]]) for i in range(n)]
    answer = [float(network.answer_s[f]) for f in setting.factor]
    home, factor = setting.shed.tolist(), setting.factor.tolist()
    power = setting.power_dbm.tolist()
    back = network.return_snr_db.tolist()

    def faded_db(node: int, shed: int) -> float:
        k = 10.0 ** (FADING_K_DB[network.fading[node, shed]] / 10.0)
        scatter = math.sqrt(0.5 / (1.0 + k))
        real = math.sqrt(k / (1.0 + k)) + scatter * rnd.gauss(0.0, 1.0)
        imaginary = scatter * rnd.gauss(0.0, 1.0)
        return 10.0 * math.log10(max(real * real + imaginary * imaginary, 1e-30))

    starts: list[tuple[float, int, int, int]] = []
    number = 0
    for node in range(n):
        at = rnd.expovariate(1.0 / network.interval_s[node])
        while at < duration_s:
            starts.append((at, number, node, 0))
            number += 1
            at += rnd.expovariate(1.0 / network.interval_s[node])
    heapq.heapify(starts)
    messages, delivered = [0] * n, [0] * n
    got = [False] * number
    busy, deaf = [0] * sheds, [-math.inf] * sheds
    on_air: list[Packet] = []
    ends: list[tuple[float, int, Any]] = []
    serial = 0
    while starts or ends:
        if ends and (not starts or ends[0][0] <= starts[0][0]):
            _, _, p = heapq.heappop(ends)
            on_air.remove(p)
            for shed in range(sheds):
                busy[shed] -= p.holds[shed]
            shed = home[p.node]
            heard = False
            if not p.lost:
                got[p.due] = True
                if network.acknowledged and deaf[shed] <= p.end:
                    deaf[shed] = p.end + answer[p.node]
                    heard = back[p.node][shed] + faded_db(p.node, shed) >= required[factor[p.node]]
                    if network.half_duplex:
                        for other in on_air:
                            if home[other.node] == shed:
                                other.lost = True
            if not heard and p.turn + 1 < network.tries:
                wait = network.retry_wait_s * (1.0 + network.jitter * rnd.uniform(-1.0, 1.0))
                heapq.heappush(starts, (p.end + wait, p.due, p.node, p.turn + 1))
            else:
                messages[p.node] += 1
                delivered[p.node] += got[p.due]
            continue
        begin, due, node, turn = heapq.heappop(starts)
        shed, own = home[node], factor[node]
        level = [power[node] + gain[node][j] + faded_db(node, j) for j in range(sheds)]
        channel = rnd.randrange(network.channels)
        p = Packet(node, due, turn, begin, begin + length[node], channel, level, [False] * sheds, False)
        listening = [not (network.half_duplex and deaf[j] > begin) for j in range(sheds)]
        if level[shed] < noise[shed] + required[own] or not listening[shed]:
            p.lost = True
        for j in range(sheds):
            if level[j] >= noise[j] + required[own] and listening[j]:
                if busy[j] < network.demodulators:
                    busy[j] += 1
                    p.holds[j] = True
                elif j == shed:
                    p.lost = True
        for other in on_air:
            if other.channel != channel or other.node == node:
                continue
            theirs = factor[other.node]
            if level[shed] - other.level_dbm[shed] < threshold[own][theirs]:
                p.lost = True
            at = home[other.node]
            if other.level_dbm[at] - level[at] < threshold[theirs][own]:
                other.lost = True
        on_air.append(p)
        serial += 1
        heapq.heappush(ends, (p.end, serial, p))
    return messages, delivered

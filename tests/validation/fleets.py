"""The closed form for a fleet beside its simulation, over kinds of fleets and loads.

    python -m tests.validation fleets [--only WORD]

Both are this project's own; what they are held against outside is in tests/fleet (pure and slotted ALOHA,
Erlang's formula, a simulation written apart). Exit code 1 if, where more than half of the tries arrive, the
closed form says more than half a point too much, or a point too little, of the messages.
"""

import argparse
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from linkcalc.fleets.contention import outlook
from linkcalc.fleets.network import Network, Setting
from linkcalc.fleets.simulate import simulated_parts, summed
from tests.fleet.networks import AIRTIME_S, equal_nodes, scattered

HOPEFUL, CAUTIOUS = 0.005, 0.01
_NODES, _PARTS = 60, 16


@dataclass(frozen=True)
class Side:
    """A fleet by both, means over its nodes."""

    name: str
    worked_out: float
    played: float
    error: float
    """Standard error of `played`."""
    tries_worked_out: float
    tries_played: float

    @property
    def counts(self) -> bool:
        return self.tries_played > 0.5

    @property
    def missed(self) -> bool:
        over = self.worked_out - self.played
        return self.counts and not -CAUTIOUS <= over <= HOPEFUL + 3.0 * self.error


def _equal(interval_s: float, **changed: object) -> tuple[Network, Setting]:
    given = {"acknowledged": True, "tries": 3, "demodulators": 8, "timing": "periodic", **changed}
    return equal_nodes(_NODES, _NODES * AIRTIME_S / interval_s, **given)


def _scattered(interval_s: float, **changed: object) -> tuple[Network, Setting]:
    return scattered(_NODES, interval_s=interval_s, **{"tries": 3, "timing": "periodic", **changed})


def _near(interval_s: float, **changed: object) -> tuple[Network, Setting]:
    gain = -np.random.default_rng(1).uniform(85.0, 115.0, (_NODES, 1))
    return _scattered(interval_s, sheds=1, gain_db=gain, **changed)


_KINDS: tuple[tuple[str, Callable[..., tuple[Network, Setting]], dict[str, object]], ...] = (
    ("near and far", _scattered, {}),
    ("near and far, one demodulator", _scattered, {"demodulators": 1}),
    ("near and far, three channels", _scattered, {"channels": 3}),
    ("near and far, unanswered", _scattered, {"acknowledged": False, "tries": 1}),
    ("near and far, unanswered, sent three times", _scattered, {"acknowledged": False}),
    ("all strong", _near, {}),
    ("all strong, one demodulator", _near, {"demodulators": 1}),
    ("all strong, hears while it answers", _near, {"half_duplex": False}),
    ("all strong, one try", _near, {"tries": 1}),
    ("all strong, retries over a minute", _near, {"retry_wait_s": 30.0, "retry_jitter": 1.0}),
    ("equal, overlaps lost", _equal, {}),
    ("equal, overlaps lost, one try", _equal, {"tries": 1}),
    ("equal, overlaps lost, one demodulator", _equal, {"demodulators": 1}),
    ("equal, overlaps lost, retries over a minute", _equal, {"retry_wait_s": 30.0, "retry_jitter": 1.0}),
    ("equal, overlaps lost, slotted", _equal, {"slotted": True, "retry_wait_s": 30.0, "retry_jitter": 1.0}),
)
_INTERVALS_S = (1200.0, 600.0, 300.0, 150.0, 75.0)


def sides(
    only: str = "", intervals_s: Sequence[float] = _INTERVALS_S, messages: int = 1600
) -> Iterator[Side]:
    """Work out and play every fleet whose name holds a word, with so many messages a node and part."""
    for name, make, changed in _KINDS:
        if only not in name:
            continue
        for interval in intervals_s:
            network, setting = make(interval, **changed)
            closed = outlook(network, setting, spread=False)
            parts = simulated_parts(network, setting, duration_s=interval * messages, parts=_PARTS, seed=7)
            shares = np.array([p.delivered.sum() / p.messages.sum() for p in parts])
            total = summed(parts)
            yield Side(
                f"{name}, every {interval:g} s",
                float(closed.success.mean()),
                float(shares.mean()),
                float(shares.std(ddof=1)) / _PARTS**0.5,
                float(np.average(closed.try_success, weights=closed.rates.sent)),
                float(total.received.sum() / total.sent.sum()),
            )


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.validation fleets", description=__doc__)
    parser.add_argument("--only", default="", metavar="WORD", help="fleets whose name holds it")
    missed = 0
    print(f"{'':64s} {'messages':>21s} {'tries':>17s}")
    for side in sides(parser.parse_args(argv).only):
        missed += side.missed
        word = "MISSED" if side.missed else "ok" if side.counts else "under half"
        print(
            f"{side.name:64s} {side.worked_out:.4f} {side.played:.4f} ±{side.error:.4f}"
            f"  {side.tries_worked_out:.4f} {side.tries_played:.4f}  {word}",
            flush=True,
        )
    print(f"{missed} missed" if missed else "all within bounds")
    return 1 if missed else 0

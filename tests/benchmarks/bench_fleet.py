"""A fleet of 500 nodes played packet by packet, against a plain event loop in Python.

Both play the same rules; `tests/fleet/test_plain_fleet.py` holds them to the same success. The plain loop is
given less time to play, and the cost of a message is compared. The event loop itself, its chances drawn, is
timed compiled and plain as well: they give the same counts.
"""

from linkcalc.propagation import compiled
from tests.benchmarks.measure import Row, side_by_side
from tests.benchmarks.plain_fleet import plain_fleet
from tests.fleet.networks import scattered, simulate

NODES = 500
BAR = 10.0
BAR_COMPILED = 10.0
_INTERVAL_S = 900.0
_MESSAGES, _PLAIN_MESSAGES = 40.0, 3.0


def rows() -> list[Row]:
    """Time all, at a load where packets meet."""
    network, setting = scattered(NODES, interval_s=_INTERVAL_S, tries=3, channels=3)
    options = {"parts": 1, "seed": 1}

    def plain() -> None:
        plain_fleet(network, setting, _PLAIN_MESSAGES * _INTERVAL_S)

    def uncompiled() -> None:
        simulate(network, setting, duration_s=_PLAIN_MESSAGES * _INTERVAL_S, use_numba=False, **options)

    def quick() -> None:
        simulate(network, setting, duration_s=_MESSAGES * _INTERVAL_S, use_numba=True, **options)

    if not compiled.available():
        return []
    times = side_by_side({"plain": plain, "uncompiled": uncompiled, "quick": quick}, repeats=5)
    a_message = {
        "plain": times["plain"] / _PLAIN_MESSAGES,
        "uncompiled": times["uncompiled"] / _PLAIN_MESSAGES,
        "quick": times["quick"] / _MESSAGES,
    }
    detail = f"{NODES} nodes, {_MESSAGES * NODES:.0f} messages in {times['quick']:.2f} s"
    return [
        Row("fleet, against a plain event loop", a_message["plain"] / a_message["quick"], BAR, ">=", detail),
        Row(
            "fleet, compiled against uncompiled",
            a_message["uncompiled"] / a_message["quick"],
            BAR_COMPILED,
            ">=",
            "the same counts",
        ),
    ]

"""Packets sent without asking whether the air is free: the closed forms of random access.

The load G is what all senders together would occupy of the air, in packets per packet time, 0 or more. Without capture,
whatever overlaps is lost. Arrays in give arrays; a load that is negative or not finite is a `DomainError`.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError


def pure_success(load: ArrayLike) -> Any:
    """Success of a packet that is sent whenever it is due.

    Abramson, The ALOHA system, AFIPS 1970: exp(-2G), for Poisson arrivals of equal packets.

    >>> round(pure_success(0.5), 4)
    0.3679
    """
    return scalar_if_0d(np.exp(-2.0 * checked("load", load, at_least=0.0)))


def slotted_success(load: ArrayLike) -> Any:
    """Success of a packet that waits for the next slot.

    Roberts, ALOHA packet system with and without slots and capture, 1972 (reprinted 1975): exp(-G).

    >>> round(slotted_success(1.0), 4)
    0.3679
    """
    return scalar_if_0d(np.exp(-checked("load", load, at_least=0.0)))


def blocked(servers: int, load: ArrayLike) -> Any:
    """Share of arrivals that find every server busy, here packets that a receiver can take at once; load in erlang.

    Erlang's loss formula (1917), by its recursion over the servers; it holds for any distribution of the
    packets' length.

    >>> round(blocked(1, 0.25), 4), round(blocked(2, 1.0), 4)
    (0.2, 0.2)
    """
    if int(servers) != servers or servers < 1:
        raise DomainError(f"servers must be a whole number of at least 1, got {servers!r}")
    offered = checked("load", load, at_least=0.0)
    share: Floats = np.ones(offered.shape)
    for k in range(1, int(servers) + 1):
        share = offered * share / (k + offered * share)
    return scalar_if_0d(share)

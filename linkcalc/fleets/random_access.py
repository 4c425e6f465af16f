"""What is published of packets sent without asking whether the air is free: which of two survives, who is served."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError

LOWEST_FACTOR, HIGHEST_FACTOR = 7, 12
"""The spreading factors that thresholds are published for."""

_THRESHOLD_DB = np.array(
    [
        [1.0, -8.0, -9.0, -9.0, -9.0, -9.0],
        [-11.0, 1.0, -11.0, -12.0, -13.0, -13.0],
        [-15.0, -13.0, 1.0, -13.0, -14.0, -15.0],
        [-19.0, -18.0, -17.0, 1.0, -17.0, -18.0],
        [-22.0, -22.0, -21.0, -20.0, 1.0, -20.0],
        [-25.0, -25.0, -25.0, -24.0, -23.0, 1.0],
    ]
)
"""Rows: the wanted packet's spreading factor, 7 to 12; columns: the interferer's."""


def survival_threshold_db(wanted_factor: ArrayLike, interfering_factor: ArrayLike) -> Any:
    """Signal-to-interference ratio from which a packet survives one that overlaps it on the same channel.

    By the spreading factors of both, whole numbers from 7 to 12. Negative: the wanted packet may be the weaker one.

    Measured, on the same bandwidth. Theory (Goursaud and Gorce, EAI Endorsed Transactions on IoT, 2015) is
    more generous between different factors and asks 6 dB between equal ones.

    Croce et al., Impact of spreading factor imperfect orthogonality, IEEE Communications Letters 22(4),
    2018, DOI 10.1109/LCOMM.2018.2797057. Rows are the wanted packet: the authors' page has a threshold for
    each reference factor, and three simulators index it so (B).

    >>> survival_threshold_db(7, 7), survival_threshold_db(12, 7), survival_threshold_db(7, 12)
    (1.0, -25.0, -9.0)
    """
    rows, columns = (
        _index(name, value)
        for name, value in (("wanted_factor", wanted_factor), ("interfering_factor", interfering_factor))
    )
    return scalar_if_0d(_THRESHOLD_DB[rows, columns])


def _index(name: str, value: ArrayLike) -> Any:
    factor: Floats = checked(name, value, at_least=LOWEST_FACTOR, at_most=HIGHEST_FACTOR)
    if (factor != np.floor(factor)).any():
        raise DomainError(f"{name} must be whole numbers from 7 to 12, got {value!r}")
    return factor.astype(np.int64) - LOWEST_FACTOR


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
    # the recursion stays between 0 and 1, where the formula's powers and factorials overflow
    share: Floats = np.ones(offered.shape)
    for k in range(1, int(servers) + 1):
        share = offered * share / (k + offered * share)
    return scalar_if_0d(share)

"""What counted packets say of a loss rate, and how many of them prove one.

All of it takes losses as independent. They are not: they come in bursts, so that intervals are too narrow and
a test in one go proves less than it says. Spread the packets over the day.

Every function raises DomainError where counts do not fit or an argument is outside its range.
"""

from typing import Literal

import numpy as np
from scipy.special import bdtr, betaincinv

from linkcalc._arrays import checked
from linkcalc.errors import DomainError

MOST_PACKETS = 1_000_000


def loss_rate_interval(
    lost: int, sent: int, confidence: float = 0.95, *, method: Literal["exact", "wilson"] = "exact"
) -> tuple[float, float]:
    """Two-sided interval of a loss rate, from `lost` of `sent` packets.

    exact: holds the true rate with at least the stated probability, whatever the rate is (C. J. Clopper, E.
    S. Pearson, Biometrika 26 (1934), p. 404). wilson: the score interval, whose coverage is the stated one on
    average, not at the least (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927), p. 209; both from memory, worked
    out by `scipy.stats.binomtest`).

    >>> [round(100 * x, 2) for x in loss_rate_interval(2, 100)]
    [0.24, 7.04]
    >>> [round(100 * x, 2) for x in loss_rate_interval(0, 100, method="wilson")]
    [0.0, 3.7]
    """
    from scipy.stats import binomtest

    n, k, c = checked_counts(lost, sent, confidence)
    found = binomtest(k, n).proportion_ci(c, method)
    return float(found.low), float(found.high)


def largest_loss_rate(lost: int, sent: int, confidence: float = 0.95) -> float:
    """One-sided upper limit of a loss rate, exact: with none lost at 95 % nearly 3 / n, the rule of three.

    >>> round(100 * largest_loss_rate(0, 100), 2)
    2.95
    """
    n, k, c = checked_counts(lost, sent, confidence)
    # with none received the beta distribution has no second parameter
    return 1.0 if k == n else float(betaincinv(k + 1, n - k, c))


def packets_needed(success: float, confidence: float = 0.95, losses_allowed: int = 0) -> int:
    """Packets that prove a success rate of one packet when no more than so many of them are lost.

    Least n with P(lost <= allowed | n, 1 - success) <= 1 - confidence, of the binomial distribution; a
    million at most.

    >>> packets_needed(0.95), packets_needed(0.99), packets_needed(0.95, losses_allowed=2)
    (59, 299, 124)
    """
    p, c = checked_rate("success", success), checked_rate("confidence", confidence)
    if isinstance(losses_allowed, bool) or losses_allowed != int(losses_allowed) or losses_allowed < 0:
        raise DomainError(f"losses_allowed must be a whole number, 0 or more, got {losses_allowed}")
    allowed = int(losses_allowed)
    low, high = allowed, allowed + 1
    while float(bdtr(allowed, high, 1.0 - p)) > 1.0 - c:
        low, high = high, 2 * high
        if low > MOST_PACKETS:
            raise DomainError(
                f"a success of {p:g} at {c:g} confidence takes more than {MOST_PACKETS} packets"
            )
    while high - low > 1:
        middle = (low + high) // 2
        proven = float(bdtr(allowed, middle, 1.0 - p)) <= 1.0 - c
        low, high = (low, middle) if proven else (middle, high)
    return high


def checked_rate(name: str, value: float) -> float:
    # below 1: no count of packets proves that none will ever be lost
    return float(checked(name, value, above=0.0, at_most=np.nextafter(1.0, 0.0)))


def checked_counts(lost: int, sent: int, confidence: float) -> tuple[int, int, float]:
    n, k = float(checked("sent", sent, at_least=1.0)), float(checked("lost", lost, at_least=0.0))
    if n != int(n) or k != int(k) or k > n:
        raise DomainError(f"lost must be a whole number from 0 to sent, got {lost} of {sent}")
    return int(n), int(k), checked_rate("confidence", confidence)

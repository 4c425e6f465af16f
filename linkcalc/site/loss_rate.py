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
    """Two-sided interval of a loss rate.

    Parameters
    ----------
    lost, sent : int
        Packets; `lost` of `sent`, which is 1 or more.
    confidence : float, above 0 and below 1
    method : "exact" or "wilson"
        exact: holds the true rate with at least the stated probability, whatever the rate is. wilson: the score
        interval, whose coverage is the stated one on average, not at the least.

    Returns
    -------
    tuple of float, 0 to 1

    References
    ----------
    `scipy.stats.binomtest`; C. J. Clopper, E. S. Pearson, Biometrika 26 (1934), p. 404, and E. B. Wilson, J. Am.
    Stat. Assoc. 22 (1927), p. 209 (from memory).

    Examples
    --------
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
    """One-sided upper limit of a loss rate, exact.

    Parameters
    ----------
    lost, sent, confidence
        As `loss_rate_interval`.

    Returns
    -------
    float, 0 to 1

    References
    ----------
    As `loss_rate_interval`, exact and one-sided. With none lost at 95 % it is nearly 3 / n, the rule of three.

    Examples
    --------
    >>> round(100 * largest_loss_rate(0, 100), 2)
    2.95
    """
    n, k, c = checked_counts(lost, sent, confidence)
    return 1.0 if k == n else float(betaincinv(k + 1, n - k, c))


def packets_needed(success: float, confidence: float = 0.95, losses_allowed: int = 0) -> int:
    """Packets that prove a success rate when no more than so many of them are lost.

    Parameters
    ----------
    success : float, above 0 and below 1
        Of one packet.
    confidence : float, above 0 and below 1
    losses_allowed : int, 0 or more

    Returns
    -------
    int

    Raises
    ------
    DomainError
        If an argument is outside its range, or more than a million packets would be needed.

    References
    ----------
    Least n with P(lost <= allowed | n, 1 - success) <= 1 - confidence, of the binomial distribution.

    Examples
    --------
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
    return float(checked(name, value, above=0.0, at_most=np.nextafter(1.0, 0.0)))


def checked_counts(lost: int, sent: int, confidence: float) -> tuple[int, int, float]:
    n, k = float(checked("sent", sent, at_least=1.0)), float(checked("lost", lost, at_least=0.0))
    if n != int(n) or k != int(k) or k > n:
        raise DomainError(f"lost must be a whole number from 0 to sent, got {lost} of {sent}")
    return int(n), int(k), checked_rate("confidence", confidence)

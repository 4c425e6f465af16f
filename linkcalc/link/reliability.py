"""From margin to probability: fast fading, slow variation, tries, both directions.

Margin is always taken against the *mean power* of the fast fading (steady and scattered part together) in
the median of the slow variation: the level a patient reading of many packets averages to.

Two kinds of variation are kept apart because tries cure only one. Fast fading (Rician or Rayleigh) is drawn
anew for every try. The slow state, log-normal with a standard deviation in dB, is the same for all tries of
a message and for both directions: wet leaves, a parked truck, the error of the prediction itself.

Every public function here raises DomainError where an argument is outside its range.
"""

from functools import cache, lru_cache
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chndtr

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError

STEADIEST_K_DB = 40.0
"""A larger Rician K is taken for this one: fading of 0.06 dB is none."""

DEFAULT_K_DB = 6.0
"""Rician K of a fixed path with clear sight (5 to 15 dB in the open: common practice, no source)."""

K_SPREAD_DB = 8.0
"""Standard deviation of K over fixed sites of one kind, log-normal: Greenstein, Ghassemzadeh, Erceg and Michelson,
IEEE Trans. on Vehicular Technology, 2009 (abstract)."""


def rician_outage(margin_db: ArrayLike, rician_k_db: ArrayLike = DEFAULT_K_DB) -> Any:
    """Share of the fast fading that is deeper than the margin, with a steady ray (Rician distribution, any textbook).

    The power over half the scattered mean is a non-central chi-square variable with 2 degrees of freedom and
    non-centrality 2 K. K of -inf dB is Rayleigh fading, 1 - exp(-10^(-M/10)); more than 40 dB is taken for 40 dB.

    >>> round(rician_outage(10.0, 6.0), 5), round(rician_outage(20.0, -np.inf), 5)
    (0.01646, 0.00995)
    """
    return scalar_if_0d(_outage(checked("margin_db", margin_db), _rician_k(rician_k_db)))


def message_failure(
    margin_db: ArrayLike, sigma_db: ArrayLike = 0.0, *, rician_k_db: ArrayLike = DEFAULT_K_DB, tries: int = 1
) -> Any:
    """Probability that a message is lost in all of its `tries`: E[p^n] over the slow state, precise where it is small.

    With sigma 0 it is the optimistic bound of independent losses, p^n.

    >>> f"{message_failure(60.0, 6.0, rician_k_db=6.0, tries=2):.3e}"
    '3.939e-13'
    >>> [round(1.0 - message_failure(12.0, 6.0, rician_k_db=6.0, tries=n), 6) for n in (1, 3)]
    [0.944929, 0.984607]
    """
    margin, sigma, k, n = _arguments(margin_db, sigma_db, rician_k_db, tries)
    return scalar_if_0d(_slow_mean(lambda m: _outage(m, k[..., np.newaxis]) ** n, margin, sigma, k, n))


def success_by_try(
    margin_db: ArrayLike, sigma_db: ArrayLike = 0.0, *, rician_k_db: ArrayLike = DEFAULT_K_DB, tries: int = 1
) -> Floats:
    """Probability that a message is delivered exactly at try 1, 2, ... `tries`, on a last axis.

    >>> success_by_try(12.0, 6.0, rician_k_db=6.0, tries=3).round(3).tolist()
    [0.945, 0.032, 0.007]
    """
    margin, sigma, k, n = _arguments(margin_db, sigma_db, rician_k_db, tries)

    def at_try(i: int) -> Floats:
        def delivered(m: Floats) -> Floats:
            lost = _outage(m, k[..., np.newaxis])
            return (1.0 - lost) * lost ** (i - 1)

        return _slow_mean(delivered, margin, sigma, k, n)

    return np.stack([at_try(i) for i in range(1, n + 1)], axis=-1)


def two_way_success(
    margin_up_db: ArrayLike,
    margin_down_db: ArrayLike,
    sigma_db: ArrayLike = 0.0,
    *,
    rician_k_db: ArrayLike = DEFAULT_K_DB,
    tries: int = 1,
) -> Any:
    """Probability that a message is delivered *and* its acknowledgement heard in at most `tries` tries.

    One try succeeds with (1 - p_up)(1 - p_down), given the slow state, which is the same for both directions and all
    tries; the fast fading of the two is independent, which is the cautious end.

    >>> round(two_way_success(12.0, 12.0, 6.0, rician_k_db=6.0), 4)
    0.9125
    """
    up, sigma, k, n = _arguments(margin_up_db, sigma_db, rician_k_db, tries)
    down = checked("margin_down_db", margin_down_db)
    up, down, sigma, k = np.broadcast_arrays(up, down, sigma, k)
    gap = (down - up)[..., np.newaxis]

    def lost(m: Floats) -> Floats:
        p, q = _outage(m, k[..., np.newaxis]), _outage(m + gap, k[..., np.newaxis])
        return (p + q - p * q) ** n

    return scalar_if_0d(1.0 - _slow_mean(lost, up, sigma, k, n, np.maximum(gap[..., 0], 0.0)))


def margin_for_success(
    success: ArrayLike, sigma_db: ArrayLike = 0.0, *, rician_k_db: ArrayLike = DEFAULT_K_DB, tries: int = 1
) -> Any:
    """Margin at which a message gets through with a probability above 0 and below 1.

    >>> round(margin_for_success(0.99, rician_k_db=-np.inf), 2)
    19.98
    """
    target = 1.0 - checked("success", success, above=0.0, at_most=np.nextafter(1.0, 0.0))
    _, sigma, k, n = _arguments(0.0, sigma_db, rician_k_db, tries)
    target, sigma, k = np.broadcast_arrays(target, sigma, k)
    low = np.full(target.shape, -30.0) - 9.0 * sigma
    high = 170.0 + 9.0 * sigma
    for _ in range(44):  # of 200 dB and more: to 1e-10 dB
        middle = (low + high) / 2.0
        lost = _slow_mean(lambda m: _outage(m, k[..., np.newaxis]) ** n, middle, sigma, k, n)
        low, high = np.where(lost > target, middle, low), np.where(lost > target, high, middle)
    return scalar_if_0d((low + high) / 2.0)


def _arguments(
    margin_db: ArrayLike, sigma_db: ArrayLike, rician_k_db: ArrayLike, tries: int
) -> tuple[Floats, Floats, Floats, int]:
    if isinstance(tries, bool) or not isinstance(tries, (int, np.integer)) or tries < 1:
        raise DomainError(f"tries must be a whole number, 1 or more, got {tries!r}")
    margin = checked("margin_db", margin_db)
    sigma = checked("sigma_db", sigma_db, at_least=0.0)
    margin, sigma, k = np.broadcast_arrays(margin, sigma, _rician_k(rician_k_db))
    return margin, sigma, k, int(tries)


def _rician_k(rician_k_db: ArrayLike) -> Floats:
    """K as a ratio, 0 for -inf dB."""
    k_db = np.asarray(rician_k_db, dtype=np.float64)
    if np.isnan(k_db).any():
        raise DomainError("rician_k_db must be a number")
    k: Floats = 10.0 ** (np.minimum(k_db, STEADIEST_K_DB) / 10.0)
    return k


def _inverse_ratio(margin_db: Floats) -> Floats:
    # held where the power of ten is still a float: beyond, a margin is as good as infinite
    ratio: Floats = 10.0 ** (np.clip(-margin_db, -3000.0, 3000.0) / 10.0)
    return ratio


def _outage(margin_db: Floats, k: Floats) -> Floats:
    lost: Floats = np.minimum(chndtr(2.0 * (1.0 + k) * _inverse_ratio(margin_db), 2.0, 2.0 * k), 1.0)
    return lost


def _slow_mean(
    function: Any, margin: Floats, sigma: Floats, k: Floats, n: int, reach: Floats | float = 0.0
) -> Floats:
    """Mean of `function(margin + sigma z)` over the standard normal z, by the trapezoidal rule over a last axis."""
    # The rule's error falls exponentially with the number of points once the step resolves the fading, some
    # 6 dB/sqrt(K) wide at large K and narrower for the worst of n. The sum reaches down to where the integrand of the
    # deep tail peaks: ln p^n grows by at most n (0.23 + 0.058 K) per dB, and not beyond margin 0 (`reach` dB more
    # where another direction saturates later).
    spread = np.maximum(sigma, 1e-9)
    growth = n * sigma * np.log(10.0) / 10.0 * (1.0 + k / 4.0)
    lowest = -9.0 - np.minimum(growth, np.maximum(margin + reach, 0.0) / spread)
    width = 5.5 / np.sqrt(1.0 + k) / (1.0 + np.log(n))
    step = np.minimum(0.25, 0.4 * width / spread).min(initial=0.25)
    points = int(np.ceil((9.0 - lowest).max(initial=9.0) / step)) + 1
    z = lowest[..., np.newaxis] + (9.0 - lowest)[..., np.newaxis] * np.linspace(0.0, 1.0, points)
    weight = np.exp(-0.5 * z**2)
    scale = (9.0 - lowest) / (points - 1) / np.sqrt(2.0 * np.pi)
    values = function(margin[..., np.newaxis] + sigma[..., np.newaxis] * z)
    mean: Floats = scale * (weight * values).sum(axis=-1)
    return mean


# ---------------------------------------------------------------- many links: tables
# Success over a site's fading, its K drawn around the median of such sites, and over a slow variation, read
# from tables made when first asked for: exact to 1e-4, and the same numbers for one link as for a million.

MARGIN_GRID_DB: Floats = np.arange(-60.0, 140.1, 0.25)
K_GRID_DB: Floats = np.arange(-14.0, 20.1, 2.0)
"""Less is Rayleigh fading, more none to speak of."""
SIGMA_STEP_DB = 0.5

_MEDIAN_K_DB: Floats = np.arange(0.0, 16.1, 1.0)


def nodes(sigma_db: Floats) -> tuple[NDArray[np.int64], tuple[Floats, ...]]:
    """Node of the tables below each spread, and the weights of the four nodes around it (Lagrange)."""
    at = sigma_db / SIGMA_STEP_DB
    node = np.floor(at).astype(np.int64)
    return node, _lagrange(at - node)


def _lagrange(t: Floats) -> tuple[Floats, ...]:
    return (
        -t * (t - 1.0) * (t - 2.0) / 6.0,
        (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
        -(t + 1.0) * t * (t - 2.0) / 2.0,
        (t + 1.0) * t * (t - 1.0) / 6.0,
    )


@lru_cache(maxsize=256)
def lost_over_the_year(tries: int, busy: float, node: int) -> Floats:
    """Share of messages lost, by K and margin of the grids, over a slow variation of so many steps.

    Each try is lost to the fading or, by itself, to other users of the channel.
    """
    # no slow variation: a kernel of no width would divide by 0
    if node == 0:
        outage = _outage_of_grids()
        return np.asarray((outage + busy - outage * busy) ** tries)
    sigma = node * SIGMA_STEP_DB
    reach = int(np.ceil(6.5 * sigma / 0.25))
    weight = np.exp(-0.5 * (np.arange(-reach, reach + 1) * 0.25 / sigma) ** 2)
    weight /= weight.sum()
    # beyond the grid all is lost, or no more than at its end: the outermost values go on
    steady = np.pad(lost_over_the_year(tries, busy, 0), ((0, 0), (reach, reach)), mode="edge")
    return np.array([np.convolve(row, weight, mode="valid") for row in steady])


@cache
def _outage_of_grids() -> Floats:
    return np.asarray(rician_outage(MARGIN_GRID_DB, K_GRID_DB[:, np.newaxis]))


@cache
def _over_sites() -> Floats:
    """Weight of each K of the grid in the mean over sites of one median K, (medians, grid)."""
    # Gauss-Hermite: nodes and weights of a normal variable, which K in dB is over sites
    z, weight = np.polynomial.hermite_e.hermegauss(7)
    k = np.clip(_MEDIAN_K_DB[:, np.newaxis] + K_SPREAD_DB * z, K_GRID_DB[0], K_GRID_DB[-1])
    at = (k - K_GRID_DB[0]) / (K_GRID_DB[1] - K_GRID_DB[0])
    near = np.maximum(
        1.0 - np.abs(at[..., np.newaxis] - np.arange(K_GRID_DB.size)), 0.0
    )  # linear between the grid
    return np.asarray((weight / weight.sum()) @ near)


def _mean_lost(tries: int, busy: float, node: int) -> Floats:
    """The same, by the median of K (`_MEDIAN_K_DB`) over sites."""
    return np.asarray(_over_sites() @ lost_over_the_year(tries, busy, node))


class _Stack:
    """`_mean_lost` of the nodes that were asked for so far, (nodes, K, margins)."""

    def __init__(self, tries: int, busy: float) -> None:
        self._made_from = tries, busy
        self._made: frozenset[int] = frozenset()
        self._tables: Floats = np.empty((0, _MEDIAN_K_DB.size, MARGIN_GRID_DB.size))
        self._lock = Lock()

    def holding(self, first: int, last: int) -> Floats:
        """With the nodes from one to another, both included; others may not be there."""
        wanted = frozenset(range(first, last + 1))
        with self._lock:
            if missing := wanted - self._made:
                size = max(last + 1, len(self._tables))
                # a new array: other threads may still read from the one handed out before
                grown = np.full((size, *self._tables.shape[1:]), np.nan)
                grown[: len(self._tables)] = self._tables
                for node in missing:
                    grown[node] = _mean_lost(*self._made_from, node)
                self._tables, self._made = grown, self._made | missing
            return self._tables


_stack = lru_cache(maxsize=16)(_Stack)


def mean_success(
    margin_db: ArrayLike, sigma_db: ArrayLike, k_db: ArrayLike, *, tries: int = 1, busy: float = 0.0
) -> Any:
    """Share of messages that arrive, averaged over a slow variation and over the K of such sites; NaN where one is.

    One less `message_failure` with K log-normal over sites around its median, 0 to 16 dB (beyond: the nearer), from
    tables, to 1e-4. `busy`: share of the tries that other users of the channel spoil.

    >>> round(mean_success(20.0, 10.0, 10.0), 2), round(mean_success(20.0, 10.0, 10.0, busy=0.05), 2)
    (0.97, 0.92)
    """
    margin, sigma, k = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (margin_db, sigma_db, k_db))
    )
    known = np.isfinite(margin) & np.isfinite(sigma) & np.isfinite(k)
    result = np.full(margin.shape, np.nan)
    if known.any():
        result[known] = 1.0 - _read_lost(margin[known], sigma[known], k[known], tries, busy)
    return scalar_if_0d(np.clip(result, 0.0, 1.0))


def _read_lost(margin: Floats, sigma: Floats, k: Floats, tries: int, busy: float) -> Floats:
    row, down = nodes(sigma)
    # a cubic goes through four nodes, from one below `row` to two above
    table = _stack(tries, busy).holding(max(int(row.min()) - 1, 0), int(row.max()) + 2)
    # held so far inside the grid that the cubic has a point before and two after
    m = np.clip((margin - MARGIN_GRID_DB[0]) / 0.25, 1.0, MARGIN_GRID_DB.size - 3.001)
    column = m.astype(np.int64)
    across = _lagrange(m - column)
    at = np.clip(k, _MEDIAN_K_DB[0], _MEDIAN_K_DB[-1]) - _MEDIAN_K_DB[0]
    below = np.minimum(at.astype(np.int64), _MEDIAN_K_DB.size - 2)
    share = at - below
    total = np.zeros(margin.shape)
    for i, weight in enumerate(down):
        here = np.abs(row - 1 + i)  # a spread below none counts as the one above
        for j, part in enumerate(across):
            value = (1.0 - share) * table[here, below, column - 1 + j] + share * table[
                here, below + 1, column - 1 + j
            ]
            total += weight * part * value
    return total

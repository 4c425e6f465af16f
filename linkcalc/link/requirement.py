"""What is required of a link, and the verdict: one rule, over arrays of links.

A requirement has two parts. What a *site* must give: a share of its messages, with their tries, must arrive over
the fading and the conditions of the year. And at what share of *such sites*: a prediction does not know the site,
so the margin must be large enough that most sites like this one give it.
"""

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from linkcalc._arrays import Floats, scalar_if_0d
from linkcalc.link.findings import VERDICTS as VERDICTS
from linkcalc.link.reliability import (
    K_GRID_DB,
    K_SPREAD_DB,
    MARGIN_GRID_DB,
    lost_over_the_year,
    mean_success,
    nodes,
)
from linkcalc.plan import Link
from linkcalc.plan.links import MOST_TRIES

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()

LEAST_SUCCESS = 0.5
"""Does not close: at the predicted margin fewer messages than this arrive."""


@dataclass(frozen=True)
class Requirement:
    """What is required of each direction of a link."""

    success: float
    """Share of the messages, each with its tries, that a site must carry."""
    confidence: float
    """Share of such sites at which it must be so."""
    stated_margin_db: float | None
    """Fade margin that the median prediction must have besides; None: nothing is said of margins."""
    tries: int
    busy: float
    """Share of the tries that other users of the channel spoil, each by itself."""
    tries_stated: bool = field(default=True, compare=False)
    """Whether somebody says how many tries; else a hop over a relay takes those that it needs."""

    @classmethod
    def of(cls, link: Link) -> "Requirement":
        """Read it off a link."""
        return cls(
            link.required_success,
            link.confidence,
            link.required_margin_db,
            link.tries,
            link.channel_busy_percent / 100.0,
            "tries" in link.model_fields_set,
        )

    @property
    def words(self) -> str:
        """It in words.

        >>> Requirement(0.99, 0.9, 20.0, 3, 0.01).words
        '99 % of the messages (up to 3 tries each) at 90 % of such sites, and 20 dB of fade margin'
        """
        tries = "" if self.tries == 1 else f" (up to {self.tries} tries each)"
        words = f"{100.0 * self.success:.6g} % of the messages{tries} at {100.0 * self.confidence:g} % of such sites"
        if self.stated_margin_db is not None:
            words += f", and {self.stated_margin_db:g} dB of fade margin"
        return words

    def of_each_hop(self, hops: int = 2) -> "Requirement":
        """What each of some hops must have for all together to have this; their sites taken as independent."""
        each = replace(self, success=self.success ** (1.0 / hops), confidence=self.confidence ** (1.0 / hops))
        if each.reachable or each.tries_stated or each.least_tries > MOST_TRIES:
            return each
        return replace(each, tries=each.least_tries)

    @property
    def least_tries(self) -> int:
        """How many tries other users of the channel leave enough of the messages with, where they spoil any."""
        if not self.busy:
            return 1
        # 1e-9, here and in `reachable`: 1 - 0.99 is not quite 0.01
        return math.ceil(math.log(1.0 - self.success + 1e-9) / math.log(self.busy) - 1e-9)

    @property
    def reachable(self) -> bool:
        """Whether other users of the channel leave enough of the messages alone."""
        return self.busy**self.tries <= 1.0 - self.success + 1e-9

    def site_needs_db(self, conditions_db: ArrayLike, k_db: ArrayLike) -> Floats:
        """Margin at which a site gives what is required, for seven sites of different fading, (..., 7)."""
        conditions, k = np.broadcast_arrays(
            np.asarray(conditions_db, dtype=np.float64), np.asarray(k_db, dtype=np.float64)
        )
        # NaN (no path) has no place in a table; `margin_db` puts it back
        flat = np.nan_to_num(conditions.ravel())
        at = np.clip(
            np.nan_to_num(k.ravel())[:, np.newaxis] + K_SPREAD_DB * _NODES, K_GRID_DB[0], K_GRID_DB[-1]
        )
        row, weights = nodes(flat)
        first = int(row.min(initial=0)) - 1
        table = _needs_table(self.success, self.tries, first, int(row.max(initial=0)) + 3)
        step = K_GRID_DB[1] - K_GRID_DB[0]
        column = np.minimum(((at - K_GRID_DB[0]) / step).astype(np.int64), K_GRID_DB.size - 2)
        share = (at - K_GRID_DB[column]) / step
        total = np.zeros(at.shape)
        for i, weight in enumerate(weights):
            here = (row - first - 1 + i)[:, np.newaxis]
            total += weight[:, np.newaxis] * (
                (1.0 - share) * table[here, column] + share * table[here, column + 1]
            )
        return total.reshape(*conditions.shape, _NODES.size)

    def site_share(
        self,
        margin_db: ArrayLike,
        site_db: ArrayLike,
        conditions_db: ArrayLike,
        k_db: ArrayLike,
        *,
        needs_db: Floats | None = None,
    ) -> Any:
        """Share of such sites that give what is required of a site.

        Spreads and K as `Judgement` has them; `needs_db`: `site_needs_db` of the latter two, where it is at hand.
        """
        if not self.reachable:
            return scalar_if_0d(np.zeros(np.broadcast(margin_db, site_db, conditions_db, k_db).shape))
        if needs_db is None:
            needs_db = self.site_needs_db(conditions_db, k_db)
        return scalar_if_0d(_share(margin_db, site_db, needs_db))

    def margin_db(
        self, site_db: ArrayLike, conditions_db: ArrayLike, k_db: ArrayLike, *, needs_db: Floats | None = None
    ) -> Any:
        """Median fade margin that meets all that is required, dB; 0 at least. Arguments as `site_share`."""
        if needs_db is None:
            needs_db = self.site_needs_db(conditions_db, k_db)
        site = np.broadcast_to(
            np.asarray(site_db, dtype=np.float64), np.broadcast(site_db, needs_db[..., 0]).shape
        )
        needs = np.broadcast_to(needs_db, (*site.shape, _NODES.size)).reshape(-1, _NODES.size)
        found = _margin_of_share(self.confidence, site.ravel(), needs).reshape(site.shape)
        # 0 at least: however little is required, a link below sensitivity does not have it
        needed = np.maximum(found, max(self.stated_margin_db or 0.0, 0.0))
        return scalar_if_0d(np.where(np.isfinite(site), needed, np.nan))

    def least_db(self, conditions_db: ArrayLike, k_db: ArrayLike) -> Any:
        """Median margin below which a link does not close: half of the messages arrive there."""
        low, high = np.full(np.broadcast(conditions_db, k_db).shape, -40.0), np.full((), 60.0)
        # 100 dB halved 34 times: to 1e-8 dB
        for _ in range(34):
            middle = (low + high) / 2.0
            arrives = mean_success(middle, conditions_db, k_db, tries=self.tries, busy=self.busy)
            enough = np.asarray(arrives) >= LEAST_SUCCESS
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        return scalar_if_0d(high)

    def verdict(
        self, margin_db: ArrayLike, required_db: ArrayLike, conditions_db: ArrayLike, k_db: ArrayLike
    ) -> NDArray[np.int8]:
        """Index into `VERDICTS`, -1 where there is no margin.

        Closes: the margin is the required one or more. Does not close: at the predicted margin fewer than half of the
        messages arrive. At risk: between.
        """
        margin = np.asarray(margin_db, dtype=np.float64)
        arrives = mean_success(margin, conditions_db, k_db, tries=self.tries, busy=self.busy)
        # no margin brings back what other users spoil
        closes = (margin >= np.asarray(required_db, dtype=np.float64)) & self.reachable
        word = np.where(closes, 2, np.where(np.asarray(arrives) >= LEAST_SUCCESS, 1, 0))
        return np.where(np.isfinite(margin), word, -1).astype(np.int8)


# a site without any spread would divide by 0
_LEAST_SITE_DB = 1e-3
_CLOSE_DB = 1e-9


def _share(margin_db: ArrayLike, site_db: ArrayLike, needs_db: Floats) -> Floats:
    site = np.maximum(np.asarray(site_db, dtype=np.float64), _LEAST_SITE_DB)[..., np.newaxis]
    over = (np.asarray(margin_db, dtype=np.float64)[..., np.newaxis] - needs_db) / site
    return np.asarray(ndtr(over) @ _WEIGHTS)


def _margin_of_share(share: float, site_db: Floats, needs_db: Floats) -> Floats:
    """Margin at which `_share` reaches a share, (n,), by Newton's method within a bracket."""
    found = np.full(site_db.shape, np.nan)
    left = np.flatnonzero(np.isfinite(site_db))
    site, needs = np.maximum(site_db[left], _LEAST_SITE_DB), needs_db[left]
    # no share that can be required lies nine sigmas out
    low, high = needs.min(axis=-1) - 9.0 * site, needs.max(axis=-1) + 9.0 * site
    middle = needs @ _WEIGHTS
    # as if the sum of both spreads were normal
    spread = np.sqrt(site**2 + np.maximum(needs**2 @ _WEIGHTS - middle**2, 0.0))
    at = np.clip(middle + ndtri(share) * spread, low, high)
    while left.size:
        over = (at[:, np.newaxis] - needs) / site[:, np.newaxis]
        missing = ndtr(over) @ _WEIGHTS - share
        slope = np.exp(-0.5 * over * over) @ _WEIGHTS / (site * np.sqrt(2.0 * np.pi))
        low, high = np.where(missing < 0.0, at, low), np.where(missing < 0.0, high, at)
        # where the slope is next to nothing Newton's step leaves the bracket: it is halved instead
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            after = at - missing / slope
        after = np.where((after >= low) & (after <= high), after, 0.5 * (low + high))
        done = (np.abs(after - at) < _CLOSE_DB) | (high - low < _CLOSE_DB)
        found[left[done]] = after[done]
        if done.any():
            left, site, needs, low, high, after = (v[~done] for v in (left, site, needs, low, high, after))
        at = after
    return found


@lru_cache(maxsize=64)
def _needs_table(success: float, tries: int, first: int, after: int) -> Floats:
    return np.array([_needs_db(success, tries, abs(n)) for n in range(first, after)])


@lru_cache(maxsize=1024)
def _needs_db(success: float, tries: int, node: int) -> Floats:
    """Margin at which a site with each K of the grid gives the success, for one node of conditions."""
    # of the fading and the year alone: what other users spoil is asked by `reachable`
    lost = lost_over_the_year(tries, 0.0, node)
    # losses fall with the margin: interpolate their logarithm
    return np.array(
        [
            np.interp(-np.log(1.0 - success), -np.log(np.maximum(row, 1e-300)), MARGIN_GRID_DB)
            # rounding in the deep tail may lift a loss, and np.interp wants its points in order
            for row in np.minimum.accumulate(lost, axis=1)
        ]
    )

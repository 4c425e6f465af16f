"""Distributions on an even grid, and weights that add up to 1."""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import logsumexp, ndtr

from linkcalc._arrays import Floats


@dataclass(frozen=True)
class Distribution:
    """A distribution on an even, rising grid; its probabilities add up to 1."""

    value: Floats
    probability: Floats

    @cached_property
    def _cumulative(self) -> Floats:
        # half of its own cell lies below each value
        below: Floats = np.cumsum(self.probability) - 0.5 * self.probability
        return below

    @property
    def mean(self) -> float:
        return float(self.value @ self.probability)

    @property
    def standard_deviation(self) -> float:
        return math.sqrt(max(float((self.value - self.mean) ** 2 @ self.probability), 0.0))

    def quantile(self, share: float) -> float:
        return float(np.interp(share, self._cumulative, self.value))

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        return self.quantile((1.0 - share) / 2.0), self.quantile((1.0 + share) / 2.0)

    def above(self, value: float) -> float:
        return 1.0 - float(np.interp(value, self.value, self._cumulative, left=0.0, right=1.0))


def normalised(log_weight: Floats) -> Floats:
    weight: Floats = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return weight


def log_normalised(log_weight: Floats) -> Floats:
    free: Floats = log_weight - logsumexp(log_weight)
    return free


def spread(value: Floats, probability: Floats, sigma_db: float) -> Distribution:
    """Distribution of values with these probabilities and a normal part besides."""
    step = 0.1
    # ends of no weight would only make the result's grid longer
    keep = probability.ravel() > 1e-12
    v, p = value.ravel()[keep], probability.ravel()[keep]
    reach = max(5.0 * sigma_db, 5.0 * step)
    low = math.floor((v.min() - reach) / step) * step
    n = math.ceil((v.max() + reach - low) / step) + 2
    at = (v - low) / step
    cell = np.floor(at).astype(np.intp)
    part = at - cell
    # each value goes to its two neighbours by nearness: rounding to one would shift the mean
    mass = np.bincount(cell, p * (1.0 - part), n) + np.bincount(cell + 1, p * part, n)
    if sigma_db > 0.0:
        half = math.ceil(reach / step)
        edges = (np.arange(-half, half + 2) - 0.5) * step / sigma_db
        mass = np.convolve(mass, np.diff(ndtr(edges)), mode="same")
    return Distribution(low + step * np.arange(n), mass / mass.sum())

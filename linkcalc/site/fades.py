"""Fast fading as tables in decibels over its mean power, as the readings of a site are weighed by."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr, i0e

from linkcalc._arrays import Floats
from linkcalc.link.reliability import K_SPREAD_DB


def fade_points_db(rician_k_db: float) -> tuple[float, float, float]:
    """The 16 %, the 50 % and the 84 % point of the fast fading, dB over its mean power; K of -inf dB is Rayleigh's.

    >>> [round(x, 1) for x in fade_points_db(-math.inf)]
    [-7.6, -1.6, 2.6]
    """
    f = fade_table(rician_k_db)
    low, middle, high = np.interp([0.1587, 0.5, 0.8413], f.share_below, f.value)
    return float(low), float(middle), float(high)


FADE_STEP_DB = 0.05


@dataclass(frozen=True)
class Fades:
    """Fast fading in decibels over its mean power, as tables."""

    value: Floats
    share_below: Floats
    density_at: Floats

    def below(self, fade_db: Floats) -> Floats:
        """Share of fades deeper than this, kept off 0 and 1."""
        looked_up: Floats = self.share_below[index(self.value, fade_db)]
        return looked_up


def index(grid: Floats, value: Floats) -> NDArray[np.intp]:
    """Of the nearest point of an even grid."""
    at: NDArray[np.intp] = np.rint((value - grid[0]) / (grid[1] - grid[0])).astype(np.intp)
    return at.clip(0, len(grid) - 1)


@lru_cache(maxsize=16)
def fade_table(rician_k_db: float) -> Fades:
    # more than 20 dB is a fade of half a decibel, far less than a reading's error
    k = 10.0 ** (min(rician_k_db, 20.0) / 10.0)
    value = np.linspace(-80.0, 25.0, round(105.0 / FADE_STEP_DB) + 1)
    power = 10.0 ** (value / 10.0)
    root = 2.0 * np.sqrt(k * (1.0 + k) * power)
    exponent = -k - (1.0 + k) * power + root
    # i0e carries exp(-root), which the exponent gives back: a plain Bessel function overflows at a strong K
    density = (1.0 + k) * np.exp(exponent) * i0e(root) * power * math.log(10.0) / 10.0
    # off 0 and 1, so that a packet lost on a strong link or heard on a weak one has a logarithm
    below = np.clip(chndtr(2.0 * (1.0 + k) * power, 2.0, 2.0 * k), 1e-9, 1.0 - 1e-9)
    return Fades(value, below, density)


@lru_cache(maxsize=16)
def still_share_below(rician_k_db: float) -> Floats:
    """Share of sites whose one fade is deeper than each value of `fade_table`: K differs from site to site."""
    z, weight = np.polynomial.hermite_e.hermegauss(7)
    by_site = [fade_table(rician_k_db + K_SPREAD_DB * float(x)).share_below for x in z]
    mean: Floats = np.array(weight / weight.sum()) @ np.array(by_site)
    return mean

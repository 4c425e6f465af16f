"""What levels and packet counts say about a site: one unknown excess loss, found by Bayes' rule on a grid.

Everything is relative to a prediction. The *excess* is what the path loses over it on the day, the same in
both directions. In each direction a receiver reads levels with an offset of its own and hears noise that may
differ from the expected. A reading is

    level - predicted level = -excess + offset + fade + error

where the fade is the fast fading of `linkcalc.reliability`, one packet's or the median of a burst's, given
that the burst was heard at all; a share of the readings is taken to be plainly wrong, anywhere on the scale.
A packet is lost when its fade is deeper than the margin, or, in an unknown share of cases, for a reason that
has nothing to do with the level (interference, another transmitter). So what was not heard counts as "below
sensitivity", outliers do not pull, and a packet lost to interference is not taken for a weak signal.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, chndtr, i0e, logsumexp, ndtr

from linkcalc._arrays import Floats

ERROR_DB = 1.5
"""Standard deviation of one reading's own error (common practice, no source)."""
OFFSET_DB = 2.0
"""Standard deviation of a receiver's offset with the ripple of the spot, common to all its readings: what
`linkcalc.uncertainty.READING_ERROR_DB` leaves of a site (common practice, no source)."""
WRONG_SHARE = 0.05
"""Share of readings taken to be plainly wrong (common practice, no source)."""
UNPLANNED_NOISE_DB = 8.0
"""Standard deviation of noise over the expected where noise was measured: machines nearby are in no
recommendation (0 to 20 dB seen in practice; common practice, no source)."""
MOST_INDEPENDENT = 50
"""Packets of one burst that count as independent; what stands still during a burst does not average out."""

_SCALE_DB = 130.0
"""Where a wrong reading may lie: -150 to -20 dBm, all alike."""
_STEP_DB = 0.5
_OFFSETS_DB = np.arange(-7.0, 7.5, _STEP_DB)
"""Whole steps of the grid, so that an offset is a shift."""
_UNEXPLAINED = np.geomspace(0.0005, 0.5, 16)
_UNEXPLAINED_WEIGHT = (1.0 / _UNEXPLAINED) / (1.0 / _UNEXPLAINED).sum()
"""Share of packets lost for other reasons than the level, and how likely each is beforehand."""

Fading = Literal["rician", "rayleigh"]


@dataclass(frozen=True)
class MeasuredNoise:
    """Noise heard, over the noise expected."""

    shift_db: float
    error_db: float


@dataclass(frozen=True)
class Count:
    """Packets sent under one predicted margin."""

    margin_db: float
    """As predicted for the day, with the expected noise."""
    sent: int
    received: int
    noise: MeasuredNoise | None = None
    """As measured in the same state of the engine."""


@dataclass(frozen=True)
class Heard:
    """What was measured in one direction."""

    shift_db: Floats
    """(n,) measured less predicted level."""
    head_db: Floats
    """(n,) measured level over sensitivity; what was heard cannot have faded further than this."""
    packets: Floats
    """(n,) packets that each level is the median of."""
    counts: tuple[Count, ...] = ()
    noise: MeasuredNoise | None = None
    """Over the expected, in the state of the engine that the margin is asked for."""
    noise_place_db: float = 0.0
    """Standard deviation of the expected noise from place to place."""
    noise_time_db: float = 0.0
    """And over time."""

    @property
    def empty(self) -> bool:
        """Whether nothing was measured."""
        return not (self.shift_db.size or self.counts or self.noise)


@dataclass(frozen=True)
class Distribution:
    """A distribution on an even grid."""

    value: Floats
    """(n,) rising."""
    probability: Floats
    """(n,) adding up to 1."""

    @cached_property
    def _cumulative(self) -> Floats:
        # half of its own cell lies below each value
        below: Floats = np.cumsum(self.probability) - 0.5 * self.probability
        return below

    @property
    def mean(self) -> float:
        """Mean."""
        return float(self.value @ self.probability)

    @property
    def standard_deviation(self) -> float:
        """Standard deviation."""
        return math.sqrt(max(float((self.value - self.mean) ** 2 @ self.probability), 0.0))

    def quantile(self, share: float) -> float:
        """Value below which this share lies."""
        return float(np.interp(share, self._cumulative, self.value))

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        """Central interval that holds this share."""
        return self.quantile((1.0 - share) / 2.0), self.quantile((1.0 + share) / 2.0)

    def above(self, value: float) -> float:
        """Share above a value."""
        return 1.0 - float(np.interp(value, self.value, self._cumulative, left=0.0, right=1.0))


@dataclass(frozen=True)
class Found:
    """What one direction says, once all are heard."""

    shortfall: Distribution
    """By how much the margin lies below the predicted one, over the year: excess and noise together."""
    own_excess: Distribution | None
    """The excess by this direction alone; None where nothing was measured in it."""
    wrong: Floats
    """(n,) probability that a reading is plainly wrong."""
    unexplained: float
    """Share of packets lost for other reasons than the level; its mean, in the worst state of the engine."""


@dataclass(frozen=True)
class Update:
    """The excess loss of a site after its readings."""

    prior: Distribution
    """Of the excess on the day, before."""
    today: Distribution
    """Of the excess on the day."""
    excess: Distribution
    """Of the part that stays over the year."""
    directions: tuple[Found, ...]


def update(
    directions: Sequence[Heard],
    *,
    site_db: float,
    day_db: float = 0.0,
    fading: Fading,
    rician_k_db: float = -math.inf,
    offset_db: float = OFFSET_DB,
) -> Update:
    """Find the excess loss of a site, and by how much each direction's margin falls short.

    Parameters
    ----------
    directions : sequence of Heard
    site_db : float, dB, above 0
        Standard deviation of the prediction: what is fixed but unknown.
    day_db : float, dB, 0 or more
        Standard deviation of what comes and goes over the year in the level, and was there on the day.
    fading, rician_k_db
        As in `linkcalc.reliability`.
    offset_db : float, dB
        Standard deviation of a receiver's offset.

    Returns
    -------
    Update

    References
    ----------
    Bayes' rule; the median of an odd number of packets has the density of the middle order statistic (any
    textbook), here used for even numbers too.

    Examples
    --------
    Ten readings 20 dB below the prediction, where the prediction is good to 12 dB:

    >>> heard = Heard(np.full(10, -20.0), np.full(10, 15.0), np.ones(10))
    >>> found = update([heard], site_db=12.0, fading="rician", rician_k_db=10.0)
    >>> round(found.excess.mean), round(found.excess.standard_deviation, 1)
    (19, 2.1)
    """
    total_db = max(math.hypot(site_db, day_db), _STEP_DB)
    grid = _grid(directions, total_db)
    prior = -0.5 * (grid / total_db) ** 2
    fades = _fades(fading, rician_k_db)
    parts = [_Part(h, grid, fades, offset_db) for h in directions]
    posterior = _normalised(prior + sum((p.log_likelihood for p in parts), np.zeros_like(grid)))
    kept = (site_db / total_db) ** 2
    left_db = math.sqrt(kept) * day_db
    return Update(
        prior=Distribution(grid, _normalised(prior)),
        today=Distribution(grid, posterior),
        excess=_spread(kept * grid, posterior, left_db),
        directions=tuple(p.found(posterior, kept, left_db) for p in parts),
    )


def log_likelihood(
    directions: Sequence[Heard],
    excess_db: Floats,
    *,
    fading: Fading,
    rician_k_db: float = -math.inf,
    offset_db: float = OFFSET_DB,
) -> Floats:
    """How well each excess on a grid from `even_grid` explains what was heard; arguments as `update`."""
    fades = _fades(fading, rician_k_db)
    total = np.zeros_like(excess_db)
    for heard in directions:
        total += _Part(heard, excess_db, fades, offset_db).log_likelihood
    return total


def fade_points_db(fading: Fading, rician_k_db: float = -math.inf) -> tuple[float, float, float]:
    """The 16 %, the 50 % and the 84 % point of the fast fading, dB over its mean power.

    >>> [round(x, 1) for x in fade_points_db("rayleigh")]
    [-7.6, -1.6, 2.6]
    """
    f = _fades(fading, rician_k_db)
    low, middle, high = np.interp([0.1587, 0.5, 0.8413], f.share_below, f.value)
    return float(low), float(middle), float(high)


def even_grid(low_db: float, high_db: float) -> Floats:
    """Grid that `log_likelihood` takes, from low to high."""
    first, last = math.floor(low_db / _STEP_DB), math.ceil(high_db / _STEP_DB)
    return np.linspace(first * _STEP_DB, last * _STEP_DB, last - first + 1)


def _grid(directions: Sequence[Heard], total_db: float) -> Floats:
    # the prior's width, and the readings' where they contradict it
    shifts = [h.shift_db for h in directions if h.shift_db.size]
    low = min([-5.0 * total_db - 5.0, *(-float(s.max()) - 20.0 for s in shifts)])
    high = max([5.0 * total_db + 5.0, *(-float(s.min()) + 20.0 for s in shifts)])
    return even_grid(max(low, -150.0), min(high, 150.0))


class _Part:
    """One direction: its likelihood on the grid, with offset, noise and other losses averaged out."""

    def __init__(self, heard: Heard, grid: Floats, fades: "_Fades", offset_db: float) -> None:
        self._heard = heard
        self._grid = grid
        # axes: excess, offset, noise left open
        offsets, weight = self._offsets(offset_db)
        reach = round(float(np.abs(offsets).max()) / _STEP_DB)
        wide = _STEP_DB * np.arange(-reach, len(grid) + reach) + grid[0]
        self._levels = _Levels(heard, wide, fades)
        shifts = np.rint(offsets / _STEP_DB).astype(int)
        columns = reach - shifts[np.newaxis, :] + np.arange(len(grid))[:, np.newaxis]
        by_level = self._levels.log_likelihood[columns] + weight
        loose = max(self._loose_db(n) for n in (heard.noise, *(c.noise for c in heard.counts)))
        z = np.linspace(-3.0, 3.0, 9) if loose >= 0.25 else np.zeros(1)
        self._offset_axis, self._z_axis = offsets, z
        log_weight = by_level[:, :, np.newaxis] + _log_sum_free(-0.5 * z**2)
        self._losses = [_Losses(count, fades) for count in heard.counts]
        for losses in self._losses:
            log_weight = log_weight + losses.log_likelihood(self._margin_db(losses.count))
        top = log_weight.max(axis=(1, 2), keepdims=True)
        likelihood = np.exp(log_weight - top)
        total = likelihood.sum(axis=(1, 2))
        self._weight = likelihood / total[:, np.newaxis, np.newaxis]
        """(excess, offset, noise): how likely the rest is, given the excess."""
        self.log_likelihood: Floats = np.log(total) + top[:, 0, 0]

    def _margin_db(self, count: Count) -> Floats:
        """(excess, offset, noise) margin that the packets were sent with."""
        margin: Floats = count.margin_db - self._grid[:, np.newaxis, np.newaxis] - self._noise_db(count.noise)
        return margin

    def _offsets(self, offset_db: float) -> tuple[Floats, Floats]:
        """Offsets with their logarithmic weight: beforehand, and by the noise that was read with them."""
        heard = self._heard
        noises = {n for n in (heard.noise, *(c.noise for c in heard.counts)) if n is not None}
        offsets = _OFFSETS_DB * (offset_db / OFFSET_DB)
        offsets = np.unique(np.rint(offsets / _STEP_DB) * _STEP_DB)
        if not (heard.shift_db.size or noises):
            offsets = np.zeros(1)
        weight = -0.5 * (offsets / max(offset_db, 1e-3)) ** 2
        for n in noises:
            weight = weight - 0.5 * (n.shift_db - offsets) ** 2 / (UNPLANNED_NOISE_DB**2 + n.error_db**2)
        return offsets, _log_sum_free(weight)

    def _loose_db(self, noise: MeasuredNoise | None) -> float:
        """What stays unknown of the noise on the day, given the offset."""
        if noise is None:
            return math.hypot(self._heard.noise_place_db, self._heard.noise_time_db)
        return noise.error_db * UNPLANNED_NOISE_DB / math.hypot(noise.error_db, UNPLANNED_NOISE_DB)

    def _noise_db(self, noise: MeasuredNoise | None) -> Floats:
        """(offset, z) noise over the expected."""
        middle = np.zeros_like(self._offset_axis)
        if noise is not None:
            kept = UNPLANNED_NOISE_DB**2 / (UNPLANNED_NOISE_DB**2 + noise.error_db**2)
            middle = kept * (noise.shift_db - self._offset_axis)
        return middle[:, np.newaxis] + self._loose_db(noise) * self._z_axis

    def found(self, posterior: Floats, kept: float, left_db: float) -> Found:
        """What this direction says, the excess being distributed like this."""
        heard = self._heard
        joint = posterior[:, np.newaxis, np.newaxis] * self._weight
        noise = self._noise_db(heard.noise)
        over_time = heard.noise_time_db
        if heard.noise is None:
            # only the part that belongs to the place stays
            total = math.hypot(heard.noise_place_db, over_time)
            noise = noise * ((heard.noise_place_db / total) ** 2 if total else 0.0)
            over_time *= heard.noise_place_db / total if total else 0.0
        shortfall = kept * self._grid[:, np.newaxis, np.newaxis] + noise
        lost_otherwise = [
            float((joint * losses.unexplained(self._margin_db(losses.count))).sum())
            for losses in self._losses
        ]
        alone = None if heard.empty else Distribution(self._grid, _normalised(self.log_likelihood))
        return Found(
            shortfall=_spread(shortfall, joint, math.hypot(left_db, over_time)),
            own_excess=alone,
            wrong=self._levels.wrong(self._apparent(posterior)),
            unexplained=max(lost_otherwise, default=0.0),
        )

    def _apparent(self, posterior: Floats) -> Floats:
        """Distribution of excess less offset, on the wide grid of the levels."""
        joint = posterior[:, np.newaxis] * self._weight.sum(axis=2)
        reach = (self._levels.grid.size - self._grid.size) // 2
        apparent = np.zeros(self._levels.grid.size)
        for column, offset in zip(joint.T, self._offset_axis, strict=True):
            start = reach - round(float(offset) / _STEP_DB)
            apparent[start : start + column.size] += column
        return apparent


class _Losses:
    """Packets counted under one margin: how likely the count is, and how many were lost otherwise."""

    def __init__(self, count: Count, fades: "_Fades") -> None:
        self.count = count
        lost = fades.share_below[::2, np.newaxis]
        lost = lost + (1.0 - lost) * _UNEXPLAINED
        missing = count.sent - count.received
        each = count.received * np.log1p(-lost) + missing * np.log(lost) + np.log(_UNEXPLAINED_WEIGHT)
        self._fade = fades.value[::2]
        self._log_likelihood = logsumexp(each, axis=1)
        self._unexplained = np.exp(each - self._log_likelihood[:, np.newaxis]) @ _UNEXPLAINED

    def log_likelihood(self, margin_db: Floats) -> Floats:
        """Of the count at these margins."""
        looked_up: Floats = self._log_likelihood[_index(self._fade, -margin_db)]
        return looked_up

    def unexplained(self, margin_db: Floats) -> Floats:
        """Mean share lost for other reasons than the level at these margins."""
        looked_up: Floats = self._unexplained[_index(self._fade, -margin_db)]
        return looked_up


class _Levels:
    """Readings of level: how likely they are for each excess less offset."""

    def __init__(self, heard: Heard, grid: Floats, fades: "_Fades") -> None:
        self.grid = grid
        # registers read in steps, so that many readings are the same
        head = np.minimum(heard.head_db, 40.0)  # deeper fades are none
        packets = np.minimum(heard.packets, MOST_INDEPENDENT)
        table = np.round(np.stack([heard.shift_db, head, packets], axis=1), 2)
        same: Any = np.unique(table, axis=0, return_inverse=True, return_counts=True)
        unique, which, times = same
        self._which: NDArray[np.intp] = which.reshape(-1)
        chunk = max(1, 400_000 // (grid.size * _ERROR_STEPS.size))
        parts = [_density(unique[i : i + chunk], grid, fades) for i in range(0, len(unique), chunk)]
        self._right = (1.0 - WRONG_SHARE) * np.concatenate([*parts, np.empty((0, grid.size))])
        self.log_likelihood: Floats = times @ np.log(self._right + WRONG_SHARE / _SCALE_DB)

    def wrong(self, apparent: Floats) -> Floats:
        """(n,) probability of each reading to be plainly wrong."""
        floor = WRONG_SHARE / _SCALE_DB
        each: Floats = (floor / (self._right + floor)) @ apparent
        return each[self._which]


_FADE_STEP_DB = 0.05
_ERROR_STEPS = np.arange(-120, 121, 15)
"""A reading's error in steps of the fades: 4 standard deviations either way."""
_ERROR_WEIGHT = np.exp(-0.5 * (_ERROR_STEPS * _FADE_STEP_DB / ERROR_DB) ** 2)


def _density(rows: Floats, grid: Floats, fades: "_Fades") -> Floats:
    """(rows, grid) density of each reading, given that its packets were heard, per dB."""
    shift, head, packets = (c[:, np.newaxis] for c in rows.T)
    apparent = shift + grid
    # what was heard cannot have faded further than the level read over sensitivity, its error allowed for
    error = _ERROR_WEIGHT * (head > _ERROR_STEPS * _FADE_STEP_DB) / _ERROR_WEIGHT.sum()
    unheard = fades.below(apparent - head)
    at = _index(fades.value, apparent)[:, :, np.newaxis] - _ERROR_STEPS
    values = fades.density_at[at.clip(0, len(fades.value) - 1)]
    burst = rows[:, 2] > 1.0
    if burst.any():
        # the middle of an odd number: k weaker ones that were heard all the same, k stronger ones
        k = (packets[burst] - 1.0) / 2.0
        below = fades.share_below[at[burst].clip(0, len(fades.value) - 1)]
        both = np.maximum(below - unheard[burst][:, :, np.newaxis], 0.0) * (1.0 - below)
        scale = np.exp(-betaln(k + 1.0, k + 1.0) - 2.0 * k * math.log(2.0))
        values[burst] *= (4.0 * both) ** k[:, :, np.newaxis] * scale[:, :, np.newaxis]
    heard = np.maximum((1.0 - unheard) ** packets, 1e-300)
    mean: Floats = np.einsum("rge,re->rg", values, error) / heard
    return mean


@dataclass(frozen=True)
class _Fades:
    """Fast fading in decibels over its mean power, as tables."""

    value: Floats
    share_below: Floats
    density_at: Floats

    def below(self, fade_db: Floats) -> Floats:
        """Share of fades deeper than this, kept off 0 and 1."""
        looked_up: Floats = self.share_below[_index(self.value, fade_db)]
        return looked_up


def _index(grid: Floats, value: Floats) -> NDArray[np.intp]:
    """Of the nearest point of an even grid."""
    at: NDArray[np.intp] = np.rint((value - grid[0]) / (grid[1] - grid[0])).astype(np.intp)
    return at.clip(0, len(grid) - 1)


@lru_cache(maxsize=16)
def _fades(fading: Fading, rician_k_db: float) -> _Fades:
    # more than 20 dB is a fade of half a decibel, far less than a reading's error
    k = 0.0 if fading == "rayleigh" else 10.0 ** (min(rician_k_db, 20.0) / 10.0)
    value = np.linspace(-80.0, 25.0, round(105.0 / _FADE_STEP_DB) + 1)
    power = 10.0 ** (value / 10.0)
    root = 2.0 * np.sqrt(k * (1.0 + k) * power)
    exponent = -k - (1.0 + k) * power + root
    density = (1.0 + k) * np.exp(exponent) * i0e(root) * power * math.log(10.0) / 10.0
    below = np.clip(chndtr(2.0 * (1.0 + k) * power, 2.0, 2.0 * k), 1e-9, 1.0 - 1e-9)
    return _Fades(value, below, density)


def _normalised(log_weight: Floats) -> Floats:
    weight: Floats = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return weight


def _log_sum_free(log_weight: Floats) -> Floats:
    """Logarithms of weights that add up to 1."""
    free: Floats = log_weight - logsumexp(log_weight)
    return free


def _spread(value: Floats, probability: Floats, sigma_db: float) -> Distribution:
    """Distribution of values with these probabilities and a normal part besides."""
    step = 0.1
    keep = probability.ravel() > 1e-12
    v, p = value.ravel()[keep], probability.ravel()[keep]
    reach = max(5.0 * sigma_db, 5.0 * step)
    low = math.floor((v.min() - reach) / step) * step
    n = math.ceil((v.max() + reach - low) / step) + 2
    at = (v - low) / step
    cell = np.floor(at).astype(np.intp)
    part = at - cell
    mass = np.bincount(cell, p * (1.0 - part), n) + np.bincount(cell + 1, p * part, n)
    if sigma_db > 0.0:
        half = math.ceil(reach / step)
        edges = (np.arange(-half, half + 2) - 0.5) * step / sigma_db
        mass = np.convolve(mass, np.diff(ndtr(edges)), mode="same")
    return Distribution(low + step * np.arange(n), mass / mass.sum())

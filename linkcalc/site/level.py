"""What levels and packet counts say about a site: one unknown excess loss, found by Bayes' rule on a grid.

Everything is relative to a prediction. The *excess* is what the path loses over it on the day, the same in
both directions. In each direction a receiver reads levels with an offset of its own and hears noise that may
differ from the expected. A reading is

    level - predicted level = -excess + ripple + offset + fade + error

where the ripple is what this spot, height and hour differ from the place's mean, one draw for all readings of
a group; the fade is the fast fading of `linkcalc.link.reliability`, one packet's or the median of a burst's, given
that the burst was heard at all; a share of the readings is taken to be plainly wrong, anywhere on the scale.
Whether the fade moves from packet to packet or stands still, one draw for the group by a K of the site's own,
the readings' own scatter decides: both are weighed.
A packet is lost when its fade is deeper than the margin, or, in an unknown share of cases, for a reason that
has nothing to do with the level (interference, another transmitter). So what was not heard counts as "below
sensitivity", outliers do not pull, and a packet lost to interference is not taken for a weak signal.

Noise that was measured counts as measured. Where it was not (the SNR reading saturates), a machine nearby may
have raised it by anything that the packets heard still allow.
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
from linkcalc.link.reliability import K_SPREAD_DB

ERROR_DB = 1.5
"""Standard deviation of one reading's own error (common practice, no source)."""
OFFSET_DB = 2.0
"""Standard deviation of a receiver's offset, common to all its readings (common practice, no source)."""
STANDS_STILL = 0.25
"""How likely it is beforehand that fading is one draw for all packets of a group: on many a fixed path
nothing moves (no source: one in four, and the readings decide)."""
WRONG_SHARE = 0.05
"""Share of readings taken to be plainly wrong (common practice, no source)."""
UNPLANNED_NOISE_DB = 8.0
"""Standard deviation of noise over the expected where noise was measured: machines nearby are in no
recommendation (0 to 20 dB seen in practice; common practice, no source)."""
UNPLANNED_NOISE_SHARE = 0.5
"""How likely such noise is where none was measured (no source: even odds)."""
MOST_INDEPENDENT = 50
"""Packets of one burst that count as independent; what stands still during a burst does not average out."""

SCALE_DB = 130.0
"""Where a wrong reading may lie: -150 to -20 dBm, all alike."""
STEP_DB = 0.5
OFFSETS_DB = np.arange(-6.0, 6.5, 1.0)
"""Whole steps of the grid, so that an offset is a shift."""
RISES_DB = np.concatenate([[0.0], np.arange(1.0, 26.0, 2.0)])
"""Unplanned noise: none, or the middle of each 2 dB."""
STEADY_K_DB = 20.0
"""Fading of half a decibel: none, for packets that share their fade."""
_NOISE_STEP_DB = 0.25
UNEXPLAINED = np.geomspace(0.0005, 0.5, 16)
UNEXPLAINED_WEIGHT = (1.0 / UNEXPLAINED) / (1.0 / UNEXPLAINED).sum()
"""Share of packets lost for other reasons than the level, and how likely each is beforehand."""

Fading = Literal["rician", "rayleigh"]

_WORTH = ((1.0, 4.8), (3.0, 3.5), (10.0, 2.3))
_OTHER_HEIGHT_DB = 6.5


def reading_error_db(readings: float, *, same_height: bool = True) -> float:
    """Standard deviation that so many readings leave of a site's loss.

    Parameters
    ----------
    readings : float, 1 or more
        Packets whose level was read, at one spot.
    same_height : bool
        Whether the antennas stood at the heights that the answer is for.

    Returns
    -------
    float, dB

    References
    ----------
    169 fixed links of 868 MHz at 1 to 3 m with five and more readings each, counted for this library from
    open data: the median of 1, 3 and 10 readings against the rest of the same spot and height; against
    another height at the same place 6.5 dB, however many. Between them by the logarithm; no less beyond 10.

    Examples
    --------
    >>> [reading_error_db(n) for n in (1, 3, 10, 100)], reading_error_db(10, same_height=False)
    ([4.8, 3.5, 2.3, 2.3], 6.5)
    """
    if not same_height:
        return _OTHER_HEIGHT_DB
    counts, errors = zip(*_WORTH, strict=True)
    return round(float(np.interp(math.log(max(readings, 1.0)), np.log(counts), errors)), 6)


def ripple_db(
    readings: float,
    *,
    same_height: bool,
    fading: "Fading",
    rician_k_db: float = -math.inf,
    offset_db: float = OFFSET_DB,
) -> float:
    """The part of `reading_error_db` that neither fading nor error nor two receivers' offsets explain, dB."""
    low, _, high = fade_points_db(fading, rician_k_db)
    own = (((high - low) / 2.0) ** 2 + ERROR_DB**2) / max(readings, 1.0) + offset_db**2 / 2.0
    return math.sqrt(max(reading_error_db(readings, same_height=same_height) ** 2 - own, 0.0))


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
    noise_most_db: float = math.inf
    """Noise over the expected that the packets heard still allow, where it was not measured."""

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
class Group:
    """Readings of both directions that share a spot and its heights."""

    directions: tuple[Heard, ...]
    ripple_db: float = 0.0
    """Standard deviation of what this spot, height and hour differ from the place that the answer is for."""


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
    stands_still: float
    """Probability that the fading of the first group stood still."""


def update(
    groups: Sequence[Group],
    *,
    site_db: float,
    day_db: float = 0.0,
    to_come_db: float = 0.0,
    fading: Fading,
    rician_k_db: float = -math.inf,
    offset_db: float = OFFSET_DB,
) -> Update:
    """Find the excess loss of a site, and by how much each direction's margin falls short.

    Parameters
    ----------
    groups : sequence of Group
        Each with as many directions, in the same order.
    site_db : float, dB, above 0
        Standard deviation of the prediction: what is fixed but unknown.
    day_db : float, dB, 0 or more
        Standard deviation of what comes and goes over the year in the level, and was there on the day.
    to_come_db : float, dB, 0 or more
        Standard deviation of what was not there on the day and is allowed for (leaves).
    fading, rician_k_db
        As in `linkcalc.link.reliability`.
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

    >>> heard = Heard(np.linspace(-23.0, -18.0, 10), np.full(10, 15.0), np.ones(10))
    >>> found = update([Group((heard,))], site_db=12.0, fading="rician", rician_k_db=10.0)
    >>> round(found.excess.mean), round(found.excess.standard_deviation, 1)
    (19, 3.6)
    """
    total_db = max(math.hypot(site_db, day_db), STEP_DB)
    grid = _grid([h for g in groups for h in g.directions], total_db)
    prior = -0.5 * (grid / total_db) ** 2
    fades, still = fade_table(fading, rician_k_db), still_share_below(fading, rician_k_db)
    weighed = [_Weighed(g, grid, fades, still, offset_db) for g in groups]
    posterior = _normalised(prior + sum((w.log_likelihood for w in weighed), np.zeros_like(grid)))
    kept = (site_db / total_db) ** 2
    left_db = math.sqrt(kept) * day_db
    n = len(groups[0].directions)
    return Update(
        prior=Distribution(grid, _normalised(prior)),
        today=Distribution(grid, posterior),
        excess=_spread(kept * grid, posterior, left_db),
        directions=tuple(
            _found(weighed, posterior, d, kept, math.hypot(left_db, to_come_db)) for d in range(n)
        ),
        stands_still=weighed[0].still(posterior),
    )


class _Weighed:
    """A group under both kinds of fading: its likelihood over the excess, its ripple averaged out."""

    def __init__(
        self, group: Group, grid: Floats, fades: "_Fades", still_below: Floats, offset_db: float
    ) -> None:
        self.grid = grid
        steady = fade_table("rician", STEADY_K_DB)
        self.parts = [[_Part(h, grid, f, offset_db) for h in group.directions] for f in (fades, steady)]
        ripple = _ripple_kernel(grid, group.ripple_db)
        frozen = _fade_kernel(grid, fades.value, still_below)
        kernels = (_toeplitz(ripple), _toeplitz(np.convolve(frozen, ripple, mode="same")))
        by_own = [sum((p.log_likelihood for p in parts), np.zeros_like(grid)) for parts in self.parts]
        self._top = max(float(own.max()) for own in by_own)
        shares = (1.0 - STANDS_STILL, STANDS_STILL)
        self._joint = [
            share * kernel * np.exp(own - self._top)
            for share, kernel, own in zip(shares, kernels, by_own, strict=True)
        ]
        """(excess, excess as the spot reads it), by kind of fading."""
        total = sum((j.sum(axis=1) for j in self._joint), np.zeros_like(grid))
        self._total = np.maximum(total, 1e-300)
        self.log_likelihood: Floats = np.log(self._total) + self._top

    def joint(self, posterior: Floats) -> list[Floats]:
        """(excess, excess as read) by kind of fading, the excess being distributed like this."""
        scale = (posterior / self._total)[:, np.newaxis]
        return [j * scale for j in self._joint]

    def still(self, posterior: Floats) -> float:
        """Probability that the fading stood still."""
        return float(self.joint(posterior)[1].sum())

    def alone(self, direction: int) -> Floats:
        """Likelihood of the excess by one direction, its ripple not counted."""
        return self.parts[0][direction].log_likelihood


def _found(
    weighed: Sequence["_Weighed"], posterior: Floats, direction: int, kept: float, left_db: float
) -> Found:
    """What one direction says, the excess being distributed like this."""
    grid = weighed[0].grid
    most = max(weighed, key=lambda w: w.parts[0][direction].weight)
    heard = most.parts[0][direction].heard
    joints = most.joint(posterior)
    values = most.parts[0][direction].noise_bins
    by_noise = np.zeros((grid.size, values.size))
    for joint, parts in zip(joints, most.parts, strict=True):
        by_noise += joint @ parts[direction].by_noise()
    over_time = heard.noise_time_db
    if heard.noise is None:
        # only the part that belongs to the place stays
        total = math.hypot(heard.noise_place_db, over_time)
        over_time *= heard.noise_place_db / total if total else 0.0
    wrong, unexplained = [], []
    for w in weighed:
        own = [j.sum(axis=0) for j in w.joint(posterior)]
        wrong.append(sum(p[direction].wrong(o) for p, o in zip(w.parts, own, strict=True)))
        shares = zip(*(p[direction].unexplained(o) for p, o in zip(w.parts, own, strict=True)), strict=True)
        unexplained += [sum(s) for s in shares]
    empty = all(w.parts[0][direction].heard.empty for w in weighed)
    alone = sum((w.alone(direction) for w in weighed), np.zeros_like(grid))
    return Found(
        shortfall=_spread(kept * grid[:, np.newaxis] + values, by_noise, math.hypot(left_db, over_time)),
        own_excess=None if empty else Distribution(grid, _normalised(alone)),
        wrong=np.concatenate(wrong),
        unexplained=max(unexplained, default=0.0),
    )


def _ripple_kernel(grid: Floats, sigma_db: float) -> Floats:
    """(2 n - 1,) probability of each difference on the grid, normal."""
    step = np.arange(-(grid.size - 1), grid.size) * STEP_DB
    edges = (np.append(step, step[-1] + STEP_DB) - STEP_DB / 2.0) / max(sigma_db, 1e-3)
    mass: Floats = np.diff(ndtr(edges))
    return mass


def _fade_kernel(grid: Floats, value: Floats, share_below: Floats) -> Floats:
    """(2 n - 1,) the same for the fade: a deep one makes the spot read more excess than there is."""
    step = np.arange(-(grid.size - 1), grid.size) * STEP_DB
    edges = np.append(step, step[-1] + STEP_DB) - STEP_DB / 2.0
    # excess as read less excess = -fade
    mass: Floats = -np.diff(np.interp(-edges, value, share_below, left=0.0, right=1.0))
    return mass


def _toeplitz(kernel: Floats) -> Floats:
    """(excess, excess as read) from probabilities by their difference."""
    n = (kernel.size + 1) // 2
    at = np.arange(n)[np.newaxis, :] - np.arange(n)[:, np.newaxis]
    table: Floats = kernel[at + n - 1]
    return table


def log_likelihood(
    directions: Sequence[Heard],
    excess_db: Floats,
    *,
    fading: Fading,
    rician_k_db: float = -math.inf,
    offset_db: float = OFFSET_DB,
) -> Floats:
    """How well each excess on a grid from `even_grid` explains what was heard; arguments as `update`."""
    fades = fade_table(fading, rician_k_db)
    total = np.zeros_like(excess_db)
    for heard in directions:
        total += _Part(heard, excess_db, fades, offset_db).log_likelihood
    return total


def fade_points_db(fading: Fading, rician_k_db: float = -math.inf) -> tuple[float, float, float]:
    """The 16 %, the 50 % and the 84 % point of the fast fading, dB over its mean power.

    >>> [round(x, 1) for x in fade_points_db("rayleigh")]
    [-7.6, -1.6, 2.6]
    """
    f = fade_table(fading, rician_k_db)
    low, middle, high = np.interp([0.1587, 0.5, 0.8413], f.share_below, f.value)
    return float(low), float(middle), float(high)


def even_grid(low_db: float, high_db: float) -> Floats:
    """Grid that `log_likelihood` takes, from low to high."""
    first, last = math.floor(low_db / STEP_DB), math.ceil(high_db / STEP_DB)
    return np.linspace(first * STEP_DB, last * STEP_DB, last - first + 1)


def _grid(directions: Sequence[Heard], total_db: float) -> Floats:
    # the prior's width, and the readings' where they contradict it
    shifts = [h.shift_db for h in directions if h.shift_db.size]
    low = min([-5.0 * total_db - 5.0, *(-float(s.max()) - 20.0 for s in shifts)])
    high = max([5.0 * total_db + 5.0, *(-float(s.min()) + 20.0 for s in shifts)])
    return even_grid(max(low, -150.0), min(high, 150.0))


class _Part:
    """One direction: its likelihood on the grid, with offset, noise and other losses averaged out."""

    def __init__(self, heard: Heard, grid: Floats, fades: "_Fades", offset_db: float) -> None:
        self.heard = heard
        self._grid = grid
        # axes: excess, offset, noise left open
        offsets, weight = self._offsets(offset_db)
        reach = round(float(np.abs(offsets).max()) / STEP_DB)
        wide = STEP_DB * np.arange(-reach, len(grid) + reach) + grid[0]
        self._levels = _Levels(heard, wide, fades)
        shifts = np.rint(offsets / STEP_DB).astype(int)
        columns = reach - shifts[np.newaxis, :] + np.arange(len(grid))[:, np.newaxis]
        by_level = self._levels.log_likelihood[columns] + weight
        self._offset_axis = offsets
        self._z_axis, self._rise_axis, noise_weight = self._noise_axes()
        log_weight = by_level[:, :, np.newaxis] + noise_weight
        self._losses = [_Losses(count, fades) for count in heard.counts]
        for losses in self._losses:
            log_weight = log_weight + losses.log_likelihood(self._margin_db(losses.count))
        top = log_weight.max(axis=(1, 2), keepdims=True)
        likelihood = np.exp(log_weight - top)
        total = likelihood.sum(axis=(1, 2))
        self._weight = likelihood / total[:, np.newaxis, np.newaxis]
        """(excess, offset, noise): how likely the rest is, given the excess."""
        self.log_likelihood: Floats = np.log(total) + top[:, 0, 0]

    @property
    def weight(self) -> float:
        """How much was measured."""
        return float(self.heard.packets.sum()) + sum(c.sent for c in self.heard.counts)

    def _margin_db(self, count: Count) -> Floats:
        """(excess, offset, noise) margin that the packets were sent with."""
        margin: Floats = count.margin_db - self._grid[:, np.newaxis, np.newaxis] - self._noise_db(count.noise)
        return margin

    def _offsets(self, offset_db: float) -> tuple[Floats, Floats]:
        """Offsets with their logarithmic weight: beforehand, and by the noise that was read with them."""
        heard = self.heard
        noises = {n for n in (heard.noise, *(c.noise for c in heard.counts)) if n is not None}
        offsets = OFFSETS_DB * (offset_db / OFFSET_DB)
        offsets = np.unique(np.rint(offsets / STEP_DB) * STEP_DB)
        if not (heard.shift_db.size or noises):
            offsets = np.zeros(1)
        weight = -0.5 * (offsets / max(offset_db, 1e-3)) ** 2
        for n in noises:
            weight = weight - 0.5 * (n.shift_db - offsets) ** 2 / (UNPLANNED_NOISE_DB**2 + n.error_db**2)
        return offsets, _log_sum_free(weight)

    def _noise_axes(self) -> tuple[Floats, Floats, Floats]:
        """Normal points, unplanned rises, and the logarithmic weight of each pair of them."""
        heard = self.heard
        noises = {heard.noise, *(c.noise for c in heard.counts)}
        loose = max(self._loose_db(n) for n in noises)
        rises: Floats = np.zeros(1)
        log_rise: Floats = np.zeros(1)
        if None in noises:
            rises = RISES_DB
            log_rise = np.where(
                rises > 0.0,
                math.log(UNPLANNED_NOISE_SHARE) + _log_sum_free(-0.5 * (rises / UNPLANNED_NOISE_DB) ** 2),
                math.log(1.0 - UNPLANNED_NOISE_SHARE),
            )
            allowed: Floats = ndtr((heard.noise_most_db - rises) / OFFSET_DB)
            log_rise = _log_sum_free(log_rise + np.log(np.maximum(allowed, 1e-12)))
        z: Floats = np.linspace(-3.0, 3.0, 9 if rises.size == 1 else 5) if loose >= 0.25 else np.zeros(1)
        log_z = _log_sum_free(-0.5 * z**2)
        pairs = np.meshgrid(z, rises, indexing="ij")
        return pairs[0].ravel(), pairs[1].ravel(), (log_z[:, np.newaxis] + log_rise).ravel()

    def _loose_db(self, noise: MeasuredNoise | None) -> float:
        """What stays unknown of the noise on the day, given the offset."""
        if noise is None:
            return math.hypot(self.heard.noise_place_db, self.heard.noise_time_db)
        return noise.error_db * UNPLANNED_NOISE_DB / math.hypot(noise.error_db, UNPLANNED_NOISE_DB)

    def _noise_db(self, noise: MeasuredNoise | None, *, stays: float = 1.0) -> Floats:
        """(offset, noise) over the expected; of what comes and goes unmeasured, the share that stays."""
        middle = np.zeros_like(self._offset_axis)[:, np.newaxis]
        if noise is None:
            return middle + stays * self._loose_db(noise) * self._z_axis + self._rise_axis
        kept = UNPLANNED_NOISE_DB**2 / (UNPLANNED_NOISE_DB**2 + noise.error_db**2)
        middle = kept * (noise.shift_db - self._offset_axis)[:, np.newaxis]
        return middle + self._loose_db(noise) * self._z_axis

    @cached_property
    def _year_noise_db(self) -> Floats:
        """(offset, noise) as it stays over the year."""
        place, total = self.heard.noise_place_db, self._loose_db(None)
        return self._noise_db(self.heard.noise, stays=(place / total) ** 2 if total else 0.0)

    @cached_property
    def noise_bins(self) -> Floats:
        """Values of `by_noise`."""
        noise = self._year_noise_db
        first, last = (math.floor(float(edge(noise)) / _NOISE_STEP_DB) for edge in (np.min, np.max))
        bins: Floats = np.arange(first, last + 2, dtype=np.float64) * _NOISE_STEP_DB
        return bins

    def by_noise(self) -> Floats:
        """(excess, noise) probability of the noise over the year, given the excess."""
        from scipy.sparse import csr_array

        at = (self._year_noise_db.ravel() - self.noise_bins[0]) / _NOISE_STEP_DB
        cell = np.floor(at).astype(np.intp)
        part = at - cell
        row = np.arange(at.size)
        shape = (at.size, self.noise_bins.size)
        spread: Any = csr_array(
            (np.concatenate([1.0 - part, part]), (np.tile(row, 2), np.concatenate([cell, cell + 1]))), shape
        )
        table: Floats = self._weight.reshape(self._grid.size, -1) @ spread
        return table

    def unexplained(self, own: Floats) -> list[float]:
        """Share of each count's packets lost for other reasons, times the weight of the excess as read."""
        joint = own[:, np.newaxis, np.newaxis] * self._weight
        return [
            float((joint * losses.unexplained(self._margin_db(losses.count))).sum())
            for losses in self._losses
        ]

    def wrong(self, own: Floats) -> Floats:
        """(n,) probability of each reading to be plainly wrong, times the weight of the excess as read."""
        return self._levels.wrong(self._apparent(own))

    def _apparent(self, own: Floats) -> Floats:
        """Distribution of excess less offset, on the wide grid of the levels."""
        joint = own[:, np.newaxis] * self._weight.sum(axis=2)
        reach = (self._levels.grid.size - self._grid.size) // 2
        apparent = np.zeros(self._levels.grid.size)
        for column, offset in zip(joint.T, self._offset_axis, strict=True):
            start = reach - round(float(offset) / STEP_DB)
            apparent[start : start + column.size] += column
        return apparent


class _Losses:
    """Packets counted under one margin: how likely the count is, and how many were lost otherwise."""

    def __init__(self, count: Count, fades: "_Fades") -> None:
        self.count = count
        lost = fades.share_below[::2, np.newaxis]
        lost = lost + (1.0 - lost) * UNEXPLAINED
        missing = count.sent - count.received
        each = count.received * np.log1p(-lost) + missing * np.log(lost) + np.log(UNEXPLAINED_WEIGHT)
        self._fade = fades.value[::2]
        self._log_likelihood = logsumexp(each, axis=1)
        self._unexplained = np.exp(each - self._log_likelihood[:, np.newaxis]) @ UNEXPLAINED

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
        chunk = max(1, 400_000 // (grid.size * ERROR_STEPS.size))
        parts = [_density(unique[i : i + chunk], grid, fades) for i in range(0, len(unique), chunk)]
        self._right = (1.0 - WRONG_SHARE) * np.concatenate([*parts, np.empty((0, grid.size))])
        self.log_likelihood: Floats = times @ np.log(self._right + WRONG_SHARE / SCALE_DB)

    def wrong(self, apparent: Floats) -> Floats:
        """(n,) probability of each reading to be plainly wrong."""
        floor = WRONG_SHARE / SCALE_DB
        each: Floats = (floor / (self._right + floor)) @ apparent
        return each[self._which]


FADE_STEP_DB = 0.05
ERROR_STEPS = np.arange(-120, 121, 15)
"""A reading's error in steps of the fades: 4 standard deviations either way."""
ERROR_WEIGHT = np.exp(-0.5 * (ERROR_STEPS * FADE_STEP_DB / ERROR_DB) ** 2)


def _density(rows: Floats, grid: Floats, fades: "_Fades") -> Floats:
    """(rows, grid) density of each reading, given that its packets were heard, per dB."""
    shift, head, packets = (c[:, np.newaxis] for c in rows.T)
    apparent = shift + grid
    # what was heard cannot have faded further than the level read over sensitivity, its error allowed for
    error = ERROR_WEIGHT * (head > ERROR_STEPS * FADE_STEP_DB) / ERROR_WEIGHT.sum()
    unheard = fades.below(apparent - head)
    at = _index(fades.value, apparent)[:, :, np.newaxis] - ERROR_STEPS
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
def fade_table(fading: Fading, rician_k_db: float) -> _Fades:
    # more than 20 dB is a fade of half a decibel, far less than a reading's error
    k = 0.0 if fading == "rayleigh" else 10.0 ** (min(rician_k_db, 20.0) / 10.0)
    value = np.linspace(-80.0, 25.0, round(105.0 / FADE_STEP_DB) + 1)
    power = 10.0 ** (value / 10.0)
    root = 2.0 * np.sqrt(k * (1.0 + k) * power)
    exponent = -k - (1.0 + k) * power + root
    density = (1.0 + k) * np.exp(exponent) * i0e(root) * power * math.log(10.0) / 10.0
    below = np.clip(chndtr(2.0 * (1.0 + k) * power, 2.0, 2.0 * k), 1e-9, 1.0 - 1e-9)
    return _Fades(value, below, density)


@lru_cache(maxsize=16)
def still_share_below(fading: Fading, rician_k_db: float) -> Floats:
    """Share of sites whose one fade is deeper than each value of `fade_table`: K differs from site to site."""
    if fading == "rayleigh":
        return fade_table(fading, rician_k_db).share_below
    z, weight = np.polynomial.hermite_e.hermegauss(7)
    by_site = [fade_table("rician", rician_k_db + K_SPREAD_DB * float(x)).share_below for x in z]
    mean: Floats = np.array(weight / weight.sum()) @ np.array(by_site)
    return mean


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

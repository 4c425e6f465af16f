"""What was measured in one direction of a link, and how well each excess loss explains it: see `site.level`."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, logsumexp, ndtr

from linkcalc._arrays import Floats
from linkcalc.site.distribution import log_normalised
from linkcalc.site.fades import FADE_STEP_DB, Fades, index

ERROR_DB = 1.5
"""Standard deviation of one reading's own error (common practice, no source)."""
OFFSET_DB = 2.0
"""Standard deviation of a receiver's offset, common to all its readings (common practice, no source)."""

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

_NOISE_STEP_DB = 0.25
UNEXPLAINED = np.geomspace(0.0005, 0.5, 16)
UNEXPLAINED_WEIGHT = (1.0 / UNEXPLAINED) / (1.0 / UNEXPLAINED).sum()
"""Share of packets lost for other reasons than the level, and how likely each is beforehand."""


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
    noise_most_db: float = math.inf
    """Noise over the expected that the packets heard still allow, where it was not measured."""

    @property
    def empty(self) -> bool:
        """Whether nothing was measured."""
        return not (self.shift_db.size or self.counts or self.noise)


class Likelihood:
    """One direction: its likelihood on the grid, with offset, noise and other losses averaged out."""

    def __init__(self, heard: Heard, grid: Floats, fades: "Fades", offset_db: float) -> None:
        self.heard = heard
        self._grid = grid
        # A level tells excess less offset only: that is worked out once, on a grid wider by the largest offset, and
        # looked up for every pair of them. The axes from here on: excess, offset, noise left open.
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
        # the largest is taken out first: of hundreds of readings every likelihood would underflow to 0
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
        # a set: one measured noise stands in the margin and in each count, and must weigh once
        noises = {n for n in (heard.noise, *(c.noise for c in heard.counts)) if n is not None}
        offsets = OFFSETS_DB * (offset_db / OFFSET_DB)
        # scaled to another sigma they may lie between steps; as shifts of the grid they must be whole ones
        offsets = np.unique(np.rint(offsets / STEP_DB) * STEP_DB)
        if not (heard.shift_db.size or noises):
            # packets that were counted tell nothing of a register's offset
            offsets = np.zeros(1)
        weight = -0.5 * (offsets / max(offset_db, 1e-3)) ** 2
        for n in noises:
            weight = weight - 0.5 * (n.shift_db - offsets) ** 2 / (UNPLANNED_NOISE_DB**2 + n.error_db**2)
        return offsets, log_normalised(weight)

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
                math.log(UNPLANNED_NOISE_SHARE) + log_normalised(-0.5 * (rises / UNPLANNED_NOISE_DB) ** 2),
                math.log(1.0 - UNPLANNED_NOISE_SHARE),
            )
            # the packets heard bound the noise, as exactly as a receiver's offset lets them
            allowed: Floats = ndtr((heard.noise_most_db - rises) / OFFSET_DB)
            log_rise = log_normalised(log_rise + np.log(np.maximum(allowed, 1e-12)))
        z: Floats = np.linspace(-3.0, 3.0, 9 if rises.size == 1 else 5) if loose >= 0.25 else np.zeros(1)
        log_z = log_normalised(-0.5 * z**2)
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
        # their mean: a median of few readings that scatter is drawn back towards the expected noise
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

        # each value is shared by the two bins that it lies between, which keeps its mean
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

    def __init__(self, count: Count, fades: "Fades") -> None:
        self.count = count
        lost = fades.share_below[::2, np.newaxis]
        lost = lost + (1.0 - lost) * UNEXPLAINED
        missing = count.sent - count.received
        each = count.received * np.log1p(-lost) + missing * np.log(lost) + np.log(UNEXPLAINED_WEIGHT)
        self._fade = fades.value[::2]
        self._log_likelihood = logsumexp(each, axis=1)
        self._unexplained = np.exp(each - self._log_likelihood[:, np.newaxis]) @ UNEXPLAINED

    def log_likelihood(self, margin_db: Floats) -> Floats:
        looked_up: Floats = self._log_likelihood[index(self._fade, -margin_db)]
        return looked_up

    def unexplained(self, margin_db: Floats) -> Floats:
        """Mean share lost for other reasons than the level at these margins."""
        looked_up: Floats = self._unexplained[index(self._fade, -margin_db)]
        return looked_up


class _Levels:
    """Readings of level: how likely they are for each excess less offset."""

    def __init__(self, heard: Heard, grid: Floats, fades: "Fades") -> None:
        self.grid = grid
        # registers read in steps, so that many readings are the same
        head = np.minimum(heard.head_db, 40.0)  # deeper fades are none
        packets = np.minimum(heard.packets, MOST_INDEPENDENT)
        table = np.round(np.stack([heard.shift_db, head, packets], axis=1), 2)
        same: Any = np.unique(table, axis=0, return_inverse=True, return_counts=True)
        unique, which, times = same
        self._which: NDArray[np.intp] = which.reshape(-1)
        # rows, grid and errors make one array: parts of some 3 MB, however many readings there are
        chunk = max(1, 400_000 // (grid.size * ERROR_STEPS.size))
        parts = [_density(unique[i : i + chunk], grid, fades) for i in range(0, len(unique), chunk)]
        self._right = (1.0 - WRONG_SHARE) * np.concatenate([*parts, np.empty((0, grid.size))])
        # the share of wrong readings is a floor: beyond it a reading further off pulls no harder
        self.log_likelihood: Floats = times @ np.log(self._right + WRONG_SHARE / SCALE_DB)

    def wrong(self, apparent: Floats) -> Floats:
        floor = WRONG_SHARE / SCALE_DB
        each: Floats = (floor / (self._right + floor)) @ apparent
        return each[self._which]


ERROR_STEPS = np.arange(-120, 121, 15)
"""A reading's error in steps of the fades: 4 standard deviations either way."""
ERROR_WEIGHT = np.exp(-0.5 * (ERROR_STEPS * FADE_STEP_DB / ERROR_DB) ** 2)


def _density(rows: Floats, grid: Floats, fades: "Fades") -> Floats:
    """(rows, grid) density of each reading, given that its packets were heard, per dB."""
    shift, head, packets = (c[:, np.newaxis] for c in rows.T)
    apparent = shift + grid
    # what was heard cannot have faded further than the level read over sensitivity, its error allowed for
    error = ERROR_WEIGHT * (head > ERROR_STEPS * FADE_STEP_DB) / ERROR_WEIGHT.sum()
    unheard = fades.below(apparent - head)
    at = index(fades.value, apparent)[:, :, np.newaxis] - ERROR_STEPS
    values = fades.density_at[at.clip(0, len(fades.value) - 1)]
    burst = rows[:, 2] > 1.0
    if burst.any():
        # the middle of an odd number: k weaker ones that were heard all the same, k stronger ones
        k = (packets[burst] - 1.0) / 2.0
        below = fades.share_below[at[burst].clip(0, len(fades.value) - 1)]
        both = np.maximum(below - unheard[burst][:, :, np.newaxis], 0.0) * (1.0 - below)
        scale = np.exp(-betaln(k + 1.0, k + 1.0) - 2.0 * k * math.log(2.0))
        values[burst] *= (4.0 * both) ** k[:, :, np.newaxis] * scale[:, :, np.newaxis]
    # each packet of a burst had to be heard for the row to be as it is: as many factors
    heard = np.maximum((1.0 - unheard) ** packets, 1e-300)
    mean: Floats = np.einsum("rge,re->rg", values, error) / heard
    return mean

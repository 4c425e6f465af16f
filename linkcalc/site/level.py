"""What levels and packet counts say about a site: one unknown excess loss, found by Bayes' rule on a grid.

Everything is relative to a prediction. The *excess* is what the path loses over it on the day, the same in
both directions. In each direction a receiver reads levels with an offset of its own and hears noise that may
differ from the expected. A reading is

    level - predicted level = -excess + ripple + offset + fade + error

where the ripple is what this spot, height and hour differ from the place's mean, one draw for all readings of
a group. What was not heard counts as "below sensitivity", outliers do not pull, and a packet lost to
interference is not taken for a weak signal. docs/models/reading_level.md derives it, and says where each
constant comes from.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import toeplitz
from scipy.special import ndtr

from linkcalc._arrays import Floats
from linkcalc.site.distribution import Distribution, normalised, spread
from linkcalc.site.fades import Fades, fade_points_db, fade_table, still_share_below
from linkcalc.site.heard import ERROR_DB, OFFSET_DB, STEP_DB, Heard, Likelihood

STANDS_STILL = 0.25
"""How likely it is beforehand that fading is one draw for all packets of a group: on many a fixed path
nothing moves (no source: one in four, and the readings decide)."""

STEADY_K_DB = 20.0
"""Fading of half a decibel: none, for packets that share their fade."""

_WORTH = ((1.0, 4.8), (3.0, 3.5), (10.0, 2.3))
_OTHER_HEIGHT_DB = 6.5


def reading_error_db(readings: float, *, same_height: bool = True) -> float:
    """Standard deviation that so many readings at one spot leave of a site's loss.

    169 fixed links of 868 MHz at 1 to 3 m with five and more readings each, counted for this library from
    open data: the median of 1, 3 and 10 readings against the rest of the same spot and height; against
    another height at the same place 6.5 dB, however many. Between them by the logarithm; no less beyond 10.

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
    rician_k_db: float,
    offset_db: float = OFFSET_DB,
) -> float:
    """The part of `reading_error_db` that neither fading nor error nor two receivers' offsets explain, dB."""
    low, _, high = fade_points_db(rician_k_db)
    # the likelihood has these as terms of their own: left in, the ripple would count them twice
    own = (((high - low) / 2.0) ** 2 + ERROR_DB**2) / max(readings, 1.0) + offset_db**2 / 2.0
    return math.sqrt(max(reading_error_db(readings, same_height=same_height) ** 2 - own, 0.0))


@dataclass(frozen=True)
class Found:
    """What one direction says, once all are heard."""

    shortfall: Distribution
    """By how much the margin lies below the predicted one, over the year: excess and noise together."""
    own_excess: Distribution | None
    wrong: Floats
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
    """The excess loss on the day, before and after the readings, and its part that stays over the year."""

    prior: Distribution
    today: Distribution
    excess: Distribution
    directions: tuple[Found, ...]
    stands_still: float
    """Probability that the fading of the first group stood still."""


def update(
    groups: Sequence[Group],
    *,
    site_db: float,
    day_db: float = 0.0,
    to_come_db: float = 0.0,
    rician_k_db: float,
    offset_db: float = OFFSET_DB,
) -> Update:
    """Find the excess loss of a site, and by how much each direction's margin falls short.

    `groups` hold their directions in the same order. Standard deviations: `site_db` of the prediction, what
    is fixed but unknown; `day_db` of what comes and goes over the year in the level, and was there on the
    day; `to_come_db` of what was not there on the day and is allowed for (leaves); `offset_db` of a
    receiver's offset.

    Ten readings 20 dB below the prediction, where the prediction is good to 12 dB:

    >>> heard = Heard(np.linspace(-23.0, -18.0, 10), np.full(10, 15.0), np.ones(10))
    >>> found = update([Group((heard,))], site_db=12.0, rician_k_db=10.0)
    >>> round(found.excess.mean), round(found.excess.standard_deviation, 1)
    (19, 3.6)
    """
    # a prior narrower than a step of the grid would fall between its points
    total_db = max(math.hypot(site_db, day_db), STEP_DB)
    grid = _grid([h for g in groups for h in g.directions], total_db)
    prior = -0.5 * (grid / total_db) ** 2
    fades, still = fade_table(rician_k_db), still_share_below(rician_k_db)
    weighed = [_Weighed(g, grid, fades, still, offset_db) for g in groups]
    posterior = normalised(prior + sum((w.log_likelihood for w in weighed), np.zeros_like(grid)))
    # of an excess on the day this part is the site's, as the two are normal; the rest of the day's is left
    kept = (site_db / total_db) ** 2
    left_db = math.sqrt(kept) * day_db
    n = len(groups[0].directions)
    return Update(
        prior=Distribution(grid, normalised(prior)),
        today=Distribution(grid, posterior),
        excess=spread(kept * grid, posterior, left_db),
        directions=tuple(
            _found(weighed, posterior, d, kept, math.hypot(left_db, to_come_db)) for d in range(n)
        ),
        stands_still=float(weighed[0].joint(posterior)[1].sum()),
    )


class _Weighed:
    """A group under both kinds of fading: its likelihood over the excess, its ripple averaged out.

    `as_read` is the excess with the group's ripple, and with its one fade where that stands still.
    """

    def __init__(
        self, group: Group, grid: Floats, fades: "Fades", still_below: Floats, offset_db: float
    ) -> None:
        self.grid = grid
        # where the fade stands still, packets share it: to each of them the fading is next to none
        steady = fade_table(STEADY_K_DB)
        self.parts = [[Likelihood(h, grid, f, offset_db) for h in group.directions] for f in (fades, steady)]
        """By kind of fading (moving, standing still) and direction."""
        ripple = _ripple_kernel(grid, group.ripple_db)
        frozen = _fade_kernel(grid, fades.value, still_below)
        kernels = (_by_difference(ripple), _by_difference(np.convolve(frozen, ripple, mode="same")))
        # both directions are of one excess: their logarithms add
        as_read = [sum((p.log_likelihood for p in parts), np.zeros_like(grid)) for parts in self.parts]
        # one top for both kinds of fading: a top of each by itself would hide which of them fits the readings
        self._top = max(float(of_kind.max()) for of_kind in as_read)
        shares = (1.0 - STANDS_STILL, STANDS_STILL)
        self._joint = [
            share * kernel * np.exp(of_kind - self._top)
            for share, kernel, of_kind in zip(shares, kernels, as_read, strict=True)
        ]
        """(excess, as_read), by kind of fading."""
        total = sum((j.sum(axis=1) for j in self._joint), np.zeros_like(grid))
        # an excess that explains no reading at all keeps a finite logarithm
        self._total = np.maximum(total, 1e-300)
        self.log_likelihood: Floats = np.log(self._total) + self._top

    def joint(self, posterior: Floats) -> list[Floats]:
        """(excess, as_read) by kind of fading, the excess being distributed like this."""
        scale = (posterior / self._total)[:, np.newaxis]
        return [j * scale for j in self._joint]


def _found(
    weighed: Sequence["_Weighed"], posterior: Floats, direction: int, kept: float, left_db: float
) -> Found:
    """What one direction says, the excess being distributed like this."""
    grid = weighed[0].grid
    # noise belongs to the place, not to a group: it is that of the group in which most was measured
    most = max(weighed, key=lambda w: w.parts[0][direction].weight)
    heard = most.parts[0][direction].heard
    noise = most.parts[0][direction].noise_bins
    by_noise = np.zeros((grid.size, noise.size))
    for joint, parts in zip(most.joint(posterior), most.parts, strict=True):
        by_noise += joint @ parts[direction].by_noise()
    over_time = heard.noise_time_db
    if heard.noise is None:
        # only the part that belongs to the place stays
        total = math.hypot(heard.noise_place_db, over_time)
        over_time *= heard.noise_place_db / total if total else 0.0
    wrong, unexplained = [], []
    for w in weighed:
        as_read = [j.sum(axis=0) for j in w.joint(posterior)]
        kinds = [(parts[direction], own) for parts, own in zip(w.parts, as_read, strict=True)]
        wrong.append(sum(part.wrong(own) for part, own in kinds))
        unexplained += [sum(s) for s in zip(*(part.unexplained(own) for part, own in kinds), strict=True)]
    empty = all(w.parts[0][direction].heard.empty for w in weighed)
    # the excess by this direction alone: its moving fades, the ripple not counted
    alone = sum((w.parts[0][direction].log_likelihood for w in weighed), np.zeros_like(grid))
    return Found(
        shortfall=spread(kept * grid[:, np.newaxis] + noise, by_noise, math.hypot(left_db, over_time)),
        own_excess=None if empty else Distribution(grid, normalised(alone)),
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


def _by_difference(kernel: Floats) -> Floats:
    """(excess, excess as read) from probabilities by their difference."""
    middle = kernel.size // 2
    # rows are the excess, columns as read: below the diagonal the difference is negative, hence backwards
    table: Floats = toeplitz(kernel[middle::-1], kernel[middle:])
    return table


def log_likelihood(
    directions: Sequence[Heard],
    excess_db: Floats,
    *,
    rician_k_db: float,
    offset_db: float = OFFSET_DB,
) -> Floats:
    """How well each excess on a grid from `even_grid` explains what was heard; arguments as `update`."""
    fades = fade_table(rician_k_db)
    total = np.zeros_like(excess_db)
    for heard in directions:
        total += Likelihood(heard, excess_db, fades, offset_db).log_likelihood
    return total


def even_grid(low_db: float, high_db: float) -> Floats:
    """Grid that `log_likelihood` takes, from low to high."""
    first, last = math.floor(low_db / STEP_DB), math.ceil(high_db / STEP_DB)
    return np.linspace(first * STEP_DB, last * STEP_DB, last - first + 1)


def _grid(directions: Sequence[Heard], total_db: float) -> Floats:
    # the prior's width, and the readings' where they contradict it
    shifts = [h.shift_db for h in directions if h.shift_db.size]
    low = min([-5.0 * total_db - 5.0, *(-float(s.max()) - 20.0 for s in shifts)])
    high = max([5.0 * total_db + 5.0, *(-float(s.min()) + 20.0 for s in shifts)])
    # the tables grow with the square of the grid: one mistyped level must not set its size
    return even_grid(max(low, -150.0), min(high, 150.0))

"""What stands around a station, from classes of land cover and the height of trees around it.

Classes are those of the open land cover at 10 m (`open_sets`): they name what covers a cell, not how high
it is. Heights are the representative clutter heights of Rec. ITU-R P.1812, table 2, where nothing better is
known.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc.errors import DomainError

Surroundings = Literal["none", "open", "suburban", "urban", "woodland"]

TREES, SHRUBS, GRASS, CROPS, BUILT_UP, BARE, SNOW, WATER, WETLAND, MANGROVES, MOSS = (
    10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100,
)  # fmt: skip
"""Codes of the land cover's classes (from memory of its product description)."""
CLASSES = (TREES, SHRUBS, GRASS, CROPS, BUILT_UP, BARE, SNOW, WATER, WETLAND, MANGROVES, MOSS)

CLUTTER_HEIGHT_M: dict[Surroundings, float] = {
    "none": 0.0,
    "open": 0.0,
    "suburban": 10.0,
    "urban": 15.0,
    "woodland": 15.0,
}
"""Representative heights, m: open and rural 0, suburban 10, urban, trees and forest 15 (Rec. ITU-R P.1812-7,
table 2)."""

REACH_M = 100.0
"""How far around an antenna surroundings count (common practice, no source)."""
URBAN_SHARE, SUBURBAN_SHARE, WOODED_SHARE = 0.7, 0.2, 0.3
"""Shares of the circle that make it urban, suburban or wooded (common practice, no source)."""
AT_THE_ANTENNA_M = 25.0
"""Trees or roofs this close count whatever the rest is (common practice, no source)."""
LOWEST_TREES_M = 3.0
"""Lower growth is scrub, which an antenna on a mast looks over."""


@dataclass(frozen=True)
class Around:
    """What stands around a station."""

    surroundings: Surroundings
    height_m: float
    """Of what stands there, above ground."""
    reason: str
    """One line for the list of what was assumed."""


def surroundings_of(
    distance_m: ArrayLike,
    land_cover: ArrayLike | None = None,
    canopy_m: ArrayLike | None = None,
    canopy_sigma_m: ArrayLike | None = None,
) -> Around:
    """What stands around a station, from the cells around it.

    Parameters
    ----------
    distance_m : array_like, m, shape (n,)
        Of each cell's centre from the station; cells beyond 100 m are not looked at.
    land_cover : array_like of int, shape (n,), optional
        Class of each cell; 0 where unknown.
    canopy_m : array_like, m, shape (n,), optional
        Height of trees in each cell; NaN where unknown.
    canopy_sigma_m : array_like, m, shape (n,), optional
        Its standard deviation, which is added: a wood that may stand is counted.

    Returns
    -------
    Around
        "none" where nothing is known: that is not the same as open.

    Raises
    ------
    DomainError
        If shapes differ, or a class is none of the land cover's.

    Examples
    --------
    >>> surroundings_of([10.0, 30.0, 60.0, 90.0], [GRASS, TREES, TREES, CROPS], [0.0, 14.0, 16.0, 0.0])
    Around(surroundings='woodland', height_m=16.0, reason='trees in 50 % of the 100 m around')
    >>> surroundings_of([10.0, 40.0, 70.0, 90.0], [CROPS, GRASS, GRASS, CROPS]).surroundings
    'open'
    >>> surroundings_of([10.0, 40.0], [0, 0]).surroundings
    'none'
    """
    distance = np.atleast_1d(np.asarray(distance_m, dtype=np.float64))
    cover = np.zeros(distance.shape, dtype=int) if land_cover is None else np.atleast_1d(land_cover)
    canopy = np.full(distance.shape, np.nan) if canopy_m is None else np.atleast_1d(canopy_m).astype(float)
    sigma = np.zeros(distance.shape) if canopy_sigma_m is None else np.atleast_1d(canopy_sigma_m)
    if not distance.shape == cover.shape == canopy.shape == sigma.shape:
        raise DomainError("distance, land cover, canopy and its deviation need one value for each cell")
    strange = set(np.unique(cover).tolist()) - {0, *CLASSES}
    if strange:
        raise DomainError(
            f"{min(strange)} is no class of the land cover; they are {', '.join(map(str, CLASSES))}"
        )
    near = distance <= REACH_M
    distance, cover, top_m = distance[near], cover[near], (canopy + np.nan_to_num(sigma))[near]
    known = (cover > 0) | np.isfinite(top_m)
    if not known.any():
        return Around("none", 0.0, "nothing is known of what stands around")
    tall = np.isfinite(top_m) & (top_m >= LOWEST_TREES_M)
    trees = tall | (np.isin(cover, (TREES, MANGROVES)) & ~(np.isfinite(top_m) & (top_m < LOWEST_TREES_M)))
    built = cover == BUILT_UP
    # trees between houses belong to the built-up land
    trees &= ~built
    at_hand = distance <= AT_THE_ANTENNA_M
    built_share, tree_share = (float(which.sum() / known.sum()) for which in (built, trees))
    where = f"of the {REACH_M:.0f} m around"
    if built_share >= URBAN_SHARE:
        return Around("urban", CLUTTER_HEIGHT_M["urban"], f"built up in {100 * built_share:.0f} % {where}")
    if tree_share >= WOODED_SHARE or (trees & at_hand).any():
        heights_m = top_m[trees & tall]
        height_m = float(np.quantile(heights_m, 0.9)) if heights_m.size else CLUTTER_HEIGHT_M["woodland"]
        return Around("woodland", float(round(height_m)), f"trees in {100 * tree_share:.0f} % {where}")
    if built_share >= SUBURBAN_SHARE or (built & at_hand).any():
        return Around(
            "suburban", CLUTTER_HEIGHT_M["suburban"], f"built up in {100 * built_share:.0f} % {where}"
        )
    return Around("open", 0.0, f"open land in {100 * (1.0 - tree_share - built_share):.0f} % {where}")

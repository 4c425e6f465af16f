"""One path, many pairs of antenna heights: what does not depend on the radios, pair by pair."""

import functools
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.errors import OutOfRangeWarning
from linkcalc.link.case import LinkCase
from linkcalc.link.losses import Losses, path_losses, profile_arguments, profile_facts
from linkcalc.link.models import by_governing
from linkcalc.link.path_loss import COMPILED, Found, Radio, find
from linkcalc.link.uncertainty import fading_k_db, path_items, together_db
from linkcalc.propagation import compiled, fresnel


@dataclass(frozen=True, eq=False)
class HeightPairs:
    """All arrays (n, m): n heights at the `from` station, m at the `to` station."""

    near_height_m: Floats
    """(n,)"""
    far_height_m: Floats
    """(m,)"""
    path_gain_db: Floats
    """Sum of the budget's path terms."""
    antenna_db: Floats
    """Gains of both antennas towards each other."""
    site_db: Floats
    conditions_db: Floats
    """Standard deviations over sites and over the year; the receivers' noise not counted."""
    k_db: Floats
    """Median Rician K."""
    regime: NDArray[np.int8]
    """Index into `losses.REGIMES`."""
    model: NDArray[np.int8]
    """Index into `losses.MODELS`."""
    through_trees: NDArray[np.bool_]
    worst: NDArray[np.int64]
    """Index of the profile's point with the least clearance at the median k."""
    clearance_ratio: Floats
    """There, in first Fresnel zone radii; everything that stands on the path counted."""
    clearance_m: Floats


MANY, SOME = 50_000, 5_000
"""Pairs from which it pays to compile, and from which it pays to fetch what is compiled."""


def by_numba(count: int) -> bool:
    """Whether so many pairs are done sooner by machine code, the time to get it counted in."""
    if count < SOME or not compiled.available():
        return False
    return count >= MANY or bool(compiled.kept_on_disk(pairs, *COMPILED))


def height_pairs(
    case: LinkCase,
    near_height_m: ArrayLike,
    far_height_m: ArrayLike,
    *,
    use_numba: bool | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> HeightPairs:
    """Work out a link's path for every pair of two lists of antenna heights, as `case.with_heights` gives it pair by
    pair.

    Compiled where that is quicker (`by_numba`), unless `use_numba` says; `progress` is called with how many of how many
    heights at `from` are done.
    """
    near = np.atleast_1d(checked("near_height_m", near_height_m, above=0.0))
    far = np.atleast_1d(checked("far_height_m", far_height_m, above=0.0))
    if use_numba is None:
        use_numba = by_numba(near.size * far.size)
    rows: list[Losses] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)  # what is only tried may leave a model's range
        for done, height in enumerate(near):
            rows.append(pair_losses(case, np.full(far.shape, height), far, use_numba=use_numba))
            if progress is not None:
                progress(done + 1, near.size)
        gain = np.array([case.path_db(found) for found in rows])
        gains = np.array([case.antenna_db("near", found) + case.antenna_db("far", found) for found in rows])
        items = [path_items(case, found) for found in rows]
    worst = np.array([found.worst for found in rows]).astype(np.int64)
    ratio = np.array([found.clearance_ratio for found in rows])
    x = case.profile.distance_m[worst]
    radius = fresnel.fresnel_radius_m(x, case.profile.length_m - x, case.frequency_hz)
    return HeightPairs(
        near_height_m=near,
        far_height_m=far,
        path_gain_db=gain,
        antenna_db=gains,
        site_db=np.array([np.broadcast_to(together_db(row, "site"), far.shape) for row in items]),
        conditions_db=np.array([np.broadcast_to(together_db(row, "conditions"), far.shape) for row in items]),
        k_db=np.array([fading_k_db(case, found) for found in rows]),
        regime=np.array([found.regime for found in rows]),
        model=np.array([found.model for found in rows]),
        through_trees=np.array([found.through_trees for found in rows]),
        worst=worst,
        clearance_ratio=ratio,
        clearance_m=ratio * radius,
    )


def pair_losses(
    case: LinkCase, near_height_m: Floats, far_height_m: Floats, *, use_numba: bool = False
) -> Losses:
    """Losses of a link over its own profile for pairs of antenna heights, (n,)."""
    arguments = profile_arguments(case.profile, case.situation, near_height_m, far_height_m)
    *shared, radio = arguments.rest
    radius_km = np.broadcast_to(radio.radius_km, near_height_m.shape)  # draws may differ in it
    rows = np.column_stack([arguments.pairs, radius_km])
    found = np.empty((near_height_m.size, len(Found._fields)))
    run: Any = compiled_pairs() if use_numba else pairs
    # draws may have made the radio's radius an array, which the compiled loop cannot take: the rows carry it
    run(*arguments.ground, rows, *shared, radio._replace(radius_km=0.0), found)
    by_rules = path_losses(found, case.situation, **profile_facts(case.profile, near_height_m, far_height_m))
    return by_governing(by_rules, case.profile, case.situation)


def pairs(
    x: Floats, h: Floats, clutter: Floats, trees: NDArray[np.uint8], rows: Floats, sea_share: float,
    low_radius_km: float, radio: Radio, found: Floats,
) -> None:  # fmt: skip
    """`path_loss.find` for every row: both heights and the effective earth radius, which stands for the radio's."""
    for i in range(len(rows)):
        own = Radio(
            radio.frequency_ghz, radio.wavelength_m, rows[i, 2], radio.vertical,
            radio.leaf_db_m, radio.leaf_most_db, radio.leaf_wet_db,
            radio.wet_db_m, radio.wet_most_db, radio.wet_wet_db,
        )  # fmt: skip
        row = find(x, h, clutter, trees, rows[i, 0], rows[i, 1], sea_share, low_radius_km, own)
        for j in range(found.shape[1]):
            found[i, j] = row[j]


@functools.cache
def compiled_pairs() -> Any:
    """`pairs` as machine code; needs numba."""
    return compiled.compile_function(pairs, uses=COMPILED)

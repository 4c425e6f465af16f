"""Whether rasters fit together and their heights can be heights: silent errors, found before a verdict.

A surface model 30 m too low hides a whole forest; one in feet stands kilometres high. The differences along a
path show it.

Every function here raises `TerrainError` where what the rasters show cannot be one land.
"""

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.errors import TerrainError

BELOW_SHARE = 0.05
"""Share of the path along which a surface may lie below the ground (common practice, no source)."""
TALLEST_M = 100.0
"""What stands higher above the ground is no tree (tallest known: 116 m) and hardly a building."""
NOWHERE_NEAR_M = 15.0
"""A surface that comes no nearer to the ground than this anywhere is on another vertical datum."""
LOWEST_LAND_M, HIGHEST_LAND_M = -430.0, 8850.0
"""Shore of the Dead Sea and summit of Mount Everest."""
SPIKE_M = 100.0
"""A single cell that stands out from both sides by this much (common practice, no source)."""
OVERLAP_M = 10.0
"""Rasters of one ground may differ by this much and a twentieth of a cell in the middle of all differences
(common practice, no source)."""
APART_M = 100.0
"""Rasters that differ by this much do not show one ground."""
FEWEST_BELOW = 3
"""Fewer points of a surface below the ground are noise."""


def tolerance_m(cell_m: float) -> float:
    """How far a surface may lie below the ground for the cells' sake alone: 1 m and a tenth of the cell."""
    return 1.0 + 0.1 * cell_m


def surface_notes(
    offset_m: Floats, allowed_m: Floats | float, name: str, *, where: str = "the path"
) -> tuple[str, ...]:
    """Hold a surface model against the ground: refuse what cannot be, say what is doubtful.

    `offset_m` is surface less ground at points spread evenly, NaN where either is unknown; `allowed_m` how far it may
    lie below, see `tolerance_m`; `where` what to call the points.

    >>> surface_notes(np.array([0.0, 0.3, 12.0, 14.0, 0.1]), 1.2, "top.tif")
    ()
    >>> surface_notes(np.array([0.0, 0.3, 12.0, 14.0, 0.1]) - 30.0, 1.2, "top.tif")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    linkcalc.errors.TerrainError: top.tif lies below the ground along 100 % of the path, by 30 m in ...
    """
    finite = np.isfinite(offset_m)
    known = offset_m[finite]
    if not known.size:
        return ()
    low = known < -np.broadcast_to(allowed_m, offset_m.shape)[finite]
    below, above = low.mean(), (known > TALLEST_M).mean()
    middle_m = float(np.median(known))
    must = (
        "it needs the vertical datum and the unit of the ground (height_unit, feet_rasters in [terrain]), "
        "or must be omitted"
    )
    if below > BELOW_SHARE and (low.sum() >= FEWEST_BELOW or below > 0.5):
        deep_m = -float(np.median(known[low]))
        raise TerrainError(
            f"{name} lies below the ground along {100 * below:.0f} % of {where}, by {deep_m:.0f} m in the "
            f"middle: {must}"
        )
    if above > BELOW_SHARE or middle_m > TALLEST_M / 2.0:
        raise TerrainError(
            f"{name} stands {middle_m:.0f} m above the ground in the middle of {where} and "
            f"{known.max():.0f} m at most, higher than trees and buildings: {must}"
        )
    notes = []
    # not the least: on any datum some stray cells come near the ground
    nearest_m = float(np.quantile(known, 0.05))
    if nearest_m > NOWHERE_NEAR_M:
        notes.append(
            f"{name} comes nowhere nearer to the ground than {nearest_m:.0f} m: is it on "
            "the same vertical datum?"
        )
    if known.max() > TALLEST_M:
        notes.append(
            f"{name} shows something {known.max():.0f} m high on {where}, higher than any tree: see what "
            "it is"
        )
    if low.any():
        notes.append(
            f"{name} lies below the ground at {100 * below:.1f} % of {where}, by up to {-known.min():.1f} m; "
            "nothing is taken to stand there"
        )
    return tuple(notes)


def height_notes(distance_m: Floats, ground_m: Floats, cell_m: float, start_name: str) -> tuple[str, ...]:
    """Say which heights of an evenly spaced profile are hardly real: beyond any land, or alone in one cell.

    >>> x = np.arange(0.0, 300.0, 30.0)
    >>> height_notes(x, np.where(x == 150.0, 400.0, 120.0), 30.0, "tank")
    ('the ground 150 m from tank stands out by 280 m within one cell of 30 m: an error in the raster?',)
    """
    notes = []
    for strange in (ground_m.min(), ground_m.max()):
        if not LOWEST_LAND_M <= strange <= HIGHEST_LAND_M:
            notes.append(f"a height of {strange:.0f} m is not dry land on Earth: are the heights in metres?")
    step = distance_m[1] - distance_m[0]
    # between centres heights are drawn straight: a cell that stands alone reaches one cell to either side
    reach = max(int(np.ceil(cell_m / step)), 1)
    padded = np.pad(ground_m, reach, mode="edge")
    before, after = padded[: -2 * reach], padded[2 * reach :]
    rise = np.where(np.sign(ground_m - before) == np.sign(ground_m - after), ground_m - before, 0.0)
    out = np.minimum(np.abs(rise), np.abs(ground_m - after))
    # at a station there is one side only
    out[:reach] = np.abs(ground_m - after)[:reach]
    out[-reach:] = np.abs(ground_m - before)[-reach:]
    worst = int(out.argmax())
    # a real slope may rise by the width of a cell from one wide cell to the next
    if len(ground_m) > 2 * reach and out[worst] > max(SPIKE_M, cell_m):
        notes.append(
            f"the ground {distance_m[worst]:.0f} m from {start_name} stands out by {out[worst]:.0f} m "
            f"within one cell of {cell_m:.3g} m: an error in the raster?"
        )
    return tuple(notes)


def overlap_note(difference_m: Floats, cell_m: float, names: tuple[str, str]) -> str:
    """Say where two rasters of the same ground do not show the same ground, empty where they do.

    `difference_m` is one less the other, NaN where one has no height; `cell_m` the coarser one's cell.
    """
    known = difference_m[np.isfinite(difference_m)]
    # the median: new earthworks change part of a path, another datum or unit changes all of it
    apart_m = abs(float(np.median(known))) if known.size else 0.0
    if apart_m <= OVERLAP_M + 0.05 * cell_m:
        return ""
    said = f"{names[0]} and {names[1]} are {apart_m:.0f} m apart in height where both hold the path"
    if apart_m > APART_M:
        raise TerrainError(
            f"{said}: another unit or vertical datum in one of them (height_unit in [terrain])"
        )
    return f"{said}: another vertical datum, or is one of them a surface model?"

"""What a raster's cells hide: a hill lower than its neighbours' mean is not in the file.

A cell holds a mean, and heights between cell centres are drawn straight: tops are cut off, hollows filled.
What a path loses over such ground is off, and more often too little than too much.

The figures are our own measurement (`docs/ground.md` says how): delta-Bullington diffraction (Rec. ITU-R
P.526) over real ground and over the same ground averaged into larger cells, 2600 pairs of paths of 100 m to
12 km at 169 MHz to 2.4 GHz, antennas 2 m to 10 m up, in hilly country at 90 m and on a wooded knoll at 2 m.

Every function here raises `DomainError` where an argument is out of range.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked

GROWTH_DB = 1.1
"""Standard deviation for each first Fresnel zone radius that a cell is wide, dB, while cells are small."""
SATURATION = 22.0
"""Cells as wide as this many radii know half of what the growth would say: the loss cannot go on growing."""
HOPEFUL_SHARE = 0.6
"""Mean error as a share of the standard deviation: the coarser ground loses that much too little."""
FINE_DB = 2.0
"""An error that is lost among the others."""
DECISIVE_DB = 6.0
"""An error from which a verdict does not rest on the ground any more."""
FEWEST_CELLS = 5.0
"""A path over fewer cells has no profile: between its two ends hardly anything is known."""


@dataclass(frozen=True)
class CellError:
    """What the cell size of a raster adds to the uncertainty of one path."""

    sigma_db: float
    """Standard deviation around the loss over the raster's ground, dB; `hopeful_db` is part of it."""
    hopeful_db: float
    """By how much the raster's ground loses too little on average, dB."""
    decisive: bool
    """Whether a verdict must not read "closes" without a condition on this ground."""
    warning: str
    """One line for the reader; empty where cells are fine enough."""


def cell_error_db(cell_m: ArrayLike, fresnel_radius_m: ArrayLike) -> Floats | float:
    """Standard deviation of the diffraction loss for not knowing the ground between cell centres.

    Parameters
    ----------
    cell_m : array_like, m, any shape
        Longer side of a cell, 0 or more.
    fresnel_radius_m : array_like, m, a shape that broadcasts
        Radius of the first Fresnel zone in the middle of the path, above 0.

    Returns
    -------
    ndarray or float, dB
        Around the loss over the raster's own ground; 60 % of it is one-sided, towards more loss.

    Notes
    -----
    1.1 x / (1 + x / 22) for cells of x radii. Measured: 1.7 dB at 1.5, 4.2 dB at 4, 7.5 dB at 10, 14 dB at
    28, 20 dB at 77. In hilly country; on a plain it is less, which a coarse raster cannot tell.

    Examples
    --------
    >>> cell_error_db([2.0, 30.0, 90.0, 900.0], 11.4).round(1)
    array([ 0.2,  2.6,  6.4, 18.9])
    """
    ratio = checked("cell_m", cell_m, at_least=0.0) / checked("fresnel_radius_m", fresnel_radius_m, above=0.0)
    return np.asarray(GROWTH_DB * ratio / (1.0 + ratio / SATURATION))[()]


def cell_error(cell_m: float, path_m: float, fresnel_radius_m: float) -> CellError:
    """What the cell size of a raster means for a path, from the first Fresnel zone's radius in its middle.

    >>> error = cell_error(900.0, 1000.0, 9.3)
    >>> error.decisive, error.warning[:63]
    (True, 'the ground is known every 900 m only (a path of 1000 m spans 1.')
    """
    path = float(checked("path_m", path_m, above=0.0))
    sigma_db = float(cell_error_db(cell_m, fresnel_radius_m))
    # 0 is a survey: its points are the ground itself
    cells = path / cell_m if cell_m > 0.0 else np.inf
    few = cells < FEWEST_CELLS
    warning = ""
    if few or sigma_db > FINE_DB:
        span = (
            f"a path of {path:.0f} m spans {cells:.1f} of them" if few else f"{cells:.0f} cells on the path"
        )
        warning = (
            f"the ground is known every {cell_m:.3g} m only ({span}): what stands up between is not seen, "
            f"and the loss may be {sigma_db:.0f} dB off, more often too low; cells of "
            f"{fine_enough_m(fresnel_radius_m):.2g} m or less would do"
        )
    decisive = few or sigma_db >= DECISIVE_DB
    return CellError(sigma_db, HOPEFUL_SHARE * sigma_db, decisive, warning)


def fine_enough_m(fresnel_radius_m: float) -> float:
    """The largest cell that adds no more than 2 dB.

    >>> round(fine_enough_m(11.4))
    23
    """
    radius = float(checked("fresnel_radius_m", fresnel_radius_m, above=0.0))
    return radius * FINE_DB / (GROWTH_DB - FINE_DB / SATURATION)


def finer_than_raster(cell_m: float, raster_m: float) -> str:
    """Say that an area's cells are finer than the raster's, empty where they are not."""
    if raster_m <= 1.25 * cell_m:
        return ""
    return (
        f"cells of {cell_m:.3g} m are drawn from ground that is known every {raster_m:.2g} m: what lies "
        "between is interpolated"
    )

"""The terrain profile of a path: cut from rasters, read from a survey, completed with obstacles."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats

INLAND = 4
"""Radio-climatic zone used where nothing else is known (Rec. ITU-R P.1812: 1 sea, 3 coastal land, 4 inland)."""


@dataclass(frozen=True, eq=False)
class Profile:
    """Heights along a path, from the first station (distance 0) to the second.

    Examples
    --------
    >>> import numpy as np
    >>> x = np.array([0.0, 100.0, 250.0])
    >>> p = Profile(x, x * 0 + 40.0, x * 0, ("", "", ""), np.full(3, 4, np.int8), None, None, "flat", 0.0, ())
    >>> p.length_m, p.spacing_m
    (250.0, 125.0)
    """

    distance_m: Floats
    """(n,) from 0, increasing."""
    ground_m: Floats
    """(n,) ground above sea level."""
    clutter_m: Floats
    """(n,) height of what stands there, above ground; 0 at both ends."""
    clutter_kind: tuple[str, ...]
    """(n,) "", "trees", "building" or "tank"."""
    zone: NDArray[np.int8]
    """(n,) 1 sea, 3 coastal land, 4 inland."""
    latitude_deg: Floats | None
    """(n,) WGS 84, where known."""
    longitude_deg: Floats | None
    """(n,) WGS 84, where known."""
    source: str
    """Where the heights come from."""
    bridged_m: float
    """Length of nodata holes along the path that were bridged."""
    notes: tuple[str, ...]
    """What a reader of the result should know about these heights."""

    @property
    def length_m(self) -> float:
        """Length of the path."""
        return float(self.distance_m[-1])

    @property
    def spacing_m(self) -> float:
        """Mean spacing of the points."""
        return self.length_m / (len(self.distance_m) - 1)

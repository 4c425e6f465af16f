"""Free-space basic transmission loss (Rec. ITU-R P.525).

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import checked, scalar_if_0d
from linkcalc.units import SPEED_OF_LIGHT_M_S


def free_space_loss_db(distance_m: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Basic transmission loss between isotropic antennas in free space; distance and frequency above 0.

    The formula holds in the far field; closer than about a wavelength its number means nothing. Rec. ITU-R P.525, basic
    transmission loss 20 log(4 pi d / lambda), with the exact speed of light.

    >>> round(free_space_loss_db(1000.0, 915e6), 2)
    91.68
    """
    distance = checked("distance_m", distance_m, above=0.0)
    frequency = checked("frequency_hz", frequency_hz, above=0.0)
    return scalar_if_0d(20.0 * np.log10(4.0 * math.pi * distance * frequency / SPEED_OF_LIGHT_M_S))

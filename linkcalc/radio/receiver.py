"""Receiver sensitivity from bandwidth, noise figure and the SNR the demodulator needs.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import checked, scalar_if_0d
from linkcalc.units import BOLTZMANN_J_K, REFERENCE_TEMPERATURE_K

THERMAL_NOISE_DBM_HZ = 10.0 * math.log10(BOLTZMANN_J_K * REFERENCE_TEMPERATURE_K * 1e3)
"""k T0 at 290 K, -173.975 dBm/Hz; the trade writes -174."""


def sensitivity_dbm(bandwidth_hz: ArrayLike, noise_figure_db: ArrayLike, required_snr_db: ArrayLike) -> Any:
    """Weakest signal a receiver demodulates when only its own noise is heard.

    Of a noise bandwidth above 0, a noise figure of 0 or more (add the rise of the noise floor where there is one),
    and the SNR that the demodulator needs in that bandwidth. Definition of the noise figure, Rec. ITU-R P.372: noise
    power k T0 B F with T0 = 290 K.

    >>> round(sensitivity_dbm(125e3, 6.0, -20.0), 1)
    -137.0
    """
    bandwidth = checked("bandwidth_hz", bandwidth_hz, above=0.0)
    figure = checked("noise_figure_db", noise_figure_db, at_least=0.0)
    snr = checked("required_snr_db", required_snr_db)
    return scalar_if_0d(THERMAL_NOISE_DBM_HZ + 10.0 * np.log10(bandwidth) + figure + snr)

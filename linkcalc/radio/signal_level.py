"""What a receiver's RSSI and SNR readings say about the wanted signal and the noise.

The RSSI register holds all that arrives, signal and noise; below the noise floor it reads the noise. The SNR
reading is good where the signal is weak and saturates where it is strong. So from strong signals the RSSI is
trusted, from weak ones the SNR.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d

SNR_BELIEVED_DB = 5.0
"""Readings of SNR saturate between +5 and +10 dB (common practice, no source): from here it is "or more"."""


def signal_power_dbm(rssi_dbm: ArrayLike, snr_db: ArrayLike, noise_power_dbm: ArrayLike | None = None) -> Any:
    """Power of the wanted signal in a reading of RSSI and SNR.

    Parameters
    ----------
    rssi_dbm : array_like, dBm
        As the register reads: signal and noise together.
    snr_db : array_like, dB
        Of the same packet.
    noise_power_dbm : array_like, dBm, optional
        Expected noise. Used where the SNR reading is saturated (`SNR_BELIEVED_DB` and more), to tell how far
        beyond the reading the SNR may really be.

    References
    ----------
    Exact split of S + N with S / N known: P = RSSI - 10 log10(1 + 10^(-SNR/10)). Below 0 dB common practice
    writes RSSI + SNR, which is up to 3 dB more.

    Examples
    --------
    >>> round(signal_power_dbm(-118.0, -15.0), 1)
    -133.1
    """
    rssi, snr = np.broadcast_arrays(checked("rssi_dbm", rssi_dbm), checked("snr_db", snr_db))
    power = rssi - _over_db(-snr)
    if noise_power_dbm is not None:
        below = checked("noise_power_dbm", noise_power_dbm) - rssi
        with np.errstate(divide="ignore", invalid="ignore"):
            without = rssi + 10.0 * np.log10(1.0 - 10.0 ** (np.minimum(below, 0.0) / 10.0))
        power = np.where(snr >= SNR_BELIEVED_DB, np.maximum(power, without), power)
    return scalar_if_0d(power)


def noise_power_dbm(rssi_dbm: ArrayLike, snr_db: ArrayLike) -> Any:
    """Power of the noise in a reading of RSSI and SNR.

    N = RSSI - 10 log10(1 + 10^(SNR/10)), as `signal_power_dbm`. Where the SNR reading is saturated (`SNR_BELIEVED_DB`
    and more) the noise is less than this.

    >>> round(noise_power_dbm(-115.0, -5.0), 1)
    -116.2
    """
    rssi, snr = checked("rssi_dbm", rssi_dbm), checked("snr_db", snr_db)
    return scalar_if_0d(rssi - _over_db(snr))


def _over_db(ratio_db: Floats) -> Floats:
    """10 log10(1 + 10^(x/10))."""
    over: Floats = np.logaddexp(0.0, ratio_db * (np.log(10.0) / 10.0)) * (10.0 / np.log(10.0))
    return over

"""Two-level (Gaussian) frequency shift keying: time on air, bandwidth, error rate.

Demodulated noncoherently: two orthogonal tones, the stronger one wins.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d


def time_on_air_s(
    payload_bytes: ArrayLike,
    *,
    bit_rate_bps: ArrayLike,
    preamble_bytes: ArrayLike = 5,
    sync_bytes: ArrayLike = 4,
    overhead_bytes: ArrayLike = 3,
) -> Any:
    """Time one message occupies the channel: payload, preamble, sync word, and length field with CRC.

    The rate is above 0, each length 0 or more; their defaults are common practice, no source.

    >>> time_on_air_s(20, bit_rate_bps=50e3)
    0.00512
    """
    size: Floats | float = 0.0
    for name, value in (
        ("payload_bytes", payload_bytes),
        ("preamble_bytes", preamble_bytes),
        ("sync_bytes", sync_bytes),
        ("overhead_bytes", overhead_bytes),
    ):
        size = size + checked(name, value, at_least=0.0)
    return scalar_if_0d(8.0 * size / checked("bit_rate_bps", bit_rate_bps, above=0.0))


def carson_bandwidth_hz(bit_rate_bps: ArrayLike, deviation_hz: ArrayLike) -> Any:
    """Bandwidth that holds nearly all of the signal: twice deviation plus highest modulating frequency.

    The deviation is that of either tone from the carrier; both arguments above 0. Carson's rule with the highest
    modulating frequency of a bit stream, half its rate.

    >>> carson_bandwidth_hz(50e3, 25e3)
    100000.0
    """
    rate = checked("bit_rate_bps", bit_rate_bps, above=0.0)
    return scalar_if_0d(2.0 * checked("deviation_hz", deviation_hz, above=0.0) + rate)


def bit_error_rate(snr_db: ArrayLike, *, bit_rate_bps: ArrayLike, bandwidth_hz: ArrayLike) -> Any:
    """Bit error rate of ideal noncoherent detection in white noise.

    Parameters
    ----------
    snr_db : array_like, dB
        SNR in the receiver's bandwidth; take implementation loss off it (1 to 3 dB for filtered GFSK with
        modulation index 0.5 to 1 and a discriminator; from memory, unchecked).
    bit_rate_bps : array_like, bit/s, above 0
    bandwidth_hz : array_like, Hz, above 0

    References
    ----------
    Proakis, Digital Communications: Pb = exp(-Eb/2N0)/2 for orthogonal tones, with Eb/N0 = SNR B/Rb.

    Examples
    --------
    >>> f"{bit_error_rate(10.0, bit_rate_bps=50e3, bandwidth_hz=100e3):.2e}"
    '2.27e-05'
    """
    snr = 10.0 ** (checked("snr_db", snr_db, at_most=300.0) / 10.0)
    rate = checked("bit_rate_bps", bit_rate_bps, above=0.0)
    bandwidth = checked("bandwidth_hz", bandwidth_hz, above=0.0)
    return scalar_if_0d(0.5 * np.exp(-0.5 * snr * bandwidth / rate))


def packet_error_rate(
    snr_db: ArrayLike, bits: ArrayLike, *, bit_rate_bps: ArrayLike, bandwidth_hz: ArrayLike
) -> Any:
    """Probability that one bit or more of a packet is wrong at a steady SNR; no coding.

    `bits` must all be right: payload, length field and CRC, and the sync word. The rest as `bit_error_rate`.

    >>> round(packet_error_rate(10.0, 8 * 27, bit_rate_bps=50e3, bandwidth_hz=100e3), 4)
    0.0049
    """
    count = checked("bits", bits, at_least=0.0)
    rate = np.asarray(bit_error_rate(snr_db, bit_rate_bps=bit_rate_bps, bandwidth_hz=bandwidth_hz))
    return scalar_if_0d(-np.expm1(count * np.log1p(-rate)))


def packet_success(
    snr_db: ArrayLike, bits: ArrayLike, *, bit_rate_bps: ArrayLike, bandwidth_hz: ArrayLike
) -> Any:
    """One minus `packet_error_rate`; arguments as there.

    >>> round(packet_success(10.0, 8 * 27, bit_rate_bps=50e3, bandwidth_hz=100e3), 4)
    0.9951
    """
    lost = packet_error_rate(snr_db, bits, bit_rate_bps=bit_rate_bps, bandwidth_hz=bandwidth_hz)
    return scalar_if_0d(1.0 - np.asarray(lost))


def required_snr_db(
    packet_error_rate: ArrayLike, bits: ArrayLike, *, bit_rate_bps: ArrayLike, bandwidth_hz: ArrayLike
) -> Any:
    """SNR at which ideal noncoherent detection loses the given share of packets.

    The rate must be above 0, and below what half the bits wrong would lose: that is reached without any signal. The
    other arguments as in `packet_error_rate`.

    >>> round(required_snr_db(0.1, 8 * 250, bit_rate_bps=50e3, bandwidth_hz=100e3), 2)
    9.62
    """
    lost = checked("packet_error_rate", packet_error_rate, above=0.0, at_most=np.nextafter(1.0, 0.0))
    count = checked("bits", bits, above=0.0)
    rate = checked("bit_rate_bps", bit_rate_bps, above=0.0)
    bandwidth = checked("bandwidth_hz", bandwidth_hz, above=0.0)
    wrong = -np.expm1(np.log1p(-lost) / count)
    checked("packet_error_rate, as a bit error rate,", wrong, at_most=np.nextafter(0.5, 0.0))
    return scalar_if_0d(10.0 * np.log10(-2.0 * np.log(2.0 * wrong) * rate / bandwidth))

"""Chirp spread spectrum (CSS): how long a message lasts, how weak it may be, how often it fails.

A symbol is one of 2^SF cyclic shifts of a chirp that sweeps the bandwidth. The demodulator picks the
strongest of 2^SF noncoherent, orthogonal correlations, so its error rate in noise is that of M-ary
orthogonal signalling.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.

Everywhere `spreading_factor` is a whole number from 5 to 12, `bandwidth_hz` above 0, `payload_bytes` a whole number
from 0 to 255, `coding_rate` one of "4/5", "4/6", "4/7" and "4/8"; `explicit_header` and `crc` say whether these are
sent.
"""

from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ive, ndtr

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.radio import receiver

CodingRate = Literal["4/5", "4/6", "4/7", "4/8"]
Switch = Literal["auto", "on", "off"]

LONG_SYMBOL_S = 16e-3
"""Low data rate optimisation is switched on automatically from this symbol time on (common practice)."""

_PARITY_BITS = {"4/5": 1, "4/6": 2, "4/7": 3, "4/8": 4}


def symbol_time_s(spreading_factor: ArrayLike, bandwidth_hz: ArrayLike) -> Any:
    """Duration of one chirp.

    Definition of chirp spread spectrum: 2^SF chips at one chip per second and hertz.

    >>> symbol_time_s(12, 125e3)
    0.032768
    """
    bandwidth = checked("bandwidth_hz", bandwidth_hz, above=0.0)
    return scalar_if_0d(2.0 ** _spreading_factor(spreading_factor) / bandwidth)


def bit_rate_bps(
    spreading_factor: ArrayLike, bandwidth_hz: ArrayLike, coding_rate: CodingRate = "4/5"
) -> Any:
    """Rate of information bits while the payload is sent.

    Returns
    -------
    ndarray or float, bit/s, the arguments broadcast

    Notes
    -----
    Without low data rate optimisation, which takes two bits from every symbol.

    Examples
    --------
    >>> round(bit_rate_bps(7, 125e3), 2)
    5468.75
    """
    sf = _spreading_factor(spreading_factor)
    return scalar_if_0d(sf / symbol_time_s(sf, bandwidth_hz) * 4.0 / (4.0 + _parity_bits(coding_rate)))


def low_data_rate_optimised(spreading_factor: ArrayLike, bandwidth_hz: ArrayLike) -> Any:
    """Whether "auto" switches low data rate optimisation on: symbols of 16 ms or longer, SF7 and up.

    >>> low_data_rate_optimised([10, 11], 125e3).tolist()
    [False, True]
    """
    sf = _spreading_factor(spreading_factor)
    return scalar_if_0d((symbol_time_s(sf, bandwidth_hz) >= LONG_SYMBOL_S) & (sf >= 7))


def payload_symbols(
    payload_bytes: ArrayLike,
    *,
    spreading_factor: ArrayLike,
    bandwidth_hz: ArrayLike,
    coding_rate: CodingRate = "4/5",
    explicit_header: bool = True,
    crc: bool = True,
    low_data_rate_optimisation: Switch = "auto",
) -> Any:
    """Symbols after the preamble: header, payload and CRC with their coding.

    `low_data_rate_optimisation` is "on", "off" or "auto", see `low_data_rate_optimised`; the published form has none
    at SF5 and SF6. Published CSS packet formula; the form for SF5 and SF6 is from memory, unchecked.

    >>> payload_symbols(20, spreading_factor=10, bandwidth_hz=125e3)
    33.0
    """
    size = checked("payload_bytes", payload_bytes, at_least=0.0, at_most=255.0)
    if (size != np.floor(size)).any():
        raise DomainError(f"payload_bytes must be whole numbers, got {payload_bytes!r}")
    sf = _spreading_factor(spreading_factor)
    if low_data_rate_optimisation == "auto":
        optimised = np.asarray(low_data_rate_optimised(sf, bandwidth_hz))
    elif low_data_rate_optimisation in ("on", "off"):
        optimised = np.full(sf.shape, low_data_rate_optimisation == "on")
        if (optimised & (sf < 7)).any():
            raise DomainError("low data rate optimisation is not defined for spreading factors 5 and 6")
        checked("bandwidth_hz", bandwidth_hz, above=0.0)
    else:
        raise DomainError(
            f"low_data_rate_optimisation must be auto, on or off, got {low_data_rate_optimisation!r}"
        )
    bits = 8 * size - 4 * sf + np.where(sf < 7, 0, 8) + 16 * crc + 20 * explicit_header
    # the coder sends whole blocks
    blocks = np.ceil(np.maximum(bits, 0) / (4 * (sf - 2 * optimised)))
    return scalar_if_0d(8 + blocks * (4 + _parity_bits(coding_rate)))


def time_on_air_s(
    payload_bytes: ArrayLike,
    *,
    spreading_factor: ArrayLike,
    bandwidth_hz: ArrayLike,
    coding_rate: CodingRate = "4/5",
    preamble_symbols: ArrayLike = 8,
    explicit_header: bool = True,
    crc: bool = True,
    low_data_rate_optimisation: Switch = "auto",
) -> Any:
    """Time one message occupies the channel.

    `preamble_symbols` is the programmed length, 0 or more; sync word and start delimiter (4.25 symbols, 6.25 at SF5
    and SF6) are added. The rest as `payload_symbols`. Published CSS packet formula; the form for
    SF5 and SF6 is from memory, unchecked.

    >>> round(1e3 * time_on_air_s(20, spreading_factor=10, bandwidth_hz=125e3), 3)
    370.688
    """
    sf = _spreading_factor(spreading_factor)
    preamble = checked("preamble_symbols", preamble_symbols, at_least=0.0)
    symbols = payload_symbols(
        payload_bytes,
        spreading_factor=sf,
        bandwidth_hz=bandwidth_hz,
        coding_rate=coding_rate,
        explicit_header=explicit_header,
        crc=crc,
        low_data_rate_optimisation=low_data_rate_optimisation,
    )
    delimiter = np.where(sf < 7, 6.25, 4.25)
    return scalar_if_0d((preamble + delimiter + symbols) * symbol_time_s(sf, bandwidth_hz))


def required_snr_db(spreading_factor: ArrayLike) -> Any:
    """SNR in the signal's bandwidth that a CSS demodulator needs.

    -7.5 at SF7, 2.5 dB less with every step, down to -20 at SF12.

    Demodulator thresholds used by several public network simulators; ETSI TR 103 526 and the values for SF5
    and SF6 are from memory, unchecked.

    >>> required_snr_db([7, 12]).tolist()
    [-7.5, -20.0]
    """
    return scalar_if_0d(10.0 - 2.5 * _spreading_factor(spreading_factor))


def sensitivity_dbm(
    spreading_factor: ArrayLike, bandwidth_hz: ArrayLike, noise_figure_db: ArrayLike = 6.0
) -> Any:
    """Weakest CSS signal a receiver demodulates when only its own noise is heard.

    `required_snr_db` over the thermal noise of `linkcalc.radio.receiver.sensitivity_dbm`; the default noise figure is
    common practice for CSS receivers, no source.

    >>> round(sensitivity_dbm(7, 125e3), 1)
    -124.5
    """
    return receiver.sensitivity_dbm(bandwidth_hz, noise_figure_db, required_snr_db(spreading_factor))


def symbol_error_rate(snr_db: ArrayLike, spreading_factor: ArrayLike) -> Any:
    """Exact symbol error rate of an ideal CSS demodulator in white noise.

    Parameters
    ----------
    snr_db : array_like, dB
        SNR in the signal's bandwidth.

    Notes
    -----
    Noncoherent orthogonal signalling with M = 2^SF symbols at Es/N0 = 2^SF SNR: the wanted correlation is a
    non-central chi-square variable, each of the others an exponential one, and the symbol is right when the
    wanted one is the largest. Integrated over the wanted amplitude by Gauss-Legendre quadrature; relative
    error below 1e-9 down to rates of 1e-300. The textbook's alternating binomial series loses all digits
    from SF6 on.

    References
    ----------
    Proakis, Digital Communications, M-ary orthogonal signals with noncoherent detection.

    Examples
    --------
    >>> f"{symbol_error_rate(-7.78, 7):.1e}"
    '1.0e-03'
    """
    sf, energy = np.broadcast_arrays(*_symbol_energy(snr_db, spreading_factor))
    amplitude = np.sqrt(np.minimum(energy, _NO_ERROR_ENERGY))[..., np.newaxis]
    others = (2.0**sf - 1.0)[..., np.newaxis]
    half = (amplitude + 7.0) / 2.0  # what lies above amplitude + 7 weighs less than exp(-49)
    nodes, weights = _gauss_legendre()
    t = half * (1.0 + nodes)
    # ive holds the factor exp(-2 a t) that completes the square: I0 alone overflows at high SNR
    density = 2.0 * t * np.exp(-((t - amplitude) ** 2)) * ive(0, 2.0 * amplitude * t)
    # 1 - (1 - exp(-t^2))^(M - 1) by its logarithm: as a plain difference all below 1e-16 would be 0
    beaten = -np.expm1(others * np.log1p(-np.exp(-(t**2))))
    rate = (half * weights * density * beaten).sum(axis=-1)
    return scalar_if_0d(np.where(energy > _NO_ERROR_ENERGY, 0.0, np.minimum(rate, 1.0)))


def symbol_error_rate_approximate(snr_db: ArrayLike, spreading_factor: ArrayLike) -> Any:
    """Gaussian approximation of `symbol_error_rate`, a closed form; arguments as there.

    From 15 % low to 27 % high of the exact rate while that lies between 1e-5 and 0.18 (SF7 to SF12); at
    2e-6 up to 28 % low.

    Elshabrawy and Robert, IEEE Communications Letters 2018, DOI 10.1109/LCOMM.2018.2849718 (from memory).

    >>> f"{symbol_error_rate_approximate(-7.78, 7):.1e}"
    '1.2e-03'
    """
    sf, energy = _symbol_energy(snr_db, spreading_factor)
    others = 2.0**sf - 1.0
    # the harmonic number of M - 1, by Euler's constant
    harmonic = np.log(others) + 1.0 / (2.0 * others) + 0.57722
    root = np.sqrt(harmonic**2 - np.pi**2 / 12.0)
    return scalar_if_0d(ndtr(-(np.sqrt(energy) - np.sqrt(root)) / np.sqrt(harmonic - root + 0.5)))


def packet_error_rate(snr_db: ArrayLike, spreading_factor: ArrayLike, symbols: ArrayLike) -> Any:
    """Probability that a packet is lost at a steady SNR: any symbol after the preamble is wrong.

    Parameters
    ----------
    snr_db : array_like, dB
        SNR in the signal's bandwidth, constant over the packet.
    symbols : array_like
        Symbols after the preamble, see `payload_symbols`.

    Notes
    -----
    An upper bound for an ideal receiver: what the code corrects is not credited. A real receiver's frequency
    offset and implementation cost some 0.3 dB (SF7) to 1.8 dB (SF12), which `required_snr_db` contains.

    Examples
    --------
    >>> round(packet_error_rate(-7.5, 7, payload_symbols(20, spreading_factor=7, bandwidth_hz=125e3)), 2)
    0.02
    """
    count = checked("symbols", symbols, at_least=0.0)
    rate = np.asarray(symbol_error_rate(snr_db, spreading_factor))
    # the logarithm of a rate of just 1 is -inf: NaN for a packet of no symbols
    return scalar_if_0d(-np.expm1(count * np.log1p(-np.minimum(rate, 1.0 - 1e-16))))


def packet_success(snr_db: ArrayLike, spreading_factor: ArrayLike, symbols: ArrayLike) -> Any:
    """One minus `packet_error_rate`; arguments as there.

    >>> round(packet_success(-7.5, 7, payload_symbols(20, spreading_factor=7, bandwidth_hz=125e3)), 2)
    0.98
    """
    return scalar_if_0d(1.0 - np.asarray(packet_error_rate(snr_db, spreading_factor, symbols)))


_NO_ERROR_ENERGY = 1400.0
"""Es/N0 above which the symbol error rate is below 1e-300."""


@cache
def _gauss_legendre() -> tuple[Floats, Floats]:
    """Nodes and weights on -1 to 1."""
    return np.polynomial.legendre.leggauss(256)


def _symbol_energy(snr_db: ArrayLike, spreading_factor: ArrayLike) -> tuple[Floats, Floats]:
    """Return SF and Es/N0 as a ratio."""
    sf = _spreading_factor(spreading_factor)
    return sf, 2.0**sf * 10.0 ** (checked("snr_db", snr_db, at_least=-300.0, at_most=300.0) / 10.0)


def _spreading_factor(value: ArrayLike) -> Floats:
    sf = checked("spreading_factor", value, at_least=5.0, at_most=12.0)
    if (sf != np.floor(sf)).any():
        raise DomainError(f"spreading_factor must be a whole number from 5 to 12, got {value!r}")
    return sf


def _parity_bits(coding_rate: str) -> int:
    if coding_rate not in _PARITY_BITS:
        raise DomainError(f"coding_rate must be one of {', '.join(_PARITY_BITS)}, got {coding_rate!r}")
    return _PARITY_BITS[coding_rate]

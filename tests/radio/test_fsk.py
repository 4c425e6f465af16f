"""Frequency shift keying: time on air, bandwidth, error rate."""

import math

import numpy as np
import pytest
from scipy.integrate import trapezoid
from scipy.stats import ncx2

from linkcalc.errors import DomainError
from linkcalc.radio import fsk, receiver


def test_time_on_air_is_every_byte_at_the_bit_rate():
    # 5 preamble + 4 sync + 20 payload + 3 length and CRC = 32 bytes
    assert fsk.time_on_air_s(20, bit_rate_bps=50e3) == pytest.approx(256 / 50e3)
    ours = fsk.time_on_air_s(
        250, bit_rate_bps=[4800.0, 100e3], preamble_bytes=8, sync_bytes=2, overhead_bytes=4
    )
    np.testing.assert_allclose(ours, [2112 / 4800, 2112 / 100e3])


def test_carson_bandwidth_is_twice_deviation_and_half_the_bit_rate():
    # Carson's rule: 2 (deviation + highest modulating frequency)
    assert fsk.carson_bandwidth_hz(50e3, 25e3) == 2 * (25e3 + 50e3 / 2)


@pytest.mark.parametrize("energy_db", [0.0, 6.0, 10.0, 13.0])
def test_bit_error_rate_agrees_with_the_textbook_and_with_the_comparison_of_two_tones(energy_db):
    # Proakis: exp(-Eb/2N0)/2; and the tone with the signal (twice its power is a non-central chi-square
    # variable) against the other (exponential), integrated numerically
    ratio = 10 ** (energy_db / 10)
    x = np.linspace(0, 80 + 8 * ratio, 400_001)
    compared = trapezoid(ncx2.pdf(x, 2, 2 * ratio) * np.exp(-x / 2), x)
    ours = fsk.bit_error_rate(energy_db - 10 * math.log10(2), bit_rate_bps=50e3, bandwidth_hz=100e3)
    assert ours == pytest.approx(0.5 * math.exp(-ratio / 2), rel=1e-12)
    assert ours == pytest.approx(compared, rel=1e-4)


def test_a_packet_needs_every_bit():
    bit = fsk.bit_error_rate(7.0, bit_rate_bps=50e3, bandwidth_hz=100e3)
    lost = fsk.packet_error_rate(7.0, 216, bit_rate_bps=50e3, bandwidth_hz=100e3)
    assert lost == pytest.approx(1 - (1 - bit) ** 216, rel=1e-12)
    assert fsk.packet_success(7.0, 216, bit_rate_bps=50e3, bandwidth_hz=100e3) == pytest.approx(1 - lost)
    assert fsk.packet_error_rate(-50.0, 8, bit_rate_bps=50e3, bandwidth_hz=50e3) == pytest.approx(
        1 - 0.5**8, rel=1e-4
    )


@pytest.mark.parametrize("lost", [1e-9, 1e-3, 0.1, 0.9])
def test_required_snr_is_the_one_that_loses_that_share(lost):
    snr = fsk.required_snr_db(lost, 2000, bit_rate_bps=50e3, bandwidth_hz=125e3)
    ours = fsk.packet_error_rate(snr, 2000, bit_rate_bps=50e3, bandwidth_hz=125e3)
    assert ours == pytest.approx(lost, rel=1e-9)


def test_sensitivity_adds_noise_figure_and_snr_to_thermal_noise():
    # Rec. ITU-R P.372: k T0 B with T0 = 290 K, -174.0 dBm in 1 Hz to a tenth
    assert receiver.sensitivity_dbm(1.0, 0.0, 0.0) == pytest.approx(-174.0, abs=0.03)
    assert receiver.sensitivity_dbm(100e3, 6.0, 10.0) == pytest.approx(-174 + 50 + 6 + 10, abs=0.03)


@pytest.mark.parametrize(
    "call",
    [
        lambda: fsk.time_on_air_s(20, bit_rate_bps=0),
        lambda: fsk.time_on_air_s(-1, bit_rate_bps=1e3),
        lambda: fsk.carson_bandwidth_hz(1e3, -1.0),
        lambda: fsk.required_snr_db(0.999, 2, bit_rate_bps=1e3, bandwidth_hz=1e3),
    ],
)
def test_an_undefined_signal_is_refused(call):
    with pytest.raises(DomainError):
        call()

"""Signal and noise out of RSSI and SNR, against worked values and the definition."""

import os
from pathlib import Path

import numpy as np
import pytest

from linkcalc.errors import DomainError
from linkcalc.radio.signal_level import SNR_BELIEVED_DB, noise_power_dbm, signal_power_dbm


@pytest.mark.parametrize(
    ("rssi", "snr", "exact", "practice"),
    # trade notes, commissioning: recomputed there; "practice" is RSSI + SNR
    [(-118.0, -15.0, -133.1, -133.0), (-115.0, -5.0, -121.2, -120.0), (-110.0, 0.0, -113.0, -110.0)],
)
def test_below_the_noise_the_exact_power_is_less_than_rssi_plus_snr(rssi, snr, exact, practice):
    assert signal_power_dbm(rssi, snr) == pytest.approx(exact, abs=0.05)
    assert practice == rssi + snr
    assert 0.0 < practice - signal_power_dbm(rssi, snr) < 3.02


def test_a_mix_of_signal_and_noise_comes_apart_again():
    rng = np.random.default_rng(1)
    signal, noise = rng.uniform(-140.0, -60.0, 1000), rng.uniform(-125.0, -100.0, 1000)
    rssi = 10.0 * np.log10(10.0 ** (signal / 10.0) + 10.0 ** (noise / 10.0))
    np.testing.assert_allclose(signal_power_dbm(rssi, signal - noise), signal, atol=1e-9)
    np.testing.assert_allclose(noise_power_dbm(rssi, signal - noise), noise, atol=1e-9)


def test_a_strong_signal_is_the_rssi_though_the_snr_reading_is_saturated():
    # reading -80 dBm and "+7 dB": by the SNR 0.8 dB would be taken off, by the known noise nothing
    assert signal_power_dbm(-80.0, 7.0) == pytest.approx(-80.79, abs=0.01)
    assert signal_power_dbm(-80.0, 7.0, -117.0) == pytest.approx(-80.0, abs=0.01)


def test_known_noise_changes_nothing_where_the_snr_is_believed():
    snr = np.linspace(-20.0, SNR_BELIEVED_DB - 0.01, 50)
    np.testing.assert_array_equal(signal_power_dbm(-112.0, snr, -117.0), signal_power_dbm(-112.0, snr))


def test_an_rssi_at_or_below_the_noise_never_yields_more_than_itself():
    for rssi in (-130.0, -117.0, -116.9):
        assert signal_power_dbm(rssi, 6.0, -117.0) <= rssi


def test_levels_that_are_no_numbers_are_refused():
    with pytest.raises(DomainError, match="snr_db must be finite"):
        signal_power_dbm(-110.0, np.nan)


@pytest.mark.skipif("LINKCALC_REFERENCE_DATA" not in os.environ, reason="LINKCALC_REFERENCE_DATA is not set")
def test_real_receivers_hardly_ever_read_noise_below_thermal_noise():
    # 6670 receptions at 868 MHz in 125 kHz: martin146/ieee-access-data (MIT), IEEE Access 8 (2020), p. 154625
    file = Path(os.environ["LINKCALC_REFERENCE_DATA"], "measured", "brno_868", "packets.csv")
    rssi, snr = np.loadtxt(file, delimiter=",", skiprows=1, usecols=(4, 5), unpack=True)
    thermal_dbm = -174.0 + 10.0 * np.log10(125e3)
    believed = snr < SNR_BELIEVED_DB
    noise = noise_power_dbm(rssi[believed], snr[believed])
    assert (noise < thermal_dbm - 3.0).mean() < 1e-3
    # the quiet tenth hears little more than its own noise figure
    assert thermal_dbm < np.quantile(noise, 0.1) < thermal_dbm + 6.0
    # signals come down to what the highest spreading factor needs over that, and no further
    weakest = np.min(signal_power_dbm(rssi, snr))
    assert thermal_dbm - 22.0 < weakest < thermal_dbm - 15.0

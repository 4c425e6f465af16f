"""Signal and noise out of RSSI and SNR, against worked values and the definition."""

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

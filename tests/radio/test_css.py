"""Chirp spread spectrum: time on air, thresholds, error rate in noise."""

import math
from decimal import Decimal, getcontext
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError
from linkcalc.radio import css
from tests.validation.tables import read_rows

REFERENCE = Path(__file__).parents[1] / "reference"
SPREADING_FACTORS = np.arange(7, 13)


@pytest.mark.parametrize("row", read_rows(REFERENCE / "css_time_on_air.csv"))
def test_time_on_air_agrees_with_the_worked_values_to_the_microsecond(row):
    published = [float(row[f"sf{sf}"]) * 1e-3 for sf in SPREADING_FACTORS]
    ours = css.time_on_air_s(
        float(row["payload_bytes"]),
        spreading_factor=SPREADING_FACTORS,
        bandwidth_hz=float(row["bandwidth_hz"]),
    )
    np.testing.assert_allclose(ours, published, rtol=0, atol=0.5e-6)


@pytest.mark.parametrize(
    ("spreading_factor", "payload_bytes", "published_ms"),
    [
        (7, 4, 31.0),
        (7, 10, 41.2),
        (7, 51, 102.7),
        (9, 4, 123.9),
        (9, 10, 144.4),
        (9, 51, 328.7),
        (10, 4, 206.8),
        (10, 10, 288.8),
        (12, 4, 827.4),
        (12, 10, 991.2),
        (12, 51, 2465.8),
    ],
)
def test_short_and_long_payloads_last_as_tabled(spreading_factor, payload_bytes, published_ms):
    # generic airtime table of the published formula, 125 kHz, printed to 0.1 ms
    ours = css.time_on_air_s(payload_bytes, spreading_factor=spreading_factor, bandwidth_hz=125e3)
    assert 1e3 * ours == pytest.approx(published_ms, abs=0.051)


def test_dwell_time_of_400_ms_is_met_at_sf10_and_missed_at_sf11():
    # 47 CFR 15.247: 0.4 s per channel; 20 bytes at 125 kHz
    airtime = css.time_on_air_s(20, spreading_factor=[10, 11, 12], bandwidth_hz=125e3)
    assert (airtime <= 0.4).tolist() == [True, False, False]


@pytest.mark.parametrize("payload", [0, 1, 4, 5, 9, 51, 222, 255])
@pytest.mark.parametrize("spreading_factor", [7, 9, 11, 12])
@pytest.mark.parametrize("header", [True, False])
@pytest.mark.parametrize("crc", [True, False])
def test_payload_fills_blocks_of_four_coded_symbols_per_bit_of_the_spreading_factor(
    payload, spreading_factor, header, crc
):
    # counted in whole numbers: the first 8 symbols carry SF - 2 nibbles (SF - 7 after the header's 5), the
    # others SF or SF - 2 nibbles in every block of 4 + parity symbols
    slow = spreading_factor >= 11
    nibbles = 2 * payload + (4 if crc else 0)
    left = nibbles - (spreading_factor - 2 - (5 if header else 0))
    blocks = max(0, -(-left // (spreading_factor - (2 if slow else 0))))
    for coding_rate, symbols in (("4/5", 5), ("4/8", 8)):
        ours = css.payload_symbols(
            payload,
            spreading_factor=spreading_factor,
            bandwidth_hz=125e3,
            coding_rate=coding_rate,
            explicit_header=header,
            crc=crc,
        )
        assert ours == 8 + blocks * symbols


def test_sf5_and_sf6_carry_nothing_extra_in_the_header_block_and_two_more_delimiter_symbols():
    # form from memory, unchecked: 8 + ceil((8 PL + 16 + 20 - 4 SF)/(4 SF)) 5 symbols after 8 + 6.25
    symbols = 8 + math.ceil((160 + 36 - 20) / 20) * 5
    assert css.payload_symbols(20, spreading_factor=5, bandwidth_hz=125e3) == symbols
    ours = css.time_on_air_s(20, spreading_factor=5, bandwidth_hz=125e3)
    assert ours == pytest.approx((14.25 + symbols) * 32 / 125e3, rel=1e-12)


def test_low_data_rate_optimisation_sets_in_at_symbols_of_16_ms():
    # common practice: SF11 and SF12 at 125 kHz, SF12 at 250 kHz (16.384 ms)
    assert css.low_data_rate_optimised(SPREADING_FACTORS, 125e3).tolist() == [False] * 4 + [True] * 2
    assert css.low_data_rate_optimised([11, 12], 250e3).tolist() == [False, True]
    automatic, on, off = (
        css.payload_symbols(51, spreading_factor=12, bandwidth_hz=125e3, low_data_rate_optimisation=switch)
        for switch in ("auto", "on", "off")
    )
    assert automatic == on > off


def test_bit_rate_of_sf12_at_125_khz_is_293_bit_per_second():
    # definition: 12 bits x 125000/4096 symbols per second x 4/5
    assert css.bit_rate_bps(12, 125e3) == pytest.approx(292.96875)
    assert css.bit_rate_bps(12, 125e3, "4/8") == pytest.approx(12 * 125e3 / 4096 / 2)


def test_thresholds_and_sensitivity_agree_with_the_tabled_ones():
    # public network simulators; sensitivity with 6 dB noise figure at 125 kHz: -124.5 to -137.0 dBm
    assert css.required_snr_db(np.arange(5, 13)).tolist() == [-2.5, -5, -7.5, -10, -12.5, -15, -17.5, -20]
    ours = css.sensitivity_dbm([7, 12], 125e3, 6.0)
    np.testing.assert_allclose(ours, [-124.5, -137.0], atol=0.05)


@pytest.mark.parametrize("row", read_rows(REFERENCE / "css_symbol_error.csv"))
def test_symbol_error_rate_agrees_with_the_worked_snr_table(row):
    spreading_factor = int(row["spreading_factor"])
    for wanted in ("1e-2", "1e-3", "1e-4"):
        snr = float(row[f"snr_db_{wanted}"])
        # the printed SNR is right to 0.005 dB: the wanted rate lies between the rates at its two ends
        low, high = css.symbol_error_rate([snr + 0.0051, snr - 0.0051], spreading_factor)
        assert low <= float(wanted) <= high


@pytest.mark.parametrize("spreading_factor", [5, 6, 7, 8])
@pytest.mark.parametrize("snr_db", [-40.0, -12.0, -8.0, -5.0, 0.0, 5.0])
def test_symbol_error_rate_agrees_with_the_binomial_series_in_many_digits(spreading_factor, snr_db):
    # Proakis, Digital Communications: sum of (-1)^(n+1) C(M-1, n)/(n+1) exp(-n G/(n+1))
    many = 2**spreading_factor
    energy = many * 10 ** (snr_db / 10)
    getcontext().prec = 60 + many // 3 + int(energy / 2)
    exact = sum(
        (-1) ** (n + 1) * Decimal(math.comb(many - 1, n)) / (n + 1) * (-n * Decimal(energy) / (n + 1)).exp()
        for n in range(1, many)
    )
    assert css.symbol_error_rate(snr_db, spreading_factor) == pytest.approx(float(exact), rel=1e-11, abs=0)


def test_symbol_error_rate_agrees_with_simulated_correlations():
    rng = np.random.default_rng(868)
    many, snr_db, runs = 2**7, -10.0, 40_000
    noise = rng.standard_exponential((runs, many - 1)).max(axis=1)
    energy = many * 10 ** (snr_db / 10)
    wanted = np.abs(np.sqrt(energy) + (rng.normal(size=runs) + 1j * rng.normal(size=runs)) / np.sqrt(2)) ** 2
    wrong = (noise > wanted).mean()
    expected = css.symbol_error_rate(snr_db, 7)
    assert abs(wrong - expected) < 4 * math.sqrt(expected * (1 - expected) / runs)


def test_gaussian_approximation_stays_within_its_stated_error():
    # the published approximation against the exact integral, SF7 to SF12
    for spreading_factor in SPREADING_FACTORS:
        snr = np.linspace(-26, -4, 500)
        exact = css.symbol_error_rate(snr, spreading_factor)
        used = (exact > 1e-5) & (exact < 0.18)
        ratio = css.symbol_error_rate_approximate(snr[used], spreading_factor) / exact[used]
        assert used.sum() > 50
        assert ratio.min() > 0.85
        assert ratio.max() < 1.27


def test_no_signal_leaves_one_guess_in_two_to_the_spreading_factor():
    assert css.symbol_error_rate(-300.0, 7) == pytest.approx(127 / 128, rel=1e-12)
    assert css.symbol_error_rate(60.0, 12) == 0.0


@given(st.integers(5, 12), st.floats(-40, 20), st.floats(0.01, 10))
def test_more_signal_never_loses_more_symbols(spreading_factor, snr_db, more_db):
    less, more = css.symbol_error_rate([snr_db, snr_db + more_db], spreading_factor)
    assert 0 <= more <= less <= 1


def test_packet_fails_when_any_of_its_symbols_does():
    rate = css.symbol_error_rate(-8.0, 7)
    assert css.packet_error_rate(-8.0, 7, 33) == pytest.approx(1 - (1 - rate) ** 33, rel=1e-12)
    assert css.packet_success(-8.0, 7, 33) == pytest.approx((1 - rate) ** 33, rel=1e-12)
    assert css.packet_error_rate(0.0, 7, 33) == pytest.approx(33 * css.symbol_error_rate(0.0, 7), rel=1e-9)


@pytest.mark.parametrize("spreading_factor", range(7, 13))
def test_an_ideal_receiver_at_the_threshold_loses_few_packets(spreading_factor):
    # the tabled thresholds leave 0.3 to 1.8 dB against a symbol error rate of 1e-3
    symbols = css.payload_symbols(20, spreading_factor=spreading_factor, bandwidth_hz=125e3)
    lost = css.packet_error_rate(css.required_snr_db(spreading_factor), spreading_factor, symbols)
    assert lost < 0.03


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ({"spreading_factor": 13}, "spreading_factor"),
        ({"spreading_factor": 7.5}, "spreading_factor"),
        ({"spreading_factor": 4}, "spreading_factor"),
        ({"bandwidth_hz": 0.0}, "bandwidth_hz"),
        ({"payload_bytes": 2.5}, "payload_bytes"),
        ({"payload_bytes": 256}, "payload_bytes"),
        ({"coding_rate": "4/9"}, "4/5, 4/6, 4/7, 4/8"),
        ({"low_data_rate_optimisation": "maybe"}, "auto, on or off"),
        ({"spreading_factor": 6, "low_data_rate_optimisation": "on"}, "not defined"),
        ({"preamble_symbols": -1}, "preamble_symbols"),
    ],
)
def test_an_undefined_signal_is_refused_by_name(arguments, word):
    usual = {"payload_bytes": 20, "spreading_factor": 7, "bandwidth_hz": 125e3}
    with pytest.raises(DomainError, match=word):
        css.time_on_air_s(**(usual | arguments))

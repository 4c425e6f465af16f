"""Receiver noise: Rec. ITU-R P.372 figures, and how the parts combine."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation import noise
from linkcalc.propagation.noise import system_noise

environments = st.sampled_from(["city", "residential", "rural", "quiet_rural", "none"])
frequencies = st.floats(30e6, 6e9)
rises = st.floats(0.0, 40.0)


def test_thermal_noise_is_minus_174_dbm_per_hertz() -> None:
    # Rec. ITU-R P.372: kT0 at 290 K, -173.975 dBm/Hz.
    assert noise.thermal_noise_power_dbm(1.0) == pytest.approx(-173.975, abs=5e-4)
    assert noise.thermal_noise_power_dbm(1.0, 580.0) == pytest.approx(-173.975 + 3.010, abs=1e-3)


@pytest.mark.parametrize(
    ("environment", "frequency_mhz", "median_db"),
    [
        # Rec. ITU-R P.372-17 part 6, c - d log f worked by hand.
        ("city", 100, 21.4),
        ("residential", 100, 17.1),
        ("rural", 100, 11.8),
        ("quiet_rural", 100, -3.6),
        ("residential", 250, 6.08),
    ],
)
def test_man_made_noise_follows_the_lines_of_the_standard(
    environment: str, frequency_mhz: float, median_db: float
) -> None:
    assert noise.man_made_noise_db(frequency_mhz * 1e6, environment) == pytest.approx(median_db, abs=0.005)


@pytest.mark.parametrize(
    ("environment", "frequency_mhz", "median_db"),
    # The same lines continued beyond 250 MHz, worked by hand to 0.1 dB.
    [("rural", 433, -5.8), ("rural", 868, -14.2)],
)
def test_beyond_250_mhz_the_lines_are_continued_with_a_warning(
    environment: str, frequency_mhz: float, median_db: float
) -> None:
    with pytest.warns(OutOfRangeWarning, match="250 MHz"):
        median = noise.man_made_noise_db(frequency_mhz * 1e6, environment)
    assert median == pytest.approx(median_db, abs=0.05)


def test_city_noise_leaves_its_line_at_129_mhz_for_the_one_measured_to_900_mhz() -> None:
    # P.372-8: 44.3 - 12.3 log f; crossing at 10^((76.8 - 44.3) / 15.4) = 128.9 MHz.
    f = np.array([100e6, 128e6, 130e6, 868e6])
    first, second = 76.8 - 27.7 * np.log10(f / 1e6), 44.3 - 12.3 * np.log10(f / 1e6)
    np.testing.assert_allclose(
        noise.man_made_noise_db(f, "city"), [*first[:2], *second[2:]], rtol=0, atol=1e-12
    )
    assert second[3] == pytest.approx(8.2, abs=0.05)
    assert first[3] == pytest.approx(-4.6, abs=0.05)


@pytest.mark.parametrize(
    ("frequency_mhz", "environment", "extrapolated"),
    [
        (100, "rural", False),
        (250, "residential", False),
        (433, "rural", True),
        (868, "quiet_rural", True),
        (868, "city", False),
        (915, "city", True),
        (868, "none", False),
    ],
)
def test_an_extrapolation_can_be_asked_for_quietly(
    frequency_mhz: float, environment: str, extrapolated: bool
) -> None:
    assert noise.man_made_noise_is_extrapolated(frequency_mhz * 1e6, environment) is extrapolated
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert system_noise(125e3, 6.0, environment, 0.0, frequency_mhz * 1e6).extrapolated is extrapolated


@pytest.mark.parametrize(
    ("environment", "deciles"),
    # Rec. ITU-R P.372-17, part 6.
    [("city", (11.0, 6.7)), ("residential", (10.6, 5.3)), ("rural", (9.2, 4.6)), ("quiet_rural", (9.2, 4.6))],
)
def test_deciles_are_those_of_the_standard(environment: str, deciles: tuple[float, float]) -> None:
    assert noise.man_made_noise_deciles_db(environment) == deciles
    assert noise.man_made_noise_location_sigma_db(environment) == pytest.approx(
        {"city": 6.6, "residential": 4.5}.get(environment, 5.3), abs=0.05
    )  # location deciles of P.372 (8.4, 5.8, 6.8 dB, from memory) over 1.28


@given(st.floats(1e3, 1e6), st.floats(0.0, 15.0), environments, rises, frequencies)
def test_the_items_add_up_to_the_total(
    bandwidth: float, noise_figure: float, environment: str, rise: float, frequency: float
) -> None:
    found = system_noise(bandwidth, noise_figure, environment, rise, frequency)
    parts = found.thermal_dbm + found.noise_figure_db + found.external_db + found.rise_db
    assert found.total_dbm == pytest.approx(parts, abs=1e-9)
    assert found.external_db >= 0.0
    assert min(found.upper_decile_db, found.lower_decile_db, found.location_sigma_db) >= 0.0


def test_without_surroundings_only_the_receiver_is_heard() -> None:
    # Sensitivity arithmetic of every receiver: -174 + 10 log B + NF.
    found = system_noise(125e3, 6.0, "none", 0.0, 868e6)
    assert found.total_dbm == pytest.approx(-173.975 + 10.0 * np.log10(125e3) + 6.0, abs=1e-3)
    assert found.upper_decile_db == found.lower_decile_db == found.location_sigma_db == 0.0


def test_external_and_receiver_noise_combine_as_factors() -> None:
    # f = fa + fr - 1 worked by hand: residential at 100 MHz 17.1 dB (51.3) and
    # galactic 6.0 dB (4.0), with a noise figure of 3 dB (2.0).
    found = system_noise(1.0, 10.0 * np.log10(2.0), "residential", 0.0, 100e6)
    factor = 10**1.71 + 10**0.6 + 2.0 - 1.0
    assert found.total_dbm == pytest.approx(-173.975 + 10.0 * np.log10(factor), abs=1e-3)


def test_the_entered_rise_lifts_the_floor_by_itself() -> None:
    quiet, running = (system_noise(125e3, 6.0, "rural", rise, 868e6).total_dbm for rise in (0.0, 9.0))
    assert running - quiet == pytest.approx(9.0)


@given(environments, frequencies, rises, rises)
def test_a_louder_engine_hides_the_coming_and_going_of_other_noise(
    environment: str, frequency: float, one: float, other: float
) -> None:
    soft, loud = (system_noise(125e3, 6.0, environment, rise, frequency) for rise in sorted((one, other)))
    assert loud.upper_decile_db <= soft.upper_decile_db + 1e-9
    assert loud.lower_decile_db <= soft.lower_decile_db + 1e-9


def test_where_external_noise_dominates_the_total_spreads_as_it_does() -> None:
    found = system_noise(125e3, 3.0, "city", 0.0, 30e6)
    assert found.upper_decile_db == pytest.approx(11.0, abs=0.3)
    assert found.lower_decile_db == pytest.approx(6.7, abs=0.3)
    assert found.location_sigma_db == pytest.approx(6.6, abs=0.3)
    assert noise.noise_sigma_db(found) == pytest.approx(found.upper_decile_db / 1.2816)


def test_at_868_mhz_in_the_country_the_receiver_is_the_limit() -> None:
    found = system_noise(125e3, 6.0, "rural", 0.0, 868e6)
    assert found.external_db == found.upper_decile_db == 0.0
    assert found.location_sigma_db == noise.UNMEASURED_PLACE_SIGMA_DB
    assert system_noise(125e3, 6.0, "city", 0.0, 868e6).external_db > 3.0


def test_galactic_noise_outdoes_the_quiet_country_at_30_mhz() -> None:
    # Rec. ITU-R P.372-17: 52 - 23 log f against 53.6 - 28.6 log f.
    assert noise.galactic_noise_db(30e6) == pytest.approx(18.03, abs=0.005)
    assert noise.galactic_noise_db(30e6) > noise.man_made_noise_db(30e6, "quiet_rural")
    quiet = system_noise(125e3, 6.0, "quiet_rural", 0.0, 30e6)
    assert 2.0 < quiet.upper_decile_db < 9.2


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((0.0, 6.0, "rural", 0.0, 868e6), "bandwidth_hz"),
        ((125e3, -1.0, "rural", 0.0, 868e6), "noise_figure_db"),
        ((125e3, 6.0, "harbour", 0.0, 868e6), "environment"),
        ((125e3, 6.0, "rural", -3.0, 868e6), "rise_db"),
        ((125e3, 6.0, "rural", 0.0, 0.0), "frequency_hz"),
    ],
)
def test_an_undefined_argument_is_named(arguments: tuple, named: str) -> None:
    with pytest.raises(DomainError, match=named):
        system_noise(*arguments)


def test_arguments_broadcast() -> None:
    found = system_noise([125e3, 250e3], 6.0, "city", [[0.0], [6.0]], 868e6)
    assert found.total_dbm.shape == found.extrapolated.shape == (2, 2)
    assert found.total_dbm[1, 1] == pytest.approx(system_noise(250e3, 6.0, "city", 6.0, 868e6).total_dbm)
    assert isinstance(system_noise(125e3, 6.0, "rural", 0.0, 868e6).total_dbm, float)

"""Distances to keep from an antenna, against filed reports and published guidelines."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError
from linkcalc.operation.exposure import (
    GUIDELINES,
    compliance_distance_m,
    keeping,
    power_density_limit_w_m2,
    reactive_near_field_m,
)

ANY_GUIDELINE = st.sampled_from(sorted(GUIDELINES))


def density_mw_cm2(eirp_dbm: float, distance_m: float, frequency_hz: float) -> float:
    """By the distance at which the limit is reached, and the square of the distance."""
    reached_m = compliance_distance_m(eirp_dbm, frequency_hz, "fcc")
    return power_density_limit_w_m2(frequency_hz, "fcc") / 10 * (reached_m / distance_m) ** 2


def test_a_filed_user_manuals_exposure_is_reproduced():
    """A filed user manual: 27 dBm (reckoned as 500 mW) and 4.5 dBi at 20 cm: 0.2803 of 0.6018 mW/cm2."""
    eirp_dbm = 10 * math.log10(500.0) + 4.5
    assert density_mw_cm2(eirp_dbm, 0.20, 902.75e6) == pytest.approx(0.2803, abs=5e-5)
    assert power_density_limit_w_m2(902.75e6, "fcc") / 10 == pytest.approx(0.6018, abs=5e-5)


def test_a_filed_exposure_reports_density_limit_and_largest_gain_are_reproduced():
    """A filed report by OET 65 p. 18: 408.26 mW, 3 dBi, 20 cm: 0.16206; limit 0.54933 mW/cm2; 8.302 dBi."""
    conducted_dbm = 10 * math.log10(408.26)
    assert density_mw_cm2(conducted_dbm + 3.0, 0.20, 824e6) == pytest.approx(0.16206, abs=5e-6)
    assert power_density_limit_w_m2(824e6, "fcc") / 10 == pytest.approx(0.54933, abs=5e-6)
    assert compliance_distance_m(conducted_dbm + 8.302, 824e6, "fcc") == pytest.approx(0.20, rel=6e-5)


@pytest.mark.parametrize(
    ("eirp_w", "frequency_hz", "icnirp_m", "fcc_m"),
    [
        (0.5 * 1.6409, 869.5e6, 0.12, 0.11),  # 500 mW ERP
        (1.0, 915e6, 0.13, 0.11),
        (4.0, 915e6, 0.26, 0.23),
    ],
)
def test_distances_of_common_transmitters(eirp_w, frequency_hz, icnirp_m, fcc_m):
    """Worked with d = sqrt(EIRP/(4 pi S)), ICNIRP 2020 table 5 and 47 CFR 1.1310, to the centimetre."""
    eirp_dbm = 10 * math.log10(eirp_w * 1e3)
    assert compliance_distance_m(eirp_dbm, frequency_hz, "icnirp_2020") == pytest.approx(icnirp_m, abs=0.005)
    assert compliance_distance_m(eirp_dbm, frequency_hz, "fcc") == pytest.approx(fcc_m, abs=0.005)


@pytest.mark.parametrize(
    ("frequency_hz", "icnirp_w_m2", "fcc_w_m2"),
    [
        (30e6, 2.0, 2.0),
        (169e6, 2.0, 2.0),
        (300e6, 2.0, 2.0),
        (400e6, 2.0, 400 / 150),
        (433e6, 433 / 200, 433 / 150),
        (1500e6, 7.5, 10.0),
        (2000e6, 10.0, 10.0),
        (5800e6, 10.0, 10.0),
    ],
)
def test_the_levels_of_each_band(frequency_hz, icnirp_w_m2, fcc_w_m2):
    """47 CFR 1.1310 table 1 (B); ICNIRP 2020 table 5 (2 and 10 W/m2 from memory)."""
    assert power_density_limit_w_m2(frequency_hz, "icnirp_2020") == pytest.approx(icnirp_w_m2)
    assert power_density_limit_w_m2(frequency_hz, "fcc") == pytest.approx(fcc_w_m2)


def test_at_least_twenty_centimetres_are_advised_and_thirty_at_four_watts():
    assert keeping(14.0, 868e6).advised_m == 0.2
    assert keeping(30.0, 915e6).advised_m == 0.2
    assert keeping(36.02, 915e6).advised_m == 0.3
    assert keeping(36.02, 915e6).text == "Keep at least 0.3 m from the antenna"


def test_a_weak_transmitters_distance_lies_in_the_near_field_and_says_so():
    weak = keeping(10.0, 433e6)
    assert weak.near_field
    assert weak.distance_m["icnirp_2020"] < reactive_near_field_m(433e6) < weak.advised_m
    assert not keeping(36.0, 915e6).near_field


@given(
    eirp=st.floats(-10, 60),
    frequency=st.floats(30e6, 6e9),
    guideline=ANY_GUIDELINE,
    duty=st.floats(0.001, 1.0),
)
def test_the_level_is_reached_exactly_at_the_compliance_distance(eirp, frequency, guideline, duty):
    distance = compliance_distance_m(eirp, frequency, guideline, duty)
    limit = power_density_limit_w_m2(frequency, guideline)
    mean_w = duty * 10 ** (eirp / 10 - 3)
    assert mean_w / (4 * math.pi * distance**2) == pytest.approx(limit, rel=1e-9)


@given(eirp=st.floats(-10, 60), frequency=st.floats(30e6, 6e9), duty=st.floats(0.0, 1.0))
def test_pauses_never_lengthen_the_distance_and_advice_never_undercuts_it(eirp, frequency, duty):
    full, credited = keeping(eirp, frequency), keeping(eirp, frequency, duty)
    for guideline in GUIDELINES:
        assert credited.distance_m[guideline] <= full.distance_m[guideline]
        assert full.distance_m[guideline] <= full.advised_m + 1e-9
    assert credited.advised_m >= 0.2


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((20.0, 29e6, "fcc"), "frequency_hz must be at least"),
        ((math.nan, 868e6, "fcc"), "eirp_dbm must be finite"),
        ((20.0, 868e6, "who"), "guideline must be one of icnirp_2020, fcc"),
        ((20.0, 868e6, "fcc", 1.5), "duty_cycle must be at most 1"),
    ],
)
def test_impossible_exposure_arguments_are_refused_by_name(arguments, told):
    with pytest.raises(DomainError, match=told):
        compliance_distance_m(*arguments)

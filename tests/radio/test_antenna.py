"""Antennas: figures by type, pattern, polarisation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from linkcalc.errors import DomainError
from linkcalc.radio import antenna_types
from linkcalc.radio.antenna import gain_towards_dbi, generic_antenna, polarisation_loss_db

TYPES = list(antenna_types.ANTENNA_TYPES)


def test_half_wave_dipole_has_its_theoretical_gain_and_beam():
    # antenna textbooks: 2.15 dBi, 78 degrees; gain by integrating the pattern over the sphere
    dipole = generic_antenna("half_wave_dipole")
    elevation = np.linspace(-90, 90, 20_001)
    power = 10 ** (gain_towards_dbi(dipole, 0.0, elevation) / 10)
    total = trapezoid(power * np.cos(np.radians(elevation)), np.radians(elevation)) / 2
    assert dipole.gain_dbi == pytest.approx(2.15, abs=0.005)
    assert total == pytest.approx(1.0, abs=0.002)  # what the filled-in nulls add
    half_power = gain_towards_dbi(dipole, 0.0, 78 / 2) - dipole.gain_dbi
    assert half_power == pytest.approx(-3.01, abs=0.02)


@pytest.mark.parametrize(
    ("gain_dbi", "beamwidth_deg"), [(7.0, 65), (9.5, 52.5), (12.5, 37.5)], ids=["3 el", "5-6 el", "10+ el"]
)
def test_yagi_beam_follows_from_its_gain(gain_dbi, beamwidth_deg):
    # common practice, no source: 3 el. 7 dBi ~65 degrees, 5-6 el. 9-10 dBi ~50-55, 10+ el. 12-13 dBi ~35-40
    yagi = generic_antenna("yagi", gain_dbi=gain_dbi)
    assert yagi.horizontal_beamwidth_deg == pytest.approx(beamwidth_deg, abs=3)
    assert yagi.vertical_beamwidth_deg == pytest.approx(yagi.horizontal_beamwidth_deg)


@pytest.mark.parametrize(("gain_dbi", "beamwidth_deg"), [(5.5, 30), (8.5, 15)])
def test_collinear_beam_follows_from_its_gain(gain_dbi, beamwidth_deg):
    # common practice, no source: 5-6 dBi ~30 degrees, 8-9 dBi ~15 degrees
    collinear = generic_antenna("collinear", gain_dbi=gain_dbi)
    assert collinear.vertical_beamwidth_deg == pytest.approx(beamwidth_deg, abs=0.5)
    assert collinear.horizontal_beamwidth_deg == 360.0
    # antenna textbook (McDonald): directivity of an omnidirectional antenna 101 / (w - 0.0027 w^2)
    w = collinear.vertical_beamwidth_deg
    assert 10 * np.log10(101 / (w - 0.0027 * w**2)) == pytest.approx(gain_dbi, abs=0.15)


def test_yagi_gain_follows_from_its_beamwidths():
    # textbook beam rule, 10 log(32400/(az el)) less 1 to 2 dB
    yagi = generic_antenna("yagi", horizontal_beamwidth_deg=50, vertical_beamwidth_deg=60)
    rule = 10 * np.log10(32400 / (50 * 60))
    assert 1.0 <= rule - yagi.gain_dbi <= 2.0
    one = generic_antenna("yagi", gain_dbi=yagi.gain_dbi, vertical_beamwidth_deg=60)
    assert one.horizontal_beamwidth_deg == pytest.approx(50)
    assert generic_antenna("yagi", vertical_beamwidth_deg=40).horizontal_beamwidth_deg == 40


def test_stated_gain_may_be_over_a_dipole():
    stated = generic_antenna("collinear", gain_dbd=6.0)
    assert stated.gain_dbi == pytest.approx(8.15, abs=0.005)


@pytest.mark.parametrize("kind", TYPES)
def test_peak_gain_is_where_the_antenna_is_aimed(kind):
    one = generic_antenna(kind)
    assert gain_towards_dbi(one, 123.0, 7.0, azimuth_deg=123.0, tilt_deg=7.0) == pytest.approx(one.gain_dbi)
    assert gain_towards_dbi(one, 300.0, 0.0) == pytest.approx(one.gain_dbi)


@pytest.mark.parametrize("plane", ["azimuth", "elevation"])
def test_yagi_loses_three_decibels_at_half_its_beamwidth_and_stops_at_front_to_back(plane):
    yagi = generic_antenna("yagi", gain_dbi=9.5, horizontal_beamwidth_deg=50, vertical_beamwidth_deg=60)
    off = (25.0, 0.0) if plane == "azimuth" else (0.0, 30.0)
    assert gain_towards_dbi(yagi, off[0], off[1], azimuth_deg=0.0) == pytest.approx(6.5)
    behind = gain_towards_dbi(yagi, 180.0, 0.0, azimuth_deg=0.0)
    assert behind == pytest.approx(9.5 - antenna_types.FRONT_TO_BACK_DB)


def test_high_gain_collinear_misses_a_tank_fifteen_degrees_up_the_hill():
    # 9 dBi collinear against a dipole at 15 degrees: the low-gain antenna hears more
    steep = gain_towards_dbi(generic_antenna("collinear", gain_dbi=9.0), 0.0, 15.0)
    assert steep < gain_towards_dbi(generic_antenna("half_wave_dipole"), 0.0, 15.0) - 3


def test_tilted_omnidirectional_antenna_looks_down_behind():
    mast = generic_antenna("collinear", gain_dbi=8.5)
    front, side, back = gain_towards_dbi(
        mast, [0.0, 90.0, 180.0], [10.0, 0.0, -10.0], azimuth_deg=0.0, tilt_deg=10.0
    )
    assert front == pytest.approx(8.5)
    assert side == pytest.approx(8.5)
    assert back == pytest.approx(8.5)
    assert gain_towards_dbi(mast, 180.0, 10.0, azimuth_deg=0.0, tilt_deg=10.0) < -3.0


def test_antenna_without_azimuth_is_turned_to_the_other_station():
    yagi = generic_antenna("yagi")
    np.testing.assert_allclose(gain_towards_dbi(yagi, np.arange(0, 360, 45), 0.0), yagi.gain_dbi)


@given(
    st.sampled_from(TYPES),
    st.floats(0, 360),
    st.floats(-90, 90),
    st.floats(0, 360),
    st.floats(-90, 90),
)
def test_no_direction_is_stronger_than_the_beam_or_weaker_than_the_floor(kind, bearing, up, azimuth, tilt):
    one = generic_antenna(kind)
    gain = gain_towards_dbi(one, bearing, up, azimuth_deg=azimuth, tilt_deg=tilt)
    assert one.gain_dbi - antenna_types.DEEPEST_NULL_DB - 1e-9 <= gain <= one.gain_dbi + 1e-9


@given(st.floats(0, 89), st.floats(0, 1))
def test_yagi_falls_steadily_off_its_beam(off, more):
    near, far = gain_towards_dbi(generic_antenna("yagi"), [off, off + more], 0.0, azimuth_deg=0.0)
    assert far <= near + 1e-12


def test_tilted_whip_loses_what_the_cosine_says():
    # geometry: 30 degrees 1.2 dB, 45 degrees 3.0 dB, 60 degrees 6.0 dB
    ours = polarisation_loss_db("vertical", "vertical", tilt_deg=[0, 30, 45, 60])
    np.testing.assert_allclose(ours, [0, 1.25, 3.01, 6.02], atol=0.005)


def test_crossed_polarisation_costs_twenty_decibels_and_circular_three():
    # 20 dB: common practice, no source; 3 dB: theory
    assert polarisation_loss_db("vertical", "horizontal") == 20.0
    assert polarisation_loss_db("vertical", "horizontal", tilt_deg=45) == pytest.approx(3.01, abs=0.005)
    assert polarisation_loss_db("circular", "horizontal") == pytest.approx(3.0, abs=0.02)
    assert polarisation_loss_db("circular", "circular") == 0.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: generic_antenna("dish"),
        lambda: generic_antenna("yagi", gain_dbi=9.0, gain_dbd=7.0),
        lambda: generic_antenna("yagi", horizontal_beamwidth_deg=0.0),
        lambda: generic_antenna("yagi", vertical_beamwidth_deg=181.0),
        lambda: gain_towards_dbi(generic_antenna("yagi"), 0.0, 91.0),
        lambda: polarisation_loss_db("vertical", "slant"),
    ],
)
def test_an_undefined_antenna_is_refused(call):
    with pytest.raises(DomainError):
        call()

"""Electrical constants of the ground."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation import ground
from linkcalc.propagation.ground import GroundConstants
from tests.validation.tables import number, read_rows

REFERENCE = Path(__file__).parents[1] / "reference"
CLASSES = ["sea_water", "fresh_water", "wet_ground", "medium_dry_ground", "very_dry_ground"]


@pytest.mark.parametrize("row", read_rows(REFERENCE / "p527_soil.csv"))
def test_soil_agrees_with_the_p527_table(row):
    arguments = {name: float(row[name]) for name in ("sand_percent", "clay_percent", "silt_percent")}
    frequency = float(row["frequency_mhz"]) * 1e6
    if number(row, "relative_permittivity") is None:
        with pytest.raises(DomainError, match="use a ground class"):
            ground.soil_permittivity(frequency, float(row["water_fraction"]), **arguments)
        return
    ours = ground.soil_permittivity(frequency, float(row["water_fraction"]), **arguments)
    assert ours.real == pytest.approx(float(row["relative_permittivity"]), abs=0.0051)
    sigma = ground.conductivity_s_m(ours, frequency)
    assert sigma == pytest.approx(float(row["conductivity_s_m"]), abs=0.000051)


@pytest.mark.parametrize("row", read_rows(REFERENCE / "p527_water.csv"))
def test_pure_water_agrees_with_the_p527_table(row):
    frequency = float(row["frequency_mhz"]) * 1e6
    ours = ground.water_permittivity(frequency, float(row["temperature_c"]))
    assert ours.real == pytest.approx(float(row["relative_permittivity"]), abs=0.0051)
    sigma = ground.conductivity_s_m(ours, frequency)
    assert sigma == pytest.approx(float(row["conductivity_s_m"]), abs=0.000051)


@pytest.mark.parametrize(
    ("ground_class", "permittivity", "still", "lowest_900", "highest_900"),
    [
        ("sea_water", 70, 5.0, 5.0, 5.0),
        ("fresh_water", 80, 0.003, 0.15, 0.25),
        ("wet_ground", 30, 0.01, 0.125, 0.14),
        ("medium_dry_ground", 15, 0.001, 0.028, 0.031),
        ("very_dry_ground", 3, 0.0001, 0.00011, 0.00015),
    ],
)
def test_ground_classes_lie_on_the_published_curves(
    ground_class, permittivity, still, lowest_900, highest_900
):
    # Rec. ITU-R P.527-6, figure 24, at low frequency; land at 900 MHz: 0.15 f^1.30, 0.035 f^1.63, 0.00015
    # f^2.52 S/m of Rec. ITU-R P.2040 (f in GHz, stated from 1 GHz: 0.131, 0.029, 0.000115)
    constants = ground.ground_constants(ground_class, [1e6, 900e6])
    sigma = constants.conductivity_s_m
    assert (constants.relative_permittivity == permittivity).all()
    assert sigma[0] == pytest.approx(still, rel=1e-2)
    assert lowest_900 <= sigma[1] <= highest_900


def test_fresh_water_at_400_mhz_conducts_some_fifty_millisiemens():
    # same curves: about 0.05 S/m at 400 MHz
    assert ground.ground_constants("fresh_water", 400e6).conductivity_s_m == pytest.approx(0.05, abs=0.015)


@given(st.sampled_from(CLASSES), st.floats(1e6, 1e9), st.floats(1, 2))
def test_conductivity_never_falls_with_frequency(ground_class, frequency, factor):
    higher = min(frequency * factor, 1e9)
    sigma = ground.ground_constants(ground_class, [frequency, higher]).conductivity_s_m
    assert sigma[1] >= sigma[0]


def test_complex_permittivity_agrees_with_the_handbook_form():
    # e' - j 60 sigma lambda = e' - j 18 sigma/f_GHz, both rounded to two digits in the source
    ours = ground.complex_permittivity(GroundConstants(15.0, 0.005), 868e6)
    assert ours.real == 15.0
    assert ours.imag == pytest.approx(-18 * 0.005 / 0.868, rel=2e-3)
    assert ours.imag == pytest.approx(-60 * 0.005 * 299_792_458 / 868e6, rel=2e-3)


@given(st.floats(1, 80), st.floats(0, 5), st.floats(1e6, 1e10))
def test_conductivity_comes_back_out_of_the_complex_permittivity(relative, sigma, frequency):
    e = ground.complex_permittivity(GroundConstants(relative, sigma), frequency)
    assert ground.conductivity_s_m(e, frequency) == pytest.approx(sigma, rel=1e-12, abs=1e-15)


def test_wetter_soil_reflects_and_conducts_more():
    wet = ground.soil_permittivity(
        868e6, np.linspace(0.1, 0.5, 20), sand_percent=40, clay_percent=20, silt_percent=40
    )
    assert (np.diff(wet.real) > 0).all()
    assert (np.diff(wet.imag) < 0).all()


def test_classes_above_one_gigahertz_are_given_with_a_warning():
    with pytest.warns(OutOfRangeWarning, match="1 GHz"):
        ground.ground_constants("sea_water", 2.4e9)


@pytest.mark.parametrize(
    "call",
    [
        lambda: ground.ground_constants("peat", 868e6),
        lambda: ground.ground_constants("sea_water", 0.0),
        lambda: ground.complex_permittivity(GroundConstants(0.5, 0.0), 868e6),
        lambda: ground.complex_permittivity(GroundConstants(3.0, -1.0), 868e6),
        lambda: ground.soil_permittivity(868e6, 0.0, sand_percent=40, clay_percent=20, silt_percent=40),
        lambda: ground.soil_permittivity(868e6, 0.2, sand_percent=40, clay_percent=20, silt_percent=20),
        lambda: ground.water_permittivity(868e6, 90.0),
    ],
)
def test_an_undefined_ground_is_refused(call):
    with pytest.raises(DomainError):
        call()

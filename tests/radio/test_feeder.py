"""Coaxial cable, connectors, arrestor."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.radio import feeder
from linkcalc.units import METRES_PER_FOOT
from tests.validation.tables import read_rows

CABLES = read_rows(Path(__file__).parents[1] / "reference" / "coax_loss.csv")
CABLE_NAMES = [name for name in feeder.CABLE_TYPES if name != "none"]


@pytest.mark.parametrize("row", CABLES, ids=lambda row: row["cable_type"])
def test_cable_loss_agrees_with_the_handbook_at_its_frequencies(row):
    published = [float(row[f"db_per_100m_{mhz}mhz"]) for mhz in (150, 450, 850)]
    ours = feeder.cable_loss_db_per_100m(row["cable_type"], [150e6, 450e6, 850e6])
    np.testing.assert_allclose(ours, published, rtol=1e-12)


def test_every_cable_type_is_in_the_table_of_the_handbook():
    assert {row["cable_type"] for row in CABLES} == set(CABLE_NAMES)


def test_rg213_loss_is_the_same_in_feet_and_metres():
    # same guide: 4.97 dB per 100 ft at 450 MHz, printed to 0.01
    ours = feeder.feeder_loss_db("rg213", 100 * METRES_PER_FOOT, 450e6)
    assert ours == pytest.approx(4.97, abs=0.005)


def test_rg58_follows_the_foot_column_where_its_source_contradicts_itself():
    # the guide prints 11.75 dB per 100 ft and 35.5 dB per 100 m at 450 MHz; only one of them can be right
    per_100m = feeder.cable_loss_db_per_100m("rg58", 450e6)
    assert per_100m * METRES_PER_FOOT == pytest.approx(11.75, abs=0.02)
    # a sqrt(f) + b f through 150 and 850 MHz: nearer to 38.5 than to 35.5
    f = np.array([150.0, 850.0])
    a, b = np.linalg.solve(np.stack([np.sqrt(f), f], axis=-1), [20.0, 58.2])
    assert a * np.sqrt(450) + b * 450 == pytest.approx(38.5, rel=0.01)


@pytest.mark.parametrize("cable_type", CABLE_NAMES)
def test_915_mhz_costs_some_four_percent_more_than_850_mhz(cable_type):
    # common practice, no source: add 4 % to the 850 MHz column for 900 to 928 MHz
    low, high = feeder.cable_loss_db_per_100m(cable_type, [850e6, 915e6])
    assert high / low == pytest.approx(1.04, abs=0.012)


@pytest.mark.parametrize("cable_type", CABLE_NAMES)
def test_cable_law_meets_its_table_within_four_percent(cable_type):
    # the part of the loss that a sqrt(f) + b f does not explain
    _, rest = feeder._cable_law(cable_type)
    np.testing.assert_allclose(rest, 1.0, atol=0.042)


@given(st.sampled_from(CABLE_NAMES), st.floats(30e6, 0.99e9), st.floats(1.0, 1.3))
def test_cable_loss_rises_with_frequency(cable_type, frequency_hz, factor):
    higher = min(frequency_hz * factor, 1e9)
    low, high = feeder.cable_loss_db_per_100m(cable_type, [frequency_hz, higher])
    assert high >= low * (1 - 1e-12)


def test_feeder_sums_cable_connectors_and_arrestor():
    cable = feeder.feeder_loss_db("half_inch_foam", 25.0, 868e6)
    whole = feeder.feeder_loss_db(
        "half_inch_foam",
        25.0,
        868e6,
        connectors=4,
        connector_loss_db=0.1,
        arrestor=True,
        arrestor_loss_db=0.5,
    )
    assert whole - cable == pytest.approx(0.9)
    assert feeder.feeder_loss_db("none", 0.0, 868e6) == 0.0


def test_stated_loss_replaces_the_table():
    assert feeder.feeder_loss_db("rg58", 12.0, 868e6, loss_db_per_100m=50.0) == pytest.approx(6.0)


def test_unknown_cable_is_answered_with_the_nearest_names():
    with pytest.raises(DomainError, match=r"unknown cable type 'RG-58'; did you mean rg58"):
        feeder.cable_loss_db_per_100m("RG-58", 868e6)
    with pytest.raises(DomainError, match="types are: none, rg174"):
        feeder.cable_loss_db_per_100m("garden hose", 868e6)


def test_cable_table_is_not_carried_far_beyond_its_frequencies():
    with pytest.warns(OutOfRangeWarning, match="1 GHz"):
        loss = feeder.cable_loss_db_per_100m("rg213", 2.4e9)
    assert loss > feeder.cable_loss_db_per_100m("rg213", 1e9)


@pytest.mark.parametrize("arguments", [{"length_m": -1.0}, {"frequency_hz": 0.0}, {"connectors": -1}])
def test_an_impossible_feeder_is_refused(arguments):
    usual = {"cable_type": "rg58", "length_m": 10.0, "frequency_hz": 868e6}
    with pytest.raises(DomainError):
        feeder.feeder_loss_db(**(usual | arguments))

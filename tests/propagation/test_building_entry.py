"""Building entry loss of Rec. ITU-R P.2109 against published values."""

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation.building_entry import building_entry_loss_db, building_entry_sigma_db
from tests.validation import suite_p2109
from tests.validation.tables import read_rows

REFERENCE = Path(__file__).parents[1] / "reference"
DATA = os.environ.get("LINKCALC_REFERENCE_DATA")
frequencies = st.floats(80e6, 100e9)
buildings = st.sampled_from(["traditional", "thermally_efficient"])


@pytest.mark.parametrize("row", read_rows(REFERENCE / "p2109_building_entry.csv"))
def test_loss_meets_the_published_values_to_the_printed_digit(row: dict[str, str]) -> None:
    assert suite_p2109.loss(row) == pytest.approx(float(row["loss_db"]), abs=suite_p2109.TOLERANCE_DB)


@pytest.mark.skipif(DATA is None, reason="LINKCALC_REFERENCE_DATA is not set")
def test_every_published_value_at_hand_is_met() -> None:
    lines = list(suite_p2109.run(Path(DATA or "") / "reference"))
    assert sum(line.rows for line in lines) >= 280
    assert not [line for line in lines if line.missed]


@given(frequencies, buildings, st.floats(1e-6, 1 - 1e-6), st.floats(1e-6, 1 - 1e-6))
def test_a_loss_not_exceeded_more_often_is_larger(
    frequency: float, building: str, one: float, other: float
) -> None:
    rare, often = (building_entry_loss_db(frequency, p, building=building) for p in sorted((one, other)))
    assert rare <= often + 1e-9


@given(frequencies)
def test_a_thermally_efficient_building_loses_more_than_a_traditional_one(frequency: float) -> None:
    traditional, efficient = (
        building_entry_loss_db(frequency, building=kind) for kind in ("traditional", "thermally_efficient")
    )
    assert efficient > traditional + 5.0


@given(frequencies, buildings, st.floats(0.0, 90.0), st.floats(0.0, 90.0))
def test_a_steeper_path_loses_more_from_above_and_below(
    frequency: float, building: str, one: float, other: float
) -> None:
    flat, steep = sorted((one, other))
    losses = building_entry_loss_db(frequency, building=building, elevation_deg=[flat, steep, -steep])
    assert losses[0] <= losses[1] + 1e-9
    assert losses[1] == losses[2]


@given(frequencies, buildings)
def test_sigma_covers_two_thirds_of_the_buildings(frequency: float, building: str) -> None:
    low, high = building_entry_loss_db(frequency, [0.15865525, 0.84134475], building=building)
    sigma = building_entry_sigma_db(frequency, building=building)
    assert high - low == pytest.approx(2.0 * sigma, abs=1e-6)
    assert sigma > 0.0


def test_out_of_range_frequencies_are_refused_unless_asked_for() -> None:
    for model in (building_entry_loss_db, building_entry_sigma_db):
        with pytest.raises(DomainError, match=r"0\.08 to 100 GHz"):
            model(50e6)
        with pytest.warns(OutOfRangeWarning, match=r"0\.05 GHz"):
            assert model(50e6, extrapolate=True) > 0.0


@pytest.mark.parametrize(
    "arguments",
    [
        {"probability": 0.0},
        {"probability": 1.0},
        {"building": "shed"},
        {"elevation_deg": 91.0},
        {"frequency_hz": np.nan},
    ],
)
def test_an_undefined_argument_is_named(arguments: dict) -> None:
    with pytest.raises(DomainError, match=next(iter(arguments))):
        building_entry_loss_db(**{"frequency_hz": 868e6, **arguments})


def test_arguments_broadcast() -> None:
    assert building_entry_loss_db([433e6, 868e6], [[0.1], [0.5], [0.9]]).shape == (3, 2)
    assert isinstance(building_entry_loss_db(868e6), float)

from pathlib import Path

import numpy as np
import pytest

from linkcalc.errors import DomainError
from linkcalc.propagation.free_space import free_space_loss_db
from tests.validation.tables import number, read_rows

TABLE = Path(__file__).parents[1] / "reference" / "free_space_fresnel.csv"


@pytest.mark.parametrize("row", read_rows(TABLE))
def test_free_space_loss_is_the_published_one(row: dict[str, str]) -> None:
    loss = free_space_loss_db(float(row["distance_km"]) * 1e3, float(row["frequency_mhz"]) * 1e6)
    # printed to 0.1; the source rounds 117.25 down
    assert loss == pytest.approx(number(row, "loss_db"), abs=0.051)


def test_doubling_the_distance_or_the_frequency_costs_six_decibels() -> None:
    once = free_space_loss_db(1000.0, 868e6)
    assert free_space_loss_db(2000.0, 868e6) - once == pytest.approx(20 * np.log10(2), abs=1e-12)
    assert free_space_loss_db(1000.0, 1736e6) - once == pytest.approx(20 * np.log10(2), abs=1e-12)


def test_distances_and_frequencies_broadcast_and_numbers_give_numbers() -> None:
    assert np.shape(free_space_loss_db([[100.0], [200.0]], [433e6, 868e6, 915e6])) == (2, 3)
    assert isinstance(free_space_loss_db(100, 433e6), float)


@pytest.mark.parametrize(("distance", "frequency"), [(0.0, 868e6), (-1.0, 868e6), (1.0, 0.0), (np.nan, 1e9)])
def test_free_space_loss_without_a_distance_or_frequency_is_refused(
    distance: float, frequency: float
) -> None:
    with pytest.raises(DomainError):
        free_space_loss_db(distance, frequency)

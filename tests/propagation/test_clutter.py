"""Clutter loss of Rec. ITU-R P.2108 against published values, and refusals outside its range."""

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation.clutter import (
    CLUTTER_HEIGHT_M,
    height_gain_loss_db,
    statistical_loss_db,
    statistical_sigma_db,
)
from tests.validation import suite_p2108
from tests.validation.tables import number, read_rows, required

REFERENCE = Path(__file__).parents[1] / "reference"
DATA = os.environ.get("LINKCALC_REFERENCE_DATA")
kinds = st.sampled_from(sorted(CLUTTER_HEIGHT_M))


def half_a_unit(printed: str) -> float:
    return 0.5 * 10.0 ** -len(printed.partition(".")[2]) + 1e-4


@pytest.mark.parametrize("row", read_rows(REFERENCE / "p2108_height_gain.csv"))
def test_height_gain_meets_the_published_values(row: dict[str, str]) -> None:
    def loss() -> float:
        return height_gain_loss_db(
            required(row, "frequency_ghz") * 1e9,
            required(row, "height_m"),
            row["clutter"],
            clutter_height_m=required(row, "clutter_height_m"),
            street_width_m=required(row, "street_width_m"),
        )

    published = number(row, "loss_db")
    if published is None:
        with pytest.raises(DomainError):
            loss()
    else:
        assert loss() == pytest.approx(published, abs=half_a_unit(row["loss_db"]))


@pytest.mark.parametrize("row", read_rows(REFERENCE / "p2108_statistical.csv"))
def test_statistical_loss_meets_the_published_values(row: dict[str, str]) -> None:
    arguments = (
        required(row, "frequency_ghz") * 1e9,
        required(row, "distance_km") * 1e3,
        required(row, "location_percent"),
    )
    published = number(row, "loss_db")
    if published is None:
        with pytest.raises(DomainError):
            statistical_loss_db(*arguments)
    else:
        assert statistical_loss_db(*arguments) == pytest.approx(published, abs=half_a_unit(row["loss_db"]))


@pytest.mark.skipif(DATA is None, reason="LINKCALC_REFERENCE_DATA is not set")
def test_every_published_value_at_hand_is_met() -> None:
    lines = list(suite_p2108.run(Path(DATA or "") / "reference"))
    assert sum(line.rows for line in lines) >= 280
    assert not [line for line in lines if line.missed]


@pytest.mark.parametrize(("kind", "height_m"), CLUTTER_HEIGHT_M.items())
def test_an_antenna_above_the_roofs_loses_nothing(kind: str, height_m: float) -> None:
    assert height_gain_loss_db(868e6, [height_m, 2.0 * height_m], kind).tolist() == [0.0, 0.0]
    assert height_gain_loss_db(868e6, 0.3 * height_m, kind) > 5.0


@given(kinds, st.floats(0.5, 30.0), st.floats(0.5, 30.0), st.floats(30e6, 3e9))
def test_raising_an_antenna_among_clutter_never_adds_loss(
    kind: str, one: float, other: float, frequency: float
) -> None:
    low, high = sorted((one, other))
    assert height_gain_loss_db(frequency, high, kind) <= height_gain_loss_db(frequency, low, kind) + 1e-9


def test_433_mhz_is_refused_by_the_statistical_model_unless_asked_for() -> None:
    with pytest.raises(DomainError, match=r"0\.433 GHz is outside its range, 0\.5 to 67 GHz"):
        statistical_loss_db(433e6, 1000.0)
    with pytest.warns(OutOfRangeWarning, match=r"0\.433 GHz"):
        loss = statistical_loss_db(433e6, 1000.0, extrapolate=True)
    assert 0.0 < loss < statistical_loss_db(868e6, 1000.0)


def test_short_paths_are_refused_unless_asked_for() -> None:
    for model in (statistical_loss_db, statistical_sigma_db):
        with pytest.raises(DomainError, match=r"at least 0\.25 km"):
            model(868e6, 100.0)
        with pytest.warns(OutOfRangeWarning, match="distance"):
            model(868e6, 100.0, extrapolate=True)


def test_height_gain_below_30_mhz_only_on_request() -> None:
    with pytest.raises(DomainError, match="frequency"):
        height_gain_loss_db(27e6, 2.0, "open")
    with pytest.warns(OutOfRangeWarning, match="frequency"):
        assert height_gain_loss_db(27e6, 2.0, "open", extrapolate=True) > 0.0


@given(st.floats(0.5e9, 67e9), st.floats(250.0, 50e3), st.floats(0.1, 99.9), st.floats(0.1, 99.9))
def test_more_locations_never_lose_less(frequency: float, distance: float, one: float, other: float) -> None:
    few, many = sorted((one, other))
    assert (
        statistical_loss_db(frequency, distance, few) <= statistical_loss_db(frequency, distance, many) + 1e-9
    )


def test_beyond_two_kilometres_clutter_no_longer_grows() -> None:
    assert statistical_loss_db(868e6, 20e3) == statistical_loss_db(868e6, 2e3)
    assert statistical_loss_db(868e6, 1e3) < statistical_loss_db(868e6, 2e3)


@given(st.floats(0.5e9, 67e9), st.floats(250.0, 2000.0))
def test_sigma_is_the_step_from_median_to_84_percent(frequency: float, distance: float) -> None:
    step = statistical_loss_db(frequency, distance, 84.1344746) - statistical_loss_db(frequency, distance)
    sigma = statistical_sigma_db(frequency, distance)
    assert 4.0 <= sigma <= 6.0
    # within 2 km the loss may be held at its value for 2 km
    assert step <= sigma + 1e-6
    assert step > sigma - 0.2


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"clutter": "swamp"}, "clutter"),
        ({"height_m": 0.0}, "height_m"),
        ({"clutter_height_m": 0.0}, "clutter_height_m"),
        ({"street_width_m": 0.0}, "street_width_m"),
        ({"frequency_hz": np.inf}, "frequency_hz"),
    ],
)
def test_an_undefined_argument_is_named(change: dict, named: str) -> None:
    arguments = {"frequency_hz": 868e6, "height_m": 2.0, "clutter": "suburban", **change}
    with pytest.raises(DomainError, match=named):
        height_gain_loss_db(**arguments)


def test_arguments_broadcast() -> None:
    heights = np.array([[2.0], [5.0], [12.0]])
    assert height_gain_loss_db([433e6, 868e6], heights, "suburban").shape == (3, 2)
    assert statistical_loss_db([868e6, 915e6], [[1e3], [2e3]], 50.0).shape == (2, 2)
    assert isinstance(statistical_loss_db(868e6, 1e3), float)

"""The irregular terrain model against its published vectors, and the laws it must keep."""

import os
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation.free_space import free_space_loss_db
from linkcalc.propagation.ground import GroundConstants
from linkcalc.propagation.irregular import (
    Atmosphere,
    Terrain,
    Variability,
    area_loss_db,
    point_to_point_loss_db,
)
from tests.validation import suite_itm
from tests.validation.tables import gathered, read_rows

REFERENCE = Path(__file__).parents[1] / "reference"
DATA = os.environ.get("LINKCALC_REFERENCE_DATA")
HALF_A_TENTH = 0.05 + 1e-4

EXAMPLE: dict[str, Any] = {
    "tx_height_m": 15.0,
    "rx_height_m": 3.0,
    "frequency_hz": 3500e6,
    "climate": "continental_temperate",
    "mode": "accidental",
}
LINK: dict[str, Any] = {"tx_height_m": 6.0, "rx_height_m": 2.0, "frequency_hz": 868e6}


def loss_db(distance_m: Any, ground_m: Any, **arguments: Any) -> Any:
    rest = gathered(arguments, atmosphere=Atmosphere, variability=Variability)
    return point_to_point_loss_db(distance_m, ground_m, **rest)


def example_profile() -> np.ndarray:
    rows = read_rows(REFERENCE / "itm_example_profile.csv")
    return np.repeat([float(row["height_m"]) for row in rows], [int(row["points"]) for row in rows])


def rolling_profile(seed: int, points: int = 201) -> np.ndarray:
    steps = np.random.default_rng(seed).normal(0.0, 2.0, points + 8)
    return np.convolve(np.cumsum(steps), np.ones(9) / 9.0, "valid")


@pytest.mark.parametrize("row", read_rows(REFERENCE / "itm_area.csv"))
def test_area_mode_meets_the_published_vectors_to_the_printed_digit(row: dict[str, str]) -> None:
    assert suite_itm.area(REFERENCE, row) == pytest.approx(float(row["A__db"]), abs=HALF_A_TENTH)


def test_published_example_is_met_at_every_confidence_and_reliability() -> None:
    rows = read_rows(REFERENCE / "itm_example_losses.csv")
    loss = loss_db(
        25.6,
        example_profile(),
        time_percent=[float(row["reliability_pct"]) for row in rows],
        situation_percent=[float(row["confidence_pct"]) for row in rows],
        **EXAMPLE,
    )
    np.testing.assert_allclose(loss, [float(row["A__db"]) for row in rows], rtol=0, atol=HALF_A_TENTH)


def test_published_example_is_met_at_every_intermediate_value() -> None:
    # NTIA/ITS software v1.4, output of the command example; half of the last printed digit.
    found = loss_db(25.6, example_profile(), detail=True, **EXAMPLE)
    assert found.free_space_loss_db == pytest.approx(114.5, abs=0.05)
    assert found.tx_horizon_angle_rad == pytest.approx(-1.949e-3, abs=0.5e-6)
    assert found.rx_horizon_angle_rad == pytest.approx(-0.856e-3, abs=0.5e-6)
    assert found.tx_horizon_distance_m == pytest.approx(14_868, abs=0.5)
    assert found.rx_horizon_distance_m == pytest.approx(6_494, abs=0.5)
    assert found.delta_h_m == pytest.approx(3.2, abs=0.05)
    assert found.surface_refractivity == pytest.approx(251.5, abs=0.05)
    assert found.reference_attenuation_db == 0.0
    assert found.mode == "line_of_sight"


@pytest.mark.skipif(DATA is None, reason="LINKCALC_REFERENCE_DATA is not set")
def test_every_published_vector_at_hand_is_met() -> None:
    lines = list(suite_itm.run(Path(DATA or "") / "reference"))
    assert sum(line.rows for line in lines) >= 14
    assert not [line for line in lines if line.missed]


def test_flat_ground_loses_what_two_rays_lose() -> None:
    # Plane-earth formula, textbook: 40 log d - 20 log h1 h2, well beyond the last maximum.
    loss = loss_db(50.0, np.zeros(101), **LINK)
    assert loss == pytest.approx(40.0 * np.log10(5000.0) - 20.0 * np.log10(12.0), abs=1.0)


def test_between_two_summits_the_loss_is_nearly_that_of_free_space() -> None:
    x = np.linspace(-1.0, 1.0, 401)
    found = loss_db(50.0, 600.0 * x**2, detail=True, **LINK)
    assert found.loss_db == pytest.approx(free_space_loss_db(20e3, 868e6), abs=4.0)


def test_a_ridge_between_the_antennas_costs_decibels() -> None:
    flat, ridge = np.zeros(201), np.zeros(201)
    ridge[95:106] = 60.0
    assert loss_db(50.0, ridge, **LINK) > loss_db(50.0, flat, **LINK) + 10.0


def test_far_beyond_the_horizon_scatter_takes_over() -> None:
    found = area_loss_db([5e3, 60e3, 600e3], Terrain(30.0), detail=True, **LINK)
    assert found.mode.tolist() == ["line_of_sight", "diffraction", "troposcatter"]


@given(seed=st.integers(0, 10_000), distance_km=st.floats(5.0, 40.0), height=st.floats(1.0, 30.0))
def test_a_link_loses_the_same_in_both_directions(seed: int, distance_km: float, height: float) -> None:
    # The irregularity is sampled from the transmitter's end, so the two differ by a little.
    z, spacing = rolling_profile(seed), distance_km * 1e3 / 200
    there = loss_db(spacing, z, tx_height_m=height, rx_height_m=3.0, frequency_hz=868e6)
    back = loss_db(spacing, z[::-1], tx_height_m=3.0, rx_height_m=height, frequency_hz=868e6)
    assert there == pytest.approx(back, abs=0.5)


@pytest.mark.parametrize("climate", range(1, 8))
@pytest.mark.parametrize("variability", range(4))
def test_asking_for_more_certainty_never_lowers_the_loss(climate: int, variability: int) -> None:
    percent = np.linspace(1.0, 99.0, 50)
    for name in ("time_percent", "location_percent", "situation_percent"):
        loss = loss_db(
            100.0, rolling_profile(1), climate=climate, mode=variability, **LINK, **{name: percent}
        )
        assert (np.diff(loss) >= -1e-9).all()


def test_raising_an_antenna_over_flat_ground_never_adds_loss() -> None:
    loss = loss_db(
        50.0, np.zeros(101), tx_height_m=6.0, rx_height_m=np.linspace(1.0, 12.0, 23), frequency_hz=868e6
    )
    assert (np.diff(loss) < 0.0).all()


def test_heights_frequencies_and_percentages_broadcast() -> None:
    z = rolling_profile(3)
    heights, percents = np.array([[2.0], [5.0]]), np.array([10.0, 50.0, 90.0])
    together = loss_db(
        100.0, z, tx_height_m=6.0, rx_height_m=heights, frequency_hz=868e6, situation_percent=percents
    )
    assert together.shape == (2, 3)
    one = loss_db(100.0, z, tx_height_m=6.0, rx_height_m=5.0, frequency_hz=868e6, situation_percent=90.0)
    assert isinstance(one, float)
    assert together[1, 2] == pytest.approx(one, abs=1e-9)


def test_uneven_points_on_even_slopes_change_next_to_nothing() -> None:
    corners = np.array([0.0, 1000.0, 3000.0, 6000.0])
    heights = np.array([100.0, 160.0, 80.0, 120.0])
    even = np.linspace(0.0, 6000.0, 61)
    uneven = np.unique(np.concatenate([even, [130.0, 2950.0, 4444.0]]))
    first, second = (loss_db(x, np.interp(x, corners, heights), **LINK) for x in (even, uneven))
    assert second == pytest.approx(first, abs=0.5)


def test_positions_and_spacing_say_the_same() -> None:
    z = rolling_profile(4)
    assert loss_db(100.0 * np.arange(201), z, **LINK) == pytest.approx(loss_db(100.0, z, **LINK), abs=1e-9)


def test_words_and_codes_mean_the_same_variability() -> None:
    z = rolling_profile(5)
    percents = {"time_percent": 80.0, "location_percent": 70.0, "situation_percent": 95.0}
    for code, word in enumerate(("single_message", "accidental", "mobile", "broadcast")):
        for add, spreads in (
            (0, {}),
            (10, {"location_spread": False}),
            (20, {"situation_spread": False}),
            (30, {"location_spread": False, "situation_spread": False}),
        ):
            by_code = loss_db(100.0, z, mode=code + add, **percents, **LINK)
            by_word = loss_db(100.0, z, mode=word, **spreads, **percents, **LINK)
            assert by_code == by_word


def test_leaving_out_a_spread_lowers_the_loss_at_high_confidence() -> None:
    z = rolling_profile(5)
    both = loss_db(100.0, z, situation_percent=95.0, **LINK)
    for spread in ("location_spread", "situation_spread"):
        assert loss_db(100.0, z, situation_percent=95.0, **{spread: False}, **LINK) < both


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"tx_height_m": 0.0}, "tx_height_m"),
        ({"rx_height_m": np.nan}, "rx_height_m"),
        ({"frequency_hz": -1.0}, "frequency_hz"),
        ({"ground": GroundConstants(1.0, 0.005)}, "relative_permittivity"),
        ({"ground": GroundConstants(15.0, -0.1)}, "conductivity_s_m"),
        ({"polarisation": "circular"}, "polarisation"),
        ({"climate": "polar"}, "climate"),
        ({"climate": 8}, "climate"),
        ({"mode": 44}, "variability mode"),
        ({"mode": "often"}, "variability mode"),
        ({"time_percent": 0.0}, "time_percent"),
        ({"situation_percent": 100.0}, "situation_percent"),
        ({"n0": 700.0}, "n0"),
    ],
)
def test_an_undefined_argument_is_named(change: dict[str, Any], named: str) -> None:
    with pytest.raises(DomainError, match=named):
        loss_db(50.0, np.zeros(101), **{**LINK, **change})


@pytest.mark.parametrize(
    ("distance", "ground"),
    [
        (50.0, [1.0]),
        (50.0, [[0.0, 0.0], [0.0, 0.0]]),
        (0.0, [0.0, 0.0]),
        ([0.0, 1e3, 1e3], [0.0, 0.0, 0.0]),
        ([10.0, 1e3, 2e3], [0.0, 0.0, 0.0]),
        ([0.0, 1e3], [0.0, 0.0, 0.0]),
        ([0.0, 1e3, 2e3], [0.0, np.nan, 0.0]),
    ],
)
def test_a_profile_that_is_none_is_refused(distance: Any, ground: Any) -> None:
    with pytest.raises(DomainError, match=r"distance_m|ground_m"):
        loss_db(distance, ground, **LINK)


@pytest.mark.parametrize(
    ("spacing", "change", "limit"),
    [
        (5.0, {}, "distance outside 1 to 2000 km"),
        (50.0, {"rx_height_m": 0.3}, "antenna height outside"),
        (50.0, {"frequency_hz": 10e6}, "frequency outside"),
        (50.0, {"n0": 420.0}, "n0 outside"),
    ],
)
def test_outside_the_range_of_the_model_the_number_comes_with_a_warning(
    spacing: float, change: dict[str, Any], limit: str
) -> None:
    with pytest.warns(OutOfRangeWarning, match=limit):
        loss = loss_db(spacing, np.zeros(101), **{**LINK, **change})
    assert np.isfinite(loss)


def test_a_cliff_between_the_antennas_warns_of_a_steep_horizon() -> None:
    ground = np.zeros(101)
    ground[3:] = 400.0
    with pytest.warns(OutOfRangeWarning, match="horizon steeper"):
        loss_db(50.0, ground, **LINK)


@pytest.mark.parametrize("at", [10, 20, 30, 70])
@pytest.mark.parametrize("spacing_m", [25.6, 33.3, 12.34])
def test_a_horizon_is_as_far_as_the_steps_to_it_added_up(spacing_m: float, at: int) -> None:
    """As the NTIA/ITS reference software adds: a tenth of it, cut to whole steps, hangs on the last bit."""
    ground = np.zeros(101)
    ground[at] = 60.0
    near_m, far_m = 0.0, 100 * spacing_m
    for _ in range(at):
        near_m += spacing_m
        far_m -= spacing_m
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        found = loss_db(spacing_m, ground, detail=True, **LINK)
    assert (found.tx_horizon_distance_m, found.rx_horizon_distance_m) == (near_m, far_m)


def test_a_horizon_at_the_foot_of_a_tall_mast_is_refused_by_name() -> None:
    ground = np.zeros(61)
    ground[1] = 298.0
    with (
        pytest.warns(OutOfRangeWarning, match="horizon steeper"),
        pytest.raises(DomainError, match=r"irregular terrain model is not defined .* horizon is too near"),
    ):
        loss_db(20.0, ground, **{**LINK, "tx_height_m": 300.0, "frequency_hz": 100e6})


def test_careful_siting_lowers_the_loss() -> None:
    losses = [
        area_loss_db(20e3, Terrain(90.0, rx_siting=siting), **LINK)
        for siting in ("random", "careful", "very_careful")
    ]
    assert losses == sorted(losses, reverse=True)
    assert losses[0] > losses[2]

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError
from linkcalc.propagation.diffraction import diffraction_parameter
from linkcalc.propagation.fresnel import clearance_ratio, earth_bulge_m, fresnel_radius_m
from tests.validation.tables import number, read_rows

TABLE = Path(__file__).parents[1] / "reference" / "free_space_fresnel.csv"
PRINTED = [row for row in read_rows(TABLE) if row["radius_m"]]


@pytest.mark.parametrize("row", PRINTED)
def test_first_fresnel_zone_at_mid_path_is_the_published_one(row: dict[str, str]) -> None:
    half = float(row["distance_km"]) * 500.0
    radius = fresnel_radius_m(half, half, float(row["frequency_mhz"]) * 1e6)
    assert radius == pytest.approx(number(row, "radius_m"), abs=0.051)


def test_sixty_percent_of_the_first_zone_follows_the_planners_rule() -> None:
    # 0.6 F1 = 10.4 sqrt(d1 d2 / (f D)), m, km, GHz: a planning manual, table 3-1; recomputed 10.39
    assert 0.6 * fresnel_radius_m(500.0, 500.0, 1e9) == pytest.approx(10.39 * 0.5, abs=0.003)


def test_higher_zones_grow_with_the_root_of_their_number() -> None:
    radius = fresnel_radius_m(300.0, 700.0, 868e6, np.array([1, 4, 9]))
    assert radius / radius[0] == pytest.approx([1.0, 2.0, 3.0], rel=1e-12)


def test_earth_bulge_at_mid_path_is_the_handbook_one() -> None:
    # 0.37 m at 5 km and 1.47 m at 10 km for k = 4/3, twice that for k = 2/3: recomputed textbook values
    assert earth_bulge_m(2500.0, 2500.0, 4 / 3) == pytest.approx(0.37, abs=0.005)
    assert earth_bulge_m(5000.0, 5000.0, 4 / 3) == pytest.approx(1.47, abs=0.005)
    assert earth_bulge_m(5000.0, 5000.0, 2 / 3) == pytest.approx(2 * earth_bulge_m(5000.0, 5000.0, 4 / 3))


def test_an_edge_in_the_ray_has_ratio_zero_and_its_ends_are_free() -> None:
    bulge = earth_bulge_m(1000.0, 3000.0, 4 / 3)
    ratio = clearance_ratio([0.0, 1000.0, 4000.0], [5.0, 12.0 - bulge, 6.0], 11.0, 15.0, 868e6, 4 / 3)
    assert ratio[1] == pytest.approx(0.0, abs=1e-12)
    assert np.isposinf(ratio[[0, 2]]).all()


@given(
    top=st.floats(0.0, 60.0),
    tx=st.floats(1.0, 40.0),
    rx=st.floats(1.0, 40.0),
    step=st.floats(0.1, 20.0),
)
def test_raising_the_mast_never_lowers_clearance(top: float, tx: float, rx: float, step: float) -> None:
    d, tops = [0.0, 700.0, 1500.0, 2600.0], [0.0, top, top / 2, 0.0]
    low = clearance_ratio(d, tops, tx, rx, 915e6)
    high = clearance_ratio(d, tops, tx + step, rx, 915e6)
    assert (high[1:-1] > low[1:-1]).all()


def test_clearance_is_minus_the_diffraction_parameter_over_root_two() -> None:
    # two definitions of the same geometry: nu = sqrt(2) h / R1
    ratio = clearance_ratio([0.0, 800.0, 2000.0], [0.0, 20.0, 0.0], 10.0, 8.0, 868e6, 4 / 3)[1]
    above = 20.0 + earth_bulge_m(800.0, 1200.0, 4 / 3) - (10.0 * 1200.0 + 8.0 * 800.0) / 2000.0
    assert -np.sqrt(2) * ratio == pytest.approx(diffraction_parameter(above, 800.0, 1200.0, 868e6), rel=1e-12)


def test_frequencies_and_k_factors_broadcast_against_the_profile() -> None:
    d, tops = np.linspace(0.0, 5000.0, 11), np.zeros(11)
    ratio = clearance_ratio(d, tops, 10.0, 10.0, np.array([[433e6], [868e6]]), np.array([[2 / 3], [4 / 3]]))
    assert ratio.shape == (2, 11)
    assert ratio[1] == pytest.approx(clearance_ratio(d, tops, 10.0, 10.0, 868e6, 4 / 3))


@pytest.mark.parametrize(
    ("distance", "top"),
    [([0.0, 2.0, 1.0], [0.0] * 3), ([0.0], [0.0]), ([0.0, 1.0], [0.0] * 3), ([0.0, 1.0], [0.0, np.nan])],
)
def test_a_profile_that_cannot_be_used_is_refused(distance: list[float], top: list[float]) -> None:
    with pytest.raises(DomainError):
        clearance_ratio(distance, top, 10.0, 10.0, 868e6)


def test_no_fresnel_zone_without_a_path() -> None:
    with pytest.raises(DomainError, match="above 0"):
        fresnel_radius_m(0.0, 0.0, 868e6)

"""Refractivity, effective earth radius and what a climate lets expect."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError
from linkcalc.propagation import refractivity as air

TABLE = Path(__file__).parents[1] / "reference" / "refractivity_places.csv"

CLIMATES = ("temperate", "continental", "maritime", "desert", "subtropical", "equatorial")


def test_dry_air_of_the_standard_atmosphere_has_273_n_units() -> None:
    # 77.6 P / T of Rec. ITU-R P.453 at 1013.25 hPa and 15 degrees C, worked by hand.
    assert air.refractivity(1013.25, 288.15, 0.0) == pytest.approx(272.87, abs=0.01)


def test_water_vapour_adds_the_larger_share_of_what_varies() -> None:
    # 77.6 * 4810 / T^2 per hPa of vapour: 4.5 N-units at 15 degrees C.
    moist = air.refractivity(1013.25, 288.15, [0.0, 1.0])
    assert moist[1] - moist[0] == pytest.approx(4.495, abs=0.005)


@pytest.mark.parametrize(
    ("celsius", "hpa"),
    [(0.0, 6.11), (10.0, 12.27), (20.0, 23.39), (30.0, 42.47)],  # steam tables, saturation over water
)
def test_saturated_vapour_pressure_agrees_with_steam_tables(celsius: float, hpa: float) -> None:
    # moist air at ordinary pressure holds 0.4 % more than the pure vapour of the tables
    assert air.vapour_pressure_hpa(celsius + 273.15, 100.0) == pytest.approx(1.004 * hpa, rel=0.002)
    assert air.vapour_pressure_hpa(celsius + 273.15, 50.0) == pytest.approx(0.502 * hpa, rel=0.002)


def test_reference_atmosphere_falls_by_40_n_units_in_its_first_kilometre() -> None:
    # Rec. ITU-R P.453: 315 exp(-h / 7.35 km).
    first = air.exponential_refractivity(np.array([0.0, 1000.0]))
    assert first[0] - first[1] == pytest.approx(40.1, abs=0.1)


@pytest.mark.parametrize(
    ("delta_n", "k"),
    [(39.0, 1.33), (0.0, 1.0), (-78.5, 2.0 / 3.0), (78.5, 2.0)],  # k = 157 / (157 - delta N), by hand
)
def test_a_lapse_gives_its_k_factor(delta_n: float, k: float) -> None:
    assert air.k_factor(delta_n) == pytest.approx(k, abs=0.005)


@given(st.floats(-300.0, 150.0))
def test_k_and_lapse_convert_back(delta_n: float) -> None:
    assert air.delta_n_from_k(air.k_factor(delta_n)) == pytest.approx(delta_n, abs=1e-9)


def test_ducting_has_no_k_factor() -> None:
    with pytest.raises(DomainError, match="157"):
        air.k_factor(157.0)
    with pytest.raises(DomainError):
        air.delta_n_from_k(0.0)


def test_301_n_units_at_the_surface_mean_four_thirds_of_the_earth() -> None:
    # NBS Technical Note 101, as NTIA Report 82-100 cites it: Ns = 301 goes with k 4/3.
    assert air.k_factor(air.delta_n_from_surface(301.0)) == pytest.approx(4.0 / 3.0, abs=0.001)
    assert air.effective_earth_radius_m(4.0 / 3.0) == pytest.approx(8.4947e6, rel=1e-4)


@pytest.mark.parametrize("climate", CLIMATES)
def test_every_climate_stays_within_the_range_of_the_world_maps(climate: str) -> None:
    # delta N 24.6 to 79.9, N0 294.3 to 389.1 on the maps of P.1812-8; months swing about the year
    for month in (None, *range(1, 13)):
        found = air.climate_refractivity(climate, month)
        assert 24.6 < found.delta_n < 79.9
        assert 294.3 < found.n0 < 389.1


def places(climate: str) -> np.ndarray:
    """N0, delta N, k at 50 and 99.9 % of the year at the places of a climate; NaN where not read."""
    rows = [line.split(",") for line in TABLE.read_text().splitlines()[3:]]
    return np.array([[float(x or "nan") for x in row[2:]] for row in rows if row[1] == climate])


@pytest.mark.parametrize("climate", CLIMATES)
def test_a_climate_is_that_of_its_places_on_the_world_maps(climate: str) -> None:
    at, found = places(climate), air.climate_refractivity(climate)
    assert at[:, 0].min() - 8.0 <= found.n0 <= at[:, 0].max() + 8.0
    assert at[:, 1].min() - 1.0 <= found.delta_n <= at[:, 1].max() + 1.0
    read = np.isfinite(at[:, 2])
    assert air.k_factor(at[read, 1]) == pytest.approx(at[read, 2], abs=0.006)
    assert air.annual_low_k_factor(climate) == pytest.approx(np.nanmin(at[:, 3]), abs=0.051)
    assert air.annual_low_k_factor(climate) < air.k_factor(found.delta_n)


@pytest.mark.parametrize("climate", CLIMATES)
def test_summer_comes_half_a_year_later_south_of_the_equator(climate: str) -> None:
    north = air.climate_refractivity(climate, 7)
    south = air.climate_refractivity(climate, 1, latitude_deg=-33.0)
    winter = air.climate_refractivity(climate, 1)
    assert north == south
    assert north.delta_n > winter.delta_n
    months = [air.climate_refractivity(climate, month).n0 for month in range(1, 13)]
    assert np.mean(months) == pytest.approx(air.climate_refractivity(climate).n0)


def test_low_k_rises_from_a_half_to_one_with_path_length() -> None:
    # Rec. ITU-R P.530, section 2.2, from memory: 0.5 on short paths, 1 from about 200 km.
    k = air.low_k_factor(np.geomspace(1e3, 500e3, 40))
    assert k[0] == 0.5
    assert k[-1] == 1.0
    assert (np.diff(k) >= 0.0).all()


@pytest.mark.parametrize("climate", CLIMATES)
def test_clearance_k_lies_below_the_median_of_every_climate(climate: str) -> None:
    assert air.low_k_factor(100e3, climate) < air.k_factor(air.climate_refractivity(climate).delta_n)


def test_undefined_arguments_are_refused() -> None:
    for wrong in (
        lambda: air.climate_refractivity("polar"),
        lambda: air.climate_refractivity("temperate", 13),
        lambda: air.climate_refractivity("temperate", latitude_deg=95.0),
        lambda: air.low_k_factor(0.0),
        lambda: air.low_k_factor(1e3, "polar"),
        lambda: air.annual_low_k_factor("polar"),
        lambda: air.refractivity(1013.0, 0.0, 0.0),
        lambda: air.vapour_pressure_hpa(293.0, 120.0),
        lambda: air.vapour_pressure_hpa(400.0, 50.0),
        lambda: air.delta_n_from_surface(0.0),
        lambda: air.effective_earth_radius_m(-1.0),
        lambda: air.exponential_refractivity(100.0, 0.0),
    ):
        with pytest.raises(DomainError):
            wrong()

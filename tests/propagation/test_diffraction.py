import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation import diffraction as df
from tests.benchmarks import straight_p1812 as straight
from tests.validation.tables import number, read_rows

REFERENCE = Path(__file__).parents[1] / "reference"
EDGES = read_rows(REFERENCE / "knife_edge.csv")
FLAT_LAND = read_rows(REFERENCE / "p526_flat_land.csv")


# ---------------------------------------------------------------- single edges


@pytest.mark.parametrize("row", EDGES)
def test_knife_edge_loss_is_the_published_one(row: dict[str, str]) -> None:
    nu = float(row["nu"])
    assert df.knife_edge_loss_db(nu) == pytest.approx(number(row, "approximate_db"), abs=0.0051)
    exact = number(row, "exact_db")
    if exact is not None:
        assert df.knife_edge_loss_exact_db(nu) == pytest.approx(exact, abs=0.00051)


def test_the_approximation_stays_close_to_the_fresnel_integral() -> None:
    nu = np.linspace(-0.7, 10.0, 2000)
    error = df.knife_edge_loss_db(nu) - df.knife_edge_loss_exact_db(nu)
    # 0.123 dB near nu = 4.6: recomputed from the integral
    assert np.abs(error).max() == pytest.approx(0.123, abs=0.001)
    assert nu[np.abs(error).argmax()] == pytest.approx(4.6, abs=0.2)


def test_the_fresnel_integral_agrees_with_direct_integration() -> None:
    # definition: (1 + j)/2 times the integral of exp(-j pi t^2 / 2) from nu to infinity
    for nu in (-1.5, 0.3, 1.7):
        c = 0.5 - quad(lambda t: np.cos(np.pi / 2 * t**2), 0, nu)[0]
        s = 0.5 - quad(lambda t: np.sin(np.pi / 2 * t**2), 0, nu)[0]
        direct = -20 * np.log10(abs((1 + 1j) / 2 * (c - 1j * s)))
        assert df.knife_edge_loss_exact_db(nu) == pytest.approx(direct, abs=1e-9)


def test_deep_shadow_follows_its_leading_term_without_a_step() -> None:
    below, above = df.knife_edge_loss_exact_db([999.999, 1000.001])
    assert above - below == pytest.approx(0.0, abs=1e-4)
    assert df.knife_edge_loss_exact_db(1e9) == pytest.approx(20 * np.log10(np.sqrt(2) * np.pi * 1e9))


@given(st.floats(-5.0, 50.0), st.floats(0.0, 5.0))
def test_loss_never_falls_when_an_edge_grows(nu: float, growth: float) -> None:
    assert df.knife_edge_loss_db(nu + growth) >= df.knife_edge_loss_db(nu) - 1e-12


def test_a_rounded_obstacle_loses_more_the_rounder_it_is_and_no_less_than_an_edge() -> None:
    radius = np.array([0.0, 1e-6, 1.0, 10.0, 100.0, 300.0])
    loss = df.rounded_obstacle_loss_db(8.0, 1500.0, 2500.0, radius, 868e6)
    edge = df.knife_edge_loss_db(df.diffraction_parameter(8.0, 1500.0, 2500.0, 868e6))
    assert loss[0] == pytest.approx(edge, abs=1e-12)
    assert loss[1] == pytest.approx(edge, abs=0.05)
    assert (np.diff(loss) > 0.0).all()


def test_both_branches_of_the_rounded_obstacle_meet() -> None:
    # 0.04 dB for m = 0.2, 0.5, 0.8: recomputed where m n = 4
    lam = 299_792_458.0 / 868e6
    for m in (0.2, 0.5, 0.8):
        radius = 200.0
        d = 2 * radius / (m * np.cbrt(np.pi * radius / lam))
        n = np.array([4.0 / m * (1 - 1e-9), 4.0 / m * (1 + 1e-9)])
        height = n * radius / np.cbrt(np.pi * radius / lam) ** 2
        below, above = df.rounded_obstacle_loss_db(height, d, d, radius, 868e6)
        assert above - below == pytest.approx(0.0, abs=0.045)


# ---------------------------------------------------------------- two edges


def test_two_equal_edges_moved_together_are_one_edge() -> None:
    one = df.knife_edge_loss_db(df.diffraction_parameter(20.0, 1000.0, 1000.0, 868e6))
    both = df.double_edge_loss_db(20.0, 20.0, 1000.0, 1e-6, 1000.0, 868e6)
    assert both == pytest.approx(one, abs=0.06)  # J(0) is 6.03, the correction 12 - 20 log 2


@given(
    st.floats(1.0, 40.0),
    st.floats(-20.0, 40.0),
    st.floats(50.0, 3e3),
    st.floats(50.0, 3e3),
    st.floats(50.0, 3e3),
)
def test_two_edges_lose_the_same_both_ways(h1: float, h2: float, a: float, b: float, c: float) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        for form in ("dominant", "comparable"):
            there = df.double_edge_loss_db(h1, h2, a, b, c, 868e6, form=form)
            back = df.double_edge_loss_db(h2, h1, c, b, a, 868e6, form=form)
            assert there == pytest.approx(back, abs=1e-9)


def test_lesser_edges_are_not_corrected_as_comparable_ones_and_it_is_said() -> None:
    """P.526-13, section 4.3: the correction is valid where each edge loses more than about 15 dB."""
    # 12 m edges, 5 m apart in the middle of 2 km: the correction would be 20 dB
    with pytest.warns(OutOfRangeWarning, match="15 dB"):
        close = df.double_edge_loss_db(12.0, 12.0, 997.5, 5.0, 997.5, 868e6, form="comparable")
    each = df.knife_edge_loss_db(df.diffraction_parameter(12.0 - 12.0 * 997.5 / 1002.5, 997.5, 5.0, 868e6))
    assert close == pytest.approx(2.0 * each)


def test_two_edges_far_apart_in_deep_shadow_agree_by_both_forms() -> None:
    arguments = (60.0, 55.0, 2000.0, 3000.0, 2000.0, 868e6)
    dominant = df.double_edge_loss_db(*arguments)
    comparable = df.double_edge_loss_db(*arguments, form="comparable")
    assert dominant == pytest.approx(comparable, abs=3.0)


def test_a_second_edge_far_below_the_ray_adds_nothing() -> None:
    one = df.knife_edge_loss_db(df.diffraction_parameter(20.0, 1000.0, 2000.0, 868e6))
    assert df.double_edge_loss_db(20.0, -200.0, 1000.0, 500.0, 1500.0, 868e6) == pytest.approx(one)
    assert df.double_edge_loss_db(-50.0, -50.0, 1000.0, 500.0, 1500.0, 868e6) == 0.0


def test_an_unknown_form_is_refused() -> None:
    with pytest.raises(DomainError, match="form"):
        df.double_edge_loss_db(1.0, 1.0, 1.0, 1.0, 1.0, 1e9, form="other")  # type: ignore[arg-type]


# ---------------------------------------------------------------- profiles


@st.composite
def profiles(draw: st.DrawFn) -> dict[str, np.ndarray]:
    n = draw(st.integers(3, 30))
    steps = draw(st.lists(st.floats(20.0, 3000.0), min_size=n - 1, max_size=n - 1))
    ground = draw(st.lists(st.floats(0.0, 300.0), min_size=n, max_size=n))
    clutter = draw(st.lists(st.sampled_from([0.0, 0.0, 3.0, 15.0]), min_size=n, max_size=n))
    return {
        "distance_m": np.concatenate([[0.0], np.cumsum(steps)]),
        "ground_m": np.array(ground),
        "clutter_m": np.array(clutter),
    }


LINK = {"tx_height_m": 12.0, "rx_height_m": 4.0, "frequency_hz": 868e6}


@pytest.mark.parametrize("row", FLAT_LAND)
def test_flat_land_is_the_published_one(row: dict[str, str]) -> None:
    length, step = float(row["length_km"]), float(row["step_km"])
    d = np.linspace(0.0, length * 1e3, round(length / step) + 1)
    arguments = {
        "tx_height_m": float(row["htg_m"]),
        "rx_height_m": float(row["hrg_m"]),
        "frequency_hz": float(row["f_ghz"]) * 1e9,
        "k_factor": float(row["ae_km"]) / 6371.0,
    }
    spherical = df.spherical_earth_loss_db(d, 0 * d, **arguments)
    assert spherical == pytest.approx(number(row, "ldsph_db"), abs=1e-6)
    assert df.delta_bullington_loss_db(d, 0 * d, **arguments) == pytest.approx(
        number(row, "ld50_db"), abs=1e-6
    )
    smooth = df.smooth_earth_loss_db(
        length * 1e3, 10.0, 10.0, arguments["frequency_hz"], k_factor=arguments["k_factor"]
    )
    assert smooth == pytest.approx(spherical, abs=1e-9)


@given(profiles(), st.sampled_from(["vertical", "horizontal"]), st.floats(0.5, 10.0))
def test_diffraction_loses_the_same_both_ways(
    profile: dict[str, np.ndarray], polarisation: str, k_factor: float
) -> None:
    there = df.delta_bullington_loss_db(**profile, **LINK, polarisation=polarisation, k_factor=k_factor)
    back = df.delta_bullington_loss_db(
        profile["distance_m"][-1] - profile["distance_m"][::-1],
        profile["ground_m"][::-1],
        clutter_m=profile["clutter_m"][::-1],
        tx_height_m=LINK["rx_height_m"],
        rx_height_m=LINK["tx_height_m"],
        frequency_hz=LINK["frequency_hz"],
        polarisation=polarisation,
        k_factor=k_factor,
    )
    assert there == pytest.approx(back, abs=1e-6)


@given(profiles(), st.data())
def test_bullington_loss_never_falls_when_an_obstacle_grows(
    profile: dict[str, np.ndarray], data: st.DataObject
) -> None:
    at = data.draw(st.integers(1, profile["ground_m"].size - 2))
    before = df.bullington_loss_db(**profile, **LINK)
    profile["clutter_m"][at] += data.draw(st.floats(0.0, 100.0))
    assert df.bullington_loss_db(**profile, **LINK) >= before - 1e-9


@given(profiles())
@settings(max_examples=50)
def test_bullington_is_the_one_of_a_straight_writing(profile: dict[str, np.ndarray]) -> None:
    top = profile["ground_m"] + profile["clutter_m"]
    ends = profile["ground_m"][[0, -1]] + [12.0, 4.0]
    expected = straight.bullington(
        profile["distance_m"] / 1e3, top, ends[0], ends[1], 6371.0 * 4 / 3, 0.2998 / 0.868
    )
    assert df.bullington_loss_db(**profile, **LINK) == pytest.approx(expected, abs=1e-6)


def test_a_profile_that_only_grazes_the_ray_has_a_loss() -> None:
    # the tops lie on the straight line between the antennas once the bulge is added: nothing to divide by
    d = np.array([0.0, 1000.0, 2000.0, 3000.0, 4000.0])
    bulge = d * (4000.0 - d) / (2 * 4 / 3 * 6_371_000.0)
    line = 10.0 + d / 1000.0
    ground = line - bulge
    ground[[0, -1]] -= 5.0
    loss = df.bullington_loss_db(d, ground, tx_height_m=5.0, rx_height_m=5.0, frequency_hz=868e6)
    assert 6.0 < loss < 20.0


@pytest.mark.parametrize("length_km", [3.0, 12.0, 25.0, 33.0, 60.0, 150.0])
def test_smooth_bullington_in_closed_form_is_the_limit_of_dense_points(length_km: float) -> None:
    d = np.linspace(0.0, length_km * 1e3, 20_001)
    for h1, h2 in ((20.0, 20.0), (30.0, 5.0)):
        points = df.bullington_loss_db(d, 0 * d, tx_height_m=h1, rx_height_m=h2, frequency_hz=868e6)
        closed = df.smooth_bullington_loss_db(length_km * 1e3, h1, h2, 868e6)
        assert closed == pytest.approx(points, abs=0.01)


def test_smooth_bullington_has_no_step_at_the_horizon() -> None:
    horizon = np.sqrt(2 * 6371.0 * 4 / 3) * 2 * np.sqrt(0.02) * 1e3
    losses = [
        df.smooth_bullington_loss_db(horizon * by, 20.0, 20.0, 868e6) for by in (1 - 1e-9, 1.0, 1 + 1e-9)
    ]
    assert losses == pytest.approx([losses[1]] * 3, abs=1e-3)


def test_marginal_distance_over_smooth_earth_is_the_handbook_one() -> None:
    # 4.12 (sqrt h1 + sqrt h2) km for k = 4/3: textbook
    horizon_m = 4.12e3 * (np.sqrt(20.0) + np.sqrt(10.0))
    near, far = (df.smooth_bullington_loss_db(horizon_m * by, 20.0, 10.0, 868e6) for by in (0.99, 1.01))
    grazing = 6.03 + (1 - np.exp(-6.03 / 6)) * (10 + 0.02e-3 * horizon_m)
    assert near < grazing < far


def test_smooth_earth_loss_grows_beyond_the_horizon_and_vanishes_well_before() -> None:
    loss = [df.smooth_earth_loss_db(length, 20.0, 10.0, 868e6) for length in (2e3, 20e3, 40e3, 80e3)]
    assert loss[0] == 0.0
    assert (np.diff(loss) > 0.0).all()


def test_sea_only_matters_for_vertical_polarisation_at_long_waves() -> None:
    land, sea = (
        df.smooth_earth_loss_db(80e3, 10.0, 10.0, [30e6, 868e6], sea_share=share) for share in (0.0, 1.0)
    )
    assert land[0] - sea[0] > 10.0
    assert land[1] - sea[1] == pytest.approx(0.0, abs=1.0)
    half = df.smooth_earth_loss_db(80e3, 10.0, 10.0, [30e6, 868e6], sea_share=0.5)
    assert half == pytest.approx((land + sea) / 2, abs=1e-9)


def test_three_edges_of_the_cascade_by_hand() -> None:
    # three sharp edges on a short path: the sum of the rule written out
    d = np.array([0.0, 1000.0, 2000.0, 3000.0, 4000.0])
    ground = np.array([0.0, 30.0, 60.0, 30.0, 0.0])
    loss = df.cascaded_knife_edge_loss_db(
        d, ground, tx_height_m=10.0, rx_height_m=10.0, frequency_hz=868e6, k_factor=1e9
    )
    lam = 0.2998 / 0.868
    nu_main = 50.0 * np.sqrt(2 * 4000.0 / (lam * 2000.0 * 2000.0))
    nu_side = (30.0 - 35.0) * np.sqrt(2 * 2000.0 / (lam * 1000.0 * 1000.0))
    main, side = df.knife_edge_loss_db(nu_main), df.knife_edge_loss_db(nu_side)
    assert loss == pytest.approx(main + (1 - np.exp(-main / 6)) * (2 * side + 10.0 + 0.04 * 4.0), abs=1e-6)


def test_a_clear_path_has_no_cascade_loss() -> None:
    d = np.linspace(0.0, 1000.0, 5)
    assert (
        df.cascaded_knife_edge_loss_db(d, 0 * d, tx_height_m=40.0, rx_height_m=40.0, frequency_hz=2e9) == 0.0
    )


@pytest.mark.parametrize(
    "method",
    [
        df.bullington_loss_db,
        df.spherical_earth_loss_db,
        df.delta_bullington_loss_db,
        df.cascaded_knife_edge_loss_db,
    ],
)
def test_a_sweep_of_frequencies_is_the_same_as_one_by_one(method) -> None:  # type: ignore[no-untyped-def]
    d = np.linspace(0.0, 12e3, 60)
    ground = 40.0 + 30.0 * np.sin(d / 1500.0)
    link = {"tx_height_m": 12.0, "rx_height_m": 4.0}
    frequencies = np.array([[150e6, 433e6], [868e6, 2.4e9]])
    swept = method(d, ground, frequency_hz=frequencies, **link)
    one_by_one = [method(d, ground, frequency_hz=f, **link) for f in frequencies.ravel()]
    assert swept.shape == (2, 2)
    assert swept.ravel() == pytest.approx(one_by_one, abs=1e-12)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"distance_m": [0.0, 1.0, 1.0]}, "must increase from point to point, does not at point 2"),
        ({"distance_m": [0.0, 0.0, 0.0]}, "must increase"),
        ({"distance_m": [0.0, 1.0], "ground_m": [0.0, 0.0]}, "at least 3 points"),
        ({"distance_m": [0.0, np.nan, 2.0]}, "distance_m must be finite"),
        ({"ground_m": [0.0, np.nan, 0.0]}, "ground_m must be finite"),
        ({"ground_m": [0.0, 0.0]}, "ground_m has 2 points"),
        ({"clutter_m": [0.0, -1.0, 0.0]}, "clutter_m must be at least 0"),
        ({"clutter_m": [0.0, 0.0]}, "clutter_m has 2 points"),
        ({"tx_height_m": 0.0}, "tx_height_m must be above 0"),
        ({"rx_height_m": np.inf}, "rx_height_m must be finite"),
        ({"frequency_hz": -1.0}, "frequency_hz must be above 0"),
        ({"k_factor": 0.0}, "k_factor must be above 0"),
        ({"polarisation": "circular"}, "polarisation must be"),
        ({"sea_share": 1.1}, "sea_share must be at most 1"),
    ],
)
def test_a_path_that_cannot_be_used_is_refused_in_one_line(change: dict[str, object], says: str) -> None:
    arguments = {"distance_m": [0.0, 500.0, 1000.0], "ground_m": [0.0, 5.0, 0.0], **LINK, **change}
    with pytest.raises(DomainError, match=says) as caught:
        df.delta_bullington_loss_db(**arguments)
    assert "\n" not in str(caught.value)

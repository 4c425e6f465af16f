import os
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation import _p1812, p1812
from tests.benchmarks.straight_p1812 import predict
from tests.propagation.paths import random_path
from tests.validation import suite_p526, suite_p1812
from tests.validation.tables import Errors, gathered, read_profile, read_rows

REFERENCE = Path(__file__).parents[1] / "reference"
CASES = read_rows(REFERENCE / "p1812_short_results.csv")

ROLLING = {
    "distance_m": np.linspace(0.0, 30e3, 121),
    "ground_m": 80.0 + 40.0 * np.sin(np.linspace(0.0, 30e3, 121) / 2100.0),
}
LINK = {"tx_height_m": 15.0, "rx_height_m": 4.0, "frequency_hz": 868e6}


def loss_db(**arguments):  # type: ignore[no-untyped-def]
    return p1812.basic_transmission_loss_db(
        **gathered(arguments, climate=p1812.Climate, variability=p1812.Variability)
    )


# ---------------------------------------------------------------- published values


@pytest.mark.parametrize("row", CASES, ids=[row["case_id"] for row in CASES])
def test_every_value_of_a_published_case_is_met(row: dict[str, str]) -> None:
    profile = read_profile(REFERENCE / row["profile"])
    errors = Errors(row["case_id"])
    suite_p1812.compare(errors, row, suite_p1812.predict(row, profile))
    lines = list(errors.lines())
    assert len(lines) > 40
    assert not [line for line in lines if line.missed]


@pytest.mark.parametrize("suite", [suite_p1812, suite_p526])
def test_every_value_of_the_published_tables_is_met(suite) -> None:  # type: ignore[no-untyped-def]
    root = os.environ.get("LINKCALC_REFERENCE_DATA")
    if not root:
        pytest.skip("LINKCALC_REFERENCE_DATA names no folder with the long tables")
    lines = [line for line in suite.run(Path(root) / "reference") if line.rows]
    assert lines
    assert not [line for line in lines if line.missed]


# ---------------------------------------------------------------- against a second writing


@pytest.mark.parametrize("seed", range(400))
def test_every_intermediate_value_agrees_with_a_straight_writing(seed: int) -> None:
    path = random_path(seed)
    ours = loss_db(**path, detail=True)
    theirs = predict(
        path["distance_m"] / 1e3,
        path["ground_m"],
        path["clutter_m"],
        path["zone"],
        path["tx_height_m"],
        path["rx_height_m"],
        path["frequency_hz"] / 1e9,
        path["time_percent"],
        path["polarisation"],
        path["delta_n"],
        path["n0"],
        path["latitude_deg"],
        path["tx_coast_km"],
        path["rx_coast_km"],
        path["location_percent"],
        path["location_sigma_db"],
    )
    for name, value in theirs.items():
        assert ours[name] == pytest.approx(value, rel=1e-9, abs=1e-8), name


def test_invented_paths_reach_every_branch_of_the_standard() -> None:
    # what the test above covers, so that it cannot pass by accident
    paths = [random_path(seed) for seed in range(400)]
    details = [loss_db(**path, detail=True) for path in paths]

    def share(condition) -> float:  # type: ignore[no-untyped-def]
        return sum(map(condition, details)) / len(details)

    for condition in (
        lambda d: d["transhorizon"],
        lambda d: d["omega"] > 0.75,
        lambda d: 0.0 < d["omega"] < 0.75,
        lambda d: d["act_db"] < 0.0,
        lambda d: d["sphere_ae"].beyond,
        lambda d: d["hm_m"] > 10.0,
        lambda d: d["mu2"] < 1.0,
        lambda d: d["hstd_m"] < d["hst_m"],
        lambda d: d["Lminbap_db"] <= d["Lbd_db"],
        lambda d: 0.0 < d["Fi"] < 1.0,
        lambda d: d["Lb_db"] == d["Lb0p_db"],
    ):
        assert 0.01 < share(condition) < 0.99
    assert any(abs(path["latitude_deg"]) > 70.0 for path in paths)
    assert any(len(path["ground_m"]) == 3 for path in paths)


# ---------------------------------------------------------------- laws


def test_a_sweep_is_the_same_as_one_by_one() -> None:
    path = random_path(7, points=60) | {"location_sigma_db": 5.5}
    frequency = np.array([60e6, 433e6, 868e6, 5e9])[:, None, None]
    time = np.array([1.0, 7.0, 50.0])[:, None]
    location = np.array([1.0, 50.0, 95.0, 99.0])
    sweep = {"frequency_hz": frequency, "time_percent": time, "location_percent": location}
    swept = loss_db(**path | sweep)
    assert swept.shape == (4, 3, 4)
    for i, f in enumerate(frequency.ravel()):
        for j, p in enumerate(time.ravel()):
            for k, q in enumerate(location):
                one = {"frequency_hz": f, "time_percent": p, "location_percent": q}
                assert swept[i, j, k] == pytest.approx(loss_db(**path | one), abs=1e-10)


def test_the_detail_of_a_sweep_has_the_shape_of_the_sweep() -> None:
    detail = loss_db(
        **ROLLING,
        **LINK | {"frequency_hz": [433e6, 868e6]},
        time_percent=[[1.0], [10.0], [50.0]],
        detail=True,
    )
    assert detail["Lb_db"].shape == (3, 2)
    assert detail["Lbfs_db"].shape == (2,)
    assert detail["Ld50_db"].shape == (2,)
    assert isinstance(detail["ae_km"], float)
    with pytest.raises(TypeError):
        detail["Lb_db"] = 0.0


def test_loss_rises_with_the_share_of_locations_by_the_normal_quantile() -> None:
    loss = loss_db(**ROLLING, **LINK, location_percent=[10.0, 50.0, 90.0, 95.0], location_sigma_db=5.5)
    expected = [5.5 * NormalDist().inv_cdf(p) for p in (0.1, 0.5, 0.9, 0.95)]
    # the standard's approximation of the quantile is good to 4.5e-4
    assert loss - loss[1] == pytest.approx(expected, abs=5.5 * 5e-4)


def test_loss_never_falls_below_free_space_with_its_enhancements() -> None:
    detail = loss_db(**ROLLING, **LINK, location_percent=1.0, location_sigma_db=40.0, detail=True)
    assert detail["Lb_db"] == detail["Lb0p_db"]


def test_a_receiver_at_sea_has_no_location_variability() -> None:
    zone = np.full(121, 4)
    zone[-20:] = 1
    losses = loss_db(
        **ROLLING, **LINK, zone=zone, location_percent=[[5.0], [95.0]], location_sigma_db=[3.0, 5.5]
    )
    assert losses.shape == (2, 2)
    assert (losses == losses[0, 0]).all()


def test_a_wall_adds_its_median_loss_and_widens_the_spread() -> None:
    median, far = loss_db(
        **ROLLING,
        **LINK,
        location_percent=[50.0, 90.0],
        location_sigma_db=3.0,
        entry_loss_db=11.0,
        entry_sigma_db=4.0,
    )
    outdoors = loss_db(**ROLLING, **LINK)
    assert median - outdoors == pytest.approx(11.0, abs=1e-5)
    assert far - median == pytest.approx(5.0 * NormalDist().inv_cdf(0.9), abs=5.0 * 5e-4)


def test_a_terminal_at_sea_stands_on_the_coast_unless_told_otherwise() -> None:
    flat = {
        "distance_m": np.linspace(0.0, 60e3, 61),
        "ground_m": np.zeros(61),
        "zone": np.ones(61, dtype=int),
    }
    link = {**LINK, "time_percent": 1.0, "detail": True}
    assert loss_db(**flat, **link)["act_db"] < 0.0
    assert loss_db(**flat, **link, tx_coast_km=500.0)["act_db"] == 0.0
    inland = {**flat, "zone": None}
    assert loss_db(**inland, **link)["act_db"] == 0.0


def test_clutter_at_the_ends_is_left_out() -> None:
    clutter = np.zeros(121)
    clutter[[0, -1]] = 30.0
    with_it = loss_db(**ROLLING, **LINK, clutter_m=clutter)
    assert with_it == loss_db(**ROLLING, **LINK)


def test_where_the_profile_starts_counting_does_not_matter() -> None:
    shifted = {**ROLLING, "distance_m": ROLLING["distance_m"] + 12_345.0}
    expected = loss_db(**ROLLING, **LINK)
    assert loss_db(**shifted, **LINK) == pytest.approx(expected, abs=1e-9)


def test_the_arguments_are_left_as_they_were() -> None:
    path = random_path(3, points=12)
    before = {name: np.copy(value) for name, value in path.items()}
    loss_db(**path)
    assert all(np.array_equal(before[name], path[name]) for name in path)


def test_the_zone_changes_half_way_between_points() -> None:
    d = np.array([0.0, 1.0, 3.0, 6.0, 10.0, 15.0])
    zone = np.array([4, 1, 1, 3, 4, 4], dtype=np.int8)
    land, inland, sea = _p1812.scan_sections(d, zone)
    assert (land, inland, sea) == (15.0 - 4.5, 15.0 - 8.0, 4.5 - 0.5)


def test_location_spread_is_the_standards_example_and_vanishes_above_the_clutter() -> None:
    # 500 m squares at 0.9 GHz give 3.1 dB: the formula worked by hand
    sigma = p1812.location_standard_deviation_db(
        0.9e9, 500.0, rx_height_m=[1.5, 10.0, 15.0, 20.0, 40.0], clutter_height_m=10.0
    )
    assert sigma[0] == pytest.approx(3.1, abs=0.05)
    assert sigma == pytest.approx(sigma[0] * np.array([1.0, 1.0, 0.5, 0.0, 0.0]))


def test_field_strength_of_one_kilowatt_is_the_textbook_one_in_free_space() -> None:
    # E = sqrt(30 P G)/d with the dipole's gain 1.64: 106.9 dB(uV/m) at 1 km (P.1546's free-space curve)
    loss = 32.45 + 20 * np.log10(868.0)
    assert p1812.field_strength_dbuv_m(loss, 868e6) == pytest.approx(106.9, abs=0.05)
    assert p1812.field_strength_dbuv_m(loss, 868e6, erp_kw=5e-4) == pytest.approx(106.9 - 33.01, abs=0.05)


def test_the_middle_of_the_path_follows_the_great_circle() -> None:
    quarter_m = 6_371_000.0 * np.pi / 2
    assert p1812.mid_path_latitude_deg(0.0, 10.0, 80.0, 10.0, quarter_m) == pytest.approx(45.0)
    assert p1812.mid_path_latitude_deg(60.0, 0.0, 60.0, 180.0, quarter_m * 2 / 3) == pytest.approx(90.0)
    assert p1812.mid_path_latitude_deg(-30.0, 5.0, -60.0, 5.0, 1000.0) == pytest.approx(-30.0, abs=0.01)


@pytest.mark.parametrize("rx", [(10.0, 20.0), (-10.0, 200.0)])
def test_a_path_without_direction_has_no_middle(rx: tuple[float, float]) -> None:
    with pytest.raises(DomainError, match="direction"):
        p1812.mid_path_latitude_deg(10.0, 20.0, *rx, 1000.0)


# ---------------------------------------------------------------- limits


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"distance_m": ROLLING["distance_m"][::-1]}, "must increase"),
        ({"ground_m": np.full(121, np.nan)}, "ground_m must be finite"),
        ({"distance_m": [0.0, 1e3], "ground_m": [0.0, 0.0]}, "at least 3 points"),
        ({"distance_m": np.zeros(121)}, "must increase"),
        ({"distance_m": "far"}, "distance_m must be numbers"),
        ({"time_percent": 0.5}, "time_percent must be at least 1"),
        ({"time_percent": [10.0, 50.1]}, "time_percent must be at most 50"),
        ({"location_percent": 0.0}, "location_percent must be at least 1"),
        ({"location_percent": 99.5}, "location_percent must be at most 99"),
        ({"location_sigma_db": -1.0}, "location_sigma_db must be at least 0"),
        ({"entry_loss_db": np.inf}, "entry_loss_db must be finite"),
        ({"tx_height_m": 0.0}, "tx_height_m must be above 0"),
        ({"frequency_hz": 0.0}, "frequency_hz must be above 0"),
        ({"delta_n": 157.0}, "delta_n must be below 157"),
        ({"n0": -1.0}, "n0 must be above 0"),
        ({"latitude_deg": 91.0}, "latitude_deg must be at most 90"),
        ({"tx_coast_km": -1.0}, "tx_coast_km must be at least 0"),
        ({"zone": np.full(121, 2)}, "zone must be 1"),
        ({"zone": np.full(120, 4)}, "zone has 120 points"),
        ({"polarisation": "both"}, "polarisation must be"),
        ({"frequency_hz": [1e9, 2e9], "time_percent": [1.0, 2.0, 3.0]}, "must broadcast"),
    ],
)
def test_what_is_not_defined_is_refused_in_one_line(change: dict[str, object], says: str) -> None:
    with pytest.raises(DomainError, match=says) as caught:
        loss_db(**ROLLING | LINK | change)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"frequency_hz": 29e6}, "30 to 6000 MHz"),
        ({"frequency_hz": [868e6, 6.1e9]}, "30 to 6000 MHz"),
        ({"distance_m": np.linspace(0.0, 200.0, 121)}, "0.25 to 3000 km"),
        ({"distance_m": np.linspace(0.0, 3.1e6, 121)}, "0.25 to 3000 km"),
        ({"tx_height_m": 3001.0}, "1 to 3000 m"),
        ({"rx_height_m": 0.5}, "1 to 3000 m"),
    ],
)
def test_outside_the_standards_range_the_number_comes_with_a_warning(
    change: dict[str, object], says: str
) -> None:
    with pytest.warns(OutOfRangeWarning, match=says) as caught:
        loss = loss_db(**ROLLING | LINK | change)
    assert np.isfinite(loss).all()
    assert len(caught) == 1
    assert caught[0].filename == __file__


def test_the_limits_themselves_are_inside() -> None:
    for change in (
        {"frequency_hz": [30e6, 6e9], "time_percent": [[1.0], [50.0]]},
        {"location_percent": [1.0, 99.0], "location_sigma_db": 5.5},
        {"distance_m": np.linspace(0.0, 250.0, 121)},
        {"distance_m": np.linspace(0.0, 3e6, 121)},
        {"tx_height_m": 3000.0, "rx_height_m": 1.0},
    ):
        assert np.isfinite(loss_db(**ROLLING | LINK | change)).all()

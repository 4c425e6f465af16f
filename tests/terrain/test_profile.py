"""Profiles from rasters, surveys and obstacle lists."""

from dataclasses import replace

import matplotlib.cbook
import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.ndimage import map_coordinates

from linkcalc.errors import DomainError, TerrainError
from linkcalc.plan import Obstacle
from linkcalc.terrain.cutting import Cutting, cut_profile
from linkcalc.terrain.profile import Profile, with_obstacles
from linkcalc.terrain.rasters import open_mosaic
from linkcalc.terrain.surveyed import read_profile_csv
from tests.terrain.conftest import CELL_DEG, HILLS_NORTH, HILLS_SHAPE, HILLS_WEST, north_up

TANK, SHED = (44.985, 20.005), (44.960, 20.060)
"""5.2 km apart on the hills."""


def hills_at(hills, lat, lon):
    row = (HILLS_NORTH - np.asarray(lat)) / CELL_DEG - 0.5
    col = (np.asarray(lon) - HILLS_WEST) / CELL_DEG - 0.5
    return map_coordinates(hills.astype(float), [row, col], order=1, mode="nearest")


def flat_profile(length_m=1000.0, n=11, **fields):
    x = np.linspace(0.0, length_m, n)
    profile = Profile(
        x, x * 0 + 40.0, x * 0, ("",) * n, np.full(n, 4, np.int8), 45 + x * 1e-5, 20 + x * 0, "flat", 0.0, ()
    )
    return replace(profile, **fields)


def test_a_profile_holds_the_rasters_heights_at_evenly_spaced_points_of_the_geodesic(write_raster, hills):
    p = cut_profile(*TANK, *SHED, [write_raster("hills.tif", hills)])
    line = Geodesic.WGS84.InverseLine(*TANK, *SHED)
    at = [line.Position(s) for s in np.linspace(0.0, line.s13, len(p.distance_m))]
    assert p.length_m == pytest.approx(line.s13, abs=1e-6)
    assert np.ptp(np.diff(p.distance_m)) < 1e-6
    assert p.latitude_deg == pytest.approx([a["lat2"] for a in at], abs=1e-9)
    assert p.longitude_deg == pytest.approx([a["lon2"] for a in at], abs=1e-9)
    expected = hills_at(hills, [a["lat2"] for a in at], [a["lon2"] for a in at])
    assert p.ground_m == pytest.approx(expected, abs=1e-4)
    assert not p.clutter_m.any()
    assert set(p.clutter_kind) == {""}
    assert (p.zone == 4).all()
    assert p.bridged_m == 0.0
    assert p.notes == ()


def test_points_are_as_far_apart_as_the_rasters_cells(write_raster, hills):
    p = cut_profile(*TANK, *SHED, [write_raster("hills.tif", hills)])
    east_west_m = Geodesic.WGS84.Inverse(44.975, 20.0, 44.975, 20.0 + CELL_DEG)["s12"]
    assert p.spacing_m == pytest.approx(east_west_m, rel=0.02)
    assert p.source == f"hills.tif ({east_west_m:.3g} m)"


@pytest.mark.parametrize("step_m", [10.0, 33.0, 500.0])
def test_a_stated_step_is_the_largest_spacing(write_raster, hills, step_m):
    p = cut_profile(*TANK, *SHED, [write_raster("hills.tif", hills)], step_m=step_m)
    assert 0.9 * step_m < p.spacing_m <= step_m
    assert p.ground_m == pytest.approx(hills_at(hills, p.latitude_deg, p.longitude_deg), abs=1e-4)


def test_between_the_points_of_a_wide_step_the_ground_is_not_known_however_fine_the_raster(
    write_raster, hills
):
    ground = [write_raster("hills.tif", hills)]
    fine = cut_profile(*TANK, *SHED, ground)
    assert cut_profile(*TANK, *SHED, ground, step_m=10.0).cell_m == fine.cell_m
    wide = cut_profile(*TANK, *SHED, ground, step_m=500.0)
    assert wide.cell_m == pytest.approx(wide.spacing_m)
    assert wide.cell_m > 4.0 * fine.cell_m


def test_a_step_that_would_make_too_many_points_is_widened_and_said(write_raster, hills):
    p = cut_profile(*TANK, *SHED, [write_raster("hills.tif", hills)], step_m=0.02)
    assert len(p.distance_m) == 100_000
    assert "0.05 m apart, not 0.02 m" in p.notes[0]


def test_a_path_shorter_than_a_cell_still_has_a_profile(write_raster, hills):
    p = cut_profile(45 - 0.02, 20.02, 45 - 0.02, 20.0206, [write_raster("hills.tif", hills)])
    assert 40.0 < p.length_m < 50.0
    assert len(p.distance_m) == 11
    assert p.ground_m == pytest.approx(hills_at(hills, p.latitude_deg, p.longitude_deg), abs=1e-4)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    lat=st.tuples(*[st.floats(44.951, 44.999)] * 2),
    lon=st.tuples(*[st.floats(20.001, 20.065)] * 2),
)
def test_swapping_the_stations_reverses_the_profile(write_raster, hills, lat, lon):
    raster = write_raster("hills.tif", hills)
    if abs(lat[0] - lat[1]) + abs(lon[0] - lon[1]) < 1e-4:
        return
    there = cut_profile(lat[0], lon[0], lat[1], lon[1], [raster])
    back = cut_profile(lat[1], lon[1], lat[0], lon[0], [raster])
    assert back.length_m == pytest.approx(there.length_m, abs=1e-6)
    assert back.ground_m[::-1] == pytest.approx(there.ground_m, abs=1e-4)


def test_real_ground_gives_the_profile_that_scipy_interpolates(write_raster):
    # Real elevation data: matplotlib's sample file, 3 arc seconds; its bounds lie one tile height too far
    # north, which does not matter here.
    with matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz") as dem:
        heights, west, south = dem["elevation"], float(dem["xmin"]), float(dem["ymin"])
        dx, dy = float(dem["dx"]), float(dem["dy"])
    rows = heights.shape[0]
    p = cut_profile(
        south + 0.05, west + 0.04, south + 0.21, west + 0.27,
        [write_raster("real.tif", heights, transform=north_up(west, south + rows * dy, dx))],
    )  # fmt: skip
    row = (south + rows * dy - p.latitude_deg) / dy - 0.5
    col = (p.longitude_deg - west) / dx - 0.5
    assert p.ground_m == pytest.approx(map_coordinates(heights.astype(float), [row, col], order=1), abs=1e-3)
    assert np.ptp(p.ground_m) > 200.0


def test_one_missing_cell_is_bridged_and_reported(write_raster, hills):
    holed = hills.copy()
    row, col = 30, 40
    holed[row, col] = -32768
    lat, lon = HILLS_NORTH - (row + 0.5) * CELL_DEG, HILLS_WEST + (col + 0.5) * CELL_DEG
    p = cut_profile(lat, lon - 0.02, lat, lon + 0.02, [write_raster("holed.tif", holed)], step_m=5.0)
    cell_m = Geodesic.WGS84.Inverse(lat, lon, lat, lon + CELL_DEG)["s12"]
    assert p.bridged_m == pytest.approx(cell_m, abs=6.0)
    assert len(p.notes) == 1
    assert "1 hole" in p.notes[0]
    low, high = sorted((hills[row, col - 1], hills[row, col + 1]))
    middle = np.abs(p.distance_m - p.length_m / 2) < cell_m / 2
    assert (p.ground_m[middle] > low - 1).all()
    assert (p.ground_m[middle] < high + 1).all()


def test_a_coarse_step_does_not_stretch_a_small_hole(write_raster, hills):
    holed = hills.copy()
    holed[30, 40] = -32768
    lat, lon = HILLS_NORTH - 30.5 * CELL_DEG, HILLS_WEST + 40.5 * CELL_DEG
    p = cut_profile(lat, lon - 0.02, lat, lon + 0.02, [write_raster("holed.tif", holed)], step_m=500.0)
    assert 0.0 < p.bridged_m < 100.0


def test_a_hole_longer_than_allowed_is_an_error_with_its_place(write_raster, hills):
    holed = hills.copy()
    holed[28:33, 35:45] = -9999
    raster = write_raster("holed.tif", holed, nodata=-9999)
    lat, lon = HILLS_NORTH - 30.5 * CELL_DEG, HILLS_WEST + 40.0 * CELL_DEG
    ends = (lat, lon - 0.02, lat, lon + 0.02)
    where = r"from 12\d\d m to 1[89]\d\d m from tank, near 44\.97\d* N 20\.03\d* E: a hole [56]\d\d m long"
    with pytest.raises(TerrainError, match=where):
        cut_profile(*ends, [raster], how=Cutting(names=("tank", "shed")))
    p = cut_profile(*ends, [raster], how=Cutting(largest_hole_m=1000.0))
    assert p.bridged_m == pytest.approx(10 * 65.8, abs=70.0)


def test_a_gap_between_two_rasters_is_a_hole_too(write_raster, hills):
    west = write_raster("west.tif", hills[:, :30])
    east = write_raster(
        "east.tif", hills[:, 50:], transform=north_up(HILLS_WEST + 50 * CELL_DEG, HILLS_NORTH, CELL_DEG)
    )
    with pytest.raises(TerrainError, match="no raster holds heights from"):
        cut_profile(*TANK, *SHED, [west, east])
    filled = cut_profile(*TANK, *SHED, [west, east, write_raster("coarse.tif", hills)])
    assert filled.ground_m == pytest.approx(
        hills_at(hills, filled.latitude_deg, filled.longitude_deg), abs=1e-4
    )


def test_a_station_on_nodata_is_an_error_that_names_it(write_raster, hills):
    holed = hills.copy()
    holed[:12, :12] = -32768
    with pytest.raises(
        TerrainError, match=r"tank at 44\.99500 N 20\.00500 E stands where .*holed\.tif.*nodata"
    ):
        cut_profile(
            44.995, 20.005, *SHED, [write_raster("holed.tif", holed)], how=Cutting(names=("tank", "shed"))
        )


def test_impossible_heights_under_a_station_are_quoted(write_raster, hills):
    # centimetres whose unit the file does not tell
    path = write_raster("cm.tif", hills.astype(np.int32) * 100)
    with pytest.raises(TerrainError, match=r"impossible heights there, such as \d{5} m"):
        cut_profile(*TANK, *SHED, [path])


def test_impossible_heights_on_the_path_are_noted(write_raster, hills):
    holed = hills.copy()
    holed[30, 40] = -9999
    lat, lon = HILLS_NORTH - 30.5 * CELL_DEG, HILLS_WEST + 40.5 * CELL_DEG
    with open_mosaic([write_raster("holed.tif", holed)]) as mosaic:
        p = cut_profile(lat, lon - 0.02, lat, lon + 0.02, mosaic)
        assert any("impossible heights" in note and "-9999 m" in note for note in p.notes)
        assert cut_profile(44.99, 20.01, 44.99, 20.06, mosaic).notes == ()


MISPLACED = {
    "longitude_sign": ((44.985, -20.005), "has the longitude the wrong sign"),
    "latitude_sign": ((-44.985, 20.005), "has the latitude the wrong sign"),
    "both_signs": ((-44.985, -20.005), "both the wrong sign"),
    "swapped": ((20.005, 44.985), r"swapped\?"),
    "swapped_and_longitude_sign": ((20.005, -44.985), "swapped, the latitude with the wrong sign"),
    "nowhere": ((45.2, 20.005), "name a raster that covers it"),
}


@pytest.mark.parametrize("how", MISPLACED)
def test_a_station_off_the_rasters_is_an_error_that_guesses_the_mend(write_raster, hills, how):
    position, said = MISPLACED[how]
    raster = write_raster("hills.tif", hills)
    with pytest.raises(TerrainError, match=said) as caught:
        cut_profile(*SHED, *position, [raster], how=Cutting(names=("tank", "shed")))
    text = str(caught.value)
    assert text.startswith("shed at ")
    assert "covers 44.95000 N 20.00000 E to 45.00000 N 20.06667 E" in text
    assert "\n" not in text


def test_the_distance_outside_is_told(write_raster, hills):
    raster = write_raster("hills.tif", hills)
    with pytest.raises(TerrainError, match=r"lies 556 m outside"):
        cut_profile(45.005, 20.03, *SHED, [raster])
    with pytest.raises(TerrainError, match=r"lies 7\.9 km outside"):
        cut_profile(44.97, 19.9, *SHED, [raster])


def test_stations_at_one_place_are_an_error(write_raster, hills):
    with pytest.raises(DomainError, match="tank and shed stand at the same place"):
        cut_profile(*TANK, *TANK, [write_raster("hills.tif", hills)], how=Cutting(names=("tank", "shed")))


def test_no_raster_is_an_error():
    with pytest.raises(TerrainError, match="no terrain raster is named"):
        cut_profile(*TANK, *SHED, [])
    with pytest.raises(TerrainError, match="no terrain raster is named"), open_mosaic([]) as mosaic:
        cut_profile(*TANK, *SHED, mosaic)


def test_an_empty_surface_mosaic_shows_no_clutter_and_no_note(write_raster, hills):
    with open_mosaic([]) as nothing:
        p = cut_profile(*TANK, *SHED, [write_raster("g.tif", hills)], surface_rasters=nothing)
    assert not p.clutter_m.any()
    assert p.notes == ()


@pytest.mark.parametrize("step_m", [0.0, -1.0, float("nan")])
def test_a_step_must_be_positive(step_m):
    with pytest.raises(DomainError, match="step_m"):
        cut_profile(*TANK, *SHED, ["x.tif"], step_m=step_m)


def test_rasters_opened_once_serve_many_paths(write_raster, hills):
    raster = write_raster("hills.tif", hills)
    with open_mosaic([raster]) as mosaic:
        first, second = (cut_profile(*TANK, *SHED, mosaic) for _ in range(2))
    assert (first.ground_m == second.ground_m).all()
    assert (first.ground_m == cut_profile(*TANK, *SHED, [raster]).ground_m).all()


def trees_on(hills):
    """A surface: 12 m of trees over columns 30 to 49, half a metre of noise elsewhere."""
    surface = hills + np.random.default_rng(5).uniform(-0.5, 0.5, hills.shape)
    surface[:, 30:50] = hills[:, 30:50] + 12.0
    return surface.astype(np.float32)


def test_what_rises_over_the_ground_in_a_surface_model_is_clutter(write_raster, hills):
    ground, surface = write_raster("g.tif", hills), write_raster("s.tif", trees_on(hills))
    p = cut_profile(*TANK, *SHED, [ground], surface_rasters=[surface])
    col = (p.longitude_deg - HILLS_WEST) / CELL_DEG - 0.5
    inside, outside = (col > 30) & (col < 49), (col < 29) | (col > 50)
    assert p.clutter_m[inside] == pytest.approx(12.0, abs=1e-3)
    assert (p.clutter_m[outside] == 0.0).all()
    assert {k for k, i in zip(p.clutter_kind, inside, strict=True) if i} == {"trees"}
    assert p.ground_m == pytest.approx(hills_at(hills, p.latitude_deg, p.longitude_deg), abs=1e-4)
    as_buildings = cut_profile(
        *TANK, *SHED, [ground], surface_rasters=[surface], how=Cutting(surface_kind="building")
    )
    assert set(as_buildings.clutter_kind) == {"", "building"}


def test_the_antennas_stand_clear_of_the_surface_model(write_raster, hills):
    ground, surface = write_raster("g.tif", hills), write_raster("s.tif", hills + 15)
    p = cut_profile(*TANK, *SHED, [ground], surface_rasters=[surface])
    assert p.clutter_m[[0, -1]].tolist() == [0.0, 0.0]
    assert p.clutter_m[1:-1] == pytest.approx(15.0)


def test_canopy_heights_stand_on_the_ground_and_the_taller_of_two_sources_counts(write_raster, hills):
    canopy = np.full(HILLS_SHAPE, 8, np.uint8)
    canopy[:, 40:] = 20
    p = cut_profile(
        *TANK, *SHED, [write_raster("g.tif", hills)],
        surface_rasters=[write_raster("s.tif", trees_on(hills))],
        canopy_rasters=[write_raster("c.tif", canopy)],
        how=Cutting(surface_kind="building"),
    )  # fmt: skip
    col = (p.longitude_deg - HILLS_WEST) / CELL_DEG - 0.5
    for where, height, kind in (((5, 29), 8, "trees"), ((31, 38), 12, "building"), ((41, 48), 20, "trees")):
        part = np.flatnonzero((col > where[0]) & (col < where[1]) & (p.distance_m > 0))
        assert p.clutter_m[part] == pytest.approx(height, abs=1e-3)
        assert {p.clutter_kind[i] for i in part} == {kind}


def test_a_path_past_the_end_of_the_surface_model_says_so(write_raster, hills):
    surface = write_raster("s.tif", hills[:, :40] + 15)
    p = cut_profile(*TANK, *SHED, [write_raster("g.tif", hills)], surface_rasters=[surface])
    assert any("no surface height is known along 2" in note for note in p.notes)
    assert p.clutter_m.max() == pytest.approx(15.0)


def test_a_fine_surface_model_sets_the_spacing(write_raster, hills):
    fine = np.repeat(np.repeat(hills, 4, 0), 4, 1)
    surface = write_raster("s.tif", fine, transform=north_up(HILLS_WEST, HILLS_NORTH, CELL_DEG / 4))
    p = cut_profile(*TANK, *SHED, [write_raster("g.tif", hills)], surface_rasters=[surface])
    assert p.spacing_m == pytest.approx(65.8 / 4, rel=0.02)


# Obstacles


def test_a_narrow_obstacle_between_two_points_is_not_missed():
    p = with_obstacles(flat_profile(), [Obstacle(distance_m=450.0, height_m=6.0, width_m=3.0, kind="tank")])
    assert p.clutter_m.max() == 6.0
    at = np.flatnonzero(p.clutter_m)
    assert p.distance_m[at].tolist() == [448.5, 451.5]
    assert {p.clutter_kind[i] for i in at} == {"tank"}
    # its walls are steep: the neighbours on either side stand at its foot
    assert p.clutter_m[[at[0] - 1, at[-1] + 1]].tolist() == [0.0, 0.0]
    assert p.distance_m[[at[0] - 1, at[-1] + 1]] == pytest.approx([448.5, 451.5], abs=0.02)
    assert p.length_m == 1000.0


def test_points_added_for_an_obstacle_lie_on_the_old_ground():
    x = np.linspace(0, 1000, 11)
    sloping = flat_profile(ground_m=100 + 0.05 * x, zone=np.repeat([1, 4], [5, 6]).astype(np.int8))
    p = with_obstacles(sloping, [Obstacle(distance_m=455.0, height_m=6.0, width_m=3.0, kind="tank")])
    assert p.ground_m == pytest.approx(100 + 0.05 * p.distance_m)
    assert p.latitude_deg == pytest.approx(45 + p.distance_m * 1e-5)
    assert p.zone.tolist() == [1] * 5 + [4] * 4 + [4] * 6


def test_an_obstacle_on_the_180th_meridian_stays_there():
    lon = np.linspace(179.995, 180.005, 11)
    p = flat_profile(longitude_deg=np.where(lon < 180, lon, lon - 360))
    p = with_obstacles(p, [Obstacle(distance_m=499.0, height_m=6.0, width_m=3.0, kind="tank")])
    assert (np.abs(np.abs(p.longitude_deg) - 180) < 0.0051).all()


def test_a_path_without_positions_takes_obstacles_too():
    p = flat_profile(latitude_deg=None, longitude_deg=None)
    p = with_obstacles(p, [Obstacle(distance_m=499.0, height_m=6.0, width_m=3.0, kind="tank")])
    assert p.latitude_deg is None


def test_the_highest_stands_where_obstacles_overlap():
    belt = Obstacle(distance_m=500.0, height_m=8.0, width_m=200.0, kind="trees")
    shed = Obstacle(distance_m=520.0, height_m=11.0, width_m=30.0, kind="building")
    low = Obstacle(distance_m=440.0, height_m=2.0, width_m=30.0, kind="tank")
    for order in ([belt, shed, low], [low, shed, belt]):
        p = with_obstacles(flat_profile(), order)
        here = np.interp([450.0, 510.0, 540.0, 660.0], p.distance_m, p.clutter_m)
        assert here.tolist() == [8.0, 11.0, 8.0, 0.0]
        assert set(p.clutter_kind) == {"", "trees", "building"}


def test_trees_of_the_surface_model_outgrow_a_lower_obstacle():
    wooded = flat_profile(clutter_m=np.r_[0.0, np.full(9, 15.0), 0.0], clutter_kind=("", *("trees",) * 9, ""))
    p = with_obstacles(wooded, [Obstacle(distance_m=505.0, height_m=6.0, width_m=3.0, kind="tank")])
    assert set(p.clutter_kind) == {"", "trees"}
    assert np.interp(505.0, p.distance_m, p.clutter_m) == 15.0


def test_an_obstacle_beyond_the_path_is_an_error_that_names_it():
    obstacles = [
        Obstacle(distance_m=400.0, height_m=6.0, width_m=3.0, kind="tank"),
        Obstacle(distance_m=1200.0, height_m=9.0, width_m=3.0, kind="trees"),
    ]
    with pytest.raises(
        TerrainError, match=r"obstacle 2 \(trees, 9 m high\).*1200 m, beyond the end .* 1000 m"
    ):
        with_obstacles(flat_profile(), obstacles)


@pytest.mark.parametrize("distance_m", [0.0, 20.0, 980.0, 1000.0, 500.0])
def test_an_obstacle_that_reaches_a_station_is_cut_off_before_it(distance_m):
    width_m = 2000.0 if distance_m == 500.0 else 60.0
    p = with_obstacles(
        flat_profile(), [Obstacle(distance_m=distance_m, height_m=9.0, width_m=width_m, kind="trees")]
    )
    assert p.clutter_m[[0, -1]].tolist() == [0.0, 0.0]
    standing = p.distance_m[p.clutter_m > 0]
    assert standing.min() >= 1.0
    assert standing.max() <= 999.0
    assert "cut off 1 m before it" in p.notes[0]


def test_an_obstacle_within_a_metre_of_the_station_is_left_out_and_said():
    p = with_obstacles(flat_profile(), [Obstacle(distance_m=0.2, height_m=9.0, width_m=0.5, kind="building")])
    assert not p.clutter_m.any()
    assert p.notes


def test_no_obstacles_change_nothing():
    before = flat_profile()
    after = with_obstacles(before, [])
    assert (after.distance_m == before.distance_m).all()
    assert after.notes == ()


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.builds(
            Obstacle,
            distance_m=st.floats(0, 1000),
            height_m=st.floats(0.5, 100),
            width_m=st.floats(0.1, 3000),
            kind=st.sampled_from(["trees", "building", "tank"]),
        ),
        max_size=6,
    )
)
def test_any_list_of_obstacles_leaves_a_sound_profile(obstacles):
    p = with_obstacles(flat_profile(), obstacles)  # Profile checks order, lengths and ends
    tallest = max((o.height_m for o in obstacles), default=0.0)
    assert p.clutter_m.max() <= tallest
    assert all(bool(kind) == (height > 0) for kind, height in zip(p.clutter_kind, p.clutter_m, strict=True))


# Surveyed profiles


def survey(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "survey.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_a_survey_is_read_with_all_its_columns(tmp_path):
    p = read_profile_csv(
        survey(
            tmp_path,
            "# levelled along the track\ndistance_m,ground_m,clutter_m,clutter_kind,zone\n"
            "0,101.5,0,,4\n\n55.2,103,9.5,trees,4\n80,104.25,3,,3\n120.5,99,0,building,1\n",
        )
    )
    assert p.distance_m.tolist() == [0.0, 55.2, 80.0, 120.5]
    assert p.ground_m.tolist() == [101.5, 103.0, 104.25, 99.0]
    assert p.clutter_m.tolist() == [0.0, 9.5, 3.0, 0.0]
    assert p.clutter_kind == ("", "trees", "trees", "")
    assert p.zone.tolist() == [4, 4, 3, 1]
    assert p.latitude_deg is None
    assert p.source == "survey survey.csv"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_survey_may_come_in_any_common_writing(tmp_path, encoding, separator, newline):
    lines = ["# höhen", "Distance_m, ground_m ", "0,1", "10,2", "20,3"]
    text = newline.join(lines).replace(",", separator)
    p = read_profile_csv(survey(tmp_path, text, encoding))
    assert p.ground_m.tolist() == [1.0, 2.0, 3.0]
    assert set(p.clutter_kind) == {""}
    assert (p.zone == 4).all()


def test_clutter_at_the_ends_of_a_survey_is_left_out_and_said(tmp_path):
    p = read_profile_csv(survey(tmp_path, "distance_m,ground_m,clutter_m\n0,1,8\n10,2,8\n20,3,8\n"))
    assert p.clutter_m.tolist() == [0.0, 8.0, 0.0]
    assert p.clutter_kind == ("", "trees", "")
    assert p.notes == ("clutter at the stations themselves is not counted",)


HEAD = "distance_m,ground_m\n0,1\n"
DAMAGED_SURVEYS = {
    "empty": ("", "is empty"),
    "wrong_columns": ("dist,height\n0,1\n", "row 1: unknown column \"dist\""),
    "misspelt_column": ("distanc_m,ground_m\n0,1\n", "did you mean distance_m"),
    "missing_column": ("distance_m,clutter_m\n0,1\n", "row 1: column ground_m is missing"),
    "column_twice": ("distance_m,ground_m,ground_m\n0,1,1\n", "two columns are named ground_m"),
    "decimal_commas": ("distance_m,ground_m\n0,1\n10,5,101,5\n", "row 3: 4 values under 2 columns.*decimal"),
    "thousands": (HEAD + '10,"1,500"\n', 'row 3: ground_m = "1,500": write 1.500 or 1500, whichever is meant'),
    "both_marks": (HEAD + '10,"1.500,5"\n', 'row 3: ground_m = "1.500,5" is not a number; write a decimal point'),
    "feet": (HEAD + "10,12 ft\n", 'row 3: ground_m = "12 ft" is not a number'),
    "too_few_values": (HEAD + "10\n", "row 3: 1 value under 2 columns"),
    "empty_value": (HEAD + "10,\n", "row 3: ground_m is empty"),
    "not_a_number": (HEAD + "10,high\n", "row 3: ground_m = \"high\" is not"),
    "nan": (HEAD + "10,nan\n", "row 3: ground_m = \"nan\" is not"),
    "infinite": (HEAD + "inf,2\n", "row 3: distance_m = \"inf\" is not"),
    "thousands_mark": (HEAD + "1_000,2\n", "row 3: distance_m = \"1_000\" is not"),
    "standing_still": (HEAD + "10,2\n10,3\n", r"row 4: distance_m does not increase \(10 after 10\)"),
    "walking_back": (HEAD + "\n10,2\n5,3\n", "row 5: distance_m does not increase"),
    "negative": ("distance_m,ground_m\n-5,1\n", "row 2: distance_m cannot be -5"),
    "no_zero": ("distance_m,ground_m\n5,1\n10,1\n20,1\n", "row 2: the first distance_m is 5"),
    "two_points": (HEAD + "10,2\n", "holds 2 points; a profile needs at least 3"),
    "impossible_height": (HEAD + "10,-9999\n", "row 3: ground_m cannot be -9999"),
    "negative_clutter": ("distance_m,ground_m,clutter_m\n0,1,-2\n", "row 2: clutter_m cannot be -2"),
    "unknown_kind": ("distance_m,ground_m,clutter_kind\n0,1,wood\n", "row 2: clutter_kind \"wood\""),
    "unknown_zone": ("distance_m,ground_m,zone\n0,1,2\n", "row 2: zone 2 is not 1"),
    "open_quote": (HEAD + '10,"2\n20,3\n', "row 3: a quotation mark is not closed"),
    "binary": ("\0\1\2", "not a text file"),
}  # fmt: skip


@pytest.mark.parametrize("how", DAMAGED_SURVEYS)
def test_a_damaged_survey_is_refused_in_one_line_that_says_where(tmp_path, how):
    text, said = DAMAGED_SURVEYS[how]
    with pytest.raises(TerrainError, match=said) as caught:
        read_profile_csv(survey(tmp_path, text))
    assert "survey.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_survey_that_is_not_there_is_named(tmp_path):
    with pytest.raises(TerrainError, match=r"nowhere\.csv: cannot be read: No such file"):
        read_profile_csv(tmp_path / "nowhere.csv")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=80) | st.text('0123456789.,;\t\n"distance_mground#-e', max_size=80).map(str.encode))
def test_no_file_whatever_brings_more_than_a_terrain_error(tmp_path, data):
    path = tmp_path / "survey.csv"
    path.write_bytes(b"distance_m,ground_m\n" * (len(data) % 2) + data)
    try:
        p = read_profile_csv(path)
    except TerrainError as error:
        assert "\n" not in str(error)  # noqa: PT017
    else:
        assert len(p.distance_m) >= 3


BROKEN_PROFILES = {
    "one_point": {"distance_m": np.array([0.0])},
    "lengths": {"ground_m": np.zeros(10)},
    "kinds": {"clutter_kind": ("",) * 3},
    "nan": {"ground_m": np.full(11, np.nan)},
    "start": {"distance_m": np.linspace(5, 1000, 11)},
    "order": {"distance_m": np.zeros(11)},
    "end_clutter": {"clutter_m": np.full(11, 3.0)},
}


@pytest.mark.parametrize("how", BROKEN_PROFILES)
def test_a_profile_out_of_shape_cannot_be_made(how):
    with pytest.raises(DomainError):
        flat_profile(**BROKEN_PROFILES[how])

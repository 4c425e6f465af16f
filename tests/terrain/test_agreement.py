"""Rasters that do not fit together: each of these read as a plain verdict once."""

import re

import numpy as np
import pytest
import rasterio

from linkcalc.area.land import read_land
from linkcalc.errors import DomainError, TerrainError
from linkcalc.terrain.agreement import height_notes
from linkcalc.terrain.cell_size import cell_error, cell_error_db, fine_enough_m
from linkcalc.terrain.cutting import Cutting, cut_profile
from linkcalc.terrain.geodesy import from_grid, transformer
from linkcalc.terrain.land_cover import Layers
from linkcalc.terrain.rasters import open_mosaic
from tests.terrain.conftest import HILLS_SHAPE, north_up

UTM = {"crs": "EPSG:32633", "transform": north_up(500_000, 5_000_000, 5.0)}
ENDS = (45.1530, 15.0006, 45.1512, 15.0045)
"""About 400 m over the hills at 5 m."""


def cut(write_raster, ground, surface, **options):
    paths = [write_raster(f"{n}.tif", a, **UTM) for n, a in (("ground", ground), ("surface", surface))]
    return cut_profile(*ENDS, paths[:1], surface_rasters=paths[1:], **options)


@pytest.fixture
def ground(hills):
    """Gentle hills: as `hills`, an eighth as high."""
    return (100.0 + hills / 8.0).astype(np.float32)


def topped(ground, level=0.0):
    top = ground.copy()
    top[:, 30:50] += 14.0
    return top + np.float32(level)


def test_a_surface_on_the_grounds_own_level_is_taken_without_a_word(write_raster, ground):
    p = cut(write_raster, ground, topped(ground))
    assert p.notes == ()
    assert p.clutter_m.max() == pytest.approx(14.0, abs=0.1)


@pytest.mark.parametrize("level", [-30.0, -8.0, -3.0])
def test_a_surface_that_is_too_low_is_refused_and_hides_no_wood(write_raster, ground, level):
    with pytest.raises(TerrainError, match=r"surface\.tif lies below the ground along \d+ % of the path, by"):
        cut(write_raster, ground, topped(ground, level))


def test_a_surface_in_feet_beside_ground_in_metres_is_refused(write_raster, ground):
    with pytest.raises(TerrainError, match=r"surface\.tif stands \d+ m above the ground"):
        cut(write_raster, ground, topped(ground) / np.float32(0.3048))


def test_ground_in_feet_beside_a_surface_in_metres_is_refused(write_raster, ground):
    with pytest.raises(TerrainError, match="lies below the ground along 100 %"):
        cut(write_raster, ground / np.float32(0.3048), topped(ground))


def test_a_surface_that_floats_above_the_ground_is_doubted(write_raster, ground):
    p = cut(write_raster, ground, topped(ground, 30.0))
    assert any("comes nowhere nearer to the ground than 30 m" in note for note in p.notes)


def test_one_thing_of_120_m_on_the_path_is_pointed_out(write_raster, ground):
    top = topped(ground)
    top[:, 35] += 106.0
    p = cut(write_raster, ground, top, step_m=1.0)
    assert any(re.search(r"something 1\d\d m high .* higher than any tree", note) for note in p.notes)


def test_noise_of_a_surface_model_is_no_reason_to_refuse(write_raster, ground):
    noise = np.random.default_rng(5).normal(0.0, 0.5, HILLS_SHAPE).astype(np.float32)
    assert cut(write_raster, ground, topped(ground) + noise).clutter_m.max() > 12.0


def test_a_real_wood_with_its_surface_30_m_low_is_refused_and_as_it_is_taken(real_terrain, tmp_path):
    # Laser scan of a forest in Quebec, 2 m cells (the repository r-lidar/lidR, gridded).
    with rasterio.open(real_terrain / "forest_quebec_dsm_2m.tif") as dsm:
        top, profile, bounds = dsm.read(1), dsm.profile, dsm.bounds
    lon, lat = transformer(str(profile["crs"]), "EPSG:4326").transform(
        [bounds.left + 40, bounds.right - 40], [bounds.bottom + 40, bounds.top - 40]
    )
    ends = (lat[0], lon[0], lat[1], lon[1])
    dtm = [real_terrain / "forest_quebec_dtm_2m.tif"]
    whole = cut_profile(*ends, dtm, surface_rasters=[real_terrain / "forest_quebec_dsm_2m.tif"])
    assert whole.clutter_m.max() > 8.0
    assert not any("below" in note for note in whole.notes)
    for name, changed in (("low", top - 30.0), ("feet", top / 0.3048)):
        with rasterio.open(tmp_path / f"{name}.tif", "w", **profile) as file:
            file.write(np.where(top == profile["nodata"], top, changed).astype(np.float32), 1)
        with pytest.raises(TerrainError, match=rf"{name}\.tif (lies below|stands)"):
            cut_profile(*ends, dtm, surface_rasters=[tmp_path / f"{name}.tif"])


# ---------------------------------------------------------------- units


def test_a_plan_says_what_heights_count_in(write_raster, hills):
    path = write_raster("hills.tif", hills)
    with open_mosaic([path]) as mosaic:
        in_metres = mosaic.sample(44.99, 20.02)
    for options in ({"height_unit": "ft"}, {"feet": [str(path)]}, {"height_unit": "m", "feet": [str(path)]}):
        with open_mosaic([path], **options) as mosaic:
            assert mosaic.sample(44.99, 20.02) == pytest.approx(in_metres * 0.3048)
    with open_mosaic([path], height_unit="us_survey_ft") as mosaic:
        assert mosaic.sample(44.99, 20.02) == pytest.approx(in_metres * 1200 / 3937, rel=1e-9)


def test_a_plan_that_contradicts_the_file_is_followed_and_the_reader_is_told(write_raster, ground):
    path = write_raster("tagged.tif", ground, unit="ft", **UTM)
    with open_mosaic([path], height_unit="m") as mosaic:
        p = cut_profile(*ENDS, mosaic)
    assert p.ground_m[0] > 100.0
    assert "tagged.tif says that its heights are in ft; the plan's m is followed" in p.notes[0]


def test_a_grid_in_feet_that_names_no_unit_of_its_heights_is_pointed_out(write_raster, ground):
    # EPSG:2264 counts in US survey feet (North Carolina); its heights may be either
    feet = north_up(1_500_000, 600_000, 16.0)
    path = write_raster("state_plane.tif", ground, crs="EPSG:2264", transform=feet)
    with open_mosaic([path]) as mosaic:
        (note,) = mosaic.rasters[0].notes
    assert "grid in US survey foot and does not say what its heights count in: metres are taken" in note
    assert "height_unit" in note
    for options in ({"height_unit": "ft"}, {"height_unit": "m"}):
        with open_mosaic([path], **options) as mosaic:
            assert mosaic.rasters[0].notes == ()
    with open_mosaic(
        [write_raster("tagged.tif", ground, crs="EPSG:2264", transform=feet, unit="ft")]
    ) as mosaic:
        assert mosaic.rasters[0].notes == ()


def test_two_rasters_of_one_ground_in_two_units_are_refused(write_raster, ground):
    fine = write_raster("fine.tif", ground, **UTM)
    coarse = write_raster("coarse.tif", ground[::4, ::4] / np.float32(0.3048), **(UTM | coarser(4)))
    with pytest.raises(TerrainError, match=r"coarse\.tif are \d+ m apart in height where both"):
        cut_profile(*ENDS, [fine, coarse])


def coarser(k):
    return {"transform": north_up(500_000, 5_000_000, 5.0 * k)}


def test_two_rasters_of_one_ground_on_two_levels_are_pointed_out(write_raster, ground):
    fine = write_raster("fine.tif", ground, **UTM)
    coarse = write_raster("coarse.tif", ground[::4, ::4] + np.float32(30.0), **(UTM | coarser(4)))
    (note,) = cut_profile(*ENDS, [fine, coarse]).notes
    assert "m apart in height" in note
    assert (
        cut_profile(*ENDS, [fine, write_raster("c.tif", ground[::4, ::4], **(UTM | coarser(4)))]).notes == ()
    )


def test_rasters_that_name_different_levels_are_pointed_out(write_raster, ground):
    fine = write_raster("fine.tif", ground, **(UTM | {"crs": "EPSG:32633+5773"}))
    coarse = write_raster("c.tif", ground[::4, ::4], **(UTM | coarser(4) | {"crs": "EPSG:32633+3855"}))
    (note,) = cut_profile(*ENDS, [fine, coarse]).notes
    assert "EGM96 height" in note
    assert "EGM2008 height" in note


# ---------------------------------------------------------------- heights that cannot be


def test_a_cell_that_stands_alone_is_pointed_out_on_the_path_and_at_a_station(write_raster, ground):
    spiked = ground.copy()
    lat, lon = ENDS[0], ENDS[1]
    clean = write_raster("clean.tif", ground, **UTM)
    assert cut_profile(*ENDS, [clean]).notes == ()
    with rasterio.open(clean) as file:
        x, y = transformer("EPSG:4326", "EPSG:32633").transform(lon, lat)
        row, col = file.index(x, y)
        x2, y2 = transformer("EPSG:4326", "EPSG:32633").transform((lon + ENDS[3]) / 2, (lat + ENDS[2]) / 2)
        middle = file.index(x2, y2)
    spiked[row, col] += 500.0
    (note,) = cut_profile(
        *ENDS, [write_raster("a.tif", spiked, **UTM)], how=Cutting(names=("tank", "shed"))
    ).notes
    assert note.startswith("the ground 0 m from tank stands out by")
    spiked = ground.copy()
    spiked[middle] += 500.0
    (note,) = cut_profile(*ENDS, [write_raster("b.tif", spiked, **UTM)]).notes
    assert "stands out by" in note


def test_heights_beyond_any_land_are_pointed_out():
    x = np.linspace(0.0, 1000.0, 30)
    assert "not dry land" in height_notes(x, np.full(30, -470.0), 30.0, "tank")[0]
    assert "not dry land" in height_notes(x, np.full(30, 8900.0), 30.0, "tank")[0]
    assert height_notes(x, np.linspace(-400.0, 100.0, 30), 30.0, "tank") == ()


def test_a_cliff_is_no_spike():
    x = np.linspace(0.0, 3000.0, 101)
    assert height_notes(x, np.where(x < 1500.0, 300.0, 50.0), 30.0, "tank") == ()


# ---------------------------------------------------------------- too coarse a raster


def test_a_path_over_two_cells_never_closes_without_a_condition():
    error = cell_error(900.0, 1000.0, 9.3)
    assert error.decisive
    assert error.sigma_db > 15.0
    assert "spans 1.1 of them" in error.warning


def test_cells_of_90_m_on_short_paths_add_what_was_measured():
    # 868 MHz over 1.5 km: radius in the middle 11.4 m. Measured on open terrain: the coarser ground loses 1
    # to
    # 3 dB too little on average, 11.6 dB at worst.
    error = cell_error(90.0, 1500.0, 11.4)
    assert 1.0 <= error.hopeful_db <= 4.0
    assert error.hopeful_db + 2.0 * error.sigma_db > 11.6
    assert error.decisive


def test_cells_much_smaller_than_the_fresnel_zone_add_nothing_to_speak_of():
    assert cell_error(2.0, 1500.0, 11.4).warning == ""
    assert cell_error(30.0, 20_000.0, 41.6).warning == ""
    assert cell_error(0.0, 1500.0, 11.4).sigma_db == 0.0


def test_the_cell_named_as_fine_enough_is():
    for radius in (4.0, 11.4, 40.0):
        assert cell_error_db(fine_enough_m(radius), radius) == pytest.approx(2.0)


def test_coarser_cells_are_never_surer():
    errors = cell_error_db(np.geomspace(0.1, 5000.0, 60), 11.4)
    assert (np.diff(errors) > 0.0).all()


# mean and root mean square error of the loss over real ground, by cells in Fresnel radii, as measured (see
# docs/ground.md)
@pytest.mark.parametrize(
    ("ratio", "rms_db"),
    [(1.5, 1.7), (2.5, 2.1), (4.0, 4.2), (6.5, 5.8), (10.0, 7.5), (16.0, 9.6), (28.0, 14.2), (77.0, 19.9)],
)
def test_the_error_follows_the_measurement(ratio, rms_db):
    assert cell_error_db(ratio * 10.0, 10.0) == pytest.approx(rms_db, abs=max(1.2, 0.1 * rms_db))


def test_a_profile_says_how_far_apart_its_ground_is_known(write_raster, ground):
    fine = write_raster("fine.tif", ground[:, :20], **UTM)
    coarse = write_raster("coarse.tif", ground[::4, ::4], **(UTM | coarser(4)))
    assert cut_profile(*ENDS, [coarse]).cell_m == pytest.approx(20.0, rel=0.01)
    # the larger cells count where both give a good part of the path
    assert cut_profile(*ENDS, [fine, coarse]).cell_m == pytest.approx(20.0, rel=0.01)
    whole = write_raster("whole.tif", ground, **UTM)
    assert cut_profile(*ENDS, [whole]).cell_m == pytest.approx(5.0, rel=0.01)


# ---------------------------------------------------------------- the land around a station


def test_the_land_of_a_coverage_is_refused_for_the_same_reasons(write_raster, ground):
    paths = [
        write_raster(f"{name}.tif", heights, **UTM)
        for name, heights in (("g", ground), ("fits", topped(ground)), ("low", topped(ground, -30.0)))
    ]
    with open_mosaic(paths[:1]) as g, open_mosaic(paths[1:2]) as fits, open_mosaic(paths[2:]) as low:
        around = (45.1521, 15.0025, 120.0)
        assert read_land(Layers(g, fits), *around).notes == ()
        with pytest.raises(TerrainError, match=r"low\.tif lies below the ground along \d+ % of the land"):
            read_land(Layers(g, low), *around)


# ---------------------------------------------------------------- hints


@pytest.mark.parametrize("steps", [1, -1, 2])
def test_a_station_in_the_wrong_utm_zone_is_told_which_would_fit(write_raster, ground, steps):
    path = write_raster("ground.tif", ground, **UTM)
    x, y = transformer("EPSG:4326", "EPSG:32633").transform(ENDS[1], ENDS[0])
    wrong = from_grid(x, y, 32633 + steps)
    with pytest.raises(TerrainError, match=r"outside .*In zone 33 \(EPSG:32633\) it would lie on the raster"):
        cut_profile(*wrong, ENDS[2], ENDS[3], [path])


def test_a_position_in_survey_feet_is_given_back_as_degrees():
    # somewhere in a state grid that counts in US survey feet
    with pytest.raises(
        DomainError, match=r"latitude_deg = 35\.\d{7}, longitude_deg = -78\.\d{7}: write these"
    ):
        from_grid(2_100_000.0, 740_000.0, 2264)


# ---------------------------------------------------------------- sea


def test_what_no_raster_holds_is_sea_only_where_the_plan_says_so(write_raster, ground):
    coast = ground - np.float32(80.0)
    coast[:, 30:50] = -9999.0
    path = write_raster("coast.tif", coast, nodata=-9999.0, **UTM)
    with pytest.raises(TerrainError, match="no raster holds heights"):
        cut_profile(*ENDS, [path], how=Cutting(largest_hole_m=50.0))
    p = cut_profile(*ENDS, [path], how=Cutting(largest_hole_m=50.0, sea_without_data=True))
    sea = p.zone == 1
    assert 0.2 < sea.mean() < 0.5
    assert (p.ground_m[sea] == 0.0).all()
    assert (p.ground_m[~sea] > 20.0).all()
    assert any(re.search(r"\d+ m of the path without heights are taken as sea", note) for note in p.notes)
    # a station never stands on it
    with pytest.raises(TerrainError, match="nodata"):
        cut_profile(45.1521, 15.0025, *ENDS[2:], [path], how=Cutting(sea_without_data=True))


def test_a_hole_on_a_hill_is_no_sea(write_raster, ground):
    hill = ground.copy()
    hill[:, 30:50] = -9999.0
    path = write_raster("hill.tif", hill, nodata=-9999.0, **UTM)
    with pytest.raises(TerrainError, match="no raster holds heights"):
        cut_profile(*ENDS, [path], how=Cutting(largest_hole_m=50.0, sea_without_data=True))
    p = cut_profile(*ENDS, [path], how=Cutting(sea_without_data=True))
    assert p.bridged_m > 80.0
    assert p.ground_m.min() > 100.0


def test_the_land_states_the_cells_of_its_paths_as_profiles_do(write_raster, ground):
    fine = write_raster("fine.tif", ground[:, :30], **UTM)
    coarse = write_raster("coarse.tif", ground[::4, ::4], **(UTM | coarser(4)))
    spots = [(45.1530, 15.0004), (45.1520, 15.0014), (45.1521, 15.0030), (45.1515, 15.0045)]
    here = (45.1523, 15.0010)
    for files in ([fine, coarse], [coarse]):
        with open_mosaic(files) as mosaic:
            land = read_land(Layers(mosaic), *here, 330.0, whole=False)
            east, north = land.position_of(*np.transpose(spots))
            expected = [cut_profile(*here, *spot, mosaic).cell_m for spot in spots]
            assert land.cell_m(east, north).tolist() == expected
    assert len(set(expected)) == 1

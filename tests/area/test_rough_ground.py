"""Seams, holes, rims and canopies: a position's profile is the one that is cut for a single path."""

import numpy as np
import pytest
import rasterio

from linkcalc.area.land import read_land
from linkcalc.area.losses import losses
from linkcalc.errors import TerrainError
from linkcalc.terrain.land_cover import Layers
from linkcalc.terrain.rasters import open_mosaic
from tests.area.test_same_as_check import PATHS, compare, scene

MIDDLE = (-20.0, -19.5)  # on the central meridian of zone 27 south lies -21; the grid is turned a little here
EPSG = 32727

PLAN = """
[terrain]
rasters = {rasters}
{more}
[[station]]
name = "shed"
latitude_deg = -20.0
longitude_deg = -19.5
antenna_height_m = 8.0
[[station]]
name = "tank"
latitude_deg = -20.003
longitude_deg = -19.503
antenna_height_m = 3.0
antenna = {{ type = "yagi", azimuth_deg = 200.0 }}
[[link]]
name = "level"
from = "tank"
to = "shed"
frequency_mhz = 868.0
modulation = {{ kind = "css", spreading_factor = 9 }}
"""


def hills(seed: int, rows: int, columns: int, relief_m: float) -> np.ndarray:
    from scipy.ndimage import gaussian_filter

    noise = np.random.default_rng(seed).normal(size=(rows, columns))
    smooth = gaussian_filter(noise, 6.0, mode="nearest")
    return (200.0 + relief_m * smooth / smooth.std()).astype(np.float32)


def raster(path, heights: np.ndarray, west: float, north: float, cell: float) -> None:
    grid = {"crs": f"EPSG:{EPSG}", "transform": rasterio.Affine(cell, 0, west, 0, -cell, north)}
    shape = {"driver": "GTiff", "count": 1, "height": heights.shape[0], "width": heights.shape[1]}
    with rasterio.open(path, "w", dtype="float32", nodata=-9999.0, **shape, **grid) as file:
        file.write(np.where(np.isnan(heights), -9999.0, heights).astype(np.float32), 1)


@pytest.fixture(scope="module")
def rasters(tmp_path_factory):
    """A coarse raster all around, a fine one with holes in the east, a hole in both, and a canopy."""
    from linkcalc.terrain.geodesy import transformer

    folder = tmp_path_factory.mktemp("rasters")
    x, y = transformer("EPSG:4326", f"EPSG:{EPSG}").transform(MIDDLE[1], MIDDLE[0])
    coarse = hills(3, 130, 130, 15.0)
    coarse[40:43, 40:42] = np.nan
    coarse[90, 60:63] = np.nan
    raster(folder / "whole.tif", hills(3, 130, 130, 15.0), x - 65 * 45.0, y + 65 * 45.0, 45.0)
    raster(folder / "coarse.tif", coarse, x - 65 * 45.0, y + 65 * 45.0, 45.0)
    fine = hills(5, 120, 90, 10.0)
    fine[20:30, 20:40] = np.nan
    fine[70:72, 50:53] = np.nan
    raster(folder / "fine.tif", fine, x + 300.0, y + 900.0, 17.0)
    canopy = np.zeros((60, 60), np.float32)
    canopy[10:30, 10:50] = 12.0
    canopy[40:44, 5:20] = np.nan
    raster(folder / "canopy.tif", canopy, x - 1500.0, y + 500.0, 30.0)
    return folder


@pytest.mark.parametrize("use_numba", PATHS)
@pytest.mark.parametrize("step", ["", "step_m = 70.0", "step_m = 250.0"])
def test_seams_and_holes_equal_check(rasters, tmp_path, use_numba, step):
    names = f'["{rasters}/coarse.tif", "{rasters}/fine.tif"]'
    text = PLAN.format(rasters=names, more=step)
    with scene(text, tmp_path, "shed", MIDDLE, 2400.0) as place:
        assert len(place.land.windows) == 2
        assert (place.land.windows[:, -1] == 0).all()  # neither is whole
        compare(place, 60, use_numba, seed=11)


@pytest.mark.parametrize("use_numba", PATHS)
def test_a_whole_coarse_raster_does_not_cover_a_fine_one(rasters, tmp_path, use_numba):
    text = PLAN.format(rasters=f'["{rasters}/whole.tif", "{rasters}/fine.tif"]', more="")
    with scene(text, tmp_path, "shed", MIDDLE, 2400.0) as place:
        assert sorted(place.land.windows[:, -1]) == [0, 1]
        compare(place, 60, use_numba, seed=14)


@pytest.mark.parametrize("use_numba", PATHS)
def test_trees_of_a_canopy_model_equal_check(rasters, tmp_path, use_numba):
    text = PLAN.format(rasters=f'["{rasters}/coarse.tif"]', more=f'canopy_rasters = ["{rasters}/canopy.tif"]')
    with scene(text, tmp_path, "shed", MIDDLE, 2400.0) as place:
        compare(place, 60, use_numba, seed=12)


@pytest.fixture(scope="module", params=[90.0, 10.0], ids=["cells of 90 m", "cells of 10 m"])
def made_land(request, tmp_path_factory):
    """A mirror-flat plain in the west, steep broken ground in the east, woods over both."""
    from linkcalc.terrain.geodesy import transformer

    cell = request.param
    folder = tmp_path_factory.mktemp("made")
    x, y = transformer("EPSG:4326", f"EPSG:{EPSG}").transform(MIDDLE[1], MIDDLE[0])
    n = int(6400.0 / cell)
    ground = hills(7, n, n, 25.0) + np.random.default_rng(8).normal(0.0, 3.0, (n, n)).astype(np.float32)
    ground[:, : int(0.55 * n)] = 190.0
    raster(folder / "ground.tif", ground, x - n / 2 * cell, y + n / 2 * cell, cell)
    thick = hills(9, n, n, 1.0) - 200.0
    raster(folder / "canopy.tif", np.where(thick > 0.7, 14.0, 0.0), x - n / 2 * cell, y + n / 2 * cell, cell)
    return folder


SURROUNDINGS = {
    "nothing stands there": 'surroundings = "none"\n',
    "nobody said": "",
    "woods of 9 m": 'surroundings = "woodland"\nsurroundings_height_m = 9.0\n',
}


@pytest.mark.parametrize("surroundings", SURROUNDINGS)
@pytest.mark.parametrize("use_numba", PATHS)
def test_woods_mirrors_and_broken_ground_equal_check(made_land, tmp_path, use_numba, surroundings):
    text = PLAN.format(
        rasters=f'["{made_land}/ground.tif"]', more=f'canopy_rasters = ["{made_land}/canopy.tif"]'
    ).replace("[[station]]\n", "[[station]]\n" + SURROUNDINGS[surroundings])
    with scene(text, tmp_path, "shed", MIDDLE, 2800.0) as place:
        compare(place, 150 if use_numba else 25, use_numba, seed=13)


def test_positions_without_height_have_no_answer(rasters, tmp_path):
    text = PLAN.format(rasters=f'["{rasters}/coarse.tif"]', more="largest_hole_m = 100.0")
    with scene(text, tmp_path, "shed", MIDDLE, 2400.0) as place:
        column, row = 41.0, 41.5  # in the hole
        east, north = (column - 65) * 45.0, (65 - row) * 45.0
        found = losses(
            place.land, place.template, place.fixed, [east, 1.3 * east, 0.0], [north, 1.3 * north, 0.0]
        )
    assert not found.known.any()
    assert np.isnan(found.loss_db).all()


def test_the_rasters_are_read_once(rasters):
    with open_mosaic([rasters / "coarse.tif"]) as ground:
        read: list[tuple[int, int, int, int]] = []
        own = ground.rasters[0]._read

        def counted(*window):
            read.append(window)
            return own(*window)

        ground.rasters[0]._read = counted
        read.clear()
        read_land(Layers(ground), *MIDDLE, 2400.0)
    seen = np.zeros((130, 130), int)
    for left, right, top, bottom in read:
        if (right - left) * (bottom - top) > 4:  # the station's own four cells are looked at first
            seen[top:bottom, left:right] += 1
    assert seen.max() == 1
    assert seen[65, 65] == 1


def test_a_radius_beyond_the_rasters_names_the_one_that_fits(rasters):
    with open_mosaic([rasters / "coarse.tif"]) as ground:
        with pytest.raises(
            TerrainError, match=r"reaches beyond the rasters: they end 2\.9. km away.*take 2\.9 km"
        ):
            read_land(Layers(ground), *MIDDLE, 5000.0)
        read_land(Layers(ground), *MIDDLE, 2900.0)


def test_a_station_on_nodata_is_refused(rasters):
    with open_mosaic([rasters / "coarse.tif"]) as ground:
        lat, lon = ground.rasters[0].position(41, 41)
        with pytest.raises(TerrainError, match="has no height"):
            read_land(Layers(ground), float(lat), float(lon), 500.0)

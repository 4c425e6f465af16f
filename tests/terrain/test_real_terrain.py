"""Real rasters and awkward variants of one of them, read from $LINKCALC_REFERENCE_DATA/terrain.

The ridges of the Jacksboro fault (matplotlib's sample data, 3 arc seconds), a Pacific islet as a zipped
.hgt tile (rasterio's test data, SRTM), and laser-scanned woodland at 2 m (lidR's sample data). What the
woodland and the islet are like is quoted from the notes that come with the files.
"""

import numpy as np
import pytest
import rasterio

from linkcalc.errors import TerrainError
from linkcalc.propagation.diffraction import delta_bullington_loss_db
from linkcalc.terrain.cell_size import cell_error_db
from linkcalc.terrain.cutting import Cutting, cut_profile
from linkcalc.terrain.geodesy import from_grid
from linkcalc.terrain.rasters import open_mosaic

WHOLE = "jacksboro_srtm3_4326.tif"
PATHS = [
    (36.25, -84.35, 36.40, -84.12),  # 27 km over the ridges, across both the seam and the holes
    (36.40, -84.30, 36.42, -84.19),  # along a ridge
    (36.20, -84.26, 36.20, -84.23),  # up the summit, west to east
]


def cut(folder, path, *names, **options):
    return cut_profile(*path, names, base_dir=folder, step_m=80.0, **options)


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    "names",
    [
        ("jacksboro_feet_float32.tif",),
        ("jacksboro_south_up.tif",),
        ("jacksboro_two_tiles.vrt",),
        ("jacksboro_tile_west.tif", "jacksboro_tile_east.tif"),
        ("jacksboro_tile_east.tif", "jacksboro_tile_west.tif"),
    ],
)
def test_each_way_of_storing_the_same_ground_gives_the_same_profile(real_terrain, path, names):
    expected = cut(real_terrain, path, WHOLE)
    assert cut(real_terrain, path, *names).ground_m == pytest.approx(expected.ground_m, abs=1e-4)


@pytest.mark.parametrize("path", PATHS)
def test_the_reprojected_ground_agrees_within_its_resolution(real_terrain, path):
    expected = cut(real_terrain, path, WHOLE)
    other = cut(real_terrain, path, "jacksboro_utm16n_90m.tif")
    # Two bilinear interpolations in a row smooth cells of 74 m by 92 m whose neighbours differ by 15 m.
    assert np.std(other.ground_m - expected.ground_m) < 5.0
    assert abs(np.mean(other.ground_m - expected.ground_m)) < 2.0


HOLED = [
    "jacksboro_holes_nodata.tif",
    "jacksboro_holes_nodata_undeclared.tif",
    "jacksboro_holes_nan_float32.tif",
    "jacksboro_int16_scale0p1_offset500.tif",
]


@pytest.mark.parametrize("name", HOLED)
def test_holes_are_an_error_where_long_and_bridged_where_allowed(real_terrain, name):
    with pytest.raises(TerrainError, match=r"hole (299|300) m long"):
        cut_profile(*PATHS[0], [name], base_dir=real_terrain)
    expected = cut(real_terrain, PATHS[0], WHOLE)
    p = cut(real_terrain, PATHS[0], name, how=Cutting(largest_hole_m=400.0))
    differs = np.abs(p.ground_m - expected.ground_m) > 1e-3
    assert 250.0 < p.bridged_m < 400.0
    # beside the hole one point on each side leans on fewer cells than it would otherwise
    assert differs.sum() * p.spacing_m <= p.bridged_m + 2 * p.spacing_m + 1e-6
    assert p.ground_m.min() > 200.0


@pytest.mark.parametrize("name", HOLED)
def test_nowhere_is_a_hole_read_as_a_height(real_terrain, name):
    with rasterio.open(real_terrain / WHOLE) as whole:
        stored = whole.read(1)
        col, row = np.meshgrid(np.arange(0, whole.width, 3), np.arange(0, whole.height, 3))
        lon, lat = whole.bounds.left + (col + 0.5) / 1200, whole.bounds.top - (row + 0.5) / 1200
    with rasterio.open(real_terrain / HOLED[0]) as holed:
        hole = holed.read(1)[row, col] == -32768
    with open_mosaic([name], real_terrain) as mosaic:
        heights = mosaic.sample(lat, lon)
    assert hole.any()
    assert (np.isnan(heights) == hole).all()
    assert heights[~hole] == pytest.approx(stored[row, col][~hole], abs=1e-3)


def test_a_coarser_raster_fills_the_holes_of_a_finer_one(real_terrain):
    expected = cut(real_terrain, PATHS[0], WHOLE)
    p = cut(real_terrain, PATHS[0], "jacksboro_holes_nodata.tif", "jacksboro_utm16n_90m.tif")
    assert p.bridged_m == 0.0
    assert p.ground_m == pytest.approx(expected.ground_m, abs=10.0)


def test_the_rim_of_a_reprojected_raster_is_no_ground(real_terrain):
    # Reprojection leaves the tile slanted in its frame: the frame's corner is nodata.
    lat, lon = from_grid(731_795.6 + 200.0, 4_037_415.4 - 200.0, 32616)
    with pytest.raises(TerrainError, match="nodata"):
        cut(real_terrain, (lat, lon, 36.3, -84.2), "jacksboro_utm16n_90m.tif")


def test_a_zipped_tile_shows_an_islet_of_at_most_nine_metres(real_terrain):
    with open_mosaic(["N10W110.hgt.zip"], real_terrain) as mosaic:
        assert mosaic.spacing_m == pytest.approx(91.2, abs=0.2)
        around = np.linspace(-0.027, 0.027, 201)
        islet = mosaic.sample(10.3 + around[:, np.newaxis], -109.22 + around)
        sea = mosaic.sample(10.8, -109.8)
    assert 5.0 < islet.max() <= 9.0
    assert sea == 0.0


def test_laser_scanned_woodland_has_trees_of_the_known_heights(real_terrain):
    ground, surface = "forest_quebec_dtm_2m.tif", "forest_quebec_dsm_2m.tif"
    x, y = np.meshgrid(273_356 + 1.0 + 2.0 * np.arange(144), 5_274_644 - 1.0 - 2.0 * np.arange(144))
    lat, lon = from_grid(x, y, 2949)
    with open_mosaic([ground], real_terrain) as bare, open_mosaic([surface], real_terrain) as top:
        trees = top.sample(lat, lon) - bare.sample(lat, lon)
    # cell by cell: median 2.8 m, 95 % 12.8 m, 99 % 15.6 m, highest 21 m
    assert np.nanpercentile(trees, [50, 95, 99]) == pytest.approx([2.8, 12.8, 15.6], abs=0.15)
    assert np.nanmax(trees) == pytest.approx(21.0, abs=0.5)

    p = cut_profile(
        lat[20, 20], lon[20, 20], lat[120, 130], lon[120, 130], [ground], surface_rasters=[surface],
        base_dir=real_terrain,
    )  # fmt: skip
    assert p.spacing_m == pytest.approx(2.0, abs=0.05)
    assert 5.0 < p.clutter_m.max() < 21.0
    assert set(p.clutter_kind) == {"", "trees"}
    assert p.clutter_m[p.clutter_m > 0].min() >= 1.0


def test_what_larger_cells_hide_on_real_ground_is_what_cell_error_says(real_terrain, tmp_path):
    # the measurement of docs/ground.md in small: the loss over real ground against that over its means
    source = real_terrain / "jacksboro_srtm3_4326.tif"
    paths, rng = {}, np.random.default_rng(12)
    for k in (2, 4, 10):
        with rasterio.open(source) as file:
            cells = file.read(1)[: 344 // k * k, : 403 // k * k].astype(np.float32)
            means = cells.reshape(cells.shape[0] // k, k, cells.shape[1] // k, k).mean((1, 3))
            t = file.transform
            larger = rasterio.Affine(t.a * k, 0, t.c, 0, t.e * k, t.f)
        paths[k] = tmp_path / f"{k}.tif"
        with rasterio.open(
            paths[k], "w", driver="GTiff", count=1, dtype="float32", crs="EPSG:4326", transform=larger,
            width=means.shape[1], height=means.shape[0],
        ) as file:  # fmt: skip
            file.write(means, 1)

    def loss_db(ends, raster):
        p = cut_profile(*ends, [raster])
        return float(
            delta_bullington_loss_db(
                p.distance_m, p.ground_m, clutter_m=p.clutter_m, tx_height_m=5.0, rx_height_m=5.0,
                frequency_hz=868e6, k_factor=4 / 3, polarisation="vertical",
            )
        )  # fmt: skip

    hopeful_db = {k: [] for k in paths}
    for _ in range(40):
        lat, lon = rng.uniform(36.2, 36.4), rng.uniform(-84.38, -84.12)
        ends = (lat, lon, lat + rng.uniform(-0.02, 0.02), lon + rng.uniform(0.015, 0.03))
        true = loss_db(ends, source)
        for k, raster in paths.items():
            hopeful_db[k].append(true - loss_db(ends, raster))
    for k, errors in hopeful_db.items():
        expected = cell_error_db(92.0 * k, 15.0)
        # kinds of ground differ by a factor of two around the measurement's mean
        assert 0.33 < np.sqrt(np.mean(np.square(errors))) / expected < 2.0
        assert np.mean(errors) > 0.0

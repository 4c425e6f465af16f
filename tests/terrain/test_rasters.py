"""Heights out of rasters: against scipy's interpolation, and across every way a raster can be awkward."""

import tracemalloc
import zipfile
from itertools import pairwise

import numpy as np
import pytest
import rasterio
import rasterio.warp
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rasterio import Affine
from scipy.ndimage import map_coordinates

from linkcalc.errors import TerrainError
from linkcalc.terrain import rasters
from linkcalc.terrain.geodesy import transformer
from linkcalc.terrain.raster import CANOPY_LIMITS_M
from linkcalc.terrain.rasters import open_mosaic
from tests.terrain.conftest import CELL_DEG, HILLS_NORTH, HILLS_SHAPE, HILLS_WEST, north_up

ROWS, COLS = HILLS_SHAPE


def position(row, col):
    """Latitude and longitude of fractional cell centres of the hills."""
    return (
        HILLS_NORTH - (np.asarray(row) + 0.5) * CELL_DEG,
        HILLS_WEST + (np.asarray(col) + 0.5) * CELL_DEG,
    )


def anywhere(n=400, margin=0.0, seed=3):
    """Random rows and columns on the hills, no closer than `margin` cells to the rim."""
    rng = np.random.default_rng(seed)
    row = rng.uniform(-0.5 + margin, ROWS - 0.5 - margin, n)
    return row, rng.uniform(-0.5 + margin, COLS - 0.5 - margin, n)


def sampled(paths, row, col, **options):
    with open_mosaic(paths if isinstance(paths, list) else [paths], **options) as mosaic:
        return mosaic.sample(*position(row, col))


def tile_transform(left, top, cell=CELL_DEG):
    return north_up(HILLS_WEST + left * CELL_DEG, HILLS_NORTH - top * CELL_DEG, cell)


def write_tiles(write_raster, hills, row_cuts, col_cuts, overlap=0):
    """Cut the hills at rows and columns; each tile reaches `overlap` cells over its lower and right cut."""
    paths = []
    rows, cols = [0, *sorted(row_cuts), ROWS], [0, *sorted(col_cuts), COLS]
    for top, bottom in pairwise(rows):
        for left, right in pairwise(cols):
            part = hills[top : bottom + overlap, left : right + overlap]
            transform = tile_transform(left, top)
            paths.append(write_raster(f"tile_{top}_{left}.tif", part, transform=transform))
    return paths


def test_heights_are_bilinear_between_cell_centres_as_scipy_computes_them(write_raster, hills):
    row, col = anywhere()
    expected = map_coordinates(hills.astype(float), [row, col], order=1, mode="nearest")
    assert sampled(write_raster("hills.tif", hills), row, col) == pytest.approx(expected, abs=1e-6)


def test_a_cell_centre_has_exactly_the_stored_height(write_raster, hills):
    row, col = np.mgrid[:ROWS, :COLS]
    assert sampled(write_raster("hills.tif", hills), row, col) == pytest.approx(hills, abs=1e-6)


def test_a_projected_raster_is_sampled_where_rasterio_says_its_cells_lie(write_raster, hills):
    path = write_raster("utm.tif", hills, transform=north_up(650_000, 5_000_000, 30), crs="EPSG:32633")
    row, col = anywhere()
    x, y = 650_000 + (col + 0.5) * 30, 5_000_000 - (row + 0.5) * 30
    lon, lat = rasterio.warp.transform("EPSG:32633", "EPSG:4326", x, y)
    expected = map_coordinates(hills.astype(float), [row, col], order=1, mode="nearest")
    with open_mosaic([path]) as mosaic:
        assert mosaic.sample(lat, lon) == pytest.approx(expected, abs=1e-4)
        assert mosaic.spacing_m == pytest.approx(30.0, rel=0.001)


STORED_OTHERWISE = {
    "south_up": (
        lambda h: h[::-1],
        {"transform": Affine(CELL_DEG, 0, HILLS_WEST, 0, CELL_DEG, HILLS_NORTH - ROWS * CELL_DEG)},
    ),
    "quarter_turn": (
        lambda h: h.T,
        {"transform": Affine(0, CELL_DEG, HILLS_WEST, -CELL_DEG, 0, HILLS_NORTH)},
    ),
    "feet": (lambda h: (h / 0.3048).astype(np.float32), {"unit": "ft"}),
    "survey_feet": (lambda h: (h / 1200 * 3937).astype(np.float32), {"unit": "US survey foot"}),
    "scaled": (lambda h: ((h - 200) * 10).astype(np.int16), {"scale": 0.1, "offset": 200.0}),
    "unsigned_centimetres": (lambda h: h.astype(np.uint16) * 100, {"unit": "cm"}),
    "longitude_to_360": (lambda h: h, {"transform": Affine(CELL_DEG, 0, 380, 0, -CELL_DEG, HILLS_NORTH)}),
    "cloud_optimised": (lambda h: h, {"driver": "COG"}),
    "point_tagged": (lambda h: h, {"AREA_OR_POINT": "Point"}),
    "double": (lambda h: h.astype(float), {"tiled": True, "blockxsize": 16, "blockysize": 16}),
}


@pytest.mark.parametrize("how", STORED_OTHERWISE)
def test_the_same_hills_stored_otherwise_give_the_same_heights(write_raster, hills, how):
    store, options = STORED_OTHERWISE[how]
    row, col = anywhere()
    expected = map_coordinates(hills.astype(float), [row, col], order=1, mode="nearest")
    assert sampled(write_raster("other.tif", store(hills), **options), row, col) == pytest.approx(
        expected, abs=1e-3
    )


def test_a_rotated_grid_is_sampled_along_its_own_rows(write_raster, hills):
    # 25 m cells, rows falling 30 degrees to the right
    c, s = 25 * np.cos(np.radians(30)), 25 * np.sin(np.radians(30))
    turned = Affine(c, -s, 600_000, -s, -c, 5_000_000)
    path = write_raster("turned.tif", hills, transform=turned, crs="EPSG:32633")
    row, col = anywhere()
    x = 600_000 + c * (col + 0.5) - s * (row + 0.5)
    y = 5_000_000 - s * (col + 0.5) - c * (row + 0.5)
    lon, lat = rasterio.warp.transform("EPSG:32633", "EPSG:4326", x, y)
    expected = map_coordinates(hills.astype(float), [row, col], order=1, mode="nearest")
    with open_mosaic([path]) as mosaic:
        assert mosaic.sample(lat, lon) == pytest.approx(expected, abs=1e-4)


def test_a_compound_crs_in_feet_gives_metres(write_raster, hills):
    # EPSG:6360 is the height NAVD88 in US survey feet; GDAL reports it as the band's unit.
    path = write_raster(
        "compound.tif",
        (hills / 1200 * 3937).astype(np.float32),
        transform=north_up(500_000, 4_000_000, 10),
        crs="EPSG:26917+6360",
    )
    x, y = transformer("EPSG:26917", "EPSG:4326").transform(500_000 + 205.0, 4_000_000 - 105.0)
    with open_mosaic([path]) as mosaic:
        assert mosaic.sample(y, x) == pytest.approx(hills[10, 20], abs=1e-3)


def with_hole(hills, dtype, value):
    holed = hills.astype(dtype)
    holed[20:30, 30:40] = value
    return holed


HOLES = {
    "declared": (np.int16, -9999, {"nodata": -9999}),
    "declared_as_a_possible_height": (np.int16, 0, {"nodata": 0}),
    "nan": (np.float32, np.nan, {"nodata": np.nan}),
    "nan_undeclared": (np.float32, np.nan, {}),
    "undeclared_int16": (np.int16, -32768, {}),
    "undeclared_float": (np.float32, -32768.0, {}),
    "undeclared_scaled": (np.int16, -32768, {"scale": 0.01, "offset": 100.0}),
    "undeclared_in_feet": (np.int16, -32768, {"unit": "ft"}),
    "undeclared_huge": (np.float32, -3.4028235e38, {}),
    "undeclared_deep": (np.int16, -9999, {}),
    "infinite": (np.float32, np.inf, {}),
}


@pytest.mark.parametrize("how", HOLES)
def test_no_kind_of_nodata_is_read_as_a_height(write_raster, hills, how):
    dtype, value, options = HOLES[how]
    path = write_raster("holed.tif", with_hole(hills, dtype, value), **options)
    row, col = np.mgrid[:ROWS, :COLS]
    heights = sampled(path, row, col)
    hole = np.zeros(HILLS_SHAPE, bool)
    hole[20:30, 30:40] = True
    assert (np.isnan(heights) == hole).all()
    metres = 0.3048 if options.get("unit") == "ft" else 1.0
    expected = (hills * options.get("scale", 1.0) + options.get("offset", 0.0)) * metres
    assert heights[~hole] == pytest.approx(expected[~hole], abs=1e-4)
    # Between the centres, nothing near the rim of the hole is pulled toward the fill value.
    near = sampled(path, *anywhere(4000))
    assert np.nanmin(near) >= expected.min() - 1e-9
    assert np.nanmax(near) <= expected.max() + 1e-9


def test_a_mask_band_marks_nodata_too(write_raster, hills):
    path = write_raster("masked.tif", hills)
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "r+") as file:
        file.write_mask(hills < 300)
    row, col = np.mgrid[:ROWS, :COLS]
    assert (np.isnan(sampled(path, row, col)) == (hills >= 300)).all()


def test_heights_that_cannot_be_are_remembered_for_a_message(write_raster, hills):
    with open_mosaic([write_raster("holed.tif", with_hole(hills, np.int16, -9999))]) as mosaic:
        mosaic.sample(*position(25.0, 35.0))
        assert mosaic.rasters[0].out_of_limits == (4, -9999.0)


def test_the_rest_of_a_cell_beside_nodata_keeps_its_own_height(write_raster):
    flat = np.full((9, 9), 50, np.int16)
    flat[4, 4] = -32768
    path = write_raster("one.tif", flat)
    assert sampled(path, 4.0, 3.51) == pytest.approx(np.nan, nan_ok=True)
    assert sampled(path, 4.0, 3.49) == pytest.approx(50.0)
    assert sampled(path, 3.4, 3.4) == pytest.approx(50.0)


def test_points_beyond_the_rim_have_no_height(write_raster, hills):
    heights = sampled(write_raster("hills.tif", hills), [-0.5, -0.51, 30, 30], [10, 10, COLS - 0.5, COLS])
    assert np.isnan(heights).tolist() == [False, True, False, True]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    row_cuts=st.sets(st.integers(1, ROWS - 1), max_size=2),
    col_cuts=st.sets(st.integers(1, COLS - 1), max_size=3),
    overlap=st.integers(0, 2),
    seed=st.integers(0, 100),
)
def test_cutting_a_raster_into_tiles_changes_no_height(
    write_raster, hills, row_cuts, col_cuts, overlap, seed
):
    tiles = write_tiles(write_raster, hills, row_cuts, col_cuts, overlap)
    np.random.default_rng(seed).shuffle(tiles)
    row, col = anywhere(200, seed=seed)
    cuts = np.array([*row_cuts, 30], float)[:1] - 0.5  # and on a seam itself
    row, col = np.append(row, np.repeat(cuts, 50)), np.append(col, np.linspace(0, COLS - 1, 50))
    whole = sampled(write_raster("whole.tif", hills), row, col)
    assert sampled(tiles, row, col) == pytest.approx(whole, abs=1e-5)


def test_tiles_on_either_side_of_the_180th_meridian_join(write_raster, hills):
    def lon(col):
        return (180 + (col - 40 + 0.5) * CELL_DEG + 180) % 360 - 180

    west = write_raster("w.tif", hills[:, :40], transform=north_up(180 - 40 * CELL_DEG, 10, CELL_DEG))
    east = write_raster("e.tif", hills[:, 40:], transform=north_up(-180, 10, CELL_DEG))
    row, col = anywhere()
    expected = map_coordinates(hills.astype(float), [row, col], order=1, mode="nearest")
    with open_mosaic([west, east]) as mosaic:
        heights = mosaic.sample(10 - (row + 0.5) * CELL_DEG, lon(col))
    assert heights == pytest.approx(expected, abs=1e-5)


def fine_part(write_raster, value, rows=30, cols=30, **options):
    """A flat raster of a third of the hills' cell size over their rows and columns 20 to 30."""
    heights = np.full((rows, cols), value, np.float32)
    return write_raster("fine.tif", heights, transform=tile_transform(20, 20, CELL_DEG / 3), **options)


def test_the_finest_raster_that_holds_data_wins_in_whatever_order_they_are_named(write_raster, hills):
    coarse, fine = write_raster("coarse.tif", hills), fine_part(write_raster, 1000.0)
    row, col = [25.0, 25.0], [25.0, 50.0]
    for paths in ([coarse, fine], [fine, coarse]):
        assert sampled(paths, row, col) == pytest.approx([1000.0, hills[25, 50]])


def test_of_equal_rasters_the_one_named_first_wins(write_raster, hills):
    one, other = write_raster("one.tif", hills), write_raster("other.tif", hills + 100)
    assert sampled([one, other], 25.0, 50.0) == pytest.approx(hills[25, 50])
    assert sampled([other, one], 25.0, 50.0) == pytest.approx(hills[25, 50] + 100)


def test_a_hole_in_the_finer_raster_is_filled_by_the_coarser(write_raster, hills):
    fine = np.full((30, 30), 1000.0, np.float32)
    fine[5:25, 5:25] = np.nan
    paths = [
        write_raster("fine.tif", fine, transform=tile_transform(20, 20, CELL_DEG / 3)),
        write_raster("hills.tif", hills),
    ]
    assert sampled(paths, 24.0, 25.0) == pytest.approx(hills[24, 25])


def test_heights_change_without_a_step_where_one_raster_takes_over_from_another(write_raster):
    flat = np.full(HILLS_SHAPE, 100, np.int16)
    paths = [fine_part(write_raster, 130.0), write_raster("coarse.tif", flat)]
    col = np.linspace(28.0, 31.0, 3001)  # across the fine raster's rim, a thousandth of a cell a step
    heights = sampled(paths, np.full(col.shape, 24.2), col)
    assert heights[0] == pytest.approx(130.0)
    assert heights[-1] == pytest.approx(100.0)
    # 30 m over one fine cell is 0.09 m a step
    assert np.abs(np.diff(heights)).max() < 0.1


def test_a_zipped_raster_is_read_without_unpacking(write_raster, hills, tmp_path):
    heights = np.full((1201, 1201), -32768, ">i2")
    heights[:60, :80] = hills
    for name in ("N44E020.hgt.zip", "someone_elses_name.zip"):
        with zipfile.ZipFile(tmp_path / name, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("folder/readme.txt", "tiles")
            archive.writestr("N44E020.hgt", heights.tobytes())
        # 1201 samples to the degree, the first on the north-west corner itself
        with open_mosaic([name], tmp_path) as mosaic:
            found = mosaic.sample(
                45 - np.array([0, 12, 59, 500]) / 1200, 20 + np.array([0, 7, 79, 500]) / 1200
            )
        assert found == pytest.approx([hills[0, 0], hills[12, 7], hills[59, 79], np.nan], nan_ok=True)
    inside = f"/vsizip/{tmp_path}/N44E020.hgt.zip/N44E020.hgt"
    with open_mosaic([inside]) as mosaic:
        assert mosaic.sample(45.0, 20.0) == pytest.approx(hills[0, 0])


def test_urls_and_virtual_paths_are_passed_on_as_they_are(write_raster, hills, tmp_path):
    path = write_raster("hills.tif", hills)
    for name in (f"file://{path}", f"/vsisubfile/0,{path}"):
        assert sampled([name], 7.0, 9.0, base_dir="elsewhere") == pytest.approx(hills[7, 9])


def test_relative_paths_start_at_the_base_folder(write_raster, hills, tmp_path):
    write_raster("hills.tif", hills)
    assert sampled(["hills.tif"], 7.0, 9.0, base_dir=tmp_path) == pytest.approx(hills[7, 9])


def damaged(write_raster, tmp_path, hills):
    whole = write_raster("whole.tif", hills, compress="deflate", blockysize=4)
    data = bytearray(whole.read_bytes())
    data[-2500:] = b"\0" * 2500
    (tmp_path / "damaged.tif").write_bytes(data)


UNUSABLE = {
    "missing": ("nowhere.tif", None, "there is no file"),
    "folder": (".", None, "is a folder"),
    "text": ("notes.txt", lambda w, t, h: (t / "notes.txt").write_text("heights"), "cannot be opened"),
    "empty": ("empty.tif", lambda w, t, h: (t / "empty.tif").write_bytes(b""), "cannot be opened"),
    "unplaced": ("u.tif", lambda w, t, h: w("u.tif", h, crs=None), "no coordinate system"),
    "picture": (
        "rgb.tif",
        lambda w, t, h: w("rgb.tif", h.astype(np.uint8), count=3, photometric="RGB"),
        "picture",
    ),
    "complex": ("c.tif", lambda w, t, h: w("c.tif", h.astype(np.complex64)), "holds complex64"),
    "fathoms": ("f.tif", lambda w, t, h: w("f.tif", h, unit="fathom"), "'fathom'"),
    "not_a_zip": ("x.zip", lambda w, t, h: (t / "x.zip").write_text("zip"), "not a readable zip"),
    "damaged": ("damaged.tif", damaged, "damaged"),
    "remote": ("http://localhost:9/dem.tif", None, "lies on the network"),
    "geocentric": ("xyz.tif", lambda w, t, h: w("xyz.tif", h, crs="EPSG:4978"), "EPSG:4978, neither"),
}


@pytest.mark.parametrize("how", UNUSABLE)
def test_a_raster_that_cannot_be_used_is_named_with_the_reason(write_raster, tmp_path, hills, how):
    name, make, said = UNUSABLE[how]
    if make:
        make(write_raster, tmp_path, hills)
    row, col = np.mgrid[:ROWS, :COLS]
    with pytest.raises(TerrainError, match=said) as caught:
        sampled([name], row, col, base_dir=tmp_path)
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_raster_with_a_crs_but_no_place_is_refused(write_raster, hills):
    with (
        pytest.raises(TerrainError, match="not georeferenced"),
        pytest.warns(UserWarning, match="geotransform"),
    ):
        open_mosaic([write_raster("hills.tif", hills, transform=Affine.identity())])


def test_a_zip_with_several_rasters_asks_which(write_raster, hills, tmp_path):
    with zipfile.ZipFile(tmp_path / "two.zip", "w") as archive:
        for name in ("a.tif", "b.tif"):
            archive.write(write_raster(name, hills), name)
    with pytest.raises(TerrainError, match=r"2 rasters \(a.tif, b.tif.*name one as /vsizip/"):
        open_mosaic(["two.zip"], tmp_path)


def test_without_rasters_nothing_has_a_height():
    with open_mosaic([]) as mosaic:
        assert np.isnan(mosaic.sample(45.0, 20.0))


def test_canopy_codes_beyond_the_tallest_tree_are_nodata(write_raster):
    canopy = np.full((5, 5), 20, np.uint8)
    canopy[2, 2] = 255
    path = write_raster("canopy.tif", canopy)
    assert np.isnan(sampled(path, 2.0, 2.0, limits_m=CANOPY_LIMITS_M))
    assert sampled(path, 1.0, 1.0, limits_m=CANOPY_LIMITS_M) == pytest.approx(20.0)


@pytest.fixture
def country(tmp_path):
    """A country at 10 m: 400 million cells, 1.6 GB if it were loaded, sea but for one hill."""
    path = tmp_path / "country.tif"
    grid = {"crs": "EPSG:32631", "transform": north_up(400_000, 5_200_000, 10)}
    with rasterio.open(
        path, "w", driver="GTiff", count=1, width=20_000, height=20_000, dtype="float32",
        tiled=True, compress="deflate", sparse_ok=True, **grid,
    ) as file:  # fmt: skip
        hill = np.full((256, 256), 321.0, np.float32)
        file.write(hill, 1, window=rasterio.windows.Window(10_240, 10_240, 256, 256))
    return path


@pytest.mark.parametrize(("kilometres", "most_cells"), [(3, 50_000), (250, 12_000_000)])
def test_a_path_reads_the_cells_around_it_and_not_the_country(country, monkeypatch, kilometres, most_cells):
    cells = []
    read = rasters.Raster._read

    def counted(self, left, right, top, bottom):
        cells.append((right - left) * (bottom - top))
        return read(self, left, right, top, bottom)

    monkeypatch.setattr(rasters.Raster, "_read", counted)
    along = np.linspace(-0.5, 0.5, kilometres * 100) * kilometres * 1000 * np.sqrt(0.5)
    lon, lat = transformer("EPSG:32631", "EPSG:4326").transform(503_700 + along, 5_096_300 - along)
    with open_mosaic([country]) as mosaic:
        tracemalloc.start()
        heights = mosaic.sample(lat, lon)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert heights.max() == pytest.approx(321.0)
    assert sum(cells) < most_cells
    assert peak < 40e6  # 25 000 points with their neighbours, and one window


def test_a_closed_mosaic_has_let_go_of_its_files(write_raster, hills):
    with open_mosaic([write_raster("hills.tif", hills)]) as mosaic:
        pass
    with pytest.raises(TerrainError, match=r"hills\.tif"):
        mosaic.sample(*position(1.0, 1.0))

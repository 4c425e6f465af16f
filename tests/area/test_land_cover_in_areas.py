"""Cells over land cover, canopy and sea hold what `check` says there."""

import numpy as np
import pytest
import rasterio
from rasterio import Affine

from linkcalc.area.losses import losses
from linkcalc.area.margins import answers
from linkcalc.propagation import compiled
from linkcalc.terrain.land_cover import BUILT_UP, CROPS, GRASS, TREES, WATER
from tests.area.test_same_as_check import PATHS, SAMPLES, UPLAND_MIDDLE, compare, scene

CELL_DEG = 1e-4


def write(path, values, **profile):
    south, west = UPLAND_MIDDLE[0] - 0.05, UPLAND_MIDDLE[1] - 0.06
    grid = Affine(CELL_DEG, 0, west, 0, -CELL_DEG, south + CELL_DEG * values.shape[0])
    with rasterio.open(
        path, "w", driver="GTiff", count=1, width=values.shape[1], height=values.shape[0], dtype=values.dtype,
        crs="EPSG:4326", transform=grid, **profile,
    ) as file:  # fmt: skip
        file.write(values, 1)
    return path


def blobs(rng, shape, cells):
    """Whole numbers that change every so many cells."""
    coarse = rng.integers(0, 100, (shape[0] // cells + 1, shape[1] // cells + 1))
    return np.kron(coarse, np.ones((cells, cells), dtype=int))[: shape[0], : shape[1]]


@pytest.fixture(scope="module")
def rasters(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cover")
    rng = np.random.default_rng(4)
    shape = (1000, 1200)
    drawn = blobs(rng, shape, 12)
    classes = np.select(
        [drawn < 15, drawn < 22, drawn < 50, drawn < 55, drawn < 58],
        [TREES, BUILT_UP, GRASS, WATER, 0],
        CROPS,
    )
    canopy = np.where(blobs(rng, shape, 9) < 30, rng.integers(0, 25, shape), 0)
    canopy[:, 500:] = 255  # known in the west only
    return {
        "land_cover_rasters": write(folder / "land_cover.tif", classes.astype(np.uint8), nodata=0),
        "canopy_rasters": write(folder / "canopy.tif", canopy.astype(np.uint8), nodata=255),
    }


def text(rasters=(), **more):
    plan = (SAMPLES / "upland.toml").read_text()
    lines = [f'{key} = ["{path.as_posix()}"]' for key, path in dict(rasters).items()]
    lines += [f"{key} = {value}" for key, value in more.items()]
    return plan.replace("[terrain]", "\n".join(["[terrain]", *lines]))


@pytest.mark.parametrize("use_numba", PATHS)
@pytest.mark.parametrize(
    "keys", [("land_cover_rasters",), ("land_cover_rasters", "canopy_rasters"), ("canopy_rasters",)]
)
@pytest.mark.parametrize("station", ["tank", "generator shed"])
def test_cells_over_land_cover_and_canopy_equal_check(tmp_path, rasters, use_numba, keys, station):
    with scene(text({k: rasters[k] for k in keys}), tmp_path, station, UPLAND_MIDDLE, 2500.0) as place:
        compare(place, 40 if use_numba else 8, use_numba, seed=3)


def test_what_the_plan_says_of_its_stations_goes_before_any_raster(tmp_path, rasters):
    plan = text({"land_cover_rasters": rasters["land_cover_rasters"]})
    stated = plan.replace("[[station]]", '[[station]]\nsurroundings = "none"')
    with scene(stated, tmp_path, "tank", UPLAND_MIDDLE, 1500.0) as place:
        found = losses(place.land, place.template, place.fixed, *place.positions(50, 1))
        compare(place, 5, True)
    assert (found.near_surroundings_db == 0.0).all()
    assert (found.far_surroundings_db == 0.0).all()


@pytest.mark.skipif(not compiled.available(), reason="no numba")
def test_land_cover_never_makes_a_cell_more_hopeful(tmp_path, rasters):
    found, asked = [], []
    for keys in ((), ("land_cover_rasters",)):
        plan = text({k: rasters[k] for k in keys}, step_m=10.0)
        with scene(plan, tmp_path, "tank", UPLAND_MIDDLE, 2500.0) as place:
            at = place.positions(1000, 5)
            found.append(losses(place.land, place.template, place.fixed, *at))
            asked.append(answers(place.template, place.fixed, UPLAND_MIDDLE, *at, found[-1]))
    bare, covered = found
    more_db = covered.loss_db - bare.loss_db
    assert more_db.min() > -1e-6
    assert np.median(more_db) > 5.0
    assert (covered.surroundings_assumed >= bare.surroundings_assumed - 1e-9).all()
    assert (asked[1].spare_db - asked[0].spare_db).max() < 1e-6
    assert (asked[1].verdict <= asked[0].verdict).all()


@pytest.fixture(scope="module")
def coast(tmp_path_factory):
    """The sample's ground, lowered to the shore, without data in the east."""
    folder = tmp_path_factory.mktemp("coast")
    with rasterio.open(SAMPLES / "upland.tif") as file:
        heights, profile = file.read(1).astype(np.float32), file.profile
    heights -= heights.min()
    heights *= 0.2
    heights[:, heights.shape[1] * 6 // 10 : heights.shape[1] * 7 // 10] = -9999.0
    profile.update(nodata=-9999.0, dtype="float32", predictor=1)
    with rasterio.open(folder / "coast.tif", "w", **profile) as file:
        file.write(heights, 1)
    return folder / "coast.tif"


@pytest.mark.parametrize("use_numba", PATHS)
def test_cells_beyond_the_sea_equal_check(tmp_path, coast, use_numba):
    plan = text(sea_without_data="true", largest_hole_m=60.0).replace(
        '["upland.tif"]', f'["{coast.as_posix()}"]'
    )
    with scene(plan, tmp_path, "tank", UPLAND_MIDDLE, 2500.0) as place:
        rng = np.random.default_rng(2)
        east, north = rng.uniform(1500.0, 2200.0, 24), rng.uniform(-900.0, 900.0, 24)
        found = losses(place.land, place.template, place.fixed, east, north, use_numba=use_numba)
        known = found.known
        assert known.sum() >= 6
        some = east[known][:6], north[known][:6]
        compare(place, 6, use_numba, at=some)
        assert all((place.case_at(*at).profile.zone == 1).any() for at in zip(*some, strict=True))
    dry = plan.replace("sea_without_data = true\n", "")
    with scene(dry, tmp_path, "tank", UPLAND_MIDDLE, 2500.0) as place:
        assert not losses(place.land, place.template, place.fixed, east[known], north[known]).known.any()

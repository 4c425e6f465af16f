"""The invented sample terrains: always the same, small, said to be invented, and worth looking at."""

import runpy
from pathlib import Path

import numpy as np
import pytest
import rasterio

from linkcalc.plan import load_plan
from linkcalc.propagation.fresnel import clearance_ratio
from linkcalc.terrain.cutting import cut_profile
from linkcalc.terrain.geodesy import from_grid
from linkcalc.terrain.profile import Profile

SAMPLES = Path(__file__).parents[2] / "terrain_samples"
RASTERS = sorted(p.name for p in SAMPLES.glob("*.tif"))
PLANS = sorted(p.name for p in SAMPLES.glob("*.toml") if not p.stem.endswith("_fleet"))


@pytest.fixture(scope="module")
def made_again(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("samples")
    runpy.run_path(str(SAMPLES / "make_samples.py"))["main"](folder)
    return folder


def sample_path(name: str) -> tuple[Profile, np.ndarray]:
    """The profile of a sample plan's link, and its clearance in first Fresnel zone radii at k = 4/3."""
    loaded = load_plan(SAMPLES / name)
    plan, link = loaded.plan, loaded.plan.link[0]
    ends = []
    for station in (plan.station_named(link.from_), plan.station_named(link.to)):
        if station.epsg is None:
            ends += [station.latitude_deg, station.longitude_deg]
        else:
            ends += from_grid(station.easting_m, station.northing_m, station.epsg)
    p = cut_profile(
        *ends, plan.terrain.rasters, surface_rasters=plan.terrain.surface_rasters, base_dir=loaded.base_dir
    )
    heights = [plan.station_named(n).antenna_height_m for n in (link.from_, link.to)]
    ratio = clearance_ratio(
        p.distance_m,
        p.ground_m + p.clutter_m,
        p.ground_m[0] + heights[0],
        p.ground_m[-1] + heights[1],
        link.frequency_mhz * 1e6,
        4 / 3,
    )
    return p, np.asarray(ratio)


@pytest.mark.parametrize("name", RASTERS)
def test_making_a_sample_again_gives_the_same_heights(made_again, name):
    with rasterio.open(SAMPLES / name) as kept, rasterio.open(made_again / name) as new:
        assert (kept.read(1) == new.read(1)).all()
        assert kept.transform == new.transform
        assert kept.crs == new.crs
        assert (kept.scales, kept.units, kept.nodata) == (new.scales, new.units, new.nodata)


def test_every_sample_raster_is_made_by_the_script(made_again):
    assert sorted(p.name for p in made_again.iterdir()) == RASTERS


@pytest.mark.parametrize("name", RASTERS)
def test_a_sample_raster_is_small_and_says_that_it_is_invented(name):
    assert (SAMPLES / name).stat().st_size < 150_000
    with rasterio.open(SAMPLES / name) as file:
        assert "Invented" in file.tags()["COMMENT"]


@pytest.mark.parametrize("name", PLANS)
def test_a_sample_plan_loads_and_says_that_it_is_invented(name):
    loaded = load_plan(SAMPLES / name)
    assert loaded.plan.title.startswith("Invented example")
    assert "Everything here is invented" in (SAMPLES / name).read_text()
    assert loaded.assumed  # some defaults are left for the result to list


def test_a_spur_stands_in_the_ray_of_the_upland_link():
    p, ratio = sample_path("upland.toml")
    assert 4000 < p.length_m < 8000
    assert -1.5 < ratio.min() < -0.3
    assert 0.3 < p.distance_m[ratio.argmin()] / p.length_m < 0.7


def test_on_the_plain_the_ray_is_free_but_close_to_level_ground():
    p, ratio = sample_path("plain.toml")
    assert 2000 < p.length_m < 3000
    assert 0.0 < ratio.min() < 0.6
    assert np.std(p.ground_m) < 0.5


def test_trees_stand_in_the_ray_of_the_wooded_link():
    p, ratio = sample_path("wooded.toml")
    worst = ratio.argmin()
    assert ratio[worst] < 0.0
    assert p.clutter_kind[worst] == "trees"
    assert 100 < (p.clutter_m > 0).mean() * p.length_m < 600
    assert p.clutter_m.max() < 20.0

"""Heights in an array with coordinates give the profile that a raster of them gives."""

from pathlib import Path

import numpy as np
import pytest

import linkcalc as lc
from linkcalc.errors import DomainError, LinkcalcError, TerrainError
from linkcalc.files import sample_path
from linkcalc.link.on_ground import cases, open_terrain
from linkcalc.plan import load_plan
from linkcalc.plan.stations import position_deg
from linkcalc.terrain.arrays import clearance_of, profile_of_array
from linkcalc.terrain.cutting import cut_profile
from linkcalc.terrain.profile import Profile

xarray = pytest.importorskip("xarray")
rasterio = pytest.importorskip("rasterio")


def upland() -> tuple[Path, tuple[float, float], tuple[float, float]]:
    loaded = load_plan(sample_path("upland"))
    link = loaded.plan.link[0]
    ends = [position_deg(loaded.plan.station_named(n)) for n in (link.from_, link.to)]
    return loaded.base_dir / loaded.plan.terrain.rasters[0], ends[0], ends[1]


def array(file: Path) -> "xarray.DataArray":
    with rasterio.open(file) as raster:
        heights = raster.read(1, masked=True).astype(float).filled(np.nan)
        t = raster.transform
        x = t.c + t.a * (np.arange(raster.width) + 0.5)
        y = t.f + t.e * (np.arange(raster.height) + 0.5)
        return xarray.DataArray(heights, {"y": y, "x": x}, ("y", "x"), attrs={"crs": raster.crs.to_string()})


def same(one: Profile, other: Profile) -> None:
    assert one.distance_m == pytest.approx(other.distance_m, abs=1e-6)
    assert one.ground_m == pytest.approx(other.ground_m, abs=1e-6)


def test_an_array_gives_the_profile_that_its_raster_gives() -> None:
    file, start, end = upland()
    same(profile_of_array(array(file), start, end), cut_profile(*start, *end, [file]))


def test_order_of_rows_names_of_coordinates_and_where_the_crs_is_said_do_not_matter() -> None:
    file, start, end = upland()
    plain = array(file)
    known = profile_of_array(plain, start, end)
    bare = plain.drop_attrs() if hasattr(plain, "drop_attrs") else plain.copy()
    bare.attrs = {}
    crs = plain.attrs["crs"]
    noted = bare.assign_coords(spatial_ref=0)
    noted["spatial_ref"].attrs["crs_wkt"] = rasterio.crs.CRS.from_string(crs).to_wkt()
    names = (
        {"x": "lon", "y": "lat"}
        if rasterio.crs.CRS.from_string(crs).is_geographic
        else {"x": "easting", "y": "northing"}
    )
    for other in (
        plain.isel(y=slice(None, None, -1)),
        plain.transpose("x", "y"),
        plain.rename(names),
        noted,
        plain.expand_dims("band"),
    ):
        same(profile_of_array(other, start, end), known)
    same(profile_of_array(bare, start, end, crs=crs), known)


def test_heights_in_feet_are_understood_and_a_canopy_stands_on_the_ground() -> None:
    file, start, end = upland()
    plain = array(file)
    feet = plain / 0.3048
    feet.attrs = plain.attrs | {"units": "ft"}
    same(profile_of_array(feet, start, end), profile_of_array(plain, start, end))
    trees = plain * 0.0 + 12.0
    trees.attrs = plain.attrs
    wooded = profile_of_array(plain, start, end, canopy=trees)
    assert wooded.clutter_m[5] == pytest.approx(12.0)
    assert wooded.clutter_kind[5] == "trees"


def test_an_array_can_be_the_ground_of_a_plan() -> None:
    file, start, end = upland()
    loaded = load_plan(sample_path("upland"))
    link = loaded.plan.link[0]
    made = lc.plan_from(
        loaded.plan, link=[link], message=[], tank=None, engine=None, power=[], base_dir=loaded.base_dir,
        profiles={link.name: profile_of_array(array(file), start, end)},
    )  # fmt: skip
    own, usual = (lc.check_plan(p, advice=False).links[0].directions[0] for p in (made, loaded))
    # a profile that is given says nothing of its cells' size, all else is the same
    assert own.path_loss_db == pytest.approx(usual.path_loss_db, abs=1e-5)


def test_clearance_is_that_of_a_check() -> None:
    loaded = load_plan(sample_path("upland"))
    with open_terrain(loaded) as terrain:
        case = next(cases(loaded, terrain))
    heights = case.near.antenna_height_m, case.far.antenna_height_m
    found = clearance_of(case.profile, case.frequency_hz, heights, k_factor=case.situation.k_factor)
    facts = lc.check_plan(loaded, advice=False).links[0].path
    assert float(found["clearance_ratio"].min()) == pytest.approx(facts.worst_clearance_ratio, abs=1e-9)
    at = float(found["distance_m"][int(np.nanargmin(found["clearance_ratio"].values))])
    assert at == pytest.approx(facts.worst_clearance_distance_m)
    assert found["latitude_deg"].attrs["units"] == "degrees"


def test_what_is_no_map_is_refused_in_one_line() -> None:
    file, start, end = upland()
    plain = array(file)
    bare = plain.copy()
    bare.attrs = {}
    uneven = plain.assign_coords(x=plain["x"].values + np.linspace(0.0, 1.0, plain.sizes["x"]) ** 3 * 500.0)
    odd = plain.copy()
    odd.attrs = plain.attrs | {"units": "fathoms"}
    for made, line in (
        (
            lambda: profile_of_array(bare.rename(x="easting"), start, end),
            "the CRS of the array is not stated",
        ),
        (lambda: profile_of_array(plain, start, end, crs="nothing"), "is none that is known"),
        (lambda: profile_of_array(uneven, start, end), "not evenly spaced"),
        (lambda: profile_of_array(plain.rename(x="column"), start, end), "dimensions are y, column"),
        (lambda: profile_of_array(odd, start, end), "units are 'fathoms'"),
    ):
        with pytest.raises(DomainError, match=line) as caught:
            made()
        assert "\n" not in str(caught.value)
    with pytest.raises(TerrainError):
        profile_of_array(plain, start, (0.0, 0.0))
    with pytest.raises(LinkcalcError):
        clearance_of(lc.profile_from([0, 10, 20], [1, 2, 1]), 868e6, (0.0, 3.0))

"""One coverage around several stations: each cell holds the best of them."""

import gc
import json
import re
import weakref

import numpy as np
import pytest
import rasterio
from typer.testing import CliRunner

from linkcalc.area import coverage as area
from linkcalc.area.coverage import plan_coverage, prepared_job, shared_grid
from linkcalc.area.gridded import geotiff
from linkcalc.area.losses import losses
from linkcalc.area.margins import answers
from linkcalc.area.tiles import BANDS, SHARED_BANDS
from linkcalc.cli import app
from linkcalc.errors import DomainError, LinkcalcError, TerrainError
from linkcalc.link.requirement import VERDICTS
from linkcalc.plan import load_plan
from linkcalc.propagation import compiled
from linkcalc.views.coverage.text import coverage_report
from tests.area.test_same_as_check import SAMPLES, UPLAND_MIDDLE

pytestmark = pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only")

RADIUS_M, CELL_M = 900.0, 60.0
SHEDS = {
    "west shed": (UPLAND_MIDDLE[0], UPLAND_MIDDLE[1] - 0.008),
    "east shed": (UPLAND_MIDDLE[0] + 0.004, UPLAND_MIDDLE[1] + 0.006),
}


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory):
    text = f'[terrain]\nrasters = ["{(SAMPLES / "upland.tif").as_posix()}"]\n'
    places = {"tank": (UPLAND_MIDDLE[0] - 0.01, UPLAND_MIDDLE[1]), **SHEDS}
    for name, (latitude, longitude) in places.items():
        text += (
            f'[[station]]\nname = "{name}"\nlatitude_deg = {latitude}\nlongitude_deg = {longitude}\n'
            f"antenna_height_m = {4.0 if name == 'tank' else 7.0}\n"
        )
    for name in SHEDS:
        text += (
            f'[[link]]\nname = "to {name}"\nfrom = "tank"\nto = "{name}"\nfrequency_mhz = 868.3\n'
            'modulation = { kind = "css", spreading_factor = 8 }\n'
        )
    path = tmp_path_factory.mktemp("several") / "plan.toml"
    path.write_text(text)
    return path


@pytest.fixture(scope="module")
def loaded(plan_file):
    return load_plan(plan_file)


@pytest.fixture(scope="module")
def result(loaded):
    return plan_coverage(loaded, list(SHEDS), RADIUS_M, cell_m=CELL_M)


def test_every_cell_holds_the_better_of_the_stations(loaded, result):
    side = result.bands["margin_db"].shape[0]
    rows, columns = np.indices((side, side))
    east, north = (columns - side // 2) * CELL_M, (side // 2 - rows) * CELL_M
    grid = shared_grid(loaded, list(SHEDS), RADIUS_M, CELL_M)
    alone = []
    for name in SHEDS:
        job = prepared_job(loaded, name, RADIUS_M, cell_m=CELL_M)
        (hop,) = job.hops
        x, y = (v.ravel() for v in hop.land.position_of(*grid.geographic(east, north)))
        inside = np.hypot(x, y) <= RADIUS_M
        found = losses(hop.land, hop.template, hop.fixed, x[inside], y[inside])
        got = answers(hop.template, hop.fixed, hop.station_deg, x[inside], y[inside], found)
        figures = np.full((3, x.size), np.nan)
        figures[:, inside] = got.margin_db, got.spare_db, np.where(found.known, got.verdict, np.nan)
        alone.append(figures.reshape(3, side, side))
    (one, other) = alone
    rank = [np.where(np.isnan(v[0]), -1e9, v[2] * 1e4 + v[1]) for v in alone]
    better = np.where(rank[1] > rank[0], other[0], one[0])
    np.testing.assert_allclose(result.bands["margin_db"], better, atol=1e-3)
    known = np.isfinite(result.bands["margin_db"])
    sure = known & (np.abs(rank[1] - rank[0]) > 1e-3)
    expected = np.where(rank[1] > rank[0], 2.0, 1.0)
    np.testing.assert_array_equal(result.bands["serving_station"][sure], expected[sure])
    closing = sum((v[2] == VERDICTS.index("closes")).astype(float) for v in alone)
    np.testing.assert_array_equal(result.bands["stations_closing"][known], closing[known])
    assert set(np.unique(result.bands["serving_station"][known])) == {1.0, 2.0}
    assert np.nanmax(result.bands["verdict"]) == VERDICTS.index("closes")


def test_one_station_alone_is_the_coverage_it_was(loaded):
    one, listed = (plan_coverage(loaded, names, 300.0) for names in ("west shed", ["west shed"]))
    assert list(one.bands) == [b.name for b in BANDS]
    np.testing.assert_array_equal(one.bands["margin_db"], listed.bands["margin_db"])
    assert one.stations[0].name == one.station == "west shed"


def test_the_heights_around_one_station_are_in_memory_at_a_time(loaded, monkeypatch):
    own, read = area.read_land, []

    def watched(*arguments, **options):
        gc.collect()
        assert not any(cells() is not None for cells in read)
        land = own(*arguments, **options)
        read.append(weakref.ref(land.cells))
        return land

    monkeypatch.setattr(area, "read_land", watched)
    plan_coverage(loaded, list(SHEDS), 300.0, cell_m=CELL_M)
    assert len(read) == 2


def test_stations_are_no_better_for_being_named_in_another_order(loaded, result):
    turned = plan_coverage(loaded, list(SHEDS)[::-1], RADIUS_M, cell_m=CELL_M)
    np.testing.assert_allclose(turned.bands["margin_db"], result.bands["margin_db"], atol=1e-3)
    share = float((turned.bands["serving_station"] == 3.0 - result.bands["serving_station"]).sum())
    assert share == pytest.approx(np.isfinite(result.bands["margin_db"]).sum(), rel=0.01)


def test_files_name_the_station_that_serves(result):
    with rasterio.MemoryFile(geotiff("coverage.tif", result.raster())) as memory, memory.open() as file:
        assert file.count == len(BANDS) + len(SHARED_BANDS)
        assert file.descriptions[len(BANDS)].startswith("serving_station")
        serving = file.read(len(BANDS) + 1, masked=True).filled(np.nan)
    np.testing.assert_array_equal(serving, result.bands["serving_station"])
    features = json.loads(result.to_geojson())["features"]
    stations = [f for f in features if f["properties"]["what"] == "station"]
    assert [f["properties"]["station"] for f in stations] == list(SHEDS)
    for feature, (latitude, longitude) in zip(stations, SHEDS.values(), strict=True):
        assert feature["geometry"]["coordinates"] == pytest.approx([longitude, latitude], abs=1e-6)
    by_station = [f["properties"] for f in features if f["properties"]["what"] == "closes_best_from_here"]
    assert sum(p["area_km2"] for p in by_station) == pytest.approx(result.area_km2("closes"))
    assert [p["station"] for p in by_station] == list(SHEDS)


def test_the_report_says_how_much_each_station_serves(result):
    text = coverage_report(result)
    assert text.startswith("Coverage around west shed and east shed: closes on ")
    shares = [float(s) for s in re.findall(r"^  (?:west|east) shed +([\d.]+) %", text, re.M)]
    assert sum(shares) == pytest.approx(100.0, abs=0.2)
    assert "Closes from two stations or more" in text
    assert "no answer" not in text
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize(
    ("stations", "options", "error", "words"),
    [
        (["west shed", "barn"], {}, LinkcalcError, 'unknown station "barn"'),
        (list(SHEDS), {"link": ["x"]}, LinkcalcError, 'unknown link "x"'),
        (list(SHEDS), {"cell_m": 0.1}, DomainError, "too many"),
        (list(SHEDS), {"radius": 9e4}, TerrainError, "reaches beyond the rasters"),
    ],
)
def test_what_cannot_be_is_one_line(loaded, stations, options, error, words):
    options = {"cell_m": CELL_M, "radius": 900.0, **options}
    with pytest.raises(error, match=words) as caught:
        plan_coverage(loaded, stations, options.pop("radius"), **options)
    assert "\n" not in str(caught.value)


@pytest.mark.cli
def test_the_command_takes_the_option_twice(plan_file, tmp_path):
    command = [
        "coverage",
        str(plan_file),
        "--station",
        "west shed",
        "--station",
        "east shed",
        "--radius-km",
        "0.6",
    ]
    done = CliRunner().invoke(app, [*command, "--cell-m", "60", "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.stderr
    assert "By station" in done.stdout
    assert "station 2 of 2: east shed" in done.stderr
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert names == {"coverage.tif", "coverage.geojson", "coverage.svg", "coverage.png", "report.txt"}

"""What every answer of the public face does alike."""

import copy
import dataclasses
import json
import pickle
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import linkcalc as lc
from linkcalc.answer import EXTRAS, LINES, ReadOnly, installed

PLAIN, UPLAND = lc.sample_path("plain"), lc.sample_path("upland")

MADE: dict[str, Callable[[], lc.Answer]] = {
    "check": lambda: lc.check(UPLAND),
    "link": lambda: lc.check(UPLAND, sections=False).links[0],
    "sweep": lambda: lc.sweep(PLAIN, {"sf": [7, 9], "power": [10, 14]}),
    "heights": lambda: lc.heights(PLAIN, highest_m=6.0, step_m=2.0),
    "coverage": lambda: lc.coverage(PLAIN, "pump shed", radius_m=600.0, cell_m=200.0),
    "relay": lambda: lc.relay(UPLAND, cell_m=400.0, relays=1),
    "fleet": lambda: lc.fleet(lc.sample_path("upland_fleet"), choose=False, simulate=False),
    "survey": lambda: lc.survey(UPLAND, lc.sample_path("upland_readings")),
    "acceptance": lambda: lc.acceptance(success=0.9, sent=50, lost=1),
    "record": lambda: lc.record(PLAIN),
    "fieldsheet": lambda: lc.fieldsheet(PLAIN, highest_m=6.0, step_m=2.0),
    "limits": lambda: lc.limits(UPLAND),
    "messages": lambda: lc.messages(UPLAND),
    "tank": lambda: lc.tank(UPLAND, tank_years=5),
    "energy": lambda: lc.energy(UPLAND),
    "compare": lambda: lc.compare(
        {"a": lc.load_plan(PLAIN), "b": lc.load_plan(PLAIN).changed({"pump shed.antenna_height_m": 9})}
    ),
    "parts": lambda: lc.parts(PLAIN),
    "how_far": lambda: lc.how_far(PLAIN, grounds=["flat"]),
}
_MADE: dict[str, lc.Answer] = {}


@pytest.fixture(params=MADE)
def named(request: pytest.FixtureRequest) -> tuple[str, lc.Answer]:
    name = str(request.param)
    if name not in _MADE:
        _MADE[name] = MADE[name]()
    return name, _MADE[name]


@pytest.fixture
def answer(named: tuple[str, lc.Answer]) -> lc.Answer:
    return named[1]


def arrays_of(value: Any) -> list[np.ndarray]:
    if isinstance(value, np.ndarray):
        return [value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return [a for f in dataclasses.fields(value) for a in arrays_of(getattr(value, f.name))]
    if isinstance(value, dict):
        return [a for v in value.values() for a in arrays_of(v)]
    if isinstance(value, tuple | list):
        return [a for v in value for a in arrays_of(v)]
    return []


def test_a_copy_and_what_was_pickled_are_equal_and_as_read_only(answer: lc.Answer) -> None:
    for other in (copy.copy(answer), copy.deepcopy(answer), pickle.loads(pickle.dumps(answer))):
        assert other == answer
        assert hash(other) == hash(answer)
        assert not [a for a in arrays_of(other) if a.flags.writeable]


def test_nothing_in_it_can_be_written_to(answer: lc.Answer) -> None:
    assert dataclasses.is_dataclass(answer)
    field = dataclasses.fields(answer)[0].name
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(answer, field, None)
    assert not [a for a in arrays_of(answer) if a.flags.writeable]
    for f in dataclasses.fields(answer):
        value = getattr(answer, f.name)
        assert not isinstance(value, list | set)
        assert not isinstance(value, dict) or isinstance(value, ReadOnly)


def test_it_differs_from_another_answer_and_from_what_is_none(answer: lc.Answer) -> None:
    assert answer != "an answer"
    assert answer not in [other for other in _MADE.values() if other is not answer]


def test_it_prints_in_ten_lines_and_says_where_the_rest_is(answer: lc.Answer) -> None:
    lines = str(answer).splitlines()
    assert 1 <= len(lines) <= LINES
    assert repr(answer) == str(answer)
    assert len(answer.text()) > 10
    if "lines more" in lines[-1]:
        assert lines[-1].endswith("print(answer.text())")


def test_it_shows_itself_in_a_notebook_with_nothing_fetched(answer: lc.Answer) -> None:
    html = answer._repr_html_()
    assert html.startswith("<div")
    assert "<script" not in html
    assert not re.search(r"(?:src|href)=\"https?:", html)
    assert lc.show(answer).html.startswith("<div")


def test_its_dict_and_its_json_say_the_same_and_hold_no_arrays(answer: lc.Answer) -> None:
    def told(value: Any) -> None:
        assert value is None or isinstance(value, dict | list | str | int | float | bool)
        for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
            told(inner)

    told(answer.to_dict())
    assert json.loads(answer.to_json()) == answer.to_dict()
    assert answer.to_json() == answer.to_json()


def test_its_table_has_a_row_for_each_thing_and_plain_values(named: tuple[str, lc.Answer]) -> None:
    pytest.importorskip("pandas")
    name, answer = named
    frame = answer.to_pandas()
    assert len(frame) >= 1
    assert len(frame.columns) >= 2
    expected = {
        "check": 2,
        "link": 2,
        "sweep": 4,
        "coverage": 28,
        "fleet": 60,
        "survey": 2,
        "messages": 2,
    }
    if name in expected:
        assert len(frame) == expected[name]
    for column in frame:
        assert not isinstance(frame[column].iloc[0], dict | list | tuple | np.ndarray)


def test_it_is_written_as_its_ending_says(named: tuple[str, lc.Answer], tmp_path: Path) -> None:
    name, answer = named
    for ending in ("json", "txt", "csv"):
        answer.write(tmp_path / f"a.{ending}")
        assert (tmp_path / f"a.{ending}").stat().st_size > 10
    if name not in ("acceptance", "limits", "fieldsheet", "parts"):
        answer.write(tmp_path / "a.svg")
        assert (tmp_path / "a.svg").read_bytes().startswith(b"<?xml")
    with pytest.raises(lc.LinkcalcError, match=r"a\.docx: \.docx: write \."):
        answer.write(tmp_path / "a.docx")


def test_an_answer_without_a_picture_says_so() -> None:
    with pytest.raises(lc.LinkcalcError, match="no picture of this Acceptance"):
        lc.acceptance(success=0.9).figure()


# ---------------------------------------------------------------- what some of them do besides


def test_coverage_lies_where_its_raster_lies() -> None:
    pytest.importorskip("xarray")
    found = lc.coverage(PLAIN, "pump shed", radius_m=600.0, cell_m=200.0)
    dataset = found.to_xarray()
    from pyproj import CRS, Transformer

    assert CRS.from_wkt(dataset.spatial_ref.attrs["crs_wkt"]) == CRS.from_user_input(found.crs)
    assert dataset.margin_db.attrs == {
        "units": "dB", "long_name": "fade margin, weaker direction", "grid_mapping": "spatial_ref",
    }  # fmt: skip
    assert np.array_equal(dataset.margin_db, found.bands["margin_db"], equal_nan=True)
    # the cell in the middle is the station; north is up, and a step of a cell is a cell
    assert dataset.x.values.tolist() == [-600.0, -400.0, -200.0, 0.0, 200.0, 400.0, 600.0]
    assert dataset.y.values.tolist() == dataset.x.values.tolist()[::-1]
    middle = dataset.sel(x=0.0, y=0.0)
    assert float(middle.latitude_deg) == pytest.approx(found.latitude_deg, abs=1e-9)
    lon, lat = Transformer.from_crs(found.crs, "EPSG:4326", always_xy=True).transform(400.0, -200.0)
    cell = dataset.sel(x=400.0, y=-200.0)
    assert (float(cell.latitude_deg), float(cell.longitude_deg)) == pytest.approx((lat, lon), abs=1e-9)


def test_a_map_reader_finds_coverage_at_the_same_place_as_its_geotiff(tmp_path: Path) -> None:
    pytest.importorskip("xarray")
    import rasterio

    from linkcalc.area.gridded import geotiff

    found = lc.coverage(PLAIN, "pump shed", radius_m=600.0, cell_m=200.0)
    (tmp_path / "c.tif").write_bytes(geotiff("coverage.tif", found.raster()))
    with rasterio.open(tmp_path / "c.tif") as file:
        transform = [float(v) for v in found.to_xarray().spatial_ref.attrs["GeoTransform"].split()]
        assert transform == list(file.transform.to_gdal())
        assert file.crs == rasterio.crs.CRS.from_wkt(found.to_xarray().spatial_ref.attrs["spatial_ref"])


def test_relays_and_coverage_and_fleets_are_geojson_with_longitude_first() -> None:
    for name in ("check", "coverage", "relay", "fleet"):
        answer: Any = _MADE.get(name) or MADE[name]()
        collection = json.loads(answer.to_geojson())
        assert collection["type"] == "FeatureCollection"
        points = [
            f["geometry"]["coordinates"] for f in collection["features"] if f["geometry"]["type"] == "Point"
        ]
        assert points
        # the samples lie west of 19 degrees and far south: latitude and longitude cannot be mixed up
        for longitude, latitude in points:
            assert -21.0 < longitude < -19.0
            assert -41.0 < latitude < -31.0


def test_positions_of_a_result_are_those_of_its_plan() -> None:
    plan = lc.load_plan(UPLAND).plan
    found = lc.check(UPLAND, sections=False).positions_deg
    assert found == {s.name: (s.latitude_deg, s.longitude_deg) for s in plan.station}


def test_undefined_numbers_are_equal_to_themselves_in_answers() -> None:
    plan = lc.plan_from(
        station=[{"name": "a", "antenna_height_m": 4}, {"name": "b", "antenna_height_m": 6}],
        link=[{"name": "l", "from": "a", "to": "b", "frequency_mhz": 868.3}
              | {"modulation": {"kind": "css", "spreading_factor": 9}}],
        profiles={"l": lc.profile_from([0.0, 1500.0, 3000.0], [40.0, 52.0, 44.0])},
    )  # fmt: skip
    one = lc.check(plan)
    assert np.isnan(one.links[0].path.azimuth_deg)
    assert pickle.loads(pickle.dumps(one)) == one
    assert len({one, lc.check(plan)}) == 1


def test_a_missing_library_is_one_line_with_the_extra_that_brings_it(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys
    import tomllib

    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(lc.LinkcalcError) as caught:
        lc.acceptance(success=0.9).to_pandas()
    assert str(caught.value) == "this needs pandas, which is not installed: pip install 'linkcalc[tables]'"
    project = Path(lc.__file__).parents[1] / "pyproject.toml"
    extras = tomllib.loads(project.read_text())["project"]["optional-dependencies"]
    for library, extra in EXTRAS.items():
        assert any(line.startswith(library) for line in extras[extra])
    assert installed("json") is json

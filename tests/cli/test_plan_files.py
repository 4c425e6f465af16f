"""The commands around the plan file: a starter to begin from, and the schema editors check against."""

import json
import tomllib
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.plan import load_plan
from linkcalc.sample_files import sample_fleet_path
from linkcalc.terrain.profile import cut_profile
from tests.plan.plans import PLAN

pytestmark = pytest.mark.cli


def linkcalc(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def test_a_new_plan_loads_at_once_with_the_profile_written_beside_it(tmp_path: Path) -> None:
    done = linkcalc("new", tmp_path / "site.toml")
    assert done.exit_code == 0
    assert "invented" in done.stdout
    assert load_plan(tmp_path / "site.toml").plan.link[0].profile_csv == "site_profile.csv"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["site.toml", "site_profile.csv"]


@pytest.mark.parametrize("there", ["site.toml", "site_profile.csv"])
def test_neither_file_is_overwritten_unless_forced(tmp_path: Path, there: str) -> None:
    (tmp_path / there).write_text("mine")
    done = linkcalc("new", tmp_path / "site.toml")
    assert done.exit_code == 2
    assert done.stderr == f"linkcalc: {tmp_path / there}: exists already; --force replaces it\n"
    assert [p.name for p in tmp_path.iterdir()] == [there]
    assert (tmp_path / there).read_text() == "mine"
    assert linkcalc("new", tmp_path / "site.toml", "--force").exit_code == 0
    assert load_plan(tmp_path / "site.toml").plan.link


def write_raster(path: Path, heights: "np.ndarray[tuple[int, int], np.dtype[np.float32]]") -> None:
    import rasterio

    rows, columns = heights.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", nodata=-9999.0,
        crs="EPSG:32727", transform=rasterio.Affine(30, 0, 500_000, 0, -30, 7_800_000),
    ) as file:  # fmt: skip
        file.write(heights, 1)


def test_a_new_plan_on_a_raster_has_ground_under_a_kilometre_of_path(tmp_path: Path) -> None:
    heights = np.full((100, 100), 50.0, np.float32)
    heights[40:60, 40:60] = -9999.0  # a hole where the middle is
    (tmp_path / "maps").mkdir()
    (tmp_path / "plans").mkdir()
    write_raster(tmp_path / "maps" / "ground.tif", heights)
    done = linkcalc("new", tmp_path / "plans" / "site.toml", "--terrain", tmp_path / "maps" / "ground.tif")
    assert (done.exit_code, done.stderr) == (0, "")
    assert [p.name for p in (tmp_path / "plans").iterdir()] == ["site.toml"]
    loaded = load_plan(tmp_path / "plans" / "site.toml")
    assert loaded.plan.terrain.rasters == ["../maps/ground.tif"]
    tank, shed = loaded.plan.station
    profile = cut_profile(
        tank.latitude_deg, tank.longitude_deg, shed.latitude_deg, shed.longitude_deg,
        loaded.plan.terrain.rasters, base_dir=loaded.base_dir, largest_hole_m=0.0,
    )  # fmt: skip
    assert profile.length_m == pytest.approx(1000.0, abs=0.5)


def test_a_raster_without_room_for_a_path_is_refused(tmp_path: Path) -> None:
    write_raster(tmp_path / "small.tif", np.full((20, 20), 50.0, np.float32))
    done = linkcalc("new", tmp_path / "site.toml", "--terrain", tmp_path / "small.tif")
    assert done.exit_code == 2
    assert "found no 1000 m with heights" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["no_folder/site.toml"], "there is no folder"),
        (["."], "is a folder; name the plan file to write in it"),
        (["site.toml", "--terrain", "absent.tif"], "absent.tif"),
    ],
)
def test_what_cannot_be_written_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    done = linkcalc("new", *arguments)
    assert done.exit_code == 2
    assert done.stderr.startswith("linkcalc: ")
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_the_schema_is_valid_and_describes_every_key() -> None:
    schema = json.loads(linkcalc("schema").stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    for name, section in {"Plan": schema, **schema["$defs"]}.items():
        assert section["additionalProperties"] is False, name
        for key, described in section["properties"].items():
            assert described["description"], f"{name} {key}"
            assert key in section.get("required", []) or "default" in described, f"{name} {key}"


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("antenna_height_m = 4.0", "antenna_height_m = -4.0", ["station", 0, "antenna_height_m"]),
        ("antenna_height_m = 4.0", "antena_height_m = 4.0", ["station", 0]),
        ('type = "rg213"', 'type = "wet string"', ["station", 0, "feeder", "type"]),
        ('polarisation = "vertical"', 'polarisation = "up"', ["station", 0, "antenna", "polarisation"]),
    ],
)
def test_the_schema_accepts_the_plan_and_finds_its_faults(old: str, new: str, place: list[str | int]) -> None:
    validator = jsonschema.Draft202012Validator(json.loads(linkcalc("schema").stdout))
    validator.validate(tomllib.loads(PLAN))
    errors = list(validator.iter_errors(tomllib.loads(PLAN.replace(old, new))))
    assert errors
    assert all(list(error.absolute_path) == place for error in errors)


def test_the_schema_of_the_fleet_file_takes_the_sample() -> None:
    described = json.loads(linkcalc("schema", "--fleet").stdout)
    jsonschema.validate(tomllib.loads(sample_fleet_path().read_text()), described)
    assert "shed" in described["properties"]

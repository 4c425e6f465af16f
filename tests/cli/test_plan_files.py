"""The commands around the plan file: a starter to begin from, and the schema editors check against."""

import json
import tomllib
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.files import sample_path, samples_folder
from linkcalc.plan import Station, load_plan
from linkcalc.plan.fleet import load_fleet
from linkcalc.plan.sites import read_sites
from linkcalc.terrain.cutting import Cutting, cut_profile
from linkcalc.terrain.geodesy import path_between
from tests.plan.plans import PLAN

pytestmark = pytest.mark.cli


def linkcalc(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def test_a_new_plan_loads_at_once_with_the_profile_written_beside_it(tmp_path: Path) -> None:
    done = linkcalc("new", tmp_path / "site.toml")
    assert done.exit_code == 0
    assert "invented" in done.stdout
    assert done.stdout.splitlines()[-1] == f"next: linkcalc check {tmp_path / 'site.toml'}"
    assert load_plan(tmp_path / "site.toml").plan.link[0].profile_csv == "site_profile.csv"
    files = ["linkcalc-plan.schema.json", "site.toml", "site_profile.csv"]
    assert sorted(p.name for p in tmp_path.iterdir()) == files
    assert (tmp_path / "linkcalc-plan.schema.json").read_text() == linkcalc("schema").stdout


@pytest.mark.parametrize("full", [[], ["--full"]])
def test_answers_name_what_is_still_the_starters(tmp_path: Path, full: list[str]) -> None:
    site = tmp_path / "site.toml"
    assert linkcalc("new", site, *full).exit_code == 0
    said = " ".join(linkcalc("check", site).stdout.split())
    assert "Still the starter's values, not yours: title, " in said
    assert 'of station "shed"' in said
    result = json.loads(linkcalc("check", site, "--json").stdout)
    sources = {a["key"]: a["source"] for a in result["assumed"]}
    assert sources['station "shed" noise_rise_db'] == "still the starter's value"
    page = tmp_path / "record.html"
    assert linkcalc("report", site, "-o", page).exit_code == 0
    assert "Still the starter&#x27;s values" in page.read_text().replace("&#39;", "&#x27;") or (
        "Still the starter's values" in page.read_text()
    )
    if full:
        for name, value in (
            ("tank", "pump_flow_m3_h = 5"),
            ("energy", "battery.capacity_mah = 13000"),
            ("messages", "events_per_year = 140"),
        ):
            text = " ".join(
                linkcalc(name, site, *(["--tank-years", "0"] if name == "tank" else [])).stdout.split()
            )
            assert "Still the starter's values" in text
            assert value in text
            assert json.loads(linkcalc(name, site, "--json").stdout)["still_the_starters"]
            line = next(line for line in said.split(" - ") if line.startswith(name.capitalize()))
            assert "on the starter's values, not yours" in line


def test_a_new_fleet_answers_at_once(tmp_path: Path) -> None:
    fleet = tmp_path / "fleet.toml"
    (tmp_path / "sites.csv").write_text(
        "name,lat,lon\nnorth,-19.9019,-20.9981\nshed,-19.917,-20.9583\nsouth,-19.93,-20.98\n"
    )
    command = ["new", fleet, "--fleet", "--sites", tmp_path / "sites.csv", "--to", "shed"]
    assert "--fleet needs --terrain" in linkcalc(*command).stderr
    done = linkcalc(*command, "--terrain", ground_of(tmp_path))
    assert done.exit_code == 0
    assert done.stdout.splitlines()[-1] == f"next: linkcalc fleet {fleet}"
    loaded = load_fleet(fleet)
    assert [n.name for n in loaded.nodes] == ["north", "south"]
    assert loaded.fleet.shed[0].latitude_deg == -19.917
    assert any("still the starter's values" in note and "traffic.interval_s" in note for note in loaded.notes)
    schema = json.loads((tmp_path / "linkcalc-fleet.schema.json").read_text())
    jsonschema.validate(tomllib.loads(fleet.read_text()), schema)
    for full in ([], ["--full"]):
        assert (
            linkcalc(*command, "--terrain", tmp_path / "tiles", "--region", "us", "--force", *full).exit_code
            == 0
        )
        assert load_fleet(fleet).fleet.radio.channels == 64


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
    files = sorted(p.name for p in (tmp_path / "plans").iterdir())
    assert files == ["linkcalc-plan.schema.json", "site.toml"]
    loaded = load_plan(tmp_path / "plans" / "site.toml")
    assert loaded.plan.terrain.rasters == ["../maps/ground.tif"]
    tank, shed = loaded.plan.station
    profile = cut_profile(
        tank.latitude_deg, tank.longitude_deg, shed.latitude_deg, shed.longitude_deg,
        loaded.plan.terrain.rasters, base_dir=loaded.base_dir, how=Cutting(largest_hole_m=0.0),
    )  # fmt: skip
    assert profile.length_m == pytest.approx(1000.0, abs=0.5)


def test_a_raster_without_room_for_a_path_is_refused(tmp_path: Path) -> None:
    write_raster(tmp_path / "small.tif", np.full((20, 20), -9999.0, np.float32))
    done = linkcalc("new", tmp_path / "site.toml", "--terrain", tmp_path / "small.tif")
    assert done.exit_code == 2
    assert "found no 50 m with heights" in done.stderr


@pytest.mark.parametrize(("cells", "length_m"), [(34, 500.0), (10, 250.0)])
def test_a_small_tile_gives_a_plan_with_a_shorter_path(tmp_path: Path, cells: int, length_m: float) -> None:
    # a lidar tile of 1 km, a drone's survey of 300 m
    write_raster(tmp_path / "small.tif", np.full((cells, cells), 50.0, np.float32))
    done = linkcalc("new", tmp_path / "site.toml", "--terrain", tmp_path / "small.tif")
    assert (done.exit_code, done.stderr) == (0, "")
    tank, shed = load_plan(tmp_path / "site.toml").plan.station
    apart = path_between(tank.latitude_deg, tank.longitude_deg, shed.latitude_deg, shed.longitude_deg)[0]
    assert apart == pytest.approx(length_m, abs=0.5)
    assert linkcalc("check", tmp_path / "site.toml").exit_code in (0, 3, 4)


def ground_of(tmp_path: Path) -> Path:
    (tmp_path / "tiles").mkdir()
    write_raster(tmp_path / "tiles" / "dtm.tif", np.full((200, 200), 50.0, np.float32))
    return tmp_path / "tiles"


FROM, TO = "-19.9019,-20.9981", "19 54 58 S 20 57 30 W"


def test_two_positions_and_a_folder_of_tiles_give_a_verdict_at_once(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    done = linkcalc("new", site, "--from", FROM, "--to", TO, "--terrain", ground_of(tmp_path))
    assert (done.exit_code, done.stderr) == (0, "")
    plan = load_plan(site).plan
    assert plan.terrain.rasters == ["tiles/dtm.tif"]
    assert [s.name for s in plan.station] == ["tank", "shed"]
    assert plan.station[1].latitude_deg == pytest.approx(-(19 + 54 / 60 + 58 / 3600), abs=1e-7)
    assert "Everything in it is invented" not in site.read_text()
    assert linkcalc("check", site).exit_code in (0, 3, 4)


def test_positions_without_ground_name_the_next_command(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    done = linkcalc("new", site, "--from", FROM, "--to", TO)
    assert done.exit_code == 0
    assert f"its ground is missing: linkcalc ground {site}" in done.stdout
    assert "terrain.rasters" in linkcalc("check", site).stderr
    assert linkcalc("ground", site, "--folder", ground_of(tmp_path), "--write").exit_code == 0
    assert linkcalc("check", site).exit_code in (0, 3, 4)


@pytest.mark.usefixtures("undrawn")
def test_a_list_of_tanks_and_one_shed_give_a_link_each_and_come_back_as_a_map(tmp_path: Path) -> None:
    (tmp_path / "sites.csv").write_text(
        "name;lat;lon;antenna_height_m\nnorth tank;-19,9019;-20,9981;5,5\npump shed;-19,917;-20,9583;\n"
        "south tank;-19,93;-20,98;\n"
    )
    site, out = tmp_path / "site.toml", tmp_path / "out"
    command = ["new", site, "--sites", tmp_path / "sites.csv", "--to", "pump shed"]
    done = linkcalc(*command, "--terrain", ground_of(tmp_path))
    assert (done.exit_code, done.stderr) == (0, "")
    plan = load_plan(site).plan
    assert [(k.name, k.from_, k.to) for k in plan.link] == [
        ("north tank", "north tank", "pump shed"),
        ("south tank", "south tank", "pump shed"),
    ]
    assert [s.antenna_height_m for s in plan.station] == [5.5, 4.0, 6.0]
    assert linkcalc("check", site, "--out", out).exit_code in (0, 3, 4)
    drawn = json.loads((out / "links.geojson").read_text())
    lines = [f for f in drawn["features"] if f["geometry"]["type"] == "LineString"]
    assert [f["properties"]["name"] for f in lines] == ["north tank", "south tank"]
    assert lines[0]["geometry"]["coordinates"] == [[-20.9981, -19.9019], [-20.9583, -19.917]]
    result = json.loads((out / "result.json").read_text())
    assert [f["properties"]["verdict"] for f in lines] == [k["verdict"] for k in result["links"]]
    # what was written is read back as the same sites
    for name in ("links.geojson", "links.kml"):
        assert {s.name for s in read_sites(out / name)} == {"north tank", "pump shed", "south tank"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--from", FROM], "go together"),
        (["--from", FROM, "--to", FROM], "the same position"),
        (["--from", "97.4 W 32.6 N", "--to", "nowhere"], "is not understood"),
        (
            ["--from", "-20.9981,-19.9019", "--to", "-20.96,-19.9", "--terrain", "tiles"],
            "reaches into the area",
        ),
        (["--from", "-20.9981,-19.9019", "--to", "-20.96,-19.9", "--terrain", "tiles/dtm.tif"], "swapped"),
        (["--sites", "absent.gpx", "--to", "x"], "absent.gpx: cannot be read"),
        (["--sites", "three.csv"], "holds 3 sites: --to names the one"),
        (["--sites", "three.csv", "--to", "sheed"], "did you mean 'shed'?"),
        (["--sites", "three.csv", "--from", FROM], "not both"),
    ],
)
def test_positions_that_make_no_plan_are_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    ground_of(tmp_path)
    Path("three.csv").write_text("name,lat,lon\na,-19.9019,-20.99\nb,-19.93,-20.99\nshed,-19.94,-20.98\n")
    done = linkcalc("new", "site.toml", *arguments)
    assert done.exit_code == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert not Path("site.toml").exists()


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


@pytest.mark.parametrize("file", sorted(samples_folder().glob("*.toml")), ids=lambda file: file.stem)
def test_the_schemas_take_every_sample_and_refuse_it_with_a_fault(file: Path) -> None:
    kind = "fleet" if file == sample_path("upland_fleet") else "plan"
    described = json.loads(linkcalc("schema", kind).stdout)
    jsonschema.Draft202012Validator.check_schema(described)
    text = file.read_text()
    jsonschema.validate(tomllib.loads(text), described)
    for old, new in (
        ("antenna_height_m = ", "antenna_heigth_m = "),
        ("frequency_mhz = ", "frequency_mhz = -"),
    ):
        assert old in text
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(tomllib.loads(text.replace(old, new)), described)


def test_the_schema_of_results_takes_what_check_prints() -> None:
    described = json.loads(linkcalc("schema", "result").stdout)
    result = json.loads(linkcalc("check", sample_path("plain"), "--json").stdout)
    jsonschema.validate(result, described)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**result, "links": "none"}, described)


def test_the_texts_of_the_schema_are_the_keys_own_and_say_what_is_assumed() -> None:
    properties = json.loads(linkcalc("schema", "plan").stdout)["$defs"]["Station"]["properties"]
    field = Station.model_fields["noise_figure_db"]
    assert properties["noise_figure_db"]["description"] == (
        f"{field.description}; default: 6, assumed (common practice, no source)"
    )
    assert (
        properties["antenna_height_m"]["description"] == Station.model_fields["antenna_height_m"].description
    )


def test_given_sites_take_the_channel_of_the_region(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    ground = ["--terrain", ground_of(tmp_path)]
    assert linkcalc("new", site, "--from", FROM, "--to", TO, "--region", "us", *ground).exit_code == 0
    plan = load_plan(site).plan
    assert plan.regulation.region == "us"
    assert 902.0 < plan.link[0].frequency_mhz < 928.0
    assert plan.station[0].latitude_deg == -19.9019

"""Ground for a plan: tiles named, found in folders, read by ranges from a server on this machine."""

import re
import threading
import tomllib
import zipfile
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio import Affine
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.errors import PlanError, TerrainError
from linkcalc.files import sample_path
from linkcalc.plan import load_plan
from linkcalc.plan.edits import with_terrain
from linkcalc.plan.ground_data import needed_area, stations_in
from linkcalc.terrain import local_copy, sources
from linkcalc.terrain.cutting import cut_profile
from linkcalc.terrain.open_sets import SETS, kind_of_file, set_named

pytestmark = pytest.mark.cli

TANK, SHED = (46.42, 6.31), (46.47, 6.42)
"""10.1 km apart, in an invented country."""
TILE = "Copernicus_DSM_COG_10_N46_00_E006_00_DEM"


def linkcalc(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def plan_text(terrain: str = "", tank=TANK, shed=SHED) -> str:
    return f"""\
# mine
title = "Invented"
[[station]]
name = "tank"
latitude_deg = {tank[0]}
longitude_deg = {tank[1]}
antenna_height_m = 8.0
[[station]]
name = "shed"
latitude_deg = {shed[0]}
longitude_deg = {shed[1]}
antenna_height_m = 10.0
[[link]]
name = "level"
from = "tank"
to = "shed"
frequency_mhz = 868.0
modulation = {{ kind = "css", spreading_factor = 10 }}
{terrain}
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    (tmp_path / "plans").mkdir()
    path = tmp_path / "plans" / "site.toml"
    path.write_text(plan_text("[terrain]\n# step as surveyed\nstep_m = 25.0\n"))
    return path


@pytest.fixture(scope="module")
def tile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tile of invented ground of one degree at one arc second, laid out as the open set's are."""
    path = tmp_path_factory.mktemp("server") / TILE / f"{TILE}.tif"
    path.parent.mkdir()
    rng = np.random.default_rng(8)
    coarse = np.cumsum(np.cumsum(rng.normal(0.0, 1.0, (226, 226)), axis=0), axis=1)
    heights = np.kron(400.0 + coarse / np.abs(coarse).max() * 60.0, np.ones((16, 16)))[:3600, :3600]
    heights = (heights + rng.normal(0.0, 0.3, heights.shape)).astype(np.float32)
    with rasterio.open(
        path, "w", driver="COG", width=3600, height=3600, count=1, dtype="float32", crs="EPSG:4326",
        transform=Affine(1 / 3600, 0, 6.0 - 0.5 / 3600, 0, -1 / 3600, 47.0 + 0.5 / 3600), blocksize=1024,
        compress="deflate", predictor="YES",
    ) as file:  # fmt: skip
        file.write(heights, 1)
    return path


class Server:
    """Serves files by ranges, counts the bytes, and misbehaves as told."""

    def __init__(self, folder: Path) -> None:
        self.sent, self.asked, self.how = 0, 0, "well"
        own = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                own.asked += 1
                if own.how == "error":
                    self.send_error(500, "Out of order")
                    return
                if own.how == "silent":
                    own.stop.wait(20)
                    self.close_connection = True
                    return
                path = folder / self.path.lstrip("/")
                if not path.is_file():
                    self.send_error(404)
                    return
                content = path.read_bytes()
                asked = re.match(r"bytes=(\d+)-(\d*)", self.headers.get("Range", ""))
                if asked is None or own.how == "whole":
                    self.send_response(200)
                    part = content
                else:
                    first, last = int(asked[1]), int(asked[2] or len(content) - 1)
                    part = content[first : last + 1]
                    self.send_response(206)
                    self.send_header("Content-Range", f"bytes {first}-{first + len(part) - 1}/{len(content)}")
                self.send_header("Content-Length", str(len(part)))
                self.end_headers()
                if own.how == "cut" and len(part) > 1:
                    part = part[: len(part) // 2]
                    self.close_connection = True
                for start in range(0, len(part), 65_536):
                    if self.command == "HEAD":
                        break
                    try:
                        self.wfile.write(part[start : start + 65_536])
                    except OSError:
                        self.close_connection = True
                        break
                    own.sent += len(part[start : start + 65_536])

            do_HEAD = do_GET

            def log_message(self, *args: object) -> None:
                pass

        self.stop = threading.Event()
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()
        self.url = f"http://127.0.0.1:{self._server.server_port}"

    def close(self) -> None:
        self.stop.set()
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def server(tile: Path) -> Iterator[Server]:
    served = Server(tile.parent.parent)
    yield served
    served.close()


def test_the_tiles_of_every_open_set_are_named_with_size_and_licence_and_nothing_is_read(plan: Path) -> None:
    done = linkcalc("ground", plan)
    assert done.exit_code == 0
    for name in (f"{TILE}.tif", "N46E006.hgt", "ETH_GlobalCanopyHeight_10m_2020_N45E006_Map.tif"):
        assert f"    {name}\n" in done.stdout
    assert " ".join(done.stdout.split()).count("MB a tile") == len(SETS)
    assert "CC BY 4.0" in done.stdout
    assert plan.read_text() == plan_text("[terrain]\n# step as surveyed\nstep_m = 25.0\n")


def test_tiles_south_and_west_of_nought_are_named_after_their_south_west_corner() -> None:
    # names as in the sets' public lists (from memory): S01 begins at 1 degree south
    glo30, canopy = set_named("glo30"), set_named("canopy")
    assert glo30 is not None
    assert canopy is not None
    assert glo30.tiles((-0.5, -0.5, -0.4, -0.4)) == ["Copernicus_DSM_COG_10_S01_00_W001_00_DEM.tif"]
    assert canopy.tiles((-0.5, -0.5, -0.4, -0.4)) == ["ETH_GlobalCanopyHeight_10m_2020_S03W003_Map.tif"]
    # across the 180th meridian
    assert glo30.tiles((10.2, 179.9, 10.3, -179.9)) == [
        "Copernicus_DSM_COG_10_N10_00_E179_00_DEM.tif",
        "Copernicus_DSM_COG_10_N10_00_W180_00_DEM.tif",
    ]
    assert len(glo30.tiles((46.9, 6.9, 47.1, 7.1))) == 4
    srtm = set_named("srtm")
    assert srtm is not None
    assert srtm.tiles((61.2, 6.1, 61.3, 6.2)) == []


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        (f"{TILE}.tif", "surface"),
        ("GEDTM30_v1.tif", "ground"),
        ("S41W021.hgt", "ground"),
        ("region/dtm_2m.tif", "ground"),
        ("dsm/region_DSM.tif", "surface"),
        ("ETH_GlobalCanopyHeight_10m_2020_N45E006_Map_SD.tif", "unused"),
        ("ESA_WorldCover_10m_2021_v200_N45E006_Map.tif", "land_cover"),
        ("heights.tif", "unknown"),
    ],
)
def test_a_files_name_tells_what_it_holds(name: str, kind: str) -> None:
    assert kind_of_file(name) == kind


def small(path: Path, kind_m: float, west: float = 6.2, width: int = 900) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(
        path, "w", driver="GTiff", width=width, height=600, count=1, dtype="float32", crs="EPSG:4326",
        transform=Affine(1 / 3600, 0, west, 0, -1 / 3600, 46.55),
    ) as file:  # fmt: skip
        file.write(np.full((600, width), kind_m, np.float32), 1)
    return path


def test_a_folder_of_tiles_and_one_command_give_a_verdict(plan: Path, tmp_path: Path) -> None:
    tiles = tmp_path / "tiles"
    small(tiles / "a" / "dtm_x.tif", 400.0)
    small(tiles / "b" / "far_dtm.tif", 400.0, west=9.0)
    small(tiles / "c" / "dsm_x.tif", 400.2)
    small(tiles / "c" / "canopy_x.tif", 0.0)
    with zipfile.ZipFile(tiles / "b" / "z.zip", "w") as archive:
        archive.write(small(tmp_path / "z_dtm.tif", 400.0), "in/z_dtm.tif")
    (tiles / "broken_dtm.tif").write_text("no raster")
    done = linkcalc("ground", plan, "--folder", tiles, "--write")
    assert (done.exit_code, done.stderr) == (0, "")
    assert "left out: raster" in done.stdout
    assert tomllib.loads(plan.read_text())["terrain"] == {
        "rasters": ["../tiles/a/dtm_x.tif", "../tiles/b/z.zip"],
        "surface_rasters": ["../tiles/c/dsm_x.tif"],
        "canopy_rasters": ["../tiles/c/canopy_x.tif"],
        "step_m": 25.0,
    }
    assert "# mine\n" in plan.read_text()
    assert "# step as surveyed\n" in plan.read_text()
    assert linkcalc("check", plan).exit_code in (0, 3, 4)


def test_a_surface_model_alone_is_taken_for_ground_and_that_is_said(plan: Path, tmp_path: Path) -> None:
    small(tmp_path / "tiles" / f"{TILE}.tif", 400.0)
    done = linkcalc("ground", plan, "--folder", tmp_path / "tiles")
    assert "a station among trees would stand on their tops" in " ".join(done.stdout.split())
    assert f'rasters = ["../tiles/{TILE}.tif"]' in done.stdout
    assert "[terrain]" in done.stdout
    linkcalc("ground", plan, "--folder", tmp_path / "tiles", "--write")
    said = " ".join(linkcalc("check", plan).stdout.split())
    assert f"{TILE}.tif is a surface model by its name, used as bare ground" in said


def test_a_folder_without_the_area_is_one_line(plan: Path, tmp_path: Path) -> None:
    small(tmp_path / "tiles" / "far_dtm.tif", 400.0, west=9.0)
    done = linkcalc("ground", plan, "--folder", tmp_path / "tiles", "--write")
    assert done.exit_code == 2
    assert "none of its 1 rasters reaches into the area of the plan" in done.stderr
    assert plan.read_text().endswith("step_m = 25.0\n\n")


def test_land_cover_is_read_from_a_server_beside_the_heights(plan, tmp_path):
    (tmp_path / "server").mkdir()
    name = "ESA_WorldCover_10m_2021_v200_N45E006_Map.tif"
    cover = np.full((2048, 2048), 40, dtype=np.uint8)
    cover[600:1400, 900:1500] = 10
    with rasterio.open(
        tmp_path / "server" / name, "w", driver="GTiff", width=2048, height=2048, count=1, dtype="uint8", nodata=0,
        crs="EPSG:4326", transform=Affine(1e-4, 0, 6.27, 0, -1e-4, 46.53), tiled=True,
    ) as file:  # fmt: skip
        file.write(cover, 1)
        file.write_colormap(1, {10: (0, 100, 0, 255), 40: (240, 150, 255, 255)})
    server = Server(tmp_path / "server")
    try:
        done = linkcalc("ground", plan, "--address", server.url, "--set", "land_cover", "--write")
        assert done.exit_code == 0, done.stderr
    finally:
        server.close()
    assert tomllib.loads(plan.read_text())["terrain"]["land_cover_rasters"] == [f"site_{name}"]
    with rasterio.open(plan.parent / f"site_{name}") as file:
        assert set(np.unique(file.read(1))) == {10, 40}


# ---------------------------------------------------------------- from a server


def test_a_link_of_10_km_takes_less_than_5_mb_and_is_checked_from_the_copy_without_a_network(
    plan: Path, server: Server, tile: Path
) -> None:
    done = linkcalc("ground", plan, "--address", server.url, "--write")
    assert done.exit_code == 0, done.stderr
    assert tile.stat().st_size > 15e6
    assert server.sent < 5e6
    copy = plan.with_name(f"site_{TILE}.tif")
    assert copy.stat().st_size < 1e6
    with rasterio.open(copy) as file:
        assert file.tags()["LINKCALC_SOURCE"] == f"{server.url}/{TILE}/{TILE}.tif"
        assert re.fullmatch("[0-9a-f]{64}", file.tags()["LINKCALC_SHA256"])
    server.close()
    loaded = load_plan(plan)
    assert loaded.plan.terrain.rasters == [copy.name]
    assert linkcalc("check", plan).exit_code in (0, 3, 4)
    # the same heights as from the whole tile, to the bit
    from_copy, from_tile = (cut_profile(*TANK, *SHED, [path]) for path in (copy, tile))
    assert from_copy.ground_m == pytest.approx(from_tile.ground_m, abs=1e-9)
    with rasterio.open(copy) as small_, rasterio.open(tile) as whole:
        row, column = whole.index(*(small_.transform @ (0.5, 0.5)))
        window = rasterio.windows.Window(column, row, small_.width, small_.height)
        assert (whole.read(1, window=window) == small_.read(1)).all()


def test_a_copy_that_is_whole_is_not_read_again_and_a_damaged_one_is(plan: Path, server: Server) -> None:
    linkcalc("ground", plan, "--address", server.url)
    asked = server.asked
    done = linkcalc("ground", plan, "--address", server.url)
    assert "is there already, whole" in done.stderr
    assert server.asked == asked
    copy = plan.with_name(f"site_{TILE}.tif")
    with rasterio.open(copy, "r+") as file:
        file.write(np.full((1, 5), 9999.0, np.float32), 1, window=rasterio.windows.Window(0, 0, 5, 1))
    linkcalc("ground", plan, "--address", server.url)
    assert server.asked > asked
    with rasterio.open(copy) as file:
        assert file.read(1).max() < 1000.0
    # nor does one for a smaller area serve a larger
    asked = server.asked
    linkcalc("ground", plan, "--address", server.url, "--radius-km", "2")
    assert server.asked > asked


def test_one_raster_at_an_address_of_its_own_is_taken_as_it_is(plan: Path, server: Server) -> None:
    done = linkcalc("ground", plan, "--address", f"{server.url}/{TILE}/{TILE}.tif", "--write")
    assert done.exit_code == 0, done.stderr
    assert load_plan(plan).plan.terrain.rasters == [f"site_{TILE}.tif"]


def test_a_tile_of_the_sea_that_does_not_exist_is_noted(tmp_path: Path, server: Server) -> None:
    coast = tmp_path / "coast.toml"
    coast.write_text(plan_text(tank=(46.42, 6.9), shed=(46.47, 7.05)))
    done = linkcalc("ground", coast, "--address", server.url)
    assert done.exit_code == 0
    said = " ".join(done.stdout.split())
    assert "no such tile (open sea has none): Copernicus_DSM_COG_10_N46_00_E007_00_DEM.tif" in said


MISBEHAVING = {
    "error": "the server answers 500",
    "whole": "does not give parts of files",
    "silent": "cannot be reached",
    "cut": "cannot be",
}


@pytest.mark.parametrize("how", MISBEHAVING)
def test_a_server_that_misbehaves_is_one_line_and_no_file(
    plan: Path, server: Server, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(local_copy, "WAIT_S", 1.0)
    monkeypatch.setattr(sources, "ONLINE", sources.ONLINE | {"GDAL_HTTP_TIMEOUT": "2"})
    server.how = how
    done = linkcalc("ground", plan, "--address", server.url, "--write")
    assert done.exit_code == 2
    assert MISBEHAVING[how] in done.stderr.splitlines()[-1]
    assert [p.name for p in plan.parent.iterdir()] == ["site.toml"]
    assert plan.read_text().endswith("step_m = 25.0\n\n")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--address", "ftp://127.0.0.1/x"], "begins with https://"),
        (["--address", "http://127.0.0.1:9/x"], "cannot be reached"),
        (["--address", "http://127.0.0.1:9", "--folder", "x"], "not both"),
        (
            ["--address", "http://127.0.0.1:9", "--set", "nothing"],
            "open sets are glo30, srtm, canopy, land_cover",
        ),
        (["--folder", "nowhere"], "nowhere"),
        (["--station", "pond"], "unknown station 'pond'"),
    ],
)
def test_what_cannot_be_meant_is_one_line(plan: Path, arguments: list[str], said: str) -> None:
    done = linkcalc("ground", plan, *arguments)
    assert done.exit_code == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_an_address_in_the_plan_is_read_only_where_the_plan_says_so(plan: Path, server: Server) -> None:
    url = f"{server.url}/{TILE}/{TILE}.tif"
    plan.write_text(plan_text(f'[terrain]\nrasters = ["{url}"]\n'))
    done = linkcalc("check", plan)
    assert done.exit_code == 2
    assert "network = true" in done.stderr
    assert server.asked == 0
    plan.write_text(plan_text(f'[terrain]\nrasters = ["{url}"]\nnetwork = true\n'))
    assert linkcalc("check", plan).exit_code in (0, 3, 4)
    assert 0 < server.sent < 5e6


@pytest.mark.parametrize(
    ("ends", "mend"),
    [
        (("6.31,46.42", "6.42,46.47"), "are latitude and longitude swapped?"),
        (("46.42,-6.31", "46.47,-6.42"), "has the longitude the wrong sign?"),
        (("EPSG:32631 293298 5144292", "EPSG:32631 301943 5149547"), "In zone 32 (EPSG:32632) it would lie"),
        (("50.1,6.3", "50.2,6.3"), "46.00014 N 5.99986 E to 47.00014 N"),
    ],
)
def test_a_folder_without_a_tile_for_the_plan_says_what_would_bring_it_there(tile, tmp_path, ends, mend):
    start, end = ends
    done = linkcalc("new", tmp_path / "site.toml", "--from", start, "--to", end, "--terrain", tile.parent)
    assert done.exit_code == 2
    assert "none of its 1 rasters reaches into the area of the plan" in done.stderr
    assert mend in done.stderr
    assert done.stderr.count("\n") == 1


# ---------------------------------------------------------------- area and text


def test_the_area_holds_every_station_with_room_around(plan: Path) -> None:
    _, read = stations_in(plan)
    south, west, north, east = needed_area(read)
    for latitude, longitude in (TANK, SHED):
        assert south + 0.002 < latitude < north - 0.002
        assert west + 0.003 < longitude < east - 0.003
    wide = needed_area(read, 5000.0, "tank")
    assert wide[0] == pytest.approx(TANK[0] - 5300 / 111_000, abs=1e-6)
    assert wide[2] == pytest.approx(SHED[0] + 300 / 111_000, abs=2e-2)
    with pytest.raises(PlanError):
        needed_area(read, 0.0, "pond")


def test_a_fleets_sheds_and_nodes_count(tmp_path: Path) -> None:
    for name in ("upland_fleet.toml", "upland_tanks.csv"):
        (tmp_path / name).write_bytes(sample_path("upland_fleet").with_name(name).read_bytes())
    placed = stations_in(tmp_path / "upland_fleet.toml")[1]
    assert {"west shed", "east shed", "tank 01"} <= {site.name for site in placed}
    done = linkcalc(
        "ground", tmp_path / "upland_fleet.toml", "--folder", sample_path("upland_fleet").parent, "--write"
    )
    assert done.exit_code == 0, done.stderr
    (raster,) = tomllib.loads((tmp_path / "upland_fleet.toml").read_text())["terrain"]["rasters"]
    assert raster.endswith("upland.tif")


def test_an_area_across_the_180th_meridian_is_narrow(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text(plan_text(tank=(-17.0, 179.98), shed=(-17.02, -179.97)))
    _, west, _, east = needed_area(stations_in(path)[1])
    assert west > 179.9
    assert east < -179.9


@pytest.mark.parametrize(
    "before",
    [
        "",
        "[terrain]\n",
        "[terrain]  # ground\nrasters = [\n  'a.tif',\n]\nstep_m = 5.0\n",
        "[terrain]\n#rasters = []\n",
    ],
)
def test_lines_put_into_a_plan_change_nothing_else(before: str) -> None:
    text = f'title = "x"\n{before}\n[conditions]\nleaf = "in_leaf"\n'
    found = tomllib.loads(with_terrain(text, {"rasters": ["b.tif"]}))
    assert found["terrain"]["rasters"] == ["b.tif"]
    assert found["conditions"] == {"leaf": "in_leaf"}
    assert found["terrain"].get("step_m") == (5.0 if "step_m" in before else None)


@pytest.mark.parametrize(
    "form", ["terrain = { rasters = [] }\n", "terrain.rasters = []\nterrain.step_m = 5.0\n"]
)
def test_a_form_that_is_not_changed_safely_is_left_alone(form: str) -> None:
    with pytest.raises(PlanError, match=r'set in it: rasters = \["b.tif"\]'):
        with_terrain(form, {"rasters": ["b.tif"]})


def test_a_part_too_large_to_keep_is_refused(tile: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local_copy, "MOST_CELLS", 1000)
    source = sources.Source("t", str(tile), "t")
    with pytest.raises(TerrainError, match="million cells"):
        local_copy.copied(source, (46.2, 6.2, 46.4, 6.4), network=False)
    assert local_copy.copied(source, (40.2, 6.2, 40.4, 6.4), network=False) is None

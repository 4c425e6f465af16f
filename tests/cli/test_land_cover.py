"""Land cover and canopy, the whole way through the command line."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio import Affine
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.fleets.reach import paths
from linkcalc.plan import load_plan
from linkcalc.plan.fleet import fleet_of_plan
from linkcalc.propagation import compiled
from linkcalc.terrain.geodesy import from_grid

pytestmark = pytest.mark.cli

EAST, NORTH = 500_000.0, 5_000_000.0
COLUMNS, ROWS = 420, 120
"""Of 10 m, from the north-west corner."""
TANK, SHED = (60.4, 60.3), (360.4, 60.6)
"""Column and row: 3 km apart on a plain."""


def linkcalc(*arguments: str | Path, code: int = 0) -> Result:
    found = CliRunner().invoke(app, [str(a) for a in arguments])
    assert found.exit_code == code or code < 0, found.output + found.stderr
    return found


def write(path: Path, values: np.ndarray, **profile) -> None:
    with rasterio.open(
        path, "w", driver="GTiff", count=1, width=values.shape[1], height=values.shape[0], dtype=values.dtype,
        crs="EPSG:32633", transform=Affine(10, 0, EAST, 0, -10, NORTH), **profile,
    ) as file:  # fmt: skip
        file.write(values, 1)


def position(column: float, row: float) -> tuple[float, float]:
    latitude, longitude = from_grid(EAST + 10.0 * column, NORTH - 10.0 * row, 32633)
    return float(latitude), float(longitude)


def plan_text(more: dict[str, str] | None = None, terrain: str = 'rasters = ["tiles/dtm.tif"]') -> str:
    stations = "".join(
        f'[[station]]\nname = "{name}"\nlatitude_deg = {position(*at)[0]!r}\nlongitude_deg = {position(*at)[1]!r}\n'
        f"antenna_height_m = {height}\n{(more or {}).get(name, '')}\n"
        for name, at, height in (("tank", TANK, 3.0), ("shed", SHED, 6.0))
    )
    return f"""\
[terrain]
{terrain}
{stations}
[[link]]
name = "level"
from = "tank"
to = "shed"
frequency_mhz = 868.0
modulation = {{ kind = "css", spreading_factor = 10 }}
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A plain of crops; a wood of 20 cells around the tank's east, a village around the shed, both mapped."""
    (tmp_path / "tiles").mkdir()
    rng = np.random.default_rng(3)
    write(tmp_path / "tiles" / "dtm.tif", (60.0 + rng.normal(0.0, 0.2, (ROWS, COLUMNS))).astype(np.float32))
    cover = np.full((ROWS, COLUMNS), 40, dtype=np.uint8)
    cover[:, 62:84] = 10
    cover[:, 340:] = 50
    write(tmp_path / "tiles" / "ESA_WorldCover_10m_2021_v200_N45E015_Map.tif", cover, nodata=0)
    path = tmp_path / "site.toml"
    path.write_text(plan_text(terrain=""))
    return path


COVER = (
    'rasters = ["tiles/dtm.tif"]\nland_cover_rasters = ["tiles/ESA_WorldCover_10m_2021_v200_N45E015_Map.tif"]'
)


def checked(path: Path, text: str) -> dict:
    path.write_text(text)
    return json.loads(linkcalc("check", path, "--json", code=-1).stdout)


def margin(found: dict) -> float:
    return min(d["fade_margin_db"] for d in found["links"][0]["directions"])


def test_a_folder_of_tiles_and_one_command_lead_to_surroundings_nobody_had_to_state(site):
    said = linkcalc("ground", site, "--folder", site.parent / "tiles", "--write").stdout
    assert "land_cover_rasters" in said
    assert 'land_cover_rasters = ["tiles/ESA_WorldCover' in site.read_text()
    words = " ".join(linkcalc("check", site, "--full", code=-1).stdout.split())
    assert re.search(r"trees in \d+ % of the 100 m around, by raster; Rec. ITU-R P.2108", words)
    assert 'station "tank" surroundings = woodland, 15 m' in words
    assert 'station "shed" surroundings = urban, 15 m' in words
    assert re.search(r"surroundings, tank −?-?\d+\.\d", words)
    assert "woodland (by raster), 15 m" in words
    assert re.search(r"15 m along 1[34]\d m of the path for trees", words)
    assert "trees 15 m, built-up land 10 m, all else 0" in words
    brief = " ".join(linkcalc("check", site, code=-1).stdout.split())
    assert re.search(
        r"Assumed from rasters: surroundings, tank \d+\.\d dB \(woodland\), surroundings, shed", brief
    )


def test_without_land_cover_nothing_changes_where_it_shows_open_land_or_nothing(site):
    plain = checked(site, plan_text())
    tile = site.parent / "tiles" / "ESA_WorldCover_10m_2021_v200_N45E015_Map.tif"
    for code in (40, 60, 80, 0):  # crops, bare, water, unknown
        write(tile, np.full((ROWS, COLUMNS), code, dtype=np.uint8), nodata=0)
        assert margin(checked(site, plan_text(terrain=COVER))) == margin(plain)


def test_the_plan_has_the_last_word(site):
    stated = {"tank": 'surroundings = "none"', "shed": 'surroundings = "open"'}
    covered = checked(site, plan_text(stated, COVER))
    assert not [a for a in covered["assumed"] if a["key"].endswith("surroundings")]
    terms = [t["name"] for t in covered["links"][0]["directions"][0]["terms"]]
    assert "surroundings, tank" not in terms
    # the wood and the village on the way still stand there
    assert margin(covered) < margin(checked(site, plan_text(stated))) - 5.0


def test_a_canopy_alone_tells_of_woods_around_a_station(site):
    canopy = np.full((ROWS, COLUMNS), 0, dtype=np.uint8)
    canopy[:, 50:58] = 12  # behind the tank, not on the path
    write(site.parent / "tiles" / "canopy.tif", canopy, nodata=255)
    terrain = 'rasters = ["tiles/dtm.tif"]\ncanopy_rasters = ["tiles/canopy.tif"]'
    found = checked(site, plan_text(terrain=terrain))
    assert {a["key"]: a["value"] for a in found["assumed"]}['station "tank" surroundings'] == "woodland, 12 m"
    assert margin(found) < margin(checked(site, plan_text())) - 3.0


def test_a_known_surface_or_canopy_goes_before_what_a_class_stands_for(site):
    stated = dict.fromkeys(("tank", "shed"), 'surroundings = "none"')
    bare = margin(checked(site, plan_text(stated)))
    assert margin(checked(site, plan_text(stated, COVER))) < bare - 5.0
    with rasterio.open(site.parent / "tiles" / "dtm.tif") as file:
        write(site.parent / "tiles" / "dsm.tif", file.read(1))
    shown = COVER + '\nsurface_rasters = ["tiles/dsm.tif"]'
    assert margin(checked(site, plan_text(stated, shown))) == pytest.approx(bare, abs=1e-9)
    write(site.parent / "tiles" / "canopy.tif", np.zeros((ROWS, COLUMNS), dtype=np.uint8), nodata=255)
    found = checked(site, plan_text(stated, COVER + '\ncanopy_rasters = ["tiles/canopy.tif"]'))
    # no trees; the village stays
    assert found["links"][0]["path"]["vegetation_loss_db"] == 0.0
    assert margin(found) < bare - 3.0


@pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only")
@pytest.mark.usefixtures("undrawn")
def test_every_command_has_the_same_answer(site, tmp_path):
    found = checked(site, plan_text(terrain=COVER))
    there, back = (d["fade_margin_db"] for d in found["links"][0]["directions"])

    linkcalc("sweep", site, "--vary", "tries=3", "--out", tmp_path / "sweep")
    header, row = (line.split(",") for line in (tmp_path / "sweep" / "sweep.csv").read_text().splitlines())
    swept = dict(zip(header, row, strict=True))
    assert float(swept["weaker_fade_margin_db"]) == pytest.approx(min(there, back), abs=1e-6)

    table = json.loads(linkcalc("heights", site, "--json", code=-1).stdout)["heights"][0]
    at = table["near_height_m"].index(3.0), table["far_height_m"].index(6.0)
    assert table["margin_db"][at[0]][at[1]] == pytest.approx(min(there, back), abs=1e-6)

    linkcalc(
        "coverage",
        site,
        "--station",
        "shed",
        "--radius-km",
        "3.2",
        "--cell-m",
        "100",
        "--out",
        tmp_path / "c",
    )
    with rasterio.open(tmp_path / "c" / "coverage.tif") as file:
        values, grid, crs = file.read(1), file.transform, file.crs
    from pyproj import Transformer

    # a plan with its tank in the middle of a cell
    row, column = values.shape[0] // 2 + 1, 2
    x, y = grid.c + grid.a * (column + 0.5), grid.f + grid.e * (row + 0.5)
    longitude, latitude = Transformer.from_crs(crs.to_wkt(), "EPSG:4326", always_xy=True).transform(x, y)
    tank = position(*TANK)
    moved = (
        plan_text(terrain=COVER)
        .replace(repr(tank[0]), repr(latitude))
        .replace(repr(tank[1]), repr(longitude))
    )
    assert values[row, column] == pytest.approx(margin(checked(site, moved)), abs=0.02)


@pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only")
def test_a_fleets_nodes_stand_among_what_the_land_cover_shows(site, tmp_path):
    lines = ["name,latitude_deg,longitude_deg,antenna_height_m"]
    spots = {"in the wood": (74.4, 60.3), "in the field": (200.4, 60.3)}
    lines += [f"{name},{position(*at)[0]!r},{position(*at)[1]!r},3.0" for name, at in spots.items()]
    (tmp_path / "nodes.csv").write_text("\n".join(lines) + "\n")
    site.write_text(plan_text(terrain=COVER))
    fleet = fleet_of_plan(load_plan(site), tmp_path / "nodes.csv", interval_s=900.0)
    by_name = dict(zip(spots, paths(fleet).loss_db[:, 0], strict=True))
    for name, at in spots.items():
        tank = position(*TANK)
        here = position(*at)
        moved = (
            plan_text(terrain=COVER)
            .replace(repr(tank[0]), repr(here[0]))
            .replace(repr(tank[1]), repr(here[1]))
        )
        loss = checked(site, moved)["links"][0]["directions"][0]["path_loss_db"]
        assert by_name[name] == pytest.approx(loss, abs=1e-4), name


def test_what_is_no_land_cover_is_one_line(site):
    path = site.parent / "tiles" / "ESA_WorldCover_10m_2021_v200_N45E015_Map.tif"
    write(path, np.full((ROWS, COLUMNS), 41, dtype=np.uint8))
    site.write_text(plan_text(terrain=COVER))
    found = linkcalc("check", site, code=2)
    assert "holds 41, which is not a known land cover class" in found.stderr
    assert found.stderr.count("\n") == 1
    site.write_text(plan_text(terrain=COVER.replace("ESA_WorldCover", "ESA_WorldCower")))
    assert "terrain.land_cover_rasters" in linkcalc("check", site, code=2).stderr
    # and a land cover among the heights says where it belongs
    write(path, np.full((ROWS, COLUMNS), 40, dtype=np.uint8), photometric="palette")
    site.write_text(plan_text(terrain=f'rasters = ["tiles/{path.name}"]'))
    assert "land_cover_rasters" in linkcalc("check", site, code=2).stderr

"""The relay command, from plan to files."""

import json
import re

import pytest
import rasterio
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.link.verdict import check_plan
from linkcalc.plan import load_plan
from linkcalc.propagation import compiled
from tests.area.relay_land import ridge, write

pytestmark = [
    pytest.mark.cli,
    pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only"),
]


def run(*arguments) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture
def plan(tmp_path):
    return write(tmp_path, ridge())


@pytest.mark.slow
def test_a_plan_gives_map_files_a_report_and_a_plan_with_the_relay(plan, tmp_path):
    out, made = tmp_path / "out", tmp_path / "with_relay.toml"
    done = run("relay", plan, "--cell-m", "60", "--out", out, "--write-plan", made, "--progress")
    assert done.exit_code == 0, done.stderr
    assert done.stdout.startswith("Relay for tank – shed: a relay would do")
    assert re.search(r"relay: 100%", done.stderr)
    assert {p.name for p in out.iterdir()} == {
        "relay.tif", "relay.geojson", "relay.csv", "relay.json", "report.txt",
        "relay-map.svg", "relay-map.png", "relay-profiles.svg", "relay-profiles.png",
    }  # fmt: skip
    with rasterio.open(out / "relay.tif") as file:
        assert file.count == 16
    assert (out / "report.txt").read_text() == done.stdout
    best = json.loads((out / "relay.json").read_text())["relay"]["spots"][0]
    hops = check_plan(load_plan(made)).links[1:]
    for link, hop in zip(hops, best["hops"], strict=True):
        assert min(d.fade_margin_db for d in link.directions) == pytest.approx(hop["margin_db"], abs=0.01)


def test_the_exit_code_is_the_verdict_of_the_best(plan):
    plan.write_text(plan.read_text().replace("required_margin_db = 20.0", "required_margin_db = 59.0"))
    done = run("relay", plan, "--cell-m", "150", "--json")
    assert done.exit_code == 3, done.stderr
    found = json.loads(done.stdout)["relay"]
    assert found["spots"][0]["verdict"] == "at_risk"
    assert found["search"]["pairs_tried"] > 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--link", "x"), 'has no link "x"; its links: "level"'),
        (("--radius-km", "80"), "reaches beyond the rasters"),
        (("--radius-km", "nan"), "radius must be finite"),
        (("--track", "tracks.geojson"), "a track needs the largest distance from it"),
        (("--within", "absent.geojson"), "absent.geojson: cannot be read: No such file"),
        (("--relay-like", "barn"), 'unknown station "barn"'),
        (("--relay-height-m", "-3"), "height of the relay's antenna must be at least 0.1"),
        (("--write-plan", "/elsewhere/new.toml"), "write it beside"),
        (("--out", "/dev/null/x"), "cannot be made"),
    ],
)
def test_bad_input_is_one_line(plan, options, words):
    done = run("relay", plan, *options)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert words in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_plan_that_is_there_is_not_written_over(plan):
    before = plan.read_text()
    done = run("relay", plan, "--write-plan", plan)
    assert done.exit_code == 2
    assert "exists already; name another file" in done.stderr
    assert plan.read_text() == before


@pytest.mark.slow
def test_tiles_are_kept_until_all_files_are_written(plan, tmp_path):
    out = tmp_path / "out"
    (out / "relay.csv").mkdir(parents=True)
    command = ("relay", plan, "--cell-m", "150", "--relays", "1", "--out", out)
    failed = run(*command)
    assert failed.exit_code == 2
    kept, why = failed.stderr.splitlines()[-2:]
    assert "finished tiles are kept in" in kept
    assert "relay.csv: cannot be written" in why
    assert list(out.glob("tiles-*/*.npy"))
    (out / "relay.csv").rmdir()
    again = run(*command)
    assert "tiles from an earlier run" in again.stderr
    assert not list(out.glob("tiles-*"))


def test_a_plan_that_cannot_be_added_to_is_refused_before_the_work(plan, tmp_path):
    text = plan.read_text()
    start, end = text.index("[[station]]"), text.index("[[link]]")
    stations = [", ".join(part.split("\n")[1:-2]) for part in text[start:end].split("[[station]]")[1:]]
    rows = ", ".join(f"{{ {row} }}" for row in stations)
    plan.write_text(f"station = [{rows}]\n{text[:start]}{text[end:]}")
    done = run("relay", plan, "--write-plan", tmp_path / "new.toml", "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert "relays cannot be added at its end" in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""
    assert not (tmp_path / "out").exists()

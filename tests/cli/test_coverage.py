"""The coverage command, from plan to files."""

import os
import re
import subprocess
import sys

import pytest
import rasterio
from typer.testing import CliRunner, Result

from linkcalc.area.tiles import BANDS
from linkcalc.cli import app
from linkcalc.propagation import compiled
from tests.area.test_same_as_check import SAMPLES, UPLAND_MIDDLE

pytestmark = [
    pytest.mark.cli,
    pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only"),
]


def run(*arguments) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture
def plan(tmp_path):
    """The hills, with the shed in the middle."""
    text = (SAMPLES / "upland.toml").read_text()
    text = text.replace('rasters = ["', f'rasters = ["{SAMPLES.as_posix()}/')
    text = text.replace("-40.02153", str(UPLAND_MIDDLE[0])).replace("-19.97903", str(UPLAND_MIDDLE[1]))
    file = tmp_path / "plan.toml"
    file.write_text(text)
    return file


def test_a_plan_gives_map_files_and_a_report(plan, tmp_path):
    out = tmp_path / "out"
    done = run(
        "coverage", plan, "--station", "generator shed", "--radius-km", "0.8", "--out", out, "--progress"
    )
    assert done.exit_code == 0, done.stderr
    assert done.stdout.startswith("Coverage around generator shed: ")
    assert re.search(r"coverage: 100%", done.stderr)
    names = {p.name for p in out.iterdir()}
    assert names == {"coverage.tif", "coverage.geojson", "coverage.svg", "coverage.png", "report.txt"}
    with rasterio.open(out / "coverage.tif") as file:
        assert file.count == len(BANDS)
    assert (out / "report.txt").read_text() == done.stdout


def test_without_a_terminal_no_progress_is_drawn(plan):
    done = run("coverage", plan, "--station", "tank", "--radius-km", "0.3")
    assert done.exit_code == 0, done.stderr
    assert "%" not in done.stderr


def test_a_preview_says_that_it_is_one(plan):
    done = run("coverage", plan, "--station", "generator shed", "--radius-km", "1", "--preview")
    assert done.exit_code == 0, done.stderr
    assert "PREVIEW with cells of 90 m" in done.stdout


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--station", "barn"), 'unknown station "barn"; stations: "tank", "generator shed"'),
        (("--station", "tank", "--radius-km", "80"), "reaches beyond the rasters"),
        (("--station", "tank", "--radius-km", "0.01"), "no cell lies within"),
        (("--station", "tank", "--radius-km", "nan"), "radius_m must be finite"),
        (("--station", "tank", "--out", "/dev/null/x"), "cannot be made"),
    ],
)
def test_bad_input_is_one_line(plan, options, words):
    done = run("coverage", plan, *options)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert words in done.stderr
    assert done.stderr.count("\n") == 1


INTERRUPTED_AFTER_TWO_TILES = """
import signal
from linkcalc.area.tiles import TileStore
from linkcalc.cli import main

signal.signal(signal.SIGINT, signal.default_int_handler)  # a run in the background was told to ignore it
save, saved = TileStore.save, []

def save_and_interrupt(store, tile, found):
    save(store, tile, found)
    saved.append(tile)
    if len(saved) == 2:
        signal.raise_signal(signal.SIGINT)  # to this thread: at once

TileStore.save = save_and_interrupt
main()
"""


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "killpg"), reason="needs signals")
def test_an_interrupted_run_keeps_its_tiles_and_goes_on(plan, tmp_path):
    out = tmp_path / "out"
    arguments = (
        "coverage", str(plan), "--station", "generator shed", "--radius-km", "1.5", "--out", str(out)
    )  # fmt: skip
    stopped = subprocess.run(
        [sys.executable, "-c", INTERRUPTED_AFTER_TWO_TILES, *arguments],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert stopped.returncode == 130, stopped.stderr
    assert "finished tiles are kept in" in stopped.stderr
    assert stopped.stderr.rstrip().endswith("interrupted")
    assert len(list(out.glob("tiles-*/*.npy"))) == 2
    again = run(*arguments)
    assert again.exit_code == 0, again.stderr
    assert "taking over 2 of 4 tiles" in again.stderr
    assert not list(out.glob("tiles-*"))

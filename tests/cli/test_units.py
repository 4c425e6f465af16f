"""Feet and miles, or metres and kilometres: one of them in a whole output, whatever the command."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from linkcalc.cli import app
from linkcalc.plan import load_plan
from linkcalc.sample_files import copy_samples
from linkcalc.views import units

pytestmark = pytest.mark.cli

METRIC = re.compile(
    r"\d[ \u00a0](?:m|km|cm|mm|m²|km²|m³|m³/h|litres)(?![\w/²³])|, (?:m|km|m³|litres)$|\bmetres?\b", re.M
)
US = re.compile(r"\d[ \u00a0](?:ft|mi|gal|gpm)\b")

COMMANDS = {
    "check": ["check", "upland.toml"],
    "full": ["check", "upland.toml", "--full"],
    "tank": ["tank", "upland.toml", "--tank-years", "0"],
    "heights": ["heights", "upland.toml", "--step-m", "4"],
    "limits": ["limits", "upland.toml"],
    "range": ["range", "--region", "eu"],
}


@pytest.fixture(autouse=True)
def units_put_back() -> Iterator[None]:
    yield
    units.use("metric")


@pytest.fixture
def samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    copy_samples(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def linkcalc(*arguments: str) -> str:
    done = CliRunner().invoke(app, list(arguments))
    assert done.exit_code in (0, 3, 4), done.output
    return done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_no_report_mixes_units(name: str, samples: Path) -> None:
    text = linkcalc(*COMMANDS[name], "--units", "us")
    assert not METRIC.findall(text)
    assert US.search(text)
    plain = linkcalc(*COMMANDS[name])
    assert not US.search(plain)
    assert METRIC.search(plain)


def test_the_plan_says_the_units_and_the_command_line_overrides_it(samples: Path) -> None:
    plan = samples / "upland.toml"
    plan.write_text('units = "us"\n' + plan.read_text())
    assert US.search(linkcalc("check", "upland.toml"))
    assert not US.search(linkcalc("check", "upland.toml", "--units", "metric"))
    assert not US.search(linkcalc("check", "plain.toml"))


def test_files_written_beside_are_in_the_same_units_and_json_stays_metric(samples: Path) -> None:
    linkcalc("check", "upland.toml", "--units", "us", "--out", "out")
    assert not METRIC.findall(Path("out/report.txt").read_text())
    metric = json.loads(linkcalc("check", "upland.toml", "--json"))
    assert json.loads(Path("out/result.json").read_text()) == metric
    linkcalc("report", "upland.toml", "--units", "us", "-o", "record.html")
    shown = re.sub(r"<(style|svg).*?</\1>|<[^>]*>", " ", Path("record.html").read_text(), flags=re.S)
    assert not METRIC.findall(shown)
    assert US.search(shown)


def test_a_plan_takes_figures_with_a_unit_of_their_own(samples: Path) -> None:
    plan = samples / "upland.toml"
    before = load_plan(plan).plan.station[0]
    feet = f'antenna_height_m = "{before.antenna_height_m / 0.3048:.6f} ft"'
    plan.write_text(re.sub(r"antenna_height_m = [\d.]+", feet, plan.read_text(), count=1))
    assert load_plan(plan).plan.station[0].antenna_height_m == pytest.approx(
        before.antenna_height_m, abs=1e-6
    )
    for wrong in ("12 dB", "12", "twelve ft", "12 ft 3"):
        plan.write_text(
            re.sub(r'antenna_height_m = "[^"]*"', f'antenna_height_m = "{wrong}"', plan.read_text())
        )
        done = CliRunner().invoke(app, ["check", "upland.toml"])
        assert done.exit_code == 2
        assert "antenna_height_m" in done.stderr
        assert done.stderr.count("\n") == 1

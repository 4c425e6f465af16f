"""Feet and miles, or metres and kilometres: one of them in a whole output, whatever the command."""

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from linkcalc.cli import app
from linkcalc.files import copy_samples
from linkcalc.plan import load_plan
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
    with pytest.MonkeyPatch.context() as patch:
        # pictures have a test of their own
        patch.setattr("linkcalc.views.style.render", lambda figure, kind, title="": kind.encode())
        linkcalc("check", "upland.toml", "--units", "us", "--out", "out")
    assert not METRIC.findall(Path("out/report.txt").read_text())
    metric = json.loads(linkcalc("check", "upland.toml", "--json"))
    assert json.loads(Path("out/result.json").read_text()) == metric
    linkcalc("report", "upland.toml", "--units", "us", "-o", "record.html")
    shown = re.sub(r"<(style|svg).*?</\1>|<[^>]*>", " ", Path("record.html").read_text(), flags=re.S)
    assert not METRIC.findall(shown)
    assert US.search(shown)


def test_a_starter_in_feet_and_its_answers_are_in_feet(samples: Path) -> None:
    linkcalc("new", "site.toml", "--units", "us")
    assert 'units = "us"' in Path("site.toml").read_text()
    assert US.search(linkcalc("check", "site.toml"))
    # what a command was told goes with it
    assert not US.search(linkcalc("check", "plain.toml"))


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


def test_no_picture_mixes_units() -> None:
    from matplotlib.text import Text

    import linkcalc as lc
    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.tank import answer as tank
    from linkcalc.sweeps.mast_heights import height_table
    from linkcalc.sweeps.reach_by_ground import how_far, plan_of_facts
    from linkcalc.views import style
    from linkcalc.views.check import figures
    from linkcalc.views.heights import figures as heights_figures
    from linkcalc.views.range import figures as range_figures
    from linkcalc.views.tank import figures as tank_figures

    loaded = lc.load_plan(lc.sample_path("upland"))
    links = check_plan(loaded).links
    with open_terrain(loaded) as terrain:
        table = height_table(link_case(loaded, loaded.plan.link[0], terrain), highest_m=12.0, step_m=4.0)
    water = tank.section(loaded.plan, links)
    assert water is not None
    reach = how_far(plan_of_facts(frequency_mhz=868.3), grounds=["flat"])
    for draw in (
        lambda: figures.profile_figure(links[0]),
        lambda: figures.height_figure(links[0]),
        lambda: heights_figures.heights_figure(table),
        lambda: range_figures.range_figure(reach),
        lambda: tank_figures.cycle_figure(water),
    ):
        shown = {}
        for system in ("metric", "us"):
            with units.shown_in(system):  # type: ignore[arg-type]
                figure = draw()
                style.render(figure, "png")
                shown[system] = "\n".join(t.get_text() for t in figure.findobj(Text))
        assert not METRIC.findall(shown["us"]), shown["us"]
        assert METRIC.search(shown["metric"])


def test_axes_have_round_ticks_at_their_true_places() -> None:
    from linkcalc.views import style

    figure = style.new_figure(4, 3)
    ax = figure.add_axes((0.2, 0.2, 0.7, 0.7))
    ax.set_xlim(0.0, 3.0)
    ax.set_ylim(0.0, 30.0)
    ax.set_xlabel("km east of the middle")
    ax.set_ylabel("Antenna above ground, m")
    with units.shown_in("us"):
        style.render(figure, "png")
    assert ax.get_xlabel() == "mi east of the middle"
    for axis, metres in ((ax.xaxis, 1.609344), (ax.yaxis, 0.3048)):
        figures = [float(t.get_text()) for t in axis.get_ticklabels()]
        assert [place / metres for place in axis.get_ticklocs()] == pytest.approx(figures)
        assert len(figures) >= 3

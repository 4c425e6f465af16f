"""The energy command: lives, panels, pictures, and refusals in one line."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from tests.plan.plans import PLAN, write

pytestmark = pytest.mark.cli

POWER = """
[regulation]
report_interval_s = 900.0

[[power]]
station = "tank"
[power.battery]
chemistry = "alkaline"
capacity_mah = 2500.0

[[power]]
station = "shed"
listening_share = 1.0
[power.solar]
worst_month_peak_sun_h = 2.0
"""


def energy(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["energy", *map(str, arguments)])


def test_lives_and_panel_are_said_with_their_parts_and_caution(tmp_path: Path) -> None:
    done = energy(write(tmp_path, PLAN + POWER))
    assert (done.exit_code, done.stderr) == (0, "")
    text = " ".join(done.stdout.split())
    assert "tank: battery " in text
    for part in ("sending", "listening", "sensing", "sleeping", "self-discharge", "together"):
        assert part in text
    assert "48 % usable at 0 degrees Celsius down to 1 V a cell" in text
    assert "shed: panel " in text
    assert "2 peak sun hours" in text
    assert "no life beyond 10 years is quoted" in text
    assert "unverified" in text
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_the_answer_is_strict_json(tmp_path: Path) -> None:
    def never(word: str) -> None:
        raise AssertionError(word)

    done = energy(write(tmp_path, PLAN + POWER), "--json")
    tank, shed = json.loads(done.stdout, parse_constant=never)["stations"]
    parts = sum(tank[f"{name}_ma"] for name in ("sending", "listening", "sensing", "sleeping"))
    assert tank["mean_current_ma"] == pytest.approx(parts)
    assert 0 < tank["battery"]["life_years"] < 10
    assert [f["spreading_factor"] for f in tank["battery"]["by_spreading_factor"]] == list(range(7, 13))
    assert shed["solar"]["recommended_panel_w"] > shed["solar"]["panel_w"] > 0


def test_pictures_are_written_the_same_every_time(tmp_path: Path) -> None:
    file = write(tmp_path, PLAN + POWER)
    for folder in ("one", "two"):
        assert energy(file, "--out", tmp_path / folder).exit_code == 0
    names = sorted(p.name for p in (tmp_path / "one").iterdir())
    assert names == ["tank-battery.png", "tank-battery.svg"]
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_a_plan_without_supplies_says_what_to_add(tmp_path: Path) -> None:
    done = energy(write(tmp_path, PLAN))
    assert done.exit_code == 0
    assert "[power.battery] capacity_mah" in done.stdout


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("capacity_mah = 2500.0", "capacity_mah = -2500.0", "battery.capacity_mah = -2500 is too low"),
        (
            "report_interval_s = 900.0",
            "report_interval_s = 0.1",
            "regulation.report_interval_s = 0.1 is shorter",
        ),
        (
            "worst_month_peak_sun_h = 2.0",
            "worst_month_peak_sun_h = 0.0",
            "worst_month_peak_sun_h = 0 is too low",
        ),
    ],
)
def test_an_impossible_supply_is_one_line_that_names_the_key(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    assert old in POWER
    done = energy(write(tmp_path, PLAN + POWER.replace(old, new)))
    assert done.exit_code == 2
    assert told in done.stderr
    assert done.stderr.count("\n") == 1

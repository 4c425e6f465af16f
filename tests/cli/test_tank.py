"""The tank command: overrun, year, settings solved for, picture, and refusals in one line."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from tests.plan.plans import PLAN, write
from tests.plan.test_control import CONTROL

pytestmark = pytest.mark.cli


def tank(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["tank", *map(str, arguments)])


def never(word: str) -> None:
    raise AssertionError(word)


def test_the_answer_leads_with_the_overrun_and_ends_with_the_cautions(tmp_path: Path) -> None:
    done = tank(write(tmp_path, PLAN + CONTROL), "--tank-years", "100")
    assert (done.exit_code, done.stderr) == (0, "")
    text = " ".join(done.stdout.split())
    assert text.startswith("A lost stop overruns 3.51 m³ (0.18 m) at most; 3.93 m³ is free")
    for part in (
        "chance of an overflow",
        "nuisance stops",
        "Simulated: 100 tank-years, seed 1",
        "Each alone, relying on messages",
        "Together, relying on no message: - stop at 92 %, report every 10 min, watchdog 30 min",
        "Fit a local float valve or high-level stop in any case",
        "not a safety function and not an emergency stop",
        "independent, hard-wired stop for low oil and over-run",
        "transfer switching and wiring are for licensed people under local codes",
    ):
        assert part in text, part
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_a_tank_that_can_overflow_is_told_in_the_first_line(tmp_path: Path) -> None:
    text = PLAN + CONTROL.replace("watchdog_s = 1800.0", "watchdog_s = 7200.0")
    done = tank(write(tmp_path, text), "--tank-years", "0")
    assert "OVERFLOW" in done.stdout.splitlines()[0]
    assert "simulated" not in done.stdout.lower()


def test_the_answer_is_strict_json_even_where_nothing_bounds_it(tmp_path: Path) -> None:
    text = PLAN + CONTROL.replace("watchdog_s = 1800.0", "")
    done = tank(write(tmp_path, text), "--json", "--tank-years", "50")
    found = json.loads(done.stdout, parse_constant=never)["tank"]
    assert found["overrun_bound_m3"] is None
    assert found["bounded_by"] == "nothing"
    assert found["simulated"]["tank_years"] == 50
    assert (
        found["solution"]["recommended"]["watchdog_s"] >= 3 * found["solution"]["recommended"]["interval_s"]
    )
    assert any("not a safety function" in c for c in found["cautions"])
    assert "drawing" not in found


def test_the_same_seed_gives_the_same_answer(tmp_path: Path) -> None:
    file = write(tmp_path, PLAN + CONTROL)
    arguments = (file, "--json", "--tank-years", "60", "--seed", "5")
    assert tank(*arguments).stdout == tank(*arguments).stdout


@pytest.mark.slow
def test_the_picture_is_written_the_same_every_time(tmp_path: Path) -> None:
    file = write(tmp_path, PLAN + CONTROL)
    for folder in ("one", "two"):
        assert tank(file, "--out", tmp_path / folder, "--tank-years", "0").exit_code == 0
    names = sorted(p.name for p in (tmp_path / "one").iterdir())
    assert names == ["tank-lost-stop.png", "tank-lost-stop.svg"]
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_a_plan_without_a_tank_says_what_to_add(tmp_path: Path) -> None:
    file = write(tmp_path, PLAN)
    done = tank(file)
    assert done.exit_code == 0
    assert "[tank.shape]" in done.stdout
    assert json.loads(tank(file, "--json").stdout) == {"tank": None}


def test_a_watchdog_that_late_tries_outrun_is_refused_in_one_line(tmp_path: Path) -> None:
    text = PLAN + CONTROL.replace("watchdog_s = 1800.0", "watchdog_s = 605.0")
    done = tank(write(tmp_path, text))
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 1
    assert "make it 1800" in done.stderr

"""The survey and acceptance commands as a technician runs them."""

import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import _shell, app
from tests.plan.plans import plan_text, write
from tests.test_readings import damaged

SAMPLES = Path(__file__).parents[2] / "terrain_samples"
UPLAND, READINGS = str(SAMPLES / "upland.toml"), SAMPLES / "upland_readings.csv"

pytestmark = pytest.mark.cli


def run(*arguments: object) -> Result:
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


def test_the_survey_answers_first_in_80_columns_and_leaves_with_the_verdict():
    done = run("survey", UPLAND, READINGS)
    assert done.exit_code == _shell.EXIT_CODES["at_risk"]
    lines = done.stdout.splitlines()
    assert lines[0] == "AT RISK  level and start command"
    assert lines[1].startswith("  Measured: ")
    assert max(map(len, lines)) <= 80
    assert "not a safety function" in " ".join(done.stdout.split())
    assert done.stderr == ""


@pytest.mark.usefixtures("undrawn")
def test_json_and_files_hold_the_same_answer(tmp_path):
    done = run("survey", UPLAND, READINGS, "--json", "--out", tmp_path / "out")
    answer = json.loads(done.stdout)
    assert json.loads((tmp_path / "out" / "survey.json").read_text()) == answer
    assert answer["verdict"] == "at_risk"
    assert [d["from"] for d in answer["directions"]] == ["tank", "generator shed"]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "level-and-start-command-survey.png", "level-and-start-command-survey.svg", "survey.json",
        "survey.txt",
    ]  # fmt: skip
    assert "wrote 4 files" in done.stderr


def test_a_walk_test_names_the_best_spot_and_draws_it(tmp_path):
    done = run("survey", UPLAND, SAMPLES / "upland_spots.csv", "--out", tmp_path)
    assert "Spots, best first" in done.stdout
    assert "ridge post" in done.stdout
    names = {p.name for p in tmp_path.iterdir()}
    assert {"level-and-start-command-spots.png", "level-and-start-command-spots-map.png"} <= names


def test_bad_rows_are_lines_on_stderr_and_the_good_ones_count(tmp_path):
    file = tmp_path / "r.csv"
    file.write_text(READINGS.read_text() + "2026-03-14T12:00,there,85,4,10,10,yes,\n,there,-1,,,,,\nx\n")
    done = run("survey", UPLAND, file)
    assert done.exit_code == _shell.EXIT_CODES["at_risk"]
    lines = done.stderr.splitlines()
    assert lines[0] == (
        f"linkcalc: {file}, row 27: rssi_dbm = 85 is positive; a level heard by radio is negative: write -85"
        "; row not used"
    )
    assert lines[1].startswith(f"linkcalc: {file}, row 29: 1 value under 8 columns")
    assert "2 refused" in done.stdout


def test_many_bad_rows_do_not_flood_the_terminal(tmp_path):
    file = tmp_path / "r.csv"
    file.write_text(READINGS.read_text() + ",there,85,,,,,\n" * 100)
    lines = run("survey", UPLAND, file).stderr.splitlines()
    assert len(lines) == 21
    assert lines[-1] == f"linkcalc: {file}: 80 more rows not used"


def test_a_file_without_a_usable_row_is_one_line_and_code_2(tmp_path):
    file = tmp_path / "r.csv"
    file.write_text("direction,rssi_dbm\nthere,85\n")
    done = run("survey", UPLAND, file)
    assert (done.exit_code, done.stdout) == (_shell.BAD_INPUT, "")
    assert done.stderr.count("\n") == 1
    assert "write -85" in done.stderr


def test_the_direction_may_be_said_once_for_all_rows(tmp_path):
    file = tmp_path / "r.csv"
    file.write_text("rssi_dbm,snr_db\n-110,3\n-111,2\n")
    assert "--direction" in run("survey", UPLAND, file).stderr
    assert run("survey", UPLAND, file, "--direction", "return").exit_code != _shell.BAD_INPUT


def test_of_several_links_one_must_be_named_by_option_or_by_the_sheet(tmp_path):
    second = (
        plan_text()
        + '\n[[link]]\nname = "other"\nfrom = "shed"\nto = "tank"\nfrequency_mhz = 433.0\n'
        + ('profile_csv = "path.csv"\nmodulation = { kind = "css", spreading_factor = 7 }\n')
    )
    plan = write(tmp_path, second)
    file = tmp_path / "r.json"
    rows = {"readings": [{"direction": "shed -> tank", "rssi_dbm": -80, "snr_db": 9}]}
    file.write_text(json.dumps(rows))
    refused = run("survey", plan, file)
    assert refused.exit_code == _shell.BAD_INPUT
    assert 'say which with --link: "level", "other"' in refused.stderr
    assert "has no link" in run("survey", plan, file, "--link", "none").stderr
    by_option = run("survey", plan, file, "--link", "other")
    file.write_text(json.dumps({**rows, "link": "other"}))
    by_sheet = run("survey", plan, file)
    assert by_option.stdout == by_sheet.stdout
    assert by_option.stdout.startswith("CLOSES  other")


def test_damaged_readings_are_a_code_and_never_a_traceback(tmp_path, few: Callable[[int], int]):
    rng = random.Random(5)
    file = tmp_path / "r.csv"
    codes = set()
    for _ in range(few(60)):
        file.write_bytes(damaged(rng, READINGS.read_bytes()))
        done = run("survey", UPLAND, file)
        assert "Traceback" not in done.output
        codes.add(done.exit_code)
        if done.exit_code == _shell.BAD_INPUT:
            assert done.stdout == ""
            assert done.stderr.splitlines()[-1].startswith(f"linkcalc: {file}")
    assert _shell.BAD_INPUT in codes
    assert codes <= {*_shell.EXIT_CODES.values(), _shell.BAD_INPUT}


def test_acceptance_says_how_many_packets_and_how_long():
    done = run("acceptance", UPLAND, "--interval-s", 60)
    assert done.exit_code == 0
    first = " ".join(done.stdout.split())
    assert first.startswith(
        "59 packets, none lost: proves that 95 % of the packets arrive, at 95 % confidence."
    )
    assert "That takes 59 min." in first
    assert "spread them over the day" in first
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_acceptance_is_held_back_by_the_regions_limit(tmp_path):
    # 1 % duty cycle in this band: a second on the air is a packet every 100 s
    plan = write(tmp_path, plan_text(("frequency_mhz = 868.0", "frequency_mhz = 868.3")))
    with plan.open("a") as file:
        file.write('[regulation]\nregion = "eu"\n')
    answer = json.loads(run("acceptance", plan, "--interval-s", 1, "--json").stdout)
    assert answer["interval_limited_by"] == "legal limit"
    assert answer["interval_s"] == pytest.approx(100.0 * answer["time_on_air_s"], rel=0.05)
    back = json.loads(run("acceptance", plan, "--direction", "return", "--json").stdout)
    assert back["time_on_air_s"] < answer["time_on_air_s"]


def test_a_count_is_passed_or_not_proven():
    passed = run("acceptance", "--sent", 100, "--lost", 0)
    failed = run("acceptance", "--sent", 100, "--lost", 2)
    assert (passed.exit_code, failed.exit_code) == (0, 3)
    assert passed.stdout.startswith("PASSED  0 of 100")
    assert failed.stdout.startswith("NOT PROVEN  2 of 100")
    assert "0.55 to 7.00 %" in failed.stdout  # Wilson, trade notes
    assert "24 more packets" in failed.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--success", "1.5"], "success must be at most"),
        (["--lost", "3"], "say also --sent"),
        (["--sent", "3", "--lost", "4"], "lost must be a whole number from 0 to sent"),
        (["--interval-s", "60"], "name a plan file, or --time-on-air-s"),
        (["--time-on-air-s", "-1"], "time_on_air_s must be above 0"),
    ],
)
def test_figures_that_make_no_sense_are_one_line_and_code_2(arguments, said):
    done = run("acceptance", *arguments)
    assert (done.exit_code, done.stdout) == (_shell.BAD_INPUT, "")
    assert said in done.stderr
    assert done.stderr.count("\n") == 1

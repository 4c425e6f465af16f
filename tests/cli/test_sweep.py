"""The sweep command: ranges, tables, pictures, and refusals in one line."""

import csv
import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.cli.sweep import MOST_VALUES, values_of
from linkcalc.errors import LinkcalcError
from linkcalc.plan import load_plan
from linkcalc.sweeps.sweeping import sweep_plan
from tests.plan.plans import PLAN, write

pytestmark = pytest.mark.cli


def sweep(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["sweep", *map(str, arguments)])


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("7:12", [7, 8, 9, 10, 11, 12]),
        ("2:12:0.5", [2 + 0.5 * i for i in range(21)]),
        ("0:0.3:0.1", [0, 0.1, 0.2, 0.3]),
        ("-5:5:5", [-5, 0, 5]),
        ("3:3", [3]),
        ("1:2:0.4", [1, 1.4, 1.8]),
        ("125,250, 500", [125, 250, 500]),
        ("1e2:3e2:1e2", [100, 200, 300]),
        ("4/5,4/8", ["4/5", "4/8"]),
        ("in_leaf,out_of_leaf", ["in_leaf", "out_of_leaf"]),
        ("true,false", [True, False]),
        ("1,4:8:2", [1, 4, 6, 8]),
    ],
)
def test_ranges_and_lists_hold_what_they_say(text: str, values: list[Any]) -> None:
    assert values_of(text) == values
    assert [type(v) for v in values_of(text)] == [
        int if isinstance(v, float) and v.is_integer() else type(v) for v in values
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "a value is missing"),
        ("7,,8", "a value is missing"),
        ("12:7", "the range 12:7 ends before it begins; write 7:12"),
        ("7:12:0", "the step of 7:12:0 is not above 0"),
        ("7:12:-1", "the step of 7:12:-1 is not above 0"),
        ("7:", "7: is not a range of numbers; write START:STOP or START:STOP:STEP"),
        ("a:b", "a:b is not a range of numbers"),
        ("1:2:3:4", "1:2:3:4 is not a range of numbers"),
        ("0:inf", "0:inf is not a range of numbers"),
        ("0:nan:1", "0:nan:1 is not a range of numbers"),
        ("0:1e400", "0:1e400 is not a range of numbers"),
        ("0:1:1e-9", f"the range 0:1:1e-9 holds more than {MOST_VALUES} values: take a larger step"),
        ("0:99999,0:99999", f"more than {MOST_VALUES} values"),
    ],
)
def test_a_bad_range_is_named_with_its_mend(text: str, said: str) -> None:
    with pytest.raises(LinkcalcError) as caught:
        values_of(text)
    assert said in str(caught.value)


@given(st.text(st.sampled_from("0123456789.:,-+e_/a "), max_size=20) | st.text(max_size=20))
def test_whatever_is_written_is_a_list_of_values_or_refused_in_one_line(text: str) -> None:
    try:
        values = values_of(text)
    except LinkcalcError:
        return
    assert 1 <= len(values) <= MOST_VALUES
    assert all(isinstance(v, str) or math.isfinite(v) for v in values)


def test_the_answer_is_a_table_in_words(tmp_path: Path) -> None:
    done = sweep(write(tmp_path, PLAN), "--vary", "sf=7:12", "--vary", "height=2:8:2")
    assert (done.exit_code, done.stderr) == (0, "")
    assert "level: 24 combinations" in done.stdout
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_the_json_is_the_table_that_python_gives(tmp_path: Path) -> None:
    file = write(tmp_path, PLAN)
    done = sweep(file, "--vary", "sf=7:9", "--vary", "coding_rate=4/5,4/8", "--json")
    assert done.stdout == sweep_plan(load_plan(file), {"sf": [7, 8, 9], "cr": ["4/5", "4/8"]}).to_json()
    assert json.loads(done.stdout)["shape"] == [3, 2]


def test_table_and_pictures_are_written(tmp_path: Path) -> None:
    file = write(tmp_path, PLAN)
    done = sweep(
        file, "--vary", "sf=7:12", "--vary", "far.height=2:4", "--quantity", "path_loss_db",
        "--table", tmp_path / "all.csv", "--out", tmp_path / "out",
    )  # fmt: skip
    assert (done.exit_code, done.stderr) == (
        0,
        f"wrote {tmp_path / 'all.csv'}\nwrote 3 files to {tmp_path / 'out'}\n",
    )
    names = sorted(p.name for p in (tmp_path / "out").iterdir())
    assert names == ["level-sweep.png", "level-sweep.svg", "sweep.csv"]
    rows = list(csv.DictReader((tmp_path / "all.csv").read_text().splitlines()))
    assert [(r["spreading_factor"], r["far.antenna_height_m"]) for r in rows[:4]] == [
        ("7", "2.0"), ("7", "3.0"), ("7", "4.0"), ("8", "2.0"),
    ]  # fmt: skip
    assert (tmp_path / "all.csv").read_bytes() == (tmp_path / "out" / "sweep.csv").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "name at least one parameter to vary: --vary sf=7:12"),
        (["--vary", "sf"], "--vary sf: write NAME=VALUES, such as sf=7:12"),
        (["--vary", "=7"], "--vary =7: write NAME=VALUES"),
        (["--vary", "sf=12:7"], "--vary sf=12:7: the range 12:7 ends before it begins; write 7:12"),
        (["--vary", "sf=7", "--vary", "sf=8"], "--vary sf=8: sf is given twice; separate its "),
        (["--vary", "sf=7:13"], "spreading_factor = 13 is too high; allowed: 5 to 12"),
        (["--vary", "spreding=7"], '"spreding" cannot be varied; did you mean spreading_factor?'),
        (["--vary", "sf=7.5"], "spreading_factor = 7.5: allowed: 5 to 12"),
        (["--vary", "power=low"], 'transmit_power_dbm = "low": allowed: -30 to 50'),
        (["--vary", "power=0:20:0.001", "--vary", "nf=0:20:0.01"], "are more than 10_000_000"),
        (["--vary", "sf=7", "--link", "other"], 'has no link "other"; its links: "level"'),
        (["--vary", "sf=7", "--quantity", "verdict"], "--quantity verdict: there are weaker_fade_margin_db"),
        (["--vary", "sf=7", "--table", "all.xls"], "all.xls: .xls: write .csv, .json, .parquet"),
        (["--vary", "sf=7", "--table", "absent/all.csv"], "there is no folder"),
    ],
)  # fmt: skip
def test_a_question_that_cannot_be_answered_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    file = write(tmp_path, PLAN)
    monkeypatch.chdir(tmp_path)
    done = sweep(file, *arguments)
    assert done.exit_code == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.output

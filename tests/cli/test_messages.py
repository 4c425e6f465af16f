"""The messages command: losses, delays, pictures, and refusals in one line."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from tests.plan.plans import PLAN, write
from tests.plan.test_control import CONTROL

pytestmark = pytest.mark.cli


def messages(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["messages", *map(str, arguments)])


def never(word: str) -> None:
    raise AssertionError(word)


def test_losses_delay_and_airtime_are_said_with_their_caution(tmp_path: Path) -> None:
    done = messages(write(tmp_path, PLAN + CONTROL))
    assert (done.exit_code, done.stderr) == (0, "")
    text = " ".join(done.stdout.split())
    for part in (
        "permit (run permit), tank → shed over level",
        "every 10 min, up to 3 tries, acknowledged",
        "lost in a year",
        "the optimistic bound",
        "95 % within",
        "On the air:",
        "not a safety function",
        "licensed people under local codes",
    ):
        assert part in text
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_the_answer_is_strict_json_without_the_curve(tmp_path: Path) -> None:
    done = messages(write(tmp_path, PLAN + CONTROL), "--json")
    found = json.loads(done.stdout, parse_constant=never)["messages"]
    assert [m["name"] for m in found["messages"]] == ["permit", "stop"]
    assert found["messages"][0]["from"] == "tank"
    assert set(found["messages"][0]["delay"]) == {"mean_s", "median_s", "p95_s", "p99_s"}
    assert "safety" in found["caution"]
    assert found["line"].startswith("Messages:")


@pytest.mark.slow
def test_pictures_are_written_the_same_every_time(tmp_path: Path) -> None:
    file = write(tmp_path, PLAN + CONTROL)
    for folder in ("one", "two"):
        assert messages(file, "--out", tmp_path / folder).exit_code == 0
    names = sorted(p.name for p in (tmp_path / "one").iterdir())
    assert names == ["permit-delay.png", "permit-delay.svg", "stop-delay.png", "stop-delay.svg"]
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_a_plan_without_messages_says_what_to_add(tmp_path: Path) -> None:
    file = write(tmp_path, PLAN)
    done = messages(file)
    assert done.exit_code == 0
    assert "[[message]]" in done.stdout
    assert json.loads(messages(file, "--json").stdout) == {"messages": None}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("interval_s = 600.0", "interval_s = 0.2", "interval_s = 0.2 is shorter than"),
        ("tries = 3", "tries = 3\nretry_wait_s = 0.1", "retry_wait_s = 0.1"),
    ],
)
def test_what_does_not_fit_on_the_air_is_refused_in_one_line(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    text = CONTROL.replace(old, new, 1).split("[tank]")[0]
    done = messages(write(tmp_path, PLAN + text))
    assert done.exit_code == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert words in done.stderr
    assert "make it" in done.stderr


def test_a_folder_that_cannot_be_made_is_said_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = messages(write(tmp_path, PLAN + CONTROL), "--out", tmp_path / "file" / "below")
    assert done.exit_code == 2
    assert "cannot be made" in done.stderr

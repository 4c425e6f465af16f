"""Candidates side by side, parts, and the mended plan, from the command line."""

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.files import sample_path

pytestmark = pytest.mark.cli


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture
def upland(tmp_path: Path) -> Path:
    for file in sample_path("upland").parent.glob("upland*"):
        shutil.copy(file, tmp_path)
    return tmp_path / "upland.toml"


@pytest.mark.usefixtures("undrawn")
def test_candidates_are_each_what_their_own_check_says(upland: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    change = "tank.antenna_height_m=8, generator shed.noise_rise_db=0"
    done = run("compare", upland, "--set", change, "--leaf", "both", "--out", out, "--json")
    assert done.exit_code == 3
    rows = json.loads(done.stdout)["compare"]["rows"]
    assert [(r["candidate"], r["leaf"]) for r in rows] == [
        (name, leaf)
        for name in ("upland.toml", f"upland.toml, {change}")
        for leaf in ("in_leaf", "out_of_leaf")
    ]
    alone = run("check", upland, "--json", *(a for one in change.split(", ") for a in ("--set", one)))
    link = json.loads(alone.stdout)["links"][0]
    assert rows[2]["fade_margins_db"] == [d["fade_margin_db"] for d in link["directions"]]
    assert rows[2]["verdict"] == link["verdict"]
    # a mast of 8 m, guyed, for one of 4: 150 + 8 x 70 less 150 + 4 x 40
    assert rows[2]["cost_over_first"] == 400.0
    assert {f.name for f in out.iterdir()} == {
        "compare.csv", "compare.json", "compare.txt", "level-and-start-command-compared.png",
        "level-and-start-command-compared.svg",
    }  # fmt: skip
    text = " ".join(run("compare", upland, "--leaf", "both").stdout.split())
    assert "upland.toml, in leaf" in text
    assert "limiting factor: line of sight blocked by terrain, 3.18 km from tank" in text
    assert "not a safety function" in text


def test_one_candidate_alone_is_refused(upland: Path) -> None:
    done = run("compare", upland)
    assert (done.exit_code, done.stdout) == (2, "")
    assert "one candidate alone" in done.stderr


def test_the_mended_plan_checks_as_told_and_keeps_the_comments(upland: Path) -> None:
    mended = upland.with_name("improved.toml")
    done = run("check", upland, "--write", mended)
    assert done.exit_code == 3  # of the plan itself
    assert "328 (example prices): spreading factor 12 instead of 8" in done.stderr
    assert "checked again: level and start command closes" in done.stderr
    text = mended.read_text()
    assert text.startswith("# Written by linkcalc from upland.toml")
    assert "# Everything here is invented." in text
    assert "(was 6)" in text
    assert run("check", mended).exit_code == 0
    # its own file may be written again, and with another remedy
    again = run("check", upland, "--write", mended, "--remedy", 3)
    assert "872" in again.stderr
    assert run("check", mended).exit_code == 0
    closes = run("check", mended, "--write", mended.with_name("more.toml"))
    assert "every link closes" in closes.stderr
    assert not mended.with_name("more.toml").exists()


def test_a_mended_plan_replaces_nothing_that_linkcalc_did_not_write(upland: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text("# mine\n")
    for file, said in (
        (mine, "was not written by linkcalc; --force replaces it"),
        (upland, "is the plan itself"),
        (tmp_path / "elsewhere" / "new.toml", "write it beside"),
    ):
        done = run("check", upland, "--write", file)
        assert done.exit_code == 2
        assert said in done.stderr
        assert done.stdout == ""
    assert mine.read_text() == "# mine\n"
    assert run("check", upland, "--write", mine, "--force").exit_code == 3
    assert mine.read_text().startswith("# Written by linkcalc")


def test_a_remedy_that_is_not_there_is_one_line(upland: Path) -> None:
    done = run("check", upland, "--write", upland.with_name("new.toml"), "--remedy", 7)
    assert done.exit_code == 2
    assert "has no remedy 7: 3 found" in done.stderr


def test_several_links_are_mended_one_after_the_other(upland: Path) -> None:
    text = upland.read_text()
    link = text[text.index("[[link]]") : text.index("[conditions]")]
    second = link.replace('"level and start command"', '"second"')
    upland.write_text(text.replace("[conditions]", f"{second}\n[conditions]", 1))
    page = " ".join(run("check", upland).stdout.split())
    assert "closes with " in page
    mended = upland.with_name("improved.toml")
    done = run("check", upland, "--write", mended)
    assert done.exit_code == 3
    assert run("check", mended).exit_code == 0
    asked = run("check", upland, "--write", upland.with_name("x.toml"), "--remedy", 2)
    assert "--link says whose remedy 2 is meant" in asked.stderr


def test_parts_are_listed_and_written_as_csv(upland: Path, tmp_path: Path) -> None:
    file = tmp_path / "parts.csv"
    done = run("parts", upland, "--csv", file, "--set", "prices.currency=EUR", "--set", "prices.radio=100")
    assert done.exit_code == 0
    assert "1,088 EUR" in done.stdout  # two radios for 20 less each than the example's
    assert "tank,radio,,,1.0,piece,100.0,100.0,EUR,plan" in file.read_text().splitlines()
    assert json.loads(run("parts", upland, "--json").stdout)["parts"]["parts"][0]["item"] == "radio"


@pytest.mark.parametrize("command", ["check", "heights", "energy", "limits", "messages", "tank", "parts"])
def test_every_command_that_takes_a_plan_takes_settings(upland: Path, command: str) -> None:
    for one, code in (("tank.transmit_power_dbm=10", (0, 3, 4)), ("tank.transmit_power=10", (2,))):
        done = run(command, upland, "--set", one)
        assert done.exit_code in code, done.stderr
    assert "did you mean transmit_power_dbm?" in done.stderr


# Places to write


def test_a_place_that_cannot_be_written_to_is_told_before_the_work(upland: Path, tmp_path: Path) -> None:
    for arguments, said in (
        (("check", upland, "--out", upland), "cannot be made: "),
        (("check", upland, "-o", upland / "below"), "upland.toml is not a folder"),
        (
            ("report", upland, "--out", tmp_path / "none" / "record.html"),
            "cannot be written: there is no folder",
        ),
        (("fieldsheet", upland, "-o", tmp_path), "is a folder; name the file"),
    ):
        done = run(*arguments)
        assert (done.exit_code, done.stdout) == (2, "")
        assert said in done.stderr


@pytest.mark.slow
@pytest.mark.usefixtures("undrawn")
def test_out_replaces_its_own_files_only(upland: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    for _ in range(2):
        assert run("check", upland, "-o", out).exit_code == 3
    (out / "report.txt").write_text("my own words\n")
    done = run("check", upland, "--out", out)
    assert done.exit_code == 2
    assert "report.txt: exists already and was not written by linkcalc; --force replaces it" in done.stderr
    assert (out / "report.txt").read_text() == "my own words\n"
    assert run("check", upland, "--out", out, "--force").exit_code == 3
    assert "AT RISK" in (out / "report.txt").read_text()

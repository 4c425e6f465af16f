"""The report command: the record's files, the same every time, and refusals in one line."""

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from tests.sites import case, plan_file, profile, ridge

pytestmark = pytest.mark.cli

SITE = case(profile(1500.0, ridge(8.0, 700.0, 200.0), points=31))
READINGS = "direction,rssi_dbm,snr_db,sent,received\nthere,-101,7,60,60\nback,-99,8,60,60\nback,99,8,60,60\n"


def report(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["report", *map(str, arguments)])


def test_a_record_is_written_and_nothing_is_printed_but_its_name(tmp_path: Path) -> None:
    page = tmp_path / "record.html"
    done = report(plan_file(tmp_path, SITE), "-o", page)
    assert (done.exit_code, done.stdout, done.stderr) == (0, "", f"wrote {page}\n")
    html = page.read_text()
    assert html.startswith("<!DOCTYPE html>")
    assert "predicted, not yet measured" in html


def test_readings_date_and_signatures_are_taken_in(tmp_path: Path) -> None:
    readings = tmp_path / "readings.csv"
    readings.write_text(READINGS)
    page = tmp_path / "record.html"
    options = ("--date", "2031-05-02", "--signed-by-lines", "3", "--success", "0.9", "--confidence", "0.9")
    done = report(plan_file(tmp_path, SITE), readings, "-o", page, *options)
    assert done.exit_code == 0
    assert "row 4: rssi_dbm = 99 is positive" in done.stderr
    html = page.read_text()
    assert "as measured" in html
    assert "2 May 2031" in html
    assert "Witnessed by" in html
    assert "90\u00a0% of the packets arrive, at 90\u00a0% confidence" in html


@pytest.mark.slow
def test_a_record_is_the_same_in_another_process_another_folder_another_day(tmp_path: Path) -> None:
    pages = []
    for seed in ("1", "2"):
        folder = tmp_path / seed
        folder.mkdir()
        plan_file(folder, SITE)
        (folder / "readings.csv").write_text(READINGS)
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": f"UTC+{seed}", "LC_ALL": "C"}
        command = [sys.executable, "-c", "from linkcalc.cli import main; main()", "report", "plan.toml"]
        done = subprocess.run(
            [*command, "readings.csv", "-o", "record.html"],
            cwd=folder,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        pages.append((folder / "record.html").read_bytes())
    assert pages[0] == pages[1]


def test_a_pdf_is_written_beside_the_page(tmp_path: Path) -> None:
    page, pdf = tmp_path / "record.html", tmp_path / "record.pdf"
    done = report(plan_file(tmp_path, SITE), "-o", page, "--pdf", pdf, "--paper", "letter")
    if done.exit_code == 2 and "a PDF needs" in done.stderr:
        pytest.skip(done.stderr.strip())
    assert done.exit_code == 0
    assert pdf.read_bytes().startswith(b"%PDF-")


def test_without_the_pdf_library_the_page_is_written_and_one_line_says_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    page = tmp_path / "record.html"
    done = report(plan_file(tmp_path, SITE), "-o", page, "--pdf", tmp_path / "record.pdf")
    assert done.exit_code == 2
    wrote, missing = done.stderr.splitlines()
    assert wrote == f"wrote {page}"
    assert "pip install 'linkcalc[pdf]'" in missing
    assert page.read_text().endswith("</html>\n")
    assert not (tmp_path / "record.pdf").exists()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--date", "2.5.2031"), "--date 2.5.2031: write it like 2031-05-02"),
        (("--date", "2031-02-30"), "--date 2031-02-30: write it like 2031-05-02"),
        (("--paper", "a3"), "--paper a3: write a4 or letter"),
        (("--link", "lever"), '"level"'),
        (("--success", "1.5"), "success must be at most"),
        (("absent.csv",), "absent.csv: cannot be read"),
        (("-o", "absent/record.html"), "absent/record.html: cannot be written"),
    ],
)
def test_what_cannot_be_used_is_one_line(tmp_path: Path, options: tuple[str, ...], told: str) -> None:
    done = report(
        plan_file(tmp_path, SITE), *options, *(() if "-o" in options else ("-o", tmp_path / "r.html"))
    )
    assert done.exit_code == 2
    assert told in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_plan_of_several_links_needs_the_name_of_one(tmp_path: Path) -> None:
    other = case(SITE.profile, link={"name": "spare", "from": "tank 2"}, tank={"name": "tank 2"})
    file = plan_file(tmp_path, SITE, other)
    page = tmp_path / "record.html"
    done = report(file, "-o", page)
    assert done.exit_code == 2
    assert "--link" in done.stderr
    assert report(file, "-o", page, "--link", "spare").exit_code == 0
    assert "<title>spare: link record</title>" in page.read_text()


def test_the_field_sheets_file_says_which_link_it_is_for(tmp_path: Path) -> None:
    second = replace(SITE, link=SITE.link.model_copy(update={"name": "second link"}))
    plan = plan_file(tmp_path, SITE, second)
    readings = tmp_path / "readings.json"
    readings.write_text(
        '{"link": "second link", "readings": [{"direction": "forward", "rssi_dbm": -101, "snr_db": 7}]}'
    )
    page = tmp_path / "record.html"
    done = report(plan, readings, "-o", page)
    assert done.exit_code == 0, done.stderr
    assert "second link" in page.read_text()

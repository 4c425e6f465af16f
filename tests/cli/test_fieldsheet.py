"""`linkcalc fieldsheet`, as typed."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from linkcalc.cli import app

SAMPLES = Path(__file__).parents[2] / "terrain_samples"

pytestmark = pytest.mark.cli


def run(*arguments: object):
    return CliRunner().invoke(app, ["fieldsheet", *map(str, arguments)])


def test_it_writes_one_page_that_names_nothing_outside(tmp_path: Path) -> None:
    page = tmp_path / "sheet.html"
    result = run(SAMPLES / "upland.toml", "-o", page, "--max-m", 8, "--step-m", 2)
    assert result.exit_code == 0, result.output
    text = page.read_text(encoding="utf-8")
    assert "http://" not in text
    assert "https://" not in text
    assert "Does the radio link between tank and generator shed reach" in text
    assert "not a safety function" in text
    assert list(tmp_path.iterdir()) == [page]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--link", "nowhere"], "nowhere"),
        (["--max-m", "3"], "--max-m = 3 is below an antenna that is planned at 6 m: write 6 or more"),
        (["--max-m", "150", "--step-m", "0.1"], "more than 200 heights"),
    ],
)
def test_bad_input_is_one_line_and_writes_nothing(tmp_path: Path, arguments: list[str], said: str) -> None:
    page = tmp_path / "sheet.html"
    result = run(SAMPLES / "upland.toml", "-o", page, *arguments)
    assert result.exit_code == 2
    assert said in result.stderr
    assert result.stderr.strip().splitlines()[-1].startswith("linkcalc: ")
    assert not page.exists()


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    result = run(SAMPLES / "upland.toml", "-o", tmp_path / "no" / "sheet.html", "--max-m", 6, "--step-m", 4)
    assert result.exit_code in (0, 2), result.output
    assert "Traceback" not in result.output

"""No report is wider than the terminal, down to 60 columns."""

import pytest
from typer.testing import CliRunner

from linkcalc.cli import _output, app
from linkcalc.files import samples_folder
from linkcalc.views.page import cells

pytestmark = pytest.mark.cli

COMMANDS = (
    ("check", "upland.toml"),
    ("check", "upland.toml", "--full"),
    ("tank", "upland.toml"),
    ("energy", "upland.toml"),
    ("messages", "upland.toml"),
    ("limits", "upland.toml"),
    ("limits", "--list", "--region", "eu"),
    ("heights", "upland.toml", "--step-m", "4"),
    ("survey", "upland.toml", "upland_readings.csv"),
    ("acceptance", "upland.toml"),
    ("range", "--region", "eu"),
    ("compare", "upland.toml", "plain.toml"),
    ("parts", "upland.toml"),
    ("sweep", "upland.toml", "--vary", "spreading_factor=7,8,9"),
    ("fleet", "upland_fleet.toml"),
)


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_reports_fit_a_narrow_terminal(command: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(samples_folder())
    shown = _output.Screen(width=60, colour=False, ascii_only=False)
    monkeypatch.setattr(_output, "screen", lambda: shown)
    done = CliRunner().invoke(app, list(command))
    assert done.exit_code in (0, 1, 3, 4), done.output
    assert [line for line in done.stdout.splitlines() if cells(line) > 60] == []


def test_the_width_is_that_of_the_terminal_between_60_and_110(monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    for columns, width in ((40, 60), (72, 72), (200, 110)):
        size = os.terminal_size((columns, 24))
        monkeypatch.setattr("shutil.get_terminal_size", lambda fallback, size=size: size)
        monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
        assert _output.screen()["width"] == width

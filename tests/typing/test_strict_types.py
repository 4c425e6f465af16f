"""The public names keep strict types, in a program as a user writes it."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.typing import use_of_public_names

pytest.importorskip("mypy")

ROOT = Path(__file__).parents[2]


def mypy(folder: Path, program: Path) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(folder), str(program)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def test_a_users_program_runs(capsys: pytest.CaptureFixture[str]) -> None:
    use_of_public_names.main()
    assert "dB" in capsys.readouterr().out


@pytest.mark.slow
def test_a_users_program_passes_a_strict_type_check_and_a_wrong_one_does_not(tmp_path: Path) -> None:
    right = mypy(tmp_path / "cache", Path(use_of_public_names.__file__))
    assert (right.returncode, right.stderr) == (0, ""), right.stdout
    wrong = tmp_path / "wrong.py"
    wrong.write_text(
        "import linkcalc as lc\n"
        "found: int = lc.sweep_plan(lc.load_plan('x'), {})\n"
        "lc.check_plan('plan.toml')\n"
        "lc.show(3)\n"
    )
    told = mypy(tmp_path / "cache", wrong)
    assert told.returncode == 1
    for line in (2, 3, 4):
        assert f"wrong.py:{line}: error" in told.stdout

"""`linkcalc listen`, from standard input and from a serial port that is pulled."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from tests.plan.plans import plan_text, write

LINES = [f"rssi={-104 - k % 3} snr={3.5 - k % 3} seq={k}" for k in range(60) if k % 10 != 7]


def listening(folder: Path, *arguments: str, **how) -> subprocess.Popen[str]:
    plan = write(folder, plan_text())
    command = [
        sys.executable,
        "-c",
        "from linkcalc.cli import main; main()",
        "listen",
        str(plan),
        "-o",
        str(folder / "heard.csv"),
        *arguments,
    ]
    return subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **how
    )


def heard(folder: Path, lines: str) -> Result:
    """The same in this process."""
    plan = write(folder, plan_text())
    return CliRunner().invoke(app, ["listen", str(plan), "-o", str(folder / "heard.csv")], input=lines)


def rows(folder: Path) -> list[str]:
    file = folder / "heard.csv"
    return file.read_text().splitlines()[1:] if file.exists() else []


def test_lines_piped_in_end_in_the_survey(tmp_path):
    run = listening(tmp_path)
    out, err = run.communicate("boot\n" + "\n".join(LINES) + "\n", timeout=120)
    assert run.returncode in (0, 3, 4)
    assert "Margin now" in out
    assert "54 of 60" in err
    assert "proven so far" in err
    assert "1 lines held neither" in err
    assert len(rows(tmp_path)) == 54 + 6


def test_nothing_heard_is_one_line(tmp_path):
    done = heard(tmp_path, "boot\n")
    assert done.exit_code == 2
    assert "nothing was heard" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_pulled_cable_loses_no_line(tmp_path):
    pytest.importorskip("serial", reason="pip install linkcalc[listen]")
    import pty
    import tty

    radio, port = pty.openpty()
    tty.setraw(port)
    run = listening(tmp_path, "--port", os.ttyname(port))
    try:
        for _ in range(600):  # until it listens: the file is begun once the plan is read
            if (tmp_path / "heard.csv").exists():
                break
            time.sleep(0.1)
        time.sleep(0.5)
        for line in LINES[:20]:
            os.write(radio, f"{line}\r\n".encode())
        for _ in range(300):
            if len(rows(tmp_path)) >= 22:
                break
            time.sleep(0.1)
        # written while the cable is still in: a pulled plug of the computer loses none either
        assert len(rows(tmp_path)) == 20 + 2
        os.write(radio, f"{LINES[20]}\r\n{LINES[21]}\r\n".encode())
        for _ in range(300):
            if len(rows(tmp_path)) >= 24:
                break
            time.sleep(0.1)
    finally:
        os.close(port)
        os.close(radio)
    out, err = run.communicate(timeout=120)
    assert "went away" in err
    assert len(rows(tmp_path)) == 22 + 2
    assert "Margin now" in out


def test_a_file_is_continued_and_another_is_not_written_over(tmp_path):
    for part in (LINES[:10], LINES[10:20]):
        heard(tmp_path, "\n".join(part) + "\n")
    assert len([r for r in rows(tmp_path) if ",1,1," in r]) == 20
    (tmp_path / "heard.csv").write_text("mine\n")
    done = heard(tmp_path, "\n".join(LINES) + "\n")
    assert done.exit_code == 2
    assert "is not a file of this command" in done.stderr
    assert (tmp_path / "heard.csv").read_text() == "mine\n"

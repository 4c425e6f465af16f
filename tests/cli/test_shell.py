"""How commands run: exit codes, one line for what goes wrong, and a help text that comes at once."""

import os
import subprocess
import sys
import warnings
from dataclasses import dataclass
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from linkcalc._version import __version__
from linkcalc.cli import COMMANDS, _shell, app
from linkcalc.cli._options import LINK, flag, option
from linkcalc.errors import DomainError, LinkcalcError, OutOfRangeWarning, PlanError, TerrainError
from tests.benchmarks.bench_first_minute import cpu_s

SCIENTIFIC = ("numpy", "scipy", "matplotlib", "rasterio", "pyproj", "numba", "jinja2")

pytestmark = pytest.mark.cli


def program(*arguments: str, **options: object) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-c", "from linkcalc.cli import main; main()", *arguments]
    options = {"capture_output": True, "text": True, **options}
    return subprocess.run(command, check=False, **options)  # type: ignore[call-overload,no-any-return]


def shell_of(command: object) -> typer.Typer:
    """A program of one command, run as linkcalc runs its own."""
    own = typer.Typer(cls=_shell.Shell, rich_markup_mode=None, add_completion=False)
    own.callback()(lambda: None)
    own.command("go")(command)  # type: ignore[type-var]
    return own


def test_help_names_every_command_and_the_exit_codes_within_80_columns() -> None:
    shown = program("--help")
    assert shown.returncode == 0
    for name in COMMANDS:
        assert f"\n  {name} " in shown.stdout
    for meaning in (
        "0  done; every link closes",
        "2  the input",
        "3  a link is at risk",
        "4  a link does not",
    ):
        assert meaning in shown.stdout
    assert "no safety function" in shown.stdout
    assert max(len(line) for line in shown.stdout.splitlines()) <= 80


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["new", "--help"]])
def test_help_and_version_load_nothing_scientific(arguments: list[str]) -> None:
    code = (
        "import atexit, sys; from linkcalc.cli import main;"
        f"atexit.register(lambda: print('LOADED', [m for m in {SCIENTIFIC} if m in sys.modules]));"
        f"sys.argv[1:] = {arguments}; main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert "LOADED []" in done.stdout


@pytest.mark.slow
def test_help_takes_less_than_a_third_of_loading_what_a_check_needs() -> None:
    def seconds(code: str) -> float:
        return min(cpu_s(code) for _ in range(3))

    help_s = seconds("import sys; sys.argv[1:] = ['--help']; from linkcalc.cli import main; main()")
    stack_s = seconds("import numpy, scipy.special, scipy.ndimage, rasterio, matplotlib.pyplot")
    assert help_s < stack_s / 3


def test_every_command_has_a_help_text_with_an_example() -> None:
    for name in COMMANDS:
        shown = CliRunner().invoke(app, [name, "--help"])
        assert shown.exit_code == 0
        assert "Example:" in shown.stdout, name
        assert f"linkcalc {name}" in shown.stdout, name


def test_version_is_the_packages() -> None:
    assert program("--version").stdout == f"linkcalc {__version__}\n"


def test_shell_completion_offers_commands() -> None:
    environment = {
        **os.environ, "_LINKCALC_COMPLETE": "complete_bash", "COMP_WORDS": "linkcalc sch", "COMP_CWORD": "1"
    }  # fmt: skip
    code = "import sys; sys.argv[0] = 'linkcalc'; from linkcalc.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False
    )
    assert done.stdout.split() == ["schema"]


@pytest.mark.parametrize("error", [PlanError, TerrainError, DomainError, LinkcalcError])
def test_an_error_on_purpose_is_one_line_and_code_2(error: type[LinkcalcError]) -> None:
    def command() -> None:
        raise error("site.toml: the\nreason")

    done = CliRunner().invoke(shell_of(command), ["go"])
    assert done.exit_code == 2
    assert done.stderr == "linkcalc: site.toml: the reason\n"
    assert done.stdout == ""


def test_an_interrupt_is_one_line_and_code_130() -> None:
    def command() -> None:
        raise KeyboardInterrupt

    done = CliRunner().invoke(shell_of(command), ["go"])
    assert (done.exit_code, done.stderr) == (130, "linkcalc: interrupted\n")


def test_a_verdicts_code_passes_through() -> None:
    assert _shell.EXIT_CODES == {"closes": 0, "at_risk": 3, "does_not_close": 4}

    def command() -> None:
        typer.echo("answer")
        raise typer.Exit(_shell.EXIT_CODES["at_risk"])

    done = CliRunner().invoke(shell_of(command), ["go"])
    assert (done.exit_code, done.stdout, done.stderr) == (3, "answer\n", "")


def test_a_model_out_of_its_range_is_a_note_and_no_raw_warning() -> None:
    def command() -> None:
        warnings.warn("P.9999 is stated from 1 GHz\nused at 868 MHz", OutOfRangeWarning, stacklevel=1)

    done = CliRunner().invoke(shell_of(command), ["go"])
    assert done.exit_code == 0
    assert done.stderr == "linkcalc: note: P.9999 is stated from 1 GHz used at 868 MHz\n"


def run_command(body: str, **environment: str) -> "subprocess.CompletedProcess[str]":
    """A program of one command with this body, run as `main` runs linkcalc."""
    code = (
        "import typer; from linkcalc.cli import _shell\n"
        "app = typer.Typer(cls=_shell.Shell, pretty_exceptions_enable=False)\n"
        "app.callback()(lambda: None)\n"
        "@app.command()\n"
        f"def go() -> None: {body}\n"
        "_shell.run(app)"
    )
    return subprocess.run(
        [sys.executable, "-c", code, "go"],
        capture_output=True, text=True, check=False, env={**os.environ, **environment},
    )  # fmt: skip


def test_a_fault_of_linkcalc_itself_is_one_line_and_can_be_traced() -> None:
    done = run_command("{}['missing']")
    assert done.returncode == 70
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("linkcalc: fault in linkcalc: KeyError: 'missing'")
    assert "Traceback" in run_command("{}['missing']", LINKCALC_TRACEBACK="1").stderr


def test_a_terminal_that_lacks_a_letter_gets_a_question_mark() -> None:
    done = run_command("typer.echo('\\u2265 1')", PYTHONIOENCODING="latin-1")
    assert (done.returncode, done.stdout, done.stderr) == (0, "? 1\n", "")


def test_what_libraries_log_does_not_reach_the_terminal() -> None:
    done = run_command("import logging; logging.getLogger('library').error('inner trouble')")
    assert (done.returncode, done.stderr) == (0, "")


def test_a_reader_that_goes_away_is_met_with_silence() -> None:
    read, write = os.pipe()
    os.close(read)
    try:
        done = program("schema", capture_output=False, stdout=write, stderr=subprocess.PIPE)
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (141, "")


def test_a_full_disk_behind_the_output_is_one_line() -> None:
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with open("/dev/full", "w") as full:
        done = program("schema", capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (2, "linkcalc: output: No space left on device\n")


@dataclass(frozen=True)
class Mast:
    height_m: float = option("M", "Its height.", default=3.0)
    guyed: bool = flag("--guyed", "Whether it is.")


def test_options_that_belong_together_reach_the_command_as_their_record() -> None:
    def command(link: str | None = LINK, *, mast: Mast) -> None:
        typer.echo(f"{link} {mast}")

    program_ = shell_of(_shell.with_shared_options(command))
    assert "--height-m M" in CliRunner().invoke(program_, ["go", "--help"]).stdout
    for arguments, told in (
        ([], "None Mast(height_m=3.0, guyed=False)\n"),
        (["--height-m", "4", "--guyed", "--link", "level"], "level Mast(height_m=4.0, guyed=True)\n"),
    ):
        done = CliRunner().invoke(program_, ["go", *arguments])
        assert (done.exit_code, done.stdout) == (0, told)
    refused = CliRunner().invoke(program_, ["go", "--height-m", "high"])
    assert refused.exit_code == 2
    assert "--height-m" in refused.stderr


def test_a_command_loads_no_other() -> None:
    loaded = "[m for m in sys.modules if m.startswith('linkcalc.cli.') and '._' not in m]"
    code = (
        "import atexit, sys; from linkcalc.cli import main;"
        f"atexit.register(lambda: print({loaded})); sys.argv[1:] = ['schema']; main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.splitlines()[-1] == "['linkcalc.cli.schema']"


def test_an_unknown_command_or_option_is_code_2_without_a_traceback() -> None:
    for arguments in (["nonsense"], ["schema", "--nonsense"], ["new"]):
        done = CliRunner().invoke(app, arguments)
        assert done.exit_code == 2
        assert "Traceback" not in done.output

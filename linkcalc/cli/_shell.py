"""How every command runs: one line for what goes wrong, a fixed exit code, never a traceback."""

import contextlib
import gc
import os
import shutil
import sys
import warnings
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated, Any, NoReturn, TextIO, TypedDict

import typer
from typer.core import TyperGroup

from linkcalc.errors import LinkcalcError, OutOfRangeWarning

BAD_INPUT = 2
INTERRUPTED = 130
READER_GONE = 141
"""As a program that the signal of a closed pipe ends."""
OWN_FAULT = 70
"""A fault of linkcalc itself."""

EXIT_CODES = {"closes": 0, "at_risk": 3, "does_not_close": 4}
"""Exit code of each verdict; of several links the highest counts."""

PlanArgument = Annotated[Path, typer.Argument(metavar="PLAN.toml", help="Plan file.", show_default=False)]
"""The plan file every checking command takes."""


class Screen(TypedDict):
    """What every text report takes besides what it reports."""

    width: int
    colour: bool
    ascii_only: bool


def screen() -> Screen:
    """What the terminal shows: its width from 60 to 110 columns, 80 for a file; colour; other than ASCII."""
    from linkcalc.views.text import abilities

    colour, ascii_only = abilities(sys.stdout, os.environ)
    width = shutil.get_terminal_size((80, 24)).columns if sys.stdout.isatty() else 80
    return Screen(width=min(max(width, 60), 110), colour=colour, ascii_only=ascii_only)


class Shell(TyperGroup):
    """The group of all commands; what they raise becomes a line on stderr and an exit code."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command that the arguments name."""
        with warnings.catch_warnings():
            warnings.simplefilter("default", OutOfRangeWarning)
            warnings.showwarning = _note
            try:
                try:
                    return super().invoke(ctx)
                finally:
                    if sys.stdout is not None:
                        sys.stdout.flush()
            except LinkcalcError as error:
                _leave(str(error), BAD_INPUT)
            except KeyboardInterrupt:
                _leave("interrupted", INTERRUPTED)
            except BrokenPipeError:
                _discard_output()
                raise typer.Exit(READER_GONE) from None
            except OSError as error:
                _discard_output()
                _leave(f"{error.filename or 'output'}: {error.strerror or error}", BAD_INPUT)


def run(app: typer.Typer) -> NoReturn:
    """Run the program; a fault of its own becomes one line too, unless LINKCALC_TRACEBACK is set."""
    import logging

    # set before the libraries are loaded: products here are small, and threads for them cost more than they
    # give; no plugin of pydantic is looked for; loading modules alone would set off the collector repeatedly
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    gc.set_threshold(50_000)
    # a terminal that cannot show a character gets a question mark, not a fault
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
    # libraries log through their own loggers; what the user should know is said by linkcalc
    logging.getLogger().addHandler(logging.NullHandler())
    try:
        app()
    except Exception as error:
        if os.environ.get("LINKCALC_TRACEBACK"):
            raise
        _say(f"fault in linkcalc: {type(error).__name__}: {error} (LINKCALC_TRACEBACK=1 shows where)")
        sys.exit(OWN_FAULT)
    sys.exit(0)


def _leave(line: str, code: int) -> NoReturn:
    _say(line)
    raise typer.Exit(code) from None


def _say(line: str) -> None:
    typer.echo("linkcalc: " + " ".join(line.split()), err=True)


def _note(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    _say(f"note: {message}")


def _discard_output() -> None:
    """Keep what is still buffered from failing once more when the interpreter ends."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

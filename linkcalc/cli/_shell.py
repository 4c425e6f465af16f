"""How every command runs: one line for what goes wrong, a fixed exit code, never a traceback."""

import contextlib
import gc
import os
import shutil
import sys
import warnings
from enum import StrEnum
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated, Any, NoReturn, TextIO, TypedDict, get_args

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


def _units_of_plan(ctx: typer.Context, path: Path) -> Path:
    """Take the units that a plan asks for, unless the command line says; what is wrong with the file is said later."""
    import tomllib

    from linkcalc.views import units

    if "units" not in ctx.meta:
        try:
            asked = tomllib.loads(path.read_bytes().decode("utf-8-sig")).get("units")
        except (OSError, ValueError):
            asked = None
        if asked in get_args(units.System):
            units.use(asked)  # type: ignore[arg-type]  # one of them
    return path


PlanArgument = Annotated[
    Path,
    typer.Argument(metavar="PLAN.toml", help="Plan file.", show_default=False, callback=_units_of_plan),
]
"""The plan file every checking command takes; its `units` are those of what is printed and drawn."""

_NO_LENGTHS = ("schema", "samples")
"""Commands that print none."""


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


class _System(StrEnum):
    metric = "metric"
    us = "us"


def _units_chosen(ctx: typer.Context, system: _System | None) -> None:
    from linkcalc.views import units

    units.use("us" if system is _System.us else "metric")
    if system is not None:
        ctx.meta["units"] = system.value


def _units_option() -> Any:
    """The option that every command has which prints lengths; its value goes to `views.units`, not to the command."""
    holder = typer.Typer(add_completion=False)

    @holder.command()
    def nothing(
        units: Annotated[
            _System | None,
            typer.Option(
                "--units", metavar="metric|us", callback=_units_chosen, is_eager=True, expose_value=False,
                help="Units of lengths and volumes in text and pictures. [default: the plan's, else metric]",
                show_default=False,
            ),
        ] = None,
    ) -> None:  # fmt: skip
        pass

    return next(p for p in typer.main.get_command(holder).params if p.name == "units")


class Shell(TyperGroup):
    """The group of all commands; what they raise becomes a line on stderr and an exit code."""

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Find a command; every one that prints lengths takes --units."""
        command = super().get_command(ctx, cmd_name)
        if command is None or cmd_name in _NO_LENGTHS:
            return command
        if all(parameter.name != "units" for parameter in command.params):
            command.params.append(_units_option())
        return command

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

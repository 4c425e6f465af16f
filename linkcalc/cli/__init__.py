"""The command line: parse, call, print, exit code.

A command is a plain typed function in a module of its name; its heavy imports stand inside it, so that
`linkcalc --help` stays quick. It is registered by its name in `COMMANDS`. What several commands share: `_shell` (how
they run), `_options`, `_output`, `_readings`, `_work`. Options that belong together are a record above the command.
"""

from importlib import import_module
from typing import Annotated, Any, NoReturn, cast

import typer

from linkcalc._version import __version__
from linkcalc.cli import _shell

COMMANDS = (
    "check",
    "compare",
    "parts",
    "range",
    "heights",
    "sweep",
    "survey",
    "listen",
    "acceptance",
    "report",
    "fieldsheet",
    "coverage",
    "relay",
    "fleet",
    "limits",
    "energy",
    "messages",
    "tank",
    "new",
    "ground",
    "schema",
    "samples",
)
"""In the order of the help text."""

_EPILOG = """\
\b
Exit codes:
  0  done; every link closes
  2  the input cannot be used (one line on stderr says why)
  3  a link is at risk
  4  a link does not close

Start with: linkcalc new site.toml

A radio link is no safety function and no emergency stop.
"""


class Commands(_shell.Shell):
    """The group of all commands; a module is loaded when its command is run or described."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        # the names alone: for the help, for completion, and for what may have been meant
        self.commands = cast(Any, dict.fromkeys(COMMANDS))

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Build the command of that name, if there is one."""
        if cmd_name not in COMMANDS:
            return None
        name = "range_" if cmd_name == "range" else cmd_name  # a word of Python's own
        alone = typer.Typer(add_completion=False, rich_markup_mode=None)
        command = getattr(import_module(f"linkcalc.cli.{name}"), name)
        alone.command(cmd_name)(_shell.with_shared_options(command))
        built: Any = typer.main.get_command(alone)
        for parameter in built.params:
            if parameter.nargs == -1:
                # "READINGS..." says it; typer would put the name of a Python type behind it
                parameter.display_type_rich = lambda ctx: None
        return built


app = typer.Typer(
    name="linkcalc",
    cls=Commands,
    epilog=_EPILOG,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"linkcalc {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version and exit."),
    ] = False,
) -> None:
    """Will this telemetry link close, and what do I change if it doesn't?"""


def main() -> NoReturn:
    """Entry point of the `linkcalc` program."""
    _shell.run(app)

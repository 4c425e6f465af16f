"""The command line: parse, call, print, exit code.

A command is a plain typed function in a module of its name; its heavy imports stand inside it, so that
`linkcalc --help` stays quick. It is registered by its line in `COMMANDS`. What several commands share: `_shell` (how
they run), `_options`, `_output`, `_readings`, `_scheduler`. Long options stand above the command, by name.
"""

from typing import Annotated, NoReturn

import typer

from linkcalc._version import __version__
from linkcalc.cli import (
    _shell,
    acceptance,
    check,
    compare,
    coverage,
    energy,
    fieldsheet,
    fleet,
    ground,
    heights,
    limits,
    listen,
    messages,
    new,
    parts,
    range_,
    relay,
    report,
    samples,
    schema,
    survey,
    sweep,
    tank,
)

COMMANDS = (
    check.check,
    compare.compare,
    parts.parts,
    range_.range_,
    heights.heights,
    sweep.sweep,
    survey.survey,
    listen.listen,
    acceptance.acceptance,
    report.report,
    fieldsheet.fieldsheet,
    coverage.coverage,
    relay.relay,
    fleet.fleet,
    limits.limits,
    energy.energy,
    messages.messages,
    tank.tank,
    new.new,
    ground.ground,
    schema.schema,
    samples.samples,
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

app = typer.Typer(
    name="linkcalc",
    cls=_shell.Shell,
    epilog=_EPILOG,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for _command in COMMANDS:
    app.command(_command.__name__.rstrip("_"))(_shell.with_shared_options(_command))


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

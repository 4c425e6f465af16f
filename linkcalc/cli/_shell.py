"""How every command runs: one line for what goes wrong, a fixed exit code, never a traceback."""

import contextlib
import copy
import functools
import gc
import inspect
import os
import sys
import warnings
from collections.abc import Callable
from contextvars import ContextVar
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, NoReturn, TextIO

import typer
from typer.core import TyperGroup

from linkcalc.cli._options import FORCE, SET, UNITS, with_records_laid_out
from linkcalc.cli._output import tell
from linkcalc.errors import LinkcalcError, OutOfRangeWarning
from linkcalc.files import only_own_replaced, refuse_unwritable
from linkcalc.views import units

if TYPE_CHECKING:
    from linkcalc.plan import Link, LoadedPlan

BAD_INPUT = 2
INTERRUPTED = 130
READER_GONE = 141
"""As a program that the signal of a closed pipe ends."""
OWN_FAULT = 70
"""A fault of linkcalc itself."""

EXIT_CODES = {"closes": 0, "at_risk": 3, "does_not_close": 4}
"""Exit code of each verdict; of several links the highest counts."""


def with_shared_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command what all share.

    One that shows lengths gets --units. One that takes a plan gets --set, which `load_plan` of this module follows.
    One that writes to a folder or a file takes --out, -o (and --output for a file) alike, says before the work that
    it could not write there, and replaces what linkcalc did not write only with --force.
    """
    command = with_records_laid_out(command)
    parameters = dict(inspect.signature(command).parameters)
    set_option = "plan" in parameters and command.__name__ not in _WRITE_PLANS
    place = next((name for name in ("out", "output") if name in parameters), None)
    # a command that says itself what --force replaces keeps its own
    own_force = "force" in parameters
    shows_lengths = command.__name__ not in _NO_LENGTHS

    @functools.wraps(command)
    def with_options(**arguments: Any) -> Any:
        settings = arguments.pop("settings", None) if set_option else None
        where = None if place is None else arguments[place]
        force = arguments.get("force", False) if own_force or place is None else arguments.pop("force", False)
        if where is not None:
            refuse_unwritable(where, folder=place == "out")
        asked = arguments.pop("units", None)
        before = _said.set(_Said(tuple(settings or ()), asked))
        own_only = only_own_replaced(None if force or command.__name__ in _CONTINUE else where)
        try:
            with units.shown_in(asked or "metric"), own_only:
                return command(**arguments)
        finally:
            _said.reset(before)

    def add(name: str, kind: Any, option: Any) -> None:
        keyword = inspect.Parameter.KEYWORD_ONLY
        parameters[name] = inspect.Parameter(name, keyword, default=option, annotation=kind)

    if place is not None:
        parameters[place] = parameters[place].replace(default=_also_out(parameters[place].default, place))
        if not own_force:
            add("force", bool, FORCE)
    if shows_lengths:
        add("units", units.System | None, UNITS)
    if set_option:
        add("settings", list[str] | None, SET)
    with_options.__signature__ = inspect.Signature(list(parameters.values()))  # type: ignore[attr-defined]
    return with_options


def _also_out(option: Any, name: str) -> Any:
    """An option with all names under which a place to write is given."""
    option = copy.copy(option)
    option.param_decls = ("--out", "-o") if name == "out" else ("--output", "--out", "-o")
    return option


_WRITE_PLANS = ("new", "ground")
"""Commands that write the file itself."""

_CONTINUE = ("listen",)
"""Which add to a file that is there."""

_NO_LENGTHS = ("schema", "samples")
"""Commands that show none."""


class _Said(NamedTuple):
    """What the command line says besides the command's own options."""

    settings: tuple[str, ...] = ()
    system: units.System | None = None


_NOTHING = _Said()
_said: ContextVar[_Said] = ContextVar("said", default=_NOTHING)


def show_in(asked: units.System) -> None:
    """Show what follows in the units that a plan asks for, unless the command line says otherwise."""
    if _said.get().system is None:
        units.use(asked)


def chosen_link(loaded: "LoadedPlan", name: str | None) -> "Link":
    """The link of that name, or the only one."""
    from linkcalc.plan.loading import chosen_link as link_of

    return link_of(loaded, name, said="--link")


def load_plan(path: Path) -> "LoadedPlan":
    """`linkcalc.plan.load_plan` with what the command's --set says; its units are shown from there on."""
    from linkcalc.plan import load_plan as load

    loaded = load(path, _said.get().settings)
    show_in(loaded.plan.units)
    return loaded


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
                    # here, so that a reader who has gone is met below, not as the interpreter ends
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
        tell(f"fault in linkcalc: {type(error).__name__}: {error} (LINKCALC_TRACEBACK=1 shows where)")
        sys.exit(OWN_FAULT)
    sys.exit(0)


def _leave(line: str, code: int) -> NoReturn:
    tell(line)
    raise typer.Exit(code) from None


def _note(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    tell(f"note: {message}")


def _discard_output() -> None:
    """Keep what is still buffered from failing once more when the interpreter ends."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

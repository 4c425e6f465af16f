"""Options and arguments that several commands have, each said once; and options that belong together, as records."""

import functools
from collections.abc import Callable
from dataclasses import is_dataclass
from inspect import Signature, signature
from types import SimpleNamespace
from typing import Any

import typer


def argument(metavar: str, words: str, *, default: Any = ...) -> Any:
    """An argument of a command; it must be given where it has no default."""
    return typer.Argument(default, metavar=metavar, help=words, show_default=False)


def option(metavar: str | None, words: str | None, *names: str, default: Any = None, **more: Any) -> Any:
    """An option of a command; a default that its words do not tell is shown behind them."""
    more = {"show_default": default not in (None, "", ...), **more}
    return typer.Option(default, *names, metavar=metavar, help=words, **more)


def flag(name: str, words: str) -> Any:
    """An option that is given or not."""
    return typer.Option(False, name, help=words)


def defaults_of(function: Callable[..., Any]) -> SimpleNamespace:
    """What a function of `linkcalc.commands` takes where nothing is said: stated there, shown in the help too."""
    return SimpleNamespace(**{p.name: p.default for p in signature(function).parameters.values()})


PLAN = argument("PLAN.toml", "Plan file.")
LINK = option("NAME", "Link, where the plan has several.", "--link")
JSON = flag("--json", "Print as JSON.")
PICTURES = option("DIR", "Folder for the pictures (SVG, PNG).")
FORCE = flag("--force", "Replace files that linkcalc did not write.")
REPLACE = flag("--force", "Replace files that exist.")
SET = option(
    "NAME.KEY=VALUE",
    "Another value for a key of the plan, for this run: tank.antenna_height_m=8. Several times for several.",
    "--set",
)


UNITS = option(
    "metric|us",
    "Units of lengths and volumes in text and pictures. [default: the plan's, else metric]",
    "--units",
)


def with_records_laid_out(command: Callable[..., Any]) -> Callable[..., Any]:
    """A command whose records of options (frozen dataclasses) are laid out: each field is an option of its own."""
    parameters = signature(command).parameters.values()
    records: dict[str, Any] = {p.name: p.annotation for p in parameters if is_dataclass(p.annotation)}
    if not records:
        return command

    @functools.wraps(command)
    def with_fields(**given: Any) -> Any:
        for name, record in records.items():
            given[name] = record(**{option: given.pop(option) for option in signature(record).parameters})
        return command(**given)

    laid_out = [
        option.replace(kind=p.kind)
        for p in parameters
        for option in (signature(records[p.name]).parameters.values() if p.name in records else [p])
    ]
    with_fields.__signature__ = Signature(laid_out)  # type: ignore[attr-defined]
    return with_fields

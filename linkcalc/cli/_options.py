"""Options and arguments that several commands have, each said once; and options that belong together, as records."""

import functools
from collections.abc import Callable
from dataclasses import is_dataclass
from enum import StrEnum
from inspect import Signature, signature
from pathlib import Path
from typing import Annotated, Any

import typer


def option(metavar: str, words: str, *names: str, **more: Any) -> Any:
    """An option whose default is told in its words, if at all."""
    return typer.Option(*names, metavar=metavar, help=words, show_default=False, **more)


PlanArgument = Annotated[Path, typer.Argument(metavar="PLAN.toml", help="Plan file.", show_default=False)]

LinkOption = Annotated[str | None, option("NAME", "Link, where the plan has several.", "--link")]

JsonOption = Annotated[bool, typer.Option("--json", help="Print as JSON.")]

PicturesFolderOption = Annotated[Path | None, option("DIR", "Folder for the pictures (SVG, PNG).")]

ForceOption = Annotated[bool, typer.Option("--force", help="Replace files that linkcalc did not write.")]

ReplaceOption = Annotated[bool, typer.Option("--force", help="Replace files that exist.")]

SetOption = Annotated[
    list[str] | None,
    option(
        "NAME.KEY=VALUE",
        "Another value for a key of the plan, for this run: tank.antenna_height_m=8. Several times for several.",
        "--set",
    ),
]


class System(StrEnum):
    """Units of lengths and volumes, as `linkcalc.views.units` has them."""

    metric = "metric"
    us = "us"


UnitsOption = Annotated[
    System | None,
    option(
        "metric|us",
        "Units of lengths and volumes in text and pictures. [default: the plan's, else metric]",
        "--units",
    ),
]


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

"""Options and arguments that several commands have, each said once."""

from enum import StrEnum
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

ProgressOption = Annotated[
    bool, typer.Option("--progress", help="Show progress even where stderr is not a terminal.")
]

SchedulerOption = Annotated[
    str | None,
    option(
        "ADDRESS",
        "Share the work out over a dask.distributed cluster that you trust, for example"
        " tcp://10.0.0.5:8786; default: the processors of this computer.",
        "--scheduler",
    ),
]

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

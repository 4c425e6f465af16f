"""Options and arguments that several commands have, each said once."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

PlanArgument = Annotated[Path, typer.Argument(metavar="PLAN.toml", help="Plan file.", show_default=False)]

LinkOption = Annotated[
    str | None,
    typer.Option("--link", metavar="NAME", help="Link, where the plan has several.", show_default=False),
]

JsonOption = Annotated[bool, typer.Option("--json", help="Print as JSON.")]

PicturesFolderOption = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Folder for the pictures (SVG, PNG).", show_default=False),
]

ProgressOption = Annotated[
    bool, typer.Option("--progress", help="Show progress even where stderr is not a terminal.")
]

SchedulerOption = Annotated[
    str | None,
    typer.Option(
        "--scheduler",
        metavar="ADDRESS",
        help="Share the work out over a dask.distributed cluster that you trust, for example"
        " tcp://10.0.0.5:8786; default: the processors of this computer.",
        show_default=False,
    ),
]

ForceOption = Annotated[bool, typer.Option("--force", help="Replace files that linkcalc did not write.")]

ReplaceOption = Annotated[bool, typer.Option("--force", help="Replace files that exist.")]

SetOption = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="NAME.KEY=VALUE",
        help="Another value for a key of the plan, for this run: tank.antenna_height_m=8. Several times for several.",
        show_default=False,
    ),
]


class System(StrEnum):
    """Units of lengths and volumes, as `linkcalc.views.units` has them."""

    metric = "metric"
    us = "us"


UnitsOption = Annotated[
    System | None,
    typer.Option(
        "--units",
        metavar="metric|us",
        help="Units of lengths and volumes in text and pictures. [default: the plan's, else metric]",
        show_default=False,
    ),
]

"""How many packets prove a link, how long that takes, and what a count shows."""

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

import typer

from linkcalc.cli._options import JsonOption, LinkOption, option
from linkcalc.cli._output import json_text, show_answer
from linkcalc.cli._readings import ConfidenceOption, Direction, way_name
from linkcalc.cli._shell import chosen_link, load_plan
from linkcalc.errors import LinkcalcError

NOT_PROVEN = 3
"""Exit code when packets were counted and do not prove what was to be proven."""


@dataclass(frozen=True)
class Proof:
    """What is to be proven."""

    success: Annotated[
        float, typer.Option(metavar="SHARE", help="Share of packets that arrive, to be proven (0 to 1).")
    ] = 0.95
    confidence: ConfidenceOption = 0.95
    good_success: Annotated[
        float | None, option("SHARE", "A link the tests should pass. [default: a fifth of the losses]")
    ] = None


@dataclass(frozen=True)
class Count:
    """What was counted in a test."""

    sent: Annotated[int | None, option("N", "Packets sent in a test.")] = None
    lost: Annotated[int, typer.Option(metavar="N", help="Of these, lost.")] = 0


@dataclass(frozen=True)
class Pace:
    """How packets follow each other."""

    interval_s: Annotated[float | None, option("S", "Seconds between packets.")] = None
    duty_cycle: Annotated[float | None, option("SHARE", "Largest share of time on the air (0 to 1).")] = None
    time_on_air_s: Annotated[float | None, option("S", "Of one packet, in place of the plan's.")] = None


def acceptance(
    plan: Annotated[
        Path | None,
        typer.Argument(
            metavar="PLAN.toml", help="Plan file, for time on air and legal limits.", show_default=False
        ),
    ] = None,
    *,
    proof: Proof,
    count: Count,
    pace: Pace,
    link: LinkOption = None,
    direction: Annotated[
        Direction, typer.Option(help="Whose packets: of the link's `from` station (there), or back.")
    ] = Direction.there,
    json: JsonOption = False,
) -> None:
    """Say how many packets prove a link, how long that takes, and what a count shows.

    Counts single packets: a message that is repeated arrives more often.

    \b
    Example:
      linkcalc acceptance site.toml --success 0.98
      linkcalc acceptance --success 0.95 --sent 100 --lost 2

    Exit code: 0, or 3 if packets were counted and do not prove it; 2 bad input.
    """
    from linkcalc.commands import acceptance as tests
    from linkcalc.views.jsonout import plain_data
    from linkcalc.views.survey_text import acceptance_report

    if count.sent is None and count.lost:
        raise LinkcalcError(f"--lost {count.lost}: say also --sent, the number of packets sent")
    loaded = None if plan is None else load_plan(plan)
    timed = pace.interval_s is not None or pace.duty_cycle is not None
    if loaded is None and pace.time_on_air_s is None and timed:
        raise LinkcalcError("name a plan file, or --time-on-air-s, to have times")
    found = tests(
        loaded,
        **asdict(proof),
        **asdict(count),
        **asdict(pace),
        link=None if loaded is None else chosen_link(loaded, link).name,
        direction=way_name(direction) or "there",
    )
    show_answer(acceptance_report, found, as_json=json_text(plain_data(found)) if json else None)
    if found.count is not None and not found.count.passed:
        raise typer.Exit(NOT_PROVEN)

"""How many packets prove a link, how long that takes, and what a count shows."""

from dataclasses import asdict, dataclass
from pathlib import Path

import typer

from linkcalc.cli._options import JSON, LINK, argument, defaults_of, option
from linkcalc.cli._output import show_answer
from linkcalc.cli._readings import CONFIDENCE
from linkcalc.cli._shell import chosen_link, load_plan
from linkcalc.commands.on_site import acceptance as tests
from linkcalc.errors import LinkcalcError
from linkcalc.site.reading import Way

NOT_PROVEN = 3
"""Exit code when packets were counted and do not prove what was to be proven."""


USUAL = defaults_of(tests)


@dataclass(frozen=True)
class Proof:
    """What is to be proven."""

    success: float = option(
        "SHARE", "Share of packets that arrive, to be proven (0 to 1).", default=USUAL.success
    )
    confidence: float = CONFIDENCE
    good_success: float | None = option(
        "SHARE", "A link the tests should pass. [default: a fifth of the losses]"
    )


@dataclass(frozen=True)
class Count:
    """What was counted in a test."""

    sent: int | None = option("N", "Packets sent in a test.")
    lost: int = option("N", "Of these, lost.", default=USUAL.lost)


@dataclass(frozen=True)
class Pace:
    """How packets follow each other."""

    interval_s: float | None = option("S", "Seconds between packets.")
    duty_cycle: float | None = option("SHARE", "Largest share of time on the air (0 to 1).")
    time_on_air_s: float | None = option("S", "Of one packet, in place of the plan's.")


def acceptance(
    plan: Path | None = argument("PLAN.toml", "Plan file, for time on air and legal limits.", default=None),
    *,
    proof: Proof,
    count: Count,
    pace: Pace,
    link: str | None = LINK,
    direction: Way = option(
        None,
        "Whose packets: of the link's `from` station (forward), or return.",
        default=USUAL.direction,
    ),
    json: bool = JSON,
) -> None:
    """Say how many packets prove a link, how long that takes, and what a count shows.

    Counts single packets: a message that is repeated arrives more often.

    \b
    Example:
      linkcalc acceptance site.toml --success 0.98
      linkcalc acceptance --success 0.95 --sent 100 --lost 2

    Exit code: 0, or 3 if packets were counted and do not prove it; 2 bad input.
    """
    from linkcalc.views.jsonout import json_text, plain_data
    from linkcalc.views.survey.text import acceptance_report

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
        direction=direction,
    )
    show_answer(acceptance_report, found, as_json=json_text(plain_data(found)) if json else None)
    if found.count is not None and not found.count.passed:
        raise typer.Exit(NOT_PROVEN)

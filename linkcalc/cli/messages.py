"""What becomes of the messages of a plan."""

from pathlib import Path
from typing import Annotated

import typer

from linkcalc.cli._shell import PlanArgument, load_plan, screen


def messages(
    plan: PlanArgument,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder for the pictures (SVG, PNG).", show_default=False),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """Say how often each message is lost, when it arrives, and how long it is on the air.

    Messages are the [[message]] tables of the plan. Tries share the slow state of the link; the figure for
    independent tries is given beside, as the optimistic bound.

    \b
    Example:
      linkcalc messages site.toml
      linkcalc messages site.toml --out result

    A radio link is no safety function. Exit code: 0 whatever the answer, 2 bad input.
    """

    from linkcalc.link.verdict import check_plan
    from linkcalc.operation import messages as fates
    from linkcalc.views.jsonout import section_json
    from linkcalc.views.messages_text import messages_report

    loaded = load_plan(plan)
    found = fates.section(loaded.plan, check_plan(loaded).links) if loaded.plan.message else None
    if json:
        typer.echo(section_json("messages", found, loaded.assumed), nl=False)
    else:
        typer.echo(messages_report(found, **screen(), assumed=loaded.assumed), nl=False)
    if out is not None and found is not None:
        from linkcalc.views.messages_figures import write_all

        written = write_all(found, out)
        typer.echo(f"wrote {len(written)} files to {out}", err=True)

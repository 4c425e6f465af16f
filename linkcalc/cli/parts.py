"""The parts of a plan, counted and priced."""

from pathlib import Path
from typing import Annotated

import typer

from linkcalc.cli._shell import PlanArgument, load_plan, screen


def parts(
    plan: PlanArgument,
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv", "--out", "-o", metavar="FILE.csv", help="Write them as CSV.", show_default=False
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """Count masts, antennas, feeders, connectors, arrestors, radios, batteries and panels, and price them.

    Prices are those of the plan's [prices]; what it does not state is an invented example, and marked.

    \b
    Example:
      linkcalc parts site.toml
      linkcalc parts site.toml --csv parts.csv
      linkcalc parts site.toml --set prices.currency=EUR --set prices.radio=95

    Exit code: 0 whatever the verdict, 2 bad input.
    """

    from linkcalc.commands import parts as parts_of
    from linkcalc.files import atomic_write
    from linkcalc.views.jsonout import section_json
    from linkcalc.views.remedies_text import bill_csv, bill_report

    loaded = load_plan(plan)
    found = parts_of(loaded)
    if json:
        typer.echo(section_json("parts", found), nl=False)
    else:
        title = f"Parts of {loaded.plan.title or loaded.path.name}"
        typer.echo(bill_report(found, title, **screen()), nl=False)
    if csv is not None:
        atomic_write(csv, bill_csv(found))
        typer.echo(f"wrote {csv}", err=True)

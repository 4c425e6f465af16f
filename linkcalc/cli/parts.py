"""The parts of a plan, counted and priced."""

from pathlib import Path
from typing import Annotated

import typer

from linkcalc.cli._shell import PlanArgument, load_plan


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
    import os
    import sys

    from linkcalc.consequences import with_sections
    from linkcalc.files import atomic_write
    from linkcalc.parts import bill
    from linkcalc.verdict import check_plan
    from linkcalc.views.jsonout import section_json
    from linkcalc.views.remedies_text import bill_csv, bill_report
    from linkcalc.views.text import abilities, terminal_width

    loaded = load_plan(plan)
    sections = {}
    if any(supply.solar is not None for supply in loaded.plan.power):
        # how large a panel must be takes the links' answers
        sections = dict(with_sections(check_plan(loaded, brief=True), loaded.plan, brief=True).sections)
    found = bill(loaded.plan, sections)
    if json:
        typer.echo(section_json("parts", found), nl=False)
    else:
        colour, ascii_only = abilities(sys.stdout, os.environ)
        title = f"Parts of {loaded.plan.title or loaded.path.name}"
        width = terminal_width(sys.stdout)
        typer.echo(bill_report(found, title, width, colour=colour, ascii_only=ascii_only), nl=False)
    if csv is not None:
        atomic_write(csv, bill_csv(found))
        typer.echo(f"wrote {csv}", err=True)

"""Battery life and solar supply of a plan's stations."""

from pathlib import Path
from typing import Annotated

import typer

from linkcalc.cli._shell import PlanArgument, load_plan, screen


def energy(
    plan: PlanArgument,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder for the pictures (SVG, PNG).", show_default=False),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """Say how long each battery lasts, or how large a panel must be.

    Stations are those with a [[power]] table in the plan. The tries a message takes are expected from the
    links' success.

    \b
    Example:
      linkcalc energy site.toml
      linkcalc energy site.toml --out result

    Exit code: 0 whatever the answer, 2 bad input.
    """
    from dataclasses import asdict
    from json import dumps

    from linkcalc.link.verdict import check_plan
    from linkcalc.operation import energy as plan_energy
    from linkcalc.plan import ChirpModulation
    from linkcalc.plan.assumptions import still_the_starters
    from linkcalc.views.energy_text import energy_report

    loaded = load_plan(plan)
    links = check_plan(loaded).links if loaded.plan.power else ()
    found = plan_energy.section(loaded.plan, links)
    if json:
        invented = [asdict(a) for a in still_the_starters(loaded.assumed)]
        answer = asdict(found) | ({"still_the_starters": invented} if invented else {})
        typer.echo(dumps(answer, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        typer.echo(energy_report(found, **screen(), assumed=loaded.assumed), nl=False)
    if out is not None:
        from linkcalc.views.energy_figures import write_all

        planned = {
            name: link.modulation.spreading_factor
            for link in loaded.plan.link
            if isinstance(link.modulation, ChirpModulation)
            for name in (link.from_, link.to)
        }
        written = write_all(found, out, planned)
        typer.echo(f"wrote {len(written)} files to {out}", err=True)

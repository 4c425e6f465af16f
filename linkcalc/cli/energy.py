"""Battery life and solar supply of a plan's stations."""

from pathlib import Path

from linkcalc.cli._options import JSON, PICTURES, PLAN
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._shell import load_plan


def energy(plan: Path = PLAN, out: Path | None = PICTURES, json: bool = JSON) -> None:
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

    from linkcalc.link.verdict import check_plan
    from linkcalc.operation import energy as plan_energy
    from linkcalc.plan import ChirpModulation
    from linkcalc.plan.assumptions import still_the_starters
    from linkcalc.views.energy.text import energy_report
    from linkcalc.views.jsonout import json_text

    loaded = load_plan(plan)
    links = check_plan(loaded).links if loaded.plan.power else ()
    found = plan_energy.section(loaded.plan, links)
    invented = [asdict(a) for a in still_the_starters(loaded.assumed)]
    data = asdict(found) | ({"still_the_starters": invented} if invented else {})
    show_answer(energy_report, found, assumed=loaded.assumed, as_json=json_text(data) if json else None)
    if out is not None:
        from linkcalc.views.energy.figures import write_all

        planned = {
            name: link.modulation.spreading_factor
            for link in loaded.plan.link
            if isinstance(link.modulation, ChirpModulation)
            for name in (link.from_, link.to)
        }
        write_files(out, {}, write_all(found, out, planned))

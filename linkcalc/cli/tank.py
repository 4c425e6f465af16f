"""What a lost stop does to the tank of a plan."""

from pathlib import Path

from linkcalc.cli._options import JSON, PLAN, defaults_of, option
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._shell import load_plan
from linkcalc.commands import operation

USUAL = defaults_of(operation.tank)


def tank(
    plan: Path = PLAN,
    out: Path | None = option("DIR", "Folder for the picture (SVG, PNG)."),
    json: bool = JSON,
    tank_years: int = option(
        "N", "Years to simulate; 0 for none.", default=USUAL.tank_years, min=0, max=1_000_000
    ),
    seed: int = option("N", "Seed of the simulation.", default=USUAL.seed, min=0),
) -> None:
    """Say how far a lost stop overruns the tank, and what stop level, interval and watchdog prevent it.

    The plan needs [tank], [engine] and a [[message]] that reports the level.

    \b
    Example:
      linkcalc tank site.toml
      linkcalc tank site.toml --out result --tank-years 10000

    A radio link is no safety function. Exit code: 0 whatever the answer, 2 bad input.
    """
    from linkcalc.views.jsonout import section_json
    from linkcalc.views.tank.text import tank_report

    loaded = load_plan(plan)
    found = None
    if loaded.plan.tank is not None and loaded.plan.engine is not None:
        found = operation.tank(loaded, tank_years=tank_years, seed=seed)
    show_answer(
        tank_report,
        found,
        assumed=loaded.assumed,
        as_json=section_json("tank", found, loaded.assumed) if json else None,
    )
    if out is not None and found is not None:
        from linkcalc.views.tank.figures import write_all

        write_files(out, {}, write_all(found, out))

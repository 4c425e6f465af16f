"""A fleet: many nodes, a few sheds, one air."""

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from linkcalc.cli._options import JSON, argument, defaults_of, flag, option
from linkcalc.cli._output import show_answer, tell, write_files
from linkcalc.cli._shell import EXIT_CODES, load_plan, show_in
from linkcalc.cli._work import SCHEDULER, chosen_scheduler
from linkcalc.commands import land

if TYPE_CHECKING:
    from linkcalc.plan.fleet import LoadedFleet


USUAL = defaults_of(land.fleet)


def fleet(
    file: Path = argument(
        "FLEET.toml|NODES.csv",
        "Fleet file; or a list of nodes, with the plan that has their base stations and equipment.",
    ),
    plan: Path | None = option(
        "PLAN.toml",
        "With a list of nodes: they are as a link's `from` station; links lead to the base stations.",
    ),
    link: str | None = option("NAME", "With --plan: which link; default: the first."),
    interval_s: float | None = option(
        "S", "With --plan: time between two messages of a node; default: as the plan's messages."
    ),
    as_planned: bool = flag("--as-planned", "Judge spreading factors and powers as planned, choose none."),
    out: Path | None = option("DIR", "Folder for nodes.csv, reach.csv, report.txt and pictures (SVG, PNG)."),
    seed: int = option("N", "Of the simulation.", default=USUAL.seed, min=0),
    json: bool = JSON,
    scheduler: str | None = SCHEDULER,
) -> None:
    """Say which base station hears which node, who collides, and how each node should send.

    Proposes the base station, spreading factor and power of every node that take the least energy for the
    required success, and says what is missing where none do.

    \b
    Example:
      linkcalc fleet fleet.toml --out result
      linkcalc fleet tanks.csv --plan site.toml --interval-s 900

    Exit code: 0 every node has the required success, 3 one has not or a row is not used, 4 one loses
    more than half at the predicted margin, 2 bad input.
    """

    from linkcalc.errors import printable
    from linkcalc.fleets.answer import answer
    from linkcalc.views.fleet.text import fleet_report, nodes_csv, reach_csv

    loaded = _loaded(file, plan, link, interval_s)
    with chosen_scheduler(scheduler) as workers:
        result = answer(loaded, choose=not as_planned, seed=seed, scheduler=workers, say=tell)
    for row, name, reason in result.refused:
        tell(f"row {row} is not used{f' ({printable(name)})' if name else ''}: {reason}")
    show_answer(fleet_report, result, as_json=result.to_json() if json else None)
    if out is not None:
        from linkcalc.views.fleet.figures import write_all

        contents = {
            "nodes.csv": nodes_csv(result),
            "reach.csv": reach_csv(result),
            "report.txt": fleet_report(result),
        }
        write_files(out, contents, write_all(result, out))
    raise typer.Exit(EXIT_CODES[result.verdict])


def _loaded(file: Path, plan: Path | None, link: str | None, interval_s: float | None) -> "LoadedFleet":
    from linkcalc.errors import PlanError, quoted
    from linkcalc.plan.fleet import fleet_of_plan, load_fleet

    if file.suffix.lower() != ".toml" and plan is None and file.is_file():
        raise PlanError(
            f"{file}: a list of nodes needs its base stations and equipment: add --plan PLAN.toml, or name it in a"
            " fleet file (nodes = ...)"
        )
    if plan is None:
        if link is not None or interval_s is not None:
            raise PlanError("--link and --interval-s go with --plan; a fleet file says so itself")
        loaded = load_fleet(file)
        show_in(loaded.fleet.units)
        return loaded
    if file.suffix.lower() == ".toml":
        raise PlanError(
            f"{file}: --plan goes with a list of nodes (CSV); a fleet file has its own base stations"
        )
    if interval_s is not None and not 0.0 < interval_s <= 31_557_600.0:
        raise PlanError(f"--interval-s = {interval_s:g} must be above 0 and at most a year")
    try:
        known = load_plan(plan)
    except PlanError:
        if plan.is_file() and "[[shed]]" in plan.read_text(encoding="utf-8", errors="replace"):
            raise PlanError(
                f"{plan}: is a fleet file, not a plan: set its nodes = {quoted(file.name)}, then"
                f" linkcalc fleet {plan.name}"
            ) from None
        raise
    return fleet_of_plan(known, file, link=link, interval_s=interval_s)

"""Both antenna heights at once: margins, where the link closes, and the cheapest pair of masts."""

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import typer

from linkcalc.cli._options import JSON, PLAN, defaults_of, option
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._shell import EXIT_CODES, chosen_link, load_plan
from linkcalc.commands import link as of_link

USUAL = defaults_of(of_link.heights)


def _least_zero(metavar: str, words: str, default: str) -> Any:
    return option(metavar, words, min=0.0, show_default=default)


@dataclass(frozen=True)
class Prices:
    """Of masts."""

    cost_per_m: float | None = _least_zero("X", "Cost of a metre of mast.", "40")
    guyed_above_m: float | None = _least_zero("M", "A longer mast is guyed, m.", "6")
    guyed_cost_per_m: float | None = _least_zero("X", "Cost of a metre of a guyed mast.", "70")
    cost_per_mast: float | None = _least_zero("X", "Cost of a mast of any length.", "150")


_FOOT = "the station's mast_foot_m"


def heights(
    plan: Path = PLAN,
    link: str | None = option("NAME", "One link; default: every link of the plan.", "--link"),
    max_m: float = option("M", "Highest antenna looked at, m.", default=USUAL.highest_m, min=2.0, max=200.0),
    step_m: float | None = option("M", "Step, m; default: for 40 heights.", min=0.1, max=50.0),
    *,
    prices: Prices,
    from_base_m: float | None = _least_zero(
        "M", "What is there at `from` carries a mast from here, m.", _FOOT
    ),
    to_base_m: float | None = _least_zero("M", "The same at `to` (a gable, a tank), m.", _FOOT),
    out: Path | None = option("DIR", "Folder for the pictures (SVG, PNG), heights.txt and heights.json."),
    json: bool = JSON,
) -> None:
    """Show the margin over both antenna heights, and the cheapest pair that closes the link.

    A feeder grows as its antenna is raised. Costs are those of the options,
    else of the plan's [prices], in any currency; those not stated are assumed, and listed.

    \b
    Example:
      linkcalc heights site.toml
      linkcalc heights site.toml --max-m 30 --cost-per-m 55 --guyed-above-m 9 --guyed-cost-per-m 120
      linkcalc heights site.toml --to-base-m 4 --out result

    Exit code: 0 if a pair closes every link, 4 if none does for one of them, 2 bad input.
    """
    from linkcalc.link.on_ground import open_terrain
    from linkcalc.sweeps.mast_heights import heights_of
    from linkcalc.views.heights.text import heights_report
    from linkcalc.views.jsonout import section_json

    loaded = load_plan(plan)
    stated = {name: value for name, value in asdict(prices).items() if value is not None}
    bases_m = (from_base_m, to_base_m)
    chosen = loaded.plan.link if link is None else [chosen_link(loaded, link)]
    with open_terrain(loaded) as terrain:
        tables = [
            heights_of(loaded, one, terrain, highest_m=max_m, step_m=step_m, bases_m=bases_m, prices=stated)
            for one in chosen
        ]
    text = section_json("heights", tables)
    show_answer(heights_report, tables, as_json=text if json else None)
    if out is not None:
        from linkcalc.views.heights.figures import write_all

        contents = {"heights.txt": heights_report(tables), "heights.json": text}
        write_files(out, contents, write_all(tables, out))
    if any(table.cheapest is None for table in tables):
        raise typer.Exit(EXIT_CODES["does_not_close"])

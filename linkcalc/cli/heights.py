"""Both antenna heights at once: margins, where the link closes, and the cheapest pair of masts."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from linkcalc.cli._options import JsonOption, PlanArgument, option
from linkcalc.cli._output import show, show_report, write_files
from linkcalc.cli._shell import EXIT_CODES, chosen_link, load_plan

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan

_PRICES = {
    "cost_per_m": "mast_per_m",
    "guyed_above_m": "guyed_above_m",
    "guyed_cost_per_m": "guyed_mast_per_m",
    "cost_per_mast": "mast",
}
"""Of the plan's price list."""


OneLink = Annotated[str | None, option("NAME", "One link; default: every link of the plan.", "--link")]
Highest = Annotated[
    float, typer.Option(metavar="M", min=2.0, max=200.0, help="Highest antenna looked at, m.")
]
Step = Annotated[float | None, option("M", "Step, m; default: for 40 heights.", min=0.1, max=50.0)]
PerMetre = Annotated[
    float | None, typer.Option(metavar="X", min=0.0, help="Cost of a metre of mast.", show_default="40")
]
GuyedAbove = Annotated[
    float | None, typer.Option(metavar="M", min=0.0, help="A longer mast is guyed, m.", show_default="6")
]
GuyedPerMetre = Annotated[
    float | None,
    typer.Option(metavar="X", min=0.0, help="Cost of a metre of a guyed mast.", show_default="70"),
]
PerMast = Annotated[
    float | None, typer.Option(metavar="X", min=0.0, help="Cost of a mast of any length.", show_default="150")
]
FromBase = Annotated[
    float | None,
    typer.Option(
        metavar="M",
        min=0.0,
        help="What is there at `from` carries a mast from here, m.",
        show_default="the station's mast_foot_m",
    ),
]
ToBase = Annotated[
    float | None,
    typer.Option(
        metavar="M",
        min=0.0,
        help="The same at `to` (a gable, a tank), m.",
        show_default="the station's mast_foot_m",
    ),
]
Out = Annotated[
    Path | None, option("DIR", "Folder for the pictures (SVG, PNG), heights.txt and heights.json.")
]


def heights(
    plan: PlanArgument,
    link: OneLink = None,
    max_m: Highest = 20.0,
    step_m: Step = None,
    cost_per_m: PerMetre = None,
    guyed_above_m: GuyedAbove = None,
    guyed_cost_per_m: GuyedPerMetre = None,
    cost_per_mast: PerMast = None,
    from_base_m: FromBase = None,
    to_base_m: ToBase = None,
    out: Out = None,
    json: JsonOption = False,
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
    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.sweeps.mast_heights import MastPrices, height_table
    from linkcalc.views.heights_text import heights_report
    from linkcalc.views.jsonout import section_json

    loaded = load_plan(plan)
    stated = _stated_prices(
        loaded,
        cost_per_m=cost_per_m,
        guyed_above_m=guyed_above_m,
        guyed_cost_per_m=guyed_cost_per_m,
        cost_per_mast=cost_per_mast,
    )

    def foot_m(station: str, given_m: float | None) -> float:
        return loaded.plan.station_named(station).mast_foot_m if given_m is None else given_m

    chosen = loaded.plan.link if link is None else [chosen_link(loaded, link)]
    with open_terrain(loaded) as terrain:
        tables = [
            height_table(
                link_case(loaded, one, terrain),
                highest_m=max_m,
                step_m=step_m,
                prices=MastPrices(**stated),
                stated=frozenset(stated),
                bases_m=(foot_m(one.from_, from_base_m), foot_m(one.to, to_base_m)),
            )
            for one in chosen
        ]
    text = section_json("heights", tables)
    if json:
        show(text)
    else:
        show_report(heights_report, tables)
    if out is not None:
        from linkcalc.views.heights_figures import write_all

        contents = {"heights.txt": heights_report(tables), "heights.json": text}
        write_files(out, contents, write_all(tables, out))
    if any(table.cheapest is None for table in tables):
        raise typer.Exit(EXIT_CODES["does_not_close"])


def _stated_prices(loaded: "LoadedPlan", **given: float | None) -> dict[str, float]:
    """Prices of masts that the options state, or else the plan's list."""
    prices = loaded.plan.prices
    listed = {name: getattr(prices, key) for name, key in _PRICES.items() if key in prices.model_fields_set}
    return listed | {name: value for name, value in given.items() if value is not None}

"""Both antenna heights at once: margins, where the link closes, and the cheapest pair of masts."""

from pathlib import Path
from typing import Annotated

import typer

from linkcalc.cli._shell import EXIT_CODES, PlanArgument, load_plan, screen

_PRICES = {
    "cost_per_m": "mast_per_m",
    "guyed_above_m": "guyed_above_m",
    "guyed_cost_per_m": "guyed_mast_per_m",
    "cost_per_mast": "mast",
}
"""Of the plan's price list."""


def heights(
    plan: PlanArgument,
    link: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="One link; default: every link of the plan.", show_default=False),
    ] = None,
    max_m: Annotated[
        float, typer.Option(metavar="M", min=2.0, max=200.0, help="Highest antenna looked at, m.")
    ] = 20.0,
    step_m: Annotated[
        float | None,
        typer.Option(
            metavar="M", min=0.1, max=50.0, help="Step, m; default: for 40 heights.", show_default=False
        ),
    ] = None,
    cost_per_m: Annotated[
        float | None, typer.Option(metavar="X", min=0.0, help="Cost of a metre of mast.", show_default="40")
    ] = None,
    guyed_above_m: Annotated[
        float | None,
        typer.Option(metavar="M", min=0.0, help="A longer mast is guyed, m.", show_default="6"),
    ] = None,
    guyed_cost_per_m: Annotated[
        float | None,
        typer.Option(metavar="X", min=0.0, help="Cost of a metre of a guyed mast.", show_default="70"),
    ] = None,
    cost_per_mast: Annotated[
        float | None,
        typer.Option(metavar="X", min=0.0, help="Cost of a mast of any length.", show_default="150"),
    ] = None,
    from_base_m: Annotated[
        float | None,
        typer.Option(
            metavar="M",
            min=0.0,
            help="What is there at `from` carries a mast from here, m.",
            show_default="the station's mast_foot_m",
        ),
    ] = None,
    to_base_m: Annotated[
        float | None,
        typer.Option(
            metavar="M",
            min=0.0,
            help="The same at `to` (a gable, a tank), m.",
            show_default="the station's mast_foot_m",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder for the pictures (SVG, PNG), heights.txt and heights.json.",
            show_default=False,
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
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

    from linkcalc.cli.survey import chosen_link
    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.sweeps.mast_heights import MastPrices, height_table
    from linkcalc.views.heights_text import heights_report
    from linkcalc.views.jsonout import section_json

    given = {
        "cost_per_m": cost_per_m,
        "guyed_above_m": guyed_above_m,
        "guyed_cost_per_m": guyed_cost_per_m,
        "cost_per_mast": cost_per_mast,
    }
    loaded = load_plan(plan)
    stated = {name: value for name, value in given.items() if value is not None}
    listed = {key: getattr(loaded.plan.prices, key) for key in loaded.plan.prices.model_fields_set}
    stated = {name: listed[key] for name, key in _PRICES.items() if key in listed} | stated

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
        typer.echo(text, nl=False)
    else:
        typer.echo(heights_report(tables, **screen()), nl=False)
    if out is not None:
        from linkcalc.files import atomic_write
        from linkcalc.views.heights_figures import write_all

        written = write_all(tables, out)
        for name, content in (("heights.txt", heights_report(tables)), ("heights.json", text)):
            atomic_write(out / name, content)
            written.append(out / name)
        typer.echo(f"wrote {len(written)} files to {out}", err=True)
    if any(table.cheapest is None for table in tables):
        raise typer.Exit(EXIT_CODES["does_not_close"])

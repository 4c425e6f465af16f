"""The main job: a plan in, a verdict with its budget and pictures out."""

from pathlib import Path
from typing import Annotated

import typer

from linkcalc.cli._shell import EXIT_CODES, PlanArgument


def check(
    plan: PlanArgument,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder for pictures (SVG, PNG), report.txt, result.json, and a map of the links, also as GeoJSON and KML.",
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole result as JSON.")] = False,
    full: Annotated[
        bool, typer.Option("--full", help="Budget, models, uncertainty, every remedy, all that was assumed.")
    ] = False,
) -> None:
    """Say whether each link of a plan closes, what limits it, and what would mend it.

    \b
    Example:
      linkcalc check site.toml
      linkcalc check site.toml --out result
      linkcalc check site.toml --json > result.json

    Exit code: 0 closes, 3 at risk, 4 does not close, 2 bad input.
    """
    import os
    import shutil
    import sys

    from linkcalc.consequences import with_sections
    from linkcalc.files import atomic_write
    from linkcalc.plan import load_plan
    from linkcalc.verdict import check_plan
    from linkcalc.views.jsonout import to_json
    from linkcalc.views.text import abilities, report

    loaded = load_plan(plan)
    result = with_sections(check_plan(loaded), loaded.plan, brief=not json and out is None)
    if json:
        typer.echo(to_json(result), nl=False)
    else:
        colour, ascii_only = abilities(sys.stdout, os.environ)
        width = shutil.get_terminal_size((80, 24)).columns if sys.stdout.isatty() else 80
        page = report(result, min(width, 110), colour=colour, ascii_only=ascii_only, full=full)
        typer.echo(page, nl=False)
    if out is not None:
        import numpy as np

        from linkcalc.area.relief import relief_around
        from linkcalc.verdict import open_terrain, position_deg
        from linkcalc.views.figures import write_all
        from linkcalc.views.links_figure import links_figure
        from linkcalc.views.links_map import links_geojson, links_kml
        from linkcalc.views.style import save

        written = [*write_all(result, out)]
        for name, text in (("report.txt", report(result)), ("result.json", to_json(result))):
            atomic_write(out / name, text)
            written.append(out / name)
        placed = {s.name: position_deg(s) for s in loaded.plan.station if s.positioned}
        if placed:
            for name, text in (
                ("links.geojson", links_geojson(result, placed)),
                ("links.kml", links_kml(result, placed)),
            ):
                atomic_write(out / name, text)
                written.append(out / name)
            with open_terrain(loaded) as terrain:
                relief = relief_around(terrain.ground, np.array(list(placed.values())))
            written += save(links_figure(result, placed, relief), out / "links", "The plan's links")
        typer.echo(f"wrote {len(written)} files to {out}", err=True)
    raise typer.Exit(max(EXIT_CODES[link.verdict] for link in result.links))

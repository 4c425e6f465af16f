"""Ground for a plan: which tiles it needs, and what of them to write into it."""

from pathlib import Path

import typer

from linkcalc.cli._options import PLAN, flag, option
from linkcalc.cli._output import show, tell


def ground(
    plan: Path = PLAN,
    folder: Path | None = option(
        "DIR", "Folder of tiles, at any depth, zipped or not: those that the plan needs are found in it."
    ),
    address: str | None = option(
        "URL",
        "Address of a folder of tiles, or of one cloud-optimised GeoTIFF: what the plan needs"
        " is read by ranges and kept beside the plan. Nothing is read from the network without it.",
    ),
    set_: list[str] | None = option(
        "NAME", "Open set whose tiles lie at the address: glo30, srtm, canopy, land_cover.", "--set"
    ),
    radius_km: float = option(
        "KM", "Ground for a coverage: this far around the stations.", default=0.0, min=0.0
    ),
    station: str | None = option("NAME", "Around this station only."),
    write: bool = flag("--write", "Put the lines into the plan."),
) -> None:
    """Say which tiles of ground a plan or a fleet needs, and set its [terrain].

    \b
    Example:
      linkcalc ground site.toml
      linkcalc ground site.toml --folder tiles --write
      linkcalc ground site.toml --address https://... --set glo30 --write

    Exit code: 0 done, 2 bad input.
    """
    from linkcalc.errors import LinkcalcError
    from linkcalc.files import atomic_write
    from linkcalc.plan.edits import terrain_lines, with_terrain
    from linkcalc.plan.ground_data import from_server, in_folder, needed_area, stations_in
    from linkcalc.terrain.open_sets import SETS, set_named
    from linkcalc.views.ground.text import found_text, needed_text

    if folder is not None and address is not None:
        raise LinkcalcError("give --folder or --address, not both")
    chosen = [set_named(key) for key in set_ or ["glo30"]]
    usable = [s for s in chosen if s is not None]
    if len(usable) < len(chosen):
        raise LinkcalcError(f"--set {', '.join(set_ or [])}: open sets are {', '.join(s.key for s in SETS)}")
    text, placed = stations_in(plan)
    bounds = needed_area(placed, radius_km * 1e3, station)
    if folder is None and address is None:
        show(needed_text(plan.name, bounds, radius_km))
        return
    if folder is not None:
        found = in_folder(folder, bounds, plan.parent)
    else:
        assert address is not None
        found = from_server(address, usable, bounds, plan, say=tell)
    show(found_text(found))
    if write:
        try:
            atomic_write(plan, with_terrain(text, found.terrain))
        except LinkcalcError as error:
            raise LinkcalcError(f"{plan}: {error}") from None
        typer.echo(f"wrote [terrain] of {plan}; check it with: linkcalc check {plan}")
    else:
        typer.echo(
            "\n".join(["Lines for the plan (or --write):", "", "[terrain]", *terrain_lines(found.terrain)])
        )

"""Where a relay would go: every cell of an area, the best spots, and two relays where one is not enough."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from linkcalc.cli._scheduler import SchedulerOption, chosen_scheduler
from linkcalc.cli._shell import EXIT_CODES, PlanArgument, load_plan, screen
from linkcalc.cli.coverage import Bar, make_folder, say_line


def relay(
    plan: PlanArgument,
    link: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Link, where the plan has several.", show_default=False),
    ] = None,
    radius_km: Annotated[
        float | None,
        typer.Option(
            metavar="KM",
            help="How far around the middle of the link to look; default: 0.75 of its length, wherever "
            "there are heights.",
            show_default=False,
        ),
    ] = None,
    cell_m: Annotated[
        float | None,
        typer.Option(
            metavar="M", help="Width of a cell, m; default: 30, more in large areas.", show_default=False
        ),
    ] = None,
    relays: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            min=1,
            max=2,
            show_default=False,
            help="Relays in a row; default: one, and two where no spot for one closes.",
        ),
    ] = None,
    within: Annotated[
        Path | None,
        typer.Option(metavar="FILE.geojson", help="Polygons to stay in (RFC 7946).", show_default=False),
    ] = None,
    track: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.geojson", help="Tracks, as lines (RFC 7946), to stay near to.", show_default=False
        ),
    ] = None,
    track_distance_m: Annotated[
        float | None,
        typer.Option(metavar="M", help="Farthest from a track, m.", show_default=False),
    ] = None,
    steepest_deg: Annotated[
        float | None,
        typer.Option(metavar="DEG", help="Steepest slope of the ground, degrees.", show_default=False),
    ] = None,
    nodata_distance_m: Annotated[
        float, typer.Option(metavar="M", help="Nearest to cells without height, m.")
    ] = 0.0,
    apart_m: Annotated[
        float | None,
        typer.Option(
            metavar="M",
            help="Least distance between spots, m; default: 8 % of the link.",
            show_default=False,
        ),
    ] = None,
    relay_like: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Station of the plan whose whole equipment the relay has.",
            show_default=False,
        ),
    ] = None,
    relay_height_m: Annotated[
        float | None,
        typer.Option(
            metavar="M",
            help="Relay's antenna above ground, m; default: the link's higher.",
            show_default=False,
        ),
    ] = None,
    relay_power_dbm: Annotated[
        float | None, typer.Option(metavar="DBM", help="Relay's conducted power, dBm.", show_default=False)
    ] = None,
    relay_gain_dbi: Annotated[
        float | None,
        typer.Option(metavar="DBI", help="Gain of the relay's all-round antenna, dBi.", show_default=False),
    ] = None,
    write_plan: Annotated[
        Path | None,
        typer.Option(
            metavar="NEW.toml",
            help="Write the plan with the best relay and its hops added, beside it.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder for map and profiles (SVG, PNG), relay.tif, .geojson, .csv, .json and report.txt; "
            "finished tiles are kept there until the end.",
            show_default=False,
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
    scheduler: SchedulerOption = None,
    progress: Annotated[
        bool, typer.Option("--progress", help="Show progress even where stderr is not a terminal.")
    ] = False,
) -> None:
    """Say where a relay for a link would go.

    Every cell around the link is tried as a place for a relay, each with its own full terrain profiles to
    both ends; the best spots are checked in full. The figure of merit is the weaker hop.

    \b
    Example:
      linkcalc relay site.toml --out result
      linkcalc relay site.toml --within own_land.geojson --steepest-deg 15
      linkcalc relay site.toml --track tracks.geojson --track-distance-m 100
      linkcalc relay site.toml --relay-height-m 9 --write-plan with_relay.toml

    An interrupted run with --out is taken up where it stopped by the same command. Exit code, of the best
    that was found: 0 closes, 3 at risk, 4 does not close; 2 bad input.
    """

    from linkcalc.area.access import Access
    from linkcalc.area.relay.files import as_data
    from linkcalc.area.relay.plan import (
        RelayKit,
        placed,
        plan_text,
        refuse_other_folder,
        relay_station,
    )
    from linkcalc.area.relay.siting import relay_siting, stations
    from linkcalc.area.tiles import telling_of_tiles
    from linkcalc.cli.survey import chosen_link
    from linkcalc.files import atomic_write, refuse_to_overwrite
    from linkcalc.views.jsonout import section_json
    from linkcalc.views.relay_text import relay_report

    loaded = load_plan(plan)
    chosen = chosen_link(loaded, link)
    access = Access(within, track, track_distance_m, steepest_deg, nodata_distance_m)
    kit = RelayKit(relay_like, relay_height_m, relay_power_dbm, relay_gain_dbi)
    if write_plan is not None:
        refuse_other_folder(loaded, write_plan)
        refuse_to_overwrite([write_plan], hint="; name another file")
        somewhere = placed(relay_station(loaded.plan, chosen, kit)[0], 0.0, 0.0)
        plan_text(loaded, chosen, [somewhere])  # what cannot be added to is told before the work
    if out is not None:
        make_folder(out)
    bar = Bar(shown=progress or sys.stderr.isatty(), terminal=sys.stderr.isatty(), name="relay")

    def say(line: str) -> None:
        bar.end()
        say_line(line)

    try:
        with chosen_scheduler(scheduler) as workers:
            result = relay_siting(
                loaded, chosen, radius_m=None if radius_km is None else radius_km * 1e3, cell_m=cell_m,
                apart_m=apart_m, access=access, kit=kit, relays=relays, tiles_in=out, scheduler=workers,
                progress=bar, say=say,
            )  # fmt: skip
    finally:
        bar.end()
    text = section_json("relay", as_data(result))
    if json:
        typer.echo(text, nl=False)
    else:
        typer.echo(relay_report(result, **screen()), nl=False)
    if out is not None:
        from linkcalc.area.relay.files import geotiff, spots_csv, spots_geojson
        from linkcalc.area.relay.siting import profiles
        from linkcalc.views.relay_figures import write_all

        written = []
        with telling_of_tiles(result.tiles, say):
            for name, content in (
                ("relay.tif", geotiff(result)),
                ("relay.geojson", spots_geojson(result) + "\n"),
                ("relay.csv", spots_csv(result)),
                ("relay.json", text),
                ("report.txt", relay_report(result)),
            ):
                atomic_write(out / name, content)
                written.append(out / name)
            written += write_all(result, profiles(loaded, chosen, result.relay, result.best), out)
        if result.tiles is not None:
            result.tiles.remove()
        typer.echo(f"wrote {len(written)} files to {out}", err=True)
    if write_plan is not None:
        atomic_write(write_plan, plan_text(loaded, chosen, stations(result.relay, result.best)))
        typer.echo(f"wrote {write_plan}", err=True)
    raise typer.Exit(EXIT_CODES[result.best.verdict])

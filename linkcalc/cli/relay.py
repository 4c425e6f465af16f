"""Where a relay would go: every cell of an area, the best spots, and two relays where one is not enough."""

from collections.abc import Callable
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from linkcalc.cli._options import JSON, LINK, PLAN, defaults_of, option
from linkcalc.cli._output import show_answer, write_file, write_files
from linkcalc.cli._shell import EXIT_CODES, chosen_link, load_plan
from linkcalc.cli._work import Bar, Work, chosen_scheduler
from linkcalc.commands import land

if TYPE_CHECKING:
    from linkcalc.area.relay.result import RelaySiting
    from linkcalc.link.relayed_plan import RelayKit
    from linkcalc.plan import Link, LoadedPlan


USUAL = defaults_of(land.relay)


@dataclass(frozen=True)
class Search:
    """Where is looked, how finely, and for how many."""

    radius_km: float | None = option(
        "KM",
        "How far around the middle of the link to look; default: 0.75 of its length, wherever there are heights.",
    )
    cell_m: float | None = option("M", "Width of a cell, m; default: 30, more in large areas.")
    relays: int | None = option(
        "N", "Relays in a row; default: one, and two where no spot for one closes.", min=1, max=2
    )


@dataclass(frozen=True)
class Place:
    """What a place has to be like, in the order of `area.access.Access`."""

    within: Path | None = option("FILE.geojson", "Polygons to stay in (RFC 7946).")
    track: Path | None = option("FILE.geojson", "Tracks, as lines (RFC 7946), to stay near to.")
    track_distance_m: float | None = option("M", "Farthest from a track, m.")
    steepest_deg: float | None = option("DEG", "Steepest slope of the ground, degrees.")
    nodata_distance_m: float = option(
        "M", "Nearest to cells without height, m.", default=USUAL.nodata_distance_m
    )


@dataclass(frozen=True)
class Equipment:
    """The relay's, in the order of `link.relayed_plan.RelayKit`."""

    relay_like: str | None = option("NAME", "Station of the plan whose whole equipment the relay has.")
    relay_height_m: float | None = option("M", "Relay's antenna above ground, m; default: the link's higher.")
    relay_power_dbm: float | None = option("DBM", "Relay's conducted power, dBm.")
    relay_gain_dbi: float | None = option("DBI", "Gain of the relay's all-round antenna, dBi.")


@dataclass(frozen=True)
class Written:
    """What is written, and how the answer is printed."""

    write_plan: Path | None = option(
        "NEW.toml", "Write the plan with the best relay and its hops added, beside it."
    )
    out: Path | None = option(
        "DIR",
        "Folder for map and profiles (SVG, PNG), relay.tif, .geojson, .csv, .json and report.txt; "
        "finished tiles are kept there until the end.",
    )
    json: bool = JSON


def relay(
    plan: Path = PLAN,
    *,
    link: str | None = LINK,
    search: Search,
    place: Place,
    apart_m: float | None = option("M", "Least distance between spots, m; default: 8 % of the link."),
    equipment: Equipment,
    written: Written,
    work: Work,
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
    from linkcalc.area.relay.result import as_data
    from linkcalc.area.relay.siting import relay_siting, stations
    from linkcalc.area.tiles import Run
    from linkcalc.link.relayed_plan import RelayKit, plan_text
    from linkcalc.views.jsonout import section_json
    from linkcalc.views.relay.text import relay_report

    loaded = load_plan(plan)
    chosen = chosen_link(loaded, link)
    kit = RelayKit(*astuple(equipment))
    if written.write_plan is not None:
        _refuse_plan(loaded, chosen, kit, written.write_plan)
    bar = Bar("relay", asked=work.progress)
    with chosen_scheduler(work.scheduler) as workers, bar.ended():
        result = relay_siting(
            loaded,
            chosen,
            radius_m=None if search.radius_km is None else search.radius_km * 1e3,
            cell_m=search.cell_m,
            apart_m=apart_m,
            access=Access(*astuple(place)),
            kit=kit,
            relays=search.relays,
            run=Run(workers, written.out, bar, bar.say),
        )
    text = section_json("relay", as_data(result))
    show_answer(relay_report, result, as_json=text if written.json else None)
    if written.out is not None:
        _write_files(loaded, result, written.out, text, bar.say)
    if written.write_plan is not None:
        write_file(written.write_plan, plan_text(loaded, chosen, stations(result.relay, result.best)))
    raise typer.Exit(EXIT_CODES[result.best.verdict])


def _refuse_plan(loaded: "LoadedPlan", link: "Link", kit: "RelayKit", file: Path) -> None:
    """Say before the work why the plan with a relay could not be written."""
    from linkcalc.files import refuse_to_overwrite
    from linkcalc.link.relayed_plan import placed, plan_text, refuse_other_folder, relay_station

    refuse_other_folder(loaded, file)
    refuse_to_overwrite([file], hint="; name another file")
    # a trial with the relay anywhere: what may be refused does not hang on its place
    plan_text(loaded, link, [placed(relay_station(loaded.plan, link, kit)[0], 0.0, 0.0)])


def _write_files(
    loaded: "LoadedPlan", result: "RelaySiting", folder: Path, as_json: str, say: Callable[[str], None]
) -> None:
    from linkcalc.area.gridded import geotiff
    from linkcalc.area.relay.result import spots_csv
    from linkcalc.area.relay.siting import profiles
    from linkcalc.area.tiles import telling_of_tiles
    from linkcalc.views.relay.figures import write_all
    from linkcalc.views.relay.text import relay_report

    with telling_of_tiles(result.tiles, say):
        contents: dict[str, str | bytes] = {
            "relay.tif": geotiff("relay.tif", result.raster()),
            "relay.geojson": result.to_geojson(),
            "relay.csv": spots_csv(result),
            "relay.json": as_json,
            "report.txt": relay_report(result),
        }
        hops = profiles(loaded, result.link, result.relay, result.best)
        write_files(folder, contents, write_all(result, hops, folder))
    if result.tiles is not None:
        result.tiles.remove()

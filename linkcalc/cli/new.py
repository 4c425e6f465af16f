"""A starter plan, or a starter fleet, on the user's own positions and ground."""

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from linkcalc.cli._options import REPLACE, argument, flag, option
from linkcalc.cli._output import tell
from linkcalc.cli.schema import schema_text
from linkcalc.errors import LinkcalcError

if TYPE_CHECKING:
    from linkcalc.plan.sites import Site


def new(
    plan: Path = argument("PLAN.toml", "File to write."),
    start: str | None = option(
        "POSITION",
        "Where the sensor's station stands: 32.60,-97.40 or 32°36'N 97°24'W or"
        " EPSG:32614 650000 3608000, in quotes.",
        "--from",
    ),
    to: str | None = option("POSITION", "The other station; with --sites a site's name.", "--to"),
    sites: Path | None = option(
        "FILE", "List of sites (GPX, KML, KMZ, GeoJSON, CSV): each is linked with the one that --to names."
    ),
    terrain: str | None = option(
        "RASTER",
        "Elevation raster, or a folder of tiles. Without --from and --sites two positions on it are"
        " put in. By default: a small invented surveyed profile, PLAN_profile.csv, is written beside.",
    ),
    region: str | None = option(
        "REGION", "Region of the legal limits, such as eu or us: starts on a channel that is legal there."
    ),
    full: bool = flag("--full", "Every key there is, not only the twenty that matter."),
    fleet: bool = flag(
        "--fleet",
        "A fleet file and its list of nodes instead: the sites are the nodes, --to their base station.",
    ),
    force: bool = REPLACE,
) -> None:
    """Write a commented starter plan, ready to check, and the schema by which editors complete its keys.

    Its values are invented: until they are changed, every answer names them as the starter's.

    \b
    Example:
      linkcalc new site.toml
      linkcalc new site.toml --terrain heights.tif
      linkcalc new site.toml --from 32.60,-97.40 --to 32.61,-97.38 --terrain tiles/
      linkcalc new site.toml --sites tanks.gpx --to "pump shed" --terrain tiles/
      linkcalc new site.toml --region us --full
      linkcalc new fleet.toml --fleet --sites tanks.gpx --to "pump shed" --terrain tiles/
    """
    from linkcalc.files import atomic_write, csv_text, refuse_to_overwrite
    from linkcalc.plan.ground_data import ground_keys, sites_on
    from linkcalc.plan.scenario import starter_profile
    from linkcalc.plan.starter import FLEET_SCHEMA, PLAN_SCHEMA, starter_fleet, starter_plan
    from linkcalc.rules.table import REGIONS
    from linkcalc.views.units import current

    if region is not None and region not in REGIONS:
        raise LinkcalcError(f"--region {region}: not in the table of limits; known: {', '.join(REGIONS)}")
    if plan.is_dir():
        raise LinkcalcError(f"{plan}: is a folder; name the plan file to write in it")
    given = _given_sites(start, to, sites)
    if fleet and terrain is None:
        raise LinkcalcError("--fleet needs --terrain: a fleet's paths are cut from rasters")
    surveyed = terrain is None and not given
    beside = plan.with_name(f"{plan.stem}_{'nodes' if fleet else 'profile'}.csv")
    if not force:
        refuse_to_overwrite([plan, beside] if surveyed or fleet else [plan], "; --force replaces it")
    keys, notes = ({}, []) if terrain is None else ground_keys(plan.parent, terrain, given)
    placed = given or ([] if terrain is None else sites_on(terrain))
    listed = starter_profile() if surveyed else None
    if fleet:
        text, rows = starter_fleet(
            plan.name, nodes=beside.name, sites=placed, terrain=keys, full=full, invented_sites=not given,
            region=region, units=current(),
        )  # fmt: skip
        listed = csv_text(rows)
    else:
        text = starter_plan(
            plan.name, full=full, profile_csv=beside.name if surveyed else None, terrain=keys, sites=placed,
            invented_sites=not given, region=region, units=current(),
        )  # fmt: skip
    if listed is not None:
        atomic_write(beside, listed)
    schema = plan.with_name(FLEET_SCHEMA if fleet else PLAN_SCHEMA)
    atomic_write(schema, schema_text("fleet" if fleet else "plan"))
    # last: whoever finds a plan finds what it refers to
    atomic_write(plan, text)
    for note in notes:
        tell(f"note: {note}")
    what = "the values other than names and positions" if given else "the values"
    typer.echo(
        f"wrote {plan}{f' and {beside}' if listed else ''}; {what} are invented: replace them by those of your site"
    )
    missing = terrain is None and not surveyed
    if missing:
        typer.echo(f"its ground is missing: linkcalc ground {plan} says which tiles hold it")
    then = "fleet" if fleet else "ground" if missing else "check"
    typer.echo(f"next: linkcalc {then} {shlex.quote(str(plan))}")


def _given_sites(start: str | None, to: str | None, sites: Path | None) -> "list[Site]":
    """The stations in the order of a starter plan: the one that all are linked with comes last."""
    from linkcalc.plan.sites import Site, parse_position, read_sites

    if sites is None:
        if start is None and to is None:
            return []
        if start is None or to is None:
            raise LinkcalcError("--from and --to go together: a link has two ends")
        ends = parse_position(start), parse_position(to)
        if ends[0] == ends[1]:
            raise LinkcalcError(f"--from and --to are the same position, {start}")
        return [Site("tank", *ends[0]), Site("shed", *ends[1])]
    if start is not None:
        raise LinkcalcError("give --from, or --sites, not both")
    found = read_sites(sites)
    if to is None:
        if len(found) != 2:
            raise LinkcalcError(
                f"{sites} holds {len(found)} sites: --to names the one that all are linked with"
            )
        return found
    names = [site.name for site in found]
    if to in names:
        hub = found.pop(names.index(to))
    else:
        try:
            hub = Site("shed" if "shed" not in names else "shed (--to)", *parse_position(to))
        except LinkcalcError:
            from difflib import get_close_matches

            near = get_close_matches(to, names, n=1, cutoff=0.0)
            raise LinkcalcError(
                f"--to {to!r} is neither a site of {sites} nor a position; did you mean {near[0]!r}?"
            ) from None
    if not found:
        raise LinkcalcError(f"{sites} holds no site besides {hub.name}")
    return [*found, hub]

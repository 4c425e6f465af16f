"""Commands around the plan file itself."""

import os
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from linkcalc.errors import LinkcalcError, TerrainError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from linkcalc.plan.sites import Site

_EXAMPLE_PATHS_M = (1000.0, 500.0, 250.0, 100.0, 50.0)
"""Lengths of an example's path: the longest for which the raster has room."""


def new(
    plan: Annotated[Path, typer.Argument(metavar="PLAN.toml", help="File to write.", show_default=False)],
    start: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="POSITION",
            help="Where the sensor's station stands: 32.60,-97.40 or 32°36'N 97°24'W or"
            " EPSG:32614 650000 3608000, in quotes.",
            show_default=False,
        ),
    ] = None,
    to: Annotated[
        str | None,
        typer.Option(
            "--to",
            metavar="POSITION",
            help="The other station; with --sites a site's name.",
            show_default=False,
        ),
    ] = None,
    sites: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="List of sites (GPX, KML, KMZ, GeoJSON, CSV): each is linked with the one that --to names.",
            show_default=False,
        ),
    ] = None,
    terrain: Annotated[
        str | None,
        typer.Option(
            metavar="RASTER",
            help="Elevation raster, or a folder of tiles. Without --from and --sites two positions on it are"
            " put in. By default: a small invented surveyed profile, PLAN_profile.csv, is written beside.",
            show_default=False,
        ),
    ] = None,
    region: Annotated[
        str | None,
        typer.Option(
            metavar="REGION",
            help="Region of the legal limits, such as eu or us: starts on a channel that is legal there.",
            show_default=False,
        ),
    ] = None,
    full: Annotated[
        bool, typer.Option("--full", help="Every key there is, not only the twenty that matter.")
    ] = False,
    fleet: Annotated[
        bool,
        typer.Option(
            "--fleet",
            help="A fleet file and its list of nodes instead: the sites are the nodes, --to their base station.",
        ),
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace files that exist.")] = False,
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
    import shlex

    from linkcalc.files import atomic_write, csv_text, refuse_to_overwrite
    from linkcalc.plan.starter import (
        FLEET_SCHEMA,
        PLAN_SCHEMA,
        starter_fleet,
        starter_plan,
        starter_profile,
    )
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
    keys, notes = ({}, []) if terrain is None else _ground_keys(plan, terrain, given)
    placed = given or ([] if surveyed else _example_sites(terrain or ""))
    if given and terrain is not None:
        _refuse_off_the_ground(given, keys, plan.parent)
    if fleet:
        text, rows = starter_fleet(
            plan.name, nodes=beside.name, sites=placed, terrain=keys, full=full, invented_sites=not given,
            region=region, units=current(),
        )  # fmt: skip
        listed: str | None = csv_text(rows)
    else:
        text = starter_plan(
            plan.name, full=full, profile_csv=beside.name if surveyed else None, terrain=keys, sites=placed,
            invented_sites=not given, region=region, units=current(),
        )  # fmt: skip
        listed = starter_profile() if surveyed else None
    if listed is not None:
        atomic_write(beside, listed)
    atomic_write(
        plan.with_name(FLEET_SCHEMA if fleet else PLAN_SCHEMA), _schema_text("fleet" if fleet else "plan")
    )
    atomic_write(plan, text)
    for note in notes:
        typer.echo(f"linkcalc: note: {note}", err=True)
    what = "the values other than names and positions" if given else "the values"
    typer.echo(
        f"wrote {plan}{f' and {beside}' if listed else ''}; {what} are invented: replace them by those of your site"
    )
    missing = terrain is None and not surveyed
    if missing:
        typer.echo(f"its ground is missing: linkcalc ground {plan} says which tiles hold it")
    typer.echo(
        f"next: linkcalc {'fleet' if fleet else 'ground' if missing else 'check'} {shlex.quote(str(plan))}"
    )


class _File(StrEnum):
    plan = "plan"
    fleet = "fleet"
    result = "result"


def schema(
    file: Annotated[
        _File, typer.Argument(metavar="[plan|fleet|result]", help="Whose schema.", show_default=False)
    ] = _File.plan,
) -> None:
    """Print the JSON Schema of the plan file, of the fleet file, or of what check --json prints.

    \b
    Example:
      linkcalc schema > linkcalc-plan.schema.json
      linkcalc schema fleet > linkcalc-fleet.schema.json
      linkcalc schema result > result.schema.json

    Editors that know TOML take it from a file's first line: #:schema ./linkcalc-plan.schema.json
    """
    typer.echo(_schema_text(file.value), nl=False)


def _schema_text(file: str) -> str:
    import json

    from linkcalc.plan import Plan
    from linkcalc.plan.fleet import Fleet
    from linkcalc.plan.keys import file_schema
    from linkcalc.views.jsonout import result_schema

    described = result_schema() if file == "result" else file_schema(Fleet if file == "fleet" else Plan)
    return json.dumps(described, indent=2) + "\n"


def _seen_from(plan: Path, raster: str) -> str:
    """Write a path as the plan file will state it: relative to its own folder."""
    if "://" in raster or raster.startswith("/vsi"):
        return raster
    try:
        return Path(os.path.relpath(raster, plan.parent)).as_posix()
    except ValueError:
        # another drive
        return Path(raster).resolve().as_posix()


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


def _ground_keys(plan: Path, terrain: str, given: "Sequence[Site]") -> tuple[dict[str, Any], list[str]]:
    """Keys of [terrain], and what to know about them."""
    from linkcalc.plan.ground_data import area_around, in_folder
    from linkcalc.terrain.sources import is_remote

    if given and Path(terrain).is_dir():
        spots = [(site.latitude_deg, site.longitude_deg) for site in given]
        found = in_folder(Path(terrain), area_around(spots), plan.parent)
        return found.terrain, found.notes
    keys: dict[str, Any] = {"rasters": [_seen_from(plan, terrain)]}
    # whoever names an address here means it to be read
    return (keys | {"network": True} if is_remote(terrain) else keys), []


def _refuse_off_the_ground(given: "Sequence[Site]", keys: dict[str, Any], base_dir: Path) -> None:
    from linkcalc.terrain.rasters import open_mosaic
    from linkcalc.terrain.station_ground import station_ground_m

    with open_mosaic(keys["rasters"], base_dir, network=keys.get("network", False)) as mosaic:
        for site in given:
            station_ground_m(site.name, site.latitude_deg, site.longitude_deg, mosaic)


def _example_sites(raster: str) -> "list[Site]":
    """Find two positions with heights between them near the middle of a raster, 1 km apart if they fit."""
    import numpy as np

    from linkcalc.plan.sites import Site
    from linkcalc.terrain.geodesy import points_along
    from linkcalc.terrain.rasters import open_mosaic
    from linkcalc.terrain.sources import is_remote

    with open_mosaic([raster], network=is_remote(raster)) as mosaic:
        south, west, north, east = mosaic.rasters[0].bounds()
        east += 360.0 if east < west else 0.0
        from_the_middle = sorted(np.ndindex(9, 9), key=lambda cell: (cell[0] - 4) ** 2 + (cell[1] - 4) ** 2)
        for length_m in _EXAMPLE_PATHS_M:
            for row, column in from_the_middle:
                latitude = south + (north - south) * (row + 1) / 10
                longitude = west + (east - west) * (column + 1) / 10
                eastward = np.linspace(0.0, length_m, 41)
                line = points_along(latitude, longitude, latitude, longitude + 0.01, eastward)
                if np.isfinite(mosaic.sample(*line)).all():
                    ends = [(round(float(line[0][i]), 6), round(float(line[1][i]), 6)) for i in (0, -1)]
                    return [Site("tank", *ends[0]), Site("shed", *ends[1])]
    raise TerrainError(f"{raster}: found no {_EXAMPLE_PATHS_M[-1]:.0f} m with heights for an example path")

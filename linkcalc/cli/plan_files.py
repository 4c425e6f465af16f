"""Commands around the plan file itself."""

import os
from pathlib import Path
from typing import Annotated

import typer

from linkcalc.errors import LinkcalcError, TerrainError

_EXAMPLE_PATH_M = 1000.0


def new(
    plan: Annotated[Path, typer.Argument(metavar="PLAN.toml", help="File to write.", show_default=False)],
    terrain: Annotated[
        str | None,
        typer.Option(
            metavar="RASTER",
            help="Elevation raster (a file or a URL). Two positions on it are put in for the stations."
            " Left out: a small invented surveyed profile, PLAN_profile.csv, is written beside the plan.",
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
    force: Annotated[bool, typer.Option("--force", help="Replace files that exist.")] = False,
) -> None:
    """Write a commented starter plan, ready to check.

    \b
    Example:
      linkcalc new site.toml
      linkcalc new site.toml --terrain heights.tif
      linkcalc new site.toml --region us
    """
    from linkcalc.files import atomic_write, refuse_to_overwrite
    from linkcalc.plan.starter import starter_plan, starter_profile
    from linkcalc.rules.table import REGIONS

    if region is not None and region not in REGIONS:
        raise LinkcalcError(f"--region {region}: not in the table of limits; known: {', '.join(REGIONS)}")
    if plan.is_dir():
        raise LinkcalcError(f"{plan}: is a folder; name the plan file to write in it")
    profile = plan.with_name(f"{plan.stem}_profile.csv")
    if not force:
        refuse_to_overwrite([plan, profile] if terrain is None else [plan], "; --force replaces it")
    if terrain is None:
        atomic_write(profile, starter_profile())
        atomic_write(plan, starter_plan(plan.name, profile_csv=profile.name, region=region))
        written = f"{plan} and {profile}"
    else:
        positions = _positions_on(terrain)
        rasters = [_seen_from(plan, terrain)]
        atomic_write(plan, starter_plan(plan.name, rasters=rasters, positions=positions, region=region))
        written = f"{plan}"
    typer.echo(f"wrote {written}; the values are invented: replace them by those of your site")


def schema(
    fleet: Annotated[bool, typer.Option("--fleet", help="Of the fleet file instead.")] = False,
) -> None:
    """Print the JSON Schema of the plan file, or of the fleet file.

    \b
    Example:
      linkcalc schema > plan.schema.json
      linkcalc schema --fleet > fleet.schema.json
    """
    import json

    from linkcalc.plan import Plan
    from linkcalc.plan.fleet import Fleet

    file = Fleet if fleet else Plan
    described = {"$schema": "https://json-schema.org/draft/2020-12/schema", **file.model_json_schema()}
    typer.echo(json.dumps(described, indent=2))


def _seen_from(plan: Path, raster: str) -> str:
    """Write a path as the plan file will state it: relative to its own folder."""
    if "://" in raster or raster.startswith("/vsi"):
        return raster
    try:
        return Path(os.path.relpath(raster, plan.parent)).as_posix()
    except ValueError:
        # another drive
        return Path(raster).resolve().as_posix()


def _positions_on(raster: str) -> list[tuple[float, float]]:
    """Find two positions (latitude, longitude) with heights between them, near the middle of a raster."""
    import numpy as np

    from linkcalc.terrain.geodesy import points_along
    from linkcalc.terrain.rasters import open_mosaic

    with open_mosaic([raster]) as mosaic:
        south, west, north, east = mosaic.rasters[0].bounds()
        east += 360.0 if east < west else 0.0
        from_the_middle = sorted(np.ndindex(9, 9), key=lambda cell: (cell[0] - 4) ** 2 + (cell[1] - 4) ** 2)
        for row, column in from_the_middle:
            latitude = south + (north - south) * (row + 1) / 10
            longitude = west + (east - west) * (column + 1) / 10
            eastward = np.linspace(0.0, _EXAMPLE_PATH_M, 41)
            line = points_along(latitude, longitude, latitude, longitude + 0.01, eastward)
            if np.isfinite(mosaic.sample(*line)).all():
                return [(round(float(line[0][i]), 6), round(float(line[1][i]), 6)) for i in (0, -1)]
    raise TerrainError(f"{raster}: found no {_EXAMPLE_PATH_M:.0f} m with heights for an example path")

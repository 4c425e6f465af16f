"""Commands around the plan file itself."""

import os
from pathlib import Path
from typing import Annotated

import typer

from linkcalc.errors import LinkcalcError


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
    force: Annotated[bool, typer.Option("--force", help="Replace files that exist.")] = False,
) -> None:
    """Write a commented starter plan, ready to check.

    \b
    Example:
      linkcalc new site.toml
      linkcalc new site.toml --terrain heights.tif
    """
    from linkcalc.files import atomic_write, refuse_to_overwrite
    from linkcalc.plan.starter import starter_plan, starter_positions, starter_profile

    if plan.is_dir():
        raise LinkcalcError(f"{plan}: is a folder; name the plan file to write in it")
    profile = plan.with_name(f"{plan.stem}_profile.csv")
    if not force:
        refuse_to_overwrite([plan, profile] if terrain is None else [plan], "; --force replaces it")
    if terrain is None:
        atomic_write(profile, starter_profile())
        atomic_write(plan, starter_plan(plan.name, profile_csv=profile.name))
        written = f"{plan} and {profile}"
    else:
        positions = starter_positions(terrain)
        atomic_write(plan, starter_plan(plan.name, rasters=[_seen_from(plan, terrain)], positions=positions))
        written = f"{plan}"
    typer.echo(f"wrote {written}; the values are invented: replace them by those of your site")


def schema() -> None:
    """Print the JSON Schema of the plan file.

    \b
    Example:
      linkcalc schema > plan.schema.json
    """
    import json

    from linkcalc.plan import Plan

    described = {"$schema": "https://json-schema.org/draft/2020-12/schema", **Plan.model_json_schema()}
    typer.echo(json.dumps(described, indent=2, ensure_ascii=False))


def _seen_from(plan: Path, raster: str) -> str:
    """Write a path as the plan file will state it: relative to its own folder."""
    if "://" in raster or raster.startswith("/vsi"):
        return raster
    try:
        return Path(os.path.relpath(raster, plan.parent)).as_posix()
    except ValueError:
        # another drive
        return Path(raster).resolve().as_posix()

"""The invented samples, to begin with."""

from pathlib import Path

import typer

from linkcalc.cli._options import REPLACE, argument


def samples(
    folder: Path = argument("DIR", "Folder to write to; made if missing."),
    force: bool = REPLACE,
) -> None:
    """Copy the invented sample plans, with their rasters and readings, into a folder.

    An upland with a spur between tank and shed, an irrigated plain with low antennas close over level ground, and
    a wooded slope with a surface model; and sixty tanks on the upland, a fleet. No such land exists.

    \b
    Example:
      linkcalc samples demo
      linkcalc check demo/upland.toml --out result
      linkcalc fleet demo/upland_fleet.toml
    """
    from linkcalc.files import copy_samples, sample_names, sample_path

    written = copy_samples(folder, replace=force)
    plans = ", ".join(f"{name}.toml" for name in sample_names())
    fleet = sample_path("upland_fleet").name
    typer.echo(
        f"wrote {len(written)} files to {folder}; check one of the plans: {plans}; or the fleet: {fleet}"
    )

"""Coverage around a station: what the link would be at every cell of the land."""

from pathlib import Path

from linkcalc.cli._options import PLAN, defaults_of, flag, option
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._shell import load_plan
from linkcalc.cli._work import Bar, Work, chosen_scheduler
from linkcalc.commands import land

PREVIEW_CELLS = 3.0
"""How much wider the cells of a preview are."""


USUAL = defaults_of(land.coverage)


def coverage(
    plan: Path = PLAN,
    station: list[str] = option(
        "NAME",
        "Station that stays where it is; given more than once, each cell holds the best of them.",
        default=...,
    ),
    radius_km: float = option("KM", "How far around it to look.", default=USUAL.radius_m / 1e3),
    link: list[str] | None = option(
        "NAME", "Link whose other end goes into the cells, one per station; default: the station's first."
    ),
    out: Path | None = option(
        "DIR",
        "Folder for coverage.tif, .geojson, .svg, .png and report.txt; finished tiles are kept there"
        " until the end.",
    ),
    cell_m: float = option("M", "Width of a cell, m.", default=USUAL.cell_m),
    preview: bool = flag("--preview", "Quick look with cells three times as wide."),
    *,
    work: Work,
) -> None:
    """Say where around a station the other end of a link could stand.

    Each cell has its own full terrain profile and the model of a single check.

    \b
    Example:
      linkcalc coverage site.toml --station "pump shed" --radius-km 5 --out result
      linkcalc coverage site.toml --station "pump shed" --station "east shed" --out result
      linkcalc coverage site.toml --station "pump shed" --preview --out look
      linkcalc coverage site.toml --station "pump shed" --out result --scheduler tcp://10.0.0.5:8786

    An interrupted run with --out is taken up where it stopped by the same command. Exit code: 0 whatever the
    answer, 2 bad input.
    """

    from linkcalc.area.coverage import plan_coverage
    from linkcalc.area.tiles import Run
    from linkcalc.views.coverage.text import coverage_report

    loaded = load_plan(plan)
    bar = Bar("coverage", asked=work.progress)
    with chosen_scheduler(work.scheduler) as workers, bar.ended():
        result = plan_coverage(
            loaded,
            station,
            radius_km * 1e3,
            link=link,
            cell_m=PREVIEW_CELLS * cell_m if preview else cell_m,
            preview=preview,
            run=Run(workers, out, bar, bar.say),
        )
    show_answer(coverage_report, result)
    if out is not None:
        from linkcalc.area.gridded import geotiff
        from linkcalc.views.maps.figures import write_map

        contents: dict[str, str | bytes] = {
            "coverage.tif": geotiff("coverage.tif", result.raster()),
            "coverage.geojson": result.to_geojson(),
            "report.txt": coverage_report(result),
        }
        write_files(out, contents, write_map(result, out))
        # only now: until the answer is on disk, the tiles are what an interrupted run is taken up from
        for store in result.tiles:
            store.remove()

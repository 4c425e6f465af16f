"""The main job: a plan in, a verdict with its budget and pictures out."""

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from linkcalc.cli._options import FORCE, PLAN, flag, option
from linkcalc.cli._output import show_answer, write_files
from linkcalc.cli._shell import EXIT_CODES, chosen_link, load_plan
from linkcalc.errors import LinkcalcError

if TYPE_CHECKING:
    from linkcalc.link.result import Result
    from linkcalc.plan import LoadedPlan


def check(
    plan: Path = PLAN,
    out: Path | None = option(
        "DIR",
        "Folder for pictures (SVG, PNG), report.txt, result.json and a map of the links (also GeoJSON, KML).",
    ),
    json: bool = flag("--json", "Print the whole result as JSON."),
    full: bool = flag("--full", "Budget, models, uncertainty, every remedy, all that was assumed."),
    write: Path | None = option(
        "IMPROVED.toml",
        "Write the plan with what makes it close, beside it: the cheapest remedy of every link that does"
        " not close.",
    ),
    remedy: int = option("N", "With --write: which of the remedies.", default=1, min=1),
    link: str | None = option("NAME", "With --write: which link to change."),
    force: bool = FORCE,
) -> None:
    """Say whether each link of a plan closes, what limits it, and what would make it close.

    \b
    Example:
      linkcalc check site.toml
      linkcalc check site.toml --out result
      linkcalc check site.toml --json > result.json
      linkcalc check site.toml --set tank.antenna_height_m=8
      linkcalc check site.toml --write improved.toml

    Exit code: 0 closes, 3 at risk, 4 does not close, 2 bad input.
    """
    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.sections import with_sections
    from linkcalc.views.check.text import report
    from linkcalc.views.jsonout import to_json

    loaded = load_plan(plan)
    if write is not None:
        _refuse_improved(loaded, write, force)
    brief = not json and out is None
    result = check_plan(loaded, brief=brief and not full)
    result = with_sections(result, loaded.plan, brief=brief)
    show_answer(report, result, full=full, as_json=to_json(result) if json else None)
    if out is not None:
        _write_files(loaded, result, out)
    if write is not None:
        _write_improved(loaded, result, write, link, remedy)
    raise typer.Exit(max(EXIT_CODES[link.verdict] for link in result.links))


def _write_files(loaded: "LoadedPlan", result: "Result", out: Path) -> None:
    """Write pictures, report and result, and a map of the links where stations have positions."""
    import numpy as np

    from linkcalc.area.relief import relief_around
    from linkcalc.link.on_ground import open_terrain
    from linkcalc.plan.stations import position_deg
    from linkcalc.views.check.figures import write_all
    from linkcalc.views.check.text import report
    from linkcalc.views.jsonout import to_json
    from linkcalc.views.maps.files import links_geojson, links_kml
    from linkcalc.views.maps.links import links_figure
    from linkcalc.views.style import save

    pictures = [*write_all(result, out)]
    contents = {"report.txt": report(result), "result.json": to_json(result)}
    placed = {s.name: position_deg(s) for s in loaded.plan.station if s.positioned}
    if placed:
        contents |= {"links.geojson": links_geojson(result, placed), "links.kml": links_kml(result, placed)}
        with open_terrain(loaded) as terrain:
            relief = relief_around(terrain.ground, np.array(list(placed.values())))
        pictures += save(links_figure(result, placed, relief), out / "links", "The plan's links")
    write_files(out, contents, pictures)


def _refuse_improved(loaded: "LoadedPlan", file: Path, force: bool) -> None:
    """Say before the work why an improved plan could not be written."""
    from linkcalc.link.improved_plan import may_overwrite
    from linkcalc.link.relayed_plan import refuse_other_folder

    refuse_other_folder(loaded, file)
    if file.resolve() == loaded.path.resolve():
        raise LinkcalcError(f"{file}: is the plan itself; name another file")
    if not force and not may_overwrite(file):
        raise LinkcalcError(f"{file}: exists already and was not written by linkcalc; --force replaces it")


def _write_improved(
    loaded: "LoadedPlan", result: "Result", file: Path, link: str | None, number: int
) -> None:
    """Write the improved plan and say what it does."""
    from linkcalc.files import atomic_write
    from linkcalc.link.improved_plan import improved_plan
    from linkcalc.views.check.remedies import changes_words, cost_words
    from linkcalc.views.words import VERDICT_WORDS

    if link is not None:
        link = chosen_link(loaded, link).name
    improved = improved_plan(loaded, result, link=link, number=number)
    if improved is None:
        typer.echo(f"every link closes: {file} is not written", err=True)
        return
    atomic_write(file, improved.text)
    typer.echo(f"wrote {file}:", err=True)
    for name, remedy in improved.remedies:
        typer.echo(f"  {name}: {cost_words(remedy)}: {changes_words(remedy)}", err=True)
    for after in improved.result.links:
        typer.echo(f"  checked again: {after.name} {VERDICT_WORDS[after.verdict].lower()}", err=True)

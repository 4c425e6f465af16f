"""Coverage around a station: what the link would be at every cell of the land."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from linkcalc.cli._scheduler import SchedulerOption, chosen_scheduler
from linkcalc.cli._shell import PlanArgument, load_plan, screen

PREVIEW_CELLS = 3.0
"""How much wider the cells of a preview are."""

if TYPE_CHECKING:
    from linkcalc.area.tiles import Progress


def coverage(
    plan: PlanArgument,
    station: Annotated[
        list[str],
        typer.Option(
            metavar="NAME",
            help="Station that stays where it is; given more than once, each cell holds the best of them.",
            show_default=False,
        ),
    ],
    radius_km: Annotated[float, typer.Option(metavar="KM", help="How far around it to look.")] = 10.0,
    link: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help="Link whose other end goes into the cells, one per station; default: the station's first.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Folder for coverage.tif, .geojson, .svg, .png and report.txt; finished tiles are kept there"
            " until the end.",
            show_default=False,
        ),
    ] = None,
    cell_m: Annotated[float, typer.Option(metavar="M", help="Width of a cell, m.")] = 30.0,
    preview: Annotated[
        bool, typer.Option("--preview", help="Quick look with cells three times as wide.")
    ] = False,
    scheduler: SchedulerOption = None,
    progress: Annotated[
        bool, typer.Option("--progress", help="Show progress even where stderr is not a terminal.")
    ] = False,
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
    from linkcalc.views.coverage_text import coverage_report

    loaded = load_plan(plan)
    if out is not None:
        make_folder(out)
    bar = Bar(shown=progress or sys.stderr.isatty(), terminal=sys.stderr.isatty())
    with chosen_scheduler(scheduler) as workers, bar.ended():
        result = plan_coverage(
            loaded,
            station,
            radius_km * 1e3,
            link=link,
            cell_m=PREVIEW_CELLS * cell_m if preview else cell_m,
            preview=preview,
            tiles_in=out,
            scheduler=workers,
            progress=bar,
            say=bar.say,
        )
    typer.echo(coverage_report(result, **screen()), nl=False)
    if out is not None:
        from linkcalc.area.geofiles import closing_area, geotiff
        from linkcalc.files import atomic_write
        from linkcalc.views.map_figures import write_map

        written = []
        for name, content in (
            ("coverage.tif", geotiff(result)),
            ("coverage.geojson", closing_area(result) + "\n"),
            ("report.txt", coverage_report(result)),
        ):
            atomic_write(out / name, content)
            written.append(out / name)
        written += write_map(result, out)
        for store in result.tiles:
            store.remove()
        typer.echo(f"wrote {len(written)} files to {out}", err=True)


def say_line(line: str) -> None:
    typer.echo(f"linkcalc: {line}", err=True)


def make_folder(folder: Path) -> None:
    from linkcalc.errors import LinkcalcError

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LinkcalcError(f"{folder}: cannot be made: {error.strerror or error}") from None


class Bar:
    """Share done and time left: one line rewritten on a terminal, else a line now and then."""

    _WIDTH = 24

    def __init__(self, *, shown: bool, terminal: bool, name: str = "coverage") -> None:
        self._name = name
        self._shown, self._terminal = shown, terminal
        self._next = 0.0
        self._open = False

    def __call__(self, at: "Progress") -> None:
        now = time.monotonic()
        if not self._shown or (now < self._next and at.share < 1.0):
            return
        self._next = now + (0.2 if self._terminal else 5.0)
        left = at.seconds_left
        words = f"{at.share:4.0%}" + ("" if left is None else f", {_time_words(left)} left")
        if self._terminal:
            full = round(self._WIDTH * at.share)
            sys.stderr.write(f"\r[{'#' * full}{'.' * (self._WIDTH - full)}] {words}   ")
            self._open = True
        else:
            sys.stderr.write(f"{self._name}: {words.strip()}\n")
        sys.stderr.flush()

    def say(self, line: str) -> None:
        """Write a line of its own."""
        self.end()
        say_line(line)

    @contextmanager
    def ended(self) -> Iterator[None]:
        """Leave the terminal's line whatever happens."""
        try:
            yield
        finally:
            self.end()

    def end(self) -> None:
        """Leave the terminal's line."""
        if self._open:
            sys.stderr.write("\n")
            self._open = False


def _time_words(seconds: float) -> str:
    """Write a time to wait.

    >>> _time_words(8.2), _time_words(75.0), _time_words(4000.0)
    ('9 s', '1 min 15 s', '1 h 6 min')
    """
    whole = int(seconds) + 1 if seconds % 1 else int(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"

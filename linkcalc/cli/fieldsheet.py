"""The field sheet: one page for the phone of whoever stands on site."""

import sys
from pathlib import Path

import typer

from linkcalc.cli._options import LINK, PLAN, option
from linkcalc.cli._shell import chosen_link, load_plan


def fieldsheet(
    plan: Path = PLAN,
    output: Path = option("FILE.html", "Page to write.", "--output", "-o", default=Path("fieldsheet.html")),
    link: str | None = LINK,
    max_m: float | None = option(
        "M",
        "Highest antenna that can be entered, m. [default: 20, or half as high again as planned]",
        min=2.0,
        max=200.0,
    ),
    step_m: float | None = option(
        "M", "Step of the heights that are worked out, m; default: the finest that fits.", min=0.1, max=20.0
    ),
) -> None:
    """Write a page that answers on site: heights, antennas and readings in, verdict out, without network.

    The page needs nothing but a browser. It keeps what is typed and saves readings for linkcalc survey.

    \b
    Example:
      linkcalc fieldsheet site.toml -o sheet.html
      linkcalc fieldsheet site.toml -o sheet.html --max-m 30

    Exit code: 0 whatever the verdict, 2 bad input.
    """
    from linkcalc.errors import DomainError, LinkcalcError
    from linkcalc.files import atomic_write
    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.site.fieldsheet import field_sheet
    from linkcalc.views.fieldsheet import field_sheet_html

    loaded = load_plan(plan)
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, chosen_link(loaded, link), terrain)
    try:
        sheet = field_sheet(loaded, case, highest_m=max_m, step_m=step_m, progress=_tell)
    except DomainError as error:
        words = str(error).replace("highest_m", "--max-m").replace("step_m", "--step-m")
        raise LinkcalcError(words) from None
    page = field_sheet_html(sheet).encode()
    atomic_write(output, page)
    typer.echo(f"wrote {output} ({len(page) / 1e6:.2f} MB)", err=True)


def _tell(done: int, of: int) -> None:
    """How far the tables are, where somebody watches."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\rheights worked out: {done} of {of}{chr(10) if done == of else ''}")
        sys.stderr.flush()

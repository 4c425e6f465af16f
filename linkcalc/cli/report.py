"""The record of a link, for the customer's file."""

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from linkcalc.cli._shell import PlanArgument, load_plan
from linkcalc.cli.survey import Leaf, chosen_link, tell_refused
from linkcalc.errors import LinkcalcError

if TYPE_CHECKING:
    from linkcalc.site.measured import Leaf as LeafName

_PAPERS = ("a4", "letter")


def report(
    plan: PlanArgument,
    readings: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="READINGS...",
            help="Readings, one file or several: CSV, or JSON of the field sheet.",
            show_default=False,
        ),
    ] = None,
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="FILE.html", help="Page to write.")
    ] = Path("record.html"),
    pdf: Annotated[
        Path | None, typer.Option(metavar="FILE.pdf", help="Also write it as a PDF.", show_default=False)
    ] = None,
    link: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Link, where the plan has several.", show_default=False),
    ] = None,
    date: Annotated[
        str | None,
        typer.Option(
            metavar="YYYY-MM-DD", help="Date of the record; default: a blank to fill in.", show_default=False
        ),
    ] = None,
    leaf: Annotated[
        Leaf | None,
        typer.Option(help="Trees on the day of the readings, where rows do not say.", show_default=False),
    ] = None,
    wet: Annotated[
        bool | None,
        typer.Option("--wet/--dry", help="Leaves on the day, where rows do not say.", show_default=False),
    ] = None,
    success: Annotated[
        float | None,
        typer.Option(
            metavar="SHARE",
            help="Share of packets the acceptance test proves (0 to 1)."
            " [default: the plan's, where a message has one try; else 0.95]",
            show_default=False,
        ),
    ] = None,
    confidence: Annotated[
        float, typer.Option(metavar="SHARE", help="How sure the proof is (0 to 1).")
    ] = 0.95,
    customer: Annotated[str, typer.Option(metavar="NAME", help="Customer.", show_default=False)] = "",
    site: Annotated[str, typer.Option(metavar="NAME", help="Site.", show_default=False)] = "",
    job: Annotated[str, typer.Option(metavar="NUMBER", help="Job or order.", show_default=False)] = "",
    installer: Annotated[str, typer.Option(metavar="NAME", help="Installer.", show_default=False)] = "",
    firm: Annotated[str, typer.Option(metavar="NAME", help="The installer's firm.", show_default=False)] = "",
    photo: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="A photo from the site, JPEG or PNG; several times for several.",
            show_default=False,
        ),
    ] = None,
    signed_by_lines: Annotated[
        int, typer.Option(min=0, max=12, metavar="N", help="Lines for signatures.")
    ] = 2,
    paper: Annotated[str, typer.Option(metavar="SIZE", help="Paper of the PDF: a4 or letter.")] = "a4",
) -> None:
    """Write the record of a link: answer, sites, map, budget, limits, readings, settings, signatures.

    The same files and options give the same record, byte by byte. A PDF needs the extra linkcalc[pdf].

    \b
    Example:
      linkcalc report site.toml -o record.html
      linkcalc report site.toml readings.csv -o record.html --pdf record.pdf --date 2031-05-02

    Exit code: 0 whatever the verdict, 2 bad input.
    """
    from linkcalc.files import atomic_write
    from linkcalc.site.readings import link_named_in, read_all
    from linkcalc.site.record import Job, Taken, make_record
    from linkcalc.views.record import record_html, record_pdf

    if paper not in _PAPERS:
        raise LinkcalcError(f"--paper {paper}: write a4 or letter")
    loaded = load_plan(plan)
    files = readings or []
    named = (name for name in map(link_named_in, files) if name is not None)
    chosen = chosen_link(loaded, link or next(named, None))
    taken = None
    if files:
        read = read_all(files, (chosen.from_, chosen.to))
        taken = Taken(read, files, cast("LeafName | None", leaf and leaf.value), wet)
    record = make_record(
        loaded,
        chosen,
        taken=taken,
        day=_day(date),
        success=success,
        confidence=confidence,
        photos=photo or (),
        job=Job(*(" ".join(text.split())[:120] for text in (customer, site, job, installer, firm))),
    )
    if record.survey is not None:
        tell_refused(files, record.survey.refused)
    page = record_html(record, signed_by_lines)
    atomic_write(output, page)
    typer.echo(f"wrote {output}", err=True)
    if pdf is not None:  # the page is there whatever the PDF lacks
        atomic_write(pdf, record_pdf(page, "letter" if paper == "letter" else "a4"))
        typer.echo(f"wrote {pdf}", err=True)


def _day(text: str | None) -> datetime.date | None:
    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise LinkcalcError(f"--date {text}: write it like 2031-05-02") from None

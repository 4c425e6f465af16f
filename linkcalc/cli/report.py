"""The record of a link, for the customer's file."""

import datetime
from pathlib import Path
from typing import Annotated

import typer

from linkcalc.cli._options import LinkOption, PlanArgument, option
from linkcalc.cli._output import write_file
from linkcalc.cli._readings import READINGS, Leaf, WetOption, leaf_name, read_files, tell_refused
from linkcalc.cli._shell import load_plan
from linkcalc.errors import LinkcalcError

_PAPERS = ("a4", "letter")

Page = Annotated[Path, typer.Option("--output", "-o", metavar="FILE.html", help="Page to write.")]
Pdf = Annotated[Path | None, option("FILE.pdf", "Also write it as a PDF.")]
Day = Annotated[str | None, option("YYYY-MM-DD", "Date of the record; default: a blank to fill in.")]
LeafOption = Annotated[
    Leaf | None,
    typer.Option(help="Trees on the day of the readings, where rows do not say.", show_default=False),
]
Success = Annotated[
    float | None,
    option(
        "SHARE",
        "Share of packets the acceptance test proves (0 to 1)."
        " [default: the plan's, where a message has one try; else 0.95]",
    ),
]
Confidence = Annotated[float, typer.Option(metavar="SHARE", help="How sure the proof is (0 to 1).")]
Customer = Annotated[str, option("NAME", "Customer.")]
Site = Annotated[str, option("NAME", "Site.")]
JobNumber = Annotated[str, option("NUMBER", "Job or order.")]
Installer = Annotated[str, option("NAME", "Installer.")]
Firm = Annotated[str, option("NAME", "The installer's firm.")]
Photos = Annotated[
    list[Path] | None, option("FILE", "A photo from the site, JPEG or PNG; several times for several.")
]
Lines = Annotated[int, typer.Option(min=0, max=12, metavar="N", help="Lines for signatures.")]
Paper = Annotated[str, typer.Option(metavar="SIZE", help="Paper of the PDF: a4 or letter.")]


def report(
    plan: PlanArgument,
    readings: Annotated[list[Path] | None, READINGS] = None,
    output: Page = Path("record.html"),
    pdf: Pdf = None,
    link: LinkOption = None,
    date: Day = None,
    leaf: LeafOption = None,
    wet: WetOption = None,
    success: Success = None,
    confidence: Confidence = 0.95,
    customer: Customer = "",
    site: Site = "",
    job: JobNumber = "",
    installer: Installer = "",
    firm: Firm = "",
    photo: Photos = None,
    signed_by_lines: Lines = 2,
    paper: Paper = "a4",
) -> None:
    """Write the record of a link: answer, sites, map, budget, limits, readings, settings, signatures.

    The same files and options give the same record, byte by byte. A PDF needs the extra linkcalc[pdf].

    \b
    Example:
      linkcalc report site.toml -o record.html
      linkcalc report site.toml readings.csv -o record.html --pdf record.pdf --date 2031-05-02

    Exit code: 0 whatever the verdict, 2 bad input.
    """
    from linkcalc.site.record import Job, Taken, make_record
    from linkcalc.views.record import record_html, record_pdf

    if paper not in _PAPERS:
        raise LinkcalcError(f"--paper {paper}: write a4 or letter")
    loaded = load_plan(plan)
    files = readings or []
    chosen, found = read_files(loaded, link, files)
    record = make_record(
        loaded,
        chosen,
        taken=None if found is None else Taken(found, files, leaf_name(leaf), wet),
        day=_day(date),
        success=success,
        confidence=confidence,
        photos=photo or (),
        job=Job(*(" ".join(text.split())[:120] for text in (customer, site, job, installer, firm))),
    )
    if record.survey is not None:
        tell_refused(files, record.survey.refused)
    page = record_html(record, signed_by_lines)
    write_file(output, page)
    if pdf is not None:  # the page is there whatever the PDF lacks
        write_file(pdf, record_pdf(page, "letter" if paper == "letter" else "a4"))


def _day(text: str | None) -> datetime.date | None:
    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise LinkcalcError(f"--date {text}: write it like 2031-05-02") from None

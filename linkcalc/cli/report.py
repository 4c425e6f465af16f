"""The record of a link, for the customer's file."""

import datetime
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from linkcalc.cli._options import LinkOption, PlanArgument, option
from linkcalc.cli._output import write_file
from linkcalc.cli._readings import (
    READINGS,
    ConfidenceOption,
    Leaf,
    WetOption,
    leaf_name,
    named_link,
    tell_refused,
)
from linkcalc.cli._shell import load_plan
from linkcalc.errors import LinkcalcError

_PAPERS = ("a4", "letter")


@dataclass(frozen=True)
class Day:
    """Of the record, and of readings that do not say."""

    date: Annotated[str | None, option("YYYY-MM-DD", "Date of the record; default: a blank to fill in.")] = (
        None
    )
    leaf: Annotated[
        Leaf | None,
        typer.Option(help="Trees on the day of the readings, where rows do not say.", show_default=False),
    ] = None
    wet: WetOption = None


@dataclass(frozen=True)
class Proof:
    """What the acceptance test proves."""

    success: Annotated[
        float | None,
        option(
            "SHARE",
            "Share of packets the acceptance test proves (0 to 1)."
            " [default: the plan's, where a message has one try; else 0.95]",
        ),
    ] = None
    confidence: ConfidenceOption = 0.95


@dataclass(frozen=True)
class JobOptions:
    """Whom and what the record is for, named as in `site.record.Job`."""

    customer: Annotated[str, option("NAME", "Customer.")] = ""
    site: Annotated[str, option("NAME", "Site.")] = ""
    number: Annotated[str, option("NUMBER", "Job or order.", "--job")] = ""
    installer: Annotated[str, option("NAME", "Installer.")] = ""
    firm: Annotated[str, option("NAME", "The installer's firm.")] = ""


def report(
    plan: PlanArgument,
    readings: Annotated[list[Path] | None, READINGS] = None,
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="FILE.html", help="Page to write.")
    ] = Path("record.html"),
    pdf: Annotated[Path | None, option("FILE.pdf", "Also write it as a PDF.")] = None,
    link: LinkOption = None,
    *,
    day: Day,
    proof: Proof,
    job: JobOptions,
    photo: Annotated[
        list[Path] | None, option("FILE", "A photo from the site, JPEG or PNG; several times for several.")
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
    from linkcalc.commands import record as record_of
    from linkcalc.views.record import record_html, record_pdf

    if paper not in _PAPERS:
        raise LinkcalcError(f"--paper {paper}: write a4 or letter")
    loaded = load_plan(plan)
    files = readings or []
    job_words: Any = {name: " ".join(text.split())[:120] for name, text in asdict(job).items()}
    record = record_of(
        loaded,
        files or None,
        link=named_link(loaded, link, files),
        leaf=leaf_name(day.leaf),
        wet_foliage=day.wet,
        day=_date(day.date),
        **asdict(proof),
        photos=photo or (),
        **job_words,
    )
    if record.survey is not None:
        tell_refused(files, record.survey.refused)
    page = record_html(record, signed_by_lines)
    write_file(output, page)
    if pdf is not None:  # the page is there whatever the PDF lacks
        write_file(pdf, record_pdf(page, "letter" if paper == "letter" else "a4"))


def _date(text: str | None) -> datetime.date | None:
    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise LinkcalcError(f"--date {text}: write it like 2031-05-02") from None

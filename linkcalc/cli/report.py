"""The record of a link, for the customer's file."""

import datetime
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from linkcalc.cli._options import LINK, PLAN, option
from linkcalc.cli._output import write_file
from linkcalc.cli._readings import CONFIDENCE, READINGS_OR_NONE, WET, named_link, tell_refused
from linkcalc.cli._shell import load_plan
from linkcalc.errors import LinkcalcError
from linkcalc.site.reading import Leaf

_PAPERS = ("a4", "letter")


@dataclass(frozen=True)
class Day:
    """Of the record, and of readings that do not say."""

    date: str | None = option("YYYY-MM-DD", "Date of the record; default: a blank to fill in.")
    leaf: Leaf | None = option(None, "Trees on the day of the readings, where rows do not say.")
    wet: bool | None = WET


@dataclass(frozen=True)
class Proof:
    """What the acceptance test proves."""

    success: float | None = option(
        "SHARE",
        "Share of packets the acceptance test proves (0 to 1)."
        " [default: the plan's, where a message has one try; else 0.95]",
    )
    confidence: float = CONFIDENCE


@dataclass(frozen=True)
class JobOptions:
    """Whom and what the record is for, named as in `site.record.Job`."""

    customer: str = option("NAME", "Customer.", default="")
    site: str = option("NAME", "Site.", default="")
    number: str = option("NUMBER", "Job or order.", "--job", default="")
    installer: str = option("NAME", "Installer.", default="")
    firm: str = option("NAME", "The installer's firm.", default="")


@dataclass(frozen=True)
class Layout:
    """Of the page, and of the PDF."""

    signed_by_lines: int = option("N", "Lines for signatures.", default=2, min=0, max=12)
    paper: str = option("SIZE", "Paper of the PDF: a4 or letter.", default="a4")


def report(
    plan: Path = PLAN,
    readings: list[Path] | None = READINGS_OR_NONE,
    output: Path = option("FILE.html", "Page to write.", "--output", "-o", default=Path("record.html")),
    pdf: Path | None = option("FILE.pdf", "Also write it as a PDF."),
    link: str | None = LINK,
    *,
    day: Day,
    proof: Proof,
    job: JobOptions,
    photo: list[Path] | None = option(
        "FILE", "A photo from the site, JPEG or PNG; several times for several."
    ),
    layout: Layout,
) -> None:
    """Write the record of a link: answer, sites, map, budget, limits, readings, settings, signatures.

    The same files and options give the same record, byte by byte. A PDF needs the extra linkcalc[pdf].

    \b
    Example:
      linkcalc report site.toml -o record.html
      linkcalc report site.toml readings.csv -o record.html --pdf record.pdf --date 2031-05-02

    Exit code: 0 whatever the verdict, 2 bad input.
    """
    from linkcalc.commands.on_site import record as record_of
    from linkcalc.views.record import record_html, record_pdf

    if layout.paper not in _PAPERS:
        raise LinkcalcError(f"--paper {layout.paper}: write a4 or letter")
    loaded = load_plan(plan)
    files = readings or []
    job_words: Any = {name: " ".join(text.split())[:120] for name, text in asdict(job).items()}
    record = record_of(
        loaded,
        files or None,
        link=named_link(loaded, link, files),
        leaf=day.leaf,
        wet_foliage=day.wet,
        day=_date(day.date),
        **asdict(proof),
        photos=photo or (),
        **job_words,
    )
    if record.survey is not None:
        tell_refused(files, record.survey.refused)
    page = record_html(record, layout.signed_by_lines)
    write_file(output, page)
    if pdf is not None:  # the page is there whatever the PDF lacks
        write_file(pdf, record_pdf(page, "letter" if layout.paper == "letter" else "a4"))


def _date(text: str | None) -> datetime.date | None:
    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise LinkcalcError(f"--date {text}: write it like 2031-05-02") from None

"""The terminal report: the answer first, then how it comes about; and numbers in words."""

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal
from typing import Any, Literal, TextIO

from linkcalc.link.result import (
    MODEL_NAMES,
    Advice,
    Assumption,
    Contributor,
    Direction,
    LinkResult,
    PathFacts,
    Result,
    Term,
)
from linkcalc.link.wording import TERMS
from linkcalc.plan.assumptions import still_the_starters
from linkcalc.views import units

VERDICT_WORDS = {"closes": "CLOSES", "at_risk": "AT RISK", "does_not_close": "DOES NOT CLOSE"}
EFFORT_WORDS = {1: "a setting", 2: "a part", 3: "a climb", 4: "a mast or more", 5: "another site"}
KIND_WORDS = {
    "site": "fixed, unknown until measured",
    "conditions": "changes over the year",
    "fast": "changes from message to message",
}

_BOLD, _RESET = "\x1b[1m", "\x1b[0m"
_VERDICT_COLOUR = {"closes": "\x1b[1;34m", "at_risk": "\x1b[1;33m", "does_not_close": "\x1b[1;31m"}

_NARROWEST = 60
_NARROWEST_NAME = 8
"""Columns that the first cell of a row has at least."""
NO_BREAK = "\u00a0"
TOGETHER = re.compile(r"\bk = \d|\d (?:dBm|dBi|dBd|dB|km|m|ft|mi|in|gal|gpm|MHz|kHz|Hz|ms|s|bytes|W|%)(?!\w)")
"""Figure and unit, which no line break parts."""
_PLAIN = str.maketrans(
    {
        "→": "->",
        "−": "-",
        "–": "-",
        "—": "-",
        "·": "-",
        "×": "x",
        "…": "...",
        "°": " deg",
        "±": "+-",
        "≥": ">=",
        "≤": "<=",
        "λ": "lambda",
        "σ": "sigma",
        "µ": "u",
        "μ": "u",
        "“": '"',
        "”": '"',
        "‘": "'",
        "’": "'",
        "ß": "ss",
    }
)


def distance_words(distance_m: float) -> str:
    """Return a distance with three figures or so: metres below 1 km, kilometres from there.

    Examples
    --------
    >>> distance_words(6420.4), distance_words(640.4), distance_words(2.25), distance_words(41234.0)
    ('6.42 km', '640 m', '2.3 m', '41.2 km')
    """
    if not math.isfinite(distance_m):
        return "unknown"
    if abs(distance_m) < 9.95:
        return f"{rounded(distance_m, 1)} m"
    if abs(distance_m) < 999.5:
        return f"{rounded(distance_m, 0)} m"
    return f"{rounded(distance_m / 1000.0, 2 if abs(distance_m) < 9995.0 else 1)} km"


def height_words(height_m: float) -> str:
    """Return a height or a clearance in metres, with one decimal below 10 m.

    Examples
    --------
    >>> height_words(9.0), height_words(12.34), height_words(1012.0)
    ('9.0 m', '12 m', '1012 m')
    """
    return f"{rounded(height_m, 1 if abs(height_m) < 9.95 else 0)} m"


def decibel_words(value_db: float, unit: str = "dB") -> str:
    """Return a level or ratio to a tenth of a decibel.

    Examples
    --------
    >>> decibel_words(-12.3456), decibel_words(-0.04), decibel_words(float("nan"))
    ('-12.3 dB', '0.0 dB', 'n/a')
    """
    return f"{rounded(value_db, 1)} {unit}" if math.isfinite(value_db) else "n/a"


def asked_words(direction: Direction) -> str:
    """Return the required margin; an infinite one is a success that no margin reaches."""
    required = direction.required_margin_db
    return decibel_words(required) if math.isfinite(required) else "more than any"


def weaker_direction(link: LinkResult) -> Direction:
    """Return the direction that has least over, or lacks most of, what is asked of it."""
    return min(link.directions, key=lambda d: (d.fade_margin_db - d.required_margin_db, d.fade_margin_db))


def path_words(link: LinkResult) -> str:
    """Say in short what path and signal a link has."""
    facts = [distance_words(link.path.distance_m)]
    if math.isfinite(link.path.azimuth_deg):
        facts.append(f"azimuth {rounded(link.path.azimuth_deg, 0)}°")
    frequency = f"{link.frequency_hz / 1e6:.4f}".rstrip("0").rstrip(".")
    return ", ".join([*facts, f"{frequency} MHz", link.signal])


def ratio_words(ratio: float) -> str:
    """Return a share of the first Fresnel zone with two figures.

    Examples
    --------
    >>> ratio_words(0.348), ratio_words(-2.17), ratio_words(14.2)
    ('0.35', '-2.2', '14')
    """
    if not math.isfinite(ratio):
        return "n/a"
    return rounded(ratio, 2 if abs(ratio) < 0.995 else 1 if abs(ratio) < 9.95 else 0)


def probability_words(probability: float) -> str:
    """Return a probability in percent with no more digits than it deserves, and never 100 %.

    Examples
    --------
    >>> probability_words(0.934), probability_words(0.9876), probability_words(0.99951)
    ('93.4 %', '98.8 %', '>99.9 %')
    >>> probability_words(0.634), probability_words(0.034), probability_words(0.0)
    ('63 %', '3.4 %', '<0.1 %')
    """
    if not math.isfinite(probability):
        return "n/a"
    if probability > 0.9990000001:
        return ">99.9 %"
    if probability < 0.001:
        return "<0.1 %"
    return f"{rounded(100.0 * probability, 0 if 0.0995 <= probability < 0.9 else 1)} %"


def clearance_words(path: PathFacts, clearance_m: float) -> str:
    """Say how the worst point stands to the ray: what it is, and how far into or below it.

    Parameters
    ----------
    path : PathFacts
    clearance_m : float, m
        Ray above the obstacle at the worst point; negative when the obstacle stands into the ray.
    """
    what = "terrain" if path.worst_obstacle == "ground" else path.worst_obstacle
    if clearance_m < 0:
        return f"{what} {height_words(-clearance_m)} above the line of sight"
    return f"{what} {height_words(clearance_m)} below the line of sight"


def worst_clearance_m(link: LinkResult) -> float:
    """Return the height of the ray over the worst point for the median k, m (negative: blocked)."""
    drawing, where = link.drawing, link.path.worst_clearance_distance_m
    i = min(range(len(drawing.distance_m)), key=lambda n: abs(float(drawing.distance_m[n]) - where))
    top = drawing.ground_m[i] + drawing.bulge_m[i] + drawing.clutter_m[i]
    return float(drawing.ray_m[i] - top)


@dataclass(frozen=True)
class BudgetLine:
    """One printed line of a budget, in tenths of a decibel."""

    name: str
    value_db: float
    kind: Literal["term", "rounding", "sum"]
    unit: str = ""


def term_words(term: Term) -> str:
    """Return a term's name without the station it belongs to, where its block of the budget tells that.

    Examples
    --------
    >>> term_words(Term("antenna_gain", 2.15, "transmitter", station="tank"))
    'antenna gain'
    """
    return term.name if term.group == "path" else TERMS[term.kind]


def budget_lines(direction: Direction) -> list[BudgetLine]:
    """Return a budget as printed: rounded to tenths, each block adding up to the sum below it.

    Every term and every sum is the figure nearest to its value; where the printed terms do not add up to
    the printed sum, a line "rounding" says by how much. What leads to the sensitivity is printed as it
    builds up (noise, then what the signal needs over it), so the sensitivity is subtracted.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> terms = [Term("transmit_power", 1.04, "transmitter"), Term("antenna_gain", 1.04, "transmitter")]
    >>> [(line.name, line.value_db) for line in budget_lines(SimpleNamespace(terms=terms))][:4]
    [('transmit power', 1.0), ('antenna gain', 1.0), ('rounding', 0.1), ('EIRP', 2.1)]
    """
    lines: list[BudgetLine] = []
    exact = level = 0  # in millionths of a decibel, and as printed in tenths
    levels = {}
    for groups, name, sign in (
        (("transmitter",), "EIRP", 1),
        (("path", "receiver"), "Received power", 1),
        (("threshold",), "Sensitivity", -1),
    ):
        if sign < 0:
            exact = level = 0
        for t in (t for t in direction.terms if t.group in groups):
            micro = sign * round(t.value_db * 1e6)
            exact += micro
            level += _tenths(micro)
            lines.append(BudgetLine(term_words(t), _tenths(micro) / 10, "term"))
        if _tenths(exact) != level:
            lines.append(BudgetLine("rounding", (_tenths(exact) - level) / 10, "rounding"))
        level = _tenths(exact)
        levels[name] = exact, level
        lines.append(BudgetLine(name, level / 10, "sum", "dBm"))
    received, sensitivity = levels["Received power"], levels["Sensitivity"]
    margin = _tenths(received[0] - sensitivity[0])
    off = margin - (received[1] - sensitivity[1])
    if off:
        lines.append(BudgetLine("rounding", off / 10, "rounding"))
    lines.append(BudgetLine("Margin, received over sensitivity", margin / 10, "sum", "dB"))
    return lines


def _tenths(micro_db: int) -> int:
    return (micro_db + 50_000) // 100_000


def rounded(value: float, decimals: int) -> str:
    # Half up in decimals, as the budget does: 2.15 is no binary fraction, and "-0.0" no figure to print.
    half_up = (Decimal(f"{value:.9g}").scaleb(decimals) + Decimal("0.5")).to_integral_value(ROUND_FLOOR)
    text = f"{half_up.scaleb(-decimals):.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def abilities(stream: TextIO, environ: Mapping[str, str]) -> tuple[bool, bool]:
    """Return (colour, ascii_only) for `report`, from what a stream can show.

    Colour needs a terminal, and neither NO_COLOR (non-empty) nor TERM=dumb in the environment.

    Examples
    --------
    >>> import io
    >>> abilities(io.TextIOWrapper(io.BytesIO(), encoding="ascii"), {})
    (False, True)
    """
    colour = stream.isatty() and not environ.get("NO_COLOR") and environ.get("TERM") != "dumb"
    try:
        "→°±·…─×−".encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return colour, True
    return colour, False


def report(
    result: Result, width: int = 80, *, colour: bool = False, ascii_only: bool = False, full: bool = True
) -> str:
    """Return the terminal report: verdict, margins and what limits them first, then the reasons.

    Parameters
    ----------
    result : Result
    width : int, columns
        No line is longer; 60 at least.
    colour : bool
        Bold headings and coloured verdicts by ANSI sequences.
    ascii_only : bool
        Plain ASCII, for a stream that cannot show more.
    full : bool
        With budget, models, uncertainty, all remedies and all that was assumed; else the first screen.

    Returns
    -------
    str
        Ends in a line feed.
    """
    page = Page(max(width, _NARROWEST), colour, ascii_only)
    page.wrap(result.title or result.plan_file, bold=True)
    if len(result.links) > 1:
        _overview(page, result.links)
    if not full:
        return _first_screen(page, result)
    for link in result.links:
        _link(page, link, result.links)
    if result.sections:
        page.heading("Also")
        _section_lines(page, result)
    _assumptions(page, result)
    for title, lines in (("Warnings", result.warnings), ("Cautions", result.cautions)):
        if lines:
            page.heading(title)
            for line in lines:
                page.item(line)
    page.blank()
    page.wrap(
        f"linkcalc {result.linkcalc_version}; plan {result.plan_file}, SHA-256 {result.plan_digest[:12]}…"
    )
    return page.text()


REMEDIES = 3
"""On the first screen."""


def _first_screen(page: "Page", result: Result) -> str:
    from linkcalc.views.remedies_text import EXAMPLES, show_remedies

    for link in result.links:
        _answer(page, link)
        if link.remedies:
            show_remedies(page, link, result.links, parts=False)
        best = () if link.remedies else link.advice[:REMEDIES]
        for number, a in enumerate(best, 1):
            words = "" if a.fade_margin_db is None else f" ({decibel_words(a.fade_margin_db)}"
            words += "" if not words else ", enough)" if a.sufficient else ", not enough alone)"
            page.wrap(f"{number}. {a.text}{words}", indent=2, hanging=5)
        for line in link.warnings:
            page.wrap(f"Note: {line}", indent=2, hanging=4)
    if result.sections:
        page.blank()
        _section_lines(page, result)
    if any(link.remedies for link in result.links):
        stated = all(r.prices_stated for link in result.links for r in link.remedies)
        page.item(
            f"--write improved.toml: the plan with the cheapest remedy.{'' if stated else f' {EXAMPLES}'}"
        )
    for line in result.warnings:
        page.item(line)
    if invented := still_the_starters(result.assumed):
        page.blank()
        tables = Counter(_place(a.key)[0] for a in invented)
        words = ", ".join(f"{count} of {table}" if table else "title" for table, count in tables.items())
        page.wrap(f"Still the starter's values, not yours: {words}; --full names them.", bold=True)
    page.blank()
    page.wrap(
        "A radio link is no safety function and no emergency stop: fit a hard-wired float or over-run stop and a "
        "watchdog. The engine may start by itself; licensed people, local codes. All cautions and figures: --full."
    )
    for link in result.links:
        page.verdict(link)
    return page.text()


RESTS_ON = {
    "messages": ("message",),
    "tank": ("tank", "engine", "message"),
    "energy": ("power", "message"),
}
"""The plan's tables that an answer besides the link's rests on."""


def starter_words(assumed: Sequence[Assumption], section: str = "") -> str:
    """Name the values that are still the starter's; empty where there are none.

    Parameters
    ----------
    assumed : sequence of Assumption
        Of the result, or of the loaded plan.
    section : str
        One of `RESTS_ON`, for the values that this answer rests on; else all of them.

    Examples
    --------
    >>> starter_words([Assumption("tank.start_percent", 40.0, "still the starter's value")], "tank")
    "Still the starter's values, not yours: tank start_percent = 40. Put yours in their place."
    """
    by_table: dict[str, list[str]] = {}
    for a in still_the_starters(assumed):
        table, key = _place(a.key)
        if not section or a.key.replace(".", " ").split()[0] in RESTS_ON[section]:
            by_table.setdefault(table, []).append(f"{key} = {value_words(a.value)}")
    if not by_table:
        return ""
    values = "; ".join(f"{table} {', '.join(keys)}".strip() for table, keys in by_table.items())
    return f"Still the starter's values, not yours: {values}. Put yours in their place."


def _place(key: str) -> tuple[str, str]:
    """A key's table in words, and the rest."""
    if " " in key:
        table, _, rest = key.rpartition(" ")
        return table, rest
    table, _, rest = key.rpartition(".")
    return table, rest


def _section_lines(page: "Page", result: Result) -> None:
    for name, section in result.sections.items():
        invented = name in RESTS_ON and starter_words(result.assumed, name)
        page.item(section.line + (" (on the starter's values, not yours)" if invented else ""))


def _assumed_words(link: LinkResult) -> str:
    """What was assumed that costs most, in decibels."""
    terms = [t for t in {t.name: t for d in link.directions for t in d.terms}.values() if -t.value_db >= 0.05]
    words = []
    if assumed := [t for t in terms if t.origin == "assumed"]:
        parts = [f"{t.name} {decibel_words(-t.value_db)}" for t in assumed]
        words.append(f"Assumed, not stated: {', '.join(parts)}.")
    if shown := [t for t in terms if t.origin == "raster"]:
        parts = [f"{t.name} {decibel_words(-t.value_db)} ({t.what})" for t in shown]
        words.append(f"Assumed from rasters: {', '.join(parts)}.")
    return " ".join(words)


def _answer(page: "Page", link: LinkResult) -> None:
    page.verdict(link)
    page.wrap(link.statement, indent=2)
    page.wrap(path_words(link), indent=2)
    page.blank()
    _columns(
        page,
        link.directions,
        [
            ("Margin", [decibel_words(d.fade_margin_db) for d in link.directions]),
            ("  required", [asked_words(d) for d in link.directions]),
            ("  90 % interval", [likely_words(d) for d in link.directions]),
            ("Such sites work", [probability_words(d.site_share) for d in link.directions]),
            (
                "  messages that arrive there",
                [probability_words(d.success_where_it_works) for d in link.directions],
            ),
            ("Time on air", [time_words(d.time_on_air_s) for d in link.directions]),
        ],
    )
    page.wrap(_limited_words(link), indent=2, hanging=4)
    if words := _assumed_words(link):
        page.wrap(words, indent=2, hanging=4)


def _limited_words(link: LinkResult) -> str:
    limits = list(dict.fromkeys(d.limited_by for d in link.directions))
    if len(limits) == 1:
        return f"Limiting factor: {limits[0]}."
    return "Limiting factor: " + "; ".join(f"{d.limited_by} (to {d.to})" for d in link.directions) + "."


def _overview(page: "Page", links: Sequence[LinkResult]) -> None:
    from linkcalc.views.remedies_text import short_words

    page.heading("All links")
    widths = [page.width - 2 - 52, 11, 11, 13, 17]
    page.row(["", "distance", "margin", "sites work", "verdict"], widths)
    for link in links:
        weaker = weaker_direction(link)
        page.row(
            [
                link.name,
                distance_words(link.path.distance_m),
                decibel_words(weaker.fade_margin_db),
                probability_words(weaker.site_share),
                VERDICT_WORDS[link.verdict],
            ],
            widths,
        )
        page.wrap(weaker.limited_by, indent=4)
        if remedy := short_words(link):
            page.wrap(f"closes with {remedy}", indent=4, hanging=6)
    page.line("  (margin and sites: the weaker direction)")


def _link(page: "Page", link: LinkResult, links: Sequence[LinkResult]) -> None:
    page.verdict(link)
    page.wrap(link.statement, indent=2)
    page.wrap(path_words(link), indent=2)
    page.blank()
    _summary(page, link.directions)
    page.wrap(_limited_words(link), indent=2, hanging=4)
    _budget(page, link.directions)
    _path(page, link)
    _models(page, link.path)
    _uncertainty(page, link.directions)
    if link.remedies:
        from linkcalc.views.remedies_text import show_remedies

        page.heading("What closes it", minor=True)
        show_remedies(page, link, links, parts=True)
    _advice(page, link.advice)
    if link.warnings:
        page.heading("Warnings on this link", minor=True)
        for line in link.warnings:
            page.item(line)


def _summary(page: "Page", directions: Sequence[Direction]) -> None:
    rows: list[tuple[str, list[str]]] = [
        ("Margin", [decibel_words(d.fade_margin_db) for d in directions]),
        ("  required", [asked_words(d) for d in directions]),
        ("  90 % interval", [likely_words(d) for d in directions]),
        ("Such sites work", [probability_words(d.site_share) for d in directions]),
        ("  messages that arrive there", [probability_words(d.success_where_it_works) for d in directions]),
        ("Message arrives, all sites", [probability_words(d.delivery_probability) for d in directions]),
    ]
    if any(d.delivery_probability_single != d.delivery_probability for d in directions):
        rows.append(
            ("  on a single try", [probability_words(d.delivery_probability_single) for d in directions])
        )
    rows += [
        (
            f"  at least, {trimmed(directions[0].year_share_percent)} % of the year",
            [probability_words(d.delivery_probability_year_share) for d in directions],
        ),
        (
            "  if a site reading agrees",
            [probability_words(d.delivery_probability_after_reading) for d in directions],
        ),
        ("One message", [f"{d.payload_bytes} bytes" for d in directions]),
        ("  time on air", [time_words(d.time_on_air_s) for d in directions]),
        ("  fast fading", [_fading_words(d) for d in directions]),
    ]
    _columns(page, directions, rows)


def likely_words(direction: Direction) -> str:
    low, high = direction.fade_margin_interval_db
    if not (math.isfinite(low) and math.isfinite(high)):
        return "n/a"
    return f"{rounded(low, 0)} to {rounded(high, 0)} dB"


def _fading_words(direction: Direction) -> str:
    if direction.fading == "rayleigh":
        return "Rayleigh      "
    return f"Rician, K {decibel_words(direction.rician_k_db)}"


def _columns(
    page: "Page", directions: Sequence[Direction], rows: Sequence[tuple[str, Sequence[str]]]
) -> None:
    """Name column, then one column of figures and units for each direction."""
    name_width, figure_width = page.columns(len(directions))
    widths = [name_width, *[figure_width] * len(directions)]
    page.row(["", *[f"from {d.from_}" for d in directions]], widths)
    page.row(["", *[f"to {d.to}" for d in directions]], widths)
    for name, cells in rows:
        page.row([name, *[_unit_padded(c) for c in cells]], widths)


def _unit_padded(cell: str) -> str:
    # Figures end in one column and units start in one.
    figure, _, unit = cell.rpartition(" ")
    return f"{figure} {unit:<5}" if figure else f"{cell}      "


def _budget(page: "Page", directions: Sequence[Direction]) -> None:
    page.heading("Budget, dB", minor=True)
    columns = [{place_words(ls, i): ls[i] for i in range(len(ls))} for ls in map(budget_lines, directions)]
    rows: list[tuple[str, list[str]]] = []
    nothing: list[str] = []
    for place in merged_terms([list(c) for c in columns]):
        found = [c.get(place) for c in columns]
        kind, name = next((line.kind, line.name) for line in found if line)
        if kind == "sum":
            rows.append((name, [decibel_words(line.value_db, line.unit) if line else "" for line in found]))
        elif any(line and line.value_db for line in found):
            rows.append((f"  {name}", [_signed(line.value_db) if line else "" for line in found]))
        elif name not in nothing:
            nothing.append(name)
    _columns(page, directions, rows)
    if nothing:
        page.wrap(f"Neither gain nor loss (0.0 dB): {', '.join(nothing)}.", indent=2, hanging=4)
    _notes(page, directions)


def _notes(page: "Page", directions: Sequence[Direction]) -> None:
    """What the terms' notes say, once each; with the station where both have the term and differ."""
    notes: dict[str, dict[str, list[str]]] = {}
    for d in directions:
        for t in d.terms:
            station = d.from_ if t.group == "transmitter" else d.to
            if t.note:
                stations = notes.setdefault(term_words(t), {}).setdefault(t.note, [])
                if t.group != "path" and station not in stations:
                    stations.append(station)
    parts = []
    for name, by_note in notes.items():
        if len(by_note) == 1:
            parts.append(f"{name}: {next(iter(by_note))}")
        else:
            parts.append(f"{name}: " + ", ".join(f"{n} ({' and '.join(w)})" for n, w in by_note.items()))
    if parts:
        page.wrap(f"Terms: {'; '.join(parts)}.", indent=2, hanging=4)


def _signed(value_db: float) -> str:
    return f"{value_db:+.1f}" if value_db else "0.0"


def place_words(lines: Sequence[BudgetLine], i: int) -> tuple[int, str, int]:
    """Block, name, and how often the name came before in it: what makes two columns share a row."""
    block = sum(line.kind == "sum" for line in lines[:i])
    start = max((n + 1 for n in range(i) if lines[n].kind == "sum"), default=0)
    return block, lines[i].name, sum(line.name == lines[i].name for line in lines[start:i])


def merged_terms(columns: Sequence[Sequence[Any]]) -> list[Any]:
    """One list holding the entries of all, each column's order kept as far as they agree."""
    merged: list[Any] = []
    for column in columns:
        position = 0
        for entry in column:
            if entry in merged:
                position = merged.index(entry) + 1
            else:
                merged.insert(position, entry)
                position += 1
    return merged


def _path(page: "Page", link: LinkResult) -> None:
    path = link.path
    page.heading("Path", minor=True)
    where = (
        f"{distance_words(path.worst_clearance_distance_m)} from {link.directions[0].from_}"
        if link.directions
        else distance_words(path.worst_clearance_distance_m)
    )
    facts = [
        ("ground heights", path.source),
        ("at the ends", _ends_words(link)),
        ("path", f"{path.regime}: {path.regime_reason}"),
        ("worst point", f"{where}: {clearance_words(path, worst_clearance_m(link))}"),
        (
            "clearance",
            f"{ratio_words(path.worst_clearance_ratio)} of the first Fresnel zone with k = "
            f"{path.k_factor:.2f}; {ratio_words(path.worst_clearance_low_k_ratio)} with k = "
            f"{path.low_k_factor:.2f}",
        ),
    ]
    if path.reflection_distance_m is not None:
        facts.append(("specular reflection", f"{distance_words(path.reflection_distance_m)} along the path"))
    if path.vegetation_loss_db > 0:
        facts.append(("vegetation", decibel_words(path.vegetation_loss_db)))
    if path.building_entry_loss_db > 0:
        facts.append(("building entry", decibel_words(path.building_entry_loss_db)))
    if path.bridged_m > 0:
        facts.append(("missing heights", f"{distance_words(path.bridged_m)} bridged"))
    for name, fact in facts:
        page.wrap(f"{name:<16}{fact}", indent=2, hanging=18)


def _ends_words(link: LinkResult) -> str:
    """Say how high the ground is where the stations stand: the first thing to hold against a map."""
    names = (link.directions[0].from_, link.directions[0].to) if link.directions else ("start", "end")
    ends = zip(names, link.drawing.ground_m[[0, -1]], strict=True)
    return (
        ", ".join(f"{name} {rounded(float(height_m), 0)} m" for name, height_m in ends) + " above sea level"
    )


def _models(page: "Page", path: PathFacts) -> None:
    page.heading("Path loss by model", minor=True)
    names = {key: MODEL_NAMES.get(key, key) for key in path.models}
    wide = min(max((_cells(n) for n in names.values()), default=0), page.width - 24)
    for key, loss in path.models.items():
        mark = "   governing model" if key == path.model else ""
        page.line(f"  {_pad(_cut(page.clean(names[key]), wide), wide)}  {decibel_words(loss):>9}{mark}")
    page.wrap(
        f"Governing model: {path.model_reason}. The models that apply differ by {decibel_words(path.spread_db)}.",
        indent=2,
    )


def _uncertainty(page: "Page", directions: Sequence[Direction]) -> None:
    largest: list[Contributor] = []
    for direction in directions:
        for contributor in direction.uncertainty[:3]:
            same = [i for i, c in enumerate(largest) if c.name == contributor.name]
            if not same:
                largest.append(contributor)
            elif largest[same[0]].sigma_db < contributor.sigma_db:
                largest[same[0]] = contributor
    largest = sorted(largest, key=lambda c: -c.sigma_db)[:3]
    if not largest:
        return
    page.heading("What is uncertain (standard deviation of the margin)", minor=True)
    widths = [page.width - 2 - 38, 12, 26]
    page.row(["", "now", "after a reading on site"], widths)
    for c in largest:
        page.row([c.name, decibel_words(c.sigma_db), decibel_words(c.after_reading_db)], widths)
        page.wrap(f"{KIND_WORDS[c.kind]}; {c.source}", indent=4)


def _advice(page: "Page", advice: Sequence[Advice]) -> None:
    if not advice:
        return
    page.heading("What to change", minor=True)
    for number, a in enumerate(advice, 1):
        hanging = 4 + len(str(number))
        page.wrap(f"{number}. {a.text}", indent=2, hanging=hanging)
        effect = EFFORT_WORDS.get(a.effort, "")
        if a.fade_margin_db is not None:
            effect += f"; margin of the weaker direction {decibel_words(a.fade_margin_db)}"
            effect += ", enough" if a.sufficient else ", not enough alone"
        page.wrap(f"({effect})", indent=hanging)


def _assumptions(page: "Page", result: Result) -> None:
    invented = still_the_starters(result.assumed)
    if invented:
        page.heading("Still the starter's values")
        page.wrap(starter_words(invented), indent=2)
    left_out = [a for a in result.assumed if a not in invented]
    if not left_out:
        return
    page.heading("Assumed, since the plan does not say")
    by_source: dict[str, dict[str, list[str]]] = {}
    for a in left_out:
        subject, _, key = a.key.rpartition(" ")
        by_source.setdefault(a.source, {}).setdefault(subject, []).append(f"{key} = {value_words(a.value)}")
    for source, by_subject in by_source.items():
        parts = [
            f"{subject} {', '.join(entries)}" if subject else ", ".join(entries)
            for subject, entries in by_subject.items()
        ]
        page.item(f"{source}: {'; '.join(parts)}")


def value_words(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(value)


def time_words(seconds: float) -> str:
    return f"{rounded(seconds * 1e3, 0)} ms" if seconds < 0.9995 else f"{rounded(seconds, 2)} s"


def trimmed(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


class Page:
    """Lines of a fixed width; every text is cleaned before it is measured."""

    def __init__(self, width: int, colour: bool, ascii_only: bool) -> None:
        self.width = width
        self._colour = colour
        self._ascii = ascii_only
        self._lines: list[str] = []
        self._wide: list[tuple[list[str], list[int]]] = []
        """Rows of a table that is wider than the page, until it ends."""

    def clean(self, text: str) -> str:
        """Return `text` without control characters, and in ASCII if that is all the stream takes."""
        text = units.words("".join(" " if c.isspace() else c for c in unicodedata.normalize("NFC", text)))
        text = "".join(c for c in text if unicodedata.category(c) not in ("Cc", "Cf", "Cs"))
        return _ascii(text) if self._ascii else text

    def columns(self, count: int) -> tuple[int, int]:
        figure = min(22, (self.width - 26) // count)
        return self.width - 2 - count * figure, figure

    def line(self, text: str) -> None:
        self._end_table()
        self._lines.append(text.replace(NO_BREAK, " ").rstrip())

    def blank(self) -> None:
        self.line("")

    def heading(self, text: str, *, minor: bool = False) -> None:
        self.blank()
        self.wrap(text, indent=2 if minor else 0, bold=True)

    def verdict(self, link: LinkResult) -> None:
        self.blank()
        self.line(("-" if self._ascii else "─") * self.width)
        words = VERDICT_WORDS[link.verdict]
        name = _cut(self.clean(link.name), self.width - len(words) - 2, self._ellipsis)
        if self._colour:
            self._lines.append(f"{_VERDICT_COLOUR[link.verdict]}{words}{_RESET}  {_BOLD}{name}{_RESET}")
        else:
            self.line(f"{words}  {name}")

    def wrap(self, text: str, *, indent: int = 0, hanging: int | None = None, bold: bool = False) -> None:
        rest = indent if hanging is None else hanging
        whole = TOGETHER.sub(lambda m: m[0].replace(" ", NO_BREAK), self.clean(text))
        for i, line in enumerate(_wrapped(whole, self.width - indent, self.width - rest)):
            self._styled_line(" " * (rest if i else indent) + line, _BOLD if bold else "")

    def item(self, text: str) -> None:
        self.wrap(f"- {text}", indent=2, hanging=4)

    def row(self, cells: Sequence[str], widths: Sequence[int]) -> None:
        """Write a row of a table; one that is wider than the page is written in parts, some columns at a time."""
        shown = [self.clean(c) if c.strip() else c for c in cells]
        fitting = [max(widths[0], min(_NARROWEST_NAME, self.width)), *widths[1:]]
        if 2 + sum(fitting) <= self.width:
            self._row(shown, fitting)
            return
        if self._wide and self._wide[-1][1] != fitting:
            self._end_table()
        self._wide.append((shown, fitting))

    def _end_table(self) -> None:
        rows, self._wide = self._wide, []
        if not rows:
            return
        name, *columns = rows[0][1]
        name = min(name, self.width // 3)
        parts: list[list[int]] = [[]]
        for column, width in enumerate(columns, start=1):
            if parts[-1] and 2 + name + width + sum(columns[i - 1] for i in parts[-1]) > self.width:
                parts.append([])
            parts[-1].append(column)
        for number, part in enumerate(parts):
            if number:
                self.blank()
            for cells, widths in rows:
                self._row([cells[i] for i in (0, *part)], [name, *(widths[i] for i in part)])

    def _row(self, cells: Sequence[str], widths: Sequence[int]) -> None:
        first, *figures = cells
        text = "  " + _pad(_cut(first, widths[0] - 1, self._ellipsis), widths[0])
        for cell, width in zip(figures, widths[1:], strict=True):
            text += _pad(_cut(cell, width - 1, self._ellipsis), width, right=True)
        self.line(text)

    def text(self) -> str:
        self._end_table()
        return "\n".join(self._lines) + "\n"

    @property
    def _ellipsis(self) -> str:
        return "..." if self._ascii else "…"

    def _styled_line(self, text: str, code: str) -> None:
        self.line(text)
        if self._colour and code:
            self._lines[-1] = f"{code}{self._lines[-1]}{_RESET}"


def _ascii(text: str) -> str:
    text = text.translate(_PLAIN)
    out = []
    for c in text:
        plain = unicodedata.normalize("NFKD", c).encode("ascii", "ignore").decode()
        out.append(plain or "?")
    return "".join(out)


def _cells(text: str) -> int:
    """Columns a terminal gives to the text."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )


def _cut(text: str, width: int, ellipsis: str = "…") -> str:
    if _cells(text) <= width:
        return text
    while text and _cells(text) > width - len(ellipsis):
        text = text[:-1]
    return text.rstrip() + ellipsis


def _pad(text: str, width: int, *, right: bool = False) -> str:
    space = " " * max(0, width - _cells(text))
    return space + text if right else text + space


def _wrapped(text: str, first: int, rest: int) -> list[str]:
    """Break at spaces; a word that alone is too long is cut where the line ends."""
    width = first
    lines: list[str] = []
    line = ""
    for word in text.split(" "):
        if line and _cells(line) + 1 + _cells(word) > width:
            lines.append(line)
            line, width = word, rest
        else:
            line = f"{line} {word}" if line else word
        while _cells(line) > width:
            head = ""
            while _cells(head + line[len(head)]) <= width:
                head += line[len(head)]
            lines.append(head)
            line, width = line[len(head) :], rest
    lines.append(line)
    return lines

"""The terminal report of a check: the answer first, then how it comes about."""

from collections import Counter
from collections.abc import Sequence
from typing import Unpack

from linkcalc.link.result import MODEL_NAMES, Advice, Direction, LinkResult, PathFacts, Result
from linkcalc.plan.assumptions import still_the_starters
from linkcalc.views.check.budget import budget_rows, term_notes
from linkcalc.views.check.remedies import EXAMPLES, advice_words, short_words, show_remedies
from linkcalc.views.page import Page, Screen, cells
from linkcalc.views.words import (
    RESTS_ON,
    VERDICT_WORDS,
    assumption_lines,
    clearance_words,
    decibel_words,
    distance_words,
    largest_contributors,
    likely_words,
    path_words,
    probability_words,
    ratio_words,
    required_margin_words,
    rounded,
    starter_words,
    table_and_key,
    time_words,
    trimmed,
    weaker_direction,
    worst_clearance_m,
)

EFFORT_WORDS = {1: "a setting", 2: "a part", 3: "a climb", 4: "a mast or more", 5: "another site"}
KIND_WORDS = {
    "site": "fixed, unknown until measured",
    "conditions": "changes over the year",
    "fast": "changes from message to message",
}


def report(result: Result, *, full: bool = True, **screen: Unpack[Screen]) -> str:
    """Return the terminal report: the first screen, or in full, the answer first and then how it comes about."""
    page = Page(**screen, least=60)
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
    page.items("Warnings", result.warnings)
    page.items("Cautions", result.cautions)
    page.blank()
    page.wrap(
        f"linkcalc {result.linkcalc_version}; plan {result.plan_file}, SHA-256 {result.plan_digest[:12]}…"
    )
    return page.text()


REMEDIES = 3
"""On the first screen."""


def _first_screen(page: Page, result: Result) -> str:
    for link in result.links:
        _answer(page, link)
        if link.remedies:
            show_remedies(page, link, result.links, parts=False)
        best = () if link.remedies else link.advice[:REMEDIES]
        for number, a in enumerate(best, 1):
            words = advice_words(a)
            page.wrap(f"{number}. {a.text}{words and f' ({words})'}", indent=2, hanging=5)
        page.notes(link.warnings)
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
        tables = Counter(table_and_key(a.key)[0] for a in invented)
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


def _section_lines(page: Page, result: Result) -> None:
    for name, section in result.sections.items():
        invented = name in RESTS_ON and starter_words(result.assumed, name)
        page.item(section.line + (" (on the starter's values, not yours)" if invented else ""))


def _assumed_words(link: LinkResult) -> str:
    terms = [t for t in {t.name: t for d in link.directions for t in d.terms}.values() if -t.value_db >= 0.05]
    words = []
    if assumed := [f"{t.name} {decibel_words(-t.value_db)}" for t in terms if t.origin == "assumed"]:
        words.append(f"Assumed, not stated: {', '.join(assumed)}.")
    if shown := [f"{t.name} {decibel_words(-t.value_db)} ({t.what})" for t in terms if t.origin == "raster"]:
        words.append(f"Assumed from rasters: {', '.join(shown)}.")
    return " ".join(words)


def _head(page: Page, link: LinkResult) -> None:
    page.verdict(link)
    page.wrap(link.statement, indent=2)
    page.wrap(path_words(link), indent=2)
    page.blank()


def _answer(page: Page, link: LinkResult) -> None:
    _head(page, link)
    time = ("Time on air", [time_words(d.time_on_air_s) for d in link.directions])
    _columns(page, link.directions, [*_margin_rows(link.directions), time])
    page.fact(_limited_words(link))
    if words := _assumed_words(link):
        page.fact(words)


def _limited_words(link: LinkResult) -> str:
    limits = list(dict.fromkeys(d.limited_by for d in link.directions))
    if len(limits) > 1:
        limits = [f"{d.limited_by} (to {d.to})" for d in link.directions]
    return f"Limiting factor: {'; '.join(limits)}."


def _overview(page: Page, links: Sequence[LinkResult]) -> None:
    page.heading("All links")
    widths = [page.width - 2 - 52, 11, 11, 13, 17]
    page.row(["", "distance", "margin", "sites work", "verdict"], widths)
    for link in links:
        weaker, distance = weaker_direction(link), distance_words(link.path.distance_m)
        margin, sites = decibel_words(weaker.fade_margin_db), probability_words(weaker.site_share)
        page.row([link.name, distance, margin, sites, VERDICT_WORDS[link.verdict]], widths)
        page.wrap(weaker.limited_by, indent=4)
        if remedy := short_words(link):
            page.wrap(f"closes with {remedy}", indent=4, hanging=6)
    page.line("  (margin and sites: the weaker direction)")


def _link(page: Page, link: LinkResult, links: Sequence[LinkResult]) -> None:
    _head(page, link)
    _summary(page, link.directions)
    page.fact(_limited_words(link))
    _budget(page, link.directions)
    _path(page, link)
    _models(page, link.path)
    _uncertainty(page, link.directions)
    if link.remedies:
        page.heading("What closes it", minor=True)
        show_remedies(page, link, links, parts=True)
    _advice(page, link.advice)
    page.items("Warnings on this link", link.warnings, minor=True)


def _margin_rows(directions: Sequence[Direction]) -> list[tuple[str, list[str]]]:
    return [
        ("Margin", [decibel_words(d.fade_margin_db) for d in directions]),
        ("  required", [required_margin_words(d.required_margin_db) for d in directions]),
        ("  90 % interval", [likely_words(d) for d in directions]),
        ("Such sites work", [probability_words(d.site_share) for d in directions]),
        ("  messages that arrive there", [probability_words(d.success_where_it_works) for d in directions]),
    ]


def _summary(page: Page, directions: Sequence[Direction]) -> None:
    rows = [
        *_margin_rows(directions),
        ("Message arrives, all sites", [probability_words(d.delivery_probability) for d in directions]),
    ]
    if any(d.delivery_probability_single != d.delivery_probability for d in directions):
        rows.append(
            ("  on a single try", [probability_words(d.delivery_probability_single) for d in directions])
        )
    year = f"  at least, {trimmed(directions[0].year_share_percent)} % of the year"
    rows += [
        (year, [probability_words(d.delivery_probability_year_share) for d in directions]),
        (
            "  if a site reading agrees",
            [probability_words(d.delivery_probability_after_reading) for d in directions],
        ),
        ("One message", [f"{d.payload_bytes} bytes" for d in directions]),
        ("  time on air", [time_words(d.time_on_air_s) for d in directions]),
        ("  fast fading", [_fading_words(d) for d in directions]),
    ]
    _columns(page, directions, rows)


def _fading_words(direction: Direction) -> str:
    if direction.fading == "rayleigh":
        return "Rayleigh      "
    return f"Rician, K {decibel_words(direction.rician_k_db)}"


def _columns(page: Page, directions: Sequence[Direction], rows: Sequence[tuple[str, Sequence[str]]]) -> None:
    """Figures end in one column and units start in one."""

    def padded(cell: str) -> str:
        figure, _, unit = cell.rpartition(" ")
        return f"{figure} {unit:<5}" if figure else f"{cell}      "

    page.directions(directions, [(name, [*map(padded, figures)]) for name, figures in rows])


def _budget(page: Page, directions: Sequence[Direction]) -> None:
    page.heading("Budget, dB", minor=True)
    rows: list[tuple[str, list[str]]] = []
    nothing: list[str] = []
    for first, found in budget_rows(directions):
        name = first.name
        if first.kind == "sum":
            rows.append((name, [decibel_words(line.value_db, line.unit) if line else "" for line in found]))
        elif any(line and line.value_db for line in found):
            rows.append((f"  {name}", [_signed(line.value_db) if line else "" for line in found]))
        elif name not in nothing:
            nothing.append(name)
    _columns(page, directions, rows)
    if nothing:
        page.fact(f"Neither gain nor loss (0.0 dB): {', '.join(nothing)}.")
    _notes(page, directions)


def _notes(page: Page, directions: Sequence[Direction]) -> None:
    """What the terms' notes say, once each; with the station where both have the term and differ."""
    parts = []
    for name, by_note in term_notes(directions).items():
        if len(by_note) == 1:
            parts.append(f"{name}: {next(iter(by_note))}")
        else:
            parts.append(f"{name}: " + ", ".join(f"{n} ({' and '.join(w)})" for n, w in by_note.items()))
    if parts:
        page.fact(f"Terms: {'; '.join(parts)}.")


def _signed(value_db: float) -> str:
    return f"{value_db:+.1f}" if value_db else "0.0"


def _path(page: Page, link: LinkResult) -> None:
    path = link.path
    page.heading("Path", minor=True)
    where = distance_words(path.worst_clearance_distance_m)
    where += f" from {link.directions[0].from_}" if link.directions else ""
    names = (link.directions[0].from_, link.directions[0].to) if link.directions else ("start", "end")
    ends = zip(names, link.drawing.ground_m[[0, -1]], strict=True)
    heights = ", ".join(f"{name} {rounded(float(height_m), 0)} m" for name, height_m in ends)
    facts = [
        ("ground heights", path.source),
        # the first thing to hold against a map
        ("at the ends", f"{heights} above sea level"),
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


def _models(page: Page, path: PathFacts) -> None:
    page.heading("Path loss by model", minor=True)
    names = {key: MODEL_NAMES.get(key, key) for key in path.models}
    mark = "governing model"
    widths = [1 + max(map(cells, names.values()), default=0), 10, len(mark) + 3]
    widths[0] = min(widths[0], page.width - 2 - sum(widths[1:]))
    for key, loss in path.models.items():
        page.row([names[key], decibel_words(loss), mark if key == path.model else ""], widths)
    page.wrap(
        f"Governing model: {names.get(path.model, path.model)} ({path.model_reason}). The models that apply differ "
        f"by {decibel_words(path.spread_db)}.",
        indent=2,
    )


def _uncertainty(page: Page, directions: Sequence[Direction]) -> None:
    largest = largest_contributors(directions, 3)
    if not largest:
        return
    page.heading("Uncertainty (standard deviation of the margin)", minor=True)
    widths = [page.width - 2 - 38, 12, 26]
    page.row(["", "now", "after a reading on site"], widths)
    for c in largest:
        page.row([c.name, decibel_words(c.sigma_db), decibel_words(c.after_reading_db)], widths)
        page.wrap(f"{KIND_WORDS[c.kind]}; {c.source}", indent=4)


def _advice(page: Page, advice: Sequence[Advice]) -> None:
    if not advice:
        return
    page.heading("What to change", minor=True)
    for number, a in enumerate(advice, 1):
        hanging = 4 + len(str(number))
        page.wrap(f"{number}. {a.text}", indent=2, hanging=hanging)
        words = advice_words(a)
        words = f"{EFFORT_WORDS.get(a.effort, '')}{words and f'; margin of the weaker direction {words}'}"
        page.wrap(f"({words})", indent=hanging)


def _assumptions(page: Page, result: Result) -> None:
    invented = still_the_starters(result.assumed)
    if invented:
        page.heading("Still the starter's values")
        page.wrap(starter_words(invented), indent=2)
    others = [a for a in result.assumed if a not in invented]
    page.items("Assumed, since the plan does not say", assumption_lines(others))

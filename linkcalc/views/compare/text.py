"""Candidates side by side as a table."""

from typing import Unpack

from linkcalc.radio.energy import life_words
from linkcalc.sweeps.comparing import Candidates, Compared
from linkcalc.views.check.remedies import EXAMPLES, money
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import VERDICTS_IN_TEXT, decibel_words, probability_words, rounded, time_words


def candidate_words(row: Compared, found: Candidates) -> str:
    """Return a candidate's name, with the state of the trees where that differs."""
    several = len({r.leaf for r in found.rows}) > 1
    return f"{row.candidate}, {row.leaf.replace('_', ' ')}" if several else row.candidate


def weaker_margins_db(row: Compared) -> tuple[float, float]:
    """Return the margin of the direction that lacks most, and what it has over its required one."""
    pairs = zip(row.fade_margins_db, row.required_margins_db, strict=True)
    margin, required = min(pairs, key=lambda pair: pair[0] - pair[1])
    return margin, margin - required


def compare_report(found: Candidates, **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    widths = [page.width - 2 - 60, 15, 10, 10, 9, 16]
    for name in found.links:
        page.heading(name)
        page.row(["", "verdict", "margin", "over", "sites", "parts"], widths)
        for row in (r for r in found.rows if r.link == name):
            page.wrap(candidate_words(row, found), indent=2, hanging=4, bold=True)
            margin, over = weaker_margins_db(row)
            sites, parts = probability_words(row.site_share), money(round(row.parts_cost), row.currency)
            verdict, sign = VERDICTS_IN_TEXT[row.verdict], "+" if over >= 0 else ""
            page.row(["", verdict, decibel_words(margin), f"{sign}{rounded(over, 1)}", sites, parts], widths)
            page.wrap(f"{facts_words(row)}.", indent=4)
    page.blank()
    page.wrap(
        "margin: of the direction that has least over what is required of it; over: that less the required margin, dB; "
        "sites: such sites that work before anybody has measured; parts: all of the plan's, new, without "
        "work on equipment already installed.",
        indent=2,
    )
    if not all(r.prices_stated for r in found.rows):
        page.wrap(EXAMPLES, indent=2)
    page.wrap(found.cautions[0], indent=2)
    return page.text()


def facts_words(row: Compared) -> str:
    more = "more" if row.cost_over_first > 0 else "less"
    facts = [
        f"parts {money(abs(row.cost_over_first), row.currency)} {more} than the first"
        if row.cost_over_first
        else "",
        f"a message arrives {probability_words(row.delivery_probability)}",
        f"{time_words(row.time_on_air_s)} on air",
        "" if row.battery_years is None else f"battery {life_words(row.battery_years)}",
        f"limiting factor: {row.limited_by}",
    ]
    return "; ".join(filter(None, facts))

"""Margins over both antenna heights in words and as a table: the cheapest pair first."""

from collections.abc import Sequence
from typing import Unpack

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.sweeps.mast_heights import HeightTable, Pair
from linkcalc.views import units
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import decibel_words, height_words, probability_words, rounded, upper_first

_MOST_ROWS = 14
_FIRST, _COLUMN = 12, 7


def heights_report(tables: Sequence[HeightTable], **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    for number, table in enumerate(tables):
        if number:
            page.blank()
        _link(page, table)
    if tables:
        _prices(page, tables[0])
    page.blank()
    page.wrap(
        "A mast is for people who are trained for it, clear of power lines, bonded and earthed; guyed ones "
        "have anchors to be designed. A radio link is not a safety function and not an emergency stop."
    )
    return page.text()


def cost_words(cost: float) -> str:
    """Write a cost with no more figures than a price has."""
    return rounded(cost, 0 if cost >= 99.5 or cost == round(cost) else 1)


def pair_words(table: HeightTable, pair: Pair) -> str:
    """Name both heights."""
    return f"{_metres(pair.near_height_m)} at {table.from_} and {_metres(pair.far_height_m)} at {table.to}"


def verdict_lines(table: HeightTable) -> tuple[str, str]:
    pair = table.cheapest
    if pair is None:
        lowest = f"up to {_metres(table.near_height_m[-1])} and {_metres(table.far_height_m[-1])}"
        return (
            f"No pair {lowest} reaches the required margin.",
            f"Closest: {pair_words(table, table.best)}, {_margins(table, table.best)}. Change "
            "something else first (linkcalc check names what), or put a relay between.",
        )
    now, masts = table.present, f"{cost_words(pair.cost)} for the masts"
    first = f"Cheapest pair that reaches it: {pair_words(table, pair)}, {masts}."
    if (pair.near_height_m, pair.far_height_m) == (now.near_height_m, now.far_height_m):
        return f"{first} That is what the plan has.", f"{upper_first(_margins(table, pair))}."
    return first, f"{upper_first(_margins(table, pair))}, by a check of its own."


def _link(page: Page, table: HeightTable) -> None:
    page.wrap(f"{table.link}: margin over both antenna heights", bold=True)
    page.wrap(f"Required of each direction: {table.asked}.", indent=2)
    for line in verdict_lines(table):
        page.wrap(line, indent=2)
    now = table.present
    page.wrap(
        f"Now: {pair_words(table, now)}, {_margins(table, now)}, {cost_words(now.cost)} for the masts.",
        indent=2,
    )
    page.heading("Margin of the weaker direction, dB (* reaches the required margin)", minor=True)
    most = max((page.width - 2 - _FIRST) // _COLUMN, 3)
    keep = [now, table.cheapest or table.best]
    columns = some(table.far_height_m, [p.far_height_m for p in keep], most)
    rows = some(table.near_height_m, [p.near_height_m for p in keep], _MOST_ROWS)
    widths = [_FIRST, *[_COLUMN] * len(columns)]
    page.line(f"  {'':<{_FIRST}}{page.clean(units.label(f'height at {table.to}, m'))}"[: page.width])
    page.row(["", *(figure_words(units.figure(table.far_height_m[j], "m")) for j in columns)], widths)
    for i in rows:
        cells = [f"{rounded(table.margin_db[i, j], 1)}{'*' if table.closes[i, j] else ' '}" for j in columns]
        page.row([f"{figure_words(table.near_height_m[i])} m", *cells], widths)
    page.wrap(f"Rows: height at {table.from_}. Feeders grow as antennas are raised.", indent=2)


def _each(cost_per_m: float) -> str:
    return f"{cost_words(cost_per_m / units.figure(1.0, 'm'))} a {units.name('metre')}"


def some(values: Floats, keep: Sequence[float], most: int) -> list[int]:
    """Pick evenly spread indices, the first, the last and those of some values among them."""
    count = len(values)
    if count <= most:
        return list(range(count))
    kept = {0, count - 1, *(int(np.argmin(np.abs(values - v))) for v in keep)}
    for size in range(most, 1, -1):
        chosen = kept | {round(i) for i in np.linspace(0, count - 1, size)}
        if len(chosen) <= most:
            return sorted(chosen)
    return sorted(kept)


def _margins(table: HeightTable, pair: Pair) -> str:
    there, back = (decibel_words(m) for m in pair.fade_margins_db)
    arrives = probability_words(pair.delivery_probability)
    return f"margin {there} to {table.to} and {back} to {table.from_}; a message arrives with {arrives}"


def _prices(page: Page, table: HeightTable) -> None:
    p, guessed = table.prices, {a.key for a in table.assumed}
    page.heading("What a mast costs")
    for key, words in (
        ("cost_per_mast", f"{cost_words(p.cost_per_mast)} each, whatever its length"),
        ("cost_per_m", _each(p.cost_per_m)),
        ("guyed_cost_per_m", f"{_each(p.guyed_cost_per_m)}, from its foot, where it is guyed"),
        ("guyed_above_m", f"guyed above {height_words(p.guyed_above_m)}"),
    ):
        page.item(f"{words} ({key}{', assumed' if key in guessed else ''})")
    feet = zip(table.bases_m, (table.from_, table.to), strict=True)
    if bases := [f"{_metres(base)} at {name}" for base, name in feet if base]:
        page.item(f"masts stand on what is there already: {' and '.join(bases)}")
    if guessed:
        source = table.assumed[0].source
        page.wrap(f"Assumed: {source}. Any currency: only the proportions matter.", indent=2)


def _metres(height_m: float) -> str:
    return f"{figure_words(height_m)} m"


def figure_words(height_m: float) -> str:
    """A height to a centimetre, with no more decimals than it has but one."""
    words = rounded(height_m, 2)
    return words[:-1] if words.endswith("0") else words

"""What the sections of a record are made of: tables, lists, figures in words."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Protocol

from linkcalc.views.record.markup import Child, Html, h
from linkcalc.views.words import decibel_words, rounded


class Way(Protocol):
    """A direction of a link."""

    @property
    def from_(self) -> str:
        """Sending station."""

    @property
    def to(self) -> str:
        """Receiving station."""


_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def section(title: str, *parts: Child, class_: str | None = None) -> Html:
    """A part of the record under a heading."""
    return h("section", h("h2", title), parts, class_=class_)


def bullets(lines: Iterable[str]) -> Html:
    """A list."""
    return h("ul", [h("li", line) for line in lines])


def table(
    head: Sequence[str],
    rows: Iterable[tuple[str, Sequence[Child]]],
    *,
    figures: bool = False,
    words: frozenset[str] | set[str] = frozenset(),
    fill: bool = False,
) -> Html:
    """A table with a heading for every row and column.

    Parameters
    ----------
    head : sequence of str
        First that of the row headings.
    rows : iterable of (str, cells)
    figures : bool
        Cells are figures, which no line break parts, but for rows named in `words`.
    words : set of str
    fill : bool
        Cells are to be written in by hand.

    Returns
    -------
    Html
        Kept on one page.
    """
    header = h(
        "tr",
        [h("th", name, class_="n" if figures and i else None, scope="col") for i, name in enumerate(head)],
    )
    body = [
        h(
            "tr",
            h("th", name, scope="row"),
            [h("td", _typeset(c), class_=_side(figures, name in words)) for c in cells],
        )
        for name, cells in rows
    ]
    kind = "pairs fill" if fill else "pairs"
    return h("div", h("table", h("thead", header), h("tbody", body), class_=kind), class_="scroll keep")


def grid(
    head: Sequence[Child], rows: Iterable[Html], numeric: Iterable[int] = (), *, small: bool = False
) -> Html:
    """A table of records, which may run over several pages.

    Parameters
    ----------
    head : sequence of str or Html
    rows : iterable of Html
        Made by `row`.
    numeric : iterable of int
        Columns whose headings stand over figures.
    small : bool
        Set in smaller type.
    """
    figures = set(numeric)
    header = h(
        "tr",
        [h("th", name, class_="n" if i in figures else None, scope="col") for i, name in enumerate(head)],
    )
    return h(
        "div", h("table", h("thead", header), h("tbody", rows)), class_="scroll small" if small else "scroll"
    )


def row(cells: Sequence[Child], numeric: Iterable[int] = (), *, class_: str | None = None) -> Html:
    """A row of a `grid`; its first cell names it."""
    figures = set(numeric)
    named = h("th", cells[0], scope="row")
    return h(
        "tr",
        named,
        [h("td", _typeset(c), class_="n" if i in figures else None) for i, c in enumerate(cells[1:], 1)],
        class_=class_,
    )


def _side(figures: bool, words: bool) -> str | None:
    if not figures:
        return None
    return "r" if words else "n"


def _typeset(cell: Child) -> Child:
    return minus(cell) if isinstance(cell, str) and not isinstance(cell, Html) else cell


def columns(ways: Sequence[Way]) -> list[str]:
    """Column headings of a table with a column for each direction."""
    return ["", *(f"from {w.from_} to {w.to}" for w in ways)]


def blank() -> Html:
    """Room to write something by hand."""
    return h("span", class_="blank")


def minus(words: str) -> str:
    """Give negative figures a real minus sign.

    >>> minus("-3.4 dB, rg-58, -12 to -1 dB, sub-GHz")
    '−3.4 dB, rg-58, −12 to −1 dB, sub-GHz'
    """
    return "".join(
        "−" if c == "-" and words[i + 1 : i + 2].isdigit() and not words[i - 1 : i].isalnum() else c
        for i, c in enumerate(words)
    )


def level(power_dbm: float | None) -> str:
    """A power level.

    >>> level(-101.26), level(None)
    ('−101.3 dBm', 'not measured')
    """
    return "not measured" if power_dbm is None else minus(decibel_words(power_dbm, "dBm"))


def metres(height_m: float) -> str:
    """A height with one decimal.

    >>> metres(412.34)
    '412.3 m'
    """
    return f"{minus(rounded(height_m, 1))} m"


def degrees(bearing_deg: float) -> str:
    """A bearing in three figures, and a tenth.

    >>> degrees(95.32), degrees(359.98)
    ('095.3°', '000.0°')
    """
    return f"{round(bearing_deg, 1) % 360.0:05.1f}°"


def date_words(day: date) -> str:
    """A date that nobody takes for another.

    >>> date_words(date(2031, 6, 5))
    '5 June 2031'
    """
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"

"""A page of the terminal: lines of a fixed width, tables, colour where the stream has it.

Every report of these views takes a `Screen` besides what it reports, and ends in a line feed.
"""

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TextIO, TypedDict

from linkcalc.link.result import LinkResult
from linkcalc.views import style, units
from linkcalc.views.words import VERDICT_WORDS

_BOLD, _RESET = "\x1b[1m", "\x1b[0m"

_NARROWEST_NAME = 8
"""Columns that the first cell of a row has at least."""

NO_BREAK = "\u00a0"

TOGETHER = re.compile(r"\bk = \d|\d (?:dBm|dBi|dBd|dB|km|m|ft|mi|in|gal|gpm|MHz|kHz|Hz|ms|s|bytes|W|%)(?!\w)")
"""Figure and unit, which no line break parts."""

_PLAIN = str.maketrans(
    {
        **dict.fromkeys("−–—·", "-"),
        **dict.fromkeys("µμ", "u"),
        **dict.fromkeys("“”", '"'),
        **dict.fromkeys("‘’", "'"),
        **{"→": "->", "×": "x", "…": "...", "°": " deg", "±": "+-", "≥": ">=", "≤": "<=", "ß": "ss"},
        **{"λ": "lambda", "σ": "sigma"},
    }
)


def abilities(stream: TextIO, environ: Mapping[str, str]) -> tuple[bool, bool]:
    """Return (colour, ascii_only) of a `Screen`: what a stream can show, and NO_COLOR and TERM=dumb allow."""
    colour = stream.isatty() and not environ.get("NO_COLOR") and environ.get("TERM") != "dumb"
    try:
        "→°±·…─×−".encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return colour, True
    return colour, False


Columns = Sequence[tuple[str, int, Callable[[Any], str]]]
"""Of a table: head, width, and what of each thing stands in it."""


class Screen(TypedDict, total=False):
    """What every report takes besides what it reports: columns, ANSI sequences, nothing but ASCII."""

    width: int
    colour: bool
    ascii_only: bool


class Page:
    """Lines of a fixed width; every text is cleaned before it is measured."""

    def __init__(
        self, width: int = 80, *, colour: bool = False, ascii_only: bool = False, least: int = 0
    ) -> None:
        self.width = max(width, least)
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

    def directions(self, ways: Sequence[Any], rows: Iterable[tuple[str, Sequence[str]]]) -> None:
        """Write a table of figures by direction, each with `from_` and `to`."""
        figure = min(22, (self.width - 26) // len(ways))
        widths = [self.width - 2 - len(ways) * figure, *[figure] * len(ways)]
        self.row(["", *[f"from {d.from_}" for d in ways]], widths)
        self.row(["", *[f"to {d.to}" for d in ways]], widths)
        for name, figures in rows:
            self.row([name, *figures], widths)

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
            self._lines.append(
                f"{style.VERDICT_TERMINAL[link.verdict]}{words}{_RESET}  {_BOLD}{name}{_RESET}"
            )
        else:
            self.line(f"{words}  {name}")

    def wrap(self, text: str, *, indent: int = 0, hanging: int | None = None, bold: bool = False) -> None:
        rest = indent if hanging is None else hanging
        whole = TOGETHER.sub(lambda m: m[0].replace(" ", NO_BREAK), self.clean(text))
        for i, line in enumerate(_wrapped(whole, max(self.width - indent, 1), max(self.width - rest, 1))):
            self.line(" " * (rest if i else indent) + line)
            if self._colour and bold:
                self._lines[-1] = f"{_BOLD}{self._lines[-1]}{_RESET}"

    def items(self, title: str, lines: Iterable[str], *, minor: bool = False) -> None:
        """Write a heading and an item for each line; nothing where there is none."""
        for number, line in enumerate(lines):
            if not number:
                self.heading(title, minor=minor)
            self.item(line)

    def item(self, text: str) -> None:
        self.wrap(f"- {text}", indent=2, hanging=4)

    def fact(self, text: str) -> None:
        """Write a paragraph that belongs under what stands before it, its further lines set in."""
        self.wrap(text, indent=2, hanging=4)

    def notes(self, lines: Iterable[str]) -> None:
        for line in lines:
            self.fact(f"Note: {line}")

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

    def table(self, columns: Columns, things: Iterable[Any]) -> None:
        """Write a head and a row for each thing; a first column without a width has the room that the others leave."""
        heads, widths, cells = zip(*columns, strict=True)
        widths = (widths[0] or self.width - 2 - sum(widths), *widths[1:])
        self.row(heads, widths)
        for thing in things:
            self.row([cell(thing) for cell in cells], widths)

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
            for row, widths in rows:
                self._row([row[i] for i in (0, *part)], [name, *(widths[i] for i in part)])

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


def _ascii(text: str) -> str:
    text = text.translate(_PLAIN)
    out = []
    for c in text:
        plain = unicodedata.normalize("NFKD", c).encode("ascii", "ignore").decode()
        out.append(plain or "?")
    return "".join(out)


def cells(text: str) -> int:
    """Columns a terminal gives to the text."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )


def _cut(text: str, width: int, ellipsis: str = "…") -> str:
    if cells(text) <= width:
        return text
    while text and cells(text) > width - len(ellipsis):
        text = text[:-1]
    return text.rstrip() + ellipsis


def _pad(text: str, width: int, *, right: bool = False) -> str:
    space = " " * max(0, width - cells(text))
    return space + text if right else text + space


def _wrapped(text: str, first: int, rest: int) -> list[str]:
    """Break at spaces; a word that alone is too long is cut where the line ends."""
    width = first
    lines: list[str] = []
    line = ""
    for word in text.split(" "):
        if line and cells(line) + 1 + cells(word) > width:
            lines.append(line)
            line, width = word, rest
        else:
            line = f"{line} {word}" if line else word
        while cells(line) > width:
            head = line[:1]  # one at least, however wide: or the line would never end
            while len(head) < len(line) and cells(head + line[len(head)]) <= width:
                head += line[len(head)]
            lines.append(head)
            line, width = line[len(head) :], rest
    lines.append(line)
    return lines

"""Blocks of a report, as text, Markdown or JSON: a heading, sentences, a table."""

import json
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

WIDTH = 100

CHANCE = 0.05
"""A share that is off with more than this probability by chance alone misses no bar: the links are too few to tell."""

Cell = str | int | float


@dataclass(frozen=True)
class Block:
    """One part of the report. Numbers in the table are shown with one decimal, whole numbers as they are."""

    title: str
    text: Sequence[str] = ()
    heads: Sequence[str] = ()
    rows: Sequence[Sequence[Cell]] = ()


@dataclass(frozen=True)
class Bar:
    """A stated bar, and whether it is met."""

    what: str
    met: bool
    numbers: str
    value: float
    limit: float
    by_chance: float = 0.0
    """Probability of a value so far off, or farther, at links that are just at the limit; 0 if met or unknown."""

    @property
    def missed(self) -> bool:
        """Off by more than so few links may be by chance."""
        return not self.met and self.by_chance < CHANCE

    @property
    def word(self) -> str:
        """How it stands."""
        return "met" if self.met else "MISSED" if self.missed else "OPEN"


@dataclass
class SetReport:
    """All there is to say of one set."""

    name: str
    judged: bool
    blocks: list[Block] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)


def cell(value: Cell) -> str:
    """A number with one decimal, unknown as a dash; words and whole numbers as they are."""
    if isinstance(value, float):
        return _short(value) if math.isfinite(value) else "-"
    return str(value)


def plus_minus(value: float, error: float) -> str:
    """A difference with its standard error."""
    sign = "+" if value >= 0.0 else ""
    return f"{sign}{_short(value)} ± {_short(error)}"


def _short(value: float) -> str:
    return f"{value:.1f}" if abs(value) < 1e4 else f"{value:.0e}"


def as_text(reports: Sequence[SetReport]) -> str:
    """For a terminal, at most 100 columns wide."""
    parts = []
    for report in reports:
        parts.append(f"{report.name}\n{'=' * len(report.name)}")
        for block in _all_blocks(report):
            lines = [block.title, "-" * len(block.title)]
            for sentence in block.text:
                lines += textwrap.wrap(sentence, WIDTH, initial_indent="  ", subsequent_indent="    ")
            if block.heads:
                lines += ["", *_aligned(block)]
            parts.append("\n".join(lines))
    return "\n\n".join(parts)


def as_markdown(reports: Sequence[SetReport]) -> str:
    """For the documentation."""
    parts = []
    for report in reports:
        parts.append(f"## {report.name}")
        for block in _all_blocks(report):
            parts.append(f"### {block.title}")
            if block.text:
                parts.append("\n".join(f"- {_escaped(sentence)}" for sentence in block.text))
            if block.heads:
                right = _right(block)
                rule = "|".join("--:" if i in right else "---" for i in range(len(block.heads)))
                rows = ["| " + " | ".join(_escaped(cell(c)) for c in row) + " |" for row in block.rows]
                parts.append("\n".join(["| " + " | ".join(block.heads) + " |", f"|{rule}|", *rows]))
    return "\n\n".join(parts)


def as_json(reports: Sequence[SetReport]) -> str:
    """For programs; unknown numbers are null."""
    return json.dumps([_plain(report) for report in reports], indent=2, ensure_ascii=False)


def _plain(report: SetReport) -> dict[str, Any]:
    return {
        "set": report.name,
        "judged": report.judged,
        "blocks": [
            {
                "title": b.title,
                "text": list(b.text),
                "rows": [dict(zip(b.heads, map(_finite, row), strict=True)) for row in b.rows],
            }
            for b in report.blocks
        ],
        "bars": [
            {
                "what": b.what,
                "met": b.met,
                "by_chance": b.by_chance,
                "numbers": b.numbers,
                "value": _finite(b.value),
                "limit": _finite(b.limit),
            }
            for b in report.bars
        ],
    }


def _finite(value: Cell) -> Cell | None:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _all_blocks(report: SetReport) -> list[Block]:
    if not report.bars:
        return report.blocks
    lines = [f"{bar.word:6}  {bar.what}: {bar.numbers}" for bar in report.bars]
    return [*report.blocks, Block("Bars", lines)]


def _right(block: Block) -> set[int]:
    return set(range(1, len(block.heads)))


def _aligned(block: Block) -> list[str]:
    right = _right(block)
    cells = [list(block.heads), *([cell(c) for c in row] for row in block.rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(block.heads))]
    return [
        "  "
        + "  ".join(
            c.rjust(w) if i in right else c.ljust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    ]


def _escaped(text: str) -> str:
    return text.replace("|", "\\|").replace("<", "&lt;").replace(">", "&gt;")

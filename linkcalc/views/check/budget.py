"""A budget as it is printed: rounded, and adding up."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from linkcalc.link.result import Direction, Term
from linkcalc.views.link_words import TERMS


@dataclass(frozen=True)
class BudgetLine:
    """One printed line of a budget, in tenths of a decibel."""

    name: str
    value_db: float
    kind: Literal["term", "rounding", "sum"]
    unit: str = ""


def term_words(term: Term) -> str:
    """Return a term's name without the station it belongs to, where its block of the budget tells that."""
    return term.name if term.group == "path" else TERMS[term.kind]


def budget_lines(direction: Direction) -> list[BudgetLine]:
    """Return a budget as printed: rounded to tenths, each block adding up to the sum below it."""
    lines: list[BudgetLine] = []
    # whole numbers: sums of rounded floats would now and then part the last tenth from what is printed
    exact = level = 0  # in millionths of a decibel, and as printed in tenths
    levels = {}
    for groups, name, sign in (
        (("transmitter",), "EIRP", 1),
        (("path", "receiver"), "Received power", 1),
        (("threshold",), "Sensitivity", -1),
    ):
        # what leads to the sensitivity builds up (noise, then what the signal needs over it): it is subtracted
        if sign < 0:
            exact = level = 0
        for t in (t for t in direction.terms if t.group in groups):
            micro = sign * round(t.value_db * 1e6)
            exact += micro
            level += _tenths(micro)
            lines.append(BudgetLine(term_words(t), _tenths(micro) / 10, "term"))
        # every figure is the nearest to its value: what the printed terms lack of the printed sum is told
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


def budget_rows(directions: Sequence[Direction]) -> list[tuple[BudgetLine, list[BudgetLine | None]]]:
    """Budgets side by side: for each row its first line, and the line of each direction that has it."""
    columns = [_by_place(budget_lines(d)) for d in directions]
    order: list[tuple[int, str, int]] = []
    for column in columns:
        # each column's order is kept as far as they agree
        position = 0
        for place in column:
            if place in order:
                position = order.index(place) + 1
            else:
                order.insert(position, place)
                position += 1
    rows = ([column.get(place) for column in columns] for place in order)
    return [(next(line for line in row if line), row) for row in rows]


def term_notes(directions: Sequence[Direction]) -> dict[str, dict[str, list[str]]]:
    """What is noted of terms, by their names: each note, and the stations whose term it is."""
    notes: dict[str, dict[str, list[str]]] = {}
    for d in directions:
        for t in (t for t in d.terms if t.note):
            station = d.from_ if t.group == "transmitter" else d.to
            stations = notes.setdefault(term_words(t), {}).setdefault(t.note, [])
            if t.group != "path" and station not in stations:
                stations.append(station)
    return notes


def _by_place(lines: Sequence[BudgetLine]) -> dict[tuple[int, str, int], BudgetLine]:
    """Lines by block, name, and how often the name came before in it: what makes two columns share a row."""
    places: dict[tuple[int, str, int], BudgetLine] = {}
    block = 0
    for line in lines:
        before = sum((block, line.name) == place[:2] for place in places)
        places[block, line.name, before] = line
        block += line.kind == "sum"
    return places

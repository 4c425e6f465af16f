"""Tables that a narrow screen shows as lists."""

import re

LONG = 45
"""Letters from which a cell is a sentence."""

_TABLE = re.compile(r'<table class="docutils[^"]*">.*?</table>', re.S)
_ROW = re.compile(r"<tr.*?</tr>", re.S)
_CELL = re.compile(r"<t([hd])\b[^>]*>(.*?)</t\1>", re.S)


def with_heads(page: str) -> str:
    """Mark tables of three columns or more that hold sentences, and name each of their cells.

    The style sheet sets such a table as a list where the screen is narrow: columns of two words are no reading.
    """
    return _TABLE.sub(lambda found: _named(found[0]), page)


def _named(table: str) -> str:
    rows = [_CELL.findall(row) for row in _ROW.findall(table)]
    heads = [_words(cell) for _, cell in rows[0]]
    longest = max(len(_words(cell)) for row in rows for _, cell in row)
    if len(heads) < 3 or longest < LONG:
        return table

    def row(found: re.Match[str]) -> str:
        names = iter(heads)
        return re.sub(r"<td\b", lambda _: f'<td data-head="{next(names)}"', found[0])

    return _ROW.sub(row, table).replace('class="docutils', 'class="sentences docutils', 1)


def _words(cell: str) -> str:
    return re.sub(r"<[^>]+>", "", cell).strip()

"""Tables that people make, in a spreadsheet or by hand: one reader for readings, nodes, sites, profiles and patterns.

A table has a header line, then a row a line; its cells are separated by semicolons, tabs or commas, whichever parts the
header into most. It may begin with a spreadsheet's own hint (``sep=;``). Empty lines and lines that start with ``#``
are skipped. UTF-8, UTF-16 with a byte order mark, or Windows-1252.

A column is known by its key however it is written (``RSSI [dBm]`` is rssi_dbm), or by a usual name that leaves no doubt
of the unit. A comma within a number is a decimal comma. Before three digits it may as well separate thousands, and is
refused, unless another number of the table shows that its commas are decimal ones.

Every function here raises `TableError`, which the reader of a kind of file makes its own error of. `csv.Sniffer` is not
used: it takes decimal commas for separators.
"""

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path

from linkcalc.errors import printable, quoted

_SEPARATORS = ";\t,"
_LONGEST_CELL = 8
"""Lines of a quoted cell; a stray quotation mark must not swallow the rest of the file."""
_SIGNS = str.maketrans({"−": "-", "–": "-", "\xa0": " ", "\u202f": " "})
_NUMBER = re.compile(r"([-+]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][-+]?[0-9]{1,3})?)\s*([^\s0-9.,]*)\.?")
# none begins with 0: in 0,250 the comma can be a decimal one only
_MAY_BE_THOUSANDS = re.compile(r"[-+]?[1-9][0-9]{0,2},[0-9]{3}")
_DECIMAL_COMMA = re.compile(r"[-+]?(?:[0-9]*,(?:[0-9]{1,2}|[0-9]{4,})|(?:0|[0-9]{4,})?,[0-9]{3})")
_UNITS = {"db": ("db", "dbm", "dbi"), "dbm": ("dbm", "db"), "dbi": ("dbi", "db"), "deg": ("°", "deg")}
"""How the unit of a key may be written behind a number, where not as in the key."""


class TableError(ValueError):
    """A table that cannot be used, or a cell of it."""

    def __init__(self, reason: str, row: int | None = None) -> None:
        super().__init__(printable(reason if row is None else f"row {row}: {reason}"))
        self.row = row
        """Line of the file, as a spreadsheet numbers it."""

    def at(self, file: str | Path) -> str:
        """The whole line: which file, where in it, and what is wrong."""
        return f"{printable(str(file))}: {self}" if self.row is None else f"{printable(str(file))}, {self}"


@dataclass(frozen=True)
class Row:
    """One row below the header."""

    number: int
    cells: tuple[str, ...]
    fault: str = ""
    """Why its cells do not stand under the columns; empty: they do."""


@dataclass(frozen=True)
class Table:
    """What a file holds."""

    header_row: int
    header: tuple[str, ...]
    rows: tuple[Row, ...]
    separator: str
    repeated: tuple[int, ...] = ()
    """Lines that hold the header once more; they are none of the rows."""

    @cached_property
    def _commas_are_decimal(self) -> bool:
        """Whether its numbers show it: one has a comma that separates no thousands, and none a decimal point."""
        cells = [cell for row in self.rows for cell in row.cells]
        # one decimal point is enough for doubt: the commas beside it may separate thousands
        points = any(re.fullmatch(r"[-+]?[0-9]+\.[0-9]+", cell) for cell in cells)
        return not points and any(_DECIMAL_COMMA.fullmatch(cell) for cell in cells)

    def plain(self, key: str, cell: str) -> str:
        """A cell of numbers as Python reads it; text that is no number as it stands."""
        return plain_number(key, cell, thousands=self.separator == "," or not self._commas_are_decimal)

    def numbers(self, row: Row, columns: Sequence[tuple[str, int]]) -> list[float]:
        """The finite numbers of a row, in columns given by key and place."""
        if row.fault:
            raise TableError(row.fault, row.number)
        try:
            return [number(key, self.plain(key, row.cells[place])) for key, place in columns]
        except TableError as error:
            raise TableError(str(error), row.number) from None

    def keys(self, known: Sequence[str], usual: Mapping[str, str] | None = None) -> tuple[str, ...]:
        """The key of each column, empty where it is none of those known.

        `usual` holds other names that a column may have, to the key they stand for where no column has that; the
        first counts.
        """
        written = [key_of(cell) for cell in self.header]
        keys = [key if key in known else "" for key in written]
        twice = next((key for key in keys if key and keys.count(key) > 1), None)
        if twice is not None:
            raise TableError(f"two columns are named {twice}", self.header_row)
        for name, key in (usual or {}).items():
            if name in written and key not in keys:
                keys[written.index(name)] = key
        return tuple(keys)

    def strange(self, keys: Sequence[str], known: Sequence[str], hints: Mapping[str, str]) -> dict[str, str]:
        """Headers of the columns without a key, each with the key that may be meant, or nothing."""
        free = [key for key in known if key not in keys]
        pairs = zip(self.header, keys, strict=True)
        return {cell: likely_key(cell, free, hints) for cell, key in pairs if cell and not key}

    @property
    def names_numbers(self) -> bool:
        """Whether what should be the header is a row of numbers."""
        return any(_NUMBER.fullmatch(cell.translate(_SIGNS)) for cell in self.header)


def likely_key(header: str, known: Sequence[str], hints: Mapping[str, str]) -> str:
    """The key that a header may mean, by its first word or by its letters; empty where none is near."""
    plain = re.sub(r"[^a-z]+", "_", header.lower()).strip("_")
    hint = hints.get(plain.split("_")[0], "")
    names = {key.rpartition("_")[0]: key for key in known} | {key: key for key in known}
    near = get_close_matches(plain[:40], names, n=1, cutoff=0.75)
    return hint if hint in known else next((names[name] for name in near), "")


def key_of(header: str) -> str:
    """A column's header as a key."""
    return re.sub(r"[^a-z0-9]+", "_", header.lower().replace("°", "deg")).strip("_")


def plain_number(key: str, cell: str, *, thousands: bool) -> str:
    """A number as Python writes it, without the key's unit; text that is no number as it stands. Where a comma may
    separate thousands, one before three digits is refused.

    >>> [plain_number(k, c, thousands=True) for k, c in (("snr_db", "−4,5 dB"), ("mast_m", "12 ft"), ("sent", "ten"))]
    ['-4.5', '12 ft', 'ten']
    """
    text = cell.translate(_SIGNS).strip()
    found = _NUMBER.fullmatch(text)
    unit = key.rpartition("_")[2]
    # a number in another unit stays text, so that 12 ft is refused and not read as 12 m
    if found is None or found[2].lower() not in ("", *_UNITS.get(unit, (unit,))):
        return cell.strip()
    plain = found[1].replace(",", ".")
    if thousands and _MAY_BE_THOUSANDS.match(text):
        raise TableError(
            f"{key} = {quoted(cell)}: write {plain} or {plain.replace('.', '')}, whichever is meant"
        )
    return plain


def number(key: str, plain: str) -> float:
    """The number that a plain cell holds; it may be infinite, where it is too large."""
    found = _NUMBER.fullmatch(plain)
    if not plain:
        raise TableError(f"{key} is empty")
    if found is None or found[2] or "," in plain:
        grouped = re.fullmatch(r"[-+]?[0-9]{1,3}(?:[\s.,'’][0-9]{3})+(?:[.,][0-9]*)?", plain)
        remedy = "; write a decimal point and no separator of thousands" if grouped else ""
        raise TableError(f"{key} = {quoted(plain)} is not a number{remedy}")
    return float(plain)


def text_of(path: str | Path, *, largest_bytes: int, what: str) -> str:
    """The text of a file, whatever program saved it; a larger file is not read, and no `what`."""
    try:
        with open(path, "rb") as file:
            # one byte beyond the limit shows that a file is too large, without reading all of it
            raw = file.read(largest_bytes + 1)
    except OSError as error:
        raise TableError(f"cannot be read: {error.strerror or error}") from None
    if len(raw) > largest_bytes:
        raise TableError(f"is larger than {largest_bytes // 1_000_000} MB; no {what} is")
    return decoded(raw)


def decoded(raw: bytes) -> str:
    """The text that bytes hold."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = raw.decode("utf-16", errors="replace")
    else:
        # line by line, for files pasted together from two programs
        lines = raw.removeprefix(b"\xef\xbb\xbf").splitlines(keepends=True)
        text = "".join(_decoded_line(line) for line in lines)
    # binary data, or UTF-16 without its byte order mark: both decode without an error
    if "\0" in text:
        raise TableError("is not a text file; save it as CSV")
    return text.removeprefix("\ufeff")


def _decoded_line(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def table_of(text: str, wanted: str) -> Table:
    """The table that a text holds; `wanted` says what to write where it holds none.

    >>> table = table_of("sep=;\\nName; Height [m]\\n# measured\\ntank;2,5\\n", "write a header line")
    >>> table.keys(["name", "height_m"]), table.rows[0].number, table.plain("height_m", table.rows[0].cells[1])
    (('name', 'height_m'), 4, '2.5')
    """
    if not text.strip():
        raise TableError(f"is empty; {wanted}")
    lines = [
        (number, line)
        for number, line in enumerate(re.split(r"\r\n|\r|\n", text), 1)
        if line.strip(" ,;\t\"'") and not line.lstrip(' "').startswith("#")
    ]
    hint = re.fullmatch(r"sep=(.?)", lines[0][1].strip(' "'), re.IGNORECASE) if lines else None
    if hint is not None:
        del lines[0]
    if not lines:
        raise TableError(f"holds no rows; {wanted}")
    (first, top), *below = lines
    # on a tie the first wins: a comma may be part of a decimal number, a semicolon is not
    separator = (hint[1] if hint else "") or max(_SEPARATORS, key=lambda s: _parted(top, s))
    header, fault = _cells(top, separator)
    if fault:
        raise TableError(fault, first)
    keys = [key_of(cell) for cell in header]
    rows = list(_rows(below, separator, len(header)))
    repeated = tuple(r.number for r in rows if [key_of(c) for c in r.cells] == keys)
    return Table(first, header, tuple(r for r in rows if r.number not in repeated), separator, repeated)


def _rows(lines: Sequence[tuple[int, str]], separator: str, columns: int) -> Iterator[Row]:
    after = 0
    for i, (number, line) in enumerate(lines):
        if i < after:
            continue
        cells, fault = _cells(line, separator)
        if fault:  # a cell that goes on in the next lines? not over one that is a row of its own
            for end in range(i + 2, min(i + _LONGEST_CELL, len(lines)) + 1):
                if len(lines[end - 1][1].split(separator)) >= columns:
                    break
                joined, damaged = _cells("\n".join(text for _, text in lines[i:end]), separator)
                if not damaged and len(joined) == columns:
                    cells, fault, after = joined, "", end
                    break
        # between commas, empty cells at the end may come of decimal commas before them
        while separator != "," and len(cells) > columns and not cells[-1]:
            cells = cells[:-1]
        yield Row(number, cells, fault or _miscounted(cells, columns, separator, line))


def _cells(text: str, separator: str) -> tuple[tuple[str, ...], str]:
    """The cells of a row, and what is wrong with its quotation marks."""
    try:
        # without strict, csv closes an open quotation mark at the end of the text and says nothing
        rows = list(csv.reader([text], delimiter=separator, strict=True))
    except csv.Error as error:
        unclosed = "unexpected end" in str(error)
        fault = (
            "a quotation mark is not closed" if unclosed else "text stands behind a closing quotation mark"
        )
        return tuple(cell.strip(' "') for cell in text.split(separator)), fault
    return tuple(cell.strip() for row in rows for cell in row), ""


def _parted(header: str, separator: str) -> int:
    cells, fault = _cells(header, separator)
    return 0 if fault else len(cells)


def _miscounted(cells: Sequence[str], columns: int, separator: str, line: str) -> str:
    if len(cells) == columns:
        return ""
    commas = separator == "," and len(cells) > columns and re.search(r"\d,\d", line)
    hint = ": decimal commas? write points, or separate the columns by semicolons" if commas else ""
    return f"{len(cells)} {'value' if len(cells) == 1 else 'values'} under {columns} columns{hint}"

"""Files of signal readings taken on site, read so that no good row is lost to a bad one.

A row that cannot be used is refused with one line that names it and the remedy; the others are read. Only a
file of which nothing can be used is an error.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from linkcalc.errors import ReadingsError
from linkcalc.site.reading import COLUMNS as COLUMNS
from linkcalc.site.reading import Reading as Reading
from linkcalc.site.reading import Readings as Readings
from linkcalc.site.reading import RefusedRow as RefusedRow
from linkcalc.site.reading import Way as Way
from linkcalc.site.reading_cells import NUMBERS, one_line, reading_of
from linkcalc.tabular import Table, TableError, likely_key, plain_number, table_of, text_of

LARGEST_FILE_BYTES = 20_000_000
MOST_ROWS = 100_000

_MEASURED = ("rssi_dbm", "snr_db", "received")
_USUAL_NAMES = {
    "rssi": "rssi_dbm",
    "snr": "snr_db",
    "lat": "latitude_deg",
    "latitude": "latitude_deg",
    "lon": "longitude_deg",
    "long": "longitude_deg",
    "lng": "longitude_deg",
    "longitude": "longitude_deg",
    "date": "time",
    "timestamp": "time",
    "sf": "spreading_factor",
    "comment": "note",
}
"""Names that leave no doubt of what a column holds, and in which unit."""
_HINTS = {
    **_USUAL_NAMES,
    "level": "rssi_dbm",
    "power": "rssi_dbm",
    "signal": "rssi_dbm",
    "tx": "sent",
    "rx": "received",
    "engine": "engine_running",
    "place": "spot",
    "location": "spot",
    "way": "direction",
    "spreading": "spreading_factor",
    "bw": "bandwidth_khz",
    "bandwidth": "bandwidth_khz",
}
"""First words of names that may mean a column."""
_WANTED = "write a header line and a row for each packet or burst"

Record = tuple[int, Mapping[str, str] | str]
"""A row with its number: its cells by column, or why it cannot be used."""


def read_readings(path: str | Path, stations: tuple[str, str], *, direction: Way | None = None) -> Readings:
    """Read a file of readings, CSV or JSON; `direction` is that of rows that do not say.

    CSV: a header line, then one row a packet or burst, as `linkcalc.tabular` reads tables, with the columns
    that ``linkcalc survey --help`` lists, in any order. `received` 0 and no level says "heard nothing".
    Seconds or milliseconds since 1970 are times too; where all times are whole minutes they are taken for
    rounded.

    JSON: an object with ``readings``, a list of objects with the same keys; optionally ``link`` (a name),
    ``plan_digest``, ``where`` with the ``positions_deg`` of both stations, ``heights`` with ``near_height_m`` and
    ``far_height_m``, and ``settings`` with any other of these keys, for all readings that do not say.

    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp(), "readings.csv")
    >>> _ = file.write_text("direction,rssi_dbm,snr_db\\nforward,-101,7.5\\nreturn,85,9\\n")
    >>> found = read_readings(file, ("tank", "shed"))
    >>> found.readings[0].rssi_dbm, found.refused[0].reason
    (-101.0, 'rssi_dbm = 85 is positive; a level heard by radio is negative: write -85')
    """
    text = _text_of(path)
    if text.lstrip()[:1] in ("{", "["):
        return _from_json(path, text, stations, direction)
    return readings_of_csv(path, text, stations, direction=direction)


def read_all(
    paths: Sequence[str | Path], stations: tuple[str, str], *, direction: Way | None = None
) -> Readings:
    """Read several files of one link as one; what one holds of another's readings counts once."""
    found = [read_readings(path, stations, direction=direction) for path in paths]
    if len(found) == 1:
        return found[0]
    names = _told_apart([Path(path) for path in paths])
    readings: list[Reading] = []
    refused: list[RefusedRow] = []
    notes: list[str] = []
    whole: dict[tuple[Reading, ...], str] = {}
    seen: set[Reading] = set()
    for name, one in zip(names, found, strict=True):
        bare = tuple(_bare(r) for r in one.readings)
        # a file saved at noon stands at the head of the evening's
        head = max((len(w) for w in whole if _begins_with(bare, w)), default=0)
        twin = whole.get(bare) or next((n for w, n in whole.items() if _begins_with(w, bare)), None)
        if twin is not None:
            notes.append(f"{name} holds the readings of {twin} once more; counted once")
            continue
        whole[bare] = name
        by_second = _stamped_by_second(one.readings)
        rest = zip(one.readings[head:], bare[head:], strict=True)
        new = [r for r, b in rest if not (by_second and r.time and b in seen)]
        if len(new) < len(bare):
            notes.append(f"{name}: {len(bare) - len(new)} readings stand in another file too; counted once")
        seen.update(bare)
        readings += (replace(r, file=name) for r in new)
        refused += (replace(r, file=name) for r in one.refused)
        notes += (f"{name}: {note}" for note in one.notes)
    links = list(dict.fromkeys(f.link for f in found if f.link))
    digests = list(dict.fromkeys(f.plan_digest for f in found if f.plan_digest))
    if len(links) > 1:
        notes.append("the files name different links: " + ", ".join(f'"{one_line(name)}"' for name in links))
    if len(digests) > 1:
        notes.append("the files were made for different versions of the plan")
    return Readings(
        ", ".join(names),
        tuple(readings),
        tuple(refused),
        tuple(dict.fromkeys(notes)),
        links[0] if links else None,
        digests[0] if digests else None,
        tuple(position for f in found for position in f.positions_deg),
    )


def _begins_with(readings: tuple[Reading, ...], others: tuple[Reading, ...]) -> bool:
    """Whether readings begin with all others; of one minute alone it would be chance."""
    several = len({r.time for r in others if r.time is not None}) > 1
    return several and readings[: len(others)] == others


def _told_apart(paths: Sequence[Path]) -> list[str]:
    """Names of the files; with their folder where two have the same."""
    names = [path.name for path in paths]
    return [p.name if names.count(p.name) == 1 else str(p) for p in paths]


def _bare(reading: Reading) -> Reading:
    """Without where it stands, to tell whether two are the same."""
    return replace(reading, row=0, file="")


def _stamped_by_second(readings: Sequence[Reading]) -> bool:
    """Whether times are told to the second: rounded to the minute, two packets may well look the same."""
    return any(r.time is not None and (r.time.second or r.time.microsecond) for r in readings)


def link_named_in(path: str | Path) -> str | None:
    """Name of the link that a JSON file of readings says it is for; None where it does not say."""
    text = _text_of(path)
    if not text.lstrip().startswith("{"):
        return None
    try:
        content = json.loads(text)
    except (ValueError, RecursionError):
        return None  # `read_readings` says what is wrong
    return _text_or_none(content.get("link"))


def _text_of(path: str | Path) -> str:
    try:
        return text_of(path, largest_bytes=LARGEST_FILE_BYTES, what="file of readings")
    except TableError as error:
        raise ReadingsError(error.at(path)) from None


def readings_of_csv(
    name: str | Path, text: str, stations: tuple[str, str], *, direction: Way | None = None
) -> Readings:
    """The same as `read_readings` from CSV text at hand; `name` is what messages call it."""
    try:
        table = table_of(text, _WANTED)
        keys = table.keys(COLUMNS, _USUAL_NAMES)
        hints = table.strange(keys, COLUMNS, _HINTS)
        _check_columns(table, keys, hints, direction)
    except TableError as error:
        raise ReadingsError(error.at(name)) from None
    if len(table.rows) > MOST_ROWS:
        raise ReadingsError(f"{name}: holds {len(table.rows)} rows; {MOST_ROWS} are the most")
    notes = [
        f'column "{one_line(cell)}" is not known and not used{_write(near)}' for cell, near in hints.items()
    ]
    notes += [f"row {number} is the header once more; skipped" for number in table.repeated]
    return _collected(name, _records(table, keys), "row", stations, direction, notes)


def _records(table: Table, keys: Sequence[str]) -> Iterator[Record]:
    for row in table.rows:
        if row.fault:
            yield row.number, row.fault
            continue
        cells = {key: cell for key, cell in zip(keys, row.cells, strict=True) if key}
        yield row.number, _plain(cells, table.plain)


def _plain(cells: Mapping[str, str], plain: Callable[[str, str], str]) -> Mapping[str, str] | str:
    """Cells with their numbers as Python writes them, or which of them cannot be told."""
    try:
        return {key: plain(key, cell) if key in NUMBERS else cell for key, cell in cells.items()}
    except TableError as error:
        return str(error)


def _check_columns(
    table: Table, keys: Sequence[str], hints: Mapping[str, str], direction: Way | None
) -> None:
    found = next(((cell, near) for cell, near in hints.items() if near), None)
    remedy = f'; for "{one_line(found[0])}" write {found[1]}' if found else ""
    if not any(keys):
        if table.names_numbers:
            raise TableError(
                "no header; the first row must name the columns: direction,rssi_dbm,snr_db, ...",
                table.header_row,
            )
        raise TableError(f"none of its columns is known{remedy}", table.header_row)
    if not any(key in keys for key in _MEASURED):
        raise TableError(f"no column rssi_dbm, snr_db or received{remedy}", table.header_row)
    if "direction" not in keys and direction is None:
        raise TableError(
            "no column direction; add it, or say --direction forward (or return)", table.header_row
        )


def _from_json(path: str | Path, text: str, stations: tuple[str, str], direction: Way | None) -> Readings:
    try:
        content = json.loads(text)
    except RecursionError:
        raise ReadingsError(f"{path}: is nested too deeply for a readings file") from None
    except ValueError as error:
        at = f", line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        raise ReadingsError(f"{path}{at}: is not complete JSON; save it again") from None
    if isinstance(content, list):
        content = {"readings": content}
    rows = content.get("readings")
    if not isinstance(rows, list):
        raise ReadingsError(f'{path}: holds no list "readings"')
    if not rows:
        raise ReadingsError(f'{path}: its list "readings" is empty')
    if len(rows) > MOST_ROWS:
        raise ReadingsError(f"{path}: holds {len(rows)} readings; {MOST_ROWS} are the most")
    tables = [content[part] for part in ("settings", "heights") if isinstance(content.get(part), dict)]
    common = {key: value for table in tables for key, value in table.items() if value is not None}
    strange: dict[str, None] = {}
    found = _collected(path, _json_records(rows, common, strange), "reading", stations, direction, [])
    extra = [
        f'key "{one_line(name)}" is not known and not used{_write(likely_key(name, COLUMNS, _HINTS))}'
        for name in strange
    ]
    return replace(
        found,
        notes=(*found.notes, *extra),
        link=_text_or_none(content.get("link")),
        plan_digest=_text_or_none(content.get("plan_digest")),
        positions_deg=_positions_deg(content.get("where")),
    )


def _positions_deg(where: Any) -> tuple[tuple[float, float] | None, ...]:
    positions = where.get("positions_deg") if isinstance(where, dict) else None
    if not isinstance(positions, list) or len(positions) != 2:
        return ()
    return tuple(
        (float(p[0]), float(p[1]))
        if isinstance(p, list) and len(p) == 2 and all(isinstance(x, int | float) for x in p)
        else None
        for p in positions
    )


def _json_records(rows: list[Any], common: Mapping[str, Any], strange: dict[str, None]) -> Iterator[Record]:
    for number, row in enumerate(rows, 1):
        if not isinstance(row, dict):
            yield number, "is not an object with keys"
            continue
        stated = {**common, **{key: value for key, value in row.items() if value is not None}}
        strange.update(dict.fromkeys(key for key in stated if key not in COLUMNS))
        cells = {key: _as_cell(value) for key, value in stated.items() if key in COLUMNS}
        nested = next((key for key, cell in cells.items() if cell is None), None)
        if nested:
            yield number, f"{nested} is neither a number nor text"
        else:
            written = {key: cell or "" for key, cell in cells.items()}
            yield number, _plain(written, partial(plain_number, thousands=True))


def _as_cell(value: Any) -> str | None:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return repr(value)
    return value if isinstance(value, str) else None


def _text_or_none(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None


def _collected(
    path: str | Path,
    records: Iterable[Record],
    what: str,
    stations: tuple[str, str],
    direction: Way | None,
    notes: list[str],
) -> Readings:
    readings: list[Reading] = []
    refused: list[RefusedRow] = []
    undated: list[str] = []
    for number, cells in records:
        try:
            if isinstance(cells, str):
                raise TableError(cells)
            reading, no_time, unused = reading_of(cells, number, stations, direction)
        except TableError as error:
            refused.append(RefusedRow(number, str(error)))
            continue
        readings.append(reading)
        notes += (f"{what} {number}: {note}" for note in unused)
        undated += [f"{what} {number}: {no_time}"] if no_time else []
    if undated:
        more = f" ({len(undated) - 1} more like it)" if len(undated) > 1 else ""
        notes.append(f"{undated[0]}; time not used{more}")
    if not readings:
        if not refused:
            raise ReadingsError(f"{path}: a header and no rows; write one for each packet or burst")
        more = "" if len(refused) == 1 else f" (and {len(refused) - 1} more unusable)"
        raise ReadingsError(f"{path}, {what} {refused[0].row}: {refused[0].reason}{more}; no usable reading")
    once = _once(readings, what, notes)
    return Readings(Path(path).name, tuple(once), tuple(refused), tuple(dict.fromkeys(notes)))


def _write(key: str) -> str:
    return f"; write {key}" if key else ""


def _once(readings: list[Reading], what: str, notes: list[str]) -> list[Reading]:
    """Without what the file holds twice: rows alike to the second, or the whole of it pasted again.

    Rows alike to the minute are packets of the same minute: lost ones have nothing to differ in.
    """
    if _stamped_by_second(readings):
        first: dict[Reading, int] = {}
        kept = []
        for r in readings:
            twin = first.setdefault(_bare(r), r.row)
            if twin != r.row and r.time is not None:
                notes.append(f"{what} {r.row} is {what} {twin} once more, to the second; counted once")
            else:
                kept.append(r)
        return kept
    half, odd = divmod(len(readings), 2)
    start, again = readings[:half], readings[half:]
    # alike halves are a paste only where times run on and begin anew: packets of a minute look the same
    times = [r.time.replace(tzinfo=None) for r in start if r.time is not None]
    if odd or len(set(times)) < 2 or len(times) < half or times[0] >= times[-1]:
        return readings
    if [_bare(r) for r in start] != [_bare(r) for r in again]:
        return readings
    notes.append(f"from {what} {again[0].row} on the file holds its readings once more; counted once")
    return start

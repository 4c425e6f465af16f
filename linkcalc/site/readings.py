"""Files of signal readings taken on site, read so that no good row is lost to a bad one.

A row that cannot be used is refused with one line that names it and the mend; the others are read. Only a
file of which nothing can be used is an error.
"""

import csv
import json
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal

from linkcalc.errors import ReadingsError

Way = Literal["there", "back"]
"""there: sent by the link's `from` station, heard at its `to` station; back: the other way."""

LARGEST_FILE_BYTES = 20_000_000
MOST_ROWS = 100_000


@dataclass(frozen=True)
class Reading:
    """One row: a packet, or a burst of packets of which the levels are the median."""

    row: int
    """Line of the file, as a spreadsheet numbers it; in a JSON file the number of the reading."""
    direction: Way
    time: datetime | None = None
    rssi_dbm: float | None = None
    snr_db: float | None = None
    sent: int | None = None
    """None: not counted; only what arrived is known."""
    received: int | None = None
    near_height_m: float | None = None
    """Height above ground of the `from` station's antenna as it was mounted; None: as planned."""
    far_height_m: float | None = None
    """The same at the `to` station."""
    spreading_factor: int | None = None
    """As set for this reading; None, as for all settings below: as the plan says."""
    bandwidth_khz: float | None = None
    near_power_dbm: float | None = None
    """Transmit power at the radio's connector, of the `from` station."""
    far_power_dbm: float | None = None
    near_antenna: str = ""
    """Name of an antenna of the plan's choice, or a generic type; empty: as planned."""
    far_antenna: str = ""
    near_antenna_gain_dbi: float | None = None
    """In the main beam; in place of the named antenna's."""
    far_antenna_gain_dbi: float | None = None
    near_feeder: str = ""
    """Name of a feeder of the plan's choice; empty: as planned."""
    far_feeder: str = ""
    near_feeder_loss_db: float | None = None
    """Of the whole feeder with its connectors; in place of the named feeder's."""
    far_feeder_loss_db: float | None = None
    engine_running: bool | None = None
    leaf: Literal["in_leaf", "out_of_leaf"] | None = None
    wet_foliage: bool | None = None
    spot: str = ""
    """Where, among the spots tried for a station."""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    note: str = ""
    file: str = ""
    """Where several files were read."""

    @property
    def place(self) -> str:
        """Its row, and of which file where there are several."""
        return f"{self.file} {self.row}".strip()

    @property
    def measured_level(self) -> bool:
        """Whether it holds a level, not packet counts alone."""
        return self.rssi_dbm is not None or self.snr_db is not None

    @property
    def packets(self) -> int:
        """Packets that its levels are the median of."""
        return max(self.received or 1, 1)


@dataclass(frozen=True)
class RefusedRow:
    """A row that is not used."""

    row: int
    reason: str
    """What is wrong, and the mend."""
    file: str = ""
    """Where several files were read."""


@dataclass(frozen=True)
class Readings:
    """What a file of readings holds."""

    file: str
    readings: tuple[Reading, ...]
    refused: tuple[RefusedRow, ...] = ()
    notes: tuple[str, ...] = ()
    """What was left out or mended in rows that are used."""
    link: str | None = None
    """Name of the link, where the file says so."""
    plan_digest: str | None = None
    """SHA-256 of the plan the file was made for, where it says so."""


COLUMNS = tuple(f.name for f in fields(Reading) if f.name not in ("row", "file"))
"""Columns of a readings file, all but `direction` optional."""

_MEASURED = ("rssi_dbm", "snr_db", "received")
_USUAL_NAMES = {
    "rssi": "rssi_dbm",
    "level": "rssi_dbm",
    "power": "rssi_dbm",
    "signal": "rssi_dbm",
    "snr": "snr_db",
    "tx": "sent",
    "rx": "received",
    "lat": "latitude_deg",
    "latitude": "latitude_deg",
    "lon": "longitude_deg",
    "lng": "longitude_deg",
    "longitude": "longitude_deg",
    "date": "time",
    "timestamp": "time",
    "engine": "engine_running",
    "place": "spot",
    "location": "spot",
    "comment": "note",
    "way": "direction",
    "sf": "spreading_factor",
    "spreading": "spreading_factor",
    "bw": "bandwidth_khz",
    "bandwidth": "bandwidth_khz",
}


class _Unusable(Exception):
    """Why a row cannot be used."""


def read_readings(path: str | Path, stations: tuple[str, str], *, direction: Way | None = None) -> Readings:
    """Read a file of readings, CSV or JSON.

    Parameters
    ----------
    path : str or Path
        CSV: a header line, then one row a packet or burst. Columns in any order:

        - ``direction``: ``there`` or ``back``, or station names as ``tank -> shed``
        - ``rssi_dbm``, ``snr_db``: of the packet, or the median of the burst
        - ``sent``, ``received``: packets; a row with ``received`` 0 and no level says "heard nothing"
        - ``time``: ISO 8601, day.month.year with a time, or seconds or milliseconds since 1970; where all are
          whole minutes they are taken for rounded
        - ``near_height_m``, ``far_height_m``: antennas above ground as mounted at the link's `from` and `to`
          station, where not as planned
        - ``spreading_factor``, ``bandwidth_khz``; ``near_power_dbm``, ``near_antenna`` (a name the plan
          knows) or ``near_antenna_gain_dbi``, ``near_feeder`` (a name) or ``near_feeder_loss_db``, and the
          same with ``far_``: as set and fitted for the reading, where not as planned
        - ``engine_running``, ``wet_foliage``: yes or no; ``leaf``: in_leaf or out_of_leaf
        - ``spot``, ``latitude_deg``, ``longitude_deg``: where, when several spots are tried for a station
        - ``note``

        Separated by commas, semicolons or tabs; decimal points, or decimal commas where the comma does not
        separate. Empty lines and lines that start with ``#`` are skipped. UTF-8, UTF-16 with a byte order
        mark, or Windows-1252.

        JSON: an object with ``readings``, a list of objects with the same keys; optionally ``link`` (a name),
        ``plan_digest``, ``heights`` with ``near_height_m`` and ``far_height_m``, and ``settings`` with any
        other of these keys, for all readings that do not say.
    stations : tuple of str
        Names of the link's `from` and `to` station.
    direction : {"there", "back"}, optional
        Of rows that do not say.

    Returns
    -------
    Readings

    Raises
    ------
    ReadingsError
        If the file cannot be read or no row of it can be used; one line, with the mend.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp(), "readings.csv")
    >>> _ = file.write_text("direction,rssi_dbm,snr_db\\nthere,-101,7.5\\nback,85,9\\n")
    >>> found = read_readings(file, ("tank", "shed"))
    >>> found.readings[0].rssi_dbm, found.refused[0].reason
    (-101.0, 'rssi_dbm = 85 is positive; a level heard by radio is negative: write -85')
    """
    text = _text_of(path)
    if text.lstrip()[:1] in ("{", "["):
        return _from_json(path, text, stations, direction)
    return _from_csv(path, text, stations, direction)


def read_all(
    paths: Sequence[str | Path], stations: tuple[str, str], *, direction: Way | None = None
) -> Readings:
    """Read several files of one link as one; what one holds of another's readings counts once.

    Parameters
    ----------
    paths : sequence of str or Path
    stations, direction
        As `read_readings`.

    Returns
    -------
    Readings
        `file` names them all.

    Raises
    ------
    ReadingsError
        As `read_readings`, for any of the files.
    """
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
        twin = whole.setdefault(bare, name)
        if twin != name:
            notes.append(f"{name} holds the readings of {twin} once more; counted once")
            continue
        by_second = _stamped_by_second(one.readings)
        new = [r for r, b in zip(one.readings, bare, strict=True) if not (by_second and r.time and b in seen)]
        if len(new) < len(bare):
            notes.append(f"{name}: {len(bare) - len(new)} readings stand in another file too; counted once")
        seen.update(bare)
        readings += (replace(r, file=name) for r in new)
        refused += (replace(r, file=name) for r in one.refused)
        notes += (f"{name}: {note}" for note in one.notes)
    links = list(dict.fromkeys(f.link for f in found if f.link))
    digests = list(dict.fromkeys(f.plan_digest for f in found if f.plan_digest))
    if len(links) > 1:
        notes.append("the files name different links: " + ", ".join(f'"{_shown(name)}"' for name in links))
    if len(digests) > 1:
        notes.append("the files were made for different versions of the plan")
    return Readings(
        ", ".join(names),
        tuple(readings),
        tuple(refused),
        tuple(dict.fromkeys(notes)),
        links[0] if links else None,
        digests[0] if digests else None,
    )


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
    """Name of the link that a JSON file of readings says it is for; None where it does not say.

    Raises
    ------
    ReadingsError
        If the file cannot be read.
    """
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
        with open(path, "rb") as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise ReadingsError(f"{path}: cannot be read: {error.strerror or error}") from None
    if len(raw) > LARGEST_FILE_BYTES:
        raise ReadingsError(f"{path}: larger than {LARGEST_FILE_BYTES // 1_000_000} MB; no readings file is")
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = raw.decode("utf-16", errors="replace")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            # line by line, for files pasted together from two programs
            text = "\n".join(_line_of(line) for line in raw.removeprefix(b"\xef\xbb\xbf").splitlines())
    if not text.strip():
        raise ReadingsError(f"{path}: is empty; write a header line and a row for each packet or burst")
    if "\0" in text:
        raise ReadingsError(f"{path}: is not a text file; save it as CSV")
    return text


def _line_of(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def readings_of_csv(
    name: str, text: str, stations: tuple[str, str], *, direction: Way | None = None
) -> Readings:
    """The same as `read_readings` from CSV text at hand; `name` is what messages call it."""
    return _from_csv(name, text, stations, direction)


def _from_csv(path: str | Path, text: str, stations: tuple[str, str], direction: Way | None) -> Readings:
    lines = [
        (number, line)
        for number, line in enumerate(re.split(r"\r\n|\r|\n", text), 1)
        if line.strip(" ,;\t\"'") and not line.lstrip(' "').startswith("#")
    ]
    if lines and re.fullmatch(r"sep=.?", lines[0][1].strip(), re.IGNORECASE):  # a spreadsheet's own hint
        del lines[0]
    if not lines:
        raise ReadingsError(f"{path}: holds no rows; write a header line and a row for each packet or burst")
    separator = max(";\t,", key=lines[0][1].count)
    first, *rows = lines
    where = f"{path}, row {first[0]}"
    names = [_column(cell) for cell in _cells(first[1], separator)]
    notes = _check_header(where, names, direction)
    if len(rows) > MOST_ROWS:
        raise ReadingsError(f"{path}: holds {len(rows)} rows; {MOST_ROWS} are the most")

    def records() -> Iterator[tuple[int, Mapping[str, str] | str]]:
        for number, line in rows:
            cells = _cells(line, separator)
            if [_column(c) for c in cells] == names:
                notes.append(f"row {number} is the header once more; skipped")
            elif len(cells) != len(names):
                hint = ""
                if separator == "," and len(cells) > len(names) and re.search(r"\d,\d", line):
                    hint = ": decimal commas? write points, or separate the columns by semicolons"
                yield number, f"{len(cells)} values under {len(names)} columns{hint}"
            else:
                yield number, dict(zip(names, cells, strict=True))

    return _collected(path, records(), "row", stations, direction, notes)


def _cells(line: str, separator: str) -> list[str]:
    # one line at a time: a stray quote must not swallow the rest of the file
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator))]
    except (csv.Error, StopIteration):
        return [cell.strip(' "') for cell in line.split(separator)]


def _column(cell: str) -> str:
    return cell.strip().lower()


def _check_header(where: str, names: Sequence[str], direction: Way | None) -> list[str]:
    known = [n for n in names if n in COLUMNS]
    if not known:
        if any(_looks_like_a_number(n) for n in names):
            raise ReadingsError(
                f"{where}: no header; the first row must name the columns: direction,rssi_dbm,snr_db, ..."
            )
        raise ReadingsError(f"{where}: none of its columns is known{_nearest(names)}")
    twice = next((n for n in known if names.count(n) > 1), None)
    if twice is not None:
        raise ReadingsError(f"{where}: two columns are named {twice}")
    if not any(n in known for n in _MEASURED):
        raise ReadingsError(f"{where}: no column rssi_dbm, snr_db or received{_nearest(names)}")
    if "direction" not in known and direction is None:
        raise ReadingsError(f"{where}: no column direction; add it, or say --direction there (or back)")
    return [
        f'column "{_shown(name)}" is not known and not used{_nearest([name])}'
        for name in names
        if name not in COLUMNS and name
    ]


def _nearest(names: Sequence[str]) -> str:
    for name in names:
        plain = re.sub(r"[^a-z]+", "_", name).strip("_")
        near = _USUAL_NAMES.get(plain.split("_")[0]) or next(
            iter(get_close_matches(plain[:40], COLUMNS, n=1, cutoff=0.75)), None
        )
        if near is not None and name not in COLUMNS:
            return f'; for "{_shown(name)}" write {near}'
    return ""


def _looks_like_a_number(cell: str) -> bool:
    try:
        _number("", cell)
    except _Unusable:
        return False
    return True


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
    common = {
        key: value
        for part in ("settings", "heights")
        if isinstance(content.get(part), dict)
        for key, value in content[part].items()
        if value is not None
    }
    notes: list[str] = []
    strange: dict[str, None] = {}

    def records() -> Iterator[tuple[int, Mapping[str, str] | str]]:
        for number, row in enumerate(rows, 1):
            if not isinstance(row, dict):
                yield number, "is not an object with keys"
                continue
            stated = {key: value for key, value in row.items() if value is not None}
            cells = {**common, **stated}
            strange.update(dict.fromkeys(key for key in cells if key not in COLUMNS))
            cells = {key: _as_cell(value) for key, value in cells.items() if key in COLUMNS}
            nested = [key for key, cell in cells.items() if cell is None]
            if nested:
                yield number, f"{nested[0]} is neither a number nor text"
            else:
                yield number, {key: cell or "" for key, cell in cells.items()}

    found = _collected(path, records(), "reading", stations, direction, notes)
    extra = [f'key "{_shown(name)}" is not known and not used{_nearest([name.lower()])}' for name in strange]
    return replace(
        found,
        notes=(*found.notes, *extra),
        link=_text_or_none(content.get("link")),
        plan_digest=_text_or_none(content.get("plan_digest")),
    )


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
    records: Iterator[tuple[int, Mapping[str, str] | str]],
    what: str,
    stations: tuple[str, str],
    direction: Way | None,
    notes: list[str],
) -> Readings:
    readings: list[Reading] = []
    refused: list[RefusedRow] = []
    undated: list[str] = []
    for number, record in records:
        try:
            if isinstance(record, str):
                raise _Unusable(record)
            readings.append(_reading(record, number, what, stations, direction, notes, undated))
        except _Unusable as error:
            refused.append(RefusedRow(number, str(error)))
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
    times = [r.time.timestamp() for r in start if r.time is not None]
    if odd or len(set(times)) < 2 or len(times) < half or times[0] >= times[-1]:
        return readings
    if [_bare(r) for r in start] != [_bare(r) for r in again]:
        return readings
    notes.append(f"from {what} {again[0].row} on the file holds its readings once more; counted once")
    return start


def _reading(
    cells: Mapping[str, str],
    number: int,
    what: str,
    stations: tuple[str, str],
    direction: Way | None,
    notes: list[str],
    undated: list[str],
) -> Reading:
    def value(name: str, read: Callable[[str, str], Any]) -> Any:
        cell = cells.get(name, "").strip()
        return None if cell.lower() in _EMPTY else read(name, cell)

    sent, received = value("sent", _count), value("received", _count)
    rssi, snr = value("rssi_dbm", _rssi), value("snr_db", _snr)
    if rssi is None and snr is None and received is None:
        raise _Unusable("measured nothing: give rssi_dbm and snr_db, or sent and received")
    if sent is not None and received is None:
        raise _Unusable(f"sent = {sent}, and received is missing")
    if sent is None and received == 0:
        raise _Unusable("received = 0, and sent is missing")
    if sent is not None and received > sent:
        raise _Unusable(f"received = {received} is more than sent = {sent}: are the columns swapped?")
    if sent == 0:
        raise _Unusable("sent = 0: no packet, no reading")
    if received == 0 and (rssi is not None or snr is not None):
        notes.append(
            f"{what} {number}: received = 0, so its level is not that of a packet; level not used, the loss kept"
        )
        rssi = snr = None
    latitude, longitude = value("latitude_deg", _within(-90, 90)), value("longitude_deg", _within(-180, 180))
    if (latitude is None) != (longitude is None):
        notes.append(f"{what} {number}: latitude_deg and longitude_deg go together; position not used")
        latitude = longitude = None
    try:
        time = value("time", _time)
    except _Unusable as error:
        undated.append(f"{what} {number}: {error}")
        time = None
    return Reading(
        row=number,
        direction=value("direction", lambda _, cell: _direction(cell, stations)) or _given(direction),
        time=time,
        rssi_dbm=rssi,
        snr_db=snr,
        sent=sent,
        received=received,
        near_height_m=value("near_height_m", _within(0.1, 3000)),
        far_height_m=value("far_height_m", _within(0.1, 3000)),
        spreading_factor=value("spreading_factor", _spreading_factor),
        bandwidth_khz=value("bandwidth_khz", _within(1, 1000)),
        near_power_dbm=value("near_power_dbm", _within(-30, 60)),
        far_power_dbm=value("far_power_dbm", _within(-30, 60)),
        near_antenna=_name(cells, "near_antenna"),
        far_antenna=_name(cells, "far_antenna"),
        near_antenna_gain_dbi=value("near_antenna_gain_dbi", _within(-30, 40)),
        far_antenna_gain_dbi=value("far_antenna_gain_dbi", _within(-30, 40)),
        near_feeder=_name(cells, "near_feeder"),
        far_feeder=_name(cells, "far_feeder"),
        near_feeder_loss_db=value("near_feeder_loss_db", _within(0, 100)),
        far_feeder_loss_db=value("far_feeder_loss_db", _within(0, 100)),
        engine_running=value("engine_running", _yes_or_no),
        leaf=value("leaf", _leaf),
        wet_foliage=value("wet_foliage", _yes_or_no),
        spot=_shown(cells.get("spot", "").strip(), 60),
        latitude_deg=latitude,
        longitude_deg=longitude,
        note=_shown(cells.get("note", "").strip(), 200),
    )


_EMPTY = frozenset({"", "-", "--", "n/a", "na", "nan", "null", "none", "?"})
"""How people and programs write "no value"."""

_UNIT = re.compile(r"\s*(dbm|dbi|db|khz|m|°|deg)\.?$", re.IGNORECASE)


def _number(name: str, cell: str) -> float:
    plain = _UNIT.sub("", cell.translate({0x2212: "-", 0x2013: "-", 0xA0: " "}).strip())
    if re.fullmatch(r"[+-]?\d*,\d+", plain):
        plain = plain.replace(",", ".")
    try:
        if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", plain, re.IGNORECASE):
            raise ValueError
        number = float(plain)
    except ValueError:
        raise _Unusable(f'{name} = "{_shown(cell)}" is not a number') from None
    if not math.isfinite(number):
        raise _Unusable(f"{name} = {_shown(cell)} is not finite")
    return number


def _within(low: float, high: float) -> Callable[[str, str], float]:
    def read(name: str, cell: str) -> float:
        number = _number(name, cell)
        if not low <= number <= high:
            raise _Unusable(f"{name} = {number:g} is outside {low:g} to {high:g}")
        return number

    return read


def _rssi(name: str, cell: str) -> float:
    number = _number(name, cell)
    if 10.0 <= number <= 160.0:
        raise _Unusable(
            f"{name} = {number:g} is positive; a level heard by radio is negative: write {-number:g}"
        )
    if not -160.0 <= number <= 0.0:
        raise _Unusable(f"{name} = {number:g} is not a level a receiver reads (-160 to 0 dBm)")
    return number


def _snr(name: str, cell: str) -> float:
    number = _number(name, cell)
    if not -40.0 <= number <= 70.0:
        hint = "; is it the RSSI?" if number < -40.0 else ""
        raise _Unusable(f"{name} = {number:g} is not an SNR a receiver reads (-40 to 70 dB){hint}")
    return number


def _count(name: str, cell: str) -> int:
    number = _number(name, cell)
    if number != math.floor(number) or not 0 <= number <= 1e6:
        raise _Unusable(f"{name} = {_shown(cell)} is not a count of packets")
    return int(number)


def _spreading_factor(name: str, cell: str) -> int:
    number = _number(name, re.sub(r"^\s*sf\s*", "", cell, flags=re.IGNORECASE))
    if number not in range(5, 13):
        raise _Unusable(f"{name} = {_shown(cell)} is none; spreading factors are 5 to 12")
    return int(number)


def _name(cells: Mapping[str, str], column: str) -> str:
    name = cells.get(column, "").strip()
    return "" if name.lower() in _EMPTY else _shown(name, 200)


def _yes_or_no(name: str, cell: str) -> bool:
    word = cell.lower()
    if word in ("yes", "y", "true", "1", "1.0", "on", "running", "wet"):
        return True
    if word in ("no", "n", "false", "0", "0.0", "off", "stopped", "dry"):
        return False
    raise _Unusable(f'{name} = "{_shown(cell)}": write yes or no')


def _leaf(name: str, cell: str) -> str:
    word = re.sub(r"[^a-z]+", "_", cell.lower())
    if word not in ("in_leaf", "out_of_leaf"):
        raise _Unusable(f'{name} = "{_shown(cell)}": write in_leaf or out_of_leaf')
    return word


_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?:[ T,]+(\d{1,2}):(\d{2})(?::(\d{2}))?)?")


def _time(name: str, cell: str) -> datetime:
    try:
        if re.fullmatch(r"\d{9,10}(\.\d+)?|\d{12,13}", cell):  # since 1970, seconds or milliseconds
            seconds = float(cell) / (1e3 if len(cell.split(".")[0]) > 10 else 1.0)
            return datetime.fromtimestamp(seconds, UTC)
        if day_first := _DAY_FIRST.fullmatch(cell):
            day, month, year, *clock = (int(part or 0) for part in day_first.groups())
            hour, minute, second = clock
            return datetime(year, month, day, hour, minute, second)
        return datetime.fromisoformat(cell)
    except (ValueError, OverflowError, OSError):
        raise _Unusable(f'{name} = "{_shown(cell)}" is not like 2026-07-31T14:05') from None


def _direction(cell: str, stations: tuple[str, str]) -> Way:
    word = cell.casefold()
    if word in ("there", "back"):
        return "there" if word == "there" else "back"
    near, far = (name.casefold() for name in stations)
    for arrow in ("->", "→", ">", " to "):
        # a station's own name may hold the arrow
        if word.startswith(near) and word.endswith(far) and _between(word, near, far) == arrow.strip():
            return "there"
        if word.startswith(far) and word.endswith(near) and _between(word, far, near) == arrow.strip():
            return "back"
    raise _Unusable(f'direction = "{_shown(cell)}": write there for {stations[0]} -> {stations[1]}, or back')


def _between(word: str, start: str, end: str) -> str:
    return word[len(start) : max(len(word) - len(end), len(start))].strip()


def _given(direction: Way | None) -> Way:
    if direction is None:
        raise _Unusable("direction is missing: write there or back")
    return direction


def _shown(text: str, most: int = 40) -> str:
    """A piece of the file, fit to stand in one printed line."""
    plain = "".join(c if c.isprintable() else " " for c in text).replace('"', "'").strip()
    return plain if len(plain) <= most else plain[: most - 1] + "…"

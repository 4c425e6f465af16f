"""Find measured sets in a folder and read them, whatever their tables look like."""

import csv
import gzip
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path

import numpy as np

from linkcalc.radio.signal_level import signal_power_dbm
from tests.validation.measured import columns

KEYS = ("link", "receiver", "transmitter", "place")
LEVELS = {"rssi", "snr", "signal", "path_loss"}
DELIVERY = {"received", "sent", "lost", "delivery_ratio", "loss_ratio"}
LARGEST_GAP = 20
"""A longer gap in the sequence numbers is taken for a pause, not for losses."""


@dataclass(frozen=True)
class Assumed:
    """What is taken where a set does not say.

    Heights: those of the urban macro, machine-type environment of Report ITU-R M.2412 (from memory), the only
    published pair for a small device and a roof-top receiver in a built-up area.
    """

    frequency_hz: float = 868e6
    tx_height_m: float = 1.5
    rx_height_m: float = 25.0
    tx_power_dbm: float = 14.0
    bandwidth_hz: float = 125e3
    payload_bytes: float = 20.0
    spreading_factor: float = math.nan


@dataclass
class Rows:
    """One element a row of the set's tables: a reception, a lost packet, or a summary of several."""

    receiver: np.ndarray
    place: np.ndarray
    link: np.ndarray
    distance_m: np.ndarray
    rssi_dbm: np.ndarray
    snr_db: np.ndarray
    signal_dbm: np.ndarray
    given_signal_dbm: np.ndarray
    """As the table has it, NaN where it has none."""
    heard: np.ndarray
    """Packets received."""
    sent: np.ndarray
    """Packets sent; NaN where losses are not listed."""
    spreading_factor: np.ndarray
    bandwidth_hz: np.ndarray
    tx_power_dbm: np.ndarray
    frequency_hz: np.ndarray
    in_sight: np.ndarray
    """1 in sight, 0 out of sight, NaN unknown."""
    tx_height_m: np.ndarray
    rx_height_m: np.ndarray
    payload_bytes: np.ndarray
    path_loss_db: np.ndarray
    """Where the set knows power and antennas; NaN elsewhere."""
    tx_ground_m: np.ndarray
    rx_ground_m: np.ndarray
    profile: np.ndarray
    """File with the ground along the path, "" where there is none."""

    def __len__(self) -> int:
        return len(self.receiver)

    def only(self, which: np.ndarray) -> "Rows":
        """Some of the rows, in order."""
        return Rows(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


@dataclass
class MeasuredSet:
    """A set as read, with what was understood of it."""

    name: str
    rows: Rows
    receivers: dict[str, tuple[float, float]]
    """Position of each receiver where known, degrees."""
    places: dict[str, tuple[float, float]]
    stated: set[str]
    """Roles the tables have."""
    summarised: bool
    """Rows are summaries of several packets."""
    level_usable: bool = True
    """False where the description says that the level of its losses is not."""
    ends_clear: bool = False
    """Whether the description calls its paths clear and elevated: then nothing surrounds the antennas."""
    rasters: tuple[Path, ...] = ()
    """Ground that comes with the set."""
    notes: list[str] = field(default_factory=list)


class UnusableSetError(Exception):
    """Nothing in the set can be judged; the text says why."""


def find_sets(folder: Path) -> list[Path]:
    """The folder itself if it has tables, else its sub-folders."""
    if any(path.parent == folder for path in _table_files(folder)):
        return [folder]
    return [sub for sub in sorted(folder.iterdir()) if sub.is_dir() and not sub.name.startswith(".")]


def read_set(folder: Path, assumed: Assumed) -> MeasuredSet:
    """Read every table of a set and put them together.

    Raises
    ------
    UnusableSetError
        If no table has received levels or delivery counts.
    """
    notes: list[str] = []
    tables = list(_tables(folder, notes))
    main = [t for t in tables if t.roles & LEVELS] or [t for t in tables if t.roles & DELIVERY]
    if not main:
        raise UnusableSetError("; ".join([*notes, "no table has a received level or a count of packets"]))
    detailed = [t for t in main if not t.summary]
    if detailed and len(detailed) < len(main):
        names = ", ".join(t.path.name for t in main if t.summary)
        notes.append(f"{names}: sums up the other tables, left out")
    sums, main = [t for t in main if detailed and t.summary], detailed or main
    others = [t for t in tables if not t.roles & LEVELS and t not in main]
    counted = any(t.roles & DELIVERY for t in main)
    losses = [] if counted else [t for t in others if t.roles & DELIVERY]
    for table in main + losses:
        for side in others + sums:
            if side is not table:
                table.join(side, notes)
    several = len(main) > 1
    parts = [_rows(t, assumed, several, notes) for t in main]
    parts += [_lost_rows(t, assumed, parts, notes) for t in losses]
    rows = _together(parts)
    if not len(rows):
        raise UnusableSetError("; ".join([*notes, "the tables have no rows"]))
    frequency = _frequency_of(folder, rows, assumed, notes)
    rows.frequency_hz = np.where(np.isfinite(rows.frequency_hz), rows.frequency_hz, frequency)
    receivers, places = _positions(main + others, "receiver", "rx"), _positions(main + others, "place", "tx")
    _fill_distances(rows, receivers, places, notes)
    described = " ".join(_description(folder).split())
    unusable = re.search(r"level\W+not usable", described, re.IGNORECASE)
    if unusable:
        notes.append("the description says that the level is not usable: judged by its spread")
    elevated = re.search(r"clear,?\W+elevated", described, re.IGNORECASE)
    if elevated:
        notes.append("the description calls the paths clear and elevated: surroundings stated as none")
    return MeasuredSet(
        name=folder.name,
        rows=rows,
        receivers=receivers,
        places=places,
        stated=set().union(*(t.roles for t in main + losses)),
        summarised=not detailed,
        level_usable=not unusable,
        ends_clear=bool(elevated),
        rasters=tuple(sorted(folder.glob("*.tif"))),
        notes=notes,
    )


@dataclass(eq=False)
class _Table:
    path: Path
    where: str
    """Path within the set, without its ending."""
    text: dict[str, list[str]]
    units: dict[str, str]
    size: int
    summary: bool
    decimal_comma: bool

    @property
    def roles(self) -> set[str]:
        return set(self.text)

    def numbers(self, role: str, notes: list[str] | None = None) -> np.ndarray:
        if role not in self.text:
            return np.full(self.size, math.nan)
        if role in ("in_sight", "out_of_sight"):
            return columns.truths(self.text[role])
        values = columns.numbers(self.text[role], decimal_comma=self.decimal_comma)
        values, note = columns.scaled(role, self.units.get(role, ""), values)
        if note and notes is not None and note not in notes:
            notes.append(note)
        return values

    def texts(self, role: str) -> np.ndarray:
        return np.array(self.text.get(role, [""] * self.size), dtype=object)

    def join(self, side: "_Table", notes: list[str]) -> None:
        """Bring in the columns of another table that share a key with this one."""
        shared = [key for key in KEYS if key in self.text and key in side.text]
        missing = sorted(side.roles - self.roles - DELIVERY - {"count", "time", "sequence"})
        keys = list(zip(*(side.text[key] for key in shared), strict=True))
        if not missing or not keys or len(set(keys)) < len(keys):
            return
        where = {key: i for i, key in enumerate(keys)}
        at = [where.get(key) for key in zip(*(self.text[k] for k in shared), strict=True)]
        for role in missing:
            self.text[role] = ["" if i is None else side.text[role][i] for i in at]
            self.units[role] = side.units.get(role, "")
        notes.append(f"{side.path.name}: joined to {self.path.name} by {', '.join(shared)}")


def _table_files(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.name.lower().endswith((".csv", ".tsv", ".csv.gz")))


def _tables(folder: Path, notes: list[str]) -> Iterator[_Table]:
    for path in _table_files(folder):
        try:
            header, body, decimal_comma = _read(path)
        except (OSError, ValueError, csv.Error) as error:
            notes.append(f"{path.name}: not readable ({error})")
            continue
        if {"distance_m", "ground_m"} <= {head.strip() for head in header}:
            continue  # the ground along one path
        text: dict[str, list[str]] = {}
        units: dict[str, str] = {}
        unknown, level_statistic = [], False
        for i, head in enumerate(header):
            role, unit, statistic = columns.role_of(head)
            if role is None or role in text:
                unknown.append(head)
                continue
            text[role], units[role] = [row[i].strip() for row in body], unit
            level_statistic |= statistic and role in LEVELS
        known = ", ".join(f"{role}" for role in text) or "nothing"
        rest = f"; not understood: {', '.join(unknown)}" if unknown else ""
        notes.append(f"{path.name}: {len(body)} rows; understood: {known}{rest}")
        summary = level_statistic or ("count" in text and bool(text.keys() & LEVELS))
        where = path.relative_to(folder).with_suffix("").as_posix()
        yield _Table(path, where, text, units, len(body), summary, decimal_comma)


def _read(path: Path) -> tuple[list[str], list[list[str]], bool]:
    """Header, rows filled up to its width, and whether numbers have a decimal comma."""
    raw = path.read_bytes()
    if path.suffix == ".gz":
        raw = gzip.decompress(raw)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    if not lines:
        raise ValueError("empty")
    delimiter = max(",;\t", key=lines[0].count)
    header, *body = csv.reader(lines, delimiter=delimiter, skipinitialspace=True)
    width = len(header)
    return header, [(row + [""] * width)[:width] for row in body], delimiter == ";"


def _rows(table: _Table, assumed: Assumed, several: bool, notes: list[str]) -> Rows:
    """The rows of a table of receptions or packets."""
    named = columns.from_file_name(table.where) if several else {}

    def value(role: str, default: float = math.nan) -> np.ndarray:
        found = _plausible(table.numbers(role, notes), role, table.path.name, notes)
        return np.where(np.isfinite(found), found, named.get(role, default))

    rssi, snr, given = value("rssi"), value("snr"), value("signal")
    split = np.full(table.size, math.nan)
    both = np.isfinite(rssi) & np.isfinite(snr)
    split[both] = signal_power_dbm(rssi[both], snr[both])
    path_loss = value("path_loss")
    signal = np.where(np.isfinite(given), given, np.where(np.isfinite(split), split, rssi))
    if not np.isfinite(signal).any():
        signal = -path_loss
    factor, bandwidth = columns.data_rates(table.texts("data_rate"))
    factor = np.where(np.isfinite(value("spreading_factor")), value("spreading_factor"), factor)
    bandwidth = np.where(np.isfinite(value("bandwidth")), value("bandwidth"), bandwidth)
    blocked = table.numbers("out_of_sight")
    sight = np.where(np.isfinite(value("in_sight")), value("in_sight"), 1.0 - blocked)
    place = _first_of(table, ("place", "transmitter"), _coordinate_names(table))
    if several and not (table.roles & {"place", "transmitter", "tx_lat", "link"}):
        place = np.full(table.size, table.where, dtype=object)
    receiver = _first_of(table, ("receiver",), _coordinate_names(table, "rx"))
    distance = value("distance")
    ground, heights = _heights(value, assumed)
    tail = [f"{d:.0f} m" if math.isfinite(d) else "" for d in distance]
    own = [f"{p or t}>{r}" if r else p or t for p, r, t in zip(place, receiver, tail, strict=True)]
    link = np.array([n or o for n, o in zip(table.texts("link"), own, strict=True)], dtype=object)
    has_level = np.isfinite(signal) | np.isfinite(snr)
    heard, sent = _counts(table, has_level, notes)
    if not np.isfinite(sent).any():
        sent = _sent_by_sequence(table, heard, (receiver, link, factor, bandwidth, value("tx_power")), notes)
    return Rows(
        receiver=receiver,
        place=place,
        link=link,
        distance_m=distance,
        rssi_dbm=rssi,
        snr_db=snr,
        signal_dbm=signal,
        given_signal_dbm=given,
        heard=heard,
        sent=sent,
        spreading_factor=np.where(np.isfinite(factor), factor, assumed.spreading_factor),
        bandwidth_hz=np.where(np.isfinite(bandwidth), bandwidth, assumed.bandwidth_hz),
        tx_power_dbm=value("tx_power"),
        frequency_hz=value("frequency"),
        in_sight=sight,
        tx_height_m=heights[0],
        rx_height_m=heights[1],
        payload_bytes=value("payload", assumed.payload_bytes),
        path_loss_db=path_loss,
        tx_ground_m=ground[0],
        rx_ground_m=ground[1],
        profile=_files(table, "profile"),
    )


def _heights(
    value: Callable[..., np.ndarray], assumed: Assumed
) -> tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Ground above sea level and antenna above ground, of both ends; one known ground counts for both."""
    tx_ground, rx_ground = value("tx_ground"), value("rx_ground")
    tx_ground, rx_ground = (
        np.where(np.isfinite(a), a, b) for a, b in ((tx_ground, rx_ground), (rx_ground, tx_ground))
    )
    found = []
    for end, ground, usual in (
        ("tx", tx_ground, assumed.tx_height_m),
        ("rx", rx_ground, assumed.rx_height_m),
    ):
        stated, over_ground = value(f"{end}_height"), value(f"{end}_altitude") - ground
        height = np.where(np.isfinite(stated), stated, over_ground)
        found.append(np.where(np.isfinite(height), height, usual))
    return (tx_ground, rx_ground), (found[0], found[1])


def _files(table: _Table, role: str) -> np.ndarray:
    """Paths of the files that a column names, "" where there is none."""
    known = {p.name: str(p) for p in table.path.parent.rglob("*.csv")}
    return np.array([known.get(Path(name).name, "") for name in table.texts(role)], dtype=object)


def _first_of(table: _Table, roles: Sequence[str], fallback: np.ndarray) -> np.ndarray:
    for role in roles:
        if role in table.text:
            return table.texts(role)
    return fallback


def _coordinate_names(table: _Table, end: str = "tx") -> np.ndarray:
    return np.array(
        [
            f"{a},{b}" if a and b else ""
            for a, b in zip(table.texts(f"{end}_lat"), table.texts(f"{end}_lon"), strict=True)
        ],
        dtype=object,
    )


PLAUSIBLE = {
    "rssi": (-170.0, -1.0),
    "snr": (-35.0, 60.0),
    "signal": (-190.0, -1.0),
    "tx_power": (-40.0, 60.0),
    "distance": (1.0, 1e6),
    "frequency": (30e6, 6e9),
    "bandwidth": (1e3, 2e6),
    "spreading_factor": (5.0, 12.0),
    "tx_height": (0.1, 3000.0),
    "rx_height": (0.1, 3000.0),
    "path_loss": (20.0, 300.0),
    "payload": (0.0, 255.0),
}
"""dBm, dB, m, Hz; what is outside is taken for a placeholder."""


def _plausible(values: np.ndarray, role: str, name: str, notes: list[str]) -> np.ndarray:
    low, high = PLAUSIBLE.get(role, (-math.inf, math.inf))
    wild = (values < low) | (values > high)
    note = f"{name}: {int(wild.sum())} values of {role} outside {low:g} to {high:g} ignored"
    if wild.any() and note not in notes:
        notes.append(note)
    return np.where(wild, math.nan, values)


def _counts(table: _Table, has_level: np.ndarray, notes: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Packets received and sent of every row; sent is NaN where losses are not listed."""
    received, sent, lost = (table.numbers(role) for role in ("received", "sent", "lost"))
    ratio, loss = table.numbers("delivery_ratio"), table.numbers("loss_ratio")
    ratio = np.where(np.isfinite(ratio), ratio, 1.0 - loss)
    nothing = np.full(table.size, math.nan)
    one_each = np.ones(table.size)
    count = table.numbers("count")
    known = set(np.unique(received[np.isfinite(received)]))
    if {"sent", "received"} <= table.roles:
        return received, sent
    if {"sent", "lost"} <= table.roles:
        return sent - lost, sent
    if {"received", "lost"} <= table.roles and not known <= {0.0, 1.0}:
        return received, received + lost
    if np.isfinite(ratio).any():
        number = np.where(np.isfinite(sent), sent, np.where(np.isfinite(count), count, 100.0))
        if not np.isfinite(sent).any() and not np.isfinite(count).any():
            notes.append(f"{table.path.name}: delivery ratio without a number of packets, taken as of 100")
        return np.round(ratio * number), number
    if "lost" in table.roles and "received" not in table.roles:
        received, known = 1.0 - lost, set(np.unique(1.0 - lost[np.isfinite(lost)]))
    if known and known <= {0.0, 1.0}:
        if known == {1.0} and has_level.all():
            notes.append(f"{table.path.name}: every packet is marked as received, so losses are not listed")
            return one_each, nothing
        return np.where(np.isfinite(received), received, has_level), one_each
    if known:
        return received, nothing
    if not has_level.all() and table.roles & LEVELS and "sequence" in table.roles:
        notes.append(f"{table.path.name}: rows without a level taken as packets that were lost")
        return has_level.astype(float), one_each
    return np.where(np.isfinite(count), count, 1.0) * has_level, nothing


def _sent_by_sequence(
    table: _Table, heard: np.ndarray, groups: Sequence[np.ndarray], notes: list[str]
) -> np.ndarray:
    """Count what is missing between sequence numbers that rise, per link and setting."""
    nothing = np.full(table.size, math.nan)
    number = table.numbers("sequence")
    if not np.isfinite(number).all() or table.summary or not table.size:
        return nothing
    by_group: dict[tuple[object, ...], list[int]] = {}
    for i, key in enumerate(zip(*(map(str, g) for g in groups), strict=True)):
        by_group.setdefault(key, []).append(i)
    steps = {key: np.diff(number[at]) for key, at in by_group.items()}
    every = np.concatenate([*steps.values(), np.empty(0)])
    if len(every) < 20 or np.mean((every >= 1) & (every <= LARGEST_GAP)) < 0.9:
        return nothing
    sent = heard.copy()
    for key, at in by_group.items():
        gap = np.where((steps[key] > 1) & (steps[key] <= LARGEST_GAP), steps[key] - 1.0, 0.0)
        sent[at[1:]] += gap
    notes.append(
        f"{table.path.name}: losses counted from gaps of up to {LARGEST_GAP} in the sequence numbers"
    )
    return sent


def _lost_rows(table: _Table, assumed: Assumed, parts: Sequence[Rows], notes: list[str]) -> Rows:
    """What a table of counts says was lost, beside a table of receptions."""
    rows = _rows(table, assumed, False, notes)
    for part in parts:
        part.sent = part.heard.copy()
    keep = np.isfinite(rows.sent) & np.isfinite(rows.heard) & (rows.sent > rows.heard)
    rows.sent, rows.heard = rows.sent - rows.heard, np.zeros(len(rows))
    notes.append(f"{table.path.name}: its losses added to the receptions")
    return rows.only(keep)


def _together(parts: Sequence[Rows]) -> Rows:
    return Rows(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Rows)})


def _frequency_of(folder: Path, rows: Rows, assumed: Assumed, notes: list[str]) -> float:
    """Where no column has it: from the description or the folder's name, else as assumed."""
    if np.isfinite(rows.frequency_hz).all():
        return assumed.frequency_hz
    text = _description(folder)
    for pattern, source, where in (
        (r"(\d{3,4}(?:\.\d+)?)\s*MHz", text, "the description"),
        (r"(?<!\d)(4[0-9]{2}|8[0-9]{2}|9[0-9]{2})(?!\d)", folder.name, "the folder's name"),
    ):
        if match := re.search(pattern, source):
            notes.append(f"frequency {match[1]} MHz, from {where}")
            return float(match[1]) * 1e6
    notes.append(f"frequency not stated, {assumed.frequency_hz / 1e6:g} MHz assumed")
    return assumed.frequency_hz


def _description(folder: Path) -> str:
    return " ".join(p.read_text(errors="replace") for p in sorted(folder.glob("README*")))


def _positions(tables: Sequence[_Table], role: str, end: str) -> dict[str, tuple[float, float]]:
    """Median position of each receiver or place, degrees."""
    found: dict[str, list[tuple[float, float]]] = {}
    for table in tables:
        lat, lon = table.numbers(f"{end}_lat"), table.numbers(f"{end}_lon")
        roles = ("receiver",) if role == "receiver" else ("place", "transmitter")
        names = _first_of(table, roles, _coordinate_names(table, end))
        for name, a, b in zip(names, lat, lon, strict=True):
            if name and abs(a) <= 90.0 and abs(b) <= 180.0:
                found.setdefault(name, []).append((a, b))
    return {name: tuple(np.median(np.array(at), axis=0)) for name, at in found.items()}


def great_circle_m(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Distance over a sphere of 6371 km, by haversines."""
    (lat1, lon1), (lat2, lon2) = np.radians(a), np.radians(b)
    h = np.sin((lat2 - lat1) / 2) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2) ** 2
    return float(2.0 * 6_371_000.0 * np.arcsin(np.sqrt(h)))


def _fill_distances(rows: Rows, receivers: dict, places: dict, notes: list[str]) -> None:
    unknown = ~np.isfinite(rows.distance_m)
    filled = 0
    for i in np.flatnonzero(unknown):
        a, b = receivers.get(rows.receiver[i]), places.get(rows.place[i])
        if a and b:
            rows.distance_m[i] = great_circle_m(a, b)
            filled += 1
    if filled:
        notes.append(f"distance of {filled} rows from the positions")

"""The cells of a reading: what each column may hold, and what to write where it holds something else.

Every reader of a cell takes the column's name and the cell, and raises `TableError` where it cannot be used.
"""

import math
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from linkcalc.errors import quoted
from linkcalc.site.reading import Reading, Way
from linkcalc.tabular import TableError, number

_EMPTY = frozenset({"", "-", "--", "n/a", "na", "nan", "null", "none", "?"})
"""How people and programs write "no value"."""

_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?:[ T,]+(\d{1,2}):(\d{2})(?::(\d{2}))?)?")


def reading_of(
    cells: Mapping[str, str], row: int, stations: tuple[str, str], direction: Way | None
) -> tuple[Reading, str, list[str]]:
    """Make a reading of a row's cells by column; `direction` is that of rows that do not say.

    Beside the reading: why its time is not used (empty: it is), and what else is not.
    """

    def value(name: str) -> Any:
        cell = cells.get(name, "").strip()
        return None if cell.lower() in _EMPTY else _READ[name](name, cell)

    packets = {name: value(name) for name in ("sent", "received", "rssi_dbm", "snr_db")}
    notes = _check_packets(packets)
    position = {name: value(name) for name in ("latitude_deg", "longitude_deg")}
    if (position["latitude_deg"] is None) != (position["longitude_deg"] is None):
        notes.append("latitude_deg and longitude_deg go together; position not used")
        position = {}
    # a bad date costs the date alone: the level is worth the same without it
    time, undated = None, ""
    try:
        time = value("time")
    except TableError as error:
        undated = str(error)
    stated = cells.get("direction", "").strip()
    way = direction if stated.lower() in _EMPTY else _direction(stated, stations)
    if way is None:
        raise TableError("direction is missing: write forward or return")
    others = {
        name: value(name) for name in _READ if name not in (*packets, "latitude_deg", "longitude_deg", "time")
    }
    texts = {name: "" if others[name] is None else others[name] for name in _TEXTS}
    free = {"spot": one_line(cells.get("spot", ""), 60), "note": one_line(cells.get("note", ""), 200)}
    reading = Reading(row=row, direction=way, time=time, **{**packets, **position, **others, **texts, **free})
    return reading, undated, notes


def _check_packets(found: dict[str, Any]) -> list[str]:
    """Hold levels and counts of packets against each other; a level of no packet is taken out."""
    sent, received, rssi, snr = found.values()
    if rssi is None and snr is None and received is None:
        raise TableError("measured nothing: give rssi_dbm and snr_db, or sent and received")
    if sent is not None and received is None:
        raise TableError(f"sent = {sent}, and received is missing")
    if sent is None and received == 0:
        raise TableError("received = 0, and sent is missing")
    if sent is not None and received > sent:
        raise TableError(f"received = {received} is more than sent = {sent}: are the columns swapped?")
    if sent == 0:
        raise TableError("sent = 0: no packet, no reading")
    if received == 0 and (rssi is not None or snr is not None):
        found["rssi_dbm"] = found["snr_db"] = None
        return ["received = 0, so its level is not that of a packet; level not used, the loss kept"]
    return []


def _finite(name: str, cell: str) -> float:
    found = number(name, cell)
    if not math.isfinite(found):
        raise TableError(f"{name} = {one_line(cell)} is not finite")
    return found


def _within(low: float, high: float) -> Callable[[str, str], float]:
    def read(name: str, cell: str) -> float:
        found = _finite(name, cell)
        if not low <= found <= high:
            raise TableError(f"{name} = {found:g} is outside {low:g} to {high:g}")
        return found

    return read


def _rssi(name: str, cell: str) -> float:
    found = _finite(name, cell)
    if 10.0 <= found <= 160.0:
        raise TableError(
            f"{name} = {found:g} is positive; a level heard by radio is negative: write {-found:g}"
        )
    if not -160.0 <= found <= 0.0:
        raise TableError(f"{name} = {found:g} is not a level a receiver reads (-160 to 0 dBm)")
    return found


def _snr(name: str, cell: str) -> float:
    found = _finite(name, cell)
    if not -40.0 <= found <= 70.0:
        hint = "; is it the RSSI?" if found < -40.0 else ""
        raise TableError(f"{name} = {found:g} is not an SNR a receiver reads (-40 to 70 dB){hint}")
    return found


def _count(name: str, cell: str) -> int:
    found = _finite(name, cell)
    if found != math.floor(found) or not 0 <= found <= 1e6:
        raise TableError(f"{name} = {one_line(cell)} is not a count of packets")
    return int(found)


def _spreading_factor(name: str, cell: str) -> int:
    found = _finite(name, re.sub(r"^\s*sf\s*", "", cell, flags=re.IGNORECASE))
    if found not in range(5, 13):
        raise TableError(f"{name} = {one_line(cell)} is none; spreading factors are 5 to 12")
    return int(found)


def _name(name: str, cell: str) -> str:
    return one_line(cell, 200)


def _yes_or_no(name: str, cell: str) -> bool:
    word = cell.lower()
    if word in ("yes", "y", "true", "1", "1.0", "on", "running", "wet"):
        return True
    if word in ("no", "n", "false", "0", "0.0", "off", "stopped", "dry"):
        return False
    raise TableError(f"{name} = {quoted(cell)}: write yes or no")


def _leaf(name: str, cell: str) -> str:
    word = re.sub(r"[^a-z]+", "_", cell.lower())
    if word not in ("in_leaf", "out_of_leaf"):
        raise TableError(f"{name} = {quoted(cell)}: write in_leaf or out_of_leaf")
    return word


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
        raise TableError(f"{name} = {quoted(cell)} is not like 2026-07-31T14:05") from None


_WAYS: Mapping[str, Way] = {"forward": "forward", "return": "return", "there": "forward", "back": "return"}
"""How a row may call its direction; the last two are what files were written with before."""


def _direction(cell: str, stations: tuple[str, str]) -> Way:
    word = cell.casefold()
    if word in _WAYS:
        return _WAYS[word]
    near, far = (name.casefold() for name in stations)
    for arrow in ("->", "→", ">", " to "):
        # a station's own name may hold the arrow
        if word.startswith(near) and word.endswith(far) and _between(word, near, far) == arrow.strip():
            return "forward"
        if word.startswith(far) and word.endswith(near) and _between(word, far, near) == arrow.strip():
            return "return"
    raise TableError(
        f"direction = {quoted(cell)}: write forward for {stations[0]} -> {stations[1]}, or return"
    )


def _between(word: str, start: str, end: str) -> str:
    return word[len(start) : max(len(word) - len(end), len(start))].strip()


def one_line(text: str, most: int = 40) -> str:
    """A piece of the file, fit to stand in one printed line."""
    plain = "".join(c if c.isprintable() else " " for c in text).replace('"', "'").strip()
    return plain if len(plain) <= most else plain[: most - 1] + "…"


_TEXTS = ("near_antenna", "far_antenna", "near_feeder", "far_feeder")
_READ: dict[str, Callable[[str, str], Any]] = {
    "sent": _count,
    "received": _count,
    "rssi_dbm": _rssi,
    "snr_db": _snr,
    "latitude_deg": _within(-90, 90),
    "longitude_deg": _within(-180, 180),
    "time": _time,
    "near_height_m": _within(0.1, 3000),
    "far_height_m": _within(0.1, 3000),
    "spreading_factor": _spreading_factor,
    "bandwidth_khz": _within(1, 1000),
    "near_power_dbm": _within(-30, 60),
    "far_power_dbm": _within(-30, 60),
    "near_antenna_gain_dbi": _within(-30, 40),
    "far_antenna_gain_dbi": _within(-30, 40),
    "near_feeder_loss_db": _within(0, 100),
    "far_feeder_loss_db": _within(0, 100),
    **dict.fromkeys(_TEXTS, _name),
    "engine_running": _yes_or_no,
    "leaf": _leaf,
    "wet_foliage": _yes_or_no,
}
"""How the cells of each column are read."""

NUMBERS = frozenset(name for name, read in _READ.items() if read not in (_time, _name, _yes_or_no, _leaf))
"""The columns of numbers."""

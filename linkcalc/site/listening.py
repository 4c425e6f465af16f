"""Lines of a radio into readings: what stands where in a line, packets counted by their sequence numbers."""

import json
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from linkcalc.errors import ReadingsError
from linkcalc.files import csv_cell
from linkcalc.site.loss_rate import largest_loss_rate
from linkcalc.site.readings import Reading

_RANGES = {"rssi": (-160.0, 0.0), "snr": (-40.0, 70.0), "seq": (0.0, 2.0**32), "count": (0.0, 2.0**32)}
KEYS = tuple(_RANGES)
"""What a line may tell: level, SNR, the packet's number, and packets received so far, which shows no loss."""

MOST_GAP = 1000
"""A jump of the sequence number beyond this, or back, is a sender that started anew."""
ROLLS_OVER_AT = (256, 65536)
"""Counters of one and of two bytes."""
CONFIDENCE = 0.95

_NAMES = {
    "rssi": ("rssi", "rssi_dbm", "level", "level_dbm"),
    "snr": ("snr", "snr_db"),
    "seq": ("seq", "sequence", "number", "fcnt", "packet"),
    "count": ("count", "received", "total"),
}
_PAIR = re.compile(r"([A-Za-z_]+)\s*[=:]\s*([+-]?\d+(?:\.\d+)?)")


@dataclass(frozen=True)
class Heard:
    """What one line told."""

    rssi_dbm: float | None
    snr_db: float | None
    sequence: int | None
    count: int | None


def line_reader(pattern: str | None) -> Callable[[str], Heard | None]:
    """Make a reader of lines, which gives None for one that tells neither level nor number.

    `pattern` is a regular expression with some of the groups ``rssi``, ``snr``, ``seq`` and ``count``; left
    out, lines are JSON objects or ``key=value`` pairs with such keys.

    >>> line_reader(None)("rx rssi=-101 snr=4.5 seq=17")
    Heard(rssi_dbm=-101.0, snr_db=4.5, sequence=17, count=None)
    >>> line_reader(r"#(?P<seq>\\d+) at (?P<rssi>-\\d+)")("#17 at -101 dBm").rssi_dbm
    -101.0
    """
    if pattern is None:
        return _plain_line
    try:
        compiled = re.compile(pattern)
    except re.error as error:
        raise ReadingsError(f"pattern {pattern!r}: no regular expression: {error}") from None
    known = [key for key in compiled.groupindex if key in KEYS]
    if not known:
        names = ", ".join(KEYS)
        raise ReadingsError(f"pattern {pattern!r}: name a group, like (?P<rssi>-?\\d+); known: {names}")

    def read(line: str) -> Heard | None:
        found = compiled.search(line)
        return None if found is None else _heard({key: found[key] for key in known})

    return read


def _plain_line(line: str) -> Heard | None:
    text = line.strip()
    if text.startswith("{"):
        try:
            told = json.loads(text)
        except (ValueError, RecursionError):
            return None
    else:
        told = dict(_PAIR.findall(text))
    lower = {str(key).lower(): value for key, value in told.items()}
    return _heard({key: next((lower[n] for n in _NAMES[key] if n in lower), None) for key in KEYS})


def _heard(told: dict[str, object]) -> Heard | None:
    def number(key: str) -> float | None:
        value, (low, high) = told.get(key), _RANGES[key]
        try:
            found = float(value) if isinstance(value, (int, float, str)) else math.nan
        except ValueError:
            return None
        return found if low <= found <= high else None

    rssi, snr, sequence, count = map(number, KEYS)
    if rssi is None and snr is None and sequence is None and count is None:
        return None
    return Heard(
        rssi, snr, None if sequence is None else int(sequence), None if count is None else int(count)
    )


@dataclass
class Tally:
    """Packets sent and received, by the gaps in their numbers."""

    sent: int = 0
    received: int = 0
    restarts: int = 0
    last: int | None = field(default=None, repr=False)

    def lost_before(self, sequence: int) -> int | None:
        """Count a packet in; how many were lost since the one before, None for the same once more."""
        lost = 0
        if self.last is not None:
            gap = sequence - self.last
            if gap < 0:
                # taken for a counter that rolled over wherever it can be one: a sender that started anew
                # then counts losses that were none, which is the safe side
                over = next((n for n in ROLLS_OVER_AT if self.last < n and gap + n <= MOST_GAP), 0)
                gap += over if self.last > over - MOST_GAP else 0
            if gap == 0:
                return None
            if 0 < gap <= MOST_GAP:
                lost = gap - 1
            else:
                self.restarts += 1
        self.last = sequence
        self.sent, self.received = self.sent + lost + 1, self.received + 1
        return lost

    @property
    def proven(self) -> float:
        """Share of packets proven to arrive, at `CONFIDENCE`."""
        return 1.0 - largest_loss_rate(self.sent - self.received, self.sent, CONFIDENCE) if self.sent else 0.0


def readings_of(
    lines: Iterable[str],
    read: Callable[[str], Heard | None],
    *,
    template: Reading,
    now: Callable[[], datetime],
    tally: Tally | None = None,
) -> Iterator[tuple[str, list[Reading]]]:
    """Turn lines into readings as they come: each line with the packets lost before it, and its own.

    A line that tells nothing has none, and one without a number only its level: what was lost before it nobody
    knows. `template` holds direction, heights and settings of all; a `tally` goes on counting.
    """
    counted = tally if tally is not None else Tally()
    number = 0
    for line in lines:
        heard = read(line)
        if heard is None:
            yield line, []
            continue
        numbered = heard.sequence is not None
        lost = counted.lost_before(heard.sequence) if heard.sequence is not None else 0
        if lost is None or not (numbered or heard.rssi_dbm is not None or heard.snr_db is not None):
            yield line, []
            continue
        time, found = now(), []
        if lost:
            number += 1
            found.append(replace(template, row=number, time=time, sent=lost, received=0))
        number += 1
        found.append(
            replace(
                template,
                row=number,
                time=time,
                rssi_dbm=heard.rssi_dbm,
                snr_db=heard.snr_db,
                # all that is heard has arrived: counted, it would prove a link that loses most
                sent=1 if numbered else None,
                received=1 if numbered else None,
            )
        )
        yield line, found


def csv_cells(reading: Reading, columns: Sequence[str]) -> list[str]:
    """A reading as cells of a file that `linkcalc.site.readings` reads."""
    cells = []
    for name in columns:
        value = getattr(reading, name)
        if value is None:
            cells.append("")
        elif isinstance(value, bool):
            cells.append("yes" if value else "no")
        elif isinstance(value, datetime):
            cells.append(value.isoformat(timespec="milliseconds"))
        else:
            cells.append(f"{value:g}" if isinstance(value, float) else str(csv_cell(str(value))))
    return cells

"""A radio listened to: readings as they come, and the survey at the end."""

import contextlib
import csv
import os
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import typer

from linkcalc.cli._options import LINK, PLAN, option
from linkcalc.cli._output import show_answer, tell
from linkcalc.cli._readings import tell_refused
from linkcalc.cli._shell import EXIT_CODES, chosen_link, load_plan
from linkcalc.errors import LinkcalcError, ReadingsError
from linkcalc.site.reading import Way

if TYPE_CHECKING:
    from linkcalc.site.listening import Tally
    from linkcalc.site.readings import Reading
    from linkcalc.site.signal_and_noise import Expected

_COLUMNS = ("time", "direction", "rssi_dbm", "snr_db", "sent", "received", "engine_running",
            "spreading_factor", "spot")  # fmt: skip
_LONGEST_LINE = 4096


def listen(
    plan: Path = PLAN,
    output: Path = option(
        "FILE.csv", "Readings, written as they come.", "--output", "-o", default=Path("readings.csv")
    ),
    port: str | None = option("PORT", "Serial port of the radio; default: standard input."),
    baud: int = option("N", "Bits per second of the port.", default=115200, min=50, max=4_000_000),
    direction: Way = option(
        None, "Whose packets are heard: of the link's `from` station (forward), or return.", default="forward"
    ),
    pattern: str | None = option(
        "REGEX",
        "Where a line holds what: a regular expression with groups named rssi, snr, seq, count."
        " [default: JSON lines, or key=value pairs]",
    ),
    link: str | None = LINK,
    spreading_factor: int | None = option("SF", "As set, where not as planned.", min=5, max=12),
    engine: bool | None = option(None, "State of the engine.", "--engine-running/--engine-stopped"),
    spot: str = option("NAME", "Name of the spot.", default=""),
) -> None:
    """Listen to a radio that prints what it hears: level, losses, margin and proof, packet by packet.

    Each line is written to the file at once, so that a pulled plug loses none; a file that is there is
    continued. Losses are gaps in the packets' sequence numbers. Ends with the input, or with Ctrl-C, and then
    answers as linkcalc survey does. A serial port needs the extra linkcalc[listen].

    \b
    Example:
      linkcalc listen site.toml --port /dev/ttyUSB0 -o readings.csv
      linkcalc listen site.toml --pattern 'rx (?P<seq>[0-9]+) (?P<rssi>-[0-9]+)' < log.txt

    Exit code: as linkcalc survey; 2 bad input, or nothing heard.
    """
    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.site.listening import Tally, csv_cells, line_reader, readings_of
    from linkcalc.site.readings import Reading, read_readings
    from linkcalc.site.signal_and_noise import Expected
    from linkcalc.site.survey import survey_link
    from linkcalc.views.survey.text import survey_report

    loaded = load_plan(plan)
    chosen = chosen_link(loaded, link)
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, chosen, terrain)
    read, tally, unread = line_reader(pattern), Tally(), 0
    common = Reading(0, direction, engine_running=engine, spot=spot, spreading_factor=spreading_factor)
    said = _Said(Expected.of(case, direction))
    with _continued(output) as file, contextlib.suppress(KeyboardInterrupt):
        writer = csv.writer(file, lineterminator="\n")
        lines = _standard_input() if port is None else _serial_lines(port, baud)
        for line, found in readings_of(lines, read, template=common, now=datetime.now, tally=tally):
            for reading in found:
                writer.writerow(csv_cells(reading, _COLUMNS))
            if found:
                file.flush()
                os.fsync(file.fileno())
                typer.echo(said.line(found[-1], tally), err=True)
            elif line.strip():
                unread += 1
    if unread:
        tell(f"{unread} lines held neither level nor number; see --pattern")
    try:
        kept = read_readings(output, (chosen.from_, chosen.to), direction=direction)
    except ReadingsError as error:
        raise LinkcalcError(f"{error}; nothing was heard") from None
    answer = survey_link(case, kept, plan=loaded.plan, plan_digest=None)
    tell_refused([output], answer.refused)
    show_answer(survey_report, answer)
    raise typer.Exit(EXIT_CODES[answer.verdict])


class _Said:
    """One line of the terminal for each packet."""

    def __init__(self, expected: "Expected") -> None:
        self._expected = expected
        self._margins: list[float] = []

    def line(self, reading: "Reading", tally: "Tally") -> str:
        """Level, SNR, losses, margin so far, what is proven so far."""
        import numpy as np

        parts = []
        if reading.rssi_dbm is not None:
            parts.append(f"{reading.rssi_dbm:.0f} dBm")
        if reading.snr_db is not None:
            parts.append(f"SNR {reading.snr_db:+.1f} dB")
        margin = self._expected.margin_heard_db(reading)
        if margin is not None:
            self._margins.append(margin)
        if reading.sent is not None:
            parts.append(f"{tally.received} of {tally.sent}")
        if self._margins:
            parts.append(f"margin of those heard {np.median(self._margins):.1f} dB")
        if reading.sent is None:
            parts.append("no sequence number: losses not seen, nothing proven")
        else:
            # cut, not rounded: what is called proven is proven
            proven = int(1000.0 * tally.proven) / 10.0
            parts.append(f"proven so far: {proven:g} % arrive")
        return "  ".join(parts)


@contextlib.contextmanager
def _continued(path: Path) -> Iterator[TextIO]:
    """A file of readings, open at its end; begun where there is none."""
    try:
        file = path.open("a", newline="", encoding="utf-8")
    except OSError as error:
        raise LinkcalcError(f"{path}: cannot be written: {error.strerror or error}") from None
    head = ",".join(_COLUMNS)
    with file:
        if file.tell() == 0:
            file.write(f"{head}\n")
        elif _first_line(path) != head:
            raise LinkcalcError(f"{path}: is not a file of this command; name another with --output")
        elif not path.read_bytes().endswith(b"\n"):  # the plug was pulled in the middle of a line
            file.write("\n")
        yield file


def _first_line(file: Path) -> str:
    with file.open(encoding="utf-8", errors="replace") as text:
        return text.readline().strip()


def _standard_input() -> Iterator[str]:
    for raw in sys.stdin.buffer:
        yield raw[:_LONGEST_LINE].decode("utf-8", errors="replace")


def _serial_lines(port: str, baud: int) -> Iterator[str]:
    """Whole lines of a serial port, until it goes away."""
    try:
        import serial
    except ImportError:
        raise LinkcalcError(
            "a serial port needs pyserial: pip install 'linkcalc[listen]', or pipe the lines in"
        ) from None
    try:
        opened = serial.Serial(port, baud, timeout=0.2)
    except (OSError, ValueError) as error:  # its SerialException is an OSError
        raise LinkcalcError(f"--port {port}: cannot be opened: {error}") from None
    rest = b""
    with opened:
        while True:
            try:
                got = opened.read(max(opened.in_waiting, 1))
            except OSError:
                tell(f"{port} went away; what was heard is kept")
                break
            *whole, rest = (rest + got).split(b"\n")
            # at a wrong baud rate no line ever ends: the rest must not grow without bound
            rest = rest[-_LONGEST_LINE:]
            yield from (line.decode("utf-8", errors="replace") for line in whole)
    if rest.strip():
        yield rest.decode("utf-8", errors="replace")

"""Rows of a record: what stands at the two stations, as planned, as set and as built; readings; the acceptance test."""

import math
import re
from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

from linkcalc.link.modulation import Signal
from linkcalc.plan import ChirpModulation
from linkcalc.radio import css
from linkcalc.site.acceptance import Acceptance, Count
from linkcalc.site.readings import Reading
from linkcalc.site.record import Record, Site
from linkcalc.site.survey import Survey
from linkcalc.terrain import geodesy
from linkcalc.views import units
from linkcalc.views.html import drawing, typeset
from linkcalc.views.page import NO_BREAK
from linkcalc.views.record import pictures
from linkcalc.views.survey.text import (
    MARGINS,
    MEASURED,
    day_lines,
    percent,
    proven,
    range_words,
    site_sentences,
    survey_rows,
)
from linkcalc.views.words import (
    Rows,
    decibel_words,
    probability_words,
    rounded,
    time_words,
    trimmed,
)


def site_rows(record: Record) -> Rows:
    """Both stations as the plan has them."""
    sites = record.sites
    return [
        ("Position, WGS 84", [_position(s) for s in sites]),
        ("Ground above sea level", [metres(s.ground_m) for s in sites]),
        ("Antenna above ground", [metres(s.station.antenna_height_m) for s in sites]),
        (
            "Azimuth of the other, from true north",
            ["unknown" if s.bearing_deg is None else degrees(s.bearing_deg) for s in sites],
        ),
        ("Elevation of the other", [f"{s.elevation_deg:+.2f}°" for s in sites]),
        ("Antenna", [_antenna(s) for s in sites]),
        ("Feeder", [f"{s.feeder}: {decibel_words(s.feeder_loss_db)}" if s.feeder else "none" for s in sites]),
        ("Other losses", [_others(s) for s in sites]),
        ("Transmit power at the radio", [level(s.station.transmit_power_dbm) for s in sites]),
        ("Radiated in the main beam", [f"{level(s.eirp_dbm)} EIRP, {level(s.erp_dbm)} ERP" for s in sites]),
        ("Receiver noise figure", [decibel_words(s.station.noise_figure_db) for s in sites]),
        ("Radio noise around", [_noise(s) for s in sites]),
        (
            "Inside a building",
            ["no" if (b := s.station.building) == "none" else b.replace("_", " ") for s in sites],
        ),
    ]


def _position(site: Site) -> str:
    from markupsafe import Markup

    s = site.station
    if site.position_deg is None:
        return "not in the plan"
    words = geodesy.position_text(*site.position_deg)
    if s.easting_m is None or s.northing_m is None:
        return words
    # metres whatever the units in force: they are of the grid
    grid = Markup("{}<br>E {:.1f}\u00a0m, N {:.1f}\u00a0m, EPSG\u00a0{}")
    return grid.format(typeset(words), s.easting_m, s.northing_m, s.epsg)


def _antenna(site: Site) -> str:
    a = site.station.antenna
    words = f"{a.type.replace('_', ' ')}, {trimmed(site.antenna_gain_dbi)} dBi, {a.polarisation}"
    if a.azimuth_deg is not None:
        words += f", turned to {degrees(a.azimuth_deg)}"
    if a.tilt_deg:
        words += f", tilted {a.tilt_deg:+.1f}°"
    return words


def _others(site: Site) -> str:
    return "; ".join(f"{x.reason}: {x.loss_db:.1f} dB" for x in site.station.extra_loss) or "none"


def _noise(site: Site) -> str:
    s = site.station
    words = s.noise_environment.replace("_", " ")
    return f"{words}, engine and electronics {s.noise_rise_db:.1f} dB" if s.noise_rise_db else words


def setting_rows(record: Record) -> Rows:
    """What is loaded into both radios."""
    link = record.link
    return [
        *((name, [value, value]) for name, value in _modulation(record)),
        ("Transmit power at the connector", [power(s.station.transmit_power_dbm) for s in record.sites]),
        ("Payload it sends", [f"{n} bytes" for n in (link.payload_bytes, link.reply_payload_bytes)]),
        ("Time on air of that", [time_words(d.time_on_air_s) for d in record.result.directions]),
        ("Tries of a message, at most", [str(link.tries)] * 2),
    ]


def _modulation(record: Record) -> list[tuple[str, str]]:
    link, m = record.link, record.link.modulation
    carrier = ("Carrier frequency", f"{trimmed(link.frequency_mhz, 6)} MHz")
    if not isinstance(m, ChirpModulation):
        return [
            carrier,
            ("Modulation", "two-level (Gaussian) frequency shift keying"),
            ("Bit rate", f"{m.bit_rate_bps:g} bit/s"),
            ("Frequency deviation", f"{m.deviation_hz:g} Hz"),
            ("Receiver bandwidth", f"{Signal.of(m).bandwidth_hz / 1e3:g} kHz"),
            ("Preamble", f"{m.preamble_bytes} bytes"),
            ("Sync word", f"{m.sync_bytes} bytes"),
            ("Length field and CRC", f"{m.overhead_bytes} bytes"),
        ]
    optimised: str = m.low_data_rate_optimisation
    if optimised == "auto":
        optimised = "on" if css.low_data_rate_optimised(m.spreading_factor, m.bandwidth_khz * 1e3) else "off"
    return [
        carrier,
        ("Modulation", "chirp spread spectrum (CSS)"),
        ("Spreading factor", str(m.spreading_factor)),
        ("Bandwidth", f"{m.bandwidth_khz:g} kHz"),
        ("Coding rate", m.coding_rate),
        ("Preamble", f"{m.preamble_symbols} symbols"),
        ("Header", "explicit" if m.explicit_header else "implicit"),
        ("CRC of the payload", "on" if m.crc else "off"),
        ("Low data rate optimisation", optimised),
    ]


def as_built_rows(record: Record) -> Rows:
    """What is to be filled in on site; heights and parts as the last reading that says so has them."""
    by_hand = (
        "Antenna azimuth, ° from true north",
        "Antenna: type, serial number",
        units.label("Feeder: type, length, m"),
        "Arrestor and earth checked by",
        "Radio: type, serial number",
        "Firmware",
        "Address, sync word or network identity",
        "Settings loaded and read back by",
    )
    readings = () if record.readings is None else record.readings.readings
    return [
        (units.label("Antenna above ground, m"), [_last_height(readings, end) for end in ("near", "far")]),
        ("Set and fitted, as the last reading says", _fitted(readings)),
        *((name, ["", ""]) for name in by_hand),
    ]


def _last_height(readings: Sequence[Reading], end: str) -> str:
    stated = [h for r in readings if (h := getattr(r, f"{end}_height_m")) is not None]
    return f"{units.figure(stated[-1], 'm'):.4g}" if stated else ""


def _fitted(readings: Sequence[Reading]) -> list[str]:
    stated = [r for r in readings if fitted_words(r)]
    if not stated:
        return ["", ""]
    r = stated[-1]
    signal = f"SF{r.spreading_factor}, " if r.spreading_factor is not None else ""
    return [f"{signal}{end_words(r, end)}".strip(", ") for end in ("near", "far")]


# ---------------------------------------------------------------- readings and the acceptance test

_MOST_READINGS = 60
_MOST_LINES = 12
_COLUMNS: dict[str, Callable[[Reading], str]] = {
    "Row": lambda r: r.place,
    "Time": lambda r: "" if r.time is None else r.time.isoformat(NO_BREAK, "minutes"),
    "Direction": lambda r: r.direction,
    "RSSI, dBm": lambda r: _figure(r.rssi_dbm),
    "SNR, dB": lambda r: _figure(r.snr_db),
    "Sent": lambda r: _figure(r.sent),
    "Received": lambda r: _figure(r.received),
    "Antennas, m": lambda r: _heights(r),
    "Set and fitted": lambda r: fitted_words(r),
    "Engine": lambda r: {True: "runs", False: "stopped", None: ""}[r.engine_running],
    "Leaves": lambda r: _leaves(r),
    "Note": lambda r: "; ".join(filter(None, (r.spot, r.note))),
}
_FIGURES = ("RSSI, dBm", "SNR, dB", "Sent", "Received")
_WHOLE = ("Time",)


def readings_data(record: Record) -> dict[str, Any] | None:
    """What was measured; None before there are readings."""
    survey, readings = record.survey, record.readings
    if survey is None or readings is None:
        return None
    shown = readings.readings[:_MOST_READINGS]
    columns = {head: [cell(r) for r in shown] for head, cell in _COLUMNS.items()}
    # columns that nobody filled are left out
    used = [head for head, cells in columns.items() if any(cells)]
    times = dict.fromkeys(t.replace("T", " ") for t in (survey.first_time, survey.last_time) if t)
    when = f", taken {' to '.join(times)}" if times else ""
    spots = (
        f"{len(survey.spots)} spots were tried; this is for {survey.spot}." if survey.spot is not None else ""
    )
    return {
        "said": " ".join([*site_sentences(survey), spots]).strip(),
        "measured": survey_rows(survey.directions, MEASURED, record=True),
        "margins": survey_rows(survey.directions, MARGINS, record=True),
        "drawing": drawing(pictures.readings_figure(survey), "readings", "Readings against the prediction"),
        "day": [
            f"{survey.readings_used} readings of {survey.readings_file} used{when}.",
            *day_lines(survey),
            *map(without_commands, survey.warnings),
        ],
        "head": list(map(units.label, used)),
        "rows": list(zip(*(columns[head] for head in used), strict=True)),
        "figures": [used.index(head) for head in _FIGURES if head in used],
        "whole": [used.index(head) for head in _WHOLE if head in used],
        "more": len(readings.readings) - _MOST_READINGS,
        "refused": _refused(survey),
    }


def _leaves(r: Reading) -> str:
    leaves = {"in_leaf": "in leaf", "out_of_leaf": "bare", None: ""}[r.leaf]
    wet = {True: "wet", False: "dry", None: ""}[r.wet_foliage]
    return ", ".join(filter(None, (leaves, wet)))


def _heights(r: Reading) -> str:
    heights = r.near_height_m, r.far_height_m
    if heights == (None, None):
        return ""
    return ", ".join("planned" if v is None else f"{units.figure(v, 'm'):.4g}" for v in heights)


def fitted_words(r: Reading) -> str:
    """What a reading says was set and fitted."""
    said = [f"SF{r.spreading_factor}"] if r.spreading_factor is not None else []
    said += [f"{r.bandwidth_khz:g} kHz"] if r.bandwidth_khz is not None else []
    for name, words in (("from", end_words(r, "near")), ("to", end_words(r, "far"))):
        said += [f"{name}: {words}"] if words else []
    return ", ".join(said)


def end_words(r: Reading, end: str) -> str:
    """What a reading says was fitted at one end, near or far."""
    power, antenna, gain, feeder, loss = (
        getattr(r, f"{end}_{key}")
        for key in ("power_dbm", "antenna", "antenna_gain_dbi", "feeder", "feeder_loss_db")
    )
    parts = [f"{power:g} dBm"] if power is not None else []
    parts += [f"antenna {antenna}".strip()] if antenna else []
    parts += [f"{gain:.1f} dBi"] if gain is not None else []
    parts += [f"feeder {feeder}".strip()] if feeder or loss is not None else []
    parts += [f"{loss:.1f} dB"] if loss is not None else []
    return " ".join(parts)


def _figure(value: float | None) -> str:
    """A reading as it was given, to a hundredth."""
    return "" if value is None else trimmed(value)


def _refused(survey: Survey) -> list[str]:
    lines = [
        f"{f'{r.file}, row' if r.file else 'Row'} {r.row}: {r.reason}." for r in survey.refused[:_MOST_LINES]
    ]
    more = len(survey.refused) - _MOST_LINES
    return [*lines, f"And {more} more."] if more > 0 else lines


def acceptance_data(record: Record) -> dict[str, Any]:
    """What a count of packets proves, or how many to count."""
    tests = record.tests
    first = tests[0]
    counted = any(test.count is not None for test in tests)
    return {
        "success": percent(first.success),
        "confidence": percent(first.confidence),
        "good_success": percent(first.good_success),
        "caution": first.caution,
        "counted": [(name, [_count(test, words) for test in tests]) for name, words in _COUNTED if counted],
        "rules": [
            [str(r.packets), str(r.losses_allowed), *map(probability_words, (r.bad_passes, r.good_passes))]
            for r in first.rules
            if r.kind != "sequential"
        ],
    }


def _count(test: Acceptance, words: Callable[[Count], str]) -> str:
    return "not counted" if test.count is None else words(test.count)


def _more_needed(count: Count) -> str:
    if count.passed:
        return "none"
    return "too many are lost" if count.more_needed is None else str(count.more_needed)


_COUNTED: tuple[tuple[str, Callable[[Count], str]], ...] = (
    ("Packets sent", lambda c: str(c.sent)),
    ("Of these, lost", lambda c: str(c.lost)),
    ("Proven: at least so many arrive", lambda c: f"{100.0 * proven(c):.2f} %"),
    ("Share lost, exact (Clopper-Pearson)", lambda c: range_words(c.exact_interval)),
    ("Share lost, Wilson", lambda c: range_words(c.wilson_interval)),
    ("More packets, none lost, to prove it", _more_needed),
    ("Result", lambda c: "PASSED" if c.passed else "NOT PROVEN"),
)


# ---------------------------------------------------------------- figures in words

_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)

_TERMINAL = re.compile(r"; (see )?linkcalc \w+$| \(--\w+ says it\)")


def without_commands(line: str) -> str:
    """What a line for the terminal says to somebody who has none."""
    return _TERMINAL.sub("", line)


def level(power_dbm: float | None) -> str:
    """A power level."""
    return "not measured" if power_dbm is None else decibel_words(power_dbm, "dBm")


def metres(height_m: float) -> str:
    """A height with one decimal."""
    return f"{rounded(height_m, 1)} m"


def degrees(bearing_deg: float) -> str:
    """A bearing in three figures, and a tenth."""
    return f"{round(bearing_deg, 1) % 360.0:05.1f}°"


def power(power_dbm: float) -> str:
    """A power as radios are set and as people speak of it."""
    milliwatts = 10.0 ** (power_dbm / 10.0)
    decimals = max(0, 2 - math.floor(math.log10(milliwatts)))
    return f"{level(power_dbm)} ({milliwatts:.{decimals}f}{NO_BREAK}mW)"


def date_words(day: date) -> str:
    """A date that nobody takes for another."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"

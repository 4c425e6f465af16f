"""Rows of a record on its readings and its acceptance test."""

from collections.abc import Callable, Sequence
from typing import Any

from linkcalc.site.acceptance import Acceptance, Count
from linkcalc.site.measured import DirectionSurvey
from linkcalc.site.readings import Reading
from linkcalc.site.record import Record
from linkcalc.site.survey import Survey
from linkcalc.views import units
from linkcalc.views.html import drawing
from linkcalc.views.page import NO_BREAK
from linkcalc.views.record import pictures
from linkcalc.views.record.words import level, without_commands
from linkcalc.views.survey_text import (
    day_lines,
    interval_of,
    packet_words,
    percent,
    proven,
    range_words,
    share_words,
    signed_or_none,
    site_sentences,
)
from linkcalc.views.words import (
    VERDICT_WORDS,
    decibel_words,
    probability_words,
    required_margin_words,
    trimmed,
)

_MOST_READINGS = 60
_MOST_LINES = 12
_HEAD = (
    *("Row", "Time", "Direction", "RSSI, dBm", "SNR, dB", "Sent", "Received"),
    *("Antennas, m", "Set and fitted", "Engine", "Leaves", "Note"),
)
_FIGURES = (3, 4, 5, 6)
_WHOLE = (1,)


def readings_data(record: Record) -> dict[str, Any] | None:
    """What was measured; None before there are readings."""
    survey, readings = record.survey, record.readings
    if survey is None or readings is None:
        return None
    shown = [_cells(r) for r in readings.readings[:_MOST_READINGS]]
    # columns that nobody filled are left out
    used = [i for i in range(len(_HEAD)) if any(cells[i] for cells in shown)]
    spots = (
        f"{len(survey.spots)} spots were tried; this is for {survey.spot}." if survey.spot is not None else ""
    )
    return {
        "said": " ".join([*site_sentences(survey), spots]).strip(),
        "measured": _measured(survey.directions),
        "margins": _margins(survey.directions),
        "drawing": drawing(pictures.readings_figure(survey), "readings", "Readings against the prediction"),
        "day": _day(survey),
        "head": [units.label(_HEAD[i]) for i in used],
        "rows": [[cells[i] for i in used] for cells in shown],
        "figures": [used.index(i) for i in _FIGURES if i in used],
        "whole": [used.index(i) for i in _WHOLE if i in used],
        "more": len(readings.readings) - _MOST_READINGS,
        "refused": _refused(survey),
    }


def _measured(ways: Sequence[DirectionSurvey]) -> list[tuple[str, list[str]]]:
    return [
        ("Readings of level", [str(d.readings) if d.readings else "none" for d in ways]),
        ("Level, median", [level(d.level_dbm) for d in ways]),
        ("Level predicted for the day", [level(d.predicted_level_dbm) for d in ways]),
        ("Level in the weakest tenth", [level(d.level_10_percent_dbm) for d in ways]),
        ("Loss over the predicted", [signed_or_none(d.excess_db) for d in ways]),
        ("Noise, median", [level(d.noise_dbm) for d in ways]),
        ("Packets that arrived", [packet_words(d) for d in ways]),
        ("Share, 95 % interval", [share_words(d.received_share_interval) for d in ways]),
    ]


def _margins(ways: Sequence[DirectionSurvey]) -> list[tuple[str, list[str]]]:
    return [
        ("Margin", [decibel_words(d.fade_margin_db) for d in ways]),
        ("Margin, 95 % interval", [interval_of(d.fade_margin_interval_db) for d in ways]),
        ("Required margin", [required_margin_words(d.required_margin_db) for d in ways]),
        ("Chance that it is there", [probability_words(d.margin_probability) for d in ways]),
        ("A message arrives, with its tries", [probability_words(d.delivery_probability) for d in ways]),
        ("Share, 95 % interval", [share_words(d.delivery_probability_interval) for d in ways]),
        ("Verdict", [VERDICT_WORDS[d.verdict] for d in ways]),
    ]


def _day(survey: Survey) -> list[str]:
    times = dict.fromkeys(t.replace("T", " ") for t in (survey.first_time, survey.last_time) if t)
    when = f", taken {' to '.join(times)}" if times else ""
    lines = [f"{survey.readings_used} readings of {survey.readings_file} used{when}."]
    return [*lines, *day_lines(survey), *map(without_commands, survey.warnings)]


def _cells(r: Reading) -> list[str]:
    heights = [
        f"{units.figure(v, 'm'):.4g}" if v is not None else "planned"
        for v in (r.near_height_m, r.far_height_m)
    ]
    leaves = {"in_leaf": "in leaf", "out_of_leaf": "bare", None: ""}[r.leaf]
    wet = {True: "wet", False: "dry", None: ""}[r.wet_foliage]
    return [
        r.place,
        "" if r.time is None else r.time.isoformat(NO_BREAK, "minutes"),
        r.direction,
        _figure(r.rssi_dbm),
        _figure(r.snr_db),
        "" if r.sent is None else str(r.sent),
        "" if r.received is None else str(r.received),
        "" if r.near_height_m is r.far_height_m is None else ", ".join(heights),
        fitted_words(r),
        {True: "runs", False: "stopped", None: ""}[r.engine_running],
        ", ".join(w for w in (leaves, wet) if w),
        "; ".join(w for w in (r.spot, r.note) if w),
    ]


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
            [
                str(r.packets),
                str(r.losses_allowed),
                probability_words(r.bad_passes),
                probability_words(r.good_passes),
            ]
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

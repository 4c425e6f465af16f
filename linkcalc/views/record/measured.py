"""Readings and acceptance test of a record; or, before there are any, the fields to write them in."""

import math
from collections.abc import Callable, Sequence

from linkcalc.site.acceptance import Acceptance, Count
from linkcalc.site.measured import DirectionSurvey
from linkcalc.site.readings import Reading
from linkcalc.site.record import Record
from linkcalc.site.survey import Survey
from linkcalc.views import style, units
from linkcalc.views.record import pictures
from linkcalc.views.record.markup import NO_BREAK, Child, Html, h, inline_svg
from linkcalc.views.record.parts import bullets, columns, grid, level, minus, row, section, table
from linkcalc.views.survey_text import (
    day_lines,
    interval_of,
    more_words,
    packet_words,
    percent,
    share_words,
    signed,
    signed_or_none,
)
from linkcalc.views.words import VERDICT_WORDS, decibel_words, probability_words

_MOST_READINGS = 60
_MOST_LINES = 12
_HEAD = (
    *("Row", "Time", "Direction", "RSSI, dBm", "SNR, dB", "Sent", "Received"),
    *("Antennas, m", "Set and fitted", "Engine", "Leaves", "Note"),
)
_FIGURES = (3, 4, 5, 6)
_FORM = (
    ("Time", 17),
    ("From, to", 17),
    ("RSSI, dBm", 9),
    ("SNR, dB", 9),
    ("Sent", 8),
    ("Received", 9),
    ("Engine runs?", 9),
    ("Leaves, wet?", 10),
    ("Note", 12),
)


def readings_section(record: Record) -> Html:
    """What was measured, or a form for it."""
    survey, readings = record.survey, record.readings
    if survey is None or readings is None:
        return _form()
    low, high = survey.excess_interval_db
    ways = columns(survey.directions)[1:]
    said = [
        f"The site loses {more_words(survey.excess_db)} predicted (95 %: {signed(low)} to {signed(high)} dB; "
        f"before the readings the prediction's uncertainty was {decibel_words(survey.prior_sigma_db)}, one sigma).",
        f"{survey.agreement_reason[:1].upper()}{survey.agreement_reason[1:]}.",
    ]
    if survey.spot is not None:
        said.append(f"{len(survey.spots)} spots were tried; this is for {survey.spot}.")
    drawing = inline_svg(
        style.render(pictures.readings_figure(survey), "svg"), "readings", "Readings against the prediction"
    )
    return section(
        "Readings",
        h("p", minus(" ".join(said))),
        table(["Measured", *ways], _measured(survey.directions), figures=True),
        table(["Under the plan's conditions", *ways], _margins(survey.directions), figures=True),
        h(
            "figure",
            drawing,
            h(
                "figcaption",
                "Margins under the plan's conditions, fading allowed for. Open circles: too far from the "
                "others to count. Shaded: 95 % of what the margin may be. Dashed curve: the plan alone.",
            ),
        ),
        bullets(minus(line) for line in _day(survey)),
        _rows(readings.readings, record),
        _refused(survey),
    )


def _measured(ways: Sequence[DirectionSurvey]) -> list[tuple[str, list[Child]]]:
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


def _margins(ways: Sequence[DirectionSurvey]) -> list[tuple[str, list[Child]]]:
    return [
        ("Margin", [decibel_words(d.fade_margin_db) for d in ways]),
        ("Margin, 95 % interval", [interval_of(d.fade_margin_interval_db) for d in ways]),
        ("Required margin", [_asked(d.required_margin_db) for d in ways]),
        ("Chance that it is there", [probability_words(d.margin_probability) for d in ways]),
        ("A message arrives, with its tries", [probability_words(d.delivery_probability) for d in ways]),
        ("Share, 95 % interval", [share_words(d.delivery_probability_interval) for d in ways]),
        ("Verdict", [VERDICT_WORDS[d.verdict] for d in ways]),
    ]


def _asked(required_db: float) -> str:
    return decibel_words(required_db) if math.isfinite(required_db) else "more than any"


def _day(survey: Survey) -> list[str]:
    times = [t.replace("T", " ") for t in (survey.first_time, survey.last_time) if t]
    when = (
        ""
        if not times
        else f", taken {times[0]}"
        if times[0] == times[-1]
        else f", taken {times[0]} to {times[-1]}"
    )
    lines = [f"{survey.readings_used} readings of {survey.readings_file} used{when}."]
    return [*lines, *day_lines(survey), *survey.warnings]


def _rows(readings: Sequence[Reading], record: Record) -> Html:
    shown = [_cells(r) for r in readings[:_MOST_READINGS]]
    # columns that nobody filled are left out
    used = [i for i in range(len(_HEAD)) if any(cells[i] for cells in shown)]
    figures = [used.index(i) for i in _FIGURES if i in used]
    body = [row([cells[i] for i in used], figures) for cells in shown]
    link, more = record.link, len(readings) - _MOST_READINGS
    note = f"There: from {link.from_} to {link.to}; back: the other way."
    if more > 0:
        note += f" And {more} more in the file."
    return h(
        "div",
        h("h3", "The readings"),
        grid([units.label(_HEAD[i]) for i in used], body, figures, small=True),
        h("p", note, class_="notes"),
    )


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
    """A reading as it was given, to a hundredth.

    >>> _figure(-101.0), _figure(0.25), _figure(None)
    ('-101', '0.25', '')
    """
    return "" if value is None else f"{value:.2f}".rstrip("0").rstrip(".")


def _refused(survey: Survey) -> Html:
    if not survey.refused:
        return Html("")
    lines = [
        f"{f'{r.file}, row' if r.file else 'Row'} {r.row}: {r.reason}." for r in survey.refused[:_MOST_LINES]
    ]
    more = len(survey.refused) - _MOST_LINES
    if more > 0:
        lines.append(f"And {more} more.")
    return h("div", h("h3", "Rows not used"), bullets(minus(line) for line in lines))


def _form() -> Html:
    header = h("tr", [h("th", name, style=f"width:{share}%", scope="col") for name, share in _FORM])
    rows = [h("tr", [h("td") for _ in _FORM]) for _ in range(8)]
    return section(
        "Readings",
        h(
            "p",
            "None yet. Move each antenna by half a wavelength between readings and keep the median; count "
            "the packets that are lost; take some with the engine running.",
        ),
        h("div", h("table", h("thead", header), h("tbody", rows), class_="fill"), class_="scroll small"),
        class_="keep",
    )


def acceptance_section(record: Record) -> Html:
    """What a count of packets proves, or how many to count."""
    tests, ways = record.tests, record.result.directions
    first = tests[0]
    asked = f"{percent(first.success)} of the packets arrive, at {percent(first.confidence)} confidence"
    parts: list[Child] = [h("p", f"To be proven in each direction: {asked}.")]
    if any(test.count is not None for test in tests):
        rows: list[tuple[str, list[Child]]] = [
            (name, [_count(test, words) for test in tests]) for name, words in _COUNTED
        ]
        parts.append(table(columns(ways), rows, figures=True))
        parts.append(
            h(
                "p",
                f"Intervals are two-sided, {percent(first.confidence)}. {first.caution}",
                class_="notes",
            )
        )
    else:
        head = [
            "Packets to send",
            "Lost at most",
            f"A link of {percent(first.success)} passes with",
            f"One of {percent(first.good_success)} passes with",
        ]
        body = [
            row(
                [
                    str(r.packets),
                    str(r.losses_allowed),
                    probability_words(r.bad_passes),
                    probability_words(r.good_passes),
                ],
                (1, 2, 3),
            )
            for r in first.rules
            if r.kind != "sequential"
        ]
        parts.append(
            h(
                "p",
                "Choose one of these before the first packet is sent, and count each direction on its own:",
            )
        )
        parts.append(h("div", grid(head, body, (1, 2, 3)), class_="keep"))
        to_fill = ("Date; engine running or not", "Packets sent", "Of these, lost", "Passed?")
        way_names = [f"from {d.from_} to {d.to}" for d in ways]
        parts.append(
            table(["To fill in on site", *way_names], [(name, ["", ""]) for name in to_fill], fill=True)
        )
        parts.append(h("p", first.caution))
    return section("Acceptance test", *parts)


def _count(test: Acceptance, words: Callable[[Count], str]) -> str:
    return "not counted" if test.count is None else words(test.count)


def _more_needed(count: Count) -> str:
    if count.passed:
        return "none"
    return "too many are lost" if count.more_needed is None else str(count.more_needed)


def _floor(share: float) -> float:
    return math.floor(share * 1e4) / 1e4


def _range(interval: tuple[float, float]) -> str:
    low, high = interval
    return f"{100.0 * low:.2f} to {100.0 * high:.2f} %"


_COUNTED: tuple[tuple[str, Callable[[Count], str]], ...] = (
    ("Packets sent", lambda c: str(c.sent)),
    ("Of these, lost", lambda c: str(c.lost)),
    ("Proven: at least so many arrive", lambda c: f"{100.0 * _floor(c.success_at_least):.2f} %"),
    ("Share lost, exact (Clopper-Pearson)", lambda c: _range(c.exact_interval)),
    ("Share lost, Wilson", lambda c: _range(c.wilson_interval)),
    ("More packets, none lost, to prove it", _more_needed),
    ("Result", lambda c: "PASSED" if c.passed else "NOT PROVEN"),
)

"""The record as a page: question and answer first, then what they rest on, then what is to be signed."""

import math
import re
from base64 import b64encode
from collections.abc import Iterable
from importlib.resources import files

from linkcalc.link.modulation import Signal
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import MODEL_NAMES, Advice
from linkcalc.operation.limits import EndLimits
from linkcalc.plan import ChirpModulation
from linkcalc.plan.assumptions import still_the_starters
from linkcalc.radio import css
from linkcalc.site.record import Record, Site
from linkcalc.sweeps.mast_heights import requirement_words
from linkcalc.terrain import geodesy
from linkcalc.views import style, units
from linkcalc.views.budget_text import budget_lines, merged_terms, place_words, term_words
from linkcalc.views.limits_text import STATUS_WORDS, interval_words, power_words, sender_words
from linkcalc.views.record import pictures
from linkcalc.views.record.markup import Child, Html, h, inline_svg
from linkcalc.views.record.measured import acceptance_section, end_words, fitted_words, readings_section
from linkcalc.views.record.parts import (
    blank,
    bullets,
    columns,
    date_words,
    degrees,
    grid,
    level,
    metres,
    minus,
    row,
    section,
    table,
)
from linkcalc.views.remedies_text import (
    EXAMPLES,
    changes_words,
    cost_words,
    effect_words,
    money,
    part_words,
    parts_words,
    quantity_words,
)
from linkcalc.views.survey_text import percent
from linkcalc.views.words import (
    VERDICT_WORDS,
    assumption_lines,
    decibel_words,
    distance_words,
    likely_words,
    path_words,
    probability_words,
    required_margin_words,
    starter_words,
    time_words,
    trimmed,
)

_GUIDELINES = ("ICNIRP", "FCC")
Rows = list[tuple[str, list[Child]]]


def record_html(record: Record, signature_lines: int = 2) -> str:
    """Write the record as one page of HTML that needs nothing else.

    Parameters
    ----------
    record : Record
    signature_lines : int
        Places to sign at its end.

    Returns
    -------
    str
        The same for the same record.
    """
    body = [
        _header(record),
        _job(record),
        _answer(record),
        *_still_the_starters(record),
        h("div", h("h2", "Cautions"), bullets(record.cautions), class_="box"),
        _remedies(record),
        _sites(record),
        _map(record),
        _parts(record),
        _profile(record),
        _budget(record),
        _limits(record),
        _settings(record),
        _as_built(record),
        readings_section(record),
        acceptance_section(record),
        _beyond_radio(record),
        _photos(record),
        _recheck(record),
        _conditions(record),
        h("div", _inputs(record), _signatures(record, signature_lines), class_="keep"),
    ]
    rules = files("linkcalc.views.record").joinpath("record.css").read_text("utf-8")
    head = h(
        "head",
        h("meta", charset="utf-8"),
        h("meta", name="viewport", content="width=device-width, initial-scale=1"),
        h("title", f"{record.link.name}: link record"),
        h("style", Html(rules.replace("/* verdicts */", style.verdict_rules()))),
    )
    return f"<!DOCTYPE html>\n{h('html', head, _lines(body), lang='en')}\n"


def _lines(parts: Iterable[Html]) -> Html:
    return h("body", Html("\n".join(p for p in parts if p)))


def _header(record: Record) -> Html:
    day: Child = date_words(record.day) if record.day else blank()
    return h(
        "header",
        h("p", f"Link record {record.digest[:12]} · {record.link.name}", class_="footer"),
        h("h1", record.title or record.link.name),
        h("p", "Link: ", h("b", record.link.name), ". Date of this record: ", day),
    )


def _job(record: Record) -> Html:
    """Whom it is for; blank where nobody said."""
    j = record.job
    named = (("Customer", j.customer), ("Site", j.site), ("Job", j.number), ("Installer", j.installer))
    cells: list[Child] = []
    for name, words in (*named, ("Firm", j.firm)):
        cells.append(h("p", f"{name}: ", h("b", words) if words else blank()))
    return h("div", cells, class_="job")


def _remedies(record: Record) -> Html:
    """What would make it close, where it does not."""
    result = record.result
    if record.verdict == "closes" or not (result.advice or result.remedies):
        return Html("")
    why = "Solved for the link as predicted; what was measured stands under Readings."
    priced = []
    for number, remedy in enumerate(result.remedies, 1):
        words = minus(f"{changes_words(remedy)} ({effect_words(remedy)}).")
        priced.append(h("p", h("b", f"{number}. {cost_words(remedy)}: "), words))
        if remedy.parts:
            words = parts_words(remedy.parts, remedy.currency)
            priced.append(h("p", f"Parts and work: {words}.", class_="notes"))
    if not all(r.prices_stated for r in result.remedies):
        priced.append(h("p", EXAMPLES, class_="notes"))
    # what is in them need not be listed again on its own
    single = [a for a in result.advice if not result.remedies or a.kind == "measure" or a.sufficient]
    return section(
        "What makes it close" if result.remedies else "What to change",
        h("p", "Each of these closes the link, by the same check, margin of that required in brackets.")
        if result.remedies
        else None,
        priced,
        h("h3", "Other changes") if result.remedies and single else None,
        bullets(minus(_advice_words(a)) for a in single),
        h("p", why, class_="notes") if record.survey is not None else None,
    )


def _parts(record: Record) -> Html:
    """What is planned at both stations, counted and priced."""
    bill = record.bill
    head = ["Station", "Part", "Quantity", "Each", "Cost"]
    rows = [
        row(
            [
                p.station, part_words(p), quantity_words(p), f"{p.unit_price:,.4g}",
                money(p.cost) + ("" if p.price_stated else " *"),
            ],
            (2, 3, 4),
        )
        for p in bill.parts
    ]  # fmt: skip
    rows.append(row(["Together", "", "", "", money(bill.cost, bill.currency)], (2, 3, 4), class_="sum"))
    notes = "Counted from the plan, without work. " + ("" if bill.prices_stated else f"* {EXAMPLES}")
    return section("Parts", grid(head, rows, (2, 3, 4)), h("p", notes.strip(), class_="notes"))


def _advice_words(a: Advice) -> str:
    if a.fade_margin_db is None:
        return a.text
    enough = "enough" if a.sufficient else "not enough alone"
    return f"{a.text} (margin of the weaker direction {decibel_words(a.fade_margin_db)}, {enough})"


_BEYOND_RADIO = (
    "Watchdog: radio's plug pulled with the pump running; the pump stopped after, s",
    "Float lifted by hand: the pump stopped",
    "Local stop beside the machine: stops it, whatever the radio says",
    "Start by radio refused while somebody works there (lock-off tried)",
    "Power cut and back: both ends came up by themselves",
    "What happens when a stop is lost: would the tank run over? Answered by",
    "Battery voltage at rest and while sending, V",
)


def _beyond_radio(record: Record) -> Html:
    """What the plan says of water, messages and batteries, and tests that the radio link cannot stand in for."""
    rows: Rows = [(name, ["", "", ""]) for name in _BEYOND_RADIO]
    said = [_COMMAND.sub("", line) for line in record.operation]
    return section(
        "Tests beyond the radio",
        bullets(minus(line) for line in said) if said else None,
        h("p", "The radio link is no safety function: if one of these fails, the job is not done."),
        table(["Test", "Found", "By", "Signed"], rows, fill=True),
        class_="keep",
    )


_COMMAND = re.compile(r"; (see )?linkcalc \w+$")
"""What a line for the terminal ends on."""


def _photos(record: Record) -> Html:
    """Pictures from the site, each with room for a word on it."""
    if not record.photos:
        return Html("")
    figures = [
        h(
            "figure",
            h("img", src=f"data:image/{p.kind};base64,{b64encode(p.content).decode('ascii')}", alt=p.name),
            h("figcaption", f"{number}. {p.name}: ", blank()),
        )
        for number, p in enumerate(record.photos, 1)
    ]
    return section("Photos", h("div", figures, class_="photos"))


def _still_the_starters(record: Record) -> list[Html]:
    """What of the plan nobody has put in for this site: in sight of the answer that rests on it."""
    words = starter_words(record.assumed)
    return [h("div", h("h2", "Not of this site"), h("p", words), class_="box")] if words else []


def _answer(record: Record) -> Html:
    link, result, survey = record.link, record.result, record.survey
    question = (
        f"Does the radio link from {link.from_} to {link.to} ({path_words(result)}) reach in each direction "
        f"what is required of it: {requirement_words(Requirement.of(link))}?"
    )
    said = minus(result.statement)
    lines = [said]
    if survey is not None:
        before = VERDICT_WORDS[result.verdict].lower()
        lines = [minus(survey.statement), f"Predicted before the readings: {before}. {said}"]
    how = "predicted, not yet measured" if survey is None else "as measured"
    verdict = h(
        "div",
        h("b", VERDICT_WORDS[record.verdict]),
        f" ({how})",
        [h("p", line) for line in lines],
        class_=f"verdict {record.verdict}",
    )
    ways = result.directions
    rows: Rows = [
        ("Margin predicted", [decibel_words(d.fade_margin_db) for d in ways]),
        ("90 % interval", [likely_words(d) for d in ways]),
        ("Required margin", [required_margin_words(d.required_margin_db) for d in ways]),
        ("Such sites work", [probability_words(d.site_share) for d in ways]),
        ("Messages that arrive there", [probability_words(d.success_where_it_works) for d in ways]),
        (
            "A message arrives, all such sites, with its tries",
            [probability_words(d.delivery_probability) for d in ways],
        ),
        ("On a single try", [probability_words(d.delivery_probability_single) for d in ways]),
        (
            f"At least, {trimmed(ways[0].year_share_percent)} % of the year",
            [probability_words(d.delivery_probability_year_share) for d in ways],
        ),
    ]
    if survey is not None:
        rows += [
            ("Margin as measured", [decibel_words(d.fade_margin_db) for d in survey.directions]),
            (
                "A message arrives, as measured",
                [probability_words(d.delivery_probability) for d in survey.directions],
            ),
        ]
    rows.append(("Limiting factor", [d.limited_by for d in ways]))
    return section(
        "Question and answer",
        h("p", question, class_="question"),
        verdict,
        table(columns(ways), rows, figures=True, words={"Limiting factor"}),
    )


def _sites(record: Record) -> Html:
    sites = record.sites
    rows: Rows = [
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
        ("Inside a building", [_building(s) for s in sites]),
    ]
    names = [s.station.name for s in sites]
    return section("Stations", table(["As planned", *names], rows))


def _fitted(record: Record) -> list[Child]:
    """What the last reading says was set and fitted at each end."""
    readings = () if record.readings is None else record.readings.readings
    stated = [r for r in readings if fitted_words(r)]
    if not stated:
        return ["", ""]
    r = stated[-1]
    signal = f"SF{r.spreading_factor}, " if r.spreading_factor is not None else ""
    return [f"{signal}{end_words(r, end)}".strip(", ") for end in ("near", "far")]


def _mounted(record: Record) -> list[Child]:
    """Heights of the antennas that the readings state."""
    readings = () if record.readings is None else record.readings.readings
    stated = (
        [r.near_height_m for r in readings if r.near_height_m is not None],
        [r.far_height_m for r in readings if r.far_height_m is not None],
    )
    return [f"{units.figure(heights[-1], 'm'):.4g}" if heights else "" for heights in stated]


def _position(site: Site) -> Child:
    s = site.station
    if site.position_deg is None:
        return "not in the plan"
    words = geodesy.position_text(*site.position_deg)
    if s.easting_m is not None and s.northing_m is not None:
        return [words, h("br"), f"E {s.easting_m:.1f} m, N {s.northing_m:.1f} m, EPSG {s.epsg}"]
    return words


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


def _building(site: Site) -> str:
    kind = site.station.building
    return "no" if kind == "none" else kind.replace("_", " ")


def _map(record: Record) -> Html:
    if record.map is None:
        words = "The plan gives no positions: there is no map. The path is shown in profile."
        return section("Map", h("p", words))
    figure, caption = pictures.map_figure(record)
    drawing = inline_svg(style.render(figure, "svg"), "map", "Stations and path from above")
    return section("Map", h("figure", drawing, h("figcaption", caption)), class_="keep")


def _profile(record: Record) -> Html:
    path = record.result.path
    figure, caption = pictures.profile_figure(record.result)
    drawing = inline_svg(style.render(figure, "svg"), "profile", "The path in profile")
    losses = {MODEL_NAMES.get(name, name): decibel_words(loss) for name, loss in path.models.items()}
    governing = MODEL_NAMES.get(path.model, path.model)
    others = "; ".join(f"{name} {loss}" for name, loss in losses.items() if name != governing)
    facts = [
        f"The path is {path.regime}: {path.regime_reason}.",
        f"Governing model: {governing} ({path.model_reason}): {losses.get(governing, 'n/a')} of path loss.",
    ]
    if others:
        facts.append(
            f"Other models: {others}. Those that apply to it differ by {decibel_words(path.spread_db)}."
        )
    if path.bridged_m > 0:
        facts.append(f"Missing heights are bridged along {distance_words(path.bridged_m)}.")
    return section(
        "Path in profile",
        h("figure", drawing, h("figcaption", minus(caption))),
        h("p", minus(" ".join(facts))),
        class_="keep",
    )


def _budget(record: Record) -> Html:
    ways = record.result.directions
    printed = [budget_lines(d) for d in ways]
    by_place = [{place_words(lines, i): lines[i] for i in range(len(lines))} for lines in printed]
    notes: dict[str, dict[str, None]] = {}
    for d in ways:
        for t in d.terms:
            if t.note:
                notes.setdefault(term_words(t), {})[t.note] = None
    rows = []
    figures = range(1, len(ways) + 1)
    for place in merged_terms([list(c) for c in by_place]):
        found = [c.get(place) for c in by_place]
        kind, name = next((line.kind, line.name) for line in found if line)
        total = kind == "sum"
        if kind == "rounding":
            continue
        if not total and not any(line and line.value_db for line in found):
            continue
        amounts = [
            "" if line is None else _amount(line.value_db, line.unit if total else "") for line in found
        ]
        remark = h("span", "; ".join(notes.get(name, {})) if kind == "term" else "", class_="small")
        rows.append(row([name, *amounts, remark], figures, class_="sum" if total else None))
    head: list[Child] = ["dB", *([f"from {d.from_}", h("br"), f"to {d.to}"] for d in ways), "How"]
    return section(
        "Budget",
        grid(head, rows, figures),
        h(
            "p",
            "Every term and sum is the figure nearest to its value, in tenths, so that printed terms may add up "
            "to a tenth or two more or less than the printed sum.",
            class_="notes",
        ),
        _uncertain(record),
    )


def _amount(value_db: float, unit: str) -> str:
    words = decibel_words(value_db, "").strip()
    if not unit and value_db > 0:
        words = f"+{words}"
    return f"{words} {unit}".strip()


def _uncertain(record: Record) -> Html:
    largest = {c.name: c for d in record.result.directions for c in d.uncertainty}
    worst = sorted(largest.values(), key=lambda c: -c.sigma_db)[:4]
    if not worst:
        return Html("")
    parts = "; ".join(f"{c.name} {decibel_words(c.sigma_db)} ({c.source})" for c in worst)
    return h("p", f"Uncertainty, as standard deviations of the margin: {parts}.")


def _limits(record: Record) -> Html:
    head = [
        "Transmission",
        "ERP",
        "EIRP",
        "On the air",
        "Worst hour",
        "Table says",
        "Most power",
        "Shortest interval",
    ]
    figures = (1, 2, 3, 4, 6, 7)
    reasons: dict[str, None] = {}
    sources: dict[str, None] = {}
    for end in record.limits:
        c = end.limits
        reasons[f"{c.reason}."] = None
        sources.update({f"{rule.id}: {rule.source}.": None for rule in c.rules})
    keep = []
    for s in record.keep_away:
        k = s.keeping
        found = ", ".join(
            f"{name} {distance:.2f} m"
            for name, distance in zip(_GUIDELINES, k.distance_m.values(), strict=True)
        )
        keep.append(f"{s.station}: {k.text} ({k.eirp_dbm:.1f} dBm EIRP; formula: {found}).")
    return section(
        f"Legal limits: {record.region_name or 'no region stated'}",
        h("p", record.limits_caution),
        grid(head, [_limit_row(end, figures) for end in record.limits], figures, small=True),
        bullets(minus(reason) for reason in reasons),
        h("div", h("h3", "Where these limits are from"), bullets(sources), class_="small")
        if sources
        else None,
        h(
            "div",
            h("h3", "Distance to keep from the antennas"),
            bullets([*keep, record.keep_away_caution]),
            class_="keep",
        ),
    )


def _limit_row(end: EndLimits, figures: Iterable[int]) -> Html:
    c = end.limits
    most = shortest = "unknown"
    if c.rules:
        most = "none" if c.largest_conducted_dbm is None else power_words(c.largest_conducted_dbm)
        shortest = "never"
        if c.shortest_interval_rule is not None:
            words = interval_words(c.shortest_interval_s, c.time_on_air_s * end.tries)
            shortest = words if words in ("any", "never") else f"every {words}"
    return row(
        [
            sender_words(end),
            level(c.erp_dbm),
            level(c.eirp_dbm),
            f"{c.time_on_air_s * 1e3:.0f} ms × {end.tries}",
            "unknown" if c.duty_cycle is None else f"{100.0 * c.duty_cycle:.2g} %",
            h("span", STATUS_WORDS[c.status], class_="over" if c.status == "over" else None),
            most,
            shortest,
        ],
        figures,
    )


def _settings(record: Record) -> Html:
    link = record.link
    near, far = (s.station for s in record.sites)
    rows: Rows = [(name, [value, value]) for name, value in _modulation(record)]
    rows += [
        ("Transmit power at the connector", [_power(s.transmit_power_dbm) for s in (near, far)]),
        ("Payload it sends", [f"{n} bytes" for n in (link.payload_bytes, link.reply_payload_bytes)]),
        ("Time on air of that", [time_words(d.time_on_air_s) for d in record.result.directions]),
        ("Tries of a message, at most", [str(link.tries)] * 2),
    ]
    return section(
        "Settings for both radios", table(["Load and read back", near.name, far.name], rows), class_="keep"
    )


def _as_built(record: Record) -> Html:
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
    rows: Rows = [
        (units.label("Antenna above ground, m"), _mounted(record)),
        ("Set and fitted, as the last reading says", _fitted(record)),
    ]
    rows += [(name, ["", ""]) for name in by_hand]
    names = [s.station.name for s in record.sites]
    return section("As built", table(["To fill in on site", *names], rows, fill=True), class_="keep")


def _modulation(record: Record) -> list[tuple[str, str]]:
    link, m = record.link, record.link.modulation
    carrier = ("Carrier frequency", f"{link.frequency_mhz:.6f}".rstrip("0").rstrip(".") + " MHz")
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


def _power(power_dbm: float) -> str:
    """A power as radios are set and as people speak of it.

    >>> _power(14.0), _power(30.0), _power(-3.0)
    ('14.0 dBm (25.1 mW)', '30.0 dBm (1000 mW)', '−3.0 dBm (0.501 mW)')
    """
    milliwatts = 10.0 ** (power_dbm / 10.0)
    decimals = max(0, 2 - math.floor(math.log10(milliwatts)))
    plain = f"{milliwatts:.{decimals}f}"
    return f"{level(power_dbm)} ({plain} mW)"


def _recheck(record: Record) -> Html:
    when = record.recheck
    day: Child = h("b", date_words(when.on)) if when.on else blank()
    asked = ("Measured again on", "By", "Margin there and back, dB", "Still as required? What was changed?")
    return section(
        "Measure again",
        h("p", "On: ", day, f" (the rule: {when.rule})."),
        h(
            "p",
            "Take readings and count packets as in this record, with leaves wet and the engine running, and "
            "compare. Do so too after anything is built, planted or parked in the path, after a storm, and "
            "after work on an antenna or a feeder.",
        ),
        table(["To fill in then", ""], [(name, [""]) for name in asked], fill=True),
        class_="keep",
    )


def _conditions(record: Record) -> Html:
    invented = still_the_starters(record.assumed)
    assumed = assumption_lines([a for a in record.assumed if a not in invented])
    c = record.conditions
    judged = (
        f"Judged for trees {'in leaf' if c.leaf == 'in_leaf' else 'out of leaf'}, "
        f"{'wet' if c.wet_foliage else 'dry'} foliage, {c.ground.replace('_', ' ')}, a {c.climate} climate."
    )
    return section(
        "Conditions, warnings, assumptions",
        h("p", judged),
        h("h3", "Warnings"),
        bullets(minus(w) for w in record.warnings) if record.warnings else h("p", "None."),
        h("div", h("h3", "Assumed, since the plan does not say"), bullets(assumed), class_="small")
        if assumed
        else None,
    )


def _inputs(record: Record) -> Html:
    rows = [
        row(
            [f.role, f.name, h("code", f.sha256) if f.sha256 else "not a local file: see the profile as used"]
        )
        for f in record.inputs
    ]
    versions = ", ".join(f"{name} {number}" for name, number in record.versions)
    day = record.day.isoformat() if record.day else "none"
    return section(
        "Inputs and versions",
        grid(["Input", "File", "SHA-256"], rows),
        h("p", "Digest of them all, the number of this record: ", h("code", record.digest), "."),
        h(
            "p",
            "It is the SHA-256 of the lines: digest, two spaces, input, colon, space, file. The same files, "
            f"options and versions give the same record, byte by byte. Options: date {day}; acceptance test "
            f"for {percent(record.success)} at {percent(record.confidence)} confidence. "
            f"Versions: {versions}.",
            class_="notes",
        ),
    )


def _signatures(record: Record, lines: int) -> Html:
    if lines <= 0:
        return Html("")
    names = ["Installed and measured by", "Accepted for the customer", *["Witnessed by"] * (lines - 2)][
        :lines
    ]
    signs = [
        h(
            "div",
            [h("div", f"{name}: name, signature, date") for name in names[i : i + 2]],
            [h("div", class_="none")] * (2 - len(names[i : i + 2])),
            class_="sign",
        )
        for i in range(0, lines, 2)
    ]
    return section("Signatures", h("p", f"For the record with the number {record.digest[:12]}:"), signs)

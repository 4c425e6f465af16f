"""The page of a field sheet: its parts, its rules and script, and the tables it looks answers up in."""

import base64
import hashlib
import json
from collections.abc import Iterable, Sequence
from importlib.resources import files
from typing import Any

import numpy as np
from scipy.special import logit

from linkcalc._arrays import Floats
from linkcalc.link.case import figures
from linkcalc.link.losses import MODELS
from linkcalc.link.modulation import Signal
from linkcalc.link.result import MODEL_NAMES
from linkcalc.plan import ChirpModulation
from linkcalc.site.fieldsheet import (
    AntennaOption,
    EndSheet,
    FeederOption,
    FieldSheet,
    LimitsLine,
    SignalOption,
)
from linkcalc.site.fitted import AS_PLANNED
from linkcalc.site.measured_table import MeasuredTable
from linkcalc.views import style, units
from linkcalc.views.record.markup import Child, Html, h
from linkcalc.views.record.parts import bullets
from linkcalc.views.words import VERDICT_WORDS, distance_words

LOSS_STEP_DB = 0.005
SPREAD_STEP_DB = 0.02
NEEDED_STEP_DB = 0.002
CLEARANCE_STEP_M = 0.1
"""At most; finer where as many bytes hold it."""
_KINDS = ("ground", "trees", "building", "tank")


def field_sheet_html(sheet: FieldSheet) -> str:
    """Write a field sheet as one page of HTML that needs nothing else, no network either.

    Parameters
    ----------
    sheet : FieldSheet

    Returns
    -------
    str
        The same for the same sheet.
    """
    here = files("linkcalc.views.fieldsheet")
    rules, *scripts = (
        f"\n{here.joinpath(name).read_text('utf-8')}" for name in ("page.css", "measured.js", "page.js")
    )
    rules = rules.replace("/* verdicts */", style.verdict_rules())
    script = "".join(scripts)
    head = h(
        "head",
        h("meta", charset="utf-8"),
        h("meta", name="viewport", content="width=device-width, initial-scale=1"),
        # whatever the page holds, it asks nobody for anything and runs nothing but its own script
        h("meta", http_equiv="Content-Security-Policy", content=_policy(rules, script)),
        h("title", f"Field sheet: {sheet.link}"),
        h("link", rel="icon", href="data:,"),
        h("style", Html(rules)),
    )
    data = json.dumps(page_data(sheet), ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c")
    body = h(
        "body",
        Html("\n"),
        _header(sheet),
        _answer(),
        h(
            "main",
            h("div", _heights(sheet), _equipment(sheet), class_="column"),
            h("div", _profile(), _advice(), _budget(sheet), class_="column"),
            _readings(sheet),
        ),
        _cautions(sheet),
        _footer(sheet),
        Html(f'\n<script type="application/json" id="data">{data}</script>\n<script>{script}</script>\n'),
    )
    return f"<!DOCTYPE html>\n{h('html', head, body, lang='en')}\n"


def _policy(rules: str, script: str) -> str:
    style, code = (
        base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in (rules, script)
    )
    return (
        f"default-src 'none'; img-src data:; style-src 'sha256-{style}'; script-src 'sha256-{code}'; "
        "base-uri 'none'; form-action 'none'"
    )


def page_data(sheet: FieldSheet) -> dict[str, Any]:
    """What the page's script reads; tables as base64 of little-endian integers, row by row.

    Parameters
    ----------
    sheet : FieldSheet

    Returns
    -------
    dict
        Fit for JSON.
    """
    pairs = sheet.pairs
    points, point = np.unique(len(MODELS) * sheet.worst + pairs.model, return_inverse=True)
    worst, model = points // len(MODELS), points % len(MODELS)
    lines: dict[LimitsLine, int] = {}
    return {
        "link": sheet.link,
        "units": units.name("m"),
        "digest": sheet.plan_digest,
        "version": sheet.linkcalc_version,
        "lengthM": round(sheet.length_m, 2),
        "region": sheet.region,
        "tries": sheet.tries,
        "reachable": sheet.reachable,
        "groundKnown": sheet.ground_known,
        "near": _rounded(pairs.near_height_m, 6),
        "far": _rounded(pairs.far_height_m, 6),
        "ends": [_end_data(end, lines) for end in sheet.ends],
        "limits": [[line.status, line.reason, line.power_dbm, line.lawful, line.longer_power_dbm] for line in lines],
        "signals": [
            {
                **_signal_set(s),
                "name": s.name,
                "snr": s.required_snr_db,
                "onAir": list(s.time_on_air_s),
            }
            for s in sheet.signals
        ],
        "signal": sheet.planned_signal,
        "polarisationDb": sheet.polarisation_loss_db,
        "rise": _axis(sheet.rise_m),
        "models": [MODEL_NAMES[m] for m in MODELS],
        "kinds": list(_KINDS),
        "verdicts": VERDICT_WORDS,
        "loss": _fitted(-pairs.path_gain_db, LOSS_STEP_DB),
        "site": _fitted(pairs.site_db, SPREAD_STEP_DB),
        "conditions": _fitted(pairs.conditions_db, SPREAD_STEP_DB),
        "k": _fitted(pairs.k_db, SPREAD_STEP_DB),
        "clearance": _fitted(pairs.clearance_m, CLEARANCE_STEP_M),
        "point": _table(point, 1.0, "<u1" if len(points) <= 256 else "<u2"),
        "points": {
            "x": _rounded(sheet.worst_m[worst], 2),
            "radius": _rounded(sheet.worst_radius_m[worst], 3),
            "kind": [_KINDS.index(sheet.worst_kind[i]) for i in worst],
            "model": model.tolist(),
        },
        "ks": _axis(sheet.k_db),
        "sites": _axis(sheet.site_db),
        "years": _axis(sheet.conditions_db),
        "sigma": _axis(sheet.sigma_db),
        "margin": _axis(sheet.margin_db),
        "success": _table(sheet.success, 1.0 / 65535.0, "<u2"),
        "stated": max(sheet.stated_margin_db or 0.0, 0.0),
        "needed": _table(sheet.needed_db, NEEDED_STEP_DB, "<u2"),
        "least": _table(sheet.least_db, NEEDED_STEP_DB, "<i2"),
        "snr": _axis(sheet.snr_db),
        "signalOverRssi": _rounded(sheet.signal_over_rssi_db, 3),
        "below": _axis(sheet.below_db),
        "signalOverRssiSaturated": _rounded(sheet.signal_over_rssi_saturated_db, 3),
        "snrBelieved": sheet.snr_believed_db,
        "profile": {
            "x": _rounded(sheet.profile.distance_m, 2),
            "ground": _rounded(sheet.profile.ground_m, 2),
            "clutter": _rounded(sheet.profile.clutter_m, 2),
            "kind": [_KINDS.index(k or "ground") for k in sheet.profile.clutter_kind],
            "bulge": _rounded(sheet.profile.bulge_m, 3),
            "radius": _rounded(sheet.profile.fresnel_radius_m, 3),
        },
        "declination": sheet.declination_deg,
        "measured": _measured_data(sheet.measured),
        "colours": {
            "ray": style.RAY, "fresnel": style.FRESNEL, "fresnelEdge": style.FRESNEL_EDGE,
            "ground": style.GROUND, "groundEdge": style.GROUND_EDGE, "accent": style.ACCENT,
            "clutter": {name: [fill, edge] for name, (fill, edge, _) in style.CLUTTER.items()},
        },
    }  # fmt: skip


def _signal_set(signal: SignalOption) -> dict[str, Any]:
    """What a reading under this signal says was set."""
    m = signal.modulation
    css = isinstance(m, ChirpModulation)
    return {
        "sf": m.spreading_factor if isinstance(m, ChirpModulation) else None,
        "khz": m.bandwidth_khz if css else Signal.of(m).bandwidth_hz / 1e3,
    }


def _measured_data(table: MeasuredTable) -> dict[str, Any]:
    return {
        **table.constants,
        "site": table.site_db,
        "day": table.day_db,
        "receivers": [
            [
                {
                    "quiet": r.quiet_noise_dbm,
                    "thermal": r.thermal_dbm,
                    "place": r.place_db,
                    "time": r.time_db,
                    "conditions": r.conditions_db,
                }
                for r in end
            ]
            for end in table.receivers
        ],
        "foliage": [
            {"leaf": f.leaf, "wet": f.wet, "toCome": f.to_come_db, "sigma": f.sigma_db} for f in table.foliage
        ],
        "fades": {
            "first": table.fade_first_db,
            "step": table.fade_step_db,
            "count": table.share_below.shape[1],
            # both tails count: a reading near the noise is divided by the share that is heard
            "belowLogit": _fitted(logit(table.share_below), 1e-3),
            "stillBelow": _fitted(table.still_below, 1.0 / 65535.0),
            "densityLog": _fitted(np.log(np.maximum(table.density, 1e-18)), 1e-3),
        },
        "errorSteps": table.error_steps.tolist(),
        "errorWeight": table.error_weight.tolist(),
        "middleScale": table.middle_scale.tolist(),
        "ripple": np.round(table.ripple_db, 3).tolist(),
        "normal": {"step": table.normal_step, "most": table.normal_most, "values": table.normal.tolist()},
        "proven": _table(table.proven, 1e-4, "<u2", rounded=np.floor),
        "provenCount": table.proven.shape[1],
        "confidence": table.proof_confidence,
        "offsets": table.offsets_db.tolist(),
        "rises": table.rises_db.tolist(),
        "noFading": len(table.share_below) - 1,
        "plannedLeaf": table.planned_leaf,
        "untoldSigma": table.untold_sigma_db,
        "unexplained": table.unexplained.tolist(),
        "unexplainedLogWeight": table.unexplained_log_weight.tolist(),
    }


def _end_data(end: EndSheet, lines: dict[LimitsLine, int]) -> dict[str, Any]:
    return {
        "name": end.name,
        "power": end.transmit_power_dbm,
        "extra": end.extra_loss_db,
        "planned": end.planned_height_m,
        "position": end.position_deg,
        "antennas": [
            {
                "name": a.name,
                "words": a.words,
                "gain": _rounded(a.gain_dbi, 3),
                "dbi": round(figures(a.antenna).gain_dbi, 3),
            }
            for a in end.antennas
        ],
        "feeders": [
            {
                "name": f.name,
                "words": f.words,
                "loss": f.loss_db,
                "noise": f.noise_dbm,
                "site": round(f.noise_site_db, 6),
                "conditions": round(f.noise_conditions_db, 6),
                "perMetre": round(f.per_metre_db, 6),
                "longer": {"first": 0, "step": f.longer_step_m or 1, "count": len(f.longer_noise_dbm)},
                "noises": _rounded(f.longer_noise_dbm, 4),
            }
            for f in end.feeders
        ],
        "limits": [
            [[lines.setdefault(line, len(lines)) for line in row] for row in plane] for plane in end.limits
        ],
    }


def _table(values: Any, step: float, kind: str, rounded: Any = np.rint, first: float = 0.0) -> dict[str, Any]:
    limits = np.iinfo(np.dtype(kind))
    whole = np.clip(rounded((np.asarray(values) - first) / step), limits.min, limits.max).astype(kind)
    text = base64.b64encode(whole.tobytes()).decode("ascii")
    return {"first": first, "step": step, "kind": kind[1:], "bytes": text}


def _fitted(values: Floats, most_step: float) -> dict[str, Any]:
    """The whole range in a byte each where its step is fine enough, else in two."""
    first, span = float(values.min()), float(np.ptp(values))
    kind, most = ("<u1", 255) if span <= 255 * most_step else ("<u2", 65535)
    return _table(values, span / most or 1.0, kind, first=first)


def _axis(values: Floats) -> dict[str, float]:
    step = (values[-1] - values[0]) / (len(values) - 1)
    return {"first": float(values[0]), "step": round(float(step), 9), "count": len(values)}


def _rounded(values: Iterable[float] | Floats, digits: int) -> list[float]:
    return [round(float(v), digits) + 0.0 for v in values]


# ---------------------------------------------------------------- parts of the page


def _header(sheet: FieldSheet) -> Html:
    return h(
        "header",
        h("p", sheet.title, class_="small") if sheet.title else None,
        h("h1", f"Field sheet: {sheet.link}"),
        h(
            "p",
            sheet.question,
            f" {distance_words(sheet.length_m)}, {sheet.frequency_hz / 1e6:g} MHz. ",
            "Required each way: ",
            h("b", sheet.asked),
            ".",
        ),
        h("a", "To the readings", href="#readings", class_="noprint"),
    )


def _answer() -> list[Html]:
    return [
        h(
            "div",
            h(
                "p",
                h("b", "", id="verdict"),
                " ",
                h("span", "", id="verdict-margin"),
                id="bar",
                role="status",
            ),
            h(
                "p",
                h("b", "", id="measured"),
                " ",
                h("span", "", id="measured-margin"),
                id="measured-bar",
                role="status",
                hidden="",
            ),
            id="bars",
        ),
        h(
            "section",
            h("p", "", id="verdict-line"),
            h("p", "", id="verdict-measured", hidden=""),
            h("p", "The page's script does not run here: open the file in a browser.", id="no-script"),
            id="answer",
            aria_label="Answer",
        ),
    ]


def _heights(sheet: FieldSheet) -> Html:
    return _section(
        "Antenna heights above ground",
        [_height(end, side) for end, side in zip(sheet.ends, ("near", "far"), strict=True)],
        h(
            "fieldset",
            h("legend", "Units"),
            _radio("units", "m", "metres", checked=units.name("m") == "m"),
            _radio("units", "ft", "feet", checked=units.name("m") == "ft"),
            class_="row noprint",
        ),
    )


def _height(end: EndSheet, side: str) -> Html:
    return h(
        "div",
        h("label", end.name, " ", h("span", "m", class_="unit"), for_=f"{side}-height"),
        h(
            "div",
            h("button", "−", type="button", data_step=-1, data_for=side, aria_label=f"{end.name}: lower"),
            h(
                "input",
                id=f"{side}-height",
                inputmode="decimal",
                autocomplete="off",
                type="text",
                aria_describedby=f"{side}-said",
            ),
            h("button", "+", type="button", data_step=1, data_for=side, aria_label=f"{end.name}: higher"),
            class_="stepper",
        ),
        h(
            "input",
            id=f"{side}-slider",
            type="range",
            min=0,
            step=1,
            aria_label=f"{end.name}, antenna height",
        ),
        h("p", "", id=f"{side}-said", class_="small"),
        class_="height",
    )


def _equipment(sheet: FieldSheet) -> Html:
    ends = [
        [
            _select(f"{side}-antenna", f"Antenna, {end.name}", _options(end.antennas)),
            _select(f"{side}-feeder", f"Feeder, {end.name}", _options(end.feeders)),
        ]
        for end, side in zip(sheet.ends, ("near", "far"), strict=True)
    ]
    signals = [(s.name, i == sheet.planned_signal) for i, s in enumerate(sheet.signals)]
    names = [f"{name} (as planned)" if planned else name for name, planned in signals]
    kind = "Spreading factor" if len(names) > 1 else "Signal"
    return _section(
        "Antennas, feeders, signal",
        h("div", ends, _select("signal", kind, names), class_="fields"),
        h("p", "", id="limits-line", role="status"),
        h("p", "", id="changed-line", role="status"),
    )


def _options(options: Iterable[AntennaOption | FeederOption]) -> list[str]:
    """What is fitted first: a narrow screen cuts the end off."""
    said = []
    for o in options:
        if o.name == AS_PLANNED or o.name.startswith("as at "):
            said.append(f"{o.words} ({o.name})")
        elif o.words.startswith(o.name):
            said.append(o.words)
        else:
            said.append(f"{o.name}: {o.words}")
    return said


def _profile() -> Html:
    return _section(
        "Path",
        Html('<svg id="profile" role="img" aria-labelledby="worst-line"></svg>'),
        h("p", "", id="worst-line"),
        h(
            "p",
            "Filled: the ground with the earth's bulge. Line: the line of sight, in its first Fresnel zone (pale).",
            class_="small noprint",
        ),
    )


def _advice() -> Html:
    return _section("Which height to go to", h("ul", id="advice-list"))


def _budget(sheet: FieldSheet) -> Html:
    near, far = (end.name for end in sheet.ends)
    rows = (
        ("level", "Level expected, dBm"),
        ("least", "Receiver sensitivity, dBm"),
        ("margin", "Margin, dB"),
        ("needed", "Required margin, dB"),
        ("success", "A message arrives"),
        ("onair", "Time on air, s"),
        ("measured", "Margin as measured, dB"),
    )
    return _section(
        "Both ways",
        h(
            "table",
            h(
                "thead",
                h(
                    "tr",
                    h("td", ""),
                    h("th", f"{near} → {far}", scope="col"),
                    h("th", f"{far} → {near}", scope="col"),
                ),
            ),
            h(
                "tbody",
                [
                    h(
                        "tr",
                        h("th", words, scope="row"),
                        h("td", "", id=f"there-{key}", data_way=f"{near} → {far}:"),
                        h("td", "", id=f"back-{key}", data_way=f"{far} → {near}:"),
                    )
                    for key, words in rows
                ],
            ),
            id="both",
        ),
        h("p", "", id="sure-line", class_="small"),
    )


def _readings(sheet: FieldSheet) -> Html:
    near, far = (end.name for end in sheet.ends)
    form = h(
        "form",
        h(
            "fieldset",
            h("legend", "Received at"),
            _radio("direction", "there", f"{far} (from {near})", checked=True),
            _radio("direction", "back", f"{near} (from {far})"),
            class_="row",
        ),
        h(
            "div",
            _entry("rssi", "RSSI, dBm (no sign needed)", "numeric"),
            h(
                "div",
                h("label", "SNR, dB", for_="snr"),
                h(
                    "div",
                    h(
                        "button",
                        "±",
                        type="button",
                        id="snr-sign",
                        aria_label="Change the sign of the SNR",
                    ),
                    h("input", id="snr", type="text", inputmode="decimal", autocomplete="off"),
                    class_="stepper",
                ),
            ),
            _entry("sent", "Packets sent", "numeric"),
            _entry("received", "Packets received", "numeric"),
            class_="fields two",
        ),
        h(
            "label",
            h("input", type="checkbox", id="engine"),
            " Engine running",
            class_="check",
        ),
        _leaves(sheet),
        h(
            "div",
            _entry("spot", "Spot, if several are tried", "text"),
            _entry("note", "Note", "text"),
            class_="fields",
        ),
        h("p", "", id="reading-error", role="alert"),
        h("button", "Add this reading", type="submit", class_="main"),
        h("p", "", id="reading-said", role="status"),
        id="reading-form",
        novalidate="",
        class_="noprint",
    )
    taken = h(
        "div",
        h("p", "", id="readings-line", role="status"),
        h(
            "div",
            h("button", "Save readings as a file", type="button", id="save", class_="main"),
            h("button", "Copy readings", type="button", id="copy"),
            h("button", "Share readings", type="button", id="share", hidden=""),
            h(
                "label",
                "Open readings",
                h("input", type="file", id="open", accept=".json,application/json", multiple=""),
                class_="file",
            ),
            h("button", "Print this sheet", type="button", id="print"),
            h("button", "Clear the sheet", type="button", id="clear"),
            class_="row noprint",
        ),
        h("p", "", id="opened-line", class_="small noprint", role="status"),
        h("ol", id="readings-list", reversed="", aria_label="Readings taken, the newest first"),
        h(
            "details",
            h("summary", "Readings as text, to copy where files cannot be saved"),
            h("textarea", id="json", readonly="", rows=6, aria_label="Readings as text", spellcheck="false"),
            class_="noprint",
        ),
        h("p", "", id="kept-line", class_="small noprint", role="status"),
    )
    return h(
        "section",
        h("h2", "Readings"),
        h("div", h("div", _counter(), form, _place()), taken, class_="halves"),
        class_="wide",
        id="readings",
    )


def _leaves(sheet: FieldSheet) -> Html:
    """Asked only where trees stand in the path."""
    return h(
        "div",
        h(
            "div",
            h("label", "Trees today", for_="leaf"),
            h(
                "select",
                h("option", "in leaf", value="in_leaf"),
                h("option", "bare", value="out_of_leaf"),
                id="leaf",
            ),
        ),
        h("label", h("input", type="checkbox", id="wet"), " Leaves wet", class_="check"),
        class_="fields",
        hidden=None if sheet.measured.foliage else "",
    )


def _counter() -> Html:
    return h(
        "details",
        h("summary", "Count packets as they come"),
        h(
            "p",
            "Start with the first packet, tap for each one received; with the engine stopped, then running.",
        ),
        h(
            "div",
            _entry("count-every", "Seconds between packets", "decimal"),
            h("button", "Start with the first packet", type="button", id="count-start"),
            class_="fields",
        ),
        h("button", "Packet received", type="button", id="count-heard", class_="main", disabled=""),
        h(
            "div",
            h("button", "−", type="button", id="count-sent-less", aria_label="One sent less", disabled=""),
            h("span", "", id="count-sent", role="status"),
            h("button", "+", type="button", id="count-sent-more", aria_label="One sent more", disabled=""),
            h("span", "", id="count-time"),
            class_="row",
        ),
        h("p", "", id="count-proof", role="status"),
        h("button", "Put the count into the reading", type="button", id="count-use", disabled=""),
        id="counter",
        class_="noprint",
    )


def _place() -> Html:
    return h(
        "details",
        h("summary", "Where am I"),
        h(
            "div",
            _entry("place", "Latitude, longitude", "text"),
            h("button", "Ask the phone", type="button", id="place-locate"),
            class_="fields",
        ),
        h("p", "", id="place-said", role="status"),
        class_="noprint",
    )


def _cautions(sheet: FieldSheet) -> Html:
    return h(
        "section",
        h("h2", "Cautions"),
        bullets(sheet.cautions),
        id="cautions",
    )


def _footer(sheet: FieldSheet) -> Html:
    return h(
        "footer",
        h(
            "p",
            f"For {sheet.conditions}, as the plan states. Worked out for heights in steps of "
            f"{_step_words(sheet)}, read off between them. "
            f"linkcalc {sheet.linkcalc_version}, plan {sheet.plan_digest[:12]}. "
            "The page works without network and sends nothing; what is typed stays in this browser.",
            class_="small",
        ),
        h("p", "Date ", h("span", class_="blank"), " Name ", h("span", class_="blank"), class_="printonly"),
    )


def _step_words(sheet: FieldSheet) -> str:
    heights = (sheet.pairs.near_height_m, sheet.pairs.far_height_m)
    steps = dict.fromkeys(f"{np.median(np.diff(h)):g} m" for h in heights if len(h) > 1)
    return " and ".join(steps) or "none: only the planned heights"


def _section(title: str, *parts: Child) -> Html:
    return h("section", h("h2", title), parts)


def _select(name: str, words: str, options: Sequence[str]) -> Html:
    choices = [h("option", option, value=i) for i, option in enumerate(options)]
    return h("div", h("label", words, for_=name), h("select", choices, id=name))


def _entry(name: str, words: str, mode: str) -> Html:
    return h(
        "div",
        h("label", words, for_=name),
        h("input", id=name, type="text", inputmode=mode, autocomplete="off"),
    )


def _radio(name: str, value: str, words: str, *, checked: bool = False) -> Html:
    attributes: dict[str, str | int | None] = {"checked": "" if checked else None}
    return h(
        "label",
        h("input", type="radio", name=name, value=value, **attributes),
        " ",
        words,
        class_="check",
    )

"""What the script of a field sheet reads: its tables, packed."""

import base64
from collections.abc import Iterable
from typing import Any

import numpy as np
from scipy.special import logit

from linkcalc._arrays import Floats
from linkcalc.link.case import figures
from linkcalc.link.losses import MODELS
from linkcalc.link.modulation import Signal
from linkcalc.link.result import MODEL_NAMES
from linkcalc.plan import ChirpModulation
from linkcalc.site.fieldsheet import EndSheet, FieldSheet, LimitsLine, SignalOption
from linkcalc.site.measured_table import MeasuredTable
from linkcalc.views import style, units
from linkcalc.views.html import typeset
from linkcalc.views.link_words import LACKING, OVER_LIMITS, lack_words
from linkcalc.views.words import VERDICT_WORDS

LOSS_STEP_DB = 0.005
SPREAD_STEP_DB = 0.02
NEEDED_STEP_DB = 0.002
CLEARANCE_STEP_M = 0.1
"""At most; finer where as many bytes hold it."""
_KINDS = ("ground", "trees", "building", "tank")


_WORDS = {
    "margin": "{margin} of margin predicted",
    "line": "Weaker direction {way}: {spare}; a message arrives with {arrives}.",
    "over": "{spare} more than required",
    "short": LACKING,
    # the one figure of what is lacking that is not the figure itself
    "lackingLittle": typeset(lack_words(0.01)),
    "atBest": "At best at risk: {why}.",
    "overLimits": OVER_LIMITS,
    "unreachable": "losses to other users of the channel alone are too many",
    "groundUnknown": "the ground between is not known",
}
"""The verdict in words, as the script fills them in."""


def page_data(sheet: FieldSheet) -> dict[str, Any]:
    """What the page's script reads, fit for JSON; tables as base64 of little-endian integers, row by row."""
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
        # numbers the lines of limits as it meets them: has to stand before `limits`, which lists them
        "ends": [_end_data(end, lines) for end in sheet.ends],
        "limits": [[line.status, line.reason, line.power_dbm, line.lawful, line.longer_power_dbm] for line in lines],
        "signals": [_signal_data(s) for s in sheet.signals],
        "signal": sheet.planned_signal,
        "polarisationDb": sheet.polarisation_loss_db,
        "rise": _axis(sheet.rise_m),
        "models": [MODEL_NAMES[m] for m in MODELS],
        "kinds": list(_KINDS),
        "verdicts": VERDICT_WORDS,
        "words": _WORDS,
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
            "ink": style.SHEET["ink"], "grid": style.HAIRLINE,
            "ray": style.RAY, "fresnel": style.FRESNEL, "fresnelEdge": style.FRESNEL_EDGE,
            "ground": style.GROUND, "groundEdge": style.GROUND_EDGE, "clearance": style.CLEARANCE,
            "clutter": {name: [fill, edge] for name, (fill, edge, _) in style.CLUTTER.items()},
        },
    }  # fmt: skip


def _signal_data(signal: SignalOption) -> dict[str, Any]:
    """A choice of signal: what a reading under it says was set, and what it needs and takes."""
    m = signal.modulation
    factor, khz = None, Signal.of(m).bandwidth_hz / 1e3
    if isinstance(m, ChirpModulation):
        factor, khz = m.spreading_factor, m.bandwidth_khz
    needs = {"name": signal.name, "snr": signal.required_snr_db, "onAir": list(signal.time_on_air_s)}
    return {"sf": factor, "khz": khz, **needs}


_RECEIVER = {
    **{"quiet": "quiet_noise_dbm", "thermal": "thermal_dbm"},
    **{"place": "place_db", "time": "time_db", "conditions": "conditions_db"},
}


def _measured_data(table: MeasuredTable) -> dict[str, Any]:
    return {
        **table.constants,
        "site": table.site_db,
        "day": table.day_db,
        "receivers": [
            [{name: getattr(r, field) for name, field in _RECEIVER.items()} for r in end]
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
        # cut, not rounded: a share that is called proven is never above what was
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
    # a table of one value has no span, and needs a step to be divided by all the same
    return _table(values, span / most or 1.0, kind, first=first)


def _axis(values: Floats) -> dict[str, float]:
    step = (values[-1] - values[0]) / (len(values) - 1)
    return {"first": float(values[0]), "step": round(float(step), 9), "count": len(values)}


def _rounded(values: Iterable[float] | Floats, digits: int) -> list[float]:
    # + 0.0, so that none is written as -0.0
    return [round(float(v), digits) + 0.0 for v in values]

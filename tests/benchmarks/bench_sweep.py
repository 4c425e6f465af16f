"""A hundred thousand combinations of one link against single evaluations of it.

A single evaluation is the least that gives the same figures: path loss, both budgets, what is uncertain, what
is asked, and success, of one plan, without advice and pictures. The yardstick starts anew each time, as a
sweep does.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from linkcalc import path_loss, uncertainty
from linkcalc.link_case import LinkCase
from linkcalc.plan import LoadedPlan, load_plan
from linkcalc.reliability import message_success
from linkcalc.requirement import Requirement
from linkcalc.sample_files import sample_path
from linkcalc.sweep import sweep_plan
from linkcalc.uncertainty import combined_db, contributors, fading
from linkcalc.verdict import cases, check_plan, open_terrain
from tests.benchmarks.measure import Row, side_by_side

VARIED: dict[str, dict[str, Any]] = {
    "signal, power, payload and height": {
        "spreading_factor": range(7, 13),
        "bandwidth_khz": [62.5, 125.0, 250.0, 500.0],
        "transmit_power_dbm": np.arange(2.0, 22.0),
        "payload_bytes": range(10, 60, 5),
        "far.antenna_height_m": np.arange(2.0, 12.5, 0.5),
    },
    "noise, feeder, gain and signal": {
        "spreading_factor": range(7, 13),
        "noise_figure_db": np.arange(3.0, 10.0, 0.5),
        "far.noise_rise_db": np.arange(0.0, 10.0),
        "far.feeder.length_m": np.arange(1.0, 21.0),
        "near.antenna.gain_dbi": [0.0, 2.15, 5.0, 7.0, 9.0, 12.0],
    },
}
"""Sweeps of some 100 000 combinations; one that changes the path, and one that does not."""


def forget() -> None:
    """Let nothing be remembered from the run before."""
    for cache in (path_loss.governing_loss, uncertainty._height_db, uncertainty._refraction_db):
        cache.cache_clear()


def evaluate(case: LinkCase) -> list[float]:
    """What a sweep gives for one combination."""
    found = []
    kind, k = fading(case)
    for back, receiver in ((False, case.far), (True, case.near)):
        budget, parts = case.budget(back=back), contributors(case, receiver)
        spread = float(np.hypot(combined_db(parts, "site"), combined_db(parts, "conditions")))
        margin = budget.fade_margin_db
        payload = case.link.reply_payload_bytes if back else case.link.payload_bytes
        found += [
            margin,
            budget.received_power_dbm,
            budget.sensitivity_dbm,
            Requirement.of(case.link).margin_db(spread, kind, k),
            float(message_success(margin, spread, fading=kind, rician_k_db=k, tries=case.link.tries)),
            case.signal.time_on_air_s(payload),
        ]
    return found


def case_of(loaded: LoadedPlan) -> LinkCase:
    with open_terrain(loaded) as terrain:
        return next(cases(loaded, terrain))


def rows() -> list[Row]:
    found = []
    for sample in ("upland", "plain", "wooded"):
        loaded = load_plan(sample_path(sample))
        case = case_of(loaded)
        sizes = {name: np.prod([len(v) for v in vary.values()]) for name, vary in VARIED.items()}
        functions: dict[str, Callable[[], Any]] = {
            "single": lambda case=case: (forget(), evaluate(replace(case))),
            "check": lambda loaded=loaded: (forget(), check_plan(loaded)),
        }
        for name, vary in VARIED.items():
            functions[name] = lambda loaded=loaded, vary=vary: (forget(), sweep_plan(loaded, vary))
        median = side_by_side(functions, repeats=3)
        for name, size in sizes.items():
            scale = 100_000 / size
            found += [
                Row(f"sweep: 100 000 of {name} over one evaluation", scale * median[name] / median["single"],
                    200.0, "<=", f"{sample}, {size} combinations"),
                Row(f"sweep: 100 000 of {name} over one check", scale * median[name] / median["check"],
                    200.0, "<=", f"{sample}, with advice and pictures' data"),
            ]  # fmt: skip
    return found

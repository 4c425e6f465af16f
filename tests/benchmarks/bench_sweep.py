"""A hundred thousand combinations of one link against single evaluations of it.

A single evaluation is the least that gives the same figures: path loss, both budgets, what is uncertain, what
is asked, and success, of one plan, without advice and pictures.
"""

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from linkcalc.files import sample_path
from linkcalc.link.case import LinkCase
from linkcalc.link.decision import judge_link
from linkcalc.link.on_ground import cases, open_terrain
from linkcalc.link.verdict import check_plan
from linkcalc.plan import LoadedPlan, load_plan
from linkcalc.sweeps.mast_heights import height_table
from linkcalc.sweeps.sweeping import sweep_plan
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


CONTINUOUS: dict[str, Any] = {
    "frequency_mhz": np.linspace(863.0, 870.0, 15),
    "near.antenna_height_m": np.linspace(2.0, 20.0, 80),
    "far.antenna_height_m": np.linspace(2.0, 20.0, 80),
}
"""Every combination is a path of its own."""


def evaluate(case: LinkCase) -> list[float]:
    """What a sweep gives for one combination; the losses are found anew."""
    case = replace(case, _found={})
    _, directions = judge_link(case, second_opinions=False)
    return [d.fade_margin_db - d.required_margin_db for d in directions]


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
            "single": lambda case=case: evaluate(case),
            "check": lambda loaded=loaded: check_plan(loaded),
        }
        for name, vary in VARIED.items():
            functions[name] = lambda loaded=loaded, vary=vary: sweep_plan(loaded, vary)
        median = side_by_side(functions, repeats=3)
        for name, size in sizes.items():
            scale = 100_000 / size
            found += [
                Row(f"sweep: 100 000 of {name} over one evaluation", scale * median[name] / median["single"],
                    200.0, "<=", f"{sample}, {size} combinations"),
                Row(f"sweep: 100 000 of {name} over one check", scale * median[name] / median["check"],
                    200.0, "<=", f"{sample}, with advice and pictures' data"),
            ]  # fmt: skip
        found += [_continuous(sample, loaded), _heights(sample, case)]
    return found


def _heights(sample: str, case: LinkCase) -> Row:
    """A table of both heights over one evaluation."""
    median = side_by_side({"table": lambda: height_table(case), "one": lambda: evaluate(case)}, repeats=3)
    pairs = height_table(case).margin_db.size
    return Row("heights: a table of both heights over one evaluation", median["table"] / median["one"], 100.0, "<=",
               f"{sample}, {pairs} pairs")  # fmt: skip


def _continuous(sample: str, loaded: LoadedPlan) -> Row:
    """CPU time of one combination where each has its own path."""
    size = int(np.prod([len(v) for v in CONTINUOUS.values()]))
    sweep_plan(loaded, CONTINUOUS)
    before = time.process_time()
    sweep_plan(loaded, CONTINUOUS)
    each = 1e6 * (time.process_time() - before) / size
    detail = f"{sample}, frequency and both heights, {size} combinations"
    return Row("sweep: microseconds of CPU for a combination with a path of its own over 100", each / 100.0, 1.0,
               "<=", detail)  # fmt: skip

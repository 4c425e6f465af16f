"""Ten thousand draws of a link against single checks of it, and a check of the number alone against a whole one."""

from typing import Any

from scipy.stats import norm, truncnorm, uniform

from linkcalc.files import sample_path
from linkcalc.link.verdict import check_plan
from linkcalc.plan import load_plan
from linkcalc.sweeps.sampling import sample
from linkcalc.sweeps.sweeping import sweep_plan
from tests.benchmarks.measure import Row, side_by_side

UNCERTAIN: dict[str, Any] = {
    "near.antenna_height_m": uniform(3.0, 2.0),
    "far.antenna_height_m": uniform(5.0, 3.0),
    "near.antenna.gain_dbi": norm(2.0, 1.0),
    "near.noise_figure_db": truncnorm(-2.0, 2.0, 6.0, 0.5),
    "far.noise_rise_db": uniform(0.0, 6.0),
    "installation_db": uniform(0.0, 3.0),
    "k_factor": uniform(1.2, 0.4),
}
"""Every draw is a path of its own."""
POWER = {"near.transmit_power_dbm": norm(12.0, 0.5), "far.transmit_power_dbm": norm(12.0, 0.5)}


def rows() -> list[Row]:
    found = [*slider()]
    for name in ("upland", "plain", "wooded"):
        loaded = load_plan(sample_path(name))
        limited = loaded.plan.regulation.region is not None
        drawn = UNCERTAIN | ({} if limited else POWER)
        drawn = {key: what for key, what in drawn.items() if not (limited and "gain" in key)}
        link = loaded.plan.link[0].name
        median = side_by_side(
            {
                "draws": lambda loaded=loaded, drawn=drawn, link=link: sample(loaded, drawn, link=link),
                "check": lambda loaded=loaded: check_plan(loaded),
                "number": lambda loaded=loaded: check_plan(loaded, advice=False),
            },
            repeats=3,
        )
        detail = f"{name}, {len(drawn)} inputs, every draw a path of its own"
        found += [
            Row("sample: 10 000 draws over one check", median["draws"] / median["check"], 100.0, "<=", detail),
            Row("check: without advice over with it", median["number"] / median["check"], 0.5, "<=", name),
        ]  # fmt: skip
    return found


def slider() -> list[Row]:
    """A move of a slider: a cell of a table worked out once, and the plan changed and answered anew."""
    loaded = load_plan(sample_path("plain"))
    link, far = loaded.plan.link[0], loaded.plan.link[0].to
    table = sweep_plan(
        loaded, {"sf": range(7, 13), "far.height": [2.0 + 0.5 * i for i in range(21)]}, link=link.name
    )
    median = side_by_side(
        {
            "cell": lambda: table.cell({"spreading_factor": 9, "far.antenna_height_m": 7.5}),
            "anew": lambda: check_plan(loaded.changed({f"{far}.antenna_height_m": 7.5}), advice=False),
            "check": lambda: check_plan(loaded),
        },
        repeats=5,
    )
    return [
        Row("slider: a move in a table over one check", median["cell"] / median["check"], 0.05, "<="),
        Row("slider: a move answered anew over one check", median["anew"] / median["check"], 1.0, "<="),
    ]

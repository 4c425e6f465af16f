"""An invented plan with messages, tank and engine, and a link of any margin to try it on."""

import copy
from dataclasses import replace
from typing import Any

from linkcalc.link.result import Contributor, LinkResult
from linkcalc.plan import Plan
from tests.views import factory

_PLAN: dict[str, Any] = {
    "title": "invented",
    "station": [{"name": "tank", "antenna_height_m": 4.0}, {"name": "shed", "antenna_height_m": 6.0}],
    "link": [
        {
            "name": "level",
            "from": "tank",
            "to": "shed",
            "frequency_mhz": 868.0,
            "modulation": {"kind": "css", "spreading_factor": 9},
        }
    ],
    "message": [
        {"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 600.0, "tries": 3},
        {"name": "stop", "kind": "stop", "link": "level", "events_per_year": 140.0, "tries": 3},
    ],
    "tank": {
        "shape": {"kind": "upright_cylinder", "diameter_m": 5.0, "height_m": 2.5},
        "start_percent": 40.0,
        "stop_percent": 92.0,
        "high_high_percent": 98.0,
        "pump_flow_m3_h": 5.0,
        "draw_m3_h": 0.4,
    },
    "engine": {"watchdog_s": 1800.0, "max_run_time_h": 8.0, "fuel_l_per_h": 2.5},
}


def plan(**changes: Any) -> Plan:
    """The plan with tables updated (`tank={"stop_percent": 95.0}`), lists replaced, or left out by None."""
    data = copy.deepcopy(_PLAN)
    for name, change in changes.items():
        if isinstance(change, dict) and isinstance(data.get(name), dict):
            merged = {**data[name], **change}
            data[name] = {k: v for k, v in merged.items() if v is not None}
        elif change is None:
            del data[name]
        else:
            data[name] = change
    return Plan.model_validate(data)


def link_result(
    margin_db: float = 20.0, site_db: float = 8.0, conditions_db: float = 4.0, back_db: float | None = None
) -> LinkResult:
    """A link "level" from tank to shed whose directions fade as Rayleigh."""
    found = factory.link(name="level", stations=("tank", "shed"))
    uncertainty = (
        Contributor("path loss model", site_db, "site", min(2.0, site_db), "invented"),
        Contributor("foliage over the year", conditions_db, "conditions", conditions_db, "invented"),
    )
    there, back = (
        replace(
            d,
            fade_margin_db=margin,
            uncertainty=uncertainty,
            fading="rayleigh",
            rician_k_db=float("-inf"),
        )
        for d, margin in zip(
            found.directions, (margin_db, margin_db if back_db is None else back_db), strict=True
        )
    )
    return replace(found, directions=(there, back))

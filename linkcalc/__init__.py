"""Will this telemetry link close, and what do I change if it doesn't?

The few names a notebook needs; each is imported when it is first used, so `import linkcalc` costs nothing.
The physics are in `linkcalc.propagation` and `linkcalc.radio`.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from linkcalc._version import __version__

if TYPE_CHECKING:
    from linkcalc.consequences import with_sections
    from linkcalc.errors import DomainError, LinkcalcError, OutOfRangeWarning, PlanError, TerrainError
    from linkcalc.frames import compare_measured, readings_frame, readings_from
    from linkcalc.own_models import forget_loss_model, loss_model
    from linkcalc.plan import LoadedPlan, Plan, load_plan, plan_from
    from linkcalc.reach_by_ground import how_far, plan_of_facts
    from linkcalc.result import LinkResult, Result
    from linkcalc.sample_files import sample_path
    from linkcalc.sampling import Sample, sample
    from linkcalc.sweep import sweep_plan
    from linkcalc.sweep_table import Sweep
    from linkcalc.terrain.arrays import clearance_of, profile_of_array
    from linkcalc.terrain.profile import Profile, cut_profile, profile_from, read_profile_csv
    from linkcalc.verdict import check_plan
    from linkcalc.views.figures import draw_budget, draw_height, draw_profile
    from linkcalc.views.notebook import show
    from linkcalc.views.sweep_figures import draw_sweep

_HOMES = {
    "DomainError": "errors",
    "LinkcalcError": "errors",
    "OutOfRangeWarning": "errors",
    "PlanError": "errors",
    "TerrainError": "errors",
    "clearance_of": "terrain.arrays",
    "compare_measured": "frames",
    "forget_loss_model": "own_models",
    "profile_of_array": "terrain.arrays",
    "readings_frame": "frames",
    "readings_from": "frames",
    "loss_model": "own_models",
    "LoadedPlan": "plan",
    "Plan": "plan",
    "load_plan": "plan",
    "plan_from": "plan",
    "how_far": "reach_by_ground",
    "plan_of_facts": "reach_by_ground",
    "LinkResult": "result",
    "Result": "result",
    "Profile": "terrain.profile",
    "cut_profile": "terrain.profile",
    "profile_from": "terrain.profile",
    "read_profile_csv": "terrain.profile",
    "sample_path": "sample_files",
    "Sample": "sampling",
    "sample": "sampling",
    "check_plan": "verdict",
    "with_sections": "consequences",
    "Sweep": "sweep_table",
    "sweep_plan": "sweep",
    "draw_budget": "views.figures",
    "draw_height": "views.figures",
    "draw_profile": "views.figures",
    "draw_sweep": "views.sweep_figures",
    "show": "views.notebook",
}

__all__ = [
    "DomainError",
    "LinkResult",
    "LinkcalcError",
    "LoadedPlan",
    "OutOfRangeWarning",
    "Plan",
    "PlanError",
    "Profile",
    "Result",
    "Sample",
    "Sweep",
    "TerrainError",
    "__version__",
    "check_plan",
    "clearance_of",
    "compare_measured",
    "cut_profile",
    "draw_budget",
    "draw_height",
    "draw_profile",
    "draw_sweep",
    "forget_loss_model",
    "how_far",
    "load_plan",
    "loss_model",
    "plan_from",
    "plan_of_facts",
    "profile_from",
    "profile_of_array",
    "read_profile_csv",
    "readings_frame",
    "readings_from",
    "sample",
    "sample_path",
    "show",
    "sweep_plan",
    "with_sections",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"linkcalc.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'linkcalc' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__

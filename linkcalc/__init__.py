"""Will this telemetry link close, and what do I change if it doesn't?

The few names a notebook needs; each is imported when it is first used, so `import linkcalc` costs nothing.
The physics are in `linkcalc.propagation` and `linkcalc.radio`.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from linkcalc._version import __version__

if TYPE_CHECKING:
    from linkcalc.errors import DomainError, LinkcalcError, OutOfRangeWarning, PlanError, TerrainError
    from linkcalc.plan import LoadedPlan, Plan, load_plan
    from linkcalc.result import LinkResult, Result
    from linkcalc.terrain.profile import Profile, cut_profile, read_profile_csv
    from linkcalc.verdict import check_plan

_HOMES = {
    "DomainError": "errors",
    "LinkcalcError": "errors",
    "OutOfRangeWarning": "errors",
    "PlanError": "errors",
    "TerrainError": "errors",
    "LoadedPlan": "plan",
    "Plan": "plan",
    "load_plan": "plan",
    "LinkResult": "result",
    "Result": "result",
    "Profile": "terrain.profile",
    "cut_profile": "terrain.profile",
    "read_profile_csv": "terrain.profile",
    "check_plan": "verdict",
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
    "TerrainError",
    "__version__",
    "check_plan",
    "cut_profile",
    "load_plan",
    "read_profile_csv",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"linkcalc.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'linkcalc' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__

"""Will this telemetry link close, and what do I change if it doesn't?

Every command is a function here, under its own name: a plan in (a path, a dict, a `Plan`), the answer out. Each name is
imported when it is first used, so `import linkcalc` costs nothing; type checkers read ``__init__.pyi``, which
`python -m tests.typing.stubs` writes. The physics are in `linkcalc.propagation` and `linkcalc.radio`.
"""

from importlib import import_module

from linkcalc._version import __version__ as __version__

_NAMES = {
    "answer": "Answer",
    "area.coverage_result": "CoverageResult",
    "area.relay.result": "RelaySiting",
    "commands.land": "coverage fleet relay",
    "commands.link": "check compare heights parts sweep",
    "commands.on_site": "acceptance fieldsheet record survey",
    "commands.operation": "energy limits messages tank",
    "errors": "ArgumentError DomainError LinkcalcError OutOfRangeWarning PlanError ReadingsError TerrainError",
    "files": "sample_path",
    "fleets.result": "FleetResult",
    "link.losses": "Situation",
    "link.parts_list": "Bill",
    "link.result": "LinkResult Result",
    "link.verdict": "check_plan",
    "operation.energy": "EnergySection",
    "operation.exposure": "ExposureSection",
    "operation.limits": "LimitsSection",
    "operation.messages": "MessagesSection",
    "operation.sections": "LimitsResult with_sections",
    "operation.tank.answer": "TankAnswer",
    "plan": "LoadedPlan Plan PlanLike load_plan plan_from",
    "plan.fleet": "LoadedFleet load_fleet",
    "propagation": "propagation",
    "propagation.loss_models": "forget_loss_model loss_model",
    "radio": "radio",
    "site.acceptance": "Acceptance",
    "site.fieldsheet": "FieldSheet",
    "site.frames": "Comparison compare_measured readings_frame readings_from",
    "site.readings": "Readings",
    "site.record": "Record",
    "site.survey": "Survey",
    "sweeps.comparing": "Candidates",
    "sweeps.mast_heights": "HeightTable",
    "sweeps.reach_by_ground": "HowFar how_far plan_of_facts",
    "sweeps.sampling": "Sample sample",
    "sweeps.sweeping": "sweep_plan",
    "sweeps.table": "Sweep",
    "terrain.arrays": "clearance_of profile_of_array",
    "terrain.cutting": "cut_profile",
    "terrain.profile": "Profile profile_from",
    "terrain.surveyed": "read_profile_csv",
    "views.check.figures": "draw_budget draw_height draw_profile",
    "views.heights.figures": "draw_heights",
    "views.maps.figures": "draw_coverage",
    "views.notebook": "show",
    "views.own_axes": "styled",
    "views.sweep.figures": "draw_sweep",
}
"""Public names, by the module that defines them."""

_HOMES = {name: home for home, names in _NAMES.items() for name in names.split()}

__all__ = sorted(["__version__", *_HOMES])


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(_unknown(name))
    module = import_module(f"linkcalc.{home}")
    return module if home == name else getattr(module, name)


def _unknown(name: str) -> str:
    from difflib import get_close_matches

    near = get_close_matches(name, __all__, n=1)
    return f"module 'linkcalc' has no attribute {name!r}" + (f"; did you mean {near[0]!r}?" if near else "")


def __dir__() -> list[str]:
    return __all__

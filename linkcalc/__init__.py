"""Will this telemetry link close, and what do I change if it doesn't?

Every command is a function here, under its own name: a plan in (a path, a dict, a `Plan`), the answer out. Each name is
imported when it is first used, so `import linkcalc` costs nothing. The physics are in `linkcalc.propagation` and
`linkcalc.radio`.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from linkcalc._version import __version__

if TYPE_CHECKING:
    from typing import Any

    from linkcalc import propagation as propagation
    from linkcalc import radio as radio
    from linkcalc.answer import Answer as Answer
    from linkcalc.area.coverage import CoverageResult as CoverageResult
    from linkcalc.area.relay.result import RelaySiting as RelaySiting
    from linkcalc.commands import acceptance as acceptance
    from linkcalc.commands import check as check
    from linkcalc.commands import compare as compare
    from linkcalc.commands import coverage as coverage
    from linkcalc.commands import energy as energy
    from linkcalc.commands import fieldsheet as fieldsheet
    from linkcalc.commands import fleet as fleet
    from linkcalc.commands import heights as heights
    from linkcalc.commands import limits as limits
    from linkcalc.commands import messages as messages
    from linkcalc.commands import parts as parts
    from linkcalc.commands import record as record
    from linkcalc.commands import relay as relay
    from linkcalc.commands import survey as survey
    from linkcalc.commands import sweep as sweep
    from linkcalc.commands import tank as tank
    from linkcalc.errors import ArgumentError as ArgumentError
    from linkcalc.errors import DomainError as DomainError
    from linkcalc.errors import LinkcalcError as LinkcalcError
    from linkcalc.errors import OutOfRangeWarning as OutOfRangeWarning
    from linkcalc.errors import PlanError as PlanError
    from linkcalc.errors import ReadingsError as ReadingsError
    from linkcalc.errors import TerrainError as TerrainError
    from linkcalc.fleets.answer import FleetResult as FleetResult
    from linkcalc.frames import Comparison as Comparison
    from linkcalc.frames import compare_measured as compare_measured
    from linkcalc.frames import readings_frame as readings_frame
    from linkcalc.frames import readings_from as readings_from
    from linkcalc.link.losses import Situation as Situation
    from linkcalc.link.parts_list import Bill as Bill
    from linkcalc.link.result import LinkResult as LinkResult
    from linkcalc.link.result import Result as Result
    from linkcalc.link.verdict import check_plan as check_plan
    from linkcalc.operation.energy import EnergySection as EnergySection
    from linkcalc.operation.exposure import ExposureSection as ExposureSection
    from linkcalc.operation.limits import LimitsSection as LimitsSection
    from linkcalc.operation.messages import MessagesSection as MessagesSection
    from linkcalc.operation.sections import LimitsResult as LimitsResult
    from linkcalc.operation.sections import with_sections as with_sections
    from linkcalc.operation.tank.answer import TankAnswer as TankAnswer
    from linkcalc.plan import LoadedPlan as LoadedPlan
    from linkcalc.plan import Plan as Plan
    from linkcalc.plan import PlanLike as PlanLike
    from linkcalc.plan import load_plan as load_plan
    from linkcalc.plan import plan_from as plan_from
    from linkcalc.plan.fleet import LoadedFleet as LoadedFleet
    from linkcalc.plan.fleet import load_fleet as load_fleet
    from linkcalc.propagation.loss_models import forget_loss_model as forget_loss_model
    from linkcalc.propagation.loss_models import loss_model as loss_model
    from linkcalc.sample_files import sample_path as sample_path
    from linkcalc.site.acceptance import Acceptance as Acceptance
    from linkcalc.site.fieldsheet import FieldSheet as FieldSheet
    from linkcalc.site.readings import Readings as Readings
    from linkcalc.site.record import Record as Record
    from linkcalc.site.survey import Survey as Survey
    from linkcalc.sweeps.comparing import Candidates as Candidates
    from linkcalc.sweeps.mast_heights import HeightTable as HeightTable
    from linkcalc.sweeps.reach_by_ground import HowFar as HowFar
    from linkcalc.sweeps.reach_by_ground import how_far as how_far
    from linkcalc.sweeps.reach_by_ground import plan_of_facts as plan_of_facts
    from linkcalc.sweeps.sampling import Sample as Sample
    from linkcalc.sweeps.sampling import sample as sample
    from linkcalc.sweeps.sweeping import sweep_plan as sweep_plan
    from linkcalc.sweeps.table import Sweep as Sweep
    from linkcalc.terrain.arrays import clearance_of as clearance_of
    from linkcalc.terrain.arrays import profile_of_array as profile_of_array
    from linkcalc.terrain.cutting import cut_profile as cut_profile
    from linkcalc.terrain.profile import Profile as Profile
    from linkcalc.terrain.profile import profile_from as profile_from
    from linkcalc.terrain.surveyed import read_profile_csv as read_profile_csv
    from linkcalc.views.figures import draw_budget as draw_budget
    from linkcalc.views.figures import draw_height as draw_height
    from linkcalc.views.figures import draw_profile as draw_profile
    from linkcalc.views.heights_figures import draw_heights as draw_heights
    from linkcalc.views.map_figures import draw_coverage as draw_coverage
    from linkcalc.views.notebook import show as show
    from linkcalc.views.style import styled as styled
    from linkcalc.views.sweep_figures import draw_sweep as draw_sweep
else:
    # hidden from type checkers: to them a name that is not listed above is an error

    def __getattr__(name: str) -> "Any":
        home = _HOMES.get(name)
        if home is None:
            raise AttributeError(_unknown(name))
        module = import_module(f"linkcalc.{home}")
        return module if home == name else getattr(module, name)


_HOMES = {
    "Acceptance": "site.acceptance",
    "Answer": "answer",
    "ArgumentError": "errors",
    "Bill": "link.parts_list",
    "Candidates": "sweeps.comparing",
    "Comparison": "frames",
    "CoverageResult": "area.coverage",
    "DomainError": "errors",
    "EnergySection": "operation.energy",
    "ExposureSection": "operation.exposure",
    "FieldSheet": "site.fieldsheet",
    "FleetResult": "fleets.answer",
    "HeightTable": "sweeps.mast_heights",
    "HowFar": "sweeps.reach_by_ground",
    "LimitsResult": "operation.sections",
    "LimitsSection": "operation.limits",
    "LinkResult": "link.result",
    "LinkcalcError": "errors",
    "LoadedFleet": "plan.fleet",
    "LoadedPlan": "plan",
    "MessagesSection": "operation.messages",
    "OutOfRangeWarning": "errors",
    "Plan": "plan",
    "PlanError": "errors",
    "PlanLike": "plan",
    "Profile": "terrain.profile",
    "Readings": "site.readings",
    "ReadingsError": "errors",
    "Record": "site.record",
    "RelaySiting": "area.relay.result",
    "Result": "link.result",
    "Sample": "sweeps.sampling",
    "Situation": "link.losses",
    "Survey": "site.survey",
    "Sweep": "sweeps.table",
    "TankAnswer": "operation.tank.answer",
    "TerrainError": "errors",
    "acceptance": "commands",
    "check": "commands",
    "check_plan": "link.verdict",
    "clearance_of": "terrain.arrays",
    "compare": "commands",
    "compare_measured": "frames",
    "coverage": "commands",
    "cut_profile": "terrain.cutting",
    "draw_budget": "views.figures",
    "draw_coverage": "views.map_figures",
    "draw_height": "views.figures",
    "draw_heights": "views.heights_figures",
    "draw_profile": "views.figures",
    "draw_sweep": "views.sweep_figures",
    "energy": "commands",
    "fieldsheet": "commands",
    "fleet": "commands",
    "forget_loss_model": "propagation.loss_models",
    "heights": "commands",
    "how_far": "sweeps.reach_by_ground",
    "limits": "commands",
    "load_fleet": "plan.fleet",
    "load_plan": "plan",
    "loss_model": "propagation.loss_models",
    "messages": "commands",
    "parts": "commands",
    "plan_from": "plan",
    "plan_of_facts": "sweeps.reach_by_ground",
    "profile_from": "terrain.profile",
    "profile_of_array": "terrain.arrays",
    "propagation": "propagation",
    "radio": "radio",
    "read_profile_csv": "terrain.surveyed",
    "readings_frame": "frames",
    "readings_from": "frames",
    "record": "commands",
    "relay": "commands",
    "sample": "sweeps.sampling",
    "sample_path": "sample_files",
    "show": "views.notebook",
    "styled": "views.style",
    "survey": "commands",
    "sweep": "commands",
    "sweep_plan": "sweeps.sweeping",
    "tank": "commands",
    "with_sections": "operation.sections",
}

__all__ = [
    "Acceptance",
    "Answer",
    "ArgumentError",
    "Bill",
    "Candidates",
    "Comparison",
    "CoverageResult",
    "DomainError",
    "EnergySection",
    "ExposureSection",
    "FieldSheet",
    "FleetResult",
    "HeightTable",
    "HowFar",
    "LimitsResult",
    "LimitsSection",
    "LinkResult",
    "LinkcalcError",
    "LoadedFleet",
    "LoadedPlan",
    "MessagesSection",
    "OutOfRangeWarning",
    "Plan",
    "PlanError",
    "PlanLike",
    "Profile",
    "Readings",
    "ReadingsError",
    "Record",
    "RelaySiting",
    "Result",
    "Sample",
    "Situation",
    "Survey",
    "Sweep",
    "TankAnswer",
    "TerrainError",
    "__version__",
    "acceptance",
    "check",
    "check_plan",
    "clearance_of",
    "compare",
    "compare_measured",
    "coverage",
    "cut_profile",
    "draw_budget",
    "draw_coverage",
    "draw_height",
    "draw_heights",
    "draw_profile",
    "draw_sweep",
    "energy",
    "fieldsheet",
    "fleet",
    "forget_loss_model",
    "heights",
    "how_far",
    "limits",
    "load_fleet",
    "load_plan",
    "loss_model",
    "messages",
    "parts",
    "plan_from",
    "plan_of_facts",
    "profile_from",
    "profile_of_array",
    "propagation",
    "radio",
    "read_profile_csv",
    "readings_frame",
    "readings_from",
    "record",
    "relay",
    "sample",
    "sample_path",
    "show",
    "styled",
    "survey",
    "sweep",
    "sweep_plan",
    "tank",
    "with_sections",
]


def _unknown(name: str) -> str:
    from difflib import get_close_matches

    near = get_close_matches(name, __all__, n=1)
    return f"module 'linkcalc' has no attribute {name!r}" + (f"; did you mean {near[0]!r}?" if near else "")


def __dir__() -> list[str]:
    return __all__

"""The plan file: typed, validated, immutable."""

from linkcalc.plan.links import ChirpModulation, FskModulation, Link, Obstacle
from linkcalc.plan.loading import LoadedPlan, PlanLike, as_plan, load_plan, plan_from
from linkcalc.plan.model import Plan
from linkcalc.plan.stations import Antenna, ExtraLoss, Feeder, Station
from linkcalc.plan.surroundings import Conditions, Terrain

__all__ = [
    "Antenna",
    "ChirpModulation",
    "Conditions",
    "ExtraLoss",
    "Feeder",
    "FskModulation",
    "Link",
    "LoadedPlan",
    "Obstacle",
    "Plan",
    "PlanLike",
    "Station",
    "Terrain",
    "as_plan",
    "load_plan",
    "plan_from",
]

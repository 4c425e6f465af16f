"""The plan file: typed, validated, immutable."""

from linkcalc.plan.links import ChirpModulation, FskModulation, Link, Obstacle
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
    "Obstacle",
    "Plan",
    "Station",
    "Terrain",
]

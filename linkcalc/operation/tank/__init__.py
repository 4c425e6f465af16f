"""The tank that is filled over a radio link: overrun, overflow, running dry, and what makes it safe."""

from linkcalc.operation.tank.answer import CAUTIONS, Overrun, TankAnswer, overrun, section, simulated
from linkcalc.operation.tank.cycle import LostStop, lost_stop
from linkcalc.operation.tank.loop import FillLoop, overrun_bound_m3
from linkcalc.operation.tank.risk import TankRisk, YearRisk, year_risk
from linkcalc.operation.tank.shapes import HorizontalCylinder, LevelTable, Prism, Shape
from linkcalc.operation.tank.simulate import TankYears, simulate
from linkcalc.operation.tank.solve import Settings, Solution, solve

__all__ = [
    "CAUTIONS",
    "FillLoop",
    "HorizontalCylinder",
    "LevelTable",
    "LostStop",
    "Overrun",
    "Prism",
    "Settings",
    "Shape",
    "Solution",
    "TankAnswer",
    "TankRisk",
    "TankYears",
    "YearRisk",
    "lost_stop",
    "overrun",
    "overrun_bound_m3",
    "section",
    "simulate",
    "simulated",
    "solve",
    "year_risk",
]

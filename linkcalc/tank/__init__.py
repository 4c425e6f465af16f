"""The tank that is filled over a radio link: overrun, overflow, running dry, and what makes it safe."""

from linkcalc.tank.answer import CAUTIONS, Overrun, TankAnswer, overrun, section, simulated
from linkcalc.tank.cycle import LostStop, lost_stop
from linkcalc.tank.loop import FillLoop, overrun_bound_m3
from linkcalc.tank.risk import TankRisk, YearRisk, year_risk
from linkcalc.tank.shapes import HorizontalCylinder, LevelTable, Prism, Shape
from linkcalc.tank.simulate import TankYears, simulate
from linkcalc.tank.solve import Settings, Solution, solve

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

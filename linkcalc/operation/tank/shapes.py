"""Level and volume of a tank: upright, lying, or by a table.

Percent full is always percent of height, as a level sensor or a float sees it.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError


class Shape(ABC):
    """A tank's inside, from its floor to its rim."""

    @property
    @abstractmethod
    def height_m(self) -> float: ...

    @abstractmethod
    def _volume_m3(self, level_m: Floats) -> Floats: ...

    def volume_m3(self, level_m: ArrayLike) -> Floats | float:
        """Volume held up to a level above the floor, which may not be above the rim."""
        # A level given as percent of height may miss the rim by rounding.
        level = checked("level_m", level_m, at_least=0.0, at_most=self.height_m * (1.0 + 1e-9))
        result: Floats | float = scalar_if_0d(self._volume_m3(np.minimum(level, self.height_m)))
        return result

    @property
    def capacity_m3(self) -> float:
        return float(self.volume_m3(self.height_m))

    def level_m(self, volume_m3: ArrayLike) -> Floats | float:
        """Level at which the tank holds a volume: the inverse of `volume_m3`."""
        # A volume worked out from a percentage may miss the capacity by rounding.
        volume = checked("volume_m3", volume_m3, at_least=0.0, at_most=self.capacity_m3 * (1.0 + 1e-9))
        low, high = np.zeros_like(volume), np.full_like(volume, self.height_m)
        for _ in range(60):  # halving: 60 times reaches the last bit of any height
            middle = 0.5 * (low + high)
            below = self._volume_m3(middle) < volume
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        result: Floats | float = scalar_if_0d(0.5 * (low + high))
        return result

    def volume_at_percent_m3(self, percent: float) -> float:
        return float(self.volume_m3(self.height_m * percent / 100.0))

    def percent(self, volume_m3: ArrayLike) -> Floats | float:
        """Percentage of the height at which the tank holds a volume."""
        result: Floats | float = scalar_if_0d(np.asarray(self.level_m(volume_m3)) / self.height_m * 100.0)
        return result


@dataclass(frozen=True)
class Prism(Shape):
    """The same floor area at every level: an upright cylinder, a rectangular tank.

    Examples
    --------
    >>> Prism.upright_cylinder(diameter_m=5.0, height_m=2.0).volume_at_percent_m3(50)
    19.634954084936208
    """

    area_m2: float
    rim_m: float

    def __post_init__(self) -> None:
        checked("area_m2", self.area_m2, above=0.0)
        checked("rim_m", self.rim_m, above=0.0)

    @classmethod
    def upright_cylinder(cls, diameter_m: float, height_m: float) -> "Prism":
        return cls(float(np.pi * checked("diameter_m", diameter_m, above=0.0) ** 2 / 4.0), height_m)

    @property
    def height_m(self) -> float:
        return self.rim_m

    def _volume_m3(self, level_m: Floats) -> Floats:
        return self.area_m2 * level_m


@dataclass(frozen=True)
class HorizontalCylinder(Shape):
    """A lying cylinder with flat ends: the circular segment times the length.

    Examples
    --------
    >>> tank = HorizontalCylinder(diameter_m=2.0, length_m=4.0)
    >>> round(tank.volume_at_percent_m3(25) / tank.capacity_m3, 4)
    0.1955
    """

    diameter_m: float
    length_m: float

    def __post_init__(self) -> None:
        checked("diameter_m", self.diameter_m, above=0.0)
        checked("length_m", self.length_m, above=0.0)

    @property
    def height_m(self) -> float:
        return self.diameter_m

    def _volume_m3(self, level_m: Floats) -> Floats:
        r = self.diameter_m / 2.0
        above_m = self.diameter_m - level_m
        # Half the angle that the chord spans, in a form that loses no figures near floor and rim.
        angle = 2.0 * np.arctan2(np.sqrt(level_m), np.sqrt(above_m))
        segment = r * r * angle - (r - level_m) * np.sqrt(level_m * above_m)
        return self.length_m * np.maximum(segment, 0.0)


@dataclass(frozen=True)
class LevelTable(Shape):
    """Any other tank, by its table of levels and volumes; straight lines in between.

    Examples
    --------
    >>> LevelTable((0.0, 1.0, 2.0), (0.0, 4.0, 10.0)).volume_m3(1.5)
    7.0
    """

    levels_m: tuple[float, ...]
    volumes_m3: tuple[float, ...]

    def __post_init__(self) -> None:
        levels = checked("levels_m", self.levels_m)
        volumes = checked("volumes_m3", self.volumes_m3)
        if len(levels) != len(volumes) or len(levels) < 2:
            raise DomainError(
                f"levels_m and volumes_m3 need the same number of entries, two or more,"
                f" got {len(levels)} and {len(volumes)}"
            )
        if levels[0] != 0.0 or volumes[0] != 0.0:
            raise DomainError("levels_m and volumes_m3 must start at 0: the floor, empty")
        for name, values in (("levels_m", levels), ("volumes_m3", volumes)):
            flat = np.flatnonzero(np.diff(values) <= 0)
            if flat.size:
                at = int(flat[0])
                raise DomainError(
                    f"{name} must increase from entry to entry,"
                    f" got {values[at]:g} then {values[at + 1]:g} (entries {at + 1} and {at + 2})"
                )

    @property
    def height_m(self) -> float:
        return float(self.levels_m[-1])

    def _volume_m3(self, level_m: Floats) -> Floats:
        return np.interp(level_m, self.levels_m, self.volumes_m3)

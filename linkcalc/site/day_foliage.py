"""The leaves on the day of a reading, and what the plan's foliage loses more."""

import warnings as python_warnings
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np

from linkcalc.errors import OutOfRangeWarning
from linkcalc.link.case import LinkCase
from linkcalc.link.path_loss import CLEAR_RATIO
from linkcalc.propagation import vegetation
from linkcalc.site.reading import Leaf
from linkcalc.site.readings import Reading

TROPICS_DEG = 23.5

FOLIAGE_SIGMA_DB = 4.0
"""Least standard deviation of an allowance for leaves, else half of it: for one forest a seasonal change of
2 dB is stated at 900 MHz and of 8.5 dB at 2200 MHz (Rec. ITU-R P.833), and forests differ (no source)."""


class DayFoliage:
    """Leaf and wetness on the day of a reading."""

    def __init__(self, case: LinkCase, leaf: Leaf | None, wet: bool | None) -> None:
        self._case, self._leaf, self._wet = case, leaf, wet
        stated = self._loss_db("in_leaf", True) - self._loss_db("out_of_leaf", False)
        modelled = self._path_loss_db("in_leaf", True) - self._path_loss_db("out_of_leaf", False)
        # where the path's model does not know the trees, a season would seem to change nothing
        self._swing_db = max(stated, modelled)

    def _path_loss_db(self, leaf: Leaf, wet: bool) -> float:
        """By the path's own model, which may not know of the trees."""
        foliage = self._case.conditions.model_copy(update={"leaf": leaf, "wet_foliage": wet})
        return replace(self._case, conditions=foliage).path.loss_db

    def _loss_db(self, leaf: Leaf, wet: bool) -> float:
        """Through the trees that stand in 60 % of the first Fresnel zone, whichever way the model goes."""
        profile, path = self._case.profile, self._case.path
        trees = np.array([k == "trees" for k in profile.clutter_kind]) & (path.clearance_ratio < CLEAR_RATIO)
        depth_m = float(np.gradient(profile.distance_m)[trees].sum())
        depth_m += self._case.conditions.woodland_depth_m or 0.0
        if depth_m == 0.0:
            return 0.0
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore", OutOfRangeWarning)
            s = self._case.situation
            found = vegetation.woodland_loss_db(
                depth_m, s.frequency_hz, leaf=leaf, wet=wet, polarisation=s.polarisation
            )
            return float(found)

    @property
    def in_path(self) -> bool:
        return self._swing_db >= 0.05

    def to_come_db(self, leaf: Leaf, wet: bool) -> tuple[float, float]:
        """What the plan's foliage loses more than this, and how much of it the path's model does not know."""
        planned = self._case.conditions
        modelled = self._case.path.loss_db - self._path_loss_db(leaf, wet)
        stated = self._loss_db(planned.leaf, planned.wet_foliage) - self._loss_db(leaf, wet)
        # the larger loss where leaves are to come; where they are to go, no more gain than the model knows
        most = max(modelled, stated) if stated > 0.0 else modelled
        return most, most - modelled

    def untold(self, reading: Reading) -> bool:
        return reading.leaf is None and self._leaf is None and self._by_date(reading) is None

    def of(self, reading: Reading) -> tuple[Leaf, bool]:
        """Leaf and wetness that the reading is held against."""
        stated = reading.leaf or self._leaf or self._by_date(reading) or self._case.conditions.leaf
        wet = reading.wet_foliage if reading.wet_foliage is not None else self._wet
        # unsaid is dry, the safe side: what wet leaves lose is then still to come
        return stated, bool(wet)

    def _by_date(self, reading: Reading) -> Leaf | None:
        latitudes = self._case.profile.latitude_deg
        # between the tropics leaves go by the dry and the wet season, which no month tells
        if reading.time is None or latitudes is None or abs(latitudes[0]) < TROPICS_DEG:
            return None
        # the months of budding and of falling leaves count as bare, the safe side: what leaves lose is then to come
        in_leaf = (6, 7, 8, 9) if latitudes[0] > 0 else (12, 1, 2, 3)
        return "in_leaf" if reading.time.month in in_leaf else "out_of_leaf"

    def warnings(self, readings: Sequence[Reading]) -> list[str]:
        """What was taken for granted, where it matters."""
        if not self.in_path:
            return []
        lines = []
        untold = [r for r in readings if r.leaf is None and self._leaf is None]
        if untold:
            words = {"in_leaf": "in leaf", "out_of_leaf": "bare"}
            taken = " and ".join(sorted({words[self.of(r)[0]] for r in untold}))
            by = "by their date" if self._by_date(untold[0]) else "as in the plan"
            lines.append(
                f"the readings do not say whether the trees were in leaf: taken as {taken}, {by}; "
                f"foliage is worth up to {self._swing_db:.0f} dB here (--leaf says it)"
            )
        if self._wet is None and any(r.wet_foliage is None for r in readings):
            lines.append("the readings do not say whether the leaves were wet: taken as dry (--wet says it)")
        return lines


def foliage_sigma_db(to_come_db: float) -> float:
    return 0.0 if abs(to_come_db) < 0.05 else max(FOLIAGE_SIGMA_DB, abs(to_come_db) / 2.0)


def foliage_to_come(case: LinkCase) -> list[tuple[Leaf, bool, float, float]]:
    """Leaf, wetness, what the plan's foliage loses more, dB, and its standard deviation; of every foliage.

    Empty where no tree stands in the path.
    """
    foliage = DayFoliage(case, None, None)
    if not foliage.in_path:
        return []
    leaves: tuple[Leaf, ...] = ("in_leaf", "out_of_leaf")
    found = []
    for leaf, wet in product(leaves, (False, True)):
        missing_db, _ = foliage.to_come_db(leaf, wet)
        found.append((leaf, wet, missing_db, foliage_sigma_db(missing_db)))
    return found

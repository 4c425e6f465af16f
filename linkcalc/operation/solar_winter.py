"""A solar station through a dull season: the days played one after the other, with spells of cloud."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import checked

DAYS = 60
"""Length of the season."""
DULL_SUN, BRIGHT_SUN = 0.2, 1.8
"""Sun of a dull and of a bright day over the month's mean; there are as many of either."""
SPELL_DAYS = 4.0
"""Mean length of a spell of either (all three: common practice, no source; a clear climate is kinder)."""
_SEASONS, _SEED = 20_000, 1


@lru_cache(maxsize=1)
def _sun() -> NDArray[np.float64]:
    """Sun over the mean, (days, seasons); the same draws for every question."""
    rng = np.random.default_rng(_SEED)
    dull = rng.random(_SEASONS) < 0.5
    days = np.empty((DAYS, _SEASONS))
    for day in range(DAYS):
        days[day] = np.where(dull, DULL_SUN, BRIGHT_SUN)
        dull ^= rng.random(_SEASONS) < 1.0 / SPELL_DAYS
    return days


def blackout_chance(daily_wh: float, panel_wh_per_day: float, usable_wh: float) -> float:
    """Chance that a station's battery, full at the start, runs empty at least once in a dull season.

    `panel_wh_per_day` is what the panel puts into the battery on a mean day of the season, `usable_wh` what
    the battery gives, as cold as it gets. A share of 20 000 seasons of 60 days, from one seed: bright and
    dull days follow each other as a chain of two states. A day's sun comes after its draw: the cautious
    order.

    A panel that gives nothing: empty when the store is used up, unless that lasts all season.

    >>> blackout_chance(1.0, 0.0, 59.0), blackout_chance(1.0, 0.0, 60.0)
    (1.0, 0.0)
    """
    draw = float(checked("daily_wh", daily_wh, above=0.0))
    gain = float(checked("panel_wh_per_day", panel_wh_per_day, at_least=0.0))
    full = float(checked("usable_wh", usable_wh, at_least=0.0))
    charge = np.full(_SEASONS, full)
    empty = np.zeros(_SEASONS, dtype=np.bool_)
    for sun in _sun():
        charge = charge - draw
        empty |= charge < -1e-9
        charge = np.clip(charge + gain * sun, 0.0, full)
    return float(empty.mean())

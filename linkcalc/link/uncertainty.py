"""What makes a predicted margin uncertain, item by item, each as a standard deviation in decibels: one rule, over
arrays of paths.

Two kinds, because they behave differently: what is fixed but unknown until measured (site), and what comes
and goes over the year (conditions). What differs from message to message, fading, is kept apart in
`linkcalc.link.reliability`; its size depends on the path too, see `fading_k_db`.

The figures of the site's part are errors of these rules on real links, by class of path: low antennas stand among
things that no raster shows, elevated ones do not. They hold the smaller items (antenna gains as mounted, heights)
already, so that these are listed as parts of them.
"""

import math
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats
from linkcalc.errors import OutOfRangeWarning
from linkcalc.link.case import LinkCase
from linkcalc.link.losses import Losses
from linkcalc.link.reliability import rician_outage
from linkcalc.link.result import Contributor
from linkcalc.plan import Station
from linkcalc.propagation import building_entry, noise, vegetation
from linkcalc.propagation.loss_models import RULES
from linkcalc.terrain.cell_size import cell_error_db
from linkcalc.units import SPEED_OF_LIGHT_M_S

READING_ERROR_DB = 2.0
"""What a careful reading leaves of the site's part: instrument and ripple (common practice, no source)."""

CLEAR_K_DB, BLOCKED_K_DB = 10.0, 3.0
"""Median Rician K over time of a fixed path, clear and blocked. Fixed suburban links: log-normal over sites, and
K above 13 dB under nearly all conditions where short fades were measured (5.8 GHz, 72 links); rural macro cells
7 dB (3GPP TR 38.901). The figures between are common practice."""

K_STEPS_DB: tuple[float, ...] = tuple(float(i) for i in range(int(CLEAR_K_DB) + 1))
"""Where a table goes by K."""

STANDING_DB = (2.0, 4.6)
"""What of the site's part is the pattern of waves that an antenna stands in, both ends high, one low. Between two
heights at one place fixed links at 868 MHz (1 to 3 m) differ by 6.5 dB, so that one has 6.5 over root 2; on a
mast 2 dB: common practice, no source."""

STANDING_SHARE = 0.8
"""At most so much of the model's error is that."""

COHERENCE_HZ = 5.7e6
"""Frequencies so far apart stand in another pattern: 1 / (5 x delay spread), of 35 ns in rural surroundings (3GPP
TR 38.901, table 7.5-6, from memory)."""

HOPPED_LEAST_K_DB = 0.0
"""Where hopping leaves so little of a steady ray, the rest of the pattern stays with the site."""

FADING_TREES_DB = 12.0
"""Trees in the way that lose so much leave no steady ray either."""

ELEVATED_DB = (4.9, 10.0, 9.8)
LOW_DB = (9.1, 9.1, 9.8)
"""Standard deviation of these rules' error on real links, path clear, touching, and blocked as far: both antennas
above what surrounds them, and one or both among it with the surroundings known."""

ASSUMED_SURROUNDINGS_DB = 5.2
"""In addition, where the surroundings of a low antenna are not stated: 10.5 dB in all on clear and grazing paths."""

RASTER_WITHIN_DB = 5.0
"""What of the raster's error these figures hold already: the links were predicted over cells of 30 to 90 m."""

BLOCKED_SLOW_DB = 4.5
"""Slow variation of a blocked path over time (6 dB at the 90 % value on fixed links, IEEE Wireless Comm. Letters
9(10), 2020)."""

LOCAL_NOISE = "local noise"
"""The one part of the site that a reading of the signal does not show."""
NOISE_OVER_TIME = "noise over time"

_WORTH_LISTING_DB = 0.05

REFRACTION = "refraction over the year"
SURROUNDINGS = "weather and surroundings"
STANDING = "standing pattern"
SLOW_FADING = "slow fading of a blocked path"
FOLIAGE = "foliage over the year"

# a normal variable goes beyond so many standard deviations in one of a thousand cases
_PERMILLE = 3.0902


class Item(NamedTuple):
    """One source of uncertainty of many paths."""

    name: str
    sigma_db: Floats
    kind: Literal["site", "conditions"]
    source: str


def fading_k_db(case: LinkCase, found: Losses) -> Floats:
    """Median Rician K of fixed paths of this kind, dB; falls evenly as the path is blocked or leads through trees.

    Tries that hop over a stated bandwidth meet the antenna's standing pattern anew, as far as it differs over the
    bandwidth: what of it no longer belongs to the site fades from try to try.
    """
    k = _path_k_db(found)
    if not case.link.hopping_bandwidth_mhz:
        return k
    return _k_of_spread(np.hypot(_spread_of_k(k), _site_items(case, found)[1]))


def _path_k_db(found: Losses) -> Floats:
    wooded = np.clip(found.vegetation_db / FADING_TREES_DB, 0.0, 1.0)
    return CLEAR_K_DB - (CLEAR_K_DB - BLOCKED_K_DB) * np.maximum(found.blocked, wooded)


def rician_k_db(case: LinkCase) -> float:
    """Median Rician K of a link's own path, dB."""
    return float(fading_k_db(case, case.losses)[0])


_SPREADS_K_DB = np.arange(HOPPED_LEAST_K_DB, CLEAR_K_DB + 0.1, 0.25)


@lru_cache(maxsize=1)
def _spreads_db() -> Floats:
    """Standard deviation of a Rician level in decibels, by `_SPREADS_K_DB`."""
    level_db = np.arange(-60.0, 15.0, 0.05)
    below = rician_outage(-level_db, _SPREADS_K_DB[:, np.newaxis])
    share = np.diff(below, axis=1)
    middle = 0.5 * (level_db[1:] + level_db[:-1])
    mean = share @ middle
    return np.asarray(np.sqrt(share @ middle**2 - mean**2))


def _spread_of_k(k_db: ArrayLike) -> Floats:
    return np.asarray(np.interp(np.asarray(k_db, dtype=np.float64), _SPREADS_K_DB, _spreads_db()))


def _k_of_spread(spread_db: Floats) -> Floats:
    # backwards: np.interp wants rising points, and the spread falls as K grows
    return np.asarray(np.interp(spread_db, _spreads_db()[::-1], _SPREADS_K_DB[::-1]))


def raster_db(cell_m: ArrayLike, length_m: ArrayLike, frequency_hz: float) -> Floats:
    """Standard deviation that the size of a raster's cells adds; 0 where it is not known (a survey)."""
    cell, length = np.broadcast_arrays(np.nan_to_num(cell_m), np.asarray(length_m, dtype=np.float64))
    radius = 0.5 * np.sqrt(SPEED_OF_LIGHT_M_S / frequency_hz * np.maximum(np.nan_to_num(length), 1.0))
    return np.asarray(cell_error_db(cell, radius))


def _site_items(case: LinkCase, found: Losses) -> tuple[list[Item], Floats]:
    """What belongs to the site, and what hopping turns from a standing pattern into fading from try to try."""
    c = case.conditions
    blocked = np.array([0.0, 0.5, 1.0])
    elevated, low = (np.interp(found.blocked, blocked, figures) for figures in (ELEVATED_DB, LOW_DB))
    whole = (1.0 - found.low_end) * elevated + found.low_end * low
    # behind a hill the edge decides more than the surroundings of the antenna
    unsaid = (
        ASSUMED_SURROUNDINGS_DB * found.surroundings_assumed * np.clip(2.0 - 2.0 * found.blocked, 0.0, 1.0)
    )
    gains = np.full(whole.shape, math.sqrt(2.0) * c.antenna_gain_error_db)
    # 20 log h, the most that a height gains over ground
    heights = np.hypot(
        *(8.686 * c.height_error_m / np.maximum(h, 1.0) for h in (found.near_height_m, found.far_height_m))
    )
    coarse = raster_db(found.cell_m, found.length_m, case.frequency_hz)
    if c.model_error_db is None:
        # the measured figure holds these parts already: none must count twice, and half of it stays
        parts = gains**2 + heights**2 + np.minimum(coarse, RASTER_WITHIN_DB) ** 2
        model = np.sqrt(np.maximum(whole**2 - parts, (0.5 * whole) ** 2))
        words = "error of these rules on real links of this kind"
    else:
        stated = np.full(whole.shape, c.model_error_db)
        if c.governing_model != RULES:  # its errors were not measured here: no smaller than the rules'
            stated = np.maximum(stated, np.hypot(whole, unsaid))
        # a stated error is the whole of the model's, unknown surroundings with it
        model, unsaid, words = stated, 0.0 * unsaid, "stated"
    if c.governing_model != RULES:
        words += "; not measured for the model that the plan chose"
    most = (1.0 - found.low_end) * STANDING_DB[0] + found.low_end * STANDING_DB[1]
    standing = np.minimum(most, STANDING_SHARE * model)
    hopped = _hopped_db(standing, _path_k_db(found), case.link.hopping_bandwidth_mhz * 1e6)
    pattern = "pattern of waves at the antennas: half a metre away is another"
    items = [
        # the standing pattern is a part of the model's error, in a line of its own
        Item("path loss model", np.sqrt(model**2 - standing**2), "site", words),
        Item(STANDING, np.sqrt(standing**2 - hopped**2), "site", pattern),
        Item("surroundings not stated", unsaid, "site", "error of these rules on real links"),
        Item("antenna gains", gains, "site", "as mounted, both ends"),
        Item("antenna heights", heights, "site", f"±{c.height_error_m:g} m at each end"),
        Item("coarse heights", coarse, "site", "cells of the raster against the first Fresnel zone"),
    ]
    return items, hopped


def _hopped_db(standing_db: Floats, k_db: Floats, bandwidth_hz: float) -> Floats:
    """What of a standing pattern hops over a bandwidth turn into fading."""
    if not bandwidth_hz:
        return np.zeros(standing_db.shape)
    # the mean of n independent patterns keeps 1/n of the variance: the rest fades from try to try
    patterns = 1.0 + bandwidth_hz / COHERENCE_HZ
    room_db = np.sqrt(np.maximum(_spread_of_k(HOPPED_LEAST_K_DB) ** 2 - _spread_of_k(k_db) ** 2, 0.0))
    return np.minimum(standing_db * math.sqrt(1.0 - 1.0 / patterns), room_db)


def path_items(case: LinkCase, found: Losses) -> list[Item]:
    """Every source of uncertainty that both directions of paths share; those under 0.05 dB are 0."""
    c = case.conditions
    trees = found.vegetation_share * vegetation.woodland_sigma_db(np.nan_to_num(found.vegetation_db))
    swing = found.vegetation_share * (found.vegetation_wet_db - found.vegetation_db)
    everywhere = np.ones(found.length_m.shape)
    items = [
        *_site_items(case, found)[0],
        Item(
            "choice of model",
            np.abs(found.rules_less_db),
            "site",
            "difference between the model that the plan chose and the rules",
        ),
        Item("rounded hill", found.hill_db, "site", "half the difference between two models of P.526"),
        Item("trees", trees, "site", "spread of vegetation formulas"),
        Item(REFRACTION, found.low_k_db / _PERMILLE, "conditions", "k exceeded 99.9 % of the year"),
        Item(SLOW_FADING, BLOCKED_SLOW_DB * found.blocked, "conditions", "fixed links measured over days"),
        Item(
            SURROUNDINGS,
            everywhere * c.surroundings_error_db,
            "conditions",
            "wet ground, crops, snow, parked vehicles: common practice, no source",
        ),
        Item(
            FOLIAGE, np.maximum(swing, 0.0) / 2.0, "conditions", "up to wet leaf, if the verdict is for less"
        ),
    ]
    for station in (case.near, case.far):
        if station.building != "none":
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", OutOfRangeWarning)
                sigma = building_entry.building_entry_sigma_db(
                    case.frequency_hz, building=station.building, extrapolate=True
                )
            name = f"building entry, {station.name}"
            items.append(Item(name, everywhere * sigma, "site", "Rec. ITU-R P.2109"))
    return [i._replace(sigma_db=_counted(i.sigma_db)) for i in items]


def noise_items(noises: noise.SystemNoise) -> list[Item]:
    """Those of the sources that are one receiver's noise; arrays of one."""
    location, over_time = (
        _counted(np.atleast_1d(np.asarray(s, dtype=np.float64)))
        for s in (noises.location_sigma_db, noise.noise_sigma_db(noises))
    )
    return [
        Item(LOCAL_NOISE, location, "site", "Rec. ITU-R P.372, from place to place"),
        Item(NOISE_OVER_TIME, over_time, "conditions", "Rec. ITU-R P.372, upper decile"),
    ]


def _counted(sigma_db: ArrayLike) -> Floats:
    sigma = np.asarray(sigma_db, dtype=np.float64)
    return np.where(sigma < _WORTH_LISTING_DB, 0.0, sigma)


def together_db(items: Iterable[Item] | Iterable[Contributor], kind: Literal["site", "conditions"]) -> Any:
    """Standard deviation of all items of a kind together, dB; they are taken as independent."""
    return np.sqrt(sum((i.sigma_db**2 for i in items if i.kind == kind), start=np.zeros(1)))


def spreads_db(items: Sequence[Item]) -> tuple[Any, Any]:
    """`together_db` of what belongs to the site, and of what varies over the year."""
    return together_db(items, "site"), together_db(items, "conditions")


def contributors(case: LinkCase, receiver: Station) -> tuple[Contributor, ...]:
    """Every source of uncertainty of one direction of a link's margin, largest first; `receiver`: whose noise counts.

    Those under 0.05 dB are omitted.
    """
    items = [*path_items(case, case.losses), *noise_items(case.noise(receiver))]
    found = [
        Contributor(i.name, float(i.sigma_db[0]), i.kind, float(i.sigma_db[0]), i.source)
        for i in items
        if i.sigma_db[0] > 0.0
    ]
    return tuple(sorted(_with_reading(found), key=lambda x: -x.sigma_db))


def combined_db(parts: Iterable[Contributor], kind: Literal["site", "conditions"]) -> float:
    """`together_db` of one direction's contributors."""
    return float(together_db(parts, kind)[0])


def after_reading_db(parts: Sequence[Contributor]) -> float:
    """Standard deviation of the site's part once the signal has been measured there, dB."""
    return math.sqrt(sum(x.after_reading_db**2 for x in parts if x.kind == "site"))


def _with_reading(parts: Sequence[Contributor]) -> list[Contributor]:
    """Shares among what a reading measures, their sum, what the reading leaves of it: its own error."""
    measured = [x for x in parts if x.kind == "site" and x.name != LOCAL_NOISE]
    # a site known better than a reading can tell stays as it is
    left = READING_ERROR_DB / max(combined_db(measured, "site"), READING_ERROR_DB)
    return [replace(x, after_reading_db=left * x.sigma_db) if x in measured else x for x in parts]

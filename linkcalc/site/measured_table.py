"""What a page needs to weigh readings as `linkcalc.site.survey` does: densities, weights and edges, as tables.

The page sums logarithms over the same grid as `linkcalc.site.level`; every law it sums stands here.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betaln, ndtr

from linkcalc._arrays import Floats
from linkcalc.link.case import End, LinkCase
from linkcalc.plan import Feeder
from linkcalc.site import heard
from linkcalc.site.day_foliage import FOLIAGE_SIGMA_DB, foliage_to_come
from linkcalc.site.fades import FADE_STEP_DB, fade_table, still_share_below
from linkcalc.site.level import STANDS_STILL, STEADY_K_DB, ripple_db
from linkcalc.site.loss_rate import largest_loss_rate, packets_needed
from linkcalc.site.measured import FEWEST_FOR_NOISE, NOISE_SLACK_DB, Side
from linkcalc.site.readings import Way
from linkcalc.site.survey import SAME_HEIGHT_M

MOST_COUNTED = 100
"""Readings beyond which another is worth no more."""
PROOF_PACKETS = 300
"""Packets of the table of what a count proves; beyond, the page says no more than these do."""
PROOF_LOST = 30
PROOF_CONFIDENCE = 0.95

_FADES_DB = (-50.0, 25.1)
"""Deeper fades are rarer than readings that are plainly wrong; up to what the library's table holds."""
_NORMAL_STEP = 0.05
_NORMAL_MOST = 6.0


@dataclass(frozen=True, eq=False)
class ReceiverTable:
    """One station's receiver behind one feeder."""

    quiet_noise_dbm: float
    """Noise expected with the engine stopped."""
    thermal_dbm: float
    place_db: float
    time_db: float
    conditions_db: float
    """Standard deviation of all that comes and goes, of the direction that this station hears."""


@dataclass(frozen=True)
class FoliageTable:
    """One state of the leaves: what the plan's foliage loses more, and the standard deviation of that."""

    leaf: str
    wet: bool
    to_come_db: float
    sigma_db: float


@dataclass(frozen=True, eq=False)
class MeasuredTable:
    """Everything but the readings themselves."""

    site_db: float
    day_db: float
    receivers: tuple[tuple[ReceiverTable, ...], tuple[ReceiverTable, ...]]
    """By end and feeder."""
    foliage: tuple[FoliageTable, ...]
    planned_leaf: str
    untold_sigma_db: float
    fade_first_db: float
    fade_step_db: float
    share_below: Floats
    """(k + 1, n) by K, and of no fading: share of fades deeper than each step."""
    density: Floats
    """(k + 1, n) of the fades, per dB."""
    still_below: Floats
    """(k, n) share of sites whose one fade, where it stands still, is deeper."""
    error_steps: Floats
    error_weight: Floats
    middle_scale: Floats
    """(p,) of the density of the middle of 1, 2, ... packets."""
    ripple_db: Floats
    """(k, 2, c) by K; at the planned heights, at others; by readings, from 1 on."""
    normal_step: float
    normal: Floats
    normal_most: float
    proven: Floats
    """(k, n) share of packets proven to arrive by so many lost (rows) of so many sent (columns, from 1)."""
    proof_confidence: float
    constants: dict[str, float]
    offsets_db: Floats
    rises_db: Floats
    unexplained: Floats
    unexplained_log_weight: Floats


def measured_table(case: LinkCase, feeders: Sequence[Sequence[Feeder]], k_steps_db: Floats) -> MeasuredTable:
    """Work out what a field sheet's page needs to weigh readings, with `feeders` by end."""
    side = Side(case, "forward", [], [])
    fades = [fade_table(k_db) for k_db in (*k_steps_db, STEADY_K_DB)]
    kept = slice(*np.searchsorted(fades[0].value, _FADES_DB))
    k = (np.arange(1, heard.MOST_INDEPENDENT + 1) - 1.0) / 2.0
    counts = np.arange(1, MOST_COUNTED + 1)
    return MeasuredTable(
        site_db=side.site_db,
        day_db=side.day_db,
        receivers=(_receivers(case, "near", feeders[0]), _receivers(case, "far", feeders[1])),
        foliage=tuple(FoliageTable(*state) for state in foliage_to_come(case)),
        planned_leaf=case.conditions.leaf,
        untold_sigma_db=FOLIAGE_SIGMA_DB,
        fade_first_db=float(fades[0].value[kept][0]),
        fade_step_db=FADE_STEP_DB,
        share_below=np.array([f.share_below[kept] for f in fades]),
        density=np.array([f.density_at[kept] for f in fades]),
        still_below=np.array([still_share_below(k_db)[kept] for k_db in k_steps_db]),
        error_steps=np.asarray(heard.ERROR_STEPS, dtype=np.float64),
        error_weight=heard.ERROR_WEIGHT / heard.ERROR_WEIGHT.sum(),
        middle_scale=np.exp(-betaln(k + 1.0, k + 1.0) - 2.0 * k * math.log(2.0)),
        ripple_db=np.array(
            [
                [
                    [ripple_db(float(n), same_height=same, rician_k_db=k_db) for n in counts]
                    for same in (True, False)
                ]
                for k_db in k_steps_db
            ]
        ),
        normal_step=_NORMAL_STEP,
        normal=ndtr(np.arange(-_NORMAL_MOST, _NORMAL_MOST + _NORMAL_STEP / 2.0, _NORMAL_STEP)),
        normal_most=_NORMAL_MOST,
        proven=np.array(
            [
                [
                    1.0 - largest_loss_rate(lost, sent, PROOF_CONFIDENCE) if sent >= lost else 0.0
                    for sent in range(1, PROOF_PACKETS + 1)
                ]
                for lost in range(PROOF_LOST + 1)
            ]
        ),
        proof_confidence=PROOF_CONFIDENCE,
        constants={
            "step": heard.STEP_DB,
            "offset": heard.OFFSET_DB,
            "still": STANDS_STILL,
            "wrong": heard.WRONG_SHARE,
            "scale": heard.SCALE_DB,
            "unplanned": heard.UNPLANNED_NOISE_DB,
            "unplannedShare": heard.UNPLANNED_NOISE_SHARE,
            "error": heard.ERROR_DB,
            "independent": heard.MOST_INDEPENDENT,
            "fewestForNoise": FEWEST_FOR_NOISE,
            "noiseSlack": NOISE_SLACK_DB,
            "sameHeight": SAME_HEIGHT_M,
            "provenAtLeast": packets_needed(0.95, PROOF_CONFIDENCE),
        },
        offsets_db=heard.OFFSETS_DB,
        rises_db=heard.RISES_DB,
        unexplained=heard.UNEXPLAINED,
        unexplained_log_weight=np.log(heard.UNEXPLAINED_WEIGHT),
    )


def _receivers(case: LinkCase, end: End, feeders: Sequence[Feeder]) -> tuple[ReceiverTable, ...]:
    way: Way = "return" if end == "near" else "forward"
    found = []
    for feeder in feeders:
        station = case.station(end)
        changed = station.model_copy(update={"feeder": feeder})
        quiet = changed.model_copy(update={"noise_rise_db": 0.0})
        side = Side(case.with_stations({end: changed}), way, [], [])
        noise_dbm = case.with_stations({end: quiet}).budget(way).noise_power_dbm
        found.append(
            ReceiverTable(
                noise_dbm,
                side.planned.thermal_dbm,
                side.heard.noise_place_db,
                side.heard.noise_time_db,
                side.conditions_db,
            )
        )
    return tuple(found)

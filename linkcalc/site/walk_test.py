"""The best of several spots tried for a station, and how sure that is."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.link.case import LinkCase
from linkcalc.link.findings import WAYS
from linkcalc.link.legal import lawful
from linkcalc.link.uncertainty import rician_k_db
from linkcalc.plan import Plan
from linkcalc.plan.stations import position_deg
from linkcalc.site.distribution import Distribution, normalised
from linkcalc.site.level import even_grid, log_likelihood
from linkcalc.site.measured import Side, State
from linkcalc.site.readings import Reading
from linkcalc.units import EARTH_RADIUS_M

SPOT_SPREAD_DB = 6.0
"""Spread of the level between spots at one place (4 to 8 dB: common practice, no source)."""
SPOT_TAIL = 4.0
"""Degrees of freedom of that spread (Student): a spot behind a wall may lie far below the others."""
SPOT_RIPPLE_DB = 1.0
"""What a spot's level changes within a wavelength, after a median (common practice, no source)."""
MOST_SPOTS = 200
SAME_SPOT_M = 15.0
"""Positions closer than this are one spot: what a hand-held receiver tells apart."""
UNNAMED = "spot without a name"


@dataclass(frozen=True)
class Spot:
    """One of the spots tried for a station."""

    name: str
    latitude_deg: float | None
    longitude_deg: float | None
    readings: int
    sent: int | None
    received: int | None
    fade_margin_db: float
    """Of the weaker direction, under the plan's conditions."""
    fade_margin_interval_db: tuple[float, float]
    """95 %, for comparing the spots: a receiver's offset, common to all, is not in it."""
    best_probability: float


def by_spot_name(readings: Sequence[Reading]) -> dict[str, list[int]]:
    """Sort readings by spot: by name, else by position, where one within `SAME_SPOT_M` is the same spot.

    Stops one spot after `MOST_SPOTS`.
    """
    spots: dict[str, list[int]] = {}
    places: list[tuple[float, float, str]] = []
    for i, r in enumerate(readings):
        name = r.spot or UNNAMED
        if not r.spot and r.latitude_deg is not None and r.longitude_deg is not None:
            near = (n for y, x, n in places if apart_m(y, x, r.latitude_deg, r.longitude_deg) < SAME_SPOT_M)
            name = next(near, "")
            if not name:
                name = f"{r.latitude_deg:.5f}, {r.longitude_deg:.5f}"
                places.append((r.latitude_deg, r.longitude_deg, name))
        spots.setdefault(name, []).append(i)
        if len(spots) > MOST_SPOTS:
            break
    return spots


def nearer_station(case: LinkCase, reading: Reading) -> tuple[float, str]:
    """How far a reading with a position was taken from the nearer of the planned stations, m, and which that is."""
    assert reading.latitude_deg is not None
    assert reading.longitude_deg is not None
    here = reading.latitude_deg, reading.longitude_deg
    return min((apart_m(*position_deg(s), *here), s.name) for s in (case.near, case.far))


def spots_tried(case: LinkCase, readings: Sequence[Reading]) -> dict[str, list[int]]:
    """`by_spot_name`, or all as one where they cannot be alternatives but are the two ends of the link.

    They are where none was read both ways, or where positions lie at both stations: the phone at each tells its own.
    """
    spots = by_spot_name(readings)
    if len(spots) > MOST_SPOTS:
        return spots
    ways = [{readings[i].direction for i in chosen} for chosen in spots.values()]
    one_way_each = all(len(way) == 1 for way in ways) and len(set.union(*ways)) > 1
    told = [r for r in readings if not r.spot and r.latitude_deg is not None and r.longitude_deg is not None]
    at_both = case.positioned and len({nearer_station(case, r)[1] for r in told}) > 1
    return {UNNAMED: list(range(len(readings)))} if one_way_each or at_both else spots


def apart_m(y: float, x: float, latitude_deg: float, longitude_deg: float) -> float:
    # a few metres, or which of two is nearer: the earth is flat
    east = ((x - longitude_deg + 180.0) % 360.0 - 180.0) * math.cos(math.radians(y))
    return math.radians(math.hypot(y - latitude_deg, east)) * EARTH_RADIUS_M


def walk_test(
    case: LinkCase,
    readings: Sequence[Reading],
    states: Sequence[State],
    by_spot: dict[str, list[int]],
    plan: Plan | None = None,
) -> tuple[Spot, ...]:
    """Compare spots: each one's level is drawn around the place's, and the place's around the prediction."""
    k_db = rician_k_db(case)
    heights = [
        Counter((states[i].near_m, states[i].far_m) for i in chosen).most_common(1)[0][0]
        for chosen in by_spot.values()
    ]
    legal, _ = lawful(case)
    planned = [legal.with_heights(near_m=near, far_m=far).weaker_margin_db for near, far in heights]
    margin = even_grid(min(planned) - 100.0, max(planned) + 80.0)
    sides, likelihood = [], []
    for chosen, planned_db in zip(by_spot.values(), planned, strict=True):
        own = [Side(case, w, [readings[i] for i in chosen], [states[i] for i in chosen], plan) for w in WAYS]
        # excess falls as the margin rises, and its grid has to rise: turned there and back
        excess = planned_db - margin[::-1]
        heard = [s.heard for s in own]
        # one receiver's offset shifts all spots alike: what sets them apart is the ripple of each
        likelihood.append(log_likelihood(heard, excess, rician_k_db=k_db, offset_db=SPOT_RIPPLE_DB)[::-1])
        sides.append(own)
    margins, best = compare_spots(
        margin, np.array(likelihood), np.array(planned), site_db=sides[0][0].site_db
    )
    spots = []
    for (name, chosen), own, found, chance in zip(by_spot.items(), sides, margins, best, strict=True):
        place = next((readings[i] for i in chosen if readings[i].latitude_deg is not None), None)
        counted = [s.counted for s in own if s.counted]
        spots.append(
            Spot(
                name=name,
                latitude_deg=place.latitude_deg if place else None,
                longitude_deg=place.longitude_deg if place else None,
                readings=len(chosen),
                sent=sum(c[0] for c in counted) if counted else None,
                received=sum(c[1] for c in counted) if counted else None,
                fade_margin_db=found.mean,
                fade_margin_interval_db=found.interval(),
                best_probability=float(chance),
            )
        )
    return tuple(sorted(spots, key=lambda s: -s.fade_margin_db))


def compare_spots(
    margin_db: Floats, log_likelihood: Floats, planned_db: Floats, *, site_db: float
) -> tuple[list[Distribution], Floats]:
    """Posterior of each spot's margin, and the probability of each to be the best.

    `log_likelihood` is that of each spot's readings at each margin, (spots, m). Bayes' rule: the place's
    margin is normal around the predicted, each spot's has Student's distribution around the place's.
    """
    # the spread between spots is part of the site's: the rest is the place's, and never quite nothing
    place_db = math.sqrt(max(site_db**2 - SPOT_SPREAD_DB**2, 2.0**2))
    common = np.linspace(-5.0, 5.0, 101) * place_db
    likelihood = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    away = (margin_db - planned_db[:, np.newaxis])[:, np.newaxis, :] + common[:, np.newaxis]
    spread = (1.0 + (away / SPOT_SPREAD_DB) ** 2 / SPOT_TAIL) ** (-(SPOT_TAIL + 1.0) / 2.0)
    joint = spread * likelihood[:, np.newaxis, :]
    evidence = joint.sum(axis=2)  # (spots, common)
    weight = normalised(-0.5 * (common / place_db) ** 2 + np.log(np.maximum(evidence, 1e-300)).sum(axis=0))
    given = joint / np.maximum(evidence, 1e-300)[:, :, np.newaxis]
    # a product over all spots as a sum of logarithms: leaving one out is then a difference
    below = np.log(np.maximum(np.cumsum(given, axis=2) - 0.5 * given, 1e-300))
    others = np.exp(below.sum(axis=0, keepdims=True) - below)
    best = ((given * others).sum(axis=2) * weight).sum(axis=1)
    posterior = np.einsum("scm,c->sm", given, weight)
    return [Distribution(margin_db, p / p.sum()) for p in posterior], best / best.sum()

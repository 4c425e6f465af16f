"""Antennas raised until nothing is short: heights found by solving, and those that clear the Fresnel zone."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.link import findings
from linkcalc.link.case import ENDS, End, LinkCase
from linkcalc.link.legal import breaks_limits
from linkcalc.link.link_requirement import LinkRequirement
from linkcalc.link.losses import profile_losses
from linkcalc.link.path_loss import CLEAR_RATIO
from linkcalc.link.remedy_options import tallest_m
from linkcalc.link.result import Advice
from linkcalc.link.uncertainty import fading_k_db, noise_items, path_items, together_db
from linkcalc.plan import ChirpModulation
from linkcalc.propagation import fresnel

_CLIMB_M = 3.0
"""A raise up to this is a longer pole; more is a mast (common practice, no source)."""

_NEARLY_DB = 0.3
"""What is short by less is looked at exactly."""


def least_heights(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
    """Least heights that reach what is required: either antenna alone, and both by the same raise."""
    alone: list[float] = []
    for ends in (("near",), ("far",), ENDS):
        least_m = _least(case, ends, required)
        # raising both is worth a line where it spares a mast at either end
        if least_m is None or (ends == ENDS and any(least_m > 0.75 * one for one in alone)):
            continue
        alone.append(least_m)
        changed = _in_decimetres(case, _raised(case, ends, least_m))
        step = _raised_step(case, changed, ends)
        yield required.advice("raise_antenna", step, 3 if least_m <= _CLIMB_M else 4, changed)


def _raised_step(
    case: LinkCase, changed: LinkCase, ends: Sequence[End], **more: Any
) -> findings.RaisedAntennas:
    """What has been raised, and the feeders that grow with their antennas."""
    pairs = [(case.station(e), changed.station(e)) for e in ENDS]
    heights = [(old.name, new.antenna_height_m, old.antenna_height_m) for old, new in pairs]
    feeders = [(old.name, new.feeder.length_m, old.feeder.length_m) for old, new in pairs]
    return findings.RaisedAntennas(
        tuple(findings.Setting(*h) for h, end in zip(heights, ENDS, strict=True) if end in ends),
        tuple(findings.Setting(*f) for f in feeders if f[1] > f[2]),
        **more,
    )


def _in_decimetres(case: LinkCase, raised: LinkCase) -> LinkCase:
    """The raised link as it is told: what has been raised, rounded up."""
    new_m = [
        new.antenna_height_m
        if new.antenna_height_m <= old.antenna_height_m
        else math.ceil(new.antenna_height_m * 10.0 - 1e-6) / 10.0
        for new, old in ((raised.near, case.near), (raised.far, case.far))
    ]
    return replace(raised, near=case.near, far=case.far).raised(near_m=new_m[0], far_m=new_m[1])


def _raised(case: LinkCase, ends: Sequence[End], raise_m: float) -> LinkCase:
    """A link with one or both antennas raised by so much."""
    return case.raised(
        near_m=case.near.antenna_height_m + raise_m if "near" in ends else None,
        far_m=case.far.antenna_height_m + raise_m if "far" in ends else None,
    )


def _room_m(case: LinkCase, ends: Sequence[End]) -> float:
    """How far all these antennas may be raised."""
    return min(tallest_m(case.station(e)) - case.station(e).antenna_height_m for e in ends)


def _least(case: LinkCase, ends: Sequence[End], required: LinkRequirement) -> float | None:
    """Smallest raise with nothing short, to 0.05 m; the first found going up, as lobes come and go."""
    highest = _room_m(case, ends)
    if highest < 0.1:
        return None
    grid = np.linspace(0.0, highest, 31)
    for (low, high), worth in zip(pairwise(grid), _may_suffice(case, ends, grid[1:], required), strict=True):  # noqa: B007
        if worth and required.suffices(_raised(case, ends, float(high))):
            break
    else:
        return None
    while high - low > 0.05:
        middle = (low + high) / 2.0
        enough = required.suffices(_raised(case, ends, float(middle)))
        low, high = (low, middle) if enough else (middle, high)
    return float(high)


def _may_suffice(
    case: LinkCase, ends: Sequence[End], raises_m: Floats, required: LinkRequirement
) -> NDArray[np.bool_]:
    """Which raises are worth a closer look: a longer feeder, which takes decibels, is not counted yet."""
    near, far = (
        s.antenna_height_m + (raises_m if end in ends else 0.0 * raises_m)
        for end, s in zip(ENDS, (case.near, case.far), strict=True)
    )
    found = profile_losses(case.profile, case.situation, near, far)
    shared, r = path_items(case, found), required.requirement
    worth = np.ones(raises_m.shape, dtype=bool)
    for margin, rx in zip(case.margins_db(found), (case.far, case.near), strict=True):
        items = [*shared, *noise_items(case.noise(rx))]
        spread = together_db(items, "site"), together_db(items, "conditions"), fading_k_db(case, found)
        enough = np.asarray(r.site_share(margin + _NEARLY_DB, *spread)) >= r.confidence
        worth &= enough & (margin + _NEARLY_DB >= (r.stated_margin_db or 0.0))
    return worth


def clearance_heights(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
    """Least heights that free 60 % of the first Fresnel zone, in closed form."""
    if case.path.regime == "clear":
        return
    profile, s = case.profile, case.situation
    near_m, far_m = case.path.heights_m
    d, length_m = profile.distance_m[1:-1], profile.length_m
    ground = profile.ground_m
    needed_m = (
        ground[1:-1]
        + profile.clutter_m[1:-1]
        + fresnel.earth_bulge_m(d, length_m - d, s.k_factor)
        + CLEAR_RATIO * fresnel.fresnel_radius_m(d, length_m - d, s.frequency_hz)
    )
    start_m, end_m = ground[0] + near_m, ground[-1] + far_m
    lack_m = needed_m - (start_m + (end_m - start_m) * d / length_m)
    raises_m: dict[tuple[End, ...], float] = {
        ("near",): float((lack_m * length_m / (length_m - d)).max()),
        ("far",): float((lack_m * length_m / d).max()),
        ENDS: float(lack_m.max()),
    }
    reachable = [ends for ends, up_m in raises_m.items() if up_m <= _room_m(case, ends)]
    if not reachable:
        return
    ends = min(reachable, key=lambda ends: raises_m[ends] * len(ends))
    up_m = raises_m[ends]
    raised = case.raised(
        near_m=near_m + (up_m if "near" in ends else 0.0), far_m=far_m + (up_m if "far" in ends else 0.0)
    )
    changed = _in_decimetres(case, raised)
    step = _raised_step(case, changed, ends, clears_fresnel_zone=True)
    yield required.advice("fresnel_clearance", step, 3 if up_m <= _CLIMB_M else 4, changed)


def slowest_and_raised(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
    """The most robust signal with both antennas raised, where nothing suffices alone."""
    m = case.link.modulation
    if not isinstance(m, ChirpModulation) or m.spreading_factor == 12:
        return
    slowest = case.with_modulation(m.model_copy(update={"spreading_factor": 12}))
    if breaks_limits(case, slowest):
        return
    least_m = _least(slowest, ENDS, required)
    if least_m is not None:
        changed = _in_decimetres(case, _raised(slowest, ENDS, least_m))
        step = _raised_step(case, changed, ENDS, slowest_s=slowest.longest_time_on_air_s)
        yield required.advice("raise_antenna", step, 4, changed)

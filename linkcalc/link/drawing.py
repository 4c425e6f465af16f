"""The arrays that a picture of a path is drawn from."""

import math

import numpy as np

from linkcalc.link.case import LinkCase
from linkcalc.link.models import profile_losses, two_ray_over_heights_db
from linkcalc.link.result import Drawing
from linkcalc.propagation import fresnel
from linkcalc.units import SPEED_OF_LIGHT_M_S

LOWEST_M = 1.0
"""Lowest antenna looked at; Rec. ITU-R P.1812 is stated from here."""

MOST_M = 200.0
"""Taller is another trade."""

POINTS_PER_LOBE = 40
"""Of a picture over heights: fewer draw a saw-tooth that is not there."""

MOST_POINTS = 4000


def drawing_of(case: LinkCase, *, heights: bool) -> Drawing:
    """Return the arrays of a link's picture; without the margin over heights unless asked."""
    profile, s = case.profile, case.situation
    d = profile.distance_m
    back_m = d[-1] - d
    near_m, far_m = case.path.heights_m
    start, end = profile.ground_m[0] + near_m, profile.ground_m[-1] + far_m
    heights_m, margins_db, raw_db = _height_sweep(case) if heights else (np.empty(0),) * 3
    return Drawing(
        distance_m=d,
        ground_m=profile.ground_m,
        clutter_m=profile.clutter_m,
        clutter_kind=profile.clutter_kind,
        bulge_m=np.asarray(fresnel.earth_bulge_m(d, back_m, s.k_factor)),
        ray_m=start + (end - start) * d / d[-1],
        fresnel_radius_m=np.asarray(fresnel.fresnel_radius_m(d, back_m, s.frequency_hz)),
        clearance_ratio=case.path.clearance_ratio,
        antenna_height_m=(near_m, far_m),
        height_sweep_m=heights_m,
        margin_sweep_db=margins_db,
        margin_sweep_raw_db=raw_db,
    )


def _height_sweep(case: LinkCase) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Margin of the weaker direction over heights of the `to` antenna."""
    top_m = max(15.0, 2.0 * case.far.antenna_height_m)
    heights_m = np.unique(np.append(np.linspace(0.5, top_m, 80), case.far.antenna_height_m))
    found = profile_losses(case.profile, case.situation, case.near.antenna_height_m, heights_m)
    margins_db = np.minimum(*case.margins_db(found))
    reflection = case.path.reflection
    if reflection is None:
        return heights_m, margins_db, margins_db
    # the path differs by a wavelength from one null to the next: so many points show each as it is
    lobe_m = (
        SPEED_OF_LIGHT_M_S
        / case.frequency_hz
        * reflection.surface_distance_m
        / (2.0 * reflection.tx_height_m)
    )
    count = min(math.ceil(POINTS_PER_LOBE * top_m / lobe_m), MOST_POINTS)
    fine_m = np.unique(np.append(heights_m, np.linspace(heights_m[0], top_m, max(count, 2))))
    bare_db = found.free_space_db + found.ground_db
    margin_db, bare_db, seen = (
        np.interp(fine_m, heights_m, v) for v in (margins_db, bare_db, found.clearance_ratio)
    )
    raw_db = margin_db + bare_db - two_ray_over_heights_db(case.path, fine_m)
    # no lobes where the ray is blocked, or below the plane that reflects
    return fine_m, margin_db, np.where((seen > 0.0) & np.isfinite(raw_db), raw_db, margin_db)

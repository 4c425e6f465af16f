"""The loss between a station and many positions around it: `linkcalc.link.path_loss` by the thousand."""

import math
from collections.abc import Iterator
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import checked
from linkcalc.area import kernels
from linkcalc.area.land import Land
from linkcalc.errors import DomainError
from linkcalc.link.case import LinkCase, surroundings_of_many
from linkcalc.link.losses import Losses, path_losses
from linkcalc.link.path_loss import Found
from linkcalc.plan.stations import AROUND_KEYS
from linkcalc.propagation import compiled, p1812
from linkcalc.terrain.cutting import LOWEST_CLUTTER_M, SEA_SHORE_M
from linkcalc.terrain.land_cover import BUILT_UP_M, REACH_M, TREES_M

End = Literal["near", "far"]

_CLOSEST_M = 1.0
"""Nearer than this the two stations stand at the same place."""


def grid_of(land: Land, *, outward: bool) -> kernels.Grid:
    """The heights around a station as the compiled loops take them; `outward`: profiles begin there."""
    return kernels.Grid(
        land.cells, land.native, land.windows, land.maps, land.layers, land.tree_surface, outward,
        land.largest_hole_m, LOWEST_CLUTTER_M, REACH_M, SEA_SHORE_M if land.sea_without_data else -math.inf,
    )  # fmt: skip


def losses(
    land: Land,
    template: LinkCase,
    fixed: End,
    east_m: ArrayLike,
    north_m: ArrayLike,
    *,
    near_height_m: ArrayLike | None = None,
    far_height_m: ArrayLike | None = None,
    use_numba: bool | None = None,
) -> Losses:
    """Loss between the station of a land and positions around it, (n,), each over its own full profile; NaN where
    nodata lies at the position, or too long a hole on the way.

    `fixed` says which end of the link stands at the station. Heights are the template's unless given; its profile is
    not looked at. The rules are those of `linkcalc.link.path_loss`, the profiles those of
    `linkcalc.terrain.cutting.cut_profile`.
    """
    east, north = np.broadcast_arrays(checked("east_m", east_m), checked("north_m", north_m))
    east, north = east.ravel(), north.ravel()
    length = np.hypot(east, north)
    if (length > land.radius_m * (1.0 + 1e-9)).any():
        raise DomainError(f"a position lies beyond the {land.radius_m:g} m that were read")
    s = template.situation
    near, far = (
        np.broadcast_to(
            checked("antenna height", default if stated is None else stated, above=0.0), east.shape
        )
        for stated, default in (
            (near_height_m, template.near.antenna_height_m),
            (far_height_m, template.far.antenna_height_m),
        )
    )
    pairs = np.stack([near, far], axis=-1).astype(np.float64)
    facts = np.full((east.size, kernels.FACTS), np.nan)
    found = np.full((east.size, len(Found._fields)), np.nan)
    apart = np.flatnonzero(length >= _CLOSEST_M)
    steps = land.intervals(east, north)
    if apart.size:
        # copies, as an index array gives no view: what the loop writes is put back below
        some, rows = facts[apart], found[apart]
        grid = grid_of(land, outward=fixed == "near")
        places = np.stack([east / land.radius_m, north / land.radius_m, length], axis=-1)[apart]
        in_numpy = not (compiled.available() if use_numba is None else use_numba)
        run: Any = kernels.positions if in_numpy else kernels.compiled_positions()
        run(
            grid,
            places,
            steps[apart],
            pairs[apart],
            s.low_k_factor * p1812.EARTH_RADIUS_KM,
            s.radio,
            some,
            rows,
        )
        facts[apart], found[apart] = some, rows
    here, there = land.surroundings(0.0, 0.0), land.surroundings(east, north)
    stays, moves = (template.near, template.far) if fixed == "near" else (template.far, template.near)
    around = surroundings_of_many(stays, here, east.size), surroundings_of_many(moves, there, east.size)
    return path_losses(
        found,
        s,
        surrounding=around if fixed == "near" else around[::-1],
        length_m=length,
        near_ground_m=facts[:, kernels.NEAR_GROUND_M],
        far_ground_m=facts[:, kernels.FAR_GROUND_M],
        near_height_m=near,
        far_height_m=far,
        cell_m=land.cell_m(east, north),
        bridged_m=facts[:, kernels.BRIDGED_M],
    )


def surroundings_notes(land: Land, template: LinkCase) -> Iterator[str]:
    """What a reader should know of where surroundings come from, and what stands on the way."""
    stated = [bool({*AROUND_KEYS} & s.model_fields_set) for s in (template.near, template.far)]
    if land.around.known and not all(stated):
        yield (
            "what stands around an antenna is read from land cover and canopy, place by place, where the plan does not "
            "say; it never counts less than open country"
        )
    if (land.windows[:, kernels.LAYER] >= kernels.WOODS).any():
        yield (
            f"where land cover is all that is known of the way, trees count as {TREES_M:g} m and built-up land as "
            f"{BUILT_UP_M:g} m high (Rec. ITU-R P.1812, table 2)"
        )

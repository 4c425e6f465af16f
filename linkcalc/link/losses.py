"""The loss of many paths at once: the rules of `linkcalc.link.path_loss`, with what surrounds the antennas."""

import math
import warnings
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.link.findings import Regime
from linkcalc.link.path_loss import CLEAR_RATIO, Found, Radio, find
from linkcalc.link.surroundings import UNSURROUNDED, Surroundings, SurroundingsOfMany
from linkcalc.propagation import ground, p1812, vegetation
from linkcalc.propagation.loss_models import RULES
from linkcalc.terrain.cell_size import FEWEST_CELLS
from linkcalc.terrain.profile import Profile
from linkcalc.units import SPEED_OF_LIGHT_M_S

LEAST_CORRECTION = 0.4
"""What is left at least of P.2108's correction, however much the ground takes."""

GROUND_SHARED = 0.3
"""Of what the ground takes, so much comes off the correction: both hold the height gain of a low antenna. On 1700
receptions in hills the spread is then 9.7 dB, and the error within 4 dB of even from grazing to deeply blocked paths,
where it would differ by 14; an obstacle that grows still loses more, never less."""

PLANE_SHARED = 0.2
"""And so much more of what plane earth takes of it: level ground is what P.2108's open country stands on."""

SHARED = 0.25
"""Of trees and surroundings, what the lesser adds to the other. On 30 farm links trees mapped on the path added 4 dB
to what the surroundings take, where the rules for trees alone would say 20."""

SEA = 1
"""Zone of a profile (Rec. ITU-R P.1812)."""


@dataclass(frozen=True)
class Situation:
    """What the loss depends on besides the profile and the antennas' heights."""

    frequency_hz: float
    polarisation: Literal["vertical", "horizontal"]
    delta_n: float
    n0: float
    latitude_deg: float
    low_k_factor: float
    """Effective earth radius factor exceeded nearly all of the year."""
    ground: ground.GroundClass
    roughness_m: float | None
    leaf: Literal["in_leaf", "out_of_leaf"]
    wet_foliage: bool
    woodland_depth_m: float
    installation_db: float
    """Allowance of each end."""
    near: Surroundings = UNSURROUNDED
    far: Surroundings = UNSURROUNDED
    governing: str = RULES
    """The model that gives the number, see `linkcalc.propagation.loss_models`."""

    @property
    def k_factor(self) -> float:
        """Median effective earth radius factor."""
        return 157.0 / (157.0 - self.delta_n)

    @property
    def wet(self) -> "Situation":
        """The same in wet leaf, the worst of the year."""
        return replace(self, leaf="in_leaf", wet_foliage=True)

    @cached_property
    def radio(self) -> Radio:
        """What the rules of one path need of it."""
        f = self.frequency_hz
        leaves: list[float] = []
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutOfRangeWarning)  # said where trees are met, see `path_losses`
            for s in (self, self.wet):
                leaves += [
                    vegetation.specific_attenuation_db_m(f, leaf=s.leaf, polarisation=s.polarisation),
                    vegetation.maximum_loss_db(f, leaf=s.leaf),
                    vegetation.WET_LEAF_DB if s.wet_foliage and s.leaf == "in_leaf" else 0.0,
                ]
        return Radio(
            f / 1e9,
            SPEED_OF_LIGHT_M_S / f,
            self.k_factor * p1812.EARTH_RADIUS_KM,
            self.polarisation == "vertical",
            *leaves,
        )

    def stated_vegetation_db(self) -> float:
        """Loss of trees that are stated without a place: around an antenna."""
        if not self.woodland_depth_m:
            return 0.0
        return float(
            vegetation.woodland_loss_db(
                self.woodland_depth_m,
                self.frequency_hz,
                leaf=self.leaf,
                wet=self.wet_foliage,
                polarisation=self.polarisation,
            )
        )


@dataclass(frozen=True, eq=False)
class Losses:
    """What lies between the ends of paths; arrays (n,), NaN where there is no path."""

    length_m: Floats
    near_ground_m: Floats
    far_ground_m: Floats
    near_height_m: Floats
    far_height_m: Floats
    """Ground above sea level, antennas above ground."""
    clearance_ratio: Floats
    """Least clearance over ground and clutter, in first Fresnel zone radii; below 0 where the ray is blocked."""
    worst: Floats
    free_space_db: Floats
    ground_db: Floats
    trees_db: Floats
    near_surroundings_db: Floats
    far_surroundings_db: Floats
    installation_db: Floats
    vegetation_db: Floats
    vegetation_wet_db: Floats
    """Trees by themselves, before what they share with the surroundings; and in wet leaf."""
    vegetation_share: Floats
    """Of vegetation and surroundings together, 0 to 1."""
    depth_m: Floats
    through_trees: NDArray[np.bool_]
    hill_db: Floats
    floor_db: Floats
    """What of `ground_db` a round hill top and the plane earth add."""
    low_k_db: Floats
    low_end: Floats
    """How much the antennas stand among their surroundings, 0 to 1: the lower the more."""
    surroundings_assumed: Floats
    """The same for surroundings that are not stated."""
    cell_m: Floats
    """Spacing of the heights that the profile was cut from; NaN where unknown."""
    bridged_m: Floats
    rules_less_db: Floats
    """How much less the rules lose than a model that the plan chose; 0 where they govern."""

    @property
    def loss_db(self) -> Floats:
        """Median basic transmission loss."""
        own: Floats = self.free_space_db + self.ground_db + self.trees_db + self.installation_db
        return own + self.near_surroundings_db + self.far_surroundings_db

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where there is a path."""
        return np.isfinite(self.free_space_db)

    @property
    def trees_govern(self) -> NDArray[np.bool_]:
        """Where the trees take more than what surrounds the antennas, which then counts by `SHARED`."""
        return np.asarray((self.vegetation_db > 0.0) & (self.trees_db >= self.vegetation_db))

    @property
    def felled_db(self) -> Floats:
        """What a path without its trees would lose less."""
        around = self.near_surroundings_db + self.far_surroundings_db
        # without trees the surroundings count in full again, of which only `SHARED` was counted
        return np.where(self.trees_govern, self.trees_db - around * (1.0 / SHARED - 1.0), self.trees_db)

    @property
    def ground_unknown(self) -> NDArray[np.bool_]:
        """Where a path spans so few cells of its raster that hardly anything is known between its ends."""
        return np.asarray(self.length_m < FEWEST_CELLS * np.nan_to_num(self.cell_m))

    @property
    def blocked(self) -> Floats:
        """From 0 (60 % of the first Fresnel zone free) by 0.5 (the ray touches) to 1 (as far behind it)."""
        return np.clip((CLEAR_RATIO - self.clearance_ratio) / (2.0 * CLEAR_RATIO), 0.0, 1.0)

    @property
    def regime(self) -> NDArray[np.int8]:
        """Index into `REGIMES`, -1 without path."""
        kind = np.where(self.clearance_ratio >= CLEAR_RATIO, 2, np.where(self.clearance_ratio >= 0.0, 1, 0))
        return np.where(self.known, kind, -1).astype(np.int8)

    @property
    def model(self) -> NDArray[np.int8]:
        """Index into `MODELS`, -1 without path."""
        kind = np.where(self.floor_db > 0.0, 1, np.where(self.hill_db > 0.0, 2, 0))
        return np.where(self.known, kind, -1).astype(np.int8)

    def at(self, index: Any) -> "Losses":
        """Some of the paths."""
        return Losses(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


REGIMES: tuple[Regime, ...] = ("obstructed", "grazing", "clear")
MODELS = ("delta_bullington", "plane_earth", "rounded_obstacle")

_AMONG_DB = 12.0
"""Correction of an end from which it counts wholly as standing among its surroundings."""


def path_losses(
    found: Floats,
    situation: Situation,
    *,
    length_m: ArrayLike,
    near_ground_m: ArrayLike,
    far_ground_m: ArrayLike,
    near_height_m: ArrayLike,
    far_height_m: ArrayLike,
    cell_m: ArrayLike = math.nan,
    bridged_m: ArrayLike = 0.0,
    surrounding: tuple[SurroundingsOfMany, SurroundingsOfMany] | None = None,
) -> Losses:
    """Rules 4 and 5 for many paths at once, from rows of `find`, (n, fields of `Found`), NaN where there is no path.

    `surrounding`: of the near and the far ends, where it differs from path to path; by default the situation's.
    """
    f: Any = Found(*np.asarray(found, dtype=np.float64).T)
    shape = np.shape(f.free_space_db)
    near_m, far_m = (
        np.broadcast_to(np.asarray(h, dtype=np.float64), shape) for h in (near_height_m, far_height_m)
    )
    # over ground that may slope as the ray does: only the heights above ground count
    rise = np.nan_to_num((far_m - near_m) / np.maximum(length_m, 1.0))
    ends: tuple[Any, Any] = surrounding or (situation.near, situation.far)
    near_db = ends[0].loss_db(situation.frequency_hz, near_m, rise)
    far_db = ends[1].loss_db(situation.frequency_hz, far_m, -rise)
    stated_db, stated_wet_db = situation.stated_vegetation_db(), situation.wet.stated_vegetation_db()
    trees_db, trees_wet_db = f.trees_db + stated_db, f.trees_wet_db + stated_wet_db
    among_db = near_db + far_db
    # what the ground takes from a low antenna is in part what the correction takes
    given_back = np.minimum(
        (1.0 - LEAST_CORRECTION) * among_db, GROUND_SHARED * f.ground_db + PLANE_SHARED * f.plane_db
    )
    # high antennas have no correction: 0 over 0 would be NaN, which means no path
    counted = 1.0 - given_back / np.maximum(among_db, 1e-9)
    around = [counted * db for db in (near_db, far_db)]
    around_db = around[0] + around[1]
    # what of it is more than each end's allowance, so that a clear site is never the worse for being one
    allowed = situation.installation_db
    more = [np.maximum(db - allowed, 0.0) for db in around]
    wooded = trees_db > more[0] + more[1]
    near_around, far_around = (np.where(wooded, SHARED * m, db) for m, db in zip(more, around, strict=True))
    installation = sum(np.where(wooded, allowed, np.maximum(allowed - db, 0.0)) for db in around)
    among = [np.clip(db / _AMONG_DB, 0.0, 1.0) for db in (near_db, far_db)]
    assumed = [np.where(end.stated, 0.0, share) for share, end in zip(among, ends, strict=True)]
    if (trees_db > 0.0).any() or stated_db:
        _warn_outside_range(situation)

    def each(value: ArrayLike) -> Floats:
        return np.broadcast_to(np.asarray(value, dtype=np.float64), shape)

    return Losses(
        length_m=each(length_m),
        near_ground_m=each(near_ground_m),
        far_ground_m=each(far_ground_m),
        near_height_m=near_m,
        far_height_m=far_m,
        clearance_ratio=f.clearance_ratio,
        worst=f.worst,
        free_space_db=f.free_space_db,
        ground_db=f.ground_db,
        trees_db=np.where(wooded, 1.0, SHARED) * trees_db,
        near_surroundings_db=near_around,
        far_surroundings_db=far_around,
        installation_db=each(installation),
        vegetation_db=trees_db,
        vegetation_wet_db=trees_wet_db,
        vegetation_share=trees_db / np.maximum(trees_db + around_db, 1e-9),
        depth_m=f.depth_m + situation.woodland_depth_m,
        through_trees=(f.through > 0.0) | (stated_db > 0.0),
        hill_db=f.hill_db,
        floor_db=f.floor_db,
        low_k_db=f.low_k_db,
        low_end=each(np.maximum(*among)),
        surroundings_assumed=each(np.maximum(*assumed)),
        cell_m=each(cell_m),
        bridged_m=each(bridged_m),
        rules_less_db=each(0.0),
    )


def _warn_outside_range(situation: Situation) -> None:
    """Say once, and not once a path, that a frequency is outside what is stated for trees."""
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", OutOfRangeWarning)
        vegetation.maximum_loss_db(situation.frequency_hz)
        vegetation.specific_attenuation_db_m(situation.frequency_hz)
    for line in said:
        warnings.warn(str(line.message), OutOfRangeWarning, stacklevel=3)


def losses_by_rules(profile: Profile, situation: Situation, near_m: ArrayLike, far_m: ArrayLike) -> Losses:
    """The rules for one profile and pairs of antenna heights above ground, (n,); one pair: an array of one.

    `DomainError` if the profile has fewer than 3 points.
    """
    near, far = np.broadcast_arrays(np.atleast_1d(near_m), np.atleast_1d(far_m))
    arguments = profile_arguments(profile, situation, near, far)
    rows = np.array([find(*arguments.ground, *pair, *arguments.rest) for pair in arguments.pairs.tolist()])
    return path_losses(rows.reshape(-1, len(Found._fields)), situation, **profile_facts(profile, near, far))


class ProfileArguments(NamedTuple):
    """Arguments of `find` for one profile."""

    ground: tuple[Any, ...]
    pairs: Floats
    """(n, 2): antenna heights."""
    rest: tuple[Any, ...]


def profile_arguments(
    profile: Profile, situation: Situation, near_m: Floats, far_m: Floats
) -> ProfileArguments:
    """What `find` asks for, for pairs of heights over one profile."""
    if len(profile.distance_m) < 3:
        raise DomainError("a path loss needs a profile of 3 points or more")
    trees = np.array([kind == "trees" for kind in profile.clutter_kind], dtype=np.uint8)
    pairs = np.stack([near_m, far_m], axis=-1).astype(np.float64)
    low_km = situation.low_k_factor * p1812.EARTH_RADIUS_KM
    return ProfileArguments(
        (profile.distance_m, profile.ground_m, profile.clutter_m, trees),
        pairs,
        (sea_share(profile), low_km, situation.radio),
    )


def profile_facts(profile: Profile, near_m: Floats, far_m: Floats) -> dict[str, Any]:
    """What `path_losses` asks for besides, for pairs of heights over one profile."""
    return {
        "length_m": profile.length_m,
        "near_ground_m": profile.ground_m[0],
        "far_ground_m": profile.ground_m[-1],
        "near_height_m": near_m,
        "far_height_m": far_m,
        "cell_m": profile.cell_m,
        "bridged_m": profile.bridged_m,
    }


def sea_share(profile: Profile) -> float:
    # zones change half way between points
    at_sea = (profile.zone == SEA).astype(float)
    share = float(np.diff(profile.distance_m) @ (at_sea[1:] + at_sea[:-1]) / 2.0 / profile.length_m)
    # the sum may round to a hair over 1
    return min(share, 1.0)

"""Which model gives the loss of a path, and what the others say.

The rules, in order:

1. Ray blocked (clearance below 0 at the median k): Rec. ITU-R P.1812; under 0.25 km, where that is not
   defined, free space with delta-Bullington diffraction (Rec. ITU-R P.526). Under 20 km the latter also where
   it loses more: what P.1812 then credits to tropospheric scatter or ducting is not counted on.
2. Ray clear or grazing, and the profile itself mirrors the ray (a smooth surface at the specular point,
   both legs free, no trees on it): two-ray over that surface. Its peaks above free space are not credited.
   Diffraction over the same smooth ground is not added: the reflection already holds it. Where something
   else reaches further into the first Fresnel zone of a grazing ray, 1 governs instead if it loses more.
3. Otherwise as 1.

Where trees reach into 60 % of the first Fresnel zone, the way over them (rules above, trees opaque) and the
way through them (rules above without the trees, plus Rec. ITU-R P.833) are both computed; the lesser loss
governs. A wood that an antenna stands in, or right before, loses as a terminal in woodland does; any other is
a belt. A wood around both antennas is entered twice.
"""

import warnings
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation import diffraction, fresnel, ground, irregular, p1812, two_ray, vegetation
from linkcalc.propagation.free_space import free_space_loss_db
from linkcalc.propagation.two_ray import Reflection
from linkcalc.result import MODEL_NAMES, Regime
from linkcalc.terrain.profile import Profile

P1812_SHORTEST_M = 250.0
"""Rec. ITU-R P.1812 is stated for 0.25 km and more."""

SCATTER_SHORTEST_M = 20_000.0
"""On shorter paths no scatter or ducting is counted on. About the length from which P.1812 lets ducting in;
its scatter has no least length, and would reach low antennas past every tree of a wood."""

SCATTER_DB = 1.0
"""Less than this between P.1812 and diffraction alone is not worth another model's name."""

IRREGULAR_SHORTEST_M = 1000.0
"""The irregular terrain model is stated for 1 km and more."""

CLEAR_RATIO = 0.6
"""60 % of the first Fresnel zone: common practice for a path that behaves like free space."""

AROUND_M = 10.0
"""Trees that begin this close to an antenna stand around it."""

_SEA = 1
"""Zone of a profile (Rec. ITU-R P.1812)."""

MIRROR_RATIO = 0.1
"""What rises above the mirroring ground by this much of the first Fresnel zone radius is no part of it: a
knife edge there loses about 1 dB more."""


@dataclass(frozen=True)
class Situation:
    """What the loss depends on besides the heights along the path."""

    frequency_hz: float
    tx_height_m: float
    rx_height_m: float
    polarisation: Literal["vertical", "horizontal"]
    delta_n: float
    n0: float
    latitude_deg: float
    ground: ground.GroundClass
    roughness_m: float | None
    leaf: Literal["in_leaf", "out_of_leaf"]
    wet_foliage: bool
    woodland_depth_m: float

    @property
    def k_factor(self) -> float:
        """Median effective earth radius factor."""
        return 157.0 / (157.0 - self.delta_n)


@dataclass(frozen=True)
class Wood:
    """A stretch of trees on the path."""

    depth_m: float
    around_antenna: bool


@dataclass(frozen=True)
class PathLoss:
    """The loss that a verdict uses, with the reason for it."""

    loss_db: float
    """Median basic transmission loss, vegetation included, two-ray peaks not credited."""
    raw_loss_db: float
    """The same with two-ray peaks."""
    vegetation_loss_db: float
    vegetation_depth_m: float
    woods: tuple["Wood", ...]
    """The stretches of trees that make up the vegetation loss."""
    model: str
    model_reason: str
    regime: Regime
    regime_reason: str
    clearance_ratio: Floats
    """Clearance over everything that stands on the path, in first Fresnel zone radii, median k."""
    worst: int
    """Index of the least clearance."""
    opaque_m: Floats
    """Clutter that the governing model treats as opaque."""
    reflection: Reflection | None


def clearance(profile: Profile, situation: Situation, clutter_m: Floats, k_factor: float) -> Floats:
    """Clearance of the ray over ground and clutter at every point, in first Fresnel zone radii."""
    return fresnel.clearance_ratio(
        profile.distance_m,
        profile.ground_m + clutter_m,
        profile.ground_m[0] + situation.tx_height_m,
        profile.ground_m[-1] + situation.rx_height_m,
        situation.frequency_hz,
        k_factor,
    )


@lru_cache(maxsize=512)  # some for each link: a path of 10 000 points holds 80 kB in each
def governing_loss(profile: Profile, situation: Situation) -> PathLoss:
    """Median loss of a path by the model that the rules of this module choose.

    Parameters
    ----------
    profile : Profile
    situation : Situation

    Returns
    -------
    PathLoss

    Raises
    ------
    DomainError
        If the profile has fewer than 3 points, or a model is not defined for the situation.
    """
    # stated by the planner, with no height to go over
    stated = (Wood(situation.woodland_depth_m, True),) if situation.woodland_depth_m else ()
    over = _behind_trees(_by_rules(profile, situation, profile.clutter_m), situation, stated)
    trees = np.array([kind == "trees" for kind in profile.clutter_kind])
    woods = _woods(profile, situation, trees)
    if not woods:
        return over
    bare = _by_rules(profile, situation, np.where(trees, 0.0, profile.clutter_m))
    through = _behind_trees(bare, situation, (*woods, *stated))
    depth_m = sum(wood.depth_m for wood in woods)
    if through.loss_db > over.loss_db:
        way = f"over the trees loses less than {depth_m:.0f} m through them"
        return replace(over, model_reason=f"{over.model_reason}; {way}")
    way = f"through {depth_m:.0f} m of trees (P.833) loses less than over them"
    return replace(
        through,
        clearance_ratio=over.clearance_ratio,
        worst=over.worst,
        regime=over.regime,
        regime_reason=over.regime_reason,
        model_reason=f"{bare.model_reason}; {way}",
    )


def _behind_trees(path: PathLoss, situation: Situation, woods: tuple[Wood, ...]) -> PathLoss:
    """The path with stretches of trees in it."""
    if not woods:
        return path
    loss_db = woods_loss_db(situation, woods)
    depth_m = sum(wood.depth_m for wood in woods)
    return replace(
        path,
        loss_db=path.loss_db + loss_db,
        raw_loss_db=path.raw_loss_db + loss_db,
        vegetation_loss_db=loss_db,
        vegetation_depth_m=depth_m,
        woods=woods,
        model_reason=f"{path.model_reason}; {depth_m:.0f} m of trees in the path (P.833)",
    )


def woods_loss_db(situation: Situation, woods: Iterable[Wood]) -> float:
    """Loss of stretches of trees under the situation's foliage (Rec. ITU-R P.833)."""
    return float(
        sum(
            (vegetation.woodland_loss_db if wood.around_antenna else vegetation.belt_loss_db)(
                wood.depth_m,
                situation.frequency_hz,
                leaf=situation.leaf,
                wet=situation.wet_foliage,
                polarisation=situation.polarisation,
            )
            for wood in woods
        )
    )


def slant_free_space_loss_db(profile: Profile, situation: Situation) -> float:
    """Free-space loss from antenna to antenna, which stand at different heights."""
    rise_m = profile.ground_m[-1] + situation.rx_height_m - profile.ground_m[0] - situation.tx_height_m
    return float(free_space_loss_db(np.hypot(profile.length_m, rise_m), situation.frequency_hz))


def every_model(profile: Profile, situation: Situation, governing: PathLoss) -> dict[str, float]:
    """Basic transmission loss by every model that is defined for the path, dB.

    All over the same ground and the same opaque clutter as the governing model, with the same vegetation
    loss; two-ray only where the profile mirrors the ray.
    """
    free_space_db = slant_free_space_loss_db(profile, situation)
    added_db = free_space_db + governing.vegetation_loss_db
    terrain: dict[str, Any] = {
        "tx_height_m": situation.tx_height_m,
        "rx_height_m": situation.rx_height_m,
        "frequency_hz": situation.frequency_hz,
        "clutter_m": governing.opaque_m,
        "k_factor": situation.k_factor,
    }
    d, h = profile.distance_m, profile.ground_m
    ground_kind: dict[str, Any] = {
        "polarisation": situation.polarisation,
        "sea_share": _sea_share(profile),
    }
    losses = {
        "free_space": free_space_db,
        "spherical_earth": added_db + diffraction.spherical_earth_loss_db(d, h, **terrain, **ground_kind),
        "bullington": added_db + diffraction.bullington_loss_db(d, h, **terrain),
        "cascaded_knife_edges": added_db + diffraction.cascaded_knife_edge_loss_db(d, h, **terrain),
        "delta_bullington": added_db + diffraction.delta_bullington_loss_db(d, h, **terrain, **ground_kind),
    }
    if governing.reflection is not None and governing.reflection.within_grazing_limit:
        losses["two_ray"] = (
            _two_ray_db(governing.reflection, profile, situation) + governing.vegetation_loss_db
        )
    if profile.length_m >= P1812_SHORTEST_M:
        losses["p1812"] = p1812_loss_db(profile, situation, governing.opaque_m) + governing.vegetation_loss_db
    if profile.length_m >= IRREGULAR_SHORTEST_M and min(situation.tx_height_m, situation.rx_height_m) >= 0.5:
        second_db = _irregular_terrain_db(profile, situation, governing.opaque_m)
        if second_db is not None:
            losses["irregular_terrain"] = second_db + governing.vegetation_loss_db
    return {name: float(losses[name]) for name in MODEL_NAMES if name in losses}


def spread_db(models: dict[str, float], regime: Regime) -> float:
    """Largest minus smallest loss of the models that apply to this kind of path.

    Free space applies to a clear path only. Constructions of knife edges apply where something stands in the
    ray, unless that is the smooth earth itself.
    """
    edges = {"bullington", "cascaded_knife_edges"}
    bulge = models["spherical_earth"] > models["bullington"]
    unfit = {
        "clear": edges,
        "grazing": {*edges, "free_space"},
        "obstructed": {"free_space", *(edges if bulge else {"spherical_earth"})},
    }[regime]
    losses = [loss for name, loss in models.items() if name not in unfit]
    return max(losses) - min(losses)


def p1812_loss_db(
    profile: Profile, situation: Situation, clutter_m: Floats, time_percent: float = 50.0
) -> float:
    """Basic transmission loss of Rec. ITU-R P.1812 at half of the locations."""
    return float(
        p1812.basic_transmission_loss_db(
            profile.distance_m,
            profile.ground_m,
            tx_height_m=situation.tx_height_m,
            rx_height_m=situation.rx_height_m,
            frequency_hz=situation.frequency_hz,
            clutter_m=clutter_m,
            zone=profile.zone,
            polarisation=situation.polarisation,
            time_percent=time_percent,
            delta_n=situation.delta_n,
            n0=situation.n0,
            latitude_deg=situation.latitude_deg,
        )
    )


def _irregular_terrain_db(profile: Profile, situation: Situation, clutter_m: Floats) -> float | None:
    """The second opinion; None where it is not defined (very steep horizons)."""
    constants = ground.ground_constants(situation.ground, situation.frequency_hz)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        try:
            return float(
                irregular.point_to_point_loss_db(
                    profile.distance_m,
                    profile.ground_m + clutter_m,
                    tx_height_m=situation.tx_height_m,
                    rx_height_m=situation.rx_height_m,
                    frequency_hz=situation.frequency_hz,
                    polarisation=situation.polarisation,
                    relative_permittivity=float(constants.relative_permittivity),
                    conductivity_s_m=float(constants.conductivity_s_m),
                    n0=situation.n0,
                )
            )
        except DomainError:
            return None


def _by_rules(profile: Profile, situation: Situation, clutter_m: Floats) -> PathLoss:
    ratio = clearance(profile, situation, clutter_m, situation.k_factor)
    worst = int(np.argmin(ratio))
    regime, regime_reason = _regime(float(ratio[worst]))
    reflection, reason = None, "the ray is blocked"
    if regime != "obstructed":
        reflection, reason = two_ray.find_reflection(
            profile.distance_m,
            profile.ground_m,
            clutter_m,
            profile.ground_m[0] + situation.tx_height_m,
            profile.ground_m[-1] + situation.rx_height_m,
            k_factor=situation.k_factor,
            frequency_hz=situation.frequency_hz,
        )
    against = None if reflection is None else _against_two_ray(situation, reflection)
    if reflection is not None and against is None:
        model = "two_ray"
        raw_db = _two_ray_db(reflection, profile, situation)
        loss_db = max(raw_db, slant_free_space_loss_db(profile, situation))
        if regime == "grazing" and _rises_above(reflection, profile, situation, clutter_m, worst):
            standard_db, standard, because = _standard_loss_db(profile, situation, clutter_m)
            if standard_db > loss_db:
                loss_db = raw_db = standard_db
                model, reason = standard, _SOMETHING_ELSE + because
    else:
        loss_db, model, because = _standard_loss_db(profile, situation, clutter_m)
        raw_db, reason = loss_db, (against or reason) + because
    return PathLoss(
        loss_db=loss_db,
        raw_loss_db=raw_db,
        vegetation_loss_db=0.0,
        vegetation_depth_m=0.0,
        woods=(),
        model=model,
        model_reason=reason,
        regime=regime,
        regime_reason=regime_reason,
        clearance_ratio=ratio,
        worst=worst,
        opaque_m=clutter_m,
        reflection=reflection,
    )


def _regime(worst_ratio: float) -> tuple[Regime, str]:
    if worst_ratio >= CLEAR_RATIO:
        return "clear", "60 % of the first Fresnel zone is free"
    if worst_ratio >= 0.0:
        return "grazing", "the ray is free, but less than 60 % of the first Fresnel zone"
    return "obstructed", "something stands in the ray"


_SOMETHING_ELSE = "something other than the mirroring ground reaches furthest into the first Fresnel zone"


def _against_two_ray(situation: Situation, mirror: Reflection) -> str | None:
    """Why the reflection does not govern the path, if so."""
    rayleigh_m = float(two_ray.rayleigh_height_m(mirror.grazing_angle_rad, situation.frequency_hz))
    roughness_m = mirror.roughness_m if situation.roughness_m is None else situation.roughness_m
    if roughness_m >= rayleigh_m:
        return f"the ground that could mirror the ray is rough ({roughness_m:.1f} m rms)"
    if mirror.clutter_covers:
        return "trees or buildings cover the ground that could mirror the ray"
    if not mirror.within_grazing_limit:
        return "the ray grazes the curved earth too flatly for two-ray"
    return None


def _rises_above(
    mirror: Reflection, profile: Profile, situation: Situation, clutter_m: Floats, at: int
) -> bool:
    """Whether what stands at a point is more than a roughness of the mirroring ground."""
    x = profile.distance_m[at]
    line_m = mirror.surface_height_amsl_m + mirror.slope * (x - mirror.distance_m)
    radius_m = float(fresnel.fresnel_radius_m(x, profile.length_m - x, situation.frequency_hz))
    return bool(profile.ground_m[at] + clutter_m[at] - line_m > MIRROR_RATIO * radius_m)


def _two_ray_db(mirror: Reflection, profile: Profile, situation: Situation) -> float:
    away_m = np.abs(profile.distance_m - mirror.distance_m)
    # half way between two points both count, so that the path is the same from either end
    at_sea = (profile.zone[away_m <= away_m.min() + 1e-6 * profile.length_m] == _SEA).all()
    constants = ground.ground_constants("sea_water" if at_sea else situation.ground, situation.frequency_hz)
    return float(
        two_ray.two_ray_loss_db(
            mirror.surface_distance_m,
            mirror.tx_height_m,
            mirror.rx_height_m,
            situation.frequency_hz,
            relative_permittivity=constants.relative_permittivity,
            conductivity_s_m=constants.conductivity_s_m,
            polarisation=situation.polarisation,
            k_factor=situation.k_factor,
            roughness_m=mirror.roughness_m if situation.roughness_m is None else situation.roughness_m,
            surface_wave=True,
        )
    )


def _standard_loss_db(profile: Profile, situation: Situation, clutter_m: Floats) -> tuple[float, str, str]:
    """Loss without a reflection, its model, and why not P.1812, if so."""
    if profile.length_m >= SCATTER_SHORTEST_M:
        return p1812_loss_db(profile, situation, clutter_m), "p1812", ""
    diffraction_db = slant_free_space_loss_db(profile, situation) + float(
        diffraction.delta_bullington_loss_db(
            profile.distance_m,
            profile.ground_m,
            tx_height_m=situation.tx_height_m,
            rx_height_m=situation.rx_height_m,
            frequency_hz=situation.frequency_hz,
            clutter_m=clutter_m,
            k_factor=situation.k_factor,
            polarisation=situation.polarisation,
            sea_share=_sea_share(profile),
        )
    )
    if profile.length_m < P1812_SHORTEST_M:
        return diffraction_db, "delta_bullington", ""
    loss_db = p1812_loss_db(profile, situation, clutter_m)
    if diffraction_db > loss_db + SCATTER_DB:
        return diffraction_db, "delta_bullington", "; scatter or ducting is not counted on"
    return loss_db, "p1812", ""


def _sea_share(profile: Profile) -> float:
    at_sea = (profile.zone == _SEA).astype(float)
    return float(np.diff(profile.distance_m) @ (at_sea[1:] + at_sea[:-1]) / 2.0 / profile.length_m)


def _woods(profile: Profile, situation: Situation, trees: np.ndarray) -> tuple[Wood, ...]:
    """Stretches of the path on which trees reach into 60 % of the first Fresnel zone.

    Trees that reach into it without reaching the ray lose no more than if they did.
    """
    if not trees.any():
        return ()
    d = profile.distance_m
    start = profile.ground_m[0] + situation.tx_height_m
    end = profile.ground_m[-1] + situation.rx_height_m
    radius_m = fresnel.fresnel_radius_m(d, d[-1] - d, situation.frequency_hz)
    free_m = start + (end - start) * d / d[-1] - CLEAR_RATIO * radius_m
    top = profile.ground_m + profile.clutter_m + fresnel.earth_bulge_m(d, d[-1] - d, situation.k_factor)
    turns = np.flatnonzero(np.diff((trees & (free_m < top)).astype(np.int8))) + 1
    share_m = np.gradient(d)  # the stretch each point stands for
    woods = []
    for first, after in zip(turns[::2], turns[1::2], strict=True):
        depth_m = float(share_m[first:after].sum())
        near = first == 1 or d[first] <= AROUND_M
        far = after == len(d) - 1 or d[-1] - d[after - 1] <= AROUND_M
        if near and far:
            woods += [Wood(depth_m / 2.0, True)] * 2
        else:
            woods.append(Wood(depth_m, bool(near or far)))
    return tuple(woods)

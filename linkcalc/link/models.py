"""One path with the reason for its loss, what every other model says of it, and a model that the plan chose."""

import warnings
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.link.findings import ModelReason, Regime
from linkcalc.link.losses import MODELS, REGIMES, SEA, Losses, Situation, losses_by_rules, sea_share
from linkcalc.link.path_loss import plane_earth
from linkcalc.link.result import MODEL_NAMES
from linkcalc.link.surroundings import UNSURROUNDED
from linkcalc.plan import Conditions
from linkcalc.propagation import diffraction, fresnel, ground, irregular, p1812, two_ray
from linkcalc.propagation.loss_models import RULES, own_models
from linkcalc.propagation.two_ray import Reflection
from linkcalc.terrain.profile import Profile

P1812_SHORTEST_M = 250.0
"""Rec. ITU-R P.1812 is stated for 0.25 km and more."""

IRREGULAR_SHORTEST_M = 1000.0
"""The irregular terrain model is stated for 1 km and more."""


@dataclass(frozen=True, eq=False)
class PathLoss:
    """One path's loss with the reason for it."""

    profile: Profile
    situation: Situation
    losses: Losses
    """Of one path."""

    def _one(self, name: str) -> Any:
        return getattr(self.losses, name)[0].item()

    @property
    def loss_db(self) -> float:
        return float(self.losses.loss_db[0])

    @property
    def trees_db(self) -> float:
        return float(self._one("trees_db"))

    @property
    def depth_m(self) -> float:
        return float(self._one("depth_m"))

    @property
    def model(self) -> str:
        """What governs the ground's part."""
        if self.situation.governing != RULES:
            return self.situation.governing
        return MODELS[int(self._one("model"))]

    @property
    def regime(self) -> Regime:
        """How free the ray is."""
        return REGIMES[int(self._one("regime"))]

    @property
    def worst(self) -> int:
        return int(self._one("worst"))

    @property
    def heights_m(self) -> tuple[float, float]:
        return self._one("near_height_m"), self._one("far_height_m")

    @cached_property
    def clearance_ratio(self) -> Floats:
        """Clearance over everything that stands on the path, in first Fresnel zone radii, median k."""
        return clearance(self.profile, self.situation, *self.heights_m, self.situation.k_factor)

    @property
    def reason(self) -> ModelReason:
        """Why this model governs."""
        if self.situation.governing != RULES:
            return ModelReason(self.model, rules_less_db=float(self._one("rules_less_db")))
        if not self.trees_db:
            return ModelReason(self.model)
        return ModelReason(
            self.model, None, "through" if self._one("through_trees") else "over", self.depth_m
        )

    @cached_property
    def reflection(self) -> Reflection | None:
        """Where the ground may reflect the ray, if it does: a warning, and no part of the loss."""
        if self.regime == "obstructed":
            return None
        found, _ = two_ray.find_reflection(
            self.profile.distance_m,
            self.profile.ground_m,
            self.profile.clutter_m,
            self.profile.ground_m[0] + self.heights_m[0],
            self.profile.ground_m[-1] + self.heights_m[1],
            k_factor=self.situation.k_factor,
            frequency_hz=self.situation.frequency_hz,
        )
        if found is None or found.clutter_covers or not found.within_grazing_limit:
            return None
        rough_m = found.roughness_m if self.situation.roughness_m is None else self.situation.roughness_m
        rayleigh_m = float(two_ray.rayleigh_height_m(found.grazing_angle_rad, self.situation.frequency_hz))
        return found if rough_m < rayleigh_m else None


def clearance(profile: Profile, situation: Situation, near_m: float, far_m: float, k_factor: float) -> Floats:
    """Clearance of the ray over ground and clutter at every point, in first Fresnel zone radii."""
    return np.asarray(
        fresnel.clearance_ratio(
            profile.distance_m,
            profile.ground_m + profile.clutter_m,
            profile.ground_m[0] + near_m,
            profile.ground_m[-1] + far_m,
            situation.frequency_hz,
            k_factor,
        )
    )


def every_model(path: PathLoss) -> dict[str, float]:
    """Basic transmission loss by every model that is defined for the path, dB.

    All over the same ground, between the antennas themselves, with mapped trees opaque: what surrounds the antennas
    is in none of them. One's own come last.
    """
    losses_db: dict[str, float] = {}
    for name, loss_db in model_functions(path).items():
        with warnings.catch_warnings(), suppress(DomainError, OutOfRangeWarning):
            if name == "irregular_terrain":  # a second opinion, omitted where it warns
                warnings.simplefilter("error", OutOfRangeWarning)
            losses_db[name] = loss_db()
    return {name: float(losses_db[name]) for name in MODEL_NAMES if name in losses_db}


def model_functions(path: PathLoss) -> dict[str, Callable[[], float]]:
    """The models by name, each to be called; `DomainError` where it is not defined for the path."""
    profile, s = path.profile, path.situation
    near_m, far_m = path.heights_m
    free_space_db = float(path.losses.free_space_db[0])
    d, h = profile.distance_m, profile.ground_m
    terrain: dict[str, Any] = {
        "tx_height_m": near_m,
        "rx_height_m": far_m,
        "frequency_hz": s.frequency_hz,
        "clutter_m": profile.clutter_m,
        "k_factor": s.k_factor,
    }
    ground_kind: dict[str, Any] = {"polarisation": s.polarisation, "sea_share": sea_share(profile)}

    def over_free_space(excess: Callable[..., Any], **more: Any) -> Callable[[], float]:
        return lambda: free_space_db + float(excess(d, h, **terrain, **more))

    def rounded_db() -> float:
        # the hill of the path counts the trees that stand on it; bare ground may have a larger one
        bare = losses_by_rules(replace(profile, clutter_kind=("",) * len(d)), _alone(s), near_m, far_m)
        hill_db = max(bare.hill_db[0], path.losses.hill_db[0])
        if hill_db <= 0.0:
            raise DomainError("no single smooth hill is in the way")
        # the rules add half of the gap between both models; this model loses all of it
        return functions["delta_bullington"]() + 2.0 * float(hill_db)

    functions: dict[str, Callable[[], float]] = {
        "free_space": lambda: free_space_db,
        "plane_earth": lambda: free_space_db + _plane_earth_db(profile, near_m, far_m, free_space_db),
        "spherical_earth": over_free_space(diffraction.spherical_earth_loss_db, **ground_kind),
        "bullington": over_free_space(diffraction.bullington_loss_db),
        "cascaded_knife_edges": over_free_space(diffraction.cascaded_knife_edge_loss_db),
        "delta_bullington": over_free_space(diffraction.delta_bullington_loss_db, **ground_kind),
        "rounded_obstacle": rounded_db,
        "p1812": lambda: p1812_loss_db(path),
        "irregular_terrain": lambda: irregular_terrain_db(path),
    }
    if path.reflection is not None:
        functions["two_ray"] = lambda: two_ray_db(path)
    for own in own_models().values():
        # own=own: without it every one of them would call the last model
        functions[own.name] = lambda own=own: own.loss_db(profile, s, near_m, far_m)  # type: ignore[misc]
    return functions


def _alone(situation: Situation) -> Situation:
    """The situation without what surrounds the antennas and without trees that have no place."""
    return replace(situation, near=UNSURROUNDED, far=UNSURROUNDED, woodland_depth_m=0.0)


def _plane_earth_db(profile: Profile, near_m: float, far_m: float, free_space_db: float) -> float:
    d, h = profile.distance_m * 1e-3, profile.ground_m
    step, sums = np.diff(d), h[1:] + h[:-1]
    v1, v2 = (step * sums).sum(), (step * (3.0 * d[:-1] * sums + step * (sums + h[1:]))).sum()
    return plane_earth(profile.distance_m, h, v1, v2, h[0] + near_m, h[-1] + far_m, free_space_db)


def spread_db(models: dict[str, float], regime: Regime) -> float:
    """Largest minus smallest loss of the models that apply to this kind of path.

    Free space applies to a clear path only, and so does two-ray. Constructions of knife edges apply where something
    stands in the ray, unless that is the smooth earth itself.
    """
    edges = {"bullington", "cascaded_knife_edges"}
    bulge = models["spherical_earth"] > models["bullington"]
    unfit = {
        "clear": edges,
        "grazing": {*edges, "free_space"},
        "obstructed": {"free_space", "plane_earth", *(edges if bulge else {"spherical_earth"})},
    }[regime]
    fit = [loss for name, loss in models.items() if name not in unfit]
    return max(fit) - min(fit)


def p1812_loss_db(path: PathLoss) -> float:
    """Basic transmission loss of Rec. ITU-R P.1812 at half of the locations, trees opaque."""
    profile, s = path.profile, path.situation
    if profile.length_m < P1812_SHORTEST_M:
        raise DomainError(f"the path is shorter than {P1812_SHORTEST_M:g} m")
    near_m, far_m = path.heights_m
    return float(
        p1812.basic_transmission_loss_db(
            profile.distance_m,
            profile.ground_m,
            tx_height_m=near_m,
            rx_height_m=far_m,
            frequency_hz=s.frequency_hz,
            clutter_m=profile.clutter_m,
            polarisation=s.polarisation,
            climate=p1812.Climate(s.delta_n, s.n0, s.latitude_deg, profile.zone),
        )
    )


def two_ray_db(path: PathLoss) -> float:
    """Two-ray loss of a path with a specular reflection, with its peaks and nulls."""
    return float(two_ray_over_heights_db(path, path.heights_m[1]))


def two_ray_over_heights_db(path: PathLoss, far_m: ArrayLike) -> Floats:
    """The same for other heights of the far antenna over the ground that reflects; NaN where it is below it."""
    reflection, profile, s = path.reflection, path.profile, path.situation
    assert reflection is not None
    away_m = np.abs(profile.distance_m - reflection.distance_m)
    # half way between two points both count, so that the path is the same from either end
    at_sea = (profile.zone[away_m <= away_m.min() + 1e-6 * profile.length_m] == SEA).all()
    over_m = reflection.rx_height_m + np.asarray(far_m, dtype=np.float64) - path.heights_m[1]
    # below the plane that reflects there are no two rays: a stand-in is worked out, and NaN returned
    lost_db = np.asarray(
        two_ray.two_ray_loss_db(
            reflection.surface_distance_m,
            reflection.tx_height_m,
            np.where(over_m > 0.0, over_m, reflection.rx_height_m),
            s.frequency_hz,
            ground.ground_constants("sea_water" if at_sea else s.ground, s.frequency_hz),
            polarisation=s.polarisation,
            k_factor=s.k_factor,
            roughness=two_ray.Roughness(reflection.roughness_m if s.roughness_m is None else s.roughness_m),
            surface_wave=True,
        )
    )
    return np.where(over_m > 0.0, lost_db, np.nan)


def irregular_terrain_db(path: PathLoss) -> float:
    """Basic transmission loss of the irregular terrain model, trees opaque."""
    profile, s = path.profile, path.situation
    near_m, far_m = path.heights_m
    if profile.length_m < IRREGULAR_SHORTEST_M or min(near_m, far_m) < 0.5:
        raise DomainError(f"it is stated for {IRREGULAR_SHORTEST_M:g} m and antennas of 0.5 m and more")
    return float(
        irregular.point_to_point_loss_db(
            profile.distance_m,
            profile.ground_m + profile.clutter_m,
            tx_height_m=near_m,
            rx_height_m=far_m,
            frequency_hz=s.frequency_hz,
            polarisation=s.polarisation,
            ground=ground.ground_constants(s.ground, s.frequency_hz),
            atmosphere=irregular.Atmosphere(n0=s.n0),
        )
    )


# ---------------------------------------------------------------- where the plan chooses the model


def profile_losses(profile: Profile, situation: Situation, near_m: ArrayLike, far_m: ArrayLike) -> Losses:
    """`losses_by_rules`, or the losses of the model that the plan chose: NaN for heights at which it is not defined.

    `DomainError` if it is not defined for the only pair of heights.
    """
    found = losses_by_rules(profile, situation, near_m, far_m)
    return by_governing(found, profile, situation, partly=found.length_m.size > 1)


def by_governing(found: Losses, profile: Profile, situation: Situation, *, partly: bool = False) -> Losses:
    """Losses by the rules, with the chosen model's in place of theirs over ground and through mapped trees.

    What surrounds the antennas, the installations and trees without a place are the rules'. `DomainError` where it is
    not defined for a path; with `partly` NaN instead.
    """
    if situation.governing == RULES:
        return found
    mapped_db = _mapped_trees_db(found, situation)
    chosen_db = np.full(found.length_m.shape, np.nan)
    for i in range(chosen_db.size):
        try:
            chosen_db[i] = _chosen_db(found, profile, situation, i)
        except DomainError:
            if not partly:
                raise
    ground_db = chosen_db - found.free_space_db
    changed = replace(found, ground_db=ground_db, trees_db=found.trees_db - mapped_db)
    return replace(changed, rules_less_db=changed.loss_db - found.loss_db)


def _mapped_trees_db(found: Losses, situation: Situation) -> Floats:
    """What of the trees' loss is mapped: every model counts that itself."""
    stated_db = situation.stated_vegetation_db()
    return np.asarray(
        found.trees_db * (1.0 - stated_db / np.maximum(found.vegetation_db, max(stated_db, 1e-9)))
    )


def _chosen_db(found: Losses, profile: Profile, situation: Situation, i: int) -> float:
    shape = found.length_m.shape
    own = replace(
        situation,
        delta_n=float(np.broadcast_to(situation.delta_n, shape)[i]),
        installation_db=float(np.broadcast_to(situation.installation_db, shape)[i]),
    )
    functions = model_functions(PathLoss(profile, own, found.at(slice(i, i + 1))))
    name = situation.governing
    if name not in functions:
        raise DomainError(f"conditions.governing_model = {name!r} is not registered in this process")
    try:
        return functions[name]()
    except DomainError as error:
        raise DomainError(
            f"conditions.governing_model = {name!r} ({MODEL_NAMES[name]}) gives no loss for this path: {error}"
        ) from None


def refuse_chosen(conditions: Conditions, what: str) -> None:
    """Raise `DomainError` where something is worked out by the rules alone and the plan chooses another model."""
    if conditions.governing_model != RULES:
        raise DomainError(
            f"conditions.governing_model = {conditions.governing_model!r}: {what} is worked out by linkcalc's rules "
            f'only; write "{RULES}" or leave it out'
        )

"""Where a plan chooses the path loss model itself: its loss in place of the rules', and how far the two are apart."""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError
from linkcalc.link.losses import Losses, Situation
from linkcalc.link.models import PathLoss, model_functions
from linkcalc.link.result import MODEL_NAMES
from linkcalc.propagation.loss_models import RULES
from linkcalc.terrain.profile import Profile

if TYPE_CHECKING:
    from linkcalc.plan import Conditions


def governed(found: Losses, profile: Profile, situation: Situation, *, partly: bool = False) -> Losses:
    """Losses by the rules with the chosen model's in place of theirs over ground and through mapped trees.

    What surrounds the antennas, the installations and trees without a place are the rules'. `DomainError` where it is
    not defined for a path; with `partly` NaN instead.
    """
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
    own = situation
    if np.ndim(situation.delta_n) or np.ndim(situation.installation_db):
        own = replace(
            situation,
            delta_n=float(np.broadcast_to(situation.delta_n, found.length_m.shape)[i]),
            installation_db=float(np.broadcast_to(situation.installation_db, found.length_m.shape)[i]),
        )
    path = PathLoss(profile, own, found.at(slice(i, i + 1)))
    functions = model_functions(path)
    name = situation.governing
    if name not in functions:
        raise DomainError(f"conditions.governing_model = {name!r} is not registered in this process")
    try:
        return functions[name]()
    except DomainError as error:
        raise DomainError(
            f"conditions.governing_model = {name!r} ({MODEL_NAMES[name]}) gives no loss for this path: {error}"
        ) from None


def refuse_chosen(conditions: "Conditions", what: str) -> None:
    """Raise `DomainError` where something is worked out by the rules alone and the plan chooses another model."""
    if conditions.governing_model != RULES:
        raise DomainError(
            f"conditions.governing_model = {conditions.governing_model!r}: {what} is worked out by linkcalc's rules "
            f'only; write "{RULES}" or leave it out'
        )

"""The word for each node: the closed form held against what was asked, and against what was played."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.fleet.contention import Outlook
from linkcalc.fleet.simulate import Played, wilson
from linkcalc.result import VerdictWord

LEAST_SUCCESS = 0.5
"""Does not close: on the best guess fewer messages than this arrive."""
_SURE, _HOPEFUL = 0.99, 0.002
"""The closed form counts as too hopeful if it is above such an interval of what was played by so much."""


@dataclass(frozen=True, eq=False)
class Judged:
    """Arrays over the nodes."""

    verdict: tuple[VerdictWord, ...]
    predicted: Floats
    """Success of a message on the best guess, all else sending."""
    assured: Floats
    """What is held against the success asked."""
    success: Floats
    """The mean over all such sites."""
    by_played: NDArray[np.bool_]
    """The simulation has the say: the closed form is above its interval."""


def judged(
    fares: Outlook, predicted: Outlook, played: Played | None, required: float, tries: int
) -> Judged:  # fmt: skip
    """Say which nodes have the success asked.

    Parameters
    ----------
    fares : Outlook
        Averaged over what is unknown.
    predicted : Outlook
        At the predicted levels.
    played : Played, optional
        A simulation at the predicted levels.
    required : float
    tries : int

    Notes
    -----
    Where the closed form is above the interval of the simulation, every level's tries are taken to fare worse
    than by the closed form by the share by which they do at the predicted one.
    """
    best, assured, success = predicted.success, fares.assured, fares.success
    by_played = np.zeros(best.shape, dtype=np.bool_)
    if played is not None:
        _, high = wilson(played.delivered, played.messages, _SURE)
        by_played = (best > high + _HOPEFUL) & (played.messages > 0)
        share = np.where(by_played, played.delivered / np.maximum(played.messages, 1), best)
        worse = _one_try(share, tries) / np.maximum(_one_try(best, tries), 1e-12)
        best, assured, success = (
            np.where(by_played, 1.0 - (1.0 - worse * _one_try(v, tries)) ** tries, v)
            for v in (best, assured, success)
        )
    return Judged(
        tuple(
            _word(float(b), float(a), float(m), required)
            for b, a, m in zip(best, assured, predicted.margin_db, strict=True)
        ),
        best, assured, success, by_played,
    )  # fmt: skip


def _one_try(success: Floats, tries: int) -> Floats:
    """Success of one of so many equal tries."""
    return np.asarray(1.0 - (1.0 - np.clip(success, 0.0, 1.0)) ** (1.0 / tries))


def _word(predicted: float, assured: float, margin_db: float, required: float) -> VerdictWord:
    if not np.isfinite(margin_db) or predicted < LEAST_SUCCESS:
        return "does_not_close"
    return "closes" if assured >= required else "at_risk"

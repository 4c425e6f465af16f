"""The word for each node: the closed form held against what is required, and against what was played."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.fleets.contention import Outlook
from linkcalc.fleets.network import Network, Setting
from linkcalc.fleets.reach import Paths
from linkcalc.fleets.simulate import Played, wilson
from linkcalc.link.judgement import judgement
from linkcalc.link.requirement import LEAST_SUCCESS, VERDICTS, Requirement
from linkcalc.link.result import VerdictWord

_SURE, _HOPEFUL = 0.99, 0.002
"""The closed form counts as too hopeful if it is above such an interval of what was played by so much."""


@dataclass(frozen=True, eq=False)
class Judged:
    """Arrays over the nodes."""

    verdict: tuple[VerdictWord, ...]
    predicted: Floats
    """Success of a message at the predicted margin, all else sending."""
    assured: Floats
    """What is held against the required success."""
    success: Floats
    """The mean over all such sites."""
    by_played: NDArray[np.bool_]
    """The simulation has the say: the closed form is above its interval."""


def by_link(network: Network, paths: Paths, setting: Setting, asked: Requirement) -> NDArray[np.int8]:
    """What a check says of each node's link alone, both ways: index into `requirement.VERDICTS`."""
    k, j = np.arange(network.nodes), setting.shed
    uncertain = paths.site_db[k, j], paths.conditions_db[k, j], paths.k_db[k, j]
    margins = [network.margin_db(setting.power_dbm, j, setting.factor)]
    # without answers nothing is sent back, and the return direction is not asked for
    if network.acknowledged:
        margins.append(network.return_margin_db(j, setting.factor))
    word = np.min([judgement(asked, margin, *uncertain).verdict for margin in margins], axis=0)
    return np.asarray(np.where(paths.unknown[k, j], np.minimum(word, 1), word))


def judged(
    averaged: Outlook, predicted: Outlook, played: Played | None, required: float, tries: int,
    link: NDArray[np.int8],
) -> Judged:  # fmt: skip
    """Say which nodes have the required success.

    `averaged` is over what is unknown, `predicted` and `played` are at the predicted levels; `link`, from
    `by_link`, is what the link says alone, which the others' load can only worsen.
    """
    best, assured, success = predicted.success, averaged.assured, averaged.success
    by_played = np.zeros(best.shape, dtype=np.bool_)
    if played is not None:
        # where the closed form is above the interval of the simulation, tries are taken to fare worse at every level
        # by the share by which they do at the predicted one
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
            _word(float(b), float(a) >= required or float(alone) < required <= float(b), float(m), int(word))
            for b, a, alone, m, word in zip(best, assured, averaged.alone, predicted.margin_db, link, strict=True)
        ),
        best, assured, success, by_played,
    )  # fmt: skip


def _one_try(success: Floats, tries: int) -> Floats:
    """Success of one of so many equal tries."""
    return np.asarray(1.0 - (1.0 - np.clip(success, 0.0, 1.0)) ** (1.0 / tries))


def _word(predicted: float, enough: bool, margin_db: float, link: int) -> VerdictWord:
    if not np.isfinite(margin_db) or predicted < LEAST_SUCCESS or link <= 0:
        return VERDICTS[0]
    return VERDICTS[2 if enough and link == 2 else 1]

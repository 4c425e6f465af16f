"""What was fitted, fitted again without some of the sites, and judged on those.

    python -m tests.validation measured --hold-out

Four figures of the rules have no standard behind them, only measured links: how much the ground and the plane
earth take off the correction of a low antenna, what is left of it at least, and how much trees and surroundings
share. So have the standard deviations of links with a low end. For each fold they are found on the other folds'
sites, by the likelihood of their links (every set counts alike, however many links it has), and the links of the
fold are judged by them. Sets are left out whole as well, one after the other.
"""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple
from unittest import mock

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import log_ndtr

from linkcalc.errors import DomainError
from linkcalc.link import losses
from linkcalc.link.uncertainty import ASSUMED_SURROUNDINGS_DB, LOW_DB
from tests.validation.measured.blocks import Block, SetReport
from tests.validation.measured.censored import fit_censored
from tests.validation.measured.predicted import Judged, Kept
from tests.validation.measured.report import report_together

FOLDS = 5

SEED = 433
"""Of the deal of sites into folds."""

FEWEST_OF_A_CLASS = 15
"""Measured links, for a standard deviation of its own."""


class Figures(NamedTuple):
    """What was fitted."""

    ground_shared: float = losses.GROUND_SHARED
    plane_shared: float = losses.PLANE_SHARED
    least_correction: float = losses.LEAST_CORRECTION
    trees_shared: float = losses.SHARED


GRID = tuple(
    Figures(*v)
    for v in itertools.product(
        (0.0, 0.15, 0.3, 0.45, 0.6), (0.0, 0.2, 0.4), (0.2, 0.4, 0.6), (0.1, 0.25, 0.5)
    )
)

SHIPPED = Figures()

CLASSES = ("clear, low end", "grazing, low end", "obstructed, low end", "trees in the path")

STATED_DB = dict(
    zip(
        CLASSES,
        (*(math.hypot(LOW_DB[i], ASSUMED_SURROUNDINGS_DB) for i in (0, 1)), LOW_DB[2], LOW_DB[2]),
        strict=True,
    )
)
"""Where a class has too few links to fit its own."""


@dataclass(frozen=True)
class Fitted:
    """Figures, and the standard deviation of each class with them."""

    figures: Figures
    sigma_db: dict[str, float]


def predicted_db(judged: Judged, figures: Figures) -> np.ndarray:
    """The prediction of every link by other figures than the shipped ones."""
    names = ("GROUND_SHARED", "PLANE_SHARED", "LEAST_CORRECTION", "SHARED")
    with mock.patch.multiple(losses, **dict(zip(names, figures, strict=True))):
        return judged.predicted_db + _loss_db(judged.path) - _shipped_db(judged)


def _shipped_db(judged: Judged) -> np.ndarray:
    names = ("GROUND_SHARED", "PLANE_SHARED", "LEAST_CORRECTION", "SHARED")
    with mock.patch.multiple(losses, **dict(zip(names, SHIPPED, strict=True))):
        return _loss_db(judged.path)


def _loss_db(paths: np.ndarray) -> np.ndarray:
    """Loss of kept paths; those that differ in nothing but their ground go together."""
    loss = np.empty(len(paths))
    # latitude moves no loss but by the climate, which is in delta N already
    keys = [replace(p.situation, latitude_deg=0.0) for p in paths]
    for situation in set(keys):
        at = np.array([i for i, key in enumerate(keys) if key == situation])
        some: Sequence[Kept] = [paths[i] for i in at]
        facts = {
            name: np.array([np.ravel(p.facts[name])[0] for p in some], dtype=float) for name in some[0].facts
        }
        loss[at] = losses.path_losses(np.array([p.found for p in some]), situation, **facts).loss_db
    return loss


def fit(judged: Judged) -> Fitted:
    """Figures of greatest likelihood over links with a low end, every set alike."""
    best = min(GRID, key=lambda figures: _misfit(judged, predicted_db(judged, figures)))
    return Fitted(best, _sigmas_db(judged, _errors(judged, predicted_db(judged, best))))


def _misfit(judged: Judged, loss_db: np.ndarray) -> float:
    """Minus the logarithm of the likelihood of a measured link, mean over the sets."""
    parts = []
    for name in sorted(set(judged.set)):
        here = judged.set == name
        if judged.measured[here].any():
            parts.append(_of_a_set(judged.only(here), loss_db[here]))
    return float(np.mean(parts))


def _of_a_set(judged: Judged, loss_db: np.ndarray) -> float:
    least, most = judged.least_db - loss_db, judged.most_db - loss_db
    if judged.absolute.all():
        sigma = math.sqrt(float(np.mean(least**2)))
        return math.log(sigma) + 0.5
    site, known = _sites(judged)
    design = (site[known, np.newaxis] == np.unique(site[known])).astype(float)
    found = fit_censored(design, least[known], most[known])
    return -found.log_likelihood / found.measured


def _sites(judged: Judged) -> tuple[np.ndarray, np.ndarray]:
    """Number of every link's site, and whether that has a measured link."""
    _, site = np.unique(judged.site.astype(str), return_inverse=True)
    return site, np.bincount(site, judged.measured)[site] >= 2


def _errors(judged: Judged, loss_db: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Limits of measured less predicted loss, each site's offset taken away where no level is known; NaN without."""
    least, most = judged.least_db - loss_db, judged.most_db - loss_db
    site, known = _sites(judged)
    offset = np.zeros(len(judged))
    unsure = ~judged.absolute
    offset[unsure] = math.nan
    usable = unsure & known
    if usable.any():
        sites = np.unique(site[usable])
        design = (site[usable, np.newaxis] == sites).astype(float)
        found = fit_censored(design, least[usable], most[usable])
        offset[usable] = design @ found.coefficients
    return least - offset, most - offset


def _sigmas_db(judged: Judged, errors: tuple[np.ndarray, np.ndarray]) -> dict[str, float]:
    """Root mean square of the errors of each class, those that were not heard as limits."""
    found = dict(STATED_DB)
    for name in CLASSES:
        of = (judged.kind == name) & np.isfinite(errors[0])
        if (of & judged.measured).sum() >= FEWEST_OF_A_CLASS:
            found[name] = _spread_around_none(errors[0][of], errors[1][of])
    return found


def _spread_around_none(least: np.ndarray, most: np.ndarray) -> float:
    heard = np.isfinite(most)

    def minus_likelihood(log_sigma: float) -> float:
        z = least / math.exp(log_sigma)
        return float(np.sum(log_sigma + 0.5 * z[heard] ** 2) - np.sum(log_ndtr(-z[~heard])))

    return math.exp(minimize_scalar(minus_likelihood, bounds=(0.0, 4.0), method="bounded").x)


def folds(judged: Judged) -> np.ndarray:
    """Fold of each link: the sites of each set dealt out in turn, a site never parted."""
    fold = np.empty(len(judged), dtype=int)
    rng = np.random.default_rng(SEED)
    for name in sorted(set(judged.set)):
        sites = sorted(set(judged.site[judged.set == name].astype(str)))
        dealt = dict(zip(rng.permutation(sites).tolist(), itertools.cycle(range(FOLDS)), strict=False))
        for i in np.flatnonzero(judged.set == name):
            fold[i] = dealt[str(judged.site[i])]
    return fold


def held_out(judged: Judged, apart: np.ndarray) -> tuple[Judged, list[tuple[str, Fitted]]]:
    """Links with the prediction and the deviation found without those that are apart with them."""
    loss, sigma = judged.predicted_db.copy(), judged.sigma_db.copy()
    found = []
    for name in sorted(set(apart)):
        own = apart == name
        fitted = fit(judged.only(~own))
        loss[own] = predicted_db(judged.only(own), fitted.figures)
        sigma[own] = [fitted.sigma_db[kind] for kind in judged.kind[own]]
        found.append((str(name), fitted))
    return replace(judged, predicted_db=loss, sigma_db=sigma), found


def report_held_out(judged: Judged) -> Iterator[SetReport]:
    """Tables and bars of links with a low end: without a fold's sites, and without a whole set."""
    low = judged.only(np.isin(judged.kind, CLASSES))
    for title, apart in (
        ("each fifth of the sites held out", folds(low)),
        ("each set held out", low.set.astype(str)),
    ):
        try:
            without, fits = held_out(low, apart)
        except DomainError as error:
            yield SetReport(title, False, [Block("Not judged", [str(error)])])
            continue
        found = report_together([without])
        rows = [(f"without {name}", *_row(f)) for name, f in fits]
        rows.append(("shipped", *_row(Fitted(SHIPPED, STATED_DB))))
        heads = ("fitted", *SHIPPED._fields, *(f"sigma {c.partition(',')[0]}" for c in CLASSES))
        yield replace(found, name=title, blocks=[Block("What was fitted", [], heads, rows), *found.blocks])


def _row(fitted: Fitted) -> list[str | float]:
    return [*(f"{v:g}" for v in fitted.figures), *(fitted.sigma_db[c] for c in CLASSES)]

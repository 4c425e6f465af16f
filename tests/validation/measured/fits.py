"""How far models are off a set's links, judged on links they were not fitted to.

Two readings of the same set. Among the heard only, after one offset for each receiver: simple, but bent,
because a far link is in the list only if it is unusually good; that favours any model whose loss grows too
slowly, free space above all. With the missing ones as "weaker than this receiver hears": that is the
decisive reading, since it asks of a link what a planner asks, before anybody knows whether it is heard.
"""

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from linkcalc.censored import CensoredFit, censored_log_likelihood, fit_censored
from linkcalc.errors import DomainError
from tests.validation.measured.links import Gathered, Links
from tests.validation.measured.models import DEFAULT, FREE_SPACE, TWO_RAY, losses

SEED = 868
"""Of the split of each receiver's places into halves."""

FOLDS = 5
"""Parts of the links where there are too few receivers to leave one out."""

CENSORED, NAIVE = "log-distance, censored", "log-distance, heard only"

BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


@dataclass(frozen=True)
class Law:
    """A predicted level at 0 dBm, with a column whose coefficient is fitted, if there is one."""

    level_db: np.ndarray
    extra: np.ndarray | None = None
    heard_only: bool = False

    def with_coefficient(self, fit: CensoredFit) -> np.ndarray:
        """Level with the fitted column."""
        return self.level_db if self.extra is None else self.level_db + fit.coefficients[-1] * self.extra


@dataclass(frozen=True)
class Score:
    """How a model does on links of a receiver that it was not fitted to, save for the receiver's offset."""

    heard_sd_db: float
    """Medians of what was heard, as received, offset from all of the receiver's links."""
    heard_robust_db: float
    heard_median_error_db: float
    heard_strict_sd_db: float
    """The same, offset from one half of the receiver's places, judged on the other half."""
    spread_db: float
    """Standard deviation with the missing ones as limits."""
    likelihood: np.ndarray
    """(n,) of every link, offset from all of the receiver's links."""
    strict: np.ndarray
    """(n,) the same, offset from the other half of its places; NaN where that half has nothing heard."""
    probability: np.ndarray
    """(n,) predicted probability to be heard, offset as for `strict`."""
    offsets_db: np.ndarray
    """(receivers,) measured less predicted level at 0 dBm."""


def laws(links: Links) -> dict[str, Law]:
    """Every model and the two fitted laws."""
    decades = -np.log10(links.distance_m / 1e3)
    zero = np.zeros(len(links))
    found = {name: Law(-loss) for name, loss in losses(links.paths).items()}
    return {**found, CENSORED: Law(zero, decades), NAIVE: Law(zero, decades, heard_only=True)}


def fit_law(links: Links, law: Law, which: np.ndarray | None = None) -> CensoredFit:
    """Offset of every receiver, the extra coefficient last, and sigma."""
    part = np.ones(len(links), dtype=bool) if which is None else which
    if law.heard_only:
        part, links = part & links.heard, replace(links, level_dbm=links.median_dbm)
    low, high = _bounds(links, law.level_db)
    design = (links.group[part][:, np.newaxis] == np.unique(links.group[part])).astype(float)
    if law.extra is not None:
        design = np.column_stack([design, law.extra[part]])
    return fit_censored(design, low[part], high[part])


def score(links: Links, law: Law, sigma_db: float | None = None) -> Score:
    """Cross-validated figures of one model; `sigma_db` is used in place of the fitted one."""
    n, groups = len(links), np.unique(links.group)
    whole = fit_law(links, law)
    likelihood, strict, probability = (np.full(n, math.nan) for _ in range(3))
    by_mean, by_median, by_half = [], [], []
    for own, train, halves in _folds(links):
        shape = fit_law(links, law, train)
        sigma = sigma_db or shape.sigma
        level = law.with_coefficient(shape)
        low, high = _bounds(links, level)
        error = links.median_dbm - level
        here = own & links.heard
        by_mean.append(error[here] - error[here].mean())
        by_median.append(error[here] - np.median(error[here]))
        at = _offset(links, law, low, high, own, sigma)
        likelihood[own] = censored_log_likelihood(at, sigma, low[own], high[own])
        for one, other in halves:
            known = one & links.heard
            if not known.any():
                continue
            at = _offset(links, law, low, high, one, sigma)
            strict[other] = censored_log_likelihood(at, sigma, low[other], high[other])
            probability[other] = ndtr((at - (links.limit_dbm - level)[other]) / sigma)
            by_half.append(error[other & links.heard] - error[known].mean())
    mean, median = np.concatenate(by_mean), np.concatenate(by_median)
    half = np.concatenate(by_half) if by_half else np.array([math.nan])
    return Score(
        heard_sd_db=float(np.sqrt((mean**2).sum() / max(len(mean) - len(groups), 1))),
        heard_robust_db=float(1.4826 * np.median(np.abs(median))),
        heard_median_error_db=float(np.median(np.abs(median))),
        heard_strict_sd_db=float(np.sqrt(np.mean(half**2))),
        spread_db=_unbiased(whole),
        likelihood=likelihood,
        strict=strict,
        probability=probability,
        offsets_db=whole.coefficients[: len(groups)],
    )


def gain(links: Links, score_of: Score, other: Score, *, strict: bool = True) -> tuple[float, float]:
    """Log likelihood over another model's, per 100 links, and its standard error by receivers."""
    both = score_of.strict - other.strict if strict else score_of.likelihood - other.likelihood
    known = np.isfinite(both)
    both, group = both[known], links.group[known]
    mean = float(both.mean())
    clusters = np.unique(group) if len(np.unique(group)) > 2 else np.arange(len(group))
    member = group if len(clusters) < len(group) else clusters
    sums = np.array([(both[member == c] - mean).sum() for c in clusters])
    error = math.sqrt(len(clusters) / max(len(clusters) - 1, 1) * float((sums**2).sum())) / len(both)
    return 100.0 * mean, 100.0 * error


def _folds(
    links: Links,
) -> Iterator[tuple[np.ndarray, np.ndarray, list[tuple[np.ndarray, np.ndarray]]]]:
    """A receiver's links, the links of all others, and its places in two halves, each way round.

    With fewer than three receivers there are no others to speak of: then all is fitted on the receiver's own
    links, and judged strictly on a fifth of the links with everything from the other four.
    """
    rng = np.random.default_rng(SEED)
    groups = np.unique(links.group)
    everything = np.ones(len(links), dtype=bool)
    if len(groups) >= 3:
        places = np.unique(links.place.astype(str))
        first = dict(zip(places, rng.permutation(len(places)) % 2 == 0, strict=True))
        in_first = np.array([first[p] for p in links.place.astype(str)], dtype=bool)
        for g in groups:
            own = links.group == g
            yield own, ~own, [(own & in_first, own & ~in_first), (own & ~in_first, own & in_first)]
        return
    fold = rng.permutation(len(links)) % FOLDS
    for g in groups:
        own = links.group == g
        parts = [(own & (fold != k), own & (fold == k)) for k in range(FOLDS)]
        yield own, everything, [(one, other) for one, other in parts if other.any()]


def _offset(links: Links, law: Law, low: np.ndarray, high: np.ndarray, of: np.ndarray, sigma: float) -> float:
    part = of & links.heard if law.heard_only else of
    return float(
        fit_censored(np.ones((int(part.sum()), 1)), low[part], high[part], sigma=sigma).coefficients[0]
    )


def _bounds(links: Links, level_db: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Limits of measured less predicted level."""
    upper = np.where(links.heard, links.level_dbm, links.limit_dbm) - level_db
    return np.where(links.heard, upper, -np.inf), upper


def _unbiased(fit: CensoredFit) -> float:
    return fit.sigma * math.sqrt(fit.measured / max(fit.measured - fit.coefficients.size, 1))


# ---------------------------------------------------------------- what the tables are made of


@dataclass(frozen=True)
class Slope:
    """Growth of loss with distance, dB a decade."""

    naive_db: float
    naive_error_db: float
    censored_db: float
    censored_error_db: float
    lowest_db: float
    highest_db: float
    """Censored, leaving out one receiver after the other."""


def slopes(links: Links, law_of: Mapping[str, Law]) -> Slope:
    """The slope with and without the missing ones."""
    naive, censored = fit_law(links, law_of[NAIVE]), fit_law(links, law_of[CENSORED])
    groups = np.unique(links.group)
    without = [censored.coefficients[-1]]
    if len(groups) >= 3:
        without = [fit_law(links, law_of[CENSORED], links.group != g).coefficients[-1] for g in groups]
    return Slope(
        naive_db=float(naive.coefficients[-1]),
        naive_error_db=float(naive.standard_errors[-1]),
        censored_db=float(censored.coefficients[-1]),
        censored_error_db=float(censored.standard_errors[-1]),
        lowest_db=float(min(without)),
        highest_db=float(max(without)),
    )


@dataclass(frozen=True)
class Variation:
    """The same fit with one of its assumptions changed."""

    what: str
    links: int
    heard: int
    slope_db: float
    default_db: float
    two_ray_db: float
    free_space_db: float
    """Spreads, missing ones included."""
    over_two_ray: float
    """Log likelihood of the default over two-ray, per 100 links; fitted, not cross-validated."""


def variations(gathered: Gathered) -> Iterator[Variation]:
    """Does the answer hang on what was assumed about the missing ones, the distances and the heights?"""
    judged, hearing = gathered.judged, gathered.hearing
    rx = judged.rx_height_m
    cases: list[tuple[str, Links]] = [("as stated", judged)]
    if hearing is not None:
        harder, easier = (replace(hearing, half_db=hearing.half_db + x) for x in (5.0, -5.0))
        cases += [
            ("half is heard 5 dB higher", judged.heard_by(harder)),
            ("half is heard 5 dB lower", judged.heard_by(easier)),
            ("not corrected for lost packets", judged.heard_by(None)),
        ]
    else:
        cases += [
            ("limit of hearing 5 dB higher", replace(judged, limit_dbm=judged.limit_dbm + 5.0)),
            ("limit of hearing 5 dB lower", replace(judged, limit_dbm=judged.limit_dbm - 5.0)),
        ]
    cases += [
        ("places with 3 messages or more", judged.only(judged.messages >= 3)),
        ("up to 5 km", judged.only(judged.distance_m <= 5e3)),
        ("up to 10 km", judged.only(judged.distance_m <= 10e3)),
        ("every distance", gathered.every),
        ("receivers 10 m high", replace(judged, rx_height_m=np.full_like(rx, 10.0))),
        ("receivers 50 m high", replace(judged, rx_height_m=np.full_like(rx, 50.0))),
    ]
    for what, links in cases:
        try:
            law_of = laws(links)
            fits = {name: fit_law(links, law_of[name]) for name in (DEFAULT, TWO_RAY, FREE_SPACE, CENSORED)}
        except DomainError:
            continue
        yield Variation(
            what=what,
            links=len(links),
            heard=int(links.heard.sum()),
            slope_db=float(fits[CENSORED].coefficients[-1]),
            default_db=_unbiased(fits[DEFAULT]),
            two_ray_db=_unbiased(fits[TWO_RAY]),
            free_space_db=_unbiased(fits[FREE_SPACE]),
            over_two_ray=100.0 * (fits[DEFAULT].log_likelihood - fits[TWO_RAY].log_likelihood) / len(links),
        )


def reliability(links: Links, probability: np.ndarray) -> list[tuple[int, float, float]]:
    """For every bin: how many links were given such a probability, its mean, and the share that was heard."""
    known = np.isfinite(probability)
    table = []
    for low, high in itertools.pairwise(BINS):
        inside = known & (probability >= low) & ((probability < high) | (high == BINS[-1]))
        n = int(inside.sum())
        table.append(
            (n, float(probability[inside].mean()), float(links.heard[inside].mean()))
            if n
            else (0, math.nan, math.nan)
        )
    return table


def brier(links: Links, probability: np.ndarray) -> float:
    """Mean square of probability less outcome."""
    known = np.isfinite(probability)
    return float(np.mean((probability[known] - links.heard[known]) ** 2))

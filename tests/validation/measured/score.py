"""How far the rules are off, by class of path: level, spread, stated intervals, what was said of margins.

Errors are predicted less measured: negative is too hopeful. Where a set knows its equipment its level is
judged as it stands. Elsewhere each site has an offset of its own, found on one half of its places and used on
the other. Links that were not heard count as limits: spreads by censored regression, and shares from the
normal law that fits.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr
from scipy.stats import binom

from linkcalc.errors import DomainError
from tests.validation.measured.blocks import CHANCE, Bar
from tests.validation.measured.censored import CensoredFit, fit_censored
from tests.validation.measured.links import Links
from tests.validation.measured.predicted import MARGINS_DB, Judged

SEED = 868
"""Of the split of a site's places into halves."""

FEWEST_AT_A_SITE = 5
"""Measured links of a site, for an offset of its own."""

FEWEST_FOR_A_BAR = 20
"""Measured links: with fewer, a share of 90 % is known to no better than 7 %, and a bar would be a toss."""

_HALF, _NINETY = 0.6745, 1.6449

LARGEST_RMS_DB, LARGEST_BIAS_DB = 10.0, 4.0
ELEVATED_BIAS_DB, ELEVATED_SIGMA_DB = 3.0, (4.0, 7.0)
LOW_SIGMA_DB = 11.0
HOLDS_90, HOLDS_50 = (0.85, 0.95), (0.40, 0.60)
AT_LEAST_90, AT_LEAST_50 = (0.85, 1.0), (0.40, 1.0)
"""Of a site's own links: what they have in common, which an offset takes away, is in the stated deviation."""

ELEVATED = "clear, both high"


@dataclass(frozen=True)
class Class:
    """One class of path over some sets."""

    name: str
    links: int
    measured: int
    sites: int
    bias_db: float
    """NaN where the level is not absolute."""
    sd_db: float
    rms_db: float
    sigma_db: float
    """Stated, median."""
    in_50: float
    in_90: float
    """Shares of the links inside the stated intervals."""
    short_of_90: float
    """Share below the 90 % interval: weaker than it says."""


@dataclass(frozen=True)
class Margin:
    """What is said of links with one predicted margin, and how many had it."""

    margin_db: float
    said: float
    had: float
    closes: float
    at_risk: float
    """Shares of the links given these words."""
    closes_had: float
    """Of those said to close."""


def by_class(judged: Judged) -> Iterator[Class]:
    """All links, then each class of path."""
    error = _Errors(judged)
    kinds = judged.kind
    everything = np.ones(len(judged), dtype=bool)
    for name, which in (("all", everything), *((k, kinds == k) for k in sorted(set(kinds)))):
        usable = which & np.isfinite(error.least)
        measured = usable & judged.measured
        if not measured.any():
            continue
        absolute = bool(judged.absolute[usable].all())
        fit = error.fitted(usable)
        bias = -float(fit.coefficients[0]) if fit and absolute else math.nan
        sd = fit.sigma if fit else math.nan
        yield Class(
            name=str(name),
            links=int(usable.sum()),
            measured=int(measured.sum()),
            sites=len(set(judged.site[usable])),
            bias_db=bias,
            sd_db=sd,
            rms_db=math.hypot(bias, sd),
            sigma_db=float(np.median(judged.sigma_db[usable])),
            in_50=error.share(usable, -_HALF, _HALF),
            in_90=error.share(usable, -_NINETY, _NINETY),
            short_of_90=error.share(usable, _NINETY, math.inf),
        )


def by_margin(judged: Judged) -> Iterator[Margin]:
    """Said against happened, for each predicted margin."""
    error = _Errors(judged)
    usable = np.isfinite(error.least)
    if not usable.any():
        return
    for i, margin_db in enumerate(MARGINS_DB):
        words = judged.verdict[:, i]
        closes = usable & (words == "closes")
        yield Margin(
            margin_db=margin_db,
            said=float(judged.said[usable, i].mean()),
            had=error.within(usable, margin_db),
            closes=float(closes.sum() / usable.sum()),
            at_risk=float((words[usable] == "at_risk").mean()),
            closes_had=error.within(closes, margin_db) if closes.any() else math.nan,
        )


def spread_db(judged: Judged, loss_db: np.ndarray) -> float:
    """Standard deviation around any prediction, one offset for each site; NaN if not fitted."""
    least, most = judged.least_db - loss_db, judged.most_db - loss_db
    group = _groups(judged)
    usable = group >= 0
    design = (group[usable, np.newaxis] == np.unique(group[usable])).astype(float)
    try:
        fit = fit_censored(design, least[usable], most[usable])
    except DomainError:
        return math.nan
    return fit.sigma * math.sqrt(fit.measured / max(fit.measured - design.shape[1], 1))


def slopes(links: Links) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Growth of loss in dB a decade with its error: of what was heard, and with the missing as limits."""
    decades, heard = np.log10(links.distance_m / 1e3), links.heard
    if np.ptp(decades[heard]) < 0.3:
        return None
    receivers = np.unique(links.group[heard])
    design = np.column_stack([links.group[:, np.newaxis] == receivers, -decades]).astype(float)
    level = np.where(heard, links.level_dbm, links.limit_dbm)
    some = np.isin(links.group, receivers)
    try:
        fits = (
            fit_censored(design[heard], links.median_dbm[heard], links.median_dbm[heard]),
            fit_censored(design[some], np.where(heard, level, -np.inf)[some], level[some]),
        )
    except DomainError:
        return None
    one, both = ((float(f.coefficients[-1]), float(f.standard_errors[-1])) for f in fits)
    return one, both


def bars(judged: Judged) -> Iterator[Bar]:
    """The stated bars, over all sets that can be held to them."""
    for known, part in ((True, judged.only(judged.absolute)), (False, judged.only(~judged.absolute))):
        if not len(part):
            continue
        named = "level known" if known else "offset for each site"
        in_90, in_50 = (HOLDS_90, HOLDS_50) if known else (AT_LEAST_90, AT_LEAST_50)
        if known and (part.low & part.measured).sum() >= FEWEST_FOR_A_BAR:
            low = next(by_class(part.only(part.low)))
            yield _at_most("low ends: rms error, dB", low.rms_db, LARGEST_RMS_DB, low)
            yield _at_most("low ends: bias, dB, either way", abs(low.bias_db), LARGEST_BIAS_DB, low)
            yield _holds("low ends: 90 % interval holds", low.in_90, in_90, low)
            yield _holds("low ends: 50 % interval holds", low.in_50, in_50, low)
        for found in by_class(part):
            if found.measured < FEWEST_FOR_A_BAR or found.name == "all":
                continue
            if found.name == ELEVATED:
                if known:
                    yield _at_most(
                        f"{ELEVATED}: bias, dB, either way", abs(found.bias_db), ELEVATED_BIAS_DB, found
                    )
                yield _between(
                    f"{ELEVATED}: stated sigma, dB ({named})", found.sigma_db, ELEVATED_SIGMA_DB, found
                )
            elif "low end" in found.name:
                yield _at_most(
                    f"{found.name}: stated sigma, dB ({named})", found.sigma_db, LOW_SIGMA_DB, found
                )
            yield _holds(f"{found.name}: 90 % interval holds ({named})", found.in_90, in_90, found)
            yield _holds(f"{found.name}: 50 % interval holds ({named})", found.in_50, in_50, found)


def _at_most(what: str, value: float, limit: float, of: Class) -> Bar:
    return Bar(what, value <= limit, f"{value:.1f}, at most {limit:g}{_of(of)}", value, limit)


def _between(what: str, value: float, limits: tuple[float, float], of: Class) -> Bar:
    low, high = limits
    numbers = f"{value:.1f}, {low:g} to {high:g}{_of(of)}"
    return Bar(what, low <= value <= high, numbers, value, low if value < low else high)


def _holds(what: str, share: float, limits: tuple[float, float], of: Class) -> Bar:
    """A share of links that must lie between two."""
    percent = _between(what, 100.0 * share, (100.0 * limits[0], 100.0 * limits[1]), of)
    if percent.met or not math.isfinite(share):
        return percent
    short = share < limits[0]
    limit, held = limits[0] if short else limits[1], round(share * of.measured)
    chance = float(binom.cdf(held, of.measured, limit) if short else binom.sf(held - 1, of.measured, limit))
    words = f"; by chance {100.0 * chance:.0f} % of the time at {100.0 * limit:g}" if chance >= CHANCE else ""
    return replace(percent, by_chance=chance, numbers=percent.numbers + words)


def _of(found: Class) -> str:
    return f" ({found.measured} links, {found.sites} sites)"


def _groups(judged: Judged) -> np.ndarray:
    """Number of the site whose offset a link shares: 0 for all of absolute level, -1 where there is none."""
    names, group = np.unique(judged.site.astype(str), return_inverse=True)
    names_of_sets = {str(s): i for i, s in enumerate(sorted(set(judged.set.astype(str))))}
    measured = np.bincount(group, judged.measured, minlength=len(names))
    own = np.where(measured[group] >= FEWEST_AT_A_SITE, group + 1, -1)
    # a set none of whose sites has links enough: one offset for all of it
    for name, i in names_of_sets.items():
        here = judged.set.astype(str) == name
        if (own[here] < 0).all():
            own[here] = len(names) + 1 + i
    return np.where(judged.absolute, 0, own)


class _Errors:
    """Limits of the measured less the predicted loss of every link, offsets taken away; NaN where unknown."""

    def __init__(self, judged: Judged) -> None:
        self.judged = judged
        offset = _held_out_offsets(judged)
        self.least = judged.least_db - judged.predicted_db - offset
        self.most = judged.most_db - judged.predicted_db - offset

    def fitted(self, which: np.ndarray) -> CensoredFit | None:
        """Mean and standard deviation."""
        return _normal(self.least[which], self.most[which])

    def share(self, which: np.ndarray, low: float, high: float) -> float:
        """Share of the links between so many stated standard deviations."""
        sigma = self.judged.sigma_db[which]
        return _share(self.least[which] / sigma, self.most[which] / sigma, low, high)

    def within(self, which: np.ndarray, margin_db: float) -> float:
        """Share of the links that lose no more than a margin above the prediction."""
        return _share(self.least[which], self.most[which], -math.inf, margin_db)


def _normal(least: np.ndarray, most: np.ndarray) -> CensoredFit | None:
    try:
        return fit_censored(np.ones((len(least), 1)), least, most)
    except DomainError:
        return None


def _share(least: np.ndarray, most: np.ndarray, low: float, high: float) -> float:
    """Share between two values: counted, or where some are limits only, of the normal law that fits them all.

    >>> _share(np.array([1.0, 2.0, 3.0, 4.0]), np.array([1.0, 2.0, 3.0, 4.0]), 1.5, 3.5)
    0.5
    """
    if np.isfinite(most).all():
        return float(((least > low) & (least <= high)).mean())
    fit = _normal(least, most)
    if fit is None:
        return math.nan
    below_low, below_high = ndtr((np.array([low, high]) - fit.coefficients[0]) / fit.sigma)
    return float(below_high - below_low)


def _held_out_offsets(judged: Judged) -> np.ndarray:
    """Offset of each link's site, from the other half of the site's places; 0 where the level is absolute."""
    group = _groups(judged)
    offset = np.where(judged.absolute, 0.0, math.nan)
    places = np.unique(judged.place.astype(str))
    first_half = dict(zip(places, np.random.default_rng(SEED).permutation(len(places)) % 2, strict=True))
    half = np.array([first_half[p] for p in judged.place.astype(str)], dtype=int)
    for g in np.unique(group[group > 0]):
        for h in (0, 1):
            own, other = (group == g) & (half == h), (group == g) & (half != h)
            if not own.any() or not (other & judged.measured).any():
                continue
            low, high = (x[other] - judged.predicted_db[other] for x in (judged.least_db, judged.most_db))
            sigma = float(np.median(judged.sigma_db[other]))
            fit = fit_censored(np.ones((int(other.sum()), 1)), low, high, sigma=sigma)
            offset[own] = fit.coefficients[0]
    return offset

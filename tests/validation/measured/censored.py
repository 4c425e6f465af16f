"""A linear law fitted to readings of which some only say "weaker than": censored regression.

A receiver lists what it heard. What it did not hear was weaker than it can hear, which is knowledge too:
leave it out, and weak signals are represented by their lucky cases alone, so that a fitted loss grows far too
slowly with distance and scatters too little. Here each reading is an interval: both limits equal for a
measured level, -inf and the sensitivity for one not heard, the ceiling and inf for one that saturated.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError

_LOG_ROOT_2_PI = 0.5 * math.log(2.0 * math.pi)


@dataclass(frozen=True)
class CensoredFit:
    """A fitted law: level = design @ coefficients + sigma * standard normal."""

    coefficients: Floats
    """(p,) in the unit of the levels per unit of each column."""
    sigma: float
    """Standard deviation around the law, in the unit of the levels."""
    standard_errors: Floats
    """(p,) of the coefficients, from the curvature of the likelihood; readings taken as independent."""
    log_likelihood: float
    """Sum over the readings, natural logarithm."""
    measured: int
    """Readings with a level."""
    limited: int
    """Readings with a limit only."""


def fit_censored(
    design: ArrayLike, lower: ArrayLike, upper: ArrayLike, *, sigma: float | None = None
) -> CensoredFit:
    """Fit a linear law with normal scatter to readings given as intervals, by maximum likelihood.

    Parameters
    ----------
    design : array_like, shape (n, p)
        What the level depends on: a column of ones for an offset, -10 log10(distance) for a slope, ...
    lower, upper : array_like, shape (n,)
        Limits between which each level lies: equal for a measured level, infinite where there is none.
    sigma : float, above 0, optional
        Standard deviation where it is known; left out: fitted too.

    Returns
    -------
    CensoredFit

    Raises
    ------
    DomainError
        If shapes do not fit or a reading says nothing (see `censored_log_likelihood`); if the measured levels
        alone do not settle the unknowns: columns that depend on each other, a group without a measured level,
        fewer measured levels than unknowns, or levels that lie exactly on the law.

    Notes
    -----
    In coefficients/sigma and 1/sigma the logarithm of the likelihood is concave, so there is one maximum. As
    any maximum-likelihood sigma it is low, by about a share p/(2 n).

    References
    ----------
    J. Tobin, Econometrica 26 (1958), p. 24; R. J. Olsen, Econometrica 46 (1978), p. 1211, for the concavity;
    J. W. Pratt, J. Am. Stat. Assoc. 76 (1981), p. 103, for intervals (all from memory).

    Examples
    --------
    Four levels heard, two not heard by a receiver that hears down to -120 dBm:

    >>> distance_km = np.array([0.5, 1.0, 2.0, 3.0, 4.0, 6.0])
    >>> level = np.array([-82.0, -97.0, -105.0, -116.0, -120.0, -120.0])
    >>> heard = np.array([True, True, True, True, False, False])
    >>> design = np.column_stack([np.ones(6), -10.0 * np.log10(distance_km)])
    >>> fit = fit_censored(design, np.where(heard, level, -np.inf), level)
    >>> fit.coefficients.round(1).tolist(), round(fit.sigma, 1)
    ([-95.1, 4.3], 1.7)
    """
    from scipy.optimize import minimize
    from scipy.sparse import csr_array

    x = checked("design", design)
    if x.ndim != 2 or x.shape[1] == 0:
        raise DomainError(f"design must be a table, one row a reading, got shape {x.shape}")
    low, high = _limits(lower, upper)
    if low.shape != (len(x),):
        raise DomainError(f"design has {len(x)} rows, the limits have shape {low.shape}")
    measured = low == high
    known = None if sigma is None else float(checked("sigma", sigma, above=0.0))
    size = np.maximum(np.sqrt(np.mean(x**2, axis=0)), 1e-300)
    rows: Any = csr_array(x / size)  # columns that mark a group are mostly zeros
    start, left_over = _least_squares(rows[measured], low[measured], spare=known is None)
    if known is None and left_over == 0.0:
        raise DomainError("the measured levels lie exactly on the law: no spread can be fitted")

    def unpack(theta: Floats) -> tuple[Floats, float]:
        return (theta, 1.0 / known) if known else (theta[:-1], math.exp(min(float(theta[-1]), 50.0)))

    latest: dict[bytes, tuple[Floats, ...]] = {}

    def terms(theta: Floats) -> tuple[Floats, ...]:
        key = theta.tobytes()
        if key not in latest:
            latest.clear()
            gamma, t = unpack(theta)
            latest[key] = _interval(rows @ gamma, low, high, t)
        return latest[key]

    def value(theta: Floats) -> float:
        return -float(terms(theta)[0].sum())

    def slope(theta: Floats) -> Floats:
        _, by_eta, by_t, *_ = terms(theta)
        by_gamma: Floats = rows.T @ by_eta
        return -by_gamma if known else -np.append(by_gamma, by_t.sum() * unpack(theta)[1])

    def curvature(theta: Floats) -> Floats:
        t = unpack(theta)[1]
        _, _, by_t, eta_eta, eta_t, t_t = terms(theta)
        inner: Floats = (rows.T @ rows.multiply(eta_eta[:, np.newaxis])).toarray()
        if known:
            return -inner
        edge = t * (rows.T @ eta_t)[:, np.newaxis]
        corner = t * t * t_t.sum() + t * by_t.sum()
        return -np.block([[inner, edge], [edge.T, np.array([[corner]])]])

    t0 = 1.0 / (known or left_over)
    theta0 = start * t0 if known else np.append(start * t0, math.log(t0))
    found = minimize(
        value,
        theta0,
        jac=slope,
        hess=curvature,
        method="trust-exact",
        options={"gtol": 1e-7 * len(x), "maxiter": 500},
    )
    if not np.isfinite(found.x).all() or np.abs(slope(found.x)).max() > 1e-4 * len(x):
        raise DomainError("the readings do not settle the law: no maximum of the likelihood was found")
    gamma, t = unpack(found.x)
    # coefficients = gamma / t: their errors follow from those of gamma and ln t
    by_gamma = np.diag(1.0 / size) / t
    by_theta = by_gamma if known else np.column_stack([by_gamma, -gamma / size / t])
    covariance = by_theta @ np.linalg.inv(curvature(found.x)) @ by_theta.T
    return CensoredFit(
        coefficients=gamma / size / t,
        sigma=1.0 / t,
        standard_errors=np.sqrt(np.diag(covariance)),
        log_likelihood=-float(found.fun),
        measured=int(measured.sum()),
        limited=int((~measured).sum()),
    )


def censored_log_likelihood(mean: ArrayLike, sigma: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> Any:
    """Logarithm of how likely each reading is under a normal law: the score of a prediction.

    Parameters
    ----------
    mean : array_like, all arguments broadcast
        Predicted level.
    sigma : array_like, above 0
        Standard deviation of the level around it.
    lower, upper : array_like
        Limits between which the level lies; equal for a measured level, infinite where there is none.

    Returns
    -------
    ndarray or float, broadcast shape
        Natural logarithm: of the density where a level was measured, of the probability where only limits are
        known.

    Raises
    ------
    DomainError
        If a mean is not finite, a sigma not above 0, or a reading says nothing: lower limit above the upper,
        a limit that is not a number, or both infinite.

    Examples
    --------
    Predicted -110 dBm with 10 dB: heard at -115 dBm; not heard at -120 dBm.

    >>> censored_log_likelihood(-110.0, 10.0, [-115.0, -np.inf], [-115.0, -120.0]).round(3).tolist()
    [-3.347, -1.841]
    """
    low, high = _limits(lower, upper)
    t = 1.0 / checked("sigma", sigma, above=0.0)
    m, t, low, high = np.broadcast_arrays(checked("mean", mean), t, low, high)
    return scalar_if_0d(_log_probability(low * t - m * t, high * t - m * t, t, low == high))


def _limits(lower: ArrayLike, upper: ArrayLike) -> tuple[Floats, Floats]:
    low, high = np.broadcast_arrays(np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64))
    if not (low <= high).all():
        raise DomainError("the lower limit of a reading must be a number not above its upper limit")
    if (np.isinf(low) & np.isinf(high)).any():
        raise DomainError("a reading needs a finite limit on one side at least")
    return low, high


def _least_squares(x: Any, y: Floats, *, spare: bool) -> tuple[Floats, float]:
    """Law through the measured levels alone, and what it leaves over (rms); `spare`: one must be to spare."""
    unknowns = x.shape[1]
    if len(y) < unknowns + spare:
        what = f"{unknowns} coefficients" + (" and a spread" if spare else "")
        raise DomainError(f"{len(y)} measured levels do not settle {what}")
    # by the normal equations: they are small however many readings there are
    solution, _, rank, _ = np.linalg.lstsq((x.T @ x).toarray(), x.T @ y, rcond=1e-12)
    coefficients: Floats = np.asarray(solution, dtype=np.float64)
    if rank < unknowns:
        raise DomainError(
            "the measured levels do not settle every coefficient: columns depend on each other, or a group "
            "has no measured level"
        )
    left_over = float(np.sqrt(np.mean((y - x @ coefficients) ** 2)))
    exact = left_over <= 1e-7 * float(np.abs(y).max(initial=1.0))
    return coefficients, 0.0 if exact else left_over


def _log_probability(low: Floats, high: Floats, t: Floats | float, measured: NDArray[np.bool_]) -> Floats:
    """Of standardised limits; for a measured level the density, which 1/sigma = t scales."""
    # from the far side, where both tails would be 1: P(low < z < high) = P(-high < z < -low)
    flip = low + high > 0.0
    below = np.where(flip, -high, low)
    above = np.where(flip, -low, high)
    with np.errstate(invalid="ignore", divide="ignore"):
        outer = log_ndtr(above)
        between = outer + np.log1p(-np.exp(np.minimum(log_ndtr(below) - outer, 0.0)))
        density = np.log(t) - 0.5 * low * low - _LOG_ROOT_2_PI
    result: Floats = np.where(measured, density, between)
    return result


def _interval(
    eta: Floats, lower: Floats, upper: Floats, t: float
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Log likelihood of every reading; its first and second derivatives by eta = x gamma and by t.

    eta is the mean over sigma, t is 1/sigma; standardised limits are lower t - eta and upper t - eta.
    """
    measured = lower == upper
    a, b = lower * t - eta, upper * t - eta
    log_p = _log_probability(a, b, t, measured)
    # densities at the limits over the probability between them; an infinite limit weighs nothing
    ends = []
    for limit, z in ((lower, a), (upper, b)):
        finite = np.isfinite(limit) & ~measured
        z = np.where(finite, z, 0.0)
        ratio = np.where(finite, np.exp(-0.5 * z * z - _LOG_ROOT_2_PI - np.where(finite, log_p, 0.0)), 0.0)
        ends.append((np.where(finite, limit, 0.0), z, ratio))
    (lo, za, ra), (hi, zb, rb) = ends
    by_a, by_b = -ra, rb
    aa, bb, ab = za * ra - ra**2, -zb * rb - rb**2, ra * rb
    value = np.where(measured, lower, 0.0)
    by_eta = np.where(measured, a, -by_a - by_b)
    by_t = np.where(measured, 1.0 / t - np.where(measured, a, 0.0) * value, lo * by_a + hi * by_b)
    eta_eta = np.where(measured, -1.0, aa + 2.0 * ab + bb)
    eta_t = np.where(measured, value, -(lo * aa + (lo + hi) * ab + hi * bb))
    t_t = np.where(measured, -1.0 / t**2 - value**2, lo**2 * aa + 2.0 * lo * hi * ab + hi**2 * bb)
    return log_p, by_eta, by_t, eta_eta, eta_t, t_t

"""Censored regression against scipy.stats, plain least squares, and laws that are known."""

import math

import numpy as np
import pytest

from linkcalc.errors import DomainError
from tests.validation.measured.censored import censored_log_likelihood, fit_censored


def readings(seed: int, n: int = 400, sigma: float = 8.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A law of 40 dB a decade; a receiver that hears down to -125 dBm. Design, true level, heard."""
    rng = np.random.default_rng(seed)
    distance_km = rng.uniform(0.3, 20.0, n)
    design = np.column_stack([np.ones(n), -10.0 * np.log10(distance_km)])
    level = design @ [-95.0, 4.0] + sigma * rng.standard_normal(n)
    return design, level, level > -125.0


def fit(design: np.ndarray, level: np.ndarray, heard: np.ndarray, **more):
    return fit_censored(design, np.where(heard, level, -np.inf), np.where(heard, level, -125.0), **more)


def test_what_was_not_heard_brings_back_the_slope_that_survivors_hide():
    design, level, heard = readings(1)
    naive = np.linalg.lstsq(design[heard], level[heard], rcond=None)[0][1]
    censored = fit(design, level, heard)
    assert naive < 3.4
    assert abs(censored.coefficients[1] - 4.0) < 3.0 * censored.standard_errors[1]
    assert abs(censored.sigma - 8.0) < 1.0
    assert (censored.measured, censored.limited) == (heard.sum(), (~heard).sum())


def test_without_limits_it_is_least_squares():
    design, level, _ = readings(2)
    plain, (left_over,), *_ = np.linalg.lstsq(design, level, rcond=None)
    found = fit_censored(design, level, level)
    assert found.coefficients == pytest.approx(plain, abs=1e-6)
    assert found.sigma == pytest.approx(math.sqrt(left_over / len(level)), abs=1e-6)
    textbook = found.sigma * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    assert found.standard_errors == pytest.approx(textbook, rel=1e-5)


def test_offset_and_spread_agree_with_scipy_for_limits_on_every_side():
    stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(3)
    level = rng.normal(-110.0, 10.0, 300)
    lower, upper = level.copy(), level.copy()
    weak, strong, rounded = level < -120.0, level > -98.0, (level > -112.0) & (level < -108.0)
    lower[weak], upper[weak] = -np.inf, -120.0
    lower[strong], upper[strong] = -98.0, np.inf
    lower[rounded], upper[rounded] = -112.0, -108.0
    measured = level[~(weak | strong | rounded)]
    data = stats.CensoredData(
        uncensored=measured,
        left=np.full(weak.sum(), -120.0),
        right=np.full(strong.sum(), -98.0),
        interval=np.tile([-112.0, -108.0], (rounded.sum(), 1)),
    )
    mean, sigma = stats.norm.fit(data)
    found = fit_censored(np.ones((300, 1)), lower, upper)
    assert found.coefficients[0] == pytest.approx(mean, abs=2e-3)
    assert found.sigma == pytest.approx(sigma, abs=2e-3)
    scipys = -stats.norm.nnlf((mean, sigma), measured) + sum(
        count * np.log(stats.norm.cdf(b, mean, sigma) - stats.norm.cdf(a, mean, sigma))
        for count, a, b in (
            (weak.sum(), -np.inf, -120.0),
            (strong.sum(), -98.0, np.inf),
            (rounded.sum(), -112.0, -108.0),
        )
    )
    assert found.log_likelihood == pytest.approx(scipys, abs=1e-4)


def test_no_neighbouring_law_is_more_likely():
    design, level, heard = readings(4)
    lower, upper = np.where(heard, level, -np.inf), np.where(heard, level, -125.0)
    found = fit(design, level, heard)

    def likelihood(offset: float, slope: float, sigma: float) -> float:
        return censored_log_likelihood(design @ [offset, slope], sigma, lower, upper).sum()

    best = likelihood(*found.coefficients, found.sigma)
    assert best == pytest.approx(found.log_likelihood, abs=1e-6)
    for step in ((0.1, 0.0, 0.0), (0.0, 0.02, 0.0), (0.0, 0.0, 0.1)):
        for sign in (-1.0, 1.0):
            moved = np.array([*found.coefficients, found.sigma]) + sign * np.array(step)
            assert likelihood(*moved) < best


def test_standard_errors_cover_the_truth_as_often_as_they_say():
    inside = 0
    for seed in range(60):
        found = fit(*readings(100 + seed, n=120))
        inside += abs(found.coefficients[1] - 4.0) < 1.645 * found.standard_errors[1]
    assert 46 <= inside <= 60  # 90 % of 60 is 54; three standard deviations of the count are 7


def test_a_known_spread_is_kept():
    design, level, heard = readings(5)
    free = fit(design, level, heard)
    kept = fit(design, level, heard, sigma=free.sigma)
    assert kept.sigma == free.sigma
    assert kept.coefficients == pytest.approx(free.coefficients, abs=1e-5)
    assert kept.log_likelihood == pytest.approx(free.log_likelihood, abs=1e-6)


def test_units_do_not_matter():
    design, level, heard = readings(6)
    one = fit(design, level, heard)
    milli = fit_censored(design, np.where(heard, level * 1e3, -np.inf), np.where(heard, level * 1e3, -125e3))
    assert milli.coefficients == pytest.approx(one.coefficients * 1e3, rel=1e-5)
    assert milli.sigma == pytest.approx(one.sigma * 1e3, rel=1e-5)


def test_nor_do_the_units_of_a_column():
    design, level, heard = readings(7)
    metres = design * [1.0, 1e5]
    one, other = fit(design, level, heard), fit(metres, level, heard)
    assert other.coefficients * [1.0, 1e5] == pytest.approx(one.coefficients, rel=1e-6)
    assert other.standard_errors * [1.0, 1e5] == pytest.approx(one.standard_errors, rel=1e-6)


def test_far_tails_stay_finite():
    far = censored_log_likelihood(-100.0, 2.0, [-np.inf, 40.0, 30.0], [-300.0, np.inf, 31.0])
    assert np.isfinite(far).all()
    assert (far < -2000.0).all()
    # symmetric: a limit as far above as below
    assert censored_log_likelihood(0.0, 1.0, 30.0, 31.0) == censored_log_likelihood(0.0, 1.0, -31.0, -30.0)


@pytest.mark.parametrize(
    ("design", "lower", "upper", "says"),
    [
        ([[1.0]] * 3, [-1.0, -2.0, -3.0], [-1.0, -2.5, -3.0], "not above"),
        ([[1.0]] * 3, [-1.0, -np.inf, -3.0], [-1.0, np.inf, -3.0], "finite limit"),
        ([[1.0]] * 3, [-1.0, math.nan, -3.0], [-1.0, -2.0, -3.0], "not above"),
        ([[1.0]] * 2, [-1.0, -2.0, -3.0], [-1.0, -2.0, -3.0], "rows"),
        ([1.0, 1.0, 1.0], [-1.0, -2.0, -3.0], [-1.0, -2.0, -3.0], "table"),
        ([[1.0]] * 3, [-np.inf, -np.inf, -3.0], [-1.0, -2.0, -3.0], "1 measured"),
        ([[1.0, 1.0]] * 4, [-1.0, -2.0, -3.0, -4.0], [-1.0, -2.0, -3.0, -4.0], "depend"),
        ([[1.0]] * 3, [-2.0, -2.0, -2.0], [-2.0, -2.0, -2.0], "exactly"),
    ],
)
def test_readings_that_settle_nothing_are_refused_with_the_reason(design, lower, upper, says):
    with pytest.raises(DomainError, match=says):
        fit_censored(design, lower, upper)


def test_a_receiver_that_heard_nothing_has_no_offset():
    design = np.kron(np.eye(2), np.ones((5, 1)))
    upper = np.array([-90.0, -95.0, -93.0, -99.0, -91.0, -120.0, -120.0, -120.0, -120.0, -120.0])
    lower = np.where(np.arange(10) < 5, upper, -np.inf)
    with pytest.raises(DomainError, match="no measured level"):
        fit_censored(design, lower, upper)

"""Published figures of random access: the thresholds of capture, and busy receivers."""

import math
from pathlib import Path

import numpy as np
import pytest

from linkcalc.errors import DomainError
from linkcalc.fleets.random_access import blocked, survival_threshold_db
from linkcalc.radio import css

REFERENCE = Path(__file__).parents[1] / "reference" / "css_survival_threshold.csv"


def test_thresholds_are_those_published():
    rows = [line.split(",") for line in REFERENCE.read_text().splitlines() if not line.startswith("#")]
    interferers = [int(v) for v in rows[0][1:]]
    for wanted, *values in rows[1:]:
        found = survival_threshold_db(int(wanted), interferers)
        assert found.tolist() == [float(v) for v in values]


def test_a_longer_spreading_bears_more_from_others_and_always_less_than_from_its_own_kind():
    factors = np.arange(7, 13)
    table = survival_threshold_db(factors[:, np.newaxis], factors)
    for interferer in range(6):
        others = np.delete(table[:, interferer], interferer)
        assert (np.diff(others) < 0).all()
    assert (np.diag(table) == 1.0).all()
    # an interferer of another kind is borne at least down to the noise that would be
    assert (table[~np.eye(6, dtype=bool)] > np.repeat(css.required_snr_db(factors), 5) - 7.0).all()


@pytest.mark.parametrize("factor", [6, 13, 7.5, math.nan])
def test_no_threshold_is_made_up(factor):
    with pytest.raises(DomainError):
        survival_threshold_db(factor, 9)


@pytest.mark.parametrize(
    ("servers", "load", "share"),
    # Erlang's loss formula worked by hand: (a^n/n!)/sum(a^k/k!)
    [(1, 1.0, 1 / 2), (2, 1.0, 1 / 5), (3, 2.0, (8 / 6) / (1 + 2 + 2 + 8 / 6)), (8, 0.0, 0.0)],
)
def test_busy_receivers_follow_erlangs_formula(servers, load, share):
    assert blocked(servers, load) == pytest.approx(share, abs=1e-15)


def test_a_load_below_nothing_and_half_a_receiver_are_refused():
    with pytest.raises(DomainError, match="load"):
        blocked(1, -0.1)
    with pytest.raises(DomainError, match="servers"):
        blocked(0, 1.0)

"""Simulated crews: a few of each kind; `python -m tests.validation crews` sends more."""

import pytest

from tests.validation.crews import SCENARIOS, Scenario, run


@pytest.mark.slow
@pytest.mark.parametrize("scenario", SCENARIOS, ids=[s.name for s in SCENARIOS])
def test_the_survey_s_intervals_hold_whatever_the_crew_did(scenario: Scenario) -> None:
    found = run(scenario, 24)
    assert not found.missed, found
    assert abs(found.bias_db) < 4.0

"""The tests of the limits take place on the day after the table was last checked."""

import datetime

import pytest


@pytest.fixture(autouse=True)
def _day(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("linkcalc.rules.limits._today", lambda: datetime.date(2026, 12, 1))

"""The quiz on legal limits is answered without a fault, and would notice a table that is wrong."""

import math
from dataclasses import replace

import pytest

from linkcalc.rules.table import REGIONS, Rule, rules
from tests.validation.limits import answers, main


def test_every_question_is_answered_as_its_rule_answers_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    assert " 0 wrong, 0 of them a false within; 0 limits asked from one side" in capsys.readouterr().out


def loosened(rule: Rule) -> list[tuple[str, Rule]]:
    """The row with one of its limits a little wider than the law: 0.2 dB, 2 kHz, a tenth of a time."""
    power, changes = 10 ** (0.2 / 10), []
    for key, factor in (
        ("max_conducted_mw", power),
        ("max_erp_mw", power),
        ("max_eirp_mw", power),
        ("duty_cycle", 1.11),
        ("polite_s_per_hour", 1.1),
        ("polite_burst_s", 1.5),
        ("dwell_s", 1.05),
        ("max_bandwidth_khz", 1.05),
        ("min_bandwidth_khz", 0.99),
    ):
        value = getattr(rule, key)
        if value is not None:
            changes.append((key, replace(rule, **{key: value * factor})))
    if rule.density_dbm is not None:
        changes.append(("density_dbm", replace(rule, density_dbm=rule.density_dbm + 0.2)))
    if rule.min_channels is not None:
        changes.append(("min_channels", replace(rule, min_channels=rule.min_channels - 1)))
    if not rule.barred:
        changes.append(("low_mhz", replace(rule, low_mhz=rule.low_mhz - 0.002)))
        changes.append(("high_mhz", replace(rule, high_mhz=rule.high_mhz + 0.002)))
    return changes


def test_a_limit_typed_too_wide_is_noticed() -> None:
    """All but those that another limit of the same device hides: named here, each with its reason."""
    missed = []
    for region in REGIONS:
        regional = [r for r in rules() if r.region == region]
        for rule in regional:
            for key, wider in loosened(rule):
                table = [wider if r is rule else r for r in regional]
                if all(a.right for a in answers(table, region)):
                    missed.append(f"{rule.id} {key}")
    assert missed == []

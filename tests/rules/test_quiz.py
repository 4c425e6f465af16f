"""The quiz on legal limits is answered without a fault, and would notice a table that is wrong."""

from collections.abc import Callable
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


HIDDEN = {
    "density_dbm": "the power limit of the same row is reached first at every bandwidth it allows",
    "eu-865-network max_bandwidth_khz": "its channels are 200 kHz wide",
    "eu-g3 max_bandwidth_khz": "the band is 250 kHz wide",
    "uk-g3 max_bandwidth_khz": "the band is 250 kHz wide",
    "us-hop-wide-50 max_bandwidth_khz": "from 500 kHz digital modulation allows the same power",
    "us-hop-wide-25 max_bandwidth_khz": "from 500 kHz digital modulation allows more",
    "us-hop-wide-50 min_bandwidth_khz": "below 250 kHz 50 channels are allowed the same by another row",
    "ca-hop-wide-50 max_bandwidth_khz": "from 500 kHz digital modulation allows the same power",
    "ca-hop-wide-25 max_bandwidth_khz": "from 500 kHz digital modulation allows more",
    "ca-hop-wide-50 min_bandwidth_khz": "below 250 kHz 50 channels are allowed the same by another row",
    "br-hop max_bandwidth_khz": "50 channels of 500 kHz do not fit into the band",
    "us-hybrid": "contested: never counted",
    "au-any": "digital modulation without a least bandwidth allows more",
    "jp-short-sense": "the long carrier sense allows the same power and longer bursts",
}
"""Limits that another limit hides: no transmitter is judged otherwise for them."""


def test_a_limit_typed_too_wide_is_noticed_unless_another_one_hides_it(few: Callable[[int], int]) -> None:
    missed = []
    for region in sorted(REGIONS)[: few(len(REGIONS))]:
        regional = [r for r in rules() if r.region == region]
        for rule in regional:
            for key, wider in loosened(rule):
                table = [wider if r is rule else r for r in regional]
                if all(a.right for a in answers(table, region)):
                    missed.append(f"{rule.id} {key}")
    assert [m for m in missed if not any(hidden in m for hidden in HIDDEN)] == []

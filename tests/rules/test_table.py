"""The table of limits is complete and consistent, and its loader refuses what is not."""

import datetime
import tomllib
from importlib.resources import files

import pytest

from linkcalc.errors import DomainError
from linkcalc.rules.table import REGIONS, read_rules, rules, rules_of

TEXT = files("linkcalc.rules").joinpath("table.toml").read_text(encoding="utf-8")

ROW = """
[[rule]]
id = "x"
region = "eu"
title = "a rule"
low_mhz = 868.0
high_mhz = 868.6
max_erp_mw = 25.0
standard = "a standard"
edition = "first"
clause = "1"
checked = 2026-11-25
confidence = { band = "A", power = "A" }
note = ""
"""


def test_every_region_has_a_rule_and_every_rule_names_its_source():
    assert {r.region for r in rules()} == set(REGIONS)
    for rule in rules():
        assert rule.standard
        assert rule.edition
        assert rule.clause
        assert datetime.date(2026, 11, 25) <= rule.checked <= datetime.date(2026, 11, 30)


def test_most_quantities_have_been_read_somewhere():
    letters = [letter for rule in rules() for letter in rule.confidence.values()]
    assert sum(letter in "AB" for letter in letters) >= 0.85 * len(letters)


def test_a_region_whose_values_nobody_read_limits_nothing_and_says_so():
    kenya = [r for r in rules() if r.region == "ke"]
    assert kenya
    assert all(not r.power_limited and "not been read" in r.unread for r in kenya)


def test_the_united_kingdom_rows_follow_the_european_ones():
    def limits(region, skip):
        return {
            r.id.split("-", 1)[1]: (
                (r.low_mhz, r.high_mhz, r.max_erp_mw, r.duty_cycle, r.listen_before_talk),
                (r.polite_s_per_hour, r.max_bandwidth_khz, r.joins_adjacent, r.barred),
            )
            for r in rules()
            if r.region == region and r.id not in skip
        }

    assert limits("uk", ()) == limits("eu", ("eu-865-network", "eu-917"))


def test_a_well_formed_row_is_taken():
    (rule,) = read_rules(ROW)
    assert rule.max_erp_mw == 25.0
    assert rule.quantities == ("band", "power")
    assert rule.unverified == ()


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('region = "eu"', 'region = "moon"', "region 'moon'"),
        ("low_mhz = 868.0", "low_mhz = 869.0", "below high_mhz"),
        ("max_erp_mw = 25.0", "", "no power limit"),
        ("max_erp_mw = 25.0", "max_erp_mw = -1.0", "max_erp_mw must be above 0"),
        ("max_erp_mw = 25.0", 'max_erp_mw = "25"', "max_erp_mw has the wrong type"),
        ("max_erp_mw = 25.0", "max_erp_mw = true", "max_erp_mw has the wrong type"),
        ("max_erp_mw = 25.0", "max_erp_mw = 25.0\npower_mw = 1", "unknown key power_mw"),
        ("max_erp_mw = 25.0", "max_erp_mw = 25.0\nduty_cycle = 1.0", "between 0 and 1"),
        ("max_erp_mw = 25.0", "max_erp_mw = 25.0\ndensity_dbm = 8.0", "go together"),
        ("max_erp_mw = 25.0", "max_erp_mw = 25.0\ndwell_window_s = 20.0", "needs dwell_s"),
        ("max_erp_mw = 25.0", "max_erp_mw = 25.0\nmax_bandwidth_khz = 200.0", "go together"),
        ("max_erp_mw = 25.0", "max_erp_mw = 25.0\ngain_free_dbi = 6.0", "needs max_conducted_mw"),
        ("max_erp_mw = 25.0", 'max_erp_mw = 25.0\nlisten_before_talk = "yes"', '"required"'),
        (
            "max_erp_mw = 25.0",
            'max_erp_mw = 25.0\nlisten_before_talk = "instead_of_duty"',
            "needs duty_cycle",
        ),
        ("max_erp_mw = 25.0", "max_erp_mw = 25.0\npolite_burst_s = 1.0", "polite_ keys go together"),
        ("max_erp_mw = 25.0", "max_erp_mw = 25.0\npause_s = 0.0", "pause_s must be above 0"),
        ("max_erp_mw = 25.0", "max_erp_mw = 25.0\nexcluded_mhz = [[867.0, 868.1]]", "not a part of the band"),
        ('power = "A"', 'power = "D"', "letters are A, B, C"),
        (', power = "A"', "", "confidence speaks of"),
        ('clause = "1"', 'clause = ""', "clause is empty"),
        ('clause = "1"', "", "key clause is missing"),
        ("checked = 2026-11-25", 'checked = "today"', "checked has the wrong type"),
        ("[[rule]]", "[[rule]", "table of limits"),
    ],
)
def test_a_row_that_makes_no_sense_is_refused_with_its_reason(old, new, told):
    text = ROW.replace(old, new, 1)
    assert text != ROW
    with pytest.raises(DomainError, match=r"^table of limits") as error:
        read_rules(text)
    assert told in str(error.value)
    assert "\n" not in str(error.value)


def test_two_rules_of_the_same_name_are_refused():
    with pytest.raises(DomainError, match="two rules are called 'x'"):
        read_rules(ROW + ROW)


def test_no_limit_hides_in_a_key_the_loader_does_not_know():
    for row in tomllib.loads(TEXT)["rule"]:
        rule = next(r for r in rules() if r.id == row["id"])
        assert all(hasattr(rule, key) for key in row)


def test_a_row_joins_only_what_has_the_same_kinds_of_limits():
    for rule in (r for r in rules() if r.joins_adjacent):
        assert set(rule.quantities) == {"band", "power", "duty", "listen"}


def test_the_rows_of_each_region_are_those_of_the_whole_table():
    assert sum((rules_of(region) for region in REGIONS), ()) == tuple(
        sorted(rules(), key=lambda rule: list(REGIONS).index(rule.region))
    )

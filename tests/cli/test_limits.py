"""The limits command: the answer, the table, and refusals in one line."""

import json
from datetime import date
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.rules.table import REGIONS, rules
from tests.plan.plans import PLAN, write

pytestmark = pytest.mark.cli


@pytest.fixture(autouse=True)
def _day(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("linkcalc.rules.limits._today", lambda: date(2026, 12, 1))


REGULATION = '\n[regulation]\nregion = "eu"\nreport_interval_s = 600.0\n'
NOT_ADVICE = "Check with your regulator; this is not legal advice."


def limits(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["limits", *map(str, arguments)])


def plan_file(folder: Path, extra: str = REGULATION, **changes: str) -> Path:
    text = PLAN.replace("frequency_mhz = 868.0", f"frequency_mhz = {changes.get('frequency_mhz', '868.3')}")
    return write(folder, text + extra)


def test_a_legal_plan_is_within_with_its_rule_its_sources_and_the_disclaimer(tmp_path: Path) -> None:
    done = limits(plan_file(tmp_path))
    assert (done.exit_code, done.stderr) == (0, "")
    assert NOT_ADVICE in done.stdout
    assert "Rule eu-g1: 868.0-868.6 MHz, 25 mW, 1 % duty" in done.stdout
    assert "unverified" not in done.stdout.lower()
    assert "EN 300 220-2" in done.stdout
    assert "edition: EN 300 220-2 V3.3.1 (2025-03)" in " ".join(done.stdout.split())
    assert "Keep at least 0.2 m from the antenna" in done.stdout
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_what_is_over_says_by_how_much_and_what_would_keep_it(tmp_path: Path) -> None:
    done = limits(plan_file(tmp_path, REGULATION.replace("eu", "us"), frequency_mhz="915.0"))
    text = " ".join(done.stdout.split())
    assert "OVER THE TABLE'S LIMITS" in text
    assert "bandwidth 125 kHz, at least 500 kHz needed (6 dB); to keep it: use at least 500 kHz" in text
    assert "to keep it: hop over at least 50 channels" in text
    assert "is not digital modulation" in text
    assert "Largest legal power: -3.4 dBm at the radio" in text


def test_what_applies_to_all_transmitters_and_each_rule_is_said_once(tmp_path: Path) -> None:
    done = limits(plan_file(tmp_path, REGULATION.replace("eu", "us"), frequency_mhz="915.0"))
    assert done.stdout.count("\n  us-hop-narrow: ") == 1
    assert done.stdout.count("All transmitters\n  Why: ") == 1
    assert "Least remedy: use at least 500 kHz" in done.stdout


def test_an_unverified_limit_is_named_where_the_answer_rests_on_it(tmp_path: Path) -> None:
    done = limits(plan_file(tmp_path, REGULATION.replace("eu", "au"), frequency_mhz="917.0"))
    assert "unverified" not in done.stdout.split("Rules of the table")[0]
    hopping = REGULATION.replace("eu", "ca") + "hopping_channels = 50\n"
    done = limits(plan_file(tmp_path, hopping, frequency_mhz="915.0"))
    assert "unverified: power" in " ".join(done.stdout.split("Rules of the table")[0].split())


def test_a_row_checked_long_ago_is_said_to_be_outdated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("linkcalc.rules.limits._today", lambda: date(2028, 12, 1))
    found = json.loads(limits(plan_file(tmp_path), "--json").stdout)["limits"]
    assert found["line"] == "Limits eu: within, outdated; ask your regulator; linkcalc limits"
    assert found["ends"][0]["limits"]["old"] is True
    assert "more than 24 months ago" in " ".join(limits(plan_file(tmp_path)).stdout.split())


def test_a_condition_that_no_rule_has_is_refused_by_name(tmp_path: Path) -> None:
    done = limits(plan_file(tmp_path, REGULATION + 'conditions_met = ["eu-g1"]\n'))
    assert done.exit_code == 2
    assert (
        "regulation.conditions_met: 'eu-g1' is not a rule with a condition that could be met" in done.stderr
    )
    done = limits(plan_file(tmp_path, REGULATION + 'conditions_met = ["eu-917"]\n', frequency_mhz="918.0"))
    assert "Rule eu-917: " in done.stdout
    assert "unverified: band edges, power, duty cycle, bandwidth" in " ".join(done.stdout.split())


def test_the_intervals_of_every_spreading_factor_are_shown(tmp_path: Path) -> None:
    done = limits(plan_file(tmp_path))
    rows = [line.split() for line in done.stdout.splitlines() if line.strip().startswith("min. interval")]
    # 36 s an hour over 56.576 ... 1318.912 ms, whole messages, rounded up to a tenth of a second
    assert rows[0][2:] == ["5.7", "s", "10.4", "s", "18.6", "s", "37.2", "s", "75", "s", "133.4", "s"]


def test_without_a_region_the_limits_are_unknown_and_the_regions_are_listed(tmp_path: Path) -> None:
    done = limits(plan_file(tmp_path, ""))
    assert done.exit_code == 0
    assert "no region stated: unknown here" in done.stdout
    assert "eu, uk, us" in " ".join(done.stdout.split())


def test_the_region_may_be_asked_for_on_the_command_line(tmp_path: Path) -> None:
    done = limits(plan_file(tmp_path), "--region", "us")
    assert "the table has no rule for 868.3 MHz in us; its bands are 902-928, 433.42-434.42 MHz" in " ".join(
        done.stdout.split()
    )


def test_the_answer_is_strict_json(tmp_path: Path) -> None:
    def never(word: str) -> None:
        raise AssertionError(word)

    found = json.loads(limits(plan_file(tmp_path), "--json").stdout, parse_constant=never)
    assert found["limits"]["status"] == "within"
    assert found["limits"]["caution"] == NOT_ADVICE
    tank = found["limits"]["ends"][0]
    assert tank["limits"]["rule"] == "eu-g1"
    assert tank["limits"]["unverified"] == []
    assert tank["limits"]["time_on_air_s"] == pytest.approx(0.370688)
    assert found["exposure"]["stations"][0]["keeping"]["advised_m"] == 0.2


@pytest.mark.parametrize("region", REGIONS)
def test_the_table_is_listed_with_every_rule_and_what_is_unverified(region: str) -> None:
    done = limits("--list", "--region", region)
    assert done.exit_code == 0
    assert NOT_ADVICE in done.stdout
    text = " ".join(done.stdout.split())
    for rule in rules():
        assert (f" {rule.id} {rule.title}" in text) == (rule.region == region)
    assert text.count("unverified: ") == sum(bool(r.unverified) for r in rules() if r.region == region)


def test_the_whole_table_is_json_too() -> None:
    found = json.loads(limits("--list", "--json").stdout)
    assert len(found["rules"]) == len(rules())
    assert found["caution"] == NOT_ADVICE


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "name a plan file, or --list"),
        (["--list", "--region", "mars"], "--region mars: not in the table; known: eu, uk"),
        (["--list", "plan.toml"], "leave the plan file out"),
        (["absent.toml"], "absent.toml: no such file"),
    ],
)
def test_a_question_that_cannot_be_answered_is_one_line(arguments: list[str], told: str) -> None:
    done = limits(*arguments)
    assert done.exit_code == 2
    assert told in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_message_longer_than_its_interval_is_one_line_that_names_the_key(tmp_path: Path) -> None:
    done = limits(plan_file(tmp_path, REGULATION.replace("600.0", "0.3")))
    assert done.exit_code == 2
    assert done.stderr.startswith("linkcalc: regulation.report_interval_s = 0.3 is shorter than the 0.371 s")

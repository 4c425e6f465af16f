"""A newcomer's first plan lies within the limits of every region that the table can judge."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from linkcalc.cli import app
from linkcalc.operation.limits import section
from linkcalc.plan import load_plan
from linkcalc.rules.table import REGIONS, START, rules

UNREAD = {"ke": "has not been read", "ph": "external antenna", "cn": "metering", "mx": "has not been read"}
"""Regions where the table cannot say yes, and what it says instead."""


def started(folder: Path, *arguments: str) -> Path:
    done = CliRunner().invoke(app, ["new", str(folder / "site.toml"), *arguments])
    assert done.exit_code == 0, done.stderr
    return folder / "site.toml"


def test_every_region_has_a_channel_to_start_from() -> None:
    assert set(START) == set(REGIONS)


@pytest.mark.parametrize("region", REGIONS)
def test_the_starter_plan_of_a_region_is_within_its_limits(region: str, tmp_path: Path) -> None:
    plan = started(tmp_path, "--region", region)
    found = section(load_plan(plan).plan)
    assert found.region == region
    assert found.status == ("unknown" if region in UNREAD else "within")
    for end in found.ends:
        assert UNREAD.get(region, "") in end.limits.reason
        rule = next(r for r in rules() if r.id == end.limits.rule)
        half_mhz = 0.5e-3 * START[region].bandwidth_khz
        assert rule.low_mhz + half_mhz < START[region].frequency_mhz < rule.high_mhz - half_mhz
    done = CliRunner().invoke(app, ["limits", str(plan)])
    assert done.exit_code == 0
    assert "OVER" not in done.stdout


def test_the_starter_plan_without_a_region_is_legal_in_europe_once_the_region_is_set(tmp_path: Path) -> None:
    plan = load_plan(started(tmp_path)).plan
    assert section(plan).status == "unknown"
    assert section(plan, region="eu").status == "within"


def test_a_region_that_is_not_in_the_table_is_refused_by_name(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["new", str(tmp_path / "site.toml"), "--region", "mars"])
    assert done.exit_code == 2
    assert "--region mars: not in the table of limits; known: eu, uk" in done.stderr
    assert not (tmp_path / "site.toml").exists()

"""The plan's sections on regulation, exposure and power supply."""

from pathlib import Path
from typing import get_args

import pytest

from linkcalc.plan.power import BatteryChemistry, Region, StorageChemistry
from linkcalc.radio.energy import CHEMISTRIES
from linkcalc.rules.table import REGIONS
from tests.plan.plans import PLAN, load, refusal

SUPPLY = """
[regulation]
region = "eu"
report_interval_s = 600.0

[[power]]
station = "tank"
[power.battery]
capacity_mah = 19000.0
"""


def test_the_plan_takes_every_region_of_the_table_and_no_other() -> None:
    assert list(get_args(Region)) == list(REGIONS)


def test_the_plan_takes_every_chemistry_that_is_known() -> None:
    assert list(get_args(BatteryChemistry)) == list(CHEMISTRIES)
    assert set(get_args(StorageChemistry)) == {n for n, c in CHEMISTRIES.items() if c.rechargeable}


def test_every_default_of_a_supply_is_named_as_assumed(tmp_path: Path) -> None:
    loaded = load(tmp_path, (PLAN, PLAN + SUPPLY))
    keys = {a.key.removeprefix('power "tank" ') for a in loaded.assumed if a.key.startswith("power")}
    assert keys == {
        "receive_current_ma",
        "receive_window_s",
        "sleep_current_ma",
        "sensor_current_ma",
        "sensor_warm_up_s",
        "battery.chemistry",
        "battery.temperature_c",
    }


def test_a_station_that_only_answers_has_no_sensor_to_assume(tmp_path: Path) -> None:
    loaded = load(tmp_path, (PLAN, PLAN + SUPPLY.replace("tank", "shed")))
    assert not any("sensor" in a.key for a in loaded.assumed)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("capacity_mah = 19000.0", "capacity_mah = -19000.0", "battery.capacity_mah = -19000 is too low"),
        ("capacity_mah = 19000.0", "", "capacity_mah"),
        (
            "report_interval_s = 600.0",
            "report_interval_s = 0.0",
            "regulation.report_interval_s = 0 is too low",
        ),
        ('region = "eu"', 'region = "europe"', 'regulation.region = "europe" is not known'),
        (
            'station = "tank"',
            'station = "tnak"',
            'station = "tnak": unknown station; did you mean "tank"?',
        ),
        (
            "[power.battery]",
            "[power.solar]\nworst_month_peak_sun_h = 2.0\n[power.battery]",
            "give battery or solar, not both",
        ),
        ("[[power]]", '[[power]]\nstation = "tank"\n[[power]]', "two [[power]] tables are for station"),
    ],
)
def test_a_bad_supply_is_one_line_that_names_the_key(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in SUPPLY
    assert told in refusal(tmp_path, (PLAN, PLAN + SUPPLY.replace(old, new, 1)))

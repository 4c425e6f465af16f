"""Plans made in Python: the same rules, the same answers as from a file."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from linkcalc.errors import PlanError
from linkcalc.files import sample_path
from linkcalc.link.verdict import check_plan
from linkcalc.plan import Feeder, Station, load_plan, plan_from
from linkcalc.terrain.profile import profile_from
from tests.plan.plans import PLAN, write

LINK: dict[str, Any] = {
    "name": "level",
    "from": "tank",
    "to": "shed",
    "frequency_mhz": 868.3,
    "modulation": {"kind": "css", "spreading_factor": 9},
}
STATIONS = [{"name": "tank", "antenna_height_m": 4.0}, {"name": "shed", "antenna_height_m": 6.0}]
PROFILE = profile_from([0.0, 500.0, 1000.0], [10.0, 8.0, 11.0])


def test_a_plan_made_in_python_answers_as_its_file_does(tmp_path: Path) -> None:
    from_file = load_plan(write(tmp_path, PLAN))
    made = plan_from(from_file.plan, base_dir=tmp_path)
    assert made.plan == from_file.plan
    assert made.assumed == from_file.assumed
    assert check_plan(made).links[0].directions == check_plan(from_file).links[0].directions
    given = plan_from(from_file.plan, link=[_without_file(made.plan.link[0])], profiles={"level": PROFILE})
    assert check_plan(given).links[0].directions == check_plan(from_file).links[0].directions


def _without_file(link: Any) -> dict[str, Any]:
    tables = link.model_dump(by_alias=True, exclude_unset=True)
    del tables["profile_csv"]
    return dict(tables)


def test_a_sample_edited_in_python_keeps_its_rasters() -> None:
    loaded = load_plan(sample_path("plain"))
    higher = [s.model_copy(update={"antenna_height_m": 9.0}) for s in loaded.plan.station]
    made = plan_from(loaded.plan, station=higher, base_dir=loaded.base_dir)
    assert [s.antenna_height_m for s in made.plan.station] == [9.0, 9.0]
    assert made.plan.terrain == loaded.plan.terrain


def test_sections_tuples_and_numpys_numbers_are_taken() -> None:
    tank = Station(name="tank", antenna_height_m=4.0, feeder=Feeder(type="rg213", length_m=3.0))
    shed = {"name": "shed", "antenna_height_m": np.float64(6.0)}
    link = LINK | {
        "tries": np.int64(3),
        "modulation": {"kind": "css", "spreading_factor": np.arange(9, 10)[0]},
    }
    made = plan_from(station=(tank, shed), link=(link,), profiles={"level": PROFILE})
    assert made.plan.station[0].feeder.length_m == 3.0
    assert made.plan.link[0].tries == 3


def test_the_digest_is_of_values_and_profiles() -> None:
    def digest(height_m: float = 8.0, **changes: Any) -> str:
        profile = profile_from([0.0, 500.0, 1000.0], [10.0, height_m, 11.0])
        tables = {"station": STATIONS, "link": [LINK], **changes}
        return plan_from(tables, profiles={"level": profile}).digest

    assert digest() == digest()
    assert len({digest(), digest(height_m=9.0), digest(title="other")}) == 3


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, 'link "level" has no source of heights; give terrain.rasters, or profile_csv of this link'),
        ({"profiles": {"levle": PROFILE}}, 'link "level" has no source of heights'),
        ({"profiles": {"level": PROFILE, "levle": PROFILE}}, 'unknown link "levle"; did you mean '),
        ({"profiles": {"level": PROFILE}, "stations": STATIONS}, "did you mean [[station]]?"),
        ({"profiles": {"level": PROFILE}, "link": [LINK | {"tries": 0}]}, "tries = 0 is too low"),
        ({"link": [LINK | {"profile_csv": "absent.csv"}]}, 'profile_csv = "absent.csv": no such file'),
    ],
)  # fmt: skip
def test_the_rules_of_a_file_hold_and_are_said_in_one_line(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(PlanError) as caught:
        plan_from({"station": STATIONS, "link": [LINK]}, **changes)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_profile_is_given_once(tmp_path: Path) -> None:
    loaded = load_plan(write(tmp_path, PLAN))
    with pytest.raises(PlanError, match='link "level": give profile_csv or its profile, not both'):
        plan_from(loaded.plan, base_dir=tmp_path, profiles={"level": PROFILE})


def test_a_feeder_grows_with_an_antenna_that_is_set_higher_in_python_as_on_the_command_line() -> None:
    file = sample_path("upland")
    height, length = "generator shed.antenna_height_m", "generator shed.feeder.length_m"
    for values, length_m in (
        ({height: 16}, 16.0),
        ({height: 4}, 6.0),
        ({height: 16, length: 6}, 6.0),
        ({height: 16, "generator shed.feeder": {"type": "rg213", "length_m": 9}}, 9.0),
        ({"tank.antenna_height_m": 16}, 6.0),
    ):
        changed = load_plan(file).changed(values).plan
        assert changed.station_named("generator shed").feeder.length_m == length_m, values
        if "generator shed.feeder" not in values:
            assert changed == load_plan(file, [f"{key}={value}" for key, value in values.items()]).plan
    higher = check_plan(load_plan(file).changed({height: 16}), advice=False).links[0].directions[0]
    bare = load_plan(file).changed({height: 16, length: 6})
    assert higher.fade_margin_db < check_plan(bare, advice=False).links[0].directions[0].fade_margin_db

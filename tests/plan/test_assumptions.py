"""Which defaults are listed as assumed, and which are not because they change nothing."""

from pathlib import Path
from typing import Any

import pytest

from linkcalc.plan import Plan
from linkcalc.plan.keys import places
from tests.plan.plans import HEIGHT, load


def assumed(folder: Path, *changes: tuple[str, str]) -> dict[str, Any]:
    return {a.key: a.value for a in load(folder, *changes).assumed}


def test_a_default_is_listed_with_value_and_source_until_the_plan_states_it(tmp_path: Path) -> None:
    key = 'station "tank" transmit_power_dbm'
    (found,) = [a for a in load(tmp_path).assumed if a.key == key]
    assert (found.value, found.source) == (14.0, "common practice, no source")
    # stating the very same value is a statement, not an assumption
    assert key not in assumed(tmp_path, (HEIGHT, f"{HEIGHT}\ntransmit_power_dbm = 14.0"))


def test_defaults_of_sections_that_are_left_out_count(tmp_path: Path) -> None:
    found = assumed(tmp_path)
    assert found['station "shed" antenna.polarisation'] == "vertical"
    assert found["conditions.year_share_percent"] == 99.0
    assert 'station "tank" antenna.polarisation' not in found
    assert found['link "level" modulation.bandwidth_khz'] == 125.0


def test_every_assumption_has_a_source(tmp_path: Path) -> None:
    assert all(a.source for a in load(tmp_path).assumed)
    for place in places(Plan):
        for key, field in place.fields().items():
            extra = field.json_schema_extra
            if isinstance(extra, dict):
                assert extra.get("source"), f"{place.header} {key}"


@pytest.mark.parametrize(
    ("key", "idle", "used"),
    [
        ('station "tank" feeder.connector_loss_db', "", "connectors = 2"),
        ('station "tank" feeder.arrestor_loss_db', "", "arrestor = true"),
    ],
)
def test_parts_that_are_not_fitted_are_not_assumed_to_lose_anything(
    tmp_path: Path, key: str, idle: str, used: str
) -> None:
    length = "length_m = 5.0"
    assert key not in assumed(tmp_path, (length, f"{length}\n{idle}"))
    assert key in assumed(tmp_path, (length, f"{length}\n{used}"))


def test_an_antenna_known_by_figures_needs_no_type(tmp_path: Path) -> None:
    figures = "gain_dbi = 5.0\nhorizontal_beamwidth_deg = 360\n"
    key = 'station "tank" antenna.type'
    beam = ("[station.antenna]\n", f"[station.antenna]\n{figures}")
    assert key in assumed(tmp_path, beam)
    assert key not in assumed(tmp_path, beam, (figures, f"{figures}vertical_beamwidth_deg = 30\n"))


def test_what_is_asked_is_assumed_until_the_plan_asks(tmp_path: Path) -> None:
    for key, value in (("required_success", 0.99), ("confidence", 0.9), ("channel_busy_percent", 1.0)):
        name = f'link "level" {key}'
        (found,) = [a for a in load(tmp_path).assumed if a.key == name]
        assert found.value == value
        assert name not in assumed(tmp_path, ('to = "shed"', f'to = "shed"\n{key} = {value}'))
    # a margin is asked for besides, or not at all
    assert 'link "level" required_margin_db' not in assumed(tmp_path)


def test_surroundings_are_assumed_of_antennas_below_their_tops(tmp_path: Path) -> None:
    key = 'station "shed" surroundings'
    assert assumed(tmp_path)[key] == "open"

    def at(*lines: str) -> tuple[str, str]:
        return "antenna_height_m = 6.0", "\n".join(("antenna_height_m = 6.0", *lines))

    assert key not in assumed(tmp_path, at('surroundings = "open"'))
    assert key not in assumed(tmp_path, at("surroundings_height_m = 5.0"))
    assert key in assumed(tmp_path, at("surroundings_height_m = 7.0"))
    for height, listed in ((9.9, True), (10.0, False)):
        found = assumed(tmp_path, ("antenna_height_m = 6.0", f"antenna_height_m = {height}"))
        assert (key in found) == listed
    # nobody needs to guess at the error of the prediction: it goes by the kind of path
    assert "conditions.model_error_db" not in assumed(tmp_path)
    assert assumed(tmp_path)["conditions.installation_db"] == 1.5


def test_a_surveyed_path_assumes_nothing_about_rasters(tmp_path: Path) -> None:
    (tmp_path / "ground.tif").touch()
    rasters = ("title =", 'terrain = { rasters = ["ground.tif"], surface_rasters = ["ground.tif"] }\ntitle =')
    assert not [key for key in assumed(tmp_path, rasters) if key.startswith("terrain")]
    placed = (
        ('profile_csv = "path.csv"\n', ""),
        (HEIGHT, f"{HEIGHT}\nlatitude_deg = 1.0\nlongitude_deg = 2.0"),
        ("antenna_height_m = 6.0", "antenna_height_m = 6.0\nlatitude_deg = 1.0\nlongitude_deg = 2.01"),
    )
    found = assumed(tmp_path, rasters, *placed)
    assert found["terrain.largest_hole_m"] == 250.0
    assert found["terrain.surface_kind"] == "trees"
    assert found["conditions.leaf"] == "in_leaf"
    bare = ("title =", 'terrain = { rasters = ["ground.tif"] }\ntitle =')
    found = assumed(tmp_path, bare, *placed)
    assert "terrain.surface_kind" not in found
    assert "conditions.leaf" not in found  # no tree stands anywhere in this plan


def test_a_station_that_no_link_uses_is_left_out(tmp_path: Path) -> None:
    spare = '[[station]]\nname = "spare"\nantenna_height_m = 3\n\n[[link]]'
    assert not [key for key in assumed(tmp_path, ("[[link]]", spare)) if "spare" in key]

"""Measured antenna patterns: read, interpolated, and used by everything downstream."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import linkcalc as lc
from linkcalc.area.coverage import plan_coverage
from linkcalc.errors import DomainError, PlanError
from linkcalc.files import sample_path
from linkcalc.link.case import directional, figures, main_gain_dbi
from linkcalc.link.on_ground import cases, open_terrain
from linkcalc.link.verdict import check_plan
from linkcalc.plan import LoadedPlan, load_plan, plan_from
from linkcalc.plan.fleet import load_fleet
from linkcalc.radio.antenna import cut, gain_towards_dbi, generic_antenna
from linkcalc.sweeps.mast_heights import height_table

AZIMUTH = [(0.0, 11.0), (30.0, 8.0), (60.0, 2.0), (90.0, -4.0), (135.0, -7.0), (180.0, -9.0),
           (225.0, -7.0), (270.0, -4.0), (300.0, 2.0), (330.0, 8.0)]  # fmt: skip
ELEVATION = [(-60.0, -4.0), (-30.0, 3.0), (-10.0, 10.0), (0.0, 11.0), (10.0, 10.0), (30.0, 3.0), (60.0, -4.0)]


def written(folder: Path, rows: Any, name: str = "azimuth_deg", separator: str = ",") -> str:
    file = folder / f"{name}.csv"
    lines = ["# measured on a mast", f"{name}{separator}gain_dbi", *(f"{a}{separator}{g}" for a, g in rows)]
    file.write_text("\n".join(lines) + "\n")
    return file.name


def site(folder: Path, **antenna: Any) -> LoadedPlan:
    """The upland site with another antenna at its first station."""
    loaded = load_plan(sample_path("upland"))
    tables = loaded.plan.model_dump(by_alias=True, exclude_unset=True)
    rasters = [str((loaded.base_dir / name).resolve()) for name in loaded.plan.terrain.rasters]
    tables["terrain"]["rasters"] = rasters
    tables["station"][0]["antenna"] = antenna
    tables.pop("regulation", None)
    return plan_from(tables, base_dir=folder)


def gains(loaded: LoadedPlan) -> float:
    """Gain of the first station towards the second, as the budget has it."""
    result = check_plan(loaded, advice=False)
    name = loaded.plan.station[0].name
    terms = result.links[0].directions[0].terms
    return sum(t.value_db for t in terms if t.name in (f"antenna gain, {name}", f"off the beam, {name}"))


def test_between_the_rows_gain_goes_straight_in_decibels_and_on_around_north() -> None:
    found, peak = cut(AZIMUTH, around=True)
    assert peak == 11.0
    assert (peak - found.at([0, 15, 345, -15, 360, 157.5])).tolist() == [11.0, 9.5, 9.5, 9.5, 11.0, -8.0]


def test_zero_and_three_hundred_and_sixty_degrees_may_both_be_listed_where_they_agree() -> None:
    assert cut([*AZIMUTH, (360.0, 11.0)], around=True)[0].at(0.0) == 0.0
    with pytest.raises(DomainError, match="azimuth_deg 0 is listed twice"):
        cut([*AZIMUTH, (360.0, 8.0)], around=True)


def test_losses_of_both_planes_add_up_to_the_deepest_that_was_measured() -> None:
    # Report ITU-R M.2135-1: attenuations of two planes added, held above a floor
    both = generic_antenna("yagi", azimuth_table=AZIMUTH, elevation_table=ELEVATION)
    assert both.gain_dbi == 11.0
    assert gain_towards_dbi(both, 0.0, 10.0, azimuth_deg=0.0) == pytest.approx(10.0)
    off = gain_towards_dbi(both, 30.0, 10.0, azimuth_deg=0.0)
    # seen from an antenna, a direction 30 degrees aside and 10 up is 30 degrees aside in its azimuth plane
    assert off == pytest.approx(11.0 - 3.0 - 1.0, abs=0.01)
    assert gain_towards_dbi(both, 180.0, 50.0, azimuth_deg=0.0) == pytest.approx(-9.0)


def test_where_one_plane_is_measured_the_other_is_the_types() -> None:
    measured = generic_antenna("half_wave_dipole", azimuth_table=AZIMUTH)
    dipole = generic_antenna("half_wave_dipole")
    lost = gain_towards_dbi(dipole, 0.0, 30.0) - dipole.gain_dbi
    assert gain_towards_dbi(measured, 0.0, 30.0) - measured.gain_dbi == pytest.approx(lost)


def test_a_stated_gain_makes_the_table_a_shape() -> None:
    relative = [(a, g - 11.0) for a, g in AZIMUTH]
    found = generic_antenna("yagi", gain_dbi=9.0, azimuth_table=relative, elevation_table=ELEVATION)
    assert found.gain_dbi == 9.0
    assert gain_towards_dbi(found, 60.0, 0.0, azimuth_deg=0.0) == pytest.approx(0.0)


def test_a_table_of_a_generic_antenna_answers_as_the_antenna_does() -> None:
    # closed form against its own table: within what straight lines between rows a degree apart can miss
    yagi = generic_antenna("yagi", gain_dbi=9.5, horizontal_beamwidth_deg=50, vertical_beamwidth_deg=50)
    angle = np.arange(-180.0, 180.0)
    table = np.stack([angle, gain_towards_dbi(yagi, angle, 0.0, azimuth_deg=0.0)], axis=-1)
    up = np.arange(-90.0, 91.0)
    upward = np.stack([up, gain_towards_dbi(yagi, 0.0, up, azimuth_deg=0.0)], axis=-1)
    measured = generic_antenna("yagi", azimuth_table=table.tolist(), elevation_table=upward.tolist())
    rng = np.random.default_rng(3)
    bearing, elevation = rng.uniform(-180, 180, 500), rng.uniform(-80, 80, 500)
    ours = gain_towards_dbi(measured, bearing, elevation, azimuth_deg=0.0, tilt_deg=5.0)
    theirs = gain_towards_dbi(yagi, bearing, elevation, azimuth_deg=0.0, tilt_deg=5.0)
    assert ours == pytest.approx(theirs, abs=0.02)
    assert measured.horizontal_beamwidth_deg == pytest.approx(50.0, abs=1.0)


def test_a_plan_reads_the_pattern_beside_it_and_the_budget_has_its_gain(tmp_path: Path) -> None:
    file = written(tmp_path, AZIMUTH)
    bearing = check_plan(site(tmp_path), advice=False).links[0].path.azimuth_deg
    ahead = site(tmp_path, pattern_file=file, azimuth_deg=bearing)
    assert main_gain_dbi(ahead.plan.station[0]) == 11.0
    assert directional(ahead.plan.station[0].antenna)
    assert gains(ahead) == pytest.approx(11.0, abs=0.2)
    aside = site(tmp_path, pattern_file=file, azimuth_deg=(bearing + 60.0) % 360.0)
    assert gains(aside) == pytest.approx(2.0, abs=0.2)
    behind = site(tmp_path, pattern_file=file, azimuth_deg=(bearing + 180.0) % 360.0)
    assert gains(behind) == pytest.approx(-9.0, abs=0.2)


def test_a_pattern_written_in_the_plan_is_that_of_the_file(tmp_path: Path) -> None:
    file = site(tmp_path, pattern_file=written(tmp_path, AZIMUTH), azimuth_deg=10.0)
    inside = site(tmp_path, azimuth_pattern=[list(row) for row in AZIMUTH], azimuth_deg=10.0)
    assert gains(file) == gains(inside)


def test_sweep_and_heights_use_the_pattern_as_a_check_does(tmp_path: Path) -> None:
    loaded = site(
        tmp_path,
        pattern_file=written(tmp_path, AZIMUTH),
        elevation_pattern_file=written(tmp_path, ELEVATION, "elevation_deg", ";"),
        azimuth_deg=30.0,
    )
    link = loaded.plan.link[0].name
    margin = check_plan(loaded, advice=False).links[0].directions[0].fade_margin_db
    swept = lc.sweep_plan(
        loaded, {"near.transmit_power_dbm": [loaded.plan.station[0].transmit_power_dbm]}, link=link
    )
    assert swept["fade_margin_db"][0] == pytest.approx(margin, abs=1e-9)
    drawn = lc.sample(loaded, {"k_factor": [swept["path_loss_db"][0] * 0 + 1.33]}, link=link)
    turned = lc.sweep_plan(loaded, {"near.antenna.azimuth_deg": [30.0, 210.0]}, link=link)
    assert abs(turned["fade_margin_db"][0] - turned["fade_margin_db"][1]) > 1.0
    assert np.isfinite(drawn["fade_margin_db"]).all()
    with open_terrain(loaded) as terrain:
        case = next(cases(loaded, terrain))
    table = height_table(case)
    near, far = (int(np.argmin(abs(h - s.antenna_height_m))) for h, s in (
        (table.near_height_m, case.near), (table.far_height_m, case.far)))  # fmt: skip
    again = case.with_heights(near_m=float(table.near_height_m[near]), far_m=float(table.far_height_m[far]))
    assert table.margin_db[near, far] == pytest.approx(
        min(m[0] for m in again.margins_db(again.losses)), abs=1e-5
    )


def test_coverage_has_the_lobes_of_the_pattern(tmp_path: Path) -> None:
    def margins(**antenna: Any) -> Any:
        loaded = site(tmp_path, azimuth_deg=90.0, **antenna)
        return plan_coverage(loaded, loaded.plan.station[0].name, 1200.0, cell_m=200.0).bands["margin_db"]

    gained = margins(pattern_file=written(tmp_path, AZIMUTH)) - margins(type="half_wave_dipole")
    rows, columns = np.indices(gained.shape)
    middle = (gained.shape[0] - 1) / 2.0
    east = (columns - middle > 3) & (rows == middle)
    west = (columns - middle < -3) & (rows == middle)
    assert np.nanmean(gained[east]) == pytest.approx(11.0 - 2.15, abs=1.0)
    assert np.nanmean(gained[west]) == pytest.approx(-9.0 - 2.15, abs=1.0)


def test_a_fleets_equipment_may_be_measured_too(tmp_path: Path) -> None:
    text = (sample_path("upland").parent / "upland_fleet.toml").read_text()
    for name in ("upland.tif", "upland_tanks.csv"):
        text = text.replace(f'"{name}"', f'"{(sample_path("upland").parent / name).as_posix()}"')
    written(tmp_path, AZIMUTH)
    file = tmp_path / "fleet.toml"
    file.write_text(text.replace('{ type = "half_wave_dipole" }', '{ pattern_file = "azimuth_deg.csv" }'))
    fleet = load_fleet(file)
    assert figures(fleet.fleet.equipment.antenna).azimuth is not None
    file.write_text(file.read_text().replace("azimuth_deg.csv", "nothing.csv"))
    with pytest.raises(PlanError, match=r"equipment .*nothing\.csv"):
        load_fleet(file)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "is empty; write a header azimuth_deg,gain_dbi"),
        ("azimuth_deg,gain\n0,1\n", 'column gain_dbi is missing; "gain" is nearest'),
        ("azimuth_deg,gain_dbi\n0,a\n", 'row 2: gain_dbi = "a" is not a number'),
        ("azimuth_deg,gain_dbi\n0,1,2\n", "row 2: 3 values under 2 columns"),
        ("azimuth_deg,gain_dbi\n0,1\n0,2\n", "azimuth_deg 0 is listed twice"),
        ("azimuth_deg,gain_dbi\n0,1\n90,2\n180,1\n270,1\n", "nothing between 0 and 90 degrees"),
        ("azimuth_deg,gain_dbi\n0,1\n400,2\n", "azimuth_deg must be at most 360"),
        ("azimuth_deg,gain_dbi\n0,nan\n", 'row 2: gain_dbi = "nan" is not a number'),
        ("azimuth_deg,gain_dbi\n0,90\n", "gain_dbi must be at most 40"),
    ],
)
def test_a_bad_table_gets_one_line_that_names_station_file_and_row(
    text: str, line: str, tmp_path: Path
) -> None:
    (tmp_path / "bad.csv").write_text(text)
    with pytest.raises(PlanError, match=line) as caught:
        site(tmp_path, pattern_file="bad.csv")
    assert 'antenna.pattern_file = "bad.csv"' in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_table_is_looked_for_and_a_table_of_elevation_needs_the_horizon(tmp_path: Path) -> None:
    written(tmp_path, AZIMUTH)
    with pytest.raises(PlanError, match=r'nearest in that folder is "azimuth_deg\.csv"'):
        site(tmp_path, pattern_file="azimut_deg.csv")
    with pytest.raises(PlanError, match="at least -20 to 20 are needed"):
        site(tmp_path, elevation_pattern=[[0.0, 5.0], [30.0, 2.0]])

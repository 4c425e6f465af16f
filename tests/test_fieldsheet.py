"""What a field sheet may be asked, worked out beforehand."""

import base64
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from linkcalc.errors import DomainError
from linkcalc.link.case import LinkCase
from linkcalc.link.decision import judge_link
from linkcalc.link.legal import lawful
from linkcalc.link.on_ground import link_case, open_terrain, recorded_notes
from linkcalc.link.reliability import mean_success
from linkcalc.link.requirement import Requirement
from linkcalc.operation.limits import section
from linkcalc.plan import LoadedPlan, load_plan
from linkcalc.site.fieldsheet import FieldSheet, field_sheet
from linkcalc.site.fitted import AS_PLANNED
from linkcalc.views.fieldsheet import field_sheet_html
from linkcalc.views.fieldsheet.data import page_data

SAMPLES = Path(__file__).parents[1] / "terrain_samples"


def sample(name: str, tmp_path: Path, **changed: str) -> tuple[LoadedPlan, LinkCase]:
    text = (SAMPLES / f"{name}.toml").read_text().replace('= ["', f'= ["{SAMPLES.as_posix()}/')
    for old, new in changed.items():
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "plan.toml").write_text(text)
    loaded = load_plan(tmp_path / "plan.toml")
    with open_terrain(loaded) as terrain:
        return loaded, link_case(loaded, loaded.plan.link[0], terrain)


@pytest.fixture
def upland(tmp_path: Path) -> tuple[LoadedPlan, LinkCase]:
    return sample("upland", tmp_path)


def coarse(upland: tuple[LoadedPlan, LinkCase]) -> FieldSheet:
    return field_sheet(*upland, highest_m=8.0, step_m=4.0)


def test_the_planned_heights_are_among_those_of_the_sheet(upland: tuple[LoadedPlan, LinkCase]) -> None:
    loaded, case = upland
    odd = case.with_heights(near_m=4.37, far_m=0.6)
    sheet = field_sheet(loaded, odd, highest_m=6.0, step_m=2.0)
    assert sheet.pairs.near_height_m.tolist() == [2.0, 4.0, 4.37, 6.0]
    assert sheet.pairs.far_height_m.tolist() == [0.6, 2.0, 4.0, 6.0]
    assert [end.planned_height_m for end in sheet.ends] == [4.37, 0.6]


def test_its_terms_add_up_to_the_margin_that_check_finds(upland: tuple[LoadedPlan, LinkCase]) -> None:
    sheet = coarse(upland)
    case = upland[1].with_heights(near_m=8.0, far_m=4.0)
    near, far = sheet.ends
    i, j = list(sheet.pairs.near_height_m).index(8.0), list(sheet.pairs.far_height_m).index(4.0)
    common = sheet.pairs.path_gain_db[i, j] - sheet.polarisation_loss_db
    for end in sheet.ends:
        common += np.interp(-4.0, sheet.rise_m, end.antennas[0].gain_dbi)
        common -= end.feeders[0].loss_db + end.extra_loss_db
    snr = sheet.signals[sheet.planned_signal].required_snr_db
    with recorded_notes():
        _, (there, back) = judge_link(case)
    assert near.transmit_power_dbm + common - far.feeders[0].noise_dbm - snr == pytest.approx(
        there.fade_margin_db, abs=0.01
    )
    assert far.transmit_power_dbm + common - near.feeders[0].noise_dbm - snr == pytest.approx(
        back.fade_margin_db, abs=0.01
    )


def test_what_is_at_hand_takes_the_place_of_the_generic_parts(tmp_path: Path) -> None:
    at_hand = (
        '[[antenna_choice]]\nname = "spare whip"\ntype = "quarter_wave_whip"\n'
        '[[feeder_choice]]\nname = "short"\ntype = "rg213"\nlength_m = 2.0\n\n[conditions]'
    )
    sheet = coarse(sample("upland", tmp_path, **{"\n[conditions]": at_hand}))
    for end in sheet.ends:
        assert [a.name for a in end.antennas] == [AS_PLANNED, "spare whip"]
        assert [f.name for f in end.feeders] == [AS_PLANNED, "short"]
    assert sheet.ends[0].feeders[1].loss_db > 0.0


def test_without_a_list_the_generic_antennas_and_the_other_ends_feeder_are_offered(
    upland: tuple[LoadedPlan, LinkCase],
) -> None:
    near, far = coarse(upland).ends
    assert [a.words for a in near.antennas] == [
        "half wave dipole, 2.2 dBi", "quarter wave whip, 1.0 dBi", "collinear, 5.5 dBi", "yagi, 9.5 dBi",
    ]  # fmt: skip
    assert [f.name for f in near.feeders] == [AS_PLANNED, "as at generator shed"]
    assert near.feeders[1].loss_db == pytest.approx(far.feeders[0].loss_db)


def test_the_limits_are_those_of_the_changed_plan(upland: tuple[LoadedPlan, LinkCase]) -> None:
    sheet = coarse(upland)
    loaded, case = upland
    yagi = [a.words.startswith("yagi") for a in sheet.ends[0].antennas].index(True)
    line = sheet.ends[0].limits[sheet.planned_signal][yagi][0]
    station = case.near.model_copy(update={"antenna": sheet.ends[0].antennas[yagi].antenna})
    changed = loaded.plan.model_copy(update={"station": [station, case.far]})
    found = next(e.limits for e in section(changed).ends if e.station == "tank")
    assert (line.status, line.reason) == (found.status, found.reason)
    assert line.status == "over"
    assert sheet.ends[0].limits[sheet.planned_signal][0][0].status == "within"


def test_a_message_too_long_for_its_interval_is_said_and_stops_nothing(tmp_path: Path) -> None:
    often = {"interval_s = 600.0": "interval_s = 5.0", "payload_bytes = 16": "payload_bytes = 40"}
    sheet = coarse(sample("upland", tmp_path, **often))
    slowest = sheet.ends[0].limits[-1][0][0]
    assert slowest.status == "over"
    assert "shorter than" in slowest.reason


@pytest.mark.parametrize("name", ["upland", "plain", "wooded"])
def test_between_the_steps_of_its_tables_the_rules_are_met(name: str, tmp_path: Path) -> None:
    loaded, case = sample(name, tmp_path)
    sheet, asked = coarse((loaded, case)), Requirement.of(case.link)
    pairs, feeders = sheet.pairs, [f for end in sheet.ends for f in end.feeders]
    rng = np.random.default_rng(7)
    n = 300
    k = rng.uniform(pairs.k_db.min(), pairs.k_db.max(), n)
    least_site, least_year = (
        min(f.noise_site_db for f in feeders),
        min(f.noise_conditions_db for f in feeders),
    )
    site = np.hypot(rng.uniform(pairs.site_db.min(), pairs.site_db.max(), n), least_site)
    year = np.hypot(rng.uniform(pairs.conditions_db.min(), pairs.conditions_db.max(), n), least_year)
    margin = rng.uniform(-40.0, 60.0, n)
    tables = {
        "needed": RegularGridInterpolator((sheet.k_db, sheet.conditions_db, sheet.site_db), sheet.needed_db),
        "least": RegularGridInterpolator((sheet.k_db, sheet.conditions_db), sheet.least_db),
        "success": RegularGridInterpolator((sheet.k_db, sheet.sigma_db, sheet.margin_db), sheet.success),
    }
    assert sheet.stated_margin_db == asked.stated_margin_db
    asked = replace(asked, stated_margin_db=None)
    needed = asked.margin_db(site, year, k)
    assert tables["needed"](np.stack([k, year, site], axis=1)) == pytest.approx(needed, abs=0.05)
    # a measured site is known better than a predicted one
    known = rng.uniform(2.0, 5.0, n)
    assert tables["needed"](np.stack([k, year, known], axis=1)) == pytest.approx(
        asked.margin_db(known, year, k), abs=0.05
    )
    assert tables["least"](np.stack([k, year], axis=1)) == pytest.approx(asked.least_db(year, k), abs=0.02)
    sigma = np.hypot(site, year)
    arrives = mean_success(margin, sigma, k, tries=asked.tries, busy=asked.busy)
    assert tables["success"](np.stack([k, sigma, margin], axis=1)) == pytest.approx(arrives, abs=0.001)


def test_power_over_the_legal_limit_does_not_count(tmp_path: Path) -> None:
    loud = {
        'transmit_power_dbm = 14.0\nantenna = { type = "half_wave_dipole" }': "transmit_power_dbm = 20.0\n"
        'antenna = { type = "half_wave_dipole" }'
    }
    loaded, case = sample("upland", tmp_path, **loud)
    sheet = coarse((loaded, case))
    line = sheet.ends[0].limits[sheet.planned_signal][0][0]
    legal, over = lawful(case)
    assert [x.station for x in over] == [case.near.name]
    assert line.power_dbm == legal.near.transmit_power_dbm < case.near.transmit_power_dbm
    assert line.lawful
    yagi = [a.words.startswith("yagi") for a in sheet.ends[0].antennas].index(True)
    stronger = sheet.ends[0].limits[sheet.planned_signal][yagi][0]
    assert stronger.power_dbm < line.power_dbm
    other = sheet.ends[1].limits[sheet.planned_signal][0][0]
    assert other.power_dbm == case.far.transmit_power_dbm


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"highest_m": 1.0}, "highest_m"),
        ({"highest_m": 5.0}, "planned at 6 m: write 6 or more"),
        ({"highest_m": 60.0, "step_m": 0.1}, "more than 200 heights"),
        ({"step_m": 0.01}, "step_m"),
    ],
)
def test_what_cannot_be_asked_is_refused(
    upland: tuple[LoadedPlan, LinkCase], options: dict[str, float], said: str
) -> None:
    with pytest.raises(DomainError, match=said):
        field_sheet(*upland, **options)  # type: ignore[arg-type]


def test_the_same_plan_gives_the_same_page(upland: tuple[LoadedPlan, LinkCase]) -> None:
    assert field_sheet_html(coarse(upland)) == field_sheet_html(coarse(upland))


def test_names_are_text_on_the_page_and_in_its_data(upland: tuple[LoadedPlan, LinkCase]) -> None:
    sheet = coarse(upland)
    named = replace(sheet, link="</script><script>alert(1)</script>", title='<img src="x">')
    page = field_sheet_html(named)
    assert "<img" not in page
    assert "alert(1)</script>" not in page
    assert page.count("<script") == 2


def test_every_fading_and_worst_point_is_on_the_page(tmp_path: Path) -> None:
    sheet = field_sheet(*sample("wooded", tmp_path), highest_m=20.0, step_m=4.0)
    data = page_data(sheet)

    def table(name: str) -> np.ndarray:
        t = data[name]
        whole = np.frombuffer(base64.b64decode(t["bytes"]), dtype=f"<{t['kind']}")
        return (t["first"] + whole * t["step"]).reshape(sheet.pairs.k_db.shape)

    assert np.ptp(sheet.pairs.k_db) > 0.5
    assert table("k") == pytest.approx(sheet.pairs.k_db, abs=0.01)
    assert table("site") == pytest.approx(sheet.pairs.site_db, abs=0.01)
    at = table("point").astype(int)
    assert np.array(data["points"]["x"])[at] == pytest.approx(sheet.worst_m[sheet.worst], abs=0.01)
    assert (np.array(data["points"]["model"])[at] == sheet.pairs.model).all()
    ratio = table("clearance") / np.array(data["points"]["radius"])[at]
    assert ratio == pytest.approx(sheet.pairs.clearance_ratio, abs=0.02)

"""The field sheet in a real browser: the library's answers, offline, legible, kept."""

import io
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from linkcalc.link.case import LinkCase
from linkcalc.link.decision import judge_link
from linkcalc.link.judgement import judge as judge_direction
from linkcalc.link.legal import lawful
from linkcalc.link.on_ground import recorded_notes
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.verdict import check_link
from linkcalc.propagation import compiled
from linkcalc.site.fieldsheet import FieldSheet
from linkcalc.site.readings import read_readings
from linkcalc.site.survey import survey_link
from linkcalc.views.fieldsheet import field_sheet_html
from linkcalc.views.link_words import lack_words
from tests.fieldsheet.browser import SIZES, WAITING, Browser, until
from tests.fieldsheet.sheets import Page, sample_page

ENTRIES = 90
"""At random, on each of the three sheets."""
WORST_DB = 0.05

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Page]:
    """One link over a ridge, one through trees with parts at hand, one over a plain that mirrors."""
    # without numba, coarser: the page is the same
    step_m = None if compiled.available() else 2.0
    folder = tmp_path_factory.mktemp("sheets")
    return {name: sample_page(folder, name, step_m) for name in ("upland", "wooded", "plain")}


@pytest.fixture(params=["upland", "wooded", "plain"])
def page(request: pytest.FixtureRequest, pages: dict[str, Page]) -> Page:
    return pages[request.param]


ENTER = """
const entries = arguments[0];
return entries.map((entry) => {
  const begun = performance.now();
  const set = (id, value, event) => {
    const element = document.getElementById(id);
    element.value = value;
    element.dispatchEvent(new Event(event, { bubbles: true }));
  };
  set("near-height", entry.near, "change");
  const one = performance.now() - begun;
  set("far-height", entry.far, "change");
  for (const side of ["near", "far"]) {
    set(`${side}-antenna`, entry[`${side}Antenna`], "change");
    set(`${side}-feeder`, entry[`${side}Feeder`], "change");
  }
  set("signal", entry.signal, "change");
  const value = (id) => Number(document.getElementById(id).dataset.value);
  return {
    seconds: one / 1000,
    verdict: document.getElementById("bar").dataset.verdict,
    word: document.getElementById("verdict").textContent,
    shown: [document.getElementById("near-height").value, document.getElementById("far-height").value],
    margins: [value("forward-margin"), value("return-margin")],
    levels: [value("forward-level"), value("return-level")],
    needed: [value("forward-needed"), value("return-needed")],
    success: [value("forward-success"), value("return-success")],
    clearance: value("worst-line"),
    distance: Number(document.getElementById("worst-line").dataset.distance),
  };
});
"""


def with_entry(page: Page, entry: dict[str, Any]) -> LinkCase:
    """The library's link as it was entered on the sheet."""
    case = page.case.with_modulation(page.sheet.signals[entry["signal"]].modulation)
    changed = {}
    for end, side in zip(page.sheet.ends, ("near", "far"), strict=True):
        feeder = end.feeders[entry[f"{side}Feeder"]].feeder
        higher_m = float(entry[side]) - end.planned_height_m
        if entry[f"{side}Feeder"] == 0 and feeder.length_m > 0.0 and higher_m > 0.0:
            feeder = feeder.model_copy(update={"length_m": feeder.length_m + higher_m})
        parts = {
            "antenna": end.antennas[entry[f"{side}Antenna"]].antenna,
            "feeder": feeder,
            "antenna_height_m": float(entry[side]),
        }
        changed[side] = case.station(side).model_copy(update=parts)  # type: ignore[arg-type]
    return case.with_stations(changed)  # type: ignore[arg-type]


def entries_at_random(page: Page, count: int, seed: int, *, between: bool = False) -> list[dict[str, Any]]:
    """Heights that the sheet holds, or with `between` any."""
    rng = np.random.default_rng(seed)
    entries = []
    for _ in range(count):
        entry: dict[str, Any] = {"signal": int(rng.integers(len(page.sheet.signals)))}
        grids = (page.sheet.pairs.near_height_m, page.sheet.pairs.far_height_m)
        for end, side, grid in zip(page.sheet.ends, ("near", "far"), grids, strict=True):
            entry[side] = f"{rng.uniform(grid[0], grid[-1]):.2f}" if between else f"{rng.choice(grid):g}"
            entry[f"{side}Antenna"] = int(rng.integers(len(end.antennas)))
            entry[f"{side}Feeder"] = int(rng.integers(len(end.feeders)))
        entries.append(entry)
    return entries


def test_the_sheet_answers_as_the_library_does(browser: Browser, page: Page) -> None:
    browser.open(page.file)
    entries = entries_at_random(page, ENTRIES, seed=20)
    verdicts = set()
    with recorded_notes():
        for entry, found in zip(entries, browser.script(ENTER, entries), strict=True):
            # power over a legal limit does not count, and what no turning down mends is at risk
            case, over = lawful(with_entry(page, entry))
            facts, ways = judge_link(case)
            assert found["shown"] == [entry["near"], entry["far"]]
            for w, way in enumerate(ways):
                assert found["margins"][w] == pytest.approx(way.fade_margin_db, abs=WORST_DB), entry
                assert found["levels"][w] == pytest.approx(way.received_power_dbm, abs=WORST_DB), entry
                assert found["needed"][w] == pytest.approx(way.required_margin_db, abs=WORST_DB), entry
                assert found["success"][w] == pytest.approx(way.delivery_probability, abs=0.003), entry
            weaker = min((w.verdict for w in ways), key=VERDICTS.index)
            if weaker == "closes" and any(x.legal_dbm is None for x in over):
                weaker = "at_risk"
            if found["verdict"] != weaker:  # only where a rounding decides
                asked = Requirement.of(case.link)
                edges = [w.fade_margin_db - w.required_margin_db for w in ways]
                for w, station in zip(ways, (case.far, case.near), strict=True):
                    judged = judge_direction(case, case.losses, station, np.array([w.fade_margin_db]))
                    least = asked.least_db(judged.conditions_db, judged.k_db)
                    edges.append(w.fade_margin_db - float(least[0]))
                assert min(map(abs, edges)) < WORST_DB, entry
                continue
            assert found["distance"] == pytest.approx(facts.worst_clearance_distance_m, abs=1.0)
            verdicts.add(weaker)
    assert len(verdicts) > 1, "entries that make a difference"


def test_between_the_heights_it_holds_the_sheet_answers_as_the_library_does(
    browser: Browser, page: Page
) -> None:
    if not compiled.available():
        pytest.skip("without numba the sheets of these tests are coarse")
    browser.open(page.file)
    entries = entries_at_random(page, 30, seed=21, between=True)
    entries += [{**entry, "near": "1.07", "far": f"1.{k}6"} for k, entry in enumerate(entries[:9], 1)]
    with recorded_notes():
        for entry, found in zip(entries, browser.script(ENTER, entries), strict=True):
            _, ways = judge_link(lawful(with_entry(page, entry))[0])
            assert [float(shown) for shown in found["shown"]] == [float(entry["near"]), float(entry["far"])]
            for w, way in enumerate(ways):
                assert found["margins"][w] == pytest.approx(way.fade_margin_db, abs=WORST_DB), entry
                assert found["needed"][w] == pytest.approx(way.required_margin_db, abs=WORST_DB), entry


def test_an_entry_is_answered_with_one_look_at_each_pair_at_most(browser: Browser, page: Page) -> None:
    """An answer at once is a matter of how often the tables are read."""
    browser.open(page.file)
    browser.script(
        "window.looked = 0; const own = judgedWith; judgedWith = (...a) => { looked++; return own(...a); }"
    )
    pairs = page.sheet.pairs.k_db.size
    for entry in entries_at_random(page, 20, seed=3):
        browser.script("looked = 0")
        browser.script(ENTER, [entry])
        # seven changes, each of which shows the whole sheet anew
        assert 7 <= browser.script("return looked") <= 7 * (pairs + sum(page.sheet.pairs.k_db.shape) + 1)


def test_it_opens_with_what_check_says(browser: Browser, page: Page) -> None:
    browser.open(page.file)
    result = check_link(page.case)
    assert browser.script("return document.getElementById('bar').dataset.verdict") == result.verdict
    there, back = result.directions
    assert browser.text("forward-margin").replace("−", "-") == f"{there.fade_margin_db:.1f}"
    assert browser.text("return-margin").replace("−", "-") == f"{back.fade_margin_db:.1f}"


def test_it_weighs_little_and_asks_nobody_for_anything(browser: Browser, page: Page) -> None:
    assert page.file.stat().st_size < 750_000
    browser.open(page.file)
    browser.script(ENTER, entries_at_random(page, 3, seed=5))
    add_readings(browser, 2)
    asked = browser.requests()
    assert asked
    assert set(asked) == {page.file.as_uri()}
    assert not browser.complaints()


def test_the_height_it_sends_one_to_does(browser: Browser, pages: dict[str, Page]) -> None:
    page = pages["wooded"]
    browser.open(page.file)
    sentences = [item.text for item in browser.elements("#advice-list li")]
    assert sentences
    assert "reached as it stands" not in sentences[0]
    heights = browser.script(
        "const both = leastPair(fitted()); return both && [data.near[both[0]], data.far[both[1]]]"
    )
    with recorded_notes():
        _, ways = judge_link(page.case.with_heights(near_m=heights[0], far_m=heights[1]))
    assert all(w.verdict == "closes" for w in ways)
    assert f"{heights[0]:g}" in sentences[0].replace("\u00a0", " ")


def test_raising_one_is_not_said_twice(browser: Browser, pages: dict[str, Page]) -> None:
    """Where only one end can do it alone, the least raise of both is that one's."""
    browser.open(pages["wooded"].file)
    typed(browser, "near-height", "19.5")
    typed(browser, "far-height", "6")
    advice = browser.text("advice-list")
    assert "Raise generator shed to" in advice
    assert "Raise spring tank" not in advice
    assert "Least to raise in all" not in advice


def test_where_nothing_helps_it_says_so(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    browser.script("required.fill(45000); show()")
    assert "No pair of heights" in browser.text("advice-list")


@pytest.mark.parametrize("key", ["reachable", "groundKnown", "lawful"])
def test_what_no_margin_mends_is_at_best_at_risk(browser: Browser, pages: dict[str, Page], key: str) -> None:
    browser.open(pages["plain"].file)
    browser.script(
        f"if ('{key}' === 'lawful') data.limits.forEach((line) => (line[3] = false)); else data.{key} = false"
    )
    typed(browser, "near-height", "19.5")
    typed(browser, "far-height", "19.5")
    bar = "return document.getElementById('bar').dataset"
    assert browser.script(f"{bar}.verdict") == "at_risk"
    assert "At best at risk" in browser.text("verdict-line")
    assert "more than required" in browser.text("verdict-line")


# ---------------------------------------------------------------- by hand


def typed(browser: Browser, identifier: str, text: str) -> None:
    box = browser.element(f"#{identifier}")
    box.click()
    box.send_keys("\ue009a\ue000", text, "\ue007")  # select all, type, enter


def choose(browser: Browser, identifier: str, option: int) -> None:
    browser.script(
        "const [id, option] = arguments; const list = document.getElementById(id);"
        " list.value = option; list.dispatchEvent(new Event('change'))",
        identifier,
        option,
    )


def height_of(browser: Browser, side: str) -> float:
    e = ("near", "far").index(side)
    return float(browser.script(f"return sheet.height[{e}]"))


def test_heights_are_typed_stepped_and_slid(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file, "phone")
    typed(browser, "near-height", "7,3")
    assert height_of(browser, "near") == 7.3
    plus = browser.element('button[data-for="near"][data-step="1"]')
    plus.click()
    grid = list(pages["upland"].sheet.pairs.near_height_m)
    assert height_of(browser, "near") == grid[grid.index(7.3) + 1]
    slider = browser.element("#far-slider")
    before = height_of(browser, "far")
    slider.send_keys("\ue014")  # the right arrow key
    assert height_of(browser, "far") > before
    assert browser.element("#far-slider").get_attribute("aria-valuetext").startswith(f"{before + 0.1:g}")
    typed(browser, "near-height", "tall")
    assert "Not a number" in browser.text("near-said")
    assert height_of(browser, "near") == grid[grid.index(7.3) + 1]
    typed(browser, "near-height", "88")
    assert "were worked out" in browser.text("near-said")
    assert height_of(browser, "near") == grid[-1]


def test_feet_are_feet(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    browser.element('input[value="ft"]').click()
    assert browser.element("#near-height").get_attribute("value") == "13.1"  # 4 m
    typed(browser, "near-height", "23")
    assert height_of(browser, "near") == pytest.approx(23.0 * 0.3048, abs=5e-4)
    assert "ft" in browser.text("worst-line")


def test_the_limits_as_shown_in_feet_can_be_entered(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    browser.element('input[value="ft"]').click()
    browser.script("GRID[0] = data.near = data.near.filter((m) => m <= 12); show()")
    typed(browser, "near-height", "39.4")  # 12 m are 39.37 ft
    assert "worked out" not in browser.text("near-said")
    assert height_of(browser, "near") == 12.0
    typed(browser, "near-height", "39.5")
    assert "3.3 ft to 39.4 ft were worked out" in browser.text("near-said").replace("\u00a0", " ")


def test_a_height_that_is_no_number_is_marked_until_it_is_mended(
    browser: Browser, pages: dict[str, Page]
) -> None:
    browser.open(pages["upland"].file)
    box = browser.element("#near-height")
    box.send_keys("x")
    assert box.get_attribute("aria-invalid") == "true"
    assert browser.element("#near-said").get_attribute("role") == "alert"
    browser.element('button[data-for="near"][data-step="1"]').click()
    assert box.get_attribute("aria-invalid") is None
    assert browser.element("#near-said").get_attribute("role") is None


def test_a_step_shows_while_its_box_has_the_focus(browser: Browser, pages: dict[str, Page]) -> None:
    """Some browsers leave the focus in the box when a button is touched."""
    browser.open(pages["upland"].file)
    browser.element("#near-height").click()
    browser.script('document.querySelector(\'button[data-for="near"][data-step="1"]\').click()')
    assert browser.element("#near-height").get_attribute("value") == f"{height_of(browser, 'near'):g}"


def test_every_control_is_reached_and_named_by_keyboard(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    controls = [e for e in browser.elements("input, select, button, summary") if e.is_displayed()]
    assert all(e.accessible_name for e in controls)
    groups = {e.get_attribute("name") for e in controls if e.get_attribute("type") == "radio"}
    single = [e for e in controls if e.get_attribute("type") != "radio"]
    seen = set()
    body = browser.element("body")
    for _ in range(len(controls) + 5):
        browser.key("Tab")
        focused = browser.driver.switch_to.active_element
        if focused != body:
            seen.add(focused.id)
    assert {e.id for e in single} <= seen
    assert len(seen) >= len(single) + len(groups)


def add_readings(browser: Browser, count: int) -> None:
    for k in range(count):
        for identifier, text in (
            ("rssi", str(101 + k)), ("snr", "4.5"), ("sent", "20"), ("received", "19"),
            ("note", "ladder against the tank, wind from the west"),
        ):  # fmt: skip
            browser.element(f"#{identifier}").send_keys(text)
        if k == 1:
            browser.click("#snr-sign")
        browser.click('#reading-form button[type="submit"]')
        assert browser.text("reading-error") == ""


def measured_words(browser: Browser) -> str:
    """What the measured answer says, once it is worked out."""
    until(lambda: not browser.script(WAITING))
    return browser.text("verdict-measured")


def test_readings_are_saved_as_survey_reads_them(
    browser: Browser, pages: dict[str, Page], tmp_path: Path
) -> None:
    page = pages["upland"]
    browser.open(page.file)
    typed(browser, "near-height", "5.5")
    add_readings(browser, 2)
    browser.element('input[value="return"]').click()
    browser.element("#engine").click()
    add_readings(browser, 1)
    browser.driver.execute_cdp_cmd(
        "Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(tmp_path)}
    )
    browser.element("#save").click()
    (saved,) = until(lambda: [file for file in tmp_path.glob("readings-*.json") if file.stat().st_size])
    assert re.fullmatch(r"readings-level-and-start-command-\d{4}-\d\d-\d\d\.json", saved.name)
    assert json.loads(saved.read_text()) == json.loads(
        browser.script("return document.getElementById('json').value")
    )
    found = read_readings(saved, (page.case.near.name, page.case.far.name))
    assert not found.refused
    assert not found.notes
    assert (found.link, found.plan_digest) == (page.case.link.name, page.loaded.digest)
    assert [r.direction for r in found.readings] == ["forward", "forward", "return"]
    assert [r.rssi_dbm for r in found.readings] == [-101.0, -102.0, -101.0]
    assert [r.snr_db for r in found.readings] == [4.5, -4.5, 4.5]
    assert found.readings[0].near_height_m == 5.5
    assert found.readings[2].engine_running is True
    survey = survey_link(page.case, found, plan_digest=page.loaded.digest)
    assert survey.readings_used == 3
    assert not [w for w in survey.warnings if "another plan" in w]


def test_a_reading_is_held_against_the_level_expected(browser: Browser, pages: dict[str, Page]) -> None:
    from linkcalc.radio.signal_level import signal_power_dbm

    page = pages["upland"]
    browser.open(page.file)
    add_readings(browser, 1)
    _, (there, _) = judge_link(page.case)
    power = float(signal_power_dbm(-101.0, 4.5, there.noise_power_dbm))
    over = power - there.received_power_dbm
    shown = browser.script("return judgedReading(sheet.readings[0]).over")
    assert shown == pytest.approx(over, abs=0.05)


def test_a_reading_stays_with_the_parts_it_was_taken_with(
    browser: Browser, pages: dict[str, Page], tmp_path: Path
) -> None:
    browser.open(pages["wooded"].file)
    choose(browser, "near-antenna", 1)
    add_readings(browser, 1)
    over = browser.script("return rows[0].over")
    choose(browser, "near-antenna", 0)
    assert browser.script("return rows[0].over") == over
    browser.reload()
    assert browser.script("return rows[0].over") == over
    saved = json.loads(browser.script("return document.getElementById('json').value"))
    (tmp_path / "readings.json").write_text(json.dumps(saved))
    found = read_readings(tmp_path / "readings.json", ("spring tank", "generator shed"))
    assert not found.notes
    (reading,) = found.readings
    assert (reading.near_antenna, reading.near_antenna_gain_dbi) == ("long collinear", 8.0)
    assert (reading.far_antenna, reading.near_feeder) == ("as planned", "as planned")


def test_an_antenna_that_is_raised_takes_its_feeder_with_it(
    browser: Browser, pages: dict[str, Page], tmp_path: Path
) -> None:
    """Loss of 4 m more of the planned cable: in the answer, among what is other than planned, and in a reading."""
    page = pages["upland"]
    browser.open(page.file)
    end, which = next((e, i) for i, e in enumerate(page.sheet.ends) if e.feeders[0].per_metre_db > 0.0)
    side = ("near", "far")[which]
    browser.script(
        f"const e = document.getElementById('{side}-height'); e.value = '{end.planned_height_m + 4.0:g}';"
        "e.dispatchEvent(new Event('change', { bubbles: true }))"
    )
    assert f"feeder of {end.name}, 4.0" in browser.text("changed-line")
    add_readings(browser, 1)
    saved = json.loads(browser.script("return document.getElementById('json').value"))
    (tmp_path / "readings.json").write_text(json.dumps(saved))
    (reading,) = read_readings(tmp_path / "readings.json", tuple(e.name for e in page.sheet.ends)).readings
    loss = getattr(reading, f"{side}_feeder_loss_db")
    assert loss == pytest.approx(end.feeders[0].loss_db + 4.0 * end.feeders[0].per_metre_db, abs=0.002)
    assert browser.script("return rows[0].lacking ?? ''") == ""
    heights = {f"{side}_m": end.planned_height_m + 4.0}
    _, (there, _) = judge_link(page.case.raised(**heights))
    assert browser.script("return rows[0].at.level") == pytest.approx(there.received_power_dbm, abs=0.05)


def test_lost_packets_stand_beside_the_answer(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    assert "not yet measured" in browser.text("sure-line")
    browser.element("#sent").send_keys("20")
    browser.element("#received").send_keys("0")
    browser.click('#reading-form button[type="submit"]')
    assert "0 of 20 packets" in measured_words(browser)
    assert "not yet measured" not in browser.text("sure-line")


def test_a_reading_is_removed_only_when_meant(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    add_readings(browser, 3)
    browser.elements("#readings-list button")[1].click()
    browser.driver.switch_to.alert.dismiss()
    assert len(browser.elements("#readings-list li")) == 3
    browser.elements("#readings-list button")[1].click()
    browser.driver.switch_to.alert.accept()
    assert browser.script("return sheet.readings.map((r) => r.rssi_dbm)") == [-101, -103]
    assert browser.driver.switch_to.active_element.get_attribute("aria-label") == "Remove reading 1"


def test_many_readings_are_not_weighed_again_at_every_entry(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    add_readings(browser, 1)
    browser.script("sheet.readings = Array(200).fill(sheet.readings[0]); listReadings(); show()")
    measured_words(browser)
    browser.script(
        "window.counted = 0; const read = takenApart; takenApart = (...a) => { counted++; return read(...a); };"
        "const weigh = weighed; weighed = (...a) => { counted += 1000; return weigh(...a); }"
    )
    browser.script(ENTER, entries_at_random(pages["upland"], 20, seed=3))
    measured_words(browser)
    # all readings once, after the last entry
    assert browser.script("return counted") == 1000


@pytest.mark.parametrize("snr", [-19.0, -7.3, 0.0, 4.9, 5.0, 9.5])
@pytest.mark.parametrize("rssi", [-121.0, -116.0, -108.0, -70.0])
def test_the_signal_in_a_reading_is_the_librarys(
    browser: Browser, pages: dict[str, Page], rssi: float, snr: float
) -> None:
    from linkcalc.radio.signal_level import signal_power_dbm

    if browser.driver.current_url != pages["upland"].file.as_uri():
        browser.open(pages["upland"].file)
    shown = browser.script(
        "return signalPower({rssi_dbm: arguments[0], snr_db: arguments[1]}, -117)", rssi, snr
    )
    assert shown == pytest.approx(float(signal_power_dbm(rssi, snr, -117.0)), abs=0.1)


@pytest.mark.parametrize(
    ("entered", "said"),
    [
        ({"rssi": "strong"}, "number like -97"),
        ({"rssi": "5"}, "from -160 to -10"),
        ({"snr": "200"}, "SNR must be"),
        ({"sent": "10"}, "were received"),
        ({"sent": "10", "received": "11"}, "swapped"),
        ({"sent": "1.5", "received": "1"}, "whole number"),
        ({"sent": "5", "received": "0", "rssi": "100"}, "Nothing was received"),
        ({}, "Enter the RSSI"),
    ],
)
def test_a_reading_that_cannot_be_is_refused_with_the_mend(
    browser: Browser, pages: dict[str, Page], entered: dict[str, str], said: str
) -> None:
    browser.open(pages["upland"].file)
    for identifier, text in entered.items():
        browser.element(f"#{identifier}").send_keys(text)
    browser.click('#reading-form button[type="submit"]')
    assert said in browser.text("reading-error")
    assert browser.script("return sheet.readings.length") == 0


def test_what_was_typed_is_there_again(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["wooded"].file)
    typed(browser, "far-height", "6.6")
    browser.script(
        "const s = document.getElementById('near-antenna'); s.value = 1; s.dispatchEvent(new Event('change'))"
    )
    add_readings(browser, 2)
    before = browser.text("forward-margin")
    browser.reload()
    assert browser.element("#far-height").get_attribute("value") == "6.6"
    assert browser.script("return document.getElementById('near-antenna').value") == "1"
    assert len(browser.elements("#readings-list li")) == 2
    assert browser.text("forward-margin") == before


def test_a_sheet_with_other_steps_finds_the_same_heights(browser: Browser, pages: dict[str, Page]) -> None:
    """Two sheets of one plan share what is kept."""
    browser.open(pages["upland"].file)
    typed(browser, "near-height", "6.6")
    browser.script("GRID[0] = data.near = data.near.filter((m, i) => i % 3); sheet = recalled()")
    assert height_of(browser, "near") == 6.6


def test_readings_outlive_a_new_sheet_but_stay_at_their_site(
    browser: Browser, pages: dict[str, Page], tmp_path: Path
) -> None:
    """Plans that begin alike name their links and stations alike. A minute of latitude is 1852 m."""
    sheet = pages["upland"].sheet
    latitude, longitude = sheet.ends[0].position_deg or (0.0, 0.0)

    def moved(metres: float) -> FieldSheet:
        away = replace(sheet.ends[0], position_deg=(latitude + metres / 1852.0 / 60.0, longitude))
        return replace(sheet, plan_digest="1" * 64, ends=(away, sheet.ends[1]))

    unplaced = replace(sheet, ends=tuple(replace(end, position_deg=None) for end in sheet.ends))
    sheets = {
        "revised": (replace(sheet, plan_digest="1" * 64), 2),
        "placed anew": (moved(60.0), 2),
        "next door": (moved(-500.0), 0),
        "elsewhere": (moved(11_000.0), 0),
        "of another length": (replace(unplaced, length_m=sheet.length_m + 300.0), 0),
    }
    for name, (changed, _) in sheets.items():
        (tmp_path / f"{name}.html").write_text(field_sheet_html(changed), encoding="utf-8")
    browser.open(pages["upland"].file)
    add_readings(browser, 2)
    saved = tmp_path / "saved.json"
    saved.write_text(browser.script("return readingsFile()"))
    unsaid = tmp_path / "unsaid.json"
    unsaid.write_text(browser.script("return JSON.stringify({ readings: sheet.readings, link: data.link })"))
    for name, (_, readings) in sheets.items():
        browser.driver.get((tmp_path / f"{name}.html").as_uri())
        assert len(browser.elements("#readings-list li")) == readings
        browser.element("#open").send_keys(str(saved))
        said = "2 were here already" if readings else "saved at another site"
        until(lambda said=said: said in browser.text("opened-line"))
        assert len(browser.elements("#readings-list li")) == readings
    browser.element("#open").send_keys(str(unsaid))
    until(lambda: "make sure that it was this one" in browser.text("opened-line"))


def test_where_nothing_can_be_kept_it_says_so_and_goes_on(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    browser.script("Storage.prototype.setItem = () => { throw new Error('full') }")
    add_readings(browser, 2)
    assert "keeps nothing" in browser.text("kept-line")
    browser.script("document.dispatchEvent(new Event('visibilitychange'))")
    assert len(browser.elements("#readings-list li")) == 2


def test_the_same_sheet_open_twice_loses_no_reading(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    first = browser.driver.current_window_handle
    browser.driver.switch_to.new_window("tab")
    browser.driver.get(pages["upland"].file.as_uri())
    add_readings(browser, 1)
    browser.driver.close()
    browser.driver.switch_to.window(first)
    until(lambda: browser.elements("#readings-list li"))
    typed(browser, "near-height", "6.6")
    browser.reload()
    assert len(browser.elements("#readings-list li")) == 1


def test_what_is_kept_but_damaged_is_left_out(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file)
    browser.script(
        "localStorage.setItem(KEY, arguments[0])",
        '{"height":[99999,"x"],"signal":-1,"readings":[3,null,{"time":"noon"}]}',
    )
    browser.reload()
    assert height_of(browser, "near") == pages["upland"].case.near.antenna_height_m
    assert not browser.complaints()


# ---------------------------------------------------------------- looks

SEEN = "const SEEN = { contentVisibilityAuto: true, visibilityProperty: true };"

FAINT = """
const said = [];
const channel = (c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
const numbers = (text) => text.match(/[\\d.]+/g).map(Number);
const weights = [0.2126, 0.7152, 0.0722];
const luminance = (rgb) => weights.reduce((sum, w, i) => sum + w * channel(rgb[i] / 255), 0);
for (const element of document.querySelectorAll("body *, svg text")) {
  const own = [...element.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
  if (!own && !["INPUT", "SELECT", "TEXTAREA"].includes(element.tagName)) continue;
  if (["range", "radio", "checkbox"].includes(element.type)) continue;
  if (["SCRIPT", "OPTION"].includes(element.tagName) || !element.checkVisibility(SEEN)) continue;
  const style = getComputedStyle(element);
  let behind = element;
  let back = [255, 255, 255];
  for (; behind; behind = behind.parentElement) {
    const found = numbers(getComputedStyle(behind).backgroundColor);
    if (found.length < 4 || found[3] === 1) { back = found; break; }
  }
  const ink = numbers(element.tagName === "text" ? style.fill : style.color);
  const [a, b] = [luminance(ink), luminance(back)].sort((x, y) => y - x);
  const ratio = (a + 0.05) / (b + 0.05);
  const what = `${element.tagName} ${element.id} "${element.textContent.slice(0, 30)}"`;
  if (ratio < 7) said.push(`${what}: ${ratio.toFixed(2)}`);
}
return said;
"""

OVERLAPS = """
const leaves = [...document.querySelectorAll("body *")].filter((e) => {
  if (["SCRIPT", "OPTION", "B"].includes(e.tagName) || e.closest("#bars")) return false;
  if (!e.checkVisibility(SEEN)) return false;
  const control = ["INPUT", "SELECT", "BUTTON", "TEXTAREA"].includes(e.tagName);
  if (e.closest("svg")) return e.tagName === "text";
  return control || [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
});
const said = [];
const boxes = leaves.map((e) => e.getBoundingClientRect());
const label = (e) => `${e.tagName} ${e.id} "${e.textContent.slice(0, 24)}"`;
for (let i = 0; i < leaves.length; i++) {
  const a = boxes[i];
  if (a.right > innerWidth + 0.5 || a.left < -0.5) said.push(`beyond the edge: ${label(leaves[i])}`);
  for (let j = i + 1; j < leaves.length; j++) {
    if (leaves[i].contains(leaves[j]) || leaves[j].contains(leaves[i])) continue;
    const b = boxes[j];
    const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (wide > 1 && high > 1) said.push(`${label(leaves[i])} over ${label(leaves[j])}`);
  }
}
if (document.documentElement.scrollWidth > innerWidth) said.push("the page is wider than the screen");
return said;
"""


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("units", ["m", "ft"])
def test_nothing_overlaps_and_all_is_legible(browser: Browser, page: Page, size: str, units: str) -> None:
    browser.open(page.file, size)
    browser.element(f'input[value="{units}"]').click()
    add_readings(browser, 2)
    for antenna in (0, 1):
        choose(browser, "far-antenna", antenna)
        assert browser.script(SEEN + OVERLAPS) == []
        assert browser.script(SEEN + FAINT) == []
    cut = """return [...document.querySelectorAll('.stepper input')]
        .filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.id)"""
    assert browser.script(cut) == []


@pytest.mark.parametrize("short_db", [0.01, 0.049, 0.06, 3.0])
def test_what_is_lacking_is_never_none(browser: Browser, pages: dict[str, Page], short_db: float) -> None:
    browser.open(pages["upland"].file, "phone")
    line = browser.script(
        "const found = judgedAt(fitted(), sheet.height); found.weaker.needed = found.weaker.margin + arguments[0];"
        "showVerdict(found); return document.getElementById('verdict-line').textContent",
        short_db,
    )
    # as the report of a check says it
    assert f": {lack_words(short_db)} short of the " in line.replace("\u00a0", " ")


def test_it_is_legible_in_the_dark(browser: Browser, pages: dict[str, Page]) -> None:
    dark = {"features": [{"name": "prefers-color-scheme", "value": "dark"}]}
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", dark)
    try:
        browser.open(pages["upland"].file, "phone")
        add_readings(browser, 1)
        assert browser.script("return getComputedStyle(document.body).backgroundColor") == "rgb(16, 24, 30)"
        assert browser.script(SEEN + FAINT) == []
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_targets_are_big_enough_for_cold_hands(browser: Browser, pages: dict[str, Page]) -> None:
    browser.open(pages["upland"].file, "phone")
    controls = browser.elements("button, select, input[type=text], input[type=range], label.check, summary")
    small = [e.accessible_name or e.text for e in controls if e.is_displayed() and e.size["height"] < 44]
    assert small == []


@pytest.mark.parametrize("paper", [(8.27, 11.69), (8.5, 11.0)], ids=["A4", "Letter"])
def test_it_prints_to_one_page(browser: Browser, page: Page, paper: tuple[float, float]) -> None:
    from pypdf import PdfReader

    browser.open(page.file, "phone")
    add_readings(browser, 14)
    browser.script("for (const r of sheet.readings) r.note = r.note.repeat(5); listReadings(); show()")
    text = PdfReader(io.BytesIO(browser.pdf(*paper)))
    assert len(text.pages) == 1
    words = text.pages[0].extract_text()
    assert "not a safety function" in words
    assert "CLOSES" in words or "AT RISK" in words or "DOES NOT CLOSE" in words
    assert "14." in words
    assert "\n4. " not in words  # the older ones are left out


def test_a_long_name_with_markup_in_it_stays_text(
    browser: Browser, pages: dict[str, Page], tmp_path: Path
) -> None:
    page = pages["upland"]
    name = "</script><b>tank & 'co'</b> by the far boundary fence, lower"
    near = replace(page.sheet.ends[0], name=name)
    file = tmp_path / "named.html"
    file.write_text(
        field_sheet_html(replace(page.sheet, ends=(near, page.sheet.ends[1]), link=name)), encoding="utf-8"
    )
    browser.open(file, "phone")
    assert not browser.complaints()
    assert name in browser.text("worst-line")
    assert browser.script(SEEN + OVERLAPS) == []

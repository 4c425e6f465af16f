"""What the field sheet says was measured, in a real browser, against the survey of the same readings."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from linkcalc.cli import app
from linkcalc.link.case import LinkCase
from linkcalc.propagation import compiled
from linkcalc.site.readings import read_all
from linkcalc.site.survey import Survey, survey_link
from tests.fieldsheet.browser import WAITING, Browser, until
from tests.fieldsheet.sheets import Page, sample_page

pytestmark = pytest.mark.slow

WORST_DB = 0.5


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Page]:
    folder = tmp_path_factory.mktemp("sheets")
    step_m = 0.5 if compiled.available() else 4.0
    return {name: sample_page(folder, name, step_m) for name in ("upland", "wooded")}


TAKE = """
const clock = (k) => [Math.floor(k / 60) % 60, k % 60].map((n) => String(n).padStart(2, "0")).join(":");
arguments[0].forEach((r, k) => {
  const planned = { antenna: [0, 0], feeder: [0, 0], signal: data.signal };
  const chosen = Object.fromEntries(Object.entries(planned).map(([key, value]) => [key, r[key] ?? value]));
  const leaves = M.foliage.length
    ? { leaf: r.leaf ?? M.plannedLeaf, wet_foliage: r.wet ?? false }
    : { leaf: null, wet_foliage: null };
  sheet.readings.push({
    id: newId(), time: `2031-06-20T08:${clock(k)}`, direction: r.direction,
    rssi_dbm: r.rssi ?? null, snr_db: r.snr ?? null, sent: r.sent ?? null, received: r.received ?? null,
    near_height_m: r.near ?? sheet.height[0], far_height_m: r.far ?? sheet.height[1],
    engine_running: r.running ?? true, ...leaves,
    spot: "", note: "", latitude_deg: null, longitude_deg: null, ...parts(chosen),
  });
});
listReadings();
show();
"""

SAID = """
const of = (id) => {
  const d = document.getElementById(id).dataset;
  return [d.value, d.low, d.high, d.needed].map(Number);
};
return {
  verdict: document.getElementById("measured-bar").dataset.verdict,
  forward: of("forward-measured"),
  return: of("return-measured"),
  words: document.getElementById("verdict-measured").textContent,
  json: document.getElementById("json").value,
};
"""


def took(
    browser: Browser, site: Page, readings: list[dict[str, Any]], folder: Path
) -> tuple[dict[str, Any], Path]:
    """Give the sheet readings; what it says, and the file it saves."""
    browser.open(site.file)
    browser.script(TAKE, readings)
    until(lambda: not browser.script(WAITING))
    assert not browser.complaints()
    said = browser.script(SAID)
    file = folder / "saved.json"
    file.write_text(said["json"], encoding="utf-8")
    return said, file


def surveyed(site: Page, file: Path) -> Survey:
    found = read_all([file], (site.case.near.name, site.case.far.name))
    assert not found.refused
    return survey_link(site.case, found, plan=site.loaded.plan, plan_digest=site.loaded.digest)


def drawn(site: Page, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Readings of an invented site: an excess, fading, noise, lost packets, other settings and heights."""
    excess, noise = rng.normal(0.0, 9.0), {True: rng.exponential(5.0), False: rng.exponential(1.0)}
    rows: list[dict[str, Any]] = []
    settings = rng.random() < 0.5
    for way in ("forward", "return"):
        if rng.random() < 0.15:
            continue
        for _ in range(int(rng.integers(1, 14))):
            running = bool(rng.random() < 0.6)
            case = site.case
            row: dict[str, Any] = {"direction": way, "running": running}
            if settings:
                row["near"] = float(rng.choice([2.5, case.near.antenna_height_m]))
                row["signal"] = int(rng.integers(0, 6))
            case = case.with_heights(near_m=row.get("near"))
            budget = case.budget(way)
            rise = 0.0 if running else (case.near if way == "return" else case.far).noise_rise_db
            floor = budget.noise_power_dbm - rise + noise[running]
            level = budget.received_power_dbm - excess + rng.normal(0.0, 3.0)
            sent = int(rng.choice([1, 5, 20]))
            heard = int(np.clip(round(sent * (level - floor + 14.0) / 6.0), 0, sent))
            if rng.random() < 0.8 or not heard:
                row |= {"sent": sent, "received": heard}
            if heard:
                rssi = 10.0 * np.log10(10.0 ** (level / 10.0) + 10.0 ** (floor / 10.0))
                row |= {"rssi": float(round(rssi)), "snr": float(round(4.0 * min(level - floor, 9.0)) / 4.0)}
            rows.append(row)
    return rows or drawn(site, rng)


@pytest.mark.parametrize("name", ["upland", "wooded"])
def test_the_sheet_measures_what_the_survey_measures(
    browser: Browser, sites: dict[str, Page], tmp_path: Path, name: str
) -> None:
    rng = np.random.default_rng(41)
    site = sites[name]
    for _ in range(15):
        said, file = took(browser, site, drawn(site, rng), tmp_path)
        found = surveyed(site, file)
        for way, d in zip(("forward", "return"), found.directions, strict=True):
            value, low, high, needed = said[way]
            assert value == pytest.approx(d.fade_margin_db, abs=WORST_DB)
            assert (low, high) == pytest.approx(d.fade_margin_interval_db, abs=2.0 * WORST_DB)
            assert needed == pytest.approx(d.required_margin_db, abs=WORST_DB)
        spare = min(d.fade_margin_db - d.required_margin_db for d in found.directions)
        if abs(spare) > WORST_DB and abs(min(d.fade_margin_db for d in found.directions)) > WORST_DB:
            assert said["verdict"] == found.verdict


# ---------------------------------------------------------------- flows that ended in a wrong "closes"


def run(*arguments: str | Path) -> Any:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def weak_at_12(case: LinkCase, n: int = 12) -> list[dict[str, Any]]:
    """Heard at spreading factor 12, 5 dB below what the plan's needs."""
    noise = case.budget().noise_power_dbm
    snr = case.signal.required_snr_db - 5.0
    fades = np.resize([-2.5, -0.5, 1.0, 2.0, -1.5, 0.5], n)
    return [
        {
            "direction": way,
            "rssi": round(noise),
            "snr": float(snr + f),
            "sent": 10,
            "received": 10,
            "signal": 5,
        }
        for way in ("forward", "return")
        for f in fades
    ]


def test_readings_at_another_spreading_factor_count_as_they_were_taken(
    browser: Browser, sites: dict[str, Page], tmp_path: Path
) -> None:
    site = sites["upland"]
    assert "SF8" in site.case.signal.text
    said, file = took(browser, site, weak_at_12(site.case), tmp_path)
    assert said["verdict"] == "does_not_close"
    assert json.loads(said["json"])["readings"][0]["spreading_factor"] == 12
    assert run("survey", site.plan, file).exit_code == 4
    record = tmp_path / "record.html"
    assert run("report", site.plan, file, "-o", record).exit_code == 0
    assert "DOES NOT CLOSE" in record.read_text()
    assert "SF12" in record.read_text()


def test_an_antenna_only_tried_on_site_is_not_taken_for_the_planned_one(
    browser: Browser, sites: dict[str, Page], tmp_path: Path
) -> None:
    site = sites["wooded"]  # its sheet holds a yagi of 7 dBi
    own = [reading(site, way, 4.0) for way in ("forward", "return") for _ in range(12)]
    over_db = 4.0 + 4.85  # 7 dBi in place of a dipole's 2.15
    yagi = [reading(site, way, over_db, antenna=[2, 0]) for way in ("forward", "return") for _ in range(12)]
    with_own, _ = took(browser, site, own, tmp_path)
    with_yagi, file = took(browser, site, yagi, tmp_path)
    assert json.loads(with_yagi["json"])["readings"][0]["near_antenna_gain_dbi"] == 7.0
    assert with_yagi["forward"][0] == pytest.approx(with_own["forward"][0], abs=1.0)
    assert surveyed(site, file).directions[0].fade_margin_db == pytest.approx(
        with_yagi["forward"][0], abs=WORST_DB
    )


def reading(site: Page, way: str, over_db: float, noise_db: float = 0.0, **more: Any) -> dict[str, Any]:
    """A strong reading: so much over the predicted level, in noise so much over the expected."""
    budget = site.case.budget(way)
    level, noise = budget.received_power_dbm + over_db, budget.noise_power_dbm + noise_db
    rssi = 10.0 * np.log10(10.0 ** (level / 10.0) + 10.0 ** (noise / 10.0))
    return {
        "direction": way,
        "rssi": float(round(rssi, 1)),
        "snr": float(min(round(level - noise, 2), 9.0)),
        **more,
    }


def test_levels_that_contradict_the_packets_do_not_close(
    browser: Browser, sites: dict[str, Page], tmp_path: Path
) -> None:
    site = sites["upland"]
    noise = site.case.budget().noise_power_dbm
    # every packet arrives, and every level read lies where nothing is decoded
    rows = [
        {
            "direction": way,
            "rssi": round(noise),
            "snr": -22.0 - k,
            "sent": 200,
            "received": 200,
            "running": True,
        }
        for way in ("forward", "return")
        for k in range(5)
    ]
    said, file = took(browser, site, rows, tmp_path)
    assert said["verdict"] in ("at_risk", "does_not_close")
    assert "contradict" in said["words"]
    found = run("survey", site.plan, file)
    assert found.exit_code in (3, 4)
    assert "contradict each other" in " ".join(found.output.split())


def test_noise_takes_the_margin_on_the_sheet_too(
    browser: Browser, sites: dict[str, Page], tmp_path: Path
) -> None:
    site = sites["upland"]
    rows = [
        reading(site, way, 22.0, 21.0, sent=5, received=5) for way in ("forward", "return") for _ in range(10)
    ]
    for k, r in enumerate(rows):
        r["rssi"] += (-1.5, 0.0, 1.5)[k % 3]
    said, file = took(browser, site, rows, tmp_path)
    found = surveyed(site, file)
    quiet = [
        reading(site, way, 22.0, 0.0, sent=5, received=5) for way in ("forward", "return") for _ in range(10)
    ]
    loud_margin = said["forward"][0]
    assert loud_margin == pytest.approx(found.directions[0].fade_margin_db, abs=WORST_DB)
    assert took(browser, site, quiet, tmp_path)[0]["forward"][0] > loud_margin + 10.0
    assert "over the expected" in said["words"]


@pytest.mark.parametrize("running", [True, False])
def test_a_cable_that_grew_with_its_antenna_takes_its_part_of_the_noise(
    browser: Browser, tmp_path: Path, running: bool
) -> None:
    """In a city at 151 MHz most noise comes in by the antenna: 8 m more of rg58 take over 1 dB of it."""
    loud = {
        "frequency_mhz = 868.3": "frequency_mhz = 151.0",
        "noise_rise_db = 6.0": 'noise_environment = "city"\nnoise_rise_db = 6.0',
    }
    site = sample_page(tmp_path, "upland", 2.0, loud)
    raised = site.case.raised(far_m=site.case.far.antenna_height_m + 8.0)
    browser.open(site.file)
    browser.script(f"sheet.height[1] = {raised.far.antenna_height_m}")
    told = reading(replace(site, case=raised), "forward", 4.0, running=running)
    browser.script(TAKE, [told] * 3)
    rise = 0.0 if running else raised.far.noise_rise_db
    expected = raised.budget().noise_power_dbm - rise
    assert expected < site.case.budget().noise_power_dbm - rise - 1.0
    assert browser.script("return rows[0].at.noise") == pytest.approx(expected, abs=0.02)
    until(lambda: not browser.script(WAITING))
    file = tmp_path / "saved.json"
    file.write_text(browser.script(SAID)["json"], encoding="utf-8")
    found = read_all([file], (site.case.near.name, site.case.far.name))
    survey = survey_link(raised, found, plan=site.loaded.plan, plan_digest=site.loaded.digest)
    assert browser.script(SAID)["forward"][0] == pytest.approx(
        survey.directions[0].fade_margin_db, abs=WORST_DB
    )


def test_silence_is_a_verdict_on_the_sheet(browser: Browser, sites: dict[str, Page], tmp_path: Path) -> None:
    rows = [{"direction": way, "sent": 20, "received": 0} for way in ("forward", "return") for _ in range(6)]
    said, file = took(browser, sites["upland"], rows, tmp_path)
    assert said["verdict"] == "does_not_close"
    assert "0 of 120 packets" in said["words"]
    assert run("survey", sites["upland"].plan, file).exit_code == 4


def test_survivors_do_not_flatter_the_margin(
    browser: Browser, sites: dict[str, Page], tmp_path: Path
) -> None:
    """Most packets lost, and the few heard were the lucky ones."""
    site = sites["upland"]
    edge = site.case.signal.required_snr_db
    noise = site.case.budget().noise_power_dbm
    heard = [
        {"direction": "forward", "rssi": round(noise), "snr": edge + db, "sent": 1, "received": 1}
        for db in (0.2, 0.5, 0.3, 1.1, 0.4, 0.8)
    ]
    lost = [{"direction": "forward", "sent": 1, "received": 0}] * 94
    said, _ = took(browser, site, heard + lost, tmp_path)
    assert said["verdict"] == "does_not_close"
    lucky_db = float(np.median([r["snr"] for r in heard])) - edge
    assert said["forward"][0] < 0.0 < lucky_db


# ---------------------------------------------------------------- counter, other phones, place


def test_packets_tapped_become_a_reading_with_its_proof(browser: Browser, sites: dict[str, Page]) -> None:
    browser.open(sites["upland"].file, "phone")
    browser.script("document.getElementById('counter').open = true")
    browser.script("document.getElementById('count-every').value = '3600'")
    browser.click("#count-start")
    browser.click("#count-heard")
    browser.script("sheet.counter.heard = 48; sheet.counter.correction = 49; count(); keep()")
    assert browser.text("count-proof").startswith("48 of 50 so far: proves 87.9")
    browser.reload()
    assert browser.text("count-proof").startswith("48 of 50 so far")
    browser.script("document.getElementById('counter').open = true")
    browser.click("#count-use")
    values = browser.script("return ['sent', 'received'].map((id) => document.getElementById(id).value)")
    assert values == ["50", "48"]


def test_another_phones_file_is_taken_over_once(
    browser: Browser, sites: dict[str, Page], tmp_path: Path
) -> None:
    site = sites["upland"]
    _, file = took(browser, site, [reading(site, "return", 0.0), reading(site, "return", 1.0)], tmp_path)
    browser.open(site.file)
    for said in ("2 readings taken over", "2 were here already"):
        browser.element("#open").send_keys(str(file))
        until(lambda said=said: said in browser.text("opened-line"))
    assert browser.script("return sheet.readings.length") == 2
    (tmp_path / "other.json").write_text(json.dumps({"link": "elsewhere", "readings": [{}]}))
    browser.element("#open").send_keys(str(tmp_path / "other.json"))
    until(lambda: "not taken over" in browser.text("opened-line"))


def test_a_pasted_position_says_how_far_from_the_plan_one_stands(
    browser: Browser, sites: dict[str, Page]
) -> None:
    site = sites["upland"]
    browser.open(site.file)
    latitude, longitude = browser.script("return data.ends[0].position")
    said = browser.script(
        "document.getElementById('place').value = arguments[0]; placed(); return placeWords()",
        f"{latitude + 0.0027}, {longitude}",
    )
    # a minute of latitude is 1852 m (the nautical mile): 0.0027 degrees are 300 m
    assert "You stand 300" in said or "You stand 30" in said
    azimuth = site.case.azimuth_deg % 360.0
    on_the_spot = browser.script(
        "here = { latitude: arguments[0], longitude: arguments[1] }; return courseTo(data.ends[1].position)",
        latitude,
        longitude,
    )
    assert on_the_spot["bearing"] == pytest.approx(azimuth, abs=0.3)
    assert on_the_spot["metres"] == pytest.approx(site.case.profile.length_m, rel=5e-3)


@pytest.mark.parametrize(
    ("typed", "metres"), [("12ft", 3.658), ("3.5 m", 3.5), ("11'", 3.353), ("high", None), ("3,25", 3.25)]
)
def test_a_height_is_taken_with_its_unit_or_the_old_one_is_kept(
    browser: Browser, sites: dict[str, Page], typed: str, metres: float | None
) -> None:
    site = sites["upland"]
    browser.open(site.file)
    browser.script(
        "const b = document.getElementById('near-height'); b.value = arguments[0];"
        "b.dispatchEvent(new Event('change'))",
        typed,
    )
    kept = browser.script("return sheet.height[0]")
    assert kept == pytest.approx(metres or site.case.near.antenna_height_m, abs=1e-3)

"""The main command, end to end: exit codes, what is printed, what is written, and no traceback."""

import json
import re
import warnings
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.files import sample_path
from linkcalc.link.case import LinkCase
from linkcalc.views.jsonout import result_schema
from tests import sites

pytestmark = pytest.mark.cli

RIDGE = sites.profile(3000.0, sites.ridge(12.0, 1300.0, 250.0), points=61)
"""19 dB of margin at 14 dBm, where 31 are required."""

HEARD: dict[str, Any] = {"transmit_power_dbm": 30.0}
CLOSES = sites.case(RIDGE, tank=HEARD, shed=HEARD)
AT_RISK = sites.case(RIDGE, shed=HEARD)
FAILS = sites.case(RIDGE, tank={"transmit_power_dbm": -20.0}, shed=HEARD)


def check(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["check", *map(str, arguments)])


def read(done: Result) -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is not JSON")

    answer: dict[str, Any] = json.loads(done.stdout, parse_constant=refuse)
    return answer


# Exit codes


@pytest.mark.parametrize(
    ("case", "code", "word"),
    [(CLOSES, 0, "CLOSES"), (AT_RISK, 3, "AT RISK"), (FAILS, 4, "DOES NOT CLOSE")],
)
def test_the_exit_code_is_the_verdict(case: LinkCase, code: int, word: str, tmp_path: Path) -> None:
    done = check(sites.plan_file(tmp_path, case))
    assert (done.exit_code, done.stderr) == (code, "")
    assert word in done.stdout


def test_a_plain_check_works_out_no_year_of_the_tank_and_says_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plan = sample_path("upland")
    whole = read(check(plan, "--json"))["sections"]["tank"]
    assert whole["solution"]["recommended"] is not None
    monkeypatch.setattr(
        "linkcalc.operation.tank.answer.year_risk", lambda *_: pytest.fail("a year was worked out")
    )
    assert whole["line"] in " ".join(check(plan).stdout.split())


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        # a station may send with 33 dBm; the drain of no transmitter of that power is known
        ("transmit_power_dbm = 14.0", "transmit_power_dbm = 33.0",
         'Energy: not answered: power "tank": no generic transmit current is known above 30 dBm'),
        # a narrow SF12 message takes longer than the wait between its tries
        ("spreading_factor = 8, bandwidth_khz = 125.0", "spreading_factor = 12, bandwidth_khz = 10.4",
         "Messages: not answered: message"),
    ],
)  # fmt: skip
def test_a_section_that_cannot_be_answered_leaves_the_verdict_standing(
    old: str, new: str, words: str, tmp_path: Path
) -> None:
    text = sample_path("upland").read_text()
    assert old in text
    plan = tmp_path / "plan.toml"
    plan.write_text(
        text.replace(old, new).replace('"upland.tif"', f'"{sample_path("upland").with_suffix(".tif")}"')
    )
    done = check(plan)
    assert done.exit_code in (0, 3, 4), done.stderr
    assert "fade margin" in done.stdout
    assert words in " ".join(done.stdout.split())
    told = read(check(plan, "--json"))
    assert told["links"][0]["directions"][0]["fade_margin_db"] is not None
    section = words.partition(":")[0].lower()
    assert words in told["sections"][section]["line"]
    assert set(told["sections"]) == {"limits", "messages", "tank", "energy", "exposure"}


@pytest.mark.parametrize(("second", "code"), [(CLOSES, 0), (AT_RISK, 3), (FAILS, 4)])
def test_of_two_links_the_worse_decides(second: LinkCase, code: int, tmp_path: Path) -> None:
    names = {"name": "other", "from_": "far tank"}
    other = sites.case(
        second.profile,
        tank={"name": "far tank", "transmit_power_dbm": second.near.transmit_power_dbm},
        shed=HEARD,
        link=second.link.model_dump(by_alias=True, exclude_unset=True)
        | {"name": names["name"], "from": "far tank"},
    )
    done = check(sites.plan_file(tmp_path, CLOSES, other), "--json")
    assert done.exit_code == code
    assert [k["name"] for k in read(done)["links"]] == ["level", "other"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("station = 3\n", "station"),
        ("", "empty"),
        ("title = ", "line 1"),
        ('[[link]]\nname = "x"\nspreading = 3\n', "spreading"),
    ],
)
def test_bad_input_is_two_and_one_line(text: str, words: str, tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(text)
    done = check(file, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert words in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_survey_of_two_points_is_named_with_its_fault(tmp_path: Path) -> None:
    file = sites.plan_file(tmp_path, CLOSES)
    (tmp_path / "plan-0.csv").write_text("distance_m,ground_m\n0,1\n100,1\n")
    done = check(file)
    assert (done.exit_code, done.stderr.count("\n")) == (2, 1)
    assert "plan-0.csv" in done.stderr


# JSON


def test_json_is_strict_fits_its_schema_and_holds_what_was_promised(tmp_path: Path) -> None:
    done = check(sites.plan_file(tmp_path, AT_RISK), "--json")
    found = read(done)
    jsonschema.Draft202012Validator(result_schema()).validate(found)
    assert done.stdout.endswith("}\n")
    assert not done.stdout.endswith("\n\n")
    link = found["links"][0]
    assert link["verdict"] == "at_risk"
    for direction in link["directions"]:
        margin = sum(round(t["value_db"] * 1e6) for t in direction["terms"])
        assert margin == round(direction["fade_margin_db"] * 1e6)
        assert direction["received_power_dbm"] - direction["sensitivity_dbm"] == pytest.approx(
            direction["fade_margin_db"], abs=1e-6
        )
        low, high = direction["fade_margin_interval_db"]
        assert low < direction["fade_margin_db"] < high
    keys = {a["key"] for a in found["assumed"]}
    assert keys >= {"conditions.installation_db", "conditions.climate", 'station "tank" surroundings'}
    assert link["path"]["surroundings_loss_db"][0] > link["path"]["surroundings_loss_db"][1] > 0.0
    assert all(0.0 < d["site_share"] <= 1.0 for d in link["directions"])
    assert any("man-made noise" in w for w in found["warnings"])
    assert len(found["plan_digest"]) == 64


def test_the_text_tells_what_was_assumed_warned_and_cautioned(tmp_path: Path) -> None:
    text = " ".join(check(sites.plan_file(tmp_path, AT_RISK), "--full").stdout.split())
    for words in (
        f"{AT_RISK.budget().fade_margin_db:.1f} dB of fade margin",
        "dB required",
        "line of sight blocked by terrain, 1.30 km from tank",
        "P.1812",
        'station "tank" surroundings = open',
        "open (assumed), 10 m, Rec. ITU-R P.2108",
        "required_success = 0.99",
        "man-made noise (rural) is extrapolated to 868 MHz",
        "not a safety function and not an emergency stop",
        "What to change",
    ):
        assert words in text


def test_the_first_screen_answers_and_leaves_the_rest_for_full(tmp_path: Path) -> None:
    file = sites.plan_file(tmp_path, AT_RISK)
    page, whole = (check(file, *how).stdout for how in ((), ("--full",)))
    text = " ".join(page.split())
    for words in (
        f"AT RISK level {AT_RISK.budget().fade_margin_db:.1f} dB of fade margin",
        "such sites in 100; where it does,",
        "Limiting factor: line of sight blocked by terrain, 1.30 km from tank.",
        f"Assumed, not stated: surroundings, tank {AT_RISK.losses.near_surroundings_db[0]:.1f} dB",
        "Closes with, cheapest first (margin of that required): 1. ",
        "no safety function and no emergency stop",
        "--full",
    ):
        assert words in text
    assert "4. " not in page
    assert len(page.splitlines()) <= 42 < len(whole.splitlines())  # with three priced remedies in full


# Files


def test_out_writes_pictures_report_and_result_whole(tmp_path: Path) -> None:
    file, out = sites.plan_file(tmp_path, AT_RISK), tmp_path / "new" / "out"
    done = check(file, "--out", out)
    assert done.exit_code == 3
    names = {f"level-{kind}.{form}" for kind in ("profile", "budget", "height") for form in ("svg", "png")}
    assert {f.name for f in out.iterdir()} == names | {"report.txt", "result.json"}
    assert f"wrote {len(names) + 2} files to" in done.stderr
    for picture in out.glob("*.svg"):
        assert picture.read_text().rstrip().endswith("</svg>")
    for picture in out.glob("*.png"):
        assert picture.read_bytes().endswith(b"IEND\xaeB`\x82")
    assert json.loads((out / "result.json").read_text()) == read(check(file, "--json"))
    assert (out / "report.txt").read_text() == check(file, "--full").stdout
    assert not re.search("\x1b", done.stdout)


@pytest.mark.usefixtures("undrawn")
def test_a_second_run_replaces_the_first_and_leaves_nothing_else(tmp_path: Path) -> None:
    file, out = sites.plan_file(tmp_path, AT_RISK), tmp_path / "out"
    check(file, "--out", out)
    before = {f.name: f.read_bytes() for f in out.iterdir()}
    check(file, "--out", out)
    assert {f.name: f.read_bytes() for f in out.iterdir()} == before, "equal plans give equal files"


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    done = check(sites.plan_file(tmp_path, CLOSES), "--out", tmp_path / "file" / "out")
    assert (done.exit_code, done.stderr.count("\n")) == (2, 1)
    assert (tmp_path / "file").read_text() == "in the way"


# Unusual plans


def sea(path: Any, start_m: float, end_m: float) -> Any:
    from dataclasses import replace

    water = (path.distance_m >= start_m) & (path.distance_m <= end_m)
    return replace(path, zone=np.where(water, 1, 3).astype(np.int8))


FSK = {"kind": "fsk", "bit_rate_bps": 4800.0, "deviation_hz": 5000.0, "required_snr_db": 10.0}
SOUTH = {
    "tank": {"latitude_deg": -40.0, "longitude_deg": -20.0},
    "shed": {"latitude_deg": -40.0, "longitude_deg": -19.965},
}
HORIZONTAL, CIRCULAR = ({"antenna": {"polarisation": p}} for p in ("horizontal", "circular"))

UNUSUAL: dict[str, LinkCase] = {
    "all horizontal": sites.case(RIDGE, tank=HORIZONTAL, shed=HORIZONTAL),
    "circular": sites.case(RIDGE, tank=CIRCULAR, shed=CIRCULAR),
    "circular to horizontal": sites.case(RIDGE, tank=CIRCULAR, shed=HORIZONTAL),
    "inside at both ends": sites.case(
        RIDGE, tank={"building": "thermally_efficient"}, shed={"building": "traditional"}
    ),
    "dense city": sites.case(
        RIDGE, shed={"noise_environment": "city", "surroundings": "urban", "surroundings_height_m": 30.0}
    ),
    "clear sites": sites.case(RIDGE, tank={"surroundings": "none"}, shed={"surroundings": "none"}),
    "a house beside the mast": sites.case(
        RIDGE,
        tank={"surroundings": "suburban", "surroundings_height_m": 7.0, "surroundings_distance_m": 12.0},
    ),
    "a crowded channel": sites.case(RIDGE, link={"channel_busy_percent": 60.0, "tries": 2}),
    "a wall of noise": sites.case(RIDGE, shed={"noise_rise_db": 60.0}),
    "FSK": sites.case(RIDGE, link={"modulation": FSK}),
    "across the yard": sites.case(sites.profile(50.0)),
    "three points": sites.case(sites.profile(300.0, points=3)),
    "60 km": sites.case(sites.profile(60_000.0)),
    "over the sea": sites.case(
        sea(sites.profile(20_000.0, 1.0, points=61), 1500.0, 17_000.0), tank={"antenna_height_m": 12.0}
    ),
    "July in the south": sites.case(RIDGE, **SOUTH, conditions={"month": 7}),
    "July nowhere": sites.case(RIDGE, conditions={"month": 7, "climate": "desert"}),
    "twenty tries": sites.case(RIDGE, link={"tries": 20}),
    "six nines": sites.case(RIDGE, link={"required_success": 0.999999}),
    "next to nothing": sites.case(RIDGE, link={"required_success": 0.001}),
    "aimed away": sites.case(
        RIDGE, tank=SOUTH["tank"] | {"antenna": {"type": "yagi", "azimuth_deg": 270.0}}, shed=SOUTH["shed"]
    ),
    "aimed without positions": sites.case(RIDGE, tank={"antenna": {"type": "yagi", "azimuth_deg": 270.0}}),
    "aimed at the sky": sites.case(RIDGE, tank={"antenna": {"type": "yagi", "tilt_deg": 90.0}}),
    "on the ground": sites.case(RIDGE, tank={"antenna_height_m": 0.1}, shed={"antenna_height_m": 0.1}),
    "3 km up": sites.case(RIDGE, shed={"antenna_height_m": 3000.0}),
    "30 MHz": sites.case(RIDGE, link={"frequency_mhz": 30.0}),
    "6 GHz in a wood": sites.case(
        RIDGE, link={"frequency_mhz": 6000.0}, conditions={"woodland_depth_m": 40.0}
    ),
    "a whole wood": sites.case(sites.profile(1500.0, 100.0, ((0.0, 1500.0, 18.0, "trees"),), points=41)),
    "a tank in the way": sites.case(sites.profile(200.0, 100.0, ((90.0, 110.0, 9.0, "tank"),))),
    "nothing uncertain": sites.case(
        RIDGE, conditions={"model_error_db": 0.0, "antenna_gain_error_db": 0.0, "height_error_m": 0.0}
    ),
    "half of the year": sites.case(RIDGE, conditions={"year_share_percent": 50.0}),
    "below the sea": sites.case(sites.profile(3000.0, -400.0)),
    "up a wall": sites.case(sites.profile(300.0, lambda x: 10.0 + 4.0 * x)),
    "a whisper": sites.case(RIDGE, tank={"transmit_power_dbm": -30.0}, shed={"transmit_power_dbm": -30.0}),
    "a hundred metres of thin cable": sites.case(
        RIDGE, tank={"feeder": {"type": "rg174", "length_m": 100.0, "connectors": 20, "arrestor": True}}
    ),
}


@pytest.mark.parametrize("name", UNUSUAL)
def test_an_unusual_plan_is_answered_soberly(name: str, tmp_path: Path) -> None:
    file = sites.plan_file(tmp_path, UNUSUAL[name])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        done = check(file, "--json")
    assert done.exit_code in (0, 3, 4), done.stderr
    assert done.stderr == ""
    found = read(done)
    jsonschema.Draft202012Validator(result_schema()).validate(found)
    link = found["links"][0]
    assert {"closes": 0, "at_risk": 3, "does_not_close": 4}[link["verdict"]] == done.exit_code
    assert 30.0 < link["directions"][0]["path_loss_db"] < 400.0
    for direction in link["directions"]:
        for key, value in direction.items():
            if key.startswith("delivery_probability") and key != "delivery_probability_year_share":
                assert 0.0 <= value <= 1.0
            if isinstance(value, float) or value is None:
                assert value is not None or key == "rician_k_db"
        assert direction["delivery_probability_single"] <= direction["delivery_probability"]
        assert direction["limited_by"]
    assert link["advice"][-1]["kind"] == "measure" or any(a["kind"] == "measure" for a in link["advice"])
    assert all(w and "\n" not in w for w in found["warnings"])


@pytest.mark.parametrize("name", ["over the sea", "aimed at the sky", "six nines", "60 km", "three points"])
def test_an_unusual_plan_reads_well(name: str, tmp_path: Path) -> None:
    done = check(sites.plan_file(tmp_path, UNUSUAL[name]))
    assert done.exit_code in (0, 3, 4)
    assert not re.search(r"\b(nan|inf|None|Traceback)\b", done.stdout)
    assert max(len(line) for line in done.stdout.splitlines()) <= 80

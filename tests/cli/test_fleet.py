"""The fleet command, from fleet file to pictures."""

import csv
import io
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from typer.testing import CliRunner, Result

import linkcalc as lc
from linkcalc.cli import app
from linkcalc.fleets.answer import answer
from linkcalc.plan.fleet import load_fleet
from linkcalc.propagation import compiled
from linkcalc.views.fleet.figures import airtime_figure, load_figure, map_figure
from linkcalc.views.fleet.text import _share, fleet_report, success_words
from linkcalc.views.style import render

SAMPLES = Path(__file__).parents[2] / "terrain_samples"

pytestmark = [
    pytest.mark.cli,
    pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only"),
]


def fleet(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["fleet", *map(str, arguments)])


def changed(tmp_path: Path, *pairs: tuple[str, str], rows: int = 30) -> Path:
    """The sample with some of its text changed, and the first rows of its list."""
    lines = (SAMPLES / "upland_tanks.csv").read_text().splitlines()
    (tmp_path / "nodes.csv").write_text("\n".join(lines[: rows + 2]) + "\n")
    text = (SAMPLES / "upland_fleet.toml").read_text().replace("upland_tanks.csv", "nodes.csv")
    text = re.sub(r'"upland.tif"', f'"{(SAMPLES / "upland.tif").as_posix()}"', text)
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "fleet.toml"
    file.write_text(text)
    return file


@pytest.fixture(scope="module")
def result():
    return answer(load_fleet(SAMPLES / "upland_fleet.toml"))


def test_the_sample_is_answered_first_and_written_whole(tmp_path):
    done = fleet(SAMPLES / "upland_fleet.toml", "--out", tmp_path / "out")
    assert done.exit_code in (0, 3), done.stderr
    assert re.match(r"Fleet: (all|\d of) 60 nodes (may )?get", done.stdout)
    assert "not a safety function and not an emergency stop" in " ".join(done.stdout.split())
    assert max(map(len, done.stdout.splitlines())) <= 80
    names = {p.name for p in (tmp_path / "out").iterdir()}
    pictures = {f"fleet-{n}.{kind}" for n in ("map", "traffic", "airtime") for kind in ("svg", "png")}
    assert names == {"nodes.csv", "reach.csv", "report.txt", *pictures}
    reach = list(csv.DictReader(io.StringIO((tmp_path / "out" / "reach.csv").read_text())))
    assert len(reach) == 120
    gained = [float(r["margin_sf12_db"]) - float(r["margin_sf7_db"]) for r in reach]
    assert gained == pytest.approx([12.5] * 120, abs=0.011)
    assert (tmp_path / "out" / "report.txt").read_text() == done.stdout
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "nodes.csv").read_text())))
    assert len(rows) == 60
    assert tuple(rows[0]) == (
        *("name", "latitude_deg", "longitude_deg", "antenna_height_m", "verdict", "shed", "spreading_factor"),
        *(
            "transmit_power_dbm",
            "distance_m",
            "path",
            "margin_db",
            "assured",
            "success_alone",
            "success_predicted",
        ),
        *("tries_sent", "collided", "interval_s", "time_on_air_s", "airtime_s_per_day", "charge_mah_per_day"),
        *("battery_years", "reached", "limits", "lacks"),
    )
    for row in rows:
        # the link itself may ask for more than the success of the messages does
        assert row["verdict"] != "closes" or float(row["assured"]) >= 0.9
    assert sum(r["verdict"] == "closes" for r in rows) > 40
    assert rows[6]["shed"] == "west shed"  # as the list says


def test_a_fleet_that_cannot_have_what_is_asked_says_what_would_do(tmp_path):
    file = changed(tmp_path, ("interval_s = 900.0", "interval_s = 8.0"), ('region = "eu"', ""))
    done = fleet(file)
    assert done.exit_code == 3
    assert re.match(r"Fleet: \d+ of 30 nodes may get fewer than 90 % of their messages through", done.stdout)
    words = " ".join(done.stdout.split())
    assert "fail for the load of the others; what would do: reports" in words
    assert "another base station would take nodes off the busiest one" in words


LOST = 'transmit_power_dbm = -30.0\nextra_loss = [{ loss_db = 40.0, reason = "in a steel tank" }]'


def test_a_node_out_of_reach_ends_with_the_code_for_not_closing(tmp_path):
    file = changed(tmp_path, ("transmit_power_dbm = 14.0", LOST), rows=8)
    done = fleet(file)
    assert done.exit_code == 4
    assert "of them fewer than half" in " ".join(done.stdout.split())
    assert re.search(r"would not have it even if no other node sent, and lack up\s+to \d+ dB", done.stdout)


def test_as_planned_nothing_is_chosen(tmp_path):
    done = fleet(changed(tmp_path), "--as-planned", "--json")
    found = json.loads(done.stdout)["fleet"]
    assert {n["spreading_factor"] for n in found["nodes"]} == {10}
    assert {n["power_dbm"] for n in found["nodes"]} == {14.0}
    assert found["planned"] is None
    assert found["assigned"] is False


@pytest.mark.slow
def test_json_is_strict_and_the_same_every_time(tmp_path):
    file = changed(tmp_path, rows=10)
    first, second = fleet(file, "--json"), fleet(file, "--json")
    assert first.stdout == second.stdout
    found = json.loads(first.stdout, parse_constant=lambda word: pytest.fail(word))["fleet"]
    assert found["verdict"] == "closes"
    assert len(found["nodes"]) == 10
    other = json.loads(fleet(file, "--json", "--seed", "2").stdout)["fleet"]
    assert other["nodes"][0]["success_predicted"] == found["nodes"][0]["success_predicted"]
    assert [p["played"] for p in other["loads"]] != [p["played"] for p in found["loads"]]


def test_bad_rows_are_told_and_the_others_answered(tmp_path):
    file = changed(tmp_path, rows=4)
    with (tmp_path / "nodes.csv").open("a") as file_of_nodes:
        file_of_nodes.write("far away,-40.0,20.0,,,\nodd,-40,0,-20,0,4,,\n")
    done = fleet(file, "--as-planned")
    assert "linkcalc: row 8 is not used (odd): 8 values under 6 columns: decimal commas?" in done.stderr
    assert "linkcalc: row 7 is not used (far away): far away at" in done.stderr
    assert "4 nodes, 2 base stations" in done.stdout
    assert done.exit_code == 3  # not all that was asked is answered


@pytest.mark.usefixtures("undrawn")
def test_a_node_at_the_shed_itself_has_no_path_and_hurts_nobody(tmp_path):
    file = changed(tmp_path, rows=3)
    with (tmp_path / "nodes.csv").open("a") as file_of_nodes:
        file_of_nodes.write("at the shed,-39.99720,-20.02900,4,,west shed\n")
    done = fleet(file, "--as-planned", "--json", "--out", tmp_path / "out")
    assert done.exit_code == 4
    found = json.loads(done.stdout)["fleet"]
    last = found["nodes"][3]
    assert (last["margin_db"], last["lacks"]) == (None, "no path to its base station")
    assert last["success"] == pytest.approx(0.0, abs=1e-12)
    assert all(n["success_predicted"] > 0.99 for n in found["nodes"][:3])
    text = " ".join((tmp_path / "out" / "report.txt").read_text().split())
    assert '"at the shed" stands at the position of "west shed"' in text


def test_a_plain_radio_in_the_shed_hears_one_at_a_time(tmp_path):
    plain = changed(
        tmp_path, ("demodulators = 8", "demodulators = 1\nspreading_factors = [10]"),
        ("tries = 3", "tries = 1"), rows=12,
    )  # fmt: skip
    found = json.loads(fleet(plain, "--json").stdout)["fleet"]
    assert {n["spreading_factor"] for n in found["nodes"]} == {10}
    assert max(s["all_busy"] for s in found["sheds"]) > 1e-4


def test_a_fleet_of_fsk_radios_has_powers_to_choose_only(tmp_path):
    fsk = '{ kind = "fsk", bit_rate_bps = 4800.0, deviation_hz = 5000.0, required_snr_db = 10.0 }'
    file = changed(tmp_path, ('{ kind = "css", spreading_factor = 10, bandwidth_khz = 125.0 }', fsk), rows=10)
    found = answer(load_fleet(file))
    assert {n.spreading_factor for n in found.nodes} == {None}
    words = " ".join(fleet_report(found).split())
    assert "FSK" in words
    assert "stronger by what the demodulator needs over noise" in words


def test_without_fading_a_strong_node_loses_to_others_only(tmp_path):
    steady = changed(
        tmp_path, ("channels = 1", 'fading = "none"\nchannels = 1'), ("tries = 3", "tries = 1"), rows=6
    )
    done = fleet(steady, "--as-planned", "--json")
    found = json.loads(done.stdout)["fleet"]
    for node in found["nodes"]:
        if node["margin_db"] > 3.0:
            assert node["success_predicted"] > 0.98
    assert found["fading"] is False


def test_a_list_with_a_plan_is_answered(tmp_path):
    nodes = tmp_path / "few.csv"
    nodes.write_text("name,latitude_deg,longitude_deg\na,-40.01,-19.99\nb,-40.02,-19.99\n")
    done = fleet(nodes, "--plan", SAMPLES / "upland.toml", "--interval-s", "1200", "--as-planned")
    assert done.exit_code in (0, 3)
    assert "2 nodes, 1 base station" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("absent.toml",), "absent.toml: no such file"),
        (
            (SAMPLES / "upland_tanks.csv",),
            "a list of nodes needs its base stations and equipment: add --plan PLAN.toml",
        ),
        ((SAMPLES / "upland.toml",), "is a plan, not a fleet: linkcalc fleet NODES.csv --plan upland.toml"),
        ((SAMPLES / "upland_fleet.toml", "--link", "x"), "--link and --interval-s go with --plan"),
        ((SAMPLES / "upland_fleet.toml", "--plan", "p.toml"), "--plan goes with a list of nodes (CSV)"),
        (
            (SAMPLES / "upland_tanks.csv", "--plan", SAMPLES / "upland.toml", "--interval-s", "-1"),
            "--interval-s = -1 must be above 0",
        ),
        (
            (SAMPLES / "upland_tanks.csv", "--plan", SAMPLES / "upland.toml", "--link", "up"),
            'unknown link "up"; links: "level and start command"',
        ),
        (
            (SAMPLES / "upland_tanks.csv", "--plan", SAMPLES / "upland_fleet.toml"),
            'is a fleet file, not a plan: set its nodes = "upland_tanks.csv", then linkcalc fleet',
        ),
        ((SAMPLES / "upland_fleet.toml", "--out", "/dev/null/x"), "cannot be made"),
    ],
)
def test_bad_input_is_one_line(arguments, words):
    done = fleet(*arguments)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert words in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.slow
def test_a_node_that_never_stops_sending_is_named_and_the_others_are_answered(tmp_path):
    file = changed(tmp_path, rows=2)
    with (tmp_path / "nodes.csv").open("a") as file_of_nodes:
        file_of_nodes.write("chatterbox,-40.01,-20.02,4,0.1,\n")
    done = fleet(file)
    assert "linkcalc: row 5 is not used (chatterbox): its interval of 0.1 s is shorter than" in done.stderr
    assert "through; 1 more not answered" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("pairs", "more"),
    [
        # no spreading factor that is listed fits, though the planned one would
        ((("interval_s = 900.0", "interval_s = 3.0"), ("channels = 1", "spreading_factors = [12]")), ()),
        (
            (("interval_s = 900.0", "interval_s = 0.4"), ("spreading_factor = 10", "spreading_factor = 12")),
            ("--as-planned",),
        ),
    ],
)
def test_only_spreading_factors_that_may_be_used_count_for_what_fits(tmp_path, pairs, more):
    done = fleet(changed(tmp_path, *pairs, rows=3), *more)
    assert done.exit_code == 2
    assert re.search(
        r"interval of [0-9.]+ s is shorter than the 3.96 s .* \(2 more like it\)\n$", done.stderr
    )
    assert done.stderr.count("\n") == 1


def test_what_keeps_a_node_from_its_success_on_a_crowded_air_is_told(tmp_path):
    file = changed(
        tmp_path, ("interval_s = 900.0", "interval_s = 8.0"), ('region = "eu"', ""),
        ("channels = 1", "channels = 8"),
    )  # fmt: skip
    proposed = json.loads(fleet(file, "--json").stdout)["fleet"]
    kinds = {n["lacks"]: n["success_alone"] < 0.9 for n in proposed["nodes"] if n["lacks"]}
    assert kinds
    assert all(
        alone == ("load of the others" not in words) for words, alone in kinds.items() if "room" not in words
    )


def test_where_fewer_arrive_than_by_the_closed_form_the_simulation_has_the_say(tmp_path):
    # nobody displaces its start: the closed form holds on average only
    file = changed(
        tmp_path, ("interval_s = 900.0", "interval_s = 60.0\njitter = 0.0"), ('region = "eu"', "")
    )  # fmt: skip
    found = json.loads(fleet(file, "--as-planned", "--json").stdout)["fleet"]
    by_played = [n for n in found["nodes"] if n["by_played"]]
    assert by_played
    for node in by_played:
        assert node["success_predicted"] == pytest.approx(node["played_success"], abs=1e-9)
    assert any("more when simulated packet by packet" in n for n in found["notes"])


@pytest.mark.usefixtures("undrawn")
def test_a_formula_in_a_name_is_no_formula_in_the_tables(tmp_path):
    file = changed(tmp_path, rows=2)
    text = (tmp_path / "nodes.csv").read_text().replace("tank 01", '"=HYPERLINK(""x"")"')
    (tmp_path / "nodes.csv").write_text(text)
    fleet(file, "--as-planned", "--out", tmp_path / "out")
    for name in ("nodes.csv", "reach.csv"):
        cells = {row[0] for row in csv.reader(io.StringIO((tmp_path / "out" / name).read_text()))}
        assert '\'=HYPERLINK("x")' in cells
        assert not any(c.startswith("=") for c in cells)


@pytest.mark.slow
def test_retries_that_meet_again_are_told_to_spread(tmp_path):
    file = changed(
        tmp_path, ("interval_s = 900.0", "interval_s = 300.0\njitter = 0.02"), ('region = "eu"', ""),
        ("demodulators = 8", "demodulators = 1\nspreading_factors = [10]"),
    )  # fmt: skip
    words = " ".join(fleet(file).stdout.split())
    said = re.search(r"spread them over .* \(retry_wait_s = (\d+), retry_jitter = 1\) and the predicted loss .* from "
                     r"([\d.]+) % to ([\d.]+) %", words)  # fmt: skip
    assert said
    spread = f"interval_s = 300.0\nretry_wait_s = {said[1]}\nretry_jitter = 1.0\njitter = 0.02"
    better = changed(
        tmp_path, ("interval_s = 900.0", spread), ('region = "eu"', ""),
        ("demodulators = 8", "demodulators = 1\nspreading_factors = [10]"),
    )  # fmt: skip
    nodes = json.loads(fleet(better, "--json").stdout)["fleet"]["nodes"]
    played = sum(n["played_success"] for n in nodes) / len(nodes)
    # said for the weaker nodes too, whose levels are uncertain: never less than what is played
    assert 0.3 * float(said[3]) < 100.0 * (1.0 - played) < 1.3 * float(said[3])


def test_one_node_is_spoken_of_as_one(tmp_path):
    text = fleet(changed(tmp_path, rows=1)).stdout
    assert "\n1 node, 2 base stations" in text
    assert "1 nodes" not in text
    assert "of 1 nodes reach" not in text


def test_success_is_not_rounded_up_to_what_it_lacks(result):
    node = replace(result.nodes[0], assured=0.8996)
    assert success_words(node, 0.9) == "89.9 %"
    assert success_words(node, 0.8) == "90 %"
    assert _share(2e-20) == "<0.01 %"


def test_json_has_no_digits_without_meaning(result):
    words: list[str] = []
    json.loads(result.to_json(), parse_float=words.append)
    assert max(len(re.sub(r"e.*|[-.]", "", w).lstrip("0")) for w in words) <= 10


def test_messages_that_do_not_fit_into_their_interval_are_one_line(tmp_path):
    done = fleet(changed(tmp_path, ("interval_s = 900.0", "interval_s = 0.1"), rows=3))
    assert done.exit_code == 2
    assert re.search(r"node tank 01: its interval of 0.1 s is shorter than the 0\.\d+ s that", done.stderr)


def test_limits_bar_what_they_forbid(tmp_path):
    strict = ("frequency_mhz = 869.525", "frequency_mhz = 868.3")
    file = changed(tmp_path, strict, ("interval_s = 900.0", "interval_s = 120.0"))
    found = json.loads(fleet(file, "--json").stdout)["fleet"]
    assert {n["limits"]["status"] for n in found["nodes"]} == {"within"}
    assert any("over the limits of eu are not proposed" in n for n in found["notes"])
    assert any(s["limits"]["status"] == "over" for s in found["sheds"])
    assert "over at" in found["limits_line"]


def test_power_over_the_limit_does_not_count_in_a_fleet_as_planned(tmp_path):
    # 869.4-869.65 MHz allows 500 mW ERP (ERC/REC 70-03, annex 1): 27 dBm
    planned = {}
    for power in ("27.0", "30.0"):
        file = changed(tmp_path, ("transmit_power_dbm = 14.0", f"transmit_power_dbm = {power}"), rows=4)
        planned[power] = json.loads(fleet(file, "--as-planned", "--json").stdout)["fleet"]
    legal, louder = planned["27.0"], planned["30.0"]
    assert {n["power_dbm"] for n in louder["nodes"]} == {27.0}
    assert [n["margin_db"] for n in louder["nodes"]] == [n["margin_db"] for n in legal["nodes"]]
    assert [n["verdict"] for n in louder["nodes"]] == [n["verdict"] for n in legal["nodes"]]
    assert "closes" in {n["verdict"] for n in louder["nodes"]}
    assert {n["limits"]["status"] for n in louder["nodes"]} == {"over"}
    assert any("more power than the limits of eu allow" in note for note in louder["notes"])


def test_a_node_whose_base_station_answers_over_the_limit_is_at_risk_at_best(tmp_path):
    # 868.0-868.6 MHz allows one percent of the hour (ERC/REC 70-03, annex 1)
    busy = ("frequency_mhz = 869.525", "frequency_mhz = 868.3"), ("interval_s = 900.0", "interval_s = 30.0")
    found = json.loads(fleet(changed(tmp_path, *busy, rows=6), "--json").stdout)["fleet"]
    over = {s["name"] for s in found["sheds"] if s["limits"] and s["limits"]["status"] == "over"}
    assert over
    at_over = [n for n in found["nodes"] if n["shed"] in over]
    assert {n["verdict"] for n in at_over} <= {"at_risk", "does_not_close"}
    assert any(n["lacks"] == "its base station's answers are over the limits of eu" for n in at_over)
    assert any("would close but for the limits of eu" in note for note in found["notes"])


@pytest.mark.slow
def test_pictures_are_made_and_the_same_every_time(result):
    for draw in (map_figure, load_figure, airtime_figure):
        assert render(draw(result), "svg") == render(draw(result), "svg")


def test_a_map_of_a_thousand_nodes_can_be_read(result):
    """Lines that only show the way to the shed, names that hide neither each other nor more than a few marks."""
    spots = np.random.default_rng(1).uniform(-0.02, 0.02, (1000, 2))
    nodes = tuple(
        replace(
            result.nodes[k % len(result.nodes)],
            name=f"tank {k}",
            latitude_deg=result.sheds[0].latitude_deg + spots[k, 0],
            longitude_deg=result.sheds[0].longitude_deg + spots[k, 1],
            verdict="at_risk" if k % 9 == 0 else "closes",
        )
        for k in range(1000)
    )
    figure = map_figure(replace(result, nodes=nodes))
    figure.draw_without_rendering()
    ax = figure.axes[0]
    (lines,) = [c for c in ax.collections if isinstance(c, LineCollection)]
    across = np.ptp(ax.get_xlim())
    drawn = lines.get_segments()
    assert 50 < len(drawn) < 200
    assert max(np.hypot(*(end - start)) for start, end in drawn) < 0.03 * across
    names = [t for t in ax.texts if t.get_text().startswith("tank") or "shed" in t.get_text()]
    assert len(names) >= len(result.sheds)
    boxes = [t.get_window_extent() for t in names]
    for k, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[k + 1 :])
        assert ax.get_window_extent().x0 - 2 <= box.x0 <= box.x1 <= ax.get_window_extent().x1 + 2


def test_a_report_fits_a_plain_terminal(result):
    text = fleet_report(result, ascii_only=True)
    assert text.isascii()
    assert not re.search(r"\d\.\d{6}", text)


def test_played_and_worked_out_agree_at_the_planned_traffic(result):
    for point in result.loads:
        if point.times == 1.0:
            assert point.played == pytest.approx(point.tries_received, abs=0.01)
    for node in result.nodes:
        assert node.played_low - 0.02 <= node.success_predicted <= node.played_high + 0.02
        assert node.assured <= node.success_alone + 1e-9
        assert math.isfinite(node.margin_db)


def test_a_node_beside_its_shed_is_at_risk_for_ground_that_is_not_known() -> None:
    nodes = {n.name: n for n in lc.fleet(lc.sample_path("upland_fleet"), simulate=False).nodes}
    near = nodes["tank 58"]
    assert (near.verdict, near.lacks) == ("at_risk", "the ground to its base station is not known")
    assert near.distance_m < 100.0

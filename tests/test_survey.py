"""From a plan and readings to an answer: what was measured where, under what, and what is still to come."""

import json
import math
import runpy
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from linkcalc.errors import ReadingsError
from linkcalc.link.case import LinkCase
from linkcalc.link.findings import WAYS
from linkcalc.link.legal import lawful
from linkcalc.link.on_ground import cases, open_terrain
from linkcalc.link.uncertainty import REFRACTION, SLOW_FADING, SURROUNDINGS, contributors
from linkcalc.link.verdict import check_link
from linkcalc.plan import Feeder, load_plan
from linkcalc.plan.stations import position_deg
from linkcalc.propagation import vegetation
from linkcalc.site.measured import Side
from linkcalc.site.readings import Reading, Readings, read_all, read_readings
from linkcalc.site.survey import Survey, survey_link
from linkcalc.site.walk_test import MOST_SPOTS, SPOT_SPREAD_DB, SPOT_TAIL, compare_spots
from linkcalc.terrain.profile import Profile
from linkcalc.views.jsonout import plain_data
from tests.plan.plans import load

SAMPLES = Path(__file__).parents[1] / "terrain_samples"

UNMEASURED_NOISE_DB = 2.7
"""By up to so much the median margin lies lower where strong signals hide what noise there may be."""

FACTORY = (
    ("antenna_height_m = 6.0", "antenna_height_m = 6.0\nnoise_rise_db = 5.0"),
    ("spreading_factor = 10", "spreading_factor = 7\n[conditions]\nmodel_error_db = 12.0"),
)


@pytest.fixture
def case(tmp_path) -> LinkCase:
    """Two kilometres short, flat, an engine at the far end."""
    return case_of(tmp_path, *FACTORY)


def case_of(folder: Path, *changes: tuple[str, str]) -> LinkCase:
    loaded = load(folder, *changes)
    with open_terrain(loaded) as terrain:
        return next(iter(cases(loaded, terrain)))


def measured(
    case: LinkCase, excess_db: float = 0.0, n: int = 16, ways=("forward", "return"), **given
) -> list[Reading]:
    """Readings without fading, as a register in whole decibels shows them; `given` goes into each.

    The engine stands unless said; `noise_db` is over the expected.
    """
    noise_db = given.pop("noise_db", 0.0)
    given = {"engine_running": False, "sent": 1, "received": 1, **given}
    heights = case.with_heights(near_m=given.get("near_height_m"), far_m=given.get("far_height_m"))
    rows = []
    for way in ways:
        budget = heights.budget(way)
        rise = 0.0 if given["engine_running"] else (case.near if way == "return" else case.far).noise_rise_db
        noise = budget.noise_power_dbm - rise + noise_db
        # fades of Rician K 10 dB with a reading's error, around their mean power
        for fade in np.resize([-4.1, -0.8, 1.2, 2.6, -2.0, 0.3], n):
            signal = budget.received_power_dbm - excess_db + fade
            rssi = 10.0 * math.log10(10.0 ** (signal / 10.0) + 10.0 ** (noise / 10.0))
            snr = min(round(4.0 * (signal - noise)) / 4.0, 9.0)
            rows.append(Reading(len(rows) + 2, way, rssi_dbm=round(rssi, 1), snr_db=snr, **given))
    return rows


def survey(case: LinkCase, rows: list[Reading], **options) -> Survey:
    numbered = tuple(replace(r, row=i + 2) for i, r in enumerate(rows))
    return survey_link(case, Readings("readings.csv", numbered), **options)


def said(found: Survey, words: str) -> bool:
    return any(words in line for line in found.warnings)


def test_before_the_readings_the_survey_says_what_the_check_says(case):
    checked, found = check_link(case), survey(case, measured(case))
    for before, d in zip(checked.directions, found.directions, strict=True):
        assert (d.from_, d.to) == (before.from_, before.to)
        assert d.predicted_margin_db == before.fade_margin_db
        assert d.predicted_delivery_probability == pytest.approx(before.delivery_probability, abs=1e-6)
        middle, half = before.fade_margin_db, 1.96 / 1.6449
        assert d.predicted_margin_interval_db[0] == pytest.approx(
            middle - half * (middle - before.fade_margin_interval_db[0]), abs=0.01
        )


def test_power_over_the_legal_limit_counts_in_the_readings_and_not_in_the_margin(tmp_path):
    case = case_of(
        tmp_path,
        ("antenna_height_m = 4.0", "antenna_height_m = 4.0\ntransmit_power_dbm = 27.0"),
        ("spreading_factor = 10", 'spreading_factor = 7\n[regulation]\nregion = "eu"'),
    )
    legal, (over, *_) = lawful(case)
    assert legal.near.transmit_power_dbm < 27.0
    checked, found = check_link(case), survey(case, measured(case))
    assert said(found, f"for the legal {over.legal_dbm:.1f} dBm")
    assert abs(found.excess_db) < 1.0
    for before, d in zip(checked.directions, found.directions, strict=True):
        assert d.predicted_margin_db == before.fade_margin_db
        assert -UNMEASURED_NOISE_DB <= d.fade_margin_db - d.predicted_margin_db <= 1.2


def test_readings_that_agree_keep_the_margin_and_narrow_it(case):
    found = survey(case, measured(case, engine_running=True))
    assert found.agreement == "agrees"
    assert abs(found.excess_db) < 1.0
    for d in found.directions:
        assert -UNMEASURED_NOISE_DB <= d.fade_margin_db - d.predicted_margin_db <= 1.2
        low, high = d.fade_margin_interval_db
        assert high - low < 0.5 * (d.predicted_margin_interval_db[1] - d.predicted_margin_interval_db[0])
        assert (
            d.delivery_probability_interval[0] <= d.delivery_probability <= d.delivery_probability_interval[1]
        )
    assert found.representative
    assert not found.allowances


@pytest.mark.parametrize(
    ("excess_db", "agreement"),
    # within 6 dB trust both, to 15 dB look for a cause, beyond a fault: common practice, no source
    [(3.0, "agrees"), (-4.0, "agrees"), (10.0, "look_for_a_cause"), (22.0, "fault"), (-11.0, "better")],
)
def test_what_the_site_hides_is_found_and_judged(case, excess_db, agreement):
    found = survey(case, measured(case, excess_db, engine_running=True))
    assert found.agreement == agreement
    assert found.excess_db == pytest.approx(excess_db, abs=1.5)
    assert found.excess_interval_db[0] < excess_db < found.excess_interval_db[1]
    # what the site and the day share is theirs by their variances
    day_db = case.conditions.surroundings_error_db
    stays_db = excess_db * found.prior_sigma_db**2 / (found.prior_sigma_db**2 + day_db**2)
    for d in found.directions:
        assert -UNMEASURED_NOISE_DB <= d.fade_margin_db - d.predicted_margin_db + stays_db <= 2.0


def test_a_site_that_loses_more_than_the_margin_does_not_close(case):
    deep = min(case.budget().fade_margin_db, case.budget("return").fade_margin_db) + 12.0
    rows = [
        Reading(2, way, sent=20, received=0, engine_running=True)
        for way in ("forward", "return")
        for _ in range(4)
    ]
    found = survey(case, rows)
    assert found.verdict == "does_not_close"
    assert found.excess_db > deep - 16.0  # what silences both ends may be noise as well
    assert found.directions[0].level_dbm is None


def test_readings_at_other_heights_are_held_against_those_heights(case):
    rows = measured(case, near_height_m=1.5, far_height_m=2.0, engine_running=True)
    found = survey(case, rows)
    assert found.heights_m == (1.5, 2.0)
    assert found.planned_heights_m == (4.0, 6.0)
    assert abs(found.excess_db) < 1.0
    low = case.with_heights(near_m=1.5, far_m=2.0)
    for d, way in zip(found.directions, WAYS, strict=True):
        there = low.budget(way).fade_margin_db
        assert -UNMEASURED_NOISE_DB <= d.fade_margin_db - d.predicted_margin_db <= 1.2
        assert -UNMEASURED_NOISE_DB <= d.fade_margin_as_mounted_db - there <= 1.2
        assert there < d.predicted_margin_db - 5.0


def test_heights_left_out_of_the_file_would_have_looked_like_a_fault(case):
    rows = measured(case, near_height_m=1.5, far_height_m=2.0, engine_running=True)
    forgotten = [replace(r, near_height_m=None, far_height_m=None) for r in rows]
    assert survey(case, forgotten).excess_db > 5.0


def test_with_the_engine_stopped_its_noise_is_still_to_come(case):
    stopped = survey(case, measured(case))
    running = survey(case, measured(case, engine_running=True))
    assert stopped.directions[0].fade_margin_db == pytest.approx(
        running.directions[0].fade_margin_db, abs=0.8
    )
    (allowance,) = stopped.allowances
    assert (allowance.direction, allowance.loss_db) == ("forward", 5.0)
    assert "engine" in allowance.name
    assert not stopped.representative
    assert said(stopped, "measured with the engine stopped")


def test_an_engine_that_is_louder_than_planned_takes_the_margin_of_its_own_receiver_alone(case):
    weak = {"excess_db": case.budget().fade_margin_db - 9.0}  # SNR low enough to be believed
    rows = measured(case, **weak) + measured(
        case, **weak, engine_running=True, ways=("forward",), noise_db=8.0
    )
    quiet = survey(case, measured(case, **weak))
    loud = survey(case, rows)
    assert quiet.directions[0].fade_margin_db - loud.directions[0].fade_margin_db == pytest.approx(
        8.0, abs=1.5
    )
    assert loud.directions[1].fade_margin_db == pytest.approx(quiet.directions[1].fade_margin_db, abs=1.0)
    assert said(loud, "the noise heard is")


def without_weather(case: LinkCase) -> LinkCase:
    """The same link where no day differs from another, so that readings alone set the width."""
    return replace(case, conditions=case.conditions.model_copy(update={"surroundings_error_db": 0.0}))


def test_noise_that_jumps_is_warned_of_and_trusted_less(case):
    case = without_weather(case)
    weak = {"excess_db": case.budget().fade_margin_db - 9.0, "ways": ("forward",), "engine_running": True}
    steady = measured(case, **weak, n=24)
    rng = np.random.default_rng(13)
    jumping = [measured(case, **weak, n=1, noise_db=db)[0] for db in rng.normal(0.0, 7.0, 24)]
    a, b = survey(case, steady), survey(case, jumping)
    assert not said(a, "noise jumps")
    assert said(b, "the noise jumps by")
    widths = [high - low for low, high in (x.directions[0].fade_margin_interval_db for x in (a, b))]
    assert widths[1] > 1.1 * widths[0]


def test_an_unstated_engine_is_taken_as_stopped_and_said(case):
    found = survey(case, [replace(r, engine_running=None) for r in measured(case)])
    assert found.allowances
    assert said(found, "do not say whether the engine was running")


def wooded(folder: Path) -> LinkCase:
    return case_of(
        folder, ("spreading_factor = 10", "spreading_factor = 10\n[conditions]\nwoodland_depth_m = 60.0")
    )


def test_a_survey_of_bare_trees_leaves_the_leaves_to_come(tmp_path):
    case = wooded(tmp_path)
    bare_conditions = case.conditions.model_copy(update={"leaf": "out_of_leaf", "wet_foliage": False})
    bare = replace(case, conditions=bare_conditions)
    modelled_db = case.path.loss_db - bare.path.loss_db
    # 60 m in P.833; with what surrounds the antennas trees count in part only, and caution takes the more
    swing_db = vegetation.woodland_loss_db(
        60.0, 868e6, leaf="in_leaf", wet=True
    ) - vegetation.woodland_loss_db(60.0, 868e6, leaf="out_of_leaf", wet=False)
    assert swing_db > modelled_db > 2.0
    rows = measured(bare)
    told = survey(case, rows, leaf="out_of_leaf", wet_foliage=False)
    (allowance,) = told.allowances
    assert allowance.loss_db == pytest.approx(swing_db)
    assert not told.representative
    assert abs(told.excess_db) < 2.0
    # taken for leaves in full, the same readings promise what the summer takes back
    untold = survey(case, [replace(r, leaf="in_leaf", wet_foliage=True) for r in rows])
    assert untold.directions[0].fade_margin_db > told.directions[0].fade_margin_db + 0.7 * swing_db


def test_foliage_that_nobody_stated_goes_by_the_date_or_by_the_plan_and_is_said(tmp_path):
    case = wooded(tmp_path)
    found = survey(case, measured(case))
    assert said(found, "taken as in leaf, as in the plan")
    placed = replace(
        case, profile=replace(case.profile, latitude_deg=np.full(case.profile.distance_m.size, 50.0))
    )
    winter = [replace(r, time=datetime(2026, 1, 20, 9)) for r in measured(case)]
    assert said(survey(placed, winter), "taken as bare, by their date")
    southern = replace(
        case, profile=replace(case.profile, latitude_deg=np.full(case.profile.distance_m.size, -40.0))
    )
    assert said(survey(southern, winter), "taken as in leaf, by their date")


def test_where_no_tree_stands_in_the_path_nobody_is_asked_for_leaves(case):
    assert not said(survey(case, measured(case)), "leaf")


def test_lost_packets_count_as_below_sensitivity(case):
    case = without_weather(case)
    # the site leaves a margin of 0.5 dB, so that a third of the packets is lost and the lucky ones are heard
    rng = np.random.default_rng(12)
    scattered = math.sqrt(1.0 / 22.0) * (rng.normal(size=120) + 1j * rng.normal(size=120))
    margins = 0.5 + 20.0 * np.log10(abs(math.sqrt(10.0 / 11.0) + scattered))
    loss = case.budget().fade_margin_db
    heard = [
        measured(case, loss - m - 4.1 + rng.normal(0.0, 1.5), n=1, ways=("forward",), engine_running=True)[0]
        for m in margins[margins > 0.0]
    ]
    lost = [Reading(2, "forward", sent=1, received=0, engine_running=True)] * int((margins <= 0.0).sum())
    assert 25 < len(lost) < 60
    dropped, kept = survey(case, heard), survey(case, heard + lost)
    assert kept.directions[0].fade_margin_db == pytest.approx(0.5, abs=1.2)
    assert dropped.directions[0].fade_margin_db > kept.directions[0].fade_margin_db + 0.4
    assert (kept.directions[0].sent, kept.directions[0].received) == (120, 120 - len(lost))


def test_one_wrong_reading_is_named_and_does_not_pull(case):
    rows = measured(case, 4.0, engine_running=True)
    broken = [*rows, replace(rows[0], rssi_dbm=-20.0, snr_db=9.0)]
    a, b = survey(case, rows), survey(case, broken)
    assert b.excess_db == pytest.approx(a.excess_db, abs=0.3)
    assert said(b, f"row {len(rows) + 2} is too far from the others to count")


def test_a_pair_that_cannot_be_is_warned_of_and_its_snr_believed(case):
    rows = [
        replace(r, rssi_dbm=(r.rssi_dbm or 0.0) - 40.0)
        for r in measured(case, case.budget().fade_margin_db - 8)
    ]
    found = survey(case, rows)
    assert said(found, "RSSI and SNR put the noise below thermal noise")
    assert found.directions[0].fade_margin_db == pytest.approx(8.0, abs=4.0)


def test_a_packet_at_an_snr_its_signal_cannot_have_is_warned_of(case):
    rows = [replace(r, snr_db=-17.0) for r in measured(case)]
    assert said(survey(case, rows), "cannot decode")  # SF7 needs -7.5 dB


def test_rssi_at_the_noise_without_snr_tells_nothing(case):
    noise = case.budget("return").noise_power_dbm
    rows = [Reading(2, "return", rssi_dbm=noise + 1.0) for _ in range(5)]
    with pytest.raises(ReadingsError, match="no reading tells a level"):
        survey(case, rows)
    found = survey(case, rows + measured(case, ways=("forward",)))
    assert said(found, "an RSSI at the noise, which tells no level")
    assert found.directions[1].readings == 0


def test_rssi_alone_is_believed_where_it_is_strong(case):
    rows = [replace(r, snr_db=None) for r in measured(case, 5.0)]
    assert survey(case, rows).excess_db == pytest.approx(5.0, abs=1.5)


def test_snr_alone_is_believed_where_it_is_weak(case):
    edge = case.budget().fade_margin_db - 6.0
    rows = [replace(r, rssi_dbm=None) for r in measured(case, edge, ways=("forward",))]
    assert survey(case, rows).directions[0].fade_margin_db == pytest.approx(6.0 - 0.0, abs=7.0)
    strong = [replace(r, rssi_dbm=None) for r in measured(case)]
    assert survey(case, strong).directions[1].readings < len(strong) / 2


def test_two_ways_that_lose_differently_point_at_an_end(case):
    rows = measured(case, 2.0, ways=("forward",)) + measured(case, 18.0, ways=("return",))
    found = survey(case, rows)
    assert said(found, "from shed to tank the level falls")
    assert said(found, "check the power set at shed")
    assert not said(survey(case, measured(case, 10.0)), "the level falls")


def test_a_direction_without_readings_leans_on_the_other_and_is_said(case):
    found = survey(case, measured(case, 9.0, ways=("forward",)))
    assert found.directions[1].readings == 0
    assert found.directions[1].excess_db is None
    assert found.directions[1].fade_margin_db == pytest.approx(
        found.directions[1].predicted_margin_db - found.excess_db - 2.0, abs=0.5
    )
    assert said(found, "nothing was measured from shed to tank")


def test_losses_at_a_strong_level_put_a_link_at_risk(case):
    generous = replace(case, link=case.link.model_copy(update={"required_margin_db": 5.0}))
    good = survey(generous, measured(case, n=40, sent=10, received=10, engine_running=True))
    assert good.verdict == "closes"
    bad = survey(generous, measured(case, n=40, sent=10, received=8, engine_running=True))
    assert bad.verdict == "at_risk"
    assert said(bad, "lost for another reason")
    assert "level does not explain" in bad.headline
    # a fifth of the packets is lost whatever the margin is
    assert bad.directions[0].unexplained_loss == pytest.approx(0.2, abs=0.05)
    assert bad.directions[0].delivery_probability == pytest.approx(0.8, abs=0.05)
    thrice = replace(generous, link=generous.link.model_copy(update={"tries": 3}))
    again = survey(thrice, measured(case, n=40, sent=10, received=8, engine_running=True))
    assert again.directions[0].delivery_probability == pytest.approx(1.0 - 0.2**3, abs=0.006)


def test_fading_that_stands_still_is_noticed(case):
    rows = [replace(r, rssi_dbm=-80.0, snr_db=9.0) for r in measured(case)]
    assert said(survey(case, rows), "it stands still")


def test_more_tries_make_the_message_surer_not_the_margin(case):
    once = survey(case, measured(case, 20.0))
    thrice = survey(replace(case, link=case.link.model_copy(update={"tries": 3})), measured(case, 20.0))
    assert thrice.directions[0].fade_margin_db == once.directions[0].fade_margin_db
    assert thrice.directions[0].delivery_probability > once.directions[0].delivery_probability


def test_a_sheet_for_another_plan_or_link_is_noticed(case):
    rows = tuple(measured(case))
    found = survey_link(
        case, Readings("sheet.json", rows, link="other", plan_digest="00ff"), plan_digest="abcd"
    )
    assert said(found, "another version of this plan")
    assert said(found, 'name link "other"')


def test_the_contributors_the_survey_tells_apart_exist(tmp_path):
    # 150 MHz in a city: noise matters
    case = case_of(
        tmp_path,
        ("frequency_mhz = 868.0", "frequency_mhz = 150.0"),
        ("antenna_height_m = 6.0", 'antenna_height_m = 6.0\nnoise_environment = "city"'),
    )
    names = {p.name: p.kind for p in contributors(case, case.far)}
    assert names["local noise"] == "site"
    assert names["noise over time"] == "conditions"
    # what one day does not tell from the site
    blocked, _ = _far_case()
    x = np.linspace(0.0, 25e3, 400)
    inland = np.full(x.size, 4, np.int8)
    flat = Profile(x, 0.0 * x, 0.0 * x, ("",) * x.size, inland, None, None, "flat", 0.0, ())
    long = replace(case, profile=flat)
    for name, found in ((SURROUNDINGS, case), (SLOW_FADING, blocked), (REFRACTION, long)):
        sigma = {p.name: p for p in contributors(found, found.far)}
        assert sigma[name].kind == "conditions"
        assert Side(found, "forward", [], []).day_db >= sigma[name].sigma_db > 0.1


def _far_case():
    loaded = load_plan(SAMPLES / "upland.toml")
    with open_terrain(loaded) as terrain:
        case = next(iter(cases(loaded, terrain)))
    return case, case.far


def test_the_answer_is_strict_json_without_pictures(case):
    found = survey(case, measured(case))
    text = json.dumps(plain_data(found), allow_nan=False)
    answer = json.loads(text)
    assert answer["verdict"] == found.verdict
    assert answer["directions"][0]["from"] == "tank"
    assert "drawing" not in answer


def walk(case: LinkCase, excess_by_spot: dict[str, float], **given) -> list[Reading]:
    return [
        r
        for name, db in excess_by_spot.items()
        for r in measured(case, db, ways=("forward",), spot=name, **given)
    ]


def test_the_best_of_the_spots_is_found_and_answered_for(case):
    found = survey(case, walk(case, {"roof": 12.0, "post": 2.0, "gully": 25.0}))
    assert [s.name for s in found.spots] == ["post", "roof", "gully"]
    assert found.spot == "post"
    assert found.spots[0].best_probability > 0.99
    assert sum(s.best_probability for s in found.spots) == pytest.approx(1.0)
    assert found.excess_db == pytest.approx(2.0, abs=1.5)
    assert found.spots[0].fade_margin_db - found.spots[1].fade_margin_db == pytest.approx(10.0, abs=2.0)


def test_a_spot_where_nothing_was_heard_is_last_and_uncertain(case):
    silent = [Reading(2, "forward", sent=10, received=0, spot="pit", engine_running=False) for _ in range(3)]
    found = survey(case, walk(case, {"roof": 12.0, "post": 4.0}) + silent)
    pit = found.spots[-1]
    assert (pit.name, pit.sent, pit.received) == ("pit", 30, 0)
    widths = {s.name: s.fade_margin_interval_db[1] - s.fade_margin_interval_db[0] for s in found.spots}
    assert widths["pit"] > 1.5 * widths["roof"]


def test_spots_at_other_heights_are_compared_as_they_stand(case):
    rows = walk(case, {"low": 0.0}, near_height_m=1.0) + walk(case, {"high": 0.0}, near_height_m=4.0)
    found = survey(case, rows)
    assert [s.name for s in found.spots] == ["high", "low"]


def test_positions_a_few_metres_apart_are_one_spot(case):
    rows = [
        replace(r, latitude_deg=-40.0 + 3e-5 * (i % 3), longitude_deg=-20.0)
        for i, r in enumerate(measured(case))
    ]
    assert survey(case, rows).spots == ()
    apart = [replace(r, latitude_deg=-40.0 + 1e-3 * (i % 2), longitude_deg=-20.0) for i, r in enumerate(rows)]
    assert len(survey(case, apart).spots) == 2


@pytest.mark.parametrize(
    "better",
    [{"spreading_factor": 12}, {"near_height_m": 15.0}, {"near_power_dbm": 20.0}, {"near_antenna": "yagi"}],
)
def test_packets_sent_with_more_margin_than_planned_are_no_proof_of_the_plan(case, better):
    easy = measured(case, ways=("forward",), n=60, **better)
    as_planned = measured(case, ways=("forward",), n=8)
    assert survey(case, easy).directions[0].counted_as_planned is None
    found = survey(case, easy + as_planned)
    assert (found.directions[0].sent, found.directions[0].counted_as_planned) == (68, (8, 8))
    assert any("60 packets were sent with settings or heights of more margin" in w for w in found.warnings)


@pytest.fixture
def placed(case) -> LinkCase:
    """The same with stations that the plan positions."""
    east = {"near": -20.0, "far": -19.976}
    return case.with_stations(
        {
            end: case.station(end).model_copy(update={"latitude_deg": -40.0, "longitude_deg": longitude})
            for end, longitude in east.items()
        }
    )


def at(reading: Reading, station, north_deg: float = 0.0, **given) -> Reading:
    place = {"latitude_deg": station.latitude_deg + north_deg, "longitude_deg": station.longitude_deg}
    return replace(reading, **place, **given)


def test_readings_saved_by_the_sheet_of_the_site_next_door_are_at_risk_at_best(placed):
    """Its plan names link and stations alike. A minute of latitude is 1852 m."""
    near, far = (position_deg(s) for s in (placed.near, placed.far))
    rows = tuple(measured(placed, -20.0))
    for away_m, words, verdict in (
        (0.0, "", "closes"),
        (60.0, "", "closes"),
        (500.0, "up to 500 m", "at_risk"),
    ):
        sheet = (near, (far[0] - away_m / 1852.0 / 60.0, far[1]))
        found = survey_link(placed, Readings("sheet.json", rows, positions_deg=(None, None, *sheet)))
        assert found.verdict == verdict
        assert said(found, words or "another site") == bool(words)


def test_a_file_says_where_its_sheet_had_the_stations(placed, tmp_path):
    files = []
    for number, positions in enumerate(
        ([[-40.0, -20.0], None], [[-40.1, -20.0]], "north", [[-40.2, "x"], [-40.3, -20.0]])
    ):
        rows = [{"direction": "forward", "rssi_dbm": -101.0 - number, "snr_db": 4.0}]
        files.append(tmp_path / f"{number}.json")
        files[-1].write_text(json.dumps({"readings": rows, "where": {"positions_deg": positions}}))
    found = read_all(files, (placed.near.name, placed.far.name))
    assert found.positions_deg == ((-40.0, -20.0), None, None, (-40.3, -20.0))


@pytest.mark.parametrize("told", ["places", "names", "one place"])
def test_phones_at_both_ends_are_no_two_spots_of_which_the_better_would_count(placed, told):
    """The shed's phone hears a fifth of the packets, the tank's hears all: the first must not be left out."""
    forward = [replace(r, sent=10, received=2) for r in measured(placed, -5.0, ways=("forward",))]
    backward = measured(placed, -40.0, ways=("return",))
    if told == "names":
        rows = [replace(r, spot="shed") for r in forward] + [replace(r, spot="tank") for r in backward]
    else:
        rows = [at(r, placed.far) for r in forward] if told == "places" else forward
        rows = rows + [at(r, placed.near) for r in backward]
    found = survey(placed, rows)
    plain = survey(placed, forward + backward)
    assert (found.spots, found.verdict) == ((), plain.verdict)
    assert found.directions[0].fade_margin_db == pytest.approx(plain.directions[0].fade_margin_db)
    assert any("taken together, as of the two ends" in w for w in found.warnings)


def test_positions_at_both_ends_are_one_place_though_one_end_noted_both_ways(placed):
    rows = [at(r, placed.near) for r in measured(placed, -40.0)]
    rows += [at(r, placed.far, sent=10, received=2) for r in measured(placed, 0.0, ways=("forward",))]
    assert survey(placed, rows).spots == ()


def test_the_better_spot_does_not_close_where_only_a_worse_one_was_read_the_other_way(case):
    rows = measured(case, -40.0, ways=("return",), spot="post") + measured(case, 10.0, spot="gully")
    found = survey(case, rows)
    assert (found.spot, found.verdict) == ("post", "at_risk")
    assert found.statement.endswith("but one way was read at other spots only.")


@pytest.mark.parametrize(("north_deg", "said"), [(0.0, False), (0.0015, False), (0.01, True)])
def test_readings_taken_where_no_station_is_planned_are_named(placed, north_deg, said):
    found = survey(placed, [at(r, placed.near, north_deg) for r in measured(placed)])
    assert any("from the nearer station of the plan" in w for w in found.warnings) == said


def test_another_place_that_closes_is_at_risk_where_the_stations_are_planned(placed):
    there, elsewhere = (
        survey(placed, [at(r, placed.near, north_deg) for r in measured(placed, -40.0)])
        for north_deg in (0.0, 0.01)
    )
    assert (there.verdict, elsewhere.verdict) == ("closes", "at_risk")
    assert elsewhere.statement.endswith("but not where the stations are planned.")


@pytest.mark.parametrize(
    ("month", "taken"), [(4, "bare"), (5, "bare"), (6, "in leaf"), (9, "in leaf"), (10, "bare")]
)
def test_months_of_budding_and_falling_leaves_count_as_bare(tmp_path, month, taken):
    case = wooded(tmp_path)
    rows = [replace(r, time=datetime(2026, month, 5, 9)) for r in measured(case)]
    north = replace(
        case, profile=replace(case.profile, latitude_deg=np.full(case.profile.distance_m.size, 50.0))
    )
    assert said(survey(north, rows), f"taken as {taken}, by their date")


def test_of_two_directions_the_worse_word_is_the_answer():
    from types import SimpleNamespace

    from linkcalc.site.survey import _weaker

    risky = SimpleNamespace(verdict="at_risk", fade_margin_db=30.0, required_margin_db=20.0)
    sure = SimpleNamespace(verdict="closes", fade_margin_db=21.0, required_margin_db=20.0)
    assert _weaker((risky, sure)) is risky


def test_a_drive_log_is_no_walk_test(case):
    rows = [replace(measured(case, n=1)[0], spot=f"s{i}") for i in range(MOST_SPOTS + 1)]
    with pytest.raises(ReadingsError, match="more than 200 spots"):
        survey(case, rows)


def test_the_chance_to_be_the_best_is_what_drawing_from_the_model_gives():
    margin = np.arange(-80.0, 100.0, 0.5)
    seen, error = np.array([14.0, 12.5, 9.0, 16.0]), np.array([3.0, 4.0, 3.0, 6.0])
    log_likelihood = -0.5 * ((margin - seen[:, np.newaxis]) / error[:, np.newaxis]) ** 2
    site_db = 12.0
    found, best = compare_spots(margin, log_likelihood, np.full(4, 10.0), site_db=site_db)
    rng = np.random.default_rng(11)
    place = 10.0 + math.sqrt(site_db**2 - SPOT_SPREAD_DB**2) * rng.normal(size=(1_000_000, 1))
    drawn = place + SPOT_SPREAD_DB * rng.standard_t(SPOT_TAIL, size=(1_000_000, 4))
    weight = np.exp(-0.5 * (((drawn - seen) / error) ** 2).sum(axis=1))
    weight /= weight.sum()
    assert 1.0 / (weight**2).sum() > 5_000  # draws that count
    np.testing.assert_allclose([f.mean for f in found], weight @ drawn, atol=0.2)
    np.testing.assert_allclose(best, np.bincount(drawn.argmax(axis=1), weight, minlength=4), atol=0.02)


def test_the_sample_readings_are_made_by_their_script_and_say_that_they_are_invented(tmp_path):
    runpy.run_path(str(SAMPLES / "make_readings.py"))["main"](tmp_path)
    for name in ("upland_readings.csv", "upland_spots.csv"):
        assert (tmp_path / name).read_text() == (SAMPLES / name).read_text()
        assert (SAMPLES / name).read_text().startswith("# Invented readings")


def test_the_sample_readings_answer_the_sample_plan():
    case, _ = _far_case()
    stations = (case.near.name, case.far.name)
    found = survey_link(case, read_readings(SAMPLES / "upland_readings.csv", stations))
    assert found.agreement == "agrees"
    assert said(found, "row 11 is too far from the others")
    walked = survey_link(case, read_readings(SAMPLES / "upland_spots.csv", stations))
    assert walked.spot == "ridge post"
    assert walked.spots[-1].name == "gully"


# ---------------------------------------------------------------- settings of a reading


def test_a_reading_at_another_spreading_factor_is_worth_what_it_was_taken_at(case):
    """Heard at SF12, 2 dB over what that needs: at the plan's SF7 nothing would be."""
    edge = case.budget().fade_margin_db + 10.5  # SF12 decodes 12.5 dB below SF7
    rows = measured(case, edge, engine_running=True, spreading_factor=12)
    told, untold = survey(case, rows), survey(case, [replace(r, spreading_factor=None) for r in rows])
    assert told.verdict == "does_not_close"
    assert told.directions[0].fade_margin_db == pytest.approx(
        -10.5, abs=4.0
    )  # heard at the edge tells little
    assert said(told, "readings were taken with SF12")
    assert untold.verdict != "closes"  # nothing is decoded at such an SNR
    assert said(untold, "cannot decode")


def test_an_antenna_a_power_and_a_feeder_of_the_reading_are_taken_off(case):
    fitted = {
        "antenna": case.near.antenna.model_copy(update={"gain_dbi": 11.0}),
        "feeder": Feeder(length_m=100.0, loss_db_per_100m=8.0),
        "transmit_power_dbm": case.near.transmit_power_dbm - 3.0,
    }
    other = case.with_stations({"near": case.near.model_copy(update=fitted)})
    weak = {"excess_db": case.budget().fade_margin_db - 9.0, "engine_running": True}  # an SNR to be believed
    plain = survey(case, measured(case, **weak)).directions[0].fade_margin_db
    rows = measured(
        other,
        **weak,
        near_antenna_gain_dbi=11.0,
        near_feeder_loss_db=8.0,
        near_power_dbm=case.near.transmit_power_dbm - 3.0,
    )
    assert survey(case, rows).directions[0].fade_margin_db == pytest.approx(plain, abs=0.3)
    forgotten = [replace(r, near_feeder_loss_db=None) for r in rows]
    assert survey(case, forgotten).directions[0].fade_margin_db < plain - 5.0


@pytest.mark.parametrize(
    ("setting", "words"),
    [({"near_antenna": "dish"}, 'near_antenna = "dish" is nothing the plan knows; it has "as planned"'),
     ({"far_feeder": "thick"}, 'far_feeder = "thick" is nothing the plan knows')],
)  # fmt: skip
def test_what_the_plan_does_not_know_is_refused_by_name(case, setting, words):
    rows = measured(case, engine_running=True)
    found = survey(case, [*rows, replace(rows[0], **setting)])
    (row,) = found.refused
    assert words in row.reason
    assert found.readings_used == len(rows)
    with pytest.raises(ReadingsError, match="no usable reading"):
        survey(case, [replace(r, **setting) for r in rows])


def test_levels_that_contradict_the_counts_leave_no_closes(case):
    generous = replace(case, link=case.link.model_copy(update={"required_margin_db": 5.0}))
    rows = [
        replace(r, rssi_dbm=-20.0 - 14.0 * (k % 5), snr_db=9.0, sent=100, received=100)
        for k, r in enumerate(measured(generous, n=5, engine_running=True))
    ]
    rows += [Reading(99, w, sent=500, received=500, engine_running=True) for w in ("forward", "return")]
    found = survey(generous, rows)
    assert [d.verdict for d in found.directions] == ["closes", "closes"]
    assert all(d.contradicted > 2 for d in found.directions)
    assert said(found, "contradict each other")
    assert found.verdict == "at_risk"
    assert "contradict" in found.headline


def test_a_height_changed_afterwards_costs_certainty(case):
    at = survey(case, measured(case, engine_running=True))
    low = survey(case, measured(case, near_height_m=1.5, far_height_m=2.0, engine_running=True))
    widths = [f.excess_interval_db[1] - f.excess_interval_db[0] for f in (at, low)]
    assert widths[1] > 2.0 * widths[0]
    assert (at.one_more.now_db, low.one_more.now_db) == (2.3, 6.5)
    assert at.one_more.at_final_height_db is None
    assert low.one_more.at_final_height_db == 4.8


def test_bare_winter_readings_through_a_wood_that_blocks_leave_the_leaves_to_come(tmp_path):
    case = case_of(
        tmp_path,
        ('profile_csv = "path.csv"', 'profile_csv = "path.csv"\n[[link.obstacle]]\ndistance_m = 500.0\n'
         'height_m = 12.0\nwidth_m = 300.0\nkind = "trees"'),
    )  # fmt: skip
    assert case.path.reason.trees == "over"
    found = survey(case, measured(case, leaf="out_of_leaf", wet_foliage=False))
    (allowance,) = found.allowances
    assert allowance.loss_db > 1.0
    assert allowance.sigma_db >= 3.0
    assert not found.representative
    untold = survey(case, measured(case))
    assert not untold.representative

"""The comparison with measured receptions, on made-up sets whose truth is known."""

import csv
import doctest
import json
import math
import os
from pathlib import Path

import numpy as np
import pytest

from linkcalc.radio import css
from tests.validation.measured import columns, delivery, fits, main, packets
from tests.validation.measured.links import Links, gather
from tests.validation.measured.models import DEFAULT, FREE_SPACE, MODELS, Paths, losses
from tests.validation.measured.report import report_on
from tests.validation.measured.sets import Assumed, UnusableSetError, read_set

SLOPE_DB, SPREAD_DB, HEARS_DBM, NOISE_DBM = 38.0, 9.0, -134.0, -117.0


def write(path: Path, heads: str, rows: list) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(heads.split(","))
        writer.writerows(rows)


def receiver_reading(signal_dbm: float) -> tuple[float, float]:
    """RSSI and SNR of a signal over steady noise."""
    total = 10.0 * math.log10(10.0 ** (signal_dbm / 10.0) + 10.0 ** (NOISE_DBM / 10.0))
    return total, signal_dbm - NOISE_DBM


def town(folder: Path, seed: int = 1, fading_db: float = 2.0, softness_db: float = 0.0) -> Path:
    """Eight receivers, 150 places, four messages from each; only what was heard is listed."""
    rng = np.random.default_rng(seed)
    metres = 111_194.9  # of a degree of latitude, and near the equator of longitude too
    receivers = rng.uniform(-4e3, 4e3, (8, 2)) / metres
    places = rng.uniform(-7e3, 7e3, (150, 2)) / metres
    offset = rng.normal(0.0, 5.0, 8)
    rows = []
    for place in places:
        km = np.hypot(*(receivers - place).T) * metres / 1e3
        median = offset - 108.0 - SLOPE_DB * np.log10(km) + rng.normal(0.0, SPREAD_DB, 8)
        for _ in range(4):
            level = median + rng.normal(0.0, fading_db, 8)
            for g in np.flatnonzero(level > HEARS_DBM + rng.normal(0.0, softness_db, 8)):
                rssi, snr = receiver_reading(level[g])
                rows.append([f"R{g}", *place.round(7), round(km[g], 4), round(rssi, 2), round(snr, 2)])
    write(folder / "packets.csv", "gateway_id,tx_lat,tx_lon,distance_km,rssi_dbm,snr_db", rows)
    write(
        folder / "gateways.csv",
        "gateway_id,rx_lat,rx_lon",
        [[f"R{g}", *at] for g, at in enumerate(receivers.round(7))],
    )
    (folder / "README.md").write_text("Made up, 915 MHz.", encoding="utf-8")
    return folder


def fixed_links(folder: Path, seed: int = 2) -> Path:
    """Eight links of 400 packets to one receiver, four in sight: Rician K 10 dB; four not: Rayleigh."""
    rng = np.random.default_rng(seed)
    rows = []
    for link in range(8):
        in_sight = link < 4
        distance_m = 300.0 * 1.5**link
        k = 10.0 if in_sight else 0.0
        steady, scattered = math.sqrt(k / (k + 1.0)), math.sqrt(0.5 / (k + 1.0))
        field = steady + scattered * (rng.standard_normal(400) + 1j * rng.standard_normal(400))
        level = -60.0 - 20.0 * math.log10(distance_m / 300.0) - 15.0 * (not in_sight)
        for signal in level + 20.0 * np.log10(np.abs(field)):
            rssi, snr = receiver_reading(signal)
            rows.append([f"L{link}", "LOS" if in_sight else "NLOS", rssi, snr, distance_m, 9])
    write(folder / "log.csv", "Link,LoS,RSSI [dBm],SNR,Distance (m),SF", rows)
    return folder


def counted(folder: Path, seed: int = 3, harder_db: float = 0.0) -> Path:
    """Links with every packet listed, received or not, at three spreading factors; thresholds as tabled."""
    rng = np.random.default_rng(seed)
    rows = []
    for link in range(24):
        distance_m = 500.0 * 10.0 ** rng.uniform(0.0, 1.3)
        median_snr = rng.uniform(-26.0, 2.0)
        for sf in (7, 9, 12):
            for number in range(60):
                snr = median_snr + rng.normal(0.0, 1.5)
                got = snr > float(css.required_snr_db(sf)) + harder_db
                reading = [round(NOISE_DBM + snr, 1), round(snr, 1)] if got else ["", ""]
                rows.append([link, number, round(distance_m), sf, 125, 14, 20, int(got), *reading])
    write(
        folder / "attempts.csv",
        "link_id,packet_number,distance_m,spreading_factor,bandwidth_khz,tx_power_dbm,payload_bytes,received,"
        "signal_dbm,snr_db",
        rows,
    )
    return folder


@pytest.fixture(scope="module")
def town_links(tmp_path_factory) -> Links:
    gathered = gather(read_set(town(tmp_path_factory.mktemp("town") / "town"), Assumed()))
    assert gathered.missing_known
    return gathered.judged


def test_missing_pairs_bring_back_the_slope_that_survivors_hide(town_links):
    slope = fits.slopes(town_links, fits.laws(town_links))
    assert slope.naive_db < SLOPE_DB - 8.0
    assert abs(slope.censored_db - SLOPE_DB) < 3.0 * slope.censored_error_db
    assert slope.lowest_db <= slope.censored_db <= slope.highest_db


@pytest.mark.parametrize(("fading_db", "softness_db"), [(6.0, 0.0), (6.0, 6.0)])
def test_packets_that_got_through_by_luck_do_not_bend_the_slope(tmp_path, fading_db, softness_db):
    folder = town(tmp_path / "town", fading_db=fading_db, softness_db=softness_db)
    gathered = gather(read_set(folder, Assumed()))
    assert gathered.hearing is not None
    assert gathered.hearing.fading_db == pytest.approx(fading_db, abs=0.6)
    assert gathered.hearing.softness_db == pytest.approx(softness_db, abs=1.0)
    # weak links are more frequent than the fit takes for granted, which puts a soft threshold a little low
    half_dbm = np.median(gathered.judged.lowest_dbm) + gathered.hearing.half_db
    assert half_dbm == pytest.approx(HEARS_DBM, abs=0.5 + 0.5 * softness_db)
    law_of = fits.laws(gathered.judged)
    corrected = fits.slopes(gathered.judged, law_of)
    as_received = fits.slopes(gathered.judged.heard_by(None), law_of)
    assert abs(corrected.censored_db - SLOPE_DB) < 2.0 + 2.0 * corrected.censored_error_db
    assert abs(corrected.censored_db - SLOPE_DB) < abs(as_received.censored_db - SLOPE_DB)
    spread = fits.fit_law(gathered.judged, law_of[fits.CENSORED]).sigma
    assert SPREAD_DB - 1.0 < spread < SPREAD_DB + 2.0


def test_what_was_not_heard_is_found_and_is_far(town_links):
    missing = ~town_links.heard
    assert 0.2 < missing.mean() < 0.9
    assert np.median(town_links.distance_m[missing]) > 1.3 * np.median(town_links.distance_m[~missing])
    assert (town_links.messages >= town_links.packets).all()
    # the made-up receivers hear down to -134 dBm; fluctuations of a quantile of some hundred readings
    assert np.abs(town_links.lowest_dbm - HEARS_DBM).max() < 3.0


def test_the_right_model_wins_with_the_missing_ones_and_loses_among_the_heard(town_links):
    law_of = fits.laws(town_links)
    flat, right = fits.score(town_links, law_of[FREE_SPACE]), fits.score(town_links, law_of[fits.CENSORED])
    naive = fits.score(town_links, law_of[fits.NAIVE])
    assert fits.gain(town_links, right, flat)[0] > 0.0
    assert fits.gain(town_links, right, naive)[0] > 0.0
    assert right.heard_sd_db > naive.heard_sd_db
    assert abs(right.spread_db - SPREAD_DB) < 1.0


def test_chances_of_the_right_model_come_true(town_links):
    right = fits.score(town_links, fits.laws(town_links)[fits.CENSORED])
    for n, predicted, heard in fits.reliability(town_links, right.probability):
        if n >= 50:
            assert abs(predicted - heard) < 0.12
    share = town_links.heard.mean()
    assert fits.brier(town_links, right.probability) < share * (1.0 - share)


def test_held_out_scores_do_not_see_the_receiver_they_judge(town_links):
    """Spoiling one half of one receiver's places leaves the strict score of the other half's offset alone."""
    law = fits.laws(town_links)[DEFAULT]
    before = fits.score(town_links, law)
    g = town_links.group[0]
    spoiled = Links(**{**vars(town_links), "level_dbm": town_links.level_dbm.copy()})
    own = np.flatnonzero((town_links.group == g) & town_links.heard)
    spoiled.level_dbm[own[0]] += 40.0
    after = fits.score(spoiled, law)
    changed = before.strict != after.strict
    same_receiver = town_links.group == g
    # others change by the spread alone, which all but one share; this receiver's own half too is judged anew
    assert changed[own[0]]
    offset_free = np.flatnonzero(same_receiver & ~changed)
    assert len(offset_free) > 0.3 * same_receiver.sum()
    assert before.likelihood[own[1]] != after.likelihood[own[1]]


def test_a_gain_over_itself_is_nothing(town_links):
    score = fits.score(town_links, fits.laws(town_links)[DEFAULT])
    assert fits.gain(town_links, score, score) == (0.0, 0.0)


def test_the_default_is_p1812_and_p2108_and_grows_with_distance():
    d = np.geomspace(260.0, 25e3, 40)
    one = np.ones_like(d)
    found = losses(Paths(d, 1.5 * one, 25.0 * one, 868e6 * one, np.nan * one))
    assert set(found) == set(MODELS)
    assert (np.diff(found[DEFAULT]) > 0.0).all()
    assert found[DEFAULT] - found["flat P.1812"] == pytest.approx(
        found["free space + P.2108"] - found[FREE_SPACE]
    )
    seen = losses(Paths(d, 1.5 * one, 25.0 * one, 868e6 * one, one))
    assert seen[DEFAULT] == pytest.approx(found["flat P.1812"])


def test_spread_within_a_link_tells_rician_from_rayleigh(tmp_path):
    rows = read_set(fixed_links(tmp_path / "links"), Assumed()).rows
    found = {w.what: w for w in packets.within_links(rows)}
    assumed = {name: sd for name, sd, *_ in packets.assumed_fading()}
    assert found["in sight"].links == found["out of sight"].links == 4
    assert found["in sight"].sd_db == pytest.approx(assumed["clear: Rician, K 10 dB"], abs=0.2)
    # one K 0 "steady" part of nothing: Rayleigh
    assert found["out of sight"].sd_db == pytest.approx(assumed["blocked: Rayleigh"], abs=0.4)
    assert found["in sight"].like == "Rician, K 10 dB"


def test_assumed_fading_has_the_spread_of_drawn_fading():
    rng = np.random.default_rng(4)
    drawn = 10.0 * np.log10(rng.exponential(size=400_000))
    _, sd, robust, depth = packets.assumed_fading()[-1]
    assert sd == pytest.approx(drawn.std(), abs=0.05)
    assert robust == pytest.approx(1.4826 * np.median(np.abs(drawn - np.median(drawn))), abs=0.05)
    assert depth == pytest.approx(np.median(drawn) - np.percentile(drawn, 10.0), abs=0.05)


def test_signal_is_the_wanted_part_of_the_reading(tmp_path):
    measured = read_set(town(tmp_path / "town"), Assumed())
    # RSSI is signal and noise together: taking the noise out gives back what was put in
    noise = (measured.rows.signal_dbm - measured.rows.snr_db)[np.isfinite(measured.rows.snr_db)]
    assert noise == pytest.approx(NOISE_DBM, abs=0.2)
    found = packets.consistency(measured.rows)
    assert found is not None
    assert found.snr_per_db == pytest.approx(1.0, abs=0.05)
    assert found.noise_db[1] == pytest.approx(NOISE_DBM, abs=0.1)


@pytest.mark.parametrize("harder_db", [0.0, 3.0])
def test_half_is_delivered_where_the_set_puts_the_threshold(tmp_path, harder_db):
    groups = delivery.group_rows(read_set(counted(tmp_path / "set", harder_db=harder_db), Assumed()).rows)
    assert groups is not None
    found = delivery.threshold(groups)
    assert found is not None
    assert found.half_db == pytest.approx(harder_db, abs=0.7)
    # 1.5 dB of normal fading: 2.56 sd from 10 to 90 %
    assert found.width_db == pytest.approx(2.56 * 1.5, abs=1.5)
    assert found.ideal_half_db < 0.0 < found.ideal_width_db < 2.5
    delivered = [share for *_, share in found.bins]
    assert delivered[0] < 0.05
    assert delivered[-1] > 0.95
    assert found.inferred > 5
    for _, half_db, _ in found.by_factor:
        assert half_db == pytest.approx(harder_db, abs=1.5)


def test_a_link_heard_at_another_setting_is_foretold_better_than_from_distance(tmp_path):
    groups = delivery.group_rows(read_set(counted(tmp_path / "set"), Assumed()).rows)
    assert groups is not None
    from_distance, from_reading = delivery.closing(groups, Assumed())
    assert from_reading.brier < 0.5 * from_distance.brier
    assert from_reading.right > 0.9 * from_reading.groups
    assert sum(n for n, *_ in from_distance.bins) == from_distance.groups == 72


@pytest.mark.parametrize(
    ("heads", "rows", "sent", "heard"),
    [
        ("link,snr,packets_sent,packets_received", [["a", 1, 50, 40], ["b", 2, 50, 50]], 100, 90),
        ("link,snr,received,lost", [["a", 1, 40, 10], ["b", 2, 50, 0]], 100, 90),
        ("link,snr,sent,n_lost", [["a", 1, 50, 10], ["b", 2, 50, 0]], 100, 90),
        ("link,snr,sent,PDR (%)", [["a", 1, 50, 80], ["b", 2, 50, 100]], 100, 90),
        ("link,snr,n_tx,PER", [["a", 1, 50, 0.2], ["b", 2, 50, 0.0]], 100, 90),
        ("link,snr,delivered", [["a", 1, "true"], ["a", "", "false"], ["b", 2, "true"]], 3, 2),
        ("link,snr,lost", [["a", 1, 0], ["a", "", 1], ["b", 2, 0]], 3, 2),
    ],
)
def test_losses_are_read_however_they_are_written(tmp_path, heads, rows, sent, heard):
    write(tmp_path / "set" / "table.csv", heads, rows)
    found = read_set(tmp_path / "set", Assumed()).rows
    assert (found.sent.sum(), found.heard.sum()) == (sent, heard)


def test_gaps_in_sequence_numbers_are_losses(tmp_path):
    numbers = [n for n in range(100) if n % 10 != 3]
    write(tmp_path / "set" / "heard.csv", "link,seq,snr_db", [["a", n, 1.0] for n in numbers])
    found = read_set(tmp_path / "set", Assumed()).rows
    assert (found.sent.sum(), found.heard.sum()) == (100, 90)


def test_counts_beside_a_table_of_receptions_add_what_was_lost(tmp_path):
    write(tmp_path / "set" / "heard.csv", "link_id,rssi", [["a", -100.0]] * 30 + [["b", -90.0]] * 40)
    write(
        tmp_path / "set" / "links.csv",
        "link_id,sent,received,distance_m,los",
        [["a", 50, 30, 800, "no"], ["b", 40, 40, 500, "yes"]],
    )
    found = read_set(tmp_path / "set", Assumed()).rows
    assert (found.sent.sum(), found.heard.sum()) == (90, 70)
    assert set(found.distance_m[found.link == "a"]) == {800.0}
    assert set(found.in_sight[found.link == "b"]) == {1.0}


def test_one_file_a_link_is_read_with_what_its_name_says(tmp_path):
    for name, level in (("los/sf7_500m", -80.0), ("nlos/sf12_1.5km", -110.0)):
        write(tmp_path / "set" / f"{name}.csv", "rssi_dbm,snr_db", [[level, 5.0]] * 12)
    found = read_set(tmp_path / "set", Assumed()).rows
    assert len(set(found.link)) == 2
    near = found.in_sight == 1.0
    assert set(found.distance_m[near]) == {500.0}
    assert set(found.spreading_factor[~near]) == {12.0}
    assert set(found.distance_m[~near]) == {1500.0}


@pytest.mark.parametrize(
    ("header", "role", "unit"),
    [
        ("RSSI [dBm]", "rssi", "dbm"),
        ("rssi_median_dbm", "rssi", "dbm"),
        ("Dist", "distance", ""),
        ("Distance (km)", "distance", "km"),
        ("gateway_latitude", "rx_lat", ""),
        ("tx_lon", "tx_lon", ""),
        ("SpreadingFactor", "spreading_factor", ""),
        ("BW (kHz)", "bandwidth", "khz"),
        ("TxPower", "tx_power", ""),
        ("packets_received", "received", ""),
        ("num_sent", "sent", ""),
        ("PDR (%)", "delivery_ratio", "percent"),
        ("receptionRatio", "delivery_ratio", ""),
        ("LoS", "in_sight", ""),
        ("out_of_sight", "out_of_sight", ""),
        ("rx_height_m", "rx_height", "m"),
        ("FCnt", "sequence", ""),
        ("n_packets", "count", ""),
        ("colour", None, ""),
    ],
)
def test_columns_are_known_by_their_obvious_names(header, role, unit):
    found, its_unit, _ = columns.role_of(header)
    assert (found, its_unit if found else "") == (role, unit)


def test_units_that_are_not_written_are_guessed_and_said():
    metres, said = columns.scaled("distance", "", np.array([0.5, 12.0]))
    assert metres.tolist() == [500.0, 12000.0]
    assert "km" in said
    hertz, said = columns.scaled("frequency", "", np.array([868.1]))
    assert hertz.tolist() == [868.1e6]
    assert "MHz" in said
    assert columns.scaled("bandwidth", "", np.array([62_500.0]))[0].tolist() == [62.5e3]
    assert columns.scaled("bandwidth", "", np.array([125.0]))[0].tolist() == [125e3]
    assert columns.scaled("frequency", "", np.array([868_100.0]))[0].tolist() == [868.1e6]
    assert columns.scaled("tx_power", "mw", np.array([25.0]))[0] == pytest.approx([13.979], abs=1e-3)
    factor, bandwidth = columns.data_rates(["SF9BW125", "?"])
    assert (factor[0], bandwidth[0]) == (9.0, 125e3)
    assert np.isnan(factor[1])


def test_examples_in_the_reader_hold():
    assert doctest.testmod(columns).failed == 0


def test_a_set_without_anything_to_judge_is_said_and_does_not_stop_the_others(tmp_path, capsys):
    write(tmp_path / "paint" / "table.csv", "colour,weight", [["red", 1]])
    (tmp_path / "empty").mkdir()
    (tmp_path / "torn").mkdir()
    (tmp_path / "torn" / "table.csv").write_bytes(b"\xff\xfe\x00\x01\n,,,\n")
    write(tmp_path / "few" / "table.csv", "rssi,snr", [[-100, 3], [-101, 2]])
    assert main(["--data", str(tmp_path)]) == 1
    said = capsys.readouterr().out
    for name in ("paint", "empty", "torn", "few"):
        assert name in said
    assert "no table has a received level" in said
    fixed_links(tmp_path / "links")
    main(["--data", str(tmp_path), "--json"])
    judged = {report["set"]: report["judged"] for report in json.loads(capsys.readouterr().out)}
    assert judged == {"paint": False, "empty": False, "torn": False, "few": False, "links": True}


def test_nothing_there_is_a_failure_with_a_line(tmp_path, capsys, monkeypatch):
    monkeypatch.delenv("LINKCALC_REFERENCE_DATA", raising=False)
    assert main(["--data", str(tmp_path / "nowhere")]) == 1
    assert main([]) == 1
    assert main(["--data", str(tmp_path)]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 3


def test_the_report_is_narrow_says_its_bars_and_comes_in_three_forms(tmp_path, capsys):
    town(tmp_path / "town")
    counted(tmp_path / "counted")
    fixed_links(tmp_path / "links")
    code = main(["--data", str(tmp_path)])
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 100
    for title in ("Models", "Heard or not", "Within a link", "Delivery against SNR", "Will it close", "Bars"):
        assert title in text
    assert "Not judged:" not in text
    assert "held to no bar" in text
    assert code == (1 if "MISSED" in text else 0)
    assert main(["--data", str(tmp_path / "links"), "--markdown"]) == 0
    assert "| model | sd |" in capsys.readouterr().out


def test_bars_are_in_the_json_with_their_numbers(tmp_path, capsys):
    code = main(["--data", str(counted(tmp_path / "counted")), "--json"])
    (report,) = json.loads(capsys.readouterr().out)
    assert len(report["bars"]) == 3
    assert code == (0 if all(bar["met"] for bar in report["bars"]) else 1)
    assert all(isinstance(bar["value"], float) for bar in report["bars"])


def test_a_missed_bar_is_an_exit_code(tmp_path, capsys):
    """Levels that follow free space with a spread of 20 dB: the plan's error is too small, and it is said."""
    rng = np.random.default_rng(5)
    rows = [
        [f"P{i}", f"R{i % 4}", d, -40.0 - 20.0 * math.log10(d) + rng.normal(0.0, 20.0)]
        for i, d in enumerate(rng.uniform(300.0, 9e3, 80))
    ]
    write(tmp_path / "wild" / "levels.csv", "place,receiver,distance_m,signal_dbm", rows)
    assert main(["--data", str(tmp_path / "wild"), "--json"]) == 1
    (report,) = json.loads(capsys.readouterr().out)
    missed = {bar["what"]: bar["met"] for bar in report["bars"]}
    assert missed["the plan's model error is at least the spread of the default"] is False


def test_unusable_sets_say_why(tmp_path):
    write(tmp_path / "set" / "table.csv", "rssi", [])
    with pytest.raises(UnusableSetError, match="no rows"):
        read_set(tmp_path / "set", Assumed())
    assert not report_on(tmp_path / "set", Assumed()).judged


@pytest.fixture(scope="module")
def real_town() -> Path:
    root = os.environ.get("LINKCALC_REFERENCE_DATA")
    folder = Path(root or "") / "measured" / "brno_868"
    if not root or not folder.is_dir():
        pytest.skip("LINKCALC_REFERENCE_DATA is not set, or has no measured/brno_868")
    return folder


def test_in_a_real_town_survivors_hide_most_of_the_slope(real_town):
    """6670 receptions, brno_868: the set's own description gives about 18 dB a decade without offsets."""
    gathered = gather(read_set(real_town, Assumed()))
    links = gathered.judged
    assert links.heard.sum() > 1500
    slope = fits.slopes(links, fits.laws(links))
    assert slope.naive_db < 25.0
    assert 33.0 < slope.censored_db < 50.0
    # the set's column of the wanted signal is our formula
    found = packets.consistency(read_set(real_town, Assumed()).rows)
    assert found is not None
    assert found.largest_difference_db < 0.006


def test_in_a_real_town_the_default_foretells_who_is_heard_better_than_free_space(real_town):
    links = gather(read_set(real_town, Assumed())).judged
    law_of = fits.laws(links)
    default, flat = fits.score(links, law_of[DEFAULT]), fits.score(links, law_of[FREE_SPACE])
    value, error = fits.gain(links, default, flat)
    assert value > 2.0 * error
    for n, predicted, heard in fits.reliability(links, default.probability):
        assert n < 50 or abs(predicted - heard) < 0.1

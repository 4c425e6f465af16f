"""The comparison with measured receptions, on made-up sets whose truth is known."""

import csv
import dataclasses
import doctest
import json
import math
import os
from pathlib import Path

import numpy as np
import pytest

import linkcalc as lc
from tests.validation.measured import censored, columns, hold_out, main, packets, score
from tests.validation.measured.links import Links, gather
from tests.validation.measured.predicted import MARGINS_DB, Judged, Ways, judged_links, judged_sets
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


@pytest.fixture(scope="module")
def town_links(tmp_path_factory) -> Links:
    gathered = gather(read_set(town(tmp_path_factory.mktemp("town") / "town"), Assumed()))
    assert gathered.missing_known
    return gathered.links


def farm(folder: Path, seed: int = 4) -> Path:
    """Links of known loss, one of which has a profile of its own; ends 2.5 m and 4 m high."""
    lengths = np.sort(np.random.default_rng(seed).uniform(200.0, 3e3, 24))
    rows = [
        [f"L{i}", f"T{i}", f"R{i % 6}", round(d), 300, 2.5, 310, 4.0, 915, round(60.0 + 12.0 * i**0.5, 1), ""]
        for i, d in enumerate(lengths)
    ]
    rows[0][3], rows[0][-1] = 400, "hill.csv"
    write(
        folder / "links.csv",
        "link_id,tx_id,rx_id,distance_m,tx_ground_m,tx_height_m,rx_ground_m,rx_height_m,freq_mhz,"
        "path_loss_median_db,profile",
        rows,
    )
    write(
        folder / "profiles" / "hill.csv",
        "distance_m,ground_m,clutter_m,cover_code",
        [[0, 300, 10, 2], [100, 310, 0, 2], [200, 330, 15, 4], [300, 315, 0, 2], [400, 310, 10, 2]],
    )
    return folder


@pytest.fixture(scope="module")
def farm_judged(tmp_path_factory) -> Judged:
    return judged_sets(farm(tmp_path_factory.mktemp("farm") / "farm"))


def as_said(judged: Judged, times: float = 1.0, more_db: float = 0.0) -> Judged:
    """Twenty times the links, which scatter as the rules state, or otherwise."""
    many = judged.only(np.tile(np.arange(len(judged)), 20))
    loss = many.predicted_db + more_db
    loss += np.random.default_rng(5).normal(0.0, times * many.sigma_db)
    places = np.array([f"place {i}" for i in range(len(many))], dtype=object)
    return dataclasses.replace(many, least_db=loss, most_db=loss, place=places)


def test_a_measured_link_is_judged_as_check_judges_a_plan_of_it(farm_judged):
    station = [
        {"name": "tank", "antenna_height_m": 2.5, "antenna": {"gain_dbi": 0.0}},
        {"name": "shed", "antenna_height_m": 4.0, "antenna": {"gain_dbi": 0.0}},
    ]
    link = {
        "name": "level",
        "from": "tank",
        "to": "shed",
        "frequency_mhz": 915.0,
        "modulation": {"kind": "css", "spreading_factor": 12},
    }
    hill = lc.profile_from(
        [0, 100, 200, 300, 400],
        [300, 310, 330, 315, 310],
        [0, 0, 15, 0, 0],
        clutter_kind=["", "", "trees", "", ""],
    )
    long = float(farm_judged.distance_m[-1])
    flat = lc.profile_from(np.linspace(0.0, long, 31), np.linspace(300.0, 310.0, 31))
    for i, profile in ((0, hill), (-1, flat)):
        plan = lc.plan_from(station=station, link=[link], profiles={"level": profile})
        there = lc.check_plan(plan).links[0].directions[0]
        assert farm_judged.predicted_db[i] == pytest.approx(14.0 - there.received_power_dbm, abs=0.2)
        assert farm_judged.sigma_db[i] == pytest.approx(
            np.sqrt(sum(c.sigma_db**2 for c in there.uncertainty if c.kind == "site")), abs=0.5
        )
    assert farm_judged.regime[0] == "obstructed"


def test_what_is_said_grows_with_the_margin_it_is_said_of(farm_judged):
    assert farm_judged.said.shape == (24, len(MARGINS_DB))
    assert (np.diff(farm_judged.said, axis=1) > 0.0).all()
    assert set(farm_judged.verdict.ravel()) <= {"closes", "at_risk", "does_not_close"}


def test_stated_keys_reach_the_plan(tmp_path):
    measured = read_set(farm(tmp_path / "farm"), Assumed())
    gathered = gather(measured)
    plain, _ = judged_links(measured, gathered, [], Ways())
    lossy, _ = judged_links(
        measured, gathered, [], Ways(station={"extra_loss": [{"loss_db": 3.0, "reason": "old feeder"}]})
    )
    assert lossy.predicted_db - plain.predicted_db == pytest.approx(6.0)
    bare, _ = judged_links(measured, gathered, [], Ways(mapped_cover=False))
    assert bare.predicted_db[0] < plain.predicted_db[0]


def test_links_that_scatter_as_stated_meet_the_intervals_and_others_do_not(farm_judged):
    every = next(score.by_class(as_said(farm_judged)))
    assert every.bias_db == pytest.approx(0.0, abs=1.5)
    assert every.sd_db == pytest.approx(every.sigma_db, rel=0.05)
    assert every.in_90 == pytest.approx(0.9, abs=0.03)
    assert every.in_50 == pytest.approx(0.5, abs=0.05)
    tight = {bar.what: bar.met for bar in score.bars(as_said(farm_judged, times=0.3))}
    assert not any(met for what, met in tight.items() if "interval" in what)
    hopeful = {bar.what: bar for bar in score.bars(as_said(farm_judged, times=0.1, more_db=9.0))}
    assert not hopeful["low ends: bias, dB, either way"].met
    assert hopeful["low ends: bias, dB, either way"].value == pytest.approx(9.0, abs=0.5)
    assert hopeful["low ends: rms error, dB"].met


def test_said_against_happened_tells_hope_from_truth(farm_judged):
    honest, hopeful = (list(score.by_margin(as_said(farm_judged, more_db=x))) for x in (0.0, 10.0))
    for one, other in zip(honest, hopeful, strict=True):
        assert one.had > other.had
        assert one.said == other.said
    assert [m.margin_db for m in honest] == list(MARGINS_DB)


def test_few_links_miss_no_bar_that_chance_explains(farm_judged):
    few = next(score.by_class(farm_judged))
    some = dataclasses.replace(few, measured=30)
    # 30 of 30 where 95 % are the most: 0.95^30 = 0.215 of the time; of 300, 2e-7
    open_bar = score._holds("holds", 1.0, score.HOLDS_90, some)
    assert (open_bar.met, open_bar.missed, open_bar.word) == (False, False, "OPEN")
    assert open_bar.by_chance == pytest.approx(0.95**30)
    assert score._holds("holds", 1.0, score.HOLDS_90, dataclasses.replace(few, measured=300)).missed
    assert score._holds("holds", 0.5, score.HOLDS_90, some).missed


def test_what_was_fitted_is_found_again_and_no_site_judges_itself(tmp_path):
    judged = judged_sets(farm(tmp_path / "farm"), ways=Ways(keep_paths=True))
    truth = hold_out.Figures(0.0, 0.0, 0.6, 0.1)
    assert np.abs(hold_out.predicted_db(judged, hold_out.SHIPPED) - judged.predicted_db).max() < 1e-9
    loss = hold_out.predicted_db(judged, truth)
    assert np.abs(loss - judged.predicted_db).max() > 3.0
    scatter = np.random.default_rng(6).normal(0.0, 0.2, len(loss))
    known = dataclasses.replace(judged, least_db=loss + scatter, most_db=loss + scatter)
    found = hold_out.fit(known)
    # nothing is given back, whatever of it would be left at least: other figures that say the same will do
    assert (found.figures.ground_shared, found.figures.plane_shared) == (0.0, 0.0)
    assert hold_out.predicted_db(judged, found.figures) == pytest.approx(loss)
    fold = hold_out.folds(known)
    assert len(set(fold)) == hold_out.FOLDS
    assert all(len(set(fold[known.site == site])) == 1 for site in set(known.site))
    # links of the last fold made 30 dB worse: what is said of them does not know it, of the others it does
    last = fold == hold_out.FOLDS - 1
    worse = dataclasses.replace(
        known, **{k: getattr(known, k) + 30.0 * last for k in ("least_db", "most_db")}
    )
    without, fits = hold_out.held_out(worse, fold)
    assert len(fits) == hold_out.FOLDS
    assert without.predicted_db[last] == pytest.approx(hold_out.held_out(known, fold)[0].predicted_db[last])
    assert fits[-1][1] == hold_out.held_out(known, fold)[1][-1][1]


def test_a_spread_with_limits_is_the_spread_that_made_them():
    draw = np.random.default_rng(7).normal(0.0, 8.0, 4000)
    least = np.minimum(draw, 6.0)
    most = np.where(draw < 6.0, draw, math.inf)
    assert hold_out._spread_around_none(least, most) == pytest.approx(8.0, rel=0.04)


def test_where_the_level_is_unknown_an_offset_of_a_site_changes_nothing(farm_judged):
    free = dataclasses.replace(as_said(farm_judged), absolute=np.zeros(20 * len(farm_judged), dtype=bool))
    away = np.where(free.site == free.site[0], 17.0, -3.0)
    moved = dataclasses.replace(free, least_db=free.least_db + away, most_db=free.most_db + away)
    for one, other in zip(score.by_class(free), score.by_class(moved), strict=True):
        assert math.isnan(one.bias_db)
        assert one.in_90 == pytest.approx(other.in_90, abs=0.002)
        assert one.sd_db == pytest.approx(other.sd_db, rel=1e-4)
    assert score.spread_db(free, free.predicted_db) == pytest.approx(
        score.spread_db(moved, free.predicted_db), rel=1e-4
    )


def test_links_that_were_not_heard_keep_the_spread_that_survivors_hide(farm_judged):
    """Weak links become limits: the spread and the shares stay those of all links."""
    whole = as_said(farm_judged)
    limit = np.median(whole.least_db)
    lost = whole.least_db > limit
    heard = dataclasses.replace(
        whole, least_db=np.where(lost, limit, whole.least_db), most_db=np.where(lost, np.inf, whole.most_db)
    )
    truth, found, survivors = (next(score.by_class(x)) for x in (whole, heard, whole.only(~lost)))
    assert found.measured == survivors.links < found.links
    assert found.sd_db == pytest.approx(truth.sd_db, rel=0.08)
    assert survivors.sd_db < 0.85 * truth.sd_db
    assert found.in_90 == pytest.approx(truth.in_90, abs=0.05)


def test_ground_and_altitude_are_not_taken_for_antenna_heights(tmp_path):
    """A balloon 620 m above ground of 80 m, seen by a gateway 5 m above ground; one right overhead."""
    write(
        tmp_path / "air" / "links.csv",
        "link_id,tx_altitude_m,rx_ground_m,rx_height_m,distance_km,freq_mhz,tx_power_dbm,path_loss_0dbi_db",
        [
            ["A", 700, 80, 5, 9.0, 868, 10, 115],
            ["B", 700, 80, 5, 0.1, 868, 10, 90],
            ["C", 700, 80, 5, 0, 868, 10, 90],
        ]
        + [[f"D{i}", 700 + i, 80, 5, 9.0 + i, 868, 10, 115] for i in range(5)],
    )
    measured = read_set(tmp_path / "air", Assumed())
    judged, notes = judged_links(measured, gather(measured), [], Ways())
    assert judged.lower_m[0] == 5.0
    assert judged.higher_m[0] == 620.0
    assert judged.distance_m.min() == 9000.0
    assert (judged.kind == score.ELEVATED).all()
    assert any("rises more" in note for note in notes)


def test_a_level_that_the_description_calls_unusable_is_judged_by_its_spread(tmp_path):
    folder = farm(tmp_path / "farm")
    (folder / "README.md").write_text("Caveats: **level not usable**: a meter's factor.", encoding="utf-8")
    assert not judged_sets(folder).absolute.any()


def test_paths_that_the_description_calls_clear_and_elevated_have_no_surroundings(tmp_path, farm_judged):
    folder = farm(tmp_path / "farm")
    (folder / "README.md").write_text("Truly **clear,\nelevated** paths.", encoding="utf-8")
    stated = judged_sets(folder)
    assert (stated.predicted_db <= farm_judged.predicted_db + 1e-9).all()
    assert (stated.predicted_db < farm_judged.predicted_db - 3.0).any()


def test_missing_pairs_bring_back_the_slope_that_survivors_hide(town_links):
    (naive_db, _), (censored_db, error_db) = score.slopes(town_links)
    assert naive_db < SLOPE_DB - 8.0
    assert abs(censored_db - SLOPE_DB) < 3.0 * error_db


@pytest.mark.parametrize(("fading_db", "softness_db"), [(6.0, 0.0), (6.0, 6.0)])
def test_packets_that_got_through_by_luck_do_not_bend_the_slope(tmp_path, fading_db, softness_db):
    folder = town(tmp_path / "town", fading_db=fading_db, softness_db=softness_db)
    gathered = gather(read_set(folder, Assumed()))
    assert gathered.hearing is not None
    assert gathered.hearing.fading_db == pytest.approx(fading_db, abs=0.6)
    assert gathered.hearing.softness_db == pytest.approx(softness_db, abs=1.0)
    # weak links are more frequent than the fit takes for granted, which puts a soft threshold a little low
    half_dbm = np.median(gathered.links.lowest_dbm) + gathered.hearing.half_db
    assert half_dbm == pytest.approx(HEARS_DBM, abs=0.5 + 0.5 * softness_db)
    _, (corrected_db, error_db) = score.slopes(gathered.links)
    _, (as_received_db, _) = score.slopes(gathered.links.heard_by(None))
    assert abs(corrected_db - SLOPE_DB) < 2.0 + 2.0 * error_db
    assert abs(corrected_db - SLOPE_DB) < abs(as_received_db - SLOPE_DB)


def test_what_was_not_heard_is_found_and_is_far(town_links):
    missing = ~town_links.heard
    assert 0.2 < missing.mean() < 0.9
    assert np.median(town_links.distance_m[missing]) > 1.3 * np.median(town_links.distance_m[~missing])
    assert (town_links.messages >= town_links.packets).all()
    # the made-up receivers hear down to -134 dBm; fluctuations of a quantile of some hundred readings
    assert np.abs(town_links.lowest_dbm - HEARS_DBM).max() < 3.0


def test_spread_within_a_link_tells_rician_from_rayleigh(tmp_path):
    rows = read_set(fixed_links(tmp_path / "links"), Assumed()).rows
    found = {w.what: w for w in packets.within_links(rows)}
    assert found["in sight"].links == found["out of sight"].links == 4
    # the logarithm of an exponential power has a standard deviation of 10/ln 10 * pi/sqrt 6 dB
    assert found["out of sight"].sd_db == pytest.approx(5.57, abs=0.4)
    assert found["in sight"].like == "Rician, K 10 dB"


def test_signal_is_the_wanted_part_of_the_reading(tmp_path):
    measured = read_set(town(tmp_path / "town"), Assumed())
    # RSSI is signal and noise together: taking the noise out gives back what was put in
    noise = (measured.rows.signal_dbm - measured.rows.snr_db)[np.isfinite(measured.rows.snr_db)]
    assert noise == pytest.approx(NOISE_DBM, abs=0.2)
    found = packets.consistency(measured.rows)
    assert found is not None
    assert found.snr_per_db == pytest.approx(1.0, abs=0.05)
    assert found.noise_db[1] == pytest.approx(NOISE_DBM, abs=0.1)


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
        ("path_loss_median_db", "path_loss", "db"),
        ("path_loss_0dbi_db", "path_loss", "db"),
        ("rx_ground_m", "rx_ground", "m"),
        ("tx_altitude_m", "tx_altitude", "m"),
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
    assert not any(doctest.testmod(module).failed for module in (columns, censored, score))


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
    assert judged.pop("All sets")
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
    farm(tmp_path / "farm")
    fixed_links(tmp_path / "links")
    code = main(["--data", str(tmp_path)])
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 100
    for title in ("The rules", "Said against happened", "Within a link", "All sets", "Bars"):
        assert title in text
    assert "Not judged:" not in text
    assert code == (1 if "MISSED" in text else 0)
    page = tmp_path / "page.md"
    page.write_text("Before\n<!-- measured -->\nold\n<!-- end -->\nAfter\n", encoding="utf-8")
    main(["--data", str(tmp_path / "farm"), "--markdown", "--summary", "--page", str(page)])
    said = capsys.readouterr().out
    assert "| path | heard |" in said
    assert "## farm" not in said
    assert page.read_text() == f"Before\n<!-- measured -->\n{said.strip()}\n<!-- end -->\nAfter\n"


def test_bars_are_in_the_json_with_their_numbers_and_a_missed_one_is_an_exit_code(tmp_path, capsys):
    code = main(["--data", str(farm(tmp_path / "farm")), "--json", "--summary"])
    (report,) = json.loads(capsys.readouterr().out)
    bars = {bar["what"]: bar for bar in report["bars"]}
    assert code == (0 if all(bar["met"] for bar in bars.values()) else 1)
    # the made-up losses are no radio's
    assert not bars["low ends: rms error, dB"]["met"]
    assert bars["low ends: rms error, dB"]["value"] > bars["low ends: rms error, dB"]["limit"] == 10.0


def test_unusable_sets_say_why(tmp_path):
    write(tmp_path / "set" / "table.csv", "rssi", [])
    with pytest.raises(UnusableSetError, match="no rows"):
        read_set(tmp_path / "set", Assumed())
    assert not report_on(tmp_path / "set", Assumed())[0].judged


@pytest.fixture(scope="module")
def real_town() -> Path:
    root = os.environ.get("LINKCALC_REFERENCE_DATA")
    folder = Path(root or "") / "measured" / "brno_868"
    if not root or not folder.is_dir():
        pytest.skip("LINKCALC_REFERENCE_DATA is not set, or has no measured/brno_868")
    return folder


@pytest.mark.slow
def test_in_a_real_town_survivors_hide_most_of_the_slope(real_town):
    """6670 receptions, brno_868: the set's own description gives about 18 dB a decade without offsets."""
    gathered = gather(read_set(real_town, Assumed()))
    assert gathered.links.heard.sum() > 1500
    (naive_db, _), (censored_db, _) = score.slopes(gathered.links)
    assert naive_db < 25.0
    assert 33.0 < censored_db < 50.0
    # the set's column of the wanted signal is our formula
    found = packets.consistency(read_set(real_town, Assumed()).rows)
    assert found is not None
    assert found.largest_difference_db < 0.006


@pytest.mark.slow
def test_in_a_real_town_the_rules_foretell_levels_better_than_laws_that_know_no_ground(real_town):
    """Some pairs of brno_868, over the ground that comes with them."""
    measured = read_set(real_town, Assumed())
    gathered = gather(measured)
    some = gathered.links.only(np.arange(0, len(gathered.links), 30))
    judged, _ = judged_links(measured, dataclasses.replace(gathered, links=some), [], Ways())
    rules_db = score.spread_db(judged, judged.predicted_db)
    assert rules_db < score.spread_db(judged, judged.flat_db) - 1.0
    assert rules_db < score.spread_db(judged, judged.free_space_db) - 1.0

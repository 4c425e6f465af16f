"""What readings say about a site, held against simulated receivers whose site is known."""

import math
import time
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import pytest

from linkcalc.link.reliability import rician_outage
from linkcalc.site.distribution import Distribution
from linkcalc.site.fades import fade_points_db
from linkcalc.site.heard import ERROR_DB, OFFSET_DB, Count, Heard, MeasuredNoise
from linkcalc.site.level import Group, Update, even_grid, log_likelihood, reading_error_db, ripple_db, update
from linkcalc.site.readings import Reading
from linkcalc.site.signal_and_noise import Expected, read_levels

REQUIRED_SNR_DB = -10.0
THERMAL_DBM = -123.0
SITE_DB, DAY_DB = 12.0, 1.0
RAYLEIGH = -math.inf


@dataclass
class Site:
    """A simulated site: what it hides, and what its receivers read."""

    excess_db: float
    shortfall_db: list[float]
    heard: list[Heard]


def simulated_site(rng: np.random.Generator, rician_k_db: float, excess_db: float | None = None) -> Site:
    """Bursts both ways: fading, receivers' offsets, noise unlike the expected, saturation, losses, mistyping.

    Written out packet by packet, so that it shares nothing with what is tested.
    """
    excess = rng.normal(0.0, SITE_DB) if excess_db is None else excess_db
    on_the_day = excess + rng.normal(0.0, DAY_DB)
    counted = rng.random() < 0.7
    planned_db = rng.uniform(12.0, 30.0)
    site = Site(excess, [], [])
    for noise_dbm in (-117.0, -111.0):
        expected = Expected(
            noise_dbm + REQUIRED_SNR_DB + planned_db, noise_dbm, THERMAL_DBM, planned_db, REQUIRED_SNR_DB
        )
        offset, noise_over = rng.normal(0.0, OFFSET_DB), rng.normal(0.0, 1.0)
        rows = []
        for row in range(int(rng.integers(6, 17))):
            burst = int(rng.choice([1, 1, 1, 5, 20]))
            level = expected.level_dbm - on_the_day + fades_db(rng, rician_k_db, burst)
            noise = noise_dbm + noise_over
            heard = (level - noise >= REQUIRED_SNR_DB) & (rng.random(burst) > 0.01)
            if not heard.any():
                if counted:
                    rows.append(Reading(row, "forward", sent=burst, received=0))
                continue
            register = 10.0 * np.log10(10.0 ** (level / 10.0) + 10.0 ** (noise / 10.0)) + offset
            snr = np.minimum(level - noise + rng.normal(0.0, 0.5, burst), rng.uniform(7.0, 10.0))
            rssi = round(float(np.median(register[heard])) + rng.normal(0.0, 1.0))
            if rng.random() < 0.05:
                rssi = round(rng.uniform(-120.0, -30.0))
            rows.append(
                Reading(
                    row,
                    "forward",
                    rssi_dbm=float(rssi),
                    snr_db=round(4.0 * float(np.median(snr[heard]))) / 4.0,
                    sent=burst if counted else None,
                    received=int(heard.sum()),
                )
            )
        site.heard.append(heard_of(rows, expected))
        site.shortfall_db.append(excess + noise_over)
    return site


def fades_db(rng: np.random.Generator, rician_k_db: float, n: int) -> np.ndarray:
    k = 10.0 ** (rician_k_db / 10.0)
    scattered = rng.normal(size=n) + 1j * rng.normal(size=n)
    return 20.0 * np.log10(abs(math.sqrt(k / (k + 1.0)) + scattered * math.sqrt(0.5 / (k + 1.0))))


def heard_of(rows: list[Reading], expected: Expected) -> Heard:
    levels = read_levels(rows, [expected] * len(rows))
    over = levels.noise_dbm - expected.noise_dbm
    over = over[np.isfinite(over)]
    noise = None
    if over.size >= 3:
        noise = MeasuredNoise(float(np.median(over)), max(1.25 * ERROR_DB / math.sqrt(over.size), 0.3))
    sent = [r.sent for r in rows if r.sent is not None]
    counts = (
        (Count(expected.margin_db, sum(sent), sum(r.received or 0 for r in rows), noise),) if sent else ()
    )
    usable = levels.usable
    return Heard(
        shift_db=levels.signal_dbm[usable] - expected.level_dbm,
        head_db=levels.head_db[usable],
        packets=np.array([float(r.packets) for r in rows])[usable],
        counts=counts,
        noise=noise,
        noise_place_db=1.0,
    )


def updated(heard: list[Heard], **how: object) -> Update:
    return update([Group(tuple(heard))], **how)  # type: ignore[arg-type]


def fading_levels(n: int, mean_db: float = 0.0) -> np.ndarray:
    """Levels that fade as Rician K 10 dB does, each with a reading's error."""
    rng = np.random.default_rng(99)
    return mean_db + fades_db(rng, 10.0, n) + rng.normal(0.0, ERROR_DB, n)


def answer(site: Site, rician_k_db: float):
    return updated(site.heard, site_db=SITE_DB, day_db=DAY_DB, rician_k_db=rician_k_db)


@pytest.mark.slow
def test_the_interval_of_95_percent_holds_the_truth_in_93_to_97_percent_of_2000_sites():
    rng = np.random.default_rng(7)
    excess, margins, errors = [], [], []
    for number in range(2000):
        k_db = (RAYLEIGH, 5.0, 10.0)[number % 3]
        site = simulated_site(rng, k_db)
        found = answer(site, k_db)
        low, high = found.excess.interval()
        excess.append(low <= site.excess_db <= high)
        errors.append(found.excess.mean - site.excess_db)
        for true_db, part in zip(site.shortfall_db, found.directions, strict=True):
            low, high = part.shortfall.interval()
            margins.append(low <= true_db <= high)
    assert 0.93 <= np.mean(excess) <= 0.97
    assert 0.93 <= np.mean(margins) <= 0.98
    assert abs(np.mean(errors)) < 0.3
    assert np.std(errors) < 4.0  # of 12 dB before


@pytest.mark.parametrize("excess_db", [-10.0, 0.0, 12.0])
def test_a_stated_excess_is_found_again(excess_db):
    rng = np.random.default_rng(8)
    sites = [simulated_site(rng, 5.0, excess_db) for _ in range(60)]
    found = [answer(site, 5.0).excess for site in sites]
    assert np.mean([f.mean for f in found]) == pytest.approx(excess_db, abs=0.8)
    assert np.mean([f.interval()[0] <= excess_db <= f.interval()[1] for f in found]) >= 0.88


@pytest.mark.parametrize("rician_k_db", [RAYLEIGH, 5.0, 10.0])
@pytest.mark.parametrize("head_db", [40.0, 6.0])
@pytest.mark.parametrize("packets", [1, 7])
def test_many_readings_show_the_excess_without_bias(rician_k_db, head_db, packets):
    # heard only when not faded further than the margin: the lucky cases must not be taken for the rule
    rng = np.random.default_rng(9)
    true_db, n = 3.0, 1500
    margin = head_db + true_db  # predicted, so that the real one is head_db
    shifts, heads = [], []
    sent = received = 0
    while len(shifts) < n:
        level = margin - true_db + fades_db(rng, rician_k_db, packets)
        heard = level >= 0.0
        sent, received = sent + packets, received + int(heard.sum())
        if heard.sum() == packets:
            reading = float(np.median(level)) + rng.normal(0.0, ERROR_DB)
            shifts.append(reading - margin)
            heads.append(reading)
    heard_all = Heard(np.array(shifts), np.array(heads), np.full(n, float(packets)))
    grid = even_grid(-20.0, 20.0)
    likelihood = log_likelihood([heard_all], grid, rician_k_db=rician_k_db, offset_db=0.0)
    assert grid[np.argmax(likelihood)] == pytest.approx(true_db, abs=0.5)


def test_lost_packets_alone_find_the_margin():
    # half of the packets lost: the median fade is as deep as the margin
    middle = fade_points_db(RAYLEIGH)[1]
    heard = Heard(np.empty(0), np.empty(0), np.empty(0), (Count(20.0, 4000, 2000),))
    found = updated([heard], site_db=12.0, rician_k_db=RAYLEIGH)
    assert 20.0 - found.directions[0].shortfall.quantile(0.5) == pytest.approx(-middle, abs=0.6)


def test_packets_not_heard_at_all_say_below_sensitivity_and_no_more():
    heard = Heard(np.empty(0), np.empty(0), np.empty(0), (Count(20.0, 30, 0),))
    found = updated([heard], site_db=12.0, rician_k_db=10.0)
    # by loss, by noise, or by one deep fade that stands still
    assert found.directions[0].shortfall.interval()[0] > 16.0
    assert found.excess.standard_deviation > 3.0


def test_packets_lost_to_interference_are_not_taken_for_a_weak_signal():
    level = fading_levels(30)
    quiet = Heard(level, level + 30.0, np.ones(30), (Count(30.0, 30, 30),))
    jammed = Heard(level, level + 30.0, np.ones(30), (Count(30.0, 60, 30),))
    a, b = (updated([h], site_db=12.0, rician_k_db=10.0) for h in (quiet, jammed))
    assert b.excess.mean == pytest.approx(a.excess.mean, abs=1.0)
    assert b.directions[0].unexplained > 0.2
    assert a.directions[0].unexplained < 0.02


def test_wrong_readings_do_not_pull_and_are_told_apart():
    level = np.append(fading_levels(12, -3.0), [40.0, -45.0])
    heard = Heard(level, np.full(14, 25.0), np.ones(14))
    found = updated([heard], site_db=12.0, rician_k_db=10.0)
    assert found.excess.mean == pytest.approx(3.0, abs=0.7)
    assert (found.directions[0].wrong > 0.9).tolist() == [False] * 12 + [True, True]


def test_more_readings_cannot_cure_a_receivers_offset_but_the_other_receiver_can():
    def spread(*ways: int) -> float:
        heard = [Heard(fading_levels(n), np.full(n, 30.0), np.ones(n)) for n in ways]
        found = updated(heard, site_db=12.0, rician_k_db=10.0)
        return found.excess.standard_deviation

    assert spread(10) > spread(1000) == pytest.approx(OFFSET_DB, abs=0.1)
    assert spread(1000, 1000) == pytest.approx(OFFSET_DB / math.sqrt(2.0), abs=0.15)


def test_measured_noise_makes_the_margin_follow_the_snr_whatever_the_offset():
    # register 4 dB low: level and noise read low alike, the SNR is right
    level = fading_levels(40, -4.0)
    heard = Heard(level, level + 20.0, np.ones(40), noise=MeasuredNoise(-4.0, 0.3))
    found = updated([heard], site_db=12.0, rician_k_db=10.0).directions[0]
    assert found.shortfall.mean == pytest.approx(0.0, abs=0.6)
    without = Heard(level, level + 20.0, np.ones(40))
    assert updated([without], site_db=12.0, rician_k_db=10.0).directions[0].shortfall.mean > 3.0


def test_without_readings_the_prediction_stands():
    found = updated(
        [Heard(np.empty(0), np.empty(0), np.empty(0))], site_db=12.0, day_db=3.0, rician_k_db=RAYLEIGH
    )
    assert found.excess.mean == pytest.approx(0.0, abs=1e-3)
    assert found.excess.standard_deviation == pytest.approx(12.0, rel=0.01)
    assert found.directions[0].own_excess is None


def test_what_the_day_alone_brought_is_not_taken_for_the_sites():
    heard = Heard(fading_levels(30, -10.0), np.full(30, 20.0), np.ones(30))
    steady, fickle = (updated([heard], site_db=6.0, day_db=d, rician_k_db=10.0) for d in (0.0, 6.0))
    assert steady.excess.mean > 8.0
    assert fickle.excess.mean == pytest.approx(fickle.today.mean / 2.0, abs=0.1)
    assert fickle.excess.standard_deviation > steady.excess.standard_deviation + 1.0


@pytest.mark.parametrize("rician_k_db", [RAYLEIGH, 5.0, 10.0])
def test_the_points_of_the_fading_are_those_of_the_reliability(rician_k_db):
    for point, share in zip(fade_points_db(rician_k_db), (0.1587, 0.5, 0.8413), strict=True):
        assert rician_outage(-point, rician_k_db) == pytest.approx(share, abs=2e-3)


def test_a_distribution_knows_its_quantiles():
    from scipy.stats import norm

    value = np.arange(-60.0, 60.0, 0.25)
    found = Distribution(value, norm.pdf(value, 3.0, 5.0) * 0.25)
    assert found.mean == pytest.approx(3.0, abs=1e-6)
    assert found.standard_deviation == pytest.approx(5.0, abs=1e-6)
    assert found.interval() == pytest.approx((3.0 - 9.8, 3.0 + 9.8), abs=0.01)
    assert found.above(8.0) == pytest.approx(norm.sf(1.0), abs=1e-3)


def test_ten_times_the_readings_take_little_more_than_ten_times_the_work():
    def cpu_s(n):
        rng = np.random.default_rng(10)
        level = np.round(fades_db(rng, 5.0, n)) + rng.integers(0, 4, n) / 4.0
        heard = Heard(level, np.round(level + 12.0, 2), np.ones(n), (Count(12.0, n + n // 10, n),))
        begun = time.process_time()
        updated([heard, heard], site_db=12.0, rician_k_db=5.0)
        return time.process_time() - begun

    cpu_s(1_000)  # what is kept from call to call
    assert cpu_s(10_000) < 15.0 * cpu_s(1_000)


def test_a_reading_is_worth_what_links_measured_again_show():
    # 169 fixed links of 868 MHz at 1 to 3 m: the median of 1, 3 and 10 readings against the rest of the same
    # spot and height; against another height at the same place (counted from open data)
    assert [reading_error_db(n) for n in (1, 3, 10)] == [4.8, 3.5, 2.3]
    assert {reading_error_db(n, same_height=False) for n in (3, 10)} == {6.5}


@pytest.mark.parametrize("rician_k_db", [10.0, 5.0])
@pytest.mark.parametrize("n", [1, 3, 10, 60])
@pytest.mark.parametrize("same_height", [True, False])
def test_the_posterior_is_as_wide_as_that_many_readings_leave_it(rician_k_db, n, same_height):
    """Both ways read, which halves the receivers' offsets."""
    how = {"rician_k_db": rician_k_db}
    heard = Heard(fading_levels(n), np.full(n, 30.0), np.ones(n))
    ripple = ripple_db(n, same_height=same_height, **how)
    found = update([Group((heard, heard), ripple)], site_db=30.0, **how)
    wanted = reading_error_db(n, same_height=same_height)
    assert found.excess.standard_deviation > 0.9 * wanted
    assert found.excess.standard_deviation < max(1.45 * wanted, 5.2)


def test_readings_at_the_final_height_outweigh_those_at_another():
    how = {"rician_k_db": 10.0}
    groups = [
        Group(
            (Heard(fading_levels(10, level), np.full(10, 30.0), np.ones(10)),),
            ripple_db(10, same_height=same, **how),
        )
        for level, same in ((0.0, True), (-12.0, False))
    ]
    found = update(groups, site_db=12.0, **how)
    assert found.excess.mean < 4.0
    assert found.directions[0].wrong.size == 20


def test_a_fade_that_stands_still_is_one_draw_however_many_packets_show_it():
    rng = np.random.default_rng(5)
    still = Heard(-4.0 + rng.normal(0.0, ERROR_DB, 200), np.full(200, 30.0), np.ones(200))
    moving = Heard(fading_levels(200, -4.0), np.full(200, 30.0), np.ones(200))
    how = {"site_db": 12.0, "rician_k_db": 5.0}
    a, b = updated([still], **how), updated([moving], **how)
    assert a.stands_still > 0.95
    assert a.excess.standard_deviation > b.excess.standard_deviation + 0.5


def test_noise_hidden_by_strong_signals_is_not_known_to_be_none():
    level = fading_levels(30)
    heard = Heard(level, level + 40.0, np.ones(30))
    bounded = Heard(level, level + 40.0, np.ones(30), noise_most_db=2.0)
    measured = Heard(level, level + 40.0, np.ones(30), noise=MeasuredNoise(0.0, 0.3))
    how = {"site_db": 12.0, "rician_k_db": 10.0}
    tops = [updated([h], **how).directions[0].shortfall.interval()[1] for h in (heard, bounded, measured)]
    assert tops[0] > tops[1] + 5.0 > tops[2] + 5.0


NOTHING = Heard(np.empty(0), np.empty(0), np.empty(0))


def variance_db2(heard: Heard = NOTHING, **how: float) -> float:
    """Of what the margin lies below the predicted one, the prediction being good to 12 dB."""
    known = {"site_db": 12.0, "rician_k_db": 10.0}
    return updated([heard], **{**known, **how}).directions[0].shortfall.standard_deviation ** 2


def test_variances_of_what_nobody_read_add_up():
    """Site, day, what is still to come and noise are independent: 3, 4, 5 and 6, 8, 10."""
    prior = updated([NOTHING], site_db=6.0, day_db=8.0, rician_k_db=RAYLEIGH)
    assert prior.prior.standard_deviation == pytest.approx(10.0, abs=0.01)
    assert prior.today.standard_deviation == pytest.approx(10.0, abs=0.01)
    assert prior.excess.standard_deviation == pytest.approx(6.0, abs=0.01)
    assert prior.directions[0].unexplained == 0.0
    assert prior.stands_still == pytest.approx(0.25, abs=1e-3)
    plain = variance_db2()
    assert variance_db2(to_come_db=0.0, day_db=0.0) == plain
    assert variance_db2(to_come_db=6.0) - plain == pytest.approx(36.0, abs=0.1)
    # unmeasured noise: 4 dB from place to place stay, 3 dB that come and go over time are not the site's
    loose = Heard(np.empty(0), np.empty(0), np.empty(0), noise_place_db=4.0, noise_time_db=3.0)
    assert variance_db2(loose) - plain == pytest.approx(16.0, abs=0.3)
    # once measured on a day it may be otherwise on another
    measured, later = (
        variance_db2(
            Heard(np.empty(0), np.empty(0), np.empty(0), noise=MeasuredNoise(0.0, 0.3), noise_time_db=time_db)
        )
        for time_db in (0.0, 3.0)
    )
    assert later - measured == pytest.approx(9.0, abs=0.05)
    # 12 dB of the site, offsets of 2 dB within 6 dB, 0.3 dB of error
    assert measured == pytest.approx(12.0**2 + OFFSET_DB**2, abs=0.5)


def test_what_neither_fading_nor_error_nor_offsets_explain_by_hand():
    """Rayleigh, of which 16 % lie below 10 log10(-ln 0.841) = -7.62 dB and 84 % below 2.65 dB: half of it 5.14 dB.

    (5.14^2 + 1.5^2) / n and 2^2 / 2 for two receivers, less than 4.8, 3.5 and 2.3 dB or, at another height, 6.5 dB.
    """

    def ripple(n: float, *, same_height: bool = True, **how: float) -> float:
        return ripple_db(n, same_height=same_height, rician_k_db=RAYLEIGH, **how)

    assert ripple(10) == pytest.approx(math.sqrt(2.3**2 - 2.864 - 2.0), abs=0.01)
    assert ripple(100) == pytest.approx(math.sqrt(2.3**2 - 0.286 - 2.0), abs=0.01)
    assert ripple(10, same_height=False) == pytest.approx(math.sqrt(6.5**2 - 2.864 - 2.0), abs=0.01)
    assert ripple(10, offset_db=0.0) == pytest.approx(math.sqrt(2.3**2 - 2.864), abs=0.01)
    assert ripple(0.5, same_height=False) == pytest.approx(math.sqrt(6.5**2 - 28.64 - 2.0), abs=0.01)
    assert ripple(1) == 0.0  # one packet's fading alone is more
    # by the logarithm between: ln 2 / ln 3 = 0.631 of the way from 4.8 to 3.5, half-way from 3.5 to 2.3
    assert [reading_error_db(n) for n in (0.5, 2.0, math.sqrt(30.0))] == pytest.approx(
        [4.8, 3.98, 2.9], abs=0.001
    )


def test_readings_far_from_the_prediction_are_followed_there():
    """Ten readings 100 dB stronger than predicted: by themselves an excess of -100 dB, and the prior and the
    receiver's offset take a few decibels of it."""
    heard = Heard(fading_levels(10, 100.0), np.full(10, 30.0), np.ones(10))
    found = updated([heard, NOTHING], site_db=12.0, rician_k_db=10.0)
    assert found.directions[0].own_excess.mean == pytest.approx(-100.0, abs=1.0)
    assert found.directions[1].own_excess is None
    assert found.excess.mean == pytest.approx(-96.0, abs=2.0)
    assert even_grid(-20.2, 40.1)[[0, -1]].tolist() == [-20.5, 40.5]
    assert np.diff(even_grid(-20.2, 40.1)) == pytest.approx(0.5)


def test_a_ripple_of_the_place_leaves_the_site_so_much_less_known():
    """Readings of one spot that lies 6 dB about its place's mean: 2.74 dB without, sqrt(2.74^2 + 6^2) = 6.60 with."""
    how = {"site_db": 60.0, "rician_k_db": 10.0}
    heard = Heard(fading_levels(10, -10.0), np.full(10, 30.0), np.ones(10))
    sharp, loose = (
        update([Group((heard,), ripple)], **how).excess.standard_deviation for ripple in (0.0, 6.0)
    )
    assert loose == pytest.approx(math.hypot(sharp, 6.0), rel=0.02)


def test_noise_is_taken_from_the_group_in_which_most_was_measured():
    """40 packets whose register reads 4 dB low, noise with them, and one elsewhere without: as predicted."""
    level = fading_levels(40, -4.0)
    many = Group((Heard(level, level + 20.0, np.ones(40), noise=MeasuredNoise(-4.0, 0.3)),))
    single = Group((Heard(fading_levels(1, -4.0), np.full(1, 16.0), np.ones(1)),))
    for groups in ((many, single), (single, many)):
        found = update(groups, site_db=12.0, rician_k_db=10.0)
        assert found.directions[0].shortfall.mean == pytest.approx(0.0, abs=1.0)
        assert found.directions[0].wrong.size == 41


def test_a_still_fade_is_as_deep_and_as_wide_as_the_fading_itself():
    """200 packets that scatter no more than readings err share one fade. In decibels Rayleigh's power has the mean
    10 lg e^-0.5772 = -2.507 dB and the standard deviation 10 / ln 10 * pi / sqrt(6) = 5.570 dB (the logarithm of an
    exponential variable, any textbook): by them the site lies off what it reads.
    """
    errors = NormalDist(-2.507, ERROR_DB)
    level = np.array([errors.inv_cdf((k + 0.5) / 200) for k in range(200)])
    heard = Heard(level, np.full(200, 40.0), np.ones(200))
    found = updated([heard], site_db=60.0, rician_k_db=RAYLEIGH, offset_db=0.0)
    assert found.stands_still > 0.999
    assert found.excess.mean == pytest.approx(0.0, abs=0.06)
    assert found.excess.standard_deviation == pytest.approx(5.570, abs=0.06)


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_one_reading_near_the_prediction_does_not_cut_off_ten_far_from_it(sign):
    level = np.append(fading_levels(10, 100.0 * sign), 0.0)
    found = updated([Heard(level, np.full(11, 30.0), np.ones(11))], site_db=12.0, rician_k_db=10.0)
    assert found.directions[0].own_excess.mean == pytest.approx(-100.0 * sign, abs=1.0)


def test_a_sure_prediction_keeps_both_its_sides():
    """Good to 1 dB, nothing read: the grid reaches beyond it both ways."""
    found = updated([NOTHING], site_db=1.0, rician_k_db=RAYLEIGH)
    for part in (found.prior, found.excess):
        assert part.mean == pytest.approx(0.0, abs=0.01)
        assert part.quantile(0.95) == pytest.approx(-part.quantile(0.05), abs=0.03)
    assert found.prior.standard_deviation == pytest.approx(1.0, abs=0.01)

"""Every row of the table passes just under each of its limits and fails just over it."""

import math
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError
from linkcalc.radio.css import time_on_air_s
from linkcalc.rules.found import CAUTION
from linkcalc.rules.limits import check
from linkcalc.rules.table import REGIONS, Rule, rules
from linkcalc.rules.transmission import OtherTraffic, Transmission
from linkcalc.units import DBI_OVER_DBD_DB

OPEN = [r for r in rules() if not r.barred]
EACH_RULE = pytest.mark.parametrize("rule", OPEN, ids=lambda r: r.id)

JUST_DB = 0.05
"""Above the 0.03 dB by which 14 dBm may exceed 25 mW."""


def the_check(rule: Rule, t: Transmission):
    """The finding of that rule alone, as `check` reports it."""
    (found,) = check(t, rule.region, table=[rule]).rules
    return found


def over(rule: Rule, t: Transmission) -> set[str]:
    return {f.quantity for f in the_check(rule, t).findings if f.status == "over"}


def part_of_band_hz(rule: Rule) -> tuple[float, float]:
    """The widest part of the band that no exclusion cuts."""
    edges = [rule.low_mhz, *(e for gap in rule.excluded_mhz for e in gap), rule.high_mhz]
    parts = list(zip(edges[::2], edges[1::2], strict=True))
    low, high = max(parts, key=lambda p: p[1] - p[0])
    return low * 1e6, high * 1e6


def modest(rule: Rule) -> Transmission:
    """A transmission that keeps every limit of the rule with room to spare."""
    low, high = part_of_band_hz(rule)
    width = 10e3
    if rule.min_bandwidth_khz is not None:
        width = rule.min_bandwidth_khz * 1e3
    return Transmission(
        frequency_hz=(low + high) / 2,
        bandwidth_hz=width,
        conducted_power_dbm=-40.0,
        antenna_gain_dbi=0.0,
        time_on_air_s=0.05,
        interval_s=3600.0,
        hopping_channels=rule.min_channels or 1,
        listen_before_talk=rule.listen_before_talk == "required",
    )


@EACH_RULE
def test_a_modest_signal_keeps_every_rule_unless_the_table_cannot_judge(rule):
    found = the_check(rule, modest(rule))
    assert over(rule, modest(rule)) == set()
    assert found.status == ("unknown" if rule.unread else "within")
    assert found.satisfied == (not rule.unread and not rule.contested)
    assert {f.quantity for f in found.findings} <= set(rule.quantities)


@EACH_RULE
@pytest.mark.parametrize("edge", ["low", "high"])
def test_the_occupied_band_may_touch_the_band_edge_but_not_cross_it(rule, edge):
    t = modest(rule)
    for low, high in [(rule.low_mhz, rule.high_mhz), *((g, f) for f, g in rule.excluded_mhz)]:
        inward = t.bandwidth_hz / 2
        touching = low * 1e6 + inward if edge == "low" else high * 1e6 - inward
        crossing = touching - 5.0 if edge == "low" else touching + 5.0
        assert over(rule, replace(t, frequency_hz=touching)) == set()
        assert over(rule, replace(t, frequency_hz=crossing)) == {"band"}


WITH_POWER = [r for r in rules() if r.power_limited]


@pytest.mark.parametrize("rule", WITH_POWER, ids=lambda r: r.id)
@pytest.mark.parametrize("gain_dbi", [-3.0, 2.15, 6.0, 9.0, 14.0])
def test_power_passes_just_under_and_fails_just_over_the_tightest_limit(rule, gain_dbi):
    """Limits restated here from the definitions: EIRP = conducted - feeder + gain, ERP = EIRP - 2.15."""
    feeder_db = 1.2
    limits = []
    if rule.max_conducted_mw is not None:
        reduction = max(gain_dbi - rule.gain_free_dbi, 0.0) if rule.gain_free_dbi is not None else 0.0
        limits.append(10 * math.log10(rule.max_conducted_mw) - reduction)
    if rule.max_erp_mw is not None:
        limits.append(10 * math.log10(rule.max_erp_mw) + 2.15 + feeder_db - gain_dbi)
    if rule.max_eirp_mw is not None:
        limits.append(10 * math.log10(rule.max_eirp_mw) + feeder_db - gain_dbi)
    # as wide as the rule allows, so that the density is not what stops it
    low, high = part_of_band_hz(rule)
    width = modest(rule).bandwidth_hz if rule.density_dbm is None else min(high - low, 5e6)
    t = replace(modest(rule), antenna_gain_dbi=gain_dbi, feeder_loss_db=feeder_db, bandwidth_hz=width)
    assert over(rule, replace(t, conducted_power_dbm=min(limits) - JUST_DB)) == set()
    assert over(rule, replace(t, conducted_power_dbm=min(limits) + JUST_DB)) == {"power"}
    assert the_check(rule, t).largest_conducted_dbm == pytest.approx(min(limits), abs=0.01)


WITH_DENSITY = [r for r in rules() if r.density_dbm is not None]


@pytest.mark.parametrize("rule", WITH_DENSITY, ids=lambda r: r.id)
def test_density_passes_just_under_and_fails_just_over(rule):
    width = max(rule.min_bandwidth_khz or 0.0, rule.density_above_khz or 0.0, 10.0) * 1e3 * 1.01
    # power that is flat at the limit over the bandwidth, in the kind the rule speaks of, at 0 dBi
    level = rule.density_dbm + 10 * math.log10(width / (rule.density_reference_khz * 1e3))
    if rule.density_kind == "erp":
        level += DBI_OVER_DBD_DB
    t = replace(modest(rule), bandwidth_hz=width)
    assert "density" not in over(rule, replace(t, conducted_power_dbm=level - JUST_DB))
    assert "density" in over(rule, replace(t, conducted_power_dbm=level + JUST_DB))


WITH_DUTY = [r for r in rules() if r.duty_cycle is not None]
WITHOUT_CHANNEL_HOURS = [r for r in WITH_DUTY if r.channel_s_per_hour is None]


@pytest.mark.parametrize("rule", WITHOUT_CHANNEL_HOURS, ids=lambda r: r.id)
@pytest.mark.parametrize("tries", [1, 3])
def test_duty_cycle_passes_just_under_and_fails_just_over_in_an_hour(rule, tries):
    budget_s = rule.duty_cycle * 3600.0
    t = replace(modest(rule), interval_s=60.0, tries=tries)  # 60 messages an hour
    each_s = budget_s / 60.0 / tries
    assert "duty" not in over(rule, replace(t, time_on_air_s=each_s * 0.999))
    assert "duty" in over(rule, replace(t, time_on_air_s=each_s * 1.001))
    once = replace(t, interval_s=7200.0, tries=1)
    assert "duty" not in over(rule, replace(once, time_on_air_s=budget_s * 0.999))
    assert "duty" in over(rule, replace(once, time_on_air_s=budget_s * 1.001))
    unknown = the_check(rule, replace(t, interval_s=None))
    assert next(f.status for f in unknown.findings if f.quantity == "duty") == "unknown"


WITH_POLITE = [r for r in rules() if r.polite_s_per_hour is not None]


def listening(rule: Rule, **changes) -> Transmission:
    """More than the duty cycle allows, in bursts that listening first allows."""
    t = replace(modest(rule), listen_before_talk=True, time_on_air_s=0.9 * rule.polite_burst_s)
    t = replace(t, interval_s=3600.0 * t.time_on_air_s / (0.99 * rule.polite_s_per_hour))
    return replace(t, **changes)


@pytest.mark.parametrize("rule", WITH_POLITE, ids=lambda r: r.id)
def test_listening_first_has_limits_of_its_own(rule):
    """EN 300 220-2 V3.3.1, table 18: 1 s a transmission, 100 s an hour in 200 kHz, 100 ms pause."""
    assert (rule.polite_burst_s, rule.polite_s_per_hour, rule.polite_pause_s) == (1.0, 100.0, 0.1)
    t = listening(rule)
    assert over(rule, t) == set()
    assert over(rule, replace(t, listen_before_talk=False)) == {"duty"}
    crowded = replace(t, interval_s=t.interval_s * 0.97)
    assert over(rule, crowded) == {"duty"}
    too_long = replace(t, time_on_air_s=1.01, interval_s=40.0)
    assert over(rule, too_long) == {"duty"}
    assert over(rule, replace(too_long, time_on_air_s=0.99)) == set()
    hurried = replace(t, time_on_air_s=0.05, tries=5, interval_s=60.0, retry_wait_s=0.14)
    assert over(rule, replace(hurried, time_on_air_s=0.2, retry_wait_s=0.31)) == set()
    assert over(rule, replace(hurried, time_on_air_s=0.2, retry_wait_s=0.29)) == {"duty"}


@pytest.mark.parametrize("rule", WITH_POLITE, ids=lambda r: r.id)
def test_who_listens_may_still_keep_to_the_duty_cycle_instead(rule):
    t = replace(modest(rule), listen_before_talk=True, time_on_air_s=2.0, interval_s=3600.0)
    assert over(rule, t) == set()


def test_hopping_spreads_the_hour_of_who_listens_over_slices_of_200_khz():
    rule = next(r for r in rules() if r.id == "eu-g1")
    one = listening(rule, interval_s=10.0)  # 324 s an hour
    assert over(rule, one) == {"duty"}
    assert over(rule, replace(one, hopping_channels=3)) == {"duty"}
    assert over(rule, replace(one, hopping_channels=3, interval_s=11.0)) == set()  # 295 s over three slices
    # 334 bursts of 0.895 s are 99.6 s in the mean slice, and 100.2 s in the one with 112 of them
    whole = replace(one, time_on_air_s=0.895, hopping_channels=3, interval_s=3600.0 / 334)
    assert over(rule, whole) == {"duty"}
    assert over(rule, replace(whole, interval_s=3600.0 / 333)) == set()
    assert the_check(rule, whole).shortest_interval_s == pytest.approx(3600.0 / 333)
    # no fourth slice in 600 kHz
    assert over(rule, replace(one, hopping_channels=4, interval_s=11.0)) == {"duty"}
    # a signal of 300 kHz is on the air in two slices at once
    wide = replace(one, bandwidth_hz=300e3, hopping_channels=3, interval_s=11.0)
    assert over(rule, wide) == {"duty"}


def test_listening_that_nobody_read_the_limits_of_is_not_counted_on():
    rule = next(r for r in rules() if r.id == "my-916")
    t = replace(modest(rule), time_on_air_s=0.5, interval_s=10.0)
    assert over(rule, t) == {"duty"}
    assert the_check(rule, replace(t, listen_before_talk=True)).status == "unknown"


def test_in_the_500_milliwatt_band_listening_first_is_no_way_out():
    """869.525 MHz, 5 s every 10 s: 1800 s an hour against 360 s, and listening first allows 100 s only."""
    t = Transmission(
        frequency_hz=869.525e6,
        bandwidth_hz=250e3,
        conducted_power_dbm=24.0,
        antenna_gain_dbi=3.0,
        time_on_air_s=5.0,
        interval_s=10.0,
        listen_before_talk=True,
    )
    found = check(t, "eu")
    assert (found.status, found.rule) == ("over", "eu-g3")
    assert "listen" not in found.remedy
    assert check(replace(t, interval_s=50.0), "eu").status == "within"


WITH_DWELL = [r for r in rules() if r.dwell_s is not None]


@pytest.mark.parametrize("rule", WITH_DWELL, ids=lambda r: r.id)
def test_dwell_time_passes_just_under_and_fails_just_over(rule):
    t = replace(modest(rule), interval_s=14400.0)
    assert over(rule, replace(t, time_on_air_s=rule.dwell_s * 0.999)) == set()
    assert over(rule, replace(t, time_on_air_s=rule.dwell_s * 1.001)) == {"dwell"}


WITH_WINDOW = [r for r in rules() if r.dwell_window_s is not None]


@pytest.mark.parametrize("rule", WITH_WINDOW, ids=lambda r: r.id)
def test_a_channel_that_returns_within_the_window_adds_up(rule):
    # nearly half the dwell time, every channel in its turn: twice within the window fits, three times not
    channels = rule.min_channels
    t = replace(modest(rule), time_on_air_s=0.45 * rule.dwell_s)
    twice = rule.dwell_window_s / 2 / channels
    if twice * 0.999 >= t.time_on_air_s:
        assert over(rule, replace(t, interval_s=twice * 1.001)) == set()
        assert over(rule, replace(t, interval_s=twice * 0.999)) == {"dwell"}
    else:  # the channels cannot even be used up that fast
        assert over(rule, replace(t, interval_s=t.time_on_air_s)) == set()


WITH_PAUSE = [r for r in rules() if "pause" in r.quantities]


@pytest.mark.parametrize("rule", WITH_PAUSE, ids=lambda r: r.id)
def test_a_pause_passes_just_as_long_as_asked_and_fails_just_shorter(rule):
    t = replace(modest(rule), time_on_air_s=0.3, tries=3)
    needed = max(rule.pause_s or 0.0, 0.3 * (rule.pause_per_burst or 0.0)) + 0.3
    if rule.channel_return_s is not None:
        needed = max(needed, (rule.channel_return_s + 0.3) / t.hopping_channels)
    assert over(rule, replace(t, retry_wait_s=needed * 1.001)) == set()
    assert over(rule, replace(t, retry_wait_s=needed * 0.999)) == {"pause"}
    # tries that come too soon cannot be mended by sending less often
    assert the_check(rule, replace(t, retry_wait_s=needed * 0.999)).shortest_interval_s is None
    assert over(rule, replace(t, interval_s=needed * 3.0 * 0.999)) >= {"pause"}


@pytest.mark.parametrize(("tries", "starts", "interval_s"), [(3, "tries", 30.9), (1, "messages", 10.3)])
def test_tries_are_as_far_apart_as_messages_and_the_interval_has_room_for_all(tries, starts, interval_s):
    """47 CFR 15.231(e): a silence of 30 times the transmission, 10 s at least; 10.3 s for each of 0.3 s (worked)."""
    rule = next(r for r in rules() if r.id == "us-433")
    t = replace(modest(rule), time_on_air_s=0.3, tries=tries, interval_s=0.99 * interval_s)
    found = the_check(rule, t)
    assert found.shortest_interval_s == pytest.approx(interval_s)
    (pause,) = [f for f in found.findings if f.quantity == "pause"]
    assert (pause.status, pause.remedy) == ("over", f"start {starts} 10.3 s apart or more")
    assert over(rule, replace(t, interval_s=1.001 * interval_s)) == set()


def test_japan_counts_the_hour_of_each_hopping_channel():
    """36 s on each channel and 720 s in all, ARIB STD-T108 part 2."""
    rule = next(r for r in rules() if r.id == "jp-hop")
    t = replace(modest(rule), time_on_air_s=0.36, interval_s=3.6, hopping_channels=10)  # 1000 an hour
    assert over(rule, t) == set()
    assert over(rule, replace(t, hopping_channels=9)) == {"duty"}
    # 1001 an hour over ten channels: one of them has 101, 36.36 s
    assert over(rule, replace(t, interval_s=3600.0 / 1001)) == {"duty"}
    assert over(rule, replace(t, interval_s=1.7, hopping_channels=22)) == {"duty"}  # 762 s
    assert the_check(rule, t).shortest_interval_s == pytest.approx(3.6)


WITH_LISTENING = [r for r in rules() if r.listen_before_talk == "required"]


@pytest.mark.parametrize("rule", WITH_LISTENING, ids=lambda r: r.id)
def test_a_rule_that_requires_listening_fails_without_it(rule):
    assert over(rule, modest(rule)) == set()
    assert over(rule, replace(modest(rule), listen_before_talk=False)) == {"listen"}


WITH_CHANNELS = [r for r in rules() if r.min_channels is not None]


@pytest.mark.parametrize("rule", WITH_CHANNELS, ids=lambda r: r.id)
def test_one_hopping_channel_too_few_fails(rule):
    t = modest(rule)
    assert over(rule, replace(t, hopping_channels=rule.min_channels)) == set()
    assert over(rule, replace(t, hopping_channels=rule.min_channels - 1)) == {"channels"}


WITH_BANDWIDTH = [r for r in rules() if r.bandwidth_measure is not None]


@pytest.mark.parametrize("rule", WITH_BANDWIDTH, ids=lambda r: r.id)
def test_bandwidth_passes_just_inside_and_fails_just_outside(rule):
    t = modest(rule)
    tried = 0
    for limit, inside, outside in (
        (rule.min_bandwidth_khz, 1.001, 0.999),
        (rule.max_bandwidth_khz, 0.999, 1.001),
        (rule.below_bandwidth_khz, 0.999, 1.0),
    ):
        if limit is not None:
            assert "bandwidth" not in over(rule, replace(t, bandwidth_hz=limit * 1e3 * inside))
            assert "bandwidth" in over(rule, replace(t, bandwidth_hz=limit * 1e3 * outside))
            tried += 1
    assert tried


def test_every_limited_quantity_of_every_row_is_tried_above():
    """The row tests select by these lists; a row that limits a quantity must be in its list."""
    lists = {
        "power": WITH_POWER,
        "density": WITH_DENSITY,
        "dwell": WITH_DWELL,
        "listen": [*WITH_LISTENING, *(r for r in rules() if r.listen_before_talk == "instead_of_duty")],
        "pause": WITH_PAUSE,
        "channels": WITH_CHANNELS,
        "bandwidth": WITH_BANDWIDTH,
    }
    for rule in rules():
        for quantity, rows in lists.items():
            assert (quantity in rule.quantities) == (rule in rows)
        assert ("duty" in rule.quantities) == (rule in WITH_DUTY)


# ------------------------------------------------------------------------- published worked values


@pytest.mark.parametrize(
    ("spreading_factor", "published_s", "passes"),
    [(10, 0.370688, True), (11, 0.741376, False), (12, 1.318912, False)],
)
def test_twenty_bytes_at_125_khz_keep_the_dwell_time_up_to_sf10(spreading_factor, published_s, passes):
    """Times on air from the published CSS formula; 0.4 s from 47 CFR 15.247(a)(1)(i)."""
    seconds = time_on_air_s(20, spreading_factor=spreading_factor, bandwidth_hz=125e3)
    assert seconds == pytest.approx(published_s, abs=5e-7)
    rule = next(r for r in rules() if r.id == "us-hop-narrow")
    t = replace(modest(rule), bandwidth_hz=125e3, time_on_air_s=seconds, conducted_power_dbm=20.0)
    assert (over(rule, t) == set()) == passes
    assert check(t, "us").status == ("within" if passes else "over")


@pytest.mark.parametrize(("rule_id", "allowed_s"), [("eu-g3", 360.0), ("eu-g1", 36.0), ("eu-g2", 3.6)])
def test_duty_cycles_are_360_and_36_and_3_6_seconds_an_hour(rule_id, allowed_s):
    """10 %, 1 % and 0.1 % of one hour (ERC/REC 70-03 counts per transmitter and hour)."""
    rule = next(r for r in rules() if r.id == rule_id)
    t = replace(modest(rule), interval_s=None)
    duty = next(f for f in the_check(rule, t).findings if f.quantity == "duty")
    assert f"{allowed_s:g} s per hour" in duty.text
    assert the_check(rule, replace(t, time_on_air_s=allowed_s)).shortest_interval_s == 3600.0
    assert the_check(rule, replace(t, time_on_air_s=allowed_s * 1.001)).shortest_interval_s is None


def test_one_percent_allows_27_messages_an_hour_of_20_bytes_at_sf12():
    """36 s over 1.318912 s is 27.3: whole messages only."""
    t = Transmission(
        frequency_hz=868.3e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=10.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=1.318912,
    )
    found = check(t, "eu")
    assert found.shortest_interval_s == pytest.approx(3600 / 27)
    assert check(replace(t, interval_s=3600 / 27), "eu").status == "within"
    assert check(replace(t, interval_s=3600 / 28), "eu").status == "over"


def test_with_a_tenth_of_a_percent_the_plain_ratio_would_overrun_some_hours():
    """Airtime over duty gives 1319 s, yet some hours then hold three messages, 3.96 s of 3.6 s."""
    t = Transmission(
        frequency_hz=868.95e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=10.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=1.318912,
        interval_s=1318.912,
    )
    assert check(t, "eu").status == "over"
    assert check(t, "eu").shortest_interval_s == 1800.0


@pytest.mark.parametrize(("erp_mw", "eirp_dbm"), [(10.0, 12.15), (25.0, 16.13), (500.0, 29.14)])
def test_erp_limits_are_the_published_eirp_values(erp_mw, eirp_dbm):
    """10, 25 and 500 mW ERP are 12.15, 16.13 and 29.14 dBm EIRP (ERP + 2.15 dB)."""
    rule = next(r for r in rules() if r.region == "eu" and r.max_erp_mw == erp_mw and not r.unread)
    loudest = the_check(rule, modest(rule)).largest_conducted_dbm  # at 0 dBi without feeder
    assert loudest == pytest.approx(eirp_dbm, abs=0.005)


def test_field_strength_of_50_millivolts_per_metre_at_3_metres_is_minus_1_25_dbm():
    """E = sqrt(30 EIRP)/d in free space; 47 CFR 15.249(a)."""
    watts = (50e-3 * 3.0) ** 2 / 30.0
    rule = next(r for r in rules() if r.id == "us-field")
    assert rule.max_eirp_mw == pytest.approx(watts * 1e3)
    assert 10 * math.log10(rule.max_eirp_mw) == pytest.approx(-1.249, abs=5e-4)


def test_one_watt_flat_over_500_khz_keeps_the_density_by_a_fifth_of_a_decibel():
    """30 dBm over 500 kHz is 7.78 dBm in 3 kHz against 8 dBm; 47 CFR 15.247(e)."""
    t = Transmission(
        frequency_hz=915e6,
        bandwidth_hz=500e3,
        conducted_power_dbm=30.0,
        antenna_gain_dbi=6.0,
        time_on_air_s=0.1,
    )
    assert t.density_dbm(3e3, "conducted") == pytest.approx(7.78, abs=0.005)
    assert check(t, "us").rule == "us-digital"
    assert check(t, "us").status == "within"


def test_antenna_gain_above_6_dbi_takes_conducted_power_away_so_that_36_dbm_eirp_remain():
    """47 CFR 15.247(b)(4)."""
    t = Transmission(
        frequency_hz=915e6,
        bandwidth_hz=500e3,
        conducted_power_dbm=27.0,
        antenna_gain_dbi=9.0,
        time_on_air_s=0.1,
    )
    assert check(t, "us").status == "within"
    assert t.eirp_dbm == 36.0
    assert check(replace(t, conducted_power_dbm=27.1), "us").status == "over"
    assert check(t, "us").largest_conducted_dbm == pytest.approx(27.0)


@pytest.mark.parametrize("bandwidth_hz", [125e3, 250e3])
def test_a_fixed_narrow_chirp_channel_is_not_digital_modulation_in_the_united_states(bandwidth_hz):
    t = Transmission(
        frequency_hz=915e6,
        bandwidth_hz=bandwidth_hz,
        conducted_power_dbm=14.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=0.1,
        interval_s=600.0,
    )
    found = check(t, "us")
    assert found.status == "over"
    assert found.largest_conducted_rule == "us-field"
    assert found.largest_conducted_dbm == pytest.approx(-1.249 - 2.15, abs=0.001)
    digital = next(r for r in found.rules if r.id == "us-digital")
    assert [f.quantity for f in digital.findings if f.status == "over"] == ["bandwidth"]
    assert "not digital modulation" in digital.note


def test_the_contested_hybrid_route_alone_is_never_enough():
    t = Transmission(
        frequency_hz=915e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=14.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=0.1,
        interval_s=600.0,
        hopping_channels=8,
    )
    found = check(t, "us")
    hybrid = next(r for r in found.rules if r.id == "us-hybrid")
    assert hybrid.status == "within"
    assert not hybrid.satisfied
    assert found.status == "over"


def test_the_alarm_bands_are_closed_to_telemetry():
    t = Transmission(
        frequency_hz=868.65e6,
        bandwidth_hz=25e3,
        conducted_power_dbm=0.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=0.05,
        interval_s=3600.0,
    )
    found = check(t, "eu")
    assert (found.status, found.largest_conducted_dbm, found.unverified) == ("over", None, ("band",))
    assert "set aside for alarm systems" in found.reason
    assert check(replace(t, frequency_hz=867.9e6), "eu").status == "within"


# --------------------------------------------------------------------------------- what check says


def test_without_a_region_the_answer_is_unknown_and_says_so():
    found = check(modest(rules()[0]), None)
    assert found.status == "unknown"
    assert found.reason == "no region is stated"
    assert found.caution == CAUTION == "Check with your regulator; this is not legal advice."


def test_a_frequency_without_a_rule_is_unknown_not_allowed():
    found = check(replace(modest(rules()[0]), frequency_hz=600e6), "eu")
    assert (found.status, found.rules, found.largest_conducted_dbm) == ("unknown", (), None)
    assert "no rule for 600 MHz in eu; its bands are 169.4-169.475, 169.4-169.4875, " in found.reason


def test_values_nobody_read_leave_kenya_unknown():
    found = check(replace(modest(rules()[0]), frequency_hz=868.3e6), "ke")
    assert found.status == "unknown"
    assert found.largest_conducted_dbm is None


def test_an_unknown_region_is_refused_by_name():
    with pytest.raises(DomainError, match=r"region must be one of eu, uk, .*, got 'atlantis'"):
        check(modest(rules()[0]), "atlantis")


@pytest.mark.parametrize("region", REGIONS)
def test_unverified_limits_are_named_in_every_region(region):
    for rule in (r for r in rules() if r.region == region):
        found = the_check(rule, replace(modest(rule), listen_before_talk=True))
        assert set(found.unverified) == {q for q, c in rule.confidence.items() if c == "C"}


def test_a_limit_on_listening_that_nobody_read_is_no_doubt_for_who_does_not_listen():
    rule = next(r for r in rules() if r.id == "eu-169-500mw")
    assert rule.unverified == ("listen",)
    assert the_check(rule, modest(rule)).unverified == ()


def test_what_is_over_is_measured_by_the_rule_without_a_condition_in_doubt():
    """India, 30 dBm with 6 dBi: 19.9 dB over the 25 mW ERP for data in general (G.S.R. 853(E), table I)."""
    t = straddling(frequency_hz=865.2e6, bandwidth_hz=125e3, conducted_power_dbm=30.0, antenna_gain_dbi=6.0)
    found = check(t, "in")
    assert (found.status, found.rule) == ("over", "in-865")
    assert "ERP 33.8 dBm, limit 14.0 dBm, over by 19.9 dB" in found.reason


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"time_on_air_s": 0.0}, "time_on_air_s must be above 0"),
        ({"bandwidth_hz": -1.0}, "bandwidth_hz must be above 0"),
        ({"feeder_loss_db": -0.1}, "feeder_loss_db must be at least 0"),
        ({"conducted_power_dbm": math.nan}, "conducted_power_dbm must be finite"),
        ({"interval_s": 1.0, "time_on_air_s": 0.6, "tries": 2}, "interval_s is 1 s, shorter than the 1.2 s"),
        ({"hopping_channels": 0}, "hopping_channels must be at least 1"),
    ],
)
def test_an_impossible_transmission_is_refused_in_one_line(changes, told):
    with pytest.raises(DomainError, match=told):
        replace(modest(rules()[0]), **changes)


def test_legal_power_and_interval_are_found_for_each_other():
    """A 433 MHz band where 10 mW goes with 10 % duty and 1 mW with any duty."""
    t = Transmission(
        frequency_hz=433.92e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=10.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=1.0,
        interval_s=600.0,
    )
    found = check(t, "eu")
    assert (found.largest_conducted_rule, found.shortest_interval_s) == ("eu-f", 10.0)
    busy = check(replace(t, interval_s=5.0), "eu")
    assert busy.status == "over"
    assert busy.largest_conducted_rule == "eu-f1"
    assert busy.largest_conducted_dbm == pytest.approx(0.0, abs=0.01)


def test_each_spreading_factor_has_its_own_shortest_interval():
    factors = range(7, 13)
    seconds = {f: time_on_air_s(20, spreading_factor=f, bandwidth_hz=125e3) for f in factors}
    t = Transmission(
        frequency_hz=868.3e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=14.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=seconds[10],
    )
    found = check(t, "eu", time_on_air_by_spreading_factor_s=seconds)
    assert [f.spreading_factor for f in found.by_spreading_factor] == list(factors)
    for f in found.by_spreading_factor:
        assert f.shortest_interval_s == 3600 / math.floor(36 / f.time_on_air_s)


@given(
    power=st.floats(-10, 36),
    gain=st.floats(-5, 15),
    feeder=st.floats(0, 6),
    frequency_mhz=st.sampled_from(
        [
            169.44,
            433.92,
            480.0,
            864.0,
            865.5,
            868.0,
            868.3,
            868.95,
            869.525,
            869.85,
            903.0,
            916.8,
            921.0,
            927.0,
        ]
    ),
    width=st.sampled_from([12.5e3, 125e3, 250e3, 500e3]),
    airtime=st.floats(0.01, 3.0),
    interval=st.floats(60.0, 86400.0),
    channels=st.sampled_from([1, 8, 25, 64]),
    listens=st.booleans(),
    tries=st.sampled_from([1, 3]),
    retry_wait=st.sampled_from([None, 4.0, 20.0]),
    region=st.sampled_from(list(REGIONS)),
)
def test_what_check_calls_legal_power_and_interval_are_legal(
    power, gain, feeder, frequency_mhz, width, airtime, interval, channels, listens, tries, retry_wait, region
):
    t = Transmission(
        frequency_hz=frequency_mhz * 1e6,
        bandwidth_hz=width,
        conducted_power_dbm=power,
        antenna_gain_dbi=gain,
        time_on_air_s=airtime,
        interval_s=interval,
        feeder_loss_db=feeder,
        hopping_channels=channels,
        listen_before_talk=listens,
        tries=tries,
        retry_wait_s=retry_wait,
    )
    found = check(t, region)
    if found.status == "within":
        assert check(replace(t, conducted_power_dbm=power - 3.0), region).status == "within"
        assert found.largest_conducted_dbm >= power - 0.031
        assert found.shortest_interval_s <= interval * (1 + 1e-9)
    if found.shortest_interval_s is not None:
        legal = replace(
            t,
            conducted_power_dbm=found.interval_power_dbm,
            interval_s=max(found.shortest_interval_s, t.message_time_s),
        )
        assert check(legal, region).status == "within"


def test_a_transmitter_that_answers_several_links_shares_one_duty_cycle():
    t = Transmission(
        frequency_hz=868.3e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=14.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=1.0,
        interval_s=360.0,
        other_traffic=(OtherTraffic(868.1e6, 26.0), OtherTraffic(869.525e6, 300.0)),
    )
    assert check(t, "eu").status == "within"
    assert check(t, "eu").duty_cycle == pytest.approx(336 / 3600)
    assert check(t, "eu").shortest_interval_s == 360.0
    crowded = replace(t, other_traffic=(OtherTraffic(868.1e6, 26.1),))
    assert check(crowded, "eu").status == "over"
    assert check(crowded, "eu").shortest_interval_s == 400.0
    full = replace(t, other_traffic=(OtherTraffic(868.1e6, 35.5),))
    assert check(full, "eu").shortest_interval_s is None


# ------------------------------------------------------------------------------- more than one rule


def straddling(**changes) -> Transmission:
    """250 kHz at 868.0 MHz, 25 mW ERP, 18 s an hour: half in each of two adjacent bands."""
    t = Transmission(
        frequency_hz=868.0e6,
        bandwidth_hz=250e3,
        conducted_power_dbm=14.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=0.3,
        interval_s=60.0,
    )
    return replace(t, **changes)


@pytest.mark.parametrize("region", ["eu", "uk"])
def test_a_signal_across_two_adjacent_bands_is_held_against_both_as_one(region):
    """Head of the annex of Decision 2006/771/EC (read in 2019/1345): the conditions of each band are met."""
    assert check(straddling(), region).status == "within"
    assert check(straddling(interval_s=30.0), region).status == "within"  # 36 s, both bands allow 1 %
    assert check(straddling(interval_s=29.0), region).status == "over"
    assert check(straddling(conducted_power_dbm=14.1), region).status == "over"
    # at 865 MHz the band below allows 0.1 %: 3.6 s
    lower = straddling(frequency_hz=865.0e6)
    assert check(replace(lower, interval_s=300.0), region).status == "within"
    assert check(replace(lower, interval_s=299.0), region).status == "over"


def test_bands_that_are_not_adjacent_are_not_joined():
    assert check(straddling(frequency_hz=869.675e6), "eu").status == "over"
    assert check(straddling(frequency_hz=868.65e6), "eu").status == "over"
    # nobody read that Malaysia joins its bands
    assert check(straddling(frequency_hz=919.0e6, conducted_power_dbm=5.0), "my").status == "over"


def test_of_several_rules_that_are_kept_the_most_permissive_verified_one_is_named():
    t = Transmission(
        frequency_hz=433.92e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=-3.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=0.1,
        interval_s=600.0,
    )
    found = check(t, "eu")
    assert [r.id for r in found.rules if r.satisfied] == ["eu-f", "eu-f1"]
    assert found.rule == "eu-f"
    assert found.largest_conducted_dbm == pytest.approx(10.0, abs=0.01)


def test_the_legal_power_of_a_hopper_does_not_depend_on_whether_the_interval_is_known():
    t = Transmission(
        frequency_hz=915e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=14.0,
        antenna_gain_dbi=6.0,
        time_on_air_s=0.37,
        hopping_channels=64,
    )
    for interval_s in (None, 600.0):
        found = check(replace(t, interval_s=interval_s), "us")
        assert (found.largest_conducted_rule, found.largest_conducted_dbm) == ("us-hop-narrow", 30.0)
    assert check(replace(t, time_on_air_s=0.74), "us").largest_conducted_rule == "us-field"


def test_channels_that_overlap_do_not_count():
    """64 channels of 500 kHz take 32 MHz; the band has 26."""
    t = Transmission(
        frequency_hz=915e6,
        bandwidth_hz=500e3,
        conducted_power_dbm=14.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=0.1,
        interval_s=600.0,
        hopping_channels=64,
    )
    narrow = next(r for r in check(t, "us").rules if r.id == "us-hop-wide-50")
    assert [f.quantity for f in narrow.findings if f.status == "over"] == ["channels"]
    assert "do not fit into 26 MHz" in next(f.text for f in narrow.findings if f.status == "over")


def test_a_condition_that_the_plan_says_is_met_makes_the_rule_count():
    t = Transmission(
        frequency_hz=865.7e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=24.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=0.3,
        interval_s=60.0,
    )
    unsaid = check(t, "eu")
    assert unsaid.status == "unknown"
    assert "whether the device belongs to a data network" in unsaid.reason
    assert "; otherwise ERP 24.0 dBm, limit 14.0 dBm, over by 10.0 dB" in unsaid.reason
    said = replace(t, conditions_met=frozenset({"eu-865-network"}))
    assert (check(said, "eu").status, check(said, "eu").rule) == ("within", "eu-865-network")
    # 90 s an hour for a node, 360 s for the end that answers
    busy = replace(said, interval_s=11.0)
    assert check(busy, "eu").status == "over"
    assert check(replace(busy, access_point=True), "eu").status == "within"
    # where nobody read a value there is no condition to meet
    kenya = replace(t, frequency_hz=868.3e6, conditions_met=frozenset({"ke-868"}))
    assert check(kenya, "ke").status == "unknown"


# ----------------------------------------------------------------------------------- age and letters


def test_a_row_older_than_24_months_says_so_in_the_answer():
    t = straddling(frequency_hz=868.3e6)
    checked = next(r for r in rules() if r.id == "eu-g1").checked
    fresh = check(t, "eu", today=checked + timedelta(days=730))
    old = check(t, "eu", today=checked + timedelta(days=731))
    assert (fresh.old, old.old, old.status) == (False, True, "within")
    assert f"last checked {checked}, more than 24 months ago" in old.reason
    assert "24 months" not in fresh.reason


def test_an_unverified_quantity_is_named_in_the_reason():
    t = straddling(frequency_hz=915.0e6, conducted_power_dbm=20.0, hopping_channels=50, bandwidth_hz=125e3)
    found = check(t, "ca")
    assert (found.status, found.unverified) == ("within", ("power",))
    assert found.reason.endswith("; unverified: power")

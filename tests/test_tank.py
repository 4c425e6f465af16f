"""The tank: worked figures, a plain loop that walks every report, the closed form, and laws."""

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid
from scipy.stats import norm

from linkcalc.errors import DomainError, PlanError
from linkcalc.operation.channel import FadingChannel, by_site
from linkcalc.operation.tank.answer import CAUTIONS, section, simulated
from linkcalc.operation.tank.cycle import lost_stop
from linkcalc.operation.tank.loop import DAY_S, Daily, FillLoop
from linkcalc.operation.tank.risk import year_risk
from linkcalc.operation.tank.shapes import HorizontalCylinder, LevelTable, Prism
from linkcalc.operation.tank.simulate import simulate
from linkcalc.operation.tank.solve import solve
from linkcalc.operation.tank.waiting import Waiting
from linkcalc.views.tank.text import alone_lines, month_words
from tests.benchmarks.plain_tank import NAMES, plain_years
from tests.steady_channel import SteadyChannel
from tests.tank_plans import link_result, plan

TANK = Prism.upright_cylinder(diameter_m=5.0, height_m=2.5)


def loop(**changes: Any) -> FillLoop:
    """A tank of 40 cubic metres that is filled every two days or so, with hourly reports."""
    values: dict[str, Any] = {
        "start_m3": 16.0,
        "stop_m3": 36.0,
        "overflow_m3": 40.0,
        "pump_m3_s": 5.0 / 3600.0,
        "draw_m3_s": (0.4 / 3600.0,),
        "report_interval_s": 3600.0,
        "report_delays_s": (1.0, 31.0),
        "watchdog_s": 3.0 * 3600.0,
        "warm_up_s": 60.0,
        "stopping_s": 10.0,
        "max_run_s": 12.0 * 3600.0,
    }
    return FillLoop(**{**values, **changes})


# --- shapes ---------------------------------------------------------------------------------------------


def test_a_lying_cylinder_agrees_with_the_handbook_table_of_segments() -> None:
    file = Path(__file__).parent / "reference" / "circular_segment.csv"
    rows = csv.DictReader(line for line in file.read_text().splitlines() if not line.startswith("#"))
    tank = HorizontalCylinder(diameter_m=1.8, length_m=5.0)
    for row in rows:
        share = tank.volume_at_percent_m3(100.0 * float(row["height_share"])) / tank.capacity_m3
        assert share == pytest.approx(float(row["area_share"]), abs=1.1e-6)
    assert tank.capacity_m3 == pytest.approx(np.pi * 0.9**2 * 5.0)


def test_a_lying_cylinder_holds_the_sum_of_its_chords() -> None:
    tank = HorizontalCylinder(diameter_m=2.0, length_m=3.0)
    heights = np.linspace(0.0, 1.3, 200_001)
    chords = 2.0 * np.sqrt(np.maximum(1.0 - (1.0 - heights) ** 2, 0.0))
    assert tank.volume_m3(1.3) == pytest.approx(3.0 * trapezoid(chords, heights), rel=1e-6)


SHAPES = [TANK, HorizontalCylinder(2.0, 6.0), LevelTable((0.0, 0.5, 1.0, 2.5), (0.0, 1.0, 4.0, 30.0))]


@given(st.sampled_from(SHAPES), st.floats(0.0, 1.0))
def test_level_and_volume_are_inverse(shape: Any, share: float) -> None:
    level = share * shape.height_m
    assert shape.level_m(shape.volume_m3(level)) == pytest.approx(level, abs=2e-6 * shape.height_m)


@pytest.mark.parametrize(
    ("levels", "volumes", "words"),
    [
        ((0.0, 1.0, 1.0), (0.0, 1.0, 2.0), "levels_m must increase .* got 1 then 1"),
        ((0.0, 1.0, 2.0), (0.0, 3.0, 2.0), "volumes_m3 must increase .* got 3 then 2"),
        ((0.5, 1.0), (0.0, 3.0), "start at 0"),
        ((0.0, 1.0), (0.0, 3.0, 4.0), "same number"),
    ],
)
def test_a_level_table_that_does_not_increase_is_refused(
    levels: tuple[float, ...], volumes: tuple[float, ...], words: str
) -> None:
    with pytest.raises(DomainError, match=words):
        LevelTable(levels, volumes)


def test_a_level_above_the_rim_has_no_volume() -> None:
    with pytest.raises(DomainError, match="level_m must be at most"):
        TANK.volume_m3(2.6)


# --- the bound ------------------------------------------------------------------------------------------


def test_the_overrun_bound_gives_the_worked_example() -> None:
    """5 m3/h, watchdog 30 min, report every 10 min: 3.33 m3, 0.17 m in a tank of 5 m (common practice)."""
    bound = loop(report_interval_s=600.0, watchdog_s=1800.0, stopping_s=0.0).bound_m3
    assert bound == pytest.approx(3.33, abs=0.004)
    assert bound / TANK.area_m2 == pytest.approx(0.17, abs=0.002)


@settings(max_examples=25, deadline=None)
@given(
    single=st.floats(0.0, 0.95),
    interval_s=st.sampled_from([300.0, 600.0, 1800.0, 3600.0]),
    intervals=st.floats(1.05, 6.0),
    stopping_s=st.floats(0.0, 300.0),
    events=st.booleans(),
)
def test_no_lost_message_overruns_the_bound(
    single: float, interval_s: float, intervals: float, stopping_s: float, events: bool
) -> None:
    played = loop(
        report_interval_s=interval_s,
        report_delays_s=(0.5, 8.0),
        watchdog_s=intervals * interval_s,
        stopping_s=stopping_s,
        stop_delays_s=(0.5,) if events else (),
        overflow_m3=60.0,
        draw_m3_s=(0.1 / 3600.0,),
        max_run_s=np.inf,
    )
    years = simulate(played, SteadyChannel(single), 60)
    assert years.largest_overrun_m3.max() <= played.watchdog_bound_m3 * (1.0 + 1e-9)


def test_a_bound_within_the_freeboard_means_no_overflow_at_all(few: Callable[[int], int]) -> None:
    safe = loop(report_interval_s=600.0, watchdog_s=1800.0)
    assert safe.bound_m3 < safe.freeboard_m3
    years = simulate(safe, FadingChannel(0.0, 10.0, 6.0), few(500))
    assert years.overflows.sum() == 0
    assert year_risk(safe, FadingChannel(0.0, 10.0, 6.0)).averaged.overflow_chance == 0.0


# --- simulation against a plain loop --------------------------------------------------------------------

HOURS = tuple(np.array([0.1] * 6 + [1.0] * 6 + [0.5] * 6 + [0.2] * 6) / 3600.0)
"""A draw by the hour, invented."""

CASES = {
    "weak, steady": (loop(), FadingChannel(2.0), 300),
    "changing daily": (loop(), FadingChannel(10.0, 3.0, 6.0), 400),
    "stop and start messages, no watchdog": (
        loop(stop_delays_s=(1.0, 31.0, 120.0), start_delays_s=(1.0, 31.0), watchdog_s=np.inf),
        FadingChannel(6.0, 0.0, 5.0),
        400,
    ),
    "messages only": (
        loop(
            report_interval_s=np.inf,
            report_delays_s=(),
            watchdog_s=np.inf,
            stop_delays_s=(1.0, 31.0),
            start_delays_s=(1.0, 31.0),
            max_run_s=9.0 * 3600.0,
            start_m3=2.0,
            overflow_m3=36.5,
        ),
        FadingChannel(7.0),
        300,
    ),
    "draw by the hour": (
        loop(draw_m3_s=HOURS, start_m3=6.0, overflow_m3=38.0, report_interval_s=1800.0, watchdog_s=6000.0),
        FadingChannel(6.0, 4.0, 5.0),
        60,
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_the_simulation_agrees_with_a_loop_that_walks_every_report(case: str) -> None:
    """Means within four standard errors of their difference, for every count.

    Rare counts are given the error of a Poisson count with both runs' common rate.
    """
    played, channel, years = CASES[case]

    def success(slow_db: float) -> float:
        return float(np.exp(-(10.0 ** (-(channel.fade_margin_db + slow_db) / 10.0))))

    plain = plain_years(played, channel.site_sigma_db, channel.conditions_sigma_db, success, years, seed=5)
    at_once = simulate(played, channel, 4000, seed=3)
    for name in NAMES:
        a, b = np.array([year[name] for year in plain]), getattr(at_once, name)
        rate = (a.sum() + b.sum()) / (a.size + b.size)
        largest = max(a.max(), b.max(), 1e-9)
        error = np.sqrt(max(a.var() / a.size, rate * largest / a.size / 4.0) + b.var() / b.size)
        assert abs(a.mean() - b.mean()) <= 4.0 * error + 1e-9 * largest, (name, a.mean(), b.mean(), error)


def test_the_same_seed_gives_the_same_years() -> None:
    channel = FadingChannel(8.0, 4.0, 4.0)
    one, two, other = (simulate(loop(), channel, 50, seed) for seed in (9, 9, 10))
    assert (one.spilled_m3 == two.spilled_m3).all()
    assert (one.spilled_m3 != other.spilled_m3).any()


def test_no_tank_years_are_no_simulation() -> None:
    with pytest.raises(DomainError, match="tank_years"):
        simulate(loop(), SteadyChannel(0.1), 0)


# --- closed form against simulation ---------------------------------------------------------------------

STEADY = {
    "hourly, weak": (loop(), 2.0),
    "hourly, fair": (loop(), 10.0),
    "ten minutes, very weak": (
        loop(report_interval_s=600.0, watchdog_s=3600.0, overflow_m3=38.0, start_m3=6.0),
        -1.0,
    ),
    "stop message first, no watchdog": (
        loop(stop_delays_s=(1.0, 31.0, 120.0), start_delays_s=(1.0, 31.0), watchdog_s=np.inf),
        6.0,
    ),
    "messages only": (CASES["messages only"][0], 9.0),
}


@pytest.mark.parametrize("case", STEADY)
def test_closed_form_and_simulation_agree_on_a_steady_link(case: str) -> None:
    """Within four standard errors of the simulated mean, and 4 % for the closed form's own steps."""
    played, margin_db = STEADY[case]
    years = simulate(played, FadingChannel(margin_db), 10_000, seed=11)
    risk = year_risk(played, FadingChannel(margin_db)).averaged
    late = years.watchdog_stops + (years.timer_stops if played.max_run_s < 3600.0 * 24 else 0.0)
    pairs = {
        "overflow_chance": (years.overflows > 0).astype(float),
        "overflows": years.overflows,
        "spilled_m3": years.spilled_m3,
        "dry_chance": (years.dry_spells > 0).astype(float),
        "starts": years.starts,
        "nuisance_stops": years.nuisance_stops,
        "watchdog_stops": late,
        "pumped_m3": years.pumped_m3,
    }
    for name, values in pairs.items():
        expected = getattr(risk, name)
        # a rare count's own scatter may miss the true one: that of a Poisson count with the expected rate
        scatter = max(values.std(), np.sqrt(expected) if name != "pumped_m3" else 0.0)
        tolerance = 4.0 * scatter / np.sqrt(values.size) + 0.04 * expected
        assert values.mean() == pytest.approx(expected, abs=tolerance + 1e-12), name


@pytest.mark.parametrize(
    ("margin_db", "site_db", "conditions_db", "interval_s", "watchdog_s"),
    [(12.0, 0.0, 6.0, 3600.0, 10_800.0), (12.0, 8.0, 6.0, 3600.0, 10_800.0), (10.0, 8.0, 6.0, 600.0, 3600.0)],
)
def test_the_closed_form_stays_close_when_the_state_of_the_link_changes(
    margin_db: float, site_db: float, conditions_db: float, interval_s: float, watchdog_s: float
) -> None:
    """It takes a filling's state for one state: within 20 % for overflow, 35 % for nuisance stops."""
    played = loop(report_interval_s=interval_s, watchdog_s=watchdog_s, overflow_m3=38.0, start_m3=6.0)
    channel = FadingChannel(margin_db, site_db, conditions_db)
    years, risk = simulate(played, channel, 10_000, seed=2), year_risk(played, channel).averaged
    assert risk.overflows == pytest.approx(years.overflows.mean(), rel=0.2)
    assert risk.overflow_chance == pytest.approx((years.overflows > 0).mean(), rel=0.1)
    assert risk.nuisance_stops == pytest.approx(years.nuisance_stops.mean(), rel=0.35)
    assert risk.starts == pytest.approx(years.starts.mean(), rel=0.03)
    assert risk.dry_chance == pytest.approx((years.dry_spells > 0).mean(), rel=0.15, abs=2e-3)


@pytest.mark.parametrize(
    ("changes", "margin_db"),
    [
        ({"state_lasts_s": 1.0}, 12.0),
        ({"state_lasts_s": 1.0, "watchdog_s": 2700.0}, 12.0),
        ({"state_lasts_s": 4.0, "watchdog_s": 2700.0}, 6.0),
        ({"state_lasts_s": 12.0, "pump_m3_s": 2.2 / 3600.0, "start_m3": 2.0}, 6.0),
        ({"state_lasts_s": 8760.0, "watchdog_s": 2700.0}, 6.0),
    ],
    ids=[
        "an hour",
        "an hour, watched",
        "four hours, watched",
        "half a day, filled in most of one",
        "all year",
    ],
)
def test_a_state_that_ends_before_the_stop_or_holds_many_fillings_hides_no_overflow(
    changes: dict[str, float], margin_db: float
) -> None:
    """A stop in another state than the start's is as often lost as in any: never fewer overflows than played."""
    changes = changes | {"state_lasts_s": 3600.0 * changes["state_lasts_s"]}
    played = loop(
        **{"report_interval_s": 900.0, "watchdog_s": np.inf, "overflow_m3": 38.0, "max_run_s": 1e5, **changes}
    )
    channel = FadingChannel(margin_db, 0.0, 6.0)
    years, risk = simulate(played, channel, 2_000, seed=3), year_risk(played, channel).averaged
    scatter = years.overflows.std() / np.sqrt(years.overflows.size)
    mean = years.overflows.mean()
    assert mean - 3.0 * scatter <= risk.overflows <= 1.15 * mean + 3.0 * scatter
    assert risk.starts == pytest.approx(years.starts.mean(), rel=0.06)


@pytest.mark.parametrize(
    ("state_lasts_h", "draw_m3_h", "start_m3"),
    [(1.0, 0.4, 16.0), (24.0, 0.4, 16.0), (24.0, 0.8, 30.0), (240.0, 0.8, 30.0), (8760.0, 0.4, 16.0)],
)
def test_by_messages_alone_a_tank_is_filled_in_the_states_in_which_a_start_is_heard(
    state_lasts_h: float, draw_m3_h: float, start_m3: float
) -> None:
    """A stop is as easily heard as the start while the state lasts; the year ends with the first lost start."""
    played = loop(
        report_interval_s=np.inf,
        watchdog_s=np.inf,
        stop_delays_s=(1.0, 31.0, 120.0),
        start_delays_s=(1.0, 31.0, 120.0),
        max_run_s=8.0 * 3600.0,
        draw_m3_s=(draw_m3_h / 3600.0,),
        start_m3=start_m3,
        state_lasts_s=state_lasts_h * 3600.0,
    )
    channel = FadingChannel(12.0, 0.0, 6.0)
    years, risk = simulate(played, channel, 4_000, seed=5), year_risk(played, channel).averaged
    for values, expected in ((years.overflows, risk.overflows), (years.spilled_m3, risk.spilled_m3)):
        scatter = values.std() / np.sqrt(values.size)
        assert expected == pytest.approx(values.mean(), abs=0.04 * values.mean() + 3.0 * scatter)
    assert risk.overflow_chance >= (years.overflows > 0).mean() - 0.03


def test_without_a_watchdog_a_lost_stop_overflows_as_often_as_its_tries_are_lost() -> None:
    """Three independent tries at 5 %: p^3 = 0.0125 % of the stops (worked)."""
    risk = year_risk(
        loop(
            report_interval_s=np.inf,
            report_delays_s=(),
            watchdog_s=np.inf,
            stop_delays_s=(1.0, 11.0, 31.0),
            start_delays_s=(1.0,) * 9,
        ),
        SteadyChannel(0.05),
    ).averaged
    assert risk.overflows / risk.starts == pytest.approx(0.05**3, rel=1e-6)


def test_nuisance_stops_follow_the_rule_for_runs_of_lost_permits() -> None:
    """About (86400/T) (1-p) p^k a day of running, k = floor(W/T) (common practice, no source)."""
    p, t, k = 0.1, 600.0, 3
    big = loop(
        start_m3=100.0,
        stop_m3=3000.0,
        overflow_m3=3100.0,
        report_interval_s=t,
        report_delays_s=(0.0,),
        watchdog_s=k * t,
        warm_up_s=0.0,
        max_run_s=np.inf,
    )
    assert big.misses_that_trip == k
    risk = year_risk(big, SteadyChannel(p)).averaged
    days_of_running = risk.pumped_m3 / big.pump_m3_s / DAY_S
    assert risk.nuisance_stops / days_of_running == pytest.approx(DAY_S / t * (1 - p) * p**k, rel=0.05)


def test_ten_minutes_and_a_watchdog_of_sixteen_ride_over_no_lost_permit() -> None:
    """A public tank controller's figures: refresh every 10 min, off after 16 min without."""
    assert loop(report_interval_s=600.0, watchdog_s=960.0).misses_that_trip == 1
    assert loop(report_interval_s=600.0, watchdog_s=1800.0).misses_that_trip == 3


# --- laws -----------------------------------------------------------------------------------------------


def chance(played: FillLoop, margin_db: float = 8.0) -> float:
    return year_risk(played, FadingChannel(margin_db, 6.0, 4.0)).averaged.overflows


def test_a_lower_stop_level_overflows_less_often() -> None:
    found = [chance(loop(stop_m3=stop)) for stop in (38.0, 36.0, 34.0, 30.0)]
    assert found == sorted(found, reverse=True)
    assert found[-1] < found[0]


def test_a_shorter_watchdog_overflows_less_often() -> None:
    found = [chance(loop(watchdog_s=w * 3600.0)) for w in (6.0, 3.0, 2.0, 1.1)]
    assert found == sorted(found, reverse=True)


def test_more_margin_overflows_less_often() -> None:
    found = [chance(loop(), margin) for margin in (0.0, 5.0, 10.0, 20.0)]
    assert found == sorted(found, reverse=True)


def test_knowing_the_site_makes_a_rare_overflow_rarer() -> None:
    risk = year_risk(loop(overflow_m3=42.0, report_interval_s=1200.0), FadingChannel(25.0, 10.0, 3.0))
    assert risk.predicted_site.overflow_chance < risk.averaged.overflow_chance


@given(st.lists(st.floats(0.0, 5.0), min_size=24, max_size=24).filter(lambda r: sum(r) > 0.1))
def test_the_time_of_a_total_comes_back_to_that_total(rates: list[float]) -> None:
    draw = Daily(np.array(rates) / 3600.0)
    amounts = np.linspace(0.0, 3.2 * sum(rates), 50)
    times = draw.when(amounts)
    assert draw.total(times) == pytest.approx(amounts, abs=1e-9 * (1.0 + amounts[-1]))
    assert (np.diff(times) >= -1e-6).all()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"start_m3": 36.0}, "start_m3 = 36 must be below stop_m3 = 36"),
        ({"pump_m3_s": -1.0}, "pump_m3_s must be above 0"),
        ({"pump_m3_s": 0.3 / 3600.0}, "must be above the largest draw_m3_s"),
        ({"watchdog_s": 3600.0}, "watchdog_s = 3600 must be at least .* 3631"),
        ({"report_interval_s": 20.0}, "report_interval_s = 20 must be longer than the last try's delay"),
        ({"report_interval_s": np.inf, "report_delays_s": (), "watchdog_s": np.inf}, "are needed"),
        ({"report_delays_s": (5.0, 1.0)}, "must not decrease"),
        ({"state_lasts_s": 0.0}, "state_lasts_s must be above 0"),
        ({"draw_m3_s": (0.0,)}, "total above zero"),
    ],
)
def test_a_loop_that_cannot_work_is_refused_by_name(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(DomainError, match=words):
        loop(**changes)


# --- solving --------------------------------------------------------------------------------------------


def scene(**changes: Any) -> FillLoop:
    values: dict[str, Any] = {
        "start_m3": TANK.volume_at_percent_m3(40.0),
        "stop_m3": TANK.volume_at_percent_m3(92.0),
        "overflow_m3": TANK.capacity_m3,
        "report_interval_s": 1200.0,
        "watchdog_s": 7200.0,
        "report_delays_s": (0.2, 10.0, 30.0),
        "stopping_s": 130.0,
        "max_run_s": np.inf,
    }
    return loop(**{**values, **changes})


CHANNEL = FadingChannel(18.0, 10.0, 3.0)


def test_the_solved_settings_keep_overflow_under_the_accepted_chance_and_no_more() -> None:
    accepted = 0.02
    played = scene()

    def overflow(**changes: Any) -> float:
        return year_risk(replace(played, **changes), CHANNEL).averaged.overflow_chance

    assert overflow() > accepted
    found = solve(played, TANK, CHANNEL, accepted)
    assert found.stop_percent is not None
    assert overflow(stop_m3=TANK.volume_at_percent_m3(found.stop_percent)) <= accepted
    assert overflow(stop_m3=TANK.volume_at_percent_m3(found.stop_percent + 0.5)) > accepted
    assert found.watchdog_s is not None
    assert overflow(watchdog_s=found.watchdog_s) <= accepted
    assert overflow(watchdog_s=found.watchdog_s + played.report_interval_s) > accepted


def test_where_nearly_any_chance_is_accepted_the_tries_alone_bound_the_settings() -> None:
    # the last try of a report comes 700 s after it: with a watchdog of 2400 s reports may be 1700 s apart at most, of
    # the usual intervals 1200 s; and a watchdog is looked for up to 24 intervals
    patient = scene(report_interval_s=1200.0, watchdog_s=2400.0, report_delays_s=(0.2, 10.0, 700.0))
    found = solve(patient, TANK, CHANNEL, 1.0 - 1e-9)
    assert found.interval_s == 1200.0
    assert found.watchdog_s == 24 * 1200.0


def test_the_recommended_set_relies_on_no_message() -> None:
    found = solve(scene(), TANK, CHANNEL, 0.01).recommended
    assert found is not None
    assert found.watchdog_s >= 3.0 * found.interval_s
    assert found.overrun_bound_m3 <= found.freeboard_m3
    assert found.overflow_chance == 0.0
    assert found.overrun_bound_m3 == pytest.approx(
        5.0 / 3600.0 * (found.watchdog_s + found.interval_s + 130.0)
    )
    years = simulate(
        scene(
            stop_m3=TANK.volume_at_percent_m3(found.stop_percent),
            report_interval_s=found.interval_s,
            watchdog_s=found.watchdog_s,
        ),
        CHANNEL,
        500,
    )
    assert years.overflows.sum() == 0


def test_a_plan_that_is_safe_already_is_left_as_it_is() -> None:
    found = solve(scene(report_interval_s=600.0, watchdog_s=1800.0), TANK, FadingChannel(40.0, 8.0), 0.01)
    assert found.recommended is not None
    assert (found.recommended.stop_percent, found.recommended.interval_s) == (pytest.approx(92.0), 600.0)
    assert found.recommended.watchdog_s == 1800.0


def test_a_pump_that_outruns_the_radio_needs_a_float_valve() -> None:
    slow = solve(scene(), TANK, CHANNEL, 0.01)
    fast = solve(scene(pump_m3_s=60.0 / 3600.0), TANK, CHANNEL, 0.01)
    assert not slow.float_valve_needed
    assert fast.float_valve_needed
    assert "fit a float all the same" in slow.float_valve_reason
    torrent = solve(scene(pump_m3_s=600.0 / 3600.0), TANK, CHANNEL, 0.01)
    assert torrent.recommended is None


def test_messages_alone_leave_no_interval_or_watchdog_to_set() -> None:
    found = solve(CASES["messages only"][0], Prism(16.0, 2.5), SteadyChannel(0.1), 0.01)
    assert (found.interval_s, found.watchdog_s, found.recommended) == (None, None, None)


BOX = Prism(20.0, 2.5)
"""50 cubic metres: half a cubic metre is 1 %."""


def box(**changes: Any) -> FillLoop:
    """A box filled at 36 cubic metres an hour, a hundredth of one a second, that is reported every ten minutes."""
    values: dict[str, Any] = {
        "start_m3": 20.25,
        "stop_m3": 46.0,
        "overflow_m3": 50.0,
        "pump_m3_s": 0.01,
        "draw_m3_s": (0.4 / 3600.0,),
        "report_interval_s": 600.0,
        "report_delays_s": (0.0, 10.0, 30.0),
        "watchdog_s": 1800.0,
        "stopping_s": 130.0,
        "max_run_s": np.inf,
    }
    return FillLoop(**{**values, **changes})


@pytest.mark.parametrize(("start_percent", "stop_percent"), [(40.5, 61.0), (56.0, 61.0), (56.1, None)])
def test_the_highest_stop_level_worked_by_hand(start_percent: float, stop_percent: float | None) -> None:
    """The watchdog ends it 1800 s after a last permit that came 30 s late, the water stops 130 s later.

    1960 s at 0.01 less 0.4 / 3600 m3/s are 19.38 m3: 38.8 % of the box, so a stop at 61.0 % in half percents.
    Looked for from 5 % over the start level.
    """
    found = solve(box(start_m3=start_percent / 2.0), BOX, SteadyChannel(0.5), 1e-12)
    assert found.stop_percent == stop_percent


@pytest.mark.parametrize(
    ("overflow_percent", "stop_percent"), [(100.0, 95.0), (95.5, 95.0), (90.0, 89.5), (89.8, 89.5)]
)
def test_the_stop_level_ends_at_the_usual_95_percent_or_under_the_overflow(
    overflow_percent: float, stop_percent: float
) -> None:
    """Any chance accepted; in half percents."""
    loop_ = box(overflow_m3=overflow_percent / 2.0, stop_m3=40.0)
    assert solve(loop_, BOX, SteadyChannel(0.5), 1.0).stop_percent == stop_percent


@pytest.mark.parametrize(
    ("start_percent", "shortest_s", "stopping_s", "stop_percent"),
    [
        (53.0, 300.0, 130.0, 73.0),  # 3 + 1 intervals and 130 s: 13.3 m3, 26.6 %
        (55.0, 300.0, 130.0, None),  # a band of 20 % at least
        (20.0, 600.0, 90.0, 50.0),  # 24.9 m3, 49.8 %
        (32.0, 600.0, 90.0, None),
        (20.0, 600.0, 130.0, None),  # 25.3 m3, 50.6 %: below half a tank nothing is proposed
    ],
)
def test_the_proposed_stop_level_worked_by_hand(
    start_percent: float, shortest_s: float, stopping_s: float, stop_percent: float | None
) -> None:
    """The highest whole percent over which the bound of three intervals of silence fits."""
    loop_ = box(start_m3=start_percent / 2.0, stopping_s=stopping_s)
    found = solve(loop_, BOX, SteadyChannel(0.01), 0.01, shortest_s).recommended
    if stop_percent is None:
        assert found is None
    else:
        assert found is not None
        assert (found.stop_percent, found.interval_s) == (stop_percent, shortest_s)
        assert found.watchdog_s == 3.0 * shortest_s
        assert found.overrun_bound_m3 == pytest.approx(0.01 * (4.0 * shortest_s + stopping_s))


@pytest.mark.parametrize(
    ("lost", "intervals", "interval_s"),
    [
        (0.3, 3, 300.0),
        (0.5, 4, 300.0),
        (0.6, 5, 300.0),
        (0.66, 6, 180.0),
        (0.7, 8, 180.0),
        (0.8, 10, 120.0),
        (0.85, 10, 120.0),
    ],
)
def test_a_watchdog_of_as_few_intervals_as_stop_the_engine_once_a_month_at_most(
    lost: float, intervals: int, interval_s: float
) -> None:
    """4 m3 at 0.002 m3/s less 130 s are 1870 s: room for 3, 4, 5 and one interval of 300 s, 6 and 8 and one of 180 s,
    10 and one of 120 s. Of them the first with no more than 12 needless stops a year; else the one with least."""
    slow = box(pump_m3_s=0.002)
    channel = SteadyChannel(lost)
    found = solve(slow, BOX, channel, 0.01).recommended
    assert found is not None
    assert (found.interval_s, found.watchdog_s) == (interval_s, intervals * interval_s)
    for fewer, every_s in ((3, 300.0), (4, 300.0), (5, 300.0), (6, 180.0), (8, 180.0)):
        if fewer < intervals:
            changed = replace(slow, report_interval_s=every_s, watchdog_s=fewer * every_s)
            assert year_risk(changed, channel).working.nuisance_stops > 12.0
    assert (found.nuisance_stops <= 12.0) is (lost < 0.85)


@pytest.mark.slow
def test_the_longest_usual_interval_that_the_watchdog_leaves_room_for() -> None:
    """Any chance accepted: whole, easily set values, and none more often than the shortest."""
    usual_s = (30.0, 60.0, 120.0, 180.0, 300.0, 600.0, 900.0, 1200.0, 1800.0, 3600.0, 7200.0)
    for interval_s in usual_s:
        often = box(report_interval_s=20.0, report_delays_s=(0.0,), watchdog_s=interval_s + 1.0)
        assert solve(often, BOX, SteadyChannel(0.01), 1.0, 30.0).interval_s == interval_s
    assert solve(often, BOX, SteadyChannel(0.01), 1.0, 7201.0).interval_s is None


@pytest.mark.parametrize(
    ("planned", "shortest_s", "kept"),
    [
        ({"stop_m3": 36.0, "report_interval_s": 300.0, "watchdog_s": 930.0}, 300.0, True),
        # under three intervals
        ({"stop_m3": 36.0, "report_interval_s": 300.0, "watchdog_s": 870.0}, 300.0, False),
        ({"stop_m3": 36.5, "report_interval_s": 120.0, "watchdog_s": 480.0}, 300.0, False),  # too often
        ({"stop_m3": 47.4, "report_interval_s": 50.0, "watchdog_s": 150.0, "stopping_s": 0.0}, 30.0, True),
        # 95.2 %
        ({"stop_m3": 47.6, "report_interval_s": 50.0, "watchdog_s": 150.0, "stopping_s": 0.0}, 30.0, False),
        ({"stop_m3": 37.0, "report_interval_s": 300.0, "watchdog_s": 930.0}, 300.0, False),  # 13.6 m3 into 13
    ],
)
def test_only_a_plan_that_keeps_every_rule_is_left_as_it_is(
    planned: dict[str, float], shortest_s: float, kept: bool
) -> None:
    found = solve(box(**planned), BOX, SteadyChannel(0.01), 0.01, shortest_s).recommended
    assert found is not None
    as_planned = (
        found.stop_percent == pytest.approx(planned["stop_m3"] * 2.0)
        and found.watchdog_s == planned["watchdog_s"]
        and found.interval_s == planned["report_interval_s"]
    )
    assert as_planned is kept


def test_a_float_valve_is_needed_where_four_intervals_take_longer_than_the_last_tenth() -> None:
    """5 m3 at 0.01 m3/s are 500 s: four intervals of 92.4 s and 130 s to stop are 499.6 s, of 92.6 s 500.4 s."""
    assert not solve(box(), BOX, SteadyChannel(0.01), 0.01, 92.4).float_valve_needed
    needed = solve(box(), BOX, SteadyChannel(0.01), 0.01, 92.6)
    assert needed.float_valve_needed
    assert "in 8.3 min; with a report every 1.54 min" in needed.float_valve_reason
    assert needed.float_valve_reason.endswith("8.3 min")
    short = solve(box(overflow_m3=44.0, stop_m3=40.0), BOX, SteadyChannel(0.01), 0.01)  # it overflows at 88 %
    assert short.float_valve_needed
    assert "in 0.0 min" in short.float_valve_reason
    assert solve(box(), BOX, SteadyChannel(0.01), 0.01).least_watchdog_s == 3 * 600.0


# --- the lost stop --------------------------------------------------------------------------------------


def test_the_watchdog_ends_a_filling_whose_stop_is_lost() -> None:
    played = scene(report_interval_s=600.0, watchdog_s=1800.0)
    cycle = lost_stop(played, TANK)
    net_m3_s = 4.6 / 3600.0
    assert cycle.ended_by == "watchdog"
    assert cycle.decided_s == pytest.approx(1800.0 + 0.2)
    assert cycle.water_off_s == pytest.approx(1930.2)
    assert cycle.peak_percent == pytest.approx(TANK.percent(played.stop_m3 + net_m3_s * 1930.2))
    assert cycle.overflows_s is None
    assert cycle.bound_percent == pytest.approx(TANK.percent(played.stop_m3 + played.bound_m3))
    assert cycle.permits_s[-1] == pytest.approx(0.2)
    assert max(cycle.level_percent) == pytest.approx(cycle.peak_percent)
    assert cycle.level_percent[-1] == pytest.approx(40.0)


def test_without_watchdog_or_timer_nothing_ends_it() -> None:
    cycle = lost_stop(scene(watchdog_s=np.inf), TANK)
    assert cycle.ended_by == "nothing"
    assert cycle.bound_percent is None
    assert cycle.overflows_s is not None
    assert max(cycle.level_percent) == pytest.approx(100.0)


def test_a_run_timer_ends_what_no_watchdog_does() -> None:
    cycle = lost_stop(scene(watchdog_s=np.inf, max_run_s=7.0 * 3600.0), TANK)
    assert cycle.ended_by == "run timer"
    assert cycle.decided_s == pytest.approx(7.0 * 3600.0 - 60.0 - scene().fill_time_s)


# --- a plan's tank --------------------------------------------------------------------------------------


def test_the_tank_of_a_plan_is_answered() -> None:
    found = section(plan(), [link_result(25.0)])
    assert found is not None
    assert found.capacity_m3 == pytest.approx(np.pi * 2.5**2 * 2.5)
    assert found.freeboard_m3 == pytest.approx(0.08 * found.capacity_m3)
    assert found.time_to_overflow_s == pytest.approx(found.freeboard_m3 / 5.0 * 3600.0)
    # Q (W + T + t_stop), with 120 s of cool-down and 10 s to act
    assert found.overrun_bound_m3 == pytest.approx(5.0 / 3600.0 * (1800.0 + 600.0 + 130.0))
    assert found.overrun_bound_m == pytest.approx(found.overrun_bound_m3 / (np.pi * 2.5**2))
    assert found.bounded_by == "watchdog"
    assert found.bound_fits
    assert found.averaged.risk.overflow_chance == 0.0
    assert found.averaged.fuel_l == pytest.approx(365 * 24 * 0.4 / 5.0 * 2.5 * 1.003, rel=0.01)
    assert found.after_reading.risk.nuisance_stops < found.averaged.risk.nuisance_stops
    assert found.cautions == CAUTIONS
    assert len(found.line) <= 76
    assert "linkcalc tank" in found.line


def test_a_plan_without_a_tank_has_no_section() -> None:
    assert section(plan(tank=None, engine=None), [link_result()]) is None


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"engine": {"watchdog_s": None, "max_run_time_h": None}}, "bounded by nothing"),
        ({"tank": {"pump_flow_m3_h": 50.0}}, "LOST STOP OVERFLOWS"),
        ({"tank": {"pump_flow_m3_h": 5000.0}}, "LOST STOP OVERFLOWS"),
    ],
)
def test_the_line_of_a_tank_that_can_overflow_says_so(changes: dict[str, Any], words: str) -> None:
    found = section(plan(**changes), [link_result()])
    assert found is not None
    assert words in found.line
    assert len(found.line) <= 76
    assert not found.bound_fits


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"engine": {"watchdog_s": None}}, "no watchdog"),
        ({"engine": {"watchdog_s": 900.0}}, "rides over 0 lost reports"),
        ({"engine": {"max_run_time_h": None}}, "no run timer"),
        ({"engine": {"max_run_time_h": 2.0}}, "ends every filling before the stop level"),
        ({"tank": {"stop_percent": 97.0}}, "above the usual 90 to 95 %"),
        ({"tank": {"high_high_percent": None}}, "no independent float"),
        ({"tank": {"pump_flow_m3_h": 60.0}}, "shorter than 30 min"),
        ({"tank": {"high_high_percent": 93.0}}, "can reach the independent float"),
    ],
)
def test_what_is_amiss_in_a_tank_is_noted(changes: dict[str, Any], words: str) -> None:
    found = section(plan(**changes), [link_result(25.0)])
    assert found is not None
    assert any(words in note for note in found.notes), found.notes


def test_a_watchdog_that_late_tries_can_outrun_is_refused() -> None:
    with pytest.raises(PlanError, match=r"engine.watchdog_s = 610 is shorter .* make it 1800"):
        section(plan(engine={"watchdog_s": 610.0}), [link_result()])


def test_every_shape_of_tank_can_be_planned() -> None:
    shapes: list[dict[str, Any]] = [
        {"kind": "horizontal_cylinder", "diameter_m": 2.5, "length_m": 10.0},
        {"kind": "rectangular", "length_m": 5.0, "width_m": 4.0, "height_m": 2.5},
        {"kind": "table", "level_m": [0.0, 1.0, 2.5], "volume_m3": [0.0, 15.0, 50.0]},
    ]
    for shape, capacity in zip(shapes, (np.pi * 1.25**2 * 10.0, 50.0, 50.0), strict=True):
        found = section(plan(tank={"shape": shape}), [link_result()])
        assert found is not None
        assert found.capacity_m3 == pytest.approx(capacity)
        assert found.drawing.level_percent[-1] == pytest.approx(40.0, abs=0.01)


def test_a_filling_of_months_with_frequent_reports_is_reckoned_but_not_played() -> None:
    """Beyond a thousand reports the closed form goes on with a constant rate; nothing is kept of each."""
    shape = {"kind": "upright_cylinder", "diameter_m": 200.0, "height_m": 10.0}
    permit = {"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 5.0, "tries": 1}
    p = plan(
        message=[permit],
        tank={"shape": shape, "pump_flow_m3_h": 40.0},
        engine={"watchdog_s": 60.0, "max_run_time_h": None},
    )
    found = section(p, [link_result(6.0, 0.0, 0.0)])
    assert found is not None
    assert found.averaged.risk.pumped_m3 == pytest.approx(365 * 24 * 0.4, rel=1e-3)
    assert simulated(p, [link_result(6.0, 0.0, 0.0)], 5) is None


def test_following_fewer_reports_one_by_one_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    played = loop(
        start_m3=100.0,
        stop_m3=600.0,
        overflow_m3=610.0,
        report_interval_s=60.0,
        watchdog_s=180.0,
        max_run_s=np.inf,
    )
    whole = year_risk(played, FadingChannel(8.0, 4.0, 2.0)).averaged
    monkeypatch.setattr("linkcalc.operation.tank.filling._MOST_REPORTS", 40)
    short = year_risk(played, FadingChannel(8.0, 4.0, 2.0)).averaged
    assert short.nuisance_stops == pytest.approx(whole.nuisance_stops, rel=0.005)
    assert short.pumped_m3 == pytest.approx(whole.pumped_m3, rel=0.001)


def test_the_simulated_year_of_a_plan_comes_with_its_interval() -> None:
    p, links = plan(engine={"watchdog_s": 7200.0}), [link_result(8.0, 8.0, 0.0)]
    played = simulated(p, links, 800, seed=4)
    assert played is not None
    low, high = played.overflow_chance_interval
    assert 0.0 <= low < played.overflow_chance < high <= 1.0
    assert played == simulated(p, links, 800, seed=4)
    found = section(p, links)
    assert found is not None
    assert low < found.averaged.risk.overflow_chance < high


ODD = {
    "states shorter than the interval": {
        "message": [
            {"name": "permit", "kind": "level_report", "link": "level", "interval_s": 14_700.0, "tries": 3}
        ],
        "tank": {"state_lasts_h": 1.0},
        "engine": {"watchdog_s": 220_000.0, "max_run_time_h": None, "warm_up_s": 960.0},
    },
    "empty before the engine is warm": {
        "tank": {"outlet_percent": 39.9, "draw_m3_h": 4.0},
        "engine": {"warm_up_s": 3000.0},
    },
    "run timer ends as the pump begins": {"engine": {"max_run_time_h": 0.2, "warm_up_s": 600.0}},
    "a hand's breadth below the rim of a lying tank": {
        "tank": {
            "shape": {"kind": "horizontal_cylinder", "diameter_m": 2.1, "length_m": 6.0},
            "stop_percent": 99.0,
            "overflow_percent": 99.99999,
            "high_high_percent": None,
        }
    },
    "a draw that is mostly nothing": {
        "tank": {"draw_m3_h": None, "hourly_draw_m3_h": [4.9] + [0.0] * 22 + [0.1]},
    },
}


@pytest.mark.parametrize("margin_db", [-40.0, 5.0, 60.0])
@pytest.mark.parametrize("case", ODD)
def test_odd_plans_give_figures_that_can_be(case: str, margin_db: float) -> None:
    p, links = plan(**ODD[case]), [link_result(margin_db, 12.0, 5.0)]
    found = section(p, links)
    assert found is not None
    for losses in (found.averaged, found.predicted_site, found.after_reading):
        for name, value in vars(losses.risk).items():
            assert np.isfinite(value), name
            assert value >= 0.0, name
            assert "chance" not in name or value <= 1.0
        # what is pumped and does not spill is what is drawn
        drawn = losses.risk.pumped_m3 - losses.risk.spilled_m3 + losses.risk.unmet_m3
        assert drawn >= 365.0 * 24.0 * found.mean_draw_m3_h * 0.999
    assert min(found.drawing.level_percent) >= -1e-9
    played = simulated(p, links, 5)
    assert played is not None
    assert found.overrun_bound_m3 is None or played.largest_overrun_m3 <= found.overrun_bound_m3 * (1 + 1e-9)


# --- the safe side, by hand -----------------------------------------------------------------------------

NIGHT_AND_DAY = tuple(d / 3600.0 for d in [0.0] * 8 + [4.0] * 4 + [1.0] * 12)
"""Nothing at night, four cubic metres an hour in the morning."""


def test_time_to_overflow_counts_on_nothing_being_drawn() -> None:
    """4 m3 of freeboard at 5 m3/h: 48 min; with the largest draw it would be 4 h, the unsafe side."""
    played = loop(draw_m3_s=NIGHT_AND_DAY, watchdog_s=np.inf, max_run_s=np.inf)
    assert played.full_flow_time_s == pytest.approx(48 * 60.0)
    assert lost_stop(played, TANK).overflows_s == pytest.approx(48 * 60.0 * played.freeboard_m3 / 4.0)


def test_a_stop_that_comes_after_the_night_time_to_overflow_comes_too_late() -> None:
    """Tries after 1 s and 50 min, each lost with 5 %: the second is too late for 48 min, not for 4 h."""
    common = {
        "report_interval_s": np.inf, "watchdog_s": np.inf, "stop_delays_s": (1.0, 3000.0),
        "start_delays_s": (1.0,) * 9, "max_run_s": 9 * 3600.0,
    }  # fmt: skip
    safe = year_risk(loop(draw_m3_s=NIGHT_AND_DAY, **common), SteadyChannel(0.05)).averaged
    assert safe.overflows / safe.starts == pytest.approx(0.05)
    busy = year_risk(
        loop(draw_m3_s=(4.0 / 3600.0,), **{**common, "max_run_s": 40 * 3600.0}), SteadyChannel(0.05)
    )
    assert busy.averaged.overflows / busy.averaged.starts == pytest.approx(0.05**2)


def test_time_to_empty_counts_on_the_worst_hours() -> None:
    """16 m3, 28 a day: from 8 h on 16 in the four hours of the morning, so 4 h; 13.7 h at the mean draw."""
    played = loop(draw_m3_s=NIGHT_AND_DAY)
    assert played.reserve_s == pytest.approx(4 * 3600.0)
    assert played.start_m3 / played.mean_draw_m3_s == pytest.approx(16.0 / 28.0 * DAY_S)


def test_the_worst_stretch_may_end_where_the_draw_changes() -> None:
    """11 m3: ten in one hour, and before it one in half an hour of two; from hour to hour it is 1.9 h and more."""
    draw = [2.0] * 24
    draw[5:7] = [10.0, 1.0]
    played = loop(start_m3=11.0, pump_m3_s=12.0 / 3600.0, draw_m3_s=tuple(d / 3600.0 for d in draw))
    assert played.reserve_s == pytest.approx(1.5 * 3600.0)


def test_a_watchdog_of_hundreds_of_intervals_is_mostly_outrun_by_a_report() -> None:
    """W = k T, one try, p lost: the last permit was m reports ago with (1 - p) p^(m-1), of m = 1 ... k, and then
    k - m + 1 reports tell of the stop before the watchdog: k p^k (1 - p) / (1 - p^k) = 0.309 (worked).
    """
    p, k = 0.99, 200
    played = loop(
        report_interval_s=60.0,
        report_delays_s=(0.0,),
        watchdog_s=k * 60.0,
        warm_up_s=0.0,
        stopping_s=0.0,
        max_run_s=np.inf,
    )
    risk = year_risk(played, SteadyChannel(p)).averaged
    by_watchdog = risk.watchdog_stops / (risk.starts - risk.nuisance_stops)
    assert by_watchdog == pytest.approx(0.309, rel=0.03)  # beyond the first forty m go together
    years = simulate(played, SteadyChannel(p), 1000)
    stopped = years.starts.sum() - years.nuisance_stops.sum()
    assert years.watchdog_stops.sum() / stopped == pytest.approx(by_watchdog, rel=0.1)


def test_a_link_that_hears_nothing_leaves_the_tank_empty_half_a_year_after_each_filling() -> None:
    """40 m3 last 100 h at 0.4 m3/h, after 12 h of run timer: 182.5 d + 4.67 d for a cycle, 1.950 a year (worked)."""
    played = loop(
        watchdog_s=np.inf, report_delays_s=(0.0,), warm_up_s=0.0, stopping_s=0.0, max_run_s=12.0 * 3600.0
    )
    risk = year_risk(played, SteadyChannel(1.0 - 1e-7)).averaged
    assert risk.starts == pytest.approx(1.950, rel=0.002)
    # asked for is 0.4 m3/h all year; each filling gives 40 m3 and the 4.8 m3 that are drawn meanwhile
    assert risk.unmet_m3 == pytest.approx(3504.0 - 1.950 * 44.8, rel=0.002)


@given(st.floats(0.0, 1.0))
def test_the_run_timer_bounds_the_overrun_from_any_level(share: float) -> None:
    """8 h at 5 m3/h less a minute of warm-up, and 10 s to stop: 39.93 m3 from just below the stop level."""
    played = loop(max_run_s=8 * 3600.0, watchdog_s=np.inf)
    assert played.timer_bound_m3 == pytest.approx(5.0 * (8.0 - 60.0 / 3600.0 + 10.0 / 3600.0))
    assert played.timer_bound_from_start_m3 == pytest.approx(played.timer_bound_m3 - 20.0)
    begun = played.start_m3 + share * (played.stop_m3 - played.start_m3)
    pumped = played.pump_m3_s * (played.max_run_s - played.warm_up_s + played.stopping_s)
    assert begun + pumped - played.stop_m3 <= played.timer_bound_m3 + 1e-9


def test_a_run_timer_that_holds_from_the_start_level_only_does_not_fit() -> None:
    found = section(plan(engine={"watchdog_s": None, "max_run_time_h": 4.5}), [link_result(20.0)])
    assert found is not None
    assert found.timer_bound_from_start_m3 is not None
    assert found.timer_bound_from_start_m3 <= found.freeboard_m3
    assert not found.bound_fits
    assert any("run timer alone keeps the water in only when" in n for n in found.notes)


@pytest.mark.parametrize("single", [0.0, 0.3])
def test_a_filling_that_the_run_timer_ends_pumps_as_long_as_the_timer_runs(single: float) -> None:
    """By hand: 2 h less 1 min of warm-up and 10 s to stop, at 5 m3/h; 0.4 m3/h are drawn all year."""
    played = loop(max_run_s=7200.0)
    filled_m3 = 5.0 * (7200.0 - 60.0 + 10.0) / 3600.0
    risk = year_risk(played, SteadyChannel(single)).averaged
    assert risk.starts == pytest.approx(365 * 24 * 0.4 / filled_m3, rel=1e-4)
    assert risk.pumped_m3 == pytest.approx(365 * 24 * 0.4, rel=1e-4)
    years = simulate(played, SteadyChannel(single), 100)
    assert risk.starts == pytest.approx(years.starts.mean(), rel=3e-3)


def test_the_watchdog_is_advised_between_two_bounds() -> None:
    found = solve(loop(report_interval_s=600.0, watchdog_s=1800.0), TANK, SteadyChannel(0.05), 0.01)
    assert found.least_watchdog_s == 1800.0
    words = " ".join(alone_lines(found))
    assert "watchdog: 30 min (three report intervals) to" in words


def test_rates_are_those_of_sites_that_work() -> None:
    """Sites of 14 dB spread: dead ones stop the engine all the time, those that work hardly ever."""
    channel = FadingChannel(20.0, site_sigma_db=14.0, conditions_sigma_db=3.0)
    risk = year_risk(loop(report_interval_s=600.0, watchdog_s=1800.0), channel)
    sites = by_site(channel, 2)
    assert 0.03 < sites.dead_chance < 0.3
    assert 0.5 < sites.working_chance < 1.0 - sites.dead_chance
    assert risk.averaged.nuisance_stops > 5.0
    assert risk.working.nuisance_stops < 0.5
    assert risk.averaged.dry_chance > 0.02
    assert risk.working.dry_chance < 1e-4


def test_engine_hours_and_services_stand_beside_the_water() -> None:
    found = section(plan(engine={"service_interval_h": 100.0}), [link_result(40.0)])
    assert found is not None
    year = found.predicted_site
    # 0.4 m3/h all year at 5 m3/h of pump is 701 h, and a minute of warm-up for each start
    assert year.engine_h == pytest.approx(0.4 / 5.0 * 8760.0 + year.risk.starts / 60.0, rel=0.002)
    assert year.fuel_l == pytest.approx(2.5 * year.engine_h)
    assert year.services == pytest.approx(year.engine_h / 100.0)
    assert "a service, due each 100 h, every 1.7 months" in month_words(found)


# --- the closed form, part by part ----------------------------------------------------------------------

MESSAGES_ONLY: dict[str, Any] = {
    "report_interval_s": np.inf, "report_delays_s": (), "watchdog_s": np.inf, "warm_up_s": 0.0, "stopping_s": 0.0,
}  # fmt: skip


@pytest.mark.parametrize(("site_db", "conditions_db"), [(0.0, 0.8), (0.8, 0.0), (2.0, 3.0), (3.0, 0.5)])
def test_a_lost_stop_is_averaged_over_site_and_states(site_db: float, conditions_db: float) -> None:
    """A stop is lost if three tries are: the integral of (1 - exp(-10^(-x/10)))^3 over x, normal around a margin of
    8 dB, for the site as predicted and for all sites. Every start is heard, and the timer ends a filling a second
    after its stop, so that all years have as many. The steps of the slow state cost three in a thousand.
    """
    played = loop(
        **MESSAGES_ONLY,
        stop_delays_s=(0.0,) * 3,
        start_delays_s=(0.0,) * 4000,
        overflow_m3=36.0001,
        max_run_s=20.0 / 4.6 * 3600.0 + 1.0,
    )
    risk = year_risk(played, FadingChannel(8.0, site_db, conditions_db))
    z = np.linspace(-8.0, 8.0, 4001)
    for year, sigma_db in (
        (risk.predicted_site, conditions_db),
        (risk.averaged, float(np.hypot(site_db, conditions_db))),
    ):
        margin_db = 8.0 + sigma_db * z
        lost = (-np.expm1(-(10.0 ** (-margin_db / 10.0)))) ** 3
        expected = trapezoid(norm.pdf(z) * lost, z)
        assert year.overflows / year.starts == pytest.approx(expected, rel=3e-3)


@pytest.mark.parametrize("lost", [0.1, 0.3, 0.7, 1.0])
def test_the_year_ends_with_the_first_start_that_is_lost_worked(lost: float) -> None:
    """Two tries each, at once: of a start d, of a stop l are lost, d = l = p^2. 20 m3 at 4.6 m3/h take F = 4.35 h; a
    lost stop runs to the timer, 9 - F h more, and all but the 4 m3 of freeboard is lost. What is pumped and not lost
    is drawn at 0.4 m3/h: that gives N fillings a year, were no start lost.

    Of them (1 - d) + (1 - d)^2 + ... = (1 - d) / d (1 - (1 - d)^N) begin before one is lost; an overflow comes before
    that with the chance (1 - d) l / e (1 - (1 - e)^N), e being either of the two, 1 - (1 - d)(1 - l).
    """
    played = loop(**MESSAGES_ONLY, stop_delays_s=(0.0, 0.0), start_delays_s=(0.0, 0.0), max_run_s=9 * 3600.0)
    risk = year_risk(played, SteadyChannel(lost)).averaged
    d = lost**2
    fill_h = 20.0 / 4.6
    beyond_h = 9.0 - fill_h
    pumping_h = fill_h + d * beyond_h
    spilled_m3 = d * (4.6 * beyond_h - 4.0)
    fillings = 8760.0 * 0.4 / (5.0 * pumping_h - spilled_m3)
    either = 1.0 - (1.0 - d) ** 2
    assert risk.dry_chance == pytest.approx(1.0 - (1.0 - d) ** fillings)
    assert risk.starts == pytest.approx((1.0 - d) / d * (1.0 - (1.0 - d) ** fillings))
    assert risk.overflow_chance == pytest.approx((1.0 - d) * d / either * (1.0 - (1.0 - either) ** fillings))
    assert risk.overflows == pytest.approx(d * risk.starts)
    assert risk.spilled_m3 == pytest.approx(spilled_m3 * risk.starts)
    assert risk.pumped_m3 == pytest.approx(5.0 * pumping_h * risk.starts)
    years = simulate(played, SteadyChannel(lost), 5000)
    for name in ("starts", "overflows", "spilled_m3", "pumped_m3"):
        values = getattr(years, name)
        assert values.mean() == pytest.approx(getattr(risk, name), abs=4.0 * values.std() / 70.0 + 1e-9)


def test_silence_from_the_start_trips_a_watchdog_of_an_interval_and_a_half() -> None:
    """The first permit is due anywhere in an interval: in one half a second one comes before the watchdog runs out,
    in the other not. Of a filling that lasts a second longer (m + m^2) / 2 are stopped: 19.5 % with m = 0.3.
    """
    played = loop(
        report_delays_s=(0.0,), watchdog_s=5400.0, warm_up_s=0.0, stop_m3=16.0 + 4.6 * 5401.0 / 3600.0
    )
    risk = year_risk(played, SteadyChannel(0.3)).averaged
    assert risk.nuisance_stops / risk.starts == pytest.approx(0.195)


HALF_DEAD = np.array([[-700.0, 0.0]])
"""Logarithm of the share of tries lost: nothing in one half of the states, everything in the other."""


def test_the_wait_for_a_start_in_states_of_which_half_are_dead() -> None:
    """Hourly reports in states of a day. A good state takes 1 report, a dead one all 24: 12.5 a state, and half of the
    states end in silence, so 25 from the beginning of a state (E = 12.5 + E / 2), the first half an hour early.

    From a moment anywhere in a state, with an hour of warm-up: the states that have a report due by x are counted
    one by one, and each is dead with 1/2.
    """
    played = loop(report_delays_s=(0.0,), watchdog_s=np.inf, warm_up_s=3600.0)
    waiting = Waiting(played, HALF_DEAD, np.array([0.5, 0.5]))
    assert waiting.residual_s == pytest.approx(24.5 * 3600.0)
    assert waiting.silent_state == pytest.approx(0.5)
    assert waiting.hears_in_a_state.tolist() == [[1.0, 0.0]]
    assert waiting.first_s[0, 0] == pytest.approx(3600.0)
    left_h, phase_h, report = np.ogrid[0.05:24:0.1, 0.05:1:0.1, 0:40]
    due_h = report + phase_h
    state = np.floor(1.0 + (due_h - left_h) / 24.0)  # of each report, the present one being 0
    new = np.diff(state, axis=2, prepend=-1.0) > 0
    silence = []
    for x_h in np.arange(0.05, 39.05, 0.1):
        silence.append((0.5 ** (new & (due_h <= x_h)).sum(axis=2)).mean())
    assert played.reserve_s == pytest.approx(40 * 3600.0)
    assert waiting.dry == pytest.approx(silence[-1], rel=0.03)
    assert waiting.fall_s == pytest.approx(3600.0 + 360.0 * np.sum(silence), rel=0.03)


def test_the_wait_for_a_start_where_every_second_report_is_lost() -> None:
    """One state all year: 2 intervals from report to report heard, and from any moment half an interval less. The tank
    has 40 reports to be heard, and less than one in 10^11 times hears none; the mean wait is 1.5 intervals.
    """
    played = loop(report_delays_s=(0.0,), watchdog_s=np.inf, warm_up_s=60.0, state_lasts_s=1e9)
    waiting = Waiting(played, np.log([[0.5]]), np.ones(1))
    assert waiting.first_s == pytest.approx(2.0 * 3600.0)
    assert waiting.residual_s == pytest.approx(1.5 * 3600.0)
    # few points, even on a logarithmic scale
    assert waiting.fall_s == pytest.approx(60.0 + 1.5 * 3600.0, rel=0.08)
    assert np.log2(waiting.dry) == pytest.approx(-40.0, abs=0.03)


@pytest.mark.parametrize("state_lasts_h", [2.0, 24.0, 30.5])
def test_states_that_are_all_alike_change_nothing_of_the_wait(state_lasts_h: float) -> None:
    """Every second report is lost whatever the state: 1.5 intervals from any moment, and 40 reports in 40 h."""
    played = loop(
        report_delays_s=(0.0,), watchdog_s=np.inf, warm_up_s=0.0, state_lasts_s=state_lasts_h * 3600.0
    )
    waiting = Waiting(played, np.log([[0.5, 0.5]]), np.array([0.25, 0.75]))
    assert waiting.residual_s == pytest.approx(1.5 * 3600.0)
    # tries are whole, also of a state that half a report belongs to
    assert np.log2(waiting.dry) == pytest.approx(-40.0, abs=0.05)


def test_a_retry_that_comes_after_the_tank_is_empty_is_too_late() -> None:
    """Reports with a second try half an interval on, each lost with 1/2: 40 of them are due in the 40 h of water, and
    of the last the second try is in time in half of the cases: (1/2^80 + 1/2^79) / 2.
    """
    played = loop(report_delays_s=(0.0, 1800.0), watchdog_s=np.inf, warm_up_s=0.0, state_lasts_s=1e9)
    dry = Waiting(played, np.log([[0.5]]), np.ones(1)).dry
    assert np.log2(dry) == pytest.approx(np.log2(1.5) - 80.0)


def test_a_filling_cut_short_begins_again_in_the_same_state() -> None:
    """A watchdog of 1.5 intervals as above: (m + m^2) / 2 of the fillings are cut short, after 1.5 h of pump. At 5 m3/h
    and a draw of 2 m3/h what they pumped lasts 3.75 h, and a report is heard 1 / (1 - m) h on: so many starts of a
    row fit the 12 h that are left of a state in the mean. A state begins a row if one of its 24 reports is heard; one
    whose rows, with the 3.75 h of a whole filling, are shorter than its 24 h begins as many as fit.

    Weighed so over states, normal with 8 dB around a margin of -2 dB; m = 1 - exp(-10^(-x/10)).
    """
    played = loop(
        report_delays_s=(0.0,),
        watchdog_s=5400.0,
        warm_up_s=0.0,
        draw_m3_s=(2.0 / 3600.0,),
        stop_m3=16.0 + 3.0 * 5401.0 / 3600.0,
    )
    risk = year_risk(played, FadingChannel(-2.0, 0.0, 8.0)).averaged
    z = np.linspace(-5.0, 5.0, 4001)
    heard = np.exp(-(10.0 ** (-(-2.0 + 8.0 * z) / 10.0)))
    missed = 1.0 - heard
    cut_short = (missed + missed**2) / 2.0
    short_h = 3.75 + 1.0 / np.maximum(heard, 1e-12)
    most = 1.0 + 12.0 / short_h
    row = (1.0 - cut_short**most) / np.maximum(1.0 - cut_short, 1e-12)
    rows = np.maximum(24.0 / (3.75 + (row - 1.0) * short_h), 1.0)
    weight = norm.pdf(z) * (1.0 - missed**24) * row * rows
    expected = trapezoid(weight * cut_short, z) / trapezoid(weight, z)
    assert risk.nuisance_stops / risk.starts == pytest.approx(expected, rel=1e-3)


def test_the_mean_run_up_to_the_first_lost_permit() -> None:
    """A watchdog of one interval T, a tank that never fills: the first of them after T, one after j heard ones after
    (u + j) T, u anywhere from 0 to 1. m T + (1 - m) T / 2 + (1 - m) / m T = 49.51 T with m = 0.02.
    """
    endless = loop(
        stop_m3=20_000.0,
        overflow_m3=20_001.0,
        report_delays_s=(0.0,),
        watchdog_s=3600.0,
        warm_up_s=0.0,
        stopping_s=0.0,
        max_run_s=np.inf,
    )
    risk = year_risk(endless, SteadyChannel(0.02)).averaged
    assert risk.pumped_m3 / risk.starts == pytest.approx(5.0 * 49.51, rel=1e-5)


def test_a_start_keeps_the_watchdog_quiet_that_outlasts_the_filling() -> None:
    """Half an hour of filling, a watchdog of 3 h from the start on, one report in the hour until the water runs over:
    it is lost with m, whatever became of reports before the start.
    """
    played = loop(
        stop_m3=18.3,
        overflow_m3=22.9,
        report_delays_s=(0.0,),
        warm_up_s=0.0,
        stopping_s=0.0,
        max_run_s=np.inf,
    )
    risk = year_risk(played, SteadyChannel(0.4)).averaged
    assert risk.overflows / risk.starts == pytest.approx(0.4, rel=1e-6)

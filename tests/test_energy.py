"""Battery life and solar supply, against published worked values and laws that must hold."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError
from linkcalc.radio.css import symbol_time_s, time_on_air_s
from linkcalc.radio.energy import (
    CHEMISTRIES,
    LONGEST_QUOTED_YEARS,
    YEAR_H,
    battery_life_years,
    capacity_share,
    daily_energy_wh,
    expected_transmissions,
    life_words,
    mean_currents_ma,
    solar_panel_w,
    storage_wh,
    transmit_current_ma,
)

PUBLISHED_LIFE_H = {(7, 4): 7619.0, (9, 4): 6612.0, (12, 4): 3320.0, (12, 51): 2032.0}
"""Hours on 500 mAh at one message every 15 min over 15 uA, by spreading factor and payload in bytes: a chip
maker's public training page (its currents are not printed)."""


def test_published_battery_hours_follow_from_the_charge_of_one_message():
    """Charges of 45.6, 122.1 and 208.0 mA s a message, as 500 mAh and 15 uA imply for the published hours."""
    for (factor, payload), charge_mas in {(7, 4): 45.6, (12, 4): 122.1, (12, 51): 208.0}.items():
        draw = mean_currents_ma(900, 1.0, transmit_current_ma=charge_mas, sleep_current_ma=0.015)
        hours = battery_life_years(500, draw.total_ma) * YEAR_H
        assert hours == pytest.approx(PUBLISHED_LIFE_H[factor, payload], rel=1e-3)


def test_the_model_explains_published_battery_hours_by_three_unknowns():
    """Transmit current, listening in proportion to the symbol, a fixed charge: three rows give the fourth."""

    def columns(factor: int, payload: int) -> list[float]:
        airtime = time_on_air_s(payload, spreading_factor=factor, bandwidth_hz=125e3)
        return [airtime, symbol_time_s(factor, 125e3), 1.0]

    def charge_mas(hours: float) -> float:
        return 500.0 / hours * 900.0 - 0.015 * 900.0

    known = [(7, 4), (12, 4), (12, 51)]
    unknowns = np.linalg.solve(
        [columns(*row) for row in known], [charge_mas(PUBLISHED_LIFE_H[row]) for row in known]
    )
    transmit_ma, listening_mas, fixed_mas = unknowns
    assert 45.0 < transmit_ma < 120.0
    airtime, symbol, _ = columns(9, 4)
    draw = mean_currents_ma(
        900,
        airtime,
        transmit_current_ma=transmit_ma,
        receive_current_ma=listening_mas / 100,
        receive_window_s=100 * symbol,
        sensor_current_ma=fixed_mas,
        sensor_warm_up_s=1.0,
        sleep_current_ma=0.015,
    )
    assert battery_life_years(500, draw.total_ma) * YEAR_H == pytest.approx(6612, rel=0.015)


def test_a_published_solar_example_is_reproduced():
    """A community wiki: 2.22 Wh a day, 2.5 h, 0.70 gives 1.27 W; 3 days at 0.80 give 8.33 Wh."""
    assert solar_panel_w(2.22, 2.5, 0.70) == pytest.approx(1.27, abs=0.005)
    assert storage_wh(2.22, 3, 0.80) == pytest.approx(8.33, abs=0.0051)


def test_a_regulator_left_on_empties_three_ampere_hours_in_eighty_days():
    """A public project page: 1.5 mA standing current, 80 days on 3 Ah."""
    draw = mean_currents_ma(600, 0.05, transmit_current_ma=35, sleep_current_ma=1.5)
    days = battery_life_years(3000, draw.total_ma) * YEAR_H / 24
    assert days == pytest.approx(80, rel=0.05)


@pytest.mark.parametrize(
    ("power_dbm", "low_ma", "high_ma"),
    [
        (10, 20, 30),
        (14, 25, 45),
        (17, 85, 95),
        (20, 110, 130),
        (22, 105, 120),
        (27, 300, 700),
        (30, 300, 700),
    ],
)
def test_generic_transmit_currents_lie_in_the_ranges_met(power_dbm, low_ma, high_ma):
    """Ranges at 3.3 V: common practice, no source."""
    assert low_ma <= transmit_current_ma(power_dbm) <= high_ma


def test_generic_transmit_current_never_falls_with_power():
    currents = transmit_current_ma(np.linspace(-30, 30, 241))
    assert (np.diff(currents) >= 0).all()


POSITIVE = st.floats(0.001, 100.0)


@given(
    interval=st.floats(300.0, 86400.0),
    airtime=st.floats(0.0, 10.0),
    sending=POSITIVE,
    count=st.floats(0.0, 10.0),
    receiving=POSITIVE,
    window=st.floats(0.0, 10.0),
    sensing=POSITIVE,
    warm_up=st.floats(0.0, 60.0),
    sleeping=st.floats(0.0, 1.0),
)
def test_mean_current_is_the_charge_of_one_cycle_over_its_length(
    interval, airtime, sending, count, receiving, window, sensing, warm_up, sleeping
):
    draw = mean_currents_ma(
        interval,
        airtime,
        transmit_current_ma=sending,
        transmissions=count,
        receive_current_ma=receiving,
        receive_window_s=window,
        sensor_current_ma=sensing,
        sensor_warm_up_s=warm_up,
        sleep_current_ma=sleeping,
    )
    charge_mas = count * (airtime * sending + window * receiving) + sensing * warm_up + sleeping * interval
    assert draw.total_ma * interval == pytest.approx(charge_mas, rel=1e-9)


@given(
    capacity=st.floats(10.0, 1e5),
    current=st.floats(1e-3, 100.0),
    usable=st.floats(0.1, 1.0),
    lost=st.floats(0.0, 0.5),
)
def test_life_ends_when_usable_charge_is_used_up_or_lost(capacity, current, usable, lost):
    years = battery_life_years(capacity, current, usable_share=usable, self_discharge_per_year=lost)
    used = current * years * YEAR_H + lost * capacity * years
    assert used == pytest.approx(usable * capacity, rel=1e-9)


def test_battery_life_falls_with_spreading_factor_and_rises_with_interval():
    factors = np.arange(7, 13)
    airtime = np.array([time_on_air_s(20, spreading_factor=f, bandwidth_hz=125e3) for f in factors])
    interval = np.geomspace(60, 86400, 40)
    draw = mean_currents_ma(
        interval, airtime[:, None], transmit_current_ma=35, transmissions=1.2, sleep_current_ma=0.015
    )
    life = battery_life_years(19000, draw.total_ma, self_discharge_per_year=0.01)
    assert life.shape == (6, 40)
    assert (np.diff(life, axis=0) < 0).all()
    assert (np.diff(life, axis=1) > 0).all()


@given(p=st.floats(0.0, 1.0), n=st.integers(1, 20))
def test_expected_transmissions_are_the_sum_of_the_chances_that_each_is_needed(p, n):
    """Try k + 1 is made when the first k failed: (1-p)^k."""
    assert expected_transmissions(p, n) == pytest.approx(sum((1 - p) ** k for k in range(n)), rel=1e-6)


@given(name=st.sampled_from(sorted(CHEMISTRIES)), t=st.floats(-20, 50), colder=st.floats(0, 20))
def test_cold_never_adds_capacity_below_20_degrees(name, t, colder):
    low = max(-20.0, min(t, 20.0) - colder)
    assert capacity_share(name, low) <= capacity_share(name, min(t, 20.0)) + 1e-12
    assert capacity_share(name, 20.0) == CHEMISTRIES[name].usable_share


def test_a_primary_cell_over_ten_years_in_the_cold_keeps_seventy_to_eighty_percent():
    """Derate to 70-80 % for self-discharge, cold, cut-off voltage and ageing: common practice, no source."""
    cell = CHEMISTRIES["li_socl2"]
    left = capacity_share("li_socl2", 0.0) - 10 * cell.self_discharge_per_year
    assert 0.70 <= left <= 0.80


def test_usable_shares_of_solar_batteries_are_the_published_ones():
    """A community wiki: 0.8 lithium ion, 0.9 lithium iron phosphate, 0.5 lead acid."""
    shares = {name: CHEMISTRIES[name].usable_share for name in ("li_ion", "lifepo4", "lead_acid")}
    assert shares == {"li_ion": 0.8, "lifepo4": 0.9, "lead_acid": 0.5}


@given(years=st.floats(1e-4, 1e4))
def test_no_life_beyond_ten_years_is_quoted(years):
    words = life_words(years)
    assert (words == "10 years or more") == (years >= LONGEST_QUOTED_YEARS)
    if words.endswith(" years") and years < LONGEST_QUOTED_YEARS:
        assert float(words.split()[0]) <= years + 1e-9


@given(current=POSITIVE, volts=st.floats(1.0, 24.0), sun=st.floats(0.5, 8.0), days=st.floats(1.0, 10.0))
def test_the_panel_of_a_worse_month_is_never_smaller(current, volts, sun, days):
    daily = daily_energy_wh(current, volts)
    assert solar_panel_w(daily, sun) <= solar_panel_w(daily, sun * 0.9)
    assert storage_wh(daily, days, 0.9) <= storage_wh(daily, days + 1, 0.9)
    assert storage_wh(daily, days, 0.9) * 0.9 == pytest.approx(current * volts * 24e-3 * days)


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: battery_life_years(-1, 1.0), "capacity_mah must be above 0, got -1"),
        (lambda: battery_life_years(1, 0.0), "nothing drains the battery"),
        (lambda: battery_life_years(1, 1.0, usable_share=1.1), "usable_share must be at most 1"),
        (
            lambda: mean_currents_ma(1.0, 2.0, transmit_current_ma=1),
            "interval_s is 1 s, shorter than the 2 s",
        ),
        (
            lambda: mean_currents_ma([900, 3], [1, 1], transmit_current_ma=1, transmissions=4),
            "interval_s is 3 s, shorter than the 4 s",
        ),
        (lambda: mean_currents_ma(0, 1, transmit_current_ma=1), "interval_s must be above 0"),
        (lambda: mean_currents_ma(9, 1, transmit_current_ma=-1), "transmit_current_ma must be at least 0"),
        (lambda: transmit_current_ma(33.0), "above 30 dBm, got 33 dBm; state transmit_current_ma"),
        (lambda: capacity_share("alkaline", -30.0), "temperature_c of alkaline must be at least -20"),
        (lambda: capacity_share("magic", 20.0), "chemistry must be one of li_socl2"),
        (lambda: solar_panel_w(1.0, 0.0), "peak_sun_h must be above 0"),
        (lambda: storage_wh(1.0, 3, math.nan), "usable_share must be finite"),
        (lambda: expected_transmissions(1.2, 3), "success must be at most 1"),
    ],
)
def test_impossible_energy_arguments_are_refused_by_name(call, told):
    with pytest.raises(DomainError, match=told) as error:
        call()
    assert "\n" not in str(error.value)

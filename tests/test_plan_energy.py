"""Battery life and solar supply of a plan's stations."""

import math
from types import SimpleNamespace

import pytest

from linkcalc.errors import PlanError
from linkcalc.operation.energy import SEASON_DAYS, TABLE_INTERVALS_S, blackout_chance, section
from linkcalc.plan import Plan
from linkcalc.radio.energy import expected_transmissions


def plan(*power, interval_s=600.0, spreading_factor=10, tries=1, tank=None, modulation=None, message=()):
    return Plan.model_validate(
        {
            "station": [
                {"name": "tank", "antenna_height_m": 3.0, **(tank or {})},
                {"name": "shed", "antenna_height_m": 6.0},
            ],
            "link": [
                {
                    "name": "level",
                    "from": "tank",
                    "to": "shed",
                    "frequency_mhz": 868.3,
                    "tries": tries,
                    "modulation": modulation or {"kind": "css", "spreading_factor": spreading_factor},
                }
            ],
            "regulation": {} if interval_s is None else {"report_interval_s": interval_s},
            "power": list(power),
            "message": list(message),
        }
    )


def battery(**keys):
    return {"station": "tank", "battery": {"capacity_mah": 2500.0, "chemistry": "alkaline", **keys}}


def station(*args, results=(), **keys):
    return section(plan(*args, **keys), results).stations[0]


def links(up, down):
    """Two directions as a checked link has them."""
    there = SimpleNamespace(from_="tank", to="shed", delivery_probability_single=up)
    back = SimpleNamespace(from_="shed", to="tank", delivery_probability_single=down)
    return [SimpleNamespace(name="level", directions=(there, back))]


def test_the_parts_of_the_mean_current_add_up():
    found = station(battery())
    parts = found.sending_ma + found.listening_ma + found.sensing_ma + found.sleeping_ma
    assert found.mean_current_ma == pytest.approx(parts)
    # 45 mA x 0.370688 s, 10 mA x (0.247808 + 0.1) s, 30 mA x 0.5 s in 600 s, and 15 uA
    assert found.mean_current_ma == pytest.approx((45 * 0.370688 + 10 * 0.347808 + 15.0) / 600 + 0.015)


def test_the_life_is_the_usable_charge_over_the_mean_current_and_the_loss():
    found = station(battery(usable_percent=50.0, self_discharge_percent_per_year=4.0))
    expected = 1250.0 / (found.mean_current_ma * 8766 + 100.0)
    assert found.battery.life_years == pytest.approx(expected)
    assert found.battery.self_discharge_ma == pytest.approx(100.0 / 8766)


def test_a_large_battery_is_not_promised_beyond_ten_years():
    found = station(battery(capacity_mah=100_000.0, chemistry="li_socl2"))
    assert found.battery.life_years == 10.0
    assert found.battery.beyond_quotable
    assert found.summary == "battery 10 years or more"
    assert all(y <= 10.0 for f in found.battery.by_spreading_factor for y in f.life_years_by_interval)


def test_what_the_plan_states_replaces_the_generic_figures():
    found = station(
        {**battery(), "transmit_current_ma": 100.0, "receive_current_ma": 0.0, "sensor_current_ma": 0.0,
         "sleep_current_ma": 0.0, "receive_window_s": 2.0}
    )  # fmt: skip
    assert found.transmit_current_source == "the plan"
    assert found.mean_current_ma == pytest.approx(100.0 * 0.370688 / 600)


def test_more_transmit_power_shortens_the_life():
    lives = [
        station(battery(), tank={"transmit_power_dbm": dbm}).battery.life_years
        for dbm in (10.0, 14.0, 20.0, 27.0)
    ]
    assert lives == sorted(lives, reverse=True)
    assert len(set(lives)) == 4


def test_cold_shortens_the_life():
    lives = [station(battery(temperature_c=t)).battery.life_years for t in (20.0, 0.0, -20.0)]
    assert lives == sorted(lives, reverse=True)
    assert lives[2] < 0.5 * lives[0]


def test_the_planned_point_lies_on_the_line_of_its_spreading_factor():
    found = station(battery(), interval_s=900.0).battery
    line = next(f for f in found.by_spreading_factor if f.spreading_factor == 10)
    at = line.life_years_by_interval[found.intervals_s.index(900.0)]
    assert line.life_years == pytest.approx(at) == pytest.approx(found.life_years)
    assert set(TABLE_INTERVALS_S) <= set(found.intervals_s)


def test_a_lower_spreading_factor_and_a_longer_interval_lengthen_the_life():
    found = station(battery()).battery
    rows = [f.life_years_by_interval for f in found.by_spreading_factor]
    for row in rows:
        assert list(row) == sorted(row)
    for column in zip(*rows, strict=True):
        assert list(column) == sorted(column, reverse=True)


def test_retries_are_expected_from_the_success_of_one_try_both_ways():
    found = station(battery(), tries=4, results=links(0.8, 0.9))
    assert found.traffic[0].transmissions == pytest.approx(expected_transmissions(0.72, 4))
    pessimistic = station(battery(), tries=4)
    assert pessimistic.traffic[0].transmissions == 4.0
    assert pessimistic.battery.life_years < found.battery.life_years


def test_the_answering_end_answers_only_what_reaches_it():
    found = station({"station": "shed", "listening_share": 1.0}, tries=4, results=links(0.8, 0.9))
    assert found.traffic[0].answers
    assert found.traffic[0].transmissions == pytest.approx(0.8 * expected_transmissions(0.72, 4))


def test_a_receiver_that_is_always_on_draws_its_current_and_no_more():
    found = station({"station": "shed", "listening_share": 1.0})
    assert found.listening_ma == pytest.approx(10.0)
    assert found.sensing_ma == 0.0


def test_a_station_that_answers_without_listening_is_told_so():
    assert "listening_share is 0" in station({"station": "shed", "listening_share": 0.0}).notes[0]


def test_a_station_that_waits_for_calls_listens_all_the_time():
    shed, tank = station({"station": "shed"}), station({"station": "tank"})
    assert shed.listening_ma == pytest.approx(10.0)  # the receiver's current, all the time
    assert any('waits for calls ("level")' in n for n in shed.notes)
    assert tank.listening_ma < 0.1
    assert not any("waits for calls" in n for n in tank.notes)
    called = [{"name": "start", "kind": "start", "link": "level", "sender": "shed", "events_per_year": 100.0}]
    assert station({"station": "tank"}, message=called).listening_ma == pytest.approx(10.0)
    asleep = station({"station": "tank", "listening_share": 0.02}, message=called)
    assert asleep.listening_ma == pytest.approx(0.2, rel=0.01)


def solar(message=(), **keys):
    sun = {"worst_month_peak_sun_h": 2.0, **keys}
    return station({"station": "shed", "solar": sun}, message=message).solar


def test_a_link_that_carries_stop_has_ten_days_of_autonomy():
    permit = [{"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 600.0}]
    report = [{"name": "level", "kind": "level_report", "link": "level", "interval_s": 600.0}]
    assert solar(permit).autonomy_days == 10.0
    assert solar(report).autonomy_days == 5.0
    short = solar(permit, autonomy_days=5.0)
    assert any("10 days of autonomy are usual" in n for n in short.notes)
    # by hand: 10 days of 0.8 Wh from a store of which 0.9 x 0.8 is had at 0 degrees
    ten = solar(permit)
    assert ten.storage_wh == pytest.approx(10.0 * ten.daily_wh / (0.9 * 0.8))
    assert ten.panel_w == pytest.approx(ten.daily_wh * (1.0 + 10.0 / 20.0) / (2.0 * 0.7))


def test_ten_days_and_a_panel_that_recovers_carry_a_dull_season_five_days_do_not():
    permit = [{"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 600.0}]
    assert solar(permit).blackout_chance < 0.05
    # five days, a warm store, no recovery: as it was often sized
    bare = solar(permit, autonomy_days=5.0, recovery_days=365.0, temperature_c=20.0)
    assert bare.blackout_chance > 0.5
    chances = [solar(permit, autonomy_days=d).blackout_chance for d in (3.0, 5.0, 10.0, 20.0)]
    assert chances == sorted(chances, reverse=True)


def test_a_store_that_outlasts_the_season_needs_no_sun():
    assert blackout_chance(2.0, 0.0, 2.0 * SEASON_DAYS) == 0.0
    assert blackout_chance(2.0, 0.0, 2.0 * SEASON_DAYS - 1.0) == 1.0
    # a dull day gives a fifth: five times the use keeps any store full
    assert blackout_chance(1.0, 5.0, 1.0) == 0.0


def test_without_an_interval_the_lives_by_interval_still_stand():
    found = station(battery(), interval_s=None)
    assert found.mean_current_ma is None
    assert found.battery.life_years is None
    assert found.battery.by_spreading_factor[0].life_years is None
    assert found.battery.by_spreading_factor[0].life_years_by_interval[0] > 0
    assert found.summary == "no report interval stated"


def test_fsk_has_no_lives_by_spreading_factor():
    modulation = {"kind": "fsk", "bit_rate_bps": 4800.0, "deviation_hz": 5000.0, "required_snr_db": 10.0}
    found = station(battery(), modulation=modulation)
    assert found.battery.by_spreading_factor == ()
    assert found.battery.life_years > 0


def test_a_slow_signal_that_does_not_fit_a_short_interval_has_no_life_there():
    narrow = {"kind": "css", "spreading_factor": 9, "bandwidth_khz": 7.8}
    found = station(battery(), modulation=narrow, tries=3).battery
    slowest = found.by_spreading_factor[-1]
    assert slowest.life_years_by_interval[0] is None
    assert slowest.life_years_by_interval[-1] > 0


def test_panel_and_battery_follow_from_a_days_energy_and_are_taken_larger():
    sun = {
        "worst_month_peak_sun_h": 2.5, "autonomy_days": 3.0, "voltage_v": 3.7, "chemistry": "li_ion",
        "temperature_c": 20.0, "recovery_days": 30.0,
    }  # fmt: skip
    found = station({"station": "shed", "listening_share": 1.0, "solar": sun})
    solar = found.solar
    assert solar.daily_wh == pytest.approx(found.mean_current_ma * 3.7 * 24e-3)
    assert solar.panel_w == pytest.approx(solar.daily_wh * (1.0 + 3.0 / 30.0) / 2.5 / 0.7)
    assert solar.storage_wh == pytest.approx(solar.daily_wh * 3 / 0.8)
    assert solar.recommended_panel_w == pytest.approx(1.3 * solar.panel_w)
    assert solar.recommended_storage_mah * 3.7 / 1e3 == pytest.approx(1.3 * solar.storage_wh)


def test_pulses_of_a_weak_cell_get_a_note_and_small_ones_do_not():
    weak = battery(chemistry="li_socl2")
    assert not any("pulse" in n for n in station(weak).battery.notes)
    strong = station(weak, tank={"transmit_power_dbm": 20.0})
    assert any("pulse capacitor" in n for n in strong.battery.notes)


@pytest.mark.parametrize(
    ("supply", "keys", "told"),
    [
        (battery(temperature_c=-35.0), {}, 'power "tank": temperature_c of alkaline must be at least -20'),
        (battery(), {"tank": {"transmit_power_dbm": 33.0}}, 'power "tank": .*state transmit_current_ma'),
        (
            {**battery(), "receive_window_s": 700.0},
            {},
            'power "tank": interval_s is 600 s, shorter than the 700 s',
        ),
        (battery(), {"interval_s": 0.2}, "regulation.report_interval_s = 0.2 is shorter than the 0.371 s"),
    ],
)
def test_what_cannot_be_reckoned_is_one_line_that_names_the_key(supply, keys, told):
    with pytest.raises(PlanError, match=told) as error:
        section(plan(supply, **keys))
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("name", ["tank", "a tank with a name of sixty characters or nearly, to be exact"])
def test_the_line_for_the_report_is_short_whatever_the_stations_name(name):
    short = name[:60]
    text = plan(battery(), {"station": "shed"}).model_dump(by_alias=True, exclude_unset=True)
    text["station"][0]["name"] = text["link"][0]["from"] = text["power"][0]["station"] = short
    line = section(Plan.model_validate(text)).line
    assert len(line) <= 76
    assert "see linkcalc energy" in line
    assert "1 more" in line


def test_a_plan_without_supplies_says_how_to_state_one():
    assert section(plan()).line == "Energy: no [[power]] table in the plan; see linkcalc energy"


def test_no_figure_is_beyond_all_bounds():
    found = station(battery(capacity_mah=0.001))
    assert all(math.isfinite(v) for v in (found.mean_current_ma, found.battery.life_years))


PERMIT = {"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 900.0, "tries": 1}
STOP = {"name": "stop", "kind": "stop", "link": "level", "events_per_year": 36_500.0, "tries": 2}


def test_messages_add_up_and_only_the_measured_ones_power_the_sensor():
    found = station(battery(), message=[PERMIT, STOP])
    permit, stop = found.traffic
    assert (permit.measures, stop.measures) == (True, False)
    assert stop.interval_s == pytest.approx(864.0)
    assert stop.transmissions == 2.0
    assert found.sensing_ma == pytest.approx(15.0 / 900)
    assert found.sending_ma == pytest.approx(45 * 0.370688 * (1 / 900 + 2 / 864))


def test_a_message_nobody_acknowledges_is_not_listened_after():
    found = station(battery(), message=[{**PERMIT, "acknowledged": False}])
    assert found.listening_ma == 0.0


def test_the_planned_life_is_on_its_line_with_several_messages_too():
    found = station(battery(), message=[STOP | {"events_per_year": 500.0}, PERMIT]).battery
    line = next(f for f in found.by_spreading_factor if f.spreading_factor == 10)
    assert found.varied_interval_s == 900.0
    assert line.life_years == pytest.approx(found.life_years)
    assert line.life_years_by_interval[found.intervals_s.index(900.0)] == pytest.approx(found.life_years)

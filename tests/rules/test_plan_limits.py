"""What the limits say about every transmitter of a plan."""

import pytest

from linkcalc.errors import PlanError
from linkcalc.operation.exposure import section as exposure_section
from linkcalc.operation.limits import ends, packet_of, section, shortest_interval_s
from linkcalc.plan import Plan
from linkcalc.rules.table import REGIONS


def plan(*, frequency_mhz=868.3, spreading_factor=10, link=None, tank=None, shed=None, **sections):
    modulation = {"kind": "css", "spreading_factor": spreading_factor}
    return Plan.model_validate(
        {
            "station": [
                {"name": "tank", "antenna_height_m": 3.0, **(tank or {})},
                {"name": "shed", "antenna_height_m": 6.0, **(shed or {})},
            ],
            "link": [
                {
                    "name": "level",
                    "from": "tank",
                    "to": "shed",
                    "frequency_mhz": frequency_mhz,
                    "modulation": modulation,
                    **(link or {}),
                }
            ],
            **sections,
        }
    )


EU = {"region": "eu", "report_interval_s": 600.0}


def test_each_end_is_held_against_the_limits_by_itself():
    """869.525 MHz allows 500 mW ERP: the shed uses it, the tank's 14 dBm is 13 dB below."""
    found = section(plan(frequency_mhz=869.525, shed={"transmit_power_dbm": 30.0}, regulation=EU))
    tank, shed = found.ends
    assert (tank.limits.status, shed.limits.status) == ("within", "over")
    assert found.status == "over"
    assert found.line == "Limits eu: over at 1 end; ask your regulator; linkcalc limits"
    assert shed.limits.largest_conducted_dbm == pytest.approx(26.99, abs=0.005)
    assert shed.answers
    assert not tank.answers


def test_a_lossy_feeder_lets_the_radio_be_set_higher_by_its_loss():
    feeder = {"type": "rg213", "length_m": 20.0, "connectors": 2}
    bare = section(plan(regulation=EU)).ends[1].limits
    fed = section(plan(shed={"feeder": feeder}, regulation=EU)).ends[1]
    assert fed.feeder_loss_db > 4.0
    gained = fed.limits.largest_conducted_dbm - bare.largest_conducted_dbm
    assert gained == pytest.approx(fed.feeder_loss_db)


def test_a_loss_entered_by_hand_is_not_counted_on_by_the_law():
    loss = {"extra_loss": [{"loss_db": 6.0, "reason": "behind the tank"}]}
    with_loss, without = section(plan(tank=loss, regulation=EU)), section(plan(regulation=EU))
    assert with_loss.ends[0].limits.eirp_dbm == without.ends[0].limits.eirp_dbm


def test_an_antenna_turned_away_is_judged_by_its_main_beam():
    yagi = {"antenna": {"type": "yagi", "gain_dbi": 9.0, "azimuth_deg": 180.0}}
    (tank, _) = section(plan(tank=yagi, regulation=EU)).ends
    assert tank.limits.eirp_dbm == pytest.approx(14.0 + 9.0)
    assert tank.limits.status == "over"


def test_gain_in_dbd_is_turned_into_dbi():
    (tank, _) = section(plan(tank={"antenna": {"gain_dbd": 0.0}}, regulation=EU)).ends
    assert tank.limits.erp_dbm == pytest.approx(14.0, abs=1e-9)


def test_every_try_counts_toward_the_duty_cycle():
    once, thrice = (section(plan(link={"tries": n}, regulation=EU)).ends[0].limits for n in (1, 3))
    assert thrice.duty_cycle == pytest.approx(3 * once.duty_cycle)
    assert thrice.shortest_interval_s == pytest.approx(3600 / 32)  # 36 s over 3 x 0.370688 s


def test_a_shed_that_answers_many_tanks_adds_them_up():
    stations = [{"name": f"tank {i}", "antenna_height_m": 3.0} for i in range(10)]
    links = [
        {
            "name": f"level {i}",
            "from": f"tank {i}",
            "to": "shed",
            "frequency_mhz": 868.3,
            "reply_payload_bytes": 20,
            "modulation": {"kind": "css", "spreading_factor": 10},
        }
        for i in range(10)
    ]
    many = Plan.model_validate(
        {
            "station": [*stations, {"name": "shed", "antenna_height_m": 6.0}],
            "link": links,
            "regulation": {"region": "eu", "report_interval_s": 300.0},
        }
    )
    found = section(many)
    # ten answers of 0.370688 s in every 5 minutes: 44.5 s an hour of the 36 s that 1 % allows
    assert {e.limits.status for e in found.ends if e.answers} == {"over"}
    assert {e.limits.status for e in found.ends if not e.answers} == {"within"}
    assert found.ends[1].limits.duty_cycle == pytest.approx(120 * 0.370688 / 3600)


def test_fsk_has_no_spreading_factors_to_compare():
    modulation = {"kind": "fsk", "bit_rate_bps": 4800.0, "deviation_hz": 5000.0, "required_snr_db": 10.0}
    (tank, _) = section(plan(link={"modulation": modulation}, regulation=EU)).ends
    assert tank.limits.status == "within"
    assert tank.limits.by_spreading_factor == ()


@pytest.mark.parametrize("receiver_khz", [None, 500.0])
def test_a_wide_receiver_makes_no_digital_modulation_of_a_narrow_fsk_signal(receiver_khz):
    modulation = {"kind": "fsk", "bit_rate_bps": 4800.0, "deviation_hz": 5000.0, "required_snr_db": 10.0}
    modulation |= {"bandwidth_khz": receiver_khz} if receiver_khz else {}
    found = section(plan(link={"modulation": modulation, "frequency_mhz": 915.0}, regulation=EU), region="us")
    # 14.8 kHz by Carson's rule: 47 CFR 15.247(a)(2) asks for 500 kHz, whatever the receiver lets through
    assert found.status == "over"
    assert {e.limits.largest_conducted_rule for e in found.ends} == {"us-field"}


def test_without_a_region_or_an_interval_the_answer_is_unknown():
    assert section(plan()).status == "unknown"
    assert section(plan()).line.startswith("Limits: unknown here, no region stated")
    no_interval = section(plan(regulation={"region": "eu"}))
    assert no_interval.status == "unknown"
    assert "no reporting interval stated" in no_interval.ends[0].limits.reason


def test_another_region_may_be_asked_for():
    assert section(plan(regulation=EU), region="us").region == "us"


def test_a_message_longer_than_its_interval_is_a_plan_error_that_names_the_key():
    with pytest.raises(PlanError) as error:
        ends(plan(spreading_factor=12, link={"tries": 3}, regulation={"report_interval_s": 3.0}))
    assert str(error.value) == (
        "regulation.report_interval_s = 3 is shorter than the 3.96 s"
        ' that link "level" is on the air with its tries'
    )


@pytest.mark.parametrize("region", [None, *REGIONS])
@pytest.mark.parametrize("frequency_mhz", [433.92, 868.3, 869.525, 915.0, 2400.0])
def test_the_line_for_the_report_fits_in_every_case(region, frequency_mhz):
    line = section(plan(frequency_mhz=frequency_mhz, regulation=EU), region=region).line
    assert len(line) <= 76
    assert line.endswith("ask your regulator; linkcalc limits")


def test_exposure_takes_no_credit_for_pauses_unless_asked():
    strong = {"transmit_power_dbm": 36.0, "antenna": {"gain_dbi": 0.0}}
    plain = exposure_section(plan(tank=strong, regulation=EU))
    credited = exposure_section(plan(tank=strong, regulation=EU, exposure={"duty_credit": True}))
    assert plain.stations[0].keeping.advised_m == 0.3
    assert credited.stations[0].keeping.advised_m == 0.2
    assert credited.stations[0].keeping.duty_cycle == pytest.approx(3 * 0.370688 / 1800)
    assert plain.line == "Exposure: keep at least 0.3 m from the strongest antenna; see linkcalc limits"


def test_a_credit_is_worth_nothing_without_an_interval():
    found = exposure_section(plan(exposure={"duty_credit": True}))
    assert found.stations[0].keeping.duty_cycle == 1.0


def test_a_station_on_two_links_is_credited_with_both():
    links = [
        {
            "name": name,
            "from": "tank",
            "to": "shed",
            "frequency_mhz": 868.3,
            "modulation": {"kind": "css", "spreading_factor": 10},
        }
        for name in ("one", "two")
    ]
    both = plan(regulation=EU, exposure={"duty_credit": True}).model_copy(
        update={"link": [plan(link=link).link[0] for link in links]}
    )
    duty = exposure_section(both).stations[0].keeping.duty_cycle
    assert duty == pytest.approx(2 * 3 * 0.370688 / 1800)


PERMIT = {"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 300.0, "tries": 3}
STOP = {"name": "stop", "kind": "stop", "link": "level", "events_per_year": 200.0, "payload_bytes": 12}


def test_every_message_and_every_answer_is_held_against_the_limits():
    found = section(plan(regulation=EU, message=[PERMIT, STOP]))
    said = [(e.message, e.station, e.answers, e.payload_bytes, e.tries) for e in found.ends]
    assert said == [
        ("permit", "tank", False, 20, 3),
        ("permit", "shed", True, 8, 3),
        ("stop", "tank", False, 12, 1),
        ("stop", "shed", True, 8, 1),
    ]
    # 12 permits of 3 x 0.370688 s and, in the worst hour, one stop of 0.288768 s
    assert found.ends[0].limits.duty_cycle == pytest.approx((36 * 0.370688 + 0.288768) / 3600)
    assert found.ends[0].limits.duty_cycle == found.ends[2].limits.duty_cycle


def test_messages_replace_the_report_interval_of_their_link():
    found = section(plan(regulation={"region": "eu", "report_interval_s": 1.0}, message=[PERMIT]))
    assert found.ends[0].interval_s == 300.0
    assert found.status == "within"


def test_a_message_nobody_acknowledges_costs_the_other_end_nothing():
    found = section(plan(regulation=EU, message=[{**PERMIT, "acknowledged": False}]))
    assert [e.station for e in found.ends] == ["tank"]


def test_a_message_from_the_far_end_is_that_ends_transmission():
    found = section(plan(regulation=EU, message=[{**STOP, "sender": "shed", "payload_bytes": None}]))
    said = [(e.station, e.to, e.answers, e.payload_bytes) for e in found.ends]
    assert said == [("shed", "tank", False, 8), ("tank", "shed", True, 8)]


def test_a_message_longer_than_its_interval_names_the_message():
    with pytest.raises(PlanError, match=r'message "permit" interval_s = 1 is shorter than the 1\.11 s'):
        ends(plan(message=[{**PERMIT, "interval_s": 1.0}]))


def test_traffic_without_an_interval_adds_nothing_to_the_hour_of_the_others():
    """12 permits an hour of 3 x 0.370688 s; how often the other link reports is not stated."""
    both = plan(regulation={"region": "eu"}, message=[PERMIT])
    other = plan(link={"name": "other"}).link[0]
    found = section(both.model_copy(update={"link": [both.link[0], other]}))
    assert found.ends[0].limits.duty_cycle == pytest.approx(36 * 0.370688 / 3600)
    assert [sum(o.time_on_air_per_hour_s for o in e.transmission.other_traffic) for e in ends(both)] == [
        0.0,
        0.0,
    ]


@pytest.mark.parametrize(
    ("frequency_mhz", "region", "power_dbm", "shortest_s", "words"),
    [
        (868.3, None, 14.0, None, "no region"),
        (600.0, "eu", 14.0, None, "cannot tell for tank"),  # no rule for television
        (490.0, "cn", 10.0, None, "cannot tell for tank"),  # set aside for metering
        (490.0, "cn", 30.0, float("inf"), "no rule of region cn allows"),  # 1 W, where 50 mW are allowed
        (868.95, "eu", 14.0, 400.0, ""),  # 0.1 % of an hour: 3.6 s, nine reports of 0.370688 s
    ],
)
def test_the_shortest_interval_is_known_or_not_or_there_is_none(
    frequency_mhz, region, power_dbm, shortest_s, words
):
    regulation = {"region": region} if region else {}
    found = plan(frequency_mhz=frequency_mhz, tank={"transmit_power_dbm": power_dbm}, regulation=regulation)
    interval_s, why = shortest_interval_s(found, None, "level")
    assert interval_s == pytest.approx(shortest_s)
    assert words in why
    assert bool(words) == bool(why)
    assert shortest_interval_s(found, "permit", "level")[0] == (0.0 if region else None)  # nobody sends one


def test_the_line_counts_the_ends_that_are_over():
    """Permit, its answer and a stop that nobody answers: only the shed's watt is over 500 mW at 869.525 MHz."""
    messages = [PERMIT, {**STOP, "acknowledged": False}]
    loud = {"transmit_power_dbm": 30.0}

    def line(**stations):
        return section(plan(frequency_mhz=869.525, regulation=EU, message=messages, **stations)).line

    assert line(shed=loud).startswith("Limits eu: over at 1 end;")
    assert line(tank=loud).startswith("Limits eu: over at 2 ends;")
    assert line(tank=loud, shed=loud).startswith("Limits eu: over at all ends;")
    assert line().startswith("Limits eu: within;")


def test_one_end_whose_rule_is_unverified_makes_the_line_so():
    """Brazil, 64 channels: 0.1 mW are kept by a verified rule, 25 mW by another alone."""
    hopper = {"region": "br", "hopping_channels": 64, "report_interval_s": 600.0}
    quiet, loud = {"transmit_power_dbm": -10.0}, {"transmit_power_dbm": 14.0}
    for tank, shed, doubt in (
        (quiet, quiet, ""),
        (quiet, loud, ", unverified"),
        (loud, loud, ", unverified"),
    ):
        found = section(plan(frequency_mhz=921.5, tank=tank, shed=shed, regulation=hopper))
        assert found.line == f"Limits br: within{doubt}; ask your regulator; linkcalc limits"


def test_one_packet_of_a_link_and_how_often_it_may_come():
    """SF10: 12.25 + 33 symbols of 8.192 ms for 20 bytes, 12.25 + 18 for an answer of 8 (formula of the chip's maker).

    1 % of an hour is 36 s: 97 and 145 of them, whatever the tries of a message.
    """
    found = plan(regulation=EU, message=[PERMIT])
    assert packet_of(found, "level", answers=False) == pytest.approx((0.370688, 3600 / 97))
    assert packet_of(found, "level", answers=True) == pytest.approx((0.247808, 3600 / 145))


def test_only_a_rule_with_a_condition_can_be_said_to_be_met():
    met = {**EU, "conditions_met": ["eu-865-network"]}
    assert section(plan(frequency_mhz=866.3, regulation=met)).status == "within"
    with pytest.raises(PlanError, match="conditions_met: 'eu-g1' is not a rule with a condition"):
        section(plan(frequency_mhz=866.3, regulation={**EU, "conditions_met": ["eu-865-network", "eu-g1"]}))


def test_intervals_are_compared_for_spreading_factors_7_to_12():
    tank, shed = section(plan(regulation=EU)).ends
    for end in (tank, shed):
        assert [f.spreading_factor for f in end.limits.by_spreading_factor] == [7, 8, 9, 10, 11, 12]
    assert tank.limits.by_spreading_factor[3].time_on_air_s == pytest.approx(0.370688)
    # 20 bytes at SF12: 12.25 + 28 symbols of 32.768 ms (low data rate optimised), formula of the chip's maker
    assert tank.limits.by_spreading_factor[5].time_on_air_s == pytest.approx(40.25 * 0.032768)

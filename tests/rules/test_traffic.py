"""Whoever asks the legal limits with other equipment or another interval counts all that is sent."""

from dataclasses import replace
from pathlib import Path
from typing import Literal

import pytest

from linkcalc.link.traffic import Sent, sent_over, tightest, transmissions
from linkcalc.link.verdict import check_plan
from linkcalc.operation.limits import ends, shortest_interval_s
from linkcalc.operation.tank import answer as water
from linkcalc.plan import load_plan
from linkcalc.rules.limits import check
from linkcalc.rules.transmission import Transmission
from tests import sites, tank_plans

RIDGE = sites.profile(2500.0, sites.ridge(30.0, 1250.0, 150.0))


def reports(end: str, **changes: object) -> Sent:
    plain = Sent(None, "near", False, True, 20, 600.0, 1, None)
    return replace(plain, end=end, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(("region", "doubt"), [("us", ""), ("ca", " (unverified: power)")])
@pytest.mark.parametrize("interval", ["report_interval_s = 600.0", ""])
def test_a_hopper_is_advised_the_watt_it_may_send_and_no_signal_beyond_the_dwell_time(
    interval: str, region: str, doubt: str, tmp_path: Path
) -> None:
    """47 CFR 15.247(b)(2): 1 W over 50 channels or more; (a)(1)(i): 0.4 s, which SF11 (741 ms) exceeds."""
    antenna = {"antenna": {"type": "collinear", "gain_dbi": 6.0}}
    modulation = {"kind": "css", "spreading_factor": 9}
    link = {"frequency_mhz": 915.0, "modulation": modulation, "required_margin_db": 60.0}
    regulation = f'\n[regulation]\nregion = "{region}"\nhopping_channels = 64\n{interval}\n'
    case = sites.case(RIDGE, link=link, tank=antenna, shed=antenna)
    (found,) = check_plan(load_plan(sites.plan_file(tmp_path, case, text=regulation))).links
    power = [a.text for a in found.advice if a.kind == "power"]
    assert power
    assert "30 dBm" in power[0]
    assert power[0].endswith(f"which the table of limits allows in region {region}{doubt}.")
    told = " ".join(a.text for a in found.advice)
    assert "Spreading factor 10 instead of 9" in told
    assert "Spreading factor 11" not in told
    assert "Spreading factor 12" not in told


def test_no_power_is_advised_where_none_is_legal(tmp_path: Path) -> None:
    """915.0 MHz lies on the edge of the Australian band: the carrier has to move first."""
    link = {"frequency_mhz": 915.0, "required_margin_db": 60.0}
    case = sites.case(RIDGE, link=link)
    text = '\n[regulation]\nregion = "au"\nreport_interval_s = 600.0\n'
    (found,) = check_plan(load_plan(sites.plan_file(tmp_path, case, text=text))).links
    assert found.advice
    assert not [a for a in found.advice if a.kind == "power"]


def test_the_legal_power_follows_from_how_often_the_link_sends() -> None:
    """433 MHz in Europe: 10 mW ERP at up to 10 % of the time, 1 mW beyond (ERC/REC 70-03, f and f1)."""
    carrier = Transmission(
        frequency_hz=433.92e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=0.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=1.0,
    )

    def most_dbm(*sent: Sent) -> float | None:
        return tightest(
            transmissions(sent, "near", carrier, lambda payload: payload / 20.0), "eu"
        ).largest_conducted_dbm

    assert most_dbm(reports("near")) == pytest.approx(10.0, abs=0.01)
    assert most_dbm(reports("near", interval_s=9.0)) == pytest.approx(0.0, abs=0.01)
    # two messages that keep the hour alone and not together
    half = reports("near", interval_s=18.0)
    assert most_dbm(half) == pytest.approx(10.0, abs=0.01)
    assert most_dbm(half, replace(half, message="b")) == pytest.approx(0.0, abs=0.01)
    # the other end has an hour of its own
    assert most_dbm(half, replace(half, end="far")) == pytest.approx(10.0, abs=0.01)


def test_a_message_longer_than_its_interval_is_over_and_no_error() -> None:
    carrier = Transmission(
        frequency_hz=868.3e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=0.0,
        antenna_gain_dbi=2.15,
        time_on_air_s=1.0,
    )
    assert (
        tightest(
            transmissions((reports("near", interval_s=0.5),), "near", carrier, lambda _: 1.0), "eu"
        ).status
        == "over"
    )
    thrice = reports("near", interval_s=2.0, tries=3)  # 3 s of every 2
    assert tightest(transmissions((thrice,), "near", carrier, lambda _: 1.0), "eu").status == "over"


def test_what_a_link_carries_is_what_its_ends_are_held_against() -> None:
    plan = tank_plans.plan(regulation={"region": "eu"})
    sent = sent_over(plan, plan.link[0])
    assert [(s.message, s.end, s.answers) for s in sent] == [
        ("permit", "near", False),
        ("permit", "far", True),
        ("stop", "near", False),
        ("stop", "far", True),
    ]
    assert [(e.payload_bytes, e.transmission.interval_s, e.transmission.tries) for e in ends(plan)] == [
        (s.payload_bytes, s.interval_s, s.tries) for s in sent
    ]


@pytest.mark.parametrize("power_dbm", [14.0, 34.0])
def test_the_message_that_fares_worst_stands_for_the_transmitter(power_dbm: float) -> None:
    """64 channels in the United States: 0.3 s is within the 0.4 s of 47 CFR 15.247(a)(1)(i) and may have 1 W, 0.5 s is
    not: it is left the 50 mV/m at 3 m of 15.249, (0.05 x 3)^2 / 30 W = -1.25 dBm EIRP, less 2.15 dBi -3.40 dBm.

    Its place in the list does not matter.
    """
    carrier = Transmission(
        frequency_hz=915e6,
        bandwidth_hz=125e3,
        conducted_power_dbm=power_dbm,
        antenna_gain_dbi=2.15,
        time_on_air_s=0.1,
        hopping_channels=64,
    )
    short, long = reports("near", payload_bytes=6), reports("near", payload_bytes=10)
    no_interval = reports("near", payload_bytes=6, interval_s=None)

    def most(*sent: Sent) -> tuple[str, float | None]:
        found = tightest(transmissions(sent, "near", carrier, lambda payload: payload / 20.0), "us")
        return found.status, found.largest_conducted_dbm

    alone = {14.0: "within", 34.0: "over"}[power_dbm]
    assert most(short) == (alone, pytest.approx(30.0, abs=0.01))
    for both in ((short, long), (long, short), (no_interval, long)):
        assert most(*both) == ("over", pytest.approx(-3.40, abs=0.01))
    if power_dbm == 14.0:
        assert most(short, no_interval)[0] == most(no_interval, short)[0] == "unknown"


def test_what_a_message_s_tries_and_events_come_to() -> None:
    """Tries 10 s apart give or take a quarter: 7.5 s at least. 140 stops a year: one in 365 x 24 / 140 = 62.6 hours."""
    plan = tank_plans.plan()
    sent = sent_over(plan, plan.link[0])
    assert [s.retry_wait_s for s in sent] == [7.5] * 4
    assert [s.interval_s for s in sent] == [600.0, 600.0] + [pytest.approx(62.571 * 3600.0, rel=1e-4)] * 2
    assert [(s.payload_bytes, s.measures) for s in sent] == [(20, True), (8, False), (20, False), (8, False)]
    bare = tank_plans.plan(message=None, tank=None, engine=None, regulation={"report_interval_s": 900.0})
    report, answer = sent_over(bare, bare.link[0])
    assert (report.message, report.end, report.measures, report.interval_s) == (None, "near", True, 900.0)
    assert (answer.end, answer.measures, answer.answers, answer.payload_bytes) == ("far", False, True, 8)


EU_CARRIER = Transmission(
    frequency_hz=868.3e6,
    bandwidth_hz=125e3,
    conducted_power_dbm=0.0,
    antenna_gain_dbi=2.15,
    time_on_air_s=0.1,
)


def test_only_the_end_that_nodes_report_to_has_an_access_point_s_time() -> None:
    """866.3 MHz, (EU) 2025/105, band 46b: 10 % for a network's access point, 2.5 % for its nodes: 1 s in 40 s."""
    carrier = replace(EU_CARRIER, frequency_hz=866.3e6, conditions_met=frozenset({"eu-865-network"}))

    def status(end: Literal["near", "far"], every_s: float) -> str:
        sent = (reports(end, interval_s=every_s),)
        return tightest(transmissions(sent, end, carrier, lambda payload: payload / 20.0), "eu").status

    assert [status("near", s) for s in (41.0, 39.0)] == ["within", "over"]
    assert [status("far", s) for s in (11.0, 9.0)] == ["within", "over"]


def test_what_is_sent_at_unknown_intervals_takes_no_time_from_the_others() -> None:
    """868.3 MHz: 36 s an hour, of which 71 reports of half a second take 35.5 s."""
    report = reports("near", payload_bytes=10, interval_s=3600.0 / 71.0)
    unknown = reports("near", payload_bytes=6, interval_s=None)
    for sent in ((report, unknown), (unknown, report)):
        assert (
            tightest(transmissions(sent, "near", EU_CARRIER, lambda payload: payload / 20.0), "eu").status
            == "unknown"
        )


# ------------------------------------------------------------------------------------------- the tank


def plan(frequency_mhz: float, region: str | None = "eu", **changes: object):
    link = [{"name": "level", "from": "tank", "to": "shed", "frequency_mhz": frequency_mhz,
             "modulation": {"kind": "css", "spreading_factor": 9}}]  # fmt: skip
    regulation = {} if region is None else {"region": region}
    return tank_plans.plan(link=link, regulation=regulation, **changes)


def test_the_tank_is_advised_no_interval_that_its_region_forbids() -> None:
    """868.95 MHz allows 0.1 %, 3.6 s an hour: three tries every 600 s take 3.34 s, a stop 0.56 s more."""
    wanted = plan(868.95)
    legal, why = shortest_interval_s(wanted, "permit", "level")
    assert why == ""
    assert legal == pytest.approx(3600.0 / 5)  # (3.6 - 0.556) / 0.556 = 5.5: five permits an hour
    found = water.section(wanted, [tank_plans.link_result()])
    assert found is not None
    assert any("beyond the limits of eu, which leave one every 720 s" in note for note in found.notes)
    advised = found.solution.recommended
    assert advised is None or advised.interval_s >= 720.0
    assert found.solution.interval_s is None or found.solution.interval_s >= 720.0


def test_the_interval_advised_keeps_the_region_when_it_is_put_into_the_plan() -> None:
    for frequency_mhz in (868.3, 868.95, 869.525):
        wanted = plan(frequency_mhz, tank={"pump_flow_m3_h": 2.0})
        found = water.section(wanted, [tank_plans.link_result()])
        assert found is not None
        advised = found.solution.recommended
        assert advised is not None
        messages = [{**m.model_dump(exclude_unset=True)} for m in wanted.message]
        messages[0]["interval_s"] = advised.interval_s
        changed = plan(frequency_mhz, message=messages, engine={"watchdog_s": advised.watchdog_s})
        assert {check(e.transmission, "eu").status for e in ends(changed)} == {"within"}


def test_without_a_region_one_percent_is_assumed_and_said() -> None:
    found = water.section(plan(868.3, region=None), [tank_plans.link_result()])
    assert found is not None
    assert any("reports are kept to 1 % of the time, which is assumed" in note for note in found.notes)


def test_a_message_that_is_legal_at_no_interval_is_said_to_be() -> None:
    """United States, 64 channels: SF12 lasts 1.3 s on a channel that may be used for 0.4 s."""
    link = [{"name": "level", "from": "tank", "to": "shed", "frequency_mhz": 915.0,
             "modulation": {"kind": "css", "spreading_factor": 12}}]  # fmt: skip
    slow = tank_plans.plan(link=link, regulation={"region": "ca", "hopping_channels": 64})
    legal, why = shortest_interval_s(slow, "permit", "level")
    assert legal == float("inf")
    assert why.startswith("no rule of region ca allows what tank sends")
    found = water.section(slow, [tank_plans.link_result()])
    assert found is not None
    assert found.solution.recommended is None

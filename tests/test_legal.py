"""What a link is worth within the table of limits: power beyond it does not count, other excess is a risk.

The limits are those of `tests/reference/limits_quiz.csv`; the powers that follow from them are worked by hand.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.link.case import ENDS, End, LinkCase
from linkcalc.link.legal import lawful, lawful_powers, station_limits, transmitter
from linkcalc.link.traffic import Sent
from linkcalc.link.verdict import check_plan
from linkcalc.plan import Feeder, load_plan
from linkcalc.plan.power import Regulation
from tests import sites

LIMIT_DBM = 13.979
"""25 mW; on a half-wave dipole the same at the connector, as its gain is that of the reference."""


def case_in(
    region: str | None = "eu", sent: tuple[Sent, ...] = (), frequency_mhz: float = 868.3, **changes: Any
) -> LinkCase:
    link = {"frequency_mhz": frequency_mhz} | changes.pop("link", {})
    return replace(sites.case(link=link, **changes), regulation=Regulation(region=region), sent=sent)


def report(every_s: float, *, end: End = "near", tries: int = 1, payload_bytes: int = 12) -> Sent:
    return Sent(None, end, False, True, payload_bytes, every_s, tries, None)


def test_without_a_region_nothing_is_asked() -> None:
    case = case_in(None, tank={"transmit_power_dbm": 33.0})
    assert station_limits(case, "near") is None
    assert lawful(case) == (case, ())
    counted, other = lawful_powers(np.array(transmitter(case, "near")), np.array([-5.0, 33.0]), np.zeros(1))
    assert counted.tolist() == [-5.0, 33.0]
    assert not other.any()


def test_what_is_within_is_the_same_link() -> None:
    """14 dBm is 0.02 dB over 25 mW: the rounding of whole decibels."""
    case = case_in()
    assert lawful(case) == (case, ())


@pytest.mark.parametrize(
    ("station", "legal_dbm"),
    [
        ({}, 13.979),
        ({"antenna": {"type": "collinear", "gain_dbi": 8.5}}, 7.629),  # 13.979 + 2.15 - 8.5
        ({"antenna": {"gain_dbi": -2.5}}, 18.629),  # 13.979 + 2.15 + 2.5
        ({"feeder": {"length_m": 10.0, "loss_db_per_100m": 30.0}}, 16.979),  # 3 dB of cable
    ],
)
@pytest.mark.parametrize("end", ENDS)
def test_power_over_the_limit_is_turned_down_to_it(
    end: End, station: dict[str, Any], legal_dbm: float
) -> None:
    """25 mW ERP in 868.0-868.6 MHz."""
    name = {"near": "tank", "far": "shed"}[end]
    case = case_in(**{name: station | {"transmit_power_dbm": 20.0}})
    legal, over = lawful(case)
    assert legal.station(end).transmit_power_dbm == pytest.approx(legal_dbm, abs=0.002)
    other: End = "far" if end == "near" else "near"
    assert legal.station(other) is case.station(other)
    assert [(x.station, x.planned_dbm) for x in over] == [(name, 20.0)]
    assert over[0].legal_dbm == legal.station(end).transmit_power_dbm
    assert "over by" in over[0].reason


def test_the_least_power_over_the_limit_is_a_matter_of_power() -> None:
    for planned_dbm in (LIMIT_DBM + 0.035, LIMIT_DBM + 0.045, LIMIT_DBM + 0.1):
        legal, over = lawful(case_in(tank={"transmit_power_dbm": planned_dbm}))
        assert legal.near.transmit_power_dbm == pytest.approx(LIMIT_DBM, abs=0.001)
        assert [x.legal_dbm is None for x in over] == [False]


def test_what_no_power_mends_is_said_and_the_power_left() -> None:
    """185 ms every 10 s are 66.7 s an hour, 36 s are allowed."""
    case = case_in(sent=(report(10.0),))
    legal, over = lawful(case)
    assert legal is case
    assert [(x.station, x.legal_dbm) for x in over] == [("tank", None)]
    assert "limit 36 s" in over[0].reason
    assert lawful(case_in(sent=(report(20.0),)))[1] == ()


def test_power_and_timing_are_told_apart() -> None:
    legal, over = lawful(case_in(tank={"transmit_power_dbm": 20.0}, sent=(report(10.0),)))
    assert legal.near.transmit_power_dbm == pytest.approx(LIMIT_DBM, abs=0.001)
    assert [x.legal_dbm is None for x in over] == [False, True]
    assert [x.planned_dbm for x in over] == [20.0, 20.0]
    assert "over by" in over[0].reason
    assert "over by" not in over[1].reason


@pytest.mark.parametrize(("every_s", "verdict"), [(60.0, "closes"), (45.0, "at_risk")])
def test_a_shed_that_answers_two_tanks_has_one_hour_for_both(
    tmp_path: Path, every_s: float, verdict: str
) -> None:
    """Answers of 247.808 ms to two tanks: every 60 s 29.7 s an hour, every 45 s 39.6 s of the 36 s of 1 %."""
    link = {"frequency_mhz": 868.3, "modulation": {"kind": "css", "spreading_factor": 10}}
    second = {"name": "east", "from": "east tank", "to": "shed"}
    both = (sites.case(link=link), sites.case(tank={"name": "east tank"}, link=link | second))
    text = f'regulation = {{ region = "eu", report_interval_s = {every_s} }}\n'
    found = check_plan(load_plan(sites.plan_file(tmp_path, *both, text=text)), advice=False)
    assert [r.verdict for r in found.links] == [verdict, verdict]
    told = [w for r in found.links for w in r.warnings if "39.6 s on the air in an hour, limit 36 s" in w]
    assert len(told) == (2 if verdict == "at_risk" else 0)


def test_each_end_answers_for_what_it_sends() -> None:
    assert [x.station for x in lawful(case_in(sent=(report(10.0, end="far"),)))[1]] == ["shed"]
    long = {"modulation": {"kind": "css", "spreading_factor": 12}}
    for end, keys in (
        ("near", ("payload_bytes", "reply_payload_bytes")),
        ("far", ("reply_payload_bytes", "payload_bytes")),
    ):
        case = case_in(link=long | dict(zip(keys, (50, 5), strict=True)))
        times = {e: station_limits(case, e) for e in ENDS}
        other: End = "far" if end == "near" else "near"
        # SF12, 125 kHz, 4/5: 8 + 12.25 symbols and 5 more for each 40 bits; the published packet formula
        assert times[end].time_on_air_s == pytest.approx(case.signal.time_on_air_s(50))  # type: ignore[index,union-attr]
        assert times[other].time_on_air_s == pytest.approx(case.signal.time_on_air_s(5))  # type: ignore[union-attr]


@settings(max_examples=15, deadline=None)
@given(
    place=st.sampled_from(
        [
            ("eu", 868.3),
            ("eu", 869.5),
            ("eu", 433.9),
            ("eu", 866.0),
            ("eu", 868.65),
            ("us", 915.0),
            ("au", 921.0),
        ]
    ),
    gain_dbi=st.floats(-3.0, 12.0),
    bandwidth_khz=st.sampled_from([62.5, 125.0, 500.0]),
    every_s=st.sampled_from([None, 5.0, 20.0, 600.0]),
    hops=st.sampled_from([1, 64]),
    end=st.sampled_from(ENDS),
    powers_dbm=st.lists(st.floats(-30.0, 40.0), min_size=1, max_size=4),
)
def test_many_powers_are_judged_as_each_alone(
    place: tuple[str, float], gain_dbi: float, bandwidth_khz: float, every_s: float | None, hops: int,
    end: End, powers_dbm: list[float],
) -> None:  # fmt: skip
    """The table is asked once for each step in its limits; on a step and beside it, too."""
    region, frequency_mhz = place
    sent = () if every_s is None else (report(every_s), report(every_s, end="far"))
    case = case_in(
        region, sent, frequency_mhz,
        tank={"antenna": {"gain_dbi": gain_dbi}}, shed={"antenna": {"gain_dbi": gain_dbi}},
        link={"modulation": {"kind": "css", "spreading_factor": 8, "bandwidth_khz": bandwidth_khz}},
    )  # fmt: skip
    case = replace(case, regulation=Regulation(region=region, hopping_channels=hops))
    found = station_limits(case, end)
    assert found is not None
    near_steps = [s + d for s in found.power_steps_dbm for d in (-0.031, -1e-7, 1e-7, 0.021)]
    planned = np.array(powers_dbm + near_steps)
    cables = [Feeder(length_m=length, loss_db_per_100m=20.0) for length in (0.0, 12.0)]
    losses_db = np.array([[0.0], [2.4]])
    counted, other = lawful_powers(np.array(transmitter(case, end)), planned, losses_db)
    for row, cable in enumerate(cables):
        for power, its, more in zip(planned, counted[row], other[row], strict=True):
            station = case.station(end).model_copy(
                update={"transmit_power_dbm": float(power), "feeder": cable}
            )
            legal, over = lawful(case.with_stations({end: station}))
            assert its == pytest.approx(legal.station(end).transmit_power_dbm, abs=1e-9)
            assert more == any(x.legal_dbm is None for x in over if x.station == station.name)

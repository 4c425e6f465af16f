"""Advice is true: what is told to suffice does when the plan so changed is checked again; and it is sane."""

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from linkcalc.link.advice import advise
from linkcalc.link.case import ENDS, LinkCase
from linkcalc.link.decision import judge_link
from linkcalc.link.models import clearance
from linkcalc.link.remedy_options import HIGHEST_MAST_M, HIGHEST_POWER_DBM
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import Advice
from linkcalc.link.uncertainty import combined_db, contributors, rician_k_db
from linkcalc.link.verdict import check_plan
from linkcalc.plan import Antenna, Feeder, load_plan
from linkcalc.plan.power import Regulation
from tests import sites

RIDGE = sites.profile(3000.0, sites.ridge(12.0, 1300.0, 250.0), points=61)
"""19 dB of margin, 12 dB less than required."""
PLACED = {
    "tank": {"latitude_deg": -40.0, "longitude_deg": -20.0},
    "shed": {"latitude_deg": -40.0, "longitude_deg": -19.965},
}


def advice(case: LinkCase) -> tuple[Advice, ...]:
    return advise(case, Requirement.of(case.link))


def changed(case: LinkCase, name: str, **update: Any) -> LinkCase:
    end = next(e for e in ENDS if case.station(e).name == name)
    return case.with_stations({end: case.station(end).model_copy(update=update)})


def modulated(case: LinkCase, **update: Any) -> LinkCase:
    return case.with_modulation(case.link.modulation.model_copy(update=update))


def applied(case: LinkCase, told: Advice) -> LinkCase | None:
    """Do what a line of advice says, reading nothing but its words; None where there is nothing to do."""
    text = told.text
    if told.kind in ("raise_antenna", "fresnel_clearance"):
        if "Spreading factor 12" in text:
            case = modulated(case, spreading_factor=12)
        heights = re.findall(r"(tank|shed) (?:to|at) ([\d.]+) m", text)
        assert heights
        for name, height in heights:
            case = changed(case, name, antenna_height_m=float(height))
        for name, length in re.findall(r"feeder at (tank|shed) is then ([\d.]+) m long", text):
            old_feeder = next(s for s in (case.near, case.far) if s.name == name).feeder
            case = changed(case, name, feeder=old_feeder.model_copy(update={"length_m": float(length)}))
        return case
    if found := re.match(r"Spreading factor (\d+)", text):
        return modulated(case, spreading_factor=int(found[1]))
    if found := re.match(r"Bandwidth ([\d.]+) kHz", text):
        return modulated(case, bandwidth_khz=float(found[1]))
    if "ransmit power" in text:
        for power, name in re.findall(r"(-?[\d.]+) dBm at (tank|shed)", text):
            case = changed(case, name, transmit_power_dbm=float(power))
        return case
    if found := re.match(r"A (collinear|yagi) of ([\d.]+) dBi at (.+);", text):
        for name in found[3].split(" and "):
            old = next(s for s in (case.near, case.far) if s.name == name).antenna
            new = Antenna(type=found[1], gain_dbi=float(found[2]), polarisation=old.polarisation)  # type: ignore[arg-type]
            case = changed(case, name, antenna=new)
        return case
    if told.kind == "feeder":
        for cable, name in re.findall(r"(\w+) at (tank|shed) saves", text):
            old_feeder = next(s for s in (case.near, case.far) if s.name == name).feeder
            case = changed(case, name, feeder=old_feeder.model_copy(update={"type": cable}))
        return case
    if told.kind == "noise":
        for name in re.findall(r"tank|shed", text.split(":")[0]):
            case = changed(case, name, noise_rise_db=0.0)
        return case
    if told.kind == "antenna":
        return mounted(case, text)
    assert told.kind in ("measure", "relay"), text
    return None


def mounted(case: LinkCase, text: str) -> LinkCase:
    name = next(n for n in ("tank", "shed") if n in text)
    old = next(s for s in (case.near, case.far) if s.name == name)
    if "outside the building" in text:
        return changed(case, name, building="none")
    if found := re.match(r"Repair what costs ([\d.]+) dB at \w+: (.+)\.", text):
        kept = [x for x in old.extra_loss if x.reason != found[2]]
        assert len(kept) == len(old.extra_loss) - 1
        return changed(case, name, extra_loss=kept)
    if found := re.search(r"station: (?:(\d+)° from true north, )?([+-]\d+)° up", text):
        update: dict[str, Any] = {"tilt_deg": float(found[2])}
        if found[1]:
            update["azimuth_deg"] = float(found[1])
        return changed(case, name, antenna=old.antenna.model_copy(update=update))
    if text.startswith("A half-wave dipole"):
        return changed(
            case, name, antenna=Antenna(type="half_wave_dipole", polarisation=old.antenna.polarisation)
        )
    found = re.match(r"A (\w+) antenna at \w+, as at the other end", text)
    assert found, text
    return changed(case, name, antenna=old.antenna.model_copy(update={"polarisation": found[1]}))


def closes(case: LinkCase) -> bool:
    return all(d.verdict == "closes" for d in judge_link(case)[1])


def hold_to_its_word(case: LinkCase) -> list[Advice]:
    """Do every line of advice in turn; return what was told."""
    found = list(advice(case))
    for told in found:
        after = applied(case, told)
        if after is None:
            continue
        assert told.fade_margin_db == pytest.approx(after.weaker_margin_db, abs=0.05), told.text
        assert closes(after) == told.sufficient, told.text
        hold_to_reason(case, after, told)
    return found


def hold_to_reason(case: LinkCase, after: LinkCase, told: Advice) -> None:
    for old, new in ((case.near, after.near), (case.far, after.far)):
        assert new.transmit_power_dbm <= max(HIGHEST_POWER_DBM, old.transmit_power_dbm)
        assert new.antenna_height_m <= max(HIGHEST_MAST_M, old.antenna_height_m)
        assert new.transmit_power_dbm >= old.transmit_power_dbm
        assert new.antenna_height_m >= old.antenna_height_m
    assert told.fade_margin_db is not None
    if told.kind != "fresnel_clearance":
        assert after.weaker_margin_db > case.weaker_margin_db or any(
            a > b for a, b in zip(margins(after), margins(case), strict=True)
        ), f"{told.text} helps nobody"
    if told.kind == "antenna" and " dBi at " in told.text:
        for old, new in ((case.near, after.near), (case.far, after.far)):
            if new.antenna != old.antenna and old.antenna.gain_dbi is not None:
                assert new.antenna.gain_dbi is not None
                assert new.antenna.gain_dbi > old.antenna.gain_dbi


def margins(case: LinkCase) -> tuple[float, float]:
    return case.budget().fade_margin_db, case.budget("return").fade_margin_db


def stations(draw: st.DrawFn) -> dict[str, Any]:
    antenna = draw(
        st.sampled_from(
            [
                {},
                {"type": "collinear", "gain_dbi": 8.5},
                {"type": "yagi", "gain_dbi": 9.5, "azimuth_deg": 61.0},
                {"gain_dbi": -2.5},
                {"polarisation": "horizontal"},
            ]
        )
    )
    feeder = draw(
        st.sampled_from(
            [
                {},
                {"type": "rg58", "length_m": 13.0, "connectors": 2},
                {"length_m": 9.0, "loss_db_per_100m": 30.0},
            ]
        )
    )
    return {
        "antenna_height_m": draw(st.floats(1.5, 12.0)),
        "transmit_power_dbm": draw(st.floats(0.0, 27.0)),
        "noise_rise_db": draw(st.sampled_from([0.0, 6.3])),
        "building": draw(st.sampled_from(["none", "none", "traditional"])),
        "extra_loss": draw(st.sampled_from([[], [{"loss_db": 7.7, "reason": "whip beside the metal wall"}]])),
        "antenna": antenna,
        "feeder": feeder,
    }


@st.composite
def plans(draw: st.DrawFn) -> LinkCase:
    """Links that mostly lack something, over a ridge, a wood or a bulge."""
    length_m = draw(st.floats(900.0, 9000.0))
    ground = sites.ridge(draw(st.floats(5.0, 35.0)), 0.4 * length_m, 0.1 * length_m)
    standing = draw(st.sampled_from([(), ((0.6 * length_m, 0.7 * length_m, 10.0, "trees"),)]))
    asked = draw(st.sampled_from([{}, {"required_margin_db": 12.3}, {"required_success": 0.9, "tries": 3}]))
    return sites.case(
        sites.profile(length_m, ground, standing, points=41),
        tank=stations(draw) | PLACED["tank"],
        shed=stations(draw) | PLACED["shed"],
        link=asked
        | {
            "frequency_mhz": draw(st.sampled_from([433.0, 868.0])),
            "modulation": {
                "kind": "css",
                "spreading_factor": draw(st.integers(7, 12)),
                "bandwidth_khz": draw(st.sampled_from([125.0, 250.0, 500.0])),
            },
        },
    )


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(case=plans())
@example(case=sites.case(RIDGE, link={"required_success": 0.95}))
@example(case=sites.case(RIDGE, tank={"transmit_power_dbm": 13.6}, link={"required_margin_db": 21.37}))
def test_advice_holds_when_it_is_done(case: LinkCase) -> None:
    hold_to_its_word(case)


@pytest.mark.parametrize(
    "case",
    [
        sites.case(RIDGE),
        sites.case(RIDGE, tank={"building": "traditional"}, link={"required_success": 0.9, "tries": 3}),
        sites.case(RIDGE, tank={"transmit_power_dbm": 22.0}, shed={"transmit_power_dbm": 22.0}),
    ],
    ids=["over a ridge", "out of a building", "with more power"],
)
def test_advice_holds_in_a_plan_file_that_is_checked_again(case: LinkCase, tmp_path: Path) -> None:
    result = check_plan(load_plan(sites.plan_file(tmp_path, case))).links[0]
    after = [(told, applied(case, told)) for told in result.advice if told.sufficient]
    files = [sites.plan_file(tmp_path, new, name=f"after{i}.toml") for i, (_, new) in enumerate(after) if new]
    assert files
    assert [check_plan(load_plan(f)).links[0].verdict for f in files] == ["closes"] * len(files)


# Heights


@pytest.mark.parametrize("asked", [{}, {"required_success": 0.95, "tries": 2}])
@pytest.mark.parametrize("height_m", [2.04, 3.0])
def test_the_least_height_is_least(height_m: float, asked: dict[str, Any]) -> None:
    case = sites.case(RIDGE, tank={"antenna_height_m": height_m}, link=asked)
    raised = [told for told in advice(case) if told.kind == "raise_antenna" and told.sufficient]
    assert raised
    for told in raised:
        after = applied(case, told)
        assert after is not None
        lower = after.with_heights(
            near_m=max(after.near.antenna_height_m - 0.2, case.near.antenna_height_m),
            far_m=max(after.far.antenna_height_m - 0.2, case.far.antenna_height_m),
        )
        assert closes(after)
        assert not closes(lower), told.text


def test_a_raised_antenna_takes_its_cable_with_it() -> None:
    feeder = Feeder(type="rg58", length_m=12.0)
    case = sites.case(RIDGE, tank={"antenna_height_m": 3.0, "feeder": feeder}, link={"required_success": 0.9})
    raised = [
        t for t in advice(case) if t.kind in ("raise_antenna", "fresnel_clearance") and "tank" in t.text
    ]
    assert raised
    for told in raised:
        after = applied(case, told)
        assert after is not None
        rise_m = after.near.antenna_height_m - 3.0
        assert after.near.feeder.length_m == pytest.approx(12.0 + rise_m)
        assert told.fade_margin_db == pytest.approx(after.weaker_margin_db, abs=0.01)
        short = changed(after, "tank", feeder=feeder)
        if rise_m > 0.0:
            assert after.weaker_margin_db < short.weaker_margin_db


def posted(at_m: float, height_m: float) -> LinkCase:
    """Level ground at the sea's height, 2 km, antennas of 3 m and 6 m, one tower on the way."""
    tower = ((at_m - 5.0, at_m + 5.0, height_m, "tank"),)
    return sites.case(sites.profile(2000.0, 0.0, tower, points=201), link={"required_margin_db": 60.0})


@pytest.mark.parametrize(
    ("at_m", "height_m", "where"),
    [
        # F1 = sqrt(0.34538 x 375) = 11.38 m; 12 + 0.04 bulge + 6.83 - 3.75 of the ray = 15.12 m short; x 4/3 = 20.16
        (500.0, 12.0, "tank at 23.2 m"),
        # the ray is at 5.25 m there: 13.62 x 4/3 = 18.16 m
        (1500.0, 12.0, "shed at 24.2 m"),
        # F1 = 13.14 m; 12 + 0.06 + 7.88 - 4.5 = 15.44 m; either alone needs 30.9 m more: beyond any mast
        (1000.0, 12.0, "tank at 18.5 m and shed at 21.5 m"),
        # 17 m: 20.12 x 4/3 = 26.83 m
        (500.0, 17.0, "tank at 29.9 m"),
        # 17.5 m: 20.62 x 4/3 = 27.5 m is beyond 30 m; both by 20.62 m
        (500.0, 17.5, "tank at 23.7 m and shed at 26.7 m"),
    ],
)
def test_the_heights_that_free_the_zone_are_those_of_the_ruler(
    at_m: float, height_m: float, where: str
) -> None:
    """A raise of one end lifts the ray by its share of the way: planning manual, by hand at k = 1.33."""
    told = [a for a in advice(posted(at_m, height_m)) if a.kind == "fresnel_clearance"]
    assert [a.text for a in told] == [f"60 % of the first Fresnel zone is clear with {where}."]
    assert told[0].effort == 4


def test_no_height_frees_a_zone_that_takes_more_than_a_mast() -> None:
    """22 m at 500 m: 25.1 m short, the shed would stand at 31.1 m."""
    assert HIGHEST_MAST_M == 30.0
    assert not [a for a in advice(posted(500.0, 22.0)) if a.kind == "fresnel_clearance"]


def test_heights_said_to_free_the_zone_free_sixty_percent_of_it() -> None:
    for path in (
        sites.profile(3000.0, sites.ridge(9.0, 1300.0, 250.0), points=61),
        sites.profile(2000.0),
        sites.profile(1500.0, 100.0, ((600.0, 700.0, 11.0, "trees"),)),
    ):
        case = sites.case(path, link={"required_margin_db": 60.0})
        told = next(a for a in advice(case) if a.kind == "fresnel_clearance")
        after = applied(case, told)
        assert after is not None

        def least(high: LinkCase, lower_m: float) -> float:
            heights = high.near.antenna_height_m - lower_m, high.far.antenna_height_m - lower_m
            return float(clearance(high.profile, high.situation, *heights, high.situation.k_factor).min())

        assert least(after, 0.0) >= 0.6
        assert least(after, 0.2) < 0.6
        assert after.path.regime == "clear"


def test_no_mast_is_raised_beyond_what_people_put_up() -> None:
    mountain = sites.profile(9000.0, sites.ridge(400.0, 4000.0, 900.0), points=61)
    assert not [a for a in advice(sites.case(mountain)) if a.kind in ("raise_antenna", "fresnel_clearance")]


def test_an_antenna_higher_than_any_mast_is_left_where_it_is() -> None:
    case = sites.case(
        sites.profile(9000.0, sites.ridge(90.0, 4000.0, 900.0), points=61), shed={"antenna_height_m": 44.0}
    )
    assert not [a for a in advice(case) if re.search(r"shed (to|at) [\d.]+ m", a.text)]


# What is mended where it costs


def texts(case: LinkCase) -> str:
    return "\n".join(a.text for a in hold_to_its_word(case))


def test_a_crossed_antenna_is_turned_before_masts_are_bought() -> None:
    case = sites.case(
        RIDGE, tank={"antenna": {"polarisation": "horizontal"}}, shed={"transmit_power_dbm": 18.0}
    )
    assert "A vertical antenna at tank, as at the other end, not horizontal." in texts(case)


def test_an_antenna_aimed_elsewhere_is_turned_to_the_other_station() -> None:
    yagi = {"antenna": {"type": "yagi", "azimuth_deg": 200.0}}
    told = texts(sites.case(RIDGE, tank=PLACED["tank"] | yagi, shed=PLACED["shed"]))
    assert "Turn the antenna at tank to the other station: 90° from true north, +0° up." in told


def test_a_flat_beam_that_misses_a_steep_sight_gives_way_to_a_dipole() -> None:
    """A 9 dBi collinear misses a tank 15 degrees up a hill: common practice, no source."""
    slope = sites.profile(900.0, lambda x: 100.0 + 0.35 * x, ((300.0, 420.0, 40.0, "building"),), points=61)
    case = sites.case(
        slope, shed={"antenna": {"type": "collinear", "gain_dbi": 8.5}}, link={"required_margin_db": 40.0}
    )
    assert "A half-wave dipole at shed" in texts(case)


def test_a_stated_loss_and_a_building_are_told_to_be_mended() -> None:
    case = sites.case(
        RIDGE,
        tank={"extra_loss": [{"loss_db": 15.0, "reason": "antenna inside the metal shed"}]},
        shed={"building": "traditional"},
    )
    told = texts(case)
    assert "Repair what costs 15 dB at tank: antenna inside the metal shed." in told
    assert "The antenna at shed outside the building." in told


@pytest.mark.parametrize(
    ("length_m", "short_db", "cable"), [(30.0, 2.0, "rg213"), (100.0, 42.0, "half_inch_foam")]
)
def test_a_lossy_feeder_is_replaced_by_as_good_a_cable_as_it_takes(
    length_m: float, short_db: float, cable: str
) -> None:
    """At 868 MHz rg213 saves some 30 dB of a hundred metres of rg58, half an inch of foam 45."""
    feeder = {"feeder": {"type": "rg58", "length_m": length_m}, "transmit_power_dbm": 49.0}
    margin_db = sites.case(RIDGE, shed=feeder, tank=feeder | {"feeder": {}}).weaker_margin_db
    asked = {"required_margin_db": round(margin_db + short_db, 3)}
    case = sites.case(RIDGE, shed=feeder, tank=feeder | {"feeder": {}}, link=asked)
    told = [a for a in advice(case) if a.kind == "feeder"]
    assert [a.sufficient for a in told] == [True]
    assert f"{cable} at shed saves" in told[0].text


def test_a_better_antenna_is_never_a_lesser_one() -> None:
    strong = {"antenna": {"type": "yagi", "gain_dbi": 13.0}}
    assert not [
        a for a in hold_to_its_word(sites.case(RIDGE, tank=strong, shed=strong)) if a.kind == "antenna"
    ]


def test_no_power_beyond_a_watt_is_advised() -> None:
    watt = {"transmit_power_dbm": 30.0}
    far = sites.profile(9000.0, sites.ridge(160.0, 4000.0, 900.0), points=61)
    assert not [a for a in hold_to_its_word(sites.case(far, tank=watt, shed=watt)) if a.kind == "power"]
    weak = [a for a in hold_to_its_word(sites.case(far)) if a.kind == "power"]
    assert "30 dBm at tank instead of 14, 30 dBm at shed" in weak[0].text


def test_only_the_end_that_is_not_heard_needs_more_power() -> None:
    back = judge_link(sites.case(RIDGE, shed={"noise_rise_db": 6.0}))[1][1]
    enough_dbm = 14.0 + back.required_margin_db - back.fade_margin_db + 0.1
    case = sites.case(RIDGE, shed={"noise_rise_db": 6.0, "transmit_power_dbm": enough_dbm})
    told = next(a for a in hold_to_its_word(case) if a.kind == "power")
    assert "at tank instead of 14," in told.text
    assert "at shed" not in told.text


# A relay


def hops(case: LinkCase, told: Advice) -> list[LinkCase]:
    """The two hops over a relay as it is told of."""
    path = case.profile
    at_m = 1e3 * float(re.search(r"([\d.]+) km from tank", told.text)[1])  # type: ignore[index]
    mast_m = float(re.search(r"([\d.]+) m mast", told.text)[1])  # type: ignore[index]
    i = int(abs(path.distance_m - at_m).argmin())
    found = []
    for first, last, which in ((0, i, "first"), (i, len(path.distance_m) - 1, "second")):
        cut = slice(first, last + 1)
        clutter = path.clutter_m[cut].copy()
        clutter[[0, -1]] = 0.0
        part = replace(
            path,
            distance_m=path.distance_m[cut] - path.distance_m[first],
            ground_m=path.ground_m[cut],
            clutter_m=clutter,
            clutter_kind=("", *path.clutter_kind[first + 1 : last], ""),
            zone=path.zone[cut],
        )
        relay = (case.far if which == "first" else case.near).model_copy(
            update={"name": "relay", "antenna_height_m": mast_m}
        )
        ends = (case.near, relay) if which == "first" else (relay, case.far)
        link = case.link.model_copy(update={"name": which, "from_": ends[0].name, "to": ends[1].name})
        found.append(replace(case, link=link, near=ends[0], far=ends[1], profile=part))
    return found


MOUNTAIN = sites.profile(6000.0, sites.ridge(200.0, 2900.0, 900.0), points=121)


def powered(power_dbm: float) -> LinkCase:
    ends = {"transmit_power_dbm": power_dbm}
    return sites.case(
        MOUNTAIN, tank=ends, shed=ends, link={"required_success": 0.9, "confidence": 0.8, "tries": 3}
    )


def test_each_hop_must_have_the_root_of_what_is_asked_of_both() -> None:
    """0.9 of the messages at 0.8 of the sites over two hops: 0.949 of them at 0.894 of the sites over each."""
    base = powered(20.0)
    two = hops(base, next(a for a in advice(base) if a.kind == "relay"))
    whole, root = Requirement.of(base.link), Requirement(0.9**0.5, 0.8**0.5, None, 3, 0.01)
    spare_db = {"whole": 99.0, "root": 99.0}
    for name, asked in (("whole", whole), ("root", root)):
        for hop in two:
            for rx, margin_db in zip((hop.far, hop.near), margins(hop), strict=True):
                found = contributors(hop, rx)
                needs_db = asked.margin_db(
                    combined_db(found, "site"), combined_db(found, "conditions"), rician_k_db(hop)
                )
                spare_db[name] = min(spare_db[name], margin_db - needs_db)
    assert spare_db["whole"] - spare_db["root"] > 1.5
    between = powered(20.0 - (spare_db["whole"] + spare_db["root"]) / 2.0)
    told = [
        next(a for a in advice(c) if a.kind == "relay") for c in (between, powered(20.3 - spare_db["root"]))
    ]
    assert [a.sufficient for a in told] == [False, True]


def test_a_relay_that_suffices_closes_both_hops(tmp_path: Path) -> None:
    case = powered(20.0)
    told = next(a for a in advice(case) if a.kind == "relay")
    assert told.sufficient
    assert "6 m mast" in told.text
    result = check_plan(load_plan(sites.plan_file(tmp_path, *hops(case, told))))
    assert [k.verdict for k in result.links] == ["closes", "closes"]
    weaker_db = min(d.fade_margin_db for k in result.links for d in k.directions)
    assert told.fade_margin_db == pytest.approx(weaker_db, abs=0.05)
    shares = [min(d.site_share for d in k.directions) for k in result.links]
    assert shares[0] * shares[1] >= 0.8


def test_a_relay_on_a_taller_mast_has_a_longer_feeder() -> None:
    """The tank's antenna stands at 3 m on 10 m of cable: the relay that replaces it, on a 6 m mast, has 13 m."""
    base = powered(20.0)
    feeder = Feeder(type="rg58", length_m=10.0)
    case = changed(base, "tank", feeder=feeder)
    told = next(a for a in advice(case) if a.kind == "relay")
    first, second = hops(case, told)
    assert case.near.antenna_height_m == 3.0
    second = replace(
        second, near=second.near.model_copy(update={"feeder": Feeder(type="rg58", length_m=13.0)})
    )
    weaker_db = min(hop.weaker_margin_db for hop in (first, second))
    assert told.fade_margin_db == pytest.approx(weaker_db, abs=1e-6)


def test_a_relay_is_told_of_only_where_it_gains_three_decibels() -> None:
    """From a village that its mast cannot look over, which grows: first worth while, then not."""
    fsk = {"kind": "fsk", "bit_rate_bps": 4800.0, "deviation_hz": 5000.0, "required_snr_db": 10.0}
    mast = {
        "antenna_height_m": 30.0,
        "transmit_power_dbm": 30.0,
        "surroundings": "none",
        "antenna": {"gain_dbi": 13.0},
    }
    told = []
    for height_m in np.arange(0.5, 9.1, 0.5):
        village = sites.profile(9000.0, 100.0, ((100.0, 8900.0, float(height_m), "building"),), points=46)
        link = {"required_margin_db": 60.0, "modulation": fsk}
        case = sites.case(village, tank=mast, shed=mast, link=link, conditions={"installation_db": 10.0})
        found = advice(case)
        assert not any(a.sufficient for a in found)
        relay = [a for a in found if a.kind == "relay"]
        told.append(bool(relay))
        for a in relay:
            assert a.fade_margin_db is not None
            assert a.fade_margin_db > case.weaker_margin_db + 3.0
    assert told[0]
    assert not told[-1]
    assert told == sorted(told, reverse=True)


def test_a_relay_is_not_offered_where_something_simpler_suffices() -> None:
    assert not [a for a in advice(sites.case(RIDGE)) if a.kind == "relay"]


# Order, and what may be left


def test_what_suffices_comes_first_and_the_least_effort_before_the_greater() -> None:
    for case in (sites.case(RIDGE), sites.case(RIDGE, tank={"building": "traditional"})):
        found = advice(case)
        assert [a.sufficient for a in found] == sorted((a.sufficient for a in found), reverse=True)
        for group in (True, False):
            efforts = [a.effort for a in found if a.sufficient is group]
            assert efforts == sorted(efforts)
        assert all(1 <= a.effort <= 5 for a in found)


def test_a_short_raise_is_a_climb_and_a_long_one_a_mast() -> None:
    efforts = {a.text: a.effort for a in advice(sites.case(RIDGE)) if a.kind == "raise_antenna"}
    assert efforts
    for text, effort in efforts.items():
        raised = [
            float(h) - (3.0 if n == "tank" else 6.0)
            for n, h in re.findall(r"(tank|shed) to ([\d.]+) m", text)
        ]
        assert effort == (3 if max(raised) <= 3.1 else 4)


def test_nothing_is_given_away_before_somebody_has_measured() -> None:
    """Much more than required, and yet no lower antenna, less power or quicker signal is told of."""
    watt = {"transmit_power_dbm": 30.0, "antenna_height_m": 15.0}
    ample = sites.case(sites.profile(500.0), tank=watt, shed=watt)
    assert closes(ample)
    assert [a.kind for a in advice(ample)] == ["measure"]


def test_a_reading_is_always_advised_and_never_suffices() -> None:
    """9.8 dB behind a ridge; 2 dB of the reading and 2.5 dB of the place's noise are 3.2 dB after it."""
    for case in (sites.case(RIDGE), sites.case(sites.profile(500.0))):
        told = next(a for a in advice(case) if a.kind == "measure")
        assert told.fade_margin_db is None
        assert not told.sufficient
    told = next(a for a in advice(sites.case(RIDGE)) if a.kind == "measure")
    assert "uncertain by 10 dB" in told.text
    assert "about 3 dB" in told.text
    assert "half a metre" in told.text


def test_the_price_of_a_higher_spreading_factor_is_told() -> None:
    told = next(a for a in advice(sites.case(RIDGE)) if a.kind == "spreading_factor")
    assert "instead of 185 ms" in told.text


def test_fsk_is_not_told_to_change_its_spreading() -> None:
    fsk = {"kind": "fsk", "bit_rate_bps": 4800.0, "deviation_hz": 5000.0, "required_snr_db": 10.0}
    found = hold_to_its_word(sites.case(RIDGE, link={"modulation": fsk}))
    assert not {"spreading_factor", "bandwidth"} & {a.kind for a in found}


def in_europe(**changes: Any) -> LinkCase:
    return replace(sites.case(RIDGE, **changes), regulation=Regulation(region="eu"))


def test_no_power_is_advised_that_the_table_of_limits_refuses() -> None:
    case = in_europe(link={"frequency_mhz": 868.3}, tank={"transmit_power_dbm": 14.0})
    power = [a for a in advice(case) if a.kind == "power" and case.near.name in a.text]
    assert not power  # 14 dBm on a half-wave dipole is all that 25 mW ERP leaves
    assert any(
        "if the local limit allows it" in a.text for a in advice(replace(case, regulation=Regulation()))
    )


def test_a_better_antenna_under_a_radiated_limit_comes_with_less_power() -> None:
    case = in_europe(link={"frequency_mhz": 868.3}, tank={"transmit_power_dbm": 14.0})
    told = next(a for a in advice(case) if a.kind == "antenna" and "reduced to" in a.text)
    gain_dbi, power_dbm = (
        float(x)
        for x in re.search(r"of ([\d.]+) dBi at .*reduced to ([\d.]+) dBm", told.text).groups()  # type: ignore[union-attr]
    )
    assert power_dbm + gain_dbi - 2.15 <= 14.0 + 0.1  # 25 mW ERP

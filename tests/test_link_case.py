"""One link on its ground: every station's figure counts where it should, and only there."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.errors import OutOfRangeWarning
from linkcalc.link.case import (
    ENDS,
    LinkCase,
    feeder_loss_db,
    gain_dbi,
    shown_surroundings,
    surroundings,
    surroundings_of_many,
)  # fmt: skip
from linkcalc.link.findings import WAYS, Way
from linkcalc.link.surroundings import Surroundings
from linkcalc.propagation import building_entry, clutter, noise
from linkcalc.terrain.land_cover import KINDS, Around
from tests import sites


def values(case: LinkCase, way: Way = "forward") -> dict[str, float]:
    return {t.name: t.value_db for t in case.budget(way).terms}


def margins(case: LinkCase) -> tuple[float, float]:
    return case.budget().fade_margin_db, case.budget("return").fade_margin_db


PLACED = {"latitude_deg": -40.0, "longitude_deg": -20.0}


# Noise


def test_an_engine_makes_only_its_own_end_deaf() -> None:
    quiet, noisy = sites.case(), sites.case(shed={"noise_rise_db": 9.0})
    assert margins(quiet)[0] - margins(noisy)[0] == pytest.approx(9.0, abs=1e-6)
    assert margins(quiet)[1] == margins(noisy)[1]


def test_sensitivity_is_thermal_noise_noise_figure_and_required_snr() -> None:
    """125 kHz, 6 dB: -124.5 dBm at SF7 and -137 dBm at SF12 (the figures of chip sheets, from memory)."""
    for factor, sensitivity_dbm in ((7, -124.5), (12, -137.0)):
        case = sites.case(
            link={"modulation": {"kind": "css", "spreading_factor": factor}},
            shed={"noise_environment": "none"},
        )
        assert case.budget().sensitivity_dbm == pytest.approx(sensitivity_dbm, abs=0.05)


def test_noise_from_outside_comes_in_through_the_antenna() -> None:
    """f = fa + fr - 1 with the lines in fr (Rec. ITU-R P.372): a lossy feeder weakens the noise as well."""
    link, city = {"frequency_mhz": 150.0}, {"noise_environment": "city"}
    feeder = {"feeder": {"length_m": 50.0, "loss_db_per_100m": 20.0}}
    bare = values(sites.case(link=link, shed=city))
    long = values(sites.case(link=link, shed=city | feeder))
    assert bare["external noise"] < long["external noise"] < -1.0
    fa = 10.0 ** (noise.man_made_noise_db(150e6, "city") / 10.0) + 10.0 ** (
        noise.galactic_noise_db(150e6) / 10.0
    )
    receiver = 10.0**0.6
    assert bare["external noise"] == pytest.approx(
        -10.0 * math.log10((fa + receiver - 1.0) / receiver), abs=1e-5
    )
    behind = 10.0**1.6
    assert long["external noise"] == pytest.approx(-10.0 * math.log10((fa + behind - 1.0) / behind), abs=1e-5)
    assert long["noise figure"] == -6.0, "the receiver's own"


# Antennas


def test_a_stated_gain_over_a_dipole_is_2_15_more_over_an_isotropic_radiator() -> None:
    assert values(sites.case(tank={"antenna": {"type": "yagi", "gain_dbd": 7.0}}))[
        "antenna gain, tank"
    ] == pytest.approx(9.15, abs=0.02)


def test_an_antenna_aimed_away_shows_its_back() -> None:
    """15 dB front to back of a generic yagi: common practice, no source."""
    yagi = {"type": "yagi", "azimuth_deg": 270.0}
    case = sites.case(tank=PLACED | {"antenna": yagi}, shed=PLACED)
    assert values(case)["off the beam, tank"] == pytest.approx(-15.0, abs=0.1)
    assert values(case, "return")["off the beam, tank"] == values(case)["off the beam, tank"]
    assert "off the beam, shed" not in values(case)


def test_without_positions_an_azimuth_is_not_held_against_the_antenna() -> None:
    yagi = {"type": "yagi", "azimuth_deg": 270.0}
    assert "off the beam, tank" not in values(sites.case(tank={"antenna": yagi}))


def test_a_steep_sight_leaves_the_flat_beam_of_a_high_gain_collinear() -> None:
    case = sites.case(
        sites.profile(300.0, lambda x: 100.0 + 0.27 * x),
        shed={"antenna": {"type": "collinear", "gain_dbi": 8.5}},
    )
    assert case.elevation_deg("near") == pytest.approx(-case.elevation_deg("far"), abs=0.01)
    assert case.elevation_deg("near") == pytest.approx(math.degrees(math.atan(84.0 / 300.0)), abs=0.01)
    assert values(case)["off the beam, shed"] < -6.0


def test_tilting_a_dipole_by_a_right_angle_points_its_null_at_the_other_end() -> None:
    case = sites.case(tank={"antenna": {"tilt_deg": 90.0}})
    assert values(case)["off the beam, tank"] == pytest.approx(-20.0, abs=0.1)


@pytest.mark.parametrize(
    ("near", "far", "loss_db"),
    [
        ("vertical", "vertical", 0.0),
        ("horizontal", "horizontal", 0.0),
        ("circular", "circular", 0.0),
        ("vertical", "circular", 3.01),
        ("horizontal", "vertical", 20.0),
    ],
)
def test_crossed_polarisations_cost_twenty_decibels_and_circular_three(
    near: str, far: str, loss_db: float
) -> None:
    """20 dB: common practice, no source; 3 dB: theory."""
    case = sites.case(tank={"antenna": {"polarisation": near}}, shed={"antenna": {"polarisation": far}})
    for way in WAYS:
        assert -values(case, way).get("polarisation mismatch", 0.0) == pytest.approx(loss_db, abs=0.01)


# Feeders and losses


def test_feeders_and_stated_losses_count_once_at_each_end() -> None:
    feeder = {"type": "rg58", "length_m": 12.0, "connectors": 2, "arrestor": True}
    losses = [{"loss_db": 5.0, "reason": "one"}, {"loss_db": 2.5, "reason": "other"}]
    bare, full = sites.case(), sites.case(tank={"feeder": feeder, "extra_loss": losses})
    expected_db = feeder_loss_db(full.near, 868e6) + 7.5
    for before, after in zip(margins(bare), margins(full), strict=True):
        assert before - after == pytest.approx(expected_db, abs=1e-5)


def test_the_feeder_of_a_training_guide_loses_what_it_prints() -> None:
    """RG-213/U at 450 MHz, 16.3 dB a 100 m: radio-repeater training guide, appendix H."""
    case = sites.case(tank={"feeder": {"type": "rg213", "length_m": 100.0}}, link={"frequency_mhz": 450.0})
    assert values(case)["feeder, tank"] == pytest.approx(-16.3, abs=0.1)


# Buildings


@pytest.mark.parametrize("building", ["traditional", "thermally_efficient"])
def test_each_building_is_entered_once(building: str) -> None:
    case = sites.case(tank={"building": building}, shed={"building": "traditional"})
    found = values(case)
    for name, kind in (("tank", building), ("shed", "traditional")):
        expected_db = building_entry.building_entry_loss_db(
            868e6,
            building=kind,  # type: ignore[arg-type]
            elevation_deg=abs(case.elevation_deg("near" if name == "tank" else "far")),
        )
        assert found[f"building entry, {name}"] == pytest.approx(-float(expected_db), abs=1e-5)


def test_entering_a_traditional_building_flat_at_868_mhz_loses_the_published_median() -> None:
    """Rec. ITU-R P.2109-1, median, both terms and the floor by hand: 14.2 dB."""
    f = math.log10(0.868)
    a_db = 12.64 + 3.72 * f + 0.96 * f**2
    b_db = 9.1 - 3.0 * f
    median_db = 10.0 * math.log10(10.0 ** (a_db / 10.0) + 10.0 ** (b_db / 10.0) + 10.0**-0.3)
    case = sites.case(
        sites.profile(20_000.0, 10.0),
        tank={"building": "traditional", "antenna_height_m": 20.0},
        shed={"antenna_height_m": 20.0},
    )
    assert values(case)["building entry, tank"] == pytest.approx(-median_db, abs=0.02)


# Surroundings, at both ends


YARD = sites.profile(100.0)
"""Clear at 3 m: 1.02 first Fresnel zone radii, and no plane earth. What surrounds an antenna counts in full."""


@pytest.mark.parametrize("kind", ["open", "suburban", "urban", "woodland"])
def test_surroundings_are_the_correction_on_top_of_the_path(kind: str) -> None:
    """Rec. ITU-R P.2108, section 3.1, at both ends."""
    around = {"surroundings": kind, "antenna_height_m": 3.0}
    case = sites.case(YARD, tank=around, shed=around)
    p2108: Any = "trees" if kind == "woodland" else kind
    correction_db = float(clutter.height_gain_loss_db(868e6, 3.0, p2108))
    bare = {"surroundings": "none", "antenna_height_m": 3.0}
    alone = sites.case(YARD, tank=bare, shed=bare, conditions={"installation_db": 0.0})
    assert case.budget().path_loss_db == pytest.approx(
        alone.budget().path_loss_db + 2.0 * correction_db, abs=1e-4
    )
    for name in ("tank", "shed"):
        assert values(case)[f"surroundings, {name}"] == pytest.approx(-correction_db, abs=1e-5)
    assert "installation" not in values(case), "what surrounds the antennas holds it"


def test_open_surroundings_are_assumed_below_ten_metres_and_the_budget_says_so() -> None:
    notes = {t.name: t.note for t in sites.case(sites.profile(700.0)).budget().terms}
    assert notes["surroundings, tank"] == "open (assumed), 10 m, Rec. ITU-R P.2108"
    said = {"surroundings": "suburban", "surroundings_height_m": 8.0}
    notes = {t.name: t.note for t in sites.case(sites.profile(700.0), tank=said).budget().terms}
    assert notes["surroundings, tank"] == "suburban, 8 m, Rec. ITU-R P.2108"


def test_each_end_has_its_own_surroundings() -> None:
    low = {"antenna_height_m": 3.0}
    one = sites.case(
        sites.profile(700.0), tank=low | {"surroundings": "urban"}, shed=low | {"surroundings": "none"}
    )
    other = sites.case(
        sites.profile(700.0), tank=low | {"surroundings": "none"}, shed=low | {"surroundings": "urban"}
    )
    assert "surroundings, shed" not in values(one)
    assert "surroundings, tank" not in values(other)
    assert values(one)["surroundings, tank"] == values(other)["surroundings, shed"]
    assert one.budget().path_loss_db == pytest.approx(other.budget().path_loss_db, abs=1e-6)


def test_a_stated_height_and_distance_of_what_stands_there_count() -> None:
    """Suburban, 8 m high and 60 m away, antenna of 3 m: h_dif 5 m, 4.764 deg, nu = 0.31863 sqrt(23.82) = 1.555,
    J = 6.9 + 20 log(sqrt(1.455^2 + 1) + 1.455) = 17.06, less 6.03 is 11.03 dB. Nearer it is more."""
    low = {"antenna_height_m": 3.0}

    def loss_db(distance_m: float) -> float:
        around = {
            "surroundings": "suburban",
            "surroundings_height_m": 8.0,
            "surroundings_distance_m": distance_m,
        }
        return -values(sites.case(YARD, tank=low | around, shed=low))["surroundings, tank"]

    assert loss_db(60.0) == pytest.approx(11.03, abs=0.02)
    assert loss_db(20.0) > loss_db(60.0) + 2.0


def test_surroundings_end_at_their_tops_and_the_allowance_begins() -> None:
    high = {"antenna_height_m": 10.0, "surroundings": "suburban"}
    found = values(sites.case(tank=high, shed=high))
    assert not {"surroundings, tank", "surroundings, shed"} & set(found)
    assert found["installation"] == -3.0
    assert (
        values(sites.case(tank=high, shed=high, conditions={"installation_db": 2.5}))["installation"] == -5.0
    )


@settings(max_examples=25, deadline=None)
@given(
    lower_m=st.floats(1.0, 19.0),
    raise_m=st.floats(0.2, 5.0),
    kind=st.sampled_from(["none", "open", "urban", "woodland"]),
)
def test_an_antenna_raised_out_of_its_surroundings_never_loses_more(
    lower_m: float, raise_m: float, kind: str
) -> None:
    path = sites.profile(4000.0, sites.ridge(40.0, 2000.0, 300.0))
    low, high = (
        sites.case(path, tank={"antenna_height_m": h, "surroundings": kind}, shed={"antenna_height_m": 30.0})
        for h in (lower_m, lower_m + raise_m)
    )
    assert high.budget().path_loss_db <= low.budget().path_loss_db + 0.5


def test_what_is_told_of_many_paths_is_the_budget_of_one() -> None:
    case = sites.case(tank={"building": "traditional"}, conditions={"woodland_depth_m": 20.0})
    rows = case.path_terms(case.losses)
    told = {(t.kind, t.station): float(np.broadcast_to(t.value_db, 1)[0]) for t in rows}
    found = {(t.kind, t.station): t.value_db for t in case.shared_terms}
    assert set(found) <= set(told)
    for which, value_db in told.items():
        assert found.get(which, 0.0) == pytest.approx(value_db, abs=1e-6)
    assert case.equipment_db() + sum(told.values()) == pytest.approx(case.budget().fade_margin_db, abs=2e-5)
    assert -sum(told.values()) == pytest.approx(case.budget().path_loss_db, abs=2e-5)


# Heights and what-ifs


def test_a_changed_copy_leaves_the_case_as_it_was() -> None:
    case = sites.case()
    before = case.budget()
    raised = case.with_heights(near_m=9.0)
    assert raised.near.antenna_height_m == 9.0
    assert raised.far is case.far
    assert case.budget() == before
    assert raised.budget() != before
    assert (
        case.with_stations({"far": case.far.model_copy(update={"transmit_power_dbm": 20.0})}).far.name
        == "shed"
    )


def test_the_margin_of_the_weaker_direction_is_the_lesser_of_two() -> None:
    case = sites.case(tank={"transmit_power_dbm": 25.0}, shed={"noise_rise_db": 4.0})
    assert case.weaker_margin_db == pytest.approx(min(margins(case)), abs=1e-6)


def test_horizontal_antennas_reflect_as_horizontal_waves_do() -> None:
    flat = {"antenna": {"polarisation": "horizontal"}}
    both, one = sites.case(tank=flat, shed=flat), sites.case(tank=flat)
    assert (both.situation.polarisation, one.situation.polarisation) == ("horizontal", "vertical")


def test_the_season_is_the_stations_half_of_the_earth() -> None:
    july = {"month": 7}
    north, south = (
        sites.case(sites.profile(2000.0, latitude_deg=latitude), conditions=july).situation
        for latitude in (45.0, -45.0)
    )
    assert north.n0 > south.n0
    assert north.k_factor > south.k_factor


def test_stated_refractivity_replaces_the_climate() -> None:
    case = sites.case(conditions={"delta_n": 39.25, "surface_refractivity_n0": 315.0})
    assert case.situation.k_factor == pytest.approx(4.0 / 3.0, abs=0.001)
    assert case.situation.n0 == 315.0


def test_over_the_bulge_both_ends_look_down() -> None:
    case = sites.case(
        sites.profile(50_000.0), tank={"antenna_height_m": 20.0}, shed={"antenna_height_m": 20.0}
    )
    assert case.elevation_deg("near") == pytest.approx(case.elevation_deg("far"), abs=1e-9)
    assert case.elevation_deg("near") == pytest.approx(
        -math.degrees(25_000.0 / (case.situation.k_factor * 6_371_000.0)), abs=0.001
    )


def test_time_on_air_is_that_of_the_published_table() -> None:
    """SF10, 125 kHz, 20 bytes, 4/5: 370.7 ms."""
    case = sites.case(link={"modulation": {"kind": "css", "spreading_factor": 10}})
    assert case.signal.time_on_air_s(20) == pytest.approx(0.3707, abs=5e-5)


def test_fsk_is_heard_in_the_band_it_fills() -> None:
    fsk = {"kind": "fsk", "bit_rate_bps": 4800.0, "deviation_hz": 5000.0, "required_snr_db": 10.0}
    carson = sites.case(link={"modulation": fsk})
    assert carson.signal.bandwidth_hz == 14_800.0  # 2 x 5000 + 4800: Carson's rule
    stated = sites.case(link={"modulation": fsk | {"bandwidth_khz": 29.6}})
    assert margins(carson)[0] - margins(stated)[0] == pytest.approx(10.0 * math.log10(2.0), abs=1e-6)
    assert "FSK 4.8 kbit/s" in carson.signal.text


# Where a line begins, and in which order


def test_a_beam_that_misses_by_a_twentieth_of_a_decibel_has_a_line_of_its_own() -> None:
    """Below that the antenna's gain towards the other station is the one stated."""
    places = {
        "tank": {"latitude_deg": -40.0, "longitude_deg": -20.0},
        "shed": {"latitude_deg": -40.0, "longitude_deg": -19.976},
    }
    seen = set()
    for off_deg in np.arange(0.0, 8.0, 0.25):
        yagi = {"antenna": {"type": "yagi", "gain_dbi": 9.5, "azimuth_deg": 90.0 + float(off_deg)}}
        case = sites.case(tank=places["tank"] | yagi, shed=places["shed"])
        lost_db = 9.5 - float(gain_dbi(case.near, case.azimuth_deg, case.elevation_deg("near")))
        found = values(case)
        assert ("off the beam, tank" in found) == (lost_db >= 0.05)
        assert found["antenna gain, tank"] + found.get("off the beam, tank", 0.0) == pytest.approx(
            9.5 - lost_db, abs=1e-5
        )
        seen.add(("off the beam, tank" in found, lost_db < 0.1))
    assert {(False, True), (True, True), (True, False)} <= seen


def test_the_terms_come_in_the_order_in_which_the_signal_meets_them() -> None:
    end: dict[str, Any] = {
        "feeder": {"type": "rg58", "length_m": 3.0},
        "extra_loss": [{"loss_db": 1.0, "reason": "a plug"}],
        "antenna": {"gain_dbi": 9.0, "type": "yagi", "tilt_deg": 40.0},
        "surroundings": "open",
    }
    case = sites.case(
        tank=end | {"name": "tank"}, shed=end | {"antenna": end["antenna"] | {"polarisation": "horizontal"}}
    )
    for way in WAYS:
        tx, rx = ("tank", "shed") if way == "forward" else ("shed", "tank")
        names = [t.name for t in case.budget(way).terms]
        assert names == [
            "transmit power", f"feeder, {tx}", f"extra loss, {tx}", f"antenna gain, {tx}", f"off the beam, {tx}",
            "free-space loss", "ground and terrain", "surroundings, tank", "surroundings, shed",
            f"off the beam, {rx}", f"antenna gain, {rx}", f"extra loss, {rx}", f"feeder, {rx}",
            "polarisation mismatch", *names[14:],
        ]  # fmt: skip
        assert len(names) == 18
        other = sum(t.value_db for t in case.budget(way).terms if t.group != "path")
        assert case.equipment_db(way) == pytest.approx(other, abs=1e-5)
    uneven = case.with_stations({"far": case.far.model_copy(update={"transmit_power_dbm": 20.0})})
    assert uneven.equipment_db("return") - uneven.equipment_db() == pytest.approx(6.0, abs=1e-5)


def test_an_antenna_alone_sends_and_hears_alike() -> None:
    case = sites.case(tank={"antenna": {"gain_dbi": 9.0}})
    for end in ENDS:
        (gain,) = case.antenna_terms(end, "receiver")
        assert case.antenna_db(end, case.losses)[0] == pytest.approx(gain.value_db, abs=1e-5)


# What the sky and the season depend on


def test_the_latitude_is_that_of_the_middle_of_the_path() -> None:
    path = sites.profile(2000.0, points=9)
    there = replace(path, latitude_deg=np.linspace(-40.0, -32.0, 9), longitude_deg=np.zeros(9))
    assert sites.case(there).situation.latitude_deg == -36.0
    assert sites.case(path).situation.latitude_deg == 45.0


def test_seen_from_the_far_end_the_sight_goes_down_as_much_as_up_and_the_bulge_bends_both() -> None:
    """45 m over 900 m of a slope: 2.86 degrees; half of 900 m over 8 500 km: 0.003."""
    slope = sites.profile(900.0, lambda x: 100.0 + 0.05 * x)
    case = sites.case(slope, tank={"antenna_height_m": 5.0}, shed={"antenna_height_m": 5.0})
    assert case.elevation_deg("near") == pytest.approx(2.8624 - 0.003, abs=0.001)
    assert case.elevation_deg("far") == pytest.approx(-2.8624 - 0.003, abs=0.001)


def test_a_building_below_the_range_of_its_recommendation_is_answered() -> None:
    """Rec. ITU-R P.2109 begins at 80 MHz: the number, and a warning."""
    case = sites.case(tank={"building": "traditional"}, link={"frequency_mhz": 60.0})
    with pytest.warns(OutOfRangeWarning, match="P.2109"):
        loss_db = -values(case)["building entry, tank"]
    assert 8.0 < loss_db < 20.0


# A cable that comes down


@pytest.mark.parametrize(
    ("length_m", "height_m", "expected_m"),
    [(0.5, 3.5, 1.0), (12.0, 7.0, 16.0), (12.0, 3.0, 12.0), (12.0, 2.0, 12.0), (0.0, 7.0, 0.0)],
)
def test_a_cable_grows_with_its_antenna_and_never_shrinks(
    length_m: float, height_m: float, expected_m: float
) -> None:
    """The tank's antenna stands at 3 m."""
    case = sites.case(tank={"feeder": {"type": "rg58", "length_m": length_m}})
    raised = case.raised(near_m=height_m)
    assert raised.near.feeder.length_m == pytest.approx(expected_m)
    assert raised.near.antenna_height_m == height_m
    assert raised.far == case.far
    other = sites.case(shed={"feeder": {"type": "rg58", "length_m": 2.0}}).raised(far_m=6.5)
    assert other.far.feeder.length_m == pytest.approx(2.5)


def test_the_noise_that_is_told_is_the_noise_that_counts() -> None:
    """Without an engine nothing of it counts; with one, what it adds to the noise that is there anyway."""
    for rise_db in (0.0, 6.0):
        case = sites.case(
            shed={"noise_rise_db": rise_db, "noise_environment": "city"}, link={"frequency_mhz": 151.0}
        )
        found = values(case)
        noise_db = sum(
            found[n] for n in ("thermal noise floor", "noise figure", "external noise")
        ) + found.get("noise rise", 0.0)
        assert ("noise rise" in found) == (rise_db > 0.0)
        assert case.sensitivity_dbm(case.far) == pytest.approx(
            -noise_db + case.signal.required_snr_db, abs=1e-4
        )


# Who says what stands around an antenna: the plan, else the rasters, else nobody


SHOWN = Surroundings("urban", False, 15.0, shown="built up in 60 % of the 100 m around")


@pytest.mark.parametrize(
    ("said", "kind", "stated"),
    [
        ({}, "urban", False),
        ({"surroundings": "open"}, "open", True),
        ({"surroundings": "woodland", "surroundings_height_m": 12.0}, "woodland", True),
    ],
)
def test_what_the_plan_says_goes_before_what_rasters_show(
    said: dict[str, Any], kind: str, stated: bool
) -> None:
    tank = sites.case(tank=said).near
    found = surroundings(tank, SHOWN)
    assert (found.kind, found.stated) == (kind, stated)
    nobody = surroundings(tank)
    assert nobody.kind == said.get("surroundings", "open")
    assert nobody.stated == stated


def test_rasters_show_each_of_many_places_its_own_and_one_place_all_alike() -> None:
    """Kinds by `terrain.land_cover.KINDS`: a wood of 14 m, one of no known height, and nothing."""
    tank = sites.case().near
    wood, nothing = KINDS.index("woodland"), KINDS.index("unknown")
    around = Around(
        np.array([wood, nothing, wood, wood], dtype=np.int8),
        np.array([14.0, np.nan, np.nan, 14.0]),
        np.full(4, 0.8),
    )
    shown = shown_surroundings(around, 0)
    assert shown is not None
    assert (shown.kind, shown.stated, shown.clutter_height_m) == ("woodland", False, 14.0)
    assert "80 %" in shown.shown
    assert shown_surroundings(around, 1) is None
    many = surroundings_of_many(tank, around, 4)
    kinds = [(many.kinds[i].kind, many.kinds[i].clutter_height_m) for i in many.index]
    assert kinds == [("woodland", 14.0), ("open", None), ("woodland", None), ("woodland", 14.0)]
    alike = surroundings_of_many(tank, None, 3)
    assert [alike.kinds[i].kind for i in alike.index] == ["open"] * 3


def test_an_allowance_for_the_installation_is_assumed_unless_the_plan_states_it() -> None:
    for conditions, origin in (({}, "assumed"), ({"installation_db": 2.0}, "stated")):
        case = sites.case(sites.profile(700.0), tank={"surroundings": "none"}, conditions=conditions)
        (allowed,) = [t for t in case.budget().terms if t.kind == "installation"]
        assert allowed.origin == origin

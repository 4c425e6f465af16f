"""Budgets: every line counts once, both directions share the path, published examples come out."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.errors import DomainError
from linkcalc.link.budget import Budget, term
from linkcalc.link.case import LinkCase
from linkcalc.link.findings import WAYS
from linkcalc.link.result import Term
from linkcalc.propagation.free_space import free_space_loss_db
from tests import sites

MILE_M = 1609.344


def exact(terms: Any) -> Decimal:
    """Sum as a reader with pencil and paper would."""
    return sum((Decimal(repr(t.value_db)) for t in terms), Decimal(0))


@st.composite
def stations(draw: st.DrawFn) -> dict[str, Any]:
    """Equipment of every kind."""
    feeder = draw(
        st.sampled_from(
            [
                {},
                {"type": "rg58", "length_m": 7.3, "connectors": 2, "arrestor": True},
                {"length_m": 12.0, "loss_db_per_100m": 9.7, "connectors": 1},
            ]
        )
    )
    antenna = draw(
        st.sampled_from(
            [
                {},
                {"type": "collinear"},
                {"type": "yagi", "gain_dbd": 7.35, "azimuth_deg": 31.0, "tilt_deg": -4.0},
                {"type": "quarter_wave_whip", "polarisation": "horizontal"},
                {"gain_dbi": -3.17, "polarisation": "circular"},
            ]
        )
    )
    losses = draw(st.lists(st.floats(0.0, 20.0), max_size=2))
    return {
        "antenna_height_m": draw(st.floats(1.0, 40.0)),
        "transmit_power_dbm": draw(st.floats(-10.0, 33.0)),
        "noise_figure_db": draw(st.floats(0.0, 12.0)),
        "noise_rise_db": draw(st.floats(0.0, 20.0)),
        "noise_environment": draw(st.sampled_from(["city", "rural", "none"])),
        "building": draw(st.sampled_from(["none", "none", "traditional"])),
        "surroundings": draw(st.sampled_from(["none", "open", "suburban", "woodland"])),
        "extra_loss": [{"loss_db": x, "reason": f"reason {i}"} for i, x in enumerate(losses)],
        "feeder": feeder,
        "antenna": antenna,
    }


@st.composite
def cases(draw: st.DrawFn) -> LinkCase:
    """Links of every kind on ground of every kind."""
    path = sites.profile(
        draw(st.floats(300.0, 15_000.0)),
        draw(st.sampled_from([80.0, sites.ridge(30.0, 400.0, 90.0)])),
        draw(st.sampled_from([(), ((100.0, 160.0, 9.0, "trees"),), ((200.0, 215.0, 6.0, "building"),)])),
        points=41,
    )
    where = {"latitude_deg": -40.0, "longitude_deg": -20.0}
    return sites.case(
        path,
        tank=draw(stations()) | where,
        shed=draw(stations()) | where,
        link={"frequency_mhz": draw(st.sampled_from([433.92, 868.3, 915.0]))},
        conditions={"woodland_depth_m": draw(st.sampled_from([None, 37.0]))},
    )


@settings(max_examples=60, deadline=None)
@given(case=cases())
def test_the_printed_terms_add_up_to_the_margin_to_the_last_digit(case: LinkCase) -> None:
    for way in WAYS:
        budget = case.budget(way)
        assert exact(budget.terms) == Decimal(repr(budget.fade_margin_db))
        arriving = [t for t in budget.terms if t.group != "threshold"]
        assert exact(arriving) == Decimal(repr(budget.received_power_dbm))
        margin = Decimal(repr(budget.received_power_dbm)) - Decimal(repr(budget.sensitivity_dbm))
        assert margin == Decimal(repr(budget.fade_margin_db))
        snr = next(t for t in budget.terms if t.kind == "required_snr")
        noise = Decimal(repr(budget.noise_power_dbm)) - Decimal(repr(snr.value_db))
        assert noise == Decimal(repr(budget.sensitivity_dbm))
        names = [t.name for t in budget.terms if t.kind != "extra_loss"]
        assert len(set(names)) == len(names), "no term stands twice"


@settings(max_examples=30, deadline=None)
@given(case=cases())
def test_both_directions_of_a_link_share_one_path_loss(case: LinkCase) -> None:
    forward, returned = case.budget(), case.budget("return")
    assert forward.path_loss_db == returned.path_loss_db
    assert [t for t in forward.terms if t.group == "path"] == [t for t in returned.terms if t.group == "path"]


@settings(max_examples=30, deadline=None)
@given(case=cases())
def test_only_powers_and_receivers_make_the_two_directions_differ(case: LinkCase) -> None:
    """Antennas, feeders and losses count the same for sending and receiving."""
    forward, returned = case.budget(), case.budget("return")
    difference = forward.received_power_dbm - returned.received_power_dbm
    powers = case.near.transmit_power_dbm - case.far.transmit_power_dbm
    assert difference == pytest.approx(powers, abs=5e-6)


def test_equal_radios_in_equal_noise_have_equal_margins() -> None:
    case = sites.case(tank={"antenna": {"type": "yagi"}, "feeder": {"type": "rg58", "length_m": 9.0}})
    # the feeder hides outside noise, of which there is none at 868 MHz in the country
    assert case.budget().fade_margin_db == case.budget("return").fade_margin_db


def test_a_decibel_less_of_power_is_a_decibel_less_of_margin() -> None:
    margins = [
        sites.case(tank={"transmit_power_dbm": power}).budget().fade_margin_db for power in (14.0, 13.0)
    ]
    assert margins[0] - margins[1] == pytest.approx(1.0, abs=1e-9)


def test_a_term_that_is_no_number_is_refused() -> None:
    with pytest.raises(DomainError, match="feeder"):
        term("feeder", float("nan"), "transmitter")


def test_a_loss_of_nothing_is_plain_zero() -> None:
    assert repr(term("feeder", -0.0, "transmitter").value_db) == "0.0"


def wireless_bridge(path_db: float) -> Budget:
    """Wireless bridge user guide, appendix A: 2.4 GHz over 3 km, 6 dB of cable and 18 dBi at each end."""
    return Budget(
        (
            term("transmit_power", 4.0, "transmitter"),
            term("feeder", -6.0, "transmitter"),
            term("antenna_gain", 18.0, "transmitter"),
            term("free_space", -path_db, "path"),
            term("antenna_gain", 18.0, "receiver"),
            term("feeder", -6.0, "receiver"),
            term("required_snr", 84.0, "threshold"),
        )
    )


def test_the_worked_example_of_a_wireless_bridge_guide_comes_out() -> None:
    as_printed = wireless_bridge(110.0)
    assert as_printed.eirp_dbm == 16.0
    assert (as_printed.received_power_dbm, as_printed.fade_margin_db) == (-82.0, 2.0)
    computed_db = float(free_space_loss_db(3000.0, 2.4e9))
    assert computed_db == pytest.approx(110.0, abs=0.5)  # printed rounded
    assert wireless_bridge(computed_db).received_power_dbm == pytest.approx(-81.6, abs=0.05)


def test_the_worked_example_of_an_access_point_manual_comes_out() -> None:
    """Access-point manual, p. 23: 15 dBm over 1 km to a fade margin of 15.12 dB."""
    budget = Budget(
        (
            term("transmit_power", 15.0, "transmitter"),
            term("feeder", -0.88, "transmitter"),
            term("antenna_gain", 9.0, "transmitter"),
            term("free_space", -100.0, "path"),
            term("antenna_gain", 15.0, "receiver"),
            term("feeder", -1.0, "receiver"),
            term("required_snr", 78.0, "threshold"),
        )
    )
    assert budget.fade_margin_db == 15.12


def test_the_path_sheet_of_a_microwave_hop_comes_out() -> None:
    """Public microwave path sheet: 5.8 GHz over 20.55 miles, -62.7 dBm at the receiver, 16.3 dB of margin."""
    path_db = float(free_space_loss_db(20.55 * MILE_M, 5.8e9))
    assert path_db == pytest.approx(138.1, abs=0.05)
    budget = Budget(
        (
            term("transmit_power", 138.1 - 62.7, "transmitter"),
            term("free_space", -path_db, "path"),
            term("required_snr", 79.0, "threshold"),
        )
    )
    assert budget.received_power_dbm == pytest.approx(-62.7, abs=0.05)
    assert budget.fade_margin_db == pytest.approx(16.3, abs=0.05)


def test_what_is_radiated_holds_power_feeder_and_antenna_and_nothing_of_the_path() -> None:
    case = sites.case(
        tank={"feeder": {"length_m": 10.0, "loss_db_per_100m": 20.0}, "antenna": {"gain_dbi": 5.0}}
    )
    assert case.budget().eirp_dbm == pytest.approx(14.0 - 2.0 + 5.0, abs=1e-4)


def test_a_term_says_to_which_part_it_belongs() -> None:
    groups = [t.group for t in sites.case().budget().terms]
    assert groups == sorted(groups, key=["transmitter", "path", "receiver", "threshold"].index)
    assert all(isinstance(t, Term) for t in sites.case().budget().terms)

"""Loss in trees: textbook figures, and the laws every such loss must keep."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation import vegetation
from linkcalc.propagation.vegetation import belt_loss_db, maximum_loss_db, woodland_loss_db

TABLE = Path(__file__).parents[1] / "reference" / "p833_woodland.csv"

depths = st.floats(0.0, 2000.0)
frequencies = st.floats(200e6, 2000e6)


@pytest.mark.parametrize(
    ("depth_m", "weissberger_db", "ccir_db"),
    # Both textbook forms worked out by hand at 915 MHz, to 0.1 dB.
    [(10.0, 4.4, 6.2), (20.0, 7.5, 9.3), (50.0, 12.9, 16.2), (100.0, 19.4, 24.5)],
)
def test_textbook_forms_give_their_textbook_figures(
    depth_m: float, weissberger_db: float, ccir_db: float
) -> None:
    assert vegetation.weissberger_loss_db(depth_m, 915e6) == pytest.approx(weissberger_db, abs=0.051)
    assert vegetation.early_ccir_loss_db(depth_m, 915e6) == pytest.approx(ccir_db, abs=0.051)


def test_maximum_loss_follows_the_fits_of_the_standard() -> None:
    # P.833-10 fits 1.37 f^0.42 (mixed) and 0.18 f^0.752 (tropical), f in MHz, at 868 MHz, by hand.
    assert maximum_loss_db(868e6) == pytest.approx(23.5, abs=0.05)
    with pytest.warns(OutOfRangeWarning, match="900 to 1800"):
        assert maximum_loss_db(868e6, forest="tropical") == pytest.approx(29.2, abs=0.05)


@pytest.mark.parametrize(
    ("frequency_mhz", "db_m"),
    [(30, 0.02), (1000, 0.20), (30_000, 6.0)],  # P.833-10, figure 2, as a public implementation holds it
)
def test_a_metre_of_leaves_costs_what_the_curve_says(frequency_mhz: float, db_m: float) -> None:
    assert vegetation.specific_attenuation_db_m(frequency_mhz * 1e6) == pytest.approx(db_m)


def test_curve_and_fit_lie_by_the_measured_woodland_of_the_standard() -> None:
    """Table 1 of P.833-10 against its own curve and fit: measured in one forest, so within a quarter."""
    frequency_mhz, g_db_m, am_db = np.loadtxt(TABLE, delimiter=",", skiprows=3).T
    assert len(frequency_mhz) == 5
    ours = vegetation.specific_attenuation_db_m(frequency_mhz * 1e6)
    assert ours == pytest.approx(g_db_m, rel=0.25)
    assert maximum_loss_db(frequency_mhz * 1e6) == pytest.approx(am_db, rel=0.12)
    assert vegetation.specific_attenuation_db_m(105.9e6, polarisation="horizontal") == pytest.approx(
        g_db_m[0]
    )


def test_another_forest_of_the_standard_lies_within_the_stated_spread() -> None:
    # P.833-10, near Mulhouse, 900 to 2200 MHz: 1.15 f^0.43, standard deviation 8.7 dB
    for frequency_mhz in (900.0, 2100.0):
        most = maximum_loss_db(frequency_mhz * 1e6)
        assert abs(1.15 * frequency_mhz**0.43 - most) < vegetation.woodland_sigma_db(most)
    assert vegetation.woodland_sigma_db(maximum_loss_db(868e6)) == pytest.approx(8.7, abs=0.2)


@given(depths, depths, frequencies, st.booleans())
def test_more_trees_never_lose_less(one: float, other: float, frequency: float, wet: bool) -> None:
    near, far = sorted((one, other))
    for loss in (woodland_loss_db, belt_loss_db):
        assert loss(near, frequency, wet=wet) <= loss(far, frequency, wet=wet) + 1e-9


@given(depths, frequencies, frequencies)
def test_a_higher_frequency_never_loses_less_in_trees(depth: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert woodland_loss_db(depth, low) <= woodland_loss_db(depth, high) + 1e-9


@given(depths, frequencies)
def test_woodland_loses_no_more_than_its_maximum_and_no_more_than_a_belt(
    depth: float, frequency: float
) -> None:
    woodland = woodland_loss_db(depth, frequency)
    assert woodland <= maximum_loss_db(frequency) + 1e-9
    assert woodland <= belt_loss_db(depth, frequency) + 1e-9


def test_a_thin_screen_costs_depth_times_the_specific_attenuation() -> None:
    assert woodland_loss_db(0.5, 1e9) == pytest.approx(0.5 * 0.2, rel=0.01)


def test_no_trees_cost_nothing_even_when_wet() -> None:
    assert woodland_loss_db(0.0, 868e6, wet=True) == 0.0
    assert belt_loss_db(0.0, 868e6, wet=True) == 0.0


@given(depths, frequencies)
def test_leaves_and_rain_on_them_add_loss(depth: float, frequency: float) -> None:
    bare = woodland_loss_db(depth, frequency, leaf="out_of_leaf")
    dry = woodland_loss_db(depth, frequency)
    wet = woodland_loss_db(depth, frequency, wet=True)
    assert bare <= dry <= wet
    assert wet - dry <= 3.5
    assert woodland_loss_db(depth, frequency, leaf="out_of_leaf", wet=True) == bare


def test_the_wet_allowance_of_a_deep_wood_is_that_of_common_practice() -> None:
    # Common practice, no source: wet leaves add 2 to 5 dB below 1 GHz.
    allowance = woodland_loss_db(50.0, 868e6, wet=True) - woodland_loss_db(50.0, 868e6)
    assert 2.0 < allowance < 5.0


def test_bare_trees_lose_what_the_standard_says_less() -> None:
    # P.833-10: leaves add about 20 % near 1 GHz; the maximum falls by 2 dB at 900 MHz, 8.5 at 2200 (Mulhouse)
    for loss in (belt_loss_db, woodland_loss_db):
        assert loss(1.0, 900e6) / loss(1.0, 900e6, leaf="out_of_leaf") == pytest.approx(1.2, abs=0.01)
    assert maximum_loss_db(900e6) - maximum_loss_db(900e6, leaf="out_of_leaf") == pytest.approx(2.0)
    with pytest.warns(OutOfRangeWarning):
        assert maximum_loss_db(2.2e9) - maximum_loss_db(2.2e9, leaf="out_of_leaf") == pytest.approx(8.5)


@given(depths, st.floats(200e6, 900e6))
def test_vertical_polarisation_loses_no_less_below_1_ghz(depth: float, frequency: float) -> None:
    horizontal = woodland_loss_db(depth, frequency, polarisation="horizontal")
    assert horizontal <= woodland_loss_db(depth, frequency) + 1e-9


def test_the_way_over_the_trees_limits_the_way_through() -> None:
    assert belt_loss_db(80.0, 900e6, wet=True, limit_db=11.0) == 11.0
    assert belt_loss_db(10.0, 1e9, limit_db=11.0) == pytest.approx(2.0)
    assert belt_loss_db(1e4, 900e6) == maximum_loss_db(900e6)


def test_textbook_forms_and_the_standard_agree_within_their_stated_spread() -> None:
    for depth in (20.0, 50.0, 100.0):
        ours = woodland_loss_db(depth, 915e6)
        for other in (vegetation.weissberger_loss_db, vegetation.early_ccir_loss_db):
            difference = abs(other(depth, 915e6) - ours)
            assert difference < 2.1 * vegetation.woodland_sigma_db(ours)


def test_depths_and_frequencies_broadcast() -> None:
    loss = woodland_loss_db(np.array([[10.0], [50.0]]), np.array([433e6, 868e6, 915e6]))
    assert loss.shape == (2, 3)
    assert loss[1, 1] == pytest.approx(woodland_loss_db(50.0, 868e6))
    assert isinstance(woodland_loss_db(50.0, 868e6), float)


@pytest.mark.parametrize("loss", [woodland_loss_db, belt_loss_db])
def test_undefined_arguments_are_refused(loss) -> None:
    for arguments in ((-1.0, 868e6), (np.nan, 868e6), (10.0, 0.0)):
        with pytest.raises(DomainError):
            loss(*arguments)
    for keyword in ({"leaf": "budding"}, {"polarisation": "circular"}, {"forest": "orchard"}):
        with pytest.raises(DomainError, match=next(iter(keyword))):
            loss(10.0, 868e6, **keyword)
    with pytest.raises(DomainError):
        vegetation.woodland_sigma_db(-1.0)


def test_outside_the_known_points_the_number_comes_with_a_warning() -> None:
    with pytest.warns(OutOfRangeWarning, match="5800 MHz"):
        assert woodland_loss_db(20.0, 5800e6) > woodland_loss_db(20.0, 2000e6)
    with pytest.warns(OutOfRangeWarning, match="depth"):
        vegetation.weissberger_loss_db(500.0, 915e6)
    with pytest.warns(OutOfRangeWarning, match="frequency"):
        vegetation.early_ccir_loss_db(50.0, 30e6)

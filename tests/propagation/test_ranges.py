"""Where each source's stated range begins and ends: silent within it, said or refused beyond; and what is no number.

The ranges are those that the functions' sources state, which their docstrings repeat.
"""

import math
from collections.abc import Callable
from typing import Any

import pytest

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation import clutter, vegetation

RANGES: list[tuple[str, Callable[[float], Any], float, float]] = [
    ("P.833 vertical", lambda x: vegetation.specific_attenuation_db_m(x), 30e6, 30e9),
    (
        "P.833 horizontal",
        lambda x: vegetation.specific_attenuation_db_m(x, polarisation="horizontal"),
        105.9e6,
        30e9,
    ),
    ("P.833 mixed", lambda x: vegetation.maximum_loss_db(x), 105.9e6, 2117.5e6),
    ("P.833 tropical", lambda x: vegetation.maximum_loss_db(x, forest="tropical"), 900e6, 1800e6),
    ("P.833 woodland", lambda x: vegetation.woodland_loss_db(50.0, x), 105.9e6, 2117.5e6),
    ("Weissberger frequency", lambda x: vegetation.weissberger_loss_db(50.0, x), 230e6, 95e9),
    ("Weissberger depth", lambda x: vegetation.weissberger_loss_db(x, 868e6), 0.0, 400.0),
    ("early CCIR frequency", lambda x: vegetation.early_ccir_loss_db(50.0, x), 200e6, 95e9),
    ("early CCIR depth", lambda x: vegetation.early_ccir_loss_db(x, 868e6), 0.0, 400.0),
    ("P.2108 3.1", lambda x: clutter.height_gain_loss_db(x, 3.0, "urban", extrapolate=True), 30e6, 3e9),
    ("P.2108 3.2", lambda x: clutter.statistical_loss_db(x, 1000.0, extrapolate=True), 500e6, 67e9),
    ("P.2108 3.2 sigma", lambda x: clutter.statistical_sigma_db(x, 1000.0, extrapolate=True), 500e6, 67e9),
    (
        "P.2108 3.2 distance",
        lambda x: clutter.statistical_loss_db(868e6, x, extrapolate=True),
        250.0,
        math.inf,
    ),
]


@pytest.mark.parametrize(("function", "low", "high"), [r[1:] for r in RANGES], ids=[r[0] for r in RANGES])
def test_a_range_is_silent_to_its_ends_and_said_beyond(
    function: Callable[[float], Any], low: float, high: float
) -> None:
    for value in (1.001 * low, min(0.999 * high, 1e9)):
        function(value)
    beyond = [0.999 * low] if low else []
    if high < math.inf:
        beyond.append(1.001 * high)
    for value in beyond:
        with pytest.warns(OutOfRangeWarning, match="outside its range"):
            function(value)


@pytest.mark.parametrize(
    ("function", "low"),
    [
        (lambda x: vegetation.specific_attenuation_db_m(x), None),
        (lambda x: vegetation.maximum_loss_db(x), None),
        (lambda x: vegetation.woodland_loss_db(x, 868e6), 0.0),
        (lambda x: vegetation.woodland_sigma_db(x), 0.0),
        (lambda x: vegetation.weissberger_loss_db(x, 868e6), 0.0),
        (lambda x: vegetation.early_ccir_loss_db(x, 868e6), 0.0),
        (lambda x: clutter.height_gain_loss_db(868e6, x, "urban"), None),
        (lambda x: clutter.height_gain_loss_db(868e6, 3.0, "urban", street_width_m=x), None),
        (lambda x: clutter.height_gain_loss_db(868e6, 3.0, "urban", clutter_height_m=x), None),
    ],
)
def test_nothing_is_allowed_where_it_has_a_meaning_and_less_never(
    function: Callable[[float], Any], low: float | None
) -> None:
    """A depth or a loss of 0 is one; a frequency, a height, a street of 0 is none."""
    if low is None:
        with pytest.raises(DomainError, match="above 0"):
            function(0.0)
    else:
        function(low)
        function(0.5)
        with pytest.raises(DomainError, match="at least 0"):
            function(-0.1)


def test_small_streets_and_clutter_are_allowed() -> None:
    clutter.height_gain_loss_db(868e6, 0.5, "urban")
    clutter.height_gain_loss_db(868e6, 3.0, "urban", street_width_m=0.5)
    clutter.height_gain_loss_db(868e6, 0.3, "urban", clutter_height_m=0.5)


def test_both_polarisations_meet_at_a_gigahertz_and_go_on_together() -> None:
    """0.2 dB/m at 1 GHz and 6 dB/m at 30 GHz: a slope of log 30 over log 30, so 2 dB/m at 10 GHz."""
    for polarisation in ("vertical", "horizontal"):
        for frequency_hz, expected in ((1e9, 0.2), (10e9, 2.0), (30e9, 6.0)):
            found = vegetation.specific_attenuation_db_m(frequency_hz, polarisation=polarisation)  # type: ignore[arg-type]
            assert found == pytest.approx(expected, rel=1e-9)

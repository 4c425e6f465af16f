"""A sweep in words."""

from typing import Any

from linkcalc.sweeps.sweeping import sweep_plan
from linkcalc.views.sweep.text import numeric_quantities, parameter_words, quantity_words, sweep_report
from tests.test_sweep import EVERY, fsk_site, site


def report(vary: dict[str, Any], quantity: str = "weaker_fade_margin_db", **how: Any) -> str:
    return sweep_report(sweep_plan(site(), vary), quantity, **how)


def test_two_parameters_are_a_table_whose_cells_say_whether_they_close() -> None:
    found = sweep_plan(site(), {"sf": [7, 9], "power": [-20, 5, 30]})
    lines = sweep_report(found).splitlines()
    assert lines[0] == "level: 6 combinations"
    assert "  spreading factor: 7, 9; in the plan 9" in lines
    assert "  transmit power: -20 dBm, 5 dBm, 30 dBm; in the plan 14 dBm" in lines
    row = next(line for line in lines if line.split()[:1] == ["7"])
    marks = {"closes": "", "at_risk": " ?", "does_not_close": " x"}
    cells = [
        f"{margin:.1f}{marks[word]}"
        for margin, word in zip(found["weaker_fade_margin_db"][0], found["verdict"][0], strict=True)
    ]
    assert " ".join(row.split()) == " ".join(["7", *cells])
    assert "? at risk; x does not close." in lines


def test_more_than_a_page_holds_is_summed_up_by_the_best() -> None:
    text = report({"sf": range(7, 13), "power": range(0, 20), "nf": [3, 9]})
    assert "Most margin over the required one, 8 of 240:" in text
    assert "1. " in text
    assert "spreading factor 12, transmit power 19 dBm, noise figure 3 dB" in " ".join(text.split())


def test_the_array_asked_for_is_shown_with_its_unit() -> None:
    text = report({"sf": [7, 12]}, "time_on_air_s")
    assert "time on air from tank to shed: 0.05658 to 1.319 s" in text


def test_what_is_not_known_is_said_to_be() -> None:
    assert "n/a" in report({"power": [33, 34]}, "charge_mc")


def test_no_line_is_wider_than_the_page() -> None:
    for vary in ({"sf": range(7, 13), "far.height": [2, 3]}, {"antenna.type": ["yagi", "collinear"]}):
        assert all(len(line) <= 80 for line in report(vary, ascii_only=True).splitlines())
        assert report(vary, ascii_only=True).isascii()


def test_everything_that_can_be_varied_has_words_without_underscores() -> None:
    found = sweep_plan(fsk_site(), {"tries": [1]})
    for name in EVERY:
        words = parameter_words(found, name)
        assert "_" not in words
        assert ("at tank" in words) == name.startswith("near.")
    for quantity in numeric_quantities():
        assert "_" not in quantity_words(found, quantity)

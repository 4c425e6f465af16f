"""Pictures of sweeps: which form, the same bytes every time, labels apart, the plan marked."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import linkcalc as lc
from linkcalc.errors import DomainError, LinkcalcError
from linkcalc.sweeps.sweeping import sweep_plan
from linkcalc.sweeps.table import Sweep
from linkcalc.views import style
from linkcalc.views.sweep.figures import draw_sweep, sweep_figure, write_all
from tests.test_sweep import site
from tests.views.factory import LONG_NAME
from tests.views.test_figures import overlaps

TYPES = ["yagi", "collinear", "half_wave_dipole", "quarter_wave_whip"]
CASES: dict[str, dict[str, Any]] = {
    "one line": {"far.height": np.arange(2.0, 9.0, 0.5)},
    "lines with the plan's own": {"sf": range(7, 13), "far.height": np.arange(2.0, 15.0)},
    "few lines": {"bw": [125, 250, 500], "sf": range(7, 13)},
    "eight lines": {"near.cable": range(1, 9), "power": range(0, 30)},
    "one word axis": {"antenna.type": TYPES},
    "words by words": {"antenna.type": TYPES, "noise_environment": ["city", "rural", "none"]},
    "bands": {"near.height": np.arange(2.0, 11.0), "far.height": np.arange(2.0, 11.0)},
    "bands with both limits": {"far.cable": range(0, 300, 10), "power": range(-10, 30)},
    "panels of lines": {"bw": [62.5, 125, 250, 500], "sf": range(7, 13), "far.height": range(2, 12)},
    "three panels of lines": {
        "sf": [7, 9, 12],
        "power": range(0, 21, 2),
        "far.height": [4.0, 8.0, 12.0, 16.0],
    },
    "three panels of named lines": {"sf": [7, 9, 12], "power": range(9), "leaf": ["in_leaf", "out_of_leaf"]},
    "panels of bands": {"leaf": ["in_leaf", "out_of_leaf"], "power": range(20), "nf": range(3, 12)},
    "two values": {"wet_foliage": [True, False]},
    "one value": {"sf": [9]},
    "narrow bands": {"antenna.tilt_deg": np.arange(0.0, 1.0, 0.1), "near.cable": np.arange(0.0, 0.09, 0.01)},
}


def found(vary: dict[str, Any], **changes: Any) -> Sweep:
    return sweep_plan(site(**changes), vary)


def long_named(vary: dict[str, Any]) -> Sweep:
    """Stations and a link with long names."""
    link = site().plan.link[0].model_dump(by_alias=True, exclude_unset=True)
    tank, shed = (s.model_dump(exclude_unset=True) for s in site().plan.station)
    names = LONG_NAME, LONG_NAME[::-1].strip()
    stations = [tank | {"name": names[0]}, shed | {"name": names[1]}]
    link |= {"name": "level", "from": names[0], "to": names[1]}
    return found(vary, station=stations, link=[link])


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("named", [found, long_named])
def test_no_label_overlaps_another_or_leaves_the_picture(case: str, named: Any) -> None:
    faults, texts = overlaps(sweep_figure(named(CASES[case])))
    assert faults == []
    assert len(texts) >= 5


@pytest.mark.parametrize(
    ("quantity", "vary"),
    [
        ("time_on_air_s", {"payload": range(10, 60, 5), "sf": range(7, 13)}),
        ("charge_mc", {"power": range(10, 40, 2), "sf": range(7, 13)}),
        ("delivery_probability", {"power": range(-20, 20), "tries": [1, 2, 3]}),
        ("spare_margin_db", {"power": range(20), "required_margin_db": range(0, 30, 2)}),
        ("path_loss_db", {"distance": np.arange(500.0, 3000.0, 250.0)}),
        ("required_margin_db", {"required_success": np.arange(0.5, 0.99, 0.05)}),
    ],
)
def test_any_array_of_numbers_is_drawn(quantity: str, vary: dict[str, Any]) -> None:
    assert overlaps(sweep_figure(found(vary), quantity))[0] == []


def asked_for_20_db() -> dict[str, Any]:
    """A link of which a stated margin asks more than anything else does."""
    link = site().plan.link[0].model_dump(by_alias=True, exclude_unset=True)
    return {"link": [link | {"required_margin_db": 20.0, "required_success": 0.5, "confidence": 0.5}]}


def words_of(figure: Any) -> str:
    return " | ".join(words for words, _ in overlaps(figure)[1])


def test_lines_are_named_with_units_and_limits_are_told() -> None:
    words = words_of(sweep_figure(found(CASES["few lines"], **asked_for_20_db())))
    for told in (
        "125 kHz (plan)",
        "500 kHz",
        "Spreading factor",
        "0 dB: receiver's limit",
        "required: 20.0 dB",
    ):
        assert told in words
    assert "Margin of the weaker direction against bandwidth and spreading factor" in words
    assert "Circle: the plan as it stands." in words


def test_a_plan_that_is_not_among_the_combinations_is_not_marked() -> None:
    assert "Circle" not in words_of(sweep_figure(found({"sf": [7, 8]})))


def test_band_edges_that_say_something_are_named() -> None:
    words = words_of(sweep_figure(found(CASES["bands with both limits"], **asked_for_20_db())))
    assert "0: receiver's limit" in words
    assert "20: required" in words
    assert "darker is more" in words


def test_only_the_panel_that_holds_the_plan_has_its_mark() -> None:
    figure = sweep_figure(found(CASES["panels of lines"]))
    marked = [any(line.get_markersize() == 8 for line in ax.lines) for ax in figure.axes]
    assert marked == [False, True, False, False]
    assert [ax.get_ylim() for ax in figure.axes] == [figure.axes[0].get_ylim()] * 4


def test_a_line_goes_through_the_numbers_of_the_table() -> None:
    table = found({"sf": [7, 12], "far.height": [2.0, 4.0, 3.0]})
    ax = style.new_figure(8, 5).add_axes((0.1, 0.1, 0.6, 0.8))
    assert draw_sweep(ax, table) is ax
    (low, high) = [line for line in ax.lines if len(line.get_xdata()) == 3]
    assert np.asarray(low.get_xdata()).tolist() == [2.0, 3.0, 4.0]
    assert np.asarray(high.get_ydata()).tolist() == table["weaker_fade_margin_db"][1, [0, 2, 1]].tolist()


def test_an_axes_of_ones_own_is_drawn_on() -> None:
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert lc.draw_sweep(ax, found(CASES["bands"])) is ax
    assert (
        lc.draw_sweep(Figure().add_subplot(), found(CASES["one line"]), "path_loss_db").get_ylabel()
        == "Path loss, dB"
    )


@pytest.mark.parametrize(
    ("vary", "quantity", "said"),
    [
        ({"sf": [7]}, "verdict", "verdict cannot be drawn; there are weaker_fade_margin_db"),
        ({"sf": [7]}, "nothing", "nothing cannot be drawn"),
        ({"sf": [7], "bw": [125], "nf": [3], "power": [1]}, "path_loss_db", "4 parameters cannot be drawn"),
        (
            {"payload": range(1, 20), "nf": range(10), "power": range(9)},
            "path_loss_db",
            "transmit_power_dbm has 9",
        ),
        ({"power": [33, 34]}, "charge_mc", "charge_mc is nowhere known in this sweep"),
    ],
)
def test_what_cannot_be_drawn_is_said(vary: dict[str, Any], quantity: str, said: str) -> None:
    with pytest.raises(DomainError, match=said):
        sweep_figure(found(vary), quantity)


def test_three_parameters_on_one_axes_are_too_many() -> None:
    with pytest.raises(DomainError, match="fix bandwidth_khz with select"):
        draw_sweep(style.new_figure(4, 3).add_subplot(), found(CASES["panels of lines"]))


def test_files_are_the_same_every_time_and_the_table_is_beside_them(tmp_path: Path) -> None:
    table = found(CASES["few lines"])
    for folder in ("one", "two"):
        written = write_all(table, tmp_path / folder)
        assert [p.name for p in written] == ["sweep.csv", "level-sweep.svg", "level-sweep.png"]
    for path in written:
        assert path.read_bytes() == (tmp_path / "one" / path.name).read_bytes()


def test_without_a_picture_the_table_is_written_all_the_same(tmp_path: Path) -> None:
    table = found({"sf": [7], "bw": [125], "nf": [3], "power": [1]})
    assert [p.name for p in write_all(table, tmp_path)] == ["sweep.csv"]
    (tmp_path / "file").write_text("")
    with pytest.raises(LinkcalcError, match="cannot be made"):
        write_all(table, tmp_path / "file")

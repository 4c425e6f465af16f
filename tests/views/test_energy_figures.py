"""The picture of battery life: every line named, names apart, nothing drawn that is not quoted."""

from typing import Any

import numpy as np
import pytest

from linkcalc.operation.energy import StationEnergy, section
from linkcalc.plan import Plan
from linkcalc.views import style
from linkcalc.views.energy.figures import life_figure


def station(name: str = "tank", **battery: Any) -> StationEnergy:
    supply = {"station": name, "sleep_current_ma": battery.pop("sleep_current_ma", 0.015)}
    plan = Plan.model_validate(
        {
            "station": [{"name": name, "antenna_height_m": 3.0}, {"name": "shed", "antenna_height_m": 6.0}],
            "link": [
                {
                    "name": "level",
                    "from": name,
                    "to": "shed",
                    "frequency_mhz": 868.3,
                    "modulation": {"kind": "css", "spreading_factor": 10},
                }
            ],
            "regulation": {"report_interval_s": 600.0},
            "power": [{**supply, "battery": battery}],
        }
    )
    return section(plan).stations[0]


CASES = {
    "small": {"capacity_mah": 2500.0, "chemistry": "alkaline"},
    "large": {"capacity_mah": 19000.0},
    "huge": {"capacity_mah": 60000.0},
    "drained by its board": {"capacity_mah": 900.0, "chemistry": "alkaline", "sleep_current_ma": 1.0},
    "self-discharging": {"capacity_mah": 2500.0, "self_discharge_percent_per_year": 60.0},
}


@pytest.mark.parametrize("case", CASES)
def test_every_drawn_spreading_factor_is_named_and_names_do_not_overlap(case: str) -> None:
    drawn = station(**CASES[case])
    figure = life_figure(drawn, 10)
    with style.styled():
        figure.canvas.draw()
    (ax,) = figure.axes
    names = [t for t in ax.texts if t.get_text().startswith("SF")]
    lines = [line for line in ax.lines if len(line.get_xdata()) > 2]
    assert len(names) == len(lines) >= 1
    boxes = [t.get_window_extent() for t in names]
    for i, one in enumerate(boxes):
        assert not any(one.overlaps(other) for other in boxes[i + 1 :]), names[i].get_text()


@pytest.mark.parametrize("case", CASES)
def test_no_line_rises_beyond_what_is_quoted(case: str) -> None:
    figure = life_figure(station(**CASES[case]), 10)
    for line in figure.axes[0].lines:
        assert np.nanmax(np.asarray(line.get_ydata(), dtype=float)) <= 10.0 * 12.0
        if figure.axes[0].get_ylabel().endswith("years"):
            assert np.nanmax(np.asarray(line.get_ydata(), dtype=float)) <= 10.0 + 1e-9


def test_the_caption_fits_the_page_and_names_what_is_not_drawn() -> None:
    figure = life_figure(station("a station whose name is as long as any plan may have", **CASES["huge"]), 10)
    with style.styled():
        figure.canvas.draw()
    width = figure.get_size_inches()[0] * figure.dpi
    assert all(text.get_window_extent().x1 <= width for text in figure.texts)
    assert any("Not drawn, longer than is quoted" in text.get_text() for text in figure.texts)


def test_there_is_no_picture_without_lives_by_spreading_factor() -> None:
    with pytest.raises(ValueError, match="shed: no battery life"):
        life_figure(StationEnergy("shed", 0, "", (), None, None, None, 0, None, None, None, (), ""))

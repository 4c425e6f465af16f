"""The map picture of a plan's links."""

import re

import numpy as np
import pytest

from linkcalc.area.relief import relief_around
from linkcalc.cli import app
from linkcalc.files import sample_path
from linkcalc.link.on_ground import open_terrain
from linkcalc.link.verdict import check_plan
from linkcalc.plan import load_plan
from linkcalc.plan.stations import position_deg
from linkcalc.terrain.rasters import open_mosaic
from linkcalc.views import style, units
from linkcalc.views.maps.frame import degrees_text, draw_scale, graticule_step
from linkcalc.views.maps.links import links_figure


@pytest.fixture(scope="module")
def made():
    loaded = load_plan(sample_path("upland"))
    placed = {s.name: position_deg(s) for s in loaded.plan.station}
    with open_terrain(loaded) as terrain:
        relief = relief_around(terrain.ground, np.array(list(placed.values())))
    return check_plan(loaded), placed, relief


def test_stations_stand_where_their_coordinates_say_and_links_bear_their_verdict(made):
    result, placed, relief = made
    figure = links_figure(*made)
    ax = figure.axes[0]
    (line,) = [k for k in ax.lines if k.get_color() == style.VERDICT[result.links[0].verdict]]
    to_degrees = np.array(line.get_xydata()) * 1e3
    for (east, north), (latitude, longitude) in zip(to_degrees, placed.values(), strict=True):
        x, y = relief.position_of(np.array(latitude), np.array(longitude))
        assert (east, north) == pytest.approx((float(x), float(y)), abs=0.01)
    assert {"tank", "generator shed"} <= {t.get_text() for t in ax.texts}
    labels = [t.get_text() for t in (*ax.get_xticklabels(), *ax.get_yticklabels())]
    assert all(re.fullmatch(r"[\d.]+° [NSEW]", words) for words in labels)
    assert len(ax.images) == 1  # the ground
    assert "at risk" in " ".join(t.get_text() for t in figure.texts).lower()


def test_without_rasters_the_map_has_no_ground_and_is_drawn_all_the_same(made):
    result, placed, _ = made
    with open_mosaic([]) as nothing:
        relief = relief_around(nothing, np.array(list(placed.values())))
    assert not links_figure(result, placed, relief).axes[0].images


def test_places_on_both_sides_of_the_180th_meridian_are_near_each_other():
    with open_mosaic([]) as nothing:
        relief = relief_around(nothing, np.array([[-17.0, 179.99], [-17.0, -179.99]]))
    assert abs(relief.longitude_deg) == pytest.approx(180.0)
    assert relief.ground_m.shape[1] * relief.cell_m < 3_000.0


@pytest.mark.parametrize("span", [0.003, 0.04, 0.9, 12.0])
def test_a_graticule_has_a_handful_of_lines_and_as_many_decimals_as_they_need(span):
    step = graticule_step(span)
    assert 3.0 <= span / step <= 8.0
    texts = [degrees_text(20.0 + n * step, step, "E", "W") for n in range(4)]
    assert len(set(texts)) == 4


@pytest.mark.cli
def test_check_writes_it_beside_the_other_pictures(tmp_path):
    from typer.testing import CliRunner

    CliRunner().invoke(app, ["check", str(sample_path("plain")), "--out", str(tmp_path)])
    assert (tmp_path / "links.png").read_bytes()[1:4] == b"PNG"
    assert "</svg>" in (tmp_path / "links.svg").read_text()[-10:]


@pytest.mark.parametrize(
    ("system", "across_km", "words"),
    [("metric", 10.0, "2 km"), ("metric", 1.2, "200 m"), ("us", 10.0, "1 mi"), ("us", 1.2, "500 ft")],
)
def test_the_bar_of_a_map_is_round_in_the_units_that_are_read(
    system: units.System, across_km: float, words: str
) -> None:
    """A fifth of the map at most: 2 km, 240 m; 1.24 mi, 787 ft."""
    ax = style.new_figure(6.0, 6.0).add_axes((0.1, 0.1, 0.8, 0.8))
    with units.shown_in(system):
        draw_scale(ax, (0.0, 0.0, across_km, across_km))
    assert words in [t.get_text() for t in ax.texts]
    (bar,) = ax.lines
    metres = {"km": 1000.0, "m": 1.0, "mi": 1609.344, "ft": 0.3048}
    count, unit = words.split()
    assert float(np.ptp(bar.get_xdata())) * 1000.0 == pytest.approx(float(count) * metres[unit])

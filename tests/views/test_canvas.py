"""What pictures share: words that fit their room, whatever they say."""

import pytest

from linkcalc.sweeps.reach_by_ground import how_far, plan_of_facts
from linkcalc.views import style
from linkcalc.views.canvas import Room, fitted_ends, spread_apart, width_of_text, wrapped_lines
from linkcalc.views.range.figures import range_figure
from tests.views.test_figures import overlaps

LONG = "Upper eastern catchment emergency header tank no. 3 (old)"


def test_both_stations_stay_readable_where_their_names_are_too_long_for_a_title() -> None:
    words = fitted_ends("From {} to {}", (LONG, LONG[::-1]), 300.0, 9.0)
    near, far = words.removeprefix("From ").split(" to ")
    assert near.endswith("…") and far.endswith("…")  # noqa: PT018
    assert min(len(near), len(far)) > 15
    assert width_of_text(words, 9.0) <= 300.0


def test_a_short_name_leaves_its_room_to_the_long_one() -> None:
    words = fitted_ends("From {} to {}", ("tank", LONG), 300.0, 9.0)
    assert words.startswith("From tank to Upper eastern catchment")
    assert 270.0 < width_of_text(words, 9.0) <= 300.0


def test_a_line_that_begins_with_a_name_from_right_to_left_keeps_its_full_stop_at_its_end() -> None:
    # Unicode Standard Annex #9: without the mark the line's first strong letter would turn it round
    lines = wrapped_lines("Heights are those of the antenna at خزان المياه first.", 150.0, 8.0)
    assert len(lines) == 2
    assert lines[1].startswith("\u200e")


def test_a_place_on_a_logarithmic_axis_is_measured_as_it_is_drawn() -> None:
    figure = style.new_figure(4.0, 3.0)
    ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    ax.set_yscale("log")
    ax.set_ylim(1.0, 100.0)
    assert Room(ax).y_pt(10.0) == pytest.approx(0.5 * 3.0 * 72.0)


def test_labels_that_have_room_stay_where_they_are_wanted() -> None:
    assert spread_apart([10.0, 50.0], [4.0, 4.0], 0.0, 100.0) == [10.0, 50.0]


def test_the_picture_of_ranges_holds_the_names_of_its_stations() -> None:
    found = how_far(plan_of_facts(frequency_mhz=868.3), grounds=["flat"])
    figure = range_figure(type(found)(**{**vars(found), "from_": LONG, "to": LONG[::-1]}))
    assert overlaps(figure)[0] == []
    assert "and back, 868.3 MHz" in " ".join(t.get_text() for t in figure.texts)

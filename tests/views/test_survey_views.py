"""Reports and pictures of a survey: they fit, they say what they should, they are the same every time."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from linkcalc.link.on_ground import cases, open_terrain
from linkcalc.plan import load_plan
from linkcalc.site.acceptance import acceptance
from linkcalc.site.readings import read_readings
from linkcalc.site.survey import Survey, survey_link
from linkcalc.site.walk_test import Spot
from linkcalc.views import style
from linkcalc.views.survey.figures import map_figure, margin_figure, spots_figure, write_all
from linkcalc.views.survey.text import acceptance_report, survey_report

SAMPLES = Path(__file__).parents[2] / "terrain_samples"
LONG = "North-western header tank above the old quarry road, eastern wall"


@pytest.fixture(scope="module")
def surveys() -> dict[str, Survey]:
    loaded = load_plan(SAMPLES / "upland.toml")
    with open_terrain(loaded) as terrain:
        case = next(iter(cases(loaded, terrain)))
    stations = (case.near.name, case.far.name)
    return {
        name: survey_link(case, read_readings(SAMPLES / f"upland_{name}.csv", stations))
        for name in ("readings", "spots")
    }


def long_named(survey: Survey) -> Survey:
    there, back = survey.directions
    return replace(
        survey,
        name=LONG,
        directions=(replace(there, from_=LONG, to=LONG), replace(back, from_=LONG, to=LONG)),
        spots=tuple(replace(s, name=f"{LONG} {i}") for i, s in enumerate(survey.spots)),
    )


@pytest.mark.parametrize("name", ["readings", "spots"])
@pytest.mark.parametrize("width", [60, 80, 100])
def test_no_line_of_a_report_is_too_long(surveys, name, width):
    for survey in (surveys[name], long_named(surveys[name])):
        for ascii_only in (False, True):
            text = survey_report(survey, width=width, ascii_only=ascii_only)
            assert max(map(len, text.splitlines())) <= width
            assert not ascii_only or text.isascii()


def test_a_report_never_shows_a_number_that_is_none(surveys):
    there, back = surveys["readings"].directions
    nothing = replace(
        back, readings=0, sent=None, received=None, received_share_interval=None, level_dbm=None,
        level_10_percent_dbm=None, lowest_level_dbm=None, excess_db=None, excess_interval_db=None,
        noise_dbm=None, required_margin_db=math.inf,
    )  # fmt: skip
    text = survey_report(replace(surveys["readings"], directions=(there, nothing)))
    assert "None" not in text
    assert "more than any" in text


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (
            ("closes", "", 31.0, 24.0),
            "31.0 dB of fade margin in the weaker direction ({way}); 24.0 dB required.",
        ),
        (("closes", "over_limits", 31.0, 24.0), "; but over the legal limits."),
        (
            ("at_risk", "", 23.98, 24.0),
            "24.0 dB of fade margin from {way}, less than 0.1 dB short of the 24.0 dB",
        ),
        (("at_risk", "", 31.0, 24.0), "31.0 dB of fade margin from {way}; the channel is too busy."),
        (("does_not_close", "", -7.0, 24.0), "7.0 dB below sensitivity from {way}."),
        # half of the messages may be lost over sensitivity too
        (("does_not_close", "", 2.0, 24.0), "2.0 dB of fade margin from {way}, 22.0 dB short of"),
        (("does_not_close", "", 31.0, 24.0), "the channel is too busy."),
    ],
)
def test_the_headline_of_a_survey_says_what_was_measured(surveys, found, words):
    verdict, reservation, margin_db, required_db = found
    d = surveys["readings"].weaker
    d = replace(d, verdict=verdict, fade_margin_db=margin_db, required_margin_db=required_db)
    survey = replace(surveys["readings"], directions=(d, d), reservation=reservation)
    assert words.format(way=f"{d.from_} to {d.to}") in survey.statement
    assert survey.headline == f"Measured: {survey.statement}"
    assert survey.to_dict()["headline"] == survey.headline


def test_an_acceptance_report_fits_and_names_both_errors():
    for found in (
        acceptance(0.95),
        acceptance(0.999, 0.99, time_on_air_s=1.3, duty_cycle=0.01, sent=10, lost=1),
    ):
        text = acceptance_report(found, ascii_only=True)
        assert max(map(len, text.splitlines())) <= 80
        assert text.isascii()
        assert "Early stop" in text
        assert "Losses come in bursts" in text


@pytest.mark.slow
def test_pictures_are_the_same_every_time(surveys, tmp_path):
    first = write_all(surveys["spots"], tmp_path / "a")
    again = write_all(surveys["spots"], tmp_path / "b")
    assert [p.name for p in first] == [p.name for p in again]
    assert len(first) == 6
    for a, b in zip(first, again, strict=True):
        assert a.read_bytes() == b.read_bytes()


@pytest.mark.parametrize("name", ["readings", "spots"])
def test_nothing_written_on_a_picture_leaves_it(surveys, name):
    for survey in (surveys[name], long_named(surveys[name])):
        figures = [margin_figure(survey)]
        if survey.spots:
            figures += [spots_figure(survey), map_figure(survey)]
        for figure in figures:
            with style.styled():
                figure.draw_without_rendering()
                for text in [*figure.texts, *(t for ax in figure.axes for t in ax.texts)]:
                    box = text.get_window_extent()
                    assert box.x0 >= figure.bbox.x0, text.get_text()
                    assert box.x1 <= figure.bbox.x1, text.get_text()


def test_a_darker_spot_is_a_better_one(surveys):
    points = map_figure(surveys["spots"]).axes[0].collections[0]
    with style.styled():
        lightness = points.to_rgba(np.asarray(points.get_array()))[:, :3] @ [0.2126, 0.7152, 0.0722]
    margins = np.asarray(points.get_array())
    assert (np.diff(lightness[np.argsort(margins)]) < 0.0).all()


def test_spots_that_share_a_place_or_a_margin_are_drawn(surveys):
    spot = Spot("a", 10.0, 179.9999, 3, 30, 30, 5.0, (2.0, 8.0), 0.5)
    across = replace(spot, name="b", longitude_deg=-179.9999, best_probability=0.5)
    survey = replace(surveys["spots"], spots=(spot, across, replace(across, name="c")))
    ax = map_figure(survey).axes[0]
    assert np.ptp(np.asarray(ax.collections[0].get_offsets())[:, 0]) == pytest.approx(21.9, abs=0.2)

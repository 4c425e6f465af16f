"""Pictures and words of messages and tank: nothing overlaps, nothing is cut off, the cautions are there."""

from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest
from matplotlib.figure import Figure

from linkcalc.operation import messages
from linkcalc.operation.tank import answer as tank
from linkcalc.views import style
from linkcalc.views.messages.figures import delay_figure
from linkcalc.views.messages.text import duration_words, messages_report, odds_words
from linkcalc.views.tank.figures import cycle_figure
from linkcalc.views.tank.text import FLOAT_ALWAYS, headline, tank_report
from tests.tank_plans import link_result, plan

STOP_ONLY = [
    {"name": "go", "kind": "start", "link": "level", "events_per_year": 140.0, "tries": 3},
    {"name": "stop", "kind": "stop", "link": "level", "events_per_year": 140.0, "tries": 3},
]
OFTEN = [{"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 60.0, "tries": 3}]

TANKS: dict[str, dict[str, Any]] = {
    "safe": {},
    "overflowing": {"engine": {"watchdog_s": 7200.0}},
    "without watchdog": {"engine": {"watchdog_s": None}},
    "bounded by nothing": {"engine": {"watchdog_s": None, "max_run_time_h": None}},
    "messages only": {"message": STOP_ONLY, "engine": {"watchdog_s": None}},
    "frequent permits": {"message": OFTEN, "engine": {"watchdog_s": 180.0}},
    "large pump": {"tank": {"pump_flow_m3_h": 50.0, "high_high_percent": 99.5, "stop_percent": 90.0}},
    "float just above stop": {"tank": {"high_high_percent": 93.0}},
    "low overflow": {"tank": {"overflow_percent": 96.0, "high_high_percent": 95.0}},
    "lying": {
        "tank": {
            "shape": {"kind": "horizontal_cylinder", "diameter_m": 2.0, "length_m": 6.0},
            "high_high_percent": None,
        }
    },
    "stops at once": {"engine": {"cool_down_s": 0.0, "stop_delay_s": 0.0}},
    "never full": {"tank": {"shape": {"kind": "upright_cylinder", "diameter_m": 12.0, "height_m": 3.0}}},
    "figures of many digits": {"tank": {"pump_flow_m3_h": 2.123456789, "draw_m3_h": 0.333333333}},
    "little room": {"tank": {"stop_percent": 99.0, "high_high_percent": None}},
}

LONG = {
    "sender": "Upper eastern catchment emergency header tank no. 3 (old)",
    "engine_at": "Δεξαμενή κεφαλής άνω ανατολικής λεκάνης απορροής αρ. 3",
}


def texts_apart(figure: Figure) -> None:
    """No two texts overlap, and none leaves the page."""
    with style.styled():
        figure.canvas.draw()
    texts = [t for t in figure.texts if t.get_text()]
    for ax in figure.axes:
        texts += [t for t in (*ax.texts, ax.xaxis.label, ax.yaxis.label) if t.get_text()]
        texts += [t for t in (*ax.get_xticklabels(), *ax.get_yticklabels()) if t.get_text()]
        low, high = sorted(ax.get_ylim())
        ticks = dict(zip(map(id, ax.get_yticklabels()), ax.get_yticks(), strict=True))
        texts = [t for t in texts if id(t) not in ticks or low <= ticks[id(t)] <= high]
        left, right = sorted(ax.get_xlim())
        ticks = dict(zip(map(id, ax.get_xticklabels()), ax.get_xticks(), strict=True))
        texts = [t for t in texts if id(t) not in ticks or left <= ticks[id(t)] <= right]
    boxes = [(t.get_text(), t.get_window_extent()) for t in texts]
    page = figure.bbox
    for words, box in boxes:
        assert box.x0 >= page.x0 - 1 and box.x1 <= page.x1 + 1, words  # noqa: PT018
        assert box.y0 >= page.y0 - 1 and box.y1 <= page.y1 + 1, words  # noqa: PT018
    for (one, a), (other, b) in combinations(boxes, 2):
        assert not a.padded(-1).overlaps(b.padded(-1)), (one, other)


def tank_of(case: str) -> tank.TankAnswer:
    found = tank.section(plan(**TANKS[case]), [link_result(16.0)])
    assert found is not None
    return found


@pytest.mark.parametrize("case", TANKS)
@pytest.mark.parametrize("names", [{}, LONG])
def test_nothing_in_the_tank_s_picture_overlaps_or_is_cut_off(case: str, names: dict[str, str]) -> None:
    texts_apart(cycle_figure(replace(tank_of(case), **names)))


def test_a_filling_that_the_run_timer_ends_is_drawn_alone_and_says_so() -> None:
    figure = cycle_figure(tank_of("never full"))
    (ax,) = figure.axes
    words = " ".join(t.get_text() for t in ax.texts)
    assert "run timer stops the engine after 8 h" in words
    assert "the stop level is not reached" in words
    assert ax.lines[0].get_xdata()[0] == pytest.approx(0.0, abs=0.05)


def test_no_figure_of_a_picture_has_more_digits_than_anybody_reads() -> None:
    shown = " ".join(t.get_text() for t in cycle_figure(tank_of("figures of many digits")).texts)
    assert "pump 2.12 m³/h" in shown


@pytest.mark.parametrize("case", TANKS)
def test_the_tank_s_report_recommends_an_independent_stop_whatever_the_figures(case: str) -> None:
    found = tank_of(case)
    text = tank_report(found)
    joined = " ".join(text.split())
    assert FLOAT_ALWAYS in joined
    assert "not a safety function" in joined
    assert "licensed people under local codes" in joined
    assert all(len(line) <= 80 for line in text.splitlines())
    assert tank_report(found, ascii_only=True).isascii()
    assert ("OVERFLOW" in headline(found)) == (not found.bound_fits and found.overrun_bound_m3 is not None)


@pytest.mark.parametrize("case", ["safe", "overflowing", "bounded by nothing"])
def test_the_picture_says_what_ends_the_filling_and_that_it_is_no_safety_function(case: str) -> None:
    figure = cycle_figure(tank_of(case))
    words = " ".join(t.get_text() for t in (*figure.texts, *(t for ax in figure.axes for t in ax.texts)))
    words = " ".join(words.split())
    expected = {
        "safe": ("watchdog stops the engine", "left", "stop and reports lost"),
        "overflowing": ("watchdog stops the engine", "lost over the rim"),
        "bounded by nothing": ("nothing stops the engine but a message",),
    }
    for part in (
        *expected[case],
        "Not a safety function",
        "licensed people",
        "overflow, 100 %",
        "stop level, 92 %",
    ):
        assert part in words


MESSAGES: dict[str, tuple[dict[str, Any], float, float]] = {
    "one try": ({"tries": 1}, 15.0, 8.0),
    "many tries": ({"tries": 8}, 15.0, 8.0),
    "no jitter": ({"tries": 4, "jitter": 0.0, "back_off": "fixed"}, 10.0, 4.0),
    "minutes": ({"tries": 4, "retry_wait_s": 60.0}, 10.0, 4.0),
    "hardly ever lost": ({"tries": 3}, 60.0, 2.0),
    "never lost": ({"tries": 20, "retry_wait_s": 1.0, "back_off": "fixed"}, 200.0, 0.0),
    "steady": ({"tries": 3}, 8.0, 0.0),
    "dead": ({"tries": 3}, -60.0, 1.0),
}


def message_of(case: str) -> messages.MessagesSection:
    change, margin_db, site_db = MESSAGES[case]
    message = {"name": "permit", "kind": "run_permit", "link": "level", "interval_s": 3600.0, **change}
    found = messages.section(
        plan(message=[message], tank=None, engine=None), [link_result(margin_db, site_db, site_db / 2.0)]
    )
    assert found is not None
    return found


@pytest.mark.parametrize("case", MESSAGES)
def test_nothing_in_a_message_s_picture_overlaps_or_is_cut_off(case: str) -> None:
    figure = delay_figure(message_of(case).messages[0])
    texts_apart(figure)
    words = " ".join(" ".join(t.get_text() for t in figure.texts).split())
    assert "not a safety function" in words
    assert "licensed people under local codes" in words


@pytest.mark.parametrize("case", MESSAGES)
def test_a_message_s_report_keeps_its_width_and_its_caution(case: str) -> None:
    found = message_of(case)
    text = messages_report(found)
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "not a safety function" in " ".join(text.split())
    assert messages_report(found, ascii_only=True).isascii()
    assert len(found.line) <= 76


def test_chances_and_times_are_said_in_few_characters() -> None:
    for probability in (0.0, 1e-9, 2e-6, 1.2e-3, 0.02, 0.2, 1.0):
        assert len(odds_words(probability)) <= 13
    for seconds in (0.01, 3.0, 65.0, 600.0, 7300.0, 4e5):
        assert len(duration_words(seconds)) <= 8

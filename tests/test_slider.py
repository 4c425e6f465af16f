"""The gallery's slider, moved as a hand moves it: each move is answered, and works nothing out."""

import runpy
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

import linkcalc as lc
from tests.test_docs import DOCS

pytest.importorskip("ipywidgets")

ROOT = Path(lc.__file__).parent
PHYSICS = tuple(str(ROOT / room) for room in ("propagation", "radio", "terrain", "link", "area"))


@contextmanager
def work() -> Iterator[list[str]]:
    """Functions that are called where paths, losses and margins are worked out."""
    called: list[str] = []

    def note(frame: FrameType, event: str, _: Any) -> None:
        if event == "call" and frame.f_code.co_filename.startswith(PHYSICS):
            called.append(frame.f_code.co_name)

    sys.setprofile(note)
    try:
        yield called
    finally:
        sys.setprofile(None)


def test_a_move_of_the_slider_is_answered_as_a_check_would_and_works_nothing_out() -> None:
    with work() as once:
        made = runpy.run_path(str(DOCS / "gallery" / "27_slider.py"))
    assert len(once) > 100
    factor, height, answer = made["factor"], made["height"], made["answer"]
    said, started = {}, time.perf_counter()
    with work() as moving:
        for factor.value in range(7, 13):
            for step in range(21):
                height.value = 2.0 + 0.5 * step
                said[factor.value, height.value] = answer.value
    print(f"{1e3 * (time.perf_counter() - started) / len(said):.2f} ms a move")  # to read, not to judge by
    assert moving == []
    assert len(said) == 126
    plan = lc.load_plan(lc.sample_path("plain"))
    one = plan.plan.link[0]
    planned_m = next(s.antenna_height_m for s in plan.plan.station if s.name == one.to)
    for spreading_factor in (7, 9, 12):
        modulation = one.modulation.model_copy(update={"spreading_factor": spreading_factor})
        changed = plan.changed(link=[one.model_copy(update={"modulation": modulation})])
        checked = lc.check(changed, advice=False).links[0]
        margin_db = min(d.fade_margin_db for d in checked.directions)
        assert said[spreading_factor, planned_m] == f"{margin_db:.1f} dB, {checked.verdict}"

"""The gallery's slider, moved as a hand moves it: each move is answered, and works nothing out."""

import runpy
import time
from typing import Any

import pytest

import linkcalc as lc
from linkcalc.link import case, path_loss
from tests.test_docs import DOCS

pytest.importorskip("ipywidgets")


@pytest.fixture
def work(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Paths whose loss is worked out, one entry a call."""
    done: list[int] = []
    for module, name in ((path_loss, "find"), (path_loss, "losses"), (case, "losses")):
        original = getattr(module, name, None)
        if original is not None:

            def counted(*args: Any, _original: Any = original, **kwargs: Any) -> Any:
                done.append(1)
                return _original(*args, **kwargs)

            monkeypatch.setattr(module, name, counted)
    return done


def test_a_move_of_the_slider_is_answered_as_a_check_would_and_works_nothing_out(work: list[int]) -> None:
    made = runpy.run_path(str(DOCS / "gallery" / "27_slider.py"))
    once = len(work)
    assert once > 0
    factor, height, answer = made["factor"], made["height"], made["answer"]
    moves, started = 0, time.perf_counter()
    said = {}
    for factor.value in range(7, 13):
        for step in range(21):
            height.value = 2.0 + 0.5 * step
            said[factor.value, height.value] = answer.value
            moves += 1
    print(f"{1e3 * (time.perf_counter() - started) / moves:.2f} ms a move")  # to read, not to judge by
    assert len(work) == once
    assert len(said) == moves == 126
    plan = lc.load_plan(lc.sample_path("plain"))
    one = plan.plan.link[0]
    planned_m = next(s.antenna_height_m for s in plan.plan.station if s.name == one.to)
    for spreading_factor in (7, 9, 12):
        modulation = one.modulation.model_copy(update={"spreading_factor": spreading_factor})
        changed = plan.changed(link=[one.model_copy(update={"modulation": modulation})])
        checked = lc.check(changed, advice=False).links[0]
        margin_db = min(d.fade_margin_db for d in checked.directions)
        assert said[spreading_factor, planned_m] == f"{margin_db:.1f} dB, {checked.verdict}"

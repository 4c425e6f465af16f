"""Our look on axes of one's own."""

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

import linkcalc as lc

LONGEST_PX = 60.0
"""A tick label of a power of ten at 100 dots an inch; as raw markup it is twice that."""


@pytest.mark.parametrize("scale", ["log", "symlog", "logit"])
def test_labels_of_logarithmic_axes_are_powers_and_no_markup(scale: str) -> None:
    with lc.styled():
        figure = Figure(figsize=(6.0, 4.0), dpi=100)
        ax = figure.add_subplot(xscale=scale, yscale=scale)
        values = np.linspace(0.001, 0.999, 50) if scale == "logit" else np.logspace(-6, 3, 50)
        ax.plot(values, values)
        figure.draw_without_rendering()
        labels = [t for t in (*ax.get_xticklabels(), *ax.get_yticklabels()) if t.get_text()]
        assert len(labels) > 4
        # words such as \mathdefault would be drawn as they stand
        assert max(t.get_window_extent().width for t in labels) < LONGEST_PX


def test_a_dollar_sign_in_a_name_is_a_dollar_sign_on_any_axes() -> None:
    tables = lc.load_plan(lc.sample_path("plain")).tables()
    names = {"header tank": "tank $a_1$", "pump shed": "shed $\\bad{$"}
    said = [
        {**s, "name": names[s["name"]]}
        for s in tables["station"]
        if isinstance(s, dict) and s["name"] in names
    ]
    link = {**tables["link"][0], "from": names["header tank"], "to": names["pump shed"]}
    profile = lc.profile_from([0.0, 900.0, 1800.0], [40.0, 44.0, 41.0])
    plan = lc.plan_from(station=said, link=[link], profiles={link["name"]: profile})
    found = lc.check(plan, advice=False).links[0]
    for around in (lc.styled, None):
        figure = Figure(figsize=(8.0, 5.0))
        if around is None:
            lc.draw_profile(figure.add_axes((0.1, 0.2, 0.8, 0.6)), found)
            figure.draw_without_rendering()
        else:
            with around():
                lc.draw_profile(figure.add_axes((0.1, 0.2, 0.8, 0.6)), found)
                figure.draw_without_rendering()
        shown = [t for t in figure.findobj(Text) if "tank $a_1$" in t.get_text()]
        assert shown
        assert not any(t.get_parse_math() for t in shown)

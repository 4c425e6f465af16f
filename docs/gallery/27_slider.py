"""A slider that answers at once

Every setting is worked out once, in one call; a move only looks its cell up. End a notebook's cell with `sliders`.
"""

import ipywidgets
import numpy as np

import linkcalc as lc

vary = {"spreading_factor": range(7, 13), "far.antenna_height_m": np.arange(2.0, 12.5, 0.5)}
table = lc.sweep(lc.sample_path("plain"), vary)
factor = ipywidgets.IntSlider(7, 7, 12, description="factor")
height = ipywidgets.FloatSlider(3.0, min=2.0, max=12.0, step=0.5, description="height, m")
sliders = ipywidgets.VBox([factor, height, answer := ipywidgets.Label()])


def moved(_: object) -> None:
    cell = table.cell(dict(zip(vary, (factor.value, height.value), strict=True)))
    answer.value = f"{cell['weaker_fade_margin_db']:.1f} dB, {cell['verdict']}"


for slider in (factor, height):
    slider.observe(moved, "value")
for factor.value, height.value in ((7, 4.0), (10, 4.0), (10, 9.5)):  # as a hand would
    print(f"SF{factor.value} at {height.value:g} m: {answer.value}")

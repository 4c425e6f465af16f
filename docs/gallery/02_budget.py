"""Where the decibels go

Every gain and loss from the transmitter to the margin, drawn on axes of your own.
"""

from matplotlib.figure import Figure

import linkcalc as lc

direction = lc.check(lc.sample_path("upland")).links[0].directions[0]
figure = Figure(figsize=(9.0, 5.5))
lc.draw_budget(figure.add_axes((0.28, 0.12, 0.52, 0.76)), direction)
figure.savefig("budget.svg")
print(f"{direction.fade_margin_db:.1f} dB left, {direction.required_margin_db:.1f} dB required")

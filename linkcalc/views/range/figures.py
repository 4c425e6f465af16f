"""How far a link goes, as bands: where it closes, and where it is a gamble."""

import math
import textwrap
from typing import Any

from matplotlib.figure import Figure

from linkcalc.sweeps.reach_by_ground import FARTHEST_M, NEAREST_M, HowFar
from linkcalc.views import canvas, style
from linkcalc.views.range.text import ONE_HILL

_ON_DARK: dict[str, Any] = {"color": style.PAPER, "size": style.SMALL_PT}


def range_figure(found: HowFar) -> Figure:
    """Draw a band for each kind of ground and spreading factor, with title and caption."""
    rows = len(found.reaches)
    height = 2.4 + 0.22 * rows + 0.18 * len(found.grounds)
    with style.styled_figure(10.0, height) as figure:
        ax = canvas.axes_in(figure, 3.0, 1.05, 6.7, height - 1.95)
        y, ticks, names, near = 0.0, [], [], NEAREST_M / 1e3
        good, fair = (style.VERDICT[verdict] for verdict in ("closes", "at_risk"))
        for ground in found.grounds:
            first = y
            for reach in (r for r in found.reaches if r.ground == ground.name):
                closes, gamble = (min(v, FARTHEST_M) / 1e3 for v in (reach.closes_m, reach.gamble_m))
                ax.barh(y, max(gamble - near, 0.0), left=near, height=0.8, color=fair, alpha=0.45)
                ax.barh(y, max(closes - near, 0.0), left=near, height=0.8, color=good)
                ticks.append(y)
                names.append("" if reach.spreading_factor is None else f"SF{reach.spreading_factor}")
                if math.isinf(reach.closes_m):
                    ax.text(FARTHEST_M / 1e3, y, "beyond ", ha="right", va="center", **_ON_DARK)
                y += 1.0
            middle, beside = (first + y - 1.0) / 2.0, ax.get_yaxis_transform()
            ax.text(-0.075, middle, style.drawable(ground.words), ha="right", va="center", transform=beside)
            y += 0.8
        ax.set_xscale("log")
        ax.set_xlim(near, FARTHEST_M / 1e3)
        ax.set_ylim(y - 0.8, -0.8)
        ax.set_yticks(ticks, names, size=style.SMALL_PT)
        kilometres = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50)
        ax.set_xticks(kilometres, [f"{v:g}" for v in kilometres])
        ax.minorticks_off()
        ax.set_xlabel("distance, km")
        ax.grid(axis="x")
        form = f"How far: {{}} to {{}} and back, {found.frequency_hz / 1e6:g} MHz"
        title = canvas.fitted_ends(form, (found.from_, found.to), 0.96 * 720.0, style.TITLE_PT, bold=True)
        key = (
            f"dark: closes ({100 * found.asked.success:g} % of the messages at {100 * found.asked.confidence:g} % of "
            "such sites); light: works at half of them or more"
        )
        canvas.write_title(figure, 1.0 - 0.3 / height, title)
        canvas.write_facts(figure, 1.0 - 0.62 / height, key)
        figure.text(0.02, 0.3 / height, textwrap.fill(ONE_HILL, 130), va="center", **style.CAPTION)
    return figure

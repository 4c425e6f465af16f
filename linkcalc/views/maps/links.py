"""The links of a result on a map picture: stations, links by their verdict, the ground under them."""

from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from linkcalc.area.relief import Relief
from linkcalc.link.result import Result
from linkcalc.views import canvas, style
from linkcalc.views.maps.figures import draw_relief
from linkcalc.views.maps.files import Positions
from linkcalc.views.maps.frame import Mark, draw_marks
from linkcalc.views.words import VERDICTS_IN_TEXT

_MAP_IN: Final = 6.8
_LEFT_IN: Final = 0.95
_DASHES: Final[dict[str, Any]] = {"closes": "-", "at_risk": (0, (6, 2)), "does_not_close": (0, (1.5, 2))}
"""Verdicts differ in dashes as well as in colour."""
_SEVERAL: Final = {"closes": "close", "at_risk": "at risk", "does_not_close": "do not close"}


def links_figure(result: Result, positions: Positions, relief: Relief) -> Figure:
    """A map of a plan's links over the ground around them; those of stations without a position are left out."""
    names = list(positions)
    x, y = (v / 1e3 for v in relief.position_of(*np.array(list(positions.values())).T))
    at = dict(zip(names, zip(x.tolist(), y.tolist(), strict=True), strict=True))
    links = [(k, k.directions[0].from_, k.directions[0].to) for k in result.links]
    links = [(k, a, b) for k, a, b in links if a in at and b in at]
    counts = {v: sum(k.verdict == v for k, _, _ in links) for v in VERDICTS_IN_TEXT}
    said = {v: VERDICTS_IN_TEXT[v] if n == 1 else _SEVERAL[v] for v, n in counts.items()}
    words = ", ".join(f"{n} {said[v]}" for v, n in counts.items() if n)
    title = canvas.filled(
        f"{len(links)} links: {words}" if len(links) != 1 else f"{links[0][0].name}: {words[2:]}", 74
    )
    rows, columns = relief.ground_m.shape
    height = _MAP_IN * rows / columns
    above, below = 0.30 + 0.2 * (title.count("\n") + 1), 1.15
    width, tall = _LEFT_IN + _MAP_IN + 0.35, height + above + below
    with style.styled_figure(width, tall) as figure:
        ax = canvas.axes_in(figure, _LEFT_IN, below, _MAP_IN, height)
        draw_relief(ax, relief)
        for link, a, b in links:
            x_km, y_km = zip(at[a], at[b], strict=True)
            ax.plot(x_km, y_km, color=style.PAPER, lw=3.6, zorder=4)
            ax.plot(x_km, y_km, zorder=4.1, **_look(link.verdict))
        marks = [Mark(name, *at[name], "^", 8.0) for name in names]
        draw_marks(ax, marks, lines=[(at[a], at[b]) for _, a, b in links])
        canvas.write_words(figure, _LEFT_IN, -0.14, title, style.TITLE)
        handles = [Line2D([], [], label=VERDICTS_IN_TEXT[v], **_look(v)) for v, n in counts.items() if n]
        handles.append(canvas.key_mark("station"))
        figure.legend(
            handles=handles, loc="upper left", bbox_to_anchor=(_LEFT_IN / width - 0.005, 0.78 / tall), ncols=4,
            fontsize=style.SMALL_PT, handlelength=2.6, borderpad=0.0,
        )  # fmt: skip
        caption = canvas.filled(f"Relief lit from the north-west. Degrees: WGS 84. {canvas.SAFETY}", 110)
        canvas.write_words(figure, _LEFT_IN, 0.48, caption, style.LINES)
    return figure


def _look(verdict: str) -> dict[str, Any]:
    return {"color": style.VERDICT[verdict], "lw": 1.9, "ls": _DASHES[verdict]}

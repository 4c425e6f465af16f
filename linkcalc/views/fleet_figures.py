"""Pictures of a fleet: its nodes and how they fare, success against traffic, airtime of each shed."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from linkcalc.fleets.answer import FleetResult
from linkcalc.views import style
from linkcalc.views.canvas import width_of_text
from linkcalc.views.fleet_text import headline, shortened, sites_words, times_words
from linkcalc.views.map_figures import draw_ground
from linkcalc.views.map_frame import frame

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_NAMED = 8
"""Nodes that are named on the map: those that fare worst."""
_TIED = 200
"""Nodes up to which each is tied to its shed: more lines hide the land, and each other."""
_STUB = 0.02
"""Length of the line that shows which way a shed is, where ties would hide the map; in widths of it."""
_SAFETY: Final = "A prediction: measure on site. A radio link is no safety function and no emergency stop."
_MARKS: Final = {
    "closes": ("o", style.RAY, 30.0),
    "at_risk": ("D", style.CAUTION, 34.0),
    "does_not_close": ("X", style.ACCENT, 52.0),
}


def map_figure(result: FleetResult) -> "Figure":
    """Nodes and base stations on shaded relief, each node tied to its shed."""
    with style.styled():
        figure = style.new_figure(8.6, 8.6)
        ax = figure.add_axes((0.085, 0.165, 0.86, 0.72))
        draw_map(ax, result)
        _text(
            figure, 0.085, 0.968, _first_upper(headline(result)), size=style.TITLE_PT, weight="bold", width=80
        )
        what = f"Each node with the base station it {'should report' if result.assigned else 'reports'} to; the darker "
        what += "and thicker the line, the higher the spreading factor."
        if len(result.nodes) > _TIED:
            what = "The darker the mark, the higher the spreading factor; nodes that may get fewer than required point"
            what += " to their base station."
        _text(figure, 0.085, 0.928, what, size=style.TEXT_PT, width=112)
        _key(figure, result)
        words = f"Terrain shaded from the north-west. Degrees: WGS 84. {_SAFETY}"
        _text(figure, 0.085, 0.045, words, size=style.SMALL_PT, width=128, color=style.MUTED)
    return figure


def draw_map(ax: "Axes", result: FleetResult) -> None:
    """Draw relief, ties, nodes, sheds and scale."""
    from matplotlib.collections import LineCollection

    relief = result.drawing.relief
    rows, columns = relief.ground_m.shape
    east_km, north_km = columns * relief.cell_m / 2e3, rows * relief.cell_m / 2e3
    draw_ground(ax, relief.ground_m, relief.cell_m)
    x, y = (v / 1e3 for v in relief.position_of(*_places(result)))
    sheds = np.array([(s.latitude_deg, s.longitude_deg) for s in result.sheds])
    sx, sy = (v / 1e3 for v in relief.position_of(sheds[:, 0], sheds[:, 1]))
    index = {s.name: j for j, s in enumerate(result.sheds)}
    home = np.array([index[n.shed] for n in result.nodes])
    few = len(result.nodes) <= _TIED
    tied = [
        k for k, n in enumerate(result.nodes) if np.isfinite(n.margin_db) and (few or n.verdict != "closes")
    ]
    ends = np.stack([sx[home], sy[home]], axis=-1)[tied]
    starts = np.stack([x, y], axis=-1)[tied]
    if not few:
        away = np.hypot(*(ends - starts).T)[:, None]
        ends = starts + (ends - starts) * np.minimum(1.0, 2.0 * east_km * _STUB / np.maximum(away, 1e-9))
    ties = np.stack([starts, ends], axis=1)
    colours = [factor_colour(result.nodes[k].spreading_factor) for k in tied] if few else style.INK
    widths = [factor_width(result.nodes[k].spreading_factor) for k in tied] if few else 1.0
    ax.add_collection(LineCollection(list(ties), colors=colours, linewidths=widths, zorder=3))
    small = min(1.0, 120.0 / len(result.nodes)) ** 0.5
    factors = np.array([n.spreading_factor or 0 for n in result.nodes])
    for verdict, (marker, colour, size) in _MARKS.items():
        own = np.array([n.verdict == verdict for n in result.nodes])
        if verdict != "closes":  # those that need something done stay large, and lie on top
            ax.scatter(
                x[own], y[own], size * max(small, 0.6), color=colour, marker=marker, edgecolors=style.PAPER,
                linewidths=0.7, zorder=5,
            )  # fmt: skip
            continue
        for factor in sorted(set(factors[own].tolist())):
            some = own & (factors == factor)
            ax.scatter(
                x[some], y[some], size * small,
                color=colour if few else factor_colour(factor or None),
                marker=marker, edgecolors=style.PAPER, linewidths=0.7 * small, zorder=4,
            )  # fmt: skip
    ax.scatter(sx, sy, 130.0, color=style.INK, marker="^", edgecolors=style.PAPER, linewidths=1.0, zorder=6)
    # what names should leave in sight: marks, and lines point by point
    along = np.linspace(0.0, 1.0, 60)[:, None]
    drawn = [np.stack([x, y], axis=-1), *(a + (b - a) * along for a, b in ties)]
    names = _Names(ax, east_km, north_km, np.concatenate(drawn))
    for s, a, b in zip(result.sheds, sx, sy, strict=True):
        names.write(s.name, a, b, always=True, size=style.TEXT_PT, weight="bold")
    for k in _to_name(result):
        names.write(result.nodes[k].name, x[k], y[k], always=few, size=style.SMALL_PT)
    frame(ax, relief.crs, (-east_km, -north_km, east_km, north_km))


def _places(result: FleetResult) -> tuple[np.ndarray, np.ndarray]:
    return np.array([n.latitude_deg for n in result.nodes]), np.array([n.longitude_deg for n in result.nodes])


def factor_colour(factor: int | None) -> str:
    """A spreading factor's colour: one hue, darker for a higher one.

    >>> factor_colour(7) != factor_colour(12)
    True
    """
    from matplotlib.colors import LinearSegmentedColormap, to_hex

    ramp = LinearSegmentedColormap.from_list("factor", style.SEQUENCE[2:])
    return to_hex(ramp((min(max(factor or 9, 7), 12) - 7) / 5.0))


def factor_width(factor: int | None) -> float:
    """Width of a line: thicker for a higher spreading factor."""
    return 0.8 + 0.3 * (min(max(factor or 9, 7), 12) - 7)


def _to_name(result: FleetResult) -> list[int]:
    """The nodes that do not close, else the one that fares worst; a few of them."""
    order = sorted(range(len(result.nodes)), key=lambda k: result.nodes[k].assured)
    failing = [k for k in order if result.nodes[k].verdict != "closes"]
    return (failing or order[:1])[:_NAMED]


class _Names:
    """Names beside their places, where they hide least of what is drawn and not each other."""

    _SIDES = ((1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1), (0, -1), (1, 0), (-1, 0))

    def __init__(self, ax: "Axes", east_km: float, north_km: float, drawn: np.ndarray) -> None:
        self._ax, self._east_km, self._north_km, self._drawn = ax, east_km, north_km, drawn
        # the arrow that points north
        self._taken = [(0.9 * east_km, 0.8 * north_km, east_km, north_km)]

    def write(
        self, name: str, x: float, y: float, *, always: bool, size: float, weight: str = "normal"
    ) -> None:
        """Write a name; unless it must be written, only where nothing else is."""
        words = style.drawable(shortened(name))
        # the map is 7.4 inches wide
        unit = 2.0 * self._east_km / (7.4 * 72.0)
        wide, high = (width_of_text(words, size, weight == "bold") + 4.0) * unit, 1.5 * size * unit
        best = None
        for away_pt in (9.0, 16.0, 26.0) if always else (9.0, 13.0):
            for across, up in self._SIDES:
                left = x + across * away_pt * unit - wide * (1 - across) / 2.0
                low = y + up * (away_pt - 2.0) * unit - high * (1 - up) / 2.0
                box = (left, low, left + wide, low + high)
                if (
                    box[0] < -self._east_km
                    or box[2] > self._east_km
                    or abs(low + high / 2.0) + high > self._north_km
                ):
                    continue
                if any(
                    box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in self._taken
                ):
                    continue
                room = 4.0 * unit  # for the size of a mark
                inside = (self._drawn > (box[0] - room, box[1] - room)) & (
                    self._drawn < (box[2] + room, box[3] + room)
                )
                hidden = int(inside.all(axis=1).sum())
                if best is None or hidden < best[0]:
                    best = hidden, box
        if best is None or (best[0] and not always):
            return
        left, low, right, top = best[1]
        self._taken.append(best[1])
        self._ax.text(
            (left + right) / 2.0, (low + top) / 2.0, words, ha="center", va="center", color=style.INK, size=size,
            weight=weight, zorder=7,
            bbox={"boxstyle": "square,pad=0.12", "fc": style.PAPER, "ec": "none", "alpha": 0.8},
        )  # fmt: skip


def _key(figure: "Figure", result: FleetResult) -> None:
    from matplotlib.lines import Line2D

    words = {
        "closes": "has the required success",
        "at_risk": "may have less",
        "does_not_close": "loses more than half on the best guess",
    }
    handles = []
    many = None if len(result.nodes) <= _TIED else factor_colour(9)
    for verdict, (marker, colour, size) in _MARKS.items():
        count = sum(n.verdict == verdict for n in result.nodes)
        if count:
            handles.append(
                Line2D([], [], marker=marker, color=colour if many is None or verdict != "closes" else many,
                       linestyle="", markersize=np.sqrt(size),
                       markeredgecolor=style.PAPER, label=f"{words[verdict]} ({count})")
            )  # fmt: skip
    handles.append(
        Line2D([], [], marker="^", color=style.INK, linestyle="", markersize=10, label="base station")
    )
    for factor in sorted({n.spreading_factor for n in result.nodes if n.spreading_factor}):
        look: dict[str, Any] = {"linewidth": factor_width(factor)}
        if many is not None:
            look = {"linestyle": "", "marker": "o", "markersize": 5}
        handles.append(Line2D([], [], color=factor_colour(factor), label=f"SF{factor}", **look))
    figure.legend(
        handles=handles, loc="lower left", bbox_to_anchor=(0.075, 0.052), ncols=4,
        fontsize=style.SMALL_PT, handlelength=1.4, columnspacing=1.4,
    )  # fmt: skip


def load_figure(result: FleetResult) -> "Figure":
    """Success against traffic: what a plan is judged by, and the closed form beside the simulation."""
    with style.styled():
        figure = style.new_figure(10.0, 5.4)
        left, right = (
            figure.add_axes(box) for box in ((0.07, 0.175, 0.40, 0.595), (0.565, 0.175, 0.40, 0.595))
        )
        times = np.array([p.times for p in result.loads])
        lines = (
            ("median node", [p.median for p in result.loads]),
            ("worst tenth", [p.tenth for p in result.loads]),
            ("worst node", [p.worst for p in result.loads]),
        )
        for (name, values), (colour, dash) in zip(lines, style.SERIES, strict=False):
            left.plot(times, 100.0 * np.array(values), color=colour, linestyle=dash, label=name)
        asked = 100.0 * result.required_success
        left.axhline(asked, color=style.MUTED, linewidth=0.9)
        left.annotate(
            f"{asked:.4g} % required", (times[0], asked), (2, -4), textcoords="offset points", va="top",
            fontsize=style.SMALL_PT, color=style.MUTED,
        )  # fmt: skip
        left.set_title(f"Messages that arrive, at {sites_words(result.confidence)}", fontsize=style.TEXT_PT)
        right.plot(
            times, 100.0 * np.array([p.tries_received for p in result.loads]), color=style.RAY,
            label="closed form",
        )  # fmt: skip
        played = [p for p in result.loads if p.played is not None]
        if played:
            middle = 100.0 * np.array([p.played or 0.0 for p in played])
            low = middle - 100.0 * np.array([p.played_low or 0.0 for p in played])
            high = 100.0 * np.array([p.played_high or 0.0 for p in played]) - middle
            right.errorbar(
                [p.times for p in played], middle, yerr=[low, high], fmt="o", color=style.POINT, capsize=3,
                markersize=5, label="simulated packet by packet, three standard errors",
            )  # fmt: skip
        right.set_title("Single tries at the predicted levels, mean of all nodes", fontsize=style.TEXT_PT)
        for ax in (left, right):
            ax.set_xscale("log", base=2)
            ax.set_xticks(times)
            ax.set_xticklabels([_tick(t) for t in times], fontsize=style.SMALL_PT)
            ax.minorticks_off()
            ax.set_ylim(0.0, 103.0)
            ax.set_xlabel("traffic, times what is planned")
            ax.set_ylabel("received, %")
            ax.grid(True)
            ax.legend(loc="lower left", fontsize=style.SMALL_PT)
        _text(figure, 0.07, 0.965, f"{_first_upper(headline(result))}", size=style.TITLE_PT, weight="bold",
              width=92)  # fmt: skip
        under = "What becomes of the fleet if every node reports more or less often, all else as "
        under += "proposed." if result.assigned else "planned."
        _text(figure, 0.07, 0.895, under, size=style.TEXT_PT, width=130)
        _text(figure, 0.07, 0.055, _SAFETY, size=style.SMALL_PT, width=150, color=style.MUTED)
    return figure


def _tick(times: float) -> str:
    return {0.125: "⅛", 0.25: "¼", 0.5: "½"}.get(times, f"{times:g}")


def airtime_figure(result: FleetResult) -> "Figure":
    """What each shed hears and sends in an hour."""
    with style.styled():
        height = 2.3 + 0.62 * len(result.sheds)
        figure = style.new_figure(9.0, height)
        ax = figure.add_axes((0.17, 0.95 / height, 0.79, (height - 2.15) / height))
        factors = [words for words, _, _ in result.sheds[0].by_signal]
        names = [s.name for s in result.sheds]
        y = np.arange(len(names))[::-1]
        begin = np.zeros(len(names))
        for place, words in enumerate(factors):
            seconds = np.array([s.by_signal[place][2] for s in result.sheds])
            if seconds.sum() <= 0.0:
                continue
            factor = int(words[2:]) if words.startswith("SF") else None
            ax.barh(y + 0.17, seconds, 0.34, left=begin, color=factor_colour(factor), edgecolor=style.PAPER,
                    linewidth=0.8, label=f"{words} from its nodes")  # fmt: skip
            begin = begin + seconds
        answers = np.array([s.answering_s_per_hour for s in result.sheds])
        if answers.sum() > 0.0:
            ax.barh(y - 0.17, answers, 0.34, color=style.GROUND, edgecolor=style.GROUND_EDGE, hatch="///",
                    linewidth=0.6, label="its answers")  # fmt: skip
        ax.set_yticks(y)
        ax.set_yticklabels([style.drawable(shortened(n)) for n in names])
        ax.set_xlabel("on the air, seconds an hour")
        ax.grid(True, axis="x")
        ax.set_xlim(0.0, 1.06 * max(float(begin.max()), float(answers.max()), 1e-3))
        figure.legend(
            loc="upper left", bbox_to_anchor=(0.16, 1.0 - 0.62 / height), ncols=5, fontsize=style.SMALL_PT,
            handlelength=1.4, columnspacing=1.2,
        )  # fmt: skip
        _text(figure, 0.03, 1.0 - 0.15 / height, "Airtime of each base station, tries included", size=style.TITLE_PT,
              weight="bold", width=90)  # fmt: skip
        words = f"Every node reporting {times_words(1.0)}. {_SAFETY}"
        _text(figure, 0.03, 0.30 / height, words, size=style.SMALL_PT, width=140, color=style.MUTED)
    return figure


def _first_upper(words: str) -> str:
    return words[:1].upper() + words[1:]


def _text(figure: "Figure", x: float, y: float, words: str, *, width: int, **look: Any) -> None:
    from textwrap import fill

    figure.text(x, y, fill(style.drawable(words), width), va="top", linespacing=1.35, **look)


def write_all(result: FleetResult, folder: str | os.PathLike[str]) -> list[Path]:
    """Write map, success and airtime as SVG and PNG into a folder.

    Raises
    ------
    LinkcalcError
        If a file cannot be written.
    """
    written = []
    for name, figure, title in (
        ("fleet-map", map_figure(result), "Nodes and base stations"),
        ("fleet-traffic", load_figure(result), "Success against traffic"),
        ("fleet-airtime", airtime_figure(result), "Airtime of each base station"),
    ):
        written += style.save(figure, Path(folder) / name, title)
    return written

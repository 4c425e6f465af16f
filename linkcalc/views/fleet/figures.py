"""Pictures of a fleet: its nodes and how they fare, success against traffic, airtime of each shed."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from textwrap import fill
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from linkcalc.fleets.result import FleetResult
from linkcalc.views import canvas, style
from linkcalc.views.fleet.text import headline, shortened, sites_words, times_words
from linkcalc.views.maps.figures import draw_relief
from linkcalc.views.maps.frame import corners

_NAMED = 8
"""Nodes that are named on the map: those that fare worst."""
_TIED = 200
"""Nodes up to which each is tied to its shed: more lines hide the land, and each other."""
_STUB = 0.02
"""Length of the line that shows which way a shed is, where ties would hide the map; in widths of it."""
_SHED_PT: Final = 130.0**0.5
_MARKS: Final = {
    "closes": ("o", style.RAY, 30.0),
    "at_risk": ("D", style.CAUTION, 34.0),
    "does_not_close": ("X", style.ACCENT, 52.0),
}


def map_figure(result: FleetResult) -> Figure:
    """Nodes and base stations on shaded relief, each node tied to its shed."""
    with style.styled_figure(8.6, 8.6) as figure:
        ax = figure.add_axes((0.085, 0.165, 0.86, 0.72))
        draw_map(ax, result)
        _write(figure, 0.085, 0.968, canvas.upper_first(headline(result)), 80, style.TITLE)
        what = f"Each node with the base station it {'should report' if result.assigned else 'reports'} to; "
        what += "darker and thicker: a higher spreading factor."
        if len(result.nodes) > _TIED:
            what = "Darker: a higher spreading factor; nodes that may get less than required point to their base."
        _write(figure, 0.085, 0.928, what, 112, {"size": style.TEXT_PT})
        _key(figure, result)
        words = f"Terrain shaded from the north-west. Degrees: WGS 84. {canvas.SAFETY}"
        _write(figure, 0.085, 0.045, words, 128, style.CAPTION)
    return figure


def draw_map(ax: Axes, result: FleetResult) -> None:
    draw_relief(ax, result.drawing.relief)
    x, y = _places_km(result, result.nodes)
    sx, sy = _places_km(result, result.sheds)
    few = len(result.nodes) <= _TIED
    ties = _draw_ties(ax, result, np.stack([x, y], axis=-1), np.stack([sx, sy], axis=-1))
    _draw_nodes(ax, result, x, y)
    ax.scatter(
        sx, sy, _SHED_PT**2, color=style.INK, marker="^", edgecolors=style.PAPER, linewidths=1.0, zorder=6
    )
    # what names should leave in sight: marks, and lines point by point
    along = np.linspace(0.0, 1.0, 60)[:, None]
    drawn = [np.stack([x, y], axis=-1), *(a + (b - a) * along for a, b in ties)]
    room = canvas.Room(ax)
    sheds = [canvas.box_of_mark(room, place, _SHED_PT) for place in zip(sx, sy, strict=True)]
    names = canvas.Names(ax, [*corners(room), *sheds], np.concatenate(drawn))
    for s, *place in zip(result.sheds, sx, sy, strict=True):
        names.write(shortened(s.name), (place[0], place[1]), _SHED_PT, style.TEXT_PT, over="lines", bold=True)
    for k in _to_name(result):
        name = shortened(result.nodes[k].name)
        names.write(name, (x[k], y[k]), 8.0, style.SMALL_PT, over="lines" if few else "nothing")


def _places_km(result: FleetResult, stations: Sequence[Any]) -> tuple[np.ndarray, np.ndarray]:
    places = np.array([(s.latitude_deg, s.longitude_deg) for s in stations])
    x, y = result.drawing.relief.position_of(places[:, 0], places[:, 1])
    return x / 1e3, y / 1e3


def _draw_ties(ax: Axes, result: FleetResult, nodes: np.ndarray, sheds: np.ndarray) -> np.ndarray:
    """Tie each node to its shed, or show which way that is where ties would hide the map; return the lines."""
    index = {s.name: j for j, s in enumerate(result.sheds)}
    home = np.array([index[n.shed] for n in result.nodes])
    few = len(result.nodes) <= _TIED
    tied = [
        k for k, n in enumerate(result.nodes) if np.isfinite(n.margin_db) and (few or n.verdict != "closes")
    ]
    starts, ends = nodes[tied], sheds[home][tied]
    if not few:
        relief = result.drawing.relief
        wide_km = relief.ground_m.shape[1] * relief.cell_m / 1e3
        away = np.hypot(*(ends - starts).T)[:, None]
        ends = starts + (ends - starts) * np.minimum(1.0, wide_km * _STUB / np.maximum(away, 1e-9))
    ties = np.stack([starts, ends], axis=1)
    colours = [factor_colour(result.nodes[k].spreading_factor) for k in tied] if few else style.INK
    widths = [factor_width(result.nodes[k].spreading_factor) for k in tied] if few else 1.0
    ax.add_collection(LineCollection(list(ties), colors=colours, linewidths=widths, zorder=3))
    return ties


def _draw_nodes(ax: Axes, result: FleetResult, x: np.ndarray, y: np.ndarray) -> None:
    few = len(result.nodes) <= _TIED
    small = min(1.0, 120.0 / len(result.nodes)) ** 0.5
    factors = np.array([n.spreading_factor or 0 for n in result.nodes])
    for verdict, (marker, colour, size) in _MARKS.items():
        own = np.array([n.verdict == verdict for n in result.nodes])
        look: dict[str, Any] = {"marker": marker, "edgecolors": style.PAPER}
        if verdict != "closes":  # those that need something done stay large, and lie on top
            ax.scatter(x[own], y[own], size * max(small, 0.6), color=colour, linewidths=0.7, zorder=5, **look)
            continue
        for factor in sorted(set(factors[own].tolist())):
            some = own & (factors == factor)
            shade = colour if few else factor_colour(factor or None)
            ax.scatter(x[some], y[some], size * small, color=shade, linewidths=0.7 * small, zorder=4, **look)


def factor_colour(factor: int | None) -> str:
    """A spreading factor's colour: one hue, darker for a higher one."""
    return to_hex(style.ramp(style.SEQUENCE[2:])((min(max(factor or 9, 7), 12) - 7) / 5.0))


def factor_width(factor: int | None) -> float:
    return 0.8 + 0.3 * (min(max(factor or 9, 7), 12) - 7)


def _to_name(result: FleetResult) -> list[int]:
    """The nodes that do not close, else the one that fares worst; a few of them."""
    order = sorted(range(len(result.nodes)), key=lambda k: result.nodes[k].assured)
    failing = [k for k in order if result.nodes[k].verdict != "closes"]
    return (failing or order[:1])[:_NAMED]


def _key(figure: Figure, result: FleetResult) -> None:
    words = {
        "closes": "has the required success",
        "at_risk": "may have less",
        "does_not_close": "loses more than half as predicted",
    }
    handles = []
    many = None if len(result.nodes) <= _TIED else factor_colour(9)
    for verdict, (marker, colour, size) in _MARKS.items():
        count = sum(n.verdict == verdict for n in result.nodes)
        if count:
            shade = colour if many is None or verdict != "closes" else many
            label = f"{words[verdict]} ({count})"
            handles.append(canvas.key_mark(label, marker, size**0.5, shade, markeredgecolor=style.PAPER))
    handles.append(canvas.key_mark("base station", size=10.0))
    for factor in sorted({n.spreading_factor for n in result.nodes if n.spreading_factor}):
        name, shade = f"SF{factor}", factor_colour(factor)
        line = Line2D([], [], color=shade, label=name, linewidth=factor_width(factor))
        handles.append(line if many is None else canvas.key_mark(name, "o", 5.0, shade))
    figure.legend(
        handles=handles, loc="lower left", bbox_to_anchor=(0.075, 0.052), ncols=4,
        fontsize=style.SMALL_PT, handlelength=1.4, columnspacing=1.4,
    )  # fmt: skip


_FRACTIONS = {0.125: "⅛", 0.25: "¼", 0.5: "½"}


def load_figure(result: FleetResult) -> Figure:
    """Success against traffic: what a plan is judged by, and the closed form beside the simulation."""
    under = "What becomes of the fleet if every node reports more or less often, all else as "
    under += "proposed." if result.assigned else "planned."
    with style.styled_figure(10.0, 5.4) as figure:
        left, right = (figure.add_axes((x, 0.175, 0.40, 0.595)) for x in (0.07, 0.565))
        _draw_arrivals(left, result)
        _draw_tries(right, result)
        times = [p.times for p in result.loads]
        for ax in (left, right):
            ax.set_xscale("log", base=2)
            ax.set_xticks(times, [_FRACTIONS.get(t, f"{t:g}") for t in times], fontsize=style.SMALL_PT)
            ax.minorticks_off()
            ax.set_ylim(0.0, 103.0)
            ax.set_xlabel("traffic, times what is planned")
            ax.set_ylabel("received, %")
            ax.grid(True)
            ax.legend(loc="lower left", fontsize=style.SMALL_PT)
        _write(figure, 0.07, 0.965, canvas.upper_first(headline(result)), 92, style.TITLE)
        _write(figure, 0.07, 0.895, under, 130, {"size": style.TEXT_PT})
        _write(figure, 0.07, 0.055, canvas.SAFETY, 150, style.CAPTION)
    return figure


def _draw_arrivals(ax: Axes, result: FleetResult) -> None:
    times = [p.times for p in result.loads]
    lines = (
        ("median node", [p.median for p in result.loads]),
        ("worst tenth", [p.tenth for p in result.loads]),
        ("worst node", [p.worst for p in result.loads]),
    )
    for (name, values), (colour, dash) in zip(lines, style.SERIES, strict=False):
        ax.plot(times, 100.0 * np.array(values), color=colour, linestyle=dash, label=name)
    asked = 100.0 * result.required_success
    ax.axhline(asked, color=style.MUTED, linewidth=0.9)
    canvas.write_note(ax, f"{asked:.4g} % required", (times[0], asked), (2, -4), va="top", **style.CAPTION)
    ax.set_title(f"Messages that arrive, at {sites_words(result.confidence)}", fontsize=style.TEXT_PT)


def _draw_tries(ax: Axes, result: FleetResult) -> None:
    closed = 100.0 * np.array([p.tries_received for p in result.loads])
    ax.plot([p.times for p in result.loads], closed, color=style.RAY, label="closed form")
    played = [p for p in result.loads if p.played is not None]
    if played:
        low, middle, high = (
            100.0 * np.array([getattr(p, name) or 0.0 for p in played])
            for name in ("played_low", "played", "played_high")
        )
        ax.errorbar(
            [p.times for p in played], middle, yerr=[middle - low, high - middle], fmt="o", color=style.POINT,
            capsize=3, markersize=5, label="simulated packet by packet, three standard errors",
        )  # fmt: skip
    ax.set_title("Single tries at the predicted levels, mean of all nodes", fontsize=style.TEXT_PT)


def airtime_figure(result: FleetResult) -> Figure:
    height = 2.3 + 0.62 * len(result.sheds)
    y = np.arange(len(result.sheds))[::-1]
    begin = np.zeros(len(result.sheds))
    with style.styled_figure(9.0, height) as figure:
        ax = canvas.axes_in(figure, 1.53, 0.95, 7.11, height - 2.15)
        for place, (words, _, _) in enumerate(result.sheds[0].by_signal):
            seconds = np.array([s.by_signal[place][2] for s in result.sheds])
            if seconds.sum() <= 0.0:
                continue
            shade = factor_colour(int(words[2:]) if words.startswith("SF") else None)
            look: dict[str, Any] = {"color": shade, "edgecolor": style.PAPER, "linewidth": 0.8}
            ax.barh(y + 0.17, seconds, 0.34, left=begin, label=f"{words} from its nodes", **look)
            begin = begin + seconds
        answers = np.array([s.answering_s_per_hour for s in result.sheds])
        if answers.sum() > 0.0:
            look = {"color": style.GROUND, "edgecolor": style.GROUND_EDGE, "hatch": "///", "linewidth": 0.6}
            ax.barh(y - 0.17, answers, 0.34, label="its answers", **look)
        ax.set_yticks(y, [style.drawable(shortened(s.name)) for s in result.sheds])
        ax.set_xlabel("on the air, seconds an hour")
        ax.grid(True, axis="x")
        ax.set_xlim(0.0, 1.06 * max(float(begin.max()), float(answers.max()), 1e-3))
        figure.legend(
            loc="upper left", bbox_to_anchor=(0.16, 1.0 - 0.62 / height), ncols=5, fontsize=style.SMALL_PT,
            handlelength=1.4, columnspacing=1.2,
        )  # fmt: skip
        title = "Airtime of each base station, tries included"
        _write(figure, 0.03, 1.0 - 0.15 / height, title, 90, style.TITLE)
        words = f"Every node reporting {times_words(1.0)}. {canvas.SAFETY}"
        _write(figure, 0.03, 0.30 / height, words, 140, style.CAPTION)
    return figure


def _write(figure: Figure, x: float, y: float, words: str, width: int, look: Mapping[str, Any]) -> None:
    """Words in lines of so many letters, below a place in shares of the figure."""
    figure.text(x, y, fill(style.drawable(words), width), va="top", linespacing=1.35, **look)


def write_all(result: FleetResult, folder: Path) -> list[Path]:
    """Write map, success and airtime as SVG and PNG into a folder; LinkcalcError if that cannot be."""
    pictures = (
        ("fleet-map", map_figure, "Nodes and base stations"),
        ("fleet-traffic", load_figure, "Success against traffic"),
        ("fleet-airtime", airtime_figure, "Airtime of each base station"),
    )
    return canvas.write_pictures(folder, ((name, draw(result), title) for name, draw, title in pictures))

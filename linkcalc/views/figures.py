"""Pictures of a result: the path in profile, the budget step by step, the margin against height.

Each plot is a function that takes an `ax` and returns it; each `*_figure` sets one up with title and
caption. Where labels go is computed from measured text, so that they overlap at no path length.
"""

import itertools
import math
import os
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.font_manager import FontProperties
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator

from linkcalc._arrays import Floats
from linkcalc.errors import LinkcalcError
from linkcalc.link.result import Direction, Drawing, LinkResult, Result
from linkcalc.views import style, units
from linkcalc.views.own_axes import on_own_axes
from linkcalc.views.text import (
    asked_words,
    clearance_words,
    decibel_words,
    distance_words,
    height_words,
    path_words,
    ratio_words,
    weaker_direction,
    worst_clearance_m,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_POINTS = 1200
"""More than a page can show; a longer profile is thinned, keeping its peaks."""

_LEADER = "leader"
"""Marks the thin lines that tie a label to its point."""


def profile_figure(link: LinkResult) -> "Figure":
    """Draw the path in profile, with title and caption.

    Parameters
    ----------
    link : LinkResult

    Returns
    -------
    Figure
        Save it with `linkcalc.views.style.save`.
    """
    width, height = style.WIDE_IN
    with style.styled():
        figure = style.new_figure(width, height)
        ax = figure.add_axes((0.75 / width, 1.22 / height, (width - 1.0) / width, (height - 2.42) / height))
        draw_profile(ax, link)
        _title(figure, link)
        write_caption(figure, profile_caption(ax, link), lines=3)
    return figure


@on_own_axes
def draw_profile(ax: "Axes", link: LinkResult) -> "Axes":
    """Draw ground, what stands on it, ray and first Fresnel zone, with the worst point named.

    Parameters
    ----------
    ax : Axes
        In its final place: labels are placed by its size. Two lines of text above it carry the stations.
    link : LinkResult

    Returns
    -------
    Axes
        The same, in kilometres from 2 km up and in metres below.

    Examples
    --------
    >>> import linkcalc as lc
    >>> from linkcalc.views.style import new_figure
    >>> link = lc.check_plan(lc.load_plan(lc.sample_path("plain"))).links[0]
    >>> draw_profile(new_figure(9, 4).add_axes((0.1, 0.2, 0.8, 0.5)), link).get_ylabel()
    'Height above sea level, m'
    """
    d = _thinned(link.drawing, link.path.worst_clearance_distance_m)
    kilometres = link.path.distance_m >= 2000.0
    x = d.distance_m / 1000.0 if kilometres else d.distance_m
    length = float(x[-1])
    surface = d.ground_m + d.bulge_m
    top = surface + d.clutter_m
    room = Room(ax)
    ax.set_xlim(-0.022 * length, 1.022 * length)
    low = float(min(surface.min(), (d.ray_m - d.fresnel_radius_m).min()))
    high = float(max(top.max(), (d.ray_m + d.fresnel_radius_m).max()))
    clutter_below = 20.0 if any(d.clutter_kind) else 8.0
    _set_ylim(ax, room, low, max(high, low + 4.0), above_pt=50.0, below_pt=clutter_below)

    zone_x, zone_ray, zone_radius = _zone_outline(x, d)
    ax.fill_between(
        zone_x, zone_ray - zone_radius, zone_ray + zone_radius, color=style.FRESNEL, lw=0, zorder=1
    )
    runs = clutter_runs(d)
    for kind, start, end in runs:
        edges, base, crown = _run_outline(x, surface, top, start, end)
        fill, edge, hatch = style.CLUTTER.get(kind, style.CLUTTER["building"])
        ax.fill_between(edges, base, crown, fc=fill, ec=edge, hatch=hatch, lw=0.8, zorder=2)
    ax.fill_between(x, ax.get_ylim()[0], surface, color=style.GROUND, lw=0, zorder=2.2)
    ax.plot(x, surface, color=style.GROUND_EDGE, lw=1.2, zorder=2.4, label="ground")
    for share, dashes in ((1.0, "-"), (0.6, (0, (4, 3)))):
        for sign in (1.0, -1.0):
            edge_m = zone_ray + sign * share * zone_radius
            ax.plot(zone_x, edge_m, color=style.FRESNEL_EDGE, lw=0.85, ls=dashes, zorder=3)
    ax.plot(x[[0, -1]], d.ray_m[[0, -1]], color=style.RAY, lw=1.6, zorder=4, label="ray")
    for end in (0, -1):
        ax.plot(x[[end, end]], [surface[end], d.ray_m[end]], color=style.INK, lw=2.2, zorder=5)
        ax.plot(x[end], d.ray_m[end], "o", color=style.INK, ms=5, zorder=5)
    taken = _worst_label(ax, room, link, x, d)
    _zone_label(ax, room, x, d, top, taken)
    _clutter_labels(ax, room, runs, x, surface, d)
    _station_labels(ax, room, link, x, d)

    ax.xaxis.set_major_locator(FixedLocator(_ticks(0.0, length, 9)))
    ax.xaxis.set_major_formatter(FuncFormatter(tick_words))
    ax.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    ax.yaxis.set_major_formatter(FuncFormatter(tick_words))
    ax.grid(True, axis="y")
    unit = "km" if kilometres else "m"
    start_name = room.fit(f"Distance from {link.directions[0].from_}", room.width_pt - 60, style.TEXT_PT)
    ax.set_xlabel(f"{start_name}, {unit}")
    ax.set_ylabel("Height above sea level, m")
    return ax


def _worst_label(ax: "Axes", room: "Room", link: LinkResult, x: Floats, d: Drawing) -> tuple[float, float]:
    """Name the worst point in the sky above it; return the stretch of sky that is now taken, points."""
    path = link.path
    where = path.worst_clearance_distance_m
    i = int(np.argmin(np.abs(d.distance_m - where)))
    obstacle = float(d.ground_m[i] + d.bulge_m[i] + d.clutter_m[i])
    colour = {"obstructed": style.ACCENT, "grazing": style.CAUTION, "clear": style.INK}[path.regime]
    first = f"worst point: {clearance_words(path, worst_clearance_m(link))}"
    start = room.fit(style.drawable(link.directions[0].from_), 0.2 * room.width_pt, 8)
    second = f"{distance_words(where)} from {start}; clearance {_zone_share(path.worst_clearance_ratio)}"
    wide = max(room.text_width(first, 9, bold=True), room.text_width(second, 8))
    left, right = room.x_pt(float(x[0])) + 10.0, room.x_pt(float(x[-1])) - 10.0
    point = room.x_pt(float(x[i]))
    middle = min(max(point, left + wide / 2), right - wide / 2)
    room.text(middle, room.height_pt - 5, first, 9, colour, bold=True, ha="center", va="top", paper=True)
    room.text(middle, room.height_pt - 18, second, 8, style.INK, ha="center", va="top", paper=True)
    foot = min(max(point, middle - wide / 2), middle + wide / 2)
    upper = max(float(d.ray_m[i]), obstacle)
    room.leader((foot, room.height_pt - 30), (point, room.y_pt(upper)), colour)
    ax.plot([x[i], x[i]], [obstacle, d.ray_m[i]], color=colour, lw=1.8, zorder=6)
    ax.plot(x[i], obstacle, "D", color=colour, ms=5, zorder=6)
    return middle - wide / 2 - 16.0, middle + wide / 2 + 16.0


def _zone_label(
    ax: "Axes", room: "Room", x: Floats, d: Drawing, top: Floats, taken: tuple[float, float]
) -> None:
    """Name the Fresnel zone in the free sky, tied to where its upper edge shows best."""
    first, second = "first Fresnel zone", "60 % of it: dashed"
    wide = max(room.text_width(first, 8), room.text_width(second, 8))
    upper = d.ray_m + d.fresnel_radius_m
    best: tuple[float, float, float] | None = None
    for share in np.linspace(0.08, 0.92, 43):
        i = int(np.argmin(np.abs(x - share * x[-1])))
        point = room.x_pt(float(x[i]))
        left = room.x_pt(float(x[0])) + 10.0
        right = room.x_pt(float(x[-1])) - 10.0
        middle = min(max(point, left + wide / 2), right - wide / 2)
        if middle - wide / 2 < taken[1] and middle + wide / 2 > taken[0]:
            continue
        hidden = upper[i] < top[i]
        centred = abs(min(share, 1 - share) - 0.25)
        score = (2.0 if hidden else 0.0) + centred
        if best is None or score < best[0]:
            best = (score, middle, float(i))
    if best is None:
        return
    _, middle, index = best
    i = int(index)
    room.text(middle, room.height_pt - 6, first, 8, style.MUTED, ha="center", va="top", paper=True)
    room.text(middle, room.height_pt - 18, second, 8, style.MUTED, ha="center", va="top", paper=True)
    room.leader(
        (room.x_pt(float(x[i])), room.height_pt - 30),
        (room.x_pt(float(x[i])), room.y_pt(float(upper[i]))),
        style.FRESNEL_EDGE,
    )


def _clutter_labels(
    ax: "Axes",
    room: "Room",
    runs: Sequence[tuple[str, int, int]],
    x: Floats,
    surface: Floats,
    d: Drawing,
) -> None:
    """Name each kind of obstacle once, in the ground under its longest run."""
    labels = []
    for kind in dict.fromkeys(kind for kind, _, _ in runs):
        _, start, end = max((r for r in runs if r[0] == kind), key=lambda r: x[r[2]] - x[r[1]])
        tallest = max(float(d.clutter_m[s : e + 1].max()) for k, s, e in runs if k == kind)
        words = f"{kind}, up to {height_words(tallest)}"
        i = (start + end) // 2
        labels.append((room.x_pt(float(x[i])), room.text_width(words, 8), words, float(surface[i])))
    labels.sort()
    middles = spread_apart(
        [m for m, _, _, _ in labels], [w + 12.0 for _, w, _, _ in labels], 4.0, room.width_pt - 4.0
    )
    for (point, _, words, base), middle in zip(labels, middles, strict=True):
        room.text(middle, 4.0, words, 8, style.INK, ha="center", va="bottom")
        room.leader((middle, 14.5), (point, room.y_pt(base)), style.GROUND_EDGE)


def _station_labels(ax: "Axes", room: "Room", link: LinkResult, x: Floats, d: Drawing) -> None:
    names = (link.directions[0].from_, link.directions[0].to)
    for end, name, align in ((0, names[0], "left"), (-1, names[1], "right")):
        point = room.x_pt(float(x[end]))
        words = room.fit(style.drawable(name), 0.47 * room.width_pt, style.TEXT_PT, bold=True)
        room.text(
            point, room.height_pt + 17, words, style.TEXT_PT, style.INK, bold=True, ha=align, va="bottom"
        )
        height = f"antenna {height_words(d.antenna_height_m[end])} above ground"
        room.text(point, room.height_pt + 5, height, 8, style.MUTED, ha=align, va="bottom")
        room.leader(
            (point, room.height_pt + 3), (point, room.y_pt(float(d.ray_m[end]))), style.MUTED, dotted=True
        )


def profile_caption(ax: "Axes", link: LinkResult) -> str:
    path = link.path
    parts = [
        f"Worst clearance: {_zone_share(path.worst_clearance_ratio)} with k = {path.k_factor:.2f}, "
        f"{true_minus(ratio_words(path.worst_clearance_low_k_ratio))} with k = {path.low_k_factor:.2f}."
    ]
    bulge = float(np.max(link.drawing.bulge_m))
    if bulge >= 0.5:
        parts.append(
            f"The ground is raised by the bulge of the earth, {height_words(bulge)} at most, so that the ray "
            "is straight."
        )
    parts.append(f"Ground heights: {path.source}.")
    box = ax.get_window_extent()
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    metres_across = (x1 - x0) * (1000.0 if path.distance_m >= 2000.0 else 1.0)
    stretch = (box.height / (y1 - y0)) / (box.width / metres_across)
    if stretch >= 1.5:
        parts.append(f"Heights are drawn {_two_figures(stretch)} times larger than distances.")
    return " ".join(parts)


def _zone_share(ratio: float) -> str:
    return f"{true_minus(ratio_words(ratio))} of the first Fresnel zone"


def _two_figures(value: float) -> str:
    digits = max(0, math.floor(math.log10(value)) - 1)
    return f"{round(value / 10**digits, 1 if value < 10 else 0) * 10**digits:g}"


def _thinned(d: Drawing, keep_m: float) -> Drawing:
    """Return the profile with no more points than a page shows, peaks and hollows kept."""
    n = len(d.distance_m)
    if n <= _MOST_POINTS:
        return d
    top = d.ground_m + d.clutter_m
    bounds = np.linspace(0, n, _MOST_POINTS // 3 + 1).astype(int)
    chosen = {0, n - 1, int(np.argmin(np.abs(d.distance_m - keep_m)))}
    for a, b in itertools.pairwise(bounds):
        chosen |= {int(a), a + int(np.argmax(top[a:b])), a + int(np.argmin(d.ground_m[a:b]))}
    i = np.array(sorted(chosen))
    return Drawing(
        distance_m=d.distance_m[i],
        ground_m=d.ground_m[i],
        clutter_m=d.clutter_m[i],
        clutter_kind=tuple(d.clutter_kind[int(k)] for k in i),
        bulge_m=d.bulge_m[i],
        ray_m=d.ray_m[i],
        fresnel_radius_m=d.fresnel_radius_m[i],
        clearance_ratio=d.clearance_ratio[i],
        antenna_height_m=d.antenna_height_m,
        height_sweep_m=d.height_sweep_m,
        margin_sweep_db=d.margin_sweep_db,
        margin_sweep_raw_db=d.margin_sweep_raw_db,
    )


def _zone_outline(x: Floats, d: Drawing) -> tuple[Floats, Floats, Floats]:
    """Ray and zone radius at points dense near the ends, where the ellipse turns sharply."""
    share = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, 201))
    widest = int(np.argmax(d.fresnel_radius_m))
    there = float(x[widest] / x[-1])
    scale = d.fresnel_radius_m[widest] / math.sqrt(there * (1.0 - there)) if 0.0 < there < 1.0 else 0.0
    radius = scale * np.sqrt(share * (1.0 - share))
    return share * x[-1], d.ray_m[0] + (d.ray_m[-1] - d.ray_m[0]) * share, radius


def clutter_runs(d: Drawing) -> list[tuple[str, int, int]]:
    """Stretches of one kind of obstacle: kind, first and last point."""
    runs: list[tuple[str, int, int]] = []
    for i, (kind, height) in enumerate(zip(d.clutter_kind, d.clutter_m, strict=True)):
        if not kind or height <= 0:
            continue
        if runs and runs[-1][0] == kind and runs[-1][2] == i - 1:
            runs[-1] = (kind, runs[-1][1], i)
        else:
            runs.append((kind, i, i))
    return runs


def _run_outline(
    x: Floats, surface: Floats, top: Floats, start: int, end: int
) -> tuple[Floats, Floats, Floats]:
    """Base and crown of a stretch, reaching half a step beyond its first and last point."""
    left = (x[max(start - 1, 0)] + x[start]) / 2.0
    right = (x[end] + x[min(end + 1, len(x) - 1)]) / 2.0
    edges = np.concatenate([[left], x[start : end + 1], [right]])
    base = np.interp(edges, x, surface)
    height = (top - surface)[start : end + 1]
    return edges, base, base + np.concatenate([[height[0]], height, [height[-1]]])


def budget_figure(*directions: Direction) -> "Figure":
    """Draw the level from transmitter to receiver step by step, one panel a direction.

    Parameters
    ----------
    *directions : Direction
        One or two.

    Returns
    -------
    Figure
    """
    rows = max(len(_steps(d)) for d in directions) + _CLOSING_ROWS
    panel, names, figures, row_in = 6.4, 2.2, 1.75, 0.235
    width, height = panel * len(directions), 1.25 + row_in * rows
    with style.styled():
        figure = style.new_figure(width, height)
        for i, direction in enumerate(directions):
            left, across = i * panel + names, panel - names - figures
            ax = figure.add_axes((left / width, 0.5 / height, across / width, row_in * rows / height))
            draw_budget(ax, direction, rows=rows)
    return figure


_CLOSING_ROWS = 5
"""Received power, required level, noise, sensitivity, margin."""


def _steps(direction: Direction) -> list[tuple[str, float, float]]:
    """Name, change and level after it for each term up to the receiver that changes the level."""
    steps: list[tuple[str, float, float]] = []
    level = 0.0
    for t in direction.terms:
        if t.group != "threshold":
            level += t.value_db
            if not steps or abs(t.value_db) >= 0.05:
                steps.append((t.name, t.value_db, level))
    return steps


@on_own_axes
def draw_budget(ax: "Axes", direction: Direction, *, rows: int | None = None) -> "Axes":
    """Draw one direction's budget: a row for each gain and loss, level along the horizontal axis.

    Parameters
    ----------
    ax : Axes
        In its final place, with room for names on its left (155 pt) and figures on its right (110 pt).
    direction : Direction
    rows : int, optional
        Rows to make room for; left out: as many as there are.

    Returns
    -------
    Axes

    Examples
    --------
    >>> import linkcalc as lc
    >>> from linkcalc.views.style import new_figure
    >>> link = lc.check_plan(lc.load_plan(lc.sample_path("plain"))).links[0]
    >>> draw_budget(new_figure(9, 4).add_axes((0.3, 0.2, 0.4, 0.7)), link.directions[0]).get_xlabel()
    'Level, dBm'
    """
    steps = _steps(direction)
    rows = rows or len(steps) + _CLOSING_ROWS
    room = Room(ax)
    asked = direction.sensitivity_dbm + direction.required_margin_db
    closing = [
        ("received power", direction.received_power_dbm, style.RAY, "-"),
        ("required level", asked, style.MUTED, (0, (5, 2))),
        ("noise floor", direction.noise_power_dbm, style.MUTED, (0, (1.5, 1.5))),
        ("sensitivity", direction.sensitivity_dbm, style.INK, "-"),
    ]
    levels = [level for _, _, level in steps] + [level for _, level, _, _ in closing]
    finite = [level for level in levels if math.isfinite(level)]
    span = max(finite) - min(finite)
    ax.set_xlim(min(finite) - 0.04 * span, max(finite) + 0.04 * span)
    ax.set_ylim(rows - 0.4, -0.6)
    ax.yaxis.set_visible(False)
    ax.spines["left"].set_visible(False)
    ax.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    ax.xaxis.set_major_formatter(FuncFormatter(tick_words))
    ax.grid(True, axis="x")
    ax.set_xlabel("Level, dBm")

    before: float | None = None
    for row, (name, change, level) in enumerate(steps):
        if before is not None:
            fill, edge = (style.FRESNEL_EDGE, style.RAY) if change > 0 else ("#ccd3d8", style.MUTED)
            ax.add_patch(
                Rectangle((min(before, level), row - 0.32), abs(change), 0.64, fc=fill, ec=edge, lw=0.8)
            )
        ax.plot([level, level], [row - 0.32, row + 1 - 0.32], color=style.INK, lw=0.9, zorder=3)
        _budget_row(room, rows, row, name, _signed(change) if row else "", f"{level:.1f} dBm")
        before = level
    for offset, (name, level, colour, dashes) in enumerate(closing):
        row = len(steps) + offset
        if not math.isfinite(level):
            continue
        if offset:
            ax.plot([level, level], [-0.6, row + 0.32], color=colour, lw=1.1, ls=dashes, zorder=1.5)
        ax.plot(level, row, "|", color=colour, ms=9, mew=2.2, zorder=4)
        _budget_row(room, rows, row, name, "", f"{level:.1f} dBm", bold=offset == 0)
    row = len(steps) + len(closing)
    margin, colour = direction.fade_margin_db, style.VERDICT[direction.verdict][0]
    left = min(direction.sensitivity_dbm, direction.received_power_dbm)
    ax.add_patch(Rectangle((left, row - 0.32), abs(margin), 0.64, fc=colour, ec="none", zorder=2))
    name = f"margin, {asked_words(direction)} required"
    if math.isfinite(direction.required_margin_db):
        ax.add_patch(
            Rectangle(
                (direction.sensitivity_dbm, row - 0.42),
                direction.required_margin_db,
                0.84,
                fc="none",
                ec=style.MUTED,
                ls=(0, (5, 2)),
                lw=1.0,
                zorder=3,
            )
        )
    _budget_row(room, rows, row, name, _signed(margin), "", bold=True, colour=colour)
    title = f"From {style.drawable(direction.from_)} to {style.drawable(direction.to)}"
    words = room.fit(title, room.width_pt + 248, style.TEXT_PT + 1, bold=True)
    room.text(-148, room.height_pt + 26, words, style.TEXT_PT + 1, style.INK, bold=True, va="bottom")
    room.text(room.width_pt + 48, room.height_pt + 8, "change", 8, style.MUTED, ha="right", va="bottom")
    room.text(room.width_pt + 112, room.height_pt + 8, "level", 8, style.MUTED, ha="right", va="bottom")
    return ax


def _row_pt(room: "Room", rows: int, row: int) -> float:
    return room.height_pt * (1.0 - (row + 0.6) / (rows + 0.2))


def _budget_row(
    room: "Room",
    rows: int,
    row: int,
    name: str,
    change: str,
    level: str,
    *,
    bold: bool = False,
    colour: str = style.INK,
) -> None:
    y = _row_pt(room, rows, row)
    words = room.fit(style.drawable(name), 140, 8, bold=bold)
    room.text(-148, y, words, 8, colour, bold=bold, va="center")
    room.text(room.width_pt + 48, y, true_minus(change), 8, colour, bold=bold, ha="right", va="center")
    room.text(room.width_pt + 112, y, true_minus(level), 8, colour, bold=bold, ha="right", va="center")


def height_figure(link: LinkResult) -> "Figure":
    """Draw the margin of the weaker direction against the height of the `to` antenna.

    Parameters
    ----------
    link : LinkResult

    Returns
    -------
    Figure
    """
    width, height = style.TALL_IN[0] + 1.0, 4.8
    with style.styled():
        figure = style.new_figure(width, height)
        ax = figure.add_axes((0.75 / width, 0.6 / height, (width - 2.75) / width, (height - 1.55) / height))
        draw_height(ax, link)
        _title(figure, link)
    return figure


@on_own_axes
def draw_height(ax: "Axes", link: LinkResult) -> "Axes":
    """Draw margin against height, with the required margin, the limit, and the present height.

    Parameters
    ----------
    ax : Axes
        In its final place, with room for labels on its right (135 pt) and a line above it.
    link : LinkResult

    Returns
    -------
    Axes

    Raises
    ------
    LinkcalcError
        If the link was checked without advice.

    Examples
    --------
    >>> import linkcalc as lc
    >>> from linkcalc.views.style import new_figure
    >>> link = lc.check_plan(lc.load_plan(lc.sample_path("plain"))).links[0]
    >>> draw_height(new_figure(9, 4).add_axes((0.1, 0.2, 0.6, 0.6)), link).get_ylabel()
    'Margin, dB'
    """
    d = link.drawing
    height, smooth, raw = d.height_sweep_m, d.margin_sweep_db, d.margin_sweep_raw_db
    if not height.size:
        raise LinkcalcError(
            f"link {link.name!r} was checked without advice: check it with advice to draw heights"
        )
    direction = weaker_direction(link)
    present = d.antenna_height_m[1]
    margin = float(np.interp(present, height, smooth))
    room = Room(ax)
    lobes = not np.allclose(raw, smooth, equal_nan=True)
    required = direction.required_margin_db
    # A null is as deep as one cares to sample it: the lines that decide set the scale.
    low = min(float(np.nanmin(smooth)), 0.0, margin) - (8.0 if lobes else 3.0)
    high = float(np.nanmax(smooth if not lobes else np.fmax(smooth, raw)))
    high = max(high, required if math.isfinite(required) else 0.0) + 3.0
    ax.set_xlim(0.0, float(height[-1]))
    ax.set_ylim(low, high)
    ax.grid(True, axis="y")
    labels = []
    if lobes:
        ax.plot(height, raw, color=style.FRESNEL_EDGE, lw=1.0, zorder=2)
        labels.append((_last(raw, low, high), "with ground reflection\nin full (two-ray lobes)", style.MUTED))
    ax.plot(height, smooth, color=style.RAY, lw=2.0, zorder=3)
    labels.append((_last(smooth, low, high), "margin of the\nweaker direction", style.RAY))
    if math.isfinite(required):
        ax.axhline(required, color=style.INK, lw=1.1, ls=(0, (5, 2)), zorder=1.5)
        labels.append((required, f"required: {decibel_words(required)}", style.INK))
    ax.axhline(0.0, color=style.ACCENT, lw=1.1, zorder=1.5)
    labels.append((0.0, "0 dB: receiver's limit", style.ACCENT))
    ax.plot([present, present], [low, margin], color=style.MUTED, lw=1.0, ls=(0, (1.5, 1.5)), zorder=2.5)
    ax.plot(present, margin, "o", color=style.INK, ms=6, zorder=5)
    side_labels(room, labels)
    _present_label(room, present, margin)
    ax.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 5, 10]))
    ax.yaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
    ax.xaxis.set_major_formatter(FuncFormatter(tick_words))
    ax.yaxis.set_major_formatter(FuncFormatter(tick_words))
    name = room.fit(style.drawable(link.directions[0].to), 0.45 * room.width_pt, style.TEXT_PT)
    ax.set_xlabel(f"Antenna height above ground at {name}, m")
    ax.set_ylabel("Margin, dB")
    return ax


def _present_label(room: "Room", present: float, margin: float) -> None:
    words = f"now {height_words(present)}: {true_minus(decibel_words(margin))}"
    wide = room.text_width(words, style.TEXT_PT, bold=True)
    point = room.x_pt(present)
    middle = min(max(point, wide / 2), room.width_pt - wide / 2)
    room.text(
        middle, room.height_pt + 6, words, style.TEXT_PT, style.INK, bold=True, ha="center", va="bottom"
    )
    foot = min(max(point, middle - wide / 2), middle + wide / 2)
    room.leader((foot, room.height_pt + 4), (point, room.y_pt(margin)), style.MUTED, dotted=True)


def side_labels(room: "Room", labels: Sequence[tuple[float, str, str]]) -> None:
    """Name lines at their right ends, pushed apart where they would overlap."""
    labels = sorted(labels, key=lambda e: e[0])
    sizes = [12.0 * (1 + words.count("\n")) + 2.0 for _, words, _ in labels]
    places = spread_apart([room.y_pt(v) for v, _, _ in labels], sizes, 0.0, room.height_pt)
    for (value, words, colour), place in zip(labels, places, strict=True):
        room.text(room.width_pt + 18, place, words, 8, colour, va="center")
        room.leader((room.width_pt + 16, place), (room.width_pt + 2, room.y_pt(value)), colour)


def _last(values: Floats, low: float, high: float) -> float:
    return float(np.clip(values[-1], low, high))


def write_all(result: Result, out_dir: str | os.PathLike[str]) -> list[Path]:
    """Write every picture of every link as SVG and PNG.

    Parameters
    ----------
    result : Result
    out_dir : path
        Made if missing. Files: `<link>-profile`, `<link>-budget`, `<link>-height`, each `.svg` and `.png`.

    Returns
    -------
    list of Path
        The files written, link by link.

    Raises
    ------
    LinkcalcError
        If the folder cannot be made or a file not be written; the text is one line that names it.
    """
    folder = Path(out_dir)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LinkcalcError(f"{folder}: cannot be made: {error.strerror or error}") from None
    files: list[Path] = []
    for link, slug in zip(result.links, style.unique_slugs(k.name for k in result.links), strict=True):
        pictures = {"profile": profile_figure(link), "budget": budget_figure(*link.directions)}
        if len(link.drawing.height_sweep_m) > 1:
            pictures["height"] = height_figure(link)
        for kind, figure in pictures.items():
            files += style.save(figure, folder / f"{slug}-{kind}", title=f"{link.name}: {kind}")
    return files


def _title(figure: "Figure", link: LinkResult) -> None:
    """Name and verdict on the first line; signal and margin on the second."""
    width, height = figure.get_size_inches() * 72.0
    colour, verdict = style.VERDICT[link.verdict]
    weaker = weaker_direction(link)
    margin = true_minus(decibel_words(weaker.fade_margin_db))
    margin = f"margin {margin}, required {asked_words(weaker)}"
    rows = (
        (18.0, style.TITLE_PT, True, (style.drawable(link.name), style.INK), (verdict, colour)),
        (34.0, style.SMALL_PT, False, (style.drawable(path_words(link)), style.MUTED), (margin, style.INK)),
    )
    for drop, size, bold, (left, left_colour), (right, right_colour) in rows:
        used = width_of_text(right, size, bold)
        left = fitted_words(left, width - 2 * 14.0 - used - 16.0, size, bold)
        for x, words, shade, align in (
            (14.0, left, left_colour, "left"),
            (width - 14.0, right, right_colour, "right"),
        ):
            figure.text(
                x / width,
                1.0 - drop / height,
                words,
                size=size,
                weight="bold" if bold else "normal",
                color=shade,
                ha=align,
                va="center",
            )


def write_caption(figure: "Figure", text: str, lines: int) -> None:
    width, height = figure.get_size_inches() * 72.0
    shown: list[str] = [""]
    for word in style.drawable(text).split(" "):
        longer = f"{shown[-1]} {word}".strip()
        if width_of_text(longer, style.SMALL_PT) <= width - 28.0:
            shown[-1] = longer
        else:
            shown.append(word)
    if len(shown) > lines:
        shown[lines - 1 :] = [fitted_words(" ".join(shown[lines - 1 :]), width - 28.0, style.SMALL_PT)]
    for i, line in enumerate(shown):
        y = (12.0 * (lines - i) - 2.0) / height
        line = fitted_words(line, width - 28.0, style.SMALL_PT)
        figure.text(14.0 / width, y, line, size=style.SMALL_PT, color=style.MUTED, va="center")


class Room:
    """An `ax` measured in points from its lower left corner, so that labels can be placed by size."""

    def __init__(self, ax: "Axes") -> None:
        self._ax = ax
        box, points_per_pixel = ax.get_window_extent(), 72.0 / ax.figure.dpi
        self.width_pt = float(box.width * points_per_pixel)
        self.height_pt = float(box.height * points_per_pixel)

    def x_pt(self, value: float) -> float:
        low, high = self._ax.get_xlim()
        return float((value - low) / (high - low) * self.width_pt)

    def y_pt(self, value: float) -> float:
        low, high = self._ax.get_ylim()
        return float((value - low) / (high - low) * self.height_pt)

    @staticmethod
    def text_width(words: str, size: float, *, bold: bool = False) -> float:
        return max(width_of_text(line, size, bold) for line in words.split("\n"))

    @staticmethod
    def fit(words: str, width_pt: float, size: float, *, bold: bool = False) -> str:
        return fitted_words(words, width_pt, size, bold)

    def text(
        self,
        x_pt: float,
        y_pt: float,
        words: str,
        size: float,
        colour: str,
        *,
        bold: bool = False,
        ha: Any = "left",
        va: Any = "baseline",
        paper: bool = False,
    ) -> None:
        if words:
            self._ax.text(
                x_pt / self.width_pt,
                y_pt / self.height_pt,
                words,
                transform=self._ax.transAxes,
                size=size,
                color=colour,
                weight="bold" if bold else "normal",
                ha=ha,
                va=va,
                zorder=8,
                bbox={"fc": style.PAPER, "ec": "none", "pad": 1.0} if paper else None,
            )

    def leader(
        self, start: tuple[float, float], end: tuple[float, float], colour: str, *, dotted: bool = False
    ) -> None:
        self._ax.plot(
            [start[0] / self.width_pt, end[0] / self.width_pt],
            [start[1] / self.height_pt, end[1] / self.height_pt],
            transform=self._ax.transAxes,
            color=colour,
            lw=0.7,
            ls=(0, (1.5, 2)) if dotted else "-",
            clip_on=False,
            gid=_LEADER,
            zorder=4.5,
        )


def _set_ylim(ax: "Axes", room: Room, low: float, high: float, *, above_pt: float, below_pt: float) -> None:
    """Let low to high fill the axes but for free strips of a given height above and below."""
    scale = (high - low) / (room.height_pt - above_pt - below_pt)
    ax.set_ylim(low - below_pt * scale, high + above_pt * scale)


def spread_apart(wanted: Sequence[float], sizes: Sequence[float], low: float, high: float) -> list[float]:
    """Shift the middles of labels, given in rising order, least so that they neither overlap nor leave.

    >>> spread_apart([10.0, 11.0], [4.0, 4.0], 0.0, 20.0)
    [8.5, 12.5]
    """
    blocks: list[list[float]] = []  # sum of wanted starts less offsets, count, size
    for middle, size in zip(wanted, sizes, strict=True):
        blocks.append([middle - size / 2, 1, size])
        while len(blocks) > 1 and _start(blocks[-2], low, high) + blocks[-2][2] > _start(
            blocks[-1], low, high
        ):
            total, count, length = blocks.pop()
            blocks[-1][0] += total - count * blocks[-1][2]
            blocks[-1][1] += count
            blocks[-1][2] += length
    placed: list[float] = []
    rest = list(sizes)
    for block in blocks:
        at = _start(block, low, high)
        for _ in range(int(block[1])):
            size = rest.pop(0)
            placed.append(at + size / 2)
            at += size
    return placed


def _start(block: Sequence[float], low: float, high: float) -> float:
    return max(low, min(block[0] / block[1], high - block[2]))


def fitted_words(words: str, width_pt: float, size: float, bold: bool = False) -> str:
    """Return `words`, cut with an ellipsis if they are wider than there is room."""
    if width_of_text(words, size, bold) <= width_pt:
        return words
    short, long = 0, len(words)
    while long - short > 1:
        middle = (short + long) // 2
        if width_of_text(words[:middle].rstrip() + "…", size, bold) <= width_pt:
            short = middle
        else:
            long = middle
    return words[:short].rstrip() + "…"


def width_of_text(words: str, size: float, bold: bool = False) -> float:
    """Width in points, with the hinting of a fine raster, which no output exceeds by more than 2 %."""
    words = style.drawable(units.words(words))
    font = FontProperties(family=style.families(words), size=size, weight="bold" if bold else "normal")
    width, _, _ = _measure().get_text_width_height_descent(words, font, ismath=False)
    return float(width) / 10.0 * 1.02


@cache
def _measure() -> Any:
    return RendererAgg(1, 1, 720)  # type: ignore[no-untyped-call]  # matplotlib does not type it


def _ticks(low: float, high: float, most: int) -> list[float]:
    values = MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    return [float(v) for v in values if low - 1e-9 <= v <= high + 1e-9]


def tick_words(value: float, position: int | None = None) -> str:
    return true_minus(f"{value:.10g}")


def _signed(value_db: float) -> str:
    words = decibel_words(value_db)
    return words if words.startswith(("-", "0.0 ")) else f"+{words}"


def true_minus(words: str) -> str:
    """Give negative numbers a real minus sign."""
    return "−" + words[1:] if words.startswith("-") else words

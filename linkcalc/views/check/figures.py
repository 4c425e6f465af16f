"""Pictures of a result: the path in profile, the budget step by step, the margin against height.

Each plot is a function that takes an `ax` and returns it; each `*_figure` sets one up with title and caption, for
`style.save`. Where labels go is computed from measured text, so that they overlap at no path length.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator

from linkcalc._arrays import Floats
from linkcalc.errors import LinkcalcError
from linkcalc.link.result import Direction, Drawing, LinkResult, Result
from linkcalc.views import canvas, style
from linkcalc.views.own_axes import on_own_axes
from linkcalc.views.words import (
    VERDICT_WORDS,
    clearance_words,
    decibel_words,
    distance_words,
    height_words,
    path_words,
    ratio_words,
    required_margin_words,
    weaker_direction,
    worst_clearance_m,
)

_MOST_POINTS = 1200
"""More than a page can show; a longer profile is thinned, keeping its peaks."""


def profile_figure(link: LinkResult) -> Figure:
    width, height = style.WIDE_IN
    with style.styled_figure(width, height) as figure:
        ax = draw_profile(canvas.axes_in(figure, 0.75, 1.22, width - 1.0, height - 2.42), link)
        _write_title(figure, link)
        canvas.write_caption(figure, profile_caption(ax, link), lines=3)
    return figure


@on_own_axes
def draw_profile(ax: Axes, link: LinkResult) -> Axes:
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
    room = canvas.Room(ax)
    ax.set_xlim(-0.022 * length, 1.022 * length)
    low = float(min(surface.min(), (d.ray_m - d.fresnel_radius_m).min()))
    high = float(max(top.max(), (d.ray_m + d.fresnel_radius_m).max()))
    clutter_below = 20.0 if any(d.clutter_kind) else 8.0
    # free strips above and below, for words
    scale = (max(high, low + 4.0) - low) / (room.height_pt - 50.0 - clutter_below)
    ax.set_ylim(low - clutter_below * scale, max(high, low + 4.0) + 50.0 * scale)

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
    for share, dashes in ((1.0, "-"), (0.6, style.SHORT_DASHED)):
        for sign in (1.0, -1.0):
            edge_m = zone_ray + sign * share * zone_radius
            ax.plot(zone_x, edge_m, color=style.FRESNEL_EDGE, lw=0.85, ls=dashes, zorder=3)
    ax.plot(x[[0, -1]], d.ray_m[[0, -1]], color=style.RAY, lw=1.6, zorder=4, label="ray")
    for end in (0, -1):
        ax.plot(x[[end, end]], [surface[end], d.ray_m[end]], color=style.INK, lw=2.2, zorder=5)
        ax.plot(x[end], d.ray_m[end], "o", color=style.INK, ms=5, zorder=5)
    taken = _worst_label(ax, room, link, x, d)
    _zone_label(room, x, d, top, taken)
    _clutter_labels(room, runs, x, surface, d)
    _station_labels(room, link, x, d)
    ticks = MaxNLocator(9, steps=[1, 2, 2.5, 5, 10]).tick_values(0.0, length)
    ax.xaxis.set_major_locator(FixedLocator([float(v) for v in ticks if -1e-9 <= v <= length + 1e-9]))
    ax.xaxis.set_major_formatter(FuncFormatter(canvas.tick_words))
    canvas.round_ticks(ax.yaxis, 6)
    ax.grid(True, axis="y")
    unit = "km" if kilometres else "m"
    start_name = canvas.fitted_words(
        f"Distance from {link.directions[0].from_}", room.width_pt - 60, style.TEXT_PT
    )
    ax.set_xlabel(f"{start_name}, {unit}")
    ax.set_ylabel("Height above sea level, m")
    return ax


def _worst_label(ax: Axes, room: canvas.Room, link: LinkResult, x: Floats, d: Drawing) -> tuple[float, float]:
    """Name the worst point in the sky above it; return the stretch of sky that is now taken, points."""
    path = link.path
    where = path.worst_clearance_distance_m
    i = int(np.argmin(np.abs(d.distance_m - where)))
    obstacle = float(d.ground_m[i] + d.bulge_m[i] + d.clutter_m[i])
    colour = style.CLEARANCE[path.regime]
    first = f"worst point: {clearance_words(path, worst_clearance_m(link))}"
    start = canvas.fitted_words(style.drawable(link.directions[0].from_), 0.2 * room.width_pt, 8)
    second = f"{distance_words(where)} from {start}; clearance {_zone_share(path.worst_clearance_ratio)}"
    wide = max(canvas.width_of_text(first, 9, bold=True), canvas.width_of_text(second, 8))
    left, right = room.x_pt(float(x[0])) + 10.0, room.x_pt(float(x[-1])) - 10.0
    point = room.x_pt(float(x[i]))
    middle = canvas.kept_within(point, wide, left, right)
    room.text(middle, room.height_pt - 5, first, 9, colour, bold=True, ha="center", va="top", paper=True)
    room.text(middle, room.height_pt - 18, second, 8, style.INK, ha="center", va="top", paper=True)
    foot = min(max(point, middle - wide / 2), middle + wide / 2)
    upper = max(float(d.ray_m[i]), obstacle)
    room.leader((foot, room.height_pt - 30), (point, room.y_pt(upper)), colour)
    ax.plot([x[i], x[i]], [obstacle, d.ray_m[i]], color=colour, lw=1.8, zorder=6)
    ax.plot(x[i], obstacle, "D", color=colour, ms=5, zorder=6)
    return middle - wide / 2 - 16.0, middle + wide / 2 + 16.0


def _zone_label(room: canvas.Room, x: Floats, d: Drawing, top: Floats, taken: tuple[float, float]) -> None:
    """Name the Fresnel zone in the free sky, tied to where its upper edge shows best."""
    first, second = "first Fresnel zone", "60 % of it: dashed"
    wide = max(canvas.width_of_text(first, 8), canvas.width_of_text(second, 8))
    upper = d.ray_m + d.fresnel_radius_m
    left, right = room.x_pt(float(x[0])) + 10.0, room.x_pt(float(x[-1])) - 10.0
    best: tuple[float, float, int] | None = None
    for share in np.linspace(0.08, 0.92, 43):
        i = int(np.argmin(np.abs(x - share * x[-1])))
        middle = canvas.kept_within(room.x_pt(float(x[i])), wide, left, right)
        if middle - wide / 2 < taken[1] and middle + wide / 2 > taken[0]:
            continue
        score = (2.0 if upper[i] < top[i] else 0.0) + abs(min(share, 1 - share) - 0.25)
        if best is None or score < best[0]:
            best = score, middle, i
    if best is None:
        return
    _, middle, i = best
    room.text(middle, room.height_pt - 6, first, 8, style.MUTED, ha="center", va="top", paper=True)
    room.text(middle, room.height_pt - 18, second, 8, style.MUTED, ha="center", va="top", paper=True)
    point = room.x_pt(float(x[i]))
    room.leader((point, room.height_pt - 30), (point, room.y_pt(float(upper[i]))), style.FRESNEL_EDGE)


def _clutter_labels(
    room: canvas.Room, runs: Sequence[tuple[str, int, int]], x: Floats, surface: Floats, d: Drawing
) -> None:
    """Name each kind of obstacle once, in the ground under its longest run."""
    labels = []
    for kind in dict.fromkeys(kind for kind, _, _ in runs):
        _, start, end = max((r for r in runs if r[0] == kind), key=lambda r: x[r[2]] - x[r[1]])
        tallest = max(float(d.clutter_m[s : e + 1].max()) for k, s, e in runs if k == kind)
        words = f"{kind}, up to {height_words(tallest)}"
        i = (start + end) // 2
        labels.append((room.x_pt(float(x[i])), canvas.width_of_text(words, 8), words, float(surface[i])))
    labels.sort()
    wanted, sizes = [m for m, _, _, _ in labels], [w + 12.0 for _, w, _, _ in labels]
    middles = canvas.spread_apart(wanted, sizes, 4.0, room.width_pt - 4.0)
    for (point, _, words, base), middle in zip(labels, middles, strict=True):
        room.text(middle, 4.0, words, 8, style.INK, ha="center", va="bottom")
        room.leader((middle, 14.5), (point, room.y_pt(base)), style.GROUND_EDGE)


def _station_labels(room: canvas.Room, link: LinkResult, x: Floats, d: Drawing) -> None:
    """Name the stations above the plot, each tied to its antenna."""
    names = (link.directions[0].from_, link.directions[0].to)
    for end, name, align in ((0, names[0], "left"), (-1, names[1], "right")):
        point, top = room.x_pt(float(x[end])), room.height_pt
        words = canvas.fitted_words(style.drawable(name), 0.47 * room.width_pt, style.TEXT_PT, bold=True)
        room.text(point, top + 17, words, style.TEXT_PT, style.INK, bold=True, ha=align, va="bottom")
        height = f"antenna {height_words(d.antenna_height_m[end])} above ground"
        room.text(point, top + 5, height, 8, style.MUTED, ha=align, va="bottom")
        room.leader((point, top + 3), (point, room.y_pt(float(d.ray_m[end]))), style.MUTED, dotted=True)


def profile_caption(ax: Axes, link: LinkResult) -> str:
    """What is to be read under a profile drawn into these axes."""
    path = link.path
    parts = [
        f"Worst clearance: {_zone_share(path.worst_clearance_ratio)} with k = {path.k_factor:.2f}, "
        f"{canvas.true_minus(ratio_words(path.worst_clearance_low_k_ratio))} with k = {path.low_k_factor:.2f}."
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
        digits = max(0, math.floor(math.log10(stretch)) - 1)
        figures = round(stretch / 10**digits, 1 if stretch < 10 else 0) * 10**digits
        parts.append(f"Heights are drawn {figures:g} times larger than distances.")
    return " ".join(parts)


def _zone_share(ratio: float) -> str:
    return f"{canvas.true_minus(ratio_words(ratio))} of the first Fresnel zone"


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
    columns = "distance_m", "ground_m", "clutter_m", "bulge_m", "ray_m", "fresnel_radius_m", "clearance_ratio"
    kinds = tuple(d.clutter_kind[int(k)] for k in i)
    return replace(d, clutter_kind=kinds, **{name: getattr(d, name)[i] for name in columns})


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


def run_places(x: Floats, start: int, end: int) -> Floats:
    """Places of a stretch, with half a step beyond its first and last."""
    left = (x[max(start - 1, 0)] + x[start]) / 2.0
    right = (x[end] + x[min(end + 1, len(x) - 1)]) / 2.0
    return np.concatenate([[left], x[start : end + 1], [right]])


def _run_outline(
    x: Floats, surface: Floats, top: Floats, start: int, end: int
) -> tuple[Floats, Floats, Floats]:
    """Places, base and crown of a stretch."""
    edges = run_places(x, start, end)
    base = np.interp(edges, x, surface)
    height = (top - surface)[start : end + 1]
    return edges, base, base + np.concatenate([[height[0]], height, [height[-1]]])


def budget_figure(*directions: Direction) -> Figure:
    """Draw the level from transmitter to receiver step by step, one panel a direction."""
    rows = max(len(_steps(d)) for d in directions) + _CLOSING_ROWS
    panel, names, figures, row_in = 6.4, 2.2, 1.75, 0.235
    width, height = panel * len(directions), 1.25 + row_in * rows
    with style.styled_figure(width, height) as figure:
        for i, direction in enumerate(directions):
            place = i * panel + names, 0.5, panel - names - figures, row_in * rows
            draw_budget(canvas.axes_in(figure, *place), direction, rows=rows)
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
def draw_budget(ax: Axes, direction: Direction, *, rows: int | None = None) -> Axes:
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
    room = canvas.Room(ax)
    asked = direction.sensitivity_dbm + direction.required_margin_db
    closing = [
        ("received power", direction.received_power_dbm, style.RAY, "-"),
        ("required level", asked, style.MUTED, style.DASHED),
        ("noise floor", direction.noise_power_dbm, style.MUTED, style.DOTTED),
        ("sensitivity", direction.sensitivity_dbm, style.INK, "-"),
    ]
    levels = [level for _, _, level in steps] + [level for _, level, _, _ in closing]
    finite = [level for level in levels if math.isfinite(level)]
    span = max(finite) - min(finite)
    ax.set_xlim(min(finite) - 0.04 * span, max(finite) + 0.04 * span)
    ax.set_ylim(rows - 0.4, -0.6)
    ax.yaxis.set_visible(False)
    ax.spines["left"].set_visible(False)
    canvas.round_ticks(ax.xaxis, 6)
    ax.grid(True, axis="x")
    ax.set_xlabel("Level, dBm")

    before: float | None = None
    for row, (name, change, level) in enumerate(steps):
        if before is not None:
            fill, edge = (style.FRESNEL_EDGE, style.RAY) if change > 0 else (style.LOSS, style.MUTED)
            corner = min(before, level), row - 0.32
            ax.add_patch(Rectangle(corner, abs(change), 0.64, fc=fill, ec=edge, lw=0.8))
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
    margin, colour = direction.fade_margin_db, style.VERDICT[direction.verdict]
    left = min(direction.sensitivity_dbm, direction.received_power_dbm)
    ax.add_patch(Rectangle((left, row - 0.32), abs(margin), 0.64, fc=colour, ec="none", zorder=2))
    if math.isfinite(direction.required_margin_db):
        corner, across = (direction.sensitivity_dbm, row - 0.42), direction.required_margin_db
        look = {"fc": "none", "ec": style.MUTED, "ls": style.DASHED, "lw": 1.0, "zorder": 3}
        ax.add_patch(Rectangle(corner, across, 0.84, **look))
    name = f"margin, {required_margin_words(direction.required_margin_db)} required"
    _budget_row(room, rows, row, name, _signed(margin), "", bold=True, colour=colour)
    ends, size = (direction.from_, direction.to), style.TEXT_PT + 1
    words = canvas.fitted_ends("From {} to {}", ends, room.width_pt + 248, size, bold=True)
    room.text(-148, room.height_pt + 26, words, size, style.INK, bold=True, va="bottom")
    for head, right in (("change", 48), ("level", 112)):
        room.text(room.width_pt + right, room.height_pt + 8, head, 8, style.MUTED, ha="right", va="bottom")
    return ax


def _budget_row(
    room: canvas.Room, rows: int, row: int, name: str, change: str, level: str, *,
    bold: bool = False, colour: str = style.INK,
) -> None:  # fmt: skip
    y = room.row_pt(rows, row)
    words = canvas.fitted_words(style.drawable(name), 140, 8, bold=bold)
    room.text(-148, y, words, 8, colour, bold=bold, va="center")
    for figure, right in ((change, 48), (level, 112)):
        room.text(
            room.width_pt + right, y, canvas.true_minus(figure), 8, colour, bold=bold, ha="right", va="center"
        )


def height_figure(link: LinkResult) -> Figure:
    width, height = style.TALL_IN[0] + 1.0, 4.8
    with style.styled_figure(width, height) as figure:
        draw_height(canvas.axes_in(figure, 0.75, 0.6, width - 2.75, height - 1.55), link)
        _write_title(figure, link)
    return figure


@on_own_axes
def draw_height(ax: Axes, link: LinkResult) -> Axes:
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
    room = canvas.Room(ax)
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
        last = float(np.clip(raw[-1], low, high))
        labels.append((last, "with ground reflection\nin full (two-ray lobes)", style.MUTED))
    ax.plot(height, smooth, color=style.RAY, lw=2.0, zorder=3)
    last = float(np.clip(smooth[-1], low, high))
    labels.append((last, "margin of the\nweaker direction", style.RAY))
    if math.isfinite(required):
        ax.axhline(required, **style.REQUIRED, zorder=1.5)
        labels.append((required, f"required: {decibel_words(required)}", style.INK))
    ax.axhline(0.0, **style.LIMIT, zorder=1.5)
    labels.append((0.0, "0 dB: receiver's limit", style.ACCENT))
    ax.plot([present, present], [low, margin], color=style.MUTED, lw=1.0, ls=style.DOTTED, zorder=2.5)
    ax.plot(present, margin, "o", color=style.INK, ms=6, zorder=5)
    canvas.write_side_labels(room, labels)
    _present_label(room, present, margin)
    canvas.round_ticks(ax.xaxis, 8)
    canvas.round_ticks(ax.yaxis, 7)
    name = canvas.fitted_words(style.drawable(link.directions[0].to), 0.45 * room.width_pt, style.TEXT_PT)
    ax.set_xlabel(f"Antenna height above ground at {name}, m")
    ax.set_ylabel("Margin, dB")
    return ax


def _present_label(room: canvas.Room, present: float, margin: float) -> None:
    """Name the planned height above the plot, tied to its place on the curve."""
    words = f"now {height_words(present)}: {canvas.true_minus(decibel_words(margin))}"
    wide = canvas.width_of_text(words, style.TEXT_PT, bold=True)
    point, top = room.x_pt(present), room.height_pt
    middle = canvas.kept_within(point, wide, 0.0, room.width_pt)
    room.text(middle, top + 6, words, style.TEXT_PT, style.INK, bold=True, ha="center", va="bottom")
    foot = min(max(point, middle - wide / 2), middle + wide / 2)
    room.leader((foot, top + 4), (point, room.y_pt(margin)), style.MUTED, dotted=True)


def write_all(result: Result, out_dir: Path) -> list[Path]:
    """Write every picture of every link as SVG and PNG: `<link>-profile`, `<link>-budget`, `<link>-height`."""
    pictures = []
    for link, slug in zip(result.links, style.unique_slugs(k.name for k in result.links), strict=True):
        pictures.append((f"{slug}-profile", profile_figure(link), f"{link.name}: profile"))
        pictures.append((f"{slug}-budget", budget_figure(*link.directions), f"{link.name}: budget"))
        if len(link.drawing.height_sweep_m) > 1:
            pictures.append((f"{slug}-height", height_figure(link), f"{link.name}: height"))
    return canvas.write_pictures(out_dir, pictures)


def _write_title(figure: Figure, link: LinkResult) -> None:
    """Name and verdict on the first line; signal and margin on the second."""
    weaker = weaker_direction(link)
    margin = canvas.true_minus(decibel_words(weaker.fade_margin_db))
    margin = f"margin {margin}, required {required_margin_words(weaker.required_margin_db)}"
    verdict = VERDICT_WORDS[link.verdict], style.VERDICT[link.verdict]
    canvas.write_heading(figure, link.name, path_words(link), verdict, margin)


def _signed(value_db: float) -> str:
    words = decibel_words(value_db)
    return words if words.startswith(("-", "0.0 ")) else f"+{words}"

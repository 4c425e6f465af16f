"""Drawings of a record at the size they are printed: sites from above, path in profile, readings."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy.ndimage import distance_transform_edt

from linkcalc._arrays import Floats
from linkcalc.link.result import Drawing, LinkResult
from linkcalc.site.record import MAP_ASPECT, Record, SiteMap
from linkcalc.site.survey import Survey
from linkcalc.views import style, units
from linkcalc.views.canvas import Box, Room, axes_in, fitted_words, kept_within, width_of_text
from linkcalc.views.check.figures import clutter_runs, draw_profile, profile_caption, run_places
from linkcalc.views.maps.figures import LIGHT, hillshade
from linkcalc.views.maps.frame import draw_scale
from linkcalc.views.survey.figures import draw_direction
from linkcalc.views.words import height_words

WIDTH_IN = 7.1
"""Between the margins of an A4 page and, nearly, of a Letter page: type keeps its size."""

_STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
"""Between lines of equal height, in the unit that is read."""


def map_figure(record: Record) -> "tuple[Figure, str]":
    """Draw stations and path from above over shaded ground, in kilometres; return the caption too."""
    site_map = record.map
    assert site_map is not None
    height = WIDTH_IN / MAP_ASPECT
    with style.styled_figure(WIDTH_IN, height) as figure:
        inset = 0.004  # room for the frame's line
        ax = figure.add_axes((inset, inset, 1.0 - 2.0 * inset, 1.0 - 2.0 * inset))
        caption = _draw_map(ax, site_map, record)
    return figure, caption


def _draw_map(ax: Axes, site_map: SiteMap, record: Record) -> str:
    """Draw a map into axes of its proportions in their final place, north up; return its caption."""
    half = site_map.half_width_m / 1e3
    west, south, east, north = box = (-half, -half / MAP_ASPECT, half, half / MAP_ASPECT)
    ax.set_xlim(west, east)
    ax.set_ylim(south, north)
    ax.set_xticks([])
    ax.set_yticks([])
    for spine in ax.spines.values():
        spine.set_visible(True)
        spine.set_edgecolor(style.MUTED)
    caption = [_draw_ground(ax, site_map, box)]
    x, y = site_map.east_m / 1e3, site_map.north_m / 1e3
    path, drawing = record.result.path, record.result.drawing
    ax.plot(x, y, color=style.PAPER, lw=4.4, zorder=3)
    kinds = _draw_clutter(ax, x, y, drawing)
    ax.plot(x, y, color=style.RAY, lw=1.8, zorder=5)
    at = [float(np.interp(path.worst_clearance_distance_m, drawing.distance_m, v)) for v in (x, y)]
    ax.plot(*at, "D", color=style.CLEARANCE[path.regime], mec=style.PAPER, mew=1.0, ms=7, zorder=6)
    ax.plot(x[[0, -1]], y[[0, -1]], "o", color=style.INK, mec=style.PAPER, mew=1.2, ms=8, zorder=7)
    _name_stations(Room(ax), x, y, [site.station.name for site in record.sites])
    draw_scale(ax, box)
    caption.append("Line: the path; circles: stations; diamond: worst point of the profile.")
    if kinds:
        caption.append(f"Thick stretches of the path: {', '.join(kinds)}.")
    return " ".join([*caption, "North is up."])


def _draw_ground(ax: Axes, site_map: SiteMap, box: Box) -> str:
    heights = site_map.heights_m
    if heights is None:
        return "No elevation raster holds this ground: it is left white."
    west, south, east, north = box
    # beyond the rim the ground goes on level, so that the rim casts no shade
    nearest = distance_transform_edt(np.isnan(heights), return_distances=False, return_indices=True)
    picture = _shaded(heights[tuple(nearest)], site_map.cell_m)
    picture[np.isnan(heights)] = 1.0
    ax.imshow(picture, extent=(west, east, south, north), interpolation="none", aspect="auto", zorder=1)
    low, high = float(np.nanmin(heights)), float(np.nanmax(heights))
    words = f"Ground {height_words(low)} to {height_words(high)} above sea level, lit from the north-west"
    unit_m = 1.0 / units.figure(1.0, "m")
    round_step = next((s for s in _STEPS if (high - low) / unit_m / s <= 12.0), 0.0)
    step = round_step * unit_m
    if step and high - low >= 2.0 * step:
        rows, columns = heights.shape
        x = west + (np.arange(columns) + 0.5) * site_map.cell_m / 1e3
        y = north - (np.arange(rows) + 0.5) * site_map.cell_m / 1e3
        levels = np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
        look: dict[str, Any] = {"colors": style.GROUND_EDGE, "linewidths": 0.4, "alpha": 0.55, "zorder": 2}
        ax.contour(x, y, heights, levels=levels, **look)
        words += f", a line every {round_step:g} {units.name('m')}"
    if np.isnan(heights).mean() > 0.001:
        words += "; white where no raster has heights"
    return f"{words}."


def _shaded(heights: Floats, cell_m: float) -> Floats:
    """Colours of a hill-shaded ground, one hue: rows, columns, RGB from 0 to 1."""
    light = np.clip((hillshade(heights, cell_m) - LIGHT[0]) / (LIGHT[1] - LIGHT[0]), 0.0, 1.0)
    # so many tones are enough for paper and pack small
    tones: Floats = style.ramp(style.GROUND_LIGHT)(np.round(light * 23.0) / 23.0)[..., :3]
    return tones


def _draw_clutter(ax: Axes, x: Floats, y: Floats, drawing: Drawing) -> list[str]:
    """Draw stretches of path on which something stands, to half a step beyond its points; name the kinds."""
    along = drawing.distance_m
    runs = clutter_runs(drawing)
    for kind, first, last in runs:
        stretch = (np.interp(run_places(along, first, last), along, v) for v in (x, y))
        ax.plot(*stretch, color=style.CLUTTER[kind][1], lw=5.0, zorder=4)
    return [kind for kind in style.CLUTTER if any(kind == run[0] for run in runs)]


def _name_stations(room: Room, x: Floats, y: Floats, names: Sequence[str]) -> None:
    """The northern station's name above it, the southern one's below."""
    first_is_north = bool(y[0] >= y[-1])
    for end, name in ((0, names[0]), (-1, names[1])):
        above = first_is_north == (end == 0)
        words = fitted_words(style.drawable(name), 0.42 * room.width_pt, style.TEXT_PT, bold=True)
        wide = width_of_text(words, style.TEXT_PT, bold=True)
        middle = kept_within(room.x_pt(float(x[end])), wide, 6.0, room.width_pt - 6.0)
        at = room.y_pt(float(y[end])) + (11.0 if above else -11.0)
        side = "bottom" if above else "top"
        room.text(middle, at, words, style.TEXT_PT, style.INK, bold=True, paper=True, ha="center", va=side)


def profile_figure(link: LinkResult) -> "tuple[Figure, str]":
    height = 3.5
    with style.styled_figure(WIDTH_IN, height) as figure:
        ax = axes_in(figure, 0.62, 0.5, WIDTH_IN - 0.7, height - 0.98)
        draw_profile(ax, link)
        caption = profile_caption(ax, link)
    return figure, caption


def readings_figure(survey: Survey) -> Figure:
    panel = 2.15
    height = 2.0 * panel + 0.2
    with style.styled_figure(WIDTH_IN, height) as figure:
        for row, (direction, drawing) in enumerate(zip(survey.directions, survey.drawing, strict=True)):
            left, right = (
                axes_in(figure, x, (1 - row) * panel + 0.45, wide, panel - 0.7)
                for x, wide in ((0.55, 3.1), (3.85, 1.45))
            )
            draw_direction(left, right, direction, drawing, Room(left).width_pt + 180.0)
        left.set_xlabel("Readings in the order of the file")
        right.set_xlabel("Likelihood")
    return figure

"""Drawings of a record at the size they are printed: sites from above, path in profile, readings."""

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.ndimage import distance_transform_edt

from linkcalc._arrays import Floats
from linkcalc.link.result import LinkResult
from linkcalc.site.record import MAP_ASPECT, Record, SiteMap
from linkcalc.site.survey import Survey
from linkcalc.views import style
from linkcalc.views.canvas import Room
from linkcalc.views.figures import clutter_runs, draw_profile, profile_caption
from linkcalc.views.survey_figures import draw_margin, draw_readings
from linkcalc.views.words import distance_words, height_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN = 7.1
"""Between the margins of an A4 page and, nearly, of a Letter page: type keeps its size."""

_LIGHT_FROM_DEG = 315.0
_STEPS_M = (1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


def map_figure(record: Record) -> "tuple[Figure, str]":
    """Draw stations and path from above over shaded ground.

    Parameters
    ----------
    record : Record
        With a map.

    Returns
    -------
    Figure, str
        And its caption.
    """
    site_map = record.map
    assert site_map is not None
    height = WIDTH_IN / MAP_ASPECT
    with style.styled():
        figure = style.new_figure(WIDTH_IN, height)
        inset = 0.004  # room for the frame's line
        ax = figure.add_axes((inset, inset, 1.0 - 2.0 * inset, 1.0 - 2.0 * inset))
        caption = draw_map(ax, site_map, record)
    return figure, caption


def draw_map(ax: "Axes", site_map: SiteMap, record: Record) -> str:
    """Draw a map into axes of its proportions, north up; return what its caption should say.

    Parameters
    ----------
    ax : Axes
        In its final place.
    site_map : SiteMap
    record : Record
        For names and what stands on the path.

    Returns
    -------
    str
    """
    half = site_map.half_width_m
    ax.set_xlim(-half, half)
    ax.set_ylim(-half / MAP_ASPECT, half / MAP_ASPECT)
    ax.set_xticks([])
    ax.set_yticks([])
    for spine in ax.spines.values():
        spine.set_visible(True)
        spine.set_edgecolor(style.MUTED)
    room = Room(ax)
    parts = [_draw_ground(ax, site_map)]
    x, y = site_map.east_m, site_map.north_m
    ax.plot(x, y, color=style.PAPER, lw=4.4, zorder=3)
    kinds = _draw_clutter(ax, site_map, record.result)
    ax.plot(x, y, color=style.RAY, lw=1.8, zorder=5)
    where = record.result.path.worst_clearance_distance_m
    at = [float(np.interp(where, record.result.drawing.distance_m, v)) for v in (x, y)]
    ax.plot(*at, "D", color=style.ACCENT, mec=style.PAPER, mew=1.0, ms=7, zorder=6)
    for end in (0, -1):
        ax.plot(x[end], y[end], "o", color=style.INK, mec=style.PAPER, mew=1.2, ms=8, zorder=7)
    _name_stations(room, site_map, record)
    _draw_north(room)
    bar = _draw_scale(ax, room, half)
    parts.append("Line: the path; circles: stations; diamond: worst point of the profile.")
    if kinds:
        parts.append(f"Thick stretches of the path: {', '.join(kinds)}.")
    parts.append(f"North is up; the bar is {bar}.")
    return " ".join(p for p in parts if p)


def _draw_ground(ax: "Axes", site_map: SiteMap) -> str:
    heights = site_map.heights_m
    if heights is None:
        return "No elevation raster holds this ground: it is left white."
    half = site_map.half_width_m
    # beyond the rim the ground goes on level, so that the rim casts no shade
    nearest = distance_transform_edt(np.isnan(heights), return_distances=False, return_indices=True)
    picture = _shaded(heights[tuple(nearest)], site_map.cell_m)
    picture[np.isnan(heights)] = 1.0
    box = (-half, half, -half / MAP_ASPECT, half / MAP_ASPECT)
    ax.imshow(picture, extent=box, interpolation="none", aspect="auto", zorder=1)
    low, high = float(np.nanmin(heights)), float(np.nanmax(heights))
    words = f"Ground {height_words(low)} to {height_words(high)} above sea level, lit from the north-west"
    step = next((s for s in _STEPS_M if (high - low) / s <= 12.0), 0.0)
    if step and high - low >= 2.0 * step:
        rows, columns = heights.shape
        east = -half + (np.arange(columns) + 0.5) * site_map.cell_m
        north = half / MAP_ASPECT - (np.arange(rows) + 0.5) * site_map.cell_m
        levels = np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
        ax.contour(
            east,
            north,
            heights,
            levels=levels,
            colors=style.GROUND_EDGE,
            linewidths=0.4,
            alpha=0.55,
            zorder=2,
        )
        words += f", a line every {step:g} m"
    if np.isnan(heights).mean() > 0.001:
        words += "; white where no raster has heights"
    return f"{words}."


def _shaded(heights: Floats, cell_m: float) -> Floats:
    """Colours of a hill-shaded ground, one hue: rows, columns, RGB from 0 to 1."""
    from matplotlib.colors import LightSource, LinearSegmentedColormap

    rise = np.hypot(*np.gradient(heights, cell_m))
    # gentle country is exaggerated, so that it shows
    steepness = float(np.quantile(rise, 0.9))
    exaggeration = min(max(0.4 / max(steepness, 1e-6), 1.0), 12.0)
    light = LightSource(azdeg=_LIGHT_FROM_DEG, altdeg=45.0)
    shade = light.hillshade(heights, vert_exag=exaggeration, dx=cell_m, dy=cell_m)
    dark, bright = np.quantile(shade, [0.02, 0.98])
    shade = (shade - dark) / (bright - dark) if bright - dark > 0.02 else np.full_like(shade, 0.75)
    ramp = LinearSegmentedColormap.from_list("ground", ("#a2947c", style.GROUND, "#ece7df", "#fbfaf8"))
    # so many tones are enough for paper and pack small
    tones: Floats = ramp(np.round(np.clip(shade, 0.0, 1.0) * 23.0) / 23.0)[..., :3]
    return tones


def _draw_clutter(ax: "Axes", site_map: SiteMap, link: LinkResult) -> list[str]:
    """Draw stretches of path on which something stands, to half a step beyond its points; name the kinds."""
    along = link.drawing.distance_m
    runs = clutter_runs(link.drawing)
    for kind, first, last in runs:
        start = (along[max(first - 1, 0)] + along[first]) / 2.0
        end = (along[last] + along[min(last + 1, len(along) - 1)]) / 2.0
        places = np.concatenate([[start], along[first : last + 1], [end]])
        x, y = (np.interp(places, along, v) for v in (site_map.east_m, site_map.north_m))
        ax.plot(x, y, color=style.CLUTTER[kind][1], lw=5.0, zorder=4)
    return [kind for kind in style.CLUTTER if any(kind == run[0] for run in runs)]


def _name_stations(room: Room, site_map: SiteMap, record: Record) -> None:
    """The northern station's name above it, the southern one's below."""
    x, y = site_map.east_m, site_map.north_m
    first_is_north = bool(y[0] >= y[-1])
    for end, site in ((0, record.sites[0]), (-1, record.sites[1])):
        above = first_is_north == (end == 0)
        words = room.fit(style.drawable(site.station.name), 0.42 * room.width_pt, style.TEXT_PT, bold=True)
        wide = room.text_width(words, style.TEXT_PT, bold=True)
        middle = min(max(room.x_pt(float(x[end])), wide / 2 + 6), room.width_pt - wide / 2 - 6)
        at = room.y_pt(float(y[end])) + (11.0 if above else -11.0)
        room.text(
            middle,
            at,
            words,
            style.TEXT_PT,
            style.INK,
            bold=True,
            ha="center",
            va="bottom" if above else "top",
            paper=True,
        )


def _draw_north(room: Room) -> None:
    x, top = room.width_pt - 18.0, room.height_pt - 10.0
    arrow: dict[str, Any] = {"facecolor": style.INK, "edgecolor": style.PAPER, "lw": 0.8, "zorder": 8}
    from matplotlib.patches import Polygon

    points = np.array([[x, top], [x - 6.0, top - 22.0], [x, top - 17.0], [x + 6.0, top - 22.0]])
    ax = room._ax
    ax.add_patch(Polygon(points / [room.width_pt, room.height_pt], transform=ax.transAxes, **arrow))
    room.text(x, top - 25.0, "N", style.TEXT_PT, style.INK, bold=True, ha="center", va="top", paper=True)


def _draw_scale(ax: "Axes", room: Room, half_m: float) -> str:
    """Draw a bar of a round length; return the length in words."""
    wanted = 0.4 * half_m
    power = 10.0 ** math.floor(math.log10(wanted))
    length = max(power * m for m in (1.0, 2.0, 5.0) if power * m <= wanted)
    words = distance_words(length).replace(".00 ", " ").replace(".0 ", " ")
    left, y = 14.0, 14.0
    right = left + room.x_pt(length) - room.x_pt(0.0)
    for shade, width in ((style.PAPER, 5.0), (style.INK, 2.2)):
        ax.plot(
            np.array([left, right]) / room.width_pt,
            np.array([y, y]) / room.height_pt,
            transform=ax.transAxes,
            color=shade,
            lw=width,
            zorder=8,
        )
    room.text((left + right) / 2, y + 5.0, words, style.SMALL_PT, style.INK, ha="center", paper=True)
    return words


def profile_figure(link: LinkResult) -> "tuple[Figure, str]":
    """Draw the path in profile, and say what its caption should.

    Parameters
    ----------
    link : LinkResult

    Returns
    -------
    Figure, str
    """
    height = 3.7
    with style.styled():
        figure = style.new_figure(WIDTH_IN, height)
        box = (0.62 / WIDTH_IN, 0.5 / height, (WIDTH_IN - 0.7) / WIDTH_IN, (height - 0.98) / height)
        ax = figure.add_axes(box)
        draw_profile(ax, link)
        caption = profile_caption(ax, link)
    return figure, caption


def readings_figure(survey: Survey) -> "Figure":
    """Draw each direction's readings beside its margin before and after them.

    Parameters
    ----------
    survey : Survey

    Returns
    -------
    Figure
    """
    panel = 2.15
    height = 2.0 * panel + 0.2
    with style.styled():
        figure = style.new_figure(WIDTH_IN, height)
        for row, (direction, drawing) in enumerate(zip(survey.directions, survey.drawing, strict=True)):
            base, tall = ((1 - row) * panel + 0.45) / height, (panel - 0.7) / height
            left = figure.add_axes((0.55 / WIDTH_IN, base, 3.1 / WIDTH_IN, tall))
            right = figure.add_axes((3.85 / WIDTH_IN, base, 1.45 / WIDTH_IN, tall))
            draw_readings(left, direction, drawing)
            draw_margin(right, direction, drawing)
            room = Room(left)
            words = f"From {style.drawable(direction.from_)} to {style.drawable(direction.to)}"
            words = room.fit(words, room.width_pt + 180.0, style.TEXT_PT, bold=True)
            room.text(0.0, room.height_pt + 6.0, words, style.TEXT_PT, style.INK, bold=True)
            if row == 1:
                left.set_xlabel("Readings in the order of the file")
                right.set_xlabel("Likelihood")
    return figure

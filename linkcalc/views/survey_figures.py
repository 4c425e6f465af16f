"""Pictures of a survey: readings against the prediction, and the spots of a walk test."""

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import PathCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.ticker import FuncFormatter, MaxNLocator

from linkcalc._arrays import Floats
from linkcalc.errors import LinkcalcError
from linkcalc.site.measured import DirectionDrawing, DirectionSurvey
from linkcalc.site.survey import Survey
from linkcalc.site.walk_test import Spot
from linkcalc.units import EARTH_RADIUS_M
from linkcalc.views import style
from linkcalc.views.figures import Room, side_labels, spread_apart, tick_words, true_minus, width_of_text
from linkcalc.views.words import VERDICT_WORDS, decibel_words, probability_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_BARS = 30
_MOST_NAMES = 15


def margin_figure(survey: Survey) -> "Figure":
    """Draw each direction's readings beside its margin before and after them.

    Parameters
    ----------
    survey : Survey

    Returns
    -------
    Figure
        Save it with `linkcalc.views.style.save`.
    """
    width, panel, top, bottom = style.WIDE_IN[0], 2.75, 0.6, 0.75
    height = top + len(survey.directions) * panel + bottom
    with style.styled():
        figure = style.new_figure(width, height)
        for i, (direction, drawing) in enumerate(zip(survey.directions, survey.drawing, strict=True)):
            base = (bottom + (len(survey.directions) - 1 - i) * panel + 0.12) / height
            tall = (panel - 0.55) / height
            left = figure.add_axes((0.75 / width, base, 4.55 / width, tall))
            right = figure.add_axes((5.55 / width, base, 2.35 / width, tall))
            draw_readings(left, direction, drawing)
            draw_margin(right, direction, drawing)
            title = f"From {style.drawable(direction.from_)} to {style.drawable(direction.to)}"
            room = Room(left)
            title = room.fit(title, width * 72.0 - 80.0, style.TEXT_PT, bold=True)
            room.text(0, room.height_pt + 6, title, style.TEXT_PT, style.INK, bold=True)
            if i == len(survey.directions) - 1:
                left.set_xlabel("Readings in the order of the file")
                right.set_xlabel("Likelihood")
        colour, words = style.VERDICT[survey.verdict]
        _heading(figure, survey.name, words, colour, survey.headline)
        caption = (
            "Margins under the plan's conditions, fading allowed for. Open: too far from the others to count."
            " Dashed curve: the plan alone."
        )
        figure.text(
            14.0 / 72 / width, 0.17 / height, caption, size=style.SMALL_PT, color=style.MUTED, va="center"
        )
    return figure


def draw_readings(ax: "Axes", direction: DirectionSurvey, drawing: DirectionDrawing) -> "Axes":
    """Draw every reading as the margin it shows, with the interval the margin now lies in.

    Parameters
    ----------
    ax : Axes
        In its final place.
    direction : DirectionSurvey
    drawing : DirectionDrawing

    Returns
    -------
    Axes
    """
    margin, wrong = drawing.reading_margin_db, drawing.reading_wrong > 0.5
    number = np.arange(1, margin.size + 1)
    last = max(margin.size, 1)
    ax.set_xlim(0.4, last + 0.6)
    ax.set_ylim(*_limits(direction, drawing))
    low, high = direction.fade_margin_interval_db
    ax.axhspan(low, high, color=style.FRESNEL, lw=0, zorder=1)
    ax.axhline(direction.fade_margin_db, color=style.RAY, lw=1.6, zorder=2)
    _levels(ax, direction)
    size = 5.0 if margin.size <= 60 else 3.0
    ax.plot(number[~wrong], margin[~wrong], "o", color=style.RAY, ms=size, mec=style.PAPER, mew=0.5, zorder=4)
    bottom, top = ax.get_ylim()
    # far outside they are shown at the edge
    out = np.clip(margin, bottom + 0.03 * (top - bottom), top - 0.03 * (top - bottom))
    ax.plot(number[wrong], out[wrong], "o", mfc="none", mec=style.MUTED, ms=size, zorder=4)
    room = Room(ax)
    words = []
    if margin.size == 0:
        words.append("no reading of level")
    if drawing.lost:
        words.append(f"{drawing.lost} of {direction.sent} packets lost")
    if words:
        room.text(
            room.width_pt - 3, 4, "; ".join(words), style.SMALL_PT, style.ACCENT, ha="right", paper=True
        )
    if margin.size:
        ax.xaxis.set_major_locator(MaxNLocator(8, integer=True, min_n_ticks=1))
    else:
        ax.set_xticks([])
    _margin_axis(ax)
    ax.set_ylabel("Margin, dB")
    return ax


def draw_margin(ax: "Axes", direction: DirectionSurvey, drawing: DirectionDrawing) -> "Axes":
    """Draw how likely each margin was before the readings and is after them, margin upward.

    Parameters
    ----------
    ax : Axes
        In its final place, with room for labels on its right (130 pt).
    direction : DirectionSurvey
    drawing : DirectionDrawing

    Returns
    -------
    Axes
    """
    y, before, after = drawing.margin_db, drawing.prior_density, drawing.posterior_density
    ax.set_xlim(0.0, 1.08 * float(max(after.max(), before.max())))
    ax.set_ylim(*_limits(direction, drawing))
    ax.fill_betweenx(y, 0.0, after, color=style.FRESNEL, lw=0, zorder=2)
    ax.plot(after, y, color=style.RAY, lw=1.6, zorder=3)
    ax.plot(before, y, color=style.MUTED, lw=1.3, ls=(0, (5, 2)), zorder=3)
    _levels(ax, direction)
    room = Room(ax)
    low, high = direction.fade_margin_interval_db
    now = f"now {true_minus(decibel_words(direction.fade_margin_db))}"
    labels = [
        (
            direction.fade_margin_db,
            f"{now}\n(95 %: {true_minus(f'{low:.0f}')} to {true_minus(f'{high:.0f}')})",
            style.RAY,
        ),
        (
            direction.predicted_margin_db,
            f"predicted {true_minus(decibel_words(direction.predicted_margin_db))}",
            style.MUTED,
        ),
        (0.0, "0 dB: receiver's limit", style.ACCENT),
    ]
    if math.isfinite(direction.required_margin_db):
        labels.append(
            (
                direction.required_margin_db,
                f"required: {decibel_words(direction.required_margin_db)}",
                style.INK,
            )
        )
    bottom, top = ax.get_ylim()
    side_labels(room, [entry for entry in labels if bottom <= entry[0] <= top])
    ax.set_xticks([])
    _margin_axis(ax)
    ax.tick_params(labelleft=False)
    return ax


def _limits(direction: DirectionSurvey, drawing: DirectionDrawing) -> tuple[float, float]:
    asked = direction.required_margin_db
    right = drawing.reading_margin_db[drawing.reading_wrong <= 0.5]
    ends = [
        0.0,
        direction.predicted_margin_db,
        *direction.fade_margin_interval_db,
        *([asked] if math.isfinite(asked) else []),
        *([float(right.min()), float(right.max())] if right.size else []),
    ]
    return min(ends) - 6.0, max(ends) + 6.0


def _levels(ax: "Axes", direction: DirectionSurvey) -> None:
    ax.axhline(0.0, color=style.ACCENT, lw=1.1, zorder=1.5)
    if math.isfinite(direction.required_margin_db):
        ax.axhline(direction.required_margin_db, color=style.INK, lw=1.1, ls=(0, (5, 2)), zorder=1.5)


def _margin_axis(ax: "Axes") -> None:
    ax.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    ax.yaxis.set_major_formatter(FuncFormatter(tick_words))
    ax.grid(True, axis="y")


def spots_figure(survey: Survey) -> "Figure":
    """Draw the spots tried, best at the top, each with its interval and its chance to be the best.

    Parameters
    ----------
    survey : Survey
        With spots.

    Returns
    -------
    Figure
    """
    spots = survey.spots[:_MOST_BARS]
    width, row, top, bottom = style.TALL_IN[0], 0.3, 0.85, 0.75
    height = top + row * len(spots) + bottom
    with style.styled():
        figure = style.new_figure(width, height)
        ax = figure.add_axes((2.2 / width, bottom / height, (width - 3.9) / width, row * len(spots) / height))
        draw_spots(ax, spots, min(d.required_margin_db for d in survey.directions))
        more = len(survey.spots) - len(spots)
        words = f"{len(survey.spots)} spots tried" + (f", the best {len(spots)} shown" if more else "")
        _heading(figure, survey.name, words, style.INK)
        caption = "Line: 95 % of what the spot's margin may be, for comparing the spots."
        figure.text(
            14.0 / 72 / width, 0.17 / height, caption, size=style.SMALL_PT, color=style.MUTED, va="center"
        )
    return figure


def draw_spots(ax: "Axes", spots: Sequence[Spot], asked_db: float) -> "Axes":
    """Draw one row a spot: its margin and interval.

    Parameters
    ----------
    ax : Axes
        In its final place, with room for names on its left (150 pt) and figures on its right (110 pt).
    spots : sequence of Spot
        Best first.
    asked_db : float, dB
        Required margin.

    Returns
    -------
    Axes
    """
    rows = np.arange(len(spots))
    ends = [e for s in spots for e in s.fade_margin_interval_db]
    shown = [0.0, *ends, *([asked_db] if math.isfinite(asked_db) else [])]
    # a spot that heard nothing may lie far below: its line runs out of the picture
    low = max(min(shown), min(s.fade_margin_db for s in spots) - 12.0, -40.0)
    ax.set_xlim(min(low, -3.0) - 2.0, max(shown) + 3.0)
    ax.set_ylim(len(spots) - 0.4, -0.6)
    ax.axvline(0.0, color=style.ACCENT, lw=1.1, zorder=1)
    if math.isfinite(asked_db):
        ax.axvline(asked_db, color=style.INK, lw=1.1, ls=(0, (5, 2)), zorder=1)
    room = Room(ax)
    for y, spot in zip(rows, spots, strict=True):
        colour = style.RAY if y == 0 else style.FRESNEL_EDGE
        ax.plot(spot.fade_margin_interval_db, [y, y], color=colour, lw=2.4, zorder=3)
        ax.plot(spot.fade_margin_db, y, "o", color=colour, ms=7, mec=style.PAPER, mew=0.8, zorder=4)
        at = room.height_pt * (1.0 - (y + 0.6) / (len(spots) + 0.2))
        name = room.fit(style.drawable(spot.name), 140, style.TEXT_PT, bold=y == 0)
        room.text(-8, at, name, style.TEXT_PT, style.INK, bold=y == 0, ha="right", va="center")
        spare = true_minus(decibel_words(spot.fade_margin_db))
        figures = f"{spare}   best: {probability_words(spot.best_probability)}"
        room.text(room.width_pt + 8, at, figures, style.SMALL_PT, style.INK, va="center")
    marks = [(0.0, "receiver's limit", style.ACCENT)]
    if math.isfinite(asked_db):
        marks.append((asked_db, "required", style.INK))
    sizes = [room.text_width(words, style.SMALL_PT) + 10.0 for _, words, _ in marks]
    middles = spread_apart([room.x_pt(value) for value, _, _ in marks], sizes, -20.0, room.width_pt + 20.0)
    for (_, words, colour), middle in zip(marks, middles, strict=True):
        room.text(middle, room.height_pt + 5, words, style.SMALL_PT, colour, ha="center")
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
    ax.xaxis.set_major_formatter(FuncFormatter(tick_words))
    ax.grid(True, axis="x")
    ax.set_xlabel("Margin of the weaker direction, dB")
    return ax


def map_figure(survey: Survey) -> "Figure":
    """Draw where the spots lie, the better the darker.

    Parameters
    ----------
    survey : Survey
        With two spots or more that have positions.

    Returns
    -------
    Figure
    """
    width, height = style.TALL_IN
    with style.styled():
        figure = style.new_figure(width, height)
        ax = figure.add_axes((0.85 / width, 0.75 / height, (width - 2.35) / width, (height - 1.4) / height))
        points = draw_map(ax, survey.spots)
        scale = figure.add_axes(((width - 1.2) / width, 0.75 / height, 0.16 / width, (height - 1.4) / height))
        bar = figure.colorbar(points, cax=scale)
        bar.outline.set_visible(False)
        bar.ax.yaxis.set_major_formatter(FuncFormatter(tick_words))
        bar.set_label("Margin, dB")
        placed = sum(s.latitude_deg is not None for s in survey.spots)
        words = f"{placed} spots on the map" + (
            f", {len(survey.spots) - placed} without a position" if placed < len(survey.spots) else ""
        )
        _heading(figure, survey.name, words, style.INK)
        caption = "Margin of the weaker direction under the plan's conditions; the ring marks the best spot."
        figure.text(
            14.0 / 72 / width, 0.17 / height, caption, size=style.SMALL_PT, color=style.MUTED, va="center"
        )
    return figure


def draw_map(ax: "Axes", spots: Sequence[Spot]) -> PathCollection:
    """Draw spots in metres east and north of their middle.

    Parameters
    ----------
    ax : Axes
        In its final place.
    spots : sequence of Spot
        Best first; those without a position are left out.

    Returns
    -------
    PathCollection
        The points, for a scale.
    """
    placed = [s for s in spots if s.latitude_deg is not None and s.longitude_deg is not None]
    latitude = np.array([s.latitude_deg for s in placed], dtype=np.float64)
    longitude = np.array([s.longitude_deg for s in placed], dtype=np.float64)
    # spots of one place: the earth is flat, and longitudes are taken from the first one across 180°
    east = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    x = np.radians(east) * EARTH_RADIUS_M * math.cos(math.radians(float(latitude.mean())))
    y = np.radians(latitude) * EARTH_RADIUS_M
    x, y = x - (x.min() + x.max()) / 2.0, y - (y.min() + y.max()) / 2.0
    margin = np.array([s.fade_margin_db for s in placed])
    room = Room(ax)
    reach = max(
        1.25 * float(np.ptp(x)) / room.width_pt,
        1.25 * float(np.ptp(y)) / room.height_pt,
        20.0 / room.width_pt,
    )
    ax.set_xlim(-reach * room.width_pt / 2.0, reach * room.width_pt / 2.0)
    ax.set_ylim(-reach * room.height_pt / 2.0, reach * room.height_pt / 2.0)
    ax.grid(True)
    low, high = float(margin.min()), float(margin.max())
    middle, half = (low + high) / 2.0, max((high - low) / 2.0, 1.0)
    hue = LinearSegmentedColormap.from_list("linkcalc", style.SEQUENCE[1:])
    points = ax.scatter(
        x, y, c=margin, cmap=hue, vmin=middle - half, vmax=middle + half, s=110, edgecolors=style.INK,
        linewidths=0.8, zorder=3,
    )  # fmt: skip
    ax.plot(x[0], y[0], "o", ms=17, mfc="none", mec=style.INK, mew=1.8, zorder=4)
    _name_points(room, placed, x, y)
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
        axis.set_major_formatter(FuncFormatter(tick_words))
    ax.set_xlabel("East of the middle, m")
    ax.set_ylabel("North of the middle, m")
    return points


def _name_points(room: Room, spots: Sequence[Spot], x: Floats, y: Floats) -> None:
    """Name the best points, each where its name meets no point and no other name; the best in any case."""
    centres = [(room.x_pt(float(a)), room.y_pt(float(b))) for a, b in zip(x, y, strict=True)]
    taken = [(px - 7.0, py - 7.0, px + 7.0, py + 7.0) for px, py in centres]
    taken[0] = (centres[0][0] - 10.0, centres[0][1] - 10.0, centres[0][0] + 10.0, centres[0][1] + 10.0)
    for i, (spot, (px, py)) in enumerate(zip(spots[:_MOST_NAMES], centres, strict=False)):
        figure = f"  {true_minus(decibel_words(spot.fade_margin_db))}"
        words = room.fit(style.drawable(spot.name), 140, style.SMALL_PT, bold=i == 0) + figure
        wide = width_of_text(words, style.SMALL_PT, i == 0)
        places = [
            (left, low)
            for left, low in (
                (px + 12.0, py - 4.0),
                (px - 12.0 - wide, py - 4.0),
                (px - wide / 2.0, py + 11.0),
                (px - wide / 2.0, py - 20.0),
                *((left, py + up) for up in (9.0, -17.0) for left in (px + 9.0, px - 9.0 - wide)),
            )
            if left >= 0.0 and left + wide <= room.width_pt and 2.0 <= low <= room.height_pt - 9.0
        ]
        meets = [
            sum(_meet((left, low - 2.0, left + wide, low + 9.0), t) for j, t in enumerate(taken) if j != i)
            for left, low in places
        ]
        if not places or (min(meets) > 0 and i > 0):
            continue
        left, low = places[meets.index(min(meets))]
        room.text(left, low, words, style.SMALL_PT, style.INK, bold=i == 0, paper=min(meets) > 0)
        taken.append((left, low - 2.0, left + wide, low + 9.0))


def _meet(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _heading(figure: "Figure", name: str, words: str, colour: str, below: str = "") -> None:
    width, height = figure.get_size_inches() * 72.0
    used = width_of_text(words, style.TITLE_PT, True)
    title = Room.fit(style.drawable(name), width - 44.0 - used, style.TITLE_PT, bold=True)
    for x, text, shade, align in ((14.0, title, style.INK, "left"), (width - 14.0, words, colour, "right")):
        figure.text(
            x / width,
            1.0 - 18.0 / height,
            text,
            size=style.TITLE_PT,
            weight="bold",
            color=shade,
            ha=align,
            va="center",
        )
    line = Room.fit(style.drawable(below), width - 28.0, style.SMALL_PT)
    figure.text(14.0 / width, 1.0 - 34.0 / height, line, size=style.SMALL_PT, color=style.MUTED, va="center")


def write_all(survey: Survey, out_dir: str | os.PathLike[str]) -> list[Path]:
    """Write every picture of a survey as SVG and PNG.

    Parameters
    ----------
    survey : Survey
    out_dir : path
        Made if missing. Files: `<link>-survey`, and where several spots were tried `<link>-spots`, and
        `<link>-spots-map` if two or more have positions.

    Returns
    -------
    list of Path
        The files written.

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
    stem = style.slug(survey.name)
    verdict = VERDICT_WORDS[survey.verdict]
    files = style.save(margin_figure(survey), folder / f"{stem}-survey", title=f"{survey.name}: {verdict}")
    if survey.spots:
        files += style.save(spots_figure(survey), folder / f"{stem}-spots", title=f"{survey.name}: spots")
        if sum(s.latitude_deg is not None for s in survey.spots) > 1:
            files += style.save(
                map_figure(survey), folder / f"{stem}-spots-map", title=f"{survey.name}: spots"
            )
    return files

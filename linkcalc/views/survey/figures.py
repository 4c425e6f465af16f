"""Pictures of a survey: readings against the prediction, and the spots of a walk test."""

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from linkcalc._arrays import Floats
from linkcalc.site.measured import DirectionDrawing, DirectionSurvey
from linkcalc.site.survey import Survey
from linkcalc.site.walk_test import Spot
from linkcalc.units import EARTH_RADIUS_M
from linkcalc.views import canvas, style
from linkcalc.views.words import VERDICT_WORDS, decibel_words, probability_words

_MOST_BARS = 30
_MOST_NAMES = 15


def margin_figure(survey: Survey) -> Figure:
    width, panel, top, bottom = style.WIDE_IN[0], 2.75, 0.6, 0.75
    height = top + len(survey.directions) * panel + bottom
    with style.styled_figure(width, height) as figure:
        for i, (direction, drawing) in enumerate(zip(survey.directions, survey.drawing, strict=True)):
            base = bottom + (len(survey.directions) - 1 - i) * panel + 0.12
            left = canvas.axes_in(figure, 0.75, base, 4.55, panel - 0.55)
            right = canvas.axes_in(figure, 5.55, base, 2.35, panel - 0.55)
            draw_direction(left, right, direction, drawing, width * 72.0 - 80.0)
        left.set_xlabel("Readings in the order of the file")
        right.set_xlabel("Likelihood")
        verdict = VERDICT_WORDS[survey.verdict], style.VERDICT[survey.verdict]
        canvas.write_heading(figure, survey.name, survey.headline, verdict)
        caption = (
            "Margins under the plan's conditions, fading allowed for. Open: too far from the others to count."
        )
        canvas.write_caption(figure, f"{caption} Dashed curve: the plan alone.", lines=1)
    return figure


def draw_direction(
    left: Axes, right: Axes, direction: DirectionSurvey, drawing: DirectionDrawing, width_pt: float
) -> None:
    """Draw a direction's readings, and beside them its margin before and after."""
    draw_readings(left, direction, drawing)
    draw_margin(right, direction, drawing)
    room, ends = canvas.Room(left), (direction.from_, direction.to)
    words = canvas.fitted_ends("From {} to {}", ends, width_pt, style.TEXT_PT, bold=True)
    room.text(0, room.height_pt + 6, words, style.TEXT_PT, style.INK, bold=True)


def draw_readings(ax: Axes, direction: DirectionSurvey, drawing: DirectionDrawing) -> Axes:
    """Draw every reading as the margin it shows, with the interval the margin now lies in."""
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
    room = canvas.Room(ax)
    words = [] if margin.size else ["no reading of level"]
    if drawing.lost:
        words.append(f"{drawing.lost} of {direction.sent} packets lost")
    room.text(room.width_pt - 3, 4, "; ".join(words), style.SMALL_PT, style.ACCENT, ha="right", paper=True)
    if margin.size:
        ax.xaxis.set_major_locator(MaxNLocator(8, integer=True, min_n_ticks=1))
    else:
        ax.set_xticks([])
    canvas.round_ticks(ax.yaxis, 6)
    ax.grid(True, axis="y")
    ax.set_ylabel("Margin, dB")
    return ax


def draw_margin(ax: Axes, direction: DirectionSurvey, drawing: DirectionDrawing) -> Axes:
    """Draw how likely each margin was and is, upward, into axes with room for labels on their right (130 pt)."""
    y, before, after = drawing.margin_db, drawing.prior_density, drawing.posterior_density
    ax.set_xlim(0.0, 1.08 * float(max(after.max(), before.max())))
    ax.set_ylim(*_limits(direction, drawing))
    ax.fill_betweenx(y, 0.0, after, color=style.FRESNEL, lw=0, zorder=2)
    ax.plot(after, y, color=style.RAY, lw=1.6, zorder=3)
    ax.plot(before, y, color=style.MUTED, lw=1.3, ls=style.DASHED, zorder=3)
    _levels(ax, direction)
    low, high = (canvas.true_minus(f"{v:.0f}") for v in direction.fade_margin_interval_db)
    now, plan, asked = (
        canvas.true_minus(decibel_words(v))
        for v in (direction.fade_margin_db, direction.predicted_margin_db, direction.required_margin_db)
    )
    labels = [
        (direction.fade_margin_db, f"now {now}\n(95 %: {low} to {high})", style.RAY),
        (direction.predicted_margin_db, f"predicted {plan}", style.MUTED),
        (0.0, "0 dB: receiver's limit", style.ACCENT),
        (direction.required_margin_db, f"required: {asked}", style.INK),
    ]
    bottom, top = ax.get_ylim()
    canvas.write_side_labels(canvas.Room(ax), [entry for entry in labels if bottom <= entry[0] <= top])
    ax.set_xticks([])
    canvas.round_ticks(ax.yaxis, 6)
    ax.grid(True, axis="y")
    ax.tick_params(labelleft=False)
    return ax


def _limits(direction: DirectionSurvey, drawing: DirectionDrawing) -> tuple[float, float]:
    right = drawing.reading_margin_db[drawing.reading_wrong <= 0.5].tolist()
    now = direction.predicted_margin_db, *direction.fade_margin_interval_db
    # readings too far off to count do not stretch the scale; they are drawn at its edge
    ends = [v for v in (0.0, *now, direction.required_margin_db, *right) if math.isfinite(v)]
    return min(ends) - 6.0, max(ends) + 6.0


def _levels(ax: Axes, direction: DirectionSurvey) -> None:
    ax.axhline(0.0, **style.LIMIT, zorder=1.5)
    if math.isfinite(direction.required_margin_db):
        ax.axhline(direction.required_margin_db, **style.REQUIRED, zorder=1.5)


def spots_figure(survey: Survey) -> Figure:
    """Draw the spots tried, best at the top, each with its interval and its chance to be the best."""
    spots = survey.spots[:_MOST_BARS]
    width, row, top, bottom = style.TALL_IN[0], 0.3, 0.85, 0.75
    height = top + row * len(spots) + bottom
    with style.styled_figure(width, height) as figure:
        ax = canvas.axes_in(figure, 2.2, bottom, width - 3.9, row * len(spots))
        draw_spots(ax, spots, min(d.required_margin_db for d in survey.directions))
        more = len(survey.spots) - len(spots)
        words = f"{len(survey.spots)} spots tried" + (f", the best {len(spots)} shown" if more else "")
        canvas.write_heading(figure, survey.name, "", (words, style.INK))
        canvas.write_caption(
            figure, "Line: 95 % of what the spot's margin may be, for comparing the spots.", lines=1
        )
    return figure


def draw_spots(ax: Axes, spots: Sequence[Spot], asked_db: float) -> Axes:
    """Draw margin and interval of each spot, best first; axes with room on the left (150 pt) and right (110 pt)."""
    ends = [e for s in spots for e in s.fade_margin_interval_db]
    asked = [asked_db] if math.isfinite(asked_db) else []
    shown = [0.0, *ends, *asked]
    # a spot that heard nothing may lie far below: its line runs out of the picture
    low = max(min(shown), min(s.fade_margin_db for s in spots) - 12.0, -40.0)
    ax.set_xlim(min(low, -3.0) - 2.0, max(shown) + 3.0)
    ax.set_ylim(len(spots) - 0.4, -0.6)
    ax.axvline(0.0, **style.LIMIT, zorder=1)
    for value in asked:
        ax.axvline(value, **style.REQUIRED, zorder=1)
    room = canvas.Room(ax)
    for y, spot in enumerate(spots):
        colour = style.RAY if y == 0 else style.FRESNEL_EDGE
        ax.plot(spot.fade_margin_interval_db, [y, y], color=colour, lw=2.4, zorder=3)
        ax.plot(spot.fade_margin_db, y, "o", color=colour, ms=7, mec=style.PAPER, mew=0.8, zorder=4)
        at = room.row_pt(len(spots), y)
        name = canvas.fitted_words(style.drawable(spot.name), 140, style.TEXT_PT, bold=y == 0)
        room.text(-8, at, name, style.TEXT_PT, style.INK, bold=y == 0, ha="right", va="center")
        spare = canvas.true_minus(decibel_words(spot.fade_margin_db))
        figures = f"{spare}   best: {probability_words(spot.best_probability)}"
        room.text(room.width_pt + 8, at, figures, style.SMALL_PT, style.INK, va="center")
    marks = [(0.0, "receiver's limit", style.ACCENT), *((value, "required", style.INK) for value in asked)]
    sizes = [canvas.width_of_text(words, style.SMALL_PT) + 10.0 for _, words, _ in marks]
    middles = canvas.spread_apart(
        [room.x_pt(value) for value, _, _ in marks], sizes, -20.0, room.width_pt + 20.0
    )
    for (_, words, colour), middle in zip(marks, middles, strict=True):
        room.text(middle, room.height_pt + 5, words, style.SMALL_PT, colour, ha="center")
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    canvas.round_ticks(ax.xaxis, 7)
    ax.grid(True, axis="x")
    ax.set_xlabel("Margin of the weaker direction, dB")
    return ax


def map_figure(survey: Survey) -> Figure:
    """Draw where the spots lie, two or more of which have positions, the better the darker."""
    width, height = style.TALL_IN
    with style.styled_figure(width, height) as figure:
        points = draw_map(canvas.axes_in(figure, 0.85, 0.75, width - 2.35, height - 1.4), survey.spots)
        bar = figure.colorbar(points, cax=canvas.axes_in(figure, width - 1.2, 0.75, 0.16, height - 1.4))
        bar.outline.set_visible(False)
        bar.ax.yaxis.set_major_formatter(FuncFormatter(canvas.tick_words))
        bar.set_label("Margin, dB")
        placed = sum(s.latitude_deg is not None for s in survey.spots)
        words = f"{placed} spots on the map"
        if placed < len(survey.spots):
            words += f", {len(survey.spots) - placed} without a position"
        canvas.write_heading(figure, survey.name, "", (words, style.INK))
        what = "Margin of the weaker direction under the plan's conditions"
        canvas.write_caption(figure, f"{what}; the ring marks the best spot.", lines=1)
    return figure


def draw_map(ax: Axes, spots: Sequence[Spot]) -> PathCollection:
    """Draw spots that have a position in metres around their middle, the best, first one ringed; return the points."""
    placed = [s for s in spots if s.latitude_deg is not None and s.longitude_deg is not None]
    latitude = np.array([s.latitude_deg for s in placed], dtype=np.float64)
    longitude = np.array([s.longitude_deg for s in placed], dtype=np.float64)
    # spots of one place: the earth is flat, and longitudes are taken from the first one across 180°
    east = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    x = np.radians(east) * EARTH_RADIUS_M * math.cos(math.radians(float(latitude.mean())))
    y = np.radians(latitude) * EARTH_RADIUS_M
    x, y = x - (x.min() + x.max()) / 2.0, y - (y.min() + y.max()) / 2.0
    margin = np.array([s.fade_margin_db for s in placed])
    room = canvas.Room(ax)
    wide, high = 1.25 * float(np.ptp(x)) / room.width_pt, 1.25 * float(np.ptp(y)) / room.height_pt
    reach = max(wide, high, 20.0 / room.width_pt)
    ax.set_xlim(-reach * room.width_pt / 2.0, reach * room.width_pt / 2.0)
    ax.set_ylim(-reach * room.height_pt / 2.0, reach * room.height_pt / 2.0)
    ax.grid(True)
    low, high = float(margin.min()), float(margin.max())
    middle, half = (low + high) / 2.0, max((high - low) / 2.0, 1.0)
    points = ax.scatter(
        x, y, c=margin, cmap=style.ramp(style.SEQUENCE[1:]), vmin=middle - half, vmax=middle + half, s=110,
        edgecolors=style.INK, linewidths=0.8, zorder=3,
    )  # fmt: skip
    ax.plot(x[0], y[0], "o", ms=17, mfc="none", mec=style.INK, mew=1.8, zorder=4)
    _name_points(ax, placed, x, y)
    for axis in (ax.xaxis, ax.yaxis):
        canvas.round_ticks(axis, 7)
    ax.set_xlabel("East of the middle, m")
    ax.set_ylabel("North of the middle, m")
    return points


def _name_points(ax: Axes, spots: Sequence[Spot], x: Floats, y: Floats) -> None:
    """Name the best points, each where its name meets no point and no other name; the best in any case."""
    room, places = canvas.Room(ax), list(zip(x.tolist(), y.tolist(), strict=True))
    # the best has a ring round it
    names = canvas.Names(
        ax, (canvas.box_of_mark(room, place, 11.0 if i else 17.0) for i, place in enumerate(places))
    )
    for i, (spot, place) in enumerate(zip(spots[:_MOST_NAMES], places, strict=False)):
        words = canvas.fitted_words(style.drawable(spot.name), 140, style.SMALL_PT, bold=i == 0)
        words += f"  {canvas.true_minus(decibel_words(spot.fade_margin_db))}"
        over: canvas.Over = "nothing" if i else "all"
        names.write(words, place, 11.0 if i else 17.0, style.SMALL_PT, over=over, bold=i == 0)


def write_all(survey: Survey, out_dir: Path) -> list[Path]:
    """Write every picture of a survey as SVG and PNG: `<link>-survey`, and of spots `-spots` and `-spots-map`."""
    stem, name = style.slug(survey.name), survey.name
    pictures = [(f"{stem}-survey", margin_figure(survey), f"{name}: {VERDICT_WORDS[survey.verdict]}")]
    if survey.spots:
        pictures.append((f"{stem}-spots", spots_figure(survey), f"{name}: spots"))
    if sum(s.latitude_deg is not None for s in survey.spots) > 1:
        pictures.append((f"{stem}-spots-map", map_figure(survey), f"{name}: spots"))
    return canvas.write_pictures(out_dir, pictures)

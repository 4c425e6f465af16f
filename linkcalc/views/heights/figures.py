"""The margin over both antenna heights as a picture: bands of one hue, the line where the link closes."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from linkcalc.sweeps.mast_heights import HeightTable, Pair
from linkcalc.views import canvas, style
from linkcalc.views.heights.text import cost_words, figure_words
from linkcalc.views.own_axes import on_own_axes
from linkcalc.views.words import decibel_words

_MOST_BANDS = 8
_STEPS_DB = (1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0)


def heights_figure(table: HeightTable) -> Figure:
    with style.styled_figure(8.0, 6.4) as figure:
        draw_heights(canvas.axes_in(figure, 0.72, 0.98, 4.6, 4.6), table)
        canvas.write_heading(figure, table.link, f"required of each direction: {table.asked}")
        caption = (
            "Numbers on the lines: margin of the weaker direction, dB; pale grey below 0, from there darker is more. "
            f"Pairs name the height at {table.from_} first. Feeders grow as antennas are raised."
        )
        canvas.write_caption(figure, caption, lines=2)
    return figure


@on_own_axes
def draw_heights(ax: Axes, table: HeightTable) -> Axes:
    """Draw bands of margin, the line where what is asked is reached, the 0 dB line, and the pairs.

    Parameters
    ----------
    ax : Axes
        In its final place, with room for labels on its right (165 pt).
    table : HeightTable

    Returns
    -------
    Axes

    Examples
    --------
    >>> import linkcalc as lc
    >>> table = lc.heights(lc.sample_path("plain"), highest_m=8.0, step_m=3.0)
    >>> draw_heights(style.new_figure(8, 6).add_axes((0.1, 0.15, 0.55, 0.75)), table).get_ylabel()
    'Antenna above ground at header tank, m'
    """
    far, near, margin = table.far_height_m, table.near_height_m, table.margin_db
    room = canvas.Room(ax)
    ax.set_xlim(float(far[0]), float(far[-1]))
    ax.set_ylim(float(near[0]), float(near[-1]))
    levels = band_levels(float(margin.min()), float(margin.max()))
    ax.contourf(far, near, margin, levels=levels, colors=[shade_of(v) for v in levels[:-1]], zorder=1)
    pairs = [p for p in (table.present, table.cheapest) if p is not None]
    avoid = [(room.x_pt(p.far_height_m), room.y_pt(p.near_height_m)) for p in pairs]
    parted = bool(table.lacking_db.min() < 0.0 < table.lacking_db.max())
    if not parted:
        avoid += _said_of_all(room, bool(table.closes.any()))

    def contour(values: Any, places_db: list[float], colour: str, width: float, zorder: float) -> Any:
        return ax.contour(far, near, values, places_db, colors=colour, linewidths=width, zorder=zorder)

    inner = [v for v in levels[1:-1] if v != 0.0]
    if inner:
        lines = contour(margin, inner, style.MUTED, 0.6, 2)
        for value, places in zip(inner, lines.allsegs, strict=True):
            line_label(room, places, f"{value:g}", style.INK, avoid)
    reached = "every" if table.closes.any() else "no"
    key: list[tuple[dict[str, Any], str]] = [({}, f"{reached} pair reaches\nthe required margin")]
    if parted:
        line = contour(table.lacking_db, [0.0], style.INK, 2.6, 4)
        line_label(room, line.allsegs[0], "required", style.INK, avoid, bold=True)
        words = "required margin: the link\ncloses on the darker side"
        key = [({"color": style.INK, "lw": 2.6}, words)]
    if margin.min() < 0.0 < margin.max():
        zero = contour(margin, [0.0], style.ACCENT, 1.4, 3)
        zero.set_linestyle(style.DASHED)
        line_label(room, zero.allsegs[0], "0", style.ACCENT, avoid, bold=True)
        key.append(({"color": style.ACCENT, "lw": 1.4, "ls": style.DASHED}, "0 dB: receiver's limit"))
    for pair, words, marker in _marks(table):
        mark: dict[str, Any] = {"marker": marker, "color": style.PAPER, "mec": style.INK, "mew": 1.8, "ms": 8}
        ax.plot(pair.far_height_m, pair.near_height_m, zorder=7, clip_on=False, **mark)
        heights = f"{figure_words(pair.near_height_m)} m and {figure_words(pair.far_height_m)} m"
        heights += f": {canvas.true_minus(decibel_words(min(pair.fade_margins_db)))}"
        key.append((mark, f"{words}\n{heights}\nmasts {cost_words(pair.cost)}"))
    _draw_key(room, key)
    for axis, name in ((ax.xaxis, table.to), (ax.yaxis, table.from_)):
        canvas.round_ticks(axis, 8, (1, 2, 2.5, 5, 10))
        axis.set_label_text(canvas.fitted_label("Antenna above ground at ", name, ", m", room.width_pt))
    return ax


def _said_of_all(room: canvas.Room, closes: bool) -> list[tuple[float, float]]:
    """Say in the picture that it closes everywhere, or nowhere; return the places that are taken."""
    words = f"closes {'at all' if closes else 'nowhere at'} these heights"
    colour = style.VERDICT["closes" if closes else "does_not_close"]
    middle, y = room.width_pt / 2, room.height_pt - 16
    room.text(middle, y, words, style.TEXT_PT, colour, bold=True, ha="center", va="center", paper=True)
    half = canvas.width_of_text(words, style.TEXT_PT, bold=True) / 2
    return [(middle + share * half, y) for share in (-1.0, -0.6, -0.2, 0.2, 0.6, 1.0)]


def band_levels(low_db: float, high_db: float) -> list[float]:
    """Round margins that hold a range in a few bands."""
    for step in _STEPS_DB:
        first, last = math.floor(low_db / step), math.ceil(high_db / step)
        if last - first <= _MOST_BANDS:
            break
    last = max(last, first + 1)
    return [step * n for n in range(first, last + 1)]


def shade_of(margin_db: float) -> str:
    """Colour of a margin, the same in every picture: greys below 0 dB, from there one hue, darker up to 40 dB."""
    if margin_db < 0.0:
        return to_hex(style.ramp(style.BELOW)(min(-margin_db / 30.0, 1.0)))
    # the darkest end would hide lines and marks
    return to_hex(style.ramp(style.SEQUENCE[1:])(0.8 * min(margin_db / 40.0, 1.0)))


def _marks(table: HeightTable) -> list[tuple[Pair, str, str]]:
    now, cheapest = table.present, table.cheapest
    if cheapest is None:
        return [(now, "as planned", "o")]
    if (now.near_height_m, now.far_height_m) == (cheapest.near_height_m, cheapest.far_height_m):
        return [(now, "as planned, and the cheapest\nthat reaches the required margin", "o")]
    return [(now, "as planned", "o"), (cheapest, "cheapest pair that\nreaches the required margin", "D")]


def _draw_key(room: canvas.Room, entries: Sequence[tuple[dict[str, Any], str]]) -> None:
    """Name lines and marks beside the plot, each behind a sample of itself."""
    left, y = room.width_pt + 16.0, room.height_pt - 6.0
    for look, words in entries:
        if look:
            x = [left + 9.0] if "marker" in look else [left, left + 18.0]
            room.plot(x, [y] * len(x), **look)
        room.text(left + (26.0 if look else 0.0), y + 5.0, words, style.SMALL_PT, style.INK, va="top")
        y -= 12.0 * (1 + words.count("\n")) + 12.0


def line_label(
    room: canvas.Room,
    lines: Sequence[Any],
    words: str,
    colour: str,
    taken: list[tuple[float, float]],
    *,
    bold: bool = False,
) -> None:
    """Write a contour's value on its longest stretch, where nothing else is written."""
    wide = canvas.width_of_text(words, style.SMALL_PT, bold=bold)
    best: tuple[float, float, float] | None = None
    for line in lines:
        x = np.array([room.x_pt(v) for v in line[:, 0]])
        y = np.array([room.y_pt(v) for v in line[:, 1]])
        length = float(np.hypot(np.diff(x), np.diff(y)).sum())
        if length < 1.5 * wide:
            continue
        for share in np.linspace(0.1, 0.9, 17):
            i = int(share * (len(x) - 1))
            inside = wide / 2 + 3 < x[i] < room.width_pt - wide / 2 - 3 and 9 < y[i] < room.height_pt - 9
            if not inside or any(abs(x[i] - a) < wide / 2 + 18 and abs(y[i] - b) < 16 for a, b in taken):
                continue
            score = length - 60.0 * abs(share - 0.5)
            if best is None or score > best[0]:
                best = score, float(x[i]), float(y[i])
    if best is None:
        return
    _, at_x, at_y = best
    taken.append((at_x, at_y))
    look: dict[str, Any] = {"bold": bold, "paper": True, "ha": "center", "va": "center"}
    room.text(at_x, at_y, canvas.true_minus(words), style.SMALL_PT, colour, **look)


def write_all(tables: Sequence[HeightTable], out_dir: Path) -> list[Path]:
    """Write the picture of every link as `<link>-heights.svg` and `.png`; LinkcalcError if that cannot be."""
    named = [(table.link, table) for table in tables]
    return canvas.write_each(out_dir, named, heights_figure, "heights", "both antenna heights")

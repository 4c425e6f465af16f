"""What pictures share: places in inches and points, text by its measured width, labels that lie on nothing, ticks,
headings, captions and files. Colours and type are those of `style`."""

import itertools
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from textwrap import fill
from typing import Any, Literal, TypeVar

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.text import Text
from matplotlib.ticker import FuncFormatter, MaxNLocator

from linkcalc.files import made_folder as made_folder
from linkcalc.views import style, units
from linkcalc.views.page import NO_BREAK, TOGETHER
from linkcalc.views.words import upper_first as upper_first

Thing = TypeVar("Thing")

SAFETY = "A prediction: measure on site. A radio link is no safety function and no emergency stop."
"""What every map and every picture of a fleet says."""

LEADER = "leader"
"""Marks the thin lines that tie a label to its point."""

Box = tuple[float, float, float, float]
"""Left, bottom, right and top."""


# ---------------------------------------------------------------- a figure and its words


def axes_in(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Add axes at a place in inches from the figure's lower left corner."""
    across, up = figure.get_size_inches()
    return figure.add_axes((left / across, bottom / up, width / across, height / up))


def write_heading(
    figure: Figure, title: str, under: str, right: tuple[str, str] = ("", style.INK), right_under: str = ""
) -> None:
    """Write title and facts on two lines, cut to what the words on the right leave; `right`: words and their colour."""
    width, height = figure.get_size_inches() * 72.0
    rows = (
        (18.0, style.TITLE_PT, True, (title, style.INK), right),
        (34.0, style.SMALL_PT, False, (under, style.MUTED), (right_under, style.INK)),
    )
    for drop, size, bold, (left, left_colour), (end, end_colour) in rows:
        used = width_of_text(end, size, bold) + 16.0 if end else 0.0
        left = fitted_words(style.drawable(left), width - 28.0 - used, size, bold)
        for x, words, colour, align in (
            (14.0, left, left_colour, "left"),
            (width - 14.0, end, end_colour, "right"),
        ):
            look = type_look(size, colour, bold)
            figure.text(x / width, 1.0 - drop / height, words, ha=align, va="center", **look)


def type_look(size: float, colour: str, bold: bool) -> dict[str, Any]:
    return {"size": size, "color": colour, "weight": "bold" if bold else "normal"}


def write_caption(figure: Figure, text: str, lines: int) -> None:
    """Write a caption at the foot of a figure, wrapped by measured width; what is too long for its lines is cut."""
    width, height = figure.get_size_inches() * 72.0
    shown = wrapped_lines(text, width - 28.0, style.SMALL_PT)
    if len(shown) > lines:
        shown[lines - 1 :] = [" ".join(shown[lines - 1 :])]
    for i, line in enumerate(shown):
        y = (12.0 * (lines - i) - 2.0) / height
        line = fitted_words(line, width - 28.0, style.SMALL_PT)
        figure.text(14.0 / width, y, line, va="center", **style.CAPTION)


def write_words(figure: Figure, left_in: float, top_in: float, words: str, look: Mapping[str, Any]) -> None:
    """Write words below a place in inches, counted from the top where it is negative."""
    across, up = figure.get_size_inches()
    figure.text(left_in / across, top_in / up + (1.0 if top_in < 0.0 else 0.0), words, va="top", **look)


def write_title(figure: Figure, y: float, words: str) -> None:
    """Write a title from the left, cut to the figure's width; `y`: share of its height."""
    room = 0.96 * 72.0 * figure.get_size_inches()[0]
    shown = fitted_words(style.drawable(words), room, style.TITLE_PT, True)
    figure.text(0.02, y, shown, va="center", **style.TITLE)


def write_facts(figure: Figure, y: float, words: str) -> None:
    """Write facts under a title, wrapped to the figure's width."""
    room = 0.96 * 72.0 * figure.get_size_inches()[0]
    lines = [line for part in words.split("\n") for line in wrapped_lines(part, room, style.TEXT_PT)]
    figure.text(0.02, y, "\n".join(lines), va="center", **style.UNDER)


def filled(words: str, width: int) -> str:
    """Words in lines, no figure parted from its unit."""
    kept = TOGETHER.sub(lambda m: m[0].replace(" ", NO_BREAK), style.drawable(words))
    return fill(kept, width).replace(NO_BREAK, " ")


def line_count(words: str) -> int:
    return words.count("\n") + 1


def write_pictures(out_dir: Path, pictures: Iterable[tuple[str, Figure, str]]) -> list[Path]:
    """Write pictures, each a name without ending, a figure and its title, as SVG and PNG; return the files."""
    folder = made_folder(out_dir)
    return [file for name, figure, title in pictures for file in style.save(figure, folder / name, title)]


def write_each(
    out_dir: Path,
    things: Iterable[tuple[str, Thing]],
    draw: Callable[[Thing], Figure],
    ending: str,
    title: str,
) -> list[Path]:
    """Write a picture of each of some named things as `<name>-<ending>`; errors as of `write_pictures`."""
    named = list(things)
    slugs = style.unique_slugs(name for name, _ in named)
    pictures = zip(slugs, named, strict=True)
    return write_pictures(
        out_dir, ((f"{slug}-{ending}", draw(thing), f"{name}: {title}") for slug, (name, thing) in pictures)
    )


# ---------------------------------------------------------------- in a plot


def round_ticks(axis: Axis, most: int, steps: Sequence[float] = (1, 2, 5, 10)) -> None:
    """Give an axis at most so many round ticks and plain figures."""
    axis.set_major_locator(MaxNLocator(most, steps=list(steps)))
    axis.set_major_formatter(FuncFormatter(tick_words))


def tick_words(value: float, position: int | None = None) -> str:
    """A figure at a tick, without trailing noughts."""
    return true_minus(f"{value:.10g}")


def true_minus(words: str) -> str:
    """Give a negative number in front a real minus sign."""
    return "−" + words[1:] if words.startswith("-") else words


def write_note(
    ax: Axes,
    words: str,
    at: tuple[float, float],
    away: tuple[float, float],
    *,
    paper: float | None = None,
    **look: Any,
) -> None:
    """Write words some points away from a place of the plot; `paper`: how far they push lines away behind them, em."""
    if paper is not None:
        look["bbox"] = {"boxstyle": f"round,pad={paper:g}", "fc": style.PAPER, "ec": "none"}
    ax.annotate(words, at, xytext=away, textcoords="offset points", **look)


def write_beside(
    ax: Axes, words: str, at: tuple[float, float], away: tuple[float, float], *, left: bool, **look: Any
) -> None:  # fmt: skip
    """Write words right of a place of the plot, or left of it; otherwise as `write_note`."""
    across = -away[0] if left else away[0]
    write_note(ax, words, at, (across, away[1]), ha="right" if left else "left", **look)


class Room:
    """An `ax` measured in points from its lower left corner, so that labels can be placed by size."""

    def __init__(self, ax: Axes) -> None:
        self._ax = ax
        box, points_per_pixel = ax.get_window_extent(), 72.0 / ax.figure.dpi
        self.width_pt = float(box.width * points_per_pixel)
        self.height_pt = float(box.height * points_per_pixel)

    def x_pt(self, value: float) -> float:
        return self._share(value, self._ax.get_ylim()[0])[0] * self.width_pt

    def y_pt(self, value: float) -> float:
        return self._share(self._ax.get_xlim()[0], value)[1] * self.height_pt

    def _share(self, x: float, y: float) -> tuple[float, float]:
        """A place as shares of the axes, linear or logarithmic."""
        across, up = (self._ax.transScale + self._ax.transLimits).transform((x, y))
        return float(across), float(up)

    def row_pt(self, rows: int, row: float) -> float:
        """Middle of one of so many rows, counted from the top."""
        return self.height_pt * (1.0 - (row + 0.6) / (rows + 0.2))

    def text(
        self,
        x_pt: float,
        y_pt: float,
        words: str,
        size: float,
        colour: str,
        *,
        bold: bool = False,
        paper: bool = False,
        **align: Any,
    ) -> None:
        if not words:
            return
        box = {"fc": style.PAPER, "ec": "none", "pad": 1.0} if paper else None
        x, y, over = x_pt / self.width_pt, y_pt / self.height_pt, self._ax.transAxes
        self._ax.text(
            x, y, words, transform=over, zorder=8, bbox=box, **type_look(size, colour, bold), **align
        )

    def plot(self, x_pt: Any, y_pt: Any, **look: Any) -> None:
        """Draw a line or a mark at places in points, in the plot or beside it."""
        places = [v / self.width_pt for v in x_pt], [v / self.height_pt for v in y_pt]
        self._ax.plot(*places, transform=self._ax.transAxes, clip_on=False, **look)

    def leader(
        self, start: tuple[float, float], end: tuple[float, float], colour: str, *, dotted: bool = False
    ) -> None:
        """Tie a label to its point."""
        dashes: Any = (0, (1.5, 2)) if dotted else "-"
        self.plot(*zip(start, end, strict=True), color=colour, lw=0.7, ls=dashes, gid=LEADER, zorder=4.5)


def write_side_labels(room: Room, labels: Sequence[tuple[float, str, str]]) -> None:
    """Name lines, each a value, words and a colour, at their right ends, pushed apart where they would overlap."""
    labels = sorted(labels, key=lambda e: e[0])
    sizes = [12.0 * (1 + words.count("\n")) + 2.0 for _, words, _ in labels]
    places = spread_apart([room.y_pt(v) for v, _, _ in labels], sizes, 0.0, room.height_pt)
    for (value, words, colour), place in zip(labels, places, strict=True):
        room.text(room.width_pt + 18, place, words, 8, colour, va="center")
        room.leader((room.width_pt + 16, place), (room.width_pt + 2, room.y_pt(value)), colour)


Over = Literal["nothing", "lines", "all"]
"""What a name may lie on at worst: a line, or another name or mark too if there is no other place for it."""


class Names:
    """Names beside their places in a plot, where they lie on nothing, or else hide least of what is drawn.

    `taken` are boxes in points that stay free: marks, and what a map has in its corners. `lines` are places along what
    is drawn, in the plot's own units.
    """

    _SIDES = ((1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1), (0, -1), (1, 0), (-1, 0))

    def __init__(self, ax: Axes, taken: Iterable[Box], lines: Any = ()) -> None:
        self._ax, self._room, self._taken = ax, Room(ax), list(taken)
        places = np.asarray(lines, dtype=float).reshape(-1, 2)
        shares = (ax.transScale + ax.transLimits).transform(places) if len(places) else places
        self._lines = shares * [self._room.width_pt, self._room.height_pt]

    def write(
        self, name: str, place: tuple[float, float], mark_pt: float, size: float, *, over: Over,
        bold: bool = False, colour: str = style.INK,
    ) -> Text | None:  # fmt: skip
        """Write a name beside a mark of a size, if there is a place for it."""
        words = style.drawable(name)
        wide, high = width_of_text(words, size, bold) + 2.0, 1.2 * size
        best: tuple[tuple[int, float], Box] | None = None
        farther = (0.0, 4.0) if over == "nothing" else (0.0, 4.0, 12.0)
        for more, (across, up) in itertools.product(farther, self._SIDES):
            away = 0.5 * mark_pt + 3.5 + more
            left = self._room.x_pt(place[0]) + across * away - wide * (1 - across) / 2.0
            low = self._room.y_pt(place[1]) + up * (2.0 + more if across else away) - high * (1 - up) / 2.0
            box = (left, low, left + wide, low + high)
            if (
                left < 2.0
                or low < 2.0
                or box[2] > self._room.width_pt - 2.0
                or box[3] > self._room.height_pt - 2.0
            ):
                continue
            inside = (self._lines > np.subtract(box[:2], 2.0)) & (self._lines < np.add(box[2:], 2.0))
            met, crossed = sum(meet(box, other) for other in self._taken), int(inside.all(axis=1).sum())
            if (met and over != "all") or (crossed and over == "nothing"):
                continue
            # farther off it may be taken for another's: that weighs as much as a point hidden for each point away
            hidden = met, crossed + more
            if best is None or hidden < best[0]:
                best = hidden, box
        if best is None:
            return None
        self._taken.append(best[1])
        left, low, right, high = best[1]
        x, y = (left + right) / 2.0 / self._room.width_pt, (low + high) / 2.0 / self._room.height_pt
        look = type_look(size, colour, bold) | {"ha": "center", "va": "center", "zorder": 7}
        return self._ax.text(x, y, words, transform=self._ax.transAxes, path_effects=style.halo(2.6), **look)


def meet(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def box_of_mark(room: Room, place: tuple[float, float], size_pt: float) -> Box:
    x, y, half = room.x_pt(place[0]), room.y_pt(place[1]), 0.6 * size_pt
    return x - half, y - half, x + half, y + half


def key_mark(
    label: str, marker: str = "^", size: float = 8.0, colour: str = style.INK, **look: Any
) -> Line2D:
    """Return an entry of a legend for what is drawn as marks."""
    return Line2D([], [], marker=marker, color=colour, linestyle="", markersize=size, label=label, **look)


def kept_within(middle: float, size: float, low: float, high: float) -> float:
    """The middle of a label, shifted least so that it does not leave."""
    return min(max(middle, low + size / 2), high - size / 2)


def spread_apart(wanted: Sequence[float], sizes: Sequence[float], low: float, high: float) -> list[float]:
    """Shift the middles of labels, given in rising order, least so that they neither overlap nor leave."""

    def start(block: Sequence[float]) -> float:
        return max(low, min(block[0] / block[1], high - block[2]))

    blocks: list[list[float]] = []  # sum of wanted starts less offsets, count, size
    for middle, size in zip(wanted, sizes, strict=True):
        blocks.append([middle - size / 2, 1, size])
        # labels that would overlap join into one block, which then stands where it moves its members least
        while len(blocks) > 1 and start(blocks[-2]) + blocks[-2][2] > start(blocks[-1]):
            total, count, length = blocks.pop()
            blocks[-1][0] += total - count * blocks[-1][2]
            blocks[-1][1] += count
            blocks[-1][2] += length
    placed: list[float] = []
    rest = list(sizes)
    for block in blocks:
        at = start(block)
        for _ in range(int(block[1])):
            size = rest.pop(0)
            placed.append(at + size / 2)
            at += size
    return placed


# ---------------------------------------------------------------- text by its width


def wrapped_lines(words: str, width_pt: float, size: float) -> list[str]:
    """Words in lines that are no wider than there is room."""
    lines: list[str] = [""]
    for word in style.drawable(words).split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if width_of_text(longer, size) <= width_pt:
            lines[-1] = longer
        else:
            lines.append(word)
    # a line of a sentence from left to right stays one, whatever script it begins with
    marks = ["\u200e" if line and unicodedata.bidirectional(line[0]) in ("R", "AL") else "" for line in lines]
    return [lines[0], *(mark + line for mark, line in zip(marks[1:], lines[1:], strict=True))]


def fitted_ends(form: str, ends: tuple[str, str], width_pt: float, size: float, bold: bool = False) -> str:
    """A sentence of two stations, "From {} to {}", their names cut so that it fits, the shorter one last."""
    near, far = map(style.drawable, ends)
    room = width_pt - width_of_text(form.format("", ""), size, bold)
    widths = [width_of_text(name, size, bold) for name in (near, far)]
    most = [max(room - other, room / 2.0) for other in reversed(widths)]
    names = (fitted_words(name, wide, size, bold) for name, wide in zip((near, far), most, strict=True))
    return form.format(*names)


def fitted_label(before: str, name: str, after: str, width_pt: float) -> str:
    """An axis's label with a name in it that is cut to the room there is."""
    room = width_pt - width_of_text(before + after, style.TEXT_PT)
    return f"{before}{fitted_words(style.drawable(name), room, style.TEXT_PT)}{after}"


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
    """Width of the widest line, points, with the hinting of a fine raster: no output exceeds it by more than 2 %."""
    if "\n" in words:
        return max(width_of_text(line, size, bold) for line in words.split("\n"))
    words = style.drawable(units.words(words))
    font = FontProperties(family=style.families(words), size=size, weight="bold" if bold else "normal")
    width, _, _ = _measure().get_text_width_height_descent(words, font, ismath=False)
    return float(width) / 10.0 * 1.02


@cache
def _measure() -> Any:
    return RendererAgg(1, 1, 720)  # type: ignore[no-untyped-call]  # matplotlib does not type it

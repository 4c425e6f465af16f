"""What pictures share: places in inches and points, text by its measured width, labels that lie on nothing, ticks,
headings, captions and files. Colours and type are those of `style`."""

import os
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.font_manager import FontProperties
from matplotlib.ticker import FuncFormatter, MaxNLocator

from linkcalc.errors import LinkcalcError
from linkcalc.views import style, units
from linkcalc.views.page import NO_BREAK, TOGETHER

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

SAFETY = "A prediction: measure on site. A radio link is no safety function and no emergency stop."
"""What every map and every picture of a fleet says."""

LEADER = "leader"
"""Marks the thin lines that tie a label to its point."""

Box = tuple[float, float, float, float]
"""Left, bottom, right and top."""


# ---------------------------------------------------------------- a figure and its words


def axes_in(figure: "Figure", left: float, bottom: float, width: float, height: float) -> "Axes":
    """Add axes at a place in inches from the figure's lower left corner."""
    across, up = figure.get_size_inches()
    return figure.add_axes((left / across, bottom / up, width / across, height / up))


def write_heading(
    figure: "Figure",
    title: str,
    under: str,
    right: tuple[str, str] = ("", style.INK),
    right_under: str = "",
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
            look: dict[str, Any] = {"size": size, "weight": "bold" if bold else "normal", "color": colour}
            figure.text(x / width, 1.0 - drop / height, words, ha=align, va="center", **look)


def write_caption(figure: "Figure", text: str, lines: int) -> None:
    """Write a caption at the foot of a figure, wrapped by measured width; what is too long for its lines is cut."""
    width, height = figure.get_size_inches() * 72.0
    shown: list[str] = [""]
    for word in style.drawable(text).split(" "):
        longer = f"{shown[-1]} {word}".strip()
        if width_of_text(longer, style.SMALL_PT) <= width - 28.0:
            shown[-1] = longer
        else:
            shown.append(word)
    if len(shown) > lines:
        shown[lines - 1 :] = [" ".join(shown[lines - 1 :])]
    for i, line in enumerate(shown):
        y = (12.0 * (lines - i) - 2.0) / height
        line = fitted_words(line, width - 28.0, style.SMALL_PT)
        figure.text(14.0 / width, y, line, va="center", **style.CAPTION)


def write_words(figure: "Figure", left_in: float, top_in: float, words: str, look: Mapping[str, Any]) -> None:
    """Write words below a place in inches, counted from the top where it is negative."""
    across, up = figure.get_size_inches()
    figure.text(left_in / across, top_in / up + (1.0 if top_in < 0.0 else 0.0), words, va="top", **look)


def filled(words: str, width: int) -> str:
    """Words in lines, no figure parted from its unit.

    >>> filled("on 868 MHz", 8).splitlines()
    ['on', '868 MHz']
    """
    kept = TOGETHER.sub(lambda m: m[0].replace(" ", NO_BREAK), style.drawable(words))
    return fill(kept, width).replace(NO_BREAK, " ")


def upper_first(words: str) -> str:
    """Words as a sentence begins."""
    return words[:1].upper() + words[1:]


def write_pictures(
    out_dir: str | os.PathLike[str], pictures: Iterable[tuple[str, "Figure", str]]
) -> list[Path]:
    """Write pictures, each a name without ending, a figure and its title, as SVG and PNG; return the files.

    Raises
    ------
    LinkcalcError
        If the folder cannot be made or a file not be written; the text is one line that names it.
    """
    folder = made_folder(out_dir)
    return [file for name, figure, title in pictures for file in style.save(figure, folder / name, title)]


def made_folder(path: str | os.PathLike[str]) -> Path:
    """Make a folder if it is missing; LinkcalcError if that cannot be."""
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LinkcalcError(f"{folder}: cannot be made: {error.strerror or error}") from None
    return folder


# ---------------------------------------------------------------- in a plot


def round_ticks(axis: "Axis", most: int, steps: Sequence[float] = (1, 2, 5, 10)) -> None:
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
    ax: "Axes",
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


class Room:
    """An `ax` measured in points from its lower left corner, so that labels can be placed by size."""

    def __init__(self, ax: "Axes") -> None:
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
        paper: bool = False,
        **align: Any,
    ) -> None:
        if not words:
            return
        look: dict[str, Any] = {"size": size, "color": colour, "weight": "bold" if bold else "normal"}
        box = {"fc": style.PAPER, "ec": "none", "pad": 1.0} if paper else None
        x, y, over = x_pt / self.width_pt, y_pt / self.height_pt, self._ax.transAxes
        self._ax.text(x, y, words, transform=over, zorder=8, bbox=box, **look, **align)

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


def meet(a: Box, b: Box) -> bool:
    """Whether two boxes share area."""
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def spread_apart(wanted: Sequence[float], sizes: Sequence[float], low: float, high: float) -> list[float]:
    """Shift the middles of labels, given in rising order, least so that they neither overlap nor leave.

    >>> spread_apart([10.0, 11.0], [4.0, 4.0], 0.0, 20.0)
    [8.5, 12.5]
    """

    def start(block: Sequence[float]) -> float:
        return max(low, min(block[0] / block[1], high - block[2]))

    blocks: list[list[float]] = []  # sum of wanted starts less offsets, count, size
    for middle, size in zip(wanted, sizes, strict=True):
        blocks.append([middle - size / 2, 1, size])
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

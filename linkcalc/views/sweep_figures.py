"""A sweep as a picture: lines over one parameter, bands over two, a panel for each value of a third."""

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError, LinkcalcError
from linkcalc.files import atomic_write
from linkcalc.sweeps.table import QUANTITIES, Sweep
from linkcalc.views import style
from linkcalc.views.figures import Room, fitted_words, side_labels, tick_words, width_of_text, write_caption
from linkcalc.views.heights_figures import band_levels, line_label, shade_of
from linkcalc.views.own_axes import on_own_axes
from linkcalc.views.sweep_text import numeric_quantities, parameter_words, quantity_words, value_words
from linkcalc.views.text import decibel_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_LINES = 8
_MARKERS = "oDs^vPX*"
_MOST_PANELS = 6
_LOG_FROM = 30.0
"""Times on air and charges that differ by more than this factor are drawn on a logarithmic axis."""


@dataclass(frozen=True)
class _Reference:
    """A level that says something."""

    level: float
    words: str
    label: str
    colour: str
    dashes: Any


@dataclass(frozen=True)
class _Plan:
    """Which parameter goes where."""

    x: str
    y: str | None
    """Vertical axis of bands."""
    lines: str | None
    panels: str | None


def sweep_figure(found: Sweep, quantity: str = "weaker_fade_margin_db") -> "Figure":
    """Draw an array of a sweep, with title and caption.

    Parameters
    ----------
    found : Sweep
        Over one to three parameters; of three, one with at most six values has a panel for each.
    quantity : str
        An array of numbers.

    Returns
    -------
    Figure
        Save it with `linkcalc.views.style.save`.

    Raises
    ------
    DomainError
        If there are more parameters than can be drawn, or the array holds no numbers.
    """
    layout = _layout(found, quantity)
    values = [None] if layout.panels is None else found.coords[layout.panels].tolist()
    panels = [found if layout.panels is None else found.select({layout.panels: value}) for value in values]
    columns = 2 if len(panels) == 4 else min(len(panels), 3)
    rows = math.ceil(len(panels) / columns)
    single = len(panels) == 1
    width = 9.0 if single else 10.5
    right = 0.4 if layout.y is not None else 1.75 if single else 0.85
    left, gap, top, bottom = 0.75, 0.95, 0.95, 1.0
    each = (width - left - right - (columns - 1) * gap) / columns
    tall = 3.4 if single else 2.45
    height = top + rows * tall + (rows - 1) * 0.85 + bottom
    limits = _limits(found, quantity, layout)
    with style.styled():
        figure = style.new_figure(width, height)
        for i, (value, panel) in enumerate(zip(values, panels, strict=True)):
            row, column = divmod(i, columns)
            x, y = left + column * (each + gap), bottom + (rows - 1 - row) * (tall + 0.85)
            ax = figure.add_axes((x / width, y / height, each / width, tall / height))
            own = layout.panels is None or value == found.planned[layout.panels]
            _draw(ax, panel, quantity, layout, limits, named=single, mark=own)
            if layout.panels is not None:
                room = Room(ax)
                words = parameter_words(found, layout.panels, unit=False)
                words = f"{words}: {value_words(layout.panels, value)}"
                shown = room.fit(style.drawable(words), room.width_pt + 40.0, style.TEXT_PT, bold=True)
                room.text(0.0, room.height_pt + 7.0, shown, style.TEXT_PT, style.INK, bold=True)
        _heading(figure, found, quantity)
        write_caption(figure, _caption_words(found, quantity, layout, named=single), lines=2)
    return figure


@on_own_axes
def draw_sweep(ax: "Axes", found: Sweep, quantity: str = "weaker_fade_margin_db") -> "Axes":
    """Draw an array of a sweep over one or two parameters.

    Parameters
    ----------
    ax : Axes
        In its final place, with room for labels on its right (125 pt).
    found : Sweep
        Fix what is too many with `Sweep.select`. Of two parameters, one with at most eight values gives
        lines; if both have more and are numbers, bands of one hue are drawn over the two.
    quantity : str
        An array of numbers.

    Returns
    -------
    Axes
        The same.

    Raises
    ------
    DomainError
        If there are more parameters or values than can be drawn, or the array holds no numbers.

    Examples
    --------
    >>> import linkcalc as lc
    >>> from linkcalc.views.style import new_figure
    >>> found = lc.sweep_plan(lc.load_plan(lc.sample_path("plain")), {"sf": range(7, 13)})
    >>> draw_sweep(new_figure(9, 4).add_axes((0.1, 0.2, 0.6, 0.6)), found).get_xlabel()
    'Spreading factor'
    """
    layout = _layout(found, quantity)
    if layout.panels is not None:
        raise DomainError(f"three parameters need panels: fix {layout.panels} with select")
    return _draw(ax, found, quantity, layout, _limits(found, quantity, layout), named=True, mark=True)


def _layout(found: Sweep, quantity: str) -> _Plan:
    if quantity not in numeric_quantities():
        raise DomainError(f"{quantity} cannot be drawn; there are {', '.join(numeric_quantities())}")
    counts = {name: len(found.coords[name]) for name in found.dims}
    numeric = [name for name in found.dims if found.coords[name].dtype.kind in "if"]
    if not 1 <= len(counts) <= 3:
        raise DomainError(
            f"{len(counts)} parameters cannot be drawn, 1 to 3 can: vary fewer, or fix some with select"
        )
    panels = None
    if len(counts) == 3:
        # what has the fewest values, words before numbers
        panels = min(counts, key=lambda name: (counts[name], name in numeric))
        if counts[panels] > _MOST_PANELS:
            raise DomainError(
                f"of three parameters one must have at most {_MOST_PANELS} values to be drawn:"
                f" {panels} has {counts[panels]}"
            )
    left = [name for name in found.dims if name != panels]
    if len(left) == 1:
        return _Plan(left[0], None, None, panels)
    x = max(left, key=lambda name: (name in numeric, counts[name]))
    other = next(name for name in left if name != x)
    if counts[other] <= _MOST_LINES:
        return _Plan(x, None, other, panels)
    if x in numeric and other in numeric:
        return _Plan(x, other, None, panels)
    raise DomainError(f"{other} has {counts[other]} values; at most {_MOST_LINES} lines can be distinguished")


def _draw(
    ax: "Axes",
    found: Sweep,
    quantity: str,
    layout: _Plan,
    limits: tuple[float, float],
    *,
    named: bool,
    mark: bool,
) -> "Axes":
    """Draw one panel; `named`: there is room for words beside it, `mark`: the plan's own place is in it."""
    if layout.y is not None:
        return _bands(ax, found, quantity, layout.x, layout.y, limits, named=named, mark=mark)
    return _lines(ax, found, quantity, layout, limits, named=named, mark=mark)


def _lines(
    ax: "Axes",
    found: Sweep,
    quantity: str,
    layout: _Plan,
    limits: tuple[float, float],
    *,
    named: bool,
    mark: bool,
) -> "Axes":
    """One line, or one for each value of another parameter, named at its end."""
    from matplotlib.ticker import MaxNLocator

    room = Room(ax)
    words = found.coords[layout.x].dtype.kind not in "if"
    x = np.arange(len(found.coords[layout.x])) if words else found.coords[layout.x].astype(float)
    rows = np.moveaxis(found[quantity], found.dims.index(layout.x), -1).reshape(-1, len(x))
    order = np.argsort(x)
    span = float(x.max() - x.min()) or 1.0
    beside = 0.5 if words else 0.02 * span
    ax.set_xlim(float(x.min()) - beside, float(x.max()) + beside)
    if limits[0] > 0.0 and limits[1] / limits[0] > _LOG_FROM and QUANTITIES[quantity].unit in ("s", "mC"):
        ax.set_yscale("log")
        limits = limits[0] / 1.25, limits[1] * 1.25
    ax.set_ylim(*limits)
    labels: list[tuple[float, str, str]] = []
    values = [None] if layout.lines is None else found.coords[layout.lines].tolist()
    # what would cover each other over words stands side by side
    aside = 0.1 * (np.arange(len(rows)) - (len(rows) - 1) / 2.0) if words else np.zeros(len(rows))
    looks = zip(values, rows, _looks(len(rows)), aside, _MARKERS, strict=False)
    for value, row, (colour, dashes), shift, marker in looks:
        own = layout.lines is not None and value == found.planned[layout.lines]
        ax.plot(
            x[order] + shift,
            row[order],
            color=colour,
            ls="" if words else dashes,
            lw=2.4 if own else 1.6,
            marker=marker if words else "o" if len(x) <= 12 else "",
            ms=4.5,
            zorder=3,
        )
        finite = row[order][np.isfinite(row[order])]
        if layout.lines is not None and finite.size:
            text = value_words(layout.lines, value) + (" (plan)" if own and named else "")
            labels.append((float(finite[-1]), text, colour))
    for line in _references(found, quantity):
        ax.axhline(line.level, color=line.colour, lw=1.1, ls=line.dashes, zorder=1.5)
        if named:
            labels.append((line.level, line.label, line.colour))
    _end_labels(ax, room, labels)
    if named and layout.lines is not None:
        title = parameter_words(found, layout.lines, unit=False)
        shown = room.fit(style.drawable(title), 118.0, style.SMALL_PT, bold=True)
        room.text(room.width_pt + 6.0, room.height_pt + 9.0, shown, style.SMALL_PT, style.INK, bold=True)
    if mark:
        _mark_plan(ax, room, found, quantity, layout)
    _label_axis(ax, room, "x", found, layout.x)
    if ax.get_yscale() == "linear":
        ax.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
        ax.yaxis.set_major_formatter(_formatter())
    else:
        _log_ticks(ax)
    ax.grid(True, axis="y")
    unit = QUANTITIES[quantity].unit
    name = quantity_words(found, quantity)
    label = name[0].upper() + name[1:] + (f", {unit}" if unit else "")
    ax.set_ylabel(fitted_words(style.drawable(label), room.height_pt, style.TEXT_PT))
    return ax


def _bands(
    ax: "Axes",
    found: Sweep,
    quantity: str,
    x: str,
    y: str,
    limits: tuple[float, float],
    *,
    named: bool,
    mark: bool,
) -> "Axes":
    """Bands of one hue over two parameters, darker for more, with their edges named."""
    room = Room(ax)
    numbers = np.moveaxis(found[quantity], found.dims.index(x), -1)
    across, up = found.coords[x].astype(float), found.coords[y].astype(float)
    by_x, by_y = np.argsort(across), np.argsort(up)
    across, up = across[by_x], up[by_y]
    numbers = np.ma.masked_invalid(numbers[np.ix_(by_y, by_x)])
    ax.set_xlim(float(across[0]), float(across[-1]))
    ax.set_ylim(float(up[0]), float(up[-1]))
    levels = _levels(*limits)
    colours = list(map(shade_of, levels[:-1])) if quantity.endswith("margin_db") else _shades(len(levels) - 1)
    ax.contourf(across, up, numbers, levels=levels, colors=colours, zorder=1)
    special = {line.level: line for line in _references(found, quantity)}
    taken = _mark_plan(ax, room, found, quantity, _Plan(x, y, None, None)) if mark else []
    for level in sorted({*levels[1:-1], *special}):
        if not numbers.min() < level < numbers.max():
            continue
        line = special.get(level)
        colour, width = (style.MUTED, 0.6) if line is None else (line.colour, 1.8)
        drawn = ax.contour(across, up, numbers, levels=[level], colors=colour, linewidths=width, zorder=2)
        drawn.set_linestyle("-" if line is None else line.dashes)
        text, ink = f"{level:.10g}", style.INK
        if line is not None:
            text, ink = text + (f": {line.words}" if named else ""), line.colour
        line_label(room, drawn.allsegs[0], text, ink, taken, bold=line is not None)
    _label_axis(ax, room, "x", found, x)
    _label_axis(ax, room, "y", found, y)
    return ax


def _shades(count: int) -> list[Any]:
    """Even steps of the ordered ramp, light to dark."""
    from matplotlib.colors import LinearSegmentedColormap

    ramp = LinearSegmentedColormap.from_list("linkcalc", style.SEQUENCE)
    # the darkest end would hide lines and marks
    return [ramp(0.75 * i / max(count - 1, 1)) for i in range(count)]


def _looks(count: int) -> list[tuple[Any, Any]]:
    """Colour and dashes of lines: our own, or steps of one hue where there are more."""
    if count <= 3:
        return list(style.SERIES[:count])
    from matplotlib.colors import LinearSegmentedColormap

    ramp = LinearSegmentedColormap.from_list("linkcalc", style.SEQUENCE)
    return [(ramp(0.5 + 0.5 * i / (count - 1)), "-") for i in range(count)]


def _references(found: Sweep, quantity: str) -> list[_Reference]:
    """The receiver's limit, and what is asked where it is the same for all."""
    dashed = (0, (5, 2))
    if quantity == "spare_margin_db":
        return [_Reference(0.0, "required margin", "required margin", style.INK, dashed)]
    if not quantity.endswith("fade_margin_db"):
        return []
    marks = [_Reference(0.0, "receiver's limit", "0 dB: receiver's limit", style.ACCENT, "-")]
    both = [found["required_margin_db"], found["back_required_margin_db"]]
    asked = float(np.max(both))
    if 0.0 < asked < math.inf and np.min(both) == asked:
        label = f"required: {decibel_words(asked)}"
        marks.append(_Reference(asked, "required", label, style.INK, dashed))
    return marks


def _limits(found: Sweep, quantity: str, layout: _Plan) -> tuple[float, float]:
    """What the axis or the bands of the quantity span, the same for all panels."""
    numbers = found[quantity]
    numbers = numbers[np.isfinite(numbers)]
    if not numbers.size:
        raise DomainError(f"{quantity} is nowhere known in this sweep")
    low, high = float(numbers.min()), float(numbers.max())
    if quantity.endswith("delivery_probability"):
        return max(0.0, low - 0.05), min(1.0, high + 0.05) + 0.005
    positive = low > 0.0 and QUANTITIES[quantity].unit in ("s", "mC")
    if positive and high / low > _LOG_FROM:
        return low, high
    if layout.y is not None:
        return low, high
    for mark in _references(found, quantity):
        low, high = min(low, mark.level), max(high, mark.level)
    room = 0.06 * (high - low) or 1.0
    return (max(low - room, 0.0) if positive else low - room), high + room


def _levels(low: float, high: float) -> list[float]:
    if high - low >= 6.0:
        return band_levels(low, high)
    from matplotlib.ticker import MaxNLocator

    return [float(v) for v in MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)]


def _mark_plan(
    ax: "Axes", room: Room, found: Sweep, quantity: str, layout: _Plan
) -> list[tuple[float, float]]:
    """Mark the plan's own combination where it is among those drawn; return the places taken, points."""
    own = {name: found.planned[name] for name in found.dims}
    if any(value is None or value not in found.coords[name].tolist() for name, value in own.items()):
        return []
    value = float(found.cell(own)[quantity])
    if not math.isfinite(value):
        return []
    x = own[layout.x]
    if found.coords[layout.x].dtype.kind not in "if":
        x = found.coords[layout.x].tolist().index(x)
    y = value if layout.y is None else own[layout.y]
    ax.plot(x, y, "o", color=style.PAPER, mec=style.INK, mew=1.8, ms=8, zorder=6, clip_on=False)
    place = room.x_pt(x), room.height_pt if ax.get_yscale() == "log" else room.y_pt(y)
    return [place]


def _end_labels(ax: "Axes", room: Room, labels: Sequence[tuple[float, str, str]]) -> None:
    if ax.get_yscale() == "linear":
        side_labels(room, labels)
        return
    low, high = ax.get_ylim()
    # the helper measures a linear axis: lend it one of the logarithms
    ax.set_yscale("linear")
    ax.set_ylim(math.log10(low), math.log10(high))
    side_labels(room, [(math.log10(value), words, colour) for value, words, colour in labels])
    ax.set_yscale("log")
    ax.set_ylim(low, high)


def _label_axis(ax: "Axes", room: Room, which: str, found: Sweep, name: str) -> None:
    from matplotlib.ticker import FixedLocator, MaxNLocator

    values = found.coords[name]
    axis = ax.xaxis if which == "x" else ax.yaxis
    if values.dtype.kind not in "if":
        axis.set_major_locator(FixedLocator(range(len(values))))
        axis.set_ticklabels([style.drawable(value_words(name, v)) for v in values.tolist()])
    elif len(values) <= 12:
        axis.set_major_locator(FixedLocator(_apart(values.astype(float))))
        axis.set_major_formatter(_formatter())
    else:
        axis.set_major_locator(MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]))
        axis.set_major_formatter(_formatter())
    words = parameter_words(found, name, unit=False)
    unit = parameter_words(found, name).removeprefix(words)
    space = (room.width_pt if which == "x" else room.height_pt) - width_of_text(unit, style.TEXT_PT)
    axis.set_label_text(
        fitted_words(style.drawable(words[0].upper() + words[1:]), space, style.TEXT_PT) + unit
    )


def _apart(values: Floats) -> list[float]:
    """Those of a few values that stand far enough apart for their figures."""
    kept: list[float] = []
    least = 0.06 * float(values.max() - values.min())
    for value in sorted(values.tolist()):
        if not kept or value - kept[-1] >= least:
            kept.append(value)
    return kept


def _log_ticks(ax: "Axes") -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    ax.yaxis.set_major_locator(LogLocator(10, subs=(1.0, 2.0, 5.0)))
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.6g}"))
    ax.yaxis.set_minor_formatter(NullFormatter())


def _formatter() -> Any:
    from matplotlib.ticker import FuncFormatter

    return FuncFormatter(tick_words)


def _heading(figure: "Figure", found: Sweep, quantity: str) -> None:
    width, height = figure.get_size_inches() * 72.0
    *most, last = [parameter_words(found, name, unit=False) for name in found.dims]
    over = f"{', '.join(most)} and {last}" if most else last
    name = quantity_words(found, quantity)
    rows = (
        (18.0, style.TITLE_PT, "bold", style.INK, found.link),
        (34.0, style.SMALL_PT, "normal", style.MUTED, f"{name[0].upper()}{name[1:]} against {over}"),
    )
    for drop, size, weight, colour, words in rows:
        shown = fitted_words(style.drawable(words), width - 28.0, size, weight == "bold")
        figure.text(
            14.0 / width, 1.0 - drop / height, shown, size=size, weight=weight, color=colour, va="center"
        )


def _caption_words(found: Sweep, quantity: str, layout: _Plan, *, named: bool) -> str:
    parts = []
    if layout.lines is not None and not named:
        parts.append(f"Figures at the lines: {parameter_words(found, layout.lines)}.")
    if layout.y is not None:
        unit = QUANTITIES[quantity].unit
        name = quantity_words(found, quantity) + (f", {unit}" if unit else "")
        parts.append(f"Figures on the lines: {name}; darker is more.")
    if not named:
        numbers = found[quantity]
        parts += [
            f"{'Solid' if line.dashes == '-' else 'Dashed'}: {line.label}."
            for line in _references(found, quantity)
            if layout.y is None or np.nanmin(numbers) < line.level < np.nanmax(numbers)
        ]
    own = {name: found.planned[name] for name in found.dims}
    if all(value is not None and value in found.coords[name].tolist() for name, value in own.items()):
        parts.append("Circle: the plan as it stands.")
    parts.append("What is not varied is as in the plan.")
    return " ".join(parts)


def write_all(
    found: Sweep, out_dir: str | os.PathLike[str], quantity: str = "weaker_fade_margin_db"
) -> list[Path]:
    """Write the table as CSV, and its picture as SVG and PNG if it can be drawn.

    Parameters
    ----------
    found : Sweep
    out_dir : path
        Made if missing. Files: `sweep.csv`, `<link>-sweep.svg` and `.png`; the pictures are left out for more
        parameters or values than can be drawn.
    quantity : str
        The array of numbers to draw.

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
    table = folder / "sweep.csv"
    atomic_write(table, found.to_csv())
    try:
        figure = sweep_figure(found, quantity)
    except DomainError:
        return [table]
    name = f"{style.slug(found.link)}-sweep"
    return [table, *style.save(figure, folder / name, title=f"{found.link}: sweep")]

"""A sweep as a picture: lines over one parameter, bands over two, a panel for each value of a third.

Every function here raises DomainError where there are more parameters or values than can be drawn, or the array holds
no numbers.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, MaxNLocator, NullFormatter

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError
from linkcalc.files import atomic_write
from linkcalc.sweeps.table import QUANTITIES, Sweep
from linkcalc.views import canvas, style
from linkcalc.views.heights.figures import band_levels, line_label, shade_of
from linkcalc.views.own_axes import on_own_axes
from linkcalc.views.sweep.text import numeric_quantities, parameter_words, quantity_words, value_words
from linkcalc.views.words import decibel_words

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
    look: Mapping[str, Any]


@dataclass(frozen=True)
class _Plan:
    """Which parameter goes where."""

    x: str
    y: str | None
    """Vertical axis of bands."""
    lines: str | None
    panels: str | None


@dataclass(frozen=True)
class _Panel:
    """What is drawn into one pair of axes."""

    found: Sweep
    quantity: str
    layout: _Plan
    limits: tuple[float, float]
    """Of the axis or the bands, the same for all panels."""
    named: bool
    """There is room for words beside it."""
    mark: bool
    """The plan's own place is in it."""


def sweep_figure(found: Sweep, quantity: str = "weaker_fade_margin_db") -> Figure:
    """Draw an array of a sweep over one to three parameters; of three, one has a panel for each of its values."""
    layout = _layout(found, quantity)
    values = [None] if layout.panels is None else found.coords[layout.panels].tolist()
    panels = [found if layout.panels is None else found.select({layout.panels: value}) for value in values]
    columns = 2 if len(panels) == 4 else min(len(panels), 3)
    rows = math.ceil(len(panels) / columns)
    single = len(panels) == 1
    width = 9.0 if single else 10.5
    beside = _beside_in(found, layout, single=single)
    left, gap, top, bottom = 0.75, (0.95 if layout.y is not None else beside + 0.4), 0.95, 1.0
    each = (width - left - beside - (columns - 1) * gap) / columns
    tall = 3.4 if single else 2.45
    height = top + rows * tall + (rows - 1) * 0.85 + bottom
    limits = _limits(found, quantity, layout)
    with style.styled_figure(width, height) as figure:
        for i, (value, panel) in enumerate(zip(values, panels, strict=True)):
            row, column = divmod(i, columns)
            x, y = left + column * (each + gap), bottom + (rows - 1 - row) * (tall + 0.85)
            ax = canvas.axes_in(figure, x, y, each, tall)
            own = layout.panels is None or value == found.planned[layout.panels]
            _draw(ax, _Panel(panel, quantity, layout, limits, named=single, mark=own))
            if column and layout.y is None:
                ax.set_ylabel("")  # as on the left
            if layout.panels is not None:
                room = canvas.Room(ax)
                words = parameter_words(found, layout.panels, unit=False)
                words = style.drawable(f"{words}: {value_words(layout.panels, value)}")
                shown = canvas.fitted_words(words, room.width_pt + 40.0, style.TEXT_PT, bold=True)
                room.text(0.0, room.height_pt + 7.0, shown, style.TEXT_PT, style.INK, bold=True)
        *most, last = [parameter_words(found, name, unit=False) for name in found.dims]
        over = f"{', '.join(most)} and {last}" if most else last
        what = canvas.upper_first(quantity_words(found, quantity))
        canvas.write_heading(figure, found.link, f"{what} against {over}")
        canvas.write_caption(figure, _caption_words(found, quantity, layout, named=single), lines=2)
    return figure


def _beside_in(found: Sweep, layout: _Plan, *, single: bool) -> float:
    """Room right of a panel for what its lines are called, inches."""
    if single or layout.y is not None:
        return 1.75 if single and layout.y is None else 0.4
    values = [] if layout.lines is None else found.coords[layout.lines].tolist()
    names = [value_words(str(layout.lines), value) for value in values]
    return max((30.0 + canvas.width_of_text(name, 8.0) for name in names), default=12.0) / 72.0


@on_own_axes
def draw_sweep(ax: Axes, found: Sweep, quantity: str = "weaker_fade_margin_db") -> Axes:
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
    _draw(ax, _Panel(found, quantity, layout, _limits(found, quantity, layout), named=True, mark=True))
    return ax


def _layout(found: Sweep, quantity: str) -> _Plan:
    if quantity not in numeric_quantities():
        raise DomainError(f"{quantity} cannot be drawn; there are {', '.join(numeric_quantities())}")
    counts = {name: len(found.coords[name]) for name in found.dims}
    numeric = [name for name in found.dims if found.coords[name].dtype.kind in "if"]
    if not 1 <= len(counts) <= 3:
        many = f"{len(counts)} parameters cannot be drawn, 1 to 3 can"
        raise DomainError(f"{many}: vary fewer, or fix some with select")
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


def _draw(ax: Axes, panel: _Panel) -> None:
    (_draw_lines if panel.layout.y is None else _draw_bands)(ax, panel)


def _draw_lines(ax: Axes, panel: _Panel) -> None:
    """One line, or one for each value of another parameter, named at its end."""
    found, layout, named = panel.found, panel.layout, panel.named
    room = canvas.Room(ax)
    words = found.coords[layout.x].dtype.kind not in "if"
    x = np.arange(len(found.coords[layout.x])) if words else found.coords[layout.x].astype(float)
    rows = np.moveaxis(found[panel.quantity], found.dims.index(layout.x), -1).reshape(-1, len(x))
    order = np.argsort(x)
    beside = 0.5 if words else 0.02 * (float(x.max() - x.min()) or 1.0)
    ax.set_xlim(float(x.min()) - beside, float(x.max()) + beside)
    _set_levels(ax, panel)
    labels: list[tuple[float, str, str]] = []
    values = [None] if layout.lines is None else found.coords[layout.lines].tolist()
    # what would cover each other over words stands side by side
    aside = 0.1 * (np.arange(len(rows)) - (len(rows) - 1) / 2.0) if words else np.zeros(len(rows))
    looks = zip(values, rows, _looks(len(rows)), aside, _MARKERS, strict=False)
    for value, row, (colour, dashes), shift, marker in looks:
        own = layout.lines is not None and value == found.planned[layout.lines]
        look: dict[str, Any] = {"color": colour, "lw": 2.4 if own else 1.6, "ls": "" if words else dashes}
        look["marker"] = marker if words else "o" if len(x) <= 12 else ""
        ax.plot(x[order] + shift, row[order], ms=4.5, zorder=3, **look)
        finite = row[order][np.isfinite(row[order])]
        if layout.lines is not None and finite.size:
            text = value_words(layout.lines, value) + (" (plan)" if own and named else "")
            labels.append((float(finite[-1]), text, colour if len(rows) <= 3 else style.INK))
    for line in _references(found, panel.quantity):
        ax.axhline(line.level, **line.look, zorder=1.5)
        if named:
            labels.append((line.level, line.label, line.look["color"]))
    canvas.write_side_labels(room, labels)
    if named and layout.lines is not None:
        title = style.drawable(parameter_words(found, layout.lines, unit=False))
        shown = canvas.fitted_words(title, 118.0, style.SMALL_PT, bold=True)
        room.text(room.width_pt + 6.0, room.height_pt + 9.0, shown, style.SMALL_PT, style.INK, bold=True)
    if panel.mark:
        _mark_plan(ax, room, panel)
    _label_axis(ax, room, "x", found, layout.x)
    unit = QUANTITIES[panel.quantity].unit and f", {QUANTITIES[panel.quantity].unit}"
    name = canvas.upper_first(quantity_words(found, panel.quantity))
    ax.set_ylabel(canvas.fitted_label("", name, unit, room.height_pt))


def _set_levels(ax: Axes, panel: _Panel) -> None:
    """Limits and ticks of the vertical axis of lines, logarithmic where they span much."""
    low, high = panel.limits
    if low > 0.0 and high / low > _LOG_FROM and QUANTITIES[panel.quantity].unit in ("s", "mC"):
        ax.set_yscale("log")
        ax.set_ylim(low / 1.25, high * 1.25)
        ax.yaxis.set_major_locator(LogLocator(10, subs=(1.0, 2.0, 5.0)))
        ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.6g}"))
        ax.yaxis.set_minor_formatter(NullFormatter())
    else:
        ax.set_ylim(low, high)
        canvas.round_ticks(ax.yaxis, 6)
    if _is_share(panel.quantity):
        ax.yaxis.set_major_formatter(FuncFormatter(lambda share, _: _level_words(panel.quantity, share)))
    ax.grid(True, axis="y")


def _is_share(quantity: str) -> bool:
    return quantity.endswith(("delivery_probability", "site_share"))


def _level_words(quantity: str, level: float) -> str:
    """A figure of a quantity at a tick or on a line."""
    return f"{100.0 * level:.10g} %" if _is_share(quantity) else canvas.tick_words(level)


def _draw_bands(ax: Axes, panel: _Panel) -> None:
    """Bands of one hue over two parameters, darker for more, with their edges named."""
    found, quantity, x, y = panel.found, panel.quantity, panel.layout.x, str(panel.layout.y)
    room = canvas.Room(ax)
    numbers = np.moveaxis(found[quantity], found.dims.index(x), -1)
    across, up = found.coords[x].astype(float), found.coords[y].astype(float)
    by_x, by_y = np.argsort(across), np.argsort(up)
    across, up = across[by_x], up[by_y]
    numbers = np.ma.masked_invalid(numbers[np.ix_(by_y, by_x)])
    ax.set_xlim(float(across[0]), float(across[-1]))
    ax.set_ylim(float(up[0]), float(up[-1]))
    levels = _levels(*panel.limits)
    # even steps of the ordered ramp for what is no margin; the darkest end would hide lines and marks
    ramp, most = style.ramp(style.SEQUENCE), max(len(levels) - 2, 1)
    steps: list[Any] = [ramp(0.75 * i / most) for i in range(len(levels) - 1)]
    colours = list(map(shade_of, levels[:-1])) if quantity.endswith("margin_db") else steps
    ax.contourf(across, up, numbers, levels=levels, colors=colours, zorder=1)
    special = {line.level: line for line in _references(found, quantity)}
    taken = _mark_plan(ax, room, panel) if panel.mark else []
    inside = [v for v in sorted({*levels[1:-1], *special}) if numbers.min() < v < numbers.max()]
    if not inside:
        ends = dict.fromkeys(
            _level_words(quantity, float(f"{v:.3g}")) for v in (numbers.min(), numbers.max())
        )
        words, middle = " to ".join(ends), (room.width_pt / 2.0, room.height_pt / 2.0)
        room.text(*middle, words, style.SMALL_PT, style.INK, paper=True, ha="center", va="center")
    for level in inside:
        line = special.get(level)
        look: Mapping[str, Any] = {"color": style.MUTED} if line is None else line.look
        text, ink, thick = _level_words(quantity, level), style.INK, 0.6
        if line is not None:
            ink, thick = look["color"], 1.8
            text += f": {line.words}" if panel.named else ""
        drawn = ax.contour(across, up, numbers, [level], colors=look["color"], linewidths=thick, zorder=2)
        drawn.set_linestyle(look.get("ls", "-"))
        line_label(room, drawn.allsegs[0], text, ink, taken, bold=line is not None)
    _label_axis(ax, room, "x", found, x)
    _label_axis(ax, room, "y", found, y)


def _looks(count: int) -> list[tuple[Any, Any]]:
    """Colour and dashes of lines: our own, or steps of one hue where there are more."""
    if count <= 3:
        return list(style.SERIES[:count])
    ramp = style.ramp(style.SEQUENCE)
    return [(ramp(0.5 + 0.5 * i / (count - 1)), "-") for i in range(count)]


def _references(found: Sweep, quantity: str) -> list[_Reference]:
    """The receiver's limit, and what is asked where it is the same for all."""
    if quantity == "spare_margin_db":
        return [_Reference(0.0, "required margin", "required margin", style.REQUIRED)]
    if not quantity.endswith("fade_margin_db"):
        return []
    marks = [_Reference(0.0, "receiver's limit", "0 dB: receiver's limit", style.LIMIT)]
    both = [found["required_margin_db"], found["return_required_margin_db"]]
    asked = float(np.max(both))
    if 0.0 < asked < math.inf and np.min(both) == asked:
        label = f"required: {decibel_words(asked)}"
        marks.append(_Reference(asked, "required", label, style.REQUIRED))
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
    if layout.y is not None or (positive and high / low > _LOG_FROM):
        return low, high
    for mark in _references(found, quantity):
        low, high = min(low, mark.level), max(high, mark.level)
    room = 0.06 * (high - low) or 1.0
    return (max(low - room, 0.0) if positive else low - room), high + room


def _levels(low: float, high: float) -> list[float]:
    if high - low >= 6.0:
        return band_levels(low, high)
    return [float(v) for v in MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)]


def _mark_plan(ax: Axes, room: canvas.Room, panel: _Panel) -> list[tuple[float, float]]:
    """Mark the plan's own combination where it is among those drawn; return the places taken, points."""
    found, layout = panel.found, panel.layout
    if not _holds_plan(found):
        return []
    own = {name: found.planned[name] for name in found.dims}
    value = float(found.cell(own)[panel.quantity])
    if not math.isfinite(value):
        return []
    x = own[layout.x]
    if found.coords[layout.x].dtype.kind not in "if":
        x = found.coords[layout.x].tolist().index(x)
    y = value if layout.y is None else own[layout.y]
    ax.plot(x, y, "o", color=style.PAPER, mec=style.INK, mew=1.8, ms=8, zorder=6, clip_on=False)
    return [(room.x_pt(x), room.y_pt(y))]


def _holds_plan(found: Sweep) -> bool:
    return all(
        found.planned[n] is not None and found.planned[n] in found.coords[n].tolist() for n in found.dims
    )


def _label_axis(ax: Axes, room: canvas.Room, which: str, found: Sweep, name: str) -> None:
    values = found.coords[name]
    axis = ax.xaxis if which == "x" else ax.yaxis
    if values.dtype.kind not in "if":
        axis.set_major_locator(FixedLocator(range(len(values))))
        axis.set_ticklabels([style.drawable(value_words(name, v)) for v in values.tolist()])
    elif len(values) <= 12:
        axis.set_major_locator(FixedLocator(_apart(values.astype(float))))
        axis.set_major_formatter(FuncFormatter(canvas.tick_words))
    else:
        canvas.round_ticks(axis, 8, (1, 2, 2.5, 5, 10))
    words = parameter_words(found, name, unit=False)
    unit = parameter_words(found, name).removeprefix(words)
    space = room.width_pt if which == "x" else room.height_pt
    axis.set_label_text(canvas.fitted_label("", canvas.upper_first(words), unit, space))


def _apart(values: Floats) -> list[float]:
    """Those of a few values that stand far enough apart for their figures."""
    kept: list[float] = []
    least = 0.06 * float(values.max() - values.min())
    for value in sorted(values.tolist()):
        if not kept or value - kept[-1] >= least:
            kept.append(value)
    return kept


def _caption_words(found: Sweep, quantity: str, layout: _Plan, *, named: bool) -> str:
    parts = []
    if layout.lines is not None and not named:
        parts.append(f"Figures at the lines: {parameter_words(found, layout.lines)}.")
    if layout.y is not None:
        unit = QUANTITIES[quantity].unit
        name = quantity_words(found, quantity) + (f", {unit}" if unit else "")
        parts.append(f"Figures in the picture: {name}; darker is more.")
    if not named:
        numbers = found[quantity]
        parts += [
            f"{'Dashed' if 'ls' in line.look else 'Solid'}: {line.label}."
            for line in _references(found, quantity)
            if layout.y is None or np.nanmin(numbers) < line.level < np.nanmax(numbers)
        ]
    if _holds_plan(found):
        parts.append("Circle: the plan as it stands.")
    parts.append("What is not varied is as in the plan.")
    return " ".join(parts)


def write_all(found: Sweep, out_dir: Path, quantity: str = "weaker_fade_margin_db") -> list[Path]:
    """Write the table as `sweep.csv` and, if it can be drawn, its picture as `<link>-sweep.svg` and `.png`."""
    folder = canvas.made_folder(out_dir)
    table = folder / "sweep.csv"
    atomic_write(table, found.to_csv())
    try:
        figure = sweep_figure(found, quantity)
    except DomainError:
        return [table]
    return [table, *style.save(figure, folder / f"{style.slug(found.link)}-sweep", f"{found.link}: sweep")]

"""A filling whose stop is lost: the whole cycle, and the minutes that decide, with what they leave."""

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from linkcalc.operation.tank.answer import TankAnswer
from linkcalc.views import canvas, style
from linkcalc.views.messages.text import duration_words
from linkcalc.views.tank.text import short_headline, volume_words

_LEVEL: dict[str, Any] = {"color": style.MUTED, "lw": 0.9, "ls": style.SHORT_DASHED, "zorder": 2}
_WORST = (
    "Worst case but for a late try: the last permit is sent just before the stop level is passed, and nothing is heard"
    " after it. "
)
_NOT_SAFE = (
    "Not a safety function: fit an independent hard-wired stop and a local float valve or high-level stop, whatever"
    " this picture shows. Automatic start, transfer switching and wiring are for licensed people under local codes."
)


def cycle_figure(tank: TankAnswer) -> Figure:
    every, watchdog = "no periodic report", "no watchdog"
    if tank.interval_s is not None:
        every = f"level reported every {duration_words(tank.interval_s)}"
    if tank.watchdog_s is not None:
        watchdog = f"watchdog {duration_words(tank.watchdog_s)}"
    flows = f"pump {tank.pump_flow_m3_h:.3g} m³/h, draw {tank.mean_draw_m3_h:.3g} m³/h on average"
    facts = f"{tank.sender} to {tank.engine_at}: {every}, {watchdog}; {flows}"
    with style.styled_figure(10.0, 7.4) as figure:
        if _reaches_stop(tank):
            draw_cycle(figure.add_axes((0.075, 0.655, 0.9, 0.215)), tank)
            draw_overrun(figure.add_axes((0.075, 0.15, 0.9, 0.41)), tank)
        else:
            draw_cycle(figure.add_axes((0.075, 0.15, 0.9, 0.72)), tank)
        canvas.write_title(figure, 0.965, short_headline(tank))
        canvas.write_facts(figure, 0.92, facts)
        canvas.write_caption(figure, (_WORST if _reaches_stop(tank) else "") + _NOT_SAFE, lines=3)
    return figure


def _reaches_stop(tank: TankAnswer) -> bool:
    """Whether a filling passes the stop level; else the engine's run timer ends it before there is a stop to lose."""
    return tank.drawing.water_off_s > 0.0


def draw_cycle(ax: Axes, tank: TankAnswer) -> Axes:
    cycle = tank.drawing
    begin_s = 0.0 if _reaches_stop(tank) else cycle.pump_on_s
    hours = (np.array(cycle.time_s) - begin_s) / 3600.0
    level = np.array(cycle.level_percent)
    ax.plot(hours, level, color=style.RAY, lw=2.0, zorder=4)
    ax.set_xlim(hours[0], hours[-1])
    low = min(tank.start_percent, float(level.min()))
    ax.set_ylim(max(low - 12.0, -2.0), max(tank.overflow_percent, float(level.max())) + 10.0)
    marks = [tank.start_percent, tank.stop_percent, tank.overflow_percent]
    for percent in marks:
        ax.axhline(percent, **_LEVEL | {"color": style.ACCENT if percent == marks[2] else style.MUTED})
    bottom, top = ax.get_ylim()
    if (marks[2] - marks[1]) / (top - bottom) < 0.09:
        del marks[1]  # its figure would touch that of the overflow
    ax.set_yticks(marks, [f"{p:g}" for p in marks])
    if _reaches_stop(tank):
        ax.axvspan(*_window_s(tank) / np.array(3600.0), color=style.FRESNEL, lw=0, zorder=1)
        ax.set_xlabel("Hours from the stop level being passed (the shaded part is below)")
    else:
        decided = (cycle.decided_s - begin_s) / 3600.0
        words = f"{cycle.ended_by} stops the engine after {duration_words(cycle.decided_s - begin_s)}:"
        words += "\nthe stop level is not reached"
        ax.plot(decided, cycle.peak_percent, "o", color=style.INK, ms=6, zorder=8)
        canvas.write_note(
            ax, words, (decided, cycle.peak_percent), (8, 6), color=style.INK, paper=0.1, size=style.TEXT_PT
        )
        for name, percent in (("start", marks[0]), ("stop", tank.stop_percent), ("overflow", marks[-1])):
            _line_label(ax, percent, f"{name}, {percent:g} %", style.MUTED, right=True)
        ax.set_xlabel("Hours from the start of the filling")
    ax.set_ylabel("Level, % of height")
    return ax


def _window_s(tank: TankAnswer) -> np.ndarray:
    """Begin and end of the enlarged part, s."""
    cycle = tank.drawing
    ends = [
        x for x in (cycle.water_off_s, tank.time_to_overflow_s, cycle.overflows_s) if x and np.isfinite(x)
    ]
    end = 1.35 * max(ends)
    return np.array([-0.28 * end, end])


def draw_overrun(ax: Axes, tank: TankAnswer) -> Axes:
    """Draw the minutes around the lost stop: permits, lost tries, watchdog, overflow and what is left."""
    cycle = tank.drawing
    begin, end = _window_s(tank) / 60.0
    minutes, level = np.array(cycle.time_s) / 60.0, np.array(cycle.level_percent)
    stop, overflow = tank.stop_percent, tank.overflow_percent
    room = max(overflow - stop, 0.5)
    ceiling = overflow + 0.24 * room
    # The messages have a row of their own, below the level wherever it is.
    lowest = min(float(np.interp(begin, minutes, level)), stop - 0.2 * room)
    bottom = lowest - 0.24 * (ceiling - lowest)
    ax.set_xlim(begin, end)
    ax.set_ylim(bottom, ceiling)
    ax.grid(True, axis="x")
    ax.axhspan(overflow, ceiling, color=style.HAIRLINE, lw=0, zorder=0)
    ax.plot(minutes, level, color=style.RAY, lw=2.4, zorder=5)
    ax.axhline(stop, **_LEVEL)
    ax.axhline(overflow, color=style.ACCENT, lw=1.4, zorder=3)
    _line_label(ax, overflow, f"overflow, {overflow:g} %", style.ACCENT)
    _line_label(ax, stop, f"stop level, {stop:g} %", style.MUTED, right=True, below=True)
    high = tank.high_high_percent
    if high is not None and high < overflow:
        ax.axhline(high, color=style.MUTED, lw=0.9, ls=style.DASH_DOT, zorder=2)
        close = (overflow - high) / (ceiling - bottom) < 0.06
        _line_label(ax, high, f"independent float, {high:g} %", style.INK, below=close, boxed=True)
    _permits(ax, tank, bottom + 0.11 * (ceiling - bottom), begin, end)
    between = 0.5 * (bottom + 0.2 * (ceiling - bottom) + stop)
    if np.isfinite(cycle.decided_s):
        decided = cycle.decided_s / 60.0
        at = float(np.interp(decided, minutes, level))
        ax.plot(decided, at, "o", color=style.INK, ms=6, zorder=8)
        foot = bottom + 0.16 * (ceiling - bottom)
        ax.vlines(decided, foot, at, **_LEVEL | {"color": style.INK, "zorder": 3})
        words = f"{cycle.ended_by} stops the engine\nafter {duration_words(cycle.decided_s)}"
        if tank.stopping_s >= 1.0:
            words += f"; water stops {duration_words(tank.stopping_s)} later"
        _event_label(ax, decided, between, words, end)
        _margin(ax, tank, cycle.water_off_s / 60.0, end, (bottom, ceiling))
    else:
        _event_label(ax, end, between, "nothing stops the engine but a message", end)
    ax.set_xlabel("Minutes from the stop level being passed")
    ax.set_ylabel("Level, % of height")
    return ax


def _line_label(
    ax: Axes, level: float, words: str, colour: str, *, right: bool = False, below: bool = False, boxed: bool = False
) -> None:  # fmt: skip
    """Name a level at one end of its line."""
    canvas.write_note(
        ax, words, (1.0 if right else 0.0, level), (-6 if right else 6, -3 if below else 3),
        xycoords=("axes fraction", "data"), ha="right" if right else "left", va="top" if below else "bottom",
        size=style.TEXT_PT, color=colour, paper=0.1 if boxed else None, zorder=4 if boxed else 7,
    )  # fmt: skip


def _event_label(ax: Axes, at: float, height: float, words: str, end: float) -> None:
    """Name what happens at a time, on the side where there is room."""
    look: dict[str, Any] = {"size": style.TEXT_PT, "color": style.INK, "paper": 0.1, "zorder": 7}
    canvas.write_beside(ax, words, (at, height), (7, 0), left=at > 0.6 * end, va="center", **look)


def _permits(ax: Axes, tank: TankAnswer, height: float, begin: float, end: float) -> None:
    """Mark the permits that were heard and the messages that were not, in a row of their own."""
    cycle = tank.drawing
    heard = [x / 60.0 for x in cycle.permits_s if begin <= x / 60.0 <= end]
    lost = [x / 60.0 for x in cycle.lost_s if x / 60.0 <= end]
    ax.plot(lost, [height] * len(lost), "x", color=style.ACCENT, ms=6, mew=1.6, zorder=6)
    ax.plot(heard, [height] * len(heard), "o", color=style.RAY, ms=5, zorder=7)
    row: dict[str, Any] = {"size": style.SMALL_PT, "ha": "left", "va": "center", "zorder": 7}
    canvas.write_note(ax, "permits heard" if heard else "", (begin, height), (6, -11), color=style.RAY, **row)
    if lost:
        what = "stop and reports lost" if tank.interval_s is not None else "stop message lost"
        canvas.write_note(ax, what, (max(lost[0], 0.0), height), (2, -11), color=style.ACCENT, **row)


def _margin(ax: Axes, tank: TankAnswer, off: float, end: float, limits: tuple[float, float]) -> None:
    """Show what is left below the overflow, or how much is lost."""
    cycle = tank.drawing
    bottom, ceiling = limits
    net = tank.pump_flow_m3_h - tank.mean_draw_m3_h
    ran_m3 = net * cycle.water_off_s / 3600.0
    left_m3 = tank.freeboard_m3 - ran_m3
    x = off + 0.8 * (end - off)
    if left_m3 >= 0:
        if tank.overflow_percent - cycle.peak_percent > 0.02 * (ceiling - bottom):
            arrow = {"arrowstyle": "<->", "color": style.INK, "lw": 1.1, "shrinkA": 0, "shrinkB": 0}
            ends = (x, tank.overflow_percent), (x, cycle.peak_percent)
            ax.annotate("", *ends, arrowprops=arrow, zorder=6)
            ax.hlines(cycle.peak_percent, off, x, color=style.INK, lw=0.7, zorder=4)
        words, colour = f"as drawn: {volume_words(left_m3)} left", style.INK
    else:
        words, colour = f"as drawn: {volume_words(-left_m3)} lost over the rim", style.ACCENT
    canvas.write_note(
        ax, words, (1.0, tank.overflow_percent), (-6, 5), xycoords=("axes fraction", "data"), ha="right",
        va="bottom", size=style.TEXT_PT, weight="bold", color=colour, zorder=8,
    )  # fmt: skip
    if cycle.bound_percent is not None and cycle.bound_percent <= tank.overflow_percent:
        ax.axhline(cycle.bound_percent, color=style.INK, lw=0.8, ls=style.DOTTED, zorder=3)
        lines = [x for x in (tank.high_high_percent, tank.overflow_percent) if x and x > cycle.bound_percent]
        crowded = (min(lines) - cycle.bound_percent) / (ceiling - bottom) < 0.08
        canvas.write_note(
            ax, "overrun bound: late try, nothing drawn", (0.0, cycle.bound_percent), (4, -4 if crowded else 4),
            ha="left", va="top" if crowded else "bottom", size=style.SMALL_PT, color=style.INK, paper=0.1, zorder=4,
        )  # fmt: skip


def write_all(tank: TankAnswer, out_dir: Path) -> list[Path]:
    """Write `tank-lost-stop.svg` and `.png`; LinkcalcError if that cannot be."""
    return canvas.write_pictures(
        out_dir, [("tank-lost-stop", cycle_figure(tank), "A filling whose stop is lost")]
    )

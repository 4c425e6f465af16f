"""Battery life against the interval between messages, one line for each spreading factor."""

from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from linkcalc._arrays import Floats
from linkcalc.operation.energy import BatteryLife, EnergySection, StationEnergy
from linkcalc.radio.energy import LONGEST_QUOTED_YEARS, life_words
from linkcalc.views import canvas, style
from linkcalc.views.words import interval_words

_TICKS_S = (60.0, 300.0, 900.0, 3600.0, 10_800.0, 21_600.0, 43_200.0, 86_400.0)


def life_figure(station: StationEnergy, spreading_factor: int | None = None) -> Figure:
    """Draw battery life against reporting interval, the planned spreading factor in the foreground."""
    battery = station.battery
    if battery is None or not battery.by_spreading_factor:
        raise ValueError(f"{station.station}: no battery life by spreading factor to draw")
    with style.styled_figure(*style.TALL_IN) as figure:
        ax = figure.add_axes((0.085, 0.19, 0.875, 0.66))
        draw_life(ax, battery, spreading_factor)
        facts = (
            f"{station.summary}; {battery.chemistry}, {battery.capacity_mah:g} mAh,"
            f" {100 * battery.usable_share:.0f} % usable at {battery.temperature_c:g} °C"
        )
        canvas.write_title(figure, 0.955, station.station)
        canvas.write_facts(figure, 0.905, facts)
        canvas.write_caption(figure, _caption(station, battery), lines=3)
    return figure


def _caption(station: StationEnergy, battery: BatteryLife) -> str:
    lines = [
        f"From generic figures; no life beyond {LONGEST_QUOTED_YEARS:g} years is quoted."
        " Every spreading factor is taken to need the same number of tries.",
        f"Sending takes {station.transmit_current_ma:g} mA ({station.transmit_current_source}).",
    ]
    long_lived = [
        f"SF{f.spreading_factor}"
        for f in battery.by_spreading_factor
        if sum(y is not None and y < LONGEST_QUOTED_YEARS for y in f.life_years_by_interval) < 2
    ]
    if long_lived:
        lines.append(f"Not drawn, longer than is quoted at every interval shown: {', '.join(long_lived)}.")
    return " ".join(lines)


def draw_life(ax: Axes, battery: BatteryLife, spreading_factor: int | None = None) -> Axes:
    """Draw one line for each spreading factor, named where it is steep, in years up to the longest that is quoted.

    The planned spreading factor is in the foreground, its interval marked where it is in the picture.
    """
    interval = np.array(battery.intervals_s)
    highest = max(
        (y for f in battery.by_spreading_factor for y in f.life_years_by_interval if y), default=1.0
    )
    capped = highest >= LONGEST_QUOTED_YEARS
    scale, unit = (12.0, "months") if highest < 2.0 else (1.0, "years")
    top = 1.1 * scale * (LONGEST_QUOTED_YEARS if capped else highest)
    ax.set_xscale("log")
    ax.set_xlim(interval[0], interval[-1] * 1.25)
    ax.set_ylim(0.0, top)
    if capped:
        ax.axhspan(LONGEST_QUOTED_YEARS, top, color=style.HAIRLINE, lw=0)
        words, at = f"not quoted beyond {LONGEST_QUOTED_YEARS:g} years", (LONGEST_QUOTED_YEARS + top) / 2
        canvas.write_note(ax, words, (interval[0], at), (4, 0), va="center", **style.CAPTION)
    lines = {
        f.spreading_factor: _below_cap(interval, f.life_years_by_interval, scale)
        for f in battery.by_spreading_factor
    }
    lines = {factor: line for factor, line in lines.items() if len(line[0]) > 1}
    for factor, (x, y) in lines.items():
        chosen = factor == spreading_factor
        colour = style.RAY if chosen else style.FRESNEL_EDGE
        ax.plot(x, y, color=colour, lw=2.4 if chosen else 1.2, zorder=4 if chosen else 3)
    _name_lines(ax, lines, top, spreading_factor)
    planned = next((f for f in battery.by_spreading_factor if f.spreading_factor == spreading_factor), None)
    if planned is not None and planned.life_years is not None and battery.varied_interval_s is not None:
        _mark(ax, battery.varied_interval_s, planned.life_years, scale, interval)
    ax.xaxis.set_major_locator(FixedLocator(_TICKS_S))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda seconds, _: interval_words(seconds)))
    ax.grid(True)
    ax.set_xlabel("Time between messages")
    ax.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))
    ax.set_ylabel(f"Battery life, {unit}")
    return ax


def _below_cap(
    interval: Floats, life_years: tuple[float | None, ...], scale: float
) -> "tuple[Floats, Floats]":
    """Return the part of a line that is quoted, drawn on to where it meets the cap, times the scale."""
    life = np.array([np.nan if y is None else y for y in life_years])
    shown = life < LONGEST_QUOTED_YEARS
    x, y = interval[shown], life[shown]
    if len(x) > 1 and (life >= LONGEST_QUOTED_YEARS).any():
        # life grows nearly as a power of the interval
        slope = np.log(y[-1] / y[-2]) / np.log(x[-1] / x[-2])
        crossing = x[-1] * (LONGEST_QUOTED_YEARS / y[-1]) ** (1.0 / slope)
        x, y = np.append(x, crossing), np.append(y, LONGEST_QUOTED_YEARS)
    return x, y * scale


def _name_lines(
    ax: Axes, lines: "dict[int, tuple[Floats, Floats]]", top: float, spreading_factor: int | None
) -> None:
    """Write each line's name on it, where the lines stand apart: one below the other, or at an end."""
    if not lines:
        return
    low = max(float(y[0]) for _, y in lines.values())
    high = min(float(y[-1]) for _, y in lines.values())
    steep = high - low > 0.06 * top * len(lines)
    # how near the two nearest lines come at their left and right ends
    gaps = [np.abs(np.diff([y[end] for _, y in lines.values()])).min(initial=top) for end in (0, -1)]
    # by turns nearer to the end and farther from it
    shares = (0.03, 0.095) if gaps[0] >= gaps[1] else (0.97, 0.905)
    for i, (factor, (x, y)) in enumerate(lines.items()):
        if steep:
            level = high - (high - low) * (0.1 + 0.8 * (i + 0.5) / len(lines))
            at = float(np.exp(np.interp(level, y, np.log(x))))
        else:
            at = float(np.exp(np.log(x[0]) + shares[i % 2] * np.log(x[-1] / x[0])))
            level = float(np.interp(np.log(at), np.log(x), y))
        chosen = factor == spreading_factor
        colour, weight = (style.RAY, "bold") if chosen else (style.INK, "normal")
        canvas.write_note(
            ax, f"SF{factor}", (at, level), (0, 0), ha="center", va="center", size=style.TEXT_PT, color=colour,
            weight=weight, paper=0.12, zorder=5,
        )  # fmt: skip


def _mark(ax: Axes, planned_s: float, life_years: float, scale: float, interval: Floats) -> None:
    if not interval[0] <= planned_s <= interval[-1]:
        return
    ax.axvline(planned_s, color=style.MUTED, lw=0.8, ls=style.SHORT_DASHED, zorder=2)
    ax.plot(planned_s, life_years * scale, "o", color=style.INK, ms=6, zorder=6)
    words = f"planned: every {interval_words(planned_s)}, {life_words(life_years)}"
    look: dict[str, Any] = {"size": style.SMALL_PT, "color": style.INK, "paper": 0.15, "zorder": 6}
    at = planned_s, life_years * scale
    canvas.write_beside(ax, words, at, (8, -14), left=planned_s > interval[-1] / 8, **look)


def write_all(
    energy: EnergySection, out_dir: Path, spreading_factors: dict[str, int] | None = None
) -> list[Path]:
    """Write `<station>-battery.svg` and `.png` of every station that has a picture; LinkcalcError if that cannot be.

    `spreading_factors`: the planned ones, by station.
    """
    planned = spreading_factors or {}
    drawn = [(s.station, s) for s in energy.stations if s.battery and s.battery.by_spreading_factor]
    return canvas.write_each(
        out_dir, drawn, lambda s: life_figure(s, planned.get(s.station)), "battery", "battery life"
    )

"""Maps: the margin over shaded relief, light where there is little and dark where there is much.

One hue, ordered by lightness, and every step's edge drawn as a labelled line: a grey print and a
colour-blind reader lose nothing.
"""

import os
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from linkcalc.area.coverage import CoverageResult
from linkcalc.views import style
from linkcalc.views.coverage_text import headline, preview_words
from linkcalc.views.text import NO_BREAK, TOGETHER

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STEPS_DB: Final = (-20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0)
"""Edges of the margin's steps; contour lines stand on them."""
SIZE_IN: Final = (8.6, 8.4)
SMOOTH_CELLS = 1.0
"""Contour lines are drawn over margins smoothed by so many cells; shades are not."""
_SUN_FROM_DEG, _SUN_UP_DEG = 315.0, 40.0


def hillshade(ground_m: np.ndarray, cell_m: float) -> np.ndarray:
    """Light that falls on the ground from the north-west, 0 to 1, NaN where there is no ground.

    >>> hillshade(np.zeros((3, 3)), 30.0).round(3)[1].tolist()
    [0.643, 0.643, 0.643]
    """
    down, across = np.gradient(ground_m, cell_m)
    steep = float(np.nanpercentile(np.hypot(down, across), 90)) if np.isfinite(down).any() else 0.0
    lift = np.clip(0.35 / max(steep, 1e-6), 1.0, 6.0) if steep > 0.0 else 1.0
    up, sun = np.radians(_SUN_UP_DEG), np.radians(_SUN_FROM_DEG)
    # a surface's normal is (-dz/dx, -dz/dy, 1); rows run south
    x, y = -across * lift, down * lift
    light = (x * np.sin(sun) + y * np.cos(sun)) * np.cos(up) + np.sin(up)
    shade: np.ndarray = np.clip(light / np.sqrt(1.0 + x * x + y * y), 0.0, 1.0)
    return shade


def coverage_figure(result: CoverageResult) -> "Figure":
    """The map of a coverage."""
    with style.styled():
        figure = style.new_figure(*SIZE_IN)
        ax = figure.add_axes((0.075, 0.125, 0.79, 0.75))
        steps = draw_coverage(ax, result)
        draw_key(figure, steps)
        words = headline(result)
        title = style.drawable(f"Preview: {words}" if result.preview else _first_upper(words))
        _text(figure, 0.075, 0.965, title, size=style.TITLE_PT, weight="bold", width=84)
        under = (
            f"Around {result.station}: fade margin of the weaker direction, {result.moved} in each cell. "
            f"Link {result.link.name}, {result.frequency_hz / 1e6:g} MHz, {result.signal}."
        )
        _text(figure, 0.075, 0.935, style.drawable(under), size=style.TEXT_PT, width=112)
        _text(figure, 0.075, 0.065, _caption(result), size=style.SMALL_PT, width=130, color=style.MUTED)
    return figure


def draw_coverage(ax: "Axes", result: CoverageResult) -> Any:
    """Draw relief, margin, contour lines, stations and scale; return the picture of the margin."""
    margin = result.bands["margin_db"]
    reach = result.affine[5] / 1e3
    shown = draw_shades(ax, margin, result.bands["ground_m"].astype(float), result.cell_m)
    draw_lines(ax, margin, float(np.nanmedian(result.bands["required_margin_db"])), result.cell_m)
    _stations(ax, result)
    draw_scale(ax, (-reach, -reach, reach, reach))
    ax.set_xlim(-reach, reach)
    ax.set_ylim(-reach, reach)
    ax.set_aspect("equal")
    ax.set_xlabel("km east of the station")
    ax.set_ylabel("km north of the station")
    return shown


def draw_shades(ax: "Axes", margin_db: np.ndarray, ground_m: np.ndarray, cell_m: float) -> Any:
    """Draw margins in steps over shaded relief, kilometres from the middle; return their picture."""
    from matplotlib.colors import BoundaryNorm, ListedColormap

    across, down = (n * cell_m / 2e3 for n in margin_db.shape[::-1])
    extent = (-across, across, -down, down)
    shade = hillshade(ground_m, cell_m)
    level = np.sin(np.radians(_SUN_UP_DEG))  # taken for it where the slope is unknown, at the rim
    relief = 0.45 + 0.55 * np.where(np.isfinite(shade), shade, level)
    colours = _ramp()
    norm = BoundaryNorm(STEPS_DB, len(colours), extend="both")
    shown = ax.imshow(
        np.ma.masked_invalid(margin_db), extent=extent, cmap=ListedColormap(colours), norm=norm,
        interpolation="nearest", zorder=1,
    )  # fmt: skip
    # relief as a veil of ink: the darker the slope, the thicker
    veil = np.zeros((*margin_db.shape, 4))
    veil[..., :3] = 0.08
    veil[..., 3] = np.where(np.isfinite(ground_m), np.clip(1.0 - relief, 0.0, 1.0) * 0.75, 0.0)
    ax.imshow(veil, extent=extent, interpolation="nearest", zorder=2)
    return shown


def _ramp() -> np.ndarray:
    """Colours of the steps and of what lies beyond either end, from light to dark."""
    from matplotlib.colors import LinearSegmentedColormap

    ramp = LinearSegmentedColormap.from_list("margin", style.SEQUENCE)
    colours: np.ndarray = ramp(np.linspace(0.0, 1.0, len(STEPS_DB) + 1))
    return colours


def draw_lines(ax: "Axes", margin_db: np.ndarray, needed_db: float, cell_m: float) -> list[Any]:
    """Draw labelled lines of equal margin, and the one of the margin that is asked; return the labels."""
    from matplotlib.patheffects import withStroke
    from scipy.ndimage import gaussian_filter

    margin, needed = margin_db.astype(float), needed_db
    known = np.isfinite(margin)
    weight = gaussian_filter(known.astype(float), SMOOTH_CELLS)
    smooth = gaussian_filter(np.where(known, margin, 0.0), SMOOTH_CELLS) / np.maximum(weight, 1e-9)
    field = np.ma.masked_array(smooth, mask=~known)
    half = (margin.shape[0] - 1) // 2
    axis = np.arange(-half, half + 1) * cell_m / 1e3
    low, high = (float(v) for v in (np.nanmin(margin), np.nanmax(margin)))
    levels = [s for s in STEPS_DB if low < s < high and abs(s - needed) > 0.5]
    halo: list[Any] = [withStroke(linewidth=2.4, foreground=style.PAPER)]
    labels: list[Any] = []
    if levels and field.shape[0] > 2:
        lines = ax.contour(axis, -axis, field, levels=levels, colors=style.INK, linewidths=0.7, zorder=3)
        labels += ax.clabel(lines, fmt=lambda v: f"{v:.0f} dB".replace("-", "−"), fontsize=style.SMALL_PT)
    if low < needed < high and field.shape[0] > 2:
        line = ax.contour(axis, -axis, field, levels=[needed], colors=style.ACCENT, linewidths=1.5, zorder=4)
        words = f"{needed:.0f} dB asked"
        labels += ax.clabel(line, fmt=lambda v: words, fontsize=style.SMALL_PT)
    for text in labels:
        text.set_path_effects(halo)
    return labels


def _stations(ax: "Axes", result: CoverageResult) -> None:
    from matplotlib.patheffects import withStroke

    halo: list[Any] = [withStroke(linewidth=2.6, foreground=style.PAPER)]
    places = [(s.name, s.east_m / 1e3, s.north_m / 1e3, "^", 9.0) for s in result.stations]
    places += [(name, east / 1e3, north / 1e3, "o", 6.0) for name, east, north in result.other_stations]
    for name, x, y, marker, size in places:
        ax.plot(
            [x], [y], marker=marker, markersize=size, color=style.INK, markeredgecolor=style.PAPER, zorder=6
        )
        left = x > 0.55 * result.radius_m / 1e3
        ax.annotate(
            style.drawable(name), (x, y), (-8 if left else 8, 6), textcoords="offset points",
            ha="right" if left else "left", fontsize=style.TEXT_PT, color=style.INK, path_effects=halo,
            zorder=7,
        )  # fmt: skip


def draw_scale(ax: "Axes", box_km: tuple[float, float, float, float]) -> None:
    """Draw a bar of a round length, and which way is north, in a map from west, south to east, north."""
    from matplotlib.patheffects import withStroke

    west, south, east, north = box_km
    across, up = east - west, north - south
    target = min(across, up) / 5.0
    decade = 10.0 ** np.floor(np.log10(target))
    length = max(f * decade for f in (1.0, 2.0, 5.0) if f * decade <= target)
    x, y = west + 0.025 * across, south + 0.035 * up
    ax.plot([x, x + length], [y, y], color=style.INK, linewidth=2.2, zorder=6, solid_capstyle="butt")
    ax.annotate(
        f"{length:g} km" if length >= 1.0 else f"{length * 1e3:g} m", (x + length / 2.0, y), (0, 4),
        textcoords="offset points", ha="center", fontsize=style.SMALL_PT, zorder=6,
        path_effects=[withStroke(linewidth=2.4, foreground=style.PAPER)],
    )  # fmt: skip
    x = east - 0.035 * across
    ax.annotate(
        "N", (x, north - 0.025 * up), (x, north - 0.025 * up - 0.065 * min(across, up)), ha="center",
        fontsize=style.TEXT_PT, zorder=6,
        arrowprops={"arrowstyle": "-|>", "color": style.INK, "linewidth": 1.2},
    )  # fmt: skip


def draw_key(figure: "Figure", shown: Any) -> None:
    axis = figure.add_axes((0.895, 0.30, 0.022, 0.42))
    bar = figure.colorbar(shown, cax=axis, ticks=STEPS_DB, drawedges=True)
    bar.ax.set_yticklabels([f"{s:.0f}".replace("-", "−") for s in STEPS_DB])
    bar.ax.set_title("margin\ndB", fontsize=style.SMALL_PT, fontweight="normal", loc="left")
    bar.outline.set_linewidth(0.6)
    bar.ax.tick_params(length=0)


def _caption(result: CoverageResult) -> str:
    how = (
        preview_words(result)
        if result.preview
        else "Each cell has its own terrain profile and the model of a single check."
    )
    return style.drawable(
        f"{how} Cells of {result.cell_m:g} m; lines over margins smoothed by {SMOOTH_CELLS:g} cell; white: "
        "no answer. A prediction: measure on site. A radio link is no safety function and no emergency stop."
    )


def _first_upper(words: str) -> str:
    return words[:1].upper() + words[1:]


def filled(words: str, width: int) -> str:
    """Words in lines, no figure parted from its unit.

    >>> filled("on 868 MHz", 8).splitlines()
    ['on', '868 MHz']
    """
    kept = TOGETHER.sub(lambda m: m[0].replace(" ", NO_BREAK), style.drawable(words))
    return fill(kept, width).replace(NO_BREAK, " ")


def _text(figure: "Figure", x: float, y: float, words: str, *, width: int, **look: Any) -> None:
    figure.text(x, y, filled(words, width), va="top", linespacing=1.35, **look)


def write_map(result: CoverageResult, folder: str | os.PathLike[str]) -> list[Path]:
    """Write `coverage.svg` and `coverage.png` into a folder.

    Raises
    ------
    LinkcalcError
        If a file cannot be written.
    """
    figure = coverage_figure(result)
    return style.save(figure, Path(folder) / "coverage", f"Coverage around {result.station}")

"""Maps: the margin over shaded relief, light where there is little and dark where there is much.

One hue, ordered by lightness, and every step's edge drawn as a labelled line: a grey print and a
colour-blind reader lose nothing.
"""

from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import BoundaryNorm, ListedColormap, to_rgb
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from linkcalc.area.coverage_result import CoverageResult
from linkcalc.area.relief import Relief
from linkcalc.link.requirement import VERDICTS
from linkcalc.views import canvas, style
from linkcalc.views.coverage.text import headline, percent, preview_words, share_of_land
from linkcalc.views.maps.frame import Mark, box_of_land, draw_marks, frame, hide_crowded
from linkcalc.views.own_axes import on_own_axes
from linkcalc.views.words import VERDICTS_IN_TEXT

_CHANGES: Final[Any] = (0, (5, 3))
"""Dashes of the line where the best station changes."""
STEPS_DB: Final = (-20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0)
"""Edges of the margin's steps; contour lines stand on them."""
SMOOTH_CELLS = 1.0
"""Contour lines are drawn over margins smoothed by so many cells; shades are not."""
RELIEF, RELIEF_OF_DARK = 0.028, 0.045
"""How much lighter or darker a slope is at most, and how much more on the darkest: less than half of what two steps of
the margins' colours are apart."""
_SUN_FROM_DEG, _SUN_UP_DEG = 315.0, 40.0
LIGHT: Final = (0.25, 0.95)
"""Light of a hillside at either end of the bare ground's colours."""


def hillshade(ground_m: np.ndarray, cell_m: float) -> np.ndarray:
    """Light that falls on the ground from the north-west, 0 to 1, NaN where there is no ground."""
    down, across = np.gradient(ground_m, cell_m)
    steep = float(np.nanpercentile(np.hypot(down, across), 90)) if np.isfinite(down).any() else 0.0
    # gentle land is drawn up to six times steeper, or its relief would not show; mountains stay as they are
    lift = np.clip(0.35 / max(steep, 1e-6), 1.0, 6.0) if steep > 0.0 else 1.0
    up, sun = np.radians(_SUN_UP_DEG), np.radians(_SUN_FROM_DEG)
    # a surface's normal is (-dz/dx, -dz/dy, 1); rows run south
    x, y = -across * lift, down * lift
    light = (x * np.sin(sun) + y * np.cos(sun)) * np.cos(up) + np.sin(up)
    return np.asarray(np.clip(light / np.sqrt(1.0 + x * x + y * y), 0.0, 1.0))


_EDGE_IN: Final = (0.95, 0.95)
"""Room for degrees left of a map, and for the key right of the second."""
_MAP_IN: Final = 5.4
_TOP_IN, _LINE_IN, _KEY_IN, _SMALL_LINE_IN = 0.14, 0.155, 0.30, 0.16


def coverage_figure(result: CoverageResult) -> Figure:
    """The maps of a coverage: the verdict, and the fade margin."""
    box = _box(result)
    map_height = _MAP_IN * (box[3] - box[1]) / (box[2] - box[0])
    width = 2.0 * (_EDGE_IN[0] + _MAP_IN) + _EDGE_IN[1]
    words = headline(result)
    title = canvas.filled(f"Preview: {words}" if result.preview else canvas.upper_first(words), 130)
    links = "; ".join(dict.fromkeys(f"link {s.link.name}" for s in result.stations))
    best = ", each given the station that serves it best" if len(result.stations) > 1 else ""
    under = canvas.filled(
        f"Around {result.station}: {result.moved} in each cell{best}. {canvas.upper_first(links)}, "
        f"{result.frequency_hz / 1e6:g} MHz, {result.signal}.",
        175,
    )
    caption = canvas.filled(_caption(result), 205)
    above = _TOP_IN + 0.22 * canvas.line_count(title) + _LINE_IN * canvas.line_count(under) + 0.42
    below = 0.42 + _KEY_IN + _SMALL_LINE_IN * canvas.line_count(caption) + 0.1
    height = map_height + above + below
    left = _EDGE_IN[0]
    with style.styled_figure(width, height) as figure:
        axes = [canvas.axes_in(figure, at, below, _MAP_IN, map_height) for at in (left, 2.0 * left + _MAP_IN)]
        draw_verdicts(axes[0], result, box)
        shown = draw_coverage(axes[1], result, box)
        _verdict_key(figure, result, left / width, (below - 0.42) / height)
        draw_key(figure, shown, ((width - 0.80) / width, (below + 0.12 * map_height) / height),
                 (0.2 / width, 0.66 * map_height / height))  # fmt: skip
        for ax, what in zip(axes, ("Verdict", "Fade margin of the weaker direction"), strict=True):
            ax.set_title(what, fontsize=style.TEXT_PT, loc="left")
        canvas.write_words(figure, left, -_TOP_IN, title, style.TITLE)
        at = _TOP_IN + 0.22 * canvas.line_count(title)
        canvas.write_words(figure, left, -at, under, {"size": style.TEXT_PT, "linespacing": 1.3})
        canvas.write_words(figure, left, below - 0.42 - _KEY_IN, caption, style.LINES)
    return figure


@on_own_axes
def draw_coverage(ax: Axes, result: CoverageResult, box: canvas.Box | None = None) -> Any:
    """Draw margins over relief, contour lines, stations and graticule.

    Parameters
    ----------
    ax : Axes
        In its final place: names are set where they have room.
    result : CoverageResult
    box : tuple of four floats, km, optional
        West, south, east and north of the middle; by default all that has an answer.

    Returns
    -------
    ScalarMappable
        What a colour bar is made from.

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.coverage(lc.sample_path("plain"), "pump shed", radius_m=200.0, cell_m=40.0)
    >>> figure = style.new_figure(6.0, 6.0)
    >>> ax = figure.add_axes((0.15, 0.1, 0.7, 0.8))
    >>> bar = figure.colorbar(draw_coverage(ax, found), ax=ax, label="fade margin, dB")
    """
    margin = result.bands["margin_db"]
    shown = draw_shades(ax, margin, result.bands["ground_m"].astype(float), result.cell_m)
    labels = draw_lines(ax, margin, result.bands["required_margin_db"], result.cell_m)
    _no_answer(ax, result)
    frame(ax, result.crs, box or _box(result))
    hide_crowded(ax, labels, draw_marks(ax, _marks(result)))
    return shown


def draw_verdicts(ax: Axes, result: CoverageResult, box: canvas.Box | None = None) -> None:
    """Draw what closes, is at risk and does not close over relief, and where the best station changes."""
    verdict = result.bands["verdict"]
    colours = np.array([to_rgb(style.VERDICT_FILL[name][0]) for name in VERDICTS])
    known = np.isfinite(verdict)
    fill = colours[np.nan_to_num(verdict).astype(int)]
    _show(ax, fill, known, result.bands["ground_m"].astype(float), result.cell_m)
    axis = _axis_km(verdict, result.cell_m)
    for number, name in enumerate(VERDICTS):
        _, ink, hatch = style.VERDICT_FILL[name]
        if hatch:
            draw_hatch(ax, axis, verdict == number, hatch, (*to_rgb(ink), 0.55), 2)
    if "serving_station" in result.bands:
        serving = result.bands["serving_station"]
        for number in range(1, len(result.stations)):
            own = np.ma.masked_invalid(np.where(np.isfinite(serving), serving <= number, np.nan))
            if 0.0 < float(own.mean()) < 1.0:
                look: dict[str, Any] = {"colors": style.INK, "linewidths": 1.1, "linestyles": [_CHANGES]}
                ax.contour(axis, -axis, own, levels=[0.5], zorder=4, **look)
    _no_answer(ax, result)
    frame(ax, result.crs, box or _box(result))
    draw_marks(ax, _marks(result))


def _axis_km(cells: np.ndarray, cell_m: float) -> np.ndarray:
    half = (cells.shape[0] - 1) // 2
    return np.arange(-half, half + 1) * cell_m / 1e3


def _box(result: CoverageResult) -> canvas.Box:
    """The land that has an answer, and the stations."""
    known = np.isfinite(result.bands["margin_db"])
    return box_of_land(known, _axis_km(known, result.cell_m), result.cell_m, result.stations)


def _marks(result: CoverageResult) -> list[Mark]:
    marks = [Mark(s.name, s.east_m / 1e3, s.north_m / 1e3, "^", 9.0, "bold") for s in result.stations]
    return marks + [Mark(name, x / 1e3, y / 1e3, "o", 6.0) for name, x, y in result.other_stations]


def _no_answer(ax: Axes, result: CoverageResult) -> None:
    """Hatch where there is no answer within the radius: paper is what was not asked."""
    away = result.distance_m()
    lost = np.isnan(result.bands["margin_db"]) & (away <= result.radius_m - result.cell_m)
    draw_hatch(ax, _axis_km(lost, result.cell_m), lost, "\\\\\\", style.HAIRLINE, 1.5)


def draw_hatch(ax: Axes, axis_km: np.ndarray, where: np.ndarray, hatch: str, ink: Any, zorder: float) -> None:
    """Hatch the cells of a square of land that are chosen, each to its edges."""
    if where.any() and min(where.shape) > 1:
        # a place just within either edge of each cell, so that the outline runs between cells and cuts none
        half_km = 0.4999 * (axis_km[1] - axis_km[0])
        edges_km = np.add.outer(axis_km, (-half_km, half_km)).ravel()
        chosen = where.astype(float).repeat(2, axis=0).repeat(2, axis=1)
        drawn = ax.contourf(
            edges_km, -edges_km, chosen, levels=[0.5, 1.5], colors="none", hatches=[hatch], zorder=zorder
        )  # fmt: skip
        drawn.set_edgecolor(ink)
        drawn.set_linewidth(0.0)


def _verdict_key(figure: Figure, result: CoverageResult, x: float, y: float) -> None:
    handles: list[Any] = []
    for name in reversed(VERDICTS):
        fill, ink, hatch = style.VERDICT_FILL[name]
        label = f"{VERDICTS_IN_TEXT[name]}, {percent(share_of_land(result, name))}"
        handles.append(Patch(facecolor=fill, edgecolor=ink, hatch=hatch, linewidth=0.6, label=label))
    handles.append(canvas.key_mark("station"))
    if len(result.stations) > 1:
        handles.append(
            Line2D([], [], color=style.INK, lw=1.1, ls=_CHANGES, label="where the best station changes")
        )
    figure.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(x - 0.004, y), ncols=len(handles), borderpad=0.0,
        fontsize=style.SMALL_PT, handlelength=1.8, columnspacing=1.6,
    )  # fmt: skip


def draw_shades(ax: Axes, margin_db: np.ndarray, ground_m: np.ndarray, cell_m: float) -> Any:
    """Draw margins in steps over shaded relief, kilometres from the middle; return what a key is made from."""
    colours = _ramp()
    norm = BoundaryNorm(STEPS_DB, len(colours), extend="both")
    known = np.isfinite(margin_db)
    fill = colours[np.clip(np.asarray(norm(np.where(known, margin_db, 0.0))), 0, len(colours) - 1)][..., :3]
    _show(ax, fill, known, ground_m, cell_m)
    return ScalarMappable(norm, ListedColormap(colours))


def _show(ax: Axes, fill: np.ndarray, known: np.ndarray, ground_m: np.ndarray, cell_m: float) -> None:
    picture = np.concatenate([lit(fill, hillshade(ground_m, cell_m)), known[..., np.newaxis]], axis=-1)
    ax.imshow(picture, extent=_extent_km(known, cell_m), interpolation="nearest", zorder=1)


def _extent_km(cells: np.ndarray, cell_m: float) -> canvas.Box:
    """Left, right, bottom and top of cells about the middle."""
    across, down = (n * cell_m / 2e3 for n in cells.shape[::-1])
    return -across, across, -down, down


def draw_relief(ax: Axes, relief: Relief) -> None:
    """Draw a map of bare relief in the ground's own colour, with graticule, scale and north, in kilometres."""
    west, east, south, north = box = _extent_km(relief.ground_m, relief.cell_m)
    if np.isfinite(relief.ground_m).any():
        light = np.ma.masked_invalid(hillshade(relief.ground_m, relief.cell_m))
        look: dict[str, Any] = {"cmap": style.ramp(style.GROUND_LIGHT), "vmin": LIGHT[0], "vmax": LIGHT[1]}
        ax.imshow(light, extent=box, interpolation="bilinear", zorder=1, **look)
    frame(ax, relief.crs, (west, south, east, north))


def lit(colours: np.ndarray, shade: np.ndarray) -> np.ndarray:
    """Colours under the light of a hillside: slopes that face it a little lighter, the others darker.

    Level ground keeps its colour, and none comes near that of another step, so that what a key says holds.
    """
    level = np.sin(np.radians(_SUN_UP_DEG))
    more = np.where(np.isfinite(shade), (shade - level) / np.where(shade > level, 1.0 - level, level), 0.0)
    most = RELIEF + RELIEF_OF_DARK * (1.0 - colours.mean(axis=-1))
    return np.asarray(np.clip(colours + (most * more)[..., np.newaxis], 0.0, 1.0))


def _ramp() -> np.ndarray:
    """Colours of the steps and of what lies beyond either end, from light to dark."""
    return np.asarray(style.ramp(style.MARGINS)(np.linspace(0.0, 1.0, len(STEPS_DB) + 1)))


def draw_lines(ax: Axes, margin_db: np.ndarray, needed_db: np.ndarray, cell_m: float) -> list[Any]:
    """Draw labelled lines of equal margin, and the one where it is what is asked there; return the labels."""
    from scipy.ndimage import gaussian_filter

    known = np.isfinite(margin_db)
    # divided out below, so that cells without an answer do not pull the lines towards 0 dB
    weight = gaussian_filter(known.astype(float), SMOOTH_CELLS)

    def smoothed(values: np.ndarray) -> Any:
        filled_up = gaussian_filter(np.where(known, values, 0.0).astype(float), SMOOTH_CELLS)
        return np.ma.masked_array(filled_up / np.maximum(weight, 1e-9), mask=~known)

    field = smoothed(margin_db)
    axis = _axis_km(margin_db, cell_m)
    low, high = (float(v) for v in (np.nanmin(margin_db), np.nanmax(margin_db)))
    levels = [s for s in STEPS_DB if low < s < high]
    labels: list[Any] = []
    if levels and field.shape[0] > 2:
        lines = ax.contour(axis, -axis, field, levels=levels, colors=style.INK, linewidths=0.7, zorder=3)
        labels += ax.clabel(lines, fmt=lambda v: canvas.true_minus(f"{v:.0f} dB"), fontsize=style.SMALL_PT)
    # an infinite requirement counts as far short: smoothing would spread its inf over the cells around
    spare = smoothed(np.clip(np.nan_to_num(margin_db - needed_db, nan=-100.0), -100.0, 100.0))
    if field.shape[0] > 2 and float(spare.min()) < 0.0 < float(spare.max()):
        line = ax.contour(axis, -axis, spare, levels=[0.0], colors=style.INK, linewidths=2.2, zorder=4)
        labels += ax.clabel(line, fmt=lambda v: "required", fontsize=style.SMALL_PT)
    for text in labels:
        text.set_path_effects(style.halo(2.4))
    return labels


def draw_key(
    figure: Figure, shown: Any, corner: tuple[float, float] = (0.895, 0.30),
    size: tuple[float, float] = (0.022, 0.42),
) -> None:  # fmt: skip
    """Draw the key of the margins' steps; corner and size are shares of the figure."""
    axis = figure.add_axes((*corner, *size))
    bar = figure.colorbar(shown, cax=axis, ticks=STEPS_DB, drawedges=True)
    bar.ax.set_yticklabels([canvas.true_minus(f"{s:.0f}") for s in STEPS_DB])
    bar.ax.set_title("margin\ndB", fontsize=style.SMALL_PT, fontweight="normal", loc="left")
    bar.outline.set_linewidth(0.6)
    bar.ax.tick_params(length=0)


def _caption(result: CoverageResult) -> str:
    how = "Each cell has its own terrain profile and the model of a single check."
    if result.preview:
        how = preview_words(result)
    return style.drawable(
        f"{how} Cells of {result.cell_m:g} m; lines over margins smoothed by {SMOOTH_CELLS:g} cell, thick where the "
        "margin is the one required there; relief lit from the north-west; hatched grey: no answer. Degrees: WGS 84. "
        + canvas.SAFETY
    )


def write_map(result: CoverageResult, folder: Path) -> list[Path]:
    """Write `coverage.svg` and `coverage.png` into a folder; LinkcalcError if that cannot be."""
    return canvas.write_pictures(
        folder, [("coverage", coverage_figure(result), f"Coverage around {result.station}")]
    )

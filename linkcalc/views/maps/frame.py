"""What every map has: degrees along its edges, a graticule, a bar of a round length, north, and names that do not lie
on each other. Coordinates of the axes are kilometres in a plane; a box is west, south, east and north."""

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.text import Text

from linkcalc.terrain import geodesy
from linkcalc.units import METRES_PER_FOOT
from linkcalc.views import canvas, style, units
from linkcalc.views.canvas import Box

_LINES = 5
"""About so many lines of the graticule along the longer edge."""


Point = tuple[float, float]


class Mark(NamedTuple):
    """A place on a map."""

    name: str
    x_km: float
    y_km: float
    marker: str
    size_pt: float
    weight: str = "normal"


def frame(ax: Axes, crs: str, box: Box) -> None:
    """Show a box of a plane, `crs` in metres, with its graticule, its scale and north."""
    west, south, east, north = box
    ax.set_xlim(west, east)
    ax.set_ylim(south, north)
    ax.set_aspect("equal")
    _graticule(ax, crs, box)
    draw_scale(ax, box)
    for spine in ("top", "right"):
        ax.spines[spine].set_visible(True)


def box_around(
    x_km: Sequence[float], y_km: Sequence[float], aspect: tuple[float, float] = (0.7, 1.25), pad: float = 0.03
) -> Box:
    """A box around positions with some room, no ribbon: its height over its width within limits."""
    west, east, south, north = min(x_km), max(x_km), min(y_km), max(y_km)
    room = pad * max(east - west, north - south, 1e-3)
    west, east, south, north = west - room, east + room, south - room, north + room
    wanted = float(np.clip((north - south) / (east - west), *aspect))
    more_up = max(wanted * (east - west) - (north - south), 0.0) / 2.0
    more_across = max((north - south) / wanted - (east - west), 0.0) / 2.0
    return west - more_across, south - more_up, east + more_across, north + more_up


def box_of_land(
    known: np.ndarray, axis_km: np.ndarray, cell_m: float, stations: Iterable[Any], **shape: Any
) -> Box:
    """A box around the known cells of a square of land, and stations on it; as `box_around`."""
    rows, columns = np.nonzero(known)
    placed, half = list(stations), cell_m / 2e3
    xs = [axis_km[columns.min()] - half, axis_km[columns.max()] + half, *(s.east_m / 1e3 for s in placed)]
    ys = [-axis_km[rows.max()] - half, -axis_km[rows.min()] + half, *(s.north_m / 1e3 for s in placed)]
    return box_around(xs, ys, **shape)


def graticule_step(span_deg: float) -> float:
    """Spacing of a graticule: 1, 2 or 5 times a power of ten of a degree."""
    decade = 10.0 ** np.floor(np.log10(span_deg / _LINES))
    return float(
        min((f * decade for f in (1.0, 2.0, 5.0, 10.0)), key=lambda s: abs(np.log(span_deg / _LINES / s)))
    )


def degrees_text(value_deg: float, step_deg: float, plus: str, minus: str) -> str:
    """A degree as it stands at a map's edge, with as many decimals as its lines need."""
    value = (value_deg + 180.0) % 360.0 - 180.0 if plus == "E" else value_deg
    decimals = max(0, -int(np.floor(np.log10(step_deg) + 1e-9)))
    text = f"{abs(value):.{decimals}f}"
    side = "" if float(text) == 0.0 else f" {minus if value < 0.0 else plus}"
    return f"{text}°{side}"


def _graticule(ax: Axes, crs: str, box: Box) -> None:
    west, south, east, north = (1e3 * v for v in box)
    there = geodesy.transformer(crs, "EPSG:4326")
    back = geodesy.transformer("EPSG:4326", crs)
    share = np.linspace(0.0, 1.0, 101)
    middle_lon, _ = there.transform((west + east) / 2.0, (south + north) / 2.0)

    def geographic(x: Any, y: Any) -> tuple[Any, Any]:
        lon, lat = there.transform(x, y)
        # counted from the map's middle, so that a map across the 180th meridian has no jump in it
        return middle_lon + (np.asarray(lon) - middle_lon + 180.0) % 360.0 - 180.0, np.asarray(lat)

    lon_below, _ = geographic(west + share * (east - west), np.full(share.shape, south))
    _, lat_left = geographic(np.full(share.shape, west), south + share * (north - south))
    corners_lon, corners_lat = geographic(
        np.array([west, east, west, east]), np.array([south, south, north, north])
    )
    for along, across, edge, plus, minus in (
        (corners_lon, corners_lat, lon_below, "E", "W"),
        (corners_lat, corners_lon, lat_left, "N", "S"),
    ):
        upright = plus == "E"
        step = graticule_step(float(along.max() - along.min()))
        values = np.arange(np.ceil(along.min() / step), np.floor(along.max() / step) + 1.0) * step
        ticks, labels = [], []
        other = np.linspace(across.min(), across.max(), 61)
        for value in values:
            pair = (np.full(other.shape, value), other) if upright else (other, np.full(other.shape, value))
            x, y = back.transform(*pair)
            # over shades both dark and light
            x, y = np.asarray(x) / 1e3, np.asarray(y) / 1e3
            ax.plot(x, y, color=style.PAPER, lw=0.9, alpha=0.35, zorder=2.7)
            ax.plot(x, y, color=style.INK, lw=0.4, alpha=0.45, zorder=2.8)
            if edge.min() <= value <= edge.max():
                low, high = (west, east) if upright else (south, north)
                ticks.append(float(np.interp(value, edge, low + share * (high - low))) / 1e3)
                labels.append(degrees_text(value, step, plus, minus))
        axis = ax.xaxis if upright else ax.yaxis
        axis.set_ticks(ticks, labels)


_SCALES_KM: dict[units.System, tuple[tuple[str, float], ...]] = {
    "metric": (("km", 1.0), ("m", 1e-3)),
    "us": (("mi", units.METRES_PER_MILE / 1e3), ("ft", METRES_PER_FOOT / 1e3)),
}
"""Units of a scale, the longer first, in kilometres."""


def draw_scale(ax: Axes, box: Box) -> None:
    """Draw a bar of a round length, and which way is north."""
    west, south, east, north = box
    across, up = east - west, north - south
    target = min(across, up) / 5.0
    # round in the units that are read
    name, unit_km = next((n, u) for n, u in _SCALES_KM[units.current()] if u <= target or u < 0.01)
    decade = 10.0 ** np.floor(np.log10(target / unit_km))
    count = max(f * decade for f in (1.0, 2.0, 5.0) if f * decade <= target / unit_km)
    length = count * unit_km
    x, y = west + 0.025 * across, south + 0.035 * up
    ax.plot(
        [x, x + length], [y, y], color=style.INK, linewidth=2.2, zorder=6, solid_capstyle="butt",
        path_effects=style.halo(4.4),
    )  # fmt: skip
    words: dict[str, Any] = {"textcoords": "offset points", "ha": "center", "zorder": 6}
    words["path_effects"] = style.halo(2.6)
    ax.annotate(f"{count:g} {name}", (x + length / 2.0, y), (0, 4), fontsize=style.SMALL_PT, **words)
    arrow = {"arrowstyle": "-|>", "color": style.INK, "linewidth": 1.2, "shrinkA": 1, "shrinkB": 0}
    ax.annotate(
        "N", (east - 0.035 * across, north - 0.025 * up), (0.0, -26.0), va="top", fontsize=style.TEXT_PT,
        arrowprops={**arrow, "path_effects": style.halo(3.2)}, **words,
    )  # fmt: skip


def draw_marks(
    ax: Axes, marks: Sequence[Mark], most_names: int = 40, lines: Sequence[tuple[Point, Point]] = ()
) -> list[Text]:
    """Draw places, and their names where these lie on nothing, on a line if need be; return the names.

    They come in the order of the marks; one that has no room is left out. Figure and limits have their final size.
    """
    room = canvas.Room(ax)
    for m in marks:
        look: dict[str, Any] = {"marker": m.marker, "markersize": m.size_pt, "markeredgecolor": style.PAPER}
        ax.plot([m.x_km], [m.y_km], color=style.INK, linestyle="", zorder=6.5, **look)
    names = canvas.Names(
        ax,
        [*corners(room), *(canvas.box_of_mark(room, (m.x_km, m.y_km), m.size_pt) for m in marks)],
        [point for line in lines for point in np.linspace(*line, 100)],
    )
    written = []
    for m in [m for m in marks if m.name][:most_names]:
        bold = m.weight == "bold"
        written.append(
            names.write(m.name, (m.x_km, m.y_km), m.size_pt, style.TEXT_PT, over="lines", bold=bold)
        )
    return [text for text in written if text is not None]


def corners(room: canvas.Room) -> tuple[Box, Box]:
    """Where the scale and the arrow of a map are, points."""
    wide, high = room.width_pt, room.height_pt
    scale = 0.0, 0.0, 0.03 * wide + 0.2 * min(wide, high), 0.035 * high + 16.0
    return scale, (0.93 * wide, 0.975 * high - 40.0, wide, high)


def hide_crowded(ax: Axes, labels: Sequence[Any], kept: Sequence[Any] = ()) -> None:
    """Hide labels that lie on names, on a station's mark, or on labels before them."""
    taken = [_corners(text) for text in kept]
    for line in ax.lines:
        points = np.asarray(line.get_xydata())
        if line.get_marker() not in ("None", "", None) and len(points) == 1:
            x, y = ax.transData.transform(points[0])
            half = 0.6 * float(line.get_markersize()) * ax.figure.dpi / 72.0
            taken.append((x - half, y - half, x + half, y + half))
    for label in labels:
        box = _corners(label)
        if any(canvas.meet(box, t) for t in taken):
            label.set_visible(False)
        else:
            taken.append(box)


def _corners(text: Any) -> Box:
    box = text.get_window_extent()
    return box.x0, box.y0, box.x1, box.y1

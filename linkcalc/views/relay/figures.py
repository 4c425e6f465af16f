"""Pictures of a relay siting: a map of the weaker hop's margin with the spots; the best one's profiles."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from linkcalc.area.relay.result import Chain, Place, RelaySiting
from linkcalc.link.result import LinkResult
from linkcalc.views import canvas, style
from linkcalc.views.check.figures import draw_profile
from linkcalc.views.maps.figures import SMOOTH_CELLS, draw_hatch, draw_key, draw_lines, draw_shades
from linkcalc.views.maps.frame import box_of_land, corners, frame, hide_crowded
from linkcalc.views.relay.text import headline
from linkcalc.views.words import (
    VERDICTS_IN_TEXT,
    decibel_words,
    distance_words,
    required_margin_words,
    weaker_direction,
)

_WIDTH_IN: Final = 8.6
_LEFT_IN: Final = 0.85
"""Room for degrees."""
_MAP_IN: Final = 6.6
"""Width of the map within."""
_TITLE_IN, _LINE_IN, _SMALL_LINE_IN = 0.19, 0.15, 0.155
_NAME_PT: Final = 150.0
"""Room for a station's name on the map."""
_PANEL_IN: Final = 3.95
"""A profile with its title and labels."""
_BADGE_PT: Final = 14.0
_TITLE: Final[dict[str, Any]] = {"size": style.TITLE_PT - 1, "weight": "bold"}
_FEWEST_FOR_LINES = 0.25
"""Share of the land that is left from which lines of equal margin are drawn: on ribbons they are no use."""


def relay_map(result: RelaySiting) -> Figure:
    """The map: margin of the weaker hop with a relay in each cell, spots, ends, and where none may stand."""
    west, south, east, north = _box(result)
    map_height = _MAP_IN * (north - south) / (east - west)
    title = canvas.filled(headline(result), 84)
    under = canvas.filled(
        f"Fade margin of the weaker hop with a relay in each cell. Link {result.link.name}, "
        f"{result.link.frequency_mhz:g} MHz, {result.signal}.",
        106,
    )
    caption = canvas.filled(_caption(result), 120)
    under_in = 0.24 + _TITLE_IN * canvas.line_count(title)
    above_in = under_in + 0.08 + _LINE_IN * canvas.line_count(under)
    below_in = 0.58 + _SMALL_LINE_IN * canvas.line_count(caption)
    height = map_height + above_in + below_in
    with style.styled_figure(_WIDTH_IN, height) as figure:
        shown = draw_relay_map(canvas.axes_in(figure, _LEFT_IN, below_in, _MAP_IN, map_height), result)
        draw_key(figure, shown)
        canvas.write_words(figure, _LEFT_IN, -0.12, title, _TITLE)
        canvas.write_words(figure, _LEFT_IN, -under_in, under, {"size": style.TEXT_PT})
        canvas.write_words(figure, _LEFT_IN, below_in - 0.5, caption, style.LINES)
    return figure


def draw_relay_map(ax: Axes, result: RelaySiting) -> Any:
    """Draw relief, margins, what is ruled out, hops and spots; return the picture of the margin."""
    grid, margin = result.grid, result.bands["margin_db"]
    shown = draw_shades(ax, margin, np.where(result.area, result.ground_m, np.nan), grid.cell_m)
    ruled_out = result.area & np.isfinite(result.ground_m) & ~result.allowed.mask
    labels: list[Any] = []
    if _lined(result):
        # where others spoil more than a hop may lose no margin suffices, and there is no such line
        suffices = result.required_of_each_hop(result.spots[0]).reachable
        needed = margin - result.bands["spare_db"] if suffices else np.full(margin.shape, np.inf)
        labels = draw_lines(ax, margin, needed, grid.cell_m)
    draw_hatch(ax, grid.steps_m / 1e3, ruled_out, "////", style.HATCH, 2.5)
    for ring in result.allowed.outlines:
        ax.plot(*(ring.T / 1e3), color=style.INK, lw=1.1, ls=(0, (4, 2)), zorder=4)
    for line in result.allowed.tracks:
        ax.plot(*(line.T / 1e3), color=style.PAPER, lw=2.6, zorder=4)
        ax.plot(*(line.T / 1e3), color=style.GROUND_EDGE, lw=1.3, zorder=4.1)
    frame(ax, grid.crs, _box(result))
    _draw_places(ax, result, _draw_hops(ax, result))
    hide_crowded(ax, labels, [text for text in ax.texts if text not in labels])
    return shown


def _lined(result: RelaySiting) -> bool:
    """Whether enough is left of the land for lines of equal margin."""
    known = result.area & np.isfinite(result.ground_m)
    return bool(result.allowed.mask.sum() >= _FEWEST_FOR_LINES * known.sum())


def _box(result: RelaySiting) -> canvas.Box:
    """What the map shows, km: the area where there is ground, and both ends; no strip."""
    known, grid = result.area & np.isfinite(result.ground_m), result.grid
    return box_of_land(known, grid.steps_m / 1e3, grid.cell_m, result.ends, aspect=(0.62, 1.15), pad=0.02)


def _draw_hops(ax: Axes, result: RelaySiting) -> np.ndarray:
    """The hops of the best spot, and of two relays dashed; return places along them."""
    first, last = result.ends
    along = []
    for chain, dashes in _drawn(result):
        x, y = np.transpose([_at_km(place) for place in (first, *chain.relays, last)])
        ax.plot(x, y, color=style.PAPER, lw=3.0, zorder=4.4)
        ax.plot(x, y, color=style.POINT, lw=1.3, ls=dashes, zorder=4.5)
        corner = np.linspace(0.0, len(x) - 1.0, 100 * len(x))
        along.append(np.transpose([np.interp(corner, np.arange(len(x)), v) for v in (x, y)]))
    return np.concatenate(along)


def _at_km(place: Place) -> tuple[float, float]:
    return place.east_m / 1e3, place.north_m / 1e3


def _drawn(result: RelaySiting) -> Iterator[tuple[Chain, Any]]:
    yield result.spots[0], "-"
    if result.two is not None:
        yield result.two, (0, (4, 2))


def _draw_places(ax: Axes, result: RelaySiting, hops: np.ndarray) -> None:
    """Both ends, the relays of two, and numbered spots: on a badge, or beside a small mark where badges would meet."""
    room = canvas.Room(ax)
    spots = [chain.relays[0] for chain in result.spots]
    at_pt = np.array([(room.x_pt(x), room.y_pt(y)) for x, y in map(_at_km, spots)])
    apart_pt = np.hypot(*(at_pt[:, None] - at_pt).T)
    np.fill_diagonal(apart_pt, np.inf)
    crowded = apart_pt.min(axis=0) < _BADGE_PT + 1.0
    crowded[0] = False
    two = () if result.two is None else result.two.relays
    small = [(f"R{number}", place, "s", style.POINT) for number, place in enumerate(two, start=1)]
    for number, place in reversed(list(enumerate(spots, start=1))):  # the best on top
        if crowded[number - 1]:
            small.append((str(number), place, "o", style.INK))
        else:
            face, ink = (style.INK, style.PAPER) if number == 1 else (style.PAPER, style.INK)
            _draw_badge(ax, place, str(number), face, ink)
    names = canvas.Names(
        ax,
        [
            *corners(room),
            *(canvas.box_of_mark(room, _at_km(place), _BADGE_PT) for place in spots),
            *(canvas.box_of_mark(room, _at_km(place), 8.0) for place in (*result.ends, *two)),
        ],
        hops,
    )
    for end in result.ends:
        ax.plot(*_at_km(end), marker="^", ms=9.0, color=style.INK, markeredgecolor=style.PAPER, zorder=8)
        words = canvas.fitted_words(style.drawable(end.name), _NAME_PT, style.TEXT_PT, bold=True)
        names.write(words, _at_km(end), 9.0, style.TEXT_PT, over="all", bold=True)
    for words, place, marker, ink in small:
        ax.plot(*_at_km(place), marker=marker, ms=7.0, mfc=style.PAPER, mec=ink, mew=1.6, zorder=6.8)
        names.write(words, _at_km(place), 7.0, style.TEXT_PT, over="all", bold=True, colour=ink)


def _draw_badge(ax: Axes, place: Place, words: str, face: str, ink: str) -> None:
    edge = ink if face == style.PAPER else style.PAPER
    ax.plot(*_at_km(place), marker="o", ms=_BADGE_PT, mfc=face, mec=edge, mew=1.1, zorder=7)
    look: dict[str, Any] = {"fontsize": style.SMALL_PT, "color": ink, "weight": "bold", "zorder": 7.1}
    ax.annotate(words, _at_km(place), ha="center", va="center_baseline", **look)


def _caption(result: RelaySiting) -> str:
    lines = (
        f"lines over margins smoothed by {SMOOTH_CELLS:g} cell, thick where the margin is the one required of each "
        "of two hops"
    )
    parts = [
        "Numbers: spots checked in full, best first; violet: hops over the best spot"
        + (", dashed over two relays (R1, R2)." if result.two is not None else "."),
        f"Cells of {result.grid.cell_m:g} m, each with its own terrain profiles and the model of a check; "
        + (f"{lines}; " if _lined(result) else "")
        + "white: not looked at, or no height. Degrees: WGS 84.",
    ]
    if len(result.allowed.steps) > 1:
        asked = ", ".join(words for words, _ in result.allowed.steps[1:])
        parts.append(f"Hatched: ruled out by the conditions on a place ({asked}).")
    parts.append(
        "A prediction: measure on site. A radio link is no safety function and no emergency stop; masts are "
        "for trained people, clear of power lines."
    )
    return " ".join(parts)


def relay_profiles(hops: Sequence[LinkResult]) -> Figure:
    width, height = style.WIDE_IN[0], _PANEL_IN * len(hops) + 0.35
    with style.styled_figure(width, height) as figure:
        for number, hop in enumerate(hops, start=1):
            bottom = height - _PANEL_IN * number + 0.55
            draw_profile(canvas.axes_in(figure, 0.75, bottom, width - 1.0, _PANEL_IN - 1.5), hop)
            weaker, verdict = weaker_direction(hop), hop.verdict
            margin = canvas.true_minus(decibel_words(weaker.fade_margin_db))
            required = required_margin_words(weaker.required_margin_db)
            words = f"{VERDICTS_IN_TEXT[verdict]}: fade margin {margin}, {required} required"
            left_pt = 72.0 * width - 90.0 - canvas.width_of_text(words, style.TEXT_PT, True)
            form = f"Hop {number}: {{}} to {{}}, {distance_words(hop.path.distance_m)}"
            ends = hop.directions[0].from_, hop.directions[0].to
            title = canvas.fitted_ends(form, ends, left_pt, style.TITLE_PT - 1, True)
            top = (height - _PANEL_IN * (number - 1) - 0.2) / height
            figure.text(0.75 / width, top, title, va="center", **_TITLE)
            look = canvas.type_look(style.TEXT_PT, style.VERDICT[verdict], bold=True)
            figure.text(1.0 - 0.25 / width, top, words, ha="right", va="center", **look)
        figure.text(0.75 / width, 0.14 / height, canvas.SAFETY, va="center", **style.CAPTION)
    return figure


def write_all(result: RelaySiting, hops: Sequence[LinkResult], folder: Path) -> list[Path]:
    """Write `relay-map` and `relay-profiles`, each `.svg` and `.png`, into a folder."""
    title = f"Relay for {result.link.name}"
    pictures = (
        ("relay-map", relay_map(result), title),
        ("relay-profiles", relay_profiles(hops), f"{title}: profiles"),
    )
    return canvas.write_pictures(folder, pictures)

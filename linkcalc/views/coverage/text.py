"""Coverage in words: how much of the land closes, how far, and with which spreading factor."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Unpack

import numpy as np

from linkcalc.area.coverage_result import CoverageResult
from linkcalc.link.modulation import Signal
from linkcalc.link.requirement import VERDICTS
from linkcalc.link.result import VerdictWord
from linkcalc.link.verdict import CAUTIONS
from linkcalc.plan import ChirpModulation
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import VERDICTS_IN_TEXT, distance_words

_RINGS = 8


def coverage_report(result: CoverageResult, **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    page.wrap(f"Coverage around {result.station}: {headline(result)}", bold=True)
    if result.title:
        page.wrap(result.title)
    for served in result.stations:
        page.wrap(
            f"Link {served.link.name}, {served.link.from_} to {served.link.to}, "
            f"{served.link.frequency_mhz:g} MHz, {Signal.of(served.link.modulation).text}."
        )
    many = len(result.stations) > 1
    page.wrap(
        f"{result.moved} with its own antenna and height stands in each of {result.cells} cells of "
        f"{result.cell_m:g} m within {distance_words(result.radius_m)}"
        + (", and each is given the station that serves it best." if many else ".")
    )
    every = "Every cell has its own full terrain profile and the model of a single check."
    page.wrap(preview_words(result) if result.preview else every)
    page.heading("Share of the area")
    cells = max(result.cells, 1)
    widths = (24, 10, 12)
    page.row(["", "share", "area"], widths)
    for verdict in reversed(VERDICTS):
        area = f"{result.area_km2(verdict):.2f} km²"
        page.row([VERDICTS_IN_TEXT[verdict], percent(share_of_land(result, verdict)), area], widths)
    if many:
        page.heading("By station")
        widths = (28, 14, 16)
        page.row(["station", "serves best", "closes from it"], widths)
        for number, served in enumerate(result.stations, start=1):
            own = result.bands["serving_station"] == number
            closing = float((own & (result.bands["verdict"] == VERDICTS.index("closes"))).sum())
            area = f"{closing * result.cell_m**2 / 1e6:.2f} km²"
            page.row([served.name, percent(float(own.sum()) / cells), area], widths)
        double = float((result.bands["stations_closing"] >= 2.0).sum()) / cells
        page.wrap(f"Closes from two stations or more: {percent(double)} of the land.")
    page.heading("By distance from the nearest" if many else "By distance")
    page.row(["distance", "closes", "median margin", "median success"], (24, 10, 16, 16))
    for words, share, margin, success in rings(result):
        page.row([words, percent(share), f"{margin:+.1f} dB", percent(success)], (24, 10, 16, 16))
    if isinstance(result.link.modulation, ChirpModulation):
        page.heading("Lowest spreading factor that suffices")
        factors = result.bands["spreading_factor"]
        for factor in (*sorted({int(f) for f in np.unique(factors[factors > 0])}), 0):
            share = float((factors == factor).sum()) / cells
            page.row([f"SF{factor}" if factor else "none", percent(share)], (24, 10))
    page.items("Notes", notes(result))
    return page.text()


def share_of_land(result: CoverageResult, verdict: VerdictWord) -> float:
    return result.area_km2(verdict) * 1e6 / result.cell_m**2 / max(result.cells, 1)


def headline(result: CoverageResult) -> str:
    share = share_of_land(result, "closes")
    if share == 0.0:
        return f"closes nowhere within {distance_words(result.radius_m)}"
    closes = result.bands["verdict"] == VERDICTS.index("closes")
    farthest = float(result.distance_m()[closes].max())
    return (
        f"closes on {percent(share)} of the land within {distance_words(result.radius_m)}, "
        f"at most {distance_words(farthest)} away"
    )


def preview_words(result: CoverageResult) -> str:
    return (
        f"PREVIEW with cells of {result.cell_m:g} m: narrow shadows fall between. Run without --preview before "
        "deciding."
    )


def rings(result: CoverageResult) -> list[tuple[str, float, float, float]]:
    """Distance in words, share that closes, median margin and median success, from near to far."""
    distance = result.distance_m()
    known = np.isfinite(result.bands["margin_db"])
    found = []
    edges = np.linspace(0.0, result.radius_m, _RINGS + 1)
    for low, high in pairwise(edges):
        inside = known & (distance > low) & (distance <= high)
        if inside.any():
            closes = float((result.bands["verdict"][inside] == VERDICTS.index("closes")).mean())
            margin, success = (
                float(np.median(result.bands[name][inside])) for name in ("margin_db", "success")
            )
            found.append((f"{distance_words(low)} to {distance_words(high)}", closes, margin, success))
    return found


def notes(result: CoverageResult) -> Sequence[str]:
    margins = result.bands["required_margin_db"]
    low, high = float(np.nanmin(margins)), float(np.nanmax(margins))
    asked = f"{low:.1f} dB" if high - low < 0.05 else f"{low:.1f} to {high:.1f} dB, by cell"
    return [
        f"Required margin of each direction: {asked}.",
        f"Heights from {', '.join(result.sources)}.",
        *result.notes,
        "A prediction, not a measurement: take a reading on site before you buy.",
        *CAUTIONS[:1],
    ]


def percent(share: float) -> str:
    """A share without false digits."""
    if share in (0.0, 1.0):
        return f"{share * 100.0:.0f} %"
    if share < 0.001:
        return "<0.1 %"
    return ">99.9 %" if share > 0.999 else f"{share * 100.0:.1f} %"

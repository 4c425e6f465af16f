"""How far a link goes, in words and as JSON."""

import math
from typing import Any, Unpack

from linkcalc.sweeps.reach_by_ground import HowFar, Reach
from linkcalc.views.page import Columns, Page, Screen
from linkcalc.views.words import distance_words, time_words

ONE_HILL = (
    "One hill or one stand of trees decides more than all of this: the ground of the link itself (linkcalc check) "
    "and a reading on site settle it. A radio link is no safety function and no emergency stop."
)


def reach_words(distance_m: float) -> str:
    """Say how far."""
    if distance_m == 0.0:
        return "nowhere"
    return "over 60 km" if math.isinf(distance_m) else distance_words(distance_m)


def range_report(found: HowFar, **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    page.wrap(f"How far: {found.from_} to {found.to} and back, {found.frequency_hz / 1e6:g} MHz", bold=True)
    page.fact(f"closes: {found.asked.words}; a gamble: half of such sites work.")
    for line in found.over_limits:
        page.fact(line)
    columns: Columns = [
        ("", 0, lambda r: "this signal" if r.spreading_factor is None else f"SF{r.spreading_factor}"),
        ("closes to", 18, lambda r: reach_words(r.closes_m)),
        ("a gamble from", 18, lambda r: reach_words(r.gamble_m)),
        ("time on air", 18, lambda r: time_words(_time_on_air_s(found, r))),
    ]
    for ground in found.grounds:
        page.heading(ground.words, minor=True)
        page.table(columns, (r for r in found.reaches if r.ground == ground.name))
    page.blank()
    page.wrap(ONE_HILL)
    return page.text()


def _time_on_air_s(found: HowFar, reach: Reach) -> float:
    return found.time_on_air_s[found.spreading_factors.index(reach.spreading_factor)]


_DISTANCES = ("closes_m", "gamble_m", "closes_forward_m", "closes_return_m")


def _rounded(distance_m: float) -> float | None:
    return None if math.isinf(distance_m) else round(distance_m, 1)


def range_dict(found: HowFar) -> dict[str, Any]:
    return {
        "from": found.from_,
        "to": found.to,
        "frequency_hz": found.frequency_hz,
        "asked": found.asked.words,
        "over_limits": list(found.over_limits),
        "reaches": [
            {
                **{name: getattr(r, name) for name in ("ground", "words", "spreading_factor")},
                "time_on_air_s": _time_on_air_s(found, r),
                **{name: _rounded(getattr(r, name)) for name in _DISTANCES},
            }
            for r in found.reaches
        ],
        "caution": ONE_HILL,
    }

"""How far a link goes, in words and as JSON."""

import json
import math
from collections.abc import Mapping
from typing import Any, Unpack

from linkcalc.sweeps.mast_heights import requirement_words
from linkcalc.sweeps.reach_by_ground import HowFar, Reach
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import distance_words, time_words

ONE_HILL = (
    "One hill or one stand of trees decides more than all of this: the ground of the link itself (linkcalc check) "
    "and a reading on site settle it. A radio link is no safety function and no emergency stop."
)


def reach_words(distance_m: float) -> str:
    """Say how far.

    >>> reach_words(0.0), reach_words(4321.0), reach_words(float("inf"))
    ('nowhere', '4.32 km', 'over 60 km')
    """
    if distance_m == 0.0:
        return "nowhere"
    return "over 60 km" if math.isinf(distance_m) else distance_words(distance_m)


def range_report(found: HowFar, **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    page.wrap(f"How far: {found.from_} to {found.to} and back, {found.frequency_hz / 1e6:g} MHz", bold=True)
    page.fact(f"closes: {requirement_words(found.asked)}; a gamble: half of such sites work.")
    for line in found.over_limits:
        page.fact(line)
    for ground in found.grounds:
        page.heading(ground.words, minor=True)
        widths = [page.width - 2 - 54, 18, 18, 18]
        page.row(["", "closes to", "a gamble from", "time on air"], widths)
        for reach, seconds in _rows(found, ground.name):
            name = "this signal" if reach.spreading_factor is None else f"SF{reach.spreading_factor}"
            page.row(
                [name, reach_words(reach.closes_m), reach_words(reach.gamble_m), time_words(seconds)], widths
            )
    page.blank()
    page.wrap(ONE_HILL)
    return page.text()


def _rows(found: HowFar, ground: str) -> list[tuple[Reach, float]]:
    reaches = [r for r in found.reaches if r.ground == ground]
    return list(zip(reaches, found.time_on_air_s, strict=True))


def range_json(found: HowFar) -> str:
    answer: Mapping[str, Any] = {
        "from": found.from_,
        "to": found.to,
        "frequency_hz": found.frequency_hz,
        "asked": requirement_words(found.asked),
        "over_limits": list(found.over_limits),
        "reaches": [
            {
                "ground": r.ground,
                "words": r.words,
                "spreading_factor": r.spreading_factor,
                "time_on_air_s": found.time_on_air_s[found.spreading_factors.index(r.spreading_factor)],
                **{
                    name: None if math.isinf(value) else round(value, 1)
                    for name, value in (
                        ("closes_m", r.closes_m),
                        ("gamble_m", r.gamble_m),
                        ("closes_forward_m", r.closes_forward_m),
                        ("closes_return_m", r.closes_return_m),
                    )
                },
            }
            for r in found.reaches
        ],
        "caution": ONE_HILL,
    }
    return json.dumps(answer, indent=2, ensure_ascii=False, allow_nan=False) + "\n"

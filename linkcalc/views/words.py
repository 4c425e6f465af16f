"""Numbers, levels and places in words: what reports, pictures and pages share."""

import math
from collections.abc import Sequence
from decimal import ROUND_FLOOR, Decimal
from typing import Any

from linkcalc.link.result import Assumption, Contributor, Direction, LinkResult, PathFacts, VerdictWord
from linkcalc.plan.assumptions import still_the_starters
from linkcalc.views.link_words import VERDICTS

VERDICT_WORDS: dict[VerdictWord, str] = {verdict: words.upper() for verdict, words in VERDICTS.items()}
VERDICTS_IN_TEXT = {verdict: words.lower() for verdict, words in VERDICTS.items()}


def distance_words(distance_m: float) -> str:
    """Return a distance with three figures or so: metres below 1 km, kilometres from there."""
    if not math.isfinite(distance_m):
        return "unknown"
    if abs(distance_m) < 9.95:
        return f"{rounded(distance_m, 1)} m"
    if abs(distance_m) < 999.5:
        return f"{rounded(distance_m, 0)} m"
    return f"{rounded(distance_m / 1000.0, 2 if abs(distance_m) < 9995.0 else 1)} km"


def height_words(height_m: float) -> str:
    """Return a height or a clearance in metres, with one decimal below 10 m."""
    return f"{rounded(height_m, 1 if abs(height_m) < 9.95 else 0)} m"


def decibel_words(value_db: float, unit: str = "dB") -> str:
    """Return a level or ratio to a tenth of a decibel."""
    return f"{rounded(value_db, 1)} {unit}" if math.isfinite(value_db) else "n/a"


def required_margin_words(required_db: float) -> str:
    """Return a required margin; an infinite one is a success that no margin reaches."""
    return decibel_words(required_db) if math.isfinite(required_db) else "more than any"


def weaker_direction(link: LinkResult) -> Direction:
    """Return the direction that has least over, or lacks most of, what is asked of it."""
    return min(link.directions, key=lambda d: (d.fade_margin_db - d.required_margin_db, d.fade_margin_db))


def largest_contributors(directions: Sequence[Direction], most: int) -> list[Contributor]:
    """Return what makes a link's margins most uncertain, each as in the direction where it does most."""
    by_name: dict[str, Contributor] = {}
    for c in (c for d in directions for c in d.uncertainty):
        if c.name not in by_name or by_name[c.name].sigma_db < c.sigma_db:
            by_name[c.name] = c
    return sorted(by_name.values(), key=lambda c: -c.sigma_db)[:most]


def path_words(link: LinkResult) -> str:
    """Say in short what path and signal a link has."""
    facts = [distance_words(link.path.distance_m)]
    if math.isfinite(link.path.azimuth_deg):
        facts.append(f"azimuth {rounded(link.path.azimuth_deg, 0)}°")
    return ", ".join([*facts, f"{trimmed(link.frequency_hz / 1e6, 4)} MHz", link.signal])


def ratio_words(ratio: float) -> str:
    """Return a share of the first Fresnel zone with two figures."""
    if not math.isfinite(ratio):
        return "n/a"
    return rounded(ratio, 2 if abs(ratio) < 0.995 else 1 if abs(ratio) < 9.95 else 0)


def probability_words(probability: float, unit: str = " %") -> str:
    """Return a probability in percent with no more digits than it deserves, and never 100 %."""
    if not math.isfinite(probability):
        return "n/a"
    # a hair above 0.999: what is 0.999 but for its binary fraction still prints as 99.9
    if probability > 0.9990000001:
        return f">99.9{unit}"
    if probability < 0.001:
        return f"<0.1{unit}"
    return f"{rounded(100.0 * probability, 0 if 0.0995 <= probability < 0.9 else 1)}{unit}"


def clearance_words(path: PathFacts, clearance_m: float) -> str:
    """Say how the worst point stands to the ray: what it is, and how far into or below it."""
    what = "terrain" if path.worst_obstacle == "ground" else path.worst_obstacle
    if clearance_m < 0:
        return f"{what} {height_words(-clearance_m)} above the line of sight"
    return f"{what} {height_words(clearance_m)} below the line of sight"


def worst_clearance_m(link: LinkResult) -> float:
    """Return the height of the ray over the worst point for the median k, m (negative: blocked)."""
    drawing, where = link.drawing, link.path.worst_clearance_distance_m
    i = min(range(len(drawing.distance_m)), key=lambda n: abs(float(drawing.distance_m[n]) - where))
    top = drawing.ground_m[i] + drawing.bulge_m[i] + drawing.clutter_m[i]
    return float(drawing.ray_m[i] - top)


Rows = list[tuple[str, list[str]]]
"""Of a table: what is told, and what of it for each direction or station."""


def counted(number: int, thing: str) -> str:
    """Return a number of things."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def upper_first(words: str) -> str:
    return words[:1].upper() + words[1:]


def rounded(value: float, decimals: int) -> str:
    """Return a number rounded half up."""
    # Half up in decimals, as the budget does: 2.15 is no binary fraction, and "-0.0" no figure to print.
    half_up = (Decimal(f"{value:.9g}").scaleb(decimals) + Decimal("0.5")).to_integral_value(ROUND_FLOOR)
    text = f"{half_up.scaleb(-decimals):.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


RESTS_ON = {
    "messages": ("message",),
    "tank": ("tank", "engine", "message"),
    "energy": ("power", "message"),
}
"""The plan's tables that an answer besides the link's rests on."""


def starter_words(assumed: Sequence[Assumption], section: str = "") -> str:
    """Name the values that are still the starter's, of one of `RESTS_ON` or of all; empty where there are none."""
    by_table: dict[str, list[str]] = {}
    for a in still_the_starters(assumed):
        table, key = table_and_key(a.key)
        if not section or a.key.replace(".", " ").split()[0] in RESTS_ON[section]:
            by_table.setdefault(table, []).append(f"{key} = {value_words(a.value)}")
    if not by_table:
        return ""
    values = "; ".join(f"{table} {', '.join(keys)}".strip() for table, keys in by_table.items())
    return f"Still the starter's values, not yours: {values}. Put yours in their place."


def table_and_key(key: str) -> tuple[str, str]:
    """Return which table of the plan an assumption is of, in words, and the rest of its key."""
    table, _, rest = key.rpartition(" " if " " in key else ".")
    return table, rest


def assumption_lines(assumed: Sequence[Assumption]) -> list[str]:
    """Return what was assumed, a line for each source."""
    by_source: dict[str, dict[str, list[str]]] = {}
    for a in assumed:
        table, _, key = a.key.rpartition(" ")
        by_source.setdefault(a.source, {}).setdefault(table, []).append(f"{key} = {value_words(a.value)}")
    return [
        f"{source}: " + "; ".join(f"{table} {', '.join(keys)}".strip() for table, keys in by_table.items())
        for source, by_table in by_source.items()
    ]


def likely_words(direction: Direction) -> str:
    low, high = direction.fade_margin_interval_db
    if not (math.isfinite(low) and math.isfinite(high)):
        return "n/a"
    return f"{rounded(low, 0)} to {rounded(high, 0)} dB"


def value_words(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(value)


def time_words(seconds: float) -> str:
    return f"{rounded(seconds * 1e3, 0)} ms" if seconds < 0.9995 else f"{rounded(seconds, 2)} s"


def interval_words(seconds: float) -> str:
    """Return an interval in its largest fitting unit; days from two on."""
    if seconds == 86_400.0:
        return "1 day"
    for size, unit, least in ((86_400.0, "days", 2.0), (3_600.0, "h", 1.0), (60.0, "min", 1.0)):
        if seconds >= least * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"


def trimmed(value: float, decimals: int = 2) -> str:
    """Return a number without zeros at its end."""
    return f"{value:.{decimals}f}".rstrip("0").rstrip(".")

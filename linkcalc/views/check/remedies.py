"""Remedies, parts and money in words."""

from collections.abc import Iterator, Sequence
from typing import Unpack

from linkcalc.link.parts_list import Bill
from linkcalc.link.result import Advice, Change, LinkResult, Part, Remedy
from linkcalc.views.jsonout import rows_csv
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import decibel_words, distance_words, rounded, time_words, trimmed

EXAMPLES = "Example prices are invented: put in yours under [prices]."

_ITEMS = {
    "radio": "radio",
    "connector": "connectors",
    "arrestor": "lightning arrestor, earthed",
    "climb": "work at the antenna",
    "noise_suppression": "engine noise suppression: ferrites, resistor plugs and leads",
    "laying": "cable laid and protected",
    "felling": "trees felled",
    "panel": "solar panel with charger",
    "relay_supply": "panel, battery, charger and box",
}
_MASTS = {"mast": "mast", "mast_longer": "taller mast, what it costs more"}


def money(amount: float, currency: str = "") -> str:
    """Return an amount without cents where there are none."""
    words = f"{amount:,.2f}".removesuffix(".00")
    return f"{words} {currency}".rstrip()


def part_words(part: Part) -> str:
    """Return what a part is, without how many."""
    kind = part.what.replace("_", " ")
    if part.item == "antenna":
        gain = "" if part.size is None else f" of {trimmed(part.size)} dBi"
        return f"antenna, {kind}{gain}"
    if part.item in _MASTS and part.size is not None:
        return f"{_MASTS[part.item]}, {trimmed(part.size)} m"
    if part.item == "feeder":
        return f"feeder, {'by its loss' if part.what == 'none' else kind}"
    if part.item == "battery" and part.size is not None:
        return f"battery, {kind}"
    if part.item == "storage":
        return f"battery behind the panel, {kind}"
    return _ITEMS[part.item]


def quantity_words(part: Part) -> str:
    """Return how much or how many."""
    if part.unit == "piece":
        return trimmed(part.quantity)
    amount = rounded(part.quantity, 0 if part.quantity >= 20 else 1).removesuffix(".0")
    return f"{amount} {part.unit}"


def changes_words(remedy: Remedy) -> str:
    """Return all that a remedy changes, station by station, in one line."""
    if (relay := remedy.relay) is not None:
        spot = f"{relay.latitude_deg:.6f}, {relay.longitude_deg:.6f}"
        cables = [f"{quantity_words(p)} of {_cable(p.what)}" for p in remedy.parts if p.item == "feeder"]
        tries = f", up to {relay.tries} tries of a message on each hop" if relay.tries else ""
        return (
            f"a relay {distance_words(relay.distance_m)} along the path, at {spot}, on a "
            f"{trimmed(relay.height_m)} m mast, feeder {cables[0] if cables else 'none'}{tries}; its weaker hop"
        )
    groups: dict[str, list[str]] = {}
    for place, words in _changes(remedy):
        groups.setdefault(place, []).append(words)
    both = groups.pop("", [])
    lines = [", ".join(both)] if both else []
    lines += [f"{place}: {', '.join(words)}" for place, words in groups.items()]
    return "; ".join(lines)


def _changes(remedy: Remedy) -> Iterator[tuple[str, str]]:
    by_key = {(c.name, c.key): c for c in remedy.changes}
    parts: dict[tuple[str, str], Part] = {(p.station, p.item): p for p in remedy.parts}
    for c in remedy.changes:
        if c.table == "link":
            yield "", _link_words(c, parts)
    for name in dict.fromkeys(c.name for c in remedy.changes if c.table == "station"):
        assert name is not None
        mine = {key: c for (station, key), c in by_key.items() if station == name}
        if (laid := parts.get((name, "laying"))) is not None:
            spot = [mine[k].value for k in ("latitude_deg", "longitude_deg") if k in mine]
            to = f" to {spot[0]:.6f}, {spot[1]:.6f}" if len(spot) == 2 else ""
            yield name, f"antenna moved {distance_words(laid.quantity)}{to}, with its cable"
        if "antenna_height_m" in mine:
            c = mine["antenna_height_m"]
            yield name, f"antenna at {trimmed(c.value)} m instead of {trimmed(c.before)} m"
        if (antenna := parts.get((name, "antenna"))) is not None:
            polarised = mine.get("antenna.polarisation")
            extra = f", {polarised.value}" if polarised is not None and polarised.value else ""
            yield name, f"a {antenna.what.replace('_', ' ')} of {trimmed(antenna.size or 0.0)} dBi{extra}"
        elif any(key.startswith("antenna.") for key in mine):
            yield name, "antenna turned to the other station"
        yield from ((name, words) for words in _feeder_words(mine, parts.get((name, "feeder"))))
        if "noise_rise_db" in mine:
            c = mine["noise_rise_db"]
            yield name, f"engine noise suppressed ({trimmed(c.before)} dB; measure it afterwards)"
        if "building" in mine:
            yield name, "antenna outside the building"
        if "extra_loss" in mine:
            yield name, f"repaired: {', '.join(x['reason'] for x in mine['extra_loss'].before or ())}"
        if "transmit_power_dbm" in mine:
            c = mine["transmit_power_dbm"]
            law = ", then the legal limit" if c.value < c.before else ""
            yield name, f"power {trimmed(c.value)} dBm instead of {trimmed(c.before)}{law}"


def _feeder_words(mine: dict[str, Change], part: Part | None) -> Iterator[str]:
    kind, length = mine.get("feeder.type"), mine.get("feeder.length_m")
    if kind is not None and part is not None:
        yield f"feeder of {trimmed(part.quantity)} m {_cable(kind.value)} instead of {_cable(kind.before)}"
    elif length is not None:
        yield f"its feeder {trimmed(length.value)} m long"


def _cable(name: str | None) -> str:
    return (name or "none").replace("_", " ")


def _link_words(change: Change, parts: dict[tuple[str, str], Part]) -> str:
    value, before = change.value, change.before
    match change.key:
        case "modulation.spreading_factor":
            return f"spreading factor {value} instead of {before}"
        case "modulation.bandwidth_khz":
            return f"bandwidth {trimmed(value)} kHz instead of {trimmed(before)} (stable crystals)"
        case "tries":
            return f"up to {value} tries instead of {before}"
        case "obstacle":
            felled = next(p for (_, item), p in parts.items() if item == "felling")
            return f"{trimmed(felled.quantity)} m of trees felled {distance_words(felled.size or 0.0)} along the path"
        case _:
            return f"{change.key} {value} instead of {before}"


def advice_words(a: Advice) -> str:
    """Return the margin that one change alone brings, and whether it is enough; empty where that is not known."""
    if a.fade_margin_db is None:
        return ""
    return f"{decibel_words(a.fade_margin_db)}, {'enough' if a.sufficient else 'not enough alone'}"


def effect_words(remedy: Remedy) -> str:
    """Return what a remedy brings, and what it takes of battery and channel."""
    # weaker by what is asked of it, as everywhere: the direction with less margin may also need less
    weaker = min(range(2), key=lambda way: remedy.fade_margins_db[way] - remedy.required_margins_db[way])
    words = (
        f"{rounded(remedy.fade_margins_db[weaker], 1)} of {decibel_words(remedy.required_margins_db[weaker])}"
    )
    if remedy.energy_ratio > 1.05:
        up_to = "up to " if "tries" in remedy.kinds else ""
        ratio = rounded(remedy.energy_ratio, 0 if remedy.energy_ratio >= 9.5 else 1)
        words += f"; {time_words(max(remedy.time_on_air_s))} on air, {up_to}{ratio} times the energy"
    return words


def parts_words(parts: Sequence[Part], currency: str) -> str:
    words = []
    for p in parts:
        amount = "" if p.unit == "piece" and p.quantity == 1.0 else f"{quantity_words(p)} "
        words.append(f"{amount}{part_words(p)} ({p.station}) {money(p.cost, currency)}")
    return "; ".join(words)


def cost_words(remedy: Remedy) -> str:
    """Return what a remedy costs; what rests on examples is said to."""
    if not remedy.parts:
        return "settings only"
    return money(remedy.cost, remedy.currency) + ("" if remedy.prices_stated else " (example prices)")


def short_words(link: LinkResult) -> str:
    """Return the cheapest remedy of a link and its cost, in one line; empty where there is none."""
    if not link.remedies:
        return ""
    best = link.remedies[0]
    return f"{cost_words(best)}: {changes_words(best)}"


def show_remedies(page: Page, link: LinkResult, links: Sequence[LinkResult], *, parts: bool) -> None:
    """Print what closes a link, one of all links of a result."""
    if not parts:
        page.wrap("Closes with, cheapest first (margin of that required):", indent=2)
    for number, remedy in enumerate(link.remedies, 1):
        words = f"{number}. {cost_words(remedy)}: {changes_words(remedy)} ({effect_words(remedy)})."
        page.wrap(words, indent=2, hanging=5)
        if parts and remedy.parts:
            page.wrap(f"Parts: {parts_words(remedy.parts, remedy.currency)}.", indent=5)
    if words := alike_words(link, links):
        page.wrap(words, indent=2)


def alike_words(link: LinkResult, links: Sequence[LinkResult]) -> str:
    """Return what to know of a radio with several links whose signal a remedy sets otherwise; empty where none does."""
    others = {name for k in links if k is not link for d in k.directions for name in (d.from_, d.to)}
    shared = [name for name in (link.directions[0].from_, link.directions[0].to) if name in others]
    if not shared or not any({"spreading_factor", "bandwidth"} & set(r.kinds) for r in link.remedies):
        return ""
    return (
        f"{' and '.join(shared)}: a radio that hears one spreading factor and bandwidth at a time needs them alike on "
        "all its links; set the others too, and check again."
    )


def bill_csv(bill: Bill) -> str:
    """Return the parts of a plan as CSV: one row a part, no sums."""
    return rows_csv(
        {
            "station": p.station,
            "item": p.item,
            "type": p.what,
            **{name: getattr(p, name) for name in ("size", "quantity", "unit", "unit_price", "cost")},
            "currency": bill.currency,
            "price_from": "plan" if p.price_stated else "example",
        }
        for p in bill.parts
    )


def bill_cells(p: Part) -> list[str]:
    """Return a part with how much, price and cost; an example price is marked."""
    mark = "" if p.price_stated else " *"
    return [part_words(p), quantity_words(p), f"{p.unit_price:,.4g}", money(p.cost) + mark]


def bill_report(bill: Bill, title: str, **screen: Unpack[Screen]) -> str:
    page = Page(**screen, least=60)
    page.wrap(title, bold=True)
    widths = [page.width - 2 - 34, 12, 10, 12]
    station = ""
    for p in bill.parts:
        if p.station != station:
            station = p.station
            page.heading(station)
            page.row(["", "quantity", "each", "cost"], widths)
        page.row(bill_cells(p), widths)
    page.blank()
    page.row(["Together", "", "", money(bill.cost, bill.currency)], [page.width - 2 - 24, 1, 1, 22])
    if not bill.prices_stated:
        page.fact(f"* {EXAMPLES}")
    page.wrap(
        "Counted from the plan. Not in it: floats and watchdog wired to the engine, earthing, enclosures, travel "
        "and hours that the list has no line for. Masts, mains and earthing are for licensed people under local "
        "codes.",
        indent=2,
    )
    return page.text()

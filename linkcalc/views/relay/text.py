"""Where a relay would go, in words: the best spots, what limits them, and what comes with a relay."""

import math
from collections.abc import Iterator
from typing import Unpack

from linkcalc.area.relay.result import Chain, HopCheck, Place, RelaySiting
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import VerdictWord
from linkcalc.link.verdict import CAUTIONS
from linkcalc.plan import Station
from linkcalc.plan.links import MOST_TRIES
from linkcalc.terrain.geodesy import position_text
from linkcalc.views.coverage.text import percent
from linkcalc.views.link_words import LACKING, lack_words
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import (
    VERDICTS_IN_TEXT,
    decibel_words,
    distance_words,
    height_words,
    probability_words,
    required_margin_words,
    rounded,
    time_words,
    value_words,
)

_COLUMNS = (28, 8, 9, 9, 9, 15)
_LEAST_OFF_DB = 0.05
_HOPS = {2: "two", 3: "three"}


def relay_report(result: RelaySiting, **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    page.wrap(headline(result), bold=True)
    if result.title:
        page.wrap(result.title)
    page.wrap(
        f"Link {result.link.name}, {result.link.from_} to {result.link.to}, "
        f"{result.link.frequency_mhz:g} MHz, {result.signal}. {direct_words(result)}"
    )
    page.heading("Spots for one relay, the best first")
    page.row(["", "ground", "hop 1", "hop 2", "message", "verdict"], _COLUMNS)
    for number, chain in enumerate(result.spots, start=1):
        _spot(page, number, chain)
    page.wrap(
        f"Hop 1 ends at {result.link.from_}, hop 2 at {result.link.to}. Fade margins of the weaker "
        f"direction; message: passes every hop, weaker way. Spots are at least "
        f"{distance_words(result.apart_m)} apart, ranked by the hop with least to spare.",
        indent=2,
    )
    page.wrap(each_hop_words(result, result.spots[0]), indent=2)
    if result.search is not None:
        _two(page, result)
    page.heading("The relay")
    page.item(relay_words(result.relay))
    for a in result.assumed:
        page.item(f"assumed: {a.key.removeprefix('relay ')} {value_words(a.value)} ({a.source})")
    page.items("The area", area_lines(result))
    page.items("What a relay needs", burdens(result))
    page.items("Notes", notes(result))
    return page.text()


def headline(result: RelaySiting) -> str:
    link = f"{result.link.from_} – {result.link.to}"
    best = result.best
    many = "a relay" if len(best.relays) == 1 else "two relays"
    if best.verdict == "closes":
        words = f"{many} would do, {spare_words(best.weaker)}"
        if len(best.relays) == 2:
            words = f"no spot for one relay closes; {words}"
        if result.direct.verdict == "closes":
            words = f"closes without a relay; with one at its best, {spare_words(best.weaker)}"
        return f"Relay for {link}: {words}"
    tried = "one or two relays" if result.search is not None else "one relay"
    each = result.required_of_each_hop(best)
    if not each.reachable:
        spoilt = f"with tries = {each.tries}: {_spoilt_words(each)}"
        return f"Relay for {link}: no spot for {tried} closes {spoilt}"
    word, spare = _is_words(best.verdict), f"{spare_words(best.weaker)}{_capped(best)}"
    return f"Relay for {link}: no spot for {tried} closes; the best {word}, {spare}"


def _is_words(verdict: VerdictWord) -> str:
    return f"{'is ' if verdict == 'at_risk' else ''}{VERDICTS_IN_TEXT[verdict]}"


def _capped(chain: Chain) -> str:
    """Why a chain is at risk that has the margin, where no more than a hint fits."""
    capped = chain.verdict != "closes" and chain.weaker.spare_db >= 0.0
    return ", but a hop is at risk whatever its margin: see the notes" if capped else ""


def _spoilt_words(each: Requirement) -> str:
    """Why no margin suffices, and what does."""
    remedy = "choose a quieter channel"
    if each.least_tries <= MOST_TRIES:
        remedy = f"set tries to {each.least_tries} or more, and run again"
    return f"other users of the channel alone spoil more of the messages than each hop may lose; {remedy}"


def each_hop_words(result: RelaySiting, chain: Chain) -> str:
    """What is required of each hop of a chain, and of the link."""
    each, hops = result.required_of_each_hop(chain), _HOPS[len(chain.hops)]
    words = (
        f"Each of {hops} hops is required to bring {_share_words(each.success)} of the messages at "
        f"{_share_words(each.confidence)} of such sites: together that is the "
        f"{_share_words(result.link.required_success)} at {_share_words(result.link.confidence)} required of the link."
    )
    if each.tries == result.link.tries:
        return words
    return (
        f"{words} Assumed: up to {each.tries} tries of a message on each hop, as other users of the channel spoil "
        "more of single tries than a hop may lose, and the plan states none. Set the radios so."
    )


def _share_words(share: float) -> str:
    """A share near one in percent, with two figures of what it leaves."""
    digits = max(1 - math.floor(math.log10(100.0 * (1.0 - share))), 0)
    return f"{round(100.0 * share, digits):.12g} %"


def spare_words(hop: HopCheck) -> str:
    """How a hop stands to what is required of it."""
    asked = required_margin_words(hop.weaker.required_margin_db)
    if not math.isfinite(hop.spare_db):
        return f"with {decibel_words(hop.margin_db)} in the weaker hop where {asked} is required"
    if hop.spare_db >= 0.0:
        return f"the weaker hop {decibel_words(hop.spare_db)} over the {asked} required"
    return f"the weaker hop {LACKING.format(spare=lack_words(-hop.spare_db), required=asked)}"


def direct_words(result: RelaySiting) -> str:
    direct = result.direct
    words = (
        f"Without a relay it {_is_words(direct.verdict)}: "
        f"{decibel_words(direct.margin_db)} of fade margin over {distance_words(direct.path.distance_m)}"
    )
    return f"{words}, so that none is needed." if direct.verdict == "closes" else f"{words}."


def relay_words(relay: Station) -> str:
    a = relay.antenna
    stated = [f"{v:g} {unit}" for v, unit in ((a.gain_dbi, "dBi"), (a.gain_dbd, "dBd")) if v is not None]
    antenna = " ".join([a.type.replace("_", " "), *stated])
    f = relay.feeder
    feeder = f", {f.length_m:g} m of {f.type}" if f.length_m else ""
    return (
        f"{antenna}, {a.polarisation}, {height_words(relay.antenna_height_m)} above ground{feeder}; "
        f"{relay.transmit_power_dbm:g} dBm; noise figure {relay.noise_figure_db:g} dB"
    )


def place_words(place: Place) -> str:
    slope = f"slope {rounded(place.slope_deg, 0)}°" if math.isfinite(place.slope_deg) else "slope unknown"
    track = "" if place.track_m is None else f", {distance_words(place.track_m)} from a track"
    return f"{slope}{track}"


def area_lines(result: RelaySiting) -> Iterator[str]:
    total = int(result.area.sum())
    yield (
        f"{total} cells of {result.grid.cell_m:g} m within {distance_words(result.radius_m)} of the middle "
        "of the link, each with its own full terrain profiles to both ends and the model of a check"
    )
    for words, cells in result.allowed.steps:
        yield f"{words}: {cells} cells left"
    all_km2 = max(result.cells, 1) * result.grid.cell_m**2 / 1e6
    shares = ", ".join(
        f"{words} {percent(result.area_km2(verdict) / all_km2)}"
        for verdict, words in VERDICTS_IN_TEXT.items()
    )
    yield f"over one relay the link, of the {result.cells} cells with an answer: {shares}"


def burdens(result: RelaySiting) -> Iterator[str]:
    direct, hops = result.direct.directions, _HOPS[len(result.best.hops)]
    forward, return_ = result.best.time_on_air_s
    yield (
        f"Air time: a message is sent once on each of {hops} hops, {time_words(forward)} forward instead of "
        f"{time_words(direct[0].time_on_air_s)}, and {time_words(return_)} on the return instead of "
        f"{time_words(direct[1].time_on_air_s)}; it comes later by that at least. The relay keeps its own "
        "share of any duty limit."
    )
    yield "A relay needs power of its own through the darkest month, and someone to look after it."
    yield (
        f'It is one more thing that can fail: "stop" has to pass {hops} hops, and is lost if one of them is '
        "down. What it controls has to be safe when nothing is heard."
    )


def notes(result: RelaySiting) -> Iterator[str]:
    off = max((c.off_db for c in (*result.spots, *([result.two] if result.two else []))), default=0.0)
    agree = f"to {decibel_words(off)}" if off >= _LEAST_OFF_DB else "to a tenth of a decibel"
    yield f"Every spot listed was checked in full, and agrees with its cell {agree}."
    yield "Messages pass hop by hop with the hops' uncertainties taken as independent; in truth hops share the weather."
    yield f"Heights from {', '.join(result.sources)}."
    yield from result.notes
    yield "A prediction, not a measurement: take readings on the spot, to both ends, before you build."
    yield CAUTIONS[0]
    yield CAUTIONS[2]


def _spot(page: Page, number: int, chain: Chain) -> None:
    place, margins = chain.relays[0], [decibel_words(hop.margin_db) for hop in chain.hops]
    found = [*margins, probability_words(min(chain.success)), VERDICTS_IN_TEXT[chain.verdict]]
    page.row([*_place_cells(number, place), *found], _COLUMNS)
    first, second = (distance_words(hop.path.distance_m) for hop in chain.hops)
    page.wrap(f"{first} and {second}; {place_words(place)}", indent=5)


def _place_cells(number: int, place: Place) -> list[str]:
    where = position_text(place.latitude_deg, place.longitude_deg)
    return [f"{number:<3}{where}", f"{rounded(place.ground_m, 0)} m"]


def _two(page: Page, result: RelaySiting) -> None:
    chain, search = result.two, result.search
    page.heading("Two relays in a row")
    if chain is None or search is None:
        page.wrap("No two cells have a path between them and to their ends.", indent=2)
        return
    page.row(["", "ground", "", "", "", ""], _COLUMNS)
    for number, place in enumerate(chain.relays, start=1):
        page.row([*_place_cells(number, place), "", "", "", ""], _COLUMNS)
        page.wrap(place_words(place), indent=5)
    hops = "; ".join(
        f"{hop.from_} to {hop.to}, {distance_words(hop.path.distance_m)}: {decibel_words(hop.margin_db)}"
        for hop in chain.hops
    )
    page.wrap(f"{hops}.", indent=2)
    each = result.required_of_each_hop(chain)
    why = f", {spare_words(chain.weaker)}{_capped(chain)}" if each.reachable else f": {_spoilt_words(each)}"
    page.wrap(
        f"The chain {_is_words(chain.verdict)}{why}; a message passes with {probability_words(min(chain.success))}.",
        indent=2,
    )
    page.wrap(each_hop_words(result, chain), indent=2)
    page.wrap(
        f"A search, not all pairs: {search.candidates[0]} and {search.candidates[1]} candidates, "
        f"{search.pairs_tried} pairs of them computed; then from the best {search.starts} on one relay at a "
        f"time moved over all cells that could be better ({search.cells_tried} hops). A better pair may "
        "exist.",
        indent=2,
    )

"""The whole plan: sections and the rules between them."""

from collections.abc import Iterable, Iterator
from itertools import chain
from typing import Literal, Self

from pydantic import model_validator

from linkcalc.errors import nearest, quoted
from linkcalc.plan.base import (
    ONE_LINE,
    STARTER,
    UNITS,
    Section,
    element,
    given,
    name_twice,
    optional,
    plain,
    repeated,
    unknown,
)
from linkcalc.plan.control import Engine, Message, Tank
from linkcalc.plan.links import Link
from linkcalc.plan.power import Exposure, PowerSupply, Regulation
from linkcalc.plan.prices import Prices
from linkcalc.plan.stations import AntennaChoice, FeederChoice, Station
from linkcalc.plan.surroundings import FOLIAGE_KEYS, Conditions, Terrain


class Plan(Section):
    """A validated plan file."""

    title: str = plain(
        "", "what this plan is about, one line; printed at the top", max_length=200, pattern=ONE_LINE
    )
    starter: bool = STARTER
    units: Literal["metric", "us"] = UNITS
    station: list[Station] = given("the stations, two or more", min_length=2, max_length=1000)
    link: list[Link] = given("the links, one or more", min_length=1, max_length=1000)
    terrain: Terrain = plain(Terrain(), "where the heights come from")
    conditions: Conditions = plain(Conditions(), "what the path is judged under")
    regulation: Regulation = plain(Regulation(), "whose legal limits the transmitters must keep")
    exposure: Exposure = plain(Exposure(), "how far people should stay from an antenna")
    power: list[PowerSupply] = plain([], "what a station draws, and from what", max_length=1000)
    message: list[Message] = plain([], "what is sent over the links", max_length=1000)
    tank: Tank | None = optional("the tank that is filled over a link")
    engine: Engine | None = optional("the engine that fills it")
    prices: Prices = plain(Prices(), "what parts and work cost; default: invented examples")

    antenna_choice: list[AntennaChoice] = plain(
        [], "antennas at hand, for the field sheet to choose from; default: the generic types", max_length=12
    )
    feeder_choice: list[FeederChoice] = plain(
        [], "feeders at hand, for the field sheet to choose from; default: those of the plan", max_length=12
    )

    @model_validator(mode="after")
    def _sections_agree(self) -> Self:
        # the first fault alone: those behind it may follow from it
        faults = chain(_name_faults(self), _station_faults(self), _message_faults(self), _tank_faults(self))
        fault = next(faults, None)
        if fault is not None:
            raise ValueError(fault)
        return self

    def idle_keys(self) -> Iterable[str]:
        used = {name for link in self.link for name in (link.from_, link.to)}
        for index, station in enumerate(self.station):
            if station.name not in used:
                yield element("station", index, station.name)
        # the sensor is at the end that reports; at the others its figures count for nothing
        reporting = {link.from_ for link in self.link}
        for index, supply in enumerate(self.power):
            if supply.station not in reporting:
                yield from (
                    f"{element('power', index, supply.station)} sensor_{k}"
                    for k in ("current_ma", "warm_up_s")
                )
        for kind, choices in (("antenna_choice", self.antenna_choice), ("feeder_choice", self.feeder_choice)):
            # a check does not look at them; the field sheet says what each rests on
            yield from (element(kind, index, choice.name) for index, choice in enumerate(choices))
        if all(link.profile_csv for link in self.link):
            yield "terrain"
        along = any(link.profile_csv or any(o.kind == "trees" for o in link.obstacle) for link in self.link)
        if not (self.conditions.woodland_depth_m or self.terrain.shows_trees or along):
            yield from FOLIAGE_KEYS

    def station_named(self, name: str) -> Station:
        """Return the station of that name (the validator made sure of it)."""
        return next(s for s in self.station if s.name == name)


def reporting_message(plan: Plan) -> Message | None:
    """Return the message that reports the tank's level, None if nothing does so periodically."""
    periodic = [m for m in plan.message if m.interval_s is not None]
    if plan.tank is not None and plan.tank.report is not None:
        return next((m for m in periodic if m.name == plan.tank.report), None)
    # a run permit reports the level too, and the engine hangs on it
    kinds = ("run_permit", "level_report")
    return next((m for kind in kinds for m in periodic if m.kind == kind), None)


def event_message(plan: Plan, kind: Literal["start", "stop"]) -> Message | None:
    """Return the message that is sent when the start or stop level is passed, None if none is.

    It has to go the way of the report, where there is one.
    """
    report = reporting_message(plan)
    way = None if report is None else (report.link, _sender(plan, report))
    for message in plan.message:
        same = way in (None, (message.link, _sender(plan, message)))
        if message.kind == kind and message.interval_s is None and same:
            return message
    return None


def _sender(plan: Plan, message: Message) -> str:
    return message.sender or _link(plan, message).from_


def _link(plan: Plan, message: Message) -> Link:
    return next(link for link in plan.link if link.name == message.link)


def _name_faults(plan: Plan) -> Iterator[str]:
    for kind, named in (
        ("station", plan.station),
        ("link", plan.link),
        ("antenna choice", plan.antenna_choice),
        ("feeder choice", plan.feeder_choice),
    ):
        yield from name_twice(kind, [one.name for one in named])


def _station_faults(plan: Plan) -> Iterator[str]:
    """Stations that links and supplies name, but the plan has not."""
    stations = [s.name for s in plan.station]
    for index, link in enumerate(plan.link):
        for end, name in (("from", link.from_), ("to", link.to)):
            if name not in stations:
                yield unknown(f"{element('link', index, link.name)} {end}", name, "station", stations)
    supplied = [supply.station for supply in plan.power]
    for index, name in enumerate(supplied):
        if name not in stations:
            yield unknown(f"{element('power', index, None)} station", name, "station", stations)
    if (twice := repeated(supplied)) is not None:
        yield f"two [[power]] tables are for station {quoted(twice)}"


def _message_faults(plan: Plan) -> Iterator[str]:
    yield from name_twice("message", [m.name for m in plan.message])
    links = [link.name for link in plan.link]
    for index, message in enumerate(plan.message):
        place = element("message", index, message.name)
        if message.link not in links:
            yield unknown(f"{place} link", message.link, "link", links)
            # what follows looks the link up by its name
            return
        ends = [_link(plan, message).from_, _link(plan, message).to]
        if message.sender is not None and message.sender not in ends:
            yield (
                f"{place} sender = {quoted(message.sender)} is not an end of link {quoted(message.link)};"
                f" its ends are {quoted(ends[0])} and {quoted(ends[1])}"
            )


def _tank_faults(plan: Plan) -> Iterator[str]:
    tank, engine = plan.tank, plan.engine
    if tank is None or engine is None:
        if engine is not None:
            yield "engine stands without [tank]: add the tank it fills"
        elif tank is not None:
            yield "tank needs [engine]: its watchdog, warm-up and cool-down decide how far it overruns"
        return
    report = reporting_message(plan)
    if tank.report is not None and report is None:
        periodic = [m.name for m in plan.message if m.interval_s is not None]
        known = f"did you mean {nearest(tank.report, periodic)}?" if periodic else "there is none"
        yield f"tank.report = {quoted(tank.report)} is not a message with an interval_s; {known}"
    if report is None and not (event_message(plan, "start") and event_message(plan, "stop")):
        yield (
            "tank needs a message that reports its level:"
            ' add [[message]] with kind = "run_permit" and interval_s'
        )
    interval_s = None if report is None else report.interval_s
    name = "" if report is None else quoted(report.name)
    if interval_s is not None and interval_s < 5.0:
        yield f"message {name} interval_s = {interval_s:g} is too short for a tank's report: give 5 s or more"
    if engine.watchdog_s is not None and interval_s is None:
        yield (
            "engine.watchdog_s needs a message that is sent periodically: add [[message]] with"
            ' kind = "run_permit" and interval_s'
        )
    elif engine.watchdog_s is not None and interval_s is not None and engine.watchdog_s < interval_s:
        yield (
            f"engine.watchdog_s = {engine.watchdog_s:g} is shorter than interval_s = {interval_s:g} of message"
            f" {name}: the engine would stop between any two; make it {3 * interval_s:g}, three intervals"
        )

"""The whole plan: sections and the rules between them."""

from collections.abc import Iterable
from typing import Literal, Self

from pydantic import model_validator

from linkcalc.plan.base import ONE_LINE, Section, given, optional, plain, shown_units, starters
from linkcalc.plan.control import Engine, Message, Tank
from linkcalc.plan.links import Link
from linkcalc.plan.power import Exposure, PowerSupply, Regulation
from linkcalc.plan.prices import Prices
from linkcalc.plan.stations import AntennaChoice, FeederChoice, Station
from linkcalc.plan.surroundings import Conditions, Terrain
from linkcalc.plan.wording import element, nearest, quoted


class Plan(Section):
    """A validated plan file."""

    title: str = plain(
        "", "what this plan is about, one line; printed at the top", max_length=200, pattern=ONE_LINE
    )
    starter: bool = starters()
    units: Literal["metric", "us"] = shown_units()
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
    def _names_agree(self) -> Self:
        for kind, names in (
            ("station", [s.name for s in self.station]),
            ("link", [k.name for k in self.link]),
            ("antenna choice", [c.name for c in self.antenna_choice]),
            ("feeder choice", [c.name for c in self.feeder_choice]),
        ):
            twice = next((n for n in names if names.count(n) > 1), None)
            if twice is not None:
                raise ValueError(f"two {kind}s are named {quoted(twice)}; names must differ")
        stations = [s.name for s in self.station]
        for index, link in enumerate(self.link):
            for end, name in (("from", link.from_), ("to", link.to)):
                if name not in stations:
                    raise ValueError(
                        f"{element('link', index, link.name)} {end} = {quoted(name)}: unknown station;"
                        f" did you mean {nearest(name, stations)}?"
                    )
        return self

    @model_validator(mode="after")
    def _supplies_have_stations(self) -> Self:
        stations = [s.name for s in self.station]
        for index, supply in enumerate(self.power):
            if supply.station not in stations:
                raise ValueError(
                    f"{element('power', index, None)} station = {quoted(supply.station)}: unknown station;"
                    f" did you mean {nearest(supply.station, stations)}?"
                )
        names = [supply.station for supply in self.power]
        twice = next((n for n in names if names.count(n) > 1), None)
        if twice is not None:
            raise ValueError(f"two [[power]] tables are for station {quoted(twice)}")
        return self

    @model_validator(mode="after")
    def _control_agrees(self) -> Self:
        fault = _control_fault(self)
        if fault is not None:
            raise ValueError(fault)
        return self

    def idle_keys(self) -> Iterable[str]:
        used = {name for link in self.link for name in (link.from_, link.to)}
        for index, station in enumerate(self.station):
            if station.name not in used:
                yield element("station", index, station.name)
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
        foliage = (
            self.conditions.woodland_depth_m
            or self.terrain.canopy_rasters
            or self.terrain.surface_rasters
            or self.terrain.land_cover_rasters
            or any(link.profile_csv or any(o.kind == "trees" for o in link.obstacle) for link in self.link)
        )
        if not foliage:
            yield "conditions.leaf"
            yield "conditions.wet_foliage"

    def station_named(self, name: str) -> Station:
        """Return the station of that name (the validator made sure of it)."""
        return next(s for s in self.station if s.name == name)


def _control_fault(plan: Plan) -> str | None:
    """Return what does not fit between messages, tank, engine and links; None if all does."""
    return _message_fault(plan) or _tank_fault(plan)


def reporting_message(plan: Plan) -> Message | None:
    """Return the message that reports the tank's level, None if nothing does so periodically."""
    periodic = [m for m in plan.message if m.interval_s is not None]
    if plan.tank is not None and plan.tank.report is not None:
        return next((m for m in periodic if m.name == plan.tank.report), None)
    for kind in ("run_permit", "level_report"):
        for message in periodic:
            if message.kind == kind:
                return message
    return None


def event_message(plan: Plan, kind: Literal["start", "stop"]) -> Message | None:
    """Return the message that is sent when the start or stop level is passed, None if none is.

    It has to go the way of the report, where there is one.
    """
    report = reporting_message(plan)
    for message in plan.message:
        same = report is None or (message.link, _sender(plan, message)) == (
            report.link,
            _sender(plan, report),
        )
        if message.kind == kind and message.interval_s is None and same:
            return message
    return None


def _sender(plan: Plan, message: Message) -> str:
    return message.sender or _link(plan, message).from_


def _link(plan: Plan, message: Message) -> Link:
    return next(link for link in plan.link if link.name == message.link)


def _message_fault(plan: Plan) -> str | None:
    names = [m.name for m in plan.message]
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        return f"two messages are named {quoted(twice)}; names must differ"
    links = [link.name for link in plan.link]
    for index, message in enumerate(plan.message):
        place = element("message", index, message.name)
        if message.link not in links:
            return (
                f"{place} link = {quoted(message.link)}: unknown link;"
                f" did you mean {nearest(message.link, links)}?"
            )
        ends = [_link(plan, message).from_, _link(plan, message).to]
        if message.sender is not None and message.sender not in ends:
            return (
                f"{place} sender = {quoted(message.sender)} is not an end of link {quoted(message.link)};"
                f" its ends are {quoted(ends[0])} and {quoted(ends[1])}"
            )
    return None


def _tank_fault(plan: Plan) -> str | None:
    tank, engine = plan.tank, plan.engine
    if tank is None:
        return "engine stands without [tank]: add the tank it fills" if engine is not None else None
    if engine is None:
        return "tank needs [engine]: its watchdog, warm-up and cool-down decide how far it overruns"
    report = reporting_message(plan)
    if tank.report is not None and report is None:
        periodic = [m.name for m in plan.message if m.interval_s is not None]
        known = f"did you mean {nearest(tank.report, periodic)}?" if periodic else "there is none"
        return f"tank.report = {quoted(tank.report)} is not a message with an interval_s; {known}"
    if report is None and not (event_message(plan, "start") and event_message(plan, "stop")):
        return (
            "tank needs a message that reports its level:"
            ' add [[message]] with kind = "run_permit" and interval_s'
        )
    if report is not None and report.interval_s is not None and report.interval_s < 5.0:
        return (
            f"message {quoted(report.name)} interval_s = {report.interval_s:g} is too short for a tank's"
            " report: give 5 s or more"
        )
    if engine.watchdog_s is not None:
        if report is None or report.interval_s is None:
            return (
                "engine.watchdog_s needs a message that is sent periodically: add [[message]] with"
                ' kind = "run_permit" and interval_s'
            )
        if engine.watchdog_s < report.interval_s:
            return (
                f"engine.watchdog_s = {engine.watchdog_s:g} is shorter than interval_s ="
                f" {report.interval_s:g} of message {quoted(report.name)}: the engine would stop"
                f" between any two; make it {3 * report.interval_s:g}, three intervals"
            )
    return None

"""The whole plan: sections and the rules between them."""

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Literal, Self

from pydantic import model_validator

from linkcalc.plan.base import ONE_LINE, Section, given, optional, plain, shown_units, starters
from linkcalc.plan.control import Engine, Message, Tank, control_fault
from linkcalc.plan.links import Link
from linkcalc.plan.power import Exposure, PowerSupply, Regulation
from linkcalc.plan.prices import Prices
from linkcalc.plan.stations import AntennaChoice, FeederChoice, Station
from linkcalc.plan.surroundings import Conditions, Terrain
from linkcalc.plan.wording import element, quoted


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
                    nearest = get_close_matches(name, stations, n=1, cutoff=0.0)[0]
                    raise ValueError(
                        f"{element('link', index, link.name)} {end} = {quoted(name)}: unknown station;"
                        f" did you mean {quoted(nearest)}?"
                    )
        return self

    @model_validator(mode="after")
    def _supplies_have_stations(self) -> Self:
        stations = [s.name for s in self.station]
        for index, supply in enumerate(self.power):
            if supply.station not in stations:
                nearest = get_close_matches(supply.station, stations, n=1, cutoff=0.0)[0]
                raise ValueError(
                    f"{element('power', index, None)} station = {quoted(supply.station)}: unknown station;"
                    f" did you mean {quoted(nearest)}?"
                )
        names = [supply.station for supply in self.power]
        twice = next((n for n in names if names.count(n) > 1), None)
        if twice is not None:
            raise ValueError(f"two [[power]] tables are for station {quoted(twice)}")
        return self

    @model_validator(mode="after")
    def _control_agrees(self) -> Self:
        fault = control_fault(self)
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

"""The whole plan: sections and the rules between them."""

from typing import Self

from pydantic import model_validator

from linkcalc.plan.base import Section, given, plain
from linkcalc.plan.links import Link
from linkcalc.plan.stations import Station
from linkcalc.plan.surroundings import Conditions, Terrain


class Plan(Section):
    """A validated plan file."""

    title: str = plain("", "what this plan is about; printed at the top")
    station: list[Station] = given("the stations, two or more", min_length=2)
    link: list[Link] = given("the links, one or more", min_length=1)
    terrain: Terrain = plain(Terrain(), "where the heights come from")
    conditions: Conditions = plain(Conditions(), "what the path is judged under")

    @model_validator(mode="after")
    def _names_agree(self) -> Self:
        for kind, names in (
            ("station", [s.name for s in self.station]),
            ("link", [k.name for k in self.link]),
        ):
            twice = {n for n in names if names.count(n) > 1}
            if twice:
                raise ValueError(f"two {kind}s are named {sorted(twice)[0]!r}; names must differ")
        stations = [s.name for s in self.station]
        for link in self.link:
            for end in (link.from_, link.to):
                if end not in stations:
                    raise ValueError(
                        f"link {link.name!r} names station {end!r}; stations are: {', '.join(stations)}"
                    )
        return self

    def station_named(self, name: str) -> Station:
        """Return the station of that name (the validator made sure of it)."""
        return next(s for s in self.station if s.name == name)

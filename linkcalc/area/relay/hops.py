"""The hops of a link over relays that stand in cells: their equipment, and the land they cross."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from linkcalc.area.access import Grid, Mask
from linkcalc.area.land import Land, read_land
from linkcalc.area.losses import End
from linkcalc.area.margins import template_case
from linkcalc.area.plane import Plane
from linkcalc.link.case import LinkCase
from linkcalc.link.relayed_plan import placed, with_relays
from linkcalc.link.requirement import Requirement
from linkcalc.plan import Link, Station
from linkcalc.plan.stations import position_deg
from linkcalc.terrain.land_cover import Layers

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan


@dataclass(frozen=True, eq=False)
class Hop:
    """One hop between a station that stays and the cells."""

    land: Land
    """Around the station that stays."""
    template: LinkCase
    fixed: End
    in_three: Requirement | None = None
    """What is required of the hop if it is one of three, where that may be asked for."""


@dataclass(frozen=True, eq=False)
class Hops:
    """What all hops of a link over relays have in common."""

    loaded: "LoadedPlan"
    link: Link
    relay: Station
    """Without a place."""
    terrain: Layers
    grid: Grid

    def outer(self, wanted: Mask, in_three: Requirement | None) -> tuple[Hop, Hop]:
        """From the link's first station to the cells, and from the cells to its second."""
        somewhere = placed(self.relay, self.grid.latitude_deg, self.grid.longitude_deg)
        plan = with_relays(self.loaded, self.link, [somewhere])
        cells = self.grid.geographic(*self.grid.east_north(*np.nonzero(wanted)))
        found = []
        for link, name in zip(plan.plan.link, (self.link.from_, self.link.to), strict=True):
            away = Plane(*position_deg(plan.plan.station_named(name))).position_of(*cells)
            found.append(self._from(plan, link, name, float(np.hypot(*away).max()) + 1.0, in_three))
        return found[0], found[1]

    def middle(
        self, cell: tuple[int, int], fixed: End, rows: NDArray[np.int64], columns: NDArray[np.int64]
    ) -> Hop:
        """The hop between two relays, one in a cell, with land that reaches the other's cells.

        `fixed` is "near" for the relay beside the link's first station.
        """
        here_m = self.grid.east_north(*cell)
        there_m = self.grid.east_north(rows, columns)
        # in the plane of the middle, distances elsewhere are too long by less than this
        reach_m = 1.001 * float(np.hypot(there_m[0] - here_m[0], there_m[1] - here_m[1]).max()) + 1.0
        latitude, longitude = (float(v) for v in self.grid.geographic(*here_m))
        relays = [placed(self.relay, latitude, longitude, number) for number in (1, 2)]
        plan = with_relays(self.loaded, self.link, relays)
        return self._from(plan, plan.plan.link[1], relays[0 if fixed == "near" else 1].name, reach_m)

    def _from(
        self,
        plan: "LoadedPlan",
        link: Link,
        station: str,
        reach_m: float,
        in_three: Requirement | None = None,
    ) -> Hop:
        template, fixed = template_case(plan, link, station)
        latitude, longitude = position_deg(plan.plan.station_named(station))
        rules = self.loaded.plan.terrain
        land = read_land(self.terrain, latitude, longitude, reach_m, name=station, rules=rules, whole=False)
        return Hop(land, template, fixed, in_three)

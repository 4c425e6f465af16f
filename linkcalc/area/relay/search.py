"""Every cell of an area as a place for a relay: the hops over relays in cells, their equipment, the land they cross,
and the margins of both, each over its own full profile."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.area.access import Grid, Mask
from linkcalc.area.land import read_land
from linkcalc.area.losses import End
from linkcalc.area.margins import Answers, Around, template_case
from linkcalc.area.plane import Plane
from linkcalc.errors import DomainError
from linkcalc.link.relayed_plan import placed, with_relays
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.plan import Link, Station
from linkcalc.plan.stations import position_deg
from linkcalc.terrain.land_cover import Layers

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan

FIGURES = (
    "margin_forward_db",
    "margin_return_db",
    "spare_db",
    "spare_in_three_db",
    "success_forward",
    "success_return",
    "path_loss_db",
    "verdict",
)
"""Of each hop in each cell: fade margins both ways; how much more than required the weaker direction has; the same
with what is required of one of three hops, NaN where that is not looked for; probability of a message both ways;
median loss; index into `requirement.VERDICTS`."""


@dataclass(frozen=True, eq=False)
class Hop(Around):
    """One hop between a station that stays and the cells."""

    in_three: Requirement | None = None
    """What is required of the hop if it is one of three, where that may be asked for."""

    def figures(
        self, names: Sequence[str], east_m: Floats, north_m: Floats, *, use_numba: bool | None = None
    ) -> dict[str, Floats]:
        """Some of `FIGURES` at positions in metres from the station that stays, by name, (n,)."""
        got = self.answers(east_m, north_m, use_numba=use_numba)
        three = ranked(_spare_db(self.in_three, got), got.verdict)
        return {name: three if name == "spare_in_three_db" else got.named(name) for name in names}

    def digest(self) -> str:
        return f"{super().digest()} {self.in_three}"


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


def _spare_db(asked: Requirement | None, got: Answers) -> Floats:
    """How much more than a requirement the weaker direction has."""
    if asked is None:
        return np.full(got.margin_forward_db.shape, np.nan)
    margins_db = got.margin_forward_db, got.margin_return_db
    required_db = (asked.margin_db(j.site_db, j.conditions_db, j.k_db) for j in got.judgements)
    forward_db, return_db = (a - b for a, b in zip(margins_db, required_db, strict=True))
    return np.asarray(np.minimum(forward_db, return_db))


def ranked(spare_db: Any, verdict: Any) -> Floats:
    """What to rank by: what there is to spare; what is at risk all the same, on ground that is not known, after all
    that closes and before all that is short.

    >>> ranked(np.array([12.0, 3.0, -2.0]), np.array([1, 2, 1])).round(2).tolist()
    [-0.08, 3.0, -2.0]
    """
    capped = (spare_db >= 0.0) & (verdict < VERDICTS.index("closes"))
    return np.asarray(np.where(capped, -1.0 / (1.0 + np.maximum(spare_db, 0.0)), spare_db), dtype=np.float64)


def chained(hops: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """What a chain of hops comes to: the weaker hop, and messages that pass them all, the hops' uncertainties
    independent."""
    # minimum hands NaN on: a cell without a path over one of the hops has no answer
    margins = [np.minimum(hop["margin_forward_db"], hop["margin_return_db"]) for hop in hops]
    weakest = {name: np.minimum.reduce([hop[name] for hop in hops]) for name in ("spare_db", "verdict")}
    passed = {
        name: np.multiply.reduce([hop[name] for hop in hops])
        for name in ("success_forward", "success_return")
    }
    return {"margin_db": np.minimum.reduce(margins), **weakest, **passed}


def best_cells(rank: Any, grid: Grid, *, apart_m: float, count: int) -> list[tuple[int, int]]:
    """The best cells by a rank, rows and columns, each at least so far from those before; NaN is never taken. Of
    equals the northernmost comes first, then the westernmost.

    >>> rank = np.array([[9.0, 8.0, 1.0], [2.0, 3.0, 4.0], [np.nan, 5.0, 6.0]])
    >>> best_cells(rank, Grid(0.0, 0.0, 30.0, 1), apart_m=50.0, count=5)
    [(0, 0), (2, 2), (0, 2)]
    """
    if not apart_m >= 0.0:
        raise DomainError(f"apart_m must be 0 or more, got {apart_m}")
    left = np.where(np.isfinite(rank), rank, -np.inf)
    east, north = grid.steps_m[np.newaxis, :], -grid.steps_m[:, np.newaxis]
    found: list[tuple[int, int]] = []
    while len(found) < count:
        row, column = (int(v) for v in np.unravel_index(int(left.argmax()), left.shape))
        if left[row, column] == -np.inf:
            break
        found.append((row, column))
        near = np.hypot(east - grid.steps_m[column], north + grid.steps_m[row]) < apart_m
        # with no distance asked for, a cell is still taken once
        near[row, column] = True
        left[near] = -np.inf
    return found

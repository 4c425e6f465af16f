"""Where a relay would go: every cell of an area; the best spots, apart from each other, checked in full."""

import math
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from linkcalc._arrays import Floats, checked
from linkcalc.area.access import Access, Allowed, Grid, Mask, allowed_cells
from linkcalc.area.coverage import refuse_too_many
from linkcalc.area.losses import surroundings_notes
from linkcalc.area.margins import placed_deg
from linkcalc.area.relay.chain import best_pair
from linkcalc.area.relay.result import Chain, HopCheck, Place, RelaySiting
from linkcalc.area.relay.search import FIGURES, Hop, Hops, best_cells, chained, ranked
from linkcalc.area.tiles import Job, Run, Singles, telling_of_tiles, worked_off
from linkcalc.errors import DomainError, TerrainError
from linkcalc.link.case import directional
from linkcalc.link.decision import decide
from linkcalc.link.notes import over_limits
from linkcalc.link.on_ground import link_case, open_terrain, recorded_notes
from linkcalc.link.relayed_plan import RelayKit, placed, relay_station, with_relays
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import LinkResult
from linkcalc.link.verdict import check_link
from linkcalc.plan import Link, Station
from linkcalc.terrain import geodesy
from linkcalc.terrain.cell_size import finer_than_raster
from linkcalc.terrain.land_cover import Layers
from linkcalc.terrain.rasters import Mosaic

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan

SPOTS = 5
"""Spots that are checked in full."""
REACH = 0.75
"""Radius of the area around the middle of the link, over the link's length, where none is stated."""
CELL_M = 30.0
EASY_CELLS = 250_000
"""Cells are made larger than `CELL_M` where there would be more, if no width is stated."""
APART = 0.08
"""Distance between spots over the link's length, where none is stated."""
_LEAST_RADIUS_M = 300.0


def relay_siting(
    loaded: "LoadedPlan",
    link: Link,
    *,
    radius_m: float | None = None,
    cell_m: float | None = None,
    apart_m: float | None = None,
    access: Access | None = None,
    kit: RelayKit | None = None,
    relays: int | None = None,
    run: Run | None = None,
) -> RelaySiting:
    """Where a relay for a link would go; see `linkcalc.relay`.

    Two relays in a row are tried as well if `relays` does not say how many and no spot for one closes. Finished tiles
    stay in the run's folder until `RelaySiting.tiles` is told to remove them.
    """
    if relays not in (None, 1, 2):
        raise DomainError(f"relays must be 1 or 2, got {relays}")
    run, access = run or Run(), access or Access()
    why = ", and relays are looked for on the land around both ends"
    ends_deg = [placed_deg(loaded.plan.station_named(name), why) for name in (link.from_, link.to)]
    length_m = geodesy.path_between(*ends_deg[0], *ends_deg[1])[0]
    radius = max(REACH * length_m, _LEAST_RADIUS_M) if radius_m is None else radius_m
    radius = float(checked("radius", radius, above=0.0))
    relay, assumed = relay_station(loaded.plan, link, kit or RelayKit())
    grid = _grid(ends_deg, length_m, radius, cell_m, access)
    apart = max(APART * length_m, 3.0 * grid.cell_m) if apart_m is None else apart_m
    apart = float(checked("apart_m", apart, at_least=0.0))
    with recorded_notes() as said, open_terrain(loaded) as terrain, ExitStack() as telling:
        hops = Hops(loaded, link, relay, terrain, grid)
        ground, area = _ground(hops, radius, stated=radius_m is not None)
        allowed = allowed_cells(grid, ground, area, access)
        direct = _checked_hop(loaded, link, terrain)
        outer = hops.outer(allowed.mask, None if relays == 1 else Requirement.of(link).of_each_hop(3))
        job = Job(grid, outer, FIGURES, run.numba, wanted=allowed.mask)
        store = run.store_of(job)
        telling.enter_context(telling_of_tiles(store, run.say))
        found = worked_off(job, run, store)
        both = chained(found)
        if not np.isfinite(both["spare_db"]).any():
            if store is not None:
                store.remove()
            raise TerrainError(
                f"no cell has paths to both {link.from_} and {link.to} without a hole longer than "
                f"{loaded.plan.terrain.largest_hole_m:g} m"
            )
        answered = _Answered(hops, ground, allowed, found)
        cells = best_cells(ranked(both["spare_db"], both["verdict"]), grid, apart_m=apart, count=SPOTS)
        spots = sorted(map(answered.chain, cells), key=lambda c: c.rank, reverse=True)
        two, search = None, None
        if relays == 2 or (relays is None and spots[0].verdict != "closes"):
            search = best_pair(
                hops, found[0]["spare_in_three_db"], found[1]["spare_in_three_db"], ground, run
            )
            two = None if search is None else answered.chain(search.first, search.second)
        listed = [spots[0]] if two is None else [spots[0], two]
        ends = [
            Place(name, *at, *grid.spot_of(at), float(terrain.ground.sample(*at)), 0.0, None)
            for name, at in zip((link.from_, link.to), ends_deg, strict=True)
        ]
    return RelaySiting(
        title=loaded.plan.title,
        link=link,
        signal=outer[0].template.signal.text,
        direct=direct,
        spots=tuple(spots),
        two=two,
        search=search,
        relay=relay,
        assumed=assumed,
        grid=grid,
        radius_m=radius,
        apart_m=apart,
        bands=both
        | {f"first_{name}": v for name, v in found[0].items()}
        | {f"second_{name}": v for name, v in found[1].items()},
        ground_m=ground,
        area=area,
        allowed=allowed,
        ends=(ends[0], ends[1]),
        sources=outer[0].land.sources,
        notes=tuple(dict.fromkeys([*answered.notes(outer, area, both["spare_db"], listed), *said])),
        tiles=store,
    )


def profiles(loaded: "LoadedPlan", link: Link, relay: Station, chain: Chain) -> tuple[LinkResult, ...]:
    """The hops of a chain as a check finds them, with what pictures need."""
    plan = with_relays(loaded, link, stations(relay, chain))
    with open_terrain(plan) as terrain:
        return tuple(check_link(link_case(plan, hop, terrain)) for hop in plan.plan.link)


def stations(relay: Station, chain: Chain) -> list[Station]:
    """The relays of a chain as stations of a plan."""
    numbers = [None] if len(chain.relays) == 1 else [1, 2]
    return [
        placed(relay, place.latitude_deg, place.longitude_deg, number)
        for place, number in zip(chain.relays, numbers, strict=True)
    ]


def _grid(
    ends_deg: Sequence[tuple[float, float]],
    length_m: float,
    radius: float,
    cell_m: float | None,
    access: Access,
) -> Grid:
    cell = max(CELL_M, radius * math.sqrt(math.pi / EASY_CELLS)) if cell_m is None else cell_m
    cell = float(checked("cell_m", cell, above=0.0))
    if cell_m is None and cell > CELL_M:
        # a round width, and rounded up: no more cells than are easy
        cell = 5.0 * math.ceil(cell / 5.0)
    if cell > radius:
        raise DomainError(f"no cell lies within {radius / 1e3:.3g} km when cells are {cell:g} m wide")
    refuse_too_many(math.pi * (radius / cell) ** 2, cell, f"within {radius / 1e3:.3g} km")
    if access.nodata_distance_m > radius:
        raise DomainError(
            f"{access.nodata_distance_m:g} m from nodata is more than the {radius:.0f} m of the area's radius"
        )
    (latitude,), (longitude,) = geodesy.points_along(*ends_deg[0], *ends_deg[1], [length_m / 2.0])
    # more cells than the area: distances from nodata are measured to cells beyond it, too
    half = int(radius / cell + 1e-9) + math.ceil(access.nodata_distance_m / cell)
    return Grid(float(latitude), float(longitude), cell, half)


def _ground(hops: Hops, radius: float, *, stated: bool) -> tuple[Floats, Mask]:
    """Heights of all cells, and which of them belong to the area; a stated radius may not reach beyond the rasters."""
    if not hops.terrain.ground.rasters:
        raise TerrainError("no terrain raster is named: a relay needs heights all around the link")
    heights_m = hops.grid.heights_m(hops.terrain.ground)
    area = hops.grid.distance_m() <= radius
    if stated and not hops.loaded.plan.terrain.sea_without_data:
        _refuse_beyond(hops.terrain.ground, hops.grid, area & np.isnan(heights_m), radius)
    return heights_m, area


def _refuse_beyond(ground: Mosaic, grid: Grid, unknown: Mask, radius: float) -> None:
    """Say how far the rasters reach, if cells without height lie beyond them."""
    rows, columns = np.nonzero(unknown)
    position = grid.geographic(*grid.east_north(rows, columns))
    off = np.ones(rows.shape, dtype=bool)
    for raster in ground.rasters:
        off &= ~raster.covers(*position)
    if off.any():
        # a cell less, so that the radius proposed lies on the rasters
        reach = float(grid.distance_m()[unknown][off].min()) - grid.cell_m
        most = f"take {math.floor(reach / 100.0) / 10.0:g} km, " if reach >= 100.0 else ""
        raise TerrainError(
            f"a radius of {radius / 1e3:g} km around the middle of the link reaches beyond the rasters: they "
            f"end {reach / 1e3:.2f} km away; {most}name rasters that cover it all, or leave the radius out: "
            "then cells without heights are not considered"
        )


@dataclass(frozen=True, eq=False)
class _Answered:
    """Cells with their answers, from which chains are checked in full."""

    hops: Hops
    ground_m: Floats
    allowed: Allowed
    found: Sequence[dict[str, Singles]]
    """Figures of both outer hops in every cell."""

    def chain(self, *cells: tuple[int, int]) -> Chain:
        """Check the link over relays in cells."""
        places = [self._place(cell, None if len(cells) == 1 else n) for n, cell in enumerate(cells, start=1)]
        hops = self.hops
        plan = with_relays(hops.loaded, hops.link, stations(hops.relay, Chain(tuple(places), (), 0.0)))
        checks = tuple(_checked_hop(plan, hop, hops.terrain) for hop in plan.plan.link)
        off = max(
            abs(check.margin_db - float(min(hop["margin_forward_db"][cell], hop["margin_return_db"][cell])))
            for check, hop, cell in zip(
                (checks[0], checks[-1]), self.found, (cells[0], cells[-1]), strict=True
            )
        )
        return Chain(tuple(places), checks, off)

    def _place(self, cell: tuple[int, int], number: int | None) -> Place:
        name = self.hops.relay.name if number is None else f"{self.hops.relay.name} {number}"
        east, north = (float(v) for v in self.hops.grid.east_north(*cell))
        # rounded as files have it, so that a check of a spot as it is written finds the same
        latitude, longitude = (round(float(v), 7) for v in self.hops.grid.geographic(east, north))
        facts = float(self.ground_m[cell]), float(self.allowed.slope_deg[cell])
        return Place(
            name, latitude, longitude, east, north, *facts, self.allowed.track_distance_m(east, north)
        )

    def notes(
        self, outer: Sequence[Hop], area: Mask, spare_db: Singles, best: Sequence[Chain]
    ) -> Iterator[str]:
        """What a reader should know: of the plan, the land, the cells, the hops of the best, and where a spot lies."""
        yield from _plan_notes(self.hops)
        for hop in outer:
            yield from hop.land.notes
            yield from surroundings_notes(hop.land, hop.template)
        finest_m = min(hop.land.finest_ground_m for hop in outer)
        if finer := finer_than_raster(self.hops.grid.cell_m, finest_m):
            yield finer
        unknown = area & np.isnan(self.ground_m)
        if unknown.any():
            yield f"{int(unknown.sum())} of {int(area.sum())} cells have no height and are not considered"
        holes = int((self.allowed.mask & np.isnan(spare_db)).sum())
        if holes:
            yield (
                f"{holes} cells have no answer: one of the stations stands there, or a hole on the way is longer "
                f"than {self.hops.loaded.plan.terrain.largest_hole_m:g} m"
            )
        yield from (
            f"{hop.from_} to {hop.to}: {words}" for chain in best for hop in chain.hops for words in hop.notes
        )
        yield from _rim_note(self.hops.grid, best[0], area & ~unknown)


def _checked_hop(loaded: "LoadedPlan", link: Link, terrain: Layers) -> HopCheck:
    case = link_case(loaded, link, terrain)
    found = decide(case, second_opinions=True)
    notes = (*over_limits(found.over), *case.profile.notes)
    return HopCheck(link.name, link.from_, link.to, found.verdict, found.facts, found.directions, notes)


def _plan_notes(hops: Hops) -> Iterator[str]:
    link, antenna = hops.link, hops.relay.antenna
    if link.obstacle:
        yield "the link's obstacles stand on its own path and are not counted on the hops' paths"
    if link.profile_csv or link.name in hops.loaded.profiles:
        yield "the link's surveyed profile is of its own path; hops take their heights from the rasters"
    if directional(antenna):
        yield (
            "the relay's antenna is directional and counts as turned to each hop: that takes two of them"
            if antenna.azimuth_deg is None
            else "the relay's antenna is directional and looks one way only"
        )


def _rim_note(grid: Grid, best: Chain, looked_at: Mask) -> Iterator[str]:
    """Say if more land might hold a better spot."""
    place = best.relays[0]
    row, column = (round(grid.half + v / grid.cell_m) for v in (-place.north_m, place.east_m))
    around = np.pad(looked_at, 1)[row : row + 3, column : column + 3]
    if not around.all():
        yield (
            "the best spot lies on the edge of the area searched: a larger radius or further "
            "rasters may hold a better one"
        )

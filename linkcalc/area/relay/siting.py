"""Where a relay would go: every cell of an area; the best spots, apart from each other, checked in full."""

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from linkcalc._arrays import Floats, checked
from linkcalc.area import kernels
from linkcalc.area.access import Access, Allowed, Grid, Mask, allowed_cells
from linkcalc.area.coverage import MOST_CELLS, Progress, TileStore, telling_of_tiles
from linkcalc.area.land import read_land
from linkcalc.area.losses import surroundings_notes
from linkcalc.area.margins import template_case
from linkcalc.area.relay.chain import Middle, best_pair
from linkcalc.area.relay.plan import RelayKit, placed, relay_station, with_relays
from linkcalc.area.relay.result import Chain, HopCheck, Place, RelaySiting
from linkcalc.area.relay.search import FIGURES, Hop, Job, all_hops, best_cells, chained
from linkcalc.area.scheduler import Scheduler
from linkcalc.errors import DomainError, TerrainError
from linkcalc.link.case import directional
from linkcalc.link.on_ground import link_case, open_terrain, position_deg, recorded_notes
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import LinkResult
from linkcalc.link.verdict import check_link, judge
from linkcalc.plan import Link, Station
from linkcalc.propagation import compiled
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
    use_numba: bool | None = None,
    tiles_in: Path | None = None,
    scheduler: Scheduler | None = None,
    progress: Callable[[Progress], None] | None = None,
    say: Callable[[str], None] = lambda line: None,
) -> RelaySiting:
    """Where a relay for a link would go.

    Parameters
    ----------
    loaded : LoadedPlan
        With rasters, and positions of both ends.
    link : Link
        One of the plan's.
    radius_m : float, m, optional
        Of the area around the middle of the link; by default 0.75 of its length, as far as there are heights.
    cell_m : float, m, optional
        By default 30, and more in large areas.
    apart_m : float, m, optional
        Between spots; by default a twelfth of the link or so.
    access : Access, optional
        What a place has to be like.
    kit : RelayKit, optional
        The relay's equipment.
    relays : {1, 2}, optional
        Relays in a row; by default one, and two are tried as well if no spot for one closes.
    use_numba : bool, optional
        By default, where numba is installed.
    tiles_in : Path, optional
        Folder for finished tiles; a second call with the same inputs takes them over. They stay until
        `RelaySiting.tiles` is told to remove them.
    scheduler, progress, say
        As for `linkcalc.area.coverage.coverage`.

    Returns
    -------
    RelaySiting

    Raises
    ------
    DomainError, TerrainError, LinkcalcError
        With one line each: no position, no raster, no cell left or none with an answer, a radius beyond the
        rasters, a file that cannot be used.
    """
    if relays not in (None, 1, 2):
        raise DomainError(f"relays must be 1 or 2, got {relays}")
    plan = loaded.plan
    ends_deg = [_position(plan.station_named(name)) for name in (link.from_, link.to)]
    length_m = geodesy.path_between(*ends_deg[0], *ends_deg[1])[0]
    radius = max(REACH * length_m, _LEAST_RADIUS_M) if radius_m is None else radius_m
    radius = float(checked("radius", radius, above=0.0))
    relay, assumed = relay_station(plan, link, kit or RelayKit())
    grid = _grid(ends_deg, length_m, radius, cell_m, access or Access())
    apart = max(APART * length_m, 3.0 * grid.cell_m) if apart_m is None else apart_m
    apart = float(checked("apart_m", apart, at_least=0.0))
    numba = compiled.available() if use_numba is None else use_numba
    with recorded_notes() as said, open_terrain(loaded) as terrain, ExitStack() as telling:
        if not terrain[0].rasters:
            raise TerrainError("no terrain raster is named: a relay needs heights all around the link")
        ground = grid.heights_m(terrain[0])
        area = grid.distance_m() <= radius
        if radius_m is not None and not plan.terrain.sea_without_data:
            _refuse_beyond(terrain[0], grid, area, ground, radius)
        allowed = allowed_cells(grid, ground, area, access or Access())
        direct = _checked_hop(loaded, link, terrain)
        in_three = None if relays == 1 else Requirement.of(link).of_each_hop(3)
        hops = _outer_hops(loaded, link, relay, terrain, grid, allowed.mask, in_three)
        job = Job(grid, allowed.mask, hops, numba)
        store = None
        if tiles_in is not None:
            store = TileStore(tiles_in, job.digest(), bands=len(hops) * len(FIGURES))
            telling.enter_context(telling_of_tiles(store, say))
        found = all_hops(job, scheduler=scheduler, store=store, progress=progress, say=say)
        both = chained(found)
        if not np.isfinite(both["spare_db"]).any():
            if store is not None:
                store.remove()
            raise TerrainError(
                f"no cell has paths to both {link.from_} and {link.to} without a hole longer than "
                f"{plan.terrain.largest_hole_m:g} m"
            )
        spots = []
        for cell in best_cells(both["spare_db"], grid, apart_m=apart, count=SPOTS):
            cell_db = [_weaker_db(hop, cell) for hop in found]
            spots.append(_chain(loaded, link, relay, terrain, grid, allowed, ground, [cell], cell_db))
        spots.sort(key=lambda c: -c.weaker.spare_db)
        two, search = None, None
        if relays == 2 or (relays is None and spots[0].verdict != "closes"):
            middle = Middle(loaded, link, relay, terrain, grid, numba)
            outer = [hop["spare_in_three_db"] for hop in found]
            shown = progress or (lambda at: None)
            search = best_pair(
                middle, outer[0], outer[1], ground, scheduler=scheduler, progress=shown, say=say
            )
            if search is not None:
                cells = [search.first, search.second]
                cell_db = [_weaker_db(found[0], cells[0]), _weaker_db(found[1], cells[1])]
                two = _chain(loaded, link, relay, terrain, grid, allowed, ground, cells, cell_db)
        ends = [
            Place(name, *position, *_metres(grid, position), float(terrain[0].sample(*position)), 0.0, None)
            for name, position in zip((link.from_, link.to), ends_deg, strict=True)
        ]
    outer_bands = {
        f"{place}_{name}": values
        for place, hop in zip(("first", "second"), found, strict=True)
        for name, values in hop.items()
    }
    return RelaySiting(
        title=plan.title,
        link=link,
        signal=hops[0].template.signal.text,
        direct=direct,
        spots=tuple(spots),
        two=two,
        search=search,
        relay=relay,
        assumed=assumed,
        grid=grid,
        radius_m=radius,
        apart_m=apart,
        bands={**both, **outer_bands},
        ground_m=ground,
        area=area,
        allowed=allowed,
        ends=(ends[0], ends[1]),
        sources=hops[0].land.sources,
        notes=tuple(
            dict.fromkeys(
                [
                    *_notes(loaded, link, relay, hops, grid.cell_m, area, ground, allowed, both),
                    *(f"{hop.from_} to {hop.to}: {words}" for hop in spots[0].hops for words in hop.notes),
                    *_rim_note(grid, spots[0], area & np.isfinite(ground)),
                    *said,
                ]
            )
        ),
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


def _position(station: Station) -> tuple[float, float]:
    if not station.positioned:
        raise TerrainError(
            f'station "{station.name}" has no position, and relays are looked for on the land around both '
            "ends: give latitude_deg and longitude_deg, or easting_m, northing_m and epsg"
        )
    return position_deg(station)


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
        cell = 5.0 * math.ceil(cell / 5.0)
    if cell > radius:
        raise DomainError(f"no cell lies within {radius / 1e3:.3g} km when cells are {cell:g} m wide")
    many = math.pi * (radius / cell) ** 2
    if many > MOST_CELLS:
        raise DomainError(
            f"{many / 1e6:.0f} million cells of {cell:g} m within {radius / 1e3:.3g} km are too many "
            f"({MOST_CELLS / 1e6:.0f} million at most): take larger cells"
        )
    if access.nodata_distance_m > radius:
        raise DomainError(
            f"{access.nodata_distance_m:g} m from nodata is more than the {radius:.0f} m of the area's radius"
        )
    (latitude,), (longitude,) = geodesy.points_along(*ends_deg[0], *ends_deg[1], [length_m / 2.0])
    half = int(radius / cell + 1e-9) + math.ceil(access.nodata_distance_m / cell)
    return Grid(float(latitude), float(longitude), cell, half)


def _refuse_beyond(ground: Mosaic, grid: Grid, area: Mask, heights_m: Floats, radius: float) -> None:
    """Say how far the rasters reach, if a stated radius is more."""
    unknown = area & np.isnan(heights_m)
    rows, columns = np.nonzero(unknown)
    position = grid.geographic(*grid.east_north(rows, columns))
    off = np.ones(rows.shape, dtype=bool)
    for raster in ground.rasters:
        off &= ~raster.covers(*position)
    if off.any():
        reach = float(grid.distance_m()[unknown][off].min()) - grid.cell_m
        most = f"take {math.floor(reach / 100.0) / 10.0:g} km, " if reach >= 100.0 else ""
        raise TerrainError(
            f"a radius of {radius / 1e3:g} km around the middle of the link reaches beyond the rasters: they "
            f"end {reach / 1e3:.2f} km away; {most}name rasters that cover it all, or leave the radius out: "
            "then cells without heights are not considered"
        )


def _outer_hops(
    loaded: "LoadedPlan",
    link: Link,
    relay: Station,
    terrain: Layers,
    grid: Grid,
    wanted: Mask,
    in_three: Requirement | None,
) -> tuple[Hop, Hop]:
    """From the link's first station to the cells, and from the cells to its second."""
    somewhere = placed(relay, grid.latitude_deg, grid.longitude_deg)
    plan = with_relays(loaded, link, [somewhere])
    rows, columns = np.nonzero(wanted)
    cells = grid.geographic(*grid.east_north(rows, columns))
    found = []
    for hop, name in zip(plan.plan.link, (link.from_, link.to), strict=True):
        template, fixed = template_case(plan, hop, name)
        latitude, longitude = position_deg(plan.plan.station_named(name))
        away = Grid(latitude, longitude, 1.0, 1).position_of(*cells)
        reach = float(np.hypot(*away).max()) + 1.0
        t = loaded.plan.terrain
        land = read_land(
            terrain, latitude, longitude, reach, name=name, step_m=t.step_m, largest_hole_m=t.largest_hole_m,
            sea_without_data=t.sea_without_data, surface_kind=t.surface_kind, whole=False,
        )  # fmt: skip
        found.append(Hop(land, template, fixed, in_three))
    return found[0], found[1]


def _chain(
    loaded: "LoadedPlan",
    link: Link,
    relay: Station,
    terrain: Layers,
    grid: Grid,
    allowed: Allowed,
    ground: Floats,
    cells: Sequence[tuple[int, int]],
    cell_db: Sequence[float],
) -> Chain:
    """Check a link over relays in cells in full; `cell_db` is what the cells say of the outer hops."""
    places = []
    for number, cell in enumerate(cells, start=1):
        east, north = (float(v) for v in grid.east_north(*cell))
        latitude, longitude = (round(float(v), 7) for v in grid.geographic(east, north))
        name = relay.name if len(cells) == 1 else f"{relay.name} {number}"
        track_m = allowed.track_distance_m(east, north)
        at = (float(ground[cell]), float(allowed.slope_deg[cell]))
        places.append(Place(name, latitude, longitude, east, north, *at, track_m))
    plan = with_relays(loaded, link, stations(relay, Chain(tuple(places), (), 0.0)))
    hops = tuple(_checked_hop(plan, hop, terrain) for hop in plan.plan.link)
    off = max(abs(hop.margin_db - db) for hop, db in zip((hops[0], hops[-1]), cell_db, strict=True))
    return Chain(tuple(places), hops, off)


def _checked_hop(loaded: "LoadedPlan", link: Link, terrain: Layers) -> HopCheck:
    case = link_case(loaded, link, terrain)
    path, directions = judge(case)
    return HopCheck(link.name, link.from_, link.to, path, directions, case.profile.notes)


def _weaker_db(hop: dict[str, Any], cell: tuple[int, int]) -> float:
    return float(min(hop["margin_there_db"][cell], hop["margin_back_db"][cell]))


def _metres(grid: Grid, position: tuple[float, float]) -> tuple[float, float]:
    east, north = grid.position_of(*position)
    return float(east), float(north)


def _notes(
    loaded: "LoadedPlan",
    link: Link,
    relay: Station,
    outer: Sequence[Hop],
    cell_m: float,
    area: Mask,
    ground: Floats,
    allowed: Allowed,
    both: dict[str, Any],
) -> Iterator[str]:
    if link.obstacle:
        yield "the link's obstacles stand on its own path and are not counted on the hops' paths"
    if link.profile_csv or link.name in loaded.profiles:
        yield "the link's surveyed profile is of its own path; hops take their heights from the rasters"
    if directional(relay.antenna):
        yield (
            "the relay's antenna is directional and counts as turned to each hop: that takes two of them"
            if relay.antenna.azimuth_deg is None
            else "the relay's antenna is directional and looks one way only"
        )
    for hop in outer:
        yield from hop.land.notes
        yield from surroundings_notes(hop.land, hop.template)
    lands = [hop.land for hop in outer]
    known = np.concatenate(
        [land.spacing_m[land.windows[:, kernels.LAYER] == kernels.GROUND] for land in lands]
    )
    if finer := finer_than_raster(cell_m, float(known.min())):
        yield finer
    unknown = int((area & np.isnan(ground)).sum())
    if unknown:
        yield f"{unknown} of {int(area.sum())} cells have no height and are not considered"
    holes = int((allowed.mask & np.isnan(both["spare_db"])).sum())
    if holes:
        yield (
            f"{holes} cells have no answer: one of the stations stands there, or a hole on the way is longer "
            f"than {loaded.plan.terrain.largest_hole_m:g} m"
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

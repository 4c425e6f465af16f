"""Coverage: what a link would be at every cell around one of its stations.

Each cell has its own full terrain profile and the rules of a single check. The work is cut into `tiles`.
"""

import math
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from linkcalc._arrays import checked
from linkcalc.area.access import Grid
from linkcalc.area.coverage_result import CoverageResult, Served
from linkcalc.area.land import read_land
from linkcalc.area.losses import surroundings_notes
from linkcalc.area.margins import Around, placed_deg, template_case
from linkcalc.area.plane import Plane, middle_of
from linkcalc.area.tiles import (
    BANDS,
    Job,
    Run,
    Singles,
    TileStore,
    telling_of_tiles,
    worked_off,
)
from linkcalc.errors import DomainError, LinkcalcError, OutOfRangeWarning, TerrainError
from linkcalc.link.on_ground import open_terrain
from linkcalc.link.requirement import VERDICTS
from linkcalc.link.uncertainty import contributors
from linkcalc.plan import Link, Station
from linkcalc.plan.stations import position_deg
from linkcalc.propagation import compiled
from linkcalc.terrain.cell_size import finer_than_raster

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan


MOST_CELLS = 60_000_000
LEAST_SHARE = 0.1
"""A circle of which the rasters hold less is refused; where they hold more, the rest has no answer."""


def prepared_job(
    loaded: "LoadedPlan",
    station: str,
    radius_m: float,
    *,
    link: str | None = None,
    cell_m: float = 30.0,
    use_numba: bool | None = None,
    shared: Grid | None = None,
) -> Job:
    """Read the land around a station of a plan and put together the work on it.

    The other end of the link, by default the station's first, goes into the cells; a `shared` grid is that of several
    stations.
    """
    radius, cell = _checked_m(radius_m, cell_m)
    plan = loaded.plan
    chosen = _link_named(loaded, station, link)
    if cell > radius:
        raise DomainError(
            f"no cell lies within {radius / 1e3:g} km of {station} when cells are {cell:g} m wide"
        )
    # refused before the rasters are read, which may take long
    refuse_too_many(np.pi * (radius / cell) ** 2, cell, f"within {radius / 1e3:g} km")
    template, fixed = template_case(loaded, chosen, station)
    here = position_deg(plan.station_named(station))
    with open_terrain(loaded) as terrain:
        land = read_land(terrain, *here, radius, name=station, rules=plan.terrain, least_share=LEAST_SHARE)
    numba = compiled.available() if use_numba is None else use_numba
    # a radius of whole cells keeps its outermost ones, whatever the division rounds to
    grid = Grid(*here, cell, int(radius / cell + 1e-9)) if shared is None else shared
    figures = tuple(band.name for band in BANDS)
    return Job(grid, (Around(land, template, fixed),), figures, numba, radius_m=radius)


def _checked_m(radius_m: float, cell_m: float) -> tuple[float, float]:
    radius, cell = checked("radius_m", radius_m, above=0.0), checked("cell_m", cell_m, above=0.0)
    return float(radius), float(cell)


def refuse_too_many(cells: float, cell_m: float, where: str, more: str = "") -> None:
    """Refuse an area of more cells than can be held."""
    if cells > MOST_CELLS:
        raise DomainError(
            f"{cells / 1e6:.0f} million cells of {cell_m:g} m {where} are too many "
            f"({MOST_CELLS / 1e6:.0f} million at most): take larger cells{more}"
        )


def _station_named(loaded: "LoadedPlan", name: str) -> Station:
    if name not in [s.name for s in loaded.plan.station]:
        names = ", ".join(f'"{s.name}"' for s in loaded.plan.station)
        raise LinkcalcError(f'unknown station "{name}"; stations: {names}')
    return loaded.plan.station_named(name)


def _link_named(loaded: "LoadedPlan", station: str, name: str | None) -> Link:
    plan = loaded.plan
    _station_named(loaded, station)
    own = {k.name: k for k in plan.link if station in (k.from_, k.to)}
    if not own:
        raise LinkcalcError(f'no link of this plan has the station "{station}" as an end')
    if name is not None and name not in own:
        names = ", ".join(f'"{known}"' for known in own)
        raise LinkcalcError(f'unknown link "{name}" at station "{station}"; its links: {names}')
    return next(iter(own.values())) if name is None else own[name]


def coverage(job: Job, run: Run | None = None, store: TileStore | None = None) -> dict[str, Singles]:
    """All bands of an area, (rows, columns) by name; a store keeps finished tiles and gives those of an earlier run."""
    (found,) = worked_off(job, run or Run(), store)
    land = job.hops[0].land
    if not np.isfinite(found["margin_db"]).any():
        raise TerrainError(
            f"no cell around {land.name} has a height and a path to it without a hole longer than "
            f"{land.largest_hole_m:g} m"
        )
    return found


def result_of(
    loaded: "LoadedPlan",
    job: Job,
    hops: Sequence[Around],
    bands: dict[str, Singles],
    *,
    preview: bool = False,
) -> CoverageResult:
    """What reports and files are made from; `job` is any of the stations'."""
    grid, served = job.grid, []
    for hop in hops:
        case = hop.template
        stays, moves = (case.near, case.far) if hop.fixed == "near" else (case.far, case.near)
        served.append(Served(stays.name, *grid.spot_of(hop.station_deg), case.link, moves.name))
    others = []
    for other in loaded.plan.station:
        if other.positioned and other.name not in [s.name for s in served]:
            east, north = grid.spot_of(position_deg(other))
            if min(np.hypot(east - s.east_m, north - s.north_m) for s in served) <= job.radius_m:
                others.append((other.name, east, north))
    case = hops[0].template
    return CoverageResult(
        bands=bands,
        affine=grid.affine,
        crs=grid.crs,
        stations=tuple(served),
        title=loaded.plan.title,
        latitude_deg=grid.latitude_deg,
        longitude_deg=grid.longitude_deg,
        radius_m=job.radius_m,
        cell_m=grid.cell_m,
        frequency_hz=case.frequency_hz,
        signal=case.signal.text,
        preview=preview,
        sources=tuple(dict.fromkeys(source for hop in hops for source in hop.land.sources)),
        notes=(),
        other_stations=tuple(others),
    )


def _notes(loaded: "LoadedPlan", hop: Around, cell_m: float) -> Iterator[str]:
    planned = next(k for k in loaded.plan.link if k.name == hop.template.link.name)
    if planned.obstacle:
        yield "the link's obstacles stand on its own path and are not counted on the other cells' paths"
    if planned.profile_csv:
        yield "the link's surveyed profile is of its own path; cells take their heights from the rasters"
    yield from surroundings_notes(hop.land, hop.template)
    if finer := finer_than_raster(cell_m, hop.land.finest_ground_m):
        yield finer
    # these warnings are silenced while cells are answered, and said here once for all
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", OutOfRangeWarning)
        contributors(hop.template, hop.template.far)
        hop.template.budget()
    yield from dict.fromkeys(str(w.message) for w in caught if issubclass(w.category, OutOfRangeWarning))


def plan_coverage(
    loaded: "LoadedPlan",
    station: str | Sequence[str],
    radius_m: float,
    *,
    link: str | Sequence[str] | None = None,
    cell_m: float = 30.0,
    preview: bool = False,
    run: Run | None = None,
) -> CoverageResult:
    """Coverage around a station of a plan, or around several: each cell then holds the best of them.

    Stations are worked off one after the other, so that the heights around one of them are in memory at a time.
    Finished tiles are deleted at the end only by whoever made their folder: `tiles` of the result, see
    `TileStore.remove`.
    """
    run = run or Run()
    names = list(dict.fromkeys([station] if isinstance(station, str) else station))
    links = _links_of(loaded, names, [link] if isinstance(link, str) else list(link or ()))
    grid = None if len(names) == 1 else shared_grid(loaded, names, radius_m, cell_m)
    bands: dict[str, Singles] = {}
    hops, stores, notes = [], [], []
    for number, (name, own) in enumerate(zip(names, links, strict=True), start=1):
        if grid is not None:
            run.say(f"station {number} of {len(names)}: {name}")
        job = prepared_job(
            loaded, name, radius_m, link=own, cell_m=cell_m, use_numba=run.use_numba, shared=grid
        )
        store = run.store_of(job)
        with telling_of_tiles(store, run.say):
            found = coverage(job, run, store)
        bands = merged(bands, found, number) if grid is not None else found
        stores += [store] if store is not None else []
        (hop,) = job.hops
        notes += [*hop.land.notes, *_notes(loaded, hop, job.grid.cell_m)]
        # of several stations only one's heights are held at a time
        hop = replace(hop, land=hop.land.emptied())
        job = replace(job, hops=(hop,))
        hops.append(hop)
    result = result_of(loaded, job, hops, bands, preview=preview)
    lost = result.cells_within - result.cells
    if lost > 0:
        notes.append(
            f"{lost} cells have no answer: no ground or nodata there, or a hole on the way longer than "
            f"{hops[0].land.largest_hole_m:g} m"
        )
    return replace(result, notes=tuple(dict.fromkeys(notes)), tiles=tuple(stores))


def merged(best: dict[str, Singles], found: dict[str, Singles], number: int) -> dict[str, Singles]:
    """The better of two coverages in each cell: by verdict, then by what the weaker direction has to spare.

    `best` is of the stations before, empty for the first, and written to; `number` is that of one more station, from
    1.
    """
    closes = found["verdict"] == VERDICTS.index("closes")
    known = np.isfinite(found["margin_db"])
    if not best:
        best = {name: values.copy() for name, values in found.items()}
        best["serving_station"] = np.where(known, number, np.nan).astype(np.float32)
        best["stations_closing"] = np.where(known, closes, np.nan).astype(np.float32)
        return best
    # written so that what has no answer yet, NaN, is bettered by any
    better = known & ~(_rank(found) <= _rank(best))
    for name, values in found.items():
        best[name][better] = values[better]
    best["serving_station"][better] = number
    best["stations_closing"][known] = np.nan_to_num(best["stations_closing"][known]) + closes[known]
    return best


def _rank(bands: dict[str, Singles]) -> Singles:
    """The higher the better; NaN where there is no answer."""
    # a better word outranks any margin
    spare = np.clip(bands["margin_db"] - bands["required_margin_db"], -1e3, 1e3)
    return bands["verdict"] * 1e4 + np.where(np.isnan(spare), -1e3, spare)


def shared_grid(loaded: "LoadedPlan", names: Sequence[str], radius_m: float, cell_m: float) -> Grid:
    """A grid that holds circles around several stations of a plan."""
    radius, cell = _checked_m(radius_m, cell_m)
    spots = np.array([placed_deg(_station_named(loaded, name)) for name in names])
    plane = Plane(*middle_of(spots))
    east, north = plane.position_of(spots[:, 0], spots[:, 1])
    # distances far from the plane's middle are a little longer there
    half = math.ceil((float(np.abs([east, north]).max()) + 1.002 * radius) / cell)
    more = ", or stations that lie closer together"
    refuse_too_many((2 * half + 1) ** 2, cell, "around these stations", more)
    return Grid(plane.latitude_deg, plane.longitude_deg, cell, half)


def _links_of(loaded: "LoadedPlan", names: Sequence[str], wanted: Sequence[str]) -> list[str | None]:
    """For each station the one of the named links that it is an end of; None: its first."""
    for name in wanted:
        if not any(k.name == name and {k.from_, k.to} & set(names) for k in loaded.plan.link):
            _link_named(loaded, names[0], name)  # says what there is
            raise LinkcalcError(f'link "{name}" has none of these stations as an end: {", ".join(names)}')
    named = [k for k in loaded.plan.link if k.name in wanted]
    return [next((k.name for k in named if station in (k.from_, k.to)), None) for station in names]

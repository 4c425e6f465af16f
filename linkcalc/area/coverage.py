"""Coverage: what a link would be at every cell around one of its stations.

Each cell has its own full terrain profile and the rules of a single check. The work is cut into `tiles`.
"""

import math
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from linkcalc._arrays import checked
from linkcalc.area import kernels
from linkcalc.area.access import Grid
from linkcalc.area.coverage_result import CoverageResult, Served
from linkcalc.area.land import plane_crs, read_land
from linkcalc.area.losses import losses, surroundings_notes
from linkcalc.area.margins import template_case
from linkcalc.area.scheduler import Local, Scheduler
from linkcalc.area.tiles import (
    BANDS,
    Job,
    Progress,
    SharedJob,
    Singles,
    Tile,
    TileStore,
    telling_of_tiles,
    tile_answer,
)
from linkcalc.errors import DomainError, LinkcalcError, OutOfRangeWarning, TerrainError
from linkcalc.link.on_ground import open_terrain, position_deg
from linkcalc.link.requirement import VERDICTS
from linkcalc.link.uncertainty import contributors
from linkcalc.plan import Link, Station
from linkcalc.propagation import compiled
from linkcalc.terrain import geodesy
from linkcalc.terrain.cell_size import finer_than_raster
from linkcalc.terrain.land_cover import Neighbourhood

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan


MOST_CELLS = 60_000_000
LEAST_SHARE = 0.1
"""A circle of which the rasters hold less is refused; where they hold more, the rest has no answer."""


@contextmanager
def prepared_job(
    loaded: "LoadedPlan",
    station: str,
    radius_m: float,
    *,
    link: str | None = None,
    cell_m: float = 30.0,
    use_numba: bool | None = None,
    grid: Grid | None = None,
) -> Iterator[Job]:
    """Read the land around a station of a plan and put together the work on it.

    The other end of the link, by default the station's first, goes into the cells; a grid is shared by several
    stations."""
    radius, cell = (
        float(checked("radius_m", radius_m, above=0.0)),
        float(checked("cell_m", cell_m, above=0.0)),
    )
    plan = loaded.plan
    chosen = _link_named(loaded, station, link)
    if cell > radius:
        raise DomainError(
            f"no cell lies within {radius / 1e3:g} km of {station} when cells are {cell:g} m wide"
        )
    if np.pi * (radius / cell) ** 2 > MOST_CELLS:
        raise DomainError(
            f"{np.pi * (radius / cell) ** 2 / 1e6:.0f} million cells of {cell:g} m within {radius / 1e3:g} "
            f"km are too many ({MOST_CELLS / 1e6:.0f} million at most): take larger cells"
        )
    template, fixed = template_case(loaded, chosen, station)
    t = plan.terrain
    latitude, longitude = position_deg(plan.station_named(station))
    with open_terrain(loaded) as terrain:
        land = read_land(
            terrain,
            latitude,
            longitude,
            radius,
            name=station,
            step_m=t.step_m,
            largest_hole_m=t.largest_hole_m,
            sea_without_data=t.sea_without_data,
            surface_kind=t.surface_kind,
            least_share=LEAST_SHARE,
        )
    numba = compiled.available() if use_numba is None else use_numba
    own = (land, template, fixed, radius, cell, numba)
    yield Job(*own) if grid is None else SharedJob(*own, grid)


def _station_named(loaded: "LoadedPlan", name: str) -> Station:
    if name not in [s.name for s in loaded.plan.station]:
        names = ", ".join(f'"{s.name}"' for s in loaded.plan.station)
        raise LinkcalcError(f'unknown station "{name}"; stations: {names}')
    return loaded.plan.station_named(name)


def _link_named(loaded: "LoadedPlan", station: str, name: str | None) -> Link:
    plan = loaded.plan
    _station_named(loaded, station)
    own = [k for k in plan.link if station in (k.from_, k.to)]
    if not own:
        raise LinkcalcError(f'no link of this plan has the station "{station}" as an end')
    if name is None:
        return own[0]
    for k in own:
        if k.name == name:
            return k
    names = ", ".join(f'"{k.name}"' for k in own)
    raise LinkcalcError(f'unknown link "{name}" at station "{station}"; its links: {names}')


def get_ready(job: Job, say: Callable[[str], None]) -> None:
    """Compile, telling so, before the clock of the work starts."""
    if not job.use_numba:
        say("numba is not installed: the same numbers take some hundred times longer")
        return
    kept = kernels.kept_on_disk()
    if kept is None:
        say("compiling, some 10 s: no folder can be written to keep it in, so that every run compiles anew")
    elif not kept:
        say("compiling, once: some 10 s; later runs start at once")
    cell = min(job.land.radius_m, 100.0)
    losses(job.land, job.template, job.fixed, [cell], [0.0], use_numba=True)


def coverage(
    job: Job,
    *,
    scheduler: Scheduler | None = None,
    store: TileStore | None = None,
    progress: Callable[[Progress], None] | None = None,
    say: Callable[[str], None] = lambda line: None,
) -> dict[str, Singles]:
    """All bands of an area, (rows, columns) by name, tile by tile.

    A store keeps finished tiles and gives those of an earlier run; `progress` is called after each tile, `say` gets
    lines for the user."""
    whole = np.full((len(BANDS), job.side, job.side), np.nan, dtype=np.float32)
    tiles = job.tiles()
    at = Progress(total_m=sum(job.work_m(t) for t in tiles))

    def put(tile: Tile, found: Singles) -> None:
        whole[:, tile.top : tile.bottom, tile.left : tile.right] = found
        at.done_m += job.work_m(tile)

    missing = []
    for tile in tiles:
        kept = store.load(tile) if store else None
        if kept is None:
            missing.append(tile)
        else:
            put(tile, kept)
    at.resumed_m = at.done_m
    if len(missing) < len(tiles):
        say(f"taking over {len(tiles) - len(missing)} of {len(tiles)} tiles from an earlier run")
    if missing and (not job.use_numba or isinstance(scheduler or Local(), Local)):
        get_ready(job, say)  # workers elsewhere get ready by themselves
    at.begun = time.monotonic()
    for tile, found in (scheduler or Local()).run(tile_answer, job, missing):
        if store:
            store.save(tile, found)
        put(tile, found)
        if progress:
            progress(at)
    if not np.isfinite(whole[0]).any():
        raise TerrainError(
            f"no cell around {job.land.name} has a height and a path to it without a hole longer than "
            f"{job.land.largest_hole_m:g} m"
        )
    return {band.name: whole[number] for number, band in enumerate(BANDS)}


def result_of(
    loaded: "LoadedPlan", jobs: Sequence[Job], bands: dict[str, Singles], *, preview: bool = False
) -> CoverageResult:
    """What reports and files are made from."""
    first = jobs[0]
    middle = (
        (first.grid.latitude_deg, first.grid.longitude_deg)
        if isinstance(first, SharedJob)
        else (first.land.latitude_deg, first.land.longitude_deg)
    )
    crs = plane_crs(*middle)
    to_plane = geodesy.transformer("EPSG:4326", crs)
    corner = (first.half + 0.5) * first.cell_m

    def placed(position: tuple[float, float]) -> tuple[float, float]:
        east, north = to_plane.transform(position[1], position[0])
        return float(east), float(north)

    served = []
    for job in jobs:
        case, land = job.template, job.land
        stays, moves = (case.near, case.far) if job.fixed == "near" else (case.far, case.near)
        served.append(
            Served(stays.name, *placed((land.latitude_deg, land.longitude_deg)), case.link, moves.name)
        )
    others = []
    for other in loaded.plan.station:
        if other.positioned and other.name not in [s.name for s in served]:
            east, north = placed(position_deg(other))
            if min(np.hypot(east - s.east_m, north - s.north_m) for s in served) <= first.radius_m:
                others.append((other.name, east, north))
    case = first.template
    return CoverageResult(
        bands=bands,
        affine=(first.cell_m, 0.0, -corner, 0.0, -first.cell_m, corner),
        crs=crs,
        stations=tuple(served),
        title=loaded.plan.title,
        latitude_deg=middle[0],
        longitude_deg=middle[1],
        radius_m=first.radius_m,
        cell_m=first.cell_m,
        frequency_hz=case.frequency_hz,
        signal=case.signal.text,
        preview=preview,
        sources=tuple(dict.fromkeys(source for job in jobs for source in job.land.sources)),
        notes=(),
        other_stations=tuple(others),
    )


def _notes(loaded: "LoadedPlan", job: Job) -> Iterator[str]:
    planned = next(k for k in loaded.plan.link if k.name == job.template.link.name)
    if planned.obstacle:
        yield "the link's obstacles stand on its own path and are not counted on the other cells' paths"
    if planned.profile_csv:
        yield "the link's surveyed profile is of its own path; cells take their heights from the rasters"
    yield from surroundings_notes(job.land, job.template)
    ground = job.land.windows[:, kernels.LAYER] == kernels.GROUND
    if finer := finer_than_raster(job.cell_m, float(job.land.spacing_m[ground].min())):
        yield finer
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", OutOfRangeWarning)
        contributors(job.template, job.template.far)
        job.template.budget()
    yield from dict.fromkeys(str(w.message) for w in caught if issubclass(w.category, OutOfRangeWarning))


def _lost_note(result: CoverageResult, largest_hole_m: float) -> Iterator[str]:
    lost = result.cells_within - result.cells
    if lost > 0:
        yield (
            f"{lost} cells have no answer: no ground or nodata there, or a hole on the way longer than "
            f"{largest_hole_m:g} m"
        )


def plan_coverage(
    loaded: "LoadedPlan",
    station: str | Sequence[str],
    radius_m: float,
    *,
    link: str | Sequence[str] | None = None,
    cell_m: float = 30.0,
    preview: bool = False,
    tiles_in: Path | None = None,
    use_numba: bool | None = None,
    say: Callable[[str], None] = lambda line: None,
    **run: Any,
) -> CoverageResult:
    """Coverage around a station of a plan, or around several: each cell then holds the best of them.

    Stations are worked off one after the other, so that the heights around one of them are in memory at a time.
    Finished tiles are deleted at the end only by whoever made their folder: `tiles` of the result, see
    `TileStore.remove`."""
    names = list(dict.fromkeys([station] if isinstance(station, str) else station))
    links = _links_of(loaded, names, [link] if isinstance(link, str) else list(link or ()))
    grid = None if len(names) == 1 else shared_grid(loaded, names, radius_m, cell_m)
    bands: dict[str, Singles] = {}
    jobs, stores, notes = [], [], []
    for number, (name, own) in enumerate(zip(names, links, strict=True), start=1):
        if grid is not None:
            say(f"station {number} of {len(names)}: {name}")
        prepared = prepared_job(
            loaded, name, radius_m, link=own, cell_m=cell_m, use_numba=use_numba, grid=grid
        )
        job, store, found, said = _worked_off(loaded, prepared, tiles_in, say, run)
        bands = merged(bands, found, number) if grid is not None else found
        jobs.append(job)
        stores += [store] if store is not None else []
        notes += said
    result = result_of(loaded, jobs, bands, preview=preview)
    notes += _lost_note(result, jobs[0].land.largest_hole_m)
    return replace(result, notes=tuple(dict.fromkeys(notes)), tiles=tuple(stores))


def _worked_off(
    loaded: "LoadedPlan",
    prepared: AbstractContextManager[Job],
    tiles_in: Path | None,
    say: Callable[[str], None],
    run: dict[str, Any],
) -> tuple[Job, "TileStore | None", dict[str, Singles], list[str]]:
    """One station's job without its heights, where its tiles are, its bands, and notes."""
    with prepared as job:
        store = None if tiles_in is None else TileStore(tiles_in, job.digest())
        with telling_of_tiles(store, say):
            found = coverage(job, store=store, say=say, **run)
    notes = [*job.land.notes, *_notes(loaded, job)]
    land = replace(job.land, cells=_NO_CELLS, native=_NO_FLAGS, around=Neighbourhood())
    return replace(job, land=land), store, found, notes


_NO_CELLS, _NO_FLAGS = np.zeros(0, dtype=np.float32), np.zeros(0, dtype=np.uint8)


def merged(best: dict[str, Singles], found: dict[str, Singles], number: int) -> dict[str, Singles]:
    """The better of two coverages in each cell: by verdict, then by what the weaker direction has to spare.

    `best` is of the stations before, empty for the first, and written to; `number` is that of one more station, from
    1."""
    closes = found["verdict"] == VERDICTS.index("closes")
    if not best:
        best = {name: values.copy() for name, values in found.items()}
        best["serving_station"] = np.where(
            np.isfinite(found["margin_db"]), np.float32(number), np.float32(np.nan)
        )
        best["stations_closing"] = np.where(np.isfinite(found["margin_db"]), closes, np.nan).astype(
            np.float32
        )
        return best
    known = np.isfinite(found["margin_db"])
    better = known & ~(_rank(found) <= _rank(best))
    for name, values in found.items():
        best[name][better] = values[better]
    best["serving_station"][better] = number
    best["stations_closing"][known] = np.nan_to_num(best["stations_closing"][known]) + closes[known]
    return best


def _rank(bands: dict[str, Singles]) -> Singles:
    """The higher the better; NaN where there is no answer."""
    spare = np.clip(bands["margin_db"] - bands["required_margin_db"], -1e3, 1e3)
    return bands["verdict"] * 1e4 + np.where(np.isnan(spare), -1e3, spare)


def shared_grid(loaded: "LoadedPlan", names: Sequence[str], radius_m: float, cell_m: float) -> Grid:
    """A grid that holds circles around several stations of a plan."""
    radius, cell = (float(checked(n, v, above=0.0)) for n, v in (("radius_m", radius_m), ("cell_m", cell_m)))
    spots = np.array([_placed_deg(loaded, name) for name in names])
    turned = spots[0, 1] + (spots[:, 1] - spots[0, 1] + 180.0) % 360.0 - 180.0  # across the 180th meridian
    longitude = (turned.min() + turned.max()) / 2.0
    middle = (float(spots[:, 0].min() + spots[:, 0].max()) / 2.0, float((longitude + 180.0) % 360.0 - 180.0))
    east, north = geodesy.transformer("EPSG:4326", plane_crs(*middle)).transform(spots[:, 1], spots[:, 0])
    # distances far from the plane's middle are a little longer there
    half = math.ceil((float(np.abs([east, north]).max()) + 1.002 * radius) / cell)
    if (2 * half + 1) ** 2 > MOST_CELLS:
        raise DomainError(
            f"{(2 * half + 1) ** 2 / 1e6:.0f} million cells of {cell:g} m around these stations are too many "
            f"({MOST_CELLS / 1e6:.0f} million at most): take larger cells, or stations that lie closer together"
        )
    return Grid(*middle, cell, half)


def _placed_deg(loaded: "LoadedPlan", name: str) -> tuple[float, float]:
    station = _station_named(loaded, name)
    if not station.positioned:
        raise TerrainError(
            f'station "{name}" has no position: give latitude_deg and longitude_deg, '
            "or easting_m, northing_m and epsg"
        )
    return position_deg(station)


def _links_of(loaded: "LoadedPlan", names: Sequence[str], wanted: Sequence[str]) -> list[str | None]:
    """For each station the one of the named links that it is an end of; None: its first."""
    for name in wanted:
        if not any(k.name == name and {k.from_, k.to} & set(names) for k in loaded.plan.link):
            _link_named(loaded, names[0], name)  # says what there is
            raise LinkcalcError(f'link "{name}" has none of these stations as an end: {", ".join(names)}')
    own: list[str | None] = []
    for station in names:
        mine = [k.name for k in loaded.plan.link if k.name in wanted and station in (k.from_, k.to)]
        own.append(mine[0] if mine else None)
    return own

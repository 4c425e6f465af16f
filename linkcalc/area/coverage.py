"""Coverage: what a link would be at every cell around one of its stations.

Each cell has its own full terrain profile and the rules of a single check. The work is cut into tiles, so
that it can be shared out, interrupted and taken up again.
"""

import hashlib
import io
import math
import shutil
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats, checked
from linkcalc._version import __version__
from linkcalc.area import kernels
from linkcalc.area.access import Grid
from linkcalc.area.gridded import Gridded, Raster
from linkcalc.area.land import Land, plane_crs, read_land
from linkcalc.area.losses import End, losses, surroundings_notes
from linkcalc.area.margins import answers, template_case
from linkcalc.area.program import formulas
from linkcalc.area.scheduler import Local, Scheduler
from linkcalc.errors import DomainError, LinkcalcError, OutOfRangeWarning, TerrainError
from linkcalc.files import atomic_write, made_folder
from linkcalc.link.case import LinkCase
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

Singles = NDArray[np.float32]

TILE_CELLS = 64
"""Side of a tile."""
NODATA = -9999.0
MOST_CELLS = 60_000_000
LEAST_SHARE = 0.1
"""A circle of which the rasters hold less is refused; where they hold more, the rest has no answer."""


class Band(NamedTuple):
    """One layer of the answer."""

    name: str
    unit: str
    description: str


BANDS = (
    Band("margin_db", "dB", "fade margin, weaker direction"),
    Band("margin_there_db", "dB", "fade margin from the link's first station to its second"),
    Band("margin_back_db", "dB", "fade margin from the link's second station to its first"),
    Band("level_there_dbm", "dBm", "received power at the link's second station"),
    Band("level_back_dbm", "dBm", "received power at the link's first station"),
    Band("success", "1", "probability that a message with its tries gets through, weaker direction"),
    Band("spreading_factor", "1", "lowest sufficient spreading factor, 0 where none is"),
    Band("verdict", "1", "2 closes, 1 at risk, 0 does not close"),
    Band("required_margin_db", "dB", "fade margin required of the weaker direction"),
    Band("site_share", "1", "share of such sites that meet the requirement, weaker direction"),
    Band("path_loss_db", "dB", "median basic transmission loss"),
    Band("ground_m", "m", "ground above sea level"),
)


SHARED_BANDS = (
    Band("serving_station", "1", "which of the stations serves best, counted as named from 1"),
    Band("stations_closing", "1", "of how many stations the link closes here"),
)
"""Around several stations."""


class Tile(NamedTuple):
    """A block of cells: its first row and column, and those after its last."""

    top: int
    left: int
    bottom: int
    right: int


def stated_in(case: LinkCase) -> bytes:
    """All that a case's numbers depend on but for its ground, to be told from another by."""
    parts = (case.link, case.near, case.far, case.conditions, case.regulation)
    # a default that is stated is none: surroundings that nobody stated are looked up in rasters
    stated = [sorted(part.model_fields_set) for part in parts]
    return f"{[part.model_dump_json() for part in parts]} {stated} {case.sent!r}".encode()


@dataclass(frozen=True, eq=False)
class Job:
    """Everything a tile's work needs; can be pickled."""

    land: Land
    template: LinkCase
    fixed: End
    radius_m: float
    cell_m: float
    use_numba: bool

    @property
    def half(self) -> int:
        """Cells from the station's own to the rim."""
        return int(self.radius_m / self.cell_m + 1e-9)

    @property
    def side(self) -> int:
        """Cells along each side of the square around the area."""
        return 2 * self.half + 1

    def steps(self, first: int, after: int) -> Floats:
        """Metres from the station of rows or columns, positive south or east."""
        return np.asarray((np.arange(first, after) - self.half) * self.cell_m, dtype=np.float64)

    def tiles(self) -> list[Tile]:
        """The tiles that hold cells, the nearest to the station first."""
        found = []
        size = TILE_CELLS if self.use_numba else TILE_CELLS // 4  # an interrupt waits for a tile at most
        for top in range(0, self.side, size):
            for left in range(0, self.side, size):
                tile = Tile(top, left, min(top + size, self.side), min(left + size, self.side))
                if self.length_m(tile).min() <= self.radius_m:
                    found.append(tile)
        return sorted(found, key=lambda t: float(self.length_m(t).min()))

    def length_m(self, tile: Tile) -> Floats:
        """Distance of a tile's cells from the station."""
        return np.asarray(np.hypot(*self.places(tile)), dtype=np.float64)

    def places(self, tile: Tile) -> tuple[Floats, Floats]:
        """A tile's cells in metres east and north of the station."""
        south, east = np.meshgrid(
            self.steps(tile.top, tile.bottom), self.steps(tile.left, tile.right), indexing="ij"
        )
        return np.asarray(east), -np.asarray(south)

    def work_m(self, tile: Tile) -> float:
        """Length of all profiles of a tile: what its work is proportional to."""
        length = self.length_m(tile)
        return float(length[length <= self.radius_m].sum())

    def digest(self) -> str:
        """SHA-256 of all that a tile's numbers depend on, the formulas themselves included."""
        case = self.template
        made_of = hashlib.sha256(self.land.digest().encode())
        made_of.update(stated_in(case))
        figures = (
            self.fixed,
            self.radius_m,
            self.cell_m,
            self.use_numba,
            [b.name for b in BANDS],
            __version__,
        )
        made_of.update(repr(figures).encode())
        made_of.update(formulas().encode())
        return made_of.hexdigest()


@dataclass(frozen=True, eq=False)
class SharedJob(Job):
    """The same for one of several stations, over the cells of a grid that they share."""

    grid: Grid

    @property
    def half(self) -> int:
        """Cells from the grid's middle to its rim."""
        return self.grid.half

    def places(self, tile: Tile) -> tuple[Floats, Floats]:
        """A tile's cells in metres east and north of the station."""
        south, east = np.meshgrid(
            self.steps(tile.top, tile.bottom), self.steps(tile.left, tile.right), indexing="ij"
        )
        return self.land.position_of(*self.grid.geographic(east, -south))

    def digest(self) -> str:
        """SHA-256 of all that a tile's numbers depend on."""
        return hashlib.sha256(f"{super().digest()} {self.grid!r}".encode()).hexdigest()


class Served(NamedTuple):
    """One of the stations that a coverage is around."""

    name: str
    east_m: float
    north_m: float
    """Of the grid's middle."""
    link: Link
    moved: str
    """The station whose equipment stands in the cells."""


@dataclass(frozen=True, eq=False, repr=False)
class CoverageResult(Gridded):
    """The answer for every cell around a station."""

    bands: Mapping[str, Singles]
    """(rows, columns) by name, see `BANDS`, and `SHARED_BANDS` around several stations; NaN beyond the radius and where
    there is no profile. Row 0 lies in the north; a single station stands in the middle cell."""
    affine: tuple[float, float, float, float, float, float]
    """From column and row (at cell corners) to metres east and north of the grid's middle."""
    crs: str
    """Azimuthal equidistant around that."""
    stations: tuple[Served, ...]
    title: str
    latitude_deg: float
    longitude_deg: float
    """Of the grid's middle."""
    radius_m: float
    cell_m: float
    frequency_hz: float
    signal: str
    preview: bool
    """Made with larger cells than asked for."""
    sources: tuple[str, ...]
    notes: tuple[str, ...]
    other_stations: tuple[tuple[str, float, float], ...] = field(default_factory=tuple)
    """Name and metres east and north of the plan's other stations within the area."""
    tiles: tuple["TileStore", ...] = field(default=(), compare=False)
    """Where finished tiles are kept."""

    @property
    def station(self) -> str:
        """The stations' names, to be written in a sentence."""
        names = [s.name for s in self.stations]
        return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"

    @property
    def link(self) -> Link:
        """The first station's."""
        return self.stations[0].link

    @property
    def moved(self) -> str:
        """Whose equipment stands in the cells."""
        return " or ".join(dict.fromkeys(s.moved for s in self.stations))

    @property
    def layers(self) -> tuple[Band, ...]:
        """The bands that there are, in order."""
        return tuple(band for band in (*BANDS, *SHARED_BANDS) if band.name in self.bands)

    def distance_m(self) -> Floats:
        """Of every cell from the nearest station."""
        half = (self.bands["margin_db"].shape[0] - 1) // 2
        axis = np.arange(-half, half + 1) * self.cell_m
        away = [np.hypot(axis - s.east_m, (-axis - s.north_m)[:, np.newaxis]) for s in self.stations]
        return np.asarray(np.minimum.reduce(away))

    def raster(self) -> Raster:
        """Return the layers of the answer, as its GeoTIFF has them."""
        from linkcalc.area.geofiles import tags

        return Raster(
            [(band, self.bands[band.name]) for band in self.layers], self.crs, self.affine, tags(self)
        )

    def to_geojson(self) -> str:
        """Return the area that closes, that at risk, and the station: GeoJSON (RFC 7946)."""
        from linkcalc.area.geofiles import closing_area

        return closing_area(self) + "\n"

    @property
    def cells(self) -> int:
        """Cells with an answer."""
        return int(np.isfinite(self.bands["margin_db"]).sum())

    @property
    def cells_within(self) -> int:
        """Cells within the radius, those of the stations left out."""
        away = self.distance_m()
        # distances in the plane of several stations are a little longer than their own
        radius = self.radius_m * (1.0 if len(self.stations) == 1 else 0.998)
        return int(((away <= radius) & (away >= 1.0)).sum())

    def area_km2(self, verdict: str) -> float:
        """Area with a verdict: "closes", "at_risk" or "does_not_close"."""
        return int((self.bands["verdict"] == VERDICTS.index(verdict)).sum()) * self.cell_m**2 / 1e6


def tile_answer(job: Job, tile: Tile) -> Singles:
    """All bands of one tile, (bands, rows, columns)."""
    east, north = job.places(tile)
    inside = np.hypot(east, north) <= job.radius_m
    whole = np.full((len(BANDS), *inside.shape), np.nan, dtype=np.float32)
    if not inside.any():
        return whole
    x, y = east[inside], north[inside]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)  # said once for the whole area
        found = losses(job.land, job.template, job.fixed, x, y, use_numba=job.use_numba)
        here = (job.land.latitude_deg, job.land.longitude_deg)
        got = answers(job.template, job.fixed, here, x, y, found)
    values = {
        "margin_db": got.margin_db,
        "margin_there_db": got.margin_there_db,
        "margin_back_db": got.margin_back_db,
        "level_there_dbm": got.level_there_dbm,
        "level_back_dbm": got.level_back_dbm,
        "success": got.success,
        "spreading_factor": got.spreading_factor,
        "verdict": np.where(found.known, got.verdict, np.nan),
        "required_margin_db": np.where(found.known, got.required_margin_db, np.nan),
        "site_share": np.where(found.known, got.site_share, np.nan),
        "path_loss_db": found.loss_db,
        "ground_m": found.far_ground_m if job.fixed == "near" else found.near_ground_m,
    }
    for number, band in enumerate(BANDS):
        whole[number][inside] = values[band.name]
    return whole


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

    Parameters
    ----------
    loaded : LoadedPlan
    station : str
        Name of the station that stays.
    radius_m, cell_m : float, m
    link : str, optional
        Name of the link whose other end goes into the cells; by default the station's first.
    use_numba : bool, optional
        By default, where numba is installed.
    grid : Grid, optional
        Cells that several stations share; by default those around the station.

    Raises
    ------
    DomainError, TerrainError, LinkcalcError
        With one line each: no such station or link, no cell within the radius, and what `read_land` raises.
    """
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


class TileStore:
    """Finished tiles in a folder, so that an interrupted run can be taken up again."""

    def __init__(self, folder: Path, digest: str, *, bands: int = len(BANDS)) -> None:
        self._bands = bands
        self.folder = made_folder(folder / f"tiles-{digest[:16]}")

    def load(self, tile: Tile) -> Singles | None:
        """A tile that is there and whole, else None."""
        try:
            found = np.load(self._file(tile), allow_pickle=False)
        except (OSError, ValueError, EOFError):
            return None
        shape = (self._bands, tile.bottom - tile.top, tile.right - tile.left)
        return found if found.shape == shape and found.dtype == np.float32 else None

    def save(self, tile: Tile, found: Singles) -> None:
        """Keep a tile."""
        buffer = io.BytesIO()
        np.save(buffer, found, allow_pickle=False)
        atomic_write(self._file(tile), buffer.getvalue())

    def kept(self) -> bool:
        """Whether any tile is there."""
        return any(self.folder.glob("*.npy"))

    def remove(self) -> None:
        """Delete all tiles."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def _file(self, tile: Tile) -> Path:
        return self.folder / f"{tile.top:05d}-{tile.left:05d}.npy"


@contextmanager
def telling_of_tiles(store: TileStore | None, say: Callable[[str], None]) -> Iterator[None]:
    """Say that finished tiles are kept, if what is done meanwhile is interrupted or fails."""
    try:
        yield
    except (KeyboardInterrupt, LinkcalcError):
        if store is not None and store.kept():
            say(f"finished tiles are kept in {store.folder}; the same command takes them over")
        raise


@dataclass
class Progress:
    """How far a run is."""

    done_m: float = 0.0
    resumed_m: float = 0.0
    total_m: float = 0.0
    """Length of profiles: all, done, and taken over from an earlier run."""
    begun: float = field(default_factory=time.monotonic)

    @property
    def share(self) -> float:
        """Of the work, 0 to 1."""
        return self.done_m / self.total_m if self.total_m else 1.0

    @property
    def seconds_left(self) -> float | None:
        """By the pace so far; None before a hundredth of the work shows it."""
        now_done = self.done_m - self.resumed_m
        if now_done <= 0.01 * self.total_m:
            return None
        return (time.monotonic() - self.begun) * (self.total_m - self.done_m) / now_done


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
    """All bands of an area, tile by tile.

    Parameters
    ----------
    job : Job
        From `prepared_job`.
    scheduler : Scheduler, optional
        By default `Local`, on all processors.
    store : TileStore, optional
        Keeps finished tiles, and gives back those of an earlier run.
    progress : callable, optional
        Called after each tile.
    say : callable, optional
        Gets lines for the user: that something is being compiled, that tiles are taken over.

    Returns
    -------
    dict of str to ndarray
        By band name, (rows, columns).

    Raises
    ------
    TerrainError
        If no cell has a profile.
    LinkcalcError
        If a finished tile cannot be kept, for example on a full disk; those before it are.
    """
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

    Parameters
    ----------
    loaded, radius_m, cell_m, use_numba
        As `prepared_job`.
    station : str or sequence of str
        Names of the stations that stay.
    link : str or sequence of str, optional
        Links whose other ends go into the cells, each of one of the stations; by default each station's first.
    preview : bool
        Whether this is to be called a quick look.
    tiles_in : Path, optional
        Folder for finished tiles; a second call with the same inputs takes them over. They are deleted at
        the end only by whoever made the folder: `tiles` of the result, see `TileStore.remove`.
    say, run
        Further arguments of `coverage`.

    Returns
    -------
    CoverageResult

    Raises
    ------
    DomainError, TerrainError, LinkcalcError
        With one line each, as `prepared_job` and `coverage`.
    """
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

    Parameters
    ----------
    best : dict of ndarray
        Of the stations before, `SHARED_BANDS` included; empty for the first. It is written to.
    found : dict of ndarray
        Of one more station.
    number : int
        That station's, from 1.

    Returns
    -------
    dict of ndarray
    """
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
    """A grid that holds circles around several stations of a plan.

    Raises
    ------
    DomainError, TerrainError, LinkcalcError
        If it would have too many cells, or a station has no position.
    """
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

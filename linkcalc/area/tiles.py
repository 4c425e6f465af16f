"""The work of a coverage, cut into tiles, so that it can be shared out, interrupted and taken up again."""

import hashlib
import io
import math
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc._version import __version__
from linkcalc.area import kernels
from linkcalc.area.access import Grid, Mask
from linkcalc.area.losses import losses
from linkcalc.area.margins import Around
from linkcalc.area.program import formulas
from linkcalc.area.scheduler import Local, Scheduler
from linkcalc.errors import LinkcalcError
from linkcalc.files import atomic_write, made_folder
from linkcalc.propagation import compiled

Singles = NDArray[np.float32]
TILE_CELLS = 64
"""Side of a tile."""
NODATA = -9999.0


class Band(NamedTuple):
    """One layer of the answer."""

    name: str
    unit: str
    description: str


BANDS = (
    Band("margin_db", "dB", "fade margin, weaker direction"),
    Band("margin_forward_db", "dB", "fade margin from the link's first station to its second"),
    Band("margin_return_db", "dB", "fade margin from the link's second station to its first"),
    Band("level_forward_dbm", "dBm", "received power at the link's second station"),
    Band("level_return_dbm", "dBm", "received power at the link's first station"),
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


def blocks(side: int, *, use_numba: bool) -> Iterator[Tile]:
    """The tiles that a square of cells is cut into."""
    # an interrupt waits for a tile at most
    size = TILE_CELLS if use_numba else TILE_CELLS // 4
    for top in range(0, side, size):
        for left in range(0, side, size):
            yield Tile(top, left, min(top + size, side), min(left + size, side))


@dataclass(frozen=True, eq=False)
class Job:
    """Cells of a grid, to be answered over hops to stations; can be pickled."""

    grid: Grid
    hops: tuple[Around, ...]
    figures: tuple[str, ...]
    """Of each hop in each cell."""
    use_numba: bool
    radius_m: float = math.inf
    """Of the cells around the first hop's station, unless they are named."""
    wanted: Mask | None = None
    """(side, side): the cells."""

    @property
    def shape(self) -> tuple[int, int, int]:
        """Of all figures of all hops, rows and columns."""
        return len(self.hops) * len(self.figures), self.grid.side, self.grid.side

    def tiles(self) -> list[Tile]:
        """The tiles that hold cells, the nearest to the first station first."""
        length_m = {t: self._length_m(t)[0] for t in blocks(self.grid.side, use_numba=self.use_numba)}
        return sorted((t for t in length_m if length_m[t].size), key=lambda t: float(length_m[t].min()))

    def cells(self, tile: Tile) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Rows and columns of a tile's cells."""
        rows, columns = np.mgrid[tile.top : tile.bottom, tile.left : tile.right]
        if self.wanted is None:
            among = np.hypot(*self.places(self.hops[0], rows, columns)) <= self.radius_m
        else:
            among = self.wanted[rows, columns]
        return rows[among], columns[among]

    def places(
        self, hop: Around, rows: NDArray[np.int64], columns: NDArray[np.int64]
    ) -> tuple[Floats, Floats]:
        """Cells in metres east and north of a hop's station."""
        east, north = self.grid.east_north(rows, columns)
        # on a grid around this station nothing is projected, and nothing rounded by it
        if hop.station_deg == (self.grid.latitude_deg, self.grid.longitude_deg):
            return east, north
        return hop.land.position_of(*self.grid.geographic(east, north))

    def _length_m(self, tile: Tile) -> Floats:
        """Of the profiles to a tile's cells, near enough to tell progress by, (hops, cells)."""
        east, north = self.grid.east_north(*self.cells(tile))
        spots = [self.grid.spot_of(hop.station_deg) for hop in self.hops]
        return np.array([np.hypot(east - x, north - y) for x, y in spots])

    def work_m(self, tile: Tile) -> float:
        """Length of all profiles of a tile: what its work is proportional to."""
        return float(self._length_m(tile).sum())

    def digest(self) -> str:
        """SHA-256 of all that a tile's numbers depend on, the formulas themselves included."""
        figures = (self.grid, self.figures, self.use_numba, self.radius_m, __version__, formulas())
        made_of = hashlib.sha256(repr(figures).encode())
        made_of.update(b"" if self.wanted is None else np.packbits(self.wanted).tobytes())
        for hop in self.hops:
            made_of.update(hop.digest().encode())
        return made_of.hexdigest()


def tile_answer(job: Job, tile: Tile) -> Singles:
    """All figures of all hops in one tile, (hops * figures, rows, columns)."""
    rows, columns = job.cells(tile)
    shape = job.shape[0], tile.bottom - tile.top, tile.right - tile.left
    whole = np.full(shape, np.nan, dtype=np.float32)
    for number, hop in enumerate(job.hops if rows.size else ()):
        found = hop.figures(job.figures, *job.places(hop, rows, columns), use_numba=job.use_numba)
        for i, name in enumerate(job.figures, start=number * len(job.figures)):
            whole[i, rows - tile.top, columns - tile.left] = found[name]
    return whole


class TileStore:
    """Finished tiles in a folder, so that an interrupted run can be taken up again."""

    def __init__(self, folder: Path, digest: str, *, bands: int = len(BANDS)) -> None:
        self._bands = bands
        self.folder = made_folder(folder / f"tiles-{digest[:16]}")

    def load(self, tile: Tile) -> Singles | None:
        """A tile that is there and whole, else None."""
        try:
            # never unpickled: whoever can write to the folder could run code; what is not whole is worked
            # out anew
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


def tell_nobody(what: object) -> None:
    """Say nothing, show no progress."""


@dataclass(frozen=True)
class Run:
    """How cells are worked off, and who is told."""

    scheduler: Scheduler | None = None
    """None: the processors of this computer."""
    tiles_in: Path | None = None
    """Folder for finished tiles; a second run with the same inputs takes them over."""
    progress: Callable[[Progress], None] = tell_nobody
    """Called after each tile."""
    say: Callable[[str], None] = tell_nobody
    """Gets lines for the user."""
    use_numba: bool | None = None
    """None: where numba is installed."""

    @property
    def numba(self) -> bool:
        """Whether the formulas are compiled."""
        return compiled.available() if self.use_numba is None else self.use_numba

    def store_of(self, job: Job) -> TileStore | None:
        """Where a job's tiles are kept."""
        if self.tiles_in is None:
            return None
        return TileStore(self.tiles_in, job.digest(), bands=job.shape[0])


def worked_off(job: Job, run: Run, store: TileStore | None = None) -> list[dict[str, Singles]]:
    """For each hop of a job its figures by name, (side, side).

    Tiles that are in the store are taken over, the others kept there.
    """
    scheduler = run.scheduler or Local()
    whole = np.full(job.shape, np.nan, dtype=np.float32)
    length_m = {tile: job.work_m(tile) for tile in job.tiles()}
    at = Progress(total_m=sum(length_m.values()))

    def fill_in(tile: Tile, found: Singles) -> None:
        whole[:, tile.top : tile.bottom, tile.left : tile.right] = found
        at.done_m += length_m[tile]

    missing = []
    for tile in length_m:
        kept = store.load(tile) if store else None
        if kept is None:
            missing.append(tile)
        else:
            fill_in(tile, kept)
    at.resumed_m = at.done_m
    if len(missing) < len(length_m):
        run.say(f"taking over {len(length_m) - len(missing)} of {len(length_m)} tiles from an earlier run")
    # workers elsewhere get ready by themselves
    if missing and (not job.use_numba or isinstance(scheduler, Local)):
        get_ready(job, run.say)
    # the time that is left is told by the pace of tiles alone
    at.begun = time.monotonic()
    for tile, found in scheduler.run(tile_answer, job, missing):
        if store:
            store.save(tile, found)
        fill_in(tile, found)
        run.progress(at)
    by_hop = whole.reshape(len(job.hops), len(job.figures), job.grid.side, job.grid.side)
    return [dict(zip(job.figures, layers, strict=True)) for layers in by_hop]


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
    hop = job.hops[0]
    cell = min(hop.land.radius_m, 100.0)
    losses(hop.land, hop.template, hop.fixed, [cell], [0.0], use_numba=True)

"""The work of a coverage, cut into tiles, so that it can be shared out, interrupted and taken up again."""

import hashlib
import io
import shutil
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc._version import __version__
from linkcalc.area.access import Grid
from linkcalc.area.land import Land
from linkcalc.area.losses import End, losses
from linkcalc.area.margins import answers
from linkcalc.area.program import formulas
from linkcalc.errors import LinkcalcError, OutOfRangeWarning
from linkcalc.files import atomic_write, made_folder
from linkcalc.link.case import LinkCase

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
        "margin_forward_db": got.margin_forward_db,
        "margin_return_db": got.margin_return_db,
        "level_forward_dbm": got.level_forward_dbm,
        "level_return_dbm": got.level_return_dbm,
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

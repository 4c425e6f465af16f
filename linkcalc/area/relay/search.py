"""Every cell of an area as a place for a relay: the margins of both hops, each over its own full profile."""

import hashlib
import time
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc._version import __version__
from linkcalc.area.access import Grid, Mask
from linkcalc.area.coverage import get_ready
from linkcalc.area.losses import losses
from linkcalc.area.margins import Answers, answers
from linkcalc.area.program import formulas
from linkcalc.area.relay.hops import Hop
from linkcalc.area.scheduler import Local, Scheduler
from linkcalc.area.tiles import TILE_CELLS, Progress, Singles, Tile, TileStore, stated_in
from linkcalc.area.tiles import Job as HopJob
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.propagation import compiled

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


def silent(line: str) -> None:
    """Say nothing."""


def _unwatched(at: Progress) -> None:
    """Show no progress."""


@dataclass(frozen=True)
class Run:
    """How cells are worked off, and who is told."""

    scheduler: Scheduler | None = None
    """None: the processors of this computer."""
    tiles_in: Path | None = None
    """Folder for finished tiles; a second run with the same inputs takes them over."""
    progress: Callable[[Progress], None] = _unwatched
    say: Callable[[str], None] = silent
    use_numba: bool | None = None
    """None: where numba is installed."""

    @property
    def numba(self) -> bool:
        """Whether the formulas are compiled."""
        return compiled.available() if self.use_numba is None else self.use_numba


@dataclass(frozen=True, eq=False)
class Job:
    """Everything a tile's work needs; can be pickled."""

    grid: Grid
    wanted: Mask
    """(side, side): cells to answer."""
    hops: tuple[Hop, ...]
    use_numba: bool

    def tiles(self) -> list[Tile]:
        """The tiles that hold wanted cells."""
        size = TILE_CELLS if self.use_numba else TILE_CELLS // 4
        side = self.grid.side
        blocks = [
            Tile(top, left, min(top + size, side), min(left + size, side))
            for top in range(0, side, size)
            for left in range(0, side, size)
        ]
        return [t for t in blocks if self.wanted[t.top : t.bottom, t.left : t.right].any()]

    def cells(self, tile: Tile) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Rows and columns of a tile's wanted cells."""
        rows, columns = np.nonzero(self.wanted[tile.top : tile.bottom, tile.left : tile.right])
        return rows + tile.top, columns + tile.left

    def work_m(self, tile: Tile) -> float:
        """Length of all profiles of a tile: what its work is proportional to."""
        east, north = self.grid.east_north(*self.cells(tile))
        total = 0.0
        for hop in self.hops:
            x, y = self.grid.position_of(hop.land.latitude_deg, hop.land.longitude_deg)
            total += float(np.hypot(east - x, north - y).sum())
        return total

    def digest(self) -> str:
        """SHA-256 of all that a tile's numbers depend on, the formulas themselves included."""
        made_of = hashlib.sha256(np.packbits(self.wanted).tobytes())
        for hop in self.hops:
            case = hop.template
            made_of.update(hop.land.digest().encode() + hop.fixed.encode())
            made_of.update(stated_in(case))
            made_of.update(repr(hop.in_three).encode())
        made_of.update(repr((self.grid, self.use_numba, FIGURES, __version__)).encode())
        made_of.update(formulas().encode())
        return made_of.hexdigest()


def tile_answer(job: Job, tile: Tile) -> Singles:
    """All figures of all hops in one tile, (hops * figures, rows, columns); NaN in cells not wanted."""
    rows, columns = job.cells(tile)
    shape = (len(job.hops) * len(FIGURES), tile.bottom - tile.top, tile.right - tile.left)
    whole = np.full(shape, np.nan, dtype=np.float32)
    position = job.grid.geographic(*job.grid.east_north(rows, columns))
    for number, hop in enumerate(job.hops):
        found = hop_figures(hop, *hop.land.position_of(*position), use_numba=job.use_numba)
        for i, name in enumerate(FIGURES):
            whole[number * len(FIGURES) + i, rows - tile.top, columns - tile.left] = found[name]
    return whole


def hop_figures(
    hop: Hop, east_m: Floats, north_m: Floats, *, use_numba: bool | None = None
) -> dict[str, Floats]:
    """Figures of a hop to positions in metres from the station that stays, by name, (n,)."""
    land = hop.land
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)  # said once for the whole area
        found = losses(land, hop.template, hop.fixed, east_m, north_m, use_numba=use_numba)
        here = (land.latitude_deg, land.longitude_deg)
        got = answers(hop.template, hop.fixed, here, east_m, north_m, found)
    return {
        "margin_forward_db": got.margin_forward_db,
        "margin_return_db": got.margin_return_db,
        "spare_db": got.spare_db,
        "spare_in_three_db": ranked(_spare_db(hop.in_three, got), got.verdict),
        "success_forward": got.success_forward,
        "success_return": got.success_return,
        "path_loss_db": found.loss_db,
        "verdict": np.where(found.known, got.verdict, np.nan),
    }


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


def all_hops(job: Job, run: Run, store: TileStore | None = None) -> list[dict[str, Singles]]:
    """All figures of all hops, tile by tile: for each hop its `FIGURES` by name, (side, side).

    Tiles that are in the store are taken over, the others kept there.
    """
    scheduler = run.scheduler or Local()
    whole = np.full((len(job.hops) * len(FIGURES), job.grid.side, job.grid.side), np.nan, dtype=np.float32)
    tiles = job.tiles()
    work = {tile: job.work_m(tile) for tile in tiles}
    at = Progress(total_m=sum(work.values()))
    missing = []

    def fill_in(tile: Tile, found: Singles) -> None:
        whole[:, tile.top : tile.bottom, tile.left : tile.right] = found
        at.done_m += work[tile]

    for tile in tiles:
        kept = store.load(tile) if store else None
        if kept is None:
            missing.append(tile)
        else:
            fill_in(tile, kept)
    at.resumed_m = at.done_m
    if len(missing) < len(tiles):
        run.say(f"taking over {len(tiles) - len(missing)} of {len(tiles)} tiles from an earlier run")
    if missing and (not job.use_numba or isinstance(scheduler, Local)):
        hop = job.hops[0]
        first = HopJob(hop.land, hop.template, hop.fixed, hop.land.radius_m, 1.0, job.use_numba)
        get_ready(first, run.say)
    at.begun = time.monotonic()
    for tile, found in scheduler.run(tile_answer, job, missing):
        if store:
            store.save(tile, found)
        fill_in(tile, found)
        run.progress(at)
    figures = whole.reshape(len(job.hops), len(FIGURES), job.grid.side, job.grid.side)
    return [dict(zip(FIGURES, hop, strict=True)) for hop in figures]


def chained(hops: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """What a chain of hops comes to: the weaker hop, and messages that pass them all, the hops' uncertainties
    independent."""
    margins = [np.minimum(hop["margin_forward_db"], hop["margin_return_db"]) for hop in hops]
    return {
        "margin_db": np.minimum.reduce(margins),
        "spare_db": np.minimum.reduce([hop["spare_db"] for hop in hops]),
        "success_forward": np.multiply.reduce([hop["success_forward"] for hop in hops]),
        "success_return": np.multiply.reduce([hop["success_return"] for hop in hops]),
        "verdict": np.minimum.reduce([hop["verdict"] for hop in hops]),
    }


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
        near[row, column] = True
        left[near] = -np.inf
    return found


def verdict_word(verdict: float) -> str:
    """The word for a cell's verdict."""
    return VERDICTS[int(verdict)]

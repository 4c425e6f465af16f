"""Two relays in a row: a search over candidates, and then over every cell for one relay at a time.

All pairs of cells are far too many. What is done instead:

1. The area is cut into some hundred blocks. From each come the cell that its end reaches best, and the
   highest one that it reaches: once for the relay beside the first station, once for that beside the second.
2. The hop between the two is computed for every pair of candidates that could still beat the best so far: a
   chain is no better than either of its outer hops, which are known.
3. From the best few pairs on, one relay is moved over all cells while the other stands, in turns, until no
   move is better.

So the pair found cannot be bettered by moving one of its relays. A better pair may exist elsewhere.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.area.relay.search import FIGURES, Hops, ranked
from linkcalc.area.tiles import Job, Progress, Run, tell_nobody, worked_off

BLOCKS_ACROSS = 12
"""Blocks along each side of the square around the area."""
STARTS = 6
"""Pairs from which relays are moved."""
_MOST_ROUNDS = 8
_BETTER_DB = 1e-3

Cell = tuple[int, int]


@dataclass(frozen=True)
class Pair:
    """The best pair found, and how it was looked for."""

    first: Cell
    second: Cell
    spare_db: float
    """Of the weakest of the three hops."""
    candidates: tuple[int, int]
    pairs_tried: int
    starts: int
    """Pairs from which relays were moved."""
    cells_tried: int
    """Hops computed while one relay was moved."""


def best_pair(
    hops: Hops, first_db: Any, second_db: Any, ground_m: Floats, run: Run | None = None
) -> Pair | None:
    """The best places found for two relays; None if there are no two cells with hops.

    `first_db` and `second_db` are what the hops to the link's two stations have to spare from each cell over what is
    required of one of three hops; NaN where no relay can stand or there is no answer.
    """
    run = run or Run()
    first, second = (np.where(np.isfinite(v), v, -np.inf).astype(np.float64) for v in (first_db, second_db))
    ones, others = candidates(first, ground_m), candidates(second, ground_m)
    # best first, so that the search may stop; stable, so that equals come in the same order everywhere
    ones = ones[np.argsort(-first[tuple(ones.T)], kind="stable")]
    other_db = second[tuple(others.T)]
    starts: list[tuple[float, Cell, Cell]] = []
    best, tried = -math.inf, 0
    at = Progress(total_m=float(len(ones)))
    run.say("two relays: trying pairs of candidates")
    for one in ones:
        at.done_m += 1.0
        run.progress(at)
        # the rest have less to their own station than the best chain as a whole
        if first[tuple(one)] <= best:
            break
        those = others[(other_db > best) & (others != one).any(axis=-1)]
        if not len(those):
            continue
        between = _spare_db(hops, _cell(one), those, run)
        tried += len(those)
        chain = np.minimum(np.minimum(first[tuple(one)], second[tuple(those.T)]), between)
        chain = np.where(np.isfinite(chain), chain, -np.inf)
        i = int(chain.argmax())
        if chain[i] > -np.inf:
            starts.append((float(chain[i]), _cell(one), _cell(those[i])))
            best = max(best, float(chain[i]))
    if not starts:
        return None
    # of those that share their second relay, and would end alike, the best alone
    starts = list({s[2]: s for s in sorted(starts)}.values())
    starts.sort(reverse=True)
    starts = starts[:STARTS]
    run.say(f"two relays: {tried} pairs tried; moving those of the best {len(starts)}")
    ends, moved = [], 0
    for start in starts:
        end, cells = _moved(hops, first, second, start, run)
        ends.append(end)
        moved += cells
    spare, one_cell, other_cell = max(ends, key=lambda e: e[0])
    return Pair(one_cell, other_cell, spare, (len(ones), len(others)), tried, len(starts), moved)


def candidates(rank: Floats, ground_m: Floats) -> NDArray[np.int64]:
    """From each block of an area the best cell and the highest one; rows and columns, (n, 2).

    >>> rank = np.full((24, 24), -np.inf)
    >>> rank[0, :4] = [1.0, 3.0, 2.0, 5.0]
    >>> ground = np.zeros((24, 24))
    >>> ground[0, 0] = 9.0
    >>> candidates(rank, ground).tolist()
    [[0, 0], [0, 1], [0, 2], [0, 3]]
    """
    size = max(math.ceil(max(rank.shape) / BLOCKS_ACROSS), 1)
    found: set[Cell] = set()
    for top in range(0, rank.shape[0], size):
        for left in range(0, rank.shape[1], size):
            block = (slice(top, top + size), slice(left, left + size))
            reached = rank[block] > -np.inf
            if reached.any():
                for values in (rank[block], ground_m[block]):
                    best = int(np.where(reached, values, -np.inf).argmax())
                    row, column = np.unravel_index(best, reached.shape)
                    found.add((top + int(row), left + int(column)))
    return np.array(sorted(found), dtype=np.int64).reshape(-1, 2)


def _spare_db(hops: Hops, cell: Cell, others: NDArray[np.int64], run: Run) -> Floats:
    """What the hop from a relay beside the first station to others in cells, (n, 2), has to spare."""
    hop = hops.middle(cell, "near", *others.T)
    position = hops.grid.geographic(*hops.grid.east_north(*others.T))
    places = hop.land.position_of(*position)
    found = hop.figures(("spare_db", "verdict"), *places, use_numba=run.numba)
    return ranked(found["spare_db"], found["verdict"])


def _moved(
    hops: Hops, first: Floats, second: Floats, start: tuple[float, Cell, Cell], run: Run
) -> tuple[tuple[float, Cell, Cell], int]:
    """Move one relay over all cells that could be better while the other stands, in turns."""
    value, one, other = start
    tried, idle = 0, 0
    for turn in range(2 * _MOST_ROUNDS):
        moving_second = turn % 2 == 0
        stays, ranks, rank_of_stay = (one, second, first) if moving_second else (other, first, second)
        # better by more than rounding: figures of cells are in single precision
        wanted = (ranks > value + _BETTER_DB) & (rank_of_stay[stays] > value + _BETTER_DB)
        # two relays in one cell are one
        wanted[stays] = False
        if wanted.any():
            hop = hops.middle(stays, "near" if moving_second else "far", *np.nonzero(wanted))
            job = Job(hops.grid, (hop,), FIGURES, run.numba, wanted=wanted)
            (found,) = worked_off(job, replace(run, say=tell_nobody))
            between = ranked(found["spare_db"], found["verdict"])
            tried += int(wanted.sum())
            chain = np.minimum(np.minimum(ranks, rank_of_stay[stays]), between)
            chain = np.where(wanted & np.isfinite(chain), chain, -np.inf)
            cell = _cell(np.unravel_index(int(chain.argmax()), chain.shape))
            if chain[cell] > value + _BETTER_DB:
                value, idle = float(chain[cell]), -1
                one, other = (one, cell) if moving_second else (cell, other)
        idle += 1
        # neither can be bettered while the other stands
        if idle >= 2:
            break
    return (value, one, other), tried


def _cell(cell: Any) -> Cell:
    return int(cell[0]), int(cell[1])

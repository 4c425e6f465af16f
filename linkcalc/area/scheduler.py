"""Who works off the tiles of an area: threads here, or whatever offers the same one method."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from typing import Protocol, TypeVar

Job = TypeVar("Job")
Tile = TypeVar("Tile")
Found = TypeVar("Found")


class Scheduler(Protocol):
    """Runs a function over tiles; the function, job, tiles and results can be pickled."""

    def run(
        self, work: Callable[[Job, Tile], Found], job: Job, tiles: Sequence[Tile]
    ) -> Iterator[tuple[Tile, Found]]:
        """Yield each tile with `work(job, tile)` as it is done, in any order.

        Closing the iterator abandons what has not begun. An error of `work` is raised here.
        """


class Local:
    """Threads of this process, by default one for each processor that it may use. Compiled kernels and numpy's loops
    let go of the interpreter meanwhile.

    >>> sorted(Local(2).run(lambda job, tile: job + tile, 10, [1, 2, 3]))
    [(1, 11), (2, 12), (3, 13)]
    """

    def __init__(self, workers: int | None = None) -> None:
        self.workers = workers or processors()

    def run(
        self, work: Callable[[Job, Tile], Found], job: Job, tiles: Sequence[Tile]
    ) -> Iterator[tuple[Tile, Found]]:
        """As `Scheduler.run`; an interrupt waits for the tiles that have begun."""
        waiting = list(reversed(tiles))
        running: dict[Future[Found], Tile] = {}
        pool = ThreadPoolExecutor(self.workers, thread_name_prefix="tile")
        try:
            while waiting or running:
                # one more than there are threads, so that none waits while a result is taken over
                while waiting and len(running) < self.workers + 1:
                    tile = waiting.pop()
                    running[pool.submit(work, job, tile)] = tile
                done, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in done:
                    yield running.pop(future), future.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def processors() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1

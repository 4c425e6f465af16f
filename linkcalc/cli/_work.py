"""Long work: who shares it (the processors of this computer, or a cluster), and how far it is."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from linkcalc.cli._options import flag, option
from linkcalc.cli._output import tell

if TYPE_CHECKING:
    from linkcalc.area.scheduler import Scheduler
    from linkcalc.area.tiles import Progress

SCHEDULER = option(
    "ADDRESS",
    "Share the work out over a dask.distributed cluster that you trust, for example"
    " tcp://10.0.0.5:8786; default: the processors of this computer.",
    "--scheduler",
)


@dataclass(frozen=True)
class Work:
    """How an area is gone through."""

    scheduler: str | None = SCHEDULER
    progress: bool = flag("--progress", "Show progress even where stderr is not a terminal.")


@contextmanager
def chosen_scheduler(address: str | None) -> Iterator["Scheduler"]:
    """What `SCHEDULER` asks for, connected, and let go of at the end; None is for threads of this process.

    Raises `LinkcalcError` if the cluster cannot be reached, or its workers would not give the same numbers.

    >>> with chosen_scheduler(None) as scheduler:
    ...     sorted(scheduler.run(lambda job, tile: job + tile, 10, [1, 2]))
    [(1, 11), (2, 12)]
    """
    if address is None:
        from linkcalc.area.scheduler import Local

        yield Local()
        return
    from linkcalc.area.distributed import Distributed, silence

    silence()
    with Distributed(address, say=tell) as cluster:
        yield cluster


class Bar:
    """Share done and time left: one line rewritten on a terminal, else a line now and then."""

    _WIDTH = 24

    def __init__(self, name: str, *, asked: bool) -> None:
        self._name = name
        self._terminal = sys.stderr.isatty()
        self._shown = asked or self._terminal
        self._next = 0.0
        self._open = False

    def __call__(self, at: "Progress") -> None:
        now = time.monotonic()
        if not self._shown or (now < self._next and at.share < 1.0):
            return
        self._next = now + (0.2 if self._terminal else 5.0)
        left = at.seconds_left
        words = f"{at.share:4.0%}" + ("" if left is None else f", {_time_words(left)} left")
        if self._terminal:
            full = round(self._WIDTH * at.share)
            sys.stderr.write(f"\r[{'#' * full}{'.' * (self._WIDTH - full)}] {words}   ")
            self._open = True
        else:
            sys.stderr.write(f"{self._name}: {words.strip()}\n")
        sys.stderr.flush()

    def say(self, line: str) -> None:
        """Write a line of its own."""
        self._end()
        tell(line)

    @contextmanager
    def ended(self) -> Iterator[None]:
        """Leave the terminal's line whatever happens."""
        try:
            yield
        finally:
            self._end()

    def _end(self) -> None:
        if self._open:
            sys.stderr.write("\n")
            self._open = False


def _time_words(seconds: float) -> str:
    """Write a time to wait.

    >>> _time_words(8.2), _time_words(75.0), _time_words(4000.0)
    ('9 s', '1 min 15 s', '1 h 6 min')
    """
    whole = int(seconds) + 1 if seconds % 1 else int(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"

"""Where a command's work goes: to the processors of this computer, or to a cluster."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from linkcalc.cli._output import tell

if TYPE_CHECKING:
    from linkcalc.area.scheduler import Scheduler


@contextmanager
def chosen_scheduler(address: str | None) -> Iterator["Scheduler"]:
    """What `SchedulerOption` asks for, connected, and let go of at the end; None is for threads of this process.

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

"""The option by which a command's work goes to a cluster, and what it stands for."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from linkcalc.area.scheduler import Scheduler

SchedulerOption = Annotated[
    str | None,
    typer.Option(
        "--scheduler",
        metavar="ADDRESS",
        help="Share the work out over a dask.distributed cluster that you trust, for example"
        " tcp://10.0.0.5:8786; default: the processors of this computer.",
        show_default=False,
    ),
]
"""The same option for every command that works off tiles."""


@contextmanager
def chosen_scheduler(address: str | None) -> Iterator["Scheduler"]:
    """What `SchedulerOption` asks for, connected, and let go of at the end.

    Parameters
    ----------
    address : str or None
        None for threads of this process.

    Raises
    ------
    LinkcalcError
        If the cluster cannot be reached, or its workers would not give the same numbers.

    Examples
    --------
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
    with Distributed(address, say=lambda line: typer.echo(f"linkcalc: {line}", err=True)) as cluster:
        yield cluster

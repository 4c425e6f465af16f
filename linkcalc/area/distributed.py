"""Tiles worked off by the workers of a dask.distributed cluster. Needs the extra `distributed`.

A tile's numbers depend on its job and on nothing else, so that they are those of a local run to the bit, as
long as the workers run the same program: every worker is asked for it, at the start and with each tile.

Whoever runs a cluster can run any code in its workers and in this process: give only the address of a cluster
that you trust.
"""

import importlib
import logging
import math
import pickle
import queue
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from typing import Any

from linkcalc.area.program import Program, difference, own_program
from linkcalc.area.scheduler import Found, Job, Tile
from linkcalc.errors import LinkcalcError

CONNECT_S = 10.0
"""Longest wait for the scheduler to answer."""
CLOSE_S = 2.0
"""Of that, to let go again where none answers."""
PATIENCE_S = 120.0
"""Longest wait while there is no worker."""
AHEAD = 2
"""Messages on their way for each thread of the cluster, so that none waits for its next one."""
MOST_AT_ONCE = 4
"""Tiles in a message: each costs as much as a tenth of a tile's work, and is lost as a whole with its worker."""
POLL_S = 1.0
MOST_RESTARTS = 5
"""How often the job is sent out anew without a tile coming back in between."""


class Distributed(AbstractContextManager["Distributed"]):
    """The workers of a cluster, as a `Scheduler`.

    `address` is that of the cluster's own scheduler, such as ``tcp://10.0.0.5:8786``, or ``tls://`` with the keys and
    certificates that dask's configuration names. `say` gets lines for the user.

    A `LinkcalcError` where it cannot be reached, or a worker's numbers would not be those of this process.
    """

    def __init__(self, address: str, *, say: Callable[[str], None] = lambda line: None) -> None:
        try:
            self._dask: Any = importlib.import_module("distributed")
        except ModuleNotFoundError:
            raise LinkcalcError(
                f"a scheduler ({address}) needs dask.distributed: pip install 'linkcalc[distributed]'"
            ) from None
        self.address, self._say = address, say
        # made in two steps, to have hold of one that cannot connect: left to the garbage collector, it may
        # hold up the next one for seconds
        self._client: Any = self._dask.Client.__new__(self._dask.Client)
        try:
            self._connect(address)
        except Exception as error:  # what it raises for an odd address is of many kinds
            self.close()
            raise LinkcalcError(
                f"no scheduler can be reached at {address} ({_first_line(error)}): is it running, and is the"
                " address as it prints it, such as tcp://10.0.0.5:8786?"
            ) from None
        try:
            self._refuse_other_programs()
        except BaseException:
            self.close()
            raise

    def _connect(self, address: str) -> None:
        """Connect within the time for it: a port that takes a call and says nothing holds the library up for good."""
        failed: list[BaseException] = []

        def connect() -> None:
            try:
                self._client.__init__(address, timeout=CONNECT_S, set_as_default=False)
            except BaseException as error:
                failed.append(error)

        # a daemon: one that never returns does not keep the process alive
        waiting = threading.Thread(target=connect, daemon=True)
        waiting.start()
        waiting.join(max(CONNECT_S - CLOSE_S, CONNECT_S / 2.0))
        if waiting.is_alive():
            raise LinkcalcError(f"no answer within {CONNECT_S:g} s")
        if failed:
            raise failed[0]

    def run(
        self, work: Callable[[Job, Tile], Found], job: Job, tiles: Sequence[Tile]
    ) -> Iterator[tuple[Tile, Found]]:
        """As `Scheduler.run`; the tiles of a worker that is lost are done by the others.

        A `LinkcalcError` where the scheduler is lost, no worker is there for two minutes, one that came later runs
        another linkcalc, or a tile has taken several workers down with it.
        """
        waiting = list(reversed(tiles))
        running: dict[str, tuple[Any, Sequence[Tile]]] = {}
        done: queue.SimpleQueue[str] = queue.SimpleQueue()
        parcel, sent = _Parcel(job), None
        ahead, asked_at, restarts = 0, -math.inf, 0
        try:
            while waiting or running:
                if time.monotonic() > asked_at + POLL_S:  # workers come and go
                    ahead, asked_at = AHEAD * self._threads(), time.monotonic()
                if sent is None:
                    sent = self._sent(parcel)
                while waiting and len(running) < ahead:
                    # fewer at a time toward the end, so that no thread is left with many
                    count = min(max(len(waiting) // ahead, 1), MOST_AT_ONCE)
                    order = _Order(work, [waiting.pop() for _ in range(count)], own_program())
                    # a key of its own, as dask takes tasks of one key for the same task
                    future = self._client.submit(_on_worker, sent, order, key=f"tile-{uuid.uuid4()}")
                    running[future.key] = future, order.tiles
                    future.add_done_callback(lambda future: done.put(future.key))
                keys = [key for key in _all_of(done) if key in running]  # others are of before a restart
                faults = [key for key in keys if running[key][0].status == "error"]
                keys = [key for key in keys if key not in faults]
                try:
                    # many at one go: each costs a way to the cluster and back
                    found = self._asked(self._client.gather, [running[key][0] for key in keys])
                except CancelledError:
                    # the scheduler began anew, or every worker that held the job is gone
                    restarts += 1
                    if restarts > MOST_RESTARTS:
                        raise self._lost_again_and_again() from None
                    # taken from the end of the list: reversed, they keep their order
                    waiting += [tile for _, tiles in reversed(running.values()) for tile in reversed(tiles)]
                    running.clear()
                    sent = None
                    continue
                for key, values in zip(keys, found, strict=True):
                    restarts = 0
                    yield from zip(running.pop(key)[1], values, strict=True)
                # last, so that tiles that came with the fault are handed on, and kept, before it ends the run
                for key in faults:
                    raise self._fault(running[key][0])
        finally:
            with suppress(Exception):
                self._client.cancel([future for future, _ in running.values()])

    def close(self) -> None:
        """Let go of the cluster."""
        with suppress(Exception):
            self._client.close(timeout=CLOSE_S)

    def __exit__(self, *_: object) -> None:
        self.close()

    def _refuse_other_programs(self) -> None:
        here = own_program()
        found: dict[str, Any] = self._asked(self._client.run, _program_there, on_error="return")
        for worker, there in found.items():
            if not isinstance(there, Program):
                raise LinkcalcError(
                    f"the worker {worker} cannot load linkcalc ({_first_line(there)}): install linkcalc"
                    f" {here.version} there"
                )
            if words := difference(here, there):
                raise LinkcalcError(f"the worker {worker} {words}")
        others = sorted({there.numerics for there in found.values()} - {here.numerics})
        if others:
            self._say(
                f"workers have {' and '.join(others)}; here it is {here.numerics}: last digits may"
                " differ from a run here"
            )

    def _sent(self, parcel: "_Parcel") -> Any:
        """The job with every worker, so that no single one is needed."""
        for _ in range(MOST_RESTARTS):
            self._threads()
            try:
                return self._client.scatter(parcel, broadcast=True, hash=False)
            except (CancelledError, OSError, TimeoutError, RuntimeError):  # its workers are gone, or it is
                if not self._back():
                    raise LinkcalcError(f"the scheduler at {self.address} is gone") from None
        raise self._lost_again_and_again()

    def _lost_again_and_again(self) -> LinkcalcError:
        return LinkcalcError(
            f"the workers at {self.address} are lost again and again before a tile is done:"
            " is their memory enough?"
        )

    def _threads(self) -> int:
        """Of the cluster; waits for a first worker."""
        since, told = time.monotonic(), False
        while not (threads := int(sum(self._asked(self._client.ncores).values()))):
            if not told:
                self._say(f"the scheduler at {self.address} has no worker; waiting for one")
                told = True
            waited = time.monotonic() - since
            if waited > PATIENCE_S:
                raise LinkcalcError(f"the scheduler at {self.address} has had no worker for {waited:.0f} s")
            time.sleep(POLL_S)
        return threads

    def _fault(self, future: Any) -> Exception:
        """What a tile's work ended with."""
        error: Exception = self._asked(future.exception)
        if isinstance(error, self._dask.KilledWorker):
            return LinkcalcError(
                f"a tile has taken {error.allowed_failures + 1} workers at {self.address} down with it: is"
                " their memory enough?"
            )
        if isinstance(error, ImportError):
            return LinkcalcError(f"a worker at {self.address} cannot load linkcalc: {_first_line(error)}")
        return error

    def _asked(self, question: Callable[..., Any], *arguments: Any, **options: Any) -> Any:
        """Ask the scheduler; one line where it is gone."""
        try:
            return question(*arguments, **options)
        except CancelledError:
            if self._back():
                raise
        except (OSError, TimeoutError, RuntimeError):
            pass
        raise LinkcalcError(f"the scheduler at {self.address} is gone")

    def _back(self) -> bool:
        """Whether the scheduler is there, after waiting for it a while."""
        until = time.monotonic() + CONNECT_S
        while self._client.status == "connecting" and time.monotonic() < until:
            time.sleep(0.1)
        return bool(self._client.status == "running")


@dataclass(frozen=True)
class _Order:
    """The work of a few tiles."""

    work: Callable[[Any, Any], Any]
    tiles: Sequence[Any]
    program: Program


class _Parcel:
    """A job on its way: opened once in each worker, with arrays that are its own.

    dask's own way leaves arrays read-only, which compiled code takes for another type.
    """

    def __init__(self, job: Any) -> None:
        self.job = job

    def __reduce__(self) -> tuple[Any, ...]:
        return _opened, (pickle.dumps(self.job, protocol=5),)


def _opened(packed: bytes) -> _Parcel:
    return _Parcel(pickle.loads(packed))


def _program_there() -> Program:
    return own_program()


def _on_worker(parcel: _Parcel, order: _Order) -> list[Any]:
    if words := difference(order.program, own_program()):
        raise LinkcalcError(f"a worker {words}")
    return [order.work(parcel.job, tile) for tile in order.tiles]


def _all_of(done: "queue.SimpleQueue[str]") -> list[str]:
    """All that is in a queue; waits a while for a first one."""
    found = []
    with suppress(queue.Empty):
        found.append(done.get(timeout=POLL_S))
        while True:
            found.append(done.get_nowait())
    return found


def _first_line(error: Any) -> str:
    return next(iter(str(error).splitlines()), "") or type(error).__name__


def silence() -> None:
    """Keep dask's own words off the screen: what the user should know is said by linkcalc."""
    with suppress(ModuleNotFoundError):
        importlib.import_module("distributed")
    for name in ("distributed", "distributed.client", "distributed.gc", "tornado.application"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)

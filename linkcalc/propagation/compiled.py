"""The path losses compiled, for many profiles at once. Needs numba; without it, numpy does the same work.

The formulas are those of `_kernels` and `p1812`, compiled as they stand. Nothing is compiled before it is first
called.

Other kernels build on this one: write a plain function that calls `path_loss_db` (or any formula of
`_kernels` and `p1812`) and hand it to `compile_function`.
"""

import functools
import hashlib
import importlib
import importlib.util
import inspect
import os
import stat
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.errors import DomainError
from linkcalc.propagation import _kernels, _p1812, p1812
from linkcalc.propagation._profiles import Polarisation, is_vertical

# ---------------------------------------------------------------- compiling


def available() -> bool:
    """Whether numba is installed."""
    return importlib.util.find_spec("numba") is not None


@functools.cache
def _register() -> None:
    """Tell numba that it may compile the formulas."""
    extending: Any = importlib.import_module("numba.extending")
    # numbers have one type; numpy's chooses element by element
    extending.overload(_kernels.where)(
        lambda condition, yes, no: lambda condition, yes, no: yes if condition else no
    )
    for function in _FORMULAS:
        _register_helper(function)


@functools.cache
def _register_helper(function: Callable[..., Any]) -> None:
    extending: Any = importlib.import_module("numba.extending")
    extending.register_jitable(error_model="numpy", no_cfunc_wrapper=True)(function)


def compile_function(
    function: Callable[..., Any],
    *,
    uses: Sequence[Callable[..., Any]] = (),
    parallel: bool = False,
) -> Any:
    """Compile a plain function, in numba's subset of Python, that may call the formulas of this package.

    `uses` are further functions that it calls, directly or not; with `parallel` the processor's cores share `prange`
    loops. The machine code is kept on disk where a folder for it can be written, else compiled anew by each process.

    >>> edge = compile_function(_kernels.knife_edge) if available() else _kernels.knife_edge
    >>> round(float(edge(0.0)), 2)
    6.03
    """
    import numba

    _register()
    for helper in uses:
        _register_helper(helper)
    dispatcher = numba.njit(error_model="numpy", nogil=True, parallel=parallel)(function)
    folder = cache_folder(function, *uses)
    if folder is not None:
        with _numba_cache_folder(folder), suppress(RuntimeError):  # the source file cannot be read
            dispatcher.enable_caching()
    return dispatcher


def cache_folder(*functions: Callable[..., Any]) -> Path | None:
    """A writable folder for machine code, named after the sources that it is made from: those of the functions
    and of all formulas.

    numba alone would only look at the file of the outermost function, and keep old formulas alive.
    """
    digest = hashlib.sha256()
    for file in sorted({Path(inspect.getfile(f)) for f in (*functions, *_FORMULAS)}):
        digest.update(file.read_bytes())
    for base in _bases():
        folder = base / f"compiled-{digest.hexdigest()[:16]}"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                return folder
        except OSError:
            continue
    return None


def kept_on_disk(function: Callable[..., Any], *uses: Callable[..., Any]) -> bool | None:
    """Whether an earlier run kept a function's machine code; None where there is no folder to keep it in."""
    folder = cache_folder(function, *uses)
    name = f"{function.__module__.rpartition('.')[2]}.{function.__qualname__}"
    return None if folder is None else any(folder.rglob(f"{name}-*.nbi"))


def _bases() -> Iterator[Path]:
    """Where machine code may be kept, the best place first."""
    if own := os.environ.get("NUMBA_CACHE_DIR"):
        yield Path(own)
        return
    yield Path(__file__).parent / "__pycache__"
    home = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    if not home.startswith("~"):  # nobody's home is known
        yield Path(home) / "linkcalc"
    if hasattr(os, "getuid"):
        temporary = Path(tempfile.gettempdir()) / f"linkcalc-{os.getuid()}"
        if _is_private(temporary):
            yield temporary


def _is_private(folder: Path) -> bool:
    """Whether a folder, made if missing, is this user's alone: what others write there we would run."""
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
    except OSError:
        return False
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and not found.st_mode & 0o022


@contextmanager
def _numba_cache_folder(folder: Path) -> Iterator[None]:
    import numba

    config: Any = numba.config
    before = config.CACHE_DIR
    config.CACHE_DIR = str(folder)
    try:
        yield
    finally:
        config.CACHE_DIR = before


# ---------------------------------------------------------------- many profiles

PROBLEMS = (
    "",
    "distance_m, ground_m and clutter_m must be finite",
    "distance_m must increase from point to point",
    "clutter_m must be at least 0",
    "zone must be 1 (sea), 3 (coastal land) or 4 (inland) at every point",
)
"""What `problem` can find wrong, by the number it returns."""


def basic_transmission_loss_db(
    distance_m: ArrayLike,
    ground_m: ArrayLike,
    offsets: ArrayLike,
    *,
    tx_height_m: ArrayLike,
    rx_height_m: ArrayLike,
    frequency_hz: ArrayLike,
    clutter_m: ArrayLike | None = None,
    zone: ArrayLike | None = None,
    polarisation: Polarisation = "vertical",
    time_percent: ArrayLike = 50.0,
    location_percent: ArrayLike = 50.0,
    location_sigma_db: ArrayLike = 0.0,
    entry_loss_db: ArrayLike = 0.0,
    entry_sigma_db: ArrayLike = 0.0,
    delta_n: ArrayLike = 45.0,
    n0: ArrayLike = 325.0,
    latitude_deg: ArrayLike = 45.0,
    tx_coast_km: ArrayLike | None = None,
    rx_coast_km: ArrayLike | None = None,
    use_numba: bool | None = None,
) -> Floats:
    """`p1812.basic_transmission_loss_db` for many profiles, spread over the processor's cores; (profiles,).

    Parameters
    ----------
    distance_m, ground_m, clutter_m, zone : array_like, shape (points,)
        The profiles one after the other, each as for one profile; every one has at least 3 points.
    offsets : array_like of int, shape (profiles + 1,)
        Profile i is the points from offsets[i] up to, not including, offsets[i + 1]. The first is 0, the
        last the number of points.
    tx_height_m, rx_height_m, frequency_hz, time_percent, ... : array_like
        As for one profile, with its range; scalars, or one value for each profile. A `DomainError` names the first bad
        profile.
    use_numba : bool, optional
        By default, numba where it is installed, else numpy. Both give the same numbers to 1e-9 dB.

    Examples
    --------
    >>> d = [0.0, 2000.0, 4000.0, 6000.0, 0.0, 500.0, 1000.0]
    >>> h = [20.0, 15.0, 60.0, 10.0, 5.0, 4.0, 5.0]
    >>> loss = basic_transmission_loss_db(
    ...     d, h, [0, 4, 7], tx_height_m=10.0, rx_height_m=6.0, frequency_hz=868e6
    ... )
    >>> loss.round(1)
    array([138.9,  91.2])
    """
    distance, ground = _checked_points("distance_m", distance_m), _checked_points("ground_m", ground_m)
    points = distance.size
    starts = _checked_offsets(offsets, points)
    count = starts.size - 1
    clutter = np.zeros(points) if clutter_m is None else _checked_points("clutter_m", clutter_m)
    if ground.size != points or clutter.size != points:
        raise DomainError("distance_m, ground_m and clutter_m must have the same number of points")
    zones = np.full(points, p1812.INLAND, np.int8) if zone is None else _checked_zones(zone)
    if zones.size != points:
        raise DomainError(f"zone has {zones.size} points, distance_m has {points}")
    frequency = checked("frequency_hz", frequency_hz, above=0.0)
    arguments = np.empty((count, 13))
    for row, (name, value) in enumerate(
        (
            ("tx_height_m", checked("tx_height_m", tx_height_m, above=0.0)),
            ("rx_height_m", checked("rx_height_m", rx_height_m, above=0.0)),
            ("frequency_hz", frequency / 1e9),
            ("time_percent", checked("time_percent", time_percent, at_least=1.0, at_most=50.0)),
            ("location_percent", checked("location_percent", location_percent, at_least=1.0, at_most=99.0)),
            ("location_sigma_db", checked("location_sigma_db", location_sigma_db, at_least=0.0)),
            ("entry_loss_db", checked("entry_loss_db", entry_loss_db)),
            ("entry_sigma_db", checked("entry_sigma_db", entry_sigma_db, at_least=0.0)),
            ("delta_n", p1812.checked_lapse(delta_n)),
            ("n0", checked("n0", n0, above=0.0)),
            ("latitude_deg", checked("latitude_deg", latitude_deg, at_least=-90.0, at_most=90.0)),
            ("tx_coast_km", p1812.coast_km("tx_coast_km", tx_coast_km, zones[starts[:-1]] == p1812.SEA)),
            ("rx_coast_km", p1812.coast_km("rx_coast_km", rx_coast_km, zones[starts[1:] - 1] == p1812.SEA)),
        )
    ):
        try:
            arguments[:, row] = value
        except ValueError:
            raise DomainError(f"{name} must be one value or {count}, one for each profile") from None
    loss, wrong = np.empty(count), np.zeros(count, dtype=np.int8)
    run = _many_compiled() if (available() if use_numba is None else use_numba) else many
    run(distance, ground, clutter, zones, starts, arguments, is_vertical(polarisation), loss, wrong)
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        raise DomainError(f"profile {first}: {PROBLEMS[wrong[first]]}")
    length = distance[starts[1:] - 1] - distance[starts[:-1]]
    p1812.warn_outside_range(frequency, length, arguments[:, 0], arguments[:, 1])
    return loss


# Other arrays would each be compiled for anew; a copy costs less.
_PLAIN_MEMORY: Any = ("C_CONTIGUOUS", "ALIGNED", "WRITEABLE")


def _checked_points(name: str, value: ArrayLike) -> Floats:
    """A flat float64 array; whether its values are finite is found while scanning."""
    try:
        array = np.require(value, np.float64, _PLAIN_MEMORY)
    except (TypeError, ValueError) as error:
        raise DomainError(f"{name} must be numbers") from error
    if array.ndim != 1:
        raise DomainError(f"{name} must be flat: the profiles one after the other")
    return array


def _checked_zones(zone: ArrayLike) -> NDArray[np.int8]:
    zones = np.asarray(zone)
    if zones.ndim != 1 or not np.issubdtype(zones.dtype, np.integer):
        raise DomainError("zone must be whole numbers, the profiles one after the other")
    if zones.dtype != np.int8:
        zones = np.clip(zones, 0, 100)
    return np.require(zones, np.int8, _PLAIN_MEMORY)


def _checked_offsets(offsets: ArrayLike, points: int) -> NDArray[np.int64]:
    starts = np.asarray(offsets)
    if starts.ndim != 1 or starts.size < 1 or not np.issubdtype(starts.dtype, np.integer):
        raise DomainError("offsets must be whole numbers, one more than there are profiles")
    starts = starts.astype(np.int64)
    if starts[0] != 0 or starts[-1] != points:
        raise DomainError(f"offsets must begin with 0 and end with the number of points, {points}")
    if (np.diff(starts) < 3).any():
        raise DomainError(f"profile {int(np.argmax(np.diff(starts) < 3))}: fewer than 3 points")
    return starts


def problem(distance: Floats, ground: Floats, clutter: Floats, zone: NDArray[np.int8]) -> int:
    """0, or the number in `PROBLEMS` of what is wrong with a profile."""
    if not np.isfinite(distance + ground + clutter).all():
        return 1
    if not (distance[1:] > distance[:-1]).all():
        return 2
    if (clutter < 0.0).any():
        return 3
    return 0 if ((zone == p1812.SEA) | (zone == p1812.COASTAL) | (zone == p1812.INLAND)).all() else 4


def path_loss_db(
    distance: Floats, ground: Floats, clutter: Floats, zone: NDArray[np.int8], figures: Floats, vertical: bool
) -> float:
    """Basic transmission loss of one profile; `figures` in the order of `basic_transmission_loss_db`, f in GHz.

    Checks nothing: the building block for other compiled kernels.
    """
    top = ground + clutter
    top[0], top[-1] = ground[0], ground[-1]
    path = _p1812.path_of_profile(
        (distance - distance[0]) * 1e-3, ground, top, zone, figures[0], figures[1], figures[8], figures[10],
        figures[11], figures[12],
    )  # fmt: skip
    sigma = 0.0 if zone[-1] == p1812.SEA else figures[5]
    loss: float = _p1812.losses(
        path, figures[2], figures[3], figures[4], sigma, figures[6], figures[7], figures[9], vertical
    ).Lb_db
    return loss


def many(
    distance: Floats, ground: Floats, clutter: Floats, zone: NDArray[np.int8], offsets: NDArray[np.int64],
    arguments: Floats, vertical: bool, loss: Floats, wrong: NDArray[np.int8],
) -> None:  # fmt: skip
    """Losses of many profiles; compiled, the processor's cores share them."""
    for i in prange(len(loss)):
        a = offsets[i]
        b = offsets[i + 1]
        wrong[i] = problem(distance[a:b], ground[a:b], clutter[a:b], zone[a:b])
        if wrong[i] == 0:
            loss[i] = path_loss_db(
                distance[a:b], ground[a:b], clutter[a:b], zone[a:b], arguments[i], vertical
            )


def _is_formula(thing: Any, module: ModuleType) -> bool:
    return inspect.isfunction(thing) and thing.__module__ == module.__name__ and thing is not _kernels.where


prange: Any = range
"""numba's, once it is imported."""


@functools.cache
def _many_compiled() -> Any:
    global prange
    from numba import prange

    return compile_function(many, parallel=True)


_FORMULAS: tuple[Callable[..., Any], ...] = (
    *(f for module in (_kernels, _p1812) for f in vars(module).values() if _is_formula(f, module)),
    problem,
    path_loss_db,
)

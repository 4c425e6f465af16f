"""The path losses compiled, for many profiles at once. Needs numba; without it, numpy does the same work.

The formulas are those of `_kernels` and `p1812`, compiled as they stand. Only the scans over profile points
are written a second time, here, as loops. Nothing is compiled before it is first called.

Other kernels build on this one: write a plain function that calls `path_loss_db` (or any formula of
`_kernels` and `p1812`) and hand it to `compile_function`.
"""

import functools
import hashlib
import importlib
import importlib.util
import inspect
import math
import os
import stat
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.errors import DomainError
from linkcalc.propagation import _elementary, _kernels, p1812
from linkcalc.propagation._kernels import Number, Scan, larger
from linkcalc.propagation.diffraction import Polarisation, is_vertical

# ---------------------------------------------------------------- twins of numpy code
# Each stands for the function of the same name in `_kernels` or `p1812`: the scans as loops.


def where(condition: Any, yes: Number, no: Number) -> Number:
    return yes if condition else no


def sums(d: Floats, h: Floats) -> tuple[float, float]:
    """v1 and v2 of `scan_profile`; apart from it because a sum has to be reordered to be fast."""
    v1 = 0.0
    v2 = 0.0
    for i in range(1, len(d)):
        step = d[i] - d[i - 1]
        both = h[i] + h[i - 1]
        v1 += step * both
        v2 += step * (3.0 * d[i - 1] * both + step * (both + h[i]))
    return v1, v2


def scan_profile(d: Floats, h: Floats, top: Floats, ht: float, hr: float, a: float, a2: float) -> Scan:
    n = len(d)
    length = d[n - 1]
    bulge = 500.0 / a
    bulge2 = 500.0 / a2
    line = (hr - ht) / length
    hobs = -math.inf
    at = -math.inf
    ar = -math.inf
    t = -math.inf
    r = -math.inf
    stim = -math.inf
    srim = -math.inf
    stim2 = -math.inf
    srim2 = -math.inf
    for i in range(1, n - 1):
        x = d[i]
        y = length - x
        to_x = 1.0 / x
        to_y = 1.0 / y
        bulge_x = bulge * x
        bulge_y = bulge * y
        hobs = larger(hobs, h[i] - line * x)
        slope = (h[i] - ht) * to_x
        at = larger(at, slope)
        t = larger(t, slope - bulge_x)
        slope = (h[i] - hr) * to_y
        ar = larger(ar, slope)
        r = larger(r, slope - bulge_y)
        slope = (top[i] - ht) * to_x
        stim = larger(stim, slope - bulge_x)
        stim2 = larger(stim2, slope - bulge2 * x)
        slope = (top[i] - hr) * to_y
        srim = larger(srim, slope - bulge_y)
        srim2 = larger(srim2, slope - bulge2 * y)
    lt = 1
    while lt < n - 2 and (h[lt] - ht) * (1.0 / d[lt]) - bulge * d[lt] < t:
        lt += 1
    lr = n - 2
    while lr > 1 and (h[lr] - hr) * (1.0 / (length - d[lr])) - bulge * (length - d[lr]) < r:
        lr -= 1
    v1, v2 = sums(d, h)
    return Scan(v1, v2, hobs - ht, at - line, ar + line, t, lt, r, lr, stim, srim, stim2, srim2)


def scan_nu(d: Floats, top: Floats, ht: float, hr: float, a: float, a2: float) -> tuple[float, int, float]:
    n = len(d)
    length = d[n - 1]
    line = (hr - ht) / length
    per_bulge = 500.0 / a
    per_bulge2 = 500.0 / a2
    largest = -math.inf
    largest2 = -math.inf
    for i in range(1, n - 1):
        x = d[i]
        bulge = x * (length - x)
        weight = 1.0 / bulge
        excess = top[i] - (ht + line * x)
        nu = excess + per_bulge * bulge
        largest = larger(largest, -(nu * (nu * weight)))
        nu = excess + per_bulge2 * bulge
        largest2 = larger(largest2, -(nu * (nu * weight)))
    last = n - 2
    while last > 1:
        x = d[last]
        bulge = x * (length - x)
        nu = top[last] - (ht + line * x) + per_bulge * bulge
        if -(nu * (nu * (1.0 / bulge))) >= largest:
            break
        last -= 1
    scale = 0.002 * length
    return -math.sqrt(-largest * scale), last, -math.sqrt(-largest2 * scale)


def scan_smooth_nu(d: Floats, ht: float, hr: float, a: float, a2: float) -> tuple[float, float]:
    n = len(d)
    length = d[n - 1]
    slope = (hr - ht) / length
    per_bulge = 500.0 / a
    per_bulge2 = 500.0 / a2
    largest = -math.inf
    largest2 = -math.inf
    for i in range(1, n - 1):
        x = d[i]
        bulge = x * (length - x)
        weight = 1.0 / bulge
        line = ht + slope * x
        nu = per_bulge * bulge - line
        largest = larger(largest, -(nu * nu * weight))
        nu = per_bulge2 * bulge - line
        largest2 = larger(largest2, -(nu * nu * weight))
    scale = 0.002 * length
    return -math.sqrt(-largest * scale), -math.sqrt(-largest2 * scale)


def scan_sections(d: Floats, zone: NDArray[np.int8]) -> tuple[float, float, float]:
    n = len(d)
    others = 0
    for i in range(n):
        others += zone[i] != p1812.INLAND
    if others == 0:
        return d[n - 1], d[n - 1], 0.0
    land = 0.0
    inland = 0.0
    sea = 0.0
    land_from = 0.0
    before = p1812.SEA
    edge = d[0]
    i = 0
    while i < n:
        kind = zone[i]
        i += 1
        while i < n and zone[i] == kind:
            i += 1
        start = edge
        edge = d[n - 1] if i == n else 0.5 * (d[i] + d[i - 1])
        if kind == p1812.SEA:
            sea += edge - start
        else:
            if before == p1812.SEA:
                land_from = start
            land = max(land, edge - land_from)
            if kind == p1812.INLAND:
                inland = max(inland, edge - start)
        before = kind
    return land, inland, sea


def scan_roughness(d: Floats, h: Floats, first: int, last: int, hst: float, slope: float) -> float:
    largest = -math.inf
    for i in range(first, last + 1):
        largest = larger(largest, h[i] - (hst + slope * d[i]))
    return largest


# ---------------------------------------------------------------- compiling


def available() -> bool:
    """Whether numba is installed."""
    return importlib.util.find_spec("numba") is not None


@functools.cache
def _register() -> None:
    """Tell numba how to compile the formulas and which loops stand for the scans."""
    extending: Any = importlib.import_module("numba.extending")
    types: Any = importlib.import_module("numba.core.types")
    ir: Any = importlib.import_module("llvmlite.ir")
    get_or_insert: Any = importlib.import_module("numba.core.cgutils").get_or_insert_function

    def instruction(name: str, *flags: str) -> Any:
        """One of LLVM's own; its maximum, unlike that of numba, works on several points at once."""

        def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            double = ir.DoubleType()
            kind = ir.FunctionType(double, [double] * len(arguments))
            return builder.call(get_or_insert(builder.module, kind, name), arguments, fastmath=flags)

        return generate

    def of_two(name: str) -> Any:
        generate = instruction(name, "nnan", "nsz")
        return extending.intrinsic(lambda _, a, b: (types.float64(types.float64, types.float64), generate))

    larger_of, smaller_of = of_two("llvm.maxnum.f64"), of_two("llvm.minnum.f64")
    floor_of = extending.intrinsic(lambda _, x: (types.float64(types.float64), instruction("llvm.floor.f64")))

    def cast(kind: Any, llvm: Any) -> Any:
        @extending.intrinsic  # type: ignore[untyped-decorator]
        def same_bits(_: Any, x: Any) -> Any:
            def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
                return builder.bitcast(arguments[0], llvm)

            return kind(x), generate

        return same_bits

    to_bits, from_bits = cast(types.int64, ir.IntType(64)), cast(types.float64, ir.DoubleType())
    plain = {"error_model": "numpy"}
    extending.overload(_elementary.bits, jit_options=plain)(lambda x: lambda x: to_bits(x))
    extending.overload(_elementary.of_bits, jit_options=plain)(lambda n: lambda n: from_bits(n))
    extending.overload(larger, jit_options=plain)(lambda a, b: lambda a, b: larger_of(a, b))
    extending.overload(_kernels.smaller, jit_options=plain)(lambda a, b: lambda a, b: smaller_of(a, b))
    extending.overload(_kernels.floor, jit_options=plain)(lambda x: lambda x: floor_of(x))
    extending.overload(sums, jit_options={**plain, "fastmath": {"reassoc", "nsz"}})(always(sums))
    for function in _AS_THEY_STAND:
        _register_helper(function)
    for formula in _INTO_THE_CALLER:
        extending.register_jitable(error_model="numpy", forceinline=True)(formula)
    for function, twin in _TWINS:
        extending.overload(function, jit_options=plain)(always(twin))
    for function, twin in _TWINS_INTO_THE_CALLER:
        extending.overload(function, jit_options={**plain, "forceinline": True})(always(twin))


@functools.cache
def _register_helper(function: Callable[..., Any]) -> None:
    extending: Any = importlib.import_module("numba.extending")
    extending.register_jitable(error_model="numpy")(function)


def always(twin: Callable[..., Any]) -> Callable[..., Any]:
    """An overload that answers every type with the same function; numba compares parameter names."""

    def answer(*arguments: Any) -> Any:
        return twin

    answer.__signature__ = inspect.signature(twin)  # type: ignore[attr-defined]
    return answer


def compile_function(
    function: Callable[..., Any],
    *,
    uses: Sequence[Callable[..., Any]] = (),
    parallel: bool = False,
    allocates: bool = True,
) -> Any:
    """Compile a plain function that may call the formulas of this package.

    The machine code is kept on disk where a folder for it can be written, else compiled anew by each
    process.

    Parameters
    ----------
    function : callable
        In the subset of Python that numba compiles. It may call the formulas and scans of `_kernels` and
        `p1812`, and `path_loss_db`, `prepare` and `larger` of this module.
    uses : sequence of callable
        Further functions that it calls, directly or not.
    parallel : bool
        Share `numba.prange` loops between the processor's cores.
    allocates : bool
        False if nothing that it does makes an array: then views of arrays are not counted, which saves a
        tenth of the time of short profiles.

    Returns
    -------
    callable

    Raises
    ------
    ModuleNotFoundError
        If numba is not installed, see `available`.

    Examples
    --------
    >>> edge = compile_function(_kernels.knife_edge) if available() else _kernels.knife_edge
    >>> round(float(edge(0.0)), 2)
    6.03
    """
    import numba

    _register()
    for helper in uses:
        _register_helper(helper)
    options: dict[str, Any] = {} if allocates else {"_nrt": False}
    dispatcher = numba.njit(error_model="numpy", nogil=True, parallel=parallel, **options)(function)
    folder = cache_folder(Path(inspect.getfile(function)).parent)
    if folder is not None:
        with _numba_cache_folder(folder), suppress(RuntimeError):  # the source file cannot be read
            dispatcher.enable_caching()
    return dispatcher


def cache_folder(*sources: Path) -> Path | None:
    """A writable folder for machine code, named after the sources that it was made from.

    numba alone would only look at the file of the outermost function, and keep old formulas alive.
    """
    digest = hashlib.sha256()
    for source in sorted({Path(__file__).parent, *sources}):
        for file in sorted(source.glob("*.py")):
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
"""What `prepare` can find wrong, by the number it returns."""

CHUNKS = 64
"""Profiles are shared out in this many runs at most, each with its own scratch space."""


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
    """`p1812.basic_transmission_loss_db` for many profiles, spread over the processor's cores.

    Parameters
    ----------
    distance_m, ground_m, clutter_m, zone : array_like, shape (points,)
        The profiles one after the other, each as for one profile; every one has at least 3 points.
    offsets : array_like of int, shape (profiles + 1,)
        Profile i is the points from offsets[i] up to, not including, offsets[i + 1]. The first is 0, the
        last the number of points.
    tx_height_m, rx_height_m, frequency_hz, time_percent, ... : array_like
        As for one profile; scalars, or one value for each profile.
    use_numba : bool, optional
        By default, numba where it is installed, else numpy. Both give the same numbers to 1e-9 dB.

    Returns
    -------
    ndarray, dB, shape (profiles,)

    Raises
    ------
    DomainError
        If an argument is not finite or not defined; the message names the first bad profile.
    ModuleNotFoundError
        If `use_numba` is true and numba is not installed.

    Warns
    -----
    OutOfRangeWarning
        If frequency, path length or antenna height lie outside the standard's range.

    References
    ----------
    Rec. ITU-R P.1812-8 (09/2025).

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
    arguments = np.empty((13, count))
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
            arguments[row] = value
        except ValueError:
            raise DomainError(f"{name} must be one value or {count}, one for each profile") from None
    loss, wrong = np.empty(count), np.zeros(count, dtype=np.int8)
    chunks = min(CHUNKS, count)
    bounds = np.arange(chunks + 1) * count // max(chunks, 1)
    scratch = np.empty((chunks, 2, int(np.diff(starts).max(initial=0))))
    run = _batch() if (available() if use_numba is None else use_numba) else _batch_in_numpy
    run(
        distance, ground, clutter, zones, starts, arguments, is_vertical(polarisation),
        bounds, scratch, loss, wrong,
    )  # fmt: skip
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        raise DomainError(f"profile {first}: {PROBLEMS[wrong[first]]}")
    length = distance[starts[1:] - 1] - distance[starts[:-1]]
    p1812.warn_outside_range(frequency, length, arguments[0], arguments[1])
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


def path_loss_db(
    d: Floats,
    h: Floats,
    top: Floats,
    zone: NDArray[np.int8],
    htg: float,
    hrg: float,
    f: float,
    p: float,
    pl: float,
    sigma: float,
    entry: float,
    entry_sigma: float,
    delta_n: float,
    n0: float,
    latitude: float,
    dct: float,
    dcr: float,
    vertical: bool,
) -> Number:
    """Basic transmission loss of one profile in the standard's units (km, m, GHz, %).

    Checks nothing and allocates nothing: the building block for other compiled kernels. `d` and `top` as
    `prepare` makes them.
    """
    path = p1812.path_of_profile(d, h, top, zone, htg, hrg, delta_n, latitude, dct, dcr)
    if zone[len(zone) - 1] == p1812.SEA:
        sigma = 0.0
    return p1812.losses(path, f, p, pl, sigma, entry, entry_sigma, n0, vertical).Lb_db


def prepare(
    distance: Floats, ground: Floats, clutter: Floats, zone: NDArray[np.int8], d: Floats, top: Floats
) -> int:
    """Fill `d` (km from the transmitter) and `top` (ground plus clutter, ends bare) from metres.

    Returns 0, or the number in `PROBLEMS` of what is wrong with the profile.
    """
    np.multiply(distance - distance[0], 1e-3, out=d)
    np.add(ground, clutter, out=top)
    top[0], top[-1] = ground[0], ground[-1]
    if not (np.isfinite(distance).all() and np.isfinite(ground).all() and np.isfinite(clutter).all()):
        return 1
    if not (d[1:] > d[:-1]).all():
        return 2
    if (clutter < 0.0).any():
        return 3
    return 0 if ((zone == p1812.SEA) | (zone == p1812.COASTAL) | (zone == p1812.INLAND)).all() else 4


def _prepare_loop(
    distance: Floats, ground: Floats, clutter: Floats, zone: NDArray[np.int8], d: Floats, top: Floats
) -> int:
    n = len(distance)
    infinite = 0
    falling = 0
    negative = 0
    unknown = 0
    before = -1.0
    for i in range(n):
        x = (distance[i] - distance[0]) * 1e-3
        falling += not x > before
        before = x
        d[i] = x
        top[i] = ground[i] + clutter[i]
        infinite += not abs(distance[i]) + abs(ground[i]) + abs(clutter[i]) < math.inf
        negative += clutter[i] < 0.0
        kind = zone[i]
        unknown += (kind != p1812.INLAND) & (kind != p1812.SEA) & (kind != p1812.COASTAL)
    top[0] = ground[0]
    top[n - 1] = ground[n - 1]
    if infinite > 0:
        return 1
    if falling > 0:
        return 2
    if negative > 0:
        return 3
    return 4 if unknown > 0 else 0


def _some_of_many(
    chunk: int,
    distance: Floats,
    ground: Floats,
    clutter: Floats,
    zone: NDArray[np.int8],
    offsets: NDArray[np.int64],
    arguments: Floats,
    vertical: bool,
    bounds: NDArray[np.int64],
    scratch: Floats,
    loss: Floats,
    wrong: NDArray[np.int8],
) -> None:
    for i in range(bounds[chunk], bounds[chunk + 1]):
        a = offsets[i]
        b = offsets[i + 1]
        d = scratch[chunk, 0, : b - a]
        top = scratch[chunk, 1, : b - a]
        wrong[i] = prepare(distance[a:b], ground[a:b], clutter[a:b], zone[a:b], d, top)
        if wrong[i] == 0:
            loss[i] = path_loss_db(
                d, ground[a:b], top, zone[a:b],
                arguments[0, i], arguments[1, i], arguments[2, i], arguments[3, i], arguments[4, i],
                arguments[5, i], arguments[6, i], arguments[7, i], arguments[8, i], arguments[9, i],
                arguments[10, i], arguments[11, i], arguments[12, i], vertical,
            )  # fmt: skip


def _batch_in_numpy(*arguments: Any) -> None:
    for chunk in range(len(arguments[-3])):
        _some_of_many(chunk, *arguments)


@functools.cache
def _batch() -> Any:
    from numba import prange

    def batch(
        distance: Any, ground: Any, clutter: Any, zone: Any, offsets: Any, arguments: Any, vertical: Any,
        bounds: Any, scratch: Any, loss: Any, wrong: Any,
    ) -> None:  # fmt: skip
        for chunk in prange(len(scratch)):
            _some_of_many(
                chunk, distance, ground, clutter, zone, offsets, arguments, vertical,
                bounds, scratch, loss, wrong,
            )  # fmt: skip

    return compile_function(batch, parallel=True)


_TWINS: tuple[tuple[Callable[..., Any], Callable[..., Any]], ...] = (
    (_kernels.scan_profile, scan_profile),
    (_kernels.scan_nu, scan_nu),
    (_kernels.scan_smooth_nu, scan_smooth_nu),
    (p1812.scan_sections, scan_sections),
    (p1812.scan_roughness, scan_roughness),
    (prepare, _prepare_loop),
)

_TWINS_INTO_THE_CALLER: tuple[tuple[Callable[..., Any], Callable[..., Any]], ...] = (
    (_kernels.where, where),
    (_kernels.log10, _elementary.log10),
    (_kernels.exp, _elementary.exp),
    (_kernels.power, _elementary.power),
    (_kernels.cosine_of_third, _elementary.cosine_of_third),
)

_AS_THEY_STAND = (
    _kernels.bullington_nu,
    _kernels.smooth_slope,
    _kernels.smooth_slope_back,
    _kernels.smooth_bullington_nu,
    _kernels.first_term,
    _kernels.delta_bullington,
    p1812.path_of_profile,
    p1812.sea_coupling,
    p1812.site_shielding,
    p1812.upper_quantile,
    p1812.time_interpolation,
    p1812.losses,
    path_loss_db,
    _some_of_many,
)

_INTO_THE_CALLER: tuple[Callable[..., Any], ...] = (
    _elementary.split,
    _elementary.defined,
    _elementary.exp,
    _kernels.fit_surface,
    _kernels.bullington_edge,
    _kernels.smallest_clearance,
    _kernels.sphere_of_path,
    _kernels.knife_edge,
    _kernels.bullington,
    _kernels.height_gain,
    _kernels.first_term_over,
    _kernels.spherical,
)
"""Without calls between, the compiler can work on several paths at once."""

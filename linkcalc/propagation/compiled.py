"""Formulas compiled as they stand, for many profiles at once. Needs numba; without it, numpy does the same work.

A kernel is a plain function that calls any formula of `_kernels`, handed to `compile_function`. Nothing is
compiled before it is first called.
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
from typing import Any

from linkcalc.propagation import _kernels


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
    # numpy's error model, so that compiled or not a division by 0 is inf or NaN and no exception
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


_FORMULAS: tuple[Callable[..., Any], ...] = tuple(
    f
    for f in vars(_kernels).values()
    if inspect.isfunction(f) and f.__module__ == _kernels.__name__ and f is not _kernels.where
)

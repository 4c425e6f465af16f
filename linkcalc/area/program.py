"""Which program gives the numbers: for tiles that are kept, and for workers elsewhere."""

import functools
import hashlib
import importlib
import importlib.metadata
from pathlib import Path
from typing import Any, NamedTuple

from linkcalc._version import __version__
from linkcalc.propagation import compiled


class Program(NamedTuple):
    """What decides the numbers of a process."""

    version: str
    formulas: str
    compiled: bool
    numerics: str
    """What can change last digits: the numeric libraries, and the processor that code is compiled for."""


@functools.cache
def formulas() -> str:
    """SHA-256 of all source and tables that numbers come from."""
    package = Path(__file__).parents[1]
    made_of = hashlib.sha256()
    for source in sorted((*package.rglob("*.py"), *package.rglob("*.toml"))):
        # what prints, draws and asks changes no number
        if source.relative_to(package).parts[0] not in ("views", "cli"):
            made_of.update(source.read_bytes())
    return made_of.hexdigest()


@functools.cache
def own_program() -> Program:
    """Of this process."""
    numerics = [f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "scipy")]
    if compiled.available():
        llvm: Any = importlib.import_module("llvmlite.binding")
        numerics += [f"numba {importlib.metadata.version('numba')}", f"processor {llvm.get_host_cpu_name()}"]
    return Program(__version__, formulas(), compiled.available(), ", ".join(numerics))


def difference(here: Program, there: Program) -> str | None:
    """Why another process would not give the numbers of this one, as words after its name; None if it would."""
    if there.version != here.version:
        return f"runs linkcalc {there.version}, and this is {here.version}: install the same on both"
    if there.formulas != here.formulas:
        return f"runs a linkcalc {there.version} with other formulas than here: install the same on both"
    if here.compiled and not there.compiled:
        return "has no numba, and this machine has: pip install 'linkcalc[fast]' there"
    if there.compiled and not here.compiled:
        return "has numba, and this machine has not: pip install 'linkcalc[fast]' here"
    return None

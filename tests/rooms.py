"""The rooms of the house, on the floors they stand on; and which of them import from which.

    python -m tests.rooms

prints how many imports lead from one room into another, floor by floor.
"""

import ast
from collections import Counter
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import linkcalc

ROOT = Path(linkcalc.__file__).parent

FLOORS: tuple[tuple[str, ...], ...] = (
    ("errors", "units", "_version"),
    ("_arrays", "_kinds", "files", "answer", "tabular"),
    ("propagation", "radio", "rules"),
    ("terrain",),
    ("plan",),
    ("link",),
    ("operation", "area"),
    ("sweeps", "fleets", "site"),
    ("commands", "views"),
    ("cli",),
    ("__init__", "__main__"),
)
"""A room knows itself and the floors below it: nothing above, and no neighbour. Physics and the table of legal limits
know no plan, the core no pictures, and only the shell knows the shell."""


def modules() -> dict[str, Path]:
    """Every module of the package by its name."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        parts = ("linkcalc", *path.relative_to(ROOT).with_suffix("").parts)
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def room_of(module: str) -> str:
    """The room that a module stands in: a folder, or a module of the ground floors."""
    return [*module.split("."), "__init__"][1]


@cache
def imports(*, at_import: bool = False) -> frozenset[tuple[str, str]]:
    """Pairs of a module and one that it imports, anywhere; or only what importing it imports."""
    known = modules()
    pairs = set()
    for module, path in known.items():
        found = {_nearest(name, known) for name in _named(ast.parse(path.read_text()), at_import=at_import)}
        pairs |= {(module, other) for other in found - {module, ""}}
    return frozenset(pairs)


def _nearest(name: str, known: dict[str, Path]) -> str:
    """The module that a dotted name lies in, empty where it is none of ours."""
    while name and name not in known:
        name = name.rpartition(".")[0]
    return name


def _named(tree: ast.AST, *, at_import: bool) -> Iterator[str]:
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("linkcalc"):
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        later = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        for_types = isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        if not (at_import and (later or for_types)):
            yield from _named(node, at_import=at_import)


def order_of_import() -> list[str]:
    """The modules in an order in which each finds all it needs; `graphlib.CycleError` where there is a circle."""
    needs: dict[str, set[str]] = {}
    for module, other in imports(at_import=True):
        needs.setdefault(module, set()).add(other)
    return list(TopologicalSorter(needs).static_order())


def main() -> None:
    """Print the floors, and what each room imports from others."""
    pairs = [(m, o) for m, o in imports() if room_of(m) not in ("__init__", room_of(o))]
    rooms = Counter((room_of(m), room_of(o)) for m, o in pairs)
    for floor, here in enumerate(FLOORS):
        for room in here:
            seen = ", ".join(f"{other} {n}" for (one, other), n in sorted(rooms.items()) if one == room)
            print(f"{floor:2} {room:14} {seen}")
    print(f"{len(FLOORS)} floors; {len(rooms)} pairs of rooms, {len(pairs)} imports between them")


if __name__ == "__main__":
    main()

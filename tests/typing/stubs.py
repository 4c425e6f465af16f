"""Stubs of the physics, where numbers in give a number and arrays in give an array, and of the public names.

`python -m tests.typing.stubs` writes ``linkcalc/{propagation,radio}/*.pyi`` and ``linkcalc/__init__.pyi`` from the
modules beside them; a test holds them together. The sources of the physics say `Any`, since one body answers both; what
their docstrings promise stands here as a pair of overloads.
"""

import ast
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import linkcalc

ROOT = Path(linkcalc.__file__).parent
ROOMS = ("propagation", "radio")
HEAD = """\
# Written by `python -m tests.typing.stubs` from the module beside it.
# mypy: disable-error-code="overload-overlap"
"""
KINDS = (
    ("complex", "complex", "NDArray[np.complex128]"),
    ("bool", "bool", "NDArray[np.bool_]"),
    ("float", "float", "NDArray[np.float64]"),
)
"""Word of the docstring's "Returns", type of a number, type of an array."""
DETAILED = {"irregular": "IrregularDetail", "p1812": "MappingProxyType[str, Any]"}
"""What a function that is asked for details gives."""


def stubs() -> Iterator[tuple[Path, str]]:
    """Path and text of every stub."""
    yield ROOT / "__init__.pyi", face()
    for room in ROOMS:
        yield ROOT / room / "__init__.pyi", room_face(room)
        for source in sorted((ROOT / room).glob("[a-z]*.py")):
            tree = ast.parse(source.read_text())
            if any(_is_elementwise(node) for node in tree.body):
                yield source.with_suffix(".pyi"), stub(source.stem, tree)


def face() -> str:
    """The public names, which the package imports when they are first used."""
    lines = [HEAD.splitlines()[0], "from linkcalc._version import __version__ as __version__"]
    for name, home in sorted(linkcalc._HOMES.items(), key=lambda item: (item[1], item[0])):
        lines.append(f"from linkcalc{'' if home == name else f'.{home}'} import {name} as {name}")
    return "\n".join(lines) + "\n"


def room_face(room: str) -> str:
    """The modules of a room, which it imports when they are first used."""
    names = importlib.import_module(f"linkcalc.{room}").__all__
    return (
        "\n".join([HEAD.splitlines()[0], *(f"from linkcalc.{room} import {n} as {n}" for n in names)]) + "\n"
    )


def stub(module: str, tree: ast.Module) -> str:
    """The text of one module's stub."""
    profiles = set(re.findall(r"^(\w+) : array_like[^\n]*shape \(n,\)", "\n".join(_docs(tree)), re.M))
    parts = [HEAD]
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            parts += _function(module, node, profiles)
        elif isinstance(node, ast.ClassDef):
            parts.append(ast.unparse(_gathered(_bare(node))))
        elif isinstance(node, ast.ImportFrom) and node.module == "typing":
            names = sorted({a.name for a in node.names} | {"Any", "Literal", "overload"})
            parts.append(f"from typing import {', '.join(names)}")
        elif isinstance(node, ast.ImportFrom) and node.module == "numpy.typing":
            parts.append("from numpy.typing import ArrayLike, NDArray")
        elif not isinstance(node, ast.Expr):
            if isinstance(node, ast.AnnAssign):
                node.value = None
            parts.append(ast.unparse(node))
    return "\n".join(parts) + "\n"


def _docs(tree: ast.Module) -> Iterator[str]:
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            yield ast.get_docstring(node) or ""


def _is_elementwise(node: ast.stmt) -> bool:
    return (
        isinstance(node, ast.FunctionDef)
        and not node.name.startswith("_")
        and isinstance(node.returns, ast.Name)
        and node.returns.id == "Any"
        and any("ArrayLike" in ast.unparse(a.annotation) for a in _arguments(node) if a.annotation)
    )


def _arguments(node: ast.FunctionDef) -> list[ast.arg]:
    return [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]


def _function(module: str, node: ast.FunctionDef, profiles: set[str]) -> Iterator[str]:
    if not _is_elementwise(node):
        yield _signature(node)
        return
    doc = ast.get_docstring(node) or ""
    returns = re.search(r"Returns\n-+\n(.*)", doc)
    words = returns[1] if returns else "float"
    scalar, array = next((one, many) for word, one, many in KINDS if word in words)
    own = set(re.findall(r"^(\w+) : array_like", doc, re.M)) - set(
        re.findall(r"^(\w+) : array_like[^\n]*shape \(n,\)", doc, re.M)
    )
    # a profile is two arrays or more; one alone is an array like any other
    along = (profiles - own) & {a.arg for a in _arguments(node)}
    along = along if len(along) > 1 else set()
    detailed = any(a.arg == "detail" for a in _arguments(node))
    plain = {"detail": "Literal[False]"} if detailed else {}
    yield _signature(node, scalar, along, number=True, named=plain)
    yield _signature(node, array, along, named=plain)
    if detailed:
        yield _signature(node, DETAILED[module], along, named={"detail": "Literal[True]"})


def _signature(
    node: ast.FunctionDef,
    returns: str | None = None,
    along: set[str] = frozenset(),  # type: ignore[assignment]
    *,
    number: bool = False,
    named: dict[str, str] | None = None,
) -> str:
    """A function without its body; an overload where `returns` is given."""
    bare = ast.parse(ast.unparse(node)).body[0]
    assert isinstance(bare, ast.FunctionDef)
    bare.body = [ast.Expr(ast.Constant(...))]
    bare.decorator_list = []
    for arg in _arguments(bare):
        if arg.annotation is None:
            continue
        words = ast.unparse(arg.annotation)
        if number and arg.arg not in along:
            words = words.replace("ArrayLike", "float")
        words = (named or {}).get(arg.arg, words)
        arg.annotation = ast.parse(words, mode="eval").body
    required = (named or {}).get("detail") == "Literal[True]"
    for i, default in enumerate(bare.args.kw_defaults):
        if default is not None:
            wanted = required and bare.args.kwonlyargs[i].arg == "detail"
            bare.args.kw_defaults[i] = None if wanted else ast.Constant(...)
    bare.args.defaults = [ast.Constant(...) for _ in bare.args.defaults]
    if returns is not None:
        bare.returns = ast.parse(returns, mode="eval").body
    text = ast.unparse(bare).replace("\n    ...", " ...")
    return text if returns is None else f"@overload\n{text}"


def _bare(node: ast.ClassDef) -> ast.ClassDef:
    """A class without its bodies and docstrings."""
    body: list[ast.stmt] = []
    for one in node.body:
        if isinstance(one, ast.FunctionDef):
            one.body = [ast.Expr(ast.Constant(...))]
        if not isinstance(one, ast.Expr):
            body.append(one)
    node.body = body or [ast.Expr(ast.Constant(...))]
    return node


def _gathered(node: ast.ClassDef) -> ast.ClassDef:
    """With a constructor of numbers and one of arrays, where the fields may hold either."""
    if "Generic[Numbers]" not in map(ast.unparse, node.bases):
        return node
    fields = [one for one in node.body if isinstance(one, ast.AnnAssign)]
    for kind in ("float", "ArrayLike"):
        taken = [f"self: {node.name}[{kind}]"]
        for one in fields:
            default = " = ..." if one.value else ""
            taken.append(f"{ast.unparse(one.target)}: {ast.unparse(one.annotation)}{default}")
        head = f"def __init__({', '.join(taken)}) -> None: ...".replace("Numbers", kind)
        node.body += ast.parse(f"@overload\n{head}").body
    return node


def misuse() -> Iterator[str]:
    """A function for each of the physics that takes its numbers and gives the result to the wrong type."""
    for path, text in stubs():
        if path.stem == "__init__":
            continue
        tree = ast.parse(text)
        module = f"{path.parent.name}.{path.stem}"
        homes = {
            a.name: (n.module or "").replace("linkcalc.", "")
            for n in tree.body
            if isinstance(n, ast.ImportFrom) and (n.module or "").startswith("linkcalc.")
            for a in n.names
        }
        assigned = [t for n in tree.body if isinstance(n, ast.Assign) for t in n.targets]
        homes |= {t.id: module for t in assigned if isinstance(t, ast.Name)}
        homes |= {n.name: module for n in tree.body if isinstance(n, ast.ClassDef)}
        seen = set()
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and node.decorator_list and node.name not in seen:
                seen.add(node.name)
                taken = []
                for a in _arguments(node):
                    assert a.annotation is not None
                    words = "".join(
                        f"lc.{homes[word]}.{word}" if word in homes else word
                        for word in re.split(r"\b", ast.unparse(a.annotation))
                    )
                    taken.append(f"{a.arg}: {words}")
                handed = [a.arg for a in (*node.args.posonlyargs, *node.args.args)]
                handed += [f"{a.arg}={a.arg}" for a in node.args.kwonlyargs]
                name = f"{module.replace('.', '_')}_{node.name}"
                yield f"def {name}({', '.join(taken)}) -> None:"
                yield f"    wrong: None = lc.{module}.{node.name}({', '.join(handed)})  # wrong"


def main() -> None:
    """Write every stub."""
    for path, text in stubs():
        path.write_text(text)


if __name__ == "__main__":
    main()

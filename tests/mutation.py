"""Whether the tests would notice: single changes in the modules that decide, each run against their tests.

    python -m tests.mutation [--module NAME [--tests FILE ...]] [--most N] [--seed N] [--jobs N]

Each change turns one constant, comparison, sign, operation, extreme (min, max ...), choice or logical word of
a module into another, in a copy of the repository. One that makes a test fail is caught. The exit code is 1 if
fewer than nine in ten are. Left out is only what no answer can show (`_LOSES_NOTHING`, `_GUARDS`, `_nudge`,
`SEARCHES`, each with its reason); any other change that alters nothing to be seen counts as missed, too: read the list.
"""

import argparse
import ast
import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

_NOTHING_RUN = 5
"""pytest's exit code where no test is so marked."""

ROOT = Path(__file__).parents[1]
BAR = 0.9

TARGETS: dict[str, tuple[str, ...]] = {
    "linkcalc.link.path_loss": ("tests/test_path_loss.py",),
    "linkcalc.link.losses": ("tests/test_path_loss.py",),
    "linkcalc.link.surroundings": ("tests/test_path_loss.py", "tests/test_link_case.py"),
    "linkcalc.link.models": ("tests/test_path_loss.py", "tests/test_own_models.py"),
    "linkcalc.link.case": ("tests/test_link_case.py", "tests/test_budget.py"),
    "linkcalc.link.uncertainty": ("tests/test_uncertainty.py",),
    "linkcalc.link.requirement": ("tests/test_requirement.py",),
    "linkcalc.link.judgement": ("tests/test_judgement.py",),
    "linkcalc.link.legal": ("tests/test_legal.py",),
    "linkcalc.link.reliability": ("tests/test_reliability.py",),
    "linkcalc.link.decision": ("tests/test_verdict.py",),
    "linkcalc.link.verdict": ("tests/test_verdict.py",),
    "linkcalc.link.notes": ("tests/test_verdict.py",),
    "linkcalc.link.traffic": ("tests/rules/test_traffic.py", "tests/rules/test_plan_limits.py"),
    "linkcalc.link.advice": ("tests/test_advice_figures.py", "tests/test_advice.py"),
    "linkcalc.link.remedies": ("tests/test_remedies.py",),
    "linkcalc.link.remedy_plans": ("tests/test_remedies.py",),
    "linkcalc.link.remedy_options": ("tests/test_remedies.py", "tests/test_advice_figures.py"),
    "linkcalc.link.parts_list": ("tests/test_parts.py", "tests/test_remedies.py"),
    "linkcalc.link.improved_plan": ("tests/test_improved_plan.py",),
    "linkcalc.sweeps.mast_heights": ("tests/test_heights.py",),
    "linkcalc.site.level": ("tests/test_site_level.py",),
    "linkcalc.site.heard": ("tests/test_site_level.py",),
    "linkcalc.area.margins": ("tests/area/test_same_as_check.py", "tests/area/test_coverage.py"),
    "linkcalc.operation.tank.risk": ("tests/test_tank.py",),
    "linkcalc.operation.tank.filling": ("tests/test_tank.py",),
    "linkcalc.operation.tank.waiting": ("tests/test_tank.py",),
    "linkcalc.operation.tank.solve": ("tests/test_tank.py",),
    "linkcalc.operation.messages": ("tests/test_messages.py",),
    "linkcalc.operation.channel": ("tests/test_messages.py",),
    "linkcalc.fleets.judge": ("tests/fleet/test_judge.py",),
    "linkcalc.fleets.remedies": ("tests/fleet/test_fleet_remedies.py",),
    "linkcalc.operation.exposure": ("tests/test_exposure.py", "tests/rules/test_plan_limits.py"),
    "linkcalc.operation.limits": ("tests/rules/test_plan_limits.py", "tests/rules/test_traffic.py"),
    "linkcalc.rules.limits": ("tests/rules",),
    "linkcalc.rules.findings": ("tests/rules",),
    "linkcalc.propagation.clutter": ("tests/propagation/test_clutter.py", "tests/propagation/test_ranges.py"),
    "linkcalc.terrain.land_cover": ("tests/terrain/test_land_cover.py",),
    "linkcalc.propagation.two_ray": ("tests/propagation/test_two_ray.py",),
    "linkcalc.propagation.vegetation": (
        "tests/propagation/test_vegetation.py",
        "tests/propagation/test_ranges.py",
    ),
}
"""Modules that decide, and the tests that should notice."""

SEARCHES: dict[str, tuple[str, ...]] = {
    "linkcalc.link.requirement": (
        "for _ in range(34):",
        "spread = np.sqrt(site**2",
        "at = np.clip(middle + ndtri(share) * spread",
        "slope = np.exp(-0.5 * over * over)",
    ),
}
"""Lines of a module that only say how quickly a search within a bracket arrives, not where: where it begins, how
steep it takes the curve to be, one halving more. Changes of them show in nothing but time."""

_COMPARED = {
    ast.Lt: ">=", ast.LtE: ">", ast.Gt: "<=", ast.GtE: "<", ast.Eq: "!=", ast.NotEq: "==",
    ast.In: "not in", ast.NotIn: "in", ast.Is: "is not", ast.IsNot: "is",
}  # fmt: skip
_OPERATIONS = {
    ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.BitAnd: "|", ast.BitOr: "&",
}  # fmt: skip
_OTHER_NAME = {
    a: b
    for pair in (("min", "max"), ("minimum", "maximum"), ("argmin", "argmax"), ("any", "all"),
                 ("floor", "ceil"), ("smaller", "larger"))
    for a, b in (pair, pair[::-1])
}  # fmt: skip
_LOSES_NOTHING = (ast.Raise, ast.JoinedStr, ast.AnnAssign, ast.Import, ast.ImportFrom, ast.Assert)
"""What tests need not look at: wording, annotations (the value of an annotated name is looked at)."""

_GUARDS = {"strict", "repr", "stacklevel"}
"""Arguments that change no answer: zip's own check of lengths, how a record prints itself, which line of the caller
a warning points at."""

_NUDGE = 1e-6


@dataclass(frozen=True)
class Change:
    """One replacement on one line."""

    line: int
    """From 1."""
    begin: int
    end: int
    """Columns in the line's bytes."""
    new: str

    def applied(self, source: str) -> str:
        lines = source.splitlines(keepends=True)
        raw = lines[self.line - 1].encode()
        lines[self.line - 1] = (raw[: self.begin] + self.new.encode() + raw[self.end :]).decode()
        return "".join(lines)

    def told(self, source: str) -> str:
        """The line before and after."""
        before, after = (text.splitlines()[self.line - 1].strip() for text in (source, self.applied(source)))
        return f"{before}   ->   {after}"


def changes(source: str, searches: Sequence[str] = ()) -> list[Change]:
    """Every change of a module's source, in its order, but for lines that begin as one of `searches`.

    >>> [c.told("x = min(a, 2) if a < b else -a") for c in changes("x = min(a, 2) if a < b else -a")][:2]
    ['x = min(a, 2) if a < b else -a   ->   x = max(a, 2) if a < b else -a', \
'x = min(a, 2) if a < b else -a   ->   x = min(a, 3) if a < b else -a']
    """
    lines = source.encode().splitlines()
    left_out = {
        n for n, line in enumerate(source.splitlines(), 1) if line.strip().startswith(tuple(searches))
    }
    found = {change for node in _looked_at(ast.parse(source)) for change in _changes_of(node, lines)}
    return sorted((c for c in found if c.line not in left_out), key=lambda c: (c.line, c.begin, c.new))


def _looked_at(node: ast.AST) -> Iterator[ast.AST]:
    """All nodes below one, without what need not be looked at."""
    if isinstance(node, ast.Call) and ast.unparse(node.func) in ("isinstance", "cast"):
        return  # types, which mypy looks at
    for name, child in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        if isinstance(node, ast.If) and name == "body" and ast.unparse(node.test) == "TYPE_CHECKING":
            continue
        for one in child if isinstance(child, list) else [child]:
            if isinstance(one, ast.AnnAssign) and one.value is not None:
                yield one.value
                yield from _looked_at(one.value)
            elif isinstance(one, ast.keyword) and one.arg in _GUARDS:
                continue
            elif isinstance(one, ast.AST) and not isinstance(one, _LOSES_NOTHING):
                if not _nudge(one, node):
                    yield one
                yield from _looked_at(one)


def _nudge(node: ast.AST, above: ast.AST) -> bool:
    """Whether a constant only guards against rounding or a division by nothing: twice as much shows nowhere.

    A factor is not one: it converts units.
    """
    factor = isinstance(above, ast.BinOp) and isinstance(above.op, ast.Mult | ast.Div | ast.Pow)
    small = isinstance(node, ast.Constant) and isinstance(node.value, float) and 0.0 < node.value <= _NUDGE
    return small and not factor


def _changes_of(node: ast.AST, lines: Sequence[bytes]) -> Iterator[Change]:
    if isinstance(node, ast.Constant):
        new = _other_constant(node.value)
        if new is not None and node.lineno == node.end_lineno:
            yield Change(node.lineno, node.col_offset, node.end_col_offset or 0, new)
    elif isinstance(node, ast.Compare):
        for operator, left, right in zip(
            node.ops, [node.left, *node.comparators], node.comparators, strict=False
        ):
            yield from _between(left, right, lines, _COMPARED[type(operator)])
    elif isinstance(node, ast.BoolOp):
        word = "or" if isinstance(node.op, ast.And) else "and"
        for left, right in zip(node.values, node.values[1:], strict=False):
            yield from _between(left, right, lines, word)
    elif isinstance(node, ast.BinOp) and type(node.op) in _OPERATIONS:
        yield from _between(node.left, node.right, lines, _OPERATIONS[type(node.op)])
    elif isinstance(node, ast.Call) and ast.unparse(node.func) == "np.where" and len(node.args) == 3:
        yield from _exchanged(node.args[1], node.args[2], lines)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not | ast.Invert):
        sign = "not " if isinstance(node.op, ast.Not) else "-"
        yield Change(node.lineno, node.col_offset, node.col_offset + len(sign), "")
    elif isinstance(node, ast.Name) and node.id in _OTHER_NAME and isinstance(node.ctx, ast.Load):
        yield Change(node.lineno, node.col_offset, node.end_col_offset or 0, _OTHER_NAME[node.id])
    elif isinstance(node, ast.Attribute) and node.attr in _OTHER_NAME and node.end_lineno == node.lineno:
        end = node.end_col_offset or 0
        yield Change(node.lineno, end - len(node.attr), end, _OTHER_NAME[node.attr])


def _other_constant(value: object) -> str | None:
    if isinstance(value, bool):
        return str(not value)
    if isinstance(value, int):
        return str(value + 1)
    if isinstance(value, float):
        return repr(2.0 * value if value else 1.0)
    return None


def _between(left: ast.expr, right: ast.expr, lines: Sequence[bytes], new: str) -> Iterator[Change]:
    """Replace what stands between two operands of one line, brackets left where they are."""
    if left.end_lineno != right.lineno:
        return
    begin, end = left.end_col_offset or 0, right.col_offset
    between = lines[right.lineno - 1][begin:end].decode()
    old = between.strip(" ()")
    start = begin + between.index(old)
    yield Change(right.lineno, start, start + len(old), new)


def _exchanged(one: ast.expr, other: ast.expr, lines: Sequence[bytes]) -> Iterator[Change]:
    """Two arguments of one line in each other's place."""
    if len({one.lineno, one.end_lineno, other.lineno, other.end_lineno}) > 1:
        return
    line = lines[one.lineno - 1]
    a, b, c, d = (one.col_offset, one.end_col_offset or 0, other.col_offset, other.end_col_offset or 0)
    yield Change(one.lineno, a, d, (line[c:d] + line[b:c] + line[a:b]).decode())


@dataclass(frozen=True)
class Outcome:
    """What became of one change."""

    change: Change
    caught: bool
    told: str


class Bench:
    """Copies of the repository, each with one change at a time."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs

    @contextmanager
    def _copies(self) -> Iterator[list[Path]]:
        with tempfile.TemporaryDirectory() as folder:
            copies = [Path(folder) / str(k) for k in range(self._jobs)]
            for copy in copies:
                shutil.copytree(
                    ROOT, copy, ignore=shutil.ignore_patterns(".git", "__pycache__", ".*cache", ".venv")
                )
            yield copies

    def run(self, module: str, tests: Sequence[str], most: int | None, seed: int) -> list[Outcome]:
        """Try the changes of a module, or as many of them drawn at random."""
        file = Path(*module.split("."))
        file = file / "__init__.py" if (ROOT / file).is_dir() else file.with_suffix(".py")
        source = (ROOT / file).read_text(encoding="utf-8")
        chosen = changes(source, SEARCHES.get(module, ()))
        if most is not None and most < len(chosen):
            chosen = sorted(random.Random(seed).sample(chosen, most), key=lambda c: (c.line, c.begin))
        with self._copies() as copies, ThreadPoolExecutor(self._jobs) as pool:
            begun = time.monotonic()
            if not passes(copies[0], tests, None):
                raise SystemExit(f"{', '.join(tests)} fail as they are: nothing can be said about {module}")
            patience_s = 30.0 + 4.0 * (time.monotonic() - begun)  # for a change that never ends
            free = list(copies)

            def tried(change: Change) -> Outcome:
                copy = free.pop()
                try:
                    _write(copy / file, change.applied(source))
                    caught = not passes(copy, tests, patience_s)
                finally:
                    _write(copy / file, source)
                    free.append(copy)
                return Outcome(change, caught, f"{file}:{change.line}: {change.told(source)}")

            return list(pool.map(tried, chosen))


def _write(file: Path, source: str) -> None:
    """Write a module, and leave no compiled one of the same second and length."""
    file.write_text(source, encoding="utf-8")
    for compiled in (file.parent / "__pycache__").glob(f"{file.stem}.*.pyc"):
        compiled.unlink()


def passes(copy: Path, tests: Sequence[str], patience_s: float | None) -> bool:
    """Whether tests pass in a copy of the repository, with the same examples every time."""
    code = None
    for part in (["-m", "quick"], []):  # most changes are caught by the quick ones
        process = _PROCESSES.Process(target=_run_tests, args=(str(copy), [*part, *tests]))
        process.start()
        process.join(patience_s)
        if process.is_alive():
            process.kill()
            process.join()
            return False
        code = process.exitcode
        if code not in (0, _NOTHING_RUN):
            return False
    return code == 0


_PROCESSES = multiprocessing.get_context("forkserver")
_PROCESSES.set_forkserver_preload(["pytest", "numpy", "scipy.special", "scipy.stats", "pydantic", "typer"])


def _run_tests(copy: str, arguments: list[str]) -> None:
    """In a process of its own, which has imported nothing of the repository's that stays."""
    os.chdir(copy)
    os.environ |= {"CI": "1", "PYTHONPATH": copy}
    sys.dont_write_bytecode = False  # compiled once, not once a change: the copy is thrown away
    sys.path.insert(0, copy)
    for name in [n for n in sys.modules if n.partition(".")[0] in ("tests", "linkcalc")]:
        del sys.modules[name]
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)
    import pytest

    sys.exit(int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", *arguments])))


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.mutation",
        description="Whether the tests notice single changes in what decides.",
    )
    parser.add_argument("--module", metavar="NAME", help="one module, for example linkcalc.link.advice")
    parser.add_argument(
        "--tests", metavar="FILE", nargs="+", help="its tests; left out: as listed in tests/mutation.py"
    )
    parser.add_argument("--most", metavar="N", type=int, help="changes of each module, drawn at random")
    parser.add_argument("--seed", metavar="N", type=int, default=1, help="of the draw")
    parser.add_argument("--jobs", metavar="N", type=int, default=1, help="at a time")
    options = parser.parse_args(argv)
    targets = TARGETS
    if options.module:
        tests = options.tests or TARGETS.get(options.module)
        if not tests:
            parser.error(f"{options.module} is not listed: name its tests with --tests")
        targets = {options.module: tuple(tests)}
    bench = Bench(options.jobs)
    caught = tried = 0
    missed: list[str] = []
    width = max(map(len, targets))
    for module, tests in targets.items():
        outcomes = bench.run(module, tests, options.most, options.seed)
        got = sum(o.caught for o in outcomes)
        caught, tried = caught + got, tried + len(outcomes)
        missed += [o.told for o in outcomes if not o.caught]
        print(f"{module:<{width}}  {_row(got, len(outcomes))}", flush=True)
    print(f"{'all':<{width}}  {_row(caught, tried)}")
    for line in missed:
        print(f"missed  {line}")
    return 0 if caught >= BAR * tried else 1


def _row(caught: int, tried: int) -> str:
    share = f"{caught / tried:5.0%}" if tried else "    -"
    return f"{tried:4} tried  {caught:4} caught  {tried - caught:4} missed  {share}"


if __name__ == "__main__":
    sys.exit(main())

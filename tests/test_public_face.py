"""The public names, and the one way the data flows."""

import ast
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import linkcalc

ROOT = Path(linkcalc.__file__).parent

LAYERS = {
    "physics": ("propagation", "radio", "units", "errors", "_arrays", "_ranges"),
    "views": ("views",),
    "cli": ("cli",),
}


def test_every_public_name_is_there_and_listed_once():
    assert len(set(linkcalc.__all__)) == len(linkcalc.__all__)
    assert set(linkcalc._HOMES) | {"__version__"} == set(linkcalc.__all__)
    for name in linkcalc.__all__:
        assert getattr(linkcalc, name) is not None


def test_a_name_that_is_not_public_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        linkcalc.nothing  # noqa: B018


def test_no_public_name_is_hidden_by_a_module_of_that_name():
    # importing such a module anywhere would put it in the name's place
    assert {p.stem for p in ROOT.glob("*")} & set(linkcalc.__all__) == {"propagation", "radio"}


def test_the_program_runs_as_a_module_too():
    command = [sys.executable, "-m", "linkcalc", "check", "no_such_plan.toml"]
    ended = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ended.returncode == 2
    assert "no_such_plan.toml" in ended.stderr
    assert "Traceback" not in ended.stderr


def _imports(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("linkcalc"):
            names |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names if alias.name.startswith("linkcalc")}
    return names


def _modules():
    return sorted(p for p in ROOT.rglob("*.py") if "__pycache__" not in p.parts)


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_data_flows_one_way(path):
    room = path.relative_to(ROOT).parts[0].removesuffix(".py")
    seen = _imports(path)
    if room in LAYERS["physics"]:
        allowed = {f"linkcalc.{name}" for name in LAYERS["physics"]}
        strangers = {n for n in seen if n != "linkcalc" and not any(n.startswith(a) for a in allowed)}
        assert not strangers, "physics knows physics only"
    if room not in ("cli", "__main__"):
        assert not {n for n in seen if n.startswith("linkcalc.cli")}, "only the shell knows the shell"
    # the public face hands names on, and an answer's door to the views is its base class (`answer.view`)
    if room not in ("cli", "views", "__init__"):
        assert not {n for n in seen if n.startswith("linkcalc.views")}, "the core knows no pictures"


INTERNAL = {
    # shared with the compiled path
    "propagation.p1812": {"checked_zone", "coast_km", "checked_lapse", "warn_outside_range"},
}


def _public_functions():
    for name in linkcalc.__all__:
        found = getattr(linkcalc, name)
        if inspect.isfunction(found):
            yield name, inspect.getdoc(found) or ""
    for room in ("propagation", "radio"):
        for path in sorted((ROOT / room).glob("[a-z]*.py")):
            module = f"{room}.{path.stem}"
            if module == "propagation.compiled":  # one public function, with an example; the rest are loops
                continue
            for node in ast.parse(path.read_text()).body:
                known = isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
                if known and node.name not in INTERNAL.get(module, set()):
                    yield f"{module}.{node.name}", ast.get_docstring(node) or ""


@pytest.mark.parametrize(("name", "text"), list(_public_functions()))
def test_every_public_function_has_an_example_that_the_doctests_run(name, text):
    assert ">>>" in text, name

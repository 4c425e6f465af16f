"""The public names, and the one way the data flows."""

import ast
import inspect
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import linkcalc
from tests import rooms

ROOT = Path(linkcalc.__file__).parent


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


def test_every_room_stands_on_one_floor():
    standing = [room for floor in rooms.FLOORS for room in floor]
    assert len(set(standing)) == len(standing)
    assert {rooms.room_of(module) for module in rooms.modules()} == set(standing)


@pytest.mark.parametrize("room", [room for floor in rooms.FLOORS for room in floor])
def test_a_room_imports_from_the_floors_below_alone(room):
    floor = next(i for i, here in enumerate(rooms.FLOORS) if room in here)
    below = {room, *(name for here in rooms.FLOORS[:floor] for name in here)}
    strangers = {
        (m, o) for m, o in rooms.imports() if rooms.room_of(m) == room and rooms.room_of(o) not in below
    }
    assert not strangers


def test_no_modules_import_each_other_in_a_circle():
    order = rooms.order_of_import()  # raises CycleError where there is one
    assert order.index("linkcalc.plan.control") < order.index("linkcalc.plan.model")


@pytest.mark.parametrize("room", ["plan", "terrain", "rules"])
def test_a_room_reads_from_the_ground_up_imports_within_functions_too(room):
    needs: dict[str, set[str]] = {}
    for module, other in rooms.imports():
        if rooms.room_of(module) == rooms.room_of(other) == room:
            needs.setdefault(module, set()).add(other)
    assert list(TopologicalSorter(needs).static_order())  # raises CycleError where there is a circle


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
                if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                    yield f"{module}.{node.name}", ast.get_docstring(node) or ""


@pytest.mark.parametrize(("name", "text"), list(_public_functions()))
def test_every_public_function_has_an_example_that_the_doctests_run(name, text):
    assert ">>>" in text, name

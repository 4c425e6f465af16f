"""The public names keep strict types, in a program as a user writes it; the physics say what they give."""

import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest

import linkcalc as lc
from tests.typing import stubs, use_of_public_names

pytest.importorskip("mypy")

ROOT = Path(__file__).parents[2]


EXAMPLES = sorted((ROOT / "docs" / "gallery").glob("*.py"))


def mypy(*programs: Path) -> "subprocess.CompletedProcess[str]":
    """One after the other, with what the check of the package keeps: each does not read the libraries anew."""
    command = [sys.executable, "-m", "mypy", "--strict", *map(str, programs)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def test_a_users_program_runs(capsys: pytest.CaptureFixture[str]) -> None:
    use_of_public_names.main()
    assert "dB" in capsys.readouterr().out


@pytest.mark.slow
@pytest.mark.parametrize("programs", [[Path(use_of_public_names.__file__)], EXAMPLES], ids=["use", "gallery"])
def test_a_users_program_passes_a_strict_type_check(programs: list[Path]) -> None:
    right = mypy(*programs)
    assert (right.returncode, right.stderr) == (0, ""), right.stdout


WRONG = """
import linkcalc as lc
import numpy as np
lc.nonsense
lc.propagation.nonsense
lc.radio.css.nonsense
lc.check(3)
lc.check("x").nonsense
lc.check("x").links[0].directions[0].fade_margin_db.lower()
lc.check_plan(3)
lc.check_plan("x").links = ()
lc.with_sections(lc.check("x"), "x")
lc.sweep("x", 3)
lc.sweep_plan("x", {"sf": [7]}, station="shed")
lc.heights("x", highest_m="20")
lc.coverage("x")
lc.coverage("x", "shed", radius_m="5 km")
lc.relay("x", relays=3)
lc.relay("x", relay_height_m="9")
lc.relay("x", relay_hight_m=9.0)
lc.fleet(3)
lc.survey("x", 3)
lc.survey("x", "y", leaf="leafy")
lc.acceptance(success="0.9")
lc.acceptance(interval_s="60")
lc.record("x", day="2031-05-02")
lc.fieldsheet("x", "link").to_html(None)
lc.compare("x", leaf="green")
lc.parts(3)
lc.sample(3, 3)
lc.loss_model(3)
lc.forget_loss_model(3)
lc.readings_from("x")
lc.readings_frame(3)
lc.compare_measured(3, 3)
lc.profile_of_array(3)
lc.clearance_of(3)
lc.limits("x", region=3)
lc.messages()
lc.tank("x", tank_years="many")
lc.energy("x", "y")
lc.how_far(3)
lc.plan_of_facts(frequency_mhz="868")
lc.load_plan(3)
lc.load_plan("x").changed(3)
lc.load_plan("x").to_toml().nonsense
lc.load_fleet(3)
lc.plan_from("x")
lc.profile_from("x", "y", "z", "u", 3)
lc.read_profile_csv(3)
lc.cut_profile("x")
lc.sample_path(3)
lc.show(3)
lc.draw_profile(None, 3)
lc.draw_budget(None, 3)
lc.draw_height(None, 3)
lc.draw_sweep(None, 3)
lc.draw_coverage(None, 3)
lc.draw_heights(None, 3)
text: str = lc.propagation.free_space.free_space_loss_db(1e3, 868e6)
number: float = lc.propagation.free_space.free_space_loss_db([1e3, 2e3], 868e6)
array: np.ndarray[Any, Any] = lc.radio.css.time_on_air_s(16, spreading_factor=9, bandwidth_hz=125e3)
lc.radio.css.time_on_air_s(16, spreading_factor=9, bandwidth_hz=125e3, nonsense=3)
lc.sample("site.toml", {"sf": [7, 9]}, draws="many")
lc.loss_model(3)
lc.forget_loss_model(3)
lc.readings_from([], lc.load_plan("site.toml"), link=3)
lc.readings_frame("readings.csv")
lc.compare_measured(3, {"level": 120.0})
lc.profile_of_array([1.0, 2.0], (0.0, 0.0), (0.0, 0.1))
lc.clearance_of("profile.csv", 868e6, (4.0, 6.0))
lc.styled(3)
"""


def wrong_program() -> str:
    """A program of which every line but the imports and heads is wrong."""
    lines = [
        "from typing import Any, Literal",
        "from numpy.typing import ArrayLike",
        *WRONG.strip().splitlines(),
    ]
    # no name is Any: to a type checker that would be a str, too
    lines += [f"name_{i}: Ellipsis = lc.{name}" for i, name in enumerate(lc.__all__)]
    return "\n".join(["from types import EllipsisType as Ellipsis", *lines, *stubs.misuse()]) + "\n"


@pytest.mark.slow
def test_every_wrong_line_is_told(tmp_path: Path) -> None:
    program = tmp_path / "wrong.py"
    program.write_text(wrong_program())
    told = mypy(program)
    assert told.returncode == 1, told.stderr
    found = {int(number) for number in re.findall(r"wrong\.py:(\d+): error", told.stdout)}
    lines = program.read_text().splitlines()
    wrong = {
        n
        for n, line in enumerate(lines, 1)
        if not line.startswith(("import", "from", "def")) or "wrong" in line[:10]
    }
    missed = [lines[n - 1] for n in sorted(wrong - found)]
    assert not missed
    assert not [lines[n - 1] for n in sorted(found - wrong)]


def test_every_function_is_misused_somewhere() -> None:
    called = set(re.findall(r"lc\.(\w+)\(", WRONG))
    functions = {name for name in lc.__all__ if inspect.isfunction(getattr(lc, name))}
    assert functions <= called


@pytest.mark.slow
def test_the_physics_stubs_are_as_the_sources_promise() -> None:
    found = dict(stubs.stubs())
    there = set(stubs.ROOT.rglob("*.pyi"))
    assert there == set(found), "python -m tests.typing.stubs"
    for path, text in found.items():
        assert path.read_text() == text, f"{path.name}: python -m tests.typing.stubs"
    # a stub hides its source from the check of the package
    sources = mypy(*(path.with_suffix(".py") for path in found))
    assert sources.returncode == 0, sources.stdout

"""A small valid plan, and ways to write it down damaged."""

from pathlib import Path

import pytest

from linkcalc.errors import PlanError
from linkcalc.plan import LoadedPlan, load_plan

PLAN = """\
title = "invented"

[[station]]
name = "tank"
antenna_height_m = 4.0
[station.antenna]
polarisation = "vertical"
[station.feeder]
type = "rg213"
length_m = 5.0

[[station]]
name = "shed"
antenna_height_m = 6.0

[[link]]
name = "level"
from = "tank"
to = "shed"
frequency_mhz = 868.0
profile_csv = "path.csv"
[link.modulation]
kind = "css"
spreading_factor = 10
"""

HEIGHT = "antenna_height_m = 4.0"


def plan_text(*changes: tuple[str, str]) -> str:
    """The plan with pieces of its text replaced, each of which must be there."""
    text = PLAN
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def write(folder: Path, content: str | bytes) -> Path:
    """Write a plan beside its surveyed profile."""
    (folder / "path.csv").write_text("distance_m,ground_m\n0,10\n500,8\n1000,11\n")
    file = folder / "plan.toml"
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    return file


def load(folder: Path, *changes: tuple[str, str]) -> LoadedPlan:
    """Load the plan with these changes."""
    return load_plan(write(folder, plan_text(*changes)))


def refusal(folder: Path, *changes: tuple[str, str], raw: str | bytes | None = None) -> str:
    """What the door says to the plan with these changes, without the file's name."""
    file = write(folder, plan_text(*changes) if raw is None else raw)
    with pytest.raises(PlanError) as caught:
        load_plan(file)
    line = str(caught.value)
    assert line.isprintable()
    assert line.startswith(f"{file}: ")
    return line.removeprefix(f"{file}: ")

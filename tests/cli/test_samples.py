"""The samples command: the invented plans and rasters, copied out and ready to check."""

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from linkcalc.cli import app
from linkcalc.errors import LinkcalcError
from linkcalc.files import sample_names, sample_path, samples_folder
from linkcalc.plan import load_plan

pytestmark = pytest.mark.cli


def samples(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["samples", *map(str, arguments)])


def test_every_sample_is_copied_and_loads_where_it_is(tmp_path: Path) -> None:
    done = samples(tmp_path / "demo")
    assert (done.exit_code, done.stderr) == (0, "")
    assert "plain.toml, upland.toml, wooded.toml" in done.stdout
    copied = sorted(p.name for p in (tmp_path / "demo").iterdir())
    assert copied == sorted(p.name for p in samples_folder().iterdir() if p.is_file() and p.suffix != ".py")
    for name in sample_names():
        assert load_plan(tmp_path / "demo" / f"{name}.toml").plan == load_plan(sample_path(name)).plan


def test_nothing_is_overwritten_unless_forced(tmp_path: Path) -> None:
    (tmp_path / "upland.toml").write_text("mine")
    done = samples(tmp_path)
    assert done.exit_code == 2
    assert done.stderr == f"linkcalc: {tmp_path / 'upland.toml'}: exists already; --force replaces it\n"
    assert [p.name for p in tmp_path.iterdir()] == ["upland.toml"]
    assert samples(tmp_path, "--force").exit_code == 0
    assert load_plan(tmp_path / "upland.toml").plan.link


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = samples(tmp_path / "file")
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert "file" in done.stderr


def test_a_sample_that_is_not_there_is_named_with_those_that_are() -> None:
    with pytest.raises(LinkcalcError, match="unknown sample 'hills'; samples: plain, upland, upland_fleet"):
        sample_path("hills")

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest

from linkcalc.propagation import _kernels, compiled

needs_numba = pytest.mark.skipif(not compiled.available(), reason="numba is not installed")


def bend_loss_db(parameter: float) -> Any:
    """A kernel of another module would look like this."""
    return _kernels.knife_edge(parameter)


@needs_numba
def test_other_kernels_can_call_the_formulas() -> None:
    kernel = compiled.compile_function(bend_loss_db)
    assert kernel(1.2) == pytest.approx(bend_loss_db(1.2), abs=1e-9)


def twice_bent_db(parameter: float) -> Any:
    return 2.0 * bend_loss_db(parameter)


@needs_numba
def test_other_kernels_can_name_the_functions_they_use() -> None:
    kernel = compiled.compile_function(twice_bent_db, uses=(bend_loss_db,))
    assert kernel(1.2) == pytest.approx(2.0 * bend_loss_db(1.2), abs=1e-9)


def small(x: float) -> float:
    """Compiled in no time: where machine code is kept does not depend on how much there is of it."""
    return 2.0 * x


@needs_numba
def test_machine_code_is_kept_under_the_name_of_its_sources(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    compiled.compile_function(small)(1.0)
    folders = list(tmp_path.iterdir())
    assert [folder.name.startswith("compiled-") for folder in folders] == [True]
    assert list(folders[0].rglob("*.nbi"))


@needs_numba
def test_without_a_writable_folder_it_still_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    blocked = tmp_path / "file"
    blocked.touch()
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(blocked / "below"))
    kernel = compiled.compile_function(small)
    assert kernel(1.0) == 2.0
    assert not kernel.stats.cache_path


@pytest.fixture
def nowhere_to_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A read-only installation and home; gives the folder for temporary files."""
    blocked, temporary = tmp_path / "file", tmp_path / "temporary"
    blocked.touch()
    temporary.mkdir()
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked / "below"))
    monkeypatch.setattr(compiled, "__file__", str(blocked / "compiled.py"))
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    return temporary


@needs_numba
@pytest.mark.skipif(not hasattr(os, "getuid"), reason="needs users")
def test_where_home_is_read_only_machine_code_is_kept_with_temporary_files(nowhere_to_write: Path) -> None:
    first = compiled.compile_function(small)
    assert first(1.0) == 2.0
    assert Path(first.stats.cache_path).is_relative_to(nowhere_to_write / f"linkcalc-{os.getuid()}")
    again = compiled.compile_function(small)
    assert again(1.0) == 2.0
    assert sum(again.stats.cache_hits.values()) == 1


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="needs users")
@pytest.mark.parametrize("way", ["written by others", "led elsewhere"])
def test_machine_code_is_not_taken_from_a_folder_that_others_can_fill(
    way: str, nowhere_to_write: Path, tmp_path: Path
) -> None:
    folder = nowhere_to_write / f"linkcalc-{os.getuid()}"
    if way == "led elsewhere":
        folder.symlink_to(tmp_path)
    else:
        folder.mkdir()
        folder.chmod(0o777)
    assert compiled.cache_folder() is None


def test_where_no_home_is_known_nothing_is_put_into_a_folder_called_so(
    nowhere_to_write: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setattr(os.path, "expanduser", lambda path: path)  # as for a user without an entry
    monkeypatch.chdir(tmp_path)
    assert compiled.cache_folder() != Path("~/.cache/linkcalc")
    assert not (tmp_path / "~").exists()


def test_importing_the_module_does_not_import_numba() -> None:
    code = "import sys, linkcalc.propagation.compiled; sys.exit('numba' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation import _kernels, compiled, p1812
from tests.propagation.paths import random_path

needs_numba = pytest.mark.skipif(not compiled.available(), reason="numba is not installed")

PER_PROFILE = (
    "tx_height_m",
    "rx_height_m",
    "frequency_hz",
    "time_percent",
    "location_percent",
    "location_sigma_db",
    "delta_n",
    "n0",
    "latitude_deg",
    "tx_coast_km",
    "rx_coast_km",
)


def packed(paths: list[dict[str, Any]]) -> dict[str, Any]:
    """Several paths as arguments for one call."""
    arguments: dict[str, Any] = {
        name: np.concatenate([path[name] for path in paths])
        for name in ("distance_m", "ground_m", "clutter_m", "zone")
    }
    arguments["offsets"] = np.concatenate([[0], np.cumsum([len(path["ground_m"]) for path in paths])])
    return arguments | {name: np.array([path[name] for path in paths]) for name in PER_PROFILE}


@pytest.mark.parametrize("use_numba", [pytest.param(True, marks=needs_numba), False])
@pytest.mark.parametrize("polarisation", ["vertical", "horizontal"])
def test_many_profiles_at_once_give_the_losses_of_one_by_one(
    use_numba: bool, polarisation: str, few: Callable[[int], int]
) -> None:
    paths = [random_path(500 + n) | {"polarisation": polarisation} for n in range(few(300))]
    many = compiled.basic_transmission_loss_db(
        **packed(paths), polarisation=polarisation, use_numba=use_numba
    )
    single = [p1812.basic_transmission_loss_db(**path) for path in paths]
    assert np.abs(many - single).max() < 1e-9


@needs_numba
@settings(max_examples=200, deadline=None)
@given(
    ground=st.lists(
        st.sampled_from([0.0, 0.0, 1.0, 40.0, 41.0]) | st.floats(0.0, 3000.0), min_size=3, max_size=20
    ),
    step=st.sampled_from([125.0, 1000.0, 7777.7]),
    zone=st.sampled_from([1, 3, 4]),
    heights=st.tuples(st.sampled_from([1.0, 10.0]), st.sampled_from([1.0, 10.0])),
    time=st.sampled_from([1.0, 10.0, 50.0]),
)
def test_plateaux_and_symmetric_ground_pick_the_same_horizons(
    ground: list[float], step: float, zone: int, heights: tuple[float, float], time: float
) -> None:
    # equal heights tie for the horizon: both writings must break the tie the same way
    n = len(ground)
    path = {
        "distance_m": np.arange(n) * step,
        "ground_m": np.array(ground),
        "zone": np.full(n, zone),
        "tx_height_m": heights[0],
        "rx_height_m": heights[1],
        "frequency_hz": 868e6,
        "time_percent": time,
    }
    single = p1812.basic_transmission_loss_db(**path)
    many = compiled.basic_transmission_loss_db(**path, offsets=[0, n], use_numba=True)
    assert abs(many[0] - single) < 1e-9


def test_one_value_serves_all_profiles_and_defaults_are_those_of_one_path() -> None:
    d, h = np.linspace(0.0, 20e3, 50), np.linspace(10.0, 60.0, 50)
    zone = np.full(50, 4)
    zone[:10] = 1
    link = {"tx_height_m": 10.0, "rx_height_m": 5.0, "frequency_hz": 868e6, "time_percent": 2.0}
    many = compiled.basic_transmission_loss_db(
        np.tile(d, 2), np.tile(h, 2), [0, 50, 100], zone=np.tile(zone, 2), **link
    )
    assert many == pytest.approx([p1812.basic_transmission_loss_db(d, h, zone=zone, **link)] * 2, abs=1e-9)


def test_no_profiles_give_no_losses() -> None:
    loss = compiled.basic_transmission_loss_db(
        [], [], [0], tx_height_m=10.0, rx_height_m=10.0, frequency_hz=868e6
    )
    assert loss.shape == (0,)


BASE: dict[str, Any] = {
    "distance_m": [0.0, 500.0, 1000.0, 0.0, 400.0, 800.0, 1200.0],
    "ground_m": [5.0, 6.0, 7.0, 1.0, 2.0, 3.0, 4.0],
    "offsets": [0, 3, 7],
    "tx_height_m": 10.0,
    "rx_height_m": 5.0,
    "frequency_hz": 868e6,
}


@pytest.mark.parametrize("use_numba", [pytest.param(True, marks=needs_numba), False])
@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            {"distance_m": [0.0, 500.0, 1000.0, 0.0, 900.0, 800.0, 1200.0]},
            "profile 1: distance_m must increase",
        ),
        ({"ground_m": [5.0, 6.0, 7.0, 1.0, np.nan, 3.0, 4.0]}, "profile 1: .* finite"),
        ({"distance_m": [0.0, 500.0, np.inf, 0.0, 400.0, 800.0, 1200.0]}, "profile 0: .* finite"),
        ({"clutter_m": [0.0] * 5 + [-1.0, 0.0]}, "profile 1: clutter_m must be at least 0"),
        ({"clutter_m": [0.0, np.nan] + [0.0] * 5}, "profile 0: .* finite"),
        ({"zone": [4, 4, 4, 4, 2, 4, 4]}, "profile 1: zone"),
        ({"zone": [4, 260, 4, 4, 4, 4, 4]}, "profile 0: zone"),
        ({"zone": [4.0] * 7}, "zone must be whole numbers"),
        ({"zone": [4] * 6}, "zone has 6 points"),
        ({"offsets": [0, 2, 7]}, "profile 0: fewer than 3 points"),
        ({"offsets": [0, 3, 6]}, "end with the number of points, 7"),
        ({"offsets": [0.0, 7.0]}, "whole numbers"),
        ({"ground_m": [0.0] * 6}, "same number of points"),
        ({"ground_m": [[0.0] * 7]}, "flat"),
        ({"ground_m": ["high"] * 7}, "must be numbers"),
        ({"frequency_hz": [868e6] * 3}, "frequency_hz must be one value or 2"),
        ({"time_percent": 60.0}, "time_percent must be at most 50"),
    ],
)
def test_what_cannot_be_used_is_named_with_its_profile(
    use_numba: bool, change: dict[str, object], says: str
) -> None:
    with pytest.raises(DomainError, match=says):
        compiled.basic_transmission_loss_db(**BASE | change, use_numba=use_numba)


def test_outside_the_range_of_the_standard_all_profiles_share_one_warning() -> None:
    with pytest.warns(OutOfRangeWarning, match="30 to 6000 MHz") as caught:
        compiled.basic_transmission_loss_db(**BASE | {"frequency_hz": [868e6, 10e6]})
    assert len(caught) == 1
    assert caught[0].filename == __file__


# ---------------------------------------------------------------- compiling


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


def test_without_numba_the_numbers_come_from_numpy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiled, "available", lambda: False)
    monkeypatch.setattr(compiled, "_many_compiled", lambda: pytest.fail("numba was asked for"))
    assert np.isfinite(compiled.basic_transmission_loss_db(**BASE)).all()


def test_importing_the_module_does_not_import_numba() -> None:
    code = "import sys, linkcalc.propagation.compiled; sys.exit('numba' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@needs_numba
def test_profiles_that_may_not_be_written_to_are_read_all_the_same() -> None:
    expected = compiled.basic_transmission_loss_db(**BASE)
    frozen = {name: np.array(BASE[name]) for name in ("distance_m", "ground_m")}
    for array in frozen.values():
        array.flags.writeable = False
    compiled_for = len(compiled._many_compiled().signatures)
    assert (compiled.basic_transmission_loss_db(**BASE | frozen) == expected).all()
    assert len(compiled._many_compiled().signatures) == compiled_for

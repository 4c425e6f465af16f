"""Files are written whole or not at all."""

import csv
import io
import os
from pathlib import Path

import pytest

from linkcalc.errors import LinkcalcError
from linkcalc.files import atomic_write, csv_text, refuse_to_overwrite


def test_text_and_bytes_arrive_as_given_and_nothing_is_left_beside(tmp_path: Path) -> None:
    atomic_write(tmp_path / "a.txt", "h\u00f6he\n")
    atomic_write(tmp_path / "b.bin", b"\x00\x01")
    assert (tmp_path / "a.txt").read_bytes() == "h\u00f6he\n".encode()
    assert (tmp_path / "b.bin").read_bytes() == b"\x00\x01"
    assert sorted(os.listdir(tmp_path)) == ["a.txt", "b.bin"]


def test_a_new_file_has_the_rights_any_new_file_has_and_an_old_one_keeps_its_own(tmp_path: Path) -> None:
    (tmp_path / "usual").write_text("")
    atomic_write(tmp_path / "new", "x")
    assert (tmp_path / "new").stat().st_mode == (tmp_path / "usual").stat().st_mode
    (tmp_path / "new").chmod(0o640)
    atomic_write(tmp_path / "new", "y")
    assert (tmp_path / "new").stat().st_mode & 0o777 == 0o640


def test_a_link_is_followed(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "file")
    atomic_write(tmp_path / "link", "x")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "file").read_text() == "x"


@pytest.mark.parametrize("failing", ["fsync", "replace"])
def test_a_disk_that_fills_up_leaves_the_old_file_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    atomic_write(tmp_path / "plan.toml", "old")
    monkeypatch.setattr(os, failing, full)
    with pytest.raises(LinkcalcError, match=r"plan\.toml: cannot be written: No space left on device"):
        atomic_write(tmp_path / "plan.toml", "new")
    assert (tmp_path / "plan.toml").read_text() == "old"
    assert os.listdir(tmp_path) == ["plan.toml"]


def test_a_full_device_is_one_line() -> None:
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with pytest.raises(LinkcalcError, match="/dev/full: cannot be written: No space left on device"):
        atomic_write("/dev/full", "x")


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(LinkcalcError, match=r"there is no folder .*none"):
        atomic_write(tmp_path / "none" / "x", "x")
    with pytest.raises(LinkcalcError, match="cannot be written: Is a directory"):
        atomic_write(tmp_path, "x")


def test_files_that_exist_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    (tmp_path / "b").touch()
    refuse_to_overwrite([tmp_path / "a"])
    with pytest.raises(LinkcalcError, match="b: exists already; take another name"):
        refuse_to_overwrite([tmp_path / "a", tmp_path / "b"], "; take another name")


@pytest.mark.parametrize("formula", ['=HYPERLINK("x")', "+cmd", "-2+3", "@SUM(A1)", "\tx", " =1+1"])
def test_no_cell_of_a_table_is_a_formula(formula: str) -> None:
    (row,) = csv.reader(io.StringIO(csv_text([[formula, "-3.2", -3.2, "tank 1"]])))
    assert row == [f"'{formula}", "-3.2", "-3.2", "tank 1"]


def test_only_what_linkcalc_wrote_is_replaced_in_a_guarded_place(tmp_path: Path) -> None:
    from linkcalc.files import only_own_replaced

    mine = {
        "notes.txt": b"my own words",
        "drawing.svg": b'<?xml version="1.0" encoding="utf-8"?><svg>by hand</svg>',
        "photo.png": b"\x89PNG\r\n\x1a\n and so on",
    }
    own = {
        "table.csv": b"station,item,type,size,quantity\nold",
        "picture.svg": b'<?xml version="1.0" encoding="utf-8"?><svg>Creator linkcalc</svg>',
        "empty.txt": b"",
    }
    for name, content in (mine | own).items():
        (tmp_path / name).write_bytes(content)
    new = {
        ".txt": b"a new report",
        ".svg": b'<?xml version="1.0" encoding="utf-8"?><svg>new</svg>',
        ".png": b"\x89PNG\r\n\x1a\n new",
        ".csv": b"station,item,type,size,quantity\nnew",
    }
    with only_own_replaced(tmp_path):
        for name in mine:
            with pytest.raises(
                LinkcalcError, match="exists already and was not written by linkcalc; --force"
            ):
                atomic_write(tmp_path / name, new[Path(name).suffix])
        for name in (*own, "fresh.txt"):
            atomic_write(tmp_path / name, new[Path(name).suffix])
    assert {name: (tmp_path / name).read_bytes() for name in mine} == mine
    assert (tmp_path / "table.csv").read_bytes() == new[".csv"]
    atomic_write(tmp_path / "notes.txt", "outside the guard")

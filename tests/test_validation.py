import json
import shutil
from collections.abc import Iterable
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.validation import __main__ as command
from tests.validation.tables import Errors, Line, skipped

REFERENCE = Path(__file__).parent / "reference"


@pytest.fixture
def tables(tmp_path: Path) -> Path:
    """A folder laid out as the long tables, with three published cases."""
    folder = tmp_path / "p1812"
    (folder / "profiles").mkdir(parents=True)
    shutil.copy(REFERENCE / "p1812_short_results.csv", folder / "results.csv")
    shutil.copy(REFERENCE / "p1812_short_profile.csv", folder / "profiles")
    return tmp_path


def test_published_cases_pass_and_missing_folders_are_said(
    tables: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command.main(["--tables", str(tables)]) == 0
    printed = capsys.readouterr().out
    assert "Lbulla_beta_db" in printed
    assert "MISSED" not in printed
    assert "p526/delta_bullington.csv" in printed
    assert "all within tolerance" in printed


def test_one_wrong_digit_in_a_table_is_a_miss(tables: Path, capsys: pytest.CaptureFixture[str]) -> None:
    results = tables / "p1812" / "results.csv"
    results.write_text(results.read_text().replace("87.0385433,", "87.0385533,"))
    assert command.main(["--tables", str(tables)]) == 1
    missed = [line for line in capsys.readouterr().out.splitlines() if "MISSED" in line]
    assert [line.split()[1] for line in missed] == ["Lbc_db", "Lb_db"]


def test_a_case_that_gives_no_answer_is_a_miss(tables: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tables / "p1812" / "profiles" / "p1812_short_profile.csv").unlink()
    assert command.main(["--tables", str(tables)]) == 1
    assert "FileNotFoundError" in capsys.readouterr().out


def test_columns_may_move_and_cells_be_blank(tables: Path) -> None:
    results = tables / "p1812" / "results.csv"
    comments = [line for line in results.read_text().splitlines() if line.startswith("#")]
    rows = [line.split(",") for line in results.read_text().splitlines() if not line.startswith("#")]
    rows[1][rows[0].index("Lb_db")] = ""
    turned = [",".join([*reversed(row), "extra"]) for row in rows]
    results.write_text("\n".join([*comments, *turned]))
    lines = [line for line in command.collect(tables, "p1812") if line.rows]
    assert {line.column: line.rows for line in lines}["Lb_db"] == 2
    assert {line.column: line.rows for line in lines}["Lbc_db"] == 3
    assert not any(line.missed for line in lines)


def test_nothing_to_check_is_not_a_pass(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(["--tables", str(tmp_path)]) == 1
    assert "Nothing was found to check" in capsys.readouterr().out
    assert command.main(["--tables", str(tmp_path / "not_there")]) == 1


def test_without_a_folder_the_command_says_what_it_wants(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("LINKCALC_REFERENCE_DATA", raising=False)
    assert command.main([]) == 1
    assert "--tables" in capsys.readouterr().err


def test_the_folder_may_come_from_the_environment(tables: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = tables.parent / "root"
    root.mkdir()
    shutil.move(tables / "p1812", root / "reference" / "p1812")
    monkeypatch.setenv("LINKCALC_REFERENCE_DATA", str(root))
    assert command.main(["--only", "p1812"]) == 0


def test_json_and_markdown_hold_the_same_lines(tables: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command.main(["--tables", str(tables), "--json"])
    lines = json.loads(capsys.readouterr().out)
    command.main(["--tables", str(tables), "--markdown"])
    table = capsys.readouterr().out.splitlines()
    assert len(table) == len(lines) + 2
    assert all(row.startswith("| ") and row.endswith(" |") for row in table if "---" not in row)
    checked = {line["column"]: line for line in lines if line["rows"]}
    assert checked["Lb_db"]["missed"] is False
    assert checked["Lb_db"]["worst_error"] <= checked["Lb_db"]["tolerance"]


def test_a_suite_that_breaks_is_a_miss(tables: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def run(tables: Path) -> Iterable[Line]:
        raise KeyError("column")

    monkeypatch.setattr(command.importlib, "import_module", lambda name: SimpleNamespace(run=run))
    lines = list(command.collect(tables, "p1812"))
    assert [line.missed for line in lines] == [True]
    assert "KeyError" in lines[0].note


def test_an_error_that_is_no_number_is_a_miss() -> None:
    errors = Errors("table")
    errors.add("column", float("nan"), 1.0, "dB")
    assert [line.missed for line in errors.lines()] == [True]
    assert not skipped("table", "not here").missed


def test_measured_links_are_compared_by_a_command_of_their_own(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    fake = SimpleNamespace(main=lambda arguments: seen.append(arguments) or 3)
    monkeypatch.setattr(command.importlib, "import_module", lambda name: fake)
    assert command.main(["measured", "--data", "folder"]) == 3
    assert seen == [["--data", "folder"]]

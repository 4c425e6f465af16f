"""The mutation run notices what tests notice."""

from pathlib import Path

import pytest

from tests import mutation

SOURCE = '''"""A pump: 3 in the text is left alone."""

LIMIT_M: float = 2.0


def runs(level_m: float, dry: bool = False) -> bool:
    """True below 2 m."""
    if level_m < 0:
        raise ValueError(f"a level of {level_m + 1} m")
    return min(level_m, 9) + 1 <= LIMIT_M and not dry
'''


def told(source: str) -> list[str]:
    return [
        change.applied(source).splitlines()[change.line - 1].strip() for change in mutation.changes(source)
    ]


def test_constants_comparisons_signs_extremes_and_words_are_changed_one_at_a_time() -> None:
    assert told(SOURCE) == [
        "LIMIT_M: float = 4.0",
        "def runs(level_m: float, dry: bool = True) -> bool:",
        "if level_m >= 0:",
        "if level_m < 1:",
        "return max(level_m, 9) + 1 <= LIMIT_M and not dry",
        "return min(level_m, 10) + 1 <= LIMIT_M and not dry",
        "return min(level_m, 9) - 1 <= LIMIT_M and not dry",
        "return min(level_m, 9) + 2 <= LIMIT_M and not dry",
        "return min(level_m, 9) + 1 > LIMIT_M and not dry",
        "return min(level_m, 9) + 1 <= LIMIT_M or not dry",
        "return min(level_m, 9) + 1 <= LIMIT_M and dry",
    ]


def test_brackets_stay_where_they_are() -> None:
    assert told("y = (a + b) * (c)") == ["y = (a - b) * (c)", "y = (a + b) / (c)"]
    assert told("y = np.maximum(a, -b)") == ["y = np.minimum(a, -b)", "y = np.maximum(a, b)"]
    assert told("y = np.where(a, (b - 1), c)")[0] == "y = np.where(a, (c), b - 1)"
    assert told("y = (a > b) & c")[1] == "y = (a > b) | c"


def test_what_no_answer_can_show_is_left_alone_and_nothing_else() -> None:
    """Types, zip's own check, how a record prints itself, and a constant against rounding, which is no factor."""
    assert told("if TYPE_CHECKING:\n    from a import b, c\n    LIMIT = 3") == []
    assert told("y = isinstance(a, int | float)") == []
    assert told("y = list(zip(a, b, strict=True))") == []
    assert told("y = field(repr=False, compare=False)") == ["y = field(repr=False, compare=True)"]
    assert told("y = a > b - 1e-9") == ["y = a <= b - 1e-9", "y = a > b + 1e-9"]
    assert mutation.changes("x = 1\ny = 2\n", ["y = "]) == mutation.changes("x = 1\n")
    assert told("y = 1e-6 * a") == ["y = 2e-06 * a", "y = 1e-6 / a"]


@pytest.mark.parametrize(("module", "tests"), mutation.TARGETS.items())
def test_what_is_listed_is_there_and_every_change_of_it_is_python(
    module: str, tests: tuple[str, ...]
) -> None:
    source = (mutation.ROOT / Path(*module.split(".")).with_suffix(".py")).read_text()
    found = mutation.changes(source)
    assert len(found) >= 4
    lines = [line.strip() for line in source.splitlines()]
    for search in mutation.SEARCHES.get(module, ()):
        assert sum(line.startswith(search) for line in lines) == 1
    for change in found[::7]:
        compile(change.applied(source), module, "exec")
    for test in tests:
        assert (mutation.ROOT / test).exists()


@pytest.mark.slow
def test_a_change_is_caught_by_tests_that_look_and_missed_by_tests_that_do_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "pump.py").write_text(SOURCE)
    (tmp_path / "test_pump.py").write_text(
        "from pump import runs\n\n\ndef test_it():\n    assert runs(1.0)\n    assert not runs(1.5)\n"
    )
    monkeypatch.setattr(mutation, "ROOT", tmp_path)
    assert mutation.main(["--module", "pump", "--tests", "test_pump.py"]) == 1
    lines = capsys.readouterr().out.splitlines()
    missed = [line for line in lines if line.startswith("missed")]
    assert lines[0].split()[1:] == ["11", "tried", "9", "caught", "2", "missed", "82%"]
    assert missed == [
        "missed  pump.py:8: if level_m < 0:   ->   if level_m < 1:",
        "missed  pump.py:10: return min(level_m, 9) + 1 <= LIMIT_M and not dry   ->   "
        "return min(level_m, 10) + 1 <= LIMIT_M and not dry",
    ]

"""The notebooks as they are stored. CI executes them; here it is checked that they can tell their story."""

import ast
import json
import re
from pathlib import Path

import pytest

import linkcalc

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def cells(path: Path, kind: str) -> list[str]:
    notebook = json.loads(path.read_text(encoding="utf-8"))
    return ["".join(c["source"]) for c in notebook["cells"] if c["cell_type"] == kind]


def test_there_is_a_notebook_for_each_part_of_the_job() -> None:
    about = " ".join(p.stem for p in NOTEBOOKS)
    assert len(NOTEBOOKS) >= 5
    for part in ("one_link", "spreading_factor", "models_disagree", "tank", "readings_to_map"):
        assert part in about


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_nothing_that_running_left_is_stored(path: Path) -> None:
    notebook = json.loads(path.read_text(encoding="utf-8"))
    code = [c for c in notebook["cells"] if c["cell_type"] == "code"]
    assert [c["outputs"] for c in code] == [[]] * len(code)
    assert {c["execution_count"] for c in code} == {None}
    hidden = [{"tags": [tag], "jupyter": {"source_hidden": True}} for tag in ("hide-input", "remove-cell")]
    assert all(c["metadata"] in ({}, *hidden) for c in notebook["cells"])
    assert notebook["metadata"]["kernelspec"]["name"] == "python3"
    assert notebook["nbformat"] == 4
    ids = [c["id"] for c in notebook["cells"]]
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_tells_draws_and_asserts(path: Path) -> None:
    text, code = cells(path, "markdown"), cells(path, "code")
    assert text[0].startswith("# ")
    assert "invented" in " ".join(text)
    assert len(text) >= 5
    assert sum("assert " in c for c in code) >= 3, "key figures are asserted"
    assert sum("show(" in c for c in code) >= 2, "what is found is drawn"
    assert not re.search(r"^\s*except\b", "\n".join(code), re.M), "nothing is swallowed"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_runs_anywhere_and_asks_only_the_public_face_of_lc(path: Path) -> None:
    code = "\n\n".join(cells(path, "code"))
    ast.parse(code)
    assert "/work" not in code
    assert "/tmp" not in code
    assert not re.search(r"(?<!r\")https?://", code), "no network"
    used = set(re.findall(r"\blc\.(\w+)", code))
    assert used
    assert used <= set(linkcalc.__all__)
    assert not re.search(r"^\s*(from linkcalc\b|import linkcalc\.)", code, re.M), (
        "import linkcalc as lc is all"
    )


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_reader_sees_question_call_picture_and_conclusion_and_no_plumbing(path: Path) -> None:
    notebook = json.loads(path.read_text(encoding="utf-8"))
    seen = ["".join(c["source"]) for c in notebook["cells"] if c["cell_type"] == "code" and not c["metadata"]]
    for source in seen:
        assert "assert " not in source, "figures are asserted in cells that are not shown"
        assert "plt." not in source, "a picture of one's own is drawn in a cell whose source is folded"
        assert len(source.splitlines()) <= 20, source


def test_links_between_notebooks_and_pages_lead_somewhere() -> None:
    for path in NOTEBOOKS:
        for target in re.findall(r"\]\(([^)#]+)", "\n".join(cells(path, "markdown"))):
            assert (FOLDER / target).resolve().is_file(), f"{path.name}: {target}"

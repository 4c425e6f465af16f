"""The improved plan: only what a remedy changes, checked again, and refused in one line where it cannot be."""

from pathlib import Path

import pytest

from linkcalc.errors import LinkcalcError
from linkcalc.link.improved_plan import MARK, ImprovedPlan, improved_plan, may_overwrite
from linkcalc.link.verdict import check_plan
from linkcalc.plan import load_plan
from tests import sites

RIDGE = sites.profile(3000.0, sites.ridge(12.0, 1300.0, 250.0), points=61)
LOUD = {"transmit_power_dbm": 30.0}


@pytest.fixture
def two(tmp_path: Path) -> Path:
    """Two links over the same ridge, of which neither closes, and a third that does."""
    return sites.plan_file(
        tmp_path,
        sites.case(RIDGE),
        sites.case(RIDGE, tank={"name": "far tank"}, link={"name": "far", "from": "far tank"}),
        sites.case(
            sites.profile(300.0),
            tank={"name": "near tank", **LOUD},
            shed={"name": "hut", **LOUD},
            link={"name": "near", "from": "near tank", "to": "hut"},
        ),
    )


def improved(file: Path, **how: object) -> ImprovedPlan | None:
    loaded = load_plan(file)
    return improved_plan(loaded, check_plan(loaded), **how)  # type: ignore[arg-type]


def test_every_link_that_does_not_close_is_improved_and_the_head_says_by_how_much(two: Path) -> None:
    found = improved(two)
    assert found is not None
    assert [name for name, _ in found.remedies] == ["level", "far"]
    assert {k.verdict for k in found.result.links} == {"closes"}
    head = found.text.splitlines()
    assert head[0] == f"# {MARK} from plan.toml, with what makes it close by its check:"
    for line, (name, remedy) in zip(head[1:3], found.remedies, strict=True):
        there, back = zip(remedy.fade_margins_db, remedy.required_margins_db, strict=True)
        weaker = min(there[0] - there[1], back[0] - back[1])
        assert line == f'#   link "{name}": {weaker:.1f} dB over the required margin in the weaker direction'
    two.with_name("improved.toml").write_text(found.text)
    assert {k.verdict for k in check_plan(load_plan(two.with_name("improved.toml"))).links} == {"closes"}


def test_one_link_alone_is_improved_by_the_remedy_that_is_asked_for(two: Path) -> None:
    first, second = improved(two, link="far"), improved(two, link="far", number=2)
    assert first is not None
    assert second is not None
    remedies = check_plan(load_plan(two)).links[1].remedies
    assert [found.remedies for found in (first, second)] == [(("far", remedies[n]),) for n in (0, 1)]
    assert [k.verdict == "closes" for k in first.result.links] == [False, True, True]
    assert improved(two, link="near") is None


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"number": 2}, "several links do not close: --link says whose remedy 2 is meant"),
        ({"number": 4, "link": "far"}, 'link "far" has no remedy 4: 3 found; linkcalc relay'),
    ],
)
def test_a_remedy_that_is_not_meant_or_not_there_is_one_line(
    how: dict[str, object], words: str, two: Path
) -> None:
    with pytest.raises(LinkcalcError, match=words):
        improved(two, **how)


def test_where_one_link_does_not_close_a_number_needs_no_name(tmp_path: Path) -> None:
    found = improved(sites.plan_file(tmp_path, sites.case(RIDGE)), number=2)
    assert found is not None
    assert found.remedies[0][1] == check_plan(load_plan(tmp_path / "plan.toml")).links[0].remedies[1]


def test_only_what_is_not_there_or_was_written_so_may_be_written_over(tmp_path: Path) -> None:
    made, mine = tmp_path / "made.toml", tmp_path / "mine.toml"
    assert may_overwrite(made)
    made.write_text(f"# {MARK} from plan.toml\n")
    mine.write_text("# mine\n")
    assert [may_overwrite(f) for f in (made, mine, tmp_path)] == [True, False, False]

"""Results are data: they compare, copy and pickle, and are shown in a few words."""

import copy
import pickle
import typing

import pytest

import linkcalc as lc
from linkcalc.plan import LoadedPlan


@pytest.fixture(scope="module")
def loaded() -> LoadedPlan:
    return lc.load_plan(lc.sample_path("upland"))


@pytest.fixture(scope="module")
def result(loaded: LoadedPlan) -> lc.Result:
    return lc.with_sections(lc.check_plan(loaded), loaded.plan)


def test_the_same_plan_gives_an_equal_result(loaded: LoadedPlan, result: lc.Result) -> None:
    again = lc.with_sections(lc.check_plan(lc.load_plan(loaded.path)), loaded.plan)
    assert again == result
    assert again.links[0].drawing == result.links[0].drawing


def test_a_result_of_another_plan_is_not_equal(result: lc.Result) -> None:
    other = lc.check_plan(lc.load_plan(lc.sample_path("wooded")))
    assert other != result
    assert other.links[0].drawing != result.links[0].drawing
    assert result.links[0].drawing != "a drawing"


def test_a_result_survives_copy_and_pickle(result: lc.Result) -> None:
    assert copy.deepcopy(result) == result
    assert pickle.loads(pickle.dumps(result)) == result


def test_a_result_is_shown_in_a_few_words(result: lc.Result) -> None:
    words = repr(result)
    assert len(words) < 800
    assert result.links[0].headline in words
    assert "At risk" in words


def test_what_a_check_takes_and_gives_can_be_looked_up_by_its_hints() -> None:
    hints = typing.get_type_hints(lc.check_plan)
    assert hints["loaded"] == lc.PlanLike
    assert hints["return"] is lc.Result

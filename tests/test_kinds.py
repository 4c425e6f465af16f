"""Whatever is given to a public function in place of what it takes: one line of our own says so."""

import inspect
from typing import Any

import numpy as np
import pytest

import linkcalc as lc

PLAIN, UPLAND = lc.sample_path("plain"), lc.sample_path("upland")


@pytest.fixture(scope="module")
def given() -> dict[str, tuple[Any, ...]]:
    """What each function takes by position, where it is more than a plan."""
    from matplotlib.figure import Figure

    loaded = lc.load_plan(PLAIN)
    result = lc.check(loaded, advice=False)
    ax, link = Figure().add_subplot(), result.links[0]
    profile = lc.profile_from([0.0, 1000.0, 2000.0], [40.0, 44.0, 41.0])
    return {
        "clearance_of": (profile, 868e6, (4.0, 6.0)),
        "compare": ([PLAIN, PLAIN],),
        "compare_measured": (PLAIN, {link.name: 125.0}),
        "coverage": (PLAIN, "pump shed"),
        "cut_profile": (9.05, 3.0, 9.06, 3.01, None),
        "draw_budget": (ax, link.directions[0]),
        "draw_coverage": (ax, None),
        "draw_height": (ax, link),
        "draw_heights": (ax, None),
        "draw_profile": (ax, link),
        "draw_sweep": (ax, None),
        "fleet": (lc.sample_path("upland_fleet"),),
        "forget_loss_model": ("farm_fit",),
        "loss_model": ("farm_fit",),
        "profile_from": (profile.distance_m, profile.ground_m),
        "profile_of_array": (np.zeros((3, 3)), (9.051, 3.001), (9.056, 3.021)),
        "readings_from": (None, PLAIN),
        "sample": (PLAIN, {"sf": [7, 8]}),
        "show": (result,),
        "survey": (UPLAND, lc.sample_path("upland_readings")),
        "sweep": (PLAIN, {"sf": [7, 8]}),
        "sweep_plan": (PLAIN, {"sf": [7, 8]}),
        "with_sections": (result, loaded.plan),
    }


FUNCTIONS = [name for name in lc.__all__ if inspect.isfunction(getattr(lc, name))]
WRONG = {"nothing": None, "a text": "nonsense", "an object": object(), "a list": [object()]}


@pytest.mark.parametrize("wrong", [*WRONG, "another answer"])
@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_thing_of_another_kind_is_told_in_one_line(
    name: str, wrong: str, given: dict[str, tuple[Any, ...]]
) -> None:
    function = getattr(lc, name)
    value = WRONG[wrong] if wrong in WRONG else lc.parts(PLAIN)
    parameters = inspect.signature(function).parameters.values()
    required = [p for p in parameters if p.kind is p.POSITIONAL_OR_KEYWORD and p.default is p.empty]
    for i, parameter in enumerate(required):
        handed = list(given.get(name, (PLAIN,)))
        handed[i] = value
        if (name, parameter.name, wrong) in TAKEN:
            continue
        with pytest.raises(lc.LinkcalcError) as caught:
            function(*handed)
        words = str(caught.value)
        assert "\n" not in words, parameter.name
        assert 15 < len(words) < 400, words


TAKEN = {
    ("forget_loss_model", "name", "a text"),  # nothing of that name is nothing to forget
    ("loss_model", "name", "a text"),
    ("show", "result", "another answer"),
}
"""What a function takes after all."""


def test_a_picture_of_another_answer_says_which_one_it_draws() -> None:
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    result = lc.check(PLAIN, advice=False)
    with pytest.raises(lc.ArgumentError) as caught:
        lc.draw_budget(ax, result)  # type: ignore[arg-type]
    assert str(caught.value) == (
        "draw_budget: direction is a Direction, such as lc.check(plan).links[0].directions[0]; not Result"
    )
    with pytest.raises(lc.ArgumentError, match=r"draw_profile: ax is an Axes, such as figure\.add_subplot"):
        lc.draw_profile(None, result.links[0])  # type: ignore[arg-type]


def test_a_plan_in_place_of_a_result_says_where_either_comes_from() -> None:
    loaded = lc.load_plan(PLAIN)
    with pytest.raises(lc.ArgumentError) as caught:
        lc.with_sections(loaded, loaded.plan)  # type: ignore[arg-type]
    assert str(caught.value) == "with_sections: result is a Result, such as lc.check(plan); not LoadedPlan"
    with pytest.raises(
        lc.ArgumentError, match=r"plan is a Plan, such as lc\.load_plan\(file\)\.plan; not LoadedPlan"
    ):
        lc.with_sections(lc.check_plan(loaded, advice=False), loaded)  # type: ignore[arg-type]
    with pytest.raises(
        lc.ArgumentError, match=r"show: result is an Answer or a Figure, such as .*; not str: 'plan'"
    ):
        lc.show("plan")  # type: ignore[arg-type]


COMMANDS = [name for name, home in lc._HOMES.items() if home.startswith("commands.")]
ONE_OF_SEVERAL = {"prices": "cost_per_m", "job": "site"}
"""A keyword that a function takes by `**`."""
OWN_WORDS = ("tables", "profiles")
"""What `plan_from` refuses in words of its own."""
KEYWORDS = [
    (name, ONE_OF_SEVERAL.get(p.name, p.name))
    for name in (*COMMANDS, "check_plan", "load_plan", "plan_from", "show", "with_sections")
    for p in inspect.signature(getattr(lc, name)).parameters.values()
    if (p.default is not p.empty or p.name in ONE_OF_SEVERAL) and p.name not in OWN_WORDS
]


@pytest.mark.parametrize("wrong", ["an object", "a list"])
@pytest.mark.parametrize(("name", "keyword"), KEYWORDS)
def test_a_keyword_of_another_kind_is_named_with_what_it_takes(
    name: str, keyword: str, wrong: str, given: dict[str, tuple[Any, ...]]
) -> None:
    positional = () if keyword == "plan" and name == "acceptance" else given.get(name, (PLAIN,))
    with pytest.raises(lc.ArgumentError) as caught:
        getattr(lc, name)(*positional, **{keyword: WRONG[wrong]})
    words = str(caught.value)
    assert words.startswith("a plan is" if keyword == "plan" else f"{name}: {keyword} is ")
    assert "\n" not in words
    assert ("; not object" if wrong == "an object" else "; not list: [<object") in words


@pytest.mark.parametrize(
    ("function", "keyword", "value", "says"),
    [
        (lc.coverage, "link", 3, 'coverage: link is a str or a list of str, such as "name"; not int: 3'),
        (lc.coverage, "tiles_in", 5, "coverage: tiles_in is a path; not int: 5"),
        (lc.relay, "within", 3, "relay: within is a path; not int: 3"),
        (lc.relay, "relays", 3, "relay: relays is 1 or 2; not int: 3"),
        (lc.relay, "relays", True, "relay: relays is 1 or 2; not bool: True"),
        (lc.relay, "radius_m", "2 km", "relay: radius_m is a number; not str: '2 km'"),
        (lc.check_plan, "brief", "no", "check_plan: brief is True or False; not str: 'no'"),
        (lc.plan_from, "base_dir", 5, "plan_from: base_dir is a path; not int: 5"),
        (lc.check, "advice", "no", "check: advice is True or False; not str: 'no'"),
        (lc.survey, "leaf", "summer", 'survey: leaf is "in_leaf" or "out_of_leaf"; not str: \'summer\''),
        (lc.compare, "settings", "tank.x=8", "compare: settings is a list of str; not str: 'tank.x=8'"),
        (lc.heights, "bases_m", (1.0,), "heights: bases_m is two numbers, such as (4.0, 6.0); not tuple: (1.0,)"),
        (lc.heights, "cost_per_m", "40", "heights: cost_per_m is a number; not str: '40'"),
        (lc.tank, "seed", 1.5, "tank: seed is a whole number, such as 12; not float: 1.5"),
        (lc.relay, "radius", 3, "relay: got an unexpected keyword argument 'radius'"),
        (lc.how_far, "spreading_factors", 9, "how_far: spreading_factors is a list of whole numbers; not int: 9"),
        (lc.how_far, "spreading_factors", [7, "8"],
         "how_far: spreading_factors is a list of whole numbers; not list: [7, '8']"),
        (lc.load_plan, "settings", "tank.x=8", "load_plan: settings is a list of str; not str: 'tank.x=8'"),
        (lc.sample, "draws", "many", "sample: draws is a whole number, such as 12; not str: 'many'"),
        (lc.profile_from, "clutter_kind", 3, "profile_from: clutter_kind is a list of str; not int: 3"),
    ],
)  # fmt: skip
def test_what_a_keyword_takes_is_said_in_plain_words(
    function: Any, keyword: str, value: object, says: str, given: dict[str, tuple[Any, ...]]
) -> None:
    with pytest.raises(lc.ArgumentError) as caught:
        function(*given.get(function.__name__, (PLAIN,)), **{keyword: value})
    assert str(caught.value) == says


def test_numbers_and_choices_of_numpy_are_taken() -> None:
    assert lc.acceptance(success=np.float32(0.5), sent=np.int64(9), lost=np.array(1)).count is not None
    assert lc.check(PLAIN, advice=np.bool_(False), sections=False).links  # type: ignore[arg-type]


def test_a_fleet_file_takes_no_link_and_no_interval() -> None:
    with pytest.raises(lc.ArgumentError, match="link and interval_s go with plan"):
        lc.fleet(lc.sample_path("upland_fleet"), link="level")

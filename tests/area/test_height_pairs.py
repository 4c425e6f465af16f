"""Many pairs of antenna heights at once give what one after the other gives."""

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from linkcalc.area.height_pairs import height_pairs
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.link.case import LinkCase
from linkcalc.link.decision import judge_link
from linkcalc.link.losses import MODELS, REGIMES
from linkcalc.link.on_ground import link_case, open_terrain
from linkcalc.link.uncertainty import path_items, together_db
from linkcalc.plan import Obstacle, load_plan
from linkcalc.propagation import compiled
from linkcalc.terrain.profile import Profile, with_obstacles

SAMPLES = Path(__file__).parents[2] / "terrain_samples"
FIGURES = ("path_gain_db", "site_db", "conditions_db", "k_db", "clearance_ratio", "clearance_m")
STATES = ("regime", "model", "through_trees", "worst")

needs_numba = pytest.mark.skipif(not compiled.available(), reason="no numba")


def sample_case(name: str, **conditions: object):
    loaded = load_plan(SAMPLES / f"{name}.toml")
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, loaded.plan.link[0], terrain)
    return replace(case, conditions=case.conditions.model_copy(update=conditions))


def compare(case, count: int, seed: int = 2) -> None:
    """Both ways of running the rules, and what `check` says of each pair."""
    rng = np.random.default_rng(seed)
    near, far = (np.round(np.sort(rng.uniform(0.6, 25.0, count)), 2) for _ in range(2))
    quick = height_pairs(case, near, far, use_numba=True)
    plain = height_pairs(case, near, far, use_numba=False)
    for name in FIGURES:
        np.testing.assert_allclose(getattr(quick, name), getattr(plain, name), atol=1e-7, err_msg=name)
    for name in STATES:
        assert (getattr(quick, name) == getattr(plain, name)).all(), name
    for i, j in ((0, 0), (1, count - 1), (count - 1, 1)):
        alone = case.with_heights(near_m=float(near[i]), far_m=float(far[j]))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutOfRangeWarning)
            facts, (there, _) = judge_link(alone, second_opinions=False)
        gain = sum(t.value_db for t in there.terms if t.group == "path")
        assert quick.path_gain_db[i, j] == pytest.approx(gain, abs=1e-4)
        assert MODELS[quick.model[i, j]] == facts.model
        assert REGIMES[quick.regime[i, j]] == facts.regime
        for kind, got in (("site", quick.site_db), ("conditions", quick.conditions_db)):
            items = path_items(alone, alone.losses)
            assert got[i, j] == pytest.approx(together_db(items, kind)[0], abs=1e-6)


@needs_numba
@pytest.mark.parametrize("name", ["upland", "wooded", "plain"])
def test_all_heights_at_once_equal_one_pair_after_the_other(name):
    compare(sample_case(name), 6)


@needs_numba
def test_so_they_do_with_surroundings_a_building_and_stated_woods():
    case = sample_case("upland", woodland_depth_m=30.0)
    inside = case.far.model_copy(update={"building": "traditional", "surroundings": "suburban"})
    compare(replace(case, far=inside), 5)


@needs_numba
@pytest.mark.parametrize("spacing_m", [4.0, 11.0, 30.0])
def test_a_clearing_around_an_antenna_counts_the_same(spacing_m):
    x = np.arange(0.0, 1500.0, spacing_m)
    trees = (x > 11.0) & (x < 300.0) | (x > 1200.0) & (x < x[-1] - 9.0)
    kinds = tuple("trees" if t else "" for t in trees)
    ground = 50.0 + 4.0 * np.sin(x / 170.0)
    profile = Profile(
        x, ground, np.where(trees, 18.0, 0.0), kinds, np.full(x.size, 4, np.int8), None, None, "", 0.0, ()
    )
    compare(replace(sample_case("wooded"), profile=profile), 4)


def thinned(case: LinkCase) -> LinkCase:
    """Over every other point here and every third there, as somebody surveys."""
    n = len(case.profile.distance_m)
    keep = np.unique(np.r_[0, np.arange(2, n // 2, 2), np.arange(n // 2, n - 1, 3), n - 1])
    kinds = np.array(case.profile.clutter_kind)[keep]
    columns = {
        name: getattr(case.profile, name)[keep]
        for name in ("distance_m", "ground_m", "clutter_m", "zone", "latitude_deg", "longitude_deg")
    }
    return replace(case, profile=replace(case.profile, clutter_kind=tuple(kinds), **columns))


@needs_numba
@pytest.mark.parametrize("name", ["upland", "wooded", "plain"])
def test_uneven_profiles_give_the_same(name):
    compare(thinned(sample_case(name)), 5)


@needs_numba
@pytest.mark.parametrize("name", ["wooded", "plain"])
def test_obstacles_that_the_plan_states_give_the_same(name):
    case = sample_case(name)
    stated = [
        Obstacle(distance_m=200.0, height_m=7.0, width_m=14.0, kind="building"),
        Obstacle(distance_m=950.0, height_m=11.0, width_m=60.0, kind="trees"),
    ]
    compare(replace(case, profile=with_obstacles(case.profile, stated)), 5)


@needs_numba
def test_a_path_partly_over_water_gives_the_same():
    case = sample_case("upland")
    zone = case.profile.zone.copy()
    zone[50:90] = 1
    compare(replace(case, profile=replace(case.profile, zone=zone)), 4)


def test_progress_is_told_height_by_height():
    said: list[tuple[int, int]] = []
    height_pairs(sample_case("plain"), [2.0, 3.0], [4.0], progress=lambda *at: said.append(at))
    assert said == [(1, 2), (2, 2)]


def test_a_height_must_be_above_the_ground():
    with pytest.raises(DomainError, match="near_height_m"):
        height_pairs(sample_case("plain"), [0.0], [4.0])

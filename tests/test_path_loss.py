"""The rules by which a model governs a path, and the laws that its loss keeps."""

import math
import warnings
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.errors import OutOfRangeWarning
from linkcalc.path_loss import (
    PathLoss,
    Situation,
    every_model,
    governing_loss,
    p1812_loss_db,
    slant_free_space_loss_db,
    spread_db,
)
from linkcalc.propagation import diffraction, ground, two_ray, vegetation
from linkcalc.result import MODEL_NAMES
from linkcalc.terrain.profile import Profile
from tests import sites

STEP_UP_DB = 5.0
"""How much a growing obstacle may give back where two-ray hands over to P.1812 (3.7 dB in a thousand random
paths)."""


def situation(**changes: Any) -> Situation:
    """868 MHz from 3 m to 6 m over middling ground, dry and in leaf."""
    usual = Situation(
        frequency_hz=868e6,
        tx_height_m=3.0,
        rx_height_m=6.0,
        polarisation="vertical",
        delta_n=45.0,
        n0=325.0,
        latitude_deg=45.0,
        ground="medium_dry_ground",
        roughness_m=None,
        leaf="in_leaf",
        wet_foliage=False,
        woodland_depth_m=0.0,
    )
    return replace(usual, **changes)


def over_free_space_db(profile: Profile, s: Situation) -> float:
    return governing_loss(profile, s).loss_db - slant_free_space_loss_db(profile, s)


# Regimes


@pytest.mark.parametrize(
    ("profile", "heights_m", "regime"),
    [
        (sites.profile(1000.0), (20.0, 20.0), "clear"),
        (sites.profile(2000.0), (3.0, 6.0), "grazing"),
        (sites.profile(2000.0, sites.ridge(30.0, 900.0, 150.0)), (3.0, 6.0), "obstructed"),
        (sites.profile(40_000.0), (10.0, 10.0), "obstructed"),
        (sites.profile(2000.0, 100.0, ((900.0, 1000.0, 12.0, "trees"),)), (3.0, 6.0), "obstructed"),
    ],
    ids=["high masts", "low masts on level ground", "a ridge", "the bulge of the earth", "trees"],
)
def test_a_path_is_clear_grazing_or_obstructed(
    profile: Profile, heights_m: tuple[float, float], regime: str
) -> None:
    path = governing_loss(profile, situation(tx_height_m=heights_m[0], rx_height_m=heights_m[1]))
    assert path.regime == regime
    least = float(path.clearance_ratio.min())
    assert path.clearance_ratio[path.worst] == least
    assert {"clear": least >= 0.6, "grazing": 0.0 <= least < 0.6, "obstructed": least < 0.0}[regime]


def test_sixty_percent_of_the_first_zone_makes_a_path_clear() -> None:
    """10.4 sqrt(d1 d2 / (f d)) m, km and GHz, is 0.6 F1: planning manual, table 3-1."""
    length_m, points = 4000.0, 101
    at = points // 2
    needed_m = 10.4 * math.sqrt(2.0 * 2.0 / (0.868 * 4.0))
    profile = sites.profile(length_m, 0.0, points=points)
    bulge_m = 2000.0**2 / (2.0 * situation().k_factor * 6_371_000.0)
    pole = profile.clutter_m.copy()
    kinds = list(profile.clutter_kind)
    for spare_m, regime in ((0.15, "clear"), (-0.15, "grazing")):
        pole[at], kinds[at] = 40.0 - bulge_m - needed_m - spare_m, "tank"
        path = governing_loss(
            replace(profile, clutter_m=pole.copy(), clutter_kind=tuple(kinds)),
            situation(tx_height_m=40.0, rx_height_m=40.0),
        )
        assert (path.regime, path.worst) == (regime, at)


# Which model governs


def test_a_blocked_path_is_for_p1812() -> None:
    profile = sites.profile(5000.0, sites.ridge(25.0, 2500.0, 400.0))
    path = governing_loss(profile, situation())
    assert path.model == "p1812"
    assert path.loss_db == p1812_loss_db(profile, situation(), profile.clutter_m)
    assert "blocked" in path.model_reason


@pytest.mark.parametrize(("length_m", "model"), [(249.0, "delta_bullington"), (250.0, "p1812")])
def test_p1812_is_not_asked_below_its_quarter_kilometre(length_m: float, model: str) -> None:
    profile = sites.profile(length_m, 100.0, ((110.0, 120.0, 8.0, "building"),))
    path = governing_loss(profile, situation())
    assert path.model == model
    assert ("p1812" in every_model(profile, situation(), path)) == (model == "p1812")


def test_the_loss_does_not_jump_where_p1812_takes_over() -> None:
    losses = [
        over_free_space_db(
            sites.profile(d, 100.0, ((110.0, 120.0, 8.0, "building"),), points=500), situation()
        )
        for d in (249.9, 250.1)
    ]
    assert losses[0] == pytest.approx(losses[1], abs=0.2)


def test_level_ground_mirrors_a_free_ray_and_two_ray_governs_alone() -> None:
    """Diffraction over the same ground would be a second count of one and the same thing."""
    s = situation()
    path = governing_loss(sites.profile(1500.0), s)
    assert path.model == "two_ray"
    assert path.reflection is not None
    constants = ground.ground_constants(s.ground, s.frequency_hz)
    alone_db = two_ray.two_ray_loss_db(
        1500.0,
        3.0,
        6.0,
        s.frequency_hz,
        relative_permittivity=constants.relative_permittivity,
        conductivity_s_m=constants.conductivity_s_m,
        polarisation="vertical",
        k_factor=s.k_factor,
        surface_wave=True,
    )
    assert path.loss_db == pytest.approx(alone_db, abs=0.01)
    models = every_model(sites.profile(1500.0), s, path)
    diffracted_db = models["spherical_earth"] - models["free_space"]
    assert diffracted_db > 5.0
    assert path.loss_db < alone_db + 0.1 * diffracted_db


@pytest.mark.parametrize(("near_m", "far_m", "published_db"), [(2.0, 6.0, 98.42), (2.0, 10.0, 94.52)])
def test_a_kilometre_over_level_ground_loses_what_the_textbooks_say(
    near_m: float, far_m: float, published_db: float
) -> None:
    """Plane earth, 40 log d - 20 log h1 h2 (any textbook), 98.42 dB; image theory at 868 MHz over er = 15,
    sigma = 0.005 S/m, vertical, 94.5155 dB (computed independently)."""
    s = situation(tx_height_m=near_m, rx_height_m=far_m)
    path = governing_loss(sites.profile(1000.0), s)
    assert path.model == "two_ray"
    assert path.loss_db == pytest.approx(published_db, abs=0.7)  # k 4/3 and the ground's class


def test_peaks_of_the_two_ray_pattern_are_not_credited() -> None:
    raw_gain = []
    for height_m in np.linspace(2.0, 40.0, 60):
        s = situation(tx_height_m=10.0, rx_height_m=float(height_m))
        profile = sites.profile(1200.0)
        path, free_space_db = governing_loss(profile, s), slant_free_space_loss_db(profile, s)
        if path.model != "two_ray":
            continue
        assert path.loss_db >= free_space_db
        assert path.loss_db == max(path.raw_loss_db, free_space_db)
        raw_gain.append(free_space_db - path.raw_loss_db)
    assert max(raw_gain) > 3.0, "there are peaks to be left out"
    assert min(raw_gain) < -3.0, "and nulls, which count"


def uneven(rms_m: float) -> Callable[[np.ndarray], np.ndarray]:
    def rise(x: np.ndarray) -> np.ndarray:
        z: np.ndarray = 100.0 + rms_m * np.random.default_rng(7).standard_normal(x.size)
        return z

    return rise


def test_rough_ground_is_no_mirror() -> None:
    s = situation(tx_height_m=20.0, rx_height_m=20.0)
    assert governing_loss(sites.profile(600.0), s).model == "two_ray"
    path = governing_loss(sites.profile(600.0, uneven(2.0)), s)
    assert path.model == "p1812"
    assert "rough" in path.model_reason


def test_a_stated_roughness_is_taken_at_its_word() -> None:
    s = situation(tx_height_m=20.0, rx_height_m=20.0, roughness_m=2.0)
    assert "rough (2.0 m" in governing_loss(sites.profile(600.0), s).model_reason
    smoothed = governing_loss(sites.profile(600.0, uneven(2.0)), replace(s, roughness_m=0.0))
    assert smoothed.model == "two_ray"


def test_trees_on_the_mirror_spoil_it() -> None:
    s = situation(tx_height_m=20.0, rx_height_m=20.0)
    profile = sites.profile(1200.0, 100.0, ((250.0, 950.0, 4.0, "trees"),))
    path = governing_loss(profile, s)
    assert path.regime == "clear"
    assert path.model == "p1812"
    assert "cover" in path.model_reason


def test_a_shed_that_reaches_further_into_the_zone_than_the_mirror_costs_what_it_costs() -> None:
    bare, shed = (sites.profile(2000.0, 100.0, ((980.0, 1010.0, h, "building"),)) for h in (0.0, 4.2))
    path = governing_loss(shed, situation())
    assert governing_loss(bare, situation()).model == "two_ray"
    assert (path.regime, path.model) == ("grazing", "p1812")
    assert "something other than the mirroring ground" in path.model_reason
    assert path.loss_db > governing_loss(bare, situation()).loss_db + 4.0


def test_a_shed_lower_than_the_mirror_is_rough_changes_nothing() -> None:
    bare, kerb = (sites.profile(2000.0, 100.0, ((980.0, 1010.0, h, "building"),)) for h in (0.0, 0.3))
    assert governing_loss(kerb, situation()).loss_db == pytest.approx(
        governing_loss(bare, situation()).loss_db, abs=0.05
    )


def test_without_its_trees_a_path_is_judged_by_the_same_rules() -> None:
    """Through a thin hedge the ground still mirrors the ray; the hedge comes on top."""
    hedge = sites.profile(2000.0, 100.0, ((980.0, 985.0, 9.0, "trees"),), points=401)
    bare = governing_loss(sites.profile(2000.0, points=401), situation())
    path = governing_loss(hedge, situation())
    assert path.regime == "obstructed"
    assert path.model == "two_ray"
    assert path.loss_db == pytest.approx(bare.loss_db + path.vegetation_loss_db, abs=1e-9)


def test_no_scatter_carries_a_short_path_past_a_wood() -> None:
    """P.1812 holds tropospheric scatter on a path of any length: 146 dB over 2 km, whatever blocks it."""
    wood = sites.profile(2000.0, 100.0, ((0.0, 2000.0, 25.0, "building"),))
    s = situation(tx_height_m=1.5, rx_height_m=1.5)
    path = governing_loss(wood, s)
    scattered_db = p1812_loss_db(wood, s, wood.clutter_m)
    assert path.model == "delta_bullington"
    assert path.loss_db > scattered_db + 5.0
    assert "scatter" in path.model_reason
    long = sites.profile(40_000.0)
    assert governing_loss(long, s).loss_db == p1812_loss_db(long, s, long.clutter_m)


def test_sea_is_a_mirror_of_sea_water() -> None:
    land = sites.profile(1500.0, 0.0)
    sea = replace(land, zone=np.ones_like(land.zone))
    s = situation(tx_height_m=15.0, rx_height_m=15.0)
    assert governing_loss(sea, s).loss_db == pytest.approx(
        governing_loss(land, replace(s, ground="sea_water")).loss_db, abs=1e-9
    )
    assert governing_loss(sea, s).loss_db != pytest.approx(governing_loss(land, s).loss_db, abs=0.1)


def test_a_short_path_up_a_tower_loses_by_its_slant() -> None:
    profile = sites.profile(60.0)
    s = situation(rx_height_m=103.0)
    slant_db = 20.0 * math.log10(4.0 * math.pi * math.hypot(60.0, 100.0) * 868e6 / 299_792_458.0)
    assert slant_free_space_loss_db(profile, s) == pytest.approx(slant_db, abs=1e-6)
    assert governing_loss(profile, s).loss_db >= slant_db - 1e-6


# Trees


def trees(height_m: float, width_m: float, **options: Any) -> Profile:
    start = 1000.0 - width_m / 2.0
    return sites.profile(
        2000.0, 100.0, ((start, start + width_m, height_m, "trees"),), **{"points": 801, **options}
    )


def test_the_lesser_of_over_and_through_the_trees_governs() -> None:
    s = situation()
    thin, thick = governing_loss(trees(20.0, 20.0), s), governing_loss(trees(9.0, 600.0), s)
    assert "through 2" in thin.model_reason
    assert thin.vegetation_loss_db > 0.0
    assert "over the trees loses less" in thick.model_reason
    assert thick.vegetation_loss_db == 0.0
    opaque = governing_loss(sites.profile(2000.0, 100.0, ((990.0, 1010.0, 20.0, "building"),), points=801), s)
    assert thin.loss_db < opaque.loss_db


def test_a_belt_between_the_antennas_loses_depth_times_what_p833_gives_a_metre() -> None:
    path = governing_loss(trees(20.0, 30.0), situation())
    depth_m = path.vegetation_depth_m
    assert depth_m == pytest.approx(30.0, abs=2.5)  # a point each 2.5 m
    per_metre_db = float(vegetation.specific_attenuation_db_m(868e6, polarisation="vertical"))
    assert path.vegetation_loss_db == pytest.approx(depth_m * per_metre_db, abs=1e-9)


def test_a_wood_around_one_antenna_saturates_as_p833_says_for_a_terminal_in_woodland() -> None:
    wood = sites.profile(2000.0, sites.ridge(40.0, 2000.0, 250.0), ((0.0, 400.0, 12.0, "trees"),), points=801)
    path = governing_loss(wood, situation())
    assert [w.around_antenna for w in path.woods] == [True]
    expected_db = vegetation.woodland_loss_db(path.vegetation_depth_m, 868e6)
    assert path.vegetation_loss_db == pytest.approx(float(expected_db), abs=1e-9)


def test_a_wood_around_both_antennas_is_entered_twice() -> None:
    wood = sites.profile(500.0, 100.0, ((0.0, 500.0, 12.0, "trees"),))
    path = governing_loss(wood, situation())
    assert len(path.woods) == 2
    once_db = float(vegetation.woodland_loss_db(path.vegetation_depth_m, 868e6))
    assert path.vegetation_loss_db > once_db + 3.0


def test_two_woods_with_a_field_between_them_lose_as_two() -> None:
    pair = sites.profile(
        3000.0, 100.0, ((800.0, 830.0, 25.0, "trees"), (2000.0, 2030.0, 25.0, "trees")), points=601
    )
    path = governing_loss(pair, situation())
    assert len(path.woods) == 2
    assert path.vegetation_loss_db == pytest.approx(
        sum(float(vegetation.belt_loss_db(w.depth_m, 868e6)) for w in path.woods), abs=1e-9
    )


def test_trees_outside_the_zone_cost_nothing() -> None:
    s = situation(tx_height_m=30.0, rx_height_m=30.0)
    path = governing_loss(trees(5.0, 20.0), s)
    assert path.vegetation_loss_db == 0.0
    assert path.woods == ()


@pytest.mark.parametrize("wet", [False, True])
def test_leaves_and_water_make_trees_worse(wet: bool) -> None:
    losses = [
        governing_loss(trees(20.0, 30.0), situation(leaf=leaf, wet_foliage=wet)).loss_db
        for leaf in ("out_of_leaf", "in_leaf")
    ]
    assert losses[0] < losses[1]


def test_a_stated_depth_of_wood_comes_on_top_of_the_rest() -> None:
    s = situation(woodland_depth_m=60.0)
    bare = governing_loss(sites.profile(2000.0), situation())
    path = governing_loss(sites.profile(2000.0), s)
    expected_db = float(vegetation.woodland_loss_db(60.0, 868e6))
    assert path.loss_db == pytest.approx(bare.loss_db + expected_db, abs=1e-9)
    over = governing_loss(trees(9.0, 600.0), s)
    assert over.loss_db == pytest.approx(
        governing_loss(trees(9.0, 600.0), situation()).loss_db + expected_db, abs=1e-9
    )


def test_leaving_the_range_of_the_vegetation_formula_is_said() -> None:
    with pytest.warns(OutOfRangeWarning, match="100 MHz"):
        governing_loss(sites.profile(900.0), situation(frequency_hz=100e6, woodland_depth_m=20.0))


# The other models


def test_every_model_is_over_the_same_ground_with_the_same_trees() -> None:
    profile = trees(20.0, 20.0)
    path = governing_loss(profile, situation())
    models = every_model(profile, situation(), path)
    assert list(models) == [name for name in MODEL_NAMES if name in models], "in the order of the report"
    assert models[path.model] == pytest.approx(path.raw_loss_db, abs=1e-9)
    bare_db = diffraction.delta_bullington_loss_db(
        profile.distance_m,
        profile.ground_m,
        tx_height_m=3.0,
        rx_height_m=6.0,
        frequency_hz=868e6,
        k_factor=situation().k_factor,
    )
    assert models["delta_bullington"] == pytest.approx(
        models["free_space"] + bare_db + path.vegetation_loss_db, abs=1e-9
    )


def test_models_that_do_not_describe_a_path_are_left_out_of_the_spread() -> None:
    losses = {
        "free_space": 90.0,
        "two_ray": 100.0,
        "spherical_earth": 101.0,
        "bullington": 70.0,
        "cascaded_knife_edges": 150.0,
        "delta_bullington": 102.0,
        "p1812": 103.0,
    }
    assert spread_db(losses, "clear") == 13.0
    assert spread_db(losses, "grazing") == 3.0
    ridge = {**losses, "spherical_earth": 60.0}
    assert spread_db(ridge, "obstructed") == 80.0
    bulge = {**losses, "spherical_earth": 110.0}
    assert spread_db(bulge, "obstructed") == 10.0, "knife edges do not stand for the bulge of the earth"


# Laws


@st.composite
def paths(draw: st.DrawFn) -> tuple[Profile, Situation]:
    """Paths of 50 m to 100 km, 30 MHz to 6 GHz, antennas from 0.1 m to 3000 m, over anything."""
    length_m = 10.0 ** draw(st.floats(math.log10(50.0), 5.0))
    points = draw(st.integers(11, 120))
    x = np.linspace(0.0, length_m, points)
    seed = draw(st.integers(0, 2**32 - 1))
    relief_m = draw(st.sampled_from([0.0, 0.1, 1.0, 10.0, 100.0]))
    rng = np.random.default_rng(seed)
    z = 300.0 + relief_m * np.cumsum(rng.standard_normal(points)) / math.sqrt(points)
    z += draw(st.floats(-0.05, 0.05)) * x * (relief_m > 0.0)
    standing = []
    for _ in range(draw(st.integers(0, 2))):
        start = draw(st.floats(0.0, 0.9)) * length_m
        end = start + draw(st.floats(0.01, 0.5)) * length_m
        kind = draw(st.sampled_from(["trees", "building", "tank"]))
        standing.append((start, end, draw(st.floats(1.0, 30.0)), kind))
    profile = sites.profile(length_m, lambda d: np.interp(d, x, z), tuple(standing), points=points)
    # one shore somewhere: the sea begins half way between two points, seen from either end
    ashore = draw(st.none() | st.integers(0, points))
    zone = profile.zone if ashore is None else np.where(np.arange(points) < ashore, 4, 1).astype(np.int8)
    heights = st.one_of(st.floats(0.1, 30.0), st.floats(30.0, 3000.0))
    return replace(profile, zone=zone), situation(
        frequency_hz=10.0 ** draw(st.floats(math.log10(30e6), math.log10(6e9))),
        tx_height_m=draw(heights),
        rx_height_m=draw(heights),
        polarisation=draw(st.sampled_from(["vertical", "horizontal"])),
        woodland_depth_m=draw(st.sampled_from([0.0, 0.0, 25.0])),
    )


def quiet_loss(profile: Profile, s: Situation) -> PathLoss:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        return governing_loss(profile, s)


@settings(max_examples=150, deadline=None)
@given(path=paths())
def test_any_path_in_range_has_a_finite_loss_and_no_gain(path: tuple[Profile, Situation]) -> None:
    profile, s = path
    found = quiet_loss(profile, s)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        models = every_model(profile, s, found)
    assert all(math.isfinite(v) for v in (found.loss_db, found.raw_loss_db, *models.values()))
    # P.1812 lets a duct over the sea guide a ray for half of the time
    assert found.loss_db > slant_free_space_loss_db(profile, s) - (0.5 if (profile.zone == 4).all() else 12.0)
    assert found.loss_db >= found.raw_loss_db
    assert found.model in models
    assert spread_db(models, found.regime) >= 0.0


@settings(max_examples=100, deadline=None)
@given(path=paths())
def test_a_path_loses_the_same_in_both_directions(path: tuple[Profile, Situation]) -> None:
    profile, s = path
    back = replace(s, tx_height_m=s.rx_height_m, rx_height_m=s.tx_height_m)
    one, other = quiet_loss(profile, s), quiet_loss(sites.mirrored(profile), back)
    # a mirror that is just rough enough, or not quite, can fall either way with the last digit
    assert one.loss_db == pytest.approx(other.loss_db, abs=0.1 if one.model == other.model else 1.5)


@settings(max_examples=50, deadline=None)
@given(
    length_m=st.floats(120.0, 12_000.0),
    frequency_mhz=st.sampled_from([150.0, 433.0, 868.0, 2400.0]),
    heights_m=st.tuples(st.floats(1.0, 25.0), st.floats(1.0, 25.0)),
    at=st.floats(0.1, 0.9),
    width_m=st.floats(5.0, 100.0),
    kind=st.sampled_from(["trees", "building", "tank"]),
    relief_m=st.sampled_from([0.0, 0.0, 0.3, 5.0]),
    seed=st.integers(0, 1000),
)
def test_an_obstacle_that_grows_never_helps(
    length_m: float,
    frequency_mhz: float,
    heights_m: tuple[float, float],
    at: float,
    width_m: float,
    kind: str,
    relief_m: float,
    seed: int,
) -> None:
    """Exactly so on a blocked path. Before that an obstacle may take the mirror out of a null, so that free
    paths are held to it only beyond the last maximum of two rays, where there are no nulls."""
    points = 81
    x = np.linspace(0.0, length_m, points)
    z = 100.0 + relief_m * np.cumsum(np.random.default_rng(seed).standard_normal(points)) / math.sqrt(points)
    s = situation(frequency_hz=frequency_mhz * 1e6, tx_height_m=heights_m[0], rx_height_m=heights_m[1])
    found = []
    for height_m in np.linspace(0.0, 40.0, 9):
        profile = sites.profile(
            length_m,
            lambda d: np.interp(d, x, z),
            ((at * length_m - width_m / 2.0, at * length_m + width_m / 2.0, float(height_m), kind),),
            points=points,
        )
        found.append(quiet_loss(profile, s))
    blocked = [path.loss_db for path in found if path.regime == "obstructed"]
    assert given_back_db(blocked) <= 1e-6
    if length_m > two_ray.last_maximum_m(*heights_m, s.frequency_hz):
        assert given_back_db([path.loss_db for path in found]) <= STEP_UP_DB


def given_back_db(losses: list[float]) -> float:
    """How far a row of losses falls below what it had reached."""
    return float((np.maximum.accumulate(losses) - losses).max(initial=0.0)) if losses else 0.0


@settings(max_examples=40, deadline=None)
@given(extra_km=st.floats(0.1, 5.0), length_km=st.floats(1.0, 5.0))
def test_a_longer_way_over_level_ground_loses_more(extra_km: float, length_km: float) -> None:
    s = situation()
    near, far = (governing_loss(sites.profile(d * 1e3), s).loss_db for d in (length_km, length_km + extra_km))
    assert far > near - 1.0  # where two-ray hands over to P.1812

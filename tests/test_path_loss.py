"""The rules by which the loss of a path is decided, each with a figure worked by hand, and the laws it keeps.

By hand at 868 MHz: lambda = 299.792458 / 868 = 0.34538 m; P.833 through trees, vertical, log-log between 0.02 dB/m
at 30 MHz and 0.2 at 1 GHz: 0.2 x 0.868^(1 / 1.52288) = 0.18225 dB/m, at most 1.37 x 868^0.42 = 23.49 dB.
"""

import math
import warnings
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkcalc.area.height_pairs import pair_losses
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.link.losses import Situation
from linkcalc.link.models import PathLoss, every_model, p1812_loss_db, profile_losses, spread_db, two_ray_db
from linkcalc.link.result import MODEL_NAMES
from linkcalc.link.surroundings import Surroundings
from linkcalc.link.uncertainty import raster_db
from linkcalc.propagation import compiled, diffraction, vegetation
from linkcalc.terrain.profile import Profile
from linkcalc.views.link_words import model_reason
from tests import sites

PER_METRE_DB, MOST_DB = 0.18225, 23.49
OPEN = Surroundings("open")
SUBURB = Surroundings("suburban")
WOODLAND = Surroundings("woodland")


def situation(**changes: Any) -> Situation:
    """868 MHz over middling ground, dry and in leaf, with nothing around the antennas."""
    usual = Situation(
        frequency_hz=868e6,
        polarisation="vertical",
        delta_n=45.0,
        n0=325.0,
        latitude_deg=45.0,
        low_k_factor=0.9,
        ground="medium_dry_ground",
        roughness_m=None,
        leaf="in_leaf",
        wet_foliage=False,
        woodland_depth_m=0.0,
        installation_db=0.0,
    )
    return replace(usual, **changes)


def path_of(
    profile: Profile, s: Situation | None = None, near_m: float = 3.0, far_m: float = 6.0
) -> PathLoss:
    s = s or situation()
    return PathLoss(profile, s, profile_losses(profile, s, near_m, far_m))


def loss_db(profile: Profile, s: Situation | None = None, near_m: float = 3.0, far_m: float = 6.0) -> float:
    return path_of(profile, s, near_m, far_m).loss_db


def part(path: PathLoss, name: str) -> float:
    return float(getattr(path.losses, name)[0])


FREQUENCIES_HZ = (151e6, 433e6, 868e6, 915e6)
AROUND = (Surroundings(), OPEN, SUBURB, WOODLAND)
STEP_M = 10.0
"""Spacing of the points on whatever stands or rises on the path: 5 and more between the horizons of a hill."""


@st.composite
def links(draw: st.DrawFn) -> tuple[Situation, float, float]:
    heights = st.one_of(st.floats(1.0, 12.0), st.floats(12.0, 40.0))
    s = situation(
        frequency_hz=draw(st.sampled_from(FREQUENCIES_HZ)),
        near=draw(st.sampled_from(AROUND)),
        far=draw(st.sampled_from(AROUND)),
        installation_db=1.5,
    )
    return s, draw(heights), draw(heights)


def quiet(profile: Profile, s: Situation, near_m: float, far_m: float) -> float:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        return loss_db(profile, s, near_m, far_m)


def country(kind: str, length_m: float, until_m: float) -> Profile:
    """Level ground with a hill or a wood within the first `until_m`, points every 10 m there, wider beyond."""
    inner = np.arange(0.0, until_m + STEP_M / 2.0, STEP_M)
    beyond = np.linspace(until_m, length_m, 1 + max(int((length_m - until_m) / 100.0), 1))[1:]
    x = np.append(inner[inner < length_m], beyond)
    z, clutter = np.full(x.size, 100.0), np.zeros(x.size)
    kinds = np.full(x.size, "", dtype=object)
    if kind == "hill":
        z += 25.0 * np.exp(-(((x - 0.5 * until_m) / (0.15 * until_m)) ** 2))
    if kind == "wood":
        here = (x > 0.3 * until_m) & (x < 0.6 * until_m)
        clutter[here], kinds[here] = 14.0, "trees"
    return Profile(x, z, clutter, tuple(kinds), np.full(x.size, 4, np.int8), None, None, "", 0.0, ())


@st.composite
def rolling(draw: st.DrawFn) -> Profile:
    """Ground as it comes: level, rolling or mountainous, with woods, buildings and a shore."""
    length_m = 10.0 ** draw(st.floats(2.0, math.log10(60_000.0)))
    points = draw(st.integers(11, 120))
    x = np.linspace(0.0, length_m, points)
    relief_m = draw(st.sampled_from([0.0, 0.1, 1.0, 10.0, 100.0]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    z = 300.0 + relief_m * np.cumsum(rng.standard_normal(points)) / math.sqrt(points)
    standing = []
    for _ in range(draw(st.integers(0, 2))):
        start = draw(st.floats(0.0, 0.9)) * length_m
        end = start + draw(st.floats(0.01, 0.5)) * length_m
        standing.append(
            (start, end, draw(st.floats(1.0, 30.0)), draw(st.sampled_from(["trees", "building"])))
        )
    profile = sites.profile(length_m, lambda d: np.interp(d, x, z), tuple(standing), points=points)
    ashore = draw(st.none() | st.integers(0, points))
    zone = profile.zone if ashore is None else np.where(np.arange(points) < ashore, 4, 1).astype(np.int8)
    return replace(profile, zone=zone)


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
    path = path_of(profile, None, *heights_m)
    assert path.regime == regime
    least = float(path.clearance_ratio.min())
    assert path.clearance_ratio[path.worst] == least
    assert part(path, "clearance_ratio") == pytest.approx(least, abs=1e-9)
    assert {"clear": least >= 0.6, "grazing": 0.0 <= least < 0.6, "obstructed": least < 0.0}[regime]


def pole(height_m: float, length_m: float = 4000.0, points: int = 101) -> Profile:
    """Level ground at the sea's height with one post half way."""
    profile = sites.profile(length_m, 0.0, points=points)
    clutter, kinds = profile.clutter_m.copy(), list(profile.clutter_kind)
    clutter[points // 2], kinds[points // 2] = height_m, "tank"
    return replace(profile, clutter_m=clutter, clutter_kind=tuple(kinds))


def bulge_m(length_m: float) -> float:
    """Of the earth half way, at k = 157 / (157 - 45)."""
    return (length_m / 2.0) ** 2 / (2.0 * 157.0 / 112.0 * 6_371_000.0)


def test_sixty_percent_of_the_first_zone_makes_a_path_clear() -> None:
    """10.4 sqrt(d1 d2 / (f d)) m, km and GHz, is 0.6 F1: planning manual, table 3-1. Here 11.16 m."""
    needed_m = 10.4 * math.sqrt(2.0 * 2.0 / (0.868 * 4.0))
    assert needed_m == pytest.approx(11.16, abs=0.01)
    for spare_m, regime in ((0.15, "clear"), (-0.15, "grazing")):
        path = path_of(pole(40.0 - bulge_m(4000.0) - needed_m - spare_m), None, 40.0, 40.0)
        assert (path.regime, path.worst) == (regime, 50)


@pytest.mark.parametrize(
    ("zones", "blocked"), [(0.6, 0.0), (0.0, 0.5), (-0.6, 1.0), (-2.0, 1.0), (0.3, 0.25)]
)
def test_a_path_is_blocked_by_degrees(zones: float, blocked: float) -> None:
    """From 60 % of the zone free to as far behind the edge; F1 half way along 4 km is sqrt(lambda x 1000 m)."""
    f1_m = math.sqrt(0.34538 * 1000.0)
    path = path_of(pole(40.0 - bulge_m(4000.0) - zones * f1_m), None, 40.0, 40.0)
    assert part(path, "blocked") == pytest.approx(blocked, abs=1e-3)


# Rule 1: diffraction at every length


def delta_bullington_db(profile: Profile, near_m: float, far_m: float, s: Situation, **more: Any) -> float:
    return float(
        diffraction.delta_bullington_loss_db(
            profile.distance_m,
            profile.ground_m,
            tx_height_m=near_m,
            rx_height_m=far_m,
            frequency_hz=s.frequency_hz,
            clutter_m=profile.clutter_m,
            k_factor=s.k_factor,
            polarisation=s.polarisation,
            **more,
        )
    )


@pytest.mark.parametrize("polarisation", ["vertical", "horizontal"])
@pytest.mark.parametrize(
    "profile",
    [
        sites.profile(2000.0),
        sites.profile(40_000.0),
        sites.profile(5000.0, sites.ridge(25.0, 2500.0, 400.0)),
        sites.profile(8000.0, lambda x: 100.0 + 30.0 * np.sin(x / 700.0) + 0.02 * x),
        sites.profile(2000.0, 100.0, ((700.0, 900.0, 9.0, "building"), (1500.0, 1520.0, 12.0, "tank"))),
    ],
    ids=["level", "beyond the horizon", "a ridge", "hills", "buildings"],
)
def test_diffraction_is_that_of_the_standards_module(profile: Profile, polarisation: Any) -> None:
    """delta-Bullington of Rec. ITU-R P.526-16, section 4.5.2, as `propagation.diffraction` has it."""
    s = situation(polarisation=polarisation)
    path = path_of(profile, s)
    found = part(path, "ground_db") - part(path, "hill_db") - part(path, "floor_db")
    assert found == pytest.approx(delta_bullington_db(profile, 3.0, 6.0, s), abs=1e-6)


def test_sea_is_counted_as_the_share_of_the_way_over_it() -> None:
    land = sites.profile(30_000.0, 0.0)
    half = replace(land, zone=np.where(land.distance_m <= 15_000.0, 1, 4).astype(np.int8))
    s = situation(frequency_hz=151e6)
    path = path_of(half, s, 10.0, 10.0)
    found = part(path, "ground_db") - part(path, "hill_db") - part(path, "floor_db")
    assert found == pytest.approx(delta_bullington_db(half, 10.0, 10.0, s, sea_share=0.505), abs=1e-6)
    assert loss_db(half, s, 10.0, 10.0) != pytest.approx(loss_db(land, s, 10.0, 10.0), abs=0.01)


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.floats(1.0, 1000.0), min_size=2, max_size=120), frequency_mhz=st.floats(30.0, 6000.0)
)
def test_a_path_over_nothing_but_water_is_answered(steps: list[float], frequency_mhz: float) -> None:
    x = np.append(0.0, np.cumsum(steps))
    flat = np.zeros_like(x)
    water = Profile(x, flat, flat, ("",) * x.size, np.ones(x.size, np.int8), None, None, "sea", 0.0, ())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        path = path_of(water, situation(frequency_hz=frequency_mhz * 1e6))
        assert all(math.isfinite(v) for v in (path.loss_db, *every_model(path).values()))


def test_a_share_of_water_that_rounds_to_more_than_one_is_one() -> None:
    rounded_up = 0
    for seed in range(120):
        x = np.append(0.0, np.cumsum(np.random.default_rng(seed).uniform(1.0, 1000.0, 40)))
        if float(np.diff(x) @ np.full(40, 2.0)) / 2.0 / x[-1] <= 1.0:
            continue
        rounded_up += 1
        flat = np.zeros_like(x)
        water = Profile(x, flat, flat, ("",) * x.size, np.ones(x.size, np.int8), None, None, "sea", 0.0, ())
        assert every_model(path_of(water, None, 10.0, 10.0))["spherical_earth"] > 0.0
    assert rounded_up > 0


def test_no_scatter_is_credited() -> None:
    """P.1812 holds tropospheric scatter, which knows nothing of trees at the ends: it would give 146 dB here."""
    wood = sites.profile(2000.0, 100.0, ((0.0, 2000.0, 25.0, "building"),))
    path = path_of(wood, None, 1.5, 1.5)
    assert path.loss_db > p1812_loss_db(path) + 5.0
    s = situation(frequency_hz=151e6)
    before, after = (
        loss_db(sites.profile(d, 100.0, ((0.0, d, 18.0, "trees"),), points=201), s)
        for d in (19_900.0, 20_100.0)
    )
    assert 0.0 <= after - before < 0.5


def test_a_short_path_up_a_tower_loses_by_its_slant() -> None:
    path = path_of(sites.profile(60.0), None, 3.0, 103.0)
    slant_db = 20.0 * math.log10(4.0 * math.pi * math.hypot(60.0, 100.0) * 868e6 / 299_792_458.0)
    assert part(path, "free_space_db") == pytest.approx(slant_db, abs=1e-6)
    assert path.loss_db >= slant_db


def test_two_points_are_no_profile() -> None:
    with pytest.raises(DomainError, match="3 points"):
        loss_db(sites.profile(100.0, points=2))


# Rule 1: one smooth hill


def cap(height_m: float, radius_m: float, length_m: float, points: int) -> Profile:
    """A parabola of one radius in the middle of level ground."""
    return sites.profile(
        length_m,
        lambda x: 100.0 + np.maximum(height_m - (x - length_m / 2.0) ** 2 / (2.0 * radius_m), 0.0),
        points=points,
    )


@pytest.mark.parametrize(
    ("height_m", "radius_m"),
    [(60.0, 2000.0), (100.0, 800.0), (60.0, 6000.0), (400.0, 6000.0), (11.0, 100_000.0)],
)
def test_a_round_hill_loses_the_mean_of_two_constructions(height_m: float, radius_m: float) -> None:
    """Tangents from antennas H below a parabola of radius R, a metres away: they touch t = a - sqrt(a^2 - 2 R H)
    beside the top and cross t^2 / 2 R above it. With the earth's bulge 1/R grows by 1/a_e, the top by a^2 / 2 a_e.
    Rounded: P.526-16, section 4.2, by `propagation.diffraction`; a point every 5 m. Under 12 dB over the edge a share
    counts."""
    a_m, s = 3000.0, situation()
    earth_m = 157.0 / 112.0 * 6_371_000.0
    round_m = 1.0 / (1.0 / radius_m + 1.0 / earth_m)
    top_m = height_m + a_m**2 / (2.0 * earth_m) - 5.0
    t_m = a_m - math.sqrt(a_m**2 - 2.0 * round_m * top_m)
    rounded_db = diffraction.rounded_obstacle_loss_db(
        top_m + t_m**2 / (2.0 * round_m), a_m, a_m, round_m, s.frequency_hz
    )
    profile = cap(height_m, radius_m, 2.0 * a_m, 1201)
    edge_db = diffraction.bullington_loss_db(
        profile.distance_m,
        profile.ground_m,
        tx_height_m=5.0,
        rx_height_m=5.0,
        frequency_hz=s.frequency_hz,
        k_factor=s.k_factor,
    )
    nu = diffraction.diffraction_parameter(top_m + t_m**2 / (2.0 * round_m), a_m, a_m, s.frequency_hz)
    counts = min((diffraction.knife_edge_loss_db(nu) - 6.0) / 6.0, 1.0)
    path = path_of(profile, s, 5.0, 5.0)
    assert rounded_db - edge_db > 3.0
    assert part(path, "hill_db") == pytest.approx(0.5 * counts * (rounded_db - edge_db), abs=0.3)
    assert path.model == "rounded_obstacle"
    models = every_model(path)
    assert models["rounded_obstacle"] - models["delta_bullington"] == pytest.approx(
        2.0 * part(path, "hill_db"), abs=1e-6
    )
    assert models["delta_bullington"] < path.loss_db < models["rounded_obstacle"]


def test_two_tops_with_a_valley_between_are_no_round_hill() -> None:
    def two(x: np.ndarray) -> np.ndarray:
        z: np.ndarray = 100.0 + 80.0 * sum(np.exp(-(((x - at) / 250.0) ** 2)) for at in (2000.0, 4000.0))
        return z

    path = path_of(sites.profile(6000.0, two, points=601))
    assert path.regime == "obstructed"
    assert part(path, "hill_db") == 0.0
    assert path.model == "delta_bullington"


def test_a_hill_of_few_points_is_taken_for_an_edge() -> None:
    """A round top shows from four points between the horizons on; of one point nothing is round."""
    few, some, many = (
        part(path_of(cap(60.0, 6000.0, 6000.0, n), None, 5.0, 5.0), "hill_db") for n in (61, 91, 1201)
    )
    assert 0.0 < few < some < many
    assert few < 0.5 * many
    assert part(path_of(cap(60.0, 6000.0, 6000.0, 13), None, 5.0, 5.0), "hill_db") == 0.0


def test_a_grazed_hill_is_not_yet_a_round_one() -> None:
    """The round top fades in from 6 dB over the edge (grazing) to 12 dB, in full."""
    shares = [
        part(path_of(cap(60.0, 4000.0, 6000.0, 1201), None, h, h), "hill_db") for h in (61.0, 50.0, 40.0, 5.0)
    ]
    assert shares[0] == 0.0
    assert shares == sorted(shares)


# Rule 2: never less than the plane earth


@pytest.mark.parametrize(
    ("length_m", "near_m", "far_m", "expected_db"),
    [
        # 40 log 1000 - 20 log 12 = 120 - 21.58
        (1000.0, 2.0, 6.0, 98.42),
        # 40 log 4000 - 20 log 9 = 144.08 - 19.08
        (4000.0, 3.0, 3.0, 125.00),
        # 40 log 500 - 20 log 6.25 = 107.96 - 15.92
        (500.0, 2.5, 2.5, 92.04),
    ],
)
@pytest.mark.parametrize("frequency_mhz", [151.0, 433.0, 868.0])
def test_level_ground_loses_no_less_than_plane_earth(
    length_m: float, near_m: float, far_m: float, expected_db: float, frequency_mhz: float
) -> None:
    """40 log d - 20 log h1 h2: any textbook."""
    s = situation(frequency_hz=frequency_mhz * 1e6)
    path = path_of(sites.profile(length_m), s, near_m, far_m)
    assert every_model(path)["plane_earth"] == pytest.approx(expected_db, abs=0.01)
    assert path.loss_db >= expected_db - 0.01
    if part(path, "floor_db") > 0.0:
        assert path.model == "plane_earth"
        assert path.loss_db == pytest.approx(expected_db, abs=0.01)


def test_plane_earth_governs_a_kilometre_of_farm() -> None:
    path = path_of(sites.profile(1000.0), None, 2.0, 6.0)
    assert path.model == "plane_earth"
    assert path.loss_db == pytest.approx(98.42, abs=0.01)
    assert "specular or not" in model_reason(path.reason)


def uneven(rms_m: float) -> Callable[[np.ndarray], np.ndarray]:
    def rise(x: np.ndarray) -> np.ndarray:
        z: np.ndarray = 100.0 + rms_m * np.random.default_rng(7).standard_normal(x.size)
        z[[0, -1]] = 100.0
        return z

    return rise


@pytest.mark.parametrize("roughness_m", [None, 0.0, 5.0])
def test_roughness_takes_the_mirror_away_not_the_loss(roughness_m: float | None) -> None:
    """40 log 1000 - 20 log 9 = 100.92, whatever the ground's roughness; its mean moves the plane by centimetres."""
    path = path_of(
        sites.profile(1000.0, uneven(0.5), points=201), situation(roughness_m=roughness_m), 3.0, 3.0
    )
    assert every_model(path)["plane_earth"] == pytest.approx(100.92, abs=0.5)
    assert path.loss_db >= every_model(path)["plane_earth"] - 1e-6


def test_heights_are_over_the_plane_where_the_ground_falls_away() -> None:
    """A valley z = -4 D s (1 - s): its line of least squares lies 2/3 D down, level. With D = 15 m antennas of 3 m
    stand 13 m over it: 40 log 2000 - 20 log 169 = 132.04 - 44.56 = 87.48 dB."""
    valley = sites.profile(2000.0, lambda x: 300.0 - 60.0 * x / 2000.0 * (1.0 - x / 2000.0), points=801)
    path = path_of(valley, situation(frequency_hz=151e6), 3.0, 3.0)
    assert every_model(path)["plane_earth"] == pytest.approx(87.48, abs=0.05)


def test_heights_are_over_the_own_ground_where_the_plane_lies_higher() -> None:
    """The same as a hill, whose line runs 10 m over both feet: 40 log 2000 - 20 log 9 = 112.96 dB, as if level."""
    hill = sites.profile(2000.0, lambda x: 300.0 + 60.0 * x / 2000.0 * (1.0 - x / 2000.0), points=801)
    assert every_model(path_of(hill, None, 3.0, 3.0))["plane_earth"] == pytest.approx(112.96, abs=0.01)


def test_a_crossing_high_over_a_valley_keeps_its_low_loss() -> None:
    """120 m deep, 8 km: 86 m over the plane; 40 log 8000 - 20 log 86^2 = 78.7 dB, where free space has 109.3."""
    valley = sites.profile(8000.0, lambda x: 300.0 - 120.0 * np.sin(np.pi * x / 8000.0) ** 2, points=201)
    path = path_of(valley, None, 6.0, 6.0)
    assert path.loss_db == pytest.approx(109.28, abs=0.05)


def test_plane_earth_and_free_space_meet_at_the_break_point() -> None:
    """4 pi h1 h2 / lambda = 4 pi 25 / 0.34538 = 909.6 m: before it the envelope of two rays is free space."""
    models = [every_model(path_of(sites.profile(d), None, 5.0, 5.0)) for d in (909.6, 800.0, 1000.0)]
    assert models[0]["plane_earth"] == pytest.approx(models[0]["free_space"], abs=0.01)
    assert models[1]["plane_earth"] < models[1]["free_space"]
    assert models[2]["plane_earth"] > models[2]["free_space"]


def test_neither_nulls_nor_peaks_of_two_rays_are_in_the_median() -> None:
    """The pattern over heights swings by 12 dB and more; the median over free space does not swing at all."""
    raw, extra = [], []
    for height_m in np.linspace(12.0, 40.0, 57):
        path = path_of(sites.profile(500.0), None, 12.0, float(height_m))
        assert path.reflection is not None
        free_db = part(path, "free_space_db")
        raw.append(two_ray_db(path) - free_db)
        extra.append(path.loss_db - free_db)
    assert max(raw) > 8.0
    assert min(raw) < -3.0
    assert extra == [0.0] * len(extra)


def test_a_mirror_is_named_only_where_there_is_one() -> None:
    """Rayleigh: rough from lambda / (8 sin angle) on; a crop or a wood on it, or what blocks the ray, spoils it."""
    level = sites.profile(600.0)
    mirror = path_of(level, None, 20.0, 20.0).reflection
    assert mirror is not None
    assert mirror.distance_m == pytest.approx(300.0, abs=1.0)
    assert path_of(level, situation(roughness_m=2.0), 20.0, 20.0).reflection is None
    assert path_of(sites.profile(600.0, uneven(2.0)), None, 20.0, 20.0).reflection is None
    covered = sites.profile(1200.0, 100.0, ((250.0, 950.0, 4.0, "trees"),))
    assert path_of(covered, None, 20.0, 20.0).reflection is None
    assert path_of(sites.profile(2000.0, sites.ridge(40.0, 1000.0, 100.0))).reflection is None


# Rule 3: trees


def trees(height_m: float, width_m: float, length_m: float = 2000.0, **options: Any) -> Profile:
    start = (length_m - width_m) / 2.0
    belt = ((start, start + width_m, height_m, "trees"),)
    return sites.profile(length_m, 100.0, belt, **{"points": 801, **options})


def test_a_belt_between_the_antennas_loses_its_depth_times_what_p833_gives_a_metre() -> None:
    """A belt 30 m deep on points every 2.5 m, each standing for as much: 13 x 2.5 x 0.18225 = 5.92 dB."""
    path = path_of(trees(20.0, 30.0))
    assert path.depth_m == pytest.approx(32.5, abs=1e-6)
    assert path.trees_db == pytest.approx(5.92, abs=0.01)
    assert path.trees_db == pytest.approx(float(vegetation.belt_loss_db(32.5, 868e6)), abs=1e-9)
    assert "through 32 m of trees" in model_reason(path.reason)


def test_a_wood_around_one_antenna_saturates_as_p833_says_for_a_terminal_in_woodland() -> None:
    """Am (1 - exp(-d g / Am)), 157.5 m: 23.49 (1 - exp(-157.5 x 0.18225 / 23.49)) = 16.57 dB."""
    up = sites.profile(2000.0, sites.ridge(60.0, 2000.0, 250.0), ((0.0, 155.0, 30.0, "trees"),), points=801)
    path = path_of(up)
    assert path.depth_m == pytest.approx(155.0, abs=3.0)
    expected_db = MOST_DB * -math.expm1(-path.depth_m * PER_METRE_DB / MOST_DB)
    assert path.trees_db == pytest.approx(expected_db, abs=0.02)
    assert path.trees_db == pytest.approx(float(vegetation.woodland_loss_db(path.depth_m, 868e6)), abs=1e-6)


def test_a_wood_around_both_antennas_is_entered_and_left() -> None:
    """Twice Am (1 - exp(-d g / 2 Am)): more than one wood of that depth and less than two."""
    wood = sites.profile(160.0, 100.0, ((0.0, 160.0, 30.0, "trees"),), points=161)
    path = path_of(wood)
    once_db = MOST_DB * -math.expm1(-path.depth_m * PER_METRE_DB / MOST_DB)
    twice_db = 2.0 * MOST_DB * -math.expm1(-path.depth_m / 2.0 * PER_METRE_DB / MOST_DB)
    assert part(path, "through_trees")
    assert path.depth_m == pytest.approx(159.0, abs=1.0)
    assert path.trees_db == pytest.approx(twice_db, abs=0.01)
    assert once_db + 3.0 < path.trees_db < 2.0 * once_db


@pytest.mark.parametrize(("begins_m", "share"), [(8.0, 1.0), (30.0, 0.5), (52.0, 0.0)])
def test_a_wood_near_an_antenna_is_blended_from_around_it_to_a_belt(begins_m: float, share: float) -> None:
    """Around it up to 10 m, a belt from 50 m on: half of each at 30 m. A point stands for a metre."""
    stand = ((begins_m + 0.5, begins_m + 50.5, 40.0, "trees"),)
    ground: Callable[[np.ndarray], np.ndarray] = lambda x: 100.0 + 60.0 * (x > 400.0)  # noqa: E731
    path = path_of(sites.profile(800.0, ground, stand, points=801), None, 3.0, 30.0)
    inside = MOST_DB * -math.expm1(-path.depth_m * PER_METRE_DB / MOST_DB)
    belt = min(path.depth_m * PER_METRE_DB, MOST_DB)
    # its first point begins half a metre before it
    assert path.trees_db == pytest.approx(share * inside + (1.0 - share) * belt, abs=0.05)


def test_two_woods_with_a_field_between_them_lose_as_two() -> None:
    belts = ((800.0, 830.0, 25.0, "trees"), (2000.0, 2030.0, 25.0, "trees"))
    pair = path_of(sites.profile(3000.0, 100.0, belts, points=1201))
    one = path_of(sites.profile(3000.0, 100.0, belts[:1], points=1201))
    assert pair.trees_db == pytest.approx(2.0 * one.trees_db, abs=1e-6)
    assert one.trees_db == pytest.approx(32.5 * PER_METRE_DB, abs=0.01)


@pytest.mark.parametrize(("zones", "counts"), [(-0.5, 1.0), (0.0, 1.0), (0.3, 0.5), (0.6, 0.0), (0.7, 0.0)])
def test_a_tree_counts_the_less_the_less_far_it_reaches_into_the_zone(zones: float, counts: float) -> None:
    """In full from where it touches the ray, by half at 30 % of F1, not at all at 60 %. One tree in 20 m of path."""
    f1_m = math.sqrt(0.34538 * 1000.0)
    kind = ["tank" if k else "" for k in pole(1.0).clutter_kind]
    tree = pole(60.0 - bulge_m(4000.0) - zones * f1_m, points=201)
    kind = ["trees" if k else "" for k in tree.clutter_kind]
    path = path_of(replace(tree, clutter_kind=tuple(kind)), None, 60.0, 60.0)
    assert path.depth_m == pytest.approx(20.0 * counts, abs=0.02)
    assert path.trees_db <= 20.0 * counts * PER_METRE_DB + 1e-3


@pytest.mark.parametrize(("under_m", "counts"), [(0.0, 1.0), (1.5, 0.5), (3.0, 0.0)])
def test_the_tops_of_trees_are_no_sharper_than_three_metres(under_m: float, counts: float) -> None:
    """Half way along 100 m 60 % of F1 is 1.76 m only; a metre of path stands for the tree."""
    tree = pole(20.0 - under_m, 100.0)
    tree = replace(tree, clutter_kind=tuple("trees" if k else "" for k in tree.clutter_kind))
    assert path_of(tree, None, 20.0, 20.0).depth_m == pytest.approx(counts, abs=0.01)


def test_the_lesser_of_over_and_through_the_trees_governs() -> None:
    thin, thick = path_of(trees(20.0, 20.0)), path_of(trees(9.0, 600.0))
    assert "through 2" in model_reason(thin.reason)
    assert "over the trees" in model_reason(thick.reason)
    assert not part(thick, "through_trees")
    for path in (thin, thick):
        opaque = replace(
            path.profile, clutter_kind=tuple("building" if k else "" for k in path.profile.clutter_kind)
        )
        bare = replace(path.profile, clutter_m=0.0 * path.profile.clutter_m, clutter_kind=("",) * 801)
        over_db = loss_db(opaque) - loss_db(bare)
        in_db = float(vegetation.belt_loss_db(path.depth_m, 868e6))
        assert path.trees_db == pytest.approx(min(over_db, in_db), abs=1e-6)
    assert thin.loss_db < loss_db(
        replace(thin.profile, clutter_kind=tuple("building" if k else "" for k in thin.profile.clutter_kind))
    )


def test_trees_are_no_part_of_the_ground_that_is_weighed_beside_them() -> None:
    belt, bare = path_of(trees(20.0, 30.0)), path_of(sites.profile(2000.0, points=801))
    assert belt.loss_db == pytest.approx(bare.loss_db + belt.trees_db, abs=1e-9)
    assert part(belt, "ground_db") == part(bare, "ground_db")


@pytest.mark.parametrize("wet", [False, True])
def test_leaves_and_water_make_trees_worse(wet: bool) -> None:
    """Bare trees lose 1/1.2: 32.5 x 0.18225 = 5.92 in leaf, 4.94 bare; wet leaves add 3.5 (1 - exp(-5.92/3.5))."""
    bare, leaf = (
        path_of(trees(20.0, 30.0), situation(leaf=leaf, wet_foliage=wet))
        for leaf in ("out_of_leaf", "in_leaf")
    )
    assert bare.trees_db == pytest.approx(4.936, abs=0.01)
    assert leaf.trees_db == pytest.approx(5.923 + wet * 3.5 * -math.expm1(-5.923 / 3.5), abs=0.01)
    assert part(bare, "vegetation_wet_db") == pytest.approx(5.923 + 2.855, abs=0.01)


def test_a_stated_depth_of_wood_comes_on_top_of_the_rest() -> None:
    """60 m: 23.49 (1 - exp(-60 x 0.18225 / 23.49)) = 8.74 dB."""
    s = situation(woodland_depth_m=60.0)
    for profile in (sites.profile(2000.0), trees(9.0, 600.0)):
        assert loss_db(profile, s) - loss_db(profile) == pytest.approx(8.74, abs=0.01)
    assert path_of(sites.profile(2000.0), s).depth_m == 60.0


def test_leaving_the_range_of_the_vegetation_formula_is_said() -> None:
    with pytest.warns(OutOfRangeWarning, match="100 MHz"):
        loss_db(sites.profile(900.0), situation(frequency_hz=100e6, woodland_depth_m=20.0))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        loss_db(sites.profile(900.0), situation(frequency_hz=100e6))


# Rule 4: what surrounds a low antenna


@pytest.mark.parametrize(
    ("around", "height_m", "expected_db"),
    [
        # (21.8 + 6.2 log 0.868) log(10 / 2.5) = 21.419 x 0.60206
        (OPEN, 2.5, 12.90),
        # log(10 / 1): the lowest that is corrected
        (OPEN, 1.0, 21.42),
        (OPEN, 0.2, 21.42),
        (OPEN, 10.0, 0.0),
        # h_dif 7.5 m, 15.52 deg, nu = 0.342 sqrt(0.868) sqrt(7.5 x 15.52) = 3.438, J = 23.58, less 6.03
        (SUBURB, 2.5, 17.55),
        # h_dif 12.5 m, 24.84 deg, nu = 5.615, J = 27.82
        (WOODLAND, 2.5, 21.79),
        (Surroundings("urban"), 2.5, 21.79),
        # h_dif 7.5 m at 60 m: 7.125 deg, nu = 0.3186 x 7.310 = 2.329, J = 20.29
        (Surroundings("suburban", True, None, 60.0), 2.5, 14.26),
        # log(5 / 2.5)
        (Surroundings("open", True, 5.0), 2.5, 6.45),
        (Surroundings(), 2.5, 0.0),
    ],
)
def test_what_surrounds_an_antenna_loses_what_p2108_gives(
    around: Surroundings, height_m: float, expected_db: float
) -> None:
    """Rec. ITU-R P.2108-1, section 3.1, by hand at 868 MHz."""
    assert around.loss_db(868e6, height_m) == pytest.approx(expected_db, abs=0.01)


def test_both_ends_of_a_clear_path_are_corrected_in_full() -> None:
    """3.1 "can be applied to both transmitting and receiving ends". 100 m at 2.5 m each: 0.85 of F1 (2.94 m) free,
    plane earth 64.1 dB under the 71.2 of free space."""
    path = path_of(sites.profile(100.0), situation(near=OPEN, far=OPEN), 2.5, 2.5)
    assert part(path, "near_surroundings_db") == pytest.approx(12.90, abs=0.01)
    assert part(path, "far_surroundings_db") == pytest.approx(12.90, abs=0.01)
    bare = loss_db(sites.profile(100.0), None, 2.5, 2.5)
    assert path.loss_db == pytest.approx(bare + 2.0 * 12.895, abs=0.01)


def test_what_level_ground_takes_already_is_not_counted_twice() -> None:
    """1 km at 2.5 m each: plane earth takes 104.08 - 91.22 = 12.86 dB over free space; 0.3 and 0.2 of it, 6.43 dB, come
    off the 25.79 dB of both corrections: 9.68 at each end."""
    path = path_of(sites.profile(1000.0), situation(near=OPEN, far=OPEN), 2.5, 2.5)
    assert part(path, "near_surroundings_db") == pytest.approx(9.68, abs=0.02)
    assert part(path, "far_surroundings_db") == part(path, "near_surroundings_db")


@pytest.mark.parametrize("zones", [0.6, 0.0, -0.6, -1.8, -4.0, -30.0])
def test_behind_an_edge_the_correction_counts_the_less(zones: float) -> None:
    """0.3 of what the edge takes comes off both corrections of 12.895 dB, and 0.6 of them at most: 5.158 dB each stay.

    100 m at 2.5 m: F1 2.94 m. Plane earth takes nothing here (64.1 dB against 71.2 of free space).
    """
    height_m = 2.5 - zones * math.sqrt(0.34538 * 25.0)
    wall = pole(max(height_m, 0.0), 100.0, 201)
    path = path_of(wall, situation(near=OPEN, far=OPEN), 2.5, 2.5)
    left_db = max(12.895 - 0.15 * part(path, "ground_db"), 5.158)
    assert part(path, "near_surroundings_db") == pytest.approx(left_db, abs=0.01)
    if zones == -30.0:
        assert left_db == 5.158


def test_trees_in_the_ray_put_no_antenna_behind_an_edge() -> None:
    """The same wall as trees: 2.5 m wide at most; the correction counts in full."""
    wall = pole(9.0, 100.0, 201)
    hedge = replace(wall, clutter_kind=tuple("trees" if k else "" for k in wall.clutter_kind))
    path = path_of(hedge, situation(near=OPEN, far=OPEN), 2.5, 2.5)
    assert path.regime == "obstructed"
    assert part(path, "near_surroundings_db") == pytest.approx(12.895, abs=0.01)


def test_an_antenna_above_its_surroundings_loses_nothing_to_them() -> None:
    for heights_m in ((10.0, 10.0), (12.0, 30.0)):
        for around in (OPEN, SUBURB):
            s = situation(near=around, far=around)
            assert loss_db(sites.profile(2000.0), s, *heights_m) == loss_db(
                sites.profile(2000.0), None, *heights_m
            )


@settings(max_examples=80, deadline=None)
@given(profile=rolling(), link=links())
def test_a_site_that_is_clear_is_never_the_worse_for_it(
    profile: Profile, link: tuple[Situation, float, float]
) -> None:
    """Stated surroundings replace the allowance of an end only as far as they are counted; trees or none."""
    s, near_m, far_m = link
    alone = replace(s, near=Surroundings(), far=Surroundings())
    assert quiet(profile, s, near_m, far_m) >= quiet(profile, alone, near_m, far_m) - 1e-9


def short_of(trees_deep_m: float) -> tuple[PathLoss, float, float]:
    """A clear path of 100 m between antennas of 2.5 m, and stated trees; what each alone takes.

    No allowance: 25.79 dB of the surroundings, and P.833 of the trees.
    """
    path = path_of(
        sites.profile(100.0), situation(near=OPEN, far=OPEN, woodland_depth_m=trees_deep_m), 2.5, 2.5
    )
    return path, 25.79, MOST_DB * -math.expm1(-trees_deep_m * PER_METRE_DB / MOST_DB)


def test_of_trees_and_surroundings_the_lesser_counts_by_a_quarter() -> None:
    """100 m of trees: 12.68 dB, 3.17 of them count. Of SHARED nothing is left where one of the two is none."""
    path, around_db, in_trees_db = short_of(100.0)
    assert in_trees_db == pytest.approx(12.68, abs=0.02)
    assert path.trees_db == pytest.approx(3.17, abs=0.01)
    assert part(path, "vegetation_db") == pytest.approx(12.68, abs=0.02)
    assert part(path, "vegetation_share") == pytest.approx(12.68 / (12.68 + around_db), abs=0.002)
    one_end = path_of(sites.profile(100.0), situation(near=OPEN, woodland_depth_m=200.0), 2.5, 20.0)
    assert one_end.trees_db == pytest.approx(18.51, abs=0.02)
    rise = 17.5 / 100.0 * 27.0
    assert part(one_end, "near_surroundings_db") == pytest.approx(
        0.25 * 21.419 * math.log10(10.0 / (2.5 + rise)), abs=0.01
    )


def test_trees_that_overtake_the_surroundings_make_no_step() -> None:
    s = situation(near=SUBURB, far=Surroundings(), installation_db=1.5)
    losses = [
        quiet(sites.profile(100.0), replace(s, woodland_depth_m=float(d)), 6.0, 6.0)
        for d in np.arange(0.0, 120.0)
    ]
    assert (np.diff(losses) >= -1e-9).all()
    assert np.diff(losses).max() <= 0.3


def test_a_ray_from_above_passes_what_stands_a_street_away_higher() -> None:
    """A mast 20 m higher on 200 m rises 0.1 m a metre: after 27 m it is 2.7 m up, so that 2.5 m counts as 5.2 m:
    21.419 log(10 / 5.2) = 6.08 dB. What counts is the height above ground: a slope that rises with it is none."""
    s = situation(near=OPEN)
    path = path_of(sites.profile(200.0), s, 2.5, 22.5)
    assert part(path, "near_surroundings_db") == pytest.approx(6.08, abs=0.01)
    slope = sites.profile(100.0, lambda x: 100.0 + 0.1 * x)
    assert part(path_of(slope, s, 2.5, 2.5), "near_surroundings_db") == pytest.approx(12.90, abs=0.01)
    # the higher end is not helped by a ray from below
    lower = situation(far=Surroundings("open", True, 60.0))
    assert part(path_of(sites.profile(200.0), lower, 2.5, 22.5), "far_surroundings_db") == pytest.approx(
        21.419 * math.log10(60.0 / 22.5), abs=0.01
    )


# Rule 5: the installation


@pytest.mark.parametrize(
    ("near", "far", "expected_db"), [("none", "none", 3.0), ("open", "none", 1.5), ("open", "open", 0.0)]
)
def test_each_end_loses_the_allowance_or_what_surrounds_it(near: Any, far: Any, expected_db: float) -> None:
    s = situation(installation_db=1.5, near=Surroundings(near), far=Surroundings(far))
    path = path_of(sites.profile(100.0), s, 2.5, 2.5)
    assert part(path, "installation_db") == expected_db


def test_where_trees_count_the_allowance_is_whole() -> None:
    """200 m of trees, 18.51 dB, outweigh what suburbs take at 9.9 m; a quarter of what that has over 1.5 dB counts."""
    s = situation(installation_db=1.5, near=SUBURB, far=Surroundings("open"), woodland_depth_m=200.0)
    path = path_of(sites.profile(100.0), s, 6.0, 9.5)
    full = SUBURB.loss_db(868e6, 6.0, 0.035)
    assert path.trees_db == pytest.approx(18.51, abs=0.02)
    assert part(path, "installation_db") == 3.0
    assert part(path, "near_surroundings_db") == pytest.approx(0.25 * (float(full) - 1.5), abs=0.01)
    assert part(path, "far_surroundings_db") == 0.0


def test_of_an_allowance_what_surrounds_the_antenna_leaves_is_counted() -> None:
    """At 9.5 m open ground takes 21.419 log(10 / 9.5) = 0.477 dB of the 1.5."""
    path = path_of(sites.profile(100.0), situation(installation_db=1.5, near=OPEN), 9.5, 9.5)
    assert part(path, "near_surroundings_db") + part(path, "installation_db") == pytest.approx(3.0, abs=1e-6)
    assert part(path, "near_surroundings_db") == pytest.approx(0.477, abs=0.001)


# What goes with the loss


def test_how_much_an_end_stands_among_its_surroundings() -> None:
    """Wholly from 12 dB of correction on, 6 dB by half; the stated are not assumed."""
    for around, height_m, low, assumed in (
        (OPEN, 2.5, 1.0, 0.0),
        (Surroundings("open", False), 2.5, 1.0, 1.0),
        (Surroundings("open", False), 10.0 / 10.0 ** (6.0 / 21.419), 0.5, 0.5),
        (Surroundings("open", False), 11.0, 0.0, 0.0),
        (Surroundings("none", True), 2.5, 0.0, 0.0),
    ):
        path = path_of(sites.profile(2000.0), situation(near=around), height_m, height_m)
        assert part(path, "low_end") == pytest.approx(low, abs=1e-3)
        assert part(path, "surroundings_assumed") == pytest.approx(assumed, abs=1e-3)


def test_the_low_k_is_asked_from_five_kilometres_on() -> None:
    short, long = (path_of(sites.profile(d, points=201), None, 10.0, 10.0) for d in (4999.0, 5001.0))
    assert part(short, "low_k_db") == 0.0
    assert 0.0 < part(long, "low_k_db") < 1.0
    s = situation()
    deep = replace(s, delta_n=157.0 - 157.0 / 0.9)
    expected_db = delta_bullington_db(long.profile, 10.0, 10.0, deep) - delta_bullington_db(
        long.profile, 10.0, 10.0, s
    )
    assert part(long, "low_k_db") == pytest.approx(expected_db, abs=1e-6)


# The other models


def test_every_model_is_over_the_same_ground_between_the_antennas_themselves() -> None:
    profile = trees(20.0, 20.0)
    s = situation(near=OPEN, far=OPEN, installation_db=1.5, woodland_depth_m=30.0)
    path = path_of(profile, s)
    models = every_model(path)
    assert list(models) == [name for name in MODEL_NAMES if name in models], "in the order of the report"
    assert models["delta_bullington"] == pytest.approx(
        models["free_space"] + delta_bullington_db(profile, 3.0, 6.0, s), abs=1e-9
    )
    assert models == every_model(path_of(profile, situation()))


def test_the_second_opinion_takes_what_stands_on_the_ground_as_ground() -> None:
    """A house of 25 m in the way: the irregular terrain model over a bump of its height says the same."""
    house = sites.profile(3000.0, 100.0, ((1400.0, 1600.0, 25.0, "building"),))
    bump = replace(
        house,
        ground_m=house.ground_m + house.clutter_m,
        clutter_m=0.0 * house.clutter_m,
        clutter_kind=("",) * 101,
    )
    with_house, with_bump, without = (
        every_model(path_of(p, None, 4.0, 8.0))["irregular_terrain"]
        for p in (house, bump, sites.profile(3000.0))
    )
    assert with_house == pytest.approx(with_bump, abs=1e-9)
    assert with_house > without + 3.0


@pytest.mark.parametrize("length_m", [249.0, 250.0])
def test_p1812_is_not_asked_below_its_quarter_kilometre(length_m: float) -> None:
    models = every_model(path_of(sites.profile(length_m, 100.0, ((110.0, 120.0, 8.0, "building"),))))
    assert ("p1812" in models) == (length_m >= 250.0)


def test_a_second_opinion_that_warns_is_none() -> None:
    """It knows heights of half a metre and more, a kilometre and more, and no path that it warns of."""
    assert "irregular_terrain" in every_model(path_of(sites.profile(5000.0), None, 10.0, 10.0))
    assert "irregular_terrain" not in every_model(path_of(sites.profile(999.0), None, 10.0, 10.0))
    with pytest.warns(OutOfRangeWarning, match="P.1812"):
        assert "irregular_terrain" not in every_model(path_of(sites.profile(5000.0), None, 0.4, 10.0))


def test_models_that_do_not_describe_a_path_are_left_out_of_the_spread() -> None:
    losses = {
        "free_space": 90.0,
        "plane_earth": 95.0,
        "spherical_earth": 101.0,
        "bullington": 70.0,
        "cascaded_knife_edges": 150.0,
        "delta_bullington": 102.0,
        "p1812": 103.0,
    }
    assert spread_db(losses, "clear") == 13.0
    assert spread_db(losses, "grazing") == 8.0
    assert spread_db({**losses, "spherical_earth": 60.0}, "obstructed") == 80.0
    assert spread_db({**losses, "spherical_earth": 110.0}, "obstructed") == 8.0, "edges are not the bulge"


# Laws: over wooded, hilly and flat ground, 151 to 915 MHz, 0.1 to 60 km, open, built-up or wooded ends


@settings(max_examples=60, deadline=None)
@given(
    link=links(),
    kind=st.sampled_from(["flat", "hill", "wood"]),
    until_m=st.sampled_from([60.0, 400.0, 1500.0]),
    share=st.floats(0.0, 1.0),
    longer=st.floats(1.01, 3.0),
)
def test_over_unchanged_ground_a_longer_path_never_loses_less(
    link: tuple[Situation, float, float], kind: str, until_m: float, share: float, longer: float
) -> None:
    """Half a decibel allowed. The hill or wood stays where it is, the far end moves away over level ground.

    Behind a hill both antennas are of one height, since one that moves out of its shadow truly gains; and 1.2 dB
    are allowed: the line of least squares undershoots the level ground beyond the hill, which credits the far antenna
    with height (0.9 dB at 151 MHz), and the horizon goes from point to point (0.6 dB, 10 m apart)."""
    s, near_m, far_m = link
    if kind == "hill":
        far_m = near_m
    least_m = max(until_m + 60.0, 100.0)
    length_m = least_m * (60_000.0 / 3.0 / least_m) ** share
    near_db, far_db = (
        quiet(country(kind, d, until_m), s, near_m, far_m) for d in (length_m, length_m * longer)
    )
    assert far_db >= near_db - (1.2 if kind == "hill" else 0.5)


@settings(max_examples=100, deadline=None)
@given(profile=rolling(), link=links())
def test_a_path_loses_the_same_from_either_end_and_never_less_than_free_space(
    profile: Profile, link: tuple[Situation, float, float]
) -> None:
    s, near_m, far_m = link
    back = replace(s, near=s.far, far=s.near)
    one = quiet(profile, s, near_m, far_m)
    assert one == pytest.approx(quiet(sites.mirrored(profile), back, far_m, near_m), abs=1e-6)
    slant_m = math.hypot(profile.length_m, profile.ground_m[0] + near_m - profile.ground_m[-1] - far_m)
    assert one >= 20.0 * math.log10(4.0 * math.pi * slant_m * s.frequency_hz / 299_792_458.0) + 0.0


@settings(max_examples=25, deadline=None)
@given(profile=rolling(), link=links())
def test_every_model_of_any_path_is_a_number(profile: Profile, link: tuple[Situation, float, float]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        path = path_of(profile, *link)
        models = every_model(path)
    assert all(math.isfinite(v) for v in models.values())
    assert spread_db(models, path.regime) >= 0.0
    assert path.model in models


def largest_step_db(profiles: list[Profile], s: Situation, heights_m: list[tuple[float, float]]) -> float:
    losses = [quiet(p, s, *h) for p, h in zip(profiles, heights_m, strict=True)]
    return float(np.abs(np.diff(losses)).max())


@pytest.mark.parametrize("frequency_hz", FREQUENCIES_HZ)
@pytest.mark.parametrize("around", AROUND[1:], ids=lambda a: str(a.kind))
def test_an_antenna_that_grows_out_of_its_surroundings_meets_no_step(
    frequency_hz: float, around: Surroundings
) -> None:
    """Through the tops by centimetres; the correction itself is steep just below its own 1 m."""
    s = situation(frequency_hz=frequency_hz, near=around, installation_db=1.5)
    heights = [(h, 6.0) for h in np.arange(around.top_m - 0.5, around.top_m + 0.51, 0.05)]
    for profile in (sites.profile(1500.0), sites.profile(3000.0, sites.ridge(20.0, 1200.0, 300.0))):
        assert largest_step_db([profile] * len(heights), s, heights) <= 1.0


@pytest.mark.parametrize("frequency_hz", FREQUENCIES_HZ)
@pytest.mark.parametrize("kind", ["tank", "trees"])
@pytest.mark.parametrize("zones", [0.6, 0.0])
def test_an_obstacle_that_grows_through_the_zone_meets_no_step(
    frequency_hz: float, kind: str, zones: float
) -> None:
    """Through clearances of 60 % and of nothing, in steps of 2 % of F1."""
    s = situation(frequency_hz=frequency_hz)
    f1_m = math.sqrt(299_792_458.0 / frequency_hz * 500.0)
    profiles = []
    for ratio in np.arange(zones - 0.1, zones + 0.101, 0.02):
        post = pole(45.0 - bulge_m(2000.0) - ratio * f1_m, 2000.0)
        profiles.append(replace(post, clutter_kind=tuple(kind if k else "" for k in post.clutter_kind)))
    assert largest_step_db(profiles, s, [(45.0, 45.0)] * len(profiles)) <= 1.0


@pytest.mark.parametrize("kind", ["flat", "hill", "wood"])
def test_no_length_is_a_switch(kind: str) -> None:
    """At 250 m, 1 km, 5 km and 20 km a few metres more change the loss by a few hundredths."""
    s = situation(frequency_hz=151e6, near=OPEN, far=OPEN)
    for at_m, until_m in ((250.0, 60.0), (1000.0, 400.0), (5000.0, 1500.0), (20_000.0, 1500.0)):
        profiles = [country(kind, at_m + more, until_m) for more in (-4.0, -2.0, 2.0, 4.0)]
        assert largest_step_db(profiles, s, [(3.0, 6.0)] * 4) <= 0.5


@pytest.mark.parametrize("frequency_hz", FREQUENCIES_HZ)
def test_a_wood_that_moves_away_from_an_antenna_meets_no_step(frequency_hz: float) -> None:
    s = situation(frequency_hz=frequency_hz)
    # grown by the metre, so that the wood has the same number of points everywhere
    profiles = [
        sites.profile(800.0, 100.0, ((begins + 0.5, begins + 60.5, 12.0, "trees"),), points=801)
        for begins in np.arange(2.0, 62.0)
    ]
    assert largest_step_db(profiles, s, [(3.0, 6.0)] * len(profiles)) <= 1.0


@pytest.mark.parametrize("frequency_hz", FREQUENCIES_HZ)
@pytest.mark.parametrize("radius_m", [800.0, 4000.0])
def test_a_hill_that_grows_into_the_ray_meets_no_step(frequency_hz: float, radius_m: float) -> None:
    """From under the zone to far in it, in steps of 0.2 m, with a point every 5 m: ten and more on the top."""
    s = situation(frequency_hz=frequency_hz)
    profiles = [cap(h, radius_m, 4000.0, 801) for h in np.arange(2.0, 40.0, 0.2)]
    assert largest_step_db(profiles, s, [(10.0, 10.0)] * len(profiles)) <= 1.0


@settings(max_examples=60, deadline=None)
@given(
    link=links(),
    share=st.floats(0.0, 1.0),
    raise_m=st.floats(0.1, 10.0),
    clear=st.booleans(),
)
def test_raising_an_antenna_over_flat_or_clear_ground_loses_no_more_than_half_a_decibel(
    link: tuple[Situation, float, float], share: float, raise_m: float, clear: bool
) -> None:
    s, near_m, far_m = link
    length_m = 100.0 * 600.0**share
    valley: sites.Ground = lambda x: 300.0 - 150.0 * np.sin(np.pi * x / length_m) ** 2  # noqa: E731
    profile = sites.profile(length_m, valley if clear else 100.0, points=201)
    assert quiet(profile, s, near_m + raise_m, far_m) <= quiet(profile, s, near_m, far_m) + 0.5


@settings(max_examples=60, deadline=None)
@given(
    at=st.floats(0.15, 0.85),
    width_m=st.floats(20.0, 100.0),
    length_m=st.floats(400.0, 8000.0),
    kind=st.sampled_from(["trees", "building"]),
    link=links(),
)
def test_an_obstacle_that_grows_never_helps(
    at: float, width_m: float, length_m: float, kind: str, link: tuple[Situation, float, float]
) -> None:
    """Never, among antennas that nothing surrounds and for trees. A building that takes the ray takes some of the
    correction for what surrounds the antennas, but always less than it takes itself."""
    s, near_m, far_m = link
    found = []
    for height_m in np.linspace(0.0, 40.0, 9):
        standing = ((at * length_m - width_m / 2.0, at * length_m + width_m / 2.0, float(height_m), kind),)
        found.append(quiet(sites.profile(length_m, 100.0, standing, points=401), s, near_m, far_m))
    assert (np.maximum.accumulate(found) - found).max() <= 1e-6


def test_a_coarser_raster_of_the_same_ground_agrees_within_what_is_stated_for_it() -> None:
    """Rolling ground of some 300 m from top to top, 1.5 to 12 km, heights every 10 m against every 30 m, 90 m and
    300 m: nine in ten within 1.65 sigma of what `raster_db` states beside the 2 dB that no raster is good for."""
    rng = np.random.default_rng(17)
    s = situation(near=OPEN, far=OPEN)
    missed: dict[float, list[bool]] = {30.0: [], 90.0: [], 300.0: []}
    for _ in range(60):
        length_m = 900.0 * float(rng.integers(2, 14))
        fine = np.linspace(0.0, length_m, int(length_m / 10.0) + 1)
        z = 200.0 + sum(
            a * np.sin(2.0 * np.pi * fine / w + p)
            for a, w, p in zip(
                (12.0, 5.0, 1.5), rng.uniform(250.0, 1500.0, 3), rng.uniform(0.0, 6.3, 3), strict=True
            )
        )
        true_db = quiet(sites.profile(length_m, lambda x, z=z: z, points=fine.size), s, 4.0, 6.0)
        for cell_m, out in missed.items():
            coarse = fine[:: int(cell_m / 10.0)]
            rough = sites.profile(
                length_m,
                lambda x, c=coarse, f=fine, z=z: np.interp(x, c, np.interp(c, f, z)),
                points=fine.size,
            )
            sigma_db = math.hypot(float(raster_db(cell_m, length_m, 868e6)), 2.0)
            out.append(abs(quiet(rough, s, 4.0, 6.0) - true_db) > 1.65 * sigma_db)
    assert {cell: np.mean(out) <= 0.1 for cell, out in missed.items()} == dict.fromkeys(missed, True)


@pytest.mark.skipif(not compiled.available(), reason="numba is not installed")
@pytest.mark.parametrize("seed", range(3))
def test_compiled_and_plain_are_the_same(seed: int) -> None:
    rng = np.random.default_rng(seed)
    near_m, far_m = rng.uniform(0.3, 40.0, 40), rng.uniform(0.3, 40.0, 40)
    hills = lambda x: 100.0 + 30.0 * np.sin(x / 500.0) ** 2  # noqa: E731
    belts = ((0.0, 60.0, 15.0, "trees"), (1500.0, 1600.0, 12.0, "trees"), (2000.0, 2050.0, 8.0, "building"))
    sea = sites.profile(9000.0, 0.0)
    for profile in (
        sites.profile(4000.0, hills, belts, points=401),
        sites.profile(60.0, 100.0, belts[:1], points=31),
        replace(sea, zone=np.ones_like(sea.zone)),
    ):
        case = sites.case(profile, link={"frequency_mhz": float(rng.choice([151.0, 433.0, 915.0]))})
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutOfRangeWarning)
            one, other = (pair_losses(case, near_m, far_m, use_numba=fast) for fast in (True, False))
        for name in (
            "loss_db",
            "clearance_ratio",
            "hill_db",
            "floor_db",
            "vegetation_wet_db",
            "low_k_db",
            "depth_m",
        ):
            np.testing.assert_allclose(
                getattr(one, name), getattr(other, name), rtol=0.0, atol=1e-9, err_msg=name
            )
        assert (one.model == other.model).all()

"""Two rays over a plane, over a curved earth, and on real profiles."""

import cmath
import math
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.propagation import two_ray
from linkcalc.propagation.ground import GroundConstants
from linkcalc.propagation.two_ray import Roughness, find_reflection, two_ray_loss_db
from tests.validation.tables import read_rows

REFERENCE = Path(__file__).parents[1] / "reference"
SPEED = 299_792_458.0
MEDIUM = {"ground": GroundConstants(15.0, 0.005)}


@pytest.mark.parametrize("row", read_rows(REFERENCE / "two_ray_plane.csv"))
def test_plane_two_ray_loss_agrees_with_the_worked_values(row):
    d = float(row["distance_m"])
    for polarisation in ("horizontal", "vertical"):
        ours = two_ray_loss_db(d, 2.0, 10.0, 868e6, polarisation=polarisation, **MEDIUM)
        assert ours == pytest.approx(float(row[f"{polarisation}_db"]), abs=0.51e-4)
    assert two_ray.plane_earth_loss_db(d, 2.0, 10.0) == pytest.approx(float(row["far_form_db"]), abs=0.51e-4)


def test_reflection_coefficients_agree_with_the_worked_values():
    # the same worked case at 1000 m: R_V = -0.90821 - 0.00028j, R_H = -0.99361 + 0.00002j
    psi = math.atan(0.012)
    vertical, horizontal = (
        two_ray.reflection_coefficient(psi, 868e6, polarisation=p, **MEDIUM)
        for p in ("vertical", "horizontal")
    )
    assert vertical == pytest.approx(-0.90821 - 0.00028j, abs=0.8e-5)
    assert horizontal == pytest.approx(-0.99361 + 0.00002j, abs=0.8e-5)


def image_sum_db(d, h1, h2, f, er, sigma, polarisation):
    """The sum written differently: phasors of two path lengths, refraction by Snell's complex angle."""
    wavenumber = 2 * math.pi * f / SPEED
    epsilon = complex(er, -sigma / (2 * math.pi * f * 8.8541878128e-12))
    direct, image = math.dist((0, h1), (d, h2)), math.dist((0, h1), (d, -h2))
    incidence = math.acos((h1 + h2) / image)  # from the vertical
    index = cmath.sqrt(epsilon)
    refracted = cmath.sqrt(1 - (cmath.sin(incidence) / index) ** 2)
    if polarisation == "horizontal":
        top, bottom = math.cos(incidence) - index * refracted, math.cos(incidence) + index * refracted
    else:
        top, bottom = index * math.cos(incidence) - refracted, index * math.cos(incidence) + refracted
    field = cmath.rect(1 / direct, -wavenumber * direct) + top / bottom * cmath.rect(
        1 / image, -wavenumber * image
    )
    return -20 * math.log10(abs(field) / (2 * wavenumber))


@given(
    st.floats(5, 5000),
    st.floats(0.5, 40),
    st.floats(0.5, 40),
    st.floats(100e6, 2e9),
    st.floats(2, 80),
    st.floats(0, 5),
    st.sampled_from(["vertical", "horizontal"]),
)
def test_loss_agrees_with_an_independent_image_sum(d, h1, h2, f, er, sigma, polarisation):
    ours = two_ray_loss_db(d, h1, h2, f, GroundConstants(er, sigma), polarisation=polarisation)
    theirs = image_sum_db(d, h1, h2, f, er, sigma, polarisation)
    assume(theirs < 160)  # in the depth of a null both are rounding errors
    assert ours == pytest.approx(theirs, abs=2e-4)


def test_far_loss_grows_with_forty_decibels_per_decade_whatever_the_frequency():
    d = np.array([20e3, 200e3])
    for f in (433e6, 868e6):
        loss = two_ray_loss_db(d, 4.0, 6.0, f, polarisation="horizontal", **MEDIUM)
        assert loss[1] - loss[0] == pytest.approx(40.0, abs=0.03)
        np.testing.assert_allclose(loss, two_ray.plane_earth_loss_db(d, 4.0, 6.0), atol=0.05)


def test_plane_earth_loss_at_one_kilometre_is_the_textbook_one():
    # 40 log d - 20 log h1 h2: 98.42 dB at 1 km for 2 m and 6 m
    assert two_ray.plane_earth_loss_db(1000.0, 2.0, 6.0) == pytest.approx(98.42, abs=0.005)


def test_both_break_points_are_where_their_definitions_say():
    # 4 h1 h2/lambda and 4 pi h1 h2/lambda: 146 m and 460 m for 2 m and 6 m at 915 MHz; 231.6 m and 727.7 m
    # for 2 m and 10 m at 868 MHz
    assert two_ray.last_maximum_m(2.0, 6.0, 915e6) == pytest.approx(146, abs=0.6)
    assert two_ray.plane_earth_crossover_m(2.0, 6.0, 915e6) == pytest.approx(460, abs=0.6)
    assert two_ray.last_maximum_m(2.0, 10.0, 868e6) == pytest.approx(231.6, abs=0.06)
    assert two_ray.plane_earth_crossover_m(2.0, 10.0, 868e6) == pytest.approx(727.7, abs=0.06)
    d = np.linspace(150, 400, 2501)
    gain = 20 * np.log10(4 * np.pi * d * 868e6 / SPEED) - two_ray_loss_db(
        d, 2.0, 10.0, 868e6, polarisation="horizontal", **MEDIUM
    )
    assert d[gain.argmax()] == pytest.approx(231.6, rel=0.05)
    crossover = two_ray.plane_earth_crossover_m(2.0, 10.0, 868e6)
    free_space = 20 * np.log10(4 * np.pi * crossover * 868e6 / SPEED)
    assert two_ray.plane_earth_loss_db(crossover, 2.0, 10.0) == pytest.approx(free_space, abs=1e-9)


def test_both_polarisations_meet_at_grazing_and_steep_ground_reflects_like_an_index_step():
    grazing = [
        two_ray.reflection_coefficient(1e-6, 868e6, polarisation=p, **MEDIUM)
        for p in ("vertical", "horizontal", "circular")
    ]
    np.testing.assert_allclose(grazing, -1.0, atol=1e-5)
    steep = [
        two_ray.reflection_coefficient(math.pi / 2, 868e6, GroundConstants(9.0, 0.0), polarisation=p)
        for p in ("vertical", "horizontal", "circular")
    ]
    # (1 - n)/(1 + n) with n = 3, of opposite sign by convention; circular turns its sense altogether
    np.testing.assert_allclose(steep, [0.5, -0.5, 0.0], atol=1e-12)


def test_vertical_polarisation_reflects_nothing_at_brewsters_angle():
    # tan psi = 1/n for a lossless ground
    psi = math.atan(1 / math.sqrt(15.0))
    ours = two_ray.reflection_coefficient(psi, 868e6, GroundConstants(15.0, 0.0))
    assert abs(ours) < 1e-12


@given(st.just(0.0) | st.floats(1e-9, math.pi / 2), st.floats(1, 80), st.floats(0, 5), st.floats(30e6, 6e9))
def test_ground_never_reflects_more_than_it_is_given(psi, er, sigma, f):
    for polarisation in ("vertical", "horizontal", "circular"):
        ours = two_ray.reflection_coefficient(psi, f, GroundConstants(er, sigma), polarisation=polarisation)
        assert abs(ours) <= 1 + 1e-9


def test_loss_is_the_same_in_both_directions_and_broadcasts_over_heights_and_frequencies():
    heights, frequencies = np.array([1.0, 3.0, 9.0]), np.array([433e6, 868e6])
    there = two_ray_loss_db(1500.0, 2.0, heights[:, None], frequencies, **MEDIUM)
    back = two_ray_loss_db(1500.0, heights[:, None], 2.0, frequencies, **MEDIUM)
    assert there.shape == (3, 2)
    np.testing.assert_allclose(there, back, atol=1e-9)
    assert isinstance(two_ray_loss_db(1500.0, 2.0, 3.0, 868e6, **MEDIUM), float)


def test_rough_ground_leaves_the_direct_ray_alone():
    free_space = 20 * math.log10(4 * math.pi * math.hypot(200, 8) * 868e6 / SPEED)
    rough = two_ray_loss_db(200.0, 2.0, 10.0, 868e6, roughness=Roughness(5.0), **MEDIUM)
    assert rough == pytest.approx(free_space, abs=1e-6)
    off_beam = two_ray_loss_db(200.0, 2.0, 10.0, 868e6, gain_ratio_db=-300.0, **MEDIUM)
    assert off_beam == pytest.approx(free_space, abs=1e-6)


def test_roughness_at_rayleighs_criterion_leaves_the_published_share_of_the_field():
    # g = pi/2 there: Ament exp(-pi^2/8), Miller and Brown exp(-pi^2/8) I0(pi^2/8), I0 by its power series
    psi, f = 0.03, 868e6
    s = two_ray.rayleigh_height_m(psi, f)
    x = math.pi**2 / 8
    bessel = sum((x / 2) ** (2 * n) / math.factorial(n) ** 2 for n in range(30))
    assert two_ray.roughness_factor(s, psi, f) == pytest.approx(math.exp(-x), rel=1e-12)
    ours = two_ray.roughness_factor(s, psi, f, "miller_brown")
    assert ours == pytest.approx(math.exp(-x) * bessel, rel=1e-12)


def test_low_antennas_gain_from_the_surface_wave_what_bullington_says():
    # Bullington 1947: far out, plane-earth loss with (h^2 + h0^2)^0.5; Norton's surface wave agrees
    d = 3000.0
    for height in (0.1, 0.3, 1.0, 3.0):
        for polarisation in ("vertical", "horizontal"):
            norton = two_ray_loss_db(
                d, height, 2.0, 433e6, polarisation=polarisation, surface_wave=True, **MEDIUM
            )
            raised = [
                two_ray.minimum_effective_height_m(h, 433e6, polarisation=polarisation, **MEDIUM)
                for h in (height, 2.0)
            ]
            assert norton == pytest.approx(two_ray.plane_earth_loss_db(d, *raised), abs=0.25)
    without = two_ray_loss_db(d, 0.1, 0.1, 433e6, **MEDIUM)
    assert two_ray_loss_db(d, 0.1, 0.1, 433e6, surface_wave=True, **MEDIUM) < without - 1.5


def test_surface_wave_is_nothing_to_antennas_some_wavelengths_up():
    # common practice: negligible above 100 MHz for heights over a wavelength
    d = np.geomspace(50, 5000, 40)
    plain = two_ray_loss_db(d, 3.0, 6.0, 868e6, **MEDIUM)
    np.testing.assert_allclose(
        two_ray_loss_db(d, 3.0, 6.0, 868e6, surface_wave=True, **MEDIUM), plain, atol=0.1
    )


@given(st.floats(100, 20e3), st.floats(1, 60), st.floats(1, 60), st.floats(0.6, 10))
def test_curved_earth_reflects_where_both_angles_are_equal(d, h1, h2, k):
    radius = k * 6_371_000
    assume(d < 0.95 * (math.sqrt(2 * radius * h1) + math.sqrt(2 * radius * h2)))
    g = two_ray.curved_geometry(d, h1, h2, k)
    d1, d2 = g.tx_distance_m, d - g.tx_distance_m
    assert g.tx_height_m == pytest.approx(h1 - d1**2 / (2 * radius), rel=1e-9)
    assert g.tx_height_m / d1 == pytest.approx(g.rx_height_m / d2, rel=1e-6)
    assert 0 < g.divergence <= 1


def test_flat_limit_of_the_curved_earth_is_the_plane():
    d = np.array([100.0, 1000.0, 5000.0])
    plane = two_ray_loss_db(d, 12.0, 30.0, 868e6, **MEDIUM)
    curved = two_ray_loss_db(d, 12.0, 30.0, 868e6, k_factor=1e9, **MEDIUM)
    np.testing.assert_allclose(curved, plane, atol=1e-5)


def test_curved_earth_loses_more_than_the_plane_in_the_far_region():
    plane, curved = (
        two_ray_loss_db(9000.0, 10.0, 15.0, 868e6, k_factor=k, **MEDIUM) for k in (math.inf, 4 / 3)
    )
    assert curved > plane + 1


def test_divergence_agrees_with_bundles_of_rays_traced_off_a_sphere():
    # spread of a thin bundle in the plane of incidence, by tracing two neighbouring rays off a circle exactly
    radius, h1, h2 = 4 / 3 * 6_371_000, 30.0, 40.0
    d = 30e3
    g = two_ray.curved_geometry(d, h1, h2)
    start = np.array([0.0, radius + h1])

    def landing(angle):
        # ray leaving downward at `angle`: how far it has got along the arc, and how steeply, at height h2
        way = np.array([math.cos(angle), -math.sin(angle)])
        b = start @ way
        hit = start + (-b - math.sqrt(b**2 - (start @ start - radius**2))) * way
        normal = hit / radius
        out = way - 2 * (way @ normal) * normal
        b = hit @ out
        end = hit + (-b + math.sqrt(b**2 - (radius**2 - (radius + h2) ** 2))) * out
        return math.atan2(end[0], end[1]) * radius, math.asin(out @ end / np.linalg.norm(end))

    angle = brentq(lambda a: landing(a)[0] - d, 0.0027, 0.05, xtol=1e-15)
    (near, _), (_, arrival), (far, _) = (landing(angle + e) for e in (-1e-7, 0.0, 1e-7))
    width = abs(far - near) * math.sin(arrival) / 2e-7  # of the bundle, per radian
    unspread = math.hypot(d, g.tx_height_m + g.rx_height_m)  # over the tangent plane
    assert g.divergence < 0.8
    assert g.divergence == pytest.approx(math.sqrt(unspread / width), rel=0.005)


def test_grazing_limit_is_the_cube_root_it_is_defined_by():
    limit = two_ray.grazing_limit_rad(868e6)
    assert limit**3 * 2 * math.pi * 4 / 3 * 6_371_000 == pytest.approx(SPEED / 868e6)


def test_two_rays_near_the_horizon_are_flagged():
    with pytest.warns(OutOfRangeWarning, match="spherical-earth diffraction"):
        loss = two_ray_loss_db(12e3, 5.0, 5.0, 868e6, k_factor=4 / 3, **MEDIUM)
    assert math.isfinite(loss)
    with pytest.raises(DomainError, match="horizon"):
        two_ray_loss_db(40e3, 5.0, 5.0, 868e6, k_factor=4 / 3, **MEDIUM)


@pytest.mark.parametrize(
    "arguments",
    [
        {"distance_m": 0.0},
        {"tx_height_m": 0.0},
        {"frequency_hz": -1.0},
        {"ground": GroundConstants(0.9, 0.005)},
        {"polarisation": "slant"},
        {"roughness": Roughness(-1.0)},
        {"roughness": Roughness(0.0, "sandpaper")},
        {"k_factor": 0.0},
        {"k_factor": math.nan},
    ],
)
def test_an_undefined_two_ray_path_is_refused(arguments):
    usual = {"distance_m": 1e3, "tx_height_m": 2.0, "rx_height_m": 6.0, "frequency_hz": 868e6, **MEDIUM}
    with pytest.raises(DomainError):
        two_ray_loss_db(**(usual | arguments))


# --- reflection on a profile ------------------------------------------------------------------------------


def search(ground, tx, rx, *, x=None, clutter=None, k=math.inf, f=868e6):
    x = np.linspace(0, 5000, 501) if x is None else x
    ground = np.broadcast_to(np.asarray(ground(x) if callable(ground) else ground, dtype=float), x.shape)
    clutter = np.zeros(x.shape) if clutter is None else clutter(x)
    return find_reflection(x, ground, clutter, ground[0] + tx, ground[-1] + rx, k_factor=k, frequency_hz=f)


@given(st.floats(2, 60), st.floats(2, 60), st.floats(-0.05, 0.05), st.floats(300, 8000))
def test_even_slope_mirrors_the_ray_where_the_image_says(tx, rx, slope, length):
    x = np.linspace(0, length, 300)
    found, _ = search(lambda x: 50 + slope * x, tx, rx, x=x)
    # image of the transmitter in the slope, written with vectors
    along = np.array([1.0, slope]) / math.hypot(1.0, slope)
    image = 2 * (np.array([0.0, tx]) @ along) * along - np.array([0.0, tx])
    target = np.array([length, slope * length + rx])
    matrix = np.stack([target - image, -along], axis=-1)
    _, at = np.linalg.solve(matrix, -image)
    assert found.distance_m == pytest.approx(at * along[0], abs=1e-4 * length)
    assert found.roughness_m == pytest.approx(0.0, abs=1e-4)
    # path difference of image theory with the heights and distance it hands on
    difference = math.dist(image, target) - math.dist((0.0, tx), target)
    across, h1, h2 = found.surface_distance_m, found.tx_height_m, found.rx_height_m
    handed_on = math.hypot(across, h1 + h2) - math.hypot(across, h1 - h2)
    assert handed_on == pytest.approx(difference, rel=1e-6)


def test_low_tank_and_high_hill_mirror_the_ray_at_the_tanks_foot():
    # image theory: 0.3 m against 300 m reflects a thousandth of the way along
    found, _ = search(100.0, 0.3, 300.0, x=np.linspace(0, 6000, 601))
    assert found.distance_m == pytest.approx(6000 * 0.3 / 300.3, abs=0.5)
    found, _ = search(100.0, 300.0, 0.3, x=np.linspace(0, 6000, 601))
    assert found.distance_m == pytest.approx(6000 - 6000 * 0.3 / 300.3, abs=0.5)


def test_footprint_is_where_the_path_is_half_a_wavelength_longer():
    found, _ = search(100.0, 12.0, 30.0, x=np.linspace(0, 1500, 151))
    shortest = math.hypot(1500, 42)
    for end in found.footprint_m:
        detour = math.hypot(end, 12) + math.hypot(1500 - end, 30) - shortest
        assert detour == pytest.approx(SPEED / 868e6 / 2, rel=1e-3)


def test_smooth_sphere_is_recognised_under_its_own_curvature():
    found, _ = search(0.0, 30.0, 10.0, x=np.linspace(0, 10e3, 401), k=4 / 3)
    sphere = two_ray.curved_geometry(10e3, 30.0, 10.0)
    assert found.distance_m == pytest.approx(sphere.tx_distance_m, abs=0.5)
    assert found.grazing_angle_rad == pytest.approx(sphere.grazing_angle_rad, rel=1e-4)
    assert found.roughness_m == pytest.approx(0.0, abs=1e-4)
    assert found.within_grazing_limit


def test_reflection_comes_from_the_plain_below_the_cliff_not_from_the_middle():
    # a plain, then a cliff with the receiver on it: on the plain's own plane, heights 80 m and 170 m mirror
    # the ray at 2700 x 80/250 = 864 m, where half way or one line through the whole profile would not
    def cliff(x):
        return 100 + np.interp(x, [2400, 2600], [0, 150])

    found, why = search(cliff, 80.0, 20.0, x=np.linspace(0, 2700, 541))
    assert found.distance_m == pytest.approx(864, abs=1)
    assert found.tx_height_m == pytest.approx(80, abs=0.01)
    assert found.rx_height_m == pytest.approx(170, abs=0.01)
    assert "864 m" in why


def test_rough_ground_is_found_rough():
    rng = np.random.default_rng(5)
    found, _ = search(lambda x: 100 + rng.normal(0, 3.0, x.size), 60.0, 60.0, x=np.linspace(0, 2000, 401))
    # rms of straight pieces between independent heights: sqrt(2/3) of the heights' own
    assert found.roughness_m == pytest.approx(3.0 * math.sqrt(2 / 3), rel=0.2)
    assert not found.smooth
    even, _ = search(lambda x: 100 + rng.normal(0, 0.05, x.size), 60.0, 60.0, x=np.linspace(0, 2000, 401))
    assert even.smooth


def test_roughness_decides_by_grazing_angle_as_rayleigh_says():
    def furrows(x):
        return 100 + np.sqrt(2) * np.sin(x / 7.0)

    x = np.linspace(0, 2000, 2001)
    high, _ = search(furrows, 60.0, 60.0, x=x)
    low, _ = search(furrows, 6.0, 6.0, x=x)
    assert high.roughness_m == pytest.approx(1.0, rel=0.05)
    assert not high.smooth
    assert low.smooth
    assert (
        two_ray.rayleigh_height_m(high.grazing_angle_rad, 868e6)
        < 1.0
        < two_ray.rayleigh_height_m(low.grazing_angle_rad, 868e6)
    )


def test_trees_over_the_footprint_are_reported():
    x = np.linspace(0, 3000, 601)
    bare, _ = search(100.0, 40.0, 40.0, x=x)
    start, end = bare.footprint_m
    forest, _ = search(100.0, 40.0, 40.0, x=x, clutter=lambda x: np.where((x > start) & (x < end), 12.0, 0.0))
    hedge, _ = search(100.0, 40.0, 40.0, x=x, clutter=lambda x: np.where(abs(x - 1500) < 20, 12.0, 0.0))
    assert bare.clutter_share == 0.0
    assert forest.clutter_covers
    assert forest.clutter_share == pytest.approx(1.0, abs=0.02)
    assert 0 < hedge.clutter_share < 0.1
    assert not hedge.clutter_covers


def test_a_blocked_leg_kills_the_reflection_and_says_where():
    # a wall short of the footprint: below the direct ray, above the reflected one
    def wall(x):
        return np.where(abs(x - 300) < 6, 36.0, 0.0)

    x = np.linspace(0, 3000, 601)
    bare, _ = search(100.0, 40.0, 40.0, x=x)
    assert bare.footprint_m[0] > 310
    found, why = search(100.0, 40.0, 40.0, x=x, clutter=wall)
    assert found is None
    assert why == "the ray reflected at 1500 m is blocked at 305 m"


def test_a_blocked_direct_ray_has_no_partner():
    found, why = search(lambda x: 100 + 30 * np.exp(-(((x - 2000) / 300) ** 2)), 10.0, 10.0)
    assert found is None
    assert why == "the direct ray is blocked at 2000 m"


def test_a_station_below_the_mirroring_plane_gets_no_reflection():
    # the receiver lies below the plain's edge, the transmitter below the plane of the slope that leads down
    # to it: no ground mirrors the ray between them
    found, why = search(
        lambda x: 100 - np.interp(x, [2700, 3000], [0, 8]), 70.0, 1.0, x=np.linspace(0, 3000, 601)
    )
    assert found is None
    assert why == "no specular reflection from the ground between the antennas"


def test_across_a_gorge_the_wall_below_a_mast_is_the_mirror_not_the_sharp_bottom():
    # image theory on a wall that falls by 0.6: the transmitter stands 3 m above it, the receiver 603 m
    found, _ = search(lambda x: 100 + 0.6 * abs(x - 500), 3.0, 3.0, x=np.linspace(0, 1000, 201), f=2.4e9)
    nearest = min(found.distance_m, 1000 - found.distance_m)
    along = np.array([1.0, -0.6]) / math.hypot(1.0, 0.6)
    image = 2 * (np.array([0.0, 3.0]) @ along) * along - np.array([0.0, 3.0])
    _, at = np.linalg.solve(np.stack([np.array([1000.0, 3.0]) - image, -along], axis=-1), -image)
    assert nearest == pytest.approx(at * along[0], abs=0.01)
    assert abs(found.slope) == pytest.approx(0.6)
    assert found.smooth


def test_two_terraces_give_the_stronger_of_two_reflections():
    # near terrace furrowed, far terrace even, a step between: both mirror the ray
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 1.5, 1001)

    def terraces(x):
        return np.where(x < 900, 100 + noise[: x.size], 130.0)

    x = np.linspace(0, 3000, 1001)
    found, _ = find_reflection(x, terraces(x), 0 * x, 190.0, 140.0, k_factor=math.inf, frequency_hz=2.4e9)
    assert found.distance_m > 900
    assert found.roughness_m < 0.1


def test_reflection_is_the_same_from_the_other_end():
    rng = np.random.default_rng(11)
    x = np.linspace(0, 4000, 401)
    ground = 100 + np.cumsum(rng.normal(0, 0.05, x.size)) + 0.01 * x
    there, _ = find_reflection(
        x, ground, 0 * x, ground[0] + 20, ground[-1] + 12, k_factor=1.3, frequency_hz=868e6
    )
    back, _ = find_reflection(
        x, ground[::-1], 0 * x, ground[-1] + 12, ground[0] + 20, k_factor=1.3, frequency_hz=868e6
    )
    assert there.distance_m + back.distance_m == pytest.approx(4000, abs=0.5)
    assert there.tx_height_m == pytest.approx(back.rx_height_m, abs=1e-3)
    assert there.roughness_m == pytest.approx(back.roughness_m, abs=1e-3)


def test_uneven_spacing_of_the_profile_does_not_move_the_reflection():
    even = np.linspace(0, 3000, 601)
    uneven = np.unique(np.concatenate([even[::7], 1000 + np.arange(0, 50, 0.5), [3000.0, 1499.99, 1500.0]]))
    one, other = (search(lambda x: 100 + 0.02 * x, 15.0, 9.0, x=x)[0] for x in (even, uneven))
    assert one.distance_m == pytest.approx(other.distance_m, abs=0.1)
    assert one.tx_height_m == pytest.approx(other.tx_height_m, abs=1e-6)


def test_reflection_near_the_horizon_is_marked():
    found, _ = search(0.0, 5.0, 5.0, x=np.linspace(0, 12e3, 401), k=4 / 3)
    assert not found.within_grazing_limit


def test_found_reflection_gives_the_loss_of_its_plane():
    found, _ = search(lambda x: 50 - 0.03 * x, 4.0, 9.0)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ours = two_ray_loss_db(
            found.surface_distance_m, found.tx_height_m, found.rx_height_m, 868e6, **MEDIUM
        )
    theirs = image_sum_db(5000 * math.hypot(1, 0.03), 4.0, 9.0, 868e6, 15.0, 0.005, "vertical")
    assert ours == pytest.approx(theirs, abs=0.02)


@pytest.mark.parametrize(
    "arguments",
    [
        {"distance_m": [1.0, 2.0, 3.0]},
        {"distance_m": [0.0, 2.0, 2.0]},
        {"ground_m": [0.0, 1.0]},
        {"ground_m": [0.0, math.nan, 1.0]},
        {"clutter_m": [0.0, -1.0, 0.0]},
        {"tx_height_amsl_m": -1.0},
        {"k_factor": -1.0},
    ],
)
def test_an_impossible_profile_is_refused(arguments):
    usual = {
        "distance_m": [0.0, 500.0, 1000.0],
        "ground_m": [0.0, 0.0, 0.0],
        "clutter_m": [0.0, 0.0, 0.0],
        "tx_height_amsl_m": 5.0,
        "rx_height_amsl_m": 5.0,
        "k_factor": 1.33,
        "frequency_hz": 868e6,
    }
    with pytest.raises(DomainError):
        find_reflection(**(usual | arguments))


def test_where_line_and_footprint_do_not_agree_nothing_is_mirrored_from_either_end():
    """A path of the invented upland on which a trial line jumps from one fit to another as it moves."""
    from linkcalc.files import samples_folder
    from linkcalc.terrain.cutting import cut_profile

    ends = (-40.010262157838, -20.00116856905062), (-40.01736, -20.03736)
    p = cut_profile(*ends[0], *ends[1], [samples_folder() / "upland.tif"])
    found = []
    for step, heights in ((1, (6.0, 4.5)), (-1, (4.5, 6.0))):
        ground = p.ground_m[::step]
        x = p.distance_m if step == 1 else p.length_m - p.distance_m[::-1]
        reflection, _ = find_reflection(
            x, ground, 0.0 * ground, ground[0] + heights[0], ground[-1] + heights[1],
            k_factor=1.4001597474840028, frequency_hz=433.5e6,
        )  # fmt: skip
        found.append(reflection)
    assert found == [None, None]

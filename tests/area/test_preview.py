"""The quick look: exact along a ray, and honest about what it leaves out."""

import numpy as np
import pytest
from linkcalc.area.preview import preview, rays

from linkcalc.area import kernels
from linkcalc.area.coverage import Job
from linkcalc.area.losses import diffraction_loss_db
from linkcalc.propagation import _kernels, compiled, diffraction
from tests.area.test_same_as_check import PATHS, UPLAND_MIDDLE, scene, upland


@pytest.fixture(scope="module")
def job(tmp_path_factory) -> Job:
    with scene(
        upland(), tmp_path_factory.mktemp("preview"), "generator shed", UPLAND_MIDDLE, 1500.0
    ) as place:
        return Job(
            place.land, place.template, place.fixed, 1500.0, place.land.spacing_m[0], compiled.available()
        )


@pytest.mark.parametrize("use_numba", PATHS)
def test_a_point_on_a_ray_has_the_diffraction_of_its_own_profile(job, use_numba):
    found = rays(job, use_numba=use_numba)
    many, points = found.ground_m.shape
    ray, point = (v.ravel() for v in np.meshgrid(np.arange(0, many, 25), np.arange(12, points, 7)))
    turn, length = 2.0 * np.pi * ray / many, point * found.step_m
    own = diffraction_loss_db(
        job.land, job.template, job.fixed, length * np.sin(turn), length * np.cos(turn), use_numba=False
    )
    off = np.abs(found.diffraction_db[ray, point] - own)
    assert np.nanmax(off) < 0.15  # its profile has points at other places, but nearly as close
    assert np.nanmedian(off) < 0.02


@pytest.mark.skipif(not compiled.available(), reason="no numba")
def test_both_writings_of_the_rays_agree(job):
    one, other = rays(job, use_numba=False), rays(job, use_numba=True)
    assert np.nanmax(np.abs(one.diffraction_db - other.diffraction_db)) < 0.02
    assert (np.isnan(one.diffraction_db) == np.isnan(other.diffraction_db)).all()


def test_a_preview_says_how_far_it_is_off(job):
    bands, sigma_db = preview(job)
    assert 0.1 < sigma_db < 15.0
    assert np.isfinite(bands["margin_db"]).sum() > 10_000


@pytest.mark.parametrize("use_numba", PATHS)
def test_the_diffraction_of_many_positions_is_that_of_each(tmp_path, use_numba):
    with scene(upland(), tmp_path, "tank", UPLAND_MIDDLE, 3300.0) as place:
        east, north = place.positions(80, seed=5)
        many = diffraction_loss_db(place.land, place.template, place.fixed, east, north, use_numba=use_numba)
        for i in range(80):
            p, s = place.case_at(east[i], north[i]).profile, place.template.situation
            alone = diffraction.delta_bullington_loss_db(
                p.distance_m, p.ground_m, tx_height_m=s.tx_height_m, rx_height_m=s.rx_height_m,
                frequency_hz=s.frequency_hz, k_factor=s.k_factor,
            )  # fmt: skip
            assert many[i] == pytest.approx(alone, abs=1e-3)


@pytest.mark.parametrize("heights_m", [(2.0, 3.0), (30.0, 2.0), (200.0, 150.0), (1.0, 400.0)])
@pytest.mark.parametrize("length_km", [0.4, 5.0, 30.0, 80.0])
def test_the_smooth_earth_edge_is_that_of_the_scan(heights_m, length_km):
    n = 300
    d = np.linspace(0.0, length_km, n + 1)
    want = _kernels.smooth_bullington_nu(d, *heights_m, 8500.0, 8500.0)[0]
    assert kernels.smooth_nu(*heights_m, length_km, length_km / n, n, 8500.0) == pytest.approx(want, abs=1e-9)

"""A position's answer is the one that `check` gives for a station there."""

import re
import warnings
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from linkcalc.area.land import Land, read_land
from linkcalc.area.losses import losses
from linkcalc.area.margins import answers, template_case
from linkcalc.errors import OutOfRangeWarning
from linkcalc.link.case import LinkCase, shown_surroundings
from linkcalc.link.decision import judge_link
from linkcalc.link.losses import MODELS, REGIMES
from linkcalc.link.on_ground import open_terrain
from linkcalc.link.requirement import VERDICTS
from linkcalc.plan import load_plan
from linkcalc.propagation import compiled
from linkcalc.terrain.cutting import Cutting, cut_profile
from linkcalc.terrain.geodesy import path_between
from linkcalc.terrain.land_cover import REACH_M, Layers, neighbourhood

SAMPLES = Path(__file__).parents[2] / "terrain_samples"
PATHS = [
    pytest.param(False, id="numpy"),
    pytest.param(True, id="compiled", marks=pytest.mark.skipif(not compiled.available(), reason="no numba")),
]


@dataclass(frozen=True)
class Scene:
    """A sample plan with a station put in the middle of its raster."""

    loaded: object
    terrain: Layers
    land: Land
    template: LinkCase
    fixed: str

    def positions(self, count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        r = self.land.radius_m * np.sqrt(rng.uniform(1e-4, 1.0, count))
        turn = rng.uniform(0.0, 2.0 * np.pi, count)
        return r * np.sin(turn), r * np.cos(turn)

    def case_at(self, east: float, north: float) -> LinkCase:
        """What `check` makes of a plan with the other station at a position."""
        latitude, longitude = (float(v) for v in self.land.geographic(east, north))
        moved = {"latitude_deg": latitude, "longitude_deg": longitude}
        here = (self.land.latitude_deg, self.land.longitude_deg)
        near, far = self.template.near, self.template.far
        if self.fixed == "near":
            a, b, far = here, (latitude, longitude), far.model_copy(update=moved)
        else:
            a, b, near = (latitude, longitude), here, near.model_copy(update=moved)
        t = self.loaded.plan.terrain
        profile = cut_profile(
            *a, *b, self.terrain.ground, surface_rasters=self.terrain.surface,
            canopy_rasters=self.terrain.canopy, step_m=t.step_m,
            how=Cutting(self.terrain.cover, t.surface_kind, t.largest_hole_m, t.sea_without_data),
        )  # fmt: skip
        _, azimuth, back_azimuth = path_between(*a, *b)
        return replace(
            self.template,
            near=near,
            far=far,
            profile=profile,
            azimuth_deg=azimuth,
            back_azimuth_deg=back_azimuth,
            shown=(self.shown(a), self.shown(b)),
        )

    def shown(self, position: tuple[float, float]):
        found = neighbourhood(self.terrain, *position, REACH_M)
        return shown_surroundings(found.around(*position)) if found.known else None


@contextmanager
def scene(text: str, folder: Path, station: str, middle: tuple[float, float], radius_m: float):
    """The plan `text` beside the samples' rasters, its station moved to `middle`."""
    plan_file = folder / "plan.toml"
    plan_file.write_text(re.sub(r'rasters = \["(?!/)', f'rasters = ["{SAMPLES.as_posix()}/', text))
    loaded = load_plan(plan_file)
    template, fixed = template_case(loaded, loaded.plan.link[0], station)
    with open_terrain(loaded) as terrain:
        land = read_land(terrain, *middle, radius_m, name=station, rules=loaded.plan.terrain)
        yield Scene(loaded, terrain, land, template, fixed)


CLOSE_DB = 1e-4
STEP_DB = 2.5
"""From one spreading factor to the next, as published (`tests/radio/test_css.py`)."""


def least_factor(planned: int, spare_db: float) -> int:
    """The lowest of 7 to 12 with which nothing is short, 0 where none does."""
    return next((sf for sf in range(7, 13) if spare_db + STEP_DB * (sf - planned) >= 0.0), 0)


def compare(place: Scene, count: int, use_numba: bool, seed: int = 1, at=None) -> dict[str, int]:
    """Hold every position against `check`; return how often each model governed."""
    east, north = place.positions(count, seed) if at is None else at
    found = losses(place.land, place.template, place.fixed, east, north, use_numba=use_numba)
    cases = [place.case_at(*at) for at in zip(east, north, strict=True)]
    if not hasattr(cases[0].profile, "cell_m"):  # a profile that does not know what it was cut from
        found = replace(found, cell_m=np.full(count, np.nan))
    here = (place.land.latitude_deg, place.land.longitude_deg)
    got = answers(place.template, place.fixed, here, east, north, found)
    models: dict[str, int] = {}
    for i, case in enumerate(cases):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutOfRangeWarning)
            want = case.path
            _, (there, back) = judge_link(case, second_opinions=False)
        close = {
            "loss": (found.loss_db[i], want.loss_db),
            "trees": (found.trees_db[i], want.trees_db),
            "level forward": (got.level_forward_dbm[i], there.received_power_dbm),
            "level return": (got.level_return_dbm[i], back.received_power_dbm),
            "margin forward": (got.margin_forward_db[i], there.fade_margin_db),
            "margin return": (got.margin_return_db[i], back.fade_margin_db),
            "required": (got.judgements[0].required_margin_db[i], there.required_margin_db),
            "required back": (got.judgements[1].required_margin_db[i], back.required_margin_db),
        }
        weaker = min(there, back, key=lambda d: d.fade_margin_db - d.required_margin_db)
        spare_db = weaker.fade_margin_db - weaker.required_margin_db
        close["spare"] = (got.spare_db[i], spare_db)
        if (
            there.required_margin_db - back.required_margin_db
        ):  # which of the two alike is said does not matter
            close["required of the weaker"] = (got.required_margin_db[i], weaker.required_margin_db)
        for name, (one, other) in close.items():
            assert one == pytest.approx(other, abs=CLOSE_DB), (name, east[i], north[i], want.model)
        share = min(there.site_share, back.site_share)
        assert got.site_share[i] == pytest.approx(share, abs=1e-5)
        success = min(there.delivery_probability, back.delivery_probability)
        assert got.success[i] == pytest.approx(success, abs=1e-5)
        # a margin within a rounding of what is asked may fall to either side of it
        edge = min(abs(d.fade_margin_db - d.required_margin_db) for d in (there, back)) < CLOSE_DB
        worst = min(VERDICTS.index(d.verdict) for d in (there, back))
        assert edge or got.verdict[i] == worst, (east[i], north[i])
        for figure in ("required_margin_db", "site_share", "verdict"):  # NaN only where there is no path
            assert got.named(figure)[i] == getattr(got, figure)[i]
        least = least_factor(case.link.modulation.spreading_factor, spare_db)
        near = any(abs(spare_db + STEP_DB * k) < CLOSE_DB for k in range(-5, 6))
        assert near or got.spreading_factor[i] == least, (east[i], north[i])
        assert MODELS[found.model[i]] == want.model
        assert REGIMES[found.regime[i]] == want.regime
        models[want.model] = models.get(want.model, 0) + 1
    return models


UPLAND_MIDDLE = (-40.0005, -20.0055)
WOODED_MIDDLE = (-44.0756, -21.9866)
PLAIN_MIDDLE = (-32.0041, -20.0281)


def upland(**changed: str) -> str:
    text = (SAMPLES / "upland.toml").read_text()
    for old, new in changed.items():
        text = text.replace(old, new)
    return text


@pytest.mark.skipif(not compiled.available(), reason="no numba")
def test_300_cells_in_the_hills_equal_check(tmp_path, few: Callable[[int], int]):
    with scene(upland(), tmp_path, "generator shed", UPLAND_MIDDLE, 3300.0) as place:
        models = compare(place, few(300), use_numba=True)
    assert {"delta_bullington", "rounded_obstacle"} <= set(models)


@pytest.mark.slow
@pytest.mark.skipif(not compiled.available(), reason="no numba")
def test_300_cells_behind_a_wood_equal_check(tmp_path):
    text = (SAMPLES / "wooded.toml").read_text()
    with scene(text, tmp_path, "spring tank", WOODED_MIDDLE, 740.0) as place:
        compare(place, 300, use_numba=True)


@pytest.mark.parametrize("use_numba", PATHS)
@pytest.mark.parametrize(
    ("name", "station", "middle", "radius_m"),
    [
        ("upland", "tank", UPLAND_MIDDLE, 3300.0),
        ("wooded", "generator shed", WOODED_MIDDLE, 740.0),
        ("plain", "pump shed", PLAIN_MIDDLE, 1250.0),
    ],
)
def test_both_writings_equal_check(tmp_path, use_numba, name, station, middle, radius_m):
    text = (SAMPLES / f"{name}.toml").read_text()
    with scene(text, tmp_path, station, middle, radius_m) as place:
        compare(place, 25, use_numba, seed=7)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("old", "new", "best", "louder_db"),
    [
        # the tank's dipole may have 25 mW ERP, 13.98 dBm, which 14 dBm are taken for
        ("transmit_power_dbm = 14.0\nantenna = { type = \"half", "transmit_power_dbm = 30.0\nantenna = { type = \"half",
         "closes", -0.02),
        # three tries of 0.13 s are over 1 % of 12 s
        ("interval_s = 600.0", "interval_s = 12.0", "at_risk", 0.0),
    ],
    ids=["power", "time"],
)  # fmt: skip
def test_no_cell_counts_on_more_than_is_legal(tmp_path, old, new, best, louder_db):
    """868.3 MHz in Europe: 25 mW ERP, 36 s an hour. Half a kilometre from the shed what is legal closes."""
    near_by = np.array([400.0, 300.0]), np.array([300.0, -700.0])
    found = []
    for text in (upland(), upland(**{old: new})):
        with scene(text, tmp_path, "generator shed", UPLAND_MIDDLE, 1000.0) as place:
            loss = losses(place.land, place.template, place.fixed, *near_by, use_numba=False)
            here = (place.land.latitude_deg, place.land.longitude_deg)
            found.append(answers(place.template, place.fixed, here, *near_by, loss))
    lawful, changed = found
    assert [VERDICTS[v] for v in lawful.verdict] == ["closes"] * 2
    assert [VERDICTS[v] for v in changed.verdict] == [best] * 2
    assert changed.level_forward_dbm - lawful.level_forward_dbm == pytest.approx(louder_db, abs=0.005)


@pytest.mark.slow
@pytest.mark.parametrize("station", ["tank", "generator shed"])
def test_antennas_that_point_somewhere_equal_check(tmp_path, station):
    """Beams of both ends, the one that stays and the one that is tried everywhere."""
    beam = 'antenna = { type = "yagi", azimuth_deg = 75.0 }'
    text = upland(
        **{'antenna = { type = "half_wave_dipole" }': beam, 'antenna = { type = "collinear" }': beam}
    )
    with scene(text, tmp_path, station, UPLAND_MIDDLE, 1500.0) as place:
        compare(place, 8, use_numba=False, seed=3)


@pytest.mark.slow
@pytest.mark.parametrize("quiet", ["tank", "generator shed"])
def test_the_weaker_direction_decides_a_cell_and_its_spreading_factor(tmp_path, quiet):
    """The station that stays or the other sends with 8 dBm: 6 dB less; asked for is ever more, 2.5 dB a factor."""
    text = upland(
        **{"spreading_factor = 8": "spreading_factor = 9", "noise_rise_db = 6.0": "noise_rise_db = 0.0"}
    )
    before, name, after = text.partition(f'name = "{quiet}"')
    text = before + name + after.replace("transmit_power_dbm = 14.0", "transmit_power_dbm = 8.0", 1)
    at = np.array([300.0]), np.array([-700.0])
    with scene(text, tmp_path, "generator shed", UPLAND_MIDDLE, 1000.0) as place:
        loss = losses(place.land, place.template, place.fixed, *at, use_numba=False)
        here = (place.land.latitude_deg, place.land.longitude_deg)
        factors = []
        for asked_db in np.arange(10.0, 60.0, 1.0):
            link = place.template.link.model_copy(update={"required_margin_db": asked_db})
            got = answers(replace(place.template, link=link), place.fixed, here, *at, loss)
            margins = got.margin_forward_db[0], got.margin_return_db[0]
            needed = [j.required_margin_db[0] for j in got.judgements]
            spare_db = min(m - n for m, n in zip(margins, needed, strict=True))
            assert margins[quiet == "tank"] - margins[quiet != "tank"] > 5.0
            assert got.spare_db[0] == spare_db
            assert got.required_margin_db[0] == needed[quiet != "tank"]
            assert got.margin_db[0] == min(margins)
            factors.append(int(got.spreading_factor[0]))
            assert factors[-1] == least_factor(9, spare_db)
    assert list(dict.fromkeys(factors)) == [7, 8, 9, 10, 11, 12, 0]

"""A node's path to a shed is the one that `check` gives for a station there."""

import re
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from linkcalc.errors import OutOfRangeWarning, TerrainError
from linkcalc.fleets.contention import outlook
from linkcalc.fleets.network import Setting
from linkcalc.fleets.reach import network, paths
from linkcalc.link.case import LinkCase
from linkcalc.link.decision import judge_link
from linkcalc.link.losses import REGIMES
from linkcalc.link.on_ground import open_terrain
from linkcalc.link.uncertainty import fading_k_db
from linkcalc.link.verdict import check_link
from linkcalc.plan.fleet import LoadedFleet, load_fleet
from linkcalc.plan.stations import position_deg
from linkcalc.propagation import compiled
from linkcalc.terrain.cutting import cut_profile
from linkcalc.terrain.geodesy import path_between
from tests.fleet.networks import Distant

SAMPLES = Path(__file__).parents[2] / "terrain_samples"


def sample(tmp_path: Path, rows: int, **changed: str) -> LoadedFleet:
    """The sample fleet with the first rows of its list."""
    lines = (SAMPLES / "upland_tanks.csv").read_text().splitlines()
    (tmp_path / "nodes.csv").write_text("\n".join(lines[: rows + 2]) + "\n")
    text = (SAMPLES / "upland_fleet.toml").read_text().replace("upland_tanks.csv", "nodes.csv")
    text = re.sub(r'"upland.tif"', f'"{(SAMPLES / "upland.tif").as_posix()}"', text)
    for old, new in changed.items():
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "fleet.toml").write_text(text)
    return load_fleet(tmp_path / "fleet.toml")


def case_of(loaded: LoadedFleet, node: int, shed: int, terrain) -> LinkCase:
    """What `check` makes of a plan with the node as a station."""
    plan = loaded.plan().plan
    n = loaded.nodes[node]
    height = n.antenna_height_m or loaded.fleet.equipment.antenna_height_m
    near = plan.station[0].model_copy(
        update={
            "latitude_deg": n.latitude_deg, "longitude_deg": n.longitude_deg, "antenna_height_m": height,
        }
    )  # fmt: skip
    far = plan.station[1 + shed]
    ends = (n.latitude_deg, n.longitude_deg), position_deg(far)
    profile = cut_profile(*ends[0], *ends[1], terrain[0])
    _, azimuth, back_azimuth = path_between(*ends[0], *ends[1])
    return LinkCase(plan.link[shed], near, far, plan.conditions, profile, azimuth, back_azimuth)


@pytest.mark.parametrize(
    "use_numba",
    [False, pytest.param(True, marks=pytest.mark.skipif(not compiled.available(), reason="no numba"))],
)
def test_pairs_equal_check(tmp_path, use_numba):
    loaded = sample(tmp_path, 12)
    found = paths(loaded, use_numba=use_numba)
    net = network(loaded, found)
    planned = net.factors.index(10)
    margins = 14.0 + net.margin_at_0_dbm_db
    with open_terrain(loaded.plan()) as terrain, warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        for node in range(12):
            for shed in range(2):
                case = case_of(loaded, node, shed, terrain)
                facts, (there, back) = judge_link(case, second_opinions=False)
                assert margins[node, shed, planned] == pytest.approx(there.fade_margin_db, abs=1e-4)
                required = net.required_snr_db[planned]
                return_db = net.return_snr_db[node, shed] - required
                assert return_db == pytest.approx(back.fade_margin_db, abs=1e-4)
                assert found.loss_db[node, shed] == pytest.approx(case.losses.loss_db[0], abs=1e-4)
                assert found.k_db[node, shed] == pytest.approx(fading_k_db(case, case.losses)[0], abs=1e-4)
                assert REGIMES[found.regime[node, shed]] == facts.regime


def test_a_fleet_of_one_has_the_success_that_check_gives(tmp_path):
    loaded = sample(tmp_path, 1)
    found = paths(loaded, use_numba=False)
    net = network(loaded, found)
    one = np.ones(1, dtype=np.int64)
    got = outlook(net, Setting(one, one * net.factors.index(10), np.full(1, 14.0)))
    with open_terrain(loaded.plan()) as terrain, warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        there = check_link(case_of(loaded, 0, 1, terrain)).directions[0]
    assert got.success[0] == pytest.approx(there.delivery_probability, abs=1e-3)


def test_paths_do_not_depend_on_who_works_them_off(tmp_path):
    loaded = sample(tmp_path, 8)
    here, there = (paths(loaded, use_numba=False, scheduler=who) for who in (None, Distant()))
    for name in ("gain_db", "loss_db", "length_m", "site_db", "conditions_db", "k_db", "regime"):
        assert np.array_equal(getattr(here, name), getattr(there, name)), name


def test_a_node_off_the_land_is_refused_and_the_others_are_answered(tmp_path):
    loaded = sample(tmp_path, 3)
    nodes = (
        loaded.nodes[0],
        loaded.nodes[1].model_copy(update={"longitude_deg": 20.0}),
        loaded.nodes[2],
    )
    found = paths(replace(loaded, nodes=nodes), use_numba=False)
    assert found.names == ("tank 01", "tank 03")
    assert [(r.row, r.name) for r in found.refused] == [(4, "tank 02")]
    assert "has the longitude the wrong sign?" in found.refused[0].reason


def test_a_fleet_without_ground_is_one_line(tmp_path):
    loaded = sample(tmp_path, 2)
    lost = tuple(n.model_copy(update={"latitude_deg": 10.0}) for n in loaded.nodes)
    with pytest.raises(
        TerrainError, match=r"no node has ground under it: tank 01 at .*\(1 more node like it"
    ):
        paths(replace(loaded, nodes=lost), use_numba=False)


def test_what_a_node_states_of_its_own_counts(tmp_path):
    loaded = sample(tmp_path, 2)
    first, second = loaded.nodes
    more = first.model_copy(update={"extra_loss_db": 7.0, "payload_bytes": 40, "interval_s": 60.0})
    before = paths(loaded, use_numba=False)
    after = paths(replace(loaded, nodes=(more, second)), use_numba=False)
    assert before.gain_db[0] - after.gain_db[0] == pytest.approx(7.0)
    assert before.gain_db[1] == pytest.approx(after.gain_db[1])
    a, b = network(loaded, before), network(loaded, after)
    assert (b.time_on_air_s[0] > a.time_on_air_s[0]).all()
    assert b.interval_s.tolist() == [60.0, 900.0]

"""Relay siting: every cell as a check would have it, the best spots, and two relays in a row."""

import json
import math
import pickle
import re
from dataclasses import replace
from itertools import combinations, pairwise, product

import numpy as np
import pytest
import rasterio

from linkcalc.area import tiles
from linkcalc.area.access import Access, Grid
from linkcalc.area.gridded import geotiff
from linkcalc.area.relay import chain as relay_chain
from linkcalc.area.relay.result import as_data, spots_csv
from linkcalc.area.relay.search import FIGURES, best_cells, chained
from linkcalc.area.relay.siting import profiles, relay_siting, stations
from linkcalc.area.scheduler import Local
from linkcalc.area.tiles import Run, tile_answer
from linkcalc.errors import DomainError, LinkcalcError, TerrainError
from linkcalc.files import sample_path
from linkcalc.link.advice import advise
from linkcalc.link.decision import judge_link
from linkcalc.link.on_ground import link_case, open_terrain
from linkcalc.link.relayed_plan import (
    RELAY_MAST_M,
    RelayKit,
    plan_text,
    relay_spots,
    relay_station,
    with_relays,
)
from linkcalc.link.requirement import Requirement
from linkcalc.link.verdict import check_plan
from linkcalc.plan import Station, load_plan, plan_from
from linkcalc.propagation import compiled
from linkcalc.terrain.geodesy import path_between
from linkcalc.views.jsonout import section_json
from linkcalc.views.relay.figures import relay_map, relay_profiles
from linkcalc.views.relay.text import relay_report
from linkcalc.views.style import render
from tests.area.relay_land import ridge, write

pytestmark = pytest.mark.skipif(not compiled.available(), reason="quick enough with numba only")


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """A link of 3 km with a ridge of 60 m across it, 300 m east of its middle."""
    return load_plan(write(tmp_path_factory.mktemp("ridge"), ridge()))


@pytest.fixture(scope="module")
def result(loaded):
    return siting(loaded)


@pytest.fixture(scope="module")
def wide(tmp_path_factory):
    """A link of 11 km with two ridges across it."""
    heights = ridge(320, 400, at_m=-2000.0) + ridge(320, 400, at_m=2000.0) - 100.0
    plan = write(tmp_path_factory.mktemp("wide"), heights, half_link_m=5500.0, margin=25.0)
    return load_plan(plan)


def siting(loaded, **options):
    options = {"radius_m": 1200.0, "cell_m": 60.0, **options}
    run = Run(**{name: options.pop(name) for name in Run.__dataclass_fields__ if name in options})
    return relay_siting(loaded, loaded.plan.link[0], run=run, **options)


class Checks:
    """Margins of hops by the way a check goes, rasters opened once."""

    def __init__(self, loaded, **relay):
        self.loaded, self.relay = loaded, {"antenna_height_m": 5.0, **relay}

    def __enter__(self):
        self._open = open_terrain(self.loaded)
        self.terrain = self._open.__enter__()
        return self

    def __exit__(self, *error):
        self._open.__exit__(*error)

    def hops_db(self, *places):
        """Weaker direction of each hop over relays at positions."""
        tank, shed = self.loaded.plan.station
        chain = [tank, *(self._at(n, place) for n, place in enumerate(places)), shed]
        return [self._hop_db(a, b) for a, b in pairwise(chain)]

    def between_db(self, one, other):
        """Of the hop between two relays."""
        return self._hop_db(self._at(0, one), self._at(1, other))

    def _at(self, number, place):
        latitude, longitude = map(float, place)
        at = {"latitude_deg": latitude, "longitude_deg": longitude}
        return Station.model_validate({"name": f"hill {number}", **self.relay, **at})

    def _hop_db(self, near, far):
        plan = self.loaded.plan
        hop = plan.link[0].model_copy(update={"from_": near.name, "to": far.name})
        made = replace(self.loaded, plan=plan.model_copy(update={"station": [near, far], "link": [hop]}))
        return link_case(made, hop, self.terrain).weaker_margin_db


def test_every_cell_of_a_small_area_is_what_check_says_and_so_is_the_best(loaded):
    found = siting(loaded, radius_m=330.0)
    rows, columns = np.nonzero(found.allowed.mask)
    assert rows.size > 90
    latitude, longitude = found.grid.geographic(*found.grid.east_north(rows, columns))
    with Checks(loaded) as checks:
        want = np.array([checks.hops_db(place) for place in zip(latitude, longitude, strict=True)])
    for hop, name in enumerate(("first", "second")):
        both = [found.bands[f"{name}_margin_{way}_db"][rows, columns] for way in ("forward", "return")]
        np.testing.assert_allclose(np.minimum(*both), want[:, hop], atol=0.01)
    np.testing.assert_allclose(found.bands["margin_db"][rows, columns], want.min(axis=1), atol=0.01)
    best = found.spots[0]
    i = int(want.min(axis=1).argmax())
    assert best.margin_db == pytest.approx(want[i].min(), abs=0.01)
    assert path_between(best.relays[0].latitude_deg, best.relays[0].longitude_deg, latitude[i], longitude[i])[
        0
    ] == pytest.approx(0.0, abs=0.05)
    assert all(chain.off_db < 0.01 for chain in found.spots)


@pytest.mark.parametrize(
    ("power_dbm", "sent", "capped"),
    [
        (27.0, "report_interval_s = 600.0", False),  # 25 mW ERP allowed at 868.0-868.6 MHz, (EU) 2025/105
        (14.0, "report_interval_s = 5.0", True),  # 36 s an hour
        (14.0, '[[message]]\nname = "level"\nkind = "level_report"\nlink = "level"\ninterval_s = 5.0', True),
    ],
)
def test_a_spot_counts_no_more_than_the_law_allows_as_a_check_does(power_dbm, sent, capped, tmp_path):
    over = load_plan(write(tmp_path, ridge(), extra=f'\n[regulation]\nregion = "eu"\n{sent}\n'))
    over = over.changed({f"{name}.transmit_power_dbm": power_dbm for name in ("tank", "shed")})
    found = siting(over, relays=1, cell_m=120.0)
    assert all(chain.off_db < 0.01 for chain in found.spots)
    checked = profiles(over, found.link, found.relay, found.spots[0])
    for hop, check in zip(found.spots[0].hops, checked, strict=True):
        assert hop.verdict == check.verdict
        margins = [[d.fade_margin_db for d in one.directions] for one in (hop, check)]
        assert margins[0] == pytest.approx(margins[1], abs=1e-6)
        assert capped == (hop.verdict == "at_risk" and hop.spare_db > 0.0)
    assert any("over the legal limits" in note for note in found.notes)


def test_the_best_spot_stands_on_the_ridge_between(result):
    for chain in result.spots:
        assert abs(chain.relays[0].east_m - 300.0) < 250.0
        assert chain.relays[0].ground_m > 140.0
    assert result.best.verdict == "closes"
    assert result.best.margin_db > result.direct.margin_db + 20.0


def test_spots_are_apart_and_the_first_is_the_best_cell(result):
    cells = result.bands["spare_db"]
    assert result.spots[0].weaker.spare_db == pytest.approx(np.nanmax(cells), abs=0.01)
    places = [c.relays[0] for c in result.spots]
    assert len(places) == 5
    for i, one in enumerate(places):
        for other in places[:i]:
            gap, _, _ = path_between(
                one.latitude_deg, one.longitude_deg, other.latitude_deg, other.longitude_deg
            )
            assert gap >= result.apart_m - 0.05
    spare = [c.weaker.spare_db for c in result.spots]
    assert spare == sorted(spare, reverse=True)


def test_greedy_spots_leave_nothing_better_out():
    rng = np.random.default_rng(3)
    rank, grid = rng.normal(size=(21, 21)), Grid(0.0, 0.0, 10.0, 10)
    rank[rng.random(rank.shape) < 0.2] = np.nan
    cells = best_cells(rank, grid, apart_m=45.0, count=400)
    taken = np.zeros(rank.shape, dtype=bool)
    rows, columns = np.indices(rank.shape)
    for cell in cells:
        assert rank[cell] == np.nanmax(np.where(taken, np.nan, rank))
        taken |= np.hypot(rows - cell[0], columns - cell[1]) * 10.0 < 45.0
    assert taken[np.isfinite(rank)].all()
    assert best_cells(np.full((3, 3), np.nan), Grid(0.0, 0.0, 1.0, 1), apart_m=0.0, count=5) == []


def test_both_ways_of_the_link_give_the_same_spots(loaded):
    link = loaded.plan.link[0]
    turned = plan_from(
        loaded.plan,
        link=[{**link.model_dump(by_alias=True, exclude_unset=True), "from": "shed", "to": "tank"}],
        base_dir=loaded.base_dir,
    )
    kit = RelayKit(like="tank", height_m=5.0)
    one, other = siting(loaded, kit=kit), siting(turned, kit=kit)
    assert one.best.margin_db == pytest.approx(other.best.margin_db, abs=0.02)
    for a, b in (("first", "second"), ("second", "first")):
        for way, other_way in (("forward", "return"), ("return", "forward")):
            np.testing.assert_allclose(
                one.bands[f"{a}_margin_{way}_db"], other.bands[f"{b}_margin_{other_way}_db"], atol=0.05
            )


@pytest.mark.parametrize(
    "access", [Access(steepest_deg=5.0), Access(nodata_distance_m=300.0), Access(steepest_deg=2.0)]
)
def test_asking_more_of_a_place_never_improves_the_best(loaded, result, access):
    asked = siting(loaded, access=access)
    assert asked.best.weaker.spare_db <= result.best.weaker.spare_db + 1e-6
    wider = asked.grid.half - result.grid.half
    inner = (slice(wider, asked.grid.side - wider),) * 2
    mask, spare = asked.allowed.mask[inner], asked.bands["spare_db"][inner]
    assert 0 < mask.sum() < result.allowed.mask.sum()
    assert asked.allowed.mask.sum() == mask.sum()
    assert not (mask & ~result.allowed.mask).any()
    answered = np.isfinite(spare)
    assert not (answered & ~mask).any()
    np.testing.assert_allclose(spare[answered], result.bands["spare_db"][answered], atol=0.01)


def test_a_chain_is_its_weaker_hop_and_a_message_passes_both(result):
    for chain in result.spots:
        assert chain.margin_db == min(d.fade_margin_db for hop in chain.hops for d in hop.directions)
        for way in (0, 1):
            each = [hop.directions[way].delivery_probability for hop in chain.hops]
            assert chain.success[way] == pytest.approx(each[0] * each[1])
            assert chain.success[way] < min(each)
    rows, columns = np.nonzero(np.isfinite(result.bands["spare_db"]))
    for way in ("forward", "return"):
        each = [result.bands[f"{hop}_success_{way}"][rows, columns] for hop in ("first", "second")]
        np.testing.assert_allclose(
            result.bands[f"success_{way}"][rows, columns], each[0] * each[1], rtol=1e-5
        )


def test_a_success_that_is_asked_ranks_by_what_is_over_it(tmp_path):
    # cells so fine that they add nothing to what is uncertain
    plan = write(tmp_path, ridge(270, 420, cell_m=10.0), cell_m=10.0)
    asked = "required_margin_db = 20.0\nrequired_success = 0.5\nconfidence = 0.5"
    assert asked in plan.read_text()
    plan.write_text(plan.read_text().replace(asked, "required_success = 0.95"))
    found = siting(load_plan(plan), radius_m=600.0)
    best = found.spots[0]
    needed = {round(hop.weaker.required_margin_db, 1) for chain in found.spots for hop in chain.hops}
    assert len(needed) > 1  # it depends on the path
    assert best.weaker.spare_db == pytest.approx(np.nanmax(found.bands["spare_db"]), abs=0.05)
    closes = found.bands["verdict"] == 2
    np.testing.assert_array_equal(closes, found.bands["spare_db"] >= 0.0)


# What is required of each hop


def asking(plan, power_dbm=14.0, shares="required_success = 0.9\nconfidence = 0.9\ntries = 3"):
    """A plan that asks for shares alone, its stations alike and of some power."""
    text = re.sub(
        r"required_margin_db = .*\nrequired_success = .*\nconfidence = .*", shares, plan.read_text()
    )
    text = text.replace("antenna_height_m = 3.0", "antenna_height_m = 5.0").replace("noise_rise_db = 3.0", "")
    plan = plan.with_name("asking.toml")
    plan.write_text(re.sub("antenna_height_m = 5.0", rf"\g<0>\ntransmit_power_dbm = {power_dbm:.9f}", text))
    return load_plan(plan)


def spare_of_whole_db(loaded, found, chain):
    """What the weaker hop would have to spare if it had to have what is required of the whole link, and no more."""
    link = loaded.plan.link[0]
    plan = with_relays(loaded, link, stations(found.relay, chain))
    whole = {"required_success": link.required_success, "confidence": link.confidence}
    with open_terrain(plan) as terrain:
        directions = [
            way
            for hop in plan.plan.link
            for way in judge_link(link_case(plan, hop.model_copy(update=whole), terrain))[1]
        ]
    return min(d.fade_margin_db - d.required_margin_db for d in directions)


def test_two_hops_that_have_what_the_link_needs_do_not_close_it(tmp_path):
    """Two hops with 90 % each bring 81 % of the messages."""
    plan, options = write(tmp_path, ridge()), {"radius_m": 330.0, "relays": 1}
    loaded = asking(plan)
    found = siting(loaded, **options)
    each_db, whole_db = found.best.weaker.spare_db, spare_of_whole_db(loaded, found, found.best)
    assert whole_db > each_db + 2.0
    for spare_db, verdict in ((whole_db, "at_risk"), (each_db + 0.01, "at_risk"), (each_db - 0.01, "closes")):
        loaded = asking(plan, 14.0 - spare_db)
        found = siting(loaded, **options)
        assert found.best.verdict == verdict
        assert (found.area_km2("closes") > 0.0) == (verdict == "closes")
        if spare_db == whole_db:
            assert spare_of_whole_db(loaded, found, found.best) == pytest.approx(0.0, abs=1e-6)
        made = loaded.path.with_name("made.toml")
        made.write_text(plan_text(loaded, found.link, stations(found.relay, found.best)))
        links = check_plan(load_plan(made)).links
        assert [k.verdict for k in links[1:]] == [hop.verdict for hop in found.best.hops]
        assert links[1].directions[0].required_margin_db == pytest.approx(
            found.best.hops[0].directions[0].required_margin_db, abs=0.001
        )


def case_of(loaded):
    with open_terrain(loaded) as terrain:
        return link_case(loaded, loaded.plan.link[0], terrain)


def test_the_verdict_on_a_spot_is_that_of_the_advice(tmp_path):
    plan = write(tmp_path, ridge())
    loaded = asking(plan)
    case = case_of(loaded)
    _, at = relay_spots(case)[0]
    off_m = float(case.profile.distance_m[at]) - case.profile.length_m / 2.0
    cells = round(abs(off_m) / 40.0)
    options = {
        "cell_m": abs(off_m) / cells,
        "radius_m": abs(off_m) + 20.0,
        "relays": 1,
        "kit": RelayKit(height_m=RELAY_MAST_M),
    }
    found = siting(loaded, **options)
    spot = (found.grid.half, found.grid.half + int(math.copysign(cells, off_m)))
    each_db = float(found.bands["spare_db"][spot])
    whole_db = each_db + spare_of_whole_db(loaded, found, found.best) - found.best.weaker.spare_db
    said = []
    for spare_db in (whole_db - 1.0, (whole_db + each_db) / 2.0, each_db - 1.0):
        loaded = asking(plan, 14.0 - spare_db)
        closes = bool(siting(loaded, **options).bands["verdict"][spot] == 2)
        case = case_of(loaded)
        told = [a for a in advise(case, Requirement.of(case.link)) if a.kind == "relay"]
        assert [a.sufficient for a in told] == [closes], spare_db
        said.append(closes)
    assert said == [False, False, True]


def test_three_hops_are_each_required_to_have_the_cube_root(wide):
    """0.729 of the messages at 0.729 of the sites over three hops: 0.9 and 0.9 of each."""
    loaded = asking(wide.path, 24.0, "required_success = 0.729\nconfidence = 0.729\ntries = 3")
    found = siting(loaded, radius_m=3000.0, cell_m=500.0, relays=2)
    assert found.required_of_each_hop(found.two).success == pytest.approx(0.9)
    assert found.search.spare_db == pytest.approx(found.two.weaker.spare_db, abs=0.01)
    assert spare_of_whole_db(loaded, found, found.two) > found.two.weaker.spare_db + 2.0
    plan = with_relays(loaded, found.link, stations(found.relay, found.two))
    for hop in plan.plan.link:
        assert (hop.required_success, hop.confidence) == pytest.approx((0.9, 0.9))
    # the outer hops of the pair found, from their cells
    ends = zip(
        ("first", "second"), (found.search.first, found.search.second), found.two.hops[::2], strict=True
    )
    for name, cell, hop in ends:
        assert found.bands[f"{name}_spare_in_three_db"][cell] == pytest.approx(hop.spare_db, abs=0.01)
        assert found.bands[f"{name}_spare_db"][cell] > hop.spare_db - 10.0
    assert (
        "Each of three hops is required to bring 90 % of the messages at 90 % of such sites: together that is"
        in (" ".join(relay_report(found).split()))
    )


def test_where_others_spoil_more_than_a_hop_may_lose_the_tries_that_it_takes_are_named(tmp_path):
    """1 % of the tries are spoilt: one try brings the 99 % that a link needs, not the 99.5 % of each of two hops."""
    plan = write(tmp_path, ridge())
    found = siting(asking(plan, shares="required_success = 0.99\ntries = 1"), radius_m=330.0, relays=1)
    assert found.best.verdict == "at_risk"
    assert found.best.weaker.spare_db > 0.0
    text = relay_report(found)
    assert "more of the messages than each hop may lose; set tries to 2 or more, and run again" in " ".join(
        text.split()
    )
    labels = [t.get_text() for t in relay_map(found).axes[0].texts]
    assert "required" not in labels
    found = siting(asking(plan, shares="required_success = 0.99\ntries = 2"), radius_m=330.0, relays=1)
    assert found.best.verdict == "closes"


def test_where_the_plan_states_no_tries_a_hop_takes_those_that_it_needs_and_the_report_says_so(tmp_path):
    loaded = asking(write(tmp_path, ridge()), shares="required_success = 0.99")
    found = siting(loaded, radius_m=330.0, relays=1)
    assert found.best.verdict == "closes"
    assert "Assumed: up to 2 tries of a message on each hop" in " ".join(relay_report(found).split())
    relays = stations(found.relay, found.best)
    assert [hop.tries for hop in with_relays(loaded, found.link, relays).plan.link] == [2, 2]
    written = plan_text(loaded, found.link, relays)
    assert "\ntries = 2\n" in written
    assert "\nrequired_success = 0.994988\n" in written  # 0.99 ** 0.5 = 0.99498744, no lower
    # of a link that needs no more than its tries bring, nothing is assumed
    few = asking(write(tmp_path, ridge()), shares="required_success = 0.9")
    assert Requirement.of(few.plan.link[0]).of_each_hop().tries == few.plan.link[0].tries == 1


@pytest.mark.slow
def test_two_relays_on_a_small_area_are_the_best_of_all_pairs(wide, monkeypatch):
    monkeypatch.setattr(relay_chain, "BLOCKS_ACROSS", 3)
    found = siting(wide, radius_m=2000.0, cell_m=600.0, relays=2)
    rows, columns = np.nonzero(found.allowed.mask)
    assert rows.size > 20
    position = list(zip(*found.grid.geographic(*found.grid.east_north(rows, columns)), strict=True))
    many = len(position)
    with Checks(wide) as checks:
        outer = [checks.hops_db(place) for place in position]
        middle = {(i, j): checks.between_db(position[i], position[j]) for i in range(many) for j in range(i)}
    best = max(
        min(outer[i][0], middle[max(i, j), min(i, j)], outer[j][1])  # relays are alike
        for i, j in product(range(many), range(many))
        if i != j
    )
    assert found.two.margin_db == pytest.approx(best, abs=0.01)
    assert found.search.pairs_tried < rows.size * (rows.size - 1) / 2


@pytest.mark.slow
def test_two_relays_are_tried_where_no_spot_for_one_closes(wide):
    found = siting(wide, radius_m=4500.0, cell_m=120.0)
    assert found.spots[0].verdict != "closes"
    assert found.two.margin_db > found.spots[0].margin_db + 10.0
    assert found.best is found.two
    assert len(found.two.hops) == 3
    one, other = found.two.relays
    assert one.east_m < 0.0 < other.east_m  # one on each ridge
    assert min(one.ground_m, other.ground_m) > 140.0
    with Checks(wide) as checks:
        want = checks.hops_db(*((p.latitude_deg, p.longitude_deg) for p in found.two.relays))
    assert [hop.margin_db for hop in found.two.hops] == pytest.approx(want, abs=0.01)
    text = relay_report(found)
    assert "no spot for one relay closes" in text
    assert "A search, not all pairs" in text
    assert render(relay_map(found), "png")[1:4] == b"PNG"
    assert spots_csv(found).count("\n") == 1 + len(found.spots) + 2


@pytest.mark.slow
def test_moving_one_relay_cannot_better_the_pair(wide):
    found = siting(wide, radius_m=4500.0, cell_m=240.0, relays=2)
    one, other = ((p.latitude_deg, p.longitude_deg) for p in found.two.relays)
    rng = np.random.default_rng(2)
    rows, columns = np.nonzero(found.allowed.mask)
    with Checks(wide) as checks:
        for i in rng.permutation(rows.size)[:20]:
            place = found.grid.geographic(*found.grid.east_north(rows[i], columns[i]))
            if min(path_between(*place, *end)[0] for end in (one, other)) < 1.0:
                continue
            assert min(checks.hops_db(place, other)) <= found.two.margin_db + 0.02
            assert min(checks.hops_db(one, place)) <= found.two.margin_db + 0.02


def test_a_link_that_closes_already_is_told_and_answered(tmp_path):
    found = siting(load_plan(write(tmp_path, ridge(height_m=0.0), margin=3.0)), radius_m=500.0)
    assert found.direct.verdict == "closes"
    assert found.two is None
    text = relay_report(found)
    assert text.startswith("Relay for tank – shed: closes without a relay; with one at its best")
    assert "none is needed" in " ".join(text.split())


def test_the_plan_with_the_relay_loads_and_checks_to_the_same_margins(loaded, result):
    made = loaded.path.with_name("with_relay.toml")
    made.write_text(plan_text(loaded, result.link, stations(result.relay, result.best)))
    checked = check_plan(load_plan(made))
    assert [k.name for k in checked.links] == ["level", "level, hop 1", "level, hop 2"]
    for link, hop in zip(checked.links[1:], result.best.hops, strict=True):
        got = [d.fade_margin_db for d in link.directions]
        assert got == pytest.approx([d.fade_margin_db for d in hop.directions], abs=0.01)
        assert link.verdict == hop.verdict


def test_a_plan_whose_stations_are_one_list_is_refused_in_one_line(loaded, result):
    text = loaded.path.read_text()
    link, stations_text = (
        text[text.index("[[link]]") :],
        text[text.index("[[station]]") : text.index("[[link]]")],
    )
    rows = [
        ", ".join(line for line in part.strip().splitlines())
        for part in stations_text.split("[[station]]")[1:]
    ]
    other = loaded.path.with_name("one_list.toml")
    inline = "station = [" + ", ".join("{" + row + "}" for row in rows) + "]\n"
    other.write_text(inline + text[: text.index("[[station]]")].replace('title = "invented"', "") + link)
    with pytest.raises(LinkcalcError, match=r"cannot be added at its end .* as \[\[station\]\]"):
        plan_text(load_plan(other), result.link, stations(result.relay, result.best))


def test_what_is_not_said_of_the_relay_is_assumed_and_listed(loaded):
    plan, link = loaded.plan, loaded.plan.link[0]
    relay, assumed = relay_station(plan, link, RelayKit())
    assert (relay.antenna_height_m, relay.noise_rise_db, relay.name) == (5.0, 0.0, "relay")
    assert {a.key: a.value for a in assumed} == {
        "relay equipment": 'as "tank"', "relay antenna_height_m": 5.0,
    }  # fmt: skip
    like, stated = relay_station(plan, link, RelayKit(like="shed"))
    assert like.noise_rise_db == 3.0
    assert not stated
    high, _ = relay_station(plan, link, RelayKit(height_m=9.0, power_dbm=20.0, gain_dbi=6.0))
    assert (high.antenna_height_m, high.transmit_power_dbm, high.antenna.gain_dbi) == (9.0, 20.0, 6.0)


def test_a_directional_antenna_is_not_taken_over(loaded):
    tank, shed = (s.model_dump(exclude_unset=True) for s in loaded.plan.station)
    tank |= {"antenna": {"type": "yagi", "azimuth_deg": 90.0, "tilt_deg": 3.0}, "building": "traditional"}
    tank["mast_foot_m"] = 2.0  # the tank's top, which carries no relay
    made = plan_from(loaded.plan, station=[tank, shed], base_dir=loaded.base_dir)
    relay, assumed = relay_station(made.plan, made.plan.link[0], RelayKit())
    assert (relay.antenna.type, relay.antenna.azimuth_deg, relay.building) == (
        "half_wave_dipole",
        None,
        "none",
    )
    assert relay.mast_foot_m == 0.0
    assert [a.key for a in assumed] == [
        "relay equipment", "relay antenna_height_m", "relay antenna.type", "relay building",
        "relay mast_foot_m",
    ]  # fmt: skip


def test_a_name_that_is_taken_is_not_given_to_a_relay(loaded):
    tank, shed = (s.model_dump(exclude_unset=True) for s in loaded.plan.station)
    spare = {"name": "relay 2", "antenna_height_m": 4.0, "antenna": {"type": "yagi"}}
    made = plan_from(loaded.plan, station=[tank, shed, spare], base_dir=loaded.base_dir)
    found = siting(made, radius_m=300.0, relays=2, kit=RelayKit(like="relay 2"))
    assert [p.name for p in found.two.relays] == ["relay B 1", "relay B 2"]
    assert found.spots[0].relays[0].name == "relay B"
    assert any("that takes two of them" in note for note in found.notes)


def test_a_higher_and_stronger_relay_has_more_margin(loaded, result):
    better = siting(loaded, kit=RelayKit(height_m=10.0, power_dbm=20.0))
    assert better.best.margin_db > result.best.margin_db
    gained = better.bands["second_margin_forward_db"] - result.bands["second_margin_forward_db"]
    assert np.nanmedian(gained) > 6.0


@pytest.mark.parametrize(
    ("options", "error", "words"),
    [
        ({"radius_m": -1.0}, DomainError, "radius must be above 0"),
        ({"radius_m": 20.0}, DomainError, "no cell lies within 0.02 km when cells are 60 m wide"),
        ({"radius_m": 9e5, "cell_m": 1.0}, DomainError, "are too many"),
        ({"radius_m": 1400.0}, TerrainError, "reaches beyond the rasters: they end 1.3"),
        ({"cell_m": 0.0}, DomainError, "cell_m must be above 0"),
        ({"apart_m": -5.0}, DomainError, "apart_m must be at least 0"),
        ({"relays": 3}, DomainError, "relays must be 1 or 2, got 3"),
        ({"kit": RelayKit(like="shd")}, LinkcalcError, 'unknown station "shd"; did you mean "shed"?'),
        ({"kit": RelayKit(height_m=0.0)}, DomainError, "height of the relay's antenna must be at least 0.1"),
        (
            {"access": Access(nodata_distance_m=1e5)},
            DomainError,
            "100000 m from nodata is more than the 1200 m",
        ),
        ({"access": Access(steepest_deg=1e-6)}, DomainError, "no cell is left: those left are steeper than"),
    ],
)
def test_bad_input_is_one_clear_line(loaded, options, error, words):
    with pytest.raises(error, match=re.escape(words)) as caught:
        siting(loaded, **options)
    assert "\n" not in str(caught.value)


def test_without_positions_or_rasters_it_is_told_what_is_missing(tmp_path, loaded):
    survey = tmp_path / "path.csv"
    survey.write_text("distance_m,ground_m\n" + "".join(f"{d},{100 + d % 7}\n" for d in range(0, 1100, 100)))
    tank, shed = (s.model_dump(exclude_unset=True) for s in loaded.plan.station)
    link = loaded.plan.link[0].model_dump(by_alias=True, exclude_unset=True) | {"profile_csv": "path.csv"}
    here = {"link": [link], "base_dir": tmp_path, "terrain": {}}
    with pytest.raises(TerrainError, match="no terrain raster is named"):
        siting(plan_from(loaded.plan, **here))
    nowhere = {k: v for k, v in shed.items() if not k.endswith("tude_deg")}
    with pytest.raises(TerrainError, match='station "shed" has no position'):
        siting(plan_from(loaded.plan, station=[tank, nowhere], **here))


def test_cells_finer_than_the_raster_are_told(loaded):
    for cell_m, told in ((10.0, True), (60.0, False)):
        found = siting(loaded, cell_m=cell_m, radius_m=300.0)
        assert any("is known every" in note for note in found.notes) == told


def test_holes_in_the_land_are_left_out_and_told(tmp_path):
    heights = ridge()
    heights[20:40, 80:100] = np.nan
    found = siting(load_plan(write(tmp_path, heights)))
    unknown = found.area & np.isnan(found.ground_m)
    assert unknown.any()
    assert not (found.allowed.mask & unknown).any()
    assert any("have no height and are not considered" in note for note in found.notes)
    # behind the hole, which is longer than what is bridged, there is no answer either
    assert any("have no answer" in note for note in found.notes)


class Stops(Local):
    """Ends after some tiles."""

    def run(self, work, job, tiles):
        for i, tile in enumerate(tiles):
            if i == 2:
                raise KeyboardInterrupt
            yield tile, work(job, tile)


def test_an_interrupted_run_is_taken_up_and_ends_the_same(loaded, result, tmp_path, monkeypatch):
    monkeypatch.setattr(tiles, "TILE_CELLS", 16)
    lines: list[str] = []
    with pytest.raises(KeyboardInterrupt):
        siting(loaded, tiles_in=tmp_path, scheduler=Stops(), say=lines.append)
    assert len(list(tmp_path.glob("tiles-*/*.npy"))) == 2
    assert lines[-1].startswith(f"finished tiles are kept in {tmp_path}")
    again = siting(loaded, tiles_in=tmp_path, say=lines.append)
    assert any("taking over 2 of" in line for line in lines)
    for name, values in result.bands.items():
        np.testing.assert_array_equal(again.bands[name], values)
    # the answer is not written yet: they go when the caller says so
    assert again.tiles.kept()
    again.tiles.remove()
    assert not list(tmp_path.iterdir())


def test_a_job_can_be_sent_elsewhere_and_says_how_far_it_is(loaded, result):
    jobs, seen = [], []

    class Sends(Local):
        def run(self, work, job, tiles):
            sent = pickle.loads(pickle.dumps(job))
            jobs.append(job)
            return super().run(work, sent, tiles)

    again = siting(loaded, scheduler=Sends(2), progress=lambda at: seen.append(at.share))
    assert seen[-1] == pytest.approx(1.0)
    np.testing.assert_array_equal(again.bands["spare_db"], result.bands["spare_db"])
    job = jobs[0]
    other = replace(job, wanted=job.wanted & (job.grid.distance_m() > 300.0))
    assert job.digest() != other.digest()
    tile = job.tiles()[0]
    assert tile_answer(job, tile).shape[0] == 2 * len(FIGURES)


@pytest.mark.slow
def test_without_numba_the_same_cells_come_out(loaded):
    one, other = (siting(loaded, radius_m=200.0, use_numba=use) for use in (False, True))
    for name, values in one.bands.items():
        np.testing.assert_allclose(values, other.bands[name], atol=0.02)


def test_a_chain_of_figures_takes_the_worst_of_each(result):
    hops = [{name: result.bands[f"{place}_{name}"] for name in FIGURES} for place in ("first", "second")]
    both = chained(hops)
    np.testing.assert_array_equal(both["verdict"], np.minimum(hops[0]["verdict"], hops[1]["verdict"]))


def test_the_geotiff_holds_every_band_in_place(result):
    with rasterio.MemoryFile(geotiff("relay.tif", result.raster())) as memory, memory.open() as file:
        names = [text.split(":")[0] for text in file.descriptions]
        assert file.profile["tiled"]
        assert file.compression.value == "DEFLATE"
        for name in ("spare_db", "first_margin_forward_db", "second_margin_return_db", "success_forward"):
            read = file.read(names.index(name) + 1, masked=True).filled(np.nan)
            np.testing.assert_array_equal(read, result.bands[name])
        np.testing.assert_array_equal(file.read(names.index("allowed") + 1), result.allowed.mask)
        best = result.spots[0].relays[0]
        row, column = file.index(best.east_m, best.north_m)
        assert file.read(1)[row, column] == pytest.approx(result.best.weaker.spare_db, abs=0.01)


def test_spots_are_written_as_points_and_rows(result):
    made = json.loads(result.to_geojson())
    relays = [f for f in made["features"] if f["properties"]["what"] == "relay"]
    rows = [line.split(",") for line in spots_csv(result).splitlines()]
    assert len(relays) == len(rows) - 1 == len(result.spots)
    for feature, row, chain in zip(relays, rows[1:], result.spots, strict=True):
        place = chain.relays[0]
        assert feature["geometry"]["coordinates"] == [place.longitude_deg, place.latitude_deg]
        assert feature["properties"]["weaker_hop_margin_db"] == pytest.approx(chain.margin_db, abs=0.006)
        assert [float(row[i]) for i in (3, 4)] == [place.latitude_deg, place.longitude_deg]
        assert len(row) == len(rows[0])
    lines = [f for f in made["features"] if f["properties"]["what"] == "hops"]
    assert all(len(f["geometry"]["coordinates"]) == 3 for f in lines)


def test_the_data_are_plain_and_whole(result):
    found = json.loads(section_json("relay", as_data(result)))["relay"]
    assert len(found["spots"]) == len(result.spots)
    best = found["spots"][0]
    assert best["margin_db"] == result.best.margin_db
    assert [hop["from"] for hop in best["hops"]] == ["tank", "relay"]
    assert found["area"]["left_after"][0]["cells"] == int(result.allowed.mask.sum())


def test_the_report_answers_first_and_says_what_a_relay_asks_for(result):
    text = relay_report(result)
    assert text.startswith("Relay for tank – shed: a relay would do, the weaker hop ")
    assert max(map(len, text.splitlines())) <= 80
    flat = " ".join(text.split())
    for words in (
        "not a safety function", "clear of power lines", "power of its own", '"stop" has to pass two hops',
        "assumed: antenna_height_m 5 (the higher of the link's two)", "Without a relay it does not close",
    ):  # fmt: skip
        assert words in flat
    without_positions = re.sub(r"\d+\.\d{5} [NSEW]", "", text)
    assert not re.search(r"\d\.\d{3}", without_positions)
    assert relay_report(result, ascii_only=True).isascii()


def test_a_relay_that_mends_nothing_is_told_in_whole_words(loaded):
    text = relay_report(siting(loaded, kit=RelayKit(power_dbm=-30.0, gain_dbi=-30.0), relays=1))
    flat = " ".join(text.split())
    assert flat.startswith(
        "Relay for tank – shed: no spot for one relay closes; the best does not close, the weaker hop "
    )
    rows = [line for line in text.splitlines() if " W " in line]
    assert len(rows) == 5
    assert all(line.endswith(" does not close") and len(line) <= 80 for line in rows)


def test_the_pictures_name_the_spots_and_the_ends(loaded, result):
    figure = relay_map(result)
    words = [t.get_text() for t in figure.axes[0].texts]
    assert {"tank", "shed", "1", "2", "3", "4", "5"} <= set(words)
    assert render(figure, "png")[1:4] == b"PNG"
    hops = profiles(loaded, result.link, result.relay, result.best)
    assert [h.directions[0].fade_margin_db for h in hops] == pytest.approx(
        [h.directions[0].fade_margin_db for h in result.best.hops], abs=1e-9
    )
    assert len(relay_profiles(hops).axes) == 2


def test_long_names_and_captions_stay_on_their_pictures_and_apart(loaded, result):
    names = {"tank": "a tank " + "beyond the hill " * 3, "shed": "the shed of " + "many old words " * 3}
    ends = tuple(replace(end, name=names[end.name].strip()) for end in result.ends)
    link = result.link.model_copy(
        update={"name": "words " * 10, "from_": ends[0].name, "to": ends[1].name, "required_margin_db": 20.0}
    )
    many = tuple((f"within {'x' * 60} {n}.geojson", 1) for n in range(5))
    long = replace(result, ends=ends, link=link, allowed=replace(result.allowed, steps=many))
    hops = profiles(loaded, result.link, result.relay, result.best)
    ways = [
        tuple(
            replace(d, from_=names.get(d.from_, d.from_).strip(), to=names.get(d.to, d.to).strip())
            for d in hop.directions
        )
        for hop in hops
    ]
    renamed = [replace(hop, directions=way) for hop, way in zip(hops, ways, strict=True)]
    for figure in (relay_map(long), relay_profiles(renamed)):
        figure.canvas.draw()
        boxes = [t.get_window_extent() for t in figure.texts]
        assert all(figure.bbox.x0 <= b.x0 and b.x1 <= figure.bbox.x1 for b in boxes)
        assert all(figure.bbox.y0 <= b.y0 and b.y1 <= figure.bbox.y1 for b in boxes)
        maps = [ax.get_window_extent() for ax in figure.axes]
        assert not any(one.overlaps(other) for one, other in combinations([*boxes, *maps], 2))


@pytest.mark.slow
def test_a_chain_that_closes_comes_before_one_on_ground_that_is_not_known():
    loaded = load_plan(sample_path("upland"))
    found = relay_siting(loaded, loaded.plan.link[0], cell_m=200.0, relays=2)
    # cells beside a station span too few of the raster's: more to spare, and still no more than at risk
    outer = found.bands["first_spare_db"], found.bands["first_verdict"]
    assert ((outer[0] > found.two.weaker.spare_db) & (outer[1] < 2)).any()
    assert found.two.verdict == "closes"

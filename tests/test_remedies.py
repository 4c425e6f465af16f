"""Remedies are true and whole: the plan changed as told closes when it is read and checked again, at the cost told."""

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio

import linkcalc as lc
from linkcalc.files import sample_path
from linkcalc.link import decision, verdict
from linkcalc.link.case import ENDS, End
from linkcalc.link.parts_list import added
from linkcalc.link.relayed_plan import obstacles_on_hops
from linkcalc.link.remedies import MOST, remedies, worse_is_shown
from linkcalc.link.remedy_plans import edit_of, moved_station
from linkcalc.link.result import LinkResult, Remedy
from linkcalc.link.surroundings import Surroundings, SurroundingsKind
from linkcalc.operation import limits as plan_limits
from linkcalc.plan import LoadedPlan, Obstacle, load_plan, plan_from
from linkcalc.plan.edits import edited
from linkcalc.plan.prices import Prices
from tests import sites

SAMPLES = ("plain", "upland", "wooded")
RIDGE = sites.profile(3000.0, sites.ridge(12.0, 1300.0, 250.0), points=61)


def first_link(loaded: LoadedPlan) -> LinkResult:
    return lc.check_plan(loaded).links[0]


def made(loaded: LoadedPlan, remedy: Remedy) -> LoadedPlan:
    """The plan with a remedy's changes, through its tables as a file would go."""
    tables = loaded.plan.model_dump(by_alias=True, exclude_unset=True)
    return plan_from(
        edited(tables, [edit_of(c) for c in remedy.changes]),
        profiles=loaded.profiles,
        base_dir=loaded.base_dir,
    )


def hold_to_their_word(loaded: LoadedPlan) -> list[Remedy]:
    """Do every remedy in turn; return them."""
    before = lc.check_plan(loaded)
    for link in before.links:
        assert len(link.remedies) <= MOST
        assert [r.cost for r in link.remedies] == sorted(r.cost for r in link.remedies)
        for remedy in link.remedies:
            after = next(k for k in lc.check_plan(made(loaded, remedy)).links if k.name == link.name)
            assert after.verdict == remedy.verdict == "closes"
            for d, margin, needed in zip(
                after.directions, remedy.fade_margins_db, remedy.required_margins_db, strict=True
            ):
                assert (d.fade_margin_db, d.required_margin_db) == pytest.approx((margin, needed))
                assert d.fade_margin_db >= d.required_margin_db
            assert remedy.cost == pytest.approx(sum(p.cost for p in remedy.parts))
            assert not any(set(r.kinds) < set(remedy.kinds) and r.cost <= remedy.cost for r in link.remedies)
    return [r for link in before.links for r in link.remedies]


@pytest.mark.parametrize("name", SAMPLES)
def test_a_remedy_closes_when_the_plan_so_changed_is_checked(name: str) -> None:
    assert len(hold_to_their_word(load_plan(sample_path(name)))) == MOST


def placed(**how: Any) -> LoadedPlan:
    """A tank and a shed behind a ridge, prices and all else to be set."""
    c = sites.case(RIDGE, tank=how.pop("tank", {}), shed=how.pop("shed", {}), link=how.pop("link", {}))
    stations = [s.model_dump(by_alias=True, exclude_unset=True) for s in (c.near, c.far)]
    link = c.link.model_dump(by_alias=True, exclude_unset=True)
    return plan_from(station=stations, link=[link], profiles={"level": how.pop("ground", RIDGE)}, **how)


@pytest.mark.parametrize(
    "how",
    [
        {"tank": {"noise_rise_db": 9.0}, "regulation": {"region": "eu", "report_interval_s": 600.0}},
        {"shed": {"extra_loss": [{"loss_db": 12.0, "reason": "inside the steel shed"},
                                 {"loss_db": 0.9, "reason": "a lead of adapters, which stays"}]}},
        {"shed": {"building": "traditional"}, "regulation": {"region": "us"}, "link": {"frequency_mhz": 915.0}},
        {"tank": {"antenna": {"type": "yagi", "azimuth_deg": 0.0, "tilt_deg": 40.0}}},
        {"link": {"modulation": {"kind": "fsk", "bit_rate_bps": 4800.0, "deviation_hz": 5000.0,
                                 "required_snr_db": 10.0}}},
        {"shed": {"feeder": {"type": "rg174", "length_m": 12.0, "connectors": 2}}, "link": {"tries": 2}},
        {"tank": {"antenna": {"gain_dbd": 3.0, "polarisation": "horizontal"}}},
    ],
)  # fmt: skip
def test_remedies_of_many_kinds_keep_their_word(how: dict[str, Any]) -> None:
    assert hold_to_their_word(placed(**how))


def test_a_remedy_worked_out_by_hand() -> None:
    """Plain sample: a yagi of 9.5 dBi for the half-wave dipole, which has 2.15 dBi by theory.

    So 7.35 dB more in both directions. Its list price is 70 and the work at the antenna 80.
    Three spreading factors more are 7.5 dB: 2.5 dB each by the published table of required SNR.
    """
    link = first_link(load_plan(sample_path("plain")))
    before = [d.fade_margin_db for d in link.directions]
    slower, yagi = (
        next(r for r in link.remedies if r.kinds == (k,)) for k in ("spreading_factor", "antenna:near")
    )
    assert [(p.item, p.cost) for p in yagi.parts] == [("antenna", 70.0), ("climb", 80.0)]
    assert yagi.cost == 150.0
    assert [a - b for a, b in zip(yagi.fade_margins_db, before, strict=True)] == pytest.approx(
        [7.35] * 2, abs=0.03
    )
    assert slower.cost == 0.0
    assert [(c.key, c.before, c.value) for c in slower.changes] == [("modulation.spreading_factor", 8, 11)]
    assert [a - b for a, b in zip(slower.fade_margins_db, before, strict=True)] == pytest.approx(
        [7.5] * 2, abs=0.01
    )


def test_the_cost_of_several_parts_worked_out_by_hand() -> None:
    """Upland sample: a mast of 6 m for one of 4 (2 x 40), 6 m of better cable (6 x 3) with its two connectors
    (2 x 5), the engine's noise taken off (60), work at both antennas (2 x 80)."""
    best = first_link(load_plan(sample_path("upland"))).remedies[0]
    assert best.cost == 2 * 40 + 6 * 3 + 2 * 5 + 60 + 2 * 80 == 328
    assert not best.prices_stated


@pytest.mark.parametrize("loss_db", [12.0, 20.0, 40.0])
def test_a_stated_loss_is_counted_until_it_is_repaired(loss_db: float) -> None:
    """Level ground, 1500 m: 33.7 dB of margin without the loss, 30 dB asked for. Putting it right is work at one
    antenna, 80; where the loss is large nothing is cheaper."""
    loss = [{"loss_db": loss_db, "reason": "inside the steel shed"}, {"loss_db": 0.9, "reason": "adapters"}]
    loaded = placed(
        ground=sites.profile(1500.0, points=61), shed={"extra_loss": loss}, link={"required_margin_db": 30.0}
    )
    before = first_link(loaded).directions[0].fade_margin_db
    found = hold_to_their_word(loaded)
    repair = next(r for r in found if r.kinds == ("mounting:far",))
    assert repair.cost == 80.0
    assert repair.fade_margins_db == pytest.approx((before + loss_db,) * 2, abs=1e-6)
    assert [(c.key, len(c.value)) for c in repair.changes] == [("extra_loss", 1)]
    assert (found[0] == repair) is (loss_db > 12.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("shed", "short_db", "kinds", "cost"),
    [
        # what costs a decibel and a half is put right, and 0.6 dB more of antenna are bought, where that is enough
        ({"extra_loss": [{"loss_db": 1.5, "reason": "a lead"}]}, 1.2, ("mounting:far",), 80.0),
        ({"antenna": {"type": "collinear", "gain_dbi": 4.9}}, 0.5, ("antenna:far",), 60.0 + 80.0),
        # a loss of 6 dB and the building's 11.5 dB (Rec. ITU-R P.2109, traditional, 868 MHz, level sight) together
        ({"building": "traditional", "extra_loss": [{"loss_db": 6.0, "reason": "a cage"}]}, 14.0,
         ("mounting:far",), 80.0),
    ],
)  # fmt: skip
def test_the_least_that_is_enough_is_told(
    shed: dict[str, Any], short_db: float, kinds: tuple[str, ...], cost: float
) -> None:
    """The slowest signal, three tries: nothing is free."""
    slow = {"modulation": {"kind": "css", "spreading_factor": 12, "bandwidth_khz": 62.5}, "tries": 3}
    level = sites.profile(1500.0, points=61)

    def planned(required_db: float) -> LoadedPlan:
        return placed(ground=level, shed=shed, link={**slow, "required_margin_db": required_db})

    margin_db = first_link(planned(30.0)).directions[0].fade_margin_db
    found = first_link(planned(margin_db + short_db)).remedies
    assert (kinds, cost) in [(r.kinds, r.cost) for r in found]


def test_the_plan_s_own_prices_count_and_decide() -> None:
    loaded = load_plan(sample_path("upland"))
    assert any("height:near" in r.kinds for r in first_link(loaded).remedies)
    dear = load_plan(
        sample_path("upland"),
        ["prices.mast_per_m=5000", "prices.guyed_mast_per_m=9000", "prices.currency=EUR", "prices.climb=1"],
    )
    best = first_link(dear).remedies[0]
    assert not any(k.startswith("height") for k in best.kinds)
    assert (best.currency, next(p for p in best.parts if p.item == "climb").price_stated) == ("EUR", True)


def test_power_stays_within_the_law_and_is_left_alone_where_no_region_is_stated() -> None:
    lawful = placed(
        regulation={"region": "eu", "report_interval_s": 900.0}, tank={"transmit_power_dbm": 10.0}
    )
    found = hold_to_their_word(lawful)
    assert found
    for remedy in found:
        ends = plan_limits.section(made(lawful, remedy).plan).ends
        assert all(e.limits.status != "over" for e in ends)
    for remedy in hold_to_their_word(placed()):
        assert "power" not in remedy.kinds


@pytest.mark.parametrize("tallest_m", [6.5, 9.0])
def test_no_antenna_goes_higher_than_its_station_allows(tallest_m: float) -> None:
    limits = {"highest_antenna_m": tallest_m}
    loaded = placed(tank=limits, shed=limits, prices={"antenna": {"yagi": 9000.0, "collinear": 9000.0}})
    link = first_link(loaded)
    for remedy in link.remedies:
        assert all(s.antenna_height_m <= tallest_m for s in made(loaded, remedy).plan.station)
    for told in link.advice:
        heights = [float(w) for w in told.text.split() if w.replace(".", "").isdigit()]
        if told.kind == "raise_antenna":
            assert all(h <= tallest_m or h == 12.0 for h in heights)


def test_a_station_of_several_links_gets_no_antenna_that_looks_one_way() -> None:
    loaded = placed()
    tables = loaded.plan.model_dump(by_alias=True, exclude_unset=True)
    tables["station"].append({**tables["station"][0], "name": "other tank"})
    tables["link"].append({**tables["link"][0], "name": "other", "from": "other tank"})
    both = plan_from(tables, profiles={"level": RIDGE, "other": RIDGE})
    for remedy in hold_to_their_word(both):
        shed = next(s for s in made(both, remedy).plan.station if s.name == "shed")
        assert shed.antenna.type != "yagi"


def test_a_few_trees_in_the_way_are_felled_where_that_is_cheapest() -> None:
    level = sites.profile(1500.0, points=61)
    trees = {"obstacle": [{"distance_m": 60.0, "height_m": 14.0, "width_m": 30.0, "kind": "trees"}]}
    dear = {"antenna": {"yagi": 9e3, "collinear": 9e3}, "mast_per_m": 9e3, "guyed_mast_per_m": 9e3,
            "noise_suppression": 9e3, "felling_per_m": 20.0}  # fmt: skip
    loaded = placed(ground=level, link={**trees, "modulation": {"kind": "css", "spreading_factor": 12,
                    "bandwidth_khz": 62.5}, "tries": 3, "required_margin_db": 44.0}, prices=dear)  # fmt: skip
    link = first_link(loaded)
    assert link.verdict != "closes"
    felled = [r for r in hold_to_their_word(loaded) if "felling" in r.kinds]
    assert [r.cost for r in felled[:1]] == [30 * 20.0]
    assert made(loaded, felled[0]).plan.link[0].obstacle == []


def test_an_antenna_behind_a_bank_is_moved_onto_it_with_its_cable(tmp_path: Path) -> None:
    """Level ground with a bank of 9 m that begins 45 m ahead of the tank and goes on to the shed."""
    grid = {
        "driver": "GTiff",
        "count": 1,
        "width": 400,
        "height": 60,
        "dtype": "float32",
        "crs": "EPSG:32631",
    }
    x = np.arange(400) * 10.0
    ground = np.where(x >= 545.0, 59.0, 50.0)
    ground = np.where(x >= 800.0, 50.0, ground).astype(np.float32)
    place = rasterio.Affine(10, 0, 500_000, 0, -10, 5_000_300)
    with rasterio.open(tmp_path / "bank.tif", "w", transform=place, **grid) as file:
        file.write(np.tile(ground, (60, 1)), 1)
    dear = {"mast_per_m": 9e3, "guyed_mast_per_m": 9e3, "antenna": {"yagi": 9e3, "collinear": 9e3}}

    def station(name: str, east_m: float, height_m: float) -> dict[str, Any]:
        at = {"easting_m": 500_000.0 + east_m, "northing_m": 5_000_000.0, "epsg": 32631}
        return {"name": name, "antenna_height_m": height_m, **at}

    loaded = plan_from(
        terrain={"rasters": ["bank.tif"]}, base_dir=tmp_path, prices=dear,
        station=[station("tank", 495.0, 3.0), station("shed", 3000.0, 8.0)],
        link=[{"name": "level", "from": "tank", "to": "shed", "frequency_mhz": 868.0,
               "modulation": {"kind": "css", "spreading_factor": 12, "bandwidth_khz": 62.5}, "tries": 3,
               "required_margin_db": 26.0}],
    )  # fmt: skip
    assert first_link(loaded).verdict != "closes"
    moved = [r for r in hold_to_their_word(loaded) if "move:near" in r.kinds]
    assert moved
    tank = made(loaded, moved[0]).plan.station_named("tank")
    assert tank.easting_m is not None
    assert 545.0 <= tank.easting_m - 500_000.0 <= 620.0
    laid = next(p for p in moved[0].parts if p.item == "laying")
    assert tank.feeder.length_m == pytest.approx(laid.quantity)
    assert {"feeder", "connector", "arrestor", "climb"} <= {p.item for p in moved[0].parts}


@pytest.mark.parametrize(
    ("length_m", "moved_m", "length", "cable"),
    [(0.0, 40.0, 40.0, "rg213"), (0.0, 40.2, 40.2, "half_inch_foam"),
     (5.0, 35.0, 40.0, "rg58"), (5.0, 36.27, 41.3, "half_inch_foam")],
)  # fmt: skip
def test_an_antenna_moved_by_hand(length_m: float, moved_m: float, length: float, cable: str) -> None:
    """At 60 degrees north a degree is 111.41 km of latitude and 55.80 km of longitude (WGS 84, from memory).

    30 degrees east of north: cos 30 of the way north, sin 30 east. Beyond 40 m a thicker cable is laid.
    """
    station = sites.case(tank={
        "latitude_deg": 60.0, "longitude_deg": 10.0, "antenna_height_m": 9.0, "mast_foot_m": 6.0,
        "feeder": {"type": "rg58" if length_m else "none", "length_m": length_m},
    }).near  # fmt: skip
    moved = moved_station(station, moved_m, 30.0)
    assert moved.latitude_deg is not None
    assert moved.longitude_deg is not None
    north_m, east_m = (moved.latitude_deg - 60.0) * 111_410.0, (moved.longitude_deg - 10.0) * 55_800.0
    assert (north_m, east_m) == pytest.approx((0.866 * moved_m, 0.5 * moved_m), abs=0.2)
    assert (moved.feeder.length_m, moved.feeder.type) == (length, cable)
    assert (moved.feeder.connectors, moved.feeder.arrestor) == ((0, False) if length_m else (2, True))
    assert moved.mast_foot_m == 0.0
    assert moved.antenna_height_m == 9.0


@pytest.mark.parametrize(
    ("stated", "shown", "worse"),
    [({"surroundings": "none"}, "woodland", True), ({"surroundings": "open"}, "woodland", True),
     ({"surroundings": "woodland"}, "open", False), ({}, "woodland", False), ({"surroundings": "none"}, None, False)],
)  # fmt: skip
def test_a_place_is_not_as_free_as_the_plan_states_where_rasters_show_more(
    stated: dict[str, Any], shown: SurroundingsKind | None, worse: bool
) -> None:
    """What a plan says of the planned place is no word on the one that an antenna would be moved to."""
    around = None if shown is None else Surroundings(shown, False, shown="by raster")
    pairs: dict[End, Any] = {"near": (around, None), "far": (None, around)}
    for end, pair in pairs.items():
        case = replace(sites.case(tank=stated, shed=stated), shown=pair)
        assert worse_is_shown(case, end) is worse


def test_a_place_is_written_to_a_decimetre() -> None:
    """In the plan's own coordinates: on a zone's central meridian the grid is 0.9996 of the ground (UTM), here 70.21 m
    east; in degrees to the sixth decimal."""
    on_grid = {"easting_m": 500_000.0, "northing_m": 5_000_000.0, "epsg": 32631}
    moved = moved_station(sites.case(tank=on_grid).near, 70.24, 90.0)
    assert (moved.easting_m, moved.northing_m) == (500_070.2, 5_000_000.0)
    assert (moved.latitude_deg, moved.epsg) == (None, 32631)
    turned = moved_station(sites.case(tank=on_grid).near, 70.24, 30.0)
    assert turned.easting_m is not None
    assert turned.northing_m is not None
    at_m = turned.easting_m - 500_000.0, turned.northing_m - 5_000_000.0
    assert at_m == pytest.approx((35.1, 60.8), abs=0.15)  # the bearing holds to a fifth of a degree
    assert (round(turned.easting_m, 1), round(turned.northing_m, 1)) == (turned.easting_m, turned.northing_m)
    placed = moved_station(sites.case(tank={"latitude_deg": 60.0, "longitude_deg": 10.0}).near, 70.24, 30.0)
    assert [round(v or 0.0, 6) for v in (placed.latitude_deg, placed.longitude_deg)] == [
        placed.latitude_deg,
        placed.longitude_deg,
    ]


def test_a_relay_is_priced_where_nothing_else_closes(tmp_path: Path) -> None:
    """A ridge of 160 m between two stations that are 6 km apart: no mast helps, and both look down from its top."""
    grid = {
        "driver": "GTiff",
        "count": 1,
        "width": 320,
        "height": 40,
        "dtype": "float32",
        "crs": "EPSG:32631",
    }
    x = np.arange(320) * 20.0 + 10.0
    ground = (50.0 + 160.0 * np.exp(-(((x - 3000.0) / 500.0) ** 2))).astype(np.float32)
    with rasterio.open(
        tmp_path / "ridge.tif", "w", transform=rasterio.Affine(20, 0, 500_000, 0, -20, 5_000_400), **grid
    ) as file:
        file.write(np.tile(ground, (40, 1)), 1)

    def station(name: str, east_m: float) -> dict[str, Any]:
        at = {"easting_m": 500_000.0 + east_m, "northing_m": 5_000_000.0, "epsg": 32631}
        return {"name": name, "antenna_height_m": 4.0, "transmit_power_dbm": 20.0, **at}

    def with_trees(*trees: dict[str, Any]) -> LoadedPlan:
        return plan_from(
            terrain={"rasters": ["ridge.tif"]}, base_dir=tmp_path,
            station=[station("tank", 100), station("shed", 5900)],
            link=[{"name": "level", "from": "tank", "to": "shed", "frequency_mhz": 868.0,
                   "modulation": {"kind": "css", "spreading_factor": 12, "bandwidth_khz": 62.5}, "tries": 3,
                   "required_margin_db": 34.0, "obstacle": list(trees)}],
        )  # fmt: skip

    loaded = with_trees()
    (relay,) = first_link(loaded).remedies
    assert relay.kinds == ("relay",)
    assert relay.relay is not None
    assert 2500.0 < relay.relay.distance_m < 3300.0
    assert relay.relay.slope_deg <= 20.0
    # radio, dipole, a mast of 6 m, and what it runs on
    assert relay.cost == 120 + 25 + (150 + 6 * 40) + 250
    margin_db = min(a - b for a, b in zip(relay.fade_margins_db, relay.required_margins_db, strict=True))
    assert margin_db > 0.0
    # what the plan states on the path stands on the hops too: here a wood around the tank, too wide to fell
    wood = {"kind": "trees", "height_m": 30.0, "width_m": 400.0, "distance_m": 220.0}
    assert not first_link(with_trees(wood)).remedies


def test_an_obstacle_of_a_link_is_met_by_the_hop_it_stands_on() -> None:
    """By hand: a relay at 1000 m of 3000; one before it, one around it, one behind it that reaches beyond the end."""
    stated = [Obstacle(distance_m=at, height_m=5.0, width_m=w, kind="trees")
              for at, w in ((400.0, 100.0), (1010.0, 60.0), (2990.0, 40.0))]  # fmt: skip
    first, second = obstacles_on_hops(stated, 1000.0, 3000.0)
    assert [(o.distance_m, o.width_m) for o in first] == [(400.0, 100.0), (990.0, 20.0)]
    assert [(o.distance_m, o.width_m) for o in second] == [(20.0, 40.0), (1985.0, 30.0)]


def test_nothing_is_offered_on_ground_that_is_not_known(tmp_path: Path) -> None:
    grid = {"driver": "GTiff", "count": 1, "width": 40, "height": 40, "dtype": "float32", "crs": "EPSG:32631"}
    with rasterio.open(
        tmp_path / "coarse.tif", "w", transform=rasterio.Affine(90, 0, 500_000, 0, -90, 5_001_800), **grid
    ) as file:
        file.write(np.full((40, 40), 50.0, np.float32), 1)
    at = {"northing_m": 5_000_000.0, "epsg": 32631, "antenna_height_m": 3.0}
    loaded = plan_from(
        terrain={"rasters": ["coarse.tif"]}, base_dir=tmp_path,
        station=[{"name": "tank", "easting_m": 501_000.0, **at}, {"name": "shed", "easting_m": 501_300.0, **at}],
        link=[{"name": "level", "from": "tank", "to": "shed", "frequency_mhz": 868.0,
               "modulation": {"kind": "css", "spreading_factor": 7}, "required_margin_db": 60.0}],
    )  # fmt: skip
    link = first_link(loaded)
    assert link.verdict == "at_risk"
    assert link.remedies == ()
    assert not any(a.sufficient for a in link.advice)


def test_a_link_that_closes_needs_none_and_the_search_is_bounded(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert (
        first_link(placed(tank={"transmit_power_dbm": 30.0}, shed={"transmit_power_dbm": 30.0})).remedies
        == ()
    )
    loaded = load_plan(sample_path("upland"))
    decided = 0

    def decide(case: Any) -> Any:
        nonlocal decided
        decided += 1
        return decision.decide(case)

    monkeypatch.setattr("linkcalc.link.remedies.decide", decide)
    with verdict.open_terrain(loaded) as terrain:
        case = next(verdict.cases(loaded, terrain))
        remedies(
            case,
            loaded.plan,
            lambda plan, link: verdict.link_case(replace(loaded, plan=plan), link, terrain),
        )
    assert 3 <= decided <= 16


def test_what_the_search_reckons_a_change_to_cost_is_what_its_parts_cost() -> None:
    """Costs that it adds up as numbers against the list of parts that is printed."""
    from linkcalc.link.remedy_options import EndOptions

    loaded = load_plan(sample_path("upland"))
    with verdict.open_terrain(loaded) as terrain:
        case = next(verdict.cases(loaded, terrain))
    for end in ENDS:
        options = EndOptions.of(case, end, Prices(), frozenset())
        assert len(options.changed) > 40
        for (stood, update), cost in zip(options.changed, options.cost, strict=True):
            parts = added(case.station(end), stood.model_copy(update=update), Prices())
            assert sum(p.cost for p in parts) == pytest.approx(cost)


def test_remedies_are_in_the_result_as_data(tmp_path: Path) -> None:
    from linkcalc.views.jsonout import to_dict

    (best, *_) = to_dict(lc.check_plan(load_plan(sample_path("upland"))))["links"][0]["remedies"]
    assert {"kinds", "changes", "parts", "cost", "verdict", "energy_ratio"} <= best.keys()
    change = best["changes"][0]
    assert (change["key"], change["value"]) == ("modulation.spreading_factor", 12)
    assert tomllib.loads(f"x = {change['value']}")["x"] == 12


def test_raised_power_is_no_more_than_it_takes() -> None:
    """Where power is raised, 1 dB less at that end would leave its direction short."""
    loaded = placed(regulation={"region": "us", "report_interval_s": 900.0}, link={"frequency_mhz": 915.0,
                    "modulation": {"kind": "css", "spreading_factor": 9, "bandwidth_khz": 500.0}})  # fmt: skip
    raised = [r for r in hold_to_their_word(loaded) if "power" in r.kinds]
    assert raised
    for remedy in raised:
        spare = [a - b for a, b in zip(remedy.fade_margins_db, remedy.required_margins_db, strict=True)]
        for change in remedy.changes:
            if change.key == "transmit_power_dbm" and change.value > change.before:
                assert spare[("tank", "shed").index(str(change.name))] < 1.0

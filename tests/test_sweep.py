"""Sweeps: every cell is what a check of the changed plan says, and nothing is worked out twice."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from linkcalc.errors import DomainError, LinkcalcError, PlanError, TerrainError
from linkcalc.files import sample_path
from linkcalc.link import legal, verdict
from linkcalc.link.case import feeder_loss_db, with_longer_feeder
from linkcalc.link.result import Direction, Result
from linkcalc.plan import LoadedPlan, load_plan, plan_from
from linkcalc.sweeps import sweeping as sweep
from linkcalc.sweeps.parameters import PIECES, parameters
from linkcalc.sweeps.sweeping import sweep_plan
from linkcalc.terrain.profile import cut_short, profile_from

FSK = {"kind": "fsk", "bit_rate_bps": 4800.0, "deviation_hz": 5000.0, "required_snr_db": 10.0}

VALUES: dict[str, list[Any]] = {
    "frequency_mhz": [169.4, 868.3],
    "payload_bytes": [1, 60],
    "reply_payload_bytes": [1, 60],
    "required_margin_db": [0.0, 35.0],
    "required_success": [0.5, 0.99],
    "confidence": [0.5, 0.95],
    "channel_busy_percent": [0.0, 8.0],
    "hopping_bandwidth_mhz": [0.0, 26.0],
    "surroundings": ["none", "woodland"],
    "surroundings_height_m": [5.0, 12.0],
    "surroundings_distance_m": [5.0, 30.0],
    "installation_db": [0.0, 4.0],
    "governing_model": ["rules", "p1812"],
    "tries": [1, 4],
    "spreading_factor": [7, 12],
    "bandwidth_khz": [62.5, 250.0],
    "coding_rate": ["4/5", "4/8"],
    "preamble_symbols": [8, 32],
    "explicit_header": [True, False],
    "crc": [True, False],
    "low_data_rate_optimisation": ["auto", "on"],
    "bit_rate_bps": [1200.0, 9600.0],
    "deviation_hz": [2500.0, 10_000.0],
    "required_snr_db": [7.0, 13.0],
    "preamble_bytes": [2, 9],
    "sync_bytes": [2, 8],
    "overhead_bytes": [1, 5],
    "antenna_height_m": [2.0, 11.5],
    "transmit_power_dbm": [0.0, 27.0],
    "noise_figure_db": [3.0, 9.0],
    "noise_environment": ["city", "none"],
    "noise_rise_db": [0.0, 8.0],
    "building": ["none", "traditional"],
    "latitude_deg": [-40.018, -40.019],
    "longitude_deg": [-20.03, -20.02],
    "easting_m": [590_500.0, 590_600.0],
    "northing_m": [6_458_600.0, 6_458_700.0],
    "antenna.type": ["quarter_wave_whip", "yagi"],
    "antenna.gain_dbi": [0.0, 9.0],
    "antenna.gain_dbd": [0.0, 9.0],
    "antenna.horizontal_beamwidth_deg": [30.0, 90.0],
    "antenna.vertical_beamwidth_deg": [8.0, 60.0],
    "antenna.azimuth_deg": [60.0, 110.0],
    "antenna.tilt_deg": [0.0, 25.0],
    "antenna.polarisation": ["horizontal", "vertical"],
    "feeder.type": ["rg58", "half_inch_foam"],
    "feeder.length_m": [3.0, 20.0],
    "feeder.loss_db_per_100m": [10.0, 50.0],
    "feeder.connectors": [0, 4],
    "feeder.connector_loss_db": [0.1, 0.5],
    "feeder.arrestor": [True, False],
    "feeder.arrestor_loss_db": [0.1, 0.5],
    "delta_n": [35.0, 80.0],
    "climate": ["temperate", "desert"],
    "month": [1, 7],
    "surface_refractivity_n0": [300.0, 350.0],
    "ground": ["wet_ground", "very_dry_ground"],
    "surface_roughness_m": [0.0, 3.0],
    "leaf": ["in_leaf", "out_of_leaf"],
    "wet_foliage": [True, False],
    "woodland_depth_m": [20.0, 60.0],
    "model_error_db": [3.0, 12.0],
    "surroundings_error_db": [0.0, 4.0],
    "antenna_gain_error_db": [0.0, 3.0],
    "height_error_m": [0.0, 1.0],
    "k_factor": [1.2, 1.6],
    "distance_m": [900.0, 2500.0],
    "surface_kind": ["trees", "building"],
    "step_m": [40.0, 100.0],
    "largest_hole_m": [0.0, 100.0],
    "sea_without_data": [True, False],
}
"""Two values of everything that can be varied."""


def site(**changes: Any) -> LoadedPlan:
    """A tank and a shed over a knoll, surveyed, with feeders and aimed antennas."""
    x = np.linspace(0.0, 3000.0, 61)
    ground = 40.0 + 6.0 * np.exp(-(((x - 1300.0) / 250.0) ** 2))
    station = {"feeder": {"type": "rg213", "length_m": 5.0, "connectors": 2, "arrestor": True}}
    tables: dict[str, Any] = {
        "station": [
            {"name": "tank", "antenna_height_m": 4.0, "antenna": {"type": "collinear"}, **station},
            {"name": "shed", "antenna_height_m": 7.0, "noise_rise_db": 6.0, **station},
        ],
        "link": [
            {
                "name": "level",
                "from": "tank",
                "to": "shed",
                "frequency_mhz": 450.0,
                "modulation": {"kind": "css", "spreading_factor": 9},
                "tries": 2,
                "obstacle": [{"distance_m": 2000.0, "height_m": 9.0, "width_m": 50.0, "kind": "trees"}],
            }
        ],
    }
    return plan_from(tables | changes, profiles={"level": profile_from(x, ground)})


def set_in(tables: Any, name: str, value: Any) -> None:
    """Change plan tables as a person would who edits the file."""
    ends = {"near": [0], "far": [1]}.get(name.partition(".")[0], [0, 1])
    key = name.removeprefix("near.").removeprefix("far.")
    link, stations = tables["link"][0], [tables["station"][i] for i in ends]
    if key == "k_factor":
        tables.setdefault("conditions", {})["delta_n"] = 157.0 * (1.0 - 1.0 / value)
    elif key in LINK:
        link[key] = value
    elif key in link["modulation"] or key in CSS_OR_FSK:
        link["modulation"][key] = value
    elif key in TERRAIN:
        tables["terrain"][key] = value
    elif "." in key:
        table, _, last = key.partition(".")
        for station in stations:
            station.setdefault(table, {})[last] = value
    elif key in STATION:
        for station in stations:
            station[key] = value
    else:
        tables.setdefault("conditions", {})[key] = value


LINK = {
    "frequency_mhz", "payload_bytes", "reply_payload_bytes", "tries", "required_margin_db",
    "required_success", "confidence", "channel_busy_percent", "hopping_bandwidth_mhz",
}  # fmt: skip
TERRAIN = {"surface_kind", "step_m", "largest_hole_m", "sea_without_data"}
CSS_OR_FSK = {
    "bandwidth_khz", "coding_rate", "preamble_symbols", "explicit_header", "crc",
    "low_data_rate_optimisation", "preamble_bytes", "sync_bytes", "overhead_bytes",
}  # fmt: skip
STATION = {
    "antenna_height_m", "transmit_power_dbm", "noise_figure_db", "noise_environment", "noise_rise_db",
    "building", "latitude_deg", "longitude_deg", "easting_m", "northing_m", "surroundings",
    "surroundings_height_m", "surroundings_distance_m",
}  # fmt: skip


def changed(loaded: LoadedPlan, cell: Mapping[str, Any]) -> LoadedPlan:
    """The plan edited to a cell of a sweep."""
    tables = loaded.plan.model_dump(by_alias=True, exclude_unset=True)
    for name, value in cell.items():
        set_in(tables, name, value)
    for k, end in enumerate(("near", "far")):
        # a cable that comes down grows with its antenna, unless its length is varied too
        planned, station = loaded.plan.station[k], tables["station"][k]
        rise_m = station["antenna_height_m"] - planned.antenna_height_m
        own = {"feeder.length_m", f"{end}.feeder.length_m", f"{end}.cable", "cable"}
        if planned.feeder.length_m > 0.0 and rise_m > 0.0 and not own & set(cell):
            station["feeder"]["length_m"] = planned.feeder.length_m + rise_m
    return plan_from(tables, profiles=loaded.profiles, base_dir=loaded.base_dir)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A check that gives no advice and draws nothing: that is most of its time."""
    monkeypatch.setattr(verdict, "advise", lambda case, asked: ())
    monkeypatch.setattr(verdict, "drawing_of", lambda case, heights: None)


DIRECTED = (
    "fade_margin_db",
    "required_margin_db",
    "received_power_dbm",
    "sensitivity_dbm",
    "eirp_dbm",
    "time_on_air_s",
)


def same(found: Mapping[str, Any], result: Result) -> None:
    """Hold a cell against a check: levels to 1e-9 dB, success to 1e-8."""
    link = result.links[0]
    there, back = link.directions
    level = {"rel": 0.0, "abs": 1e-9}
    for way, d in (("", there), ("return_", back)):
        assert isinstance(d, Direction)
        for name in DIRECTED:
            assert found[f"{way}{name}"] == pytest.approx(getattr(d, name), **level), f"{way}{name}"
        success = found[f"{way}delivery_probability"]
        assert success == pytest.approx(d.delivery_probability, abs=1e-8), way
    assert found["path_loss_db"] == pytest.approx(there.path_loss_db, **level)
    assert found["clearance_ratio"] == pytest.approx(link.path.worst_clearance_ratio, **level)
    assert found["model"] == link.path.model
    assert found["verdict"] == link.verdict
    weaker = min(link.directions, key=lambda d: d.fade_margin_db - d.required_margin_db)
    assert found["weaker_fade_margin_db"] == pytest.approx(weaker.fade_margin_db, **level)
    spare = min(d.fade_margin_db - d.required_margin_db for d in link.directions)
    assert found["spare_margin_db"] == pytest.approx(spare, **level)


def test_there_are_values_to_try_for_everything_that_can_be_varied() -> None:
    names = set()
    for plan in (site(), fsk_site()):
        names |= {p.name.removeprefix("near.").removeprefix("far.") for p in parameters(plan.plan.link[0])}
        assert all(p.touches <= PIECES and p.touches for p in parameters(plan.plan.link[0]))
    assert names == set(VALUES), "give VALUES two values of each key that is new"


def fsk_site() -> LoadedPlan:
    link = site().plan.link[0].model_dump(by_alias=True, exclude_unset=True)
    return site(link=[link | {"modulation": FSK}])


def case_for(name: str) -> tuple[LoadedPlan, dict[str, list[Any]]]:
    """A plan in which a parameter can be varied, and further parameters beside it."""
    key = name.removeprefix("near.").removeprefix("far.")
    beside: dict[str, list[Any]] = {"transmit_power_dbm": [5.0, 14.0]}
    if key == "transmit_power_dbm":
        beside = {"tries": [1, 3]}
    if key in ("latitude_deg", "longitude_deg") or key in TERRAIN:
        return load_plan(sample_path("wooded" if key == "surface_kind" else "upland")), beside
    if key in ("easting_m", "northing_m"):
        return load_plan(sample_path("plain")), beside
    if key in (
        "bit_rate_bps",
        "deviation_hz",
        "required_snr_db",
        "preamble_bytes",
        "sync_bytes",
        "overhead_bytes",
    ):
        return fsk_site(), beside
    if key in ("leaf", "wet_foliage"):
        return site(conditions={"woodland_depth_m": 40.0}), beside
    if key.startswith("surroundings_"):
        tables = site().plan.model_dump(by_alias=True, exclude_unset=True)["station"]
        return site(station=[t | {"surroundings": "suburban"} for t in tables]), beside
    if key == "antenna.azimuth_deg":
        return load_plan(sample_path("upland")), beside
    return site(), beside


EVERY = sorted(
    {p.name for p in parameters(site().plan.link[0])} | {p.name for p in parameters(fsk_site().plan.link[0])}
)


@pytest.mark.parametrize("name", [n for n in EVERY if not n.startswith("near.") and n != "distance_m"])
@pytest.mark.usefixtures("quick")
def test_whatever_is_varied_a_cell_is_the_check_of_the_changed_plan(name: str) -> None:
    loaded, beside = case_for(name)
    key = name.removeprefix("far.")
    found = sweep_plan(loaded, {name: VALUES[key], **beside})
    other, its_values = next(iter(beside.items()))
    for i, value in enumerate(VALUES[key]):
        cell = {name: value, other: its_values[i]}
        same(found.cell(cell), verdict.check_plan(changed(loaded, cell)))


@pytest.mark.usefixtures("quick")
def test_an_antenna_that_is_raised_takes_its_cable_with_it_unless_that_is_varied() -> None:
    """6 m more of RG58 at 868 MHz lose some 3 dB: what is radiated falls by as much as the feeder takes."""
    loaded = load_plan(sample_path("upland"))
    k = next(i for i, s in enumerate(loaded.plan.station) if s.feeder.length_m > 0.0)
    end, planned = ("near", "far")[k], loaded.plan.station[k]
    heights = [planned.antenna_height_m, planned.antenna_height_m + 6.0]
    key = f"{end}.antenna_height_m"
    grown = sweep_plan(loaded, {key: heights})
    fixed = sweep_plan(loaded, {key: heights, f"{end}.feeder.length_m": [planned.feeder.length_m]})
    way = "eirp_dbm" if end == "near" else "return_eirp_dbm"
    per_metre = feeder_loss_db(
        with_longer_feeder(planned, planned.antenna_height_m - 1.0), 868e6
    ) - feeder_loss_db(planned, 868e6)
    assert grown[way][0] == fixed[way][0, 0]
    assert fixed[way][1, 0] == pytest.approx(fixed[way][0, 0], abs=0.01)
    assert grown[way][0] - grown[way][1] == pytest.approx(6.0 * per_metre, rel=0.01)
    assert per_metre > 0.05
    longest = fixed["fade_margin_db"][1, 0] - grown["fade_margin_db"][1]
    assert longest == pytest.approx(6.0 * per_metre, abs=0.3)


RANDOM = {
    "upland": {
        "sf": [7, 9, 10, 12],
        "bw": [125.0, 250.0],
        "transmit_power_dbm": np.linspace(2.0, 20.0, 10),
        "near.height": [2.0, 4.0, 9.5],
        "far.antenna_height_m": [3.0, 12.0],
        "payload": [8, 50],
        "tries": [1, 3],
    },
    "plain": {
        "frequency": [433.5, 868.0, 915.0],
        "height": [2.0, 3.5, 8.0],
        "required_success": [0.8, 0.99],
        "noise_rise_db": np.arange(0.0, 12.0, 1.5),
        "far.cable": [2.0, 6.0, 15.0],
        "model_error_db": [0.0, 6.0],
    },
    "wooded": {
        "leaf": ["in_leaf", "out_of_leaf"],
        "antenna.type": ["yagi", "half_wave_dipole"],
        "k": [1.2, 4.0 / 3.0],
        "power": np.arange(-10.0, 31.0),
        "noise_environment": ["city", "rural"],
        "required_margin_db": [3.0, 20.0],
    },
}


@pytest.mark.parametrize("sample", RANDOM)
@pytest.mark.usefixtures("quick")
def test_every_cell_of_a_large_sweep_is_the_check_of_its_plan(sample: str, few: Callable[[int], int]) -> None:
    loaded = load_plan(sample_path(sample))
    found = sweep_plan(loaded, RANDOM[sample])
    assert found.size > 500  # enough for success to be interpolated
    random = np.random.default_rng(5)
    for _ in range(few(12)):
        cell = {
            name: found.coords[name][random.integers(len(found.coords[name]))].item() for name in found.dims
        }
        same(found.cell(cell), verdict.check_plan(changed(loaded, cell)))


@pytest.mark.usefixtures("quick")
def test_the_plan_itself_is_a_sweep_of_one() -> None:
    for sample in RANDOM:
        loaded = load_plan(sample_path(sample))
        sf = loaded.plan.link[0].modulation.spreading_factor  # type: ignore[union-attr]
        found = sweep_plan(loaded, {"sf": sf})
        assert found.shape == (1,)
        same(found.cell({"spreading_factor": sf}), verdict.check_plan(loaded))


@pytest.mark.usefixtures("quick")
def test_a_station_moved_along_a_survey_stands_where_the_survey_is_cut() -> None:
    loaded = site()
    found = sweep_plan(loaded, {"distance": [700.0, 2100.0, 2975.0, 3000.0], "sf": [7, 10]})
    for metres, trees in (
        (700.0, []),
        (2100.0, loaded.plan.link[0].obstacle),
        (2975.0, None),
        (3000.0, None),
    ):
        link = loaded.plan.link[0].model_dump(by_alias=True, exclude_unset=True)
        if trees == []:
            link["obstacle"] = []
        moved = plan_from(
            loaded.plan, link=[link], profiles={"level": cut_short(loaded.profiles["level"], metres)}
        )
        cell = {"distance_m": metres, "spreading_factor": 10}
        same(found.cell(cell), verdict.check_plan(changed(moved, {"spreading_factor": 10})))


@pytest.mark.usefixtures("quick")
def test_a_station_moved_over_a_raster_stands_on_the_line_to_where_it_was() -> None:
    from linkcalc.plan.stations import position_deg
    from linkcalc.terrain.geodesy import path_between, points_along

    loaded = load_plan(sample_path("plain"))
    near, far = loaded.plan.station
    ends = (*position_deg(near), *position_deg(far))
    length, _, _ = path_between(*ends)
    found = sweep_plan(loaded, {"distance_m": [60.0, 800.0, length, length + 300.0]})
    assert found["verdict"][0] == "at_risk"  # within a few cells, hardly any ground is known
    for metres in (60.0, 800.0, length + 300.0):
        latitude, longitude = points_along(*ends, [metres])
        tables = loaded.plan.model_dump(by_alias=True, exclude_unset=True)
        for key in ("easting_m", "northing_m", "epsg"):
            del tables["station"][1][key]
        tables["station"][1] |= {"latitude_deg": latitude[0], "longitude_deg": longitude[0]}
        moved = plan_from(tables, base_dir=loaded.base_dir)
        same(found.cell({"distance_m": metres}), verdict.check_plan(moved))
    here = sweep_plan(loaded, {"sf": [8]})["path_loss_db"][0]
    assert found["path_loss_db"][2] == pytest.approx(
        here, abs=1e-3
    )  # the same place, a fraction of a micrometre off


@pytest.mark.usefixtures("quick")
def test_what_is_over_a_legal_limit_counts_as_in_a_check() -> None:
    loaded = load_plan(sample_path("upland"))
    tables = loaded.plan.model_dump(by_alias=True, exclude_unset=True)
    tables["regulation"] = {"region": "eu", "report_interval_s": 5.0}
    for other in ("message", "tank", "engine", "power"):
        tables.pop(other)
    tables["link"][0] |= {"required_margin_db": 0.0, "required_success": 0.5, "confidence": 0.5}
    tables["station"][1]["antenna_height_m"] = 25.0
    often = plan_from(tables, base_dir=loaded.base_dir)
    vary = {"sf": [7, 12], "near.power": [5.0, 14.0, 30.0], "near.gain": [2.0, 9.0]}
    found = sweep_plan(often, vary)
    for sf, power, gain in np.ndindex(found.shape):
        values = (vary["sf"][sf], vary["near.power"][power], vary["near.gain"][gain])
        cell = dict(zip(found.dims, values, strict=True))
        same(found.cell(cell), verdict.check_plan(changed(often, cell)))
    assert found["eirp_dbm"].max() < 30.0  # power over a limit does not count
    assert (found["verdict"][1] != "closes").all()  # so slow a signal is on the air too long


def test_the_table_of_limits_is_asked_once_for_what_differs(monkeypatch: pytest.MonkeyPatch) -> None:
    """20 payloads last 6 different times: at SF8 ceil((8 n - 4 x 8 + 28 + 16) / 32) steps of symbols, 3 to 8 of them.
    The far end, whose answers and cable stay as they are, is one more.
    """
    asked = []
    real = legal.tightest
    monkeypatch.setattr(legal, "tightest", lambda sent, region: asked.append(region) or real(sent, region))
    vary = {"payload": range(10, 30), "power": range(2, 14), "far.height": [2.0, 4.0, 6.0]}
    assert sweep_plan(load_plan(sample_path("upland")), vary).size == 720
    assert len(asked) == 7


@pytest.mark.parametrize("end", ["near", "far"])
@pytest.mark.parametrize(
    "name",
    [n for n in EVERY if n.startswith("far.") and n.split(".")[1] in ("antenna", "feeder", "transmit_power_dbm")]
    + ["frequency_mhz", "payload_bytes", "reply_payload_bytes", "tries", "spreading_factor", "bandwidth_khz",
       "coding_rate", "preamble_symbols", "transmit_power_dbm"],
)  # fmt: skip
@pytest.mark.usefixtures("quick")
def test_whatever_bears_on_the_limits_is_asked_of_the_end_that_it_changes(name: str, end: str) -> None:
    """One end is over by power, the other by time on the air for slow or long messages."""
    station = {"feeder": {"type": "rg213", "length_m": 5.0, "connectors": 2, "arrestor": True}}
    link = site().plan.link[0].model_dump(by_alias=True, exclude_unset=True)
    loaded = site(
        station=[
            {"name": "tank", "antenna_height_m": 14.0, "transmit_power_dbm": 17.0, **station},
            {"name": "shed", "antenna_height_m": 17.0, "transmit_power_dbm": 12.0, **station},
        ],
        link=[link | {"frequency_mhz": 868.3, "required_success": 0.5, "confidence": 0.5, "obstacle": []}],
        regulation={"region": "eu", "report_interval_s": 60.0},
    )
    key = name.removeprefix("far.")
    varied = f"{end}.{key}" if name.startswith("far.") else name
    beside: dict[str, list[Any]] = {f"{end}.transmit_power_dbm": [10.0, 20.0]}
    if key == "transmit_power_dbm":
        beside = {"spreading_factor": [9, 12]}
    if key == "frequency_mhz":
        values: list[Any] = [868.3, 869.525]
    else:
        values = VALUES[key]
    found = sweep_plan(loaded, {varied: values, **beside})
    other, its_values = next(iter(beside.items()))
    for i, j in np.ndindex(found.shape):
        cell = {varied: values[i], other: its_values[j]}
        same(found.cell(cell), verdict.check_plan(changed(loaded, cell)))


def test_the_path_is_worked_out_once_for_each_value_that_changes_it(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    real = sweep._path
    monkeypatch.setattr(sweep, "_path", lambda case, found: seen.append(found) or real(case, found))
    vary = {
        "sf": range(7, 13),
        "height": [3.0, 4.0, 5.0],
        "power": range(20),
        "payload": range(1, 41),
        "nf": [4, 6],
    }
    assert sweep_plan(site(), vary).size == 28_800
    assert [found.far_height_m.tolist() for found in seen] == [[3.0, 4.0, 5.0]]


def test_what_does_not_change_the_path_does_not_ask_for_it_again(monkeypatch: pytest.MonkeyPatch) -> None:
    pairs = []
    real = sweep.pair_losses
    monkeypatch.setattr(
        sweep,
        "pair_losses",
        lambda case, near, *more, **how: pairs.append(near.size) or real(case, near, *more, **how),
    )
    vary = {"sf": range(7, 13), "noise_figure_db": range(10), "gain": range(10), "cable": range(1, 9)}
    assert sweep_plan(site(), vary).size == 4800
    assert pairs == [1]  # the path; where an antenna looks takes no loss


def test_charge_is_airtime_times_current_as_far_as_that_is_known() -> None:
    found = sweep_plan(site(), {"power": [14, 30, 33]})
    assert found["charge_mc"][:2] == pytest.approx(
        [45.0 * found["time_on_air_s"][0], 700.0 * found["time_on_air_s"][0]]
    )
    assert np.isnan(found["charge_mc"][2])
    stated = site(power=[{"station": "tank", "transmit_current_ma": 50.0}])
    found = sweep_plan(stated, {"power": [14, 33]})
    assert found["charge_mc"] == pytest.approx(50.0 * found["time_on_air_s"])


def test_the_plans_own_values_are_told() -> None:
    found = sweep_plan(site(), {"height": [3.0], "far.cable": [1.0], "k": [1.3], "sf": [7]})
    assert dict(found.planned) == {
        "antenna_height_m": None,  # 4 m and 7 m
        "far.feeder.length_m": 5.0,
        "k_factor": pytest.approx(157.0 / (157.0 - 39.0), abs=5e-4),  # the temperate climate's lapse
        "spreading_factor": 9,
    }
    assert sweep_plan(site(), {"distance": [900.0]}).planned["distance_m"] == 3000.0


def test_what_models_say_about_their_range_is_kept() -> None:
    assert sweep_plan(site(), {"height": [4.0]}).warnings == ()
    assert any("cable loss" in w for w in sweep_plan(site(), {"frequency": [2400.0]}).warnings)


@pytest.mark.parametrize(
    ("vary", "kind", "said"),
    [
        ({}, DomainError, "nothing to vary"),
        ({"sf": []}, DomainError, "spreading_factor: give one value or more, in one row"),
        ({"sf": [[7, 8]]}, DomainError, "spreading_factor: give one value or more, in one row"),
        ({"sf": [7, 7.0]}, DomainError, "spreading_factor = 7 is given twice"),
        ({"sf": [7.5]}, DomainError, "spreading_factor = 7.5: allowed: 5 to 12"),
        ({"sf": ["many"]}, DomainError, 'spreading_factor = "many": allowed: 5 to 12'),
        ({"crc": [1]}, DomainError, "crc = 1: allowed: true or false"),
        ({"power": [True]}, DomainError, "transmit_power_dbm = true: allowed: -30 to 50"),
        ({"sf": [7, 13]}, PlanError, "spreading_factor = 13 is too high; allowed: 5 to 12"),
        ({"power": [10.0, float("nan"), 14.0]}, DomainError, "transmit_power_dbm = nan: allowed: -30 to 50"),
        ({"climate": ["polar"]}, PlanError, 'conditions.climate = "polar" is not known'),
        ({"near.height": [0.0]}, PlanError, 'station "tank" antenna_height_m = 0 is too low'),
        ({"k": [1.0]}, DomainError, "k_factor = 1: allowed: 1.07 to 22.4"),
        ({"k": [-4]}, DomainError, "k_factor = -4: allowed: 1.07 to 22.4"),
        ({"k": [float("nan")]}, DomainError, "k_factor = nan: allowed"),
        ({"sf": [7], "spreading_factor": [8]}, DomainError, "spreading_factor is given twice: vary it once"),
        ({"height": [3], "far.height": [4]}, DomainError, "and far.antenna_height_m set the same"),
        ({"k": [1.3], "delta_n": [40]}, DomainError, "k_factor and delta_n set the same"),
        ({"distance": [900.0], "far.latitude_deg": [1.0]}, DomainError, "set the same"),
        ({"gain_dbi": [3], "gain_dbd": [3]}, PlanError, "give gain_dbi or gain_dbd, not both"),
        ({"spread": [7]}, DomainError, '"spread" cannot be varied; did you mean spreading_factor?'),
        ({"xyzzy": [7]}, DomainError, '"xyzzy" cannot be varied; among what can be: '),
        ({"name": [7]}, DomainError, '"name" cannot be varied'),
        ({"type": ["yagi"]}, DomainError, '"type" may be antenna.type or feeder.type: say which'),
        ({"near.sf": [7]}, DomainError, 'spreading_factor is not of one station: leave out "near."'),
        ({"latitude_deg": [7]}, DomainError, "say of which station: near.latitude_deg or far.latitude_deg"),
        ({"bit_rate_bps": [1200]}, DomainError, 'bit_rate_bps is not a key of kind = "css"'),
        ({"step_m": [10]}, DomainError, '"step_m" cannot be varied'),
        ({"distance": [0.0]}, DomainError, "distance_m = 0: allowed: above 0"),
        ({"distance": [20.0]}, DomainError, "the first 20 m of the profile have fewer than 3 points"),
        ({"distance": [9000.0]}, DomainError, "the profile is 3000 m long: 9000 m of it cannot be had"),
        (
            {"power": np.linspace(0, 1, 4000), "nf": np.linspace(0, 1, 4000)},
            DomainError,
            "16_000_000 combinations are more than 10_000_000",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_varied_is_one_line(
    vary: dict[str, Any], kind: type[LinkcalcError], said: str
) -> None:
    with pytest.raises(kind) as caught:
        sweep_plan(site(), vary)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_station_moved_off_the_raster_is_said_to_be(tmp_path: Path) -> None:
    with pytest.raises(TerrainError, match="pump shed"):
        sweep_plan(load_plan(sample_path("plain")), {"distance_m": [900.0, 50_000.0]})


def test_of_several_links_one_must_be_named() -> None:
    link = site().plan.link[0].model_dump(by_alias=True, exclude_unset=True)
    two = plan_from(
        site().plan,
        link=[link, link | {"name": "spare", "from": "shed", "to": "tank"}],
        profiles={name: site().profiles["level"] for name in ("level", "spare")},
    )
    with pytest.raises(LinkcalcError, match='has 2 links; say which with link=: "level", "spare"'):
        sweep_plan(two, {"sf": [7]})
    with pytest.raises(LinkcalcError, match='has no link "other"; its links: "level", "spare"'):
        sweep_plan(two, {"sf": [7]}, link="other")
    assert sweep_plan(two, {"shed.height": [3.0]}, link="spare").dims == ("near.antenna_height_m",)

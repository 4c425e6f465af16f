"""Parts counted from a plan and priced by its list."""

import csv
import io
from typing import Any

import pytest

from linkcalc.files import sample_path
from linkcalc.link.parts_list import added, bill, mast_price, station_parts
from linkcalc.link.result import Part
from linkcalc.plan import load_plan, plan_from
from linkcalc.plan.prices import AntennaPrices, FeederPrices, Prices
from linkcalc.radio.antenna_types import ANTENNA_TYPES
from linkcalc.radio.feeder import CABLE_TYPES
from linkcalc.views.check.remedies import bill_csv, bill_report
from tests import sites


def test_a_plan_counted_and_summed_by_hand() -> None:
    """Upland sample: two radios, a dipole on 4 m and a collinear on 6 m of mast, 6 m of RG58 with two
    connectors and an arrestor, a cell of 13 Ah."""
    found = bill(load_plan(sample_path("upland")).plan)
    tank = 120 + 25 + (150 + 4 * 40) + 13 * 3
    shed = 120 + 60 + (150 + 6 * 40) + 6 * 1.5 + 2 * 5 + 45
    assert found.cost == pytest.approx(tank + shed) == pytest.approx(1128.0)
    assert not found.prices_stated


def test_every_type_of_antenna_and_of_cable_has_a_price() -> None:
    assert set(ANTENNA_TYPES) == set(AntennaPrices.model_fields) - {"per_db"}
    assert set(CABLE_TYPES) - {"none"} == set(FeederPrices.model_fields) - {"other"}


def test_a_guyed_mast_costs_more_for_every_metre_and_none_costs_nothing() -> None:
    prices = Prices()
    assert [mast_price(m, prices) for m in (0.0, 6.0, 6.5)] == [0.0, 150 + 6 * 40, 150 + 6.5 * 70]


def plan(**station: object) -> object:
    c = sites.case(tank=station)
    tables = [s.model_dump(by_alias=True, exclude_unset=True) for s in (c.near, c.far)]
    link = c.link.model_dump(by_alias=True, exclude_unset=True)
    return plan_from(
        station=tables, link=[link], profiles={"level": c.profile}, prices={"currency": "EUR"}
    ).plan


def test_what_carries_the_mast_already_costs_nothing() -> None:
    on_ground, on_tank = (
        [p for p in bill(plan(antenna_height_m=8.0, **how)).parts if p.station == "tank" and p.item == "mast"]  # type: ignore[arg-type]
        for how in ({}, {"mast_foot_m": 6.0})
    )
    assert [(p.size, p.cost) for p in (*on_ground, *on_tank)] == [(8.0, 150 + 8 * 70), (2.0, 150 + 2 * 40)]


def test_stations_that_no_link_uses_are_not_bought() -> None:
    loaded = load_plan(sample_path("upland"))
    spare = loaded.plan.station[0].model_copy(update={"name": "spare"})
    more = loaded.plan.model_copy(update={"station": [*loaded.plan.station, spare]})
    assert bill(more) == bill(loaded.plan)


def test_panel_and_battery_behind_it_are_those_that_the_energy_asks_for() -> None:
    import linkcalc as lc

    upland = load_plan(sample_path("upland"))
    tables = upland.plan.model_dump(by_alias=True, exclude_unset=True)
    tables["power"] = [{"station": "tank", "solar": {"worst_month_peak_sun_h": 2.0}}]
    sunny = plan_from(tables, base_dir=upland.base_dir)
    result = lc.with_sections(lc.check_plan(sunny), sunny.plan)
    supply = result.sections["energy"].stations[0].solar
    found = {p.item: p for p in bill(sunny.plan, result.sections).parts if p.station == "tank"}
    assert found["panel"].quantity == supply.recommended_panel_w
    assert found["storage"].quantity == supply.recommended_storage_wh
    assert "battery" not in found


def test_the_csv_holds_every_part_and_no_formula() -> None:
    found = bill(plan())  # type: ignore[arg-type]
    rows = list(csv.DictReader(io.StringIO(bill_csv(found))))
    assert sum(float(r["cost"]) for r in rows) == pytest.approx(found.cost)
    assert {r["currency"] for r in rows} == {"EUR"}
    assert {r["price_from"] for r in rows} == {"example"}
    named = load_plan(sample_path("upland"), ["title=x"]).plan
    odd = named.station[0].model_copy(update={"name": "=1+1"})
    link = named.link[0].model_copy(update={"from_": "=1+1"})
    text = bill_csv(bill(named.model_copy(update={"station": [odd, named.station[1]], "link": [link]})))
    assert "\n'=1+1,radio" in text
    assert "\n=" not in text
    text = bill_report(found, "parts")
    assert f"{found.cost:,.0f} EUR" in text
    assert "Example prices are invented" in text


def priced(prices: dict[str, object], **station: object) -> dict[str, Part]:
    """The parts at the tank by their name, priced by a list of one's own."""
    c = sites.case(tank=station)
    tables = [s.model_dump(by_alias=True, exclude_unset=True) for s in (c.near, c.far)]
    link = c.link.model_dump(by_alias=True, exclude_unset=True)
    made = plan_from(station=tables, link=[link], profiles={"level": c.profile}, prices=prices)
    return {p.item: p for p in bill(made.plan).parts if p.station == "tank"}


def test_money_is_counted_to_a_hundredth_and_every_part_once() -> None:
    """2 m at 33.333 and 150: 216.67; 7 m at 1.2345: 8.64 (worked); a dipole of 2.1514 dBi by theory."""
    found = priced(
        {"mast": 150.0, "mast_per_m": 33.333, "feeder": {"rg58": 1.2345}},
        antenna_height_m=2.0,
        feeder={"type": "rg58", "length_m": 7.0},
    )
    mast, feeder, antenna = (found[name] for name in ("mast", "feeder", "antenna"))
    assert (mast.size, mast.quantity, mast.unit_price, mast.cost) == (2.0, 1.0, 216.67, 216.67)
    assert (feeder.quantity, feeder.unit_price, feeder.cost) == (7.0, 1.2345, 8.64)
    assert (antenna.size, antenna.quantity) == (2.15, 1.0)


@pytest.mark.parametrize(
    ("height_m", "rate", "stated"),
    [
        (5.0, "mast_per_m", True),
        (5.0, "guyed_mast_per_m", False),
        (8.0, "mast_per_m", False),
        (8.0, "guyed_mast_per_m", True),
    ],
)
def test_a_mast_s_price_is_the_plan_s_own_where_both_prices_that_it_is_made_of_are(
    height_m: float, rate: str, stated: bool
) -> None:
    """To 6 m it stands by itself, above it is guyed."""
    found = priced({"mast": 100.0, rate: 50.0}, antenna_height_m=height_m)
    assert found["mast"].price_stated is stated
    assert priced({rate: 50.0}, antenna_height_m=height_m)["mast"].price_stated is False


@pytest.mark.parametrize(
    ("more", "stated"), [({}, False), ({"guyed_mast_per_m": 90.0}, True), ({"radio": 100.0}, False)]
)
def test_a_longer_mast_s_price_is_the_plan_s_own_where_all_that_may_count_are(
    more: dict[str, float], stated: bool
) -> None:
    """From 5 m at 40 to 8 m, guyed, at 70 or 90: 150 + 560 less 150 + 200, or 720 less 200 (worked)."""
    near = sites.case(tank={"antenna_height_m": 5.0}).near
    prices = Prices.model_validate({"mast": 150.0, "mast_per_m": 40.0, **more})
    longer, climb = added(near, near.model_copy(update={"antenna_height_m": 8.0}), prices)
    assert (longer.item, longer.size, longer.quantity, longer.price_stated) == (
        "mast_longer",
        8.0,
        1.0,
        stated,
    )
    assert longer.cost == (520.0 if "guyed_mast_per_m" in more else 360.0)
    assert (climb.item, climb.cost) == ("climb", 80.0)


def test_another_cable_takes_its_connectors_once() -> None:
    """A radio at its antenna, whose cable was planned with 0 m, goes 20 m away: 20 x 3, two connectors at 5, an
    arrestor at 45, work at the antenna 80."""
    near = sites.case(tank={"feeder": {"type": "rg58", "length_m": 0.0}}).near
    feeder = {"type": "rg213", "length_m": 20.0, "connectors": 2, "arrestor": True}
    moved = sites.case(tank={"feeder": feeder}).near
    found = [(p.item, p.quantity, p.cost) for p in added(near, moved, Prices())]
    assert found == [
        ("feeder", 20.0, 60.0),
        ("connector", 2.0, 10.0),
        ("arrestor", 1.0, 45.0),
        ("climb", 1.0, 80.0),
    ]


CLIMB = ("climb", 1.0, 80.0)


@pytest.mark.parametrize(
    ("changed", "takes"),
    [
        ({}, []),
        ({"noise_rise_db": 0.0}, [("noise_suppression", 1.0, 60.0)]),
        ({"noise_rise_db": 7.0}, []),
        ({"feeder": {"arrestor": True}}, [("arrestor", 1.0, 45.0)]),
        ({"feeder": {"length_m": 11.0}}, [("feeder", 3.0, 4.5)]),  # 3 m more at 1.5
        ({"feeder": {"length_m": 5.0}}, []),
        ({"feeder": {"connectors": 5}}, [("connector", 3.0, 15.0)]),
        ({"feeder": {"connectors": 3}}, [("connector", 1.0, 5.0)]),
        ({"feeder": {"connectors": 1}}, []),
        ({"feeder": {"type": "rg213"}}, [("feeder", 8.0, 24.0), ("connector", 2.0, 10.0), CLIMB]),
        ({"antenna": {"azimuth_deg": 30.0}}, [CLIMB]),  # turned, not bought
        ({"antenna": {"type": "yagi", "gain_dbi": 12.0}}, [("antenna", 1.0, 90.0), CLIMB]),  # 70 and 2.5 dB at 8
        ({"antenna_height_m": 2.0}, [CLIMB]),
        ({"latitude_deg": 3.0, "longitude_deg": 4.0}, [CLIMB]),
        ({"building": "traditional"}, [CLIMB]),
        ({"extra_loss": []}, [CLIMB]),
    ],
)  # fmt: skip
def test_what_a_change_at_a_station_takes_by_hand(
    changed: dict[str, Any], takes: list[tuple[str, float, float]]
) -> None:
    """By the example prices: 8 m of RG58 with two connectors are there."""
    feeder = {"type": "rg58", "length_m": 8.0, "connectors": 2}
    loss = [{"loss_db": 3.0, "reason": "under the roof"}]
    before = sites.case(tank={"feeder": feeder, "noise_rise_db": 6.0, "extra_loss": loss}).near
    update = {
        key: getattr(before, key).model_copy(update=value) if isinstance(value, dict) else value
        for key, value in changed.items()
    }
    found = added(before, before.model_copy(update=update), Prices())
    assert [(p.item, p.quantity, p.cost) for p in found] == takes
    assert not any(p.price_stated for p in found)


def test_the_parts_of_a_relay_by_hand() -> None:
    """Radio 120, dipole 25, 3 m of mast 150 + 3 x 40; with what it runs on, at a price of the plan's own."""
    near = sites.case().near
    relay = station_parts(near, Prices.model_validate({"relay_supply": 200.0}), supplied=True)
    parts = [("radio", 120.0), ("antenna", 25.0), ("mast", 270.0), ("relay_supply", 200.0)]
    assert [(p.item, p.cost) for p in relay] == parts
    assert [p.price_stated for p in relay] == [False, False, False, True]
    assert [(p.item, p.cost) for p in station_parts(near, Prices(), supplied=False)] == parts[:3]


@pytest.mark.slow
def test_batteries_and_panels_are_priced_by_what_they_hold() -> None:
    """13 Ah at 2 an ampere-hour: 26. A panel by the watt, the battery behind it by the watt-hour."""
    import linkcalc as lc

    upland = load_plan(sample_path("upland"))
    tables = upland.plan.model_dump(by_alias=True, exclude_unset=True)

    def supply(prices: dict[str, float], power: list[dict[str, Any]]) -> dict[str, Part]:
        made = plan_from({**tables, "prices": prices, "power": power}, base_dir=upland.base_dir)
        sections = lc.with_sections(lc.check_plan(made), made.plan).sections
        kinds = ("battery", "panel", "storage")
        return {p.item: p for p in bill(made.plan, sections).parts if p.item in kinds}

    cell = {"station": "tank", "battery": {"chemistry": "li_socl2", "capacity_mah": 13000.0}}
    battery = supply({"battery_per_ah": 2.0}, [cell])["battery"]
    assert (battery.station, battery.what, battery.size) == ("tank", "li_socl2", 13000.0)
    assert (battery.quantity, battery.unit) == (13000.0, "mAh")
    assert (battery.unit_price, battery.cost, battery.price_stated) == (0.002, 26.0, True)
    sunny = supply({"panel_per_w": 4.0}, [{"station": "tank", "solar": {"worst_month_peak_sun_h": 2.0}}])
    assert sunny.keys() == {"panel", "storage"}
    assert {p.station for p in sunny.values()} == {"tank"}
    panel, storage = sunny["panel"], sunny["storage"]
    assert (panel.cost, panel.unit, panel.price_stated) == (round(panel.quantity * 4.0, 2), "W", True)
    assert (storage.cost, storage.unit, storage.price_stated) == (
        round(storage.quantity * 0.6, 2),
        "Wh",
        False,
    )


def test_an_antenna_half_a_metre_up_needs_no_mast_and_every_centimetre_of_one_counts() -> None:
    """0.7 m: 150 + 0.7 x 40; 2 cm more 0.8."""
    assert "mast" not in priced({}, antenna_height_m=0.5)
    assert priced({}, antenna_height_m=0.7)["mast"].cost == 178.0
    near = sites.case(tank={"antenna_height_m": 3.0}).near
    longer, _ = added(near, near.model_copy(update={"antenna_height_m": 3.02}), Prices())
    assert (longer.item, longer.cost) == ("mast_longer", pytest.approx(0.8))


def test_a_bill_is_of_the_plan_s_own_prices_where_all_of_them_are() -> None:
    """Two radios, two dipoles, two masts that stand by themselves."""
    own = {"radio": 100.0, "antenna": {"half_wave_dipole": 20.0}, "mast": 100.0, "mast_per_m": 50.0}

    def stated(prices: dict[str, object]) -> bool:
        c = sites.case()
        tables = [s.model_dump(by_alias=True, exclude_unset=True) for s in (c.near, c.far)]
        link = c.link.model_dump(by_alias=True, exclude_unset=True)
        made = plan_from(station=tables, link=[link], profiles={"level": c.profile}, prices=prices)
        return bill(made.plan).prices_stated

    assert stated(own)
    for left_out in own:
        assert not stated({k: v for k, v in own.items() if k != left_out})


@pytest.mark.parametrize(
    ("prices", "gain_dbi", "cost", "stated"),
    [
        ({"yagi": 50.0}, 9.5, 50.0, True),
        ({"yagi": 50.0}, 12.0, 70.0, False),  # 2.5 dB over the usual gain, at 8 by the example
        ({"yagi": 50.0, "per_db": 10.0}, 12.0, 75.0, True),
        ({"per_db": 10.0}, 12.0, 95.0, False),
    ],
)
def test_an_antenna_s_price_is_the_plan_s_own_where_all_that_counts_is(
    prices: dict[str, float], gain_dbi: float, cost: float, stated: bool
) -> None:
    found = priced({"antenna": prices}, antenna={"type": "yagi", "gain_dbi": gain_dbi})["antenna"]
    assert (found.cost, found.size, found.price_stated) == (cost, gain_dbi, stated)


def test_a_gain_over_a_dipole_is_priced_as_what_it_is_over_an_isotropic_radiator() -> None:
    """10 dBd are 12.15 dBi, 2.65 dB over a yagi's usual 9.5 dBi: 70 + 2.65 x 8."""
    found = priced({}, antenna={"type": "yagi", "gain_dbd": 10.0})["antenna"]
    assert found.size == 12.15
    assert found.cost == pytest.approx(91.2, abs=0.02)

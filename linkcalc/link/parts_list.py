"""Parts and work: those of a whole plan, and those that changing a station takes, priced by the plan's list."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from linkcalc.answer import Answer
from linkcalc.link.case import main_gain_dbi
from linkcalc.link.result import Part
from linkcalc.plan import Antenna, Plan, Station
from linkcalc.plan.base import Section
from linkcalc.plan.prices import Prices
from linkcalc.radio.antenna_types import ANTENNA_TYPES
from linkcalc.units import DBI_OVER_DBD_DB

LEAST_MAST_M = 0.5
"""An antenna no higher above what carries it needs no mast (common practice, no source)."""


@dataclass(frozen=True, eq=False, repr=False)
class Bill(Answer):
    """The parts of a plan."""

    _rows = "parts"

    parts: tuple[Part, ...]
    currency: str

    @property
    def cost(self) -> float:
        """Of all together."""
        return sum(p.cost for p in self.parts)

    @property
    def prices_stated(self) -> bool:
        """Whether every price that counts is the plan's own."""
        return all(p.price_stated for p in self.parts)


def bill(plan: Plan, sections: Mapping[str, Any] | None = None) -> Bill:
    """Count the parts of a plan, station by station; what `energy` of `sections` says of panels is counted.

    >>> import linkcalc as lc
    >>> found = bill(lc.load_plan(lc.sample_path("upland")).plan)
    >>> [(p.item, p.what, p.quantity) for p in found.parts if p.station == "tank"]
    [('radio', '', 1.0), ('antenna', 'half_wave_dipole', 1.0), ('mast', '', 1.0), ('battery', 'li_socl2', 13000.0)]
    """
    used = {name for link in plan.link for name in (link.from_, link.to)}
    parts: list[Part] = []
    for station in plan.station:
        if station.name in used:
            parts += _station(station, plan.prices)
            parts += _supply(plan, station.name, sections or {})
    return Bill(tuple(parts), plan.prices.currency)


def added(before: Station, after: Station, prices: Prices) -> list[Part]:
    """What a station takes besides what is planned for it.

    A taller mast and a longer cable of the same type count by what they cost more; what is replaced is paid in
    full and what falls away is not deducted.
    """
    name, found = after.name, list[Part]()
    if _fitted(before.antenna) != _fitted(after.antenna):
        found.append(antenna_part(after, prices))
    rise = mast_price(mast_m(after), prices) - mast_price(mast_m(before), prices)
    if rise > 0.0:
        stated = {"mast", "mast_per_m", "guyed_mast_per_m"} <= prices.model_fields_set
        length_m = mast_m(after)
        found.append(Part(name, "mast_longer", "", length_m, 1.0, "piece", rise, rise, stated))
    old, new = before.feeder, after.feeder
    if new.type != old.type or (new.length_m > old.length_m):
        length_m = new.length_m if new.type != old.type else new.length_m - old.length_m
        found.append(_feeder(after, prices, length_m))
    # another cable takes all its connectors anew
    refitted = new.type != old.type and old.type != "none"
    connectors = new.connectors - (0 if refitted else old.connectors)
    if connectors > 0:
        found.append(_simple(name, "connector", connectors, prices))
    if new.arrestor and not old.arrestor:
        found.append(_simple(name, "arrestor", 1, prices))
    if after.noise_rise_db < before.noise_rise_db:
        found.append(_simple(name, "noise_suppression", 1, prices))
    at_antenna = (
        before.antenna != after.antenna
        or before.antenna_height_m != after.antenna_height_m
        or before.feeder.type != after.feeder.type
        or before.position != after.position
        or (before.building, before.extra_loss) != (after.building, after.extra_loss)
    )
    if at_antenna:
        found.append(_simple(name, "climb", 1, prices))
    return found


def antenna_part(station: Station, prices: Prices) -> Part:
    """The antenna of a station."""
    a = station.antenna
    gain_dbi, price = round(main_gain_dbi(station), 2), antenna_price(station.antenna, prices)
    stated = a.type in prices.antenna.model_fields_set and (
        price == getattr(prices.antenna, a.type) or "per_db" in prices.antenna.model_fields_set
    )
    return Part(station.name, "antenna", a.type, gain_dbi, 1.0, "piece", price, price, stated)


def antenna_price(antenna: Antenna, prices: Prices) -> float:
    """Price of an antenna by type and gain."""
    usual_dbi = ANTENNA_TYPES[antenna.type].gain_dbi
    gain_dbi = antenna.gain_dbi
    if gain_dbi is None:
        gain_dbi = usual_dbi if antenna.gain_dbd is None else antenna.gain_dbd + DBI_OVER_DBD_DB
    over_db = max(gain_dbi - usual_dbi, 0.0)
    return round(float(getattr(prices.antenna, antenna.type)) + prices.antenna.per_db * over_db, 2)


def mast_m(station: Station) -> float:
    """Length of a station's mast over what carries it."""
    length_m = station.antenna_height_m - station.mast_foot_m
    return length_m if length_m > LEAST_MAST_M else 0.0


def mast_price(length_m: float, prices: Prices) -> float:
    """Price of a mast by its length; none, nothing.

    >>> mast_price(6.0, Prices()), mast_price(10.0, Prices()), mast_price(0.0, Prices())
    (390.0, 850.0, 0.0)
    """
    if length_m <= 0.0:
        return 0.0
    # 1e-9: a height less its foot is no exact length
    rate = prices.guyed_mast_per_m if length_m > prices.guyed_above_m + 1e-9 else prices.mast_per_m
    return round(prices.mast + rate * length_m, 2)


def _fitted(antenna: Antenna) -> tuple[Any, ...]:
    """What tells one antenna from another, however it is turned."""
    return antenna.type, antenna.gain_dbi, antenna.gain_dbd


def _station(station: Station, prices: Prices) -> Iterator[Part]:
    yield _simple(station.name, "radio", 1, prices)
    yield antenna_part(station, prices)
    length_m = mast_m(station)
    if length_m:
        cost = mast_price(length_m, prices)
        rate = "guyed_mast_per_m" if length_m > prices.guyed_above_m + 1e-9 else "mast_per_m"
        stated = {"mast", rate} <= prices.model_fields_set
        yield Part(station.name, "mast", "", length_m, 1.0, "piece", cost, cost, stated)
    f = station.feeder
    if f.length_m:
        yield _feeder(station, prices, f.length_m)
    if f.connectors:
        yield _simple(station.name, "connector", f.connectors, prices)
    if f.arrestor:
        yield _simple(station.name, "arrestor", 1, prices)


def station_parts(station: Station, prices: Prices, *, supplied: bool) -> tuple[Part, ...]:
    """The parts of one more station; supplied: with panel, battery and box of a relay."""
    supply = (_simple(station.name, "relay_supply", 1, prices),) if supplied else ()
    return (*_station(station, prices), *supply)


def _supply(plan: Plan, name: str, sections: Mapping[str, Any]) -> Iterator[Part]:
    prices = plan.prices
    for supply in plan.power:
        if supply.station == name and supply.battery is not None:
            mah, price = supply.battery.capacity_mah, prices.battery_per_ah / 1000.0
            stated = "battery_per_ah" in prices.model_fields_set
            cost = round(price * mah, 2)
            yield Part(name, "battery", supply.battery.chemistry, mah, mah, "mAh", price, cost, stated)
    for station in getattr(sections.get("energy"), "stations", ()):
        sized = getattr(station, "solar", None)
        if station.station == name and sized is not None:
            yield priced(name, "panel", sized.recommended_panel_w, "W", prices, "panel_per_w")
            wh = sized.recommended_storage_wh
            yield priced(name, "storage", wh, "Wh", prices, "storage_per_wh", what=sized.chemistry)


def _feeder(station: Station, prices: Prices, length_m: float) -> Part:
    cable = station.feeder.type
    key = cable if cable != "none" else "other"
    return priced(station.name, "feeder", length_m, "m", prices.feeder, key, what=cable)


def _simple(station: str, item: Any, count: int, prices: Prices) -> Part:
    return priced(station, item, float(count), "piece", prices, item)


def priced(
    station: str, item: Any, quantity: float, unit: Any, prices: Section, key: str, *,
    what: str = "", size: float | None = None,
) -> Part:  # fmt: skip
    """One line of a list: so much at the price that stands under a key."""
    price, stated = float(getattr(prices, key)), key in prices.model_fields_set
    return Part(station, item, what, size, quantity, unit, price, round(price * quantity, 2), stated)

"""The plan's price list: what parts and work cost, in any currency."""

from linkcalc.plan.base import ONE_LINE, Section, plain


def _price(default: float, description: str) -> float:
    return plain(default, f"{description}; example: {default:g}", ge=0, le=10_000_000)  # type: ignore[no-any-return]


class FeederPrices(Section):
    """A metre of cable, by its type."""

    rg174: float = _price(1.0, "price of a metre")
    rg58: float = _price(1.5, "price of a metre")
    rg8x: float = _price(2.0, "price of a metre")
    rg213: float = _price(3.0, "price of a metre")
    rg8_foam: float = _price(4.0, "price of a metre")
    half_inch_foam: float = _price(9.0, "price of a metre")
    seven_eighths_inch_foam: float = _price(22.0, "price of a metre")
    one_and_five_eighths_inch_foam: float = _price(60.0, "price of a metre")
    other: float = _price(5.0, "price of a metre of cable that is known by its loss alone")


class AntennaPrices(Section):
    """An antenna with its bracket, by its type."""

    quarter_wave_whip: float = _price(15.0, "price of one")
    half_wave_dipole: float = _price(25.0, "price of one")
    collinear: float = _price(60.0, "price of one of the type's usual gain")
    yagi: float = _price(70.0, "price of one of the type's usual gain")
    per_db: float = _price(8.0, "price of each decibel over the type's usual gain")


class Prices(Section):
    """What parts and work cost. What is left out is an invented example, and marked so wherever it counts."""

    currency: str = plain("", "currency, as it is to be printed", max_length=12, pattern=ONE_LINE)
    radio: float = _price(120.0, "price of one radio in its box")
    antenna: AntennaPrices = plain(AntennaPrices(), "antennas")
    feeder: FeederPrices = plain(FeederPrices(), "cables")
    connector: float = _price(5.0, "price of one connector, fitted")
    arrestor: float = _price(45.0, "price of a lightning arrestor with its earth lead")
    mast: float = _price(150.0, "foot, bracket and work of a mast, whatever its length")
    mast_per_m: float = _price(40.0, "price of a metre of a mast that stands by itself")
    guyed_above_m: float = plain(6.0, "a longer mast is guyed, m", ge=0, le=1000)
    guyed_mast_per_m: float = _price(70.0, "price of a metre of a guyed mast, from its foot")
    relay_supply: float = _price(250.0, "panel, battery, charger and box of a relay")
    climb: float = _price(80.0, "work at an antenna that is planned otherwise: fitting, turning, raising")
    noise_suppression: float = _price(60.0, "ferrites, resistor plugs and leads for one engine")
    laying_per_m: float = _price(8.0, "a metre of cable protected on the ground or in it")
    felling_per_m: float = _price(50.0, "a metre of trees felled along the path")
    battery_per_ah: float = _price(3.0, "a battery that is not recharged, for each ampere-hour")
    storage_per_wh: float = _price(0.6, "a battery that a panel charges, for each watt-hour")
    panel_per_w: float = _price(3.0, "solar panel with its bracket and charger, for each watt")

"""Energy in words: what a station draws and for what, how long a battery lasts, how large a panel is."""

from collections.abc import Sequence
from typing import Unpack

from linkcalc.link.result import Assumption
from linkcalc.operation.energy import (
    TABLE_INTERVALS_S,
    BatteryLife,
    EnergySection,
    SolarSupply,
    StationEnergy,
)
from linkcalc.radio.energy import LONGEST_QUOTED_YEARS, life_words
from linkcalc.views.messages.text import odds_words
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import interval_words, starter_words


def energy_report(
    energy: EnergySection, *, assumed: Sequence[Assumption] = (), **screen: Unpack[Screen]
) -> str:
    """Return the energy of every supplied station; of `assumed`, values that are still the starter's are named."""
    page = Page(**screen)
    if not energy.stations:
        page.wrap(
            "No station of this plan has a [[power]] table, so there is nothing to calculate.", bold=True
        )
        page.wrap('Add one: [[power]] station = "..", then [power.battery] capacity_mah = ..')
        return page.text()
    if invented := starter_words(assumed, "energy"):
        page.wrap(invented, bold=True)
        page.blank()
    for i, station in enumerate(energy.stations):
        if i:
            page.blank()
        _station(page, station)
    page.blank()
    page.wrap(energy.caution)
    return page.text()


def current_words(milliamperes: float) -> str:
    """Write a current in microamperes below 1 mA."""
    return f"{milliamperes * 1e3:.1f} uA" if milliamperes < 1.0 else f"{milliamperes:.2f} mA"


def years_words(years: float | None) -> str:
    """Write a quoted life for a table, short."""
    if years is None:
        return "-"
    if years >= LONGEST_QUOTED_YEARS:
        return f"{LONGEST_QUOTED_YEARS:g}+ y"
    number, unit = life_words(years).split()
    return f"{number} { {'years': 'y', 'months': 'mo', 'days': 'd'}[unit] }"


def _station(page: Page, station: StationEnergy) -> None:
    page.wrap(f"{station.station}: {station.summary}", bold=True)
    for t in station.traffic:
        what = "answers" if t.answers else "reports" if t.message is None else "sends"
        what += "" if t.message is None else f' "{t.message}"'
        every = "no interval stated" if t.interval_s is None else f"every {interval_words(t.interval_s)}"
        listening = f"{t.receive_window_s:.2g} s of listening" if t.receive_window_s else "no listening"
        page.fact(
            f"{what} on link {t.link}: {t.payload_bytes} bytes, {t.time_on_air_s * 1e3:.1f} ms on the air,"
            f" {every}; {t.transmissions:.3g} transmission(s) a message ({t.transmissions_source}),"
            f" each followed by {listening}"
        )
    current = f"{station.transmit_current_ma:g} mA ({station.transmit_current_source})"
    page.wrap(f"Transmit current {current}", indent=2)
    page.notes(station.notes)
    if station.mean_current_ma is None:
        page.wrap("State regulation.report_interval_s in the plan to have a mean current.", indent=2)
    else:
        _draw(page, station)
    if station.battery is not None:
        _battery(page, station.battery)
    if station.solar is not None:
        _solar(page, station.solar)


def _draw(page: Page, station: StationEnergy) -> None:
    names = ["sending", "listening", "sensing", "sleeping"]
    parts = {name: getattr(station, f"{name}_ma") for name in names}
    if station.battery is not None:
        parts["self-discharge"] = station.battery.self_discharge_ma
    total = sum(parts.values())
    widths = [24, 14, 10]
    page.row(["Mean current", "", ""], widths)
    for name, ma in parts.items():
        page.row([f"  {name}", current_words(ma), f"{100 * ma / total:.0f} %"], widths)
    page.row(["  together", current_words(total), "100 %"], widths)


def _battery(page: Page, battery: BatteryLife) -> None:
    page.fact(
        f"Battery: {battery.chemistry}, {battery.capacity_mah:g} mAh,"
        f" of which {100 * battery.usable_share:.0f} % usable at {battery.temperature_c:g} degrees Celsius"
        f" down to {battery.end_cell_v:g} V a cell, less"
        f" {100 * battery.self_discharge_per_year:g} % a year by itself ({battery.source})"
    )
    page.notes(battery.notes)
    if not battery.by_spreading_factor:
        return
    columns = [battery.intervals_s.index(interval) for interval in TABLE_INTERVALS_S]
    widths = [10, 10, *[9] * len(columns)]
    page.wrap("Life by spreading factor, as planned and for a message every:", indent=2)
    page.row(["", "planned", *(interval_words(i) for i in TABLE_INTERVALS_S)], widths)
    for factor in battery.by_spreading_factor:
        lives = [factor.life_years, *(factor.life_years_by_interval[i] for i in columns)]
        page.row([f"  SF{factor.spreading_factor}", *map(years_words, lives)], widths)


def _solar(page: Page, solar: SolarSupply) -> None:
    page.fact(
        f"Solar: {solar.daily_wh:.3g} Wh a day at {solar.voltage_v:g} V;"
        f" with {solar.peak_sun_h:g} peak sun hours in the worst month the panel's bare sum is"
        f" {solar.panel_w:.3g} W, an empty battery filled again in {solar.recovery_days:g} days; the"
        f" battery's for {solar.autonomy_days:g} days is {solar.storage_wh:.3g} Wh ({solar.chemistry},"
        f" {100 * solar.usable_share:.0f} % usable at {solar.temperature_c:g} degrees Celsius)"
    )
    page.fact(
        f"Take at least {solar.recommended_panel_w:.2g} W and {solar.recommended_storage_wh:.3g} Wh"
        f" ({solar.recommended_storage_mah:.0f} mAh): neither sum is exact, and shade is not in them."
        f" In 60 days of that sun, in bright and dull spells of four days or so, it then runs empty with a"
        f" chance of {odds_words(solar.blackout_chance)}."
    )
    page.notes(solar.notes)

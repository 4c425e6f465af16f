"""The tank in words: how far a lost stop overruns, what a year brings, what makes it safe."""

from collections.abc import Callable, Sequence
from typing import Unpack

from linkcalc.link.result import Assumption
from linkcalc.operation.tank.answer import TankAnswer
from linkcalc.operation.tank.solve import Settings, Solution
from linkcalc.views import units
from linkcalc.views.messages.text import count_words, duration_words, odds_words, share_words
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import starter_words

FLOAT_ALWAYS = (
    "Fit a local float valve or high-level stop in any case: it works without radio, sensor and program."
)


def tank_report(
    tank: TankAnswer | None, *, assumed: Sequence[Assumption] = (), **screen: Unpack[Screen]
) -> str:
    """Return what a lost message does to the tank; of `assumed`, values that are still the starter's are named."""
    page = Page(**screen)
    if tank is None:
        page.wrap("This plan has no [tank], so there is nothing to fill.", bold=True)
        page.wrap("Add [tank] with [tank.shape], [engine], and a [[message]] of kind run_permit.")
        return page.text()
    page.wrap(headline(tank), bold=True)
    if invented := starter_words(assumed, "tank"):
        page.wrap(invented)
    page.wrap(_how(tank), indent=2)
    page.blank()
    for name, seconds in (
        ("Stop level to overflow, full flow", tank.time_to_overflow_s),
        ("Stop level to the float, full flow", tank.time_to_high_high_s),
        ("Filling, start to stop level", tank.fill_time_s),
        ("Start level to empty, mean draw", tank.time_to_empty_s),
        ("Start level to empty, worst hour", tank.shortest_time_to_empty_s),
    ):
        if seconds is not None:
            page.row([name, duration_words(seconds)], [38, 14])
    _year(page, tank)
    _solution(page, tank)
    page.items("Notes", tank.notes)
    page.items("Cautions", tank.cautions)
    return page.text()


def headline(tank: TankAnswer) -> str:
    room = f"{volume_words(tank.freeboard_m3)} is free above the stop level"
    if tank.overrun_bound_m3 is None or tank.overrun_bound_m is None:
        return f"Nothing but messages stops the engine: a lost stop is not bounded; {room}."
    bound = f"{volume_words(tank.overrun_bound_m3)} ({tank.overrun_bound_m:.2f} m)"
    if tank.bound_fits:
        return f"A lost stop overruns {bound} at most; {room}."
    spill = volume_words(tank.overrun_bound_m3 - tank.freeboard_m3)
    return f"A lost stop can OVERFLOW the tank by {spill}: it overruns up to {bound}; {room}."


def short_headline(tank: TankAnswer) -> str:
    """The same in a few words, for the top of a picture."""
    if tank.overrun_bound_m3 is None:
        return "Nothing but messages stops the engine: a lost stop is not bounded"
    if tank.bound_fits:
        return (
            f"A lost stop overruns {volume_words(tank.overrun_bound_m3)} at most;"
            f" {volume_words(tank.freeboard_m3)} is free"
        )
    return f"A lost stop can overflow the tank by {volume_words(tank.overrun_bound_m3 - tank.freeboard_m3)}"


def _volume(volume_m3: float) -> str:
    return count_words(units.figure(volume_m3, "m³"))


def volume_words(volume_m3: float) -> str:
    """Write a volume with three figures or so."""
    if volume_m3 >= 99.95:
        return f"{volume_m3:.0f} m³"
    return f"{volume_m3:.{1 if volume_m3 >= 9.995 else 2 if volume_m3 >= 0.0995 else 3}f} m³"


def _how(tank: TankAnswer) -> str:
    stopping = f"{duration_words(tank.stopping_s)} until the water has stopped"
    if tank.bounded_by == "nothing":
        return "Fit a watchdog at the engine that stops it when nothing is heard, and a run timer."
    if tank.bounded_by == "run timer":
        return (
            f"The run timer ({tank.max_run_time_h:g} h) ends it at last, and {stopping}; started just below"
            " the stop level the engine runs over for all of it."
        )
    assert tank.watchdog_s is not None
    assert tank.interval_s is not None
    return (
        f"Pump flow times watchdog ({duration_words(tank.watchdog_s)}), one report interval"
        f" ({duration_words(tank.interval_s)}) and {stopping}, whatever level the engine was started at."
    )


def _year(page: Page, tank: TankAnswer) -> None:
    page.heading("In a year")
    columns = [tank.working, tank.predicted_site, tank.after_reading]
    simulated = tank.simulated
    page.wrap(dead_words(tank), indent=2)
    widths = [25, 15, 13, 14, *([11] if simulated else [])]
    heads = ["where it works", "as predicted", "once measured", *(["simulated"] if simulated else [])]
    page.row(["", *heads], widths)
    rows: list[tuple[str, str, Callable[[float], str]]] = [
        ("chance of an overflow", "overflow_chance", odds_words),
        ("overflows", "overflows", count_words),
        ("water lost, m³", "spilled_m3", _volume),
        ("chance of running dry", "dry_chance", odds_words),
        ("requested while dry, m³", "unmet_m3", _volume),
        ("fillings begun", "starts", count_words),
        ("nuisance stops", "nuisance_stops", count_words),
        ("stopped late, unheard", "watchdog_stops", count_words),
    ]
    risks = [*(c.risk for c in columns), *([simulated] if simulated else [])]
    for name, field, words in rows:
        cells = [words(getattr(risk, field)) for risk in risks]
        page.row([units.label(name), *cells], widths)
    engine = [("engine hours", "engine_h", 1.0)]
    if tank.working.fuel_l is not None:
        litre = units.figure(1.0, "litres")
        engine += [("fuel, litres", "fuel_l", litre), ("  of it for nothing", "fuel_lost_l", litre)]
    for name, field, unit in engine:
        cells = [count_words((getattr(c, field) or 0.0) * unit) for c in columns]
        page.row([units.label(name), *cells, *([""] if simulated else [])], widths)
    page.wrap(month_words(tank), indent=2)
    note = (
        "For lost messages only; what else may fail is not in these figures. Where it works: the mean over"
        " such sites. As predicted: a site at the predicted margin. Once measured: had a"
        " reading on site confirmed the prediction."
    )
    if simulated:
        low, high = (100 * share for share in simulated.overflow_chance_interval)
        note += (
            f" Simulated: {simulated.tank_years} tank-years, seed {simulated.seed}, at sites of every kind,"
            " the dead ones among them; they leave the chance of"
            f" an overflow between {low:.2g} and {high:.2g} % (95 %, Wilson)."
        )
    page.wrap(note, indent=2)


def dead_words(tank: TankAnswer) -> str:
    """The chance that the link does not work at such a site, apart from all rates."""
    return (
        f"Chance that the link works at such a site ({100.0 * tank.accepted_loss:.3g} % of its messages lost"
        f" at most): {share_words(tank.working_chance)}, once measured"
        f" {share_words(tank.working_chance_after_reading)}; that it is dead (more than half lost):"
        f" {odds_words(tank.dead_chance)}, once measured {odds_words(tank.dead_chance_after_reading)}. Where"
        " it is dead no engine is started and the tank runs dry: measure before you build."
    )


def month_words(tank: TankAnswer) -> str:
    year = tank.working
    fuel = "" if year.fuel_l is None else f", {count_words(year.fuel_l / 12.0)} litres of fuel"
    months = 12.0 / year.services if year.services > 0.0 else float("inf")
    due = f"every {months:.1f} months"
    if months >= 11.95:  # common practice, no source: oil ages
        due = "once a year, for its age, not for its hours"
    return (
        f"A month where it works: {count_words(year.risk.starts / 12.0)} engine starts,"
        f" {count_words(year.engine_h / 12.0)} engine hours{fuel}; a service, due each"
        f" {tank.service_interval_h:g} h, {due}."
    )


def _solution(page: Page, tank: TankAnswer) -> None:
    found = tank.solution
    page.heading("What makes it safe")
    page.wrap(
        f"Each alone, relying on messages, for a chance of overflow of"
        f" {odds_words(found.accepted_chance)} a year:",
        indent=2,
    )
    for line in alone_lines(found):
        page.item(line)
    page.wrap("Together, relying on no message:", indent=2)
    page.item(recommended_words(found.recommended))
    page.fact(
        ("A float valve is NEEDED: " if found.float_valve_needed else "Float valve: ")
        + found.float_valve_reason
    )
    page.fact(FLOAT_ALWAYS)


def alone_lines(found: Solution) -> list[str]:
    """Say what each setting would have to be, the others left as planned."""
    level, interval, watchdog = "no level does it", "none does it", "none does it"
    if found.stop_percent is not None:
        level = f"{found.stop_percent:g} % or lower"
    if found.interval_s is not None:
        interval = f"{duration_words(found.interval_s)} or shorter"
    if found.watchdog_s is not None:
        watchdog = _watchdog_words(found.watchdog_s, found.least_watchdog_s)
    return [f"stop level: {level}", f"report interval: {interval}", f"watchdog: {watchdog}"]


def _watchdog_words(longest_s: float, least_s: float | None) -> str:
    """Between what rides over lost reports and what stops in time."""
    if least_s is None:
        return f"{duration_words(longest_s)} or shorter"
    least = f"{duration_words(least_s)} (three report intervals)"
    if longest_s < least_s:
        lost = f"under {least} lost reports stop the engine: report more often"
        return f"{duration_words(longest_s)} or shorter, but {lost}"
    return f"{least} to {duration_words(longest_s)}"


def recommended_words(settings: Settings | None) -> str:
    if settings is None:
        return "no stop level, interval and watchdog keep the overrun inside the tank: a float valve has to"
    return (
        f"stop at {settings.stop_percent:g} %, report every {duration_words(settings.interval_s)}, watchdog"
        f" {duration_words(settings.watchdog_s)}: overrun {volume_words(settings.overrun_bound_m3)} at most,"
        f" {volume_words(settings.freeboard_m3)} free; {count_words(settings.nuisance_stops)} nuisance stops"
        " a year where the link works"
    )

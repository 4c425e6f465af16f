"""The tank of a plan: how far a lost stop overruns, how often it overflows or runs dry, what makes it safe."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from linkcalc.answer import Answer
from linkcalc.errors import PlanError
from linkcalc.operation.channel import FadingChannel, by_site
from linkcalc.operation.limits import shortest_interval_s
from linkcalc.operation.messages import airtimes_s, directions_of, fitting_retries, hops_besides, link_of
from linkcalc.operation.tank.cycle import LostStop, lost_stop
from linkcalc.operation.tank.loop import LEAST_WATCHDOG_INTERVALS, YEAR_S, Daily, FillLoop
from linkcalc.operation.tank.risk import YearRisk, year_risk
from linkcalc.operation.tank.shapes import HorizontalCylinder, LevelTable, Prism, Shape
from linkcalc.operation.tank.simulate import TankYears, simulate
from linkcalc.operation.tank.solve import HIGHEST_STOP_PERCENT, Solution, solve
from linkcalc.plan.model import event_message, reporting_message

if TYPE_CHECKING:
    from linkcalc.link.result import LinkResult
    from linkcalc.plan import Plan
    from linkcalc.plan.control import Message, Tank

CAUTIONS = (
    "A radio link is not a safety function and not an emergency stop. Whatever these figures say, fit an"
    " independent, hard-wired stop for low oil and over-run, and a local float valve or high-level stop at"
    " the tank.",
    "The figures are for lost messages only. A stuck level sensor, a welded relay or a controller that hangs"
    " is not in them: those are what the independent stops are for.",
    "Automatic start, transfer switching and wiring are for licensed people under local codes. The engine may"
    " start without warning.",
)

_LEAST_RUN_S = 1800.0
_MOST_STARTS_PER_H = 6.0
_SHARE_OF_TIME_ON_AIR = 0.01
"""Where no table of limits says it."""

_SHORTEST_INTERVAL_S = 60.0
_NO_REPORTS_S = 30.0 * 86_400.0
"""The longest interval a plan may state: stands for a message that is legal at none."""

_FROM_TANK = ("start_percent", "stop_percent", "overflow_percent", "high_high_percent", "pump_flow_m3_h")
_FROM_ENGINE = ("watchdog_s", "max_run_time_h", "service_interval_h")
_FROM_LOOP = ("start_m3", "stop_m3", "overflow_m3", "freeboard_m3", "stopping_s", "fill_time_s")
"""What an answer states as the plan does, under the same names."""

_MOST_FILLINGS, _MOST_REPORTS = 3_000, 300_000
"""In a year: beyond either the years take too long to play."""


@dataclass(frozen=True)
class Losses:
    """A year, with what it costs in fuel."""

    risk: YearRisk
    fuel_l: float | None
    fuel_lost_l: float | None
    """Burnt for water that spilled and for starts that a nuisance stop made necessary."""
    engine_h: float
    services: float


@dataclass(frozen=True)
class Simulated:
    """The same year played at random many times."""

    tank_years: int
    seed: int
    overflow_chance: float
    overflow_chance_interval: tuple[float, float]
    overflows: float
    spilled_m3: float
    dry_chance: float
    dry_spells: float
    unmet_m3: float
    starts: float
    nuisance_stops: float
    watchdog_stops: float
    """Above the stop level, and by the run timer."""
    largest_overrun_m3: float


@dataclass(frozen=True, eq=False, repr=False)
class TankAnswer(Answer):
    """Everything found about the tank."""

    report: str | None
    link: str
    sender: str
    engine_at: str
    capacity_m3: float
    start_percent: float
    stop_percent: float
    overflow_percent: float
    high_high_percent: float | None
    start_m3: float
    stop_m3: float
    overflow_m3: float
    freeboard_m3: float
    freeboard_m: float
    pump_flow_m3_h: float
    mean_draw_m3_h: float
    interval_s: float | None
    tries: int | None
    watchdog_s: float | None
    max_run_time_h: float | None
    stopping_s: float
    fill_time_s: float
    """From start to stop level, at the mean draw."""
    time_to_overflow_s: float
    """From the stop level, at full pump flow with nothing drawn."""
    time_to_high_high_s: float | None
    time_to_empty_s: float
    """From the start level, at the mean draw."""
    shortest_time_to_empty_s: float
    """From the start level, begun at the worst hour of the day."""
    overrun_bound_m3: float | None
    """Most water after the stop level that lost messages can cause, whatever level the engine was started at;
    None: nothing bounds it."""
    overrun_bound_m: float | None
    """The same as height above the stop level."""
    bounded_by: str
    timer_bound_from_start_m3: float | None
    """What the run timer leaves possible from the start level; None: there is none."""
    bound_fits: bool
    dead_chance: float
    """Chance that such a site loses more than `DEAD_LOSS` of the messages."""
    working_chance: float
    """Chance that no more than `accepted_loss` of the messages are lost there."""
    accepted_loss: float
    working: Losses
    predicted_site: Losses
    averaged: Losses
    """Over all such sites, the dead ones too: right for chances, misleading for rates."""
    after_reading: Losses
    """Had a site reading confirmed the predicted margin: over all sites that it leaves possible."""
    dead_chance_after_reading: float
    working_chance_after_reading: float
    service_interval_h: float
    solution: Solution
    notes: tuple[str, ...]
    drawing: LostStop
    simulated: Simulated | None = None
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def line(self) -> str:
        """One line for the report of a check."""
        return Overrun(self.overrun_bound_m3, self.freeboard_m3).line


@dataclass(frozen=True)
class Overrun:
    """What a lost stop may let through, against what is free above the stop level.

    Examples
    --------
    >>> Overrun(3.0, 2.0).line
    'Tank: LOST STOP OVERFLOWS: 3 m³ for 2 m³ free; see linkcalc tank'
    """

    bound_m3: float | None
    """Most water after the stop level that lost messages can cause; None: nothing bounds it."""
    freeboard_m3: float

    @classmethod
    def of(cls, loop: FillLoop) -> "Overrun":
        return cls(loop.bound_m3 if np.isfinite(loop.bound_m3) else None, loop.freeboard_m3)

    @property
    def fits(self) -> bool:
        """Whether no lost message overflows the tank."""
        return self.bound_m3 is not None and self.bound_m3 <= self.freeboard_m3

    @property
    def line(self) -> str:
        end = "; see linkcalc tank"
        if self.bound_m3 is None:
            return f"Tank: a lost stop is bounded by nothing: fit a watchdog{end}"
        bound, room = (f"{v:.2g}" if v < 9.95 else f"{v:.0f}" for v in (self.bound_m3, self.freeboard_m3))
        if self.fits:
            return f"Tank: lost stop overruns {bound} m³ at most; {room} m³ free{end}"
        return f"Tank: LOST STOP OVERFLOWS: {bound} m³ for {room} m³ free{end}"


def shape_of(tank: "Tank") -> Shape:
    s = tank.shape
    if s.kind == "upright_cylinder":
        return Prism.upright_cylinder(s.diameter_m, s.height_m)
    if s.kind == "rectangular":
        return Prism(s.length_m * s.width_m, s.height_m)
    if s.kind == "horizontal_cylinder":
        return HorizontalCylinder(s.diameter_m, s.length_m)
    return LevelTable(tuple(s.level_m), tuple(s.volume_m3))


def loop_of(plan: "Plan") -> FillLoop:
    """Return the control loop of a plan that has a tank; `PlanError` where it cannot work."""
    tank, engine = plan.tank, plan.engine
    assert tank is not None
    assert engine is not None
    shape = shape_of(tank)
    report = reporting_message(plan)
    delays = _delays_s(plan, report)
    interval = report.interval_s if report is not None and report.interval_s is not None else np.inf
    watchdog = np.inf if engine.watchdog_s is None else engine.watchdog_s
    if report is not None and watchdog < interval + delays[-1]:
        raise PlanError(
            f"engine.watchdog_s = {watchdog:g} is shorter than interval_s of message {report.name!r} with its"
            f" tries, {interval + delays[-1]:.4g} s: the engine would stop though a late try was heard;"
            f" make it {3.0 * interval:g}, three intervals"
        )
    return FillLoop(
        start_m3=shape.volume_at_percent_m3(tank.start_percent),
        stop_m3=shape.volume_at_percent_m3(tank.stop_percent),
        overflow_m3=shape.volume_at_percent_m3(tank.overflow_percent),
        empty_m3=shape.volume_at_percent_m3(tank.outlet_percent),
        pump_m3_s=tank.pump_flow_m3_h / 3600.0,
        draw_m3_s=tuple(d / 3600.0 for d in tank.draws_m3_h),
        report_interval_s=interval,
        report_delays_s=delays,
        stop_delays_s=_delays_s(plan, event_message(plan, "stop")),
        start_delays_s=_delays_s(plan, event_message(plan, "start")),
        watchdog_s=watchdog,
        warm_up_s=engine.warm_up_s,
        stopping_s=engine.stopping_s,
        max_run_s=np.inf if engine.max_run_time_h is None else engine.max_run_time_h * 3600.0,
        state_lasts_s=tank.state_lasts_h * 3600.0,
    )


def _delays_s(plan: "Plan", message: "Message | None") -> tuple[float, ...]:
    """From the moment a message is due to its delivery by each try; empty without a message."""
    if message is None:
        return ()
    retries = fitting_retries(plan, message, plan.message.index(message))
    airtime, _ = airtimes_s(plan, message)
    return tuple(float(s) + airtime for s in retries.mean_starts_s)


def overrun(plan: "Plan", link_results: "Sequence[LinkResult]") -> Overrun | None:
    """Answer no more of a plan's tank than how far a lost stop overruns; None if it has none."""
    return None if plan.tank is None or plan.engine is None else Overrun.of(loop_of(plan))


def section(plan: "Plan", link_results: "Sequence[LinkResult]") -> TankAnswer | None:
    """Answer the tank of a plan; None if it has none."""
    tank, engine = plan.tank, plan.engine
    if tank is None or engine is None:
        return None
    loop, shape = loop_of(plan), shape_of(tank)
    report = reporting_message(plan)
    message = report or event_message(plan, "stop")
    assert message is not None
    there, _ = directions_of(plan, message, link_results)
    channel = FadingChannel.of(there)
    accepted = 1.0 - link_of(plan, message).required_success
    reading = FadingChannel.of(there, after_reading=True)
    risk, measured = year_risk(loop, channel, accepted), year_risk(loop, reading, accepted)
    tries = len(loop.report_delays_s) if loop.reports else len(loop.stop_delays_s)
    sites, sites_measured = by_site(channel, tries, accepted), by_site(reading, tries, accepted)
    legal, legal_note = _legal_interval_s(plan, message, loop)
    # all tries of a report have to fit in before the next is due, with a fifth to spare
    shortest = max(_SHORTEST_INTERVAL_S, legal, 1.2 * (loop.report_delays_s[-1] if loop.reports else 0.0))
    overrun = Overrun.of(loop)
    bound = overrun.bound_m3
    rim_m3, rim_m = shape.capacity_m3, shape.height_m
    stop_m = rim_m * tank.stop_percent / 100.0
    high_high_m3 = (
        None if tank.high_high_percent is None else shape.volume_at_percent_m3(tank.high_high_percent)
    )
    return TankAnswer(
        **{name: getattr(tank, name) for name in _FROM_TANK},
        **{name: getattr(engine, name) for name in _FROM_ENGINE},
        **{name: getattr(loop, name) for name in _FROM_LOOP},
        report=None if report is None else report.name,
        link=message.link,
        sender=there.from_,
        engine_at=there.to,
        capacity_m3=rim_m3,
        freeboard_m=rim_m * (tank.overflow_percent - tank.stop_percent) / 100.0,
        mean_draw_m3_h=loop.mean_draw_m3_s * 3600.0,
        interval_s=loop.report_interval_s if loop.reports else None,
        tries=len(loop.report_delays_s) if loop.reports else None,
        time_to_overflow_s=loop.full_flow_time_s,
        time_to_high_high_s=None if high_high_m3 is None else (high_high_m3 - loop.stop_m3) / loop.pump_m3_s,
        time_to_empty_s=(loop.start_m3 - loop.empty_m3) / loop.mean_draw_m3_s,
        shortest_time_to_empty_s=loop.reserve_s,
        overrun_bound_m3=bound,
        overrun_bound_m=None if bound is None else _height_above_m(shape, loop.stop_m3, bound, stop_m),
        bounded_by="nothing"
        if bound is None
        else ("watchdog" if loop.watchdog_bound_m3 <= loop.timer_bound_m3 else "run timer"),
        timer_bound_from_start_m3=loop.timer_bound_from_start_m3 if np.isfinite(loop.max_run_s) else None,
        bound_fits=overrun.fits,
        dead_chance=sites.dead_chance,
        working_chance=sites.working_chance,
        accepted_loss=accepted,
        working=_losses(plan, loop, risk.working),
        predicted_site=_losses(plan, loop, risk.predicted_site),
        averaged=_losses(plan, loop, risk.averaged),
        after_reading=_losses(plan, loop, measured.averaged),
        dead_chance_after_reading=sites_measured.dead_chance,
        working_chance_after_reading=sites_measured.working_chance,
        solution=solve(loop, shape, channel, tank.overflow_chance_per_year, shortest),
        notes=(*hops_besides(plan, message), *_notes(plan, loop, high_high_m3), *legal_note),
        drawing=lost_stop(loop, shape),
    )


def _legal_interval_s(plan: "Plan", message: "Message", loop: FillLoop) -> tuple[float, list[str]]:
    """Shortest interval between reports that the region's table of limits leaves, and what to say of it."""
    name = f'"{message.name}"'
    legal, why = shortest_interval_s(plan, message.name, message.link)
    if legal is None:
        airtime, _ = airtimes_s(plan, message)
        share = f"reports are kept to {100.0 * _SHARE_OF_TIME_ON_AIR:g} % of the time, which is assumed"
        return airtime * max(len(loop.report_delays_s), 1) / _SHARE_OF_TIME_ON_AIR, [f"{why}: {share}"]
    if not np.isfinite(legal):
        return _NO_REPORTS_S, [why]
    if loop.reports and loop.report_interval_s < legal * (1.0 - 1e-9):
        region = plan.regulation.region
        return legal, [
            f"message {name} every {loop.report_interval_s:g} s is beyond the limits of {region}, which"
            f" leave one every {legal:.4g} s; see linkcalc limits"
        ]
    return legal, []


def _height_above_m(shape: Shape, from_m3: float, more_m3: float, from_m: float) -> float:
    """Height that water added at a level would take, the walls going on above the rim."""
    total, rim = from_m3 + more_m3, shape.capacity_m3
    if total <= rim:
        return float(shape.level_m(total)) - from_m
    return shape.height_m * total / rim - from_m


def _losses(plan: "Plan", loop: FillLoop, risk: YearRisk) -> Losses:
    engine = plan.engine
    assert engine is not None
    # where the pump runs in the cool-down, that time is in the water pumped already
    idle_s = loop.warm_up_s + (0.0 if engine.pump_runs_in_cool_down else engine.cool_down_s)
    running_h = (risk.pumped_m3 / loop.pump_m3_s + risk.starts * idle_s) / 3600.0
    fuel = lost = None
    if engine.fuel_l_per_h is not None:
        again_s = engine.warm_up_s + engine.cool_down_s
        fuel = engine.fuel_l_per_h * running_h
        lost = (
            engine.fuel_l_per_h / 3600.0 * (risk.spilled_m3 / loop.pump_m3_s + risk.nuisance_stops * again_s)
        )
    return Losses(risk, fuel, lost, running_h, running_h / engine.service_interval_h)


def _notes(plan: "Plan", loop: FillLoop, high_high_m3: float | None) -> list[str]:
    tank, engine = plan.tank, plan.engine
    assert tank is not None
    assert engine is not None
    notes = []
    if engine.watchdog_s is None:
        notes.append("no watchdog: if the stop is lost, silence does not stop the engine")
    elif engine.watchdog_s < LEAST_WATCHDOG_INTERVALS * loop.report_interval_s:
        notes.append(
            f"the watchdog rides over {loop.misses_that_trip - 1} lost reports only; three intervals"
            f" ({LEAST_WATCHDOG_INTERVALS * loop.report_interval_s:g} s) or more is common practice"
        )
    if engine.max_run_time_h is None:
        notes.append("no run timer: fit one at the engine, a little longer than the longest filling")
    elif loop.max_run_s < loop.warm_up_s + loop.fill_time_s:
        notes.append(
            f"the run timer ({engine.max_run_time_h:g} h) ends every filling before the stop level is reached"
            f" ({(loop.warm_up_s + loop.fill_time_s) / 3600.0:.1f} h)"
        )
    if tank.stop_percent > HIGHEST_STOP_PERCENT:
        notes.append(
            f"stop_percent = {tank.stop_percent:g} is above the usual 90 to 95 %: the rest is the delay"
            " budget"
        )
    if tank.high_high_percent is None:
        notes.append("no independent float or high-level stop is planned: fit one (high_high_percent)")
    elif high_high_m3 is not None and loop.bound_m3 > high_high_m3 - loop.stop_m3:
        notes.append("a lost stop can reach the independent float: it has to act without the radio")
    if (
        np.isfinite(loop.max_run_s)
        and loop.timer_bound_from_start_m3 <= loop.freeboard_m3 < loop.timer_bound_m3
    ):
        notes.append(
            "the run timer alone keeps the water in only when the engine starts at the start level; started"
            " by hand or again nearer to the stop level it runs over: the bound is from any level"
        )
    if loop.fill_time_s < _LEAST_RUN_S:
        notes.append("a filling is shorter than 30 min, hard on an engine (common practice, no source)")
    starts_per_h = 3600.0 / (
        loop.fill_time_s + (loop.stop_m3 - loop.start_m3) / max(Daily(loop.draw_m3_s).rates.max(), 1e-12)
    )
    if starts_per_h > _MOST_STARTS_PER_H:
        notes.append("more than 6 starts an hour at the largest draw (common practice, no source)")
    if not loop.reports:
        notes.append("the engine relies on single messages: send the level again and again (run_permit)")
    return notes


def simulated(
    plan: "Plan", link_results: "Sequence[LinkResult]", tank_years: int, seed: int = 1
) -> Simulated | None:
    """Play the year of a plan's tank many times; None where that would take too long."""
    report = reporting_message(plan) or event_message(plan, "stop")
    assert report is not None
    there, _ = directions_of(plan, report, link_results)
    loop = loop_of(plan)
    fillings = YEAR_S * loop.mean_draw_m3_s / (loop.stop_m3 - loop.start_m3)
    reports = max(fillings, 1.0) * loop.fill_time_s / (loop.report_interval_s if loop.reports else 3600.0)
    if fillings > _MOST_FILLINGS or reports > _MOST_REPORTS:
        return None
    return summary(simulate(loop, FadingChannel.of(there), tank_years, seed), seed)


def summary(years: TankYears, seed: int) -> Simulated:
    from scipy.stats import binomtest

    n = years.overflows.size
    overflowed, ran_dry = int(np.count_nonzero(years.overflows)), int(np.count_nonzero(years.dry_spells))
    interval = binomtest(overflowed, n).proportion_ci(method="wilson")
    names = ("overflows", "spilled_m3", "dry_spells", "unmet_m3", "starts", "nuisance_stops")
    return Simulated(
        tank_years=n,
        seed=seed,
        overflow_chance=overflowed / n,
        overflow_chance_interval=(float(interval.low), float(interval.high)),
        dry_chance=ran_dry / n,
        watchdog_stops=float((years.watchdog_stops + years.timer_stops).mean()),
        largest_overrun_m3=float(years.largest_overrun_m3.max()),
        **{name: float(getattr(years, name).mean()) for name in names},
    )

"""The tank's year as one would write it first: report after report, one tank-year after another.

It knows nothing of the jumps in `linkcalc.operation.tank.simulate`, and so checks them as well as racing them.
"""

import math
import random
from collections.abc import Callable
from typing import Any

from linkcalc.operation.tank.loop import DAY_S, YEAR_S, FillLoop

NAMES = (
    "overflows",
    "spilled_m3",
    "dry_spells",
    "unmet_m3",
    "starts",
    "stops_heard",
    "watchdog_stops",
    "nuisance_stops",
    "timer_stops",
    "pumped_m3",
)


def plain_years(
    loop: FillLoop,
    site_sigma_db: float,
    conditions_sigma_db: float,
    try_success: Callable[[float], float],
    tank_years: int,
    seed: int = 1,
) -> list[dict[str, float]]:
    """Return the counts of each tank-year, named as the fields of `linkcalc.operation.tank.simulate.TankYears`."""
    rnd = random.Random(seed)
    uniform = rnd.random
    t = loop.report_interval_s
    report_delays, stop_delays, start_delays = loop.report_delays_s, loop.stop_delays_s, loop.start_delays_s
    empty, start, full, over = loop.empty_m3, loop.start_m3, loop.stop_m3, loop.overflow_m3
    pump, watchdog, tail = loop.pump_m3_s, loop.watchdog_s, loop.stopping_s
    rates = loop.draw_m3_s
    draw = rates[0]
    steady = len(rates) == 1
    changes = conditions_sigma_db > 0

    def drawn(begin: float, end: float) -> float:
        if steady:
            return draw * (end - begin)
        return _walked(rates, begin, end=end)[0]

    def time_of(begin: float, flow: float, amount: float) -> float:
        """When `flow` less the draw, or the draw alone for no flow, comes to an amount."""
        if steady:
            return begin + amount / (flow - draw if flow else draw)
        return _walked(rates, begin, flow=flow, amount=amount)[1]

    found = []
    for _ in range(tank_years):
        site = rnd.gauss(0.0, site_sigma_db)
        states = []
        if changes:
            states = [
                try_success(site + rnd.gauss(0.0, conditions_sigma_db))
                for _ in range(math.ceil(YEAR_S / loop.state_lasts_s) + 1)
            ]
        always = try_success(site)

        def heard(
            now: float,
            delays: tuple[float, ...],
            states: list[float] = states,
            always: float = always,
        ) -> float:
            success = states[int(now // loop.state_lasts_s)] if changes else always
            for delay in delays:
                if uniform() < success:
                    return now + delay
            return math.inf

        c = dict.fromkeys(NAMES, 0.0)
        volume = rnd.uniform(start, full)
        now, due = 0.0, t * uniform() if loop.reports else math.inf
        called = -math.inf  # arrival of a start message on its way
        pump_on = stop_at = water_off = timer = -math.inf
        passed = told = spilling = False
        while now < YEAR_S:
            if now >= water_off:
                if volume > start:
                    # Idle: the report says that there is enough, and nobody minds whether it is heard.
                    left = volume - drawn(now, due) if due < math.inf else -math.inf
                    if left > start:
                        volume, now = left, due
                        due += t
                        continue
                    now = time_of(now, 0.0, volume - start)
                    volume, due = start, now + t * uniform() if loop.reports else math.inf
                    called = heard(now, start_delays) if now < YEAR_S else math.inf
                    continue
                # Waiting for a start to be heard.
                until = min(due, called, YEAR_S)
                volume, short = _drain(volume, drawn(now, until), empty)
                c["dry_spells"] += short > 0 and volume + drawn(now, until) - short > empty
                c["unmet_m3"] += short
                now = until
                if now >= YEAR_S:
                    break
                arrival = called if called <= due else heard(now, report_delays)
                if arrival == math.inf or called < arrival:
                    due += t
                    continue
                c["starts"] += 1
                pump_on, timer = arrival + loop.warm_up_s, arrival + loop.max_run_s
                stop_at = min(arrival + watchdog, timer)
                water_off = stop_at + tail
                called, due = math.inf, arrival + t * uniform() if loop.reports else math.inf
                passed = told = spilling = False
                continue
            # The engine runs: up to the next report, the stop level, or the end of the water.
            until = min(due, water_off, YEAR_S)
            if now < pump_on:
                until = min(until, pump_on)
                volume, short = _drain(volume, drawn(now, until), empty)
                c["dry_spells"] += short > 0 and volume + drawn(now, until) - short > empty
                c["unmet_m3"] += short
            else:
                if not passed:
                    at = time_of(now, pump, full - volume)
                    if at <= min(until, stop_at):
                        until, passed = at, True
                volume += pump * (until - now) - drawn(now, until)
                c["pumped_m3"] += pump * (until - now)
                if passed and until < stop_at and stop_delays and not told and abs(volume - full) < 1e-9:
                    arrival = heard(until, stop_delays)
                    if arrival < stop_at:
                        stop_at, told = arrival, True
                        water_off = stop_at + tail
                        c["stops_heard"] += 1
                if volume > over:
                    c["spilled_m3"] += volume - over
                    c["overflows"] += not spilling
                    volume, spilling = over, True
            now = until
            if now >= YEAR_S:
                break
            if now == due:
                if passed or (now <= stop_at and not told):
                    arrival = heard(now, report_delays)
                    if arrival <= stop_at:
                        if passed:
                            c["stops_heard"] += not told
                            stop_at, told = arrival, True
                        else:
                            stop_at = min(arrival + watchdog, timer)
                        water_off = stop_at + tail
                due += t
            if now >= water_off:
                if not told:
                    if stop_at >= timer:
                        c["timer_stops"] += 1
                    else:
                        c["watchdog_stops" if passed else "nuisance_stops"] += 1
                if volume <= start:
                    due = now + t * uniform() if loop.reports else math.inf
                    called = heard(now, start_delays)
        found.append(c)
    return found


def _drain(volume: float, wanted: float, empty: float) -> tuple[float, float]:
    left = volume - wanted
    return (left, 0.0) if left >= empty else (empty, empty - left)


def _walked(
    rates: Any, begin: float, *, end: float = math.inf, flow: float = 0.0, amount: float = math.inf
) -> tuple[float, float]:
    """Walk the hours of the day: drawn until `end`, or the time when flow and draw come to `amount`."""
    part = DAY_S / len(rates)
    total, now, sign = 0.0, begin, -1.0 if flow else 1.0
    while True:
        index = math.floor(now / part + 1e-12)
        edge = min((index + 1) * part, end)
        rate = flow + sign * rates[index % len(rates)]
        if total + rate * (edge - now) >= amount:
            return total, now + (amount - total) / rate
        total += rate * (edge - now)
        now = edge
        if now >= end:
            return total, now

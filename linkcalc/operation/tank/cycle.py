"""One filling whose stop is lost: what the level does until the watchdog ends it."""

from dataclasses import dataclass

import numpy as np

from linkcalc.operation.tank.loop import FillLoop
from linkcalc.operation.tank.shapes import Shape

_MOST_MARKS = 1000
"""Reports shown on either side of the stop level being passed."""


@dataclass(frozen=True)
class LostStop:
    """Times in seconds from the stop level being passed, levels in percent of the height.

    The last permit is sent just before that moment and heard at once, the worst case but for a late try;
    nothing is heard afterwards.
    """

    time_s: tuple[float, ...]
    level_percent: tuple[float, ...]
    pump_on_s: float
    permits_s: tuple[float, ...]
    lost_s: tuple[float, ...]
    """The first tries of stop message and reports that nobody hears."""
    decided_s: float
    """The engine is told to stop; inf: nothing tells it."""
    water_off_s: float
    ended_by: str
    peak_percent: float
    overflows_s: float | None
    bound_percent: float | None
    """Level that the overrun bound reaches, not cut at overflow; None: there is no bound."""


def lost_stop(loop: FillLoop, shape: Shape) -> LostStop:
    """Follow the water from the start level through a filling whose stop is lost, and down again."""
    draw, net = loop.mean_draw_m3_s, loop.pump_m3_s - loop.mean_draw_m3_s
    # past the stop level nobody may count on more than the least that is drawn
    rise = loop.pump_m3_s - min(loop.draw_m3_s)
    pump_on = -loop.fill_time_s
    start = pump_on - loop.warm_up_s
    timer = start + loop.max_run_s
    t = loop.report_interval_s
    permits = np.arange(0.0, max(start, -_MOST_MARKS * t), -t)[::-1] if loop.reports else np.zeros(0)
    heard = (permits[-1] if permits.size else start) + (loop.report_delays_s[0] if loop.reports else 0.0)
    watchdog = heard + loop.watchdog_s
    decided = min(watchdog, timer)
    ended_by = "nothing" if not np.isfinite(decided) else "watchdog" if watchdog <= timer else "run timer"
    overflow_at = loop.freeboard_m3 / rise
    water_off = decided + loop.stopping_s
    shown_until = water_off if np.isfinite(water_off) else max(2.0 * overflow_at, 3600.0)
    shown_until = max(shown_until, pump_on)  # a timer may end it before the pump runs
    past = rise if shown_until > 0.0 else net  # a timer may end it before
    peak = min(loop.stop_m3 + past * shown_until, loop.overflow_m3)
    down = (peak - loop.start_m3) / draw if np.isfinite(water_off) else 0.0
    time = np.unique(
        np.concatenate(
            (
                [start, pump_on, 0.0, shown_until],
                [min(overflow_at, shown_until)],
                np.linspace(pump_on, shown_until, 200),
                np.linspace(shown_until, shown_until + down, 200),
            )
        )
    )
    pumping = np.minimum(time, shown_until)
    filled = (
        loop.start_m3
        + net * np.clip(np.minimum(pumping, 0.0) - pump_on, 0.0, None)
        + rise * np.maximum(pumping, 0.0)
    )
    volume = np.minimum(filled, loop.overflow_m3) - draw * np.clip(time - shown_until, 0.0, None)
    lost = [*loop.stop_delays_s]
    if loop.reports:
        # the last permit left just before the level was passed: the next report is a whole interval away
        due = np.arange(t, min(shown_until, decided, _MOST_MARKS * t), t)
        lost += [float(d + delay) for d in due for delay in loop.report_delays_s]
    bound = loop.bound_m3
    rim = shape.capacity_m3
    bound_percent = None
    if np.isfinite(bound):
        level = loop.stop_m3 + bound
        at = float(shape.percent(min(level, rim)))
        # Above the rim there is no shape: what spills is shown as if the walls went on.
        bound_percent = at + 100.0 * max(level - rim, 0.0) / rim
    return LostStop(
        time_s=tuple(time.tolist()),
        level_percent=tuple(np.asarray(shape.percent(np.maximum(volume, 0.0))).tolist()),
        pump_on_s=pump_on,
        permits_s=tuple((permits + (loop.report_delays_s[0] if loop.reports else 0.0)).tolist()),
        lost_s=tuple(sorted(float(x) for x in lost)),
        decided_s=float(decided),
        water_off_s=float(water_off),
        ended_by=ended_by,
        peak_percent=float(shape.percent(peak)),
        overflows_s=float(overflow_at) if overflow_at < shown_until else None,
        bound_percent=bound_percent,
    )

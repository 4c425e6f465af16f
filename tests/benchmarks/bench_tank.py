"""Simulated tank-years against a plain loop over their reports, one an hour.

Both play the same control loop with the same chances; `tests/test_tank.py` holds them to the same figures.
The loop is given a few years, the simulation ten thousand, and the cost of one year is compared.
"""

from linkcalc.operation.channel import FadingChannel
from linkcalc.operation.tank.loop import FillLoop
from linkcalc.operation.tank.simulate import simulate
from tests.benchmarks.measure import Row, side_by_side
from tests.benchmarks.plain_tank import plain_years

BAR = 50.0
TANK_YEARS = 10_000
_PLAIN_YEARS = 20


def rows() -> list[Row]:
    """Time both, with a steady link and with one that changes from day to day."""
    return [_row("a steady link", 10.0, 0.0, 0.0), _row("a link that changes daily", 12.0, 6.0, 6.0)]


def _row(name: str, margin_db: float, site_sigma_db: float, conditions_sigma_db: float) -> Row:
    loop = FillLoop(
        start_m3=16.0,
        stop_m3=36.0,
        overflow_m3=40.0,
        pump_m3_s=5.0 / 3600.0,
        draw_m3_s=(0.4 / 3600.0,),
        report_interval_s=3600.0,
        report_delays_s=(1.0, 31.0),
        watchdog_s=3.0 * 3600.0,
        warm_up_s=60.0,
        stopping_s=10.0,
        max_run_s=12.0 * 3600.0,
    )
    channel = FadingChannel(margin_db, site_sigma_db, conditions_sigma_db)
    successes: dict[float, float] = {}

    def success(slow_db: float) -> float:
        # Looked up to a tenth of a decibel, so that the loop is not charged for the fading's formula.
        key = round(slow_db, 1)
        if key not in successes:
            successes[key] = float(channel.try_success(key))
        return successes[key]

    times = side_by_side(
        {
            "plain": lambda: plain_years(loop, site_sigma_db, conditions_sigma_db, success, _PLAIN_YEARS),
            "at once": lambda: simulate(loop, channel, TANK_YEARS),
        },
        repeats=5,
    )
    ratio = (times["plain"] / _PLAIN_YEARS) / (times["at once"] / TANK_YEARS)
    return Row(
        f"tank-years, {name}",
        ratio,
        BAR,
        ">=",
        f"{TANK_YEARS} tank-years of hourly reports in {times['at once']:.2f} s against a plain loop",
    )

"""A year of fillings in closed form: what is to be expected of lost reports, overflow, a tank run dry, and starts.

Sums and integrals over lost reports (`filling`), the wait for a start (`waiting`) and slow states of the
link; derived in docs/models/tank_risk.md. The slow state of a filling's start either lasts until the stop level or
has given way to another by then; that one lasts while the stop is sent, which is the cautious side. What is fixed
about the site is the same all year. While the start is waited for, one state follows another.
`linkcalc.operation.tank.simulate` plays the same model event by event, without these short cuts.
"""

from dataclasses import dataclass

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.operation.channel import WORKING_LOSS, normal_points
from linkcalc.operation.tank.filling import Filling, held_s
from linkcalc.operation.tank.loop import YEAR_S, FillLoop
from linkcalc.operation.tank.simulate import Channel
from linkcalc.operation.tank.waiting import Waiting, up_to_the_first

_SITE_Z = np.linspace(-6.0, 6.0, 61)
_CONDITIONS_Z = np.linspace(-5.0, 5.0, 31)
_GRID = 241
"""Points of slow deviation at which the sums are worked out; between them they are interpolated."""


@dataclass(frozen=True)
class YearRisk:
    """Expectations of one year; chances run from 0 to 1."""

    overflow_chance: float
    """Of one overflow or more in the year."""
    overflows: float
    spilled_m3: float
    dry_chance: float
    """Of the tank running dry once or more in the year."""
    unmet_m3: float
    """Water asked for while the tank is empty."""
    starts: float
    nuisance_stops: float
    """The watchdog stops the engine below the stop level."""
    watchdog_stops: float
    """The watchdog or the run timer, and no message, stops the engine above the stop level."""
    pumped_m3: float


@dataclass(frozen=True)
class TankRisk:
    """The year for a site as predicted, and for what is not known about the site.

    Whether the link works at a site is one question (`channel.by_site`), how often something happens where
    it does another: a mean over both would turn the chance of a dead site into a rate.
    """

    predicted_site: YearRisk
    averaged: YearRisk
    """Over all such sites: right for chances, misleading for rates."""
    working: YearRisk
    """The year at the sites where it works; of the site as predicted where there are none."""


def year_risk(loop: FillLoop, channel: Channel, accepted_loss: float = WORKING_LOSS) -> TankRisk:
    """Work out what a year of fillings brings.

    A site that loses no more than `accepted_loss` of its messages works. With a draw that changes over the
    day, the smallest is used for the time to overflow and the largest stretch for the time to empty: the
    cautious side. Chances count fillings as independent given the site.

    A stop message alone, 5 % of single tries lost, three tries: about one stop in 8000 is lost.

    >>> from linkcalc.operation.channel import FadingChannel
    >>> loop = FillLoop(start_m3=16, stop_m3=36, overflow_m3=40, pump_m3_s=5 / 3600,
    ...                 draw_m3_s=(0.5 / 3600,), stop_delays_s=(1.0, 11.0, 31.0), start_delays_s=(1.0,) * 9,
    ...                 max_run_s=8 * 3600.0)
    >>> risk = year_risk(loop, FadingChannel(-10 * np.log10(-np.log(0.95)))).averaged
    >>> round(risk.overflows / risk.starts, 6)
    0.000125
    """
    site, conditions = channel.site_sigma_db, channel.conditions_sigma_db
    spread = float(np.hypot(site, conditions))
    grid = spread * np.linspace(-8.0, 8.0, _GRID) if spread > 0 else np.zeros(1)
    filling = Filling(loop, np.clip(channel.try_success(grid), 0.0, 1.0))
    states = _States(grid, *normal_points(_CONDITIONS_Z, conditions))
    predicted = _year(filling, states, np.zeros(1))
    as_predicted = _mean(predicted, np.ones(1))
    sites, share = normal_points(_SITE_Z, site)
    years = _year(filling, states, sites) if site > 0 else predicted
    tries = filling.tries or len(loop.start_delays_s)
    lost = np.exp(states.at(filling.log_lost, sites) * tries) @ states.weight
    works = lost <= accepted_loss
    return TankRisk(
        predicted_site=as_predicted,
        averaged=_mean(years, share),
        working=_mean(years, np.where(works, share, 0.0) / share[works].sum())
        if works.any()
        else as_predicted,
    )


@dataclass(frozen=True)
class _States:
    """The slow states of a year at any site."""

    grid: Floats
    """(n,) slow deviations for which the sums are worked out, dB."""
    deviation: Floats
    """(m,) of a state from its site, dB."""
    weight: Floats
    """(m,) share of the year."""

    def at(self, values: Floats, sites: Floats) -> Floats:
        """Values on the grid in every state of each site: (sites, m)."""
        slow = sites[:, np.newaxis] + self.deviation
        if self.grid.size == 1:
            return np.broadcast_to(values, slow.shape)
        return np.interp(slow, self.grid, values)


def _mean(years: dict[str, Floats], share: Floats) -> YearRisk:
    mean = {name: float(values @ share) for name, values in years.items()}
    return YearRisk(**{k: min(v, 1.0) if k.endswith("chance") else v for k, v in mean.items()})


def _year(filling: Filling, states: _States, sites: Floats) -> dict[str, Floats]:
    """Expectations of a year for each of `sites`."""
    loop = filling.loop
    pump, draw = loop.pump_m3_s, loop.mean_draw_m3_s

    def at(values: Floats) -> Floats:
        return states.at(values, sites)

    waiting = Waiting(loop, at(filling.log_lost), states.weight)
    completed = at(filling.completed)
    share = _shares_of_starts(filling, states, sites, waiting)

    def per_start(values: Floats) -> Floats:
        return np.asarray((share * values).sum(axis=1))

    stops = _stops_per_start(filling, states, sites, share)

    def at_stop(values: Floats) -> Floats:
        return np.asarray((stops * values).sum(axis=1))

    # One filling. An engine that runs on into another state runs, on average, as long as a start is waited for: the
    # message that would stop it is as hard to hear.
    runs_on_s = np.minimum(waiting.residual_s, min(filling.longest_s - held_s(loop), YEAR_S / 2.0))
    tail = runs_on_s[:, np.newaxis] * at(filling.beyond)
    overrun_s = at_stop(at(filling.overrun_s) + tail)
    spilled = (pump - draw) * at_stop(at(filling.spilled_s) + tail)
    late = at_stop(at(filling.late))
    # What was drawn below the start level while a start was waited for is pumped back first, as far as the
    # run timer lets.
    refill_s = np.minimum(waiting.fall_s * draw / (pump - draw), max(filling.left_s, 0.0))
    pumping_s = (
        per_start(at(filling.pumping_s)) + refill_s * per_start(completed) + overrun_s + loop.stopping_s
    )
    # The year. Over a cycle, what is pumped and not spilled is what is drawn while the tank is not empty.
    cycle_s = (pump * pumping_s - spilled) / draw + waiting.dry_s
    starts = YEAR_S / cycle_s
    # as many fillings as the year would hold, were the tank never to wait while empty
    fillings = YEAR_S / (cycle_s - waiting.dry_s)
    dry_chance = -np.expm1(fillings * np.log1p(-np.minimum(waiting.dry, 1.0 - 1e-16)))
    overflow_chance = -np.expm1(-starts * late)
    if not loop.reports:  # nothing follows a start message that is lost: the year ends with it, unfilled
        starts = waiting.starts_up_to_the_first(1.0 - waiting.hears_in_a_state, fillings)
        # An overflow is as likely in every state: were they known to come together, fewer years would have one.
        ended = 1.0 - waiting.hears_in_a_state * (1.0 - late[:, np.newaxis])
        overflow_chance = late * waiting.starts_up_to_the_first(ended, fillings)
    pumped = starts * pumping_s * pump
    return {
        "overflow_chance": overflow_chance,
        "overflows": starts * late,
        "spilled_m3": starts * spilled,
        "dry_chance": dry_chance,
        "unmet_m3": np.maximum(YEAR_S * draw - (pumped - starts * spilled), 0.0),
        "starts": starts,
        "nuisance_stops": starts * per_start(1.0 - completed),
        "watchdog_stops": starts * at_stop(at(filling.unheard)),
        "pumped_m3": pumped,
    }


def _shares_of_starts(filling: Filling, states: _States, sites: Floats, waiting: Waiting) -> Floats:
    """Share of a site's fillings that begin in each state: rather in a good one, where a start is heard.

    One that the watchdog cuts short is soon begun again, in the same state while that lasts. Without reports
    the first start that is lost ends the year.
    """
    loop, lasts_s = filling.loop, held_s(filling.loop)
    drawn_per_pumped = loop.pump_m3_s / loop.mean_draw_m3_s
    if loop.reports:
        completed = states.at(filling.completed, sites)
        cut_short = np.clip(1.0 - completed, 1e-9, 1.0 - 1e-9)
        # from one start to the next: the water of a filling cut short is drawn, then a start is heard
        short_s = (
            np.maximum(states.at(filling.pumping_s, sites) - completed * filling.goal_s, 0.0) / cut_short
        )
        short_s = short_s * drawn_per_pumped + waiting.first_s
        # mean number of starts in a row, of as many as what is left of the state holds: a geometric sum
        again = -np.expm1((1.0 + 0.5 * lasts_s / short_s) * np.log(cut_short)) / (1.0 - cut_short)
        # and of such rows, each with a filling to its goal, as many as the whole state holds
        row_s = filling.goal_s * drawn_per_pumped + (again - 1.0) * short_s
        again = again * np.maximum(lasts_s / row_s, 1.0)
    else:
        again = up_to_the_first(1.0 - waiting.hears_in_a_state, waiting.fillings_in_a_state)
    share = states.weight * waiting.hears_in_a_state * again
    total = share.sum(axis=1, keepdims=True)
    # a site at which no start is ever heard has no such shares: those of the year stand in
    return np.where(total > 1e-300, share / np.where(total > 1e-300, total, 1.0), states.weight)


def _stops_per_start(filling: Filling, states: _States, sites: Floats, share: Floats) -> Floats:
    """Chance that a filling passes the stop level, in each state: that of its start, or a later one."""
    loop, lasts_s = filling.loop, held_s(filling.loop)
    completed = share * states.at(filling.completed, sites)
    if states.weight.size == 1:
        return completed
    lengths = (loop.fill_time_s + loop.warm_up_s) / lasts_s
    same = max(1.0 - lengths, 0.0)
    # Of its first state and its last a filling takes some part, each as likely: the watchdog lets it run on through
    # that with the mean of the chance over the state. Of the whole states between, which are at least so many, with
    # less than that mean.
    running = np.minimum(states.at(filling.pumping_s, sites) / max(min(lasts_s, filling.goal_s), 1e-9), 1.0)
    first = (share * running).sum(axis=1, keepdims=True)
    between = (running @ states.weight)[:, np.newaxis] ** max(lengths - 2.0, 0.0)
    later: Floats = first * between * states.weight * running
    return same * completed + (1.0 - same) * later

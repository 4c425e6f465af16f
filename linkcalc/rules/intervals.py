"""How often a rule lets one send: the shortest interval, by each way in which rules limit the time on the air."""

import math
from collections.abc import Callable
from dataclasses import replace

from linkcalc.rules.table import Rule
from linkcalc.rules.transmission import HOUR_S, Transmission


def duty_share(rule: Rule, t: Transmission) -> float:
    own = rule.access_point_duty_cycle if t.access_point else None
    share = rule.duty_cycle if own is None else own
    assert share is not None
    return share


def may_listen(rule: Rule) -> bool:
    return rule.listen_before_talk == "instead_of_duty"


def slice_share(rule: Rule, t: Transmission) -> float:
    """Share of the transmissions that falls into the busiest slice of spectrum.

    A signal is on the air in all slices it occupies. Hopping channels are taken to lie one to a slice, or as
    evenly over the band as there are slices for.
    """
    assert rule.polite_per_khz is not None
    slices_each = math.ceil(t.bandwidth_hz / 1e3 / rule.polite_per_khz - 1e-9)
    places = max(
        math.floor((rule.high_mhz - rule.low_mhz) * 1e3 / rule.polite_per_khz / slices_each + 1e-9), 1
    )
    return math.ceil(t.hopping_channels / places) / t.hopping_channels


def others_in_slice_s(rule: Rule, t: Transmission) -> float:
    """Seconds an hour of the other messages that may share a slice with this one."""
    assert rule.polite_per_khz is not None
    if t.hopping_channels > 1:
        return others_s(rule, t) * slice_share(rule, t)
    reach = t.bandwidth_hz + rule.polite_per_khz * 1e3
    near = [o for o in t.other_traffic if abs(o.frequency_hz - t.frequency_hz) < reach]
    return others_s(rule, replace(t, other_traffic=tuple(near)))


def pause_s(rule: Rule, t: Transmission) -> float:
    return max(rule.pause_s or 0.0, (rule.pause_per_burst or 0.0) * t.time_on_air_s)


def interval_by_rule(rule: Rule, t: Transmission) -> float | None:
    """Shortest interval of the rule; the message's own time where it sets none; None: never."""
    ways = [way(rule, t) for way in _INTERVALS]
    known = [way for way in ways if way is not None]
    return max(known) if len(known) == len(ways) else None


def interval_by_time_on_air(rule: Rule, t: Transmission) -> float | None:
    if rule.duty_cycle is None:
        return t.message_time_s
    ways = [_every(duty_share(rule, t) * HOUR_S - others_s(rule, t), t)]
    if t.listen_before_talk and may_listen(rule):
        ways.append(_interval_by_listening(rule, t))
    return min((way for way in ways if way is not None), default=None)


def _interval_by_listening(rule: Rule, t: Transmission) -> float | None:
    if rule.polite_s_per_hour is None:
        return None
    assert rule.polite_burst_s is not None
    assert rule.polite_pause_s is not None
    bursts = math.floor((rule.polite_s_per_hour - others_in_slice_s(rule, t)) / t.time_on_air_s + 1e-9)
    messages = math.floor(bursts / slice_share(rule, t) / t.tries + 1e-9)
    apart = _interval_apart((rule.polite_pause_s + t.time_on_air_s) / t.hopping_channels, t)
    if messages < 1 or apart is None or t.time_on_air_s > rule.polite_burst_s + 1e-9:
        return None
    return max(HOUR_S / messages, apart)


def interval_by_channel_hour(rule: Rule, t: Transmission) -> float | None:
    if rule.channel_s_per_hour is None:
        return t.message_time_s
    left_s = rule.channel_s_per_hour - others_s(rule, t) / t.hopping_channels
    messages = math.floor(left_s / t.time_on_air_s + 1e-9) * t.hopping_channels // t.tries
    return max(HOUR_S / messages, t.message_time_s) if messages > 0 else None


def _interval_by_pause(rule: Rule, t: Transmission) -> float | None:
    after, returns = pause_s(rule, t), rule.channel_return_s or 0.0
    apart = max(
        after + t.time_on_air_s if after else 0.0,
        (returns + t.time_on_air_s) / t.hopping_channels if returns else 0.0,
    )
    return _interval_apart(apart, t)


def _interval_apart(apart_s: float, t: Transmission) -> float | None:
    """Shortest interval that starts transmissions that far apart; None where the tries are closer."""
    if t.tries > 1 and t.retry_wait_s is not None and t.retry_wait_s < apart_s - 1e-9:
        return None
    return max(apart_s * t.tries, t.message_time_s)


def _every(left_s: float, t: Transmission) -> float | None:
    """Interval of whole messages that fill what is left of an hour; None: not even one fits."""
    messages = math.floor(left_s / t.message_time_s + 1e-9)
    return max(HOUR_S / messages, t.message_time_s) if messages > 0 else None


def others_s(rule: Rule, t: Transmission) -> float:
    """Seconds an hour of the transmitter's other messages in the rule's band."""
    low, high = rule.low_mhz * 1e6, rule.high_mhz * 1e6
    return sum(o.time_on_air_per_hour_s for o in t.other_traffic if low <= o.frequency_hz <= high)


def interval_by_dwell(rule: Rule, t: Transmission) -> float | None:
    if rule.dwell_s is None:
        return t.message_time_s
    uses = math.floor(rule.dwell_s / t.time_on_air_s + 1e-9)
    if not uses:
        return None
    window = dwell_window_s(rule, t)
    if window is None:
        return t.message_time_s
    return max(window * t.tries / (t.hopping_channels * uses), t.message_time_s)


_INTERVALS: tuple[Callable[[Rule, Transmission], float | None], ...] = (
    interval_by_time_on_air,
    interval_by_channel_hour,
    interval_by_dwell,
    _interval_by_pause,
)


def dwell_window_s(rule: Rule, t: Transmission) -> float | None:
    if rule.dwell_window_s_per_channel is not None:
        return rule.dwell_window_s_per_channel * t.hopping_channels
    return rule.dwell_window_s

"""What a rule says of a transmission, one limited quantity after the other: value, limit, and what would keep it; and
how often it lets one send, by each way in which rules limit the time on the air."""

import math
from collections.abc import Callable, Iterable
from dataclasses import replace

from linkcalc.rules.found import POWER_ROUNDING_DB, Finding, Quantity
from linkcalc.rules.table import Rule
from linkcalc.rules.transmission import HERTZ, HOUR_S, Transmission, occupied_hz


def _band(rule: Rule, t: Transmission) -> Iterable[Finding]:
    low, high = occupied_hz(t)
    if rule.barred:
        out_khz = min(high - rule.low_mhz * 1e6, rule.high_mhz * 1e6 - low) / 1e3
        text = f"{rule.low_mhz:g}-{rule.high_mhz:g} MHz is {rule.barred}"
        yield Finding("band", "over", text, out_khz, "kHz", "move the carrier")
        return
    outside_hz = max(rule.low_mhz * 1e6 - low, high - rule.high_mhz * 1e6, 0.0)
    gaps_hz = [min(high, g * 1e6) - max(low, f * 1e6) for f, g in rule.excluded_mhz]
    beyond_hz = max([outside_hz, *gaps_hz])
    if beyond_hz < HERTZ:
        yield Finding("band", "within", "the occupied band lies inside")
        return
    beyond = f"leaves the allowed band by {_amount(beyond_hz / 1e3)} kHz"
    text = f"the occupied band {low / 1e6:.4f}-{high / 1e6:.4f} MHz {beyond}"
    yield Finding("band", "over", text, beyond_hz / 1e3, "kHz", "move the carrier or narrow the signal")


def _power(rule: Rule, t: Transmission) -> Iterable[Finding]:
    for name, value, limit in (
        ("conducted power", t.conducted_power_dbm, _conducted_limit_dbm(rule, t)),
        ("ERP", t.erp_dbm, _dbm(rule.max_erp_mw)),
        ("EIRP", t.eirp_dbm, _dbm(rule.max_eirp_mw)),
    ):
        if limit is not None:
            yield _level("power", f"{name} {value:.1f} dBm", value, limit)


def _density(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.density_dbm is None or not _density_applies(rule, t):
        return
    assert rule.density_reference_khz is not None
    assert rule.density_kind is not None
    value = t.density_dbm(rule.density_reference_khz * 1e3, rule.density_kind)
    where = f"in {rule.density_reference_khz:g} kHz if flat"
    kind = f"{'peak ' if rule.density_peak else ''}{_KIND_WORDS[rule.density_kind]}"
    name = f"{kind} density {value:.1f} dBm {where}"
    yield _level("density", name, value, rule.density_dbm)


def _time_on_air(rule: Rule, t: Transmission) -> Iterable[Finding]:
    """The duty cycle or, where the rule lets whoever listens first leave it, what it asks of those."""
    if rule.duty_cycle is None:
        return
    by_share = _duty_cycle(rule, t)
    # either way is legal: within the duty cycle nobody needs to listen
    if by_share.status == "within" or not (t.listen_before_talk and may_listen(rule)):
        yield by_share
        return
    polite = tuple(_polite(rule, t))
    telling = [f.text for f in polite if f.status == "over"]
    if telling:
        yield replace(by_share, text=f"{by_share.text}; listening first: {'; '.join(telling)}")
    elif by_share.status == "over" and any(f.status == "unknown" for f in polite):
        yield next(f for f in polite if f.status == "unknown")
    else:
        yield from polite if all(f.status == "within" for f in polite) else (by_share,)


def _duty_cycle(rule: Rule, t: Transmission) -> Finding:
    allowed = _duty_share(rule, t) * HOUR_S
    own, others = t.time_on_air_per_hour_s, _others_s(rule, t)
    # without an interval one message is sent at least: where that is too much, it is over for certain
    if own is None and others + t.message_time_s <= allowed + 1e-9:
        return Finding("duty", "unknown", f"no reporting interval stated; {allowed:g} s per hour are allowed")
    used = others + (t.message_time_s if own is None else own)
    text = f"{_amount(used)} s on the air in an hour, limit {allowed:g} s"
    if others:
        text += f" ({_amount(others)} s of it for other messages)"
    shorter = "shorten the message" + (" and send the others less often" if others else "")
    found = _time("duty", text, used - allowed, _interval_by_time_on_air(rule, t), shorter)
    if found.status == "over" and may_listen(rule) and not t.listen_before_talk:
        listening = _polite(rule, replace(t, listen_before_talk=True))
        if all(f.status == "within" for f in listening):
            return replace(found, remedy=f"{found.remedy}, or listen before talk")
    return found


def _polite(rule: Rule, t: Transmission) -> Iterable[Finding]:
    """What is asked of those who listen first: short bursts, pauses, a sum in each slice of spectrum."""
    if rule.polite_s_per_hour is None:
        yield Finding(
            "duty",
            "unknown",
            "listening first replaces the duty cycle, but what limits it is not in the table",
        )
        return
    assert rule.polite_burst_s is not None
    assert rule.polite_pause_s is not None
    if t.time_on_air_s > rule.polite_burst_s + 1e-9:
        limit = f"limit {rule.polite_burst_s:g} s"
        yield Finding("duty", "over", f"{_amount(t.time_on_air_s)} s a transmission, {limit}")
    between = t.between_starts_s
    if between is None:
        yield Finding("duty", "unknown", "no reporting interval stated")
        return
    pause = between * t.hopping_channels - t.time_on_air_s
    if pause < rule.polite_pause_s - 1e-9:
        yield Finding("duty", "over", f"a pause of {_amount(pause)} s, at least {rule.polite_pause_s:g} s")
    assert t.messages_per_hour is not None
    bursts = t.messages_per_hour * t.tries
    used = math.ceil(bursts * _slice_share(rule, t) - 1e-9) * t.time_on_air_s + _others_in_slice_s(rule, t)
    text = f"{_amount(used)} s an hour in {rule.polite_per_khz:g} kHz, limit {rule.polite_s_per_hour:g} s"
    over = used > rule.polite_s_per_hour + 1e-9
    yield Finding("duty", "over" if over else "within", f"listens first: {text}" if not over else text)


def _channel_hour(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.channel_s_per_hour is None or t.messages_per_hour is None:
        return
    used = math.ceil(t.messages_per_hour * t.tries / t.hopping_channels) * t.time_on_air_s
    used += _others_s(rule, t) / t.hopping_channels
    text = f"{_amount(used)} s an hour on each channel, limit {rule.channel_s_per_hour:g} s"
    interval = _interval_by_channel_hour(rule, t)
    yield _time("duty", text, used - rule.channel_s_per_hour, interval, "shorten the message")


def _listen(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.listen_before_talk != "required":
        return
    if t.listen_before_talk:
        yield Finding("listen", "within", "listens before talk")
    else:
        yield Finding("listen", "over", "listening before talk is required", remedy="listen before talk")


def _dwell(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.dwell_s is None:
        return
    window = _dwell_window_s(rule, t)
    limit = f"limit {rule.dwell_s:g} s" + ("" if window is None else f" in {window:g} s")
    if t.time_on_air_s > rule.dwell_s + 1e-9 or window is None:
        used = t.time_on_air_s
    elif t.interval_s is None:
        yield Finding("dwell", "unknown", f"no reporting interval stated; on one channel: {limit}")
        return
    else:
        # equal use: a channel returns after all others, whichever message is being sent
        between_s = t.hopping_channels * t.interval_s / t.tries
        used = t.time_on_air_s * math.ceil(window / between_s - 1e-9)
    text = f"{_amount(used)} s on one channel, {limit}"
    shorter = "shorten the message or use a lower spreading factor"
    yield _time("dwell", text, used - rule.dwell_s, _interval_by_dwell(rule, t), shorter)


def _pause(rule: Rule, t: Transmission) -> Iterable[Finding]:
    for least, channels, where in (
        (_pause_s(rule, t), 1, "between transmissions"),
        (rule.channel_return_s or 0.0, t.hopping_channels, "before a channel is used again"),
    ):
        if not least:
            continue
        limit = f"at least {_amount(least)} s"
        if t.between_starts_s is None:
            yield Finding("pause", "unknown", f"no reporting interval stated; pause {where}: {limit}")
            continue
        pause = t.between_starts_s * channels - t.time_on_air_s
        text = f"a pause of {_amount(pause)} s {where}, {limit}"
        if pause >= least - 1e-9:
            yield Finding("pause", "within", text)
            continue
        apart = _seconds_up((least + t.time_on_air_s) / channels)
        what = "tries" if t.tries > 1 else "messages"
        yield Finding("pause", "over", text, least - pause, "s", f"start {what} {apart} s apart or more")


def _channels(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.min_channels is None:
        return
    count = "a fixed channel" if t.hopping_channels == 1 else f"{t.hopping_channels} hopping channels"
    if t.hopping_channels < rule.min_channels:
        text, short = f"{count}, at least {rule.min_channels} needed", rule.min_channels - t.hopping_channels
        remedy = f"hop over at least {rule.min_channels} channels"
        yield Finding("channels", "over", text, float(short), "channels", remedy)
        return
    # channels that overlap are not as many as they are counted
    room_khz = (rule.high_mhz - rule.low_mhz - sum(high - low for low, high in rule.excluded_mhz)) * 1e3
    most = math.floor(room_khz / (t.bandwidth_hz / 1e3) + 1e-9)
    if t.hopping_channels > most >= 1:
        text = f"{count} of {t.bandwidth_hz / 1e3:g} kHz do not fit into {room_khz / 1e3:g} MHz"
        remedy = f"hop over {most} channels" if most >= rule.min_channels else "use narrower channels"
        yield Finding("channels", "over", text, float(t.hopping_channels - most), "channels", remedy)
    else:
        yield Finding("channels", "within", f"{count}, at least {rule.min_channels} needed")


def _bandwidth(rule: Rule, t: Transmission) -> Iterable[Finding]:
    if rule.bandwidth_measure is None:
        return
    width = t.bandwidth_hz / 1e3
    low, high, below = rule.min_bandwidth_khz, rule.max_bandwidth_khz, rule.below_bandwidth_khz
    name = f"bandwidth {width:g} kHz"
    text = f"{name} is within the rule's {rule.bandwidth_measure} limits"
    if low is not None and width < low - 1e-6:
        text = f"{name}, at least {low:g} kHz needed ({rule.bandwidth_measure})"
        yield Finding("bandwidth", "over", text, low - width, "kHz", f"use at least {low:g} kHz")
    elif high is not None and width > high + 1e-6:
        text = f"{name}, limit {high:g} kHz ({rule.bandwidth_measure})"
        yield Finding("bandwidth", "over", text, width - high, "kHz", f"use {high:g} kHz or less")
    elif below is not None and width >= below - 1e-6:
        text = f"{name}, must be below {below:g} kHz ({rule.bandwidth_measure})"
        yield Finding("bandwidth", "over", text, width - below, "kHz", f"use less than {below:g} kHz")
    else:
        yield Finding("bandwidth", "within", text)


JUDGES: tuple[Callable[[Rule, Transmission], Iterable[Finding]], ...] = (
    _band,
    _power,
    _density,
    _time_on_air,
    _channel_hour,
    _listen,
    _dwell,
    _pause,
    _channels,
    _bandwidth,
)

_KIND_WORDS = {"conducted": "conducted", "erp": "ERP", "eirp": "EIRP"}


def _time(
    quantity: Quantity, text: str, over_by_s: float, interval_s: float | None, otherwise: str
) -> Finding:
    """A time on the air, and the interval that would keep its limit; what else would, where none does."""
    if over_by_s <= 1e-9:
        return Finding(quantity, "within", text)
    remedy = otherwise if interval_s is None else f"send every {_seconds_up(interval_s)} s or less often"
    return Finding(quantity, "over", text, over_by_s, "s" if quantity == "dwell" else "s per hour", remedy)


def _level(quantity: Quantity, name: str, value: float, limit: float) -> Finding:
    excess = value - limit
    text = f"{name}, limit {limit + 1e-9:.1f} dBm"
    if excess <= POWER_ROUNDING_DB:
        return Finding(quantity, "within", text)
    text += f", over by {_amount(excess)} dB"
    # upward: rounded down the power would still be over
    down = math.ceil(excess * 10) / 10
    return Finding(quantity, "over", text, excess, "dB", f"lower the power by {down:g} dB")


def _density_applies(rule: Rule, t: Transmission) -> bool:
    return rule.density_above_khz is None or t.bandwidth_hz > rule.density_above_khz * 1e3 + 1e-3


def _dbm(milliwatts: float | None) -> float | None:
    return None if milliwatts is None else 10.0 * math.log10(milliwatts)


def _conducted_limit_dbm(rule: Rule, t: Transmission) -> float | None:
    limit = _dbm(rule.max_conducted_mw)
    if limit is None or rule.gain_free_dbi is None:
        return limit
    # the feeder's loss is not set against the gain: the safe side
    return limit - max(t.antenna_gain_dbi - rule.gain_free_dbi, 0.0)


def _amount(value: float) -> str:
    return f"{value:.1f}" if value >= 10 else f"{value:.3g}"


def _seconds_up(value: float) -> str:
    """An interval rounded so that it still keeps the limit."""
    return f"{math.ceil(value * 10 - 1e-6) / 10:g}"


def largest_conducted_dbm(rule: Rule, t: Transmission) -> float | None:
    """Conducted power at which the tightest power or density limit of the rule is reached."""
    to_erp, to_eirp = t.erp_dbm - t.conducted_power_dbm, t.eirp_dbm - t.conducted_power_dbm
    offsets = {"conducted": 0.0, "erp": to_erp, "eirp": to_eirp}
    limits = [
        (_conducted_limit_dbm(rule, t), 0.0),
        (_dbm(rule.max_erp_mw), to_erp),
        (_dbm(rule.max_eirp_mw), to_eirp),
    ]
    if rule.density_dbm is not None and _density_applies(rule, t):
        assert rule.density_reference_khz is not None
        assert rule.density_kind is not None
        spread = t.density_dbm(rule.density_reference_khz * 1e3, "conducted") - t.conducted_power_dbm
        limits.append((rule.density_dbm, spread + offsets[rule.density_kind]))
    stated = [limit - offset for limit, offset in limits if limit is not None]
    return min(stated) if rule.power_limited else None


def _duty_share(rule: Rule, t: Transmission) -> float:
    own = rule.access_point_duty_cycle if t.access_point else None
    share = rule.duty_cycle if own is None else own
    assert share is not None
    return share


def may_listen(rule: Rule) -> bool:
    return rule.listen_before_talk == "instead_of_duty"


def _slice_share(rule: Rule, t: Transmission) -> float:
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


def _others_in_slice_s(rule: Rule, t: Transmission) -> float:
    """Seconds an hour of the other messages that may share a slice with this one."""
    assert rule.polite_per_khz is not None
    if t.hopping_channels > 1:
        return _others_s(rule, t) * _slice_share(rule, t)
    # the other signals' bandwidths are not known, and taken as this one's
    reach = t.bandwidth_hz + rule.polite_per_khz * 1e3
    near = [o for o in t.other_traffic if abs(o.frequency_hz - t.frequency_hz) < reach]
    return _others_s(rule, replace(t, other_traffic=tuple(near)))


def _pause_s(rule: Rule, t: Transmission) -> float:
    return max(rule.pause_s or 0.0, (rule.pause_per_burst or 0.0) * t.time_on_air_s)


def interval_by_rule(rule: Rule, t: Transmission) -> float | None:
    """Shortest interval of the rule; the message's own time where it sets none; None: never."""
    ways = [way(rule, t) for way in _INTERVALS]
    known = [way for way in ways if way is not None]
    # all are to be kept: one that no interval keeps makes it never
    return max(known) if len(known) == len(ways) else None


def _interval_by_time_on_air(rule: Rule, t: Transmission) -> float | None:
    if rule.duty_cycle is None:
        return t.message_time_s
    ways = [_every(_duty_share(rule, t) * HOUR_S - _others_s(rule, t), t)]
    if t.listen_before_talk and may_listen(rule):
        ways.append(_interval_by_listening(rule, t))
    return min((way for way in ways if way is not None), default=None)


def _interval_by_listening(rule: Rule, t: Transmission) -> float | None:
    if rule.polite_s_per_hour is None:
        return None
    assert rule.polite_burst_s is not None
    assert rule.polite_pause_s is not None
    bursts = math.floor((rule.polite_s_per_hour - _others_in_slice_s(rule, t)) / t.time_on_air_s + 1e-9)
    messages = math.floor(bursts / _slice_share(rule, t) / t.tries + 1e-9)
    apart = _interval_apart((rule.polite_pause_s + t.time_on_air_s) / t.hopping_channels, t)
    if messages < 1 or apart is None or t.time_on_air_s > rule.polite_burst_s + 1e-9:
        return None
    return max(HOUR_S / messages, apart)


def _interval_by_channel_hour(rule: Rule, t: Transmission) -> float | None:
    if rule.channel_s_per_hour is None:
        return t.message_time_s
    left_s = rule.channel_s_per_hour - _others_s(rule, t) / t.hopping_channels
    messages = math.floor(left_s / t.time_on_air_s + 1e-9) * t.hopping_channels // t.tries
    return max(HOUR_S / messages, t.message_time_s) if messages > 0 else None


def _interval_by_pause(rule: Rule, t: Transmission) -> float | None:
    after, returns = _pause_s(rule, t), rule.channel_return_s or 0.0
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


def _others_s(rule: Rule, t: Transmission) -> float:
    """Seconds an hour of the transmitter's other messages in the rule's band."""
    low, high = rule.low_mhz * 1e6, rule.high_mhz * 1e6
    return sum(o.time_on_air_per_hour_s for o in t.other_traffic if low <= o.frequency_hz <= high)


def _interval_by_dwell(rule: Rule, t: Transmission) -> float | None:
    if rule.dwell_s is None:
        return t.message_time_s
    uses = math.floor(rule.dwell_s / t.time_on_air_s + 1e-9)
    if not uses:
        return None
    window = _dwell_window_s(rule, t)
    if window is None:
        return t.message_time_s
    return max(window * t.tries / (t.hopping_channels * uses), t.message_time_s)


_INTERVALS: tuple[Callable[[Rule, Transmission], float | None], ...] = (
    _interval_by_time_on_air,
    _interval_by_channel_hour,
    _interval_by_dwell,
    _interval_by_pause,
)


def _dwell_window_s(rule: Rule, t: Transmission) -> float | None:
    if rule.dwell_window_s_per_channel is not None:
        return rule.dwell_window_s_per_channel * t.hopping_channels
    return rule.dwell_window_s

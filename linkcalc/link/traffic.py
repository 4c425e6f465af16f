"""What is sent over one link, by whom and how often, and how much of it the law leaves to other equipment."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from linkcalc.link.modulation import Signal
from linkcalc.rules.found import LimitsCheck
from linkcalc.rules.limits import check
from linkcalc.rules.transmission import HOUR_S, OtherTraffic, Transmission

if TYPE_CHECKING:
    from linkcalc.plan import Link, Plan

YEAR_S = 365.0 * 86_400.0
_PERIODIC_KINDS = ("level_report", "run_permit")
_WORST_FIRST = ("over", "unknown", "within")


@dataclass(frozen=True)
class Sent:
    """What one end of a link sends again and again: a message, or the answers to one."""

    message: str | None
    """Its name; None where the plan lists no messages for the link."""
    end: Literal["near", "far"]
    """`near` is the link's `from` station."""
    answers: bool
    """It acknowledges what the other end sends."""
    measures: bool
    """A measurement goes before it."""
    payload_bytes: int
    interval_s: float | None
    tries: int
    retry_wait_s: float | None
    """From the start of a try to that of the next, at least."""

    @property
    def to_nodes(self) -> bool:
        """Whether the end is the one that nodes report to, a network's access point."""
        return self.end == "far"


def sent_over(plan: "Plan", link: "Link") -> tuple[Sent, ...]:
    """List what is sent over a link, in the plan's order.

    A link without messages is taken to carry one, reported every `regulation.report_interval_s` and answered. A message
    that follows an event is taken to come once in the worst hour.
    """
    # whoever acknowledges needs the shorter of the two payloads
    short = min(link.payload_bytes, link.reply_payload_bytes)
    found: list[Sent] = []
    for m in plan.message:
        if m.link != link.name:
            continue
        backward = m.sender not in (None, link.from_)
        usual = link.reply_payload_bytes if backward else link.payload_bytes
        message = Sent(
            message=m.name,
            end="far" if backward else "near",
            answers=False,
            measures=m.kind in _PERIODIC_KINDS,
            payload_bytes=m.payload_bytes or usual,
            interval_s=m.interval_s or YEAR_S / (m.events_per_year or 1.0),
            tries=m.tries or link.tries,
            # the least that jitter leaves, for limits that ask for a pause between messages
            retry_wait_s=m.retry_wait_s * (1.0 - m.jitter),
        )
        found += [message, *([_answer(message, short)] if m.acknowledged else [])]
    if not found:
        every = plan.regulation.report_interval_s
        report = Sent(None, "near", False, True, link.payload_bytes, every, link.tries, None)
        found = [report, _answer(report, link.reply_payload_bytes)]
    return tuple(found)


def sent_elsewhere(plan: "Plan", link: "Link", station: str) -> tuple[OtherTraffic, ...]:
    """What a station sends over its other links: all shares the hour of one transmitter."""
    found = []
    for other in plan.link:
        if other.name == link.name or station not in (other.from_, other.to):
            continue
        signal, end = Signal.of(other.modulation), "near" if other.from_ == station else "far"
        for sent in sent_over(plan, other):
            if sent.end != end or sent.interval_s is None:
                continue
            message_s = signal.time_on_air_s(sent.payload_bytes) * sent.tries
            # whole messages, each with all its tries: limits are held against the worst hour
            messages = math.ceil(HOUR_S / max(sent.interval_s, message_s) - 1e-9)
            found.append(OtherTraffic(other.frequency_mhz * 1e6, messages * message_s))
    return tuple(found)


def _answer(message: Sent, payload_bytes: int) -> Sent:
    other: Literal["near", "far"] = "near" if message.end == "far" else "far"
    return replace(message, end=other, answers=True, measures=False, payload_bytes=payload_bytes)


def transmissions(
    sent: Sequence[Sent],
    end: Literal["near", "far"],
    carrier: Transmission,
    time_on_air_s: Callable[[int], float],
) -> tuple[Transmission, ...]:
    """All that one end sends, each message with the others beside it; where it sends nothing the carrier as it is."""
    own = [_timed(carrier, s, time_on_air_s(s.payload_bytes)) for s in sent if s.end == end]
    found = []
    for i, timed in enumerate(own):
        others = sum(o.time_on_air_per_hour_s or 0.0 for k, o in enumerate(own) if k != i)
        beside = (OtherTraffic(carrier.frequency_hz, others),) if others else ()
        found.append(replace(timed, other_traffic=(*beside, *carrier.other_traffic)))
    return tuple(found) or (carrier,)


def tightest(sent: Iterable[Transmission], region: str) -> LimitsCheck:
    """What the table of limits says of the message that fares worst."""
    return min(
        (check(one, region) for one in sent),
        key=lambda f: (
            _WORST_FIRST.index(f.status),
            float("inf") if f.largest_conducted_dbm is None else f.largest_conducted_dbm,
        ),
    )


def _timed(carrier: Transmission, sent: Sent, seconds: float) -> Transmission:
    """The carrier with a message's timing, sent no faster than it can be."""
    interval = None if sent.interval_s is None else max(sent.interval_s, seconds * sent.tries)
    return replace(
        carrier,
        time_on_air_s=seconds,
        interval_s=interval,
        tries=sent.tries,
        retry_wait_s=sent.retry_wait_s,
        access_point=sent.to_nodes,
    )

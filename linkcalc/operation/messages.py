"""What becomes of a plan's messages: when each arrives, how often it is lost, how long it is on the air.

The figure for independent tries is given beside as the optimistic bound, see `linkcalc.operation.channel`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from linkcalc.answer import Answer
from linkcalc.errors import PlanError
from linkcalc.operation.channel import (
    Delay,
    FadingChannel,
    Retries,
    by_site,
    delivered_by_try,
    delivery_delay,
    expected_tries,
    loss,
    unconfirmed,
)
from linkcalc.operation.tank.loop import YEAR_S
from linkcalc.plan.base import element

if TYPE_CHECKING:
    from linkcalc.link.result import Direction, LinkResult
    from linkcalc.plan import Link, Plan
    from linkcalc.plan.control import Message

POOR_SITE_Z = -1.2815515594
"""One site in ten is worse than this many standard deviations below the prediction."""


@dataclass(frozen=True)
class MessageAnswer:
    """One kind of message and what becomes of it; probabilities from 0 to 1."""

    name: str
    kind: str
    link: str
    from_: str
    to: str
    payload_bytes: int
    time_on_air_s: float
    interval_s: float | None
    per_year: float
    tries: int
    acknowledged: bool
    fade_margin_db: float
    single_loss: float
    """Of one try, averaged over what is unknown and what varies."""
    loss: float
    """All tries lost, averaged likewise: over dead sites too, so not a rate that any site has."""
    dead_chance: float
    """Chance that such a site is dead: more than half of these messages are lost, with their tries, over the
    year."""
    working_chance: float
    """Chance that it works: no more are lost than `accepted_loss`."""
    accepted_loss: float
    loss_working_site: float
    """Mean over the sites that work; that of the predicted site where none does."""
    loss_predicted_site: float
    loss_poor_site: float
    """The same at a site that only one in ten is worse than."""
    loss_after_reading: float
    """`loss` had a site reading confirmed the predicted margin."""
    loss_independent_tries: float
    """Optimistic bound: as if every try had a slow state of its own."""
    unconfirmed: float | None
    """None: the sender does not listen for an acknowledgement."""
    lost_per_year: float
    lost_per_year_working_site: float
    lost_per_year_predicted_site: float
    lost_per_year_poor_site: float
    lost_per_year_after_reading: float
    delay: Delay
    tries_sent: float
    airtime_s_per_day: float
    acknowledgement_airtime_s_per_day: float
    """Of the other end."""
    notes: tuple[str, ...]


CAUTION = (
    "A radio link is not a safety function and not an emergency stop, however seldom a message is lost."
    " A lost stop has to end in a stopped engine: by a watchdog at the engine, and by independent,"
    " hard-wired float, low-oil and over-run stops. Automatic start, transfer switching and wiring are for"
    " licensed people under local codes."
)


@dataclass(frozen=True, eq=False, repr=False)
class MessagesSection(Answer):
    """The messages of a whole plan."""

    _rows = "messages"

    messages: tuple[MessageAnswer, ...]
    caution: str = CAUTION

    @property
    def line(self) -> str:
        """One line for the report of a check: the message whose loss matters most."""
        order = ("stop", "run_permit", "start", "level_report", "acknowledgement")
        # by what its loss leads to: an engine that runs on goes before one that does not start
        worst = min(self.messages, key=lambda m: (order.index(m.kind), -m.loss))
        name = worst.name if len(worst.name) <= 12 else worst.name[:11] + "…"
        # dead sites are told apart from the rate: the mean over both is the rate of no site
        lost = often_words(worst.loss_working_site, "lost")
        if worst.dead_chance < 0.0005:
            return f'Messages: "{name}" {lost}; see linkcalc messages'
        return (
            f'Messages: "{name}" {lost}, {100.0 * worst.dead_chance:.2g} % of sites dead; linkcalc messages'
        )


def often_words(probability: float, what: str) -> str:
    """Say how often something happens.

    >>> often_words(0.0123, "lost"), often_words(0.4, "lost"), often_words(1e-9, "lost")
    ('1 in 81 lost', '40 % lost', 'less than 1 in a million lost')
    """
    if probability < 1e-6:
        return f"less than 1 in a million {what}"
    if probability >= 0.095:
        return f"{100.0 * probability:.0f} % {what}"
    one_in = 1.0 / probability
    digits = max(0, int(np.floor(np.log10(one_in))) - 1)
    return f"1 in {round(one_in / 10**digits) * 10**digits:,.0f} {what}".replace(",", " ")


def section(plan: "Plan", link_results: "Sequence[LinkResult]") -> MessagesSection | None:
    """Answer every message of a plan; None if it has none."""
    if not plan.message:
        return None
    return MessagesSection(tuple(_answer(plan, m, i, link_results) for i, m in enumerate(plan.message)))


def link_of(plan: "Plan", message: "Message") -> "Link":
    return next(k for k in plan.link if k.name == message.link)


def directions_of(
    plan: "Plan", message: "Message", link_results: "Sequence[LinkResult]"
) -> tuple["Direction", "Direction"]:
    """Return the direction a message goes, and the direction back."""
    result = next(r for r in link_results if r.name == message.link)
    sender = message.sender or link_of(plan, message).from_
    there = next(d for d in result.directions if d.from_ == sender)
    back = next(d for d in result.directions if d.from_ != sender)
    return there, back


def hops_besides(plan: "Plan", message: "Message") -> list[str]:
    """That a message's link begins or ends where another does, as over a relay: only its own is counted."""
    link = link_of(plan, message)
    back = message.sender not in (None, link.from_)
    sender, receiver = (link.to, link.from_) if back else (link.from_, link.to)
    others = [k for k in plan.link if k is not link and {k.from_, k.to} != {sender, receiver}]
    if not back:
        found = [k for k in others if k.from_ == receiver or k.to == sender]
    else:
        found = [k for k in others if k.to == receiver or k.from_ == sender]
    if not found:
        return []
    names = ", ".join(f'"{k.name}"' for k in found)
    return [
        f'counted over "{link.name}" alone: where a message also passes {names}, as over a relay, it is lost there'
        " too, and comes later"
    ]


def retries_of(plan: "Plan", message: "Message") -> Retries:
    link = link_of(plan, message)
    return Retries(message.tries or link.tries, message.retry_wait_s, message.back_off, message.jitter)


def airtimes_s(plan: "Plan", message: "Message") -> tuple[float, float]:
    """Return the times on air of a message and of its acknowledgement."""
    from linkcalc.link.modulation import Signal

    link = link_of(plan, message)
    signal = Signal.of(link.modulation)
    own, other = link.payload_bytes, link.reply_payload_bytes
    if message.sender not in (None, link.from_):
        own, other = other, own
    # whoever acknowledges needs no more than the shorter of the two payloads
    return signal.time_on_air_s(message.payload_bytes or own), signal.time_on_air_s(min(other, own))


def fitting_retries(plan: "Plan", message: "Message", index: int) -> Retries:
    """Return the tries of a message, having made sure that they fit on the air."""
    place = element("message", index, message.name)
    retries = retries_of(plan, message)
    there_s, back_s = airtimes_s(plan, message)
    once = there_s + (back_s if message.acknowledged else 0.0)
    # at the shortest wait that jitter allows: else the next try begins over the answer to this one
    if retries.shortest_wait_s < once:
        raise PlanError(
            f"{place} retry_wait_s = {message.retry_wait_s:g} with jitter {message.jitter:g} can be shorter"
            f" than the {once:.3g} s that one try"
            f" {'and its answer take' if message.acknowledged else 'takes'};"
            f" make it {_rounded_up(once / (1.0 - message.jitter) * 1.5):g} or more"
        )
    whole = retries.latest_start_s + once
    if message.interval_s is not None and message.interval_s <= whole:
        raise PlanError(
            f"{place} interval_s = {message.interval_s:g} is shorter than the {whole:.3g} s that one message"
            f" with its tries ({retries.tries}) may take;"
            f" make it {_rounded_up(whole * 1.1):g} or more, or tries fewer"
        )
    return retries


def _rounded_up(seconds: float) -> float:
    """Round up to two figures."""
    digit = 10.0 ** (np.floor(np.log10(seconds)) - 1)
    return float(np.ceil(seconds / digit) * digit)


def _answer(
    plan: "Plan", message: "Message", index: int, link_results: "Sequence[LinkResult]"
) -> MessageAnswer:
    retries = fitting_retries(plan, message, index)
    there, back = directions_of(plan, message, link_results)
    there_s, back_s = airtimes_s(plan, message)
    channel, measured = FadingChannel.of(there), FadingChannel.of(there, after_reading=True)
    answering = FadingChannel.of(back)
    per_year = YEAR_S / message.interval_s if message.interval_s else float(message.events_per_year or 0.0)
    n = retries.tries
    lost = loss(channel, n)
    # a site is one draw: what is left to vary there are the conditions
    predicted = loss(replace(channel, site_sigma_db=0.0), n)
    poor_db = channel.fade_margin_db + POOR_SITE_Z * channel.site_sigma_db
    poor = loss(replace(channel, fade_margin_db=poor_db, site_sigma_db=0.0), n)
    after = loss(measured, n)
    single = loss(channel, 1)
    sites = by_site(channel, n, 1.0 - link_of(plan, message).required_success)
    sent, heard = expected_tries(channel, answering, n) if message.acknowledged else (float(n), 0.0)
    notes = hops_besides(plan, message)
    if n == 1 and message.kind in ("stop", "start"):
        notes.append("one try only: a single fade loses it")
    if not message.acknowledged and message.kind in ("stop", "start"):
        notes.append("not acknowledged: the sender cannot know that it was lost")
    if n > 1 and message.retry_wait_s < 1.0:
        notes.append("tries less than 1 s apart may share a fade (common practice, no source: more than 1 s)")
    if lost > 3.0 * single**n and lost > 1e-4:
        notes.append(
            f"retries do not cure a shadowed link: independent tries would lose only"
            f" {often_words(single**n, '').strip()}"
        )
    return MessageAnswer(
        name=message.name,
        kind=message.kind,
        link=message.link,
        from_=there.from_,
        to=there.to,
        payload_bytes=message.payload_bytes or there.payload_bytes,
        time_on_air_s=there_s,
        interval_s=message.interval_s,
        per_year=per_year,
        tries=n,
        acknowledged=message.acknowledged,
        fade_margin_db=there.fade_margin_db,
        single_loss=single,
        loss=lost,
        dead_chance=sites.dead_chance,
        working_chance=sites.working_chance,
        accepted_loss=sites.accepted_loss,
        loss_working_site=sites.working_loss,
        loss_predicted_site=predicted,
        loss_poor_site=poor,
        loss_after_reading=after,
        loss_independent_tries=single**n,
        unconfirmed=unconfirmed(channel, answering, n) if message.acknowledged else None,
        lost_per_year=per_year * lost,
        lost_per_year_working_site=per_year * sites.working_loss,
        lost_per_year_predicted_site=per_year * predicted,
        lost_per_year_poor_site=per_year * poor,
        lost_per_year_after_reading=per_year * after,
        delay=delivery_delay(delivered_by_try(channel, n), retries, there_s),
        tries_sent=sent,
        airtime_s_per_day=sent * there_s * per_year / 365.0,
        acknowledgement_airtime_s_per_day=heard * back_s * per_year / 365.0,
        notes=tuple(notes),
    )

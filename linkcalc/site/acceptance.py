"""Tests that prove a success rate, how long they take, and what a count of packets shows.

Every function raises DomainError where an argument is outside its range.
"""

from dataclasses import dataclass
from typing import Literal

from linkcalc._arrays import checked
from linkcalc.answer import Answer
from linkcalc.site.loss_rate import (
    checked_counts,
    checked_rate,
    largest_loss_rate,
    loss_rate_interval,
    packets_needed,
)
from linkcalc.site.stopping import Kind, Rule, fixed_rule, sequential_rule

CAUTION = (
    "Losses come in bursts, so the figures promise too much for packets sent in one go: spread them over the "
    "day, with the engine running and stopped, and again in season."
)

Limit = Literal["interval", "duty cycle", "legal limit", "time on air"]


@dataclass(frozen=True)
class Count:
    """What a finished test shows."""

    sent: int
    lost: int
    passed: bool
    """Whether the success rate asked for is proven at the confidence asked for."""
    success_at_least: float
    """Proven at that confidence, one-sided."""
    exact_interval: tuple[float, float]
    wilson_interval: tuple[float, float]
    more_needed: int | None
    """Packets without a further loss that would still prove it; None where it is proven, or out of reach."""


@dataclass(frozen=True)
class RuleOutcome:
    """A rule and what it does to a link that is not, and to one that is, good enough."""

    kind: Kind
    packets: int
    losses_allowed: int | None
    """None where it depends on how far the test is."""
    bad_passes: float
    """Chance that a link of just the success rate to be proven passes."""
    good_passes: float
    good_packets: float
    """Mean number of packets of the good link."""
    bad_packets: float
    duration_s: float | None
    good_duration_s: float | None
    steps: tuple[tuple[int, int, int], ...]
    """From so many packets on these limits hold: packets, lost to pass (-1: not yet), lost to fail."""


@dataclass(frozen=True, eq=False, repr=False)
class Acceptance(Answer):
    """Tests that prove a success rate, how long they take, and what a count shows."""

    _rows = "rules"

    success: float
    confidence: float
    good_success: float
    time_on_air_s: float | None
    interval_s: float | None
    """Between packets, as it can be kept."""
    interval_limited_by: Limit | None
    rules: tuple[RuleOutcome, ...]
    count: Count | None
    caution: str = CAUTION


def acceptance(
    success: float,
    confidence: float = 0.95,
    *,
    losses_allowed: tuple[int, ...] = (0, 1, 2, 5),
    good_success: float | None = None,
    time_on_air_s: float | None = None,
    interval_s: float | None = None,
    duty_cycle: float | None = None,
    legal_interval_s: float | None = None,
    sent: int | None = None,
    lost: int = 0,
) -> Acceptance:
    """Lay out tests that prove a success rate of one packet, and judge a count.

    A test of a fixed number of packets for each of `losses_allowed`, and a sequential one. `good_success`: a
    link that they should let pass; left out, one with a fifth of the losses. Without a time on air no times
    are given.

    >>> found = acceptance(0.95, sent=100, lost=2)
    >>> found.rules[0].packets, found.count.passed, round(found.count.success_at_least, 3)
    (59, False, 0.938)
    """
    p, c = checked_rate("success", success), checked_rate("confidence", confidence)
    good = 1.0 - (1.0 - p) / 5.0 if good_success is None else checked_rate("good_success", good_success)
    every_s, limited_by = _interval(time_on_air_s, interval_s, duty_cycle, legal_interval_s)
    rules: list[tuple[Rule, int | None]] = [
        (fixed_rule(packets_needed(p, c, allowed), allowed, curtailed=True), allowed)
        for allowed in losses_allowed
    ]
    rules.append((sequential_rule(p, good, c, min(1.0 - c, 0.05)), None))
    return Acceptance(
        success=p,
        confidence=c,
        good_success=good,
        time_on_air_s=time_on_air_s,
        interval_s=every_s,
        interval_limited_by=limited_by,
        rules=tuple(_outcome(rule, allowed, p, good, every_s) for rule, allowed in rules),
        count=None if sent is None else judge(lost, sent, p, c),
    )


def _interval(
    time_on_air_s: float | None,
    interval_s: float | None,
    duty_cycle: float | None,
    legal_interval_s: float | None,
) -> tuple[float | None, Limit | None]:
    """Shortest time between packets that can be kept, and what sets it; None without a time on air."""
    if time_on_air_s is None:
        return None, None
    air_s = float(checked("time_on_air_s", time_on_air_s, above=0.0))
    limits: list[tuple[float, Limit]] = [(air_s, "time on air")]
    if duty_cycle is not None:
        # as if it held from packet to packet: the cautious reading of a limit by the hour
        share = float(checked("duty_cycle", duty_cycle, above=0.0, at_most=1.0))
        limits.append((air_s / share, "duty cycle"))
    if legal_interval_s is not None:
        limits.append((float(checked("legal_interval_s", legal_interval_s, above=0.0)), "legal limit"))
    if interval_s is not None:
        limits.append((float(checked("interval_s", interval_s, above=0.0)), "interval"))
    return max(limits)


def judge(lost: int, sent: int, success: float, confidence: float = 0.95) -> Count:
    """Say whether a count of packets proves a success rate."""
    p, c = checked_rate("success", success), checked_rate("confidence", confidence)
    n, k, _ = checked_counts(lost, sent, c)
    at_least = 1.0 - largest_loss_rate(k, n, c)
    passed = at_least >= p
    more = None
    if not passed and k <= 1000 and k / n < 1.0 - p:
        more = max(packets_needed(p, c, k) - n, 0)
    exact = loss_rate_interval(k, n, c)
    wilson = loss_rate_interval(k, n, c, method="wilson")
    return Count(n, k, passed, at_least, exact, wilson, more)


def _outcome(
    rule: Rule, allowed: int | None, success: float, good: float, every_s: float | None
) -> RuleOutcome:
    bad_passes, bad_packets = rule.outcome(1.0 - success)
    good_passes, good_packets = rule.outcome(1.0 - good)
    return RuleOutcome(
        kind=rule.kind,
        packets=rule.packets,
        losses_allowed=allowed,
        bad_passes=bad_passes,
        good_passes=good_passes,
        good_packets=good_packets,
        bad_packets=bad_packets,
        duration_s=None if every_s is None else rule.packets * every_s,
        good_duration_s=None if every_s is None else good_packets * every_s,
        steps=rule.steps if rule.kind == "sequential" else (),
    )

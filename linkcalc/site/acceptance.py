"""Tests that prove a success rate, when they may stop, how long they take, and what a count of packets shows.

*Passing* a test shows, at the stated confidence, a success rate of at least the stated one: a link that is worse passes
with a probability of at most 1 - confidence.

Every function raises DomainError where an argument is outside its range.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, bdtrc

from linkcalc._arrays import checked
from linkcalc.answer import Answer
from linkcalc.errors import DomainError
from linkcalc.site.loss_rate import (
    MOST_PACKETS,
    checked_counts,
    checked_rate,
    largest_loss_rate,
    loss_rate_interval,
    packets_needed,
)

CAUTION = (
    "Losses come in bursts, so the figures promise too much for packets sent in one go: spread them over the "
    "day, with the engine running and stopped, and again in season."
)

Kind = Literal["fixed", "curtailed", "sequential"]
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
class Rule:
    """When a test stops: after each packet, so many lost pass it, so many fail it."""

    kind: Kind
    pass_at_most: NDArray[np.int64]
    """(n + 1,) after 0, 1, ... n packets: as few lost as this pass; -1: none does yet."""
    fail_at_least: NDArray[np.int64]
    """(n + 1,) as many lost as this fail; after the last packet whatever does not pass fails."""

    @property
    def packets(self) -> int:
        return len(self.pass_at_most) - 1

    @property
    def steps(self) -> tuple[tuple[int, int, int], ...]:
        """Where its limits change: packets, as few lost as pass, as many as fail."""
        return tuple((n, int(self.pass_at_most[n]), int(self.fail_at_least[n])) for n, _ in self._stretches())

    def outcome(self, loss_rate: float) -> tuple[float, float]:
        """Probability of passing, and the mean number of packets, at a true loss rate; exact.

        Sum over all ways through the test. Where the limits stand still nothing new passes, so that a whole
        stretch is one binomial step; the time until the loss that fails it is negative binomial, with E[T, T
        <= K] = (r / q) P(at least r + 1 lost in K + 1).
        """
        q = float(checked("loss_rate", loss_rate, at_least=0.0, at_most=1.0))
        if self.kind == "fixed":
            return float(bdtr(int(self.pass_at_most[-1]), self.packets, q)), float(self.packets)
        losses = np.arange(int(self.fail_at_least.max()))
        going = np.zeros(losses.size)
        going[0] = 1.0
        passed = mean = 0.0
        for first, last in self._stretches():
            fail = int(self.fail_at_least[first])
            mean += float(going.sum())
            after = going * (1.0 - q)
            after[1:] += going[:-1] * q
            ends = losses <= self.pass_at_most[first]
            passed += float(after[ends].sum())
            going = np.where(ends | (losses >= fail), 0.0, after)
            still = last - first
            if still:
                to_fail = np.maximum(fail - losses, 1)
                mean += float(going @ _mean_until(to_fail, still, q))
                going = np.convolve(going, _binomial(losses, still, q))[: losses.size]
                going[losses >= fail] = 0.0
        return passed, mean

    def _stretches(self) -> list[tuple[int, int]]:
        """First and last packet of each stretch over which the limits stand still."""
        both = np.stack([self.pass_at_most, self.fail_at_least])
        starts = np.append(1, np.flatnonzero((both[:, 2:] != both[:, 1:-1]).any(axis=0)) + 2)
        return list(zip(starts.tolist(), [*(starts[1:] - 1).tolist(), self.packets], strict=True))


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


def fixed_rule(packets: int, losses_allowed: int, *, curtailed: bool = False) -> Rule:
    """Send all packets, then count; curtailed: stop as soon as the count can no longer change the answer.

    That is at the first loss too many, or when the packets left can no longer bring it: the chances of
    passing are those of the whole test.

    >>> rule = fixed_rule(59, 0, curtailed=True)
    >>> [round(x, 3) for x in rule.outcome(0.05)]
    [0.048, 19.03]
    """
    if not 0 <= losses_allowed < packets <= MOST_PACKETS:
        raise DomainError(f"{losses_allowed} losses allowed in {packets} packets is not a test")
    n = np.arange(packets + 1)
    passes = np.full(packets + 1, -1)
    fails = np.full(packets + 1, packets + 1)
    passes[-1], fails[-1] = losses_allowed, losses_allowed + 1
    if curtailed:
        passes = losses_allowed - (packets - n)
        fails = np.full(packets + 1, losses_allowed + 1)
    return Rule("curtailed" if curtailed else "fixed", np.maximum(passes, -1), fails)


def sequential_rule(
    success: float, good_success: float, confidence: float = 0.95, good_fails: float = 0.05
) -> Rule:
    """Wald's sequential test, cut off at three times the packets of a fixed test of the same power.

    A link with no more than `success` passes with a probability of at most 1 - confidence: the limits are
    drawn in until that, summed exactly, holds; what is not decided at the cut fails. One as good as
    `good_success` fails with nearly `good_fails` (below 0.5, as confidence is above). A. Wald, Sequential
    Analysis (1947), chapter 5, binomial case (from memory); risks by `Rule.outcome`.

    >>> rule = sequential_rule(0.95, 0.99)
    >>> [round(x, 3) for x in rule.outcome(0.05)], [round(x, 3) for x in rule.outcome(0.01)]
    ([0.05, 78.648], [0.971, 112.533])
    """
    p, good, c = (
        checked_rate("success", success),
        checked_rate("good_success", good_success),
        checked_rate("confidence", confidence),
    )
    if not p < good:
        raise DomainError(f"good_success must be above success, got {good:g} and {p:g}")
    checked("confidence", c, above=0.5)
    checked("good_fails", good_fails, above=0.0, at_most=np.nextafter(0.5, 0.0))
    bad_q, good_q = 1.0 - p, 1.0 - good
    most = 3 * _fixed_of_power(bad_q, good_q, 1.0 - c, good_fails)
    loss, arrival = math.log(bad_q / good_q), math.log((1.0 - good_q) / (1.0 - bad_q))
    n = np.arange(most + 1)
    allowed = 1.0 - c
    for _ in range(60):
        to_pass = math.log((1.0 - good_fails) / allowed)
        to_fail = math.log((1.0 - allowed) / good_fails)
        passes = np.floor((n * arrival - to_pass) / (loss + arrival)).astype(np.int64)
        fails = np.ceil((n * arrival + to_fail) / (loss + arrival)).astype(np.int64)
        rule = Rule("sequential", np.maximum(passes, -1), np.maximum(fails, 1))
        if rule.outcome(bad_q)[0] <= 1.0 - c:
            return rule
        allowed *= 0.95
    raise DomainError("no sequential test keeps these rates")  # pragma: no cover


def _fixed_of_power(bad_q: float, good_q: float, bad_passes: float, good_fails: float) -> int:
    """Packets of the smallest fixed test that keeps both risks."""
    for allowed in range(2000):
        n = packets_needed(1.0 - bad_q, 1.0 - bad_passes, allowed)
        if n > 100_000:
            break
        if float(bdtr(allowed, n, good_q)) >= 1.0 - good_fails:
            return n
    raise DomainError("the two rates are too close to distinguish with 100 000 packets")


def _binomial(lost: NDArray[np.int64], sent: int, q: float) -> NDArray[np.float64]:
    # bdtr has no value for more lost than sent
    up_to = bdtr(np.minimum(lost, sent), sent, q)
    each: NDArray[np.float64] = np.diff(up_to, prepend=0.0)
    return each


def _mean_until(losses: NDArray[np.int64], most: int, q: float) -> NDArray[np.float64]:
    """Mean number of packets until so many are lost, or `most` are sent."""
    if q == 0.0:
        return np.full(losses.shape, float(most))
    in_time = losses / q * bdtrc(np.minimum(losses, most + 1), most + 1, q)
    mean: NDArray[np.float64] = in_time + most * bdtr(np.minimum(losses - 1, most), most, q)
    return mean

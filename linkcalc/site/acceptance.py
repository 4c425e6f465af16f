"""How many packets prove a link, how long that takes, and when a test may stop early.

A test sends numbered packets and counts the lost. *Passing* it shows, at the stated confidence, a success
rate of at least the stated one: a link that is worse passes with a probability of at most 1 - confidence.
All of it takes losses as independent. They are not: they come in bursts, so that intervals are too narrow and
a test in one go proves less than it says. Spread the packets over the day.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, bdtrc, betaincinv, ndtri

from linkcalc._arrays import checked
from linkcalc.answer import Answer
from linkcalc.errors import DomainError

CAUTION = (
    "Losses come in bursts, so the figures promise too much for packets sent in one go: spread them over the "
    "day, with the engine running and stopped, and again in season."
)

MOST_PACKETS = 1_000_000

Kind = Literal["fixed", "curtailed", "sequential"]
Limit = Literal["interval", "duty cycle", "legal limit", "time on air"]


def clopper_pearson_interval(lost: int, sent: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of a loss rate.

    Parameters
    ----------
    lost, sent : int
        Packets; `lost` of `sent`, which is 1 or more.
    confidence : float, above 0 and below 1

    Returns
    -------
    tuple of float, 0 to 1
        Holds the true rate with at least the stated probability, whatever the rate is.

    Raises
    ------
    DomainError
        If the counts do not fit or the confidence is outside its range.

    References
    ----------
    C. J. Clopper, E. S. Pearson, Biometrika 26 (1934), p. 404 (from memory), by quantiles of the beta
    distribution.

    Examples
    --------
    >>> [round(100 * x, 2) for x in clopper_pearson_interval(2, 100)]
    [0.24, 7.04]
    """
    n, k, c = _counts(lost, sent, confidence)
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, (1.0 - c) / 2.0))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, (1.0 + c) / 2.0))
    return low, high


def wilson_interval(lost: int, sent: int, confidence: float = 0.95) -> tuple[float, float]:
    """Score interval of a loss rate: its coverage is the stated one on average, not at the least.

    Parameters
    ----------
    lost, sent, confidence
        As `clopper_pearson_interval`.

    Returns
    -------
    tuple of float, 0 to 1

    Raises
    ------
    DomainError
        As there.

    References
    ----------
    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927), p. 209 (from memory).

    Examples
    --------
    >>> [round(100 * x, 2) for x in wilson_interval(0, 100)]
    [0.0, 3.7]
    """
    n, k, c = _counts(lost, sent, confidence)
    z2 = float(ndtri((1.0 + c) / 2.0)) ** 2
    middle = (k + z2 / 2.0) / (n + z2)
    half = math.sqrt(z2) / (n + z2) * math.sqrt(k * (n - k) / n + z2 / 4.0)
    # none lost is compatible with a rate of 0, whatever the rounding
    return 0.0 if k == 0 else middle - half, 1.0 if k == n else middle + half


def largest_loss_rate(lost: int, sent: int, confidence: float = 0.95) -> float:
    """One-sided upper limit of a loss rate, exact.

    Parameters
    ----------
    lost, sent, confidence
        As `clopper_pearson_interval`.

    Returns
    -------
    float, 0 to 1

    Raises
    ------
    DomainError
        As there.

    References
    ----------
    As `clopper_pearson_interval`, one-sided. With none lost at 95 % it is nearly 3 / n, the rule of three.

    Examples
    --------
    >>> round(100 * largest_loss_rate(0, 100), 2)
    2.95
    """
    n, k, c = _counts(lost, sent, confidence)
    return 1.0 if k == n else float(betaincinv(k + 1, n - k, c))


def packets_needed(success: float, confidence: float = 0.95, losses_allowed: int = 0) -> int:
    """Packets that prove a success rate when no more than so many of them are lost.

    Parameters
    ----------
    success : float, above 0 and below 1
        Of one packet.
    confidence : float, above 0 and below 1
    losses_allowed : int, 0 or more

    Returns
    -------
    int

    Raises
    ------
    DomainError
        If an argument is outside its range, or more than a million packets would be needed.

    References
    ----------
    Least n with P(lost <= allowed | n, 1 - success) <= 1 - confidence, of the binomial distribution.

    Examples
    --------
    >>> packets_needed(0.95), packets_needed(0.99), packets_needed(0.95, losses_allowed=2)
    (59, 299, 124)
    """
    p, c = _rate("success", success), _rate("confidence", confidence)
    if isinstance(losses_allowed, bool) or losses_allowed != int(losses_allowed) or losses_allowed < 0:
        raise DomainError(f"losses_allowed must be a whole number, 0 or more, got {losses_allowed}")
    allowed = int(losses_allowed)
    low, high = allowed, allowed + 1
    while float(bdtr(allowed, high, 1.0 - p)) > 1.0 - c:
        low, high = high, 2 * high
        if low > MOST_PACKETS:
            raise DomainError(
                f"a success of {p:g} at {c:g} confidence takes more than {MOST_PACKETS} packets"
            )
    while high - low > 1:
        middle = (low + high) // 2
        proven = float(bdtr(allowed, middle, 1.0 - p)) <= 1.0 - c
        low, high = (low, middle) if proven else (middle, high)
    return high


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
        """The most it takes."""
        return len(self.pass_at_most) - 1

    def outcome(self, loss_rate: float) -> tuple[float, float]:
        """Probability of passing, and the mean number of packets, at a true loss rate; exact.

        Parameters
        ----------
        loss_rate : float, 0 to 1

        Returns
        -------
        tuple of float

        Raises
        ------
        DomainError
            If the rate is outside its range.

        References
        ----------
        Sum over all ways through the test. Where the limits stand still nothing new passes, so that a whole
        stretch is one binomial step; the time until the loss that fails it is negative binomial, with
        E[T, T <= K] = (r / q) P(at least r + 1 lost in K + 1).
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

    def decide(self, lost: "NDArray[np.bool_]") -> tuple[bool | None, int]:
        """Run the test on packets in their order.

        Parameters
        ----------
        lost : ndarray of bool
            Each packet's fate.

        Returns
        -------
        tuple of bool or None, and int
            Whether it is passed (None: not decided yet), and after how many packets.
        """
        sums = np.cumsum(np.asarray(lost, dtype=np.int64)[: self.packets])
        n = np.arange(1, sums.size + 1)
        stops = (sums <= self.pass_at_most[n]) | (sums >= self.fail_at_least[n])
        if not stops.any():
            return (False if sums.size == self.packets else None), int(sums.size)
        at = int(np.argmax(stops))
        return bool(sums[at] <= self.pass_at_most[at + 1]), at + 1


def fixed_rule(packets: int, losses_allowed: int, *, curtailed: bool = False) -> Rule:
    """Send all packets, then count; curtailed: stop as soon as the count can no longer change the answer.

    Parameters
    ----------
    packets : int, above `losses_allowed`
    losses_allowed : int, 0 or more
    curtailed : bool
        Stops at the first loss too many, or when the packets left can no longer bring it. The chances of
        passing are those of the whole test.

    Returns
    -------
    Rule

    Raises
    ------
    DomainError
        If the numbers do not fit.

    Examples
    --------
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

    Parameters
    ----------
    success : float
        The rate to be proven: a link that has no more passes with a probability of at most 1 - confidence.
    good_success : float, above `success` and below 1
        A link as good as this should pass.
    confidence : float, above 0.5 and below 1
    good_fails : float, above 0 and below 0.5
        How often the good link may fail, nearly.

    Returns
    -------
    Rule
        Its limits are drawn in until the chance of passing at the rate to be proven, summed exactly, is at
        most 1 - confidence. What is not decided at the cut fails.

    Raises
    ------
    DomainError
        If an argument is outside its range, or the two rates are so close that more than 100 000 packets
        would be needed.

    References
    ----------
    A. Wald, Sequential Analysis (1947), chapter 5, binomial case (from memory); risks by `Rule.outcome`.

    Examples
    --------
    >>> rule = sequential_rule(0.95, 0.99)
    >>> [round(x, 3) for x in rule.outcome(0.05)], [round(x, 3) for x in rule.outcome(0.01)]
    ([0.05, 78.648], [0.971, 112.533])
    """
    p, good, c = (
        _rate("success", success),
        _rate("good_success", good_success),
        _rate("confidence", confidence),
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


@dataclass(frozen=True)
class TestTime:
    """How long a test takes."""

    packets: int
    interval_s: float
    """Between packets, as it can be kept."""
    duration_s: float
    limited_by: Limit


TestTime.__test__ = False  # type: ignore[attr-defined]


def time_needed(
    packets: int,
    *,
    time_on_air_s: float,
    interval_s: float | None = None,
    duty_cycle: float | None = None,
    legal_interval_s: float | None = None,
) -> TestTime:
    """How long so many packets take at an interval, under a duty cycle.

    Parameters
    ----------
    packets : int, 1 or more
    time_on_air_s : float, s, above 0
        Of one packet.
    interval_s : float, s, above 0, optional
        Wanted between packets.
    duty_cycle : float, above 0, up to 1, optional
        Limit, taken as holding from packet to packet.
    legal_interval_s : float, s, above 0, optional
        Shortest interval by another limit, such as `linkcalc.rules.limits.check` finds.

    Returns
    -------
    TestTime

    Raises
    ------
    DomainError
        If an argument is outside its range.

    Examples
    --------
    >>> time_needed(300, time_on_air_s=0.37, interval_s=60.0).duration_s / 3600.0
    5.0
    """
    n = int(checked("packets", packets, at_least=1))
    air_s = float(checked("time_on_air_s", time_on_air_s, above=0.0))
    limits: list[tuple[float, Limit]] = [(air_s, "time on air")]
    if duty_cycle is not None:
        limits.append(
            (air_s / float(checked("duty_cycle", duty_cycle, above=0.0, at_most=1.0)), "duty cycle")
        )
    if legal_interval_s is not None:
        limits.append((float(checked("legal_interval_s", legal_interval_s, above=0.0)), "legal limit"))
    if interval_s is not None:
        limits.append((float(checked("interval_s", interval_s, above=0.0)), "interval"))
    every_s, by = max(limits)
    return TestTime(n, every_s, n * every_s, by)


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
    """Of the loss rate, two-sided (Clopper-Pearson)."""
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
    """At most."""
    good_duration_s: float | None
    """On average, of the good link."""
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
    """Lay out tests that prove a success rate, and judge a count.

    Parameters
    ----------
    success : float
        Of one packet, to be proven.
    confidence : float
    losses_allowed : tuple of int
        One test of a fixed number of packets for each, stopped as soon as its answer is certain.
    good_success : float, optional
        A link the tests should let pass; left out: one with a fifth of the losses.
    time_on_air_s, interval_s, duty_cycle, legal_interval_s
        As `time_needed`; without time on air no times are given.
    sent, lost : int, optional
        Packets of a test that was made.

    Returns
    -------
    Acceptance

    Raises
    ------
    DomainError
        If an argument is outside its range.

    Examples
    --------
    >>> found = acceptance(0.95, sent=100, lost=2)
    >>> found.rules[0].packets, found.count.passed, round(found.count.success_at_least, 3)
    (59, False, 0.938)
    """
    p, c = _rate("success", success), _rate("confidence", confidence)
    good = 1.0 - (1.0 - p) / 5.0 if good_success is None else _rate("good_success", good_success)
    kept = None
    if time_on_air_s is not None:
        kept = time_needed(
            1,
            time_on_air_s=time_on_air_s,
            interval_s=interval_s,
            duty_cycle=duty_cycle,
            legal_interval_s=legal_interval_s,
        )
    every_s = kept.interval_s if kept else None
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
        interval_limited_by=kept.limited_by if kept else None,
        rules=tuple(_outcome(rule, allowed, p, good, every_s) for rule, allowed in rules),
        count=None if sent is None else judge(lost, sent, p, c),
    )


def judge(lost: int, sent: int, success: float, confidence: float = 0.95) -> Count:
    """Say whether a count of packets proves a success rate.

    Parameters
    ----------
    lost, sent : int
    success, confidence
        As `packets_needed`.

    Returns
    -------
    Count

    Raises
    ------
    DomainError
        If an argument is outside its range.
    """
    p, c = _rate("success", success), _rate("confidence", confidence)
    n, k, _ = _counts(lost, sent, c)
    at_least = 1.0 - largest_loss_rate(k, n, c)
    passed = at_least >= p
    more = None
    if not passed and k <= 1000 and k / n < 1.0 - p:
        more = max(packets_needed(p, c, k) - n, 0)
    return Count(n, k, passed, at_least, clopper_pearson_interval(k, n, c), wilson_interval(k, n, c), more)


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
        steps=_steps(rule) if rule.kind == "sequential" else (),
    )


def _steps(rule: Rule) -> tuple[tuple[int, int, int], ...]:
    """Where a sequential rule's limits change, for a table to take along."""
    return tuple((n, int(rule.pass_at_most[n]), int(rule.fail_at_least[n])) for n, _ in rule._stretches())


def _binomial(lost: NDArray[np.int64], sent: int, q: float) -> NDArray[np.float64]:
    """Probability of so many lost."""
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


def _rate(name: str, value: float) -> float:
    return float(checked(name, value, above=0.0, at_most=np.nextafter(1.0, 0.0)))


def _counts(lost: int, sent: int, confidence: float) -> tuple[int, int, float]:
    n, k = float(checked("sent", sent, at_least=1.0)), float(checked("lost", lost, at_least=0.0))
    if n != int(n) or k != int(k) or k > n:
        raise DomainError(f"lost must be a whole number from 0 to sent, got {lost} of {sent}")
    return int(n), int(k), _rate("confidence", confidence)

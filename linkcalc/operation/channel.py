"""What becomes of one message over a link: tries, loss, delay; whether such a site works at all.

Fast fading gives every try a new chance. The slow state (site, weather, a parked truck) does not: a shadowed
link is not made good by asking again. Both are kept apart all through.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked
from linkcalc.errors import DomainError
from linkcalc.link.reliability import message_failure, rician_outage, success_by_try, two_way_success

if TYPE_CHECKING:
    from linkcalc.link.result import Direction

BackOff = Literal["fixed", "exponential"]

DEAD_LOSS = 0.5
"""A site at which more of its messages are lost than this, with their tries, over the year, is dead."""

WORKING_LOSS = 0.01
"""A site at which no more are lost works, where the link does not say what is required of it."""


def normal_points(z: Floats, sigma_db: float = 1.0) -> tuple[Floats, Floats]:
    """Deviations of a normal quantity at these multiples of its standard deviation, and their shares."""
    if sigma_db <= 0:
        return np.zeros(1), np.ones(1)
    weight = np.exp(-0.5 * z * z)
    return sigma_db * z, weight / weight.sum()


@dataclass(frozen=True)
class FadingChannel:
    """One direction of a link as its messages see it: its site is fixed but unknown until measured, its
    conditions change over the year.

    >>> channel = FadingChannel(fade_margin_db=20.0, site_sigma_db=8.0, conditions_sigma_db=3.0)
    >>> channel.try_success([-20.0, 0.0]).round(3).tolist()
    [0.368, 0.99]
    """

    fade_margin_db: float
    site_sigma_db: float = 0.0
    conditions_sigma_db: float = 0.0
    rician_k_db: float = -np.inf

    def __post_init__(self) -> None:
        checked("fade_margin_db", self.fade_margin_db)
        checked("site_sigma_db", self.site_sigma_db, at_least=0.0)
        checked("conditions_sigma_db", self.conditions_sigma_db, at_least=0.0)

    @classmethod
    def of(cls, direction: "Direction", *, after_reading: bool = False) -> "FadingChannel":
        """Read the channel off a direction of a result, before or after a site reading."""

        def sigma_db(kind: str) -> float:
            parts = [c for c in direction.uncertainty if c.kind == kind]
            return float(
                np.sqrt(sum((c.after_reading_db if after_reading else c.sigma_db) ** 2 for c in parts))
            )

        return cls(
            direction.fade_margin_db,
            sigma_db("site"),
            sigma_db("conditions"),
            direction.rician_k_db if direction.fading == "rician" else -np.inf,
        )

    def try_success(self, slow_db: ArrayLike) -> Floats:
        """Success of one try when the slow state is `slow_db` dB better than its median."""
        slow = checked("slow_db", slow_db)
        return np.asarray(1.0 - rician_outage(self.fade_margin_db + slow, self.rician_k_db))

    @property
    def sigma_db(self) -> float:
        return float(np.hypot(self.site_sigma_db, self.conditions_sigma_db))


@dataclass(frozen=True)
class Retries:
    """When the tries of one message are sent: exponential back-off doubles every wait.

    >>> Retries(4, wait_s=10.0, back_off="exponential", jitter=0.0).mean_starts_s.tolist()
    [0.0, 10.0, 30.0, 70.0]
    """

    tries: int = 1
    wait_s: float = 10.0
    """From the start of the first try to that of the second."""
    back_off: BackOff = "fixed"
    jitter: float = 0.0
    """Each wait is longer or shorter at random, evenly, by up to this share of it."""

    def __post_init__(self) -> None:
        if isinstance(self.tries, bool) or int(self.tries) != self.tries or self.tries < 1:
            raise DomainError(f"tries must be a whole number, 1 or more, got {self.tries!r}")
        checked("wait_s", self.wait_s, above=0.0)
        checked("jitter", self.jitter, at_least=0.0, at_most=1.0)
        if self.back_off not in ("fixed", "exponential"):
            raise DomainError(f"back_off must be fixed or exponential, got {self.back_off!r}")

    @property
    def waits_s(self) -> Floats:
        growth = 2.0 if self.back_off == "exponential" else 1.0
        return np.asarray(self.wait_s * growth ** np.arange(self.tries - 1), dtype=np.float64)

    @property
    def mean_starts_s(self) -> Floats:
        return np.concatenate(([0.0], np.cumsum(self.waits_s)))

    @property
    def latest_start_s(self) -> float:
        return float((1.0 + self.jitter) * self.waits_s.sum())

    @property
    def shortest_wait_s(self) -> float:
        """Shortest wait that jitter may make of the first; inf without retries."""
        return self.wait_s * (1.0 - self.jitter) if self.tries > 1 else float("inf")

    def start_cdf(self, time_s: ArrayLike) -> Floats:
        """Chance that each try has been started by increasing times, were it to be sent at all.

        Shape: tries by times. The sum of uniform waits, one after the other: each averages the curve before
        it.

        >>> Retries(2, wait_s=10.0, jitter=0.5).start_cdf([0.0, 10.0, 15.0]).tolist()
        [[1.0, 1.0, 1.0], [0.0, 0.5, 1.0]]
        """
        time = checked("time_s", time_s)
        # without jitter the curves are steps, which a grid of times would blur
        if self.jitter * self.waits_s.sum() < 1e-6:
            return (time >= self.mean_starts_s[:, np.newaxis]).astype(np.float64)
        # Exact where a curve is piecewise linear; the steps keep the smooth ones to 1e-6.
        fine = np.linspace(0.0, max(self.latest_start_s, 1e-9), 4001)
        begun = np.ones_like(fine)
        curves = [np.where(time >= 0.0, 1.0, 0.0)]
        for wait in self.waits_s:
            low, high = float(wait * (1.0 - self.jitter)), float(wait * (1.0 + self.jitter))
            curves.append(_after_a_wait(fine, begun, low, high, time))
            begun = _after_a_wait(fine, begun, low, high, fine)
        return np.asarray(np.clip(np.stack(curves), 0.0, 1.0))


def _after_a_wait(grid: Floats, begun: Floats, low: float, high: float, time: Floats) -> Floats:
    """Chance that something that begins by `begun` on `grid` is followed, after a wait, by `time`."""
    area = np.concatenate(([0.0], np.cumsum(0.5 * (begun[1:] + begun[:-1]) * np.diff(grid))))
    earlier, later = (
        np.interp(np.maximum(x, 0.0), grid, area) + np.maximum(x - grid[-1], 0.0) * begun[-1]
        for x in (time - high, time - low)
    )
    return np.asarray((later - earlier) / (high - low))


def delivered_by_try(channel: FadingChannel, tries: int) -> Floats:
    """Chance that a message is delivered exactly by its first, second ... try, over all slow states."""
    by_try = success_by_try(
        channel.fade_margin_db, channel.sigma_db, rician_k_db=channel.rician_k_db, tries=tries
    )
    return np.clip(by_try, 0.0, 1.0)  # their sum is rounded


def loss(channel: FadingChannel, tries: int) -> float:
    """Chance that all tries of a message are lost, over all slow states."""
    return float(
        message_failure(
            channel.fade_margin_db, channel.sigma_db, rician_k_db=channel.rician_k_db, tries=tries
        )
    )


@dataclass(frozen=True)
class BySite:
    """Whether messages arrive at a site, and how many where they do: two questions, answered apart."""

    dead_chance: float
    """Of a site at which more of them are lost than `DEAD_LOSS`."""
    working_chance: float
    """Of one at which no more are lost than is accepted."""
    accepted_loss: float
    working_loss: float
    """Mean over those that work; of the predicted site where none does."""


def by_site(channel: FadingChannel, tries: int, accepted_loss: float = WORKING_LOSS) -> BySite:
    """Tell sites that work from dead ones, by messages lost with their tries, over the year's states.

    >>> found = by_site(FadingChannel(20.0, site_sigma_db=10.0, conditions_sigma_db=3.0), 3)
    >>> round(found.dead_chance, 3), round(found.working_chance, 2), f"{found.working_loss:.0e}"
    (0.014, 0.87, '5e-04')
    """
    if channel.site_sigma_db <= 0.0:
        mean = loss(channel, tries)
        return BySite(float(mean > DEAD_LOSS), float(mean <= accepted_loss), accepted_loss, mean)
    z, share = normal_points(np.linspace(-6.0, 6.0, 481))
    # the loss falls smoothly: its logarithm at every fourth place, straight lines between
    some = z[::4]
    at_some = message_failure(
        channel.fade_margin_db + channel.site_sigma_db * some,
        channel.conditions_sigma_db,
        rician_k_db=channel.rician_k_db,
        tries=tries,
    )
    lost: Floats = np.exp(np.interp(z, some, np.log(np.maximum(at_some, 1e-300))))
    works = lost <= accepted_loss
    working = float((share * lost)[works].sum() / share[works].sum()) if works.any() else float(lost[240])
    return BySite(float(share[lost > DEAD_LOSS].sum()), float(share[works].sum()), accepted_loss, working)


def unconfirmed(there: FadingChannel, back: FadingChannel, tries: int) -> float:
    """Chance that the sender hears no acknowledgement in all its tries.

    The slow state is common to both directions and to all tries.
    """
    if tries == 0:
        return 1.0
    heard = two_way_success(
        there.fade_margin_db,
        back.fade_margin_db,
        there.sigma_db,
        rician_k_db=there.rician_k_db,
        tries=tries,
    )
    return float(1.0 - heard)


@dataclass(frozen=True)
class DelayCurve:
    """Share of all messages delivered by a time."""

    time_s: tuple[float, ...]
    delivered: tuple[float, ...]
    independent: tuple[float, ...]
    """As if every try had a slow state of its own."""


@dataclass(frozen=True)
class Delay:
    """How long delivery takes, from the moment the message is due until it is received whole."""

    mean_s: float | None
    """Of those that are delivered; None if none is."""
    median_s: float | None
    """Of all messages; None: half of them do not arrive."""
    p95_s: float | None
    p99_s: float | None
    drawing: DelayCurve


def delivery_delay(by_try: ArrayLike, retries: Retries, time_on_air_s: float) -> Delay:
    """Distribution of the delay of delivery, `by_try` being of `delivered_by_try`.

    >>> delay = delivery_delay([0.9, 0.09, 0.009], Retries(3, wait_s=10.0), 0.4)
    >>> round(delay.mean_s, 3), delay.median_s, delay.p95_s, delay.p99_s
    (1.481, 0.4, 10.4, 10.4)
    """
    share = checked("by_try", by_try, at_least=0.0, at_most=1.0)
    airtime = float(checked("time_on_air_s", time_on_air_s, above=0.0))
    if share.shape != (retries.tries,):
        raise DomainError(f"by_try must have an entry for each of {retries.tries} tries, got {share.shape}")
    total = float(share.sum())
    mean = float(share @ retries.mean_starts_s) / total + airtime if total > 0 else None
    # Points between the tries, and both sides of every jump that a wait without jitter makes.
    starts = retries.mean_starts_s
    jumps = np.concatenate((starts - 1e-9, starts)) if retries.jitter == 0 else starts[:1]
    span = retries.latest_start_s * 1.05 + airtime
    begun = np.unique(np.concatenate((jumps[jumps >= 0], np.linspace(0.0, span, 2001))))
    started = retries.start_cdf(begun)
    delivered = share @ started
    fresh = share[0] * (1.0 - share[0]) ** np.arange(retries.tries) @ started

    def quantile(level: float) -> float | None:
        if total < level - 1e-12:
            return None
        first = int(np.argmax(delivered >= level - 1e-9))
        return float(begun[first]) + airtime

    times = (0.0, airtime * (1.0 - 1e-9), *(begun + airtime).tolist())
    drawing = DelayCurve(times, (0.0, 0.0, *delivered.tolist()), (0.0, 0.0, *fresh.tolist()))
    return Delay(mean, quantile(0.5), quantile(0.95), quantile(0.99), drawing)


def expected_tries(message: FadingChannel, answer: FadingChannel, tries: int) -> tuple[float, float]:
    """Mean number of tries sent until one is acknowledged or given up, and of them heard."""
    slow, weight = normal_points(np.linspace(-6.0, 6.0, 241), message.sigma_db)
    p, q = message.try_success(slow), answer.try_success(slow)
    # a try is sent where each before it went unconfirmed: the message was lost, or its answer
    goes_on = sum((1.0 - p * q) ** k for k in range(tries))
    return float(weight @ goes_on), float(weight @ (goes_on * p))

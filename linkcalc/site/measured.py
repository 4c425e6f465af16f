"""One direction of a link, measured: its readings against what is predicted for their heights and day."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.answer import said
from linkcalc.link.case import LinkCase
from linkcalc.link.legal import lawful
from linkcalc.link.reliability import mean_success
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.result import VerdictWord
from linkcalc.link.uncertainty import (
    LOCAL_NOISE,
    NOISE_OVER_TIME,
    REFRACTION,
    SLOW_FADING,
    SURROUNDINGS,
    combined_db,
    contributors,
    rician_k_db,
)
from linkcalc.plan import Plan
from linkcalc.site.distribution import Distribution
from linkcalc.site.fades import fade_points_db
from linkcalc.site.fitted import NOTHING_ELSE, Fitted
from linkcalc.site.heard import ERROR_DB, Count, Heard, MeasuredNoise
from linkcalc.site.level import Found
from linkcalc.site.loss_rate import loss_rate_interval
from linkcalc.site.reading import Leaf
from linkcalc.site.readings import Reading, Way
from linkcalc.site.signal_and_noise import Expected, read_levels, row_words

AGREES_DB = 6.0
"""Measured within this of the prediction: trust both (common practice, no source)."""

FEWEST_FOR_NOISE = 3
_FEWEST_FOR_SCATTER = 10
_BURSTS_DB = 4.0
"""Noise that scatters more than a reading's error explains."""
PLANNED_SLACK_DB = 0.5
"""A reading with so much more margin than planned was still taken as planned."""
NOISE_SLACK_DB = 2.0
"""By so much a saturated SNR may read high."""


@dataclass(frozen=True)
class DirectionSurvey:
    """One direction, measured; intervals hold 95 %, that of counts by Wilson's score."""

    from_: str
    to: str
    readings: int
    """Rows that hold a level."""
    sent: int | None
    received: int | None
    received_share_interval: tuple[float, float] | None
    level_dbm: float | None
    """Median power of the wanted signal."""
    level_10_percent_dbm: float | None
    lowest_level_dbm: float | None
    predicted_level_dbm: float
    """For the heights and the conditions of the readings."""
    excess_db: float | None
    """Measured below the prediction, by this direction alone; fading and offset accounted for."""
    excess_interval_db: tuple[float, float] | None
    saturated: int
    """Readings whose SNR is too strong to be believed."""
    noise_dbm: float | None
    """Median noise heard, with the engine running if it was heard then."""
    predicted_noise_dbm: float
    """In the same state of the engine."""
    unexplained_loss: float
    """Share of packets lost for other reasons than the level, as far as the counts tell."""
    predicted_margin_db: float
    predicted_margin_interval_db: tuple[float, float]
    fade_margin_db: float
    """Median of what it may be, under the plan's conditions."""
    fade_margin_interval_db: tuple[float, float]
    fade_margin_as_mounted_db: float
    """The same with the antennas at the heights of the readings."""
    required_margin_db: float
    margin_probability: float
    predicted_delivery_probability: float
    delivery_probability: float
    """Of one message with its tries, averaged over what stays unknown and what varies; losses that the level
    does not explain are counted where they are plain."""
    delivery_probability_interval: tuple[float, float]
    """95 %: what it is at the ends of the margin's interval."""
    contradicted: int
    """Readings of level that contradict the answer: too far from it, or at an SNR that decodes nothing."""
    verdict: VerdictWord
    counted_as_planned: tuple[int, int] | None = field(default=None, metadata=said())
    """Packets sent and received with settings and heights that have no more margin than the plan's."""


@dataclass(frozen=True)
class DirectionDrawing:
    """Arrays a picture needs, as margins under the plan's conditions; not part of the JSON answer."""

    reading_margin_db: Floats
    """(n,) of each reading of level, in the file's order; were its fade the median one."""
    reading_wrong: Floats
    """(n,) probability that it is plainly wrong."""
    lost: int
    margin_db: Floats
    prior_density: Floats
    posterior_density: Floats


@dataclass(frozen=True)
class State:
    """What a reading was taken under."""

    near_m: float
    far_m: float
    leaf: Leaf
    wet: bool
    running: bool
    fitted: Fitted = NOTHING_ELSE
    foliage_db: float = 0.0
    """What the plan's foliage loses more than the day's where the model of the path does not know it."""

    def case(self, case: LinkCase, plan: Plan | None = None) -> LinkCase:
        case = self.fitted.case(case, plan)
        foliage = case.conditions.model_copy(update={"leaf": self.leaf, "wet_foliage": self.wet})
        changed = replace(case, conditions=foliage).with_heights(near_m=self.near_m, far_m=self.far_m)
        if self.running:
            return changed
        # the rise that a plan states is its engine's: stopped, it is at neither end
        near, far = (s.model_copy(update={"noise_rise_db": 0.0}) for s in (changed.near, changed.far))
        return replace(changed, near=near, far=far)


class Side:
    """One direction: its readings against its prediction."""

    def __init__(
        self,
        case: LinkCase,
        way: Way,
        readings: Sequence[Reading],
        states: Sequence[State],
        plan: Plan | None = None,
    ) -> None:
        self.case, self.way, self._plan = case, way, plan
        back = way == "return"
        self.tx, self.rx = (case.far, case.near) if back else (case.near, case.far)
        # power over a legal limit does not count, but the readings were taken with it
        self._lawful = lawful(case)[0]
        self.planned = Expected.of(self._lawful, way)
        pairs = [(r, s) for r, s in zip(readings, states, strict=True) if r.direction == way]
        self._readings = [r for r, _ in pairs]
        # a prediction for each state, not for each reading: a log of thousands has few
        expected = {
            s: Expected.of(s.case(case, plan), way, s.foliage_db) for s in dict.fromkeys(s for _, s in pairs)
        }
        self.states = [s for _, s in pairs]
        self._expected = [expected[s] for s in self.states]
        parts = contributors(case, self.rx)
        sigma = {p.name: p.sigma_db for p in parts}
        place_db, time_db = sigma.get(LOCAL_NOISE, 0.0), sigma.get(NOISE_OVER_TIME, 0.0)
        self.conditions_db = combined_db(parts, "conditions")
        # local noise is the one part of the site that a level does not show: it goes with the noise
        self.site_db = max(math.sqrt(max(combined_db(parts, "site") ** 2 - place_db**2, 0.0)), 0.5)
        # what one day's readings cannot tell from the site
        self.day_db = math.hypot(*(sigma.get(name, 0.0) for name in (REFRACTION, SLOW_FADING, SURROUNDINGS)))
        self._levels = read_levels(self._readings, self._expected)
        self._level_dbm = np.array([e.level_dbm for e in self._expected], dtype=np.float64)
        self._noise_dbm = np.array([e.noise_dbm for e in self._expected], dtype=np.float64)
        self._noise = {
            running: self._measured_noise([s.running == running for s in self.states])
            for running in (True, False)
        }
        self._place_db, self._time_db = place_db, time_db
        (self.heard,) = self.parts([0] * len(self._readings), 1)
        self.k_db = rician_k_db(case)

    def parts(self, group_of: Sequence[int], groups: int) -> list[Heard]:
        """What each group of this direction's readings tells, given the group of each."""
        self._group_of = list(group_of)
        numbers = np.array(self._group_of, dtype=np.int64)
        return [self._part(numbers == number) for number in range(groups)]

    def _part(self, at: NDArray[np.bool_]) -> Heard:
        """What some of this direction's readings tell, with the noise that all of them tell."""
        level = self._levels.usable & at
        most = _finite(self._levels.noise_most_dbm - self._noise_dbm)
        return Heard(
            shift_db=self._levels.signal_dbm[level] - self._level_dbm[level],
            head_db=self._levels.head_db[level],
            packets=np.array([float(r.packets) for r in self._readings])[level],
            counts=self._counts(at),
            # the plan's margin is with the engine running; noise heard without it stands in for that
            noise=self._noise[True] or self._noise[False],
            noise_place_db=self._place_db,
            noise_time_db=self._time_db,
            # a strong packet leaves room for much noise: the lower quartile binds, no single odd reading
            noise_most_db=float(np.quantile(most, 0.25)) + NOISE_SLACK_DB if most.size else math.inf,
        )

    @property
    def _noise_over(self) -> Floats:
        """Noise over the expected, of the readings that tell it."""
        return _finite(self._levels.noise_dbm - self._noise_dbm)

    def _measured_noise(self, chosen: Sequence[bool]) -> MeasuredNoise | None:
        over = _finite((self._levels.noise_dbm - self._noise_dbm)[np.array(chosen, dtype=bool)])
        if over.size < FEWEST_FOR_NOISE:
            return None
        # a median's standard error, from the readings' own scatter where that is more than a reading's error
        scatter = max(_scatter_db(over), ERROR_DB)
        return MeasuredNoise(float(np.median(over)), max(1.25 * scatter / math.sqrt(over.size), 0.3))

    def _counts(self, chosen: NDArray[np.bool_]) -> tuple[Count, ...]:
        sums: dict[tuple[float, bool], list[int]] = {}
        for r, s, e, take in zip(self._readings, self.states, self._expected, chosen, strict=True):
            if take and r.sent is not None and r.received is not None:
                both = sums.setdefault((e.margin_db, s.running), [0, 0])
                both[0] += r.sent
                both[1] += r.received
        return tuple(
            Count(margin, sent, received, self._noise[running])
            for (margin, running), (sent, received) in sums.items()
        )

    @property
    def counted(self) -> tuple[int, int] | None:
        if not self.heard.counts:
            return None
        return sum(c.sent for c in self.heard.counts), sum(c.received for c in self.heard.counts)

    @property
    def counted_as_planned(self) -> tuple[int, int] | None:
        """The same without what was sent more strongly, slower or from higher up than planned: no proof of the plan."""
        c = self.case.conditions
        # the day's leaves and engine are nobody's setting: with the plan's in all of them, only settings and
        # heights can tell packets that were sent more easily
        planned = {
            s: replace(s, foliage_db=0.0, leaf=c.leaf, wet=c.wet_foliage, running=True)
            for s in dict.fromkeys(self.states)
        }
        # at the power that was set, lawful or not: what was sent over a limit is no proof of a lawful link
        margin_db = {
            s: Expected.of(p.case(self.case, self._plan), self.way).margin_db for s, p in planned.items()
        }
        own = [
            (r.sent, r.received)
            for r, s in zip(self._readings, self.states, strict=True)
            if r.sent is not None
            and r.received is not None
            and margin_db[s] <= self.planned.margin_db + PLANNED_SLACK_DB
        ]
        return (sum(sent for sent, _ in own), sum(received for _, received in own)) if own else None

    def answer(self, found: Found, mounted: tuple[float, float]) -> DirectionSurvey:
        usable = self._levels.usable
        power = self._levels.signal_dbm[usable]
        # with the engine running, if its noise was measured then
        state = np.array([s.running == (self._noise[True] is not None) for s in self.states], dtype=bool)
        noise = _finite(self._levels.noise_dbm[state])
        counted = self.counted
        share = None
        if counted:
            low, high = loss_rate_interval(counted[0] - counted[1], counted[0], method="wilson")
            share = (1.0 - high, 1.0 - low)
        planned_db, margin = self.planned.margin_db, found.shortfall
        middle = planned_db - margin.quantile(0.5)
        interval = self._margin_interval(margin)
        asked = Requirement.of(self.case.link)
        # of the site only what the readings leave unknown: measured, it needs less margin than predicted
        needed = float(asked.margin_db(margin.standard_deviation, self.conditions_db, self.k_db))
        verdict = VERDICTS[int(asked.verdict(middle, needed, self.conditions_db, self.k_db))]
        as_mounted = Expected.of(self._lawful.with_heights(near_m=mounted[0], far_m=mounted[1]), self.way)
        prior_db = math.hypot(self.site_db, self.heard.noise_place_db)
        alone = found.own_excess if usable.any() else None
        otherwise = found.unexplained if self.losses_unexplained(found) else 0.0
        at_ends = [float(self._success(m, self.conditions_db, otherwise)) for m in interval]
        return DirectionSurvey(
            from_=self.tx.name,
            to=self.rx.name,
            readings=int(usable.sum()),
            sent=counted[0] if counted else None,
            received=counted[1] if counted else None,
            received_share_interval=share,
            level_dbm=_quantile(power, 0.5),
            level_10_percent_dbm=_quantile(power, 0.1),
            lowest_level_dbm=_quantile(power, 0.0),
            predicted_level_dbm=_or(_quantile(self._level_dbm[usable], 0.5), self.planned.level_dbm),
            excess_db=None if alone is None else alone.quantile(0.5),
            excess_interval_db=None if alone is None else alone.interval(),
            saturated=int(self._levels.saturated.sum()),
            noise_dbm=_quantile(noise, 0.5),
            predicted_noise_dbm=_or(_quantile(self._noise_dbm[state], 0.5), self.planned.noise_dbm),
            unexplained_loss=found.unexplained if counted else 0.0,
            predicted_margin_db=planned_db,
            predicted_margin_interval_db=(planned_db - 1.96 * prior_db, planned_db + 1.96 * prior_db),
            fade_margin_db=middle,
            fade_margin_interval_db=interval,
            fade_margin_as_mounted_db=middle + as_mounted.margin_db - planned_db,
            required_margin_db=needed,
            margin_probability=1.0 - margin.above(planned_db - max(needed, 0.0)),
            predicted_delivery_probability=float(
                self._success(planned_db, math.hypot(prior_db, self.conditions_db))
            ),
            delivery_probability=self._mean_success(margin, otherwise),
            delivery_probability_interval=(at_ends[0], at_ends[1]),
            contradicted=len(self.contradicting(found)),
            verdict=verdict,
            counted_as_planned=self.counted_as_planned,
        )

    def _margin_interval(self, shortfall: Distribution) -> tuple[float, float]:
        low, high = shortfall.interval()
        return self.planned.margin_db - high, self.planned.margin_db - low

    def _success(self, margin_db: Floats | float, sigma_db: float, lost_otherwise: float = 0.0) -> Floats:
        """Success of a message with its tries, each lost by fading or, independently, otherwise."""
        asked = Requirement.of(self.case.link)
        busy = 1.0 - (1.0 - asked.busy) * (1.0 - lost_otherwise)
        return np.asarray(mean_success(margin_db, sigma_db, self.k_db, tries=asked.tries, busy=busy))

    def _mean_success(self, shortfall: Distribution, lost_otherwise: float) -> float:
        margin = self.planned.margin_db - shortfall.value
        # success is smooth in the margin: at 121 places, not at every tenth of a decibel
        coarse = np.linspace(margin.min(), margin.max(), 121)
        success = np.interp(margin, coarse, self._success(coarse, self.conditions_db, lost_otherwise))
        return float(success @ shortfall.probability)

    def contradicting(self, found: Found) -> list[Reading]:
        """Readings of level that contradict the answer."""
        undecodable = set(self._levels.undecodable)
        wrong = zip(self._usable, self.wrong(found), strict=True)
        return [r for r, p in wrong if p > 0.5 or r.place in undecodable]

    @property
    def _usable(self) -> list[Reading]:
        return [r for r, ok in zip(self._readings, self._levels.usable, strict=True) if ok]

    def wrong(self, found: Found) -> Floats:
        """(n,) probability of each usable reading to be plainly wrong, in the readings' order."""
        # they come group after group, as they were weighed: put back into the order of the file
        at = np.argsort(np.asarray(self._group_of)[self._levels.usable], kind="stable")
        wrong = np.empty_like(found.wrong)
        wrong[at] = found.wrong
        return wrong

    def contradicts(self, found: Found) -> bool:
        """Whether most of the levels contradict the answer, which then rests on packet counts alone."""
        return 2 * len(self.contradicting(found)) > int(self._levels.usable.sum()) > 0

    def losses_unexplained(self, found: Found) -> bool:
        """Whether more packets were lost than the level explains, by a share that matters."""
        counted = self.counted
        return bool(counted and counted[0] - counted[1] >= 3 and found.unexplained >= 0.05)

    def warnings(self, found: Found, case: LinkCase) -> list[str]:
        """What is odd about this direction's readings."""
        way = f"{self.tx.name} to {self.rx.name}"
        usable, counted, noise = self._usable, self.counted, self.heard.noise
        wrong = [r.place for r, p in zip(usable, self.wrong(found), strict=True) if p > 0.5]
        scatter = self._scatter(found)
        over_db = noise.shift_db if noise is not None else 0.0
        jumps_db = _scatter_db(self._noise_over) if self._noise_over.size >= _FEWEST_FOR_SCATTER else 0.0
        easier = sum((counted or (0,))[:1]) - sum((self.counted_as_planned or (0,))[:1])
        told = (
            (
                easier > 0,
                f"{way}: {easier} packets were sent with settings or heights of more margin than the plan's: they"
                " prove nothing of it, and the acceptance test of the record leaves them out",
            ),
            (
                self.contradicts(found),
                f"{way}: the levels read{' and the packets counted' if counted else ''} contradict each other "
                f"({len(self.contradicting(found))} of {len(usable)} levels do not fit): no answer better than "
                "at risk; check settings, antennas and the way the levels were noted, and read again",
            ),
            (
                wrong,
                f"{way}: {row_words(wrong)} too far from the others to count ({len(wrong)} of {len(usable)})",
            ),
            (
                self.losses_unexplained(found),
                f"{way}: some {100 * found.unexplained:.0f} % of the packets are lost for another reason "
                "than the level: interference, another transmitter, bursts of engine noise; listen in",
            ),
            (
                over_db > AGREES_DB,
                f"{way}: the noise heard is {over_db:.0f} dB above the expected; find the source, or "
                f"move the antenna of {self.rx.name} away from it",
            ),
            (
                self.heard.empty,
                f"nothing was measured from {way}: the margin there is inferred from the other direction",
            ),
            (
                noise is None and usable,
                f"{way}: no reading tells the noise at {self.rx.name}: a machine nearby may raise it as far "
                "as the packets heard allow, and the interval holds that; to find the real margin, lower the "
                "power in known steps until half of the packets are lost",
            ),
            (scatter, f"{way}: the readings scatter by {scatter}"),
            (
                jumps_db >= _BURSTS_DB,
                f"{way}: the noise jumps by {jumps_db:.0f} dB from reading to reading: other "
                "transmitters or sparks; the share of packets that arrive says more than the margin",
            ),
            (
                counted and counted[0] < 30,
                f"{way}: {counted[0] if counted else 0} packets prove nothing about the share that arrives",
            ),
        )
        return [*self._levels.warnings(way, case.signal.text), *(words for odd, words in told if odd)]

    def _scatter(self, found: Found) -> str:
        """How far single readings scatter where that is not what fading explains; else empty."""
        # the median of a burst hides its fading: only single packets show how far it scatters
        shift = self.heard.shift_db[(self.heard.packets == 1.0) & (self.wrong(found) < 0.5)]
        if shift.size < _FEWEST_FOR_SCATTER:
            return ""
        low, high = np.quantile(shift, [0.1587, 0.8413])
        fade_low, _, fade_high = fade_points_db(self.k_db)
        # half of the 16 to 84 % range of both: fading is skew, and a standard deviation hangs on its tail
        spread, expected = (high - low) / 2.0, math.hypot((fade_high - fade_low) / 2.0, ERROR_DB)
        what = f"{spread:.1f} dB where fading of {expected:.1f} dB is expected"
        if spread < 0.4 * expected:
            still = (
                "it stands still; read again with an antenna moved by half a wavelength and keep the median"
            )
            return f"{what}: {still}"
        if spread > 1.8 * expected:
            return f"{what}: something moves in the path, or a connector is loose"
        return ""

    def drawing(self, found: Found) -> DirectionDrawing:
        noise_db = self.heard.noise.shift_db if self.heard.noise else 0.0
        prior_db = math.hypot(self.site_db, self.heard.noise_place_db)
        planned, counted = self.planned.margin_db, self.counted
        edges = [*self._margin_interval(found.shortfall), planned - 2.5 * prior_db, planned + 2.5 * prior_db]
        grid = np.linspace(min(edges) - 5.0, max(edges) + 5.0, 400)
        value, step = found.shortfall.value, found.shortfall.value[1] - found.shortfall.value[0]
        posterior = np.interp(planned - grid, value, found.shortfall.probability, left=0.0, right=0.0) / step
        prior = np.exp(-0.5 * ((grid - planned) / prior_db) ** 2) / (prior_db * math.sqrt(2.0 * math.pi))
        return DirectionDrawing(
            reading_margin_db=planned + self.heard.shift_db - noise_db - fade_points_db(self.k_db)[1],
            reading_wrong=self.wrong(found),
            lost=counted[0] - counted[1] if counted else 0,
            margin_db=grid,
            prior_density=prior,
            posterior_density=posterior,
        )


def _scatter_db(values: Floats) -> float:
    """Standard deviation by the median deviation, which a few wild values do not move."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _finite(values: Floats) -> Floats:
    return values[np.isfinite(values)]


def _quantile(values: Floats, share: float) -> float | None:
    return float(np.quantile(values, share)) if values.size else None


def _or(value: float | None, other: float) -> float:
    return other if value is None else value

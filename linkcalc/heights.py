"""Both antenna heights of a link at once: the margin of every pair, where it suffices, what the masts cost.

A pair *reaches what is asked* where neither direction lacks anything. Margins are those of a check at each
pair, feeders as the plan has them.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.area.height_pairs import HeightPairs, height_pairs
from linkcalc.area.margins import FADING, noise_spread_db
from linkcalc.errors import DomainError
from linkcalc.link_case import LinkCase
from linkcalc.plan import Station
from linkcalc.plan.stations import COMMON_PRACTICE
from linkcalc.reliability import margin_for_success, message_success
from linkcalc.requirement import Requirement
from linkcalc.result import Assumption, VerdictWord
from linkcalc.uncertainty import Fading, combined_db, contributors, fading
from linkcalc.verdict import check_link, recorded_notes

LOWEST_M = 1.0
"""Lowest antenna looked at; Rec. ITU-R P.1812 is stated from here."""

MOST_M = 200.0
"""Taller is another trade."""

_WORST_FIRST = ("does_not_close", "at_risk", "closes")
_LEVELS = 40
MOST_LEVELS = 100
_STEPS_M = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0)
_ROUNDING_DB = 1e-5
"""Of a budget's terms, all together."""
_SLACK_DB = 0.05
"""More than the table of margins for a success is ever off; pairs that lack less are looked at exactly."""


@dataclass(frozen=True)
class MastPrices:
    """What a mast costs, in any currency; the defaults only have plausible proportions.

    Examples
    --------
    >>> MastPrices(cost_per_m=10.0, guyed_above_m=6.0, guyed_cost_per_m=30.0, cost_per_mast=5.0).of([0, 6, 7])
    array([  0.,  65., 215.])
    """

    cost_per_m: float = 40.0
    """Of a mast that stands by itself."""
    guyed_above_m: float = 6.0
    """A longer mast is guyed."""
    guyed_cost_per_m: float = 70.0
    """Of a guyed mast, from its foot."""
    cost_per_mast: float = 150.0
    """Foot, bracket and an hour's work, whatever its length."""

    def __post_init__(self) -> None:
        for name in ("cost_per_m", "guyed_above_m", "guyed_cost_per_m", "cost_per_mast"):
            checked(name, getattr(self, name), at_least=0.0)

    def of(self, length_m: ArrayLike) -> Floats:
        """Cost of masts by their lengths, m; no mast, no cost."""
        length = checked("length_m", length_m)
        rate = np.where(length > self.guyed_above_m + 1e-9, self.guyed_cost_per_m, self.cost_per_m)
        return np.asarray(np.where(length > 1e-9, self.cost_per_mast + length * rate, 0.0))


@dataclass(frozen=True)
class Pair:
    """Two antenna heights and what they reach."""

    near_height_m: float
    far_height_m: float
    cost: float
    verdict: VerdictWord
    fade_margins_db: tuple[float, float]
    """There and back."""
    required_margins_db: tuple[float, float]
    delivery_probability: float
    """The lesser of both directions."""


@dataclass(frozen=True)
class HeightTable:
    """The answer for one link."""

    link: str
    from_: str
    to: str
    near_height_m: Floats
    """(n,) rising, antenna above ground at the `from` station."""
    far_height_m: Floats
    """(m,) rising, at the `to` station."""
    margin_db: Floats
    """(n, m) fade margin of the weaker direction."""
    lacking_db: Floats
    """(n, m) what the direction that lacks most lacks of what is asked; negative: it has more. To a tenth
    of a decibel where a message success is asked."""
    cost: Floats
    """(n, m) of both masts."""
    asked: str
    """What is asked, in words."""
    asked_margin_db: float | None
    """The margin asked for, where it is the same at all heights."""
    prices: MastPrices
    bases_m: tuple[float, float]
    """Height at which the masts stand on something that is there already."""
    present: Pair
    cheapest: Pair | None
    """Of the pairs that reach what is asked, as a check of its own finds it; None: none does."""
    best: Pair
    """The pair with most to spare."""
    assumed: tuple[Assumption, ...]

    @property
    def closes(self) -> NDArray[np.bool_]:
        """(n, m) where what is asked is reached."""
        return np.asarray(self.lacking_db <= 0.0)


def height_table(
    case: LinkCase,
    *,
    highest_m: float = 20.0,
    step_m: float | None = None,
    prices: MastPrices | None = None,
    stated: frozenset[str] = frozenset(),
    bases_m: tuple[float, float] = (0.0, 0.0),
) -> HeightTable:
    """Work out a link over both antenna heights.

    Parameters
    ----------
    case : LinkCase
    highest_m : float, m
        Highest antenna above ground at either end, 2 to 200.
    step_m : float, m, optional
        Between heights; left out: the finest of 0.1, 0.25, 0.5, 1, 2 and 5 m that gives at most 40 heights.
        The present heights are looked at besides.
    prices : MastPrices, optional
    stated : frozenset of str
        Which of the prices the user stated; the others are listed as assumed.
    bases_m : tuple of float, m
        How high at the `from` and at the `to` station something stands already that carries a mast (a tank, a
        gable): only what is above costs.

    Returns
    -------
    HeightTable

    Raises
    ------
    DomainError
        If an argument is outside its range, or a height that is there already is above `highest_m`.
    """
    top = float(checked("highest_m", highest_m, at_least=2.0, at_most=MOST_M))
    for base in bases_m:
        if checked("bases_m", base, at_least=0.0) > top:
            raise DomainError(f"a mast that starts at {base:g} m is above the highest antenna, {top:g} m")
    step = _step_m(top) if step_m is None else float(checked("step_m", step_m, at_least=0.1, at_most=top))
    if (top - LOWEST_M) / step > MOST_LEVELS:
        raise DomainError(f"step_m = {step:g} gives more than {MOST_LEVELS} heights up to {top:g} m")
    costs = MastPrices() if prices is None else prices
    near_m, far_m = (_heights(s.antenna_height_m, top, step) for s in (case.near, case.far))
    asked = Requirement.of(case.link)
    with recorded_notes():  # what is only tried may leave a model's range
        pairs = height_pairs(case, near_m, far_m)

        def raised(at: tuple[int, int]) -> LinkCase:
            return case.with_heights(near_m=float(near_m[at[0]]), far_m=float(far_m[at[1]]))

        margins = pairs.path_gain_db[..., np.newaxis] + [
            [_equipment_db(raised((i, j))) for j in range(far_m.size)] for i in range(near_m.size)
        ]
        lacking = (_needed_db(case, pairs, asked) - margins).max(axis=2)
        cost = costs.of(near_m - bases_m[0])[:, np.newaxis] + costs.of(far_m - bases_m[1])
        chosen = _cheapest(lambda at: _lacking_db(raised(at), asked), lacking, cost, asked)
        best = divmod(int(np.argmin(lacking)), lacking.shape[1])
        here = (
            int(np.argmin(np.abs(near_m - case.near.antenna_height_m))),
            int(np.argmin(np.abs(far_m - case.far.antenna_height_m))),
        )
        return HeightTable(
            link=case.link.name,
            from_=case.near.name,
            to=case.far.name,
            near_height_m=near_m,
            far_height_m=far_m,
            margin_db=margins.min(axis=2),
            lacking_db=lacking,
            cost=cost,
            asked=asked_words(asked),
            asked_margin_db=asked.stated_margin_db if asked.success is None else None,
            prices=costs,
            bases_m=bases_m,
            present=_pair(case, float(cost[here]), asked),
            cheapest=_checked_pair(raised(chosen), float(cost[chosen])) if chosen else None,
            best=_pair(raised(best), float(cost[best]), asked),
            assumed=tuple(
                Assumption(
                    name, getattr(costs, name), f"{COMMON_PRACTICE}: a plausible proportion, put in your own"
                )
                for name in ("cost_per_m", "guyed_above_m", "guyed_cost_per_m", "cost_per_mast")
                if name not in stated
            ),
        )


def asked_words(asked: Requirement) -> str:
    """What is asked of each direction, in words.

    >>> asked_words(Requirement(20.0, 0.99, 3))
    '20 dB of fade margin and 99 % of the messages (up to 3 tries each)'
    """
    parts = []
    if asked.stated_margin_db is not None:
        parts.append(f"{asked.stated_margin_db:g} dB of fade margin")
    if asked.success is not None:
        tries = "" if asked.tries == 1 else f" (up to {asked.tries} tries each)"
        parts.append(f"{100.0 * asked.success:.10g} % of the messages{tries}")
    return " and ".join(parts)


def _step_m(top_m: float) -> float:
    return next((s for s in _STEPS_M if (top_m - LOWEST_M) / s <= _LEVELS), _STEPS_M[-1])


def _heights(present_m: float, top_m: float, step_m: float) -> Floats:
    """Multiples of the step up to the top, with the present height among them."""
    first, last = math.ceil(LOWEST_M / step_m - 1e-9), math.floor(top_m / step_m + 1e-9)
    grid = np.round(np.arange(first, last + 1) * step_m, 6)
    if np.abs(grid - present_m).min() < 1e-6:
        return grid
    return np.sort(np.append(grid, present_m))


def _margins_db(case: LinkCase) -> tuple[float, float]:
    return case.budget().fade_margin_db, case.budget(back=True).fade_margin_db


def _lacking_db(case: LinkCase, asked: Requirement) -> float:
    """What the direction that lacks most lacks, exactly as a check has it."""
    kind, rician_k_db = fading(case)
    needed = (
        # the spread of the prediction matters to a success only
        asked.margin_db(0.0 if asked.success is None else _spread_db(case, rx), kind, rician_k_db)
        for rx in (case.far, case.near)
    )
    return max(n - m for n, m in zip(needed, _margins_db(case), strict=True))


def _spread_db(case: LinkCase, receiver: Station) -> float:
    parts = contributors(case, receiver)
    return math.hypot(combined_db(parts, "site"), combined_db(parts, "conditions"))


def _equipment_db(case: LinkCase) -> tuple[float, float]:
    return case.equipment_db(), case.equipment_db(back=True)


def _needed_db(case: LinkCase, pairs: HeightPairs, asked: Requirement) -> Floats:
    """Margin that each direction needs, shape (n, m, 2)."""
    shape = (*pairs.path_gain_db.shape, 2)
    if asked.success is None:
        return np.full(shape, asked.margin_db(0.0, "rayleigh", -math.inf))
    noise = [noise_spread_db(case, rx) for rx in (case.far, case.near)]
    spread = np.hypot(pairs.spread_db[..., np.newaxis], noise)
    needed = np.empty(shape)
    for number, faded in enumerate(FADING):
        here = pairs.fading == number
        if here.any():
            needed[here] = _needed_at(spread[here], faded, asked.success, asked.tries)
    return np.maximum(needed, asked.stated_margin_db or 0.0)


def _needed_at(spread_db: Floats, faded: tuple[Fading, float], success: float, tries: int) -> Floats:
    at = np.linspace(spread_db.min(), spread_db.max() + 1e-6, 9)
    needed = margin_for_success(success, at, fading=faded[0], rician_k_db=faded[1], tries=tries)
    return np.asarray(np.interp(spread_db, at, needed))


def _cheapest(
    lacking_at: Callable[[tuple[int, int]], float], lacking: Floats, cost: Floats, asked: Requirement
) -> tuple[int, int] | None:
    """The cheapest pair that lacks nothing; of several, the one with most to spare."""
    slack = _ROUNDING_DB if asked.success is None else _SLACK_DB
    order = np.lexsort((lacking.ravel(), np.round(cost.ravel(), 6)))
    found: tuple[float, float, tuple[int, int]] | None = None
    for flat in order:
        at = divmod(int(flat), lacking.shape[1])
        if found is not None and cost[at] > found[0] + 1e-6:
            break
        if lacking[at] > slack:
            continue
        exact = lacking_at(at)
        if exact <= 0.0 and (found is None or exact < found[1]):
            found = float(cost[at]), exact, at
    return None if found is None else found[2]


def _pair(case: LinkCase, cost: float, asked: Requirement) -> Pair:
    kind, rician_k_db = fading(case)
    margins = _margins_db(case)
    spreads = [_spread_db(case, rx) for rx in (case.far, case.near)]
    needed = [asked.margin_db(spread, kind, rician_k_db) for spread in spreads]
    arrives = [
        float(message_success(m, spread, fading=kind, rician_k_db=rician_k_db, tries=asked.tries))
        for m, spread in zip(margins, spreads, strict=True)
    ]
    verdicts = [Requirement.verdict(m, n) for m, n in zip(margins, needed, strict=True)]
    return Pair(
        near_height_m=case.near.antenna_height_m,
        far_height_m=case.far.antenna_height_m,
        cost=cost,
        verdict=min(verdicts, key=_WORST_FIRST.index),
        fade_margins_db=margins,
        required_margins_db=(needed[0], needed[1]),
        delivery_probability=min(arrives),
    )


def _checked_pair(case: LinkCase, cost: float) -> Pair:
    """A pair as a check of the whole link finds it."""
    result = check_link(case)
    there, back = result.directions
    return Pair(
        near_height_m=case.near.antenna_height_m,
        far_height_m=case.far.antenna_height_m,
        cost=cost,
        verdict=result.verdict,
        fade_margins_db=(there.fade_margin_db, back.fade_margin_db),
        required_margins_db=(there.required_margin_db, back.required_margin_db),
        delivery_probability=min(there.delivery_probability, back.delivery_probability),
    )

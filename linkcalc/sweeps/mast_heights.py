"""Both antenna heights of a link at once: the margin of every pair, where it suffices, what the masts cost.

A pair *meets the requirement* where neither direction lacks anything. Margins are those of a check at each
pair, with a feeder that grows as its antenna is raised.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.answer import Answer, installed
from linkcalc.area.height_pairs import height_pairs
from linkcalc.errors import DomainError
from linkcalc.link.budget import DECIMALS
from linkcalc.link.case import ENDS, LinkCase
from linkcalc.link.drawing import LOWEST_M, MOST_M
from linkcalc.link.findings import WAYS
from linkcalc.link.judgement import Judgement, judgement
from linkcalc.link.legal import lawful
from linkcalc.link.on_ground import link_case, recorded_notes
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.result import Assumption, VerdictWord
from linkcalc.link.uncertainty import noise_items, together_db
from linkcalc.link.verdict import check_link
from linkcalc.plan import Link, LoadedPlan, Station
from linkcalc.plan.base import COMMON_PRACTICE
from linkcalc.plan.prices import Prices
from linkcalc.sweeps.table import rows_of
from linkcalc.terrain.land_cover import Layers

if TYPE_CHECKING:
    import xarray

_LEVELS = 40
MOST_LEVELS = 100
_STEPS_M = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0)
_FIGURES = {"margin_db": "dB", "lacking_db": "dB", "cost": "", "closes": ""}
"""Of every pair of heights, with their units."""
_ROUNDING_DB = 1e-4
"""Of a budget's terms, all together; pairs that lack less are looked at exactly."""


_LISTED = {
    "cost_per_m": "mast_per_m",
    "guyed_above_m": "guyed_above_m",
    "guyed_cost_per_m": "guyed_mast_per_m",
    "cost_per_mast": "mast",
}
"""Prices of masts in a plan's [prices]."""


def _usual(name: str) -> float:
    """What a plan takes that does not state it."""
    found: float = Prices.model_fields[_LISTED[name]].default
    return found


@dataclass(frozen=True)
class MastPrices:
    """What a mast costs, in any currency; the defaults only have plausible proportions.

    >>> MastPrices(cost_per_m=10.0, guyed_above_m=6.0, guyed_cost_per_m=30.0, cost_per_mast=5.0).of([0, 6, 7])
    array([  0.,  65., 215.])
    """

    cost_per_m: float = _usual("cost_per_m")
    """Of a mast that stands by itself."""
    guyed_above_m: float = _usual("guyed_above_m")
    """A longer mast is guyed."""
    guyed_cost_per_m: float = _usual("guyed_cost_per_m")
    """Of a guyed mast, from its foot."""
    cost_per_mast: float = _usual("cost_per_mast")
    """Foot, bracket and an hour's work, whatever its length."""

    def __post_init__(self) -> None:
        for price in fields(self):
            checked(price.name, getattr(self, price.name), at_least=0.0)

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
    """Forward and return."""
    required_margins_db: tuple[float, float]
    delivery_probability: float
    """The lesser of both directions."""


@dataclass(frozen=True, eq=False, repr=False)
class HeightTable(Answer):
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
    """(n, m) what the direction that lacks most lacks of the required margin; negative: it has more."""
    cost: Floats
    """(n, m) of both masts."""
    asked: str
    """What is required, in words."""
    prices: MastPrices
    bases_m: tuple[float, float]
    """Height at which the masts stand on something that is there already."""
    present: Pair
    cheapest: Pair | None
    """Of the pairs that meet the requirement, as a check of its own finds it; None: none does."""
    best: Pair
    """The pair with most to spare."""
    assumed: tuple[Assumption, ...]

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a row for each pair of heights."""
        near, far = np.meshgrid(self.near_height_m, self.far_height_m, indexing="ij")
        return rows_of(
            {"near_height_m": near, "far_height_m": far} | {name: getattr(self, name) for name in _FIGURES}
        )

    def to_xarray(self) -> "xarray.Dataset":
        """Return margins, what lacks and costs over both heights; raises `LinkcalcError` without xarray."""
        dims = ("near_height_m", "far_height_m")
        dataset: xarray.Dataset = installed("xarray").Dataset(
            {name: (dims, np.array(getattr(self, name)), {"units": unit}) for name, unit in _FIGURES.items()},
            coords={d: (d, getattr(self, d).copy(), {"units": "m"}) for d in dims},
            attrs={"link": self.link, "near": self.from_, "far": self.to, "asked": self.asked},
        )
        return dataset

    @property
    def closes(self) -> NDArray[np.bool_]:
        """(n, m) where the requirement is met."""
        return np.asarray(self.lacking_db <= 0.0)


def heights_of(
    loaded: LoadedPlan,
    link: Link,
    terrain: Layers,
    *,
    highest_m: float,
    step_m: float | None,
    bases_m: tuple[float | None, float | None],
    prices: Mapping[str, float],
) -> HeightTable:
    """The heights of one link; what is not given is as the plan states it."""
    known = loaded.plan.prices
    listed = {name: getattr(known, key) for name, key in _LISTED.items() if key in known.model_fields_set}
    # what is given goes before what the plan lists; a plan's default is no price that anybody stated
    stated = {**listed, **prices}
    feet_m = (loaded.plan.station_named(name).mast_foot_m for name in (link.from_, link.to))
    near_m, far_m = (foot if given is None else given for given, foot in zip(bases_m, feet_m, strict=True))
    return height_table(
        link_case(loaded, link, terrain),
        highest_m=highest_m,
        step_m=step_m,
        prices=MastPrices(**stated),
        stated=frozenset(stated),
        bases_m=(near_m, far_m),
    )


def height_table(
    case: LinkCase,
    *,
    highest_m: float = 20.0,
    step_m: float | None = None,
    prices: MastPrices | None = None,
    stated: frozenset[str] = frozenset(),
    bases_m: tuple[float, float] = (0.0, 0.0),
) -> HeightTable:
    """Work out a link over both antenna heights; see `linkcalc.heights`.

    By default the finest usual step that gives at most 40 heights is taken, and the present heights are looked at
    besides. `stated` are the prices that the user stated. What stands at the ends already, `bases_m` high, carries a
    mast for nothing.
    """
    top = float(checked("highest_m", highest_m, at_least=2.0, at_most=MOST_M))
    for base in bases_m:
        if checked("bases_m", base, at_least=0.0) > top:
            raise DomainError(f"a mast that starts at {base:g} m is above the highest antenna, {top:g} m")
    step = _step_m(top) if step_m is None else float(checked("step_m", step_m, at_least=0.1, at_most=top))
    if (top - LOWEST_M) / step > MOST_LEVELS:
        raise DomainError(f"step_m = {step:g} gives more than {MOST_LEVELS} heights up to {top:g} m")
    costs = MastPrices() if prices is None else prices
    # power over a legal limit does not count; what else is over one, or has no ground, is at risk at any height
    case, over = lawful(case)
    unsure = any(x.legal_dbm is None for x in over) or bool(case.losses.ground_unknown[0])
    near_m, far_m = (
        _heights(s.antenna_height_m, min(top, s.highest_antenna_m or top), step)
        for s in (case.near, case.far)
    )
    cost = costs.of(near_m - bases_m[0])[:, np.newaxis] + costs.of(far_m - bases_m[1])
    with recorded_notes():  # what is only tried may leave a model's range
        grid = _Grid(
            case, near_m, far_m, cost, "at_risk" if unsure else "closes", *_judged(case, near_m, far_m)
        )
        cheapest = None if unsure else grid.cheapest()
    present = ((near_m, case.near), (far_m, case.far))
    row, column = (int(np.argmin(np.abs(h - end.antenna_height_m))) for h, end in present)
    return HeightTable(
        link=case.link.name,
        from_=case.near.name,
        to=case.far.name,
        near_height_m=near_m,
        far_height_m=far_m,
        margin_db=grid.margins_db.min(axis=2),
        lacking_db=grid.lacking_db,
        cost=cost,
        asked=Requirement.of(case.link).words,
        prices=costs,
        bases_m=bases_m,
        present=grid.pair((row, column)),
        cheapest=cheapest,
        best=grid.pair(divmod(int(np.argmin(grid.lacking_db)), far_m.size)),
        assumed=tuple(
            Assumption(
                p.name, getattr(costs, p.name), f"{COMMON_PRACTICE}: a plausible proportion, put in your own"
            )
            for p in fields(costs)
            if p.name not in stated
        ),
    )


def _judged(case: LinkCase, near_m: Floats, far_m: Floats) -> tuple[Floats, tuple[Judgement, Judgement]]:
    """Fade margins, forward and return, of every pair of heights, (n, m, 2), and how each direction is judged."""
    pairs = height_pairs(case, near_m, far_m)
    ends = [case.raised(near_m=float(h)) for h in near_m], [case.raised(far_m=float(h)) for h in far_m]
    margins = (pairs.path_gain_db + pairs.antenna_db)[..., np.newaxis] + _fixed_db(case, *ends)
    margins = np.round(margins, DECIMALS)
    forward, return_ = (
        judgement(
            Requirement.of(case.link),
            margins[..., way],
            np.hypot(pairs.site_db, site),
            np.hypot(pairs.conditions_db, year),
            pairs.k_db,
        )
        for way, (site, year) in enumerate(_noise_db(*ends))
    )
    return margins, (forward, return_)


@dataclass(frozen=True, eq=False)
class _Grid:
    """Every pair of heights, judged; arrays (n, m, ...)."""

    case: LinkCase
    near_m: Floats
    far_m: Floats
    cost: Floats
    at_best: VerdictWord
    margins_db: Floats
    judgements: tuple[Judgement, Judgement]

    @cached_property
    def required_db(self) -> Floats:
        """Forward and return."""
        return np.stack([j.required_margin_db for j in self.judgements], axis=-1)

    @cached_property
    def lacking_db(self) -> Floats:
        """What the direction that lacks most lacks."""
        return np.asarray((self.required_db - self.margins_db).max(axis=2))

    def pair(self, at: tuple[int, int]) -> Pair:
        """A pair as its place in the grid has it."""
        words = [VERDICTS.index(self.at_best), *(int(j.verdict[at]) for j in self.judgements)]
        forward_db, return_db = (float(m) for m in self.margins_db[at])
        required_forward_db, required_return_db = (float(m) for m in self.required_db[at])
        return Pair(
            near_height_m=float(self.near_m[at[0]]),
            far_height_m=float(self.far_m[at[1]]),
            cost=float(self.cost[at]),
            verdict=VERDICTS[min(words)],
            fade_margins_db=(forward_db, return_db),
            required_margins_db=(required_forward_db, required_return_db),
            delivery_probability=min(float(j.success[at]) for j in self.judgements),
        )

    def cheapest(self) -> Pair | None:
        """The cheapest pair that lacks nothing, as a check of its own finds it; of several, that with most to spare."""
        lacking = self.lacking_db
        # lexsort's last key ranks first: cost, then what lacks
        for flat in np.lexsort((lacking.ravel(), np.round(self.cost.ravel(), 6))):
            at = divmod(int(flat), lacking.shape[1])
            # so near to the requirement the rounded terms of a check decide
            if lacking[at] <= _ROUNDING_DB:
                found = self._checked(at)
                if lacking[at] <= -_ROUNDING_DB or found.verdict == "closes":
                    return found
        return None

    def _checked(self, at: tuple[int, int]) -> Pair:
        """A pair as a check of the whole link finds it."""
        raised = self.case.raised(near_m=float(self.near_m[at[0]]), far_m=float(self.far_m[at[1]]))
        result = check_link(raised, advice=False)
        forward, return_ = result.directions
        return replace(
            self.pair(at),
            verdict=result.verdict,
            fade_margins_db=(forward.fade_margin_db, return_.fade_margin_db),
            required_margins_db=(forward.required_margin_db, return_.required_margin_db),
            delivery_probability=min(forward.delivery_probability, return_.delivery_probability),
        )


def _step_m(top_m: float) -> float:
    return next((s for s in _STEPS_M if (top_m - LOWEST_M) / s <= _LEVELS), _STEPS_M[-1])


def _heights(present_m: float, top_m: float, step_m: float) -> Floats:
    """Multiples of the step up to the top, with the present height among them."""
    first, last = math.ceil(LOWEST_M / step_m - 1e-9), math.floor(top_m / step_m + 1e-9)
    grid = np.round(np.arange(first, last + 1) * step_m, 6)
    if not grid.size:
        return np.array([present_m])
    if np.abs(grid - present_m).min() < 1e-6:
        return grid
    return np.sort(np.append(grid, present_m))


def _fixed_db(case: LinkCase, near: list[LinkCase], far: list[LinkCase]) -> Floats:
    """What each direction has but for the path and its antennas, (n, m, 2).

    An end adds the same whatever stands at the other: two rows of links with one end raised say all.
    """

    def of(changed: LinkCase) -> Floats:
        antennas_db = sum(float(changed.antenna_db(end, changed.losses)[0]) for end in ENDS)
        return np.array([changed.equipment_db(way) for way in WAYS]) - antennas_db

    by_near, by_far = np.array([of(c) for c in near]), np.array([of(c) for c in far])
    return np.asarray(by_near[:, np.newaxis] + by_far - of(case))


def _noise_db(near: list[LinkCase], far: list[LinkCase]) -> list[tuple[Floats, Floats]]:
    """Standard deviations of each direction's receiver noise, from place to place and over the year."""

    def of(receivers: list[Station]) -> tuple[Floats, Floats]:
        items = [noise_items(near[0].noise(rx)) for rx in receivers]
        return (
            np.array([float(together_db(i, "site")[0]) for i in items]),
            np.array([float(together_db(i, "conditions")[0]) for i in items]),
        )

    site, conditions = of([c.near for c in near])
    return [of([c.far for c in far]), (site[:, np.newaxis], conditions[:, np.newaxis])]

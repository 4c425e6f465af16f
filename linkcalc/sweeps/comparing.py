"""Candidates side by side: several plans, or one with several changes, each checked as it stands."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Literal

from linkcalc.answer import Answer
from linkcalc.errors import LinkcalcError, PlanError
from linkcalc.link.parts_list import Bill, bill
from linkcalc.link.requirement import VERDICTS
from linkcalc.link.result import LinkResult, Result, VerdictWord
from linkcalc.link.verdict import check_plan
from linkcalc.operation.sections import with_sections
from linkcalc.plan import LoadedPlan, load_plan

LEAF = {"in": "in_leaf", "out": "out_of_leaf"}
# a comma parts two settings only where another key and = follow: values may hold commas
_NEXT = re.compile(r",\s*(?=[^,=]+\.[^,=]+=)")

Leaf = Literal["in_leaf", "out_of_leaf"]
Candidate = Path | LoadedPlan | tuple[str, LoadedPlan]
"""A plan file, or a plan with or without a name of its own."""


@dataclass(frozen=True)
class Compared:
    """One link of one candidate."""

    candidate: str
    """File and what is set in it."""
    plan_file: str
    settings: tuple[str, ...]
    leaf: Leaf
    """For which it is judged."""
    link: str
    verdict: VerdictWord
    fade_margins_db: tuple[float, float]
    """Forward and return."""
    required_margins_db: tuple[float, float]
    fade_margin_interval_db: tuple[float, float]
    """90 %, of the weaker direction."""
    site_share: float
    """Of the weaker direction, as the following."""
    delivery_probability: float
    limited_by: str
    time_on_air_s: float
    """The longer of the two."""
    parts_cost: float
    """Of all parts of the candidate's plan."""
    cost_over_first: float
    """What they cost more than those of the first candidate."""
    currency: str
    prices_stated: bool
    battery_years: float | None
    """Of the battery that is empty first; None: no battery, or nothing is said of what is sent."""


@dataclass(frozen=True, eq=False, repr=False)
class Candidates(Answer):
    """Candidates side by side."""

    _rows = "rows"

    rows: tuple[Compared, ...]
    """Candidate after candidate, link after link."""
    cautions: tuple[str, ...]

    @property
    def links(self) -> tuple[str, ...]:
        """Names of all links, in the order of the first candidate that has them."""
        return tuple(dict.fromkeys(r.link for r in self.rows))

    @property
    def best(self) -> VerdictWord:
        """The verdict of the candidate whose worst link is best."""
        by_candidate: dict[tuple[str, str], list[VerdictWord]] = {}
        for r in self.rows:
            by_candidate.setdefault((r.candidate, r.leaf), []).append(r.verdict)
        return max((min(v, key=VERDICTS.index) for v in by_candidate.values()), key=VERDICTS.index)


def compare(plans: Sequence[Candidate], settings: Sequence[str] = (), *, leaf: str = "plan") -> Candidates:
    """Check candidates and put what decides side by side; see `linkcalc.compare`.

    Each of `settings`, such as ``"tank.antenna_height_m=8"``, several keys with commas between, makes a further
    candidate of each plan file. `leaf` is ``plan``, ``in``, ``out``, or ``both``: every candidate for trees in leaf
    and out of it.
    """
    if leaf not in ("plan", "both", *LEAF):
        raise LinkcalcError(f"leaf {leaf!r}: there are plan, in, out, both")
    states: tuple[str | None, ...] = {"plan": (None,), "both": ("in", "out")}.get(leaf, (leaf,))
    rows: list[Compared] = []
    cautions: tuple[str, ...] = ()
    for (label, given), state in product(list(_candidates(plans, settings)), states):
        if not isinstance(given, LoadedPlan):
            loaded = _loaded(*given, state)
        else:
            loaded = given if state is None else given.changed({"conditions.leaf": LEAF[state]})
        result = with_sections(check_plan(loaded, advice=False), loaded.plan, brief=True)
        cautions = result.cautions
        parts = bill(loaded.plan, result.sections)
        first = rows[0].parts_cost if rows else parts.cost
        rows += [_row(label, loaded, link, result, parts, first) for link in result.links]
    if len({(r.candidate, r.leaf) for r in rows}) < 2:
        raise LinkcalcError("one candidate alone: name a second plan, or give --set or --leaf both")
    return Candidates(tuple(rows), cautions)


def _candidates(
    plans: Sequence[Candidate], settings: Sequence[str]
) -> Iterator[tuple[str, LoadedPlan | tuple[Path, tuple[str, ...]]]]:
    for plan in plans:
        if not isinstance(plan, Path):
            if settings:
                raise LinkcalcError("settings are for plan files; give a plan in Python as plan.changed(...)")
            yield plan if isinstance(plan, tuple) else (plan.plan.title or plan.path.name, plan)
            continue
        yield plan.name, (plan, ())
        for one in settings:
            yield f"{plan.name}, {one}", (plan, tuple(_NEXT.split(one)))


def _loaded(path: Path, settings: tuple[str, ...], state: str | None) -> LoadedPlan:
    leaf = () if state is None else (f"conditions.leaf={LEAF[state]}",)
    if state is not None and any(s.startswith("conditions.leaf=") for s in settings):
        raise PlanError(f"{path}: conditions.leaf is set, and --leaf too: give one of them")
    return load_plan(path, (*settings, *leaf))


def _row(
    label: str, loaded: LoadedPlan, link: LinkResult, result: Result, parts: Bill, first_cost: float
) -> Compared:
    forward, return_ = link.directions
    weaker = min(link.directions, key=lambda d: d.fade_margin_db - d.required_margin_db)
    years = [
        s.battery.life_years
        for s in getattr(result.sections.get("energy"), "stations", ())
        if s.battery is not None and s.battery.life_years is not None
    ]
    return Compared(
        candidate=label,
        plan_file=loaded.path.name,
        settings=loaded.settings,
        leaf=loaded.plan.conditions.leaf,
        link=link.name,
        verdict=link.verdict,
        fade_margins_db=(forward.fade_margin_db, return_.fade_margin_db),
        required_margins_db=(forward.required_margin_db, return_.required_margin_db),
        fade_margin_interval_db=weaker.fade_margin_interval_db,
        site_share=weaker.site_share,
        delivery_probability=weaker.delivery_probability,
        limited_by=weaker.limited_by,
        time_on_air_s=max(forward.time_on_air_s, return_.time_on_air_s),
        parts_cost=parts.cost,
        cost_over_first=round(parts.cost - first_cost, 2),
        currency=loaded.plan.prices.currency,
        prices_stated=parts.prices_stated,
        battery_years=min(years) if years else None,
    )

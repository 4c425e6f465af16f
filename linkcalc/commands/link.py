"""A link: whether it closes, what other settings and heights would do, and what it costs."""

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from linkcalc._kinds import kinds_checked
from linkcalc.errors import ArgumentError, shortened

if TYPE_CHECKING:
    from linkcalc.link.parts_list import Bill
    from linkcalc.link.result import Result
    from linkcalc.plan import PlanLike
    from linkcalc.sweeps.comparing import Candidates
    from linkcalc.sweeps.mast_heights import HeightTable
    from linkcalc.sweeps.table import Sweep


@kinds_checked
def check(plan: "PlanLike", *, sections: bool = True, advice: bool = True) -> "Result":
    """Say whether each link of a plan closes, what limits it, and what would make it close.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    sections : bool
        Also answer what else the plan asks for: limits, exposure, energy, messages, tank.
    advice : bool
        Also seek remedies and work out the margin over heights for its picture: most of the time, and not wanted
        where only the numbers are.

    Returns
    -------
    Result

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.check(lc.sample_path("plain")).verdict
    'at_risk'
    """
    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.sections import with_sections
    from linkcalc.plan.loading import as_plan

    loaded = as_plan(plan)
    result = check_plan(loaded, advice=advice)
    return with_sections(result, loaded.plan) if sections else result


@kinds_checked
def sweep(plan: "PlanLike", vary: Mapping[str, Any], *, link: str | None = None) -> "Sweep":
    """Evaluate a link for every combination of values.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    vary : mapping of str to array_like
        Values by name, as `linkcalc.sweep_plan` takes them.
    link : str, optional
        Which, where the plan has several.

    Returns
    -------
    Sweep

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.sweep(lc.sample_path("plain"), {"sf": range(7, 13), "power": [10, 14]}).shape
    (6, 2)
    """
    from linkcalc.plan.loading import as_plan
    from linkcalc.sweeps.sweeping import sweep_plan

    return sweep_plan(as_plan(plan), vary, link=link)


@kinds_checked
def heights(
    plan: "PlanLike",
    *,
    link: str | None = None,
    highest_m: float = 20.0,
    step_m: float | None = None,
    bases_m: tuple[float, float] | None = None,
    **prices: float,
) -> "HeightTable":
    """Work out the margin over both antenna heights, and the cheapest pair that closes the link.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    link : str, optional
        Which, where the plan has several.
    highest_m, step_m : float, m
        Highest antenna looked at, and the step; by default that for 40 heights.
    bases_m : tuple of float, m, optional
        What is there at `from` and at `to` carries a mast from here; by default each station's ``mast_foot_m``.
    **prices : float
        ``cost_per_m``, ``guyed_above_m``, ``guyed_cost_per_m``, ``cost_per_mast``; those left out are the plan's
        [prices], and what it does not state is assumed.

    Returns
    -------
    HeightTable

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.heights(lc.sample_path("plain"), highest_m=8.0, step_m=1.0)
    >>> found.margin_db.shape, found.cheapest is not None
    ((8, 8), True)
    """
    from dataclasses import fields

    from linkcalc.link.on_ground import open_terrain
    from linkcalc.plan.loading import as_plan, chosen_link
    from linkcalc.sweeps.mast_heights import MastPrices, heights_of

    known = [f.name for f in fields(MastPrices)]
    for name in prices:
        if name not in known:
            raise ArgumentError(f"heights takes no {name}; prices are {', '.join(known)}")
    loaded = as_plan(plan)
    chosen = chosen_link(loaded, link)
    with open_terrain(loaded) as terrain:
        return heights_of(
            loaded,
            chosen,
            terrain,
            highest_m=highest_m,
            step_m=step_m,
            bases_m=(None, None) if bases_m is None else bases_m,
            prices=prices,
        )


@kinds_checked
def compare(
    plans: "Mapping[str, PlanLike] | Sequence[PlanLike]",
    settings: Sequence[str] = (),
    *,
    leaf: Literal["plan", "in", "out", "both"] = "plan",
) -> "Candidates":
    """Put candidates side by side: verdict, margin, chance, parts and their cost, battery, what limits.

    Parameters
    ----------
    plans : mapping of str to plan, or sequence of plans
        Candidates by name; or each as a path, mapping, Plan or LoadedPlan.
    settings : sequence of str
        Each makes a further candidate of each plan file: ``"tank.antenna_height_m=8"``.
    leaf : {"plan", "in", "out", "both"}
        Trees: as each plan file says, in leaf, out of leaf, or both.

    Returns
    -------
    Candidates

    Examples
    --------
    >>> import linkcalc as lc
    >>> plan = lc.load_plan(lc.sample_path("plain"))
    >>> found = lc.compare({"as planned": plan, "higher": plan.changed({"header tank.antenna_height_m": 8})})
    >>> [(r.candidate, r.verdict) for r in found.rows]
    [('as planned', 'at_risk'), ('higher', 'closes')]
    """
    from linkcalc.plan.loading import as_plan
    from linkcalc.sweeps.comparing import compare as side_by_side

    if isinstance(plans, Mapping):
        return side_by_side([(name, as_plan(plan)) for name, plan in plans.items()], settings, leaf=leaf)
    if isinstance(plans, str | os.PathLike) or not isinstance(plans, Sequence):
        raise ArgumentError(
            f"compare takes a dict of plans by name, or a list of plans; not {type(plans).__name__}: {shortened(plans)}"
        )
    files = [Path(p) if isinstance(p, str | os.PathLike) else as_plan(p) for p in plans]
    return side_by_side(files, settings, leaf=leaf)


@kinds_checked
def parts(plan: "PlanLike") -> "Bill":
    """Count masts, antennas, feeders, radios, batteries and panels of a plan, and price them.

    Prices are those of the plan's [prices]; what it does not state is an invented example, and marked.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan

    Returns
    -------
    Bill

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.parts(lc.sample_path("plain"))
    >>> found.cost > 0.0, found.prices_stated
    (True, False)
    """
    from linkcalc.link.parts_list import bill
    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.sections import with_sections
    from linkcalc.plan.loading import as_plan

    loaded = as_plan(plan)
    sections = {}
    if any(supply.solar is not None for supply in loaded.plan.power):
        # how large a panel must be takes the links' answers
        sections = dict(with_sections(check_plan(loaded, advice=False), loaded.plan, brief=True).sections)
    return bill(loaded.plan, sections)

"""Further answers from the same plan, each a section of the result with one `line` that sums it up."""

from dataclasses import replace
from typing import Any

from linkcalc import exposure, messages, plan_energy, tank
from linkcalc.plan import Plan
from linkcalc.result import Result
from linkcalc.rules import plan_limits


def with_sections(result: Result, plan: Plan) -> Result:
    """Add to a result what the plan's other sections ask for.

    Parameters
    ----------
    result : Result
        Of `linkcalc.verdict.check_plan`.
    plan : Plan
        The same plan.

    Returns
    -------
    Result
        With `sections` limits, exposure, energy, and messages and tank where the plan has them.

    Raises
    ------
    PlanError
        If a section contradicts the links, for example a message longer than its interval.

    Examples
    --------
    >>> import linkcalc as lc
    >>> loaded = lc.load_plan(lc.sample_path("upland"))
    >>> sorted(lc.with_sections(lc.check_plan(loaded), loaded.plan).sections)
    ['energy', 'exposure', 'limits', 'messages', 'tank']
    """
    sections: dict[str, Any] = {
        "limits": plan_limits.section(plan, result.links),
        "messages": messages.section(plan, result.links),
        "tank": tank.section(plan, result.links),
        "energy": plan_energy.section(plan, result.links),
        "exposure": exposure.section(plan, result.links),
    }
    return replace(result, sections={name: found for name, found in sections.items() if found is not None})

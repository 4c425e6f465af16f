"""What a plan means in operation: the law, its messages, its tank, its batteries."""

from typing import TYPE_CHECKING, TypeVar

from linkcalc._kinds import kinds_checked
from linkcalc.errors import PlanError

if TYPE_CHECKING:
    from linkcalc.operation.energy import EnergySection
    from linkcalc.operation.messages import MessagesSection
    from linkcalc.operation.sections import LimitsResult
    from linkcalc.operation.tank.answer import TankAnswer
    from linkcalc.plan import LoadedPlan, PlanLike

T = TypeVar("T")


@kinds_checked
def limits(plan: "PlanLike", *, region: str | None = None) -> "LimitsResult":
    """Hold every transmitter against a table of legal limits, and say how far to stay from each antenna.

    Check with your regulator; this is not legal advice.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    region : str, optional
        In place of the plan's.

    Returns
    -------
    LimitsResult

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.limits(lc.sample_path("upland"), region="eu").limits.status
    'within'
    """
    from linkcalc.operation.sections import plan_limits_of
    from linkcalc.plan.loading import as_plan

    return plan_limits_of(as_plan(plan).plan, region)


@kinds_checked
def messages(plan: "PlanLike") -> "MessagesSection":
    """Say how often each message is lost, when it arrives, and how long it is on the air.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
        With [[message]] tables.

    Returns
    -------
    MessagesSection

    Examples
    --------
    >>> import linkcalc as lc
    >>> [m.kind for m in lc.messages(lc.sample_path("upland")).messages][:1]
    ['run_permit']
    """
    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.messages import section
    from linkcalc.plan.loading import as_plan

    loaded = as_plan(plan)
    found = section(loaded.plan, check_plan(loaded).links) if loaded.plan.message else None
    return _answer_for(found, loaded, "[[message]]")


@kinds_checked
def tank(plan: "PlanLike", *, tank_years: int = 2000, seed: int = 1) -> "TankAnswer":
    """Say how far a lost stop overruns the tank, and what stop level, interval and watchdog prevent it.

    A radio link is no safety function.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
        With [tank], [engine] and a [[message]] that reports the level.
    tank_years, seed : int
        Years to simulate (0 for none), and the seed of that.

    Returns
    -------
    TankAnswer

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.tank(lc.sample_path("upland"), tank_years=0).simulated is None
    True
    """
    from dataclasses import replace

    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.tank.answer import section, simulated
    from linkcalc.plan.loading import as_plan

    loaded = as_plan(plan)
    links = check_plan(loaded).links if loaded.plan.tank is not None else ()
    found = _answer_for(section(loaded.plan, links), loaded, "[tank]")
    return replace(found, simulated=simulated(loaded.plan, links, tank_years, seed)) if tank_years else found


@kinds_checked
def energy(plan: "PlanLike") -> "EnergySection":
    """Say how long each battery lasts, or how large a panel must be.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
        With [[power]] tables.

    Returns
    -------
    EnergySection

    Examples
    --------
    >>> import linkcalc as lc
    >>> len(lc.energy(lc.sample_path("upland")).stations) > 0
    True
    """
    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.energy import section
    from linkcalc.plan.loading import as_plan

    loaded = as_plan(plan)
    found = section(loaded.plan, check_plan(loaded).links) if loaded.plan.power else None
    return _answer_for(found, loaded, "[[power]]")


def _answer_for(found: T | None, loaded: "LoadedPlan", table: str) -> T:
    if found is None:
        raise PlanError(f"{loaded.path}: has no {table}, which this answers")
    return found

"""From a plan to a result: does each link close, what limits it, how sure are we."""

from collections.abc import Iterable
from dataclasses import replace

from linkcalc._kinds import kinds_checked
from linkcalc._version import __version__
from linkcalc.errors import DomainError
from linkcalc.link.advice import advise
from linkcalc.link.case import LinkCase
from linkcalc.link.decision import decide
from linkcalc.link.drawing import drawing_of
from linkcalc.link.findings import Excess, Finding
from linkcalc.link.legal import lawful
from linkcalc.link.notes import notes_on
from linkcalc.link.on_ground import cases, link_case, open_terrain, recorded_notes
from linkcalc.link.remedies import remedies
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import Advice, Assumption, Direction, LinkResult, Result
from linkcalc.plan import Link, LoadedPlan, Plan, PlanLike, as_plan
from linkcalc.plan.base import element
from linkcalc.plan.stations import position_deg
from linkcalc.propagation.loss_models import RULES
from linkcalc.terrain.land_cover import Layers

CAUTIONS = (
    "A radio link is not a safety function and not an emergency stop. Fit an independent, hard-wired "
    "float or over-run stop, and a watchdog that stops the engine when nothing is heard.",
    "The engine may start without warning: lock it off and isolate the battery before working on it. "
    "Exhaust fumes kill; never run it indoors.",
    "Automatic start, transfer switching, mains wiring, masts and earthing are for licensed people "
    "under local codes. Keep masts and ladders clear of power lines; stop work when thunder is near.",
)


@kinds_checked
def check_plan(loaded: PlanLike, *, advice: bool = True, brief: bool = False) -> Result:
    """Answer every link of a plan; `linkcalc.check` also answers its other sections.

    Parameters
    ----------
    loaded : path, mapping, Plan or LoadedPlan
    advice : bool
        Whether remedies are sought and the margin over heights is worked out for its picture: most of the time of
        a check, and not wanted where only the numbers are.
    brief : bool
        For a report that shows whole remedies and no single changes beside them: these, and the picture over
        heights, are then omitted where there are remedies.

    Returns
    -------
    Result

    Raises
    ------
    TerrainError
        If the terrain cannot give a profile: a station outside, nodata under the path, unreadable files.

    Examples
    --------
    >>> import linkcalc as lc
    >>> link = lc.check_plan(lc.load_plan(lc.sample_path("upland"))).links[0]
    >>> link.verdict, link.path.model, len(link.directions)
    ('at_risk', 'delta_bullington', 2)
    """
    loaded = as_plan(loaded)
    plan = loaded.plan
    with recorded_notes() as general, open_terrain(loaded) as terrain:
        found = list(cases(loaded, terrain))
        links = tuple(check_link(case, advice=advice and not brief) for case in found)
        if advice:
            links = tuple(
                with_remedies(link, case, loaded, terrain) for link, case in zip(links, found, strict=True)
            )
    return Result(
        title=plan.title,
        plan_file=loaded.path.name,
        plan_digest=loaded.digest,
        linkcalc_version=__version__,
        links=links,
        assumed=assumed_of(loaded, found),
        warnings=(*loaded.notes, *general),
        cautions=CAUTIONS,
        positions_deg={s.name: position_deg(s) for s in plan.station if s.positioned},
    )


def assumed_of(loaded: LoadedPlan, found: Iterable[LinkCase]) -> tuple[Assumption, ...]:
    """What a plan's answer rests on that was not stated, with what rasters show around its stations."""
    names = [station.name for station in loaded.plan.station]
    shown = {}
    for case in found:
        for station, kind in ((case.near, case.situation.near), (case.far, case.situation.far)):
            if kind.shown:
                key = f"{element('station', names.index(station.name), station.name)} surroundings"
                source = f"{kind.shown}, by raster; Rec. ITU-R P.2108, section 3.1"
                shown[key] = Assumption(key, f"{kind.kind}, {kind.top_m:g} m", source)
    listed = {a.key for a in loaded.assumed}
    higher = (a for key, a in shown.items() if key not in listed)
    return (*(shown.get(a.key, a) for a in loaded.assumed), *higher)


def with_remedies(result: LinkResult, case: LinkCase, loaded: LoadedPlan, terrain: Layers) -> LinkResult:
    """A link's result with what makes it close, where it does not (`linkcalc.link.remedies`); with advice at least."""

    def case_of(plan: Plan, link: Link) -> LinkCase:
        return link_case(replace(loaded, plan=plan), link, terrain)

    with recorded_notes():  # what is only tried may leave a model's range
        if result.verdict != "closes":
            try:
                result = replace(result, remedies=remedies(case, loaded.plan, case_of))
            except DomainError:  # of a chosen model, as `_given` says
                if case.conditions.governing_model == RULES:
                    raise
        if not (result.advice or result.remedies):
            given, refused = _given(lawful(case)[0])
            notes = (*result.warnings, refused) if refused else result.warnings
            result = replace(result, advice=given, warnings=tuple(dict.fromkeys(notes)))
    return result


def check_link(case: LinkCase, *, advice: bool = True) -> LinkResult:
    """Answer one link: verdict, both directions, path facts, advice (see `check_plan`)."""
    with recorded_notes() as said:
        decision = decide(case, second_opinions=True)
    case, over, facts, weaker = decision.case, decision.over, decision.facts, decision.weaker
    with recorded_notes():  # what is only tried for advice and pictures may leave a model's range
        given, refused = _given(case) if advice else ((), "")
        drawing = drawing_of(case, heights=advice)
    notes = [*notes_on(case, over, refused), *said]
    return LinkResult(
        name=case.link.name,
        verdict=decision.verdict,
        finding=_finding(case, weaker, over),
        frequency_hz=case.frequency_hz,
        signal=case.signal.text,
        path=facts,
        directions=decision.directions,
        advice=given,
        warnings=tuple(dict.fromkeys(notes)),
        drawing=drawing,
    )


def _finding(case: LinkCase, weaker: Direction, over: tuple[Excess, ...]) -> Finding:
    return Finding(
        verdict=weaker.verdict,
        from_=weaker.from_,
        to=weaker.to,
        margin_db=weaker.fade_margin_db,
        required_db=weaker.required_margin_db,
        site_share=weaker.site_share,
        success=weaker.success_where_it_works,
        over=over,
        unreachable_success=None if Requirement.of(case.link).reachable else case.link.required_success,
    )


def _given(case: LinkCase) -> tuple[tuple[Advice, ...], str]:
    """What would make it close, and why that was not looked for."""
    try:
        return advise(case, Requirement.of(case.link)), ""
    except DomainError as error:
        if case.conditions.governing_model == RULES:
            raise
        return (
            (),
            f"remedies were not searched, as the chosen model is not defined for all that is tried: {error}",
        )

"""From a plan to a result: does each link close, what limits it, how sure are we."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from linkcalc._kinds import kinds_checked
from linkcalc._version import __version__
from linkcalc.errors import DomainError, element
from linkcalc.link.advice import advise
from linkcalc.link.budget import Budget
from linkcalc.link.case import LinkCase, feeder_loss_db
from linkcalc.link.drawing import drawing_of
from linkcalc.link.findings import Excess, Finding, Limit, LimitKind
from linkcalc.link.judgement import judge as judge_direction
from linkcalc.link.legal import lawful
from linkcalc.link.losses import SHARED
from linkcalc.link.models import clearance, every_model, spread_db
from linkcalc.link.notes import notes_on
from linkcalc.link.on_ground import cases, link_case, open_terrain, recorded_notes
from linkcalc.link.reliability import mean_success
from linkcalc.link.remedies import Check, remedies
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.result import Advice, Assumption, Direction, LinkResult, PathFacts, Result, VerdictWord
from linkcalc.link.uncertainty import after_reading_db, contributors
from linkcalc.plan import Link, LoadedPlan, Plan, PlanLike, Station, as_plan
from linkcalc.plan.stations import position_deg
from linkcalc.propagation import refractivity
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

_QUANTILE_90 = 1.6449


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
                result = replace(result, remedies=remedies(case, loaded.plan, Check(decide, case_of)))
            except DomainError:  # of a chosen model, as `_given` says
                if case.conditions.governing_model == RULES:
                    raise
        if not (result.advice or result.remedies):
            given, refused = _given(lawful(case)[0])
            notes = (*result.warnings, refused) if refused else result.warnings
            result = replace(result, advice=given, warnings=tuple(dict.fromkeys(notes)))
    return result


def judge(case: LinkCase, *, second_opinions: bool = True) -> tuple[PathFacts, tuple[Direction, Direction]]:
    """Judge a path and both directions over it, without advice and pictures; the other models' losses if required."""
    facts = _path_facts(case, second_opinions)
    return facts, (_direction(case, facts, back=False), _direction(case, facts, back=True))


@dataclass(frozen=True)
class Decision:
    """What decides about a link: nothing of it is words or pictures."""

    verdict: VerdictWord
    case: LinkCase
    """With every transmitter within its legal power."""
    over: tuple[Excess, ...]
    facts: PathFacts
    directions: tuple[Direction, Direction]

    @property
    def weaker(self) -> Direction:
        """The direction that the verdict goes by."""
        return min(
            self.directions,
            key=lambda d: (VERDICTS.index(d.verdict), d.fade_margin_db - d.required_margin_db),
        )


def decide(case: LinkCase, *, second_opinions: bool = False) -> Decision:
    """Decide about one link: power over the legal limits does not count, other excess is at risk."""
    case, over = lawful(case)
    facts, directions = judge(case, second_opinions=second_opinions)
    verdict: VerdictWord = min((d.verdict for d in directions), key=VERDICTS.index)
    # duty, dwell or channel that less power does not cure
    if verdict == "closes" and any(x.legal_dbm is None for x in over):
        verdict = "at_risk"
    return Decision(verdict, case, over, facts, directions)


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


def _path_facts(case: LinkCase, second_opinions: bool) -> PathFacts:
    profile, s, path = case.profile, case.situation, case.path
    low_k = float(refractivity.low_k_factor(profile.length_m, case.conditions.climate))
    models = every_model(path) if second_opinions else {}
    at = path.worst
    entry_db = -sum(t.value_db for t in case.shared_terms if t.kind == "building_entry")
    found = case.losses
    return PathFacts(
        distance_m=profile.length_m,
        azimuth_deg=case.azimuth_deg % 360.0 if case.positioned else math.nan,
        elevation_angle_deg=case.elevation_deg("near"),
        k_factor=s.k_factor,
        low_k_factor=low_k,
        worst_clearance_ratio=float(found.clearance_ratio[0]),
        worst_clearance_distance_m=float(profile.distance_m[at]),
        worst_clearance_low_k_ratio=float(clearance(profile, s, *path.heights_m, low_k).min()),
        worst_obstacle=profile.clutter_kind[at] or "ground",
        regime=path.regime,
        model=path.model,
        reason=path.reason,
        models=models,
        spread_db=spread_db(models, path.regime) if models else 0.0,
        source=profile.source,
        reflection_distance_m=path.reflection.distance_m if models and path.reflection else None,
        vegetation_loss_db=path.trees_db,
        surroundings_loss_db=(float(found.near_surroundings_db[0]), float(found.far_surroundings_db[0])),
        building_entry_loss_db=entry_db + 0.0,
        bridged_m=profile.bridged_m,
    )


def _direction(case: LinkCase, facts: PathFacts, *, back: bool) -> Direction:
    tx, rx = (case.far, case.near) if back else (case.near, case.far)
    budget = case.budget(back=back)
    parts = contributors(case, rx)
    margin_db = budget.fade_margin_db
    found = judge_direction(case, case.losses, rx, np.array([margin_db]))
    site_db, conditions_db, k_db = (float(v[0]) for v in (found.site_db, found.conditions_db, found.k_db))
    link, required = case.link, Requirement.of(case.link)

    def success(margin: float, sigma: float, tries: int = link.tries) -> float:
        return float(mean_success(margin, sigma, k_db, tries=tries, busy=required.busy))

    share = case.conditions.year_share_percent
    measured_db = math.hypot(after_reading_db(parts), conditions_db)
    worse_db = float(ndtri(share / 100.0)) * conditions_db
    site_share = float(found.site_share[0])
    # the middle of the sites that give what is required, which are the better ones
    middle_db = margin_db + site_db * float(ndtri(1.0 - min(max(site_share, 1e-6), 1.0) / 2.0))
    payload_bytes = link.reply_payload_bytes if back else link.payload_bytes
    return Direction(
        from_=tx.name,
        to=rx.name,
        payload_bytes=payload_bytes,
        time_on_air_s=case.signal.time_on_air_s(payload_bytes),
        path_loss_db=budget.path_loss_db,
        received_power_dbm=budget.received_power_dbm,
        noise_power_dbm=budget.noise_power_dbm,
        sensitivity_dbm=budget.sensitivity_dbm,
        fade_margin_db=margin_db,
        required_margin_db=float(found.required_margin_db[0]),
        site_share=site_share,
        fade_margin_interval_db=(margin_db - _QUANTILE_90 * site_db, margin_db + _QUANTILE_90 * site_db),
        success_where_it_works=max(success(middle_db, conditions_db), required.success),
        delivery_probability=float(found.success[0]),
        delivery_probability_single=success(margin_db, math.hypot(site_db, conditions_db), tries=1),
        delivery_probability_year_share=success(margin_db - worse_db, site_db),
        delivery_probability_after_reading=success(margin_db, measured_db),
        year_share_percent=share,
        verdict=VERDICTS[int(found.verdict[0])],
        limit=_limit(case, facts, budget, tx, rx),
        eirp_dbm=budget.eirp_dbm,
        fading="rician",
        rician_k_db=k_db,
        terms=budget.terms,
        uncertainty=parts,
    )


def _limit(case: LinkCase, facts: PathFacts, budget: Budget, tx: Station, rx: Station) -> Limit:
    """The largest avoidable loss of this direction; distance where none stands out."""
    # what taking each of them away would bring: trees and surroundings are in part the same, and an allowance stays
    trees_db, around_db = float(case.losses.vegetation_db[0]), list(facts.surroundings_loss_db)
    if not case.losses.trees_govern[0]:
        allowed_db = case.situation.installation_db
        more_db = [max(loss_db - allowed_db, 0.0) for loss_db in around_db]
        bring = 1.0 - (1.0 - SHARED) * trees_db / max(sum(more_db), 1e-9)
        around_db = [max(bring, 0.0) * loss_db for loss_db in more_db]
    costs_db = {
        _terrain_limit(case, facts): float(case.losses.ground_db[0]),
        Limit("trees", depth_m=case.path.depth_m): float(case.losses.felled_db[0]),
        Limit("surroundings", case.near.name): around_db[0],
        Limit("surroundings", case.far.name): around_db[1],
        Limit("engine_noise", rx.name): rx.noise_rise_db,
        Limit("radio_noise", rx.name): float(case.noise(rx).external_db),
        Limit("power", tx.name): rx.transmit_power_dbm - tx.transmit_power_dbm,
    }
    for station in (tx, rx):
        costs_db[Limit("feeder", station.name)] = feeder_loss_db(station, case.frequency_hz)
        for extra in station.extra_loss:
            one = Limit("extra_loss", station.name, reason=extra.reason)
            costs_db[one] = costs_db.get(one, 0.0) + extra.loss_db
    for t in budget.terms:
        if t.kind in ("off_beam", "building_entry", "polarisation"):
            costs_db[Limit(t.kind, t.station)] = -t.value_db
    worst = max(costs_db, key=lambda limit: costs_db[limit])
    return worst if costs_db[worst] >= 3.0 else Limit("distance")


def _terrain_limit(case: LinkCase, facts: PathFacts) -> Limit:
    if facts.model == "plane_earth":
        return Limit("low_antennas")
    what = "terrain" if facts.worst_obstacle == "ground" else facts.worst_obstacle
    kind: LimitKind = "blocked" if facts.regime == "obstructed" else "fresnel_zone"
    return Limit(kind, case.near.name, what, facts.worst_clearance_distance_m)


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

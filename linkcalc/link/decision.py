"""What decides about one link: both directions over its path, judged, and its verdict."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from linkcalc.link.budget import Budget
from linkcalc.link.case import ENDS_OF, LinkCase, feeder_loss_db
from linkcalc.link.findings import Excess, Limit, LimitKind, Way
from linkcalc.link.judgement import judge
from linkcalc.link.legal import lawful
from linkcalc.link.losses import SHARED
from linkcalc.link.models import clearance, every_model, spread_db
from linkcalc.link.reliability import mean_success
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.result import Direction, PathFacts, VerdictWord
from linkcalc.link.uncertainty import after_reading_db, contributors
from linkcalc.plan import Station
from linkcalc.propagation import refractivity

_QUANTILE_90 = 1.6449


def judge_link(
    case: LinkCase, *, second_opinions: bool = True
) -> tuple[PathFacts, tuple[Direction, Direction]]:
    """Judge a path and both directions over it, without advice and pictures; the other models' losses if required."""
    facts = _path_facts(case, second_opinions)
    return facts, (_direction(case, facts, "forward"), _direction(case, facts, "return"))


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
    facts, directions = judge_link(case, second_opinions=second_opinions)
    verdict: VerdictWord = min((d.verdict for d in directions), key=VERDICTS.index)
    # duty, dwell or channel that less power does not cure
    if verdict == "closes" and any(x.legal_dbm is None for x in over):
        verdict = "at_risk"
    return Decision(verdict, case, over, facts, directions)


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


def _direction(case: LinkCase, facts: PathFacts, way: Way) -> Direction:
    tx, rx = (case.station(end) for end in ENDS_OF[way])
    budget = case.budget(way)
    parts = contributors(case, rx)
    margin_db = budget.fade_margin_db
    found = judge(case, case.losses, rx, np.array([margin_db]))
    site_db, conditions_db, k_db = (float(v[0]) for v in (found.site_db, found.conditions_db, found.k_db))
    link, required = case.link, Requirement.of(case.link)

    def success(margin: float, sigma: float, tries: int = link.tries) -> float:
        return float(mean_success(margin, sigma, k_db, tries=tries, busy=required.busy))

    share = case.conditions.year_share_percent
    measured_db = math.hypot(after_reading_db(parts), conditions_db)
    # over the year only the conditions vary: the site stays what it is
    worse_db = float(ndtri(share / 100.0)) * conditions_db
    site_share = float(found.site_share[0])
    # the middle of the sites that give what is required, which are the better ones
    # held off 0, for which the quantile is infinite
    middle_db = margin_db + site_db * float(ndtri(1.0 - min(max(site_share, 1e-6), 1.0) / 2.0))
    payload_bytes = link.payload_bytes if way == "forward" else link.reply_payload_bytes
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
        # what the other end sends shows what is to be had here
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

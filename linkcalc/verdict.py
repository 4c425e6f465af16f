"""From a plan to a result: does each link close, what limits it, how sure are we."""

import math
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from linkcalc._version import __version__
from linkcalc.advice import advise
from linkcalc.budget import Budget
from linkcalc.errors import OutOfRangeWarning
from linkcalc.link_case import LinkCase, feeder_loss_db
from linkcalc.path_loss import clearance, every_model, spread_db
from linkcalc.plan import Link, Station
from linkcalc.propagation import fresnel, noise, refractivity, two_ray
from linkcalc.reliability import message_success
from linkcalc.requirement import Requirement
from linkcalc.result import Direction, Drawing, LinkResult, PathFacts, Result
from linkcalc.terrain import geodesy
from linkcalc.terrain.profile import Profile, cut_profile, read_profile_csv, with_obstacles
from linkcalc.terrain.rasters import CANOPY_LIMITS_M, GROUND_LIMITS_M, Mosaic, open_mosaic
from linkcalc.uncertainty import after_reading_db, combined_db, contributors, fading

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan

CAUTIONS = (
    "A radio link is not a safety function and not an emergency stop. Fit an independent, hard-wired "
    "float or over-run stop, and a watchdog that stops the engine when nothing is heard.",
    "The engine may start without warning: lock it off and isolate the battery before working on it. "
    "Exhaust fumes kill; never run it indoors.",
    "Automatic start, transfer switching, mains wiring, masts and earthing are for licensed people "
    "under local codes. Keep masts and ladders clear of power lines; stop work when thunder is near.",
)

_QUANTILE_90 = 1.6449

_SURVEY_TOLERANCE = 0.03
"""Share by which a surveyed length may differ from that between the positions, unremarked."""

_WORST_FIRST = ("does_not_close", "at_risk", "closes")


def check_plan(loaded: "LoadedPlan") -> Result:
    """Answer every link of a plan.

    Parameters
    ----------
    loaded : LoadedPlan
        From `linkcalc.plan.load_plan`.

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
    ('at_risk', 'p1812', 2)
    """
    plan = loaded.plan
    with recorded_notes() as general, open_terrain(loaded) as terrain:
        links = tuple(check_link(case) for case in cases(loaded, terrain))
    return Result(
        title=plan.title,
        plan_file=loaded.path.name,
        plan_digest=loaded.digest,
        linkcalc_version=__version__,
        links=links,
        assumed=loaded.assumed,
        warnings=(*loaded.notes, *general),
        cautions=CAUTIONS,
    )


@contextmanager
def open_terrain(loaded: "LoadedPlan") -> Iterator[tuple[Mosaic, Mosaic, Mosaic]]:
    """Open the plan's rasters once for all links: ground, surface, canopy."""
    t = loaded.plan.terrain
    with ExitStack() as stack:
        ground, surface, canopy = (
            stack.enter_context(open_mosaic(files, loaded.base_dir, limits_m=limits_m, **t.reading()))
            for files, limits_m in (
                (t.rasters, GROUND_LIMITS_M),
                (t.surface_rasters, GROUND_LIMITS_M),
                (t.canopy_rasters, CANOPY_LIMITS_M),
            )
        )
        yield ground, surface, canopy


def cases(loaded: "LoadedPlan", terrain: tuple[Mosaic, Mosaic, Mosaic]) -> Iterator[LinkCase]:
    """Every link of a plan on its ground."""
    for link in loaded.plan.link:
        yield link_case(loaded, link, terrain)


def link_case(loaded: "LoadedPlan", link: Link, terrain: tuple[Mosaic, Mosaic, Mosaic]) -> LinkCase:
    """One link of a plan on its ground."""
    plan = loaded.plan
    near, far = plan.station_named(link.from_), plan.station_named(link.to)
    azimuth, back_azimuth = 0.0, 180.0
    if near.positioned and far.positioned:
        a, b = position_deg(near), position_deg(far)
        length_m, azimuth, back_azimuth = geodesy.path_between(*a, *b)
    surveyed = loaded.profiles.get(link.name)
    if surveyed is None and link.profile_csv is not None:
        surveyed = read_profile_csv(loaded.base_dir / link.profile_csv)
    if surveyed is not None:
        both = near.positioned and far.positioned
        profile = _placed(surveyed, length_m, a, b) if both else surveyed
    else:
        ground, surface, canopy = terrain
        profile = cut_profile(
            *a,
            *b,
            ground,
            surface_rasters=surface,
            canopy_rasters=canopy,
            surface_kind=plan.terrain.surface_kind,
            step_m=plan.terrain.step_m,
            largest_hole_m=plan.terrain.largest_hole_m,
            sea_without_data=plan.terrain.sea_without_data,
            names=(near.name, far.name),
        )
    if link.obstacle:
        profile = with_obstacles(profile, link.obstacle)
    return LinkCase(link, near, far, plan.conditions, profile, azimuth, back_azimuth, plan.regulation)


def _placed(
    profile: Profile, length_m: float, start: tuple[float, float], end: tuple[float, float]
) -> Profile:
    """A surveyed profile with the positions that its stations give it."""
    stretch = length_m / profile.length_m
    notes = profile.notes
    if abs(stretch - 1.0) > _SURVEY_TOLERANCE:
        notes = (
            *notes,
            f"the surveyed profile is {profile.length_m:.0f} m long, but the stations' positions are "
            f"{length_m:.0f} m apart: the profile is used, and one of the two is wrong",
        )
    latitude_deg, longitude_deg = geodesy.points_along(*start, *end, profile.distance_m * stretch)
    return replace(profile, latitude_deg=latitude_deg, longitude_deg=longitude_deg, notes=notes)


def position_deg(station: Station) -> tuple[float, float]:
    """Latitude and longitude of a station that the plan positions."""
    if station.latitude_deg is not None and station.longitude_deg is not None:
        return station.latitude_deg, station.longitude_deg
    grid = (station.easting_m, station.northing_m, station.epsg)
    latitude, longitude = geodesy.from_grid(*grid)  # type: ignore[arg-type]
    return float(latitude), float(longitude)


def judge(case: LinkCase) -> tuple[PathFacts, tuple[Direction, Direction]]:
    """Judge a path and both directions over it, without advice and pictures."""
    facts = _path_facts(case)
    return facts, (_direction(case, facts, back=False), _direction(case, facts, back=True))


def check_link(case: LinkCase) -> LinkResult:
    """Answer one link: verdict, both directions, path facts, advice."""
    with recorded_notes() as said:
        facts, (there, back) = judge(case)
    weaker = min(
        (there, back),
        key=lambda d: (_WORST_FIRST.index(d.verdict), d.fade_margin_db - d.required_margin_db),
    )
    with recorded_notes():  # what is only tried for advice and pictures may leave a model's range
        advice = advise(case, Requirement.of(case.link))
        drawing = _drawing(case)
    notes = [
        *case.profile.notes,
        *_noise_note(case),
        *_bearing_note(case),
        *_season_note(case),
        *_clutter_note(case),
        *said,
    ]
    return LinkResult(
        name=case.link.name,
        verdict=weaker.verdict,
        headline=_headline(case, weaker),
        frequency_hz=case.frequency_hz,
        signal=case.signal.text,
        path=facts,
        directions=(there, back),
        advice=advice,
        warnings=tuple(dict.fromkeys(notes)),
        drawing=drawing,
    )


@contextmanager
def recorded_notes() -> Iterator[list[str]]:
    """Collect what models say about being used outside their range, once each."""
    said: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", OutOfRangeWarning)
        yield said
    said += dict.fromkeys(str(w.message) for w in caught if issubclass(w.category, OutOfRangeWarning))


def _path_facts(case: LinkCase) -> PathFacts:
    profile, s, path = case.profile, case.situation, case.path
    low_k = float(refractivity.low_k_factor(profile.length_m, case.conditions.climate))
    models = every_model(profile, s, path)
    at = path.worst
    entry_db = -sum(t.value_db for t in case.shared_terms if t.name.startswith("building entry"))
    return PathFacts(
        distance_m=profile.length_m,
        azimuth_deg=case.azimuth_deg % 360.0 if case.positioned else math.nan,
        elevation_angle_deg=case.elevation_deg,
        k_factor=s.k_factor,
        low_k_factor=low_k,
        worst_clearance_ratio=float(path.clearance_ratio[at]),
        worst_clearance_distance_m=float(profile.distance_m[at]),
        worst_clearance_low_k_ratio=float(clearance(profile, s, profile.clutter_m, low_k).min()),
        worst_obstacle=profile.clutter_kind[at] or "ground",
        regime=path.regime,
        regime_reason=path.regime_reason,
        model=path.model,
        model_reason=path.model_reason,
        models=models,
        spread_db=spread_db(models, path.regime),
        source=profile.source,
        reflection_distance_m=None if path.reflection is None else path.reflection.distance_m,
        vegetation_loss_db=path.vegetation_loss_db,
        building_entry_loss_db=entry_db + 0.0,
        bridged_m=profile.bridged_m,
    )


def _direction(case: LinkCase, facts: PathFacts, *, back: bool) -> Direction:
    tx, rx = (case.far, case.near) if back else (case.near, case.far)
    budget = case.budget(back=back)
    parts = contributors(case, rx)
    site_db, conditions_db = combined_db(parts, "site"), combined_db(parts, "conditions")
    spread = math.hypot(site_db, conditions_db)
    kind, rician_k_db = fading(case)
    margin_db = budget.fade_margin_db
    link = case.link

    def success(margin: float, sigma: float, tries: int = link.tries) -> float:
        reached = message_success(margin, sigma, fading=kind, rician_k_db=rician_k_db, tries=tries)
        return min(max(float(reached), 0.0), 1.0)

    needed_db = Requirement.of(link).margin_db(spread, kind, rician_k_db)
    delivery = success(margin_db, spread)
    share = case.conditions.year_share_percent
    measured_db = math.hypot(after_reading_db(parts), conditions_db)
    worse_db = float(ndtri(share / 100.0)) * conditions_db
    return Direction(
        from_=tx.name,
        to=rx.name,
        payload_bytes=link.reply_payload_bytes if back else link.payload_bytes,
        time_on_air_s=case.signal.time_on_air_s(link.reply_payload_bytes if back else link.payload_bytes),
        path_loss_db=budget.path_loss_db,
        received_power_dbm=budget.received_power_dbm,
        noise_power_dbm=budget.noise_power_dbm,
        sensitivity_dbm=budget.sensitivity_dbm,
        fade_margin_db=margin_db,
        required_margin_db=needed_db,
        fade_margin_interval_db=(margin_db - _QUANTILE_90 * site_db, margin_db + _QUANTILE_90 * site_db),
        delivery_probability=delivery,
        delivery_probability_single=success(margin_db, spread, tries=1),
        delivery_probability_year_share=success(margin_db - worse_db, site_db),
        delivery_probability_after_reading=success(margin_db, measured_db),
        year_share_percent=share,
        verdict=Requirement.verdict(margin_db, needed_db),
        limited_by=_limited_by(case, facts, budget, tx, rx),
        eirp_dbm=budget.eirp_dbm,
        fading=kind,
        rician_k_db=rician_k_db,
        terms=budget.terms,
        uncertainty=parts,
    )


def _limited_by(case: LinkCase, facts: PathFacts, budget: Budget, tx: Station, rx: Station) -> str:
    """The largest avoidable loss of this direction, in words; distance where none stands out."""
    free_space_db = facts.models["free_space"]
    costs = {
        _terrain_words(case, facts): case.path.loss_db - case.path.vegetation_loss_db - free_space_db,
        f"trees in the path ({case.path.vegetation_depth_m:.0f} m)": facts.vegetation_loss_db,
        "clutter around the antennas": case.clutter_loss_db,
        f"noise at {rx.name} while the engine runs": rx.noise_rise_db,
        f"radio noise around {rx.name}": float(case.noise(rx).external_db),
        f"transmit power of {tx.name}": rx.transmit_power_dbm - tx.transmit_power_dbm,
    }
    for station in (tx, rx):
        costs[f"feeder of {station.name}"] = feeder_loss_db(station, case.frequency_hz)
        for extra in station.extra_loss:
            words = f"{extra.reason} ({station.name})"
            costs[words] = costs.get(words, 0.0) + extra.loss_db
    for t in budget.terms:
        if t.name.startswith(("off the beam", "building entry", "polarisation")):
            costs[t.name] = -t.value_db
    worst = max(costs, key=lambda name: costs[name])
    return worst if costs[worst] >= 3.0 else "distance: free-space loss"


def _terrain_words(case: LinkCase, facts: PathFacts) -> str:
    at = f"{facts.worst_clearance_distance_m / 1e3:.2f} km from {case.near.name}"
    mirror = case.path.reflection
    if facts.model == "two_ray" and mirror is not None:
        last_m = two_ray.last_maximum_m(mirror.tx_height_m, mirror.rx_height_m, case.frequency_hz)
        if facts.distance_m < last_m:
            return "ground reflection: a null at these antenna heights"
        return "ground reflection: the antennas are low for this distance"
    if facts.regime == "obstructed":
        return f"{facts.worst_obstacle} in the ray, {at}"
    return f"{facts.worst_obstacle} in the first Fresnel zone, {at}"


def _headline(case: LinkCase, weaker: Direction) -> str:
    margin, needed = weaker.fade_margin_db, weaker.required_margin_db
    way = f"{weaker.from_} to {weaker.to}"
    if weaker.verdict == "closes":
        return (
            f"Closes: {margin:.1f} dB of fade margin in the weaker direction ({way}); {needed:.1f} dB asked."
        )
    short = f"{needed - margin:.1f} dB short of the {needed:.1f} dB asked"
    if weaker.verdict == "at_risk":
        return f"At risk: {margin:.1f} dB of fade margin from {way}, {short}."
    return f"Does not close: {-margin:.1f} dB below sensitivity from {way}, {short}."


def _noise_note(case: LinkCase) -> list[str]:
    outside = sorted(
        {
            rx.noise_environment
            for rx in (case.near, case.far)
            if noise.man_made_noise_is_extrapolated(case.frequency_hz, rx.noise_environment)
        }
    )
    if not outside:
        return []
    return [
        f"man-made noise ({', '.join(outside)}) is extrapolated to {case.link.frequency_mhz:g} MHz; "
        "Rec. ITU-R P.372 states it to 250 MHz"
    ]


def _bearing_note(case: LinkCase) -> list[str]:
    turned = [s.name for s in (case.near, case.far) if s.antenna.azimuth_deg is not None]
    if case.positioned or not turned:
        return []
    return [
        f"azimuth_deg of {' and '.join(turned)} is not used: without positions the path's bearing is "
        "unknown, and antennas are taken as turned to each other"
    ]


def _season_note(case: LinkCase) -> list[str]:
    if case.conditions.month is None or case.profile.latitude_deg is not None:
        return []
    return ["the month is taken for one of the northern half of the earth: the stations have no positions"]


def _clutter_note(case: LinkCase) -> list[str]:
    shown = set(case.profile.clutter_kind) - {""}
    if case.conditions.clutter == "none" or not shown:
        return []
    return [
        f"clutter = {case.conditions.clutter} is added to what the profile shows "
        f"({', '.join(sorted(shown))}): see that it does not stand for the same things"
    ]


def _drawing(case: LinkCase) -> Drawing:
    profile, s = case.profile, case.situation
    d = profile.distance_m
    back_m = d[-1] - d
    start, end = profile.ground_m[0] + s.tx_height_m, profile.ground_m[-1] + s.rx_height_m
    heights_m, margins_db, raw_db = _height_sweep(case)
    return Drawing(
        distance_m=d,
        ground_m=profile.ground_m,
        clutter_m=profile.clutter_m,
        clutter_kind=profile.clutter_kind,
        bulge_m=np.asarray(fresnel.earth_bulge_m(d, back_m, s.k_factor)),
        ray_m=start + (end - start) * d / d[-1],
        fresnel_radius_m=np.asarray(fresnel.fresnel_radius_m(d, back_m, s.frequency_hz)),
        clearance_ratio=case.path.clearance_ratio,
        antenna_height_m=(s.tx_height_m, s.rx_height_m),
        height_sweep_m=heights_m,
        margin_sweep_db=margins_db,
        margin_sweep_raw_db=raw_db,
    )


def _height_sweep(case: LinkCase) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Margin of the weaker direction over heights of the `to` antenna."""
    top_m = max(15.0, 2.0 * case.far.antenna_height_m)
    heights_m = np.unique(np.append(np.linspace(0.5, top_m, 80), case.far.antenna_height_m))
    margins_db, raw_db = np.empty_like(heights_m), np.empty_like(heights_m)
    for i, height_m in enumerate(heights_m):
        raised = case.with_heights(far_m=float(height_m))
        margins_db[i] = raised.weaker_margin_db
        raw_db[i] = margins_db[i] + raised.path.loss_db - raised.path.raw_loss_db
    return heights_m, margins_db, raw_db

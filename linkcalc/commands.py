"""What the commands answer, from Python: a plan in, in any form, and the answer out.

Every function here has the name of its command; all are names of `linkcalc` itself. They load what they need when
they are called.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from linkcalc.errors import ArgumentError, LinkcalcError, PlanError
from linkcalc.plan.in_python import PlanLike, as_plan, chosen_link, shortened

if TYPE_CHECKING:
    from datetime import date

    from linkcalc.area.coverage import CoverageResult, Progress
    from linkcalc.area.relay.result import RelaySiting
    from linkcalc.area.scheduler import Scheduler
    from linkcalc.fleets.answer import FleetResult
    from linkcalc.link.parts_list import Bill
    from linkcalc.link.result import Result
    from linkcalc.operation.energy import EnergySection
    from linkcalc.operation.messages import MessagesSection
    from linkcalc.operation.sections import LimitsResult
    from linkcalc.operation.tank.answer import TankAnswer
    from linkcalc.plan import Link, LoadedPlan
    from linkcalc.plan.fleet import LoadedFleet
    from linkcalc.site.acceptance import Acceptance
    from linkcalc.site.fieldsheet import FieldSheet
    from linkcalc.site.readings import Readings
    from linkcalc.site.record import Record
    from linkcalc.site.survey import Survey
    from linkcalc.sweeps.comparing import Candidates
    from linkcalc.sweeps.mast_heights import HeightTable
    from linkcalc.sweeps.table import Sweep

FilePath = str | os.PathLike[str]
T = TypeVar("T")


def check(plan: PlanLike, *, sections: bool = True, advice: bool = True) -> "Result":
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

    Raises
    ------
    PlanError, TerrainError
        If the plan is none, or its ground gives no profile.
    ArgumentError
        If `plan` is nothing that a plan can be; so do all functions here.

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.check(lc.sample_path("plain")).verdict
    'at_risk'
    """
    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.sections import with_sections

    loaded = as_plan(plan)
    result = check_plan(loaded, advice=advice)
    return with_sections(result, loaded.plan) if sections else result


def sweep(plan: PlanLike, vary: Mapping[str, Any], *, link: str | None = None) -> "Sweep":
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

    Raises
    ------
    PlanError, TerrainError, DomainError
        As `check`; or a name or a value is none.

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.sweep(lc.sample_path("plain"), {"sf": range(7, 13), "power": [10, 14]}).shape
    (6, 2)
    """
    from linkcalc.sweeps.sweeping import sweep_plan

    return sweep_plan(as_plan(plan), vary, link=link)


def heights(
    plan: PlanLike,
    *,
    link: str | None = None,
    highest_m: float = 20.0,
    step_m: float | None = None,
    bases_m: tuple[float, float] = (0.0, 0.0),
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
    bases_m : tuple of float, m
        What is there at `from` and at `to` carries a mast from here.
    **prices : float
        ``cost_per_m``, ``guyed_above_m``, ``guyed_cost_per_m``, ``cost_per_mast``; those left out are assumed.

    Returns
    -------
    HeightTable

    Raises
    ------
    PlanError, TerrainError, DomainError
        As `check`; or a height is out of range.

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.heights(lc.sample_path("plain"), highest_m=8.0, step_m=1.0)
    >>> found.margin_db.shape, found.cheapest is not None
    ((8, 8), True)
    """
    from dataclasses import fields

    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.sweeps.mast_heights import MastPrices, height_table

    known = [f.name for f in fields(MastPrices)]
    for name in prices:
        if name not in known:
            raise ArgumentError(f"heights takes no {name}; prices are {', '.join(known)}")
    loaded = as_plan(plan)
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, chosen_link(loaded, link), terrain)
        return height_table(
            case,
            highest_m=highest_m,
            step_m=step_m,
            prices=MastPrices(**prices),
            stated=frozenset(prices),
            bases_m=bases_m,
        )


def coverage(
    plan: PlanLike,
    station: str | Sequence[str],
    *,
    radius_m: float = 10_000.0,
    link: str | Sequence[str] | None = None,
    cell_m: float = 30.0,
    tiles_in: FilePath | None = None,
    scheduler: "Scheduler | None" = None,
    progress: "Callable[[Progress], None] | None" = None,
) -> "CoverageResult":
    """Say where around a station the other end of a link could stand.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    station : str or sequence of str
        The station that stays where it is; of several, each cell holds the best.
    radius_m, cell_m : float, m
        How far around it to look, and the width of a cell.
    link : str or sequence of str, optional
        Whose other end goes into the cells; by default each station's first.
    tiles_in : path, optional
        Folder for finished tiles: an interrupted call is taken up by the next one.
    scheduler, progress
        As `linkcalc.area.coverage.coverage`.

    Returns
    -------
    CoverageResult
        With `to_xarray`, `to_geojson`, `figure`.

    Raises
    ------
    PlanError, TerrainError, DomainError
        As `check`; or no cell lies within the radius.

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.coverage(lc.sample_path("plain"), "pump shed", radius_m=600.0, cell_m=200.0)
    >>> found.bands["margin_db"].shape, found.crs.split()[0]
    ((7, 7), '+proj=aeqd')
    """
    from linkcalc.area.coverage import plan_coverage

    names = [station] if isinstance(station, str) else station
    if not isinstance(names, Sequence) or not all(isinstance(name, str) for name in names):
        raise ArgumentError(f"station is the name of one, or a list of names; not {shortened(station)}")
    return plan_coverage(
        as_plan(plan),
        station,
        radius_m,
        link=link,
        cell_m=cell_m,
        tiles_in=None if tiles_in is None else Path(tiles_in),
        scheduler=scheduler,
        progress=progress,
    )


def relay(
    plan: PlanLike,
    *,
    link: str | None = None,
    radius_m: float | None = None,
    cell_m: float | None = None,
    relays: Literal[1, 2] | None = None,
    apart_m: float | None = None,
    within: FilePath | None = None,
    track: FilePath | None = None,
    track_distance_m: float | None = None,
    steepest_deg: float | None = None,
    nodata_distance_m: float = 0.0,
    relay_like: str | None = None,
    relay_height_m: float | None = None,
    relay_power_dbm: float | None = None,
    relay_gain_dbi: float | None = None,
    tiles_in: FilePath | None = None,
    scheduler: "Scheduler | None" = None,
) -> "RelaySiting":
    """Say where a relay for a link would go.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    link : str, optional
        Which, where the plan has several.
    radius_m, cell_m, apart_m : float, m
        How far around the middle of the link to look, the width of a cell, the least distance between spots.
    relays : 1 or 2, optional
        Relays in a row; by default one, and two where no spot for one closes.
    within, track : path, optional
        GeoJSON files: polygons to stay in; tracks to stay within `track_distance_m` of.
    steepest_deg, nodata_distance_m : float
        Steepest slope, and least distance from cells without height.
    relay_like, relay_height_m, relay_power_dbm, relay_gain_dbi
        Equipment: that of a station of the plan, or the link's with these.
    tiles_in, scheduler
        As `coverage`.

    Returns
    -------
    RelaySiting
        With `to_xarray`, `to_geojson`, `figure`.

    Raises
    ------
    PlanError, TerrainError, DomainError
        As `check`; or no cell is left to stand in.

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.relay(lc.sample_path("upland"), cell_m=300.0, relays=1)
    >>> found.direct.verdict, found.best.verdict
    ('at_risk', 'closes')
    """
    from linkcalc.area.access import Access
    from linkcalc.area.relay.plan import RelayKit
    from linkcalc.area.relay.siting import relay_siting

    loaded = as_plan(plan)
    return relay_siting(
        loaded,
        chosen_link(loaded, link),
        radius_m=radius_m,
        cell_m=cell_m,
        apart_m=apart_m,
        access=Access(_path(within), _path(track), track_distance_m, steepest_deg, nodata_distance_m),
        kit=RelayKit(relay_like, relay_height_m, relay_power_dbm, relay_gain_dbi),
        relays=relays,
        tiles_in=_path(tiles_in),
        scheduler=scheduler,
    )


def fleet(
    fleet: "FilePath | LoadedFleet",
    plan: PlanLike | None = None,
    *,
    link: str | None = None,
    interval_s: float | None = None,
    choose: bool = True,
    simulate: bool = True,
    seed: int = 1,
    scheduler: "Scheduler | None" = None,
) -> "FleetResult":
    """Say which shed hears which node, who collides, and how each node should send.

    Parameters
    ----------
    fleet : path or LoadedFleet
        Fleet file; or with `plan` a list of nodes (CSV).
    plan : path, mapping, Plan or LoadedPlan, optional
        The plan that has the nodes' sheds and equipment.
    link, interval_s
        With `plan`: which link, and the time between two messages of a node.
    choose : bool
        Propose shed, spreading factor and power of each node; else judge them as planned.
    simulate : bool
        Also play the fleet packet by packet, from `seed`.
    scheduler
        As `coverage`.

    Returns
    -------
    FleetResult

    Raises
    ------
    PlanError, TerrainError, DomainError
        As `check`; or the list holds no node.

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.fleet(lc.sample_path("upland_fleet"), simulate=False)
    >>> len(found.nodes), found.verdict
    (60, 'at_risk')
    """
    from linkcalc.fleets.answer import answer
    from linkcalc.plan.fleet import LoadedFleet, fleet_of_plan, load_fleet

    if isinstance(fleet, LoadedFleet):
        loaded = fleet
    elif not isinstance(fleet, str | os.PathLike):
        raise ArgumentError(
            "a fleet is the path of a fleet file or of a list of nodes, or what load_fleet returns; "
            f"not {type(fleet).__name__}: {shortened(fleet)}"
        )
    elif plan is None:
        loaded = load_fleet(Path(fleet))
    else:
        loaded = fleet_of_plan(as_plan(plan), Path(fleet), link=link, interval_s=interval_s)
    return answer(loaded, choose=choose, play=simulate, seed=seed, scheduler=scheduler)


def survey(
    plan: PlanLike,
    readings: "FilePath | Sequence[FilePath] | Readings",
    *,
    link: str | None = None,
    direction: Literal["there", "back"] | None = None,
    leaf: Literal["in_leaf", "out_of_leaf"] | None = None,
    wet_foliage: bool | None = None,
) -> "Survey":
    """Hold signal readings against the prediction, and answer the link anew.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    readings : path, sequence of paths, or Readings
        CSV, or JSON of the field sheet.
    link : str, optional
        Which, where the plan has several and the readings do not say.
    direction, leaf, wet_foliage
        Of rows that do not say.

    Returns
    -------
    Survey
        Rows that cannot be used are in `refused`.

    Raises
    ------
    PlanError, TerrainError, ReadingsError
        As `check`; or nothing can be used.

    Examples
    --------
    >>> import linkcalc as lc
    >>> plan = lc.sample_path("upland")
    >>> found = lc.survey(plan, lc.sample_path("upland_readings"))
    >>> found.readings_used > 0
    True
    """
    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.site.survey import survey_link

    loaded = as_plan(plan)
    chosen, found, _ = _read(loaded, link, readings, direction)
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, chosen, terrain)
        return survey_link(
            case, found, leaf=leaf, wet_foliage=wet_foliage, plan=loaded.plan, plan_digest=loaded.digest
        )


def acceptance(
    plan: PlanLike | None = None,
    *,
    success: float = 0.95,
    confidence: float = 0.95,
    good_success: float | None = None,
    sent: int | None = None,
    lost: int = 0,
    interval_s: float | None = None,
    duty_cycle: float | None = None,
    time_on_air_s: float | None = None,
    link: str | None = None,
    direction: Literal["there", "back"] = "there",
) -> "Acceptance":
    """Say how many packets prove a link, how long that takes, and what a count shows.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan, optional
        For time on air and the legal interval.
    success, confidence : float, 0 to 1
        Share of packets to be proven, and how sure the proof is.
    good_success : float, optional
        A link the tests should pass; by default one with a fifth of the losses.
    sent, lost : int
        A count.
    interval_s, duty_cycle, time_on_air_s : float, optional
        Between packets; largest share of time on the air; of one packet, in place of the plan's.
    link, direction
        Which link, and whose packets.

    Returns
    -------
    Acceptance

    Raises
    ------
    DomainError, PlanError
        If a figure is out of range, or the plan is none.

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.acceptance(success=0.95, sent=100, lost=2).count.passed
    False
    """
    from linkcalc.operation.limits import packet_of
    from linkcalc.site.acceptance import acceptance as tests

    legal_s = None
    if plan is not None:
        loaded = as_plan(plan)
        air_s, legal_s = packet_of(loaded.plan, chosen_link(loaded, link).name, answers=direction == "back")
        time_on_air_s = air_s if time_on_air_s is None else time_on_air_s
    return tests(
        success,
        confidence,
        good_success=good_success,
        time_on_air_s=time_on_air_s,
        interval_s=interval_s,
        duty_cycle=duty_cycle,
        legal_interval_s=legal_s,
        sent=sent,
        lost=lost,
    )


def record(
    plan: PlanLike,
    readings: "FilePath | Sequence[FilePath] | None" = None,
    *,
    link: str | None = None,
    leaf: Literal["in_leaf", "out_of_leaf"] | None = None,
    wet_foliage: bool | None = None,
    day: "date | None" = None,
    success: float | None = None,
    confidence: float = 0.95,
    photos: "Sequence[FilePath]" = (),
    **job: str,
) -> "Record":
    """Put together the record of a link, for the customer's file.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    readings : path or sequence of paths, optional
    link : str, optional
        Which, where the plan has several and the readings do not say.
    leaf, wet_foliage
        Of readings that do not say.
    day : date, optional
        Of the record; left out, room is left for it.
    success, confidence : float, 0 to 1
        What the acceptance test proves, and how surely.
    photos : sequence of path
        JPEG or PNG files.
    **job : str
        ``customer``, ``site``, ``number``, ``installer``, ``firm``.

    Returns
    -------
    Record
        With `to_html` and `to_pdf`.

    Raises
    ------
    PlanError, TerrainError, ReadingsError
        As `survey`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.record(lc.sample_path("plain"), site="tank hill").to_html()[:15]
    '<!DOCTYPE html>'
    """
    from dataclasses import fields

    from linkcalc.site.record import Job, make_record

    known = [f.name for f in fields(Job)]
    for name in job:
        if name not in known:
            raise ArgumentError(f"record takes no {name}; a job has {', '.join(known)}")
    loaded = as_plan(plan)
    chosen, found, files = (
        (chosen_link(loaded, link), None, []) if readings is None else _read(loaded, link, readings, None)
    )
    return make_record(
        loaded,
        chosen,
        readings=found,
        readings_paths=files,
        leaf=leaf,
        wet_foliage=wet_foliage,
        day=day,
        success=success,
        confidence=confidence,
        job=Job(**job),
        photos=[Path(p) for p in photos],
    )


def fieldsheet(
    plan: PlanLike, *, link: str | None = None, highest_m: float | None = None, step_m: float | None = None
) -> "FieldSheet":
    """Work out a page that answers on site: heights, antennas and readings in, verdict out, without network.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    link : str, optional
        Which, where the plan has several.
    highest_m, step_m : float, m
        Highest antenna that can be entered, and the step that is worked out.

    Returns
    -------
    FieldSheet
        With `to_html`.

    Raises
    ------
    PlanError, TerrainError, DomainError
        As `check`; or a height is out of range.

    Examples
    --------
    >>> import linkcalc as lc
    >>> sheet = lc.fieldsheet(lc.sample_path("plain"), highest_m=8.0, step_m=2.0)
    >>> sheet.link
    'level and pump permit'
    """
    from linkcalc.link.on_ground import link_case, open_terrain
    from linkcalc.site.fieldsheet import field_sheet

    loaded = as_plan(plan)
    with open_terrain(loaded) as terrain:
        case = link_case(loaded, chosen_link(loaded, link), terrain)
    return field_sheet(loaded, case, highest_m=highest_m, step_m=step_m)


def limits(plan: PlanLike, *, region: str | None = None) -> "LimitsResult":
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

    Raises
    ------
    PlanError, LinkcalcError
        If the plan is none, or the region is not in the table.

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.limits(lc.sample_path("upland"), region="eu").limits.status
    'within'
    """
    from linkcalc.operation.sections import plan_limits_of
    from linkcalc.rules.table import REGIONS

    if region is not None and region not in REGIONS:
        raise LinkcalcError(f"region {region!r} is not in the table; known: {', '.join(REGIONS)}")
    return plan_limits_of(as_plan(plan).plan, region)


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

    Raises
    ------
    LinkcalcError
        If there is but one candidate; otherwise as `check`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> plan = lc.load_plan(lc.sample_path("plain"))
    >>> found = lc.compare({"as planned": plan, "higher": plan.changed({"header tank.antenna_height_m": 8})})
    >>> [(r.candidate, r.verdict) for r in found.rows]
    [('as planned', 'at_risk'), ('higher', 'closes')]
    """
    from linkcalc.sweeps.comparing import compare as side_by_side

    if isinstance(plans, Mapping):
        return side_by_side([(name, as_plan(plan)) for name, plan in plans.items()], settings, leaf=leaf)
    if isinstance(plans, str | os.PathLike) or not isinstance(plans, Sequence):
        raise ArgumentError(
            f"compare takes a dict of plans by name, or a list of plans; not {type(plans).__name__}: {shortened(plans)}"
        )
    files = [Path(p) if isinstance(p, str | os.PathLike) else as_plan(p) for p in plans]
    return side_by_side(files, settings, leaf=leaf)


def parts(plan: PlanLike) -> "Bill":
    """Count masts, antennas, feeders, radios, batteries and panels of a plan, and price them.

    Prices are those of the plan's [prices]; what it does not state is an invented example, and marked.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan

    Returns
    -------
    Bill

    Raises
    ------
    PlanError, TerrainError
        As `check`.

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

    loaded = as_plan(plan)
    sections = {}
    if any(supply.solar is not None for supply in loaded.plan.power):
        # how large a panel must be takes the links' answers
        sections = dict(with_sections(check_plan(loaded, advice=False), loaded.plan, brief=True).sections)
    return bill(loaded.plan, sections)


def messages(plan: PlanLike) -> "MessagesSection":
    """Say how often each message is lost, when it arrives, and how long it is on the air.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
        With [[message]] tables.

    Returns
    -------
    MessagesSection

    Raises
    ------
    PlanError
        If it has none, or a message does not fit into its interval; otherwise as `check`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> [m.kind for m in lc.messages(lc.sample_path("upland")).messages][:1]
    ['run_permit']
    """
    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.messages import section

    loaded = as_plan(plan)
    found = section(loaded.plan, check_plan(loaded).links) if loaded.plan.message else None
    return _asked(found, loaded, "[[message]]")


def tank(plan: PlanLike, *, tank_years: int = 2000, seed: int = 1) -> "TankAnswer":
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

    Raises
    ------
    PlanError
        If it has no tank; otherwise as `check`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> lc.tank(lc.sample_path("upland"), tank_years=0).simulated is None
    True
    """
    from dataclasses import replace

    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.tank import section, simulated

    loaded = as_plan(plan)
    links = check_plan(loaded).links if loaded.plan.tank is not None else ()
    found = _asked(section(loaded.plan, links), loaded, "[tank]")
    return replace(found, simulated=simulated(loaded.plan, links, tank_years, seed)) if tank_years else found


def energy(plan: PlanLike) -> "EnergySection":
    """Say how long each battery lasts, or how large a panel must be.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
        With [[power]] tables.

    Returns
    -------
    EnergySection

    Raises
    ------
    PlanError
        If it has none, or a message does not fit into its interval; otherwise as `check`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> len(lc.energy(lc.sample_path("upland")).stations) > 0
    True
    """
    from linkcalc.link.verdict import check_plan
    from linkcalc.operation.energy import section

    loaded = as_plan(plan)
    found = section(loaded.plan, check_plan(loaded).links) if loaded.plan.power else None
    return _asked(found, loaded, "[[power]]")


def _asked(found: T | None, loaded: "LoadedPlan", table: str) -> T:
    if found is None:
        raise PlanError(f"{loaded.path}: has no {table}, which this answers")
    return found


def _path(path: FilePath | None) -> Path | None:
    return None if path is None else Path(path)


def _read(
    loaded: "LoadedPlan",
    link: str | None,
    given: "FilePath | Sequence[FilePath] | Readings",
    direction: Literal["there", "back"] | None,
) -> "tuple[Link, Readings, list[Path]]":
    """The link that readings are of, the readings, and their files."""
    from linkcalc.site.readings import Readings, link_named_in, read_all

    if isinstance(given, Readings):
        return chosen_link(loaded, link), given, []
    several = [given] if isinstance(given, str | os.PathLike) else given
    if not isinstance(several, list | tuple) or not all(isinstance(f, str | os.PathLike) for f in several):
        raise ArgumentError(
            "readings are the path of a file, a list of paths, or Readings; "
            f"not {type(given).__name__}: {shortened(given)}"
        )
    files = [Path(file) for file in several]
    named = (name for name in map(link_named_in, files) if name is not None)
    chosen = chosen_link(loaded, link or next(named, None))
    return chosen, read_all(files, (chosen.from_, chosen.to), direction=direction), files

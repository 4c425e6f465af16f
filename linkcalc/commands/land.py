"""Many places: the land around a station, places for relays, the nodes of a fleet."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypedDict, Unpack

from linkcalc._kinds import kinds_checked
from linkcalc.errors import ArgumentError
from linkcalc.files import FilePath

if TYPE_CHECKING:
    from linkcalc.area.coverage_result import CoverageResult
    from linkcalc.area.relay.result import RelaySiting
    from linkcalc.area.scheduler import Scheduler
    from linkcalc.area.tiles import Progress
    from linkcalc.fleets.result import FleetResult
    from linkcalc.plan import PlanLike
    from linkcalc.plan.fleet import LoadedFleet


@kinds_checked
def coverage(
    plan: "PlanLike",
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
        As in `linkcalc.area.tiles.Run`.

    Returns
    -------
    CoverageResult
        With `to_xarray`, `to_geojson`, `figure`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.coverage(lc.sample_path("plain"), "pump shed", radius_m=600.0, cell_m=200.0)
    >>> found.bands["margin_db"].shape, found.crs.split()[0]
    ((7, 7), '+proj=aeqd')
    """
    from linkcalc.area.coverage import plan_coverage
    from linkcalc.area.tiles import Run, tell_nobody
    from linkcalc.plan.loading import as_plan

    return plan_coverage(
        as_plan(plan),
        station,
        radius_m,
        link=link,
        cell_m=cell_m,
        run=Run(scheduler, _path(tiles_in), progress or tell_nobody),
    )


class PlaceAndEquipment(TypedDict, total=False):
    """What a relay's place has to be like, and what stands there."""

    within: FilePath | None
    track: FilePath | None
    track_distance_m: float | None
    steepest_deg: float | None
    relay_like: str | None
    relay_height_m: float | None
    relay_power_dbm: float | None
    relay_gain_dbi: float | None


@kinds_checked
def relay(
    plan: "PlanLike",
    *,
    link: str | None = None,
    radius_m: float | None = None,
    cell_m: float | None = None,
    relays: Literal[1, 2] | None = None,
    apart_m: float | None = None,
    nodata_distance_m: float = 0.0,
    tiles_in: FilePath | None = None,
    scheduler: "Scheduler | None" = None,
    **place_and_equipment: Unpack[PlaceAndEquipment],
) -> "RelaySiting":
    """Say where a relay for a link would go.

    Parameters
    ----------
    plan : path, mapping, Plan or LoadedPlan
    link : str, optional
        Which, where the plan has several.
    radius_m, cell_m, apart_m : float, m, above 0 (`apart_m`: 0 or more), optional
        How far around the middle of the link to look (by default 0.75 of its length), the width of a cell (30 m,
        more in large areas), the least distance between spots (8 % of the link, at least three cells).
    relays : 1 or 2, optional
        Relays in a row; by default one, and two where no spot for one closes.
    within, track : path, optional
        GeoJSON files (RFC 7946): polygons to stay in; tracks to stay near to.
    track_distance_m : float, m, 0 or more, optional
        Farthest from a track.
    steepest_deg : float, degrees, optional
        Steepest slope of the ground.
    nodata_distance_m : float, m, 0 or more
        Nearest to cells without height.
    relay_like : str, optional
        Station of the plan whose whole equipment the relay has; by default it has the link's, with:
    relay_height_m, relay_power_dbm, relay_gain_dbi : float, m above ground, dBm conducted, dBi, optional
        Antenna height (the link's higher one by default), power, and gain of an all-round antenna.
    tiles_in, scheduler
        As `coverage`.

    Returns
    -------
    RelaySiting
        With `to_xarray`, `to_geojson`, `figure`.

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.relay(lc.sample_path("upland"), cell_m=300.0, relays=1)
    >>> found.direct.verdict, found.best.verdict
    ('at_risk', 'closes')
    """
    from linkcalc.area.access import Access
    from linkcalc.area.relay.siting import relay_siting
    from linkcalc.area.tiles import Run
    from linkcalc.link.relayed_plan import RelayKit
    from linkcalc.plan.loading import as_plan, chosen_link

    loaded, given = as_plan(plan), place_and_equipment
    place = _path(given.get("within")), _path(given.get("track"))
    return relay_siting(
        loaded,
        chosen_link(loaded, link),
        radius_m=radius_m,
        cell_m=cell_m,
        apart_m=apart_m,
        access=Access(*place, given.get("track_distance_m"), given.get("steepest_deg"), nodata_distance_m),
        kit=RelayKit(
            given.get("relay_like"),
            given.get("relay_height_m"),
            given.get("relay_power_dbm"),
            given.get("relay_gain_dbi"),
        ),
        relays=relays,
        run=Run(scheduler, _path(tiles_in)),
    )


@kinds_checked
def fleet(
    fleet: "FilePath | LoadedFleet",
    plan: "PlanLike | None" = None,
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

    Examples
    --------
    >>> import linkcalc as lc
    >>> found = lc.fleet(lc.sample_path("upland_fleet"), simulate=False)
    >>> len(found.nodes), found.verdict
    (60, 'at_risk')
    """
    from linkcalc.fleets.answer import answer
    from linkcalc.plan.fleet import LoadedFleet, fleet_of_plan, load_fleet
    from linkcalc.plan.loading import as_plan

    if plan is None and (link is not None or interval_s is not None):
        raise ArgumentError("fleet: link and interval_s go with plan; a fleet file says so itself")
    if isinstance(fleet, LoadedFleet):
        loaded = fleet
    elif plan is None:
        loaded = load_fleet(Path(fleet))
    else:
        loaded = fleet_of_plan(as_plan(plan), Path(fleet), link=link, interval_s=interval_s)
    return answer(loaded, choose=choose, play=simulate, seed=seed, scheduler=scheduler)


def _path(given: FilePath | None) -> Path | None:
    return None if given is None else Path(given)

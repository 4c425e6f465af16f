"""From a fleet on its land to the arrays of a network: the path from every node to every shed.

Each pair has its own full terrain profile and the model of a single check: `linkcalc.area.losses`.
"""

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.area import kernels
from linkcalc.area.land import Land, read_land
from linkcalc.area.losses import End, losses, surroundings_notes
from linkcalc.area.margins import answers, template_case
from linkcalc.area.plane import Plane
from linkcalc.area.relief import Relief, relief_around
from linkcalc.area.scheduler import Local, Scheduler
from linkcalc.errors import OutOfRangeWarning, PlanError, TerrainError, printable
from linkcalc.fleets.network import STEADY, Network, fading_of
from linkcalc.fleets.random_access import survival_threshold_db
from linkcalc.link.case import LinkCase, directional
from linkcalc.link.losses import REGIMES
from linkcalc.link.modulation import Signal
from linkcalc.link.on_ground import open_terrain
from linkcalc.plan import ChirpModulation
from linkcalc.plan.fleet import LoadedFleet
from linkcalc.plan.links import Modulation
from linkcalc.plan.nodes import Node, RefusedNode
from linkcalc.plan.stations import position_deg
from linkcalc.propagation import compiled
from linkcalc.terrain.rasters import Mosaic, station_ground_m

if TYPE_CHECKING:
    from linkcalc.plan.model import Plan

CHUNK = 64
"""Nodes that are processed together."""
_ROOM = 1.001
"""The land is read a little farther than the farthest node."""


@dataclass(frozen=True, eq=False)
class Side:
    """One shed with the land around it."""

    land: Land
    template: LinkCase
    fixed: End


@dataclass(frozen=True, eq=False)
class Job:
    """Everything the work on a pair needs; can be pickled."""

    sides: tuple[Side, ...]
    latitude_deg: Floats
    longitude_deg: Floats
    height_m: Floats
    use_numba: bool

    def tiles(self) -> list[tuple[int, int]]:
        """Shed and first node of each piece of work."""
        starts = range(0, self.latitude_deg.size, CHUNK)
        return [(j, first) for j in range(len(self.sides)) for first in starts]


@dataclass(frozen=True, eq=False)
class Paths:
    """Every path, arrays (n, s) unless said otherwise; NaN where there is none."""

    names: tuple[str, ...]
    nodes: tuple[Node, ...]
    rows: tuple[int, ...]
    refused: tuple[RefusedNode, ...]
    """Rows of the list that are not used, and nodes that have no ground."""
    latitude_deg: Floats
    """(n,)"""
    longitude_deg: Floats
    sheds_deg: tuple[tuple[float, float], ...]
    height_m: Floats
    """(n,): antennas above ground."""
    gain_db: Floats
    """Received less transmitted power, the node's own extra loss included."""
    loss_db: Floats
    length_m: Floats
    site_db: Floats
    conditions_db: Floats
    """Standard deviations of what is unknown at such a site, and of what varies over the year."""
    k_db: Floats
    """Median Rician K of such paths."""
    regime: NDArray[np.int8]
    unknown: NDArray[np.bool_]
    """Paths whose ground is not known: no such link closes plainly."""
    noise_dbm: Floats
    """(s,)"""
    node_noise_dbm: float
    shed_power_dbm: Floats
    """(s,)"""
    relief: Relief
    """For the map."""
    notes: tuple[str, ...]

    @property
    def sigma_db(self) -> Floats:
        """Standard deviation of all that is unknown or varies slowly."""
        return np.asarray(np.hypot(self.site_db, self.conditions_db))


_FIELDS = ("gain_db", "loss_db", "length_m", "site_db", "conditions_db", "k_db", "regime", "unknown")


def pairs(job: Job, tile: tuple[int, int]) -> Floats:
    """The paths from some nodes to one shed, (fields, nodes)."""
    j, first = tile
    side = job.sides[j]
    part = slice(first, first + CHUNK)
    east, north = side.land.position_of(job.latitude_deg[part], job.longitude_deg[part])
    heights = job.height_m[part]
    # two lands differ by nanometres in how far the farthest node is
    length = np.hypot(east, north)
    near, far = (None, heights) if side.fixed == "near" else (heights, None)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)  # said once for the whole fleet
        found = losses(
            side.land, side.template, side.fixed, east, north, near_height_m=near, far_height_m=far,
            use_numba=job.use_numba,
        )  # fmt: skip
        here = (side.land.latitude_deg, side.land.longitude_deg)
        ends = answers(side.template, side.fixed, here, east, north, found)
    # the template's power may have been turned down to a legal one: the gain must not depend on it
    gain = ends.level_forward_dbm - side.template.near.transmit_power_dbm
    forward = ends.judgements[0]
    return np.stack(
        [
            gain,
            found.loss_db,
            length,
            forward.site_db,
            forward.conditions_db,
            forward.k_db,
            found.regime,
            found.ground_unknown,
        ]
    )


def paths(
    loaded: LoadedFleet,
    *,
    scheduler: Scheduler | None = None,
    use_numba: bool | None = None,
    say: Callable[[str], None] = lambda line: None,
) -> Paths:
    """Evaluate the path from every node of a fleet to every shed; `say` gets lines for the user.

    A node that stands on no ground is refused with the reason, the others are answered; `TerrainError` where a shed has
    no ground, no node has, or two stations stand at the same place.
    """
    plan_file = loaded.plan()
    plan = plan_file.plan
    numba = compiled.available() if use_numba is None else use_numba
    places = np.array([position_deg(n) for n in loaded.nodes])
    sheds_deg = [position_deg(s) for s in loaded.fleet.shed]
    with open_terrain(plan_file) as terrain:
        for shed, here in zip(loaded.fleet.shed, sheds_deg, strict=True):
            station_ground_m(shed.name, *here, terrain[0])
        good, refused = _grounded(loaded, places, terrain[0])
        places = places[good]
        sides = []
        for k, shed, here in zip(plan.link, loaded.fleet.shed, sheds_deg, strict=True):
            template, fixed = template_case(plan_file, k, shed.name)
            farthest = float(np.hypot(*Plane(*here).position_of(places[:, 0], places[:, 1])).max())
            land = read_land(
                terrain, *here, max(farthest * _ROOM, 50.0), name=shed.name, rules=plan.terrain, whole=False
            )
            sides.append(Side(land, template, fixed))
        relief = relief_around(terrain.ground, np.vstack([np.array(sheds_deg), places]))
    nodes = tuple(n for n, ok in zip(loaded.nodes, good, strict=True) if ok)
    rows = tuple(r for r, ok in zip(loaded.rows, good, strict=True) if ok)
    default_m = loaded.fleet.equipment.antenna_height_m
    heights = np.array([n.antenna_height_m or default_m for n in nodes])
    job = Job(tuple(sides), places[:, 0].copy(), places[:, 1].copy(), heights, numba)
    if numba:
        if not kernels.kept_on_disk():
            say("compiling, once: some 10 s; later runs start at once")
        # compiled by one pair here, before all threads ask for it at once
        probe = Job(job.sides[:1], job.latitude_deg[:1], job.longitude_deg[:1], heights[:1], True)
        pairs(probe, (0, 0))
    found = np.full((len(_FIELDS), len(nodes), len(sides)), np.nan)
    for (j, first), part in (scheduler or Local()).run(pairs, job, job.tiles()):
        found[:, first : first + CHUNK, j] = part
    by_name = dict(zip(_FIELDS, found, strict=True))
    extra = np.array([n.extra_loss_db for n in nodes])[:, np.newaxis]
    template = sides[0].template
    snr = template.signal.required_snr_db
    return Paths(
        names=tuple(n.name for n in nodes),
        nodes=nodes,
        rows=rows,
        refused=(*loaded.refused, *refused),
        latitude_deg=job.latitude_deg,
        longitude_deg=job.longitude_deg,
        sheds_deg=tuple((float(a), float(b)) for a, b in sheds_deg),
        height_m=heights,
        **by_name
        | {
            "gain_db": by_name["gain_db"] - extra,
            "regime": np.nan_to_num(by_name["regime"], nan=-1.0).astype(np.int8),
            "unknown": np.nan_to_num(by_name["unknown"], nan=1.0) > 0.0,
        },
        noise_dbm=np.array([s.template.budget().sensitivity_dbm - snr for s in sides]),
        node_noise_dbm=float(template.budget("return").sensitivity_dbm - snr),
        shed_power_dbm=np.array([s.template.far.transmit_power_dbm for s in sides]),
        relief=relief,
        notes=tuple(
            dict.fromkeys([*(n for s in sides for n in s.land.notes), *_notes(plan, sides, by_name)])
        ),
    )


def without_overlong_messages(loaded: LoadedFleet, *, choose: bool) -> LoadedFleet:
    """The fleet without the nodes whose messages, with their tries, do not fit into their interval.

    `choose`: with a spreading factor chosen from those listed; else as planned.
    """
    radio, traffic = loaded.fleet.radio, loaded.fleet.traffic
    planned = getattr(radio.modulation, "spreading_factor", 0)
    kept, refused = [], []
    for node, row in zip(loaded.nodes, loaded.rows, strict=True):
        factors = radio.factors if choose or not planned else (node.spreading_factor or planned,)
        payload = node.payload_bytes or traffic.payload_bytes
        seconds = _on_air_s(radio.modulation, factors[0], payload) * traffic.tries
        interval = node.interval_s or traffic.interval_s
        if seconds < interval:
            kept.append((node, row))
            continue
        remedy = "let it report less often" if traffic.tries == 1 else "let it report less often, or try less"
        reason = (
            f"its interval of {interval:g} s is shorter than the {seconds:.3g} s that one message with its"
            f" tries is on the air; {remedy}"
        )
        refused.append(RefusedNode(row, node.name, reason))
    if not refused:
        return loaded
    if not kept:
        first = refused[0]
        more = f" ({len(refused) - 1} more like it)" if len(refused) > 1 else ""
        raise PlanError(printable(f"{loaded.path}: node {first.name}: {first.reason}{more}"))
    nodes, rows = zip(*kept, strict=True)
    return replace(loaded, nodes=nodes, rows=rows, refused=(*loaded.refused, *refused))


@cache
def _on_air_s(modulation: Modulation, factor: int, payload_bytes: int) -> float:
    return float(_signal(modulation, factor).time_on_air_s(payload_bytes))


def network(loaded: LoadedFleet, found: Paths) -> Network:
    """The arrays of a fleet, from its paths and from what it sends."""
    radio, traffic = loaded.fleet.radio, loaded.fleet.traffic
    factors = _factors(loaded)
    signals = [_signal(radio.modulation, f) for f in factors]
    payloads = [n.payload_bytes or traffic.payload_bytes for n in found.nodes]
    airtime = np.array([[_on_air_s(radio.modulation, f, p) for f in factors] for p in payloads])
    interval = np.array([n.interval_s or traffic.interval_s for n in found.nodes])
    required = np.array([s.required_snr_db for s in signals])
    if factors == (0,):  # an interferer counts as noise of its power
        threshold = required.reshape(1, 1)
    else:
        threshold = np.asarray(survival_threshold_db(np.array(factors)[:, np.newaxis], np.array(factors)))
    # no path is a level that nobody hears, where NaN would spoil every sum over the nodes
    gain = np.where(np.isnan(found.gain_db), -np.inf, found.gain_db)
    return Network(
        gain_db=gain,
        noise_dbm=found.noise_dbm,
        fading=fading_of(found.k_db) if radio.fading == "by_path" else np.full(gain.shape, STEADY, np.int8),
        sigma_db=np.nan_to_num(np.hypot(found.site_db, found.conditions_db)),
        site_sigma_db=np.nan_to_num(found.site_db),
        return_snr_db=found.shed_power_dbm + gain - found.node_noise_dbm,
        required_snr_db=required,
        threshold_db=threshold,
        factors=factors,
        time_on_air_s=airtime,
        answer_s=np.array([s.time_on_air_s(traffic.reply_payload_bytes) for s in signals]),
        interval_s=interval,
        channels=radio.channels,
        demodulators=radio.demodulators,
        acknowledged=traffic.acknowledged,
        half_duplex=radio.half_duplex,
        tries=traffic.tries,
        retry_wait_s=traffic.retry_wait_s,
        retry_jitter=traffic.retry_jitter,
        confidence=traffic.confidence,
        timing=traffic.timing,
        jitter=traffic.jitter,
        slotted=traffic.slotted,
    )


def _factors(loaded: LoadedFleet) -> tuple[int, ...]:
    """Spreading factors to choose from and planned."""
    radio = loaded.fleet.radio
    if not isinstance(radio.modulation, ChirpModulation):
        return (0,)
    stated = {n.spreading_factor for n in loaded.nodes if n.spreading_factor is not None}
    return tuple(sorted({*radio.factors, radio.modulation.spreading_factor, *stated}))


def _signal(modulation: object, factor: int) -> Signal:
    if isinstance(modulation, ChirpModulation):
        return Signal.of(modulation.model_copy(update={"spreading_factor": factor}))
    return Signal.of(modulation)  # type: ignore[arg-type]


def _grounded(
    loaded: LoadedFleet, places: Floats, ground: Mosaic
) -> tuple[NDArray[np.bool_], list[RefusedNode]]:
    """Which nodes stand on ground that the rasters hold, and why the others do not."""
    # neighbours on the land are read together
    order = np.lexsort((places[:, 1], np.round(places[:, 0], 2)))
    heights = np.empty(len(places))
    heights[order] = ground.sample(places[order, 0], places[order, 1])
    good = np.isfinite(heights)
    refused = []
    for i in np.flatnonzero(~good):
        try:
            station_ground_m(loaded.nodes[i].name, float(places[i, 0]), float(places[i, 1]), ground)
        except TerrainError as error:
            refused.append(RefusedNode(loaded.rows[i], loaded.nodes[i].name, str(error)))
    if not good.any():
        count = len(refused) - 1
        more = f" ({count} more {'node' if count == 1 else 'nodes'} like it)" if count else ""
        raise TerrainError(f"no node has ground under it: {refused[0].reason}{more}")
    return good, refused


def _notes(plan: "Plan", sides: list[Side], found: dict[str, Floats]) -> Iterator[str]:
    lost = int(np.isnan(found["loss_db"]).all(axis=1).sum())
    if lost:
        yield (
            f"{lost} nodes have no path to any base station: a hole in the heights on the way longer than "
            f"{plan.terrain.largest_hole_m:g} m, or a place that is the base station's own"
        )
    for side in sides:
        yield from surroundings_notes(side.land, side.template)
    for side in sides:
        if side.template.near.antenna.azimuth_deg is None:
            if directional(side.template.near.antenna):
                yield "the nodes' antennas count as turned to every base station: where they are heard as noise, too"
            break
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", OutOfRangeWarning)
        for side in sides:
            side.template.budget()
            side.template.budget("return")
    yield from dict.fromkeys(str(w.message) for w in caught if issubclass(w.category, OutOfRangeWarning))


def regime_words(regime: int) -> str:
    """Say how free a path is.

    >>> regime_words(0), regime_words(-1)
    ('obstructed', 'no path')
    """
    return REGIMES[regime] if regime >= 0 else "no path"

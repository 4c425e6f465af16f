"""What is found for a fleet, as frozen data."""

import json
from dataclasses import dataclass
from typing import Any

from linkcalc.answer import Answer
from linkcalc.fleets.limits import Held
from linkcalc.fleets.reach import Paths
from linkcalc.link.result import VerdictWord


@dataclass(frozen=True)
class NodeAnswer:
    """One node; probabilities from 0 to 1."""

    name: str
    row: int
    latitude_deg: float
    longitude_deg: float
    antenna_height_m: float
    verdict: VerdictWord
    shed: str
    spreading_factor: int | None
    """None for a signal without one."""
    power_dbm: float
    distance_m: float
    path: str
    """How free it is."""
    margin_db: float
    """Fade margin at its shed; -inf where there is no path."""
    assured: float
    """Share of its messages that arrives with their tries, all else sending, at a site that only one in ten
    of such sites is worse than (`FleetResult.confidence`): what the required success is held against."""
    success_alone: float
    """The same if no other node sent."""
    success_predicted: float
    """As `assured`, at the predicted margin."""
    success: float
    """The mean over all such sites."""
    by_played: bool
    """These follow the simulation, which had fewer arrive than the closed form."""
    transmissions: float
    """Mean number for one message."""
    collided: float
    """Share of its tries that are strong enough but spoilt by another packet, at the predicted level."""
    interval_s: float
    time_on_air_s: float
    airtime_s_per_day: float
    charge_mah_per_day: float
    battery_years: float | None
    """No more than 10 is quoted; None: no battery is stated."""
    reached: tuple[str, ...]
    """Sheds with a margin above 0 at the highest spreading factor and power that it may use."""
    margins_db: tuple[tuple[float, ...], ...]
    """Fade margin at every shed (rows) with every signal (columns, as `FleetResult.factors`), at the highest
    power that may be proposed; -inf where there is no path."""
    limits: Held
    played_success: float | None
    """Share of its messages that a simulation at predicted levels delivered."""
    played_low: float | None
    """95 % interval of it."""
    played_high: float | None
    lacks: str
    """What keeps it from the required success; empty if nothing does."""


@dataclass(frozen=True)
class ShedAnswer:
    """One shed."""

    name: str
    latitude_deg: float
    longitude_deg: float
    nodes: int
    """That report to it."""
    heard: int
    """Nodes whose packets are above what its receiver needs, its own or others'."""
    load: float
    """Packets it hears at once, on average."""
    all_busy: float
    """Chance that a packet finds no demodulator free."""
    receiving_s_per_hour: float
    """Airtime of its own nodes' transmissions."""
    answering_s_per_hour: float
    answering_share: float
    limits: Held | None
    """None: it sends nothing."""
    by_signal: tuple[tuple[str, int, float], ...]
    """Signal, its nodes, and their airtime in seconds an hour."""


@dataclass(frozen=True)
class LoadPoint:
    """The fleet with other intervals, everything else as it is."""

    times: float
    """The planned traffic."""
    worst: float
    """What the worst node is assured of, `NodeAnswer.assured` by the closed form."""
    tenth: float
    """Nine nodes in ten do better."""
    median: float
    tries_received: float
    """Mean share of the tries that are received, at predicted levels."""
    played: float | None
    """The same in a simulation."""
    played_low: float | None
    """Its mean, three standard errors less and more, from the parts of the simulation."""
    played_high: float | None


@dataclass(frozen=True)
class AsPlanned:
    """The fleet as planned, beside what is proposed."""

    nodes_met: int
    worst: float
    charge_mah_per_day: float


@dataclass(frozen=True, eq=False, repr=False)
class FleetResult(Answer):
    """The answer for a fleet."""

    _rows = "nodes"

    title: str
    verdict: VerdictWord
    """closes: every row of the list is answered and has the required success; does not close: a node loses more
    than half at the predicted margin."""
    required_success: float
    confidence: float
    """Share of such sites at which it must be had."""
    tries: int
    signal: str
    frequency_hz: float
    channels: int
    factors: tuple[int, ...]
    """Spreading factors that margins are given for; 0 for a signal without one."""
    fading: bool
    """Whether packets fade."""
    assigned: bool
    """Whether spreading factors and powers are proposed, or as planned."""
    nodes: tuple[NodeAnswer, ...]
    sheds: tuple[ShedAnswer, ...]
    refused: tuple[tuple[int, str, str], ...]
    """Row, name and reason of what is not answered."""
    planned: AsPlanned | None
    region: str | None
    charge_mah_per_day: float
    loads: tuple[LoadPoint, ...]
    played_messages: int
    """In the simulation at the planned traffic; 0: none was played."""
    remedies: tuple[str, ...]
    """What would bring the required success."""
    notes: tuple[str, ...]
    drawing: Paths

    def to_geojson(self) -> str:
        """Return sheds and nodes as points, and who reports where as lines: GeoJSON (RFC 7946)."""
        sheds = {s.name: (s.longitude_deg, s.latitude_deg) for s in self.sheds}
        features = [_feature("Point", at, what="shed", name=name) for name, at in sheds.items()]
        for n in self.nodes:
            at = (n.longitude_deg, n.latitude_deg)
            about = {"verdict": n.verdict, "shed": n.shed, "spreading_factor": n.spreading_factor,
                     "power_dbm": n.power_dbm, "assured": n.assured}  # fmt: skip
            features.append(_feature("Point", at, what="node", name=n.name, **about))
            features.append(_feature("LineString", [at, sheds[n.shed]], what="path", name=n.name, **about))
        return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False) + "\n"

    @property
    def worst(self) -> NodeAnswer:
        """The node with the least success."""
        return min(self.nodes, key=lambda n: (n.assured, n.margin_db))

    @property
    def worst_first(self) -> tuple[NodeAnswer, ...]:
        """All nodes, that with the least success first."""
        return tuple(sorted(self.nodes, key=lambda n: (n.assured, n.margin_db)))

    @property
    def met(self) -> int:
        """Nodes with the required success."""
        return sum(n.verdict == "closes" for n in self.nodes)

    @property
    def line(self) -> str:
        """One line."""
        return f"{self.met} of {len(self.nodes)} nodes have the required success, {self.required_success:g}"


def _feature(kind: str, coordinates: Any, **properties: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }

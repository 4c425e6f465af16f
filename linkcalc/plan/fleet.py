"""The fleet file: many nodes of one kind, a few sheds, and how they share the air; and its list of nodes.

Every function here raises `PlanError`, in one line, where a file is no valid fleet or no node can be used.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationError, model_validator

from linkcalc._kinds import kinds_checked
from linkcalc.errors import PlanError, quoted
from linkcalc.plan.assumptions import Assumption, assumed_values, still_the_starters
from linkcalc.plan.base import (
    ONE_LINE,
    STARTER,
    UNITS,
    Section,
    assumed,
    element,
    given,
    name_twice,
    optional,
    plain,
    repeated,
)
from linkcalc.plan.checking import missing_file, missing_rasters, read_text, told_of, with_patterns
from linkcalc.plan.faults import faults, summary, validated
from linkcalc.plan.links import ChirpModulation, Link, Modulation
from linkcalc.plan.loading import LoadedPlan
from linkcalc.plan.model import Plan
from linkcalc.plan.nodes import MOST_NODES, Node, NodeList, RefusedNode, read_nodes, shed_fault
from linkcalc.plan.power import RECEIVE_CURRENT_MA, RECEIVE_WINDOW_S, SLEEP_CURRENT_MA, Battery, Regulation
from linkcalc.plan.stations import POSITION_KEYS, Station
from linkcalc.plan.surroundings import FOLIAGE_KEYS, Conditions, Terrain
from linkcalc.plan.syntax import parsed

POWER_STEPS_DBM = (2.0, 5.0, 8.0, 11.0, 14.0, 17.0, 20.0, 23.0, 26.0, 29.0)

Factor = Annotated[int, Field(ge=7, le=12)]


class Equipment(Station):
    """What every node has: as a station, but without a place."""

    name: str = plain("node", "what the nodes are called together", min_length=1, max_length=60)

    @model_validator(mode="after")
    def _no_place(self) -> Self:
        if self.positioned:
            raise ValueError("equipment has no position: each node has its own")
        return self


class Radio(Section):
    """The radios of nodes and sheds, and the air they share."""

    frequency_mhz: float = given("carrier frequency, MHz", ge=30, le=6000, examples=[868.3])
    modulation: Modulation = given("the signal; its spreading factor is the one planned for all nodes")
    spreading_factors: list[Factor] | None = optional(
        "spreading factors to choose from; default: 7 to 12", min_length=1, max_length=6, examples=[[7, 8]]
    )
    powers_dbm: list[Annotated[float, Field(ge=-30, le=50)]] | None = optional(
        "transmit powers to choose from, dBm; default: steps of 3 dB from 2 dBm to the equipment's power",
        min_length=1,
        max_length=40,
        examples=[[2.0, 14.0]],
    )
    channels: int = plain(1, "frequencies, of which each transmission takes one at random", ge=1, le=1000)
    demodulators: int = assumed(8, "packets that a base station's receiver can take at once", ge=1, le=1000)
    half_duplex: bool = assumed(True, "a base station that is sending does not hear")
    fading: Literal["by_path", "none"] = assumed(
        "by_path", "fast fading of each packet: Rayleigh on a blocked path, Rician on a free one; or none"
    )

    @model_validator(mode="after")
    def _signal_fits(self) -> Self:
        if isinstance(self.modulation, ChirpModulation):
            if self.modulation.spreading_factor < 7:
                raise ValueError(
                    f"modulation.spreading_factor = {self.modulation.spreading_factor}: what survives a"
                    " collision is published for 7 to 12 only"
                )
        elif self.spreading_factors is not None:
            raise ValueError('spreading_factors goes with modulation.kind = "css"')
        for key in ("spreading_factors", "powers_dbm"):
            if repeated(getattr(self, key) or []) is not None:
                raise ValueError(f"{key} holds a value twice")
        return self

    @property
    def factors(self) -> tuple[int, ...]:
        """To choose from; 0 alone for a signal without."""
        if not isinstance(self.modulation, ChirpModulation):
            return (0,)
        return tuple(sorted(self.spreading_factors or range(7, 13)))


class Traffic(Section):
    """What each node sends, and what is asked of it."""

    interval_s: float = given("time between two messages of a node, s", gt=0, le=31_557_600, examples=[900.0])
    payload_bytes: int = assumed(20, "payload of a message, bytes", ge=1, le=255)
    reply_payload_bytes: int = assumed(8, "payload of an acknowledgement, bytes", ge=1, le=255)
    acknowledged: bool = assumed(True, "the base station answers, and a node repeats until it hears that")
    tries: int = assumed(3, "times a message is sent before it is given up", ge=1, le=20)
    retry_wait_s: float = assumed(10.0, "from the end of a try to the next one, s", gt=0, le=86_400)
    timing: Literal["periodic", "random"] = assumed(
        "periodic", "periodic: one message in each interval, at the node's own time; random: as events come"
    )
    jitter: float = assumed(
        0.1, "share of interval and wait by which a start is moved at random", ge=0, le=0.5
    )
    retry_jitter: float | None = optional(
        "share of the wait by which a retry is moved at random, 1: anywhere up to twice the wait; default:"
        " as jitter",
        ge=0,
        le=1,
        examples=[1.0],
    )
    slotted: bool = plain(False, "transmissions start on a clock that all nodes share")
    required_success: float = assumed(
        0.95, "required share of each node's messages that arrive, with their tries", gt=0, lt=1
    )
    confidence: float = assumed(0.9, "share of such sites at which a node must have that", ge=0.5, lt=1)

    def idle_keys(self) -> Iterable[str]:
        if self.tries == 1:
            yield "retry_wait_s"
        if not self.acknowledged:
            yield "reply_payload_bytes"


class NodeSupply(Section):
    """What a node draws from its battery; all nodes alike."""

    transmit_current_ma: float | None = optional(
        "drawn while sending, taken for every power; default: a generic table by power, mA",
        gt=0,
        le=20_000,
        examples=[35.0],
    )
    receive_current_ma: float = RECEIVE_CURRENT_MA
    receive_window_s: float | None = RECEIVE_WINDOW_S
    sleep_current_ma: float = SLEEP_CURRENT_MA
    sensor_current_ma: float = assumed(30.0, "drawn by the sensor for each message, mA", ge=0, le=5_000)
    sensor_warm_up_s: float = assumed(0.5, "time the sensor is on for each message, s", ge=0, le=3_600)
    battery: Battery | None = optional("the battery of a node")


class Fleet(Section):
    """A validated fleet file."""

    title: str = plain(
        "", "what this fleet is, one line; printed at the top", max_length=200, pattern=ONE_LINE
    )
    starter: bool = STARTER
    units: Literal["metric", "us"] = UNITS
    nodes: str | None = optional("list of the nodes: a CSV file", examples=["nodes.csv"])
    node: list[Node] = plain([], "the nodes, if they are not in a file", max_length=MOST_NODES)
    shed: list[Station] = given("the base stations, one or more", min_length=1, max_length=100)
    equipment: Equipment = given("what every node has")
    radio: Radio = given("the radios and the air they share")
    traffic: Traffic = given("what each node sends, and the success required of it")
    terrain: Terrain = plain(Terrain(), "where the heights come from")
    conditions: Conditions = plain(Conditions(), "what the paths are judged under")
    regulation: Regulation = plain(Regulation(), "whose legal limits the transmitters must keep")
    supply: NodeSupply = plain(NodeSupply(), "what a node draws")

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if (self.nodes is None) == (not self.node):
            raise ValueError("give the nodes once: nodes = a CSV file, or [[node]] tables")
        for kind, names in (("shed", [s.name for s in self.shed]), ("node", [n.name for n in self.node])):
            for fault in name_twice(kind, names):
                raise ValueError(fault)
        for index, shed in enumerate(self.shed):
            if not shed.positioned:
                raise ValueError(
                    f"{element('shed', index, shed.name)} has no position: give latitude_deg and"
                    " longitude_deg, or easting_m, northing_m and epsg"
                )
        if not self.terrain.rasters:
            raise ValueError("terrain.rasters is missing: a fleet needs heights")
        for index, node in enumerate(self.node):
            if fault := shed_fault(node, self.shed):
                raise ValueError(f"{element('node', index, node.name)} {fault}")
        return self

    def idle_keys(self) -> Iterable[str]:
        if not (self.conditions.woodland_depth_m or self.terrain.shows_trees):
            yield from FOLIAGE_KEYS


@dataclass(frozen=True)
class LoadedFleet:
    """A valid fleet with where it came from."""

    fleet: Fleet
    nodes: tuple[Node, ...]
    rows: tuple[int, ...]
    """Line of the list for each node; its number where the fleet file holds it."""
    refused: tuple[RefusedNode, ...]
    path: Path
    base_dir: Path
    digest: str
    assumed: tuple[Assumption, ...]
    notes: tuple[str, ...]

    def plan(self) -> LoadedPlan:
        """The fleet as a plan: a station for the equipment, and a link from it to each shed."""
        f = self.fleet
        names = [s.name for s in f.shed]
        # a shed may have the name that the nodes share, but stations of a plan must differ
        common = f.equipment.name if f.equipment.name not in names else f"{f.equipment.name[:50]} of a node"
        node = Station(**{**_fields(f.equipment), "name": common})
        start: dict[str, Any] = {"from": common}
        links = [
            Link(
                **start,
                name=f"to shed {j + 1}",
                to=name,
                frequency_mhz=f.radio.frequency_mhz,
                modulation=f.radio.modulation,
                **{key: getattr(f.traffic, key) for key in _OF_A_MESSAGE},
            )
            for j, name in enumerate(names)
        ]
        made = Plan(
            title=f.title,
            station=[node, *f.shed],
            link=links,
            terrain=f.terrain,
            conditions=f.conditions,
            regulation=f.regulation,
        )
        return LoadedPlan(made, self.path, self.base_dir, self.digest, self.assumed, self.notes)


_OF_A_MESSAGE = ("payload_bytes", "reply_payload_bytes", "required_success", "confidence", "tries")
"""Keys that a link and a fleet's traffic have alike."""


def _fields(section: Section) -> dict[str, Any]:
    return {name: getattr(section, name) for name in section.model_fields_set}


@kinds_checked
def load_fleet(path: str | Path) -> LoadedFleet:
    """Read and check a fleet file and the list of nodes that it names.

    Parameters
    ----------
    path : str or Path
        TOML file in UTF-8.

    Returns
    -------
    LoadedFleet

    Examples
    --------
    >>> load_fleet("absent.toml")
    Traceback (most recent call last):
    linkcalc.errors.PlanError: absent.toml: no such file; `linkcalc new --fleet absent.toml` writes a starter
    """
    path = Path(path)
    with told_of(path):
        raw = read_text(path, starter="linkcalc new --fleet")
        data = parsed(raw)
        if not data:
            raise PlanError("is empty; a fleet file has [[shed]], [equipment], [radio] and [traffic]")
        if "link" in data and "shed" not in data:
            raise PlanError(f"is a plan, not a fleet: linkcalc fleet NODES.csv --plan {path.name}")
        fleet = validated(Fleet, data)
        missing = list(missing_rasters(fleet.terrain, path.parent))
        if fleet.nodes is not None:
            missing += missing_file("nodes", fleet.nodes, path.parent)
        if missing:
            raise PlanError(summary(missing))
    return loaded_fleet(fleet, path, path.parent, raw)


def loaded_fleet(fleet: Fleet, path: Path, base_dir: Path, raw: bytes) -> LoadedFleet:
    """A fleet with its nodes, read from the list where it names one."""
    digest = hashlib.sha256(raw)
    with told_of(path):
        fleet = with_patterns(fleet, base_dir)
    assumptions = assumed_values(fleet, starter=fleet.starter)
    if fleet.nodes is None:
        found = NodeList(tuple(fleet.node), tuple(range(1, len(fleet.node) + 1)))
    else:
        listed = base_dir / fleet.nodes
        found = read_nodes(listed, fleet.shed)
        # the answer depends on the list as much as on the file that names it
        digest.update(listed.read_bytes())
    notes = found.notes
    if invented := still_the_starters(assumptions):
        names = ", ".join(a.key for a in invented)
        notes = (*notes, f"still the starter's values, not yours: {names}")
    return LoadedFleet(
        fleet, found.nodes, found.rows, found.refused, path, base_dir, digest.hexdigest(), assumptions, notes
    )


def fleet_of_plan(
    loaded: LoadedPlan, nodes: Path, *, link: str | None = None, interval_s: float | None = None
) -> LoadedFleet:
    """A fleet with a list of nodes, which have the equipment of a plan's reporting station; its sheds are the
    stations that the plan's links lead to.

    Equipment, signal and payloads are those of the named link, by default the first; the interval is that of the
    messages over it, or report_interval_s.
    """
    plan = loaded.plan
    names = [k.name for k in plan.link]
    if link is not None and link not in names:
        known = ", ".join(map(quoted, names))
        raise PlanError(f"{loaded.path}: unknown link {quoted(link)}; links: {known}")
    chosen = plan.link[0] if link is None else plan.link[names.index(link)]
    sent = [m for m in plan.message if m.link == chosen.name and m.interval_s is not None]
    # of several messages the most frequent, which loads the channel most
    interval = interval_s or min((m.interval_s for m in sent if m.interval_s), default=None)
    interval = interval or plan.regulation.report_interval_s
    if interval is None:
        raise PlanError(
            f"{loaded.path}: how often a node reports is not stated; give --interval-s, a [[message]] with"
            " interval_s, or regulation.report_interval_s"
        )
    ends = dict.fromkeys(k.to for k in plan.link)
    stated = _fields(plan.station_named(chosen.from_))
    equipment = {key: value for key, value in stated.items() if key not in POSITION_KEYS}
    try:
        fleet = Fleet(
            title=plan.title,
            nodes=str(nodes.resolve()),
            shed=[plan.station_named(name) for name in ends],
            equipment=Equipment(**{**equipment, "name": chosen.from_}),
            radio=Radio(
                frequency_mhz=chosen.frequency_mhz,
                modulation=chosen.modulation,
                channels=plan.regulation.hopping_channels,
            ),
            traffic=Traffic(
                interval_s=float(interval),
                **{key: getattr(chosen, key) for key in _OF_A_MESSAGE},
            ),
            terrain=plan.terrain,
            conditions=plan.conditions,
            regulation=plan.regulation,
        )
    except ValidationError as error:
        raise PlanError(f"{loaded.path}: {summary(faults(error, {}, Fleet))}") from None
    return loaded_fleet(fleet, loaded.path, loaded.base_dir, loaded.digest.encode())

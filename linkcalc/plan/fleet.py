"""The fleet file: many nodes of one kind, a few sheds, and how they share the air; and its list of nodes."""

import csv
import hashlib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self, cast

from pydantic import Field, ValidationError, model_validator

from linkcalc._kinds import kinds_checked
from linkcalc.errors import PlanError
from linkcalc.plan.assumptions import assumed_values, still_the_starters
from linkcalc.plan.base import (
    ONE_LINE,
    Section,
    assumed,
    given,
    label,
    optional,
    plain,
    shown_units,
    starters,
)
from linkcalc.plan.faults import Fault, faults, summary
from linkcalc.plan.keys import kind_of
from linkcalc.plan.links import ChirpModulation, Link, Modulation
from linkcalc.plan.loading import LoadedPlan, missing_file, missing_rasters, read_text
from linkcalc.plan.model import Plan
from linkcalc.plan.patterns import stations_with_patterns
from linkcalc.plan.power import Battery, Regulation
from linkcalc.plan.stations import COMMON_PRACTICE, Station
from linkcalc.plan.surroundings import Conditions, Terrain
from linkcalc.plan.syntax import parsed
from linkcalc.plan.wording import element, printable, quoted

if TYPE_CHECKING:
    from linkcalc.link.result import Assumption

MOST_NODES = 5000
LARGEST_NODES_BYTES = 5_000_000
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


class Node(Section):
    """One of the fleet's nodes; what it leaves out is as in [equipment] and [traffic]."""

    name: str = label("unique name")
    latitude_deg: float | None = optional("WGS 84 latitude, positive north", ge=-90, le=90, examples=[-20.0])
    longitude_deg: float | None = optional(
        "WGS 84 longitude, positive east", ge=-180, le=180, examples=[-20.0]
    )
    easting_m: float | None = optional("easting in the CRS that epsg names, m", examples=[500000.0])
    northing_m: float | None = optional("northing in the CRS that epsg names, m", examples=[7800000.0])
    epsg: int | None = optional("EPSG code of easting and northing", ge=1024, le=32767, examples=[32727])
    antenna_height_m: float | None = optional(
        "antenna height above ground, m", ge=0.1, le=3000, examples=[3.0]
    )
    extra_loss_db: float = plain(0.0, "a loss at this node that no formula knows, dB", ge=0, le=100)
    interval_s: float | None = optional(
        "time between two of its messages, s", gt=0, le=31_557_600, examples=[900.0]
    )
    payload_bytes: int | None = optional("payload of its messages, bytes", ge=1, le=255, examples=[16])
    shed: str | None = optional("the base station it must report to; default: whichever serves best")
    spreading_factor: int | None = optional("spreading factor as planned", ge=7, le=12, examples=[9])
    transmit_power_dbm: float | None = optional(
        "conducted power as planned, dBm", ge=-30, le=50, examples=[14.0]
    )

    @model_validator(mode="after")
    def _one_position(self) -> Self:
        geographic = [v is not None for v in (self.latitude_deg, self.longitude_deg)]
        grid = [v is not None for v in (self.easting_m, self.northing_m, self.epsg)]
        if (all(geographic) and not any(grid)) or (all(grid) and not any(geographic)):
            return self
        raise ValueError("needs latitude_deg and longitude_deg, or easting_m, northing_m and epsg")

    @property
    def position(self) -> tuple[float | None, ...]:
        """Coordinates as stated, to compare nodes by."""
        return self.latitude_deg, self.longitude_deg, self.easting_m, self.northing_m, self.epsg


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
    demodulators: int = assumed(
        8, "packets that a base station's receiver can take at once", COMMON_PRACTICE, ge=1, le=1000
    )
    half_duplex: bool = assumed(True, "a base station that is sending does not hear", COMMON_PRACTICE)
    fading: Literal["by_path", "none"] = assumed(
        "by_path",
        "fast fading of each packet: Rayleigh on a blocked path, Rician on a free one; or none",
        COMMON_PRACTICE,
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
            listed = getattr(self, key) or []
            if len(set(listed)) < len(listed):
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
    payload_bytes: int = assumed(20, "payload of a message, bytes", COMMON_PRACTICE, ge=1, le=255)
    reply_payload_bytes: int = assumed(
        8, "payload of an acknowledgement, bytes", COMMON_PRACTICE, ge=1, le=255
    )
    acknowledged: bool = assumed(
        True, "the base station answers, and a node repeats until it hears that", COMMON_PRACTICE
    )
    tries: int = assumed(3, "times a message is sent before it is given up", COMMON_PRACTICE, ge=1, le=20)
    retry_wait_s: float = assumed(
        10.0, "from the end of a try to the next one, s", COMMON_PRACTICE, gt=0, le=86_400
    )
    timing: Literal["periodic", "random"] = assumed(
        "periodic",
        "periodic: one message in each interval, at the node's own time; random: as events come",
        COMMON_PRACTICE,
    )
    jitter: float = assumed(
        0.1, "share of interval and wait by which a start is moved at random", COMMON_PRACTICE, ge=0, le=0.5
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
        0.95,
        "required share of each node's messages that arrive, with their tries",
        COMMON_PRACTICE,
        gt=0,
        lt=1,
    )
    confidence: float = assumed(
        0.9, "share of such sites at which a node must have that", COMMON_PRACTICE, ge=0.5, lt=1
    )

    def idle_keys(self) -> Iterable[str]:
        return [
            *(["retry_wait_s"] if self.tries == 1 else []),
            *(["reply_payload_bytes"] if not self.acknowledged else []),
        ]


class NodeSupply(Section):
    """What a node draws from its battery; all nodes alike."""

    transmit_current_ma: float | None = optional(
        "drawn while sending, taken for every power; default: a generic table by power, mA",
        gt=0,
        le=20_000,
        examples=[35.0],
    )
    receive_current_ma: float = assumed(10.0, "drawn while receiving, mA", COMMON_PRACTICE, ge=0, le=5_000)
    receive_window_s: float | None = optional(
        "the receiver is on after each transmission; default: the answer's time on air and 0.1 s",
        ge=0,
        le=3_600,
        examples=[0.5],
    )
    sleep_current_ma: float = assumed(
        0.015, "drawn all the time by board and regulator, mA", COMMON_PRACTICE, ge=0, le=5_000
    )
    sensor_current_ma: float = assumed(
        30.0, "drawn by the sensor for each message, mA", COMMON_PRACTICE, ge=0, le=5_000
    )
    sensor_warm_up_s: float = assumed(
        0.5, "time the sensor is on for each message, s", COMMON_PRACTICE, ge=0, le=3_600
    )
    battery: Battery | None = optional("the battery of a node")


class Fleet(Section):
    """A validated fleet file."""

    title: str = plain(
        "", "what this fleet is, one line; printed at the top", max_length=200, pattern=ONE_LINE
    )
    starter: bool = starters()
    units: Literal["metric", "us"] = shown_units()
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
            twice = next((n for n in names if names.count(n) > 1), None)
            if twice is not None:
                raise ValueError(f"two {kind}s are named {quoted(twice)}; names must differ")
        for index, shed in enumerate(self.shed):
            if not shed.positioned:
                raise ValueError(
                    f"{element('shed', index, shed.name)} has no position: give latitude_deg and"
                    " longitude_deg, or easting_m, northing_m and epsg"
                )
        if not self.terrain.rasters:
            raise ValueError("terrain.rasters is missing: a fleet needs heights")
        for index, node in enumerate(self.node):
            fault = _shed_fault(node, self.shed)
            if fault:
                raise ValueError(f"{element('node', index, node.name)} {fault}")
        return self

    def idle_keys(self) -> Iterable[str]:
        t = self.terrain
        shown = t.canopy_rasters or t.surface_rasters or t.land_cover_rasters
        if not (self.conditions.woodland_depth_m or shown):
            yield "conditions.leaf"
            yield "conditions.wet_foliage"


@dataclass(frozen=True)
class RefusedNode:
    """A row of the list that is not used."""

    row: int
    name: str
    reason: str
    """What is wrong, and the mend."""


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
    """SHA-256 of the fleet file and the list."""
    assumed: "tuple[Assumption, ...]"
    notes: tuple[str, ...]

    def plan(self) -> LoadedPlan:
        """The fleet as a plan: a station for the equipment, and a link from it to each shed."""
        f = self.fleet
        names = [s.name for s in f.shed]
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
                payload_bytes=f.traffic.payload_bytes,
                reply_payload_bytes=f.traffic.reply_payload_bytes,
                required_success=f.traffic.required_success,
                confidence=f.traffic.confidence,
                tries=f.traffic.tries,
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


def _fields(section: Section) -> dict[str, Any]:
    return {name: getattr(section, name) for name in section.model_fields_set}


def _shed_fault(node: Node, sheds: Sequence[Station]) -> str:
    names = [s.name for s in sheds]
    if node.shed is None or node.shed in names:
        return ""
    nearest = get_close_matches(node.shed, names, n=1, cutoff=0.0)[0]
    return f"shed = {quoted(node.shed)}: unknown base station; did you mean {quoted(nearest)}?"


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

    Raises
    ------
    PlanError
        If a file cannot be read, is no valid fleet, or no node can be used; one line, with the mend.

    Examples
    --------
    >>> load_fleet("absent.toml")
    Traceback (most recent call last):
    linkcalc.errors.PlanError: absent.toml: no such file; `linkcalc new --fleet absent.toml` writes a starter
    """
    path = Path(path)
    try:
        raw = _raw(path)
        data = parsed(raw)
        if not data:
            raise PlanError("is empty; a fleet file has [[shed]], [equipment], [radio] and [traffic]")
        if "link" in data and "shed" not in data:
            raise PlanError(f"is a plan, not a fleet: linkcalc fleet NODES.csv --plan {path.name}")
        try:
            fleet = Fleet.model_validate(data)
        except ValidationError as error:
            raise PlanError(summary(faults(error, data, Fleet))) from None
        missing = list(_missing(fleet, path.parent))
        if missing:
            raise PlanError(summary(missing))
    except PlanError as error:
        raise PlanError(printable(f"{path}: {error}")) from None
    return loaded_fleet(fleet, path, path.parent, raw)


def loaded_fleet(fleet: Fleet, path: Path, base_dir: Path, raw: bytes) -> LoadedFleet:
    """A fleet with its nodes, read from the list where it names one."""
    digest = hashlib.sha256(raw)
    try:
        sheds = stations_with_patterns("shed", fleet.shed, base_dir, missing_file)
        (equipment,) = stations_with_patterns("equipment", [fleet.equipment], base_dir, missing_file)
    except PlanError as error:
        raise PlanError(printable(f"{path}: {error}")) from None
    fleet = fleet.model_copy(update={"shed": sheds, "equipment": equipment})
    assumptions = assumed_values(cast(Plan, fleet))
    invented = still_the_starters(assumptions)
    said = (
        (f"still the starter's values, not yours: {', '.join(a.key for a in invented)}",) if invented else ()
    )
    if fleet.nodes is None:
        rows = tuple(range(1, len(fleet.node) + 1))
        return LoadedFleet(
            fleet, tuple(fleet.node), rows, (), path, base_dir, digest.hexdigest(), assumptions, said
        )
    listed = base_dir / fleet.nodes
    found = read_nodes(listed, fleet.shed)
    digest.update(listed.read_bytes())
    return LoadedFleet(
        fleet,
        found.nodes,
        found.rows,
        found.refused,
        path,
        base_dir,
        digest.hexdigest(),
        assumptions,
        (*found.notes, *said),
    )


def fleet_of_plan(
    loaded: LoadedPlan, nodes: Path, *, link: str | None = None, interval_s: float | None = None
) -> LoadedFleet:
    """A fleet whose nodes have the equipment of a plan's reporting station.

    Parameters
    ----------
    loaded : LoadedPlan
        The sheds are the stations that its links lead to.
    nodes : Path
        List of nodes, CSV.
    link : str, optional
        Whose equipment, signal and payloads the nodes have; by default the plan's first.
    interval_s : float, s, optional
        Between messages; by default as the plan's messages over that link, or its report_interval_s.

    Raises
    ------
    PlanError
        With one line, as `load_fleet`.
    """
    plan = loaded.plan
    names = [k.name for k in plan.link]
    if link is not None and link not in names:
        known = ", ".join(map(quoted, names))
        raise PlanError(f"{loaded.path}: unknown link {quoted(link)}; links: {known}")
    chosen = plan.link[0] if link is None else plan.link[names.index(link)]
    sent = [m for m in plan.message if m.link == chosen.name and m.interval_s is not None]
    interval = interval_s or min((m.interval_s for m in sent if m.interval_s), default=None)
    interval = interval or plan.regulation.report_interval_s
    if interval is None:
        raise PlanError(
            f"{loaded.path}: how often a node reports is not stated; give --interval-s, a [[message]] with"
            " interval_s, or regulation.report_interval_s"
        )
    ends = dict.fromkeys(k.to for k in plan.link)
    equipment = {
        k: v
        for k, v in _fields(plan.station_named(chosen.from_)).items()
        if k not in ("name", "latitude_deg", "longitude_deg", "easting_m", "northing_m", "epsg")
    }
    asked: dict[str, Any] = {}
    if chosen.required_success is not None:
        asked = {"required_success": chosen.required_success}
    try:
        fleet = Fleet(
            title=plan.title,
            nodes=str(nodes.resolve()),
            shed=[plan.station_named(name) for name in ends],
            equipment=Equipment(**equipment, name=chosen.from_),
            radio=Radio(
                frequency_mhz=chosen.frequency_mhz,
                modulation=chosen.modulation,
                channels=plan.regulation.hopping_channels,
            ),
            traffic=Traffic(
                interval_s=float(interval),
                payload_bytes=chosen.payload_bytes,
                reply_payload_bytes=chosen.reply_payload_bytes,
                tries=chosen.tries,
                **asked,
            ),
            terrain=plan.terrain,
            conditions=plan.conditions,
            regulation=plan.regulation,
        )
    except ValidationError as error:
        raise PlanError(f"{loaded.path}: {summary(faults(error, {}, Fleet))}") from None
    return loaded_fleet(fleet, loaded.path, loaded.base_dir, loaded.digest.encode())


def _raw(path: Path) -> bytes:
    try:
        return read_text(path)
    except PlanError as error:
        raise PlanError(
            re.sub(r"(?<=`linkcalc new )(?=.*` writes a starter)", "--fleet ", str(error))
        ) from None


def _missing(fleet: Fleet, base_dir: Path) -> Iterator[Fault]:
    yield from missing_rasters(fleet.terrain, base_dir)
    if fleet.nodes is not None:
        yield from missing_file("nodes", fleet.nodes, base_dir)


# ---------------------------------------------------------------- the list of nodes


@dataclass(frozen=True)
class NodeList:
    """What a list of nodes holds."""

    nodes: tuple[Node, ...]
    rows: tuple[int, ...]
    refused: tuple[RefusedNode, ...]
    notes: tuple[str, ...]


_USUAL_NAMES = {
    "lat": "latitude_deg",
    "latitude": "latitude_deg",
    "lon": "longitude_deg",
    "lng": "longitude_deg",
    "long": "longitude_deg",
    "longitude": "longitude_deg",
    "id": "name",
    "node": "name",
    "tank": "name",
    "height": "antenna_height_m",
    "interval": "interval_s",
    "payload": "payload_bytes",
    "sf": "spreading_factor",
    "power": "transmit_power_dbm",
    "station": "shed",
}


def read_nodes(path: str | Path, sheds: Sequence[Station] = ()) -> NodeList:
    """Read a list of nodes, so that no good row is lost to a bad one.

    Parameters
    ----------
    path : str or Path
        CSV in UTF-8, the columns named as the keys of `Node`: ``name``, ``latitude_deg`` and
        ``longitude_deg`` (or ``easting_m``, ``northing_m``, ``epsg``), the others as wanted; separated by
        commas, semicolons or tabs; decimal commas where the comma does not separate. Empty lines and lines
        that start with ``#`` are skipped.
    sheds : sequence of Station
        A node's ``shed`` must be one of them.

    Returns
    -------
    NodeList

    Raises
    ------
    PlanError
        If the file cannot be read or no row of it can be used.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp(), "nodes.csv")
    >>> _ = file.write_text("name,latitude_deg,longitude_deg\\na,-40.0,-20.0\\nb,-95,-20.0\\n")
    >>> found = read_nodes(file)
    >>> found.nodes[0].name, found.refused[0].reason
    ('a', 'latitude_deg = -95 is too low; allowed: -90 to 90; are latitude and longitude swapped?')
    """
    try:
        return _nodes_in(_text(Path(path)), sheds)
    except PlanError as error:
        raise PlanError(printable(f"{path}: {error}")) from None


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_NODES_BYTES + 1)
    except OSError as error:
        raise PlanError(f"cannot be read: {error.strerror or error}") from None
    if len(raw) > LARGEST_NODES_BYTES:
        raise PlanError(f"is larger than {LARGEST_NODES_BYTES // 1_000_000} MB; no list of nodes is")
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = raw.decode("utf-16", errors="replace")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("cp1252", errors="replace")
    if "\0" in text:
        raise PlanError("is not a text file; save it as CSV")
    return text.lstrip("\ufeff")


def _nodes_in(text: str, sheds: Sequence[Station]) -> NodeList:
    lines = [
        (number, line)
        for number, line in enumerate(re.split(r"\r\n|\r|\n", text), 1)
        if line.strip(" ,;\t\"'") and not line.lstrip(' "').startswith("#")
    ]
    if lines and re.fullmatch(r"sep=.?", lines[0][1].strip(), re.IGNORECASE):  # a spreadsheet's own hint
        del lines[0]
    if not lines:
        raise PlanError("is empty; write a header line name,latitude_deg,longitude_deg and a row a node")
    separator = max(";\t,", key=lines[0][1].count)
    (first, header), *rows = lines
    columns, notes = _columns(first, _cells(header, separator))
    if not rows:
        raise PlanError(f"row {first}: a header, but no node below it")
    if len(rows) > MOST_NODES:
        raise PlanError(f"holds {len(rows)} nodes; {MOST_NODES} are the most")
    nodes: list[Node] = []
    numbers: list[int] = []
    refused: list[RefusedNode] = []
    taken: dict[str, int] = {}
    for number, line in rows:
        cells = _cells(line, separator)
        name = next((c for c, k in zip(cells, columns, strict=False) if k == "name"), "")
        node = _node(cells, columns, separator, line)
        if isinstance(node, Node):
            if node.name in taken:
                node = (
                    f"name = {quoted(node.name)} is the name of row {taken[node.name]} too; names must differ"
                )
            else:
                node = _shed_fault(node, sheds) or node if sheds else node
        if isinstance(node, str):
            refused.append(RefusedNode(number, name[:60], node))
        else:
            taken[node.name] = number
            nodes.append(node)
            numbers.append(number)
    if not nodes:
        more = f" ({len(refused) - 1} more like it)" if len(refused) > 1 else ""
        raise PlanError(f"no row can be used; row {refused[0].row}: {refused[0].reason}{more}")
    return NodeList(tuple(nodes), tuple(numbers), tuple(refused), tuple(notes))


def _cells(line: str, separator: str) -> list[str]:
    # one line at a time: a stray quote must not swallow the rest of the file
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator))]
    except (csv.Error, StopIteration):
        return [cell.strip(' "') for cell in line.split(separator)]


def _columns(row: int, header: Sequence[str]) -> tuple[list[str], list[str]]:
    """The key of each column, empty where it is none, and what to say about those."""
    columns, notes = [], []
    hints = {}
    for cell in header:
        key = cell.strip().lower()
        if key in Node.model_fields:
            columns.append(key)
            continue
        columns.append("")
        plain_key = re.sub(r"[^a-z]+", "_", key).strip("_")
        near = _USUAL_NAMES.get(plain_key.split("_")[0]) or next(
            iter(get_close_matches(plain_key[:40], list(Node.model_fields), n=1, cutoff=0.75)), None
        )
        if key:
            hints[near] = cell
            hint = f"; write {near}" if near else ""
            notes.append(f"column {quoted(cell)} is not known and not used{hint}")
    twice = next((c for c in columns if c and columns.count(c) > 1), None)
    if twice is not None:
        raise PlanError(f"row {row}: two columns are named {twice}")
    wanted = ["name"]
    grid = {"easting_m", "northing_m", "epsg"} & set(columns)
    wanted += ["easting_m", "northing_m", "epsg"] if grid else ["latitude_deg", "longitude_deg"]
    for key in wanted:
        if key not in columns:
            mend = f"; for {quoted(hints[key])} write {key}" if key in hints else ""
            raise PlanError(
                f"row {row}: no column {key}{mend}; the first row must name the columns:"
                " name,latitude_deg,longitude_deg,..."
            )
    return columns, notes


def _node(cells: Sequence[str], columns: Sequence[str], separator: str, line: str) -> Node | str:
    """A row's node, or what is wrong with it."""
    if len(cells) != len(columns):
        hint = ""
        if separator == "," and len(cells) > len(columns) and re.search(r"\d,\d", line):
            hint = ": decimal commas? write points, or separate the columns by semicolons"
        elif line.count('"') % 2:
            hint = ": a quotation mark is not closed"
        return f"{len(cells)} {'value' if len(cells) == 1 else 'values'} under {len(columns)} columns{hint}"
    data: dict[str, Any] = {}
    for key, cell in zip(columns, cells, strict=True):
        if key and cell:
            data[key] = _value(key, cell, separator)
    try:
        return Node.model_validate(data)
    except ValidationError as error:
        return summary(faults(error, data, Node))


def _value(key: str, cell: str, separator: str) -> Any:
    kind = kind_of(Node.model_fields[key].annotation)
    if kind not in (int, float):
        return cell
    text = cell.replace(",", ".") if separator != "," and cell.count(",") == 1 else cell
    text = text.replace("−", "-")
    if kind is int and re.fullmatch(r"[-+]?\d{1,12}(\.0*)?", text):
        return int(float(text))
    if re.fullmatch(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d{1,3})?", text):
        return float(text)
    return cell

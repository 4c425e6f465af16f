"""The nodes of a fleet: what is said of each, and their list in a table."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from pydantic import ValidationError, model_validator

from linkcalc.errors import PlanError, quoted
from linkcalc.plan.base import optional, plain, unknown
from linkcalc.plan.faults import faults, summary
from linkcalc.plan.keys import kind_of
from linkcalc.plan.stations import DEGREE_KEYS, GRID_KEYS, Placed, Station
from linkcalc.tabular import Row, Table, TableError, number, table_of, text_of

MOST_NODES = 5000
LARGEST_BYTES = 5_000_000
_WANTED = "write a header line name,latitude_deg,longitude_deg and a row a node"


class Node(Placed):
    """One of the fleet's nodes; what it leaves out is as in [equipment] and [traffic]."""

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
        if self.stated_position() not in ((2, 0), (0, 3)):
            raise ValueError("needs latitude_deg and longitude_deg, or easting_m, northing_m and epsg")
        return self


def shed_fault(node: Node, sheds: Sequence[Station]) -> str:
    """What is wrong with the base station that a node is said to report to; empty: nothing."""
    names = [s.name for s in sheds]
    known = node.shed is None or node.shed in names
    return "" if known else unknown("shed", str(node.shed), "base station", names)


@dataclass(frozen=True)
class RefusedNode:
    """A row of the list that is not used."""

    row: int
    name: str
    reason: str


@dataclass(frozen=True)
class NodeList:
    """What a list of nodes holds."""

    nodes: tuple[Node, ...]
    rows: tuple[int, ...]
    refused: tuple[RefusedNode, ...] = ()
    notes: tuple[str, ...] = ()


_USUAL_NAMES = {
    **dict.fromkeys(("lat", "latitude"), "latitude_deg"),
    **dict.fromkeys(("lon", "lng", "long", "longitude"), "longitude_deg"),
    **dict.fromkeys(("id", "node", "tank"), "name"),
    "sf": "spreading_factor",
}
"""Names that leave no doubt of what a column holds, and in which unit."""
_HINTS = {
    **_USUAL_NAMES,
    "height": "antenna_height_m",
    "interval": "interval_s",
    "payload": "payload_bytes",
    "power": "transmit_power_dbm",
    "station": "shed",
}
"""First words of names that may mean a column."""


def read_nodes(path: str | Path, sheds: Sequence[Station] = ()) -> NodeList:
    """Read a list of nodes, so that no good row is lost to a bad one; a node's ``shed`` must be one of `sheds`.

    Columns are named as the keys of `Node`: ``name``, ``latitude_deg`` and ``longitude_deg`` (or ``easting_m``,
    ``northing_m``, ``epsg``), the others as wanted. Raises `PlanError` where no row can be used.
    """
    try:
        table = table_of(text_of(path, largest_bytes=LARGEST_BYTES, what="list of nodes"), _WANTED)
        keys = table.keys(tuple(Node.model_fields), _USUAL_NAMES)
        notes = _check_columns(table, keys)
        nodes, rows, refused = _nodes_in(table, keys, sheds)
    except TableError as error:
        raise PlanError(error.at(path)) from None
    return NodeList(tuple(nodes), tuple(rows), tuple(refused), tuple(notes))


def _check_columns(table: Table, keys: Sequence[str]) -> list[str]:
    """What to say about columns that are not known; refused where one that is needed is missing."""
    strange = table.strange(keys, tuple(Node.model_fields), _HINTS)
    position = GRID_KEYS if any(key in keys for key in GRID_KEYS) else DEGREE_KEYS
    for key in ("name", *position):
        if key not in keys:
            meant = next((cell for cell, near in strange.items() if near == key), None)
            remedy = f"; for {quoted(meant)} write {key}" if meant else ""
            raise TableError(
                f"no column {key}{remedy}; the first row must name the columns: name,latitude_deg,longitude_deg,...",
                table.header_row,
            )
    if not table.rows:
        raise TableError("a header, but no node below it", table.header_row)
    if len(table.rows) > MOST_NODES:
        raise TableError(f"holds {len(table.rows)} nodes; {MOST_NODES} are the most")
    return [
        f"column {quoted(cell)} is not known and not used" + (f"; write {near}" if near else "")
        for cell, near in strange.items()
    ]


def _nodes_in(
    table: Table, keys: Sequence[str], sheds: Sequence[Station]
) -> tuple[list[Node], list[int], list[RefusedNode]]:
    """The nodes, their rows, and what is wrong with the others."""
    taken: dict[str, tuple[int, Node]] = {}
    refused: list[RefusedNode] = []
    for row in table.rows:
        # not strict: a row that is too short or too long is refused by its own fault, in `_node`
        cells = {key: cell for key, cell in zip(keys, row.cells, strict=False) if key and cell}
        try:
            node = _node(table, row, cells)
            if node.name in taken:
                other = taken[node.name][0]
                raise TableError(
                    f"name = {quoted(node.name)} is the name of row {other} too; names must differ"
                )
            if fault := shed_fault(node, sheds) if sheds else "":
                raise TableError(fault)
        except TableError as error:
            refused.append(RefusedNode(row.number, cells.get("name", "")[:60], str(error)))
        else:
            taken[node.name] = row.number, node
    if not taken:
        more = f" ({len(refused) - 1} more like it)" if len(refused) > 1 else ""
        raise TableError(f"no row can be used; row {refused[0].row}: {refused[0].reason}{more}")
    return [n for _, n in taken.values()], [number for number, _ in taken.values()], refused


def _node(table: Table, row: Row, cells: Mapping[str, str]) -> Node:
    if row.fault:
        raise TableError(row.fault)
    data = {key: _value(table, key, cell) for key, cell in cells.items()}
    try:
        return Node.model_validate(data)
    except ValidationError as error:
        raise TableError(summary(faults(error, data, Node))) from None


def _value(table: Table, key: str, cell: str) -> Any:
    """What a cell holds: a number for a column of numbers; what is none is for the section to refuse."""
    kind = kind_of(Node.model_fields[key].annotation)
    if kind not in (int, float):
        return cell
    text = table.plain(key, cell)
    try:
        found = number(key, text)
    except TableError:
        return cell
    return int(found) if kind is int and found.is_integer() and abs(found) < 1e12 else found

"""A reading of a signal taken on site, and what a file of them holds."""

from dataclasses import dataclass, fields
from datetime import datetime
from typing import Literal

from linkcalc.link.findings import Way as Way

Leaf = Literal["in_leaf", "out_of_leaf"]
"""Foliage on the day."""


@dataclass(frozen=True)
class Reading:
    """One row: a packet, or a burst of packets of which the levels are the median.

    What a row leaves out is None or empty: packets not counted, heights and settings as planned. Near is the
    link's `from` station, far its `to` station; heights are above ground, power is at the radio's connector.
    """

    row: int
    """Line of the file, as a spreadsheet numbers it; in a JSON file the number of the reading."""
    direction: Way
    time: datetime | None = None
    rssi_dbm: float | None = None
    snr_db: float | None = None
    sent: int | None = None
    received: int | None = None
    near_height_m: float | None = None
    far_height_m: float | None = None
    spreading_factor: int | None = None
    bandwidth_khz: float | None = None
    near_power_dbm: float | None = None
    far_power_dbm: float | None = None
    near_antenna: str = ""
    """Name of an antenna of the plan's choice, or a generic type."""
    far_antenna: str = ""
    near_antenna_gain_dbi: float | None = None
    """In the main beam; in place of the named antenna's."""
    far_antenna_gain_dbi: float | None = None
    near_feeder: str = ""
    far_feeder: str = ""
    near_feeder_loss_db: float | None = None
    """Of the whole feeder with its connectors; in place of the named feeder's."""
    far_feeder_loss_db: float | None = None
    engine_running: bool | None = None
    leaf: Leaf | None = None
    wet_foliage: bool | None = None
    spot: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    note: str = ""
    file: str = ""

    @property
    def place(self) -> str:
        """Its row, and of which file where there are several."""
        return f"{self.file} {self.row}".strip()

    @property
    def packets(self) -> int:
        """Packets that its levels are the median of."""
        return max(self.received or 1, 1)


@dataclass(frozen=True)
class RefusedRow:
    """A row that is not used, and what is wrong with it."""

    row: int
    reason: str
    file: str = ""


@dataclass(frozen=True)
class Readings:
    """What a file of readings holds."""

    file: str
    readings: tuple[Reading, ...]
    refused: tuple[RefusedRow, ...] = ()
    notes: tuple[str, ...] = ()
    link: str | None = None
    plan_digest: str | None = None


COLUMNS = tuple(f.name for f in fields(Reading) if f.name not in ("row", "file"))
"""Columns of a readings file, all but `direction` optional."""

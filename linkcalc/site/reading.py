"""A reading of a signal taken on site, and what a file of them holds."""

from dataclasses import dataclass, fields
from datetime import datetime
from typing import Literal

Way = Literal["there", "back"]
"""there: sent by the link's `from` station, heard at its `to` station; back: the other way."""


@dataclass(frozen=True)
class Reading:
    """One row: a packet, or a burst of packets of which the levels are the median."""

    row: int
    """Line of the file, as a spreadsheet numbers it; in a JSON file the number of the reading."""
    direction: Way
    time: datetime | None = None
    rssi_dbm: float | None = None
    snr_db: float | None = None
    sent: int | None = None
    """None: not counted; only what arrived is known."""
    received: int | None = None
    near_height_m: float | None = None
    """Height above ground of the `from` station's antenna as it was mounted; None: as planned."""
    far_height_m: float | None = None
    """The same at the `to` station."""
    spreading_factor: int | None = None
    """As set for this reading; None, as for all settings below: as the plan says."""
    bandwidth_khz: float | None = None
    near_power_dbm: float | None = None
    """Transmit power at the radio's connector, of the `from` station."""
    far_power_dbm: float | None = None
    near_antenna: str = ""
    """Name of an antenna of the plan's choice, or a generic type; empty: as planned."""
    far_antenna: str = ""
    near_antenna_gain_dbi: float | None = None
    """In the main beam; in place of the named antenna's."""
    far_antenna_gain_dbi: float | None = None
    near_feeder: str = ""
    """Name of a feeder of the plan's choice; empty: as planned."""
    far_feeder: str = ""
    near_feeder_loss_db: float | None = None
    """Of the whole feeder with its connectors; in place of the named feeder's."""
    far_feeder_loss_db: float | None = None
    engine_running: bool | None = None
    leaf: Literal["in_leaf", "out_of_leaf"] | None = None
    wet_foliage: bool | None = None
    spot: str = ""
    """Where, among the spots tried for a station."""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    note: str = ""
    file: str = ""
    """Where several files were read."""

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
    """A row that is not used."""

    row: int
    reason: str
    """What is wrong, and the mend."""
    file: str = ""
    """Where several files were read."""


@dataclass(frozen=True)
class Readings:
    """What a file of readings holds."""

    file: str
    readings: tuple[Reading, ...]
    refused: tuple[RefusedRow, ...] = ()
    notes: tuple[str, ...] = ()
    """What was left out or mended in rows that are used."""
    link: str | None = None
    """Name of the link, where the file says so."""
    plan_digest: str | None = None
    """SHA-256 of the plan the file was made for, where it says so."""


COLUMNS = tuple(f.name for f in fields(Reading) if f.name not in ("row", "file"))
"""Columns of a readings file, all but `direction` optional."""

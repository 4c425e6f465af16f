"""A channel to start planning from in each region of the table: inside one of its bands, not on an edge."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Start:
    """A legal setting of a chirp radio at spreading factor 9 that reports every ten minutes with 2 dBi."""

    frequency_mhz: float
    transmit_power_dbm: float = 14.0
    bandwidth_khz: float = 125.0
    hopping_channels: int = 1
    listen_before_talk: bool = False


START: Mapping[str, Start] = {
    "eu": Start(868.3),
    "uk": Start(868.3),
    "us": Start(915.0, hopping_channels=64),
    "ca": Start(915.0, hopping_channels=64),
    "au": Start(917.0),
    "nz": Start(925.0),
    "in": Start(866.0),
    "za": Start(868.3),
    "jp": Start(923.0, transmit_power_dbm=13.0, listen_before_talk=True),
    "kr": Start(922.7, transmit_power_dbm=11.0, listen_before_talk=True),
    "br": Start(921.5, hopping_channels=64),
    "ke": Start(868.3),
    "my": Start(921.0),
    "sg": Start(920.0),
    "th": Start(922.0),
    "tw": Start(922.0),
    "ph": Start(916.5),
    "vn": Start(433.92),
    "cn": Start(480.0),
    "ua": Start(868.3),
    "mx": Start(915.0, hopping_channels=64),
}
"""By region. Where the table cannot judge a region, the channel lies in the band that is known to exist."""

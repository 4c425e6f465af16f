"""What one transmitter sends, and how often."""

import math
from dataclasses import dataclass

from linkcalc._arrays import checked
from linkcalc.errors import DomainError
from linkcalc.units import DBI_OVER_DBD_DB

HOUR_S = 3600.0

HERTZ = 1.0
"""Below the rounding of a carrier in megahertz."""


@dataclass(frozen=True)
class OtherTraffic:
    """What the same transmitter also sends, which counts toward its duty cycle in a band."""

    frequency_hz: float
    time_on_air_per_hour_s: float


@dataclass(frozen=True, kw_only=True)
class Transmission:
    """What one transmitter sends, and how often. Frequency, bandwidth and times are above 0, a loss is 0 or more.

    Raises `DomainError` where a value is not finite or outside its range, or one message with its tries lasts longer
    than the interval.
    """

    frequency_hz: float
    bandwidth_hz: float
    conducted_power_dbm: float
    """At the radio's connector."""
    antenna_gain_dbi: float
    """In the main beam, whatever it points at."""
    time_on_air_s: float
    interval_s: float | None = None
    """Between messages, above 0; None: not known."""
    feeder_loss_db: float = 0.0
    tries: int = 1
    """Transmissions of one message, all counted."""
    hopping_channels: int = 1
    """Channels used alike in pseudo-random order; 1: a fixed channel."""
    listen_before_talk: bool = False
    """Listens as the rule asks (with adaptive frequency agility where it asks for that)."""
    other_traffic: tuple[OtherTraffic, ...] = ()
    """The same transmitter's other messages; they share its duty cycle where they lie in the same band."""
    retry_wait_s: float | None = None
    """From the start of one try to that of the next, at least; None: tries are spread over the interval."""
    access_point: bool = False
    """It answers the nodes of a network: some rules allow it more time on the air."""
    conditions_met: frozenset[str] = frozenset()
    """Rules of which it is known that their condition that the table cannot judge is met."""

    def __post_init__(self) -> None:
        for name in ("frequency_hz", "bandwidth_hz", "time_on_air_s"):
            checked(name, getattr(self, name), above=0.0)
        for name in ("conducted_power_dbm", "antenna_gain_dbi"):
            checked(name, getattr(self, name))
        checked("feeder_loss_db", self.feeder_loss_db, at_least=0.0)
        checked("tries", self.tries, at_least=1)
        checked("hopping_channels", self.hopping_channels, at_least=1)
        if self.retry_wait_s is not None:
            checked("retry_wait_s", self.retry_wait_s, above=0.0)
        if self.interval_s is not None:
            checked("interval_s", self.interval_s, above=0.0)
            if self.interval_s < self.message_time_s:
                raise DomainError(
                    f"interval_s is {self.interval_s:g} s, shorter than the {self.message_time_s:.3g} s"
                    " that one message with its tries is on the air"
                )

    @property
    def message_time_s(self) -> float:
        """Time on air of one message with all its tries."""
        return self.time_on_air_s * self.tries

    @property
    def between_starts_s(self) -> float | None:
        """Shortest time from the start of one transmission to that of the next; None: no interval known."""
        if self.interval_s is None:
            return None
        even = self.interval_s / self.tries
        return even if self.retry_wait_s is None or self.tries == 1 else min(even, self.retry_wait_s)

    @property
    def eirp_dbm(self) -> float:
        """Power over an isotropic radiator."""
        return self.conducted_power_dbm - self.feeder_loss_db + self.antenna_gain_dbi

    @property
    def erp_dbm(self) -> float:
        """Power over a half-wave dipole."""
        return self.eirp_dbm - DBI_OVER_DBD_DB

    @property
    def messages_per_hour(self) -> int | None:
        """In the worst hour: whole messages, so that no hour holds one more; None: no interval known."""
        return None if self.interval_s is None else math.ceil(HOUR_S / self.interval_s - 1e-9)

    @property
    def time_on_air_per_hour_s(self) -> float | None:
        """Of these messages in the worst hour."""
        messages = self.messages_per_hour
        return None if messages is None else messages * self.message_time_s

    def density_dbm(self, reference_hz: float, kind: str) -> float:
        """Power of that kind in the reference bandwidth, the spectrum taken as flat."""
        power_dbm = {"conducted": self.conducted_power_dbm, "erp": self.erp_dbm, "eirp": self.eirp_dbm}[kind]
        # a signal narrower than the reference bandwidth has all its power within it
        return power_dbm - 10.0 * math.log10(max(self.bandwidth_hz / reference_hz, 1.0))


def occupied_hz(t: Transmission) -> tuple[float, float]:
    return t.frequency_hz - t.bandwidth_hz / 2.0, t.frequency_hz + t.bandwidth_hz / 2.0

"""One direction of one link as a table of named gains and losses, summed exactly.

Every term is rounded to a millionth of a decibel when it is made, so that the margin is the
decimal sum of the printed terms and nothing else.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from linkcalc.errors import DomainError
from linkcalc.link.findings import Origin, TermKind
from linkcalc.link.result import Term

DECIMALS = 6

Group = Literal["transmitter", "path", "receiver", "threshold"]


def term(
    kind: TermKind,
    value_db: float,
    group: Group,
    note: str = "",
    *,
    station: str = "",
    origin: Origin = "stated",
    what: str = "",
) -> Term:
    """Make one line of a budget: a gain is positive, a loss negative; `DomainError` if it is not finite.

    >>> term("feeder", -1.23456789, "transmitter").value_db
    -1.234568
    """
    if not math.isfinite(value_db):
        where = f" of {station}" if station else ""
        raise DomainError(f"budget term {kind}{where} must be finite, got {value_db}")
    # + 0.0 makes 0.0 of -0.0, which would be printed with its sign
    return Term(kind, round(float(value_db), DECIMALS) + 0.0, group, note, station, origin, what)


def total_db(terms: Iterable[Term]) -> float:
    """Sum terms as decimals of a millionth of a decibel.

    >>> total_db([term("trees", 0.1, "path"), term("ground", 0.2, "path"), term("free_space", -0.3, "path")])
    0.0
    """
    # fsum: the order of the terms cannot change the last decimal
    return round(math.fsum(t.value_db for t in terms), DECIMALS) + 0.0


@dataclass(frozen=True)
class Budget:
    """Terms of one direction with the levels they lead to.

    The terms up to the receiver's input add up to the received power in dBm; the threshold terms
    are minus the sensitivity, so that all terms together add up to the fade margin.
    """

    terms: tuple[Term, ...]

    @property
    def received_power_dbm(self) -> float:
        """Power at the receiver's connector, dBm."""
        return total_db(t for t in self.terms if t.group != "threshold")

    @property
    def sensitivity_dbm(self) -> float:
        """Least power the receiver needs with the noise it really has, dBm."""
        return -total_db(t for t in self.terms if t.group == "threshold") + 0.0

    @property
    def noise_power_dbm(self) -> float:
        """Noise power in the receiver's bandwidth, dBm: all thresholds but the required SNR."""
        noise = (t for t in self.terms if t.group == "threshold" and t.kind != "required_snr")
        return -total_db(noise) + 0.0

    @property
    def fade_margin_db(self) -> float:
        """Received power above sensitivity, dB: the sum of all terms."""
        return total_db(self.terms)

    @property
    def eirp_dbm(self) -> float:
        """Equivalent isotropically radiated power towards the other station, dBm."""
        return total_db(t for t in self.terms if t.group == "transmitter")

    @property
    def path_loss_db(self) -> float:
        """Basic transmission loss of the path with vegetation and building entry, dB."""
        return -total_db(t for t in self.terms if t.group == "path") + 0.0

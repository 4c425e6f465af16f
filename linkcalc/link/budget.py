"""One direction of one link as a table of named gains and losses, summed exactly.

Every term is rounded to a millionth of a decibel when it is made, so that the margin is the
decimal sum of the printed terms and nothing else.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from linkcalc.errors import DomainError
from linkcalc.link.result import Term

DECIMALS = 6

REQUIRED_SNR = "required SNR"
"""Name of the one threshold term that is not noise."""

THERMAL_NOISE = "thermal noise floor"

Group = Literal["transmitter", "path", "receiver", "threshold"]


def term(name: str, value_db: float, group: Group, note: str = "") -> Term:
    """Make one line of a budget: a gain is positive, a loss negative.

    Raises
    ------
    DomainError
        If the value is not finite.

    Examples
    --------
    >>> term("feeder", -1.23456789, "transmitter").value_db
    -1.234568
    """
    if not math.isfinite(value_db):
        raise DomainError(f"budget term {name!r} must be finite, got {value_db}")
    return Term(name, round(float(value_db), DECIMALS) + 0.0, group, note)


def total_db(terms: Iterable[Term]) -> float:
    """Sum terms as decimals of a millionth of a decibel.

    >>> total_db([term("a", 0.1, "path"), term("b", 0.2, "path"), term("c", -0.3, "path")])
    0.0
    """
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
        return total_db([Term("", -t.value_db, t.group) for t in self.terms if t.group == "threshold"])

    @property
    def noise_power_dbm(self) -> float:
        """Noise power in the receiver's bandwidth, dBm: all thresholds but the required SNR."""
        noise = (t for t in self.terms if t.group == "threshold" and t.name != REQUIRED_SNR)
        return total_db(Term("", -t.value_db, t.group) for t in noise)

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

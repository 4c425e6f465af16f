"""What the table of legal limits can say: a finding of one quantity, of one rule, of all that cover a frequency."""

from dataclasses import dataclass
from typing import Literal

from linkcalc.rules.table import QUANTITY_WORDS

CAUTION = "Check with your regulator; this is not legal advice."

POWER_ROUNDING_DB = 0.03
"""Limits are laws in milliwatts but powers are set in whole dBm: 25 mW is 13.98 dBm and is quoted as 14."""

Status = Literal["within", "over", "unknown"]
Quantity = Literal["band", "power", "density", "duty", "listen", "dwell", "pause", "channels", "bandwidth"]


@dataclass(frozen=True)
class Finding:
    """One limited quantity of one rule."""

    quantity: Quantity
    status: Status
    text: str
    """In words, with value and limit."""
    over_by: float | None = None
    """Above the limit (or below, where it is a least value), in `unit`; None unless over."""
    unit: str = ""
    remedy: str = ""


@dataclass(frozen=True)
class RuleCheck:
    """One rule that covers the frequency."""

    id: str
    title: str
    status: Status
    contested: bool
    """A contested rule is never counted as satisfied."""
    findings: tuple[Finding, ...]
    unread: str
    """What the rule also asks and the table cannot judge."""
    unverified: tuple[str, ...]
    checked: str
    old: bool
    source: str
    note: str
    largest_conducted_dbm: float | None
    """With this feeder, antenna and bandwidth; None: the table has no power limit."""
    shortest_interval_s: float | None
    """The time on air itself where the rule does not limit it; None: never, one message is too long."""

    @property
    def satisfied(self) -> bool:
        """Whether the rule is satisfied in full and counts."""
        return self.status == "within" and not self.contested

    @property
    def doubt(self) -> str:
        """Why the row itself may be wrong, in words; empty where nothing speaks against it."""
        words = []
        if self.unverified:
            words.append(f"unverified: {', '.join(QUANTITY_WORDS[q] for q in self.unverified)}")
        if self.old:
            words.append(f"last checked {self.checked}, more than 24 months ago")
        return "; ".join(words)


@dataclass(frozen=True)
class FactorInterval:
    """How often the same payload may be sent at another spreading factor."""

    spreading_factor: int
    time_on_air_s: float
    shortest_interval_s: float | None
    """None: not at all, one message is too long."""


@dataclass(frozen=True, kw_only=True)
class LimitsCheck:
    """What the table says about one transmitter."""

    status: Status = "unknown"
    reason: str
    """One line: the rule that is kept, what is over and by how much, or what is not known; and what of that
    rule is unverified or old."""
    remedy: str = ""
    """The least change that keeps every limit of one rule that is over; empty where none is."""
    region: str | None
    rule: str | None = None
    """The rule that is satisfied, or the nearest one."""
    unverified: tuple[str, ...] = ()
    old: bool = False
    erp_dbm: float
    eirp_dbm: float
    time_on_air_s: float
    duty_cycle: float | None
    """Share of the worst hour this transmitter is on the air, all its messages; None: no interval known."""
    largest_conducted_dbm: float | None = None
    """By the most generous rule whose other limits are kept; None: there is none."""
    largest_conducted_rule: str | None = None
    shortest_interval_s: float | None = None
    """By the most generous rule whose other limits are kept; None: there is none."""
    shortest_interval_rule: str | None = None
    by_spreading_factor: tuple[FactorInterval, ...] = ()
    """The same payload at other spreading factors; empty for other signals."""
    interval_power_dbm: float
    """The conducted power the intervals hold for: as planned, or the largest legal one if that is less."""
    rules: tuple[RuleCheck, ...] = ()
    """Every rule that covers the frequency, satisfied ones first, then by the effort of keeping them."""
    caution: str = CAUTION

    @property
    def power_steps_dbm(self) -> tuple[float, ...]:
        """Conducted powers beyond which a rule is broken, rising; between two of them nothing but words changes."""
        return tuple(
            sorted(
                r.largest_conducted_dbm + POWER_ROUNDING_DB
                for r in self.rules
                if r.largest_conducted_dbm is not None
            )
        )

    @property
    def power_doubt(self) -> str:
        """Why the rule of the largest legal power may be wrong, in words."""
        return next((r.doubt for r in self.rules if r.id == self.largest_conducted_rule), "")

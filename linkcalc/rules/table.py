"""The table of legal limits: its regions, and its rows, read from `table.toml` and refused unless each makes sense."""

import dataclasses
import datetime
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from linkcalc.errors import DomainError


@dataclass(frozen=True)
class Start:
    """A legal setting of a chirp radio at spreading factor 9 that reports every ten minutes with 2 dBi."""

    frequency_mhz: float
    transmit_power_dbm: float = 14.0
    bandwidth_khz: float = 125.0
    hopping_channels: int = 1
    listen_before_talk: bool = False


_REGIONS: Mapping[str, tuple[str, Start]] = {
    "eu": ("CEPT countries and the European Union", Start(868.3)),
    "uk": ("United Kingdom", Start(868.3)),
    "us": ("United States", Start(915.0, hopping_channels=64)),
    "ca": ("Canada", Start(915.0, hopping_channels=64)),
    "au": ("Australia", Start(917.0)),
    "nz": ("New Zealand", Start(925.0)),
    "in": ("India", Start(866.0)),
    "za": ("South Africa", Start(868.3)),
    "jp": ("Japan", Start(923.0, transmit_power_dbm=13.0, listen_before_talk=True)),
    "kr": ("South Korea", Start(922.7, transmit_power_dbm=11.0, listen_before_talk=True)),
    "br": ("Brazil", Start(921.5, hopping_channels=64)),
    "ke": ("Kenya", Start(868.3)),
    "my": ("Malaysia", Start(921.0)),
    "sg": ("Singapore", Start(920.0)),
    "th": ("Thailand", Start(922.0)),
    "tw": ("Taiwan", Start(922.0)),
    "ph": ("Philippines", Start(916.5)),
    "vn": ("Vietnam", Start(433.92)),
    "cn": ("China", Start(480.0)),
    "ua": ("Ukraine", Start(868.3)),
    "mx": ("Mexico", Start(915.0, hopping_channels=64)),
}
REGIONS: Mapping[str, str] = {key: name for key, (name, _) in _REGIONS.items()}
START: Mapping[str, Start] = {key: start for key, (_, start) in _REGIONS.items()}
"""A channel to start planning from: inside one of the region's bands, not on an edge. Where the table cannot judge a
region, it lies in the band that is known to exist."""

CONFIDENCE: Mapping[str, str] = {
    "A": "read in the public text",
    "B": "read in a secondary public page",
    "C": "unverified",
}
"""What the letters of the table mean."""

QUANTITY_WORDS: Mapping[str, str] = {
    "band": "band edges",
    "power": "power",
    "density": "power density",
    "duty": "duty cycle",
    "listen": "listening",
    "dwell": "dwell time",
    "pause": "pause",
    "channels": "channels",
    "bandwidth": "bandwidth",
}
"""What a row may limit, in words."""

OLD_AFTER_DAYS = 730


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One row of the table; the head of `table.toml` explains the keys. None: the row does not limit it."""

    id: str
    region: str
    title: str
    low_mhz: float
    high_mhz: float
    excluded_mhz: tuple[tuple[float, float], ...] = ()
    joins_adjacent: bool = False
    barred: str = ""
    max_conducted_mw: float | None = None
    gain_free_dbi: float | None = None
    max_erp_mw: float | None = None
    max_eirp_mw: float | None = None
    density_dbm: float | None = None
    density_reference_khz: float | None = None
    density_kind: str | None = None
    density_peak: bool = False
    density_above_khz: float | None = None
    duty_cycle: float | None = None
    access_point_duty_cycle: float | None = None
    channel_s_per_hour: float | None = None
    listen_before_talk: str | None = None
    polite_s_per_hour: float | None = None
    polite_per_khz: float | None = None
    polite_burst_s: float | None = None
    polite_pause_s: float | None = None
    dwell_s: float | None = None
    dwell_window_s: float | None = None
    dwell_window_s_per_channel: float | None = None
    pause_s: float | None = None
    pause_per_burst: float | None = None
    channel_return_s: float | None = None
    min_channels: int | None = None
    min_bandwidth_khz: float | None = None
    max_bandwidth_khz: float | None = None
    below_bandwidth_khz: float | None = None
    bandwidth_measure: str | None = None
    contested: bool = False
    unread: str = ""
    standard: str
    edition: str
    clause: str
    checked: datetime.date
    confidence: Mapping[str, str]
    note: str

    def __post_init__(self) -> None:
        for problem in self._problems():
            raise DomainError(f"table of limits, rule {self.id!r}: {problem}")

    @property
    def quantities(self) -> tuple[str, ...]:
        """What the row limits, of the keys of `QUANTITY_WORDS`."""
        limited = {
            "band": True,
            "power": self.power_limited,
            "density": self.density_dbm is not None,
            "duty": self.duty_cycle is not None,
            "listen": self.listen_before_talk is not None,
            "dwell": self.dwell_s is not None,
            "pause": any(v is not None for v in (self.pause_s, self.pause_per_burst, self.channel_return_s)),
            "channels": self.min_channels is not None,
            "bandwidth": self.bandwidth_measure is not None,
        }
        return tuple(q for q in QUANTITY_WORDS if limited[q])

    @property
    def power_limited(self) -> bool:
        """Whether the row states a power limit of any kind."""
        return any(v is not None for v in (self.max_conducted_mw, self.max_erp_mw, self.max_eirp_mw))

    @property
    def unverified(self) -> tuple[str, ...]:
        """The quantities of the row that nobody has read in a text."""
        return tuple(q for q in self.quantities if self.confidence[q] == "C")

    @property
    def source(self) -> str:
        """Standard, clause, edition and the day the row was held against them."""
        return f"{self.standard}, {self.clause}; edition: {self.edition}; checked {self.checked.isoformat()}"

    @property
    def may_be_met(self) -> bool:
        """Whether the row has values that hold once what is unread is known to be met."""
        return bool(self.unread) and self.power_limited

    def old(self, today: datetime.date) -> bool:
        """Whether the row was held against its source more than 24 months ago."""
        return (today - self.checked).days > OLD_AFTER_DAYS

    def joined_to(self, upper: "Rule") -> "Rule":
        """Return the band of this row and of the one above it as one, under the conditions of both."""

        def least(name: str) -> Any:
            # None is no limit: a limit that one of the two states holds for both
            stated = [v for v in (getattr(self, name), getattr(upper, name)) if v is not None]
            return min(stated) if stated else None

        limits = (
            "max_conducted_mw", "gain_free_dbi", "max_erp_mw", "max_eirp_mw", "duty_cycle",
            "polite_s_per_hour", "polite_burst_s",
        )  # fmt: skip
        return dataclasses.replace(
            self,
            id=f"{self.id}+{upper.id}",
            title=f"{self.title}, joined with {upper.title}",
            high_mhz=upper.high_mhz,
            standard=self.standard
            if self.standard == upper.standard
            else f"{self.standard}; {upper.standard}",
            clause=f"{self.clause}; {upper.clause}; adjacent bands as one: head of the decision's annex",
            checked=min(self.checked, upper.checked),
            # the later letter is the less sure one
            confidence={q: max(c, upper.confidence[q]) for q, c in self.confidence.items()},
            **{name: least(name) for name in limits},
        )

    def _problems(self) -> Iterator[str]:
        """Yield what is wrong with the row, in words."""
        if self.region not in REGIONS:
            yield f"region {self.region!r} is not one of {', '.join(REGIONS)}"
        for name in ("id", "title", "standard", "edition", "clause"):
            if not getattr(self, name).strip():
                yield f"{name} is empty"
        if not 0 < self.low_mhz < self.high_mhz:
            yield "low_mhz must be above 0 and below high_mhz"
        for low, high in self.excluded_mhz:
            if not self.low_mhz <= low < high <= self.high_mhz:
                yield f"excluded_mhz {low:g}-{high:g} is not a part of the band"
        if not (self.power_limited or self.unread or self.barred):
            yield "no power limit, and neither unread nor barred says why"
        for name in ("duty_cycle", "access_point_duty_cycle"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 1:
                yield f"{name} must be between 0 and 1 (leave it out for 100 %)"
        numbers = {name: value for name, value in vars(self).items() if type(value) in (int, float)}
        for name, value in numbers.items():
            if name not in _OF_ANY_SIGN and not value > 0:
                yield f"{name} must be above 0"
        yield from self._contradictions()
        if set(self.confidence) != set(self.quantities):
            named, limited = sorted(self.confidence), sorted(self.quantities)
            yield f"confidence speaks of {named}, but the row limits {limited}"
        if not set(self.confidence.values()) <= set(CONFIDENCE):
            yield f"confidence letters are {', '.join(CONFIDENCE)}"

    def _contradictions(self) -> Iterator[str]:
        """Yield which keys do not go together."""
        if self.gain_free_dbi is not None and self.max_conducted_mw is None:
            yield "gain_free_dbi needs max_conducted_mw"
        if self.duty_cycle is None and (
            self.access_point_duty_cycle is not None
            or self.channel_s_per_hour is not None
            or self.listen_before_talk == "instead_of_duty"
        ):
            yield "what stands beside a duty cycle or in its place needs duty_cycle"
        polite = (self.polite_s_per_hour, self.polite_per_khz, self.polite_burst_s, self.polite_pause_s)
        if any(v is not None for v in polite) and (
            None in polite or self.listen_before_talk != "instead_of_duty"
        ):
            yield 'the polite_ keys go together, with listen_before_talk = "instead_of_duty"'
        if self.listen_before_talk not in (None, "required", "instead_of_duty"):
            yield 'listen_before_talk must be "required" or "instead_of_duty"'
        stated = [v is not None for v in (self.density_dbm, self.density_reference_khz, self.density_kind)]
        if any(stated) and not all(stated):
            yield "density_dbm, density_reference_khz and density_kind go together"
        if self.density_kind not in (None, "conducted", "erp", "eirp"):
            yield 'density_kind must be "conducted", "erp" or "eirp"'
        if self.density_above_khz is not None and self.density_dbm is None:
            yield "density_above_khz needs density_dbm"
        windows = [v is not None for v in (self.dwell_window_s, self.dwell_window_s_per_channel)]
        if all(windows) or (any(windows) and self.dwell_s is None):
            yield "a dwell window needs dwell_s, and there is one window only"
        if self.dwell_window_s_per_channel is not None and self.min_channels is None:
            yield "dwell_window_s_per_channel needs min_channels"
        widths = (self.min_bandwidth_khz, self.max_bandwidth_khz, self.below_bandwidth_khz)
        if any(w is not None for w in widths) != (self.bandwidth_measure is not None):
            yield "a bandwidth limit and bandwidth_measure go together"
        if (
            self.min_bandwidth_khz is not None
            and self.max_bandwidth_khz is not None
            and self.min_bandwidth_khz > self.max_bandwidth_khz
        ):
            yield "min_bandwidth_khz is above max_bandwidth_khz"


_OF_ANY_SIGN = {"density_dbm", "gain_free_dbi"}
"""Every other number of a row is above 0."""


def read_rules(text: str) -> tuple[Rule, ...]:
    """Read a table of limits: TOML as in `table.toml`.

    Raises `DomainError` where the text is not TOML, or a row has an unknown, missing, mistyped or contradictory key.
    """
    try:
        rows = tomllib.loads(text)["rule"]
    except (tomllib.TOMLDecodeError, KeyError) as error:
        raise DomainError(f"table of limits: {error}") from error
    found = tuple(_rule(row) for row in rows)
    twice = {r.id for r in found if sum(o.id == r.id for o in found) > 1}
    if twice:
        raise DomainError(f"table of limits: two rules are called {sorted(twice)[0]!r}")
    return found


_ROW = "\n[[rule]]\n"


@cache
def rules() -> tuple[Rule, ...]:
    """Return the table that comes with the package."""
    return read_rules(_text())


@cache
def rules_of(region: str) -> tuple[Rule, ...]:
    """Return the rows of one region, a key of `REGIONS`."""
    # A check asks for one region, and reading the other twenty takes longer than its losses.
    rows = _text().split(_ROW)
    return read_rules("".join(_ROW + row for row in rows if f'\nregion = "{region}"\n' in row))


def _text() -> str:
    return files("linkcalc.rules").joinpath("table.toml").read_text(encoding="utf-8")


_WRITTEN_AS: Mapping[str, Any] = {"excluded_mhz": list, "confidence": dict}
"""Types of the keys in the file, where they are not those of the row."""


def _rule(row: dict[str, Any]) -> Rule:
    where = f"table of limits, rule {row.get('id', '(without id)')!r}"
    for field in dataclasses.fields(Rule):
        if field.name not in row:
            if field.default is dataclasses.MISSING:
                raise DomainError(f"{where}: key {field.name} is missing")
            continue
        kind, value = _WRITTEN_AS.get(field.name, field.type), row[field.name]
        if isinstance(0.0, kind):  # a whole number is a number too
            kind |= int
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise DomainError(f"{where}: {field.name} has the wrong type: {value!r}")
    unknown = set(row) - {f.name for f in dataclasses.fields(Rule)}
    if unknown:
        raise DomainError(f"{where}: unknown key {sorted(unknown)[0]}")
    gaps = tuple((float(low), float(high)) for low, high in row.get("excluded_mhz", ()))
    return Rule(**{**row, "excluded_mhz": gaps})

"""What a check finds: plain frozen data that reports, pictures and JSON are made from."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Literal

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.answer import LINES, Answer, said, view
from linkcalc.link.findings import VERDICTS, Finding, Limit, ModelReason, Origin, Step, TermKind
from linkcalc.link.findings import Regime as Regime
from linkcalc.link.findings import VerdictWord as VerdictWord
from linkcalc.plan.assumptions import Assumption as Assumption
from linkcalc.propagation.loss_models import MODEL_NAMES as MODEL_NAMES

SCHEMA_VERSION = "1.0"


def _words() -> Any:
    """What puts findings into words, for who asks for these."""
    return view("link_words")


@dataclass(frozen=True)
class Term:
    """One line of a budget; values add up, so a loss is negative."""

    kind: TermKind = field(metadata=said("name"))
    value_db: float
    group: Literal["transmitter", "path", "receiver", "threshold"]
    note: str = ""
    station: str = field(default="", metadata=said())
    """Whose it is, where both ends may have one."""
    origin: Origin = field(default="stated", metadata=said())
    what: str = field(default="", metadata=said())
    """What surrounds the antenna, for its loss."""

    @property
    def name(self) -> str:
        return str(_words().term_name(self.kind, self.station))


@dataclass(frozen=True)
class Contributor:
    """One source of uncertainty, as a standard deviation of the margin."""

    name: str
    sigma_db: float
    kind: Literal["site", "conditions", "fast"]
    """site: fixed but unknown until measured; conditions: varies over the year; fast: message to message."""
    after_reading_db: float
    """What is left of it once the signal has been measured on site."""
    source: str


@dataclass(frozen=True)
class Direction:
    """One direction of a link, from transmitter to receiver."""

    from_: str
    to: str
    payload_bytes: int
    time_on_air_s: float
    path_loss_db: float
    received_power_dbm: float
    noise_power_dbm: float
    sensitivity_dbm: float
    fade_margin_db: float
    required_margin_db: float
    """At which `confidence` of such sites give what is required of a site, or the stated one where that is more."""
    site_share: float
    """Share of such sites, before anybody has measured, that give what is required."""
    fade_margin_interval_db: tuple[float, float]
    """Central 90 % of where the median margin may really be, before a site reading."""
    success_where_it_works: float
    """Share of the messages that arrive at the median of the sites that give what is required."""
    delivery_probability: float
    """Of one message with its tries, averaged over what is unknown and what varies."""
    delivery_probability_single: float
    """The same for a single try."""
    delivery_probability_year_share: float
    """Reached or exceeded during `year_share_percent` of the year."""
    delivery_probability_after_reading: float
    """What `delivery_probability` would be had a site reading confirmed the predicted margin."""
    year_share_percent: float
    verdict: VerdictWord
    limit: Limit = field(metadata=said("limited_by"))
    eirp_dbm: float
    fading: Literal["rician", "rayleigh"]
    """Fast fading, independent from try to try."""
    rician_k_db: float
    """Power of the steady over the scattered part; -inf for Rayleigh."""
    terms: tuple[Term, ...]
    """Add up to `fade_margin_db` exactly."""
    uncertainty: tuple[Contributor, ...]

    @property
    def limited_by(self) -> str:
        return str(_words().limiting_factor(self.limit))


@dataclass(frozen=True)
class PathFacts:
    """What the ground does to the path."""

    distance_m: float
    azimuth_deg: float
    """NaN where the stations have no positions."""
    elevation_angle_deg: float
    k_factor: float
    low_k_factor: float
    worst_clearance_ratio: float
    """Ray clearance over first Fresnel zone radius at the worst point, median k."""
    worst_clearance_distance_m: float
    worst_clearance_low_k_ratio: float
    worst_obstacle: str
    """What stands at the worst point: ground, trees, building, tank."""
    regime: Regime = field(metadata=said("regime", "regime_reason"))
    model: str
    reason: ModelReason = field(metadata=said("model_reason"))
    models: Mapping[str, float]
    """Every model's basic transmission loss, dB."""
    spread_db: float
    """Largest minus smallest of the models that apply to this path."""
    source: str
    reflection_distance_m: float | None
    vegetation_loss_db: float
    surroundings_loss_db: tuple[float, float]
    """Of the `from` and of the `to` station."""
    building_entry_loss_db: float
    bridged_m: float

    @property
    def regime_reason(self) -> str:
        return str(_words().REGIMES[self.regime])

    @property
    def model_reason(self) -> str:
        return str(_words().model_reason(self.reason))


@dataclass(frozen=True, eq=False)
class Drawing:
    """Arrays a picture of the path needs; not part of the JSON result."""

    distance_m: Floats
    ground_m: Floats
    clutter_m: Floats
    clutter_kind: tuple[str, ...]
    """"", "trees", "building" or "tank" for each point."""
    bulge_m: Floats
    """Earth bulge for the median k: ground_m + bulge_m is what a straight ray sees."""
    ray_m: Floats
    fresnel_radius_m: Floats
    clearance_ratio: Floats
    antenna_height_m: tuple[float, float]
    height_sweep_m: Floats
    """Heights of the `to` antenna above ground."""
    margin_sweep_db: Floats
    """Margin of the weaker direction at those heights, by the governing model."""
    margin_sweep_raw_db: Floats
    """The same with two-ray lobes shown in full (equal to the above where two-ray does not apply)."""

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Drawing):
            return NotImplemented
        return all(np.array_equal(getattr(self, f.name), getattr(other, f.name)) for f in fields(self))

    __hash__ = None  # type: ignore[assignment]  # as of arrays


AdviceKind = Literal[
    "raise_antenna", "fresnel_clearance", "spreading_factor", "bandwidth", "antenna", "feeder", "power", "relay",
    "measure", "noise",
]  # fmt: skip


@dataclass(frozen=True)
class Advice:
    """One change and what it buys, found by solving."""

    kind: AdviceKind
    step: Step = field(metadata=said("text"))
    effort: int
    """1 a setting, 2 a part, 3 a climb, 4 a mast or more, 5 another site."""
    fade_margin_db: float | None
    """Margin of the weaker direction after the change."""
    sufficient: bool
    """Reaches what is required, alone."""

    @property
    def text(self) -> str:
        return str(_words().step_words(self.step))


@dataclass(frozen=True)
class Change:
    """One key of the plan that a remedy sets otherwise."""

    table: str
    """``station``, ``link``, or another section of the plan."""
    name: str | None
    key: str
    """With points where it lies deeper: ``antenna.gain_dbi``."""
    before: Any
    """None: nothing was set."""
    value: Any
    """None: the key goes."""


@dataclass(frozen=True)
class Part:
    """One line of a list of parts and work."""

    station: str
    item: Literal[
        "radio", "antenna", "feeder", "connector", "arrestor", "mast", "mast_longer", "climb",
        "noise_suppression", "laying", "felling", "battery", "storage", "panel", "relay_supply",
    ]  # fmt: skip
    what: str
    """Its type, as in the plan; empty where there is but one."""
    size: float | None
    """Gain of an antenna, dBi; length of a mast, m; capacity of a battery, mAh."""
    quantity: float
    unit: Literal["piece", "m", "mAh", "Wh", "W"]
    unit_price: float
    cost: float
    price_stated: bool
    """By the plan; else it is an invented example."""


@dataclass(frozen=True)
class RelaySpot:
    """Where a relay would stand."""

    latitude_deg: float
    longitude_deg: float
    distance_m: float
    """Along the path, from the `from` station."""
    height_m: float
    slope_deg: float
    """Of the ground there, along the path."""
    tries: int = 0
    """Of a message on each hop, where they are more than planned."""


@dataclass(frozen=True)
class Remedy:
    """What makes a link close, in full: checked as a plan so changed would be."""

    kinds: tuple[str, ...]
    """What it consists of, in codes."""
    changes: tuple[Change, ...]
    """All there is to set in the plan."""
    parts: tuple[Part, ...]
    """What is needed besides what is planned; what falls away is not deducted."""
    cost: float
    currency: str
    prices_stated: bool
    """Whether every price that counts is the plan's own."""
    verdict: VerdictWord
    fade_margins_db: tuple[float, float]
    """Forward and return."""
    required_margins_db: tuple[float, float]
    site_share: float
    time_on_air_s: tuple[float, float]
    energy_ratio: float
    """Energy sent for a message of the `from` station, with all its tries, over that of the plan."""
    relay: RelaySpot | None = None
    """A relay on the line instead of changes; margins are those of its weaker hop."""


@dataclass(frozen=True, eq=False, repr=False)
class LinkResult(Answer):
    """Everything found about one link."""

    _rows = "directions"

    name: str
    verdict: VerdictWord
    finding: Finding = field(metadata=said("headline"), repr=False)
    frequency_hz: float
    signal: str
    """The modulation in words, for example "CSS SF10, 125 kHz, 4/5"."""
    path: PathFacts = field(repr=False)
    directions: tuple[Direction, ...] = field(repr=False)
    advice: tuple[Advice, ...] = field(repr=False)
    warnings: tuple[str, ...] = field(repr=False)
    drawing: Drawing = field(repr=False)
    remedies: tuple[Remedy, ...] = field(default=(), repr=False)
    """Cheapest first; of a link that closes: none is looked for."""

    @property
    def headline(self) -> str:
        """One sentence that answers first."""
        return str(_words().headline(self.finding))

    @property
    def statement(self) -> str:
        """The same without the verdict, for where that stands beside it."""
        return str(_words().statement(self.finding))


@dataclass(frozen=True, eq=False, repr=False)
class Result(Answer):
    """The answer to one plan file."""

    title: str
    plan_file: str
    plan_digest: str
    linkcalc_version: str
    links: tuple[LinkResult, ...]
    assumed: tuple[Assumption, ...] = field(repr=False)
    warnings: tuple[str, ...] = field(repr=False)
    cautions: tuple[str, ...] = field(repr=False)
    sections: Mapping[str, Any] = field(default_factory=dict, repr=False)
    """Further answers from the same plan: limits, messages, tank, energy, exposure."""
    schema_version: str = SCHEMA_VERSION
    positions_deg: Mapping[str, tuple[float, float]] = field(default_factory=dict, repr=False)
    """Latitude and longitude of the stations that have any, by name."""

    @property
    def verdict(self) -> VerdictWord:
        """Of the worst link."""
        return min((link.verdict for link in self.links), key=VERDICTS.index)

    def __str__(self) -> str:
        lines = [f"{link.name}: {link.headline}" for link in self.links]
        if len(lines) >= LINES:
            lines[LINES - 2 :] = [f"... {len(lines) - LINES + 2} links more"]
        return "\n".join([*([self.title] if self.title else []), *lines])

    def to_rows(self) -> list[dict[str, Any]]:
        """Return a row for each direction of each link."""
        return [{"link": link.name, **row} for link in self.links for row in link.to_rows()]

    def to_geojson(self) -> str:
        """Return stations as points and links as lines, with their verdicts: GeoJSON (RFC 7946)."""
        return str(view("maps.files").links_geojson(self, self.positions_deg))

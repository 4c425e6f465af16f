"""What is found about a link, in codes and numbers: `linkcalc.views.link_words` says it, nothing reads that again."""

from typing import Literal, NamedTuple

VerdictWord = Literal["closes", "at_risk", "does_not_close"]
VERDICTS: tuple[VerdictWord, ...] = ("does_not_close", "at_risk", "closes")
"""From worst to best."""

Way = Literal["forward", "return"]
"""A direction of a link: forward is from its `from` station to its `to` station."""
WAYS: tuple[Way, Way] = ("forward", "return")

Regime = Literal["clear", "grazing", "obstructed"]

TermKind = Literal[
    "transmit_power", "feeder", "extra_loss", "antenna_gain", "off_beam", "polarisation",
    "free_space", "ground", "trees", "surroundings", "installation", "building_entry",
    "thermal_noise", "noise_figure", "external_noise", "noise_rise", "required_snr",
]  # fmt: skip
"""Of one line of a budget."""

Origin = Literal["stated", "assumed", "raster"]
"""Where a figure comes from."""

LimitKind = Literal[
    "blocked", "fresnel_zone", "low_antennas", "trees", "surroundings", "engine_noise", "radio_noise", "power",
    "feeder", "extra_loss", "off_beam", "building_entry", "polarisation", "distance",
]  # fmt: skip


class Limit(NamedTuple):
    """The largest avoidable loss of a direction."""

    kind: LimitKind
    station: str = ""
    obstacle: str = ""
    """What is in the way: terrain, trees, building, tank."""
    at_m: float = 0.0
    depth_m: float = 0.0
    reason: str = ""
    """Of an extra loss, as the plan has it."""


class ModelReason(NamedTuple):
    """Why a model governs."""

    model: str
    rules_less_db: float | None = None
    """Chosen by the plan: by how much the rules would lose less."""
    trees: Literal["none", "over", "through"] = "none"
    depth_m: float = 0.0


class Excess(NamedTuple):
    """How a station's transmitter is over the table's limits."""

    station: str
    planned_dbm: float
    legal_dbm: float | None
    """The largest conducted power with which it is within; None: power is not what is over."""
    reason: str


class Finding(NamedTuple):
    """What is said first about a link, of its weaker direction."""

    verdict: VerdictWord
    from_: str
    to: str
    margin_db: float
    required_db: float
    site_share: float
    success: float
    """Of messages, at the sites that work."""
    over: tuple[Excess, ...] = ()
    unreachable_success: float | None = None
    """The required one, where other users of the channel alone keep it from being reached."""


# ---------------------------------------------------------------- what one change is


class Setting(NamedTuple):
    """A figure at a station."""

    station: str
    value: float
    before: float = 0.0


class SlowerSignal(NamedTuple):
    """A larger spreading factor."""

    spreading_factor: int
    before: int
    time_on_air_s: float
    time_on_air_before_s: float
    limits_known: bool
    """Whether the plan names a region, whose limits were looked up."""


class NarrowerSignal(NamedTuple):
    """A smaller bandwidth."""

    bandwidth_hz: float
    before_khz: float
    time_on_air_s: float


class MorePower(NamedTuple):
    """More transmit power."""

    powers_dbm: tuple[Setting, ...]
    region: str | None
    """Whose limits allow it; None: they are not known."""
    uncertain: tuple[str, ...] = ()
    """What makes that limit uncertain."""


class BetterAntenna(NamedTuple):
    """Antennas of more gain."""

    type: str
    gain_dbi: float
    stations: tuple[str, ...]
    powers_dbm: tuple[Setting, ...] | None
    """Turned down to what is legal; None: the limits are not known."""


class OutsideAntenna(NamedTuple):
    """An antenna out of its building."""

    station: str


class Repair(NamedTuple):
    """An extra loss that ends."""

    station: str
    loss_db: float
    reason: str


class AimedAntenna(NamedTuple):
    """An antenna turned to the other station."""

    station: str
    bearing_deg: float | None
    tilt_deg: float


class WiderBeam(NamedTuple):
    """A half-wave dipole in place of an antenna of narrower beam."""

    station: str
    elevation_deg: float


class TurnedPolarisation(NamedTuple):
    """An antenna of the other end's polarisation."""

    station: str
    polarisation: str
    before: str


class BetterFeeder(NamedTuple):
    """Feeders that lose less."""

    cables: tuple[tuple[str, str, float], ...]
    """Type, station, and what it saves, dB."""


class LessNoise(NamedTuple):
    """The engine's noise kept from receivers."""

    stations: tuple[str, ...]


class RaisedAntennas(NamedTuple):
    """Antennas at other heights above ground, m, with the feeders that grow with them."""

    heights_m: tuple[Setting, ...]
    feeders_m: tuple[Setting, ...]
    clears_fresnel_zone: bool = False
    """Whether that is what the heights are for."""
    slowest_s: float | None = None
    """Time on air, where it takes the largest spreading factor too."""


class RelayOnLine(NamedTuple):
    """A relay on the line between the stations."""

    from_: str
    distance_m: float
    mast_m: float
    margin_db: float
    feeders: tuple[str, ...]
    tries: int = 0
    """Of a message on each hop, where they are more than planned."""


class SiteReading(NamedTuple):
    """A measurement before anything else."""

    before_db: float
    after_db: float


Step = (
    SlowerSignal | NarrowerSignal | MorePower | BetterAntenna | OutsideAntenna | Repair | AimedAntenna | WiderBeam
    | TurnedPolarisation | BetterFeeder | LessNoise | RaisedAntennas | RelayOnLine | SiteReading
)  # fmt: skip

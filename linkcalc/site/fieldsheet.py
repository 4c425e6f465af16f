"""What a field sheet needs to answer on site without this library: every loss and table it may ask for.

The sheet adds terms, as a budget does, and looks probabilities up. It knows no physics: the loss of the path
stands there for pairs of antenna heights so close together that it can be read off between them, antennas and
feeders as terms of their own.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc._version import __version__
from linkcalc.answer import Answer, view
from linkcalc.area.height_pairs import HeightPairs, height_pairs
from linkcalc.area.margins import SPREADING_FACTORS
from linkcalc.errors import DomainError, LinkcalcError
from linkcalc.link.case import ENDS, End, LinkCase, feeder_words, figures
from linkcalc.link.drawing import LOWEST_M, MOST_M
from linkcalc.link.legal import lawful
from linkcalc.link.models import refuse_chosen
from linkcalc.link.modulation import Signal
from linkcalc.link.on_ground import recorded_notes
from linkcalc.link.reliability import mean_success
from linkcalc.link.requirement import Requirement
from linkcalc.link.uncertainty import K_STEPS_DB, noise_items, together_db
from linkcalc.link.verdict import CAUTIONS
from linkcalc.operation.limits import section as limits_section
from linkcalc.plan import Antenna, ChirpModulation, Feeder, FskModulation, Plan, Station
from linkcalc.plan.stations import position_deg
from linkcalc.propagation import compiled, fresnel
from linkcalc.radio import signal_level
from linkcalc.rules.found import Status
from linkcalc.site.fitted import antennas_at_hand, feeders_at_hand
from linkcalc.site.measured_table import MeasuredTable, measured_table

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan

COMPASS_YEAR = 2027.5
"""The magnetic model stands from 2025 to 2030; asked for the middle, the same plan gives the same sheet."""

HIGHEST_M = 20.0
"""Sheets go up to here, or half as high again as planned."""

_MOST_HEIGHTS = 200
"""At each end; so many squared weigh half a megabyte on the sheet."""
_MOST_SLOW_HEIGHTS = 40
"""The same where pairs are worked out one after the other."""
_STEPS_M = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0)

_WORST_LIMITS_FIRST: tuple[Status, ...] = ("over", "unknown", "within")

_RISE_STEP_M = 0.5
_DRAWN_POINTS = 360
_SIGMA_STEP_DB, _CONDITIONS_STEP_DB = 0.5, 0.25
_MARGINS_DB = (-60.0, 90.0, 0.5)
"""Lowest, highest and step of the table of success; beyond, the nearest counts."""
_SNR_DB = (-30.0, 30.0, 0.5)
_BELOW_DB = (-40.0, 0.0, 0.25)


_KINDS: tuple[Literal["site", "conditions"], ...] = ("site", "conditions")

LONGER = 9
"""Lengths of a feeder that a sheet holds the noise of."""


@dataclass(frozen=True, eq=False)
class AntennaOption:
    """An antenna that may be fitted at one end."""

    name: str
    words: str
    antenna: Antenna
    gain_dbi: Floats
    """(r,) towards the other station, by how much higher the other antenna stands than this end's."""


@dataclass(frozen=True)
class FeederOption:
    """A feeder that may be fitted at one end."""

    name: str
    words: str
    feeder: Feeder
    loss_db: float
    noise_dbm: float
    noise_site_db: float
    noise_conditions_db: float
    """Standard deviations of that, from place to place and over the year."""
    per_metre_db: float = 0.0
    """Loss of a metre more of it; 0 where there is none."""
    longer_noise_dbm: tuple[float, ...] = ()
    """Noise behind it, the more of it there is: `LONGER` steps of an equal length, `longer_step_m`."""
    longer_step_m: float = 0.0


@dataclass(frozen=True)
class SignalOption:
    """A modulation that may be set."""

    name: str
    modulation: ChirpModulation | FskModulation
    required_snr_db: float
    time_on_air_s: tuple[float, float]
    """Of a message there and of an answer back."""


@dataclass(frozen=True)
class LimitsLine:
    """What the table of legal limits says about one end with one choice of signal, antenna and feeder."""

    status: Status
    reason: str
    power_dbm: float
    """What the transmitter may send: its own power, or the largest legal one."""
    longer_power_dbm: float
    """The same behind the longest feeder of the sheet: what a feeder takes may be sent more, where what is radiated
    is limited."""
    lawful: bool


@dataclass(frozen=True, eq=False)
class EndSheet:
    """One station of the link."""

    name: str
    transmit_power_dbm: float
    extra_loss_db: float
    planned_height_m: float
    position_deg: tuple[float, float] | None
    antennas: tuple[AntennaOption, ...]
    """The planned one first."""
    feeders: tuple[FeederOption, ...]
    limits: tuple[tuple[tuple[LimitsLine, ...], ...], ...]
    """By signal, antenna and feeder, each for the worst of what this end sends over the link."""


@dataclass(frozen=True, eq=False)
class SheetProfile:
    """The path as drawn; arrays (n,)."""

    distance_m: Floats
    ground_m: Floats
    clutter_m: Floats
    clutter_kind: tuple[str, ...]
    bulge_m: Floats
    fresnel_radius_m: Floats


@dataclass(frozen=True, eq=False, repr=False)
class FieldSheet(Answer):
    """Everything on a field sheet."""

    title: str
    link: str
    question: str
    plan_digest: str
    linkcalc_version: str
    frequency_hz: float
    length_m: float
    region: str | None
    conditions: str
    asked: str
    reachable: bool
    """Whether other users of the channel leave enough of the messages alone."""
    ground_known: bool
    """Without a profile no prediction is better than at risk."""
    tries: int
    stated_margin_db: float | None
    ends: tuple[EndSheet, EndSheet]
    signals: tuple[SignalOption, ...]
    planned_signal: int
    polarisation_loss_db: float
    pairs: HeightPairs
    rise_m: Floats
    """(r,) of `AntennaOption.gain_dbi`: height of the far antenna over the near one's, both above their own
    ground."""
    profile: SheetProfile
    worst: NDArray[np.int64]
    """(n, m) number of the worst point for every pair of heights."""
    worst_m: Floats
    worst_radius_m: Floats
    worst_kind: tuple[str, ...]
    """(p,) what stands there: "ground" or a kind of clutter."""
    k_db: Floats
    site_db: Floats
    """(s,) standard deviation of what is unknown of the site."""
    conditions_db: Floats
    """(c,) standard deviation of what varies over the year."""
    sigma_db: Floats
    """(t,) of both together, for the table of success."""
    margin_db: Floats
    success: Floats
    """(k, t, m) of a message with its tries."""
    least_db: Floats
    """(k, c) margin below which the link does not close."""
    needed_db: Floats
    """(k, c, s) required margin, where none is stated: a larger stated one makes a kink no table holds."""
    snr_db: Floats
    signal_over_rssi_db: Floats
    """(p,) power of the wanted signal over the RSSI reading, by SNR."""
    below_db: Floats
    signal_over_rssi_saturated_db: Floats
    """(q,) the same for an SNR reading that is saturated, by the noise."""
    snr_believed_db: float
    declination_deg: float | None
    measured: MeasuredTable
    cautions: tuple[str, ...]

    def to_html(self) -> str:
        return str(view("fieldsheet").field_sheet_html(self))


def field_sheet(
    loaded: "LoadedPlan",
    case: LinkCase,
    *,
    highest_m: float | None = None,
    step_m: float | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> FieldSheet:
    """Work out all that a field sheet for one link may be asked.

    `progress` is called with how many of how many heights are done. `highest_m` (2 to 200) is the highest
    antenna that can be entered at either end: by default 20, or half as high again as planned. `step_m` (0.1
    or more) lies between the heights that are worked out: by default the finest usual one that gives at most
    200 heights at each end, or 40 where the compiled rules do not serve.
    """
    refuse_chosen(case.conditions, "a field sheet")
    stations = (case.near, case.far)
    most = _MOST_HEIGHTS if compiled.available() else _MOST_SLOW_HEIGHTS
    planned_m = max(s.antenna_height_m for s in stations)
    if highest_m is not None and planned_m > checked("highest_m", highest_m, at_least=2.0):
        raise DomainError(
            f"highest_m = {highest_m:g} is below an antenna that is planned at {planned_m:g} m: "
            f"write {math.ceil(planned_m)} or more"
        )
    grids = [_heights(s.antenna_height_m, highest_m, step_m, most) for s in stations]
    signals = _signals(case)
    with recorded_notes():
        pairs = height_pairs(case, *grids, progress=progress)
        rise = _rises(grids)
        k = _fadings(pairs.k_db)
        at_hand = [[f for _, f in feeders_at_hand(loaded.plan, case, e)] for e in ENDS]
        measured = measured_table(case, at_hand, k)
        near, far = (
            _end(loaded.plan, case, end, signals, rise, float(np.ptp(grid)))
            for end, grid in zip(ENDS, grids, strict=True)
        )
    asked = Requirement.of(case.link)
    return FieldSheet(
        title=loaded.plan.title,
        link=case.link.name,
        question=f"Does the radio link between {case.near.name} and {case.far.name} reach, both ways?",
        plan_digest=loaded.digest,
        linkcalc_version=__version__,
        frequency_hz=case.frequency_hz,
        length_m=case.profile.length_m,
        region=loaded.plan.regulation.region,
        conditions=_conditions_words(case),
        asked=asked.words,
        reachable=asked.reachable,
        ground_known=not case.losses.ground_unknown[0],
        tries=asked.tries,
        stated_margin_db=asked.stated_margin_db,
        ends=(near, far),
        signals=signals,
        planned_signal=next(i for i, s in enumerate(signals) if s.modulation == case.link.modulation),
        polarisation_loss_db=-sum(t.value_db for t in case.polarisation_terms),
        pairs=pairs,
        rise_m=rise,
        profile=_profile(case),
        declination_deg=_declination_deg(case),
        measured=measured,
        cautions=CAUTIONS,
        **_worst_points(case, pairs),
        **_requirement_tables(asked, pairs, k, [*near.feeders, *far.feeders]),
        **_reading_tables(),
    )


def _worst_points(case: LinkCase, pairs: HeightPairs) -> dict[str, Any]:
    """The points of the profile that are the worst of any pair of heights, each told once."""
    p = case.profile
    points, worst = np.unique(pairs.worst, return_inverse=True)
    worst_m = p.distance_m[points]
    radius_m = fresnel.fresnel_radius_m(worst_m, p.length_m - worst_m, case.frequency_hz)
    return {
        "worst": worst.reshape(pairs.worst.shape),
        "worst_m": worst_m,
        "worst_radius_m": np.asarray(radius_m),
        "worst_kind": tuple(p.clutter_kind[i] or "ground" for i in points),
    }


def _requirement_tables(
    asked: Requirement, pairs: HeightPairs, k: Floats, feeders: Sequence[FeederOption]
) -> dict[str, Any]:
    """What arrives, and what is required, by fading and uncertainty."""
    site = _covering(pairs.site_db, [f.noise_site_db for f in feeders], least=0.0)
    year = [f.noise_conditions_db for f in feeders]
    conditions = _covering(pairs.conditions_db, year, step=_CONDITIONS_STEP_DB)
    sigma = _covering(
        np.hypot([pairs.site_db.min(), site.max()], [conditions.min(), conditions.max()]), [0.0]
    )
    margin = _steps(*_MARGINS_DB)
    by_k = k[:, np.newaxis, np.newaxis]
    unstated = replace(asked, stated_margin_db=None)
    return {
        "k_db": k,
        "site_db": site,
        "conditions_db": conditions,
        "sigma_db": sigma,
        "margin_db": margin,
        "success": np.array(
            mean_success(margin, sigma[:, np.newaxis], by_k, tries=asked.tries, busy=asked.busy)
        ),
        "least_db": np.array(asked.least_db(conditions, k[:, np.newaxis])),
        "needed_db": np.array(unstated.margin_db(site, conditions[:, np.newaxis], by_k)),
    }


def _reading_tables() -> dict[str, Any]:
    """What a reading of RSSI and SNR says of the wanted signal's power."""
    snr, below = _steps(*_SNR_DB), _steps(*_BELOW_DB)
    believed = signal_level.SNR_BELIEVED_DB
    return {
        "snr_db": snr,
        "signal_over_rssi_db": np.asarray(signal_level.signal_power_dbm(0.0, snr)),
        "below_db": below,
        "signal_over_rssi_saturated_db": np.asarray(signal_level.signal_power_dbm(0.0, believed, below)),
        "snr_believed_db": believed,
    }


def _steps(first: float, last: float, step: float) -> Floats:
    return np.asarray(np.arange(round((last - first) / step) + 1) * step + first, dtype=np.float64)


def _covering(
    values: ArrayLike, noise: Sequence[float], *, least: float | None = None, step: float = _SIGMA_STEP_DB
) -> Floats:
    """Even steps that hold all standard deviations a sheet meets, with any receiver's noise."""
    low, high = float(np.min(values)), float(np.hypot(np.max(values), max(noise)))
    first = low if least is None else least
    return _steps(math.floor(first / step) * step, (math.ceil(high / step) + 1) * step, step)


def _fadings(k_db: Floats) -> Floats:
    """Those of `K_STEPS_DB` that hold every pair's, two at least."""
    steps = np.array(K_STEPS_DB)
    first = min(int(np.searchsorted(steps, k_db.min(), side="right")) - 1, len(steps) - 2)
    return steps[first : max(int(np.searchsorted(steps, k_db.max())), first + 1) + 1]


def _heights(planned_m: float, highest_m: float | None, step_m: float | None, most: int) -> Floats:
    """Multiples of the step, with the planned height among them."""
    top = max(HIGHEST_M, 1.5 * planned_m) if highest_m is None else highest_m
    top = float(checked("highest_m", top, at_least=2.0, at_most=max(MOST_M, 1.5 * planned_m)))
    low = min(LOWEST_M, planned_m)
    step = next((s for s in _STEPS_M if (top - low) / s <= most), _STEPS_M[-1])
    if step_m is not None:
        step = float(checked("step_m", step_m, at_least=0.1, at_most=top))
        if (top - low) / step > _MOST_HEIGHTS:
            fit = next((s for s in _STEPS_M if (top - low) / s <= _MOST_HEIGHTS), _STEPS_M[-1])
            raise DomainError(
                f"step_m = {step:g} gives more than {_MOST_HEIGHTS} heights up to {top:g} m; write {fit:g} "
                "or more, or a lower highest_m"
            )
    grid = np.round(np.arange(math.ceil(low / step - 1e-9), math.floor(top / step + 1e-9) + 1) * step, 6)
    # the planned height stands in the table itself: as planned, nothing is read off between two others
    if np.abs(grid - planned_m).min() < 1e-6:
        return grid
    return np.sort(np.append(grid, planned_m))


def _rises(grids: Sequence[Floats]) -> Floats:
    near, far = grids
    low, high = far.min() - near.max(), far.max() - near.min()
    return np.arange(math.floor(low / _RISE_STEP_M), math.ceil(high / _RISE_STEP_M) + 2) * _RISE_STEP_M


def _signals(case: LinkCase) -> tuple[SignalOption, ...]:
    m, link = case.link.modulation, case.link
    choices: list[ChirpModulation | FskModulation] = [m]
    if isinstance(m, ChirpModulation):
        factors = sorted({*SPREADING_FACTORS, m.spreading_factor})
        choices = [m.model_copy(update={"spreading_factor": f}) for f in factors]
    found = []
    for choice in choices:
        signal = Signal.of(choice)
        name = f"SF{choice.spreading_factor}" if isinstance(choice, ChirpModulation) else signal.text
        times = (signal.time_on_air_s(link.payload_bytes), signal.time_on_air_s(link.reply_payload_bytes))
        found.append(SignalOption(name, choice, signal.required_snr_db, times))
    return tuple(found)


def _end(
    plan: Plan,
    case: LinkCase,
    end: End,
    signals: Sequence[SignalOption],
    rise_m: Floats,
    most_longer_m: float,
) -> EndSheet:
    station = case.station(end)
    antennas = [
        AntennaOption(name, _antenna_words(a), a, _gains(case, end, a, rise_m))
        for name, a in antennas_at_hand(plan, case, end)
    ]
    feeders = [_feeder(case, end, name, f, most_longer_m) for name, f in feeders_at_hand(plan, case, end)]
    return EndSheet(
        name=station.name,
        transmit_power_dbm=station.transmit_power_dbm,
        extra_loss_db=_extra_db(station),
        planned_height_m=station.antenna_height_m,
        position_deg=position_deg(station) if station.positioned else None,
        antennas=tuple(antennas),
        feeders=tuple(feeders),
        limits=tuple(
            tuple(tuple(_limits_line(plan, case, end, s, a.antenna, f) for f in feeders) for a in antennas)
            for s in signals
        ),
    )


def _feeder(case: LinkCase, end: End, name: str, feeder: Feeder, most_longer_m: float) -> FeederOption:
    """A feeder as it is, and longer, as it grows with an antenna that is raised."""
    longer_m = np.linspace(0.0, most_longer_m if feeder.length_m > 0.0 else 0.0, LONGER)
    lengths = [feeder.model_copy(update={"length_m": feeder.length_m + float(m)}) for m in longer_m]
    fitted = [_with(case, end, feeder=f) for f in lengths]
    losses = [-sum(t.value_db for t in c.feeder_terms(end, "receiver")) for c in fitted]
    noises = [sum(-t.value_db for t in c.threshold_terms(end)) - c.signal.required_snr_db for c in fitted]
    receiver = fitted[0].station(end)
    items = noise_items(fitted[0].noise(receiver))
    site_db, conditions_db = (float(together_db(items, kind)[0]) for kind in _KINDS)
    return FeederOption(
        name=name,
        words=feeder_words(receiver) or "none: radio at the antenna",
        feeder=feeder,
        loss_db=losses[0] - _extra_db(receiver),
        noise_dbm=noises[0],
        noise_site_db=site_db,
        noise_conditions_db=conditions_db,
        per_metre_db=(losses[-1] - losses[0]) / longer_m[-1] if longer_m[-1] else 0.0,
        longer_noise_dbm=tuple(noises),
        longer_step_m=float(longer_m[1]),
    )


def _with(case: LinkCase, end: End, **parts: Any) -> LinkCase:
    """The link with other parts at one end."""
    return case.with_stations({end: case.station(end).model_copy(update=parts)})


def _extra_db(station: Station) -> float:
    return float(sum(x.loss_db for x in station.extra_loss))


def _antenna_words(antenna: Antenna) -> str:
    a = figures(antenna)
    return f"{a.words}, {a.gain_dbi:.1f} dBi"


def _gains(case: LinkCase, end: End, antenna: Antenna, rise_m: Floats) -> Floats:
    fitted = _with(case, end, antenna=antenna)
    gains = []
    for rise in rise_m:
        # a gain depends on the difference of heights alone: with the lower antenna at 1 m none is underground
        near = max(-float(rise), 0.0) + 1.0
        raised = fitted.with_heights(near_m=near, far_m=near + float(rise))
        gains.append(sum(t.value_db for t in raised.antenna_terms(end, "receiver")))
    return np.array(gains)


def _limits_line(
    plan: Plan, case: LinkCase, end: End, signal: SignalOption, antenna: Antenna, option: FeederOption
) -> LimitsLine:
    station = case.station(end).model_copy(update={"antenna": antenna, "feeder": option.feeder})
    link = case.link.model_copy(update={"modulation": signal.modulation})
    # the whole plan, not this link alone: what a station sends over its others shares its duty cycle
    changed = plan.model_copy(
        update={
            "station": [station if s.name == station.name else s for s in plan.station],
            "link": [link if k.name == link.name else k for k in plan.link],
        }
    )
    own_dbm = station.transmit_power_dbm
    try:
        found = limits_section(changed)
        power, unlawful = _legal_power(case, end, signal, station)
    except LinkcalcError as error:  # a message that lasts longer than its interval
        return LimitsLine("over", str(error), own_dbm, own_dbm, lawful=False)
    longer_power = power
    if power < own_dbm and option.per_metre_db:
        length_m = option.feeder.length_m + (LONGER - 1) * option.longer_step_m
        longest = option.feeder.model_copy(update={"length_m": length_m})
        longer_power, _ = _legal_power(case, end, signal, station.model_copy(update={"feeder": longest}))
    own = [e.limits for e in found.ends if e.station == station.name and e.link == link.name]
    worst = min(own, key=lambda e: _WORST_LIMITS_FIRST.index(e.status))
    return LimitsLine(worst.status, worst.reason, power, longer_power, lawful=not unlawful)


def _legal_power(case: LinkCase, end: End, signal: SignalOption, station: Station) -> tuple[float, bool]:
    """What a station may send, and whether something else than power is over the limits."""
    _, over = lawful(case.with_modulation(signal.modulation).with_stations({end: station}))
    legal = [x.legal_dbm for x in over if x.station == station.name]
    return min([station.transmit_power_dbm, *(p for p in legal if p is not None)]), None in legal


def _profile(case: LinkCase) -> SheetProfile:
    """Thinned to what a small screen shows, the highest of each stretch kept."""
    p, s = case.profile, case.situation
    n = len(p.distance_m)
    top = p.ground_m + p.clutter_m
    groups = np.array_split(np.arange(1, n - 1), min(_DRAWN_POINTS, n - 2))
    keep = np.array([0, *(int(g[np.argmax(top[g])]) for g in groups), n - 1])
    x = p.distance_m[keep]
    rest = p.length_m - x
    return SheetProfile(
        distance_m=x,
        ground_m=p.ground_m[keep],
        clutter_m=p.clutter_m[keep],
        clutter_kind=tuple(p.clutter_kind[i] for i in keep),
        bulge_m=np.asarray(fresnel.earth_bulge_m(x, rest, s.k_factor)),
        fresnel_radius_m=np.asarray(fresnel.fresnel_radius_m(x, rest, s.frequency_hz)),
    )


def _declination_deg(case: LinkCase) -> float | None:
    """Magnetic declination in the middle of a link, degrees east of true north, to a tenth.

    None without positions or without the extra ``linkcalc[compass]``. World Magnetic Model 2025 (NOAA NCEI
    and the British Geological Survey), by the package pygeomag.
    """
    latitude, longitude = case.profile.latitude_deg, case.profile.longitude_deg
    if latitude is None or longitude is None or not case.positioned:
        return None
    try:
        from pygeomag import GeoMag
    except ImportError:
        return None
    middle = len(latitude) // 2
    model = GeoMag(coefficients_file="wmm/WMM_2025.COF")
    found = model.calculate(
        glat=float(latitude[middle]), glon=float(longitude[middle]), alt=0.0, time=COMPASS_YEAR
    )
    return round(float(found.d), 1)


def _conditions_words(case: LinkCase) -> str:
    c = case.conditions
    words = f"{c.climate.replace('_', ' ')} climate"
    if "trees" not in case.profile.clutter_kind and not c.woodland_depth_m:
        return words
    leaf = ("in wet leaf" if c.wet_foliage else "in leaf") if c.leaf == "in_leaf" else "bare"
    return f"{words}, trees {leaf}"

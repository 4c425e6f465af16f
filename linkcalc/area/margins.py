"""From losses to what a planner asks of each position: level, margin, success, spreading factor."""

import math
import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.area.losses import End, Losses
from linkcalc.errors import DomainError, OutOfRangeWarning, TerrainError
from linkcalc.link_case import LinkCase, feeder_loss_db
from linkcalc.plan import ChirpModulation, Link, Station
from linkcalc.propagation import building_entry, clutter, noise, p1812, vegetation
from linkcalc.radio import antenna, css
from linkcalc.reliability import margin_for_success, message_success
from linkcalc.requirement import Requirement
from linkcalc.terrain import geodesy
from linkcalc.terrain.profile import INLAND, Profile
from linkcalc.units import EARTH_RADIUS_M
from linkcalc.verdict import position_deg

if TYPE_CHECKING:
    from linkcalc.plan import LoadedPlan

SPREADING_FACTORS = (7, 8, 9, 10, 11, 12)
"""Tried for the lowest that suffices; a plan's lower one is tried too."""

VERDICTS = ("does_not_close", "at_risk", "closes")
"""By the numbers in `Answers.verdict`."""

_LEAST_SIGMA_DB = 0.05
"""As in `linkcalc.uncertainty`: a smaller contributor is left out."""
FADING: tuple[tuple[Literal["rician", "rayleigh"], float], ...] = (
    ("rayleigh", -math.inf),
    ("rician", 5.0),
    ("rician", 10.0),
)
"""Fast fading of a blocked or wooded, a grazing and a clear path, as `linkcalc.uncertainty.fading`."""


@dataclass(frozen=True, eq=False)
class Answers:
    """Arrays (n,), NaN where there is no profile. "there" is from the link's `from` to its `to` station."""

    level_there_dbm: Floats
    level_back_dbm: Floats
    margin_there_db: Floats
    margin_back_db: Floats
    required_margin_db: Floats
    """Asked of the weaker direction."""
    spare_db: Floats
    """How much more than asked, or than nothing, the weaker direction has."""
    success_there: Floats
    success_back: Floats
    spreading_factor: Floats
    """The lowest that suffices, 0 where none does; NaN throughout for other signals."""
    verdict: NDArray[np.int8]
    """Index into `VERDICTS`, -1 without profile."""

    @property
    def margin_db(self) -> Floats:
        """Of the weaker direction."""
        return np.minimum(self.margin_there_db, self.margin_back_db)

    @property
    def success(self) -> Floats:
        """Of the weaker direction."""
        return np.minimum(self.success_there, self.success_back)


def template_case(loaded: "LoadedPlan", link: Link, station: str) -> tuple[LinkCase, End]:
    """A link of a plan without its ground, and which end stays where it is.

    Parameters
    ----------
    loaded : LoadedPlan
    link : Link
        One of the plan's.
    station : str
        Name of the end that stays; the plan must position it.

    Returns
    -------
    tuple of LinkCase and {"near", "far"}
        The other end counts as positioned, wherever the plan has it.

    Raises
    ------
    DomainError
        If the station is no end of the link.
    TerrainError
        If the plan does not say where the station is.
    """
    plan = loaded.plan
    if station not in (link.from_, link.to):
        raise DomainError(f'station "{station}" is no end of link "{link.name}"')
    fixed: End = "near" if station == link.from_ else "far"
    stays = plan.station_named(station)
    if not stays.positioned:
        raise TerrainError(
            f'station "{station}" has no position: give latitude_deg and longitude_deg, '
            "or easting_m, northing_m and epsg"
        )
    latitude, longitude = position_deg(stays)
    moved = plan.station_named(link.to if fixed == "near" else link.from_)
    placed = {"latitude_deg": latitude, "longitude_deg": longitude}
    moved = moved.model_copy(update={**placed, "easting_m": None, "northing_m": None, "epsg": None})
    near, far = (stays, moved) if fixed == "near" else (moved, stays)
    x = np.array([0.0, 500.0, 1000.0])
    nowhere = Profile(
        x, 0.0 * x, 0.0 * x, ("", "", ""), np.full(3, INLAND, dtype=np.int8),
        np.full(3, latitude), np.full(3, longitude), "", 0.0, (),
    )  # fmt: skip
    alone = link.model_copy(update={"obstacle": [], "profile_csv": None})
    return LinkCase(alone, near, far, plan.conditions, nowhere, 0.0, 180.0), fixed


def answers(
    template: LinkCase, fixed: End, station_deg: tuple[float, float], east_m: Floats, north_m: Floats,
    found: Losses,
) -> Answers:  # fmt: skip
    """Levels, margins and success over losses.

    Parameters
    ----------
    template : LinkCase
        From `template_case`, with the equipment of both ends.
    fixed : {"near", "far"}
    station_deg : tuple of float, degrees
        Latitude and longitude of the fixed station.
    east_m, north_m : ndarray, m, (n,)
        Positions, as they went into `losses`.
    found : Losses
        Computed with `spread=True`.

    Returns
    -------
    Answers

    References
    ----------
    As `linkcalc.link_case` and `linkcalc.verdict`, with which it agrees to 0.01 dB. Success is read from a
    table, to 1e-4.
    """
    common = _common_db(template, fixed, station_deg, east_m, north_m, found)
    kind = fading_kind(found)
    requirement = Requirement.of(template.link)
    levels, margins, needs, successes = [], [], [], []
    for back in (False, True):
        tx, rx = (template.far, template.near) if back else (template.near, template.far)
        level = tx.transmit_power_dbm + common
        margin = level - template.budget(back=back).sensitivity_dbm
        sigma = spread_db(template, rx, found)
        levels.append(level)
        margins.append(margin)
        needs.append(_needed_db(requirement, sigma, kind))
        successes.append(_success(margin, sigma, kind, template.link.tries))
    weaker_back = margins[1] - needs[1] < margins[0] - needs[0]
    margin, needed = (np.where(weaker_back, pair[1], pair[0]) for pair in (margins, needs))
    return Answers(
        level_there_dbm=levels[0],
        level_back_dbm=levels[1],
        margin_there_db=margins[0],
        margin_back_db=margins[1],
        required_margin_db=needed,
        spare_db=margin - np.maximum(needed, 0.0),
        success_there=successes[0],
        success_back=successes[1],
        spreading_factor=_lowest_factor(template, margin, needed),
        verdict=_verdict(margin, needed),
    )


def _verdict(margin: Floats, needed: Floats) -> NDArray[np.int8]:
    closes = (margin >= needed) & (margin >= 0.0)
    return np.where(np.isnan(margin), -1, np.where(closes, 2, np.where(margin >= 0.0, 1, 0))).astype(np.int8)


def _lowest_factor(template: LinkCase, margin: Floats, needed: Floats) -> Floats:
    m = template.link.modulation
    if not isinstance(m, ChirpModulation):
        return np.full(margin.shape, np.nan)
    lowest = np.where(np.isnan(margin), np.nan, 0.0)
    for factor in sorted({*SPREADING_FACTORS, m.spreading_factor}, reverse=True):
        gained = css.required_snr_db(m.spreading_factor) - css.required_snr_db(factor)
        lowest = np.where(_verdict(margin + gained, needed) == 2, factor, lowest)
    return lowest


def _common_db(
    template: LinkCase, fixed: End, station_deg: tuple[float, float], east: Floats, north: Floats,
    found: Losses,
) -> Floats:  # fmt: skip
    """All gains and losses between the two connectors, the same in both directions."""
    near, far = template.near, template.far
    out = np.degrees(np.arctan2(east, north))
    moved = far if fixed == "near" else near
    home = out + 180.0
    if moved.antenna.azimuth_deg is not None:
        lon, lat = geodesy.transformer(_plane(station_deg), "EPSG:4326").transform(east, north)
        there = np.broadcast_to(station_deg[0], east.shape), np.broadcast_to(station_deg[1], east.shape)
        home = np.asarray(geodesy.ellipsoid().inv(lon, lat, there[1], there[0])[0])
    near_bearing, far_bearing = (out, home) if fixed == "near" else (home, out)
    near_top = found.near_ground_m + found.near_height_m
    far_top = found.far_ground_m + found.far_height_m
    length = np.maximum(found.length_m, 1e-3)
    sag = length / (2.0 * template.situation.k_factor * EARTH_RADIUS_M)
    near_up = np.degrees(np.arctan((far_top - near_top) / length - sag))
    far_up = np.degrees(np.arctan((near_top - far_top) / length - sag))
    total = -found.loss_db - antenna.polarisation_loss_db(near.antenna.polarisation, far.antenna.polarisation)
    total = total - clutter_db(template, found)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        for station, bearing, up in ((near, near_bearing, near_up), (far, far_bearing, far_up)):
            total = total + _gain_dbi(station, bearing, up) - feeder_loss_db(station, template.frequency_hz)
            total = total - sum(x.loss_db for x in station.extra_loss)
            if station.building != "none":
                total = total - building_entry.building_entry_loss_db(
                    template.frequency_hz,
                    building=station.building,
                    elevation_deg=np.nan_to_num(np.abs(up)),
                    extrapolate=True,
                )
    return np.asarray(total)


def clutter_db(template: LinkCase, found: Losses) -> Floats:
    """What the stated clutter adds to the path's loss, as `LinkCase.clutter_loss_db`."""
    kind = template.conditions.clutter
    if kind == "none":
        return np.zeros(found.loss_db.shape)
    lower_m = np.minimum(found.near_height_m, found.far_height_m)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        loss = clutter.height_gain_loss_db(template.frequency_hz, lower_m, kind, extrapolate=True)
    added = np.maximum(loss + found.at_tops_db - found.loss_db, 0.0)
    return np.where(lower_m >= clutter.CLUTTER_HEIGHT_M[kind], 0.0, added)


def _plane(station_deg: tuple[float, float]) -> str:
    from linkcalc.area.land import plane_crs

    return plane_crs(*station_deg)


def _gain_dbi(station: Station, bearing: Floats, up: Floats) -> Floats:
    a = station.antenna
    shape = antenna.generic_antenna(
        a.type,
        gain_dbi=a.gain_dbi,
        gain_dbd=a.gain_dbd,
        horizontal_beamwidth_deg=a.horizontal_beamwidth_deg,
        vertical_beamwidth_deg=a.vertical_beamwidth_deg,
    )
    gain = antenna.gain_towards_dbi(
        shape, bearing, np.nan_to_num(up), azimuth_deg=a.azimuth_deg, tilt_deg=a.tilt_deg
    )
    return np.asarray(gain)


def spread_db(template: LinkCase, receiver: Station, found: Losses) -> Floats:
    """Standard deviation of the margin at each position, all that is unknown or varies together.

    As `linkcalc.uncertainty.contributors`, for losses computed with `spread=True`.
    """
    return np.asarray(np.hypot(path_spread_db(template, found), noise_spread_db(template, receiver)))


def noise_spread_db(template: LinkCase, receiver: Station) -> float:
    """The part of `spread_db` that is a receiver's noise."""
    noises = template.noise(receiver)
    return math.hypot(*_counted(noises.location_sigma_db, noise.noise_sigma_db(noises)))


def path_spread_db(template: LinkCase, found: Losses) -> Floats:
    """The part of `spread_db` that both directions share."""
    c = template.conditions
    spacing_m = np.clip(np.nan_to_num(found.spacing_m, nan=30.0), 10.0, 1000.0)
    lower_m = np.minimum(found.near_height_m, found.far_height_m)
    parts: list[Any] = [
        c.model_error_db,
        p1812.location_standard_deviation_db(template.frequency_hz, spacing_m, rx_height_m=lower_m),
        math.sqrt(2.0) * c.antenna_gain_error_db,
        found.height_sigma_db,
        found.refraction_sigma_db,
        c.surroundings_error_db,
    ]
    woods_db = np.nan_to_num(found.vegetation_loss_db)
    if (woods_db > 0.0).any():
        parts += [
            np.where(woods_db > 0.0, vegetation.woodland_sigma_db(woods_db), 0.0),
            found.foliage_sigma_db,
        ]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        if c.clutter != "none":
            sigma = clutter.statistical_sigma_db(
                template.frequency_hz, np.maximum(found.length_m, 250.0), extrapolate=True
            )
            parts.append(np.where(clutter_db(template, found) != 0.0, sigma, 0.0))
        parts += [
            building_entry.building_entry_sigma_db(
                template.frequency_hz, building=station.building, extrapolate=True
            )
            for station in (template.near, template.far)
            if station.building != "none"
        ]
    total = np.zeros(found.loss_db.shape)
    for part in _counted(*parts):
        total = total + np.square(part)
    return np.sqrt(total)


def _counted(*parts: Any) -> list[Any]:
    """Standard deviations, those too small to be listed as 0."""
    return [np.where(np.asarray(part) < _LEAST_SIGMA_DB, 0.0, part) for part in parts]


def fading_kind(found: Losses) -> NDArray[np.int8]:
    """Index into `FADING`."""
    rayleigh = (found.regime <= 0) | (np.nan_to_num(found.vegetation_loss_db) > 0.0)
    return np.where(rayleigh, 0, found.regime).astype(np.int8)


# ---------------------------------------------------------------- tables of success

_STEP_DB = 0.5
_LOWEST_DB, _HIGHEST_DB = -120.0, 160.0
_SMOOTH_DB = 4.0
"""From this spread on success is smooth enough for a table with such steps."""


def _success(margin: Floats, sigma: Floats, kind: NDArray[np.int8], tries: int) -> Floats:
    reached = np.full(margin.shape, np.nan)
    known = np.isfinite(margin) & np.isfinite(sigma)
    for number, (fading, k_db) in enumerate(FADING):
        exact = known & (kind == number) & (sigma < _SMOOTH_DB + 2.0 * _STEP_DB)
        if exact.any():
            reached[exact] = message_success(
                margin[exact], sigma[exact], fading=fading, rician_k_db=k_db, tries=tries
            )
        smooth = known & (kind == number) & ~exact
        if smooth.any():
            reached[smooth] = _interpolated(margin[smooth], sigma[smooth], number, tries)
    return np.asarray(np.clip(reached, 0.0, 1.0))


def _interpolated(margin: Floats, sigma: Floats, kind: int, tries: int) -> Floats:
    """Cubic between the nodes of a table whose rows are made when first asked for."""
    column, across = _node(np.clip(margin, _LOWEST_DB + 1.0, _HIGHEST_DB - 1.0) - _LOWEST_DB)
    row, down = _node(sigma)
    first = int(row.min()) - 1
    table = np.array([_success_row(kind, tries, n) for n in range(first, int(row.max()) + 3)])
    total = np.zeros(margin.shape)
    for i, weight in enumerate(down):
        total += weight * sum(
            share * table[row - first - 1 + i, column - 1 + j] for j, share in enumerate(across)
        )
    return total


def _node(value: Floats) -> tuple[NDArray[np.int64], tuple[Floats, ...]]:
    """The node below, and the weights of the four around (Lagrange)."""
    node = np.floor(value / _STEP_DB).astype(np.int64)
    t = value / _STEP_DB - node
    return node, (
        -t * (t - 1.0) * (t - 2.0) / 6.0,
        (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
        -(t + 1.0) * t * (t - 2.0) / 2.0,
        (t + 1.0) * t * (t - 1.0) / 6.0,
    )


@lru_cache(maxsize=1024)
def _success_row(kind: int, tries: int, node: int) -> Floats:
    fading, k_db = FADING[kind]
    margin = np.arange(_LOWEST_DB, _HIGHEST_DB + _STEP_DB / 2.0, _STEP_DB)
    return np.asarray(message_success(margin, node * _STEP_DB, fading=fading, rician_k_db=k_db, tries=tries))


def _needed_db(requirement: Requirement, sigma: Floats, kind: NDArray[np.int8]) -> Floats:
    needed = np.full(
        sigma.shape, -math.inf if requirement.stated_margin_db is None else requirement.stated_margin_db
    )
    if requirement.success is not None:
        for number in range(len(FADING)):
            use = np.isfinite(sigma) & (kind == number)
            if use.any():
                # symmetric about 0, where a spread has no sign
                row, down = _node(sigma[use])
                first, last = int(row.min()) - 1, int(row.max()) + 2
                table = np.array([_margin_node(requirement, number, abs(n)) for n in range(first, last + 1)])
                for_success = sum(w * table[row - first - 1 + i] for i, w in enumerate(down))
                needed[use] = np.maximum(needed[use], for_success)
    return np.where(np.isfinite(sigma), needed, np.nan)


@lru_cache(maxsize=1024)
def _margin_node(requirement: Requirement, kind: int, node: int) -> float:
    fading, k_db = FADING[kind]
    assert requirement.success is not None
    return float(
        margin_for_success(
            requirement.success, node * _STEP_DB, fading=fading, rician_k_db=k_db, tries=requirement.tries
        )
    )

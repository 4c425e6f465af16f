"""Antennas: gain, beamwidths and pattern by type, by stated figures or by measured tables; polarisation mismatch.

Numbers in give a number, arrays an array of the broadcast shape, in the unit that the function's name ends with.
Every function raises `DomainError` where an argument is not finite, outside its stated limits or unknown.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.radio.antenna_types import ANTENNA_TYPES, AntennaType, Shape
from linkcalc.units import DBI_OVER_DBD_DB

Polarisation = Literal["vertical", "horizontal", "circular"]
Table = Sequence[Sequence[float]]
"""Rows of an angle in degrees and a gain in dBi."""

CROSS_POLARISATION_LOSS_DB = 20.0
"""Allowance for crossed linear polarisations (common practice, no source; theory: infinite)."""

WIDEST_GAP_DEG = 45.0
"""Between two rows of a measured table: more says nothing of what lies between."""


@dataclass(frozen=True, eq=False)
class Cut:
    """A measured pattern in one plane."""

    angle_deg: Floats
    """Increasing; from the main direction, azimuth clockwise, elevation upward."""
    loss_db: Floats
    """Below the cut's own peak."""
    around: bool
    """All the way round: azimuth."""

    def at(self, angle_deg: ArrayLike) -> Floats:
        """Loss at angles, straight between the rows in decibels; beyond the ends of an elevation table its ends."""
        angle = np.asarray(angle_deg, dtype=np.float64)
        period = 360.0 if self.around else None
        return np.asarray(np.interp(angle, self.angle_deg, self.loss_db, period=period))

    @property
    def beamwidth_deg(self) -> float:
        """Width of all within 3 dB of the cut's own peak."""
        low, high = (-180.0, 180.0) if self.around else (-90.0, 90.0)
        step = np.linspace(low, high, 3601)
        within = self.at(step) <= self.loss_db.min() + 3.0
        return float((high - low) * np.mean(within))


@dataclass(frozen=True, eq=False)
class Antenna:
    """An antenna's figures; gain and beamwidths are arrays where many antennas are asked at once."""

    type: AntennaType
    """What it is called where it is not measured."""
    gain_dbi: float
    """Peak gain."""
    horizontal_beamwidth_deg: float
    vertical_beamwidth_deg: float
    """Between half-power points in azimuth (360: omnidirectional) and elevation."""
    shape: Shape
    """Of the elevation pattern."""
    floor_db: float
    """Nothing is weaker than this below the peak."""
    source: str
    """Where the figures come from, for the reader of a report."""
    azimuth: Cut | None = None
    elevation: Cut | None = None
    """The pattern as measured, in place of beamwidth and shape."""

    @property
    def words(self) -> str:
        """What it is, in a few words."""
        planes = [
            p for p, cut in (("azimuth", self.azimuth), ("elevation", self.elevation)) if cut is not None
        ]
        kind = self.type.replace("_", " ")
        return (
            kind
            if not planes
            else f"measured in {' and '.join(planes)}" + ("" if planes[1:] else f", {kind}")
        )


def generic_antenna(
    antenna_type: AntennaType,
    *,
    gain_dbi: float | None = None,
    gain_dbd: float | None = None,
    horizontal_beamwidth_deg: float | None = None,
    vertical_beamwidth_deg: float | None = None,
    azimuth_table: Table | None = None,
    elevation_table: Table | None = None,
) -> Antenna:
    """An antenna of a generic type; stated figures replace the type's, and the beam rule fills in the rest.

    What was measured replaces both in its plane, and gives the peak gain unless one is stated.

    Parameters
    ----------
    antenna_type : {"quarter_wave_whip", "half_wave_dipole", "collinear", "yagi"}
    gain_dbi : float, dBi, optional
        Stated gain over an isotropic radiator.
    gain_dbd : float, dBd, optional
        Stated gain over a half-wave dipole, instead.
    horizontal_beamwidth_deg, vertical_beamwidth_deg : float, degrees, optional
        Stated beamwidths, above 0, up to 360 and 180.
    azimuth_table : sequence of (degrees, dBi), optional
        Measured gain all the way round, 0 to 360 or -180 to 180 clockwise from where the antenna is turned to.
    elevation_table : sequence of (degrees, dBi), optional
        Measured gain in front, -90 to 90, positive upward.

    Returns
    -------
    Antenna

    Raises
    ------
    DomainError
        If the type is unknown, both gains are given, a figure is outside its range, or a table cannot be used.

    Notes
    -----
    Yagi: gain (ratio) times both beamwidths = 32400 less 1.5 dB. Collinear: the beamwidth in degrees is
    107.6 / gain (ratio). Either rule gives what is left out from what is stated; where two figures are
    left out, a yagi's beam is round. Whip and dipole keep the dipole's pattern unless a beamwidth is stated.

    References
    ----------
    Yagi: textbook beam rule, from memory. Collinear: Rec. ITU-R F.1336, recommends 2, from memory.

    Examples
    --------
    >>> round(generic_antenna("yagi", gain_dbi=12.5).vertical_beamwidth_deg)
    36
    >>> round(generic_antenna("half_wave_dipole").gain_dbi, 2)
    2.15
    """
    if antenna_type not in ANTENNA_TYPES:
        raise DomainError(f"antenna type must be one of {', '.join(ANTENNA_TYPES)}, got {antenna_type!r}")
    usual = ANTENNA_TYPES[antenna_type]
    if gain_dbi is not None and gain_dbd is not None:
        raise DomainError("give gain_dbi or gain_dbd, not both")
    if gain_dbd is not None:
        gain_dbi = gain_dbd + DBI_OVER_DBD_DB
    across, up = horizontal_beamwidth_deg, vertical_beamwidth_deg
    azimuth, elevation, measured_dbi = _cuts(_frozen(azimuth_table), _frozen(elevation_table))
    if gain_dbi is None:
        gain_dbi = measured_dbi
    if gain_dbi is None and across is None and up is None:
        return Antenna(
            antenna_type, usual.gain_dbi, usual.horizontal_beamwidth_deg, usual.vertical_beamwidth_deg,
            usual.shape, usual.floor_db, usual.source,
        )  # fmt: skip
    if gain_dbi is not None:
        gain_dbi = scalar_if_0d(checked("gain_dbi", gain_dbi, at_least=-100.0, at_most=100.0))
    if across is not None:
        across = float(checked("horizontal_beamwidth_deg", across, above=0.0, at_most=360.0))
    if up is not None:
        up = float(checked("vertical_beamwidth_deg", up, above=0.0, at_most=180.0))

    # what is stated stands; the rule of the type fills in the rest, from whatever of gain and beam there is
    if usual.beam_rule_deg2 is not None:
        rule = usual.beam_rule_deg2
        if gain_dbi is None:
            wide, high = across or up or 0.0, up or across or 0.0
            gain_dbi = 10.0 * np.log10(rule / (wide * high))
        area = rule * 10.0 ** (-gain_dbi / 10.0)
        up_or_round = up if up is not None else (area / across if across is not None else area**0.5)
        across = across if across is not None else np.minimum(area / up_or_round, 360.0)
        up = np.minimum(up_or_round, 180.0)
    else:
        if usual.beam_rule_deg is not None:
            if gain_dbi is None:
                gain_dbi = usual.gain_dbi if up is None else 10.0 * np.log10(usual.beam_rule_deg / up)
            elif up is None:
                up = np.minimum(usual.beam_rule_deg * 10.0 ** (-gain_dbi / 10.0), 180.0)
        gain_dbi = usual.gain_dbi if gain_dbi is None else gain_dbi
        across = usual.horizontal_beamwidth_deg if across is None else across
    cuts = [c for c in (azimuth, elevation) if c is not None]
    return Antenna(
        antenna_type,
        gain_dbi=scalar_if_0d(gain_dbi),
        horizontal_beamwidth_deg=scalar_if_0d(across) if azimuth is None else azimuth.beamwidth_deg,
        vertical_beamwidth_deg=(
            elevation.beamwidth_deg if elevation is not None
            else usual.vertical_beamwidth_deg if up is None
            else scalar_if_0d(up)
        ),
        # a dipole's pattern has one width: a stated one needs a shape that can follow it
        shape="side_lobes" if usual.shape == "dipole" and vertical_beamwidth_deg is not None else usual.shape,
        floor_db=max([usual.floor_db, *(float(c.loss_db.max()) for c in cuts)]),
        source="measured" if cuts else "stated figures, the rest by the beam rule of the type",
        azimuth=azimuth,
        elevation=elevation,
    )  # fmt: skip


def _frozen(table: Table | None) -> Table | None:
    # lists, as a plan has them, cannot be keys of the cache below
    return None if table is None else tuple(tuple(row) for row in table)


@lru_cache(maxsize=64)
def _cuts(
    azimuth_table: Table | None, elevation_table: Table | None
) -> tuple[Cut | None, Cut | None, float | None]:
    """Both planes, each below its own peak, and the larger of these."""
    azimuth, elevation = (
        (None, None) if table is None else cut(table, around=around)
        for table, around in ((azimuth_table, True), (elevation_table, False))
    )
    peak = max((peak for _, peak in (azimuth, elevation) if peak is not None), default=None)
    return azimuth[0], elevation[0], peak


def cut(table: Table, *, around: bool) -> tuple[Cut, float]:
    """A measured pattern of one plane, and its peak: the table's largest gain.

    Parameters
    ----------
    table : sequence of (degrees, dBi)
    around : bool
        All the way round (azimuth) or -90 to 90 (elevation).

    Raises
    ------
    DomainError
        If an angle is given twice or is outside its range, a gain is not within -100 to 40 dBi, or rows lie more
        than 45 degrees apart.

    Examples
    --------
    >>> found, peak = cut([(a, 9 - abs(a) / 15) for a in range(-180, 180, 45)], around=True)
    >>> peak, found.at([-22.5, 360]).tolist()
    (9.0, [1.5, 0.0])
    """
    name = "azimuth" if around else "elevation"
    low, high = (-180.0, 360.0) if around else (-90.0, 90.0)
    rows = np.asarray(table, dtype=np.float64)
    if rows.ndim != 2 or rows.shape[1:] != (2,):
        raise DomainError(f"{name} table: rows of an angle and a gain are needed")
    angle = checked(f"{name}_deg", rows[:, 0], at_least=low, at_most=high)
    gain = checked("gain_dbi", rows[:, 1], at_least=-100.0, at_most=40.0)
    if around:
        angle = angle % 360.0
        # 0 and 360 are the same direction, and may both be listed if they agree
        ends = np.flatnonzero(angle == 0.0)
        if ends.size == 2 and abs(gain[ends[0]] - gain[ends[1]]) <= _SAME_DB and np.ptp(rows[ends, 0]) > 0.0:
            angle, gain = np.delete(angle, ends[1]), np.delete(gain, ends[1])
    order = np.argsort(angle, kind="stable")
    angle, gain = angle[order], gain[order]
    step = np.diff(np.append(angle, angle[0] + 360.0) if around else angle)
    if not step.size or (step <= 0.0).any():
        twice = angle[int(np.argmax(step <= 0.0))] if step.size else 0.0
        raise DomainError(
            f"{name}_deg {twice:g} is listed twice" if step.size else f"{name} table: too few rows"
        )
    if step.max() > WIDEST_GAP_DEG:
        at = int(np.argmax(step))
        raise DomainError(
            f"{name} table: nothing between {angle[at]:g} and {angle[at] + step[at]:g} degrees; rows at most "
            f"{WIDEST_GAP_DEG:g} apart are needed"
        )
    if not around and (angle[0] > -_LEAST_SPAN_DEG or angle[-1] < _LEAST_SPAN_DEG):
        raise DomainError(
            f"elevation table: {angle[0]:g} to {angle[-1]:g} degrees; at least -{_LEAST_SPAN_DEG:g} to "
            f"{_LEAST_SPAN_DEG:g} are needed"
        )
    peak = float(gain.max())
    return Cut(angle, peak - gain, around), peak


_SAME_DB = 0.1
_LEAST_SPAN_DEG = 20.0


def gain_towards_dbi(
    antenna: Antenna,
    bearing_deg: ArrayLike,
    elevation_deg: ArrayLike,
    *,
    azimuth_deg: float | None = None,
    tilt_deg: float = 0.0,
) -> Any:
    """Gain in a direction, from where the antenna is aimed and how wide its beam is.

    Parameters
    ----------
    antenna : Antenna
    bearing_deg : array_like, degrees
        Bearing of the other station, clockwise from true north.
    elevation_deg : array_like, degrees, -90 to 90
        Elevation of the other station, positive upward.
    azimuth_deg : float, degrees, optional
        Bearing the antenna is turned to; left out: to the other station.
    tilt_deg : float, degrees, -90 to 90
        Elevation of the main beam in that bearing, positive upward: the antenna is tilted as a whole, so an
        omnidirectional one looks down behind when it looks up in front.

    Notes
    -----
    Attenuation in azimuth and elevation, each 12 (angle / beamwidth)^2 dB or as measured, added and held above the
    floor: 15 dB front-to-back for a yagi, 20 dB for the nulls of the others, the deepest that was measured where
    that is more. A half-wave dipole (and the whip, which is given the same shape) follows
    cos(pi/2 sin e) / cos e in elevation. The side lobes of a
    collinear start 12 dB down and fall with 15 dB per decade of angle.

    References
    ----------
    Parabolic beams, and two planes added up to a floor: Report ITU-R M.2135-1. Collinear side lobes: Rec. ITU-R
    F.1336, recommends 2 with k = 0; both from memory. Dipole: any antenna textbook.

    Examples
    --------
    >>> yagi = generic_antenna("yagi", gain_dbi=9.5, horizontal_beamwidth_deg=50, vertical_beamwidth_deg=50)
    >>> gain_towards_dbi(yagi, [90, 115, 270], 0, azimuth_deg=90).round(1).tolist()
    [9.5, 6.5, -5.5]
    """
    bearing = checked("bearing_deg", bearing_deg)
    elevation = np.radians(checked("elevation_deg", elevation_deg, at_least=-90.0, at_most=90.0))
    tilt = np.radians(checked("tilt_deg", tilt_deg, at_least=-90.0, at_most=90.0))
    aimed = bearing if azimuth_deg is None else checked("azimuth_deg", azimuth_deg)
    ahead = np.radians(bearing - aimed)

    # direction seen by the tilted antenna: x along the beam, z along the mast
    forward, side = np.cos(elevation) * np.cos(ahead), np.cos(elevation) * np.sin(ahead)
    upward = np.sin(elevation)
    x = forward * np.cos(tilt) + upward * np.sin(tilt)
    z = upward * np.cos(tilt) - forward * np.sin(tilt)
    off_up = np.degrees(np.arcsin(np.clip(z, -1.0, 1.0)))
    off_side = np.degrees(np.arctan2(side, x))

    if antenna.elevation is not None:
        up = antenna.elevation.at(off_up)
    elif antenna.shape == "dipole":
        up = _dipole_db(off_up)
    elif antenna.shape == "parabolic":
        up = 12.0 * (off_up / antenna.vertical_beamwidth_deg) ** 2
    else:
        up = _collinear_db(np.abs(off_up) / antenna.vertical_beamwidth_deg)
    across: Floats | float = 0.0
    if antenna.azimuth is not None:
        across = antenna.azimuth.at(off_side)
    elif np.min(antenna.horizontal_beamwidth_deg) < 360.0:
        beams = off_side / antenna.horizontal_beamwidth_deg
        across = np.where(np.less(antenna.horizontal_beamwidth_deg, 360.0), 12.0 * beams**2, 0.0)
    return scalar_if_0d(antenna.gain_dbi - np.minimum(up + across, antenna.floor_db))


def polarisation_loss_db(one: Polarisation, other: Polarisation, *, tilt_deg: ArrayLike = 0.0) -> Any:
    """Loss between two antennas of different polarisation, or tilted against each other.

    Parameters
    ----------
    one, other : {"vertical", "horizontal", "circular"}
        Two circular antennas are taken to turn the same way.
    tilt_deg : array_like, degrees, -90 to 90
        Rotation of one antenna about the path, away from its stated polarisation.

    Notes
    -----
    Linear to linear at an angle a: -20 log cos a, at most 20 dB because ground and masts depolarise
    (common practice, no source). Circular to linear 3.01 dB.

    Examples
    --------
    >>> polarisation_loss_db("vertical", "vertical", tilt_deg=[0, 30, 45, 90]).round(2).tolist()
    [0.0, 1.25, 3.01, 20.0]
    >>> polarisation_loss_db("vertical", "horizontal")
    20.0
    """
    tilt = np.radians(checked("tilt_deg", tilt_deg, at_least=-90.0, at_most=90.0))
    for name in (one, other):
        if name not in ("vertical", "horizontal", "circular"):
            raise DomainError(f"polarisation must be vertical, horizontal or circular, got {name!r}")
    if "circular" in (one, other):
        return scalar_if_0d(np.full(tilt.shape, 0.0 if one == other else 10.0 * np.log10(2.0)))
    coupled = np.abs(np.cos(tilt) if one == other else np.sin(tilt))
    least = 10.0 ** (-CROSS_POLARISATION_LOSS_DB / 20.0)
    return scalar_if_0d(-20.0 * np.log10(np.maximum(coupled, least)) + 0.0)


def _dipole_db(elevation_deg: Floats) -> Floats:
    """Return how far a half-wave dipole is below its peak."""
    # along its axis, where a dipole radiates nothing, the formula is 0/0: the cosine is held off 0
    cosine = np.cos(np.radians(elevation_deg))
    field = np.cos(np.pi / 2.0 * np.sin(np.radians(elevation_deg))) / np.maximum(cosine, 1e-9)
    loss: Floats = -20.0 * np.log10(np.clip(np.abs(field), 1e-9, 1.0)) + 0.0
    return loss


def _collinear_db(beamwidths: Floats) -> Floats:
    """Return how far a collinear is below its peak at that many beamwidths off it."""
    loss: Floats = np.where(
        beamwidths < 1.0, 12.0 * beamwidths**2, 12.0 + 15.0 * np.log10(np.maximum(beamwidths, 1.0))
    )
    return loss

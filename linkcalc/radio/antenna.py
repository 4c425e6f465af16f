"""Generic antennas: gain, beamwidths and pattern by type or by stated figures; polarisation mismatch."""

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import Floats, checked, scalar_if_0d
from linkcalc.errors import DomainError
from linkcalc.units import DBI_OVER_DBD_DB

AntennaType = Literal["quarter_wave_whip", "half_wave_dipole", "collinear", "yagi"]
Polarisation = Literal["vertical", "horizontal", "circular"]

CROSS_POLARISATION_LOSS_DB = 20.0
"""Allowance for crossed linear polarisations (common practice, no source; theory: infinite)."""

YAGI_BEAM_LOSS_DB = 1.5
"""What a yagi's gain stays below 32400/(azimuth x elevation beamwidth): 1 to 2 dB (textbook rule, from
memory)."""

FRONT_TO_BACK_DB = 15.0
"""Of a yagi; nothing radiated in any direction is taken to be weaker (common practice, no source)."""

DEEPEST_NULL_DB = 20.0
"""How far the nulls of an omnidirectional antenna go as mounted (common practice, no source)."""


@dataclass(frozen=True)
class Antenna:
    """An antenna's figures.

    Attributes
    ----------
    type : str
        Chooses the shape of the pattern.
    gain_dbi : float
        Peak gain; like the beamwidths an array where many antennas are asked at once.
    horizontal_beamwidth_deg, vertical_beamwidth_deg : float
        Between half-power points in azimuth (360: omnidirectional) and elevation.
    exact_dipole : bool
        The elevation pattern is that of a half-wave dipole.
    source : str
        Where the figures come from, for the reader of a report.
    """

    type: AntennaType
    gain_dbi: float
    horizontal_beamwidth_deg: float
    vertical_beamwidth_deg: float
    exact_dipole: bool
    source: str


ANTENNA_TYPES: dict[AntennaType, Antenna] = {
    "quarter_wave_whip": Antenna(
        "quarter_wave_whip", 1.0, 360.0, 78.0, True, "0 to 2 dBi as mounted: common practice, no source"
    ),
    "half_wave_dipole": Antenna("half_wave_dipole", DBI_OVER_DBD_DB, 360.0, 78.0, True, "theory"),
    "collinear": Antenna(
        "collinear", 5.5, 360.0, 30.0, False, "5 to 6 dBi with a 30 degree beam: common practice, no source"
    ),
    "yagi": Antenna("yagi", 9.5, 52.5, 52.5, False, "5 or 6 elements: common practice, no source"),
}
"""The generic types with the figures used when none are stated."""


def generic_antenna(
    antenna_type: AntennaType,
    *,
    gain_dbi: float | None = None,
    gain_dbd: float | None = None,
    horizontal_beamwidth_deg: float | None = None,
    vertical_beamwidth_deg: float | None = None,
) -> Antenna:
    """An antenna of a generic type; stated figures replace the type's, and the beam rule fills in the rest.

    Parameters
    ----------
    antenna_type : {"quarter_wave_whip", "half_wave_dipole", "collinear", "yagi"}
    gain_dbi : float, dBi, optional
        Stated gain over an isotropic radiator.
    gain_dbd : float, dBd, optional
        Stated gain over a half-wave dipole, instead.
    horizontal_beamwidth_deg, vertical_beamwidth_deg : float, degrees, optional
        Stated beamwidths, above 0, up to 360 and 180.

    Returns
    -------
    Antenna

    Raises
    ------
    DomainError
        If the type is unknown, both gains are given, or a figure is outside its range.

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
    if gain_dbi is None and across is None and up is None:
        return usual
    if gain_dbi is not None:
        gain_dbi = scalar_if_0d(checked("gain_dbi", gain_dbi, at_least=-100.0, at_most=100.0))
    if across is not None:
        across = float(checked("horizontal_beamwidth_deg", across, above=0.0, at_most=360.0))
    if up is not None:
        up = float(checked("vertical_beamwidth_deg", up, above=0.0, at_most=180.0))

    if antenna_type == "yagi":
        rule = 32400.0 * 10.0 ** (-YAGI_BEAM_LOSS_DB / 10.0)
        if gain_dbi is None:
            wide, high = across or up or 0.0, up or across or 0.0
            gain_dbi = 10.0 * np.log10(rule / (wide * high))
        area = rule * 10.0 ** (-gain_dbi / 10.0)
        up_or_round = up if up is not None else (area / across if across is not None else area**0.5)
        across = across if across is not None else np.minimum(area / up_or_round, 360.0)
        up = np.minimum(up_or_round, 180.0)
    else:
        if antenna_type == "collinear":
            if gain_dbi is None:
                gain_dbi = usual.gain_dbi if up is None else 10.0 * np.log10(_COLLINEAR_RULE_DEG / up)
            elif up is None:
                up = np.minimum(_COLLINEAR_RULE_DEG * 10.0 ** (-gain_dbi / 10.0), 180.0)
        gain_dbi = usual.gain_dbi if gain_dbi is None else gain_dbi
        across = usual.horizontal_beamwidth_deg if across is None else across
    return replace(
        usual,
        gain_dbi=scalar_if_0d(gain_dbi),
        horizontal_beamwidth_deg=scalar_if_0d(across),
        vertical_beamwidth_deg=usual.vertical_beamwidth_deg if up is None else scalar_if_0d(up),
        exact_dipole=usual.exact_dipole and vertical_beamwidth_deg is None,
        source="stated figures, the rest by the beam rule of the type",
    )


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

    Returns
    -------
    ndarray or float, dBi, the arguments broadcast

    Raises
    ------
    DomainError
        If an argument is outside its range.

    Notes
    -----
    Attenuation in azimuth and elevation, each 12 (angle / beamwidth)^2 dB, added and held above the floor:
    15 dB front-to-back for a yagi, 20 dB for the nulls of the others. A half-wave dipole (and the whip,
    which is given the same shape) follows cos(pi/2 sin e) / cos e in elevation. The side lobes of a
    collinear start 12 dB down and fall with 15 dB per decade of angle.

    References
    ----------
    Parabolic beams: Report ITU-R M.2135-1; collinear side lobes: Rec. ITU-R F.1336, recommends 2 with k =
    0; both from memory. Dipole: any antenna textbook.

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

    if antenna.exact_dipole:
        up = _dipole_db(off_up)
    elif antenna.type == "yagi":
        up = 12.0 * (off_up / antenna.vertical_beamwidth_deg) ** 2
    else:
        up = _collinear_db(np.abs(off_up) / antenna.vertical_beamwidth_deg)
    across: Floats | float = 0.0
    if np.min(antenna.horizontal_beamwidth_deg) < 360.0:
        beams = off_side / antenna.horizontal_beamwidth_deg
        across = np.where(np.less(antenna.horizontal_beamwidth_deg, 360.0), 12.0 * beams**2, 0.0)
    floor = FRONT_TO_BACK_DB if antenna.type == "yagi" else DEEPEST_NULL_DB
    return scalar_if_0d(antenna.gain_dbi - np.minimum(up + across, floor))


def polarisation_loss_db(one: Polarisation, other: Polarisation, *, tilt_deg: ArrayLike = 0.0) -> Any:
    """Loss between two antennas of different polarisation, or tilted against each other.

    Parameters
    ----------
    one, other : {"vertical", "horizontal", "circular"}
        Two circular antennas are taken to turn the same way.
    tilt_deg : array_like, degrees, -90 to 90
        Rotation of one antenna about the path, away from its stated polarisation.

    Returns
    -------
    ndarray or float, dB, shape of `tilt_deg`

    Raises
    ------
    DomainError
        If a polarisation is unknown or the tilt outside its range.

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


_COLLINEAR_RULE_DEG = 107.6


def _dipole_db(elevation_deg: Floats) -> Floats:
    """Return how far a half-wave dipole is below its peak."""
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

"""How far to stay from a transmitting antenna: reference levels for the general public.

Far-field formula, main beam, no ground reflection. The public's levels are used for everybody: farm staff
and visitors have no training that would allow the occupational ones.

Every function of figures raises DomainError where an argument is outside its range.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from linkcalc._arrays import checked, scalar_if_0d
from linkcalc.answer import Answer
from linkcalc.errors import DomainError
from linkcalc.units import SPEED_OF_LIGHT_M_S

if TYPE_CHECKING:
    from linkcalc.link.result import LinkResult
    from linkcalc.plan import Plan
    from linkcalc.rules.transmission import Transmission

Guideline = Literal["icnirp_2020", "fcc"]

GUIDELINES: dict[Guideline, str] = {
    "icnirp_2020": "ICNIRP 2020, table 5, general public",
    "fcc": "47 CFR 1.1310, table 1, general population",
}
"""The guidelines by name, with the part that is used."""

AVERAGING_TIME_S = 1800.0
"""Both guidelines average whole-body exposure of the public over 30 minutes."""

LEAST_DISTANCE_M = 0.2
"""Advised whatever the formula gives: the least distance of the mobile class of 47 CFR 2.1091."""

CAVEAT = (
    "Far-field formula in the main beam, without ground reflection; close to a long antenna the field is not"
    " formed yet. Do not touch a transmitting antenna, and check with your regulator."
)


def power_density_limit_w_m2(frequency_hz: ArrayLike, guideline: Guideline) -> Any:
    """Power density the general public may be exposed to, 30 MHz to 100 GHz.

    ICNIRP 2020, table 5 (whole body, averaged over 30 min): 2 W/m2 from 30 to 400 MHz, f/200 W/m2 to 2 GHz,
    10 W/m2 above; the parts other than f/200 from memory. 47 CFR 1.1310, table 1 (B) (30 min): 0.2 mW/cm2
    from 30 to 300 MHz, f/1500 mW/cm2 to 1500 MHz, 1 mW/cm2 above; f in MHz.

    >>> power_density_limit_w_m2([433e6, 868e6], "icnirp_2020").tolist()
    [2.165, 4.34]
    """
    f = checked("frequency_hz", frequency_hz, at_least=30e6, at_most=100e9) / 1e6
    if guideline == "icnirp_2020":
        return scalar_if_0d(np.clip(f / 200.0, 2.0, 10.0))
    if guideline == "fcc":
        return scalar_if_0d(10.0 * np.clip(f / 1500.0, 0.2, 1.0))
    raise DomainError(f"guideline must be one of {', '.join(GUIDELINES)}, got {guideline!r}")


def compliance_distance_m(
    eirp_dbm: ArrayLike, frequency_hz: ArrayLike, guideline: Guideline, duty_cycle: ArrayLike = 1.0
) -> Any:
    """Distance from which the power density in the main beam stays within the guideline.

    d = sqrt(EIRP/(4 pi S)), free space (OET Bulletin 65, equation 4). A duty cycle of 1 takes no credit for pauses.

    >>> round(compliance_distance_m(36.0, 915e6, "icnirp_2020"), 2)
    0.26
    """
    limit = power_density_limit_w_m2(frequency_hz, guideline)
    duty = checked("duty_cycle", duty_cycle, at_least=0.0, at_most=1.0)
    mean_w = duty * 10.0 ** (checked("eirp_dbm", eirp_dbm) / 10.0) / 1e3
    return scalar_if_0d(np.sqrt(mean_w / (4.0 * np.pi * limit)))


def reactive_near_field_m(frequency_hz: ArrayLike) -> Any:
    """Distance below which no power density is defined: wavelength over 2 pi.

    Textbook, for antennas short against the wavelength.

    >>> round(reactive_near_field_m(868e6), 3)
    0.055
    """
    f = checked("frequency_hz", frequency_hz, above=0.0)
    return scalar_if_0d(SPEED_OF_LIGHT_M_S / (2.0 * np.pi * f))


@dataclass(frozen=True)
class Keeping:
    """How far to stay from one antenna."""

    eirp_dbm: float
    frequency_hz: float
    duty_cycle: float
    distance_m: dict[str, float]
    advised_m: float
    """The largest of them rounded up to a decimetre, and never less than 0.2 m."""
    near_field: bool
    """The formula's distance lies in the reactive near field, so only the advised distance counts."""
    text: str


def keeping(eirp_dbm: float, frequency_hz: float, duty_cycle: float = 1.0) -> Keeping:
    """Say how far the public should stay from one antenna, in its main beam.

    >>> keeping(16.15, 868e6).text
    'Keep at least 0.2 m from the antenna'
    >>> keeping(36.0, 915e6).text
    'Keep at least 0.3 m from the antenna'
    """
    distances: dict[str, float] = {
        name: float(compliance_distance_m(eirp_dbm, frequency_hz, name, duty_cycle)) for name in GUIDELINES
    }
    farthest = max(distances.values())
    # rounded up, yet a distance of whole decimetres stays what it is
    advised = max(LEAST_DISTANCE_M, math.ceil(farthest * 10.0 - 1e-9) / 10.0)
    return Keeping(
        eirp_dbm=eirp_dbm,
        frequency_hz=frequency_hz,
        duty_cycle=duty_cycle,
        distance_m=distances,
        advised_m=advised,
        near_field=farthest < reactive_near_field_m(frequency_hz),
        text=f"Keep at least {advised:.1f} m from the antenna",
    )


@dataclass(frozen=True)
class StationKeeping:
    """How far to stay from one station's antenna."""

    station: str
    keeping: Keeping


@dataclass(frozen=True, eq=False, repr=False)
class ExposureSection(Answer):
    """How far to stay from every antenna of a plan."""

    _rows = "stations"

    stations: tuple[StationKeeping, ...]
    duty_credit: bool
    guidelines: tuple[str, ...]
    line: str
    caution: str = CAVEAT


def section(plan: "Plan", link_results: "Sequence[LinkResult]" = ()) -> ExposureSection:
    """Say how far people should stay from each antenna of a plan.

    A station on several links is reckoned as if it sent on all of them at full power: the largest distance
    counts, and with a duty credit their times on air add up.
    """
    from linkcalc.operation.limits import ends

    credit = plan.exposure.duty_credit
    found: dict[str, list[Transmission]] = {}
    for end in ends(plan):
        found.setdefault(end.station, []).append(end.transmission)
    stations = []
    for name in (s.name for s in plan.station if s.name in found):
        sent = found[name]
        duty = min(sum(_share_of_averaging_time(t) for t in sent), 1.0) if credit else 1.0
        worst = max(
            (keeping(t.eirp_dbm, t.frequency_hz, duty) for t in sent),
            key=lambda k: max(k.distance_m.values()),
        )
        stations.append(StationKeeping(name, worst))
    farthest = max(s.keeping.advised_m for s in stations)
    where = (
        "every antenna" if all(s.keeping.advised_m == farthest for s in stations) else "the strongest antenna"
    )
    return ExposureSection(
        stations=tuple(stations),
        duty_credit=credit,
        guidelines=tuple(GUIDELINES.values()),
        line=f"Exposure: keep at least {farthest:.1f} m from {where}; see linkcalc limits",
    )


def _share_of_averaging_time(t: "Transmission") -> float:
    """Share of the worst averaging time that holds whole messages; 1 where the interval is not known."""
    if t.interval_s is None:
        return 1.0
    messages = math.ceil(AVERAGING_TIME_S / t.interval_s - 1e-9)
    return min(messages * t.message_time_s / AVERAGING_TIME_S, 1.0)

"""What makes a predicted margin uncertain, item by item, each as a standard deviation in decibels.

Three kinds, because they behave differently: what is fixed but unknown until somebody measures (site), what
comes and goes over the year (conditions), and what differs from message to message (fast; that is fading,
kept apart in `linkcalc.reliability`).

All are taken as independent. The default error of the prediction was found on real links, so it holds some of
the smaller items already: with it they add 0.3 dB.
"""

import math
import warnings
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any, Literal

from linkcalc.errors import OutOfRangeWarning
from linkcalc.link_case import LinkCase
from linkcalc.path_loss import (
    P1812_SHORTEST_M,
    PathLoss,
    Situation,
    governing_loss,
    p1812_loss_db,
    woods_loss_db,
)
from linkcalc.plan import Station
from linkcalc.propagation import building_entry, clutter, diffraction, noise, p1812, refractivity, vegetation
from linkcalc.result import Contributor
from linkcalc.terrain.profile import Profile

READING_ERROR_DB = 2.0
"""What a careful reading leaves of the site's part: instrument and ripple (common practice, no source)."""

CLEAR_PATH_K_DB = 10.0
GRAZING_PATH_K_DB = 5.0
"""Rician K by regime (common practice, no source)."""

_UNMEASURED = "noise of the place"
"""The one part of the site that a reading of the signal does not show."""

_WORTH_LISTING_DB = 0.05

DEEPEST_MIRRORED_DB = 6.0
"""Ducts lift a sea path by tens of decibels; nothing sinks it as far (common practice, no source)."""

REFRACTION = "refraction over the year"
SURROUNDINGS = "weather and surroundings"

_DECILE = 1.2816
_PERMILLE = 3.0902

Fading = Literal["rician", "rayleigh"]


def fading(case: LinkCase) -> tuple[Fading, float]:
    """Kind of fast fading of a link's path and its Rician K, dB."""
    return path_fading(case.path)


def path_fading(path: PathLoss) -> tuple[Fading, float]:
    """Kind of fast fading on a path and its Rician K, dB: common practice, no source.

    A free path keeps a strong steady part; a blocked path, or one through trees, may keep none.
    """
    if path.regime == "obstructed" or path.vegetation_loss_db > 0.0:
        return "rayleigh", -math.inf
    return "rician", (CLEAR_PATH_K_DB if path.regime == "clear" else GRAZING_PATH_K_DB)


def contributors(case: LinkCase, receiver: Station) -> tuple[Contributor, ...]:
    """Every source of uncertainty of one direction's margin, largest first.

    Parameters
    ----------
    case : LinkCase
    receiver : Station
        The end whose noise counts.

    Returns
    -------
    tuple of Contributor
        Standard deviations; those under 0.05 dB are left out.
    """
    found = [*path_contributors(case), *noise_contributors(case.noise(receiver))]
    return tuple(sorted(_with_reading(found), key=lambda x: -x.sigma_db))


def path_contributors(case: LinkCase) -> list[Contributor]:
    """Those of the sources that are the same in both directions; those under 0.05 dB are left out."""
    c, path = case.conditions, case.path
    found = [
        _site("path loss model", c.model_error_db, "stated or assumed error of the prediction"),
        _site("location", _location_db(case), "Rec. ITU-R P.1812, location variability"),
        _site("antenna gains", math.sqrt(2.0) * c.antenna_gain_error_db, "as mounted, both ends"),
        _site(
            "antenna heights",
            _height_db(case.profile, case.situation, c.height_error_m),
            f"±{c.height_error_m:g} m at each end",
        ),
        _conditions(
            REFRACTION,
            _refraction_db(case.profile, case.situation, c.climate),
            "Rec. ITU-R P.1812 at 10 %, low k at 0.1 %",
        ),
        _conditions(
            SURROUNDINGS,
            c.surroundings_error_db,
            "wet ground, crops, snow, parked vehicles: common practice, no source",
        ),
    ]
    if path.vegetation_loss_db:
        sigma = float(vegetation.woodland_sigma_db(path.vegetation_loss_db))
        found.append(_site("trees", sigma, "spread of vegetation formulas"))
        found.append(
            _conditions(
                "foliage over the year", _foliage_db(case), "up to wet leaf, if the verdict is for less"
            )
        )
    if case.clutter_loss_db:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutOfRangeWarning)
            sigma = float(
                clutter.statistical_sigma_db(
                    case.frequency_hz, max(case.profile.length_m, 250.0), extrapolate=True
                )
            )
        found.append(_site("clutter", sigma, "Rec. ITU-R P.2108, section 3.2"))
    for station in (case.near, case.far):
        if station.building != "none":
            sigma = float(
                building_entry.building_entry_sigma_db(
                    case.frequency_hz, building=station.building, extrapolate=True
                )
            )
            found.append(_site(f"building entry, {station.name}", sigma, "Rec. ITU-R P.2109"))
    return [x for x in found if x.sigma_db >= _WORTH_LISTING_DB]


def noise_contributors(noises: noise.SystemNoise) -> list[Contributor]:
    """Those of the sources that are one receiver's noise; those under 0.05 dB are left out."""
    found = [
        _site(_UNMEASURED, float(noises.location_sigma_db), "Rec. ITU-R P.372, from place to place"),
        _conditions("noise over time", float(noise.noise_sigma_db(noises)), "Rec. ITU-R P.372, upper decile"),
    ]
    return [x for x in found if x.sigma_db >= _WORTH_LISTING_DB]


def combined_db(parts: Sequence[Contributor], kind: Literal["site", "conditions"]) -> float:
    """Standard deviation of all contributors of a kind together, dB; they are taken as independent."""
    return math.sqrt(sum(x.sigma_db**2 for x in parts if x.kind == kind))


def after_reading_db(parts: Sequence[Contributor]) -> float:
    """Standard deviation of the site's part once the signal has been measured there, dB."""
    return math.sqrt(sum(x.after_reading_db**2 for x in parts if x.kind == "site"))


def _with_reading(parts: Sequence[Contributor]) -> list[Contributor]:
    """Shares among what a reading measures, their sum, what the reading leaves of it: its own error."""
    measured = [x for x in parts if x.kind == "site" and x.name != _UNMEASURED]
    left = READING_ERROR_DB / max(combined_db(measured, "site"), READING_ERROR_DB)
    return [replace(x, after_reading_db=left * x.sigma_db) if x in measured else x for x in parts]


def _site(name: str, sigma_db: float, source: str) -> Contributor:
    return Contributor(name, sigma_db, "site", sigma_db, source)


def _conditions(name: str, sigma_db: float, source: str) -> Contributor:
    return Contributor(name, sigma_db, "conditions", sigma_db, source)


def _location_db(case: LinkCase) -> float:
    spacing_m = min(max(case.profile.spacing_m, 10.0), 1000.0)
    lower_m = min(case.near.antenna_height_m, case.far.antenna_height_m)
    return float(p1812.location_standard_deviation_db(case.frequency_hz, spacing_m, rx_height_m=lower_m))


@lru_cache(maxsize=512)
def _height_db(profile: Profile, s: Situation, error_m: float) -> float:
    """Change of loss for the stated error of each antenna height, both ends as independent."""
    if error_m == 0.0:
        return 0.0
    steps = []
    for lower, upper in (
        (
            replace(s, tx_height_m=max(s.tx_height_m - error_m, 0.1)),
            replace(s, tx_height_m=s.tx_height_m + error_m),
        ),
        (
            replace(s, rx_height_m=max(s.rx_height_m - error_m, 0.1)),
            replace(s, rx_height_m=s.rx_height_m + error_m),
        ),
    ):
        with warnings.catch_warnings():
            # the plan does not state these heights: nothing to tell its reader
            warnings.simplefilter("ignore", OutOfRangeWarning)
            change_db = governing_loss(profile, lower).loss_db - governing_loss(profile, upper).loss_db
        steps.append(change_db / 2.0)
    return math.hypot(*steps)


@lru_cache(maxsize=512)
def _refraction_db(profile: Profile, s: Situation, climate: refractivity.Climate) -> float:
    """Standard deviation of the loss over the year.

    From the enhancement at 10 % of the time, taken to be as deep below the median as above it but for no more
    than `DEEPEST_MIRRORED_DB`, or from the loss at the k not exceeded 0.1 % of the time, whichever is larger.
    """
    path = governing_loss(profile, s)
    opaque = path.opaque_m
    if profile.length_m < P1812_SHORTEST_M:
        return 0.0
    enhanced_db = 0.0
    if path.model != "delta_bullington":  # which counts on no scatter, so that its variation is none of ours
        median_db = p1812_loss_db(profile, s, opaque)
        enhanced_db = median_db - p1812_loss_db(profile, s, opaque, time_percent=10.0)
    terrain: dict[str, Any] = {
        "tx_height_m": s.tx_height_m,
        "rx_height_m": s.rx_height_m,
        "frequency_hz": s.frequency_hz,
        "clutter_m": opaque,
        "polarisation": s.polarisation,
    }
    low_k = float(refractivity.low_k_factor(profile.length_m, climate))
    d, h = profile.distance_m, profile.ground_m
    deeper_db = float(
        diffraction.delta_bullington_loss_db(d, h, k_factor=low_k, **terrain)
        - diffraction.delta_bullington_loss_db(d, h, k_factor=s.k_factor, **terrain)
    )
    return max(min(enhanced_db / _DECILE, DEEPEST_MIRRORED_DB), deeper_db / _PERMILLE, 0.0)


def _foliage_db(case: LinkCase) -> float:
    """Half of what wet leaf loses more than the foliage the verdict is for, as a standard deviation.

    A verdict for wet leaf is for the worst of the year already.
    """
    wet = replace(case.situation, leaf="in_leaf", wet_foliage=True)
    return (woods_loss_db(wet, case.path.woods) - case.path.vegetation_loss_db) / 2.0

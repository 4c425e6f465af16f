"""What to know of a link besides its verdict: warnings, each in a sentence."""

from collections.abc import Sequence

import numpy as np

from linkcalc.answer import view
from linkcalc.link.case import LinkCase
from linkcalc.link.findings import Excess
from linkcalc.link.models import two_ray_db
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import MODEL_NAMES
from linkcalc.propagation import fresnel, noise
from linkcalc.propagation.loss_models import RULES
from linkcalc.terrain.cell_size import cell_error

DEEP_NULL_DB = 3.0
"""A two-ray null that takes so much more than the median is worth a warning."""

_NULL_STEP_M = 0.25
_NO_NULL_DB = 0.5


def notes_on(case: LinkCase, over: Sequence[Excess], refused: str) -> list[str]:
    """Return all that is to be known of a link, one sentence each; `refused`: why remedies were not searched."""
    notes = [
        *over_limits(over),
        _choice(case),
        refused,
        *case.profile.notes,
        _noise(case),
        _bearing(case),
        _season(case),
        _cells(case),
        _null(case),
        _busy(case),
    ]
    return [note for note in notes if note]


def over_limits(over: Sequence[Excess]) -> list[str]:
    """Who sends more than the law allows, a sentence each."""
    return [f"{x.station}: over the legal limits: {x.reason}" for x in over]


def _choice(case: LinkCase) -> str:
    """That the plan chose the model, and what the rules would say."""
    name = case.conditions.governing_model
    if name == RULES:
        return ""
    more_or_less = view("link_words").more_or_less
    return (
        f"the path loss is that of {MODEL_NAMES.get(name, name)}, as this plan chooses (conditions.governing_model): "
        "linkcalc's rules, which were checked against measured links, would lose "
        f"{more_or_less(float(case.losses.rules_less_db[0]))}; the choice is the planner's"
    )


def _noise(case: LinkCase) -> str:
    environments = sorted({rx.noise_environment for rx in (case.near, case.far)})
    outside = [e for e in environments if noise.man_made_noise_is_extrapolated(case.frequency_hz, e)]
    if not outside:
        return ""
    return (
        f"man-made noise ({', '.join(outside)}) is extrapolated to {case.link.frequency_mhz:g} MHz; "
        "Rec. ITU-R P.372 states it to 250 MHz"
    )


def _bearing(case: LinkCase) -> str:
    turned = [s.name for s in (case.near, case.far) if s.antenna.azimuth_deg is not None]
    if case.positioned or not turned:
        return ""
    return (
        f"azimuth_deg of {' and '.join(turned)} is not used: without positions the path's bearing is "
        "unknown, and antennas are assumed to point at each other"
    )


def _season(case: LinkCase) -> str:
    if case.conditions.month is None or case.profile.latitude_deg is not None:
        return ""
    return "the month is taken as one of the northern hemisphere: the stations have no positions"


def _cells(case: LinkCase) -> str:
    profile = case.profile
    half_m = profile.length_m / 2.0
    radius_m = float(fresnel.fresnel_radius_m(half_m, half_m, case.frequency_hz))
    return cell_error(profile.cell_m, profile.length_m, radius_m).warning


def _null(case: LinkCase) -> str:
    """A deep null of the ground reflection, and the nearest height that avoids it."""
    below_db = _below_median_db(case)
    if below_db <= DEEP_NULL_DB:
        return ""
    # nearest first: the least change of height that avoids it is told
    away_m = _NULL_STEP_M * np.array(sorted(range(-12, 13), key=abs))
    heights_m = [float(h) for h in case.far.antenna_height_m + away_m if h >= 1.0]
    free = (h for h in heights_m if _below_median_db(case.with_heights(far_m=h)) <= _NO_NULL_DB)
    remedy = next((f"; {h:g} m at {case.far.name} avoids it" for h in free), "")
    return (
        "the ground between may give a specular reflection, and at these heights the two waves then nearly cancel: "
        f"up to {below_db:.0f} dB below the median stated here{remedy}"
    )


def _below_median_db(case: LinkCase) -> float:
    """How much more two waves would lose than the median; nothing where none is reflected."""
    return two_ray_db(case.path) - case.path.loss_db if case.path.reflection is not None else 0.0


def _busy(case: LinkCase) -> str:
    if Requirement.of(case.link).reachable:
        return ""
    return (
        f"{case.link.channel_busy_percent:g} % of the tries are lost to other users of the channel: with "
        f"{case.link.tries} each, no margin delivers {100.0 * case.link.required_success:g} % of the messages; "
        "more tries do"
    )

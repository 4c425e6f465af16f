"""A relay on the line between two stations: where its weaker hop has most."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.link import findings
from linkcalc.link.case import ENDS, End, LinkCase, feeder_words
from linkcalc.link.link_requirement import LinkRequirement
from linkcalc.link.result import Advice
from linkcalc.terrain.profile import Profile

RELAY_MAST_M = 6.0

RELAY_LEAST_M = 300.0
"""A relay stands no nearer to an end (common practice, no source)."""

RELAY_STEEPEST_DEG = 20.0
"""Nor on ground that is steeper along the path (common practice, no source)."""


def relay(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
    """The best place for a relay on the line between the two stations, with the radio of the stronger end."""
    spots = relay_spots(case)
    if not spots or spots[0][0] <= case.weaker_margin_db + 3.0:
        return
    margin_db, i = spots[0]
    hops = _hops(case, i)
    feeders = {feeder_words(hop.station(end)) or "none" for hop, end in zip(hops, ENDS[::-1], strict=True)}
    each = required.of_each_hop()
    tries = each.requirement.tries if each.requirement.tries != case.link.tries else 0
    step = findings.RelayOnLine(
        case.near.name,
        float(case.profile.distance_m[i]),
        RELAY_MAST_M,
        margin_db,
        tuple(sorted(feeders)),
        tries,
    )
    yield Advice("relay", step, 5, margin_db, all(each.suffices(hop) for hop in hops))


def relay_spots(case: LinkCase) -> list[tuple[float, int]]:
    """Places for a relay on the line, best first: margin of the weaker hop there, and the point of the profile."""
    profile = case.profile
    d, n = profile.distance_m, len(profile.distance_m)
    if n <= 8:
        return []
    candidates = np.unique(np.linspace(3, n - 4, min(80, n - 6)).astype(int))
    # nearer to an end, that end's own antenna goes there with its cable; a mast needs ground to stand on
    apart = np.minimum(d, profile.length_m - d) >= min(RELAY_LEAST_M, profile.length_m / 4.0)
    candidates = candidates[(apart & (slope_deg(profile) <= RELAY_STEEPEST_DEG))[candidates]]
    found = [(min(hop.weaker_margin_db for hop in _hops(case, int(i))), int(i)) for i in candidates]
    return sorted(found, key=lambda spot: (-spot[0], spot[1]))


def slope_deg(profile: Profile) -> Floats:
    """Slope of the ground along the path, at each point."""
    return np.asarray(np.degrees(np.arctan(np.abs(np.gradient(profile.ground_m, profile.distance_m)))))


def _hops(case: LinkCase, i: int) -> tuple[LinkCase, LinkCase]:
    """Both hops over a relay at a point of the profile."""
    last = len(case.profile.distance_m) - 1
    return (
        _hop(case, _part(case.profile, 0, i), first=True),
        _hop(case, _part(case.profile, i, last), first=False),
    )


def _part(profile: Profile, first: int, last: int) -> Profile:
    cut = slice(first, last + 1)
    clutter = profile.clutter_m[cut].copy()
    clutter[0] = clutter[-1] = 0.0
    kinds = ("", *profile.clutter_kind[first + 1 : last], "")

    def of(column: np.ndarray | None) -> np.ndarray | None:
        return None if column is None else column[cut]

    return replace(
        profile,
        distance_m=profile.distance_m[cut] - profile.distance_m[first],
        ground_m=profile.ground_m[cut],
        clutter_m=clutter,
        clutter_kind=kinds,
        zone=profile.zone[cut],
        latitude_deg=of(profile.latitude_deg),
        longitude_deg=of(profile.longitude_deg),
    )


def _hop(case: LinkCase, part: Profile, *, first: bool) -> LinkCase:
    """One hop, the relay standing in for the station it replaces, whose feeder it has, longer on a taller mast."""
    end: End = "far" if first else "near"
    case = case.raised(far_m=RELAY_MAST_M) if first else case.raised(near_m=RELAY_MAST_M)
    relay = case.station(end).model_copy(update={"extra_loss": [], "noise_rise_db": 0.0, "building": "none"})
    return replace(case.with_stations({end: relay}), profile=part)

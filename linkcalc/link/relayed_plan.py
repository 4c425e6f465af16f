"""A relay as part of a plan: its equipment, the plan with its hops, and that plan as a file.

Every function here raises `LinkcalcError` where the plan has no station of a name, or its file cannot be added to, and
`DomainError` where a figure is out of range.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from linkcalc._arrays import Floats, checked
from linkcalc.errors import LinkcalcError, quoted
from linkcalc.link.case import LinkCase, directional
from linkcalc.link.remedy_plans import text_and_settings
from linkcalc.link.requirement import Requirement
from linkcalc.plan import Link, LoadedPlan, Obstacle, Plan, Station
from linkcalc.plan.assumptions import Assumption
from linkcalc.plan.checking import checked_plan
from linkcalc.plan.control import Message
from linkcalc.plan.edits import edited_text
from linkcalc.plan.stations import AROUND_KEYS
from linkcalc.plan.syntax import parsed, value_text
from linkcalc.terrain.profile import Profile

_LONGEST_NAME = 60

RELAY_MAST_M = 6.0

RELAY_LEAST_M = 300.0
"""A relay stands no nearer to an end (common practice, no source)."""

RELAY_STEEPEST_DEG = 20.0
"""Nor on ground that is steeper along the path (common practice, no source)."""


@dataclass(frozen=True)
class RelayKit:
    """What is said of a relay's equipment; the rest is assumed."""

    like: str | None = None
    """Station of the plan whose whole equipment it has."""
    height_m: float | None = None
    """Antenna above ground."""
    power_dbm: float | None = None
    gain_dbi: float | None = None
    """Of an antenna that looks all around."""


def relay_station(plan: Plan, link: Link, kit: RelayKit) -> tuple[Station, tuple[Assumption, ...]]:
    """A relay for a link, without a place, and what was assumed of it.

    What the kit does not say is taken from the link's first station, but for its place, the height (the higher of the
    link's two), a directional antenna (which would serve one hop only), and what belongs to its surroundings.

    >>> import linkcalc as lc
    >>> plan = lc.load_plan(lc.sample_path("upland")).plan
    >>> relay, assumed = relay_station(plan, plan.link[0], RelayKit(power_dbm=20.0))
    >>> relay.antenna_height_m, relay.transmit_power_dbm, [a.key for a in assumed]
    (6.0, 20.0, ['relay equipment', 'relay antenna_height_m'])
    """
    names = [s.name for s in plan.station]
    if kit.like is not None and kit.like not in names:
        nearest = get_close_matches(kit.like, names, n=1, cutoff=0.0)[0]
        raise LinkcalcError(f"unknown station {quoted(kit.like)}; did you mean {quoted(nearest)}?")
    model = plan.station_named(kit.like or link.from_)
    height_m, assumed = model.antenna_height_m, dict[str, tuple[Any, str]]()
    changes: dict[str, Any] = dict.fromkeys(
        ("latitude_deg", "longitude_deg", "easting_m", "northing_m", "epsg")
    )
    if kit.like is None:
        name = quoted(model.name)
        assumed["equipment"] = f"as {name}", "the link's first station"
        height_m = max(plan.station_named(n).antenna_height_m for n in (link.from_, link.to))
        if kit.height_m is None:
            assumed["antenna_height_m"] = height_m, "the higher of the link's two"
        antenna = model.antenna
        if kit.gain_dbi is None and directional(antenna):
            antenna = antenna.of_type("half_wave_dipole")
            assumed["antenna.type"] = antenna.type, f"the directional one of {name} would serve one hop only"
        if antenna.azimuth_deg is not None or antenna.tilt_deg:
            antenna = antenna.model_copy(update={"azimuth_deg": None, "tilt_deg": 0.0})
        if antenna != model.antenna:
            changes["antenna"] = antenna
        theirs = f"what {name} has belongs to where it stands"
        if said := {*AROUND_KEYS} & model.model_fields_set:
            # built anew: in a copy the keys would count as stated, and rasters would not be asked
            kept = model.model_fields_set - said
            model = Station(**{key: getattr(model, key) for key in kept})
            assumed["surroundings"] = model.surroundings, theirs
        for key, nothing in (
            ("noise_rise_db", 0.0), ("extra_loss", []), ("building", "none"), ("mast_foot_m", 0.0),
        ):  # fmt: skip
            if getattr(model, key) != nothing:
                changes[key] = nothing
                assumed[key] = nothing or "none", theirs
    if kit.height_m is not None:
        height_m = float(checked("height of the relay's antenna", kit.height_m, at_least=0.1, at_most=3000.0))
    changes["antenna_height_m"] = height_m
    if kit.power_dbm is not None:
        power_dbm = checked("power of the relay", kit.power_dbm, at_least=-30.0, at_most=50.0)
        changes["transmit_power_dbm"] = float(power_dbm)
    if kit.gain_dbi is not None:
        gain_dbi = float(checked("antenna gain of the relay", kit.gain_dbi, at_least=-30.0, at_most=40.0))
        changes["antenna"] = (changes.get("antenna") or model.antenna).of_type(
            "collinear", gain_dbi=gain_dbi, azimuth_deg=None, tilt_deg=0.0
        )
    # with a number behind it, it must be free too
    taken = [n.removesuffix(" 1").removesuffix(" 2") for n in names]
    changes["name"] = _free_name("relay", taken)
    named = (Assumption(f"relay {key}", value, source) for key, (value, source) in assumed.items())
    return model.model_copy(update=changes), tuple(named)


def placed(relay: Station, latitude_deg: float, longitude_deg: float, number: int | None = None) -> Station:
    """A relay at a place; with a number if it is one of several."""
    name = relay.name if number is None else f"{relay.name} {number}"
    return relay.model_copy(
        update={"latitude_deg": latitude_deg, "longitude_deg": longitude_deg, "name": name}
    )


def with_relays(loaded: LoadedPlan, link: Link, relays: Sequence[Station]) -> LoadedPlan:
    """A plan whose links are the hops of one of its links over relays, in order, each with its messages."""
    plan = loaded.plan
    made = hops(plan, link, [r.name for r in relays])
    changed = plan.model_copy(
        update={
            "station": [*plan.station, *relays], "link": made, "message": carried(plan, link, made),
            "power": [], "tank": None, "engine": None,
        }
    )  # fmt: skip
    # profiles handed in are of whole links, not of hops
    return replace(loaded, plan=changed, profiles={})


def carried(plan: Plan, link: Link, made: Sequence[Link]) -> list[Message]:
    """A link's messages as each of its hops carries them."""
    return [
        m.model_copy(
            update={"link": hop.name, "sender": hop.from_ if m.sender in (None, link.from_) else hop.to}
        )
        for hop in made
        for m in plan.message
        if m.link == link.name
    ]


def hops(plan: Plan, link: Link, relays: Sequence[str]) -> list[Link]:
    """A link's hops from relay to relay, each with the requirement that makes all of them keep the link's.

    Obstacles and a surveyed profile stay with the link's own path.
    """
    ends = [link.from_, *relays, link.to]
    each = Requirement.of(link).of_each_hop(len(ends) - 1)
    found: list[Link] = []
    for number, (near, far) in enumerate(pairwise(ends), start=1):
        taken = [k.name for k in (*plan.link, *found)]
        # a long name is cut, so that number and letter keep it within what a plan allows
        name = _free_name(f"{link.name[: _LONGEST_NAME - 10].rstrip()}, hop {number}", taken)
        changes: dict[str, Any] = {
            "name": name,
            "from_": near,
            "to": far,
            "obstacle": [],
            "profile_csv": None,
            "required_success": each.success,
            "confidence": each.confidence,
            **({"tries": each.tries} if each.tries != link.tries else {}),
        }
        found.append(link.model_copy(update=changes))
    return found


def _free_name(wanted: str, taken: Sequence[str]) -> str:
    """A name that is not taken.

    >>> _free_name("relay", ["tank", "relay", "relay B"])
    'relay C'
    """
    free = (f"{wanted} {letter}" for letter in "BCDEFGHIJKLMNOPQRSTUVWXYZ")
    return wanted if wanted not in taken else next(name for name in free if name not in taken)


def plan_text(loaded: LoadedPlan, link: Link, relays: Sequence[Station]) -> str:
    """A plan file's text, read again, with relays and their hops added at its end.

    The link itself stays, as messages of the plan may name it.
    """
    text, settings = text_and_settings(loaded)
    lines = [
        (edited_text(text, settings) if settings else text).rstrip("\r\n"),
        "",
        f"# Relays that linkcalc found for the link {quoted(link.name)}.",
        "# A prediction: measure on site. Once they stand, delete that link; its messages go to the hops.",
        "# A message then passes every hop; a radio link is no safety function and no emergency stop.",
        f"# Each of the {len(relays) + 1} hops is required to have what makes all of them together keep the link's",
        f"# {100.0 * link.required_success:g} % of the messages at {100.0 * link.confidence:g} % of such sites.",
    ]
    tables = [("station", s) for s in relays]
    tables += [("link", k) for k in hops(loaded.plan, link, [s.name for s in relays])]  # type: ignore[misc]
    for kind, section in tables:
        lines += ["", f"[[{kind}]]"]
        values = section.model_dump(by_alias=True, exclude_unset=True, exclude_none=True)
        values |= {
            key: _rounded_up(values[key]) for key in ("required_success", "confidence") if key in values
        }
        lines += [f"{key} = {value_text(value)}" for key, value in values.items() if value != []]
    whole = "\n".join(lines) + "\n"
    try:
        checked_plan(parsed(whole.encode()), loaded.base_dir)
    except LinkcalcError as error:
        raise LinkcalcError(
            f"{loaded.path}: relays cannot be added at its end ({error}); write its stations and links as "
            "[[station]] and [[link]]"
        ) from None
    return whole


def _rounded_up(share: float) -> float:
    """A share in as many digits as a person reads, on the safe side.

    >>> _rounded_up(0.99**0.5), _rounded_up(0.9)
    (0.994988, 0.9)
    """
    return min(math.ceil(round(share * 1e6, 3)) / 1e6, 0.999999)


def refuse_other_folder(loaded: LoadedPlan, file: Path) -> None:
    """Raise `LinkcalcError` if a plan would not find its rasters from where it is to be written."""
    if file.parent.resolve() != loaded.base_dir.resolve():
        raise LinkcalcError(
            f"{file}: write it beside {loaded.path}, as the paths in it are relative to that folder"
        )


# ---------------------------------------------------------------- on the line


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
    found = [(min(hop.weaker_margin_db for hop in hops_over(case, int(i))), int(i)) for i in candidates]
    return sorted(found, key=lambda spot: (-spot[0], spot[1]))


def obstacles_on_hops(
    obstacles: Sequence[Obstacle], at_m: float, length_m: float
) -> tuple[list[Obstacle], list[Obstacle]]:
    """Obstacles of a link as both hops over a relay on its line meet them; one in which it stands is on both."""

    def part(of: Obstacle, start_m: float, end_m: float) -> list[Obstacle]:
        first = max(of.distance_m - of.width_m / 2.0, start_m)
        last = min(of.distance_m + of.width_m / 2.0, end_m)
        if first >= last:
            return []
        middle_m = (first + last) / 2.0 - start_m
        return [of.model_copy(update={"distance_m": middle_m, "width_m": last - first})]

    return (
        [found for o in obstacles for found in part(o, 0.0, at_m)],
        [found for o in obstacles for found in part(o, at_m, length_m)],
    )


def slope_deg(profile: Profile) -> Floats:
    """Slope of the ground along the path, at each point."""
    return np.asarray(np.degrees(np.arctan(np.abs(np.gradient(profile.ground_m, profile.distance_m)))))


def hops_over(case: LinkCase, i: int) -> tuple[LinkCase, LinkCase]:
    """Both hops over a relay at a point of the profile.

    It stands in for the station it replaces, whose feeder it has, longer on a taller mast.
    """
    last = len(case.profile.distance_m) - 1
    first, second = case.raised(far_m=RELAY_MAST_M), case.raised(near_m=RELAY_MAST_M)
    bare = {"extra_loss": [], "noise_rise_db": 0.0, "building": "none"}
    return (
        replace(first, far=first.far.model_copy(update=bare), profile=_part(case.profile, 0, i)),
        replace(second, near=second.near.model_copy(update=bare), profile=_part(case.profile, i, last)),
    )


def _part(profile: Profile, first: int, last: int) -> Profile:
    cut = slice(first, last + 1)
    clutter = profile.clutter_m[cut].copy()
    # a profile has nothing at its ends: there the antennas stand
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

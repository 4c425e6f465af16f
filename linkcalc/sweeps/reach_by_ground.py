"""How far a link goes before anybody has looked at its ground: distance by kind of ground and spreading factor.

Each kind of ground is an ensemble of made profiles; every profile goes through the rules of a check. At a distance
the share of such sites that meet the requirement is averaged over the ensemble; the link *closes* as far as that share
stays at the required confidence, and is a gamble where it falls to a half. One hill decides more than all of this.

A value that no plan may have is a `PlanError`; no such link or kind of ground, or a spreading factor without chirps, a
`DomainError`.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from linkcalc._arrays import Floats, checked
from linkcalc._kinds import kinds_checked
from linkcalc.answer import Answer
from linkcalc.errors import DomainError
from linkcalc.link.case import ENDS_OF, LinkCase
from linkcalc.link.findings import WAYS
from linkcalc.link.judgement import judgement
from linkcalc.link.legal import lawful
from linkcalc.link.models import profile_losses
from linkcalc.link.modulation import Signal
from linkcalc.link.on_ground import link_case
from linkcalc.link.requirement import Requirement
from linkcalc.link.uncertainty import fading_k_db, noise_items, path_items, together_db
from linkcalc.plan import ChirpModulation, LoadedPlan, PlanLike, Station, as_plan
from linkcalc.plan.loading import plan_from
from linkcalc.radio import css
from linkcalc.rules.table import START
from linkcalc.terrain.profile import Profile, profile_from

NEAREST_M, FARTHEST_M = 100.0, 60_000.0
STEPS = 28
"""Distances looked at, evenly spaced in their logarithm."""
PROFILES = 12
"""Of each kind of rolling ground, each with its own fixed seed."""
GAMBLE = 0.5
STEEL_SHED_DB = 20.0
"""An antenna inside a steel shed with its door shut: 15 to 30 dB (common practice, no source)."""

_SEA = 1


@dataclass(frozen=True)
class Ground:
    """A kind of ground."""

    name: str
    words: str
    profiles: Callable[[float], Sequence[Profile]]
    """Of a length in m."""
    station: Mapping[str, Any]
    """What is else there at the `from` station than planned."""
    extra_db: float = 0.0

    def __reduce__(self) -> tuple[Any, ...]:  # its function does not travel, its name does
        return _ground_named, (self.name,)


@dataclass(frozen=True)
class Reach:
    """How far one spreading factor goes over one kind of ground."""

    ground: str
    words: str
    spreading_factor: int | None
    closes_m: float
    """As far as the link closes, weaker direction; 0 where it nowhere does, inf beyond what was looked at."""
    gamble_m: float
    """Where half of such sites work."""
    closes_forward_m: float
    closes_return_m: float
    """The same by direction."""


@dataclass(frozen=True, eq=False, repr=False)
class HowFar(Answer):
    """The answer for one link."""

    _rows = "reaches"

    title: str
    from_: str
    to: str
    frequency_hz: float
    asked: Requirement
    distance_m: Floats
    """(d,)"""
    spreading_factors: tuple[int | None, ...]
    time_on_air_s: tuple[float, ...]
    """Of one message, by spreading factor."""
    grounds: tuple[Ground, ...]
    site_share: Floats
    """(grounds, spreading factors, d): share of such sites that meet the requirement, weaker direction."""
    reaches: tuple[Reach, ...]
    over_limits: tuple[str, ...]
    """What is over the legal limits of the plan's region, in words. Power over a limit is not counted."""


def _ground_named(name: str) -> Ground:
    return next(g for g in GROUNDS if g.name == name)


def flat(length_m: float) -> list[Profile]:
    """Level ground."""
    x = _points(length_m)
    return [profile_from(x, np.zeros(x.size), source="level ground")]


def water(length_m: float) -> list[Profile]:
    """The sea or a large lake."""
    x = _points(length_m)
    return [profile_from(x, np.zeros(x.size), zone=np.full(x.size, _SEA), source="water")]


def rolling(spread_m: float) -> Callable[[float], list[Profile]]:
    """Rolling ground with a height spread (between 10 and 90 % of the heights), over tens of kilometres.

    Hills from 0.3 to 8 km long whose height grows with their length, as real ground does; masts stand where they
    happen to, not on the tops.
    """

    def profiles(length_m: float) -> list[Profile]:
        x = _points(length_m)
        found = []
        for seed in range(PROFILES):
            # the same hills at every length, cut later: a longer path is no other land
            rng = np.random.default_rng(seed)
            waves = np.geomspace(300.0, 8000.0, 16)
            phase = rng.uniform(0.0, 2.0 * np.pi, waves.size)
            h = (waves**0.7 * np.sin(2.0 * np.pi * x[:, np.newaxis] / waves + phase)).sum(axis=1)
            # the spread of the whole, not of the piece at hand
            deviation = math.sqrt(0.5 * float((waves**1.4).sum()))
            # from 10 to 90 % of a normal distribution are 2.563 standard deviations
            found.append(profile_from(x, h * spread_m / (2.563 * deviation), source="made rolling ground"))
        return found

    return profiles


def wooded_end(length_m: float) -> list[Profile]:
    """Level ground with 60 m of trees 15 m high that begin 20 m from the `from` station."""
    # close points, so that 60 m of trees hold several
    x = _points(length_m, step_m=10.0 if length_m < 3000.0 else 20.0)
    trees = np.where((x >= 20.0) & (x <= min(80.0, length_m / 2.0)), 15.0, 0.0)
    return [profile_from(x, np.zeros(x.size), trees, source="level ground, trees at one end")]


def wood(length_m: float) -> list[Profile]:
    """Level ground, trees 15 m high all the way."""
    x = _points(length_m)
    trees = np.where((x > 0.0) & (x < length_m), 15.0, 0.0)
    return [profile_from(x, np.zeros(x.size), trees, source="level ground, trees all along")]


GROUNDS: tuple[Ground, ...] = (
    Ground("flat", "flat and open", flat, {}),
    Ground("water", "over water", water, {}),
    Ground("rolling_30", "rolling, heights within 30 m", rolling(30.0), {}),
    Ground("rolling_90", "hilly, heights within 90 m", rolling(90.0), {}),
    Ground("wooded_end", "flat, trees before one end", wooded_end, {}),
    Ground("wood", "flat, wood all along", wood, {}),
    Ground("town_edge", "flat, one end at the edge of town", flat, {"surroundings": "suburban"}),
    Ground("steel_shed", "flat, one antenna in a steel shed", flat, {}, STEEL_SHED_DB),
)


def _points(length_m: float, step_m: float = 50.0) -> Floats:
    return np.linspace(0.0, length_m, int(np.clip(math.ceil(length_m / step_m), 20, 600)) + 1)


@kinds_checked
def plan_of_facts(
    *,
    frequency_mhz: float,
    spreading_factor: int = 9,
    transmit_power_dbm: float = 14.0,
    heights_m: tuple[float, float] = (3.0, 6.0),
    gains_dbi: tuple[float, float] = (2.15, 2.15),
    region: str | None = None,
    **link: Any,
) -> LoadedPlan:
    """Make a plan from a few facts, for `how_far`; all else by default.

    Parameters
    ----------
    frequency_mhz : float, MHz, and spreading_factor : int, as the plan's `[[link]]` takes them
    transmit_power_dbm : float, dBm
        Conducted power of both ends.
    heights_m, gains_dbi : pair of float, m above ground, dBi
        Antennas of sensor and controller.
    region : str, optional
        Whose legal limits count; the radios then hop and listen first as a plan to start with does there.
    **link
        Further keys of the plan's `[[link]]`, such as `payload_bytes`.

    Returns
    -------
    LoadedPlan

    Examples
    --------
    >>> plan_of_facts(frequency_mhz=868.3, payload_bytes=8).plan.link[0].payload_bytes
    8
    """
    ends = [
        {"name": name, "antenna_height_m": height, "antenna": {"gain_dbi": gain},
         "transmit_power_dbm": transmit_power_dbm}
        for name, height, gain in zip(("sensor", "controller"), heights_m, gains_dbi, strict=True)
    ]  # fmt: skip
    made: dict[str, Any] = {
        "name": "link",
        "from": "sensor",
        "to": "controller",
        "frequency_mhz": frequency_mhz,
        "modulation": {"kind": "css", "spreading_factor": spreading_factor},
    }
    sections: dict[str, Any] = {}
    if region is not None:
        sections["regulation"] = {"region": region}
        if region in START:  # one that is not known is refused with the plan
            start = START[region]
            made["modulation"]["bandwidth_khz"] = start.bandwidth_khz
            sections["regulation"] |= {
                "hopping_channels": start.hopping_channels,
                "listen_before_talk": start.listen_before_talk,
            }
    return plan_from(station=ends, link=[{**made, **link}], profiles={"link": flat(1000.0)[0]}, **sections)


@kinds_checked
def how_far(
    loaded: PlanLike,
    *,
    link: str | None = None,
    spreading_factors: Sequence[int] | None = None,
    grounds: Sequence[str] | None = None,
) -> HowFar:
    """Work out how far a link goes over each kind of ground.

    Parameters
    ----------
    loaded : path, mapping, Plan or LoadedPlan
        Or what `plan_of_facts` returns; its terrain and positions are not looked at.
    link : str, optional
        Which link; by default the first.
    spreading_factors : sequence of int, optional
        By default the plan's own.
    grounds : sequence of str, optional
        Names of `GROUNDS`; by default all.

    Returns
    -------
    HowFar

    Examples
    --------
    >>> facts = plan_of_facts(frequency_mhz=868.3, heights_m=(3.0, 6.0))
    >>> slow, slower = how_far(facts, spreading_factors=(7, 12), grounds=("flat",)).reaches
    >>> slow.closes_m < slower.closes_m < slower.gamble_m
    True
    """
    loaded = as_plan(loaded)
    plan = loaded.plan
    chosen = next((k for k in plan.link if link in (None, k.name)), None)
    if chosen is None:
        raise DomainError(f'unknown link "{link}"; links: {", ".join(k.name for k in plan.link)}')
    known = {g.name: g for g in GROUNDS}
    wanted = list(known) if grounds is None else list(grounds)
    for name in wanted:
        if name not in known:
            raise DomainError(f'unknown kind of ground "{name}"; kinds: {", ".join(known)}')
    bare = chosen.model_copy(update={"obstacle": [], "profile_csv": None})
    start = replace(
        loaded,
        plan=plan.model_copy(update={"station": [_unplaced(s) for s in plan.station], "link": [bare]}),
        # a case needs some profile: those of each ground take its place
        profiles={chosen.name: flat(1000.0)[0]},
    )
    nothing: Any = ()
    case = link_case(start, bare, nothing)
    factors, gained, times = _signals(case, spreading_factors)
    turned_down, over = _within_limits(case, factors)
    gained = gained - turned_down
    distance = np.geomspace(NEAREST_M, FARTHEST_M, STEPS)
    asked = Requirement.of(case.link)
    shares, reaches = [], []
    for name in wanted:
        ground = known[name]
        share, margin = _shares_and_margins(case, ground, distance, gained, asked)
        shares.append(share.min(axis=0))
        for row, factor in enumerate(factors):
            closes, gamble = (
                [_distance_at(distance, way[row], level) for way in share]
                for level in (asked.confidence, GAMBLE)
            )
            # a stated fade margin is required besides the share of sites: the nearer of both ends counts
            if asked.stated_margin_db is not None:
                stated = [_distance_at(distance, way[row], asked.stated_margin_db) for way in margin]
                closes = [min(pair) for pair in zip(closes, stated, strict=True)]
            reaches.append(Reach(ground.name, ground.words, factor, min(closes), min(gamble), *closes))
    return HowFar(
        title=plan.title,
        from_=case.near.name,
        to=case.far.name,
        frequency_hz=case.frequency_hz,
        asked=asked,
        distance_m=distance,
        spreading_factors=tuple(factors),
        time_on_air_s=tuple(times),
        grounds=tuple(known[name] for name in wanted),
        site_share=np.array(shares),
        reaches=tuple(reaches),
        over_limits=over,
    )


def _unplaced(station: Station) -> Station:
    nowhere = dict.fromkeys(("latitude_deg", "longitude_deg", "easting_m", "northing_m", "epsg"))
    antenna = station.antenna.model_copy(update={"azimuth_deg": None})
    return station.model_copy(update={**nowhere, "antenna": antenna})


def _signals(case: LinkCase, asked: Sequence[int] | None) -> tuple[list[int | None], Floats, list[float]]:
    """Spreading factors, what each gains over the planned one, and a message's time on air."""
    m, payload = case.link.modulation, case.link.payload_bytes
    if not isinstance(m, ChirpModulation):
        if asked is not None:
            raise DomainError(
                "spreading factors are of chirp spread spectrum only; this link has another signal"
            )
        return [None], np.zeros(1), [case.signal.time_on_air_s(payload)]
    factors = [m.spreading_factor] if asked is None else list(asked)
    for factor in factors:
        checked("spreading factor", factor, at_least=5, at_most=12)
    gained = [css.required_snr_db(m.spreading_factor) - css.required_snr_db(f) for f in factors]
    times = [Signal.of(m.model_copy(update={"spreading_factor": f})).time_on_air_s(payload) for f in factors]
    return [*factors], np.array(gained, dtype=np.float64), times


def _within_limits(case: LinkCase, factors: Sequence[int | None]) -> tuple[Floats, tuple[str, ...]]:
    """What each end's power is turned down by to be legal, dB, (2, spreading factors); what is over, in words."""
    less = np.zeros((2, len(factors)))
    found: dict[str, list[str]] = {}
    for column, factor in enumerate(factors):
        link = case.link
        if factor is not None:
            signal = link.modulation.model_copy(update={"spreading_factor": factor})
            link = link.model_copy(update={"modulation": signal})
        legal, over = lawful(replace(case, link=link))
        for row, (was, now) in enumerate(((case.near, legal.near), (case.far, legal.far))):
            less[row, column] = was.transmit_power_dbm - now.transmit_power_dbm
        for x in over:
            what = (
                f"{x.station}: over the legal limits: {x.reason}"
                if x.legal_dbm is None
                else f"{x.station}: counted at the legal {x.legal_dbm:.1f} dBm of {x.planned_dbm:g} dBm planned"
            )
            found.setdefault(what, []).append(f"SF{factor}")
    return less, tuple(
        what if len(which) == len(factors) else f"{what} ({', '.join(which)})"
        for what, which in found.items()
    )


def _shares_and_margins(
    case: LinkCase, ground: Ground, distance: Floats, gained: Floats, asked: Requirement
) -> tuple[Floats, Floats]:
    """Share of such sites that meet the requirement, and fade margin, means over the profiles, (2, factors, distances).

    `gained` is (2, factors); 2: forward and return.
    """
    set_out = replace(case, near=case.near.model_copy(update=ground.station)) if ground.station else case
    heights = set_out.near.antenna_height_m, set_out.far.antenna_height_m
    found, margins = np.empty((2, *gained.shape, distance.size))
    for column, length in enumerate(distance):
        members = []
        for profile in ground.profiles(float(length)):
            here = replace(set_out, profile=profile)
            members.append((here, profile_losses(profile, here.situation, *heights)))
        for i, way in enumerate(WAYS):
            rx = set_out.station(ENDS_OF[way][1])
            noise = noise_items(set_out.noise(rx))
            rows, levels = [], []
            for here, losses in members:
                items = [*path_items(here, losses), *noise]
                level = -sum(float(t.value_db[0]) for t in here.path_terms(losses))
                margin = here.equipment_db(way) - level - ground.extra_db + gained[i]
                got = judgement(
                    asked,
                    margin,
                    together_db(items, "site"),
                    together_db(items, "conditions"),
                    fading_k_db(here, losses),
                )
                rows.append(got.site_share)
                levels.append(margin)
            found[i, :, column] = np.mean(rows, axis=0)
            margins[i, :, column] = np.mean(levels, axis=0)
    return found, margins


def _distance_at(distance: Floats, share: Floats, level: float) -> float:
    """How far the share stays at the level: the first fall below it."""
    below = np.flatnonzero(share < level)
    if not below.size:
        return math.inf
    # a share that rises again farther out is not counted on
    j = int(below[0])
    if j == 0:
        return 0.0
    # between two distances by their logarithm, as they are spaced
    t = (share[j - 1] - level) / max(share[j - 1] - share[j], 1e-12)
    return float(np.exp(np.log(distance[j - 1]) + t * np.log(distance[j] / distance[j - 1])))

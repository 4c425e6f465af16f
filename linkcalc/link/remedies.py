"""What makes a link close, in full: combinations of changes, the cheapest few, each checked as the improved plan is.

The search weighs thousands of combinations with the path worked out once for each pair of masts, in decibels
that add up; what it picks is then judged by the check itself, and only what that finds to close is offered. What is
pruned, in which order and why: docs/models/remedies.md.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from linkcalc._arrays import Floats
from linkcalc.errors import LinkcalcError
from linkcalc.link.case import ENDS, End, LinkCase, surroundings
from linkcalc.link.decision import Decision, decide
from linkcalc.link.legal import lawful
from linkcalc.link.parts_list import added, priced, station_parts
from linkcalc.link.relayed_plan import (
    RELAY_MAST_M,
    RelayKit,
    carried,
    hops,
    obstacles_on_hops,
    placed,
    relay_spots,
    relay_station,
    slope_deg,
)
from linkcalc.link.remedy_options import (
    AIRTIME_EFFORT_PER_S,
    MORE_TRIES,
    MORE_TRIES_EFFORT,
    SLOWER,
    TRIES,
    EndOptions,
    Paths,
    SignalSetting,
    bits_of_pair,
    heights_m,
    kinds_of_bits,
    settings,
    with_antenna_at,
)
from linkcalc.link.remedy_plans import changes_between, edit_of, link_of, moved_station, plan_with
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.result import Part, RelaySpot, Remedy
from linkcalc.link.traffic import sent_over
from linkcalc.plan import Link, Plan, Station
from linkcalc.plan.edits import edited
from linkcalc.plan.prices import Prices

MOST = 3
"""Remedies offered."""

MOVES_M = 20.0
"""How far an antenna may go to the side of where it is planned."""
MOVES_AHEAD_M = (20.0, 60.0, 120.0)
"""And towards the other station, with its cable."""

WORTH_DB = 2.0
"""What a move or felling must bring to be looked at further."""

_WORTH_RISE_M = 1.0
_NEAR_M = 150.0

WIDEST_FELLED_M = 100.0
"""More than this is no longer a few trees in the way."""

_SLACK_DB = 0.1
"""By how much the sum of decibels may be off; the check decides."""

_MOST_SPOTS = 3
"""Places for a relay that are checked."""
_MOST_CHECKS = 16
_FINE_DB = 0.5

_FEW = 600
"""The cheapest so many combinations of each setting are looked at."""
_ALIKE = 3
"""Combinations of the same kinds that are checked until one closes."""


CaseOf = Callable[[Plan, Link], LinkCase]
"""Puts a link of a changed plan on its ground."""


class _Base(NamedTuple):
    """What a search starts from: the link as planned, or with an end moved or trees felled."""

    case: LinkCase
    plan: Plan
    kinds: tuple[str, ...] = ()
    extra: tuple[Part, ...] = ()
    """Work that no station shows."""
    cost: float = 0.0
    """Of it, and of what the stations take more than planned."""


class _Picked(NamedTuple):
    """One combination, before it is checked."""

    base: _Base
    kinds: frozenset[str]
    cost: float
    ends: tuple[tuple[Station, dict[str, Any], float], ...]
    """Of each end: the station on its mast and cable, what else is set of it, and its power."""
    signal: SignalSetting
    tries: int

    def plan(self) -> Plan:
        """The plan with the combination made."""
        link = self.base.case.link
        stations = []
        for end, (station, update, power_dbm) in zip(ENDS, self.ends, strict=True):
            if abs(power_dbm - self.base.case.station(end).transmit_power_dbm) >= 0.05:
                update = update | {"transmit_power_dbm": power_dbm}
            stations.append(station.model_copy(update=update))
        changes: dict[str, Any] = {"modulation": self.signal.modulation} if self.signal.kinds else {}
        if self.tries != link.tries:
            changes["tries"] = self.tries
        return plan_with(self.base.plan, link.model_copy(update=changes), stations)


def remedies(case: LinkCase, plan: Plan, case_of: CaseOf) -> tuple[Remedy, ...]:
    """The cheapest combinations of changes with which a link closes, at most `MOST`; none contains another.

    Each closes when the plan so changed is checked, keeps the legal limits as far as the table knows them, and leaves
    no other link of the plan worse off.
    """
    search = _Search(plan, case.link, case_of)
    base = _Base(case, plan)
    picked = search.candidates(base)
    # the last place is kept for one that spares battery and channel, where the cheapest do not
    found = search.confirmed(picked, [], MOST - 1)
    if all(SLOWER & set(r.kinds) for r in found):
        found = search.confirmed([p for p in picked if not SLOWER & p.kinds], found, 1)
    if len(found) < MOST:
        found = search.confirmed(picked, found, MOST - len(found))
    # moving or felling takes the terrain read anew: only where it may be among the cheapest two
    if len(found) < MOST or sorted(r.cost for r in found)[1] > search.least_of_others(base):
        for other in search.other_bases(base):
            found = search.confirmed(search.candidates(other), found, 1)
    if not found:
        found = search.relayed(base)
    return tuple(sorted(found, key=lambda r: (r.cost, len(r.kinds)))[:MOST])


class _Made(NamedTuple):
    """A plan with a remedy made, that closes."""

    plan: Plan
    case: LinkCase
    decision: Decision


@dataclass
class _Search:
    plan: Plan
    link: Link
    case_of: CaseOf
    checks: int = 0

    @cached_property
    def shared(self) -> frozenset[str]:
        """Stations that other links use too: no antenna of theirs is turned to one side."""
        others = [k for k in self.plan.link if k.name != self.link.name]
        return frozenset(n for k in others for n in (k.from_, k.to))

    def candidates(self, base: _Base) -> list[_Picked]:
        """What closes by the sum of decibels, cheapest first, a few of each kind."""
        case, prices = lawful(base.case)[0], base.plan.prices
        ends = [EndOptions.of(case, end, prices, self.shared) for end in ENDS]
        paths = Paths.of(case, heights_m(case.near), heights_m(case.far))
        required = Requirement.of(case.link)
        by_tries = [required, *(replace(required, tries=t) for t in TRIES if t > required.tries)]
        needed = {one.tries: paths.needed(one) for one in by_tries if one.reachable}
        pairs_of: dict[Any, _Pairs] = {}
        tried: list[tuple[SignalSetting, int, _Pairs]] = []
        columns: list[Floats] = []
        for signal in settings(case):
            # most settings leave the legal powers as they are: options are pruned once for each that does not
            if signal.power_limits_dbm not in pairs_of:
                known = case.regulation.region is not None
                first, second = (
                    o.with_power(c, raised=known) for o, c in zip(ends, signal.power_limits_dbm, strict=True)
                )
                pairs_of[signal.power_limits_dbm] = _Pairs.of(first, second, paths)
            pairs = pairs_of[signal.power_limits_dbm]
            for tries, margins in needed.items():
                more = tries > required.tries
                n, f, over_db = pairs.closing(margins, signal.gain_db)
                burden = signal.effort + MORE_TRIES_EFFORT * more
                burden += AIRTIME_EFFORT_PER_S * signal.time_on_air_s * tries
                cost = base.cost + pairs.near.cost[n] + pairs.far.cost[f]
                effort = burden + pairs.near.effort[n] + pairs.far.effort[f]
                kinds = pairs.kinds(n, f) | signal.kinds | MORE_TRIES * more
                columns.append(np.stack([cost, effort, -over_db, kinds, np.full(n.size, len(tried)), n, f]))
                tried.append((signal, tries, pairs))
        found = np.concatenate(columns, axis=1) if columns else np.empty((7, 0))
        # at the same price, to a cent, what is easier to do comes first; then what leaves more decibels
        # np.lexsort goes by its last key first
        order = np.lexsort((found[2], found[1], np.round(found[0], 2)))
        picked = []
        for i in order[_first_of_each(found[3, order].astype(np.int64))]:
            bits, setting, at_near, at_far = (int(v) for v in found[3:, i])
            signal, tries, pairs = tried[setting]
            changes = pairs.near.changes(at_near), pairs.far.changes(at_far)
            picked.append(
                _Picked(
                    base, kinds_of_bits(bits).union(base.kinds), float(found[0, i]), changes, signal, tries
                )
            )
        return picked

    def confirmed(self, candidates: Sequence[_Picked], found: Sequence[Remedy], most: int) -> list[Remedy]:
        """Those that the check finds to close; none that only adds to another."""
        kept = list(found)
        enough = len(kept) + most
        for picked in candidates:
            if len(kept) >= enough or self.checks >= _MOST_CHECKS:
                break
            if any(set(r.kinds) <= picked.kinds and r.cost <= picked.cost for r in kept):
                continue
            self.checks += 1
            try:
                made = self._confirm(picked)
            # what no plan file may state is no remedy
            except (LinkcalcError, ValidationError):
                continue
            if made is not None:
                kept.append(self._remedy(picked, made))
        return kept

    def _confirm(self, picked: _Picked) -> _Made | None:
        base, plan = picked.base, picked.plan()
        turned = []
        # more tries may meet limits that those of the signal did not show
        for excess in lawful(self._case(base, plan))[1]:
            if excess.legal_dbm is None:
                return None
            # in tenths, rounded down but for `POWER_ROUNDING_DB`: 25 mW (13.98 dBm) is set as 14
            turned.append(_with_power(plan, excess.station, math.floor(10.0 * excess.legal_dbm + 0.3) / 10.0))
        made = self._made(base, self._with_stations(plan, turned))
        if made is None:
            return None
        # what a message does not need is neither sent nor taken from the battery
        if less := _less_power(self.plan, made):
            # where that falls short by a hair, the power stays
            made = self._made(base, self._with_stations(made.plan, less)) or made
        return made if self._others_no_worse(made.plan) else None

    def _with_stations(self, plan: Plan, stations: Sequence[Station]) -> Plan:
        return plan_with(plan, link_of(plan, self.link.name), stations)

    def _made(self, base: _Base, plan: Plan) -> _Made | None:
        """A changed plan as it will be read again, checked; None where it does not close."""
        tables = self.plan.model_dump(by_alias=True, exclude_unset=True)
        again = Plan.model_validate(edited(tables, [edit_of(c) for c in changes_between(self.plan, plan)]))
        case = self._case(base, again)
        decision = decide(case)
        return _Made(again, case, decision) if decision.verdict == "closes" else None

    def _case(self, base: _Base, plan: Plan) -> LinkCase:
        """The link in a plan that is changed, on the ground of the base."""
        link = link_of(plan, self.link.name)
        near, far = plan.station_named(link.from_), plan.station_named(link.to)
        return replace(base.case, link=link, near=near, far=far, sent=sent_over(plan, link))

    def _others_no_worse(self, plan: Plan) -> bool:
        pairs = zip(self.plan.station, plan.station, strict=True)
        touched = {old.name for old, new in pairs if old != new} & self.shared
        for link in plan.link:
            if link.name == self.link.name or not touched & {link.from_, link.to}:
                continue
            before, after = (
                decide(self.case_of(p, link_of(p, link.name))).verdict for p in (self.plan, plan)
            )
            if VERDICTS.index(after) < VERDICTS.index(before):
                return False
        return True

    def _parts(self, case: LinkCase, prices: Prices) -> list[Part]:
        """What both stations of a link take besides what is planned."""
        return [p for s in (case.near, case.far) for p in added(self.plan.station_named(s.name), s, prices)]

    def _remedy(self, picked: _Picked, made: _Made) -> Remedy:
        plan, case = made.plan, made.case
        more_db = case.near.transmit_power_dbm - self.plan.station_named(case.near.name).transmit_power_dbm
        was_s = picked.base.case.signal.time_on_air_s(self.link.payload_bytes) * self.link.tries
        forward, returned = made.decision.directions
        return _remedy(
            (*picked.base.extra, *self._parts(case, plan.prices)),
            plan.prices,
            made.decision,
            kinds=tuple(sorted(picked.kinds)),
            changes=tuple(changes_between(self.plan, plan)),
            site_share=min(forward.site_share, returned.site_share),
            energy_ratio=10.0 ** (more_db / 10.0) * forward.time_on_air_s * case.link.tries / was_s,
        )

    def relayed(self, base: _Base) -> list[Remedy]:
        """A relay on the line: each hop must have what both together require."""
        profile, link, plan = base.case.profile, self.link, base.plan
        lat, lon = profile.latitude_deg, profile.longitude_deg
        unknown = bool(base.case.losses.ground_unknown[0])
        if lat is None or lon is None or unknown or _is_surveyed(base.case) or not plan.terrain.rasters:
            return []
        model, _ = relay_station(plan, link, RelayKit(height_m=RELAY_MAST_M))
        feeder = with_antenna_at(plan.station_named(link.from_), RELAY_MAST_M).feeder
        model = model.model_copy(update={"feeder": feeder})
        for _, i in relay_spots(lawful(base.case)[0])[:_MOST_SPOTS]:
            relay = placed(model, round(float(lat[i]), 6), round(float(lon[i]), 6))
            at_m = float(profile.distance_m[i])
            standing = obstacles_on_hops(link.obstacle, at_m, profile.length_m)
            two = [
                hop.model_copy(update={"obstacle": found})
                for hop, found in zip(hops(plan, link, [relay.name]), standing, strict=True)
            ]
            # the hops stand in the link's place, with its messages: a relay's hour of air holds those of both
            links = [*(k for k in plan.link if k.name != link.name), *two]
            messages = [*(m for m in plan.message if m.link != link.name), *carried(plan, link, two)]
            update = {"station": [*plan.station, relay], "link": links, "message": messages}
            changed = plan.model_copy(update=update)
            try:
                decisions = [decide(self.case_of(changed, hop)) for hop in two]
            except LinkcalcError:
                continue
            if any(d.verdict != "closes" for d in decisions):
                continue
            tries = two[0].tries if two[0].tries != link.tries else 0
            slope = float(slope_deg(profile)[i])
            spot = RelaySpot(float(lat[i]), float(lon[i]), at_m, RELAY_MAST_M, slope, tries)
            found = _remedy(
                station_parts(relay, plan.prices, supplied=True),
                plan.prices,
                min(decisions, key=lambda d: d.weaker.fade_margin_db - d.weaker.required_margin_db),
                kinds=("relay",),
                changes=(),
                site_share=math.prod(min(w.site_share for w in d.directions) for d in decisions),
                energy_ratio=1.0,
                relay=spot,
            )
            return [found]
        return []

    def least_of_others(self, base: _Base) -> float:
        """What moving an antenna or felling trees costs at least."""
        prices = base.plan.prices
        moved = (prices.laying_per_m + prices.feeder.rg213) * MOVES_M + prices.climb
        felled = [prices.felling_per_m * o.width_m for o in self.link.obstacle if o.kind == "trees"]
        return min([moved, *felled])

    def other_bases(self, base: _Base) -> Iterator[_Base]:
        """The link with an end moved along the ground, or with trees felled, where that brings something."""
        before_db = base.case.weaker_margin_db
        best: dict[str, tuple[float, _Base]] = {}
        for other in (*self._felled(base), *self._moved(base)):
            gain_db, (kind,) = other.case.weaker_margin_db - before_db, other.kinds
            # nearer places come first: a farther one must bring half a decibel more
            if gain_db >= WORTH_DB and (kind not in best or gain_db > best[kind][0] + _FINE_DB):
                best[kind] = gain_db, other
        yield from (other for _, other in best.values())

    def _felled(self, base: _Base) -> Iterator[_Base]:
        link, prices = self.link, base.plan.prices
        for obstacle in link.obstacle:
            if obstacle.kind != "trees" or obstacle.width_m > WIDEST_FELLED_M:
                continue
            left = [o for o in link.obstacle if o is not obstacle]
            plan = plan_with(base.plan, link.model_copy(update={"obstacle": left}), [])
            width_m, at_m = obstacle.width_m, obstacle.distance_m
            part = priced(link.from_, "felling", width_m, "m", prices, "felling_per_m", size=at_m)
            yield self._base(plan, "felling", part)

    def _moved(self, base: _Base) -> Iterator[_Base]:
        link, case = self.link, base.case
        # obstacles and surveys are of the planned line: what stands beside it is not known
        if link.obstacle or _is_surveyed(case) or not case.positioned or not base.plan.terrain.rasters:
            return
        for end in ENDS:
            station = case.station(end)
            if station.name in self.shared:
                continue
            ahead_deg = case.bearing_deg(end)
            ways = [(m, ahead_deg) for m in MOVES_AHEAD_M if _rises(case, end, m)]
            if _blocked_near(case, end):
                ways += [(MOVES_M, ahead_deg + turn) for turn in (90.0, 270.0)]
            for distance_m, bearing_deg in ways:
                moved = moved_station(station, distance_m, bearing_deg)
                part = priced(station.name, "laying", distance_m, "m", base.plan.prices, "laying_per_m")
                try:
                    found = self._base(plan_with(base.plan, link, [moved]), f"move:{end}", part)
                except LinkcalcError:  # off the raster
                    continue
                if not worse_is_shown(found.case, end):
                    yield found

    def _base(self, plan: Plan, kind: str, extra: Part) -> _Base:
        case = self.case_of(plan, link_of(plan, self.link.name))
        parts = [extra, *self._parts(case, plan.prices)]
        return _Base(case, plan, (kind,), (extra,), sum(p.cost for p in parts))


def _remedy(parts: tuple[Part, ...], prices: Prices, decision: Decision, **more: Any) -> Remedy:
    """A remedy of these parts, with what was decided of the link or of its weaker hop."""
    forward, returned = decision.directions
    return Remedy(
        parts=parts,
        cost=round(sum(p.cost for p in parts), 2),
        currency=prices.currency,
        prices_stated=all(p.price_stated for p in parts),
        verdict="closes",
        fade_margins_db=(forward.fade_margin_db, returned.fade_margin_db),
        required_margins_db=(forward.required_margin_db, returned.required_margin_db),
        time_on_air_s=(forward.time_on_air_s, returned.time_on_air_s),
        **more,
    )


class _Pairs(NamedTuple):
    """Options of both ends, each with each; arrays (n, f)."""

    near: EndOptions
    far: EndOptions
    forward_db: Floats
    return_db: Floats
    """Margins with the planned signal."""
    rank: Floats
    """By cost, then by effort."""

    @classmethod
    def of(cls, near: EndOptions, far: EndOptions, paths: Paths) -> "_Pairs":
        gain_db = paths.gain_db[np.ix_(near.height, far.height)]
        forward_db = near.sends_db[:, None] + far.hears_db + gain_db
        return_db = near.hears_db[:, None] + far.sends_db + gain_db
        effort = near.effort[:, None] + far.effort
        return cls(near, far, forward_db, return_db, near.cost[:, None] + far.cost + 1e-3 * effort)

    def closing(
        self, needed_db: tuple[Floats, Floats], gain_db: float
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
        """The cheapest that close with a signal that gains so much: rows of either end, and what they have over."""
        for_forward, for_return = (v[np.ix_(self.near.height, self.far.height)] for v in needed_db)
        # what a pair has over what is required, with the planned signal
        over = np.minimum(self.forward_db - for_forward, self.return_db - for_return).ravel()
        close = np.flatnonzero(over >= -_SLACK_DB - gain_db)
        if close.size > _FEW:
            # which are cheapest is enough here: those of all settings are put in order together
            close = close[np.argpartition(self.rank.ravel()[close], _FEW)[:_FEW]]
        n, f = np.unravel_index(close, self.rank.shape)
        return n, f, over[close]

    def kinds(self, n: NDArray[np.int64], f: NDArray[np.int64]) -> NDArray[np.int64]:
        """Bits of `KINDS` of pairs."""
        return bits_of_pair(self.near.kinds[n], self.far.kinds[f])


def _with_power(plan: Plan, name: str, power_dbm: float) -> Station:
    return plan.station_named(name).model_copy(update={"transmit_power_dbm": power_dbm})


def _less_power(planned: Plan, made: _Made) -> list[Station]:
    """Stations whose raised power may be lower by whole decibels, with it."""
    stations = []
    for end, d in zip(ENDS, made.decision.directions, strict=True):
        station = made.case.station(end)
        present_dbm = station.transmit_power_dbm
        before_dbm = planned.station_named(station.name).transmit_power_dbm
        spare_db = math.floor(d.fade_margin_db - d.required_margin_db)
        power_dbm = max(before_dbm, present_dbm - spare_db)
        if spare_db >= 1 and before_dbm < present_dbm and power_dbm < present_dbm:
            stations.append(_with_power(made.plan, station.name, power_dbm))
    return stations


def _first_of_each(kinds: NDArray[np.int64]) -> NDArray[np.int64]:
    """Places of the first few of each kind, in order."""
    left, places = np.arange(kinds.size), list[NDArray[np.int64]]()
    for _ in range(_ALIKE):
        _, first = np.unique(kinds[left], return_index=True)
        places.append(left[first])
        left = np.delete(left, first)
    return np.sort(np.concatenate(places))


def worse_is_shown(case: LinkCase, end: End) -> bool:
    """Whether rasters show more around an antenna than the plan states: what it states is of the planned place."""
    station, shown = case.station(end), case.shown[ENDS.index(end)]
    counted = surroundings(station, shown)
    if shown is None or counted is shown:
        return False
    at = case.frequency_hz, station.antenna_height_m
    return bool(shown.loss_db(*at) > counted.loss_db(*at))


def _is_surveyed(case: LinkCase) -> bool:
    """Whether the profile is no raster's: a path beside it has other heights, and none of what stands on it."""
    return case.profile.cell_m == 0.0


def _rises(case: LinkCase, end: End, ahead_m: float) -> bool:
    """Whether the ground so far ahead is higher than where the antenna stands."""
    p = case.profile
    if ahead_m > 0.1 * p.length_m:
        return False
    stands_m, moved_m = (0.0, ahead_m) if end == "near" else (p.length_m, p.length_m - ahead_m)
    before_m, after_m = np.interp([stands_m, moved_m], p.distance_m, p.ground_m)
    return bool(after_m >= before_m + _WORTH_RISE_M)


def _blocked_near(case: LinkCase, end: End) -> bool:
    """Whether what stands most in the way stands near an end, where a step to the side may pass it."""
    p = case.profile
    worst_m = float(p.distance_m[case.path.worst])
    if end == "far":
        worst_m = p.length_m - worst_m
    return case.path.regime != "clear" and worst_m <= _NEAR_M

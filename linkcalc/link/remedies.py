"""What makes a link close, in full: combinations of changes, the cheapest few, each checked as the improved plan is.

The search weighs thousands of combinations with the path worked out once for each pair of masts, in decibels
that add up; what it picks is then judged by the check itself, and only what that finds to close is offered.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from linkcalc._arrays import Floats
from linkcalc.errors import LinkcalcError
from linkcalc.link.case import ENDS, End, LinkCase
from linkcalc.link.legal import lawful
from linkcalc.link.parts_list import added, station_parts
from linkcalc.link.relay_on_line import RELAY_MAST_M, relay_spots, slope_deg
from linkcalc.link.relayed_plan import RelayKit, hops, placed, relay_station
from linkcalc.link.remedy_options import (
    AT_AN_END,
    KINDS,
    TRIES,
    EndOptions,
    Paths,
    Row,
    Rows,
    Setting,
    settings,
    with_antenna_at,
)
from linkcalc.link.remedy_plans import changes_between, edit_of, link_of, moved_station, plan_with
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.result import Change, Part, RelaySpot, Remedy
from linkcalc.link.traffic import sent_over
from linkcalc.plan import Link, Plan, Station
from linkcalc.plan.edits import edited

if TYPE_CHECKING:
    from linkcalc.link.verdict import Decision

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

_SLOWER = 0b1110
"""Those that keep a message longer on the air."""
_FEW = 600
"""The cheapest so many combinations of each setting are looked at."""
_ALIKE = 3
"""Combinations of the same kinds that are checked until one closes."""


@dataclass(frozen=True)
class Check:
    """How a plan is checked: what the command does, handed in."""

    decide: "Callable[[LinkCase], Decision]"
    case_of: Callable[[Plan, Link], LinkCase]
    """A link of a plan on its ground."""


@dataclass(frozen=True)
class _Base:
    """What a search starts from: the link as planned, or with an end moved or trees felled."""

    case: LinkCase
    plan: Plan
    kinds: tuple[str, ...]
    cost: float
    extra: tuple[Part, ...] = ()


@dataclass(frozen=True)
class _Picked:
    """One combination, before it is checked."""

    base: _Base
    kinds: frozenset[str]
    cost: float
    slower: bool
    """A message is longer on the air, or sent more often."""
    plan: Callable[[], Plan]


def remedies(case: LinkCase, plan: Plan, check: Check) -> tuple[Remedy, ...]:
    """Find the cheapest combinations of changes with which a link closes.

    Parameters
    ----------
    case : LinkCase
        As planned.
    plan : Plan
        It is of; its price list counts.
    check : Check

    Returns
    -------
    tuple of Remedy
        At most `MOST`, cheapest first; each closes when the plan so changed is checked, keeps the legal limits
        as far as the table knows them, and leaves no other link of the plan worse off. None contains another.
    """
    search = _Search(plan, case.link, check)
    base = _Base(case, plan, (), 0.0)
    picked = search.candidates(base)
    found = search.confirmed(picked, [], MOST - 1)
    # one that spares battery and channel, where the cheapest do not
    if all("spreading_factor" in r.kinds or "bandwidth" in r.kinds or "tries" in r.kinds for r in found):
        found = search.confirmed([p for p in picked if not p.slower], found, 1)
    if len(found) < MOST:
        found = search.confirmed(picked, found, MOST - len(found))
    if len(found) < MOST or sorted(r.cost for r in found)[1] > search.least_of_others(base):
        for other in search.other_bases(base):
            found = search.confirmed(search.candidates(other), found, 1)
    if not found:
        found = search.relayed(base)
    return tuple(sorted(found, key=lambda r: (r.cost, len(r.kinds)))[:MOST])


@dataclass(frozen=True)
class _Made:
    """A plan with a remedy made, that closes."""

    plan: Plan
    case: LinkCase
    changes: tuple[Change, ...]
    decision: "Decision"


@dataclass
class _Search:
    plan: Plan
    link: Link
    check: Check
    checks: int = 0

    @cached_property
    def shared(self) -> frozenset[str]:
        """Stations that other links use too: no antenna of theirs is turned to one side."""
        others = [k for k in self.plan.link if k.name != self.link.name]
        return frozenset(n for k in others for n in (k.from_, k.to))

    def candidates(self, base: _Base) -> list[_Picked]:
        """What closes by the sum of decibels, cheapest first, a few of each kind."""
        return list(self._candidates(base))

    def _candidates(self, base: _Base) -> Iterator[_Picked]:
        case, prices = lawful(base.case)[0], base.plan.prices
        ends = tuple(EndOptions.of(case, end, prices, self.shared) for end in ENDS)
        paths = Paths.of(case, ends[0].heights_m, ends[1].heights_m)
        required = Requirement.of(case.link)
        needed: dict[int, tuple[Floats, Floats]] = {}
        for tries in (required.tries, *(t for t in TRIES if t > required.tries)):
            one = replace(required, tries=tries)
            if one.reachable:
                needed[tries] = paths.needed(one)
        pruned: dict[Any, _Pairs] = {}
        tried: list[tuple[Setting, int, _Pairs]] = []
        columns: list[Floats] = []
        for signal in settings(case):
            if signal.caps not in pruned:
                options = (end.rows(caps) for end, caps in zip(ends, signal.caps, strict=True))
                pruned[signal.caps] = _Pairs.of(next(options), next(options), paths)
            pairs = pruned[signal.caps]
            for tries, (forward_db, return_db) in needed.items():
                # what a pair has over what is required, with the planned signal
                over = np.minimum(
                    pairs.forward_db - forward_db[pairs.at], pairs.return_db - return_db[pairs.at]
                )
                close = np.flatnonzero(over >= -_SLACK_DB - signal.gain_db)
                if close.size > _FEW:
                    close = close[np.argpartition(pairs.rank[close], _FEW)[:_FEW]]
                n, f = np.unravel_index(close, over.shape)
                more = tries > required.tries
                burden = signal.effort + 1.5 * more + 0.01 * signal.time_on_air_s * tries
                kinds = pairs.near.kinds[n] | (pairs.far.kinds[f] & 1)
                kinds |= (pairs.far.kinds[f] & ~1) << len(AT_AN_END) | signal.kinds | more << 3
                cost = base.cost + pairs.near.cost[n] + pairs.far.cost[f]
                effort = burden + pairs.near.effort[n] + pairs.far.effort[f]
                which = np.full(n.size, len(tried))
                columns.append(np.stack([cost, effort, -over.ravel()[close], kinds, which, n, f]))
                tried.append((signal, tries, pairs))
        found = np.concatenate(columns, axis=1) if columns else np.empty((7, 0))
        order = np.lexsort((found[2], found[1], np.round(found[0], 2)))
        for i in order[_first_of_each(found[3, order].astype(np.int64))]:
            bits, setting, first, second = (int(v) for v in found[3:, i])
            signal, tries, pairs = tried[setting]
            rows = pairs.near.of[first], pairs.far.of[second]
            yield _Picked(
                base, frozenset(base.kinds) | _words(bits), float(found[0, i]), bool(bits & _SLOWER),
                partial(_plan, base, rows, signal, tries),
            )  # fmt: skip

    def confirmed(
        self, candidates: Sequence[_Picked], found: Sequence[Remedy], most: int = MOST
    ) -> list[Remedy]:
        """Those that the check finds to close; none that only adds to another."""
        kept = list(found)
        enough = len(kept) + most
        for picked in candidates:
            if len(kept) >= enough or self.checks >= _MOST_CHECKS:
                break
            if any(set(r.kinds) <= picked.kinds and r.cost <= picked.cost for r in kept):
                continue
            remedy = self._confirm(picked)
            if remedy is not None:
                kept.append(remedy)
        return kept

    def _confirm(self, picked: _Picked) -> Remedy | None:
        self.checks += 1
        base = picked.base
        plan = picked.plan()
        turned: dict[End, Station] = {}
        try:
            case = self._case(base, plan)
            for end, excess in (
                (e, x) for x in lawful(case)[1] for e in ENDS if case.station(e).name == x.station
            ):
                if excess.legal_dbm is None:
                    return None
                power_dbm = math.floor(10.0 * excess.legal_dbm + 0.3) / 10.0
                turned[end] = case.station(end).model_copy(update={"transmit_power_dbm": power_dbm})
            if turned:
                plan = plan_with(plan, link_of(plan, self.link.name), list(turned.values()))
                case = self._case(base, plan)
            made = self._made(base, plan)
            if made is None:
                return None
            # what a message does not need is neither sent nor taken from the battery
            if less := _less_power(self.plan, made):
                made = (
                    self._made(base, plan_with(made.plan, link_of(made.plan, self.link.name), less)) or made
                )
            if not self._others_no_worse(made.plan):
                return None
        except (LinkcalcError, ValidationError):
            return None
        return self._remedy(picked, made)

    def _made(self, base: _Base, plan: Plan) -> "_Made | None":
        """A changed plan as it will be read again, checked; None where it does not close."""
        changes = tuple(changes_between(self.plan, plan))
        tables = self.plan.model_dump(by_alias=True, exclude_unset=True)
        again = Plan.model_validate(edited(tables, [edit_of(c) for c in changes]))
        case = self._case(base, again)
        decision = self.check.decide(case)
        return _Made(again, case, changes, decision) if decision.verdict == "closes" else None

    def _case(self, base: _Base, plan: Plan) -> LinkCase:
        """The link in a plan that is changed, on the ground of the base."""
        link = link_of(plan, self.link.name)
        case = replace(
            base.case, link=link, near=plan.station_named(link.from_), far=plan.station_named(link.to)
        )
        return replace(case, sent=sent_over(plan, link))

    def _others_no_worse(self, plan: Plan) -> bool:
        touched = {
            old.name for old, new in zip(self.plan.station, plan.station, strict=True) if old != new
        } & self.shared
        for link in plan.link:
            if link.name == self.link.name or not touched & {link.from_, link.to}:
                continue
            before, after = (
                self.check.decide(self.check.case_of(p, link_of(p, link.name))).verdict
                for p in (self.plan, plan)
            )
            if VERDICTS.index(after) < VERDICTS.index(before):
                return False
        return True

    def _remedy(self, picked: _Picked, made: _Made) -> Remedy:
        plan, case, decision = made.plan, made.case, made.decision
        parts = list(picked.base.extra)
        for end in ENDS:
            after = case.station(end)
            parts += added(self.plan.station_named(after.name), after, plan.prices)
        there, back = decision.directions
        old = link_of(self.plan, self.link.name)
        sent = 10.0 ** (
            (case.near.transmit_power_dbm - self.plan.station_named(old.from_).transmit_power_dbm) / 10.0
        )
        was_s = picked.base.case.signal.time_on_air_s(old.payload_bytes) * old.tries
        return Remedy(
            kinds=tuple(sorted(picked.kinds)),
            changes=made.changes,
            parts=tuple(parts),
            cost=round(sum(p.cost for p in parts), 2),
            currency=plan.prices.currency,
            prices_stated=all(p.price_stated for p in parts),
            verdict=decision.verdict,
            fade_margins_db=(there.fade_margin_db, back.fade_margin_db),
            required_margins_db=(there.required_margin_db, back.required_margin_db),
            site_share=min(there.site_share, back.site_share),
            time_on_air_s=(there.time_on_air_s, back.time_on_air_s),
            energy_ratio=sent * there.time_on_air_s * case.link.tries / was_s,
        )

    def relayed(self, base: _Base) -> list[Remedy]:
        """A relay on the line: each hop must have what both together require."""
        profile, link, plan = base.case.profile, self.link, base.plan
        lat, lon = profile.latitude_deg, profile.longitude_deg
        unknown = bool(base.case.losses.ground_unknown[0])
        if lat is None or lon is None or unknown or link.profile_csv or not plan.terrain.rasters:
            return []
        model, _ = relay_station(plan, link, RelayKit(height_m=RELAY_MAST_M))
        model = model.model_copy(
            update={"feeder": with_antenna_at(plan.station_named(link.from_), RELAY_MAST_M).feeder}
        )
        for _, i in relay_spots(lawful(base.case)[0])[:_MOST_SPOTS]:
            relay = placed(model, round(float(lat[i]), 6), round(float(lon[i]), 6))
            two = hops(plan, link, [relay.name])
            changed = plan.model_copy(update={"station": [*plan.station, relay], "link": [*plan.link, *two]})
            try:
                decisions = [self.check.decide(self.check.case_of(changed, hop)) for hop in two]
            except LinkcalcError:
                continue
            if all(d.verdict == "closes" for d in decisions):
                spot = RelaySpot(
                    float(lat[i]), float(lon[i]), float(profile.distance_m[i]), RELAY_MAST_M,
                    float(slope_deg(profile)[i]), two[0].tries if two[0].tries != link.tries else 0,
                )  # fmt: skip
                return [_relay_remedy(spot, relay, plan, decisions)]
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
        better = [*self._felled(base), *self._moved(base)]
        worth = [(b.case.weaker_margin_db - before_db, b) for b in better]
        best: dict[str, tuple[float, _Base]] = {}
        for gain_db, other in worth:
            kind = other.kinds[0]
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
            price = prices.felling_per_m
            part = Part(
                link.from_, "felling", "", obstacle.distance_m, obstacle.width_m, "m", price,
                round(price * obstacle.width_m, 2), "felling_per_m" in prices.model_fields_set,
            )  # fmt: skip
            yield self._base(plan, "felling", (part,))

    def _moved(self, base: _Base) -> Iterator[_Base]:
        link, case = self.link, base.case
        if link.obstacle or link.profile_csv or not case.positioned or not base.plan.terrain.rasters:
            return
        for end in ENDS:
            station = case.station(end)
            if station.name in self.shared:
                continue
            ahead_deg = case.azimuth_deg if end == "near" else case.back_azimuth_deg
            ways = [(m, ahead_deg) for m in MOVES_AHEAD_M if _rises(case, end, m)]
            if _blocked_near(case, end):
                ways += [(MOVES_M, ahead_deg + turn) for turn in (90.0, 270.0)]
            for distance_m, bearing_deg in ways:
                moved = moved_station(station, distance_m, bearing_deg)
                price = base.plan.prices.laying_per_m
                part = Part(
                    station.name, "laying", "", None, distance_m, "m", price, round(price * distance_m, 2),
                    "laying_per_m" in base.plan.prices.model_fields_set,
                )  # fmt: skip
                try:
                    yield self._base(plan_with(base.plan, link, [moved]), f"move:{end}", (part,))
                except LinkcalcError:  # off the raster
                    continue

    def _base(self, plan: Plan, kind: str, extra: tuple[Part, ...]) -> _Base:
        link = link_of(plan, self.link.name)
        case = self.check.case_of(plan, link)
        parts = list(extra)
        for end in ENDS:
            after = case.station(end)
            parts += added(self.plan.station_named(after.name), after, plan.prices)
        return _Base(case, plan, (kind,), sum(p.cost for p in parts), extra)


def _relay_remedy(spot: RelaySpot, relay: Station, plan: Plan, decisions: Sequence["Decision"]) -> Remedy:
    parts = station_parts(relay, plan.prices, supplied=True)
    weaker = min(decisions, key=lambda d: d.weaker.fade_margin_db - d.weaker.required_margin_db)
    there, back = weaker.directions
    return Remedy(
        kinds=("relay",),
        changes=(),
        parts=parts,
        cost=round(sum(p.cost for p in parts), 2),
        currency=plan.prices.currency,
        prices_stated=all(p.price_stated for p in parts),
        verdict="closes",
        fade_margins_db=(there.fade_margin_db, back.fade_margin_db),
        required_margins_db=(there.required_margin_db, back.required_margin_db),
        site_share=math.prod(min(w.site_share for w in d.directions) for d in decisions),
        time_on_air_s=(there.time_on_air_s, back.time_on_air_s),
        energy_ratio=1.0,
        relay=spot,
    )


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Options of both ends, each with each; arrays (n, f) but for `rank`."""

    near: Rows
    far: Rows
    at: tuple[NDArray[np.int64], NDArray[np.int64]]
    """Of the heights of each pair."""
    forward_db: Floats
    return_db: Floats
    """Margins with the planned signal."""
    rank: Floats
    """(n x f,) by cost, then by effort."""

    @classmethod
    def of(cls, near: Rows, far: Rows, paths: Paths) -> "_Pairs":
        at = np.broadcast_arrays(near.height[:, None], far.height)
        gain_db = paths.gain_db[at[0], at[1]]
        cost = near.cost[:, None] + far.cost
        return cls(
            near,
            far,
            (at[0], at[1]),
            near.sends_db[:, None] + far.hears_db + gain_db,
            near.hears_db[:, None] + far.sends_db + gain_db,
            (cost + 1e-3 * (near.effort[:, None] + far.effort)).ravel(),
        )


def _less_power(planned: Plan, made: _Made) -> list[Station]:
    """Stations whose raised power may be lower by whole decibels, with it."""
    stations = []
    for end, d in zip(ENDS, made.decision.directions, strict=True):
        station = made.case.station(end)
        before_dbm = planned.station_named(station.name).transmit_power_dbm
        spare_db = math.floor(d.fade_margin_db - d.required_margin_db)
        power_dbm = max(before_dbm, station.transmit_power_dbm - spare_db)
        if (
            spare_db >= 1
            and before_dbm < station.transmit_power_dbm
            and power_dbm < station.transmit_power_dbm
        ):
            stations.append(station.model_copy(update={"transmit_power_dbm": power_dbm}))
    return stations


def _first_of_each(kinds: NDArray[np.int64]) -> NDArray[np.int64]:
    """Places of the first few of each kind, in order."""
    left, places = np.arange(kinds.size), list[NDArray[np.int64]]()
    for _ in range(_ALIKE):
        _, first = np.unique(kinds[left], return_index=True)
        places.append(left[first])
        left = np.delete(left, first)
    return np.sort(np.concatenate(places))


def _words(kinds: int) -> frozenset[str]:
    return frozenset(word for i, word in enumerate(KINDS) if kinds >> i & 1)


def _plan(base: _Base, rows: tuple[Row, Row], signal: Setting, tries: int) -> Plan:
    """The plan with a combination made."""
    stations = []
    for end, row in zip(ENDS, rows, strict=True):
        old = base.case.station(end)
        height_m = old.antenna_height_m if row.height_m is None else row.height_m
        update = dict(row.repairs)
        if row.antenna is not None:
            update["antenna"] = row.antenna
        if row.quiet:
            update["noise_rise_db"] = 0.0
        if abs(row.power_dbm - old.transmit_power_dbm) >= 0.05:
            update["transmit_power_dbm"] = row.power_dbm
        stations.append(with_antenna_at(old, height_m, row.cable).model_copy(update=update))
    link = base.case.link
    changes: dict[str, Any] = {} if signal.kinds == 0 else {"modulation": signal.modulation}
    if tries != link.tries:
        changes["tries"] = tries
    return plan_with(base.plan, link.model_copy(update=changes), stations)


def _rises(case: LinkCase, end: End, ahead_m: float) -> bool:
    """Whether the ground so far ahead is higher than where the antenna stands."""
    p = case.profile
    if ahead_m > 0.1 * p.length_m:
        return False
    here, there = (0.0, ahead_m) if end == "near" else (p.length_m, p.length_m - ahead_m)
    before_m, after_m = np.interp([here, there], p.distance_m, p.ground_m)
    return bool(after_m >= before_m + _WORTH_RISE_M)


def _blocked_near(case: LinkCase, end: End) -> bool:
    """Whether what stands most in the way stands near an end, where a step to the side may pass it."""
    p = case.profile
    worst_m = float(p.distance_m[case.path.worst])
    if end == "far":
        worst_m = p.length_m - worst_m
    return case.path.regime != "clear" and worst_m <= _NEAR_M

"""One link over arrays of anything its plan states: every combination at once.

A budget is a sum of pieces, and no piece depends on everything. Each is worked out by the code of a single
check, once for every combination of just those parameters that touch it: the path once for each height or
frequency, the feeder once for each cable, the time on air once for each message. The rest is broadcasting, so
a cell holds what `linkcalc.check_plan` finds for the plan changed to that cell. docs/models/sweeps.md tells it in a
page.

A `DomainError` where a name or a value cannot be used, two parameters set the same, or there are too many combinations;
a `PlanError` where a value is outside what the plan allows; a `TerrainError` where the terrain gives no profile.
"""

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import combinations
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import ValidationError

from linkcalc._arrays import Floats
from linkcalc._version import __version__
from linkcalc.area.height_pairs import by_numba, pair_losses
from linkcalc.errors import ArgumentError, DomainError, PlanError
from linkcalc.link.budget import DECIMALS, total_db
from linkcalc.link.case import ENDS, End, LinkCase, feeder_loss_db, with_longer_feeder
from linkcalc.link.judgement import judgement
from linkcalc.link.legal import lawful_powers, transmitter
from linkcalc.link.losses import MODELS, Losses, profile_facts
from linkcalc.link.on_ground import link_case, open_terrain, recorded_notes
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.surroundings import Surroundings
from linkcalc.link.traffic import sent_over
from linkcalc.link.uncertainty import fading_k_db, noise_items, path_items, together_db
from linkcalc.plan import Link, LoadedPlan, Plan, PlanLike, Station, as_plan
from linkcalc.plan.faults import faults, summary
from linkcalc.plan.loading import chosen_link
from linkcalc.plan.stations import position_deg
from linkcalc.propagation.loss_models import RULES
from linkcalc.radio.energy import transmit_current_ma
from linkcalc.sweeps.parameters import DISTANCE, K_FACTOR, PIECES, Parameter, Place, of_feeder, parameter
from linkcalc.sweeps.table import QUANTITIES, Sweep, Values
from linkcalc.terrain import geodesy
from linkcalc.terrain.land_cover import Layers
from linkcalc.terrain.profile import Profile, cut_short
from linkcalc.terrain.surveyed import read_profile_csv

MOST_CELLS = 10_000_000
"""Combinations in one sweep: some gigabytes of arrays."""

_VERDICTS = np.array(VERDICTS, dtype=object)


def sweep_plan(loaded: PlanLike, vary: Mapping[str, Any], *, link: str | None = None) -> Sweep:
    """Evaluate one link for every combination of values.

    Parameters
    ----------
    loaded : path, mapping, Plan or LoadedPlan
    vary : mapping of str to array_like, shape (n,)
        What to vary, and its values in the unit that the name states: keys of the plan that bear on the
        link, such as ``spreading_factor``, ``transmit_power_dbm``, ``far.antenna_height_m`` or
        ``antenna.type``; ``k_factor``; or ``distance_m``, which moves the far station along the line from
        the near one. Short names and all that can be varied: `linkcalc.sweeps.parameters`. At most ten million
        combinations. An antenna above its planned height has its feeder longer by as much, unless the feeder's
        length is varied too.
    link : str, optional
        Which link, where the plan has several.

    Returns
    -------
    Sweep
        Arrays with one axis for each parameter, in the order given.

    Notes
    -----
    Levels and margins are those of a single check to the last digit. Success is within 1e-8 of it.

    Examples
    --------
    >>> from linkcalc.plan import load_plan
    >>> from linkcalc.files import sample_path
    >>> found = sweep_plan(load_plan(sample_path("plain")), {"sf": range(7, 13), "far.height": [2, 4, 8]})
    >>> found["weaker_fade_margin_db"].round(1)[0]
    array([-1.1,  8.2, 16.7])
    >>> sweep_plan(load_plan(sample_path("plain")), {"sf": [7, 7]})
    Traceback (most recent call last):
    linkcalc.errors.DomainError: spreading_factor = 7 is given twice
    """
    loaded = as_plan(loaded)
    plan = loaded.plan
    if not isinstance(vary, Mapping):
        raise ArgumentError(f'vary is a dict such as {{"sf": range(7, 13)}}; not {type(vary).__name__}')
    chosen = chosen_link(loaded, link)
    ends = plan.station_named(chosen.from_), plan.station_named(chosen.to)
    if not vary:
        raise DomainError("nothing to vary: give one parameter or more")
    varied, growing = varied_on(loaded, chosen, ends, vary)
    values = [p.checked_values(given) for p, given in zip(varied, vary.values(), strict=True)]
    size = math.prod(len(v) for v in values)
    if size > MOST_CELLS:
        raise DomainError(
            f"{size:_} combinations are more than {MOST_CELLS:_}: vary less, or in larger steps"
        )
    with open_terrain(loaded) as terrain, recorded_notes() as said:
        cases = Cases(loaded, chosen, *ends, terrain, growing)
        for one, its_values in zip(varied, values, strict=True):
            cases.check(one, its_values)
        # rules between sections hold for combinations; of those the two outermost are tried
        for corner in (0, -1):
            cases.plan({one: its_values[corner] for one, its_values in zip(varied, values, strict=True)})
        grid = Grid(cases, varied, values)
        data = table(grid, stated_current_ma(loaded, chosen.from_))
        planned = {p.name: cases.planned(p) for p in varied}
    return Sweep(
        link=chosen.name,
        ends=(chosen.from_, chosen.to),
        dims=tuple(p.name for p in varied),
        coords=MappingProxyType({p.name: _coordinate(v) for p, v in zip(varied, values, strict=True)}),
        planned=MappingProxyType(planned),
        data=MappingProxyType({name: np.broadcast_to(array, grid.shape) for name, array in data.items()}),
        title=plan.title,
        plan_digest=loaded.digest,
        linkcalc_version=__version__,
        warnings=tuple(said),
    )


def varied_on(
    loaded: LoadedPlan, link: Link, ends: tuple[Station, Station], names: Iterable[str]
) -> tuple[list[Parameter], set[End]]:
    """What names stand for on a link, and at which ends the feeder grows with the antenna's height."""
    rasters = link.profile_csv is None and link.name not in loaded.profiles
    varied = [parameter(name, link, *ends, rasters=rasters) for name in names]
    for one, other in combinations(varied, 2):
        if set(one.places) & set(other.places):
            what = "is given twice" if one.name == other.name else f"and {other.name} set the same"
            raise DomainError(f"{one.name} {what}: vary it once")
    given = {p.name for p in varied}
    growing = {
        end
        for end, station in zip(ENDS, ends, strict=True)
        # a cable comes down from the antenna, of a length that is not varied itself
        if station.feeder.length_m > 0.0 and not given & {"feeder.length_m", f"{end}.feeder.length_m"}
    }
    return [_as_raised(p, growing) for p in varied], growing


def _as_raised(one: Parameter, growing: Collection[End]) -> Parameter:
    """A height moves the feeders that grow with it, and no others."""
    still = [of_feeder(end) for end in _HEIGHTS.get(one.name, ()) if end not in growing]
    return replace(one, touches=one.touches.difference(*still)) if still else one


def _coordinate(values: tuple[Any, ...]) -> Values:
    array = np.array(values)
    array.flags.writeable = False
    return array


def stated_current_ma(loaded: LoadedPlan, station: str) -> float | None:
    """What the plan says the station draws while it sends."""
    return next((p.transmit_current_ma for p in loaded.plan.power if p.station == station), None)


_Ground = tuple[Profile, float, float, tuple[Surroundings | None, Surroundings | None]]
"""Profile, bearings and what rasters show around both ends."""


class Cases:
    """The link as the plan would state it after changes, each on its ground."""

    def __init__(
        self,
        loaded: LoadedPlan,
        link: Link,
        near: Station,
        far: Station,
        terrain: Layers,
        growing: Collection[End],
    ) -> None:
        self._grows_from = {
            e: s.antenna_height_m for e, s in zip(ENDS, (near, far), strict=True) if e in growing
        }
        own = loaded.plan.model_copy(update={"link": [link], "station": [near, far]})
        kept = {"station", "link", "terrain", "conditions"}
        self._tables = own.model_dump(include=kept, by_alias=True, exclude_unset=True)
        self._loaded = loaded
        self._terrain = terrain
        self._grounds: dict[tuple[Any, ...], _Ground] = {}
        self._plain = self.plan({})
        self._checked: dict[tuple[str, Any], list[Any]] = {}

    def check(self, one: Parameter, values: Sequence[Any]) -> None:
        """Hold values to the rules of every plan, and keep them as the plan does.

        Of numbers the least and the largest stand for all: every rule of one is a range.
        """
        extremes = {min(values), max(values)} if one.kind is float else values
        for value in values:
            plan = self.plan({one: value}) if value in extremes else None
            if one.name != DISTANCE:
                kept = one.to_plan(value)
                self._checked[one.name, value] = [
                    kept if plan is None else _get(plan, place) for place in one.places
                ]

    def plan(self, changes: Mapping[Parameter, Any]) -> Plan:
        """The plan of this link alone, changed; held to the rules of every plan."""
        tables = self._tables
        for one, value in changes.items():
            if one.name != DISTANCE:
                for place in one.places:
                    tables = _changed(tables, place, one.to_plan(value))
        try:
            return Plan.model_validate(tables)
        except ValidationError as error:
            raise PlanError(summary(faults(error, tables, Plan))) from None

    def case(
        self, changes: Mapping[Parameter, Any], along: Mapping[Parameter, Floats] = MappingProxyType({})
    ) -> LinkCase:
        """The changed link on its ground; arrays `along` stand in its sections where numbers do."""
        if any(p.moves for p in changes):
            plan = self.plan(changes)
        else:  # a copy costs a thirtieth, and every value has been held to the rules
            plan = self._plain
            for p, value in changes.items():
                for place, kept in zip(p.places, self._checked[p.name, value], strict=True):
                    plan = _copied(plan, place, kept)
        moved = tuple((p.name, value) for p, value in changes.items() if p.moves)
        if moved not in self._grounds:
            self._grounds[moved] = self._ground(plan, dict(moved).get(DISTANCE))
        # after the ground was found, which takes numbers alone
        for p, values in along.items():
            for place in p.places:
                plan = _copied(plan, place, p.to_plan(values))
        near, far = plan.station
        whole, link = self._loaded.plan, plan.link[0]
        near, far = (
            with_longer_feeder(s, self._grows_from.get(end, math.inf))
            for end, s in zip(ENDS, (near, far), strict=True)
        )
        profile, azimuth, back_azimuth, shown = self._grounds[moved]
        case = LinkCase(link, near, far, plan.conditions, profile, azimuth, back_azimuth, whole.regulation)
        return replace(case, sent=sent_over(whole, link), shown=shown)

    def planned(self, one: Parameter) -> Any:
        """The plan's own value of a parameter."""
        if one.name == K_FACTOR:
            return self.case({}).situation.k_factor
        if one.name == DISTANCE:
            return self.case({}).profile.length_m
        first, *others = [_get(self._plain, place) for place in one.places]
        return first if all(other == first for other in others) else None

    def _ground(self, plan: Plan, distance_m: float | None) -> "_Ground":
        loaded = replace(self._loaded, plan=plan)
        if distance_m is not None:
            loaded = _far_station_at(loaded, distance_m)
        case = link_case(loaded, loaded.plan.link[0], self._terrain)
        return case.profile, case.azimuth_deg, case.back_azimuth_deg, case.shown


def _changed(tables: Any, place: Place, value: Any) -> Any:
    """Tables with another value at a place; what is not on the way to it is shared."""
    if not place:
        return value
    key, *below = place
    copied = tables.copy()
    inside = copied[key] if isinstance(key, int) else copied.get(key, {})
    copied[key] = _changed(inside, tuple(below), value)
    return copied


def _copied(section: Any, place: Place, value: Any) -> Any:
    """A section of a plan with another value at a place; what is not on the way to it is shared."""
    if not place:
        return value
    key, *below = place
    if isinstance(key, int):
        changed = list(section)
        changed[key] = _copied(section[key], tuple(below), value)
        return type(section)(changed)
    return section.model_copy(update={key: _copied(getattr(section, key), tuple(below), value)})


def _get(section: Any, place: Place) -> Any:
    for key in place:
        section = section[key] if isinstance(key, int) else getattr(section, key)
    return section


def _far_station_at(loaded: LoadedPlan, distance_m: float) -> LoadedPlan:
    """The plan of one link with its second station on the line to where it was, that far from the first.

    What the plan lists as obstacles beyond it stands in the path no more. A survey is cut short there.
    """
    link, (near, far) = loaded.plan.link[0], loaded.plan.station
    survey = loaded.profiles.get(link.name)
    if survey is None and link.profile_csv is not None:
        survey = read_profile_csv(loaded.base_dir / link.profile_csv)
    profiles = {} if survey is None else {link.name: cut_short(survey, distance_m)}
    if near.positioned and far.positioned:
        ends = (*position_deg(near), *position_deg(far))
        # a survey and the positions may disagree a little about the length
        stretch = 1.0 if survey is None else geodesy.path_between(*ends)[0] / survey.length_m
        latitude, longitude = geodesy.points_along(*ends, [distance_m * stretch])
        position = {"latitude_deg": float(latitude[0]), "longitude_deg": float(longitude[0])}
        grid = dict.fromkeys(("easting_m", "northing_m", "epsg"))
        far = far.model_copy(update=position | grid)
    link = link.model_copy(update={"obstacle": [o for o in link.obstacle if o.distance_m < distance_m]})
    plan = loaded.plan.model_copy(update={"link": [link], "station": [near, far]})
    return replace(loaded, plan=plan, profiles=profiles)


class Grid:
    """The combinations; each piece is worked out over those of the parameters that touch it."""

    along: Mapping[str, Collection[str]] = {"path": {"antenna_height_m"}, "antenna": {"antenna_height_m"}}
    """Of each piece the parameters that its code takes as arrays."""

    def __init__(self, cases: Cases, varied: Sequence[Parameter], values: Sequence[tuple[Any, ...]]) -> None:
        self._cases, self._varied, self._values = cases, varied, values
        self.shape = tuple(len(v) for v in values)

    def _shape(self, piece: str) -> tuple[int, ...]:
        """Of the combinations that a piece is worked out over."""
        return tuple(n if piece in p.touches else 1 for n, p in zip(self.shape, self._varied, strict=True))

    def _codes(self, shape: tuple[int, ...]) -> Sequence[NDArray[np.int64]]:
        """Which of its values each parameter has in each of them, in one row."""
        return list(np.indices(shape).reshape(len(shape), -1))

    def _worked_out(
        self, piece: str, worked_out: Callable[[LinkCase, int], tuple[ArrayLike, ...]]
    ) -> list[NDArray[Any]]:
        """Arrays that broadcast to `shape`, one for each thing worked out.

        Parameters that `along` names go into the case as arrays; it is called once for every different combination of
        the others that touch the piece, with the count of places that have it.
        """
        assert piece in PIECES, piece
        shape, names = self._shape(piece), self.along.get(piece.partition(",")[0], ())
        inputs = zip(self._varied, self._values, self._codes(shape), strict=True)
        touching = [one for one in inputs if piece in one[0].touches]
        apart = [one for one in touching if one[0].bare not in names]
        along = [one for one in touching if one[0].bare in names]
        inverse = np.zeros(math.prod(shape), dtype=np.int64)
        rows: list[list[int]] = [[]]
        if apart:
            codes = np.stack([code for _, _, code in apart], axis=-1)
            different, inverse = np.unique(codes, axis=0, return_inverse=True)
            rows, inverse = different.tolist(), inverse.reshape(-1)
        # the places of each different combination, one after the other
        order = np.argsort(inverse, kind="stable")
        bounds = np.searchsorted(inverse[order], np.arange(len(rows) + 1))
        found: list[NDArray[Any]] = []
        for number, row in enumerate(rows):
            here = order[bounds[number] : bounds[number + 1]]
            case = self._cases.case(
                {p: values[i] for (p, values, _), i in zip(apart, row, strict=True)},
                {p: np.asarray(values)[code[here]] for p, values, code in along},
            )
            for column, value in enumerate(worked_out(case, here.size)):
                if column == len(found):
                    found.append(np.empty(inverse.shape, dtype=np.asarray(value).dtype))
                found[column][here] = value
        return [array.reshape(shape) for array in found]

    def over(self, piece: str, worked_out: Callable[[LinkCase], tuple[Any, ...]]) -> list[NDArray[Any]]:
        """What follows from the case alone."""
        return self._worked_out(piece, lambda case, _: worked_out(case))

    def over_paths(
        self, piece: str, worked_out: Callable[[LinkCase, Losses], tuple[ArrayLike, ...]]
    ) -> list[NDArray[Any]]:
        """What follows from the path's losses."""
        use_numba = by_numba(math.prod(self._shape(piece)))

        def over_losses(case: LinkCase, size: int) -> tuple[ArrayLike, ...]:
            return worked_out(case, pair_losses(case, *_heights_m(case, size), use_numba=use_numba))

        return self._worked_out(piece, over_losses)

    def over_ends(
        self, piece: str, worked_out: Callable[[LinkCase, Losses], tuple[ArrayLike, ...]]
    ) -> list[NDArray[Any]]:
        """What follows from where each antenna sees the other; no loss is worked out."""
        return self._worked_out(
            piece, lambda case, size: worked_out(case, _path_ends(case, *_heights_m(case, size)))
        )


def _heights_m(case: LinkCase, size: int) -> tuple[Floats, Floats]:
    near, far = (np.broadcast_to(np.asarray(case.station(end).antenna_height_m), size) for end in ENDS)
    return near, far


def _path_ends(case: LinkCase, near_m: Floats, far_m: Floats) -> Losses:
    """Paths of which only the ends are known."""
    facts = profile_facts(case.profile, near_m, far_m)
    unknown = {f.name: np.full(near_m.shape, math.nan) for f in fields(Losses)}
    return Losses(**unknown | {name: np.broadcast_to(value, near_m.shape) for name, value in facts.items()})


_HEIGHTS: Mapping[str, tuple[End, ...]] = {
    "antenna_height_m": ENDS, "near.antenna_height_m": ("near",), "far.antenna_height_m": ("far",),
}  # fmt: skip

_KINDS: tuple[Literal["site", "conditions"], ...] = ("site", "conditions")


@dataclass(frozen=True)
class _Station:
    """The pieces at one end, as small as broadcasting allows."""

    power_dbm: Floats
    """The planned one, or the largest legal one."""
    over: NDArray[np.bool_]
    """Something else than power is over the legal limits."""
    hardware_db: Floats
    """Feeder, further losses and antenna."""
    noise_db: Floats
    """What its receiver's noise adds to the thermal one."""
    site_variance: Floats
    conditions_variance: Floats
    """Of that noise, from place to place and over time, in dB squared."""


def _station(grid: Grid, end: End) -> _Station:
    def noise(case: LinkCase) -> tuple[Any, ...]:
        rx = case.station(end)
        noises = case.noise(rx)
        parts = noise_items(noises)
        rows = [
            np.round(r.value_db, DECIMALS) for r in case.noise_rows(rx, noises) if r.kind != "thermal_noise"
        ]
        return tuple(
            value.item() if value.size == 1 else value
            for value in (np.round(sum(rows), DECIMALS), *(together_db(parts, kind) ** 2 for kind in _KINDS))
        )

    def feeder(case: LinkCase) -> tuple[Any, ...]:
        return case.feeder_db(end), feeder_loss_db(case.station(end), case.frequency_hz)

    (planned_dbm,) = grid.over(f"power, {end}", lambda c: (c.station(end).transmit_power_dbm,))
    (transmitters,) = grid.over(f"legal, {end}", lambda c: (transmitter(c, end),))
    feeder_db, loss_db = grid.over(f"feeder, {end}", feeder)
    (antenna_db,) = grid.over_ends(f"antenna, {end}", lambda c, found: (c.antenna_db(end, found),))
    counted_dbm, over = lawful_powers(transmitters, planned_dbm, loss_db)
    return _Station(counted_dbm, over, feeder_db + antenna_db, *grid.over(f"noise, {end}", noise))


def _path(case: LinkCase, found: Losses) -> tuple[ArrayLike, ...]:
    parts = path_items(case, found)
    return (
        case.path_db(found),
        *(together_db(parts, kind) ** 2 for kind in _KINDS),
        fading_k_db(case, found),
        found.clearance_ratio,
        found.ground_unknown,
        _model(case, found),
    )


def _model(case: LinkCase, found: Losses) -> NDArray[Any]:
    chosen = case.situation.governing
    names = np.array(MODELS, dtype=object)[found.model]
    return names if chosen == RULES else np.full(names.shape, chosen, dtype=object)


def _signal(case: LinkCase) -> tuple[float]:
    terms = case.threshold_terms("far")
    return (total_db(t for t in terms if t.kind in ("thermal_noise", "required_snr")),)


def table(grid: Grid, stated_current_ma: float | None) -> dict[str, NDArray[Any]]:
    """All arrays of a sweep, each as small as broadcasting allows."""
    path_db, site_variance, conditions_variance, k_db, clearance, unknown, model = grid.over_paths(
        "path", _path
    )
    (polarisation_db,) = grid.over("polarisation", lambda c: (total_db(c.polarisation_terms),))
    (signal_db,) = grid.over("signal", _signal)
    (time_s,) = grid.over("message", lambda c: (c.signal.time_on_air_s(c.link.payload_bytes),))
    (return_time_s,) = grid.over("reply", lambda c: (c.signal.time_on_air_s(c.link.reply_payload_bytes),))
    (asked,) = grid.over("asked", lambda c: (Requirement.of(c.link),))
    near, far = (_station(grid, end) for end in ENDS)

    found: dict[str, NDArray[Any]] = {}
    between_db = path_db + near.hardware_db + far.hardware_db + polarisation_db
    words, spare = [], []
    for way, tx, rx in (("", near, far), ("return_", far, near)):
        # rounded where a check rounds, so that margins are its margins to the last digit
        received = np.round(tx.power_dbm + between_db, DECIMALS)
        sensitivity = -np.round(signal_db + rx.noise_db, DECIMALS)
        margin = np.round(received - sensitivity, DECIMALS)
        required, success, word, share = _judged(
            asked,
            margin,
            # the path and the receiver's noise are uncertain independently: variances add
            np.sqrt(site_variance + rx.site_variance),
            np.sqrt(conditions_variance + rx.conditions_variance),
            k_db,
        )
        words.append(word)
        spare.append(margin - required)
        found |= {
            f"{way}fade_margin_db": margin,
            f"{way}required_margin_db": required,
            f"{way}site_share": share,
            f"{way}delivery_probability": success,
            f"{way}received_power_dbm": received,
            f"{way}sensitivity_dbm": sensitivity,
            f"{way}eirp_dbm": np.round(tx.power_dbm + tx.hardware_db, DECIMALS),
        }
    found |= {
        "weaker_fade_margin_db": np.where(
            spare[1] < spare[0], found["return_fade_margin_db"], found["fade_margin_db"]
        ),
        "spare_margin_db": np.minimum(*spare),
        # over a limit that is not of power, or on ground that is not known: at risk at best
        "verdict": _VERDICTS[np.minimum(np.minimum(*words), np.where(near.over | far.over | unknown, 1, 2))],
        "time_on_air_s": time_s,
        "return_time_on_air_s": return_time_s,
        "charge_mc": time_s * _current_ma(near.power_dbm, stated_current_ma),
        "path_loss_db": -path_db,
        "clearance_ratio": clearance,
        "model": model,
    }
    return {name: found[name] for name in QUANTITIES}


def _judged(
    asked: NDArray[Any], margin_db: Floats, site_db: Floats, conditions_db: Floats, k_db: Floats
) -> tuple[NDArray[Any], ...]:
    """`judgement` where what is required may differ by cell: required margin, success, word, share of sites."""
    # the required margin does not depend on the margin: worked out over the few that differ
    few = np.broadcast_arrays(asked, site_db, conditions_db, k_db)
    required = np.empty(few[0].shape)
    shape = np.broadcast(margin_db, few[0]).shape
    success, word, share = np.empty(shape), np.empty(shape, dtype=np.int8), np.empty(shape)
    whole = np.broadcast_to(few[0], shape)
    for one in set(asked.flat):
        here = few[0] == one
        required[here] = one.margin_db(*(v[here] for v in few[1:]))
        there = whole == one
        got = judgement(
            one, *(np.broadcast_to(v, shape)[there] for v in (margin_db, *few[1:])),
            required_db=np.broadcast_to(required, shape)[there],
        )  # fmt: skip
        success[there], word[there], share[there] = got.success, got.verdict, got.site_share
    return required, success, word, share


def _current_ma(power_dbm: Floats, stated_ma: float | None) -> Floats:
    """Drawn while sending: as stated, or the generic figure where one is known."""
    if stated_ma is not None:
        return np.full(power_dbm.shape, stated_ma)
    # the generic table ends at 30 dBm: beyond it no current is made up
    known = power_dbm <= 30.0
    return np.where(known, transmit_current_ma(np.where(known, power_dbm, 0.0)), np.nan)

"""What was measured on site against what was predicted: readings in, the link's margin anew.

The prediction's own uncertainty is the prior, `linkcalc.site.level` has the likelihood. Each reading is held
against the prediction for the heights, foliage and engine it was taken under; the answer is for the plan's.
"""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import cycle
from typing import Literal

from linkcalc.answer import Answer, said, view
from linkcalc.errors import ReadingsError
from linkcalc.link.case import LinkCase
from linkcalc.link.findings import VERDICTS, WAYS, Excess
from linkcalc.link.legal import lawful
from linkcalc.link.result import VerdictWord
from linkcalc.link.uncertainty import rician_k_db
from linkcalc.plan import Plan
from linkcalc.plan.stations import position_deg
from linkcalc.site.day_foliage import FOLIAGE_SIGMA_DB, DayFoliage, foliage_sigma_db
from linkcalc.site.fitted import Fitted, UnmappedError
from linkcalc.site.level import Found, Group, reading_error_db, ripple_db, update
from linkcalc.site.measured import AGREES_DB, DirectionDrawing, DirectionSurvey, Side, State
from linkcalc.site.reading import Leaf
from linkcalc.site.readings import Reading, Readings, RefusedRow
from linkcalc.site.walk_test import (
    MOST_SPOTS,
    Spot,
    apart_m,
    by_spot_name,
    nearer_station,
    spots_tried,
    walk_test,
)

FAULT_DB = 15.0
"""Measured further below the prediction than this: a fault (common practice, no source)."""

FAR_OFF_M = 200.0
"""Readings farther from both planned stations were taken elsewhere, however badly a phone knows where it is."""

SAME_SITE_M = 100.0
"""Stations moved by no more are those of the same site, placed anew."""

SAME_HEIGHT_M = 0.25
"""Antennas within this of the plan's heights stand where the answer is for (half of the least step between
the heights that were compared)."""
_MOST_HEIGHT_GROUPS = 6
Agreement = Literal["agrees", "look_for_a_cause", "fault", "better"]
Reservation = Literal[
    "", "contradicted", "losses_unexplained", "over_limits", "other_way_elsewhere", "taken_elsewhere"
]
"""Why a margin, however large, is not to be relied on."""

CAUTIONS = (
    "A radio link is not a safety function and not an emergency stop, however well it measures.",
    "Measured on one day. Measure again in full leaf, in the wet season and after anything is built or "
    "parked in the path.",
)


@dataclass(frozen=True)
class Allowance:
    """What the day of the readings did not have and the plan's conditions do."""

    name: str
    loss_db: float
    """Margin still to be lost; taken off already in the margins given."""
    direction: Literal["both", "forward", "return"]
    sigma_db: float = 0.0


@dataclass(frozen=True)
class OneMore:
    """What another reading would buy: standard deviation of the site's loss, readings alone."""

    now_db: float
    with_one_more_db: float
    at_final_height_db: float | None
    """With one reading at the planned heights; None where the readings were taken there."""


@dataclass(frozen=True, eq=False, repr=False)
class Survey(Answer):
    """The answer to a file of readings on one link."""

    _rows = "directions"

    name: str
    verdict: VerdictWord
    reservation: Reservation = field(metadata=said("headline"), repr=False)
    signal: str
    readings_file: str
    readings_used: int
    refused: tuple[RefusedRow, ...]
    first_time: str | None
    last_time: str | None
    excess_db: float
    """What the site hides: loss over the prediction that stays over the year, both directions together."""
    excess_interval_db: tuple[float, float]
    prior_sigma_db: float
    """Standard deviation of the prediction before the readings."""
    agreement: Agreement
    agreement_reason: str
    planned_heights_m: tuple[float, float]
    heights_m: tuple[float, float]
    """Of the antennas in most of the readings."""
    representative: bool
    """Whether the day had all that the plan's conditions ask for."""
    allowances: tuple[Allowance, ...]
    directions: tuple[DirectionSurvey, DirectionSurvey]
    spots: tuple[Spot, ...]
    """Best first; empty unless several were tried."""
    spot: str | None
    one_more: OneMore
    warnings: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS
    drawing: tuple[DirectionDrawing, ...] = field(default=(), repr=False)

    @property
    def weaker(self) -> DirectionSurvey:
        """The direction that has least over, or lacks most of, what is required of it."""
        return _weaker(self.directions)

    @property
    def headline(self) -> str:
        """One sentence that answers first."""
        return str(view("link_words").measured_headline(self))

    @property
    def statement(self) -> str:
        """The same without "Measured", for where that stands beside it."""
        return str(view("link_words").measured_statement(self))


def survey_link(
    case: LinkCase,
    found: Readings,
    *,
    leaf: Leaf | None = None,
    wet_foliage: bool | None = None,
    plan: Plan | None = None,
    plan_digest: str | None = None,
) -> Survey:
    """Hold readings against a link's prediction under the plan's conditions, and answer the link anew.

    `leaf` and `wet_foliage` on the day are those of readings that do not say. Left out: bare trees in the
    winter months where readings have a date and the link a latitude outside the tropics, else the plan's
    leaf; and dry. `plan` knows the antennas and feeders that readings name; `plan_digest` tells readings that
    were taken for another plan.
    """
    found = _mapped(case, found, plan)
    warnings = _foreign(found, case, plan_digest)
    foliage = DayFoliage(case, leaf, wet_foliage)
    states = [_state(case, r, foliage) for r in found.readings]
    spots: tuple[Spot, ...] = ()
    used = list(range(len(found.readings)))
    by_spot = spots_tried(case, found.readings)
    if len(by_spot) > MOST_SPOTS:
        raise ReadingsError(f"{found.file}: more than {MOST_SPOTS} spots; name the spots in a column spot")
    if len(by_spot) > 1:
        spots = walk_test(case, found.readings, states, by_spot, plan)
        used = by_spot[spots[0].name]
        warnings.append(f"{len(spots)} spots were tried; the answer is for the best of them, {spots[0].name}")
    elif (places := len(by_spot_name(found.readings))) > 1:
        warnings.append(
            f"readings of {places} spots are taken together, as of the two ends of the link: to compare spots"
            " tried for a station, read each both ways and name it"
        )
    readings, states = [found.readings[i] for i in used], [states[i] for i in used]
    if far_m := _far_off_m(case, readings):
        warnings.append(
            f"{len(far_m)} of {len(readings)} readings were taken {min(far_m):.0f} m or more from the nearer station"
            " of the plan: the answer is for where they were taken; move the station in the plan, or read again"
        )
    warnings += foliage.warnings(readings) + _engine_warnings(case, readings) + _fitted_notes(case, states)
    return _answer(case, found, readings, states, spots, warnings, foliage, plan)


def _far_off_m(case: LinkCase, readings: Sequence[Reading]) -> list[float]:
    """How far from the nearer planned station the readings were taken that belong to neither."""
    placed = [r for r in readings if r.latitude_deg is not None and r.longitude_deg is not None]
    away_m = [nearer_station(case, r)[0] for r in placed] if case.positioned else []
    return [m for m in away_m if m > FAR_OFF_M]


def _mapped(case: LinkCase, found: Readings, plan: Plan | None) -> Readings:
    """Without the rows taken with what this plan does not know, which are refused by name."""
    faults: dict[Fitted, str] = {}
    for fitted in dict.fromkeys(Fitted.of(r) for r in found.readings):
        try:
            fitted.case(case, plan)
        except UnmappedError as error:
            faults[fitted] = str(error)
    kept = tuple(r for r in found.readings if Fitted.of(r) not in faults)
    refused = tuple(
        RefusedRow(r.row, faults[Fitted.of(r)], r.file) for r in found.readings if Fitted.of(r) in faults
    )
    if not kept:
        raise ReadingsError(f"{found.file}, row {refused[0].row}: {refused[0].reason}; no usable reading")
    return replace(found, readings=kept, refused=(*found.refused, *refused))


def _fitted_notes(case: LinkCase, states: Sequence[State]) -> list[str]:
    """That readings were taken with another signal than planned."""
    factors = sorted({f for s in states if (f := s.fitted.spreading_factor) is not None})
    words = [f"SF{f}" for f in factors if f"SF{f}," not in case.signal.text]
    if not words:
        return []
    return [f"readings were taken with {', '.join(words)}; the answer is for the plan's {case.signal.text}"]


def _answer(
    case: LinkCase,
    found: Readings,
    readings: Sequence[Reading],
    states: Sequence[State],
    spots: tuple[Spot, ...],
    warnings: list[str],
    foliage: DayFoliage,
    plan: Plan | None,
) -> Survey:
    sides = tuple(Side(case, way, readings, states, plan) for way in WAYS)
    if all(s.heard.empty for s in sides):
        raise ReadingsError(f"{found.file}: no reading tells a level or a count; give rssi_dbm with snr_db")
    k_db = rician_k_db(case)
    allowances = _allowances(case, readings, states, sides, foliage)
    groups, one_more = _groups(case, states, sides)
    result = update(
        groups,
        site_db=sides[0].site_db,
        day_db=sides[0].day_db,
        to_come_db=math.sqrt(sum(a.sigma_db**2 for a in allowances)),
        rician_k_db=k_db,
    )
    mounted = Counter((s.near_m, s.far_m) for s in states).most_common(1)[0][0]
    pairs = list(zip(sides, result.directions, strict=True))
    there, back = (side.answer(part, mounted) for side, part in pairs)
    for side, part in pairs:
        warnings += side.warnings(part, case)
    warnings += _disagreement(there, back)
    _, over = lawful(case)
    warnings += _legal_notes(over)
    weaker = _weaker((there, back))
    # a reservation takes back a closes and nothing else: what is at risk or worse stays so
    reservation = _reservation(pairs, over) if weaker.verdict == "closes" else ""
    # a better spot is no reason to leave out the only readings of the other way
    if weaker.verdict == "closes" and {r.direction for r in found.readings} > {r.direction for r in readings}:
        reservation = reservation or "other_way_elsewhere"
    # another place may close; what is planned is not known to
    elsewhere = _far_off_m(case, readings) or _moved_m(found, case) > SAME_SITE_M
    if weaker.verdict == "closes" and elsewhere:
        reservation = reservation or "taken_elsewhere"
    # the day's own excess, as a fault shows in it whole; over the year only a part of it stays
    agreement, reason = _agreement(result.today.quantile(0.5))
    # a log in seconds since 1970 has a zone, a written date may have none: they do not compare otherwise
    times = sorted(r.time.replace(tzinfo=None) for r in readings if r.time is not None)
    return Survey(
        name=case.link.name,
        verdict="at_risk" if reservation else weaker.verdict,
        reservation=reservation,
        signal=case.signal.text,
        readings_file=found.file,
        readings_used=len(readings),
        refused=found.refused,
        first_time=times[0].isoformat(timespec="minutes") if times else None,
        last_time=times[-1].isoformat(timespec="minutes") if times else None,
        excess_db=result.excess.quantile(0.5),
        excess_interval_db=result.excess.interval(),
        prior_sigma_db=sides[0].site_db,
        agreement=agreement,
        agreement_reason=reason,
        planned_heights_m=(case.near.antenna_height_m, case.far.antenna_height_m),
        heights_m=mounted,
        representative=not any(a.loss_db >= 1.0 or a.sigma_db >= 1.0 for a in allowances),
        allowances=allowances,
        directions=(there, back),
        spots=spots,
        spot=spots[0].name if spots else None,
        one_more=one_more,
        warnings=tuple(dict.fromkeys([*found.notes, *warnings])),
        drawing=tuple(side.drawing(part) for side, part in pairs),
    )


def _weaker(directions: Iterable[DirectionSurvey]) -> DirectionSurvey:
    # a direction may lack no margin and yet be at risk, where others spoil too much: the worse word comes first
    return min(directions, key=lambda d: (VERDICTS.index(d.verdict), d.fade_margin_db - d.required_margin_db))


def _reservation(sides: Sequence[tuple[Side, Found]], over: Sequence[Excess]) -> Reservation:
    if any(side.contradicts(found) for side, found in sides):
        return "contradicted"
    if any(side.losses_unexplained(found) for side, found in sides):
        return "losses_unexplained"
    return "over_limits" if any(x.legal_dbm is None for x in over) else ""


def _groups(case: LinkCase, states: Sequence[State], sides: Sequence[Side]) -> tuple[list[Group], OneMore]:
    """Readings by the heights they were taken at, those at the planned heights first."""
    planned = (case.near.antenna_height_m, case.far.antenna_height_m)

    def key(state: State) -> tuple[float, float]:
        at = (state.near_m, state.far_m)
        near = all(abs(x - y) <= SAME_HEIGHT_M for x, y in zip(at, planned, strict=True))
        return planned if near else at

    common = [k for k, _ in Counter(key(s) for s in states).most_common()]
    keys = sorted(common[:_MOST_HEIGHT_GROUPS], key=lambda k: k != planned)
    number_of = {at: number for number, at in enumerate(keys)}
    # beyond the most common heights, what is left counts with the last of them
    parts = [s.parts([number_of.get(key(x), len(keys) - 1) for x in s.states], len(keys)) for s in sides]
    k_db = rician_k_db(case)
    groups, now_db, one_more_db = [], [], []
    for number, at in enumerate(keys):
        heard = tuple(of_side[number] for of_side in parts)
        count = max(float(h.packets.sum()) for h in heard)
        same = at == planned
        groups.append(Group(heard, ripple_db(count, same_height=same, rician_k_db=k_db)))
        now_db.append(reading_error_db(count, same_height=same))
        one_more_db.append(reading_error_db(count + 1.0, same_height=same))
    now = min(now_db)
    final = None if keys[0] == planned else min(now, reading_error_db(1.0))
    return groups, OneMore(now, min(one_more_db), final)


def _state(case: LinkCase, reading: Reading, foliage: DayFoliage) -> State:
    leaf, wet = foliage.of(reading)
    _, unmodelled_db = foliage.to_come_db(leaf, wet)
    # unsaid, a planned engine counts as stopped: its noise is then still to come, the safe side
    rise = max(case.near.noise_rise_db, case.far.noise_rise_db) > 0.0
    return State(
        near_m=reading.near_height_m or case.near.antenna_height_m,
        far_m=reading.far_height_m or case.far.antenna_height_m,
        leaf=leaf,
        wet=wet,
        # where the plan knows no rise, the state of the engine only sorts the noise readings
        running=reading.engine_running if reading.engine_running is not None else not rise,
        fitted=Fitted.of(reading),
        foliage_db=unmodelled_db,
    )


def _engine_warnings(case: LinkCase, readings: Sequence[Reading]) -> list[str]:
    noisy = [s for s in (case.near, case.far) if s.noise_rise_db > 0.0]
    lines = []
    if noisy and any(r.engine_running is None for r in readings):
        noise = " and ".join(f"its noise of {s.noise_rise_db:g} dB at {s.name}" for s in noisy)
        lines.append(
            f"the readings do not say whether the engine was running: taken as stopped, {noise} taken off"
        )
    if any(r.engine_running is False for r in readings) and not any(r.engine_running for r in readings):
        lines.append("measured with the engine stopped; measure again with engine and drive running")
    return lines


def _allowances(
    case: LinkCase,
    readings: Sequence[Reading],
    states: Sequence[State],
    sides: Sequence[Side],
    foliage: DayFoliage,
) -> tuple[Allowance, ...]:
    """What the plan's conditions take that the day of most readings did not."""
    (leaf, wet), _ = Counter((s.leaf, s.wet) for s in states).most_common(1)[0]
    missing_db, _ = foliage.to_come_db(leaf, wet)
    found = []
    planned = case.conditions
    if abs(missing_db) >= 0.05:
        name = "leaves" if planned.leaf == "in_leaf" else "bare trees"
        name += ", wet" if planned.wet_foliage else ""
        found.append(Allowance(name, missing_db, "both", foliage_sigma_db(missing_db)))
    elif foliage.in_path and any(foliage.untold(r) for r in readings):
        found.append(Allowance("state of the leaves not stated", 0.0, "both", FOLIAGE_SIGMA_DB))
    for side in sides:
        if side.rx.noise_rise_db > 0.0 and not any(s.running for s in states):
            found.append(Allowance(f"the engine's noise at {side.rx.name}", side.rx.noise_rise_db, side.way))
    return tuple(found)


def _foreign(found: Readings, case: LinkCase, plan_digest: str | None) -> list[str]:
    lines = []
    if found.plan_digest and plan_digest and found.plan_digest.lower() != plan_digest.lower():
        lines.append("the readings were taken for another version of this plan")
    if found.link and found.link != case.link.name:
        lines.append(f'the readings name link "{found.link}"; they are compared with "{case.link.name}"')
    if (most_m := _moved_m(found, case)) > SAME_SITE_M:
        lines.append(
            f"the readings were saved on a sheet whose stations stand up to {most_m:.0f} m from this plan's: another"
            " site with the same names? The answer is for where they were taken"
        )
    return lines


def _moved_m(found: Readings, case: LinkCase) -> float:
    """How far a planned station stands from where the sheet had it that saved the readings."""
    # each sheet tells two positions, and several may have been read: near and far in turn
    sheets = zip(cycle((case.near, case.far)), found.positions_deg, strict=False)
    moved = [apart_m(*position_deg(s), *at) for s, at in sheets if s.positioned and at is not None]
    return max(moved, default=0.0)


def _agreement(excess_db: float) -> tuple[Agreement, str]:
    if abs(excess_db) <= AGREES_DB:
        return "agrees", f"measured within {AGREES_DB:g} dB of the prediction: trust both"
    below = f"measured {excess_db:.0f} dB below the prediction"
    if excess_db > FAULT_DB:
        return "fault", (
            f"{below}: look for a fault first (open connector, antenna of another band, wrong power "
            "setting), then for an obstacle the plan does not know"
        )
    if excess_db > 0.0:
        return "look_for_a_cause", (
            f"{below}: look for a cause (polarisation, connector, a tree, metal near an antenna)"
        )
    return "better", (
        f"measured {-excess_db:.0f} dB above the prediction: check that power, antennas and obstacles are as "
        "planned before relying on it"
    )


def _disagreement(there: DirectionSurvey, back: DirectionSurvey) -> list[str]:
    """The path loses the same both ways; where the readings do not, an end is at fault."""
    if there.excess_db is None or back.excess_db is None:
        return []
    assert there.excess_interval_db is not None
    assert back.excess_interval_db is not None
    apart = there.excess_db - back.excess_db
    # 95 % of a normal lie within 3.92 standard deviations
    widths = [(high - low) / 3.92 for low, high in (there.excess_interval_db, back.excess_interval_db)]
    if abs(apart) < max(AGREES_DB, 2.0 * math.hypot(*widths)):
        return []
    worse = there if apart > 0.0 else back
    return [
        f"from {worse.from_} to {worse.to} the level falls {abs(apart):.0f} dB further below the prediction "
        "than the other way, and the path is the same: check the power set at "
        f"{worse.from_} and the receiver of {worse.to}"
    ]


def _legal_notes(over: Sequence[Excess]) -> list[str]:
    return [
        f"{x.station}: over the legal limits: {x.reason}"
        + ("" if x.legal_dbm is None else f"; the margins are for the legal {x.legal_dbm:.1f} dBm")
        for x in over
    ]

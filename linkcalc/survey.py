"""What was measured on site against what was predicted: readings in, the link's margin anew.

The prediction's own uncertainty is the prior, `linkcalc.site_level` has the likelihood. Each reading is held
against the prediction for the heights, foliage and engine it was taken under; the answer is for the plan's.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from linkcalc.errors import ReadingsError
from linkcalc.link_case import LinkCase
from linkcalc.measured import AGREES_DB, DirectionDrawing, DirectionSurvey, Leaf, Side, State
from linkcalc.plan import Station
from linkcalc.readings import Reading, Readings, RefusedRow, Way
from linkcalc.result import VerdictWord
from linkcalc.site_level import update
from linkcalc.uncertainty import READING_ERROR_DB, fading
from linkcalc.walk_test import MOST_SPOTS, Spot, by_spot_name, walk_test

FAULT_DB = 15.0
"""Measured further below the prediction than this: a fault (common practice, no source)."""

Agreement = Literal["agrees", "look_for_a_cause", "fault", "better"]

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
    direction: Literal["both", "there", "back"]


@dataclass(frozen=True)
class Survey:
    """The answer to a file of readings on one link."""

    name: str
    verdict: VerdictWord
    headline: str
    signal: str
    readings_file: str
    readings_used: int
    refused: tuple[RefusedRow, ...]
    first_time: str | None
    last_time: str | None
    excess_db: float
    """What the site hides: loss over the prediction that stays over the year, both directions together."""
    excess_interval_db: tuple[float, float]
    """95 %."""
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
    """The one that the answer is for."""
    warnings: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS
    drawing: tuple[DirectionDrawing, ...] = field(default=(), repr=False)


def survey_link(
    case: LinkCase,
    found: Readings,
    *,
    leaf: Leaf | None = None,
    wet_foliage: bool | None = None,
    plan_digest: str | None = None,
) -> Survey:
    """Hold readings against a link's prediction and answer the link anew.

    Parameters
    ----------
    case : LinkCase
        The link under the plan's conditions.
    found : Readings
        From `linkcalc.readings.read_readings`.
    leaf, wet_foliage : optional
        Foliage on the day, of readings that do not say. Left out: bare trees in the winter months where
        readings have a date and the link a latitude outside the tropics, else the plan's leaf; and dry.
    plan_digest : str, optional
        Of the plan, to notice readings that were taken for another.

    Returns
    -------
    Survey

    Raises
    ------
    ReadingsError
        If the readings tell nothing, or are of more than `MOST_SPOTS` spots.
    """
    warnings = _foreign(found, case, plan_digest)
    foliage = _Foliage(case, leaf, wet_foliage)
    states = [_state(case, r, foliage) for r in found.readings]
    spots: tuple[Spot, ...] = ()
    used = list(range(len(found.readings)))
    by_spot = by_spot_name(found.readings)
    if len(by_spot) > MOST_SPOTS:
        raise ReadingsError(f"{found.file}: more than {MOST_SPOTS} spots; name the spots in a column spot")
    if len(by_spot) > 1:
        spots = walk_test(case, found.readings, states, by_spot)
        used = by_spot[spots[0].name]
        warnings.append(f"{len(spots)} spots were tried; the answer is for the best of them, {spots[0].name}")
    readings, states = [found.readings[i] for i in used], [states[i] for i in used]
    warnings += foliage.warnings(readings) + _engine_warnings(case, readings)
    return _answer(case, found, readings, states, spots, warnings)


def _answer(
    case: LinkCase,
    found: Readings,
    readings: Sequence[Reading],
    states: Sequence[State],
    spots: tuple[Spot, ...],
    warnings: list[str],
) -> Survey:
    ways: tuple[Way, Way] = ("there", "back")
    sides = tuple(Side(case, way, readings, states) for way in ways)
    if all(s.heard.empty for s in sides):
        raise ReadingsError(f"{found.file}: no reading tells a level or a count; give rssi_dbm with snr_db")
    kind, k_db = fading(case)
    result = update(
        [s.heard for s in sides],
        site_db=sides[0].site_db,
        day_db=sides[0].day_db,
        fading=kind,
        rician_k_db=k_db,
        offset_db=READING_ERROR_DB,
    )
    mounted = Counter((s.near_m, s.far_m) for s in states).most_common(1)[0][0]
    allowances = _allowances(case, states, sides)
    there, back = (s.answer(f, mounted) for s, f in zip(sides, result.directions, strict=True))
    for side, part in zip(sides, result.directions, strict=True):
        warnings += side.warnings(part, case)
    warnings += _disagreement(there, back)
    weaker = min((there, back), key=lambda d: d.fade_margin_db - d.required_margin_db)
    verdict = weaker.verdict
    if verdict == "closes" and any(
        s.losses_unexplained(f) for s, f in zip(sides, result.directions, strict=True)
    ):
        verdict = "at_risk"
    today = result.today.quantile(0.5)
    agreement, reason = _agreement(today)
    times = sorted(r.time.replace(tzinfo=None) for r in readings if r.time is not None)
    return Survey(
        name=case.link.name,
        verdict=verdict,
        headline=_headline(verdict, weaker),
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
        representative=not any(a.loss_db >= 1.0 for a in allowances),
        allowances=allowances,
        directions=(there, back),
        spots=spots,
        spot=spots[0].name if spots else None,
        warnings=tuple(dict.fromkeys([*found.notes, *warnings])),
        drawing=tuple(s.drawing(f) for s, f in zip(sides, result.directions, strict=True)),
    )


class _Foliage:
    """Leaf and wetness on the day of a reading."""

    def __init__(self, case: LinkCase, leaf: Leaf | None, wet: bool | None) -> None:
        self._case, self._leaf, self._wet = case, leaf, wet
        planned = case.conditions
        bare = planned.model_copy(update={"leaf": "out_of_leaf", "wet_foliage": False})
        full = planned.model_copy(update={"leaf": "in_leaf", "wet_foliage": True})
        self._swing_db = (
            replace(case, conditions=full).path.loss_db - replace(case, conditions=bare).path.loss_db
        )

    def of(self, reading: Reading) -> tuple[Leaf, bool]:
        """Leaf and wetness that the reading is held against."""
        stated = reading.leaf or self._leaf or self._by_date(reading) or self._case.conditions.leaf
        wet = reading.wet_foliage if reading.wet_foliage is not None else self._wet
        return stated, bool(wet)

    def _by_date(self, reading: Reading) -> Leaf | None:
        latitudes = self._case.profile.latitude_deg
        if reading.time is None or latitudes is None or abs(latitudes[0]) < 23.5:
            return None
        winter = (11, 12, 1, 2, 3) if latitudes[0] > 0 else (5, 6, 7, 8, 9)
        return "out_of_leaf" if reading.time.month in winter else "in_leaf"

    def warnings(self, readings: Sequence[Reading]) -> list[str]:
        """What was taken for granted, where it matters."""
        if self._swing_db < 0.05:
            return []
        lines = []
        untold = [r for r in readings if r.leaf is None and self._leaf is None]
        if untold:
            words = {"in_leaf": "in leaf", "out_of_leaf": "bare"}
            taken = " and ".join(sorted({words[self.of(r)[0]] for r in untold}))
            by = "by their date" if self._by_date(untold[0]) else "as in the plan"
            lines.append(
                f"the readings do not say whether the trees were in leaf: taken as {taken}, {by}; "
                f"foliage is worth up to {self._swing_db:.0f} dB here (--leaf says it)"
            )
        if self._wet is None and any(r.wet_foliage is None for r in readings):
            lines.append("the readings do not say whether the leaves were wet: taken as dry (--wet says it)")
        return lines


def _state(case: LinkCase, reading: Reading, foliage: _Foliage) -> State:
    leaf, wet = foliage.of(reading)
    rise = max(case.near.noise_rise_db, case.far.noise_rise_db) > 0.0
    return State(
        near_m=reading.near_height_m or case.near.antenna_height_m,
        far_m=reading.far_height_m or case.far.antenna_height_m,
        leaf=leaf,
        wet=wet,
        # where the plan knows no rise, the state of the engine only sorts the noise readings
        running=reading.engine_running if reading.engine_running is not None else not rise,
    )


def _engine_warnings(case: LinkCase, readings: Sequence[Reading]) -> list[str]:
    noisy = [s for s in (case.near, case.far) if s.noise_rise_db > 0.0]
    lines = []
    if noisy and any(r.engine_running is None for r in readings):
        lines.append(
            "the readings do not say whether the engine was running: taken as stopped, "
            f"{_noise_words(noisy)} taken off"
        )
    if any(r.engine_running is False for r in readings) and not any(r.engine_running for r in readings):
        lines.append("measured with the engine stopped; measure again with engine and drive running")
    return lines


def _noise_words(stations: Sequence[Station]) -> str:
    return " and ".join(f"its noise of {s.noise_rise_db:g} dB at {s.name}" for s in stations)


def _allowances(case: LinkCase, states: Sequence[State], sides: Sequence[Side]) -> tuple[Allowance, ...]:
    """What the plan's conditions take that the day of most readings did not."""
    day = Counter((s.leaf, s.wet) for s in states).most_common(1)[0][0]
    foliage = case.conditions.model_copy(update={"leaf": day[0], "wet_foliage": day[1]})
    missing_db = case.path.loss_db - replace(case, conditions=foliage).path.loss_db
    found = []
    if abs(missing_db) >= 0.05:
        planned = case.conditions
        name = "leaves" if planned.leaf == "in_leaf" else "bare trees"
        name += ", wet" if planned.wet_foliage else ""
        found.append(Allowance(name, missing_db, "both"))
    for side in sides:
        if side.rx.noise_rise_db > 0.0 and not any(s.running for s in states):
            found.append(Allowance(f"the engine's noise at {side.rx.name}", side.rx.noise_rise_db, side.way))
    return tuple(found)


def _foreign(found: Readings, case: LinkCase, plan_digest: str | None) -> list[str]:
    lines = []
    if found.plan_digest and plan_digest and found.plan_digest.lower() != plan_digest.lower():
        lines.append("the readings were taken for another version of this plan")
    if found.link and found.link != case.link.name:
        lines.append(f'the readings name link "{found.link}"; they are held against "{case.link.name}"')
    return lines


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
    widths = [(high - low) / 3.92 for low, high in (there.excess_interval_db, back.excess_interval_db)]
    if abs(apart) < max(AGREES_DB, 2.0 * math.hypot(*widths)):
        return []
    worse = there if apart > 0.0 else back
    return [
        f"from {worse.from_} to {worse.to} the level falls {abs(apart):.0f} dB further below the prediction "
        "than the other way, and the path is the same: check the power set at "
        f"{worse.from_} and the receiver of {worse.to}"
    ]


def _headline(verdict: VerdictWord, weaker: DirectionSurvey) -> str:
    way = f"{weaker.from_} to {weaker.to}"
    margin, needed = weaker.fade_margin_db, weaker.required_margin_db
    if weaker.verdict == "closes":
        text = f"{margin:.1f} dB of fade margin in the weaker direction ({way}); {needed:.1f} dB asked"
        more = "" if verdict == "closes" else "; but packets are lost that the level does not explain"
        return f"Measured: {text}{more}."
    if weaker.verdict == "at_risk":
        short = f"{needed - margin:.1f} dB short of what is asked"
        return f"Measured: {margin:.1f} dB of fade margin from {way}, {short}."
    return f"Measured: {-margin:.1f} dB below sensitivity from {way}."

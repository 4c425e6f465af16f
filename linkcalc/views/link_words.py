"""The words for what is found about a link: the one place where such a sentence is changed.

Numbers and codes come from `linkcalc.link.findings`; no sentence that is made here is taken apart again.
"""

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from linkcalc.link import findings
from linkcalc.link.findings import Finding, Limit, LimitKind, ModelReason, Regime, TermKind, VerdictWord

if TYPE_CHECKING:
    from linkcalc.site.survey import Reservation, Survey

TERMS: dict[TermKind, str] = {
    "transmit_power": "transmit power",
    "feeder": "feeder",
    "extra_loss": "extra loss",
    "antenna_gain": "antenna gain",
    "off_beam": "off the beam",
    "polarisation": "polarisation mismatch",
    "free_space": "free-space loss",
    "ground": "ground and terrain",
    "trees": "trees",
    "surroundings": "surroundings",
    "installation": "installation",
    "building_entry": "building entry",
    "thermal_noise": "thermal noise floor",
    "noise_figure": "noise figure",
    "external_noise": "external noise",
    "noise_rise": "noise rise",
    "required_snr": "required SNR",
}
"""Lines of a budget."""

REGIMES: dict[Regime, str] = {
    "clear": "60 % of the first Fresnel zone is free of terrain and of what is mapped",
    "grazing": "the ray is free, but less than 60 % of the first Fresnel zone",
    "obstructed": "line of sight blocked",
}

_LIMITS: dict[LimitKind, str] = {
    "blocked": "line of sight blocked by {obstacle}, {at_km:.2f} km from {station}",
    "fresnel_zone": "{obstacle} in the first Fresnel zone, {at_km:.2f} km from {station}",
    "low_antennas": "ground close below the ray: the antennas are low for this distance",
    "trees": "trees in the path ({depth_m:.0f} m)",
    "surroundings": "surroundings of the low antenna at {station}",
    "engine_noise": "noise at {station} while the engine runs",
    "radio_noise": "radio noise around {station}",
    "power": "transmit power of {station}",
    "feeder": "feeder of {station}",
    "extra_loss": "{reason} ({station})",
    "off_beam": f"{TERMS['off_beam']}, {{station}}",
    "building_entry": f"{TERMS['building_entry']}, {{station}}",
    "polarisation": TERMS["polarisation"],
    "distance": "distance: free-space loss",
}

_MODELS = {
    "delta_bullington": "diffraction over the ground at every length; scatter and ducting are not counted on",
    "plane_earth": "ground close below the ray loses more than diffraction, specular or not",
    "rounded_obstacle": "one smooth hill blocks the ray: mean of delta-Bullington and a rounded obstacle",
}

_TREES = {"over": "over the trees", "through": "through {depth_m:.0f} m of trees (P.833)"}

VERDICTS: dict[VerdictWord, str] = {
    "closes": "Closes",
    "at_risk": "At risk",
    "does_not_close": "Does not close",
}

OVER_LIMITS = "over the legal limits"
LACKING = "{spare} short of the {required} required"
"""Of a margin; the field sheet's script fills it in, too."""


def term_name(kind: TermKind, station: str) -> str:
    """Return what a line of a budget is called."""
    return f"{TERMS[kind]}, {station}" if station else TERMS[kind]


def limiting_factor(limit: Limit) -> str:
    """Return what limits a direction."""
    return _LIMITS[limit.kind].format(**limit._asdict(), at_km=limit.at_m / 1e3)


def model_reason(reason: ModelReason) -> str:
    """Return why a model governs."""
    if reason.rules_less_db is not None:
        rules = f"linkcalc's rules would lose {more_or_less(reason.rules_less_db)}"
        return f"chosen by the plan; {rules}, which the uncertainty includes"
    words = [_MODELS[reason.model]]
    if reason.trees != "none":
        words.append(_TREES[reason.trees].format(depth_m=reason.depth_m))
    return "; ".join(words)


def more_or_less(less_db: float) -> str:
    """Return a difference in loss; positive is less."""
    return f"{abs(less_db):.1f} dB {'less' if less_db > 0.0 else 'more'}"


# ---------------------------------------------------------------- the headline


def headline(found: Finding) -> str:
    """Return one sentence that answers first."""
    return f"{_verdict(found)}: {_reason(found)}"


def statement(found: Finding) -> str:
    """Return the same without the verdict, for where that stands beside it."""
    words = _reason(found)
    return words[:1].upper() + words[1:]


def _verdict(found: Finding) -> str:
    # over a limit that no lower power cures: as planned it may not be used, so it is not said to close
    capped = found.verdict == "closes" and any(x.legal_dbm is None for x in found.over)
    return VERDICTS["at_risk" if capped else found.verdict]


def _reason(found: Finding) -> str:
    words = _margin(found)
    turned = [(x.station, x.planned_dbm, x.legal_dbm) for x in found.over if x.legal_dbm is not None]
    if turned:
        legal = _and(f"the legal {legal_dbm:.1f} dBm at {station}" for station, _, legal_dbm in turned)
        over = _and(
            f"the planned {planned:g} dBm is {planned - legal_dbm:.1f} dB over"
            for _, planned, legal_dbm in turned
        )
        words = f"at {legal}, {words}; {over}"
    if stations := [x.station for x in found.over if x.legal_dbm is None]:
        words = f"{OVER_LIMITS} at {_and(stations)}; {words}"
    return f"{words}."


def _margin(found: Finding) -> str:
    margin, way = f"{found.margin_db:.1f} dB of fade margin", f"{found.from_} to {found.to}"
    # collisions, not level: figures of margin alone would send the reader after more power
    if found.verdict != "closes" and found.unreachable_success is not None:
        return (
            "losses to other users of the channel alone exceed what "
            f"{100.0 * found.unreachable_success:g} % of the messages allows; {margin} from {way}"
        )
    works = (
        f"works at {out_of_100(found.site_share)} such sites in 100; where it does, "
        f"{messages_percent(found.success)} of the messages arrive"
    )
    enough = f"{margin} in the weaker direction ({way}), {found.required_db:.1f} dB required"
    if found.verdict == "closes":
        return f"{enough}; {works}"
    if found.margin_db >= found.required_db:  # see `judgement.judge`: no profile, no plain "closes"
        return f"the ground between is not known; as far as it is, {enough}"
    return f"{short_words(found.margin_db, found.required_db, way)}; {works}"


def short_words(margin_db: float, required_db: float, way: str) -> str:
    """Return what a direction has and lacks."""
    lacking = LACKING.format(spare=lack_words(required_db - margin_db), required=f"{required_db:.1f} dB")
    return f"{margin_db:.1f} dB of fade margin from {way}, {lacking}"


def lack_words(short_db: float) -> str:
    """Return decibels that are lacking: what is lacking is never none."""
    return "less than 0.1 dB" if 0.0 < short_db < 0.05 else f"{max(short_db, 0.0):.1f} dB"


def out_of_100(share: float) -> str:
    """Return how many sites of a hundred, counted downwards."""
    if share < 0.01:
        return "fewer than 1"
    return "more than 99" if share > 0.99 else f"{math.floor(100.0 * share)}"


def messages_percent(share: float) -> str:
    """Return a share of messages, counted downwards."""
    return "more than 99.9 %" if share > 0.999 else f"{math.floor(1000.0 * share) / 10.0:g} %"


_RESERVATIONS: "dict[Reservation, str]" = {
    "": "",
    "contradicted": "; but the levels read contradict it",
    "losses_unexplained": "; but packets are lost that the level does not explain",
    "over_limits": f"; but {OVER_LIMITS}",
    "other_way_elsewhere": "; but one way was read at other spots only",
    "taken_elsewhere": "; but not where the stations are planned",
}


def measured_headline(survey: "Survey") -> str:
    """Return the same of what was measured."""
    return f"Measured: {measured_statement(survey)}"


def measured_statement(survey: "Survey") -> str:
    """Return the same without its first word."""
    weaker = survey.weaker
    way, margin = f"{weaker.from_} to {weaker.to}", f"{weaker.fade_margin_db:.1f} dB of fade margin"
    if weaker.verdict == "closes":
        required = f"{weaker.required_margin_db:.1f} dB required"
        return f"{margin} in the weaker direction ({way}); {required}{_RESERVATIONS[survey.reservation]}."
    if weaker.verdict == "does_not_close" and weaker.fade_margin_db < 0.0:
        return f"{lack_words(-weaker.fade_margin_db)} below sensitivity from {way}."
    if weaker.fade_margin_db >= weaker.required_margin_db:
        # other users of the channel spoil more than is allowed
        return f"{margin} from {way}; the channel is too busy."
    return f"{short_words(weaker.fade_margin_db, weaker.required_margin_db, way)}."


# ---------------------------------------------------------------- what one change is


def step_words(step: findings.Step) -> str:
    """Return one change in a sentence."""
    match step:
        case findings.SlowerSignal():
            limits = "" if step.limits_known else ", if the local airtime limit allows it"
            return (
                f"Spreading factor {step.spreading_factor} instead of {step.before}; a message then lasts "
                f"{_time(step.time_on_air_s)} instead of {_time(step.time_on_air_before_s)}{limits}."
            )
        case findings.NarrowerSignal():
            return (
                f"Bandwidth {step.bandwidth_hz / 1e3:g} kHz instead of {step.before_khz:g} kHz; "
                f"a message then lasts {_time(step.time_on_air_s)}, and both radios need more stable crystals."
            )
        case findings.MorePower():
            raised = [f"{p.value:g} dBm at {p.station} instead of {p.before:g}" for p in step.powers_dbm]
            return f"Transmit power {', '.join(raised)}, {_allowed(step)}."
        case findings.BetterAntenna():
            power = "; keep within the radiated limit"
            if step.powers_dbm is not None:
                power = "".join(f", power reduced to {p.value:g} dBm at {p.station}" for p in step.powers_dbm)
            return f"A {step.type} of {step.gain_dbi:g} dBi at {_and(step.stations)}{power}."
        case findings.OutsideAntenna():
            return f"The antenna at {step.station} outside the building."
        case findings.Repair():
            return f"Repair what costs {step.loss_db:g} dB at {step.station}: {step.reason}."
        case findings.AimedAntenna():
            bearing = "" if step.bearing_deg is None else f"{step.bearing_deg:.0f}° from true north, "
            return (
                f"Turn the antenna at {step.station} to the other station: {bearing}{step.tilt_deg:+.0f}° up."
            )
        case findings.WiderBeam():
            return f"A half-wave dipole at {step.station}: its beam reaches {step.elevation_deg:+.0f}° up."
        case findings.TurnedPolarisation():
            antenna = f"A {step.polarisation} antenna at {step.station}"
            return f"{antenna}, as at the other end, not {step.before}."
        case findings.BetterFeeder():
            saved = [
                f"{cable} at {station} saves {gain_db:.1f} dB" for cable, station, gain_db in step.cables
            ]
            return f"A better feeder: {', '.join(saved)}."
        case findings.LessNoise():
            return (
                f"Suppress the engine noise at {_and(step.stations)}: antenna outside and away from engine and "
                "drive leads, ferrites, resistor plugs and leads."
            )
        case findings.RaisedAntennas():
            feeders = (f" The feeder at {f.station} is then {f.value:.10g} m long." for f in step.feeders_m)
            return _heights(step) + "".join(feeders)
        case findings.RelayOnLine():
            tries = f", with up to {step.tries} tries of a message on each" if step.tries else ""
            return (
                f"A relay on the line, {step.distance_m / 1e3:.2f} km from {step.from_}, on a {step.mast_m:g} m "
                f"mast: the weaker of the two hops then has {step.margin_db:.1f} dB{tries}. "
                f"Assumed there: antennas as at the stations, feeder {_and(step.feeders)}."
            )
        case findings.SiteReading():
            return (
                f"Measure the signal on site first: the prediction is uncertain by {step.before_db:.0f} dB (one "
                "sigma), a reading at the exact position and height leaves about "
                f"{step.after_db:.0f} dB. Where it reads low, move the antenna by half a metre first: it may be in "
                "a local null."
            )
    raise TypeError(f"no words for {type(step).__name__}")


def _allowed(step: findings.MorePower) -> str:
    if step.region is None:
        return "if the local limit allows it"
    uncertain = f" ({'; '.join(step.uncertain)})" if step.uncertain else ""
    return f"which the table of limits allows in region {step.region}{uncertain}"


def _heights(step: findings.RaisedAntennas) -> str:
    at, to = (
        [f"{h.station} {word} {h.value:.1f} m" for h in step.heights_m] for word in ("at", "to")
    )  # "tank at 4.0 m", "tank to 4.0 m"
    if step.clears_fresnel_zone:
        return f"60 % of the first Fresnel zone is clear with {_and(at)}."
    if step.slowest_s is not None:
        slow = f"Spreading factor 12 ({_time(step.slowest_s)} on air)"
        return f"{slow} and both antennas raised: {', '.join(to)}."
    if len(to) == 2:
        return f"Raise both antennas: {_and(to)}."
    return f"Raise the antenna at {to[0]} above ground."


def _and(words: Iterable[str]) -> str:
    return " and ".join(words)


def _time(seconds: float) -> str:
    return f"{seconds * 1e3:.0f} ms" if seconds < 1.0 else f"{seconds:.2f} s"

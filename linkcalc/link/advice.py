"""What would make a link close, each change found by solving, ranked by effort."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.link import findings
from linkcalc.link.case import ENDS, End, LinkCase, directional, feeder_loss_db, feeder_words
from linkcalc.link.legal import breaks_limits, lawful, station_limits
from linkcalc.link.models import profile_losses
from linkcalc.link.path_loss import CLEAR_RATIO
from linkcalc.link.relayed_plan import RELAY_MAST_M, hops_over, relay_spots
from linkcalc.link.remedy_options import ANTENNAS, BANDWIDTHS_KHZ, CABLES, HIGHEST_POWER_DBM, tallest_m
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import Advice, AdviceKind
from linkcalc.link.uncertainty import (
    after_reading_db,
    combined_db,
    contributors,
    fading_k_db,
    noise_items,
    path_items,
    spreads_db,
)
from linkcalc.plan import Antenna, ChirpModulation, Station
from linkcalc.propagation import fresnel
from linkcalc.rules.found import POWER_ROUNDING_DB

_WORTH_REPAIR_DB = 1.0
"""A loss at the antenna from which putting it right is worth a line."""

_CLIMB_M = 3.0
"""A raise up to this is a longer pole; more is a mast (common practice, no source)."""

_NEARLY_DB = 0.3
"""What is short by less is looked at exactly."""

_Way = TypeVar("_Way")


class _Required(NamedTuple):
    """What both directions must have, under the uncertainty and the fading that each change leads to."""

    requirement: Requirement

    def _state(self, case: LinkCase) -> tuple[Floats, Floats, Floats, Floats]:
        """Margins forward and return, with the standard deviations and the fading that go with them."""
        shared = path_items(case, case.losses)
        parts = [spreads_db([*shared, *noise_items(case.noise(rx))]) for rx in (case.far, case.near)]
        site, conditions = (np.array([own[0] for own in kind]) for kind in zip(*parts, strict=True))
        margins = np.concatenate(case.margins_db(case.losses))
        return margins, site, conditions, fading_k_db(case, case.losses)

    def lacking_db(self, case: LinkCase) -> Floats:
        """What the forward and the return direction lack; negative where they have more than required."""
        margin, *uncertain = self._state(case)
        return np.asarray(self.requirement.margin_db(*uncertain) - margin)

    def short_db(self, case: LinkCase) -> float:
        """What the direction that lacks most lacks."""
        return float(self.lacking_db(case).max())

    def suffices(self, case: LinkCase) -> bool:
        """Whether nothing is short: quicker than `short_db`."""
        r = self.requirement
        margin, *uncertain = self._state(case)
        return bool(
            not case.losses.ground_unknown[0]  # without known ground nothing closes
            and margin.min() >= (r.stated_margin_db or 0.0)
            and np.min(r.site_share(margin, *uncertain)) >= r.confidence
            # over a limit of duty, dwell time or channel it is at risk at best, as a check has it
            and all(x.legal_dbm is not None for x in lawful(case)[1])
        )

    def first_enough(self, ways: Iterable[tuple[_Way, LinkCase]]) -> tuple[_Way, LinkCase] | None:
        """The first that suffices; the last where none does."""
        found = None
        for found in ways:
            if self.suffices(found[1]):
                break
        return found

    def advice(self, kind: AdviceKind, step: findings.Step, effort: int, changed: LinkCase) -> Advice:
        """A change, with what it leads to: the margin is the weaker direction's, as a check has it."""
        margin, *uncertain = self._state(changed)
        weaker = np.argmin(margin - self.requirement.margin_db(*uncertain))
        return Advice(kind, step, effort, float(margin[weaker]), self.suffices(changed))


def advise(case: LinkCase, requirement: Requirement) -> tuple[Advice, ...]:
    """What would make a link close: what suffices alone first, then by effort, then by margin gained."""
    required = _Required(requirement)
    found: list[Advice] = []
    if required.short_db(case) > 0.0:
        for solve in (
            _signal, _power, _antennas, _mounting, _feeders, _noise, _least_heights
        ):  # fmt: skip
            found += solve(case, required)
        # what takes two changes, then what takes another site: only where one change is not enough
        for solve in (_slowest_and_raised, _relay):
            if not any(a.sufficient for a in found):
                found += solve(case, required)
        found += _clearance_heights(case, required)
    found += _measure(case)
    return tuple(sorted(found, key=lambda a: (not a.sufficient, a.effort, -(a.fade_margin_db or -999.0))))


def _signal(case: LinkCase, required: _Required) -> Iterator[Advice]:
    """A larger spreading factor, and a smaller bandwidth."""
    m = case.link.modulation
    if not isinstance(m, ChirpModulation):
        return
    factors = [{"spreading_factor": factor} for factor in range(m.spreading_factor + 1, 13)]
    if (found := required.first_enough(_lawful_signals(case, factors))) is not None:
        new, changed = found
        step: findings.Step = findings.SlowerSignal(
            new.spreading_factor, m.spreading_factor, changed.longest_time_on_air_s, case.longest_time_on_air_s,
            limits_known=case.regulation.region is not None,
        )  # fmt: skip
        yield required.advice("spreading_factor", step, 1, changed)
    narrower = [{"bandwidth_khz": b} for b in BANDWIDTHS_KHZ if b < m.bandwidth_khz]
    if (found := required.first_enough(_lawful_signals(case, narrower))) is not None:
        changed = found[1]
        step = findings.NarrowerSignal(
            changed.signal.bandwidth_hz, m.bandwidth_khz, changed.longest_time_on_air_s
        )
        yield required.advice("bandwidth", step, 1, changed)


def _lawful_signals(
    case: LinkCase, updates: Iterable[Mapping[str, Any]]
) -> Iterator[tuple[ChirpModulation, LinkCase]]:
    """The signal changed step by step, as far as the table of limits goes along."""
    for update in updates:
        modulation = case.link.modulation.model_copy(update=update)
        assert isinstance(modulation, ChirpModulation)
        changed = case.with_modulation(modulation)
        if breaks_limits(case, changed):
            return
        yield modulation, changed


def _power(case: LinkCase, required: _Required) -> Iterator[Advice]:
    stations = []
    for end, lack_db in zip(ENDS, required.lacking_db(case), strict=True):
        station = case.station(end)
        power_dbm = station.transmit_power_dbm
        if lack_db > 0.0:
            # as a planner would set it: whole decibels
            most_dbm = min(HIGHEST_POWER_DBM, _legal_power_dbm(case, end))
            power_dbm = max(
                power_dbm,
                min(math.ceil(power_dbm + lack_db - 1e-9), math.floor(most_dbm + POWER_ROUNDING_DB)),
            )
        stations.append(station.model_copy(update={"transmit_power_dbm": power_dbm}))
    changed = replace(case, near=stations[0], far=stations[1])
    raised = tuple(
        findings.Setting(new.name, new.transmit_power_dbm, old.transmit_power_dbm)
        for new, old in zip(stations, (case.near, case.far), strict=True)
        if new.transmit_power_dbm > old.transmit_power_dbm
    )
    if not raised:
        return
    step = findings.MorePower(raised, None)
    if all(math.isfinite(_legal_power_dbm(case, end)) for end in ENDS):
        limits = [station_limits(case, end) for end in ENDS]
        uncertain = {found.power_doubt for found in limits if found and found.power_doubt}
        step = findings.MorePower(raised, case.regulation.region, tuple(sorted(uncertain)))
    yield required.advice("power", step, 1, changed)


def _legal_power_dbm(case: LinkCase, end: End) -> float:
    """The most conducted power the table of limits allows a station; infinite where it says nothing."""
    found = station_limits(case, end)
    if found is None:
        return math.inf
    if found.largest_conducted_dbm is None:
        # where no power is legal, none is advised: the present one
        return case.station(end).transmit_power_dbm if found.status == "over" else math.inf
    return found.largest_conducted_dbm


def _antennas(case: LinkCase, required: _Required) -> Iterator[Advice]:
    """The smallest step up in antennas that suffices; the largest where none does."""
    best: tuple[findings.Step, LinkCase] | None = None
    ways: tuple[tuple[End, ...], ...] = (("far",), ("near",), ENDS)
    for antenna_type, gain_dbi in ANTENNAS:
        for ends in ways:
            stations: dict[End, Station] = {}
            for end in ends:
                station = case.station(end)
                if _gain_dbi(case, end) >= gain_dbi - 0.5:
                    continue
                antenna = Antenna(
                    type=antenna_type, gain_dbi=gain_dbi, polarisation=station.antenna.polarisation
                )
                stations[end] = station.model_copy(update={"antenna": antenna})
            if len(stations) != len(ends):
                continue
            changed = case.with_stations(stations)
            changed, powers = _within_power(changed, stations)
            step = findings.BetterAntenna(
                antenna_type, gain_dbi, tuple(s.name for s in stations.values()), powers
            )
            if best is None or required.short_db(changed) < required.short_db(best[1]) - 0.05:
                best = (step, changed)
            if required.suffices(changed):
                yield required.advice("antenna", step, 2, changed)
                return
    if best is not None and best[1].weaker_margin_db > case.weaker_margin_db + 0.5:
        yield required.advice("antenna", best[0], 2, best[1])


def _within_power(
    changed: LinkCase, stations: dict[End, Station]
) -> tuple[LinkCase, tuple[findings.Setting, ...] | None]:
    """Turn the power of stations with better antennas down to what is legal; None where that is not known."""
    # under a cap on radiated power a better antenna helps receiving only
    legal = {end: _legal_power_dbm(changed, end) for end in stations}
    if not all(math.isfinite(power) for power in legal.values()):
        return changed, None
    powers = []
    for end, station in stations.items():
        most_dbm = math.floor(10.0 * legal[end] + 0.3) / 10.0
        if station.transmit_power_dbm > most_dbm:
            changed = changed.with_station(end, transmit_power_dbm=most_dbm)
            powers.append(findings.Setting(station.name, most_dbm, station.transmit_power_dbm))
    return changed, tuple(powers)


def _gain_dbi(case: LinkCase, end: End) -> float:
    return next(t.value_db for t in case.antenna_terms(end, "transmitter") if t.kind == "antenna_gain")


def _mounting(case: LinkCase, required: _Required) -> Iterator[Advice]:
    """What costs decibels at an antenna and could be put right there."""
    for end in ENDS:
        station = case.station(end)
        ways: list[tuple[findings.Step, int, dict[str, Any]]] = []
        if station.building != "none":
            ways.append((findings.OutsideAntenna(station.name), 3, {"building": "none"}))
        for extra in station.extra_loss:
            if extra.loss_db >= _WORTH_REPAIR_DB:
                others = [x for x in station.extra_loss if x is not extra]
                step = findings.Repair(station.name, extra.loss_db, extra.reason)
                ways.append((step, 3, {"extra_loss": others}))
        if any(
            -t.value_db >= _WORTH_REPAIR_DB
            for t in case.antenna_terms(end, "receiver")
            if t.kind == "off_beam"
        ):
            ways.append(_aimed(case, end))
        for way, effort, update in ways:
            changed = case.with_station(end, **update)
            if changed.weaker_margin_db > case.weaker_margin_db:
                yield required.advice("antenna", way, effort, changed)
    if case.polarisation_terms:
        turned: End = "far" if case.far.antenna.polarisation != "vertical" else "near"
        wanted = case.station("near" if turned == "far" else "far").antenna.polarisation
        station = case.station(turned)
        antenna = station.antenna.model_copy(update={"polarisation": wanted})
        changed = case.with_station(turned, antenna=antenna)
        turn = findings.TurnedPolarisation(station.name, wanted, station.antenna.polarisation)
        yield required.advice("antenna", turn, 3, changed)


def _aimed(case: LinkCase, end: End) -> tuple[findings.Step, int, dict[str, Any]]:
    """Turn a directional antenna to the other station; give an omnidirectional one a wider beam."""
    station, elevation_deg = case.station(end), case.elevation_deg(end)
    a = station.antenna
    if directional(a) or a.tilt_deg:
        tilt_deg = float(round(elevation_deg))
        bearing_deg = case.bearing_deg(end) % 360.0 if case.positioned else None
        step = findings.AimedAntenna(station.name, bearing_deg, tilt_deg)
        turned = a.model_copy(update={"azimuth_deg": None, "tilt_deg": tilt_deg})
        return step, 3, {"antenna": turned}
    dipole = Antenna(type="half_wave_dipole", polarisation=a.polarisation)
    return findings.WiderBeam(station.name, elevation_deg), 2, {"antenna": dipole}


def _feeders(case: LinkCase, required: _Required) -> Iterator[Advice]:
    ways: list[tuple[findings.Step, LinkCase]] = []
    for cable in CABLES:
        stations: dict[End, Station] = {}
        saved = []
        for end in ENDS:
            station = case.station(end)
            if station.feeder.length_m == 0.0 or station.feeder.loss_db_per_100m is not None:
                continue
            better = station.model_copy(update={"feeder": station.feeder.model_copy(update={"type": cable})})
            gain_db = feeder_loss_db(station, case.frequency_hz) - feeder_loss_db(better, case.frequency_hz)
            if gain_db >= 1.0:
                stations[end] = better
                saved.append((cable, station.name, gain_db))
        if stations:
            ways.append((findings.BetterFeeder(tuple(saved)), case.with_stations(stations)))
    if (found := required.first_enough(ways)) is not None:
        yield required.advice("feeder", found[0], 2, found[1])


def _noise(case: LinkCase, required: _Required) -> Iterator[Advice]:
    quiet = {
        end: case.station(end).model_copy(update={"noise_rise_db": 0.0})
        for end in ENDS
        if case.station(end).noise_rise_db >= 1.0
    }
    if quiet:
        step = findings.LessNoise(tuple(s.name for s in quiet.values()))
        yield required.advice("noise", step, 2, case.with_stations(quiet))


def _measure(case: LinkCase) -> Iterator[Advice]:
    parts = contributors(case, case.far)
    reading = findings.SiteReading(combined_db(parts, "site"), after_reading_db(parts))
    yield Advice("measure", reading, 3, None, False)


# ---------------------------------------------------------------- antennas raised until nothing is short


def _least_heights(case: LinkCase, required: _Required) -> Iterator[Advice]:
    """Least heights that reach what is required: either antenna alone, and both by the same raise."""
    alone: list[float] = []
    for ends in (("near",), ("far",), ENDS):
        least_m = _least(case, ends, required)
        # raising both is worth a line where it spares a mast at either end
        if least_m is None or (ends == ENDS and any(least_m > 0.75 * one for one in alone)):
            continue
        alone.append(least_m)
        changed = _raised(case, ends, least_m, in_decimetres=True)
        step = _raised_step(case, changed, ends)
        yield required.advice("raise_antenna", step, 3 if least_m <= _CLIMB_M else 4, changed)


def _raised_step(
    case: LinkCase, changed: LinkCase, ends: Sequence[End], **more: Any
) -> findings.RaisedAntennas:
    """What has been raised, and the feeders that grow with their antennas."""
    pairs = [(case.station(e), changed.station(e)) for e in ENDS]
    heights = [(old.name, new.antenna_height_m, old.antenna_height_m) for old, new in pairs]
    feeders = [(old.name, new.feeder.length_m, old.feeder.length_m) for old, new in pairs]
    return findings.RaisedAntennas(
        tuple(findings.Setting(*h) for h, end in zip(heights, ENDS, strict=True) if end in ends),
        tuple(findings.Setting(*f) for f in feeders if f[1] > f[2]),
        **more,
    )


def _raised(case: LinkCase, ends: Sequence[End], raise_m: float, *, in_decimetres: bool = False) -> LinkCase:
    """A link with one or both antennas raised by so much; `in_decimetres` as it is told, to heights rounded up."""
    heights_m = {end: case.station(end).antenna_height_m + raise_m for end in ends}
    if in_decimetres:
        # 1e-6: 6.1 m times ten is no exact 61, and must not be told as 6.2
        heights_m = {end: math.ceil(height * 10.0 - 1e-6) / 10.0 for end, height in heights_m.items()}
    return case.raised(near_m=heights_m.get("near"), far_m=heights_m.get("far"))


def _room_m(case: LinkCase, ends: Sequence[End]) -> float:
    """How far all these antennas may be raised."""
    return min(tallest_m(case.station(e)) - case.station(e).antenna_height_m for e in ends)


def _least(case: LinkCase, ends: Sequence[End], required: _Required) -> float | None:
    """Smallest raise with nothing short, to 0.05 m; the first found going up, as lobes come and go."""
    highest = _room_m(case, ends)
    if highest < 0.1:
        return None
    grid = np.linspace(0.0, highest, 31)
    for (low, high), worth in zip(pairwise(grid), _may_suffice(case, ends, grid[1:], required), strict=True):  # noqa: B007
        if worth and required.suffices(_raised(case, ends, float(high))):
            break
    else:
        return None
    while high - low > 0.05:
        middle = (low + high) / 2.0
        enough = required.suffices(_raised(case, ends, float(middle)))
        low, high = (low, middle) if enough else (middle, high)
    return float(high)


def _may_suffice(
    case: LinkCase, ends: Sequence[End], raises_m: Floats, required: _Required
) -> NDArray[np.bool_]:
    """Which raises are worth a closer look: a longer feeder, which takes decibels, is not counted yet."""
    near, far = (
        s.antenna_height_m + (raises_m if end in ends else 0.0 * raises_m)
        for end, s in zip(ENDS, (case.near, case.far), strict=True)
    )
    found = profile_losses(case.profile, case.situation, near, far)
    shared, r = path_items(case, found), required.requirement
    worth = np.ones(raises_m.shape, dtype=bool)
    for margin, rx in zip(case.margins_db(found), (case.far, case.near), strict=True):
        uncertain = *spreads_db([*shared, *noise_items(case.noise(rx))]), fading_k_db(case, found)
        enough = np.asarray(r.site_share(margin + _NEARLY_DB, *uncertain)) >= r.confidence
        worth &= enough & (margin + _NEARLY_DB >= (r.stated_margin_db or 0.0))
    return worth


def _clearance_heights(case: LinkCase, required: _Required) -> Iterator[Advice]:
    """Least heights that free 60 % of the first Fresnel zone, in closed form."""
    if case.path.regime == "clear":
        return
    profile, s = case.profile, case.situation
    near_m, far_m = case.path.heights_m
    d, length_m = profile.distance_m[1:-1], profile.length_m
    ground = profile.ground_m
    needed_m = (
        ground[1:-1]
        + profile.clutter_m[1:-1]
        + fresnel.earth_bulge_m(d, length_m - d, s.k_factor)
        + CLEAR_RATIO * fresnel.fresnel_radius_m(d, length_m - d, s.frequency_hz)
    )
    start_m, end_m = ground[0] + near_m, ground[-1] + far_m
    lack_m = needed_m - (start_m + (end_m - start_m) * d / length_m)
    raises_m: dict[tuple[End, ...], float] = {
        ("near",): float((lack_m * length_m / (length_m - d)).max()),
        ("far",): float((lack_m * length_m / d).max()),
        ENDS: float(lack_m.max()),
    }
    reachable = [ends for ends, up_m in raises_m.items() if up_m <= _room_m(case, ends)]
    if not reachable:
        return
    ends = min(reachable, key=lambda ends: raises_m[ends] * len(ends))
    up_m = raises_m[ends]
    changed = _raised(case, ends, up_m, in_decimetres=True)
    step = _raised_step(case, changed, ends, clears_fresnel_zone=True)
    yield required.advice("fresnel_clearance", step, 3 if up_m <= _CLIMB_M else 4, changed)


def _slowest_and_raised(case: LinkCase, required: _Required) -> Iterator[Advice]:
    """The most robust signal with both antennas raised, where nothing suffices alone."""
    m = case.link.modulation
    if not isinstance(m, ChirpModulation) or m.spreading_factor == 12:
        return
    slowest = case.with_modulation(m.model_copy(update={"spreading_factor": 12}))
    if breaks_limits(case, slowest):
        return
    least_m = _least(slowest, ENDS, required)
    if least_m is not None:
        changed = _raised(slowest, ENDS, least_m, in_decimetres=True)
        step = _raised_step(case, changed, ENDS, slowest_s=slowest.longest_time_on_air_s)
        yield required.advice("raise_antenna", step, 4, changed)


# ---------------------------------------------------------------- another site


def _relay(case: LinkCase, required: _Required) -> Iterator[Advice]:
    """The best place for a relay on the line between the two stations, with the radio of the stronger end."""
    spots = relay_spots(case)
    if not spots or spots[0][0] <= case.weaker_margin_db + 3.0:
        return
    margin_db, i = spots[0]
    hops = hops_over(case, i)
    feeders = {feeder_words(hop.station(end)) or "none" for hop, end in zip(hops, ENDS[::-1], strict=True)}
    each = _Required(required.requirement.of_each_hop())
    tries = each.requirement.tries if each.requirement.tries != case.link.tries else 0
    at_m = float(case.profile.distance_m[i])
    step = findings.RelayOnLine(case.near.name, at_m, RELAY_MAST_M, margin_db, tuple(sorted(feeders)), tries)
    yield Advice("relay", step, 5, margin_db, all(each.suffices(hop) for hop in hops))

"""What would make a link close, each change found by solving, ranked by effort."""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from linkcalc.link import findings
from linkcalc.link.case import ENDS, End, LinkCase, directional, feeder_loss_db
from linkcalc.link.legal import breaks_limits, station_limits
from linkcalc.link.link_requirement import LinkRequirement
from linkcalc.link.raising import clearance_heights, least_heights, slowest_and_raised
from linkcalc.link.relay_on_line import relay
from linkcalc.link.remedy_options import ANTENNAS, CABLES, HIGHEST_POWER_DBM
from linkcalc.link.requirement import Requirement
from linkcalc.link.result import Advice
from linkcalc.link.uncertainty import after_reading_db, combined_db, contributors
from linkcalc.plan import Antenna, ChirpModulation, Station

_WORTH_REPAIR_DB = 1.0
"""A loss at the antenna from which putting it right is worth a line."""


def advise(case: LinkCase, requirement: Requirement) -> tuple[Advice, ...]:
    """What would make a link close: what suffices alone first, then by effort, then by margin gained."""
    required = LinkRequirement(requirement)
    short = required.short_db(case)
    found: list[Advice] = []
    if short > 0.0:
        for solve in (
            _spreading_factor,
            _bandwidth,
            _power,
            _antennas,
            _mounting,
            _feeders,
            _noise,
            least_heights,
        ):
            found += solve(case, required)
        if not any(a.sufficient for a in found):
            found += slowest_and_raised(case, required)
        if not any(a.sufficient for a in found):
            found += relay(case, required)
        found += clearance_heights(case, required)
    found += _measure(case)
    return tuple(sorted(found, key=lambda a: (not a.sufficient, a.effort, -(a.fade_margin_db or -999.0))))


def _spreading_factor(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
    m = case.link.modulation
    if not isinstance(m, ChirpModulation) or m.spreading_factor == 12:
        return
    changed = case
    for factor in range(m.spreading_factor + 1, 13):
        slower = case.with_modulation(m.model_copy(update={"spreading_factor": factor}))
        if breaks_limits(case, slower):
            break
        changed = slower
        if required.suffices(changed):
            break
    if changed is case:
        return
    new = changed.link.modulation
    assert isinstance(new, ChirpModulation)
    step = findings.SlowerSignal(
        new.spreading_factor, m.spreading_factor, changed.longest_time_on_air_s, case.longest_time_on_air_s,
        limits_known=case.regulation.region is not None,
    )  # fmt: skip
    yield required.advice("spreading_factor", step, 1, changed)


def _bandwidth(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
    m = case.link.modulation
    if not isinstance(m, ChirpModulation):
        return
    changed = None
    for bandwidth_khz in (250.0, 125.0, 62.5):
        if bandwidth_khz < m.bandwidth_khz:
            slower = case.with_modulation(m.model_copy(update={"bandwidth_khz": bandwidth_khz}))
            if breaks_limits(case, slower):
                break
            changed = slower
            if required.suffices(changed):
                break
    if changed is not None:
        step = findings.NarrowerSignal(
            changed.signal.bandwidth_hz, m.bandwidth_khz, changed.longest_time_on_air_s
        )
        yield required.advice("bandwidth", step, 1, changed)


def _power(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
    stations = []
    for end, lack_db in zip(ENDS, required.lacking_db(case), strict=True):
        station = case.station(end)
        power_dbm = station.transmit_power_dbm
        if lack_db > 0.0:
            # as a planner would set it: whole decibels
            most_dbm = min(HIGHEST_POWER_DBM, _legal_power_dbm(case, end))
            power_dbm = max(
                power_dbm, min(math.ceil(power_dbm + lack_db - 1e-9), math.floor(most_dbm + 0.05))
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


def _antennas(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
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


def _mounting(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
    """What costs decibels at an antenna and could be put right there."""
    terms = (*case.budget().terms, *case.budget(back=True).terms)
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
        off_db = [-t.value_db for t in terms if t.kind == "off_beam" and t.station == station.name]
        if off_db and off_db[-1] >= _WORTH_REPAIR_DB:
            ways.append(_aimed(case, end))
        for way, effort, update in ways:
            changed = case.with_stations({end: station.model_copy(update=update)})
            if changed.weaker_margin_db > case.weaker_margin_db:
                yield required.advice("antenna", way, effort, changed)
    if case.polarisation_terms:
        turned: End = "far" if case.far.antenna.polarisation != "vertical" else "near"
        wanted = case.station("near" if turned == "far" else "far").antenna.polarisation
        station = case.station(turned)
        antenna = station.antenna.model_copy(update={"polarisation": wanted})
        changed = case.with_stations({turned: station.model_copy(update={"antenna": antenna})})
        turn = findings.TurnedPolarisation(station.name, wanted, station.antenna.polarisation)
        yield required.advice("antenna", turn, 3, changed)


def _aimed(case: LinkCase, end: End) -> tuple[findings.Step, int, dict[str, Any]]:
    """Turn a directional antenna to the other station; give an omnidirectional one a wider beam."""
    station, elevation_deg = case.station(end), case.elevation_deg
    bearing_deg = case.azimuth_deg
    if end == "far":
        elevation_deg, bearing_deg = case.back_elevation_deg, case.back_azimuth_deg
    a = station.antenna
    if directional(a) or a.tilt_deg:
        tilt_deg = float(round(elevation_deg))
        step = findings.AimedAntenna(station.name, bearing_deg % 360.0 if case.positioned else None, tilt_deg)
        turned = a.model_copy(update={"azimuth_deg": None, "tilt_deg": tilt_deg})
        return step, 3, {"antenna": turned}
    dipole = Antenna(type="half_wave_dipole", polarisation=a.polarisation)
    return findings.WiderBeam(station.name, elevation_deg), 2, {"antenna": dipole}


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
            turned = station.model_copy(update={"transmit_power_dbm": most_dbm})
            changed = changed.with_stations({end: turned})
            powers.append(findings.Setting(station.name, most_dbm, station.transmit_power_dbm))
    return changed, tuple(powers)


def _gain_dbi(case: LinkCase, end: End) -> float:
    return next(t.value_db for t in case.antenna_terms(end, "transmitter") if t.kind == "antenna_gain")


def _feeders(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
    """The first better cable that suffices; the best where none does."""
    found: tuple[findings.BetterFeeder, LinkCase] | None = None
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
            found = findings.BetterFeeder(tuple(saved)), case.with_stations(stations)
            if required.suffices(found[1]):
                break
    if found is not None:
        yield required.advice("feeder", found[0], 2, found[1])


def _noise(case: LinkCase, required: LinkRequirement) -> Iterator[Advice]:
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

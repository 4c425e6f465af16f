"""The whole answer for a fleet: who reaches whom, how it fares, and what each node should use."""

import math
from collections.abc import Callable, Iterator
from dataclasses import fields
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc.area.scheduler import Scheduler
from linkcalc.errors import quoted
from linkcalc.fleets.assign import Assignment, Choice, Options, assign, assignment_of, options
from linkcalc.fleets.contention import Outlook, outlook
from linkcalc.fleets.judge import Judged, by_link, judged
from linkcalc.fleets.limits import Limits
from linkcalc.fleets.network import Network, Setting, Supply
from linkcalc.fleets.reach import Paths, network, paths, regime_words, without_overlong_messages
from linkcalc.fleets.remedies import lacks_words, remedies, scaled, spread_retries
from linkcalc.fleets.result import AsPlanned, FleetResult, LoadPoint, NodeAnswer, ShedAnswer
from linkcalc.fleets.simulate import Played, simulated_parts, summed
from linkcalc.link.requirement import VERDICTS, Requirement
from linkcalc.link.result import VerdictWord
from linkcalc.plan.fleet import POWER_STEPS_DBM, LoadedFleet
from linkcalc.plan.power import Battery
from linkcalc.radio.energy import CHEMISTRIES, LONGEST_QUOTED_YEARS, battery_life_years, capacity_share

LOADS = tuple(2.0**k for k in range(-3, 7))
"""Times the planned traffic that the fleet's success is worked out for."""
PLAYED_LOADS = (1.0, 4.0, 16.0)
"""Of these, played out packet by packet as well."""
_MANY = 300
"""Nodes from which on the user is told how it goes."""
_MESSAGES = 8000.0
"""A node's messages in a simulation, on average."""
_MOST_MESSAGES = 100_000.0
"""Of all nodes together, in one of its parts."""
_PARTS = 8
_SAME_PLACE_M = 1.0


def answer(
    loaded: LoadedFleet,
    *,
    choose: bool = True,
    play: bool = True,
    seed: int = 1,
    scheduler: Scheduler | None = None,
    say: Callable[[str], None] = lambda line: None,
) -> FleetResult:
    """Answer a fleet; `say` gets lines for the user on the way.

    `choose` proposes shed, spreading factor and power of each node; else they are as planned, and the shed that hears
    a node best where none is stated. `play` plays the fleet packet by packet, too, from a `seed`. The numbers do not
    depend on who processes the parts (`scheduler`).

    >>> from linkcalc.plan.fleet import load_fleet
    >>> from linkcalc.files import sample_path
    >>> found = answer(load_fleet(sample_path("upland_fleet")), play=False)
    >>> len(found.nodes), [s.nodes for s in found.sheds], found.verdict
    (60, [33, 27], 'at_risk')
    """
    loaded = without_overlong_messages(loaded, choose=choose)
    found = paths(loaded, scheduler=scheduler, say=say)
    traffic = loaded.fleet.traffic
    net = network(loaded, found)
    supply = Supply(**{f.name: getattr(loaded.fleet.supply, f.name) for f in fields(Supply)})
    limits = Limits(loaded, net)
    required = traffic.required_success
    choice, power_notes = _choice(loaded, found, net, limits)
    planned = as_planned(loaded, found, net)
    many = net.nodes >= _MANY
    counted = limits.counted(planned)
    kept = assignment_of(net, supply, counted, required)
    tell = partial(_tell_progress, say) if many else None
    assignment = assign(net, supply, choice, required, say=tell) if choose else kept
    setting, averaged = assignment.setting, assignment.outlook
    predicted = outlook(net, setting, spread=False)
    played = None
    run: Any = {"seed": seed, "scheduler": scheduler}
    if play:
        if many:
            say("playing the fleet packet by packet")
        played = _played(net, setting, 1.0, **run)
    alone_words = by_link(net, found, setting, Requirement.of(loaded.plan().plan.link[0]))
    total = None if played is None else summed(played)
    words = judged(averaged, predicted, total, required, net.tries, alone_words)
    alone = options(net, supply, choice, None)
    asked = _Asked(loaded, found, net, choice, limits, None if choose else planned)
    nodes = tuple(_node_answers(asked, assignment, predicted, words, alone, total))
    sheds = tuple(_shed_answer(asked, assignment, j) for j in range(net.sheds))
    # a fleet with nodes that could not be answered is at risk at best
    verdict = _least({"at_risk" if found.refused else "closes", *(n.verdict for n in nodes)})
    if many:
        say("working out what more and less traffic does, and what the remedies are")
    retries = tuple(spread_retries(net, setting))
    return FleetResult(
        title=loaded.fleet.title,
        verdict=verdict,
        required_success=required,
        confidence=traffic.confidence,
        tries=net.tries,
        signal=_signal_words(loaded),
        frequency_hz=loaded.fleet.radio.frequency_mhz * 1e6,
        channels=net.channels,
        factors=net.factors,
        fading=loaded.fleet.radio.fading == "by_path",
        assigned=choose,
        nodes=nodes,
        sheds=sheds,
        refused=tuple((r.row, r.name, r.reason) for r in found.refused),
        planned=_before(kept, required) if choose else None,
        region=limits.region,
        charge_mah_per_day=assignment.value[1],
        loads=tuple(_loads(net, setting, played, play, run)),
        played_messages=0 if played is None else int(sum(p.messages.sum() for p in played)),
        remedies=(
            *remedies(net, assignment, choice, alone, required, choose),
            *(retries if verdict != "closes" else ()),
        ),
        notes=(
            *(retries if verdict == "closes" else ()),
            *loaded.notes,
            *found.notes,
            *power_notes,
            *_limit_notes(limits, planned, counted, nodes, choose),
            *_notes(net, loaded),
            *_at_sheds(loaded, found),
            *_played_worse(found, predicted, words, total),
        ),
        drawing=found,
    )


def as_planned(loaded: LoadedFleet, found: Paths, net: Network) -> Setting:
    """The setting that the fleet file states, and the shed that hears a node best where none is stated."""
    fleet = loaded.fleet
    default = getattr(fleet.radio.modulation, "spreading_factor", 0)
    names = [s.name for s in fleet.shed]
    factors, powers, sheds = [], [], []
    heard = np.argmax(net.gain_db - net.noise_dbm, axis=1)
    for k, node in enumerate(found.nodes):
        factors.append(net.factors.index((node.spreading_factor or default) if default else 0))
        power = node.transmit_power_dbm
        powers.append(fleet.equipment.transmit_power_dbm if power is None else power)
        sheds.append(names.index(node.shed) if node.shed is not None else int(heard[k]))
    return Setting(np.array(sheds, dtype=np.int64), np.array(factors, dtype=np.int64), np.array(powers))


def _least(words: set[VerdictWord]) -> VerdictWord:
    return next(word for word in VERDICTS if word in words)


def _before(kept: Assignment, required: float) -> AsPlanned:
    assured = kept.outlook.assured
    return AsPlanned(int((assured >= required).sum()), float(assured.min()), kept.value[1])


def _choice(
    loaded: LoadedFleet, found: Paths, net: Network, limits: Limits
) -> tuple[Choice, tuple[str, ...]]:
    radio = loaded.fleet.radio
    most = loaded.fleet.equipment.transmit_power_dbm
    stated = radio.powers_dbm or [p for p in (*POWER_STEPS_DBM, most) if p <= most]
    powers = np.array(sorted(set(stated)))
    names = [s.name for s in loaded.fleet.shed]
    pinned = np.array([-1 if n.shed is None else names.index(n.shed) for n in found.nodes])
    seconds = net.time_on_air_s * net.tries
    listed = np.isin(np.array(net.factors), radio.factors)
    fits: NDArray[np.bool_] = np.asarray(seconds < net.interval_s[:, np.newaxis]) & listed
    whole = np.broadcast_to(fits[..., np.newaxis], (*seconds.shape, powers.size)).copy()
    notes = []
    if limits.region is not None:
        legal = limits.allowed(powers)
        none: NDArray[np.bool_] = ~np.asarray((legal & whole).any(axis=(1, 2)))
        barred = not legal.all()
        if none.any():
            first = int(np.argmax(none))
            held = limits.node(first, 0, float(powers[0]))
            notes.append(
                f"{int(none.sum())} nodes have no spreading factor and power within the limits of"
                f" {limits.region} ({held.reason}): for them all are tried"
            )
        elif barred:
            notes.append(f"spreading factors and powers over the limits of {limits.region} are not proposed")
        # a node that nothing legal is left for is answered all the same, and told of
        whole &= legal | none[:, np.newaxis, np.newaxis]
    return Choice(powers, pinned.astype(np.int64), whole), tuple(notes)


class _Asked(NamedTuple):
    """The fleet, and what may be chosen for it."""

    loaded: LoadedFleet
    found: Paths
    net: Network
    choice: Choice
    limits: Limits
    planned: Setting | None
    """None: the setting is proposed."""


def _node_answers(
    asked: _Asked, assignment: Assignment, predicted: Outlook, words: Judged, alone: Options,
    played: Played | None,
) -> Iterator[NodeAnswer]:  # fmt: skip
    loaded, found, net, choice, limits, planned = asked
    setting, averaged = assignment.setting, assignment.outlook
    best_alone = alone.success.reshape(net.nodes, -1).max(axis=1)
    i = np.arange(net.nodes)
    names = [s.name for s in loaded.fleet.shed]
    seconds = net.time_on_air_s[i, setting.factor]
    sent_per_day = averaged.transmissions / net.interval_s * 86_400.0
    margins = net.margin_at_0_dbm_db[..., np.newaxis] + choice.powers_dbm
    at_most = np.where(choice.allowed[:, np.newaxis], margins, -np.inf).max(axis=(2, 3))
    low = high = share = None
    if played is not None:
        share, (low, high) = played.success, played.interval()
    over_limits = limits.over_words(setting)
    stated_dbm = (setting if planned is None else planned).power_dbm
    required = loaded.fleet.traffic.required_success
    battery = loaded.fleet.supply.battery
    for k in range(net.nodes):
        j = int(setting.shed[k])
        verdict, lacks = words.verdict[k], ""
        if verdict == "at_risk" and found.unknown[k, j] and words.assured[k] >= required:
            lacks = "the ground to its base station is not known"
        elif verdict != "closes":
            lacks = lacks_words(
                net, choice, k, required, best_alone=float(best_alone[k]), alone=float(averaged.alone[k]),
                chosen=planned is None,
            )  # fmt: skip
        elif over_limits[k]:
            # it closes only beyond what the law lets it, or the base station, send
            verdict, lacks = "at_risk", over_limits[k]
        years = None
        if battery is not None:
            years = _years(battery, float(assignment.charge_mah_per_day[k]))
        yield NodeAnswer(
            name=found.names[k],
            row=found.rows[k],
            latitude_deg=float(found.latitude_deg[k]),
            longitude_deg=float(found.longitude_deg[k]),
            antenna_height_m=float(found.height_m[k]),
            verdict=verdict,
            shed=names[j],
            spreading_factor=net.factors[int(setting.factor[k])] or None,
            power_dbm=float(setting.power_dbm[k]),
            distance_m=float(found.length_m[k, j]),
            path=regime_words(int(found.regime[k, j])),
            margin_db=float(averaged.margin_db[k]),
            assured=float(words.assured[k]),
            success_alone=float(averaged.alone[k]),
            success_predicted=float(words.predicted[k]),
            success=float(words.success[k]),
            by_played=bool(words.by_played[k]),
            transmissions=float(averaged.transmissions[k]),
            collided=float(predicted.collided[k]),
            interval_s=float(net.interval_s[k]),
            time_on_air_s=float(seconds[k]),
            airtime_s_per_day=float(seconds[k] * sent_per_day[k]),
            charge_mah_per_day=float(assignment.charge_mah_per_day[k]),
            battery_years=years,
            reached=tuple(n for n, m in zip(names, at_most[k], strict=True) if m >= 0.0),
            margins_db=tuple(tuple(float(v) for v in row) for row in margins[k, :, :, -1]),
            limits=limits.node(k, int(setting.factor[k]), float(stated_dbm[k])),
            played_success=None if share is None or math.isnan(share[k]) else float(share[k]),
            played_low=None if low is None else float(low[k]),
            played_high=None if high is None else float(high[k]),
            lacks=lacks,
        )


def _shed_answer(asked: _Asked, assignment: Assignment, j: int) -> ShedAnswer:
    loaded, found, net, _, limits, _ = asked
    setting, averaged = assignment.setting, assignment.outlook
    own = setting.shed == j
    i = np.arange(net.nodes)
    seconds = net.time_on_air_s[i, setting.factor]
    per_hour = averaged.rates.sent * seconds * 3600.0
    level = setting.power_dbm + net.gain_db[:, j]
    heard = level >= net.noise_dbm[j] + net.required_snr_db[setting.factor]
    busy = averaged.found_busy[own]
    by_signal = tuple(
        (
            f"SF{factor}" if factor else "FSK",
            int((own & (setting.factor == k)).sum()),
            float(per_hour[own & (setting.factor == k)].sum()),
        )
        for k, factor in enumerate(net.factors)
    )
    shed = loaded.fleet.shed[j]
    return ShedAnswer(
        name=shed.name,
        latitude_deg=found.sheds_deg[j][0],
        longitude_deg=found.sheds_deg[j][1],
        nodes=int(own.sum()),
        heard=int(heard.sum()),
        load=float(averaged.load[j]),
        all_busy=float(busy.max(initial=0.0)),
        receiving_s_per_hour=float(per_hour[own].sum()),
        answering_s_per_hour=float(averaged.answering[j] * 3600.0),
        answering_share=float(averaged.answering[j]),
        limits=limits.shed(j, setting),
        by_signal=by_signal,
    )


def _years(battery: Battery, charge_per_day: float) -> float:
    usable = (
        float(capacity_share(battery.chemistry, battery.temperature_c))
        if battery.usable_percent is None
        else battery.usable_percent / 100.0
    )
    lost = battery.self_discharge_percent_per_year
    yearly = CHEMISTRIES[battery.chemistry].self_discharge_per_year if lost is None else lost / 100.0
    years = battery_life_years(
        battery.capacity_mah, charge_per_day / 24.0, usable_share=usable, self_discharge_per_year=yearly
    )
    return min(float(years), LONGEST_QUOTED_YEARS)


def _played(
    net: Network, setting: Setting, times: float, *, seed: int, scheduler: Scheduler | None
) -> list[Played]:
    """Independent simulations at a multiple of the planned traffic."""
    more = scaled(net, times)
    seconds = min(_MESSAGES / _PARTS, _MOST_MESSAGES / net.nodes) * float(np.median(more.interval_s))
    return simulated_parts(
        more, setting, duration_s=seconds, parts=_PARTS, seed=seed + round(1000 * times), scheduler=scheduler
    )


def _loads(
    net: Network, setting: Setting, played: list[Played] | None, play: bool, run: Any
) -> Iterator[LoadPoint]:
    seconds = net.time_on_air_s[np.arange(net.nodes), setting.factor] * net.tries
    for times in LOADS:
        more = scaled(net, times)
        # a node that would have to send without a pause
        if (seconds >= more.interval_s).any():
            break
        averaged = outlook(more, setting)
        predicted = outlook(more, setting, spread=False)
        sent = predicted.rates.sent
        share = low = high = None
        if play and times in PLAYED_LOADS:
            parts = played if times == 1.0 and played is not None else _played(net, setting, times, **run)
            shares = np.array([p.received.sum() / max(p.sent.sum(), 1) for p in parts])
            share = float(shares.mean())
            error = 3.0 * float(shares.std(ddof=1)) / math.sqrt(len(parts))
            low, high = max(share - error, 0.0), min(share + error, 1.0)
        yield LoadPoint(
            times=times,
            worst=float(averaged.assured.min()),
            tenth=float(np.quantile(averaged.assured, 0.1)),
            median=float(np.median(averaged.assured)),
            tries_received=float((predicted.try_success * sent).sum() / sent.sum()),
            played=share,
            played_low=low,
            played_high=high,
        )


def _limit_notes(
    limits: Limits, planned: Setting, counted: Setting, nodes: tuple[NodeAnswer, ...], choose: bool
) -> Iterator[str]:
    """What of the fleet does not count, or is at risk, because the law does not allow it."""
    lowered = int((counted.power_dbm < planned.power_dbm).sum())
    if lowered and not choose:
        yield (
            f"{lowered} {'node is' if lowered == 1 else 'nodes are'} set to more power than the limits of"
            f" {limits.region} allow: the largest legal one counts"
        )
    over = sum("over the limits" in n.lacks for n in nodes)
    if over:
        yield (
            f"{over} {'node' if over == 1 else 'nodes'} would close but for the limits of {limits.region}: report"
            " less often, try less, or take a band that allows more"
        )


def _signal_words(loaded: LoadedFleet) -> str:
    m = loaded.fleet.radio.modulation
    if m.kind == "css":
        return f"CSS, {m.bandwidth_khz:g} kHz, {m.coding_rate}"
    return f"FSK {m.bit_rate_bps / 1e3:g} kbit/s"


def _at_sheds(loaded: LoadedFleet, found: Paths) -> Iterator[str]:
    for k, j in np.argwhere(np.isnan(found.loss_db) & (found.length_m < _SAME_PLACE_M)):
        yield (
            f"{quoted(found.names[k])} stands at the position of {quoted(loaded.fleet.shed[j].name)}: no path"
            " between them is worked out; give each antenna its own position"
        )


def _played_worse(
    found: Paths, predicted: Outlook, words: Judged, played: Played | None
) -> Iterator[str]:  # fmt: skip
    """Where the closed form is too hopeful and the simulation has the say."""
    if played is None or not words.by_played.any():
        return
    over = np.where(words.by_played, predicted.success - words.predicted, 0.0)
    count, k = int(words.by_played.sum()), int(np.argmax(over))
    who = f"{count} {'node loses' if count == 1 else 'nodes lose'}"
    low, high = (100.0 * float(v[k]) for v in played.interval())
    yield (
        f"{who} more when simulated packet by packet than by the closed form, and are judged by that; most"
        f" {quoted(found.names[k])}: {100.0 * played.success[k]:.1f} % ({low:.1f} to {high:.1f} %) get through"
        f" at the predicted level, not {100.0 * predicted.success[k]:.1f} %"
    )


def _tell_progress(say: Callable[[str], None], step: int, fails: int, nodes: int) -> None:
    """How a search goes, at every doubling of its steps."""
    if step & (step - 1) == 0:
        lacking = f"{fails} of {nodes} lack" if fails else f"all {nodes} have"
        say(f"choosing how nodes send, step {step}: {lacking} the required success")


def _notes(net: Network, loaded: LoadedFleet) -> Iterator[str]:
    if net.timing == "periodic" and net.jitter == 0.0:
        yield (
            "periodic senders without jitter meet again and again or never: the closed form is right on"
            " average only; give them some jitter"
        )
    twice = [n.position for n in loaded.nodes]
    if len(set(twice)) < len(twice):
        first = next(n for n in loaded.nodes if twice.count(n.position) > 1)
        yield f"several nodes stand at the position of {quoted(first.name)}"
    if net.acknowledged:
        yield (
            "answers are taken to be lost to fading only, not to what other nodes send near the node, and not"
            " to disturb other base stations"
        )

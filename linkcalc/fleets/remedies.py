"""What keeps a fleet from the required success, and what would remedy that."""

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from linkcalc.fleets.assign import Assignment, Choice, Options, cheapest
from linkcalc.fleets.contention import outlook
from linkcalc.fleets.network import FADING_K_DB, Network, Setting
from linkcalc.link.reliability import margin_for_success
from linkcalc.link.requirement import Requirement

_LARGEST_FACTOR = 256.0
_OWN_SETTING = "its spreading factor or power"
_SPREADS_S = (10.0, 20.0, 30.0, 60.0, 120.0, 300.0)
"""Times that retries may be spread over."""
_LEAST_LOSS = 5e-4
"""Of the messages: less is not worth advice."""
_FOLD = {
    2: "to half", 3: "threefold", 4: "fourfold", 5: "fivefold", 6: "sixfold", 7: "sevenfold", 8: "eightfold",
    9: "ninefold", 10: "tenfold",
}  # fmt: skip
_MORE_CHANNELS = (2, 3, 4, 6, 8, 12, 16)


def scaled(net: Network, times: float) -> Network:
    """The same fleet with so many times the traffic."""
    return replace(net, interval_s=net.interval_s / times)


def lacks_words(
    net: Network, choice: Choice, k: int, required: float, *, best_alone: float, alone: float, chosen: bool
) -> str:
    """What keeps a node from the required success.

    `best_alone` and `alone` are its success if no other sent, at its best setting and at the one it has.
    """
    pin = choice.pinned[k]
    if not np.isfinite(net.gain_db[k] if pin < 0 else net.gain_db[k, pin]).any():
        return "no path to any base station" if pin < 0 else "no path to its base station"
    if best_alone >= required:
        if alone >= required:
            return "the load of the others"
        return "the load of the others leaves no room for a longer signal" if chosen else _OWN_SETTING
    lacking = _missing_db(net, choice, k, required)
    return f"{_decibels(lacking)}, even alone at its best setting"


def _missing_db(net: Network, choice: Choice, k: int, required: float) -> float:
    """Margin that a node lacks where it lacks least, alone, with the best signal and power it may use."""
    margins = net.margin_at_0_dbm_db[k]
    usable = choice.allowed[k]
    asked = Requirement(required, net.confidence or 0.5, None, net.tries, 0.0)
    best = np.inf
    for j in range(net.sheds):
        if choice.pinned[k] not in (-1, j) or not np.isfinite(net.gain_db[k, j]):
            continue
        share = float(net.site_share(np.array([k]), j)[0]) if net.confidence is not None else 0.0
        site = share * float(net.sigma_db[k, j])
        conditions = math.sqrt(1.0 - share**2) * float(net.sigma_db[k, j])
        fading = FADING_K_DB[net.fading[k, j]]
        # sites of a fleet's path fade alike
        needs = margin_for_success(required, conditions, rician_k_db=fading, tries=net.tries)
        needed = asked.margin_db(site, conditions, fading, needs_db=np.array([needs]))
        signal, power = np.nonzero(usable)
        best = min(best, float((needed - margins[j, signal] - choice.powers_dbm[power]).min()))
    return max(best, 0.0)


def _decibels(value: float) -> str:
    return "less than 1 dB" if value < 0.95 else f"{value:.0f} dB"


def remedies(
    net: Network, assignment: Assignment, choice: Choice, alone: Options, required: float, chosen: bool
) -> Iterator[str]:
    """What would bring the required success, as far as it is not met."""
    fails = assignment.outlook.assured < required
    if not fails.any():
        return
    best_alone = alone.success.reshape(net.nodes, -1).max(axis=1)
    out = fails & (best_alone < required)
    if not chosen and (fails & ~out).any():
        count = int((fails & ~out).sum())
        yield f"{count} {_nodes(count)} would do with another spreading factor or power: let it be chosen"
    if out.any():
        lacking = [_missing_db(net, choice, int(k), required) for k in np.flatnonzero(out)]
        reachable = [x for x in lacking if np.isfinite(x)]
        words = f"{int(out.sum())} {_nodes(int(out.sum()))} would not have it even if no other node sent"
        if reachable:
            span = _decibels(max(reachable))
            if max(reachable) - min(reachable) >= 1.0:
                span = f"up to {span}"
            lack = "lacks" if len(lacking) == 1 else "lack"
            words += f", and {lack} {span}: a nearer base station, a higher or better antenna, a relay"
        else:
            words += ": no path to a base station, see the notes"
        yield words
    loaded = fails & ~out
    if chosen and loaded.any():
        yield from _lighter(net, assignment, choice, alone, loaded, ~out, required)


def _lighter(
    net: Network, assignment: Assignment, choice: Choice, alone: Options, loaded: NDArray[np.bool_],
    asked: NDArray[np.bool_], required: float,
) -> Iterator[str]:  # fmt: skip
    """What would bring it for nodes that fail for the others' load."""
    count = int(loaded.sum())
    who = f"{count} {_nodes(count)} {'fails' if count == 1 else 'fail'} for the load of the others"
    # no option has a success of 2: of each node the one with the highest is taken
    strongest = cheapest(alone, np.full(net.nodes, 2.0), choice)
    setting = assignment.setting.changed(np.flatnonzero(loaded), strongest)

    def is_met(changed: Network) -> bool:
        return bool((outlook(changed, setting).assured[asked] >= required).all())

    found = []
    fewer = _fewer_reports(net, is_met)
    if fewer is not None:
        found.append(f"reports {fewer:g} times less often")
    for channels in _MORE_CHANNELS:
        if channels > net.channels and is_met(replace(net, channels=channels)):
            found.append(f"{channels} channels")
            break
    if net.acknowledged and net.half_duplex and is_met(replace(net, half_duplex=False)):
        found.append("base stations that hear while they answer")
    if found:
        yield f"{who}; what would do: {', or '.join(found)}"
    else:
        yield f"{who}, and neither rarer reports nor more channels alone would do"
    yield "another base station would take nodes off the busiest one, and let them send shorter packets"


def spread_retries(net: Network, setting: Setting) -> Iterator[str]:
    """Whether waiting longer, and less alike, before a retry would save messages, and how many."""
    if net.tries == 1:
        return
    longest = float(net.time_on_air_s.max())
    # all tries within half of the shortest interval, or retries run into the next message
    room = float(net.interval_s.min()) / 2.0 / (net.tries - 1) - longest
    now = _mean_loss(net, setting)
    found = []
    for seconds in _SPREADS_S:
        if 2.0 * net.retry_spread_s < seconds <= room:
            spread = replace(net, retry_wait_s=seconds / 2.0, retry_jitter=1.0)
            found.append((seconds, _mean_loss(spread, setting)))
    if not found or now < _LEAST_LOSS:
        return
    least = min(loss for _, loss in found)
    # the shortest spread that does nearly as well as the best: a longer one only delays messages
    seconds, then = next(f for f in found if f[1] <= 1.5 * least)
    times = now / max(then, 1e-6)
    if times >= 1.5:
        falls = f"falls {_FOLD.get(round(times), 'more than tenfold')}"
        if times < 1.75:
            falls = "falls by a third"
        yield (
            f"retries of nodes that met meet again: spread them over {_duration(seconds)} (retry_wait_s ="
            f" {seconds / 2.0:g}, retry_jitter = 1) and the predicted loss {falls}, from"
            f" {_percent_words(now)} to {_percent_words(then)} of the messages"
        )


def _mean_loss(net: Network, setting: Setting) -> float:
    return float(1.0 - outlook(net, setting, spread=False).success.mean())


def _duration(seconds: float) -> str:
    if seconds < 60.0:
        return f"{seconds:g} seconds"
    return "a minute" if seconds == 60.0 else f"{seconds / 60.0:g} minutes"


def _percent_words(share: float) -> str:
    return f"{100.0 * share:.2g} %"


def _nodes(count: int) -> str:
    return "node" if count == 1 else "nodes"


def _fewer_reports(net: Network, is_met: Callable[[Network], bool]) -> float | None:
    """How many times rarer reports must be for nodes to have the required success; None: rarity does not help."""
    if not is_met(scaled(net, 1.0 / _LARGEST_FACTOR)):
        return None
    low, high = 1.0, _LARGEST_FACTOR
    while high / low > 1.02:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if is_met(scaled(net, 1.0 / middle)) else (middle, high)
    # rounded up: what is proposed must suffice
    return math.ceil(high * 10.0) / 10.0

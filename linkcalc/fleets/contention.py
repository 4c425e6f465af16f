"""What becomes of each node's messages when all the others send as well: the closed form.

A try is received if its level, fast fading included, is above what the receiver needs, and above every packet
that overlaps it on its channel by the threshold of the two signals (each interferer by itself: packets are
rare enough that two strong ones seldom meet on a third). Arrivals are taken as Poisson; interferers stand at
their predicted mean level and fade by themselves. A packet is further lost to a shed that is just answering
(half duplex), or whose demodulators are all busy.

What is unknown or varies slowly is common to all tries of a message; fading and collisions are drawn anew.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import ndtri

from linkcalc._arrays import Floats
from linkcalc.fleets.air import Again, Air, Rates
from linkcalc.fleets.encounters import Encounters
from linkcalc.fleets.levels import (
    MARGINS_DB,
    MIDDLES_DB,
    STEP_DB,
    above,
    level_shares,
    received_by_margin,
    received_level_shares,
)
from linkcalc.fleets.network import Ints, Network, Setting

_Z = np.linspace(-6.0, 6.0, 97)
_WEIGHT = np.exp(-0.5 * _Z * _Z) / np.exp(-0.5 * _Z * _Z).sum()
_MOST_ROUNDS = 60


@dataclass(frozen=True, eq=False)
class Outcome:
    """What becomes of messages; the last axes are those of the margins."""

    success: Floats
    """Of a message with its tries."""
    assured: Floats
    """The same at a site that only the rest to `Network.confidence` of such sites is worse than: what the
    required success is held against. Without a confidence as `success`."""
    try_success: Floats
    """Of a try, the mean of all that are sent."""
    transmissions: Floats
    """Mean number for one message."""
    numbers: Floats
    """(..., tries): chance that a message comes to its first, second ... try."""


@dataclass(frozen=True, eq=False)
class Outlook(Outcome):
    """A setting judged; arrays (n,) unless said otherwise."""

    alone: Floats
    """As `assured` if no other node sent."""
    margin_db: Floats
    collided: Floats
    """Share of the tries strong enough to be received that another packet spoils, at the predicted level."""
    found_busy: Floats
    """Share that no demodulator is free for."""
    found_deaf: Floats
    """Share that the shed's own answers spoil."""
    rates: Rates
    load: Floats
    """(s,): packets that the shed hears at once, on average, from its own nodes and others'."""
    answering: Floats
    """(s,): share of the time that the shed sends answers."""


def messages(
    network: Network, nodes: Ints, shed: int | Ints, margin_db: Floats, return_margin_db: Floats, met: "Met",
    *, spread: bool = True,
) -> Outcome:  # fmt: skip
    """What becomes of the messages of nodes, (k,), each reporting to a shed, with what they meet on the air.

    `margin_db`, (k, powers), is the mean level over the weakest that is received, `return_margin_db`, (k,), that of the
    answers. `spread` averages over what is unknown or varies slowly; else they stay at the predicted level.
    """
    fading = network.fading[nodes, shed]
    by_level = [met.survival] if met.again is None else [met.survival, met.again.meets]
    if not spread:
        shares = [level_shares(fading, m) for m in margin_db.T]
        means = [np.stack([(s * v).sum(axis=1) for s in shares], axis=1)[..., np.newaxis] for v in by_level]
        answered = above(fading, return_margin_db)[:, np.newaxis, np.newaxis]
        weight = np.ones(1)
    else:
        # all tries of a message share the slow state: the mean over these is taken last
        slow = network.sigma_db[nodes, shed][:, np.newaxis] * _Z
        place = (margin_db[..., np.newaxis] + slow[:, np.newaxis, :] - MARGINS_DB[0]) / STEP_DB
        # a little below the last point, so that there is always one above to interpolate to
        place = np.clip(place, 0.0, MARGINS_DB.size - 1.001)
        means = [_between(received_by_margin(fading, v), place) for v in by_level]
        answered = above(fading, return_margin_db[:, np.newaxis] + slow)[:, np.newaxis, :]
        weight = _WEIGHT
    answered = answered * np.reshape(met.answered, (-1, 1, 1))
    received = np.clip(means[0], 0.0, 1.0)
    again = np.clip(means[1], 0.0, 1.0) if len(means) > 1 else np.zeros(received.shape)
    tries = list(_tries(1.0 - received, again, met, network.tries))
    lost, sent = np.ones(received.shape), np.ones(received.shape)
    count, arrived, numbers = np.zeros(received.shape), np.zeros(received.shape), []
    for missed in tries:
        lost = lost * missed
        count = count + sent
        arrived = arrived + sent * (1.0 - missed if network.acknowledged else received)
        numbers.append(sent @ weight)
        if network.acknowledged:
            # what got through and whose answer is heard is not sent again; without answers all tries are sent
            sent = sent * (1.0 - (1.0 - missed) * answered)
    success = (1.0 - lost) @ weight
    assured = success
    if spread and network.confidence is not None:
        poor = _poor_site(network.site_share(nodes, shed), network.confidence)
        assured = ((1.0 - lost) * poor[:, np.newaxis]).sum(axis=-1)
    return Outcome(
        success, assured, (arrived @ weight) / (count @ weight), count @ weight, np.stack(numbers, axis=-1)
    )


def _poor_site(site_share: Floats, confidence: float) -> Floats:
    """Weight of each slow state at a site that `confidence` of the sites are better than, (k, z)."""
    middle = -float(ndtri(confidence)) * site_share[:, np.newaxis]
    step = float(_Z[1] - _Z[0])
    # the year's part around it; without one, the two states next to it
    year = np.sqrt(np.maximum(1.0 - site_share[:, np.newaxis] ** 2, 0.0))
    narrow = np.maximum(1.0 - np.abs(_Z - middle) / step, 0.0)
    wide = np.exp(-0.5 * ((_Z - middle) / np.maximum(year, step)) ** 2)
    weight = np.where(year < step, narrow, wide)
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _between(curves: Floats, place: Floats) -> Floats:
    """Values of each node's curve between its points."""
    below = place.astype(np.int64)
    flat = below.reshape(curves.shape[0], -1)
    low, high = (np.take_along_axis(curves, flat + k, axis=1).reshape(place.shape) for k in (0, 1))
    return np.asarray(low + (place - below) * (high - low))


def _tries(lost: Floats, again: Floats, met: "Met", tries: int) -> Iterator[Floats]:
    """Chance that each try is lost if all before it were.

    One that was lost to a packet that is sent again, too, may meet it once more.
    """
    missed = lost
    yield missed
    if met.again is None:
        yield from (lost for _ in range(1, tries))
        return
    spoilt, both = (v[:, np.newaxis, np.newaxis] for v in (met.again.spoilt, met.again.both))
    # a try is repeated only if it was lost: the chance among those
    meets = again / np.maximum(lost, 1e-300)
    for left in met.left[: tries - 1]:
        once_more = np.minimum(meets, 1.0) * left
        missed = 1.0 - (1.0 - lost) * (1.0 - once_more * spoilt)
        meets = (again + once_more * both) / np.maximum(missed, 1e-300)
        yield missed


@dataclass(frozen=True, eq=False)
class Met:
    """What nodes' packets meet on the air, (k, ...)."""

    survival: Floats
    """(k, steps): chance that one of each level gets through."""
    answered: Floats
    """(k,): chance that the shed is free to answer."""
    again: Again | None = None
    """None: a message has one try, or nobody else sends."""
    left: Floats = field(default_factory=lambda: np.zeros(0))

    @classmethod
    def of(cls, network: Network, nodes: Ints, shed: int, factor: int, air: Air | None) -> "Met":
        """At a shed, with a signal; alone without `air`."""
        if air is None:
            return cls(np.ones((nodes.size, MIDDLES_DB.size)), np.ones(nodes.size))
        return cls(
            air.survival(nodes, shed, factor),
            air.free_to_answer(nodes, shed, factor),
            air.again(nodes, shed, factor) if network.tries > 1 else None,
            air.left(),
        )

    @classmethod
    def together(cls, parts: "Sequence[tuple[Ints, Met]]") -> "Met":
        """Of all nodes, from groups of them."""
        order = np.argsort(np.concatenate([nodes for nodes, _ in parts]))

        def whole(values: Sequence[Floats]) -> Floats:
            return np.concatenate(values)[order]

        each = [met for _, met in parts]
        again = [met.again for met in each if met.again is not None]
        return cls(
            whole([m.survival for m in each]),
            whole([m.answered for m in each]),
            Again(*map(whole, zip(*again, strict=True))) if again else None,
            each[0].left,
        )


def outlook(network: Network, setting: Setting, *, spread: bool = True) -> Outlook:
    """Judge how a fleet fares when every node sends as it is set.

    `spread` averages over what is unknown or varies slowly (what a plan should be judged by); else it is at the
    predicted levels (what a simulation at those levels shows). Poisson arrivals and a vulnerable time of both
    packets' lengths, as Abramson 1970 for equal packets, with the share of interferers that are strong enough.
    """
    n = network.nodes
    # without answers every try is sent, whatever becomes of those before
    start = 1.0 if network.acknowledged else float(network.tries)
    met = Encounters(network, setting)
    ended = met.answer_heard if network.acknowledged else np.zeros(n)
    first = np.zeros(network.tries)
    first[0] = 1.0
    rates = Rates(start / network.interval_s, np.zeros(n), ended, np.zeros(n), first)
    groups = [
        (np.flatnonzero((setting.shed == j) & (setting.factor == c)), j, c)
        for j in range(network.sheds)
        for c in range(network.required_snr_db.size)
    ]
    groups = [g for g in groups if g[0].size]
    margin = network.margin_db(setting.power_dbm, setting.shed, setting.factor)
    return_margin = network.return_margin_db(setting.shed, setting.factor)

    def judged(air: Air | None) -> Outcome:
        parts = [(nodes, Met.of(network, nodes, j, c, air)) for nodes, j, c in groups]
        found = messages(
            network, np.arange(n), setting.shed, margin[:, np.newaxis], return_margin, Met.together(parts),
            spread=spread,
        )  # fmt: skip
        return Outcome(**{name: value[:, 0] for name, value in vars(found).items()})

    strong = np.maximum(met.heard[np.arange(n), setting.shed], 1e-12)
    # how often a node repeats depends on the collisions, and these on how often all repeat; beginning without
    # repetitions the rates only rise from round to round, to the least load that agrees with itself
    for _ in range(_MOST_ROUNDS):
        air = Air(network, setting, rates, met)
        found = judged(air)
        sent = found.transmissions / network.interval_s
        answered = sent * found.try_success if network.acknowledged else np.zeros(n)
        moved = max(
            float(np.abs(sent / rates.sent - 1.0).max(initial=0.0)),
            float(np.abs(answered - rates.answered).max(initial=0.0) / max(answered.max(initial=0.0), 1e-30)),
        )
        numbers = (found.numbers / network.interval_s[:, np.newaxis]).sum(axis=0)
        clear = np.minimum(found.try_success / strong, 1.0)
        deaf = _found_deaf(network, air, groups, margin)
        rates = Rates(sent, answered, ended * clear, deaf, numbers / numbers.sum())
        if moved < 1e-5:
            break
    collided, found_busy = np.empty(n), np.empty(n)
    for nodes, j, c in groups:
        shares = received_level_shares(network.fading[nodes, j], margin[nodes])
        collided[nodes] = (shares * -np.expm1(-air.collisions(nodes, j, c))).sum(axis=1)
        found_busy[nodes] = air.busy(nodes, j)
    return Outlook(
        **vars(found),
        alone=judged(None).assured,
        margin_db=margin,
        collided=collided,
        found_busy=found_busy,
        found_deaf=rates.deaf,
        rates=rates,
        load=air.load,
        answering=air.answering,
    )


def _found_deaf(
    network: Network, air: Air, groups: Sequence[tuple[Ints, int, int]], margin_db: Floats
) -> Floats:
    """Share of each node's tries, at the predicted level, that a shed's answers spoil."""
    found = np.zeros(network.nodes)
    if network.half_duplex and network.acknowledged:
        for nodes, j, c in groups:
            shares = received_level_shares(network.fading[nodes, j], margin_db[nodes])
            found[nodes] = (shares * air.deaf(nodes, j, c)).sum(axis=1)
    return found

"""The legal limits of a fleet's transmitters: every node, and every shed that answers."""

import math
from collections import Counter
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from linkcalc.errors import DomainError
from linkcalc.fleets.network import Network, Setting
from linkcalc.link.case import feeder_loss_db, main_gain_dbi
from linkcalc.link.modulation import Signal
from linkcalc.plan import Station
from linkcalc.plan.fleet import LoadedFleet
from linkcalc.rules.found import POWER_ROUNDING_DB, LimitsCheck, Status
from linkcalc.rules.limits import check
from linkcalc.rules.transmission import HOUR_S, OtherTraffic, Transmission

TOO_LONG = "one message with its tries is longer than its interval"


@dataclass(frozen=True)
class Held:
    """What the table of limits says about one transmitter."""

    status: Status
    reason: str
    duty_cycle: float | None
    """Share of the worst hour, every message sent with all its tries and every try answered."""
    unverified: bool


class Limits:
    """The limits of a fleet, each distinct transmission looked up once."""

    def __init__(self, loaded: LoadedFleet, network: Network) -> None:
        fleet = loaded.fleet
        self.region = fleet.regulation.region
        self._fleet, self._network = fleet, network
        self._bandwidth_hz = Signal.of(fleet.radio.modulation).transmitted_bandwidth_hz
        self._node = cache(self._of_node)

    def node(self, index: int, factor: int, power_dbm: float) -> Held:
        return self._looked_up(index, factor, power_dbm)[0]

    def counted(self, setting: Setting) -> Setting:
        """A setting with the largest legal power for every node that is set to more: what is over does not count."""
        powers = []
        for i, (factor, power) in enumerate(zip(setting.factor, setting.power_dbm, strict=True)):
            held, legal = self._looked_up(i, int(factor), float(power))
            if held.status == "over" and legal is not None and legal < power - POWER_ROUNDING_DB:
                # in tenths, and 25 mW as the 14 dBm that it is called
                power = math.floor((legal + POWER_ROUNDING_DB) * 10.0) / 10.0
            powers.append(power)
        return replace(setting, power_dbm=np.array(powers, dtype=np.float64))

    def over_words(self, setting: Setting) -> list[str]:
        """What is over at each node or its base station, at powers that count; empty: nothing."""
        answering = [self.shed(j, setting) for j in range(self._network.sheds)]
        words = []
        for i, j in enumerate(setting.shed):
            held, base = self.node(i, int(setting.factor[i]), float(setting.power_dbm[i])), answering[j]
            if held.status == "over":
                words.append(f"over the limits of {self.region}")
            elif base is not None and base.status == "over":
                words.append(f"its base station's answers are over the limits of {self.region}")
            else:
                words.append("")
        return words

    def _looked_up(self, index: int, factor: int, power_dbm: float) -> tuple[Held, float | None]:
        net = self._network
        return self._node(
            float(net.time_on_air_s[index, factor]), float(net.interval_s[index]), float(power_dbm)
        )

    def allowed(self, powers_dbm: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Signals and powers that no limit known here forbids, (n, c, p)."""
        net = self._network
        found = np.ones((net.nodes, net.required_snr_db.size, powers_dbm.size), dtype=bool)
        for i, k, p in np.ndindex(*found.shape):
            found[i, k, p] = self.node(i, k, float(powers_dbm[p])).status != "over"
        return found

    def shed(self, index: int, setting: Setting) -> Held | None:
        """A shed with the answers to the nodes that report to it; None if it sends nothing."""
        net = self._network
        own = np.flatnonzero(setting.shed == index)
        if not (net.acknowledged and own.size):
            return None
        # the worst hour: every message in it, each with all its tries, and each of these answered
        per_hour = [math.ceil(HOUR_S / net.interval_s[i] - 1e-9) * net.tries for i in own]
        seconds: Counter[float] = Counter()
        for i, count in zip(own, per_hour, strict=True):
            seconds[float(net.answer_s[setting.factor[i]])] += count
        # the rules know one kind of transmission beside other traffic: the longest answers, as they dwell longest
        longest = max(seconds)
        frequency = self._fleet.radio.frequency_mhz * 1e6
        others = tuple(OtherTraffic(frequency, s * count) for s, count in seconds.items() if s != longest)
        total = sum(s * count for s, count in seconds.items())
        # more than the hour holds is no traffic that the table of limits could be asked about
        if total >= HOUR_S:
            words = f"its answers would take {total / HOUR_S:.1f} hours of each hour"
            return Held("over", words, total / HOUR_S, False)
        return self._held(
            self._fleet.shed[index],
            self._fleet.shed[index].transmit_power_dbm,
            longest,
            HOUR_S / seconds[longest],
            1,
            others,
        )[0]

    def _of_node(self, seconds: float, interval_s: float, power_dbm: float) -> tuple[Held, float | None]:
        return self._held(self._fleet.equipment, power_dbm, seconds, interval_s, self._network.tries)

    def _held(
        self, station: Station, power_dbm: float, seconds: float, interval_s: float, tries: int,
        others: tuple[OtherTraffic, ...] = (),
    ) -> tuple[Held, float | None]:  # fmt: skip
        """What the table says, and the largest legal power."""
        frequency = self._fleet.radio.frequency_mhz * 1e6
        try:
            sent = Transmission(
                frequency_hz=frequency,
                bandwidth_hz=self._bandwidth_hz,
                conducted_power_dbm=power_dbm,
                feeder_loss_db=feeder_loss_db(station, frequency),
                antenna_gain_dbi=main_gain_dbi(station),
                time_on_air_s=seconds,
                interval_s=interval_s,
                tries=tries,
                hopping_channels=max(self._fleet.radio.channels, self._fleet.regulation.hopping_channels),
                listen_before_talk=self._fleet.regulation.listen_before_talk,
                access_point=station is not self._fleet.equipment,
                conditions_met=frozenset(self._fleet.regulation.conditions_met),
                other_traffic=others,
            )
        except DomainError:
            return Held("over", TOO_LONG, seconds * tries / interval_s, False), None
        found: LimitsCheck = check(sent, self.region)
        held = Held(found.status, found.reason, found.duty_cycle, bool(found.unverified))
        return held, found.largest_conducted_dbm

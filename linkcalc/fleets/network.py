"""A fleet as the arithmetic sees it: arrays over nodes, sheds and signals."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError
from linkcalc.radio.energy import transmit_current_ma

Ints = NDArray[np.int64]
Timing = Literal["periodic", "random"]

FADING_K_DB = (3.0, 6.5, 10.0, 40.0)
"""Rician K by the numbers in `Network.fading`: a blocked, a grazing and a clear path, and one that does not
fade."""
STEADY = 3
"""Of `FADING_K_DB`: no fading worth the name."""


def fading_of(k_db: Floats) -> NDArray[np.int8]:
    """The kind of fading nearest to a median K.

    >>> fading_of(np.array([3.0, 6.0, 9.5, np.nan])).tolist()
    [0, 1, 2, 0]
    """
    k = np.nan_to_num(k_db, nan=FADING_K_DB[0])
    return np.asarray(np.abs(k[..., np.newaxis] - FADING_K_DB[:STEADY]).argmin(axis=-1), dtype=np.int8)


@dataclass(frozen=True, eq=False)
class Network:
    """n nodes, s sheds, and c signals (spreading factors) to choose from. All that is not a choice."""

    gain_db: Floats
    """(n, s): received less transmitted power; -inf where there is no path. The same both ways."""
    noise_dbm: Floats
    """(s,): of the shed's receiver."""
    fading: NDArray[np.int8]
    """(n, s): index into `FADING_K_DB`."""
    sigma_db: Floats
    """(n, s): standard deviation of what is unknown or varies slowly."""
    return_snr_db: Floats
    """(n, s): of the shed's answers at the node."""
    required_snr_db: Floats
    """(c,)"""
    threshold_db: Floats
    """(c, c): signal over interference from which a packet survives; rows the wanted one's signal."""
    factors: tuple[int, ...]
    """(c,): spreading factors, or 0 for a signal without one."""
    time_on_air_s: Floats
    """(n, c): of one transmission."""
    answer_s: Floats
    """(c,): of an acknowledgement."""
    interval_s: Floats
    """(n,): between a node's messages."""
    channels: int = 1
    """Frequencies, all alike, of which each transmission takes one at random."""
    demodulators: int = 8
    """Packets that a shed can receive at once."""
    acknowledged: bool = True
    """The shed answers each packet it receives, and the node repeats until it hears that."""
    half_duplex: bool = True
    """A shed that sends does not hear."""
    tries: int = 1
    retry_wait_s: float = 10.0
    """From the end of a try to the next one, on average."""
    timing: Timing = "random"
    """random: as a Poisson process; periodic: one message in each interval, displaced by `jitter`."""
    jitter: float = 0.1
    """Share of the interval by which a start is displaced either way at most."""
    retry_jitter: float | None = None
    """The same of the wait, for tries, at most 1; None: as `jitter`."""
    confidence: float | None = None
    """Share of such sites at which the required success must be had; None: their mean must have it."""
    site_sigma_db: Floats | None = None
    """(n, s): the part of `sigma_db` that a site has for good, the rest changes over the year; None: all."""
    slotted: bool = False
    """Transmissions start on a common clock whose slots take the longest of them."""

    def __post_init__(self) -> None:
        n, s = self.gain_db.shape
        c = self.required_snr_db.size
        shapes = {
            "noise_dbm": (s,), "fading": (n, s), "sigma_db": (n, s), "return_snr_db": (n, s),
            "threshold_db": (c, c), "time_on_air_s": (n, c), "answer_s": (c,), "interval_s": (n,),
        }  # fmt: skip
        for name, shape in shapes.items():
            if getattr(self, name).shape != shape:
                raise DomainError(f"{name} must have the shape {shape}, got {getattr(self, name).shape}")
        for name in ("channels", "demodulators", "tries"):
            if getattr(self, name) < 1:
                raise DomainError(f"{name} must be at least 1, got {getattr(self, name)}")
        if not (self.interval_s > 0.0).all():
            raise DomainError("interval_s must be above 0")

    @property
    def nodes(self) -> int:
        return int(self.gain_db.shape[0])

    @property
    def sheds(self) -> int:
        return int(self.gain_db.shape[1])

    @property
    def retry_spread_s(self) -> float:
        """By how much a retry is displaced either way at most."""
        return (self.jitter if self.retry_jitter is None else self.retry_jitter) * self.retry_wait_s

    def site_share(self, nodes: Ints, shed: int | Ints) -> Floats:
        """The site's part of `sigma_db`, 0 to 1, for some nodes."""
        if self.site_sigma_db is None:
            return np.ones(nodes.shape)
        whole = self.sigma_db[nodes, shed]
        return np.asarray(np.minimum(self.site_sigma_db[nodes, shed] / np.maximum(whole, 1e-9), 1.0))

    @property
    def slot_s(self) -> float:
        """Length of a slot: the longest transmission and a microsecond that keeps neighbours apart."""
        return float(self.time_on_air_s.max()) + 1e-6

    @property
    def margin_at_0_dbm_db(self) -> Floats:
        """Margin of each node at each shed with each signal, sent with 0 dBm, (n, s, c)."""
        over_noise = self.gain_db - self.noise_dbm
        return np.asarray(over_noise[..., np.newaxis] - self.required_snr_db)

    def margin_db(self, power_dbm: Floats, shed: Ints, factor: Ints) -> Floats:
        """Mean level over the weakest that is received, for each node."""
        i = np.arange(self.nodes)
        level = power_dbm + self.gain_db[i, shed]
        return np.asarray(level - self.noise_dbm[shed] - self.required_snr_db[factor])

    def return_margin_db(self, shed: Ints, factor: Ints) -> Floats:
        """The same of the answers, for each node."""
        return np.asarray(self.return_snr_db[np.arange(self.nodes), shed] - self.required_snr_db[factor])


@dataclass(frozen=True, eq=False)
class Setting:
    """How every node sends; arrays (n,)."""

    shed: Ints
    """Index of the shed it reports to."""
    factor: Ints
    """Index into the network's signals."""
    power_dbm: Floats

    def changed(self, nodes: Ints, to: "Setting") -> "Setting":
        """The same with some nodes set as in another setting."""
        shed, factor, power = self.shed.copy(), self.factor.copy(), self.power_dbm.copy()
        shed[nodes], factor[nodes], power[nodes] = to.shed[nodes], to.factor[nodes], to.power_dbm[nodes]
        return Setting(shed, factor, power)


@dataclass(frozen=True)
class Supply:
    """What a node draws, mA; figures that all nodes share."""

    transmit_current_ma: float | None = None
    """None: the generic table by power. A stated one is taken for every power."""
    receive_current_ma: float = 10.0
    receive_window_s: float | None = None
    """After each transmission; None: the answer's time on air and 0.1 s, or none if nothing answers."""
    sleep_current_ma: float = 0.015
    sensor_current_ma: float = 30.0
    sensor_warm_up_s: float = 0.5

    def sending_ma(self, power_dbm: Floats) -> Floats:
        if self.transmit_current_ma is not None:
            return np.full(np.shape(power_dbm), self.transmit_current_ma)
        return np.asarray(transmit_current_ma(power_dbm))

    def window_s(self, network: Network) -> Floats:
        """Receive window after a transmission, by signal, (c,)."""
        if self.receive_window_s is not None:
            return np.full(network.answer_s.shape, self.receive_window_s)
        return network.answer_s + 0.1 if network.acknowledged else np.zeros(network.answer_s.shape)

    def always_ma(self, network: Network) -> Floats:
        """Mean current that no choice of signal changes, (n,)."""
        return np.asarray(
            self.sleep_current_ma + self.sensor_current_ma * self.sensor_warm_up_s / network.interval_s
        )

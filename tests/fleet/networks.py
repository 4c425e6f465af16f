"""Fleets made of numbers, and a scheduler that treats jobs as a distant one would."""

import pickle
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np

from linkcalc.fleets.network import STEADY, Network, Setting
from linkcalc.fleets.random_access import survival_threshold_db
from linkcalc.fleets.simulate import Played, simulated_parts, summed
from linkcalc.radio import css

AIRTIME_S = 0.37
NO_CAPTURE_DB = 300.0


def aloha_success(load: float, *, slotted: bool) -> float:
    """Of equal packets, a load in packets a packet time: Abramson 1970, exp(-2G); with slots Roberts 1972, exp(-G)."""
    return float(np.exp(-load if slotted else -2.0 * load))


def equal_nodes(n: int, load: float, **changed: Any) -> tuple[Network, Setting]:
    """Nodes that a shed hears alike, offering `load` packets a packet time together; overlaps are lost."""
    given: dict[str, Any] = {
        "gain_db": np.full((n, 1), -100.0),
        "noise_dbm": np.full(1, -117.0),
        "fading": np.full((n, 1), STEADY, dtype=np.int8),
        "sigma_db": np.zeros((n, 1)),
        "return_snr_db": np.full((n, 1), 30.0),
        "required_snr_db": np.array([-15.0]),
        "threshold_db": np.full((1, 1), NO_CAPTURE_DB),
        "factors": (10,),
        "time_on_air_s": np.full((n, 1), AIRTIME_S),
        "answer_s": np.array([0.2]),
        "interval_s": np.full(n, n * AIRTIME_S / load),
        "acknowledged": False,
        "demodulators": 1000,
    }
    zero = np.zeros(n, dtype=np.int64)
    return Network(**{**given, **changed}), Setting(zero, zero, np.full(n, 14.0))


def scattered(
    n: int, *, sheds: int = 2, interval_s: float = 600.0, seed: int = 1, **changed: Any
) -> tuple[Network, Setting]:
    """Nodes near and far, all spreading factors, every kind of fading."""
    rng = np.random.default_rng(seed)
    factors = np.arange(7, 13)
    gain = -rng.uniform(95.0, 135.0, (n, sheds))
    signal = {"spreading_factor": factors, "bandwidth_hz": 125e3}
    given: dict[str, Any] = {
        "gain_db": gain,
        "noise_dbm": np.full(sheds, -117.0),
        "fading": rng.integers(0, 3, (n, sheds)).astype(np.int8),
        "sigma_db": np.full((n, sheds), 8.0),
        "return_snr_db": gain + 14.0 + 117.0,
        "required_snr_db": np.asarray(css.required_snr_db(factors)),
        "threshold_db": np.asarray(survival_threshold_db(factors[:, np.newaxis], factors)),
        "factors": tuple(int(f) for f in factors),
        "time_on_air_s": np.tile(css.time_on_air_s(16, **signal), (n, 1)),
        "answer_s": np.asarray(css.time_on_air_s(8, **signal)),
        "interval_s": np.full(n, interval_s),
    }
    shed = np.argmax(gain, axis=1)
    return Network(**{**given, **changed}), Setting(shed, rng.integers(0, 6, n), np.full(n, 14.0))


def simulate(
    network: Network,
    setting: Setting,
    *,
    duration_s: float = 86_400.0,
    parts: int = 8,
    seed: int = 1,
    **how: Any,
) -> Played:
    """All parts of a simulation together."""
    return summed(simulated_parts(network, setting, duration_s=duration_s, parts=parts, seed=seed, **how))


class Distant:
    """Works off tiles from the last to the first, each with a job and a result that went over a wire."""

    def run(
        self, work: Callable[[Any, Any], Any], job: Any, tiles: Sequence[Any]
    ) -> Iterator[tuple[Any, Any]]:
        for tile in reversed(tiles):
            parcel = pickle.loads(pickle.dumps((work, job, tile)))
            yield tile, pickle.loads(pickle.dumps(parcel[0](parcel[1], parcel[2])))

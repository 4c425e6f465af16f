"""What each model predicts where nothing is known but distance, heights and frequency."""

import math
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from linkcalc.errors import OutOfRangeWarning
from linkcalc.propagation import clutter, compiled, ground, irregular, two_ray
from linkcalc.propagation.free_space import free_space_loss_db
from linkcalc.units import EARTH_RADIUS_M

SHORTEST_M = 250.0
"""Rec. ITU-R P.1812 and the statistical clutter loss of Rec. ITU-R P.2108 begin here."""

STREET_M = 27.0
"""Street width of Rec. ITU-R P.2108, section 3.1: how near clutter on the profile comes to an end."""

URBAN_CLUTTER_M = 15.0
"""Representative clutter height of Recs. ITU-R P.1812 and P.2108, urban."""

HILLS_M = 90.0
"""Irregularity of average terrain, hills, NTIA Report 82-100 (from memory)."""


@dataclass(frozen=True)
class Paths:
    """Paths without terrain, one element each."""

    distance_m: np.ndarray
    tx_height_m: np.ndarray
    rx_height_m: np.ndarray
    frequency_hz: np.ndarray
    in_sight: np.ndarray
    """1 in sight, 0 out of sight, NaN unknown."""


def horizon_m(tx_height_m: np.ndarray, rx_height_m: np.ndarray) -> np.ndarray:
    """Distance at which two antennas lose sight of each other over a smooth earth, k = 4/3."""
    return math.sqrt(2.0 * 4.0 / 3.0 * EARTH_RADIUS_M) * (np.sqrt(tx_height_m) + np.sqrt(rx_height_m))


def free_space(p: Paths) -> np.ndarray:
    return np.asarray(free_space_loss_db(p.distance_m, p.frequency_hz))


def flat_two_ray(p: Paths) -> np.ndarray:
    """Two rays over a smooth plane of medium dry ground, as high as the antennas are above ground."""
    constants = ground.ground_constants("medium_dry_ground", p.frequency_hz)
    return np.asarray(
        two_ray.two_ray_loss_db(
            p.distance_m,
            p.tx_height_m,
            p.rx_height_m,
            p.frequency_hz,
            relative_permittivity=constants.relative_permittivity,
            conductivity_s_m=constants.conductivity_s_m,
        )
    )


def flat_p1812(p: Paths, clutter_m: float = 0.0) -> np.ndarray:
    """Rec. ITU-R P.1812 over flat ground; clutter, if any, up to a street's width from both ends."""
    inner = np.linspace(0.0, 1.0, 49)
    edge = np.minimum(STREET_M, p.distance_m / 4.0)[:, np.newaxis]
    length = p.distance_m[:, np.newaxis]
    d = np.hstack([0.0 * length, edge + inner * (length - 2.0 * edge), length])
    top = np.full(d.shape, clutter_m)
    top[:, [0, -1]] = 0.0
    return compiled.basic_transmission_loss_db(
        d.ravel(),
        np.zeros(d.size),
        np.arange(len(d) + 1) * d.shape[1],
        tx_height_m=p.tx_height_m,
        rx_height_m=p.rx_height_m,
        frequency_hz=p.frequency_hz,
        clutter_m=top.ravel(),
    )


def terminal_clutter(p: Paths) -> np.ndarray:
    """Median of Rec. ITU-R P.2108, section 3.2, at the lower end; none for a path that is in sight."""
    loss = np.asarray(
        clutter.statistical_loss_db(p.frequency_hz, np.maximum(p.distance_m, SHORTEST_M), extrapolate=True)
    )
    return np.where(p.in_sight == 1.0, 0.0, loss)


def default(p: Paths) -> np.ndarray:
    """What a planner without terrain in a built-up area gets: flat P.1812, P.2108 at the lower end.

    The standards' own way for a path whose ground and obstacles are unknown: P.1812 is the path-general
    method of this tool, section 3.2 of P.2108 is meant for a terminal among clutter that is not mapped, and
    says not to be used where the profile has the clutter already. Nothing in it is fitted to measurements.
    """
    return flat_p1812(p) + terminal_clutter(p)


def irregular_area(p: Paths) -> np.ndarray:
    """Irregular terrain model, area mode, average hills, sites taken at random (stated from 1 km on)."""
    return np.asarray(
        irregular.area_loss_db(
            p.distance_m,
            delta_h_m=HILLS_M,
            tx_height_m=p.tx_height_m,
            rx_height_m=p.rx_height_m,
            frequency_hz=p.frequency_hz,
        )
    )


DEFAULT, FREE_SPACE, TWO_RAY = "default: flat P.1812 + P.2108", "free space", "two-ray, flat ground"

MODELS: dict[str, Callable[[Paths], np.ndarray]] = {
    DEFAULT: default,
    "flat P.1812": flat_p1812,
    "flat P.1812, 15 m clutter on it": lambda p: flat_p1812(p, URBAN_CLUTTER_M),
    "irregular terrain, area mode": irregular_area,
    "free space + P.2108": lambda p: free_space(p) + terminal_clutter(p),
    TWO_RAY: flat_two_ray,
    FREE_SPACE: free_space,
}


def losses(paths: Paths, names: Iterable[str] | None = None) -> dict[str, np.ndarray]:
    """Loss by every model, dB."""
    with out_of_range_is_known():
        return {name: MODELS[name](paths) for name in names or MODELS}


@contextmanager
def out_of_range_is_known() -> Iterator[None]:
    """The report states the ranges; each call need not."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        yield

"""The loss of a path, decided once: which model governs, and what surrounds the antennas.

The rules, for one path or for a million:

1. Over the ground: diffraction (delta-Bullington, Rec. ITU-R P.526) over free space, at every length. No
   tropospheric scatter or ducting is counted on: it knows nothing of the trees and hills at the ends. Where one
   smooth hill blocks the ray, the mean of that and of a rounded obstacle (P.526, section 4.2). What is built on the
   ground never makes it lose less.
2. Never less than the plane earth, 40 log d - 20 log(h1 h2), whatever the roughness: roughness takes the mirror
   away, not the loss of ground close under the ray. The plane is the straight line of least squares through the
   ground (P.1812, Attachment 1); a height is the one over the line or over the antenna's own ground, whichever
   is more, so that a crossing high over a valley keeps its low loss. The nulls of a two-ray pattern are a
   warning, not a median, and its peaks are not credited.
3. Trees: over them (opaque) or through them (Rec. ITU-R P.833), whichever loses less.
4. An antenna below what surrounds it loses the terminal correction of Rec. ITU-R P.2108, section 3.1, at each such
   end, on top of the path between the antennas themselves. The Recommendation takes that path between the tops of
   the surroundings instead; on two measured sets (30 farm links; 1700 receptions in hills) the path at the real
   heights told good from bad links better (spread 6.0 against 7.6 dB, and 9.7 against 12.1). What the ground takes
   from a low antenna is in part what the correction takes: a share of it comes off the correction, of which
   `LEAST_CORRECTION` stays at least. Trees that are mapped and surroundings that are not are in part the same too:
   of the two, the lesser counts by `SHARED`.
5. An installation loses a decibel or two that its parts do not show (mounting, aim, mast): each end loses the
   stated allowance, or what surrounds it where that is more, for P.2108 is what was measured at real antennas.

The first part of this module is written in the subset of Python that numba compiles: the same source answers
one path as it stands, and many compiled.
"""

import math
import warnings
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.link.findings import ModelReason
from linkcalc.link.result import MODEL_NAMES, Regime
from linkcalc.propagation import _kernels as k
from linkcalc.propagation import clutter, diffraction, fresnel, ground, irregular, p1812, two_ray, vegetation
from linkcalc.propagation.loss_models import RULES, own_models
from linkcalc.propagation.two_ray import Reflection
from linkcalc.terrain.cell_size import FEWEST_CELLS
from linkcalc.terrain.profile import Profile
from linkcalc.units import SPEED_OF_LIGHT_M_S

P1812_SHORTEST_M = 250.0
"""Rec. ITU-R P.1812 is stated for 0.25 km and more."""

IRREGULAR_SHORTEST_M = 1000.0
"""The irregular terrain model is stated for 1 km and more."""

CLEAR_RATIO = 0.6
"""60 % of the first Fresnel zone: common practice for a path that behaves like free space."""

AROUND_M, BELT_M = 10.0, 50.0
"""Trees that begin this close to an antenna stand around it; from the second distance on they are a belt. Between,
the two losses of P.833 are blended."""

LEAST_CORRECTION = 0.4
"""What is left at least of P.2108's correction, however much the ground takes."""

GROUND_SHARED = 0.3
"""Of what the ground takes, so much comes off the correction: both hold the height gain of a low antenna. On 1700
receptions in hills the spread is then 9.7 dB, and the error within 4 dB of even from grazing to deeply blocked paths,
where it would differ by 14; an obstacle that grows still loses more, never less."""

SHARED = 0.25
"""Of trees and surroundings, what the lesser adds to the other. On 30 farm links trees mapped on the path added 4 dB
to what the surroundings take, where the rules for trees alone would say 20."""

CROWN_M = 3.0
"""Tops of trees are no sharper than this: so close under the ray they begin to count (common practice, no source)."""

PLANE_SHARED = 0.2
"""And so much more of what plane earth takes of it: level ground is what P.2108's open country stands on."""

LOWEST_CORRECTED_M = 1.0
"""Lower antennas are corrected as from here: P.1812 states 1 m and more, and between 0.2 and 3 m links were measured
to gain 6 to 8 dB, where the correction alone would say 25."""

STREET_WIDTH_M = 27.0
"""To what stands around an antenna, where nobody says (P.2108)."""

LOW_K_SHORTEST_M = 5000.0
"""On shorter paths the year's refraction moves the loss by hundredths of a decibel."""

_SEA = 1
"""Zone of a profile (Rec. ITU-R P.1812)."""


# ---------------------------------------------------------------- one path, as it stands or compiled
# Distances x in m and d in km; heights above sea level; losses in dB over free space unless they say otherwise.


class Radio(NamedTuple):
    """What one path's rules need besides the ground."""

    frequency_ghz: float
    wavelength_m: float
    radius_km: float
    """Effective earth radius, median."""
    vertical: bool
    leaf_db_m: float
    leaf_most_db: float
    leaf_wet_db: float
    """Trees as the verdict is for: per metre, at most, and the allowance for wet leaves."""
    wet_db_m: float
    wet_most_db: float
    wet_wet_db: float
    """The same in wet leaf."""


class Route(NamedTuple):
    """The loss between two antenna heights over one profile."""

    ground_db: float
    hill_db: float
    """What of it a rounded hill top adds: half the gap between two models."""
    floor_db: float
    """What of it the plane earth adds."""
    plane_db: float
    """What of it the plane earth alone would take."""
    trees_db: float
    trees_wet_db: float
    """The same in wet leaf."""
    depth_m: float
    """Length in trees that reach into 60 % of the first Fresnel zone."""
    through: float
    """1 where the way leads through the trees, 0 over them."""


class Found(NamedTuple):
    """What one path's rules find, see `Route` for most of it."""

    clearance_ratio: float
    worst: float
    """Least clearance over all that stands there, in first Fresnel zone radii, and its point's index."""
    free_space_db: float
    low_k_db: float
    """How much more diffraction loses at the low k."""
    ground_db: float
    hill_db: float
    floor_db: float
    plane_db: float
    trees_db: float
    trees_wet_db: float
    depth_m: float
    through: float


def least_clearance(x: Floats, top: Floats, tx: float, rx: float, radio: Radio) -> tuple[float, int]:
    """Least clearance of the ray over the inner points, in first Fresnel zone radii, and its index."""
    inner = x[1:-1]
    both = inner * (x[-1] - inner)
    free = tx + (rx - tx) / x[-1] * inner - top[1:-1] - 0.0005 / radio.radius_km * both
    ratio = free / np.sqrt(both * (radio.wavelength_m / x[-1]))
    at = int(np.argmin(ratio))
    return ratio[at], at + 1


def rounded_excess(height: float, d1_m: float, d2_m: float, radius_m: float, wavelength_m: float) -> float:
    """T(m, n) of a rounded obstacle over a knife edge (Rec. ITU-R P.526-15, equations 34a and 34b)."""
    size: float = (math.pi * radius_m / wavelength_m) ** (1.0 / 3.0)
    m = radius_m * (d1_m + d2_m) / (d1_m * d2_m) / size
    n = height * size * size / radius_m
    root = math.sqrt(m)
    if m * n > 4.0:
        return (
            -6.0 - 20.0 * math.log10(m * n) + 7.2 * root - (2.0 - 17.0 * n) * m + 3.6 * m * root - 0.8 * m * m
        )
    return 7.2 * root - (2.0 - 12.5 * n) * m + 3.6 * m * root - 0.8 * m * m


def hill_excess(
    x: Floats, z: Floats, first: int, last: int, slopes: float, edge_db: float, crossing: float, height: float,
    length: float, wavelength_m: float, flat_db: float,
) -> float:  # fmt: skip
    """Half of what a rounded top loses beyond `flat_db`, where what is between the horizons is one smooth hill.

    The circle that touches both horizon rays has the radius s / theta. It counts in full where no point between
    falls below its arc, not at all where one lies a whole sagitta below (two tops with a valley), and fades in
    from grazing.
    """
    span = x[last] - x[first]
    if last - first < 2 or slopes <= 0.0 or height <= 0.0 or edge_db <= 6.0:
        return 0.0
    radius_m = span * 1e6 / slopes
    rounded = edge_db + rounded_excess(
        height, crossing * 1e3, (length - crossing) * 1e3, radius_m, wavelength_m
    )
    if rounded <= flat_db:
        return 0.0
    at = x[first : last + 1]
    base = z[first] + (z[last] - z[first]) / span * (at - x[first])
    arc = (at - x[first]) * (x[last] - at) * (0.5e6 / radius_m)
    below = float(np.min(z[first : last + 1] - base - arc))
    smooth = max(1.0 + below / (span * span * 0.125e6 / radius_m), 0.0)
    # few points do not show a round top
    smooth *= min((last - first - 1) / 4.0, 1.0)
    added: float = 0.5 * smooth * min((edge_db - 6.0) / 6.0, 1.0) * (rounded - flat_db)
    return added


def diffracted(
    d: Floats, h: Floats, top: Floats, v1: float, v2: float, tx: float, rx: float, radius_km: float,
    sea_share: float, radio: Radio,
) -> tuple[float, float]:  # fmt: skip
    """Delta-Bullington loss over tops, and what a rounded hill adds (Rec. ITU-R P.526-15, section 4.5)."""
    length = d[-1]
    line = (rx - tx) / length
    x = d[1:-1]
    y = length - x
    g = h[1:-1]
    tops = top[1:-1]
    bulge = 500.0 / radius_km
    hobs = np.max(g - line * x) - tx
    at = 0.0
    ar = 0.0
    if hobs > 0.0:
        at = np.max((g - tx) / x) - line
        ar = np.max((g - rx) / y) + line
    scan = k.Scan(v1, v2, hobs, at, ar, 0.0, 0, 0.0, 0, 0.0, 0.0, 0.0, 0.0)
    surface = k.fit_surface(scan, length, h[0], h[-1])
    ahead = (tops - tx) / x - bulge * x
    behind = (tops - rx) / y - bulge * y
    first = int(np.argmax(ahead))
    last = len(behind) - 1 - int(np.argmax(behind[::-1]))
    stim = ahead[first] + bulge * length
    hill = 0.0
    if stim >= line:
        srim = behind[last] + bulge * length
        nu = k.bullington_edge(stim, srim, length, tx, rx, d[1], d[-2])
        actual = k.bullington(nu, length, radio.frequency_ghz)
        both = stim + srim
        crossing = d[1]
        if both > 0.0:
            crossing = min(max((rx - tx + srim * length) / both, d[1]), d[-2])
        height = tx + stim * crossing - (tx * (length - crossing) + rx * crossing) / length
        edge = k.knife_edge(nu / math.sqrt(radio.wavelength_m))
        hill = hill_excess(
            x,
            tops + bulge * x * y,
            first,
            last,
            both,
            edge,
            crossing,
            height,
            length,
            radio.wavelength_m,
            actual,
        )
    else:
        above = tops - tx - line * x + bulge * x * y
        nu = np.max(above / np.sqrt(x * y)) * math.sqrt(0.002 * length)
        actual = k.bullington(nu, length, radio.frequency_ghz)
    h1 = tx - surface.hstd
    h2 = rx - surface.hsrd
    sphere = k.spherical(
        k.sphere_of_path(length, h1, h2, radius_km), length, sea_share, radio.frequency_ghz, radio.vertical
    )
    if sphere > 0.0:
        smooth_nu, _ = k.smooth_bullington_nu(d, h1, h2, radius_km, radius_km)
        actual += max(sphere - k.bullington(smooth_nu, length, radio.frequency_ghz), 0.0)
    return actual, hill


def plane_earth(x: Floats, h: Floats, v1: float, v2: float, tx: float, rx: float, free_db: float) -> float:
    """Plane-earth loss over free space; heights over the fitted line or the own ground, whichever is more."""
    length = x[-1] * 1e-3
    over_tx = tx - min(h[0], (2.0 * v1 * length - v2) / (length * length))
    over_rx = rx - min(h[-1], (v2 - v1 * length) / (length * length))
    return 40.0 * math.log10(x[-1]) - 20.0 * math.log10(over_tx * over_rx) - free_db


def belt_or_wood(depth: float, around: float, per_metre: float, most: float, wet: float) -> float:
    """Loss in one stretch of trees, between `vegetation.belt_loss_db` (around 0) and `woodland_loss_db` (1)."""
    loss = around * -most * math.expm1(-depth * per_metre / most) + (1.0 - around) * min(
        depth * per_metre, most
    )
    if wet > 0.0:
        loss -= wet * math.expm1(-loss / wet)
    return loss


def stretch_loss(depth: float, near: float, far: float, per_metre: float, most: float, wet: float) -> float:
    """Loss in one stretch of trees that stands around the antennas so far; around both, it is entered twice."""
    one = belt_or_wood(depth, max(near, far), per_metre, most, wet)
    if near * far == 0.0:
        return one
    return near * far * 2.0 * belt_or_wood(0.5 * depth, 1.0, per_metre, most, wet) + (1.0 - near * far) * one


def woods(
    x: Floats, h: Floats, clutter_m: Floats, trees: NDArray[np.uint8], tx: float, rx: float, radio: Radio
) -> tuple[float, float, float]:
    """Length of the stretches on which trees reach into 60 % of the first Fresnel zone, and their losses.

    A tree counts in full from where it reaches the ray, and the less the less far it reaches into the zone.
    """
    length = x[-1]
    inner = x[1:-1]
    both = inner * (length - inner)
    zone = np.maximum(CLEAR_RATIO * np.sqrt(both * (radio.wavelength_m / length)), CROWN_M)
    ray = tx + (rx - tx) / length * inner
    tops = h[1:-1] + clutter_m[1:-1] + 0.0005 / radio.radius_km * both
    weight = np.minimum(np.maximum((tops - ray) / zone + 1.0, 0.0), 1.0) * (trees[1:-1] > 0)
    share = 0.5 * (x[2:] - x[:-2]) * weight
    near_gap = (BELT_M - x[:-2]) / (BELT_M - AROUND_M)
    far_gap = (BELT_M - (length - x[2:])) / (BELT_M - AROUND_M)
    near_around = weight * np.minimum(np.maximum(near_gap, 0.0), 1.0)
    far_around = weight * np.minimum(np.maximum(far_gap, 0.0), 1.0)
    depth = 0.0
    loss = 0.0
    wet = 0.0
    first = -1
    for after in range(len(weight) + 1):
        if after < len(weight) and weight[after] > 0.0:
            if first < 0:
                first = after
        elif first >= 0:
            stretch = np.sum(share[first:after])
            near = np.max(near_around[first:after])
            far = np.max(far_around[first:after])
            depth += stretch
            loss += stretch_loss(stretch, near, far, radio.leaf_db_m, radio.leaf_most_db, radio.leaf_wet_db)
            wet += stretch_loss(stretch, near, far, radio.wet_db_m, radio.wet_most_db, radio.wet_wet_db)
            first = -1
    return depth, loss, wet


def over_ground(
    x: Floats, d: Floats, h: Floats, top: Floats, v1: float, v2: float, tx: float, rx: float, free_db: float,
    sea_share: float, radio: Radio,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Rules 1 and 2: the loss, what a hill's round top adds, what the plane earth adds, and what it would take."""
    diffraction_db, hill = diffracted(d, h, top, v1, v2, tx, rx, radio.radius_km, sea_share, radio)
    plane = max(plane_earth(x, h, v1, v2, tx, rx, free_db), 0.0)
    floor = max(plane - diffraction_db - hill, 0.0)
    ground_db = diffraction_db + hill + floor
    return ground_db, hill, floor, min(plane, ground_db)


def route(
    x: Floats, d: Floats, h: Floats, clutter_m: Floats, trees: NDArray[np.uint8], top: Floats, bare: Floats,
    wooded: bool, v1: float, v2: float, tx: float, rx: float, free_db: float, sea_share: float, radio: Radio,
) -> Route:  # fmt: skip
    """Rules 1 to 3 between two antenna heights."""
    ground_db, hill, floor, plane = over_ground(x, d, h, bare, v1, v2, tx, rx, free_db, sea_share, radio)
    if np.any(bare > h):
        # a roof on a round hill makes an edge of it, but never a lesser obstacle
        least = over_ground(x, d, h, h, v1, v2, tx, rx, free_db, sea_share, radio)
        if least[0] > ground_db:
            ground_db, hill, floor, plane = least
    depth = 0.0
    trees_db = 0.0
    wet_db = 0.0
    through = 0.0
    if wooded:
        depth, in_db, in_wet_db = woods(x, h, clutter_m, trees, tx, rx, radio)
        if depth > 0.0:
            over_db, _, _, _ = over_ground(x, d, h, top, v1, v2, tx, rx, free_db, sea_share, radio)
            over_db = max(over_db - ground_db, 0.0)
            trees_db = min(over_db, in_db)
            wet_db = min(over_db, in_wet_db)
            through = 1.0 if in_db <= over_db else 0.0
    return Route(ground_db, hill, floor, plane, trees_db, wet_db, depth, through)


def find(
    x: Floats, h: Floats, clutter_m: Floats, trees: NDArray[np.uint8], tx_m: float, rx_m: float,
    sea_share: float, low_radius_km: float, radio: Radio,
) -> Found:  # fmt: skip
    """Rules 1 to 3 of one path.

    x (n,) m from 0, increasing; h ground, m above sea level; clutter_m what stands on it, 0 at both ends; trees 1
    where that is trees; n at least 3. Heights of antennas in m above ground.
    """
    d = x * 1e-3
    top = h + clutter_m
    wooded = bool(np.any(trees > 0))
    bare = h + clutter_m * (trees == 0) if wooded else top
    step = d[1:] - d[:-1]
    sums = h[1:] + h[:-1]
    v1 = np.sum(step * sums)
    v2 = np.sum(step * (3.0 * d[:-1] * sums + step * (sums + h[1:])))
    tx = h[0] + tx_m
    rx = h[-1] + rx_m
    ratio, worst = least_clearance(x, top, tx, rx, radio)
    free_db = 20.0 * math.log10(4.0 * math.pi * math.sqrt(x[-1] ** 2 + (tx - rx) ** 2) / radio.wavelength_m)
    own = route(x, d, h, clutter_m, trees, top, bare, wooded, v1, v2, tx, rx, free_db, sea_share, radio)
    low_k = 0.0
    if x[-1] >= LOW_K_SHORTEST_M:
        deep, _ = diffracted(d, h, bare, v1, v2, tx, rx, low_radius_km, sea_share, radio)
        low_k = max(deep - (own.ground_db - own.hill_db - own.floor_db), 0.0)
    return Found(
        ratio, float(worst), free_db, low_k, own.ground_db, own.hill_db, own.floor_db, own.plane_db,
        own.trees_db, own.trees_wet_db, own.depth_m, own.through,
    )  # fmt: skip


COMPILED: tuple[Callable[..., Any], ...] = (
    least_clearance, rounded_excess, hill_excess, diffracted, plane_earth, belt_or_wood, stretch_loss,
    woods, over_ground, route, find,
)  # fmt: skip
"""What `find` is made of, for the compiler."""


# ---------------------------------------------------------------- surroundings

SurroundingsKind = Literal["none", "open", "suburban", "urban", "woodland"]

_P2108_KIND: dict[str, clutter.Clutter] = {
    "open": "open",
    "suburban": "suburban",
    "urban": "urban",
    "woodland": "trees",
}


@dataclass(frozen=True)
class Surroundings:
    """What stands around an antenna."""

    kind: SurroundingsKind = "none"
    stated: bool = True
    """Whether somebody says so; else it is assumed."""
    clutter_height_m: float | None = None
    """Of what stands there; None: the kind's of P.2108."""
    street_width_m: float | None = None
    """To what stands there, on the way to the other station; None: 27 m, as P.2108."""
    shown: str = ""
    """What a raster shows there, in words, where that is why; empty: nobody looked, or the plan says so. It never loses
    less than open country, which is assumed where nothing is known: a raster cannot see how the antenna stands."""

    @property
    def top_m(self) -> float:
        """Height of the tops; 0 where nothing stands there."""
        if self.kind == "none":
            return 0.0
        return self.clutter_height_m or clutter.CLUTTER_HEIGHT_M[_P2108_KIND[self.kind]]

    def loss_db(self, frequency_hz: float, height_m: ArrayLike, rise: ArrayLike = 0.0) -> Floats:
        """Terminal correction of antennas at heights above ground (Rec. ITU-R P.2108, section 3.1).

        A ray that comes from above (`rise`: metres up per metre along) passes what stands a street's width away
        higher than the antenna is; the correction counts from there, which is ours, not the Recommendation's.
        """
        height = np.asarray(height_m, dtype=np.float64)
        if self.kind == "none":
            return np.zeros(np.broadcast(height, rise).shape)
        street_m = self.street_width_m or STREET_WIDTH_M
        loss = clutter.height_gain_loss_db(
            frequency_hz,
            np.maximum(height, LOWEST_CORRECTED_M) + street_m * np.maximum(rise, 0.0),
            _P2108_KIND[self.kind],
            clutter_height_m=self.clutter_height_m,
            street_width_m=street_m,
            extrapolate=True,
        )
        least = Surroundings("open").loss_db(frequency_hz, height, rise) if self.shown else 0.0
        return np.asarray(np.maximum(np.asarray(loss), least))


@dataclass(frozen=True, eq=False)
class SurroundingsOfMany:
    """What stands around the antennas at one end of many paths."""

    kinds: tuple[Surroundings, ...]
    index: NDArray[np.intp]
    """(n,) into the kinds."""

    @property
    def stated(self) -> NDArray[np.bool_]:
        """Whether somebody says so."""
        return np.array([kind.stated for kind in self.kinds])[self.index]

    def loss_db(self, frequency_hz: float, height_m: ArrayLike, rise: ArrayLike = 0.0) -> Floats:
        """Terminal corrections, see `Surroundings.loss_db`."""
        height, up = (
            np.broadcast_to(np.asarray(v, dtype=np.float64), self.index.shape) for v in (height_m, rise)
        )
        loss = np.zeros(self.index.shape)
        for number, kind in enumerate(self.kinds):
            own = self.index == number
            loss[own] = kind.loss_db(frequency_hz, height[own], up[own])
        return loss


# ---------------------------------------------------------------- arrays of paths


@dataclass(frozen=True)
class Situation:
    """What the loss depends on besides the profile and the antennas' heights."""

    frequency_hz: float
    polarisation: Literal["vertical", "horizontal"]
    delta_n: float
    n0: float
    latitude_deg: float
    low_k_factor: float
    """Effective earth radius factor exceeded nearly all of the year."""
    ground: ground.GroundClass
    roughness_m: float | None
    leaf: Literal["in_leaf", "out_of_leaf"]
    wet_foliage: bool
    woodland_depth_m: float
    installation_db: float
    """Allowance of each end."""
    near: Surroundings = Surroundings()
    far: Surroundings = Surroundings()
    governing: str = RULES
    """The model that gives the number, see `linkcalc.propagation.loss_models`."""

    @property
    def k_factor(self) -> float:
        """Median effective earth radius factor."""
        return 157.0 / (157.0 - self.delta_n)

    @property
    def wet(self) -> "Situation":
        """The same in wet leaf, the worst of the year."""
        return replace(self, leaf="in_leaf", wet_foliage=True)

    @cached_property
    def radio(self) -> Radio:
        """What the rules of one path need of it."""
        f = self.frequency_hz
        leaves: list[float] = []
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutOfRangeWarning)  # said where trees are met, see `losses`
            for s in (self, self.wet):
                leaves += [
                    vegetation.specific_attenuation_db_m(f, leaf=s.leaf, polarisation=s.polarisation),
                    vegetation.maximum_loss_db(f, leaf=s.leaf),
                    vegetation.WET_LEAF_DB if s.wet_foliage and s.leaf == "in_leaf" else 0.0,
                ]
        return Radio(
            f / 1e9,
            SPEED_OF_LIGHT_M_S / f,
            self.k_factor * p1812.EARTH_RADIUS_KM,
            self.polarisation == "vertical",
            *leaves,
        )

    def stated_woods_db(self) -> float:
        """Loss of trees that somebody states without a place: around an antenna."""
        if not self.woodland_depth_m:
            return 0.0
        return float(
            vegetation.woodland_loss_db(
                self.woodland_depth_m,
                self.frequency_hz,
                leaf=self.leaf,
                wet=self.wet_foliage,
                polarisation=self.polarisation,
            )
        )


@dataclass(frozen=True, eq=False)
class Losses:
    """What lies between the ends of paths; arrays (n,), NaN where there is no path."""

    length_m: Floats
    near_ground_m: Floats
    far_ground_m: Floats
    near_height_m: Floats
    far_height_m: Floats
    """Ground above sea level, antennas above ground."""
    clearance_ratio: Floats
    """Least clearance over all that stands there, in first Fresnel zone radii; below 0 where the ray is blocked."""
    worst: Floats
    """Index of its point."""
    free_space_db: Floats
    ground_db: Floats
    """Ground and terrain over free space."""
    trees_db: Floats
    near_surroundings_db: Floats
    far_surroundings_db: Floats
    installation_db: Floats
    """Of both ends."""
    vegetation_db: Floats
    vegetation_wet_db: Floats
    """Trees by themselves, before what they share with the surroundings; and in wet leaf."""
    vegetation_share: Floats
    """Of vegetation and surroundings together, 0 to 1."""
    depth_m: Floats
    """Length in trees."""
    through_trees: NDArray[np.bool_]
    hill_db: Floats
    floor_db: Floats
    """What of `ground_db` a round hill top and the plane earth add."""
    low_k_db: Floats
    low_end: Floats
    """How much the antennas stand among their surroundings, 0 to 1: the lower the more."""
    surroundings_assumed: Floats
    """The same for surroundings that nobody stated."""
    cell_m: Floats
    """Spacing of the heights that the profile was cut from; NaN where unknown."""
    bridged_m: Floats
    rules_less_db: Floats
    """How much less the rules lose than a model that the plan chose; 0 where they govern."""

    @property
    def loss_db(self) -> Floats:
        """Median basic transmission loss."""
        own: Floats = self.free_space_db + self.ground_db + self.trees_db + self.installation_db
        return own + self.near_surroundings_db + self.far_surroundings_db

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where there is a path."""
        return np.isfinite(self.free_space_db)

    @property
    def trees_govern(self) -> NDArray[np.bool_]:
        """Where the trees take more than what surrounds the antennas, which then counts by `SHARED`."""
        return np.asarray((self.vegetation_db > 0.0) & (self.trees_db >= self.vegetation_db))

    @property
    def felled_db(self) -> Floats:
        """What a path without its trees would lose less."""
        around = self.near_surroundings_db + self.far_surroundings_db
        return np.where(self.trees_govern, self.trees_db - around * (1.0 / SHARED - 1.0), self.trees_db)

    @property
    def ground_unknown(self) -> NDArray[np.bool_]:
        """Where a path spans so few cells of its raster that hardly anything is known between its ends."""
        return np.asarray(self.length_m < FEWEST_CELLS * np.nan_to_num(self.cell_m))

    @property
    def blocked(self) -> Floats:
        """From 0 (60 % of the first Fresnel zone free) by 0.5 (the ray touches) to 1 (as far behind it)."""
        return np.clip((CLEAR_RATIO - self.clearance_ratio) / (2.0 * CLEAR_RATIO), 0.0, 1.0)

    @property
    def regime(self) -> NDArray[np.int8]:
        """Index into `REGIMES`, -1 without path."""
        kind = np.where(self.clearance_ratio >= CLEAR_RATIO, 2, np.where(self.clearance_ratio >= 0.0, 1, 0))
        return np.where(self.known, kind, -1).astype(np.int8)

    @property
    def model(self) -> NDArray[np.int8]:
        """Index into `MODELS`, -1 without path."""
        kind = np.where(self.floor_db > 0.0, 1, np.where(self.hill_db > 0.0, 2, 0))
        return np.where(self.known, kind, -1).astype(np.int8)

    def at(self, index: Any) -> "Losses":
        """Some of the paths."""
        return Losses(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


REGIMES: tuple[Regime, ...] = ("obstructed", "grazing", "clear")
MODELS = ("delta_bullington", "plane_earth", "rounded_obstacle")

_AMONG_DB = 12.0
"""Correction of an end from which it counts wholly as standing among its surroundings."""


def losses(
    found: Floats,
    situation: Situation,
    *,
    length_m: ArrayLike,
    near_ground_m: ArrayLike,
    far_ground_m: ArrayLike,
    near_height_m: ArrayLike,
    far_height_m: ArrayLike,
    cell_m: ArrayLike = math.nan,
    bridged_m: ArrayLike = 0.0,
    surrounding: tuple[SurroundingsOfMany, SurroundingsOfMany] | None = None,
) -> Losses:
    """Rules 3 to 5 for many paths at once.

    Parameters
    ----------
    found : ndarray, (n, fields of `Found`)
        Rows of `find`, NaN where there is no path.
    situation : Situation
    length_m, near_ground_m, far_ground_m, near_height_m, far_height_m, cell_m, bridged_m : array_like, m, (n,)
    surrounding : two SurroundingsOfMany, optional
        Of the near and the far ends, where they differ from path to path; by default the situation's.

    Returns
    -------
    Losses
    """
    f: Any = Found(*np.asarray(found, dtype=np.float64).T)
    shape = np.shape(f.free_space_db)
    near_m, far_m = (
        np.broadcast_to(np.asarray(h, dtype=np.float64), shape) for h in (near_height_m, far_height_m)
    )
    # over ground that may slope as the ray does: only the heights above ground count
    rise = np.nan_to_num((far_m - near_m) / np.maximum(length_m, 1.0))
    ends: tuple[Any, Any] = surrounding or (situation.near, situation.far)
    near_db = ends[0].loss_db(situation.frequency_hz, near_m, rise)
    far_db = ends[1].loss_db(situation.frequency_hz, far_m, -rise)
    stated_db, stated_wet_db = situation.stated_woods_db(), situation.wet.stated_woods_db()
    trees_db, trees_wet_db = f.trees_db + stated_db, f.trees_wet_db + stated_wet_db
    among_db = near_db + far_db
    # what the ground takes from a low antenna is in part what the correction takes
    given_back = np.minimum(
        (1.0 - LEAST_CORRECTION) * among_db, GROUND_SHARED * f.ground_db + PLANE_SHARED * f.plane_db
    )
    counted = 1.0 - given_back / np.maximum(among_db, 1e-9)
    around = [counted * db for db in (near_db, far_db)]
    around_db = around[0] + around[1]
    # what of it is more than each end's allowance, so that a clear site is never the worse for being one
    allowed = situation.installation_db
    more = [np.maximum(db - allowed, 0.0) for db in around]
    wooded = trees_db > more[0] + more[1]
    near_around, far_around = (np.where(wooded, SHARED * m, db) for m, db in zip(more, around, strict=True))
    installation = sum(np.where(wooded, allowed, np.maximum(allowed - db, 0.0)) for db in around)
    among = [np.clip(db / _AMONG_DB, 0.0, 1.0) for db in (near_db, far_db)]
    assumed = [np.where(end.stated, 0.0, share) for share, end in zip(among, ends, strict=True)]
    if (trees_db > 0.0).any() or stated_db:
        with warnings.catch_warnings(record=True) as said:  # once, not once a path
            warnings.simplefilter("always", OutOfRangeWarning)
            vegetation.maximum_loss_db(situation.frequency_hz)
            vegetation.specific_attenuation_db_m(situation.frequency_hz)
        for line in said:
            warnings.warn(str(line.message), OutOfRangeWarning, stacklevel=2)

    def each(value: ArrayLike) -> Floats:
        return np.broadcast_to(np.asarray(value, dtype=np.float64), shape)

    return Losses(
        length_m=each(length_m),
        near_ground_m=each(near_ground_m),
        far_ground_m=each(far_ground_m),
        near_height_m=near_m,
        far_height_m=far_m,
        clearance_ratio=f.clearance_ratio,
        worst=f.worst,
        free_space_db=f.free_space_db,
        ground_db=f.ground_db,
        trees_db=np.where(wooded, 1.0, SHARED) * trees_db,
        near_surroundings_db=near_around,
        far_surroundings_db=far_around,
        installation_db=each(installation),
        vegetation_db=trees_db,
        vegetation_wet_db=trees_wet_db,
        vegetation_share=trees_db / np.maximum(trees_db + around_db, 1e-9),
        depth_m=f.depth_m + situation.woodland_depth_m,
        through_trees=(f.through > 0.0) | (stated_db > 0.0),
        hill_db=f.hill_db,
        floor_db=f.floor_db,
        low_k_db=f.low_k_db,
        low_end=each(np.maximum(*among)),
        surroundings_assumed=each(np.maximum(*assumed)),
        cell_m=each(cell_m),
        bridged_m=each(bridged_m),
        rules_less_db=each(0.0),
    )


def profile_losses(profile: Profile, situation: Situation, near_m: ArrayLike, far_m: ArrayLike) -> Losses:
    """The rules for one profile and pairs of antenna heights, as they stand (one pair: an array of one).

    Parameters
    ----------
    profile : Profile
    situation : Situation
    near_m, far_m : array_like, m, (n,)
        Above ground.

    Returns
    -------
    Losses
        (n,)

    Raises
    ------
    DomainError
        If the profile has fewer than 3 points.
    """
    near, far = np.broadcast_arrays(np.atleast_1d(near_m), np.atleast_1d(far_m))
    arguments = profile_arguments(profile, situation, near, far)
    rows = np.array([find(*arguments.ground, *pair, *arguments.rest) for pair in arguments.pairs.tolist()])
    found = losses(rows.reshape(-1, len(Found._fields)), situation, **profile_facts(profile, near, far))
    # over many heights the chosen model may be defined for some only
    return by_governing(found, profile, situation, partly=len(rows) > 1)


def by_governing(found: Losses, profile: Profile, situation: Situation, *, partly: bool = False) -> Losses:
    """The same by the model that the plan chose, where it chose one; `partly`: NaN where that is not defined."""
    if situation.governing == RULES:
        return found
    from linkcalc.link.chosen_model import governed

    return governed(found, profile, situation, partly=partly)


class ProfileArguments(NamedTuple):
    """Arguments of `find` for one profile."""

    ground: tuple[Any, ...]
    pairs: Floats
    """(n, 2): antenna heights."""
    rest: tuple[Any, ...]


def profile_arguments(
    profile: Profile, situation: Situation, near_m: Floats, far_m: Floats
) -> ProfileArguments:
    """What `find` asks for, for pairs of heights over one profile."""
    if len(profile.distance_m) < 3:
        raise DomainError("a path loss needs a profile of 3 points or more")
    trees = np.array([kind == "trees" for kind in profile.clutter_kind], dtype=np.uint8)
    pairs = np.stack([near_m, far_m], axis=-1).astype(np.float64)
    low_km = situation.low_k_factor * p1812.EARTH_RADIUS_KM
    return ProfileArguments(
        (profile.distance_m, profile.ground_m, profile.clutter_m, trees),
        pairs,
        (_sea_share(profile), low_km, situation.radio),
    )


def profile_facts(profile: Profile, near_m: Floats, far_m: Floats) -> dict[str, Any]:
    """What `losses` asks for besides, for pairs of heights over one profile."""
    return {
        "length_m": profile.length_m,
        "near_ground_m": profile.ground_m[0],
        "far_ground_m": profile.ground_m[-1],
        "near_height_m": near_m,
        "far_height_m": far_m,
        "cell_m": profile.cell_m,
        "bridged_m": profile.bridged_m,
    }


def _sea_share(profile: Profile) -> float:
    at_sea = (profile.zone == _SEA).astype(float)
    share = float(np.diff(profile.distance_m) @ (at_sea[1:] + at_sea[:-1]) / 2.0 / profile.length_m)
    return min(share, 1.0)


# ---------------------------------------------------------------- one path in words, and what other models say


@dataclass(frozen=True, eq=False)
class PathLoss:
    """One path's loss with the reason for it."""

    profile: Profile
    situation: Situation
    losses: Losses
    """Of one path."""

    def _one(self, name: str) -> Any:
        return getattr(self.losses, name)[0].item()

    @property
    def loss_db(self) -> float:
        """Median basic transmission loss."""
        return float(self.losses.loss_db[0])

    @property
    def trees_db(self) -> float:
        """What of it is trees."""
        return float(self._one("trees_db"))

    @property
    def depth_m(self) -> float:
        """Length in trees."""
        return float(self._one("depth_m"))

    @property
    def model(self) -> str:
        """What governs the ground's part."""
        if self.situation.governing != RULES:
            return self.situation.governing
        return MODELS[int(self._one("model"))]

    @property
    def regime(self) -> Regime:
        """How free the ray is."""
        return REGIMES[int(self._one("regime"))]

    @property
    def worst(self) -> int:
        """Index of the least clearance."""
        return int(self._one("worst"))

    @property
    def heights_m(self) -> tuple[float, float]:
        """Antennas above ground."""
        return self._one("near_height_m"), self._one("far_height_m")

    @cached_property
    def clearance_ratio(self) -> Floats:
        """Clearance over everything that stands on the path, in first Fresnel zone radii, median k."""
        return clearance(self.profile, self.situation, *self.heights_m, self.situation.k_factor)

    @property
    def reason(self) -> ModelReason:
        """Why this model governs."""
        if self.situation.governing != RULES:
            return ModelReason(self.model, rules_less_db=float(self._one("rules_less_db")))
        if not self.trees_db:
            return ModelReason(self.model)
        return ModelReason(
            self.model, None, "through" if self._one("through_trees") else "over", self.depth_m
        )

    @cached_property
    def reflection(self) -> Reflection | None:
        """Where the ground may mirror the ray, if it does: a warning, and no part of the loss."""
        if self.regime == "obstructed":
            return None
        found, _ = two_ray.find_reflection(
            self.profile.distance_m,
            self.profile.ground_m,
            self.profile.clutter_m,
            self.profile.ground_m[0] + self.heights_m[0],
            self.profile.ground_m[-1] + self.heights_m[1],
            k_factor=self.situation.k_factor,
            frequency_hz=self.situation.frequency_hz,
        )
        if found is None or found.clutter_covers or not found.within_grazing_limit:
            return None
        rough_m = found.roughness_m if self.situation.roughness_m is None else self.situation.roughness_m
        rayleigh_m = float(two_ray.rayleigh_height_m(found.grazing_angle_rad, self.situation.frequency_hz))
        return found if rough_m < rayleigh_m else None


def clearance(profile: Profile, situation: Situation, near_m: float, far_m: float, k_factor: float) -> Floats:
    """Clearance of the ray over ground and clutter at every point, in first Fresnel zone radii."""
    return np.asarray(
        fresnel.clearance_ratio(
            profile.distance_m,
            profile.ground_m + profile.clutter_m,
            profile.ground_m[0] + near_m,
            profile.ground_m[-1] + far_m,
            situation.frequency_hz,
            k_factor,
        )
    )


def every_model(path: PathLoss) -> dict[str, float]:
    """Basic transmission loss by every model that is defined for the path, dB.

    All over the same ground, between the antennas themselves, with mapped trees opaque: what surrounds the antennas
    is in none of them. One's own come last.
    """
    losses_db: dict[str, float] = {}
    for name, loss_db in model_functions(path).items():
        with warnings.catch_warnings(), suppress(DomainError, OutOfRangeWarning):
            if name == "irregular_terrain":  # a second opinion, left out where it warns
                warnings.simplefilter("error", OutOfRangeWarning)
            losses_db[name] = loss_db()
    return {name: float(losses_db[name]) for name in MODEL_NAMES if name in losses_db}


def model_functions(path: PathLoss) -> dict[str, Callable[[], float]]:
    """The models by name, each to be called; `DomainError` where it is not defined for the path."""
    profile, s = path.profile, path.situation
    near_m, far_m = path.heights_m
    free_space_db = float(path.losses.free_space_db[0])
    d, h = profile.distance_m, profile.ground_m
    terrain: dict[str, Any] = {
        "tx_height_m": near_m,
        "rx_height_m": far_m,
        "frequency_hz": s.frequency_hz,
        "clutter_m": profile.clutter_m,
        "k_factor": s.k_factor,
    }
    ground_kind: dict[str, Any] = {"polarisation": s.polarisation, "sea_share": _sea_share(profile)}

    def over_free_space(excess: Callable[..., Any], **more: Any) -> Callable[[], float]:
        return lambda: free_space_db + float(excess(d, h, **terrain, **more))

    def rounded_db() -> float:
        # the hill of the path counts the trees that stand on it; bare ground may have a larger one
        rules = replace(_alone(s), governing=RULES)
        bare = profile_losses(replace(profile, clutter_kind=("",) * len(d)), rules, near_m, far_m)
        hill_db = max(bare.hill_db[0], path.losses.hill_db[0])
        if hill_db <= 0.0:
            raise DomainError("no single smooth hill is in the way")
        return functions["delta_bullington"]() + 2.0 * float(hill_db)

    def p1812_db() -> float:
        if profile.length_m < P1812_SHORTEST_M:
            raise DomainError(f"the path is shorter than {P1812_SHORTEST_M:g} m")
        return p1812_loss_db(path)

    functions: dict[str, Callable[[], float]] = {
        "free_space": lambda: free_space_db,
        "plane_earth": lambda: free_space_db + _plane_earth_db(profile, near_m, far_m, free_space_db),
        "spherical_earth": over_free_space(diffraction.spherical_earth_loss_db, **ground_kind),
        "bullington": over_free_space(diffraction.bullington_loss_db),
        "cascaded_knife_edges": over_free_space(diffraction.cascaded_knife_edge_loss_db),
        "delta_bullington": over_free_space(diffraction.delta_bullington_loss_db, **ground_kind),
        "rounded_obstacle": rounded_db,
        "p1812": p1812_db,
        "irregular_terrain": lambda: irregular_terrain_db(path),
    }
    if path.reflection is not None:
        functions["two_ray"] = lambda: two_ray_db(path)
    for own in own_models().values():
        functions[own.name] = lambda own=own: own.loss_db(profile, s, near_m, far_m)  # type: ignore[misc]
    return functions


def _alone(situation: Situation) -> Situation:
    """The situation without what surrounds the antennas and without trees that have no place."""
    return replace(situation, near=Surroundings(), far=Surroundings(), woodland_depth_m=0.0)


def _plane_earth_db(profile: Profile, near_m: float, far_m: float, free_space_db: float) -> float:
    d, h = profile.distance_m * 1e-3, profile.ground_m
    step, sums = np.diff(d), h[1:] + h[:-1]
    v1, v2 = (step * sums).sum(), (step * (3.0 * d[:-1] * sums + step * (sums + h[1:]))).sum()
    return plane_earth(profile.distance_m, h, v1, v2, h[0] + near_m, h[-1] + far_m, free_space_db)


def spread_db(models: dict[str, float], regime: Regime) -> float:
    """Largest minus smallest loss of the models that apply to this kind of path.

    Free space applies to a clear path only, and so does two-ray. Constructions of knife edges apply where something
    stands in the ray, unless that is the smooth earth itself.
    """
    edges = {"bullington", "cascaded_knife_edges"}
    bulge = models["spherical_earth"] > models["bullington"]
    unfit = {
        "clear": edges,
        "grazing": {*edges, "free_space"},
        "obstructed": {"free_space", "plane_earth", *(edges if bulge else {"spherical_earth"})},
    }[regime]
    fit = [loss for name, loss in models.items() if name not in unfit]
    return max(fit) - min(fit)


def p1812_loss_db(path: PathLoss, time_percent: float = 50.0) -> float:
    """Basic transmission loss of Rec. ITU-R P.1812 at half of the locations, trees opaque."""
    profile, s = path.profile, path.situation
    near_m, far_m = path.heights_m
    return float(
        p1812.basic_transmission_loss_db(
            profile.distance_m,
            profile.ground_m,
            tx_height_m=near_m,
            rx_height_m=far_m,
            frequency_hz=s.frequency_hz,
            clutter_m=profile.clutter_m,
            zone=profile.zone,
            polarisation=s.polarisation,
            time_percent=time_percent,
            delta_n=s.delta_n,
            n0=s.n0,
            latitude_deg=s.latitude_deg,
        )
    )


def two_ray_db(path: PathLoss) -> float:
    """Two-ray loss of a path that mirrors, with its peaks and nulls."""
    return float(two_ray_over_heights_db(path, path.heights_m[1]))


def two_ray_over_heights_db(path: PathLoss, far_m: ArrayLike) -> Floats:
    """The same for other heights of the far antenna over the ground that mirrors; NaN where it is below it."""
    mirror, profile, s = path.reflection, path.profile, path.situation
    assert mirror is not None
    away_m = np.abs(profile.distance_m - mirror.distance_m)
    # half way between two points both count, so that the path is the same from either end
    at_sea = (profile.zone[away_m <= away_m.min() + 1e-6 * profile.length_m] == _SEA).all()
    constants = ground.ground_constants("sea_water" if at_sea else s.ground, s.frequency_hz)
    over_m = mirror.rx_height_m + np.asarray(far_m, dtype=np.float64) - path.heights_m[1]
    lost_db = np.asarray(
        two_ray.two_ray_loss_db(
            mirror.surface_distance_m,
            mirror.tx_height_m,
            np.where(over_m > 0.0, over_m, mirror.rx_height_m),
            s.frequency_hz,
            relative_permittivity=constants.relative_permittivity,
            conductivity_s_m=constants.conductivity_s_m,
            polarisation=s.polarisation,
            k_factor=s.k_factor,
            roughness_m=mirror.roughness_m if s.roughness_m is None else s.roughness_m,
            surface_wave=True,
        )
    )
    return np.where(over_m > 0.0, lost_db, np.nan)


def irregular_terrain_db(path: PathLoss) -> float:
    """Basic transmission loss of the irregular terrain model, trees opaque."""
    profile, s = path.profile, path.situation
    near_m, far_m = path.heights_m
    if profile.length_m < IRREGULAR_SHORTEST_M or min(near_m, far_m) < 0.5:
        raise DomainError(f"it is stated for {IRREGULAR_SHORTEST_M:g} m and antennas of 0.5 m and more")
    constants = ground.ground_constants(s.ground, s.frequency_hz)
    return float(
        irregular.point_to_point_loss_db(
            profile.distance_m,
            profile.ground_m + profile.clutter_m,
            tx_height_m=near_m,
            rx_height_m=far_m,
            frequency_hz=s.frequency_hz,
            polarisation=s.polarisation,
            relative_permittivity=float(constants.relative_permittivity),
            conductivity_s_m=float(constants.conductivity_s_m),
            n0=s.n0,
        )
    )

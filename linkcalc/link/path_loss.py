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

Here are rules 1 to 3, in the subset of Python that numba compiles: the same source answers one path as it stands, and
many compiled (docs/models/cells.md tells in a page what that does). Rules 4 and 5 are over arrays:
`linkcalc.link.surroundings` and `linkcalc.link.losses`.
"""

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.propagation import _kernels as k

CLEAR_RATIO = 0.6
"""60 % of the first Fresnel zone: common practice for a path that behaves like free space."""

AROUND_M, BELT_M = 10.0, 50.0
"""Trees that begin this close to an antenna stand around it; from the second distance on they are a belt. Between,
the two losses of P.833 are blended."""

CROWN_M = 3.0
"""Tops of trees are no sharper than this: so close under the ray they begin to count (common practice, no source)."""

LOW_K_SHORTEST_M = 5000.0
"""On shorter paths the year's refraction moves the loss by hundredths of a decibel."""


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


class Found(NamedTuple):
    """What one path's rules find."""

    clearance_ratio: float
    worst: float
    """Least clearance over all that stands there, in first Fresnel zone radii, and its point's index."""
    free_space_db: float
    low_k_db: float
    """How much more diffraction loses at the low k."""
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


def least_clearance(x: Floats, top: Floats, tx: float, rx: float, radio: Radio) -> tuple[float, int]:
    """Least clearance of the ray over the inner points, in first Fresnel zone radii, and its index."""
    inner = x[1:-1]
    both = inner * (x[-1] - inner)
    # the earth bulges by x (D - x) / 2a: x in m and a in km make it 0.0005
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
    d: Floats, z: Floats, first: int, last: int, slopes: float, edge_db: float, crossing: float, height: float,
    wavelength_m: float, flat_db: float,
) -> float:  # fmt: skip
    """Half of what a rounded top loses beyond `flat_db`, where what is between the horizons is one smooth hill.

    z are the inner points' tops with the earth's bulge, `first` and `last` of them the horizons.

    The circle that touches both horizon rays has the radius s / theta. It counts in full where no point between
    falls below its arc, not at all where one lies a whole sagitta below (two tops with a valley), and fades in
    from grazing.
    """
    x = d[1:-1]
    span = x[last] - x[first]
    # a knife edge loses 6 dB at grazing: with less no top stands in the ray
    if last - first < 2 or slopes <= 0.0 or height <= 0.0 or edge_db <= 6.0:
        return 0.0
    radius_m = span * 1e6 / slopes
    rounded = edge_db + rounded_excess(
        height, crossing * 1e3, (d[-1] - crossing) * 1e3, radius_m, wavelength_m
    )
    if rounded <= flat_db:
        return 0.0
    at = x[first : last + 1]
    base = z[first] + (z[last] - z[first]) / span * (at - x[first])
    arc = (at - x[first]) * (x[last] - at) * (0.5e6 / radius_m)
    below = z[first : last + 1] - base - arc
    smooth = max(1.0 + below[np.argmin(below)] / (span * span * 0.125e6 / radius_m), 0.0)
    # few points do not show a round top
    smooth *= min((last - first - 1) / 4.0, 1.0)
    # in full from 12 dB on: a hill that grows into the ray must meet no step
    added: float = 0.5 * smooth * min((edge_db - 6.0) / 6.0, 1.0) * (rounded - flat_db)
    return added


def smooth_ground(
    d: Floats, h: Floats, v1: float, v2: float, tx: float, rx: float
) -> tuple[float, float]:  # fmt: skip
    """Heights of the antennas over the smooth earth that diffraction takes the ground for (P.526-15, section 4.5)."""
    length = d[-1]
    line = (rx - tx) / length
    x = d[1:-1]
    over = h[1:-1] - line * x
    # argmax and an index, here and below: numba takes ten times as long to compile numpy's max
    hobs = over[np.argmax(over)] - tx
    at = 0.0
    ar = 0.0
    if hobs > 0.0:
        ahead = (h[1:-1] - tx) / x
        behind = (h[1:-1] - rx) / (length - x)
        at = ahead[np.argmax(ahead)] - line
        ar = behind[np.argmax(behind)] + line
    surface = k.fit_surface(v1, v2, hobs, at, ar, length, h[0], h[-1])
    return tx - surface.hstd, rx - surface.hsrd


def smooth_excess(
    d: Floats, tx: float, rx: float, radius_km: float, sea_share: float, radio: Radio
) -> float:  # fmt: skip
    """What the smooth earth loses beyond the Bullington edge over it, heights of antennas over it."""
    length = d[-1]
    sphere = k.spherical(
        k.sphere_of_path(length, tx, rx, radius_km), length, sea_share, radio.frequency_ghz, radio.vertical
    )
    if sphere <= 0.0:
        return 0.0
    nu = k.smooth_bullington_nu(d, tx, rx, radius_km)
    excess: float = max(sphere - k.bullington(nu, length, radio.frequency_ghz), 0.0)
    return excess


def obstructed(
    d: Floats, top: Floats, tx: float, rx: float, radius_km: float, radio: Radio
) -> tuple[float, float]:
    """Bullington loss over tops, and what a rounded hill adds (Rec. ITU-R P.526-15, sections 4.5 and 4.2)."""
    length = d[-1]
    line = (rx - tx) / length
    x = d[1:-1]
    y = length - x
    tops = top[1:-1]
    bulge = 500.0 / radius_km
    ahead = (tops - tx) / x - bulge * x
    first = int(np.argmax(ahead))
    stim = ahead[first] + bulge * length
    if stim < line:
        nus = (tops - tx - line * x + bulge * x * y) / np.sqrt(x * y)
        nu = nus[np.argmax(nus)] * math.sqrt(0.002 * length)
        return k.bullington(nu, length, radio.frequency_ghz), 0.0
    behind = (tops - rx) / y - bulge * y
    # of points equally steep the nearer to this end, as `first` is from the other: the same loss both ways
    last = len(behind) - 1 - int(np.argmax(behind[::-1]))
    srim = behind[last] + bulge * length
    nu = k.bullington_edge(stim, srim, length, tx, rx, d[1], d[-2])
    loss = k.bullington(nu, length, radio.frequency_ghz)
    both = stim + srim
    # held as in `bullington_edge`: where both horizon rays are one line, rounding puts it anywhere
    crossing = d[1]
    if both > 0.0:
        crossing = min(max((rx - tx + srim * length) / both, d[1]), d[-2])
    height = tx + stim * crossing - (tx * (length - crossing) + rx * crossing) / length
    edge = k.knife_edge(nu / math.sqrt(radio.wavelength_m))
    hill = hill_excess(
        d, tops + bulge * x * y, first, last, both, edge, crossing, height, radio.wavelength_m, loss
    )
    return loss, hill


def plane_earth(x: Floats, h: Floats, v1: float, v2: float, tx: float, rx: float, free_db: float) -> float:
    """Plane-earth loss over free space; heights over the fitted line or the own ground, whichever is more."""
    length = x[-1] * 1e-3
    # never less than over its own ground: the logarithm below has no height of 0 or less to take
    over_tx = tx - min(h[0], (2.0 * v1 * length - v2) / (length * length))
    over_rx = rx - min(h[-1], (v2 - v1 * length) / (length * length))
    return 40.0 * math.log10(x[-1]) - 20.0 * math.log10(over_tx * over_rx) - free_db


def belt_or_wood(depth: float, around: float, per_metre: float, most: float, wet: float) -> float:
    """Loss in one stretch of trees, between `vegetation.belt_loss_db` (around 0) and `woodland_loss_db` (1)."""
    # expm1: 1 - exp would lose the digits of a thin screen
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
    # half the depth each: P.833 gives its maximum for one terminal in woodland, and here are two
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
    # times the mask of trees: `np.where` takes numba long to compile
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
    # one beyond the last point, which closes a stretch that reaches it
    for after in range(len(weight) + 1):
        if after < len(weight) and weight[after] > 0.0:
            if first < 0:
                first = after
        elif first >= 0:
            stretch = np.sum(share[first:after])
            near = near_around[first + np.argmax(near_around[first:after])]
            far = far_around[first + np.argmax(far_around[first:after])]
            depth += stretch
            loss += stretch_loss(stretch, near, far, radio.leaf_db_m, radio.leaf_most_db, radio.leaf_wet_db)
            wet += stretch_loss(stretch, near, far, radio.wet_db_m, radio.wet_most_db, radio.wet_wet_db)
            first = -1
    return depth, loss, wet


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
    wooded = np.sum(trees * 1.0) > 0.0
    # trees are no ground: rule 3 weighs them against what is left without them
    bare = h + clutter_m * (trees == 0) if wooded else top
    step = d[1:] - d[:-1]
    sums = h[1:] + h[:-1]
    # sums of the least-squares line (P.1812, Attachment 1), which diffraction and plane earth both take
    v1 = np.sum(step * sums)
    v2 = np.sum(step * (3.0 * d[:-1] * sums + step * (sums + h[1:])))
    tx = h[0] + tx_m
    rx = h[-1] + rx_m
    ratio, worst = least_clearance(x, top, tx, rx, radio)
    # along the ray, not the ground: on a short path to a high mast it is longer
    free_db = 20.0 * math.log10(4.0 * math.pi * math.sqrt(x[-1] ** 2 + (tx - rx) ** 2) / radio.wavelength_m)
    # rules 1 and 2
    over_tx, over_rx = smooth_ground(d, h, v1, v2, tx, rx)
    smooth_db = smooth_excess(d, over_tx, over_rx, radio.radius_km, sea_share, radio)
    plane_db = max(plane_earth(x, h, v1, v2, tx, rx, free_db), 0.0)
    obstacle_db, hill_db = obstructed(d, bare, tx, rx, radio.radius_km, radio)
    diffraction_db = obstacle_db + smooth_db
    floor_db = max(plane_db - diffraction_db - hill_db, 0.0)
    ground_db = diffraction_db + hill_db + floor_db
    low_k_db = 0.0
    if x[-1] >= LOW_K_SHORTEST_M:
        low_k_db, _ = obstructed(d, bare, tx, rx, low_radius_km, radio)
        low_k_db += smooth_excess(d, over_tx, over_rx, low_radius_km, sea_share, radio)
    if np.sum(bare - h) > 0.0:
        # a roof on a round hill makes an edge of it, but never a lesser obstacle
        least_db, least_hill_db = obstructed(d, h, tx, rx, radio.radius_km, radio)
        # the same: what the smooth earth adds does not depend on what stands on the ground
        least_db += smooth_db
        least_floor_db = max(plane_db - least_db - least_hill_db, 0.0)
        if least_db + least_hill_db + least_floor_db > ground_db:
            hill_db, floor_db = least_hill_db, least_floor_db
            ground_db = least_db + hill_db + floor_db
    # against diffraction alone: at the low k neither hill nor plane earth is worked out
    low_k_db = max(low_k_db - (ground_db - hill_db - floor_db), 0.0)
    # rule 3
    depth = 0.0
    trees_db = 0.0
    wet_db = 0.0
    through = 0.0
    if wooded:
        depth, in_db, in_wet_db = woods(x, h, clutter_m, trees, tx, rx, radio)
        if depth > 0.0:
            over_db, over_hill_db = obstructed(d, top, tx, rx, radio.radius_km, radio)
            over_db += smooth_db
            over_db = over_db + over_hill_db + max(plane_db - over_db - over_hill_db, 0.0)
            over_db = max(over_db - ground_db, 0.0)
            trees_db = min(over_db, in_db)
            wet_db = min(over_db, in_wet_db)
            through = 1.0 if in_db <= over_db else 0.0
    return Found(
        ratio, float(worst), free_db, low_k_db, ground_db, hill_db, floor_db, min(plane_db, ground_db),
        trees_db, wet_db, depth, through,
    )  # fmt: skip


COMPILED: tuple[Callable[..., Any], ...] = (
    least_clearance, rounded_excess, hill_excess, smooth_ground, smooth_excess, obstructed, plane_earth,
    belt_or_wood, stretch_loss, woods, find,
)  # fmt: skip
"""What `find` is made of, for the compiler."""

"""The governing loss between a station and many positions around it: `linkcalc.path_loss` by the thousand."""

import math
import warnings
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.area import kernels
from linkcalc.area.land import Land
from linkcalc.errors import DomainError, OutOfRangeWarning
from linkcalc.link_case import LinkCase
from linkcalc.path_loss import CLEAR_RATIO, Situation, Wood, woods_loss_db
from linkcalc.propagation import clutter, compiled, ground, p1812, refractivity, two_ray, vegetation
from linkcalc.propagation.free_space import free_space_loss_db
from linkcalc.result import Regime
from linkcalc.terrain.profile import LOWEST_CLUTTER_M
from linkcalc.uncertainty import DEEPEST_MIRRORED_DB
from linkcalc.units import SPEED_OF_LIGHT_M_S

End = Literal["near", "far"]

REGIMES: tuple[Regime, ...] = ("obstructed", "grazing", "clear")
"""By the numbers in `Losses.regime`."""
MODELS = ("p1812", "delta_bullington", "two_ray")
"""By the numbers in `Losses.model`."""

_CLOSEST_M = 1.0
"""Nearer than this the two stations stand at the same place."""
_DECILE, _PERMILLE = 1.2816, 3.0902


@dataclass(frozen=True, eq=False)
class Losses:
    """What lies between the station and each position; all arrays (n,), NaN where there is no profile."""

    loss_db: Floats
    """Median basic transmission loss, vegetation included, two-ray peaks not credited."""
    vegetation_loss_db: Floats
    length_m: Floats
    spacing_m: Floats
    """Of the profile's points."""
    near_ground_m: Floats
    far_ground_m: Floats
    """Ground above sea level at both ends of the link."""
    regime: NDArray[np.int8]
    """Index into `REGIMES`, -1 without profile."""
    model: NDArray[np.int8]
    """Index into `MODELS`, -1 without profile."""
    bridged_m: Floats
    """Length of nodata bridged along the path."""
    height_sigma_db: Floats
    """Standard deviation that the stated error of the antenna heights gives; NaN unless asked."""
    refraction_sigma_db: Floats
    """Standard deviation over the year; NaN unless asked."""
    vegetation_depth_m: Floats
    foliage_sigma_db: Floats
    """Standard deviation of the vegetation loss over the year."""
    at_tops_db: Floats
    """Loss with the lower antenna at the tops of the clutter that the plan states; `loss_db` without."""
    near_height_m: Floats
    far_height_m: Floats
    """Antennas above ground, also where there is no profile."""
    status: NDArray[np.int8]
    """`kernels.GOOD`, NO_HEIGHT (nodata at the position) or HOLE (too long a hole on the way)."""

    @cached_property
    def known(self) -> NDArray[np.bool_]:
        """Where there is an answer."""
        return np.asarray(self.status == kernels.GOOD)


def losses(
    land: Land,
    template: LinkCase,
    fixed: End,
    east_m: ArrayLike,
    north_m: ArrayLike,
    *,
    near_height_m: ArrayLike | None = None,
    far_height_m: ArrayLike | None = None,
    spread: bool = False,
    use_numba: bool | None = None,
) -> Losses:
    """Loss between the station of a land and positions around it, each over its own full profile.

    Parameters
    ----------
    land : Land
        Heights around the fixed station.
    template : LinkCase
        Frequency, conditions and default antenna heights; its profile is not looked at.
    fixed : {"near", "far"}
        Which end of the link stands at the land's station; the other end goes to the positions.
    east_m, north_m : array_like, m, (n,)
        Positions, at most the land's radius away.
    near_height_m, far_height_m : array_like, m, optional
        Antenna heights above ground at both ends, scalars or (n,); by default the template's.
    spread : bool
        Also what the uncertainty of a margin needs: some six times the work.
    use_numba : bool, optional
        By default, numba where it is installed, else numpy: the same numbers, a hundred times slower.

    Returns
    -------
    Losses

    Raises
    ------
    DomainError
        If a position lies beyond the land's radius, or an argument is not finite.
    ModuleNotFoundError
        If `use_numba` is true and numba is not installed.

    References
    ----------
    The rules of `linkcalc.path_loss`, the profiles of `linkcalc.terrain.profile.cut_profile`. Where a plan
    states a month, the station's side of the equator tells the season for the whole area.
    """
    east, north = np.broadcast_arrays(checked("east_m", east_m), checked("north_m", north_m))
    east, north = east.ravel(), north.ravel()
    length = np.hypot(east, north)
    if (length > land.radius_m * (1.0 + 1e-9)).any():
        raise DomainError(f"a position lies beyond the {land.radius_m:g} m that were read")
    near = np.broadcast_to(_height(near_height_m, template.near.antenna_height_m), east.shape)
    far = np.broadcast_to(_height(far_height_m, template.far.antenna_height_m), east.shape)
    error_m = template.conditions.height_error_m if spread else 0.0
    variants = height_variants(near, far, error_m, tops_m(template))
    results = np.full((east.size, kernels.result_length(variants.shape[1] // 2)), np.nan)
    results[:, kernels.STATUS] = kernels.NO_HEIGHT
    apart = length >= _CLOSEST_M
    results[apart] = _rows(
        land, template, fixed, east[apart], north[apart], variants[apart], spread, use_numba
    )
    return weighed(results, template, length, variants, error_m, spread)


def diffraction_loss_db(
    land: Land,
    template: LinkCase,
    fixed: End,
    east_m: ArrayLike,
    north_m: ArrayLike,
    *,
    use_numba: bool | None = None,
) -> Floats:
    """Delta-Bullington diffraction loss over bare ground to positions, each over its own profile.

    Parameters
    ----------
    land, template, fixed, east_m, north_m, use_numba
        As for `losses`.

    Returns
    -------
    ndarray, dB, (n,)
        NaN where there is no profile.

    References
    ----------
    Rec. ITU-R P.526-15, section 4.5. A part of what governs a link: `losses` is the answer.
    """
    east, north = (
        np.ravel(v) for v in np.broadcast_arrays(checked("east_m", east_m), checked("north_m", north_m))
    )
    length = np.sqrt(east * east + north * north)
    found = np.full(east.shape, np.nan)
    apart: Any = (length >= _CLOSEST_M) & (length <= land.radius_m * (1.0 + 1e-9))
    if not apart.any():
        return found
    if apart.all():
        apart = slice(None)  # nothing to be sorted out, which takes as long as some points of a profile
    east, north, length = east[apart], north[apart], length[apart]
    places = np.empty((length.size, 3))
    np.divide(east, land.radius_m, out=places[:, 0])
    np.divide(north, land.radius_m, out=places[:, 1])
    places[:, 2] = length
    steps = land.intervals(east, north, length)
    _, scratch, _, powers = kernels.scratch_space(int(steps[:, 0].max()) + 1)
    in_numpy = _in_numpy(use_numba)
    run: Any = kernels.diffractions if in_numpy else kernels.compiled_diffractions()
    values = np.empty(east.size)
    s = template.situation
    run(
        land.cells, land.native_flags(whole=in_numpy), land.windows, land.maps, places, steps,
        template.near.antenna_height_m, template.far.antenna_height_m,
        fixed == "near", s.polarisation == "vertical", constants(s, land.largest_hole_m), scratch, powers,
        *kernels.lane_space(), values,
    )  # fmt: skip
    found[apart] = values
    return found


def _height(stated: ArrayLike | None, default: float) -> Floats:
    return checked("antenna height", default if stated is None else stated, above=0.0)


def height_variants(near: Floats, far: Floats, error_m: float, tops_m: float | None) -> Floats:
    """Pairs of heights: as they are; each end lower and higher by the error; the lower end at the tops of the
    clutter."""
    pairs = [near, far]
    if error_m:
        lower, upper = np.maximum(near - error_m, 0.1), near + error_m
        far_lower, far_upper = np.maximum(far - error_m, 0.1), far + error_m
        pairs += [lower, far, upper, far, near, far_lower, near, far_upper]
    if tops_m is not None:
        pairs += [np.where(near <= far, tops_m, near), np.where(near <= far, far, tops_m)]
    return np.stack(pairs, axis=-1)


def tops_m(template: LinkCase) -> float | None:
    """Height of the clutter that the plan states around the lower antenna."""
    kind = template.conditions.clutter
    return None if kind == "none" else clutter.CLUTTER_HEIGHT_M[kind]


def constants(situation: Situation, largest_hole_m: float) -> Floats:
    """The kernels' row of constants."""
    c = np.empty(kernels.CONSTANTS)
    radius_km = situation.k_factor * p1812.EARTH_RADIUS_KM
    wavelength = SPEED_OF_LIGHT_M_S / situation.frequency_hz
    c[kernels.FREQUENCY_GHZ] = situation.frequency_hz / 1e9
    c[kernels.WAVELENGTH_M] = wavelength
    c[kernels.DELTA_N] = situation.delta_n
    c[kernels.N0] = situation.n0
    c[kernels.RADIUS_KM] = radius_km
    c[kernels.CURVATURE] = 0.0005 / radius_km
    c[kernels.ROUGHNESS_M] = np.nan if situation.roughness_m is None else situation.roughness_m
    c[kernels.GRAZING_LIMIT_RAD] = np.cbrt(c[kernels.CURVATURE] * wavelength / np.pi)
    c[kernels.LARGEST_HOLE_M] = largest_hole_m
    c[kernels.LOWEST_CLUTTER_M] = LOWEST_CLUTTER_M
    for j, leaves in enumerate(_foliage(situation)):
        f, woods = leaves.frequency_hz, leaves.polarisation
        first = kernels.LEAF_DB_M + 3 * j
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutOfRangeWarning)
            c[first] = vegetation.specific_attenuation_db_m(f, leaf=leaves.leaf, polarisation=woods)
            c[first + 1] = vegetation.maximum_loss_db(f, leaf=leaves.leaf)
        c[first + 2] = vegetation.WET_LEAF_DB if leaves.wet_foliage and leaves.leaf == "in_leaf" else 0.0
    return c


def _foliage(situation: Situation) -> tuple[Situation, Situation, Situation]:
    """The situation as it is, in wet leaf, and with bare dry trees."""
    return (
        situation,
        replace(situation, leaf="in_leaf", wet_foliage=True),
        replace(situation, leaf="out_of_leaf", wet_foliage=False),
    )


def _stated_woods_db(situation: Situation) -> list[float]:
    """Loss of the trees that the plan states without a place, under the three kinds of foliage."""
    if not situation.woodland_depth_m:
        return [0.0, 0.0, 0.0]
    stated = (Wood(situation.woodland_depth_m, True),)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        return [woods_loss_db(leaves, stated) for leaves in _foliage(situation)]


def _rows(
    land: Land,
    template: LinkCase,
    fixed: End,
    east: Floats,
    north: Floats,
    heights: Floats,
    spread: bool,
    use_numba: bool | None,
) -> Floats:
    s = template.situation
    rows = np.full((east.size, kernels.result_length(heights.shape[1] // 2)), np.nan)
    if not east.size:
        return rows
    length = np.hypot(east, north)
    steps = land.intervals(east, north)
    middle = np.where(steps[:, 0] % 2 == 0, 0.5, 0.5 + 0.5 / steps[:, 0])  # point n // 2 of the profile
    if fixed == "far":
        middle = 1.0 - middle
    latitude, _ = land.geographic(east * middle, north * middle)
    low_k = refractivity.low_k_factor(length, template.conditions.climate)
    places = np.stack([east / land.radius_m, north / land.radius_m, length, latitude, low_k], axis=-1)
    zone, scratch, trees, powers = kernels.scratch_space(int((steps[:, 0] * steps[:, 1]).max()) + 1)
    run: Any = kernels.positions if _in_numpy(use_numba) else kernels.compiled_positions()
    run(
        land.cells, land.native_flags(whole=_in_numpy(use_numba)), land.windows, land.maps,
        land.layers, land.tree_surface, places, steps,
        np.ascontiguousarray(heights), fixed == "near", s.polarisation == "vertical", spread,
        constants(s, land.largest_hole_m), zone, scratch, trees, powers, rows,
    )  # fmt: skip
    return rows


def _in_numpy(use_numba: bool | None) -> bool:
    return not (compiled.available() if use_numba is None else use_numba)


def weighed(
    results: Floats,
    template: LinkCase,
    length: Floats,
    variants: Floats,
    error_m: float,
    spread: bool,
) -> Losses:
    """Two-ray sums, the ways over and through trees, and spreads, from the kernel's rows."""
    s = template.situation
    status = results[:, kernels.STATUS].astype(np.int8)
    good = status == kernels.GOOD
    rows, length_good = results[good], length[good]
    near_ground, far_ground = rows[:, kernels.NEAR_GROUND_M], rows[:, kernels.FAR_GROUND_M]
    pairs = variants[good]
    governing = []
    for j in range(pairs.shape[1] // 2):
        first = kernels.HEAD + kernels.VARIANT * j
        block = rows[:, first : first + kernels.VARIANT]
        rise = far_ground + pairs[:, 2 * j + 1] - near_ground - pairs[:, 2 * j]
        governing.append(_governing(block, s, length_good, rise))
    loss, woods_db, foliage_db, model, through = governing[0]
    ratio = rows[:, kernels.HEAD + kernels.OVER + kernels.RATIO]
    regime = np.where(ratio >= CLEAR_RATIO, 2, np.where(ratio >= 0.0, 1, 0))
    height_sigma = np.full(loss.shape, np.nan)
    refraction = np.full(loss.shape, np.nan)
    if spread:
        height_sigma = np.zeros(loss.shape)
        if error_m:
            lower, upper, far_lower, far_upper = (g[0] for g in governing[1:5])
            height_sigma = np.hypot((lower - upper) / 2.0, (far_lower - far_upper) / 2.0)
        tail = np.where(through[:, np.newaxis], rows[:, -2:], rows[:, -4:-2])
        # diffraction alone counts on no scatter, so that its variation is none of ours
        enhanced = np.where(model == 1, 0.0, tail[:, kernels.ENHANCED_DB])
        refraction = np.maximum(
            np.minimum(enhanced / _DECILE, DEEPEST_MIRRORED_DB),
            np.maximum(tail[:, kernels.DEEPER_DB] / _PERMILLE, 0.0),
        )
    depth = np.where(through, rows[:, kernels.HEAD + kernels.DEPTH_M], 0.0) + s.woodland_depth_m

    def put(values: Floats) -> Floats:
        whole = np.full(good.shape, np.nan)
        whole[good] = values
        return whole

    def put_small(values: Any) -> NDArray[np.int8]:
        whole = np.full(good.shape, -1, dtype=np.int8)
        whole[good] = values
        return whole

    return Losses(
        loss_db=put(loss),
        vegetation_loss_db=put(woods_db),
        length_m=length,
        spacing_m=put(rows[:, kernels.SPACING_M]),
        near_ground_m=put(near_ground),
        far_ground_m=put(far_ground),
        regime=put_small(regime),
        model=put_small(model),
        bridged_m=put(rows[:, kernels.BRIDGED_M]),
        height_sigma_db=put(height_sigma),
        refraction_sigma_db=put(refraction),
        vegetation_depth_m=put(depth),
        foliage_sigma_db=put(foliage_db),
        at_tops_db=put(loss if tops_m(template) is None else governing[-1][0]),
        near_height_m=variants[:, 0],
        far_height_m=variants[:, 1],
        status=status,
    )


def _governing(
    block: Floats, s: Situation, length: Floats, rise: Floats
) -> tuple[Floats, Floats, Floats, NDArray[np.int64], NDArray[np.bool_]]:
    """Loss, loss of trees and its spread, model, and whether the way leads through the trees."""
    over, over_model = _by_rules(block[:, kernels.OVER : kernels.BARE], s, length, rise)
    depth = block[:, kernels.DEPTH_M]
    stated = _stated_woods_db(s)
    through = depth > 0.0
    bare, bare_model = over.copy(), over_model.copy()
    bare[through], bare_model[through] = _by_rules(
        block[through, kernels.BARE :], s, length[through], rise[through]
    )
    trees = np.where(through[:, np.newaxis], block[:, kernels.WOODS_DB : kernels.OVER], 0.0)
    through &= bare + trees[:, 0] <= over
    trees = np.where(through[:, np.newaxis], trees, 0.0) + stated
    return (
        np.where(through, bare, over) + trees[:, 0],
        trees[:, 0],
        (trees[:, 1] - trees[:, 0]) / 2.0,
        np.where(through, bare_model, over_model),
        through,
    )


def _by_rules(found: Floats, s: Situation, length: Floats, rise: Floats) -> tuple[Floats, NDArray[np.int64]]:
    standard, kind = found[:, kernels.STANDARD_DB], found[:, kernels.MIRROR]
    loss = standard.copy()
    model = np.where(found[:, kernels.SCATTERS] > 0.0, 0, 1)
    mirrors = np.flatnonzero(kind > 0.0)
    if mirrors.size:
        earth = ground.ground_constants(s.ground, s.frequency_hz)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OutOfRangeWarning)
            both = two_ray.two_ray_loss_db(
                found[mirrors, kernels.MIRROR_LENGTH_M],
                found[mirrors, kernels.MIRROR_TX_M],
                found[mirrors, kernels.MIRROR_RX_M],
                s.frequency_hz,
                relative_permittivity=earth.relative_permittivity,
                conductivity_s_m=earth.conductivity_s_m,
                polarisation=s.polarisation,
                k_factor=s.k_factor,
                roughness_m=found[mirrors, kernels.MIRROR_ROUGHNESS_M],
                surface_wave=True,
            )
        both = np.maximum(both, free_space_loss_db(np.hypot(length[mirrors], rise[mirrors]), s.frequency_hz))
        other = np.where(kind[mirrors] == kernels.MIRRORS_BUT, standard[mirrors], -math.inf)
        loss[mirrors] = np.maximum(both, other)
        model[mirrors] = np.where(other > both, model[mirrors], 2)
    return loss, model

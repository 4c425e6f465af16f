"""One path, many pairs of antenna heights: what does not depend on the radios, pair by pair.

Where the profile is inland, the compiled rules of `linkcalc.area.kernels` do the work; a path over sea or
coast, or a machine without numba, takes the plain way.
"""

import functools
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linkcalc._arrays import Floats, checked
from linkcalc.area import kernels
from linkcalc.area.losses import MODELS, REGIMES, Losses, constants, height_variants, tops_m, weighed
from linkcalc.area.margins import clutter_db, path_spread_db
from linkcalc.errors import OutOfRangeWarning
from linkcalc.link_case import LinkCase
from linkcalc.propagation import building_entry, compiled, fresnel, refractivity
from linkcalc.terrain.profile import INLAND, Profile
from linkcalc.uncertainty import combined_db, path_contributors
from linkcalc.units import EARTH_RADIUS_M

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class HeightPairs:
    """All arrays (n, m): n heights at the `from` station, m at the `to` station."""

    near_height_m: Floats
    """(n,)"""
    far_height_m: Floats
    """(m,)"""
    path_gain_db: Floats
    """Sum of the budget's path terms: minus the loss with trees, clutter and building entry."""
    spread_db: Floats
    """Standard deviation of that over the site and the year; the receivers' noise not counted."""
    regime: NDArray[np.int8]
    """Index into `losses.REGIMES`."""
    model: NDArray[np.int8]
    """Index into `losses.MODELS`."""
    through_trees: NDArray[np.bool_]
    """Whether the way leads through trees, which leaves no steady ray."""
    worst: NDArray[np.int64]
    """Index of the profile's point with the least clearance at the median k."""
    clearance_ratio: Floats
    """There, in first Fresnel zone radii; everything that stands on the path counted."""
    clearance_m: Floats

    @property
    def fading(self) -> NDArray[np.int8]:
        """Index into `margins.FADING`."""
        return np.where((self.regime <= 0) | self.through_trees, 0, self.regime).astype(np.int8)


def inland(profile: Profile) -> bool:
    """Whether the compiled rules are stated for a profile: no sea or coast on it.

    >>> import numpy as np
    >>> x = np.array([0.0, 100.0, 250.0])
    >>> inland(Profile(x, 0 * x, 0 * x, ("", "", ""), np.array([1, 4, 4], np.int8), None, None, "", 0.0, ()))
    False
    """
    return bool((profile.zone == INLAND).all())


def wait_words(case: LinkCase) -> str:
    """What to tell somebody who waits for `height_pairs`; empty where there is no need."""
    if not compiled.available():
        return "numba is not installed: the same numbers by numpy take some hundred times longer"
    if not inland(case.profile):
        return "the path crosses sea or coast: one pair of heights after the other, some minutes"
    if not kernels.kept_on_disk("pairs", "height_pairs"):
        return "compiling, once where a folder can keep it: some 10 s"
    return ""


def height_pairs(
    case: LinkCase,
    near_height_m: ArrayLike,
    far_height_m: ArrayLike,
    *,
    use_numba: bool | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> HeightPairs:
    """Work out a link's path for every pair of two lists of antenna heights.

    Parameters
    ----------
    case : LinkCase
    near_height_m, far_height_m : array_like, m, (n,) and (m,)
        Above ground, above 0.
    use_numba : bool, optional
        By default where it is installed and the profile is inland; else one pair after the other,
        some hundred times slower.
    progress : callable, optional
        Called with how many of how many heights at `from` are done.

    Returns
    -------
    HeightPairs
        Equal to what `case.with_heights` gives pair by pair, to 0.01 dB.

    Raises
    ------
    DomainError
        If a height is not above 0.
    ModuleNotFoundError
        If `use_numba` is true and numba is not installed.
    """
    near = np.atleast_1d(checked("near_height_m", near_height_m, above=0.0))
    far = np.atleast_1d(checked("far_height_m", far_height_m, above=0.0))
    if use_numba is None:
        use_numba = compiled.available() and inland(case.profile)
    rows = _at_once if use_numba else _one_by_one
    columns: dict[str, list[Any]] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)  # what is only tried may leave a model's range
        for done, height in enumerate(near):
            for name, row in {**rows(case, float(height), far), **_worst(case, float(height), far)}.items():
                columns.setdefault(name, []).append(row)
            if progress is not None:
                progress(done + 1, near.size)
    return HeightPairs(near, far, **{name: np.array(found) for name, found in columns.items()})


def _one_by_one(case: LinkCase, near_m: float, far_m: Floats) -> dict[str, Any]:
    found: dict[str, list[Any]] = {
        name: [] for name in ("path_gain_db", "spread_db", "regime", "model", "through_trees")
    }
    for height in far_m:
        raised = case.with_heights(near_m=near_m, far_m=float(height))
        parts = path_contributors(raised)
        found["path_gain_db"].append(sum(t.value_db for t in raised.shared_terms))
        found["spread_db"].append(np.hypot(combined_db(parts, "site"), combined_db(parts, "conditions")))
        found["regime"].append(REGIMES.index(raised.path.regime))
        found["model"].append(MODELS.index(raised.path.model))
        found["through_trees"].append(raised.path.vegetation_loss_db > 0.0)
    return {name: np.array(values) for name, values in found.items()}


def _at_once(case: LinkCase, near_m: float, far_m: Floats) -> dict[str, Any]:
    found = pair_losses(case, np.full(far_m.shape, near_m), far_m)
    rise = found.far_ground_m + found.far_height_m - found.near_ground_m - found.near_height_m
    gain = -found.loss_db - clutter_db(case, found)
    sag = found.length_m / (2.0 * case.situation.k_factor * EARTH_RADIUS_M)
    for station, up in ((case.near, rise), (case.far, -rise)):
        if station.building != "none":
            gain = gain - building_entry.building_entry_loss_db(
                case.frequency_hz,
                building=station.building,
                elevation_deg=np.abs(np.degrees(np.arctan(up / found.length_m - sag))),
                extrapolate=True,
            )
    return {
        "path_gain_db": gain,
        "spread_db": path_spread_db(case, found),
        "regime": found.regime,
        "model": found.model,
        "through_trees": found.vegetation_loss_db > 0.0,
    }


def _worst(case: LinkCase, near_m: float, far_m: Floats) -> dict[str, Any]:
    profile, s = case.profile, case.situation
    ratio = fresnel.clearance_ratio(
        profile.distance_m,
        profile.ground_m + profile.clutter_m,
        profile.ground_m[0] + near_m,
        (profile.ground_m[-1] + far_m)[:, np.newaxis],
        s.frequency_hz,
        s.k_factor,
    )
    worst = np.argmin(ratio, axis=-1)
    least = np.take_along_axis(ratio, worst[:, np.newaxis], axis=-1)[:, 0]
    x = profile.distance_m[worst]
    radius = fresnel.fresnel_radius_m(x, profile.length_m - x, s.frequency_hz)
    return {"worst": worst, "clearance_ratio": least, "clearance_m": least * radius}


def pair_losses(case: LinkCase, near_height_m: Floats, far_height_m: Floats) -> Losses:
    """Losses of a link over its own profile for pairs of antenna heights, spreads included; needs numba.

    Parameters
    ----------
    case : LinkCase
        With a profile that is inland.
    near_height_m, far_height_m : ndarray, m, (n,)

    Returns
    -------
    Losses
    """
    profile, s = case.profile, case.situation
    n = len(profile.distance_m)
    error_m = case.conditions.height_error_m
    variants = height_variants(near_height_m, far_height_m, error_m, tops_m(case))
    results = np.full((near_height_m.size, kernels.result_length(variants.shape[1] // 2)), np.nan)
    results[:, kernels.STATUS] = kernels.GOOD
    results[:, kernels.NEAR_GROUND_M], results[:, kernels.FAR_GROUND_M] = profile.ground_m[[0, -1]]
    results[:, kernels.BRIDGED_M], results[:, kernels.SPACING_M] = profile.bridged_m, profile.spacing_m
    trees = np.array([kind == "trees" for kind in profile.clutter_kind], dtype=np.uint8)
    low_k = float(refractivity.low_k_factor(profile.length_m, case.conditions.climate))
    zone, scratch, _, _ = kernels.scratch_space(n)
    compiled_pairs()(
        profile.distance_m, profile.ground_m, profile.clutter_m, trees, variants, s.latitude_deg, low_k,
        s.polarisation == "vertical", constants(s, 0.0), zone[:n], scratch, results,
    )  # fmt: skip
    length = np.full(near_height_m.shape, profile.length_m)
    return weighed(results, case, length, variants, error_m, True)


def pairs(
    x: Floats, h: Floats, clutter: Floats, trees: Bytes, heights: Floats, latitude: float, low_k: float,
    vertical: bool, c: Floats, zone: NDArray[np.int8], scratch: Floats, results: Floats,
) -> None:  # fmt: skip
    """`kernels.position` without cutting a profile: its rules for every row of `heights`."""
    n = len(x)
    d = scratch[0, :n]
    tops = scratch[1, :n]
    bare = scratch[2, :n]
    work = scratch[kernels.WORK_FIRST : kernels.WORK_FIRST + kernels.WORK_ROWS]
    wooded = False
    for i in range(n):
        d[i] = x[i] * 1e-3
        wooded = wooded or trees[i] > 0
    for i in range(len(heights)):
        kernels.all_pairs(
            x, d, h, clutter, tops, bare, trees, wooded, zone, work, heights[i], latitude, low_k, vertical,
            True, c, results[i],
        )  # fmt: skip


@functools.cache
def compiled_pairs() -> Any:
    """`pairs` as machine code; needs numba."""
    kernels.register()
    return compiled.compile_function(pairs)

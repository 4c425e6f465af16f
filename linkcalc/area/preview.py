"""A quick look: rays from the station outward, every point on a ray sharing the one profile.

Exact along a ray, but a cell takes the nearest point of the nearest ray instead of its own profile, over
bare ground, by diffraction alone. How far that is off is measured on a sample of cells and told.
"""

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from linkcalc._arrays import Floats
from linkcalc.area import kernels
from linkcalc.area.coverage import BANDS, Job, Singles
from linkcalc.area.losses import Losses, constants, losses
from linkcalc.area.margins import answers
from linkcalc.errors import OutOfRangeWarning, TerrainError
from linkcalc.path_loss import CLEAR_RATIO
from linkcalc.propagation import _kernels as k
from linkcalc.propagation.diffraction import is_vertical
from linkcalc.propagation.free_space import free_space_loss_db

SAMPLE = 400
"""Cells whose full answer the preview is held against."""


@dataclass(frozen=True, eq=False)
class Rays:
    """Points at even steps on rays at even bearings, (rays, points); point 0 is the station."""

    diffraction_db: Floats
    clearance: Floats
    """Least clearance in first Fresnel zone radii, -1 where blocked."""
    ground_m: Floats
    step_m: float


def rays(job: Job, *, use_numba: bool | None = None) -> Rays:
    """Delta-Bullington diffraction over bare ground at every point of the rays around a station.

    Parameters
    ----------
    job : Job
    use_numba : bool, optional
        By default as the job. Both ways give the same to 0.02 dB.

    Returns
    -------
    Rays
        As many rays as cells fit on the rim, points a cell apart.
    """
    land, s = job.land, job.template.situation
    count = max(math.ceil(job.radius_m / job.cell_m), 3)
    many = max(math.ceil(2.0 * math.pi * job.radius_m / job.cell_m), 8)
    bearing = 2.0 * np.pi * np.arange(many) / many
    ends = np.stack([np.sin(bearing), np.cos(bearing)], axis=-1) * (job.radius_m / land.radius_m)
    near, far = job.template.near.antenna_height_m, job.template.far.antenna_height_m
    own, other = (near, far) if job.fixed == "near" else (far, near)
    c = constants(s, land.largest_hole_m)
    numba = job.use_numba if use_numba is None else use_numba
    ground = np.empty((many, count + 1))
    loss, clear = np.full(ground.shape, np.nan), np.full(ground.shape, np.nan)
    step = job.radius_m / count
    arguments = (
        land.cells, land.native_flags(whole=not numba), land.windows, land.maps, ends, step * 1e-3, own,
        other, is_vertical(s.polarisation), c,
    )  # fmt: skip
    if numba:
        kernels.compiled_rays()(*arguments, np.empty((8, count + 1)), np.empty((2, kernels.DEGREE + 1)),
                                np.empty((2, count + 1), dtype=np.int64), ground, loss, clear)  # fmt: skip
    else:
        _rays_in_numpy(*arguments, ground, loss, clear)
    return Rays(loss, clear, ground, step)


def preview(job: Job, *, say: Callable[[str], None] = lambda line: None) -> tuple[dict[str, Singles], float]:
    """All bands of an area from shared radials, and how far they are off.

    Returns
    -------
    tuple of dict and float
        Bands as `coverage`; standard deviation against the full answer of some cells, dB.
    """
    if job.use_numba and not kernels.kept_on_disk():
        say("compiling, once: some 10 s; later runs start at once")
    found = rays(job)
    south, east = np.meshgrid(job.steps(0, job.side), job.steps(0, job.side), indexing="ij")
    north = -south
    length = np.hypot(east, north)
    inside = (length <= job.radius_m) & (length >= 1.0)
    x, y, d = east[inside], north[inside], length[inside]
    many, points = found.ground_m.shape
    ray = np.round(np.arctan2(x, y) / (2.0 * np.pi) * many).astype(np.int64) % many
    point = np.clip(np.round(d / found.step_m).astype(np.int64), 2, points - 1)
    around = _as_losses(job, found, ray, point, d)
    here = (job.land.latitude_deg, job.land.longitude_deg)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRangeWarning)
        got = answers(job.template, job.fixed, here, x, y, around)
        sigma = _scatter_db(job, x, y, around.loss_db)
    values = {
        "margin_db": got.margin_db,
        "margin_there_db": got.margin_there_db,
        "margin_back_db": got.margin_back_db,
        "level_there_dbm": got.level_there_dbm,
        "level_back_dbm": got.level_back_dbm,
        "success": got.success,
        "spreading_factor": got.spreading_factor,
        "verdict": np.where(around.known, got.verdict, np.nan),
        "required_margin_db": np.where(around.known, got.required_margin_db, np.nan),
        "path_loss_db": around.loss_db,
        "ground_m": found.ground_m[ray, point],
    }
    if not around.known.any():
        raise TerrainError(f"no cell around {job.land.name} has a height")
    bands = {}
    for band in BANDS:
        whole = np.full(inside.shape, np.nan, dtype=np.float32)
        whole[inside] = values[band.name]
        bands[band.name] = whole
    return bands, sigma


def _as_losses(job: Job, found: Rays, ray: np.ndarray, point: np.ndarray, length: Floats) -> Losses:
    near, far = job.template.near.antenna_height_m, job.template.far.antenna_height_m
    here, there = found.ground_m[ray, 0], found.ground_m[ray, point]
    near_ground, far_ground = (here, there) if job.fixed == "near" else (there, here)
    slant = np.hypot(length, near_ground + near - far_ground - far)
    known = np.isfinite(found.diffraction_db[ray, point])
    clear = found.clearance[ray, point]
    nothing = np.zeros(length.shape)
    free_db = np.asarray(
        free_space_loss_db(slant if known.all() else np.where(known, slant, 1.0), job.template.frequency_hz)
    )
    loss = np.where(known, free_db + found.diffraction_db[ray, point], np.nan)
    return Losses(
        loss_db=loss,
        at_tops_db=loss,
        vegetation_loss_db=nothing,
        length_m=length,
        spacing_m=np.full(length.shape, found.step_m),
        near_ground_m=near_ground,
        far_ground_m=far_ground,
        regime=np.where(clear >= CLEAR_RATIO, 2, np.where(clear >= 0.0, 1, 0)).astype(np.int8),
        model=np.where(known, 1, -1).astype(np.int8),
        bridged_m=nothing,
        height_sigma_db=nothing,
        refraction_sigma_db=nothing,
        vegetation_depth_m=nothing,
        foliage_sigma_db=nothing,
        near_height_m=np.full(length.shape, near),
        far_height_m=np.full(length.shape, far),
        status=np.where(known, kernels.GOOD, kernels.NO_HEIGHT).astype(np.int8),
    )


def _scatter_db(job: Job, x: Floats, y: Floats, quick: Floats) -> float:
    """Standard deviation between the preview and the full answer."""
    some = np.random.default_rng(0).permutation(x.size)[:SAMPLE]
    full = losses(job.land, job.template, job.fixed, x[some], y[some], use_numba=job.use_numba)
    off = quick[some] - full.loss_db
    off = off[np.isfinite(off)]
    return float(np.sqrt(np.mean(off**2))) if off.size else math.nan


def _rays_in_numpy(
    cells: Singles, native: np.ndarray, windows: np.ndarray, maps: Floats, ends: Floats, step: float,
    own: float, other: float, vertical: bool, c: Floats, ground: Floats, loss: Floats, clear: Floats,
) -> None:  # fmt: skip
    """All rays side by side, point after point outward."""
    powers = np.empty((2, kernels.DEGREE + 1))
    for i, (east, north) in enumerate(ends):
        kernels.heights_along(
            kernels.GROUND,
            cells,
            native,
            windows,
            maps,
            east,
            north,
            True,
            powers,
            ground.shape[1],
            ground[i],
        )
        _, beyond = kernels.fill_ray(ground[i], step * 1e3, c[kernels.LARGEST_HOLE_M])
        loss[i, beyond:] = math.inf  # marked for later
    unknown = np.isinf(loss) | np.isnan(ground)
    h = np.nan_to_num(ground)
    points = h.shape[1]
    a, f, wavelength = c[kernels.RADIUS_KM], c[kernels.FREQUENCY_GHZ], c[kernels.WAVELENGTH_M]
    bulge = 500.0 / a
    x = step * np.arange(points)
    tx = h[:, 0] + own
    slope = (h[:, 1:] - tx[:, np.newaxis]) / x[1:]
    steepest = np.maximum.accumulate(slope, axis=1)
    steepest_over = np.maximum.accumulate(slope - bulge * x[1:], axis=1)
    plain, moment = np.cumsum(h, axis=1), np.cumsum(h * x, axis=1)
    for n in range(2, points):
        length = x[n]
        rx = h[:, n] + other
        line = (rx - tx) / length
        inner, d = h[:, 1:n], x[1:n]
        back = length - d
        r = (inner - rx[:, np.newaxis]) / back
        srim = (r - bulge * back).max(axis=1) + bulge * length
        stim = steepest_over[:, n - 2] + bulge * length
        v1 = step * (2.0 * plain[:, n] - h[:, 0] - h[:, n])
        inside = moment[:, n] - x[n] * h[:, n]
        v2 = step * (6.0 * inside + h[:, n] * (3.0 * length - step) + h[:, 0] * step)
        hst = (2.0 * v1 * length - v2) / length**2
        hsr = (v2 - v1 * length) / length**2
        hobs = (inner - line[:, np.newaxis] * d).max(axis=1) - tx
        at = steepest[:, n - 2] - line
        ar = r.max(axis=1) + line
        with np.errstate(divide="ignore", invalid="ignore"):
            over = hobs > 0.0
            hst = np.where(over, hst - hobs * at / (at + ar), hst)
            hsr = np.where(over, hsr - hobs * ar / (at + ar), hsr)
        h1 = tx - np.minimum(hst, h[:, 0])
        h2 = rx - np.minimum(hsr, h[:, n])
        blocked = stim >= line
        weight = d * back
        above = inner - (tx[:, np.newaxis] + line[:, np.newaxis] * d) + bulge * weight
        sight = (above / np.sqrt(weight)).max(axis=1) * math.sqrt(0.002 * length)
        edge = _edge(stim, srim, length, tx, rx, x[1], x[n - 1])
        nu = np.where(blocked, edge, sight)
        clear[:, n] = np.where(sight > 0.0, -1.0, -sight / math.sqrt(2.0 * wavelength))
        bullington: Any = k.bullington  # element by element over paths too
        actual = bullington(nu, length, f)
        smooth = _smooth_nu(h1, h2, np.asarray(x[: n + 1], dtype=np.float64), a)
        spheres = _spherical_db(h1, h2, length, a, f, vertical)
        loss[:, n] = actual + np.maximum(spheres - bullington(smooth, length, f), 0.0)
    loss[unknown] = np.nan
    ground[unknown] = np.nan
    loss[:, :2] = np.nan


def _edge(
    stim: Floats, srim: Floats, length: float, tx: Floats, rx: Floats, first: float, last: float
) -> Floats:
    """`bullington_edge` for many paths."""
    both = stim + srim
    with np.errstate(divide="ignore", invalid="ignore"):
        db = np.where(both > 0.0, np.clip((rx - tx + srim * length) / both, first, last), first)
    excess = tx + stim * db - (tx * (length - db) + rx * db) / length
    edge: Floats = excess * np.sqrt(0.002 * length / (db * (length - db)))
    return edge


def _smooth_nu(h1: Floats, h2: Floats, x: Floats, a: float) -> Floats:
    """`smooth_bullington_nu` for many pairs of heights over the same points."""
    length, inner = x[-1], x[1:-1]
    bulge, line = 500.0 / a, (h2 - h1) / length
    back = length - inner
    stim = (bulge * back - h1[:, np.newaxis] / inner).max(axis=1)
    srim = (bulge * inner - h2[:, np.newaxis] / back).max(axis=1)
    both = inner * back
    free = h1[:, np.newaxis] + line[:, np.newaxis] * inner - bulge * both
    sight = -np.sqrt((free * free / both).min(axis=1) * 0.002 * length)
    return np.where(stim >= line, _edge(stim, srim, length, h1, h2, inner[0], inner[-1]), sight)


def _spherical_db(h1: Floats, h2: Floats, length: float, a: float, f: float, vertical: bool) -> Floats:
    """`spherical` for many pairs of heights, over land."""
    beyond = length >= math.sqrt(2.0 * a) * (np.sqrt(0.001 * h1) + np.sqrt(0.001 * h2))
    grazing = 500.0 * (length / (np.sqrt(h1) + np.sqrt(h2))) ** 2
    first_term: Any = k.first_term  # element by element over heights too
    loss = first_term(length, h1, h2, np.where(beyond, a, grazing), 0.0, f, vertical)
    c = (h1 - h2) / (h1 + h2)
    m = 250.0 * length**2 / (a * (h1 + h2))
    angle = np.pi / 3.0 + np.arccos(np.clip(1.5 * c * np.sqrt(3.0 * m / (m + 1.0) ** 3), -1.0, 1.0)) / 3.0
    d1 = 0.5 * length * (1.0 + 2.0 * np.sqrt((m + 1.0) / (3.0 * m)) * np.cos(angle))
    d2 = length - d1
    hse = ((h1 - 500.0 * d1**2 / a) * d2 + (h2 - 500.0 * d2**2 / a) * d1) / length
    required = 17.456 * np.sqrt(np.maximum(d1 * d2, 0.0) / length * (k.LAMBDA_GHZ_M / f))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.maximum(1.0 - hse / required, 0.0)
    return np.asarray(np.where(beyond, loss, share * np.maximum(loss, 0.0)))

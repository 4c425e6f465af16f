"""Delivery ratio against SNR, and "will it close" against what got through: sets that list their losses."""

import itertools
import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize

from linkcalc.plan import Conditions
from linkcalc.radio import css
from linkcalc.reliability import message_success
from linkcalc.uncertainty import READING_ERROR_DB
from tests.validation.measured.models import (
    DEFAULT,
    SHORTEST_M,
    Paths,
    free_space,
    losses,
    out_of_range_is_known,
    terminal_clutter,
)
from tests.validation.measured.sets import Assumed, Rows

FEWEST_SENT = 10
"""Of a link with one setting, for its delivery ratio to be looked at."""

MARGIN_BINS_DB = (-math.inf, -10.0, -5.0, -2.5, 0.0, 2.5, 5.0, 10.0, math.inf)

CHANCE_BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)

GAIN_DBI = 2.15
"""Half-wave dipole at each end, where the set does not say."""


@dataclass
class Groups:
    """One element a link with one setting."""

    link: np.ndarray
    receiver: np.ndarray
    sent: np.ndarray
    heard: np.ndarray
    snr_db: np.ndarray
    """Median over all sent, the lost ones counted as weaker; NaN where that median was lost."""
    heard_snr_db: np.ndarray
    """Median of what got through."""
    spreading_factor: np.ndarray
    bandwidth_hz: np.ndarray
    tx_power_dbm: np.ndarray
    payload_bytes: np.ndarray
    distance_m: np.ndarray
    tx_height_m: np.ndarray
    rx_height_m: np.ndarray
    frequency_hz: np.ndarray
    in_sight: np.ndarray
    inferred: np.ndarray
    """SNR taken from the same link at a setting of which more got through."""
    survivors: np.ndarray
    """SNR of what got through alone, for want of anything better: too high."""

    def __len__(self) -> int:
        return len(self.link)

    @property
    def ratio(self) -> np.ndarray:
        return self.heard / self.sent


@dataclass(frozen=True)
class Threshold:
    """The logistic curve through delivery against margin over the demodulator's threshold."""

    groups: int
    packets: int
    inferred: int
    survivors: int
    half_db: float
    """Margin at which half is delivered: 0 if the tabled threshold is where half gets through."""
    half_error_db: float
    width_db: float
    """From 10 % to 90 % delivery."""
    ideal_half_db: float
    ideal_width_db: float
    """Of `packet_success` at a steady SNR, median over the settings."""
    faded_width_db: float
    """Of a threshold under Rayleigh fading."""
    by_factor: list[tuple[int, float, int]]
    """Spreading factor, margin of half delivery, groups, where these cross one half."""
    bins: list[tuple[str, int, int, float]]
    """Margin, groups, packets, delivered."""


@dataclass(frozen=True)
class Closing:
    """Predicted chance of a message against the share that got through."""

    what: str
    groups: int
    bins: list[tuple[int, float, float]]
    """Groups, mean predicted, mean delivered."""
    brier: float
    right: int
    """Groups whose delivery is at least half when the prediction is, or below when it is."""
    false_hope: int
    """Predicted to close, did not."""


def group_rows(rows: Rows) -> Groups | None:
    """Put packets of a link with one setting together; None where losses are not listed."""
    known = np.isfinite(rows.sent) & (rows.sent > 0) & np.isfinite(rows.heard)
    if not known.any():
        return None
    r = rows.only(known)
    at: dict[tuple, list[int]] = {}
    for i in range(len(r)):
        key = (
            r.receiver[i],
            r.link[i],
            *(str(x[i]) for x in (r.spreading_factor, r.bandwidth_hz, r.tx_power_dbm)),
        )
        at.setdefault(key, []).append(i)
    found = []
    for where in at.values():
        i = np.array(where)
        sent, heard = float(r.sent[i].sum()), float(r.heard[i].sum())
        if sent < FEWEST_SENT:
            continue
        middle = {
            name: _median(getattr(r, name)[i])
            for name in (
                "payload_bytes",
                "distance_m",
                "tx_height_m",
                "rx_height_m",
                "frequency_hz",
                "in_sight",
            )
        }
        found.append(
            {
                "link": r.link[i[0]],
                "receiver": r.receiver[i[0]],
                "sent": sent,
                "heard": heard,
                "snr_db": _median_of_all(r.snr_db[i], r.heard[i], sent),
                "heard_snr_db": _median(r.snr_db[i]),
                "spreading_factor": r.spreading_factor[i[0]],
                "bandwidth_hz": r.bandwidth_hz[i[0]],
                "tx_power_dbm": r.tx_power_dbm[i[0]],
                "inferred": False,
                "survivors": False,
                **middle,
            }
        )
    if not found or sum(f["heard"] < f["sent"] for f in found) == 0:
        return None
    texts = {"link", "receiver"}
    groups = Groups(
        **{k: np.array([f[k] for f in found], dtype=object if k in texts else None) for k in found[0]}
    )
    _infer_weak(groups)
    return groups


def threshold(groups: Groups) -> Threshold | None:
    """Where delivery is half, and how steep; None without SNR and spreading factor of enough groups."""
    usable = np.isfinite(groups.snr_db) & np.isin(groups.spreading_factor, np.arange(5, 13))
    if usable.sum() < 4:
        return None
    sf, sent, heard = (x[usable] for x in (groups.spreading_factor, groups.sent, groups.heard))
    margin = groups.snr_db[usable] - np.asarray(css.required_snr_db(sf))
    half, width = _logistic(margin, sent, heard)
    settings = set(zip(sf, groups.payload_bytes[usable], groups.bandwidth_hz[usable], strict=True))
    ideal = np.array([_ideal(*setting) for setting in settings])
    bins = []
    for low, high in itertools.pairwise(MARGIN_BINS_DB):
        inside = (margin >= low) & (margin < high)
        if inside.any():
            n, packets = int(inside.sum()), int(sent[inside].sum())
            bins.append((_interval(low, high), n, packets, float(heard[inside].sum()) / packets))
    by_factor = []
    for factor in np.unique(sf):
        at = sf == factor
        if at.sum() >= 4 and _crosses(heard[at] / sent[at]):
            by_factor.append((int(factor), _logistic(margin[at], sent[at], heard[at])[0], int(at.sum())))
    crossed = _crosses(heard / sent)
    return Threshold(
        groups=int(usable.sum()),
        packets=int(sent.sum()),
        inferred=int(groups.inferred[usable].sum()),
        survivors=int(groups.survivors[usable].sum()),
        half_db=half if crossed else math.nan,
        half_error_db=_jackknife(margin, sent, heard) if crossed else math.nan,
        width_db=width if crossed else math.nan,
        ideal_half_db=float(np.median(ideal[:, 0])),
        ideal_width_db=float(np.median(ideal[:, 1])),
        faded_width_db=10.0 * math.log10(math.log(0.1) / math.log(0.9)),
        by_factor=by_factor,
        bins=bins,
    )


def _crosses(share: np.ndarray) -> bool:
    return bool(share.min() < 0.5 < share.max())


def closing(groups: Groups, assumed: Assumed) -> list[Closing]:
    """Chance of a message by the plan's own figures, and from a reading at another setting of the link."""
    found = []
    known = np.isin(groups.spreading_factor, np.arange(5, 13))
    fading = [("rician", 10.0) if x == 1.0 else ("rayleigh", 0.0) for x in groups.in_sight]

    def chance(margin_db: np.ndarray, sigma_db: float) -> np.ndarray:
        return np.array(
            [
                math.nan
                if not math.isfinite(m)
                else message_success(float(m), sigma_db, fading=kind, rician_k_db=k)
                for m, (kind, k) in zip(margin_db, fading, strict=True)
            ]
        )

    reach = known & np.isfinite(groups.distance_m) & (groups.distance_m > 0.0)
    if reach.any():
        found.append(
            _judged(
                "from distance alone (default model)",
                chance(_planned_margin_db(groups, reach, assumed), Conditions().model_error_db),
                groups.ratio,
            )
        )
    elsewhere = np.array([_elsewhere_db(groups, i) for i in range(len(groups))])
    if (known & np.isfinite(elsewhere)).any():
        margin = np.full(len(groups), math.nan)
        margin[known] = elsewhere[known] - np.asarray(css.required_snr_db(groups.spreading_factor[known]))
        found.append(
            _judged(
                "from the SNR at another setting of the link", chance(margin, READING_ERROR_DB), groups.ratio
            )
        )
    return found


def _planned_margin_db(groups: Groups, which: np.ndarray, assumed: Assumed) -> np.ndarray:
    """Fade margin of a plan that knows distance, heights, power and settings, but no terrain."""
    paths = Paths(
        *(
            x[which]
            for x in (
                groups.distance_m,
                groups.tx_height_m,
                groups.rx_height_m,
                groups.frequency_hz,
                groups.in_sight,
            )
        )
    )
    with out_of_range_is_known():
        near = free_space(paths) + terminal_clutter(paths)
    loss = np.where(paths.distance_m < SHORTEST_M, near, losses(paths, [DEFAULT])[DEFAULT])
    power = groups.tx_power_dbm[which]
    power = np.where(np.isfinite(power), power, assumed.tx_power_dbm)
    sensitivity = css.sensitivity_dbm(groups.spreading_factor[which], groups.bandwidth_hz[which])
    margin = np.full(len(groups), math.nan)
    margin[which] = power + 2.0 * GAIN_DBI - loss - np.asarray(sensitivity)
    return margin


def _judged(what: str, chance: np.ndarray, ratio: np.ndarray) -> Closing:
    known = np.isfinite(chance)
    p, r = chance[known], ratio[known]
    bins = []
    for low, high in itertools.pairwise(CHANCE_BINS):
        inside = (p >= low) & ((p < high) | (high == CHANCE_BINS[-1]))
        n = int(inside.sum())
        bins.append((n, float(p[inside].mean()), float(r[inside].mean())) if n else (0, math.nan, math.nan))
    return Closing(
        what=what,
        groups=len(p),
        bins=bins,
        brier=float(np.mean((p - r) ** 2)),
        right=int(((p >= 0.5) == (r >= 0.5)).sum()),
        false_hope=int(((p >= 0.5) & (r < 0.5)).sum()),
    )


def _infer_weak(groups: Groups) -> None:
    """Give settings of which less than half got through the SNR that the link has at another one."""
    for i in np.flatnonzero(~np.isfinite(groups.snr_db)):
        found = _elsewhere_db(groups, i)
        groups.inferred[i] = math.isfinite(found)
        groups.survivors[i] = not groups.inferred[i] and math.isfinite(groups.heard_snr_db[i])
        groups.snr_db[i] = found if groups.inferred[i] else groups.heard_snr_db[i]


def _elsewhere_db(groups: Groups, i: int) -> float:
    """SNR expected at a setting from the best delivered other setting of the link: power and noise differ."""
    same = (groups.link == groups.link[i]) & (groups.receiver == groups.receiver[i])
    same &= np.isfinite(groups.snr_db) & ~groups.inferred & ~groups.survivors & (groups.ratio > 0.5)
    same[i] = False
    if not same.any():
        return math.nan
    best = np.flatnonzero(same)[np.argmax(groups.ratio[same])]
    change = 10.0 * math.log10(groups.bandwidth_hz[best] / groups.bandwidth_hz[i])
    powers = groups.tx_power_dbm[[i, best]]
    if np.isfinite(powers).all():
        change += powers[0] - powers[1]
    return float(groups.snr_db[best] + change)


def _median_of_all(snr_db: np.ndarray, heard: np.ndarray, sent: float) -> float:
    """Median over all that was sent, the lost taken to be weaker; NaN where it was lost."""
    got = np.isfinite(snr_db) & (heard > 0)
    values, weights = snr_db[got], heard[got]
    if 2.0 * weights.sum() <= sent or not len(values):
        return math.nan
    order = np.argsort(values)[::-1]
    return float(values[order][np.searchsorted(np.cumsum(weights[order]), sent / 2.0)])


def _median(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else math.nan


def _logistic(margin: np.ndarray, sent: np.ndarray, heard: np.ndarray) -> tuple[float, float]:
    """Margin of half delivery and width from 10 to 90 %, by maximum likelihood."""

    def cost(p: np.ndarray) -> float:
        z = np.clip((margin - p[0]) / math.exp(p[1]), -500.0, 500.0)
        return float(
            np.sum(heard * np.logaddexp(0.0, -z) + (sent - heard) * np.logaddexp(0.0, z)) / sent.sum()
        )

    found = minimize(
        cost, [0.0, 0.5], method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-9, "maxiter": 2000}
    )
    return float(found.x[0]), 2.0 * math.log(9.0) * math.exp(float(found.x[1]))


def _jackknife(margin: np.ndarray, sent: np.ndarray, heard: np.ndarray, blocks: int = 10) -> float:
    """Standard error of the half-delivery margin, leaving out a tenth of the groups at a time."""
    n = min(blocks, len(margin))
    block = np.arange(len(margin)) % n
    halves = np.array([_logistic(*(x[block != k] for x in (margin, sent, heard)))[0] for k in range(n)])
    return float(np.sqrt((n - 1) / n * ((halves - halves.mean()) ** 2).sum()))


def _ideal(spreading_factor: float, payload_bytes: float, bandwidth_hz: float) -> tuple[float, float]:
    """Half-delivery margin and width of the ideal demodulator at a steady SNR."""
    size = payload_bytes if 0.0 <= payload_bytes <= 255.0 else 20.0
    symbols = css.payload_symbols(round(size), spreading_factor=spreading_factor, bandwidth_hz=bandwidth_hz)
    required = float(css.required_snr_db(spreading_factor))

    def at(share: float) -> float:
        return float(
            brentq(lambda m: css.packet_success(required + m, spreading_factor, symbols) - share, -15.0, 15.0)
        )

    return at(0.5), at(0.9) - at(0.1)


def _interval(low: float, high: float) -> str:
    if low == -math.inf:
        return f"below {high:g}"
    return f"{low:g} and more" if high == math.inf else f"{low:g} to {high:g}"

"""Packet by packet: the spread within a link, and whether the receiver's two numbers fit together."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from linkcalc.link.reliability import rician_outage
from linkcalc.radio import css
from linkcalc.radio.receiver import THERMAL_NOISE_DBM_HZ
from linkcalc.radio.signal_level import signal_power_dbm
from tests.validation.measured.links import LIMIT_PERCENTILE
from tests.validation.measured.sets import Rows

FEWEST_PACKETS = 10
"""Of a link with one setting, for its spread to be looked at."""

CLEAR_OF_LIMIT_DB = 10.0
"""So far above the lowest believable signal, weak packets are seldom lost and the spread is hardly cut."""


@dataclass(frozen=True)
class Within:
    """How packets of one link scatter, over several links."""

    what: str
    links: int
    packets: int
    sd_db: float
    """Pooled over the links."""
    robust_db: float
    depth_db: float
    """From the median down to the weakest tenth."""
    next_db: float
    """From one packet to the next: the fast part, without drift."""
    like: str
    """Which fading has such a spread."""


@dataclass(frozen=True)
class Consistency:
    """RSSI, SNR and signal of the same packets."""

    packets: int
    largest_difference_db: float
    """Between the table's signal and the one computed from RSSI and SNR; NaN without such a column."""
    noise_db: tuple[float, float, float]
    """10 %, 50 % and 90 % points of signal less SNR, dBm."""
    thermal_dbm: float
    """Noise of an ideal receiver in the bandwidth."""
    below_thermal: float
    """Share of packets whose signal less SNR is below that."""
    snr_per_db: float
    """Growth of the median SNR for each dB of signal: 1 if only the receiver's noise is met."""
    highest_snr_db: float
    """99 % point."""


def within_links(rows: Rows) -> Iterator[Within]:
    """Spread of repeated packets, over all links, and in and out of sight where the set says which."""
    spreads = list(_deviations(rows))
    for what, chosen in (
        ("all links", spreads),
        ("in sight", [x for x in spreads if x[0] == 1.0]),
        ("out of sight", [x for x in spreads if x[0] == 0.0]),
    ):
        if not chosen:
            continue
        deviations = [x[1] for x in chosen]
        every = np.concatenate(deviations)
        free = len(every) - len(deviations)
        sd = math.sqrt(sum(float(((d - d.mean()) ** 2).sum()) for d in deviations) / free)
        steps = np.concatenate([np.diff(d) for d in deviations])
        yield Within(
            what=what,
            links=len(chosen),
            packets=len(every),
            sd_db=sd,
            robust_db=float(1.4826 * np.median(np.abs(every))),
            depth_db=float(-np.percentile(every, 10.0)),
            next_db=float(np.sqrt(np.mean(steps**2) / 2.0)),
            like=_like(sd),
        )


def consistency(rows: Rows) -> Consistency | None:
    """Do RSSI and SNR tell one story? None without both."""
    both = np.isfinite(rows.rssi_dbm) & np.isfinite(rows.snr_db)
    if both.sum() < FEWEST_PACKETS:
        return None
    r = rows.only(both)
    formula = np.asarray(signal_power_dbm(r.rssi_dbm, r.snr_db))
    difference = np.abs(r.given_signal_dbm - formula)
    noise = formula - r.snr_db
    thermal = THERMAL_NOISE_DBM_HZ + 10.0 * math.log10(float(np.median(r.bandwidth_hz)))
    quantiles = np.percentile(noise, [10.0, 50.0, 90.0])
    return Consistency(
        packets=len(r),
        largest_difference_db=float(np.nanmax(difference)) if np.isfinite(difference).any() else math.nan,
        noise_db=(float(quantiles[0]), float(quantiles[1]), float(quantiles[2])),
        thermal_dbm=thermal,
        below_thermal=float(np.mean(noise < thermal)),
        snr_per_db=_slope_of_medians(formula, r.snr_db),
        highest_snr_db=float(np.percentile(r.snr_db, 99.0)),
    )


def _deviations(rows: Rows) -> Iterator[tuple[float, np.ndarray]]:
    """Whether in sight, and levels less their median, of every link with one setting and enough packets."""
    single = np.isfinite(rows.signal_dbm) & (rows.heard == 1)
    limits = {
        name: float(np.percentile(rows.signal_dbm[single & (rows.receiver == name)], LIMIT_PERCENTILE))
        for name in set(rows.receiver[single])
    }
    keys = zip(
        rows.receiver,
        rows.link,
        rows.spreading_factor.astype(str),
        rows.bandwidth_hz.astype(str),
        rows.tx_power_dbm.astype(str),
        strict=True,
    )
    groups: dict[tuple, list[int]] = {}
    for i, key in enumerate(keys):
        groups.setdefault(key, []).append(i)
    for key, where in groups.items():
        at = np.array(where)
        level = rows.signal_dbm[at[single[at]]]
        if len(level) < FEWEST_PACKETS:
            continue
        sent = rows.sent[at]
        if np.isfinite(sent).all():
            if rows.heard[at].sum() < 0.9 * sent.sum():
                continue
        elif np.median(level) < _cut_dbm(rows, at[0], limits[key[0]]) + CLEAR_OF_LIMIT_DB:
            continue
        yield float(rows.in_sight[at[0]]), level - np.median(level)


def _cut_dbm(rows: Rows, i: int, limit_dbm: float) -> float:
    """Where the levels of a receiver are cut: its lowest signal, if that is near what a receiver can do."""
    factor = rows.spreading_factor[i]
    factor = factor if factor in range(5, 13) else 12.0
    able_dbm = float(css.sensitivity_dbm(factor, rows.bandwidth_hz[i]))
    return limit_dbm if limit_dbm < able_dbm + CLEAR_OF_LIMIT_DB else able_dbm


@lru_cache
def _of_fading(k_db: float) -> tuple[float, float, float]:
    """Standard deviation and robust one of the level, and from the median down to the weakest tenth, dB."""
    level = np.arange(-70.0, 15.0, 0.05)
    below = np.asarray(rician_outage(-level, k_db))
    weight = np.diff(below)
    middle = 0.5 * (level[1:] + level[:-1])
    mean = float((weight * middle).sum())
    median, tenth = np.interp([0.5, 0.1], below, level)
    order = np.argsort(np.abs(middle - median))
    absolute = np.abs(middle - median)[order]
    half = float(absolute[np.searchsorted(np.cumsum(weight[order]), 0.5)])
    return math.sqrt(float((weight * (middle - mean) ** 2).sum())), 1.4826 * half, float(median - tenth)


def _like(sd_db: float) -> str:
    """The Rician K whose level spreads as much."""
    rayleigh = _of_fading(-math.inf)[0]
    if sd_db > 0.95 * rayleigh:
        return "Rayleigh" if sd_db < 1.05 * rayleigh else "wider than Rayleigh"
    candidates = np.arange(-10.0, 21.0, 2.0)
    spreads = np.array([_of_fading(float(k))[0] for k in candidates])
    k = float(np.interp(-sd_db, -spreads, candidates))
    return f"Rician, K {k:.0f} dB" if k < 20.0 else "hardly any"


def _slope_of_medians(signal: np.ndarray, snr: np.ndarray) -> float:
    """Of the SNR by signal, over bins of 5 dB with 20 packets or more; NaN with fewer than three bins."""
    bins = np.floor(signal / 5.0)
    at = [b for b in np.unique(bins) if (bins == b).sum() >= 20]
    if len(at) < 3:
        return math.nan
    x = np.array([np.median(signal[bins == b]) for b in at])
    y = np.array([np.median(snr[bins == b]) for b in at])
    return float(np.polyfit(x, y, 1)[0])

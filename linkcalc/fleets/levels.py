"""How strong fading signals come in: their levels over the weakest that is received."""

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from linkcalc._arrays import Floats
from linkcalc.fleets.network import FADING_K_DB
from linkcalc.link.reliability import rician_outage

_BIN_DB, _TOP_DB = 0.5, 120.0
"""Step and end of the levels above the weakest that is received; what is stronger counts as the end."""
_EDGES_DB = np.arange(0.0, _TOP_DB + _BIN_DB / 2.0, _BIN_DB)
MIDDLES_DB = np.append(_EDGES_DB[:-1] + _BIN_DB / 2.0, _TOP_DB)
STEP_DB = 0.25
MARGINS_DB = np.arange(-60.0, 150.0 + STEP_DB / 2.0, STEP_DB)


@cache
def _fading_table(kind: int) -> tuple[Floats, Floats]:
    """Chance that a fading signal is above a level, by how far its mean is above it."""
    over = np.arange(-40.0, 130.0, 0.02)
    return over, np.asarray(1.0 - rician_outage(over, FADING_K_DB[kind]))


def above(fading: NDArray[np.int8], over_db: Floats) -> Floats:
    """Chance that fading signals, (n,), are above a level that their mean is `over_db` above, (n, ...).

    >>> above(np.array([0, 3], dtype=np.int8), np.array([[20.0], [20.0]])).round(3).ravel().tolist()
    [0.996, 1.0]
    """
    chance = np.empty(over_db.shape)
    for kind in range(len(FADING_K_DB)):
        own = fading == kind
        if own.any():
            chance[own] = np.interp(over_db[own], *_fading_table(kind))
    return chance


def level_shares(fading: NDArray[np.int8], margin_db: Floats) -> Floats:
    """Chance that a signal falls into each step of level above the weakest that is received, (n, steps).

    What is missing to 1 is too weak.
    """
    reached = above(fading, margin_db[:, np.newaxis] - _EDGES_DB)
    return np.concatenate([reached[:, :-1] - reached[:, 1:], reached[:, -1:]], axis=1)


def received_level_shares(fading: NDArray[np.int8], margin_db: Floats) -> Floats:
    """`level_shares` of those signals that are received: they add up to 1."""
    shares = level_shares(fading, margin_db)
    return np.asarray(shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-300))


_STRIDE = round(_BIN_DB / STEP_DB)
_REACH = _STRIDE * (_EDGES_DB.size - 1)
_LENGTH = next_fast_len(MARGINS_DB.size + _REACH, real=True)


@cache
def _transformed(kind: int) -> NDArray[np.complex128]:
    """Fourier transform of the chance that a fading signal is above a level."""
    over = MARGINS_DB[0] + STEP_DB * (np.arange(MARGINS_DB.size + _REACH) - _REACH)
    return np.asarray(rfft(above(np.full(1, kind, dtype=np.int8), over[np.newaxis])[0], _LENGTH))


def received_by_margin(fading: NDArray[np.int8], survival: Floats) -> Floats:
    """Chance that a try is received, by the mean margin of its signal, (n, margins).

    The sum over the steps of level depends on the difference of margin and step alone: a convolution. What
    wraps around falls on margins that are cut away.
    """
    # levels lie on a coarser grid than margins: each step of survival stands at every _STRIDE-th place
    # summed by parts: where survival rises, times the chance that the level is above that step
    rise = np.zeros((survival.shape[0], _REACH + 1))
    rise[:, ::_STRIDE] = np.diff(survival, axis=1, prepend=0.0)
    spectrum = rfft(rise, _LENGTH, axis=1)
    for kind in range(len(FADING_K_DB)):
        spectrum[fading == kind] *= _transformed(kind)
    return np.asarray(irfft(spectrum, _LENGTH, axis=1)[:, _REACH : _REACH + MARGINS_DB.size])

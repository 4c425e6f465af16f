"""Readings of level taken apart into signal and noise, by what is predicted for each.

An RSSI is signal and noise together, an SNR their ratio until it saturates: the RSSI is trusted where the signal is
strong, the SNR where it is weak. docs/models/reading_level.md has it with the rest.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkcalc._arrays import Floats
from linkcalc.link.case import ENDS_OF, LinkCase
from linkcalc.radio.signal_level import SNR_BELIEVED_DB, noise_power_dbm, signal_power_dbm
from linkcalc.site.readings import Reading, Way

_IMPOSSIBLE_DB = 3.0
"""So far below thermal noise no register's offset reaches."""
_UNDECODABLE_DB = 3.0
"""So far below the SNR a signal needs no packet was received."""
_AT_NOISE_DB = 3.0
"""An RSSI closer to the noise than this says nothing about the signal."""


@dataclass(frozen=True)
class Expected:
    """What is predicted for one direction in one state."""

    level_dbm: float
    noise_dbm: float
    thermal_dbm: float
    margin_db: float
    required_snr_db: float

    @classmethod
    def of(cls, case: LinkCase, way: Way, foliage_db: float = 0.0) -> "Expected":
        """Expect it of a link, `foliage_db` stronger than its model says."""
        b = case.budget(way)
        noises = case.noise(case.station(ENDS_OF[way][1]))
        return cls(
            b.received_power_dbm + foliage_db,
            b.noise_power_dbm,
            float(noises.thermal_dbm),
            b.fade_margin_db + foliage_db,
            case.signal.required_snr_db,
        )

    def margin_heard_db(self, reading: Reading) -> float | None:
        """Margin of one packet by its SNR, or by its level where the SNR saturates; None where it has no SNR."""
        rssi, snr = reading.rssi_dbm, reading.snr_db
        if snr is not None and snr >= SNR_BELIEVED_DB and rssi is not None:
            snr = float(signal_power_dbm(rssi, snr, self.noise_dbm)) - self.noise_dbm
        return None if snr is None else snr - self.required_snr_db


@dataclass(frozen=True)
class LevelReadings:
    """Readings of level, taken apart into signal and noise; NaN where a reading does not tell."""

    signal_dbm: Floats
    head_db: Floats
    """Signal over sensitivity."""
    noise_dbm: Floats
    noise_most_dbm: Floats
    """What the noise is below, where a reading tells only that."""
    saturated: NDArray[np.bool_]
    impossible: tuple[str, ...]
    """Rows whose RSSI and SNR contradict each other; the level is the SNR's."""
    undecodable: tuple[str, ...]
    """Rows with an SNR at which nothing is received."""
    at_noise: tuple[str, ...]
    """Rows with an RSSI at the noise and no SNR, which say nothing about the signal."""

    @property
    def usable(self) -> NDArray[np.bool_]:
        return np.isfinite(self.signal_dbm)

    def warnings(self, way: str, signal: str) -> Iterable[str]:
        """What does not fit, in words."""
        told = (
            (
                self.impossible,
                "impossible, RSSI and SNR put the noise below thermal noise; the level is taken from the SNR: "
                "check the RSSI register's offset and the bandwidth",
            ),
            (
                self.undecodable,
                f"received at an SNR that {signal}, or the signal the row states, cannot decode: another "
                "spreading factor than that, or not the packet's SNR?",
            ),
            (self.at_noise, "an RSSI at the noise, which tells no level; log the SNR too"),
        )
        return [f"{way}: {row_words(rows)} {what}" for rows, what in told if rows]


def read_levels(readings: Sequence[Reading], expected: Sequence[Expected]) -> LevelReadings:
    """Take readings apart into signal and noise: the RSSI is trusted where strong, the SNR where weak."""

    def column(values: Iterable[float | None]) -> Floats:
        return np.array([math.nan if v is None else v for v in values], dtype=np.float64)

    rssi, snr = column(r.rssi_dbm for r in readings), column(r.snr_db for r in readings)
    row = np.array([r.place for r in readings], dtype=object)
    required_snr_db = column(e.required_snr_db for e in expected)
    noise, thermal = column(e.noise_dbm for e in expected), column(e.thermal_dbm for e in expected)
    believed, saturated = snr < SNR_BELIEVED_DB, snr >= SNR_BELIEVED_DB
    both = np.isfinite(rssi) & np.isfinite(snr)
    signal, heard_noise = np.full_like(rssi, math.nan), np.full_like(rssi, math.nan)
    signal[both] = signal_power_dbm(rssi[both], snr[both], noise[both])
    heard_noise[both] = noise_power_dbm(rssi[both], snr[both])
    # no radio hears noise below the thermal: of the two readings the SNR is a ratio, which no offset spoils
    impossible = both & (np.nan_to_num(heard_noise) < thermal - _IMPOSSIBLE_DB)
    by_snr = believed & (impossible | ~np.isfinite(rssi))
    signal = np.where(impossible, math.nan, signal)
    signal = np.where(by_snr, noise + snr, signal)
    # an RSSI alone is a level only where it stands clear of the noise, as if its SNR were saturated
    alone = np.isfinite(rssi) & ~np.isfinite(snr)
    clear = alone & (rssi > noise + _AT_NOISE_DB)
    signal[clear] = signal_power_dbm(rssi[clear], np.full(int(clear.sum()), SNR_BELIEVED_DB), noise[clear])
    head = np.where(believed, snr, signal - noise) - required_snr_db
    # where the SNR tells no noise, that the packet was heard bounds it
    most = np.where(both & saturated & ~impossible, heard_noise, signal - required_snr_db)
    return LevelReadings(
        signal_dbm=signal,
        # no lower: further below than a reading errs, what was heard would have a density of 0 everywhere
        head_db=np.maximum(head, -_UNDECODABLE_DB),
        noise_dbm=np.where(both & believed & ~impossible, heard_noise, math.nan),
        noise_most_dbm=np.where(np.isfinite(signal) & ~(both & believed), most, math.nan),
        saturated=saturated,
        impossible=tuple(row[impossible].tolist()),
        undecodable=tuple(row[snr < required_snr_db - _UNDECODABLE_DB].tolist()),
        at_noise=tuple(row[alone & ~clear].tolist()),
    )


def row_words(rows: Sequence[str]) -> str:
    """Name the first of them: "row 3 is", "rows 3, 8 are"."""
    shown = ", ".join(rows[:6]) + (", ..." if len(rows) > 6 else "")
    return f"row {shown} is" if len(rows) == 1 else f"rows {shown} are"

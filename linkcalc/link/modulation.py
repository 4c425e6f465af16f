"""What a link's signal asks of a receiver: bandwidth, required SNR and time on air, of any modulation."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from linkcalc.plan import ChirpModulation, FskModulation
from linkcalc.radio import css, fsk


@dataclass(frozen=True)
class Signal:
    """The figures a budget and an airtime need, whatever the modulation.

    Examples
    --------
    >>> from linkcalc.plan import ChirpModulation
    >>> signal = Signal.of(ChirpModulation(kind="css", spreading_factor=10))
    >>> signal.required_snr_db, round(signal.time_on_air_s(20), 6), signal.text
    (-15.0, 0.370688, 'CSS SF10, 125 kHz, 4/5')
    """

    modulation: ChirpModulation | FskModulation
    bandwidth_hz: float
    required_snr_db: float
    text: str

    @classmethod
    def of(cls, modulation: ChirpModulation | FskModulation) -> "Signal":
        """Read the figures off a plan's modulation."""
        if isinstance(modulation, ChirpModulation):
            return cls(
                modulation,
                bandwidth_hz=modulation.bandwidth_khz * 1e3,
                required_snr_db=css.required_snr_db(modulation.spreading_factor),
                text=f"CSS SF{modulation.spreading_factor}, {modulation.bandwidth_khz:g} kHz, "
                f"{modulation.coding_rate}",
            )
        bandwidth_hz = (
            fsk.carson_bandwidth_hz(modulation.bit_rate_bps, modulation.deviation_hz)
            if modulation.bandwidth_khz is None
            else modulation.bandwidth_khz * 1e3
        )
        return cls(
            modulation,
            bandwidth_hz=bandwidth_hz,
            required_snr_db=modulation.required_snr_db,
            text=f"FSK {modulation.bit_rate_bps / 1e3:g} kbit/s, {bandwidth_hz / 1e3:g} kHz",
        )

    @property
    def transmitted_bandwidth_hz(self) -> float:
        """What the signal itself takes, whatever the receiver lets through: what the law asks for."""
        m = self.modulation
        if isinstance(m, ChirpModulation):
            return self.bandwidth_hz
        return float(fsk.carson_bandwidth_hz(m.bit_rate_bps, m.deviation_hz))

    def time_on_air_s(self, payload_bytes: int) -> float:
        """Time one message of that payload occupies the channel, s."""
        m = self.modulation
        if isinstance(m, ChirpModulation):
            return _css_time_on_air_s(
                payload_bytes,
                spreading_factor=m.spreading_factor,
                bandwidth_hz=self.bandwidth_hz,
                coding_rate=m.coding_rate,
                preamble_symbols=m.preamble_symbols,
                explicit_header=m.explicit_header,
                crc=m.crc,
                low_data_rate_optimisation=m.low_data_rate_optimisation,
            )
        return float(
            fsk.time_on_air_s(
                payload_bytes,
                bit_rate_bps=m.bit_rate_bps,
                preamble_bytes=m.preamble_bytes,
                sync_bytes=m.sync_bytes,
                overhead_bytes=m.overhead_bytes,
            )
        )


@lru_cache(maxsize=1024)
def _css_time_on_air_s(payload_bytes: int, **signal: Any) -> float:
    """Kept: a sweep asks for the same few messages again at every power and height."""
    return float(css.time_on_air_s(payload_bytes, **signal))

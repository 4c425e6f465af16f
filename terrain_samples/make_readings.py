"""Make the sample readings of the upland link: invented, always the same.

    python terrain_samples/make_readings.py

writes the readings beside this script (or into the folder named as argument). Nobody measured them: levels
are drawn around a stated one with Rayleigh fading, noise and packet losses as a receiver would show them.

- upland_readings.csv: a morning of bursts both ways, the engine stopped at first and running later; one
  reading is mistyped.
- upland_spots.csv: five spots tried for the tank's antenna.
"""

import sys
from pathlib import Path

import numpy as np

INVENTED = "# Invented readings: drawn from a seeded generator, see make_readings.py. Nobody measured them."

LEVEL_DBM = -116.5
"""A few decibels better than the plan predicts."""
NOISE_DBM = {"forward": -116.0, "return": -117.0}
ENGINE_DB = {"forward": 7.0, "return": 0.0}
"""What the engine adds to the noise at the shed."""
REQUIRED_SNR_DB = -10.0


def main(folder: Path) -> None:
    """Write both files into a folder."""
    (folder / "upland_readings.csv").write_text(readings())
    (folder / "upland_spots.csv").write_text(spots())


def readings() -> str:
    """Twelve bursts of ten packets each way."""
    rng = np.random.default_rng(30)
    lines = [INVENTED, "time,direction,rssi_dbm,snr_db,sent,received,engine_running,note"]
    for burst in range(12):
        for way, minute in (("forward", 0), ("return", 5)):
            running = burst >= 6
            noise = NOISE_DBM[way] + ENGINE_DB[way] * running
            rssi, snr, heard = heard_in_burst(rng, LEVEL_DBM, noise, 10)
            note = ""
            if (burst, way) == (4, "forward"):
                rssi, note = "-83", "mistyped"
            time = f"2026-03-14T{8 + burst // 3:02d}:{20 * (burst % 3) + minute:02d}"
            engine = "yes" if running else "no"
            lines.append(f"{time},{way},{rssi},{snr},10,{heard},{engine},{note}")
    return "\n".join(lines) + "\n"


def spots() -> str:
    """Four bursts from each of five spots, the last one behind a rise."""
    rng = np.random.default_rng(31)
    lines = [
        INVENTED,
        "direction,rssi_dbm,snr_db,sent,received,engine_running,spot,latitude_deg,longitude_deg",
    ]
    places = (
        ("tank roof", -115.0, -40.01736, -20.03736),
        ("fence corner", -111.5, -40.01698, -20.03651),
        ("ridge post", -106.5, -40.01662, -20.03742),
        ("pump pad", -118.0, -40.01779, -20.03690),
        ("gully", -131.0, -40.01801, -20.03781),
    )
    for name, level, latitude, longitude in places:
        for _ in range(4):
            rssi, snr, heard = heard_in_burst(rng, level, NOISE_DBM["forward"], 10)
            lines.append(f"there,{rssi},{snr},10,{heard},no,{name},{latitude},{longitude}")
    return "\n".join(lines) + "\n"


def heard_in_burst(rng: np.random.Generator, level: float, noise: float, sent: int) -> tuple[str, str, int]:
    """Median RSSI and SNR of a burst's packets that were heard, as registers show them, and their number."""
    signal = level + 10 * np.log10(rng.exponential(size=sent))
    snr = signal - noise
    heard = snr >= REQUIRED_SNR_DB
    if not heard.any():
        return "", "", 0
    rssi = 10 * np.log10(10 ** (signal[heard] / 10) + 10 ** (noise / 10)) + rng.normal(0.0, 0.8, heard.sum())
    shown = np.minimum(snr[heard] + rng.normal(0.0, 0.4, heard.sum()), 9.0)
    return f"{np.median(rssi):.0f}", f"{round(4 * float(np.median(shown))) / 4:g}", int(heard.sum())


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)

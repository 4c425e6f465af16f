"""Constants, and the units at the end of key names: which one a key is in, and what a value in another would be."""

import math
import re

SPEED_OF_LIGHT_M_S = 299_792_458.0
"""Exact, SI."""

BOLTZMANN_J_K = 1.380649e-23
"""Exact, SI (2019)."""

REFERENCE_TEMPERATURE_K = 290.0
"""T0 of the noise figure's definition (ITU-R P.372)."""

EARTH_RADIUS_M = 6_371_000.0
"""Mean radius used by the ITU-R P series for effective-earth geometry."""

DBI_OVER_DBD_DB = 10.0 * math.log10(1.6409223769)
"""Directivity of a lossless half-wave dipole, 2.15 dBi: EIRP = ERP + this (textbook: 1.6409)."""

METRES_PER_FOOT = 0.3048
"""International foot, exact."""

METRES_PER_US_SURVEY_FOOT = 1200.0 / 3937.0
"""US survey foot, exact."""

_FACTORS = {
    "length": {"m": 1.0, "km": 1e3, "cm": 1e-2, "mm": 1e-3, "ft": METRES_PER_FOOT, "feet": METRES_PER_FOOT,
               "in": METRES_PER_FOOT / 12.0, "yd": 3.0 * METRES_PER_FOOT, "mi": 5280.0 * METRES_PER_FOOT},
    "flow": {"m3_h": 1.0, "l/h": 1e-3, "l/min": 0.06, "gpm": 0.003785411784 * 60.0, "gph": 0.003785411784},
    "fuel": {"l_per_h": 1.0, "gph": 3.785411784},
    "frequency": {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9},
    "time": {"ms": 1e-3, "s": 1.0, "sec": 1.0, "min": 60.0, "minutes": 60.0, "h": 3600.0, "hours": 3600.0,
             "day": 86400.0, "days": 86400.0},
    "rate": {"bps": 1.0, "kbps": 1e3},
    "share": {"": 1.0, "percent": 0.01},
}  # fmt: skip
_WATTS = {"uw": 1e-6, "mw": 1e-3, "w": 1.0, "kw": 1e3}
_NOT_CONVERTED = {
    "db", "dbi", "dbd", "dbm", "deg", "n", "bytes", "symbols", "a", "ma", "v", "wh", "ah", "mah",
}  # fmt: skip
STATED = re.compile(r"\s*([-+]?\d+(?:\.\d+)?)\s*([A-Za-z]+(?:/[A-Za-z]+)?)\s*")
_ALL = (
    {unit for table in _FACTORS.values() for unit in table if unit.isalpha()} | set(_WATTS) | _NOT_CONVERTED
)


def split_unit(key: str) -> tuple[str, str]:
    """Split a key into what it names and its unit.

    >>> split_unit("antenna_height_m"), split_unit("tries")
    (('antenna_height', 'm'), ('tries', ''))
    """
    stem, _, unit = key.lower().rpartition("_")
    return (stem, unit) if stem and unit in _ALL else (key.lower(), "")


def converted(value: float, unit: str, wanted: str) -> float | None:
    """Convert a value between two units that a key may end with; None where they do not compare.

    >>> converted(868e6, "hz", "mhz"), round(converted(25, "mw", "dbm"), 2), converted(1, "m", "mhz")
    (868.0, 13.98, None)
    """
    unit, wanted = unit.lower(), wanted.lower()
    if wanted == "dbm" and unit in _WATTS and value > 0:
        return 10.0 * math.log10(value * _WATTS[unit] * 1e3)
    for factors in (*_FACTORS.values(), _WATTS):
        if unit in factors and wanted in factors:
            return value * factors[unit] / factors[wanted]
    return None


def stated_in(key: str, text: str) -> float | str:
    """Return the number that a key takes for a figure with a unit, or the text as it stands.

    >>> stated_in("antenna_height_m", "12 ft"), stated_in("pump_flow_m3_h", "22 gpm"), stated_in("name", "12 ft")
    (3.6576, 4.99674355488, '12 ft')
    >>> stated_in("antenna_height_m", "12 dB"), stated_in("antenna_height_m", "12")
    ('12 dB', '12')
    """
    found = STATED.fullmatch(text)
    wanted = next((u for u in ("m3_h", "l_per_h") if key.endswith(f"_{u}")), split_unit(key)[1])
    number = converted(float(found[1]), found[2], wanted) if found and wanted else None
    return text if number is None else float(f"{number:.12g}")


def takes_units(key: str) -> bool:
    """Whether a number of this key may be stated in another unit."""
    return key.endswith(("_m3_h", "_l_per_h")) or any(
        split_unit(key)[1] in units for name, units in _FACTORS.items() if name != "share"
    )


def sister_units(unit: str) -> list[str]:
    """List the units a number may have been given in by mistake, for frequencies and shares."""
    for name in ("frequency", "share"):
        if unit in _FACTORS[name]:
            return [other for other in _FACTORS[name] if other != unit]
    return []

"""Figures of a record in words."""

import math
import re
from datetime import date

from linkcalc.views.page import NO_BREAK
from linkcalc.views.words import decibel_words, rounded

_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)

_TERMINAL = re.compile(r"; (see )?linkcalc \w+$| \(--\w+ says it\)")


def without_commands(line: str) -> str:
    """What a line for the terminal says to somebody who has none."""
    return _TERMINAL.sub("", line)


def level(power_dbm: float | None) -> str:
    """A power level."""
    return "not measured" if power_dbm is None else decibel_words(power_dbm, "dBm")


def metres(height_m: float) -> str:
    """A height with one decimal."""
    return f"{rounded(height_m, 1)} m"


def degrees(bearing_deg: float) -> str:
    """A bearing in three figures, and a tenth."""
    return f"{round(bearing_deg, 1) % 360.0:05.1f}°"


def power(power_dbm: float) -> str:
    """A power as radios are set and as people speak of it."""
    milliwatts = 10.0 ** (power_dbm / 10.0)
    decimals = max(0, 2 - math.floor(math.log10(milliwatts)))
    return f"{level(power_dbm)} ({milliwatts:.{decimals}f}{NO_BREAK}mW)"


def date_words(day: date) -> str:
    """A date that nobody takes for another."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"

"""A sweep in words: what was varied, how much of it closes, and the figures where a page can hold them."""

import math
from typing import Any, Unpack

import numpy as np

from linkcalc.sweeps.table import QUANTITIES, Sweep
from linkcalc.units import split_unit
from linkcalc.views.page import Page, Screen
from linkcalc.views.words import VERDICTS_IN_TEXT

_WORDS = {
    "delta_n": ("refractivity lapse", "N-units/km"),
    "surface_refractivity_n0": ("surface refractivity", "N-units"),
    "feeder.loss_db_per_100m": ("feeder loss", "dB per 100 m"),
    "k_factor": ("k factor", ""),
    "distance_m": ("distance", "m"),
    "crc": ("CRC", ""),
}
_UNITS = {
    "mhz": "MHz", "khz": "kHz", "hz": "Hz", "dbm": "dBm", "db": "dB", "dbi": "dBi", "dbd": "dBd", "deg": "°",
    "bps": "bit/s",
}  # fmt: skip

_SHORT = {
    "weaker_fade_margin_db": "margin of the weaker direction",
    "spare_margin_db": "margin over the required one",
    "fade_margin_db": "margin from {near} to {far}",
    "return_fade_margin_db": "margin from {far} to {near}",
    "required_margin_db": "required margin from {near} to {far}",
    "return_required_margin_db": "required margin from {far} to {near}",
    "delivery_probability": "success from {near} to {far}",
    "return_delivery_probability": "success from {far} to {near}",
    "received_power_dbm": "power received at {far}",
    "return_received_power_dbm": "power received at {near}",
    "sensitivity_dbm": "sensitivity at {far}",
    "return_sensitivity_dbm": "sensitivity at {near}",
    "eirp_dbm": "EIRP of {near}",
    "return_eirp_dbm": "EIRP of {far}",
    "time_on_air_s": "time on air from {near} to {far}",
    "return_time_on_air_s": "time on air from {far} to {near}",
    "charge_mc": "charge for one message of {near}",
    "path_loss_db": "path loss",
    "clearance_ratio": "least clearance in first Fresnel zones",
}
"""What a picture or a table calls an array of numbers."""

_MOST_ROWS, _MOST_COLUMNS = 40, 8
_BEST = 8


def sweep_report(found: Sweep, quantity: str = "weaker_fade_margin_db", **screen: Unpack[Screen]) -> str:
    page = Page(**screen)
    page.wrap(f"{found.link}: {found.size} combinations", bold=True)
    for name in found.dims:
        own = found.planned[name]
        plan = "" if own is None else f"; in the plan {value_words(name, own)}"
        words = parameter_words(found, name, unit=False)
        page.fact(f"{words}: {_range_words(name, found.coords[name])}{plan}")
    verdicts = found["verdict"]
    page.blank()
    counts = (f"{words}: {int((verdicts == word).sum())}" for word, words in VERDICTS_IN_TEXT.items())
    page.wrap(", ".join(counts))
    numbers = found[quantity]
    page.wrap(
        f"{quantity_words(found, quantity)}: {_number(quantity, numbers.min())} to"
        f" {_number(quantity, numbers.max())} {QUANTITIES[quantity].unit}".rstrip()
    )
    page.blank()
    columns = len(found.coords[found.dims[1]]) if len(found.dims) == 2 else 1
    if len(found.dims) <= 2 and len(found.coords[found.dims[0]]) <= _MOST_ROWS and columns <= _MOST_COLUMNS:
        _grid(page, found, quantity)
    else:
        _best(page, found, quantity)
    for line in found.warnings:
        page.item(line)
    return page.text()


def _grid(page: Page, found: Sweep, quantity: str) -> None:
    """One row for each value of the first parameter, one column for each of the second."""
    rows = found.dims[0]
    numbers = found[quantity].reshape(len(found.coords[rows]), -1)
    verdicts = found["verdict"].reshape(numbers.shape)
    page.wrap(f"Rows: {parameter_words(found, rows)}.")
    heads = [""]
    if len(found.dims) == 2:
        page.wrap(f"Columns: {parameter_words(found, found.dims[1])}.")
        heads = [_bare(value) for value in found.coords[found.dims[1]].tolist()]
    first = 14
    widths = [first, *[min(14, max(9, (page.width - 2 - first) // len(heads)))] * len(heads)]
    if any(heads):
        page.row(["", *heads], widths)
    marks = {"closes": " ", "at_risk": "?", "does_not_close": "x"}
    for value, row, words in zip(found.coords[rows].tolist(), numbers, verdicts, strict=True):
        cells = [_number(quantity, n) + " " + marks[v] for n, v in zip(row, words, strict=True)]
        page.row([_bare(value), *cells], widths)
    if (verdicts != "closes").any():
        page.wrap("? at risk; x does not close.")


def _best(page: Page, found: Sweep, quantity: str) -> None:
    """The combinations with most to spare."""
    spare = np.nan_to_num(found["spare_margin_db"].ravel(), nan=-math.inf)
    order = np.argsort(-spare, kind="stable")[:_BEST]
    page.wrap(f"Most margin over the required one, {len(order)} of {found.size}:")
    axes = np.unravel_index(order, found.shape)
    for number, cell in enumerate(zip(*axes, strict=True), 1):
        values = ", ".join(
            f"{parameter_words(found, name, unit=False)} {value_words(name, found.coords[name][i].item())}"
            for name, i in zip(found.dims, cell, strict=True)
        )
        amount = f"{_number(quantity, found[quantity][cell])} {QUANTITIES[quantity].unit}".rstrip()
        page.wrap(f"{number}. {amount}: {values}", indent=2, hanging=5)


def parameter_words(found: Sweep, name: str, *, unit: bool = True) -> str:
    """Return what a sweep calls a parameter, with its unit."""
    end, _, key = name.partition(".") if name.startswith(("near.", "far.")) else ("", "", name)
    words, measured = _key_words(key)
    if end:
        words += f" at {found.ends[0 if end == 'near' else 1]}"
    return f"{words}, {measured}" if unit and measured else words


def value_words(name: str, value: Any) -> str:
    """Return a value of a parameter with its unit."""
    measured = _key_words(name.removeprefix("near.").removeprefix("far."))[1]
    if isinstance(value, str | bool) or not measured:
        return _bare(value)
    return f"{_bare(value)}{'' if measured == '°' else ' '}{measured}"


def quantity_words(found: Sweep, quantity: str) -> str:
    """Return what a picture or a table calls an array of a sweep's numbers."""
    return _SHORT[quantity].format(near=found.ends[0], far=found.ends[1])


def numeric_quantities() -> tuple[str, ...]:
    """Return the arrays of a sweep that hold numbers."""
    return tuple(_SHORT)


def _key_words(key: str) -> tuple[str, str]:
    """Words and unit of a key without its station."""
    if key in _WORDS:
        return _WORDS[key]
    stem, measured = split_unit(key)
    return stem.replace(".", " ").replace("_", " "), _UNITS.get(measured, measured)


def _range_words(name: str, values: Any) -> str:
    listed = values.tolist()
    if len(listed) <= 4:
        return ", ".join(value_words(name, v) for v in listed)
    if isinstance(listed[0], str):
        return f"{len(listed)} of them, {listed[0]} to {listed[-1]}"
    return f"{_bare(min(listed))} to {value_words(name, max(listed))}, {len(listed)} values"


def _bare(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value).replace("_", " ")


def _number(quantity: str, value: float) -> str:
    if not math.isfinite(value):
        return "n/a"
    return f"{value:.1f}" if QUANTITIES[quantity].unit in ("dB", "dBm") else f"{value:.4g}"

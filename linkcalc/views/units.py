"""Units of what people read: metric or US customary, in one place, so that no output mixes them.

Results, JSON and CSV stay in SI. Text and pictures are made in metres; where they go out (`Page`, `style.render`,
`html.page`) every quantity in a finished sentence is put into the units that are in force, and so is every axis.
"""

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from linkcalc.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from matplotlib.axis import Axis

System = Literal["metric", "us"]

METRES_PER_MILE = 5280.0 * METRES_PER_FOOT
LITRES_PER_GALLON = 3.785411784
"""US liquid gallon: 231 cubic inches, exact."""


@dataclass(frozen=True)
class _Unit:
    """What a metric unit is shown as."""

    name: str
    size: float
    """Of the metric unit in this one."""


_US: Mapping[str, _Unit] = {
    "m": _Unit("ft", 1.0 / METRES_PER_FOOT),
    "km": _Unit("mi", 1000.0 / METRES_PER_MILE),
    "cm": _Unit("in", 0.01 * 12.0 / METRES_PER_FOOT),
    "mm": _Unit("in", 0.001 * 12.0 / METRES_PER_FOOT),
    "m²": _Unit("sq ft", METRES_PER_FOOT**-2),
    "km²": _Unit("sq mi", (METRES_PER_MILE / 1000.0) ** -2),
    "m³": _Unit("gal", 1000.0 / LITRES_PER_GALLON),
    "m³/h": _Unit("gpm", 1000.0 / LITRES_PER_GALLON / 60.0),
    "l": _Unit("gal", 1.0 / LITRES_PER_GALLON),
    "litres": _Unit("gal", 1.0 / LITRES_PER_GALLON),
    "metre": _Unit("foot", 1.0 / METRES_PER_FOOT),
}

_NUMBER = r"(?<![\w.,^/])[-+−]?(?:\d{1,3}(?:[ \u00a0]\d{3})+|\d+)(?:\.\d+)?"
_SPACE = r"[ \u00a0]"
_QUANTITY = re.compile(
    rf"(?P<numbers>{_NUMBER}(?:(?: to |–| and | or |, | × | x ){_NUMBER})*){_SPACE}"
    r"(?P<unit>km²|m²|m³/h|m³|litres|km|cm|mm|m|l)(?![\w²³/^·])"
)
_LABEL = re.compile(r"(?P<before>, |\(|^)(?P<unit>km|m³|m²|m|litres)(?=$|\)| (?:east|north) of )")

_current: ContextVar[System] = ContextVar("units", default="metric")


@contextmanager
def shown_in(system: System) -> Iterator[None]:
    """Show text and pictures in these units inside."""
    token = _current.set(system)
    try:
        yield
    finally:
        _current.reset(token)


def use(system: System) -> None:
    _current.set(system)


def current() -> System:
    return _current.get()


def words(text: str) -> str:
    """Put every length, area and volume of a finished sentence into the units in force, no figure less precise."""
    if current() == "metric":
        return text
    text = _QUANTITY.sub(_converted, text)
    return text.replace("half a metre", "20 in")


def label(text: str) -> str:
    """Name the unit in force where a head of a column or an axis names a metric one; figures go with `figure`."""
    if current() == "metric":
        return text
    return _LABEL.sub(lambda m: m["before"] + _US[m["unit"]].name, text)


def _converted(match: re.Match[str]) -> str:
    unit = _US[match["unit"]]
    numbers = re.sub(_NUMBER, lambda m: _figure(m[0], match["unit"], unit), match["numbers"])
    return f"{numbers} {unit.name}"


def _figure(number: str, metric: str, unit: _Unit) -> str:
    plain = number.replace(" ", "").replace("\u00a0", "").replace("−", "-").replace("+", "")
    decimals = len(plain.partition(".")[2])
    value = float(plain) * unit.size
    if metric in ("m³", "m³/h", "l", "litres", "m²", "km²"):
        figures = max(len(plain.replace(".", "").lstrip("-0")), 2)
        shown = f"{float(f'{value:.{figures}g}'):.12g}"
    elif metric == "m":
        finer = 0 if not value else 2 if abs(float(plain)) < 1.0 else 1 if abs(value) < 100.0 else 0
        shown = f"{value:.{max(decimals, finer) if abs(value) < 100.0 else 0}f}"
    else:
        shown = f"{value:.{max(decimals, 2 if abs(value) < 10.0 else 1)}f}"
    sign = "+" if number.startswith("+") else ""
    return sign + (shown.replace("-", "−") if number.startswith("−") else shown)


def name(metric: str) -> str:
    """Name a unit as it is in force."""
    return metric if current() == "metric" else _US[metric].name


def figure(value: float, metric: str) -> float:
    """Return a quantity in the unit in force, for a column whose head names it by `label`."""
    return value if current() == "metric" else value * _US[metric].size


def scale_axis(axis: "Axis") -> None:
    """Give an axis whose label ends in a metric unit round ticks in the units in force, and name them."""
    from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator

    text = axis.get_label_text()
    found = _LABEL.search(text)
    if current() == "metric" or found is None:
        return
    unit = _US[found["unit"]]
    low, high = sorted(axis.get_view_interval())
    if axis.get_scale() == "log":
        ticks = LogLocator(subs=(1.0, 2.0, 5.0)).tick_values(low * unit.size, high * unit.size)
    else:
        ticks = MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]).tick_values(low * unit.size, high * unit.size)
    inside = [t / unit.size for t in ticks if low <= t / unit.size <= high]
    axis.set_ticks(inside)
    axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v * unit.size:.6g}".replace("-", "−")))
    axis.set_label_text(label(text))

"""How every answer is shown: its report, main picture, plain data, card for a notebook, files.

`linkcalc.answer.Answer` asks here. A new answer gets its lines in `_REPORTS` and, if it is drawn, in `_PICTURES`.
"""

from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkcalc.answer import Answer
from linkcalc.errors import LinkcalcError
from linkcalc.files import atomic_write
from linkcalc.views import style
from linkcalc.views.jsonout import plain_data, rows_csv, shown_names
from linkcalc.views.jsonout import to_dict as result_data
from linkcalc.views.notebook import show, text_card

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Function = Callable[..., Any]


def _of(place: str) -> Function:
    module, _, name = place.partition(":")
    found: Function = getattr(import_module(f"linkcalc.{module}"), name)
    return found


def _kind(answer: Any) -> str:
    """The name that an answer goes by here: of its class, or of the class that it is a kind of."""
    return next(c.__name__ for c in type(answer).__mro__ if c.__name__ not in ("Sample",))


_REPORTS: dict[str, str] = {
    "Result": "views.check.text:report",
    "CoverageResult": "views.coverage.text:coverage_report",
    "RelaySiting": "views.relay.text:relay_report",
    "FleetResult": "views.fleet.text:fleet_report",
    "Survey": "views.survey.text:survey_report",
    "Acceptance": "views.survey.text:acceptance_report",
    "MessagesSection": "views.messages.text:messages_report",
    "TankAnswer": "views.tank.text:tank_report",
    "EnergySection": "views.energy.text:energy_report",
    "HowFar": "views.range.text:range_report",
    "Candidates": "views.compare.text:compare_report",
    "Bill": "views.check.remedies:bill_report",
    "HeightTable": "views.heights.text:heights_report",
    "Sweep": "views.sweep.text:sweep_report",
    "LimitsResult": "views.limits.text:limits_report",
}
"""By the answer's class; each takes the answer, or what `_TAKEN` makes of it, and a `Screen`."""

_TAKEN: dict[str, Function] = {
    "Bill": lambda bill: (bill, "Parts"),
    "HeightTable": lambda table: ([table],),
    "LimitsResult": lambda answer: (answer.limits, answer.exposure),
}

_LINES: dict[str, Function] = {
    "LinkResult": lambda link: f"{link.name}: {link.headline}",
    "Record": lambda record: (
        f"{record.title or record.link.name}: {(record.survey or record.result).headline}"
    ),
    "FieldSheet": lambda sheet: f"Field sheet for {sheet.link}: {sheet.length_m:.0f} m, {sheet.asked}",
}
"""Answers that a line sums up."""

_PICTURES: dict[str, str] = {
    "LinkResult": "views.check.figures:profile_figure",
    "CoverageResult": "views.maps.figures:coverage_figure",
    "RelaySiting": "views.relay.figures:relay_map",
    "FleetResult": "views.fleet.figures:map_figure",
    "HeightTable": "views.heights.figures:heights_figure",
    "Survey": "views.survey.figures:margin_figure",
    "TankAnswer": "views.tank.figures:cycle_figure",
    "HowFar": "views.range.figures:range_figure",
    "Sweep": "views.sweep.figures:sweep_figure",
    "MessageAnswer": "views.messages.figures:delay_figure",
}

_SHOWN_BY: dict[str, Function] = {
    "Result": lambda result: result.links[0],
    "Record": lambda record: record.result,
    "MessagesSection": lambda section: section.messages[0],
}
"""Whose picture stands for an answer."""

_DATA: dict[str, Function] = {
    "Result": result_data,
    "FleetResult": lambda answer: _of("views.fleet.text:fleet_dict")(answer),
    "RelaySiting": lambda answer: plain_data(_of("area.relay.result:as_data")(answer)),
    "HowFar": lambda answer: _of("views.range.text:range_dict")(answer),
}


def text(answer: Any, width: int = 80, **look: Any) -> str:
    """Return the whole answer as its command prints it; for `Answer.text`."""
    kind = _kind(answer)
    if kind in _REPORTS:
        about = _TAKEN[kind](answer) if kind in _TAKEN else (answer,)
        return str(_of(_REPORTS[kind])(*about, width=width, **look))
    if kind in _LINES:
        return f"{_LINES[kind](answer)}\n"
    words = [getattr(answer, name) for name in ("line", "caution") if hasattr(answer, name)]
    return "\n".join(words) + "\n"


def figure(answer: Answer) -> "Figure":
    """Return an answer's main picture; for `Answer.figure`."""
    drawn: Figure | None = _drawn(answer)
    if drawn is None:
        raise LinkcalcError(f"there is no picture of this {type(answer).__name__}")
    return drawn


def _drawn(answer: Any) -> Any:
    kind = _kind(answer)
    if kind in _SHOWN_BY:
        return _drawn(_SHOWN_BY[kind](answer))
    if kind == "Candidates":
        return _of("views.compare.figures:compare_figure")(answer, answer.links[0])
    if kind == "EnergySection":
        drawn = [s for s in answer.stations if s.battery is not None and s.battery.by_spreading_factor]
        return _of("views.energy.figures:life_figure")(drawn[0]) if drawn else None
    return _of(_PICTURES[kind])(answer) if kind in _PICTURES else None


def data(answer: Any) -> dict[str, Any]:
    """Return an answer as dicts, lists, strings, numbers and None; for `Answer.to_dict`."""
    kind = _kind(answer)
    if kind in _DATA:
        found: dict[str, Any] = _DATA[kind](answer)
        return found
    line = {"line": answer.line} if isinstance(getattr(answer, "line", None), str) else {}
    fields = {name: getattr(answer, name) for name in shown_names(answer)}
    if kind == "CoverageResult":
        del fields["bands"], fields["tiles"]  # a picture's worth of numbers: to_xarray has them
        fields["stations"] = [s._asdict() for s in answer.stations]
        fields |= {f"{word}_km2": answer.area_km2(word) for word in ("closes", "at_risk", "does_not_close")}
        fields["cells"] = answer.cells
    return {**line, **plain_data(fields)}


def html(answer: Any) -> str:
    """Return an answer's card for a notebook: what it says, and its picture; for `Answer._repr_html_`."""
    if _kind(answer) in ("Result", "LinkResult", "Sweep"):
        drawable = _kind(answer) != "Sweep" or len(getattr(answer, "dims", ())) <= 2
        return show(answer, pictures=drawable).html
    return text_card(text(answer), _drawn(answer), f"picture of this {type(answer).__name__}")


def write(answer: Answer, path: Path) -> None:
    """Write an answer to a file; for `Answer.write`."""
    match path.suffix.lower():
        case ".json":
            content: str | bytes = answer.to_json()
        case ".txt":
            content = answer.text()
        case ".csv":
            content = rows_csv(answer.to_rows())
        case ".svg" | ".png" as ending:
            content = style.render(answer.figure(), ending[1:])
        case other:
            raise LinkcalcError(f"{path}: {other or 'no ending'}: write .json, .txt, .csv, .svg or .png")
    atomic_write(path, content)

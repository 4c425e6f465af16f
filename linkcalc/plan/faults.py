"""What is wrong with a plan, each fault as one line: place, value, what is allowed, likely remedy."""

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, NamedTuple, TypeVar

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from linkcalc.errors import PlanError, quoted
from linkcalc.plan.base import Section, element, shown
from linkcalc.plan.keys import (
    UNION_KEY,
    Place,
    allowed,
    bounds_of,
    choices_of,
    header_of,
    kind_of,
    nearest_key,
    places,
    sections_of,
)
from linkcalc.units import converted, sister_units, split_unit

Location = tuple[int | str, ...]
S = TypeVar("S", bound=Section)

_NUMBER = re.compile(r"[^\d+-]*([-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?)\s*(\D*)")
_DEGREES_MINUTES_SECONDS = re.compile(
    r"([NSEW])?\s*([-+]?\d+)\s*[°:\s]\s*(\d+(?:\.\d+)?)\s*['′:]?\s*(?:(\d+(?:\.\d+)?)\s*[\"″]?)?\s*([NSEW])?"
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,48}")
_MOST_FAULTS = 20
_UNIT_NAMES = {"hz": "Hz", "khz": "kHz", "mhz": "MHz", "ghz": "GHz"}
_SANE = 1e15
"""No number of a plan is larger; beyond it no guess is made at what was meant."""


class Fault(NamedTuple):
    """One thing that is wrong."""

    place: str
    line: str


def summary(found: Sequence[Fault]) -> str:
    """Put several faults into one line: the first in full, then where the others are."""
    first, *others = found
    if not others:
        return first.line
    named = "; ".join(dict.fromkeys(fault.place for fault in others[:3])) + ("; …" if len(others) > 3 else "")
    return f"{first.line} ({len(others)} more fault{'s' if len(others) > 1 else ''}: {named})"


def validated(kind: type[S], data: Any) -> S:
    """Make a section of a file's data; `PlanError` says what is wrong with it."""
    try:
        return kind.model_validate(data)
    except ValidationError as error:
        raise PlanError(summary(faults(error, data, kind))) from None


def faults(error: ValidationError, data: Any, root: type[Section]) -> list[Fault]:
    """Turn what the validation of a file's data by its root section found into lines: never none, at most twenty, the
    likely cause before its consequences.
    """
    everywhere = list(places(root))
    unknown: list[Fault] = []
    others: list[tuple[Location, Fault]] = []
    meant: set[Location] = set()
    # unknown keys first: one that is missing may be one of them, misspelt
    found_all = sorted(error.errors(include_url=False), key=lambda found: found["type"] != "extra_forbidden")
    for found in found_all[:_MOST_FAULTS]:
        location, here, field = _follow(found["loc"], everywhere)
        place = where(location, data)
        if found["type"] == "extra_forbidden":
            line, keys = _unknown_key(location, found["input"], data, here, everywhere)
            unknown.append(Fault(place, line))
            meant |= {(*location[:-1], key) for key in keys}
        else:
            line = "; ".join(filter(None, _parts(found, location, data, field)))
            others.append((location, Fault(place or line, line)))
    # a key that is missing because it is misspelt is one fault, not two
    return unknown + [fault for location, fault in others if location not in meant]


def where(location: Location, data: Any) -> str:
    """Name a place in the file: ``station "tank" antenna.gain_dbi``."""
    text = ""
    for position, part in enumerate(location):
        if isinstance(part, int):
            continue
        data = data.get(part) if isinstance(data, Mapping) else None
        index = location[position + 1] if position + 1 < len(location) else None
        if isinstance(index, int):
            data = data[index] if isinstance(data, Sequence) else None
            known = data if isinstance(data, Mapping) else {}
            text += element(part, index, known.get("name", known.get("station"))) + " "
        else:
            text += (part if _BARE_KEY.fullmatch(part) else quoted(part)) + "."
    return text.rstrip(" .")


def _follow(path: Location, everywhere: Sequence[Place]) -> tuple[Location, Place, FieldInfo | None]:
    """Follow the validator's path down the models; drop the words it puts in for members of a union."""
    kept: list[int | str] = []
    field: FieldInfo | None = None
    here = everywhere[0]
    options = [here]
    for part in path:
        if isinstance(part, int):
            kept.append(part)
        elif len(options) > 1:
            options = [p for p in options if part in choices_of(p.fields()[UNION_KEY].annotation)]
        elif options:
            here = options[0]
            field = here.fields().get(part)
            keys = (*here.keys, part)
            options = [p for p in everywhere if p.keys == keys]
            kept.append(part)
    return tuple(kept), here, field


def _parts(found: Any, location: Location, data: Any, field: FieldInfo | None) -> tuple[str, ...]:
    """Say what is wrong, what is allowed, and the likely remedy; parts may be empty."""
    place, value = where(location, data), found["input"]
    if found["type"] == "value_error":
        return (": ".join(filter(None, (place, str(found["ctx"]["error"])))),)
    if field is None:
        return (f"{place} is {shown(value)}, which cannot be used here",)
    states = f"{place} = {shown(value)}"
    limits = f"allowed: {allowed(field)}"
    header = header_of([part for part in location if isinstance(part, str)], field)
    match found["type"]:
        case "missing" if sections_of(field.annotation):
            return f"{where(location[:-1], data)} {header} is missing: {field.description}".lstrip(), ""
        case "missing":
            return f"{place} is missing: {field.description}", limits
        case "union_tag_not_found" | "union_tag_invalid":
            tags = _tags(sections_of(field.annotation))
            wrong = f" = {shown(value[UNION_KEY])} is not known" if UNION_KEY in value else " is missing"
            near = _near(value.get(UNION_KEY), tags)
            return f"{place}.{UNION_KEY}{wrong}", f"allowed: {_listed(tags)}", near
        case "model_type" | "model_attributes_type" | "dict_type":
            return f"{states} is not a table", f"write {header} above its keys"
        case "list_type" if sections_of(field.annotation):
            return f"{states} is not a list of tables", f"write {header} with double brackets"
        case "list_type":
            return f"{states} is not a list", f"write [{shown(value)}]" if isinstance(value, str) else ""
        case "too_short":
            return (
                f"{place}: {len(value)} given, at least {found['ctx']['min_length']} needed",
                f"add {header}",
            )
        case "too_long":
            return (f"{place}: more than {found['ctx']['max_length']} given",)
        case "string_too_short" | "string_pattern_mismatch":
            return (f"{states} must be one line of plain text that neither begins nor ends with a blank",)
        case "string_too_long":
            return (f"{states} is too long: {len(value)} characters, at most {found['ctx']['max_length']}",)
        case "literal_error":
            return f"{states} is not known", limits, _near(value, choices_of(field.annotation))
        case "greater_than" | "greater_than_equal":
            return f"{states} is too low", limits, _within(value, str(location[-1]), field)
        case "less_than" | "less_than_equal":
            return f"{states} is too high", limits, _within(value, str(location[-1]), field)
        case "finite_number":
            return f"{states} is not finite", limits
        # a float takes whole numbers: one that is refused has more digits than a float can hold
        case "float_type" if type(value) is int:
            return f"{states} is too high", limits
        case "float_type" | "int_type":
            number = "whole number" if kind_of(field.annotation) is int else "number"
            return f"{states} is not a {number}", limits, _number_meant(value, str(location[-1]))
        case "bool_type":
            yes = str(value).lower() in ("true", "yes", "on", "1")
            return f"{states} is not true or false", f"write {'true' if yes else 'false'} without quotes"
        case "string_type":
            number_given = isinstance(value, int | float) and not isinstance(value, bool)
            return f"{states} is not text", f"write {quoted(shown(value))}" if number_given else ""
        case _:
            return f"{states} cannot be used", limits


def _unknown_key(
    location: Location, value: Any, data: Any, here: Place, everywhere: Sequence[Place]
) -> tuple[str, tuple[str, ...]]:
    """Say where an unknown key belongs or which is nearest, and which keys of this table it stands for."""
    key = str(location[-1])
    is_table = isinstance(value, Mapping | list)
    line = where(location, data) + (
        " is not a known section here" if is_table else f" = {shown(value)} is not a known key here"
    )
    for sister in everywhere:
        if sister.keys == here.keys and key in sister.fields():
            return f"{line}; it goes with {UNION_KEY} = {_listed(_tags([sister.section]))}", ()
    nearest = nearest_key(key, here, everywhere)
    if nearest is None:
        return f"{line}; known: {', '.join(here.fields())}", ()
    keys, tables = nearest
    home = tables[0] if tables else here
    there = " or ".join(dict.fromkeys(place.header or "the top of the file" for place in tables))
    field, names = home.fields()[keys[0]], " or ".join(keys)
    if sections_of(field.annotation):
        remedy = f"did you mean {header_of((*home.keys, keys[0]), field)}?"
    elif (number := _in_unit_of(keys[0], key, value)) is not None:
        remedy = f"write {keys[0]} = {number:.6g}" + (f" in {there}" if there else "")
    elif there:
        remedy = f"it belongs in {there}" + ("" if names == key else f" as {names}")
    else:
        remedy = f"did you mean {names}?"
    return f"{line}; {remedy}", () if tables else keys


def _in_unit_of(key: str, written: str, value: Any) -> float | None:
    """Convert the value of a misspelt key to the unit of the right one, if only the unit differs."""
    unit, wanted = split_unit(written)[1], split_unit(key)[1]
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < _SANE:
        return None
    return converted(float(value), unit, wanted) if unit and unit != wanted else None


def _number_meant(value: Any, key: str) -> str:
    """Guess the number behind a value of another type."""
    if isinstance(value, str):
        number = _number_in(value.strip(), split_unit(key)[1])
        return f"write {number} without quotes" if number else ""
    if isinstance(value, float) and value.is_integer() and abs(value) < _SANE:
        return f"write {value:.0f}"
    if isinstance(value, list) and len(value) == 2 and all(type(part) is int for part in value):
        return f"write {shown(value[0])}.{shown(abs(value[1]))} with a decimal point"
    return ""


def _number_in(text: str, unit: str) -> str:
    """Read the number in a text, converting a unit behind it to the key's own; empty if there is none."""
    if unit == "deg" and (angle := _DEGREES_MINUTES_SECONDS.fullmatch(text)):
        before, degrees, minutes, seconds, after = angle.groups()
        size = abs(int(degrees)) + float(minutes) / 60 + float(seconds or 0) / 3600
        return f"{'-' if degrees[0] == '-' or (before or after) in ('S', 'W') else ''}{size:.6f}"
    number = _NUMBER.fullmatch(text) if len(text) < 40 else None
    if number is None:
        return ""
    digits, behind = number[1].replace(",", "."), number[2].strip().lower()
    # with a sign and a letter it stays open which half of the Earth is meant
    if unit == "deg" and behind in ("s", "w") and digits[0] not in "+-":
        return f"-{digits}"
    if not behind or not unit or behind == unit:
        return digits
    # of a unit that is not known the bare number would mean another size: 12' is no 12 m, 6 dBd no 6 dBi
    value = converted(float(digits), behind, unit)
    return "" if value is None else f"{value:.6g}"


def _within(value: float, key: str, field: FieldInfo) -> str:
    """Guess what was meant by a number out of range: another unit, or two values swapped."""
    if not abs(value) < _SANE:
        return ""
    if key == "latitude_deg" and abs(value) <= 180:
        return "are latitude and longitude swapped?"
    unit, (low, high) = split_unit(key)[1], bounds_of(field)
    if unit or ((low, high) == (0.0, 1.0) and value > 1):
        for other in sister_units(unit):
            meant = converted(float(value), other, unit)
            if meant is not None and low <= meant <= high:
                return f"write {meant:.6g}" + (
                    f" if it was in {_UNIT_NAMES.get(other, other)}" if other else ""
                )
    return ""


def _tags(members: Sequence[type[Section]]) -> tuple[str, ...]:
    return tuple(word for s in members for word in choices_of(s.model_fields[UNION_KEY].annotation))


def _listed(words: Sequence[str]) -> str:
    return ", ".join(quoted(word) for word in words)


def _near(value: Any, words: Sequence[str]) -> str:
    """Name the word nearest to a value."""
    if isinstance(value, bool):
        value = "on" if value else "off"
    wanted = str(value).lower().strip().replace(" ", "_") if isinstance(value, str) else ""
    found = get_close_matches(wanted[:80], words, n=1)
    return f"write {quoted(found[0])}" if found else ""

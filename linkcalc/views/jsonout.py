"""The machine-readable result: strict JSON, versioned, with its schema."""

import dataclasses
import datetime
import enum
import json
import math
import os
import types
import typing
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from linkcalc.files import csv_text
from linkcalc.link import result as results
from linkcalc.link.result import SCHEMA_VERSION, Advice, Assumption, LinkResult, Result
from linkcalc.plan.assumptions import still_the_starters

_RENAMED = {"from_": "from"}
"""Fields whose name Python reserves."""
_LEFT_OUT = {"drawing", "map"}
"""Arrays for pictures."""
_DEFINED = (
    *("LinkResult", "PathFacts", "Direction", "Term", "Contributor", "Advice"),
    *("Assumption", "Remedy", "Change", "RelaySpot", "Part"),
)
"""Records of `linkcalc.link.result` that the schema refers to."""


def shown_names(record: Any) -> list[str]:
    """Return the attributes of a dataclass that make its plain data: fields, or what is said in a field's place."""
    return [
        name
        for f in dataclasses.fields(record)
        for name in f.metadata.get("said", (f.name,))
        if name not in _LEFT_OUT
    ]


def to_json(result: Result) -> str:
    """Return the result as strict JSON, equal from run to run for equal results; NaN and infinities become null."""
    return json_text(to_dict(result))


def json_text(data: Any, *, indent: int | None = 2) -> str:
    """Plain data as strict JSON that ends in a line feed."""
    return json.dumps(data, indent=indent, ensure_ascii=False, allow_nan=False) + "\n"


def rows_csv(rows: Iterable[Mapping[str, Any]]) -> str:
    """Rows, each its cells by the name of their column, as CSV."""
    listed = list(rows)
    names = list(dict.fromkeys(name for row in listed for name in row))
    return csv_text([names, *([row.get(name) for name in names] for row in listed)])


def section_json(name: str, section: Any, assumed: Sequence[Assumption] = ()) -> str:
    """Return a section as strict JSON under its name, null if the plan has none, and what is still the starter's."""
    invented = plain_data(still_the_starters(assumed))
    return json_text({name: _section(section), **({"still_the_starters": invented} if invented else {})})


def to_dict(result: Result) -> dict[str, Any]:
    """Return what `to_json` writes as dicts, lists, strings, numbers, booleans and None."""
    links = [plain_data(link) for link in result.links]
    first = ("schema_version", "title", "plan_file", "plan_digest", "linkcalc_version")
    return {
        **{name: getattr(result, name) for name in first},
        "links": links,
        "assumed": plain_data(result.assumed),
        "warnings": [
            *result.warnings,
            *(f"{link.name}: {words}" for link in result.links for words in link.warnings),
        ],
        "advice": [{"link": link["name"], **entry} for link in links for entry in link["advice"]],
        "cautions": list(result.cautions),
        "sections": {name: _section(section) for name, section in result.sections.items()},
    }


def _section(section: Any) -> Any:
    """A section's fields with the line that sums it up; one that is not fields gives the line alone."""
    line = {"line": section.line} if isinstance(getattr(section, "line", None), str) else {}
    if isinstance(section, Mapping) or (dataclasses.is_dataclass(section) and not isinstance(section, type)):
        return {**line, **plain_data(section)}
    return line or plain_data(section)


def plain_data(value: Any) -> Any:
    # before int, since a bool is one; and an enum may be a str
    if value is None or isinstance(value, str | bool):
        return str(value) if isinstance(value, enum.Enum) else value
    if isinstance(value, enum.Enum):
        return plain_data(value.value)
    if isinstance(value, np.generic | np.ndarray):
        return plain_data(value.tolist())
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        # JSON has no infinity, yet a margin that no success reaches is one
        return float(value) if math.isfinite(value) else None
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {_RENAMED.get(name, name): plain_data(getattr(value, name)) for name in shown_names(value)}
    if isinstance(value, Mapping):
        return {str(k): plain_data(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain_data(v) for v in value]
    if isinstance(value, set | frozenset):
        return sorted((plain_data(v) for v in value), key=str)
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, os.PathLike):
        return os.fspath(value)
    if hasattr(value, "model_dump"):
        return value.model_dump(mode="json", by_alias=True, exclude_none=True)
    raise TypeError(f"a {type(value).__name__} has no JSON form here")


def result_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of what `to_json` writes, read off the fields: the two cannot part."""
    text = {"type": "string"}
    advice = _record(Advice)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "linkcalc result",
        "description": "Units are in the names: _db, _dbm, _m, _hz, _s, _deg; probabilities and ratios run "
        "from 0 to 1, percentages say so. A number that is not finite or not defined is null.",
        **_object(
            {
                "schema_version": {"const": SCHEMA_VERSION},
                "title": text,
                "plan_file": text,
                "plan_digest": {**text, "description": "SHA-256 of the plan file"},
                "linkcalc_version": text,
                "links": {"type": "array", "items": _reference(LinkResult)},
                "assumed": {"type": "array", "items": _reference(Assumption)},
                "warnings": {"type": "array", "items": text, "description": "of the plan and of every link"},
                "advice": {
                    "type": "array",
                    "items": _object({"link": text, **advice["properties"]}),
                    "description": "every link's, in the order of the links",
                },
                "cautions": {"type": "array", "items": text},
                "sections": {"type": "object", "description": "further answers, by name"},
            }
        ),
        "$defs": {name: _record(getattr(results, name)) for name in _DEFINED},
    }


def _record(record: type) -> dict[str, Any]:
    hints = typing.get_type_hints(record)
    said = {
        name: typing.get_type_hints(one.fget)["return"]
        for name, one in vars(record).items()
        if isinstance(one, property)
    }
    return _object({_RENAMED.get(n, n): _type((said | hints)[n]) for n in shown_names(record)})


def _object(properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _reference(record: type) -> dict[str, str]:
    return {"$ref": f"#/$defs/{record.__name__}"}


_SIMPLE: dict[Any, dict[str, Any]] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": ["number", "null"]},
    Any: {},
}


def _type(hint: Any) -> dict[str, Any]:
    if hint in _SIMPLE:
        return dict(_SIMPLE[hint])
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return dict(_reference(hint))
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is typing.Literal:
        return {"enum": list(inner)}
    if origin is tuple and inner[-1] is Ellipsis:
        return {"type": "array", "items": _type(inner[0])}
    if origin is tuple:
        return {
            "type": "array",
            "prefixItems": [*map(_type, inner)],
            "minItems": len(inner),
            "maxItems": len(inner),
        }
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": _type(inner[1])}
    if origin in (typing.Union, types.UnionType):
        if set(inner) == {float, type(None)}:
            return dict(_SIMPLE[float])
        return {"anyOf": [{"type": "null"} if i is type(None) else _type(i) for i in inner]}
    raise TypeError(f"no JSON Schema for {hint!r}")

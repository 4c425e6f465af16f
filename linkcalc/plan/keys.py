"""The plan file's keys as its sections define them, what each takes, and the nearest to an unknown one."""

import json
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any, Literal, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic.fields import FieldInfo

from linkcalc.errors import quoted
from linkcalc.plan.base import Section
from linkcalc.units import STATED, split_unit, takes_units

UNION_KEY = "kind"
"""The key that tells the members of a union of sections apart."""

_SYNONYMS = {
    "clutter": "surroundings",
    "bw": "bandwidth_khz",
    "sf": "spreading_factor",
    "cr": "coding_rate",
    "lng": "longitude_deg",
    "retries": "tries",
    "id": "name",
}


@dataclass(frozen=True)
class Place:
    """A table of the plan file."""

    keys: tuple[str, ...]
    """From the top of the file down to it."""
    header: str
    """As written in the file: ``[station.antenna]``; empty for the top of the file."""
    section: type[Section]

    def fields(self) -> dict[str, FieldInfo]:
        """Its keys as written in the file."""
        return {field.alias or name: field for name, field in self.section.model_fields.items()}


Nearest = tuple[tuple[str, ...], tuple[Place, ...]]
"""Keys that may have been meant, and the tables they are in; none where it is the table where the key stands."""


def sections_of(annotation: Any) -> list[type[Section]]:
    """List the sections an annotation admits (several for a union)."""
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return [annotation]
    return [section for part in get_args(annotation) for section in sections_of(part)]


def kind_of(annotation: Any) -> type | None:
    """Return the plain type behind an annotation: bool, int, float, str or list; None for a table."""
    if annotation in (bool, int, float, str):
        return annotation  # type: ignore[no-any-return]
    if get_origin(annotation) is list:
        return list
    kinds = [kind_of(part) for part in get_args(annotation) if get_origin(annotation) is not Literal]
    return next((kind for kind in kinds if kind is not None), None)


def choices_of(annotation: Any) -> tuple[str, ...]:
    """Return the words an annotation admits, empty when it is free."""
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return next((words for part in get_args(annotation) if (words := choices_of(part))), ())


def words_of(field: FieldInfo) -> tuple[str, ...]:
    """Return the words a key takes, empty when it is free."""
    words = choices_of(field.annotation)
    # types of cables are in no annotation: their table is imported when it is asked for
    if not words and callable(field.json_schema_extra):
        schema: dict[str, Any] = {}
        field.json_schema_extra(schema)
        words = tuple(schema.get("enum", ()))
    return words


def bounds_of(field: FieldInfo) -> tuple[float, float]:
    """Return the lowest and highest number a key takes, infinite where there is no limit."""
    low, high = -math.inf, math.inf
    for limit in field.metadata:
        match limit:
            case Ge(ge=value) | Gt(gt=value):
                low = float(value)  # type: ignore[arg-type]
            case Le(le=value) | Lt(lt=value):
                high = float(value)  # type: ignore[arg-type]
    return low, high


def allowed(field: FieldInfo) -> str:
    """Say what a key takes: ``0.1 to 3000``, or the words it may be; empty for a table."""
    words = words_of(field)
    if words:
        return ", ".join(quoted(word) for word in words)
    kind = kind_of(field.annotation)
    if kind is list:
        each = _element(field.annotation)
        return "a list" if each is None else f"a list, each {allowed(each)}"
    if kind not in (int, float):
        return {bool: "true or false", str: "text in quotes"}[kind] if kind else ""
    low, high = bounds_of(field)
    low_open = any(isinstance(limit, Gt) for limit in field.metadata)
    high_open = any(isinstance(limit, Lt) for limit in field.metadata)
    number = "a whole number" if kind is int else "a number"
    if math.isinf(low) and math.isinf(high):
        return number
    if math.isinf(high):
        return f"above {low:.12g}" if low_open else f"{low:.12g} or more"
    if not low_open and not high_open:
        return f"{low:.12g} to {high:.12g}"
    return f"{'above' if low_open else 'from'} {low:.12g} {'and below' if high_open else 'up to'} {high:.12g}"


def _element(annotation: Any) -> FieldInfo | None:
    """What a list of numbers takes in each place; None for other lists."""
    if get_origin(annotation) is not list:
        found = (_element(part) for part in get_args(annotation))
        return next((each for each in found if each is not None), None)
    each = FieldInfo.from_annotation(get_args(annotation)[0])
    return each if kind_of(each.annotation) in (int, float) else None


def places(section: type[Section], keys: tuple[str, ...] = (), header: str = "") -> Iterator[Place]:
    """List a section and all sections below it."""
    place = Place(keys, header, section)
    yield place
    for key, field in place.fields().items():
        for below in sections_of(field.annotation):
            yield from places(below, (*keys, key), header_of((*keys, key), field))


def header_of(keys: Sequence[str], field: FieldInfo) -> str:
    """Write the line that opens a table: ``[terrain]``, ``[[station]]``."""
    dotted = ".".join(keys)
    return f"[[{dotted}]]" if kind_of(field.annotation) is list else f"[{dotted}]"


def file_schema(section: type[Section]) -> dict[str, Any]:
    """Return the JSON Schema of a file, its texts those of the keys; a default that is assumed says its source.

    >>> from linkcalc.plan.model import Plan
    >>> file_schema(Plan)["$defs"]["Station"]["properties"]["noise_figure_db"]["description"]
    'receiver noise figure, dB; default: 6, assumed (common practice, no source)'
    """
    schema = section.model_json_schema()
    for table in (schema, *schema["$defs"].values()):
        for key, field in table["properties"].items():
            for part in (field, *field.get("anyOf", ())) if takes_units(key) else ():
                if part.get("type") == "number":
                    # a figure with a unit of its own
                    part |= {"type": ["number", "string"], "pattern": f"^{STATED.pattern}$"}
            source = field.pop("source", None)
            if source is not None:
                words = json.dumps(field["default"])
                field["description"] += f"; default: {words.removesuffix('.0')}, assumed ({source})"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def nearest_key(key: str, here: Place, everywhere: Sequence[Place]) -> Nearest | None:
    """Find the key that was probably meant.

    A key of the same name elsewhere wins over one that only resembles it here, but not over one
    here that says the same at greater length (``height_m`` for ``antenna_height_m``).
    """
    wanted = key[:80].strip().lower().replace("-", "_").replace(" ", "_")
    synonym = _SYNONYMS.get(wanted)
    wanted = synonym or wanted
    stem, _ = split_unit(wanted)
    words = set(stem.split("_"))
    own = here.fields()
    values = [k for k, field in own.items() if not sections_of(field.annotation)]
    below = [p for p in everywhere if p.keys[: len(here.keys)] == here.keys and p.keys != here.keys]
    above = [p for p in everywhere if p.keys[: len(here.keys)] != here.keys]

    def at_home(found: Sequence[str]) -> Nearest | None:
        return (_most_alike(wanted, found), ()) if found else None

    def abroad(same: Callable[[str, Place], bool]) -> Nearest | None:
        for group in (below, above):
            hits = [(k, p) for p in group for k in p.fields() if same(k, p)]
            if hits:
                keys = _most_alike(wanted, [k for k, _ in hits])
                return keys, tuple(p for k, p in hits if k in keys)
        return None

    # from the surest to the vaguest: the key itself, its table's name in front of it, another word for it, the same at
    # greater length, the same elsewhere (in another unit), its beginning, its spelling
    return (
        at_home([k for k in own if k == wanted])
        or abroad(lambda k, p: bool(p.keys) and f"{p.keys[-1]}_{k}" == wanted)
        or (abroad(lambda k, p: k == synonym) if synonym else None)
        or at_home([k for k in values if words <= set(split_unit(k)[0].split("_"))])
        or abroad(lambda k, p: k == wanted)
        or abroad(lambda k, p: split_unit(k)[0] == stem)
        or at_home([k for k in values if len(stem) > 2 and k.startswith(stem)])
        or at_home([k for k in own if _alike(stem, split_unit(k)[0]) >= 0.6])
        or abroad(lambda k, p: _alike(wanted, k) >= 0.75)
    )


def _alike(a: str, b: str) -> float:
    return SequenceMatcher(None, a, b).ratio()


def _most_alike(wanted: str, found: Sequence[str]) -> tuple[str, ...]:
    best = max(_alike(wanted, k) for k in found)
    return tuple(dict.fromkeys(k for k in found if _alike(wanted, k) == best))

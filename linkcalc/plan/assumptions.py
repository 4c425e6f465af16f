"""Which defaults a plan relies on."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from linkcalc.plan.base import Section, element
from linkcalc.plan.scenario import SOURCE, starter_values


@dataclass(frozen=True)
class Assumption:
    """A default that was used because the plan does not say."""

    key: str
    value: Any
    source: str


def assumed_values(file: Section, *, starter: bool) -> tuple[Assumption, ...]:
    """List every default that was used and matters, with its source, and what is still the starter's.

    Sections that the file leaves out count: their defaults are used all the same. Defaults that change nothing in it
    (the loss of an arrestor that is not fitted) are left out. Keys read like ``station "tank" feeder.connectors``.
    """
    invented = starter_values() if starter else {}
    return tuple(Assumption(*found) for found in _walk(file, "", "", frozenset(), invented))


def still_the_starters(assumed: Sequence[Assumption]) -> tuple[Assumption, ...]:
    """Those of the values that `linkcalc new` wrote and nobody has changed."""
    return tuple(a for a in assumed if a.source == SOURCE)


def _walk(
    section: Section, prefix: str, table: str, idle: frozenset[str], invented: Mapping[str, Collection[Any]]
) -> Iterator[tuple[str, Any, str]]:
    """Key, value and source; `prefix` names a table for a reader, `table` is its dotted key without numbers."""
    # handed down: a section may say that keys of those below it change nothing
    idle |= {prefix + key for key in section.idle_keys()}
    for name, field in type(section).model_fields.items():
        key = field.alias or name
        value = getattr(section, name)
        extra = field.json_schema_extra
        if prefix + key in idle:
            continue
        if isinstance(value, Section):
            yield from _walk(value, f"{prefix}{key}.", f"{table}{key}.", idle, invented)
        elif isinstance(value, list) and value and isinstance(value[0], Section):
            for index, item in enumerate(value):
                place = prefix + element(key, index, getattr(item, "name", getattr(item, "station", None)))
                if place not in idle:
                    yield from _walk(item, place + " ", f"{table}{key}.", idle, invented)
        elif name in section.model_fields_set:
            # what is stated is the author's own, unless the starter wrote it
            if value in invented.get(table + key, ()):
                yield prefix + key, value, SOURCE
        elif isinstance(extra, dict) and "source" in extra:
            yield prefix + key, value, str(extra["source"])
    yield from ((prefix + key, value, source) for key, value, source in section.implied())

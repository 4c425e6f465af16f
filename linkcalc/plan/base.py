"""What every section of a plan file shares, and how its values and places are written in messages: always one line."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, model_validator

from linkcalc.errors import LONGEST, nearest, printable, quoted
from linkcalc.units import stated_in

ONE_LINE = r"^[^\x00-\x1f\x7f-\x9f]*$"
"""Text without control characters."""

COMMON_PRACTICE = "common practice, no source"

_NAME = r"^[^\x00-\x20\x7f-\xa0]([^\x00-\x1f\x7f-\x9f]*[^\x00-\x20\x7f-\xa0])?$"


class Section(BaseModel):
    """A table of the plan file: typed strictly, closed to unknown keys, immutable."""

    # closed: a misspelt key would be passed over, and its default used in silence
    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, allow_inf_nan=False, protected_namespaces=()
    )

    @model_validator(mode="before")
    @classmethod
    def _units_stated(cls, data: Any) -> Any:
        """A number may be text with another unit than its key's: "12 ft"."""
        if not isinstance(data, dict) or not any(isinstance(value, str) for value in data.values()):
            return data
        known = {field.alias or name: field.annotation for name, field in cls.model_fields.items()}
        numbers = (float, float | None)
        return {
            key: stated_in(key, value) if isinstance(value, str) and known.get(key) in numbers else value
            for key, value in data.items()
        }

    def idle_keys(self) -> Iterable[str]:
        """Keys whose value changes nothing while the section's other values are as they are.

        A default of such a key is not listed as an assumption.
        """
        return ()

    def implied(self) -> Iterable[tuple[str, Any, str]]:
        """Assumptions that no single default expresses: key, value and source of each."""
        return ()


def given(description: str, **limits: Any) -> Any:
    """A key that the plan must state."""
    return Field(description=description, **limits)


def optional(description: str, **limits: Any) -> Any:
    """A key that may be left out; nothing is assumed in its place."""
    return Field(default=None, description=description, **limits)


def assumed(default: Any, description: str, source: str = COMMON_PRACTICE, **limits: Any) -> Any:
    """A key with a default that is listed under "assumed" in the result, with its source."""
    return Field(default=default, description=description, json_schema_extra={"source": source}, **limits)


def plain(default: Any, description: str, **limits: Any) -> Any:
    """A key whose default assumes nothing about the world (an empty list, an identity)."""
    return Field(default=default, description=description, **limits)


STARTER = plain(
    False,
    "written by `linkcalc new`: every answer names the values that are still the starter's; take this line "
    "away once all of them are yours",
)
UNITS = plain("metric", "units of lengths and volumes in reports and pictures; JSON and CSV stay metric")


def label(description: str, **extra: Any) -> Any:
    """A key that holds a short text: one printable line, up to 60 characters."""
    return Field(description=description, min_length=1, max_length=60, pattern=_NAME, **extra)


def shown(value: Any) -> str:
    """Write a value as the plan file does.

    >>> shown(True), shown(6.50), shown("6,5"), shown([6, 5]), shown({"a": 1})
    ('true', '6.5', '"6,5"', '[6, 5]', 'a table')
    """
    match value:
        # before int: to Python True is a whole number
        case bool():
            return "true" if value else "false"
        case str():
            return quoted(value)
        case int():
            # str() refuses integers of more than a few thousand digits
            digits = int(value.bit_length() * math.log10(2)) + 1
            return str(value) if digits <= LONGEST // 2 else f"a whole number of about {digits} digits"
        case float():
            return f"{value:.12g}"
        case Mapping():
            return "a table"
        case list() if 0 < len(value) < 4 and not any(isinstance(v, list) for v in value):
            return f"[{', '.join(shown(v) for v in value)}]"
        case list():
            return "a list"
        case _:
            return printable(str(value))[:LONGEST]


def element(kind: str, index: int, name: Any) -> str:
    """Name one of several tables, by its name if it has one."""
    return f"{kind} {quoted(name)}" if isinstance(name, str) and name else f"{kind} {index + 1}"


def repeated(values: Sequence[Any]) -> Any:
    """The first value that is given more than once; None if there is none."""
    return next((value for value in values if values.count(value) > 1), None)


def name_twice(kind: str, names: Sequence[str]) -> Iterator[str]:
    """Say so if two of a kind have the same name."""
    if (twice := repeated(names)) is not None:
        yield f"two {kind}s are named {quoted(twice)}; names must differ"


def unknown(key: str, name: str, kind: str, known: Sequence[str]) -> str:
    """Say that a key names what does not exist, and which was probably meant."""
    return f"{key} = {quoted(name)}: unknown {kind}; did you mean {nearest(name, known)}?"

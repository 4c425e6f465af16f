"""How a value or a place of a plan file is written in a message: always short, always one line."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from linkcalc.errors import LONGEST, nearest, printable, quoted


def shown(value: Any) -> str:
    """Write a value as the plan file does.

    >>> shown(True), shown(6.50), shown("6,5"), shown([6, 5]), shown({"a": 1})
    ('true', '6.5', '"6,5"', '[6, 5]', 'a table')
    """
    match value:
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
    """Name one of several tables, by its name if it has one.

    >>> element("station", 0, "tank"), element("obstacle", 1, None)
    ('station "tank"', 'obstacle 2')
    """
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

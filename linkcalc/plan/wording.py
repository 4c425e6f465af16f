"""How a value or a place of the plan file is written in a message: always short, always one line."""

import math
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any

_LONGEST = 48


def quoted(text: str) -> str:
    """Text in double quotes, shortened, control characters escaped.

    >>> print(quoted("tank\\nshed"))
    "tank\\nshed"
    """
    if len(text) > _LONGEST:
        text = text[: _LONGEST - 1] + "…"
    return '"' + printable(text) + '"'


def printable(text: str) -> str:
    """Escape what a terminal would not print as it stands.

    >>> print(printable("a\\tb"))
    a\\tb
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


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
            return str(value) if digits <= _LONGEST // 2 else f"a whole number of about {digits} digits"
        case float():
            return f"{value:.12g}"
        case Mapping():
            return "a table"
        case list() if 0 < len(value) < 4 and not any(isinstance(v, list) for v in value):
            return f"[{', '.join(shown(v) for v in value)}]"
        case list():
            return "a list"
        case _:
            return printable(str(value))[:_LONGEST]


def element(kind: str, index: int, name: Any) -> str:
    """Name one of several tables, by its name if it has one.

    >>> element("station", 0, "tank"), element("obstacle", 1, None)
    ('station "tank"', 'obstacle 2')
    """
    return f"{kind} {quoted(name)}" if isinstance(name, str) and name else f"{kind} {index + 1}"


def nearest(name: str, known: Sequence[str]) -> str:
    """The one of the known names that may have been meant, in quotes.

    >>> print(nearest("shet", ["tank", "shed"]))
    "shed"
    """
    return quoted(get_close_matches(name, known, n=1, cutoff=0.0)[0])

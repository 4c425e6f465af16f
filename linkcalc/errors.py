"""What can go wrong, as one small family; and how a piece of somebody's file is written in a message.

::

    LinkcalcError
    ├── PlanError (also ValueError)     the plan file: unknown key, bad value, contradiction
    ├── TerrainError (also OSError)     rasters and profiles: outside, nodata, unreadable
    ├── ReadingsError (also ValueError) a file of readings of which nothing can be used
    ├── DomainError (also ValueError)   an argument for which a formula is not defined
    └── ArgumentError (also TypeError)  an argument of a kind that a function does not take

    OutOfRangeWarning (UserWarning)     a model used outside the range its source states;
                                        the number is still given
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from typing import Any


class LinkcalcError(Exception):
    """Base of every error that linkcalc raises on purpose; its text is one clear line."""


class PlanError(LinkcalcError, ValueError):
    """The plan file cannot be used as it stands."""


class TerrainError(LinkcalcError, OSError):
    """A raster or a surveyed profile cannot give the heights that were asked of it."""


class ReadingsError(LinkcalcError, ValueError):
    """A file of signal readings cannot be read, or no row of it can be used."""


class DomainError(LinkcalcError, ValueError):
    """An argument lies where the formula is not defined."""


class ArgumentError(LinkcalcError, TypeError):
    """An argument is of a kind that the function does not take."""


class OutOfRangeWarning(UserWarning):
    """A model is used outside the range its source states; the number is still given."""


LONGEST = 48
"""Characters of a file's own text that a message shows."""


def quoted(text: str) -> str:
    """Text in double quotes, shortened, control characters escaped.

    >>> print(quoted("tank\\nshed"))
    "tank\\nshed"
    """
    if len(text) > LONGEST:
        text = text[: LONGEST - 1] + "…"
    return '"' + printable(text) + '"'


def printable(text: str) -> str:
    """Escape what a terminal would not print as it stands.

    >>> print(printable("a\\tb"))
    a\\tb
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def nearest(name: str, known: Sequence[str]) -> str:
    """The one of the known names that may have been meant, in quotes.

    >>> print(nearest("shet", ["tank", "shed"]))
    "shed"
    """
    return quoted(get_close_matches(name, known, n=1, cutoff=0.0)[0])


def shortened(value: object) -> str:
    """What was given in place of something else, in one short line.

    >>> shortened(list(range(50)))
    '[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16...'
    """
    words = " ".join(repr(value).split())
    return words if len(words) <= 60 else f"{words[:57]}..."


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
